"""Show-hour samples, seasonal cycles, quantiles and intervals."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air import climatology as clim
from pipeline.air.show_hours import Site, StationRecord, show_hour_sample, station_cycles

HOURS_PER_YEAR = 24 * 365.2425


def hour_of(text: str) -> int:
    return int(np.datetime64(text, "h").astype(np.int64))


def record_hours(first: str, last: str) -> np.ndarray:
    return np.arange(hour_of(first), hour_of(last))


def known_climate(hours: np.ndarray, *, trend: float = 0.0, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """A yearly and a daily cycle, a trend per year and white noise: the truth is known."""
    yearly = 10.0 * np.cos(2 * np.pi * hours / HOURS_PER_YEAR - 3.4)
    daily = 6.0 * np.cos(2 * np.pi * (hours % 24) / 24 - 4.0)
    white = noise * np.random.default_rng(seed).standard_normal(hours.size)
    return 285.0 + yearly + daily + trend * hours / HOURS_PER_YEAR + white


def test_cycle_of_a_known_climate_is_recovered():
    """Without noise the fit is the truth, at whole hours and, linearly, between them."""
    hours = record_hours("2001-01-01T05", "2015-01-01T00")
    cycle = clim.fit_seasonal_cycle(known_climate(hours, trend=0.04), int(hours[0]), trend=True)
    assert cycle.trend == pytest.approx(0.04, abs=2e-4)
    at = np.array([hour_of("2010-07-04T15"), hour_of("2024-02-29T09")], dtype=float)
    np.testing.assert_allclose(clim.seasonal_value(cycle, at), known_climate(at, trend=0.04), atol=0.05)
    between = at + 0.5
    middle = 0.5 * (clim.seasonal_value(cycle, at) + clim.seasonal_value(cycle, at + 1))
    np.testing.assert_allclose(clim.seasonal_value(cycle, between), middle, atol=1e-6)


def test_trend_is_the_joint_least_squares_one():
    """Partialling out is exact: the pooled trend equals that of one big regression (numpy lstsq)."""
    hours = record_hours("2003-01-01T00", "2014-01-01T00")
    values = known_climate(hours, trend=0.1, noise=2.0)
    values[np.random.default_rng(1).random(hours.size) < 0.3] = np.nan
    values[(hours > hour_of("2006-02-01T00")) & (hours < hour_of("2006-11-01T00"))] = np.nan
    cycle = clim.fit_seasonal_cycle(values, int(hours[0]), trend=True)
    day = hours // 24 + 0.5
    phase = 2 * np.pi * day / 365.2425
    season = np.stack(
        [np.ones_like(phase)] + [f(k * phase) for k in (1, 2, 3) for f in (np.cos, np.sin)], axis=1
    )
    held = np.isfinite(values)
    blocks = np.zeros((hours.size, 24 * 7 + 1))
    for h in range(24):
        rows = hours % 24 == h
        blocks[rows, h * 7 : h * 7 + 7] = season[rows]
    blocks[:, -1] = day / 365.2425
    solution = np.linalg.lstsq(blocks[held], values[held], rcond=None)[0]
    assert cycle.trend == pytest.approx(solution[-1], abs=1e-9)


def test_no_trend_from_few_years():
    """Nine years: a trend's sampling error would exceed any plausible trend."""
    hours = record_hours("2003-01-01T00", "2012-01-01T00")
    assert clim.fit_seasonal_cycle(known_climate(hours, trend=0.1), int(hours[0]), trend=True).trend == 0.0


def test_hours_of_the_day_without_reports_have_no_cycle():
    """A station that reports by day only has no night: no number is made up for it."""
    hours = record_hours("2003-01-01T00", "2008-01-01T00")
    values = np.where((hours % 24 >= 12) & (hours % 24 <= 23), known_climate(hours), np.nan)
    cycle = clim.fit_seasonal_cycle(values, int(hours[0]), trend=False)
    assert np.isnan(clim.seasonal_value(cycle, [float(hour_of("2005-06-01T03"))])).all()
    assert np.isfinite(clim.seasonal_value(cycle, [float(hour_of("2005-06-01T15"))])).all()


