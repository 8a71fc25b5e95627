"""One reading of the air, as typed by a pilot: units checked, numbers out."""

from __future__ import annotations

import math
import re
from argparse import Namespace
from typing import Any

import numpy as np

from pipeline.air import atmosphere as atm
from pipeline.air import wind
from pipeline.air.variables import FT, HPA, INHG, KT
from pipeline.errors import InputError

__all__ = ["air_reading", "parse_wind"]

_RANGES: dict[str, tuple[float, float, str, str]] = {
    "elevation_ft": (-1400.0, 15_000.0, "--elevation-ft", "feet above mean sea level"),
    "altimeter_inhg": (27.0, 32.5, "--altimeter-inhg", "inches of mercury, such as 29.92"),
    "altimeter_hpa": (910.0, 1100.0, "--altimeter-hpa", "hPa, such as 1013.2"),
    "mslp_hpa": (870.0, 1090.0, "--mslp-hpa", "hPa, such as 1013.2"),
    "station_pressure_hpa": (550.0, 1100.0, "--station-pressure-hpa", "hPa at the field, such as 838.0"),
    "temperature_c": (-60.0, 60.0, "--temperature-c", "degrees Celsius"),
    "temperature_f": (-76.0, 140.0, "--temperature-f", "degrees Fahrenheit"),
    "dew_point_c": (-80.0, 36.0, "--dew-point-c", "degrees Celsius"),
    "dew_point_f": (-112.0, 97.0, "--dew-point-f", "degrees Fahrenheit"),
    "temperature_12h_ago_c": (-60.0, 60.0, "--temperature-12h-ago-c", "degrees Celsius"),
    "runway_true": (0.0, 360.0, "--runway-true", "degrees true"),
}

_MISTAKEN: dict[str, tuple[float, float, str]] = {
    "altimeter_hpa": (27.0, 32.5, "that looks like inches of mercury: use --altimeter-inhg"),
    "mslp_hpa": (27.0, 32.5, "that looks like inches of mercury: multiply by 33.8639"),
    "station_pressure_hpa": (16.0, 32.5, "that looks like inches of mercury: multiply by 33.8639"),
    "altimeter_inhg": (870.0, 1100.0, "that looks like hPa: use --altimeter-hpa"),
    "temperature_c": (60.0, 140.0, "that looks like degrees Fahrenheit: use --temperature-f"),
    "dew_point_c": (36.0, 97.0, "that looks like degrees Fahrenheit: use --dew-point-f"),
}


def parse_wind(text: str) -> tuple[float, float]:
    """True direction [degree] (NaN for variable) and speed [kt] from ``140/25``, ``VRB/4`` or ``0/0``.

    Raises
    ------
    InputError
        The text is none of these.
    """
    matched = re.fullmatch(r"\s*(VRB|\d{1,3})\s*/\s*(\d{1,3}(?:\.\d+)?)\s*", text, re.IGNORECASE)
    if matched is None:
        raise InputError(
            f"--wind {text!r} is not a wind. Write the true direction and the knots, such as 140/25, "
            "VRB/4 for a variable wind, or 0/0 for calm."
        )
    direction = math.nan if matched[1].upper() == "VRB" else float(matched[1])
    speed = float(matched[2])
    if direction > 360.0 or speed > 150.0:
        raise InputError(
            f"--wind {text!r} is outside what blows: a direction from 0 to 360 and at most 150 kt are wanted."
        )
    return direction, speed


def _checked(arguments: Namespace) -> dict[str, float | None]:
    values: dict[str, float | None] = {}
    for name, (low, high, flag, wanted) in _RANGES.items():
        value = getattr(arguments, name, None)
        values[name] = value
        if value is None:
            continue
        if not low <= value <= high:
            hint = ""
            if name in _MISTAKEN and _MISTAKEN[name][0] <= value <= _MISTAKEN[name][1]:
                hint = f"; {_MISTAKEN[name][2]}"
            raise InputError(
                f"{flag} {value:g} is out of range: {wanted} from {low:g} to {high:g} are wanted{hint}."
            )
    return values


