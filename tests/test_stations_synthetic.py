"""Invented climates: deterministic, within the station-hours contract, and with the statistics they state."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air.atmosphere import station_pressure_from_mslp, temperature_12h_mean
from pipeline.air.variables import FT, KT, STATION_VARIABLES
from pipeline.stations import synthetic
from pipeline.stations.hours import check_station_hours
from pipeline.stations.synthetic import Climate, synthesize

PLAIN = Climate(
    mean_temperature_c=12.0, annual_range_c=20.0, diurnal_range_c=10.0, weather_sd_c=3.0, weather_days=2.5,
    year_sd_c=0.0, trend_k_per_decade=0.3, dew_point_c=-5.0, dew_point_annual_range_c=6.0, wind_kt=9.0,
    direction_sd_deg=40.0, thermal_gust_kt=0.0, gust_factor=1.8, overcast_share=0.25, thunder_days=30.0,
    missing_share=0.0,
)  # fmt: skip
YEARS = 100


def play(climate: Climate, first: int = 1950, last: int = 2049, **changes: float) -> xr.Dataset:
    place = {"latitude": 40.0, "longitude": -105.0, "elevation_m": 1650.0, **changes}
    return synthesize("TEST", climate, first_year=first, last_year=last, **place)


@pytest.fixture(scope="module")
def plain() -> xr.Dataset:
    """A hundred years, so that sampling error is small."""
    return play(PLAIN)


@pytest.fixture(scope="module")
def celsius(plain: xr.Dataset) -> np.ndarray:
    return plain["air_temperature"].values.astype(float) - 273.15


def solar_hour(dataset: xr.Dataset, longitude: float = -105.0) -> np.ndarray:
    hours = dataset["time"].values.astype("datetime64[h]").astype(int)
    return (hours + longitude / 15.0) % 24.0


def month(dataset: xr.Dataset) -> np.ndarray:
    return dataset["time"].values.astype("datetime64[M]").astype(int) % 12 + 1


def digest(dataset: xr.Dataset) -> str:
    return hashlib.sha256(b"".join(dataset[name].values.tobytes() for name in dataset.data_vars)).hexdigest()


def test_contract(plain: xr.Dataset) -> None:
    """Every variable of the glossary, whole UTC years, no hour missing, and said to be invented."""
    check_station_hours(plain)
    assert list(plain.data_vars) == list(STATION_VARIABLES)
    assert str(plain["time"].values[0]) == "1950-01-01T00:00:00.000000000"
    assert str(plain["time"].values[-1]) == "2049-12-31T23:00:00.000000000"
    assert plain.sizes["time"] == 24 * (365 * 100 + 25)  # leap years 1952 to 2048
    assert (plain.attrs["invented"], plain.attrs["source"], plain.attrs["licence"]) == (
        1,
        "synthetic",
        "invented",
    )
    assert plain.attrs["attribution"] == "Invented climate: no real place, no real weather"


def test_same_bytes_every_run() -> None:
    """The same station gives the same bytes here and in a new process; another id or seed does not."""
    here = play(PLAIN, 2020, 2021)
    assert digest(here) == digest(play(PLAIN, 2020, 2021))
    assert here.attrs == play(PLAIN, 2020, 2021).attrs
    place = {
        "latitude": 40.0,
        "longitude": -105.0,
        "elevation_m": 1650.0,
        "first_year": 2020,
        "last_year": 2021,
    }
    assert digest(here) != digest(synthesize("OTHER", PLAIN, **place))
    assert digest(here) != digest(synthesize("TEST", PLAIN, seed=1, **place))
    script = (
        "import sys, json, hashlib\n"
        "from pipeline.stations.synthetic import Climate, synthesize\n"
        "climate, place = json.loads(sys.argv[1])\n"
        "d = synthesize('TEST', Climate(**climate), **place)\n"
        "print(hashlib.sha256(b''.join(d[n].values.tobytes() for n in d.data_vars)).hexdigest())\n"
    )
    argument = json.dumps([dataclasses.asdict(PLAIN), place])
    run = subprocess.run(
        [sys.executable, "-c", script, argument],
        capture_output=True, text=True, check=True, cwd=Path(synthetic.__file__).parents[2],
        env={"PYTHONHASHSEED": "7", "PATH": ""},
    )  # fmt: skip
    assert run.stdout.strip() == digest(here)


def test_import_is_light() -> None:
    """Importing the module loads neither SciPy, pandas nor xarray."""
    script = (
        "import sys, pipeline.stations.synthetic\n"
        "print([m for m in ('scipy', 'pandas', 'xarray') if m in sys.modules])"
    )
    run = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True, text=True, check=True, cwd=Path(synthetic.__file__).parents[2],
    )  # fmt: skip
    assert run.stdout.strip() == "[]"


def test_mean_and_trend(plain: xr.Dataset, celsius: np.ndarray) -> None:
    """Yearly means: the stated mean in the middle of the record, the stated trend through it.

    Sampling error: spells of sd 3 K and memory 2.5 days leave a yearly mean an sd of about
    3·sqrt(2·2.5/365) = 0.35 K; the mean of 100 years 0.035 K; the slope over 100 years
    0.35·sqrt(12/100³) = 0.0012 K a year. Four of each.
    """
    year = plain["time"].values.astype("datetime64[Y]").astype(int)
    yearly = np.bincount(year - year[0], celsius) / np.bincount(year - year[0])
    slope, level = np.polyfit(np.arange(YEARS) - 49.5, yearly, 1)
    assert level == pytest.approx(12.0, abs=4 * 0.035)
    assert slope == pytest.approx(0.3 / 10, abs=4 * 0.0012)
    assert np.std(yearly - np.polyval([slope, level], np.arange(YEARS) - 49.5)) == pytest.approx(
        0.35, rel=0.28
    )


def test_years_differ() -> None:
    """With a year-to-year sd of 1.5 K and calm weather, yearly means have that sd.

    A hundred years know their sd to 1/sqrt(200) = 7 %; a twelfth of each year fades into the next.
    """
    climate = dataclasses.replace(PLAIN, year_sd_c=1.5, weather_sd_c=0.0, trend_k_per_decade=0.0)
    dataset = play(climate)
    celsius = dataset["air_temperature"].values.astype(float)
    year = dataset["time"].values.astype("datetime64[Y]").astype(int)
    yearly = np.bincount(year - year[0], celsius) / np.bincount(year - year[0])
    assert np.std(yearly, ddof=1) == pytest.approx(1.5, rel=3 * 0.07)


def test_yearly_wave(plain: xr.Dataset, celsius: np.ndarray) -> None:
    """The first yearly harmonic has an amplitude of half the range and its top on 22 July."""
    start = plain["time"].values.astype("datetime64[Y]")
    day = (plain["time"].values - start) / np.timedelta64(1, "D") + 1.0
    angle = 2 * np.pi * day / 365.2425
    a, b = 2 * np.mean(celsius * np.cos(angle)), 2 * np.mean(celsius * np.sin(angle))
    assert np.hypot(a, b) == pytest.approx(20.0 / 2, abs=0.2)
    top = np.degrees(np.arctan2(b, a)) % 360.0 / 360.0 * 365.2425
    assert top == pytest.approx(203, abs=2)  # 22 July


def test_daily_wave(plain: xr.Dataset, celsius: np.ndarray) -> None:
    """The mean daily wave has the stated range, its top at 15 h and its bottom before 6 h, solar time."""
    hour = solar_hour(plain)
    mean = np.array([celsius[hour == h].mean() for h in range(24)])
    assert np.ptp(mean) == pytest.approx(10.0, abs=0.3)
    assert np.argmax(mean) == 15
    assert np.argmin(mean) in (5, 6)
    # A quarter more in the warm season: 1 + 0.25·cos, whose mean over July is close to 1.25.
    july = month(plain) == 7
    july_mean = np.array([celsius[july & (hour == h)].mean() for h in range(24)])
    assert np.ptp(july_mean) == pytest.approx(12.5, abs=0.4)


@pytest.mark.parametrize(("longitude", "utc_hour"), [(0.0, 15), (150.0, 5), (-120.0, 23)])
def test_solar_clock(longitude: float, utc_hour: int) -> None:
    """The warmest hour is 15 h by the sun, wherever that is in UTC: 15 less longitude over 15."""
    dataset = play(dataclasses.replace(PLAIN, weather_sd_c=0.0), 2001, 2002, longitude=longitude)
    kelvin = dataset["air_temperature"].values
    hour = dataset["time"].values.astype("datetime64[h]").astype(int) % 24
    assert np.argmax([kelvin[hour == h].mean() for h in range(24)]) == utc_hour


def test_southern_summer() -> None:
    """South of the equator January is warmer than July."""
    dataset = play(PLAIN, 2001, 2003, latitude=-35.0)
    kelvin, months = dataset["air_temperature"].values, month(dataset)
    assert kelvin[months == 1].mean() - kelvin[months == 7].mean() == pytest.approx(20.0, abs=3.0)


def test_spells(plain: xr.Dataset, celsius: np.ndarray) -> None:
    """Same-hour departures from normal have the stated sd and fade to 1/e in the stated time.

    At 6 h solar the sun's share of the daily wave adds about 0.35 · 10 K · (the wave there, −0.4) in the
    sunniest and cloudiest days, so the sd is held against sqrt(3² + 1.4²).
    """
    at_six = solar_hour(plain) == 6.0
    x = celsius[at_six]
    days = np.arange(x.size)
    waves = [np.ones(x.size), days / x.size]
    waves += [f(2 * np.pi * k * days / 365.2425) for k in (1, 2) for f in (np.cos, np.sin)]
    design = np.stack(waves, axis=1)
    anomaly = x - design @ np.linalg.lstsq(design, x, rcond=None)[0]
    assert anomaly.std() == pytest.approx(np.hypot(3.0, 1.4), rel=0.05)
    lag = [np.corrcoef(anomaly[:-k], anomaly[k:])[0, 1] for k in (2, 3)]
    assert lag[0] > np.exp(-1) > lag[1]  # two days and three, about a memory of 2.5


def test_wind_distribution(plain: xr.Dataset) -> None:
    """Mean wind as stated, Rayleigh at a given hour, whole knots with light winds calm.

    A Rayleigh variate of mean m exceeds x with probability exp(−(π/4)(x/m)²). At 15 h solar the mean is
    9·1.35 kt. Whole knots: "16 or more" is 15.5 or more. Calm (under 2.5 kt) takes about
    P·E ≈ 0.06·1.7 = 0.1 kt from the daily mean.
    """
    knots = plain["wind_speed"].values.astype(float) / KT
    assert np.abs(knots - np.round(knots)).max() < 1e-4
    whole = np.round(knots)
    assert not np.isin(whole, (1.0, 2.0)).any()
    assert knots.mean() == pytest.approx(9.0 - 0.1, abs=0.1)
    top = whole[solar_hour(plain) == 15.0]
    for least in (10, 16, 22):
        expected = np.exp(-np.pi / 4 * ((least - 0.5) / (9.0 * 1.35)) ** 2)
        assert np.mean(top >= least) == pytest.approx(expected, abs=0.012)


def test_wind_direction(plain: xr.Dataset) -> None:
    """Tens of degrees, north written 360, calm 0, variable only to 6 kt; resultant as a wrapped normal.

    The mean resultant length of a normal direction of sd s wrapped on the circle is exp(−s²/2)
    (Mardia & Jupp, Directional Statistics, 3.5.7).
    """
    direction = plain["wind_from_direction"].values.astype(float)
    whole = np.round(plain["wind_speed"].values / KT)
    known = np.isfinite(direction)
    assert set(np.unique(direction[known])) <= set(range(0, 361, 10))
    assert (direction[known & (whole > 0)] > 0).all()
    assert (direction[whole == 0] == 0).all()
    assert (whole[~known] <= 6).all()
    assert np.mean(~known[(whole > 0) & (whole <= 6)]) == pytest.approx(0.3, abs=0.01)
    angle = np.radians(direction[whole > 6])
    resultant = np.hypot(np.cos(angle).mean(), np.sin(angle).mean())
    assert resultant == pytest.approx(np.exp(-(np.radians(40.0) ** 2) / 2), abs=0.02)
    assert np.degrees(np.arctan2(np.sin(angle).mean(), np.cos(angle).mean())) % 360 == pytest.approx(
        250, abs=3
    )


def test_gusts_follow_reporting_practice(plain: xr.Dataset) -> None:
    """A gust is there only when it is 10 kt or more above the mean (ICAO Annex 3, WMO FM 15).

    From 20 kt with a factor of 1.8 nearly every hour qualifies (10/20 = 0.5 is 2.5 sd below 0.8), so that
    the mean of peak over mean is the stated one.
    """
    wind = np.round(plain["wind_speed"].values.astype(float) / KT)
    gust = plain["wind_speed_of_gust"].values.astype(float) / KT
    reported = np.isfinite(gust)
    assert (np.round(gust[reported]) - wind[reported] >= 10).all()
    assert 0.05 < reported.mean() < 0.5
    storm = plain["thunder"].values > 0
    strong = (wind >= 20) & ~storm
    assert reported[strong].mean() > 0.97
    assert np.mean((gust / wind)[strong & reported]) == pytest.approx(1.8, abs=0.02)
    share = [reported[wind == w].mean() for w in (8, 11, 14, 17)]
    assert share == sorted(share)


def test_change_of_practice() -> None:
    """Before the year of the change, two gusts in five of those due are reported; since, all."""
    changed = dataclasses.replace(PLAIN, gust_practice_year=2011, early_gust_share=0.4, thunder_days=0.0)
    dataset, whole = play(changed, 2001, 2020), play(PLAIN, 2001, 2020)
    early = dataset["time"].dt.year.values < 2011

    def rate(d: xr.Dataset, which: np.ndarray) -> float:
        strong = which & (d["wind_speed"].values >= 15 * KT - 1e-3)
        return float(np.isfinite(d["wind_speed_of_gust"].values[strong]).mean())

    assert rate(dataset, early) / rate(whole, early) == pytest.approx(0.4, abs=0.02)
    assert rate(dataset, ~early) / rate(whole, ~early) == pytest.approx(1.0, abs=0.02)


def test_sea_breeze() -> None:
    """On July afternoons the mean wind vector turns onshore, at night it does not."""
    still = dataclasses.replace(
        PLAIN, wind_kt=4.0, direction_sd_deg=180.0, sea_breeze_kt=12.0, sea_breeze_from_deg=270.0
    )
    dataset = play(still, 2001, 2010)
    july, hour = month(dataset) == 7, solar_hour(dataset)
    onshore = np.where(
        dataset["wind_speed"].values == 0.0, 0.0,
        -dataset["wind_speed"].values / KT * np.sin(np.radians(dataset["wind_from_direction"].values)),
    )  # fmt: skip
    # The top is 12 kt times a sun factor whose mean is about 0.8.
    assert np.nanmean(onshore[july & (hour == 15)]) == pytest.approx(12 * 0.8, abs=1.5)
    assert abs(np.nanmean(onshore[july & (hour == 3)])) < 1.0


def test_three_pressures_agree(plain: xr.Dataset) -> None:
    """Altimeter setting by the Smithsonian form of the standard atmosphere; sea level pressure by its own.

    A = (p^n + p0^n·L·H/T0)^(1/n), n = R·L/g = 0.190263 (Smithsonian Meteorological Tables, 1951, with the
    1976 constants). Held to the steps of the archive: 10 Pa and a hundredth of an inch.
    """
    p = plain["surface_air_pressure"].values.astype(float)
    n = 287.05287 * 0.0065 / 9.80665
    altimeter = (p**n + 101325.0**n * 0.0065 * 1650.0 / 288.15) ** (1 / n)
    # 5 Pa of rounding at the station is 5·1.22 Pa = 6.1 Pa reduced to sea level.
    assert np.abs(altimeter - plain["altimeter_setting"].values).max() < 6.5
    hundredths = plain["altimeter_setting"].values.astype(float) / 33.86389
    assert np.abs(hundredths - np.round(hundredths)).max() < 1e-3

    kelvin = plain["air_temperature"].values.astype(float)
    back = station_pressure_from_mslp(
        plain["air_pressure_at_mean_sea_level"].values, 1650.0, temperature_12h_mean(kelvin), plateau=True
    )
    assert np.nanmax(np.abs(back - p)) < 12.0
    assert plain["altimeter_setting"].values.astype(float).mean() == pytest.approx(101_600, abs=30)


def test_dew_point_below_temperature(plain: xr.Dataset) -> None:
    """The dew point never exceeds the temperature, and has the stated mean where it is not held down."""
    assert (plain["dew_point_temperature"].values <= plain["air_temperature"].values).all()
    assert plain["dew_point_temperature"].values.astype(float).mean() - 273.15 == pytest.approx(-5.0, abs=0.4)


def test_stratus_mornings() -> None:
    """Half of midsummer days begin under stratus near its base, and it is gone by evening.

    Twenty Julys of 31 days with a memory of 2.5 days hold about 620/5 = 124 independent days:
    sd sqrt(.25/124) = .045.
    """
    coast = dataclasses.replace(PLAIN, overcast_share=0.0, stratus_share=0.5, thunder_days=0.0)
    dataset = play(coast, 2001, 2020)
    low = dataset["cloud_base_height"].values / FT < 2000.0
    july, hour = month(dataset) == 7, solar_hour(dataset)
    assert low[july & (hour == 6)].mean() == pytest.approx(0.5, abs=3 * 0.045)
    assert low[july & (hour == 11)].mean() == pytest.approx(0.25, abs=0.12)  # half broken at 11 h
    assert low[july & (hour == 18)].mean() < 0.02
    assert low[month(dataset) == 1].mean() < 0.01
    bases = dataset["cloud_base_height"].values[july & (hour == 6) & low] / FT
    assert np.median(bases) == pytest.approx(800, abs=100)


def test_overcast_share(plain: xr.Dataset) -> None:
    """In winter, when nothing else makes a ceiling, it is there for the stated share of hours."""
    winter = np.isin(month(plain), (12, 1, 2))
    fog = plain["visibility_in_air"].values < 1000.0
    ceiling = np.isfinite(plain["cloud_base_height"].values)
    assert ceiling[winter & ~fog].mean() == pytest.approx(0.25, abs=0.02)


def test_thunder_days(plain: xr.Dataset) -> None:
    """Thirty days a year, in the warm half, from early afternoon to evening.

    3,000 days in a hundred years: a Poisson sd of 55, 1.8 %.
    """
    thunder = plain["thunder"].values > 0
    local_day = np.floor((plain["time"].values.astype("datetime64[h]").astype(int) - 7) / 24).astype(int)
    assert np.unique(local_day[thunder]).size / YEARS == pytest.approx(30.0, rel=3 * 0.018)
    assert set(np.unique(solar_hour(plain)[thunder])) <= set(range(13, 22))
    assert not np.isin(month(plain)[thunder], (11, 12, 1, 2)).any()


@pytest.mark.parametrize("thunder_days", [0.0, 5e-324, 1e-300])
def test_next_to_no_thunder(thunder_days: float) -> None:
    """Days of thunder so rare that their chance underflows are none, not a division by nothing."""
    climate = dataclasses.replace(PLAIN, thunder_days=thunder_days)
    thunder = play(climate, first=2003, last=2003)["thunder"].values
    assert not (thunder > 0).any()


def test_missing_hours_are_counted() -> None:
    """A share of hours has no report: NaN in every variable, and counted."""
    dataset = play(dataclasses.replace(PLAIN, missing_share=0.02), 2001, 2010)
    gone = np.isnan(dataset["air_temperature"].values)
    assert gone.mean() == pytest.approx(0.02, abs=0.004)
    for name in dataset.data_vars:
        assert np.isnan(dataset[name].values[gone]).all()
    assert f'"no_report": {gone.sum()}' in dataset.attrs["counts"]


@pytest.mark.parametrize("field", [f.name for f in dataclasses.fields(Climate)])
@pytest.mark.parametrize("value", [float("nan"), 1e9, -1e9, "7", True])
def test_refused_parameters(field: str, value: object) -> None:
    """Anything that is not a number in the parameter's range is refused by name."""
    with pytest.raises(ValueError, match=f"climate {field} must be a number from"):
        dataclasses.replace(PLAIN, **{field: value})


