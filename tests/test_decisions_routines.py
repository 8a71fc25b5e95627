"""The season's routines against brute force: what joins, which set is best, what a cut list could lose.

Expected values come from plain enumeration written here, from scipy's quadrature, and from
`limits.RoutineChance`, whose own checks stand elsewhere.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from pipeline.air.variables import FT, KT
from pipeline.decisions import limits
from pipeline.decisions.routines import (
    ManyRoutines,
    Repertoire,
    ShowHours,
    best_alone,
    choose,
    join_fault,
    joining_routines,
    plan_on,
    plan_routines,
    reserves,
)

# --- Random seasons -------------------------------------------------------------------------------------


def random_repertoire(rng: np.random.Generator, places: int, *, plain: bool = False) -> Repertoire:
    """Places with up to two substitutes or nothing; the full show always joins in attitude."""
    choices, n = [], 0
    for _ in range(places):
        held = list(range(n, n + 1 + int(rng.integers(0, 3))))
        n = held[-1] + 1
        choices.append(tuple(held + ([-1] if rng.random() < 0.5 else [])))
    share = 0.0 if plain else 0.3
    enters, leaves = rng.random(n) < share, rng.random(n) < share
    rolls = rng.random(n) < share
    full = [c[0] for c in choices]
    for before, after in itertools.pairwise(full):
        rolls[after] = leaves[before] != enters[after]
    follows = rng.random((n, n)) < (1.0 if plain else 0.9)
    climbs = np.where(rng.random((n, n, 3)) < 0.3, rng.uniform(0, 20, (n, n, 3)), 0.0)
    for before, after in itertools.pairwise(full):
        follows[before, after] = True
    never = ()
    if n > places and rng.random() < 0.5:
        other = next(f for c in choices for f in c[1:] if f >= 0)
        never = ((full[0] if other not in choices[0] else full[-1], other),) if places > 1 else ()
    return Repertoire(
        names=tuple(f"figure {i}" for i in range(n)),
        places=tuple(choices),
        crowd_value=rng.integers(1, 11, n).astype(float),
        seconds=rng.uniform(20, 60, n),
        turns_before=(rng.random(n) < share),
        turns=(rng.random(n) < share),
        rolls_before=rolls,
        enters_inverted=enters,
        leaves_inverted=leaves,
        follows=follows,
        climb_seconds=climbs,
        added_seconds=rng.uniform(-1.0, 4.0, (n, 3)),
        always=frozenset([full[0]]) if rng.random() < 0.3 else frozenset(),
        never_both=never,
    )


def random_curves(rng: np.random.Generator, n: int) -> limits.Curves:
    """Limits at which the random air below changes figures now and then."""
    scale = {
        "density_altitude": (5000 * FT, 11_000 * FT, 2000 * FT),
        "wind_toward_crowd": (10 * KT, 20 * KT, 7 * KT),
        "wind_across_line": (12 * KT, 22 * KT, 7 * KT),
        "gust": (20 * KT, 34 * KT, 9 * KT),
        "gust_spread": (10 * KT, 18 * KT, 6 * KT),
        "wind_along_line": (15 * KT, 30 * KT, 8 * KT),
    }
    comfortable, limit = {}, {}
    for name, (low, high, width) in scale.items():
        c = rng.uniform(low, high, n)
        c[rng.random(n) < 0.3] = np.nan
        comfortable[name], limit[name] = c, c + width
    return limits.Curves(tuple(f"figure {i}" for i in range(n)), comfortable, limit)


def random_conditions(rng: np.random.Generator, hours: int) -> dict[str, np.ndarray]:
    speed = np.round(rng.gamma(4.0, 2.2, hours)) * KT
    return limits.conditions_from_air(
        rng.uniform(1000, 11_000, hours) * FT,
        rng.normal(0, 7, hours) * KT,
        rng.normal(0, 9, hours) * KT,
        speed + np.round(rng.gamma(2.0, 4.0, hours)) * KT,
        speed,
    )


def joins_by_hand(rep: Repertoire, routine: Sequence[int], longest: Sequence[float], shortest: float) -> bool:
    """The rules of joining once more, written as one walk along the line.

    In each of three airs, climbs and all, it must fit that air's slot; it is shortest where none is needed.
    """
    planned, heading = {}, 1
    for i, f in enumerate(rep.full):
        heading *= -1 if i and rep.turns_before[f] else 1
        planned[f] = heading
        heading *= -1 if rep.turns[f] else 1
    if not routine or not rep.always <= set(routine):
        return False
    if any(set(pair) <= set(routine) for pair in rep.never_both):
        return False
    heading = planned.get(routine[0], 1) * (-1 if rep.turns[routine[0]] else 1)
    time = [rep.seconds[routine[0]] + rep.added_seconds[routine[0], k] for k in range(3)]
    for a, b in itertools.pairwise(routine):
        if (rep.leaves_inverted[a] ^ rep.rolls_before[b]) != rep.enters_inverted[b] or not rep.follows[a, b]:
            return False
        heading *= -1 if rep.turns_before[b] else 1
        if planned.get(b, heading) != heading:
            return False
        heading *= -1 if rep.turns[b] else 1
        for k in range(3):
            time[k] += rep.climb_seconds[a, b, k] + rep.seconds[b] + rep.added_seconds[b, k]
    fits = all(t <= most + 1e-9 for t, most in zip(time, longest, strict=True))
    return bool(fits and shortest - 1e-9 <= sum(rep.seconds[f] for f in routine))


def every_choice(rep: Repertoire) -> Iterator[tuple[int, ...]]:
    for picked in itertools.product(*rep.places):
        yield tuple(f for f in picked if f >= 0)


# --- What joins -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(120))
def test_joining_routines_are_those_that_a_walk_finds(seed: int) -> None:
    """Brute force over the whole product of choices; the full show is first, and listed whatever it takes."""
    rng = np.random.default_rng(seed)
    rep = random_repertoire(rng, int(rng.integers(1, 7)))
    longest, shortest = rng.uniform(60, 300) + rng.uniform(0, 40, 3), float(rng.uniform(0, 80))
    found = joining_routines(rep, longest=longest, shortest=shortest)
    assert found is not None
    assert found[0] == rep.full
    wanted = {r for r in every_choice(rep) if joins_by_hand(rep, r, longest, shortest)}
    assert set(found[1:]) == wanted - {rep.full}
    assert len(set(found)) == len(found)
    for routine in set(every_choice(rep)):
        fault = join_fault(rep, routine, longest=longest, shortest=shortest)
        assert (fault == "") == (routine in wanted)


def _loop_or_hammerhead() -> Repertoire:
    flat = np.zeros(3, dtype=bool)
    return Repertoire(
        names=("Loop", "Hammerhead", "Roll"),
        places=((0, 1), (2,)),
        crowd_value=np.ones(3),
        seconds=np.full(3, 30.0),
        turns_before=flat,
        turns=np.array([False, True, False]),
        rolls_before=flat,
        enters_inverted=flat,
        leaves_inverted=flat,
        follows=np.ones((3, 3), dtype=bool),
        climb_seconds=np.zeros((3, 3, 1)),
        added_seconds=np.zeros((3, 1)),
    )


def test_a_substitute_that_turns_about_puts_the_rest_backwards() -> None:
    """A loop replaced by a hammerhead, which turns about: what follows no longer joins by direction."""
    rep = _loop_or_hammerhead()
    assert join_fault(rep, (0, 2), longest=999) == ""
    assert join_fault(rep, (1, 2), longest=999) == "Roll does not join Hammerhead by direction"
    assert joining_routines(rep, longest=999) == [(0, 2)]


# --- Chances of many routines ---------------------------------------------------------------------------


@pytest.mark.parametrize("two_amber", [False, True])
@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.8, 1.0])
def test_many_routines_have_the_chances_of_each(correlation: float, two_amber: bool) -> None:
    """Against `RoutineChance`, one routine at a time: within 5e-4, the two tables' interpolation."""
    rng = np.random.default_rng(7)
    curves, conditions = random_curves(rng, 8), random_conditions(rng, 3000)
    curves = replace(curves, two_amber_is_red=two_amber)
    many = ManyRoutines(curves, correlation=correlation)
    members = rng.random((9, 8)) < 0.5
    members[:, 0] = True
    found = many(members, conditions)
    for row, unchanged in zip(members, found, strict=True):
        one = limits.RoutineChance(curves.take(np.flatnonzero(row)), correlation=correlation)
        np.testing.assert_allclose(unchanged, 1.0 - one(conditions), atol=5e-4)


