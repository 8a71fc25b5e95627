"""Which offers to take: the set of greatest expected worth, exactly, and what would change it.

Offers stand in the order of their shows. A plan is a chain home, offer, offer, ..., home; it is worth what
its offers are expected to pay less what its journeys cost. Two offers clash when an exclusivity stands
between them, whatever lies between. Amounts are in one currency.

The best chain is found by dynamic programming over (last offer, later offers already barred by
exclusivity), for many columns of worths at once: resampled years, forced offers and raised fees are all
columns. A state is dropped only where another at the same offer bars no more and is worth no less in every
column, or where even without any further exclusivity it falls short of a plan already known, in every
column: nothing that could be best is lost.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Offers", "best_plans", "fee_needed", "plan_worth", "runners_up", "stays_best"]

FloatArray = npt.NDArray[np.floating]
BoolArray = npt.NDArray[np.bool_]

SAME = 1e-3
"""Amounts that differ by less are equal."""


@dataclass(frozen=True)
class Offers:
    """What a plan is made of; ``n`` offers in the order of their shows, home last in the matrices.

    Attributes
    ----------
    allowed
        Whether one can be followed by the other, (n + 1, n + 1); only an earlier by a later, and home by
        home for the empty plan.
    cost
        Of the journey between, (n + 1, n + 1).
    reach
        Chance that the journey ends in time, (n + 1, n + 1).
    clash
        Whether the two exclude each other, (n, n), symmetric.
    present, absent
        What the offer brings when the aircraft is there, and when it is not, (n,).
    must
        Contracts: as many as possible are kept, before anything else counts, (n,).
    open
        Whether the plan may take the offer, (n,).
    """

    allowed: BoolArray
    cost: FloatArray
    reach: FloatArray
    clash: BoolArray
    present: FloatArray
    absent: FloatArray
    must: BoolArray
    open: BoolArray

    @property
    def size(self) -> int:
        """Number of offers."""
        return int(self.present.size)

    def __post_init__(self) -> None:
        """Hold the shapes and the order against each other."""
        n = self.size
        for name in ("allowed", "cost", "reach"):
            if getattr(self, name).shape != (n + 1, n + 1):
                raise ValueError(f"Offers: {name} must be ({n + 1}, {n + 1})")
        if self.clash.shape != (n, n) or not np.array_equal(self.clash, self.clash.T):
            raise ValueError("Offers: clash must be square and symmetric")
        if np.tril(self.allowed[:n, :n]).any():
            raise ValueError("Offers: an offer can only be followed by a later one")
        used = self.allowed
        if not (np.isfinite(self.cost[used]).all() and np.isfinite(self.reach[used]).all()):
            raise ValueError("Offers: cost and reach must be finite wherever a journey is allowed")
        if not (np.isfinite(self.present).all() and np.isfinite(self.absent).all()):
            raise ValueError("Offers: present and absent must be finite")


def best_plans(
    offers: Offers,
    present: FloatArray | None = None,
    *,
    force_in: BoolArray | None = None,
    force_out: BoolArray | None = None,
) -> tuple[FloatArray, BoolArray]:
    """Plan of greatest worth in every column.

    Parameters
    ----------
    offers
        The offers.
    present
        What the offers bring when the aircraft is there, (n, column); the offers' own, in one column, by
        default.
    force_in, force_out
        Offers that the plan must or may not take, (n, column). Forcing opens a closed offer. As many forced
        offers, and then contracts, are taken as can be: look at the plan to see whether all were.

    Returns
    -------
    worth
        (column,).
    taken
        (column, n).
    """
    n = offers.size
    w = offers.present[:, None] if present is None else np.asarray(present, dtype=float)
    columns = w.shape[1]
    into = np.zeros(w.shape, dtype=bool) if force_in is None else force_in
    out = np.zeros(w.shape, dtype=bool) if force_out is None else force_out
    dearest = np.where(offers.allowed, np.abs(offers.cost), 0.0).max(axis=0).sum()
    scale = 2.0 * (1.0 + np.maximum(np.abs(w).max(axis=1), np.abs(offers.absent)).sum() + dearest)
    closed = ~offers.open[:, None] & ~into
    # What is forced comes before any number of contracts, and a contract before any worth.
    first = np.where(into, n + 1.0, offers.must[:, None].astype(float))
    bonus = np.where(out | closed, -np.inf, scale * first)
    gain = _Gain(offers, w, bonus)
    ahead = _ahead(gain)
    enough = _reachable(gain, offers.clash) - SAME
    every = np.arange(columns)
    bars = [sum(1 << int(k) for k in np.flatnonzero(offers.clash[j])) for j in range(n)]
    # One row of worths a state; home is row 0, barred from nothing.
    held = np.zeros((4 * (n + 1), columns))
    masks, owner = [0], [n]
    first_row, after_last = [0] * (n + 1), [0] * n + [1]
    # Of every row but home's: the row that each column came from.
    before: list[npt.NDArray[np.int64]] = [np.zeros(columns, dtype=np.int64)]
    for j in range(n):
        gained = gain.before(j)
        found: dict[int, list[int]] = {}
        for i in [n] * bool(offers.allowed[n, j]) + np.flatnonzero(offers.allowed[:j, j]).tolist():
            for row in range(first_row[i], after_last[i]):
                if not masks[row] >> j & 1:
                    barred = (masks[row] | bars[j]) >> (j + 1) << (j + 1)
                    found.setdefault(barred, []).append(row)
        first_row[j] = len(masks)
        # Few barred first: only those can stand above the others.
        for mask in sorted(found, key=int.bit_count):
            came = np.array(found[mask])
            total = held[came]
            total += gained[[(owner[row] + 1) % (n + 1) for row in found[mask]]]
            best = np.argmax(total, axis=0)
            value = total[best, every]
            if np.all(value + ahead[j] < enough):
                continue
            rivals = range(first_row[j], len(masks))
            if any(masks[row] & ~mask == 0 and np.all(held[row] >= value) for row in rivals):
                continue
            if len(masks) == len(held):
                held = np.concatenate([held, np.empty_like(held)])
            held[len(masks)] = value
            masks.append(mask)
            owner.append(j)
            before.append(came[best])
        after_last[j] = len(masks)

    ends = [row for i in range(n + 1) if offers.allowed[i, n] for row in range(first_row[i], after_last[i])]
    total = held[ends] - offers.cost[[owner[row] for row in ends], n][:, None]
    last = np.argmax(total, axis=0)
    taken = np.zeros((columns, n), dtype=bool)
    for c in range(columns):
        row = ends[int(last[c])]
        while row:
            taken[c, owner[row]] = True
            row = int(before[row][c])
    return plan_worth(offers, taken, w), taken


class _Gain:
    """What an offer adds after another; a slice at a time, as the whole would not fit a processor's cache.

    Attributes
    ----------
    columns
        Number of columns.
    home
        What the way home adds after each offer, and after none, (n + 1,).
    """

    def __init__(self, offers: Offers, present: FloatArray, bonus: FloatArray) -> None:
        # Home first: what can come before an offer is then the first rows.
        self._reach = np.roll(offers.reach[:, :-1], 1, axis=0)
        self._cost = np.roll(np.where(offers.allowed, offers.cost, np.inf), 1, axis=0)
        self._present, self._absent, self._bonus = present, offers.absent, bonus
        self.columns = present.shape[1]
        self.home = -np.roll(self._cost[:, -1], -1)

    def before(self, j: int) -> FloatArray:
        """What `j` adds after none, and after each earlier offer, (j + 1, column)."""
        reach = self._reach[: j + 1, j, None]
        brought = reach * self._present[j] + (1.0 - reach) * self._absent[j]
        return np.asarray(brought + self._bonus[j] - self._cost[: j + 1, j, None])

    def after(self, i: int) -> FloatArray:
        """What every later offer adds after `i`, (n - i - 1, column)."""
        reach = self._reach[i + 1, i + 1 :, None]
        brought = reach * self._present[i + 1 :] + (1.0 - reach) * self._absent[i + 1 :, None]
        return np.asarray(brought + self._bonus[i + 1 :] - self._cost[i + 1, i + 1 : -1, None])


def _ahead(gain: _Gain) -> FloatArray:
    """Most that can still be added after each offer were there no exclusivity, (n, column)."""
    n = gain.home.size - 1
    result: FloatArray = np.empty((n, gain.columns))
    for i in range(n - 1, -1, -1):
        onward = gain.after(i) + result[i + 1 :]
        result[i] = np.maximum(gain.home[i], onward.max(axis=0, initial=-np.inf))
    return result


def _reachable(gain: _Gain, clash: BoolArray) -> FloatArray:
    """Worth of a good plan that keeps every exclusivity, in every column: one state an offer, (column,)."""
    n = gain.home.size - 1
    # Home first; of what is barred, offer, last offer and column.
    value = np.zeros((n + 1, gain.columns))
    barred = np.zeros((n, n + 1, gain.columns), dtype=bool)
    every = np.arange(gain.columns)
    for j in range(n):
        total = np.where(barred[j, : j + 1], -np.inf, value[: j + 1] + gain.before(j))
        best = np.argmax(total, axis=0)
        value[j + 1] = total[best, every]
        barred[:, j + 1] = barred[:, best, every] | clash[j][:, None]
    return np.asarray((value + np.roll(gain.home, 1)[:, None]).max(axis=0))


def plan_worth(offers: Offers, taken: BoolArray, present: FloatArray | None = None) -> FloatArray:
    """Worth of plans, whether they are the best or not.

    Parameters
    ----------
    offers
        The offers.
    taken
        (n,) for one plan in every column, or (column, n).
    present
        As in `best_plans`.

    Returns
    -------
    (column,); -inf where a plan cannot be flown or breaks an exclusivity.
    """
    n = offers.size
    w = offers.present[:, None] if present is None else np.asarray(present, dtype=float)
    plans = np.broadcast_to(taken, (w.shape[1], n))
    result = np.zeros(w.shape[1])
    for c, plan in enumerate(plans):
        chain = np.concatenate([[n], np.flatnonzero(plan), [n]])
        i, j = chain[:-1], chain[1:]
        inner = chain[1:-1]
        if not offers.allowed[i, j].all() or offers.clash[np.ix_(inner, inner)].any():
            result[c] = -np.inf
            continue
        reach = offers.reach[i[:-1], inner]
        brought = reach * w[inner, c] + (1.0 - reach) * offers.absent[inner]
        result[c] = brought.sum() - offers.cost[i, j].sum()
    return result


def runners_up(offers: Offers, count: int) -> list[tuple[float, BoolArray]]:
    """The best plan and those next to it, best first, no two with the same offers.

    Contracts that the best plan keeps are kept in all of them. The space left is split at every offer after
    each plan found, as by Lawler (Management Science 18, 1972, 401-405), so none is skipped.

    Parameters
    ----------
    offers
        The offers.
    count
        Plans wanted; fewer are given when there are no more.
    """
    n = offers.size
    worth, taken = best_plans(offers)
    fixed = offers.must & taken[0]
    number = 0
    waiting: list[tuple[float, int, BoolArray, int]] = [(-float(worth[0]), number, taken[0], 0)]
    # What the plan waiting must and may not take, by its number.
    bounds: dict[int, tuple[BoolArray, BoolArray]] = {0: (np.zeros(n, dtype=bool), np.zeros(n, dtype=bool))}
    given: list[tuple[float, BoolArray]] = []
    while waiting and len(given) < count:
        below, key, plan, first = heapq.heappop(waiting)
        given.append((-below, plan))
        held_in, held_out = bounds.pop(key)
        splits = [t for t in range(first, n) if not fixed[t] and (offers.open[t] or plan[t])]
        if not splits or len(given) == count:
            continue
        into, out = np.zeros((n, len(splits)), dtype=bool), np.zeros((n, len(splits)), dtype=bool)
        for c, t in enumerate(splits):
            into[:, c] = held_in | fixed
            into[:t, c] |= plan[:t]
            out[:, c] = held_out
            out[:t, c] |= ~plan[:t]
            into[t, c], out[t, c] = not plan[t], bool(plan[t])
        values, found = best_plans(
            offers, np.repeat(offers.present[:, None], len(splits), axis=1), force_in=into, force_out=out
        )
        for c, t in enumerate(splits):
            if np.all(found[c][into[:, c]]):
                number += 1
                bounds[number] = (into[:, c], out[:, c])
                heapq.heappush(waiting, (-float(values[c]), number, found[c], t + 1))
    return given


def fee_needed(offers: Offers, share: FloatArray) -> tuple[FloatArray, BoolArray]:
    """What each offer would have to pay more for a plan with it to be worth as much as the best without.

    Parameters
    ----------
    offers
        The offers.
    share
        Part of a higher fee that is expected to be paid when the aircraft is there, (n,), 0 to 1.

    Returns
    -------
    more
        (n,): 0 where the best plan with the offer is worth no less already; infinite where no fee makes it
        so, because it cannot be flown together with the contracts that the plan keeps.
    plans
        The best plan with each offer, (n, n).
    """
    n = offers.size
    best, base = best_plans(offers)
    kept = offers.must & base[0]
    more, hopeless = np.zeros(n), np.zeros(n, dtype=bool)
    plans = np.repeat(base, n, axis=0)
    # What the best plan has is worth it already, and the best without any other offer is that plan.
    todo = np.flatnonzero(~base[0])
    # Worth with the offer is convex in the fee, so steps along the tangent come down onto the root.
    for _ in range(4 * n + 4):
        if not todo.size:
            break
        each = np.arange(todo.size)
        raised = np.repeat(offers.present[:, None], todo.size, axis=1)
        raised[todo, each] += share[todo] * more[todo]
        forced = np.repeat(kept[:, None], todo.size, axis=1)
        forced[todo, each] = True
        worth, found = best_plans(offers, raised, force_in=forced)
        plans[todo] = found
        able = np.all(found | ~forced.T, axis=1)
        gap = best - worth
        slope = np.array([_reach(offers, plans[b], b) for b in todo.tolist()]) * share[todo]
        hopeless[todo] = ~able | ((gap > SAME) & (slope <= 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(np.abs(gap) <= SAME, 0.0, gap / slope)
        before = more[todo]
        more[todo] = np.where(able & (slope > 0.0), np.maximum(before + step, 0.0), before)
        todo = todo[np.abs(more[todo] - before) > SAME]
    return np.where(hopeless, np.inf, more), plans


def _reach(offers: Offers, plan: BoolArray, b: int) -> float:
    """Chance that offer `b` is reached in a plan; 0 where it is not in it."""
    if not plan[b]:
        return 0.0
    earlier = np.flatnonzero(plan[:b])
    return float(offers.reach[earlier[-1] if earlier.size else offers.size, b])


def stays_best(offers: Offers, taken: BoolArray, present: FloatArray) -> tuple[float, FloatArray]:
    """How often a plan stays the best.

    Parameters
    ----------
    offers
        The offers.
    taken
        The plan, (n,).
    present
        What the offers bring in each resample of the years, (n, draw).

    Returns
    -------
    share
        Of the draws in which no plan is worth more.
    loss
        How much more the best is worth in each draw, (draw,).
    """
    best, _ = best_plans(offers, present)
    loss = best - plan_worth(offers, taken, present)
    return float(np.mean(loss <= SAME)), loss
