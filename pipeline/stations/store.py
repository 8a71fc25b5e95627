"""The store of station hours: the only reader and writer of the cache folder's ``stations`` part.

One netCDF file a station. A write is whole or absent: read, merge and write happen under the station's file
lock; the new file is built in memory, written beside the old one, synced, and renamed over it. HDF5 does not
notice a flipped bit, so every array carries a SHA-256 that is checked whenever the array is read.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from pipeline.air.variables import STATION_VARIABLES
from pipeline.errors import DamagedError, StoreError
from pipeline.netcdf import NETCDF
from pipeline.stations.hours import check_station_hours, variable_attributes

if TYPE_CHECKING:
    import netCDF4
    import xarray as xr
    from numpy.typing import NDArray

__all__ = ["State", "Store", "Stored", "cache_root"]

State = Literal["complete", "growing", "absent", "failed"]
"""A station-year: all there; more may come; the source has no file; the last try failed."""
_WITH_HOURS = ("complete", "growing")

_LOCK_WAIT_S = 120.0
_HOUR_NS = 3_600_000_000_000
_CURE = "Run `showhour fetch`: it puts that file aside and has the station fetched again."
_DAMAGE = (OSError, RuntimeError, ValueError, KeyError, AttributeError, IndexError, MemoryError)
"""What the netCDF library and the parsing after it raise on a damaged file."""


def cache_root() -> Path:
    """Folder for everything fetched or computed.

    ``SHOWHOUR_CACHE`` where it is set; else ``cache/`` of the checkout that this code runs from, where it is
    writable; else the user's cache folder.

    Returns
    -------
    Path
        It may not exist yet.
    """
    named = os.environ.get("SHOWHOUR_CACHE")
    if named:
        return Path(named).expanduser()
    checkout = Path(__file__).resolve().parents[2]
    cache = checkout / "cache"
    if (checkout / "pyproject.toml").is_file() and cache.is_dir() and os.access(cache, os.W_OK):
        return cache
    import platformdirs

    return Path(platformdirs.user_cache_dir("showhour"))


@dataclass(frozen=True)
class Stored:
    """One station in the store."""

    source: str
    station_id: str
    station_name: str
    path: Path
    states: dict[int, State]


@dataclass
class _Record:
    """What one file holds, before it becomes a dataset."""

    first_hour: int = 0
    """Hours since 1970-01-01 00 UTC of the first value."""
    arrays: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    attrs: dict[str, Any] = field(default_factory=dict)
    states: dict[int, State] = field(default_factory=dict)
    pieces: list[dict[str, Any]] = field(default_factory=list)
    """One entry for each merge still represented: its years, raw digest, rejected counts, retrieval time."""
    size: int = 0


class Store:
    """Station hours on disk, under ``root/<part>/<source>/``.

    Parameters
    ----------
    root : str or Path, optional
        The cache folder; :func:`cache_root` by default.
    part : str
        ``stations`` for hours as their source gave them, ``checked`` for what quality control left of them.
    """

    def __init__(self, root: str | Path | None = None, part: str = "stations") -> None:
        self.cache = Path(root) if root is not None else cache_root()
        self.root = self.cache / part

    def path(self, source: str, station_id: str) -> Path:
        """Path of a station's file, which may not exist.

        Distinct identifiers have distinct paths, on file systems that ignore case too, and no identifier
        leads out of the folder.

        Raises
        ------
        ValueError
            An empty identifier, or a source that is not a plain lower-case word.
        """
        if not re.fullmatch(r"[a-z][a-z0-9_]*", source):
            raise ValueError(f"source must be a lower-case word, got {source!r}")
        if not station_id:
            raise ValueError("station_id is empty")
        name = station_id
        if not re.fullmatch(r"[A-Z0-9_]{1,40}", station_id):
            # The hyphen keeps these names apart from the plain ones, the digest from one another.
            digest = hashlib.sha256(station_id.encode()).hexdigest()[:16]
            name = f"{re.sub(r'[^A-Za-z0-9_]', '_', station_id)[:40]}-{digest}"
        return self.root / source / f"{name}.nc"

    def read(
        self,
        source: str,
        station_id: str,
        variables: Sequence[str] | None = None,
        start: np.datetime64 | datetime | str | None = None,
        end: np.datetime64 | datetime | str | None = None,
    ) -> xr.Dataset:
        """Read a station's hours.

        Parameters
        ----------
        source, station_id : str
        variables : sequence of str, optional
            Glossary names; all that are stored by default. A name that this station does not have is left
            out.
        start, end : datetime-like, optional
            First and last hour wanted, UTC, both included.

        Returns
        -------
        xarray.Dataset
            Station hours; ``counts`` describes the whole record, not the part read.

        Raises
        ------
        StoreError
            Nothing is stored, there is no hour between ``start`` and ``end``, or the file is damaged.
        ValueError
            A variable that is not in the glossary.
        """
        unknown = sorted(set(variables or ()) - set(STATION_VARIABLES))
        if unknown:
            raise ValueError(f"not in the glossary: {', '.join(unknown)}")
        record = self._hours(source, station_id, variables)
        return _dataset(record, self.path(source, station_id), start, end)

    def attributes(self, source: str, station_id: str) -> dict[str, Any]:
        """Attributes of a station's hours, none of which is read.

        Raises
        ------
        StoreError
            Nothing is stored, or the file is damaged.
        """
        return self._hours(source, station_id, ()).attrs

    def _hours(self, source: str, station_id: str, variables: Sequence[str] | None) -> _Record:
        path = self.path(source, station_id)
        record = _read(path, variables)
        if record is None or record.size == 0:
            raise _nothing_stored(source, station_id)
        return record

    def file_digest(self, source: str, station_id: str) -> str:
        """SHA-256 of a station's file as it lies there, unread; empty where there is none.

        Raises
        ------
        StoreError
            The file cannot be read.
        """
        content = _content(self.path(source, station_id))
        return "" if content is None else hashlib.sha256(content).hexdigest()

    def merge(self, dataset: xr.Dataset, years: Mapping[int, State], *, replace: bool = False) -> bool:
        """Add a dataset's hours to what is stored of its station.

        An hour in which the new dataset holds any value replaces the stored hour; an hour without values
        never does. A dataset that changes nothing leaves the file untouched.

        Parameters
        ----------
        dataset : xarray.Dataset
            Station hours.
        years : mapping of int to State
            The UTC years that it covers: ``complete`` or ``growing``.
        replace : bool
            The dataset is the whole record: forget stored hours that it does not hold.

        Returns
        -------
        bool
            Whether the file changed.

        Raises
        ------
        StoreError
            The stored file is damaged, or the new one can't be written.
        ValueError
            Not station hours, or a state other than complete or growing.
        """
        check_station_hours(dataset)
        strange = {state for state in years.values() if state not in _WITH_HOURS}
        if strange or not years:
            raise ValueError(
                f"years with hours are complete or growing, got {sorted(strange) or 'no years'}; use "
                "mark for the others"
            )
        path = self.path(dataset.attrs["source"], dataset.attrs["station_id"])
        with self._locked(path):
            old = _read(path, None)
            new = _record(dataset, years)
            merged = new if old is None or replace else _merged(old, new)
            return _write(path, merged, old)

    def replace(self, source: str, station_id: str, parts: Sequence[xr.Dataset]) -> bool:
        """Store a station's whole record, given in parts of which a later one overlays an earlier.

        Written at once: what was stored before is there until all of the new is. Its years are growing.

        Returns
        -------
        bool
            Whether the file changed.

        Raises
        ------
        StoreError
            The stored file is damaged, or the new one can't be written.
        ValueError
            No part, or one that is not station hours or of another station.
        """
        whole: _Record | None = None
        pieces: list[dict[str, Any]] = []
        for part in parts:
            check_station_hours(part)
            if (part.attrs["source"], part.attrs["station_id"]) != (source, station_id):
                raise ValueError(f"hours of {part.attrs['station_id']} are not those of {station_id}")
            first, last = part["time"].dt.year.to_numpy()[[0, -1]]
            new = _record(part, dict.fromkeys(range(int(first), int(last) + 1), "growing"))
            pieces += new.pieces
            whole = new if whole is None else _merged(whole, new)
        if whole is None:
            raise ValueError("a record has at least one part")
        whole.pieces = pieces
        path = self.path(source, station_id)
        with self._locked(path):
            return _write(path, whole, _read(path, None))

    def mark(self, source: str, station_id: str, years: Mapping[int, State]) -> bool:
        """Record years that gave no hours: ``absent`` or ``failed``.

        A year that is complete or growing keeps its state and its hours; an absent year is not turned into
        a failed one.

        Returns
        -------
        bool
            Whether the file changed.

        Raises
        ------
        StoreError
            The stored file is damaged, or the new one can't be written.
        ValueError
            A state other than absent or failed.
        """
        strange = {state for state in years.values() if state not in ("absent", "failed")}
        if strange:
            raise ValueError(f"years without hours are absent or failed, got {sorted(strange)}")
        path = self.path(source, station_id)
        with self._locked(path):
            old = _read(path, None)
            base = old or _Record(
                attrs={"source": source, "station_id": station_id, "station_name": station_id}
            )
            states = dict(base.states)
            for year, state in years.items():
                held = states.get(year)
                if held in (None, "failed") or (held == "absent" and state == "absent"):
                    states[year] = state
            marked = _Record(base.first_hour, base.arrays, base.attrs, states, base.pieces, base.size)
            return _write(path, marked, old)

    def states(self, source: str, station_id: str) -> dict[int, State]:
        """State of each station-year known to the store, by year; empty where nothing is stored.

        Raises
        ------
        StoreError
            The file is damaged.
        """
        record = _read(self.path(source, station_id), ())
        return {} if record is None else record.states

    def held_years(self, source: str, station_id: str) -> dict[int, State]:
        """State of each station-year that has hours, complete or growing; as `states` otherwise."""
        states = self.states(source, station_id)
        return {year: state for year, state in states.items() if state in _WITH_HOURS}

    def list(self) -> list[Stored]:
        """Every station in the store, by source and identifier.

        Raises
        ------
        StoreError
            A file is damaged.
        """
        found = [self.describe(path) for path in self.root.glob("*/*.nc")]
        return sorted(found, key=lambda one: (one.source, one.station_id))

    def describe(self, path: Path) -> Stored:
        """What one file of the store holds, without reading its arrays.

        Raises
        ------
        StoreError
            The file is damaged, or gone.
        """
        record = _read(path, ())
        if record is None:
            raise StoreError(f"{path}: the station file is gone. Fetch the station again.")
        attrs = record.attrs
        return Stored(attrs["source"], attrs["station_id"], attrs["station_name"], path, record.states)

    def set_aside(self, source: str, station_id: str) -> Path | None:
        """Rename a station's damaged file so that the station can be fetched anew; nothing is deleted.

        The file is looked at again under its lock: another run may have put it right.

        Returns
        -------
        Path or None
            The new name, or None where there is no file or it is whole.

        Raises
        ------
        StoreError
            The file can't be read at all, which says nothing of what it holds, or can't be renamed.
        """
        path = self.path(source, station_id)
        with self._locked(path):
            try:
                _read(path, None)
            except DamagedError:
                pass
            else:
                return None
            stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
            aside = path.with_name(f"{path.name}.damaged-{stamp}")
            try:
                path.rename(aside)
            except OSError as error:
                raise StoreError(f"{path}: the file can't be renamed ({error}).") from error
            return aside

    @contextmanager
    def _locked(self, path: Path) -> Iterator[None]:
        """Hold the station's lock, leftovers of killed writers swept. The lock file stays for ever."""
        from filelock import FileLock, Timeout

        lock = FileLock(path.with_name(f"{path.name}.lock"), timeout=_LOCK_WAIT_S)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock.acquire()
        except Timeout as error:
            raise StoreError(
                f"{path}: another showhour has held this station for {_LOCK_WAIT_S:.0f} s. Let it "
                "finish, or end it."
            ) from error
        except OSError as error:
            raise StoreError(
                f"{path.parent}: the cache folder can't be written ({error.strerror}). Make it writable, or "
                "name another in SHOWHOUR_CACHE."
            ) from error
        try:
            for leftover in path.parent.glob(f".{path.name}.*.tmp"):
                leftover.unlink(missing_ok=True)
            yield
        finally:
            lock.release()


