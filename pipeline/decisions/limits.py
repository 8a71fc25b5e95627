"""The chance that a figure, or the act, must be changed in a given air.

For each figure and condition the pilot states two numbers: *comfortable*, where the figure is changed
one time in twenty, and *limit*, at and beyond which it is never flown. Just below the limit it is
changed nineteen times in twenty. The two fix a logistic curve. Ceiling and visibility run the other way:
their comfortable value is above their limit.

Conditions that are one judgement are one *cause*, judged by the worse of them: the gust peak and the
gust spread are both rough air; wind toward the crowd and wind across the line are both wind across.
A figure is changed if any cause says so, the causes being independent given the air. In a routine, one
cause's judgements of different figures are tied (a pilot who finds the air rough for the ribbon cut is
likely to find it rough for the low inverted pass) but not perfectly: a one-factor Gaussian copula.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from pipeline.air.variables import KT
from pipeline.air.wind import whole_knots

__all__ = [
    "ACT_CAUSES",
    "CAUSES",
    "CONDITIONS",
    "LOGIT_19",
    "NEVER_FLOWN",
    "ROUTINE_CORRELATION",
    "Curves",
    "RoughAirTables",
    "RoutineChance",
    "TiedChances",
    "act_chances",
    "cause_chances",
    "chance_of_change",
    "conditions_from_air",
    "figure_cause_chances",
    "figure_chances",
    "figures_with_two_ambers",
    "standardised",
    "two_ambers",
]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

LOGIT_19 = float(np.log(19.0))
"""logit(0.95): a standardised condition of +1 is changed nineteen times in twenty, -1 one time in twenty."""

ROUTINE_CORRELATION = 0.8
"""Default tie between the judgements of two figures within one cause."""

NEVER_FLOWN = -2000.0
"""A limit in density altitude [m] below any there is: of a figure that uses up a cushion at sea level."""

CONDITIONS: dict[str, str] = {
    "density_altitude": "density_altitude",
    "wind_toward_crowd": "wind_across",
    "wind_across_line": "wind_across",
    "gust": "rough_air",
    "gust_spread": "rough_air",
    "wind_along_line": "wind_along",
}
"""Conditions a figure can have limits for, and the cause each belongs to."""

CAUSES = ("density_altitude", "wind_across", "rough_air", "wind_along")
"""Causes for which a figure is changed."""

ACT_CAUSES = ("runway_crosswind", "ceiling", "visibility", "thunder")
"""Causes for which the whole act stays on the ground."""


@dataclass(frozen=True)
class Curves:
    """Comfortable and limit values of the figures of a routine, in SI.

    Attributes
    ----------
    names
        Figure names, in the order flown.
    comfortable, limit
        By condition, (figure,); NaN where the figure has no limit for it.
    two_amber_is_red
        Whether two causes past comfortable count as one past its limit.
    """

    names: tuple[str, ...]
    comfortable: Mapping[str, FloatArray]
    limit: Mapping[str, FloatArray]
    two_amber_is_red: bool = False

    def take(self, figures: npt.NDArray[np.integer] | list[int]) -> Curves:
        """Curves of some of the figures, by index."""
        index = np.asarray(figures, dtype=int)
        return Curves(
            tuple(self.names[i] for i in index),
            {k: v[index] for k, v in self.comfortable.items()},
            {k: v[index] for k, v in self.limit.items()},
            self.two_amber_is_red,
        )


def standardised(value: ArrayLike, comfortable: ArrayLike, limit: ArrayLike) -> FloatArray:
    """Condition on the pilot's own scale: -1 at comfortable, +1 at the limit, either way round."""
    c = np.asarray(comfortable, dtype=float)
    m = np.asarray(limit, dtype=float)
    v = _floating(value)
    scale = np.asarray(2.0 / (m - c), dtype=v.dtype)
    with np.errstate(invalid="ignore"):
        result = np.asarray(v - m.astype(v.dtype))
        result *= scale
    result += 1.0
    return result


