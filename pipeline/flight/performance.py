"""What thin air does to the aircraft itself, straight and level, whatever the figure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import DENSITY_0
from pipeline.flight.aircraft import (
    Aircraft,
    FieldAir,
    air_temperature,
    best_climb,
    tip_mach,
    top_speed,
)

__all__ = ["Performance", "performance"]

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Performance:
    """The aircraft at the field's surface, full throttle; arrays over the cases of the air.

    Attributes
    ----------
    true_over_equivalent
        True airspeed over equivalent airspeed [1].
    power_ratio
        Shaft power over that in standard sea level air [1].
    top_speed
        Level, equivalent [m/s]; NaN where height cannot be held.
    climb_rate, climb_speed
        Best steady rate of climb [m/s] and the equivalent airspeed for it [m/s].
    top_tip_mach, fastest_tip_mach
        Mach number of the propeller's tips at level top speed, and at the greatest speed allowed [1].
    """

    true_over_equivalent: FloatArray
    power_ratio: FloatArray
    top_speed: FloatArray
    climb_rate: FloatArray
    climb_speed: FloatArray
    top_tip_mach: FloatArray
    fastest_tip_mach: FloatArray


def performance(aircraft: Aircraft, air: FieldAir) -> Performance:
    """Performance in each case of the air.

    The temperature for the tips is that of dry air of this density at the pressure altitude: in the cold the
    speed of sound is the lower for it.
    """
    stretch = np.sqrt(DENSITY_0 / air.density())
    density_altitude, pressure_altitude = air.lanes(air.shape)
    temperature = air_temperature(density_altitude, pressure_altitude).reshape(air.shape)
    level = top_speed(aircraft, air)
    rate, speed = best_climb(aircraft, air)
    return Performance(
        true_over_equivalent=np.asarray(stretch),
        power_ratio=np.asarray(air.power(aircraft) / FieldAir(0.0).power(aircraft)),
        top_speed=level,
        climb_rate=rate,
        climb_speed=speed,
        top_tip_mach=tip_mach(aircraft, level * stretch, temperature),
        fastest_tip_mach=tip_mach(aircraft, aircraft.greatest_speed * stretch, temperature),
    )
