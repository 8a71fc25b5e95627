"""The evening before and the same day: the station's own latest report joined to its past.

What the station reports now says something about the show hour, by as much as it did in past years. For a
quantity x with mean s0 now and mu at the show hour, a0 the departure reported now, and past pairs of
departures (e at this hour, s at the show hour),

    x = mu + phi a0 + (s - phi e),    phi = sum(e s) / sum(e e),

so that every past pair gives one member: its own later departure, less the part that its earlier one
foretold, plus what today's foretells. The intervals are the past's own errors, and stay honest as the lead
shrinks. Beyond 36 hours a station's report says next to nothing: from there on climatology, or a numerical
forecast, and this module refuses.

The part that does not depend on today is the same for every reading, so phi and the quantiles of s - phi e
are all that has to be kept for each lead. Between whole hours both are taken linearly.

Speeds are carried on their square root, where their errors are alike at light and strong winds; a crosswind
is carried with its sign, and loses it last.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.air.climatology import quantiles

__all__ = [
    "LEADS",
    "LEAST_PAIRS",
    "carried",
    "carried_crosswind",
    "carried_speed",
    "carrier",
    "speed_carrier",
]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

LEADS = np.arange(37)
"""Whole hours ahead to which a station's own report is carried."""
LEAST_PAIRS = 60
"""Past pairs below which nothing is carried."""


def carrier(earlier: ArrayLike, later: ArrayLike, probability: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """What carries a report of an unbounded quantity, such as density altitude, to the show hour.

    Parameters
    ----------
    earlier
        Past values at the hour of the report, from the window of days in past years, moved to the booking's
        date and year, (lead, pair).
    later
        What came of them at the show hour, (pair,); pairs with a NaN are left out.
    probability
        Of the quantiles, (quantile,).

    Returns
    -------
    share, rest
        How much of a departure lasts, phi, (lead,); and quantiles of type 8 of what the show hour holds
        besides phi times the report, (lead, quantile). NaN with fewer than `LEAST_PAIRS` pairs.
    """
    e, s = np.broadcast_arrays(np.asarray(earlier, dtype=float), np.asarray(later, dtype=float))
    both = np.isfinite(e) & np.isfinite(s)
    n = both.sum(axis=-1, keepdims=True)
    enough = n >= LEAST_PAIRS

    def departures(x: FloatArray) -> FloatArray:
        known = np.where(both, x, 0.0)
        return np.where(both, known - known.sum(axis=-1, keepdims=True) / np.maximum(n, 1), 0.0)

    a, b = departures(e), departures(s)
    below = (a * a).sum(axis=-1, keepdims=True)
    share = np.where(below > 0, (a * b).sum(axis=-1, keepdims=True) / np.where(below > 0, below, 1.0), 0.0)
    rest = quantiles(np.where(both & enough, s - share * e, np.nan), np.asarray(probability, dtype=float))
    return np.where(enough, share, np.nan)[..., 0], rest


def speed_carrier(
    earlier: ArrayLike, later: ArrayLike, probability: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """As `carrier`, for a speed such as the gust peak [m s-1]: of its square root [m0.5 s-0.5]."""
    return carrier(np.sqrt(earlier), np.sqrt(later), probability)


def carried(now: float, share: FloatArray, rest: FloatArray, lead: float) -> tuple[FloatArray, float]:
    """Carry a report to the show hour.

    Parameters
    ----------
    now
        The report.
    share, rest
        From `carrier`, for `LEADS`.
    lead
        From the report to the show hour, 0 to 36 [hour].

    Returns
    -------
    Quantiles at the show hour, (quantile,), and how much of today's departure lasts; NaN where it is not
    known.
    """
    if not LEADS[0] <= lead <= LEADS[-1]:
        raise ValueError(
            f"persistence: a report is carried {LEADS[0]} to {LEADS[-1]} hours, not {lead:g}; beyond that "
            "the answer is climatology, or a numerical forecast"
        )
    low = int(lead)
    part = lead - low
    phi, left = (
        held[low] if part == 0.0 else (1.0 - part) * held[low] + part * held[low + 1]
        for held in (share, rest)
    )
    return np.asarray(phi * now + left), float(phi)


def carried_speed(now: float, share: FloatArray, rest: FloatArray, lead: float) -> tuple[FloatArray, float]:
    """As `carried`, for what `speed_carrier` gives: never below zero [m s-1]."""
    root, phi = carried(float(np.sqrt(now)), share, rest, lead)
    return np.maximum(root, 0.0) ** 2, phi


def carried_crosswind(
    now: float, share: FloatArray, rest: FloatArray, lead: float
) -> tuple[FloatArray, float]:
    """Carry a crosswind that is given with its sign, from the right positive [m s-1].

    Parameters
    ----------
    now, share, lead
        As `carried` takes them, of the signed crosswind.
    rest
        At the middles of equal parts of probability, (i + 1/2) / n, so that they are equally likely.

    Returns
    -------
    Equally likely crosswinds without sign, least first, (quantile,), and how much of the departure lasts.
    """
    signed, phi = carried(now, share, rest, lead)
    return np.sort(np.abs(signed)), phi
