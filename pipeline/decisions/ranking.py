"""Which bookings are good: ranked by the chance that the planned routine is flown as planned.

Two bookings, or two hours, are compared year by year on the same resampled years, never by whether their
intervals overlap: a warm year is warm for both.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim

__all__ = ["DRAWS", "FEWEST_YEARS", "Comparison", "YearSeries", "compare", "compare_each", "rank"]

FloatArray = npt.NDArray[np.floating]

DRAWS = 1000
"""Resamples of whole years behind a comparison."""

FEWEST_YEARS = 3
"""With fewer past years nothing that rests on them has an interval by years."""


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
        Change of the chance where the limits learned from the log are stricter by a standard deviation: the
        same pilot flies every booking.
    """

    by_year: FloatArray
    per_trend: FloatArray
    numerator: FloatArray
    denominator: FloatArray
    per_log: float = 0.0

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
            float(np.mean([s.per_log for s in series])),
        )

    def draws(self, years: npt.NDArray[np.bool_], weights: FloatArray) -> FloatArray:
        """Mean chance in each resample of `years`, trend and learned limits drawn anew in it, (draw,)."""
        value = weights @ self.by_year[years]
        if self.per_log:
            value = np.clip(value + _log_draws(len(weights)) * self.per_log, 0.0, 1.0)
        below = weights @ self.denominator[years]
        if not np.any(below > 0):
            return value
        slope = (weights @ self.numerator[years]) / np.where(below > 0, below, np.nan)
        whole = self.numerator[years].sum() / self.denominator[years].sum()
        shift = np.nan_to_num(slope - whole) * (weights @ np.nan_to_num(self.per_trend[years]))
        return np.asarray(np.clip(value + shift, 0.0, 1.0))


def _log_draws(draws: int) -> FloatArray:
    """Standard normal draws of the learned limits, (draw,), the same for every series."""
    return np.random.default_rng(20260102).normal(size=draws)


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
    (told,) = compare_each([first], second, level=level)
    return told


def compare_each(
    series: Sequence[YearSeries],
    other: YearSeries,
    *,
    level: float = clim.INTERVAL_LEVEL,
    drawn: dict[tuple[int, bytes], FloatArray] | None = None,
) -> list[Comparison]:
    """`compare` of several chances with one.

    Parameters
    ----------
    series, other
        Over the same years.
    level
        Of the interval.
    drawn
        Draws of series over years, kept between calls for the same series.
    """
    held = {} if drawn is None else drawn
    told = [Comparison(np.nan, np.nan, np.nan, 0, False)] * len(series)
    # Most have the same years: one sorting of the draws serves all that do.
    alike: dict[bytes, list[int]] = defaultdict(list)
    for i, one in enumerate(series):
        alike[(np.isfinite(one.by_year) & np.isfinite(other.by_year)).tobytes()].append(i)
    for key, members in alike.items():
        both = np.frombuffer(key, dtype=bool)
        n = int(both.sum())
        if n == 0:
            continue
        mean = np.mean([series[i].by_year[both] - other.by_year[both] for i in members], axis=-1)
        low, high = np.full(mean.shape, -1.0), np.ones(mean.shape)
        if n >= FEWEST_YEARS:
            weights = clim.year_weights(n, DRAWS)
            for one in (other, *(series[i] for i in members)):
                if (id(one), key) not in held:
                    held[id(one), key] = one.draws(both, weights)
            draws = np.stack([held[id(series[i]), key] for i in members]) - held[id(other), key]
            low, high = _interval(mean, draws, n, level)
        for i, m, a, b in zip(members, mean.tolist(), low.tolist(), high.tolist(), strict=True):
            told[i] = Comparison(m, a, b, n, n >= FEWEST_YEARS and (a > 0.0 or b < 0.0))
    return told


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
        pairs = compare_each(series[i + 1 :], series[i], drawn=drawn)
        apart[i, i + 1 :] = apart[i + 1 :, i] = [pair.told_apart for pair in pairs]
    return order.astype(np.int64), apart
