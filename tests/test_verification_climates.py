"""Hindcasts of many climates of known truth: coverage and bias, with and without trend and new practice."""

from __future__ import annotations

import numpy as np
import pytest
from light_climates import LightClimate, light_record, light_targets

from pipeline.air import climatology as clim
from pipeline.air.variables import FT, KT
from pipeline.decisions import hindcast as hc

RUNWAY = 170.0
LEVELS = {"density_altitude": [7000 * FT, 8000 * FT], "crosswind": [10 * KT]}
GUST = ("gust", 20 * KT)
CLIMATES = {
    "steady": LightClimate(years=15),
    "warming, with a new practice": LightClimate(years=15, trend=0.04, practice_year=2006),
}


def mean_and_error(rows, name):
    values = np.array([r[name] for r in rows])
    return values.mean(), values.std(ddof=1) / np.sqrt(values.size)


@pytest.fixture(scope="module", params=CLIMATES)
def two_hundred_stations(request):
    """Scores of forward hindcasts, one row a station: density altitude, and each threshold.

    Fits of gusts take longest, so that gusts are scored in the last year alone.
    """
    climate = CLIMATES[request.param]
    targets = light_targets(climate, every=10)
    da, rows = [], {}
    for seed in range(200):
        air = hc.hourly_air(light_record(climate, seed), RUNWAY)
        result = hc.hindcast(air, targets, LEVELS, first_year=2011, compare=False)
        gusty = hc.hindcast(air, targets, {GUST[0]: GUST[1:]}, first_year=2014, compare=False)
        da.append(hc.density_altitude_scores(result))
        for scored in (result, gusty):
            for key in scored.probability:
                rows.setdefault(key, []).append(hc.threshold_scores(scored, key))
    return da, rows


def test_forward_coverage_and_bias_over_two_hundred_stations(two_hundred_stations):
    """Coverage, tails and bias within two sampling errors, and each station's own stated error is right."""
    da, rows = two_hundred_stations
    for name, share in (("coverage_90", 0.90), ("tail_low", 0.05), ("tail_high", 0.05)):
        seen, error = mean_and_error(da, name)
        assert abs(seen - share) <= 2 * error, (name, seen, error)
    for key, told in rows.items():
        if key == GUST:
            continue
        bias, error = mean_and_error(told, "bias")
        assert abs(bias) <= 2 * error, (key, bias, error)
        # Four scored years: |t| < 2 holds in 86 % (Student's t, 3 degrees), less what years share.
        within = np.mean([abs(r["bias"]) <= 2 * r["bias_se"] for r in told])
        assert within >= 0.76


def test_forward_gust_bias_over_two_hundred_stations(two_hundred_stations):
    """Gusts censored below 10 kt over the mean; before the change six in ten go unreported.

    Taking a missing gust for the mean wind in those years would be off by half of the base rate.
    """
    told = two_hundred_stations[1][GUST]
    bias, error = mean_and_error(told, "bias")
    base, _ = mean_and_error(told, "base_rate")
    assert abs(bias) <= 2 * error
    assert abs(bias) <= 0.15 * base
    # A steady practice is now and then taken for changed; then it may be too young to be scored.
    assert np.mean([r["years"] == 1 for r in told]) >= 0.9


def test_only_earlier_years_are_used():
    """Forward: spoiling a year and all later ones leaves the forecasts up to that year as they were."""
    climate = LightClimate(years=14)
    record = light_record(climate, 5)
    targets = light_targets(climate)
    levels = {**LEVELS, "gust": [20 * KT]}
    before = hc.hindcast(hc.hourly_air(record, RUNWAY), targets, levels, first_year=2009)
    years = 1970 + (record.first_hour + np.arange(record.values["wind_speed"].size)).astype(
        "datetime64[h]"
    ).astype("datetime64[Y]").astype(int)
    spoilt = {k: v.copy() for k, v in record.values.items()}
    spoilt["air_temperature"][years >= 2012] += 5.0
    spoilt["wind_speed"][years >= 2012] *= 1.5
    later = hc.StationRecord(record.first_hour, spoilt, record.elevation, False)
    after = hc.hindcast(hc.hourly_air(later, RUNWAY), targets, levels, first_year=2009)
    at = targets.year <= 2012
    np.testing.assert_allclose(before.low[at], after.low[at])
    for key in before.probability:
        if key[0] != "gust":  # the year the practice changed is metadata of the whole record
            np.testing.assert_allclose(before.probability[key][at], after.probability[key][at])
    assert not np.allclose(before.low[targets.year == 2013], after.low[targets.year == 2013])


def test_a_history_of_so_many_years_reaches_no_further_back():
    """Eleven years back: spoiling what lies before them changes neither forecast nor reference."""
    climate = LightClimate(years=15)
    record, targets = light_record(climate, 5), light_targets(climate)
    levels = {**LEVELS, GUST[0]: GUST[1:]}
    years = 1970 + (record.first_hour + np.arange(record.values["wind_speed"].size)).astype(
        "datetime64[h]"
    ).astype("datetime64[Y]").astype(int)
    spoilt = {k: v.copy() for k, v in record.values.items()}
    spoilt["air_temperature"][years < 2003] += 5.0
    for name in ("wind_speed", "wind_speed_of_gust"):
        spoilt[name][years < 2003] *= 1.1
    near, far, spoilt_near, spoilt_far = (
        hc.hindcast(hc.hourly_air(r, RUNWAY), targets, levels, first_year=2014, history_years=reach)
        for r in (record, hc.StationRecord(record.first_hour, spoilt, record.elevation, False))
        for reach in (11, None)
    )
    at = targets.year == 2014

    def told(result):
        return [result.low, result.crps_reference, *result.probability.values(), *result.reference.values()]

    for as_it_is, changed in zip(told(near), told(spoilt_near), strict=True):
        assert np.isfinite(as_it_is[at]).all()
        np.testing.assert_array_equal(as_it_is[at], changed[at])
    for as_it_is, changed in zip(told(far), told(spoilt_far), strict=True):
        assert not np.array_equal(as_it_is[at], changed[at])


