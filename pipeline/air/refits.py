"""A station's seasonal cycles refitted with years left out, from sums that are kept by year.

A hindcast needs the cycle as it would have been fitted before each year, or without it. The normal
equations are sums over hours, so they are summed once by calendar year; every refit is then a small solve.
The fit is that of `pipeline.air.climatology.fit_seasonal_cycle`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim

__all__ = ["CyclePicker", "YearlySums", "refit", "yearly_sums"]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
BoolArray = npt.NDArray[np.bool_]

_TERMS = 7
_DAYS_PER_YEAR = 365.2425
_HOURS_PER_YEAR = 24.0 * _DAYS_PER_YEAR


@dataclass(frozen=True)
class YearlySums:
    """Sums of the normal equations by calendar year (UTC) and hour of day.

    Attributes
    ----------
    years
        (year,).
    gram
        Products of the seasonal columns, (year, hour, 7, 7).
    with_value, with_time
        Products of the columns with the value and with the time in years from `centre`, (year, hour, 7).
    time_time, time_value, count
        (year, hour).
    days_observed
        Whether any hour was observed, by day of the year, (year, 366).
    centre
        Decimal years from 1970.
    """

    years: IntArray
    gram: FloatArray
    with_value: FloatArray
    with_time: FloatArray
    time_time: FloatArray
    time_value: FloatArray
    count: FloatArray
    days_observed: BoolArray
    centre: float


def yearly_sums(values: FloatArray, first_hour: int) -> YearlySums:
    """Sum the normal equations of a record by year.

    Parameters
    ----------
    values
        Hourly values, (hour,), NaN where missing.
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    """
    v = np.asarray(values, dtype=float)
    lead = first_hour % 24
    n_days = -(-(lead + v.size) // 24)
    flat = np.full(n_days * 24, np.nan)
    flat[lead : lead + v.size] = v
    table = flat.reshape(n_days, 24)
    days = (first_hour - lead) // 24 + np.arange(n_days)
    year = (np.datetime64("1970-01-01", "D") + days).astype("datetime64[Y]").astype(int) + 1970
    years, starts = np.unique(year, return_index=True)
    ends = [*starts[1:], n_days]
    elapsed = (days + 0.5) / _DAYS_PER_YEAR
    centre = float(elapsed.mean()) if elapsed.size else 0.0
    n = years.size
    sums = YearlySums(
        years,
        np.zeros((n, 24, _TERMS, _TERMS)),
        np.zeros((n, 24, _TERMS)),
        np.zeros((n, 24, _TERMS)),
        np.zeros((n, 24)),
        np.zeros((n, 24)),
        np.zeros((n, 24)),
        np.zeros((n, 366), dtype=bool),
        centre,
    )
    for i, (a, b) in enumerate(zip(starts, ends, strict=True)):
        held = np.isfinite(table[a:b])
        m = held.astype(float)
        y = np.where(held, table[a:b], 0.0)
        t = (elapsed[a:b] - centre)[:, None]
        design = clim.seasonal_design(days[a:b] + 0.5)
        outer = (design[:, :, None] * design[:, None, :]).reshape(b - a, -1)
        sums.gram[i] = (m.T @ outer).reshape(24, _TERMS, _TERMS)
        sums.with_value[i] = y.T @ design
        sums.with_time[i] = (m * t).T @ design
        sums.time_time[i] = (m * t**2).sum(axis=0)
        sums.time_value[i] = (y * t).sum(axis=0)
        sums.count[i] = m.sum(axis=0)
        sums.days_observed[i, (days[a:b][held.any(axis=1)] % _DAYS_PER_YEAR).astype(int)] = True
    return sums


def refit(sums: YearlySums, keep: BoolArray, *, trend: bool) -> clim.SeasonalCycle:
    """Fit the cycle and its trend to some of the years.

    Parameters
    ----------
    sums
        Of the whole record.
    keep
        Which of `sums.years` to fit, (year,).
    trend
        Whether to fit the trend; it is applied only from `MINIMUM_YEARS_FOR_TREND` years on.
    """
    use = np.asarray(keep, dtype=bool)
    observed = int(sums.days_observed[use].any(axis=0).sum())
    # Three cycles a year from ten months observed, one from four: as the plain fit does.
    k = 1 + 2 * (3 if observed >= 300 else 1 if observed >= 120 else 0)
    by_year = sums.gram[use][..., :k, :k]
    b_y, b_t = sums.with_value[use][..., :k], sums.with_time[use][..., :k]
    count = sums.count[use]
    gram = by_year.sum(axis=0)
    enough = count.sum(axis=0) >= 4 * k
    gram[~enough] = np.eye(k)
    beta_y = np.linalg.solve(gram, b_y.sum(axis=0)[..., None])[..., 0]
    beta_t = np.linalg.solve(gram, b_t.sum(axis=0)[..., None])[..., 0]
    # Products of the residuals of time with those of the value, and with themselves, by year.
    gram_t = np.einsum("yhij,hj->yhi", by_year, beta_t)
    above = (
        sums.time_value[use]
        - np.einsum("yhi,hi->yh", b_t, beta_y)
        - np.einsum("yhi,hi->yh", b_y, beta_t)
        + np.einsum("yhi,hi->yh", gram_t, beta_y)
    )
    below = (
        sums.time_time[use]
        - 2.0 * np.einsum("yhi,hi->yh", b_t, beta_t)
        + np.einsum("yhi,hi->yh", gram_t, beta_t)
    )
    numerator = (above * enough).sum(axis=1)
    denominator = (below * enough).sum(axis=1)
    counted = (count * enough).sum(axis=1) >= 0.1 * 365 * max(int(enough.sum()), 1)
    slope = 0.0
    if trend and counted.sum() >= clim.MINIMUM_YEARS_FOR_TREND and denominator.sum() > 0:
        slope = float(numerator.sum() / denominator.sum())
    beta = np.zeros((24, _TERMS))
    beta[:, :k] = beta_y - slope * beta_t
    beta[:, 0] -= slope * sums.centre
    beta[~enough] = np.nan
    return clim.SeasonalCycle(beta, slope, sums.years[use][counted], numerator[counted], denominator[counted])


class CyclePicker:
    """Values of many cycles at one set of instants, the days' seasonal columns computed once.

    Parameters
    ----------
    instants
        Hours since 1970-01-01, any shape.
    """

    def __init__(self, instants: FloatArray) -> None:
        whole = np.floor(instants).astype(np.int64)
        self._part = instants - whole
        self._instants = instants
        every = np.unique(whole // 24)
        if np.any(self._part > 0):
            every = np.unique(np.concatenate([every, np.unique((whole + 1) // 24)]))
        self._design = clim.seasonal_design(every + 0.5)
        self._low = np.searchsorted(every, whole // 24) * 24 + whole % 24
        self._high = None
        if np.any(self._part > 0):
            self._high = np.searchsorted(every, (whole + 1) // 24) * 24 + (whole + 1) % 24

    def value(self, cycle: clim.SeasonalCycle, pick: Any = ...) -> FloatArray:
        """The cycle and its trend at the instants, or at some of them, as `seasonal_value` gives them."""
        table = (self._design @ cycle.coefficients.T).ravel()
        within = table[self._low[pick]]
        if self._high is not None:
            part = self._part[pick]
            within = np.where(part > 0, within + part * (table[self._high[pick]] - within), within)
        return np.asarray(within + cycle.trend * self._instants[pick] / _HOURS_PER_YEAR)
