"""Kneeboard heights: one number, what the altimeter's needle reads at the printed setting, rounded up."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import altitude_at_pressure, standard_temperature
from pipeline.air.variables import FT, INHG

__all__ = [
    "HIGHEST_SETTING",
    "LOWEST_SETTING",
    "floor_warning",
    "height_warning",
    "needle_reading",
    "not_over_ft",
    "reckoned_ft",
    "rounded_up_ft",
]

FloatArray = npt.NDArray[np.floating]

LOWEST_SETTING = 28.0 * INHG
"""Where the subscale of the usual altimeter ends [Pa]: 28.0 to 31.0 inHg (from memory)."""
HIGHEST_SETTING = 31.0 * INHG


def rounded_up_ft(height: npt.ArrayLike, step_ft: float = 50.0) -> FloatArray:
    """Height [m] in feet, rounded up to the next step; a whole step stays."""
    feet = np.asarray(height, dtype=float) / FT
    # A billionth of a foot must not cost fifty.
    return np.asarray(np.ceil(feet / step_ft - 1e-9) * step_ft)


def reckoned_ft(density_altitude: npt.ArrayLike) -> FloatArray:
    """Density altitude [ft] that a slot's papers are reckoned for, from its 1-in-10 high [m].

    Rounded up to the next 500 ft; air thicker than standard sea level air counts as that.
    """
    return np.maximum(rounded_up_ft(density_altitude, 500.0), 0.0)


def not_over_ft(height: npt.ArrayLike, not_under_ft: npt.ArrayLike, step_ft: float = 50.0) -> FloatArray:
    """Height [m] not to be passed, in feet, a step to the safe side; never under the least height [ft]."""
    return np.asarray(np.maximum(rounded_up_ft(height, step_ft) - step_ft, not_under_ft))


def needle_reading(
    height: npt.ArrayLike,
    elevation: npt.ArrayLike,
    *,
    altimeter_setting: npt.ArrayLike | None = None,
    printed_setting: npt.ArrayLike | None = None,
    temperature: npt.ArrayLike | None = None,
) -> FloatArray:
    """What the needle reads [m] at a height above the field.

    Parameters
    ----------
    height
        Above the field [m].
    elevation
        Of the field [m].
    altimeter_setting
        The local setting (QNH) [Pa].
    printed_setting
        The setting dialled and printed on the card [Pa]; None means the local setting, and then the
        local setting need not be known.
    temperature
        At the field [K]. In air colder than standard the needle reads more than the true height, and a
        height must be flown higher on the needle: the cold correction is added. In hotter air the
        needle reads less; that is not taken off, since it is in the pilot's favour.

    Raises
    ------
    ValueError
        When the printed setting does not fit on an altimeter's subscale, as the setting that reads zero at
        a high field does not; or when the printed setting is given without the local one.
    """
    above = np.asarray(height, dtype=float)
    field = np.asarray(elevation, dtype=float)
    if temperature is not None:
        cold = standard_temperature(field) / np.asarray(temperature, dtype=float)
        above = above * np.maximum(cold, 1.0)
    shift: FloatArray | float = 0.0
    if printed_setting is not None:
        if altimeter_setting is None:
            raise ValueError("a printed setting needs the local altimeter setting beside it")
        printed = np.asarray(printed_setting, dtype=float)
        if np.any((printed < LOWEST_SETTING) | (printed > HIGHEST_SETTING)):
            raise ValueError(
                f"an altimeter's subscale ends at {LOWEST_SETTING / INHG:.2f} and "
                f"{HIGHEST_SETTING / INHG:.2f} inHg; print the local setting instead"
            )
        shift = altitude_at_pressure(altimeter_setting) - altitude_at_pressure(printed)
    return np.asarray(field + above + shift)


def height_warning(
    height_ft: float, elevation_ft: float, floor_ft: float, *, highest_plausible_ft: float = 5000.0
) -> str:
    """Say what is odd about a height above the field, or nothing.

    Mixing heights above sea level with heights above ground has destroyed aircraft. A height is flagged

    - as one above sea level when it is at or above the field's own elevation, and the field is high enough
      for that to be no coincidence (800 ft), or when it is above anything a display uses;
    - as metres when it is below the floor but would be above it, times 3.28.
    """
    if height_ft > highest_plausible_ft or (elevation_ft >= 800.0 and height_ft >= elevation_ft):
        return (
            f"{height_ft:g} ft above a field at {elevation_ft:g} ft looks like a height above sea level; "
            "heights here are above ground"
        )
    if 0 < height_ft < floor_ft <= height_ft / FT:
        return (
            f"{height_ft:g} ft is below the floor of {floor_ft:g} ft and looks like metres; "
            "heights here are in feet"
        )
    if height_ft < floor_ft:
        return f"{height_ft:g} ft is below the floor of {floor_ft:g} ft"
    return ""


def floor_warning(floor_ft: float) -> str:
    """Say that a floor looks like one in metres, or nothing.

    Floors are authorised in round feet, or in round metres. One that is neither in fives of feet nor a round
    height in metres put into feet, but a round height in feet put into metres, was put the wrong way: 76 for
    250 ft, 152 for 500 ft. A floor of 30 or 305 ft is one.
    """
    feet = round(floor_ft / FT / 50.0) * 50.0
    if 50.0 <= floor_ft <= 330.0 and floor_ft % 5.0 and abs(floor_ft - feet * FT) <= 0.5:
        return f"a floor in feet; {floor_ft:g} looks like {feet:,.0f} ft in metres"
    return ""
