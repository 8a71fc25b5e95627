"""Stations near a venue, out of an archive's own list."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.air.variables import FT, NM, STATION_VARIABLES
from pipeline.errors import InputError, SourceError

__all__ = ["stations_near"]

_LIST = "ghcnh-station-list.csv"


def stations_near(
    venue_file: Path,
    within_nm: float,
    station_list: Path | None,
    *,
    progress: Callable[[str], None] = lambda _: None,
) -> list[dict[str, Any]]:
    """Candidates for a venue, nearest first, as plain rows.

    Parameters
    ----------
    venue_file
        The venue's file in a season folder.
    within_nm
        Radius [NM].
    station_list
        A list on disk; None to fetch GHCNh's into the cache.
    progress
        Told what is fetched.

    Raises
    ------
    InputError
        The venue's file is no venue of a season folder, or has mistakes; or the radius is no distance.
    SourceError
        The list cannot be fetched or read.
    """
    from pipeline.inputs import load_season
    from pipeline.stations import station_lists

    if not 0 < within_nm <= 500:
        raise InputError(
            f"--within-nm {within_nm:g} is no radius: more than 0 and at most 500 NM are wanted."
        )
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
    file = station_list if station_list is not None else _fetched_list(progress)
    if file.name.startswith("isd-history"):
        listed = station_lists.read_isd_history(file)
    else:
        listed = station_lists.read_ghcnh_stations(file)
    found = station_lists.candidates_near(
        listed, venue.latitude, venue.longitude, venue.elevation, within_m=within_nm * NM
    )
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
            "may_hold": [_plain(name) for name in c.may_hold],
        }
        for c in found
    ]


def _plain(name: str) -> str:
    """A quantity's name in plain words, without its explanation."""
    return STATION_VARIABLES[name].long_name.partition(":")[0].partition(";")[0]


def _fetched_list(progress: Callable[[str], None]) -> Path:
    """GHCNh's station list in the cache, fetched when it is not there or has changed."""
    import os

    from pipeline.stations.ghcnh import BASE_URL
    from pipeline.stations.http import Fetcher, read_validators, write_validators
    from pipeline.stations.store import cache_root

    base = os.environ.get("SHOWHOUR_GHCNH", BASE_URL)
    path = cache_root() / "lists" / _LIST
    path.parent.mkdir(parents=True, exist_ok=True)
    progress(f"Station list: {base}/doc/{_LIST}")
    got = Fetcher().download(
        f"{base.rstrip('/')}/doc/{_LIST}", path, validators=read_validators(path) if path.is_file() else None
    )
    if got.state == "new":
        write_validators(path, got.validators)
    if not path.is_file():
        raise SourceError(
            f"The station list cannot be fetched from {got.url}: {got.cause}. Fetch it by hand and give "
            "it as --list."
        )
    if got.state not in ("new", "unchanged"):
        progress(f"The list could not be refreshed ({got.cause}); the one held is used.")
    return path
