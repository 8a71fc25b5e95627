"""Upkeep of a season that runs unattended: checked copies, run record, cache, stations near a venue."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from loopback import Answer, loopback
from season_folder import booking, venue, write_season

from pipeline import housekeeping, record
from pipeline.checked import checked_hours
from pipeline.cli import main
from pipeline.errors import InputError, StoreError
from pipeline.inputs import QualityChecks, demo_folder
from pipeline.nearby import stations_near
from pipeline.stations.hours import station_hours
from pipeline.stations.http import Fetcher
from pipeline.stations.store import Store

KT = 1852 / 3600


@pytest.fixture
def cache(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def a_station(store: Store) -> None:
    """Two thousand hours with one wind of 1,048 mph's size left out by range and one spike of 25 K."""
    n = 2000
    time = np.datetime64("2020-05-01T00", "h") + np.arange(n)
    t = 290.0 + 8.0 * np.sin(2 * np.pi * np.arange(n) / 24)
    t[777] += 25.0
    ds = station_hours(
        time.astype("datetime64[ns]"),
        {"air_temperature": t, "wind_speed": np.full(n, 5.0) + np.arange(n) % 7},
        station_id="S1",
        station_name="One",
        source="csv",
        latitude=40.0,
        longitude=-100.0,
        elevation_m=500.0,
        licence="none",
        attribution="none",
        raw_sha256="0" * 64,
    )
    store.merge(ds, {2020: "growing"}, replace=True)


def test_a_check_switched_off_gives_its_value_back(cache):
    """The spike is rejected, told, and returned when the check is off; the stored hours never change."""
    store = Store()
    a_station(store)
    before = store.path("csv", "S1").read_bytes()
    clean = checked_hours(store, "csv", "S1", QualityChecks())
    assert np.isnan(clean["air_temperature"].values[777])
    told = json.loads(clean.attrs["quality"])["rejections"]
    assert [(r["reason"], r["variable"], r["count"]) for r in told] == [("spike", "air_temperature", 1)]
    back = checked_hours(store, "csv", "S1", QualityChecks(spike=False))
    assert back["air_temperature"].values[777] == store.read("csv", "S1")["air_temperature"].values[777]
    assert store.path("csv", "S1").read_bytes() == before


def test_checked_copy_is_made_once_and_again_when_damaged(cache):
    """Unchanged hours and checks: the copy is read, not written; a damaged copy is made again."""
    store = Store()
    a_station(store)
    checked_hours(store, "csv", "S1", QualityChecks())
    copy = Store(part="checked").path("csv", "S1")
    first = copy.read_bytes()
    checked_hours(store, "csv", "S1", QualityChecks())
    assert copy.read_bytes() == first
    copy.write_bytes(first[:2000])
    again = checked_hours(store, "csv", "S1", QualityChecks())
    assert np.isnan(again["air_temperature"].values[777])


def test_record_keeps_the_newest_runs(tmp_path):
    """Oldest runs fall off; a damaged record is set aside, not lost, and the next run begins anew."""
    results = tmp_path / "r.nc"
    for i in range(record.KEPT + 3):
        record.add_run(results, {"n": i})
    runs = record.read_runs(results)
    assert [r["n"] for r in runs] == list(range(3, record.KEPT + 3))
    record.record_path(results).write_text("{")
    with pytest.raises(StoreError, match="cannot be read"):
        record.read_runs(results)
    record.add_run(results, {"n": 1})
    assert record.read_runs(results) == [{"n": 1}]
    assert len(list(tmp_path.glob("*.damaged-*"))) == 1
    record.record_path(results).write_text("{")
    record.add_run(results, {"n": 2})
    assert len(list(tmp_path.glob("*.damaged-*"))) == 2


def row(booking: str, value, low=None, high=None) -> dict:
    return {
        "booking": booking,
        "venue": "v",
        "as_planned": value,
        "as_planned_lower": low,
        "as_planned_upper": high,
    }


def test_a_booking_that_left_its_interval_is_called_out():
    """Inside the interval it had: not news. Outside, or a number gained or lost: named."""
    before = {
        "bookings": [
            row("a", 0.8, 0.7, 0.9),
            row("b", 0.8, 0.7, 0.9),
            row("c", 0.5, 0.4, 0.6),
            row("d", None),
        ]
    }
    after = {"bookings": [row("a", 0.72), row("b", 0.69), row("c", None), row("d", None), row("e", 0.1)]}
    moved = record.changes(before, after)
    assert [m["booking"] for m in moved] == ["b", "c"]
    assert "from 80 % (interval 70 % to 90 %) to 69 %" in record.change_in_words(moved[0])
    assert record.changes(None, after) == []


