"""Words on the screen are words: no template is left unfilled in any of the sources."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCES = sorted([*(ROOT / "dashboard").rglob("*.py"), *(ROOT / "pipeline").rglob("*.py")])


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_no_template_is_left_unfilled(path):
    """A call in braces inside the constant part of an f-string is a piece that lost its ``f``."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.JoinedStr):
            for part in node.values:
                if isinstance(part, ast.Constant) and isinstance(part.value, str):
                    assert not ("{" in part.value and "(" in part.value), f"line {node.lineno}: {part.value}"
