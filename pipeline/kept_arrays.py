"""Arrays kept in the cache under a name made of all that decides them; any file of it may be deleted."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.results import keep_copy

__all__ = ["keep_arrays", "kept_arrays", "kept_path", "read_arrays"]

Arrays = Mapping[str, Any]


def kept_path(folder: Path, key: bytes) -> Path:
    """Where arrays that a key decides are kept."""
    return folder / f"{hashlib.sha256(key).hexdigest()[:32]}.npz"


def read_arrays(path: Path, names: Sequence[str]) -> dict[str, np.ndarray] | None:
    """The named arrays of a file; None where there is none, or only a damaged copy."""
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as held:
            return {name: held[name] for name in names}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def keep_arrays(path: Path, arrays: Arrays) -> None:
    """Write arrays by their names.

    Raises
    ------
    StoreError
        The cache cannot be written.
    """
    content = io.BytesIO()
    np.savez(content, **arrays)
    keep_copy(path, content.getvalue())


def kept_arrays(folder: Path, key: bytes, names: Sequence[str], make: Callable[[], Arrays]) -> Arrays:
    """Arrays that were made before from what the key says, or are made now and kept.

    Parameters
    ----------
    folder
        Where they are kept.
    key
        Everything that decides them, and the version of what makes them.
    names
        Of the arrays.
    make
        Makes them; asked only where nothing is kept.
    """
    path = kept_path(folder, key)
    held = read_arrays(path, names)
    if held is not None:
        return held
    made = make()
    keep_arrays(path, made)
    return made