def test_leaving_a_year_out_is_refitting_without_it():
    """`exclude_year` equals a fit to a record in which that year is missing."""
    hours = record_hours("2001-01-01T00", "2013-01-01T00")
    values = known_climate(hours, trend=0.05, noise=3.0)
    gone = np.where((hours >= hour_of("2005-01-01T00")) & (hours < hour_of("2006-01-01T00")), np.nan, values)
    one = clim.fit_seasonal_cycle(values, int(hours[0]), trend=True, exclude_year=2005)
    two = clim.fit_seasonal_cycle(gone, int(hours[0]), trend=True)
    np.testing.assert_allclose(one.coefficients, two.coefficients)
    assert one.trend == two.trend
    assert 2005 not in one.years


def test_same_utc_instant_in_every_year():
    """19:30 UTC stays 19:30 UTC in each year: no daylight-saving rule of the past can shift the sun."""
    window = clim.window_index(
        np.array(["2027-07-10T19:30"], dtype="datetime64[s]"), np.arange(2005, 2008), window_days=2
    )
    assert window.instants.shape == (1, 3, 5, 3)
    np.testing.assert_allclose(window.instants % 24, np.broadcast_to([18.5, 19.5, 20.5], (1, 3, 5, 3)))
    assert window.instants[0, 0, 2, 1] == hour_of("2005-07-10T19") + 0.5
    assert window.instants[0, 2, 0, 1] == hour_of("2007-07-08T19") + 0.5


def test_leap_day_is_looked_up_on_the_day_before():
    """29 February has no namesake in three years of four."""
    window = clim.window_index(
        np.array(["2028-02-29T12:00"], dtype="datetime64[s]"), np.array([2005]), window_days=0
    )
    assert window.instants[0, 0, 0, 1] == hour_of("2005-02-28T12")


def test_gather_interpolates_and_keeps_missing():
    """Linear between the reports on either side; missing if either is; outside the record missing."""
    values = np.array([10.0, 14.0, np.nan, 20.0])
    got = clim.gather(values, 100, np.array([100.0, 100.25, 101.5, 103.0, 99.5, 103.5]))
    np.testing.assert_allclose(got, [10.0, 11.0, np.nan, 20.0, np.nan, np.nan])
    near = clim.gather_nearest(values, 100, np.array([100.4, 100.5, 103.4, 103.5]))
    np.testing.assert_allclose(near, [10.0, 14.0, 20.0, np.nan])


@pytest.mark.parametrize(("kind", "expected"), [("median_unbiased", 9.633)])
def test_quantile_type_8(kind, expected):
    """Hyndman & Fan (1996): type 8 of 1..10 at .9 is 9.633; numpy's own elsewhere."""
    assert clim.quantiles(np.arange(1.0, 11.0), [0.9])[0] == pytest.approx(expected, abs=5e-4)
    sample = np.random.default_rng(0).standard_normal((4, 57))
    p = [0.02, 0.1, 0.5, 0.9, 0.99]
    np.testing.assert_allclose(clim.quantiles(sample, p).T, np.quantile(sample, p, axis=1, method=kind))


@given(st.lists(st.one_of(st.floats(-1e3, 1e3), st.just(np.nan)), min_size=1, max_size=60))
def test_quantiles_leave_missing_out(values):
    """NaN is left out, not counted; nothing held gives NaN."""
    array = np.array(values)
    held = array[np.isfinite(array)]
    got = clim.quantiles(array, [0.1, 0.5, 0.9])
    if held.size:
        np.testing.assert_allclose(got, np.quantile(held, [0.1, 0.5, 0.9], method="median_unbiased"))
    else:
        assert np.isnan(got).all()


