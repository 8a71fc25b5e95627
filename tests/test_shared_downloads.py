"""The pages to send, as the dashboard's buttons give them: made at the click, and whole."""

from __future__ import annotations

import functools
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import chromium, chromium_or_skip, opened, served, settled
from dashboard_season import EMPTY, HOT, small_season

from dashboard import shared
from pipeline.inputs import load_season


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    chromium_or_skip()
    made = small_season()
    with served(made.results, made.folder) as where, chromium():
        yield where


@functools.cache
def held() -> shared.Sharing:
    made = small_season()
    return shared.gather(made.results, load_season(made.folder))


@pytest.mark.parametrize(
    ("page_path", "name"),
    [
        ("", "season.html"),
        (f"venue?booking={HOT}", f"booking-{HOT}.html"),
        (f"venue?booking={EMPTY}", f"booking-{EMPTY}.html"),
    ],
)
def test_a_click_gives_the_page_of_the_command(
    address: str, tmp_path: Path, page_path: str, name: str
) -> None:
    """The file is, to the byte, what the command writes for the same season; the page stays as it was."""
    wanted = (
        shared.season_file(held())
        if name == "season.html"
        else shared.booking_file(held(), name.removeprefix("booking-").removesuffix(".html"))
    )
    with opened(address, "desk") as (page, account):
        page.goto(f"{address}/{page_path}")
        settled(page)
        began = time.monotonic()
        with page.expect_download(timeout=60_000) as download:
            page.get_by_role("button", name="To send").click()
            if name == "season.html":
                page.get_by_role("button", name=f"Save {name}").click(timeout=60_000)
        assert download.value.suggested_filename == name
        download.value.save_as(tmp_path / name)
        print(f"{name}: {time.monotonic() - began:.2f} s")
        assert (tmp_path / name).read_text(encoding="utf-8") == wanted
        assert account.outside == []
        assert account.console == []
