"""Season folders: a good one is read in full, and every mistake is told with its file, line and key."""

from __future__ import annotations

import dataclasses
import datetime as dt
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import inputs
from pipeline.air.atmosphere import density_altitude
from pipeline.errors import InputError
from pipeline.inputs import (
    Booking,
    ClimateSettings,
    Fault,
    Limit,
    Minimum,
    Season,
    check_season,
    copy_demo,
    demo_folder,
    load_season,
    season_digest,
)
from pipeline.settings import parse_settings
from pipeline.stations import synthetic
from pipeline.stations.synthetic import Climate

FILES = {
    "season.yaml": """\
name: Test season
year: 2027
first_day: 2027-04-01
last_day: 2027-10-31
invented: true
pilot:
  name: Nobody
  floor_agl_ft: 250
home: lowfield
act:
  runway_crosswind_kt: {comfortable: 14, limit: 20}
  ceiling_ft: {comfortable: 2500, limit: 1500}
  visibility_sm: {comfortable: 5, limit: 3}
""",
    "routine.yaml": """\
name: Full show
figures:
  - figure: loop
    name: Loop
    seconds: 36
    crowd_value: 6
    limits:
      density_altitude_ft: {comfortable: 6600, limit: 8600}
      gust_kt: {comfortable: 29, limit: 38}
  - figure: ribbon_cut
    name: Ribbon
    seconds: 75
    crowd_value: 10
    limits:
      wind_toward_crowd_kt: {comfortable: 14, limit: 20}
""",
    "bookings.yaml": """\
- id: first
  venue: lowfield
  show_days: [2027-07-10, 2027-07-11]
  window: {from: 10:00, to: 16:00}
  offered: 14:30
  state: contracted
  fee: 9000
- id: second
  venue: lowfield
  show_days: [2027-08-01]
  window: {from: 11:00, to: 15:00}
  state: enquiry
""",
    "venues/lowfield.yaml": """\
id: lowfield
name: Low Field
latitude: 40.0
longitude: -105.0
elevation_ft: 5000
timezone: America/Denver
runway: {true_heading: 170}
show_line: {true_heading: 170, crowd_side: left, crowd_distance_ft: 500}
stations:
  - source: synthetic
    id: LOW
    latitude: 40.1
    longitude: -105.0
    elevation_ft: 5010
    climate:
      mean_temperature_c: 10
      annual_range_c: 22
      diurnal_range_c: 14
""",
}


def write(folder: Path) -> Path:
    for name, text in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def edit(folder: Path, file: str, old: str, new: str) -> None:
    """Replace the one place where `old` stands."""
    text = (folder / file).read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return write(tmp_path / "season")


def test_good_season(folder: Path) -> None:
    """Every value arrives with its type and unit; what is left out has its documented default."""
    season = load_season(folder)
    assert (season.name, season.year, season.invented, season.home) == ("Test season", 2027, True, "lowfield")
    assert season.warnings == ()
    assert (season.pilot.two_amber_is_red, season.pilot.routine_correlation) == (False, 0.8)
    # The twenty years before the season.
    assert (season.history.first_year, season.history.last_year) == (2007, 2026)
    assert (season.history.minimum_years, season.history.window_days, season.history.trend) == (5, 15, True)
    assert season.act.runway_crosswind_kt == Limit(comfortable=14, limit=20)
    assert season.act.ceiling_ft == Minimum(comfortable=2500, limit=1500)
    assert (season.act.thunder, season.currency) == ("stop", "USD")

    venue = season.venue("lowfield")
    assert venue.elevation == pytest.approx(5000 * 0.3048)
    assert (venue.runway_true_heading, venue.operating.runway.source) == (170.0, "given")
    assert venue.operating.elevation == venue.elevation
    assert (venue.show_line.crowd_on_right, venue.lapse_rate_k_per_km) == (False, 6.5)
    assert venue.stations[0].elevation == pytest.approx(5010 * 0.3048)

    first, second = season.bookings
    assert first.show_days == (dt.date(2027, 7, 10), dt.date(2027, 7, 11))
    assert (first.window_from, first.window_to, first.slot) == (dt.time(10), dt.time(16), dt.time(14, 30))
    assert (second.slot, second.length_min, second.fee) == (dt.time(11), 15.0, None)
    # Denver keeps daylight time in July: UTC-6.
    assert venue.utc(first.show_days[0], first.slot) == dt.datetime(2027, 7, 10, 20, 30, tzinfo=dt.UTC)

    assert season.routine.seconds == 36 + 75
    assert list(season.routine.figures[0].limits.stated) == ["density_altitude_ft", "gust_kt"]


def test_times_and_words_are_not_retyped(folder: Path) -> None:
    """An unquoted 14:30 is a time, 010 is ten, and NO is a name: YAML 1.1 would say 870, 8 and false."""
    edit(folder, "season.yaml", "name: Nobody", "name: NO")
    edit(folder, "season.yaml", "floor_agl_ft: 250", "floor_agl_ft: 010")
    season = load_season(folder)
    assert (season.pilot.name, season.pilot.floor_agl_ft) == ("NO", 10.0)
    assert season.bookings[0].offered == dt.time(14, 30)


