"""Station hours after quality control, kept beside the hours as their source gave them.

The store keeps what the source said; what quality control leaves of it is a second copy, made again whenever
the hours or the checks change. So a check that is switched off gives back every value, without a fetch.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

from pipeline.errors import StoreError
from pipeline.stations.store import Store

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.inputs import QualityChecks

__all__ = ["CHECKS_VERSION", "checked_hours"]

CHECKS_VERSION = 2
"""Rises when the checks themselves change, so that older copies are made again."""


def checked_hours(store: Store, source: str, station_id: str, checks: QualityChecks) -> xr.Dataset:
    """Station hours that passed the checks.

    Parameters
    ----------
    store
        Holds the hours as fetched.
    source, station_id
        The station.
    checks
        Which checks run.

    Returns
    -------
    Station hours. The attribute ``quality`` is JSON: ``rejections`` (reason, variable, count, first, last,
    example) and ``suspicions`` (subject, message); ``barometer_elevation_m`` is the height that altimeter
    setting against station pressure tells, where the station reports both.

    Raises
    ------
    StoreError
        Nothing is stored of the station, or its file is damaged.
    """
    raw = store.attributes(source, station_id)
    wanted = hashlib.sha256(
        json.dumps([CHECKS_VERSION, raw["raw_sha256"], checks.model_dump()]).encode()
    ).hexdigest()
    checked = Store(store.cache, part="checked")
    if checked.path(source, station_id).is_file():
        try:
            held = checked.read(source, station_id)
        except StoreError:
            # Only a copy: the damaged one is put away and made again from the hours as fetched.
            checked.set_aside(source, station_id)
        else:
            if held.attrs.get("checked_from") == wanted:
                return held
    hours = store.read(source, station_id)
    clean = _controlled(hours, checks)
    clean.attrs["checked_from"] = wanted
    checked.merge(clean, store.held_years(source, station_id), replace=True)
    return clean


def _controlled(hours: xr.Dataset, checks: QualityChecks) -> xr.Dataset:
    from pipeline.errors import NotEnoughHistory
    from pipeline.stations.quality import QualitySettings, quality_control, station_elevation

    done = quality_control(hours, QualitySettings(**checks.model_dump()))
    clean = done.hours.copy(deep=False)
    clean.attrs = dict(done.hours.attrs)
    try:
        clean.attrs["barometer_elevation_m"] = station_elevation(clean).elevation_m
    except NotEnoughHistory:
        # Most stations do not report both pressures: the elevation that is stated stands.
        clean.attrs.pop("barometer_elevation_m", None)
    clean.attrs["quality"] = json.dumps(
        {
            "rejections": [
                {
                    "reason": r.reason,
                    "variable": r.variable,
                    "count": r.count,
                    "first": str(r.first),
                    "last": str(r.last),
                    "example": r.example,
                }
                for r in done.rejections
            ],
            "suspicions": [{"subject": s.subject, "message": s.message} for s in done.suspicions],
        }
    )
    return clean
