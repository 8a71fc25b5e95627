"""The day itself at booked venues: the beach under a low ceiling, and the high field in July."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import re

import numpy as np
import pytest
from papers_season import BEACH, HIGH, Made, papers_season
from scipy.stats.mstats import mquantiles

from pipeline import briefing
from pipeline.air.show_hours import density_altitude_at, station_cycles
from pipeline.air.variables import FT
from pipeline.decisions import today
from pipeline.observed import metar_reading
from pipeline.papers.sheet import Lines, Table
from pipeline.paperwork import booking_days, director_sheet, show_tops, which_show_sheet
from pipeline.run import site_of
from pipeline.stations.store import Store
from pipeline.venue_hours import read_station
from pipeline.which_show import TodayAnswer, today_answer, today_text


def told(
    made: Made, booking: str, metar: str, now: str | None = None, tops: dict[str, float] | None = None
) -> TodayAnswer:
    booked = next(b for b in made.season.bookings if b.id == booking)
    venue = made.season.venue(booked.venue)
    return today_answer(
        made.ds,
        booking,
        metar_reading(metar, venue.elevation, dt.date(2027, 7, 25)),
        lapse_rate=venue.lapse_rate_k_per_km / 1000.0,
        thunder_stops=True,
        two_amber_is_red=False,
        tops=tops,
        now=None if now is None else np.datetime64(now),
    )


def test_the_beach_just_above_the_waiver_s_ceiling() -> None:
    """Ceiling 1,700 ft, above the waiver's 1,500: the full show, and think. The other has no loops.

    The gust group is missing: the gust is unknown, not zero.
    """
    made = papers_season()
    answer = told(made, BEACH, "KAAA 241956Z 28010KT 10SM OVC017 16/13 A3002")
    low = next(s for s in briefing.shows_of(made.ds, 0) if s.name == "low-ceiling")
    kinds = [str(made.ds["figure_type"].to_numpy()[f]) for f in low.figures]
    assert not set(kinds) & {"ribbon_cut", "loop", "square_loop", "cuban_eight", "half_cuban"}
    assert answer.show == "full"
    assert "think about ceiling" in answer.headline
    assert any("not a gust of zero" in note for note in answer.notes)
    later = told(made, BEACH, "KAAA 241956Z 28010KT 10SM OVC017 16/13 A3002 TEMPO TSRA")
    assert [n for n in later.notes if n.endswith("read it: TEMPO TSRA.")]
    for gust, told_of in (("G27", True), ("G45", False), ("", True)):
        peaked = told(
            made, BEACH, f"KAAA 241956Z 28018{gust}KT 10SM OVC017 16/13 A3002 RMK AO2 PK WND 28041/1922"
        )
        assert any("the wind reached 41 kt since the report before" in n for n in peaked.notes) == told_of
    assert answer.gust_high_kt == pytest.approx(19.0)  # 10 kt and one short of ten more


def test_between_the_shows_minima_the_low_ceiling_show_stands_and_at_800_ft_none() -> None:
    """Below the full show's minimum only the low-ceiling show is left; below its own, none."""
    made = papers_season()
    assert told(made, BEACH, "KAAA 241956Z 28008KT 10SM OVC008 16/13 A3002").answer.no_show == ("ceiling",)
    # The high field has no waiver of its own: the act's limit is 1,500 ft, the low-ceiling show's lower.
    minimum = next(s for s in briefing.shows_of(made.ds, briefing.venue_row(made.ds, 0)) if s.own_minima)
    assert minimum.own_minima["ceiling"][1] < 1500.0 * FT
    answer = told(made, HIGH, "KAAA 101656Z 16005KT 10SM OVC013 12/10 A3010")
    assert (answer.show, answer.answer.no_show) == ("low-ceiling", ())
    # What only the shows that stay down hold is out with them, ribbon and loops; by ceiling, not by the air.
    # Between the full show's minimum and its comfort they are to be thought about.
    think = told(made, HIGH, "KAAA 101656Z 16005KT 10SM OVC020 12/10 A3010")
    names = [str(n) for n in made.ds["figure"].to_numpy()]
    low = {names[f] for f in next(s for s in briefing.shows_of(made.ds, 0) if s.own_minima).figures}
    for figure in answer.answer.figures:
        assert (figure.state == today.LEAVE_OUT) == (figure.name not in low), figure
        assert (("ceiling", today.LEAVE_OUT) in figure.reasons) == (figure.name not in low)
    for figure in think.answer.figures:
        assert (("ceiling", today.THINK) in figure.reasons) == (figure.name not in low)
    assert re.search(r"\n  Smoke loop +leave it out \(ceiling", today_text(answer, ()))
    down = told(made, BEACH, "KAAA 241356Z 28008KT 10SM OVC008 02/01 A3002")
    # Of a sky that allows no show the thinner air to come leaves nothing to say.
    assert down.headline == "No show: ceiling."
    assert all(figure.state == today.LEAVE_OUT for figure in down.answer.figures)


