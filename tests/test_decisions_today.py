"""The day itself: METARs as they are written, the air they mean, and an answer that is only ever cautious."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air.variables import FT, INHG, KT, STATUTE_MILE
from pipeline.decisions import limits, today
from pipeline.decisions.today import LEAVE_OUT, NO_SECOND_THOUGHT, THINK, Reading, Show
from pipeline.errors import InputError
from pipeline.observed import metar_reading, typed_reading

DAY = dt.date(2027, 7, 24)


def read(text: str, elevation: float = 0.0) -> Reading:
    return metar_reading(text, elevation, DAY)


# --- METAR forms ------------------------------------------------------------------------------------


def test_metar_wind_groups() -> None:
    """Wind groups of AC 00-45H section 3.1.5.5: gust and sector, variable, calm, and not observed."""
    gusty = read("KAAA 241856Z 22015G25KT 180V250 10SM FEW050 32/12 A2998")
    assert gusty.wind_from == 220.0
    assert gusty.wind_speed == 15.0 * KT
    assert gusty.gust == 25.0 * KT
    assert gusty.sector == (180.0, 250.0)
    assert gusty.instant == np.datetime64("2027-07-24T18:56:00")
    variable = read("KAAA 241856Z VRB04KT 10SM CLR 18/07 A2998")
    assert math.isnan(variable.wind_from)
    assert variable.wind_speed == 4.0 * KT
    assert math.isnan(variable.gust)
    assert read("KAAA 241856Z 00000KT 10SM CLR 18/07 A2998").wind_speed == 0.0
    missing = read("KAAA 241856Z /////KT 10SM CLR 18/07 A2998")
    assert math.isnan(missing.wind_speed)
    assert math.isnan(missing.wind_from)


@pytest.mark.parametrize(
    ("sky", "ceiling_ft"),
    [
        ("FEW010 SCT020", math.inf),
        ("SCT020 BKN035 OVC060", 3500.0),
        ("OVC008", 800.0),
        ("VV002", 200.0),
        ("CLR", math.inf),
        ("SKC", math.inf),
        ("BKN///", math.nan),
        ("FEW020 //////CB", math.nan),
        ("///030", math.nan),
        ("BKN008 OVC///", 800.0),
        ("NSC", 5000.0),
    ],
)
def test_metar_ceiling_is_the_lowest_broken_overcast_or_obscured_layer(sky: str, ceiling_ft: float) -> None:
    """AIM 7-1-14: the lowest layer reported broken, overcast or obscured; few and scattered are none.

    WMO-No. 306, FM 15, 15.9: solidi for what an automatic station does not know of a layer, layers from the
    lowest up, and NSC where no cloud is below 5,000 ft and none is a cumulonimbus.
    """
    assert read(f"KAAA 241856Z 31008KT 10SM {sky} 18/07 A2998").ceiling == pytest.approx(
        ceiling_ft * FT, nan_ok=True
    )


@pytest.mark.parametrize(
    ("body", "remarks", "ceiling_ft", "visibility_sm"),
    [
        ("2SM BKN014", "AO2 CIG 010V018", 1000.0, 2.0),
        ("2SM BKN014", "AO2 VIS 1V3 SLP132", 1400.0, 1.0),
        ("1SM BKN014", "VIS 1/2V2", 1400.0, 0.5),
        ("3SM BKN014", "VIS 1 1/2V5", 1400.0, 1.5),
        ("10SM SCT012 BKN040", "SCT012 V BKN", 1200.0, 10.0),
        ("10SM SCT012 SCT020", "SCT V BKN", 1200.0, 10.0),
        ("10SM BKN012", "BKN012 V SCT", 1200.0, 10.0),
        ("10SM BKN///", "CIG 010V018", 1000.0, 10.0),
        ("10SM CLR", "AO2 SLP132 LTG DSNT W", math.inf, 10.0),
    ],
)
def test_metar_that_varies_is_taken_at_its_lower_end(
    body: str, remarks: str, ceiling_ft: float, visibility_sm: float
) -> None:
    """AFMAN 15-111 (2019), remarks 16 and 18 of its table: variable ceiling below 3,000 ft, variable sky.

    Variable prevailing visibility, `VIS 1/2V2`, is of the same table; its number there is not at hand.
    """
    reading = read(f"KAAA 241856Z 31008KT {body} 18/07 A2998 RMK {remarks}")
    assert reading.ceiling == pytest.approx(ceiling_ft * FT)
    assert reading.visibility == pytest.approx(visibility_sm * STATUTE_MILE, rel=1e-3)


def test_metar_of_other_countries() -> None:
    """FM 15 (WMO-No. 306): CAVOK, no cloud below 5,000 ft and 10 km or more; hPa; metres per second."""
    cavok = read("XXXX 241850Z 09005MPS CAVOK 25/11 Q1012")
    assert cavok.ceiling == pytest.approx(5000.0 * FT)
    assert cavok.visibility == pytest.approx(10_000.0)
    assert cavok.altimeter_setting == pytest.approx(101_200.0)
    assert cavok.wind_speed == pytest.approx(5.0, abs=1e-3)


@pytest.mark.parametrize(
    ("seen", "visibility"),
    [("////", math.nan), ("////NDV", math.nan), ("//// 1500SW", 1500.0), ("9999NDV", 10_000.0)],
)
def test_metar_visibility_that_was_not_seen_is_none(seen: str, visibility: float) -> None:
    """WMO-No. 306, FM 15, 15.6: solidi for a visibility that an automatic station did not observe."""
    reading = read(f"XXXX 241850Z AUTO 09005KT {seen} // ////// 25/11 Q1012")
    assert reading.visibility == pytest.approx(visibility, nan_ok=True)


def test_metar_of_two_values_is_taken_at_the_worse() -> None:
    """FM 15: 15.6.3, a lowest visibility with its direction; a setting in both units, rounded down in hPa."""
    both = read("xxxx 241850z 09005kt 9999 1500sw sct030 25/11 q1016 a3001")
    assert both.visibility == pytest.approx(1500.0)
    assert both.altimeter_setting == pytest.approx(101_600.0)
    military = read("XXXX 241850Z 09005KT CAVOK 25/11 QNH3001INS")
    assert military.altimeter_setting == pytest.approx(30.01 * INHG, abs=1.0)


def test_metar_peak_wind_of_the_remarks_is_no_gust_but_is_told() -> None:
    """FMH-1 section 12.7.1: PK WND dddff/hhmm, the strongest wind since the report before (from memory)."""
    reading = read("KAAA 241856Z 28018G27KT 10SM CLR 25/11 A2998 RMK AO2 PK WND 28041/1822 SLP150")
    assert reading.gust / KT == pytest.approx(27.0)
    assert reading.peak / KT == pytest.approx(41.0)
    assert math.isnan(read("KAAA 241856Z 28018G27KT 10SM CLR 25/11 A2998 RMK AO2").peak)


def test_metar_s_own_forecast_is_kept_apart() -> None:
    """What is to come is no part of the reading, and is told."""
    reading = read("XXXX 241850Z 09005KT 9999 SCT030 25/11 Q1012 TEMPO 25015G30KT 4000 TSRA BKN010CB")
    assert (reading.thunder, reading.ceiling) == (0.0, math.inf)
    assert math.isnan(reading.gust)
    assert reading.trend == "TEMPO 25015G30KT 4000 TSRA BKN010CB"


def test_metar_thunder_and_what_was_not_looked_for() -> None:
    """Thunder here or in the vicinity counts; a station without the sensor (TSNO) clears nothing."""
    assert read("KAAA 241856Z 31008KT 5SM -TSRA BKN030CB 18/17 A2998").thunder == 1.0
    assert read("KAAA 241856Z 31008KT 10SM VCTS BKN030CB 18/17 A2998").thunder == 1.0
    assert read("KAAA 241856Z 31008KT 10SM BKN030 18/17 A2998").thunder == 0.0
    assert math.isnan(read("KAAA 241856Z AUTO 31008KT 10SM BKN030 18/17 A2998 RMK AO2 TSNO").thunder)


def test_metar_tenths_of_the_remarks() -> None:
    """T-group of the remarks (FMH-1 section 12.7.2.a): T03170122 is 31.7 °C and 12.2 °C."""
    exact = read("KAAA 241856Z 31008KT 10SM CLR 32/12 A2998 RMK AO2 SLP132 T03170122")
    assert exact.temperature == pytest.approx(304.85)
    assert exact.dew_point == pytest.approx(285.35)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hello", "no time group"),
        ("KAAA 241856Z 31008KT 10SM CLR 18/07 A2998 GARBAGE", "not understood"),
        ("KAAA 241856Z 31008KT 10SM CLR A2998", "no temperature"),
        ("KAAA 241856Z 31008KT 10SM CLR 12/13 A2998", "above the temperature"),
        ("KAAA 241856Z 31020G10KT 10SM CLR 12/03 A2998", "below the wind"),
        ("KAAA 242556Z 31008KT 10SM CLR 12/03 A2998", r"^[^\n\t]*hour must be in 0..23[^\n\t]*$"),
        ("KAAA 241856Z 31008KT 10SM CLR 12/03 Q1010 A2998", "two altimeter settings that differ"),
    ],
)
def test_metar_faults_are_told(text: str, words: str) -> None:
    """What cannot be read, or cannot be, is refused with its place and its cure."""
    with pytest.raises(InputError, match=words):
        read(text)


def test_metar_of_last_month() -> None:
    """A report of the 31st read on the 2nd of August is July's."""
    reading = metar_reading("KAAA 311856Z 31008KT 10SM CLR 18/07 A2998", 0.0, dt.date(2027, 8, 2))
    assert reading.instant == np.datetime64("2027-07-31T18:56:00")