FAULTS = [
    # file, line, text there, its replacement, key, part of what was found, part of what is wanted
    (
        "season.yaml",
        2,
        "year: 2027",
        "year: 27",
        "year",
        "'27'",
        "whole number from 1950 to 2100",
    ),
    (
        "season.yaml",
        3,
        "first_day: 2027-04-01",
        "first_day: 2027-02-30",
        "first_day",
        "'2027-02-30'",
        "exists in the calendar",
    ),
    (
        "season.yaml",
        3,
        "first_day: 2027-04-01",
        "first_day: 1.4.2027",
        "first_day",
        "'1.4.2027'",
        "a date written",
    ),
    (
        "season.yaml",
        3,
        "first_day: 2027-04-01",
        "first_day: 2026-04-01",
        "first_day",
        "'2026-04-01'",
        "the season's year, 2027",
    ),
    (
        "season.yaml",
        4,
        "last_day: 2027-10-31",
        "last_day: 2027-03-31",
        "last_day",
        "'2027-03-31'",
        "after first_day",
    ),
    (
        "season.yaml",
        5,
        "invented: true",
        "invented: yes",
        "invented",
        "'yes'",
        "true or false",
    ),
    (
        "season.yaml",
        7,
        "  name: Nobody",
        "  name:",
        "pilot.name",
        "nothing",
        "some text",
    ),
    (
        "season.yaml",
        8,
        "floor_agl_ft: 250",
        "flor_agl_ft: 250",
        "pilot.flor_agl_ft",
        "an unknown key",
        "did you mean floor_agl_ft",
    ),
    (
        "season.yaml",
        8,
        "floor_agl_ft: 250",
        "floor_agl_ft: 2,500",
        "pilot.floor_agl_ft",
        "'2,500'",
        "without a comma",
    ),
    (
        "season.yaml",
        8,
        "floor_agl_ft: 250",
        "floor_agl_ft: inf",
        "pilot.floor_agl_ft",
        "'inf'",
        "feet above the ground",
    ),
    (
        "season.yaml",
        8,
        "floor_agl_ft: 250",
        "floor_agl_ft: 2_50",
        "pilot.floor_agl_ft",
        "'2_50'",
        "feet above the ground",
    ),
    (
        "season.yaml",
        9,
        "home: lowfield",
        "home: lowfeild",
        "home",
        "'lowfeild'",
        "did you mean lowfield",
    ),
    (
        "season.yaml",
        11,
        "limit: 20}",
        "limit: 14}",
        "act.runway_crosswind_kt.limit",
        "'14'",
        "above comfortable, 14",
    ),
    (
        "season.yaml",
        12,
        "limit: 1500}",
        "limit: 2500}",
        "act.ceiling_ft.limit",
        "'2500'",
        "below comfortable, 2500",
    ),
    (
        "season.yaml",
        13,
        "comfortable: 5, limit: 3}",
        "comfortable: 8000, limit: 5000}",
        "act.visibility_sm.comfortable",
        "'8000'",
        "statute miles",
    ),
    (
        "season.yaml",
        6,
        "invented: true",
        "invented: true\ncurrency: dollars",
        "currency",
        "'dollars'",
        "three letters",
    ),
    (
        "season.yaml",
        6,
        "invented: true",
        "invented: true\nhistory: {first_year: 2025}",
        "history.first_year",
        "'2025'",
        "at least minimum_years, 5",
    ),
    (
        "season.yaml",
        6,
        "invented: true",
        "invented: true\nhistory: {last_year: 2030}",
        "history.last_year",
        "'2030'",
        "2027",
    ),
    (
        "routine.yaml",
        3,
        "figure: loop",
        "figure: lop",
        "figures[0].figure",
        "'lop'",
        "did you mean loop",
    ),
    (
        "routine.yaml",
        11,
        "name: Ribbon",
        "name: Loop",
        "figures[1].name",
        "'Loop'",
        "no other figure",
    ),
    (
        "routine.yaml",
        5,
        "seconds: 36",
        "seconds: 36 s",
        "figures[0].seconds",
        "'36 s'",
        "seconds, from 1 to 300",
    ),
    (
        "routine.yaml",
        8,
        "comfortable: 6600, limit: 8600",
        "comfortable: 8600, limit: 6600",
        "figures[0].limits.density_altitude_ft.limit",
        "'6600'",
        "above comfortable, 8600",
    ),
    (
        "routine.yaml",
        15,
        "wind_toward_crowd_kt: {comfortable: 14, limit: 20}",
        "wind_toward_crowd_kt: {comfortable: 14, limit: 140}",
        "figures[1].limits.wind_toward_crowd_kt.limit",
        "'140'",
        "knots, from 0 to 80",
    ),
    (
        "routine.yaml",
        15,
        "wind_toward_crowd_kt",
        "wind_to_crowd_kt",
        "figures[1].limits.wind_to_crowd_kt",
        "an unknown key",
        "did you mean wind_toward_crowd_kt",
    ),
    (
        "routine.yaml",
        14,
        "    limits:\n      wind_toward_crowd_kt: {comfortable: 14, limit: 20}",
        "    limits: {}",
        "figures[1].limits",
        "a group of keys",
        "at least one of density_altitude_ft",
    ),
    (
        "bookings.yaml",
        8,
        "- id: second",
        "- id: first",
        "[1].id",
        "'first'",
        "no other booking",
    ),
    (
        "bookings.yaml",
        8,
        "- id: second",
        "- id: Second One",
        "[1].id",
        "'Second One'",
        "small letters",
    ),
    (
        "bookings.yaml",
        10,
        "show_days: [2027-08-01]",
        "show_days: []",
        "[1].show_days",
        "0 in the list",
        "at least 1",
    ),
    (
        "bookings.yaml",
        3,
        "[2027-07-10, 2027-07-11]",
        "[2027-07-11, 2027-07-10]",
        "[0].show_days",
        "a list",
        "in order",
    ),
    (
        "bookings.yaml",
        10,
        "[2027-08-01]",
        "[2027-11-01]",
        "[1].show_days[0]",
        "'2027-11-01'",
        "2027-04-01 to 2027-10-31",
    ),
    (
        "bookings.yaml",
        5,
        "offered: 14:30",
        "offered: 2:30 pm",
        "[0].offered",
        "'2:30 pm'",
        "written 14:30",
    ),
    (
        "bookings.yaml",
        5,
        "offered: 14:30",
        "offered: 870",
        "[0].offered",
        "'870'",
        "written 14:30",
    ),
    (
        "bookings.yaml",
        5,
        "offered: 14:30",
        "offered: 24:00",
        "[0].offered",
        "'24:00'",
        "written 14:30",
    ),
    (
        "bookings.yaml",
        11,
        "to: 15:00",
        "to: 10:00",
        "[1].window.to",
        "'10:00'",
        "after from, 11:00",
    ),
    (
        "bookings.yaml",
        11,
        "to: 15:00",
        "to: 11:10",
        "[1].window",
        "a group of keys",
        "at least length_min, 15",
    ),
    (
        "bookings.yaml",
        12,
        "state: enquiry",
        "state: inquiry",
        "[1].state",
        "'inquiry'",
        "did you mean enquiry",
    ),
    (
        "bookings.yaml",
        7,
        "fee: 9000",
        "fee: $9000",
        "[0].fee",
        "'$9000'",
        "an amount of money",
    ),
    (
        "bookings.yaml",
        7,
        "fee: 9000",
        "fee: 90000000",
        "[0].fee",
        "'90000000'",
        "from 0 to 10,000,000",
    ),
    (
        "venues/lowfield.yaml",
        1,
        "id: lowfield",
        "id: highfield",
        "id",
        "'highfield'",
        "the file's name, lowfield",
    ),
    (
        "venues/lowfield.yaml",
        3,
        "latitude: 40.0",
        "latitude: 140.0",
        "latitude",
        "'140.0'",
        "degrees north, from -90 to 90",
    ),
    (
        "venues/lowfield.yaml",
        6,
        "timezone: America/Denver",
        "timezone: America/Dever",
        "timezone",
        "'America/Dever'",
        "did you mean America/Denver",
    ),
    (
        "venues/lowfield.yaml",
        7,
        "runway: {true_heading: 170}",
        "runway: {true_heading: 170, designator: 17}",
        "runway",
        "a group of keys",
        "exactly one of: true_heading; designator",
    ),
    (
        "venues/lowfield.yaml",
        7,
        "runway: {true_heading: 170}",
        "runway: {true_heading: 170, length_ft: 90000}",
        "runway.length_ft",
        "90000",
        "feet of usable length",
    ),
    (
        "venues/lowfield.yaml",
        8,
        "crowd_distance_ft: 500}",
        "crowd_distance_ft: 500, box_length_ft: 1000}",
        "show_line.box_length_ft",
        "1000",
        "looks like metres",
    ),
    (
        "venues/lowfield.yaml",
        7,
        "runway: {true_heading: 170}",
        "runway: {designator: 37}",
        "runway.designator",
        "'37'",
        "01 to 36",
    ),
    (
        "venues/lowfield.yaml",
        7,
        "runway: {true_heading: 170}",
        "runway: {icao: KDEN}",
        "runway.designator",
        "nothing",
        "designator beside icao",
    ),
    (
        "venues/lowfield.yaml",
        7,
        "runway: {true_heading: 170}",
        "runway: {icao: KDNE, designator: 17L}",
        "runway.icao",
        "'KDNE'",
        "runway table",
    ),
    (
        "venues/lowfield.yaml",
        7,
        "runway: {true_heading: 170}",
        "runway: {icao: KDEN, designator: 18}",
        "runway.designator",
        "'18'",
        "16L, 16R, 17L, 17R",
    ),
    (
        "venues/lowfield.yaml",
        8,
        "crowd_side: left",
        "crowd_side: north",
        "show_line.crowd_side",
        "'north'",
        "left, right",
    ),
    (
        "venues/lowfield.yaml",
        8,
        "crowd_distance_ft: 500",
        "crowd_distance_ft: 150",
        "show_line.crowd_distance_ft",
        "'150'",
        "looks like metres",
    ),
    (
        "venues/lowfield.yaml",
        15,
        "source: synthetic",
        "source: csv",
        "stations[0].climate",
        "a group of keys",
        "for a synthetic station",
    ),
    (
        "venues/lowfield.yaml",
        10,
        "elevation_ft: 5010",
        "elevation_ft: 5010\n    elevation_m: 1527",
        "stations[0]",
        "a group of keys",
        "exactly one of elevation_ft and elevation_m",
    ),
    (
        "venues/lowfield.yaml",
        16,
        "mean_temperature_c: 10",
        "mean_temperature_c: 50",
        "stations[0].climate.mean_temperature_c",
        "'50'",
        "looks like °F",
    ),
    (
        "venues/lowfield.yaml",
        17,
        "mean_temperature_c: 10",
        "mean_temperature_c: 10\n      pressure_hpa: 29.92",
        "stations[0].climate.pressure_hpa",
        "'29.92'",
        "looks like inches of mercury",
    ),
]


