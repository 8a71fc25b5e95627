"""GHCNh: the Global Historical Climatology Network hourly files of NOAA NCEI, read and fetched.

The one open archive with gusts, altimeter setting, station pressure, sky layers and present weather for
stations everywhere. Files are pipe-separated text with a header; columns are found by name whatever their
case or order, so that every generation seen so far reads the same: ``Station_ID`` with ``Year``...``Minute``
and ``sky_cover_1``; ``STATION`` with one ``DATE``; and the wide one with both, ``sky_cover_layer_1``,
``sky_cover_summation_1`` and ``ceiling_height``. Values are SI-like (°C, hPa, m/s, m, km), times UTC.

Reference: GHCNh documentation, NOAA NCEI (``ghcnh_DOCUMENTATION.pdf``); dataset DOI 10.25921/jp3d-3v19.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import string
import zlib
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal

import numpy as np

from pipeline.air.variables import HPA
from pipeline.errors import SourceError
from pipeline.stations.http import Fetcher, Validators
from pipeline.stations.reports import (
    FIRST_YEAR,
    LAST_YEAR,
    ROUTINE,
    SYNOPTIC,
    hourly_values,
    lowest_ceiling,
    numbers,
    report_kind,
    sky_layer,
    thunder_code,
)
from pipeline.stations.years import FetchedYear, fetch_years

if TYPE_CHECKING:
    import xarray as xr
    from numpy.typing import NDArray

    from pipeline.stations.store import Store

__all__ = [
    "ATTRIBUTION",
    "BASE_URL",
    "LICENCE",
    "fetch_ghcnh",
    "fetch_ghcnh_year",
    "read_ghcnh",
    "station_url",
    "year_url",
]

BASE_URL = "https://www.ncei.noaa.gov/oa/global-historical-climatology-network/hourly"
"""Where NOAA NCEI serves the files; every function that fetches takes another base address."""
LICENCE = "U.S. Government work; open data, cite the dataset"
ATTRIBUTION = (
    "NOAA National Centers for Environmental Information, Global Historical Climatology Network hourly "
    "(GHCNh), doi:10.25921/jp3d-3v19. Archived observations, not meant where life or property may be at risk."
)

_KELVIN = 273.15
_BLOCK = 1 << 17
_TOGETHER = 12
_SEGMENT = 8 << 20
_MOST_SEGMENTS = 2
_HEADER_LIMIT = 1 << 17
_SETTLED = timedelta(days=60)
_SOURCE = "ghcnh"

# Archive element, glossary name, factor and offset to SI.
_ELEMENTS: tuple[tuple[str, str, float, float], ...] = (
    ("temperature", "air_temperature", 1.0, _KELVIN),
    ("dew_point_temperature", "dew_point_temperature", 1.0, _KELVIN),
    ("station_level_pressure", "surface_air_pressure", HPA, 0.0),
    ("altimeter", "altimeter_setting", HPA, 0.0),
    ("sea_level_pressure", "air_pressure_at_mean_sea_level", HPA, 0.0),
    ("wind_direction", "wind_from_direction", 1.0, 0.0),
    ("wind_speed", "wind_speed", 1.0, 0.0),
    ("wind_gust", "wind_speed_of_gust", 1.0, 0.0),
    ("visibility", "visibility_in_air", 1000.0, 0.0),
)
_SKY = tuple(
    (f"{stem}_{n}", f"{stem}_baseht_{n}")
    for stem in ("sky_cover", "sky_cover_layer", "sky_cover_summation")
    for n in range(1, 5)
)
_WEATHER = tuple((f"pres_wx_{table}{n}", table) for table in ("MW", "AU", "AW") for n in range(1, 4))
_UNLIMITED_CEILING = 22_000.0

# Quality codes. Digits are the scheme inherited from the Integrated Surface Dataset: 3 and 7 erroneous, 2
# and 6 suspect. In sources 313-348 the letters A, P, I, M, R, U and C mark values that a person or NCEI
# software accepted, edited or put in, and are good. Every other letter names a check of the GHCNh suite that
# the value failed (GHCNh documentation, table 3).
_LEGACY_SOURCES = range(313, 349)


def _marked(characters: str) -> NDArray[np.bool_]:
    table = np.zeros(256, dtype=bool)
    table[[ord(c) for c in characters]] = True
    return table


_WRONG = _marked("37" + string.ascii_letters)
_SUSPECT = _marked("26")
_ACCEPTED = _marked("APIMRUC")


def year_url(station_id: str, year: int, base_url: str = BASE_URL) -> str:
    """Address of one station's file for one UTC year."""
    return f"{base_url.rstrip('/')}/access/by-year/{year:04d}/psv/GHCNh_{_checked(station_id)}_{year:04d}.psv"