@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.8, 1.0])
def test_a_figure_far_beyond_its_limit_leaves_routines_without_it_alone(correlation: float) -> None:
    """Narrow limits far below others': the figure is out for certain, a routine without it is untouched."""
    curves = limits.Curves(
        ("low", "high"),
        {"density_altitude": np.array([4000.0, 10_500.0]) * FT},
        {"density_altitude": np.array([4300.0, 11_500.0]) * FT},
    )
    still = np.zeros(2)
    conditions = limits.conditions_from_air(np.array([3000.0, 11_000.0]) * FT, still, still, still, still)
    found = ManyRoutines(curves, correlation=correlation)(np.eye(2, dtype=bool), conditions)
    # At 11,000 ft, half-way between its two numbers, the other is changed one time in two.
    np.testing.assert_allclose(found, [[1.0, 0.0], [1.0, 0.5]], atol=1e-3)


@pytest.mark.parametrize("correlation", [0.5, 0.8, 0.95])
def test_tied_chance_by_quadrature(correlation: float) -> None:
    """Two figures, one cause: 1 - ∫ φ(z) Π Φ((t_f - √r z)/√(1-r)) dz by scipy's adaptive quadrature."""
    comfortable, limit = np.array([1000.0, 1200.0]), np.array([2000.0, 2500.0])
    curves = limits.Curves(("a", "b"), {"density_altitude": comfortable}, {"density_altitude": limit})
    at = np.array([900.0, 1500.0, 1900.0])
    still = np.zeros(3)
    conditions = limits.conditions_from_air(at, still, still, still, still)
    found = ManyRoutines(curves, correlation=correlation)(np.ones((1, 2), dtype=bool), conditions)[0]
    root, rest = np.sqrt(correlation), np.sqrt(1 - correlation)
    for x, unchanged in zip(at, found, strict=True):
        p = 1 / (1 + np.exp(-np.log(19) * (1 + 2 * (x - limit) / (limit - comfortable))))
        t = norm.ppf(1 - p)

        def no_change(z: float, t: np.ndarray) -> float:
            return float(norm.pdf(z) * np.prod(norm.cdf((t - root * z) / rest)))

        wanted, _ = quad(no_change, -9, 9, args=(t,), limit=200)
        assert unchanged == pytest.approx(wanted, abs=5e-5)


