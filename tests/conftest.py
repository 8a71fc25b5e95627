"""What holds for all tests: the main program as it was, and no needless look-ups."""

from __future__ import annotations

import functools
import gc
import os
import sys
from collections.abc import Iterator
from typing import Any

import made_once
import pytest

# As the program has it, and before numpy is loaded: the cores are the workers'. A second thread a worker
# gains nothing on small matrices, and spins while it waits.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

MAIN = sys.modules["__main__"]
LONGEST = (
    "test_dashboard_browser",
    "test_packaging",
    "test_dashboard_people",
    "test_verification_climates",
    "test_learning_coverage",
    "test_dashboard_print",
    "test_shared_downloads",
    "test_dashboard_bad_days",
    "test_dashboard_flight",
    "test_sign_in",
    "test_line_nycflights",
    "test_decisions_routines",
    "test_flight_inhand",
    "test_decisions_slots_season",
    "test_architecture",
    "test_line_upkeep",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take longest come first, so that no worker sits idle while the other is still at one."""
    rank = {name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path.stem, len(rank)))


def pytest_collection_finish() -> None:
    """What has been imported stays: the collector of garbage need not look through it every time."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True)
def main_program_put_back() -> Iterator[None]:
    """A page run by AppTest leaves itself as `__main__`; a process spawned later would run it as its own."""
    yield
    sys.modules["__main__"] = MAIN


@pytest.fixture(autouse=True, scope="session")
def folder_shared_by_all_workers(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Under xdist every worker has a folder of its own below that of the run."""
    own = tmp_path_factory.getbasetemp()
    made_once.shared = own.parent if hasattr(request.config, "workerinput") else own


@pytest.fixture(autouse=True, scope="session")
def pages_prepared_once() -> Iterator[None]:
    """Every AppTest reads the metadata of all installed packages in search of components, 0.3 s each time;
    and every run of one compiles its scripts anew, which a server does once."""
    if "streamlit.testing.v1" not in sys.modules:
        yield
        return
    from streamlit.components.v2 import manifest_scanner
    from streamlit.runtime.scriptrunner.script_cache import ScriptCache

    compile_script = ScriptCache.get_bytecode

    @functools.cache
    def compiled(path: str, modified: int) -> Any:
        return compile_script(ScriptCache(), path)

    with pytest.MonkeyPatch.context() as patch:
        once = functools.cache(manifest_scanner.scan_component_manifests)
        patch.setattr(manifest_scanner, "scan_component_manifests", once)
        patch.setattr(ScriptCache, "get_bytecode", lambda _, path: compiled(path, os.stat(path).st_mtime_ns))
        yield
