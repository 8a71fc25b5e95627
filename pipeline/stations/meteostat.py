"""Station hours from Meteostat's bulk archive: fetched as every archive is, read by the meteostat library.

The library can fetch its files itself, but without a retry, a conditional request or a word to its
caller about what failed. So a year's bulk file is fetched to disk first, whole, and the library is pointed at
that: merging sources and leaving out forecast and model values (only observations make a climatology) are its
work, and its logger is listened to, since a warning there is all it says of a file that it cannot read.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import re
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.air.variables import HPA
from pipeline.errors import InputError, SourceError
from pipeline.stations.hours import OUT_OF_RANGE, dew_point_from_humidity, station_hours
from pipeline.stations.http import Fetcher, Validators
from pipeline.stations.years import FetchedYear, fetch_years

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from numpy.typing import NDArray

    from pipeline.stations.store import Store

__all__ = ["ATTRIBUTION", "LICENCE", "SOURCE", "Station", "fetch", "fetch_station_year"]

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
_SETTLED = timedelta(days=31)
_FAULTS = (OSError, ValueError, TypeError, LookupError, AttributeError, ArithmeticError)
"""What the library raises over contents that its reader let pass, such as an infinite humidity."""
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


def fetch_station_year(
    station: Station,
    year: int,
    *,
    fetcher: Fetcher,
    folder: Path,
    now: datetime,
    endpoint: str | None = None,
    validators: Validators | None = None,
    physical_range: bool = True,
) -> FetchedYear:
    """Fetch and read one UTC year of one station's observations.

    Parameters
    ----------
    station : Station
    year : int
    fetcher : Fetcher
        Carries the manners (rate, retries, time limits); :mod:`pipeline.stations.http`.
    folder : Path
        Where a part-fetched file waits to be resumed; the whole file is removed once read.
    now : datetime
        Aware. Hours after it are left out.
    endpoint : str, optional
        Address with ``{year}`` and ``{station}``; else ``MS_HOURLY_ENDPOINT``, else the library's own.
    validators : Validators, optional
        Of the copy already held. Give them only when its hours are in hand: an unchanged file brings none.
    physical_range : bool
        See :func:`pipeline.stations.hours.station_hours`.

    Returns
    -------
    FetchedYear
        A fault of the network or the file is the state ``failed`` with its cause, not an exception: other
        years of the same night go on. Wind speeds come from tenths of km/h: 10 kt reads 9.99.

    Raises
    ------
    InputError
        The endpoint lacks ``{year}`` or ``{station}`` or is no web address, or the station identifier is not
        letters and digits.
    StoreError
        The folder cannot be written.
    """
    path = _place(folder, station, year)
    url = _endpoint(endpoint).format(year=year, station=station.station_id)
    got = fetcher.download(url, path, validators=validators)
    if got.state != "new":
        cause = f"{got.cause} at {url}" if got.state == "failed" else got.cause
        return FetchedYear(station.station_id, year, got.state, cause=cause, validators=got.validators)
    try:
        table = _read(station, year, path)
        hours = None if table is None else _station_hours(table, station, now, physical_range)
    except SourceError as error:
        return FetchedYear(station.station_id, year, "failed", cause=f"{error} at {url}")
    finally:
        path.unlink(missing_ok=True)
    if hours is None:
        return FetchedYear(station.station_id, year, "absent", cause="the file holds no observations")
    settled = _settled(hours, year, now)
    return FetchedYear(
        station.station_id,
        year,
        "complete" if settled else "growing",
        hours=hours,
        validators=got.validators,
    )


def fetch(
    station: Station,
    years: Iterable[int],
    store: Store,
    *,
    fetcher: Fetcher,
    now: datetime,
    endpoint: str | None = None,
    refresh: bool = False,
    physical_range: bool = True,
) -> dict[int, FetchedYear]:
    """Bring the store up to date as :func:`pipeline.stations.years.fetch_years` does.

    Parameters
    ----------
    station : Station
    years : iterable of int
        UTC years. A local 31 December may need the next one.
    store : Store
    fetcher : Fetcher
    now : datetime
        Aware.
    endpoint, physical_range
        As for :func:`fetch_station_year`.
    refresh : bool
        Ask for every year anew.

    Returns
    -------
    dict of int to FetchedYear
        The years that were due, without their hours, with state and cause.

    Raises
    ------
    InputError
        As for :func:`fetch_station_year`.
    SourceError
        Another run is fetching the station and does not end.
    StoreError
        The store is damaged or can't be written.
    """
    folder = store.root / SOURCE

    def settled(year: int) -> bool:
        start, end = (np.datetime64(f"{year}-{day}", "s") for day in ("01-01T00", "12-31T23"))
        held = store.read(SOURCE, station.station_id, ("air_temperature",), start, end)
        return _settled(held, year, now)

    def fetch_year(year: int, validators: Validators | None) -> FetchedYear:
        return fetch_station_year(
            station,
            year,
            fetcher=fetcher,
            folder=folder,
            now=now,
            endpoint=endpoint,
            validators=validators,
            physical_range=physical_range,
        )

    return fetch_years(
        SOURCE,
        station.station_id,
        years,
        store,
        now=now,
        refresh=refresh,
        place=lambda year: _place(folder, station, year),
        settled=settled,
        fetch_year=fetch_year,
    )


def _place(folder: Path, station: Station, year: int) -> Path:
    """Where a year's file is put while it is fetched."""
    if not re.fullmatch(r"[A-Za-z0-9]+", station.station_id):
        raise InputError(
            f"Meteostat station {station.station_id!r}: its identifiers are letters and digits, such as "
            "10637."
        )
    return folder / f"{station.station_id}_{year:04d}.csv.gz"


