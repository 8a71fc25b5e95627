"""Pictures of a check against the past: how often an interval held, and forecasts against what happened."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from dashboard.charts import COLOURS, GRID, INK, MUTED, PAPER, _mark, _name, _number, _picture, _tall, _tips

__all__ = ["coverage", "reliability"]

Row = Mapping[str, Any]
Spec = dict[str, Any]


def coverage(rows: Sequence[Row], wanted: float, *, invented: bool) -> Spec:
    """How often the 90 % interval of density altitude held, a line a venue, with two standard errors.

    Parameters
    ----------
    rows
        From `scores.coverage_rows`; at least one.
    wanted
        What the interval should hold.
    invented
        Whether any of the weather is invented.
    """
    order = [r["venue"] for r in rows]
    y = _name(
        "venue",
        sort=order,
        title=None,
        axis={"labelLimit": 150, "ticks": False, "domain": False, "grid": True, "labelPadding": 6},
    )
    low = min([0.75, *(r["low"] for r in rows if math.isfinite(r["low"])), *(r["value"] for r in rows)])
    x = _number(
        "value",
        title="share of the hours inside the 90 % interval",
        scale={"domain": [math.floor(20.0 * low) / 20.0, 1.0], "nice": False, "zero": False},
        axis={"format": ".0%", "tickCount": 5, "grid": False},
    )
    tips = _tips(
        ("venue", "venue", ""),
        ("held", "held, ± two standard errors", ""),
        ("above", "thinner air than the interval", ""),
        ("below", "thicker air than the interval", ""),
        ("years", "years", ""),
    )
    layers = [
        _mark("rule", {"x": _number("wanted")}, [{"wanted": wanted}], color=INK, strokeDash=[5, 4]),
        _mark(
            "rule",
            {"x": _number("low"), "x2": {"field": "high"}, "y": y},
            [r for r in rows if math.isfinite(r["low"])],
            color=MUTED,
            strokeWidth=3,
            opacity=0.6,
        ),
        _mark(
            "point",
            {
                "x": x,
                "y": y,
                "shape": {"condition": {"test": "datum.off", "value": "diamond"}, "value": "circle"},
                "tooltip": tips,
            },
            rows,
            filled=True,
            color=COLOURS["density_altitude"],
            size=90,
            opacity=1,
        ),
    ]
    return _picture(layers, _tall(len(order), 26), "How often the interval held", invented=invented)


def reliability(rows: Sequence[Row], *, invented: bool) -> Spec:
    """One threshold: how often it was forecast, and how often it then happened, with consistency bars.

    Parameters
    ----------
    rows
        From `scores.reliability_rows`, of one threshold; at least one.
    invented
        Whether the weather is invented.
    """
    reach = max(max(r["forecast"], r["observed"], r["high"]) for r in rows)
    top = min(1.0, math.ceil(10.0 * reach + 0.5) / 10.0)
    scale = {"domain": [0.0, top], "nice": False}
    axis = {"format": ".0%", "tickCount": 4, "gridColor": GRID}
    x = _number("forecast", title="forecast", scale=scale, axis=axis)
    y = _number("observed", title="happened", scale=scale, axis=axis)
    tips = _tips(
        ("forecast", "forecast", ".0%"),
        ("observed", "happened", ".0%"),
        ("low", "a right forecast gives from", ".0%"),
        ("high", "to", ".0%"),
        ("count", "hours", ",.0f"),
    )
    ends = [{"forecast": 0.0, "observed": 0.0}, {"forecast": top, "observed": top}]
    colour = COLOURS[rows[0]["cause"]]
    layers = [
        _mark("line", {"x": x, "y": y}, ends, color=MUTED, strokeDash=[5, 4], strokeWidth=1),
        _mark(
            "rule",
            {"x": x, "y": _number("low"), "y2": {"field": "high"}},
            rows,
            color=colour,
            strokeWidth=7,
            opacity=0.25,
        ),
        _mark(
            "point",
            {
                "x": x,
                "y": y,
                "shape": {"condition": {"test": "datum.inside", "value": "circle"}, "value": "diamond"},
                "fill": {"condition": {"test": "datum.inside", "value": colour}, "value": PAPER},
                "tooltip": tips,
            },
            rows,
            stroke=colour,
            strokeWidth=2,
            size=70,
            opacity=1,
        ),
    ]
    spec = _picture(layers, 226, str(rows[0]["name"]).capitalize(), invented=invented, width=210)
    # In one line it would be cut off at the width of the square, and with it that more is meant as well.
    spec["title"]["text"] = re.split(r" (?=\d)", spec["title"]["text"], maxsplit=1)
    return spec
