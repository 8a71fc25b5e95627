"""Ferry: distance, sunrise, legs and days, wind and flyable days."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from pipeline.air.variables import FT, KT, NM
from pipeline.decisions import ferry

HOUR, DAY = 3600.0, 86_400.0


def instant(text: str) -> float:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC).timestamp()


def aircraft(**change: float) -> ferry.Aircraft:
    held = {
        "true_airspeed": 100 * KT,
        "leg_range": 250 * NM,
        "refuel": HOUR,
        "flying_day": 6 * HOUR,
        "rest": 10 * HOUR,
    }
    return ferry.Aircraft(**(held | change))


# --- Distance -------------------------------------------------------------------------------------------


def test_distance_is_the_geodesic_on_wgs84() -> None:
    """Against pyproj (PROJ's own geodesics), to a millimetre; near antipodes and across the date line too."""
    from pyproj import Geod

    rng = np.random.default_rng(4)
    lat = np.concatenate([rng.uniform(-89, 89, 30), [0.0, 0.3, 10.0, 10.0]])
    lon = np.concatenate([rng.uniform(-180, 180, 30), [0.0, 179.6, 179.9, -179.9]])
    i, j = (a.ravel() for a in np.indices((lat.size, lat.size)))
    expected = np.asarray(Geod(ellps="WGS84").inv(lon[i], lat[i], lon[j], lat[j])[2]).reshape(lat.size, -1)
    assert ferry.distance(lat, lon) == pytest.approx(expected, abs=1e-3)


def test_los_angeles_to_new_york() -> None:
    """33°57'N 118°24'W to 40°38'N 73°47'W.

    Sources: the Aviation Formulary's worked example, initial course 66° and 2,144 NM on a sphere; 2,149.89 NM
    on WGS 84 by pyproj.
    """
    lat, lon = [33 + 57 / 60, 40 + 38 / 60], [-(118 + 24 / 60), -(73 + 47 / 60)]
    assert ferry.distance(lat, lon)[0, 1] / NM == pytest.approx(2149.89, abs=0.01)
    assert float(ferry.bearing(lat[0], lon[0], lat[1], lon[1])) == pytest.approx(66.0, abs=0.5)


def test_course_half_way_lies_between_the_courses_at_the_ends() -> None:
    """On a great circle: half-way point by pyproj on a sphere, then the course from there."""
    from pyproj import Geod

    ball = Geod(a=6_371_000.0, b=6_371_000.0)
    out, _, length = ball.inv(-120, 45, -80, 40)
    lon, lat, back = ball.fwd(-120, 45, out, length / 2)
    expected = (back + 180) % 360
    assert float(ferry.course(45, -120, 40, -80)) == pytest.approx(expected, abs=0.01)
    assert float(ferry.bearing(lat, lon, 40, -80)) == pytest.approx(expected, abs=0.01)


# --- Daylight -------------------------------------------------------------------------------------------


def test_sunrise_and_sunset_against_astral() -> None:
    """Two hundred places and days of 2027 up to 60° of latitude, against astral: within a minute.

    astral's own series is good to about a minute (NOAA's solar calculator, which it follows).
    """
    from astral import Observer
    from astral.sun import sunrise, sunset

    rng = np.random.default_rng(8)
    for lat, lon, n in zip(
        rng.uniform(-60, 60, 200), rng.uniform(-175, 175, 200), rng.integers(0, 365, 200), strict=True
    ):
        day = dt.date(2027, 1, 1) + dt.timedelta(days=int(n))
        rise, fall = ferry.sunrise_sunset(lat, lon, (day - dt.date(1970, 1, 1)).days)
        zone = dt.timezone(dt.timedelta(hours=lon / 15.0))
        observer = Observer(lat, lon, 0.0)
        assert float(rise) == pytest.approx(sunrise(observer, day, tzinfo=zone).timestamp(), abs=60)
        assert float(fall) == pytest.approx(sunset(observer, day, tzinfo=zone).timestamp(), abs=60)


def test_polar_day_and_night() -> None:
    """At 75°N the sun stays up in June and down in December."""
    june, december = 20_990, 21_173  # 2027-06-21 and 2027-12-21
    rise, fall = ferry.sunrise_sunset(75.0, 20.0, june)
    assert float(fall - rise) == DAY
    rise, fall = ferry.sunrise_sunset(75.0, 20.0, december)
    assert float(fall - rise) == 0.0


# --- Legs and days --------------------------------------------------------------------------------------


def test_one_day_by_hand() -> None:
    """400 NM at 100 kt with 250 NM legs: two legs of two hours with an hour between, from 15:00 UTC.

    Around 45°N 100°W in June the sun is up from about 11 to 02 UTC, so nothing waits.
    """
    flown = ferry.journeys(aircraft(), instant("2027-06-10T15:00"), (45, -100), (45, -90.6), 400 * NM)
    assert (int(flown.legs), int(flown.days)) == (2, 1)
    assert float(flown.flying) == pytest.approx(4 * HOUR)
    assert float(flown.arrival) == pytest.approx(instant("2027-06-10T20:00"))


def test_the_headwind_shortens_the_leg_and_the_speed() -> None:
    """400 NM into 20 kt: 80 kt over the ground, 200 NM a leg, so still two legs, of 2.5 h; at 25 kt three.

    Ground range is still-air range times ground speed over true airspeed: 250 · 75/100 = 187.5 NM.
    """
    start = instant("2027-06-10T15:00")
    flown = ferry.journeys(
        aircraft(), start, (45, -100), (45, -90.6), 400 * NM, np.array([20.0, 25.0, 100.0]) * KT
    )
    assert flown.legs[:2].tolist() == [2, 3]
    assert flown.flying[:2] / HOUR == pytest.approx([400 / 80, 400 / 75])
    # Against a wind as fast as it flies it never gets there.
    assert math.isinf(flown.arrival[2])


def test_a_day_ends_with_the_flying_hours_and_with_the_light() -> None:
    """1,000 NM is four legs of 2.5 h: two a day of six flying hours; the third waits for the next sunrise.

    Expected sunrise: astral, at the half-way point of the great circle (by pyproj on a sphere).
    """
    from astral import Observer
    from astral.sun import sunrise
    from pyproj import Geod

    start = instant("2027-06-10T13:00")
    flown = ferry.journeys(aircraft(), start, (45, -100), (45, -76.4), 1000 * NM)
    assert (int(flown.legs), int(flown.days)) == (4, 2)
    ball = Geod(a=6_371_000.0, b=6_371_000.0)
    out, _, length = ball.inv(-100, 45, -76.4, 45)
    lon, lat, _ = ball.fwd(-100, 45, out, length / 2)
    zone = dt.timezone(dt.timedelta(hours=lon / 15))
    morning = sunrise(Observer(lat, lon, 0.0), dt.date(2027, 6, 11), tzinfo=zone).timestamp()
    assert float(flown.arrival) == pytest.approx(morning + 6 * HOUR, abs=60)
    # An hour before sunset nothing of 2.5 h begins: all four legs are flown on the next two days.
    late = ferry.journeys(aircraft(), instant("2027-06-11T01:30"), (45, -100), (45, -76.4), 1000 * NM)
    assert int(late.days) == 2
    assert float(late.take_off) > instant("2027-06-11T09:00")


def test_rest_and_blocked_days() -> None:
    """After a landing at dusk ten hours of rest outlast a short night; on a blocked day nothing is flown.

    At 60°N in June the night is about 5.5 h: a landing at 20:30 local sun time means 06:30 at the earliest.
    """
    long_day = aircraft(flying_day=2 * HOUR, leg_range=200 * NM)
    start = instant("2027-06-10T18:30")  # 18:30 local at Greenwich
    flown = ferry.journeys(long_day, start, (60, 0), (60, 13.2), 400 * NM)
    assert float(flown.arrival) == pytest.approx(instant("2027-06-11T06:30") + 2 * HOUR, abs=1)
    blocked = [(dt.date(2027, 6, 11) - dt.date(1970, 1, 1)).days]
    later = ferry.journeys(long_day, start, (60, 0), (60, 13.2), 400 * NM, blocked=blocked)
    # Sunrise at 60°N 6.6°E on 12 June is at 02:11 UTC by astral; one leg of two hours after it.
    assert float(later.arrival) == pytest.approx(instant("2027-06-12T02:11") + 2 * HOUR, abs=90)


def test_nowhere_to_go() -> None:
    """No distance, no journey: it arrives when it leaves, in the dark or on a blocked day."""
    start = instant("2027-06-10T03:00")
    flown = ferry.journeys(aircraft(), start, (60, 0), (60, 0), 0.0, blocked=[20_979])
    assert (float(flown.arrival), int(flown.legs), int(flown.days)) == (start, 0, 0)


def test_leaving_earlier_never_arrives_later() -> None:
    """Two hundred random journeys, each left a random time earlier: the arrival is no later.

    An invariant for the same place and wind; it needs the rest not to bind, as a flown day starts it.
    """
    rng = np.random.default_rng(2)
    n = 200
    lat, lon = rng.uniform(25, 55, (2, n)), rng.uniform(-125, -70, (2, n))
    length = np.asarray([ferry.distance(lat[:, k], lon[:, k])[0, 1] for k in range(n)])
    leave = instant("2027-05-01T00:00") + rng.uniform(0, 120 * DAY, n)
    wind = rng.uniform(0, 25, n) * KT
    machine = aircraft(rest=0.0)
    way = ((lat[0], lon[0]), (lat[1], lon[1]), length, wind)
    late = ferry.journeys(machine, leave, *way)
    early = ferry.journeys(machine, leave - rng.uniform(0, 4 * DAY, n), *way)
    assert np.all(early.arrival <= late.arrival + 1.0)
    assert np.array_equal(early.legs, late.legs)
    # No day has more flying than it may, and no leg is longer than its range.
    assert np.all(late.flying <= late.days * machine.flying_day + 1.0)
    ground = (machine.true_airspeed - wind) / machine.true_airspeed
    assert np.all(length <= late.legs * machine.leg_range * ground * (1 + 1e-9))


# --- Wind and weather -----------------------------------------------------------------------------------


def test_planning_headwind_by_hand() -> None:
    """A steady 10 m/s west wind is a 10 m/s headwind westward, none eastward, none across.

    With a spread: headwinds of 4 and 8 m/s have mean 6 and deviation 2, so 6 + 0.6745 · 2 = 7.349; carried
    up by 1.5, 11.02.
    """
    east, north = np.full((3, 50), 10.0), np.zeros((3, 50))
    assert ferry.planning_headwind(ferry.wind_sums(east, north), [270.0, 90.0, 0.0], 1.0) == pytest.approx(
        [10, 0, 0], abs=1e-9
    )
    mixed = np.tile([4.0, 8.0], 20)[None]
    sums = ferry.wind_sums(mixed, np.zeros_like(mixed))
    assert float(ferry.planning_headwind(sums, [270.0], 1.5)[0]) == pytest.approx(1.5 * (6 + 0.6745 * 2))
    # Half of the hours at one end and half at the other are the hours of both.
    apart = ferry.wind_sums(np.full((2, 20), [[4.0], [8.0]]), np.zeros((2, 20))).sum(axis=1, keepdims=True)
    assert apart == pytest.approx(sums)
    nothing = np.full((1, 5), np.nan)
    assert np.isnan(ferry.planning_headwind(ferry.wind_sums(nothing, nothing), [0.0], 1.0)).all()


def test_planning_headwind_is_the_upper_quartile() -> None:
    """Normal winds in any direction: NumPy's 75 % quantile of the headwind, within 0.1 m/s."""
    rng = np.random.default_rng(0)
    draws = rng.multivariate_normal([3.0, -2.0], [[16.0, 5.0], [5.0, 9.0]], 40_000)
    for course in (20.0, 140.0, 255.0, 300.0):
        way = math.radians(course)
        along = -(draws[:, 0] * math.sin(way) + draws[:, 1] * math.cos(way))
        told = ferry.planning_headwind(ferry.wind_sums(*draws.T[:, None]), [course], 1.0)
        assert float(told[0]) == pytest.approx(max(np.quantile(along, 0.75), 0.0), abs=0.1)


def test_flyable_days_by_hand() -> None:
    """Half of the observed hours have to be good; what is not observed bars nothing, and no wind no hour."""
    nan, inf = np.nan, np.inf
    ceiling = np.array([[inf, inf, 200.0], [200.0, 200.0, inf], [nan, nan, nan], [inf, inf, inf]])
    visibility = np.full((4, 3), 9000.0)
    wind = np.array([[5.0, 5.0, 5.0], [5.0, 5.0, 5.0], [5.0, 20.0, nan], [nan, nan, nan]])
    minima = {"least_ceiling": 2000 * FT, "least_visibility": 8000.0, "greatest_wind": 22 * KT}
    told = ferry.flyable_days(ceiling, visibility, wind, **minima)
    assert told[:3].tolist() == [1.0, 0.0, 1.0]
    assert np.isnan(told[3])
    # The hours of a day may lie along any axes.
    apart = [np.stack([a[:, :1], a[:, 1:2], a[:, 2:]]) for a in (ceiling, visibility, wind)]
    assert np.array_equal(ferry.flyable_days(*apart, **minima, axis=(0, -1)), told, equal_nan=True)


def test_chance_in_time_by_hand() -> None:
    """Days 1 0 0 1 1 of one year: runs of two with a flyable one are 10, 01, 11 of four; of three, all three.

    With a missing day, runs over it do not count.
    """
    days = np.array([[1.0, 0.0, 0.0, 1.0, 1.0]])
    assert float(ferry.chance_in_time(days, 1, 1)) == 3 / 4
    assert float(ferry.chance_in_time(days, 1, 2)) == 3 / 3
    assert float(ferry.chance_in_time(days, 2, 1)) == 1 / 3
    assert float(ferry.chance_in_time(days, 0, 0)) == 1.0
    assert float(ferry.chance_in_time(np.array([[1.0, 0.0, np.nan, 1.0, 1.0]]), 1, 1)) == 2 / 2
    assert np.isnan(ferry.chance_in_time(np.full((2, 5), np.nan), 1, 0))
    with pytest.raises(ValueError, match="6 days in 5"):
        ferry.chance_in_time(days, 4, 2)


def test_chance_in_time_of_independent_days_is_binomial() -> None:
    """Independent days of chance .7: at least two of four are flyable with 1 − .3⁴ − 4·.7·.3³ = .9163."""
    days = (np.random.default_rng(3).random((3000, 31)) < 0.7).astype(float)
    assert float(ferry.chance_in_time(days, 2, 2)) == pytest.approx(1 - 0.3**4 - 4 * 0.7 * 0.3**3, abs=0.006)