def test_a_morning_s_reading_is_not_the_answer_for_the_afternoon() -> None:
    """2 °C at 13:56 UTC, 07:56 at the field: beside the answer for that air stands the one for 15:00.

    By then the air is that of the slot's own past afternoons, or this reading carried: never as thick.
    """
    made = papers_season()
    answer = told(made, HIGH, "KAAA 101356Z 16005KT 10SM CLR 02/M05 A3030")
    _, _, then = answer.headline.partition(" That is for the air of this reading. At 15:00, in about ")
    assert then, answer.headline
    about = int(then.split(" ft")[0].replace(",", ""))
    assert about > answer.density_altitude_ft + 1000
    # Told to the next hundred feet up.
    judged = answer.carried[0].median if answer.carried else answer.compared[0].median
    assert judged <= about < judged + 100.0
    # Of the same show, what the morning's air leaves alone the afternoon's changes more often than not.
    assert "times in 100" not in answer.headline.partition(". ")[0]
    changed = re.search(r"changed (\d+) times in 100", then)
    assert changed is None or int(changed[1]) > 50
    assert then.partition(": ")[2] != answer.headline.partition(" That is")[0]
    assert re.search(r"(show|limit)\b.*\.$", then.partition(": ")[2])


def test_a_show_that_climbs_into_the_ceiling_says_so() -> None:
    """Above the act's minima, as high as the full show's top on the director's sheet: out, and said why.

    The show for low ceilings stands in, and figures that only shows so high hold are out with them.
    """
    made = papers_season()
    tops = show_tops(made.season, made.ds, HIGH)
    feet = round(tops["full"] / FT)
    assert 1500 < feet < 3000
    assert feet % 100 == 0
    below, above = (
        told(made, HIGH, f"KAAA 101500Z 16005KT 10SM OVC{h // 100:03d} 02/M05 A3030", tops=tops)
        for h in (feet, feet + 100)
    )
    assert f"climbs to {feet:,} ft above the field, the ceiling is {feet:,} ft" in today_text(below, ())
    full = next(s for s in below.answer.shows if s.name == "full")
    assert (full.state, full.chance) == (today.LEAVE_OUT, 1.0)
    assert below.show != "full"
    assert next(s for s in above.answer.shows if s.name == "full").under is None
    lowest = min(tops[s.name] for s in below.answer.shows if s.name != "low-ceiling")
    assert lowest > 1500 * FT
    low = told(
        made, HIGH, f"KAAA 101500Z 16005KT 10SM OVC{round(lowest / FT / 100):03d} 02/M05 A3030", tops=tops
    )
    assert low.headline.startswith("Low-ceiling show")
    assert {f.state for f in low.answer.figures if "ribbon" in f.name or "loop" in f.name} == {
        today.LEAVE_OUT
    }
    sheet = " ".join(
        line
        for b in which_show_sheet(booking_days(made.season, made.ds, [HIGH])[0][0]).blocks
        if isinstance(b, Lines)
        for line in b.lines
    )
    assert f"Not under a ceiling as low as it climbs: FULL {feet:,} ft" in sheet
    director = director_sheet(booking_days(made.season, made.ds, [HIGH])[0][0])
    (table,) = [b for b in director.blocks if isinstance(b, Table)]
    assert {row[0]: row[3] for row in table.rows} == {k: f"{v / FT:,.0f}" for k, v in tops.items()}


def test_the_waiver_of_the_venue_holds_for_the_low_ceiling_show() -> None:
    """The higher of the two minima counts: at the beach the waiver's 1,500 ft."""
    made = papers_season()
    row = briefing.venue_row(made.ds, briefing.booking_day(made.ds, BEACH))
    low = next(s for s in briefing.shows_of(made.ds, row) if s.own_minima)
    assert low.own_minima["ceiling"][1] == pytest.approx(1500.0 * FT)


def test_the_high_field_is_judged_by_its_density_altitude() -> None:
    """27 °C at 6,700 ft, far past the square loop's limit: the full show is out."""
    answer = told(papers_season(), HIGH, "KAAA 102056Z 15006KT 10SM CLR 27/M01 A3022")
    square = next(f for f in answer.answer.figures if f.name == "Square loop")
    assert square.state == today.LEAVE_OUT
    full = next(s for s in answer.answer.shows if s.name == "full")
    assert full.chance == 1.0
    assert answer.show != "full"
    # 30.22 inHg is 145,442 ft x ((30.22/29.9213)^0.190263 - 1) = 275 ft of pressure altitude: 6,700 - 275.
    assert answer.pressure_altitude_ft == pytest.approx(6425.0, abs=5.0)


