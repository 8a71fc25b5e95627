"""Getting the aircraft there: distance, legs, days and daylight, and the chance that the days are flyable.

Planning figures for a light aircraft flown by sight. Every array is over journeys unless said otherwise;
instants are seconds since 1970-01-01 00:00 UTC.

References
----------
.. [1] Distance: C. F. F. Karney, "Algorithms for geodesics", Journal of Geodesy 87, 2013, 43-55, on WGS 84.
.. [2] Great-circle points: E. Williams, Aviation Formulary, "Intermediate points on a great circle".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air.sun import SUNSET, solar_position

__all__ = [
    "Aircraft",
    "Journeys",
    "bearing",
    "chance_in_time",
    "course",
    "distance",
    "flyable_days",
    "journeys",
    "planning_headwind",
    "sunrise_sunset",
    "wind_sums",
]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ArrayLike = npt.ArrayLike

DAY = 86_400.0
LONGEST = 60
"""Days after which a journey counts as one that cannot be flown."""

UPPER_QUARTILE = 0.6745
"""Standard deviations above the mean that one value in four of a normal distribution exceeds."""


@dataclass(frozen=True)
class Aircraft:
    """How the aircraft travels.

    Attributes
    ----------
    true_airspeed
        [m s-1].
    leg_range
        Longest leg in still air, reserves kept [m].
    refuel
        From one landing to the next take-off [s].
    flying_day
        Greatest flying time between two nights [s].
    rest
        Least time from the day's last landing to the next day's take-off [s].
    daylight_only
        Whether every leg lies between sunrise where it starts and sunset where it ends.
    """

    true_airspeed: float
    leg_range: float
    refuel: float
    flying_day: float
    rest: float
    daylight_only: bool = True


def distance(latitude: ArrayLike, longitude: ArrayLike) -> FloatArray:
    """Geodesic distance between every two of some places on WGS 84 [1]_.

    Parameters
    ----------
    latitude, longitude
        Degrees north and east, (place,).

    Returns
    -------
    [m], (place, place).
    """
    from geographiclib.geodesic import Geodesic

    lat, lon = np.asarray(latitude, dtype=float), np.asarray(longitude, dtype=float)
    result = np.zeros((lat.size, lat.size))
    for i in range(lat.size):
        for j in range(i + 1, lat.size):
            line = Geodesic.WGS84.Inverse(lat[i], lon[i], lat[j], lon[j], Geodesic.DISTANCE)
            result[i, j] = result[j, i] = line["s12"]
    return result


def bearing(lat1: ArrayLike, lon1: ArrayLike, lat2: ArrayLike, lon2: ArrayLike) -> FloatArray:
    """Initial true course of the great circle on a sphere [degree]."""
    a, b = np.radians(np.asarray(lat1, dtype=float)), np.radians(np.asarray(lat2, dtype=float))
    turn = np.radians(np.asarray(lon2, dtype=float) - np.asarray(lon1, dtype=float))
    east = np.sin(turn) * np.cos(b)
    north = np.cos(a) * np.sin(b) - np.sin(a) * np.cos(b) * np.cos(turn)
    return np.asarray(np.degrees(np.arctan2(east, north)) % 360.0)


def _between(
    lat1: FloatArray, lon1: FloatArray, lat2: FloatArray, lon2: FloatArray, share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Point at a share of the great circle [2]_."""
    a, b, c, d = (np.radians(v) for v in (lat1, lon1, lat2, lon2))
    start = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)])
    end = np.stack([np.cos(c) * np.cos(d), np.cos(c) * np.sin(d), np.sin(c)])
    arc = np.arccos(np.clip(np.sum(start * end, axis=0), -1.0, 1.0))
    below = np.where(np.sin(arc) > 1e-12, np.sin(arc), 1.0)
    p = np.where(
        arc > 1e-9,
        (np.sin((1.0 - share) * arc) * start + np.sin(share * arc) * end) / below,
        start,
    )
    return np.degrees(np.arctan2(p[2], np.hypot(p[0], p[1]))), np.degrees(np.arctan2(p[1], p[0]))


def course(lat1: ArrayLike, lon1: ArrayLike, lat2: ArrayLike, lon2: ArrayLike) -> FloatArray:
    """True course of the great circle half way [degree]."""
    a, b, c, d = (np.asarray(v, dtype=float) for v in (lat1, lon1, lat2, lon2))
    return bearing(*_between(a, b, c, d, np.full(a.shape, 0.5)), c, d)


def solar_day(instant: ArrayLike, longitude: ArrayLike) -> IntArray:
    """Day since 1970-01-01 by the mean sun's clock at a longitude."""
    shifted = np.asarray(instant, dtype=float) + 240.0 * np.asarray(longitude, dtype=float)
    return np.floor(shifted / DAY).astype(np.int64)