def chance_of_change(condition: ArrayLike) -> FloatArray:
    """Chance of change at a standardised condition; exactly 1 at and beyond the limit (+1)."""
    z = _floating(condition)
    with np.errstate(over="ignore"):
        result = np.asarray(np.exp(z * np.asarray(-LOGIT_19, dtype=z.dtype)))
    result += 1.0
    np.reciprocal(result, out=result)
    return np.asarray(np.maximum(result, z >= 1.0), dtype=z.dtype)


def _floating(value: ArrayLike) -> FloatArray:
    """An array as it is when it is floating, so that single precision stays single; else double."""
    v = np.asarray(value)
    return v if v.dtype.kind == "f" else v.astype(float)


def conditions_from_air(
    density_altitude: ArrayLike,
    toward_crowd: ArrayLike,
    along_line: ArrayLike,
    gust: ArrayLike,
    wind_speed: ArrayLike,
) -> dict[str, FloatArray]:
    """Conditions of `CONDITIONS` from the air at the venue, all in SI.

    Wind off the crowd counts for `wind_across_line` but never for `wind_toward_crowd`.
    """
    toward = _floating(toward_crowd)
    # Whole knots again, so that a gust at a limit stated in knots equals it exactly.
    peak = whole_knots(gust).astype(_floating(gust).dtype)
    return {
        "density_altitude": _floating(density_altitude),
        "wind_toward_crowd": toward,
        "wind_across_line": np.abs(toward),
        "gust": peak,
        "gust_spread": whole_knots(np.maximum(peak - whole_knots(wind_speed), 0.0)).astype(peak.dtype),
        "wind_along_line": np.abs(_floating(along_line)),
    }


def _cause_condition(
    conditions: Mapping[str, ArrayLike], curves: Curves, figure: int, cause: str
) -> FloatArray | None:
    """Worst standardised condition of one cause for one figure; None where it has no limit there."""
    worst: FloatArray | None = None
    for name, owner in CONDITIONS.items():
        if owner != cause or name not in curves.limit or np.isnan(curves.limit[name][figure]):
            continue
        z = standardised(conditions[name], curves.comfortable[name][figure], curves.limit[name][figure])
        worst = z if worst is None else np.maximum(worst, z)
    return worst


def figure_cause_chances(
    conditions: Mapping[str, ArrayLike], curves: Curves, figure: int, causes: Sequence[str] = CAUSES
) -> dict[str, FloatArray]:
    """Chance that one figure must be changed by each cause it has a limit for, (...,), given the air.

    Parameters
    ----------
    conditions, curves
        As for `figure_chances`.
    figure
        Its index in `curves`.
    causes
        The causes wanted.
    """
    worst = {cause: _cause_condition(conditions, curves, figure, cause) for cause in causes}
    return {cause: chance_of_change(z) for cause, z in worst.items() if z is not None}


class RoughAirTables:
    """Each figure's chance for rough air by gust and gust spread in whole knots, exact and looked up.

    Parameters
    ----------
    curves
        The pilot's limits.
    """

    def __init__(self, curves: Curves) -> None:
        self._tops: dict[str, int] = {}
        for name in ("gust", "gust_spread"):
            limit = curves.limit.get(name)
            known = np.zeros(0) if limit is None else limit[~np.isnan(limit)]
            # From the last figure's limit on nothing changes any more.
            self._tops[name] = int(np.ceil(np.max(known) / KT)) if known.size else 0
        knots = (np.arange(top + 1) * KT for top in self._tops.values())
        grid = dict(zip(self._tops, np.meshgrid(*knots, indexing="ij"), strict=True))
        self._tables = [
            figure_cause_chances(grid, curves, f, ("rough_air",)).get("rough_air")
            for f in range(len(curves.names))
        ]

    def place(self, conditions: Mapping[str, FloatArray]) -> npt.NDArray[np.int32]:
        """Where hours lie in the tables, from gust and gust spread in whole knots, none missing."""
        knots = [
            np.minimum((conditions[name] / conditions[name].dtype.type(KT) + 0.5).astype(np.int32), top)
            for name, top in self._tops.items()
        ]
        return np.asarray(knots[0] * (self._tops["gust_spread"] + 1) + knots[1], dtype=np.int32)

    def limited(self, figure: int) -> bool:
        """Whether a figure has a limit for rough air."""
        return self._tables[figure] is not None

    def chance(self, figure: int, place: npt.NDArray[np.int32]) -> FloatArray:
        """Chance of one figure at places, (...,), in single precision; 0 where it has no such limit."""
        table = self._tables[figure]
        if table is None:
            return np.zeros(place.shape, dtype=np.float32)
        return np.asarray(table.astype(np.float32).ravel()[place])


