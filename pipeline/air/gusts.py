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
.. [5] V. Chernozhukov, I. Fernández-Val and A. Galichon, "Quantile and probability curves without crossing",
   Econometrica 78 (2010) 1093-1125: a curve put in order is never further from the truth.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.air.variables import KT
from pipeline.air.wind import gust_peak, whole_knots

__all__ = [
    "THRESHOLDS_KT",
    "GustModel",
    "GustRecord",
    "ReportingPractice",
    "borrowed_model",
    "calendar_years",
    "exceedance",
    "fit_gust_model",
    "fit_gust_reports",
    "gust_record",
    "gust_sample",
    "hour_uniforms",
    "hours_like",
    "reporting_practice",
    "survival",
]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
BoolArray = npt.NDArray[np.bool_]
ArrayLike = npt.ArrayLike

THRESHOLDS_KT: tuple[int, ...] = (12, 14, 16, 18, 20, 22, 25, 28, 30, 32, 35, 40, 45)
"""Whole knots at which a full model is fitted; between and above them the chance is interpolated."""

LEAST_REPORTS = 100
"""A station with fewer reported gusts in the years trusted has no model of its own."""

_TELLING_RATIO = float(np.log(1.15))
# A practice whose gusts run below this share of the best practice's is no practice to learn from.
_DEAD_SHARE = 0.5
_LEAST_EXPECTED = 5.0  # reported gusts expected in a year; fewer say nothing about the practice
_FLOOR_NOISE = 0.06  # least year-to-year noise of the log ratio, so that short records are not over-read
_EVENTS_FULL, _EVENTS_PLAIN, _EVENTS_LEAST = 200, 50, 15
_WIND_COLUMNS, _KNEES_COLUMNS, _PLAIN_COLUMNS = 2, 4, 8
_FEATURES = 18
_DAYS_PER_YEAR = 365.2425
_ONE_FIT = threading.Lock()


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
    is no practice. A first year that lies well off the rest of its piece was changed half way, and is left
    out.

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
    years = np.arange(year[0], year[-1] + 1)
    inverse = year - year[0]
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
    noise = (
        max(float(np.median(np.abs(np.diff(level)))) / (np.sqrt(2.0) * 0.6745), _FLOOR_NOISE)
        if n > 1
        else 1.0
    )
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
        """The model from `as_data`; rows of coefficients may leave out zeros at their end."""
        coefficients = np.zeros((len(data["thresholds_kt"]), _FEATURES))
        for row, given in zip(coefficients, data["coefficients"], strict=True):
            row[: len(given)] = given
        return GustModel(
            **{**data, "thresholds_kt": tuple(data["thresholds_kt"]), "coefficients": coefficients}
        )


def _features(
    wind_kt: FloatArray, threshold_kt: float, day_angle: FloatArray, year_angle: FloatArray
) -> FloatArray:
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


def _angles(
    hours_since_epoch: FloatArray, clock_offset: float = 0.0, season_offset: float = 0.0
) -> tuple[FloatArray, FloatArray]:
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
    then hour and season, then the wind's bends; below fifteen times it is not fitted, and lies in the tail.

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
    at = np.flatnonzero(np.asarray(keep, dtype=bool))
    return fit_gust_reports(
        np.asarray(wind_speed, dtype=float)[at],
        np.asarray(reported_gust, dtype=float)[at],
        (first_hour + at).astype(float),
        thresholds_kt=thresholds_kt,
    )


