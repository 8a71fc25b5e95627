"""Computing beside the fetching: the same forecast to the last bit, and no trace where it is cut short."""

from __future__ import annotations

import datetime as dt
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from season_folder import booking, venue, write_season

from pipeline import kept_cycles, kept_gusts, venue_hours, verify
from pipeline.ahead import Ahead
from pipeline.cli import main
from pipeline.fetch import fetch_season
from pipeline.inputs import Season, load_season
from pipeline.run import forecast
from pipeline.stations.store import Store

NOW = dt.datetime(2026, 11, 1, tzinfo=dt.UTC)


def _station(name: str, latitude: float, mean: float) -> dict[str, object]:
    climate = {"mean_temperature_c": mean, "annual_range_c": 20, "diurnal_range_c": 12, "wind_kt": 8}
    place = {"latitude": latitude, "longitude": -105.0, "elevation_ft": 5000}
    return {"source": "synthetic", "id": name, "climate": climate} | place


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two venues that share a station; six years."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    both = [_station("ONE", 40.0, 10), _station("TWO", 40.1, 12)]
    return write_season(
        tmp_path / "season",
        venues=[
            venue("here", elevation_ft=5000, stations=both[:1], latitude=40.0, longitude=-105.0),
            venue("there", elevation_ft=5100, stations=both, latitude=40.1, longitude=-105.0),
        ],
        bookings=[booking("b1", "here", ["2027-07-10"]), booking("b2", "there", ["2027-08-07"])],
        history={"first_year": 2019, "last_year": 2024, "minimum_years": 3},
    )


@pytest.fixture
def season(folder: Path) -> Season:
    return load_season(folder)


def until(true: Callable[[], object]) -> None:
    deadline = time.monotonic() + 90.0
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_forecast_after_it_fits_nothing_and_says_the_same(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every number equals that of a forecast that found nothing kept; the one after it makes nothing anew."""
    fetch_season(season, Store(tmp_path / "plain"), now=NOW)
    plain = forecast(season, Store(tmp_path / "plain"))

    store = Store()
    with Ahead(season, store.cache) as beside:
        fetch_season(season, store, now=NOW, arrived=beside.venue)
        until(lambda: len(list((store.cache / "trust").glob("*.json"))) == 2)

    def never(*_: object, **__: object) -> None:
        raise AssertionError("made a second time")

    monkeypatch.setattr(venue_hours, "read_station", never)
    monkeypatch.setattr(kept_cycles, "station_cycles", never)
    monkeypatch.setattr(kept_gusts, "gust_record", never)
    monkeypatch.setattr(verify, "_trust_scores", never)
    after = forecast(season, store)
    assert set(plain.variables) == set(after.variables)
    for name in plain.variables:
        one, two = plain[name].to_numpy(), after[name].to_numpy()
        assert np.array_equal(one, two, equal_nan=one.dtype.kind == "f"), name


def test_a_venue_arrives_with_the_last_of_its_stations(season: Season) -> None:
    """Each once its stations have been tried, and not at all where they brought nothing new."""
    heard: list[str] = []
    fetch_season(
        season, Store(), now=NOW, progress=heard.append, arrived=lambda venue: heard.append(venue.id)
    )
    assert [line.split(":")[0].split("] ")[-1] for line in heard] == [
        "synthetic ONE",
        "here",
        "synthetic TWO",
        "there",
    ]
    heard.clear()
    fetch_season(season, Store(), now=NOW, arrived=lambda venue: heard.append(venue.id))
    assert heard == []


def test_the_command_computes_ahead_and_a_second_run_does_not(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`run` works on what it fetches; `fetch` alone does not, nor a run that finds nothing new."""
    told: list[str] = []
    monkeypatch.setattr(Ahead, "venue", lambda self, venue: told.append(venue.id))
    assert main(["run", str(folder)]) == 0
    assert told == ["here", "there"]
    assert main(["run", str(folder)]) == 0
    assert main(["fetch", str(folder), "--refresh"]) == 0
    assert told == ["here", "there"]


def test_it_may_die(season: Season) -> None:
    """Killed for want of memory, say: nothing is lost but the time."""
    store = Store()
    with Ahead(season, store.cache) as beside:
        beside.venue(season.venues[0])
        process = beside._process
        assert process is not None
        process.kill()
        process.join()
        fetch_season(season, store, now=NOW, arrived=beside.venue)
    assert forecast(season, store) is not None


def test_it_ends_with_the_block_that_fails(season: Season) -> None:
    """Ctrl-C while fetching is not held up by what is computed beside it."""
    pids: list[int | None] = []

    def interrupted() -> None:
        with Ahead(season, Store().cache) as beside:
            beside.venue(season.venues[0])
            pids.append(beside._process.pid if beside._process else None)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert pids[0] is not None
    assert not _alive(pids[0])


def test_it_does_not_outlive_a_killed_run(folder: Path, tmp_path: Path) -> None:
    """SIGKILL of the run leaves no process behind."""
    script = tmp_path / "held.py"
    script.write_text(
        "import sys, time\n"
        "from pathlib import Path\n"
        "from pipeline.ahead import Ahead\n"
        "from pipeline.inputs import load_season\n"
        "if __name__ == '__main__':\n"
        "    season = load_season(Path(sys.argv[1]))\n"
        "    with Ahead(season, Path(sys.argv[2])) as beside:\n"
        "        beside.venue(season.venues[0])\n"
        "        print(beside._process.pid, flush=True)\n"
        "        time.sleep(600)\n"
    )
    run = subprocess.Popen(
        [sys.executable, str(script), str(folder), str(tmp_path / "cache")], stdout=subprocess.PIPE, text=True
    )
    assert run.stdout is not None
    pid = int(run.stdout.readline())
    os.kill(pid, 0)
    run.send_signal(signal.SIGKILL)
    run.wait()
    run.stdout.close()
    until(lambda: not _alive(pid))


def _alive(pid: int) -> bool:
    """Whether a process runs; one that ended and waits to be collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False
