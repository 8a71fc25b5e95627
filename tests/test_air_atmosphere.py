"""The standard atmosphere, pressures and density altitude against published values and other libraries."""

from __future__ import annotations

import ambiance
import fluids
import metpy.calc
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from metpy.units import units

from pipeline.air import atmosphere as atm
from pipeline.air.variables import FT, INHG
from pipeline.air.venue import PRESSURE_SOURCES, plateau_correction_applies, station_pressure, venue_air

C = 273.15


def reading(elevation_ft: float, altimeter_inhg: float, t_c: float, td_c: float | None = None):
    """Pressure altitude [ft], density altitude [ft] and density ratio of a field's reading."""
    p = atm.station_pressure_from_altimeter(altimeter_inhg * INHG, elevation_ft * FT)
    td = None if td_c is None else td_c + C
    return (
        float(atm.pressure_altitude(p) / FT),
        float(atm.density_altitude(p, t_c + C, td) / FT),
        float(atm.density(p, t_c + C, td) / atm.DENSITY_0),
    )


@pytest.mark.parametrize(
    ("feet", "celsius", "hpa", "sigma"),
    [
        (1000, 13.02, 977.17, 0.97106),
        (3000, 9.06, 908.12, 0.91512),
        (5000, 5.09, 843.07, 0.86167),
        (8000, -0.85, 752.62, 0.78602),
        (10000, -4.81, 696.82, 0.73848),
        (15000, -14.72, 571.82, 0.62924),
    ],
)
def test_standard_atmosphere_table(feet, celsius, hpa, sigma):
    """U.S. Standard Atmosphere 1976, ICAO table values at geopotential feet."""
    h = feet * FT
    assert atm.standard_temperature(h) - C == pytest.approx(celsius, abs=0.006)
    assert atm.standard_pressure(h) / 100 == pytest.approx(hpa, abs=0.006)
    assert atm.standard_density(h) / atm.DENSITY_0 == pytest.approx(sigma, abs=1e-5)


def test_standard_atmosphere_against_ambiance_and_fluids():
    """Two independent libraries of the 1976 standard atmosphere (ambiance, fluids), -1 to 20 km."""
    geometric = np.linspace(-1000.0, 19_900.0, 400)
    geopotential = ambiance.CONST.r * geometric / (ambiance.CONST.r + geometric)
    reference = ambiance.Atmosphere(geometric)
    np.testing.assert_allclose(atm.standard_temperature(geopotential), reference.temperature, rtol=1e-6)
    np.testing.assert_allclose(atm.standard_pressure(geopotential), reference.pressure, rtol=2e-6)
    np.testing.assert_allclose(atm.standard_density(geopotential), reference.density, rtol=2e-6)
    for z in (0.0, 500.0, 2000.0, 12_000.0):
        other = fluids.ATMOSPHERE_1976(z)
        h = 6_356_766.0 * z / (6_356_766.0 + z)
        assert atm.standard_pressure(h) == pytest.approx(other.P, rel=2e-5)
        assert atm.standard_density(h) == pytest.approx(other.rho, rel=2e-5)


@given(st.floats(-1500.0, 19_000.0))
def test_altitudes_invert(h):
    """Pressure and density altitude are the inverses of the standard atmosphere."""
    assert atm.altitude_at_pressure(atm.standard_pressure(h)) == pytest.approx(h, abs=1e-5)
    assert atm.altitude_at_density(atm.standard_density(h)) == pytest.approx(h, abs=1e-5)


def test_handbook_density_altitude_example():
    """FAA-H-8083-25 (PHAK), density altitude chart: 5,883 ft, 30.10 inHg, 70 °F.

    The book reads 5,718 ft of pressure altitude and about 7,700 ft of density altitude off its chart.
    """
    pa, da, _ = reading(5883, 30.10, (70 - 32) / 1.8)
    assert pa == pytest.approx(5718, abs=5)
    assert da == pytest.approx(7700, abs=100)
    assert da == pytest.approx(7710, abs=10)  # exact, dry: computed with ambiance


