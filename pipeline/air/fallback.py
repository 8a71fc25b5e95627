"""One record out of a venue's ordered stations: an hour that the first lacks is filled from the next.

Temperature and dew point of an hour come from one station, moved to the first station's elevation; so does
pressure. Wind direction, speed and gust of an hour come from one station, whole: two exposures are never
mixed within an hour. Every filled hour says which station filled it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air import atmosphere as atm
from pipeline.air.show_hours import StationRecord
from pipeline.air.venue import station_pressure, venue_air

__all__ = ["GROUPS", "Filled", "fill_from_next"]

FloatArray = npt.NDArray[np.floating]

GROUPS: dict[str, tuple[str, ...]] = {
    "air": ("air_temperature", "dew_point_temperature"),
    "pressure": ("surface_air_pressure", "altimeter_setting", "air_pressure_at_mean_sea_level"),
    "wind": ("wind_speed", "wind_from_direction", "wind_speed_of_gust"),
    "ceiling": ("cloud_base_height",),
    "visibility": ("visibility_in_air",),
    "thunder": ("thunder",),
}
"""Variables that are filled together, by group; the first of each decides whether the hour is held."""


@dataclass(frozen=True)
class Filled:
    """A filled record and its provenance.

    Attributes
    ----------
    record
        At the first station's elevation; its first hour may be earlier than the first station's.
    source
        By group, (hour,): index of the station that the hour came from, -1 where none has it.
    """

    record: StationRecord
    source: dict[str, npt.NDArray[np.int8]]


def fill_from_next(stations: Sequence[StationRecord], *, lapse_rate: float = atm.LAPSE_RATE) -> Filled:
    """Fill the first station's hours from the others, in order.

    Parameters
    ----------
    stations
        Records in order of trust, at least one.
    lapse_rate
        Between the stations' elevations [K m-1].

    Raises
    ------
    ValueError
        There is no station.
    """
    if not stations:
        raise ValueError("fill_from_next needs at least one station record")
    sizes = [s.values["air_temperature"].size for s in stations]
    first = min(s.first_hour for s in stations)
    last = max(s.first_hour + n for s, n in zip(stations, sizes, strict=True))
    lead = stations[0]
    values: dict[str, FloatArray] = {}
    source: dict[str, npt.NDArray[np.int8]] = {}
    laid = [_laid(s, first, last - first) for s in stations]
    moved = [laid[0]] + [
        _moved(v, s, lead.elevation - s.elevation, lapse_rate)
        for v, s in zip(laid[1:], stations[1:], strict=True)
    ]
    for group, names in GROUPS.items():
        held = [_held(v, group) for v in moved]
        chosen = np.full(last - first, -1, dtype=np.int8)
        for i in range(len(stations) - 1, -1, -1):
            chosen[held[i]] = i
        source[group] = chosen
        for name in names:
            if not any(name in v for v in moved):
                continue
            column = np.full(last - first, np.nan)
            for i, v in enumerate(moved):
                if name in v:
                    here = chosen == i
                    column[here] = v[name][here]
            values[name] = column
    return Filled(StationRecord(first, values, lead.elevation, lead.plateau), source)


def _laid(station: StationRecord, first: int, size: int) -> dict[str, FloatArray]:
    """A station's values on the common hours."""
    start = station.first_hour - first
    laid = {}
    for name, values in station.values.items():
        column = np.full(size, np.nan)
        column[start : start + values.size] = values
        laid[name] = column
    return laid


def _held(values: dict[str, FloatArray], group: str) -> npt.NDArray[np.bool_]:
    size = values["air_temperature"].size
    deciding = GROUPS[group] if group == "pressure" else GROUPS[group][:1]
    held = np.zeros(size, dtype=bool)
    for name in deciding:
        if name in values:
            held |= ~np.isnan(values[name])
    return held


def _moved(
    values: dict[str, FloatArray], station: StationRecord, rise: float, lapse_rate: float
) -> dict[str, FloatArray]:
    """A station's air at another elevation; its pressure becomes a station pressure there."""
    t = values["air_temperature"]
    nothing = np.full(t.shape, np.nan)
    pressure, source = station_pressure(
        values.get("surface_air_pressure"),
        values.get("altimeter_setting"),
        values.get("air_pressure_at_mean_sea_level"),
        atm.temperature_12h_mean(t),
        elevation=station.elevation,
        plateau=station.plateau,
    )
    known = source < 3  # the standard atmosphere is no observation
    air = venue_air(
        t,
        values.get("dew_point_temperature", nothing),
        np.where(known, pressure, atm.standard_pressure(station.elevation)),
        height_difference=rise,
        lapse_rate=lapse_rate,
    )
    kept = {n: v for n, v in values.items() if n not in (*GROUPS["air"], *GROUPS["pressure"])}
    kept["air_temperature"] = air.temperature
    if "dew_point_temperature" in values:
        kept["dew_point_temperature"] = air.dew_point
    kept["surface_air_pressure"] = np.where(known, air.pressure, np.nan)
    return kept
