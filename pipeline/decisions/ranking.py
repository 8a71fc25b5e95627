"""Which bookings are good: ranked by the chance that the planned routine is flown as planned.

Two bookings, or two hours, are compared year by year on the same resampled years, never by whether their
intervals overlap: a warm year is warm for both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim

__all__ = ["DRAWS", "Comparison", "compare", "rank", "resampled"]

FloatArray = npt.NDArray[np.floating]

DRAWS = 1000
"""Resamples of whole years behind a comparison."""


@dataclass(frozen=True)
class Comparison:
    """Difference of two chances on the same years.

    Attributes
    ----------
    difference, lower, upper
        First less second, and its 90 % interval.
    years
        Years that both have.
    told_apart
        Whether the interval leaves out zero.
    """

    difference: float
    lower: float
    upper: float
    years: int
    told_apart: bool


def resampled(by_year: FloatArray, weights: FloatArray) -> FloatArray:
    """Means of resampled years, (..., draw) from (..., year) and weights (draw, year); NaN years left out."""
    held = np.isfinite(by_year)
    total = np.where(held, by_year, 0.0) @ weights.T
    mass = held.astype(float) @ weights.T
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(mass > 0, total / mass, np.nan))


def compare(first: FloatArray, second: FloatArray, *, level: float = clim.INTERVAL_LEVEL) -> Comparison:
    """Compare two chances by paired draws of the years that both have.

    Percentiles of a bootstrap over few years are too narrow; the spread of the draws is widened by
    sqrt(n / (n - 1)) and by Student's t over the normal quantile.

    Parameters
    ----------
    first, second
        Yearly means, (year,) over the same years, NaN where a year does not count.
    level
        Of the interval.
    """
    from scipy.special import ndtri, stdtrit

    both = np.isfinite(first) & np.isfinite(second)
    n = int(both.sum())
    if n == 0:
        return Comparison(np.nan, np.nan, np.nan, 0, False)
    gap = first[both] - second[both]
    mean = float(gap.mean())
    if n < 3:
        return Comparison(mean, -1.0, 1.0, n, False)
    draws = clim.year_weights(n, DRAWS) @ gap
    tail = 0.5 + level / 2.0
    widen = float(np.sqrt(n / (n - 1.0)) * stdtrit(n - 1.0, tail) / ndtri(tail))
    low, high = mean + widen * (np.quantile(draws, [1.0 - tail, tail], method="median_unbiased") - mean)
    return Comparison(mean, float(low), float(high), n, bool(low > 0.0 or high < 0.0))


def rank(by_year: FloatArray, value: FloatArray) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Order bookings and say which can be told apart.

    Parameters
    ----------
    by_year
        Chance that the routine is flown as planned, (booking, year).
    value
        Its mean, (booking,); NaN ranks last.

    Returns
    -------
    order
        Booking indices, best first; ties keep their order.
    told_apart
        (booking, booking).
    """
    n = len(value)
    order = np.argsort(np.where(np.isnan(value), np.inf, -value), kind="stable")
    apart = np.zeros((n, n), dtype=bool)
    for i in range(n):
        for j in range(i + 1, n):
            apart[i, j] = apart[j, i] = compare(by_year[i], by_year[j]).told_apart
    return order.astype(np.int64), apart