def test_a_chance_that_creeps_is_called_out():
    """Five points a night never leave the night before's interval of ±10; after three nights they have left
    that of the first, and its date is told. From then on the newer number is what is held against."""
    runs: list[dict] = []
    told = []
    for night, chance in enumerate([0.80, 0.75, 0.71, 0.66, 0.62, 0.58]):
        after = {"bookings": [row("a", chance, chance - 0.1, chance + 0.1)]}
        before = record.compared(runs, None)
        moved = record.changes(before, after)
        now = f"2027-01-0{night + 1}T03:00:00+00:00"
        runs.append(
            {"started": now, "moved": moved, "compared_with": record.to_compare(before, after, moved, now)}
        )
        told.append([record.change_in_words(m)[:44] for m in moved])
    # 0.80 - 0.10 = 0.70 is passed on the fourth night; then 0.66 - 0.10 = 0.56 is not.
    assert told == [[], [], [], ["a moved since 2027-01-01 from 80 % (interval"], [], []]
    assert [m["when"][:10] for m in record.moved_lately(runs)] == ["2027-01-04"]
    assert record.moved_lately(runs, days=1) == []
    # Before the first record the results that lie there are what is held against.
    assert record.compared([], {"bookings": [row("a", 0.5, 0.4, 0.6)]}) == {
        "bookings": [row("a", 0.5, 0.4, 0.6)]
    }
    assert record.compared([], None) is None


ADDER = """
import sys
from pathlib import Path
from pipeline import record
for n in range(15):
    with record.writing(Path(sys.argv[1])):
        record.add_run(Path(sys.argv[1]), {"who": sys.argv[2], "n": n})
"""


def test_two_runs_at_once_lose_no_record(tmp_path):
    """Two processes add fifteen runs each to one record: all thirty are there."""
    results = tmp_path / "r.nc"
    both = [subprocess.Popen([sys.executable, "-c", ADDER, str(results), who]) for who in "ab"]
    assert [one.wait(60) for one in both] == [0, 0]
    kept = sorted((r["who"], r["n"]) for r in record.read_runs(results))
    assert kept == [(who, n) for who in "ab" for n in range(15)]


def test_only_a_damaged_file_is_set_aside(cache):
    """A whole file is not, though another run took it for damaged a moment ago; nor one that cannot be read
    at all, as of another owner (a folder in its place stands for that, as root reads everything)."""
    store = Store()
    a_station(store)
    path = store.path("csv", "S1")
    assert store.set_aside("csv", "S1") is None
    assert path.is_file()
    path.unlink()
    path.mkdir()
    with pytest.raises(StoreError, match="can't be read"):
        store.set_aside("csv", "S1")
    assert path.is_dir()


def small_demo(tmp_path: Path) -> Path:
    """The demo season cut to six years and its first booking's venue, so that a run is quick."""
    folder = tmp_path / "season"
    shutil.copytree(demo_folder(), folder)
    season = (folder / "season.yaml").read_text().replace("first_year: 2007", "first_year: 2021")
    (folder / "season.yaml").write_text(season)
    bookings = (folder / "bookings.yaml").read_text().split("\n\n")
    (folder / "bookings.yaml").write_text("\n\n".join(bookings[:2]))
    return folder


