"""Slots of whole booking days: the high field in July, the beach, and the evening before an afternoon.

The season is invented; what is expected of it comes from the pilot's own numbers and the sun.
"""

from __future__ import annotations

import functools
import json
import re
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from papers_season import AFTERNOON, BEACH, EVENING, HIGH, papers_season

from dashboard.words import NBSP, percent
from pipeline import briefing, cli, desk
from pipeline.air.variables import FT
from pipeline.cli import main
from pipeline.decisions import slots
from pipeline.decisions.forecast import estimate
from pipeline.errors import InputError
from pipeline.flight.rehearsal import practice_remark
from pipeline.observed import typed_reading
from pipeline.results import CAUTIONS
from pipeline.run import _lay_best_and_worst


@functools.cache
def air_of(booking: str) -> briefing.DayAir:
    """A booking's sampled day, worked out once for all that is asked of it."""
    ds = papers_season().ds
    return briefing.day_air(ds, briefing.booking_day(ds, booking))


@functools.cache
def worth_by_year(booking: str) -> np.ndarray:
    """Crowd value of the show that is worth most, in the full show's, by hour and year, (slot, year)."""
    ds = papers_season().ds
    row = briefing.booking_day(ds, booking)
    values = np.array([show.crowd_value for show in briefing.shows_of(ds, briefing.venue_row(ds, row))])
    worth = np.max(values[:, None, None, None, None] * air_of(booking).flown, axis=0) / values[0]
    return np.nanmean(worth, axis=(2, 3))


def test_every_slot_is_held_against_the_one_in_discussion_on_the_same_days() -> None:
    """The gain in density altitude is the mean of the same sampled hours' differences, taken by hand here."""
    made = papers_season()
    answer = briefing.slot_answer(made.ds, HIGH, air=air_of(HIGH))
    row = briefing.booking_day(made.ds, HIGH)
    sampled = np.asarray(made.ds["sample_density_altitude"][row].to_numpy(), dtype=float)
    for s, slot in enumerate(answer.rows):
        apart = (sampled[s] - sampled[answer.offered]) / FT
        by_year = np.nanmean(apart, axis=(1, 2))
        assert slot.gain.density_altitude_ft.difference == pytest.approx(by_year.mean(), abs=1e-6)
    offered = answer.rows[answer.offered]
    assert offered.gain.density_altitude_ft.difference == 0.0
    assert not offered.gain.full_show.told_apart


def test_shares_agree_with_the_stored_forecast() -> None:
    """How often each routine is flown, and nothing, is the forecast's own; so are the intervals.

    Counted anew from the samples that the results keep: the same shares to single precision, whole hundreds
    of feet of ceiling at a minimum among them. The intervals hold what the log leaves unknown of the limits.
    """
    made = papers_season()
    for booking in (HIGH, BEACH, AFTERNOON):
        row = briefing.booking_day(made.ds, booking)
        answer = briefing.slot_answer(made.ds, booking, air=air_of(booking))
        value = np.array([show.crowd_value for show in briefing.shows_of(made.ds, 0)])
        counted = slots.routine_shares(air_of(booking).flown, air_of(booking).may_fly, value)
        told = {
            end: np.array([[getattr(c, end) for c in r.routines.values()] for r in answer.rows])
            for end in ("value", "lower", "upper")
        }
        np.testing.assert_allclose(told["value"], np.nanmean(counted.routine, axis=2).T, atol=1e-6)
        some = [r.any_show.value for r in answer.rows]
        np.testing.assert_allclose(some, np.nanmean(counted.unchanged, axis=1), atol=1e-6)
        nothing = [r.nothing for r in answer.rows]
        np.testing.assert_allclose(told["value"].sum(axis=1) + nothing, 1.0, atol=1e-9)
        for end in ("lower", "upper"):
            stored = made.ds[f"routine_flown_{end}"].to_numpy()[row, : len(answer.rows)]
            np.testing.assert_array_equal(told[end], stored)
        days = air_of(booking).days
        for r, row_told in enumerate(zip(*(told[e].T for e in ("lower", "upper")), strict=True)):
            weather = estimate(counted.routine[r], days)
            assert (row_told[0] <= weather.lower + 1e-6).all()
            assert (row_told[1] >= weather.upper - 1e-6).all()
        weather = estimate(counted.unchanged, days)
        assert all(r.any_show.lower <= low + 1e-6 for r, low in zip(answer.rows, weather.lower, strict=True))
        # The limits are learned from the demo's log, and the interval says so.
        assert any(r.any_show.lower < low - 1e-3 for r, low in zip(answer.rows, weather.lower, strict=True))


