"""The few routines of a season: made of the pilot's own places, chosen together, exactly.

A sequence has places; each has the full show's figure, its substitutes, or nothing. A routine is one choice
for each place that joins: attitude, direction along the line, height and speed, time, energy. Given how many
routines the pilot will rehearse, the set is chosen that gives the season's bookings the greatest expected
crowd value, where on every sampled show hour the routine flown is the one with the largest crowd value times
chance that nothing of it must be changed, and nothing where the act itself stays on the ground.

Choosing m columns of a matrix (routine, hour) so as to maximise the sum of the row-wise best is the
uncapacitated p-median problem in maximising form. It is solved by Lagrangian bounds [1]_ that throw out
routines which cannot be in any best set, then by branch and bound over what is left.

References
----------
.. [1] G. Cornuéjols, M. L. Fisher and G. L. Nemhauser, "Location of bank accounts to optimize float: an
   analytic study of exact and approximate algorithms", Management Science 23 (1977) 789-810.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from pipeline.air.climatology import INTERVAL_LEVEL
from pipeline.air.variables import KT
from pipeline.decisions.limits import (
    CAUSES,
    CONDITIONS,
    LOGIT_19,
    ROUTINE_CORRELATION,
    Curves,
    RoutineChance,
    figure_chances,
    figures_with_two_ambers,
    standardised,
)
from pipeline.decisions.ranking import FEWEST_YEARS

__all__ = [
    "FURTHER_CHANGE",
    "MOST_CANDIDATES",
    "NEEDED",
    "Choice",
    "ManyRoutines",
    "Rehearsed",
    "Repertoire",
    "RoutinePlan",
    "ShowHours",
    "best_alone",
    "choose",
    "join_fault",
    "joining_routines",
    "plan_on",
    "plan_routines",
    "reserves",
]

FloatArray = npt.NDArray[np.floating]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.integer]
Told = tuple[float, float, float]
"""Value, lower and upper."""

MOST_CANDIDATES = 2000
"""Routines looked at; with more than these joining, the list is cut and what that could lose is told."""

FURTHER_CHANGE = 0.10
"""The routine to plan on brings a further change on at most this share of the days flown."""

NEEDED = 0.05
"""A routine flown on at least this share of a booking's days may be needed there."""

_NOTHING = -1
_BLOCK = 64
_GROUPS = 800
_STEPS = 120


# --- What joins -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Repertoire:
    """The figures of a season and how they join; arrays (figure,), (figure, figure) or with the airs last.

    The airs are those of the season's shows, each with a slot's length of its own.

    Attributes
    ----------
    names
        Of the figures; those of the low-ceiling show have no place.
    places
        Choices of each place, by index, the full show's first; -1 for nothing.
    crowd_value
        [1].
    seconds
        From the start of the entry to the start of the next [s].
    turns_before, turns
        Whether the link before the figure, and the figure, turn about.
    rolls_before
        Whether the link before holds a half roll.
    enters_inverted, leaves_inverted
        Attitude.
    follows
        Whether the second may follow the first by height and speed, (first, second).
    climb_seconds
        Extra climbing before the second in whole legs, (first, second, air) [s]; inf where none mends it.
    added_seconds
        What each air adds to the figure itself, (figure, air) [s].
    always
        Figures every routine has.
    never_both
        Pairs no routine has together.
    enters_rightward
        Directions that the pilot states.
    directions
        Direction in which each figure is rehearsed; those without one are flown either way.
    mends
        Whether a climb mends the energy before the second in every air, (first, second).
    """

    names: tuple[str, ...]
    places: tuple[tuple[int, ...], ...]
    crowd_value: FloatArray
    seconds: FloatArray
    turns_before: BoolArray
    turns: BoolArray
    rolls_before: BoolArray
    enters_inverted: BoolArray
    leaves_inverted: BoolArray
    follows: BoolArray
    climb_seconds: FloatArray
    added_seconds: FloatArray
    always: frozenset[int] = frozenset()
    never_both: tuple[tuple[int, int], ...] = ()
    enters_rightward: Mapping[int, bool] = field(default_factory=dict)
    directions: Mapping[int, bool] = field(init=False)
    mends: BoolArray = field(init=False)

    def __post_init__(self) -> None:
        held = [f for place in self.places for f in place if f != _NOTHING]
        if len(set(held)) != len(held) or any(place[0] == _NOTHING for place in self.places):
            raise ValueError("every place begins with the full show's figure, and no figure has two places")
        # Known figures are rehearsed in one direction: the full show's, from left to right at first where the
        # pilot states none.
        directions: dict[int, bool] = {}
        rightward = True
        for i, figure in enumerate(self.full):
            if i:
                rightward = rightward != bool(self.turns_before[figure])
            directions[figure] = rightward
            rightward = rightward != bool(self.turns[figure])
        stated = [f for f in self.full if f in self.enters_rightward]
        if stated and directions[stated[0]] != self.enters_rightward[stated[0]]:
            directions = {f: not rightward for f, rightward in directions.items()}
        object.__setattr__(self, "directions", directions | dict(self.enters_rightward))
        object.__setattr__(self, "mends", np.isfinite(self.climb_seconds).all(axis=-1))

    @property
    def full(self) -> tuple[int, ...]:
        """The full show."""
        return tuple(place[0] for place in self.places)

    def value(self, routine: Sequence[int]) -> float:
        """Crowd value of a routine."""
        return float(self.crowd_value[list(routine)].sum())

    def length(self, routine: Sequence[int]) -> FloatArray:
        """Seconds of a routine as its papers print them, with the climbs that mend its energy, (air,)."""
        order = list(routine)
        flown = self.seconds[order].sum() + self.added_seconds[order].sum(axis=0)
        return np.asarray(flown + self.climb_seconds[order[:-1], order[1:]].sum(axis=0))

    def members(self, routines: Sequence[Sequence[int]]) -> BoolArray:
        """Which figures each routine has, (routine, figure)."""
        result = np.zeros((len(routines), len(self.names)), dtype=bool)
        for i, routine in enumerate(routines):
            result[i, list(routine)] = True
        return result


