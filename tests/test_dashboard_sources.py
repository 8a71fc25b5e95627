"""The page "Where the numbers come from": stations, what was rejected, licences, and the record of runs."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from dashboard_season import HOT, SEA, Made, opened_at, small_season, thin_season
from streamlit.testing.v1 import AppTest

from dashboard import evidence, words
from dashboard.season import Season
from pipeline import results
from pipeline.record import add_run, record_path


def _page(monkeypatch: pytest.MonkeyPatch, made: Made, **query: str) -> AppTest:
    app = opened_at(monkeypatch, "sources", made, **query)
    assert not app.exception
    return app


def _text(app: AppTest) -> str:
    html = "\n".join(str(e.proto.body) for e in app.get("html")).replace(words.NBSP, " ")
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def _changed(made: Made, folder: Path, change: Callable[[Any], None]) -> Made:
    """The same season with its results changed, in a folder of its own."""
    with results.read_results(made.results) as ds:
        held = ds.load()
    change(held)
    path = folder / "results.nc"
    results.write_results(held, path)
    return Made(made.folder, path)


def _run(**other: object) -> dict[str, Any]:
    return {
        "started": "2026-11-02T08:00:00+00:00",
        "seconds": 41.4,
        "command": "run",
        "exit_code": 0,
        "stations": [
            {"source": "synthetic", "station": "DEMO-RED-BENCH", "venues": ["red-bench"], "error": None}
        ],
        "venues_failed": [],
        "moved": [],
        **other,
    }


def test_distance_and_height_are_those_of_the_season_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """Haversine on the sphere of 6371 km (IUGG mean) from the files' own coordinates; feet less feet."""
    made = small_season()
    text = _text(_page(monkeypatch, made))
    shown = 0
    for path in sorted((made.folder / "venues").glob("*.yaml")):
        venue = yaml.safe_load(path.read_text(encoding="utf-8"))
        if venue["id"] == "quillmere":
            continue  # has no booking in this season
        for station in venue["stations"]:
            north, north_s = math.radians(venue["latitude"]), math.radians(station["latitude"])
            east = math.radians(station["longitude"] - venue["longitude"])
            half = (
                math.sin((north_s - north) / 2) ** 2
                + math.cos(north) * math.cos(north_s) * math.sin(east / 2) ** 2
            )
            nautical = 2 * 6371.0088 * math.asin(math.sqrt(half)) / 1.852
            rise = station["elevation_ft"] - venue["elevation_ft"]
            found = re.search(
                rf"{station['source']} {station['id']}[^\d]* (\d+\.\d) (level|[\d,]+ ft \w+)", text
            )
            assert found, station["id"]
            assert float(found[1]) == pytest.approx(nautical, abs=0.06 + 0.005 * nautical)
            wanted = "level" if rise == 0 else f"{abs(rise):,} ft {'above' if rise > 0 else 'below'}"
            assert found[2] == wanted
            shown += 1
    assert shown == 4


def test_a_station_that_failed_is_said_first_and_holds_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The venue without hours: its station and the reason in an error; "not observed" and "not used"."""
    app = _page(monkeypatch, small_season())
    assert any("Nowhere Strip, Silent · meteostat XXXXX:" in e.value for e in app.error)
    row = re.search(r"meteostat XXXXX 0\.0 level – (.*?) not recorded", _text(app))
    assert row is not None
    assert row[1].split("not ")[1:] == ["observed ", "observed ", "used"]
    assert "The air of 2 of 3 venues comes from 3 stations" in _text(app)


def test_shares_of_a_venue_add_up_to_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every group of quantities: what the stations gave and what no station gave is the whole."""
    season = Season(small_season().results)
    names = [str(n) for n in season.values["venue_name"]]
    stations = evidence.stations_of(season, names.index("Saltreach Beach"))
    assert [s.place for s in stations] == [1, 2]
    for group, first in stations[0].shares.items():
        assert 0.9 < first <= 1.0
        assert first + stations[1].shares[group] <= 1.0 + 1e-9
    # What the first lacked came from the second, or from none.
    gap = 1.0 - stations[0].completeness["air_temperature"]
    assert 0.0 < stations[1].shares["air"] <= gap + 1e-9


