"""Station hours from Meteostat's bulk archive, through the meteostat library.

The library reports most faults only on its logger and then answers with nothing, or with less than was asked
for. So one station-year is asked for at a time, its logger is listened to, a warning is a failure, and a file
that is not there ("not found") is an absent year. Forecast and model values are left out: only observations
make a climatology.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import random
import re
import socket
import sys
import threading
import time
import urllib.error
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.air.variables import HPA
from pipeline.errors import InputError, SourceError
from pipeline.stations.hours import OUT_OF_RANGE, dew_point_from_humidity, station_hours
from pipeline.stations.store import State, Store

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from numpy.typing import NDArray

__all__ = ["ATTRIBUTION", "LICENCE", "SOURCE", "Station", "StationYear", "fetch", "fetch_station_year"]

SOURCE = "meteostat"
LICENCE = "CC BY 4.0"
ATTRIBUTION = (
    "Meteostat (meteostat.net) and the weather services that it draws on, among them NOAA, Deutscher "
    "Wetterdienst, Environment and Climate Change Canada and GeoSphere Austria. Its terms exclude use where "
    "life or property may be at risk: planning aid only."
)

THUNDER_CODES = (23, 25, 26)
"""Condition codes that the library names "Lightning", "Thunderstorm" and "Heavy Thunderstorm"."""

_KMH = 1000.0 / 3600.0
_ZERO_C = 273.15
_ATTEMPTS = 4
_FIRST_PAUSE_S = 1.0
_TIMEOUT_S = 20.0
_FAILED_IN_A_ROW = 2
_SETTLED = timedelta(days=31)
_library_lock = threading.Lock()


@dataclass(frozen=True)
class Station:
    """A Meteostat station: its identifier there, and where it stands."""

    station_id: str
    latitude: float
    longitude: float
    elevation_m: float
    name: str | None = None
    country: str | None = None
    timezone: str | None = None


@dataclass(frozen=True)
class StationYear:
    """One year as fetched.

    Attributes
    ----------
    state
        ``complete``, ``growing`` (fetch it again later), or ``absent`` (no file, or no observations in it).
    dataset
        Station hours, or None for an absent year.
    """

    station_id: str
    year: int
    state: State
    dataset: xr.Dataset | None


def fetch_station_year(
    station: Station,
    year: int,
    *,
    now: datetime | None = None,
    endpoint: str | None = None,
    timeout_s: float = _TIMEOUT_S,
    attempts: int = _ATTEMPTS,
    sleep: Callable[[float], object] = time.sleep,
    take_turn: Callable[[], object] = lambda: None,
    physical_range: bool = True,
) -> StationYear:
    """Fetch one UTC year of one station's observations.

    A failure is tried again after a pause that doubles each time and is stretched by up to a half at random.

    Parameters
    ----------
    station : Station
    year : int
    now : datetime, optional
        Aware; the present by default. Hours after it are left out.
    endpoint : str, optional
        Address with ``{year}`` and ``{station}``; else ``MS_HOURLY_ENDPOINT``, else the library's own.
    timeout_s : float
        Seconds that the connection may stay silent.
    attempts : int
        Tries in all.
    sleep : callable
        Called with the seconds to pause.
    take_turn : callable
        Called before every request: keeps the pace that a run has for all its stations.
    physical_range : bool
        See :func:`pipeline.stations.hours.station_hours`.

    Returns
    -------
    StationYear
        Wind speeds come from tenths of km/h: 10 kt reads 9.99.

    Raises
    ------
    SourceError
        Every try failed; the message names station, year, address and cause.
    InputError
        The endpoint lacks ``{year}`` or ``{station}`` or is no web address, or the station identifier is not
        letters and digits.
    """
    if attempts < 1:
        raise ValueError(f"attempts must be at least 1, got {attempts}")
    if not re.fullmatch(r"[A-Za-z0-9]+", station.station_id):
        raise InputError(
            f"Meteostat station {station.station_id!r}: its identifiers are letters and digits, such as "
            "10637."
        )
    present = now or datetime.now(UTC)
    address = _endpoint(endpoint)
    cause = ""
    for attempt in range(attempts):
        if attempt:
            pause = _FIRST_PAUSE_S * 2 ** (attempt - 1)
            sleep(pause * (1.0 + random.random() / 2.0))
        take_turn()
        table, cause = _ask(station, year, address, timeout_s)
        if not cause:
            dataset = None if table is None else _station_hours(table, station, present, physical_range)
            return StationYear(station.station_id, year, _state(dataset, year, present), dataset)
    raise SourceError(
        f"Meteostat station {station.station_id}, year {year}: {cause}, {attempts} times at "
        f"{address.format(year=year, station=station.station_id)}. Check the network and try again later; "
        "hours already stored are kept."
    )


def fetch(
    station: Station,
    years: Iterable[int],
    store: Store,
    *,
    now: datetime,
    endpoint: str | None = None,
    timeout_s: float = _TIMEOUT_S,
    attempts: int = _ATTEMPTS,
    sleep: Callable[[float], object] = time.sleep,
    refresh: bool = False,
    take_turn: Callable[[], object] = lambda: None,
    physical_range: bool = True,
) -> dict[int, State]:
    """Bring the store up to date for the years asked for, with as few requests as that takes.

    A complete year is never asked for again, an absent one only while it is this year or the last. Hours in
    the store are never replaced by an empty or failed answer. After two failed years in a row the source is
    taken to be down and the rest are not tried.

    Parameters
    ----------
    station : Station
    years : iterable of int
        UTC years. A local 31 December may need the next one.
    store : Store
    now : datetime
        Aware.
    endpoint, timeout_s, attempts, sleep, take_turn, physical_range
        As for :func:`fetch_station_year`.
    refresh : bool
        Ask for every year anew.

    Returns
    -------
    dict of int to State
        The state of each year asked for.

    Raises
    ------
    SourceError
        Some years could not be fetched; those that could are stored. The message names them all.
    StoreError
        The store is damaged or can't be written.
    """
    wanted = sorted(set(years))
    held = store.states(SOURCE, station.station_id)
    failures: list[str] = []
    untried: list[str] = []
    in_a_row = 0
    for year in wanted:
        if not refresh and not _is_due(held.get(year), year, now):
            continue
        if in_a_row == _FAILED_IN_A_ROW:
            untried.append(str(year))
            continue
        try:
            fetched = fetch_station_year(
                station,
                year,
                now=now,
                endpoint=endpoint,
                timeout_s=timeout_s,
                attempts=attempts,
                sleep=sleep,
                take_turn=take_turn,
                physical_range=physical_range,
            )
        except SourceError as error:
            in_a_row += 1
            failures.append(str(error))
            store.mark(SOURCE, station.station_id, {year: "failed"})
            continue
        in_a_row = 0
        if fetched.dataset is None:
            store.mark(SOURCE, station.station_id, {year: "absent"})
        else:
            store.merge(fetched.dataset, {year: fetched.state})
    if failures:
        rest = [f"Not tried after that: {', '.join(untried)}."] if untried else []
        raise SourceError(" ".join(failures + rest))
    states = store.states(SOURCE, station.station_id)
    return {year: states[year] for year in wanted}


def _is_due(state: State | None, year: int, now: datetime) -> bool:
    if state == "complete":
        return False
    if state == "absent":
        return year >= now.astimezone(UTC).year - 1
    return True


def _state(dataset: xr.Dataset | None, year: int, now: datetime) -> State:
    """Last year is complete a month after its end, if its last day has come in; older years always are."""
    if dataset is None:
        return "absent"
    age = now.astimezone(UTC) - datetime(year + 1, 1, 1, tzinfo=UTC)
    if age >= timedelta(days=366):
        return "complete"
    reaches_end = dataset["time"].to_numpy()[-1] >= np.datetime64(f"{year}-12-31T00", "ns")
    return "complete" if age >= _SETTLED and reaches_end else "growing"


def _endpoint(endpoint: str | None) -> str:
    address = endpoint or os.environ.get("MS_HOURLY_ENDPOINT")
    if not address:
        from meteostat import config

        address = str(config.hourly_endpoint)
    try:
        filled = address.format(year=2000, station="X")
    except (LookupError, ValueError) as error:
        raise InputError(
            f"Meteostat endpoint {address!r}: only {{year}} and {{station}} are filled in."
        ) from error
    if (
        "{year}" not in address
        or "{station}" not in address
        or not filled.startswith(("http://", "https://"))
    ):
        raise InputError(
            f"Meteostat endpoint {address!r}: wanted a web address that holds {{year}} and {{station}}, such "
            "as https://host/hourly/{year}/{station}.csv.gz."
        )
    return address


@dataclass(frozen=True)
class _Table:
    """The library's answer as arrays, in its units (°C, %, degrees, km/h, hPa)."""

    times: NDArray[np.datetime64]
    columns: dict[str, NDArray[np.float64]]
    providers: dict[str, NDArray[Any]]


