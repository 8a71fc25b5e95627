"""Personal limits that learn from the log of shows flown.

On the pilot's own scale (-1 at comfortable, +1 at the limit) a figure is changed with chance
P(z) = 1 / (1 + exp(-b (z - m))). As written, the shift m is 0 and the slope b is ln 19. The log moves both,
pooled over causes and figures, because at one change in fifty a season's log holds next to none of any one.

*One show is one observation of a cause*: that day the pilot's tolerance lay above the most demanding
condition flown and below the least demanding one for which a figure was changed. Figures changed for
another cause say nothing about this one. Five pseudo-observations at each stated number are the prior.
The conditions of a station are not those of the venue: they are calibrated, and what is left of their error
is integrated out of the likelihood, so that noise does not pass for tolerance. (The closed form
b / sqrt(1 + .346 b^2 v) for the curve flattened by an error of variance v is not used: nearly all shows lie
in its tail, where it fails. With an error of .6 it left .70 of 300-show logs covered for a nominal .80, the
integral .82.)

The limit is the condition at which a figure is left out nineteen times in twenty. What is told of it is the
middle and the range of the posterior. What is used, the learned limit, is the least of the fits in which each
show with a change counts for anything between nothing and its full weight, so that no added change loosens
it. It is no estimate but a bound: a change in mild air says both that the limit is lower and that the curve
is flatter, and only the first may count, though the second may be the truth. A log in which nothing was
changed never makes it stricter than written.

References
----------
.. [1] J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed. (2003), section 3.5: the likelihood of
   censored observations.
.. [2] R. J. Carroll et al., Measurement Error in Nonlinear Models, 2nd ed. (2006), chapter 4: regression
   calibration, and the logistic curve flattened by error.
.. [3] A. Gelman et al., "A weakly informative default prior distribution for logistic and other
   regression models", Ann. Appl. Stat. 2 (2008) 1360-1383: pseudo-observations as a prior.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.decisions.limits import CAUSES, CONDITIONS, LOGIT_19, Curves, standardised

__all__ = [
    "CHANGED",
    "FLOWN",
    "PLANNED_OUT",
    "PSEUDO_OBSERVATIONS",
    "SILENT",
    "Evidence",
    "LearnedLimits",
    "Observations",
    "ShowAir",
    "calibrated",
    "evidence",
    "fit",
    "log_likelihood",
    "observations",
    "own_limit_range",
    "posterior",
    "used_curves",
]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
BoolArray = npt.NDArray[np.bool_]
ArrayLike = npt.ArrayLike

FLOWN, CHANGED, PLANNED_OUT, SILENT = 1, -1, -2, 0
"""What a show says of a figure and a cause: flown as planned; dropped or trimmed for it; out for it when
the show was planned; nothing, because it was changed for another cause or was not in the routine."""

PSEUDO_OBSERVATIONS = 5.0
"""Shows that each stated number is worth against the log."""

PLANNED_OUT_WEIGHT = 0.5
"""Weight of a figure out at planning: the choice was made on expected air, not on the air of the show."""

_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_LEAST_CHANCE = 1e-300
_CELLS_AT_ONCE = 32_000  # of a grid and its observations
_NEWTON_STEPS, _HALVINGS = 50, 25
_CHAIN, _ROUNDS, _POLISH = 8, 3, 12
_TELLING_GAIN = 1e-4
_PER_UNIT = 40.0  # of the scale, below which observations count as alike

_LEAST_RELIABILITY = 0.2
"""Below this share of true variation in what a station shows, the log says next to nothing."""

_SLOPES = (LOGIT_19 / 6.0, LOGIT_19 * 6.0)
_SHIFTS = (-5.0, 6.0)
_GRIDS = ((33, 23), (49, 33))
_NEGLIGIBLE = 12.0  # log posterior below its greatest value; e^-12 is 6e-6
_LEAST_WIDTH = 0.05  # of an interval whose ends meet

_OFFSET_EVENTS = 3
_APART = 1.5
"""Of the scale, over the root of its changes: how much stricter a group is to be than the rest."""


# --- What a show says -------------------------------------------------------------------------------


@dataclass(frozen=True)
class ShowAir:
    """Conditions of the shows of a log, SI.

    Attributes
    ----------
    value
        By condition as in `CONDITIONS`, (show,); NaN where unknown.
    error
        Standard deviation of the venue's condition about that value, (show,): 0 where the pilot noted it.
    usual_mean, usual_variance
        Of such values at the venue, at that hour and time of year, (show,); NaN where unknown.
    """

    value: Mapping[str, FloatArray]
    error: Mapping[str, FloatArray]
    usual_mean: Mapping[str, FloatArray]
    usual_variance: Mapping[str, FloatArray]


@dataclass(frozen=True)
class Evidence:
    """What the log says, (show, cause, figure).

    Attributes
    ----------
    condition
        Calibrated condition on the pilot's scale; NaN where unknown or not limited.
    variance
        Of the venue's condition about it, on that scale.
    state
        `FLOWN`, `CHANGED`, `PLANNED_OUT` or `SILENT`.
    """

    condition: FloatArray
    variance: FloatArray
    state: IntArray


@dataclass(frozen=True)
class Observations:
    """Tolerances seen between bounds, arrays (observation,), on the pilot's scale.

    Attributes
    ----------
    lower, upper
        Most demanding flown and least demanding changed; -inf and inf where there is none.
    variance
        Of what is left of the error of the conditions.
    weight
        Of the observation in the likelihood.
    show
        Position in the log of the show that each comes from.
    """

    lower: FloatArray
    upper: FloatArray
    variance: FloatArray
    weight: FloatArray
    show: IntArray

    def take(self, index: IntArray | BoolArray) -> Observations:
        """Some of the observations."""
        return Observations(*(getattr(self, n)[index] for n in self.__dataclass_fields__))


def calibrated(
    value: ArrayLike, error: ArrayLike, usual_mean: ArrayLike, usual_variance: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Expected true condition given what a station shows, and its variance.

    Regression calibration [2]_: true conditions are taken as normal about what is usual, so a reading is
    moved toward that by the share of the usual variation that is error. What is usual comes from the
    station's whole record, not from the log, so that no show moves the air of another.

    Parameters
    ----------
    value
        Readings, (show,); NaN where unknown.
    error
        Standard deviation of each reading's error, (show,).
    usual_mean, usual_variance
        Of such readings, (show,); where unknown the reading stands, with all its error.

    Returns
    -------
    value, variance
        (show,), in the unit of the readings and its square.
    """
    x = np.asarray(value, dtype=float)
    e = np.asarray(error, dtype=float)
    mean, seen = np.asarray(usual_mean, dtype=float), np.asarray(usual_variance, dtype=float)
    true = np.maximum(seen - e**2, _LEAST_RELIABILITY * seen)
    with np.errstate(invalid="ignore", divide="ignore"):
        reliability = np.where((e > 0.0) & np.isfinite(mean) & (true > 0.0), true / (true + e**2), 1.0)
    moved = x + (1.0 - reliability) * np.where(reliability < 1.0, mean - x, 0.0)
    return moved, np.where(np.isfinite(x), reliability * e**2, np.nan)