@pytest.mark.parametrize(("file", "line", "old", "new", "key", "found", "wanted"), FAULTS)
def test_fault(
    folder: Path, file: str, line: int, old: str, new: str, key: str, found: str, wanted: str
) -> None:
    """One mistake gives one fault, at its line, saying what was found and what is wanted."""
    edit(folder, file, old, new)
    faults = check_season(folder)
    assert [(f.file, f.key) for f in faults] == [(file, key)]
    assert found in faults[0].found
    assert wanted in faults[0].wanted
    assert faults[0].line == line
    with pytest.raises(InputError) as caught:
        load_season(folder)
    assert f"{file} line {line}, {key}: found" in str(caught.value)


def test_all_mistakes_at_once(folder: Path) -> None:
    """Mistakes in four files are told together, each with its place."""
    edit(folder, "season.yaml", "floor_agl_ft: 250", "floor_agl_ft: low")
    edit(folder, "routine.yaml", "figure: loop", "figure: lop")
    edit(folder, "bookings.yaml", "- id: second\n  venue: lowfield", "- id: second\n  venue: lowfeild")
    edit(folder, "bookings.yaml", "state: contracted", "state: signed")
    edit(folder, "venues/lowfield.yaml", "crowd_side: left", "crowd_side: north")
    places = {(f.file, f.line, f.key) for f in check_season(folder)}
    assert places == {
        ("season.yaml", 8, "pilot.floor_agl_ft"),
        ("routine.yaml", 3, "figures[0].figure"),
        ("bookings.yaml", 9, "[1].venue"),
        ("bookings.yaml", 6, "[0].state"),
        ("venues/lowfield.yaml", 8, "show_line.crowd_side"),
    }
    with pytest.raises(InputError, match="has 5 mistakes"):
        load_season(folder)