def fit_gust_reports(
    wind_speed: FloatArray,
    reported_gust: FloatArray,
    hours_since_epoch: FloatArray,
    *,
    thresholds_kt: Sequence[int] = THRESHOLDS_KT,
    plain: bool = False,
) -> GustModel | None:
    """`fit_gust_model` for reports in any order, of several stations too.

    Parameters
    ----------
    wind_speed, reported_gust, hours_since_epoch
        (report,) [m s-1, m s-1, hour].
    thresholds_kt
        Whole knots, rising.
    plain
        Leave out the interplay of hour, season and wind, which is a station's own.
    """
    use = np.isfinite(wind_speed)
    speed, hours = wind_speed[use], hours_since_epoch[use]
    if hours.size == 0:
        return None
    wind = np.rint(whole_knots(speed) / KT).astype(np.int64)
    peak = np.rint(gust_peak(speed, reported_gust[use]) / KT).astype(np.int64)
    half_month = np.floor((hours / 24.0 % _DAYS_PER_YEAR) / _DAYS_PER_YEAR * 24.0).astype(np.int64)
    cell = (np.minimum(wind, 99) * 24 + (hours.astype(np.int64) % 24)) * 24 + half_month
    cells, inverse = np.unique(cell, return_inverse=True)
    cell_wind = (cells // 576).astype(float)
    day_angle = 2.0 * np.pi * (cells // 24 % 24) / 24.0
    year_angle = 2.0 * np.pi * (cells % 24 + 0.5) / 24.0
    total = np.bincount(inverse, minlength=cells.size).astype(float)

    rows: list[FloatArray] = []
    reached: list[int] = []
    for x in thresholds_kt:
        events = np.bincount(inverse[peak >= x], minlength=cells.size).astype(float)
        open_ = cell_wind < x
        row = _fit_threshold(
            lambda x=x, open_=open_: _features(cell_wind[open_], x, day_angle[open_], year_angle[open_]),
            events[open_],
            total[open_],
            plain,
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
    span = calendar_years(np.array([hours.min(), hours.max()]))
    return GustModel(tuple(reached), np.array(rows), scale, int(span[0]), int(span[1]), int(hours.size))


def _fit_threshold(features: Any, events: FloatArray, total: FloatArray, plain: bool) -> FloatArray | None:
    """Coefficients (18,) of one threshold, unpenalised; None where it was reached too seldom."""
    from scipy.linalg import LinAlgWarning
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.linear_model import LogisticRegression

    count = min(events.sum(), (total - events).sum())
    if count < _EVENTS_LEAST:
        return None
    columns = features()
    sizes = [_FEATURES] if count >= _EVENTS_FULL and not plain else []
    sizes += [_PLAIN_COLUMNS, _KNEES_COLUMNS] if count >= _EVENTS_PLAIN else []
    weight = np.concatenate([events, total - events])
    told = weight > 0
    outcome = np.repeat([1, 0], events.size)[told]
    for size in [*sizes, _WIND_COLUMNS]:
        use = _independent(columns[:, :size])
        part = columns[:, use]
        model = LogisticRegression(C=np.inf, solver="newton-cholesky", max_iter=60, tol=1e-7)
        # The filter of warnings belongs to the whole process: one fit at a time.
        with _ONE_FIT, warnings.catch_warnings():
            for category in (ConvergenceWarning, LinAlgWarning):
                warnings.simplefilter("error", category)
            try:
                model.fit(np.concatenate([part, part])[told], outcome, sample_weight=weight[told])
            except (ConvergenceWarning, LinAlgWarning):
                continue  # too many columns for what was seen: the plainer set is next
        if not _at_the_maximum(part, events, total, model.intercept_[0], model.coef_[0]):
            continue
        row = np.zeros(_FEATURES)
        row[0], row[use] = float(model.intercept_[0]), model.coef_[0]
        # A slope this steep means that the winds seen part cleanly in two: the plainer set is next.
        if np.abs(row[1:]).max() < 60.0:
            return row
    return None


def _at_the_maximum(
    columns: FloatArray, events: FloatArray, total: FloatArray, intercept: float, slopes: FloatArray
) -> bool:
    """Whether the likelihood is level there.

    The filter of warnings is the whole process's: one that tells of no maximum can be lost to another thread.
    """
    missed = events - total * np.exp(-np.logaddexp(0.0, -(columns @ slopes + intercept)))
    uphill = max(abs(float(missed.sum())), float(np.abs(columns.T @ missed).max()))
    return uphill <= 1e-6 * float(total.sum())


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
    # Thresholds are fitted singly and may cross by their sampling error: put in falling order [5]_.
    chance = -np.sort(-chance, axis=-1)
    return np.asarray(np.where(np.isnan(wind)[..., None], np.nan, chance))


def exceedance(
    model: GustModel, wind_speed: ArrayLike, hours_since_epoch: ArrayLike, threshold: float
) -> FloatArray:
    """P(gust >= threshold), the gust in whole knots.

    Between fitted thresholds the chance is interpolated; above the last it falls
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
    chance = _between(survival(model, wind_speed, hours_since_epoch), fitted, x, model.tail_scale_kt)
    return np.asarray(np.where(np.isnan(wind), np.nan, np.where(wind >= x, 1.0, chance)))


def _between(chance: FloatArray, fitted: FloatArray, x: float, scale: float) -> FloatArray:
    if x >= fitted[-1]:
        return np.asarray(chance[..., -1] * np.exp(-(x - fitted[-1]) / scale))
    if x <= fitted[0]:
        return np.asarray(chance[..., 0])
    i = int(np.searchsorted(fitted, x)) - 1
    part = (x - fitted[i]) / (fitted[i + 1] - fitted[i])
    return np.asarray(chance[..., i] + part * (chance[..., i + 1] - chance[..., i]))


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


# --- Every hour's gust ------------------------------------------------------------------------------


@dataclass(frozen=True)
class GustRecord:
    """A gust peak for every hour asked for, and what it rests on.

    Attributes
    ----------
    peak
        Gust peak in print or drawn, (hour,) [m s-1], whole knots; NaN where there is no wind, or not asked.
    kind
        "observed" where all years are trusted, "modelled" where some are drawn, "estimated" where the
        model is borrowed, "none" without wind.
    practice
        The station's reporting practice.
    model
        What drew; None where nothing was drawn.
    """

    peak: FloatArray
    kind: str
    practice: ReportingPractice
    model: GustModel | None

    def in_words(self) -> str:
        """For the screen."""
        if self.kind == "observed":
            return "gusts as reported, or the mean wind where none was"
        if self.kind == "modelled":
            return (
                f"gusts as reported from {self.practice.first_year} to {self.practice.last_year}; in other "
                "years, whose reporting differs, drawn from the winds by what those years teach"
            )
        if self.kind == "estimated" and self.model is not None:
            return f"gusts estimated from the winds, with a model of other stations: {self.model.provenance}"
        return "no wind observed"


def hours_like(hours_since_epoch: FloatArray, wanted: FloatArray, *, days: int) -> BoolArray:
    """Which hours have the time of day of a wanted one, or an hour either side, and its season.

    Parameters
    ----------
    hours_since_epoch
        (hour,).
    wanted
        Hours since 1970-01-01, any shape.
    days
        Days of the year either side that count as its season.
    """
    w = np.asarray(wanted, dtype=float).ravel()
    of_day = np.zeros(24, dtype=bool)
    for offset in (-1, 0, 1):
        of_day[np.unique(np.floor(w + 0.5 + offset).astype(np.int64) % 24)] = True
    of_year = np.zeros(366, dtype=bool)
    dates = np.unique((w // 24 % _DAYS_PER_YEAR).astype(np.int64))
    for offset in range(-days, days + 1):
        of_year[(dates + offset) % 366] = True
    h = np.asarray(hours_since_epoch, dtype=float)
    return np.asarray(of_day[h.astype(np.int64) % 24] & of_year[(h // 24 % _DAYS_PER_YEAR).astype(np.int64)])


def gust_record(
    wind_speed: ArrayLike | None,
    reported_gust: ArrayLike | None,
    first_hour: int,
    wanted: FloatArray,
    *,
    latitude: float,
    longitude: float,
    days: int = 45,
    fit: Callable[..., GustModel | None] = fit_gust_model,
) -> GustRecord:
    """Give every hour like the wanted ones its gust: as reported in the trusted years, drawn in the others.

    Other hours have theirs in the trusted years alone.

    Parameters
    ----------
    wind_speed, reported_gust
        Hourly [m s-1], (hour,); None where never observed.
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    wanted
        Show instants, hours since 1970-01-01.
    latitude, longitude
        Of the station [degree], for a borrowed model's clock and season.
    days
        Days of the year either side to learn from and to fill.
    fit
        `fit_gust_model`, or something that remembers what it gave.
    """
    if wind_speed is None or not np.isfinite(np.asarray(wind_speed, dtype=float)).any():
        empty = np.zeros(0, dtype=np.int64)
        return GustRecord(
            np.full(0 if wind_speed is None else np.shape(wind_speed)[0], np.nan),
            "none",
            ReportingPractice(empty, np.zeros(0), 0, 0),
            None,
        )
    speed = np.asarray(wind_speed, dtype=float)
    gust = np.full(speed.size, np.nan) if reported_gust is None else np.asarray(reported_gust, dtype=float)
    practice = reporting_practice(speed, reported_gust, first_hour)
    every = first_hour + np.arange(speed.size, dtype=float)
    near = hours_like(every, wanted, days=days)
    trusted = practice.trusted(calendar_years(every))
    peak = np.where(near | trusted, gust_peak(speed, gust), np.nan)
    fill = near & ~trusted & np.isfinite(speed)
    if not fill.any():
        return GustRecord(peak, "observed", practice, None)
    model = fit(speed, gust, first_hour, keep=near & trusted) if practice.reports else None
    kind = "modelled"
    if model is None:
        model, kind = borrowed_model(latitude, longitude), "estimated"
    # A handful of reports is no practice to be taken out of the draws.
    told = int(np.isfinite(gust[fill]).sum()) >= LEAST_REPORTS
    early = fit(speed, gust, first_hour, keep=fill) if told else None
    peak[fill] = gust_sample(model, speed[fill], gust[fill], every[fill], earlier_practice=early)
    return GustRecord(peak, kind, practice, model)


# --- A model to borrow ------------------------------------------------------------------------------

_BORROWED_LONGITUDE = -73.9


def borrowed_model(latitude: float, longitude: float) -> GustModel:
    """The model lent to a station that reports no gusts, on that station's solar clock and season.

    Fitted to one year at three airports of one coast: a stand-in, good to a factor of about two. Whatever
    rests on it must say *estimated*.

    Parameters
    ----------
    latitude, longitude
        Of the station that borrows [degree].
    """
    from pipeline.air.borrowed_gusts import BORROWED

    model = GustModel.from_data(BORROWED)
    return replace(
        model,
        clock_offset=(longitude - _BORROWED_LONGITUDE) / 15.0,
        season_offset=0.0 if latitude >= 0 else _DAYS_PER_YEAR / 2.0,
    )
