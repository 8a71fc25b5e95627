"""Small pictures as SVG inside a page that has neither server nor script, in the colours of the charts.

Every picture carries its answer as a text; the table with its numbers stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from dashboard import charts, words

__all__ = ["air_by_hour", "planned_by_hour"]

Row = Mapping[str, Any]

WIDTH, HEIGHT = 360, 190
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 10, 30, 24
"""Margins inside the picture; drawn one to one on a phone."""


class _Plane:
    """Where values stand on the paper."""

    def __init__(self, minutes: Sequence[int], low: float, high: float) -> None:
        self.first, self.last = min(minutes), max(max(minutes), min(minutes) + 1)
        self.low, self.high = low, max(high, low + 1e-9)

    def x(self, minute: float) -> float:
        share = (minute - self.first) / (self.last - self.first)
        return _LEFT + 6 + share * (WIDTH - _LEFT - _RIGHT - 12)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return HEIGHT - _BOTTOM - min(max(share, 0.0), 1.0) * (HEIGHT - _TOP - _BOTTOM)


def _path(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _text(x: float, y: float, told: str, *, anchor: str = "start", colour: str = charts.MUTED) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{escape(told)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, width: float = 1.0, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" '
        f'stroke-width="{width}"{dashed}/>'
    )


def _ticks(low: float, high: float) -> list[float]:
    """Round numbers between two ends, from three to seven."""
    power = 10.0 ** math.floor(math.log10(high - low))
    step = next(power * m for m in (1.0, 0.5, 0.2, 0.1) if (high - low) / (power * m) >= 3.0)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _picture(inside: Sequence[str], heading: str, alt: str, *, invented: bool) -> str:
    mark = _text(WIDTH - _RIGHT, 12, "INVENTED WEATHER", anchor="end", colour=charts.INK) if invented else ""
    return (
        f'<svg class="sh-drawn" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(alt)}">'
        f'<text class="head" x="0" y="12" fill="{charts.INK}">{escape(heading)}</text>{mark}'
        f"{''.join(inside)}</svg>"
    )


def _ground(plane: _Plane, rows: Sequence[Row], ticks: Mapping[float, str]) -> list[str]:
    """The organiser's window, the grid with its numbers, and the clock."""
    inside = [int(r["start"]) for r in rows if r["in_window"]]
    drawn = []
    if inside:
        left, right = plane.x(min(inside)) - 5, plane.x(max(inside)) + 5
        drawn.append(
            f'<rect x="{left:.1f}" y="{_TOP}" width="{right - left:.1f}" height="{HEIGHT - _TOP - _BOTTOM}" '
            f'fill="{charts.WINDOW}"/>'
        )
    for value, told in ticks.items():
        y = plane.y(value)
        drawn.append(_line(_LEFT, y, WIDTH - _RIGHT, y, charts.GRID))
        drawn.append(_text(_LEFT - 5, y + 4, told, anchor="end"))
    hours = range(math.ceil(plane.first / 60), plane.last // 60 + 1)
    for h in hours[:: 1 if len(hours) < 8 else 2]:
        drawn.append(_text(plane.x(60 * h), HEIGHT - 8, f"{h:02d}:00", anchor="middle"))
    return drawn


def _ring(plane: _Plane, rows: Sequence[Row], key: str) -> str:
    at = next((r for r in rows if r["offered"]), None)
    if at is None:
        return ""
    return (
        f'<circle cx="{plane.x(at["start"]):.1f}" cy="{plane.y(at[key]):.1f}" r="6.5" fill="none" '
        f'stroke="{charts.INK}" stroke-width="2"/>'
    )


def _band(plane: _Plane, rows: Sequence[Row], low: str, high: str, colour: str, opacity: float) -> str:
    edge = [(plane.x(r["start"]), plane.y(r[high])) for r in rows]
    back = [(plane.x(r["start"]), plane.y(r[low])) for r in reversed(rows)]
    return f'<polygon points="{_path(edge + back)}" fill="{colour}" fill-opacity="{opacity}"/>'


def _curve(points: Sequence[tuple[float, float]], colour: str, width: float, dash: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{_path(points)}" fill="none" stroke="{colour}" stroke-width="{width}"{dashes}/>'
    )


def air_by_hour(
    rows: Sequence[Row], quantity: str, limit: charts.Limit | None, *, title: str, invented: bool, alt: str
) -> str:
    """One quantity by slot: median, eight days in ten, both intervals, and the personal limits near them.

    Parameters
    ----------
    rows
        From `Season.air_rows`, with `offered` added.
    quantity
        Key of `words.QUANTITIES`.
    limit
        Personal limit to draw in.
    title
        From `Season.heading`.
    invented
        Whether the weather is invented.
    alt
        The same in words.

    Returns
    -------
    str
        Empty where nothing was observed.
    """
    held = [r for r in rows if math.isfinite(r["median"])]
    if not held:
        return ""
    unit = words.QUANTITIES[quantity][1]
    colour = charts.colour_of(quantity)
    plane = _Plane([int(r["start"]) for r in rows], *charts.drawn_range(limit, rows))
    inside = _ground(plane, rows, {t: words.number(t) for t in _ticks(plane.low, plane.high)})
    inside.append(_band(plane, held, "low", "high", colour, 0.22))
    for r in held:
        x = plane.x(r["start"])
        inside.append(_line(x, plane.y(r["high_lower"]), x, plane.y(r["high_upper"]), colour, 1.4))
        inside.append(_line(x, plane.y(r["median_lower"]), x, plane.y(r["median_upper"]), colour, 3.4))
    middle = [(plane.x(r["start"]), plane.y(r["median"])) for r in held]
    inside.append(_curve(middle, colour, 2.4))
    if "bound_low" in held[0]:
        lower = any(r["bound_low"] < r["high"] for r in held)
        for end in ("bound", "bound_low") if lower else ("bound",):
            bound = [(plane.x(r["start"]), plane.y(r[end])) for r in held if math.isfinite(r[end])]
            inside.append(_curve(bound, colour, 1.4, "1.5 3.5"))
    if limit is not None:
        for value, name, dash in ((limit[0], "comfortable", "5 4"), (limit[1], "limit", "")):
            if plane.low <= value <= plane.high:
                y = plane.y(value)
                inside.append(_line(_LEFT, y, WIDTH - _RIGHT, y, charts.INK, 1.4, dash))
                told = f"{name} {words.limit(value, 1.0, unit)} · {limit[2]}"
                inside.append(_text(_LEFT + 3, y - 3, told, colour=charts.INK))
    inside.append(_ring(plane, held, "median"))
    return _picture(inside, f"{title} [{unit}]", alt, invented=invented)


def planned_by_hour(rows: Sequence[Row], *, invented: bool, alt: str) -> str:
    """Chance that the full show is flown as planned, by slot, with its interval.

    Parameters
    ----------
    rows
        From `Season.planned_rows`.
    invented
        Whether the weather is invented.
    alt
        The same in words.

    Returns
    -------
    str
        Empty where there is not enough history.
    """
    held = [r for r in rows if math.isfinite(r["as_planned"])]
    if not held:
        return ""
    plane = _Plane([int(r["start"]) for r in rows], 0.0, 1.0)
    inside = _ground(plane, rows, {t / 4: f"{25 * t} %" for t in range(5)})
    inside.append(_band(plane, held, "lower", "upper", charts.MUTED, 0.25))
    middle = [(plane.x(r["start"]), plane.y(r["as_planned"])) for r in held]
    inside.append(_curve(middle, charts.MUTED, 2.4))
    inside += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.6" fill="{charts.MUTED}"/>' for x, y in middle]
    inside.append(_ring(plane, held, "as_planned"))
    return _picture(inside, "Full show flown as planned", alt, invented=invented)
