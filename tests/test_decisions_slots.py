"""What hour: the show in each air, what an hour buys, and when to walk away."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.air.variables import FT
from pipeline.decisions import limits, slots
from pipeline.decisions.ranking import YearSeries


def test_which_show_takes_the_most_worth_times_chance() -> None:
    """By hand: 10 x .3 = 3 beats 4 x .7 = 2.8; 10 x 0 loses to 4 x .1; nothing flies at 0."""
    flown = np.array([[0.3, 0.0, 0.0, np.nan], [0.7, 0.1, 0.0, 0.5]])
    assert slots.which_show(flown, np.array([10.0, 4.0])).tolist() == [0, 1, -1, -2]


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 4), st.integers(1, 3), st.integers(0, 2**32 - 1))
def test_shares_are_those_of_a_plain_loop(routines: int, n_slots: int, seed: int) -> None:
    """Against a loop over every sampled hour, unknown hours left out; shares and "nothing" make one."""
    rng = np.random.default_rng(seed)
    shape = (n_slots, 2, 3, 3)
    may = rng.choice([0.0, 0.4, 1.0], size=(routines, *shape))
    flown = may * rng.choice([0.0, 0.2, 0.9, 1.0], size=may.shape)
    gone = rng.random(shape) < 0.15
    flown[:, gone] = np.nan
    value = rng.integers(1, 9, routines).astype(float)
    shares = slots.routine_shares(flown, may, value)
    for s in range(n_slots):
        for y in range(2):
            hours = [(d, h) for d in range(3) for h in range(3) if not gone[s, y, d, h]]
            if len({d for d, _ in hours}) < 0.5 * 3:  # a year counts by the days it holds
                assert np.isnan(shares.nothing[s, y])
                continue
            told, change, worth = np.zeros(routines), 0.0, 0.0
            for d, h in hours:
                f = flown[:, s, y, d, h]
                if (value * f).max() <= 0:
                    continue
                r = int(np.argmax(value * f))
                told[r] += may[r, s, y, d, h]
                change += may[r, s, y, d, h] - f[r]
                worth += value[r] * f[r]
            n = len(hours)
            np.testing.assert_allclose(shares.routine[:, s, y], told / n, atol=1e-12)
            assert shares.nothing[s, y] == pytest.approx(1.0 - told.sum() / n, abs=1e-12)
            assert shares.further_change[s, y] == pytest.approx(change / n, abs=1e-12)
            assert shares.crowd_value[s, y] == pytest.approx(worth / n, abs=1e-12)


def _loop_curves() -> limits.Curves:
    names = ("Loop", "Pass")
    nothing = np.array([np.nan, np.nan])
    comfortable = dict.fromkeys(limits.CONDITIONS, nothing) | {
        "density_altitude": np.array([6000.0, 8000.0]) * FT
    }
    limit = dict.fromkeys(limits.CONDITIONS, nothing) | {
        "density_altitude": np.array([8000.0, 10_000.0]) * FT
    }
    return limits.Curves(names, comfortable, limit)


BOTH = limits.RoutineChance(_loop_curves())
PASS = limits.RoutineChance(_loop_curves().take([1]))


@settings(max_examples=40, deadline=None)
@given(st.floats(3000.0, 11_000.0), st.floats(0.0, 1500.0))
def test_a_hotter_hour_never_looks_better(base_ft: float, hotter_ft: float) -> None:
    """By density altitude alone: neither the full show nor what is flown gains from thinner air."""
    air = np.array([base_ft, base_ft + hotter_ft]) * FT
    point = {c: np.zeros(2) for c in limits.CONDITIONS} | {"density_altitude": air}
    flown = np.stack([1.0 - routine(point) for routine in (BOTH, PASS)])
    shares = slots.routine_shares(
        flown[:, :, None, None, None], np.ones((2, 2, 1, 1, 1)), np.array([10.0, 4.0])
    )
    assert flown[0, 1] <= flown[0, 0] + 1e-12
    assert shares.crowd_value[1, 0] <= shares.crowd_value[0, 0] + 1e-12


@settings(max_examples=40, deadline=None)
@given(st.floats(3000.0, 11_000.0))
def test_one_more_figure_never_lowers_the_chance_of_change(air_ft: float) -> None:
    """A routine with another figure is changed at least as often in the same air."""
    point = {c: np.zeros(1) for c in limits.CONDITIONS} | {"density_altitude": np.array([air_ft * FT])}
    # The table behind a routine is good to 1e-5.
    assert BOTH(point)[0] >= PASS(point)[0] - 1e-5


def test_paired_differences_leave_out_hours_that_one_slot_lacks() -> None:
    """Afternoon = morning + 1,000 ft on every day: the difference is 1,000 ft whatever is missing."""
    rng = np.random.default_rng(5)
    morning = rng.normal(8000.0, 600.0, (6, 31, 3))
    values = np.stack([morning, morning + 1000.0])
    values[1, :, ::7] = np.nan
    paired = slots.paired_by_year(values, 0)
    np.testing.assert_allclose(paired[1], 1000.0)
    # Taken apart the two means differ by something else: other days are missing.
    unpaired = np.nanmean(values[1], axis=(1, 2)) - morning.mean(axis=(1, 2))
    assert np.abs(unpaired - 1000.0).max() > 5.0


def test_what_an_hour_buys_against_a_direct_bootstrap() -> None:
    """Interval of a paired difference against 20,000 plain resamples of years, widened as the method says.

    Widening: sqrt(n / (n - 1)) and Student's t over the normal quantile (Newcombe's remark on percentile
    intervals; the factors are computed by SciPy). 1,000 draws against 20,000: the ends agree within 6 % of
    the width, the sampling error of a 5 % quantile of 1,000 draws being about 3 % of it.
    """
    rng = np.random.default_rng(7)
    first, second = rng.uniform(0.5, 0.9, 20), rng.uniform(0.3, 0.8, 20)
    told = slots.against([YearSeries.without_trend(first), YearSeries.without_trend(second)], 1)[0]
    draws = np.array([(first - second)[rng.integers(0, 20, 20)].mean() for _ in range(20_000)])
    mean = (first - second).mean()
    widen = np.sqrt(20 / 19) * stats.t.ppf(0.95, 19) / stats.norm.ppf(0.95)
    low, high = mean + widen * (np.quantile(draws, [0.05, 0.95]) - mean)
    width = high - low
    assert told.difference == pytest.approx(mean, abs=1e-12)
    assert told.lower == pytest.approx(low, abs=0.06 * width)
    assert told.upper == pytest.approx(high, abs=0.06 * width)
    assert told.told_apart


def test_hot_years_are_hot_at_both_hours() -> None:
    """Years vary by far more than the hours differ; paired draws still tell the hours apart."""
    rng = np.random.default_rng(3)
    years = rng.normal(0.5, 0.15, 20)
    better = YearSeries.without_trend(years + 0.03 + rng.normal(0, 0.005, 20))
    worse = YearSeries.without_trend(years)
    assert slots.against([better, worse], 1)[0].told_apart
    assert slots.alike([better, worse], 0, np.array([True, True])).tolist() == [True, False]
    assert slots.alike([worse, worse], 0, np.array([True, True])).tolist() == [True, True]


def test_the_acceptable_run_ends_at_the_first_hour_to_be_refused() -> None:
    """By hand: .9 .8 .6 .5 .8 at a stated .7 from the first: two slots; the good evening is no part of it."""
    chance = np.array([0.9, 0.8, 0.6, 0.5, 0.8])
    allowed = np.ones(5, dtype=bool)
    assert slots.acceptable(chance >= 0.7, 0, allowed).tolist() == [True, True, False, False, False]
    assert slots.acceptable(chance >= 0.7, 4, allowed).tolist() == [False, False, False, False, True]
    assert not slots.acceptable(chance >= 0.7, 2, allowed).any()
    assert slots.acceptable(chance >= 0.7, 0, np.array([True, False, True, True, True])).tolist() == [
        True, False, False, False, False,
    ]  # fmt: skip
    assert not slots.acceptable(np.full(5, np.nan) >= 0.1, 0, allowed).any()


def test_best_slot_and_running_late() -> None:
    """The earliest of equals; no slot where nothing is known; 60 minutes after 14:25 is the 15:30 slot."""
    assert slots.best_slot(np.array([0.2, 0.7, 0.7]), np.ones(3, dtype=bool)) == 1
    assert slots.best_slot(np.array([0.2, 0.9, 0.7]), np.array([True, False, True])) == 2
    assert slots.best_slot(np.array([np.nan]), np.ones(1, dtype=bool)) is None
    minutes = np.array([14 * 60, 14 * 60 + 25, 14 * 60 + 30, 15 * 60, 15 * 60 + 30])
    assert slots.slot_after(minutes, 1, 60) == 4
    assert slots.slot_after(minutes, 3, 60) is None