@pytest.mark.parametrize(("inhg", "feet"), [(29.7, 205), (31.0, -983)])
def test_handbook_pressure_altitude_table(inhg, feet):
    """FAA-H-8083-25 (PHAK), pressure altitude conversion table at a sea-level field."""
    assert reading(0, inhg, 15)[0] == pytest.approx(feet, abs=2)


def test_weather_service_formula_on_a_moist_day():
    """U.S. National Weather Service density altitude formulas: 5,000 ft, 29.92, 30 °C, dew point 20 °C."""
    vapour_hpa = 6.11 * 10 ** (7.5 * 20 / (237.7 + 20))
    pressure_hpa = ((29.92 * 33.8639) ** 0.190284 - 8.417286e-5 * 5000 * 0.3048) ** (1 / 0.190284)
    station_inhg = pressure_hpa / 33.8639
    virtual = (30 + C) / (1 - vapour_hpa / pressure_hpa * (1 - 0.622))
    rankine = 1.8 * (virtual - C) + 32 + 459.67
    nws = 145_366 * (1 - (17.326 * station_inhg / rankine) ** 0.235)
    assert reading(5000, 29.92, 30, 20)[1] == pytest.approx(nws, abs=15)
    assert nws == pytest.approx(8154, abs=5)
    assert reading(5000, 29.92, 30)[1] == pytest.approx(7801, abs=5)
    assert reading(5000, 29.92, 30, 20)[1] == pytest.approx(8141, abs=5)


@pytest.mark.parametrize(
    ("field_ft", "added"),
    [(0, {10: 155, 15: 215, 20: 295, 25: 401}), (5000, {10: 178, 15: 248, 20: 340, 25: 462})],
)
def test_what_humidity_adds(field_ft, added):
    """Feet that humidity adds at 30 °C; computed with MetPy's virtual temperature, rounded."""
    for td, feet in added.items():
        more = reading(field_ft, 29.9213, 30, td)[1] - reading(field_ft, 29.9213, 30)[1]
        assert more == pytest.approx(feet, abs=10)


@pytest.mark.parametrize(
    ("field", "pressure_altitude", "density_altitude", "sigma"),
    [
        ((2437, 29.92, 33, 7), None, 5154, 0.858),
        ((2437, 29.92, 20, 8), None, 3726, 0.895),
        ((6700, 30.15, 31, 5), 6489, 9838, 0.742),
        ((6700, 30.15, 20, 7), 6489, 8679, 0.770),
        ((12, 29.95, 27, 22), None, 1705, None),
    ],
)
def test_three_cases_of_the_trade(field, pressure_altitude, density_altitude, sigma):
    """Hot afternoon, cool evening, hot and high, beach: assumed weather, arithmetic checked with ambiance."""
    pa, da, ratio = reading(*field)
    assert da == pytest.approx(density_altitude, abs=2)
    if pressure_altitude is not None:
        assert pa == pytest.approx(pressure_altitude, abs=1)
    if sigma is not None:
        assert ratio == pytest.approx(sigma, abs=0.0005)


def test_altimeter_setting_against_smithsonian_and_metpy():
    """Smithsonian Meteorological Tables: 29.8 inHg at 500 m is 950.965 hPa; MetPy's relation elsewhere."""
    assert atm.station_pressure_from_altimeter(29.8 * INHG, 500.0) / 100 == pytest.approx(950.965, abs=0.5)
    assert atm.station_pressure_from_altimeter(29.8 * INHG, 500.0) / 100 == pytest.approx(950.70, abs=0.01)
    assert atm.station_pressure_from_altimeter(30.20 * INHG, 5045 * FT) == pytest.approx(84_977, abs=30)
    for setting, elevation in ((29.50, 300.0), (30.10, 1650.0), (29.92, 2200.0)):
        other = metpy.calc.altimeter_to_station_pressure(setting * units.inHg, elevation * units.m)
        assert atm.station_pressure_from_altimeter(setting * INHG, elevation) == pytest.approx(
            other.to("Pa").magnitude, abs=50
        )


