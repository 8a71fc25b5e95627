"""What every test is owed: the main program as it was."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

MAIN = sys.modules["__main__"]


@pytest.fixture(autouse=True)
def main_program_put_back() -> Iterator[None]:
    """A page run by AppTest leaves itself as `__main__`; a process spawned later would run it as its own."""
    yield
    sys.modules["__main__"] = MAIN