def station_url(station_id: str, base_url: str = BASE_URL) -> str:
    """Address of one station's whole record."""
    return f"{base_url.rstrip('/')}/access/by-station/GHCNh_{_checked(station_id)}_por.psv"


def fetch_ghcnh_year(
    station_id: str,
    year: int,
    *,
    fetcher: Fetcher,
    folder: Path,
    now: datetime,
    base_url: str = BASE_URL,
    validators: Validators | None = None,
    keep_suspect: bool = True,
    honour_quality_codes: bool = True,
    physical_range: bool = True,
) -> FetchedYear:
    """Fetch and read one station-year.

    Parameters
    ----------
    station_id : str
        GHCNh identifier, eleven characters (``USW00014939``).
    year : int
        UTC year.
    fetcher : Fetcher
        Carries the manners (rate, retries, time limits); :mod:`pipeline.stations.http`.
    folder : Path
        Where a part-fetched file waits to be resumed; the whole file is removed once read.
    now : datetime
        Aware. Until sixty days after its end a year is taken to be growing.
    base_url : str
        Another copy of the archive.
    validators : Validators, optional
        Of the copy already held. Give them only when its hours are in hand: an unchanged file brings none.
    keep_suspect, honour_quality_codes, physical_range : bool
        See :func:`read_ghcnh`.

    Returns
    -------
    FetchedYear
        A fault of the network or the file is the state ``failed`` with its cause, not an exception: other
        years of the same night go on.
    """
    url = year_url(station_id, year, base_url)
    path = _file_place(folder, station_id, year)
    got = fetcher.download(url, path, validators=validators)
    if got.state != "new":
        return FetchedYear(station_id, year, got.state, cause=got.cause, validators=got.validators)
    try:
        hours = read_ghcnh(
            path,
            station_id=station_id,
            keep_suspect=keep_suspect,
            honour_quality_codes=honour_quality_codes,
            physical_range=physical_range,
        )
    except SourceError as error:
        return FetchedYear(station_id, year, "failed", cause=str(error))
    finally:
        path.unlink(missing_ok=True)
    state: Literal["complete", "growing"] = "complete" if _settled(year, now) else "growing"
    return FetchedYear(station_id, year, state, hours=hours, validators=got.validators)


def _settled(year: int, now: datetime) -> bool:
    """Whether a year is so long over that its file will not grow any more."""
    return now.astimezone(UTC) - datetime(year + 1, 1, 1, tzinfo=UTC) >= _SETTLED


def fetch_ghcnh(
    station_id: str,
    years: Iterable[int],
    store: Store,
    *,
    fetcher: Fetcher,
    now: datetime,
    base_url: str = BASE_URL,
    keep_suspect: bool = True,
    honour_quality_codes: bool = True,
    physical_range: bool = True,
    refresh: bool = False,
) -> dict[int, FetchedYear]:
    """Bring the store up to date as :func:`pipeline.stations.years.fetch_years` does.

    Parameters
    ----------
    station_id : str
    years : iterable of int
        UTC years. A local 31 December may need the next one.
    store : Store
    fetcher : Fetcher
    now : datetime
        Aware.
    base_url, keep_suspect, honour_quality_codes, physical_range
        As for :func:`fetch_ghcnh_year`.
    refresh : bool
        Ask for every year anew, unconditionally: after a change of ``keep_suspect``, for one.

    Returns
    -------
    dict of int to FetchedYear
        The years that were due, without their hours, with state and cause.

    Raises
    ------
    SourceError
        Another run is fetching the station and does not end.
    StoreError
        The store is damaged or can't be written.
    """
    folder = store.root / _SOURCE

    def fetch_year(year: int, validators: Validators | None) -> FetchedYear:
        return fetch_ghcnh_year(
            station_id,
            year,
            fetcher=fetcher,
            folder=folder,
            now=now,
            base_url=base_url,
            validators=validators,
            keep_suspect=keep_suspect,
            honour_quality_codes=honour_quality_codes,
            physical_range=physical_range,
        )

    return fetch_years(
        _SOURCE,
        station_id,
        years,
        store,
        now=now,
        refresh=refresh,
        place=lambda year: _file_place(folder, station_id, year),
        settled=lambda year: _settled(year, now),
        fetch_year=fetch_year,
    )


