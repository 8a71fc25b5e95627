"""The evening before and the same day: identities, honest intervals, and the end at 36 hours."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.air import persistence as per


def pairs(rho: float, n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    g = np.random.default_rng(seed)
    e = g.standard_normal(n)
    return e, rho * e + np.sqrt(1 - rho**2) * g.standard_normal(n)


def test_factor_equals_least_squares():
    """phi is the slope of numpy's least squares on centred pairs; NaN pairs are left out."""
    e, s = pairs(0.6, 400)
    e, s = e - e.mean(), s - s.mean()
    slope = np.linalg.lstsq(e[:, None], s, rcond=None)[0][0]
    assert per.persistence_factor(e, s) == pytest.approx(slope)
    assert per.persistence_factor(np.append(e, np.nan), np.append(s, 5.0)) == pytest.approx(slope)


def test_members_are_the_stated_estimator():
    """x = mu + phi a0 + (s - phi e), written out."""
    e, s = pairs(0.7, 80)
    now = 1.3
    told = per.carried_value(now, e, s, lead=6.0)
    a, b = e - e.mean(), s - s.mean()
    phi = (a * b).sum() / (a * a).sum()
    np.testing.assert_allclose(told.members, s.mean() + phi * (now - e.mean()) + b - phi * a)
    assert told.factor == pytest.approx(phi)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_intervals_are_honest_and_narrow_with_skill(rho):
    """Gaussian pairs: the 90 % interval holds 9 in 10, and its width is sqrt(1 - rho^2) of the climate's."""
    e, s = pairs(rho, 1500, seed=1)
    now, then = pairs(rho, 1500, seed=2)
    inside, width = [], []
    for a, b in zip(now, then, strict=True):
        low, high = per.carried_value(a, e, s, lead=12.0).quantile([0.05, 0.95])
        inside.append(low <= b <= high)
        width.append(high - low)
    # 1,500 cases: two standard errors of .9 are .0155; the quantiles' own error adds as much.
    assert np.mean(inside) == pytest.approx(0.9, abs=0.025)
    assert np.mean(width) == pytest.approx(2 * 1.645 * np.sqrt(1 - rho**2), rel=0.05)


def test_speeds_stay_positive_and_crosswinds_lose_their_sign():
    """A gust's members are at least zero; a crosswind through the runway's line is small, not negative."""
    g = np.random.default_rng(4)
    e = g.gamma(4.0, 2.0, 500)
    s = np.maximum(e + g.normal(0, 3.0, 500), 0.0)
    told = per.carried_speed(15.0, e, s, lead=10.0)
    assert told.members.min() >= 0.0
    assert told.exceedance(0.0) == 1.0
    assert np.all(np.diff(told.exceedance([5.0, 10.0, 15.0])) <= 0)
    x = per.carried_crosswind(-4.0, g.normal(0, 3, 500), g.normal(0, 3, 500), lead=3.0)
    assert x.members.min() >= 0.0
    with pytest.raises(ValueError, match="never below zero"):
        per.carried_speed(1.0, -e, s, lead=1.0)


def test_nothing_beyond_thirty_six_hours():
    """Station persistence serves the evening before and the day itself only."""
    e, s = pairs(0.5, 200)
    per.carried_value(0.0, e, s, lead=36.0)
    with pytest.raises(ValueError, match="climatology"):
        per.carried_value(0.0, e, s, lead=36.1)
    with pytest.raises(ValueError, match="not enough history"):
        per.carried_value(0.0, e[:30], s[:30], lead=6.0)
    with pytest.raises(ValueError, match="missing"):
        per.carried_value(np.nan, e, s, lead=6.0)
