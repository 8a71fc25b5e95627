"""The station-hours dataset: reports put on an hourly UTC grid, described, and checked.

Every reader of station records ends in :func:`station_hours`, so that one rule decides which report
stands for an hour and one range check decides what is weather.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.air.variables import STATION_VARIABLES

if TYPE_CHECKING:
    import xarray as xr
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "OUT_OF_RANGE",
    "TEXT_ATTRIBUTES",
    "check_station_hours",
    "dew_point_from_humidity",
    "station_hours",
]

OUT_OF_RANGE = "out_of_range:"
"""Prefix of the rejection reason for a value outside its variable's valid range."""

TEXT_ATTRIBUTES = (
    "station_id",
    "station_name",
    "source",
    "licence",
    "attribution",
    "retrieved_at",
    "raw_sha256",
    "counts",
)
_NUMBER_ATTRIBUTES = ("latitude", "longitude", "elevation_m")
_HOUR_S = 3600


BEYOND: dict[str, tuple[float, float]] = {
    "K": (100.0, 400.0),
    "Pa": (10_000.0, 200_000.0),
    "m s-1": (0.0, 1000.0),
    "m": (0.0, float("inf")),
}
"""By unit, what a faulty sensor may still tell; outside it there is no reading, whatever the settings."""


def bounds(name: str, *, physical_range: bool) -> tuple[float, float]:
    """Least and greatest value of a glossary variable that is kept."""
    variable = STATION_VARIABLES[name]
    plain = (variable.valid_min, variable.valid_max)
    return plain if physical_range else BEYOND.get(variable.units, plain)