def _file_place(folder: Path, station_id: str, year: int) -> Path:
    """Where a year's file is put while it is fetched."""
    return folder / f"GHCNh_{_checked(station_id)}_{year:04d}.psv"


def read_ghcnh(
    source: Path | str | bytes | Sequence[Path | str | bytes],
    *,
    station_id: str | None = None,
    station_name: str | None = None,
    latitude: float | None = None,
    longitude: float | None = None,
    elevation_m: float | None = None,
    keep_suspect: bool = True,
    honour_quality_codes: bool = True,
    retrieved_at: str | None = None,
    physical_range: bool = True,
) -> xr.Dataset:
    """Read GHCNh files into station hours.

    One report an hour stands for each group of variables by the rule of
    :func:`pipeline.stations.reports.hourly_values`. A wind direction of 999 with a wind becomes NaN
    (variable); with a calm, 0. The ceiling is the lowest broken, overcast or vertical-visibility layer
    reported, inf where the sky was observed and none is, NaN where it was not observed. Thunder is 1 where a
    present-weather code of the hour speaks of it; 0 where one does not, and also where an aviation report
    has no weather group at a station that reports weather in that year and does not say ``TSNO`` (its
    lightning sensor out of order); otherwise NaN.

    Parameters
    ----------
    source : Path, str, bytes, or a sequence of them
        Files, plain or gzip; bytes are the contents of one. Several (yearly files) make one record.
    station_id : str, optional
        Which station is expected; a file of another is refused.
    station_name, latitude, longitude, elevation_m : optional
        Stand in place of the file's own (its last report's).
    keep_suspect : bool
        Keep values that the archive marks suspect but not wrong. True by default: extremes attract that
        mark, and losing hot hours would make a field look cooler than it is.
    honour_quality_codes : bool
        False keeps everything the archive marks as wrong, too.
    retrieved_at : str, optional
        ISO 8601 UTC.
    physical_range : bool
        See :func:`pipeline.stations.hours.station_hours`.

    Returns
    -------
    xarray.Dataset
        Station hours (:mod:`pipeline.stations.hours`), with the variables that hold any value. The
        ``counts`` attribute names what was rejected: ``archive_flagged:<variable>``,
        ``archive_suspect:<variable>`` (when not kept), ``unreadable:<variable>``, ``unreadable_time``,
        ``malformed_line``, ``other_report_in_hour``.

    Raises
    ------
    SourceError
        Not such a file (with what it looks like instead), damaged gzip, no station or no readable report,
        another station than the one expected, or a position that is missing from the file and not given.
    """
    from pipeline.stations.hours import station_hours

    sources = [source] if isinstance(source, (str, bytes, Path)) else list(source)
    if not sources:
        raise SourceError("No GHCNh file was given. Name at least one.")
    gathered = _Gathered(keep_suspect=keep_suspect, honour=honour_quality_codes)
    digest = hashlib.sha256()
    for item in sources:
        _read_one(item, gathered, digest)
    seconds = gathered.column("seconds").astype("int64")
    name = gathered.place
    if seconds.size == 0:
        raise SourceError(f"{name} holds no readable report. Is it a whole GHCNh station file?")
    if len(gathered.stations) != 1:
        listed = ", ".join(sorted(gathered.stations)) or "none"
        raise SourceError(f"{name} must hold one station; it holds {listed}. Give one station's files.")
    (found,) = gathered.stations
    if station_id is not None and found != station_id:
        raise SourceError(
            f"{name} is of station {found}, not of {station_id}. Give the right station's file."
        )

    values = {
        variable: gathered.column(variable).astype("float64")
        for _, variable, _, _ in _ELEMENTS
        if variable in gathered.chunks
    }
    if "cloud_base_height" in gathered.chunks:
        values["cloud_base_height"] = gathered.column("cloud_base_height").astype("float64")
    values = {key: array for key, array in values.items() if not np.isnan(array).all()}
    kind = gathered.column("kind").astype("int64")
    thunder = _thunder(seconds, kind, gathered)
    hour, by_hour, spare = hourly_values(seconds, kind, values, thunder=thunder)
    if spare:
        gathered.reject("other_report_in_hour", spare)
    return station_hours(
        (hour * 3600).astype("datetime64[s]"),
        by_hour,
        station_id=found,
        station_name=station_name or gathered.station_name or found,
        source=_SOURCE,
        latitude=_place(latitude, gathered.latitude, "latitude", name),
        longitude=_place(longitude, gathered.longitude, "longitude", name),
        elevation_m=_place(elevation_m, gathered.elevation, "elevation_m", name),
        licence=LICENCE,
        attribution=ATTRIBUTION,
        raw_sha256=digest.hexdigest(),
        rejected=gathered.rejected,
        retrieved_at=retrieved_at,
        physical_range=physical_range,
    )


