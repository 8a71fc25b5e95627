"""A process spawned by one test runs nothing of a dashboard page that a test before it ran."""

from __future__ import annotations

import multiprocessing
import sys
from pathlib import Path

from streamlit.testing.v1 import AppTest


def _nothing() -> None:
    pass


def test_a_page_runs_as_the_main_program(tmp_path: Path) -> None:
    """Streamlit puts a page in the place of `__main__`, from where a spawned process would run it first."""
    page = tmp_path / "page.py"
    page.write_text("if __name__ != '__main__':\n    raise SystemExit(7)\n")
    assert not AppTest.from_file(str(page)).run().exception
    assert sys.modules["__main__"].__file__ == str(page)


def test_the_next_test_spawns_with_its_own_main_program() -> None:
    """After the test above, and whichever ran last before this one."""
    process = multiprocessing.get_context("spawn").Process(target=_nothing)
    process.start()
    process.join(60)
    assert process.exitcode == 0