@pytest.mark.parametrize(
    ("text", "line", "found", "wanted"),
    [
        ("name: a\nname: b\n", 2, "given twice (first on line 1)", "each key once"),
        ("name: [a\n", 2, "a YAML error", "YAML"),
        ("a: &x {b: 1}\nc: *x\n", 2, "may not hold", "without & and *"),
        ("name: !!python/name:os.system x\n", 1, "the tag", "without a tag"),
        ("name: !!int 3\n", 1, "the tag", "without a tag"),
        ("? [a]\n: b\n", 1, "not text", "a plain word"),
        ("name: \"a\\0b\"\n", 1, "0x0", "printable"),
        ("name: \"\\uD800\"\n", 1, "0xd800", "printable"),
        ("name: \"\\UFFFFFFFF\"\n", None, "no character", "printable"),
        ("a: 1\nb: \x07\n", 2, "0x7", "printable"),
        ("[" * 200, 1, "may not hold", "levels of nesting"),
        ("--- a\n--- b\n", 2, "a YAML error", "YAML"),
    ],
)  # fmt: skip
def test_refused_yaml(folder: Path, text: str, line: int | None, found: str, wanted: str) -> None:
    """YAML that could be read in two ways, or is none, is refused at its line."""
    (folder / "season.yaml").write_text(text, encoding="utf-8")
    fault = next(f for f in check_season(folder) if found in f.found)
    assert (fault.file, fault.line) == ("season.yaml", line)
    assert wanted in fault.wanted


def test_not_text(folder: Path) -> None:
    """A file that is not UTF-8 is told with the line of the first bad byte."""
    (folder / "routine.yaml").write_bytes(b"name: a\nfigures: \xff\xfe\n")
    assert check_season(folder) == [Fault("routine.yaml", 2, "", "the byte 0xff", "UTF-8 text")]


@pytest.mark.parametrize("name", ["season.yaml", "routine.yaml", "bookings.yaml"])
def test_missing_and_empty_files(folder: Path, name: str) -> None:
    """A file that is not there is told as such; an empty one as empty."""
    (folder / name).write_text("", encoding="utf-8")
    assert [(f.file, f.found) for f in check_season(folder)] == [(name, "nothing")]
    (folder / name).unlink()
    assert [(f.file, f.found) for f in check_season(folder)] == [(name, "no such file")]


def test_missing_folders(folder: Path) -> None:
    """No season folder, no venues folder, an empty one, and a strange file in it."""
    assert check_season(folder / "nowhere")[0].wanted.startswith("a season folder;")
    (folder / "venues" / "notes.txt").write_text("x", encoding="utf-8")
    assert [f.file for f in check_season(folder)] == ["venues/notes.txt"]
    shutil.rmtree(folder / "venues")
    assert ("venues", "no such folder") in [(f.file, f.found) for f in check_season(folder)]
    (folder / "venues").mkdir()
    assert ("venues", "an empty folder") in [(f.file, f.found) for f in check_season(folder)]