def _nothing_stored(source: str, station_id: str) -> StoreError:
    return StoreError(f"no hours of station {station_id} from {source} are stored. Fetch the station first.")


def _read(path: Path, variables: Sequence[str] | None) -> _Record | None:
    """The file's record with the named arrays (all for None), verified; None where there is no file."""
    content = _content(path)
    if content is None:
        return None
    try:
        return _parse(content, variables)
    except _DAMAGE as error:
        raise DamagedError(
            f"{path}: the station file is damaged ({str(error) or type(error).__name__}). {_CURE}"
        ) from error


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoreError(
            f"{path}: the station file can't be read ({error.strerror}). Make it readable, or name another "
            "cache folder in SHOWHOUR_CACHE."
        ) from error


def _parse(content: bytes, variables: Sequence[str] | None) -> _Record:
    import netCDF4

    with NETCDF, netCDF4.Dataset("station.nc", mode="r", memory=content) as nc:
        nc.set_auto_maskandscale(False)
        attrs = {name: _plain(nc.getncattr(name)) for name in nc.ncattrs()}
        sealed = attrs.pop("sha256")
        held = [name for name in nc.variables if name != "time"]
        digests = {name: nc.variables[name].getncattr("sha256") for name in held}
        record = _Record(attrs=attrs)
        if held:
            # The hours are regular, so the sealed first one says all; `time` is there for other readers.
            record.size = len(nc.dimensions["time"])
            record.first_hour = int(attrs["first_hour"])
        if sealed != _seal(attrs, digests, record.size):
            raise ValueError("its description does not match its checksum")
        for name in held if variables is None else [name for name in held if name in variables]:
            array = nc.variables[name][:]
            if array.dtype != np.float32 or hashlib.sha256(array.tobytes()).hexdigest() != digests[name]:
                raise ValueError(f"{name} does not match its checksum")
            record.arrays[name] = array
    del attrs["Conventions"], attrs["first_hour"]
    record.states = {int(year): _state(state) for year, state in json.loads(attrs.pop("year_states")).items()}
    record.pieces = json.loads(attrs.pop("pieces"))
    return record