@given(st.floats(95_000, 106_000), st.floats(-100, 3000))
def test_altimeter_setting_round_trip(setting, elevation):
    """An altimeter set to the setting reads the elevation on the ground, by definition."""
    p = atm.station_pressure_from_altimeter(setting, elevation)
    assert atm.altimeter_from_station_pressure(p, elevation) == pytest.approx(setting, rel=1e-9)
    assert atm.elevation_from_pressures(setting, p) == pytest.approx(elevation, abs=1e-5)


@example(60_000.0, 45.0, 0.0)
@given(st.floats(60_000, 105_000), st.floats(-20, 45), st.floats(0, 40))
def test_moist_air_against_metpy(pressure, t_c, spread):
    """Density of moist air against MetPy's mixing ratio and density functions over random readings.

    Up to a dew point of 35 deg C, the highest observed anywhere (from memory): MetPy's form of the vapour
    pressure is another, and above that the two part, by 0.4 % at 45 deg C.
    """
    td_c = min(t_c - spread, 35.0)
    e = metpy.calc.saturation_vapor_pressure(td_c * units.degC)
    w = metpy.calc.mixing_ratio(e, pressure * units.Pa)
    other = metpy.calc.density(pressure * units.Pa, t_c * units.degC, w).to("kg/m^3").magnitude
    assert atm.density(pressure, t_c + C, td_c + C) == pytest.approx(other, rel=2e-4)


@given(st.floats(70_000, 105_000), st.floats(250, 318), st.floats(0, 25), st.floats(0.5, 10))
def test_density_altitude_rises_with_heat_and_humidity_and_falls_with_pressure(p, t, spread, step):
    """Hot, humid and low pressure each raise density altitude."""
    base = atm.density_altitude(p, t, t - spread)
    assert atm.density_altitude(p, t + step, t - spread) > base
    assert atm.density_altitude(p - 100 * step, t, t - spread) > base
    assert atm.density_altitude(p, t, t - spread - step) < base
    assert atm.density_altitude(p, t) < base


def test_rule_of_thumb_is_near():
    """120 ft per °C above standard: common practice, no source; the true slope runs 110 to 118."""
    for elevation in (0, 3000, 6000):
        standard = float(atm.standard_temperature(elevation * FT)) - C
        slope = (reading(elevation, 29.9213, standard + 15)[1] - elevation) / 15
        assert 108 < slope < 120


def test_missing_stays_missing_and_impossible_is_not_a_number():
    """NaN in, NaN out; no pressure of zero or below has an altitude."""
    assert np.isnan(atm.density_altitude(np.nan, 290.0))
    assert np.isnan(atm.density_altitude(90_000.0, 290.0, np.nan))
    assert np.isnan(atm.altitude_at_pressure([0.0, -5.0])).all()
    assert np.isnan(atm.altitude_at_density(0.0))


def test_dew_point_and_humidity_invert():
    """Relative humidity of 1 is the temperature itself; MetPy's dew point elsewhere."""
    assert atm.dew_point_from_relative_humidity(300.0, 1.0) == pytest.approx(300.0, abs=1e-9)
    other = metpy.calc.dewpoint_from_relative_humidity(30 * units.degC, 0.35).to("K").magnitude
    assert atm.dew_point_from_relative_humidity(30 + C, 0.35) == pytest.approx(other, abs=0.15)


def test_speed_of_sound():
    """661.5 kt at 15 °C (U.S. Standard Atmosphere 1976); 38.968 sqrt(T) kt elsewhere (closed form)."""
    assert atm.speed_of_sound(288.15) * 3600 / 1852 == pytest.approx(661.5, abs=0.05)
    assert atm.speed_of_sound(255.0) * 3600 / 1852 == pytest.approx(38.968 * np.sqrt(255.0), abs=0.05)