def test_missing_key_names_its_group(folder: Path) -> None:
    """A key left out is told at the line of the group it belongs to."""
    edit(folder, "season.yaml", "  floor_agl_ft: 250\n", "")
    assert check_season(folder) == [Fault("season.yaml", 6, "pilot.floor_agl_ft", "nothing", "this key")]


def test_home_of_its_own(folder: Path) -> None:
    """Home may be a place that is no venue; its mistakes are told by key."""
    place = "home: {name: Barn, latitude: 41, longitude: -105, elevation_ft: 300}"
    edit(folder, "season.yaml", "home: lowfield", place)
    home = load_season(folder).home
    assert isinstance(home, inputs.Home)
    assert (home.name, home.elevation_ft) == ("Barn", 300.0)
    edit(folder, "season.yaml", "latitude: 41", "latitude: 141")
    assert [(f.line, f.key) for f in check_season(folder)] == [(9, "home.latitude")]
    edit(folder, "season.yaml", "latitude: 141", "lattitude: 41")
    assert [(f.line, f.key) for f in check_season(folder)] == [(9, "home.lattitude")]


def test_venue_without_station(folder: Path) -> None:
    """A venue needs a station."""
    text = (folder / "venues/lowfield.yaml").read_text(encoding="utf-8")
    text = text[: text.index("stations:")]
    (folder / "venues/lowfield.yaml").write_text(text + "stations: []\n", encoding="utf-8")
    (fault,) = check_season(folder)
    assert (fault.line, fault.key) == (9, "stations")
    assert "showhour stations near venues/lowfield.yaml" in fault.wanted
    (folder / "venues/lowfield.yaml").write_text(text, encoding="utf-8")
    (fault,) = check_season(folder)
    assert (fault.key, fault.found) == ("stations", "nothing")
    assert "showhour stations near venues/lowfield.yaml" in fault.wanted


def test_station_files(folder: Path) -> None:
    """A station's file is looked for in the season folder; one name or several may be given."""
    text = (folder / "venues/lowfield.yaml").read_text(encoding="utf-8")
    text = (
        text[: text.index("    climate:")].replace("source: synthetic", "source: csv") + "    file: low.csv\n"
    )
    (folder / "venues/lowfield.yaml").write_text(text, encoding="utf-8")
    (fault,) = check_season(folder)
    assert (fault.line, fault.key, fault.found) == (15, "stations[0].file", "no file 'low.csv'")
    (folder / "low.csv").write_text("time_utc,temperature_c\n", encoding="utf-8")
    season = load_season(folder)
    assert season.station_files(season.venues[0].stations[0]) == (folder / "low.csv",)
    before = season_digest(folder)
    (folder / "low.csv").write_text("time_utc,wind_speed_kt\n", encoding="utf-8")
    assert season_digest(folder) != before
    edit(folder, "venues/lowfield.yaml", "file: low.csv", "file: [low.csv, later.csv]")
    (fault,) = check_season(folder)
    assert fault.found == "no file 'later.csv'"


def warnings_of(folder: Path) -> list[tuple[str, str, str]]:
    return [(f.key, f.found, f.wanted) for f in load_season(folder).warnings]


def test_warning_slot_outside_window(folder: Path) -> None:
    """A slot that ends after the window is allowed, and told."""
    edit(folder, "bookings.yaml", "offered: 14:30", "offered: 15:50")
    ((key, found, wanted),) = warnings_of(folder)
    assert (key, found) == ("[0].offered", "'15:50'")
    assert "10:00 to 16:00" in wanted


def test_warning_routine_longer_than_slot(folder: Path) -> None:
    """36 s and 75 s are 1.85 minutes; a slot of 1 minute is too short."""
    edit(folder, "bookings.yaml", "fee: 9000", "length_min: 1")
    ((key, _, wanted),) = warnings_of(folder)
    assert key == "[0].length_min"
    assert "1.9 minutes" in wanted or "1.8 minutes" in wanted


def test_warning_after_dark(folder: Path) -> None:
    """At 40°N 105°W on 1 August 2027 the sun sets at about 20:15 MDT (from memory of almanacs, ±5 min)."""
    edit(folder, "bookings.yaml", "{from: 11:00, to: 15:00}", "{from: 19:00, to: 20:30}")
    ((key, found, wanted),) = warnings_of(folder)
    assert (key, found) == ("[1].show_days[0]", "19:00 to 20:30 on 2027-08-01")
    assert any(f"sunset, 20:{minute:02d}" in wanted for minute in range(10, 21))


def test_sunset_against_published_example(folder: Path) -> None:
    """NREL's solar position example (2003-10-17, 39.742476 N 105.1786 W, UTC-7).

    The sun rises at 06:12:43 and sets at 17:20:19, as in the comments of NREL's published SPA source
    (recalled from memory). Two minutes allow for the simpler equations used here.
    """
    venue = dataclasses.replace(load_season(folder).venues[0], latitude=39.742476, longitude=-105.1786)
    light = inputs._daylight(venue, dt.date(2003, 10, 17))
    assert light is not None
    zone = dt.timezone(dt.timedelta(hours=-7))
    rise = dt.datetime(2003, 10, 17, 6, 12, 43, tzinfo=zone)
    fall = dt.datetime(2003, 10, 17, 17, 20, 19, tzinfo=zone)
    assert abs(light[0] - rise) < dt.timedelta(minutes=2)
    assert abs(light[1] - fall) < dt.timedelta(minutes=2)