def _step(rep: Repertoire, last: int, rightward: bool, figure: int) -> tuple[str, bool]:
    """Why a figure cannot follow, empty where it can; and the direction along the line after it.

    Parameters
    ----------
    last
        Figure flown before; -1 at the beginning, when the aircraft runs in upright from the side it likes.
    rightward
        Direction after `last`.
    """
    wanted = rep.directions.get(figure)
    if last == _NOTHING:
        enters = True if wanted is None else wanted
        return "", enters != bool(rep.turns[figure])
    inverted = bool(rep.leaves_inverted[last]) != bool(rep.rolls_before[figure])
    if inverted != bool(rep.enters_inverted[figure]):
        return "attitude", rightward
    enters = rightward != bool(rep.turns_before[figure])
    if wanted is not None and enters != wanted:
        return "direction", rightward
    if not rep.follows[last, figure]:
        return "height and speed", rightward
    if not rep.mends[last, figure]:
        return "energy", rightward
    return "", enters != bool(rep.turns[figure])


def join_fault(
    rep: Repertoire, routine: Sequence[int], *, longest: npt.ArrayLike, shortest: float = 0.0
) -> str:
    """Why a routine cannot be flown as one, in a few words; empty where it can.

    Parameters
    ----------
    rep
        The repertoire.
    routine
        Figures in order, at most one a place.
    longest, shortest
        Bounds on the routine's length: as flown in each air, one or (air,), and as planned [s].
    """
    if not routine:
        return "no figure is left"
    missing = rep.always - set(routine)
    if missing:
        return f"{rep.names[min(missing)]} must be in every routine"
    for a, b in rep.never_both:
        if a in routine and b in routine:
            return f"{rep.names[a]} and {rep.names[b]} are never flown together"
    last, rightward = _NOTHING, True
    for figure in routine:
        fault, rightward = _step(rep, last, rightward, figure)
        if fault:
            return f"{rep.names[figure]} does not join {rep.names[last]} by {fault}"
        last = figure
    most = np.asarray(longest, dtype=float)
    over = rep.length(routine) - most
    if (worst := int(np.argmax(over))) >= 0 and over[worst] > 1e-9:
        held = float(np.broadcast_to(most, over.shape)[worst])
        return f"it takes {held + float(over[worst]):.0f} s, longer than {held:.0f} s"
    if (planned := float(rep.seconds[list(routine)].sum())) < shortest - 1e-9:
        return f"it takes {planned:.0f} s where no climb is needed, shorter than {shortest:.0f} s"
    return ""


def _open_choices(rep: Repertoire) -> list[tuple[int, ...]]:
    """Choices of each place that the pins leave."""
    return [tuple(f for f in place if f in rep.always) or place for place in rep.places]


def joining_routines(
    rep: Repertoire, *, longest: npt.ArrayLike, shortest: float = 0.0, most: int | None = None
) -> list[tuple[int, ...]] | None:
    """Every routine that joins, the full show first, then by falling crowd value.

    Parameters
    ----------
    rep
        The repertoire.
    longest, shortest
        Bounds on a routine's length as in `join_fault` [s]; the full show is listed whatever it takes.
    most
        Give up when there are so many beside the full show.

    Returns
    -------
    list or None
        None where there are as many as `most`, or more.
    """
    places = _open_choices(rep)
    # Ends that cannot be reached are cut at the root: (last, direction) from which the rest still joins.
    alive = _alive(rep, places)
    full = rep.full
    found: list[tuple[int, ...]] = []
    # On the way a routine is held against the air in which the full show is most over; at its end, all.
    bounds = np.broadcast_to(np.asarray(longest, dtype=float), rep.added_seconds.shape[1:])
    tight = int(np.argmax(np.nan_to_num(rep.length(full) - bounds)))
    bound = float(bounds[tight])
    flown, climbs = rep.seconds + rep.added_seconds[:, tight], rep.climb_seconds[:, :, tight]

    def walk(i: int, routine: tuple[int, ...], rightward: bool, seconds: float) -> Iterator[tuple[int, ...]]:
        last = routine[-1] if routine else _NOTHING
        if (last, rightward) not in alive[i] or seconds > bound + 1e-9:
            return
        if i == len(places):
            planned = float(rep.seconds[list(routine)].sum())
            if (
                routine
                and routine != full
                and planned >= shortest - 1e-9
                and np.all(rep.length(routine) <= bounds + 1e-9)
            ):
                yield routine
            return
        for figure in places[i]:
            if figure == _NOTHING:
                yield from walk(i + 1, routine, rightward, seconds)
                continue
            if any(
                (a == figure and b in routine) or (b == figure and a in routine) for a, b in rep.never_both
            ):
                continue
            fault, after = _step(rep, last, rightward, figure)
            if not fault:
                extra = 0.0 if last == _NOTHING else float(climbs[last, figure])
                yield from walk(i + 1, (*routine, figure), after, seconds + float(flown[figure]) + extra)

    for routine in walk(0, (), True, 0.0):
        found.append(routine)
        if most is not None and len(found) >= most:
            return None
    return [full, *sorted(found, key=lambda r: (-rep.value(r), r))]


def _alive(rep: Repertoire, places: Sequence[tuple[int, ...]]) -> list[set[tuple[int, bool]]]:
    """For each number of places done, the states (last figure, direction) from which the rest joins."""
    figures = [_NOTHING, *(f for place in places for f in place if f != _NOTHING)]
    every = [(last, way) for last in figures for way in (False, True)]
    alive = [set(every)]
    for place in reversed(places):
        after = alive[0]
        states = set()
        for last, way in every:
            for figure in place:
                if figure == _NOTHING:
                    reached = (last, way)
                else:
                    fault, then = _step(rep, last, way, figure)
                    if fault:
                        continue
                    reached = (figure, then)
                if reached in after:
                    states.add((last, way))
                    break
        alive.insert(0, states)
    return alive


# --- Chances of many routines -----------------------------------------------------------------------


