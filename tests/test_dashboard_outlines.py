"""The map's outlines: what is land and what is water, and that nothing of them leaves the view."""

from __future__ import annotations

from typing import Any

import airportsdata
import numpy as np
import pytest

from dashboard import charts_season
from dashboard.outlines import Outlines, Points, outlines

VIEWS = {
    "the states": (-125.0, 25.0, -65.0, 50.0),
    "a few fields": (-109.0, 36.0, -102.0, 41.0),
    "over the 180th meridian": (170.0, -25.0, 195.0, -5.0),
    "Europe": (-12.0, 48.0, 32.0, 60.0),
}


def _inside(ring: Points, x: float, y: float) -> bool:
    """Even-odd rule: an odd number of edges crosses the ray to the east."""
    (ax, ay), (bx, by) = ring[:-1].T, ring[1:].T
    crosses = (ay > y) != (by > y)
    at = ax + (y - ay) / np.where(crosses, by - ay, 1.0) * (bx - ax)
    return bool(np.count_nonzero(crosses & (at > x)) % 2)


def _land(found: Outlines, longitude: float, latitude: float) -> bool:
    """The surface that is drawn last over a point."""
    over = [water for water, ring in found.surfaces if _inside(ring, longitude, latitude)]
    return bool(over) and not over[-1]


@pytest.mark.parametrize("view", VIEWS.values(), ids=VIEWS)
def test_outlines_are_closed_and_stay_in_the_view(view: tuple[float, float, float, float]) -> None:
    """Every ring ends where it began and turns clockwise: the other way it would fill the rest of the earth.

    Clockwise is what d3-geo, which draws the map, takes for the inside of a ring (its documentation).
    """
    west, south, east, north = view
    found = outlines(*view)
    assert found.surfaces
    for _, ring in found.surfaces:
        assert (ring[0] == ring[-1]).all()
        x, y = (ring - ring[0]).T
        assert np.sum(x[1:] * y[:-1] - x[:-1] * y[1:]) > 0
        # No edge is long enough to bend visibly as a great circle.
        assert np.abs(np.diff(x)).max() <= (east - west) / 100 + 1e-9
    for points in (*(r for _, r in found.surfaces), *found.coasts, *found.borders):
        assert points[:, 0].min() >= west - 1e-9
        assert points[:, 0].max() <= east + 1e-9
        assert points[:, 1].min() >= south - 1e-9
        assert points[:, 1].max() <= north + 1e-9


@pytest.mark.parametrize(
    ("longitude", "latitude", "land"),
    [
        # Coordinates of places from memory, to a tenth of a degree or better.
        (-105.0, 39.7, True),  # Denver
        (-95.4, 36.2, True),  # Tulsa
        (-112.1, 33.4, True),  # Phoenix
        (-90.0, 26.0, False),  # Gulf of Mexico
        (-70.0, 35.0, False),  # Atlantic
        (-123.9, 30.0, False),  # Pacific
        (-87.0, 43.5, False),  # Lake Michigan
    ],
)
def test_known_places_are_land_or_water(longitude: float, latitude: float, land: bool) -> None:
    """Inland cities are on land; seas and a great lake are not."""
    assert _land(outlines(*VIEWS["the states"]), longitude, latitude) == land


def test_an_island_in_a_lake_is_land_again() -> None:
    """Isle Royale (48.0 N 88.8 W, from memory) in Lake Superior."""
    found = outlines(-92.0, 45.0, -84.0, 50.0)
    assert _land(found, -88.8, 48.0)
    assert not _land(found, -88.8, 47.5)


@pytest.mark.parametrize("view", [v for k, v in VIEWS.items() if "180" not in k])
def test_airfields_stand_on_land(view: tuple[float, float, float, float]) -> None:
    """Airfields above 500 ft (positions and elevations of `airportsdata`) are on land in every view.

    A few stand on an island too small to draw or on a shore finer than the outline: one in fifty is allowed.
    """
    west, south, east, north = view
    found = outlines(*view)
    fields = [
        (lon, a["lat"])
        for a in airportsdata.load("ICAO").values()
        for lon in [west + (a["lon"] - west) % 360.0]
        if a["elevation"] > 500 and lon < east and south < a["lat"] < north
    ][::5]
    dry = [_land(found, *f) for f in fields]
    assert len(dry) >= 10
    assert np.mean(dry) >= 0.98


def test_borders_run_where_two_states_meet() -> None:
    """The western border of Colorado with Utah is the meridian 32° west of Washington, 109.05° W.

    Its southern end, where four states meet, lies at 36.999 N 109.045 W [from memory: survey mark].
    """
    borders = np.concatenate(outlines(*VIEWS["the states"]).borders)
    corner = np.hypot(*(borders - [-109.045, 36.999]).T).min()
    assert corner < 0.15
    on = borders[(abs(borders[:, 1] - 39.0) < 0.3) & (abs(borders[:, 0] + 109.05) < 0.5)]
    assert len(on) > 0
    # The grid of a view 60° wide has a step of 0.12°.
    assert np.abs(on[:, 0] + 109.05).max() <= 0.12


def test_the_map_draws_the_outlines_under_the_journeys() -> None:
    """Land first, journeys above it, the places last; a lake has the colour of the sea."""
    places: list[dict[str, Any]] = [
        {"name": n, "label": n, "kind": k, "latitude": lat, "longitude": lon, "shows": ""}
        for n, k, lat, lon in (("home", "home", 41.0, -92.0), ("shore", "in the plan", 43.0, -86.0))
    ]
    way = {"from_latitude": 41.0, "from_longitude": -92.0, "to_latitude": 43.0, "to_longitude": -86.0}
    layers = charts_season.route_map(places, [way], invented=False)["layer"]
    shapes = [layer["data"]["values"][0]["geometry"]["type"] for layer in layers[:5]]
    assert shapes == ["Polygon", "MultiLineString", "MultiLineString", "LineString", "LineString"]
    wet = [f for f in layers[0]["data"]["values"] if f["properties"]["water"]]
    (lake,) = [f for f in wet if _inside(np.array(f["geometry"]["coordinates"][0]), -87.0, 43.0)]
    assert lake is not layers[0]["data"]["values"][0]
    assert layers[4]["data"]["values"][0]["geometry"]["coordinates"] == [[-92.0, 41.0], [-86.0, 43.0]]
