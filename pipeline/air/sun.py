"""Where the sun stands at a place and time, and whose eyes it is in.

The low-precision solar coordinates of the Astronomical Almanac as published by Michalsky [1]_: within 0.01
degree from 1950 to 2050.

References
----------
.. [1] J. J. Michalsky, "The Astronomical Almanac's algorithm for approximate solar position (1950-2050)",
   Solar Energy 40 (3), 1988, 227-235, with its erratum in 41 (1).
.. [2] Refraction: T. Saemundsson, Sky and Telescope 72, 1986, 70; Meeus, Astronomical Algorithms, ch. 16.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "CIVIL_TWILIGHT",
    "SUNSET",
    "apparent_elevation",
    "crowd_look_direction",
    "daylight",
    "in_view",
    "solar_position",
]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

SUNSET = -0.833
"""Elevation of the sun's centre at sunrise and sunset, without refraction [degree]."""
CIVIL_TWILIGHT = -6.0
"""Elevation at which civil twilight begins and ends [degree]."""

IN_VIEW_WITHIN = 30.0
"""Sun this near to the line of sight dazzles [degree]: common practice, no source."""


def solar_position(
    instants: npt.NDArray[np.datetime64] | np.datetime64, latitude: ArrayLike, longitude: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Azimuth and elevation of the sun's centre, without refraction.

    Parameters
    ----------
    instants
        UTC, datetime64; broadcasts with the place.
    latitude, longitude
        Degrees north and east.

    Returns
    -------
    azimuth, elevation
        [degree]: azimuth from true north, clockwise, 0 to 360.
    """
    seconds = np.asarray(instants, dtype="datetime64[s]").astype(np.int64)
    n = seconds / 86_400.0 - 10_957.5  # days since 2000-01-01 12:00
    mean_longitude = 280.460 + 0.9856474 * n
    g = np.radians(357.528 + 0.9856003 * n)
    ecliptic = np.radians(mean_longitude + 1.915 * np.sin(g) + 0.020 * np.sin(2.0 * g))
    obliquity = np.radians(23.439 - 0.0000004 * n)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))

    hours = (seconds % 86_400) / 3600.0
    sidereal = 6.697375 + 0.0657098242 * n + hours
    angle = np.radians(15.0 * sidereal + np.asarray(longitude, dtype=float)) - ascension
    phi = np.radians(np.asarray(latitude, dtype=float))
    up = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(angle)
    east = -np.cos(declination) * np.sin(angle)
    north = np.cos(phi) * np.sin(declination) - np.sin(phi) * np.cos(declination) * np.cos(angle)
    azimuth = np.degrees(np.arctan2(east, north)) % 360.0
    return np.asarray(azimuth), np.asarray(np.degrees(np.arcsin(np.clip(up, -1.0, 1.0))))


def apparent_elevation(
    elevation: ArrayLike, pressure: ArrayLike = 101_325.0, temperature: ArrayLike = 283.15
) -> FloatArray:
    """Elevation with the air's refraction added [degree].

    Parameters
    ----------
    elevation
        Without refraction [degree]; below the horizon by more than a degree nothing is added.
    pressure, temperature
        At the observer [Pa, K].
    """
    h = np.asarray(elevation, dtype=float)
    minutes = 1.02 / np.tan(np.radians(np.maximum(h, -1.0) + 10.3 / (np.maximum(h, -1.0) + 5.11)))
    air = np.asarray(pressure, dtype=float) / 101_000.0 * 283.0 / np.asarray(temperature, dtype=float)
    return np.asarray(np.where(h >= -1.0, h + minutes * air / 60.0, h))


def daylight(elevation: ArrayLike) -> npt.NDArray[np.str_]:
    """``day``, ``civil twilight`` or ``night``, by the elevation without refraction [degree]."""
    h = np.asarray(elevation, dtype=float)
    return np.where(h >= SUNSET, "day", np.where(h >= CIVIL_TWILIGHT, "civil twilight", "night"))


def in_view(
    azimuth: ArrayLike, elevation: ArrayLike, look_azimuth: ArrayLike, *, within: float = IN_VIEW_WITHIN
) -> npt.NDArray[np.bool_]:
    """Whether the sun is up and within some degrees of a level line of sight.

    Parameters
    ----------
    azimuth, elevation
        Of the sun [degree].
    look_azimuth
        True direction looked or flown to [degree].
    within
        [degree].
    """
    h = np.radians(np.asarray(elevation, dtype=float))
    turn = np.radians(np.asarray(azimuth, dtype=float) - np.asarray(look_azimuth, dtype=float))
    apart = np.degrees(np.arccos(np.clip(np.cos(h) * np.cos(turn), -1.0, 1.0)))
    return np.asarray((h > np.radians(SUNSET)) & (apart <= within))


def crowd_look_direction(line_true_heading: ArrayLike, crowd_on_right: ArrayLike) -> FloatArray:
    """True direction in which the crowd faces the show line [degree].

    A crowd on the right of somebody flying along the heading looks to that pilot's left.
    """
    turn = np.where(np.asarray(crowd_on_right, dtype=bool), -90.0, 90.0)
    return np.asarray((np.asarray(line_true_heading, dtype=float) + turn) % 360.0)
