"""Show-hour climatology: what the air was at this hour, on days like this, in every year on record.

A booking's show hour is one UTC instant. The same instant of the day is looked up in every year, on the
days around the date, so that old daylight-saving rules cannot shift the sun. Temperature, dew point and
pressure are interpolated linearly in time between the hourly reports on either side; wind and gust are
those of the nearest report (half past goes to the later one), because an interpolated wind is a wind
that nobody measured. Each sampled value is moved to the booking's date, hour and year by the station's
own seasonal and daily cycle and its warming trend; what remains of the sample is its weather.

References
----------
.. [1] R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", Am. Stat. 50 (1996) 361-365.
.. [2] E. B. Wilson, "Probable inference, the law of succession, and statistical inference", J. Am. Stat.
   Assoc. 22 (1927) 209-212.
.. [3] R. S. Woodruff, "Confidence intervals for medians and other position measures", J. Am. Stat. Assoc.
   47 (1952) 635-646.
.. [4] H. J. Thiébaux and F. W. Zwiers, "The interpretation and estimation of effective sample size", J.
   Climate Appl. Meteor. 23 (1984) 800-811: n (1 - r) / (1 + r).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = [
    "HOUR_OFFSETS",
    "INTERVAL_LEVEL",
    "MINIMUM_WINDOW_SHARE",
    "MINIMUM_YEARS_FOR_TREND",
    "CyclePicker",
    "SeasonalCycle",
    "WindowIndex",
    "YearMeans",
    "YearlySums",
    "counted_years",
    "effective_days",
    "effective_sample_size",
    "fit_seasonal_cycle",
    "gather",
    "gather_nearest",
    "lag_one_correlation",
    "predictive_quantiles",
    "quantile_interval",
    "quantiles",
    "quantiles_of_sorted",
    "refit",
    "seasonal_design",
    "seasonal_value",
    "wilson_interval",
    "window_index",
    "year_means",
    "year_weights",
    "yearly_sums",
]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
BoolArray = npt.NDArray[np.bool_]
ArrayLike = npt.ArrayLike

HOUR_OFFSETS = (-1, 0, 1)
"""Hours around the show hour that are sampled."""
INTERVAL_LEVEL = 0.90
"""Level of every interval that is shown."""
MINIMUM_WINDOW_SHARE = 0.5
"""A year counts when at least this share of its window's days was observed."""
MINIMUM_YEARS_FOR_TREND = 10
"""With fewer years no trend is applied: its sampling error would exceed any plausible trend."""

_HARMONICS = 3
_DAYS_PER_YEAR = 365.2425
_HOURS_PER_YEAR = 24.0 * _DAYS_PER_YEAR


@dataclass(frozen=True)
class SeasonalCycle:
    """A station's mean yearly cycle at each UTC hour, with one trend for all of them.

    Attributes
    ----------
    coefficients
        (24, 7): constant, then cosine and sine of one, two and three cycles a year.
    trend
        Pooled change per year; 0 where none is applied.
    years
        Calendar years that contributed, (year,).
    numerator, denominator
        Per year, (year,): the trend is the ratio of their sums, so that a resample of whole years can
        refit it.
    """

    coefficients: FloatArray
    trend: float
    years: IntArray
    numerator: FloatArray
    denominator: FloatArray

    def trend_variance(self) -> float:
        """Squared standard error of the trend, by leaving out one year at a time; 0 where none is applied."""
        if self.trend == 0.0:
            return 0.0
        n = self.denominator.size
        left = (self.numerator.sum() - self.numerator) / (self.denominator.sum() - self.denominator)
        return float((n - 1) / n * np.sum((left - left.mean()) ** 2))


