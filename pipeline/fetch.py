"""Bring the store up to date for a season, each station by its own source; no failure stops the rest."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.air.venue import plateau_correction_applies
from pipeline.checked import as_read
from pipeline.errors import DamagedError, InputError, ShowhourError, SourceError, StoreError
from pipeline.files import write_atomically
from pipeline.settings import Fault

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.inputs import Season, Station, Venue
    from pipeline.stations.http import Fetcher
    from pipeline.stations.store import Store
    from pipeline.stations.years import FetchedYear

__all__ = ["StationOutcome", "fetch_season", "station_file_mistakes"]


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
    input_wrong
        Whether it failed over something the user wrote.
    rejected
        Values left out by reason, as the stored hours count them.
    """

    source: str
    station_id: str
    venues: tuple[str, ...]
    error: str
    input_wrong: bool = False
    rejected: Mapping[str, int] = field(default_factory=dict)

    def in_words(self) -> str:
        """What came of it, and which values were left out."""
        if self.error:
            return self.error
        if not self.rejected:
            return "up to date"
        most = sorted(self.rejected.items(), key=lambda row: -row[1])
        told = "; ".join(f"{reason.replace('_', ' ')}: {count:,}" for reason, count in most[:3])
        more = f"; and {len(most) - 3} other reasons" if len(most) > 3 else ""
        return f"up to date; {sum(self.rejected.values()):,} values left out ({told}{more})"