def cause_chances(conditions: Mapping[str, ArrayLike], curves: Curves, cause: str) -> FloatArray:
    """Chance that each figure must be changed for one cause, (figure, ...), given the air.

    0 where the figure has no limit for the cause, NaN where the condition is unknown.

    Parameters
    ----------
    conditions
        By name as in `CONDITIONS`, arrays of one shape (...,), SI; NaN where not observed.
    curves
        The pilot's limits.
    cause
        One of `CAUSES`.
    """
    needed = [_floating(v) for k, v in conditions.items() if CONDITIONS[k] == cause]
    shape = np.broadcast_shapes(*(v.shape for v in needed))
    result = np.zeros((len(curves.names), *shape), dtype=np.result_type(*needed))
    for f in range(len(curves.names)):
        z = _cause_condition(conditions, curves, f, cause)
        if z is not None:
            result[f] = chance_of_change(z)
    return result


def figure_chances(conditions: Mapping[str, ArrayLike], curves: Curves) -> tuple[FloatArray, FloatArray]:
    """Chance that each figure must be changed, given the air.

    Parameters
    ----------
    conditions
        By name as in `CONDITIONS`, arrays of one shape (...,), SI; NaN where not observed.
    curves
        The pilot's limits.

    Returns
    -------
    by_cause
        (figure, cause, ...): 0 where the figure has no limit for the cause, NaN where the condition is
        unknown.
    total
        (figure, ...): changed for any cause.
    """
    by_cause = np.stack([cause_chances(conditions, curves, cause) for cause in CAUSES], axis=1)
    if curves.two_amber_is_red:
        by_cause[two_ambers(by_cause, axis=1)] = 1.0
    return by_cause, 1.0 - np.prod(1.0 - by_cause, axis=1)


_AMBER = 0.05 + 1e-5  # past comfortable; a reading at it, in single precision, is not
_AT_LIMIT = 1.0 - 1e-6  # a ceiling reported at the limit, in single precision, is at it


def two_ambers(by_cause: FloatArray, *, axis: int = 0) -> npt.NDArray[np.bool_]:
    """Causes past comfortable where another one is too; a cause that is not known is not past it.

    Parameters
    ----------
    by_cause
        Chances of one figure, or of the act, with the causes along `axis`.
    axis
        Of the causes.
    """
    amber = by_cause > _AMBER
    return np.asarray(amber & (amber.sum(axis=axis, keepdims=True) >= 2))


def figures_with_two_ambers(conditions: Mapping[str, ArrayLike], curves: Curves) -> npt.NDArray[np.bool_]:
    """Causes of every figure that are past comfortable where another of its causes is, (figure, cause, ...).

    Nothing where two such causes do not count as one past its limit.
    """
    shape = np.shape(conditions["density_altitude"])
    result = np.zeros((len(curves.names), len(CAUSES), *shape), dtype=bool)
    if curves.two_amber_is_red:
        for f in range(len(curves.names)):
            held = figure_cause_chances(conditions, curves, f)
            nothing = np.zeros(shape)
            result[f] = two_ambers(np.stack([held.get(cause, nothing) for cause in CAUSES]))
    return result


_TIGHTEST = 0.999
"""A tie between this and 1 is taken as this."""


