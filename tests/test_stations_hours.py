"""The station-hours dataset: which report stands for an hour, what is rejected, what is refused."""

from __future__ import annotations

import json
import time

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air.variables import STATION_VARIABLES
from pipeline.stations.hours import check_station_hours, dew_point_from_humidity, station_hours

PLACE = {
    "station_id": "TEST",
    "station_name": "Test Field",
    "source": "csv",
    "latitude": 40.0,
    "longitude": -100.0,
    "elevation_m": 1000.0,
    "licence": "none",
    "attribution": "nobody",
    "raw_sha256": "0" * 64,
}


def build(times: list[str], special: list[bool] | None = None, **values: list[float]) -> xr.Dataset:
    return station_hours(np.array(times, dtype="datetime64[s]"), values, special=special, **PLACE)


def counts(dataset: xr.Dataset) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = json.loads(dataset.attrs["counts"])
    return found


def test_nearest_report_stands_for_the_hour() -> None:
    """A METAR at :53 stands for the next hour, one at :30 too, one at :29 for the hour before."""
    got = build(
        ["2024-07-04T17:53", "2024-07-04T19:29", "2024-07-04T20:30"], air_temperature=[300.0, 301.0, 302.0]
    )
    np.testing.assert_array_equal(
        got["time"].values, np.array([f"2024-07-04T{h}:00" for h in (18, 19, 20, 21)], "datetime64[ns]")
    )
    np.testing.assert_array_equal(got["air_temperature"].values, np.float32([300.0, 301.0, np.nan, 302.0]))


def test_nearest_wins_then_routine_then_later() -> None:
    """Order of preference within an hour: distance, routine before special, later row; others are counted."""
    near = build(
        ["2024-07-04T17:53", "2024-07-04T18:02", "2024-07-04T18:20"], air_temperature=[280.0, 281.0, 282.0]
    )
    assert near["air_temperature"].values.tolist() == [281.0]
    assert counts(near)["rejected"] == {"other_report_in_hour": 2}
    tie = build(
        ["2024-07-04T17:53", "2024-07-04T18:07", "2024-07-04T17:53"],
        special=[True, False, True],
        air_temperature=[280.0, 281.0, 282.0],
    )
    assert tie["air_temperature"].values.tolist() == [281.0]
    corrected = build(["2024-07-04T18:00", "2024-07-04T18:00"], air_temperature=[280.0, 281.0])
    assert corrected["air_temperature"].values.tolist() == [281.0]


def test_the_winning_report_wins_whole() -> None:
    """A value that the winner lacks is not borrowed from another report of the hour."""
    got = build(
        ["2024-07-04T18:00", "2024-07-04T18:05"],
        wind_speed=[5.0, 9.0],
        wind_speed_of_gust=[np.nan, 15.0],
    )
    assert got["wind_speed"].values.tolist() == [5.0]
    assert np.isnan(got["wind_speed_of_gust"].values[0])


def test_range_calm_gust_and_ceiling_rules() -> None:
    """Out of range and gust zero become NaN and are counted; calm has direction 0; inf ceiling stays."""
    got = build(
        [f"2024-07-04T{h:02d}:00" for h in range(4)],
        air_temperature=[280.0, 400.0, np.inf, -np.inf],
        wind_from_direction=[180.0, 361.0, np.nan, 360.0],
        wind_speed=[0.0, 5.0, 5.0, 5.0],
        wind_speed_of_gust=[0.0, 12.0, np.nan, 91.0],
        cloud_base_height=[np.inf, np.nan, 300.0, -1.0],
    )
    np.testing.assert_array_equal(got["air_temperature"].values, np.float32([280.0, np.nan, np.nan, np.nan]))
    np.testing.assert_array_equal(got["wind_from_direction"].values, np.float32([0.0, np.nan, np.nan, 360.0]))
    np.testing.assert_array_equal(
        got["wind_speed_of_gust"].values, np.float32([np.nan, 12.0, np.nan, np.nan])
    )
    np.testing.assert_array_equal(
        got["cloud_base_height"].values, np.float32([np.inf, np.nan, 300.0, np.nan])
    )
    assert counts(got)["rejected"] == {
        "out_of_range:air_temperature": 3,
        "out_of_range:cloud_base_height": 1,
        "out_of_range:wind_from_direction": 1,
        "out_of_range:wind_speed_of_gust": 1,
        "zero_gust": 1,
    }
    assert counts(got)["kept"]["cloud_base_height"] == 2


def test_every_variable_is_described() -> None:
    """Names, units, CF standard names, order and dtype are the glossary's."""
    middle = {
        n: [280.0] if v.units == "K" else [v.valid_min if v.valid_min > 0 else 1.0]
        for n, v in STATION_VARIABLES.items()
    }
    got = build(["2024-07-04T18:00"], **middle)
    assert list(got.data_vars) == list(STATION_VARIABLES)
    for name, variable in STATION_VARIABLES.items():
        assert got[name].dtype == np.float32
        assert got[name].attrs["units"] == variable.units
        assert got[name].attrs.get("standard_name") == variable.standard_name