# --- The air ----------------------------------------------------------------------------------------

CALM = typed_reading(station_elevation=0.0, temperature_c=15.0, altimeter_inhg=29.92, dew_point_c=5.0)


def over(reading: Reading, **site: object) -> today.AirNow:
    held: dict[str, object] = {
        "elevation": reading.station_elevation,
        "runway_true_heading": 170.0,
        "line_true_heading": 170.0,
        "crowd_on_right": True,
    }
    return today.air_now(reading, **(held | site))  # type: ignore[arg-type]


def test_air_against_the_handbook_chart() -> None:
    """FAA-H-8083-25 density altitude chart example: 5,883 ft, 30.10 inHg, 70 °F.

    Pressure altitude 5,718 ft (chart, ±5); density altitude 7,710 ft exact in dry air (±10), 7,700 by chart.
    """
    reading = typed_reading(
        station_elevation=5883.0 * FT, temperature_c=(70.0 - 32.0) / 1.8, altimeter_inhg=30.10
    )
    air = over(reading)
    assert air.pressure_altitude / FT == pytest.approx(5718.0, abs=5.0)
    assert air.density_altitude_dry / FT == pytest.approx(7710.0, abs=10.0)
    assert math.isnan(air.density_altitude)


def test_components_against_the_handbook_chart() -> None:
    """FAA-H-8083-25 ch. 11: runway 17, wind 140° at 25 kt: headwind 25 cos 30° = 21.65, crosswind 12.50."""
    reading = dataclasses.replace(CALM, wind_from=140.0, wind_speed=25.0 * KT)
    air = over(reading)
    assert air.headwind / KT == pytest.approx(21.65, abs=0.01)
    assert air.crosswind / KT == pytest.approx(12.50, abs=0.01)
    # From the left of 170°, toward a crowd on the right: on the crowd.
    assert air.toward_crowd / KT == pytest.approx(12.50, abs=0.01)
    assert over(reading, crowd_on_right=False).toward_crowd / KT == pytest.approx(-12.50, abs=0.01)


