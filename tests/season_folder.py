"""Season folders written by tests: a whole, valid one in one call, every part of which can be replaced."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml

TIMEOUT_S = 120

ACT: dict[str, Any] = {
    "runway_crosswind_kt": {"comfortable": 14, "limit": 20},
    "ceiling_ft": {"comfortable": 2500, "limit": 1500},
    "visibility_sm": {"comfortable": 5, "limit": 3},
    "thunder": "stop",
}

LOOP: dict[str, Any] = {
    "figure": "loop",
    "name": "Loop",
    "seconds": 36,
    "crowd_value": 6,
    "limits": {
        "density_altitude_ft": {"comfortable": 7000, "limit": 9000},
        "wind_toward_crowd_kt": {"comfortable": 12, "limit": 18},
        "gust_kt": {"comfortable": 24, "limit": 34},
    },
}


class _Plain(yaml.SafeDumper):
    """Writes every value out; season folders know no aliases."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def write_yaml(path: Path, value: Any) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(yaml.dump(value, Dumper=_Plain, sort_keys=False, allow_unicode=True), encoding="utf-8")


def step(limit: float) -> dict[str, float]:
    """Limits so close that a figure is changed at or past the limit and at no value that lies before it."""
    return {"comfortable": limit - 0.01, "limit": limit}


def csv_station(
    name: str, elevation_ft: float, *, file: str, latitude: float, longitude: float
) -> dict[str, Any]:
    return {
        "source": "csv",
        "id": name,
        "latitude": latitude,
        "longitude": longitude,
        "elevation_ft": elevation_ft,
        "file": file,
    }


def venue(
    name: str, *, elevation_ft: float, stations: Sequence[Mapping[str, Any]], **other: Any
) -> dict[str, Any]:
    """A venue in UTC, so that local and station hours are the same, with a show line to the north."""
    return {
        "id": name,
        "name": name.replace("-", " ").title(),
        "latitude": 40.0,
        "longitude": -1.0,
        "elevation_ft": elevation_ft,
        "timezone": "UTC",
        "runway": {"true_heading": 90},
        "show_line": {"true_heading": 360, "crowd_side": "right", "crowd_distance_ft": 500},
        "stations": [dict(s) for s in stations],
        **other,
    }


def booking(name: str, at: str, days: Sequence[str], **other: Any) -> dict[str, Any]:
    return {
        "id": name,
        "venue": at,
        "show_days": list(days),
        "window": {"from": "13:00", "to": "16:00"},
        "offered": "14:00",
        "length_min": 15,
        "state": "contracted",
        **other,
    }


def write_season(
    folder: Path,
    *,
    venues: Sequence[Mapping[str, Any]],
    bookings: Sequence[Mapping[str, Any]],
    figures: Sequence[Mapping[str, Any]] = (LOOP,),
    history: Mapping[str, Any],
    act: Mapping[str, Any] = ACT,
    **head: Any,
) -> Path:
    """Write a season folder and give its path."""
    season = {
        "name": "Season of a test",
        "year": 2027,
        "first_day": "2027-04-01",
        "last_day": "2027-10-31",
        "invented": False,
        "pilot": {"name": "Pilot of a test", "floor_agl_ft": 250},
        "history": dict(history),
        "act": dict(act),
        **head,
    }
    write_yaml(folder / "season.yaml", season)
    write_yaml(folder / "routine.yaml", {"name": "Show of a test", "figures": [dict(f) for f in figures]})
    write_yaml(folder / "bookings.yaml", [dict(b) for b in bookings])
    for one in venues:
        write_yaml(folder / "venues" / f"{one['id']}.yaml", dict(one))
    return folder
