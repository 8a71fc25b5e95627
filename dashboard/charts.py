"""The pictures. One visual language: a quantity has one colour and one unit wherever it is drawn.

- A chance of change is crimson, the darker the more often; the words or digits always stand beside it.
- A 90 % interval is always drawn: a bar through a point, or a paler band around a line.
- A comfortable value is a dashed line, a limit a solid one, both in ink with their name on them.
- An estimated bound is dotted. Invented weather says so in the heading of the picture.

Charts take rows in the units of the screen and return Altair charts; nothing is computed here but places
on the paper.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import altair as alt

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
    "exceedance",
    "figures_at_slot",
    "figures_by_slot",
    "plan_view",
    "planned_by_slot",
    "season_by_hour",
]

Row = Mapping[str, Any]
Limit = tuple[float, float, str]
"""Comfortable value and limit in the unit of the picture, and whose they are."""

INK, MUTED, GRID, PAPER = "#17212B", "#55606B", "#DDD9CF", "#FFFFFF"
WINDOW = "#F3F1EA"

COLOURS: dict[str, str] = {
    "density_altitude": "#B5480F",
    "wind_across": "#0B62A8",
    "rough_air": "#7A3B96",
    "wind_along": "#00786C",
    "runway_crosswind": "#4D5B1C",
    "ceiling": "#6A7480",
    "visibility": "#8C7000",
    "thunder": "#2B2B6B",
}
"""By cause; a quantity has the colour of the cause it belongs to."""

_OF_QUANTITY = {
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
_ON_DARK = 0.5

_FONT = '"Source Sans", "Source Sans Pro", system-ui, sans-serif'
_CLOCK = "(datum.value < 600 ? '0' : '') + floor(datum.value / 60) + ':00'"


def _colour_of(quantity: str) -> str:
    return COLOURS[_OF_QUANTITY[quantity]]


def _data(rows: Iterable[Row]) -> alt.Data:
    """Rows as inline data; what is not a number is left out, because JSON has no NaN."""
    return alt.Data(
        values=[
            {k: (None if isinstance(v, float) and not math.isfinite(v) else v) for k, v in row.items()}
            for row in rows
        ]
    )


def _heading(title: str, *, invented: bool) -> alt.TitleParams:
    return alt.TitleParams(title, subtitle="INVENTED WEATHER" if invented else alt.Undefined)


def _dressed(chart: Any, *, height: int | None = None) -> alt.LayerChart:
    if height is not None:
        chart = chart.properties(height=height)
    return (
        chart.properties(background=PAPER)
        .configure(font=_FONT)
        .configure_view(stroke=None)
        .configure_title(
            anchor="start",
            color=INK,
            fontSize=14,
            fontWeight=600,
            subtitleColor=MUTED,
            subtitleFontSize=10,
            subtitleFontWeight=700,
            offset=8,
        )
        .configure_axis(
            labelColor=INK,
            titleColor=MUTED,
            labelFontSize=11,
            titleFontSize=11,
            titleFontWeight="normal",
            gridColor=GRID,
            domainColor=MUTED,
            tickColor=MUTED,
        )
        .configure_legend(labelColor=INK, titleColor=MUTED, labelFontSize=11, titleFontSize=11)
    )


def _clock(rows: Sequence[Row], *, title: str = "local time") -> alt.X:
    """Clock axis over the slots of the rows, ticked on whole hours."""
    first = min(r["start"] for r in rows)
    last = max(r.get("end", r["start"]) for r in rows)
    hours = range(-(-first // 60), last // 60 + 1)
    step = 1 if len(hours) <= 8 else 2
    return alt.X(
        "start:Q",
        title=title,
        scale=alt.Scale(domain=[first, last], nice=False, padding=4),
        axis=alt.Axis(values=[60 * h for h in hours][::step], labelExpr=_CLOCK, grid=False, labelOverlap=True),
    )


def _chance_scale() -> alt.Scale:
    return alt.Scale(domain=[0.0, 0.2, 0.4, 0.6, 0.8, 1.0], range=list(CHANCE_RAMP), clamp=True)


def _limit_layers(limit: Limit | None, unit: str, low: float, high: float) -> list[Any]:
    """Comfortable and limit as lines, when they lie within what is drawn."""
    if limit is None:
        return []
    layers = []
    for value, name, dash in ((limit[0], "comfortable", [5, 4]), (limit[1], "limit", [1, 0])):
        if not low <= value <= high:
            continue
        at = alt.Chart(_data([{"y": value, "text": f"{name} {words.number(value, unit)} · {limit[2]}"}]))
        layers.append(
            at.mark_rule(color=INK, strokeDash=dash, strokeWidth=1.3).encode(y=alt.Y("y:Q"))
        )
        layers.append(
            at.mark_text(align="left", baseline="bottom", dx=3, dy=-2, color=INK, fontSize=10)
            .encode(y=alt.Y("y:Q"), x=alt.value(0), text="text:N")
        )
    return layers


def limit_in_sight(limit: Limit, rows: Sequence[Row]) -> tuple[float, float]:
    """Ends of the drawn scale: the band, and the limits when they are within half a band of it."""
    low = min(float(r["low"]) for r in rows)
    high = max(float(r.get("bound", r["high_upper"])) for r in rows)
    high = max(high, max(float(r["high_upper"]) for r in rows))
    reach = 0.8 * max(high - low, 1e-9)
    for value in limit[:2]:
        if low - reach <= value <= high + reach:
            low, high = min(low, value), max(high, value)
    pad = 0.06 * (high - low)
    return low - pad, high + pad


def air_by_slot(
    rows: Sequence[Row], quantity: str, limit: Limit | None, *, invented: bool, chosen: str = "", height: int = 220
) -> alt.LayerChart:
    """One quantity through the day: median, the band of eight days in ten, the interval of one day in ten.

    Parameters
    ----------
    rows
        From `Season.air_rows`.
    quantity
        Key of `words.QUANTITIES`.
    limit
        Personal limit to draw in.
    invented
        Whether the weather is invented.
    chosen
        Local start of the slot in hand.
    height
        Height of the picture in pixels.
    """
    title, unit, _ = words.QUANTITIES[quantity]
    colour = _colour_of(quantity)
    held = [r for r in rows if math.isfinite(r["median"])]
    low, high = limit_in_sight(limit or (math.inf, math.inf, ""), held)
    if quantity in ("gust", "runway_crosswind", "wind_speed"):
        low = 0.0
    y = alt.Y(
        "low:Q",
        title=unit,
        scale=alt.Scale(domain=[low, high], nice=False, zero=False),
        axis=alt.Axis(tickCount=5, format=",.0f"),
    )
    base = alt.Chart(_data(held))
    x = _clock(held)
    tips = [
        alt.Tooltip("local:N", title="local time"),
        alt.Tooltip("median:Q", title=f"median [{unit}]", format=",.0f"),
        alt.Tooltip("low:Q", title=f"one day in ten below [{unit}]", format=",.0f"),
        alt.Tooltip("high:Q", title=f"one day in ten above [{unit}]", format=",.0f"),
        alt.Tooltip("high_lower:Q", title="its 90 % interval from", format=",.0f"),
        alt.Tooltip("high_upper:Q", title="to", format=",.0f"),
    ]
    layers: list[Any] = []
    inside = [r for r in held if r["in_window"]]
    if inside:
        layers.append(
            alt.Chart(_data([{"start": inside[0]["start"], "end": inside[-1]["start"]}]))
            .mark_rect(color=WINDOW)
            .encode(x="start:Q", x2="end:Q")
        )
    layers += [
        base.mark_area(color=colour, opacity=0.18).encode(x=x, y=y, y2="high:Q"),
        base.mark_line(color=colour, strokeWidth=1, opacity=0.9).encode(x=x, y="high:Q"),
        base.mark_line(color=colour, strokeWidth=2.6).encode(x=x, y="median:Q"),
        base.mark_rule(color=colour, strokeWidth=2).encode(x=x, y="high_lower:Q", y2="high_upper:Q"),
        base.mark_rule(color=colour, strokeWidth=2).encode(x=x, y="median_lower:Q", y2="median_upper:Q"),
        base.mark_point(color=colour, filled=True, size=26, opacity=1).encode(x=x, y="median:Q", tooltip=tips),
    ]
    if held and "bound" in held[0]:
        layers.append(
            base.mark_line(color=colour, strokeDash=[1, 3], strokeWidth=1.6).encode(x=x, y="bound:Q")
        )
    if quantity == "toward_crowd":
        layers.append(
            alt.Chart(_data([{"y": 0.0, "text": "below this line: off the crowd"}]))
            .mark_rule(color=MUTED, strokeWidth=0.8)
            .encode(y="y:Q")
        )
    layers += _limit_layers(limit, unit, low, high)
    at = [r for r in held if r["local"] == chosen]
    if at:
        layers.append(
            alt.Chart(_data(at))
            .mark_point(filled=False, color=INK, size=150, strokeWidth=2, opacity=1)
            .encode(x=x, y="median:Q", tooltip=tips)
        )
    return _dressed(
        alt.layer(*layers).properties(title=_heading(f"{title} [{unit}]", invented=invented)), height=height
    )


def small_air(
    rows: Sequence[Row], quantity: str, limit: Limit | None, domain: tuple[float, float], clock: tuple[int, int]
) -> alt.LayerChart:
    """One booking's day in small: band, median, interval, limits, and the slot in discussion."""
    _, unit, _ = words.QUANTITIES[quantity]
    colour = _colour_of(quantity)
    held = [r for r in rows if math.isfinite(r["median"])]
    base = alt.Chart(_data(held))
    x = alt.X(
        "start:Q",
        title=None,
        scale=alt.Scale(domain=list(clock), nice=False),
        axis=alt.Axis(
            values=[m for m in range(0, 1440, 60) if clock[0] <= m <= clock[1]][1::3],
            labelExpr="floor(datum.value / 60) + 'h'",
            grid=False,
            labelFontSize=10,
        ),
    )
    y = alt.Y(
        "low:Q",
        title=None,
        scale=alt.Scale(domain=list(domain), nice=False, zero=False, clamp=True),
        axis=alt.Axis(tickCount=4, format="~s" if quantity == "density_altitude" else ",.0f", labelFontSize=10),
    )
    layers: list[Any] = [
        base.mark_area(color=colour, opacity=0.22).encode(x=x, y=y, y2="high:Q"),
        base.mark_line(color=colour, strokeWidth=2.2).encode(x=x, y="median:Q"),
        base.mark_rule(color=colour, strokeWidth=1.2).encode(x=x, y="high_lower:Q", y2="high_upper:Q"),
    ]
    if limit is not None:
        for value, dash in ((limit[0], [4, 3]), (limit[1], [1, 0])):
            if domain[0] <= value <= domain[1]:
                layers.append(
                    alt.Chart(_data([{"y": value}]))
                    .mark_rule(color=INK, strokeDash=dash, strokeWidth=1.1)
                    .encode(y="y:Q")
                )
    offered = [r for r in held if r.get("offered")]
    if offered:
        layers.append(
            alt.Chart(_data(offered))
            .mark_point(filled=True, color=INK, size=42, opacity=1)
            .encode(
                x=x,
                y="median:Q",
                tooltip=[
                    alt.Tooltip("local:N", title="slot in discussion"),
                    alt.Tooltip("median:Q", title=f"median [{unit}]", format=",.0f"),
                    alt.Tooltip("high:Q", title=f"one day in ten above [{unit}]", format=",.0f"),
                ],
            )
        )
    return _dressed(alt.layer(*layers), height=104)