class ManyRoutines:
    """Chance that nothing of a routine must be changed, for many routines over the same hours.

    The same tied chance as `RoutineChance`, on one grid for all: a routine's logarithms are sums over its
    figures, so that a thousand routines are one matrix product a cause. Exact for rough air, within 1e-4
    for the others.

    Parameters
    ----------
    curves
        Limits of all figures.
    correlation
        Tie between figures within a cause.
    """

    _DRIVERS: ClassVar[dict[str, str]] = {
        "density_altitude": "density_altitude",
        "wind_across": "wind_toward_crowd",
        "wind_along": "wind_along_line",
    }
    _POINTS = 513

    def __init__(self, curves: Curves, *, correlation: float = ROUTINE_CORRELATION) -> None:
        self.curves = curves
        self.correlation = correlation
        # Even nodes no farther apart than a judgement is wide, out to seven deviations: the trapezoidal rule
        # is then good to 1e-8.
        width = np.sqrt((1.0 - correlation) / correlation) if 0.0 < correlation < 1.0 else 1.0
        count = int(np.ceil(7.0 / min(0.5, width)))
        self._nodes = np.linspace(-7.0, 7.0, 2 * count + 1)
        mass = np.exp(-0.5 * self._nodes**2)
        self._mass = (mass / mass.sum()).astype(np.float32)
        self._lines = {c: line for c in self._DRIVERS if (line := self._line(c)) is not None}
        self._rough = self._rough_table()

    def _held(self, cause: str) -> dict[str, BoolArray]:
        held = {
            name: ~np.isnan(self.curves.limit[name])
            for name, owner in CONDITIONS.items()
            if owner == cause and name in self.curves.limit
        }
        return {name: figures for name, figures in held.items() if figures.any()}

    def _condition(self, point: Mapping[str, FloatArray], cause: str) -> FloatArray:
        """Worst standardised condition of each figure over a cause's points; -inf without a limit."""
        shape = next(iter(point.values())).shape
        worst = np.full((len(self.curves.names), *shape), -np.inf)
        for name in self._held(cause):
            for f in np.flatnonzero(~np.isnan(self.curves.limit[name])):
                z = standardised(point[name], self.curves.comfortable[name][f], self.curves.limit[name][f])
                worst[f] = np.maximum(worst[f], z)
        return worst

    def _logarithms(self, condition: FloatArray) -> FloatArray:
        """Logarithm of "no change" of each figure given the common factor, (figure, node * point)."""
        from scipy.special import log_ndtr, ndtri

        with np.errstate(over="ignore"):
            chance = 1.0 / (1.0 + np.exp(-LOGIT_19 * condition))
        points = condition.reshape(condition.shape[0], 1, -1)
        chance = chance.reshape(points.shape)
        if self.correlation <= 0.0:
            # Independent judgements need no common factor: one node carries the whole.
            with np.errstate(divide="ignore"):
                # Finite, so that a figure that is certainly out leaves the routines without it alone.
                held = np.maximum(np.log1p(-chance), -80.0)
            return np.asarray(held.reshape(len(held), -1), dtype=np.float32)
        if self.correlation >= 1.0:
            return np.zeros((0, 0), dtype=np.float32)  # the most demanding figure alone decides
        threshold = np.minimum(ndtri(1.0 - np.clip(chance, 0.0, 1.0 - 1e-16)), 38.0)
        root, rest = np.sqrt(self.correlation), np.sqrt(1.0 - self.correlation)
        held = log_ndtr((threshold - root * self._nodes[None, :, None]) / rest)
        held = np.where(np.isneginf(points), 0.0, np.maximum(held, -80.0))
        return np.asarray(held.reshape(len(held), -1), dtype=np.float32)

    def _line(self, cause: str) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        held = self._held(cause)
        if not held:
            return None
        comfortable, limit = self.curves.comfortable, self.curves.limit
        top = max(float(np.max(limit[n][figures])) for n, figures in held.items())
        # Five half-widths below the middle of its two numbers a figure's chance is 4e-7.
        low = min(
            float(np.min((0.5 * (comfortable[n] + limit[n]) - 2.5 * (limit[n] - comfortable[n]))[figures]))
            for n, figures in held.items()
        )
        bottom = 0.0 if cause == "wind_along" else -top if "wind_across_line" in held else low
        grid = np.linspace(bottom, top, self._POINTS)
        condition = self._condition({self._DRIVERS[cause]: grid, "wind_across_line": np.abs(grid)}, cause)
        return grid, condition, self._logarithms(condition)

    def _rough_table(self) -> tuple[tuple[int, int], FloatArray, FloatArray] | None:
        held = self._held("rough_air")
        if not held:
            return None
        sizes = []
        for name in ("gust", "gust_spread"):
            last = float(np.max(self.curves.limit[name][held[name]])) if name in held else 0.0
            sizes.append(int(np.ceil(last / KT - 1e-9)) + 1)
        gust, spread = np.meshgrid(np.arange(sizes[0]) * KT, np.arange(sizes[1]) * KT, indexing="ij")
        condition = self._condition({"gust": gust.ravel(), "gust_spread": spread.ravel()}, "rough_air")
        return (sizes[0], sizes[1]), condition, self._logarithms(condition)

    def _no_change(self, members: BoolArray, logarithms: FloatArray, condition: FloatArray) -> FloatArray:
        """Chance of no change over a table's points, (routine, point)."""
        chosen = members.astype(np.float32)
        points = condition.shape[1]
        if self.correlation >= 1.0:
            worst = np.where(members[:, :, None], condition[None], -np.inf).max(axis=1)
            with np.errstate(over="ignore"):
                return np.asarray(1.0 / (1.0 + np.exp(LOGIT_19 * worst)), dtype=np.float32)
        summed = np.exp(chosen @ logarithms)
        if self.correlation <= 0.0:
            return np.asarray(summed)
        return np.asarray(np.einsum("rnp,n->rp", summed.reshape(len(members), -1, points), self._mass))

    def __call__(self, members: BoolArray, conditions: Mapping[str, FloatArray]) -> FloatArray:
        """Chance that nothing must be changed, (routine, hour), single precision; NaN where not known.

        Parameters
        ----------
        members
            Figures of each routine, (routine, figure).
        conditions
            As for `limits.figure_chances`, (hour,); gust and spread in whole knots.
        """
        n, hours = len(members), np.shape(conditions["density_altitude"])[0]
        result = np.ones((n, hours), dtype=np.float32)
        for cause, (grid, condition, logarithms) in self._lines.items():
            x = np.asarray(conditions[self._DRIVERS[cause]], dtype=np.float32)
            position = np.clip((x - grid[0]) * ((grid.size - 1) / (grid[-1] - grid[0])), 0.0, grid.size - 1)
            position = np.nan_to_num(position)
            cell = np.minimum(position.astype(np.intp), grid.size - 2)
            share = (position - cell).astype(np.float32)
            held = self._held(cause)
            unknown = np.isnan(x)
            for at in range(0, n, _BLOCK):
                rows = members[at : at + _BLOCK]
                table = self._no_change(rows, logarithms, condition)
                step = np.diff(table, axis=1)
                chance = np.take(table, cell, axis=1) + np.take(step, cell, axis=1) * share
                for name, figures in held.items():
                    limit = np.where(rows & figures, self.curves.limit[name], np.inf).min(axis=1)
                    value = np.abs(x) if name == "wind_across_line" else x
                    chance[value[None, :] >= limit.astype(np.float32)[:, None]] = 0.0
                chance[:, unknown] = np.nan
                result[at : at + _BLOCK] *= chance
        if self.curves.two_amber_is_red:
            red = figures_with_two_ambers(conditions, self.curves).any(axis=1).astype(np.float32)
            for at in range(0, n, _BLOCK):
                result[at : at + _BLOCK] *= members[at : at + _BLOCK].astype(np.float32) @ red == 0
        if self._rough is None:
            return result
        (_, columns), condition, logarithms = self._rough
        sizes = self._rough[0]
        held = self._held("rough_air")
        index = np.zeros(hours, dtype=np.intp)
        unknown = np.zeros(hours, dtype=bool)
        for name, size, stride in (("gust", sizes[0], columns), ("gust_spread", sizes[1], 1)):
            if name in held:
                x = np.asarray(conditions[name])
                unknown |= np.isnan(x)
                knots = np.minimum(np.nan_to_num(x) / KT + 0.5, size - 1)
                index += stride * knots.astype(np.intp)
        for at in range(0, n, _BLOCK):
            rows = members[at : at + _BLOCK]
            table = self._no_change(rows, logarithms, condition)
            certain = rows.astype(np.float32) @ (condition >= 1.0 - 1e-9).astype(np.float32) > 0
            table = np.where(certain, 0.0, table).astype(np.float32)
            chance = np.take(table, index, axis=1)
            chance[:, unknown] = np.nan
            result[at : at + _BLOCK] *= chance
        return result