def air_reading(arguments: Namespace) -> dict[str, Any]:
    """Pressure altitude, density altitude and wind components of one reading.

    Parameters
    ----------
    arguments
        As the ``air`` command takes them.

    Returns
    -------
    dict
        Plain numbers with the unit in the name; components are None without a wind and a runway.

    Raises
    ------
    InputError
        A value is out of range, or in another unit than its option says.
    """
    v = _checked(arguments)
    notes: list[str] = []
    elevation = float(v["elevation_ft"] or 0.0) * FT
    fahrenheit, celsius = v["temperature_f"], v["temperature_c"]
    temperature = (celsius if celsius is not None else ((fahrenheit or 0.0) - 32.0) / 1.8) + 273.15
    dew_c, dew_f = v["dew_point_c"], v["dew_point_f"]
    dew_point = None
    if dew_c is not None or dew_f is not None:
        dew_point = (dew_c if dew_c is not None else ((dew_f or 0.0) - 32.0) / 1.8) + 273.15
        if dew_point > temperature:
            raise InputError(
                f"The dew point, {dew_point - 273.15:.1f} °C, is above the temperature, "
                f"{temperature - 273.15:.1f} °C. Check which is which."
            )
    if v["altimeter_inhg"] is not None:
        pressure, source = (
            atm.station_pressure_from_altimeter(v["altimeter_inhg"] * INHG, elevation),
            "altimeter setting",
        )
    elif v["altimeter_hpa"] is not None:
        pressure, source = (
            atm.station_pressure_from_altimeter(v["altimeter_hpa"] * HPA, elevation),
            "altimeter setting",
        )
    elif v["station_pressure_hpa"] is not None:
        pressure, source = np.asarray(v["station_pressure_hpa"] * HPA), "station pressure"
        implied = float(atm.altimeter_from_station_pressure(pressure, elevation)) / INHG
        low, high = _RANGES["altimeter_inhg"][:2]
        # A sea level value taken for the field's own would make the air look thousands of feet better.
        if not low <= implied <= high:
            raise InputError(
                f"--station-pressure-hpa {v['station_pressure_hpa']:g} at {v['elevation_ft']:g} ft would be "
                f"an altimeter setting of {implied:.2f} inHg: it is not the pressure at that field. A value "
                "reduced to sea level goes to --altimeter-hpa or --mslp-hpa; else check the elevation."
            )
    else:
        earlier = v["temperature_12h_ago_c"]
        mean = temperature if earlier is None else 0.5 * (temperature + earlier + 273.15)
        if earlier is None and elevation > 150.0:
            notes.append(
                "Sea level pressure is reduced with the mean of the temperatures now and twelve hours ago; "
                "only now's is given, so the pressure altitude may be some 50 ft out. "
                "An altimeter setting is better."
            )
        pressure = atm.station_pressure_from_mslp(
            float(v["mslp_hpa"] or 0.0) * HPA, elevation, mean, plateau=arguments.mslp_reduction == "plateau"
        )
        source = "mean sea level pressure"
    dry = atm.density_altitude(pressure, temperature)
    if dew_point is None:
        moist = dry
        notes.append(
            "No dew point was given, so the density altitude is that of dry air: too low by some 150 to 450 "
            "ft on a hot day."
        )
    else:
        moist = atm.density_altitude(pressure, temperature, dew_point)
    told: dict[str, Any] = {
        "pressure_altitude_ft": _feet(atm.pressure_altitude(pressure)),
        "density_altitude_dry_ft": _feet(dry),
        "density_altitude_ft": _feet(moist),
        "density_ratio": round(float(atm.density(pressure, temperature, dew_point)) / atm.DENSITY_0, 5),
        "station_pressure_hpa": round(float(pressure) / HPA, 2),
        "pressure_source": source,
        "headwind_kt": None,
        "crosswind_kt": None,
        "crosswind_from": None,
    }
    runway = v["runway_true"]
    if (arguments.wind is None) != (runway is None):
        raise InputError("--wind and --runway-true go together: give both, or neither.")
    if arguments.wind is not None and runway is not None:
        direction, speed = parse_wind(arguments.wind)
        headwind, crosswind = wind.runway_components(speed * KT, direction, runway)
        _, from_right = wind.components(speed * KT, direction, runway)
        told["crosswind_kt"] = round(float(crosswind) / KT, 2)
        if math.isnan(direction) and speed > 0:
            notes.append("A variable wind may come from anywhere: all of it is counted as crosswind.")
        else:
            told["headwind_kt"] = round(float(headwind) / KT, 2)
            if told["crosswind_kt"]:  # of a wind down the runway, rounding leaves a side
                told["crosswind_from"] = "right" if from_right > 0 else "left"
    told["notes"] = notes
    return told


def _feet(metres: Any) -> float:
    return round(float(metres) / FT, 1)