@dataclass
class _Gathered:
    """What has been read so far, block by block."""

    keep_suspect: bool
    honour: bool
    place: str = "the file"
    chunks: dict[str, list[NDArray[Any]]] = field(default_factory=dict)
    rejected: dict[str, int] = field(default_factory=dict)
    stations: set[str] = field(default_factory=set)
    station_name: str | None = None
    latitude: float = np.nan
    longitude: float = np.nan
    elevation: float = np.nan

    def reject(self, reason: str, count: int) -> None:
        if count:
            self.rejected[reason] = self.rejected.get(reason, 0) + int(count)

    def merge(self, later: _Gathered) -> None:
        """Take over what a later segment has gathered."""
        for name, arrays in later.chunks.items():
            self.chunks.setdefault(name, []).extend(arrays)
        for reason, count in later.rejected.items():
            self.reject(reason, count)
        self.stations |= later.stations
        self.station_name = later.station_name or self.station_name
        for name in ("latitude", "longitude", "elevation"):
            if not np.isnan(getattr(later, name)):
                setattr(self, name, getattr(later, name))

    def add(self, name: str, array: NDArray[Any]) -> None:
        self.chunks.setdefault(name, []).append(array)

    def column(self, name: str) -> NDArray[Any]:
        parts = self.chunks.get(name)
        return np.concatenate(parts) if parts else np.zeros(0)