def test_slots_hold_thunder_for_nothing_where_it_stops_nobody() -> None:
    """Two ambers are one red, thunder is ignored: a day with and without thunder has the same answer."""
    made = papers_season()
    causes = [str(c) for c in made.ds["act_cause"].to_numpy()]
    out = made.ds["act_out_by_cause"].copy(deep=True)
    out[..., causes.index("thunder")] = np.nan
    thunder = made.ds["sample_thunder"]
    assert float(thunder.max()) == 1.0
    ds = made.ds.assign(act_out_by_cause=out).assign_attrs(two_amber_is_red=1, thunder_stops=0)
    row = briefing.booking_day(ds, HIGH)
    held, quiet = (
        briefing.day_air(one, row).may_fly
        for one in (ds, ds.assign(sample_thunder=thunder.where(thunder.isnull(), 0.0)))
    )
    np.testing.assert_array_equal(held, quiet)


def test_the_high_field_in_july_is_told_what_ten_buys_and_what_not() -> None:
    """At 6,700 ft at 15:00 in July the full show is out; 10:00 saves over 1,000 ft, but not the full show."""
    answer = briefing.slot_answer(papers_season().ds, HIGH, air=air_of(HIGH))
    by_start = {slot.local: slot for slot in answer.rows}
    ten, three = by_start["10:00"], by_start["15:00"]
    assert answer.rows[answer.offered] is three
    assert three.full_show.value < 0.02
    assert ten.full_show.value < 0.10
    assert ten.gain.density_altitude_ft.told_apart
    assert ten.gain.density_altitude_ft.difference < -1000.0
    # The thin-air show is what is flown at either hour, when anything is.
    for slot in (ten, three):
        thin = sum(chance.value for name, chance in slot.routines.items() if name.startswith("thin-air"))
        assert thin > 0.9 * (1.0 - slot.nothing)
    ask = briefing.ask_of(answer)
    assert ask.first
    assert ask.first < "15:00"
    assert any("density altitude" in reason and "but not the full show" in reason for reason in ask.reasons)
    assert any("Do not sell the full show here" in reason for reason in ask.reasons)
    text = briefing.ask_text(answer, CAUTIONS)
    assert "INVENTED" in text
    assert all(caution in text for caution in CAUTIONS)


def test_the_cool_morning_proves_nothing_about_the_afternoon() -> None:
    """The published accident of WPR16FA169 (NTSB, 2016) as a season: an evening show, and 14:25 the next day.

    Only the order is checked, for the weather is invented: the afternoon's air is thinner than the evening's
    and than the morning's before it, and a practice in the morning is told to prove nothing.
    """
    ds = papers_season().ds
    evening, afternoon = (briefing.slot_answer(ds, b) for b in (EVENING, AFTERNOON))
    show = afternoon.rows[afternoon.offered]
    assert show.local == "14:25"
    assert show.density_altitude_median_ft > evening.rows[evening.offered].density_altitude_median_ft
    morning = afternoon.rows[0]
    assert morning.local == "10:00"
    assert morning.gain.density_altitude_ft.told_apart
    assert morning.gain.density_altitude_ft.difference < 0.0
    remark = practice_remark(
        morning.density_altitude_median_ft * FT, show.density_altitude_median_ft * FT, "the loop"
    )
    assert "does not prove the loop" in remark
    # Late August after 20:00: the sun has set.
    assert any("civil twilight" in slot.sun for slot in evening.rows if slot.local >= "20:00")