def _state(text: str) -> State:
    for state in get_args(State):
        if state == text:
            known: State = state
            return known
    raise ValueError(f"unknown state {text!r}")


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def _seal(attrs: Mapping[str, Any], digests: Mapping[str, str], size: int) -> str:
    """Digest over everything but the arrays, which have their own."""
    sealed = [dict(attrs), dict(digests), size]
    return hashlib.sha256(json.dumps(sealed, sort_keys=True).encode()).hexdigest()


def _dataset(record: _Record, path: Path, start: Any, end: Any) -> xr.Dataset:
    import xarray as xr

    hours = np.arange(record.first_hour, record.first_hour + record.size)
    low = 0 if start is None else int(np.searchsorted(hours, np.ceil(_hours_since_1970(start))))
    high = record.size if end is None else int(np.searchsorted(hours, _hours_since_1970(end), side="right"))
    if high <= low:
        raise StoreError(
            f"{path}: no hours between {start} and {end} are stored; the record runs from "
            f"{hours[0].astype('datetime64[h]')} to {hours[-1].astype('datetime64[h]')} UTC."
        )
    time = (hours[low:high] * _HOUR_NS).astype("datetime64[ns]")
    return xr.Dataset(
        {name: ("time", array[low:high], variable_attributes(name)) for name, array in record.arrays.items()},
        coords={"time": ("time", time, {"standard_name": "time", "long_name": "time, UTC"})},
        attrs=record.attrs,
    )


