"""The gust that a report leaves unsaid: when a station's practice changed, and the chance of a gust then.

A report without a gust group is not "gust zero", and over the years a station's practice of reporting
gusts changes. So the years since the last change are taken as the truth, in print: the greater of the
reported gust and the mean wind, in whole knots. From them a logistic regression gives the chance that the
gust reaches each whole knot, given the mean wind, the hour of day and the season, and it is applied to the
winds of all other years. A station that reports no gusts borrows a stated model of other stations, and
whatever rests on it is *estimated*.

Coefficients are plain numbers; applying them needs NumPy alone.

References
----------
.. [1] FAA AC 00-45H, section 3.1.5.5: a gust is coded when peaks exceed lulls by 10 kt or more.
.. [2] D. W. Hosmer, S. Lemeshow and R. X. Sturdivant, Applied Logistic Regression, 3rd ed. (2013).
.. [3] B. Jackson et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal Proc.
   Lett. 12 (2005) 105-108: the best change-points of a series under a penalty, exactly.
.. [4] G. L. Steele, D. Lea and C. H. Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014:
   the mixing function behind the reproducible random number of every hour.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.air.variables import KT
from pipeline.air.wind import gust_peak, whole_knots

__all__ = [
    "BORROWED",
    "THRESHOLDS_KT",
    "GustModel",
    "ReportingPractice",
    "calendar_years",
    "exceedance",
    "fit_gust_model",
    "gust_sample",
    "hour_uniforms",
    "reporting_practice",
    "survival",
]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
BoolArray = npt.NDArray[np.bool_]
ArrayLike = npt.ArrayLike

THRESHOLDS_KT: tuple[int, ...] = (*range(10, 32), *range(32, 46, 2), 50)
"""Whole knots at which a full model is fitted; between and above them the chance is interpolated."""

LEAST_REPORTS = 100
"""A station with fewer reported gusts in the years trusted has no model of its own."""

_TELLING_RATIO = float(np.log(1.15))
# A practice whose gusts run below this share of the best practice's is no practice to learn from.
_DEAD_SHARE = 0.5
_LEAST_EXPECTED = 5.0  # reported gusts expected in a year; fewer say nothing about the practice
_FLOOR_NOISE = 0.06  # least year-to-year noise of the log ratio, so that short records are not over-read
_EVENTS_FULL, _EVENTS_PLAIN, _EVENTS_LEAST = 200, 50, 15
_WIND_COLUMNS, _PLAIN_COLUMNS = 2, 8
_FEATURES = 18
_DAYS_PER_YEAR = 365.2425


# --- Reporting practice -----------------------------------------------------------------------------


@dataclass(frozen=True)
class ReportingPractice:
    """How a station reported gusts, by year, and the years whose practice is trusted.

    Attributes
    ----------
    years
        Calendar years, (year,).
    ratio
        Reported gusts over those expected from the winds at the record's average practice, (year,); NaN
        where fewer than five were expected.
    first_year, last_year
        Years trusted, both included; 0 and 0 where the station reports no gusts.
    """

    years: IntArray
    ratio: FloatArray
    first_year: int
    last_year: int

    @property
    def reports(self) -> bool:
        """Whether the station reports gusts at all."""
        return self.last_year > 0

    def trusted(self, years: ArrayLike) -> BoolArray:
        """Which calendar years are trusted."""
        y = np.asarray(years)
        return np.asarray((y >= self.first_year) & (y <= self.last_year) & self.reports)


def calendar_years(hours_since_epoch: ArrayLike) -> IntArray:
    """UTC calendar years of hours since 1970-01-01."""
    hours = np.floor(np.asarray(hours_since_epoch, dtype=float)).astype(np.int64)
    return np.asarray(
        hours.astype("datetime64[h]").astype("datetime64[Y]").astype(np.int64) + 1970, dtype=np.int64
    )


def reporting_practice(
    wind_speed: ArrayLike, reported_gust: ArrayLike | None, first_hour: int
) -> ReportingPractice:
    """Find the years of a station's last consistent practice of reporting gusts.

    Every year's number of reported gusts is held against the number expected from its winds and months at
    the record's average practice. The log of that ratio is cut into pieces of constant level by optimal
    partitioning [3]_; the trusted years reach back from the last piece over pieces within 15 % of it. A
    last piece that has all but stopped reporting (under half the best one's level) is passed over: silence
    is no practice. A first year that lies well off the rest of its piece was changed half way, and is left out.

    Parameters
    ----------
    wind_speed, reported_gust
        Hourly [m s-1], (hour,), NaN where missing or not reported; None where gusts are never reported.
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    """
    wind = np.rint(whole_knots(wind_speed) / KT)
    hours = first_hour + np.arange(wind.size)
    year = calendar_years(hours)
    years, inverse = np.unique(year, return_inverse=True)
    if reported_gust is None:
        return ReportingPractice(years, np.full(years.size, np.nan), 0, 0)
    reported = np.isfinite(np.asarray(reported_gust, dtype=float))
    held = np.isfinite(wind)
    # Expected by wind and month, so that a year that lacks its windy months is not called a change.
    month = (hours.astype("datetime64[h]").astype("datetime64[M]").astype(np.int64) % 12).astype(np.int64)
    cell = np.clip(np.where(held, wind, 0.0), 0, 79).astype(np.int64) * 12 + month
    total = np.bincount(cell[held], minlength=960)
    told = np.bincount(cell[held & reported], minlength=960)
    chance = told / np.maximum(total, 1)
    expected = np.bincount(inverse[held], weights=chance[cell[held]], minlength=years.size)
    observed = np.bincount(inverse[held & reported], minlength=years.size)
    known = expected >= _LEAST_EXPECTED
    ratio = np.where(known, observed / np.where(known, expected, 1.0), np.nan)
    if observed.sum() < LEAST_REPORTS or not known.any():
        return ReportingPractice(years, ratio, 0, 0)

    at = np.flatnonzero(known)
    # Half a report added to both keeps a year without any off minus infinity.
    level = np.log((observed[at] + 0.5) / (expected[at] + 0.5))
    first, last = _last_practice(level)
    return ReportingPractice(years, ratio, int(years[at[first]]), int(years[at[last]]))


def _last_practice(level: FloatArray) -> tuple[int, int]:
    """First and last position of the trusted run of a series of log ratios."""
    n = level.size
    noise = max(float(np.median(np.abs(np.diff(level)))) / (np.sqrt(2.0) * 0.6745), _FLOOR_NOISE) if n > 1 else 1.0
    starts = _partition(level / noise, penalty=3.0 * np.log(max(n, 2)), shortest=2)
    ends = [*starts[1:], n]
    means = [float(level[a:b].mean()) for a, b in zip(starts, ends, strict=True)]
    alive = [m >= max(means) + np.log(_DEAD_SHARE) for m in means]
    newest = max(i for i, ok in enumerate(alive) if ok)
    oldest = newest
    while oldest > 0 and abs(means[oldest - 1] - means[newest]) < _TELLING_RATIO:
        oldest -= 1
    first, last = starts[oldest], ends[newest] - 1
    if oldest > 0 and last - first >= 2:
        away = level[first] - level[first + 1 : last + 1].mean()
        if abs(away) > max(_TELLING_RATIO, 2.0 * noise) and away * (means[oldest - 1] - means[oldest]) > 0:
            first += 1
    return first, last


def _partition(series: FloatArray, *, penalty: float, shortest: int) -> list[int]:
    """Starts of the pieces of least squared error plus a penalty for each piece [3]_."""
    n = series.size
    if n < 2 * shortest:
        return [0]
    sums = np.concatenate([[0.0], np.cumsum(series)])
    squares = np.concatenate([[0.0], np.cumsum(series**2)])
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    origin = np.zeros(n + 1, dtype=int)
    for end in range(shortest, n + 1):
        start = np.arange(0, end - shortest + 1)
        error = squares[end] - squares[start] - (sums[end] - sums[start]) ** 2 / (end - start)
        cost = best[start] + error + penalty
        origin[end] = start[int(np.argmin(cost))]
        best[end] = cost.min()
    starts: list[int] = []
    end = n
    while end > 0:
        starts.insert(0, int(origin[end]))
        end = int(origin[end])
    return starts


# --- The model --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class GustModel:
    """P(gust >= X | wind, hour, season) for a station, as numbers.

    Attributes
    ----------
    thresholds_kt
        Whole knots fitted, rising, (threshold,).
    coefficients
        (threshold, 18): of the features of `_features`.
    tail_scale_kt
        Above the last threshold the chance falls by e in so many knots.
    first_year, last_year, hours
        What it was fitted on.
    clock_offset
        Hours added to UTC to reach the clock that the model was fitted on; 0 for a station's own.
    season_offset
        Days added to the date likewise.
    estimated
        True for a model borrowed from other stations.
    provenance
        In words.
    """

    thresholds_kt: tuple[int, ...]
    coefficients: FloatArray
    tail_scale_kt: float
    first_year: int
    last_year: int
    hours: int
    clock_offset: float = 0.0
    season_offset: float = 0.0
    estimated: bool = False
    provenance: str = "the station's own reports"

    def as_data(self) -> dict[str, Any]:
        """The model as plain data, ready for JSON."""
        return {
            "thresholds_kt": list(self.thresholds_kt),
            "coefficients": [[float(f"{c:.6g}") for c in row] for row in self.coefficients],
            "tail_scale_kt": self.tail_scale_kt,
            "first_year": self.first_year,
            "last_year": self.last_year,
            "hours": self.hours,
            "clock_offset": self.clock_offset,
            "season_offset": self.season_offset,
            "estimated": self.estimated,
            "provenance": self.provenance,
        }

    @staticmethod
    def from_data(data: Mapping[str, Any]) -> GustModel:
        """The model from `as_data`."""
        return GustModel(
            **{
                **data,
                "thresholds_kt": tuple(data["thresholds_kt"]),
                "coefficients": np.asarray(data["coefficients"], dtype=float),
            }
        )


def _features(wind_kt: FloatArray, threshold_kt: float, day_angle: FloatArray, year_angle: FloatArray) -> FloatArray:
    """Columns of the regression, (..., 18), from the wind's distance below the threshold, hour and season.

    The first two stand for the wind alone, the first eight add the plain daily and yearly waves.
    """
    short = wind_kt - threshold_kt
    ch, sh, cs, ss = np.cos(day_angle), np.sin(day_angle), np.cos(year_angle), np.sin(year_angle)
    wind = 0.2 * short
    return np.stack(
        [
            np.ones_like(wind),
            wind,
            0.2 * np.maximum(short + 10.0, 0.0),
            0.2 * np.maximum(short + 5.0, 0.0),
            ch,
            sh,
            cs,
            ss,
            np.cos(2 * day_angle),
            np.sin(2 * day_angle),
            np.cos(2 * year_angle),
            np.sin(2 * year_angle),
            ch * cs,
            ch * ss,
            sh * cs,
            sh * ss,
            wind * ch,
            wind * sh,
        ],
        axis=-1,
    )


def _angles(hours_since_epoch: FloatArray, clock_offset: float = 0.0, season_offset: float = 0.0) -> tuple[FloatArray, FloatArray]:
    hours = hours_since_epoch + clock_offset
    day = 2.0 * np.pi * (hours % 24.0) / 24.0
    year = 2.0 * np.pi * (hours / 24.0 + season_offset) / _DAYS_PER_YEAR
    return day, year


def fit_gust_model(
    wind_speed: ArrayLike,
    reported_gust: ArrayLike,
    first_hour: int,
    *,
    keep: BoolArray,
    thresholds_kt: Sequence[int] = THRESHOLDS_KT,
) -> GustModel | None:
    """Fit P(gust >= X | wind, hour, season) to the gusts in print of a consistent practice.

    Reports of one wind, hour and half month are counted together (the likelihood is the same). Where a
    threshold was reached too seldom for all the columns, the seasons' and hours' interplay is left out,
    then hour and season; below fifteen times it is not fitted, and lies in the tail.

    Parameters
    ----------
    wind_speed, reported_gust
        Hourly [m s-1], (hour,), NaN where missing or not reported.
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    keep
        Hours to learn from, (hour,): years of one practice, and hours like those that will be asked for.
    thresholds_kt
        Whole knots, rising.

    Returns
    -------
    GustModel, or None where no threshold was reached often enough.
    """
    speed = np.asarray(wind_speed, dtype=float)
    use = np.asarray(keep, dtype=bool) & np.isfinite(speed)
    hours = (first_hour + np.flatnonzero(use)).astype(float)
    if hours.size == 0:
        return None
    wind = np.rint(whole_knots(speed[use]) / KT).astype(np.int64)
    peak = np.rint(gust_peak(speed[use], np.asarray(reported_gust, dtype=float)[use]) / KT).astype(np.int64)
    half_month = np.floor((hours / 24.0 % _DAYS_PER_YEAR) / _DAYS_PER_YEAR * 24.0).astype(np.int64)
    cell = (np.minimum(wind, 99) * 24 + (hours.astype(np.int64) % 24)) * 24 + half_month
    cells, inverse = np.unique(cell, return_inverse=True)
    cell_wind = (cells // 576).astype(float)
    day_angle = 2.0 * np.pi * (cells // 24 % 24) / 24.0
    year_angle = 2.0 * np.pi * (cells % 24 + 0.5) / 24.0
    total = np.bincount(inverse, minlength=cells.size).astype(float)

    rows, reached = [], []
    for x in thresholds_kt:
        events = np.bincount(inverse[peak >= x], minlength=cells.size).astype(float)
        open_ = cell_wind < x
        row = _fit_threshold(
            lambda x=x, open_=open_: _features(cell_wind[open_], x, day_angle[open_], year_angle[open_]),
            events[open_],
            total[open_],
        )
        if row is None:
            if reached:
                break  # rarer ones lie in the tail
            continue
        rows.append(row)
        reached.append(int(x))
    if not reached:
        return None
    # Mean excess over the last threshold: the scale of an exponential tail.
    above = peak[peak >= reached[-1]]
    scale = float(np.clip((above - reached[-1] + 0.5).mean() if above.size else 3.0, 1.0, 8.0))
    span = calendar_years(hours[[0, -1]])
    return GustModel(tuple(reached), np.array(rows), scale, int(span[0]), int(span[1]), int(hours.size))


def _fit_threshold(features: Any, events: FloatArray, total: FloatArray) -> FloatArray | None:
    """Coefficients (18,) of one threshold, unpenalised; None where it was reached too seldom."""
    from scipy.linalg import LinAlgWarning
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.linear_model import LogisticRegression

    count = min(events.sum(), (total - events).sum())
    if count < _EVENTS_LEAST:
        return None
    columns = features()
    sizes = [_FEATURES] if count >= _EVENTS_FULL else []
    sizes += [_PLAIN_COLUMNS] if count >= _EVENTS_PLAIN else []
    weight = np.concatenate([events, total - events])
    told = weight > 0
    outcome = np.repeat([1, 0], events.size)[told]
    for size in [*sizes, _WIND_COLUMNS]:
        use = _independent(columns[:, :size])
        part = columns[:, use]
        model = LogisticRegression(C=np.inf, solver="newton-cholesky", max_iter=60, tol=1e-7)
        with warnings.catch_warnings():
            for category in (ConvergenceWarning, LinAlgWarning):
                warnings.simplefilter("error", category)
            try:
                model.fit(np.concatenate([part, part])[told], outcome, sample_weight=weight[told])
            except (ConvergenceWarning, LinAlgWarning):
                continue  # too many columns for what was seen: the plainer set is next
        row = np.zeros(_FEATURES)
        row[0], row[use] = float(model.intercept_[0]), model.coef_[0]
        if np.abs(row).max() < 50.0:
            return row
    return None


def _independent(columns: FloatArray) -> IntArray:
    """Which columns after the first, the constant, are no combination of those before them."""
    centred = columns[:, 1:] - columns[:, 1:].mean(axis=0)
    # A column's diagonal of R is what the columns before it leave of it.
    left = np.abs(np.diag(np.linalg.qr(centred, mode="r")))
    size = np.linalg.norm(centred, axis=0)
    return 1 + np.flatnonzero(left > 1e-6 * np.maximum(size, 1e-9))


def survival(model: GustModel, wind_speed: ArrayLike, hours_since_epoch: ArrayLike) -> FloatArray:
    """P(gust >= X) at the model's own thresholds, (..., threshold), never rising with X; 1 up to the wind.

    Parameters
    ----------
    wind_speed
        [m s-1], NaN where missing.
    hours_since_epoch
        UTC hours since 1970-01-01, same shape.
    """
    wind = np.rint(whole_knots(wind_speed) / KT)
    day, year = _angles(np.asarray(hours_since_epoch, dtype=float), model.clock_offset, model.season_offset)
    chance = np.empty((*wind.shape, len(model.thresholds_kt)))
    for i, x in enumerate(model.thresholds_kt):
        logit = _features(wind, x, day, year) @ model.coefficients[i]
        chance[..., i] = np.where(wind >= x, 1.0, 1.0 / (1.0 + np.exp(-np.clip(logit, -40.0, 40.0))))
    chance = np.minimum.accumulate(chance, axis=-1)
    return np.asarray(np.where(np.isnan(wind)[..., None], np.nan, chance))


def exceedance(
    model: GustModel, wind_speed: ArrayLike, hours_since_epoch: ArrayLike, threshold: float
) -> FloatArray:
    """P(gust >= threshold), the gust in whole knots.

    Between fitted thresholds the logarithm of the chance is interpolated; above the last it falls
    exponentially; below the first it is one where the wind itself reaches it, else the first's (too low).

    Parameters
    ----------
    wind_speed
        [m s-1], NaN where missing.
    hours_since_epoch
        UTC hours since 1970-01-01, same shape.
    threshold
        [m s-1].
    """
    x = float(np.ceil(threshold / KT - 1e-6))
    wind = np.rint(whole_knots(wind_speed) / KT)
    fitted = np.asarray(model.thresholds_kt, dtype=float)
    at = int(np.searchsorted(fitted, x))
    near = sorted({max(at - 1, 0), min(at, fitted.size - 1)})
    if at < fitted.size and fitted[at] == x:
        near = [at]
    part = GustModel(
        tuple(model.thresholds_kt[i] for i in near),
        model.coefficients[near],
        model.tail_scale_kt,
        model.first_year,
        model.last_year,
        model.hours,
        model.clock_offset,
        model.season_offset,
    )
    chance = _between(survival(part, wind_speed, hours_since_epoch), fitted[near], x, model.tail_scale_kt)
    return np.asarray(np.where(np.isnan(wind), np.nan, np.where(wind >= x, 1.0, chance)))


def _between(chance: FloatArray, fitted: FloatArray, x: float, scale: float) -> FloatArray:
    if x >= fitted[-1]:
        return np.asarray(chance[..., -1] * np.exp(-(x - fitted[-1]) / scale))
    if x <= fitted[0]:
        return np.asarray(chance[..., 0])
    i = int(np.searchsorted(fitted, x)) - 1
    part = (x - fitted[i]) / (fitted[i + 1] - fitted[i])
    tiny = 1e-12
    low, high = np.log(np.maximum(chance[..., i], tiny)), np.log(np.maximum(chance[..., i + 1], tiny))
    return np.asarray(np.exp(low + part * (high - low)))


# --- A gust for every hour --------------------------------------------------------------------------


def hour_uniforms(hours_since_epoch: ArrayLike, seed: int = 20260101) -> FloatArray:
    """A reproducible uniform number in (0, 1) for every hour: a mix [4]_ of the hour and the seed."""
    with np.errstate(over="ignore"):
        z = np.asarray(hours_since_epoch).astype(np.int64).astype(np.uint64)
        z = (z + np.uint64(seed)) * np.uint64(0x9E3779B97F4A7C15)
        for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
            z = (z ^ (z >> np.uint64(shift))) * np.uint64(factor)
        z = z ^ (z >> np.uint64(31))
    return np.asarray(((z >> np.uint64(11)).astype(float) + 0.5) / 2.0**53)


def gust_sample(
    model: GustModel,
    wind_speed: ArrayLike,
    reported_gust: ArrayLike,
    hours_since_epoch: ArrayLike,
    *,
    earlier_practice: GustModel | None = None,
) -> FloatArray:
    """A gust peak [m s-1], whole knots, for hours whose reporting practice is not trusted.

    A reported gust is kept. Where none was reported one is drawn, so that figures see wind and gust of one
    hour together: from the model, less what the practice of those years would have reported (its own model),
    so that over many hours the chance is the model's. The draw is the same in every run.

    Parameters
    ----------
    wind_speed, reported_gust
        [m s-1], any shape; NaN where missing or not reported.
    hours_since_epoch
        Hours since 1970-01-01 of the reports, same shape.
    earlier_practice
        Model fitted to the gusts in print of those years; None where they had none.
    """
    wind = np.rint(whole_knots(wind_speed) / KT)
    hours = np.asarray(hours_since_epoch, dtype=float)
    unreported = np.isnan(np.asarray(reported_gust, dtype=float)) & np.isfinite(wind)
    result = gust_peak(wind_speed, reported_gust) / KT
    if not unreported.any():
        return np.asarray(result * KT)
    w, h = wind[unreported], hours[unreported]
    fitted = np.asarray(model.thresholds_kt, dtype=float)
    top = int(fitted[-1]) + round(6 * model.tail_scale_kt)
    knots = np.arange(int(fitted[0]), top + 1, dtype=float)
    chance = _at_knots(survival(model, w * KT, h), fitted, knots, model.tail_scale_kt)
    if earlier_practice is not None:
        said = _at_knots(
            survival(earlier_practice, w * KT, h),
            np.asarray(earlier_practice.thresholds_kt, dtype=float),
            knots,
            earlier_practice.tail_scale_kt,
        )
        said = np.where(knots > w[:, None], said, 0.0)
        left = np.where(said < 1.0, (chance - said) / np.where(said < 1.0, 1.0 - said, 1.0), 0.0)
        chance = np.minimum.accumulate(np.maximum(left, 0.0), axis=-1)
    reached = (chance > hour_uniforms(h)[:, None]) & (knots > w[:, None])
    # The greatest knot that is reached; none reached leaves the mean wind.
    drawn = np.where(reached.any(axis=-1), knots[knots.size - 1 - np.argmax(reached[:, ::-1], axis=-1)], w)
    result[unreported] = np.maximum(drawn, w)
    return np.asarray(result * KT)


def _at_knots(chance: FloatArray, fitted: FloatArray, knots: FloatArray, scale: float) -> FloatArray:
    return np.stack([_between(chance, fitted, float(x), scale) for x in knots], axis=-1)


BORROWED: GustModel | None = None