def test_an_unknown_condition_makes_the_chance_unknown_and_a_limit_makes_it_certain() -> None:
    """NaN in, NaN out; at the limit exactly nothing is left, just below it something is."""
    curves = limits.Curves(
        ("a",),
        {"density_altitude": np.array([1000.0]), "gust": np.array([20 * KT])},
        {"density_altitude": np.array([2000.0]), "gust": np.array([30 * KT])},
    )
    still = np.zeros(5)
    da = np.array([500.0, np.nan, 2000.0, 1999.0, 500.0])
    gust = np.array([0.0, 0.0, 0.0, 0.0, 30 * KT])
    conditions = limits.conditions_from_air(da, still, still, gust, still)
    found = ManyRoutines(curves)(np.ones((1, 1), dtype=bool), conditions)[0]
    assert found[0] > 0.99
    assert np.isnan(found[1])
    assert found[2] == 0.0
    assert 0.04 < found[3] < 0.06
    assert found[4] == 0.0


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_a_figure_more_never_lowers_the_chance_of_change(seed: int) -> None:
    """Adding a figure to a routine cannot make it likelier to be flown unchanged; thinner air neither."""
    rng = np.random.default_rng(seed)
    curves, conditions = random_curves(rng, 5), random_conditions(rng, 60)
    many = ManyRoutines(curves, correlation=float(rng.choice([0.0, 0.4, 0.8, 1.0])))
    members = np.zeros((2, 5), dtype=bool)
    members[:, rng.permutation(5)[:2]] = True
    members[1] = True
    fewer, more = many(members, conditions)
    assert np.all(more <= fewer + 1e-5)
    thin = conditions | {"density_altitude": conditions["density_altitude"] + 500 * FT}
    assert np.all(many(members, thin) <= many(members, conditions) + 1e-5)