def best_in_print(ds: xr.Dataset, row: int) -> str:
    """Local start that the list of bookings calls the best of a booking with one day."""
    arrays = {str(name): ds[name].to_numpy().copy() for name in ds.data_vars}
    booking = list(ds["booking"].to_numpy()).index(arrays["day_booking"][row])
    _lay_best_and_worst(arrays, booking, [row], briefing.venue_row(ds, row))
    return str(arrays["booking_best_slot"][booking])


def test_nobody_asks_for_the_dark() -> None:
    """An evening whose window reaches into the night: the air is best then, the ask and its run end by day.

    Where the slot in discussion is itself in the dark, a show of the night, its hours are compared alike.
    """
    ds = papers_season().ds
    row = briefing.booking_day(ds, EVENING)
    inside = ds["slot_in_window"].to_numpy().copy()
    inside[row, : int(ds["day_slots"][row])] = 1
    ds = ds.assign(slot_in_window=ds["slot_in_window"].copy(data=inside))
    answer = briefing.slot_answer(ds, EVENING, air=air_of(EVENING))
    last = answer.rows[-1]
    assert (last.local, last.sun, last.in_window) == ("20:30", "night", True)
    assert answer.best is not None
    assert answer.rows[answer.best].worth < max(row.worth for row in answer.rows)
    told = {answer.best, *answer.acceptable, *(i for i, r in enumerate(answer.rows) if r.as_good_as_best)}
    assert not [
        answer.rows[i].local
        for i in told
        if "twilight" in answer.rows[i].sun or "night" in answer.rows[i].sun
    ]
    assert best_in_print(ds, row) < "20:00"
    offered = ds["day_offered_slot"].to_numpy().copy()
    offered[row] = len(answer.rows) - 1
    ds = ds.assign(day_offered_slot=ds["day_offered_slot"].copy(data=offered))
    night = briefing.slot_answer(ds, EVENING, air=air_of(EVENING))
    assert night.best is not None
    assert night.rows[night.best].worth == max(row.worth for row in night.rows)
    assert best_in_print(ds, row) == "20:30"


def test_running_late_is_the_first_slot_an_hour_on() -> None:
    """14:25 an hour late is the 15:30 slot; the difference is that slot's against this one."""
    answer = briefing.slot_answer(papers_season().ds, AFTERNOON, late_minutes=60)
    offered = answer.rows[answer.offered]
    assert offered.late_local == "15:30"
    assert offered.late is not None
    later = next(slot for slot in answer.rows if slot.local == "15:30")
    assert offered.late.density_altitude_ft.difference == pytest.approx(
        later.gain.density_altitude_ft.difference, abs=1e-9
    )
    assert answer.rows[-1].late is None


@pytest.mark.parametrize("booking", [EVENING, AFTERNOON, HIGH, BEACH])
def test_an_hour_late_has_its_answer_from_every_start_of_the_window(booking: str) -> None:
    """The last start of the window too, at 19:20 with the evening show; two hours late from there is told."""
    ds = papers_season().ds
    answer = briefing.slot_answer(ds, booking, late_minutes=60)
    assert all(row.late is not None for row in answer.rows if row.in_window)
    assert "not reckoned" not in " ".join(briefing.ask_of(answer).reasons)
    if booking == EVENING:
        assert answer.rows[answer.offered].late_local == "20:30"
        # Running late into the dark is no gain, however thick the air is then.
        assert "At 20:30: night." in briefing.ask_of(answer).reasons
        later = briefing.slot_answer(ds, booking, late_minutes=120)
        assert (
            "120 minutes late is not reckoned: it lies past 20:30, and starts are reckoned to an hour after "
            "the window's last." in briefing.ask_of(later).reasons
        )