def evidence(air: ShowAir, curves: Curves, state: IntArray) -> Evidence:
    """Lay the shows of a log on the pilot's own scale.

    Parameters
    ----------
    air
        Conditions of the shows.
    curves
        The limits as written.
    state
        (show, cause, figure), causes in the order of `CAUSES`.

    Raises
    ------
    ValueError
        When the shapes do not agree.
    """
    n = len(next(iter(air.value.values())))
    if state.shape != (n, len(CAUSES), len(curves.names)):
        raise ValueError(f"evidence: state has shape {state.shape}, not (show, cause, figure)")
    condition = np.full(state.shape, np.nan)
    variance = np.zeros(state.shape)
    unknown = np.zeros(state.shape, dtype=bool)
    for name, cause in CONDITIONS.items():
        limited = np.flatnonzero(~np.isnan(curves.limit[name]))
        if not limited.size:
            continue
        x, v = calibrated(
            *(part[name] for part in (air.value, air.error, air.usual_mean, air.usual_variance))
        )
        c = CAUSES.index(cause)
        low, high = curves.comfortable[name][limited], curves.limit[name][limited]
        z = standardised(x[:, None], low, high)
        spread = v[:, None] * (2.0 / (high - low)) ** 2
        # The worse of the conditions of one cause; a cause with one of them unknown is unknown.
        worse = np.isnan(condition[:, c, limited]) | (z > condition[:, c, limited])
        unknown[:, c, limited] |= np.isnan(z)
        condition[:, c, limited] = np.where(worse, z, condition[:, c, limited])
        variance[:, c, limited] = np.where(worse, spread, variance[:, c, limited])
    condition[unknown] = np.nan
    return Evidence(condition, np.where(np.isnan(condition), np.nan, variance), state)


