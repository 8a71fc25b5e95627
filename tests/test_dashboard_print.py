"""The dashboard's pages on paper: the whole of the answer and its evidence, and nothing to click."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser import chromium, chromium_or_skip, opened, served, settled
from dashboard_season import HOT, small_season

from pipeline.results import CAUTIONS

A4_PX = 703
"""Width of A4 less margins of 12 mm each, 186 mm at 96 to the inch."""

# Whatever is moved, chosen, pressed or unfolded.
CONTROLS = (
    "button, input, select, summary, header, [role=slider], [role=combobox], [role=radiogroup], "
    "[data-testid=stSidebar], [data-testid=stToolbar]"
)


# Beyond the edge of the paper, or in a box that shows only a part of what it holds.
CUT_OFF = """w => [...document.querySelectorAll('[data-testid=stMain], [data-testid=stMain] *')].filter(e => {
    const box = e.getBoundingClientRect();
    if (box.width <= 1) return false;
    if (!e.closest('svg, thead') && box.right > w + 1) return true;
    const scrolls = /auto|scroll|hidden/.test(getComputedStyle(e).overflowY);
    return scrolls && e.scrollHeight > e.clientHeight + 1 && e.querySelector('table, p, svg') !== null;
}).map(e => e.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    chromium_or_skip()
    made = small_season()
    with served(made.results, made.folder) as where, chromium():
        yield where


@pytest.mark.parametrize(
    ("path", "title"),
    [
        ("", "Which bookings"),
        ("season", "The season"),
        (f"venue?booking={HOT}", "One venue"),
        (f"hour?booking={HOT}", "What hour"),
        (f"show?booking={HOT}", "Which show"),
        (f"today?booking={HOT}", "Today"),
    ],
)
def test_a_page_on_paper_is_whole(address: str, tmp_path: Path, path: str, title: str) -> None:
    """Title, answer and the last caution are printed; no control is, no box scrolls, nothing is cut off."""
    with opened(address, "desk") as (page, _):
        page.set_viewport_size({"width": A4_PX, "height": 1000})
        page.goto(f"{address}/{path}")
        page.wait_for_selector(".sh-answer", timeout=60_000)
        settled(page)
        on_screen = page.locator(CONTROLS).count()
        page.emulate_media(media="print")
        assert on_screen > 0
        seen = page.evaluate(
            "s => [...document.querySelectorAll(s)].filter(e => e.checkVisibility() "
            "&& e.getBoundingClientRect().width > 1).map(e => e.outerHTML.slice(0, 120))",
            CONTROLS,
        )
        assert seen == []
        cut = page.evaluate(CUT_OFF, A4_PX)
        assert cut == []
        paper = tmp_path / "page.pdf"
        page.pdf(path=str(paper), format="A4")
    if shutil.which("pdftotext") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("pdftotext is missing; install poppler-utils")
        pytest.skip("pdftotext is missing")
    text = subprocess.run(
        ["pdftotext", "-layout", str(paper), "-"], capture_output=True, text=True, check=True
    ).stdout
    said = " ".join(text.split())
    assert title in said
    assert CAUTIONS[-1] in said
    assert "INVENTED" in said


def test_no_toolbar_over_a_picture(address: str) -> None:
    """A chart has no toolbar, which is seen on hover alone: it would be a Tab stop out of sight."""
    with opened(address, "desk") as (page, _):
        page.goto(f"{address}/hour?booking={HOT}")
        page.wait_for_selector(".sh-answer", timeout=60_000)
        settled(page)
        page.wait_for_selector("[data-testid=stVegaLiteChart] canvas, [data-testid=stVegaLiteChart] svg")
        bars = page.locator("[data-testid=stElementToolbar]")
        assert bars.count() > 0
        assert not any(bar.is_visible() for bar in bars.all())
        drawn = page.locator("[data-testid=stVegaLiteChart] canvas, [data-testid=stVegaLiteChart] svg").all()
        assert all(box["height"] >= 130 for d in drawn if (box := d.bounding_box()) is not None)
