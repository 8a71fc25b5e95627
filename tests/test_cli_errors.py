"""What a user does wrong, and what breaks under the command: a clear word, the right code, no loss.

Exit codes are the command's own, documented in README: 0 all well, 2 something written is wrong, 3 some
venues failed and the rest were done, 4 nothing could be done.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from season_folder import (
    LOOP,
    TIMEOUT_S,
    booking,
    csv_station,
    venue,
    write_season,
    write_yaml,
)

from pipeline.cli import main
from pipeline.run import results_path
from pipeline.stations.store import Store

ROOT = Path(__file__).resolve().parent.parent
PLACES = ("low-meadow", "high-bench")


def climate_station(name: str, elevation_ft: float) -> dict[str, Any]:
    return {
        "source": "synthetic",
        "id": f"T-{name.upper()}",
        "latitude": 40.0,
        "longitude": -1.0,
        "elevation_ft": elevation_ft,
        "climate": {"mean_temperature_c": 13, "annual_range_c": 20, "diurnal_range_c": 11},
    }


def good_season(folder: Path) -> Path:
    """Two invented places and three invented years: the least that goes through every step."""
    heights = dict(zip(PLACES, (300.0, 5000.0), strict=True))
    return write_season(
        folder,
        venues=[venue(n, elevation_ft=h, stations=[climate_station(n, h)]) for n, h in heights.items()],
        bookings=[booking(f"{n}-july", n, ["2027-07-03", "2027-07-04"]) for n in heights],
        history={"first_year": 2024, "last_year": 2026, "minimum_years": 3},
        invented=True,
    )


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "cache"
    monkeypatch.setenv("SHOWHOUR_CACHE", str(place))
    return place


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A season run once, and its cache; copied by the tests that break them."""
    root = tmp_path_factory.mktemp("finished")
    season = good_season(root / "season")
    before = os.environ.get("SHOWHOUR_CACHE")
    os.environ["SHOWHOUR_CACHE"] = str(root / "cache")
    try:
        assert main(["run", str(season)]) == 0
    finally:
        if before is None:
            del os.environ["SHOWHOUR_CACHE"]
        else:
            os.environ["SHOWHOUR_CACHE"] = before
    return season, root / "cache"


@pytest.fixture
def ran(finished: tuple[Path, Path], cache: Path, tmp_path: Path) -> Path:
    """A season of this test's own with its hours and results in this test's cache."""
    season, old_cache = finished
    mine = tmp_path / "season"
    shutil.copytree(season, mine)
    shutil.copytree(old_cache, cache)
    held = results_path(season, cache)
    for suffix in (".nc", ".json"):
        held.with_suffix(suffix).rename(results_path(mine, cache).with_suffix(suffix))
    return mine


def told_once(err: str, code: int, *wanted: str) -> None:
    """The message is the command's own, says what is wanted of it, and is no traceback."""
    assert "Traceback" not in err
    assert "showhour: " in err, f"exit code {code} without a word"
    for words in wanted:
        assert words in err, f"{words!r} is not in: {err}"


# --- Something written is wrong -------------------------------------------------------------------------


def edit(file: str, old: str, new: str) -> Callable[[Path], None]:
    def apply(folder: Path) -> None:
        path = folder / file
        text = path.read_text()
        assert old in text, f"{old!r} is not in {file}: {text}"
        path.write_text(text.replace(old, new, 1))

    return apply


def broken_yaml(folder: Path) -> None:
    path = folder / "bookings.yaml"
    path.write_text(path.read_text() + "- id: [unclosed\n")


def inches_in_climate(folder: Path) -> None:
    one = venue("low-meadow", elevation_ft=300, stations=[climate_station("low-meadow", 300)])
    one["stations"][0]["climate"]["pressure_hpa"] = 29.92
    write_yaml(folder / "venues" / "low-meadow.yaml", one)