def observations(told: Evidence) -> Observations:
    """One observation a show and cause; two, each of half the weight, where a figure was out at planning.

    A show in which a figure was flown in air more demanding than another was changed in tells that the
    tolerance lay between the two.

    Parameters
    ----------
    told
        What the log says.
    """
    z = told.condition
    known = np.isfinite(z)

    def ends(changed: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        flown = known & (told.state == FLOWN)
        changed = known & changed
        low = np.where(flown, z, -np.inf)
        high = np.where(changed, z, np.inf)
        lower, upper = low.max(axis=2), high.min(axis=2)
        at = np.where(np.isfinite(upper), high.argmin(axis=2), low.argmax(axis=2))
        variance = np.take_along_axis(told.variance, at[..., None], axis=2)[..., 0]
        crossed = np.isfinite(lower) & np.isfinite(upper) & (upper - lower < _LEAST_WIDTH)
        first, last = np.minimum(lower, upper), np.maximum(lower, upper)
        slack = np.maximum(_LEAST_WIDTH - (np.where(crossed, last - first, 1.0)), 0.0) / 2.0
        return (
            np.where(crossed, first - slack, lower),
            np.where(crossed, last + slack, upper),
            np.nan_to_num(variance),
        )

    day = ends(told.state == CHANGED)
    planned = ends((told.state == CHANGED) | (told.state == PLANNED_OUT))
    some = np.any(known & (told.state == PLANNED_OUT), axis=2)
    show = np.broadcast_to(np.arange(z.shape[0])[:, None], some.shape)
    weight = np.where(some, PLANNED_OUT_WEIGHT, 1.0)
    whole = np.where(some, 1.0 - weight, 1.0)
    lower, upper, variance = (np.append(d, p[some]) for d, p in zip(day, planned, strict=True))
    both = Observations(
        lower, upper, variance, np.append(whole, weight[some]), np.append(show, show[some]).astype(np.int64)
    )
    return both.take(np.isfinite(both.lower) | np.isfinite(both.upper))


# --- The likelihood ---------------------------------------------------------------------------------


def _node_terms(seen: Observations) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Bounds at the nodes of the error's integral, (node, observation), and the nodes' weights."""
    if not np.any(seen.variance > 0.0):
        return seen.lower[None], seen.upper[None], np.ones(1)
    error = _NODES[:, None] * np.sqrt(seen.variance)
    return seen.lower + error, seen.upper + error, _NODE_WEIGHTS / _NODE_WEIGHTS.sum()


def _logistic(x: FloatArray) -> FloatArray:
    from scipy.special import expit

    return np.asarray(expit(x))


def log_likelihood(shift: ArrayLike, slope: ArrayLike, seen: Observations) -> FloatArray:
    """Log likelihood of every observation, (..., observation), weights applied.

    What is left of the error of the conditions is integrated out by Gauss-Hermite: the flattened logistic
    of [2]_ is good in the middle but not in the tail, where nearly all shows lie.

    Parameters
    ----------
    shift, slope
        m and b, arrays of one shape (...,).
    seen
        Observations; a bound at infinity is no bound.
    """
    m = np.asarray(shift, dtype=float)[..., None]
    b = np.asarray(slope, dtype=float)[..., None]
    low, high = np.isfinite(seen.lower), np.isfinite(seen.upper)
    result = np.zeros((*m.shape[:-1], seen.lower.size))
    for rows in (low & ~high, high & ~low, low & high):
        if not rows.any():
            continue
        part = seen.take(rows)
        chance = np.zeros((*m.shape[:-1], part.lower.size))
        for lower, upper, weight in zip(*_node_terms(part), strict=True):
            # F(u) - F(l) of the logistic F is F(u) (1 - F(l)) (1 - exp(-b (u - l))), without cancellation.
            inside = np.full(chance.shape, weight)
            if high[rows][0]:
                inside *= _logistic(b * (upper - m))
            if low[rows][0]:
                inside *= _logistic(-b * (lower - m))
            chance += inside
        if high[rows][0] and low[rows][0]:
            chance *= -np.expm1(-b * (part.upper - part.lower))
        result[..., rows] = np.log(np.maximum(chance, _LEAST_CHANCE))
    return np.asarray(result * seen.weight)


def _grid_log_likelihood(shift: FloatArray, slope: FloatArray, seen: Observations) -> FloatArray:
    """Sum of `log_likelihood` on a grid, (shift, slope), from (shift,) and (slope,).

    exp(b (x - m)) is exp(b x) / exp(b m): on a grid the exponentials are few. A few slopes at a time, so that
    an array stays in the processor's cache.
    """
    low, high = np.isfinite(seen.lower), np.isfinite(seen.upper)
    total = np.zeros((slope.size, shift.size))
    for rows in (low & ~high, high & ~low, low & high):
        if not rows.any():
            continue
        part = seen.take(rows)
        nodes = list(zip(*_node_terms(part), strict=True))
        some = max(_CELLS_AT_ONCE // (shift.size * part.lower.size), 1)
        for at in range(0, slope.size, some):
            b = slope[at : at + some, None, None]
            of_shift = np.exp(b * shift[:, None])
            chance = np.zeros((b.size, shift.size, part.lower.size))
            for lower, upper, weight in nodes:
                over: FloatArray | float = 1.0
                if high[rows][0]:
                    over = of_shift * np.exp(np.clip(-b * upper, -300.0, 300.0))
                    over += 1.0
                if low[rows][0]:
                    below = np.exp(np.clip(b * lower, -300.0, 300.0)) * (1.0 / of_shift)
                    below += 1.0
                    over = over * below if high[rows][0] else below
                chance += weight / over
            if high[rows][0] and low[rows][0]:
                chance *= -np.expm1(-b * (part.upper - part.lower))
            np.log(np.maximum(chance, _LEAST_CHANCE, out=chance), out=chance)
            total[at : at + some] += chance @ part.weight
    return total.T


def _stated_rows(pseudo: float) -> Observations:
    """Pseudo-observations at the stated numbers: at -1 changed one time in twenty, at +1 nineteen."""
    return Observations(
        np.array([-np.inf, -1.0, -np.inf, 1.0]),
        np.array([-1.0, np.inf, 1.0, np.inf]),
        np.zeros(4),
        pseudo * np.array([0.05, 0.95, 0.95, 0.05]),
        np.zeros(4, dtype=np.int64),
    )


def _one_bound(intercept: FloatArray, b: FloatArray, seen: Observations) -> tuple[FloatArray, ...]:
    """Chance, and its first and second derivatives by intercept and slope as shares of it.

    (fit, observation), of observations with the same one bound; `b` is (fit, 1). At the node t the bound lies
    at x + t sd, so that sums over the nodes of powers of t are enough.
    """
    sign, x = (1.0, seen.upper) if np.isfinite(seen.upper[0]) else (-1.0, seen.lower)
    sd = np.sqrt(seen.variance)
    share, nodes = np.ones(1), np.zeros(1)
    if sd.any():
        share, nodes = _NODE_WEIGHTS / _NODE_WEIGHTS.sum(), _NODES
    powers = share * nodes ** np.arange(3)[:, None]
    held = _logistic(sign * (intercept[:, None] + b * (x + nodes[:, None] * sd)[:, None, :]))
    shape, held = held.shape[1:], held.reshape(nodes.size, -1)
    chance = np.maximum((share @ held).reshape(shape), _LEAST_CHANCE)
    curve = held * (1.0 - held)
    by_a, by_t = (powers[:2] @ curve).reshape(2, *shape) * (sign / chance)
    curve *= 1.0 - 2.0 * held
    bend, bend_t, bend_tt = (powers @ curve).reshape(3, *shape) / chance
    bend_ab = x * bend + sd * bend_t
    return chance, by_a, x * by_a + sd * by_t, bend, bend_ab, x * bend_ab + sd * (x * bend_t + sd * bend_tt)


def _two_bounds(intercept: FloatArray, b: FloatArray, seen: Observations) -> tuple[FloatArray, ...]:
    """As `_one_bound`, of F(u) (1 - F(l)), where F is the logistic."""
    lower, upper, share = _node_terms(seen)
    # (node, fit, observation): chance at each node, and the derivatives of its logarithm.
    inside = share[:, None, None]
    by_a, by_b, by_aa, by_ab, by_bb = (np.zeros(1) for _ in range(5))
    for bound, sign in ((upper, 1.0), (lower, -1.0)):
        x = bound[:, None, :]
        held = _logistic(sign * (intercept[:, None] + b * x))
        inside = inside * held
        rest = 1.0 - held
        curve = -held * rest
        rest *= sign
        by_a, by_b, by_aa = by_a + rest, by_b + rest * x, by_aa + curve
        curve = curve * x
        by_ab, by_bb = by_ab + curve, by_bb + curve * x
    chance = np.maximum(inside.sum(axis=0), _LEAST_CHANCE)
    inside = inside / chance
    terms = (by_a, by_b, by_a * by_a + by_aa, by_a * by_b + by_ab, by_b * by_b + by_bb)
    return chance, *(np.einsum("nko,nko->ko", inside, term) for term in terms)


def _derivatives(
    intercept: FloatArray, slope: FloatArray, seen: Observations, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sum of the log likelihood (fit,), scores (2, fit, observation), bend (2, 2, fit); intercept is -b m.

    `weight`, (fit, observation), takes the place of the observations' own; the scores, by intercept and
    slope, are without it.
    """
    value = np.zeros(intercept.size)
    scores, second = np.zeros((2, *weight.shape)), np.zeros((2, 2, intercept.size))
    low, high = np.isfinite(seen.lower), np.isfinite(seen.upper)
    b = slope[:, None]
    for rows in (low & ~high, high & ~low, low & high):
        if not rows.any():
            continue
        of, part = weight[:, rows], seen.take(rows)
        both = bool((low & high)[rows][0])
        moments = _two_bounds(intercept, b, part) if both else _one_bound(intercept, b, part)
        chance, mean_a, mean_b, bend_aa, bend_ab, bend_bb = moments
        bend_aa, bend_ab, bend_bb = bend_aa - mean_a**2, bend_ab - mean_a * mean_b, bend_bb - mean_b**2
        told = np.log(chance)
        if both:
            # 1 - exp(-b width), the same at every node.
            width = part.upper - part.lower
            grown = np.expm1(np.minimum(b * width, 300.0))
            told = told + np.log(-np.expm1(-b * width))
            mean_b = mean_b + width / grown
            bend_bb = bend_bb - width**2 * (1.0 + grown) / grown**2
        value += (of * told).sum(axis=1)
        scores[0][:, rows], scores[1][:, rows] = mean_a, mean_b
        aa, ab, bb = ((of * bend).sum(axis=1) for bend in (bend_aa, bend_ab, bend_bb))
        second += np.array([[aa, ab], [ab, bb]])
    return value, scores, second


def _modes(
    seen: Observations, pseudo: float, start: tuple[float, float], kept: FloatArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shift and slope of the greatest posterior density in intercept and slope, (fit,), by Newton's method.

    One fit for each row of `kept`, (fit, observation): what part of each observation counts, by default all.
    With them the pull of each observation, (fit, observation): above zero where more of it would make the
    limit stricter.
    """
    parts = np.ones((1, seen.lower.size)) if kept is None else kept
    stated = _stated_rows(pseudo)
    weight = np.concatenate([parts * seen.weight, np.tile(stated.weight, (len(parts), 1))], axis=1)
    held = _joined(seen, stated)
    # Never from steeper than written: far from a curve too steep for it, a log's likelihood is flat.
    b = np.full(len(parts), min(start[1], LOGIT_19))
    a = -start[0] * b
    value, scores, second = _derivatives(a, b, held, weight)
    for _ in range(_NEWTON_STEPS):
        first = np.einsum("cko,ko->ck", scores, weight)
        aa, ab, bb = second[0, 0], second[0, 1], second[1, 1]
        # Between the slope's bounds; where the surface does not bend both ways, a step uphill.
        size = aa * bb - ab * ab
        bends = (aa < 0.0) & (size > 0.0)
        newton = (ab * first[0] - aa * first[1]) / np.where(bends, size, 1.0)
        # Uphill along the ridge, on which the intercept is the best for its slope.
        along = first[1] - ab * first[0] / np.minimum(aa, -1e-12)
        to_b = np.where(bends, newton, 0.5 * b * np.sign(along))
        to_b = np.clip(b + to_b, *_SLOPES) - b
        to_a = -(first[0] + ab * to_b) / np.minimum(aa, -1e-12)
        part = np.ones(a.size)
        for _ in range(_HALVINGS):
            new = _derivatives(a + part * to_a, b + part * to_b, held, weight)
            worse = new[0] < value - 1e-9
            if not worse.any():
                break
            part[worse] *= 0.5
        a, b = a + part * to_a, b + part * to_b
        value, scores, second = new
        if max(np.abs(part * to_a).max(), np.abs(part * to_b).max()) < 1e-3:
            break
    # The limit (ln 19 - a) / b moves with the weight of a score s by (1, limit) H^-1 s / b, H the bend.
    limit = (LOGIT_19 - a) / b
    aa, ab, bb = second[0, 0], second[0, 1], second[1, 1]
    free = (b > _SLOPES[0]) & (b < _SLOPES[1])
    by_a = np.where(free, ab * limit - bb, 1.0)
    by_b = np.where(free, ab - aa * limit, 0.0)
    pull = by_a[:, None] * scores[0] + by_b[:, None] * scores[1]
    return np.clip(-a / b, *_SHIFTS), b, pull[:, : seen.lower.size] * seen.weight


def _gathered(seen: Observations) -> tuple[Observations, IntArray]:
    """Observations alike to a fortieth of the scale, gathered with their weights; and where each went."""
    rows = np.round(np.stack([seen.lower, seen.upper, seen.variance], axis=1) * _PER_UNIT) / _PER_UNIT
    alike, place = np.unique(rows, axis=0, return_inverse=True)
    place = place.ravel()
    weight = np.bincount(place, seen.weight, minlength=len(alike)).astype(float)
    lower, upper, variance = alike.T
    return Observations(lower, upper, variance, weight, np.arange(len(alike), dtype=np.int64)), place


def _joined(first: Observations, second: Observations) -> Observations:
    pairs = [(getattr(first, n), getattr(second, n)) for n in first.__dataclass_fields__]
    lower, upper, variance, weight, show = (np.concatenate(pair) for pair in pairs)
    return Observations(lower, upper, variance, weight, show)


def posterior(
    seen: Observations, pseudo: float = PSEUDO_OBSERVATIONS
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shift, slope and weight on a grid that holds the posterior, (cell,); flat in intercept and slope.

    Parameters
    ----------
    seen
        Observations.
    pseudo
        Shows that each stated number is worth.
    """
    gathered = _joined(_gathered(seen)[0], _stated_rows(pseudo))
    whole = (_SHIFTS, (float(np.log(_SLOPES[0])), float(np.log(_SLOPES[1]))))
    bounds = whole
    for grid in _GRIDS:
        axes = [np.linspace(*b, n) for b, n in zip(bounds, grid, strict=True)]
        m, log_b = (g.ravel() for g in np.meshgrid(*axes, indexing="ij"))
        b = np.exp(log_b)
        # The intercept is -b m: a cell of the grid, even in m and log b, holds b^2 of that plane.
        likelihood = _grid_log_likelihood(axes[0], np.exp(axes[1]), gathered).ravel()
        density = likelihood + 2.0 * log_b
        held = density > density.max() - _NEGLIGIBLE
        step = [a[1] - a[0] for a in axes]
        (m_low, m_high), (b_low, b_high) = (
            (max(g[held].min() - d, w[0]), min(g[held].max() + d, w[1]))
            for g, d, w in zip((m, log_b), step, whole, strict=True)
        )
        bounds = ((m_low, m_high), (b_low, b_high))
    weight = np.exp(density - density.max())
    return m, b, weight / weight.sum()


def own_limit_range(
    shift: FloatArray, slope: FloatArray, weight: FloatArray, level: float = 0.8
) -> tuple[float, float, float]:
    """Lower end, middle and upper end of the range of the pilot's own limit.

    Parameters
    ----------
    shift, slope, weight
        Of the posterior, (cell,).
    level
        Of the range.
    """
    tail = 0.5 * (1.0 - level)
    ends = _weighted_quantile(shift + LOGIT_19 / slope, weight, [tail, 0.5, 1.0 - tail])
    return float(ends[0]), float(ends[1]), float(ends[2])


def _weighted_quantile(value: FloatArray, weight: FloatArray, probability: list[float]) -> FloatArray:
    order = np.argsort(value, kind="stable")
    below = np.cumsum(weight[order]) - 0.5 * weight[order]
    return np.asarray(np.interp(probability, below / weight.sum(), value[order]))


# --- The fit ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LearnedLimits:
    """Limits as the log shows them, on the pilot's scale.

    Attributes
    ----------
    limit, comfortable
        Condition held to be changed nineteen times, and one time, in twenty. The limit is a bound on the side
        of caution; it may lie below the range.
    limit_middle, limit_lower, limit_upper
        Middle and 80 % range of the pilot's own limit.
    shift, slope
        m and b of the fit to the whole log.
    limit_sd
        Standard deviation of what is not known of the limit.
    offset
        (cause, figure): how much more strictly than the rest; 0 or below, and 0 unless the log supports it.
    shows, changed
        Shows with evidence, and those with a change.
    shows_by_cause, changed_by_cause
        (cause,).
    left_out
        Shows whose changes were left out for the learned limit, so that they do not loosen it.
    """

    limit: float
    comfortable: float
    limit_middle: float
    limit_lower: float
    limit_upper: float
    shift: float
    slope: float
    limit_sd: float
    offset: FloatArray
    shows: int
    changed: int
    shows_by_cause: IntArray
    changed_by_cause: IntArray
    left_out: int
    pseudo_observations: float = PSEUDO_OBSERVATIONS
    draws: tuple[FloatArray, FloatArray, FloatArray] | None = field(default=None, repr=False, compare=False)


def fit(told: Evidence, *, pseudo: float = PSEUDO_OBSERVATIONS, level: float = 0.8) -> LearnedLimits:
    """Fit shift and slope to a log.

    Parameters
    ----------
    told
        What the log says.
    pseudo
        Shows that each stated number is worth.
    level
        Of the range.

    Raises
    ------
    ValueError
        When `pseudo` is not above zero: without a prior a log without changes has no fit.
    """
    if not pseudo > 0.0:
        raise ValueError(f"fit: pseudo is {pseudo}; it must be above 0")
    seen = observations(told)
    known = np.isfinite(told.condition) & (told.state != SILENT)
    changed = known & (told.state < 0)
    some = changed.any(axis=(1, 2))
    m, b, weight = posterior(seen, pseudo)
    start = float(weight @ m), float(weight @ b)
    shift, slope = (float(v[0]) for v in _modes(_gathered(seen)[0], pseudo, start)[:2])
    comfortable = shift - LOGIT_19 / slope
    if not some.any():
        comfortable = max(comfortable, -1.0)
    limit, left_out = _strictest(seen, some, pseudo, (shift, slope))
    # Past what was written, no further than was flown: a curve is not to be drawn out of its log.
    limit = min(limit, max(1.0, float(seen.lower.max(initial=1.0))))
    own_limit = np.full(changed.shape[1:], limit)
    for group, changes in _groups(changed):
        of_group = observations(_only(told, group))
        apart = _strictest(of_group, some, pseudo, (shift, slope))[0] + _APART / np.sqrt(changes)
        own_limit[group] = np.minimum(own_limit[group], apart)
    lower, middle, upper = own_limit_range(m, b, weight, level)
    return LearnedLimits(
        limit=limit,
        comfortable=comfortable,
        limit_middle=middle,
        limit_lower=lower,
        limit_upper=upper,
        shift=shift,
        slope=slope,
        limit_sd=_limit_sd(m, b, weight),
        offset=own_limit - limit,
        shows=int(known.any(axis=(1, 2)).sum()),
        changed=int(some.sum()),
        shows_by_cause=known.any(axis=2).sum(axis=0),
        changed_by_cause=changed.any(axis=2).sum(axis=0),
        left_out=left_out,
        pseudo_observations=pseudo,
        draws=(m, b, weight),
    )


def _limit_sd(m: FloatArray, b: FloatArray, weight: FloatArray) -> float:
    """Standard deviation of the posterior of the limit."""
    # A slope near zero would put the limit far out; the bulk of the posterior is what counts.
    limit = np.clip(m + LOGIT_19 / b, -4.0, 4.0)
    return float(np.sqrt(weight @ (limit - weight @ limit) ** 2))


def _only(told: Evidence, group: BoolArray) -> Evidence:
    """What the log says of some causes and figures, (cause, figure)."""
    return Evidence(told.condition, told.variance, np.where(group, told.state, SILENT))


def _groups(changed: BoolArray) -> list[tuple[BoolArray, int]]:
    """Causes, then figures, with changes enough and others to set against: (cause, figure), and how many."""
    total = int(changed.any(axis=(1, 2)).sum())
    n_causes, n_figures = changed.shape[1:]
    cause, figure = np.indices((n_causes, n_figures))
    groups = [cause == c for c in range(n_causes)] + [figure == f for f in range(n_figures)]
    own = [int(np.any(changed & group, axis=(1, 2)).sum()) for group in groups]
    return [(g, n) for g, n in zip(groups, own, strict=True) if min(n, total - n) >= _OFFSET_EVENTS]


def _strictest(
    seen: Observations, changed: BoolArray, pseudo: float, start: tuple[float, float]
) -> tuple[float, int]:
    """Least limit over all weights from 0 to 1 of the `changed` shows, and how many count less than half.

    An added change can count for nothing, so it never makes this limit looser. At the least, a show that
    pulls the limit down counts in full and one that pushes it up not at all. A change in air u, known without
    error, pulls by a multiple of (1, limit) H^-1 (1, u), H the bend of the likelihood: linear in u, and above
    zero at the limit, so that what is left out are the mildest changes and the least lies on the chain of
    the fits without the 0, 1, 2, ... mildest. From that chain, and from the one by their pull, each fit is
    brought to its own condition.
    """
    alike, place = _gathered(seen)
    shows = np.flatnonzero(changed)
    index = np.full(changed.size, -1)
    index[shows] = np.arange(shows.size)
    # How often each show holds each observation; in the last row, all shows without a change.
    holds = np.zeros((shows.size + 1, place.max(initial=-1) + 1))
    np.add.at(holds, (index[seen.show], place), seen.weight)
    unweighted = dataclasses.replace(alike, weight=np.ones(alike.weight.size))

    least, at, force = np.inf, np.ones(shows.size), np.ones(shows.size)

    def tried(weights: FloatArray) -> tuple[float, FloatArray]:
        """How much stricter the best of them is than the least so far, and the pull of each show in each."""
        nonlocal least, at, force, start
        m, b, pull = _modes(unweighted, pseudo, start, weights @ holds[:-1] + holds[-1])
        limits, pull = m + LOGIT_19 / b, pull @ holds[:-1].T
        best = int(np.argmin(limits))
        gain = least - float(limits[best])
        if gain > 0.0:
            least, at, force = float(limits[best]), weights[best], pull[best]
            start = float(m[best]), float(b[best])
        return gain, pull

    tried(at[None])
    if not shows.size:
        return max(least, 1.0), 0
    mildest = np.where(holds[:-1] > 0.0, alike.upper, np.inf).min(axis=1)
    steps = np.unique(np.linspace(0, shows.size, _CHAIN + 1).round())[1:, None]
    orders = (np.argsort(np.argsort(key, kind="stable")) for key in (mildest, force))
    weights = np.concatenate([order >= steps for order in orders]).astype(float)
    visited = {at.tobytes()}
    for _ in range(_ROUNDS):
        new = np.array([w for w in np.unique(weights, axis=0) if w.tobytes() not in visited])
        if not new.size:
            break
        visited.update(w.tobytes() for w in new)
        weights = (tried(new)[1] > 0.0).astype(float)
    for _ in range(_POLISH):
        wanted = np.where(force > 0.0, 1.0, 0.0) - at
        few = np.argsort(-np.abs(force * wanted))[:3]
        alone = np.zeros((few.size, shows.size))
        alone[np.arange(few.size), few] = wanted[few]
        together = [f * wanted[None] for f in (1.0, 0.6, 0.3, 0.1, 0.03)]
        moves = np.concatenate(together + [f * alone for f in (1.0, 0.5, 0.2)])
        moves = moves[np.any(moves != 0.0, axis=1)]
        if not moves.size or tried(at + moves)[0] < _TELLING_GAIN:
            break
    return least, int(np.count_nonzero(at < 0.5))


# --- Into the curves that the chances use -----------------------------------------------------------


def used_curves(
    written: Curves,
    learned: LearnedLimits,
    *,
    may_relax: bool = False,
    step: float = 0.0,
) -> Curves:
    """Curves for the chances: the learned ones where they are more cautious than the written.

    The limit is the lower of the two, and comfortable lies as far below it as the pilot wrote. So at no value
    is a change held less likely than as written; and what moves the limit moves every chance the same way,
    which a width of its own would not: a show flown past the limit flattens the fitted curve.

    Parameters
    ----------
    written
        Limits as the pilot states them.
    learned
        What the log shows.
    may_relax
        Whether the pilot lets a learned limit be more permissive than the written one.
    step
        Added to the learned limit, on the pilot's scale.
    """
    comfortable, limit = dict(written.comfortable), dict(written.limit)
    high = learned.limit + step
    for name, cause in CONDITIONS.items():
        if name not in written.limit:
            continue
        offset = learned.offset[CAUSES.index(cause)]
        c, top = written.comfortable[name], written.limit[name]
        half = 0.5 * (top - c)
        own = top + (high + offset - 1.0) * half
        limit[name] = own if may_relax else np.minimum(own, top)
        comfortable[name] = limit[name] - (top - c)
    return Curves(written.names, comfortable, limit, written.two_amber_is_red)