# --- Choosing together ----------------------------------------------------------------------------------


def best_by_hand(gain: np.ndarray, most: int) -> float:
    return max(
        float(gain[list(rows)].max(axis=0).sum(dtype=float))
        for k in range(1, min(most, len(gain)) + 1)
        for rows in itertools.combinations(range(len(gain)), k)
    )


@pytest.mark.parametrize("seed", range(300))
def test_choice_is_the_best_of_all_sets(seed: int) -> None:
    """Every set by enumeration, in double and single precision, ties and rows of nothing among them."""
    rng = np.random.default_rng(seed)
    n, hours, most = int(rng.integers(1, 13)), int(rng.integers(1, 50)), int(rng.integers(1, 5))
    gain = np.maximum(rng.normal(size=(n, hours)) + 0.5 * rng.normal(size=(n, 1)), 0.0)
    if seed % 3 == 0:
        gain = np.round(gain, 1)
    if seed % 7 == 0:
        gain[rng.integers(0, n)] = 0.0
    if seed % 2:
        gain = gain.astype(np.float32)
    choice = choose(gain, most)
    best = best_by_hand(gain, most)
    assert choice.value == pytest.approx(best, rel=1e-6, abs=1e-12)
    assert choice.bound == choice.value
    chosen = gain[list(choice.members)].max(axis=0).sum(dtype=float) if choice.members else 0.0
    assert chosen == pytest.approx(choice.value, rel=1e-6, abs=1e-12)


def test_one_after_the_other_is_not_the_best() -> None:
    """A case in which the greedy first pick, worth 6, is in no best pair: 5 + 5 beats 6 + 2."""
    gain = np.array([[3.0, 3.0, 0.0, 0.0], [5.0, 0.0, 0.0, 0.0], [0.0, 5.0, 0.0, 0.0]])
    assert choose(gain, 1).members == (0,)
    assert choose(gain, 2).members == (1, 2)
    assert choose(gain, 2).value == 5.0 + 5.0


def test_many_alike_hours_taken_together_change_nothing() -> None:
    """With thousands of hours the dual is first sought on groups: the choice is still the best pair."""
    rng = np.random.default_rng(3)
    demand, air = rng.uniform(0, 1, (14, 3)), np.sort(rng.gamma(2, 0.4, (6000, 3)), axis=0)
    gain = np.maximum(demand.sum(axis=1)[:, None] * np.exp(-2 * demand**2 @ air.T) - 0.4, 0.0)
    choice = choose(gain.astype(np.float32), 2)
    assert choice.value == pytest.approx(best_by_hand(gain, 2), rel=1e-5)
    assert choice.bound == choice.value


def test_gains_must_be_known() -> None:
    """A missing or negative gain raises instead of being passed over."""
    with pytest.raises(ValueError, match="zero or above"):
        choose(np.array([[np.nan, 1.0]]), 1)
    with pytest.raises(ValueError, match="zero or above"):
        choose(np.array([[-1.0, 1.0]]), 1)


# --- The season's routines ------------------------------------------------------------------------------


class ByHand:
    """Worth of any routine in each hour, without tables.

    The tied judgements are integrated by the trapezoidal rule on 113 nodes from -7 to 7, hour by hour.
    """

    def __init__(self, rep: Repertoire, curves: limits.Curves, hours: ShowHours) -> None:
        self.rep, self.z = rep, np.linspace(-7, 7, 113)
        by_cause, _ = limits.figure_chances(hours.conditions, curves)
        with np.errstate(divide="ignore"):
            t = norm.ppf(1.0 - by_cause.astype(float))[..., None]
        self.keeps = norm.cdf((t - np.sqrt(0.8) * self.z) / np.sqrt(0.2))

    def __call__(self, routine: Sequence[int], flies: np.ndarray) -> np.ndarray:
        held = np.prod(self.keeps[list(routine)], axis=0) @ (norm.pdf(self.z) * (self.z[1] - self.z[0]))
        return sum(self.rep.crowd_value[f] for f in routine) * np.prod(held, axis=0) * flies


