"""Wind across and along a line, with its sign; and what a gust report, or its absence, says.

All directions are true, all speeds m/s. A wind direction is where the wind comes from.

References
----------
.. [1] FAA-H-8083-25, Pilot's Handbook of Aeronautical Knowledge, chapter 11, crosswind component chart.
.. [2] FAA AC 00-45H, Aviation Weather Services, section 3.1.5.5: a gust is coded when peaks exceed lulls
   by 10 kt or more; VRB stands for variable wind of 6 kt or less.
.. [3] WMO-No. 306, FM 15 METAR; ICAO Annex 3, appendix 3: a gust is coded when it exceeds the mean by
   10 kt or more.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.air.variables import KT

__all__ = [
    "GUST_REPORTING_EXCESS",
    "components",
    "gust_bounds",
    "gust_peak",
    "runway_components",
    "show_line_components",
    "variable_exceedance",
    "whole_knots",
    "with_variable_direction",
]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

GUST_REPORTING_EXCESS = 10.0 * KT
"""A gust less than this above the mean wind [m s-1] need not be reported [2]_ [3]_."""


def components(
    speed: ArrayLike, from_direction: ArrayLike, heading: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Wind along and across a heading.

    Parameters
    ----------
    speed
        Wind speed [m s-1].
    from_direction
        True direction the wind blows from [degree]; NaN where it is variable or unknown.
    heading
        True heading flown [degree].

    Returns
    -------
    headwind, from_right
        [m s-1]: positive against the heading, and positive from the right of it. Calm is zero in both,
        whatever its direction. NaN where the speed is above zero and the direction is NaN.
    """
    v = np.asarray(speed, dtype=float)
    angle = np.radians(np.asarray(from_direction, dtype=float) - np.asarray(heading, dtype=float))
    calm = v == 0.0
    headwind = np.where(calm, 0.0, v * np.cos(angle))
    from_right = np.where(calm, 0.0, v * np.sin(angle))
    return headwind, from_right


def runway_components(
    speed: ArrayLike, from_direction: ArrayLike, runway_true_heading: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Headwind and crosswind on a runway [m s-1].

    The crosswind has no sign: a tailwheel landing is as hard from either side. A wind without a
    direction counts in full as crosswind, and its headwind is NaN: a variable wind may come from
    anywhere. The shares this overstates are under .003 at thresholds from 10 kt; below that use
    `variable_exceedance`.
    """
    headwind, from_right = components(speed, from_direction, runway_true_heading)
    v = np.asarray(speed, dtype=float)
    crosswind = np.where(np.isnan(from_right), v, np.abs(from_right))
    return headwind, crosswind


def show_line_components(
    speed: ArrayLike, from_direction: ArrayLike, line_true_heading: ArrayLike, *, crowd_on_right: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Wind across and along the show line [m s-1].

    Parameters
    ----------
    speed, from_direction
        Wind speed [m s-1] and true direction [degree] it blows from.
    line_true_heading
        True heading of the show line [degree].
    crowd_on_right
        True where the crowd is on the right when flying along that heading.

    Returns
    -------
    toward_crowd, along
        `toward_crowd` is positive when the wind blows from the line toward the crowd, the dangerous
        sign. `along` is positive against the line's heading. A wind without a direction counts in full
        toward the crowd, the cautious reading, and in full along the line.
    """
    headwind, from_right = components(speed, from_direction, line_true_heading)
    v = np.asarray(speed, dtype=float)
    # Wind from the right blows toward the left: toward a crowd on the left.
    toward = np.where(np.asarray(crowd_on_right, dtype=bool), -from_right, from_right)
    return np.where(np.isnan(toward), v, toward), np.where(np.isnan(headwind), v, headwind)


def variable_exceedance(speed: ArrayLike, threshold: ArrayLike) -> FloatArray:
    """Chance that a wind of uniform unknown direction has at least `threshold` across a line.

    P(W |sin a| >= X) = 1 - (2/pi) asin(X / W) for X <= W, else 0.
    """
    w = np.asarray(speed, dtype=float)
    x = np.asarray(threshold, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(w > 0, x / np.where(w > 0, w, 1.0), np.inf)
    chance = 1.0 - (2.0 / np.pi) * np.arcsin(np.clip(ratio, 0.0, 1.0))
    chance = np.where(x <= 0, 1.0, chance)
    return np.asarray(np.where(np.isnan(w) | np.isnan(x), np.nan, chance))


def with_variable_direction(from_direction: ArrayLike, speed: ArrayLike, hour: ArrayLike) -> FloatArray:
    """Directions with every light variable wind given one, spread evenly over the compass.

    Counting all of a light variable wind toward the crowd would overstate limits below 8 kt. Its direction
    is uniform, so over many hours it is taken from an even sequence: a golden-ratio turn an hour, the same
    for the same hour wherever that hour is looked at. A wind above 6 kt without a direction is not variable
    but unknown [2]_; it stays NaN and is counted in full by the component functions.

    Parameters
    ----------
    from_direction
        True direction [degree], NaN where there is none.
    speed
        Wind speed [m s-1].
    hour
        Hours since 1970-01-01 of the report.
    """
    d = np.asarray(from_direction, dtype=float)
    light = np.isnan(d) & (whole_knots(speed) <= 6.0 * KT)
    even = 360.0 * ((np.asarray(hour, dtype=float) * 0.6180339887498949) % 1.0)
    return np.asarray(np.where(light, even, d))


def whole_knots(speed: ArrayLike) -> FloatArray:
    """A speed [m s-1] rounded to the whole knots it was reported in.

    Archives store tenths of m/s: 10 kt comes back as 9.9 kt, and every count of "10 kt or more" breaks.
    """
    return np.asarray(np.floor(np.asarray(speed, dtype=float) / KT + 0.5) * KT)


def gust_peak(wind_speed: ArrayLike, reported_gust: ArrayLike) -> FloatArray:
    """Gust peak in print [m s-1]: the greater of the reported gust and the mean wind, in whole knots.

    NaN where the mean wind is missing and no gust was reported.
    """
    return np.fmax(whole_knots(wind_speed), whole_knots(reported_gust))


def gust_bounds(wind_speed: ArrayLike, reported_gust: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Least and greatest gust peak [m s-1] that a report allows, in whole knots.

    A report without a gust group is not "gust zero": the peak lies between the mean wind and one knot
    short of the reporting threshold above it [3]_. A calm has no gust. A reported gust is known.
    """
    wind = whole_knots(wind_speed)
    low = gust_peak(wind_speed, reported_gust)
    unreported = np.isnan(np.asarray(reported_gust, dtype=float))
    slack = np.where(wind > 0, GUST_REPORTING_EXCESS - KT, 0.0)
    high = np.where(unreported, low + slack, low)
    return low, high