def sunrise_sunset(
    latitude: ArrayLike, longitude: ArrayLike, day: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Sunrise and sunset over a level horizon, the sun's upper limb with standard refraction.

    Parameters
    ----------
    latitude, longitude
        Degrees north and east.
    day
        Days since 1970-01-01 by the mean sun's clock; see `solar_day`.

    Returns
    -------
    rise, set
        Instants. Midnight to midnight where the sun does not set; both noon where it does not rise.
    """
    return _horizon(latitude, longitude, day, -1.0), _horizon(latitude, longitude, day, 1.0)


def _horizon(latitude: ArrayLike, longitude: ArrayLike, day: ArrayLike, side: float) -> FloatArray:
    """Sunrise (side -1) or sunset (side 1)."""
    lat, lon, d = np.broadcast_arrays(
        np.asarray(latitude, dtype=float), np.asarray(longitude, dtype=float), np.asarray(day, dtype=float)
    )
    noon = d * DAY + DAY / 2.0 - 240.0 * lon
    phi = np.radians(lat)
    instant = noon + side * DAY / 4.0
    # The declination moves by at most 0.4 degree a day: three steps settle to a second.
    for _ in range(3):
        # Seen from the pole, the sun's elevation is its declination, and its azimuth less 180 degrees its
        # hour angle.
        azimuth, elevation = solar_position(instant.astype("datetime64[s]"), 90.0, lon)
        declination = np.radians(elevation)
        cosine = (np.sin(np.radians(SUNSET)) - np.sin(phi) * np.sin(declination)) / (
            np.cos(phi) * np.cos(declination)
        )
        wanted = side * np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
        instant = instant + 240.0 * ((wanted - azimuth + 360.0) % 360.0 - 180.0)
    return np.where(cosine < -1.0, noon + side * DAY / 2.0, np.where(cosine > 1.0, noon, instant))


# --- Legs and days ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Journeys:
    """Journeys flown as early as they can be.

    Attributes
    ----------
    take_off, arrival
        Instants; infinite where the journey cannot be flown.
    legs
        Number of equal legs.
    flying
        Flying time [s].
    days
        Days on which something is flown.
    """

    take_off: FloatArray
    arrival: FloatArray
    legs: IntArray
    flying: FloatArray
    days: IntArray


def journeys(
    aircraft: Aircraft,
    leave: ArrayLike,
    start: tuple[ArrayLike, ArrayLike],
    end: tuple[ArrayLike, ArrayLike],
    length: ArrayLike,
    headwind: ArrayLike = 0.0,
    *,
    blocked: ArrayLike = (),
) -> Journeys:
    """Fly every journey as early as daylight, fuel, the day's flying and the night's rest let it.

    The way is cut into equal legs, each no longer than the range at the ground speed and than a day's
    flying. Places for fuel are taken to be where the legs end: no airfield is looked up.

    Parameters
    ----------
    aircraft
        How it travels.
    leave
        Instants from which the aircraft may take off; of any shape, with which the rest broadcasts.
    start, end
        Latitude and longitude [degree].
    length
        [m]; where it is zero there is no journey, and it arrives when it leaves.
    headwind
        Mean over the way [m s-1].
    blocked
        Days since 1970-01-01 on which nothing is flown, (day,).

    Returns
    -------
    Journeys
    """
    given = np.broadcast_arrays(*map(np.asarray, (leave, *start, *end, length, headwind)))
    shape = given[0].shape
    leave, lat1, lon1, lat2, lon2, length, headwind = (np.array(a, dtype=float).ravel() for a in given)
    ground_speed = aircraft.true_airspeed - headwind
    possible = (ground_speed > 0.0) & np.isfinite(leave)
    speed = np.where(possible, ground_speed, 1.0)
    longest = np.minimum(aircraft.leg_range * speed / aircraft.true_airspeed, speed * aircraft.flying_day)
    # A hair off a whole number of legs is rounding.
    legs = np.where(length > 0.0, np.ceil(length / longest - 1e-9), 0.0)
    legs = np.where(length > 0.0, np.maximum(legs, 1.0), 0.0)
    leg_time = np.where(legs > 0, length / speed / np.maximum(legs, 1.0), 0.0)

    time, landed = leave.copy(), np.full(leave.shape, -np.inf)
    flown, done = np.zeros(leave.shape), np.zeros(leave.shape)
    take_off = np.where(legs == 0, leave, np.inf)
    days, last_day = np.zeros(leave.shape, dtype=np.int64), np.full(leave.shape, np.iinfo(np.int64).min)
    closed = np.asarray(blocked, dtype=np.int64)
    todo = possible & (done < legs)
    while todo.any():
        at = np.flatnonzero(todo)
        way = (lat1[at], lon1[at], lat2[at], lon2[at])
        here = _between(*way, done[at] / legs[at])
        there = _between(*way, (done[at] + 1.0) / legs[at])
        today = solar_day(time[at], here[1])
        midnight = today * DAY - 240.0 * here[1]
        if aircraft.daylight_only:
            rise, fall = _horizon(*here, today, -1.0), _horizon(*there, today, 1.0)
        else:
            rise, fall = midnight, midnight + DAY
        off = np.maximum(time[at], rise)
        on = off + leg_time[at]
        fits = (
            (on <= fall) & (flown[at] + leg_time[at] <= aircraft.flying_day + 1e-6) & ~np.isin(today, closed)
        )
        yes, no = at[fits], at[~fits]
        take_off[yes] = np.minimum(take_off[yes], off[fits])
        landed[yes] = on[fits]
        flown[yes] += leg_time[yes]
        done[yes] += 1.0
        time[yes] = on[fits] + np.where(done[yes] < legs[yes], aircraft.refuel, 0.0)
        days[yes] += today[fits] != last_day[yes]
        last_day[yes] = today[fits]
        time[no] = np.maximum(midnight[~fits] + DAY, landed[no] + aircraft.rest)
        flown[no] = 0.0
        possible[no] &= time[no] - leave[no] < LONGEST * DAY
        todo = possible & (done < legs)
    never = ~possible
    return Journeys(
        np.where(never, np.inf, take_off).reshape(shape),
        np.where(never, np.inf, time).reshape(shape),
        legs.astype(np.int64).reshape(shape),
        np.where(never, np.inf, legs * leg_time).reshape(shape),
        days.reshape(shape),
    )


# --- Wind and weather on the way ------------------------------------------------------------------------


def wind_sums(east: FloatArray, north: FloatArray) -> FloatArray:
    """What mean and covariance of winds are made of; those of two sets of hours together are their sum.

    Parameters
    ----------
    east, north
        Components of where the wind blows to at 10 m [m s-1], (..., sample); NaN is left out.

    Returns
    -------
    Count, sums of the components, of their squares and of their product, (6, ...).
    """
    both = np.isfinite(east) & np.isfinite(north)
    u, v = np.where(both, east, 0.0), np.where(both, north, 0.0)
    return np.stack([x.sum(axis=-1, dtype=float) for x in (both, u, v, u * u, v * v, u * v)])


def planning_headwind(sums: FloatArray, course: ArrayLike, factor: float) -> FloatArray:
    """Headwind to plan with: exceeded about one hour in four; a tail wind counts as none.

    The mean and spread of the component along the course, both from the winds' means and covariance; the
    upper quartile as of a normal distribution.

    Parameters
    ----------
    sums
        From `wind_sums`, (6, journey).
    course
        True course [degree], (journey,).
    factor
        Of the wind at the height flown over that at 10 m.

    Returns
    -------
    [m s-1], (journey,); NaN where no wind is held.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_u, mean_v, uu, vv, uv = sums[1:] / sums[0]
        var_u, var_v, cov = uu - mean_u**2, vv - mean_v**2, uv - mean_u * mean_v
    way = np.radians(np.asarray(course, dtype=float))
    s, c = np.sin(way), np.cos(way)
    against = -(mean_u * s + mean_v * c)
    spread = np.sqrt(np.maximum(var_u * s * s + 2.0 * cov * s * c + var_v * c * c, 0.0))
    return np.asarray(np.maximum(factor * (against + UPPER_QUARTILE * spread), 0.0))


def flyable_days(
    ceiling: FloatArray,
    visibility: FloatArray,
    wind: FloatArray,
    *,
    least_ceiling: float,
    least_visibility: float,
    greatest_wind: float,
    axis: int | tuple[int, ...] = -1,
) -> FloatArray:
    """Days on which at least half of the observed hours are within the ferry minima.

    Parameters
    ----------
    ceiling, visibility, wind
        [m], [m] and [m s-1]; NaN where not observed. What is not observed bars no hour, but an hour without
        wind does not count.
    least_ceiling, least_visibility, greatest_wind
        The minima.
    axis
        Of the hours of a day.

    Returns
    -------
    1 flyable, 0 not, NaN where no hour counts; as the conditions, without `axis`.
    """
    hour = np.isfinite(wind)
    bad = (wind > greatest_wind) | (ceiling < least_ceiling) | (visibility < least_visibility)
    count, good = hour.sum(axis=axis), (hour & ~bad).sum(axis=axis)
    return np.asarray(np.where(count == 0, np.nan, (2 * good >= count).astype(float)))


def chance_in_time(flyable: FloatArray, needed: int, spare: int) -> FloatArray:
    """Chance that a run of ``needed + spare`` days has the flyable days that are needed.

    Counted over every run of consecutive days in the history, so that bad days come together as they do.

    Parameters
    ----------
    flyable
        1, 0 or NaN, (..., year, day).
    needed, spare
        Days; the run may not be longer than the days held.

    Returns
    -------
    (...); NaN where no run is observed whole.
    """
    if needed <= 0:
        return np.ones(flyable.shape[:-2])
    run = needed + spare
    if run > flyable.shape[-1]:
        raise ValueError(f"chance_in_time: a run of {run} days in {flyable.shape[-1]}")
    windows = np.lib.stride_tricks.sliding_window_view(flyable, run, axis=-1)
    total = windows.sum(axis=-1)
    whole = np.isfinite(total)
    counted = whole.sum(axis=(-2, -1))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((whole & (total >= needed)).sum(axis=(-2, -1)) / counted)
