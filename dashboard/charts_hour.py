"""The agent's pictures: which show each hour would see, and how often a rehearsed show is flown unchanged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from dashboard.charts import (
    _INTERVAL_TIPS,
    _SHARE_AXIS,
    COLOURS,
    INK,
    MUTED,
    PAPER,
    WINDOW,
    _clock,
    _mark,
    _name,
    _number,
    _picture,
    _tips,
)

__all__ = ["SHOW_RAMP", "chance_by_slot", "shows_by_slot"]

Row = Mapping[str, Any]
Spec = dict[str, Any]

SHOW_RAMP = ("#0B3B5C", "#1F7BC8", "#7FB8E6", "#C9E0F2", "#E7E2D6", "#B8B2A3")
"""The full show, the further ones by luminance, and nothing flown last of all; letters stand in the cells."""


def _show_colours(count: int) -> list[str]:
    """Colours of so many shows and of nothing; past the ramp the palest is drawn again."""
    shows = [SHOW_RAMP[min(i, len(SHOW_RAMP) - 2)] for i in range(count - 1)]
    return [*shows, SHOW_RAMP[-1]]


def shows_by_slot(
    rows: Sequence[Row], order: Sequence[str], slots: Sequence[str], offered: str, *, invented: bool
) -> Spec:
    """Share of days of every show, a bar a slot; letters and days in ten stand in the wider pieces.

    Parameters
    ----------
    rows
        With `local`, `show`, `share`, `first` and `last` (ends of the piece), `mark` (its letters), `words`,
        `in_window` and `dark` (whether the mark is white).
    order
        Shows as stacked, nothing last.
    slots
        Local starts from the top.
    offered
        Local start of the slot in discussion.
    invented
        Whether the weather is invented.
    """
    y = _name(
        "local",
        sort=list(slots),
        title=None,
        axis={"ticks": False, "domain": False, "labelPadding": 14},
        scale={"paddingInner": 0.14, "paddingOuter": 0.1},
    )
    x = _number("first", title="share of days", scale={"domain": [0, 1]}, axis=_SHARE_AXIS)
    colour = _name(
        "show",
        title=None,
        scale={"domain": list(order), "range": _show_colours(len(order))},
        legend={"orient": "top", "columns": 3, "labelLimit": 130, "symbolStrokeColor": MUTED},
    )
    cells = _mark(
        "bar",
        {
            "x": x,
            "x2": {"field": "last"},
            "y": y,
            "color": colour,
            "opacity": {"condition": {"test": "datum.in_window", "value": 1.0}, "value": 0.5},
            "tooltip": _tips(("local", "local time", ""), ("show", "show", ""), ("words", "flown", "")),
        },
        rows,
        stroke=PAPER,
        strokeWidth=1,
    )
    marks = _mark(
        "text",
        {
            "x": _number("middle"),
            "y": y,
            "text": _name("mark"),
            "color": {"condition": {"test": "datum.dark", "value": PAPER}, "value": "#000000"},
        },
        [dict(r, middle=(r["first"] + r["last"]) / 2) for r in rows if r["mark"] and r["share"] >= 0.1],
        fontSize=11,
        fontWeight=600,
    )
    dot = _mark(
        "point",
        {"x": {"value": -8}, "y": y},
        [{"local": offered}],
        filled=True,
        color=INK,
        size=36,
        opacity=1,
        clip=False,
    )
    return _picture([cells, marks, dot], 21 * len(slots), "Which show, by start", invented=invented)


def chance_by_slot(rows: Sequence[Row], stated: float, *, invented: bool, offered: str) -> Spec:
    """Chance that a rehearsed show is flown unchanged by slot, against the least that is accepted.

    Parameters
    ----------
    rows
        With `local`, `start`, `chance`, `lower`, `upper` and `in_window`; at least one holds a number.
    stated
        Least chance that is accepted.
    invented
        Whether the weather is invented.
    offered
        Local start of the slot in discussion, ringed.
    """
    held = [r for r in rows if math.isfinite(r["chance"])]
    x = _clock(min(r["start"] for r in held), max(r["start"] for r in held), most=5)
    y = _number("lower", title="flown unchanged", scale={"domain": [0, 1]}, axis=_SHARE_AXIS)
    colour = COLOURS["wind_along"]
    tips = _tips(("local", "local time", ""), ("chance", "flown unchanged", ".0%"), *_INTERVAL_TIPS)
    layers: list[Spec] = []
    inside = [r for r in held if r["in_window"]]
    if inside:
        window = [{"start": inside[0]["start"], "end": inside[-1]["start"]}]
        layers.append(_mark("rect", {"x": x, "x2": {"field": "end"}}, window, color=WINDOW))
    accepted = [{"lower": stated, "text": f"least you accept {100 * stated:.0f} %"}]
    layers += [
        _mark("area", {"x": x, "y": y, "y2": {"field": "upper"}}, held, color=colour, opacity=0.18),
        _mark("line", {"x": x, "y": _number("chance")}, held, color=colour, strokeWidth=2.4),
        _mark(
            "point",
            {"x": x, "y": _number("chance"), "tooltip": tips},
            held,
            filled=True,
            color=colour,
            size=28,
            opacity=1,
        ),
        _mark("rule", {"y": y}, accepted, color=INK, strokeDash=[5, 4], strokeWidth=1.3),
        _mark(
            "text",
            {"y": y, "x": {"value": "width"}, "text": _name("text")},
            accepted,
            align="right",
            baseline="bottom",
            dx=-3,
            dy=-2,
            color=INK,
            fontSize=10,
        ),
        _mark(
            "point",
            {"x": x, "y": _number("chance")},
            [r for r in held if r["local"] == offered],
            filled=False,
            color=INK,
            size=150,
            strokeWidth=2,
            opacity=1,
        ),
    ]
    return _picture(layers, 230, "A rehearsed show flown unchanged, by start", invented=invented)