def _hours_since_1970(moment: Any) -> float:
    if isinstance(moment, datetime) and moment.tzinfo is not None:
        moment = moment.astimezone(UTC).replace(tzinfo=None)
    return float(np.datetime64(moment, "s").astype("int64")) / 3600.0


def _record(dataset: xr.Dataset, years: Mapping[int, State]) -> _Record:
    attrs = dict(dataset.attrs)
    counts = json.loads(attrs["counts"])
    piece: dict[str, Any] = {
        "years": sorted(years),
        "raw_sha256": attrs["raw_sha256"],
        "retrieved_at": attrs["retrieved_at"],
        "rejected": counts.get("rejected", {}),
    }
    if "providers" in attrs:
        piece["providers"] = json.loads(attrs["providers"])
    time = dataset["time"].values.astype("int64")
    return _Record(
        first_hour=int(time[0] // _HOUR_NS),
        arrays={name: dataset[name].values for name in STATION_VARIABLES if name in dataset},
        attrs=attrs,
        states=dict(years),
        pieces=[piece],
        size=time.size,
    )


def _merged(old: _Record, new: _Record) -> _Record:
    """The union: every stored hour, overlaid by the new hours that hold a value."""
    states = {**old.states, **new.states}
    covered = set(new.pieces[0]["years"])
    kept = [piece for piece in old.pieces if not set(piece["years"]) <= covered]
    pieces = sorted([*kept, *new.pieces], key=lambda piece: piece["years"])
    if old.size == 0:
        return _Record(new.first_hour, new.arrays, new.attrs, states, pieces, new.size)

    first = min(old.first_hour, new.first_hour)
    size = max(old.first_hour + old.size, new.first_hour + new.size) - first
    was = slice(old.first_hour - first, old.first_hour - first + old.size)
    now = np.arange(new.first_hour - first, new.first_hour - first + new.size)
    holds = np.zeros(new.size, dtype=bool)
    for array in new.arrays.values():
        holds |= ~np.isnan(array)
    arrays = {}
    for name in STATION_VARIABLES:
        if name in old.arrays or name in new.arrays:
            union = np.full(size, np.nan, dtype="float32")
            if name in old.arrays:
                union[was] = old.arrays[name]
            union[now[holds]] = new.arrays[name][holds] if name in new.arrays else np.nan
            arrays[name] = union
    return _Record(first, arrays, dict(new.attrs), states, pieces, size)


def _describe(record: _Record) -> dict[str, Any]:
    """The global attributes, provenance summed over the pieces."""
    attrs = dict(record.attrs)
    if record.pieces:
        attrs["retrieved_at"] = max(piece["retrieved_at"] for piece in record.pieces)
        digests = [piece["raw_sha256"] for piece in record.pieces]
        attrs["raw_sha256"] = (
            digests[0] if len(digests) == 1 else hashlib.sha256("\n".join(digests).encode()).hexdigest()
        )
        kept = {name: int((~np.isnan(array)).sum()) for name, array in record.arrays.items()}
        attrs["counts"] = json.dumps(
            {"kept": kept, "rejected": _summed(record.pieces, "rejected")}, sort_keys=True
        )
        if any("providers" in piece for piece in record.pieces):
            attrs["providers"] = json.dumps(_summed(record.pieces, "providers"), sort_keys=True)
    attrs["Conventions"] = "CF-1.11"
    attrs["first_hour"] = record.first_hour
    attrs["year_states"] = json.dumps({str(year): record.states[year] for year in sorted(record.states)})
    attrs["pieces"] = json.dumps(record.pieces, sort_keys=True)
    return attrs


def _summed(pieces: Sequence[Mapping[str, Any]], key: str) -> dict[str, int]:
    total: dict[str, int] = {}
    for piece in pieces:
        for name, count in piece.get(key, {}).items():
            total[name] = total.get(name, 0) + count
    return total


def _write(path: Path, record: _Record, old: _Record | None) -> bool:
    if old is not None and _same(record, old):
        return False
    content = _serialised(record)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        try:
            with open(temporary, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(temporary, path)
        finally:
            temporary.unlink(missing_ok=True)
        _sync_folder(path.parent)
    except OSError as error:
        raise StoreError(
            f"{path}: the station file can't be written ({error.strerror}); what was stored before is "
            "untouched. Free some space, or make the folder writable."
        ) from error
    return True


def _sync_folder(folder: Path) -> None:
    """Make the rename itself durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _same(record: _Record, old: _Record) -> bool:
    """Whether nothing but the time of retrieval differs."""

    def lasting(one: _Record) -> Any:
        described = _describe(one)
        pieces = [{k: v for k, v in piece.items() if k != "retrieved_at"} for piece in one.pieces]
        return {**described, "retrieved_at": "", "pieces": pieces}, one.size

    return (
        lasting(record) == lasting(old)
        and record.arrays.keys() == old.arrays.keys()
        and all(a.tobytes() == old.arrays[name].tobytes() for name, a in record.arrays.items())
    )


def _serialised(record: _Record) -> bytes:
    import netCDF4

    attrs = _describe(record)
    digests = {name: hashlib.sha256(array.tobytes()).hexdigest() for name, array in record.arrays.items()}
    with NETCDF:
        nc = netCDF4.Dataset("station.nc", mode="w", format="NETCDF4", memory=1 << 20)
        return _built(nc, record, attrs, digests)


def _built(
    nc: netCDF4.Dataset, record: _Record, attrs: Mapping[str, Any], digests: Mapping[str, str]
) -> bytes:
    for name, value in attrs.items():
        nc.setncattr(name, value)
    nc.setncattr("sha256", _seal(attrs, digests, record.size))
    if record.size:
        nc.createDimension("time", record.size)
        time = nc.createVariable("time", "i4", ("time",), compression="zlib", chunksizes=(record.size,))
        time.setncatts(
            {
                "standard_name": "time",
                "long_name": "time, UTC",
                "units": "hours since 1970-01-01 00:00:00",
                "calendar": "standard",
            }
        )
        time[:] = np.arange(record.first_hour, record.first_hour + record.size)
        for name, array in record.arrays.items():
            variable = nc.createVariable(
                name,
                "f4",
                ("time",),
                compression="zlib",
                complevel=4,
                shuffle=True,
                chunksizes=(record.size,),
                fill_value=np.float32(np.nan),
            )
            variable.setncatts({**variable_attributes(name), "sha256": digests[name]})
            variable[:] = array
    return _unpadded(bytes(nc.close()))


def _unpadded(content: bytes) -> bytes:
    """Cut the zeros to which the library rounds up a file built in memory.

    Without them a file cut short is cut inside its data, which HDF5 notices. HDF5 File Format Specification
    3.0, section II.A: a superblock of version 2 or 3 (byte 8) with 8-byte offsets (byte 9) has the end of the
    file at byte 28.
    """
    if content[8] in (2, 3) and content[9] == 8:
        return content[: int.from_bytes(content[28:36], "little")]
    return content