def test_a_varying_wind_is_taken_at_its_worst() -> None:
    """Wind 150° at 20 kt varying 120V180 across a line of 170°: worst crosswind 20 sin 50° = 15.32 kt."""
    reading = dataclasses.replace(CALM, wind_from=150.0, wind_speed=20.0 * KT, sector=(120.0, 180.0))
    air = over(reading)
    assert air.crosswind / KT == pytest.approx(20.0 * math.sin(math.radians(50.0)), abs=0.01)
    around = dataclasses.replace(CALM, wind_from=350.0, wind_speed=20.0 * KT, sector=(320.0, 20.0))
    # Through north: 20° - 170° = -150°, 320° - 170° = 150°: 20 sin 30° = 10.
    assert over(around).crosswind / KT == pytest.approx(10.0, abs=0.01)


def test_air_at_the_site_of_a_lower_station() -> None:
    """6.5 K/km over 1,000 ft is 1.98 K; at the same setting the pressure altitude is 1,000 ft up."""
    air = over(CALM, elevation=1000.0 * FT)
    assert air.temperature - 273.15 == pytest.approx(15.0 - 0.0065 * 304.8, abs=1e-6)
    assert (air.pressure_altitude - over(CALM).pressure_altitude) / FT == pytest.approx(1000.0, abs=0.01)