def seasonal_design(days_since_epoch: FloatArray) -> FloatArray:
    """Seasonal basis (..., 7) at days since 1970-01-01."""
    phase = 2.0 * np.pi * days_since_epoch / _DAYS_PER_YEAR
    columns = [np.ones_like(phase)]
    for k in range(1, _HARMONICS + 1):
        columns += [np.cos(k * phase), np.sin(k * phase)]
    return np.stack(columns, axis=-1)


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
        np.zeros((n, 24, (1 + 2 * _HARMONICS), (1 + 2 * _HARMONICS))),
        np.zeros((n, 24, (1 + 2 * _HARMONICS))),
        np.zeros((n, 24, (1 + 2 * _HARMONICS))),
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
        design = seasonal_design(days[a:b] + 0.5)
        outer = (design[:, :, None] * design[:, None, :]).reshape(b - a, -1)
        sums.gram[i] = (m.T @ outer).reshape(24, (1 + 2 * _HARMONICS), (1 + 2 * _HARMONICS))
        sums.with_value[i] = y.T @ design
        sums.with_time[i] = (m * t).T @ design
        sums.time_time[i] = (m * t**2).sum(axis=0)
        sums.time_value[i] = (y * t).sum(axis=0)
        sums.count[i] = m.sum(axis=0)
        sums.days_observed[i, (days[a:b][held.any(axis=1)] % _DAYS_PER_YEAR).astype(int)] = True
    return sums


def refit(sums: YearlySums, keep: BoolArray, *, trend: bool) -> SeasonalCycle:
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
    # The pooled trend, by partialling the cycle out of both sides (Frisch-Waugh-Lovell): products of the
    # residuals of time with those of the value, and with themselves, by year.
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
    if trend and counted.sum() >= MINIMUM_YEARS_FOR_TREND and denominator.sum() > 0:
        slope = float(numerator.sum() / denominator.sum())
    beta = np.zeros((24, (1 + 2 * _HARMONICS)))
    beta[:, :k] = beta_y - slope * beta_t
    beta[:, 0] -= slope * sums.centre
    beta[~enough] = np.nan
    return SeasonalCycle(beta, slope, sums.years[use][counted], numerator[counted], denominator[counted])


def fit_seasonal_cycle(
    values: ArrayLike, first_hour: int, *, trend: bool, exclude_year: int | None = None
) -> SeasonalCycle:
    """Fit the yearly cycle at each UTC hour and one pooled trend, by joint least squares.

    Parameters
    ----------
    values
        Hourly values, (hour,), NaN where missing.
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    trend
        Whether to fit the trend; it is applied only from `MINIMUM_YEARS_FOR_TREND` years on.
    exclude_year
        A calendar year (UTC) to leave out, for hindcasts.

    Returns
    -------
    SeasonalCycle
        Hours of the day with too few values to fix the cycle have NaN coefficients.
    """
    sums = yearly_sums(np.asarray(values, dtype=float), first_hour)
    return refit(sums, sums.years != exclude_year, trend=trend)