@pytest.mark.parametrize("stated", [0.05, 0.3, 0.6, 0.95])
def test_a_higher_stated_chance_is_never_easier_to_keep(stated: float) -> None:
    """The run of acceptable slots holds the stated chance throughout, and shrinks as the chance rises."""
    ds = papers_season().ds
    air = air_of(HIGH)
    answer = briefing.slot_answer(ds, HIGH, stated_chance=stated, air=air)
    assert all(round(100 * answer.rows[i].any_show.value) >= 100 * stated for i in answer.acceptable)
    stricter = briefing.slot_answer(ds, HIGH, stated_chance=min(stated + 0.04, 1.0), air=air)
    assert set(stricter.acceptable) <= set(answer.acceptable)
    ask = briefing.ask_of(answer)
    if answer.acceptable and ask.fallback:
        assert min(ask.first, ask.walk_away) <= ask.fallback <= max(ask.first, ask.walk_away)


@pytest.mark.parametrize("booking", [HIGH, BEACH, EVENING, AFTERNOON])
@pytest.mark.parametrize("stated", [0.05, 0.3, 0.6, 0.7, 0.95])
def test_only_a_better_hour_is_asked_for(booking: str, stated: float) -> None:
    """Nobody asks for an hour that is as good as the one in discussion, nor falls back on one.

    As good: not told apart by the years, or within one part in a hundred of the full show's crowd value,
    worked out here hour by hour. A fallback keeps half of what the first ask buys, or lifts the day over
    the bar.
    """
    answer = briefing.slot_answer(papers_season().ds, booking, stated_chance=stated, air=air_of(booking))
    by_year = worth_by_year(booking)
    rows, offered = answer.rows, answer.rows[answer.offered]
    for s, slot in enumerate(rows):
        expected = float(np.mean(by_year[s] - by_year[answer.offered]))
        assert slot.gain.worth.difference == pytest.approx(expected, abs=1e-6)
    ask = briefing.ask_of(answer)
    asked = {slot.local: slot for slot in rows if slot.local in (ask.first, ask.fallback)}
    assert bool(ask.first) == (not offered.as_good_as_best)
    for slot in asked.values():
        assert slot.in_window
        assert slot.gain.worth.told_apart
        assert slot.gain.worth.difference >= 0.01
    if ask.fallback:
        first, fallback = asked[ask.first], asked[ask.fallback]
        lifted = round(100 * offered.any_show.value) < 100 * stated <= round(100 * fallback.any_show.value)
        assert lifted or fallback.gain.worth.difference >= 0.5 * first.gain.worth.difference
    for reason in ask.reasons:
        moved = re.findall(r"goes from (.+?) to (\d+ days? in 100|[^;.]+)", reason)
        assert all(before != after for before, after in moved), reason


@pytest.mark.parametrize("stated", [0.3, 0.5, 0.7])
def test_the_ask_never_sounds_surer_than_its_number(stated: float) -> None:
    """Two chances in three are 67 days in 100, not "7 days in 10" beside a bar of 70; the interval is told.

    Where the interval of the walk-away hour reaches below the bar, so do the words.
    """
    answer = briefing.slot_answer(papers_season().ds, HIGH, stated_chance=stated, air=air_of(HIGH))
    (told,) = [r for r in briefing.ask_of(answer).reasons if f" {100 * stated:.0f} days in 100" in r]
    row = answer.rows[answer.acceptable[-1] if answer.acceptable else answer.best or 0].any_show
    counts = [round(100 * v) for v in (row.value, row.lower, row.upper)]
    assert f"{counts[0]} days in 100 (90 % interval {counts[1]} to {counts[2]})" in told
    assert "in 10 " not in told.replace("in 100", "")
    assert (counts[0] >= round(100 * stated)) == bool(answer.acceptable)
    if answer.acceptable:
        assert ("it may be fewer" in told) == (counts[1] < round(100 * stated))