def test_a_morning_reading_is_carried_to_the_slot() -> None:
    """09:00 local (15:00 UTC) to 15:00: six hours; part of the morning's departure lasts."""
    made = papers_season()
    usual = told(made, HIGH, "KAAA 101500Z 15006KT 10SM CLR 16/M01 A3015")
    warm = told(made, HIGH, "KAAA 101500Z 15006KT 10SM CLR 22/M01 A3015")
    (da, gust) = usual.carried
    assert da.lead_hours == pytest.approx(6.0)
    assert da.low < da.median < da.high
    assert gust.low >= 0.0
    # Estimated gusts are never compared with a wind that no gust was read with, and say what they are.
    kinds = made.ds["venue_gusts"].copy(data=np.full(made.ds.sizes["venue"], "estimated", dtype=object))
    guessed = told(
        dataclasses.replace(made, ds=made.ds.assign(venue_gusts=kinds)),
        HIGH,
        "KAAA 101500Z 15006KT 16/M01 A3015",
    )
    assert [c.quantity for c in guessed.carried] == [da.quantity, "estimated gust peak, kt"]
    assert math.isnan(guessed.compared[2].now)
    assert math.isfinite(usual.compared[2].now)
    # A morning 6 K warmer foretells a thinner afternoon, by no more than it is thinner itself.
    gained = warm.carried[0].median - da.median
    assert 0.0 < gained < warm.density_altitude_ft - usual.density_altitude_ft


@pytest.mark.parametrize(
    ("metar", "lead"),
    [("101256Z", 8.07), ("101500Z", 6.0), ("101730Z", 3.5), ("092356Z", 21.07), ("092100Z", 24.0)],
)
def test_a_reading_is_carried_at_the_hours_at_which_pilots_read(metar: str, lead: float) -> None:
    """07 to 12 h local and the evening before, from hours outside the window too.

    The estimator written out from the station's own hours, at a whole hour: every past pair a member, the
    density altitude of the past hour moved to the show's date and year.
    """
    made = papers_season()
    answer = told(made, HIGH, f"KAAA {metar} 16005KT 10SM CLR 14/M01 A3015")
    da = answer.carried[0]
    assert da.lead_hours == pytest.approx(lead, abs=0.01)
    # No wider than what the slot's past alone says, which a reading can only sharpen.
    row = briefing.booking_day(made.ds, HIGH)
    v = made.ds.variables
    slot = int(v["day_offered_slot"].to_numpy()[row])
    usual = v["density_altitude_quantile"].to_numpy()[row, slot] / FT
    assert 0.0 < da.high - da.low < 1.1 * (usual[-1] - usual[0])
    if lead % 1.0 == 0.0:
        venue = made.season.venue("high-larch")
        record = read_station(made.season, venue, Store(made.cache)).record
        assert record is not None
        show = np.datetime64(str(v["slot_utc"].to_numpy()[row, slot]).removesuffix("Z"))
        cycles, days = station_cycles(record), made.season.history.window_days
        earlier, later = (
            density_altitude_at(record, cycles, site_of(venue), np.array([at]), window_days=days)[0].ravel()
            / FT
            for at in (show - np.timedelta64(int(lead), "h"), show)
        )
        phi, _ = np.polyfit(earlier, later, 1)
        members = phi * answer.density_altitude_ft + later - phi * earlier
        wanted = mquantiles(members, [0.1, 0.5, 0.9], alphap=1 / 3, betap=1 / 3)
        assert [da.low, da.median, da.high] == pytest.approx(wanted, abs=1.0)
        assert da.share == pytest.approx(phi, abs=1e-6)


def test_what_is_not_carried_is_told() -> None:
    """Two days before, and a reading without a time; a reading of the slot itself needs no carrying."""
    made = papers_season()
    late = told(made, HIGH, "KAAA 110300Z 16005KT 10SM CLR 14/M01 A3015")
    assert "Read 6.0 hours after the slot at 15:00: is it the right day?" in late.notes
    for metar, words in (("081500Z", "more than 36 hours before"), ("102050Z", "")):
        answer = told(made, HIGH, f"KAAA {metar} 16005KT 10SM CLR 14/M01 A3015")
        assert answer.carried == ()
        assert any("not carried" in note and words in note for note in answer.notes) == bool(words)


def test_the_text_says_what_was_not_observed() -> None:
    """A bare report: nothing is cleared, and its age is told."""
    made = papers_season()
    answer = told(made, BEACH, "KAAA 241956Z AUTO /////KT 16/13 A3002 RMK TSNO", "2027-07-24T22:56:00")
    assert set(answer.answer.act_unknown) == {"runway_crosswind", "ceiling", "visibility", "thunder"}
    assert all(f.state >= today.THINK for f in answer.answer.figures if f.unknown)
    assert math.isnan(answer.toward_crowd_kt)
    text = today_text(answer, ("Caution.",))
    assert "The reading is 3.0 hours old." in text
    assert answer.stale == "The reading is 3.0 hours old."
    assert "not observed" in text
    assert text.endswith("Caution.")