# --- The answer -------------------------------------------------------------------------------------


def _curves(**pairs: tuple[float, float]) -> limits.Curves:
    units = {"density_altitude": FT}
    comfortable = {c: np.full(2, np.nan) for c in limits.CONDITIONS}
    limit = {c: np.full(2, np.nan) for c in limits.CONDITIONS}
    for c, (low, high) in pairs.items():
        comfortable[c][0], limit[c][0] = low * units.get(c, KT), high * units.get(c, KT)
    return limits.Curves(("Loop", "Pass"), comfortable, limit)


CURVES = _curves(
    density_altitude=(6000, 8000), wind_toward_crowd=(10, 15), gust=(20, 30), gust_spread=(12, 18)
)
ACT = {"runway_crosswind": (14 * KT, 20 * KT), "ceiling": (2500 * FT, 1500 * FT),
       "visibility": (5 * STATUTE_MILE, 3 * STATUTE_MILE)}  # fmt: skip
SHOWS = (
    Show("full", (0, 1), 10.0),
    Show("thin-air", (1,), 4.0),
    Show("low-ceiling", (1,), 2.0, {"ceiling": (1200 * FT, 900 * FT)}),
)
ROUTINES = tuple(limits.RoutineChance(CURVES.take(list(show.figures))) for show in SHOWS)
GOOD = typed_reading(
    station_elevation=0.0,
    temperature_c=15.0,
    dew_point_c=5.0,
    altimeter_inhg=29.92,
    wind_from=170.0,
    wind_kt=5.0,
    gust_kt=6.0,
    visibility_sm=10.0,
    no_ceiling=True,
    thunder=False,
)


def judged(reading: Reading, *, two_amber: bool = False) -> today.Answer:
    return today.judge(
        reading,
        over(reading),
        CURVES,
        SHOWS,
        ROUTINES,
        act_comfortable={k: v[0] for k, v in ACT.items()},
        act_limit={k: v[1] for k, v in ACT.items()},
        two_amber_is_red=two_amber,
    )


def at_altitude(feet: float) -> Reading:
    """Dry standard air at a field of that elevation: its density altitude is the elevation."""
    kelvin = 288.15 - 0.0065 * feet * FT
    return dataclasses.replace(
        GOOD,
        temperature=kelvin,
        dew_point=kelvin - 60.0,
        altimeter_setting=101_325.0,
        station_elevation=feet * FT,
    )


def test_a_good_day_needs_no_second_thought() -> None:
    """Every condition far below comfortable: the full show, and no figure to think about."""
    answer = judged(GOOD)
    assert (answer.show, answer.no_show, answer.act_unknown) == ("full", (), ())
    assert [f.state for f in answer.figures] == [NO_SECOND_THOUGHT, NO_SECOND_THOUGHT]


@pytest.mark.parametrize(
    ("feet", "state", "show"),
    [
        (5950, NO_SECOND_THOUGHT, "full"),
        (6100, THINK, "full"),
        (7900, THINK, "thin-air"),
        (8100, LEAVE_OUT, "thin-air"),
    ],
)
def test_states_change_at_comfortable_and_at_the_limit(feet: float, state: int, show: str) -> None:
    """Comfortable 6,000 ft, limit 8,000 ft. At 7,900 the full show is worth 10 x about .06, the other 4."""
    answer = judged(at_altitude(feet))
    assert answer.figures[0].state == state
    assert answer.show == show


def test_the_air_to_come_is_judged_as_if_it_were_read() -> None:
    """A cool reading with the density altitude of later put in its place: the answer to later's reading."""
    now, later = at_altitude(3000), at_altitude(7900)
    then = today.judge(
        now,
        over(now).thinner(over(later).density_altitude),
        CURVES,
        SHOWS,
        ROUTINES,
        act_comfortable={k: v[0] for k, v in ACT.items()},
        act_limit={k: v[1] for k, v in ACT.items()},
    )
    assert judged(now).show == "full"
    assert then == judged(later)


