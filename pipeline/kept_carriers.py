"""What carries a reading to the show hour, kept in the cache: it looks at every hour of a day and a half."""

from __future__ import annotations

from collections.abc import Callable
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim
from pipeline.air import persistence
from pipeline.air.show_hours import Site, StationCycles, StationRecord, density_altitude_at
from pipeline.air.wind import whole_knots
from pipeline.decisions.forecast import QUANTILES
from pipeline.kept_arrays import kept_arrays

__all__ = ["carriers", "kept_carriers"]

FloatArray = npt.NDArray[np.floating]

_VERSION = 3  # of the estimator; another one is made anew
_NAMES = tuple(
    f"{quantity}_carried_{part}"
    for quantity in ("density_altitude", "gust", "unreported_gust")
    for part in ("share", "rest")
)


def carriers(
    record: StationRecord,
    cycles: StationCycles,
    site: Site,
    slot: np.datetime64,
    gust_peak: FloatArray,
    window_days: int,
) -> dict[str, FloatArray]:
    """What carries readings of density altitude and of gusts to a slot, by the names of the results.

    A reading without a gust holds only its wind, which is not its gust: it is carried to the slot's gusts by
    the winds of past hours that reported none either.

    Parameters
    ----------
    record
        With every hour.
    cycles, site, window_days
        As `density_altitude_at` takes them.
    slot
        Instant of the slot, UTC.
    gust_peak
        Of every hour of the record [m s-1], (hour,).

    Returns
    -------
    Shares (lead,) and rests (lead, quantile), see `pipeline.air.persistence.carrier`.
    """
    # Readings on the hour, as stations report: between hours a morning warms too unevenly.
    readings = slot.astype("datetime64[h]") - persistence.LEADS * np.timedelta64(1, "h")
    instants = np.concatenate([[slot], readings]).astype("datetime64[s]")
    air, sampled = density_altitude_at(record, cycles, site, instants, window_days=window_days)

    def nearest(hours: FloatArray | None) -> FloatArray:
        if hours is None:
            return np.full(sampled.shape, np.nan)
        return clim.gather_nearest(hours, record.first_hour, sampled)

    gusts = nearest(gust_peak)
    reported = nearest(record.values.get("wind_speed_of_gust"))
    winds = np.where(np.isnan(reported), whole_knots(nearest(record.values.get("wind_speed"))), np.nan)
    told = {}
    for name, earlier, later, carrier in (
        ("density_altitude", air[1:], air[0], persistence.carrier),
        ("gust", gusts[1:], gusts[0], persistence.speed_carrier),
        ("unreported_gust", winds[1:], gusts[0], persistence.speed_carrier),
    ):
        told[f"{name}_carried_share"], told[f"{name}_carried_rest"] = carrier(
            earlier.reshape(persistence.LEADS.size, -1), later.ravel(), QUANTILES
        )
    return told


def kept_carriers(
    folder: Path,
    record_digest: str,
    whole: Callable[[], StationRecord],
    cycles: StationCycles,
    site: Site,
    slots: npt.NDArray[np.datetime64],
    gust_peak: FloatArray,
    *,
    window_days: int,
    decided_by: object,
) -> list[dict[str, FloatArray]]:
    """`carriers` of a venue's slots, looking first whether they were made from the same record before.

    Parameters
    ----------
    folder
        Where they are kept; any file of it may be deleted.
    record_digest
        Of the record.
    whole
        Reads the record; asked only where nothing is kept.
    cycles, site, gust_peak, window_days
        As `carriers` takes them.
    slots
        Instants, UTC, (slot,).
    decided_by
        What decides cycles and gusts besides the record; a text of it is part of the name.
    """
    key = repr((_VERSION, record_digest, site, window_days, QUANTILES, decided_by)).encode()
    key += slots.astype("datetime64[s]").tobytes()

    def make() -> dict[str, Any]:
        record = whole()
        made = (carriers(record, cycles, site, slot, gust_peak, window_days) for slot in slots)
        # One array, not four: there is more to opening an array than to reading it.
        return {"values": np.stack([_together(one) for one in made])}

    return [_taken_apart(one) for one in kept_arrays(folder, key, ("values",), make)["values"]]


def _together(told: dict[str, FloatArray]) -> FloatArray:
    """Shares and rests side by side, (lead, quantity * (1 + quantile))."""
    return np.column_stack([told[name] for name in _NAMES])


def _taken_apart(values: FloatArray) -> dict[str, FloatArray]:
    one = 1 + len(QUANTILES)
    parts = [(values[:, at], values[:, at + 1 : at + one]) for at in range(0, values.shape[1], one)]
    return dict(zip(_NAMES, chain.from_iterable(parts), strict=True))
