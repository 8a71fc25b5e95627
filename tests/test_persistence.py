"""The evening before and the same day: identities, honest intervals, and the end at 36 hours."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import foldnorm
from scipy.stats.mstats import mquantiles

from pipeline.air import persistence as per


def pairs(rho: float, n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    g = np.random.default_rng(seed)
    e = g.standard_normal(n)
    return e, rho * e + np.sqrt(1 - rho**2) * g.standard_normal(n)


P = [0.1, 0.5, 0.9]


def at_lead(e: np.ndarray, s: np.ndarray, now: float, lead: float, p: list[float] = P) -> np.ndarray:
    """Quantiles at the show hour when every lead holds the same pairs."""
    share, rest = per.carrier(np.broadcast_to(e, (per.LEADS.size, e.size)), s, p)
    return per.carried(now, share, rest, lead)[0]


def test_factor_equals_least_squares():
    """phi is the slope of numpy's least squares with an intercept; pairs with a NaN are left out."""
    e, s = pairs(0.6, 400)
    slope = np.linalg.lstsq(np.stack([e, np.ones_like(e)], axis=1), s, rcond=None)[0][0]
    share, _ = per.carrier(np.stack([e, e]), s, P)
    assert share == pytest.approx([slope, slope])
    share, _ = per.carrier(np.append(e, np.nan), np.append(s, 5.0), P)
    assert share == pytest.approx(slope)


def test_quantiles_are_those_of_the_stated_estimator():
    """x = mu + phi a0 + (s - phi e), every member written out, and SciPy's quantiles of type 8 of them."""
    e, s = pairs(0.7, 80)
    now = 1.3
    a, b = e - e.mean(), s - s.mean()
    phi = (a * b).sum() / (a * a).sum()
    members = s.mean() + phi * (now - e.mean()) + b - phi * a
    np.testing.assert_allclose(at_lead(e, s, now, 6.0), mquantiles(members, P, alphap=1 / 3, betap=1 / 3))


def test_between_hours_the_estimator_is_between():
    """At whole hours the hour's own; a report of the show hour itself is the answer, without spread."""
    g = np.random.default_rng(7)
    s = g.standard_normal(200)
    e = s + np.arange(per.LEADS.size)[:, None] * 0.1 * g.standard_normal((per.LEADS.size, 200))
    share, rest = per.carrier(e, s, P)
    assert per.carried(0.4, share, rest, 0.0)[0] == pytest.approx([0.4] * 3)
    for lead in (0.0, 5.0, 36.0):
        assert per.carried(0.4, share, rest, lead)[0] == pytest.approx(
            0.4 * share[int(lead)] + rest[int(lead)]
        )
    half = per.carried(0.4, share, rest, 5.5)
    both = [per.carried(0.4, share, rest, lead) for lead in (5.0, 6.0)]
    assert half[0] == pytest.approx(0.5 * (both[0][0] + both[1][0]))
    assert half[1] == pytest.approx(0.5 * (both[0][1] + both[1][1]))


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_intervals_are_honest_and_narrow_with_skill(rho):
    """Gaussian pairs: the 90 % interval holds 9 in 10, and its width is sqrt(1 - rho^2) of the climate's."""
    e, s = pairs(rho, 1500, seed=1)
    now, then = pairs(rho, 1500, seed=2)
    low, high = np.array([at_lead(e, s, a, 12.0, [0.05, 0.95]) for a in now]).T
    # 1,500 cases: two standard errors of .9 are .0155; the quantiles' own error adds as much.
    assert np.mean((low <= then) & (then <= high)) == pytest.approx(0.9, abs=0.025)
    assert np.mean(high - low) == pytest.approx(2 * 1.645 * np.sqrt(1 - rho**2), rel=0.05)


def test_speeds_are_never_below_zero():
    """A gust after a calm report, where the root's low quantile is below zero: zero, not its square."""
    g = np.random.default_rng(4)
    e = g.gamma(2.0, 2.0, 500)
    s = np.maximum(0.9 * e + g.normal(0, 3.0, 500), 0.0)
    share, rest = per.speed_carrier(np.broadcast_to(e, (per.LEADS.size, 500)), s, P)
    quantiles, _ = per.carried_speed(0.0, share, rest, 10.0)
    assert rest[10, 0] < 0.0
    assert quantiles[0] == 0.0
    assert np.all(np.diff(quantiles) >= 0.0)
    assert per.carried_speed(15.0, share, rest, 10.0)[0][1] > quantiles[1]


def test_nothing_beyond_thirty_six_hours_and_nothing_from_few_pairs():
    """Station persistence serves the evening before and the day itself only."""
    e, s = pairs(0.5, 200)
    assert np.isfinite(at_lead(e, s, 0.0, 36.0)).all()
    with pytest.raises(ValueError, match="climatology"):
        at_lead(e, s, 0.0, 36.1)
    assert np.isnan(at_lead(e[:59], s[:59], 0.0, 6.0)).all()
    assert np.isfinite(at_lead(e[:60], s[:60], 0.0, 6.0)).all()


def test_a_crosswind_is_carried_with_its_sign_and_loses_it_last():
    """Gaussian pairs: what is left is a folded normal, whose distribution SciPy has."""
    rho, now, n = 0.6, -1.2, 400
    e, s = pairs(rho, 200_000, seed=3)
    middles = (np.arange(n) + 0.5) / n
    share, rest = per.carrier(np.broadcast_to(e, (1, e.size)), s, middles)
    sizes, phi = per.carried_crosswind(now, share, rest, 0.0)
    assert phi == pytest.approx(rho, abs=0.01)
    left = np.sqrt(1 - rho**2)
    told = foldnorm(abs(rho * now) / left, scale=left)
    # 200,000 pairs: the quantiles' own error is under .01 save in the outer hundredths.
    assert sizes[8:-8] == pytest.approx(told.ppf(middles)[8:-8], abs=0.02)
    assert sizes.min() >= 0.0