def test_polar_day_and_night(folder: Path) -> None:
    """At 80°N the sun stays up in July and down in December."""
    venue = dataclasses.replace(load_season(folder).venues[0], latitude=80.0)
    light = inputs._daylight(venue, dt.date(2027, 7, 1))
    assert light is not None
    assert light[1] - light[0] == dt.timedelta(hours=24)
    assert inputs._daylight(venue, dt.date(2027, 12, 20)) is None


def test_clock_changes(folder: Path) -> None:
    """US clocks skip 02:00–03:00 on 14 March 2027 and repeat 01:00–02:00 on 7 November (15 USC 260a)."""
    edit(folder, "season.yaml", "first_day: 2027-04-01", "first_day: 2027-03-01")
    edit(folder, "season.yaml", "last_day: 2027-10-31", "last_day: 2027-11-30")
    edit(folder, "bookings.yaml", "[2027-07-10, 2027-07-11]", "[2027-03-14]")
    edit(folder, "bookings.yaml", "{from: 10:00, to: 16:00}", "{from: 02:30, to: 16:00}")
    (fault,) = check_season(folder)
    assert (fault.line, fault.key) == (3, "[0].show_days[0]")
    assert "skip 02:30" in fault.wanted

    edit(folder, "bookings.yaml", "[2027-03-14]", "[2027-11-07]")
    edit(folder, "bookings.yaml", "{from: 02:30, to: 16:00}", "{from: 01:30, to: 16:00}")
    assert "01:30 comes twice" in warnings_of(folder)[0][2]
    season = load_season(folder)
    # The first 01:30 is daylight time, UTC-6.
    assert season.venues[0].utc(dt.date(2027, 11, 7), dt.time(1, 30)).hour == 7


def test_warning_stations(folder: Path) -> None:
    """A station more than 1,000 ft or 30 NM off is told: 2,000 ft is 3,000 ft below.

    1,527 is 5,010 ft in metres: in a feet key, near the venue, that is a mistake and no warning.
    """
    edit(folder, "venues/lowfield.yaml", "elevation_ft: 5010", "elevation_ft: 2000")
    ((key, found, wanted),) = warnings_of(folder)
    assert (key, found) == ("stations[0].elevation_ft", "a station 3,000 ft below the venue")
    assert "metres" in wanted
    edit(folder, "venues/lowfield.yaml", "elevation_ft: 2000", "elevation_ft: 1527")
    (fault,) = check_season(folder)
    assert (fault.key, fault.found) == ("stations[0].elevation_ft", "'1527'")
    assert "metres" in fault.wanted
    edit(folder, "venues/lowfield.yaml", "elevation_ft: 1527", "elevation_ft: 5010")
    # A degree of latitude is 60 NM.
    edit(folder, "venues/lowfield.yaml", "latitude: 40.1", "latitude: 41.0")
    ((key, found, _),) = warnings_of(folder)
    assert (key, found) == ("stations[0].latitude", "a station 60 NM from the venue")


def test_warning_longitude_sign(folder: Path) -> None:
    """Longitude +105 with Denver's clock is in the wrong hemisphere."""
    text = (folder / "venues/lowfield.yaml").read_text(encoding="utf-8")
    (folder / "venues/lowfield.yaml").write_text(text.replace("-105.0", "105.0"), encoding="utf-8")
    assert ("timezone", "'America/Denver'") in [w[:2] for w in warnings_of(folder)]


def test_waivers(folder: Path) -> None:
    """A venue's minima replace the season's; of two floors the higher holds; a laxer waiver is told."""
    edit(
        folder, "venues/lowfield.yaml", "timezone:",
        "floor_agl_ft: 500\nact: {ceiling_ft: {comfortable: 2000, limit: 1000}}\ntimezone:",
    )  # fmt: skip
    season = load_season(folder)
    venue = season.venues[0]
    assert season.floor_agl_ft(venue) == 500.0
    limits = season.act_limits(venue)
    assert (limits.ceiling_ft.limit, limits.visibility_sm.limit) == (1000.0, 3.0)
    assert [w[0] for w in warnings_of(folder)] == ["act.ceiling_ft.limit"]
    edit(folder, "venues/lowfield.yaml", "floor_agl_ft: 500", "floor_agl_ft: 100")
    season = load_season(folder)
    assert season.floor_agl_ft(season.venues[0]) == 250.0
    assert warnings_of(folder)[0][0] == "floor_agl_ft"
    assert "looks like metres" in load_season(folder).warnings[0].wanted
    elevation = season.venues[0].elevation_ft
    edit(folder, "venues/lowfield.yaml", "floor_agl_ft: 100", f"floor_agl_ft: {elevation:g}")
    assert "looks like a height above sea level" in load_season(folder).warnings[0].wanted