def test_runs_are_recorded_and_damage_is_repaired(tmp_path, cache, capsys):
    """A second run fetches nothing and changes no station file; a damaged station file is set aside and
    made again; the record has every run."""
    folder = small_demo(tmp_path)
    assert main(["run", str(folder)]) == 0
    files = {p: p.read_bytes() for p in (cache / "stations").glob("*/*.nc")}
    assert len(files) >= 1
    assert main(["run", str(folder)]) == 0
    assert {p: p.read_bytes() for p in files} == files
    victim = next(iter(files))
    victim.write_bytes(files[victim][:-5000] + bytes(5000))
    capsys.readouterr()
    assert main(["cache", "verify"]) == 4
    assert "damaged" in capsys.readouterr().out
    assert main(["run", str(folder)]) == 0
    assert "was damaged; kept as" in capsys.readouterr().err
    assert main(["cache", "verify", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["damaged"] == []
    results = next((cache / "results").glob("*.nc"))
    runs = record.read_runs(results)
    assert [r["exit_code"] for r in runs] == [0, 0, 0]
    assert all(r["moved"] == [] for r in runs)
    # The invented stations end with the history's last year.
    assert all(set(r["newest_hours"].values()) == {"2026-12-31T23:00"} for r in runs)


def test_trim_deletes_only_what_can_be_made_again(cache):
    """Checked copies and leftovers go; station hours stay."""
    store = Store()
    a_station(store)
    checked_hours(store, "csv", "S1", QualityChecks())
    for part in ("gusts", "cycles", "trust", "derived", "show_hours", "carriers"):
        (cache / part).mkdir()
        (cache / part / "0123.json").write_text("{}")
    held = store.path("csv", "S1")
    replaced, alone = (held.with_name(f"{name}.damaged-1") for name in (held.name, "S2.nc"))
    replaced.write_bytes(b"x")
    alone.write_bytes(b"x")
    told = housekeeping.trim()
    # The checked copy, six things made of hours, and the damaged file whose station is held again.
    assert told["deleted"] == 8
    assert not replaced.exists()
    assert alone.is_file()
    assert told["freed_bytes"] > 0
    assert store.path("csv", "S1").is_file()
    assert not list((cache / "checked").glob("*/*.nc"))


LIST = (
    "GHCN_ID,LATITUDE,LONGITUDE,ELEVATION,STATE,NAME,GSN,(US)HCN_(US)CRN,WMO_ID,ICAO\n"
    "USW00000001,44.10,-103.10,1000.0,SD,NEAR,,,,KAAA\n"
    "USW00000002,45.90,-103.10,1000.0,SD,FAR,,,,KBBB\n"
)


INVENTORY = (
    "GHCNh_ID YEAR JAN FEB MAR APR MAY JUN JUL AUG SEP OCT NOV DEC\n"
    "USW00000001 2003 700 0 0 0 0 0 0 0 0 0 0 0\n"
    "USW00000001 2005 700 0 0 0 0 0 0 0 0 0 0 700\n"
    "USW00000002 2001 1 0 0 0 0 0 0 0 0 0 0 0\n"
)
"""Lines in the form of NOAA's ``ghcnh-inventory.txt``: reports of each month, by station and year."""

YEAR = (
    "STATION|Station_name|DATE|LATITUDE|LONGITUDE|ELEVATION|temperature|temperature_Quality_Code|wind_speed\n"
    + "".join(
        f"USW00000001|NEAR|2005-07-01T{h:02d}:00:00|44.1|-103.1|1000|{20 + h / 10}||{3 if h % 2 else ''}\n"
        for h in range(24)
    )
)


def near_list(folder: Path) -> tuple[Path, bytes]:
    """The venue file, and the list with its first station half a degree north of the venue."""
    from pipeline.inputs import load_season

    at = load_season(folder).venue("heron-bay")
    return folder / "venues" / "heron-bay.yaml", LIST.replace(
        "44.10,-103.10", f"{at.latitude + 0.5:.4f},{at.longitude:.4f}"
    ).encode()


def test_stations_near_a_venue(tmp_path, cache, monkeypatch, capsys):
    """Lists come once over the network, then only if they changed; nearest first, by the great circle.

    One degree of latitude is 60.04 NM on the mean sphere (6,371,008.8 m, closed form). The years are those
    with reports in the inventory: 2003 and 2005. What the station holds is known once a year is looked into:
    24 hours with temperature, 12 of them with wind.
    """
    folder = small_demo(tmp_path)
    venue, body = near_list(folder)
    from pipeline.inputs import load_season

    at = load_season(folder).venue("heron-bay")
    monkeypatch.setattr("pipeline.stations.http.Fetcher", lambda: Fetcher(interval_s=0.0))
    with loopback() as server:
        version = (("ETag", '"1"'),)
        served = Answer(body, content_type="text/csv", headers=version)
        unchanged = Answer(status=304)
        server.serve("/doc/ghcnh-station-list.csv", served, unchanged)
        server.serve("/doc/ghcnh-inventory.txt", Answer(INVENTORY.encode(), headers=version), unchanged)
        server.serve(
            "/access/by-year/2005/psv/GHCNh_USW00000001_2005.psv", Answer(YEAR.encode(), content_type="text")
        )
        monkeypatch.setenv("SHOWHOUR_GHCNH", server.address)
        assert main(["stations", "near", str(venue), "--json"]) == 0
        rows = json.loads(capsys.readouterr().out)["stations"]
        assert main(["stations", "near", str(venue), "--json", "--look", "1"]) == 0
        (looked,) = json.loads(capsys.readouterr().out)["stations"]
        assert [h.get("if-none-match") for h in server.request_headers] == [None, None, '"1"', '"1"', None]
        assert main(["stations", "near", str(venue)]) == 0
    assert "2003–2005 (2)" in capsys.readouterr().out
    assert [r["station"] for r in rows] == ["USW00000001"]
    assert rows[0]["distance_nm"] == pytest.approx(30.0, abs=0.1)
    assert rows[0]["elevation_difference_ft"] == pytest.approx(1000 / 0.3048 - at.elevation_ft, abs=1)
    assert "reported gust peak" in rows[0]["may_hold"]
    assert (rows[0]["first_year"], rows[0]["last_year"], rows[0]["years"]) == (2003, 2005, 2)
    assert rows[0]["holds"] is None
    assert looked["holds"] == {"air temperature at 2 m": 1.0, "mean wind speed at 10 m": 0.5}
    with pytest.raises(InputError, match="no radius"):
        stations_near(venue, 0.0, None)
    with pytest.raises(InputError, match="not a venue's file"):
        stations_near(folder / "season.yaml", 50.0, None)


def test_what_is_not_known_of_stations_near_is_said(tmp_path, cache, monkeypatch, capsys):
    """Without an inventory: years not known. Without a list: bundled airfields, of which nothing is known. A
    cache folder that cannot be used is a told error."""
    folder = small_demo(tmp_path)
    venue, body = near_list(folder)
    with loopback() as server:
        monkeypatch.setenv("SHOWHOUR_GHCNH", server.address)
        assert main(["stations", "near", str(venue), "--within-nm", "500"]) == 0
        told = capsys.readouterr()
        assert "cannot be fetched" in told.err
        assert "bundled list stand in" in told.err
        assert told.out.count("not known") >= 2
        server.serve("/doc/ghcnh-station-list.csv", Answer(body, content_type="text/csv"))
        assert main(["stations", "near", str(venue)]) == 0
        told = capsys.readouterr()
        assert "ghcnh-inventory.txt cannot be fetched" in told.err
        assert "not known; the archive can hold air temperature" in told.out
        shutil.rmtree(cache / "lists")
        (cache / "lists").write_text("no folder")
        assert main(["stations", "near", str(venue)]) == 4
    assert "cache folder cannot be used" in capsys.readouterr().err


def test_a_dead_server_keeps_no_later_station_waiting(tmp_path, cache, monkeypatch):
    """Two stations of five years on a server that answers 500: three files of two tries, then three of one,
    and the record says why. The third, on a server that works, is fetched."""
    place = {"latitude": 40.0, "longitude": -1.0, "elevation_ft": 500}
    names = ["USW00000001", "USW00000002"]
    folder = write_season(
        tmp_path / "season",
        venues=[
            venue(f"v{i}", elevation_ft=500, stations=[{"source": "ghcnh", "id": name, **place}])
            for i, name in enumerate(names)
        ]
        + [venue("v2", elevation_ft=500, stations=[{"source": "meteostat", "id": "72509", **place}])],
        bookings=[booking(f"b{i}", f"v{i}", [f"2027-07-1{i}"]) for i in range(3)],
        history={"first_year": 2015, "last_year": 2019, "minimum_years": 3},
    )
    monkeypatch.setattr(
        "pipeline.stations.http.Fetcher",
        lambda: Fetcher(attempts=2, sleep=lambda _: None, interval_s=0.0, timeout_s=5.0),
    )
    with loopback() as dead, loopback() as living:
        for name in names:
            for year in range(2015, 2020):
                dead.serve(f"/access/by-year/{year}/psv/GHCNh_{name}_{year}.psv", Answer(status=500))
        monkeypatch.setenv("SHOWHOUR_GHCNH", dead.address)
        monkeypatch.setenv("MS_HOURLY_ENDPOINT", living.address + "/{year}/{station}.csv.gz")
        assert main(["run", str(folder)]) == 4
        assert len(dead.requests) == 3 * 2 + 3
        assert len(living.requests) == 5
    from pipeline.run import results_path

    first, second, third = record.read_runs(results_path(folder, cache))[-1]["stations"]
    assert "(2 tries)" in first["error"]
    assert "has failed 3 files in a row" in second["error"]
    assert third["error"] is None