# --- Choosing together ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Choice:
    """A set of routines.

    Attributes
    ----------
    members
        Rows chosen, in order; fewer than allowed where another adds nothing.
    value
        Sum over hours of the best chosen gain.
    bound
        No set of the rows gives more; equal to `value` when the choice is proved best.
    """

    members: tuple[int, ...]
    value: float
    bound: float


def choose(gain: FloatArray, most: int, *, nodes: int = 4000) -> Choice:
    """Choose at most `most` rows so that the sum over columns of the largest chosen entry is greatest.

    Parameters
    ----------
    gain
        (routine, hour), zero or above; quickest where neighbouring hours are alike.
    most
        Greatest number of rows.
    nodes
        Branches looked at before the bound is returned instead of the proof.

    Raises
    ------
    ValueError
        For a gain that is missing or negative.
    """
    gain = np.asarray(gain)
    if gain.size and not np.all(gain >= 0):
        raise ValueError("gains must be zero or above, and none missing")
    if most <= 0 or gain.size == 0:
        return Choice((), 0.0, 0.0)
    if most == 1:
        row = int(np.argmax(gain.sum(axis=1, dtype=float)))
        value = _total(gain, [row])
        return Choice((row,) if value > 0 else (), value, value)
    dual = np.zeros(gain.shape[1], dtype=gain.dtype)
    if gain.shape[1] <= 4 * _GROUPS:
        members, value = _interchange(gain, most)
        slack = 1e-7 * max(value, 1e-300)
    else:
        # Any set is a start and any dual bounds; good ones are found quickly on hours taken together.
        starts = np.linspace(0, gain.shape[1], _GROUPS, endpoint=False).astype(int)
        together = np.add.reduceat(gain, starts, axis=1)
        members, target = _interchange(together, most)
        value = _total(gain, members)
        slack = 1e-7 * max(value, 1e-300)
        _, of_groups, _ = _ascend(together, most, target, slack, np.zeros(_GROUPS, dtype=gain.dtype))
        held = gain[list(members)].max(axis=0) if members else dual
        sums = np.add.reduceat(held, starts)
        sizes = np.diff(np.append(starts, gain.shape[1]))
        share = np.where(sums > 0, of_groups / np.where(sums > 0, sums, 1.0), 0.0)
        dual = (held * np.repeat(share, sizes)).astype(gain.dtype)
    bound, dual, active = _ascend(gain, most, value, slack, dual)
    if bound <= value + slack:
        return Choice(members, value, value)
    return _branch(gain, active, most, members, value, bound, dual, slack, nodes)


