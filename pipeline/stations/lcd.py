"""LCD: NOAA's Local Climatological Data files, with station pressure, altimeter setting and gusts.

Comma-separated, one line a report, with daily and monthly summaries in between. What bites: the units differ
from file to file (US: °F, inHg, mph, statute miles, hundreds of feet; metric: °C, hPa, m/s, km, hundreds of
metres), the times are local *standard* time, and marks such as ``T``, ``s``, ``V`` and ``VRB`` stand among
the numbers. The units are told by the size of the pressures; the time zone by the UTC times in the raw
reports of the remarks.

Reference: Local Climatological Data dataset documentation, NOAA NCEI (``LCD_documentation.pdf``).
"""

from __future__ import annotations

import hashlib
import io
import re
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from pipeline.air.variables import FT, HPA, INHG, STATUTE_MILE
from pipeline.errors import SourceError
from pipeline.stations.reports import (
    FIRST_YEAR,
    LAST_YEAR,
    ROUTINE,
    hourly_values,
    lowest_ceiling,
    numbers,
    report_kind,
    sky_layer,
    thunder_code,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from numpy.typing import NDArray

__all__ = ["ATTRIBUTION", "LICENCE", "read_lcd"]

LICENCE = "U.S. Government work; open data, cite the dataset"
ATTRIBUTION = (
    "NOAA National Centers for Environmental Information, Local Climatological Data (LCD). Archived "
    "observations, not meant where life or property may be at risk."
)

_MPH = STATUTE_MILE / 3600.0
_PRESSURES = ("hourlyaltimetersetting", "hourlystationpressure", "hourlysealevelpressure")
# Column, glossary name, and factor and offset to SI for US and for metric files.
_COLUMNS: tuple[tuple[str, str, tuple[float, float], tuple[float, float]], ...] = (
    ("hourlydrybulbtemperature", "air_temperature", (5 / 9, 459.67 * 5 / 9), (1.0, 273.15)),
    ("hourlydewpointtemperature", "dew_point_temperature", (5 / 9, 459.67 * 5 / 9), (1.0, 273.15)),
    ("hourlystationpressure", "surface_air_pressure", (INHG, 0.0), (HPA, 0.0)),
    ("hourlyaltimetersetting", "altimeter_setting", (INHG, 0.0), (HPA, 0.0)),
    ("hourlysealevelpressure", "air_pressure_at_mean_sea_level", (INHG, 0.0), (HPA, 0.0)),
    ("hourlywinddirection", "wind_from_direction", (1.0, 0.0), (1.0, 0.0)),
    ("hourlywindspeed", "wind_speed", (_MPH, 0.0), (1.0, 0.0)),
    ("hourlywindgustspeed", "wind_speed_of_gust", (_MPH, 0.0), (1.0, 0.0)),
    ("hourlyvisibility", "visibility_in_air", (STATUTE_MILE, 0.0), (1000.0, 0.0)),
)
_LAYERS = re.compile(rb"([A-Z]+:\d{2})(?:\s+(\d+(?:\.\d+)?)(?=\s|\Z))?")
_RAW_TIME = re.compile(r"\b(?:METAR|SPECI)(?: COR)? [A-Z0-9]{4} (\d{2})(\d{2})(\d{2})Z")
_SUMMARIES = frozenset({"SOD", "SOM", "SHEF", "PCP15", "PCP60", "CRN05", "CRN15", "COOPD"})


def read_lcd(
    source: Path | str | bytes,
    *,
    station_id: str | None = None,
    station_name: str | None = None,
    latitude: float | None = None,
    longitude: float | None = None,
    elevation_m: float | None = None,
    utc_offset_hours: float | None = None,
    units: Literal["auto", "us", "metric"] = "auto",
    retrieved_at: str | None = None,
    physical_range: bool = True,
) -> xr.Dataset:
    """Read an LCD file into station hours.

    Reports of an hour are reduced by the rule of :func:`pipeline.stations.reports.hourly_values`. A calm has
    direction 0; ``VRB`` or an empty direction with a wind is NaN. The ceiling is the lowest broken, overcast
    or vertical-visibility layer, inf where the sky was observed and none is. Thunder is 1 where a report of
    the hour speaks of it, 0 where an aviation report does not (the file leaves the column empty when there
    is no weather), NaN where there is neither.

    Parameters
    ----------
    source : Path, str or bytes
        A file of one station; bytes are its contents.
    station_id, station_name, latitude, longitude, elevation_m : optional
        Stand in place of the file's own; needed where the file has none.
    utc_offset_hours : float, optional
        Local standard time minus UTC (−6 for US Central). By default taken from the raw reports.
    units : {"auto", "us", "metric"}
    retrieved_at : str, optional
        ISO 8601 UTC.
    physical_range : bool
        See :func:`pipeline.stations.hours.station_hours`.

    Returns
    -------
    xarray.Dataset
        Station hours, with the variables that hold any value.

    Raises
    ------
    SourceError
        Not such a file; more than one station; no hourly report; a unit system, time zone or position that
        the file does not tell and the caller does not give.
    """
    from pipeline.stations.hours import station_hours

    place = "the file" if isinstance(source, bytes) else str(source)
    raw = _bytes(source, place)
    frame = _frame(raw, place)
    rejected: dict[str, int] = {}
    metric = _is_metric(frame, units, place)
    local, readable = _local_times(frame)
    if not readable.all():
        rejected["unreadable_time"] = int((~readable).sum())
        frame, local = frame[readable].reset_index(drop=True), local[readable]
    if not len(frame):
        raise SourceError(f"{place} holds no hourly report with a readable date. Is it an LCD file?")
    offset = _utc_offset(frame, local, place) if utc_offset_hours is None else utc_offset_hours
    seconds = local - round(offset * 3600)

    values: dict[str, NDArray[np.float64]] = {}
    for column, name, us, si in _COLUMNS:
        if column not in frame:
            continue
        cells = _cells(frame, column)
        array, unreadable = numbers(cells)
        if column == "hourlywinddirection":
            unreadable &= np.array([cell.strip() != b"VRB" for cell in cells])
            array[array == 999.0] = np.nan
        if unreadable.any():
            rejected[f"unreadable:{name}"] = int(unreadable.sum())
        factor, shift = si if metric else us
        values[name] = array * factor + shift
    if "wind_speed" in values and "wind_from_direction" in values:
        still = values["wind_speed"] == 0.0
        direction = values["wind_from_direction"]
        direction[still] = 0.0
        direction[(direction == 0.0) & ~still] = np.nan
    if "hourlyskyconditions" in frame:
        values["cloud_base_height"] = _ceiling(_cells(frame, "hourlyskyconditions"), metric)
    values = {name: array for name, array in values.items() if not np.isnan(array).all()}
    if not values:
        raise SourceError(f"{place} holds no hourly value. Is it an LCD file with hourly reports?")

    kind = np.array([report_kind(cell) for cell in _cells(frame, "report_type")], dtype="int64")
    thunder = _thunder(frame, kind) if "hourlypresentweathertype" in frame else None
    hour, by_hour, spare = hourly_values(seconds, kind, values, thunder=thunder)
    if spare:
        rejected["other_report_in_hour"] = spare
    found_id = _only(frame, "station", place)
    if station_id is not None and found_id is not None and not _same_station(station_id, found_id):
        raise SourceError(
            f"{place} is of station {found_id}, not {station_id}. Give the right station's file."
        )
    identifier = station_id or found_id
    if identifier is None:
        raise SourceError(f"{place} does not name its station. Give station_id beside the file.")
    return station_hours(
        (hour * 3600).astype("datetime64[s]"),
        by_hour,
        station_id=identifier,
        station_name=station_name or _only(frame, "name", place) or identifier,
        source="lcd",
        latitude=_position(frame, "latitude", latitude, place),
        longitude=_position(frame, "longitude", longitude, place),
        elevation_m=_position(frame, "elevation", elevation_m, place),
        licence=LICENCE,
        attribution=ATTRIBUTION,
        raw_sha256=hashlib.sha256(raw).hexdigest(),
        rejected=rejected,
        retrieved_at=retrieved_at,
        physical_range=physical_range,
    )


def _bytes(source: Path | str | bytes, place: str) -> bytes:
    if isinstance(source, bytes):
        return source
    try:
        return Path(source).read_bytes()
    except OSError as error:
        raise SourceError(f"{place} cannot be read: {error.strerror}.") from error


def _frame(raw: bytes, place: str) -> pd.DataFrame:
    """The reports as text, columns in lower case, summaries left out."""
    import pandas as pd

    head = raw[:512].lstrip().lower()
    if head.startswith((b"<!doctype", b"<html", b"<?xml")):
        raise SourceError(f"{place} is a web page, not an LCD file. Fetch the file again, or later.")
    wanted = {"station", "date", "report_type", "name", "latitude", "longitude", "elevation", "rem"}
    wanted |= {column for column, *_ in _COLUMNS} | {"hourlyskyconditions", "hourlypresentweathertype"}
    try:
        frame: pd.DataFrame = pd.read_csv(
            io.BytesIO(raw),
            dtype=str,
            keep_default_na=False,
            usecols=lambda name: str(name).strip().lower() in wanted,
            encoding="utf-8",
            encoding_errors="replace",
        )
    except ValueError as error:
        reason = str(error).strip().splitlines()[0]
        raise SourceError(f"{place} cannot be read as an LCD file: {reason}.") from error
    frame.columns = pd.Index([str(name).strip().lower() for name in frame.columns])
    frame = frame.loc[:, ~frame.columns.duplicated()]
    lacking = sorted({"date", "report_type"} - set(frame.columns))
    if lacking or not any(column in frame for column, *_ in _COLUMNS):
        raise SourceError(
            f"{place} lacks the columns {', '.join(lacking) or 'Hourly...'} of an LCD file. Give a file of "
            "Local Climatological Data, as comma-separated text."
        )
    hourly = ~frame["report_type"].str.strip().str.upper().isin(_SUMMARIES)
    return frame[hourly].reset_index(drop=True)


def _cells(frame: pd.DataFrame, column: str) -> list[bytes]:
    return [str(cell).encode("utf-8", "replace") for cell in frame[column].fillna("").to_list()]


def _is_metric(frame: pd.DataFrame, units: str, place: str) -> bool:
    if units != "auto":
        return units == "metric"
    sizes = [numbers(_cells(frame, column))[0] for column in _PRESSURES if column in frame]
    known = np.concatenate([s[~np.isnan(s)] for s in sizes]) if sizes else np.zeros(0)
    middle = float(np.median(known)) if known.size else np.nan
    if 15.0 < middle < 33.0:
        return False
    if 500.0 < middle < 1120.0:
        return True
    raise SourceError(
        f"{place}: its pressures tell neither inches of mercury nor hectopascals, so that the units of the "
        "file are unknown. Say units 'us' or 'metric'."
    )


def _local_times(frame: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    import pandas as pd

    stamps = pd.to_datetime(frame["date"], format="ISO8601", errors="coerce", utc=True)
    readable = stamps.dt.year.between(FIRST_YEAR, LAST_YEAR).to_numpy()
    within = stamps.dt.tz_localize(None).to_numpy(dtype="datetime64[s]")
    return within.astype("int64"), np.asarray(readable, dtype=bool)


def _utc_offset(frame: pd.DataFrame, local: NDArray[np.int64], place: str) -> float:
    """Local standard time minus UTC [h], from the day and time that each raw report carries."""
    cure = "Give utc_offset_hours (local standard time minus UTC, −6 for US Central)."
    if "rem" not in frame:
        raise SourceError(f"{place} holds local times and no raw reports to tell the time zone. {cure}")
    times = frame["rem"].str.extract(_RAW_TIME)
    told = times.notna().all(axis=1).to_numpy()
    if not told.any():
        raise SourceError(f"{place} holds local times and no raw report with a UTC time. {cure}")
    _, hours, minutes = (times[n][told].astype("int64").to_numpy() for n in range(3))
    of_day = (local[told] % 86_400 - (hours * 3600 + minutes * 60) + 43_200) % 86_400 - 43_200
    offsets, counts = np.unique(np.round(of_day / 900.0) * 0.25, return_counts=True)
    best = int(counts.argmax())
    if counts[best] < 0.9 * told.sum():
        raise SourceError(f"{place}: its raw reports do not agree on one time zone. {cure}")
    return float(offsets[best])


def _ceiling(cells: list[bytes], metric: bool) -> NDArray[np.float64]:
    """Ceiling [m]; the file gives bases in hundreds of feet, or of metres."""
    unit = 100.0 if metric else 100.0 * FT
    layers = [_LAYERS.findall(cell) for cell in cells]
    depth = max((len(found) for found in layers), default=0)
    cover = [np.full(len(cells), np.nan) for _ in range(max(depth, 1))]
    base = [np.full(len(cells), np.nan) for _ in range(max(depth, 1))]
    for row, found in enumerate(layers):
        for layer, (code, height) in enumerate(found):
            cover[layer][row] = sky_layer(code)
            base[layer][row] = float(height) * unit if height else np.nan
    return lowest_ceiling(cover, base)


def _thunder(frame: pd.DataFrame, kind: NDArray[np.int64]) -> NDArray[np.float64]:
    """Thunder by present weather: automated words, automated codes and manned codes between ``|``."""
    thunder = np.where(kind <= ROUTINE + 1, 0.0, np.nan)
    remarks = frame["rem"].to_list() if "rem" in frame else [""] * len(frame)
    for row, (cell, remark) in enumerate(
        zip(_cells(frame, "hourlypresentweathertype"), remarks, strict=True)
    ):
        if "TSNO" in remark:
            thunder[row] = np.nan
        for part, table in zip(cell.split(b"|"), ("AU", "AW", "MW"), strict=False):
            said = [thunder_code(code, table) for code in part.split() if code not in (b"s", b"*")]
            if 1.0 in said:
                thunder[row] = 1.0
            elif said and np.isnan(thunder[row]):
                thunder[row] = 0.0
    return thunder


def _only(frame: pd.DataFrame, column: str, place: str) -> str | None:
    if column not in frame:
        return None
    found = sorted({str(cell).strip() for cell in frame[column]} - {""})
    if column == "station" and len(found) > 1:
        raise SourceError(f"{place} must hold one station; it holds {', '.join(found[:5])}. Split it first.")
    return found[0] if found else None


def _same_station(wanted: str, found: str) -> bool:
    """Whether two identifiers end in the same five-digit WBAN number, as USW00014939 and 72551014939 do."""
    return wanted == found or (len(wanted) >= 5 and wanted[-5:].isdigit() and wanted[-5:] == found[-5:])


def _position(frame: pd.DataFrame, column: str, given: float | None, place: str) -> float:
    if given is not None:
        return float(given)
    if column in frame:
        values, _ = numbers(_cells(frame, column))
        # Beyond these stand the codes for unknown: 999, -999.9, 8191.
        low, high = {"latitude": (-90, 90), "longitude": (-180, 180), "elevation": (-500, 8190)}[column]
        known = values[(values >= low) & (values <= high)]
        if known.size:
            return float(known[-1])
    argument = "elevation_m" if column == "elevation" else column
    raise SourceError(f"{place} does not state the station's {column}. Give {argument} beside the file.")