def test_sea_level_pressure_is_no_altimeter_setting():
    """A mile-high field on a hot afternoon: taking one for the other moves density altitude by over 250 ft.

    Standard hydrostatics: the same 838 hPa at 1,650 m seen both ways, 31 °C now and 17 °C twelve hours ago.
    """
    p, h, t = 83_800.0, 1650.0, 31 + C
    t12 = 0.5 * (31 + 17) + C
    column = atm.mslp_mean_column_temperature(t12, h, plateau=True)
    mslp = float(atm.hypsometric_pressure(p, -h, column))
    assert atm.station_pressure_from_mslp(mslp, h, t12, plateau=True) == pytest.approx(p, rel=1e-12)
    mistaken = atm.station_pressure_from_altimeter(mslp, h)
    gap = (atm.density_altitude(mistaken, t) - atm.density_altitude(p, t)) / FT
    assert 150 < gap < 450


def test_twelve_hour_mean_is_two_readings():
    """Mean of now and twelve hours ago, not of thirteen hours."""
    t = np.arange(30, dtype=float)
    mean = atm.temperature_12h_mean(t)
    assert np.isnan(mean[:12]).all()
    assert mean[12] == (0 + 12) / 2
    assert mean[29] == (17 + 29) / 2


def test_pressure_precedence_is_told():
    """Station pressure, then altimeter setting, then sea level pressure, then the standard atmosphere."""
    nan = np.nan
    pressure, source = station_pressure(
        [84_000.0, nan, nan, nan],
        [101_500.0, 101_500.0, nan, nan],
        [101_300.0, 101_300.0, 101_300.0, nan],
        np.full(4, 293.0),
        elevation=1600.0,
        plateau=True,
    )
    assert [PRESSURE_SOURCES[i] for i in source] == list(PRESSURE_SOURCES)
    assert pressure[0] == 84_000.0
    assert pressure[1] == pytest.approx(atm.station_pressure_from_altimeter(101_500.0, 1600.0))
    assert pressure[3] == pytest.approx(atm.standard_pressure(1600.0))


def test_sea_level_pressure_without_its_temperatures_is_not_used():
    """The reduction needs two temperatures: without them the next source stands, and is named."""
    _, source = station_pressure(None, None, [101_300.0], [np.nan], elevation=500.0, plateau=False)
    assert PRESSURE_SOURCES[source[0]] == "standard atmosphere"


def test_station_air_carried_up_a_thousand_metres():
    """Standard air carried by the standard lapse is standard air: the hypsometric step closes to 0.1 hPa."""
    air = venue_air(288.15, 200.0, 101_325.0, height_difference=1000.0)
    assert air.temperature == pytest.approx(281.65)
    assert air.pressure == pytest.approx(float(atm.standard_pressure(1000.0)), abs=10.0)


@given(st.floats(-1000, 1000), st.floats(260, 310), st.floats(0, 20))
def test_vapour_share_is_kept_on_the_way(dz, t, spread):
    """The share of water vapour stays; the dew point never exceeds the temperature."""
    air = venue_air(t, t - spread, 90_000.0, height_difference=dz)
    assert air.dew_point <= air.temperature + 1e-9
    if air.dew_point < air.temperature - 1e-6:
        share = atm.vapour_pressure(air.dew_point) / air.pressure
        assert share == pytest.approx(atm.vapour_pressure(t - spread) / 90_000.0, rel=1e-9)


def test_where_the_plateau_correction_applies():
    """North American practice only."""
    assert plateau_correction_applies(39.7, -104.9)
    assert not plateau_correction_applies(47.3, 8.5)
    assert not plateau_correction_applies(-33.0, -70.0)