def _ascend(
    gain: FloatArray, most: int, value: float, slack: float, dual: FloatArray
) -> tuple[float, FloatArray, npt.NDArray[np.integer]]:
    """Lower the Lagrangian bound by subgradient steps, dropping rows that no better set can have.

    Parameters
    ----------
    gain, most
        As in `choose`.
    value
        Of the best set known.
    slack
        Differences below it do not count.
    dual
        To start from, (hour,), zero or above.

    Returns
    -------
    bound, dual, active
        The least bound, its dual, and the rows that are left.
    """
    best_dual, bound, active = dual, np.inf, np.arange(len(gain))
    rows, pace, stale = gain, 1.0, 0
    for _ in range(_STEPS):
        above = rows - dual
        np.maximum(above, 0.0, out=above)
        worth = above.sum(axis=1, dtype=float)
        order = np.argsort(-worth, kind="stable")[:most]
        price = float(dual.sum(dtype=float))
        now = price + float(worth[order].sum())
        if now < bound:
            bound, best_dual, stale = now, dual, 0
        else:
            stale += 1
            if stale >= 5:
                pace, stale = 0.5 * pace, 0
        if bound <= value + slack or pace < 1e-2:
            break
        slope = 1.0 - (above[order] > 0).sum(axis=0)
        # Where the dual is at its floor it cannot fall.
        slope[(dual <= 0) & (slope > 0)] = 0.0
        norm = float(slope @ slope)
        if norm == 0.0:
            break
        # With such a row in it no set reaches more than what is held already: it goes.
        keep = price + worth + worth[order[: most - 1]].sum() >= value + slack
        keep[order] = True
        if keep.sum() < 0.8 * keep.size:
            active, rows = active[keep], rows[keep]
        dual = np.maximum(dual - (pace * (now - value) / norm * slope).astype(gain.dtype), 0.0)
    return float(bound), best_dual, active


def _total(gain: FloatArray, members: Sequence[int]) -> float:
    return float(gain[list(members)].max(axis=0).sum(dtype=float)) if members else 0.0


def _interchange(gain: FloatArray, most: int) -> tuple[tuple[int, ...], float]:
    """A good set to start from: one after the other, then exchanges while they help."""
    members: list[int] = []
    held = np.zeros(gain.shape[1], dtype=gain.dtype)
    value = 0.0
    for _ in range(most):
        totals = np.maximum(gain, held).sum(axis=1, dtype=float)
        new = int(np.argmax(totals))
        if totals[new] <= value * (1.0 + 1e-9):
            break
        members.append(new)
        held, value = np.maximum(held, gain[new]), float(totals[new])
    better = len(members) > 1
    while better:
        better = False
        for i in range(len(members)):
            rest = gain[[m for j, m in enumerate(members) if j != i]].max(axis=0)
            totals = np.maximum(gain, rest).sum(axis=1, dtype=float)
            new = int(np.argmax(totals))
            if totals[new] > value * (1.0 + 1e-9):
                members[i], value, better = new, float(totals[new]), True
    return tuple(sorted(members)), _total(gain, members)


def _branch(
    gain: FloatArray,
    active: npt.NDArray[np.integer],
    most: int,
    members: tuple[int, ...],
    value: float,
    bound: float,
    dual: FloatArray,
    slack: float,
    nodes: int,
) -> Choice:
    """Branch and bound over the rows that are left."""
    rows = gain[active]
    above = np.maximum(rows - dual, 0.0).sum(axis=1, dtype=float)
    order = np.argsort(-above, kind="stable")
    rows, above, names = rows[order], above[order], active[order]
    floor = float(dual.sum(dtype=float))
    best, best_members = value, members
    looked, unproved = 0, False

    def descend(first: int, held: FloatArray, total: float, chosen: tuple[int, ...], worth: float) -> None:
        nonlocal best, best_members, looked, unproved
        if total > best + slack:
            best, best_members = total, tuple(sorted(int(names[i]) for i in chosen))
        left = most - len(chosen)
        if left == 0 or first >= len(rows):
            return
        looked += 1
        if looked > nodes:
            unproved = True
            return
        added = np.maximum(rows[first:] - held, 0.0).sum(axis=1, dtype=float)
        if left == 1:
            last = int(np.argmax(added))
            if total + added[last] > best + slack:
                best = total + float(added[last])
                best_members = tuple(sorted(int(names[i]) for i in (*chosen, first + last)))
            return
        for i in range(first, len(rows)):
            # Gains only shrink as a set grows, and the dual bounds what any set can have.
            later = added[i - first + 1 :]
            rest = float(np.sort(later)[-(left - 1) :].sum()) if later.size else 0.0
            by_dual = floor + worth + float(above[i : i + left].sum())
            if by_dual <= best + slack:
                return
            if total + added[i - first] + rest <= best + slack:
                continue
            descend(
                i + 1,
                np.maximum(held, rows[i]),
                total + float(added[i - first]),
                (*chosen, i),
                worth + float(above[i]),
            )

    descend(0, np.zeros(gain.shape[1], dtype=gain.dtype), 0.0, (), 0.0)
    return Choice(best_members, best, max(bound, best) if unproved else best)


# --- The season's routines --------------------------------------------------------------------------


@dataclass(frozen=True)
class ShowHours:
    """Sampled show hours of the whole season, arrays (hour,).

    Attributes
    ----------
    conditions
        As for `limits.figure_chances`.
    weight
        What the hour counts; they need not sum to 1.
    flies
        Chance that the act flies by its own minima.
    flies_low
        The same by the minima of the low-ceiling show; nothing in hours that are not its own.
    year, booking_day
        Of which past year, and for which booking day, each was drawn: numbers from 0. Without them what the
        hours give has no intervals.
    """

    conditions: Mapping[str, FloatArray]
    weight: FloatArray
    flies: FloatArray
    flies_low: FloatArray
    year: IntArray | None = None
    booking_day: IntArray | None = None

    def take(self, kept: npt.NDArray[np.generic]) -> ShowHours:
        """Some of the hours."""
        return ShowHours(
            {k: v[kept] for k, v in self.conditions.items()},
            self.weight[kept],
            self.flies[kept],
            self.flies_low[kept],
            None if self.year is None else self.year[kept],
            None if self.booking_day is None else self.booking_day[kept],
        )