@pytest.mark.parametrize("booking", [HIGH, BEACH, EVENING, AFTERNOON])
@pytest.mark.parametrize("percent", [2, 20, 45, 60, 66, 70, 74, 80, 90, 100])
def test_the_ask_says_of_no_hour_what_its_row_does_not(booking: str, percent: int) -> None:
    """ "Up to" is every start of the window before, "from" those between; "no hour" is none of them.

    At the beach the stratus clears through the morning: no earlier hour is surer than the walk-away time.
    """
    answer = briefing.slot_answer(
        papers_season().ds, booking, stated_chance=percent / 100.0, air=air_of(booking)
    )
    read = {r.local: round(100 * r.any_show.value) for r in answer.rows if r.in_window}
    told = " ".join(briefing.ask_of(answer).reasons)
    span = re.search(r"(?:Up to|At|From (\S+) to) (\S+) the past years give", told)
    if span is None:
        assert f"No hour of the window keeps {percent} days in 100" in told
        assert max(read.values()) < percent
        return
    first = span[2] if span[0].startswith("At") else span[1] or min(read)
    meant = [value for local, value in read.items() if first <= local <= span[2]]
    assert min(meant) >= percent
    assert first == min(read) or read[max(t for t in read if t < first)] < percent
    if "an earlier hour is surer" in told:
        assert max(meant) > read[span[2]]


def test_the_bar_is_kept_by_an_hour_that_is_worth_less() -> None:
    """Starts at 69, 60 and 75 days in 100, the first worth most: the last keeps 70, and the first is told.

    The crowd values of the starts' shows are 96 and 60: 0.69 x 96 = 66.2 against 0.75 x 60 = 45.
    """
    ds = papers_season().ds
    row = briefing.booking_day(ds, HIGH)
    held = air_of(HIGH)
    some = ds["any_as_planned"].to_numpy().copy()
    answer = briefing.slot_answer(ds, HIGH, stated_chance=0.7, air=held)
    assert answer.best is not None
    last = max(i for i, r in enumerate(answer.rows) if r.in_window)
    some[row, : len(answer.rows)] = 0.60
    some[row, answer.best], some[row, last] = 0.69, 0.75
    moved = ds.assign(any_as_planned=ds["any_as_planned"].copy(data=some))
    answer = briefing.slot_answer(moved, HIGH, stated_chance=0.7, air=held)
    ask = briefing.ask_of(answer)
    assert answer.best != last
    assert answer.acceptable == (last,)
    assert ask.walk_away == answer.rows[last].local
    told = " ".join(ask.reasons)
    assert f"At {ask.walk_away} the past years give" in told
    assert "No hour of the window" not in told
    assert f"{answer.rows[answer.best].local} is worth most to the crowd, but falls short of that" in told


def test_an_hour_in_the_dark_that_keeps_the_bar_is_not_denied() -> None:
    """A window that runs into the night, where a show is unchanged 80 days in 100: of the daylight none is.

    At 20:30 in late August the sun is down, and the start is passed over. Of the others the hour worth most
    is unchanged 50 days in 100 and the first of the window 55: that is the surest.
    """
    ds = papers_season().ds
    row = briefing.booking_day(ds, EVENING)
    local = [str(t) for t in ds["slot_local"].to_numpy()[row]]
    late = local.index("20:30")
    inside = ds["slot_in_window"].to_numpy().copy()
    assert not inside[row, late]
    inside[row, late] = 1
    some = ds["any_as_planned"].to_numpy().copy()
    some[row] = 0.50
    early = int(np.flatnonzero(inside[row] == 1)[0])
    some[row, early], some[row, late] = 0.55, 0.80
    moved = ds.assign(
        slot_in_window=ds["slot_in_window"].copy(data=inside),
        any_as_planned=ds["any_as_planned"].copy(data=some),
    )
    answer = briefing.slot_answer(moved, EVENING, stated_chance=0.7, air=air_of(EVENING))
    assert answer.best not in (early, late, None)
    assert answer.dark == (late,)
    ask = briefing.ask_of(answer)
    told = " ".join(ask.reasons)
    assert ask.walk_away == ""
    assert "No hour of the window's daylight keeps 70 days in 100" in told
    assert f"the surest, {local[early]}, has 55 days in 100" in told
    assert "of the window keeps" not in told
    assert "the best hour of the window's daylight: no hour needs asking for" in told
    assert "Twilight or night at 20:30." in told