def station_hours(
    time: ArrayLike,
    values: Mapping[str, ArrayLike],
    *,
    station_id: str,
    station_name: str,
    source: str,
    latitude: float,
    longitude: float,
    elevation_m: float,
    licence: str,
    attribution: str,
    raw_sha256: str,
    invented: int = 0,
    rejected: Mapping[str, int] | None = None,
    retrieved_at: str | None = None,
    special: ArrayLike | None = None,
    physical_range: bool = True,
) -> xr.Dataset:
    """Build the station-hours dataset from reports at any times, in any order.

    A report stands for the nearest hour; one exactly half past stands for the next hour. Where several
    reports fall to one hour the nearest to the hour wins whole; on a tie a routine report beats a special
    one, and then the later row beats the earlier (a correction follows what it corrects). Values outside
    the glossary's range become NaN and are counted, and so does a gust of zero, which means that none was
    reported. A direction given with a calm becomes 0.

    Parameters
    ----------
    time : array_like of datetime64, shape (n,)
        Report times, UTC. At least one.
    values : mapping of str to array_like, each shape (n,)
        SI values by glossary name (:data:`pipeline.air.variables.STATION_VARIABLES`), NaN where missing.
        Only the variables that the source has.
    station_id, station_name, source, licence, attribution, raw_sha256 : str
        Provenance; ``raw_sha256`` is the digest of the bytes that the reports were read from.
    latitude, longitude : float
        Degrees north and east.
    elevation_m : float
        Metres above mean sea level.
    invented : int
        1 for made-up weather, 0 for observations.
    rejected : mapping of str to int, optional
        Values already rejected by the reader, by reason.
    retrieved_at : str, optional
        ISO 8601 UTC; now by default.
    special : array_like of bool, shape (n,), optional
        True for reports made between the routine ones (SPECI).
    physical_range : bool
        False keeps values outside the glossary's range that a sensor could still have told (:data:`BEYOND`);
        the dataset then says so, as ``beyond_range``.

    Returns
    -------
    xarray.Dataset
        One dimension ``time``, hourly without gaps, float32 variables in the glossary's order. Its
        ``counts`` attribute is JSON: kept values by variable; rejected values by reason, where
        ``other_report_in_hour`` counts whole reports.

    Raises
    ------
    ValueError
        No reports, a missing time, an unknown variable, or a length that does not match ``time``.
    """
    import xarray as xr

    stamp = np.asarray(time, dtype="datetime64[s]")
    if stamp.ndim != 1 or stamp.size == 0:
        raise ValueError(f"station_hours: time needs one dimension and a report, got shape {stamp.shape}")
    if np.isnat(stamp).any():
        raise ValueError(f"station_hours: {int(np.isnat(stamp).sum())} reports have no time")
    unknown = sorted(set(values) - set(STATION_VARIABLES))
    if unknown:
        raise ValueError(f"station_hours: not in the glossary: {', '.join(unknown)}")

    seconds = stamp.astype("int64")
    hour = (seconds + _HOUR_S // 2) // _HOUR_S
    winner = _winners(hour, np.abs(seconds - hour * _HOUR_S), special)
    first = int(hour.min())
    size = int(hour.max()) - first + 1
    slot = hour[winner] - first

    reasons: dict[str, int] = {k: int(v) for k, v in (rejected or {}).items() if v}
    if winner.size < stamp.size:
        _add(reasons, "other_report_in_hour", stamp.size - winner.size)

    grids: dict[str, NDArray[np.float32]] = {}
    for name in STATION_VARIABLES:
        if name not in values:
            continue
        reported = np.asarray(values[name], dtype="float64")
        if reported.shape != stamp.shape:
            raise ValueError(
                f"station_hours: {name} has shape {reported.shape}, time has shape {stamp.shape}"
            )
        reported = reported[winner]
        low, high = bounds(name, physical_range=physical_range)
        wild = (reported < low) | (reported > high)
        if wild.any():
            _add(reasons, OUT_OF_RANGE + name, int(wild.sum()))
            reported[wild] = np.nan
        if name == "wind_speed_of_gust":
            zero = reported == 0.0
            if zero.any():
                _add(reasons, "zero_gust", int(zero.sum()))
                reported[zero] = np.nan
        grids[name] = np.full(size, np.nan, dtype="float32")
        grids[name][slot] = reported

    if "wind_speed" in grids and "wind_from_direction" in grids:
        direction = grids["wind_from_direction"]
        calm = (grids["wind_speed"] == 0.0) & (direction > 0.0)
        if calm.any():
            direction[calm] = 0.0

    kept = {name: int(np.isfinite(grid).sum() + np.isinf(grid).sum()) for name, grid in grids.items()}
    hours = (np.arange(first, first + size) * _HOUR_S).astype("datetime64[s]").astype("datetime64[ns]")
    dataset = xr.Dataset(
        {name: ("time", grid, variable_attributes(name)) for name, grid in grids.items()},
        coords={"time": ("time", hours, {"standard_name": "time", "long_name": "time, UTC"})},
        attrs={
            "station_id": station_id,
            "station_name": station_name,
            "source": source,
            "latitude": float(latitude),
            "longitude": float(longitude),
            "elevation_m": float(elevation_m),
            "licence": licence,
            "attribution": attribution,
            "retrieved_at": retrieved_at or datetime.now(UTC).isoformat(timespec="seconds"),
            "raw_sha256": raw_sha256,
            "invented": int(invented),
            "counts": json.dumps({"kept": kept, "rejected": reasons}, sort_keys=True),
        },
    )
    if not physical_range:
        dataset.attrs["beyond_range"] = 1
    check_station_hours(dataset)
    return dataset


def check_station_hours(dataset: xr.Dataset) -> None:
    """Hold a dataset to the station-hours contract.

    Parameters
    ----------
    dataset : xarray.Dataset

    Raises
    ------
    ValueError
        One message with every breach: the time axis (datetime64[ns], on the hour, hourly, no gaps),
        variables unknown to the glossary, their dtype, units and range, and the provenance attributes.
    """
    faults = _time_faults(dataset)
    for name in map(str, dataset.data_vars):
        faults += _variable_faults(name, dataset[name], physical_range=not dataset.attrs.get("beyond_range"))
    for key in TEXT_ATTRIBUTES:
        if not isinstance(dataset.attrs.get(key), str):
            faults.append(f"attribute {key} must be text, is {dataset.attrs.get(key)!r}")
    for key in _NUMBER_ATTRIBUTES:
        value = dataset.attrs.get(key)
        if not isinstance(value, (int, float)) or not np.isfinite(value):
            faults.append(f"attribute {key} must be a finite number, is {value!r}")
        elif key == "latitude" and abs(value) > 90.0:
            faults.append(f"latitude must lie within ±90 degrees, is {value}")
        elif key == "longitude" and abs(value) > 180.0:
            faults.append(f"longitude must lie within ±180 degrees, is {value}")
    if dataset.attrs.get("invented") not in (0, 1):
        faults.append(f"attribute invented must be 0 or 1, is {dataset.attrs.get('invented')!r}")
    if faults:
        raise ValueError("not station hours: " + "; ".join(faults))


def dew_point_from_humidity(air_temperature: ArrayLike, relative_humidity: ArrayLike) -> NDArray[np.float64]:
    """Dew point from temperature and relative humidity over water, by the Magnus form.

    Constants 17.62 and 243.12 °C of the WMO Guide to Instruments and Methods of Observation (WMO-No. 8,
    volume I, annex 4.B), stated there for −45 to 60 °C.

    Parameters
    ----------
    air_temperature : array_like
        [K]
    relative_humidity : array_like
        Fraction, 0 to 1. Zero and NaN give NaN: no dew point exists, or none is known.

    Returns
    -------
    ndarray of float64
        [K], in the broadcast shape.

    Raises
    ------
    ValueError
        A humidity below 0 or above 1.05 (instruments read a little over saturation; the dew point is then
        held at the temperature).
    """
    celsius, humidity = np.broadcast_arrays(
        np.asarray(air_temperature, dtype="float64") - 273.15, np.asarray(relative_humidity, dtype="float64")
    )
    if ((humidity < 0.0) | (humidity > 1.05)).any():
        raise ValueError("dew_point_from_humidity: relative humidity must be a fraction from 0 to 1")
    wet = np.where(humidity > 0.0, np.minimum(humidity, 1.0), np.nan)
    # A temperature that no thermometer reads, infinite or at the formula's pole, has no dew point.
    with np.errstate(invalid="ignore", divide="ignore"):
        gamma = np.log(wet) + 17.62 * celsius / (243.12 + celsius)
        dew_point: NDArray[np.float64] = 273.15 + 243.12 * gamma / (17.62 - gamma)
    return np.where(np.isfinite(dew_point), dew_point, np.nan)


def variable_attributes(name: str) -> dict[str, str]:
    """CF attributes of a glossary variable."""
    variable = STATION_VARIABLES[name]
    attributes = {"units": variable.units, "long_name": variable.long_name}
    if variable.standard_name is not None:
        attributes["standard_name"] = variable.standard_name
    return attributes


def _winners(
    hour: NDArray[np.int64], distance: NDArray[np.int64], special: ArrayLike | None
) -> NDArray[np.intp]:
    """Row numbers of the report that stands for each hour, in order of hour."""
    count = hour.size
    if special is None:
        is_special = np.zeros(count, dtype=bool)
    else:
        is_special = np.asarray(special, dtype=bool)
        if is_special.shape != hour.shape:
            raise ValueError(f"station_hours: special has shape {is_special.shape}, time {hour.shape}")
    order = np.lexsort((-np.arange(count), is_special, distance, hour))
    ordered = hour[order]
    leads = np.ones(count, dtype=bool)
    leads[1:] = ordered[1:] != ordered[:-1]
    winners: NDArray[np.intp] = order[leads]
    return winners


def _add(reasons: dict[str, int], reason: str, count: int) -> None:
    reasons[reason] = reasons.get(reason, 0) + count


def _time_faults(dataset: xr.Dataset) -> list[str]:
    if set(dataset.dims) != {"time"} or "time" not in dataset.coords:
        return [f"the one dimension must be time, found {sorted(map(str, dataset.dims))}"]
    time = dataset["time"].values
    if time.dtype != np.dtype("datetime64[ns]"):
        return [f"time must be datetime64[ns], is {time.dtype}"]
    if time.size == 0:
        return ["there are no hours"]
    faults = []
    nanoseconds = time.astype("int64")
    if np.isnat(time).any() or (nanoseconds % (_HOUR_S * 10**9)).any():
        faults.append("every time must be on the hour")
    if (np.diff(nanoseconds) != _HOUR_S * 10**9).any():
        faults.append("time must step by one hour, without gaps or repeats")
    return faults


def _variable_faults(name: str, array: Any, *, physical_range: bool) -> list[str]:
    variable = STATION_VARIABLES.get(name)
    if variable is None:
        return [f"{name} is not in the glossary"]
    faults = []
    if array.dtype != np.float32:
        faults.append(f"{name} must be float32, is {array.dtype}")
    if array.attrs.get("units") != variable.units:
        faults.append(f"{name} must be in {variable.units}, says {array.attrs.get('units')!r}")
    data = array.values
    low, high = bounds(name, physical_range=physical_range)
    wild = int(((data < np.float32(low)) | (data > np.float32(high))).sum())
    if wild:
        faults.append(f"{name} has {wild} values outside {low} to {high}")
    return faults
