"""Wind components with their signs, and what an unreported gust says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.air import wind
from pipeline.air.variables import KT

SPEED = st.floats(0.0, 40.0)
ANGLE = st.floats(0.0, 360.0)


def test_handbook_crosswind_example():
    """FAA-H-8083-25 (PHAK) chapter 11 chart: runway 17, wind 140 at 25 kt: headwind 22, crosswind 13.

    The chart is read to the knot.
    """
    headwind, crosswind = wind.runway_components(25.0, 140.0, 170.0)
    assert headwind == pytest.approx(22, abs=1)
    assert crosswind == pytest.approx(13, abs=1)
    assert headwind == pytest.approx(21.65, abs=0.005)  # 25 cos 30°
    assert crosswind == pytest.approx(12.5)  # 25 sin 30°


@pytest.mark.parametrize(("speed", "angle", "across"), [(15, 60, 12.99), (20, 45, 14.14)])
def test_crosswind_arithmetic(speed, angle, across):
    """Speed times the sine of the angle."""
    assert wind.runway_components(speed, angle, 0.0)[1] == pytest.approx(across, abs=0.005)


def test_sign_toward_the_crowd():
    """Line flown north, crowd to the east: a west wind blows toward the crowd, an east wind off it."""
    toward, along = wind.show_line_components(10.0, [270.0, 90.0, 0.0], 0.0, crowd_on_right=True)
    np.testing.assert_allclose(toward, [10.0, -10.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(along, [0.0, 0.0, 10.0], atol=1e-12)
    other, _ = wind.show_line_components(10.0, 270.0, 0.0, crowd_on_right=False)
    assert other == pytest.approx(-10.0)


@given(SPEED, ANGLE, ANGLE)
def test_turning_the_line_round_keeps_the_crowd(speed, direction, heading):
    """The same line named by its other heading has its crowd on the other side: nothing changes for it."""
    one, along = wind.show_line_components(speed, direction, heading, crowd_on_right=True)
    two, back = wind.show_line_components(speed, direction, heading + 180.0, crowd_on_right=False)
    assert one == pytest.approx(two, abs=1e-9)
    assert along == pytest.approx(-back, abs=1e-9)


@given(SPEED, ANGLE, ANGLE)
def test_components_keep_the_speed(speed, direction, heading):
    """Squares of the components add up to the square of the speed."""
    along, across = wind.components(speed, direction, heading)
    assert np.hypot(along, across) == pytest.approx(speed, abs=1e-9)


def test_calm_has_no_direction():
    """00000KT: zero both ways, whatever the direction says (AC 00-45H)."""
    for direction in (0.0, 90.0, np.nan):
        assert wind.components(0.0, direction, 40.0) == (0.0, 0.0)


def test_variable_wind_counts_in_full():
    """VRB04KT: all of it may be across; its headwind is not known (cautious reading)."""
    headwind, crosswind = wind.runway_components(4.0, np.nan, 170.0)
    assert np.isnan(headwind)
    assert crosswind == 4.0
    toward, along = wind.show_line_components(4.0, np.nan, 170.0, crowd_on_right=True)
    assert (toward, along) == (4.0, 4.0)


def test_missing_speed_stays_missing():
    """No wind report is no calm."""
    assert np.isnan(wind.runway_components(np.nan, 100.0, 90.0)).all()
    assert np.isnan(wind.show_line_components(np.nan, np.nan, 90.0, crowd_on_right=True)).all()
    assert np.isnan(wind.gust_peak(np.nan, np.nan))


def test_variable_exceedance_against_counting():
    """P(W |sin a| >= X) for a uniform direction, against an even count of directions."""
    angles = np.radians(np.arange(0, 360, 0.01) + 0.005)
    for w, x in ((6.0, 4.0), (5.0, 5.0), (3.0, 1.0)):
        counted = np.mean(w * np.abs(np.sin(angles)) >= x)
        assert wind.variable_exceedance(w, x) == pytest.approx(counted, abs=2e-3)
    assert wind.variable_exceedance(3.0, 4.0) == 0.0
    assert wind.variable_exceedance(0.0, 1.0) == 0.0
    assert wind.variable_exceedance(3.0, 0.0) == 1.0


def test_tenths_of_metres_become_whole_knots():
    """Archives store 10 kt as 5.1 m/s, which reads 9.91 kt."""
    for knots in range(0, 61):
        stored = round(knots * KT, 1)
        assert wind.whole_knots(stored) == knots * KT


def test_gust_in_print_and_its_bounds():
    """22015G25KT is 25; 22015KT lies between 15 and 24, since 25 would have been coded (WMO FM 15)."""
    speeds, gusts = np.array([15.0, 15.0, 0.0]) * KT, np.array([25.0, np.nan, np.nan]) * KT
    low, high = wind.gust_bounds(speeds, gusts)
    np.testing.assert_allclose(low / KT, [25, 15, 0], atol=1e-9)
    np.testing.assert_allclose(high / KT, [25, 24, 0], atol=1e-9)


@given(st.floats(0, 40), st.one_of(st.just(np.nan), st.floats(0, 60)))
def test_gust_bounds_hold_the_gust(speed, gust):
    """Lower bound is the gust in print; never below the mean wind; never above the upper bound."""
    low, high = wind.gust_bounds(speed, gust)
    assert low == wind.gust_peak(speed, gust)
    assert low >= wind.whole_knots(speed)
    assert high >= low


def test_light_variable_wind_is_spread_over_the_compass():
    """VRB04KT over many hours: the share at or past a limit is that of a uniform direction.

    Closed form 1 - (2/pi) asin(X/W), AC 00-45H: VRB is 6 kt or less. Above that, unknown, in full.
    """
    hours = np.arange(400_000, 404_000)
    direction = wind.with_variable_direction(np.nan, 4 * KT, hours)
    _, across = wind.runway_components(4 * KT, direction, 77.0)
    for limit in (1.0, 2.0, 3.5):
        share = float(wind.variable_exceedance(4.0, limit))
        assert np.mean(across >= limit * KT) == pytest.approx(share, abs=0.003)
    np.testing.assert_array_equal(direction, wind.with_variable_direction(np.nan, 4 * KT, hours))
    assert np.isnan(wind.with_variable_direction(np.nan, 7 * KT, hours)).all()
    assert wind.with_variable_direction(120.0, 4 * KT, 5.0) == 120.0