def test_an_hour_outside_the_window_is_the_reason_to_ask() -> None:
    """Where the slot in discussion does not fit the window another is asked for, better or not: so told."""
    ds = papers_season().ds
    row = briefing.booking_day(ds, EVENING)
    inside = ds["slot_in_window"].to_numpy().copy()
    offered = int(ds["day_offered_slot"][row])
    inside[row, offered] = 0
    moved = ds.assign(slot_in_window=ds["slot_in_window"].copy(data=inside))
    for answer, out in (
        (briefing.slot_answer(moved, EVENING, air=air_of(EVENING)), True),
        (briefing.slot_answer(ds, HIGH, air=air_of(HIGH)), False),
    ):
        ask = briefing.ask_of(answer)
        assert ask.first
        said = f"A show at {answer.rows[answer.offered].local} does not lie inside the organiser's window."
        assert (ask.reasons[0] == said) == out
        assert (said in ask.reasons) == out


def test_an_hour_that_saves_nothing_is_not_said_to() -> None:
    """Air that costs, or cannot be told apart, goes with no "but": the full show is out of reach before."""
    answer = briefing.slot_answer(papers_season().ds, HIGH, air=air_of(HIGH))
    early, offered = answer.rows[0], answer.rows[answer.offered]
    assert max(early.full_show.value, offered.full_show.value) < 0.05
    assert "but not the full show: as planned" in briefing._gain_sentence(early, offered)
    feet = early.gain.density_altitude_ft
    for other in (replace(feet, difference=200.0), replace(feet, told_apart=False)):
        same = replace(early, gain=replace(early.gain, density_altitude_ft=other))
        said = briefing._gain_sentence(same, offered)
        assert "but" not in said
        assert "and the full show stays out of reach: as planned" in said


def test_a_chance_reads_the_same_everywhere() -> None:
    """Two in three are 67 in 100 on the ask sheet, the dashboard and in a terminal; no false certainty."""
    for value, read in ((2 / 3, "67"), (0.6999, "70"), (0.004, "under 1"), (0.9951, "over 99"), (1.0, "100")):
        assert briefing.Chance(value, 0.5, 0.9).in_100 == read
        assert percent(value).replace(NBSP, " ") == f"{read} %"
        assert cli._percent(value) == f"{read} %"


def test_a_chance_is_held_against_the_stated_one_as_both_are_read() -> None:
    """What reads 70 days in 100 keeps a stated 70; what reads 69, or nothing, does not."""
    assert briefing._keeps(np.array([0.6951, 0.7, 0.6949, np.nan]), 0.7).tolist() == [
        True,
        True,
        False,
        False,
    ]


def test_unknown_bookings_and_days_are_told() -> None:
    """A slip of the pen names the booking that was meant; a day that is none of its names those that are."""
    ds = papers_season().ds
    with pytest.raises(InputError, match="did you mean high-larch-july"):
        briefing.booking_day(ds, "high-larch-juli")
    with pytest.raises(InputError, match="it has 2027-07-10, 2027-07-11"):
        briefing.booking_day(ds, HIGH, "2027-07-12")


