"""From the station's hours to the air over the venue: pressure, temperature and humidity there.

The station's own pressure is used where it has one, then its altimeter setting, then mean sea level
pressure, then the standard atmosphere; every hour says which.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air import atmosphere as atm

__all__ = ["PRESSURE_SOURCES", "VenueAir", "plateau_correction_applies", "station_pressure", "venue_air"]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

PRESSURE_SOURCES = ("station pressure", "altimeter setting", "mean sea level pressure", "standard atmosphere")
"""What a pressure came from, by code, most trusted first."""


@dataclass(frozen=True)
class VenueAir:
    """Air at the venue's elevation.

    Attributes
    ----------
    temperature, dew_point
        [K].
    pressure
        Pressure at the venue's elevation [Pa].
    """

    temperature: FloatArray
    dew_point: FloatArray
    pressure: FloatArray


def plateau_correction_applies(latitude: float, longitude: float) -> bool:
    """Whether stations here reduce pressure with the North American plateau correction.

    True over the United States and Canada, whose weather services use it; a box is enough, since
    elsewhere inside the box there is ocean.
    """
    return 24.0 <= latitude <= 75.0 and -170.0 <= longitude <= -50.0


def station_pressure(
    surface: ArrayLike | None,
    altimeter: ArrayLike | None,
    sea_level: ArrayLike | None,
    temperature_12h: ArrayLike,
    *,
    elevation: float,
    plateau: bool,
) -> tuple[FloatArray, npt.NDArray[np.int8]]:
    """Station pressure [Pa] by precedence, and what each value came from.

    Parameters
    ----------
    surface, altimeter, sea_level
        Station pressure, altimeter setting and mean sea level pressure [Pa]; None or NaN where the
        station has none.
    temperature_12h
        Mean of the air temperatures now and twelve hours ago [K], same shape, which the sea level
        reduction used (`pipeline.air.atmosphere.temperature_12h_mean`).
    elevation
        Station elevation [m].
    plateau
        Whether the sea level reduction has the plateau correction.

    Returns
    -------
    pressure, source
        [Pa], and the index into `PRESSURE_SOURCES`.
    """
    t = np.asarray(temperature_12h, dtype=float)
    pressure = np.full(t.shape, float(atm.standard_pressure(elevation)))
    source = np.full(t.shape, 3, dtype=np.int8)
    if sea_level is not None:
        reduced = atm.station_pressure_from_mslp(sea_level, elevation, t, plateau=plateau)
        held = np.isfinite(reduced)
        pressure, source = np.where(held, reduced, pressure), np.where(held, np.int8(2), source)
    if altimeter is not None:
        from_setting = atm.station_pressure_from_altimeter(altimeter, elevation)
        held = np.isfinite(from_setting)
        pressure, source = np.where(held, from_setting, pressure), np.where(held, np.int8(1), source)
    if surface is not None:
        own = np.asarray(surface, dtype=float)
        held = np.isfinite(own)
        pressure, source = np.where(held, own, pressure), np.where(held, np.int8(0), source)
    return pressure, source


def venue_air(
    temperature: ArrayLike,
    dew_point: ArrayLike,
    pressure: ArrayLike,
    *,
    height_difference: float,
    lapse_rate: float = atm.LAPSE_RATE,
) -> VenueAir:
    """Carry station air to the venue's elevation.

    Temperature follows the lapse rate; pressure the hypsometric equation through the mean virtual
    temperature of the layer; the share of water vapour stays the same, so the dew point falls with the
    pressure alone (about 1.8 K/km), never above the temperature.

    Parameters
    ----------
    temperature, dew_point
        At the station [K].
    pressure
        At the station [Pa].
    height_difference
        Venue elevation less station elevation [m].
    lapse_rate
        [K m-1].
    """
    t = np.asarray(temperature, dtype=float)
    td = np.asarray(dew_point, dtype=float)
    p = np.asarray(pressure, dtype=float)
    if height_difference == 0.0:
        return VenueAir(t, np.minimum(td, t), p)
    t_venue = t - lapse_rate * height_difference
    e = atm.vapour_pressure(td)
    # Where humidity is missing the layer is taken dry: 1 % of the layer's thickness at most.
    tv = np.where(np.isnan(td), t, atm.virtual_temperature(p, t, td))
    p_venue = atm.hypsometric_pressure(p, height_difference, tv - 0.5 * lapse_rate * height_difference)
    td_venue = atm.dew_point_from_vapour_pressure(e * p_venue / p)
    return VenueAir(t_venue, np.minimum(td_venue, t_venue), p_venue)