class _Block:
    """One block of rows: undecoded cells by lower-case column name."""

    def __init__(self, batches: list[Any], names: dict[str, str]) -> None:
        import pyarrow as pa

        table = pa.Table.from_batches(batches).combine_chunks()
        self._columns = {
            name: table.column(original).chunk(0) for name, original in names.items() if table.num_rows
        }
        self.rows = int(table.num_rows)

    def __contains__(self, name: str) -> bool:
        return name in self._columns

    def _bytes(self, name: str) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        """Offsets and characters of a column."""
        column = self._columns[name]
        _, offsets, data = column.buffers()
        starts = np.frombuffer(offsets, dtype="int32")[column.offset : column.offset + self.rows + 1]
        text = np.frombuffer(data, dtype="uint8") if data is not None else np.zeros(0, dtype="uint8")
        return starts, text

    def empty(self, name: str) -> bool:
        """Whether a column is missing or holds nothing."""
        if name not in self._columns:
            return True
        starts, _ = self._bytes(name)
        return bool(starts[0] == starts[-1])

    def marks(self, name: str) -> NDArray[np.uint8]:
        """First character of every cell, 0 for an empty one."""
        starts, text = self._bytes(name)
        first = np.zeros(self.rows, dtype="uint8")
        filled = starts[1:] > starts[:-1]
        first[filled] = text[starts[:-1][filled]]
        return first

    def last(self, name: str) -> bytes:
        """The last row's cell."""
        cell: bytes = self._columns[name][-1].as_py()
        return cell

    def cells(self, name: str) -> tuple[list[bytes], NDArray[np.int32]]:
        """Distinct cells of a column, and which one each row holds."""
        column = self._columns[name].dictionary_encode()
        return column.dictionary.to_pylist(), column.indices.to_numpy(zero_copy_only=False)

    def numbers(self, name: str, sentinel: float = 9999.0) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Numbers of a column and where a cell is unreadable; :func:`reports.numbers`."""
        if self.empty(name):
            return np.full(self.rows, np.nan), np.zeros(self.rows, dtype=bool)
        texts, codes = self.cells(name)
        values, unreadable = numbers(texts, sentinel=sentinel)
        return values[codes], unreadable[codes]

    def contains(self, name: str, needle: str) -> NDArray[np.bool_]:
        """Rows whose cell holds these characters."""
        import pyarrow.compute as pc

        found = pc.match_substring(self._columns[name], needle)
        holds: NDArray[np.bool_] = found.to_numpy(zero_copy_only=False)
        return holds


def _read_one(source: Path | str | bytes, gathered: _Gathered, digest: Any) -> None:
    import pyarrow as pa

    gathered.place = place = "the file" if isinstance(source, bytes) else str(source)
    try:
        with _opened(source) as raw:
            packed = raw.read(2) == b"\x1f\x8b"
            raw.seek(0)
            with gzip.open(raw) if packed else nullcontext(raw) as stream:
                header = stream.readline(_HEADER_LIMIT)
            columns, names = _header(header, place)
            cuts = [len(header), -1] if packed else _cuts(raw, len(header))
            # Tokenising some fifty million cells is most of the work and runs outside the interpreter lock,
            # so that segments of a large file are read side by side.
            parts = [_Gathered(gathered.keep_suspect, gathered.honour) for _ in cuts[1:]]
            whole = pa.BufferReader(source) if isinstance(source, bytes) else pa.OSFile(str(source))
            with ThreadPoolExecutor(len(parts)) as pool:
                jobs = [
                    pool.submit(_read_segment, whole, first, last, packed, columns, names, part)
                    for first, last, part in zip(cuts, cuts[1:], parts, strict=False)
                ]
                raw.seek(0)
                while block := raw.read(_BLOCK):
                    digest.update(block)
                for job, part in zip(jobs, parts, strict=True):
                    job.result()
                    gathered.merge(part)
    except pa.ArrowInvalid as error:
        raise SourceError(f"{place} cannot be read as a GHCNh file: {error}.") from error
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise _damaged(place, error) from error
    except OSError as error:
        if error.errno is None:
            raise _damaged(place, error) from error
        raise SourceError(f"{place} cannot be read: {error.strerror or error}.") from error


def _read_segment(
    whole: Any,
    first: int,
    last: int,
    packed: bool,
    columns: list[str],
    names: dict[str, str],
    gathered: _Gathered,
) -> None:
    import pyarrow as pa

    if last == first:
        return
    try:
        attempt = _Gathered(gathered.keep_suspect, gathered.honour)
        _parse(_segment(whole, first, last, packed), columns, names, attempt)
    except pa.ArrowInvalid:
        # A line with too few or too many cells stops the parser: read the segment again without such lines.
        attempt = _Gathered(gathered.keep_suspect, gathered.honour)
        whole_lines = _WholeLines(_segment(whole, first, last, packed), len(columns) - 1)
        _parse(pa.PythonFile(whole_lines, "r"), columns, names, attempt)
        attempt.reject("malformed_line", whole_lines.dropped)
    gathered.merge(attempt)


def _segment(whole: Any, first: int, last: int, packed: bool) -> Any:
    """A stream of a file's lines from one offset to another; of a packed file, of all after the header."""
    import pyarrow as pa

    if not packed:
        return whole.get_stream(first, last - first)
    whole.seek(0)
    stream = pa.CompressedInputStream(whole, "gzip")
    stream.read(first)
    return stream


