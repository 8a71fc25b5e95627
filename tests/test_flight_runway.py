"""Take-off and landing distances scaled from the book, and the climb-out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from pipeline.air.variables import FT, KT
from pipeline.flight.aircraft import FieldAir, drag, thrust
from pipeline.flight.runway import (
    climb_out_speed,
    credited_headwind,
    dive,
    landing_distance,
    least_run,
    take_off_distance,
)
from tests.flightdata import BIPLANE

BOOK = {"book_distance": 800 * FT, "book_mass": 1315.0, "lift_off_speed": 55 * KT}
LAND = {"book_distance": 1000 * FT, "book_mass": 1315.0, "approach_speed": 65 * KT}


def test_book_conditions_give_the_book() -> None:
    """Standard sea level air, book mass, no wind."""
    assert float(take_off_distance(BIPLANE, FieldAir(0.0), **BOOK)) == pytest.approx(800 * FT)
    assert float(landing_distance(BIPLANE, FieldAir(0.0), **LAND)) == pytest.approx(1000 * FT)


def test_least_run_by_hand() -> None:
    """V²/2a with a = (7,617 - 645) N / 1,315 kg = 5.30 m/s²: 28.29² / 10.60 = 75.5 m; nothing if too heavy.

    7,617 N: 0.8 x 450 hp = 268.5 kW drive 1.225 kg/m³ through 5.726 m² at 19.8 m/s, w = 35.2 m/s by
    w³ - 19.8 w² = 268,500 / (2 x 1.225 x 5.726), and T = P / w.
    """
    assert least_run(BIPLANE, 1315.0, 55 * KT) == pytest.approx(75.5, abs=0.3)
    assert least_run(BIPLANE, 20_000.0, 55 * KT) == 0.0


@pytest.mark.parametrize(("share", "factor"), [(0.1, 0.81), (-0.1, 1.21)])
def test_wind(share: float, factor: float) -> None:
    """PHAK chapter 11: a tenth of the speed as headwind takes 19 % off, as tailwind adds 21 %."""
    take_off = take_off_distance(BIPLANE, FieldAir(0.0), **BOOK, headwind=share * 55 * KT)
    landing = landing_distance(BIPLANE, FieldAir(0.0), **LAND, headwind=share * 65 * KT)
    assert float(take_off) / (800 * FT) == pytest.approx(factor)
    assert float(landing) / (1000 * FT) == pytest.approx(factor)


def test_weight() -> None:
    """PHAK chapter 11: a tenth more weight, at least 21 % more take-off and 10 % more landing distance."""
    heavy = replace(BIPLANE, mass=1315.0 * 1.1)
    assert 1.21 <= float(take_off_distance(heavy, FieldAir(0.0), **BOOK)) / (800 * FT) < 1.30
    assert float(landing_distance(heavy, FieldAir(0.0), **LAND)) / (1000 * FT) == pytest.approx(1.10)


def test_density() -> None:
    """PHAK chapter 11: the least landing distance at 5,000 ft is 16 % greater than at sea level."""
    ratio = float(landing_distance(BIPLANE, FieldAir(5000 * FT), **LAND)) / (1000 * FT)
    assert ratio == pytest.approx(1.16, abs=0.005)
    # A fixed-pitch unblown rule of thumb says 10 % a thousand feet (UK CAA leaflet, from memory); a blown
    # engine loses less than that but no less than density alone takes.
    take_off = float(take_off_distance(BIPLANE, FieldAir(1000 * FT), **BOOK)) / (800 * FT)
    assert 1.03 < take_off < 1.10


def test_credited_wind() -> None:
    """Half of a headwind, half as much again of a tailwind (14 CFR 121.189(e), from memory)."""
    np.testing.assert_array_equal(credited_headwind([10.0, -10.0, 0.0]), [5.0, -15.0, 0.0])


def test_a_headwind_above_the_speed_is_a_slip() -> None:
    """Refused, with the hint."""
    with pytest.raises(ValueError, match="check its unit"):
        landing_distance(BIPLANE, FieldAir(0.0), **LAND, headwind=80 * KT)


def test_thrust_below_the_rolling_resistance_never_leaves_the_ground() -> None:
    """inf, so that any comparison with a runway fails safe."""
    from pipeline.flight.aircraft import UnblownEngine

    weak = replace(BIPLANE, engine=UnblownEngine(335e3), mass=60_000.0)
    book = {**BOOK, "book_mass": 1315.0}
    assert np.isinf(take_off_distance(weak, FieldAir(0.0), **book))


def test_climb_out_against_an_adaptive_solver() -> None:
    """SciPy's solve_ivp over the same straight path."""
    air = FieldAir(1500.0, 1200.0)
    distance, height = 900.0, 150.0
    rho = float(air.density(75.0))
    power = float(air.power(BIPLANE, 75.0))
    sine = height / distance

    def slope(_s: float, y: np.ndarray) -> list[float]:
        force = float(thrust(BIPLANE, power, y[0], rho)) - float(
            drag(BIPLANE, y[0], np.sqrt(1 - sine**2), rho)
        )
        return [(force / BIPLANE.mass - 9.80665 * sine) / y[0]]

    start = 55 * KT * np.sqrt(1.225 / rho)
    answer = solve_ivp(slope, (0, distance), [start], rtol=1e-10, atol=1e-10)
    expected = answer.y[0, -1] * np.sqrt(rho / 1.225)
    assert float(climb_out_speed(BIPLANE, air, 55 * KT, distance, height)) == pytest.approx(
        expected, rel=1e-5
    )


def test_a_climb_out_too_steep_is_missing() -> None:
    """Higher than it is long, or slower than it began: NaN."""
    assert np.isnan(climb_out_speed(BIPLANE, FieldAir(0.0), 55 * KT, 100.0, 150.0))
    assert np.isnan(climb_out_speed(BIPLANE, FieldAir(0.0), 55 * KT, 230.0, 200.0))


def test_dive_energy() -> None:
    """Without thrust and drag a dive is a fall: height lost = (V2² - V1²)/2g."""
    from tests.flightdata import IDEAL

    lost, seconds = dive(IDEAL, FieldAir(0.0), 100 * KT, 140 * KT, 90.0)
    assert float(lost) == pytest.approx(((140 * KT) ** 2 - (100 * KT) ** 2) / (2 * 9.80665), rel=1e-6)
    assert float(seconds) == pytest.approx(40 * KT / 9.80665, rel=1e-6)
