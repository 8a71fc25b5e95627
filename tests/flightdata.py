"""An aircraft for the flight tests: made-up numbers of a big-engined trainer biplane, and ideal ones."""

from __future__ import annotations

from dataclasses import replace

from pipeline.air.variables import FT, KT
from pipeline.flight.aircraft import Aircraft, BlownEngine, UnblownEngine

BIPLANE = Aircraft(
    name="biplane",
    mass=1315.0,
    wing_area=27.7,
    zero_lift_drag=0.052,
    induced_drag_factor=0.085,
    max_lift=1.5,
    max_lift_inverted=1.05,
    max_load_factor=6.0,
    min_load_factor=-4.0,
    never_exceed_speed=185 * KT,
    manoeuvring_speed=125 * KT,
    engine=BlownEngine(450 * 745.7, 5000 * FT),
    propeller_diameter=2.7,
    propeller_efficiency=0.8,
    propeller_speed=35.0,
)

IDEAL = replace(
    BIPLANE,
    mass=1000.0,
    wing_area=20.0,
    zero_lift_drag=0.0,
    induced_drag_factor=0.0,
    max_lift=1e6,
    max_lift_inverted=1e6,
    max_load_factor=20.0,
    min_load_factor=-20.0,
    engine=UnblownEngine(0.0),
)
"""No thrust, no drag, no stall: in a point mass the same as thrust equal to drag all the way."""
