"""A station's seasonal cycles kept in the cache, so that only new hours are fitted."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import numpy as np

from pipeline.air.climatology import SeasonalCycle
from pipeline.air.show_hours import StationCycles, StationRecord, station_cycles
from pipeline.results import keep_copy

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
    path = folder / f"{hashlib.sha256(key).hexdigest()[:32]}.npz"
    parts = [f.name for f in fields(StationCycles)]
    try:
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as held:
            return StationCycles(*(_cycle({k: held[f"{part}.{k}"] for k in _KEYS}) for part in parts))
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        pass  # nothing kept, or only a damaged copy: made again
    made = station_cycles(whole(), trend=trend)
    content = io.BytesIO()
    np.savez(content, **{f"{part}.{k}": getattr(getattr(made, part), k) for part in parts for k in _KEYS})
    keep_copy(path, content.getvalue())
    return made


_KEYS = tuple(f.name for f in fields(SeasonalCycle))


def _cycle(held: dict[str, np.ndarray]) -> SeasonalCycle:
    return SeasonalCycle(**(held | {"trend": float(held["trend"])}))  # type: ignore[arg-type]
