"""The first season as text: valid whatever is entered, with starting limits on the careful side."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline import starter
from pipeline.errors import InputError
from pipeline.inputs import TRADE_FIGURES, Limit, demo_folder, lay_folder, load_season

STATION = starter.StartStation("ghcnh", "USW00000001", "Somewhere", 40.5, -105.25, 5300.0)
VENUE = starter.StartVenue(
    name="Juniper Mesa",
    icao="",
    latitude=40.25,
    longitude=-105.5,
    elevation_ft=5200.0,
    timezone="America/Denver",
    designator="",
    true_heading=95.0,
    line_true_heading=95.0,
    crowd_side="left",
    crowd_distance_ft=500.0,
    station=STATION,
)
BOOKING = starter.StartBooking(
    show_days=(dt.date(2027, 6, 5), dt.date(2027, 6, 6)),
    window_from=dt.time(12),
    window_to=dt.time(16),
    offered=dt.time(14),
    length_min=15,
    state="hold",
    fee=9000.0,
    currency="USD",
)


def files(**other: object) -> dict[str, str]:
    entered = {
        "season": "A first season",
        "pilot": "Pilot of a test",
        "floor_agl_ft": 500.0,
        "venue": VENUE,
        "booking": BOOKING,
        "figures": starter.FIGURES,
    } | other
    return starter.season_files(**entered)  # type: ignore[arg-type]


def laid(folder: Path, texts: dict[str, str]) -> Path:
    return lay_folder(folder, {name: text.encode() for name, text in texts.items()})


def test_what_is_entered_is_what_is_read(tmp_path: Path) -> None:
    """Every entry comes back from the written folder, which has no mistake and no warning."""
    assert starter.mistakes(files()) == []
    season = load_season(laid(tmp_path / "season", files()))
    assert (season.name, season.year, season.invented) == ("A first season", 2027, False)
    assert (season.pilot.name, season.pilot.floor_agl_ft) == ("Pilot of a test", 500.0)
    (venue,) = season.venues
    assert (venue.id, venue.name, venue.timezone) == ("juniper-mesa", "Juniper Mesa", "America/Denver")
    assert (venue.latitude, venue.longitude, venue.elevation_ft) == (40.25, -105.5, 5200.0)
    assert venue.runway_true_heading == 95.0
    assert (venue.show_line.true_heading, venue.show_line.crowd_side) == (95.0, "left")
    (station,) = venue.stations
    assert (station.source, station.id, station.elevation_ft) == ("ghcnh", "USW00000001", 5300.0)
    (booking,) = season.bookings
    assert booking.show_days == BOOKING.show_days
    assert (booking.window_from, booking.window_to, booking.slot) == (dt.time(12), dt.time(16), dt.time(14))
    assert (booking.state, booking.fee, season.currency) == ("hold", 9000.0, "USD")
    assert [(f.name, f.figure) for f in season.routine.figures] == [
        (f.name, f.figure) for f in starter.FIGURES
    ]
    # The whole list is longer than a slot of a quarter of an hour may be, and nothing else is remarked.
    assert all(w.key.endswith("length_min") for w in season.warnings) or not season.warnings


def test_an_airfield_of_the_tables_gives_the_place() -> None:
    """Boulder, Colorado: 5,288 ft, runway 08/26 near 90° true, Mountain time (the published airport data)."""
    known = starter.known_airfield("KBDU")
    assert known is not None
    assert known.elevation_ft == pytest.approx(5288, abs=1)
    assert known.timezone == "America/Denver"
    assert known.runways["08"] == pytest.approx(90.0, abs=1.0)
    assert (known.latitude, known.longitude) == (
        pytest.approx(40.04, abs=0.01),
        pytest.approx(-105.23, abs=0.01),
    )
    venue = dataclasses.replace(
        VENUE,
        icao="KBDU",
        latitude=known.latitude,
        longitude=known.longitude,
        elevation_ft=known.elevation_ft,
        designator="08",
    )
    assert starter.mistakes(files(venue=venue)) == []
    assert starter.known_airfield("QQQQ") is None


def test_every_starting_limit_is_marked_and_stricter_than_the_demonstration(tmp_path: Path) -> None:
    """No starting value is looser than the invented demo pilot's for the same trade figure and cause, and
    every line of limits says that it is a starting value."""
    demo = load_season(demo_folder())
    stated: dict[str, list[dict[str, Limit]]] = {}
    for figure in demo.routine.repertoire:
        stated.setdefault(figure.figure, []).append(figure.limits.stated)
    season = load_season(laid(tmp_path / "season", files()))
    compared = 0
    for figure in season.routine.figures:
        assert figure.figure in TRADE_FIGURES
        for cause, limit in figure.limits.stated.items():
            for other in stated[figure.figure]:
                if cause in other:
                    compared += 1
                    assert limit.comfortable < other[cause].comfortable, (figure.name, cause)
                    assert limit.limit < other[cause].limit, (figure.name, cause)
    assert compared > 30
    assert season.act.runway_crosswind_kt.limit < demo.act.runway_crosswind_kt.limit
    assert season.act.ceiling_ft.limit > demo.act.ceiling_ft.limit
    assert season.act.visibility_sm.limit > demo.act.visibility_sm.limit
    assert season.act.thunder == "stop"
    texts = files()
    assert texts["routine.yaml"].count("# starting value, yours to set") == len(starter.FIGURES)
    assert texts["season.yaml"].count("# starting value, yours to set") == 3


def test_a_new_season_is_never_written_over_anything(tmp_path: Path) -> None:
    """A folder with a file of any name in it is left alone; an empty one stays the same folder."""
    empty = tmp_path / "empty"
    empty.mkdir()
    node = empty.stat().st_ino
    laid(empty, files())
    assert empty.stat().st_ino == node
    assert sorted(p.relative_to(empty).as_posix() for p in empty.rglob("*")) == [
        "bookings.yaml",
        "routine.yaml",
        "season.yaml",
        "venues",
        "venues/juniper-mesa.yaml",
    ]
    before = {p: p.read_bytes() for p in empty.rglob("*.yaml")}
    with pytest.raises(InputError, match="is there already"):
        laid(empty, files(season="Another"))
    assert {p: p.read_bytes() for p in empty.rglob("*.yaml")} == before


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(max_size=40), pilot=st.text(max_size=40), place=st.text(max_size=40))
@example(name="0", pilot="0\x850", place="0")
@example(name="0", pilot="0", place="0\u20280")
def test_any_words_are_kept_or_refused(
    tmp_path_factory: pytest.TempPathFactory, name: str, pilot: str, place: str
) -> None:
    """Whatever is typed as a name comes back as typed, edges trimmed, or is a mistake with a place: never
    another file, and never a key of its own."""
    texts = files(season=name, pilot=pilot, venue=dataclasses.replace(VENUE, name=place))
    assert set(texts) == {
        "season.yaml",
        "bookings.yaml",
        "routine.yaml",
        f"venues/{starter.short_name(place)}.yaml",
    }
    faults = starter.mistakes(texts)
    if faults:
        assert all(f.key in ("name", "pilot.name") or f.line for f in faults)
        return
    season = load_season(laid(tmp_path_factory.mktemp("any") / "season", texts))
    assert (season.name, season.pilot.name) == (name.strip(), pilot.strip())
    assert season.venues[0].name == place.strip()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    latitude=st.floats(-60, 60),
    longitude=st.floats(-179, 179),
    elevation=st.floats(0, 12_000),
    heading=st.floats(0, 359.9),
)
def test_any_place_is_kept(
    tmp_path_factory: pytest.TempPathFactory,
    latitude: float,
    longitude: float,
    elevation: float,
    heading: float,
) -> None:
    """A place comes back to ten digits, far finer than a survey."""
    station = dataclasses.replace(STATION, latitude=latitude, longitude=longitude, elevation_ft=elevation)
    venue = dataclasses.replace(
        VENUE,
        latitude=latitude,
        longitude=longitude,
        elevation_ft=elevation,
        true_heading=heading,
        timezone="UTC",
        station=station,
    )
    season = load_season(laid(tmp_path_factory.mktemp("any") / "season", files(venue=venue)))
    (read,) = season.venues
    assert math.isclose(read.latitude, latitude, rel_tol=1e-9, abs_tol=1e-9)
    assert math.isclose(read.longitude, longitude, rel_tol=1e-9, abs_tol=1e-9)
    assert math.isclose(read.elevation_ft, elevation, rel_tol=1e-9, abs_tol=1e-9)
    assert math.isclose(read.runway_true_heading, heading, rel_tol=1e-9, abs_tol=1e-9)
