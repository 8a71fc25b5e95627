"""Tables, netCDF and the calendar, read back by other libraries."""

from __future__ import annotations

import csv
import datetime as dt
import io
import os
import time
from dataclasses import replace
from pathlib import Path

import icalendar
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from papers_season import AFTERNOON, BEACH, HIGH, papers_season
from scipy.stats.mstats import mquantiles

from pipeline import exports
from pipeline.air.variables import FT
from pipeline.cli import main
from pipeline.errors import InputError
from pipeline.exports import Event
from pipeline.paperwork import calendar_events
from pipeline.results import CAUTIONS, netcdf_file
from pipeline.run import results_path
from pipeline.season_routines import routines_told

STAMP = dt.datetime(2027, 1, 2, 3, 4, 5, tzinfo=dt.UTC)


def test_tables_hold_the_results(tmp_path: Path) -> None:
    """Read back by pandas: every day and slot once, chances and feet as the results hold them."""
    ds = papers_season().ds
    written = exports.write_tables(ds, tmp_path)
    assert [p.name for p in written] == ["bookings.csv", "slots.csv", "figures.csv", "CAUTIONS.txt"]
    assert written[-1].read_text() == "\n".join(CAUTIONS) + "\n"
    slots = pd.read_csv(tmp_path / "slots.csv")
    n = ds["day_slots"].to_numpy()
    assert len(slots) == n.sum()
    assert not slots.duplicated(["booking", "date", "slot_local"]).any()
    first = ds["density_altitude_quantile"].to_numpy()
    middle = int(np.argmin(np.abs(ds["quantile"].to_numpy() - 0.5)))
    wanted = np.concatenate([first[d, : n[d], middle] / FT for d in range(len(n))])
    np.testing.assert_allclose(slots["density_altitude_median_ft"], wanted, rtol=1e-5)
    assert set(slots["gusts"]) <= set(ds["venue_gusts"].to_numpy())
    assert set(slots.loc[slots["in_discussion"] == 1, "booking"]) == set(ds["booking"].to_numpy())
    figures = pd.read_csv(tmp_path / "figures.csv")
    assert len(figures) == n.sum() * ds.sizes["figure"]
    bookings = pd.read_csv(tmp_path / "bookings.csv")
    assert list(bookings["trust_grade"]) == list(ds["booking_trust_grade"].to_numpy())
    assert set(bookings["trust_grade"]) <= {"good", "with care", "poor"}
    np.testing.assert_allclose(bookings["as_planned"], ds["booking_as_planned"].to_numpy(), rtol=1e-5)


def test_tables_leave_the_unknown_empty() -> None:
    """A missing number is an empty cell, never 0 and never nan."""
    ds = papers_season().ds.copy()
    ds["booking_as_planned"] = ds["booking_as_planned"] * np.nan
    rows = list(csv.DictReader(io.StringIO(exports.tables(ds)["bookings.csv"])))
    assert {row["as_planned"] for row in rows} == {""}


def test_netcdf_is_whole(tmp_path: Path) -> None:
    """Opened by xarray: the same variables and values, with units, the sampled air among them."""
    made = papers_season()
    ds = made.ds
    content = netcdf_file(results_path(made.folder, made.cache))
    with xr.open_dataset(exports.write_netcdf(content, tmp_path)) as back:
        assert set(back.data_vars) == set(ds.data_vars)
        assert back["density_altitude_quantile"].attrs["units"] == "m"
        np.testing.assert_array_equal(back["gust_quantile"].to_numpy(), ds["gust_quantile"].to_numpy())
        np.testing.assert_array_equal(back["sample_gust"][0].to_numpy(), ds["sample_gust"][0].to_numpy())
        assert back.attrs == ds.attrs


