"""Gust models and the gusts drawn from them kept in the cache, so that only new hours are learnt from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.air.gusts import THRESHOLDS_KT, GustModel, fit_gust_model, gust_record
from pipeline.air.show_hours import StationRecord
from pipeline.kept_arrays import kept_arrays
from pipeline.results import keep_copy

__all__ = ["Gusts", "KeptGustModels", "kept_gusts"]

_VERSION = 1  # of the regression; another one is fitted anew
_RECORD_VERSION = 2  # of the record of hours


class KeptGustModels:
    """`fit_gust_model`, looking first whether the same reports were learnt from before.

    Parameters
    ----------
    folder
        Where the models are kept, one JSON file each; any of them may be deleted.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __call__(
        self,
        wind_speed: npt.NDArray[np.floating],
        reported_gust: npt.NDArray[np.floating],
        first_hour: int,
        *,
        keep: npt.NDArray[np.bool_],
    ) -> GustModel | None:
        """The model of these reports; None where they are too few."""
        digest = hashlib.sha256(repr((_VERSION, first_hour, THRESHOLDS_KT)).encode())
        at = np.flatnonzero(keep)
        for part in (at, wind_speed[at], reported_gust[at]):
            digest.update(np.ascontiguousarray(part).tobytes())
        path = self._folder / f"{digest.hexdigest()[:32]}.json"
        if path.is_file():
            try:
                held = json.loads(path.read_text(encoding="utf-8"))
            except ValueError:
                held = "damaged"  # only a copy: fitted again
            if held is None:
                return None
            if isinstance(held, dict):
                return GustModel.from_data(held)
        model = fit_gust_model(wind_speed, reported_gust, first_hour, keep=keep)
        # As it will be read back, so that the first forecast and the second agree to the last digit.
        data = None if model is None else model.as_data()
        keep_copy(path, json.dumps(data).encode())
        return None if data is None else GustModel.from_data(data)


@dataclass(frozen=True)
class Gusts:
    """Every hour's gust peak [m s-1], (hour,), and what it rests on; see `pipeline.air.gusts.GustRecord`."""

    peak: npt.NDArray[np.floating]
    kind: str
    words: str


def kept_gusts(
    folder: Path,
    record_digest: str,
    whole: Callable[[], StationRecord],
    wanted: npt.NDArray[np.floating],
    *,
    latitude: float,
    longitude: float,
    days: int,
) -> Gusts:
    """`pipeline.air.gusts.gust_record`, looking first whether it was made from the same record before.

    Parameters
    ----------
    folder
        Where records and models are kept; any file of it may be deleted.
    record_digest
        Of the hours.
    whole
        Reads the record whose winds `gust_record` takes; asked only where nothing is kept.
    wanted, latitude, longitude, days
        As `gust_record` takes them.
    """
    key = repr((_RECORD_VERSION, _VERSION, THRESHOLDS_KT, record_digest, latitude, longitude, days)).encode()
    key += np.ascontiguousarray(wanted).tobytes()

    def make() -> dict[str, Any]:
        record = whole()
        made = gust_record(
            record.values.get("wind_speed"),
            record.values.get("wind_speed_of_gust"),
            record.first_hour,
            wanted,
            latitude=latitude,
            longitude=longitude,
            days=days,
            fit=KeptGustModels(folder),
        )
        return {"peak": made.peak, "kind": made.kind, "words": made.in_words()}

    held = kept_arrays(folder, key, ("peak", "kind", "words"), make)
    return Gusts(held["peak"], str(held["kind"]), str(held["words"]))