@pytest.mark.parametrize(
    ("successes", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611)],
)
def test_wilson_interval_values(successes, n, low, high):
    """Newcombe (1998), table of worked examples at 95 % (values from memory, checked with statsmodels)."""
    got = clim.wilson_interval(successes / n, n, level=0.95)
    assert got[0] == pytest.approx(low, abs=5e-5)
    assert got[1] == pytest.approx(high, abs=5e-5)


def test_wilson_interval_with_students_t():
    """Twenty years: the normal quantile gives way to t with 19 degrees of freedom (scipy)."""
    t = scipy.stats.t.ppf(0.95, 19)
    n, p = 50.0, 0.2
    centre = (p + t**2 / (2 * n)) / (1 + t**2 / n)
    half = t * np.sqrt(p * (1 - p) / n + t**2 / (4 * n**2)) / (1 + t**2 / n)
    low, high = clim.wilson_interval(p, n, 20)
    assert (low, high) == (pytest.approx(centre - half), pytest.approx(centre + half))
    assert clim.wilson_interval(0.3, 50.0, 1) == (0.0, 1.0)


@given(st.floats(0, 1), st.floats(1, 500), st.integers(2, 40))
def test_wilson_interval_holds_its_estimate(p, n, years):
    """Within 0 and 1, and around the estimate, at the ends too."""
    low, high = clim.wilson_interval(p, n, years)
    assert 0 <= low <= p <= high <= 1


def test_effective_days():
    """n (1 - r) / (1 + r): 30 days at r = .5 are 10 (Thiébaux & Zwiers 1984)."""
    assert clim.effective_days(30, 0.5) == pytest.approx(10)
    assert clim.effective_days(30, 0.99) == 1.0


def test_effective_sample_size_is_the_smaller():
    """p (1 - p) over the squared error of the mean of years, capped by the independent days."""
    by_year = np.array([0.1, 0.3, 0.2, 0.4])
    p, n, years = clim.effective_sample_size(by_year, 1e9)
    assert p == pytest.approx(0.25)
    assert n == pytest.approx(0.25 * 0.75 / (np.var(by_year, ddof=1) / 4))
    assert years == 4
    assert clim.effective_sample_size(np.zeros(5), 3.0)[1] == 15.0


def test_years_count_from_half_a_window():
    """A year with less than half of its window observed does not count."""
    values = np.ones((2, 10, 1))
    values[0, :6] = np.nan
    values[1, :5] = np.nan
    got = clim.year_means(values)
    assert np.isnan(got[0])
    assert got[1] == 1.0


@given(st.data())
def test_means_of_many_values_at_once_are_the_means_of_each(data):
    """What is known counted once gives each value's mean over its known hours, or none; sums by hand."""
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    known = rng.random((2, 4, 9, 3)) < data.draw(st.sampled_from([0.1, 0.5, 0.95, 1.0]))
    values = rng.random((5, *known.shape)).astype(data.draw(st.sampled_from([np.float32, np.float64])))
    got = clim.YearMeans(known)(values)
    for i, y in np.ndindex(2, 4):
        held = known[i, y]
        if np.any(held, axis=-1).sum() < 4.5:  # half of nine days
            assert np.isnan(got[:, i, y]).all()
            continue
        for v in range(5):
            assert got[v, i, y] == pytest.approx(values[v, i, y][held].astype(float).mean(), rel=1e-6)
    assert np.all(clim.YearMeans(known)(np.ones(known.shape, np.float32))[~np.isnan(got[0])] == 1.0)