def test_leave_one_out_leaves_the_year_out():
    """Spoiling one year leaves its own forecast unchanged, and changes the others'."""
    climate = LightClimate(years=12)
    record, targets = light_record(climate, 6), light_targets(climate)
    before = hc.hindcast(hc.hourly_air(record, RUNWAY), targets, LEVELS, scheme="leave_one_out")
    years = 1970 + (record.first_hour + np.arange(record.values["wind_speed"].size)).astype(
        "datetime64[h]"
    ).astype("datetime64[Y]").astype(int)
    spoilt = {k: v.copy() for k, v in record.values.items()}
    spoilt["air_temperature"][years == 2005] += 5.0
    after = hc.hindcast(
        hc.hourly_air(hc.StationRecord(record.first_hour, spoilt, record.elevation, False), RUNWAY),
        targets, LEVELS, scheme="leave_one_out",
    )  # fmt: skip
    own = targets.year == 2005
    np.testing.assert_allclose(before.high[own], after.high[own], atol=0.01)
    assert not np.allclose(before.high[~own], after.high[~own])


def test_hindcast_equals_a_plain_count():
    """One forecast by hand: numpy over the days within 15 and hours within one of all earlier years."""
    climate = LightClimate(years=12)
    record, targets = light_record(climate, 8), light_targets(climate)
    key = ("crosswind", 10 * KT)
    result = hc.hindcast(
        hc.hourly_air(record, RUNWAY), targets, {"crosswind": [key[1]]}, first_year=2011, compare=False
    )
    i = int(np.flatnonzero(targets.year == 2011)[3])
    angle = np.radians(record.values["wind_from_direction"] - RUNWAY)
    across = np.abs(np.rint(record.values["wind_speed"] / KT) * KT * np.sin(angle))
    shares = []
    for year in range(2000, 2011):
        day = targets.utc[i].astype("datetime64[D]")
        same = np.datetime64(f"{year}-{str(day)[5:]}", "D").astype(int) * 24 + 20 - record.first_hour
        hours = [same + 24 * d + h for d in range(-15, 16) for h in (-1, 0, 1)]
        shares.append(np.mean(across[hours] >= 10 * KT - 1e-6))
    assert result.probability[key][i] == pytest.approx(np.mean(shares))


def test_gusts_leaving_a_year_out_equal_a_plain_count():
    """Reported gust or mean wind in whole knots, over all other years since the reports changed in 2003."""
    climate = LightClimate(years=14, practice_year=2003)
    record, targets = light_record(climate, 8), light_targets(climate)
    air = hc.hourly_air(record, RUNWAY)
    assert (air.practice.first_year, air.practice.last_year) == (2003, 2013)
    result = hc.hindcast(air, targets, {GUST[0]: GUST[1:]}, scheme="leave_one_out", compare=False)
    assert result.scored_years("gust") == list(range(2003, 2014))
    speed, gust = (np.rint(record.values[k] / KT) for k in ("wind_speed", "wind_speed_of_gust"))
    peak = np.fmax(speed, gust)
    i = int(np.flatnonzero(targets.year == 2008)[3])
    shares = []
    for year in set(range(2003, 2014)) - {2008}:
        day = targets.utc[i].astype("datetime64[D]")
        same = np.datetime64(f"{year}-{str(day)[5:]}", "D").astype(int) * 24 + 20 - record.first_hour
        hours = [same + 24 * d + h for d in range(-15, 16) for h in (-1, 0, 1)]
        shares.append(np.mean(peak[hours] >= 20))
    assert result.probability[GUST][i] == pytest.approx(np.mean(shares))


@pytest.mark.parametrize("drop", [None, 2006])
def test_refit_from_yearly_sums_equals_the_plain_fit(drop):
    """The cycle and trend from sums by year are those of the fit over all hours at once."""
    g = np.random.default_rng(9)
    first = int(np.datetime64("2000-01-01T05", "h").astype(int))
    t = np.arange(13 * 8766)
    values = 285 + 9 * np.cos(2 * np.pi * t / 8766) + 4 * np.cos(2 * np.pi * t / 24) + t * 5e-6
    values = values + g.normal(0, 3, t.size)
    values[g.random(t.size) < 0.2] = np.nan
    plain = clim.fit_seasonal_cycle(values, first, trend=True, exclude_year=drop)
    sums = clim.yearly_sums(values, first)
    again = clim.refit(sums, sums.years != (drop or 0), trend=True)
    np.testing.assert_allclose(again.coefficients, plain.coefficients, atol=1e-8)
    assert again.trend == pytest.approx(plain.trend, rel=1e-8)
    np.testing.assert_allclose(again.numerator, plain.numerator, rtol=1e-6)
    at = first + np.array([100.0, 5000.5, 50_000.25])
    np.testing.assert_allclose(clim.CyclePicker(at).value(again), clim.seasonal_value(plain, at), atol=1e-8)