def test_floors_that_look_like_metres_are_told(folder: Path) -> None:
    """The pilot's, a waiver's and a paper's: 250, 500 and 300 ft, each in metres."""
    edit(folder, "season.yaml", "floor_agl_ft: 250", "floor_agl_ft: 76")
    edit(folder, "venues/lowfield.yaml", "timezone:", "floor_agl_ft: 152\ntimezone:")
    (folder / "paperwork.yaml").write_text(
        "- {kind: competency, name: Card, expires: 2027-12-31, floor_agl_ft: 91}\n", encoding="utf-8"
    )
    told = {(w.file, w.key): w.wanted for w in load_season(folder).warnings}
    assert "76 looks like 250 ft in metres" in told["season.yaml", "pilot.floor_agl_ft"]
    assert "152 looks like 500 ft in metres" in told["venues/lowfield.yaml", "floor_agl_ft"]
    assert "91 looks like 300 ft in metres" in told["paperwork.yaml", "[0].floor_agl_ft"]


def test_climate_settings_are_the_climate(folder: Path) -> None:
    """The keys, defaults and ranges of a climate in YAML are those of the climate itself."""
    written = ClimateSettings(mean_temperature_c=10, annual_range_c=20, diurnal_range_c=10)
    assert Climate(**written.model_dump()) == Climate(10.0, 20.0, 10.0)
    for name, (low, high) in synthetic._RANGES.items():
        for value in (low, high):
            ClimateSettings.model_validate({**written.model_dump(), name: f"{value:g}"})
        for value in (low - 1.0, high + 1.0):
            with pytest.raises(ValueError, match=name):
                ClimateSettings.model_validate({**written.model_dump(), name: f"{value:g}"})


def test_models_are_frozen(folder: Path) -> None:
    """A season, once read, is not edited."""
    season = load_season(folder)
    with pytest.raises(ValueError, match="frozen"):
        season.bookings[0].fee = 1.0  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        season.year = 2028  # type: ignore[misc]


# --- Digest and demonstration season ---


def test_digest(folder: Path, tmp_path: Path) -> None:
    """The digest follows the settings' names and bytes, and nothing else in the folder."""
    before = season_digest(folder)
    (folder / "notes.txt").write_text("x", encoding="utf-8")
    assert season_digest(folder) == before
    assert season_digest(write(tmp_path / "elsewhere")) == before
    edit(folder, "routine.yaml", "seconds: 36", "seconds: 37")
    assert season_digest(folder) != before


def test_demo_season() -> None:
    """The demonstration: no mistakes, no warnings, invented, and every case it is there to show."""
    season = load_season(demo_folder())
    assert season.warnings == ()
    assert season.invented
    assert len(season.venues) >= 8
    assert 14 <= len(season.bookings) <= 18
    assert {b.state for b in season.bookings} == {"enquiry", "hold", "contracted", "passed"}
    assert len(season.routine.figures) >= 12
    assert min(v.elevation_ft for v in season.venues) == 12
    assert max(v.elevation_ft for v in season.venues) > 6500
    assert {s.source for v in season.venues for s in v.stations} == {"synthetic"}
    assert any(len(b.show_days) == 2 for b in season.bookings)
    beach = season.venue("saltreach")
    assert (beach.operating.name, beach.operating.elevation_ft) == ("Dunmarrow Field", 140)
    late_august = [b for b in season.bookings if season.venue(b.venue).elevation_ft == 2437]
    assert {(b.show_days[0].month, b.slot.hour) for b in late_august} == {(8, 19), (8, 14)}
    home = season.venue(str(season.home))
    assert home.elevation_ft < 500


def demo_density_altitude_ft(season: Season, venue_id: str, month: int, hour: int) -> np.ndarray:
    """Density altitudes of a demonstration venue's station, at an hour of the solar day of a month."""
    station = season.venue(venue_id).stations[0]
    assert station.climate is not None
    hours = synthetic.synthesize(
        station.id,
        Climate(**station.climate.model_dump()),
        first_year=season.history.first_year,
        last_year=season.history.last_year,
        latitude=station.latitude,
        longitude=station.longitude,
        elevation_m=station.elevation,
    )
    solar = (hours["time"].dt.hour.values + round(station.longitude / 15.0)) % 24
    hours = hours.isel(time=(hours["time"].dt.month.values == month) & (solar == hour))
    metres = density_altitude(
        hours["surface_air_pressure"].values,
        hours["air_temperature"].values,
        hours["dew_point_temperature"].values,
    )
    return metres[np.isfinite(metres)] / 0.3048


def test_demo_air_asks_for_the_routine_it_shows() -> None:
    """Nearly every figure is flown on an ordinary day; on a hot high afternoon several go.

    Common practice, no source: holding a figure back is rare for any one figure in ordinary air. Low
    venues stay below every comfortable density altitude nine days in ten; the highest in July is past the
    limit of some figures and past comfortable for most on its median day, but keeps the gentle ones.
    """
    season = load_season(demo_folder())
    limits = [f.limits.density_altitude_ft for f in season.routine.figures]
    stated = [limit for limit in limits if limit is not None]
    for venue_id, month in (("quillmere", 5), ("saltreach", 7), ("north-shingle", 7), ("tallgrass", 8)):
        high = np.quantile(demo_density_altitude_ft(season, venue_id, month, 14), 0.9)
        assert high < min(limit.comfortable for limit in stated), venue_id
    # 14:25 and 19:20 by the clock at 120° W in summer time are 13 h and 18 h by the sun.
    afternoon, evening = (
        float(np.median(demo_density_altitude_ft(season, "cobble-flats", 8, hour))) for hour in (13, 18)
    )
    assert 4500.0 < evening < afternoon - 200.0
    median = float(np.median(demo_density_altitude_ft(season, "high-larch", 7, 14)))
    assert 9000.0 < median < 10_500.0
    assert 3 <= sum(limit.limit <= median for limit in stated) <= 6
    assert sum(limit.comfortable <= median for limit in stated) >= len(stated) / 2
    assert sum(limit.comfortable > median for limit in stated) >= 2


