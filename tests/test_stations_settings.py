"""Settings of a season over its station files: every rejection comes back, a second fetch asks for nothing
and changes nothing, and an elevation that the pressures contradict is told."""

from __future__ import annotations

import datetime as dt
import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from loopback import Answer, loopback
from season_folder import booking, venue, write_season
from test_archives_lcd import GOOD, lcd
from test_stations_meteostat import year_file

from pipeline.checked import as_read, checked_hours
from pipeline.cli import main
from pipeline.inputs import QualityChecks
from pipeline.stations.hours import station_hours
from pipeline.stations.store import Store

PLACE: dict[str, Any] = {"latitude": 40.0, "longitude": -1.0, "elevation_ft": 1640}
HISTORY = {"first_year": 2024, "last_year": 2024, "minimum_years": 1}


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def season_of(folder: Path, station: dict[str, Any], **head: Any) -> Path:
    return write_season(
        folder,
        venues=[venue("field", elevation_ft=1640, stations=[station | PLACE])],
        bookings=[booking("show", "field", ["2027-07-10"])],
        history=HISTORY,
        **head,
    )


def held(checks: QualityChecks, source: str, station: str) -> np.ndarray:
    return checked_hours(Store(), source, station, checks)["air_temperature"].values - 273.15


FLAGGED = (
    "STATION|Station_name|DATE|LATITUDE|LONGITUDE|ELEVATION|temperature|temperature_Quality_Code\n"
    "TST00000001|FIELD|2024-07-01T00:00:00|40|-1|500|21.0|\n"
    "TST00000001|FIELD|2024-07-01T01:00:00|40|-1|500|22.0|3\n"
    "TST00000001|FIELD|2024-07-01T02:00:00|40|-1|500|75.0|\n"
)
"""Three hours: one good, one that the archive marks erroneous (3), one of 75 °C, beyond the range (60 °C)."""


def test_what_is_left_out_while_a_file_is_read_comes_back(tmp_path, monkeypatch) -> None:
    """Each setting fetches the year once and no more; back at the first setting nothing is asked for either.

    2024 is long over, so its year is complete once read.
    """
    folder = tmp_path / "season"
    station = {"source": "ghcnh", "id": "TST00000001"}
    with loopback() as server:
        server.serve(
            "/access/by-year/2024/psv/GHCNh_TST00000001_2024.psv",
            Answer(FLAGGED.encode(), content_type="text"),
        )
        monkeypatch.setenv("SHOWHOUR_GHCNH", server.address)
        for quality, temperatures, requests in (
            ({}, [21.0], 1),
            ({}, [21.0], 1),
            ({"archive_flags": False}, [21.0, 22.0], 2),
            ({"archive_flags": False}, [21.0, 22.0], 2),
            ({"archive_flags": False, "physical_range": False, "spike": False}, [21.0, 22.0, 75.0], 3),
            ({"archive_flags": False, "physical_range": False, "spike": False}, [21.0, 22.0, 75.0], 3),
            ({}, [21.0], 3),
        ):
            season_of(folder, station, quality=quality)
            assert main(["fetch", str(folder)]) == 0
            found = held(QualityChecks(**quality), "ghcnh", "TST00000001")
            assert found[~np.isnan(found)] == pytest.approx(temperatures, abs=0.01)
            assert len(server.requests) == requests


def test_a_wind_beyond_all_range_comes_back_but_no_reading_at_all_does_not(tmp_path) -> None:
    """1,000 kt is left out, told, and back when ``physical_range`` is off; a wind below zero stays out."""
    folder = tmp_path / "season"
    knots = [10, 1000, -5, 11, 12]
    rows = [f"2024-07-01T{hour:02d}:00Z,20,{wind}" for hour, wind in enumerate(knots)]
    station = {"source": "csv", "id": "OWN", "file": "hours.csv"}
    for quality, winds in (({}, [10, 11, 12]), ({"physical_range": False}, [10, 1000, 11, 12])):
        season_of(folder, station, quality=quality)
        (folder / "hours.csv").write_text("time_utc,temperature_c,wind_speed_kt\n" + "\n".join(rows) + "\n")
        assert main(["fetch", str(folder)]) == 0
        checks = QualityChecks(**quality)
        found = checked_hours(Store(), "csv", "OWN", checks)["wind_speed"].values / (1852 / 3600)
        assert found[~np.isnan(found)] == pytest.approx(winds, rel=1e-4)
        counts = json.loads(as_read(Store(), checks).attributes("csv", "OWN")["counts"])["rejected"]
        assert counts["out_of_range:wind_speed"] == 5 - len(winds)


