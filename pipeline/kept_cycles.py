"""A station's seasonal cycles kept in the cache, so that only new hours are fitted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

from pipeline.air.climatology import SeasonalCycle
from pipeline.air.show_hours import StationCycles, StationRecord, station_cycles
from pipeline.kept_arrays import kept_arrays

__all__ = ["kept_cycles"]

_VERSION = 1  # of the fit; another one is made anew


def kept_cycles(
    folder: Path, record_digest: str, whole: Callable[[], StationRecord], *, trend: bool
) -> StationCycles:
    """`pipeline.air.show_hours.station_cycles`, looking first whether the same record was fitted before.

    Parameters
    ----------
    folder
        Where cycles are kept; any file of it may be deleted.
    record_digest
        Of the record.
    whole
        Reads the record that `station_cycles` takes; asked only where nothing is kept.
    trend
        As `station_cycles` takes it.
    """
    key = repr((_VERSION, record_digest, trend)).encode()

    def make() -> dict[str, Any]:
        made = station_cycles(whole(), trend=trend)
        return {f"{part}.{k}": getattr(getattr(made, part), k) for part in _PARTS for k in _KEYS}

    names = [f"{part}.{k}" for part in _PARTS for k in _KEYS]
    held = kept_arrays(folder, key, names, make)
    return StationCycles(*(_cycle({k: held[f"{part}.{k}"] for k in _KEYS}) for part in _PARTS))


_PARTS = tuple(f.name for f in fields(StationCycles))
_KEYS = tuple(f.name for f in fields(SeasonalCycle))


def _cycle(held: dict[str, Any]) -> SeasonalCycle:
    return SeasonalCycle(**(held | {"trend": float(held["trend"])}))
