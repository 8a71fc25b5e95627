"""The best set of offers, held against trying every set, and against an integer program at full size."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pipeline.decisions.bookings import Offers, best_plans, fee_needed, plan_worth, runners_up, stays_best

SEASONS = 300


def season(seed: int, n: int, *, contracts: float = 0.2, clashes: float = 0.15) -> Offers:
    """A random season: some journeys impossible, some dear, some offers worth less than nothing."""
    rng = np.random.default_rng(seed)
    allowed = np.zeros((n + 1, n + 1), dtype=bool)
    allowed[:n, :n] = np.triu(rng.random((n, n)) < rng.uniform(0.3, 1.0), 1)
    allowed[n, :n] = rng.random(n) < 0.95
    allowed[:n, n] = rng.random(n) < 0.95
    allowed[n, n] = True
    clash = np.triu(rng.random((n, n)) < clashes, 1)
    return Offers(
        allowed=allowed,
        # Whole amounts, so that ties happen.
        cost=rng.integers(0, 40, (n + 1, n + 1)) * 100.0 * (1.0 - np.eye(n + 1)),
        reach=np.round(rng.uniform(0.7, 1.0, (n + 1, n + 1)), 2),
        clash=clash | clash.T,
        present=rng.integers(-10, 120, n) * 100.0,
        absent=rng.integers(-10, 1, n) * 100.0,
        must=rng.random(n) < contracts,
        open=rng.random(n) < 0.85,
    )


def every_plan(offers: Offers) -> list[tuple[int, float, tuple[int, ...]]]:
    """Every set that can be flown: contracts kept, worth, offers. Written out, sharing nothing."""
    n = offers.size
    found = []
    for size in range(n + 1):
        for chosen in itertools.combinations(range(n), size):
            if any(not offers.open[b] for b in chosen):
                continue
            if any(offers.clash[a, b] for a, b in itertools.combinations(chosen, 2)):
                continue
            stops = [n, *chosen, n]
            if not all(offers.allowed[a, b] for a, b in itertools.pairwise(stops)):
                continue
            worth = -sum(offers.cost[a, b] for a, b in itertools.pairwise(stops))
            for a, b in itertools.pairwise(stops[:-1]):
                p = offers.reach[a, b]
                worth += p * offers.present[b] + (1.0 - p) * offers.absent[b]
            found.append((sum(bool(offers.must[b]) for b in chosen), float(worth), chosen))
    return found


def chosen(taken: np.ndarray) -> tuple[int, ...]:
    return tuple(int(i) for i in np.flatnonzero(taken))


@pytest.mark.parametrize("block", range(3))
def test_the_best_plan_is_the_best_of_all_sets(block: int) -> None:
    """Three hundred random seasons of up to nine offers, every set tried: as many contracts, the same worth.

    Expected value: enumeration of every subset.
    """
    for seed in range(block * SEASONS // 3, (block + 1) * SEASONS // 3):
        offers = season(seed, 1 + seed % 9)
        kept, worth, _ = max(every_plan(offers), key=lambda p: p[:2])
        value, taken = best_plans(offers)
        plan = chosen(taken[0])
        assert value[0] == pytest.approx(worth, abs=1e-6), seed
        assert sum(bool(offers.must[b]) for b in plan) == kept, seed
        assert any(p == plan and w == pytest.approx(worth, abs=1e-6) for _, w, p in every_plan(offers)), seed


def test_columns_are_seasons_of_their_own() -> None:
    """Many worths at once give what each gives alone, and what trying every set gives."""
    for seed in range(40):
        offers = season(seed, 8, clashes=0.3)
        rng = np.random.default_rng(1000 + seed)
        worths = offers.present[:, None] * rng.uniform(0.2, 1.5, (8, 12))
        value, taken = best_plans(offers, worths)
        for c in range(12):
            alone = Offers(**{**offers.__dict__, "present": worths[:, c]})
            kept, worth, _ = max(every_plan(alone), key=lambda p: p[:2])
            assert value[c] == pytest.approx(worth, abs=1e-6)
            assert int((alone.must & taken[c]).sum()) == kept
            assert plan_worth(alone, taken[c])[0] == pytest.approx(worth, abs=1e-6)


def test_runners_up_are_the_next_best_sets() -> None:
    """The first six plans are the six best of all sets that keep the best plan's contracts, each once."""
    for seed in range(100):
        offers = season(seed, 1 + seed % 8)
        given = runners_up(offers, 6)
        best = given[0][1]
        kept = set(chosen(best & offers.must))
        worths = sorted((w for _, w, p in every_plan(offers) if kept <= set(p)), reverse=True)
        assert [w for w, _ in given] == pytest.approx(worths[:6], abs=1e-6), seed
        plans = [chosen(p) for _, p in given]
        assert len(set(plans)) == len(plans)
        everything = {p: w for _, w, p in every_plan(offers)}
        assert all(
            everything[p] == pytest.approx(w, abs=1e-6) for p, (w, _) in zip(plans, given, strict=True)
        )