def test_what_was_rejected_and_what_is_odd(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Counts by reason in words, with the first of them; a suspicion stands near the top with its venue."""
    quality = {
        "rejections": [
            {
                "reason": "spike",
                "variable": "air_temperature",
                "count": 7,
                "first": "2021-03-04T05:00:00",
                "last": "2024-01-02T03:00:00",
                "example": "air temperature at 2 m 41.0 °C",
            }
        ],
        "suspicions": [{"subject": "wind unit", "message": "Every wind is <odd>."}],
    }

    def change(held: Any) -> None:
        v = [str(x) for x in held["venue"].values].index("red-bench")
        for name in ("quality", "counts"):
            held[f"venue_station_{name}"] = held[f"venue_station_{name}"].astype(object)
        held["venue_station_quality"][v, 0] = json.dumps(quality)
        held["venue_station_counts"][v, 0] = json.dumps(
            {"kept": {}, "rejected": {"spike:air_temperature": 7, "no_report": 1200}}
        )
        held["venue_station_completeness"][v, 0, :] = [1.0] * 10 + [0.0]

    app = _page(monkeypatch, _changed(small_season(), tmp_path, change), booking=HOT)
    text = _text(app)
    assert "whole report no report in the hour 1,200 – –" in text
    assert (
        "air temperature at 2 m a spike: one hour far from both its neighbours 7 "
        "2021-03-04 to 2024-01-02 air temperature at 2 m 41.0 °C" in text
    )
    assert text.index("wind unit Every wind is &lt;odd&gt;.") < text.index("Each venue asks its stations")
    assert "thunder not observed" in text


def test_licence_and_attribution_of_every_station_in_use(monkeypatch: pytest.MonkeyPatch) -> None:
    """A station that only fills gaps is named under its licence as well."""
    text = _text(_page(monkeypatch, small_season(), booking=SEA)).split("Keep these words")[1]
    assert "Invented climate: no real place, no real weather" in text
    for code in ("DEMO-SALTREACH", "DEMO-DUNMARROW", "DEMO-RED-BENCH"):
        assert code in text


def test_a_booking_that_moved_and_a_fetch_that_failed_are_called_out(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Warnings above the answer; the table names both. A failure is called out after the last run alone, a
    booking that moved for a fortnight, with its run."""
    made = _changed(small_season(), tmp_path, lambda held: None)
    moved = {
        "booking": HOT,
        "venue": "red-bench",
        "before": 0.5,
        "before_lower": 0.4,
        "before_upper": 0.6,
        "after": 0.2,
    }
    silent = {"source": "meteostat", "station": "XXXXX", "venues": ["nowhere"], "error": "it timed out"}
    add_run(made.results, _run(started="2026-10-12T08:00:00+00:00", moved=[moved | {"booking": "old"}]))
    add_run(made.results, _run(moved=[moved | {"booking": SEA}]))
    add_run(made.results, _run(started="2026-11-03T09:30:00+00:00", stations=[silent], moved=[moved]))
    app = _page(monkeypatch, made)
    told = [w.value for w in app.warning]
    assert any(f"{HOT} moved from 50 % (interval 40 % to 60 %) to 20 %" in t for t in told)
    assert any("The last run: meteostat XXXXX (nowhere): it timed out" in t for t in told)
    assert any(t.startswith(f"2026-11-02 08:00 UTC: {SEA} moved") for t in told)
    assert not any("old moved" in t for t in told)
    text = _text(app)
    assert "(2026-11-03 09:30 UTC), 41 s, something failed, 1 booking with a chance outside" in text
    assert "2026-11-03 09:30 run 41 0 of 1 meteostat XXXXX (nowhere): it timed out" in text
    assert text.index("2026-11-03 09:30 run") < text.index("2026-11-02 08:00 run")


def test_a_record_of_runs_absent_or_damaged_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No record: said. A damaged one: said with the cure, and the stations still stand."""
    made = _changed(small_season(), tmp_path, lambda held: None)
    app = _page(monkeypatch, made)
    assert any("No run is recorded" in i.value for i in app.info)
    record_path(made.results).write_text("{", encoding="utf-8")
    app = _page(monkeypatch, made)
    assert any("cannot be read" in e.value and "Move it away" in e.value for e in app.error)
    assert "DEMO-RED-BENCH" in _text(app)


def test_thin_history_still_shows_its_stations(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two years: no chance anywhere, but where the hours came from is known."""
    text = _text(_page(monkeypatch, thin_season()))
    assert "2021 to 2022" in text
    assert "DEMO-SALTREACH" in text


@pytest.mark.parametrize(
    ("started", "told"),
    [
        ("2026-11-25T00:10:00+00:00", "today"),
        ("2026-11-24T23:50:00+00:00", "yesterday"),
        ("2026-11-25T01:00:00+02:00", "yesterday"),
        ("2026-11-13T12:00:00+00:00", "12 days ago"),
    ],
)
def test_how_long_ago(started: str, told: str) -> None:
    """Calendar days in UTC, by hand."""
    assert evidence.ago(started, dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)) == told


@pytest.mark.parametrize(
    ("rise", "told"), [(0.2, "level"), (160.4, "160 ft above"), (-1234.0, "1,234 ft below"), (math.nan, "–")]
)
def test_height_in_words(rise: float, told: str) -> None:
    """Station against show site, to the foot."""
    assert evidence.height(rise).replace(words.NBSP, " ") == told