def season_by_hour(rows: Sequence[Row], order: Sequence[str], *, invented: bool) -> alt.LayerChart:
    """Every booking's chance of change by local hour; the slot in discussion is ringed.

    Parameters
    ----------
    rows
        From `Season.planned_rows` with `booking` added.
    order
        Bookings, best first.
    invented
        Whether any of the weather is invented.
    """
    x = _clock(rows)
    y = alt.Y(
        "booking:N",
        sort=list(order),
        title=None,
        axis=alt.Axis(labelLimit=150, ticks=False, domain=False, labelPadding=6),
        scale=alt.Scale(paddingInner=0.18),
    )
    tips = [
        alt.Tooltip("booking:N", title="booking"),
        alt.Tooltip("local:N", title="local time"),
        alt.Tooltip("words:N", title="flown as planned"),
        alt.Tooltip("lower:Q", title="90 % interval from", format=".0%"),
        alt.Tooltip("upper:Q", title="to", format=".0%"),
        alt.Tooltip("bites:N", title="what bites"),
    ]
    cells = (
        alt.Chart(_data(rows))
        .mark_rect(stroke=PAPER, strokeWidth=0.7)
        .encode(
            x=x,
            x2="end:Q",
            y=y,
            color=alt.Color(
                "changed:Q",
                scale=_chance_scale(),
                title="dropped, trimmed or grounded",
                legend=alt.Legend(
                    orient="top",
                    format=".0%",
                    gradientLength=180,
                    values=[0, 0.5, 1],
                    titleOrient="left",
                    gradientStrokeColor=MUTED,
                ),
            ),
            opacity=alt.condition("datum.in_window", alt.value(1.0), alt.value(0.45)),
            tooltip=tips,
        )
    )
    offered = [dict(r, middle=(r["start"] + r["end"]) / 2) for r in rows if r["offered"]]
    marks = alt.Chart(_data(offered)).encode(x=alt.X("middle:Q"), y=y)
    dark = alt.condition(f"datum.changed > {_ON_DARK}", alt.value(PAPER), alt.value(INK))
    ring = marks.mark_point(filled=True, size=34, opacity=1).encode(color=dark, tooltip=tips)
    return _dressed(
        alt.layer(cells, ring).properties(title=_heading("Chance that the full show is not flown as planned, by local hour", invented=invented)),
        height=max(90, 24 * len(order)),
    )


