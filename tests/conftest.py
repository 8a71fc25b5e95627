"""What holds for all tests: the main program as it was, and no needless look-ups."""

from __future__ import annotations

import functools
import sys
from collections.abc import Iterator

import pytest

MAIN = sys.modules["__main__"]


@pytest.fixture(autouse=True)
def main_program_put_back() -> Iterator[None]:
    """A page run by AppTest leaves itself as `__main__`; a process spawned later would run it as its own."""
    yield
    sys.modules["__main__"] = MAIN


@pytest.fixture(autouse=True, scope="session")
def packages_looked_through_once() -> Iterator[None]:
    """Every AppTest reads the metadata of all installed packages in search of components, 0.3 s each time."""
    if "streamlit.testing.v1" not in sys.modules:
        yield
        return
    from streamlit.components.v2 import manifest_scanner

    with pytest.MonkeyPatch.context() as patch:
        once = functools.cache(manifest_scanner.scan_component_manifests)
        patch.setattr(manifest_scanner, "scan_component_manifests", once)
        yield