@cache
def _quadrature(slope: float) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights on [-6, 6], where the normal law has all but 2e-9 of its mass.

    The tighter the tie, the steeper a judgement turns with the common factor, and the closer the nodes: 32
    for each unit of slope keep the error under 1e-6 for any tie.
    """
    nodes, weights = np.polynomial.legendre.leggauss(int(np.ceil(32.0 * max(slope, 1.0))))
    return 6.0 * nodes, 6.0 * weights


def _tied_chance(chances: FloatArray, correlation: float) -> FloatArray:
    """Chance that at least one of several tied judgements says change, (...,) from (figure, ...).

    One-factor Gaussian copula: judgement f says change when sqrt(r) Z + sqrt(1 - r) E_f falls in its
    tail of that chance. The common factor is integrated out.
    """
    from scipy.special import ndtr, ndtri

    certain = np.any(chances >= 1.0, axis=0)
    if correlation <= 0.0:
        return np.asarray(np.where(certain, 1.0, 1.0 - np.prod(1.0 - chances, axis=0)))
    if correlation >= 1.0:
        return np.asarray(np.max(chances, axis=0))
    correlation = min(correlation, _TIGHTEST)
    root, rest = np.sqrt(correlation), np.sqrt(1.0 - correlation)
    nodes, weights = _quadrature(float(root / rest))
    density = weights * np.exp(-0.5 * nodes**2) / np.sqrt(2.0 * np.pi)
    threshold = ndtri(1.0 - np.clip(chances, 0.0, 1.0 - 1e-16))
    none = np.zeros(chances.shape[1:])
    for node, mass in zip(nodes, density, strict=True):
        none = none + mass * np.prod(ndtr((threshold - root * node) / rest), axis=0)
    # Keep the result a probability, never under its worst figure.
    any_change = np.clip(1.0 - none / density.sum(), np.max(chances, axis=0), 1.0)
    return np.asarray(np.where(certain, 1.0, any_change))


_TABLE_POINTS = 2049
_NEGLIGIBLE = -5.0  # standardised condition at which the chance of change is 4e-7
_DRIVERS = {
    "density_altitude": "density_altitude",
    "wind_across": "wind_toward_crowd",
    "wind_along": "wind_along_line",
}


@dataclass(frozen=True)
class _Place:
    """Where hours lie in a cause's table.

    Attributes
    ----------
    part
        Part of the way to the next cell, of the floating type wanted.
    cell
        None where the routine has no limit for the cause.
    gone
        Where the condition is not known.
    beyond
        Where it is at or beyond the first limit; None where the table itself tells.
    """

    part: FloatArray
    cell: npt.NDArray[np.int32] | None
    gone: npt.NDArray[np.bool_]
    beyond: npt.NDArray[np.bool_] | None


class RoutineChance:
    """Chance that at least one figure of a routine must be changed, tabulated once for any number of hours.

    Every cause is driven by one number (for wind across, the wind toward the crowd with its sign), save
    rough air, which is driven by two numbers in whole knots. The tied chance is smooth up to the first
    figure's limit and exactly 1 from there, so a table up to that limit serves: exact for rough air,
    within 1e-5 for the others.

    Parameters
    ----------
    curves
        Limits of the figures of this routine.
    correlation
        Tie between figures within a cause: 0 independent, 1 the most demanding figure only.
    """

    def __init__(self, curves: Curves, *, correlation: float = ROUTINE_CORRELATION) -> None:
        self.curves = curves
        self.correlation = correlation
        # Side by side: the normal integrals of the tie let go of the interpreter.
        with ThreadPoolExecutor(max_workers=2) as pool:
            rough = pool.submit(self._rough_table)
            lines = zip(_DRIVERS, pool.map(self._line, _DRIVERS), strict=True)
            self._lines = {cause: line for cause, line in lines if line is not None}
            self._rough = rough.result()

    def _held(self, cause: str) -> dict[str, npt.NDArray[np.bool_]]:
        """Conditions of a cause for which some figure has a limit, and which figures."""
        held = {
            name: ~np.isnan(self.curves.limit[name])
            for name, owner in CONDITIONS.items()
            if owner == cause and name in self.curves.limit
        }
        return {name: figures for name, figures in held.items() if figures.any()}

    def _smooth(self, point: Mapping[str, FloatArray], cause: str) -> FloatArray:
        """Tied chance below the limits, where every curve is still a logistic."""
        rows = []
        for f in range(len(self.curves.names)):
            z = _cause_condition(point, self.curves, f, cause)
            if z is not None:
                with np.errstate(over="ignore"):
                    rows.append(1.0 / (1.0 + np.exp(-LOGIT_19 * np.minimum(z, 1.0))))
        return _tied_chance(np.stack(rows), self.correlation)

    def _line(self, cause: str) -> tuple[FloatArray, FloatArray] | None:
        """Table of a cause driven by one number: grid up to the first limit, and chance."""
        held = self._held(cause)
        if not held:
            return None
        tops = {n: float(np.min(self.curves.limit[n][figures])) for n, figures in held.items()}
        top = min(tops.values())
        if cause == "wind_along":
            bottom = 0.0
        elif "wind_across_line" in held:
            bottom = -tops["wind_across_line"]
        else:
            bottom = min(
                float(
                    np.min(
                        (
                            0.5 * (self.curves.comfortable[n] + self.curves.limit[n])
                            + 0.5 * _NEGLIGIBLE * (self.curves.limit[n] - self.curves.comfortable[n])
                        )[figures]
                    )
                )
                for n, figures in held.items()
            )
        grid = np.linspace(bottom, top, _TABLE_POINTS)
        point = {_DRIVERS[cause]: grid, "wind_across_line": np.abs(grid)}
        chance = self._smooth(point, cause)
        chance[-1] = self._smooth({k: v[-1:] for k, v in point.items()}, cause)[0]
        return grid, chance

    def _rough_table(self) -> FloatArray | None:
        """Table of the rough-air cause, by gust and spread in whole knots up to the first limits."""
        held = self._held("rough_air")
        if not held:
            return None
        sizes = []
        for name in ("gust", "gust_spread"):
            first = float(np.min(self.curves.limit[name][held[name]])) if name in held else 0.0
            sizes.append(int(np.ceil(first / KT)) + 1)
        gust, spread = np.meshgrid(np.arange(sizes[0]) * KT, np.arange(sizes[1]) * KT, indexing="ij")
        rows = []
        for f in range(len(self.curves.names)):
            z = _cause_condition({"gust": gust, "gust_spread": spread}, self.curves, f, "rough_air")
            if z is not None:
                rows.append(chance_of_change(z))
        return _tied_chance(np.stack(rows), self.correlation)

    def cause(self, cause: str, conditions: Mapping[str, ArrayLike]) -> FloatArray:
        """Chance for one cause given the air, (...,); gust and gust spread in whole knots.

        Parameters
        ----------
        cause
            One of `CAUSES`.
        conditions
            As for `figure_chances`; only this cause's are read.
        """
        return self.at(cause, self.place(cause, conditions))

    def place(self, cause: str, conditions: Mapping[str, ArrayLike]) -> _Place:
        """Where hours lie in the table of a cause: the same for every tie of the same limits."""
        if cause == "rough_air":
            return self._place_rough(conditions)
        x = _floating(conditions[_DRIVERS[cause]])
        gone = np.isnan(x)
        if cause not in self._lines:
            return _Place(x, None, np.zeros(x.shape, dtype=bool), None)
        grid, _ = self._lines[cause]
        # The grid is even: the cell is found by arithmetic.
        cells = grid.size - 1
        position = (x - x.dtype.type(grid[0])) * x.dtype.type(cells / (grid[-1] - grid[0]))
        position = np.where(gone, x.dtype.type(0.0), np.clip(position, 0.0, cells))
        cell = np.minimum(position.astype(np.int32), cells - 1)
        beyond = x >= x.dtype.type(grid[-1])
        if cause == "wind_across" and "wind_across_line" in self._held(cause):
            beyond |= x <= x.dtype.type(grid[0])
        return _Place((position - cell).astype(x.dtype), cell, gone, beyond)

    def _place_rough(self, conditions: Mapping[str, ArrayLike]) -> _Place:
        peak = _floating(conditions["gust"])
        missing = np.zeros(peak.shape, dtype=bool)
        if self._rough is None:
            return _Place(peak, None, missing, None)
        held = self._held("rough_air")
        flat = np.zeros(peak.shape, dtype=np.int32)
        for axis, name in enumerate(("gust", "gust_spread")):
            flat *= self._rough.shape[axis]
            if name not in held:
                continue
            x = _floating(conditions[name])
            gone = np.isnan(x)
            missing |= gone
            knots = np.where(gone, x.dtype.type(0.0), x) / x.dtype.type(KT) + x.dtype.type(0.5)
            flat += np.minimum(knots.astype(np.int32), self._rough.shape[axis] - 1)
        return _Place(peak, flat, missing, None)

    def at(self, cause: str, place: _Place) -> FloatArray:
        """Chance for one cause at places of its table."""
        dtype = place.part.dtype
        if place.cell is None:
            return np.zeros(place.part.shape, dtype=dtype)
        if cause == "rough_air":
            assert self._rough is not None
            result = self._rough.astype(dtype).ravel()[place.cell]
        else:
            chance = self._lines[cause][1]
            step = np.append(np.diff(chance), 0.0).astype(dtype)
            result = chance.astype(dtype)[place.cell] + place.part * step[place.cell]
        if place.beyond is not None:
            result[place.beyond] = 1.0
        result[place.gone] = np.nan
        return np.asarray(result)

    def by_cause(self, conditions: Mapping[str, ArrayLike]) -> FloatArray:
        """Chance by cause given the air, (cause, ...); gust and gust spread in whole knots.

        Parameters
        ----------
        conditions
            As for `figure_chances`.
        """
        result = np.stack([self.cause(cause, conditions) for cause in CAUSES])
        if self.curves.two_amber_is_red:
            result[figures_with_two_ambers(conditions, self.curves).any(axis=0)] = 1.0
        return result

    def __call__(self, conditions: Mapping[str, ArrayLike]) -> FloatArray:
        """Chance for any cause, (...,): causes are independent given the air."""
        return np.asarray(1.0 - np.prod(1.0 - self.by_cause(conditions), axis=0))


class TiedChances:
    """A routine's chances by the stated tie, with independent judgements, and wholly tied.

    Parameters
    ----------
    curves
        Limits of the figures of the routine.
    correlation
        The stated tie.
    """

    def __init__(self, curves: Curves, correlation: float) -> None:
        self.stated, self.independent, self.whole = (
            RoutineChance(curves, correlation=tie) for tie in (correlation, 0.0, 1.0)
        )

    def by_cause(self, conditions: Mapping[str, ArrayLike]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Chances by cause given the air, (cause, ...) for each of the three; every hour is placed once."""
        places = {cause: self.stated.place(cause, conditions) for cause in CAUSES}
        curves = self.stated.curves
        red = figures_with_two_ambers(conditions, curves).any(axis=0) if curves.two_amber_is_red else None

        def all_causes(chance: RoutineChance) -> FloatArray:
            result = np.stack([chance.at(cause, places[cause]) for cause in CAUSES])
            if red is not None:
                result[red] = 1.0
            return result

        return all_causes(self.stated), all_causes(self.independent), all_causes(self.whole)


