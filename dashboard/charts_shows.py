"""Which show: shares of days by hour or by booking, what is accepted, and what one more routine buys."""

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
    _label,
    _mark,
    _name,
    _number,
    _picture,
    _tall,
    _tips,
)

__all__ = ["SHOW_RAMP", "chance_by_slot", "frontier", "show_shares"]

Row = Mapping[str, Any]
Spec = dict[str, Any]

SHOW_RAMP = ("#0B3B5C", "#1F7BC8", "#7FB8E6", "#C9E0F2", "#E7E2D6", "#B8B2A3")
"""The full show, the further ones by luminance, and nothing flown last of all; letters stand in the cells."""


def _show_colours(count: int) -> list[str]:
    """Colours of so many shows and of nothing; past the ramp the palest is drawn again."""
    shows = [SHOW_RAMP[min(i, len(SHOW_RAMP) - 2)] for i in range(count - 1)]
    return [*shows, SHOW_RAMP[-1]]


def show_shares(
    rows: Sequence[Row],
    order: Sequence[str],
    names: Sequence[str],
    dotted: str,
    title: str,
    *,
    invented: bool,
) -> Spec:
    """Share of days of every show, a bar a start or a booking; letters and days in ten in the wider pieces.

    Parameters
    ----------
    rows
        With `name`, `show`, `share`, `first` and `last` (ends of the piece), `mark` (its letters), `words`,
        `in_window` and `dark` (whether the mark is white).
    order
        Shows as stacked, nothing last.
    names
        Bars from the top.
    dotted
        The bar that is marked with a dot.
    title
        Heading of the picture.
    invented
        Whether any of the weather is invented.
    """
    y = _name(
        "name",
        sort=list(names),
        title=None,
        axis={"ticks": False, "domain": False, "labelPadding": 14, "labelLimit": 130},
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
            "tooltip": _tips(("name", "at", ""), ("show", "show", ""), ("words", "flown", "")),
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
        [{"name": dotted}],
        filled=True,
        color=INK,
        size=36,
        opacity=1,
        clip=False,
    )
    height = _tall(len(names), 21, legend=math.ceil(len(order) / 3))
    return _picture([cells, marks, dot], height, title, invented=invented)


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
        *_label(
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


def frontier(rows: Sequence[Row], rehearsed: int, *, invented: bool) -> Spec:
    """Crowd value against days changed, for one more or one fewer routine rehearsed.

    Parameters
    ----------
    rows
        With `count`, `value` and `changed`, all of them numbers, and the ends of the intervals that the years
        give their differences from this season's number, `value_lower`, `value_upper`, `changed_lower` and
        `changed_upper`, laid around that number's place; left out where there are none.
    rehearsed
        How many routines the season has, ringed.
    invented
        Whether any of the weather is invented.
    """
    x = _number(
        "changed",
        title="flown days with a further change",
        scale={"zero": False, "padding": 24},
        axis={"format": ".1%", "tickCount": 4},
    )
    y = _number("value", title="expected crowd value a show", scale={"zero": False, "padding": 18})
    tips = _tips(
        ("count", "routines rehearsed", ""), ("value", "crowd value", ".1f"), ("changed", "changed", ".1%")
    )
    upright = {"x": x, "y": {**y, "field": "value_lower"}, "y2": {"field": "value_upper"}}
    level = {"x": {**x, "field": "changed_lower"}, "x2": {"field": "changed_upper"}, "y": y}
    held = [r for r in rows if r["count"] != rehearsed and "value_lower" in r]
    bars = [
        _mark("rule", ends, held, color=MUTED, strokeWidth=3, opacity=0.45)
        for ends in ((upright, level) if held else ())
    ]
    return _picture(
        [
            *bars,
            _mark("line", {"x": x, "y": y, "order": _number("count")}, rows, color=MUTED, strokeWidth=1.4),
            _mark(
                "point", {"x": x, "y": y, "tooltip": tips}, rows, filled=True, color=INK, size=60, opacity=1
            ),
            _mark(
                "text",
                {"x": x, "y": y, "text": _name("count")},
                rows,
                dx=10,
                dy=-10,
                color=INK,
                fontSize=12,
                fontWeight=600,
            ),
            _mark(
                "point",
                {"x": x, "y": y},
                [r for r in rows if r["count"] == rehearsed],
                filled=False,
                color=INK,
                size=220,
                strokeWidth=2,
                opacity=1,
            ),
        ],
        230,
        "One routine more, or one fewer",
        invented=invented,
    )
