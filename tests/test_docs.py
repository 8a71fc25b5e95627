"""What the documents tell a reader to do can be done, and what they point to is there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
DOCS = sorted((ROOT / "docs").glob("*.md"))


def _titles() -> set[str]:
    """Sections and pages of the menu, as the dashboard's own file lists them."""
    tree = ast.parse((ROOT / "dashboard" / "app.py").read_text(encoding="utf-8"))
    menus = [node for node in ast.walk(tree) if isinstance(node, ast.Dict)]
    sections = {k.value for menu in menus for k in menu.keys if isinstance(k, ast.Constant)}
    pages = {
        k.value.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        for k in node.keywords
        if k.arg == "title" and isinstance(k.value, ast.Constant)
    }
    return {str(t).replace("’", "'") for t in sections | pages}


@pytest.mark.parametrize("path", DOCS, ids=lambda p: p.name)
def test_pages_that_are_named_exist(path: Path) -> None:
    """Every way through the menu (*Section → Page*) is one that the dashboard has."""
    ways = re.findall(r"\*([^*→]+) → ([^*]+?)\.?\*", path.read_text(encoding="utf-8"))
    assert path.name == "tour.md" or len(ways) >= 2
    for way in ways:
        assert set(way) <= _titles()


@pytest.mark.parametrize("path", [*DOCS, ROOT / "README.md"], ids=lambda p: p.name)
def test_links_lead_somewhere(path: Path) -> None:
    """Relative links and pictures exist; a picture has words, and a size that a slow line bears."""
    for mark, words, target in re.findall(r"(!?)\[([^\]]*)\]\(([^)]+)\)", path.read_text(encoding="utf-8")):
        if target.startswith(("http://", "https://", "#")):
            continue
        assert (path.parent / target).is_file(), target
        if mark:
            assert len(words) > 40
            assert (path.parent / target).stat().st_size < 120_000
            with Image.open(path.parent / target) as picture:
                assert picture.mode == "P"
