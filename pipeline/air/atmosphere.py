"""The standard atmosphere, the three pressures and the ways between them, moist density, density altitude.

Altitudes are geopotential metres. An airfield's published elevation is used as a geopotential height, as
altimetry does; the two differ by under 2 ft at 6,700 ft.

References
----------
.. [1] U.S. Standard Atmosphere, 1976 (NOAA-S/T 76-1562); identical with ISO 2533:1975 below 32 km.
.. [2] FAA-H-8083-25, Pilot's Handbook of Aeronautical Knowledge, chapters 4, 8 and 11.
.. [3] U.S. National Weather Service, density and pressure altitude formulas (public calculator pages).
.. [4] Environment Canada's reduction of mean sea level pressure, as published with the meteorological
   preprocessor of a regulatory dispersion model.
.. [5] O. A. Alduchov and R. E. Eskridge, "Improved Magnus form approximation of saturation vapor
   pressure", J. Appl. Meteorol. 35 (1996) 601-609, equation 21.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "DENSITY_0",
    "GRAVITY",
    "LAPSE_RATE",
    "PRESSURE_0",
    "R_DRY",
    "R_VAPOUR",
    "TEMPERATURE_0",
    "altimeter_from_station_pressure",
    "altitude_at_density",
    "altitude_at_pressure",
    "density",
    "density_altitude",
    "dew_point_from_relative_humidity",
    "dew_point_from_vapour_pressure",
    "elevation_from_pressures",
    "hypsometric_pressure",
    "mslp_mean_column_temperature",
    "pressure_altitude",
    "speed_of_sound",
    "standard_density",
    "standard_pressure",
    "standard_temperature",
    "station_pressure_from_altimeter",
    "station_pressure_from_mslp",
    "temperature_12h_mean",
    "vapour_pressure",
    "virtual_temperature",
]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

TEMPERATURE_0 = 288.15
"""Standard sea level temperature [K] [1]_."""
PRESSURE_0 = 101_325.0
"""Standard sea level pressure [Pa] [1]_."""
GRAVITY = 9.80665
"""Standard acceleration of gravity [m s-2] [1]_."""
R_DRY = 287.05287
"""Specific gas constant of dry air [J kg-1 K-1] [1]_."""
R_VAPOUR = 461.523
"""Specific gas constant of water vapour [J kg-1 K-1]: 8314.462618 / 18.01527."""
LAPSE_RATE = 0.0065
"""Temperature lapse below the tropopause [K m-1] [1]_."""
DENSITY_0 = PRESSURE_0 / (R_DRY * TEMPERATURE_0)
"""Standard sea level density [kg m-3], 1.2250."""

_TROPOPAUSE = 11_000.0
_TEMPERATURE_11 = TEMPERATURE_0 - LAPSE_RATE * _TROPOPAUSE
_EXPONENT = GRAVITY / (R_DRY * LAPSE_RATE)
_PRESSURE_11 = PRESSURE_0 * (_TEMPERATURE_11 / TEMPERATURE_0) ** _EXPONENT
_DENSITY_11 = _PRESSURE_11 / (R_DRY * _TEMPERATURE_11)
_SCALE_11 = R_DRY * _TEMPERATURE_11 / GRAVITY
_EPSILON = R_DRY / R_VAPOUR


def standard_temperature(altitude: ArrayLike) -> FloatArray:
    """Temperature of the standard atmosphere [K] at a geopotential altitude [m], to 20 km [1]_."""
    h = np.asarray(altitude, dtype=float)
    return np.asarray(TEMPERATURE_0 - LAPSE_RATE * np.minimum(h, _TROPOPAUSE))


def standard_pressure(altitude: ArrayLike) -> FloatArray:
    """Pressure of the standard atmosphere [Pa] at a geopotential altitude [m], -5 to 20 km [1]_."""
    h = np.asarray(altitude, dtype=float)
    below = PRESSURE_0 * (standard_temperature(h) / TEMPERATURE_0) ** _EXPONENT
    above = _PRESSURE_11 * np.exp(-(np.maximum(h, _TROPOPAUSE) - _TROPOPAUSE) / _SCALE_11)
    return np.asarray(np.where(h > _TROPOPAUSE, above, below))


def standard_density(altitude: ArrayLike) -> FloatArray:
    """Density of the standard atmosphere [kg m-3] at a geopotential altitude [m], -5 to 20 km [1]_."""
    return np.asarray(standard_pressure(altitude) / (R_DRY * standard_temperature(altitude)))


def altitude_at_pressure(pressure: ArrayLike) -> FloatArray:
    """Geopotential altitude [m] at which the standard atmosphere has this pressure [Pa] [1]_.

    Pressures of zero or below give NaN: there is no such air.
    """
    p = np.asarray(pressure, dtype=float)
    p = np.where(p > 0, p, np.nan)
    below = (TEMPERATURE_0 / LAPSE_RATE) * (1.0 - (p / PRESSURE_0) ** (1.0 / _EXPONENT))
    above = _TROPOPAUSE - _SCALE_11 * np.log(p / _PRESSURE_11)
    return np.asarray(np.where(p < _PRESSURE_11, above, below))


def altitude_at_density(air_density: ArrayLike) -> FloatArray:
    """Geopotential altitude [m] at which the standard atmosphere has this density [kg m-3] [1]_.

    This is the density altitude. Densities of zero or below give NaN.
    """
    rho = np.asarray(air_density, dtype=float)
    rho = np.where(rho > 0, rho, np.nan)
    below = (TEMPERATURE_0 / LAPSE_RATE) * (1.0 - (rho / DENSITY_0) ** (1.0 / (_EXPONENT - 1.0)))
    above = _TROPOPAUSE - _SCALE_11 * np.log(rho / _DENSITY_11)
    return np.asarray(np.where(rho < _DENSITY_11, above, below))


def vapour_pressure(dew_point: ArrayLike) -> FloatArray:
    """Partial pressure of water vapour [Pa] at a dew point [K], over liquid water [5]_.

    A dew point is by definition over water, below freezing too. Given the air temperature instead, this
    is the saturation vapour pressure.
    """
    t = np.asarray(dew_point, dtype=float) - 273.15
    return np.asarray(610.94 * np.exp(17.625 * t / (243.04 + t)))


def dew_point_from_vapour_pressure(pressure: ArrayLike) -> FloatArray:
    """Dew point [K] at a partial pressure of water vapour [Pa], the inverse of `vapour_pressure` [5]_."""
    e = np.asarray(pressure, dtype=float)
    ratio = np.log(np.where(e > 0, e, np.nan) / 610.94)
    return np.asarray(243.04 * ratio / (17.625 - ratio) + 273.15)


def dew_point_from_relative_humidity(temperature: ArrayLike, relative_humidity: ArrayLike) -> FloatArray:
    """Dew point [K] from air temperature [K] and relative humidity [1, so 0.4 for 40 %] [5]_."""
    return dew_point_from_vapour_pressure(
        np.asarray(relative_humidity, dtype=float) * vapour_pressure(temperature)
    )


def density(pressure: ArrayLike, temperature: ArrayLike, dew_point: ArrayLike | None = None) -> FloatArray:
    """Density of air [kg m-3] as a mixture of two ideal gases.

    Parameters
    ----------
    pressure
        Station pressure [Pa].
    temperature
        Air temperature [K].
    dew_point
        Dew point [K]; None for dry air. NaN gives NaN: unknown humidity is not dry air.
    """
    p = np.asarray(pressure, dtype=float)
    t = np.asarray(temperature, dtype=float)
    if dew_point is None:
        return np.asarray(p / (R_DRY * t))
    e = vapour_pressure(dew_point)
    return np.asarray((p - e) / (R_DRY * t) + e / (R_VAPOUR * t))


def virtual_temperature(pressure: ArrayLike, temperature: ArrayLike, dew_point: ArrayLike) -> FloatArray:
    """Temperature [K] at which dry air of the same pressure [Pa] has the density of this moist air."""
    p = np.asarray(pressure, dtype=float)
    e = vapour_pressure(dew_point)
    return np.asarray(np.asarray(temperature, dtype=float) / (1.0 - (e / p) * (1.0 - _EPSILON)))


def density_altitude(
    pressure: ArrayLike, temperature: ArrayLike, dew_point: ArrayLike | None = None
) -> FloatArray:
    """Density altitude [m]: where the standard atmosphere has the density of this air.

    Parameters
    ----------
    pressure
        Station pressure [Pa]; not an altimeter setting, not a sea level pressure.
    temperature
        Air temperature [K].
    dew_point
        Dew point [K]; None gives the dry value of the handbook charts [2]_, which is too low by the
        water vapour's share: about 300 ft on a 30 °C day with a dew point of 20 °C.
    """
    return altitude_at_density(density(pressure, temperature, dew_point))


def pressure_altitude(pressure: ArrayLike) -> FloatArray:
    """Pressure altitude [m] of a station pressure [Pa]: what an altimeter set to 29.92 inHg reads."""
    return altitude_at_pressure(pressure)


def station_pressure_from_altimeter(altimeter_setting: ArrayLike, elevation: ArrayLike) -> FloatArray:
    """Station pressure [Pa] from an altimeter setting (QNH) [Pa] and the field's elevation [m].

    Exact by the definition of the setting: an altimeter set to it reads the elevation on the ground, so
    the pressure altitude of the field is the elevation plus the pressure altitude of the setting.
    """
    return standard_pressure(np.asarray(elevation, dtype=float) + altitude_at_pressure(altimeter_setting))


def altimeter_from_station_pressure(station_pressure: ArrayLike, elevation: ArrayLike) -> FloatArray:
    """Altimeter setting (QNH) [Pa] from station pressure [Pa] and elevation [m]."""
    return standard_pressure(altitude_at_pressure(station_pressure) - np.asarray(elevation, dtype=float))


def elevation_from_pressures(altimeter_setting: ArrayLike, station_pressure: ArrayLike) -> FloatArray:
    """Elevation [m] at which this altimeter setting [Pa] and station pressure [Pa] were read together."""
    return np.asarray(altitude_at_pressure(station_pressure) - altitude_at_pressure(altimeter_setting))


def hypsometric_pressure(
    pressure: ArrayLike, height_difference: ArrayLike, mean_virtual_temperature: ArrayLike
) -> FloatArray:
    """Pressure [Pa] higher by `height_difference` [m] through air of a mean virtual temperature [K]."""
    return np.asarray(
        np.asarray(pressure, dtype=float)
        * np.exp(
            -GRAVITY
            * np.asarray(height_difference, dtype=float)
            / (R_DRY * np.asarray(mean_virtual_temperature, dtype=float))
        )
    )


def temperature_12h_mean(temperature: ArrayLike) -> FloatArray:
    """Mean of the temperature now and twelve hours ago [K], along an hourly last axis.

    These are two readings, as the reduction of sea level pressure prescribes, not a 13-hour mean; the
    first twelve hours, and hours where either reading is missing, are NaN.
    """
    t = np.asarray(temperature, dtype=float)
    result = np.full(t.shape, np.nan)
    result[..., 12:] = 0.5 * (t[..., 12:] + t[..., :-12])
    return result


def mslp_mean_column_temperature(
    temperature_12h: ArrayLike, elevation: ArrayLike, *, plateau: bool
) -> FloatArray:
    """Mean virtual temperature [K] of the fictitious column below the station.

    Parameters
    ----------
    temperature_12h
        Mean of the temperatures now and twelve hours ago [K].
    elevation
        Station elevation [m].
    plateau
        True for the North American practice [4]_, whose plateau correction takes the yearly swing out of
        the reduction at high stations; False for the plain column with half the standard lapse.
    """
    h = np.asarray(elevation, dtype=float)
    t = np.asarray(temperature_12h, dtype=float) - 273.15
    column = 273.15 + t + LAPSE_RATE * h / 2.0
    if not plateau:
        return np.asarray(column)
    humidity_height = 0.10743 + 2.225e-5 * h + 2.8322e-9 * h**2
    with np.errstate(invalid="ignore"):
        humidity = (273.15 + t) ** (0.279 + 0.0116 * t - 0.00014 * t**2)
    correction = 2.0 - 0.45 * t - 0.0026 * t**2
    return np.asarray(column + humidity_height * humidity + np.where(h > 305.0, correction, 0.0))


def station_pressure_from_mslp(
    sea_level_pressure: ArrayLike, elevation: ArrayLike, temperature_12h: ArrayLike, *, plateau: bool
) -> FloatArray:
    """Station pressure [Pa] from mean sea level pressure [Pa], undoing the station's own reduction.

    Taking a sea level pressure for an altimeter setting is wrong by about 270 ft of density altitude at a
    mile-high field on a summer afternoon, because the reduction uses the actual temperature.

    Parameters
    ----------
    sea_level_pressure
        Mean sea level pressure [Pa].
    elevation
        Station elevation [m].
    temperature_12h
        Mean of the temperatures now and twelve hours ago [K].
    plateau
        Whether the country's reduction has the plateau correction; see `mslp_mean_column_temperature`.
    """
    column = mslp_mean_column_temperature(temperature_12h, elevation, plateau=plateau)
    # 0.0341636 K/m is g/R in the published form; ours is the same to seven digits.
    return hypsometric_pressure(sea_level_pressure, elevation, column)


def speed_of_sound(temperature: ArrayLike) -> FloatArray:
    """Speed of sound [m s-1] in dry air at a temperature [K], ratio of specific heats 1.4 [1]_."""
    return np.asarray(np.sqrt(1.4 * R_DRY * np.asarray(temperature, dtype=float)))