def seasonal_value(cycle: SeasonalCycle, hours_since_epoch: ArrayLike) -> FloatArray:
    """Value of the cycle and its trend at UTC instants, in hours since 1970-01-01 (may be fractional).

    Between whole hours the two neighbouring hours' cycles are interpolated linearly, as the reports are.
    """
    instant = np.asarray(hours_since_epoch, dtype=float)
    if instant.size == 0:
        return instant
    # The cycle changes once a day: a table of days by hours, read like a record.
    first, last = int(np.floor(instant.min() / 24.0)), int(np.floor(instant.max() / 24.0)) + 1
    table = np.asarray(seasonal_design(np.arange(first, last + 1) + 0.5) @ cycle.coefficients.T)
    within_year = gather(table.reshape(-1), first * 24, instant)
    return np.asarray(within_year + cycle.trend * instant / _HOURS_PER_YEAR, dtype=float)


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
        first = int(whole.min()) // 24 * 24 if whole.size else 0
        day, hour = np.divmod(whole - first, 24)
        between = bool(np.any(self._part > 0))
        # Days looked at get a row each, in their order.
        seen = np.zeros(int(day.max()) + 2 if whole.size else 1, dtype=bool)
        seen[day] = True
        if between:
            next_day, next_hour = np.divmod(whole - first + 1, 24)
            seen[next_day] = True
        row = np.cumsum(seen) - 1
        self._design = seasonal_design(first // 24 + np.flatnonzero(seen) + 0.5)
        self._low = row[day] * 24 + hour
        self._high = row[next_day] * 24 + next_hour if between else None

    def value(self, cycle: SeasonalCycle, pick: Any = ...) -> FloatArray:
        """The cycle and its trend at the instants, or at some of them, as `seasonal_value` gives them."""
        table = (self._design @ cycle.coefficients.T).ravel()
        within = table[self._low[pick]]
        if self._high is not None:
            part = self._part[pick]
            within = np.where(part > 0, within + part * (table[self._high[pick]] - within), within)
        return np.asarray(within + cycle.trend * self._instants[pick] / _HOURS_PER_YEAR)


@dataclass(frozen=True)
class WindowIndex:
    """Where the samples of some show instants lie in a station's hours.

    Attributes
    ----------
    years
        Calendar years sampled, (year,).
    instants
        Sampled instants in hours since 1970-01-01, (instant, year, day, hour offset).
    day_offsets, hour_offsets
        (day,) and (hour offset,).
    """

    years: IntArray
    instants: FloatArray
    day_offsets: IntArray
    hour_offsets: IntArray


def _same_instant(target: np.datetime64, years: IntArray) -> FloatArray:
    """Hours since 1970 of the target's month, day and UTC time in other years (29 February as the 28th)."""
    month = target.astype("datetime64[M]")
    day = int((target.astype("datetime64[D]") - month.astype("datetime64[D]")).astype(int))
    month_of_year = int(month.astype(int)) % 12
    if month_of_year == 1 and day == 28:
        day = 27
    hours = (target.astype("datetime64[s]") - target.astype("datetime64[D]").astype("datetime64[s]")).astype(
        int
    ) / 3600.0
    start = ((years - 1970) * 12 + month_of_year).astype("datetime64[M]").astype("datetime64[D]").astype(int)
    return np.asarray((start + day) * 24.0 + hours, dtype=float)


def window_index(
    targets: npt.NDArray[np.datetime64],
    years: IntArray,
    *,
    window_days: int,
    hour_offsets: tuple[int, ...] = HOUR_OFFSETS,
) -> WindowIndex:
    """Sampled instants for show instants in every year, `window_days` either side, and hours around.

    Parameters
    ----------
    targets
        UTC show instants, (instant,), datetime64.
    years
        Calendar years to sample, (year,).
    window_days
        Days either side of the date.
    hour_offsets
        Hours around the show hour.
    """
    base = (
        np.stack([_same_instant(t, np.asarray(years)) for t in targets])
        if len(targets)
        else np.empty((0, len(years)))
    )
    day_offsets = np.arange(-window_days, window_days + 1)
    offsets = np.asarray(hour_offsets)
    instants = base[:, :, None, None] + 24.0 * day_offsets[None, None, :, None] + offsets[None, None, None, :]
    return WindowIndex(np.asarray(years), instants, day_offsets, offsets)


def gather(values: FloatArray, first_hour: int, instants: FloatArray) -> FloatArray:
    """Values at instants, linearly between the two hourly reports around each; NaN if either is missing.

    Parameters
    ----------
    values
        Hourly values, (hour,).
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    instants
        Hours since 1970-01-01, any shape.
    """
    whole = np.floor(instants)
    part = instants - whole
    low = _pick(values, (whole - first_hour).astype(np.int64))
    if not np.any(part > 0):
        return low
    high = _pick(values, (whole - first_hour).astype(np.int64) + 1)
    return np.asarray(np.where(part > 0, low + part * (high - low), low))


def gather_nearest(values: FloatArray, first_hour: int, instants: FloatArray) -> FloatArray:
    """Values of the report nearest to each instant; half past the hour goes to the later report."""
    return _pick(values, np.floor(instants + 0.5).astype(np.int64) - first_hour)


def _pick(values: FloatArray, index: npt.NDArray[np.int64]) -> FloatArray:
    if index.size and index.min() >= 0 and index.max() < values.size:
        return values[index]
    inside = (index >= 0) & (index < values.size)
    if values.size == 0:
        return np.full(index.shape, np.nan)
    return np.where(inside, values[np.clip(index, 0, values.size - 1)], np.nan)


def year_means(values: FloatArray, *, minimum_share: float = MINIMUM_WINDOW_SHARE) -> FloatArray:
    """Mean of each year's window, (..., year) from (..., year, day, hour offset).

    NaN for a year with less than `minimum_share` of its window's days observed, at any of the hours: a
    station that reports every three hours sees one of the three, and that is no gap.
    """
    v = values if np.issubdtype(values.dtype, np.floating) else values.astype(float)
    held = np.isfinite(v)
    return YearMeans(held, minimum_share=minimum_share)(v if held.all() else np.where(held, v, 0.0))


class YearMeans:
    """`year_means` of any number of values known in the same hours: what is known is counted once.

    Parameters
    ----------
    known
        Which hours are known, (..., year, day, hour offset).
    minimum_share
        As for `year_means`.
    """

    def __init__(self, known: BoolArray, *, minimum_share: float = MINIMUM_WINDOW_SHARE) -> None:
        self._mask = known.reshape(*known.shape[:-2], known.shape[-2] * known.shape[-1])
        self._single = self._mask.astype(np.float32)
        count = self._mask.sum(axis=-1)
        self._count = np.where(counted_years(known, minimum_share) & (count > 0), count, np.nan)

    def __call__(self, values: FloatArray) -> FloatArray:
        """Mean of each year's known hours, (..., year), leading axes broadcast; NaN where too few are known.

        Parameters
        ----------
        values
            (..., year, day, hour offset), finite in every hour: the unknown ones hold any number.
        """
        flat = values.reshape(*values.shape[:-2], self._mask.shape[-1])
        mask = self._single if flat.dtype == np.float32 else self._mask.astype(flat.dtype)
        return np.asarray(np.einsum("...h,...h->...", flat, mask) / self._count)


def counted_years(held: BoolArray, minimum_share: float = MINIMUM_WINDOW_SHARE) -> BoolArray:
    """Which years count, (..., year), from what is held, (..., year, day, hour offset)."""
    days = held.any(axis=-1).sum(axis=-1)
    return np.asarray(days >= max(1.0, minimum_share * held.shape[-2]))


def lag_one_correlation(values: FloatArray) -> FloatArray:
    """Correlation of one day's value with the next day's, pooled over years, (...,).

    From (..., year, day, hour offset); departures are taken from the mean of all years, so that warm and
    cool years count as persistence. Between 0 and .99; where too little is held, .9, a cautious guess.
    """
    held = np.isfinite(values)
    v = np.where(held, values, np.nan)
    count = np.maximum(held.sum(axis=(-3, -2, -1), keepdims=True), 1)
    mean = np.where(held, values, 0.0).sum(axis=(-3, -2, -1), keepdims=True) / count
    centre = v.shape[-1] // 2
    d = (v - mean)[..., centre]
    a, b = d[..., :-1], d[..., 1:]
    both = np.isfinite(a) & np.isfinite(b)
    a, b = np.where(both, a, 0.0), np.where(both, b, 0.0)
    cross = (a * b).sum(axis=(-2, -1))
    scale = np.sqrt((a * a).sum(axis=(-2, -1)) * (b * b).sum(axis=(-2, -1)))
    pairs = both.sum(axis=(-2, -1))
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.where((scale > 0) & (pairs >= 10), cross / np.where(scale > 0, scale, 1.0), 0.9)
    return np.asarray(np.clip(r, 0.0, 0.99))


def effective_days(days: ArrayLike, correlation: ArrayLike) -> FloatArray:
    """Effective number of independent days, n (1 - r) / (1 + r) [4]_, at least one."""
    n = np.asarray(days, dtype=float)
    r = np.asarray(correlation, dtype=float)
    return np.asarray(np.maximum(n * (1.0 - r) / (1.0 + r), 1.0))


def effective_sample_size(
    by_year: FloatArray, independent_days_per_year: ArrayLike, extra_variance: ArrayLike = 0.0
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Probability, effective sample size and years behind it, from yearly means (..., year).

    The effective size is the smaller of the independent days in all years, and p (1 - p) over the
    squared standard error of the mean of the years: neighbouring days are one weather, and years differ.
    `extra_variance` is error of the mean from elsewhere, the trend's, and adds to the years'.
    """
    held = np.isfinite(by_year)
    n_years = held.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        p = np.where(held, by_year, 0.0).sum(axis=-1) / n_years
        deviation = np.where(held, by_year - p[..., None], 0.0)
        variance = (deviation**2).sum(axis=-1) / np.maximum(n_years - 1, 1) / n_years
        variance = variance + np.asarray(extra_variance, dtype=float)
        from_years = np.where(variance > 0, p * (1.0 - p) / np.where(variance > 0, variance, 1.0), np.inf)
    n_eff = np.minimum(from_years, n_years * np.asarray(independent_days_per_year, dtype=float))
    return p, np.maximum(n_eff, 1.0), n_years


def wilson_interval(
    p: ArrayLike, n: ArrayLike, years: ArrayLike | None = None, level: float = INTERVAL_LEVEL
) -> tuple[FloatArray, FloatArray]:
    """Wilson interval [2]_ of a proportion, with Student's t on years - 1 where years are given.

    With fewer than two years nothing is known about the spread between years: the interval is (0, 1).

    Parameters
    ----------
    p
        Proportion.
    n
        (Effective) sample size.
    years
        Number of years behind it; None for the normal quantile.
    level
        Two-sided level.
    """
    from scipy.special import ndtri, stdtrit

    prob = np.asarray(p, dtype=float)
    size = np.asarray(n, dtype=float)
    if years is None:
        z: FloatArray = np.asarray(ndtri(0.5 + level / 2.0))
        known = np.asarray(True)
    else:
        y = np.asarray(years, dtype=float)
        known = y >= 2
        # Years are few whole numbers: the quantile of each is found once.
        degrees, which = np.unique(np.maximum(y - 1.0, 1.0), return_inverse=True)
        z = np.asarray(stdtrit(degrees, 0.5 + level / 2.0))[which].reshape(y.shape)
    z2 = z * z
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = (prob + z2 / (2.0 * size)) / (1.0 + z2 / size)
        half = z * np.sqrt(prob * (1.0 - prob) / size + z2 / (4.0 * size**2)) / (1.0 + z2 / size)
    missing = np.isnan(prob)
    low = np.where(known, np.clip(centre - half, 0.0, 1.0), 0.0)
    high = np.where(known, np.clip(centre + half, 0.0, 1.0), 1.0)
    # Rounding must not push the interval off its own estimate at 0 and 1.
    low, high = np.minimum(low, prob), np.maximum(high, prob)
    return np.where(missing, np.nan, low), np.where(missing, np.nan, high)


def quantiles(values: FloatArray, probabilities: ArrayLike) -> FloatArray:
    """Sample quantiles of type 8 (median-unbiased) [1]_ over the last axis, NaN left out.

    Parameters
    ----------
    values
        (..., sample).
    probabilities
        (quantile,) shared by all rows, or (..., quantile) of its own for each row.

    Returns
    -------
    (..., quantile); NaN for a row without values.
    """
    return quantiles_of_sorted(np.sort(np.asarray(values), axis=-1), np.asarray(probabilities, dtype=float))


_PLOTTING = {6: 0.0, 7: 1.0, 8: 1.0 / 3.0}


def quantiles_of_sorted(ordered: FloatArray, p: FloatArray, kind: int = 8) -> FloatArray:
    """Quantiles, of type 6, 7 or 8 [1]_, of rows sorted with their NaN last."""
    n = np.isfinite(ordered).sum(axis=-1)[..., None]
    p = np.broadcast_to(p, (*ordered.shape[:-1], p.shape[-1]))
    if ordered.shape[-1] == 0:
        return np.full(p.shape, np.nan)
    a = _PLOTTING[kind]
    position = np.clip((n + 1.0 - 2.0 * a) * p + a, 1.0, np.maximum(n, 1))
    low = np.floor(position).astype(np.int64)
    below = np.take_along_axis(ordered, low - 1, axis=-1).astype(float)
    above = np.take_along_axis(ordered, np.minimum(low, np.maximum(n, 1) - 1), axis=-1).astype(float)
    return np.asarray(np.where(n > 0, below + (position - low) * (above - below), np.nan))


def predictive_quantiles(
    ordered: FloatArray, p: FloatArray, q: FloatArray, share: FloatArray, shift: ArrayLike = 0.0
) -> FloatArray:
    """Quantiles below which a new year's value lies as often as stated.

    Read off n independent values at (n + 1) p, type 6 of [1]_, a quantile has on average the share p of
    the distribution below it, whatever the distribution; any reading nearer to the sample's own steps has
    (p - 1/2) / n less, and an interval holds less than it says. The hours of a window are far from
    independent: n is p (1 - p) over the squared standard error of the mean of the years.

    Parameters
    ----------
    ordered
        The sample, sorted with its NaN last, (..., sample).
    p
        (quantile,), between 0 and 1.
    q
        The sample's own quantiles, `quantiles_of_sorted` of these two.
    share
        Of each year's values, those at or below `q`, (..., quantile, year); NaN for a year that does not
        count.
    shift
        What one standard error of the trend moves the sample by, (...,): the share below a quantile is the
        mean of the sample's moved up and down by it.

    Returns
    -------
    (..., quantile).
    """
    held = np.isfinite(share)
    n = held.sum(axis=-1)
    mean = np.where(held, share, 0.0).sum(axis=-1) / np.maximum(n, 1)
    squares = np.where(held, (share - mean[..., None]) ** 2, 0.0).sum(axis=-1)
    variance = squares / np.maximum(n - 1, 1) / np.maximum(n, 1)
    read_at = p + (p - 0.5) * variance / (p * (1.0 - p))
    error = np.broadcast_to(np.asarray(shift, dtype=float), q.shape[:-1])
    moved = error > 0
    if moved.any():
        rows, at = ordered[moved], q[moved].astype(ordered.dtype)
        by = error[moved, None].astype(ordered.dtype)
        low, middle, high = (
            np.array([row.searchsorted(x, side="right") for row, x in zip(rows, points, strict=True)])
            for points in (at - by, at, at + by)
        )
        size = np.maximum(np.isfinite(rows).sum(axis=-1), 1)[:, None]
        read_at[moved] += (middle - 0.5 * (low + high)) / size
    return quantiles_of_sorted(ordered, np.clip(read_at, 0.0, 1.0))


def quantile_interval(
    values: FloatArray,
    probabilities: ArrayLike,
    independent_days_per_year: ArrayLike,
    shift: ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Quantiles and their intervals, by inverting the interval of the exceedance (Woodruff [3]_).

    Parameters
    ----------
    values
        (..., year, day, hour offset).
    probabilities
        (quantile,).
    independent_days_per_year
        (...,).
    shift
        As for `predictive_quantiles`.

    Returns
    -------
    quantile, lower, upper
        (..., quantile). With fewer than two years the interval is the whole sample.
    """
    p = np.asarray(probabilities, dtype=float)
    flat = values.reshape(*values.shape[:-3], -1)
    ordered = np.sort(flat, axis=-1)
    q = quantiles_of_sorted(ordered, p)
    by_year = values.reshape(*values.shape[:-2], values.shape[-2] * values.shape[-1])
    held = np.isfinite(by_year)
    observed = held.sum(axis=-1)
    if observed.size and observed.min() == by_year.shape[-1]:
        counted = np.ones(observed.shape, dtype=bool)
    else:
        counted = counted_years(held.reshape(values.shape))
    below = np.stack(
        [(by_year <= q[..., i, None, None].astype(values.dtype)).sum(axis=-1) for i in range(p.size)],
        axis=-2,
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(counted[..., None, :], below / observed[..., None, :], np.nan)
    days = np.asarray(independent_days_per_year, dtype=float)[..., None]
    _, n_eff, years = effective_sample_size(share, days)
    low, high = wilson_interval(np.broadcast_to(p, n_eff.shape), n_eff, years)
    ends = quantiles_of_sorted(ordered, np.concatenate([low, high], axis=-1))
    lower, upper = ends[..., : p.size], ends[..., p.size :]
    return np.clip(predictive_quantiles(ordered, p, q, share, shift), lower, upper), lower, upper


@functools.lru_cache(maxsize=64)
def year_weights(n_years: int, draws: int, seed: int = 20260101) -> FloatArray:
    """Weights (draw, year) of resamples of whole years with replacement; each row sums to one.

    The seed is fixed so that two bookings, or two runs, meet the same draws: they are compared in pairs.
    """
    generator = np.random.default_rng(seed)
    counts = generator.multinomial(n_years, np.full(n_years, 1.0 / n_years), size=draws)
    weights = np.asarray(counts / n_years, dtype=float)
    weights.flags.writeable = False
    return weights