def test_the_fee_that_makes_an_offer_worth_taking() -> None:
    """With the fee raised by the answer a plan with the offer ties the best without it; with less, none does.

    Expected value: every set tried, with and without the offer, at the raised fee.
    """
    tried = 0
    for seed in range(80):
        offers = season(seed, 7, contracts=0.15)
        rng = np.random.default_rng(seed)
        share = np.round(rng.uniform(0.2, 1.0, 7), 1)
        more, plans = fee_needed(offers, share)
        kept = {b for b in chosen(best_plans(offers)[1][0]) if offers.must[b]}
        for b in range(7):
            opened = Offers(**{**offers.__dict__, "open": offers.open | (np.arange(7) == b)})
            without = max(
                (w for _, w, p in every_plan(opened) if b not in p and kept <= {*p, b}), default=-np.inf
            )

            def with_it(
                extra: float,
                b: int = b,
                opened: Offers = opened,
                kept: set[int] = kept,
                flown: float = float(share[b]),
            ) -> float:
                raised = opened.present.copy()
                raised[b] += flown * extra
                changed = Offers(**{**opened.__dict__, "present": raised})
                return max(
                    (w for _, w, p in every_plan(changed) if b in p and kept <= {*p, b}), default=-np.inf
                )

            if b in kept:
                continue
            if np.isinf(more[b]):
                assert with_it(0.0) == -np.inf
                continue
            tried += 1
            if more[b] == 0.0:
                assert with_it(0.0) >= without - 1e-6
            else:
                assert with_it(more[b]) == pytest.approx(without, abs=1e-4)
                assert with_it(more[b] - 1.0) < without
            assert plans[b, b]
    assert tried > 200


def test_a_worked_season() -> None:
    """Three offers by hand: A 100, B 150, C 80; B clashes with A; from A to C costs 10, home legs 20 each.

    Expected values: A and C are worth 100 + 80 - 20 - 10 - 20 = 130; B alone 150 - 20 - 20 = 110, and cannot
    be followed by C. So B needs 130 - 110 = 20 more, or 25 where only four fifths of a fee are expected.
    """
    n = 3
    allowed = np.array([[0, 0, 1, 1], [0, 0, 0, 1], [0, 0, 0, 1], [1, 1, 1, 1]], dtype=bool)
    cost = np.array([[0, 0, 10, 20], [0, 0, 0, 20], [0, 0, 0, 20], [20, 20, 20, 0]], dtype=float)
    clash = np.zeros((n, n), dtype=bool)
    clash[0, 1] = clash[1, 0] = True
    offers = Offers(
        allowed,
        cost,
        np.ones((4, 4)),
        clash,
        np.array([100.0, 150.0, 80.0]),
        np.zeros(3),
        np.zeros(3, dtype=bool),
        np.ones(3, dtype=bool),
    )
    value, taken = best_plans(offers)
    assert (value[0], chosen(taken[0])) == (130.0, (0, 2))
    more, _ = fee_needed(offers, np.ones(3))
    assert more.tolist() == pytest.approx([0.0, 20.0, 0.0])
    assert fee_needed(offers, np.full(3, 0.8))[0][1] == pytest.approx(25.0)
    assert [(w, chosen(p)) for w, p in runners_up(offers, 3)] == [
        (130.0, (0, 2)),
        (110.0, (1,)),
        (60.0, (0,)),
    ]
    # In the second of two years A brings 50 less: 80 for A and C, so B's 110 is 30 better.
    share, loss = stays_best(offers, taken[0], np.array([[100.0, 50.0], [150.0, 150.0], [80.0, 80.0]]))
    assert (share, loss.tolist()) == (0.5, [0.0, 30.0])


def test_sixty_offers_against_an_integer_program() -> None:
    """At full size the worth is that of a flow with exclusivities, solved by SciPy's HiGHS.

    Source of the expected value: scipy.optimize.milp, a solver that shares nothing with the plan.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    for seed in (1, 2):
        n = 60
        offers = season(seed, n, contracts=0.05, clashes=0.01)
        arcs = [(i, j) for i in range(n + 1) for j in range(n + 1) if offers.allowed[i, j]]
        inward, outward = np.zeros((n, len(arcs))), np.zeros((n, len(arcs)))
        gain = np.zeros(len(arcs))
        for a, (i, j) in enumerate(arcs):
            gain[a] = -offers.cost[i, j]
            if j < n:
                p = offers.reach[i, j]
                gain[a] += p * offers.present[j] + (1 - p) * offers.absent[j] + 1e6 * bool(offers.must[j])
                inward[j, a] = 1
            if i < n:
                outward[i, a] = 1
        leaves_home = np.array([[float(i == n) for i, _ in arcs]])
        pairs = [(a, b) for a, b in itertools.combinations(range(n), 2) if offers.clash[a, b]]
        rules = [
            LinearConstraint(inward - outward, 0, 0),
            LinearConstraint(leaves_home, 1, 1),
            LinearConstraint(inward, 0, offers.open.astype(float)),
            LinearConstraint(np.array([inward[a] + inward[b] for a, b in pairs]), 0, 1),
        ]
        solved = milp(-gain, integrality=np.ones(len(arcs)), bounds=Bounds(0, 1), constraints=rules)
        assert solved.success
        value, taken = best_plans(offers)
        kept = int((offers.must & taken[0]).sum())
        assert value[0] + 1e6 * kept == pytest.approx(-solved.fun, abs=1e-3)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"allowed": np.ones((4, 4), dtype=bool)}, "later"),
        ({"clash": np.triu(np.ones((3, 3), dtype=bool))}, "symmetric"),
        ({"present": np.array([1.0, np.nan, 2.0])}, "finite"),
        ({"cost": np.zeros((3, 3))}, "cost"),
    ],
)
def test_offers_that_make_no_sense_are_refused(change: dict[str, np.ndarray], word: str) -> None:
    """A journey back in time, a one-sided exclusivity, an unknown worth, a wrong shape."""
    offers = season(5, 3)
    with pytest.raises(ValueError, match=word):
        Offers(**{**offers.__dict__, **change})
