"""The pictures. One visual language: a quantity has one colour and one unit wherever it is drawn.

- A chance of change is crimson, the darker the more often; the words or digits always stand beside it.
- A 90 % interval is always drawn: a bar through a point, or a paler band around a line.
- A comfortable value is a dashed line, a limit a solid one, both in ink with their name on them.
- An estimated bound is dotted. Invented weather says so in the heading of the picture.

Charts take rows in the units of the screen and return Vega-Lite specifications, the grammar that Altair
writes: as plain dictionaries they take a hundredth of the time that Altair's objects take to build. Nothing
is computed here but places on the paper.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from dashboard import words

__all__ = [
    "CHANCE_RAMP",
    "COLOURS",
    "GRID",
    "INK",
    "MUTED",
    "PAPER",
    "SHAPES",
    "air_by_slot",
    "cell_colours",
    "colour_of",
    "drawn_range",
    "exceedance",
    "figures_at_slot",
    "figures_by_slot",
    "plan_view",
    "planned_by_slot",
    "season_by_hour",
    "small_air",
]

Row = Mapping[str, Any]
Spec = dict[str, Any]
Limit = tuple[float, float, str]
"""Comfortable value and limit in the unit of the picture, and whose they are."""

INK, MUTED, GRID, PAPER, WINDOW = "#17212B", "#55606B", "#DDD9CF", "#FFFFFF", "#F3F1EA"

COLOURS: dict[str, str] = {
    "density_altitude": "#B5480F",
    "wind_across": "#1F7BC8",
    "rough_air": "#4A1A6B",
    "wind_along": "#00786C",
    "runway_crosswind": "#4D5B1C",
    "ceiling": "#6A7480",
    "visibility": "#8C7000",
    "thunder": "#2B2B6B",
}
"""By cause; a quantity has the colour of the cause it belongs to."""

_CAUSE_OF = {
    "density_altitude": "density_altitude",
    "gust": "rough_air",
    "toward_crowd": "wind_across",
    "along_line": "wind_along",
    "runway_crosswind": "runway_crosswind",
    "wind_speed": "ceiling",
}

SHAPES: dict[str, str] = {
    "density_altitude": "triangle-up",
    "wind_across": "square",
    "rough_air": "diamond",
    "wind_along": "cross",
    "": "circle",
}
"""By cause, so that colour is never alone."""

CHANCE_RAMP = ("#FFFFFF", "#F4DDE1", "#DDA0AE", "#B65270", "#7D1F44", "#470825")
"""Chance of change from none to every day; luminance falls all the way."""
DARK_FROM = 0.592
"""Chance from which the digits in a cell are white."""

_CHANCE_SCALE = {"domain": [0.0, 0.2, 0.4, 0.6, 0.8, 1.0], "range": list(CHANCE_RAMP), "clamp": True}
_CLOCK = "(datum.value < 600 ? '0' : '') + floor(datum.value / 60) + ':00'"
_DASHES = ((0, "comfortable", [5, 4]), (1, "limit", [1, 0]))
_SHARE_AXIS = {"format": ".0%", "values": [0, 0.25, 0.5, 0.75, 1]}

_CONFIG: Spec = {
    "font": '"Source Sans", "Source Sans Pro", system-ui, sans-serif',
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK,
        "titleColor": MUTED,
        "labelFontSize": 11,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
        "gridColor": GRID,
        "domainColor": MUTED,
        "tickColor": MUTED,
    },
    "legend": {"labelColor": INK, "titleColor": MUTED, "labelFontSize": 11, "titleFontSize": 11},
    "title": {
        "anchor": "start",
        "color": INK,
        "fontSize": 14,
        "fontWeight": 600,
        "subtitleColor": MUTED,
        "subtitleFontSize": 10,
        "subtitleFontWeight": 700,
        "offset": 8,
    },
}


# --- Pieces -----------------------------------------------------------------------------------------


def _data(rows: Iterable[Row]) -> Spec:
    """Rows as inline data; what is not a number becomes null, because JSON has no NaN."""
    return {
        "values": [
            {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in row.items()}
            for row in rows
        ]
    }


def _picture(
    layers: Sequence[Spec], height: int, title: str = "", *, invented: bool = False, **more: Any
) -> Spec:
    spec: Spec = {"layer": list(layers), "height": height, "background": PAPER, "config": _CONFIG, **more}
    if title:
        spec["title"] = {"text": title} | ({"subtitle": "INVENTED WEATHER"} if invented else {})
    return spec


def _tall(count: int, each: int, legend: int = 0) -> int:
    """Height of a picture [px] with so many rows, with room for heading, axis and lines of legend.

    Autosize `fit`, Streamlit's own, takes all of these out of the height.
    """
    return each * count + 100 + 18 * legend


def _mark(kind: str, encoding: Spec, rows: Iterable[Row] | None = None, **style: Any) -> Spec:
    layer: Spec = {"mark": {"type": kind, **style}, "encoding": encoding}
    return layer if rows is None else {"data": _data(rows), **layer}


def _label(encoding: Spec, rows: Iterable[Row], **style: Any) -> list[Spec]:
    """A text that may lie on a line: its pale edges first, so that it can be read there."""
    held = list(rows)
    edges: Spec = {"stroke": PAPER, "strokeWidth": 3}
    return [_mark("text", encoding, held, **style, **more) for more in (edges, {})]


def _level(field: str, value: float, text: str, dash: Sequence[int]) -> list[Spec]:
    """A line across a picture at a value of its upright axis, and what it is."""
    row, y = [{field: value, "text": text}], _number(field)
    return [
        _mark("rule", {"y": y}, row, color=INK, strokeDash=dash, strokeWidth=1.3),
        *_label(
            {"y": y, "x": {"value": 4}, "text": _name("text")},
            row,
            align="left",
            baseline="bottom",
            dy=-2,
            color=INK,
            fontSize=10,
        ),
    ]


def _number(name: str, **more: Any) -> Spec:
    return {"field": name, "type": "quantitative", **more}


def _name(name: str, **more: Any) -> Spec:
    return {"field": name, "type": "nominal", **more}


def _tips(*rows: tuple[str, str, str]) -> list[Spec]:
    """Tooltip lines of field, heading and number format ("" for a text)."""
    return [_number(f, title=t, format=form) if form else _name(f, title=t) for f, t, form in rows]


_INTERVAL_TIPS = (("lower", "90 % interval from", ".0%"), ("upper", "to", ".0%"))


def _white_on_dark() -> Spec:
    return {"condition": {"test": f"datum.changed > {DARK_FROM}", "value": PAPER}, "value": "#000000"}


def colour_of(quantity: str) -> str:
    """Colour of a quantity: that of the cause it belongs to."""
    return COLOURS[_CAUSE_OF[quantity]]


def cell_colours(changed: float) -> tuple[str, str]:
    """Ground of a cell that holds a chance of change, and the colour of the digits on it."""
    at = min(max(changed, 0.0), 1.0) * (len(CHANCE_RAMP) - 1)
    k = min(int(at), len(CHANCE_RAMP) - 2)
    ends = [[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in CHANCE_RAMP[k : k + 2]]
    mixed = (round(a + (at - k) * (b - a)) for a, b in zip(*ends, strict=True))
    return "#" + "".join(f"{c:02X}" for c in mixed), PAPER if changed > DARK_FROM else "#000000"


def _clock(
    first: int, last: int, field: str = "start", *, title: str | None = "local time", most: int = 7
) -> Spec:
    """Clock axis in minutes after local midnight, ticked on whole hours."""
    hours = range(-(-first // 60), last // 60 + 1)
    step = -(-len(hours) // most)
    return _number(
        field,
        title=title,
        scale={"domain": [first, last], "nice": False, "zero": False, "padding": 6},
        axis={"values": [60 * h for h in hours][::step], "labelExpr": _CLOCK, "grid": False},
    )


def drawn_range(limit: Limit | None, rows: Sequence[Row]) -> tuple[float, float]:
    """Ends of a drawn scale: what the rows reach, and the limits when they lie near it.

    Parameters
    ----------
    limit
        Personal limit.
    rows
        With `low`, `high_upper` and perhaps `bound`.
    """
    held = [r for r in rows if math.isfinite(r["median"])]
    low = min(float(r["low"]) for r in held)
    high = max(float(x) for r in held for x in (r["high_upper"], r.get("bound", r["high_upper"])))
    reach = 0.8 * max(high - low, 1e-9)
    near = [x for x in (limit or ())[:2] if isinstance(x, float) and low - reach <= x <= high + reach]
    low, high = min([low, *near]), max([high, *near])
    pad = 0.07 * (high - low)
    return low - pad, high + pad


def _limit_lines(limit: Limit | None, unit: str, low: float, high: float) -> list[Spec]:
    layers: list[Spec] = []
    for k, name, dash in _DASHES if limit else ():
        value = limit[k] if limit else math.nan
        if not low <= float(value) <= high:
            continue
        text = f"{name} {words.limit(float(value), 1.0, unit)} · {limit[2] if limit else ''}"
        layers += _level("y", float(value), text, dash)
    return layers


# --- The season -------------------------------------------------------------------------------------


def season_by_hour(rows: Sequence[Row], order: Sequence[str], *, invented: bool) -> Spec:
    """Every booking's chance of change by local hour; a dot marks the slot in discussion.

    Parameters
    ----------
    rows
        From `Season.planned_rows` with `booking` added.
    order
        Bookings, best first.
    invented
        Whether any of the weather is invented.
    """
    x = _clock(min(r["start"] for r in rows), max(r["end"] for r in rows))
    y = _name(
        "booking",
        sort=list(order),
        title=None,
        axis={"labelLimit": 150, "ticks": False, "domain": False, "labelPadding": 6},
        scale={"paddingInner": 0.16},
    )
    tips = _tips(
        ("booking", "booking", ""),
        ("local", "local time", ""),
        ("words", "flown as planned", ""),
        *_INTERVAL_TIPS,
        ("bites", "what bites", ""),
    )
    colour = _number(
        "changed",
        scale=_CHANCE_SCALE,
        title=None,
        legend={
            "orient": "top",
            "format": ".0%",
            "gradientLength": 180,
            "values": [0, 0.5, 1],
            "gradientStrokeColor": MUTED,
        },
    )
    cells = _mark(
        "rect",
        {
            "x": x,
            "x2": {"field": "end"},
            "y": y,
            "color": colour,
            "opacity": {"condition": {"test": "datum.in_window", "value": 1.0}, "value": 0.45},
            "tooltip": tips,
        },
        rows,
        stroke=GRID,
        strokeWidth=0.7,
    )
    offered = [dict(r, start=(r["start"] + r["end"]) / 2) for r in rows if r["offered"]]
    dots = _mark(
        "point",
        {"x": x, "y": y, "color": _white_on_dark(), "tooltip": tips},
        offered,
        filled=True,
        size=36,
        opacity=1,
    )
    height = _tall(len(order), 24, legend=2)
    return _picture([cells, dots], height, "Not flown as planned, by local hour", invented=invented)


def small_air(
    rows: Sequence[Row],
    quantity: str,
    limit: Limit | None,
    domain: tuple[float, float],
    clock: tuple[int, int],
) -> Spec:
    """One booking's day in small: band, median, interval, limits, and the slot in discussion.

    Parameters
    ----------
    rows
        From `Season.air_rows` with `offered` added.
    quantity
        Key of `words.QUANTITIES`.
    limit
        Personal limit to draw in.
    domain, clock
        Ends of both scales, the same for every booking.
    """
    _, unit, _ = words.QUANTITIES[quantity]
    colour = colour_of(quantity)
    held = [r for r in rows if math.isfinite(r["median"])]
    x = _clock(*clock, title=None, most=4)
    x["axis"] |= {"labelExpr": "floor(datum.value / 60) + ' h'", "labelFontSize": 10}
    y = _number(
        "low",
        title=None,
        scale={"domain": list(domain), "nice": False, "zero": False, "clamp": True},
        axis={
            "tickCount": 4,
            "format": "~s" if quantity == "density_altitude" else ",.0f",
            "labelFontSize": 10,
        },
    )
    layers: list[Spec] = [
        _mark("area", {"x": x, "y": y, "y2": {"field": "high"}}, color=colour, opacity=0.22),
        _mark("line", {"x": x, "y": _number("median")}, color=colour, strokeWidth=2.2),
        _mark(
            "rule",
            {"x": x, "y": _number("high_lower"), "y2": {"field": "high_upper"}},
            color=colour,
            strokeWidth=1.2,
        ),
    ]
    grouped: list[Spec] = [{"data": _data(held), "layer": layers}]
    for k, _, dash in _DASHES if limit else ():
        value = float(limit[k]) if limit else math.nan
        if domain[0] <= value <= domain[1]:
            grouped.append(
                _mark(
                    "rule", {"y": _number("y")}, [{"y": value}], color=INK, strokeDash=dash, strokeWidth=1.1
                )
            )
    tips = _tips(
        ("local", "slot in discussion", ""),
        ("median", f"median [{unit}]", ",.0f"),
        ("high", f"one day in ten above [{unit}]", ",.0f"),
    )
    grouped.append(
        _mark(
            "point",
            {"x": x, "y": _number("median"), "tooltip": tips},
            [r for r in held if r["offered"]],
            filled=True,
            color=INK,
            size=42,
            opacity=1,
        )
    )
    return _picture(grouped, 116)


# --- The air of a day -------------------------------------------------------------------------------


def air_by_slot(
    rows: Sequence[Row], quantity: str, limit: Limit | None, *, title: str, invented: bool, chosen: str = ""
) -> Spec:
    """One quantity through the day: median, the band of eight days in ten, the interval of one day in ten.

    Parameters
    ----------
    rows
        From `Season.air_rows`; at least one holds numbers.
    quantity
        Key of `words.QUANTITIES`.
    limit
        Personal limit to draw in.
    title
        From `Season.heading`.
    invented
        Whether the weather is invented.
    chosen
        Local start of the slot in hand, ringed.
    """
    unit = words.QUANTITIES[quantity][1]
    colour = colour_of(quantity)
    held = [r for r in rows if math.isfinite(r["median"])]
    low, high = drawn_range(limit, held)
    if quantity in ("gust", "runway_crosswind", "wind_speed"):
        low = 0.0
    x = _clock(min(r["start"] for r in held), max(r["start"] for r in held), most=5)
    y = _number(
        "low",
        title=unit,
        scale={"domain": [low, high], "nice": False, "zero": False},
        axis={"tickCount": 5, "format": ",.0f"},
    )
    tips = _tips(
        ("local", "local time", ""),
        ("median", f"median [{unit}]", ",.0f"),
        ("low", f"one day in ten below [{unit}]", ",.0f"),
        ("high", f"one day in ten above [{unit}]", ",.0f"),
        ("high_lower", "its 90 % interval from", ",.0f"),
        ("high_upper", "to", ",.0f"),
    )
    bars: Spec = {"color": colour, "strokeWidth": 1.8}
    layers: list[Spec] = [
        _mark("area", {"x": x, "y": y, "y2": {"field": "high"}}, color=colour, opacity=0.18),
        _mark("line", {"x": x, "y": _number("high")}, color=colour, strokeWidth=1),
        _mark("line", {"x": x, "y": _number("median")}, color=colour, strokeWidth=2.6),
        _mark("rule", {"x": x, "y": _number("high_lower"), "y2": {"field": "high_upper"}}, **bars),
        _mark("rule", {"x": x, "y": _number("median_lower"), "y2": {"field": "median_upper"}}, **bars),
    ]
    dotted: Spec = {"color": colour, "strokeDash": [1, 3], "strokeWidth": 1.8}
    if "bound_low" in held[0]:
        layers.append(_mark("line", {"x": x, "y": _number("bound")}, **dotted))
        if any(r["bound_low"] < r["high"] for r in held):
            layers.append(_mark("line", {"x": x, "y": _number("bound_low")}, **dotted))
    layers.append(
        _mark(
            "point",
            {"x": x, "y": _number("median"), "tooltip": tips},
            filled=True,
            color=colour,
            size=24,
            opacity=1,
        )
    )
    grouped: list[Spec] = []
    inside = [r for r in held if r["in_window"]]
    if inside:
        window = [{"start": inside[0]["start"], "end": inside[-1]["start"]}]
        grouped.append(_mark("rect", {"x": x, "x2": {"field": "end"}}, window, color=WINDOW))
    grouped.append({"data": _data(held), "layer": layers})
    if quantity == "toward_crowd":
        grouped.append(_mark("rule", {"y": _number("y")}, [{"y": 0.0}], color=MUTED, strokeWidth=0.9))
        for text, dy, baseline in (("onto the crowd", -3, "bottom"), ("off the crowd", 3, "top")):
            grouped += _label(
                {"y": _number("y"), "x": {"value": "width"}, "text": _name("text")},
                [{"y": 0.0, "text": text}],
                align="right",
                baseline=baseline,
                dy=dy,
                dx=-3,
                color=MUTED,
                fontSize=10,
            )
    grouped += _limit_lines(limit, unit, low, high)
    grouped.append(
        _mark(
            "point",
            {"x": x, "y": _number("median")},
            [r for r in held if r["local"] == chosen],
            filled=False,
            color=INK,
            size=150,
            strokeWidth=2,
            opacity=1,
        )
    )
    return _picture(grouped, 230, f"{title} [{unit}]", invented=invented)


def exceedance(rows: Sequence[Row], quantity: str, limit: Limit | None, *, invented: bool, slot: str) -> Spec:
    """How often each value is exceeded, with the interval and the personal limit.

    Parameters
    ----------
    rows
        Rows with `value` in the unit on the screen, rising, `above`, `lower`, `upper`.
    quantity
        Key of `words.QUANTITIES`.
    limit
        Personal limit to draw in.
    invented
        Whether the weather is invented.
    slot
        Local start of the slot.
    """
    title, unit, _ = words.QUANTITIES[quantity]
    colour = colour_of(quantity)
    first, last = float(rows[0]["value"]), float(rows[-1]["value"])
    reach = 0.8 * (last - first)
    near = [v for v in (limit or ())[:2] if isinstance(v, float) and first - reach <= v <= last + reach]
    domain = [min([first, *near]), max([last, *near])]
    x = _number(
        "value",
        title=unit,
        scale={"domain": domain, "nice": False, "zero": False, "padding": 16},
        axis={"format": ",.0f", "tickCount": 5, "grid": False},
    )
    y = _number("lower", title="share of such days above it", scale={"domain": [0, 1]}, axis=_SHARE_AXIS)
    tips = _tips(("value", unit, ",.0f"), ("above", "above", ".0%"), *_INTERVAL_TIPS)
    layers: list[Spec] = [
        {
            "data": _data(rows),
            "layer": [
                _mark("area", {"x": x, "y": y, "y2": {"field": "upper"}}, color=colour, opacity=0.2),
                _mark(
                    "line", {"x": x, "y": _number("above"), "tooltip": tips}, color=colour, strokeWidth=2.6
                ),
            ],
        }
    ]
    for k, name, dash in _DASHES if limit else ():
        value = float(limit[k]) if limit else math.nan
        if domain[0] <= value <= domain[1]:
            row = [{"value": value, "text": f"{name} · {limit[2] if limit else ''}"}]
            layers.append(_mark("rule", {"x": x}, row, color=INK, strokeDash=dash, strokeWidth=1.3))
            layers += _label(
                {"x": x, "y": {"value": "height"}, "text": _name("text")},
                row,
                color=INK,
                fontSize=10,
                angle=270,
                align="left",
                baseline="bottom",
                dx=4,
                dy=-3,
            )
    return _picture(layers, 280, f"{title} at {slot}: how often above", invented=invented)


def plan_view(
    hours: Sequence[Row],
    *,
    line_heading: float,
    crowd_on_right: bool,
    runway_heading: float,
    limit: Limit | None,
    reach: float,
    invented: bool,
    slot: str,
    size: int = 300,
) -> Spec:
    """Show line, crowd and runway from above, north up, with the wind of every sampled hour.

    Each dot is where the wind of some hours carries from the middle: the farther out, the stronger. Dots
    beyond the solid line are past the personal limit toward the crowd.

    Parameters
    ----------
    hours
        Rows with `toward` and `along` [kt] (toward the crowd; against the heading of the line), `count`.
    line_heading, runway_heading
        True, degrees.
    crowd_on_right
        Whether the crowd is on the right along the heading.
    limit
        Personal limit of the wind toward the crowd [kt].
    reach
        Half the width of the picture [kt]; no wind is stronger.
    invented
        Whether the weather is invented.
    slot
        Local start of the slot.
    size
        Width and height in pixels: the same, so that directions are true.
    """

    def bearing(degrees: float) -> tuple[float, float]:
        return math.sin(math.radians(degrees)), math.cos(math.radians(degrees))

    ahead = bearing(line_heading)
    crowd = bearing(line_heading + (90.0 if crowd_on_right else -90.0))
    runway = bearing(runway_heading)

    def place(toward: float, forward: float) -> Spec:
        return {"e": toward * crowd[0] + forward * ahead[0], "n": toward * crowd[1] + forward * ahead[1]}

    def stretch(a: Spec, b: Spec) -> list[Spec]:
        return [{**a, "e2": b["e"], "n2": b["n"]}]

    def across(toward: float, half: float) -> list[Spec]:
        return stretch(place(toward, -half), place(toward, half))

    scale = {"domain": [-reach, reach], "nice": False, "zero": False}
    x, y = _number("e", scale=scale, axis=None), _number("n", scale=scale, axis=None)
    ends = {"x": x, "y": y, "x2": {"field": "e2"}, "y2": {"field": "n2"}}
    rings = [r for r in (10, 20, 30, 40, 50, 60) if r <= reach]
    circles = [
        {"e": r * bearing(a)[0], "n": r * bearing(a)[1], "ring": r, "order": a}
        for r in rings
        for a in range(0, 361, 5)
    ]
    half = 0.8 * reach
    along_runway = stretch(
        {"e": -half * runway[0], "n": -half * runway[1]}, {"e": half * runway[0], "n": half * runway[1]}
    )
    most = max([2, *(int(r["count"]) for r in hours)])
    tips = _tips(
        ("toward", "toward the crowd [kt]", ".0f"),
        ("along", "against the line's heading [kt]", ".0f"),
        ("count", "hours in the sample", ",.0f"),
    )
    layers: list[Spec] = [
        _mark(
            "line",
            {"x": x, "y": y, "detail": _name("ring"), "order": _number("order")},
            circles,
            color=GRID,
            strokeWidth=1,
        ),
        _mark("rule", ends, along_runway, color=COLOURS["runway_crosswind"], opacity=0.25, strokeWidth=13),
        _mark(
            "rule",
            ends,
            across(0.9 * reach, 0.55 * reach),
            color=COLOURS["wind_across"],
            opacity=0.3,
            strokeWidth=17,
        ),
        _mark(
            "point",
            {
                "x": x,
                "y": y,
                "size": _number("count", legend=None, scale={"domain": [1, most], "range": [7, 70]}),
                "tooltip": tips,
            },
            [{**place(float(r["toward"]), -float(r["along"])), **r} for r in hours],
            filled=True,
            color=COLOURS["wind_across"],
            opacity=0.5,
        ),
        _mark("rule", ends, across(0.0, half), color=INK, strokeWidth=2.2),
        _mark(
            "point",
            {"x": x, "y": y},
            [place(0.0, half)],
            shape="triangle-up",
            filled=True,
            color=INK,
            size=120,
            angle=line_heading % 360.0,
            opacity=1,
        ),
    ]
    for k, _, dash in _DASHES if limit else ():
        value = float(limit[k]) if limit else math.nan
        if value < reach:
            layers.append(
                _mark("rule", ends, across(value, half), color=INK, strokeDash=dash, strokeWidth=1.3)
            )
    for layer in layers:
        # The corners of the square are farther out than its sides: what ends there ends with the picture.
        layer["mark"]["clip"] = True
    marks = [{"e": 0.0, "n": float(r), "text": f"{r} kt"} for r in rings]
    layers += [
        _mark("text", {"x": x, "y": y, "text": _name("text")}, marks, color=MUTED, fontSize=10, dy=-6),
        _mark(
            "text",
            {"x": x, "y": y, "text": _name("text")},
            [
                dict(place(0.9 * reach, 0.0), text="CROWD"),
                {"e": -0.93 * reach, "n": 0.94 * reach, "text": "N ↑"},
            ],
            color=INK,
            fontSize=12,
            fontWeight=700,
        ),
    ]
    return _picture(
        layers,
        size,
        f"Where the wind carries at {slot}",
        invented=invented,
        width=size,
        autosize={"type": "pad", "contains": "content"},
    )


# --- The figures ------------------------------------------------------------------------------------


def figures_by_slot(rows: Sequence[Row], figures: Sequence[str], chosen: str, *, invented: bool) -> Spec:
    """Figures by slots: days in ten on which each figure is dropped or trimmed, the number in the cell.

    Parameters
    ----------
    rows
        From `Season.change_rows`.
    figures
        In the order flown.
    chosen
        Local start of the slot in hand, framed.
    invented
        Whether the weather is invented.
    """
    slots = list(dict.fromkeys(r["local"] for r in rows))
    hours = [s for s in slots if s.endswith(":00")]
    x = {
        "field": "local",
        "type": "ordinal",
        "title": "local start of the slot",
        "sort": slots,
        "axis": {
            "values": hours[:: 1 if len(hours) < 6 else 2],
            "labelAngle": 0,
            "ticks": False,
            "domain": False,
            "orient": "top",
        },
        "scale": {"padding": 0},
    }
    y = _name(
        "figure",
        title=None,
        sort=list(figures),
        axis={"labelLimit": 130, "ticks": False, "domain": False, "labelPadding": 4},
    )
    tips = _tips(
        ("figure", "figure", ""),
        ("local", "local time", ""),
        ("words", "changed", ""),
        *_INTERVAL_TIPS,
        ("bites", "what bites", ""),
    )
    colour = _number("changed", scale=_CHANCE_SCALE, legend=None)
    table: Spec = {
        "data": _data(rows),
        "layer": [
            _mark("rect", {"x": x, "y": y, "color": colour, "tooltip": tips}, stroke=GRID, strokeWidth=0.5),
            _mark(
                "text",
                {"x": x, "y": y, "text": _name("tenths"), "color": _white_on_dark(), "tooltip": tips},
                fontSize=11,
            ),
        ],
    }
    column = [r for r in rows if r["local"] == chosen][:1]
    frame = _mark("rect", {"x": x}, column, fill=None, stroke=INK, strokeWidth=2)
    height = _tall(len(figures), 22)
    return _picture([table, frame], height, "Days in ten on which each figure is changed", invented=invented)


def figures_at_slot(rows: Sequence[Row], *, invented: bool, slot: str) -> Spec:
    """Every figure at one slot: chance of change with its interval, shaped and coloured by what bites.

    The dotted reach is the chance with every unreported gust at its upper bound.
    """
    present = {r["bites"] for r in rows}
    looks = [(words.cause(c), COLOURS.get(c, MUTED), shape) for c, shape in SHAPES.items()]
    looks = [look for look in looks if look[0] in present]
    names = [name for name, *_ in looks]
    legend = {"orient": "top", "symbolSize": 90, "columns": 2, "labelLimit": 140, "symbolOpacity": 1}
    colour = _name(
        "bites", title="what bites", legend=legend, scale={"domain": names, "range": [c for _, c, _ in looks]}
    )
    shape = _name(
        "bites", title="what bites", legend=legend, scale={"domain": names, "range": [s for *_, s in looks]}
    )
    y = _name(
        "figure",
        title=None,
        sort=[r["figure"] for r in rows],
        axis={"labelLimit": 130, "ticks": False, "domain": False, "grid": True, "labelPadding": 4},
    )
    x = _number(
        "lower",
        title="chance that it is changed, with 90 % interval",
        scale={"domain": [0, 1]},
        axis=_SHARE_AXIS,
    )
    tips = _tips(
        ("figure", "figure", ""),
        ("words", "changed", ""),
        *_INTERVAL_TIPS,
        ("bound", "with unreported gusts at their bound", ".0%"),
        ("bites", "what bites", ""),
    )
    layers = [
        _mark(
            "rule",
            {"y": y, "x": _number("changed"), "x2": {"field": "bound"}, "color": colour},
            strokeDash=[1, 3],
            strokeWidth=1.8,
        ),
        _mark("rule", {"y": y, "x": x, "x2": {"field": "upper"}, "color": colour}, strokeWidth=2.4),
        _mark(
            "point",
            {"y": y, "x": _number("changed"), "color": colour, "shape": shape, "tooltip": tips},
            filled=True,
            size=90,
            opacity=1,
        ),
    ]
    height = _tall(len(rows), 22, legend=1 + math.ceil(len(looks) / 2))
    return _picture(
        [{"data": _data(rows), "layer": layers}], height, f"Each figure at {slot}", invented=invented
    )


def planned_by_slot(now: Sequence[Row], then: Sequence[Row] | None, *, invented: bool, chosen: str) -> Spec:
    """Chance that the show is flown as planned by slot, as computed and with what is being tried.

    Parameters
    ----------
    now, then
        Rows with `start`, `local`, `as_planned`, `lower`, `upper`; None where nothing is being tried.
    invented
        Whether the weather is invented.
    chosen
        Local start of the slot in hand, ringed.
    """
    names = ["as your limits stand"] if then is None else ["as your limits stand", "with what you are trying"]
    rows = [dict(r, which=name) for name, held in zip(names, (now, then or ()), strict=False) for r in held]
    rows = [r for r in rows if math.isfinite(r["as_planned"])]
    x = _clock(min(r["start"] for r in rows), max(r["start"] for r in rows))
    colour = _name(
        "which",
        title=None,
        scale={"domain": names, "range": [MUTED, COLOURS["wind_along"]][: len(names)]},
        legend={
            "orient": "top",
            "symbolType": "stroke",
            "symbolStrokeWidth": 3,
            "symbolOpacity": 1,
            "labelLimit": 200,
        },
    )
    y = _number("lower", title="flown as planned", scale={"domain": [0, 1]}, axis=_SHARE_AXIS)
    tips = _tips(
        ("which", "limits", ""),
        ("local", "local time", ""),
        ("as_planned", "flown as planned", ".0%"),
        *_INTERVAL_TIPS,
    )
    grouped: Spec = {
        "data": _data(rows),
        "layer": [
            _mark("area", {"x": x, "y": y, "y2": {"field": "upper"}, "color": colour}, opacity=0.18),
            _mark("line", {"x": x, "y": _number("as_planned"), "color": colour}, strokeWidth=2.4),
            _mark(
                "point",
                {"x": x, "y": _number("as_planned"), "color": colour, "tooltip": tips},
                filled=True,
                size=28,
                opacity=1,
            ),
        ],
    }
    ring = _mark(
        "point",
        {"x": x, "y": _number("as_planned")},
        [r for r in rows if r["local"] == chosen],
        filled=False,
        color=INK,
        size=150,
        strokeWidth=2,
        opacity=1,
    )
    return _picture([grouped, ring], 200, "The full show flown as planned, by slot", invented=invented)