def _parse(stream: Any, columns: list[str], names: dict[str, str], gathered: _Gathered) -> None:
    import pyarrow as pa
    import pyarrow.csv

    wanted = _wanted(names)
    types = {original: pa.binary() for original in wanted.values()}
    reader = pyarrow.csv.open_csv(
        stream,
        read_options=pyarrow.csv.ReadOptions(column_names=columns, block_size=_BLOCK, use_threads=False),
        parse_options=pyarrow.csv.ParseOptions(delimiter="|", quote_char=False),
        convert_options=pyarrow.csv.ConvertOptions(
            include_columns=list(types), column_types=types, strings_can_be_null=False
        ),
    )
    # Small blocks keep the parser's read-ahead small; several are taken together, as each costs some
    # milliseconds of Python whatever its size.
    waiting: list[Any] = []
    for batch in reader:
        waiting.append(batch)
        if len(waiting) == _TOGETHER:
            _gather(_Block(waiting, wanted), gathered)
            waiting = []
    if waiting:
        _gather(_Block(waiting, wanted), gathered)


class _WholeLines(io.RawIOBase):
    """A stream's lines that have the right number of cells, with a count of the others."""

    def __init__(self, stream: Any, bars: int) -> None:
        self._stream = stream
        self._bars = bars
        self._rest = b""
        self.dropped = 0

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        """Some lines; nothing at the end."""
        while True:
            block = self._stream.read(_BLOCK)
            lines = (self._rest + block).replace(b"\r", b"\n").split(b"\n")
            self._rest = lines.pop() if block else b""
            good = [line for line in lines if line.count(b"|") == self._bars]
            self.dropped += sum(1 for line in lines if line) - len(good)
            if good:
                return b"\n".join(good) + b"\n"
            if not block:
                return b""


