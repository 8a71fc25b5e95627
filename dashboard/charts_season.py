"""Pictures of a season: its offers by date, and where the aircraft goes, to scale."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from dashboard.charts import COLOURS, GRID, INK, MUTED, PAPER, _label, _mark, _name, _picture, _tips
from dashboard.outlines import Points, outlines

__all__ = ["DECISIONS", "offers_by_date", "route_map"]

Row = Mapping[str, Any]
Spec = dict[str, Any]

DECISIONS: dict[str, tuple[str, str]] = {
    "keep": (INK, "square"),
    "take": (COLOURS["wind_across"], "circle"),
    "pass": (COLOURS["ceiling"], "diamond"),
    "barred": (COLOURS["density_altitude"], "cross"),
    "cannot be kept": (COLOURS["rough_air"], "triangle-up"),
}
"""Colour and shape of what the plan does with an offer: never told by colour alone."""


def offers_by_date(rows: Sequence[Row], spells: Sequence[Row], *, invented: bool) -> Spec:
    """Every offer on a line of its own, in the order of the shows; days without flying as a grey band.

    Parameters
    ----------
    rows
        A show day each: `offer` (its line), `date` (ISO), `decision`, `state`, `why`; at least one.
    spells
        Days without flying: `first`, `end` (ISO, the day after the last), `why`.
    invented
        Whether the season is invented.
    """
    order = list(dict.fromkeys(r["offer"] for r in rows))
    held = [d for d in DECISIONS if any(r["decision"] == d for r in rows)]
    x = {
        "field": "date",
        "type": "temporal",
        "timeUnit": "utcyearmonthdate",
        "title": None,
        "axis": {"format": "%b", "tickCount": {"interval": "month", "step": 1}, "orient": "top"},
        "scale": {"type": "utc", "padding": 8},
    }
    y = _name(
        "offer",
        sort=order,
        title=None,
        axis={"labelLimit": 175, "ticks": False, "domain": False, "grid": True, "labelPadding": 6},
    )
    tips = _tips(
        ("offer", "offer", ""),
        ("day", "show day", ""),
        ("state", "state", ""),
        ("decision", "the plan", ""),
        ("why", "why", ""),
    )
    scale = {"domain": held}
    layers = [
        _mark(
            "rect",
            {
                "x": {**x, "field": "first"},
                "x2": {"field": "end", "timeUnit": "utcyearmonthdate"},
                "tooltip": _tips(("why", "no flying", "")),
            },
            spells,
            color=GRID,
            opacity=0.8,
        ),
        _mark(
            "point",
            {
                "x": x,
                "y": y,
                "color": _name(
                    "decision",
                    title=None,
                    scale={**scale, "range": [DECISIONS[d][0] for d in held]},
                    legend={"orient": "top", "columns": 3},
                ),
                "shape": _name(
                    "decision", title=None, scale={**scale, "range": [DECISIONS[d][1] for d in held]}
                ),
                "tooltip": tips,
            },
            rows,
            filled=True,
            size=75,
            opacity=1,
        ),
    ]
    # The state stands beside the days, on the side with room for it.
    days = sorted(r["date"] for r in rows)
    middle = days[len(days) // 2]
    last = {r["offer"]: r for r in rows}
    first = {r["offer"]: r for r in reversed(rows)}
    for held_rows, style in (
        ([r for r in last.values() if r["date"] < middle], {"align": "left", "dx": 9}),
        ([r for o, r in first.items() if last[o]["date"] >= middle], {"align": "right", "dx": -9}),
    ):
        # A browser complains of a scale over no dates.
        if held_rows:
            layers.append(
                _mark(
                    "text",
                    {"x": x, "y": y, "text": _name("state")},
                    held_rows,
                    fontSize=10,
                    color=MUTED,
                    **style,
                )
            )
    return _picture(
        layers if spells else layers[1:], 18 * len(order) + 120, "The offers by date", invented=invented
    )


_LAND, _BORDER = "#ECE9E0", "#9AA0A6"
# A shape has no words of its own; the picture's text equivalent speaks for it.
_UNSPOKEN = {"type": "geoshape", "aria": False}


def _feature(kind: str, coordinates: Sequence[Any], **properties: Any) -> Spec:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }


def _line(points: Sequence[tuple[float, float]]) -> Spec:
    return _feature("LineString", [list(p) for p in points])


def _outlines(west: float, south: float, east: float, north: float) -> list[Spec]:
    """Layers of land, lakes, coasts and borders in the frame of the map."""

    def degrees(line: Points) -> list[list[float]]:
        held: list[list[float]] = line.round(3).tolist()
        return held

    def lines(held: Sequence[Points], **style: Any) -> Spec:
        return {
            "data": {"values": [_feature("MultiLineString", [degrees(line) for line in held])]},
            "mark": {**_UNSPOKEN, "filled": False, **style},
        }

    found = outlines(west, south, east, north)
    surfaces = [_feature("Polygon", [degrees(ring)], water=water) for water, ring in found.surfaces]
    return [
        {
            "data": {"values": surfaces},
            "mark": {**_UNSPOKEN, "stroke": None},
            "encoding": {
                "fill": {"condition": {"test": "datum.properties.water", "value": PAPER}, "value": _LAND}
            },
        },
        lines(found.borders, stroke=_BORDER, strokeWidth=0.7, strokeDash=[3, 2]),
        lines(found.coasts, stroke=MUTED, strokeWidth=0.8),
    ]


def route_map(places: Sequence[Row], legs: Sequence[Row], *, invented: bool) -> Spec:
    """Home, venues and journeys over land and sea, equal in area about the middle of the season.

    Journeys are great circles.

    Parameters
    ----------
    places
        `name`, `label`, `kind` (``home``, ``in the plan`` or ``not in the plan``), `latitude`, `longitude`
        [degree]; at least one.
    legs
        `from_latitude`, `from_longitude`, `to_latitude`, `to_longitude` [degree].
    invented
        Whether the places are invented.
    """
    # Longitudes are unrolled about the first place, so that a season over the 180th meridian stays whole.
    about = places[0]["longitude"]
    east = [about + (p["longitude"] - about + 180.0) % 360.0 - 180.0 for p in places]
    north = [p["latitude"] for p in places]
    step = next(s for s in (1, 2, 5, 10, 20, 45) if max(max(east) - min(east), 5.0) / s <= 8 or s == 45)
    west_edge, east_edge = (
        step * math.floor(min(east) / step - 0.2),
        step * math.ceil(max(east) / step + 0.2),
    )
    south_edge = max(step * math.floor(min(north) / step - 0.2), -90)
    north_edge = min(step * math.ceil(max(north) / step + 0.2), 90)
    meridians = range(west_edge, east_edge + 1, step)
    parallels = range(south_edge, north_edge + 1, step)
    # A parallel is no great circle: it is drawn through a point every quarter of a step.
    fine = [west_edge + step * k / 4.0 for k in range(4 * len(meridians) - 3)]
    net = [_line([(m, south_edge), (m, north_edge)]) for m in meridians]
    net += [_line([(f, p) for f in fine]) for p in parallels]
    ways = [
        _line([(leg["from_longitude"], leg["from_latitude"]), (leg["to_longitude"], leg["to_latitude"])])
        for leg in legs
    ]
    named = [
        {
            "longitude": m,
            "latitude": south_edge,
            "text": f"{abs(_within(m))}°{'E' if _within(m) >= 0 else 'W'}",
        }
        for m in meridians
    ]
    sides = [
        {"longitude": west_edge, "latitude": p, "text": f"{abs(p)}°{'N' if p >= 0 else 'S'}"}
        for p in parallels
    ]
    where = {
        "longitude": {"field": "longitude", "type": "quantitative"},
        "latitude": {"field": "latitude", "type": "quantitative"},
    }
    kinds = {
        "home": (INK, "square"),
        "in the plan": (COLOURS["wind_across"], "circle"),
        "not in the plan": (COLOURS["ceiling"], "diamond"),
    }
    held = [k for k in kinds if any(p["kind"] == k for p in places)]
    scale = {"domain": held}
    layers: list[Spec] = [
        *_outlines(west_edge, south_edge, east_edge, north_edge),
        {"data": {"values": net}, "mark": {**_UNSPOKEN, "filled": False, "stroke": GRID}},
        *(
            [
                {
                    "data": {"values": ways},
                    "mark": {**_UNSPOKEN, "filled": False, "stroke": INK, "strokeWidth": 1.3},
                }
            ]
            if ways
            else []
        ),
        _mark("text", {**where, "text": _name("text")}, named, color=MUTED, fontSize=10, dy=9),
        _mark(
            "text", {**where, "text": _name("text")}, sides, color=MUTED, fontSize=10, dx=-6, align="right"
        ),
        _mark(
            "point",
            {
                **where,
                "color": _name(
                    "kind",
                    title=None,
                    scale={**scale, "range": [kinds[k][0] for k in held]},
                    legend={"orient": "top", "columns": 3},
                ),
                "shape": _name("kind", title=None, scale={**scale, "range": [kinds[k][1] for k in held]}),
                "tooltip": _tips(("name", "place", ""), ("kind", "", ""), ("shows", "shows", "")),
            },
            places,
            filled=True,
            size=80,
            opacity=1,
        ),
        *(
            layer
            for at_home, style in ((True, {"align": "right", "dx": -7}), (False, {"align": "left", "dx": 7}))
            for layer in _label(
                {**where, "text": _name("label")},
                [p for p in places if p["label"] and (p["kind"] == "home") == at_home],
                color=INK,
                fontSize=11,
                dy=-5,
                **style,
            )
        ),
    ]
    middle = [-(west_edge + east_edge) / 2.0, -(south_edge + north_edge) / 2.0]
    return _picture(
        layers,
        420,
        "Where the aircraft goes",
        invented=invented,
        projection={"type": "azimuthalEqualArea", "rotate": [*middle, 0]},
    )


def _within(longitude: int) -> int:
    """The same meridian from -179 to 180."""
    return -((-longitude + 180) % 360 - 180)
