"""A small season for the dashboard's tests: two invented venues with hours, one venue without any."""

from __future__ import annotations

import datetime as dt
import functools
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest
from made_once import own_copy
from season_folder import write_yaml
from streamlit.testing.v1 import AppTest

import dashboard
from pipeline.cli import main
from pipeline.fetch import fetch_season
from pipeline.inputs import copy_demo, load_season
from pipeline.results import write_results
from pipeline.run import forecast, results_path
from pipeline.stations.store import Store

HOT, SEA, EMPTY = "bench-june", "beach-july", "nowhere-may"
KEPT = ("quillmere", "red-bench", "saltreach")


@dataclass(frozen=True)
class Made:
    """A season folder and its results."""

    folder: Path
    results: Path


def _offer(name: str, venue: str, days: list[str], at: str, fee: float) -> dict[str, object]:
    return {
        "id": name,
        "venue": venue,
        "show_days": days,
        "window": {"from": "12:00", "to": "16:00"},
        "offered": at,
        "length_min": 15,
        "state": "enquiry",
        "fee": fee,
    }


def _make(root: Path, known_to: int, *, with_empty: bool) -> None:
    folder = copy_demo(root / "season")
    for path in (folder / "venues").glob("*.yaml"):
        if path.stem not in KEPT:
            path.unlink()
    head = (folder / "season.yaml").read_text(encoding="utf-8")
    head = head.replace("first_year: 2007", "first_year: 2021")
    (folder / "season.yaml").write_text(head, encoding="utf-8")
    offers = [
        _offer(HOT, "red-bench", ["2027-06-05", "2027-06-06"], "14:00", 11_130),
        _offer(SEA, "saltreach", ["2027-07-24"], "14:30", 9_000),
    ]
    if with_empty:
        write_yaml(
            folder / "venues" / "nowhere.yaml",
            {
                "id": "nowhere",
                "name": "Nowhere Strip",
                "latitude": 40.0,
                "longitude": -100.0,
                "elevation_ft": 2000,
                "timezone": "America/Chicago",
                "runway": {"true_heading": 90},
                "show_line": {"true_heading": 90, "crowd_side": "right", "crowd_distance_ft": 500},
                "stations": [
                    # Never asked for: its hours are not in the store.
                    {
                        "source": "meteostat",
                        "id": "XXXXX",
                        "name": "Silent",
                        "latitude": 40.0,
                        "longitude": -100.0,
                        "elevation_ft": 2000,
                    }
                ],
            },
        )
        offers.append(_offer(EMPTY, "nowhere", ["2027-05-01"], "13:00", 5_000))
    write_yaml(folder / "bookings.yaml", offers)
    season = load_season(folder)
    store = Store(root / "cache")
    synthetic = load_season(folder)
    if with_empty:
        # The fetch is for the invented stations alone; the networked one is left untouched.
        (folder / "bookings.yaml").rename(root / "bookings.yaml")
        write_yaml(folder / "bookings.yaml", offers[:-1])
        synthetic = load_season(folder)
        (root / "bookings.yaml").replace(folder / "bookings.yaml")
    outcomes = fetch_season(synthetic, store, now=dt.datetime(known_to, 12, 31, 23, tzinfo=dt.UTC))
    assert not [o.error for o in outcomes if o.error]
    write_results(forecast(season, store), root / "results.nc")


def _made(name: str, known_to: int, *, with_empty: bool) -> Made:
    root = own_copy(name, lambda into: _make(into, known_to, with_empty=with_empty))
    return Made(root / "season", root / "results.nc")


@functools.cache
def small_season() -> Made:
    """Six years, two venues with hours and one without."""
    return _made("small-season", 2026, with_empty=True)


@functools.cache
def thin_season() -> Made:
    """Two years where five are wanted."""
    return _made("thin-season", 2022, with_empty=False)


def verify(made: Made, *arguments: str) -> Made:
    """`showhour verify` on a made season; its results laid where the command line keeps them."""
    cache = made.folder.parent / "cache"
    with pytest.MonkeyPatch.context() as then:
        then.setenv("SHOWHOUR_CACHE", str(cache))
        code = main(["verify", str(made.folder), *arguments])
    assert code in (0, 3)
    path = results_path(made.folder, cache)
    shutil.copyfile(made.results, path)
    return Made(made.folder, path)


@functools.cache
def verified_season() -> Made:
    """The small season with three past years scored."""
    return verify(small_season(), "--first-year", "2024")


def opened_at(monkeypatch: pytest.MonkeyPatch, page: str, made: Made, **query: str) -> AppTest:
    """A page of the dashboard over a computed season, opened with what its address would carry."""
    monkeypatch.setenv("SHOWHOUR_RESULTS", str(made.results))
    monkeypatch.setenv("SHOWHOUR_SEASON", str(made.folder))
    app = AppTest.from_file(str(Path(dashboard.__file__).with_name("app.py")), default_timeout=120)
    app.switch_page(f"views/{page}.py")
    for key, value in query.items():
        app.query_params[key] = value
    return app.run()