@pytest.mark.parametrize(
    ("ceiling_ft", "under"), [(2600, True), (3000, True), (3100, False), (np.inf, False)]
)
def test_a_show_is_out_under_a_ceiling_that_is_no_higher_than_its_top(ceiling_ft: float, under: bool) -> None:
    """Above every minimum, no higher than the show's 3,000 ft: out, and it alone; the card says as much."""
    shows = (dataclasses.replace(SHOWS[0], top=3000 * FT), dataclasses.replace(SHOWS[1], top=900 * FT))
    reading = dataclasses.replace(GOOD, ceiling=ceiling_ft * FT)
    answer = today.judge(
        reading,
        over(reading),
        CURVES,
        shows,
        ROUTINES[:2],
        act_comfortable={k: v[0] for k, v in ACT.items()},
        act_limit={k: v[1] for k, v in ACT.items()},
    )
    told = answer.shows
    assert (answer.show, answer.no_show) == (shows[1 if under else 0].name, ())
    assert told[0].chance == 1.0 if under else told[0].chance < 1.0
    assert told[0].under == ((3000 * FT, ceiling_ft * FT) if under else None)
    assert told[0].state == (LEAVE_OUT if under else NO_SECOND_THOUGHT)
    assert (told[1].under, told[1].state) == (None, NO_SECOND_THOUGHT)


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        ({"ceiling": 1500 * FT}, None),  # at the act's limit the full show is out; the low-ceiling show flies
        ({"ceiling": 800 * FT}, "ceiling"),
        ({"visibility": 2.9 * STATUTE_MILE}, "visibility"),
        ({"thunder": 1.0}, "thunder"),
        ({"wind_from": 260.0, "wind_speed": 20.0 * KT, "gust": 20.0 * KT}, "runway_crosswind"),
    ],
)
def test_below_the_minima_there_is_no_show(change: dict[str, float], cause: str | None) -> None:
    """Weather minima and the runway belong to the whole act; a low-ceiling show has a ceiling of its own."""
    answer = judged(dataclasses.replace(GOOD, **change))  # type: ignore[arg-type]
    if cause is None:
        assert (answer.show, answer.no_show) == ("low-ceiling", ())
    else:
        assert answer.show == ""
        assert cause in answer.no_show


def test_the_low_ceiling_show_is_no_answer_under_a_high_ceiling() -> None:
    """Under a ceiling at or above the full show's comfort it is never flown, however thin the air."""
    thin = dataclasses.replace(at_altitude(8100), ceiling=2600 * FT, wind_from=80.0, wind_speed=0.0)
    only_low = today.judge(
        thin,
        over(thin),
        CURVES,
        (SHOWS[0], SHOWS[2]),
        (ROUTINES[0], ROUTINES[2]),
        act_comfortable={k: v[0] for k, v in ACT.items()},
        act_limit={k: v[1] for k, v in ACT.items()},
    )
    assert only_low.show == ""


def test_an_unreported_gust_makes_one_think_and_never_more() -> None:
    """Wind 15 kt without a gust group may peak at 24 kt, past comfortable 20; 28 kt at 37, past 30."""
    for knots in (15.0, 22.0, 28.0):
        reading = dataclasses.replace(GOOD, wind_speed=knots * KT, wind_from=350.0, gust=math.nan)
        assert judged(reading).figures[0].state == THINK
    reported = dataclasses.replace(GOOD, wind_speed=15.0 * KT, wind_from=350.0, gust=15.0 * KT)
    assert judged(reported).figures[0].state == NO_SECOND_THOUGHT


def test_two_ambers_are_one_red_where_the_pilot_says_so() -> None:
    """Density altitude and gust both past comfortable; two limits of one cause are one amber."""
    both = dataclasses.replace(at_altitude(7000), wind_speed=20.0 * KT, gust=24.0 * KT, wind_from=170.0)
    assert judged(both).figures[0].state == THINK
    assert judged(both, two_amber=True).figures[0].state == LEAVE_OUT
    rough = dataclasses.replace(GOOD, wind_speed=10.0 * KT, gust=24.0 * KT, wind_from=170.0)
    assert {c for c, _ in judged(rough, two_amber=True).figures[0].reasons} == {"gust", "gust_spread"}
    assert judged(rough, two_amber=True).figures[0].state == THINK


