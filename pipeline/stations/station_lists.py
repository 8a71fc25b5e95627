"""Station lists of the archives, and the stations near a venue.

Two lists are read, as files that the user or :class:`pipeline.stations.http.Fetcher` has brought: GHCNh's
``ghcnh-station-list.csv`` with its ``ghcnh-inventory.txt``, and the Integrated Surface Dataset's
``isd-history.csv``, which serves ISD-Lite.
"""

from __future__ import annotations

import csv
import io
import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.air.variables import NM
from pipeline.errors import SourceError

__all__ = [
    "MAY_HOLD",
    "Candidate",
    "ListedStation",
    "candidates_near",
    "great_circle",
    "read_ghcnh_inventory",
    "read_ghcnh_stations",
    "read_isd_history",
]

_log = logging.getLogger(__name__)
_EARTH_RADIUS = 6_371_008.8
"""Mean radius of the Earth [m] (IUGG)."""

MAY_HOLD: dict[str, tuple[str, ...]] = {
    "ghcnh": (
        "air_temperature",
        "dew_point_temperature",
        "surface_air_pressure",
        "altimeter_setting",
        "air_pressure_at_mean_sea_level",
        "wind_from_direction",
        "wind_speed",
        "wind_speed_of_gust",
        "cloud_base_height",
        "visibility_in_air",
        "thunder",
    ),
    "isd_lite": (
        "air_temperature",
        "dew_point_temperature",
        "air_pressure_at_mean_sea_level",
        "wind_from_direction",
        "wind_speed",
    ),
    "airfield": (),
}
"""Variables that an archive can hold; which a station really reports is known once its hours are read."""


@dataclass(frozen=True)
class ListedStation:
    """A station of a list.

    Attributes
    ----------
    source : str
        ``ghcnh`` or ``isd_lite``; ``airfield`` for a place of which no archive is known.
    elevation_m : float
        NaN where the list does not know it.
    first_year, last_year : int or None
        Of the record, where the list says.
    years : int or None
        Years with reports, where the list says.
    """

    source: str
    station_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    icao: str = ""
    first_year: int | None = None
    last_year: int | None = None
    years: int | None = None


@dataclass(frozen=True)
class Candidate:
    """A station near a venue: how far, how much higher, and what its archive can hold."""

    station: ListedStation
    distance_m: float
    elevation_difference_m: float
    may_hold: tuple[str, ...]


def candidates_near(
    stations: Iterable[ListedStation],
    latitude: float,
    longitude: float,
    elevation_m: float,
    *,
    within_m: float = 50 * NM,
    years: tuple[int, int] | None = None,
    limit: int = 12,
) -> list[Candidate]:
    """Stations near a venue, nearest first.

    Parameters
    ----------
    stations : iterable of ListedStation
    latitude, longitude : float
        Of the venue, degrees.
    elevation_m : float
        Of the venue, metres.
    within_m : float
        Great-circle distance.
    years : (int, int), optional
        Leave out stations whose known record does not overlap these years.
    limit : int

    Returns
    -------
    list of Candidate
        The elevation difference is the station's minus the venue's, NaN where unknown.
    """
    listed = list(stations)
    if not listed:
        return []
    distance = great_circle(
        latitude,
        longitude,
        np.array([s.latitude for s in listed]),
        np.array([s.longitude for s in listed]),
    )
    found: list[Candidate] = []
    for n in np.argsort(distance, kind="stable"):
        if not distance[n] <= within_m or len(found) == limit:
            break
        station = listed[int(n)]
        if years is not None and _misses(station, years):
            continue
        found.append(
            Candidate(
                station, float(distance[n]), station.elevation_m - elevation_m, MAY_HOLD[station.source]
            )
        )
    return found


def great_circle(latitude: Any, longitude: Any, latitudes: Any, longitudes: Any) -> Any:
    """Distance [m] between places on a sphere of the Earth's mean radius; arrays broadcast.

    By the haversine form, which keeps its precision at short range.
    """
    here, there = np.radians(latitude), np.radians(latitudes)
    half = np.sin((there - here) / 2.0) ** 2
    half = half + np.cos(here) * np.cos(there) * np.sin(np.radians(longitudes - longitude) / 2.0) ** 2
    return 2.0 * _EARTH_RADIUS * np.arcsin(np.sqrt(half))


def read_ghcnh_stations(source: Path | str | bytes) -> list[ListedStation]:
    """Read ``ghcnh-station-list.csv``, with or without its header line.

    A line that cannot be read is left out and logged; when more than one in a hundred is, the
    list is refused.

    Raises
    ------
    SourceError
        Not such a list, with the line.
    """
    place, rows = _rows(source)
    if rows and rows[0][1][0].strip().upper() in ("GHCN_ID", "ID"):
        rows = rows[1:]
    return _listed(place, rows, _ghcnh_station)