def figures_by_slot(rows: Sequence[Row], figures: Sequence[str], chosen: str, *, invented: bool) -> alt.LayerChart:
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
    x = alt.X(
        "local:O",
        title="local start of the slot",
        sort=slots,
        axis=alt.Axis(values=hours, labelAngle=0, labelOverlap=True, ticks=False, domain=False, orient="top"),
        scale=alt.Scale(padding=0),
    )
    y = alt.Y(
        "figure:N",
        title=None,
        sort=list(figures),
        axis=alt.Axis(labelLimit=126, ticks=False, domain=False, labelPadding=4),
    )
    tips = [
        alt.Tooltip("figure:N", title="figure"),
        alt.Tooltip("local:N", title="local time"),
        alt.Tooltip("words:N", title="changed"),
        alt.Tooltip("lower:Q", title="90 % interval from", format=".0%"),
        alt.Tooltip("upper:Q", title="to", format=".0%"),
        alt.Tooltip("bites:N", title="what bites"),
    ]
    base = alt.Chart(_data(rows)).encode(x=x, y=y)
    cells = base.mark_rect(stroke=GRID, strokeWidth=0.5).encode(
        color=alt.Color("changed:Q", scale=_chance_scale(), legend=None), tooltip=tips
    )
    digits = base.mark_text(fontSize=11).encode(
        text="tenths:N",
        color=alt.condition(f"datum.changed > {_ON_DARK}", alt.value(PAPER), alt.value(INK)),
        tooltip=tips,
    )
    frame = (
        alt.Chart(_data([r for r in rows if r["local"] == chosen]))
        .mark_rect(fill=None, stroke=INK, strokeWidth=1.6)
        .encode(x=x, y=y)
    )
    return _dressed(
        alt.layer(cells, frame, digits).properties(
            title=_heading("Days in ten on which each figure is changed", invented=invented)
        ),
        height=22 * len(figures),
    )


