"""Fitted gust models kept as numbers in the cache, so that only new hours are learnt from."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.air.gusts import THRESHOLDS_KT, GustModel, fit_gust_model
from pipeline.results import write_atomically

__all__ = ["KeptGustModels"]

_VERSION = 1  # of the regression; another one is fitted anew


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
        write_atomically(path, json.dumps(data).encode())
        return None if data is None else GustModel.from_data(data)
