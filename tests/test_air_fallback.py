"""Filling a venue's hours from its next stations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air import atmosphere as atm
from pipeline.air.fallback import GROUPS, fill_from_next
from pipeline.air.show_hours import StationRecord

NAN = np.nan


def record(elevation: float, first: int = 0, **values) -> StationRecord:
    return StationRecord(
        first, {k: np.asarray(v, dtype=float) for k, v in values.items()}, elevation, plateau=False
    )


def test_one_station_is_itself():
    """Nothing to fill from, nothing changed."""
    lead = record(100.0, air_temperature=[280.0, NAN, 282.0], wind_speed=[3.0, NAN, 4.0])
    filled = fill_from_next([lead])
    for name, values in lead.values.items():
        np.testing.assert_array_equal(filled.record.values[name], values)
    np.testing.assert_array_equal(filled.source["air"], [0, -1, 0])


def test_missing_hours_come_from_the_next_at_the_first_ones_elevation():
    """500 m lower, standard lapse: 3.25 K warmer there, so that much is taken off on the way up."""
    lead = record(1000.0, air_temperature=[280.0, NAN], surface_air_pressure=[90_000.0, NAN])
    other = record(
        500.0,
        air_temperature=[285.0, 286.0],
        dew_point_temperature=[NAN, NAN],
        surface_air_pressure=[95_000.0, 95_500.0],
    )
    filled = fill_from_next([lead, other])
    np.testing.assert_allclose(filled.record.values["air_temperature"], [280.0, 286.0 - 3.25])
    carried = atm.hypsometric_pressure(95_500.0, 500.0, 286.0 - 3.25 / 2)
    np.testing.assert_allclose(filled.record.values["surface_air_pressure"], [90_000.0, carried])
    np.testing.assert_array_equal(filled.source["air"], [0, 1])


def test_wind_of_an_hour_is_of_one_station():
    """The first station's calm hour without a gust is not given the second's gust or direction."""
    lead = record(
        0.0, air_temperature=[280.0] * 3, wind_speed=[5.0, NAN, 6.0], wind_from_direction=[NAN, NAN, 90.0]
    )
    other = record(
        0.0,
        air_temperature=[280.0] * 3,
        wind_speed=[9.0, 10.0, 11.0],
        wind_from_direction=[200.0, 210.0, 220.0],
        wind_speed_of_gust=[15.0, 16.0, 17.0],
    )
    values = fill_from_next([lead, other]).record.values
    np.testing.assert_array_equal(values["wind_speed"], [5.0, 10.0, 6.0])
    np.testing.assert_array_equal(values["wind_from_direction"], [NAN, 210.0, 90.0])
    np.testing.assert_array_equal(values["wind_speed_of_gust"], [NAN, 16.0, NAN])


def test_records_of_different_years_join():
    """The second station's earlier years come before the first's."""
    lead = record(0.0, first=10, air_temperature=[280.0, 281.0])
    other = record(0.0, first=7, air_temperature=[270.0, 271.0, 272.0, 273.0])
    filled = fill_from_next([lead, other])
    assert filled.record.first_hour == 7
    np.testing.assert_array_equal(
        filled.record.values["air_temperature"], [270.0, 271.0, 272.0, 280.0, 281.0]
    )
    np.testing.assert_array_equal(filled.source["air"], [1, 1, 1, 0, 0])


def test_the_standard_atmosphere_is_no_observation():
    """A station without pressure does not fill another's pressure with an invented one."""
    lead = record(0.0, air_temperature=[280.0])
    other = record(200.0, air_temperature=[281.0])
    filled = fill_from_next([lead, other])
    assert np.isnan(filled.record.values.get("surface_air_pressure", np.array([NAN])))[0]
    assert filled.source["pressure"][0] == -1


def test_no_station_is_refused():
    """There is nothing to fill from nothing."""
    with pytest.raises(ValueError, match="at least one"):
        fill_from_next([])


COLUMN = st.lists(st.one_of(st.just(NAN), st.floats(270, 300)), min_size=6, max_size=6)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(COLUMN, COLUMN), min_size=1, max_size=4))
def test_first_station_always_stands(columns):
    """An hour that an earlier station holds is never replaced; an hour that any holds is never lost."""
    stations = [record(100.0, air_temperature=t, wind_speed=np.array(w) - 270) for t, w in columns]
    filled = fill_from_next(stations)
    for group, name in (("air", "air_temperature"), ("wind", "wind_speed")):
        held = np.stack([np.isfinite(s.values[name]) for s in stations])
        expected = np.where(held.any(axis=0), held.argmax(axis=0), -1)
        np.testing.assert_array_equal(filled.source[group], expected)
        assert name in GROUPS[group]
        for hour, station in enumerate(expected):
            got = filled.record.values[name][hour]
            if station < 0:
                assert np.isnan(got)
            else:
                assert got == pytest.approx(stations[station].values[name][hour], abs=1e-9)