def read_ghcnh_inventory(source: Path | str, stations: Sequence[ListedStation]) -> list[ListedStation]:
    """Give stations the years in which ``ghcnh-inventory.txt`` counts any report.

    The inventory has a line for each station and year with the reports of each month; it is read line by
    line, as it is far larger than what is kept of it.

    Raises
    ------
    SourceError
        The file cannot be read, or a line is not of the format.
    """
    years: dict[bytes, list[int]] = {s.station_id.encode(): [] for s in stations}
    try:
        with Path(source).open("rb") as stream:
            for number, line in enumerate(stream, start=1):
                station = line[:11].strip()
                if station not in years:
                    continue
                cells = line.split()
                if len(cells) < 14 or cells[0] != station or not all(cell.isdigit() for cell in cells[1:14]):
                    raise SourceError(f"{source}, line {number}: wanted id, year and twelve monthly counts.")
                if any(int(cell) for cell in cells[2:14]):
                    years[station].append(int(cells[1]))
    except OSError as error:
        raise SourceError(f"{source} cannot be read: {error.strerror}.") from error
    return [
        replace(s, first_year=min(found), last_year=max(found), years=len(set(found))) if found else s
        for s, found in ((s, years[s.station_id.encode()]) for s in stations)
    ]


def read_isd_history(source: Path | str | bytes) -> list[ListedStation]:
    """Read ``isd-history.csv``; stations without a position are left out.

    A line that cannot be read is left out and logged (the published list has some); when more than one in a
    hundred is, the list is refused.

    Raises
    ------
    SourceError
        Not such a list, with the line.
    """
    place, rows = _rows(source)
    if not rows or rows[0][1][:2] != ["USAF", "WBAN"]:
        raise SourceError(f"{place} does not begin with the header of isd-history.csv (USAF, WBAN).")
    return _listed(place, rows[1:], _isd_station)


def _ghcnh_station(row: list[str]) -> ListedStation | None:
    return ListedStation(
        "ghcnh",
        row[0].strip(),
        row[5].strip(),
        float(row[1]),
        float(row[2]),
        _elevation(row[3]),
        icao=row[9].strip() if len(row) > 9 else "",
    )


def _isd_station(row: list[str]) -> ListedStation | None:
    usaf, wban, name, _, _, icao, latitude, longitude, elevation, begin, end = row
    if not latitude.strip() or not longitude.strip() or float(latitude) == float(longitude) == 0.0:
        return None
    return ListedStation(
        "isd_lite",
        f"{usaf.strip()}-{wban.strip()}",
        name.strip(),
        float(latitude),
        float(longitude),
        _elevation(elevation),
        icao=icao.strip(),
        first_year=int(begin[:4]),
        last_year=int(end[:4]),
    )


def _listed(
    place: str, rows: list[tuple[int, list[str]]], station: Callable[[list[str]], ListedStation | None]
) -> list[ListedStation]:
    stations: list[ListedStation] = []
    unreadable: list[int] = []
    for number, row in rows:
        try:
            found = station(row)
        except (ValueError, IndexError):
            unreadable.append(number)
            continue
        if found is not None and abs(found.latitude) <= 90.0 and abs(found.longitude) <= 180.0:
            stations.append(found)
    if not stations or len(unreadable) > 0.01 * len(rows):
        first = f"; line {unreadable[0]} is the first that cannot be read" if unreadable else ""
        raise SourceError(f"{place} is not the station list it should be{first}. Fetch the list again.")
    if unreadable:
        _log.warning("%s: lines %s cannot be read and are left out", place, unreadable)
    return stations


def _elevation(cell: str) -> float:
    """Metres; -999.9 and -999 are missing, 8191 and 9999 stand for lightships and unknown heights."""
    value = float(cell) if cell.strip() else np.nan
    return value if -500.0 < value < 8190.0 else np.nan


def _misses(station: ListedStation, years: tuple[int, int]) -> bool:
    first, last = years
    return (station.last_year is not None and station.last_year < first) or (
        station.first_year is not None and station.first_year > last
    )


def _rows(source: Path | str | bytes) -> tuple[str, list[tuple[int, list[str]]]]:
    place = "the station list" if isinstance(source, bytes) else str(source)
    try:
        raw = source if isinstance(source, bytes) else Path(source).read_bytes()
    except OSError as error:
        raise SourceError(f"{place} cannot be read: {error.strerror}.") from error
    if b"\0" in raw:
        raise SourceError(f"{place} is not text. Fetch the list again.")
    reader = csv.reader(io.StringIO(raw.decode("utf-8", "replace").lstrip("\ufeff")))
    try:
        return place, [(number, row) for number, row in enumerate(reader, start=1) if row]
    except csv.Error as error:
        raise SourceError(f"{place} cannot be read as comma-separated text: {error}.") from error
