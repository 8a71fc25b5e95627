"""Which bookings are good: ranked by the chance that the planned routine is flown as planned.

Two bookings, or two hours, are compared year by year on the same resampled years, never by whether their
intervals overlap: a warm year is warm for both.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim

__all__ = ["DRAWS", "LOG_DIRECTIONS", "Comparison", "YearSeries", "compare", "rank"]

FloatArray = npt.NDArray[np.floating]

DRAWS = 1000
"""Resamples of whole years behind a comparison."""

LOG_DIRECTIONS = 2
"""Directions in which limits learned from the log are uncertain: comfortable and limit together."""


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


@dataclass(frozen=True)
class YearSeries:
    """A chance by year, and what it needs to be resampled together with its station's trend.

    Attributes
    ----------
    by_year
        Chance, (year,); NaN where a year does not count.
    per_trend
        Its change per unit of trend [year K-1], (year,): the change per kelvin times the years between the
        sampled year and the season's.
    numerator, denominator
        Of the trend, by year: it is the ratio of their sums. Zero where no trend is applied.
    per_log
        Change of the chance for one standard deviation along each direction of what is not known of the
        limits learned from the log, (direction,): the same pilot flies every booking.
    """

    by_year: FloatArray
    per_trend: FloatArray
    numerator: FloatArray
    denominator: FloatArray
    per_log: FloatArray = field(default_factory=lambda: np.zeros(LOG_DIRECTIONS))

    @classmethod
    def without_trend(cls, by_year: FloatArray) -> YearSeries:
        """A series whose station has no trend."""
        nothing = np.zeros(by_year.shape)
        return cls(by_year, nothing, nothing, nothing)

    @classmethod
    def mean(cls, series: Sequence[YearSeries]) -> YearSeries:
        """Mean of several series of one station, such as the days of a booking."""
        first = series[0]
        return cls(
            np.mean([s.by_year for s in series], axis=0),
            np.mean([s.per_trend for s in series], axis=0),
            first.numerator,
            first.denominator,
            np.mean([s.per_log for s in series], axis=0),
        )

    def draws(self, years: npt.NDArray[np.bool_], weights: FloatArray) -> FloatArray:
        """Mean chance in each resample of `years`, trend and learned limits drawn anew in it, (draw,)."""
        value = weights @ self.by_year[years]
        if np.any(self.per_log):
            value = np.clip(value + _log_draws(len(weights)) @ self.per_log, 0.0, 1.0)
        below = weights @ self.denominator[years]
        if not np.any(below > 0):
            return value
        slope = (weights @ self.numerator[years]) / np.where(below > 0, below, np.nan)
        whole = self.numerator[years].sum() / self.denominator[years].sum()
        shift = np.nan_to_num(slope - whole) * (weights @ np.nan_to_num(self.per_trend[years]))
        return np.asarray(np.clip(value + shift, 0.0, 1.0))


def _log_draws(draws: int) -> FloatArray:
    """Standard normal draws of the learned limits, (draw, direction), the same for every series."""
    return np.random.default_rng(20260102).normal(size=(draws, LOG_DIRECTIONS))


def compare(first: YearSeries, second: YearSeries, *, level: float = clim.INTERVAL_LEVEL) -> Comparison:
    """Compare two chances by paired draws of the years that both have, each trend refitted in each draw.

    Percentiles of a bootstrap over few years are too narrow; the spread of the draws is widened by
    sqrt(n / (n - 1)) and by Student's t over the normal quantile.

    Parameters
    ----------
    first, second
        Over the same years.
    level
        Of the interval.
    """
    both = _shared(first, second)
    n = int(both.sum())
    if n == 0:
        return Comparison(np.nan, np.nan, np.nan, 0, False)
    mean = float(np.mean(first.by_year[both] - second.by_year[both]))
    if n < 3:
        return Comparison(mean, -1.0, 1.0, n, False)
    weights = clim.year_weights(n, DRAWS)
    draws = first.draws(both, weights) - second.draws(both, weights)
    low, high = _interval(np.asarray(mean), draws, n, level)
    return Comparison(mean, float(low), float(high), n, bool(low > 0.0 or high < 0.0))


def _shared(first: YearSeries, second: YearSeries) -> npt.NDArray[np.bool_]:
    return np.isfinite(first.by_year) & np.isfinite(second.by_year)


def _interval(mean: FloatArray, draws: FloatArray, n: int, level: float) -> tuple[FloatArray, FloatArray]:
    """Interval of a mean over n years, (...,), from its draws, (..., draw)."""
    from scipy.special import ndtri, stdtrit

    tail = 0.5 + level / 2.0
    widen = float(np.sqrt(n / (n - 1.0)) * stdtrit(n - 1.0, tail) / ndtri(tail))
    low, high = np.quantile(draws, [1.0 - tail, tail], axis=-1, method="median_unbiased")
    return mean + widen * (low - mean), mean + widen * (high - mean)


def rank(
    series: Sequence[YearSeries], value: FloatArray
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Order bookings and say which can be told apart.

    Parameters
    ----------
    series
        Chance that the routine is flown as planned, one a booking.
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
    drawn: dict[tuple[int, bytes], FloatArray] = {}
    for i in range(n):
        # Most pairs have the same years: one sorting of the draws serves a booking's pairs over these.
        others: dict[bytes, list[int]] = defaultdict(list)
        for j in range(i + 1, n):
            others[_shared(series[i], series[j]).tobytes()].append(j)
        for key, pairs in others.items():
            both = np.frombuffer(key, dtype=bool)
            if both.sum() < 3:
                continue
            weights = clim.year_weights(int(both.sum()), DRAWS)
            for k in (i, *pairs):
                if (k, key) not in drawn:
                    drawn[k, key] = series[k].draws(both, weights)
            mean = np.mean([series[i].by_year[both] - series[j].by_year[both] for j in pairs], axis=-1)
            draws = drawn[i, key] - np.stack([drawn[j, key] for j in pairs])
            low, high = _interval(mean, draws, int(both.sum()), clim.INTERVAL_LEVEL)
            apart[i, pairs] = apart[pairs, i] = (low > 0.0) | (high < 0.0)
    return order.astype(np.int64), apart
