"""Scores against published values, closed forms and the libraries `scores` and scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from light_climates import ar1
from scipy.special import ndtr

from pipeline.decisions import verification as ver


def test_brier_and_murphy_s_parts():
    """p = .1 x4, .5 x4, .9 x2 with 0,0,0,1 | 0,1,1,0 | 1,1: visible arithmetic after Murphy (1973)."""
    p = [0.1] * 4 + [0.5] * 4 + [0.9] * 2
    o = [0, 0, 0, 1, 0, 1, 1, 0, 1, 1]
    parts = ver.brier_parts(p, o)
    assert parts.brier == pytest.approx((3 * 0.1**2 + 0.9**2 + 4 * 0.5**2 + 2 * 0.1**2) / 10)  # .186
    assert parts.reliability == pytest.approx((4 * (0.1 - 0.25) ** 2 + 0 + 2 * (0.9 - 1.0) ** 2) / 10)  # .011
    assert parts.resolution == pytest.approx((4 * (0.25 - 0.5) ** 2 + 0 + 2 * (1.0 - 0.5) ** 2) / 10)  # .075
    assert parts.uncertainty == pytest.approx(0.5 * 0.5)
    assert parts.brier == pytest.approx(0.186)
    assert parts.within == pytest.approx(0.0, abs=1e-12)


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=2, max_size=60))
@settings(max_examples=60, deadline=None)
def test_brier_equals_scikit_learn_and_its_parts_add_up(pairs):
    """scikit-learn's brier_score_loss; reliability - resolution + uncertainty + within = Brier, in bins."""
    from sklearn.metrics import brier_score_loss

    p = np.array([x for x, _ in pairs])
    o = np.array([float(x) for _, x in pairs])
    for edges in (None, np.linspace(0, 1, 6)):
        parts = ver.brier_parts(p, o, edges)
        assert parts.brier == pytest.approx(brier_score_loss(o, p, labels=[0, 1]))
        total = parts.reliability - parts.resolution + parts.uncertainty + parts.within
        assert parts.brier == pytest.approx(total)


def test_crps_of_a_small_sample():
    """Sample 1, 2, 3, 4 and 2.5 observed: mean distance 1 less half the mean distance of members, 20/16/2."""
    assert ver.crps_of_sorted(np.array([[1.0, 2.0, 3.0, 4.0]]), np.array([2.5]))[0] == pytest.approx(
        (1.5 + 0.5 + 0.5 + 1.5) / 4 - (20 / 16) / 2
    )  # .375


@pytest.mark.parametrize(("y", "expected"), [(0.0, 0.233695), (1.0, 0.602441)])
def test_crps_tends_to_the_normal_s(y, expected):
    """A large even sample of N(0,1): closed form of Gneiting and Raftery (2007)."""
    from scipy.special import ndtri

    sample = ndtri((np.arange(40_000) + 0.5) / 40_000)
    assert ver.crps_of_sorted(sample[None], np.array([y]))[0] == pytest.approx(expected, abs=2e-4)


def test_crps_equals_scores():
    """The library `scores`, crps_for_ensemble (ecdf), with missing members left out."""
    import xarray as xr
    from scores.probability import crps_for_ensemble

    g = np.random.default_rng(1)
    sample, y = g.gamma(2.0, 3.0, (30, 41)), g.gamma(2.0, 3.0, 30)
    sample[3:8, :7] = np.nan
    wanted = crps_for_ensemble(
        xr.DataArray(sample, dims=("case", "member")),
        xr.DataArray(y, dims="case"),
        "member",
        method="ecdf",
        preserve_dims="all",
    ).to_numpy()
    np.testing.assert_allclose(ver.crps_of_sorted(np.sort(sample, axis=-1), y), wanted, rtol=1e-9)
    np.testing.assert_allclose(
        ver.crps_against_one_sample(sample[0], y),
        ver.crps_of_sorted(np.sort(np.tile(sample[0], (30, 1)), axis=-1), y),
        rtol=1e-9,
    )