@pytest.mark.parametrize(
    "changes",
    [
        {"first": 2005, "last": 2004},
        {"first": 1900},
        {"latitude": 91.0},
        {"longitude": 181.0},
        {"elevation_m": 9e3},
    ],
)
def test_refused_places_and_years(changes: dict[str, float]) -> None:
    """Years out of order and places off the Earth are refused."""
    with pytest.raises(ValueError, match="synthesize:"):
        play(PLAIN, **changes)


@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_any_climate_keeps_the_contract(data: st.DataObject) -> None:
    """Whatever the parameters, the hours hold the contract: gusts above the wind, dew point below air."""
    values = {}
    for name, (low, high) in synthetic._RANGES.items():
        values[name] = data.draw(st.floats(low, high), label=name)
    latitude, longitude = data.draw(st.floats(-90, 90)), data.draw(st.floats(-180, 180))
    dataset = synthesize(
        "ANY", Climate(**values), first_year=2003, last_year=2003, latitude=latitude, longitude=longitude,
        elevation_m=data.draw(st.floats(-400, 4000)),
    )  # fmt: skip
    check_station_hours(dataset)
    gust, wind = dataset["wind_speed_of_gust"].values, dataset["wind_speed"].values
    assert not (gust < wind + 9.9 * KT).any()
    assert not (dataset["dew_point_temperature"].values > dataset["air_temperature"].values).any()
    ceiling, visibility = dataset["cloud_base_height"].values, dataset["visibility_in_air"].values
    assert not (ceiling < 0).any()
    assert not ((visibility < 0) | (visibility > 16_094)).any()