def test_copy_demo(tmp_path: Path) -> None:
    """The copy is a season of its own, and is never written over another."""
    target = copy_demo(tmp_path / "new" / "season")
    assert season_digest(target) == season_digest(demo_folder())
    (target / "season.yaml").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="is there already"):
        copy_demo(target)
    assert (target / "season.yaml").read_text(encoding="utf-8") == "mine"
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="is there already"):
        copy_demo(tmp_path / "file")
    (tmp_path / "empty").mkdir()
    assert isinstance(load_season(copy_demo(tmp_path / "empty")), Season)
    with pytest.raises(InputError, match="cannot be written"):
        copy_demo(tmp_path / "file" / "below")
    assert not list(tmp_path.rglob(".new-*"))


def test_import_is_light() -> None:
    """Reading seasons needs neither pandas, xarray, SciPy nor a station library."""
    script = (
        "import sys, pipeline.inputs as i\n"
        "i.load_season(i.demo_folder())\n"
        "print([m for m in ('pandas', 'xarray', 'scipy', 'meteostat', 'airportsdata') if m in sys.modules])"
    )
    run = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True, text=True, check=True, cwd=Path(inputs.__file__).parents[1],
    )  # fmt: skip
    assert run.stdout.strip() == "[]"


# --- Anything at all ---

KEYS = sorted(
    {word for text in FILES.values() for word in text.replace(":", " ").split()} | {"&a", "*a", "!!x"}
)
MARKS = [": ", "- ", "\n", "\n  ", "{", "}", "[", "]", ",", '"', "#", "|", ">", "%", "? "]
SNIPPETS = st.lists(
    st.one_of(st.sampled_from(KEYS), st.sampled_from(MARKS), st.text(max_size=4)),
    max_size=30,
).map("".join)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("any")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(name=st.sampled_from(sorted(FILES)), text=st.one_of(st.text(max_size=80), SNIPPETS))
def test_any_text_gives_faults(shared: Path, name: str, text: str) -> None:
    """Whatever stands in a file, the answer is a season or faults with a place, never a crash."""
    write(shared)
    (shared / name).write_bytes(text.encode("utf-8", "surrogatepass"))
    faults = check_season(shared)
    assert faults
    for fault in faults:
        assert fault.wanted
        assert str(fault).encode("utf-8")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_any_edit_gives_a_season_or_faults(shared: Path, data: st.DataObject) -> None:
    """A good season with one stretch of one file replaced is a season or has faults in the folder."""
    write(shared)
    name = data.draw(st.sampled_from(sorted(FILES)))
    text = FILES[name]
    start = data.draw(st.integers(0, len(text)))
    stop = data.draw(st.integers(start, min(len(text), start + 12)))
    put = data.draw(st.one_of(st.text(max_size=8), st.sampled_from(KEYS), st.integers().map(str)))
    (shared / name).write_bytes((text[:start] + put + text[stop:]).encode("utf-8", "surrogatepass"))
    faults = check_season(shared)
    if faults:
        with pytest.raises(InputError):
            load_season(shared)
    else:
        season = load_season(shared)
        for booking in season.bookings:
            assert isinstance(booking, Booking)
            assert booking.window_from < booking.window_to
        for figure in season.routine.figures:
            assert all(limit.comfortable < limit.limit for limit in figure.limits.stated.values())


_SIGNS = [
    "a", "b: ", ": ", "\n", "\n  ", "\n- ", "- ", "[", "]", "{", "}", ", ", "'", '"', "\\n", "# c",
    "|\n  ", ">-\n  ", "&x ", "*x", "!!int ", "\u00e9", "\x85", "\u2028", "\ufeff", "\t", "? ",
    "\n---\n", "\r\n", "\x00", "\ud800",
]  # fmt: skip


@settings(deadline=None, max_examples=300)
@given(text=st.lists(st.sampled_from(_SIGNS), max_size=14).map("".join))
def test_both_yaml_parsers_read_the_same(text: str) -> None:
    """What PyYAML's own parser takes, the one in C takes too, and finds the same values and lines; any
    mistake is told in the words of the first.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(yaml, "__with_libyaml__", False)
        plain_faults: list[Fault] = []
        plain = parse_settings(text, "f", plain_faults)
    faults: list[Fault] = []
    quick = parse_settings(text, "f", faults)
    if plain is not None:
        assert quick is not None
        assert (quick.value, faults) == (plain.value, plain_faults)
        assert quick.value == "" or quick.lines == plain.lines
    elif quick is None:
        assert faults == plain_faults