def figures_at_slot(rows: Sequence[Row], *, invented: bool, slot: str) -> alt.LayerChart:
    """Every figure at one slot: chance of change with its interval, shaped and coloured by what bites.

    The dotted reach is the chance with every unreported gust at its upper bound.
    """
    causes = [c for c in SHAPES if c]
    named = [words.CAUSES[c] for c in causes] + [words.cause("")]
    colours = [COLOURS[c] for c in causes] + [MUTED]
    shapes = [SHAPES[c] for c in causes] + [SHAPES[""]]
    y = alt.Y(
        "figure:N",
        title=None,
        sort=[r["figure"] for r in rows],
        axis=alt.Axis(labelLimit=126, ticks=False, domain=False, grid=True, labelPadding=4),
    )
    x = alt.X(
        "lower:Q",
        title="chance that it is changed, with 90 % interval",
        scale=alt.Scale(domain=[0, 1]),
        axis=alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1]),
    )
    tips = [
        alt.Tooltip("figure:N", title="figure"),
        alt.Tooltip("words:N", title="changed"),
        alt.Tooltip("lower:Q", title="90 % interval from", format=".0%"),
        alt.Tooltip("upper:Q", title="to", format=".0%"),
        alt.Tooltip("bound:Q", title="with unreported gusts at their upper bound", format=".0%"),
        alt.Tooltip("bites:N", title="what bites"),
    ]
    present = {r["bites"] for r in rows}
    kept = [k for k, name in enumerate(named) if name in present]
    domain = [named[k] for k in kept]
    colour = alt.Color(
        "bites:N",
        title="what bites",
        scale=alt.Scale(domain=domain, range=[colours[k] for k in kept]),
        legend=alt.Legend(orient="top", symbolSize=90, columns=2, labelLimit=140, titleOrient="top"),
    )
    shape = alt.Shape("bites:N", title="what bites", scale=alt.Scale(domain=domain, range=[shapes[k] for k in kept]))
    base = alt.Chart(_data(rows)).encode(y=y)
    return _dressed(
        alt.layer(
            base.mark_rule(strokeDash=[1, 3], strokeWidth=1.6).encode(x="changed:Q", x2="bound:Q", color=colour),
            base.mark_rule(strokeWidth=2.4).encode(x=x, x2="upper:Q", color=colour),
            base.mark_point(filled=True, size=90, opacity=1).encode(x="changed:Q", color=colour, shape=shape, tooltip=tips),
        ).properties(title=_heading(f"Each figure at {slot}", invented=invented)),
        height=22 * len(rows),
    )