def test_files_read_again_leave_identical_hours(tmp_path, cache) -> None:
    """Two files of one station, of one year: a second fetch changes no byte; a change in the first file is
    seen, in the hours and in what is made of them."""
    folder = tmp_path / "season"
    lines = [{"DATE": f"2024-07-0{day}T{h:02d}:52:00"} for day in (1, 2) for h in range(24)]
    rows = [
        GOOD | {"REM": ""} | line | {"HourlyDryBulbTemperature": str(50 + i)} for i, line in enumerate(lines)
    ]
    station = {"source": "lcd", "id": "72219013874", "file": ["a.csv", "b.csv"], "utc_offset_hours": -5}
    season_of(folder, station)
    (folder / "a.csv").write_bytes(lcd(*rows[:24]))
    (folder / "b.csv").write_bytes(lcd(*rows[24:]))
    kept = []
    for _ in range(2):
        assert main(["fetch", str(folder)]) == 0
        kept.append({p: (p.read_bytes(), p.stat().st_mtime_ns) for p in (cache / "stations").rglob("*.nc")})
    assert kept[0] == kept[1]
    assert len(kept[0]) == 1
    before = held(QualityChecks(), "lcd", "72219013874")
    # 00:52 at five hours behind UTC is 05:52 UTC, which stands for 06:00.
    hours = Store().read("lcd", "72219013874")
    assert str(hours["time"].values[0])[:16] == "2024-07-01T06:00"
    assert before[0] == pytest.approx((50 - 32) / 1.8, abs=0.01)
    (folder / "a.csv").write_bytes(lcd(rows[0] | {"HourlyDryBulbTemperature": "51"}, *rows[1:24]))
    assert main(["fetch", str(folder)]) == 0
    assert held(QualityChecks(), "lcd", "72219013874")[0] == pytest.approx((51 - 32) / 1.8, abs=0.01)


def test_an_offset_belongs_to_local_times(tmp_path, capsys) -> None:
    """``utc_offset_hours`` at a source in UTC is a mistake, told at its place."""
    folder = season_of(tmp_path / "season", {"source": "ghcnh", "id": "TST00000001", "utc_offset_hours": -5})
    assert main(["check", str(folder)]) == 2
    assert "only lcd files hold local time" in capsys.readouterr().out