def _settled(hours: xr.Dataset, year: int, now: datetime) -> bool:
    """Whether a year's file will not change any more.

    Last year's a month after its end, if its last day has come in; older years' always.
    """
    age = now.astimezone(UTC) - datetime(year + 1, 1, 1, tzinfo=UTC)
    if age >= timedelta(days=366):
        return True
    reaches_end = hours["time"].to_numpy()[-1] >= np.datetime64(f"{year}-12-31T00", "ns")
    return bool(age >= _SETTLED and reaches_end)


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


def _read(station: Station, year: int, path: Path) -> _Table | None:
    """The file's observations as the library reads it; None where there are none.

    Raises
    ------
    SourceError
        The library cannot read the file.
    """
    import meteostat

    with _library(path) as heard:
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
        except _FAULTS as error:
            raise SourceError(_cause(error)) from error
    if heard:
        raise SourceError(heard[0])
    return table


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


def _cause(error: BaseException) -> str:
    """A fault of reading in one line."""
    return f"the file can't be read ({type(error).__name__}: {' '.join(str(error).split())})"


@contextmanager
def _library(path: Path) -> Iterator[list[str]]:
    """The library set up to read one file, and the faults its logger told; all is put back afterwards.

    Its settings belong to the whole process, so calls take turns.
    """
    import meteostat
    import meteostat.providers.meteostat.hourly as provider

    heard: list[str] = []

    class Listener(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            error = sys.exc_info()[1]
            heard.append(record.getMessage() if error is None else _cause(error))

    config, logger, listener = meteostat.config, logging.getLogger("meteostat"), Listener(logging.WARNING)
    with _library_lock:
        was = (config.cache_enable, config.include_model_data, provider.ENDPOINT)
        level, propagate, disabled = logger.level, logger.propagate, logger.disabled
        config.cache_enable = False
        config.include_model_data = False
        # The library reads the address once, when this module is first imported, and fills its braces.
        provider.ENDPOINT = str(path).replace("{", "{{").replace("}", "}}")
        logger.disabled = False
        logger.setLevel(logging.WARNING)
        # What it says is told once, by us.
        logger.propagate = False
        logger.addHandler(listener)
        try:
            yield heard
        finally:
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