@pytest.mark.parametrize(
    ("times", "values", "said"),
    [
        ([], {}, "a report"),
        (["NaT"], {"air_temperature": [280.0]}, "no time"),
        (["2024-07-04T18"], {"temperature": [280.0]}, "not in the glossary: temperature"),
        (["2024-07-04T18"], {"air_temperature": [280.0, 281.0]}, "shape"),
    ],
)
def test_bad_input_raises(times: list[str], values: dict[str, list[float]], said: str) -> None:
    """No reports, no time, unknown variable, wrong length."""
    with pytest.raises(ValueError, match=said):
        build(times, **values)


def test_check_names_every_breach() -> None:
    """A dataset that breaks the contract is refused with all its faults in one message."""
    good = build(["2024-07-04T18:00", "2024-07-04T20:00"], air_temperature=[280.0, 281.0])
    check_station_hours(good)
    bad = good.isel(time=[0, 2]).assign_attrs(latitude=95.0, licence=3)
    bad["air_temperature"] = (bad["air_temperature"].astype("float64") + 500.0).assign_attrs(units="degC")
    with pytest.raises(ValueError, match="not station hours") as raised:
        check_station_hours(bad)
    for fault in ("step by one hour", "float32", "must be in K", "outside", "licence", "latitude"):
        assert fault in str(raised.value)
    shifted = good.assign_coords(time=good["time"] + np.timedelta64(1, "m"))
    with pytest.raises(ValueError, match="on the hour"):
        check_station_hours(shifted)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 20 * 3600), st.booleans()), min_size=1, max_size=40))
def test_gridding_equals_the_rule_applied_report_by_report(reports: list[tuple[int, bool]]) -> None:
    """The vectorised choice equals a plain loop over hours on random reports (brute force)."""
    start = np.datetime64("2024-07-04T00:00", "s")
    values = [200.0 + 5.0 + i for i in range(len(reports))]
    got = station_hours(
        start + np.array([s for s, _ in reports]).astype("timedelta64[s]"),
        {"air_temperature": values},
        special=[sp for _, sp in reports],
        **PLACE,
    )
    best: dict[int, tuple[tuple[int, bool, int], float]] = {}
    for i, (seconds, special) in enumerate(reports):
        hour = (seconds + 1800) // 3600
        rank = (abs(seconds - 3600 * hour), special, -i)
        if hour not in best or rank < best[hour][0]:
            best[hour] = (rank, values[i])
    first, last = min(best), max(best)
    want = [best[h][1] if h in best else np.nan for h in range(first, last + 1)]
    np.testing.assert_array_equal(got["air_temperature"].values, np.float32(want))
    assert got["time"].values[0] == start + np.timedelta64(first, "h")


def test_dew_point_against_a_reference_library() -> None:
    """Saturation at the dew point is the vapour pressure of the air: within 0.1 K, -20 to 45 °C, 10 to 100 %.

    Source: metpy.calc.saturation_vapor_pressure (Ambaum 2020), independent of the Magnus form. MetPy's own
    dew point is not the reference: it inverts Bolton's older fit, and at 45 °C and 100 % it misses the
    temperature by 0.14 K. A pressure off by the share x is a dew point off by x * Rv * Td² / L.
    """
    from metpy.calc import saturation_vapor_pressure
    from metpy.units import units

    def saturation(kelvin: np.ndarray) -> np.ndarray:
        return np.asarray(saturation_vapor_pressure(kelvin * units.kelvin).to("Pa").magnitude)

    kelvin, humidity = np.meshgrid(273.15 + np.linspace(-20, 45, 27), np.linspace(0.1, 1.0, 19))
    got = dew_point_from_humidity(kelvin, humidity)
    share = np.log(saturation(got) / (humidity * saturation(kelvin)))
    assert np.abs(share * 461.5 * got**2 / 2.5e6).max() < 0.1


def test_dew_point_edges() -> None:
    """Saturated: the temperature itself. No humidity: no dew point. A percentage is refused."""
    np.testing.assert_allclose(dew_point_from_humidity([293.15, 293.15], [1.0, 1.03]), 293.15, atol=1e-9)
    assert np.isnan(dew_point_from_humidity([293.15, np.nan, 293.15], [0.0, 0.5, np.nan])).all()
    with pytest.raises(ValueError, match="fraction"):
        dew_point_from_humidity(293.15, 50.0)


def test_twenty_years_of_reports_are_quick() -> None:
    """A quarter of a million reports become hours in under half a second of processor time."""
    rng = np.random.default_rng(1)
    n = 250_000
    times = np.datetime64("2004-01-01", "s") + np.sort(rng.integers(0, 20 * 365 * 86400, n)).astype(
        "timedelta64[s]"
    )
    values = {name: rng.uniform(283.0, 283.5, n) for name in ("air_temperature", "dew_point_temperature")}
    values |= {f: rng.uniform(98_000.0, 101_000.0, n) for f in ("surface_air_pressure", "altimeter_setting")}
    values |= {"wind_speed": rng.uniform(0, 20, n), "wind_from_direction": rng.uniform(0, 360, n)}
    build(["2024-07-04T18:00"], air_temperature=[280.0])
    began = time.process_time()
    station_hours(times, values, special=rng.random(n) < 0.3, **PLACE)
    assert time.process_time() - began < 0.5