def test_an_elevation_that_the_pressures_contradict_is_told(tmp_path, capsys) -> None:
    """Station pressure 954.61 hPa under an altimeter setting of 1013.25 hPa is 500 m (US Standard Atmosphere
    1976). A station stated at 2,100 ft is told so, in the run's own words; put right, it is not, and the
    checked copy is not made anew for it."""
    n = 24 * 40
    time = np.datetime64("2024-06-10T00", "h") + np.arange(n)
    ds = station_hours(
        time.astype("datetime64[s]"),
        {
            "air_temperature": 293.15 + 5.0 * np.sin(np.arange(n) * np.pi / 12) + np.arange(n) % 7 / 10,
            "dew_point_temperature": 283.15 + np.arange(n) % 5,
            "wind_speed": 3.0 + np.arange(n) % 5,
            "wind_from_direction": 90.0 + 10.0 * (np.arange(n) % 7),
            "surface_air_pressure": np.full(n, 95461.0) + np.arange(n) % 11,
            "altimeter_setting": np.full(n, 101325.0) + np.arange(n) % 11,
        },
        station_id="TST00000001",
        station_name="FIELD",
        source="ghcnh",
        latitude=40.0,
        longitude=-1.0,
        elevation_m=500.0,
        licence="none",
        attribution="none",
        raw_sha256="0" * 64,
    )
    store = Store()
    store.merge(ds, {2024: "complete"})
    folder = tmp_path / "season"
    copies = []
    for feet, told in ((2100, "says about 500 m. Is it another station"), (1640, "")):
        station = {
            "source": "ghcnh",
            "id": "TST00000001",
            "latitude": 40,
            "longitude": -1,
            "elevation_ft": feet,
        }
        write_season(
            folder,
            venues=[venue("field", elevation_ft=1640, stations=[station])],
            bookings=[booking("show", "field", ["2027-07-01"])],
            history=HISTORY,
        )
        assert main(["forecast", str(folder), "--json"]) == 0
        (at,) = json.loads(capsys.readouterr().out)["venues"]
        warned = [w for w in at["warnings"] if "is said to stand" in w]
        assert [told in w for w in warned] == [True] * bool(told)
        copies.append(Store(part="checked").path("ghcnh", "TST00000001").read_bytes())
    assert copies[0] == copies[1]
    # Without pressures that tell it, the archive's own statement does.
    silent = ds.drop_vars(["surface_air_pressure"]).assign_attrs(
        station_id="TST00000002", raw_sha256="1" * 64
    )
    store.merge(silent, {2024: "complete"})
    for stated, subjects in ((500.0, []), (1640.4, ["elevation"])):
        clean = checked_hours(store, "ghcnh", "TST00000002", QualityChecks(), elevation_m=stated)
        assert [s["subject"] for s in json.loads(clean.attrs["quality"])["suspicions"]] == subjects


def test_a_second_run_within_the_hour_makes_no_request(tmp_path, cache, monkeypatch) -> None:
    """A year that is still growing is asked for, and not again by the next run; an hour later, with
    ``--refresh``, or at another address it is."""
    this_year = dt.datetime.now(dt.UTC).year
    folder = tmp_path / "season"
    history = {"first_year": this_year - 1, "last_year": this_year, "minimum_years": 1}
    write_season(
        folder,
        venues=[
            venue("field", elevation_ft=1640, stations=[{"source": "meteostat", "id": "10637"} | PLACE]),
            venue("other", elevation_ft=1640, stations=[{"source": "meteostat", "id": "10638"} | PLACE]),
        ],
        bookings=[booking("show", "field", ["2027-07-10"]), booking("next", "other", ["2027-07-17"])],
        history=history,
    )
    with loopback() as server:
        for station in ("10637", "10638"):
            for year, last in ((this_year - 1, "12-31T23:00"), (this_year, "01-01T05:00")):
                server.serve(f"/{year}/{station}.csv.gz", Answer(year_file(year, last=last)))
        monkeypatch.setenv("MS_HOURLY_ENDPOINT", server.address + "/{year}/{station}.csv.gz")
        began = time.monotonic()
        assert main(["fetch", str(folder)]) == 0
        assert len(server.requests) == 4
        # One pace for both stations: half a second between the beginnings of four requests.
        assert time.monotonic() - began >= 3 * 0.5
        kept = {p: p.read_bytes() for p in (cache / "stations").rglob("*.nc")}
        assert main(["fetch", str(folder)]) == 0
        assert len(server.requests) == 4
        assert {p: p.read_bytes() for p in kept} == kept
        for note in (cache / "stations").rglob("*.asked"):
            told = json.loads(note.read_text())
            told["at"] = (dt.datetime.fromisoformat(told["at"]) - dt.timedelta(minutes=61)).isoformat()
            note.write_text(json.dumps(told))
        assert main(["fetch", str(folder)]) == 0
        assert server.requests[4:] == [f"GET /{this_year}/{s}.csv.gz" for s in ("10637", "10638")]
        assert main(["fetch", str(folder), "--refresh"]) == 0
        assert len(server.requests) == 4 + 2 + 4