def random_season(
    seed: int,
) -> tuple[Repertoire, limits.Curves, ShowHours, np.ndarray, list[int] | None]:
    rng = np.random.default_rng(1000 + seed)
    rep = random_repertoire(rng, int(rng.integers(2, 4)), plain=seed % 2 == 0)
    n = len(rep.names)
    curves, hours = random_curves(rng, n), int(rng.integers(20, 120))
    conditions = random_conditions(rng, hours)
    flies = rng.choice([0.0, 0.6, 1.0], hours, p=[0.1, 0.1, 0.8])
    low = sorted(rng.choice(n, 2, replace=False).tolist()) if seed % 3 == 0 else None
    flies_low = np.where(flies == 1.0, 0.0, rng.random(hours)) if low else np.zeros(hours)
    weight = rng.uniform(0, 2, hours)
    longest = rng.uniform(150, 400) + rng.uniform(0, 40, 3)
    return rep, curves, ShowHours(conditions, weight, flies, flies_low), longest, low


@pytest.mark.parametrize("seed", range(200))
def test_the_set_of_routines_is_the_best_of_all_sets(seed: int) -> None:
    """Random sequences against brute force: every set of every routine that joins, judged without tables.

    Values agree within 5e-4 of the crowd value, the interpolation of the tables.
    """
    rep, curves, hours, longest, low = random_season(seed)
    rehearse = 2 + seed % 2
    plan = plan_routines(rep, curves, hours, rehearse=rehearse, longest=longest, low_ceiling=low)
    weight = hours.weight / hours.weight.sum()
    by_hand = ByHand(rep, curves, hours)
    base = by_hand(rep.full, hours.flies)
    if low:
        base = np.maximum(base, by_hand(low, hours.flies_low))
    others = [
        r for r in dict.fromkeys(every_choice(rep)) if joins_by_hand(rep, r, longest, 0.0) and r != rep.full
    ]
    worth = [by_hand(r, hours.flies) for r in others]
    by_count = []
    # One routine more than asked is enumerated too, where the list is short.
    for count in range(rehearse + (2 if len(others) <= 12 else 0 if len(others) > 40 else 1)):
        sets = itertools.combinations(range(len(others)), min(count, len(others)))
        by_count.append(max(float(weight @ np.max([base, *(worth[i] for i in s)], axis=0)) for s in sets))
    scale = float(rep.crowd_value.sum())
    assert plan.complete
    assert plan.could_lose == 0.0
    assert plan.value == pytest.approx(by_count[rehearse - 1], abs=5e-4 * scale)
    for rehearsed, best in zip(plan.frontier, by_count, strict=False):
        assert rehearsed.value[0] == pytest.approx(best, abs=5e-4 * scale)
    chosen = np.max([base, *(worth[others.index(r)] for r in plan.routines[1:])], axis=0)
    assert float(weight @ chosen) == pytest.approx(by_count[rehearse - 1], abs=5e-4 * scale)
    values = [rehearsed.value[0] for rehearsed in plan.frontier]
    assert all(b >= a - 1e-9 for a, b in itertools.pairwise(values))


def _of_years(seed: int, days: int, years: int, hours: int) -> tuple[Repertoire, limits.Curves, ShowHours]:
    """A season whose years differ; every year and booking day of equal weight."""
    rng = np.random.default_rng(4000 + seed)
    rep = random_repertoire(rng, 3, plain=True)
    curves = random_curves(rng, len(rep.names))
    shape = days, years, hours
    conditions = random_conditions(rng, days * years * hours)
    # What a year has of its own is the same for all bookings.
    dry = rng.normal(0.0, 600.0 * FT, (1, years, 1)) * np.ones(shape)
    conditions["density_altitude"] = conditions["density_altitude"] + dry.ravel()
    day, year, _ = np.indices(shape)
    flies = rng.choice([0.0, 1.0], shape, p=[0.2, 0.8]).ravel()
    return (
        rep,
        curves,
        ShowHours(conditions, np.ones(flies.size), flies, np.zeros(flies.size), year.ravel(), day.ravel()),
    )