def test_interval_of_a_proportion_covers_clustered_years():
    """Known truth: years with their own level, days alike within them; the 90 % interval covers 88 to 95 %.

    The band is two sampling errors of 1,500 trials around .915.
    """
    rng = np.random.default_rng(7)
    trials, years, days = 1500, 20, 31
    level = 1 / (1 + np.exp(-(-1.7 + 0.8 * rng.standard_normal((trials, years)))))
    truth = np.mean(1 / (1 + np.exp(-(-1.7 + 0.8 * rng.standard_normal(400_000)))))
    hits = (rng.random((trials, years, days)) < level[..., None]).astype(float)
    p, n, counted = clim.effective_sample_size(hits.mean(axis=-1), float(days))
    low, high = clim.wilson_interval(p, n, counted)
    coverage = np.mean((low <= truth) & (truth <= high))
    assert 0.88 <= coverage <= 0.95


@pytest.mark.parametrize(("year_share", "trend_error"), [(0.0, 0.0), (0.2, 0.0), (0.2, 0.2)])
def test_a_new_year_lies_below_a_predictive_quantile_as_often_as_stated(year_share, trend_error):
    """The mean of the normal distribution function at the quantile is the quantile's probability.

    Type 6 of Hyndman and Fan (1996) has that property on independent values, exactly. Here the hours of a
    day are nearly one, years differ, and the sample is off by what its trend is off by; .001 beside two
    sampling errors is for terms of second order. The sample's own quantiles miss it by more.
    """
    from scipy.special import ndtr

    g = np.random.default_rng(4)
    trials, years, days = 3000, 15, 30
    values = np.sqrt(1.0 - year_share) * g.standard_normal((trials, years, days))
    values += np.sqrt(year_share) * g.standard_normal((trials, years, 1))
    values += trend_error * g.standard_normal((trials, 1, 1))
    sample = values[..., None] + 0.25 * g.standard_normal((trials, years, days, 3))
    p = np.array([0.05, 0.5, 0.95])
    ordered = np.sort(sample.reshape(trials, -1), axis=-1)
    own = clim.quantiles_of_sorted(ordered, p)
    share = np.stack([(sample <= x[:, None, None, None]).mean(axis=(2, 3)) for x in own.T], axis=1)
    read = clim.predictive_quantiles(ordered, p, own, share, trend_error)
    off, off_own = (ndtr(q / np.sqrt(1.0625)) for q in (read, own))
    error = off.std(axis=0) / np.sqrt(trials)
    np.testing.assert_array_less(np.abs(off.mean(axis=0) - p), 2 * error + 0.001)
    ends = [0, 2]
    assert np.all(np.abs(off_own.mean(axis=0) - p)[ends] > np.abs(off.mean(axis=0) - p)[ends])


def test_quantile_interval_covers_clustered_years():
    """Known truth: the 90 % interval of a median and of a 1-in-10 high covers 87 to 96 %."""
    rng = np.random.default_rng(3)
    trials, years, days = 400, 20, 31
    values = rng.standard_normal((trials, years, 1)) * 0.5 + rng.standard_normal((trials, years, days))
    spread = np.sqrt(1.25)
    _, low, high = clim.quantile_interval(values[..., None], (0.5, 0.9), np.full(trials, float(days)))
    for i, p in enumerate((0.5, 0.9)):
        truth = spread * scipy.stats.norm.ppf(p)
        assert 0.87 <= np.mean((low[:, i] <= truth) & (truth <= high[:, i])) <= 0.96


def test_lag_one_correlation_of_a_known_process():
    """First-order autoregression of .6: recovered within .05."""
    rng = np.random.default_rng(2)
    series = np.zeros((200, 31))
    noise = rng.standard_normal((200, 31)) * np.sqrt(1 - 0.36)
    series[:, 0] = rng.standard_normal(200)
    for d in range(1, 31):
        series[:, d] = 0.6 * series[:, d - 1] + noise[:, d]
    assert clim.lag_one_correlation(series[None, :, :, None])[0] == pytest.approx(0.6, abs=0.05)


def test_year_weights_are_whole_years_and_repeat():
    """Each draw is as many years as there are; the same draws every time."""
    weights = clim.year_weights(20, 50)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)
    np.testing.assert_array_equal(weights * 20, np.rint(weights * 20))
    np.testing.assert_array_equal(weights, clim.year_weights(20, 50))