def fetch_season(
    season: Season,
    store: Store,
    *,
    now: dt.datetime,
    refresh: bool = False,
    progress: Callable[[str], None] = lambda _: None,
    arrived: Callable[[Venue], None] = lambda _: None,
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
    arrived
        Told of each venue as the last of its stations is done, where any brought new hours.
    """
    from pipeline.stations.http import Fetcher

    store = as_read(store, season.quality)
    # One for all stations, so that its pace holds across them.
    fetcher = Fetcher()
    venues: dict[tuple[str, str], list[str]] = {}
    stations: dict[tuple[str, str], Station] = {}
    booked = [v for v in season.venues if any(b.venue == v.id for b in season.bookings)]
    for venue in booked:
        for station in venue.stations:
            venues.setdefault((station.source, station.id), []).append(venue.id)
            stations[station.source, station.id] = station
    outcomes = []
    done: set[tuple[str, str]] = set()
    new: set[tuple[str, str]] = set()
    for i, (key, station) in enumerate(stations.items(), start=1):
        error, input_wrong = "", False
        before = _version(store, station)
        try:
            aside = _set_aside_if_damaged(store, station)
            if aside is not None:
                progress(
                    f"{station.source} {station.id}: its file was damaged; kept as {aside}, fetched anew"
                )
            note = _Asked(store, station, _years(season, now), now)
            if refresh or not note.lately():
                _fetch_station(season, station, store, fetcher, now=now, refresh=refresh)
                note.write()
        except ShowhourError as failed:
            error, input_wrong = str(failed), isinstance(failed, InputError)
        rejected = {} if error else _rejected(store, station)
        outcomes.append(StationOutcome(*key, tuple(venues[key]), error, input_wrong, rejected))
        progress(f"[{i}/{len(stations)}] {station.source} {station.id}: {outcomes[-1].in_words()}")
        done.add(key)
        if _version(store, station) != before:
            new.add(key)
        for venue in booked:
            needs = {(s.source, s.id) for s in venue.stations}
            if key in needs and needs <= done and needs & new:
                arrived(venue)
    return outcomes


def _version(store: Store, station: Station) -> tuple[int, int] | None:
    """What changes with a station's file, which is written only where its hours change; None without one."""
    try:
        held = store.path(station.source, station.id).stat()
    except OSError:
        return None
    return held.st_ino, held.st_mtime_ns


def _rejected(store: Store, station: Station) -> dict[str, int]:
    """Values that reading left out, by reason."""
    if not store.held_years(station.source, station.id):
        return {}
    attrs = store.attributes(station.source, station.id)
    counts = json.loads(attrs["counts"])["rejected"]
    # An hour without a report is a gap, not a value left out.
    return {str(reason): int(n) for reason, n in counts.items() if reason != "no_report"}


def station_file_mistakes(season: Season) -> tuple[list[Fault], list[Fault]]:
    """Mistakes in the station files of a season's folder, and warnings of values that would be left out.

    Parameters
    ----------
    season
        The season.
    """
    mistakes, warnings = [], []
    read: set[tuple[str, str]] = set()
    for venue in season.venues:
        for station in venue.stations:
            if station.file is None or (station.source, station.id) in read:
                continue
            read.add((station.source, station.id))
            names = ", ".join(station.file)
            key = f"{station.source} {station.id}"
            try:
                counts = [json.loads(ds.attrs["counts"])["rejected"] for ds in _read_files(season, station)]
            except InputError as error:
                found = str(error).replace(f"{season.folder}{os.sep}", "").rstrip(".")
                mistakes.append(Fault(names, None, key, found, "a file that reads as its columns say"))
                continue
            for reason in sorted({r for count in counts for r in count}):
                n = sum(count.get(reason, 0) for count in counts)
                found = f"{n:,} values ({reason.replace('_', ' ')}), which are left out"
                warnings.append(Fault(names, None, key, found, "every value in the unit of its column"))
    return mistakes, warnings


def _set_aside_if_damaged(store: Store, station: Station) -> Path | None:
    """Put a damaged file away so that the station is fetched anew; where it was put, or None."""
    if not store.path(station.source, station.id).is_file():
        return None
    try:
        if store.held_years(station.source, station.id):
            store.read(station.source, station.id)
    except DamagedError:
        return store.set_aside(station.source, station.id)
    return None


_AGAIN_AFTER = dt.timedelta(hours=1)
"""A station brought up to date is left alone for so long: no archive adds to its files more often."""


class _Asked:
    """When a networked station was last brought up to date in full, kept beside its file."""

    def __init__(self, store: Store, station: Station, years: range, now: dt.datetime) -> None:
        held = store.path(station.source, station.id)
        self._file = held
        self._path = held.with_suffix(".asked")
        self._networked = station.source in ("meteostat", "ghcnh") and station.file is None
        self._now = now
        addresses = [os.environ.get(name) for name in ("SHOWHOUR_GHCNH", "MS_HOURLY_ENDPOINT")]
        self._what = [years.start, years.stop, addresses]

    def lately(self) -> bool:
        """Whether that was within the hour, for the same years from the same address."""
        if not self._networked or not self._file.is_file():
            return False
        try:
            told = json.loads(self._path.read_text("utf-8"))
            age = self._now - dt.datetime.fromisoformat(told["at"])
            return told["what"] == self._what and dt.timedelta(0) <= age < _AGAIN_AFTER
        except (OSError, ValueError, KeyError, TypeError):
            # Without a note the station is asked: slower, never wrong.
            return False

    def write(self) -> None:
        """Note it."""
        if self._networked:
            content = json.dumps({"at": self._now.isoformat(), "what": self._what})
            try:
                write_atomically(self._path, content.encode())
            except OSError as error:
                raise StoreError(f"{self._path} cannot be written: {error.strerror or error}.") from error


def _years(season: Season, now: dt.datetime) -> range:
    return range(season.history.first_year, min(season.history.last_year, now.year) + 1)


def _fetch_station(
    season: Season, station: Station, store: Store, fetcher: Fetcher, *, now: dt.datetime, refresh: bool
) -> None:
    """Fetch one station.

    Raises
    ------
    SourceError, StoreError, InputError
        What failed; hours already stored are kept.
    """
    years = _years(season, now)
    if station.source == "meteostat":
        _fetch_meteostat(season, station, store, fetcher, now=now, refresh=refresh)
    elif station.source == "synthetic":
        _synthesize(station, store, years.start, years.stop - 1, refresh=refresh)
    elif station.source == "ghcnh" and station.file is None:
        _fetch_ghcnh(season, station, store, fetcher, now=now, refresh=refresh)
    else:
        # All are read before any is stored: a mistake in the last leaves what is stored as it was.
        store.replace(station.source, station.id, list(_read_files(season, station)))


def _fetch_meteostat(
    season: Season, station: Station, store: Store, fetcher: Fetcher, *, now: dt.datetime, refresh: bool
) -> None:
    from pipeline.stations import meteostat

    ended = meteostat.fetch(
        meteostat.Station(
            station.id, station.latitude, station.longitude, station.elevation, name=station.name
        ),
        _years(season, now),
        store,
        fetcher=fetcher,
        now=now,
        refresh=refresh,
        physical_range=season.quality.physical_range,
    )
    _refuse_failures("Meteostat", station, ended)


def _fetch_ghcnh(
    season: Season, station: Station, store: Store, fetcher: Fetcher, *, now: dt.datetime, refresh: bool
) -> None:
    from pipeline.stations import ghcnh

    ended = ghcnh.fetch_ghcnh(
        station.id,
        _years(season, now),
        store,
        fetcher=fetcher,
        now=now,
        base_url=os.environ.get("SHOWHOUR_GHCNH", ghcnh.BASE_URL),
        refresh=refresh,
        honour_quality_codes=season.quality.archive_flags,
        physical_range=season.quality.physical_range,
    )
    _refuse_failures("GHCNh", station, ended)


def _refuse_failures(archive: str, station: Station, ended: Mapping[int, FetchedYear]) -> None:
    from pipeline.stations.years import failures_in_words

    failed = failures_in_words(ended)
    if failed:
        raise SourceError(
            f"{archive} station {station.id}: {failed}. Hours already stored are kept; try again later."
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
        held = store.attributes(station.source, station.id)
        if held["raw_sha256"] == recipe_digest(station.id, climate, **recipe):
            return
    ds = synthesize(station.id, climate, station_name=station.name, **recipe)
    store.merge(ds, dict.fromkeys(range(first, last + 1), "complete"), replace=True)


def _read_files(season: Season, station: Station) -> Iterator[xr.Dataset]:
    """A station's own files; together they are its whole record."""
    files, checks = season.station_files(station), season.quality
    place: dict[str, Any] = {
        "station_id": station.id,
        "station_name": station.name,
        "latitude": station.latitude,
        "longitude": station.longitude,
        "elevation_m": station.elevation,
        "physical_range": checks.physical_range,
    }
    # A file is as old as its last change: read again unchanged, it leaves what is stored as it is.
    changed = max((file.stat().st_mtime for file in files if file.is_file()), default=None)
    if changed is not None and station.source != "csv":
        place["retrieved_at"] = dt.datetime.fromtimestamp(changed, dt.UTC).isoformat(timespec="seconds")
    if station.source == "ghcnh":
        from pipeline.stations.ghcnh import read_ghcnh

        yield read_ghcnh(files, **place, honour_quality_codes=checks.archive_flags)
    elif station.source == "isd_lite":
        from pipeline.stations.isd_lite import read_isd_lite

        yield read_isd_lite(files, **place)
    elif station.source == "lcd":
        from pipeline.stations.lcd import read_lcd

        for file in files:
            yield read_lcd(file, **place, utc_offset_hours=station.utc_offset_hours)
    else:
        from pipeline.stations.archives import read_station_csv

        for file in files:
            yield read_station_csv(file, **place)