def test_the_interval_of_one_booking_is_student_s_over_its_years() -> None:
    """A show worth 10, flown in all of two years' hours, in none of a third's, in half of a fourth's.

    Mean 25 / 4 = 6.25; variance (2 x 3.75^2 + 6.25^2 + 1.25^2) / 3 = 22.917; standard error
    sqrt(22.917 / 4) = 2.394; Student's t of 3 degrees at 95 %: 2.353 (any table); 2.394 x 2.353 = 5.633.
    """
    rep = random_repertoire(np.random.default_rng(0), 1, plain=True)
    rep = replace(rep, crowd_value=np.full(len(rep.names), 10.0))
    curves = random_curves(np.random.default_rng(0), len(rep.names))
    calm = {c: np.full(8, -1e4 if c == "density_altitude" else 0.0) for c in limits.CONDITIONS}
    flies = np.array([1, 1, 1, 1, 0, 0, 1, 0], dtype=float)
    hours = ShowHours(
        calm, np.ones(8), flies, np.zeros(8), np.repeat(np.arange(4), 2), np.zeros(8, dtype=int)
    )
    (alone, *_) = plan_routines(rep, curves, hours, rehearse=1, longest=1e4).frontier
    assert alone.value == pytest.approx((6.25, 6.25 - 5.633, 6.25 + 5.633), abs=2e-3)
    assert alone.further_change == pytest.approx((0.0, 0.0, 0.0), abs=1e-6)
    assert alone.gain == alone.further_change_gain == (0.0, 0.0, 0.0)
    two = hours.take(hours.year < 2)
    (alone, *_) = plan_routines(rep, curves, two, rehearse=1, longest=1e4).frontier
    assert alone.value[0] == pytest.approx(10.0, abs=1e-3)
    assert np.isnan(alone.value[1:]).all()
    unknown = replace(hours, year=None)
    (alone, *_) = plan_routines(rep, curves, unknown, rehearse=1, longest=1e4).frontier
    assert np.isnan(alone.gain[1:]).all()


@pytest.mark.parametrize("seed", range(6))
def test_intervals_of_the_frontier_against_a_direct_bootstrap_of_years(seed: int) -> None:
    """Years drawn anew, the same for every booking day; a bootstrap's spread is sqrt(n / (n - 1)) too small.

    4,000 draws know a spread to 1.1 %; the tables of chances, and the ratio's curvature, add to it.
    """
    days, years, per_year = 3, 25, 12
    rep, curves, hours = _of_years(seed, days, years, per_year)
    plan = plan_routines(rep, curves, hours, rehearse=2, longest=1e4)
    by_hand = ByHand(rep, curves, hours)
    rng = np.random.default_rng(seed)
    drawn = np.stack([np.bincount(rng.integers(0, years, years), minlength=years) for _ in range(4000)])
    values, shares = [], []
    for rehearsed in plan.frontier:
        chance = np.array([by_hand(r, np.ones(hours.flies.size)) / rep.value(r) for r in rehearsed.routines])
        worth = np.array([rep.value(r) for r in rehearsed.routines])[:, None] * chance * hours.flies
        kept = np.take_along_axis(chance, worth.argmax(axis=0)[None], 0)[0]
        # Where no show is worth anything, none is flown.
        flown = np.where(worth.max(axis=0) > 0.0, hours.flies, 0.0)
        of_year = [
            a.reshape(days, years, per_year).mean(axis=(0, 2))
            for a in (worth.max(axis=0), flown, flown * (1.0 - kept))
        ]
        value, held, changed = (drawn @ a / years for a in of_year)
        values.append(value)
        shares.append(changed / held)
    widen = np.sqrt(years / (years - 1.0)) * 1.711  # Student's t, 24 degrees, 95 %: any table
    for k, rehearsed in enumerate(plan.frontier):
        for told, draws in (
            (rehearsed.value, values[k]),
            (rehearsed.gain, values[k] - values[1]),
            (rehearsed.further_change, shares[k]),
            (rehearsed.further_change_gain, shares[k] - shares[1]),
        ):
            assert told[2] - told[0] == pytest.approx(widen * draws.std(), rel=0.08, abs=1e-4)


