"""Files are written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from pipeline.errors import InputError

__all__ = ["write_atomically", "write_where_asked"]


def write_atomically(path: Path, *content: bytes | memoryview) -> None:
    """Write a file whole or not at all: a temporary file beside it, synced, then renamed over it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.writelines(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def write_where_asked(path: Path, content: bytes) -> Path:
    """Write a file, atomically, into a folder that the user has named.

    Raises
    ------
    InputError
        When it cannot be written.
    """
    try:
        write_atomically(path, content)
    except OSError as error:
        raise InputError(
            f"{path} cannot be written: {error.strerror or error}. Name another folder with --into."
        ) from error
    return path
