"""A page for a telephone without a network: typed values in, which show out.

Everything it needs is inside the page. Routines are judged by tables that the forecast's own functions made;
the arithmetic of the air is that of `pipeline.air`, and a test holds the page against them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

from pipeline.papers.sheet import INVENTED

__all__ = ["phone_page"]

_PAGE = Path(__file__).parent / "phone.html"


def phone_page(contents: Mapping[str, Any]) -> str:
    """The page as HTML.

    Parameters
    ----------
    contents
        Plain values; `title`, `subtitle`, `cautions` and `invented` for the reader, the rest for the page's
        script, as `pipeline.paperwork.phone_contents` makes them.
    """
    data = json.dumps(contents, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    # A closing tag inside the data would end the script.
    data = data.replace("<", "\\u003c")
    mark = f"<p class=mark>{INVENTED}</p>" if contents["invented"] else ""
    cautions = "".join(f"<p>{escape(str(line))}</p>" for line in contents["cautions"])
    return (
        _PAGE.read_text(encoding="utf-8")
        .replace("@TITLE@", escape(str(contents["title"])))
        .replace("@SUBTITLE@", escape(str(contents["subtitle"])))
        .replace("@MARK@", mark)
        .replace("@CAUTIONS@", cautions)
        .replace("@DATA@", data)
    )