def planned_by_slot(now: Sequence[Row], then: Sequence[Row], *, invented: bool, chosen: str, then_name: str) -> alt.LayerChart:
    """Chance that the show is flown as planned by slot, as computed and with what is being tried.

    Parameters
    ----------
    now, then
        Rows with `start`, `local`, `as_planned`, `lower`, `upper`.
    invented
        Whether the weather is invented.
    chosen
        Local start of the slot in hand.
    then_name
        What `then` is called.
    """
    rows = [dict(r, which="as your limits stand", shift=-0.0) for r in now]
    rows += [dict(r, which=then_name, shift=0.0) for r in then]
    rows = [r for r in rows if math.isfinite(r["as_planned"])]
    x = _clock(rows)
    scale = alt.Scale(domain=["as your limits stand", then_name], range=[MUTED, INK])
    colour = alt.Color("which:N", scale=scale, title=None, legend=alt.Legend(orient="top"))
    dash = alt.StrokeDash(
        "which:N", scale=alt.Scale(domain=["as your limits stand", then_name], range=[[4, 3], [1, 0]]), legend=None
    )
    y = alt.Y(
        "lower:Q",
        title="flown as planned",
        scale=alt.Scale(domain=[0, 1]),
        axis=alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1]),
    )
    base = alt.Chart(_data(rows))
    tips = [
        alt.Tooltip("which:N", title=" "),
        alt.Tooltip("local:N", title="local time"),
        alt.Tooltip("as_planned:Q", title="flown as planned", format=".0%"),
        alt.Tooltip("lower:Q", title="90 % interval from", format=".0%"),
        alt.Tooltip("upper:Q", title="to", format=".0%"),
    ]
    layers: list[Any] = [
        base.mark_area(opacity=0.13, line=False).encode(x=x, y=y, y2="upper:Q", color=colour),
        base.mark_line(strokeWidth=2.2).encode(x=x, y="as_planned:Q", color=colour, strokeDash=dash),
        base.mark_point(filled=True, size=26, opacity=1).encode(x=x, y="as_planned:Q", color=colour, tooltip=tips),
    ]
    at = [r for r in rows if r["local"] == chosen]
    if at:
        layers.append(
            alt.Chart(_data(at))
            .mark_point(filled=False, size=150, strokeWidth=2, opacity=1)
            .encode(x=x, y="as_planned:Q", color=colour)
        )
    return _dressed(
        alt.layer(*layers).properties(title=_heading("The full show flown as planned, by slot", invented=invented)),
        height=200,
    )