def _ask(station: Station, year: int, address: str, timeout_s: float) -> tuple[_Table | None, str]:
    """The year's observations and "", None and "" where there are none, or None and the cause of failure."""
    import meteostat

    with _library(address, timeout_s) as heard:
        place = meteostat.Station(
            id=station.station_id,
            name=station.name,
            country=station.country,
            latitude=station.latitude,
            longitude=station.longitude,
            elevation=round(station.elevation_m),
            timezone=station.timezone,
        )
        parameter = meteostat.Parameter
        try:
            series = meteostat.hourly(
                place,
                datetime(year, 1, 1),
                datetime(year, 12, 31, 23, 59, 59),
                parameters=[
                    parameter.TEMP,
                    parameter.RHUM,
                    parameter.WDIR,
                    parameter.WSPD,
                    parameter.WPGT,
                    parameter.PRES,
                    parameter.COCO,
                ],
            )
            # Its own range checks blank values without a word; ours count them.
            frame = series.fetch(sources=True, clean=False)
            table = None if frame is None else _table(frame)
        except (OSError, ValueError, TypeError, LookupError, AttributeError) as error:
            return None, f"the answer can't be read ({type(error).__name__}: {error})"
    return (None, heard[0]) if heard else (table, "")


def _table(frame: pd.DataFrame) -> _Table:
    columns: dict[str, NDArray[np.float64]] = {}
    providers: dict[str, NDArray[Any]] = {}
    for label in frame.columns:
        name = str(label)
        if name.endswith("_source"):
            providers[name.removesuffix("_source")] = frame[label].to_numpy(dtype=object)
        else:
            columns[name] = frame[label].to_numpy(dtype="float64", na_value=np.nan)
    times = frame.index.get_level_values("time").to_numpy().astype("datetime64[s]")
    return _Table(times, columns, providers)


