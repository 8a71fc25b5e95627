"""The flight pages’ pictures: a figure to scale, what is in hand over density altitude, energy.

The same language as in `charts`; standard sea level air is grey and dashed wherever it is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from dashboard.charts import (
    COLOURS,
    GRID,
    INK,
    MUTED,
    _data,
    _level,
    _mark,
    _name,
    _number,
    _picture,
    _tall,
    _tips,
)

__all__ = ["AIRS", "energy_by_figure", "in_hand_curve", "profile"]

Row = Mapping[str, Any]
Spec = dict[str, Any]

_THIN = COLOURS["density_altitude"]
AIRS = (
    ("sea level", MUTED, [4, 3], "circle"),
    ("median", "#C77A42", [1, 0], "square"),
    ("1 day in 10", "#5E2506", [1, 0], "diamond"),
    ("slider", _THIN, [1, 0], "triangle-up"),
)
"""Airs of the energy page: name, colour, dash, shape, so that colour is never alone.

Shades of density altitude's own colour: that is what the airs differ in.
"""
_WIDE = 640.0


def profile(
    rows: Sequence[Row], levels: Sequence[tuple[float, str, Sequence[int]]], names: Sequence[str]
) -> Spec:
    """A figure from the side in two airs, to scale on any screen: a foot across is a foot up.

    Parameters
    ----------
    rows
        Nodes with `air`, `along`, `above` [ft] and `order`; heights above the field.
    levels
        Heights to draw across: height [ft], words, dash.
    names
        Of the two airs, standard sea level air first.
    """
    left = min(float(r["along"]) for r in rows)
    right = max(float(r["along"]) for r in rows)
    top = max([*(float(r["above"]) for r in rows), *(level for level, *_ in levels)])
    across, up = 1.06 * max(right - left, 1.0), 1.10 * top
    middle = (left + right) / 2.0
    height = round(min(400.0, max(130.0, _WIDE * up / across)))
    # Feet to a pixel: what both directions need, whichever is the tighter.
    unit = f"max({across:.1f} / width, {up:.1f} / {height})"
    x = _number(
        "along",
        title="along the show line in still air [ft]",
        scale={
            "domainMin": {"expr": f"{middle:.1f} - width / 2 * {unit}"},
            "domainMax": {"expr": f"{middle:.1f} + width / 2 * {unit}"},
            "nice": False,
            "zero": False,
        },
        axis={"format": ",.0f", "tickCount": 5, "grid": False},
    )
    y = _number(
        "above",
        title="above the field [ft]",
        scale={"domainMin": 0, "domainMax": {"expr": f"{height} * {unit}"}, "nice": False, "zero": True},
        axis={"format": ",.0f", "tickCount": 6},
    )
    domain = list(names)
    legend = {
        "orient": "top",
        "symbolType": "stroke",
        "symbolStrokeWidth": 3,
        "labelLimit": 260,
        "columns": 1,
    }
    colour = _name("air", title=None, legend=legend, scale={"domain": domain, "range": [MUTED, _THIN]})
    dash = _name("air", title=None, legend=legend, scale={"domain": domain, "range": [[4, 3], [1, 0]]})
    tips = _tips(
        ("air", "air", ""), ("above", "above the field [ft]", ",.0f"), ("speed", "indicated [kt]", ",.0f")
    )
    layers: list[Spec] = [
        {
            "data": _data(rows),
            "layer": [
                _mark(
                    "line",
                    {"x": x, "y": y, "order": _number("order"), "color": colour, "strokeDash": dash},
                    strokeWidth=2.4,
                    clip=True,
                ),
                _mark("point", {"x": x, "y": y, "tooltip": tips}, size=40, opacity=0.01),
            ],
        }
    ]
    for level, text, pattern in levels:
        layers += _level("above", level, text, list(pattern))
    return _picture(layers, height, "The figure from the side, to scale")


def in_hand_curve(
    rows: Sequence[Row],
    title: str,
    unit: str,
    marks: Sequence[tuple[float, str]],
    *,
    wanted: float = math.nan,
    zero: bool = False,
    invented: bool,
) -> Spec:
    """One quantity of a figure over density altitude; a gap where the figure cannot be flown.

    Parameters
    ----------
    rows
        With `da` [ft], `value`, and perhaps `least` (a second line, dashed).
    title, unit
        What is drawn.
    marks
        Density altitudes to mark [ft], with their words.
    wanted
        The pilot's cushion, drawn dashed; NaN without.
    zero
        Whether zero is drawn as a solid line: below it nothing is left.
    invented
        Whether the weather that the marks come from is invented.
    """
    values = [float(r[k]) for r in rows for k in ("value", "least") if k in r and math.isfinite(float(r[k]))]
    edge = [v for v in (wanted, 0.0 if zero else math.nan) if math.isfinite(v)]
    low, high = min([*values, *edge], default=0.0), max([*values, *edge], default=1.0)
    pad = 0.08 * max(high - low, 1e-9) + (0.5 if high == low else 0.0)
    last = max(float(r["da"]) for r in rows)
    x = _number(
        "da",
        title="density altitude [ft]",
        scale={"domain": [0, last], "nice": False},
        axis={"format": ",.0f", "values": list(range(0, int(last) + 1, 4000)), "grid": False},
    )
    y = _number(
        "value",
        title=unit,
        scale={"domain": [low - pad, high + pad], "nice": False, "zero": False},
        axis={"format": ",.0f" if high - low > 5 else ",.1f", "tickCount": 5},
    )
    tips = _tips(("da", "density altitude [ft]", ",.0f"), ("value", f"{title} [{unit}]", ",.1f"))
    line: Spec = {"color": _THIN, "invalid": "break-paths-show-domains"}
    layers: list[Spec] = [
        _mark("line", {"x": x, "y": y, "tooltip": tips}, strokeWidth=2.4, **line),
    ]
    if any("least" in r for r in rows):
        layers.append(
            _mark("line", {"x": x, "y": _number("least")}, strokeWidth=1.6, strokeDash=[5, 3], **line)
        )
    grouped: list[Spec] = [{"data": _data(rows), "layer": layers}]
    for level, dash in ((wanted, [5, 4]), (0.0 if zero else math.nan, [1, 0])):
        if math.isfinite(level):
            grouped.append(
                _mark(
                    "rule", {"y": _number("y")}, [{"y": level}], color=INK, strokeDash=dash, strokeWidth=1.2
                )
            )
    for n, (da, text) in enumerate(marks):
        if not 0 <= da <= last:
            continue
        row = [{"da": da, "text": text}]
        grouped.append(_mark("rule", {"x": x}, row, color=MUTED, strokeDash=[2, 2], strokeWidth=1.1))
        # The first mark's words stand on its left, the second's on its right: they may lie close together.
        grouped.append(
            _mark(
                "text",
                {"x": x, "y": {"value": 0}, "text": _name("text")},
                row,
                color=MUTED,
                fontSize=10,
                align="left" if n else "right",
                baseline="bottom",
                dx=2 if n else -2,
            )
        )
    said = invented and bool(marks)
    return _picture(grouped, 186 if said else 170, f"{title} [{unit}]", invented=said)


def energy_by_figure(
    rows: Sequence[Row], order: Sequence[str], airs: Sequence[str], *, invented: bool
) -> Spec:
    """Least height over the floor through a routine with nothing mended, one mark for each air.

    Parameters
    ----------
    rows
        With `figure`, `air`, `height` [ft].
    order
        Figures as flown, numbered.
    airs
        Names of the airs drawn, in the order of `AIRS`.
    invented
        Whether the weather that the airs come from is invented.
    """
    looks = [look for look in AIRS if look[0] in airs]
    names = [look[0] for look in looks]
    legend = {"orient": "top", "symbolSize": 90, "symbolOpacity": 1, "labelLimit": 160, "columns": 2}
    colour = _name(
        "air", title=None, legend=legend, scale={"domain": names, "range": [c for _, c, *_ in looks]}
    )
    shape = _name("air", title=None, legend=legend, scale={"domain": names, "range": [s for *_, s in looks]})
    y = _name(
        "figure",
        title=None,
        sort=list(order),
        axis={
            "labelLimit": 150,
            "ticks": False,
            "domain": False,
            "grid": True,
            "gridColor": GRID,
            "labelPadding": 4,
        },
    )
    x = _number(
        "height",
        title="least height over the floor, nothing mended [ft]",
        axis={"format": ",.0f", "tickCount": 5},
        scale={"nice": True, "zero": True},
    )
    tips = _tips(
        ("figure", "figure", ""), ("air", "air", ""), ("height", "least height over the floor [ft]", ",.0f")
    )
    layers: list[Spec] = [
        {
            "data": _data(rows),
            "layer": [
                _mark(
                    "point",
                    {"x": x, "y": y, "color": colour, "shape": shape, "tooltip": tips},
                    filled=False,
                    size=80,
                    strokeWidth=2.2,
                    opacity=1,
                )
            ],
        },
        _mark("rule", {"x": _number("x")}, [{"x": 0.0}], color=INK, strokeWidth=1.6),
        _mark(
            "text",
            {"x": _number("x"), "y": {"value": 0}, "text": _name("text")},
            [{"x": 0.0, "text": "floor"}],
            color=INK,
            fontSize=10,
            align="right",
            dx=-3,
            dy=-6,
        ),
    ]
    height = _tall(len(order), 24, legend=math.ceil(len(looks) / 2))
    return _picture(layers, height, "Least height over the floor, figure by figure [ft]", invented=invented)