def test_quantiles_are_said_to_be_what_they_are() -> None:
    """Read off the samples in print, types 6 and 8 (SciPy's names for them) fall short of them at 1 in 10.

    Type 6 of n values is read at (n + 1) p: with the few independent values that a window's hours are, it
    lies further out than of all the hours.
    """
    ds = papers_season().ds
    further = []
    for day in range(ds.sizes["booking_day"]):
        slot = int(ds["day_offered_slot"][day])
        air = np.asarray(ds["sample_density_altitude"][day, slot].to_numpy(), dtype=float).ravel()
        told = ds["density_altitude_quantile"].to_numpy()[day, slot, -1]
        read = mquantiles(air[np.isfinite(air)], prob=[0.9], alphap=1 / 3, betap=1 / 3)[0]
        further.append(told - read)
    assert min(further) > 0.0
    assert "type 6 on the effective number" in ds["density_altitude_quantile"].attrs["long_name"]
    assert "type 8" in ds["density_altitude_carried_rest"].attrs["long_name"]


def test_the_command_writes_the_same_netcdf_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing in it depends on the second in which it was written, as its format's own stamps did."""
    made = papers_season()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(made.cache))
    for name in ("a", "b"):
        assert main(["export", str(made.folder), "--netcdf", "--into", str(tmp_path / name)]) == 0
        if name == "a":
            time.sleep(1.1)
    first, second = ((tmp_path / name / "showhour.nc").read_bytes() for name in ("a", "b"))
    assert first == second
    # The results' own checksum is no part of it.
    assert b"SHA-256" not in first[-200:]


def test_calendar_through_an_independent_parser() -> None:
    """`icalendar` reads the slots and the answer that is due; 15:00 in July, UTC-6, is 21:00 UTC."""
    made = papers_season()
    parsed = icalendar.Calendar.from_ical(
        exports.calendar(calendar_events(made.season, made.ds), made.season.name, STAMP)
    )
    events = {str(e["UID"]): e for e in parsed.walk("VEVENT")}
    slot = events[f"{HIGH}-2027-07-10-slot@showhour"]
    assert slot["DTSTART"].dt == dt.datetime(2027, 7, 10, 21, 0, tzinfo=dt.UTC)
    assert slot["DTEND"].dt - slot["DTSTART"].dt == dt.timedelta(minutes=15)
    assert "INVENTED" in str(slot["SUMMARY"])
    assert all(caution in str(slot["DESCRIPTION"]) for caution in CAUTIONS)
    reply = [e for uid, e in events.items() if uid.endswith("-reply@showhour")]
    assert [e["DTSTART"].dt for e in reply] == [dt.date(2027, 2, 28)]
    # Two days each at the high field and the beach, one evening, one afternoon.
    assert sum(uid.endswith("-slot@showhour") for uid in events) == 6


def test_practise_by_dates_are_those_of_the_missing_practice() -> None:
    """One entry for each practice day that the plan asks for, on its last day; none where all is current."""
    made = papers_season()
    practice = made.season.practice
    assert practice is not None
    # Nothing practised after 1 June: 45 days on it no longer counts for a show on 24 July or later.
    lapsed = replace(
        made.season,
        practice=practice.model_copy(
            update={"sessions": tuple(s for s in practice.sessions if s.date < dt.date(2027, 6, 1))}
        ),
    )
    for season in (made.season, lapsed):
        told = routines_told(made.ds, season)["practice"]
        events = [e for e in calendar_events(season, made.ds) if "practise" in e.uid]
        assert [str(e.start) for e in events] == [row["by"] for row in told["practise"]]
        for event, row in zip(events, told["practise"], strict=True):
            assert event.end == event.start + dt.timedelta(days=1)
            assert all(figure in event.description for figure in row["figures"])
            # For the thinnest of the shows that it is for, what practice low at home proves.
            thin = [r for r in told["rehearsal_air"] if r["booking"] in row["for"]]
            most = max(thin, key=lambda r: r["show_density_altitude_high_ft"])
            assert "it does not prove the figures" in most["low_at_home"]
            assert most["low_at_home"] in event.description
            assert f"{most['needle_ft']:,} ft on the altimeter" in event.description
        assert bool(events) == bool(told["refused"])
    assert events
    assert min(e.start for e in events) < dt.date(2027, 7, 24)


