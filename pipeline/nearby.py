"""Stations near a venue, out of an archive's own list."""

from __future__ import annotations

import datetime as dt
import math
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.air.variables import FT, NM, STATION_VARIABLES
from pipeline.errors import InputError, StoreError

if TYPE_CHECKING:
    from pipeline.stations.http import Fetcher
    from pipeline.stations.station_lists import ListedStation
    from pipeline.stations.store import Store

__all__ = ["stations_around", "stations_near"]

_LIST = "ghcnh-station-list.csv"
_INVENTORY = "ghcnh-inventory.txt"


def stations_near(
    venue_file: Path,
    within_nm: float,
    station_list: Path | None,
    *,
    look: int = 0,
    progress: Callable[[str], None] = lambda _: None,
) -> list[dict[str, Any]]:
    """Candidates for a venue, nearest first, as plain rows.

    A GHCNh station's years come from the archive's inventory, which counts reports but not what they hold;
    that is told of a station whose hours are stored.

    Parameters
    ----------
    venue_file
        The venue's file in a season folder.
    within_nm
        Radius [NM].
    station_list
        A list on disk, with its inventory beside it; None to fetch GHCNh's into the cache. Where that cannot
        be fetched, the airfields of the bundled list stand in, of which no more is known than the place.
    look
        Fetch the last whole year of so many of the nearest GHCNh stations, to learn what they report.
    progress
        Told what is fetched.

    Raises
    ------
    InputError
        The venue's file is no venue of a season folder, or has mistakes; or the radius is no distance.
    SourceError
        The list cannot be read.
    StoreError
        The cache cannot be written.
    """
    from pipeline.inputs import load_season

    folder = venue_file.resolve().parent.parent
    if venue_file.suffix != ".yaml" or not (folder / "season.yaml").is_file():
        raise InputError(
            f"{venue_file} is not a venue's file of a season folder. Give it as FOLDER/venues/NAME.yaml."
        )
    season = load_season(folder)
    try:
        venue = season.venue(venue_file.stem)
    except KeyError:
        raise InputError(f"{folder} has no venue {venue_file.stem}.") from None
    return stations_around(
        venue.latitude,
        venue.longitude,
        venue.elevation,
        within_nm,
        station_list,
        look=look,
        progress=progress,
    )


def stations_around(
    latitude: float,
    longitude: float,
    elevation: float,
    within_nm: float,
    station_list: Path | None = None,
    *,
    look: int = 0,
    progress: Callable[[str], None] = lambda _: None,
) -> list[dict[str, Any]]:
    """`stations_near` for a place that is no venue yet; its elevation in metres."""
    from pipeline.stations import station_lists
    from pipeline.stations.http import Fetcher
    from pipeline.stations.store import Store

    if not 0 < within_nm <= 500:
        raise InputError(
            f"--within-nm {within_nm:g} is no radius: more than 0 and at most 500 NM are wanted."
        )
    fetcher, inventory = Fetcher(), None
    if station_list is None:
        file = _fetched(_LIST, fetcher, progress)
        if file is None:
            progress(
                "Airfields of the bundled list stand in: which of them has a station, and under which "
                "identifier, is not known. Fetch the list by hand and give it as --list."
            )
            listed = _airfields()
        else:
            listed = station_lists.read_ghcnh_stations(file)
            inventory = _fetched(_INVENTORY, fetcher, progress)
    elif station_list.name.startswith("isd-history"):
        listed = station_lists.read_isd_history(station_list)
    else:
        listed = station_lists.read_ghcnh_stations(station_list)
        beside = station_list.with_name(_INVENTORY)
        inventory = beside if beside.is_file() else None
    found = station_lists.candidates_near(listed, latitude, longitude, elevation, within_m=within_nm * NM)
    if inventory is not None:
        counted = station_lists.read_ghcnh_inventory(inventory, [c.station for c in found])
        found = [replace(c, station=station) for c, station in zip(found, counted, strict=True)]
    store = Store()
    for c in [c for c in found if c.station.source == "ghcnh"][:look]:
        _look(c.station, store, fetcher, progress)
    return [
        {
            "source": c.station.source,
            "station": c.station.station_id,
            "name": c.station.name,
            "latitude": c.station.latitude,
            "longitude": c.station.longitude,
            "elevation_m": None if math.isnan(c.station.elevation_m) else c.station.elevation_m,
            "distance_nm": round(c.distance_m / NM, 1),
            "elevation_difference_ft": None
            if math.isnan(c.elevation_difference_m)
            else round(c.elevation_difference_m / FT),
            "first_year": c.station.first_year,
            "last_year": c.station.last_year,
            "years": c.station.years,
            "may_hold": [_plain(name) for name in c.may_hold],
            "holds": _holds(store, c.station),
        }
        for c in found
    ]


def _look(station: ListedStation, store: Store, fetcher: Fetcher, progress: Callable[[str], None]) -> None:
    """Fetch a station's last whole year, unless it is stored already."""
    from pipeline.stations.ghcnh import fetch_ghcnh

    now = dt.datetime.now(dt.UTC)
    year = min(now.year - 1, station.last_year or now.year)
    progress(f"Looking into {station.station_id}, {year}")
    ended = fetch_ghcnh(station.station_id, [year], store, fetcher=fetcher, now=now, base_url=_base())
    for got in ended.values():
        if got.state in ("absent", "failed"):
            progress(f"{station.station_id}, {year}: {got.cause}")


def _holds(store: Store, station: ListedStation) -> dict[str, float] | None:
    """Share of the stored hours with each quantity, by its plain name; None where nothing is stored."""
    if not store.held_years(station.source, station.station_id):
        return None
    hours = store.read(station.source, station.station_id)
    shares = {_plain(str(name)): round(float(hours[name].notnull().mean()), 3) for name in hours.data_vars}
    return {name: share for name, share in shares.items() if share > 0}


def _airfields() -> list[ListedStation]:
    import airportsdata

    from pipeline.stations.station_lists import ListedStation

    return [
        ListedStation(
            "airfield", code, str(row["name"]), row["lat"], row["lon"], row["elevation"] * FT, icao=code
        )
        for code, row in airportsdata.load("ICAO").items()
    ]


def _plain(name: str) -> str:
    """A quantity's name in plain words, without its explanation."""
    return STATION_VARIABLES[name].long_name.partition(":")[0].partition(";")[0]


def _base() -> str:
    from pipeline.stations.ghcnh import BASE_URL

    return os.environ.get("SHOWHOUR_GHCNH", BASE_URL).rstrip("/")


def _fetched(name: str, fetcher: Fetcher, progress: Callable[[str], None]) -> Path | None:
    """A list of GHCNh's in the cache, fetched when it is not there or has changed; None where it can't be.

    Raises
    ------
    StoreError
        The cache cannot be written.
    """
    from pipeline.stations.http import read_validators, write_validators
    from pipeline.stations.store import cache_root

    url, path = f"{_base()}/doc/{name}", cache_root() / "lists" / name
    progress(f"Station list: {url}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        got = fetcher.download(url, path, validators=read_validators(path) if path.is_file() else None)
        if got.state == "new":
            write_validators(path, got.validators)
    except OSError as error:
        raise StoreError(
            f"{error.filename or path}: the cache folder cannot be used ({error.strerror or error}). Make it "
            "readable and writable, or name another in SHOWHOUR_CACHE."
        ) from error
    if got.state in ("new", "unchanged"):
        return path
    if not path.is_file():
        progress(f"{name} cannot be fetched ({got.cause}).")
        return None
    progress(f"{name} could not be refreshed ({got.cause}); the one held is used.")
    return path