@dataclass(frozen=True)
class Rehearsed:
    """What a number of routines gives the season; intervals are of 90 %, NaN without years to tell them.

    They hold what the sampled years differ by, of all bookings together, and not what is unknown of the
    pilot's limits or of the trend.

    Attributes
    ----------
    routines
        The full show, and the composed ones that give most.
    value
        Expected crowd value a show: value, lower, upper.
    further_change
        Share of the days flown that bring a further change: value, lower, upper.
    gain, further_change_gain
        Crowd value a show, and share of the days flown with a further change, over those of as many routines
        as were asked for, on the same years: value, lower, upper.
    """

    routines: tuple[tuple[int, ...], ...]
    value: Told
    further_change: Told
    gain: Told
    further_change_gain: Told


@dataclass(frozen=True)
class RoutinePlan:
    """The routines chosen, and what one more or one fewer would give.

    Attributes
    ----------
    labels
        Of the routines in `routines`: full, thin-air, rough-air, crosswind ...
    routines
        Figures of each in order, the full show first; the low-ceiling show is not among them.
    candidates
        Routines that were compared, the full show among them.
    complete
        Whether those are all that join.
    value, bound
        Expected crowd value a show with these routines, and a value that no other set exceeds.
    frontier
        For each number of routines from 1 (the full show alone) to one more than asked.
    """

    labels: tuple[str, ...]
    routines: tuple[tuple[int, ...], ...]
    candidates: int
    complete: bool
    value: float
    bound: float
    frontier: tuple[Rehearsed, ...]

    @property
    def could_lose(self) -> float:
        """Greatest expected crowd value a show that another set could add; 0 where the choice is proved."""
        return self.bound - self.value


def best_alone(
    rep: Repertoire, chance: FloatArray, *, levels: Sequence[float] = ()
) -> tuple[FloatArray, list[tuple[int, ...]]]:
    """Bound on what the best routine for each hour alone is worth, and routines that come near it.

    A routine whose most demanding figure must be changed with chance p is flown unchanged with at most
    1 - p. So for each level of p the most valuable joining routine of figures below it bounds what any
    routine up to it is worth.

    Parameters
    ----------
    rep
        The repertoire. Lengths and pairs never flown together are left aside, which only raises the bound.
    chance
        That each figure must be changed for any cause, (figure, hour).
    levels
        Rising, ending in 1.

    Returns
    -------
    bound
        (hour,).
    routines
        The most valuable routines met on the way; none where no routine joins, as pins can bring about.
    """
    levels = levels or (0.005, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.18, 0.25, 0.35, 0.5, 0.7, 1.0)
    places = _open_choices(rep)
    hours = chance.shape[1]
    bound = np.zeros(hours)
    met: dict[tuple[int, ...], None] = {}
    below = 0.0
    for level in levels:
        usable = chance <= level
        states: dict[tuple[int, bool], FloatArray] = {(_NOTHING, True): np.zeros(hours)}
        back: list[dict[tuple[int, bool], tuple[list[tuple[int, bool]], npt.NDArray[np.integer]]]] = []
        for place in places:
            ways: dict[tuple[int, bool], list[tuple[tuple[int, bool], FloatArray]]] = {}
            for (last, way), held in states.items():
                for figure in place:
                    if figure == _NOTHING:
                        ways.setdefault((last, way), []).append(((last, way), held))
                        continue
                    fault, then = _step(rep, last, way, figure)
                    if not fault:
                        worth = np.where(usable[figure], held + rep.crowd_value[figure], -np.inf)
                        ways.setdefault((figure, then), []).append(((last, way), worth))
            states, link = {}, {}
            for state, coming in ways.items():
                stack = np.stack([worth for _, worth in coming])
                best = np.argmax(stack, axis=0)
                states[state] = np.take_along_axis(stack, best[None], 0)[0]
                link[state] = ([source for source, _ in coming], best)
            back.append(link)
        if not states:
            return bound, []
        names = list(states)
        ends = np.stack([states[s] for s in names])
        which = np.argmax(ends, axis=0)
        value = ends.max(axis=0)
        bound = np.maximum(bound, np.where(np.isfinite(value), value, 0.0) * (1.0 - below))
        for hour in np.linspace(0, hours - 1, min(hours, 200)).astype(int):
            if not np.isfinite(value[hour]):
                continue
            state, routine = names[which[hour]], []
            for link in reversed(back):
                sources, best = link[state]
                source = sources[best[hour]]
                if source[0] != state[0]:
                    routine.append(state[0])
                state = source
            met.setdefault(tuple(reversed(routine)))
        below = level
    return bound, list(met)


def _neighbours(rep: Repertoire, routine: Sequence[int]) -> Iterator[tuple[int, ...]]:
    """Routines that differ from one in one place, or in two of them, nearest first."""
    places = _open_choices(rep)
    held = [next((f for f in place if f in routine), _NOTHING) for place in places]

    def built(choices: list[int]) -> tuple[int, ...]:
        return tuple(f for f in choices if f != _NOTHING)

    for i, place in enumerate(places):
        for figure in place:
            if figure != held[i]:
                yield built([*held[:i], figure, *held[i + 1 :]])
    for i, first in enumerate(places):
        for j in range(i + 1, len(places)):
            for a in first:
                for b in places[j]:
                    if a != held[i] and b != held[j]:
                        changed = list(held)
                        changed[i], changed[j] = a, b
                        yield built(changed)


def _cut_list(
    rep: Repertoire, seeds: Sequence[tuple[int, ...]], most: int, *, longest: npt.ArrayLike, shortest: float
) -> list[tuple[int, ...]]:
    """A list of at most `most` joining routines around the seeds, the full show first."""
    kept: dict[tuple[int, ...], None] = {rep.full: None}
    for routine in seeds:
        if len(kept) < most and not join_fault(rep, routine, longest=longest, shortest=shortest):
            kept.setdefault(routine)
    for routine in list(kept):
        for near in _neighbours(rep, routine):
            if len(kept) >= most:
                break
            if near not in kept and not join_fault(rep, near, longest=longest, shortest=shortest):
                kept.setdefault(near)
    head, *rest = kept
    return [head, *sorted(rest, key=lambda r: (-rep.value(r), r))]


