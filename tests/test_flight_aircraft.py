"""The aircraft against density: power, thrust, stall, turns, level performance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.air.atmosphere import (
    DENSITY_0,
    PRESSURE_0,
    altitude_at_density,
    standard_density,
    standard_pressure,
)
from pipeline.air.variables import FT, KT
from pipeline.flight.aircraft import (
    BlownEngine,
    FieldAir,
    TableEngine,
    UnblownEngine,
    best_climb,
    best_glide,
    corner_speed,
    drag,
    gagg_farrar,
    specific_excess_power,
    stall_speed,
    thrust,
    tip_mach,
    top_speed,
    turn,
)
from pipeline.flight.performance import performance
from tests.flightdata import BIPLANE


def test_gagg_farrar() -> None:
    """Gagg and Farrar (1934), P/P0 = 1.132 σ - 0.132, at 2, 5, 8 and 10 thousand ft, worked by hand."""
    sigma = standard_density(np.array([2000, 5000, 8000, 10000]) * FT) / DENSITY_0
    np.testing.assert_allclose(gagg_farrar(sigma), [0.9352, 0.8434, 0.7578, 0.7040], atol=1e-4)


def test_unblown_engine_loses_three_to_three_and_a_half_percent_a_thousand_feet() -> None:
    """Common practice in the trade press: 3 to 3.5 % of its power for each 1,000 ft."""
    engine = replace(BIPLANE, engine=UnblownEngine(100e3))
    power = FieldAir(np.array([0.0, 1000 * FT])).power(engine)
    assert 0.030 < 1 - power[1] / power[0] < 0.035


def test_blown_engine_holds_its_rating_to_the_critical_altitude() -> None:
    """Its definition: the rating to the critical pressure altitude, Gagg and Farrar from there."""
    altitudes = np.array([0.0, 2500.0, 5000.0, 8000.0]) * FT
    power = FieldAir(altitudes).power(BIPLANE) / (450 * 745.7)
    sigma = standard_density(altitudes) / DENSITY_0
    above = (1.132 * sigma[3] - 0.132) / (1.132 * sigma[2] - 0.132)
    np.testing.assert_allclose(power, [1.0, 1.0, 1.0, above], rtol=1e-12)


def test_heat_costs_a_blown_engine_the_root_of_temperature() -> None:
    """√(T standard / T): at a 2,437 ft field at 35 °C, 283.32 K standard against 308.15 K."""
    pressure_altitude = 2437 * FT
    pressure = standard_pressure(pressure_altitude)
    hot_density = pressure / (287.05287 * 308.15)
    from pipeline.air.atmosphere import altitude_at_density

    air = FieldAir(altitude_at_density(hot_density), pressure_altitude)
    expected = np.sqrt((288.15 - 0.0065 * pressure_altitude) / 308.15)
    assert float(air.power(BIPLANE)) / (450 * 745.7) == pytest.approx(expected, rel=1e-9)


def test_cold_gives_no_power_that_the_pressure_does_not() -> None:
    """At a pressure altitude of 6,700 ft a blown engine, critical at 5,000, has what Gagg & Farrar leave it.

    (1.132 σ(6,700) - .132) / (1.132 σ(5,000) - .132) = .9410, however cold and dense the air is.
    """
    engine = BIPLANE.engine
    assert isinstance(engine, BlownEngine)
    sigma = (standard_density(np.array([6700.0, 5000.0]) * FT)) / DENSITY_0
    share = (1.132 * sigma - 0.132)[0] / (1.132 * sigma - 0.132)[1]
    blown = replace(BIPLANE, engine=replace(engine, critical_altitude=5000 * FT))
    cold = FieldAir(np.array([3937.0, 5905.0, 6700.0]) * FT, 6700 * FT).power(blown)
    np.testing.assert_allclose(cold / engine.rated_power, share, rtol=1e-9)


def test_power_table_is_not_extrapolated() -> None:
    """Between rows linear; beyond the last none."""
    table = replace(BIPLANE, engine=TableEngine((0.0, 3000.0), (300e3, 240e3)))
    assert float(FieldAir(1500.0).power(table)) == pytest.approx(270e3)
    assert np.isnan(FieldAir(3100.0).power(table))


def test_static_thrust_is_that_of_the_ideal_actuator_disc() -> None:
    """Standing still, T³ = 2 ρ A P² (momentum theory, Glauert in Durand vol. IV)."""
    power, rho = 300e3, 1.1
    disc = np.pi * BIPLANE.propeller_diameter**2 / 4
    expected = (2 * rho * disc * (BIPLANE.propeller_efficiency * power) ** 2) ** (1 / 3)
    assert float(thrust(BIPLANE, power, 0.0, rho)) == pytest.approx(expected, rel=1e-9)


@given(
    power=st.floats(1e3, 2e6), speed=st.floats(0.0, 150.0), rho=st.floats(0.5, 1.4),
)  # fmt: skip
def test_thrust_satisfies_momentum_theory(power: float, speed: float, rho: float) -> None:
    """T = 2 ρ A (V + v) v and T (V + v) = P hold together; thrust times speed never exceeds the power."""
    force = float(thrust(BIPLANE, power, speed, rho))
    useful = BIPLANE.propeller_efficiency * power
    disc = np.pi * BIPLANE.propeller_diameter**2 / 4
    induced = useful / force - speed
    assert 2 * rho * disc * (speed + induced) * induced == pytest.approx(force, rel=1e-6)
    assert force * speed <= useful * (1 + 1e-12)


def test_no_power_no_thrust() -> None:
    """A stopped engine pulls nothing, standing or moving."""
    np.testing.assert_array_equal(thrust(BIPLANE, 0.0, np.array([0.0, 50.0]), 1.2), 0.0)


def test_stall_grows_with_the_root_of_load_factor() -> None:
    """FAA Airplane Flying Handbook: a 50 kt stall becomes 100 kt at 4 g and 150 kt at 9 g."""
    mass = BIPLANE.mass * (50 * KT / float(stall_speed(BIPLANE))) ** 2
    fifty = replace(BIPLANE, mass=mass)
    np.testing.assert_allclose(stall_speed(fifty, [1, 4, 9]) / KT, [50, 100, 150], rtol=1e-12)


def test_inverted_stall_uses_inverted_lift() -> None:
    """The root of the ratio of the two lift coefficients apart."""
    ratio = stall_speed(BIPLANE, -1.0) / stall_speed(BIPLANE, 1.0)
    assert float(ratio) == pytest.approx(np.sqrt(1.5 / 1.05))


def test_corner_speed() -> None:
    """Stall × √n at the structural limit, here 6 g."""
    assert corner_speed(BIPLANE) == pytest.approx(float(stall_speed(BIPLANE)) * np.sqrt(6))


def test_turn_radius_and_rate() -> None:
    """PHAK chapter 5: 120 kt at 30° of bank, 2,215 ft and 5.25 °/s.

    The handbook's R = V²/(11.26 tan φ) has its constant rounded: 9.80665 m/s² and exact knots make it
    g·(0.3048)/(0.514444²) = 11.294, and 2215 × 11.26/11.294 = 2,208 ft.
    """
    radius, rate = turn(120 * KT, np.radians(30))
    constant = 9.80665 * 0.3048 / KT**2
    assert constant == pytest.approx(11.294, abs=0.001)
    assert float(radius) / FT == pytest.approx(2215 * 11.26 / constant, abs=1)
    assert float(np.degrees(rate)) == pytest.approx(5.25, abs=0.01)


def test_tip_mach() -> None:
    """Helical tip speed over the speed of sound, 661.5 kt at 15 °C (38.968 √T kt)."""
    rotation = np.pi * 2.7 * 35.0
    expected = np.hypot(rotation, 100 * KT) / (38.968 * np.sqrt(288.15) * KT)
    assert float(tip_mach(BIPLANE, 100 * KT, 288.15)) == pytest.approx(expected, rel=1e-4)


def test_tips_in_the_cold() -> None:
    """At 5,000 ft the standard has 278.24 K (ISO 2533); 20 K colder the air is denser by 278.24/258.24.

    The speed of sound is 38.968 √258.24 kt there, 3.7 % less, and the tips' Mach number as much more.
    """
    sigma = 0.86167 * 278.24 / 258.24
    cold = FieldAir(float(altitude_at_density(sigma * 1.225)), 5000 * FT)
    shown = performance(BIPLANE, cold)
    fastest = BIPLANE.never_exceed_speed / np.sqrt(sigma)
    expected = np.hypot(np.pi * 2.7 * 35.0, fastest) / (38.968 * np.sqrt(258.24) * KT)
    assert float(shown.fastest_tip_mach) == pytest.approx(expected, rel=2e-4)


def test_level_speed_balances_and_climb_is_the_best_there_is() -> None:
    """At the top speed the excess power is nil; no speed of a finer grid climbs better by 0.5 ft/min."""
    air = FieldAir(np.array([0.0, 2000.0]), np.array([0.0, 1500.0]))
    excess = specific_excess_power(BIPLANE, air, top_speed(BIPLANE, air))
    np.testing.assert_allclose(excess, 0.0, atol=1e-6)
    best, _ = best_climb(BIPLANE, air)
    for i, case in enumerate((FieldAir(0.0), FieldAir(2000.0, 1500.0))):
        finer = specific_excess_power(BIPLANE, case, np.linspace(25, 90, 5001))
        assert 0 <= finer.max() - best[i] < 0.5 * FT / 60


def test_an_aircraft_that_cannot_hold_height_has_no_top_speed() -> None:
    """Missing, not a number."""
    weak = replace(BIPLANE, engine=UnblownEngine(20e3))
    assert np.isnan(top_speed(weak, FieldAir(0.0)))
    assert best_climb(weak, FieldAir(0.0))[0] < 0


def test_best_glide_is_the_least_drag() -> None:
    """Closed form 1/(2√(CD0 k)) against the least of a fine grid."""
    ratio, speed = best_glide(BIPLANE)
    speeds = np.linspace(20, 60, 40001)
    drags = drag(BIPLANE, speeds, 1.0, DENSITY_0)
    assert BIPLANE.weight / drags.min() == pytest.approx(ratio, rel=1e-7)
    assert speeds[drags.argmin()] == pytest.approx(speed, abs=0.01)


def test_the_demonstration_kind_behaves_as_the_trade_expects() -> None:
    """Common practice, no source: re-engined to 450-500 hp it does 120-150 kt level, not its entry speeds."""
    level = float(top_speed(BIPLANE, FieldAir(0.0))) / KT
    assert 115 < level < 150
    assert level < 166  # the fast figures need a dive


def test_calibrated_and_equivalent_airspeed_are_one_here() -> None:
    """Compressibility at 200 kt and 10,000 ft, by the isentropic pitot formula (PHAK glossary; ISO 2533)."""
    a0 = np.sqrt(1.4 * 287.05287 * 288.15)
    impact = PRESSURE_0 * ((1 + 0.2 * (200 * KT / a0) ** 2) ** 3.5 - 1)
    pressure = float(standard_pressure(10000 * FT))
    mach = np.sqrt(5 * ((impact / pressure + 1) ** (2 / 7) - 1))
    equivalent = a0 * mach * np.sqrt(pressure / PRESSURE_0) / KT
    assert 0 < 200 - equivalent < 1.1


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("mass", -1.0),
        ("wing_area", 0.0),
        ("zero_lift_drag", -0.01),
        ("induced_drag_factor", -0.01),
        ("max_lift", 0.0),
        ("max_load_factor", 0.9),
        ("min_load_factor", 1.0),
        ("propeller_efficiency", 1.2),
        ("never_exceed_speed", float("nan")),
        ("engine", UnblownEngine(-5.0)),
        ("engine", BlownEngine(float("nan"), 0.0)),
        ("engine", TableEngine((0.0, 0.0), (1.0, 1.0))),
    ],
)
def test_impossible_aircraft_are_refused(key: str, value: object) -> None:
    """Negative masses, impossible polars, and the like."""
    with pytest.raises(ValueError, match=r"."):
        replace(BIPLANE, **{key: value})


def test_missing_air_is_refused() -> None:
    """A missing density altitude is not silently flown."""
    with pytest.raises(ValueError, match="density altitude"):
        FieldAir(np.array([0.0, np.nan]))


@settings(max_examples=30)
@given(da=st.floats(-500, 4000), more=st.floats(1, 1000))
def test_thinner_air_never_climbs_better(da: float, more: float) -> None:
    """Best climb and level top speed (indicated) fall with density altitude."""
    air = FieldAir(np.array([da, da + more]))
    assert np.diff(best_climb(BIPLANE, air)[0])[0] <= 1e-9
    assert np.diff(top_speed(BIPLANE, air))[0] <= 1e-6
