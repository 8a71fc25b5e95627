"""Scores of probabilities and distributions against what happened, each with its sampling error by years.

Neighbouring hours and days are one weather, so every sampling error here takes a whole year as one
observation.

References
----------
.. [1] G. W. Brier, "Verification of forecasts expressed in terms of probability", Mon. Weather Rev. 78
   (1950) 1-3.
.. [2] A. H. Murphy, "A new vector partition of the probability score", J. Appl. Meteor. 12 (1973) 595-600.
.. [3] J. Bröcker and L. A. Smith, "Increasing the reliability of reliability diagrams", Weather Forecast. 22
   (2007) 651-661: consistency bars.
.. [4] T. Gneiting and A. E. Raftery, "Strictly proper scoring rules, prediction, and estimation", J. Am.
   Stat. Assoc. 102 (2007) 359-378: the CRPS of a sample.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields

import numpy as np
import numpy.typing as npt

__all__ = [
    "BrierParts",
    "Reliability",
    "Skill",
    "bias_with_error",
    "brier_errors",
    "brier_parts",
    "crps_against_one_sample",
    "crps_of_sorted",
    "reliability",
    "skill",
]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
ArrayLike = npt.ArrayLike


def crps_of_sorted(ordered: FloatArray, observed: FloatArray) -> FloatArray:
    """Continuous ranked probability score of samples sorted along the last axis, their NaN last [4]_.

    E|X - y| - E|X - X'| / 2 over the sample's own distribution function.

    Parameters
    ----------
    ordered
        (..., sample).
    observed
        (...,).

    Returns
    -------
    (...,), in the sample's unit; NaN where the sample is empty or the observation missing.
    """
    x = np.asarray(ordered, dtype=float)
    held = np.isfinite(x)
    n = held.sum(axis=-1).astype(float)
    x = np.where(held, x, 0.0)
    rank = np.arange(1, x.shape[-1] + 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        away = np.where(held, np.abs(x - observed[..., None]), 0.0).sum(axis=-1) / n
        # Half the mean distance of two members: sum of (2 i - n - 1) x_i over n squared.
        spread = (x @ (2.0 * rank) - (n + 1.0) * x.sum(axis=-1)) / n**2
    return np.asarray(np.where(n > 0, away - spread, np.nan))


def crps_against_one_sample(sample: FloatArray, observed: FloatArray) -> FloatArray:
    """CRPS of one sample, (sample,), for many observations, (observation,)."""
    x = np.sort(np.asarray(sample, dtype=float)[np.isfinite(sample)])
    n = x.size
    if n == 0:
        return np.full(np.shape(observed), np.nan)
    sums = np.concatenate([[0.0], np.cumsum(x)])
    below = np.searchsorted(x, observed)
    away = (observed * below - sums[below] + (sums[-1] - sums[below]) - observed * (n - below)) / n
    spread = np.sum((2.0 * np.arange(1, n + 1) - n - 1.0) * x) / n**2
    return np.asarray(away - spread)


@dataclass(frozen=True)
class BrierParts:
    """Murphy's parts [2]_: brier = reliability - resolution + uncertainty + within.

    `within` is what grouping unequal forecasts into one bin adds; it is zero when each bin holds one
    forecast value.
    """

    brier: float
    reliability: float
    resolution: float
    uncertainty: float
    within: float


def _bins(probability: FloatArray, edges: FloatArray | None) -> IntArray:
    if edges is None:
        return np.asarray(np.unique(probability, return_inverse=True)[1])
    return np.asarray(np.clip(np.searchsorted(edges, probability, side="right") - 1, 0, edges.size - 2))


def brier_parts(probability: ArrayLike, outcome: ArrayLike, edges: FloatArray | None = None) -> BrierParts:
    """Brier score [1]_ and its parts, by the forecast's own values, or in bins.

    Parameters
    ----------
    probability, outcome
        (forecast,); outcomes 0 or 1.
    edges
        Edges of the bins, rising from 0 to 1; None takes every distinct forecast as a bin.
    """
    p, o = np.asarray(probability, dtype=float), np.asarray(outcome, dtype=float)
    if p.size == 0 or p.shape != o.shape:
        raise ValueError(f"brier_parts: equal lengths above zero wanted, got {p.shape} and {o.shape}")
    place = _bins(p, edges)
    n = np.bincount(place)
    use = n > 0
    with np.errstate(invalid="ignore", divide="ignore"):
        p_bin = np.bincount(place, weights=p) / n
        o_bin = np.bincount(place, weights=o) / n
    base = o.mean()
    reliability_ = float(np.sum((n * (p_bin - o_bin) ** 2)[use]) / p.size)
    resolution = float(np.sum((n * (o_bin - base) ** 2)[use]) / p.size)
    score = float(np.mean((p - o) ** 2))
    uncertainty = float(base * (1.0 - base))
    return BrierParts(
        score, reliability_, resolution, uncertainty, score - (reliability_ - resolution + uncertainty)
    )


def brier_errors(
    probability: ArrayLike, outcome: ArrayLike, year: ArrayLike, edges: FloatArray | None = None
) -> BrierParts:
    """Standard errors of the Brier score and its parts, by leaving out one year at a time.

    Parameters
    ----------
    probability, outcome, year
        (forecast,).
    edges
        As for `brier_parts`.

    Returns
    -------
    BrierParts, all NaN with fewer than two years.
    """
    p, o, y = np.asarray(probability, dtype=float), np.asarray(outcome, dtype=float), np.asarray(year)
    years = np.unique(y)
    if years.size < 2:
        return BrierParts(*[np.nan] * len(fields(BrierParts)))
    left = [astuple(brier_parts(p[y != one], o[y != one], edges)) for one in years]
    return BrierParts(*(_jackknife(np.array(column)) for column in zip(*left, strict=True)))


def _jackknife(left: FloatArray) -> float:
    """Standard error from the values with one year left out at a time, (year,)."""
    return float(np.sqrt((left.size - 1.0) / left.size * np.sum((left - left.mean()) ** 2)))


@dataclass(frozen=True)
class Reliability:
    """A reliability diagram with consistency bars [3]_, by bin.

    Attributes
    ----------
    forecast, observed, count
        Mean forecast, observed frequency, and number of forecasts, (bin,).
    low, high
        Where the observed frequency would lie nine times in ten if the forecasts were right.
    """

    forecast: FloatArray
    observed: FloatArray
    count: IntArray
    low: FloatArray
    high: FloatArray


def reliability(
    probability: ArrayLike,
    outcome: ArrayLike,
    year: ArrayLike,
    *,
    bins: int = 6,
    draws: int = 400,
    seed: int = 20260101,
) -> Reliability:
    """Reliability diagram in bins of equal count, with 90 % consistency bars.

    The bars come from outcomes drawn from the forecasts themselves. Neighbouring hours and days share their
    weather, so a bin is drawn as if it held fewer forecasts: by as much as the misses of a year, summed
    within each bin, vary more from year to year than independent ones would. With fewer than two years that
    is not known, and the bars are (0, 1).

    Parameters
    ----------
    probability, outcome, year
        (forecast,).
    bins
        At most so many.
    draws
        Draws behind the bars.
    seed
        Of the draws.
    """
    p, o = np.asarray(probability, dtype=float), np.asarray(outcome, dtype=float)
    edges = np.unique(np.quantile(p, np.linspace(0.0, 1.0, bins + 1)))
    if edges.size < 2:
        edges = np.array([edges[0], edges[0] + 1e-9])
    place = _bins(p, edges)
    n = np.bincount(place, minlength=edges.size - 1)
    use = np.flatnonzero(n > 0)
    forecast = np.bincount(place, weights=p, minlength=edges.size - 1)[use] / n[use]
    observed = np.bincount(place, weights=o, minlength=edges.size - 1)[use] / n[use]
    years, at = np.unique(np.asarray(year), return_inverse=True)
    if years.size < 2:
        return Reliability(forecast, observed, n[use], np.zeros(use.size), np.ones(use.size))
    size = np.maximum(np.rint(n[use] / _alike(p, o, place, at)).astype(int), 1)
    generator = np.random.default_rng(seed)
    drawn = generator.binomial(size, np.clip(forecast, 0.0, 1.0), size=(draws, use.size)) / size
    low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
    return Reliability(forecast, observed, n[use], low, high)


def _alike(p: FloatArray, o: FloatArray, place: IntArray, year: IntArray) -> float:
    """How many forecasts count as one: the variance of a bin's yearly misses over that of independent ones.

    All bins together, since one of them alone holds too few years to tell; never less than one.
    """
    shape = (int(place.max()) + 1, int(year.max()) + 1)
    cell = place * shape[1] + year
    miss = np.bincount(cell, weights=o - p, minlength=shape[0] * shape[1]).reshape(shape)
    count = np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape)
    # A bin's mean miss is what the diagram shows; the years' spread is about it.
    mean = miss.sum(axis=1, keepdims=True) / np.maximum(count.sum(axis=1, keepdims=True), 1)
    spread = float(np.sum((miss - count * mean) ** 2)) * shape[1] / (shape[1] - 1.0)
    alone = float(np.sum(p * (1.0 - p)))
    return max(spread / alone, 1.0) if alone > 0.0 else 1.0


def bias_with_error(error: ArrayLike, year: ArrayLike) -> tuple[float, float]:
    """Mean of forecast errors and its standard error, a year being one observation.

    Parameters
    ----------
    error
        Forecast less outcome, (forecast,).
    year
        (forecast,).

    Returns
    -------
    bias, standard error
        The error is NaN with fewer than two years.
    """
    e = np.asarray(error, dtype=float)
    if e.size == 0:
        return np.nan, np.nan
    years, place = np.unique(np.asarray(year), return_inverse=True)
    n = np.bincount(place)
    bias = float(e.mean())
    if years.size < 2:
        return bias, np.nan
    off = np.bincount(place, weights=e) - n * bias
    return bias, float(np.sqrt(years.size / (years.size - 1.0) * np.sum(off**2)) / e.size)


@dataclass(frozen=True)
class Skill:
    """1 - score / reference score, and its standard error by leaving out one year at a time."""

    value: float
    error: float


def skill(score: ArrayLike, reference: ArrayLike, year: ArrayLike) -> Skill:
    """Skill of paired scores that are better when smaller.

    NaN where the reference is perfect, since nothing could be better.

    Parameters
    ----------
    score, reference
        Scores of the same forecasts, (forecast,).
    year
        (forecast,).
    """
    s, r = np.asarray(score, dtype=float), np.asarray(reference, dtype=float)
    if s.size == 0 or r.sum() <= 0.0:
        return Skill(np.nan, np.nan)
    value = float(1.0 - s.sum() / r.sum())
    years, place = np.unique(np.asarray(year), return_inverse=True)
    left_s = s.sum() - np.bincount(place, weights=s)
    left_r = r.sum() - np.bincount(place, weights=r)
    if years.size < 2 or np.any(left_r <= 0.0):
        return Skill(value, np.nan)
    return Skill(value, _jackknife(1.0 - left_s / left_r))
