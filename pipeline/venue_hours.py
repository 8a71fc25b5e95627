"""The hours that stand for a venue: of its first station that holds any, filled from the next.

A forecast looks at the hours around its show dates, one in ten of a record. These are kept apart, small and
not packed, by a digest of all that decides them; whatever needs the whole record reads it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim
from pipeline.air import fallback
from pipeline.air.show_hours import StationRecord
from pipeline.air.venue import plateau_correction_applies
from pipeline.checked import CHECKS_VERSION, as_read, checked_hours
from pipeline.errors import ShowhourError, StoreError
from pipeline.kept_arrays import keep_arrays, kept_path, read_arrays

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.inputs import Season, Station, Venue
    from pipeline.stations.store import Store

__all__ = ["StationHeld", "StationRead", "read_show_hours", "read_station"]

_VERSION = 3
"""Rises when the making of a venue's record changes, so that kept hours are made again."""


@dataclass(frozen=True)
class StationRead:
    """One of a venue's stations by itself: what it holds in the years wanted, or why none of it is used."""

    status: str
    attrs: dict[str, Any] = field(default_factory=dict)
    first_year: int = 0
    last_year: int = 0
    completeness: dict[str, float] = field(default_factory=dict)
    newest_hour: str = ""


@dataclass(frozen=True)
class StationHeld:
    """A venue's hours, and who gave what.

    Attributes
    ----------
    station
        The first that holds any hours; None where none does.
    record
        Its hours filled from the next stations; NaN away from the show hours where only these were read.
    whole
        Reads the record with every hour.
    attrs
        Of the first station's hours.
    passed_over
        Why stations before it are not used.
    shares
        Share of the hours that each station gave, by its place and the group of variables.
    digest
        Of everything that decides the whole record.
    ordered
        Every station by itself, in the venue's order.
    completeness
        Share of the whole record's hours that hold each variable.
    """

    station: Station | None
    record: StationRecord | None
    whole: Callable[[], StationRecord]
    attrs: dict[str, Any]
    passed_over: tuple[str, ...]
    shares: dict[tuple[int, str], float]
    digest: str
    ordered: tuple[StationRead, ...]
    completeness: dict[str, float]


def read_station(season: Season, venue: Venue, store: Store) -> StationHeld:
    """A venue's checked station hours, the gaps of its first station filled from the next."""
    history = season.history
    reasons: list[str] = []
    held: list[tuple[int, StationRecord, dict[str, Any]]] = []
    ordered: list[StationRead] = []
    for place, station in enumerate(venue.stations):
        try:
            ds = checked_hours(
                store, station.source, station.id, season.quality, elevation_m=station.elevation
            )
        except ShowhourError as error:
            reasons.append(str(error))
            ordered.append(StationRead(str(error)))
            continue
        record = _record_of(ds, station, history.first_year, history.last_year)
        if np.isfinite(record.values.get("air_temperature", np.empty(0))).any():
            held.append((place, record, dict(ds.attrs)))
            ordered.append(_station_read("ok", record, ds))
        else:
            reasons.append(f"{station.source} {station.id} holds no temperature in the years wanted")
            ordered.append(_station_read(reasons[-1], record, ds))
    if not held:
        return StationHeld(None, None, _nothing, {}, tuple(reasons), {}, "", tuple(ordered), {})
    # Everything that decides the filled record: the checked hours, their places and how they are moved.
    digest = hashlib.sha256(
        repr(
            [(str(a.get("checked_from")), r.elevation, r.plateau, r.first_hour, r.size) for _, r, a in held]
            + [venue.elevation, venue.lapse_rate_k_per_km]
        ).encode()
    ).hexdigest()
    place, record, attrs = held[0]
    if len(held) == 1:
        shares = {(place, group): _share_held(record, names) for group, names in fallback.GROUPS.items()}
    else:
        filled = fallback.fill_from_next(
            [r for _, r, _ in held], lapse_rate=venue.lapse_rate_k_per_km / 1000.0
        )
        record = filled.record
        shares = {
            (held[i][0], group): float(np.mean(source == i))
            for group, source in filled.source.items()
            for i in range(len(held))
        }
    return StationHeld(
        venue.stations[place],
        record,
        lambda: record,
        attrs,
        tuple(reasons),
        shares,
        digest,
        tuple(ordered),
        _completeness(record),
    )


def read_show_hours(
    season: Season, venue: Venue, store: Store, instants: npt.NDArray[np.datetime64]
) -> StationHeld:
    """As `read_station`, with the hours around show instants alone where these were read before.

    Parameters
    ----------
    season, venue, store
        As `read_station` takes them.
    instants
        UTC show instants, (instant,), datetime64[s].
    """
    files = [_file(as_read(store, season.quality), station) for station in venue.stations]
    decides = (_VERSION, CHECKS_VERSION, venue, season.history, season.quality, files)
    key = repr(decides).encode() + instants.astype("datetime64[s]").tobytes()
    path = kept_path(store.cache / "show_hours", key)
    kept = _kept(path, season, venue, store)
    if kept is not None:
        return kept
    held = read_station(season, venue, store)
    if held.record is not None:
        hours = _around(held.record, instants, season.history.window_days)
        keep_arrays(path, _packed(held, held.record, hours))
    return held


def _file(store: Store, station: Station) -> str:
    """A station's file by its digest, or why it cannot be read; reading it tells that, too."""
    try:
        return store.file_digest(station.source, station.id)
    except StoreError as error:
        return str(error)


def _nothing() -> StationRecord:
    raise ValueError("a venue without station hours has no record")


# --- Hours kept apart -------------------------------------------------------------------------------