def exceedance(rows: Sequence[Row], quantity: str, limit: Limit | None, *, invented: bool, slot: str) -> alt.LayerChart:
    """Days in ten above each value, with the interval and the personal limit.

    Parameters
    ----------
    rows
        Rows with `value` in the unit on the screen, `above`, `lower`, `upper`.
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
    colour = _colour_of(quantity)
    first, last = float(rows[0]["value"]), float(rows[-1]["value"])
    reach = 0.8 * (last - first)
    inside = [v for v in (limit or ())[:2] if isinstance(v, float) and first - reach <= v <= last + reach]
    domain = [min([first, *inside]), max([last, *inside])]
    x = alt.X(
        "value:Q",
        title=unit,
        scale=alt.Scale(domain=domain, nice=False, padding=6),
        axis=alt.Axis(format=",.0f", tickCount=6, grid=False),
    )
    y = alt.Y(
        "lower:Q",
        title="share of such days above",
        scale=alt.Scale(domain=[0, 1]),
        axis=alt.Axis(format=".0%", values=[0, 0.1, 0.25, 0.5, 0.75, 0.9, 1]),
    )
    base = alt.Chart(_data(rows))
    tips = [
        alt.Tooltip("value:Q", title=unit, format=",.0f"),
        alt.Tooltip("above:Q", title="above", format=".0%"),
        alt.Tooltip("lower:Q", title="90 % interval from", format=".0%"),
        alt.Tooltip("upper:Q", title="to", format=".0%"),
    ]
    layers: list[Any] = [
        base.mark_area(color=colour, opacity=0.2).encode(x=x, y=y, y2="upper:Q"),
        base.mark_line(color=colour, strokeWidth=2.6).encode(x=x, y="above:Q", tooltip=tips),
    ]
    if limit is not None:
        for value, name, dash, dy in ((limit[0], "comfortable", [5, 4], 0), (limit[1], "limit", [1, 0], 0)):
            if domain[0] <= value <= domain[1]:
                line = alt.Chart(_data([{"x": value, "text": f"{name} · {limit[2]}"}]))
                layers.append(line.mark_rule(color=INK, strokeDash=dash, strokeWidth=1.3).encode(x="x:Q"))
                layers.append(
                    line.mark_text(color=INK, fontSize=10, angle=270, align="right", baseline="bottom", dx=-2, dy=-3 + dy)
                    .encode(x="x:Q", y=alt.value(0), text="text:N")
                )
    return _dressed(
        alt.layer(*layers).properties(title=_heading(f"{title} [{unit}] at {slot}: how often above", invented=invented)),
        height=260,
    )


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
    size: int = 330,
) -> alt.LayerChart:
    """Show line, crowd and runway from above, north up, with the wind of every sampled hour.

    Each dot is where the wind of one hour would carry the aircraft from the middle: the farther out, the
    stronger. Dots beyond the solid line are past the personal limit toward the crowd.

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
        Half the width of the picture [kt].
    invented
        Whether the weather is invented.
    slot
        Local start of the slot.
    size
        Width and height in pixels: the same, so that directions are true.
    """
    ahead = (math.sin(math.radians(line_heading)), math.cos(math.radians(line_heading)))
    side = 1.0 if crowd_on_right else -1.0
    crowd = (side * ahead[1], -side * ahead[0])

    def place(toward: float, along: float) -> dict[str, float]:
        return {"e": toward * crowd[0] + along * ahead[0], "n": toward * crowd[1] + along * ahead[1]}

    def line(toward: float, half: float, **more: Any) -> dict[str, Any]:
        a, b = place(toward, -half), place(toward, half)
        return {"e": a["e"], "n": a["n"], "e2": b["e"], "n2": b["n"], **more}

    scale = alt.Scale(domain=[-reach, reach], nice=False, zero=False)
    x = alt.X("e:Q", scale=scale, axis=None)
    y = alt.Y("n:Q", scale=scale, axis=None)
    rings = [r for r in (10, 20, 30, 40, 50) if r <= reach]
    circle = [
        {"e": r * math.sin(math.radians(a)), "n": r * math.cos(math.radians(a)), "ring": r, "order": a}
        for r in rings
        for a in range(0, 361, 5)
    ]
    layers: list[Any] = [
        alt.Chart(_data(circle))
        .mark_line(color=GRID, strokeWidth=1)
        .encode(x=x, y=y, detail="ring:N", order="order:Q"),
        alt.Chart(_data([{"e": 0.0, "n": float(r), "text": f"{r} kt"} for r in rings]))
        .mark_text(color=MUTED, fontSize=9, dy=-5, dx=2, align="left")
        .encode(x=x, y=y, text="text:N"),
        alt.Chart(_data([{"e": -0.93 * reach, "n": 0.93 * reach, "text": "N ↑"}]))
        .mark_text(color=INK, fontSize=13, fontWeight=700, align="left")
        .encode(x=x, y=y, text="text:N"),
    ]
    runway = (math.sin(math.radians(runway_heading)), math.cos(math.radians(runway_heading)))
    half = 0.8 * reach
    layers += [
        alt.Chart(
            _data([{"e": -half * runway[0], "n": -half * runway[1], "e2": half * runway[0], "n2": half * runway[1]}])
        )
        .mark_rule(color=COLOURS["runway_crosswind"], opacity=0.28, strokeWidth=12)
        .encode(x=x, y=y, x2="e2:Q", y2="n2:Q"),
        alt.Chart(_data([line(0.88 * reach, 0.55 * reach)]))
        .mark_rule(color=COLOURS["wind_across"], opacity=0.35, strokeWidth=15)
        .encode(x=x, y=y, x2="e2:Q", y2="n2:Q"),
        alt.Chart(_data([dict(place(0.88 * reach, 0.0), text="CROWD")]))
        .mark_text(color=INK, fontSize=11, fontWeight=700)
        .encode(x=x, y=y, text="text:N"),
        alt.Chart(_data([line(0.0, 0.8 * reach)]))
        .mark_rule(color=INK, strokeWidth=2)
        .encode(x=x, y=y, x2="e2:Q", y2="n2:Q"),
        alt.Chart(_data([dict(place(0.0, 0.8 * reach))]))
        .mark_point(shape="triangle-up", filled=True, color=INK, size=110, angle=line_heading % 360.0, opacity=1)
        .encode(x=x, y=y),
    ]
    dots = [dict(place(r["toward"], -r["along"]), **r) for r in hours]
    layers.append(
        alt.Chart(_data(dots))
        .mark_point(filled=True, color=COLOURS["wind_across"])
        .encode(
            x=x,
            y=y,
            size=alt.Size("count:Q", legend=None, scale=alt.Scale(domain=[1, max([2, *(r["count"] for r in hours)])], range=[8, 70])),
            opacity=alt.value(0.5),
            tooltip=[
                alt.Tooltip("toward:Q", title="toward the crowd [kt]", format=".0f"),
                alt.Tooltip("along:Q", title="against the line's heading [kt]", format=".0f"),
                alt.Tooltip("count:Q", title="hours in the sample"),
            ],
        )
    )
    if limit is not None:
        for value, dash in ((limit[0], [5, 4]), (limit[1], [1, 0])):
            if value < reach:
                layers.append(
                    alt.Chart(_data([line(value, 0.8 * reach)]))
                    .mark_rule(color=INK, strokeDash=dash, strokeWidth=1.3)
                    .encode(x=x, y=y, x2="e2:Q", y2="n2:Q")
                )
    return _dressed(
        alt.layer(*layers).properties(
            width=size, height=size, title=_heading(f"Where the wind carries you at {slot}, from above", invented=invented)
        )
    )