def test_bias_and_its_error_by_years():
    """Equal years: the error is that of the mean of the yearly means, sd / sqrt(years)."""
    g = np.random.default_rng(2)
    by_year = g.normal(size=(12, 50)) * 0.1 + g.normal(size=(12, 1))
    bias, error = ver.bias_with_error(by_year.ravel(), np.repeat(np.arange(12), 50))
    means = by_year.mean(axis=1)
    assert bias == pytest.approx(means.mean())
    assert error == pytest.approx(means.std(ddof=1) / np.sqrt(12))
    assert np.isnan(ver.bias_with_error([0.1, 0.2], [2001, 2001])[1])


def test_errors_of_brier_and_its_parts_by_years():
    """Equal years: the Brier score's is that of the mean of the yearly scores, sd / sqrt(years).

    A mean's jackknife is its plain standard error (Efron and Stein 1981). The parts' is their spread over
    many such records; base rates lie well off one half, where p(1 - p) is flat and no such error holds.
    """
    g = np.random.default_rng(4)
    edges, year = np.linspace(0, 1, 6), np.repeat(np.arange(12), 80)
    seen, told = [], []
    for _ in range(150):
        p = np.clip(g.beta(2, 3, (12, 1)) + 0.2 * g.uniform(-1, 1, (12, 80)), 0, 1)
        o = (g.random((12, 80)) < 0.7 * p).astype(float)
        parts = ver.brier_parts(p.ravel(), o.ravel(), edges)
        errors = ver.brier_errors(p.ravel(), o.ravel(), year, edges)
        by_year = ((p - o) ** 2).mean(axis=1)
        assert errors.brier == pytest.approx(by_year.std(ddof=1) / np.sqrt(12))
        seen.append((parts.reliability, parts.resolution, parts.uncertainty))
        told.append((errors.reliability, errors.resolution, errors.uncertainty))
    # The spread of 150 is known to 6 %, the jackknife of twelve years leans high by a little.
    np.testing.assert_allclose(np.sqrt(np.mean(np.square(told), axis=0)), np.std(seen, axis=0), rtol=0.25)
    assert np.isnan(ver.brier_errors([0.5], [1.0], [2001]).brier)


def test_skill_and_its_error():
    """Skill 1 - 2/4; the jackknife error of a ratio whose yearly scores are proportional is zero."""
    result = ver.skill([0.1, 0.2, 0.3], [0.2, 0.4, 0.6], [1, 2, 3])
    assert result.value == pytest.approx(0.5)
    assert result.error == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(ver.skill([0.0], [0.0], [1]).value)


@pytest.mark.parametrize(("hours", "memory"), [(1, 0.0), (1, 0.7), (4, 0.7)])
def test_consistency_bars_hold_a_reliable_forecast(hours, memory):
    """Outcomes drawn from the forecasts lie in nine bars of ten (Bröcker and Smith 2007).

    Also where neighbouring days, and all of a day's hours, share their weather: a latent AR(1) of the days.
    """
    g = np.random.default_rng(3)
    years, days = 16, 90
    season = np.linspace(0.05, 0.6, days)[:, None] + np.linspace(0.0, 0.3, hours)
    p = np.broadcast_to(season, (years, days, hours))
    year = np.repeat(np.arange(years), days * hours)
    inside = []
    for _ in range(100):
        latent = 0.9 * ar1(g, (years, days), memory)[..., None] if memory else 0.0
        latent = latent + (np.sqrt(1 - 0.81) if memory else 1.0) * g.standard_normal((years, days, hours))
        o = (ndtr(latent) < p).astype(float)
        diagram = ver.reliability(p.ravel(), o.ravel(), year)
        inside += list((diagram.observed >= diagram.low) & (diagram.observed <= diagram.high))
        assert diagram.count.sum() == p.size
    # 600 bars, hours of one day hardly independent: three binomial errors of 300 are .052.
    assert np.mean(inside) == pytest.approx(0.90, abs=0.052)
