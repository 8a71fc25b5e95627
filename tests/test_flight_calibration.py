"""Fitting the polar to what the pilot has measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from pipeline.air.variables import FT, KT
from pipeline.flight.aircraft import FieldAir, best_climb, best_glide, top_speed
from pipeline.flight.calibration import fit_polar, glide, level_speed, loop, rate_of_climb, vertical_line
from pipeline.flight.figures import LIBRARY
from pipeline.flight.motion import fly
from tests.flightdata import BIPLANE

AIR = FieldAir(0.0)
FIGURE = replace(LIBRARY["loop"], recovery_load_factor=4.5)
START = replace(BIPLANE, zero_lift_drag=0.042, induced_drag_factor=0.100, propeller_efficiency=0.72)


def _measured(shift: float = 0.0) -> list:  # type: ignore[type-arg]
    path = fly(FIGURE, BIPLANE, AIR)
    top = int(np.argmax(path.height))
    return [
        level_speed(float(top_speed(BIPLANE, AIR)) + shift, AIR),
        rate_of_climb(float(best_climb(BIPLANE, AIR)[0]), AIR),
        glide(best_glide(BIPLANE)[0]),
        *loop(
            FIGURE,
            AIR,
            apex_gain=float(path.height[top] - path.height[0]),
            apex_speed=float(path.equivalent_airspeed[top]),
            exit_speed=float(path.equivalent_airspeed[-1]),
        ),
    ]


def test_numbers_of_a_known_aircraft_give_it_back() -> None:
    """Perfect numbers: the polar and the propeller come back, and no misfit is left."""
    fit = fit_polar(START, _measured())
    assert fit.aircraft.zero_lift_drag == pytest.approx(BIPLANE.zero_lift_drag, rel=0.01)
    assert fit.aircraft.induced_drag_factor == pytest.approx(BIPLANE.induced_drag_factor, rel=0.02)
    assert fit.aircraft.propeller_efficiency == pytest.approx(BIPLANE.propeller_efficiency, rel=0.01)
    assert max(abs(m.standardised) for m in fit.misfits) < 0.1


def test_an_efficiency_of_one_to_begin_with_comes_down() -> None:
    """aircraft.yaml says 1: perfect numbers of a worse propeller give that back; it stood still there."""
    fit = fit_polar(replace(START, propeller_efficiency=1.0), _measured())
    assert fit.aircraft.propeller_efficiency == pytest.approx(BIPLANE.propeller_efficiency, rel=0.01)
    assert fit.aircraft.zero_lift_drag == pytest.approx(BIPLANE.zero_lift_drag, rel=0.01)
    assert max(abs(m.standardised) for m in fit.misfits) < 0.1


def test_how_well_the_numbers_tell_the_polar_is_as_a_simulation_has_it() -> None:
    """Thirty pilots read the six numbers with the errors taken: the fits scatter as the fit says of itself.

    The standard deviation of thirty is known to 1/√58 = 13 %; three of these are 39 %.
    """
    true = _measured()
    told = fit_polar(START, true).uncertainty
    rng = np.random.default_rng(20)
    fits = []
    for _ in range(30):
        read = [replace(m, value=m.value + m.spread * rng.normal()) for m in true]
        found = fit_polar(BIPLANE, read).aircraft
        fits.append(np.log([found.zero_lift_drag, found.induced_drag_factor, found.propeller_efficiency]))
    assert told == pytest.approx(np.std(fits, axis=0), rel=0.39)


def test_a_loop_alone_does_not_tell_the_polar() -> None:
    """Its three numbers are met to the digit, and by twice the drag nearly as well: that is said."""
    measured = _measured()[3:]
    fit = fit_polar(START, measured)
    assert max(abs(m.standardised) for m in fit.misfits) < 0.01
    assert min(fit.uncertainty) > 1.0


def test_where_more_than_all_of_the_power_is_asked_for_the_rest_is_still_the_best_fit() -> None:
    """Half as much climb again as there is: efficiency 1, and the drag that SciPy's bounded search finds."""
    measured = _measured()
    measured[1] = rate_of_climb(1.5 * measured[1].value, AIR)
    fit = fit_polar(START, measured)

    def residuals(x: np.ndarray) -> list[float]:
        cd0, k, efficiency = np.exp(x)
        there = replace(
            START, zero_lift_drag=cd0, induced_drag_factor=k, propeller_efficiency=min(efficiency, 1.0)
        )
        return [(m.model(there) - m.value) / m.spread for m in measured]

    start = np.log([START.zero_lift_drag, START.induced_drag_factor, START.propeller_efficiency])
    found = least_squares(residuals, start, bounds=([-9.0] * 3, [2.0, 2.0, 0.0]))
    assert fit.aircraft.propeller_efficiency == 1.0
    assert sum(m.standardised**2 for m in fit.misfits) == pytest.approx(2.0 * found.cost, rel=1e-4)
    assert np.log(fit.aircraft.zero_lift_drag) == pytest.approx(found.x[0], abs=0.005)
    assert np.log(fit.aircraft.induced_drag_factor) == pytest.approx(found.x[1], abs=0.005)


def test_a_loop_entered_otherwise_than_planned_is_fitted_as_it_was_entered() -> None:
    """The measured loop began 8 kt faster and 120 ft higher than figures.yaml plans: given so, it fits."""
    entered = replace(
        FIGURE, entry_speed=FIGURE.entry_speed + 8 * KT, entry_height=FIGURE.entry_height + 36.0
    )
    path = fly(entered, BIPLANE, AIR)
    top = int(np.argmax(path.height))
    flown = loop(
        FIGURE,
        AIR,
        apex_gain=float(path.height[top] - path.height[0]),
        apex_speed=float(path.equivalent_airspeed[top]),
        exit_speed=float(path.equivalent_airspeed[-1]),
        entry_speed=entered.entry_speed,
        entry_height=entered.entry_height,
    )
    fit = fit_polar(START, [*_measured()[:3], *flown])
    assert fit.aircraft.zero_lift_drag == pytest.approx(BIPLANE.zero_lift_drag, rel=0.01)
    assert max(abs(m.standardised) for m in fit.misfits) < 0.3


def test_numbers_that_contradict_each_other_show_as_misfits() -> None:
    """The top speed noted twice in the same air, 15 kt apart: each is missed by about half of it, over 2 sd.

    A single wrong number may hide: three are free, and a top speed 15 kt too high is met within its reading
    by less drag and a worse propeller. That is why every misfit is shown, and why figures weigh most.
    """
    again = level_speed(float(top_speed(BIPLANE, AIR)) + 15 * KT, AIR)
    fit = fit_polar(START, [*_measured(), again])
    first, second = (m for m in fit.misfits if m.name == "level top speed")
    assert first.standardised > 2
    assert second.standardised < -2


def test_a_vertical_line_counts_too() -> None:
    """Its height in the fitted aircraft answers to drag: the measured one is met within its reading."""
    line = vertical_line(900 * FT, AIR, entry_speed=150 * KT, end_speed=50 * KT, load_factor=4.0, spread=10.0)
    at_start = line.model(START)
    assert at_start == pytest.approx(900 * FT, abs=120)
    assert line.model(replace(START, zero_lift_drag=0.07)) < at_start


def test_too_few_numbers_are_refused() -> None:
    """Three are fitted."""
    with pytest.raises(ValueError, match="three or more"):
        fit_polar(START, _measured()[:2])


def test_a_start_that_cannot_fly_the_figure_is_told() -> None:
    """By the name of the number."""
    with pytest.raises(ValueError, match="loop"):
        fit_polar(replace(START, zero_lift_drag=0.9), _measured())
