"""Ranking and the paired comparison: against a bootstrap written out by hand, and against known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.air.climatology import year_weights
from pipeline.decisions import ranking
from pipeline.decisions.ranking import DRAWS, Comparison, YearSeries, rank


def compare(first: np.ndarray, second: np.ndarray) -> Comparison:
    """Two bookings whose stations have no trend."""
    return ranking.compare(YearSeries.without_trend(first), YearSeries.without_trend(second))


def test_draws_by_hand() -> None:
    """Weights that pick years 0, 0 and 2 of three give the mean of those values, without a trend."""
    series = YearSeries.without_trend(np.array([0.2, 0.4, 0.9]))
    weights = np.array([[2, 0, 1], [1, 1, 1], [0, 0, 3]]) / 3
    expected = [(0.2 + 0.2 + 0.9) / 3, (0.2 + 0.4 + 0.9) / 3, 0.9]
    np.testing.assert_allclose(series.draws(np.ones(3, dtype=bool), weights), expected)


def test_draws_refit_the_trend_by_hand() -> None:
    """The trend is the ratio of the drawn years' sums; its change moves the chance by what it is worth.

    Whole record: (1 + 2 + 6) / (1 + 2 + 3) = 1.5. Years 0, 0 and 2: (1 + 1 + 6) / (1 + 1 + 3) = 1.6, .1 more;
    those years are worth (.3 + .3 + .1) / 3 a unit of trend. Years 1, 1, 1: 2 / 2 = 1, .5 less, .2 a unit.
    """
    series = YearSeries(
        by_year=np.array([0.2, 0.4, 0.9]),
        per_trend=np.array([0.3, 0.2, 0.1]),
        numerator=np.array([1.0, 2.0, 6.0]),
        denominator=np.array([1.0, 2.0, 3.0]),
    )
    weights = np.array([[2, 0, 1], [0, 3, 0], [1, 1, 1]]) / 3
    expected = [
        (0.2 + 0.2 + 0.9) / 3 + (1.6 - 1.5) * (0.3 + 0.3 + 0.1) / 3,
        0.4 + (1.0 - 1.5) * 0.2,
        (0.2 + 0.4 + 0.9) / 3,
    ]
    np.testing.assert_allclose(series.draws(np.ones(3, dtype=bool), weights), expected)


def test_a_trend_that_is_worth_nothing_changes_nothing() -> None:
    """With no worth a unit of trend, a comparison with trends is the one without."""
    rng = np.random.default_rng(3)
    first, second = rng.uniform(size=(2, 18))
    zero, ones = np.zeros(18), np.ones(18)
    with_trend = [YearSeries(v, zero, rng.normal(size=18), ones) for v in (first, second)]
    assert ranking.compare(*with_trend) == compare(first, second)


def test_an_uncertain_trend_widens_the_interval() -> None:
    """The trend's own error is in the interval: independent errors add in squares.

    Yearly differences of sd .05 sqrt(2) over 20 years: se .0158. A trend from yearly errors of sd .5 over
    elapsed years with sum of squares 665: se .5 / sqrt(665) = .0194, worth .6 a unit: .0116. Together the
    interval is sqrt(.0158^2 + .0116^2) / .0158 = 1.24 times as wide, on average over 200 records (the ratio
    of one has an sd of about .2, so their mean .015; three of them, and the curvature of a ratio, allowed).
    """
    rng = np.random.default_rng(4)
    n, ratios = 20, []
    elapsed = np.arange(n) - (n - 1) / 2
    assert (elapsed**2).sum() == 665
    for _ in range(200):
        first, second = 0.5 + rng.normal(0, 0.05, n), 0.4 + rng.normal(0, 0.05, n)
        warm = 0.02 * elapsed + rng.normal(0, 0.5, n)
        trended = YearSeries(first, np.full(n, -0.6), elapsed * warm, elapsed**2)
        got = ranking.compare(trended, YearSeries.without_trend(second))
        without = compare(first, second)
        assert got.difference == pytest.approx(without.difference)
        ratios.append((got.upper - got.lower) / (without.upper - without.lower))
    assert np.mean(ratios) == pytest.approx(1.24, abs=0.045 + 0.03)


def test_the_interval_is_a_year_bootstrap_widened_for_few_years() -> None:
    """Against a direct percentile bootstrap of the yearly differences, drawn here with another generator.

    The spread is then widened by sqrt(n / (n - 1)) and by Student's t over the normal quantile (Hesterberg,
    "What teachers should know about the bootstrap", Am. Stat. 69 (2015) 371-386: the percentile interval's
    narrowness bias). Both bootstraps have a sampling error: 20,000 draws here, 1,000 there, whose 5 %
    quantile has a standard error of sqrt(.05 .95 / 1000) / (.103 / sd) = .067 sd: 4 of them are allowed.
    """
    rng = np.random.default_rng(5)
    for n in (5, 12, 25):
        first = rng.beta(6, 3, n)
        second = np.clip(first - rng.normal(0.03, 0.1, n), 0, 1)
        gap = first - second
        means = gap[rng.integers(0, n, (20_000, n))].mean(axis=1)
        widen = np.sqrt(n / (n - 1)) * stats.t.ppf(0.95, n - 1) / stats.norm.ppf(0.95)
        low, high = gap.mean() + widen * (np.quantile(means, [0.05, 0.95]) - gap.mean())
        got = compare(first, second)
        assert got.difference == pytest.approx(gap.mean())
        assert got.years == n
        error = 4 * 0.067 * means.std() * widen
        assert got.lower == pytest.approx(low, abs=error)
        assert got.upper == pytest.approx(high, abs=error)
        assert got.told_apart == (got.lower > 0 or got.upper < 0)


def test_coverage_over_simulated_years() -> None:
    """Two bookings that share their years: the 90 % interval of the difference covers in about 90 %.

    Known truth: yearly chances with a common part and a part each, differing by .08. 1,200 trials have a
    sampling error of sqrt(.9 .1 / 1200) = .0087; three of them either side, and two points more below, which
    a bootstrap of 12 years may lack.
    """
    rng = np.random.default_rng(17)
    trials, n, truth = 1200, 12, 0.08
    covered = above = below = 0
    for _ in range(trials):
        shared = rng.normal(0.0, 0.12, n)
        first = 0.60 + shared + rng.normal(0.0, 0.06, n)
        second = 0.60 - truth + shared + rng.normal(0.0, 0.06, n)
        got = compare(first, second)
        covered += got.lower <= truth <= got.upper
        above += truth > got.upper
        below += truth < got.lower
    assert 0.90 - 0.026 - 0.02 <= covered / trials <= 0.90 + 0.026
    # Neither tail does the missing alone: 5 % each, sampling error .0063.
    assert above / trials <= 0.05 + 0.019 + 0.01
    assert below / trials <= 0.05 + 0.019 + 0.01


def test_pairing_tells_apart_what_overlap_would_not() -> None:
    """Years far apart in both bookings alike: the intervals overlap, the paired difference leaves out 0."""
    years = np.linspace(0.2, 0.9, 15)
    first, second = years, years - 0.05 - 0.01 * np.sin(np.arange(15))
    spread = years.std(ddof=1) / np.sqrt(15)
    assert second.mean() + 1.76 * spread > first.mean() - 1.76 * spread, "the separate intervals overlap"
    got = compare(first, second)
    assert got.told_apart
    assert got.lower > 0.0


def test_unlucky_years_are_not_told_apart() -> None:
    """The same differences with both signs: nothing is told apart."""
    first = np.tile([0.5, 0.6], 8)
    second = np.tile([0.6, 0.5], 8)
    got = compare(first, second)
    assert got.difference == pytest.approx(0.0)
    assert not got.told_apart


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_years_tell_nothing_apart(n: int) -> None:
    """With under three shared years the interval is everything (-1 to 1), however far apart they lie."""
    first = np.full(6, np.nan)
    first[:n] = 1.0
    got = compare(first, np.zeros(6))
    assert got.years == n
    assert not got.told_apart
    if n:
        assert (got.difference, got.lower, got.upper) == (1.0, -1.0, 1.0)
    else:
        assert np.isnan(got.difference)


def test_only_shared_years_are_compared() -> None:
    """A year that one booking lacks says nothing about the difference."""
    first = np.array([0.9, 0.8, 0.7, 0.6, np.nan])
    second = np.array([np.nan, 0.7, 0.6, 0.5, 0.1])
    got = compare(first, second)
    assert got.years == 3
    assert got.difference == pytest.approx(0.1)


yearly = st.lists(st.floats(0, 1), min_size=3, max_size=25)


@settings(max_examples=150, deadline=None)
@given(yearly, st.data())
def test_the_comparison_is_antisymmetric(values: list[float], data: st.DataObject) -> None:
    """Property: swapping the two flips the sign of difference and ends; nothing is told from itself."""
    first = np.array(values)
    second = np.array(data.draw(st.lists(st.floats(0, 1), min_size=len(values), max_size=len(values))))
    one, other = compare(first, second), compare(second, first)
    assert one.difference == pytest.approx(-other.difference, abs=1e-12)
    assert one.lower == pytest.approx(-other.upper, abs=1e-9)
    assert one.upper == pytest.approx(-other.lower, abs=1e-9)
    assert one.told_apart == other.told_apart
    assert one.lower <= one.upper
    assert not compare(first, first).told_apart


@settings(max_examples=50, deadline=None)
@given(yearly, st.floats(0.001, 0.3))
def test_a_better_year_never_ranks_lower(values: list[float], gain: float) -> None:
    """Property: raising a booking in every year raises its difference to any other."""
    first = np.array(values)
    second = first[::-1].copy()
    before, after = compare(first, second), compare(first + gain, second)
    assert after.difference == pytest.approx(before.difference + gain)
    assert after.lower >= before.lower
    if before.lower > 0:
        assert after.told_apart


def test_order_ties_and_missing() -> None:
    """Best first, ties in the order written, no number last; told apart is symmetric and never of itself."""
    by_year = np.array(
        [
            [0.5, 0.5, 0.5, 0.5],
            [0.9, 0.9, 0.9, 0.9],
            [np.nan, np.nan, np.nan, np.nan],
            [0.5, 0.5, 0.5, 0.5],
            [0.1, 0.1, 0.1, 0.1],
        ]
    )
    value = np.array([0.5, 0.9, np.nan, 0.5, 0.1])
    order, apart = rank([YearSeries.without_trend(row) for row in by_year], value)
    assert order.tolist() == [1, 0, 3, 4, 2]
    np.testing.assert_array_equal(apart, apart.T)
    assert not apart.diagonal().any()
    assert apart[0, 1]
    assert apart[0, 4]
    assert not apart[0, 3], "a tie"
    assert not apart[2].any(), "no number is told from nothing"


def test_the_draws_are_the_same_every_time() -> None:
    """Two runs meet the same resamples, so that an answer does not change by itself."""
    rng = np.random.default_rng(1)
    first, second = rng.uniform(size=(2, 20))
    assert compare(first, second) == compare(first, second)
    np.testing.assert_array_equal(year_weights(20, DRAWS), year_weights(20, DRAWS))
