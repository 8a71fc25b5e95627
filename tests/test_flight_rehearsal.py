"""Rehearsal air: where the show's density is found at home."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.air.atmosphere import altitude_at_pressure, density, standard_density
from pipeline.air.variables import FT
from pipeline.flight.aircraft import UnblownEngine
from pipeline.flight.rehearsal import practice_remark, rehearsal_base
from tests.flightdata import BIPLANE


def test_standard_home_air_needs_the_density_altitude_itself() -> None:
    """Standard day at sea level: a show at 9,600 ft density altitude and a 500 ft base is found at 10,100 ft.

    Common practice quotes "base at 10,100 ft on the altimeter to feel it".
    """
    found = rehearsal_base(
        BIPLANE, 9600 * FT, 6700 * FT, 500 * FT, home_elevation=0.0, home_altimeter_setting=101325.0,
        home_temperature=288.15,
    )  # fmt: skip
    assert float(found.base_height) / FT == pytest.approx(10100, abs=1)
    assert float(found.needle) / FT == pytest.approx(10100, abs=1)


def test_density_up_there_is_the_shows() -> None:
    """Integrated hydrostatically in small steps from the home field's moist weather."""
    home = 300 * FT
    pressure, temperature, dew = 100_900.0, 278.15, 275.15
    found = rehearsal_base(
        BIPLANE, 8500 * FT, 6700 * FT, 500 * FT, home_elevation=home,
        home_altimeter_setting=102_000.0, home_temperature=temperature, home_dew_point=dew,
    )  # fmt: skip
    from pipeline.air.atmosphere import station_pressure_from_altimeter, virtual_temperature

    p = float(station_pressure_from_altimeter(102_000.0, home))
    assert pressure == pytest.approx(p, abs=200)
    t = float(virtual_temperature(p, temperature, dew))
    steps = 20000
    dz = float(found.base_height) / steps
    for _ in range(steps):
        middle = t - 0.0065 * dz / 2
        p *= np.exp(-9.80665 * dz / (287.05287 * middle))
        t -= 0.0065 * dz
    assert float(density(p, t)) == pytest.approx(float(standard_density(9000 * FT)), rel=1e-6)
    reading = float(altitude_at_pressure(p)) - float(altitude_at_pressure(102_000.0))
    assert float(found.needle) == pytest.approx(reading, abs=0.1)


def test_a_blown_engine_makes_the_rehearsal_pessimistic() -> None:
    """At height it has lost power it would still have on the hot ground; an unblown one is the same."""
    conditions = {"home_elevation": 0.0, "home_altimeter_setting": 101325.0, "home_temperature": 283.15}
    blown = rehearsal_base(BIPLANE, 9000 * FT, 6000 * FT, 500 * FT, **conditions)
    assert float(blown.power_ratio) < 0.97
    assert "pessimistic" in blown.remark
    unblown = replace(BIPLANE, engine=UnblownEngine(335e3))
    same = rehearsal_base(unblown, 9000 * FT, 6000 * FT, 500 * FT, **conditions)
    assert float(same.power_ratio) == pytest.approx(1.0, abs=1e-9)
    assert "same power" in same.remark


def test_practice_remark() -> None:
    """The reverse: what a practice slot's air proves; 149 ft better is never told as 100."""
    told = practice_remark(5000 * FT, 6400 * FT, "the loop")
    assert told == (
        "the air of this practice slot is 1,400 ft better than the show's: it does not prove the loop"
    )
    assert "is 150 ft better" in practice_remark(6251 * FT, 6400 * FT)
    assert "is 50 ft better" in practice_remark(6350 * FT, 6400 * FT)
    assert "is 600 ft thinner than the show's" in practice_remark(7000 * FT, 6400 * FT)
    assert "is 100 ft thinner" in practice_remark(6549 * FT, 6400 * FT)
    assert practice_remark(6400 * FT, 6400 * FT).endswith("is the show's")