def _around(
    record: StationRecord, instants: npt.NDArray[np.datetime64], window_days: int
) -> npt.NDArray[np.int64]:
    """Hours of a record that sampling at show instants looks at, from its first."""
    window = clim.window_index(instants, record.years(), window_days=window_days)
    low = np.unique(np.floor(window.instants).astype(np.int64)) - record.first_hour
    # The report before and after each, and twelve hours earlier for the reduction of sea level pressure.
    wanted = np.unique(np.concatenate([low, low + 1, low - 12, low - 11]))
    # A variable that is observed at other hours alone is one that the station observes.
    elsewhere = [int(np.argmax(~np.isnan(v))) for v in record.values.values() if not np.isnan(v).all()]
    wanted = np.union1d(wanted, np.asarray(elsewhere, dtype=np.int64))
    return wanted[(wanted >= 0) & (wanted < record.size)]


def _packed(held: StationHeld, record: StationRecord, hours: npt.NDArray[np.int64]) -> dict[str, Any]:
    """A venue's hours, those named alone, as arrays of these names: `_PACKED`."""
    told = {
        "first_hour": record.first_hour,
        "size": record.size,
        "elevation": record.elevation,
        "plateau": record.plateau,
        "place": next(i for i, read in enumerate(held.ordered) if read.status == "ok"),
        "attrs": held.attrs,
        "passed_over": held.passed_over,
        "shares": [[place, group, share] for (place, group), share in held.shares.items()],
        "digest": held.digest,
        "ordered": [asdict(read) for read in held.ordered],
        "completeness": held.completeness,
        "variables": list(record.values),
    }
    # One array, not one a variable: there is more to opening an array than to reading it.
    return {
        "told": np.asarray(json.dumps(told, sort_keys=True, default=_plain)),
        "hours": hours,
        "values": np.stack([values[hours] for values in record.values.values()]),
    }


_PACKED = ("told", "hours", "values")


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} in the attributes of station hours")


def _kept(path: Path, season: Season, venue: Venue, store: Store) -> StationHeld | None:
    """A venue's hours kept earlier; None where there are none, or they are damaged and are made again."""
    held = read_arrays(path, _PACKED)
    if held is None:
        return None
    told = json.loads(str(held["told"]))
    whole = np.full((len(held["values"]), told["size"]), np.nan, dtype=held["values"].dtype)
    whole[:, held["hours"]] = held["values"]

    def everything() -> StationRecord:
        record = read_station(season, venue, store).record
        if record is None:
            raise ValueError(f"the station hours of {venue.id} went while they were used")
        return record

    return StationHeld(
        venue.stations[told["place"]],
        StationRecord(
            told["first_hour"],
            dict(zip(told["variables"], whole, strict=True)),
            told["elevation"],
            told["plateau"],
        ),
        everything,
        told["attrs"],
        tuple(told["passed_over"]),
        {(place, group): share for place, group, share in told["shares"]},
        told["digest"],
        tuple(StationRead(**read) for read in told["ordered"]),
        told["completeness"],
    )


# --- One station ------------------------------------------------------------------------------------


def _station_read(status: str, record: StationRecord, ds: xr.Dataset) -> StationRead:
    years = record.years()
    newest = ds["time"].to_numpy()[-1:].astype("datetime64[m]")
    return StationRead(
        status,
        dict(ds.attrs),
        int(years[0]) if years.size else 0,
        int(years[-1]) if years.size else 0,
        _completeness(record),
        "".join(np.datetime_as_string(newest)),
    )


def _completeness(record: StationRecord) -> dict[str, float]:
    return {name: float(1.0 - np.isnan(v).mean()) for name, v in record.values.items() if v.size}


def _share_held(record: StationRecord, names: Sequence[str]) -> float:
    """Share of a record's hours that hold any of these."""
    held = [~np.isnan(record.values[name]) for name in names if name in record.values]
    return float(np.mean(np.any(held, axis=0))) if held else 0.0


def _record_of(ds: xr.Dataset, station: Station, first_year: int, last_year: int) -> StationRecord:
    """A station's hours as plain arrays, cut to the years wanted and to hours that hold anything."""
    start = (
        int(ds["time"].to_numpy()[:1].astype("datetime64[h]").astype(np.int64)[0]) if ds.sizes["time"] else 0
    )
    # The hours are regular, so the years wanted are one piece of them.
    turns = (np.array([first_year, last_year + 1]) - 1970).astype("datetime64[Y]")
    low, high = np.clip(turns.astype("datetime64[h]").astype(np.int64) - start, 0, ds.sizes["time"])
    if station.mslp_reduction == "auto":
        plateau = plateau_correction_applies(station.latitude, station.longitude)
    else:
        plateau = station.mslp_reduction == "plateau"
    return StationRecord(
        first_hour=int(start + low) if high > low else 0,
        values={str(name): ds[name].to_numpy()[low:high] for name in ds.data_vars},
        elevation=_barometer(ds, station),
        plateau=plateau,
    )


_SAME_STATION = 30.0
"""Beyond this the barometer's height [m] and the stated elevation cannot both be this station's."""


def _barometer(ds: xr.Dataset, station: Station) -> float:
    """Height to reduce pressures with [m]: the barometer's own where the station's pressures tell it.

    A few metres of error move density altitude by 3 ft a metre. An estimate far from the stated elevation is
    a suspicion for a person, told by quality control, not a correction.
    """
    told = ds.attrs.get("barometer_elevation_m")
    if told is None or abs(float(told) - station.elevation) > _SAME_STATION:
        return station.elevation
    return float(told)