def plan_routines(
    rep: Repertoire,
    curves: Curves,
    hours: ShowHours,
    *,
    rehearse: int,
    longest: npt.ArrayLike,
    shortest: float = 0.0,
    low_ceiling: Sequence[int] | None = None,
    correlation: float = ROUTINE_CORRELATION,
    most: int = MOST_CANDIDATES,
) -> RoutinePlan:
    """Choose the season's routines.

    Parameters
    ----------
    rep
        Places and what joins.
    curves
        Limits of the same figures.
    hours
        Sampled show hours of all bookings; hours in which something is not known are left out.
    rehearse
        Number of routines, the full show among them.
    longest, shortest
        Bounds on a composed routine's length as in `join_fault` [s].
    low_ceiling
        Figures of the low-ceiling show; it is rehearsed beside the others.
    correlation
        Tie between figures within a cause.
    most
        See `MOST_CANDIDATES`.
    """
    many = ManyRoutines(curves, correlation=correlation)
    fixed = rep.members([rep.full, tuple(low_ceiling or ())])
    unchanged = many(fixed, hours.conditions)
    known = np.isfinite(unchanged).all(axis=0) & np.isfinite(hours.weight)
    known &= np.isfinite(hours.flies) & np.isfinite(hours.flies_low)
    hours, unchanged = hours.take(known), unchanged[:, known]
    weight = hours.weight / max(float(hours.weight.sum()), 1e-300)
    full_value = rep.value(rep.full)
    full = full_value * unchanged[0] * hours.flies
    low: FloatArray = np.zeros_like(full)
    if low_ceiling:
        low = float(rep.crowd_value[list(low_ceiling)].sum()) * unchanged[1] * hours.flies_low
    base = np.maximum(full, low)

    listed = joining_routines(rep, longest=longest, shortest=shortest, most=most)
    complete = listed is not None
    greatest = (
        _greatest_value(rep) if listed is None else max((rep.value(r) for r in listed[1:]), default=0.0)
    )
    # Hours in which nothing can beat what is flown already count the same for every set.
    open_hours = (greatest * hours.flies > base) & (weight > 0)
    _, chance = figure_chances(hours.take(open_hours).conditions, curves)
    alone, seeds = best_alone(rep, chance)
    if listed is None:
        listed = _cut_list(rep, seeds, most, longest=longest, shortest=shortest)
    better = alone * hours.flies[open_hours] > base[open_hours]
    open_hours[open_hours] = better
    kept = np.flatnonzero(open_hours)
    # Hours that are alike stand together.
    by_air = np.argsort(hours.conditions["density_altitude"][kept], kind="stable")
    alone, kept = alone[better][by_air], kept[by_air]
    there, there_base, there_weight = hours.take(kept), base[kept], weight[kept]

    gains = np.zeros((len(listed) - 1, kept.size), dtype=np.float32)
    for at in range(1, len(listed), 256):
        rows = rep.members(listed[at : at + 256])
        values = np.array([rep.value(r) for r in listed[at : at + 256]], dtype=np.float32)
        worth = values[:, None] * many(rows, there.conditions) * there.flies.astype(np.float32)
        worth -= there_base.astype(np.float32)
        gains[at - 1 : at - 1 + len(rows)] = there_weight.astype(np.float32) * np.maximum(worth, 0.0)
    start = float(weight @ base)
    best_of_all = start + float((there_weight * (alone * there.flies - there_base)).sum())
    sets: list[tuple[tuple[tuple[int, ...], ...], float]] = []
    picked: tuple[tuple[int, ...], ...] = ()
    bound = start
    for count in range(1, rehearse + 2):
        choice = choose(gains, count - 1)
        routines = (rep.full, *(listed[i + 1] for i in choice.members))
        sets.append((routines, start + choice.value))
        if count == rehearse:
            picked = routines
            # The full show alone is the only set of one.
            every = complete or rehearse == 1
            bound = start + choice.bound if every else max(best_of_all, start + choice.bound)
    value = sets[rehearse - 1][1]
    labels, ordered = _labelled(rep, curves, many, hours, weight, picked, base, correlation)
    return RoutinePlan(
        labels=labels,
        routines=ordered,
        candidates=len(listed),
        complete=complete,
        value=value,
        bound=bound,
        frontier=_frontier(rep, many, hours, weight, sets, low, unchanged[1], rehearse - 1),
    )


def _greatest_value(rep: Repertoire) -> float:
    """Crowd value of the richest choice at every place, joining or not."""
    return sum(
        max(0.0 if f == _NOTHING else float(rep.crowd_value[f]) for f in place)
        for place in _open_choices(rep)
    )


def _frontier(
    rep: Repertoire,
    many: ManyRoutines,
    hours: ShowHours,
    weight: FloatArray,
    sets: Sequence[tuple[tuple[tuple[int, ...], ...], float]],
    low: FloatArray,
    low_unchanged: FloatArray,
    asked: int,
) -> tuple[Rehearsed, ...]:
    """What each set of routines gives, with intervals; the one at `asked` is what the gains are over."""
    found = []
    for routines, value in sets:
        worth, flies, changes = _flown_by(rep, many, hours, routines, low, low_unchanged)
        total = float(weight @ flies)
        share = float(weight @ changes) / total if total > 0 else float("nan")
        # A ratio of two sums moves with its residuals (Cochran, Sampling Techniques, 3rd ed., section 6.4).
        by_share = _per_year(hours, weight, (changes - share * flies) / total if total > 0 else flies)
        found.append((routines, value, _per_year(hours, weight, worth), share, by_share))
    _, base, base_by_year, base_share, base_by_share = found[asked]
    told = []
    for routines, value, by_year, share, by_share in found:
        _, least, most = _within(value, by_year)
        _, low_share, high_share = _within(share, by_share)
        told.append(
            Rehearsed(
                routines,
                # Neither is below nothing; a share is not above all.
                (value, float(np.maximum(least, 0.0)), most),
                (share, float(np.maximum(low_share, 0.0)), float(np.minimum(high_share, 1.0))),
                _within(value - base, by_year - base_by_year),
                _within(share - base_share, by_share - base_by_share),
            )
        )
    return tuple(told)


