"""Bring the store up to date for a season, each station by its own source; no failure stops the rest."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.air.venue import plateau_correction_applies
from pipeline.errors import InputError, ShowhourError, SourceError, StoreError

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.inputs import Season, Station
    from pipeline.stations.store import State, Store

__all__ = ["StationOutcome", "fetch_season"]


@dataclass(frozen=True)
class StationOutcome:
    """What fetching one station came to.

    Attributes
    ----------
    source, station_id
        The station.
    venues
        Ids of the venues that it stands for.
    error
        What failed; empty when all is well.
    """

    source: str
    station_id: str
    venues: tuple[str, ...]
    error: str


def fetch_season(
    season: Season,
    store: Store,
    *,
    now: dt.datetime,
    refresh: bool = False,
    progress: Callable[[str], None] = lambda _: None,
) -> list[StationOutcome]:
    """Fetch what is missing of every station of the season's booked venues.

    Parameters
    ----------
    season
        The season.
    store
        Where station hours are kept.
    now
        The present, aware.
    refresh
        Ask for every year anew.
    progress
        Told a line as each station is done.
    """
    venues: dict[tuple[str, str], list[str]] = {}
    stations: dict[tuple[str, str], Station] = {}
    booked = {b.venue for b in season.bookings}
    for venue in season.venues:
        if venue.id in booked:
            for station in venue.stations:
                venues.setdefault((station.source, station.id), []).append(venue.id)
                stations[station.source, station.id] = station
    outcomes = []
    for i, (key, station) in enumerate(stations.items(), start=1):
        error = ""
        try:
            aside = _set_aside_if_damaged(store, station)
            if aside is not None:
                progress(
                    f"{station.source} {station.id}: its file was damaged; kept as {aside}, fetched anew"
                )
            _fetch_station(season, station, store, now=now, refresh=refresh)
        except ShowhourError as failed:
            error = str(failed)
        outcomes.append(StationOutcome(*key, tuple(venues[key]), error))
        progress(f"[{i}/{len(stations)}] {station.source} {station.id}: {error or 'up to date'}")
    return outcomes


def _set_aside_if_damaged(store: Store, station: Station) -> Path | None:
    """Put a damaged file away so that the station is fetched anew; where it was put, or None."""
    if not store.path(station.source, station.id).is_file():
        return None
    try:
        if any(s in ("complete", "growing") for s in store.states(station.source, station.id).values()):
            store.read(station.source, station.id)
    except StoreError:
        return store.set_aside(station.source, station.id)
    return None


def _fetch_station(
    season: Season, station: Station, store: Store, *, now: dt.datetime, refresh: bool
) -> None:
    """Fetch one station.

    Raises
    ------
    SourceError, StoreError, InputError
        What failed; hours already stored are kept.
    """
    first, last = season.history.first_year, min(season.history.last_year, now.year)
    if station.source == "meteostat":
        from pipeline.stations import meteostat

        meteostat.fetch(
            meteostat.Station(
                station.id, station.latitude, station.longitude, station.elevation, name=station.name
            ),
            range(first, last + 1),
            store,
            now=now,
            refresh=refresh,
        )
    elif station.source == "synthetic":
        _synthesize(station, store, first, last, refresh=refresh)
    elif station.source == "ghcnh" and station.file is None:
        _fetch_ghcnh(station, store, range(first, last + 1), now=now, refresh=refresh)
    else:
        _read_files(station, season.station_files(station), store)


def _fetch_ghcnh(station: Station, store: Store, years: range, *, now: dt.datetime, refresh: bool) -> None:
    import os

    from pipeline.stations import ghcnh
    from pipeline.stations.http import Fetcher

    ended = ghcnh.fetch_ghcnh(
        station.id,
        years,
        store,
        fetcher=Fetcher(),
        now=now,
        base_url=os.environ.get("SHOWHOUR_GHCNH", ghcnh.BASE_URL),
        refresh=refresh,
    )
    failed = [f"{year}: {got.cause}" for year, got in sorted(ended.items()) if got.state == "failed"]
    if failed:
        raise SourceError(
            f"GHCNh station {station.id}: {'; '.join(failed)}. Hours already stored are kept; "
            "try again later."
        )


def _synthesize(station: Station, store: Store, first: int, last: int, *, refresh: bool) -> None:
    from pipeline.stations.synthetic import Climate, recipe_digest, synthesize

    if station.climate is None:
        raise InputError(f"Station {station.id}: a synthetic station needs its climate.")
    climate = Climate(**station.climate.model_dump())
    recipe: dict[str, Any] = {
        "first_year": first,
        "last_year": last,
        "latitude": station.latitude,
        "longitude": station.longitude,
        "elevation_m": station.elevation,
        "plateau": plateau_correction_applies(station.latitude, station.longitude),
    }
    if not refresh and store.states(station.source, station.id):
        held = store.read(station.source, station.id, variables=()).attrs
        if held["raw_sha256"] == recipe_digest(station.id, climate, **recipe):
            return
    ds = synthesize(station.id, climate, station_name=station.name, **recipe)
    store.merge(ds, dict.fromkeys(range(first, last + 1), "complete"), replace=True)


def _read_files(station: Station, files: tuple[Path, ...], store: Store) -> None:
    """Read a station's own files; together they are its whole record."""
    readers = {"csv": _read_csv, "ghcnh": _read_ghcnh, "isd_lite": _read_isd_lite, "lcd": _read_lcd}
    for i, ds in enumerate(readers[station.source](station, files)):
        years = ds["time"].dt.year.to_numpy()
        states: dict[int, State] = dict.fromkeys(range(int(years[0]), int(years[-1]) + 1), "growing")
        store.merge(ds, states, replace=i == 0)


def _place(station: Station) -> dict[str, Any]:
    return {
        "station_id": station.id,
        "station_name": station.name,
        "latitude": station.latitude,
        "longitude": station.longitude,
        "elevation_m": station.elevation,
    }


def _read_csv(station: Station, files: tuple[Path, ...]) -> Iterator[xr.Dataset]:
    from pipeline.stations.archives import read_station_csv

    for file in files:
        yield read_station_csv(file, **_place(station))


def _read_ghcnh(station: Station, files: tuple[Path, ...]) -> Iterator[xr.Dataset]:
    from pipeline.stations.ghcnh import read_ghcnh

    yield read_ghcnh(files, **_place(station))


def _read_isd_lite(station: Station, files: tuple[Path, ...]) -> Iterator[xr.Dataset]:
    from pipeline.stations.isd_lite import read_isd_lite

    yield read_isd_lite(files, **_place(station))


def _read_lcd(station: Station, files: tuple[Path, ...]) -> Iterator[xr.Dataset]:
    from pipeline.stations.lcd import read_lcd

    for file in files:
        yield read_lcd(file, **_place(station))
