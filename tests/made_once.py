"""What takes long to compute is computed once in a run of the tests, by whichever worker asks first."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from filelock import FileLock

shared: Path | None = None
"""A folder of this run, the same for all its workers; none outside pytest."""


def own_copy(name: str, make: Callable[[Path], None]) -> Path:
    """A folder of this process's own that holds what `make`, called once in a run, writes into one."""
    root = Path(tempfile.mkdtemp(prefix=f"{name}-"))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    if shared is None:
        make(root)
        return root
    made = shared / name
    with FileLock(shared / f"{name}.lock"):
        if not made.is_dir():
            make(root)
            shutil.copytree(root, shared / f"{name}.part")
            (shared / f"{name}.part").rename(made)
            return root
    return shutil.copytree(made, root, dirs_exist_ok=True)