def _flown_by(
    rep: Repertoire,
    many: ManyRoutines,
    hours: ShowHours,
    routines: Sequence[Sequence[int]],
    low: FloatArray,
    low_unchanged: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What each hour is worth, that it is flown, and that the routine flown is changed further, (hour,)."""
    unchanged = many(rep.members(routines), hours.conditions)
    value = np.array([rep.value(r) for r in routines])[:, None] * unchanged * hours.flies
    value = np.concatenate([value, low[None]])
    unchanged = np.concatenate([unchanged, low_unchanged[None]])
    flies = np.concatenate([np.broadcast_to(hours.flies, (len(routines), low.size)), hours.flies_low[None]])
    flown = np.argmax(value, axis=0)[None]
    worth = value.max(axis=0)
    flies = np.where(worth <= 0, 0.0, np.take_along_axis(flies, flown, 0)[0])
    kept = np.take_along_axis(unchanged, flown, 0)[0]
    return worth, flies, flies * (1.0 - kept)


def _per_year(hours: ShowHours, weight: FloatArray, value: FloatArray) -> FloatArray:
    """What each past year adds to the weighted sum of a value over all its booking days alike, (year,).

    A dry summer is dry at every field: the years are drawn, the booking days are given.
    """
    if hours.year is None or hours.booking_day is None or not weight.any():
        return np.zeros(0)
    shape = int(hours.booking_day.max()) + 1, int(hours.year.max()) + 1
    at = np.ravel_multi_index((hours.booking_day, hours.year), shape)
    total, held = (
        np.bincount(at, w, minlength=shape[0] * shape[1]).reshape(shape) for w in (weight * value, weight)
    )
    there = held > 0
    n = there.sum(axis=1)
    if n[n > 0].min() < FEWEST_YEARS:
        return np.zeros(0)
    mean = total.sum(axis=1) / np.maximum(held.sum(axis=1), 1e-300)
    each = (total - held * mean[:, None]) * np.sqrt(n / np.maximum(n - 1.0, 1.0))[:, None]
    return np.asarray(each.sum(axis=0)[there.any(axis=0)])


def _within(value: float, by_year: FloatArray) -> Told:
    """A sum with its interval, by Student's t over its years; NaN without years."""
    from scipy.special import stdtrit

    if not by_year.size:
        return value, float("nan"), float("nan")
    reach = float(stdtrit(by_year.size - 1.0, 0.5 + INTERVAL_LEVEL / 2.0) * np.sqrt((by_year**2).sum()))
    return value, value - reach, value + reach


_LABELS = {
    "density_altitude": "thin-air",
    "rough_air": "rough-air",
    "wind_across": "crosswind",
    "wind_along": "wind-along",
}


def _labelled(
    rep: Repertoire,
    curves: Curves,
    many: ManyRoutines,
    hours: ShowHours,
    weight: FloatArray,
    routines: Sequence[tuple[int, ...]],
    base: FloatArray,
    correlation: float,
) -> tuple[tuple[str, ...], tuple[tuple[int, ...], ...]]:
    """Name each composed routine by what bites the full show in the hours in which it is flown instead."""
    if len(routines) == 1:
        return ("full",), tuple(routines)
    value = np.array([rep.value(r) for r in routines[1:]])[:, None] * many(
        rep.members(routines[1:]), hours.conditions
    )
    value = np.concatenate([base[None], value * hours.flies])
    flown = np.argmax(value, axis=0)
    by_cause = RoutineChance(curves.take(list(rep.full)), correlation=correlation).by_cause(hours.conditions)
    rows = []
    for i, routine in enumerate(routines[1:], start=1):
        share = weight * (flown == i)
        bites = by_cause @ share
        rows.append((float(share.sum()), _LABELS[CAUSES[int(np.argmax(bites))]], routine))
    rows.sort(key=lambda row: (-row[0], row[2]))
    plain = [label for _, label, _ in rows]
    labels = ["full"]
    for i, label in enumerate(plain):
        letter = f" {chr(ord('A') + plain[:i].count(label))}" if plain.count(label) > 1 else ""
        labels.append(label + letter)
    return tuple(labels), (routines[0], *(routine for *_, routine in rows))


# --- What a booking plans on ------------------------------------------------------------------------


def plan_on(
    expected_value: FloatArray, changed: FloatArray, *, at_most: float = FURTHER_CHANGE
) -> tuple[int, bool]:
    """Which routine to plan on, and whether it keeps a further change to the share allowed.

    Parameters
    ----------
    expected_value
        Crowd value times the chance that it is flown as it is, (routine,).
    changed
        Chance that something of it must be changed when the act flies, (routine,).
    at_most
        Share allowed.

    Returns
    -------
    routine, kept
        Where none keeps to the share, the one with the least chance; -1 where nothing is known.
    """
    known = np.isfinite(expected_value) & np.isfinite(changed)
    if not known.any():
        return -1, False
    allowed = known & (changed <= at_most)
    if allowed.any():
        return int(np.argmax(np.where(allowed, expected_value, -np.inf))), True
    return int(np.argmin(np.where(known, changed, np.inf))), False


def reserves(
    members: BoolArray, flown: FloatArray, planned: int, *, needed: float = NEEDED
) -> npt.NDArray[np.int8]:
    """What each figure is to a booking: 1 in the routine planned on, 2 in reserve, 0 neither.

    A figure is in reserve when it is not in the routine planned on, but in one that may be needed: ready to
    be flown that day, hence practised.

    Parameters
    ----------
    members
        Figures of each routine, (routine, figure).
    flown
        Share of the days on which each routine is flown, (routine,).
    planned
        Routine planned on; -1 for none.
    needed
        See `NEEDED`.
    """
    wanted = np.any(members[flown >= needed], axis=0)
    result = np.where(wanted, 2, 0).astype(np.int8)
    if planned >= 0:
        result[members[planned]] = 1
    return result