def _cause(message: str, error: BaseException | None) -> str:
    """What went wrong, in words, from what the library logged and the exception it was handling."""
    if error is None:
        return message
    status = getattr(error, "code", None)
    if status is not None:
        return f"the server answered HTTP {status}"
    reason = getattr(error, "reason", error)
    if isinstance(reason, TimeoutError) or "timed out" in str(reason):
        return "the server did not answer in time"
    return f"the answer can't be read or did not come ({type(reason).__name__}: {reason})"


@contextmanager
def _library(address: str, timeout_s: float) -> Iterator[list[str]]:
    """The library set up for one call, and the faults its logger told; everything is put back afterwards.

    Its settings and the socket timeout belong to the whole process, so calls take turns.
    """
    import meteostat
    import meteostat.providers.meteostat.hourly as provider

    heard: list[str] = []

    class Listener(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            error = sys.exc_info()[1]
            if record.levelno >= logging.WARNING:
                heard.append(_cause(record.getMessage(), error))
            if isinstance(error, urllib.error.HTTPError):
                # The library leaves the connection of a refused request open, a plain 404 too.
                error.close()

    config, logger, listener = meteostat.config, logging.getLogger("meteostat"), Listener(logging.INFO)
    with _library_lock:
        was = (config.cache_enable, config.include_model_data, provider.ENDPOINT)
        level, propagate, timeout = logger.level, logger.propagate, socket.getdefaulttimeout()
        disabled = logger.disabled
        config.cache_enable = False
        config.include_model_data = False
        # The library reads the address once, when this module is first imported.
        provider.ENDPOINT = address
        logger.disabled = False
        logger.setLevel(logging.INFO)
        # What it says is told once, by us.
        logger.propagate = False
        logger.addHandler(listener)
        socket.setdefaulttimeout(timeout_s)
        try:
            yield heard
        finally:
            socket.setdefaulttimeout(timeout)
            logger.removeHandler(listener)
            logger.disabled = disabled
            logger.propagate = propagate
            logger.setLevel(level)
            config.cache_enable, config.include_model_data, provider.ENDPOINT = was


def _station_hours(table: _Table, station: Station, now: datetime, physical_range: bool) -> xr.Dataset | None:
    """The library's answer as station hours; None where no value is left."""
    times, columns, providers = table.times, table.columns, table.providers
    digest = hashlib.sha256(times.tobytes())
    for name in sorted(columns):
        digest.update(name.encode() + columns[name].tobytes())

    rejected: dict[str, int] = {}
    present = np.datetime64(now.astimezone(UTC).replace(tzinfo=None), "s")
    early = times <= present
    if not early.all():
        rejected["in_the_future"] = int((~early).sum())

    nothing = np.full(times.shape, np.nan)
    temperature = columns.get("temp", nothing) + _ZERO_C
    humidity = columns.get("rhum", nothing) / 100.0
    wild = (humidity < 0.0) | (humidity > 1.05)
    if wild.any():
        rejected[OUT_OF_RANGE + "relative_humidity"] = int(wild.sum())
    values = {
        "air_temperature": temperature,
        "dew_point_temperature": dew_point_from_humidity(temperature, np.where(wild, np.nan, humidity)),
        "air_pressure_at_mean_sea_level": columns.get("pres", nothing) * HPA,
        "wind_from_direction": columns.get("wdir", nothing),
        "wind_speed": columns.get("wspd", nothing) * _KMH,
        "wind_speed_of_gust": columns.get("wpgt", nothing) * _KMH,
        "thunder": _thunder(columns.get("coco", nothing), providers.get("coco"), rejected),
    }
    values = {name: array[early] for name, array in values.items() if not np.isnan(array[early]).all()}
    if not values:
        return None
    dataset = station_hours(
        times[early],
        values,
        station_id=station.station_id,
        station_name=station.name or station.station_id,
        source=SOURCE,
        latitude=station.latitude,
        longitude=station.longitude,
        elevation_m=station.elevation_m,
        licence=LICENCE,
        attribution=ATTRIBUTION,
        raw_sha256=digest.hexdigest(),
        rejected=rejected,
        retrieved_at=now.astimezone(UTC).isoformat(timespec="seconds"),
        physical_range=physical_range,
    )
    dataset.attrs["providers"] = json.dumps(_tally(providers), sort_keys=True)
    return dataset


def _thunder(
    code: NDArray[np.float64], provider: NDArray[Any] | None, rejected: dict[str, int]
) -> NDArray[np.float64]:
    """1 where the condition code says thunder, 0 where another code was reported, NaN without a code.

    The library gives a METAR hour a code only when a weather group is there, and none for "-TSRA" or "+TSRA":
    neither the hours without thunder nor all those with it are known, so codes from METARs are left out.
    """
    thunder = np.where(np.isnan(code), np.nan, np.isin(code, THUNDER_CODES).astype("float64"))
    if provider is not None:
        metar = np.fromiter(("metar" in str(name).split() for name in provider), bool, provider.size)
        metar &= ~np.isnan(thunder)
        if metar.any():
            rejected["thunder:metar_codes_show_no_clear_hours"] = int(metar.sum())
            thunder[metar] = np.nan
    return thunder


def _tally(providers: dict[str, NDArray[Any]]) -> dict[str, int]:
    """Values by the upstream provider that the archive names for each."""
    count: dict[str, int] = {}
    for names in providers.values():
        present = np.array([str(name) for name in names if isinstance(name, str)])
        for name, number in zip(*np.unique(present, return_counts=True), strict=True):
            count[str(name)] = count.get(str(name), 0) + int(number)
    return count