def _cuts(raw: IO[bytes], start: int) -> list[int]:
    """Byte offsets of line beginnings that part a file into segments worth a thread each."""
    size = raw.seek(0, io.SEEK_END)
    count = min(os.cpu_count() or 1, _MOST_SEGMENTS, 1 + size // _SEGMENT)
    cuts = [start]
    for n in range(1, count):
        raw.seek(max(start, size * n // count))
        raw.readline()
        cuts.append(raw.tell())
    return [*cuts, max(size, start)]


def _damaged(place: str, error: Exception) -> SourceError:
    return SourceError(f"{place} is damaged gzip ({error}). Fetch or copy the file again.")


def _gather(block: _Block, gathered: _Gathered) -> None:
    if not block.rows:
        return
    seconds, readable = _times(block)
    gathered.reject("unreadable_time", int((~readable).sum()))
    _identify(block, gathered)
    keep = slice(None) if readable.all() else readable
    gathered.add("seconds", seconds[keep])
    gathered.add("kind", _kinds(block)[keep].astype("int8"))

    values: dict[str, NDArray[np.float64]] = {}
    for element, variable, factor, offset in _ELEMENTS:
        raw, unreadable = block.numbers(element)
        if element == "wind_direction":
            if unreadable.any():
                texts, codes = block.cells(element)
                unreadable &= ~np.array([t.strip().upper() == b"VRB" for t in texts], dtype=bool)[codes]
            raw[raw == 999.0] = np.nan
        gathered.reject(f"unreadable:{variable}", int(unreadable.sum()))
        _flags(block, element, variable, raw, gathered)
        values[variable] = raw * factor + offset
    _calm(block, values)
    for variable, array in values.items():
        gathered.add(variable, array[keep].astype("float32"))

    gathered.add("cloud_base_height", _ceiling(block, gathered)[keep].astype("float32"))
    gathered.add("weather", _weather(block)[keep].astype("float32"))
    no_sensor = np.zeros(block.rows, dtype=bool)
    for name in ("rem", "remarks"):
        if name in block:
            no_sensor |= block.contains(name, "TSNO")
    gathered.add("no_sensor", no_sensor[keep])


def _calm(block: _Block, values: dict[str, NDArray[np.float64]]) -> None:
    """A calm is speed 0 from direction 0, whichever of the two the archive left out."""
    speed, direction = values["wind_speed"], values["wind_from_direction"]
    if "wind_direction_measurement_code" in block:
        mark = block.marks("wind_direction_measurement_code")
        speed[((mark == ord("C")) | (mark == ord("c"))) & np.isnan(speed)] = 0.0
    direction[speed == 0.0] = 0.0


def _flags(block: _Block, element: str, variable: str, raw: NDArray[np.float64], gathered: _Gathered) -> None:
    """Blank the values that the archive marks as wrong, counting them."""
    if not gathered.honour or block.empty(f"{element}_quality_code"):
        return
    # Some generations spell the code out, as "3-Erroneous"; the first character is the code.
    mark = block.marks(f"{element}_quality_code")
    held = ~np.isnan(raw)
    wrong = held & _WRONG[mark]
    if wrong.any() and not block.empty(f"{element}_source_code"):
        origin, _ = block.numbers(f"{element}_source_code")
        inherited = (origin >= _LEGACY_SOURCES.start) & (origin < _LEGACY_SOURCES.stop)
        wrong &= ~(inherited & _ACCEPTED[mark])
    gathered.reject(f"archive_flagged:{variable}", int(wrong.sum()))
    raw[wrong] = np.nan
    if not gathered.keep_suspect:
        doubtful = held & _SUSPECT[mark]
        gathered.reject(f"archive_suspect:{variable}", int(doubtful.sum()))
        raw[doubtful] = np.nan


def _ceiling(block: _Block, gathered: _Gathered) -> NDArray[np.float64]:
    covers: list[NDArray[np.float64]] = []
    bases: list[NDArray[np.float64]] = []
    for cover, base in _SKY:
        if block.empty(cover):
            continue
        texts, codes = block.cells(cover)
        amount = np.array([sky_layer(text) for text in texts])[codes]
        height, _ = block.numbers(base, sentinel=20_000.0)
        _flags(block, base, "cloud_base_height", height, gathered)
        covers.append(amount)
        bases.append(height)
    ceiling = lowest_ceiling(covers, bases) if covers else np.full(block.rows, np.nan)
    if not block.empty("ceiling_height"):
        stated, _ = block.numbers("ceiling_height", sentinel=99_999.0)
        _flags(block, "ceiling_height", "cloud_base_height", stated, gathered)
        stated[stated >= _UNLIMITED_CEILING] = np.inf
        ceiling = np.where(np.isnan(ceiling), stated, ceiling)
    return ceiling


def _weather(block: _Block) -> NDArray[np.float64]:
    """Thunder by present-weather codes: 1, 0, or NaN where there is no code."""
    said = np.full(block.rows, np.nan)
    for name, table in _WEATHER:
        if block.empty(name.lower()):
            continue
        texts, codes = block.cells(name.lower())
        thunder = np.array([thunder_code(text, table) for text in texts])[codes]
        said = np.fmax(said, thunder)
    return said


def _thunder(
    seconds: NDArray[np.int64], kind: NDArray[np.int64], gathered: _Gathered
) -> NDArray[np.float64] | None:
    said = gathered.column("weather").astype("float64")
    if np.isnan(said).all():
        return None
    year = seconds.astype("datetime64[s]").astype("datetime64[Y]").astype("int64")
    aviation = kind != SYNOPTIC
    reporting = np.unique(year[aviation & ~np.isnan(said)])
    silent = aviation & np.isnan(said) & np.isin(year, reporting)
    said[silent & ~gathered.column("no_sensor").astype(bool)] = 0.0
    return said


def _kinds(block: _Block) -> NDArray[np.int64]:
    kind = np.full(block.rows, ROUTINE, dtype="int64")
    for element in ("wind_speed", "temperature"):
        name = f"{element}_report_type"
        if block.empty(name):
            continue
        texts, codes = block.cells(name)
        kinds = np.array([report_kind(t) if t.strip() else -1 for t in texts], dtype="int64")[codes]
        kind = np.where(kinds >= 0, kinds, kind)
    return kind


def _times(block: _Block) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Seconds since 1970 UTC, and which rows have a date that exists."""
    if all(part in block for part in ("year", "month", "day", "hour", "minute")):
        parts = [block.numbers(p)[0] for p in ("year", "month", "day", "hour", "minute")]
    else:
        texts, codes = block.cells("date")
        parts = [column[codes] for column in _date_parts(texts)]
    known = ~np.isnan(np.array(parts)).any(axis=0)
    year, month, day, hour, minute = (np.where(known, part, 1.0).astype("int64") for part in parts)
    known &= (
        (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    )
    known &= (hour >= 0) & (hour <= 23) & (minute >= 0) & (minute <= 59)
    months = np.where(known, (year - 1970) * 12 + month - 1, 0).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + np.where(known, day - 1, 0)
    known &= days.astype("datetime64[M]") == months
    seconds = days.astype("datetime64[s]").astype("int64") + hour * 3600 + minute * 60
    return seconds, known


def _date_parts(texts: list[bytes]) -> list[NDArray[np.float64]]:
    """Year, month, day, hour and minute of ``2025-07-01T12:00:00`` and its shorter and spaced forms."""
    width = 16
    table = np.frombuffer(b"".join(t[:width].ljust(width) for t in texts), dtype="uint8")
    digits = table.reshape(-1, width).astype("int64") - ord("0")
    wild = (digits < 0) | (digits > 9)
    parts: list[NDArray[np.float64]] = []
    for columns in ((0, 1, 2, 3), (5, 6), (8, 9), (11, 12), (14, 15)):
        number = np.zeros(digits.shape[0])
        for column in columns:
            number = number * 10 + digits[:, column]
        number[wild[:, list(columns)].any(axis=1)] = np.nan
        parts.append(number)
    return parts


def _identify(block: _Block, gathered: _Gathered) -> None:
    for name in ("station_id", "station"):
        if name in block:
            texts, _ = block.cells(name)
            gathered.stations |= {t.decode("utf-8", "replace").strip() for t in texts if t.strip()}
            break
    if "station_name" in block:
        gathered.station_name = block.last("station_name").decode("utf-8", "replace").strip() or None
    # A missing elevation is -999.9, and 8191 or 9999 stands for a ship or an unknown one.
    for name, low, high in (("latitude", -90, 90), ("longitude", -180, 180), ("elevation", -500, 8190)):
        if name in block:
            value = float(numbers([block.last(name)])[0][0])
            if low <= value <= high:
                setattr(gathered, name, value)


def _header(line: bytes, place: str) -> tuple[list[str], dict[str, str]]:
    """Column names in order, and by lower-case name."""
    text = line.decode("utf-8", "replace").lstrip("\ufeff").rstrip("\r\n")
    head = text.lstrip().lower()
    if head.startswith(("<!doctype", "<html", "<?xml")):
        raise SourceError(f"{place} is a web page, not a GHCNh file. Fetch the file again, or later.")
    columns = text.split("|")
    names: dict[str, str] = {}
    for column in columns:
        names.setdefault(column.strip().lower(), column)
    has_time = "date" in names or all(p in names for p in ("year", "month", "day", "hour", "minute"))
    if not has_time or not ("station_id" in names or "station" in names):
        shown = text[:60].encode("unicode_escape").decode()
        raise SourceError(
            f"{place} does not begin with a GHCNh header (station, date and elements between |); it begins "
            f"with {shown!r}. Give a GHCNh .psv file, plain or gzip."
        )
    if len(set(columns)) != len(columns):
        raise SourceError(f"{place} names a column twice in its header. Fetch the file again.")
    return columns, names


def _wanted(names: dict[str, str]) -> dict[str, str]:
    wanted = [
        "station_id", "station", "station_name", "latitude", "longitude", "elevation",
        "year", "month", "day", "hour", "minute",
        "wind_direction_measurement_code", "wind_speed_report_type", "temperature_report_type",
    ]  # fmt: skip
    if not all(part in names for part in ("year", "month", "day", "hour", "minute")):
        wanted.append("date")
    for element in [e for e, *_ in _ELEMENTS] + ["ceiling_height"]:
        wanted += [element, f"{element}_quality_code", f"{element}_source_code"]
    for cover, base in _SKY:
        wanted += [cover, base, f"{base}_quality_code"]
    wanted += [name.lower() for name, _ in _WEATHER] + ["rem", "remarks"]
    return {name: names[name] for name in wanted if name in names}


def _opened(source: Path | str | bytes) -> IO[bytes]:
    return io.BytesIO(source) if isinstance(source, bytes) else Path(source).open("rb")


def _place(given: float | None, found: float, name: str, place: str) -> float:
    value = found if given is None else given
    if np.isnan(value):
        raise SourceError(f"{place} does not state the station's {name}. Give it beside the file.")
    return float(value)


def _checked(station_id: str) -> str:
    if not station_id.replace("-", "").replace("_", "").isalnum() or not station_id.isascii():
        raise SourceError(
            f"{station_id!r} is not a GHCNh station identifier (letters, digits, - and _, as USW00014939)."
        )
    return station_id