def act_chances(
    values: Mapping[str, ArrayLike | None],
    comfortable: Mapping[str, float],
    limit: Mapping[str, float],
    *,
    thunder_stops: bool = True,
    two_amber_is_red: bool = False,
) -> dict[str, FloatArray]:
    """Chance that the whole act stays on the ground, by cause, given the air.

    Parameters
    ----------
    values
        `runway_crosswind` [m s-1], `ceiling` [m], `visibility` [m], `thunder` [0 or 1]; None where the
        station does not observe it.
    comfortable, limit
        Of the first three, SI; a cause without limits is left out.
    thunder_stops
        Whether thunder in the hour holds the act.
    two_amber_is_red
        Whether two causes past comfortable count as one past its limit.

    Returns
    -------
    By cause, only those that are both observed and limited. Hours where the condition is missing are NaN.
    """
    result: dict[str, FloatArray] = {}
    for cause in ACT_CAUSES:
        held = values.get(cause)
        if held is None:
            continue
        value = np.asarray(held, dtype=float)
        if cause == "thunder":
            if thunder_stops:
                result[cause] = value
            continue
        if cause not in limit:
            continue
        with np.errstate(invalid="ignore"):
            z = standardised(value, comfortable[cause], limit[cause])
        result[cause] = np.where(z >= _AT_LIMIT, 1.0, chance_of_change(z))
    if two_amber_is_red and len(result) > 1:
        red = two_ambers(np.stack(list(result.values())))
        for cause, both in zip(result, red, strict=True):
            result[cause] = np.where(both, 1.0, result[cause])
    return result