@pytest.mark.parametrize("seed", range(40))
def test_a_cut_list_says_what_it_could_lose(seed: int) -> None:
    """With only a few candidates allowed, the bound still lies at or above the value of the whole list."""
    rep, curves, hours, longest, low = random_season(seed)
    whole = plan_routines(rep, curves, hours, rehearse=3, longest=longest, low_ceiling=low)
    cut = plan_routines(rep, curves, hours, rehearse=3, longest=longest, low_ceiling=low, most=3)
    assert cut.value <= whole.value + 1e-6
    assert cut.bound >= whole.value - 1e-3 * rep.crowd_value.sum()
    assert cut.complete == (whole.candidates <= 3)
    assert cut.candidates <= 3
    assert plan_routines(rep, curves, hours, rehearse=1, longest=longest, most=3).could_lose == 0.0


@pytest.mark.parametrize("seed", range(40))
def test_bound_of_each_hour_alone(seed: int) -> None:
    """No joining routine is worth more in any hour than the bound for that hour."""
    rep, curves, hours, _, _ = random_season(seed)
    _, chance = limits.figure_chances(hours.conditions, curves)
    bound, met = best_alone(rep, chance)
    by_hand = ByHand(rep, curves, hours)
    for routine in dict.fromkeys(every_choice(rep)):
        if joins_by_hand(rep, routine, [np.inf] * 3, 0.0):
            worth = by_hand(routine, np.ones(hours.weight.size))
            assert np.all(worth <= bound + 1e-3)
    assert met


def test_pins_that_leave_no_routine_leave_the_full_show() -> None:
    """A pinned substitute that turns about puts what follows backwards: nothing joins but the full show."""
    rep = replace(_loop_or_hammerhead(), always=frozenset({1}))
    curves = limits.Curves(
        rep.names, {"density_altitude": np.full(3, 1000.0)}, {"density_altitude": np.full(3, 2000.0)}
    )
    still = np.zeros(4)
    air = limits.conditions_from_air(np.array([0.0, 1000.0, 1500.0, 3000.0]), still, still, still, still)
    plan = plan_routines(rep, curves, ShowHours(air, still + 1, still + 1, still), rehearse=2, longest=999)
    assert (plan.routines, plan.candidates, plan.could_lose) == (((0, 2),), 1, 0.0)


def test_hours_that_are_not_known_are_left_out() -> None:
    """An hour without a gust, or without an answer of the act's, has no say in the choice."""
    rep, curves, hours, longest, _ = random_season(2)
    plan = plan_routines(rep, curves, hours, rehearse=3, longest=longest)
    more = {k: np.append(v, [v[0], v[1]]) for k, v in hours.conditions.items()}
    more["density_altitude"][-2] = np.nan
    flies = np.append(hours.flies, [1.0, np.nan])
    padded = ShowHours(more, np.append(hours.weight, [5.0, 5.0]), flies, np.zeros(flies.size))
    again = plan_routines(rep, curves, padded, rehearse=3, longest=longest)
    assert again.routines == plan.routines
    assert again.value == pytest.approx(plan.value, rel=1e-6)


# --- Plan and reserves ----------------------------------------------------------------------------------


def test_plan_on_the_richest_routine_that_keeps_a_further_change_to_one_day_in_ten() -> None:
    """By hand: the full show, worth most, changes 2 days in 10; of the others the richer is planned."""
    assert plan_on(np.array([70.0, 66.0, 50.0]), np.array([0.2, 0.1, 0.02])) == (1, True)
    assert plan_on(np.array([70.0, 66.0]), np.array([0.5, 0.3])) == (1, False)
    assert plan_on(np.array([np.nan]), np.array([np.nan])) == (-1, False)


def test_reserves_are_the_figures_of_other_routines_that_may_be_needed() -> None:
    """A figure only of a routine flown 1 day in 100 is no reserve; of one flown 1 day in 10 it is."""
    members = np.array([[1, 1, 1, 0, 0], [1, 0, 1, 1, 0], [0, 0, 1, 0, 1]], dtype=bool)
    assert reserves(members, np.array([0.1, 0.8, 0.01]), 1).tolist() == [1, 2, 1, 1, 0]
    assert reserves(members, np.array([0.04, 0.9, 0.06]), 1).tolist() == [1, 0, 1, 1, 2]