def station(first: str, last: str, elevation: float = 500.0, **more: np.ndarray) -> StationRecord:
    hours = record_hours(first, last)
    t = known_climate(hours, noise=2.0)
    values = {"air_temperature": t, "dew_point_temperature": t - 8.0} | more
    values |= {
        "wind_speed": np.full(hours.size, 5.0),
        "wind_from_direction": np.full(hours.size, 270.0),
        "surface_air_pressure": np.full(hours.size, 95_000.0),
    }
    return StationRecord(int(hours[0]), values, elevation, plateau=False)


SITE = Site(elevation=500.0, line_true_heading=0.0, crowd_on_right=True, runway_true_heading=0.0)


def test_sample_is_moved_to_the_booking():
    """Known truth: the sample's mean is the climate's value at the booked instant, not the window's mean."""
    record = station("2005-01-01T00", "2025-01-01T00")
    target = np.array(["2027-04-20T19:30"], dtype="datetime64[s]")
    sample = show_hour_sample(record, station_cycles(record), SITE, target)
    at = hour_of("2027-04-20T19") + 0.5
    truth = 0.5 * (known_climate(np.array([at - 0.5])) + known_climate(np.array([at + 0.5])))[0]
    assert np.nanmean(sample.temperature) == pytest.approx(truth, abs=0.15)
    assert sample.temperature.shape == (1, 20, 31, 3)
    # 5.0 m/s is 9.72 kt, reported as 10 kt.
    np.testing.assert_allclose(sample.toward_crowd, 10 * 1852 / 3600)
    np.testing.assert_allclose(sample.runway_crosswind, 10 * 1852 / 3600)


def test_trend_reaches_the_season():
    """A warming of .1 K a year moves the sample to the season's year, within the trend's own error."""
    hours = record_hours("2005-01-01T00", "2025-01-01T00")
    t = known_climate(hours, trend=0.1, noise=2.0)
    record = StationRecord(int(hours[0]), {"air_temperature": t}, 500.0, plateau=False)
    target = np.array(["2027-07-01T20:00"], dtype="datetime64[s]")
    with_trend = show_hour_sample(record, station_cycles(record), SITE, target).temperature
    without = show_hour_sample(record, station_cycles(record, trend=False), SITE, target).temperature
    truth = known_climate(np.array([hour_of("2027-07-01T20")]), trend=0.1)[0]
    assert np.nanmean(with_trend) == pytest.approx(truth, abs=0.15)
    assert truth - np.nanmean(without) == pytest.approx(0.1 * (2027.5 - 2015), abs=0.2)


def test_what_is_not_observed_is_none():
    """No ceiling, no visibility, no thunder: None, which is told as "not observed"."""
    record = station("2005-01-01T00", "2007-01-01T00")
    sample = show_hour_sample(
        record, station_cycles(record), SITE, np.array(["2027-07-01T20:00"], dtype="datetime64[s]")
    )
    assert sample.ceiling is None
    assert sample.visibility is None
    assert sample.thunder is None
    assert not sample.gust_reported.any()


@settings(max_examples=25, deadline=None)
@given(st.integers(-600, 600).filter(bool), st.integers(0, 23))
def test_higher_site_has_higher_density_altitude(rise, hour):
    """Same air, higher site: density altitude rises with it, by somewhat less (the lapse cools it)."""
    record = station("2005-01-01T00", "2007-01-01T00")
    target = np.array([f"2027-07-01T{hour:02d}:00"], dtype="datetime64[s]")
    cycles = station_cycles(record)
    here = show_hour_sample(record, cycles, SITE, target).density_altitude
    there = show_hour_sample(record, cycles, Site(500.0 + rise, 0.0, True, 0.0), target).density_altitude
    np.testing.assert_allclose(np.sign(there - here), np.sign(rise))
    assert np.all(np.abs(there - here) <= abs(rise) * 1.15 + 1e-6)