def test_the_commands(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """`slots` and `today` print the answer with the cautions, as text and as JSON; mistakes end with 2."""
    made = papers_season()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(made.cache))
    assert main(["slots", str(made.folder), HIGH]) == 0
    printed = capsys.readouterr().out
    assert "First ask:" in printed
    # Each show by start, the shares of one start together all days.
    (named,) = [line for line in printed.splitlines() if line.split()[:2] == ["full", "thin-air"]]
    ten = printed.partition(named)[2].partition(" 10:00 ")[2].partition("\n")[0]
    assert named.split()[-2:] == ["no", "show"]
    assert sum(int(n) for n in ten.replace("under 1", "0").replace("%", "").split()) == pytest.approx(
        100, abs=3
    )
    assert CAUTIONS[0] in printed
    assert main(["slots", str(made.folder), HIGH, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["cautions"] == list(CAUTIONS)
    assert told["slots"]["rows"][0]["local"] == "08:30"
    metar = "KAAA 241956Z 28012KT 10SM OVC008 16/13 A3002"
    assert main(["today", str(made.folder), BEACH, "--metar", metar]) == 0
    printed = capsys.readouterr().out
    assert "WHICH SHOW: No show: ceiling." in printed
    assert CAUTIONS[0] in printed
    typed = ["--temperature-c", "16", "--dew-point-c", "13", "--altimeter-inhg", "30.02", "--wind", "280/8"]
    assert main(["today", str(made.folder), BEACH, *typed, "--ceiling-ft", "none", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["today"]["show"] == "full"
    assert main(["today", str(made.folder), BEACH, *typed, "--at", "08:00", "--day", "24 July"]) == 2
    assert "--day '24 July' is no date" in capsys.readouterr().err
    for wrong in (
        ["slots", str(made.folder), "nowhere"],
        ["slots", str(made.folder), HIGH, "--chance", "170"],
        ["today", str(made.folder), BEACH],
        ["today", str(made.folder), BEACH, "--metar", metar, "--wind", "280/8"],
        ["today", str(made.folder), BEACH, "--metar", "hello"],
        ["today", str(made.folder), BEACH, *typed, "--ceiling-ft", "high"],
    ):
        assert main(wrong) == 2
        assert capsys.readouterr().err.startswith("showhour: ")


@pytest.mark.parametrize(
    ("read_at", "date"),
    [
        (None, "2027-07-24"),
        ("2027-07-24T04:00", "2027-07-24"),  # 21:00 the evening before
        ("2027-07-24T21:30", "2027-07-24"),  # 14:30, the show at 13:00 running late
        ("2027-07-25T02:00", "2027-07-25"),  # 19:00, the evening before the second day
        ("2027-07-27T16:00", "2027-07-25"),
    ],
)
def test_a_reading_is_held_against_the_show_day_that_is_next(read_at: str | None, date: str) -> None:
    """Of two days, by UTC-7 and a slot at 13:00; where all is past the last, without a time the first."""
    season = papers_season().season
    booked = next(b for b in season.bookings if b.id == BEACH)
    instant = None if read_at is None else np.datetime64(read_at, "s")
    reading = typed_reading(station_elevation=0.0, temperature_c=16.0, altimeter_inhg=30.0, instant=instant)
    assert desk._nearest_day(booked, season.venue(booked.venue), reading) == date


def test_results_of_another_season_folder_are_refused(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Papers of limits that have since been changed would be flown by: the command says to forecast again."""
    made = papers_season()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(made.cache))
    head = made.folder / "season.yaml"
    before = head.read_text(encoding="utf-8")
    head.write_text(before + "# changed\n", encoding="utf-8")
    try:
        assert main(["slots", str(made.folder), HIGH]) == 2
    finally:
        head.write_text(before, encoding="utf-8")
    assert "Run `showhour forecast" in capsys.readouterr().err


def test_the_desk_loads_no_learning_and_no_dashboard() -> None:
    """By what is loaded: the parser with these commands is still light."""
    code = "import sys; from pipeline.cli import _parser; _parser(); print(' '.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert not loaded & {"numpy", "pandas", "xarray", "sklearn", "streamlit", "reportlab", "metar"}