def test_what_was_not_observed_is_no_second_amber() -> None:
    """Temperature and setting alone: everything else is to be thought about, nothing is past its limit."""
    bare = dataclasses.replace(
        GOOD, wind_speed=math.nan, wind_from=math.nan, gust=math.nan, visibility=math.nan, ceiling=math.nan,
        thunder=math.nan,
    )  # fmt: skip
    answer = judged(bare, two_amber=True)
    assert answer.no_show == ()
    assert answer.show == judged(bare).show != ""
    assert {figure.state for figure in answer.figures} == {THINK}
    one = dataclasses.replace(bare, wind_speed=20.0 * KT, gust=24.0 * KT, wind_from=170.0)
    assert (
        judged(dataclasses.replace(at_altitude(7000), wind_speed=math.nan, gust=math.nan), two_amber=True)
        .figures[0]
        .state
        == THINK
    )
    assert judged(one, two_amber=True).no_show == ()


@settings(max_examples=80, deadline=None)
@given(
    st.floats(-500.0, 9500.0),
    st.floats(0.0, 30.0),
    st.floats(0.0, 359.0),
    st.sampled_from(["dew_point", "wind_speed", "wind_from", "gust", "visibility", "ceiling", "thunder"]),
    st.sampled_from([800.0, 1100.0, 1400.0, 2000.0]),
)
def test_what_is_not_observed_is_never_cleared(
    feet: float, knots: float, direction: float, lost: str, ceiling_ft: float
) -> None:
    """Taking one observation away never turns a doubt into no second thought, for a figure or for the act."""
    wind = round(knots) * KT
    whole = dataclasses.replace(
        at_altitude(feet), wind_speed=wind, wind_from=direction, gust=wind, ceiling=ceiling_ft * FT,
        visibility=4 * STATUTE_MILE,
    )  # fmt: skip
    blind = dataclasses.replace(whole, **{lost: math.nan})  # type: ignore[arg-type]
    before, after = judged(whole), judged(blind)
    for seen, unseen in zip(before.figures, after.figures, strict=True):
        assert unseen.state >= min(seen.state, THINK)
    for cause, state in before.act.items():
        assert after.act[cause] >= min(state, THINK)


@settings(max_examples=60, deadline=None)
@given(st.floats(3000.0, 9000.0), st.floats(0.0, 1500.0))
def test_hotter_air_never_looks_better(feet: float, hotter: float) -> None:
    """Density altitude alone: no figure's state and no show's chance of change falls as it rises."""
    cool, hot = judged(at_altitude(feet)), judged(at_altitude(feet + hotter))
    for a, b in zip(cool.figures, hot.figures, strict=True):
        assert b.state >= a.state
    for c, d in zip(cool.shows, hot.shows, strict=True):
        assert d.chance >= c.chance - 1e-5


def test_share_below_counts_ties_by_half() -> None:
    """Of 1, 2, 2, 3 and a missing one: below 2 is one, equal are two: (1 + 2/2) / 4 = .5."""
    assert today.share_below(np.array([1.0, 2.0, 2.0, 3.0, np.nan]), 2.0) == 0.5
    assert math.isnan(today.share_below(np.array([np.nan]), 2.0))


@pytest.mark.parametrize(
    ("given_values", "words"),
    [
        ({"temperature_c": 85.0}, "temperature_c 85"),
        ({"altimeter_inhg": 1013.0}, "inches of mercury"),
        ({"gust_kt": 5.0, "wind_kt": 10.0}, "below the wind"),
        ({"dew_point_c": 20.0}, "above the temperature"),
    ],
)
def test_typed_values_that_cannot_be_are_refused(given_values: dict[str, float], words: str) -> None:
    """Units mistaken for one another, and values swapped, are refused by name."""
    typed = {"station_elevation": 0.0, "temperature_c": 15.0, "altimeter_inhg": 29.92} | given_values
    with pytest.raises(InputError, match=words):
        typed_reading(**typed)  # type: ignore[arg-type]
    assert typed_reading(
        station_elevation=0.0, temperature_c=15.0, altimeter_inhg=29.92
    ).altimeter_setting == pytest.approx(29.92 * INHG)


def test_a_reading_at_comfortable_is_not_past_it_and_one_at_the_limit_is_at_it() -> None:
    """Exactly, whatever the last digit of the metres: 5 SM where 5 SM is comfortable asks for no thought."""
    for comfortable in np.arange(2.0, 12.0, 0.5) * 1609.344:
        for limit in np.arange(0.5, 20.0, 0.5) * 1609.344:
            if limit == comfortable:
                continue
            ends = [float(limits.standardised(v, comfortable, limit)) for v in (comfortable, limit)]
            assert [today._state(z) for z in ends] == [today.NO_SECOND_THOUGHT, today.LEAVE_OUT]
