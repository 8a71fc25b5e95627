"""Rehearsal air: where at home the show's thin air is found, and what a practice proves about a show."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import (
    GRAVITY,
    LAPSE_RATE,
    R_DRY,
    altitude_at_density,
    altitude_at_pressure,
    density,
    standard_density,
    station_pressure_from_altimeter,
    virtual_temperature,
)
from pipeline.air.variables import FT
from pipeline.flight.aircraft import Aircraft, FieldAir
from pipeline.flight.heights import needle_reading

__all__ = ["Rehearsal", "practice_better_ft", "practice_remark", "rehearsal_base"]

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Rehearsal:
    """Where to rehearse; arrays that broadcast with the inputs.

    Attributes
    ----------
    base_height
        Above the home field at which the air has the show's density [m]; negative where the home air is
        thinner already.
    needle
        The same as the altimeter reads it at the home setting [m].
    power_ratio
        Full power at the rehearsal height over full power at the show [1]. Below 1 the rehearsal is
        pessimistic: a blown engine has lost power at that height which it still has on the hot ground.
    """

    base_height: FloatArray
    needle: FloatArray
    power_ratio: FloatArray

    @property
    def remark(self) -> str:
        """Words for the screen about the engine."""
        worst, best = float(np.min(self.power_ratio)), float(np.max(self.power_ratio))
        if worst < 0.99:
            return (
                f"up there the engine has {100 * (1 - worst):.0f} % less power than it will have at the "
                "show: the rehearsal is pessimistic about climbing, and honest about turning"
            )
        if best > 1.01:
            return (
                f"up there the engine has {100 * (best - 1):.0f} % more power than in the show's heat: "
                "the rehearsal flatters the climbs"
            )
        return "the engine has the same power up there as at the show"


def rehearsal_base(
    aircraft: Aircraft,
    show_density_altitude: npt.ArrayLike,
    show_elevation: npt.ArrayLike,
    show_base: npt.ArrayLike,
    *,
    home_elevation: float,
    home_altimeter_setting: npt.ArrayLike,
    home_temperature: npt.ArrayLike,
    home_dew_point: npt.ArrayLike | None = None,
) -> Rehearsal:
    """Height over the home field whose air is as thin as the show's at its base.

    The home air is taken to cool at 6.5 K/km upward in hydrostatic balance: density falls as
    (T/T0)^(g/RL - 1), which is solved for the height.

    Parameters
    ----------
    aircraft
        Its engine decides the power ratio.
    show_density_altitude, show_elevation
        At the show's field [m]; the elevation stands for its pressure altitude.
    show_base
        Height of the show's base above its field [m].
    home_elevation
        [m].
    home_altimeter_setting, home_temperature, home_dew_point
        The practice weather at the home field [Pa, K, K]; no dew point means dry air.
    """
    pressure = station_pressure_from_altimeter(home_altimeter_setting, home_elevation)
    temperature = np.asarray(home_temperature, dtype=float)
    here = density(pressure, temperature, home_dew_point)
    virtual = (
        temperature if home_dew_point is None else virtual_temperature(pressure, temperature, home_dew_point)
    )
    base = np.asarray(show_base, dtype=float)
    wanted = standard_density(np.asarray(show_density_altitude, dtype=float) + base)
    exponent = GRAVITY / (R_DRY * LAPSE_RATE) - 1.0
    height = virtual / LAPSE_RATE * (1.0 - (wanted / here) ** (1.0 / exponent))

    aloft_pressure = pressure * (1.0 - LAPSE_RATE * height / virtual) ** (exponent + 1.0)
    # Pressure altitudes: of the rehearsal height, and of the show's base.
    aloft = altitude_at_pressure(aloft_pressure)
    there = FieldAir(np.asarray(show_density_altitude, float), np.asarray(show_elevation, float)).power(
        aircraft, base
    )
    up_here = FieldAir(altitude_at_density(wanted), aloft).power(aircraft)
    # The needle shows pressure, not height: it is read off the pressure up there.
    needle = needle_reading(
        aloft - altitude_at_pressure(pressure), home_elevation, altimeter_setting=home_altimeter_setting
    )
    return Rehearsal(np.asarray(height), needle, np.asarray(up_here / there))


def practice_better_ft(practice_density_altitude: float, show_density_altitude: float) -> int:
    """By how much a practice slot's air is better than a show's [ft], below zero thinner.

    Density altitudes are in metres. Told in steps of 50 ft to the cautious side: better rounded up, thinner
    down, and less than a step is none.
    """
    better = (show_density_altitude - practice_density_altitude) / FT
    if better >= 50.0:
        return math.ceil(better / 50.0 - 1e-6) * 50
    return -math.floor(-better / 50.0 + 1e-6) * 50 if better <= -50.0 else 0


def practice_remark(
    practice_density_altitude: float, show_density_altitude: float, figure: str = "the figures"
) -> str:
    """Say what a practice slot's air proves about a show's, as `practice_better_ft` has it."""
    better = practice_better_ft(practice_density_altitude, show_density_altitude)
    slot = "the air of this practice slot is"
    if better > 0:
        return f"{slot} {better:,} ft better than the show's: it does not prove {figure}"
    if better < 0:
        return f"{slot} {-better:,} ft thinner than the show's"
    return f"{slot} the show's"