def test_without_a_practice_file_every_booking_has_the_days_that_count() -> None:
    """Within 45 days of the last of two show days, before the first: FAA air show special provisions."""
    made = papers_season()
    events = {e.uid: e for e in calendar_events(replace(made.season, practice=None), made.ds)}
    practise = events[f"{HIGH}-practise"]
    assert practise.start == dt.date(2027, 7, 11) - dt.timedelta(days=45)
    assert practise.end == dt.date(2027, 7, 10)
    assert {f"{BEACH}-practise", f"{AFTERNOON}-practise"} <= set(events)


def test_show_days_too_far_apart_for_one_practice_have_one_each() -> None:
    """Of 24 July and 8 September, 46 days, no day lies within 45 of both."""
    made = papers_season()
    days = (dt.date(2027, 7, 24), dt.date(2027, 9, 8))
    held = next(b for b in made.season.bookings if b.id == BEACH)
    spread = held.model_copy(update={"show_days": days})
    dates = made.ds["day_date"].to_numpy().copy()
    dates[made.ds["day_booking"].to_numpy() == BEACH] = [str(day) for day in days]
    ds = made.ds.assign(day_date=("booking_day", dates))
    season = replace(made.season, practice=None, bookings=(spread,))
    first, second = (e for e in calendar_events(season, ds) if "practise" in e.uid)
    assert (first.start, first.end) == (days[0] - dt.timedelta(days=45), days[0])
    assert (second.start, second.end) == (days[1] - dt.timedelta(days=45), days[1])
    assert first.uid != second.uid


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=200))
def test_any_text_survives_the_calendar(text: str) -> None:
    """Commas, semicolons, backslashes, and characters of several octets at a fold come back as they went in.

    RFC 5545 section 3.1: no line is longer than 75 octets.
    """
    event = Event("a", dt.date(2027, 5, 1), dt.date(2027, 5, 2), "x", f"y{text}\nnext, line; \\ end")
    written = exports.calendar([event], "Season", STAMP)
    assert max(len(line.encode()) for line in written.split("\r\n")) <= 75
    (parsed,) = icalendar.Calendar.from_ical(written).walk("VEVENT")
    assert str(parsed["DESCRIPTION"]) == event.description


def test_a_time_without_a_zone_is_refused() -> None:
    """A floating time would be read in whatever zone the reader is in."""
    moment = dt.datetime(2027, 5, 1, 12)
    with pytest.raises(ValueError, match="time zone"):
        exports.calendar([Event("a", moment, moment, "x", "")], "Season", STAMP)


def test_files_are_whole_or_absent(tmp_path: Path) -> None:
    """Where the place is no folder the error says so, and nothing is left behind."""
    (tmp_path / "file").write_text("here")
    with pytest.raises(InputError, match="cannot be written"):
        exports.write_calendar([], "Season", tmp_path / "file", STAMP)
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize(("kind", "names"), [("--csv", 4), ("--netcdf", 1), ("--ics", 1)])
def test_the_command(
    kind: str, names: int, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`export` writes the files it names."""
    made = papers_season()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(made.cache))
    assert main(["export", str(made.folder), kind, "--into", str(tmp_path)]) == 0
    printed = capsys.readouterr().out.split()
    assert len(printed) == names
    assert all(os.path.getsize(path) > 0 for path in printed)


def test_calendar_is_the_same_twice() -> None:
    """Nothing in it depends on the moment of writing: entries keep their identity from export to export."""
    made = papers_season()
    events = calendar_events(made.season, made.ds)
    assert exports.calendar(events, "S", STAMP) == exports.calendar(events, "S", STAMP)
    assert len({e.uid for e in events}) == len(events)