def metres_at_a_known_field(folder: Path) -> None:
    """Denver International lies at 5,434 ft (airportsdata), which is 1,656 m."""
    one = venue("low-meadow", elevation_ft=1656, stations=[climate_station("low-meadow", 1656)])
    write_yaml(
        folder / "venues" / "low-meadow.yaml",
        one | {"icao": "KDEN", "latitude": 39.8617, "longitude": -104.6732, "timezone": "America/Denver"},
    )


def metres_beside_a_station(folder: Path) -> None:
    """5,000 ft is 1,524 m, and the station at the field stands at 5,000 ft."""
    here = venue("high-bench", elevation_ft=1524, stations=[climate_station("high-bench", 5000)])
    write_yaml(folder / "venues" / "high-bench.yaml", here)


def station_in_metres(folder: Path) -> None:
    """The same slip at the station."""
    here = venue("high-bench", elevation_ft=5000, stations=[climate_station("high-bench", 1524)])
    write_yaml(folder / "venues" / "high-bench.yaml", here)


def no_station(folder: Path) -> None:
    write_yaml(folder / "venues" / "low-meadow.yaml", venue("low-meadow", elevation_ft=300, stations=[]))


MISTAKES: dict[str, tuple[Callable[[Path], None], tuple[str, ...]]] = {
    "malformed YAML": (broken_yaml, ("bookings.yaml", "YAML")),
    "inches where hectopascals are wanted": (
        inches_in_climate,
        ("venues/low-meadow.yaml", "pressure_hpa", "29.92", "inches of mercury"),
    ),
    "elevation in metres": (
        metres_at_a_known_field,
        ("venues/low-meadow.yaml", "elevation_ft", "1656", "metres"),
    ),
    "a date outside the season": (
        edit("bookings.yaml", "'2027-07-03'", "'2027-03-03'"),
        ("bookings.yaml", "show_days", "2027-03-03", "2027-04-01"),
    ),
    "an unknown time zone": (
        edit("venues/high-bench.yaml", "timezone: UTC", "timezone: America/Denvr"),
        ("venues/high-bench.yaml", "timezone", "America/Denvr", "America/Denver"),
    ),
    "a limit below comfortable": (
        edit("routine.yaml", "limit: 9000", "limit: 6000"),
        ("routine.yaml", "density_altitude_ft.limit", "6000", "above comfortable"),
    ),
    "a venue without a station": (
        no_station,
        ("venues/low-meadow.yaml", "stations", "at least one", "showhour stations near"),
    ),
    "elevation in metres beside a station in feet": (
        metres_beside_a_station,
        ("venues/high-bench.yaml", "elevation_ft", "1524", "metres"),
    ),
    "a station's elevation in metres": (
        station_in_metres,
        ("venues/high-bench.yaml", "stations[0].elevation_ft", "1524", "metres"),
    ),
    "a booking at no venue": (
        edit("bookings.yaml", "venue: low-meadow", "venue: low-medow"),
        ("bookings.yaml", "low-medow", "low-meadow"),
    ),
    "a misspelt key": (
        edit("season.yaml", "minimum_years: 3", "minimun_years: 3"),
        ("season.yaml", "minimun_years", "minimum_years"),
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_in_the_folder(
    mistake: str, cache: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every command that reads the folder ends with code 2, names place and cure, and computes nothing."""
    season = good_season(tmp_path / "season")
    apply, wanted = MISTAKES[mistake]
    apply(season)
    for command in ("run", "fetch", "forecast", "dashboard"):
        assert main([command, str(season)]) == 2, command
        out, err = capsys.readouterr()
        told_once(err, 2, *wanted)
        assert out == ""
    assert main(["check", str(season)]) == 2
    out = capsys.readouterr().out
    assert all(words in out for words in wanted)
    assert "line " in out or ":" in out.split()[0]

    assert main(["check", str(season), "--json"]) == 2
    findings = json.loads(capsys.readouterr().out)
    assert findings["ok"] is False
    mistakes = [f for f in findings["findings"] if f["kind"] == "mistake"]
    assert len(mistakes) == 1, mistakes
    assert mistakes[0]["file"] == wanted[0]
    assert mistakes[0]["line"] >= 1
    assert not cache.exists(), "nothing is fetched or written before the folder is right"


def test_every_mistake_at_once(tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three mistakes in three files are all told in one go."""
    season = good_season(tmp_path / "season")
    for mistake in ("a date outside the season", "an unknown time zone", "a limit below comfortable"):
        MISTAKES[mistake][0](season)
    assert main(["run", str(season)]) == 2
    told_once(capsys.readouterr().err, 2, "3 mistakes", "bookings.yaml", "high-bench.yaml", "routine.yaml")


def test_a_slot_after_dark_is_warned_of_and_done(
    tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A show after sunset may be meant (pyrotechnics are flown): a warning with the sunset, and the numbers.

    Sunset at 40 N 1 W on 4 July: 19:35 UTC (NOAA solar calculator, from memory; astral says the same here).
    """
    season = good_season(tmp_path / "season")
    late = {"window": {"from": "21:00", "to": "23:00"}, "offered": "21:30"}
    write_yaml(
        season / "bookings.yaml",
        [booking("low-meadow-july", "low-meadow", ["2027-07-04"], **late)],
    )
    assert main(["check", str(season)]) == 0
    assert "sunset, 19:3" in capsys.readouterr().out
    assert main(["run", str(season), "--json"]) == 0
    out, err = capsys.readouterr()
    assert "warning: " in err
    assert "sunset" in err
    assert json.loads(out)["bookings"][0]["rank"] == 1


@pytest.mark.parametrize("command", ["check", "fetch", "forecast", "run"])
def test_no_such_folder(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder that is not there: code 2, and its name."""
    assert main([command, str(tmp_path / "nowhere")]) == 2
    out, err = capsys.readouterr()
    assert "nowhere" in out + err
    assert "Traceback" not in err


@pytest.mark.parametrize("command", ["fetch", "papers", "export", "slots"])
def test_a_mistake_is_json_too(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever asks for JSON gets JSON when something is wrong: the message and the code."""
    more = {"papers": ["--into", str(tmp_path)], "export": ["--csv"], "slots": ["july"]}.get(command, [])
    assert main([command, str(tmp_path / "nowhere"), *more, "--json"]) == 2
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["exit_code"] == 2
    assert "nowhere" in told["error"]
    assert "nowhere" in err


def test_what_an_unreadable_file_hides_is_said(
    tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A date outside the season cannot be seen while season.yaml cannot be read: that is told."""
    season = good_season(tmp_path / "season")
    MISTAKES["a date outside the season"][0](season)
    whole = (season / "season.yaml").read_text()
    (season / "season.yaml").write_text(whole + "- [\n")
    assert main(["check", str(season), "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert [f["file"] for f in told["findings"]] == ["season.yaml"]
    assert any("dates" in line for line in told["not_checked"])
    (season / "season.yaml").write_text(whole)
    assert main(["check", str(season), "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert [f["file"] for f in told["findings"]] == ["bookings.yaml"]
    assert told["not_checked"] == []


def season_with_csv(folder: Path, altimeter: Callable[[int], str]) -> Path:
    """The good season with its first venue's station read from ten days of its own file."""
    season = good_season(folder)
    rows = "\n".join(
        f"2026-07-{d:02d}T{h:02d}:00,20,10,{altimeter(24 * (d - 1) + h)}"
        for d in range(1, 11)
        for h in range(24)
    )
    (season / "low.csv").write_text(f"time_utc,temperature_c,dew_point_c,altimeter_hpa\n{rows}\n")
    station = csv_station("LOW", 300, file="low.csv", latitude=40.0, longitude=-1.0)
    write_yaml(
        season / "venues" / "low-meadow.yaml", venue("low-meadow", elevation_ft=300, stations=[station])
    )
    return season


def test_one_inch_value_among_hectopascals(
    tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One 29.92 in a column of hPa is refused at its line, not left out in silence."""
    season = season_with_csv(tmp_path / "season", lambda row: "29.92" if row == 41 else "1013.2")
    for command in ("check", "fetch"):
        assert main([command, str(season)]) == 2
        out, err = capsys.readouterr()
        # Row 41 stands after the header and forty-one others.
        assert "low.csv, line 43" in (out + err).replace("csv LOW: found low.csv", "low.csv")
        assert "inches of mercury" in out + err


def test_values_left_out_are_told(tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two pressures that no weather has are left out, counted where they are fetched, warned of in check."""
    season = season_with_csv(tmp_path / "season", lambda row: "1613.2" if row in (5, 6) else "1013.2")
    assert main(["fetch", str(season)]) == 0
    assert "2 values left out (out of range" in capsys.readouterr().err
    assert main(["check", str(season)]) == 0
    assert "warning: low.csv, csv LOW: found 2 values" in capsys.readouterr().out


def test_a_csv_station_in_inches(tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """29.92 in a column named hPa: the station is refused by file and column; the other venue is done.

    Something written is wrong, so the code is 2, for checking and fetching as for the whole run.
    """
    season = season_with_csv(tmp_path / "season", lambda row: "29.92")
    for command in ("check", "fetch"):
        assert main([command, str(season)]) == 2
        out, err = capsys.readouterr()
        assert all(words in out + err for words in ("low.csv", "altimeter_hpa", "inches of mercury"))
    assert main(["run", str(season), "--json"]) == 2
    out, err = capsys.readouterr()
    told_once(err, 2, "low.csv", "altimeter_hpa", "29.92")
    status = {v["venue"]: v["status"] for v in json.loads(out)["venues"]}
    assert status["high-bench"] == "ok"
    assert status["low-meadow"].startswith("no station hours")


# --- Something underneath breaks ------------------------------------------------------------------------


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.suffix in (".nc", ".json", ".yaml")
    }


def test_forecast_before_anything_is_fetched(
    tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No hours yet: code 4, each venue with the reason and the cure, and no results file."""
    season = good_season(tmp_path / "season")
    assert main(["forecast", str(season), "--json"]) == 4
    printed = capsys.readouterr()
    told_once(printed.err, 4, "Low Meadow: no station hours", "High Bench", "Fetch the station")
    told = json.loads(printed.out)
    assert all("no station hours" in venue["status"] for venue in told["venues"])
    assert [row["as_planned"] for row in told["bookings"]] == [None] * len(told["bookings"])
    assert not list(cache.rglob("*.nc"))


@pytest.mark.parametrize("name", ["results.json", "results", "."])
def test_results_under_a_name_that_is_no_netcdf_files(
    name: str, tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The summary lies beside the results with .json: under such a name it would replace them. Nothing is
    fetched or computed first.
    """
    season = good_season(tmp_path / "season")
    assert main(["run", str(season), "--output", str(tmp_path / name)]) == 2
    told_once(capsys.readouterr().err, 2, "--output", "ends in .nc")
    assert not cache.exists()


def cut(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])


def flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    for at in range(len(content) // 2, len(content) // 2 + 64):
        content[at] ^= 0x55
    path.write_bytes(content)


def not_a_file_format(path: Path) -> None:
    path.write_text("This is not station hours.\n")


def emptied(path: Path) -> None:
    path.write_bytes(b"")


DAMAGE = (cut, flip, not_a_file_format, emptied)


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_station_file(
    damage: Callable[[Path], None], ran: Path, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One damaged station file: its venue is told with the file and the cure, the other is done, code 3."""
    broken = Store().path("synthetic", "T-LOW-MEADOW")
    damage(broken)
    shutil.rmtree(cache / "checked", ignore_errors=True)
    content = broken.read_bytes()
    others = {k: v for k, v in hashes(cache / "stations").items() if "LOW" not in k}
    assert main(["forecast", str(ran), "--json"]) == 3
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    told = json.loads(out)
    status = {v["venue"]: v["status"] for v in told["venues"]}
    assert status["high-bench"] == "ok"
    assert str(broken) in status["low-meadow"]
    assert "damaged" in status["low-meadow"]
    assert broken.read_bytes() == content, "the damaged file is the user's to move away"
    assert {k: v for k, v in hashes(cache / "stations").items() if "LOW" not in k} == others


@pytest.mark.parametrize("damage", DAMAGE)
def test_damaged_results(
    damage: Callable[[Path], None],
    ran: Path,
    cache: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Damaged results never open a dashboard: code 4, the file and the command that makes them again."""

    def opened(*_: object, **__: object) -> None:
        pytest.fail("the dashboard was opened on damaged results")

    monkeypatch.setattr(subprocess, "run", opened)
    monkeypatch.setattr(subprocess, "Popen", opened)
    damage(results_path(ran, cache))
    assert main(["dashboard", str(ran)]) == 4
    told_once(capsys.readouterr().err, 4, str(results_path(ran, cache)), "showhour forecast")
    assert main(["forecast", str(ran)]) == 0, "and they are made again from the hours that are kept"


def test_a_failed_run_keeps_the_results(ran: Path, cache: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """When nothing can be forecast any more, earlier results stay as they were, and that is said."""
    for name in PLACES:
        emptied(Store().path("synthetic", f"T-{name.upper()}"))
    shutil.rmtree(cache / "checked", ignore_errors=True)
    before = hashes(cache / "results")
    assert main(["forecast", str(ran)]) == 4
    told_once(capsys.readouterr().err, 4, "earlier results, if any, are kept")
    after = hashes(cache / "results")
    assert {k: v for k, v in after.items() if not k.endswith("-runs.json")} == {
        k: v for k, v in before.items() if not k.endswith("-runs.json")
    }


def test_a_cache_that_is_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """SHOWHOUR_CACHE names a file: code 4, the place, and the variable to change."""
    season = good_season(tmp_path / "season")
    wrong = tmp_path / "a-file"
    wrong.write_text("")
    monkeypatch.setenv("SHOWHOUR_CACHE", str(wrong))
    assert main(["run", str(season)]) == 4
    told_once(capsys.readouterr().err, 4, str(wrong), "SHOWHOUR_CACHE")


def test_an_output_that_cannot_be_made_is_told_before_computing(
    ran: Path, cache: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file where --output wants a folder: code 4 at once, not after the whole season."""
    (tmp_path / "a-file").write_text("")
    wanted = tmp_path / "a-file" / "x.nc"
    assert main(["forecast", str(ran), "--output", str(wanted)]) == 4
    told = capsys.readouterr().err
    assert "ok" not in told
    told_once(told, 4, str(wanted), "--output")


def test_a_cache_that_cannot_be_written(ran: Path, cache: Path, tmp_path: Path) -> None:
    """A read-only cache: told with the folder and the cure, code 4, and nothing is lost."""
    before = hashes(cache)
    done = without_rights(["run", str(ran), "--refresh"], cache, tmp_path)
    assert done.returncode == 4, done.stderr
    told_once(done.stderr, done.returncode, str(cache))
    assert "can't be written" in done.stderr or "cannot be written" in done.stderr
    assert hashes(cache) == before


def without_rights(argv: list[str], cache: Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the command in a process that file permissions bind, which they do not bind root's."""
    for folder in [cache, *(p for p in cache.rglob("*") if p.is_dir())]:
        folder.chmod(0o555)
    bound = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--"] if os.getuid() == 0 else []
    try:
        return subprocess.run(
            [*bound, sys.executable, "-m", "pipeline.cli", *argv],
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
            cwd=cwd,
            env=os.environ | {"PYTHONPATH": str(ROOT), "SHOWHOUR_CACHE": str(cache)},
        )
    finally:
        for folder in [cache, *(p for p in cache.rglob("*") if p.is_dir())]:
            folder.chmod(0o755)


# --- JSON -----------------------------------------------------------------------------------------------


def strict(text: str) -> Any:
    """Parse JSON as the standard has it: no NaN, no Infinity."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    return json.loads(text, parse_constant=refuse)


def test_json_everywhere(ran: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every command that takes --json prints one valid JSON value on stdout and nothing else there."""
    for argv in (
        ["check", str(ran)],
        ["fetch", str(ran)],
        ["forecast", str(ran)],
        ["run", str(ran)],
        ["air", "--elevation-ft", "0", "--altimeter-hpa", "1013.25", "--temperature-c", "15"],
        ["air", "--elevation-ft", "0", "--altimeter-hpa", "1013.25", "--temperature-c", "15",
         "--wind", "VRB/4", "--runway-true", "10"],
    ):  # fmt: skip
        assert main([*argv, "--json"]) == 0, argv
        told = strict(capsys.readouterr().out)
        assert isinstance(told, dict), argv


def test_json_has_no_number_where_there_is_none(
    ran: Path, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A failed venue's numbers are null in JSON, never NaN and never 0."""
    emptied(Store().path("synthetic", "T-LOW-MEADOW"))
    shutil.rmtree(cache / "checked", ignore_errors=True)
    assert main(["forecast", str(ran), "--json"]) == 3
    told = strict(capsys.readouterr().out)
    (bad,) = [b for b in told["bookings"] if b["venue"] == "low-meadow"]
    assert bad["as_planned"] is None
    assert bad["as_planned_lower"] is None
    assert all(s["density_altitude_median_ft"] is None for d in bad["days"] for s in d["slots"])
    kept = strict(results_path(ran, cache).with_suffix(".json").read_text())
    assert kept["bookings"] == told["bookings"]


# --- The words themselves -------------------------------------------------------------------------------


def test_cautions_stand_wherever_a_number_can_be_acted_on(
    ran: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The season's table, a single reading, the JSON and the help all carry the cautions."""
    from pipeline.results import CAUTIONS

    assert main(["forecast", str(ran)]) == 0
    out = capsys.readouterr().out
    assert all(line in out for line in CAUTIONS)
    assert main(["air", "--elevation-ft", "0", "--altimeter-hpa", "1013.25", "--temperature-c", "15"]) == 0
    out = capsys.readouterr().out
    assert all(line in out for line in CAUTIONS)
    assert main(["forecast", str(ran), "--json"]) == 0
    assert strict(capsys.readouterr().out)["cautions"] == list(CAUTIONS)
    with pytest.raises(SystemExit):
        main(["--help"])
    assert "not a flight clearance" in capsys.readouterr().out


def test_demo_is_not_written_over(tmp_path: Path, cache: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`showhour demo` into a folder that holds something else: code 2, and what is there stays."""
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "notes.txt").write_text("my own")
    assert main(["demo", "--no-dashboard", "--into", str(folder)]) == 2
    told_once(capsys.readouterr().err, 2, str(folder), "not empty")
    assert [p.name for p in folder.iterdir()] == ["notes.txt"]


def test_figures_keep_their_limits_apart(ran: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The figure of this season bites by a cause that it has a limit for."""
    assert main(["forecast", str(ran), "--json"]) == 0
    told = strict(capsys.readouterr().out)
    stated = set(LOOP["limits"])
    assert stated == {"density_altitude_ft", "wind_toward_crowd_kt", "gust_kt"}
    for one in told["bookings"]:
        for figure in one["days"][0]["figures_at_slot_in_discussion"]:
            assert figure["bites"] in ("", "density_altitude", "wind_across", "rough_air")
