"""Kneeboard heights: one number, rounded up; heights that look wrong."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.air.variables import FT, INHG
from pipeline.flight.heights import floor_warning, height_warning, needle_reading, rounded_up_ft


def test_rounded_up_to_the_next_fifty() -> None:
    """7,980 → 8,000; 8,008 → 8,050; a whole fifty stays."""
    np.testing.assert_array_equal(
        rounded_up_ft(np.array([7980, 8008, 8000, 8000.01]) * FT), [8000, 8050, 8000, 8050]
    )


def test_needle_at_the_local_setting() -> None:
    """At the local setting the needle reads the elevation on the ground, by its definition."""
    assert float(needle_reading(0.0, 2042.0)) == 2042.0


def test_needle_at_the_standard_setting() -> None:
    """PHAK pressure-altitude table: at a sea level field, 29.7 inHg is 205 ft, 31.0 inHg -983 ft."""
    for qnh, altitude in ((29.70, 205), (31.00, -983)):
        reading = needle_reading(0.0, 0.0, altimeter_setting=qnh * INHG, printed_setting=29.92 * INHG)
        assert float(reading) / FT == pytest.approx(altitude, abs=4)


def test_a_setting_that_reads_zero_at_a_high_field_is_off_the_subscale() -> None:
    """A 6,700 ft field's own pressure is about 23.3 inHg."""
    with pytest.raises(ValueError, match="subscale"):
        needle_reading(300.0, 2042.0, altimeter_setting=30 * INHG, printed_setting=23.3 * INHG)
    with pytest.raises(ValueError, match="local altimeter setting"):
        needle_reading(300.0, 2042.0, printed_setting=29.92 * INHG)


def test_cold_is_added_and_heat_is_not_taken_off() -> None:
    """ICAO rule of thumb: 4 % of the height for each 10 °C colder than standard (PANS-OPS, from memory)."""
    cold = float(needle_reading(300.0, 0.0, temperature=288.15 - 20))
    assert cold / 300 == pytest.approx(1.08, abs=0.01)
    assert float(needle_reading(300.0, 0.0, temperature=288.15 + 25)) == 300.0


@pytest.mark.parametrize(
    ("height", "elevation", "floor", "words"),
    [
        (7200, 6700, 200, "above sea level"),
        (9000, 100, 200, "above sea level"),
        (150, 0, 250, "metres"),
        (60, 0, 250, "below the floor"),
        (500, 6700, 250, ""),
        (1500, 600, 250, ""),
    ],
)
def test_heights_that_look_wrong(height: float, elevation: float, floor: float, words: str) -> None:
    """Mixing heights above sea level and above ground has destroyed aircraft (USAF release, 2003 display)."""
    told = height_warning(height, elevation, floor)
    assert words in told
    assert bool(words) == bool(told)


@pytest.mark.parametrize(
    ("floor", "feet"),
    [(76, "250"), (152, "500"), (152.4, "500"), (244, "800"), (61, "200"), (91.4, "300"), (183, "600")],
)
def test_a_floor_that_looks_like_metres(floor: float, feet: str) -> None:
    """Feet times 0.3048, to the metre or the tenth: 250 x 0.3048 = 76.2."""
    assert f"looks like {feet} ft in metres" in floor_warning(floor)


@pytest.mark.parametrize("floor", [0, 30, 50, 100, 150, 200, 250, 300, 500, 800, 98, 164, 328, 492, 984])
def test_a_sensible_floor_is_not_flagged(floor: float) -> None:
    """Round feet; and 30, 50, 100, 150 and 300 m put into feet."""
    assert floor_warning(floor) == ""
