"""Station hours after quality control, kept beside the hours as their source gave them.

The store keeps what the source said; what quality control leaves of it is a second copy, made again whenever
the hours or the checks change. So a check that is switched off gives back every value, without a fetch. What
is left out as a file is read (the archive's own flags, physical ranges) comes back when it is read again:
hours read under other settings are kept apart, so that each is fetched once.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import DamagedError
from pipeline.stations.store import Store

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.inputs import QualityChecks
    from pipeline.stations.quality import Suspicion

__all__ = ["CHECKS_VERSION", "as_read", "checked_hours", "gust_suspicions"]

CHECKS_VERSION = 3
"""Rises when the checks themselves change, so that older copies are made again."""

_ARCHIVE_APART = 30.0
"""Metres by which the stated elevation may differ from the archive's before it is told: an aerodrome's height
is that of its highest runway point."""


def as_read(store: Store, checks: QualityChecks) -> Store:
    """The part of a store that holds hours as they are read under these settings."""
    part = "stations"
    if not checks.archive_flags:
        part += "_flagged"
    if not checks.physical_range:
        part += "_unbounded"
    return Store(store.cache, part=part)


def checked_hours(
    store: Store,
    source: str,
    station_id: str,
    checks: QualityChecks,
    *,
    elevation_m: float | None = None,
) -> xr.Dataset:
    """Station hours that passed the checks.

    Parameters
    ----------
    store
        Holds the hours as fetched.
    source, station_id
        The station.
    checks
        Which checks run.
    elevation_m
        Elevation that is stated for the station, to be held against its pressures and against the archive's
        own; that of the stored hours by default.

    Returns
    -------
    Station hours. The attribute ``quality`` is JSON: ``rejections`` (reason, variable, count, first, last,
    example) and ``suspicions`` (subject, message); ``barometer_elevation_m`` is the height that altimeter
    setting against station pressure tells, where the station reports both.

    Raises
    ------
    StoreError
        Nothing is stored of the station, its file is damaged, or a file cannot be read or written.
    """
    store = as_read(store, checks)
    raw = store.attributes(source, station_id)
    wanted = hashlib.sha256(
        json.dumps([CHECKS_VERSION, raw["raw_sha256"], checks.model_dump()]).encode()
    ).hexdigest()
    checked = Store(store.cache, part="checked")
    if checked.path(source, station_id).is_file():
        try:
            held = checked.read(source, station_id)
        except DamagedError:
            # Only a copy: the damaged one is put away and made again from the hours as fetched.
            checked.set_aside(source, station_id)
        else:
            if held.attrs.get("checked_from") == wanted:
                return _held_against(held, raw, elevation_m)
    hours = store.read(source, station_id)
    clean = _controlled(hours, checks)
    clean.attrs["checked_from"] = wanted
    checked.merge(clean, store.held_years(source, station_id), replace=True)
    return _held_against(clean, raw, elevation_m)


def _held_against(hours: xr.Dataset, raw: Mapping[str, Any], elevation_m: float | None) -> xr.Dataset:
    """Checked hours that tell, too, what speaks against the stated elevation.

    Not part of the checked copy: the elevation may be put right without any change of the hours.
    """
    from pipeline.stations.quality import BarometerHeight, elevation_suspicions

    archive = float(raw["elevation_m"])
    stated = archive if elevation_m is None else elevation_m
    told = json.loads(hours.attrs["barometer"])
    odd = [*elevation_suspicions(None if told is None else BarometerHeight(**told), stated)]
    if not odd and abs(archive - stated) > _ARCHIVE_APART:
        odd += elevation_suspicions(BarometerHeight(archive, _ARCHIVE_APART, "archive"), stated)
    quality = json.loads(hours.attrs["quality"])
    quality["suspicions"] = [*({"subject": s.subject, "message": s.message} for s in odd)] + [
        s for s in quality["suspicions"] if s["subject"] != "elevation"
    ]
    return hours.assign_attrs(quality=json.dumps(quality))


def _controlled(hours: xr.Dataset, checks: QualityChecks) -> xr.Dataset:
    from pipeline.errors import NotEnoughHistory
    from pipeline.stations.quality import (
        QualitySettings,
        barometer_height,
        quality_control,
        station_elevation,
    )

    done = quality_control(hours, QualitySettings(**checks.model_dump(exclude={"archive_flags"})))
    clean = done.hours.copy(deep=False)
    clean.attrs = dict(done.hours.attrs)
    try:
        clean.attrs["barometer_elevation_m"] = station_elevation(clean).elevation_m
    except NotEnoughHistory:
        # Most stations do not report both pressures: the elevation that is stated stands.
        clean.attrs.pop("barometer_elevation_m", None)
    height = barometer_height(clean)
    clean.attrs["barometer"] = json.dumps(None if height is None else asdict(height))
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
            "suspicions": [
                {"subject": s.subject, "message": s.message}
                for s in (*done.suspicions, *gust_suspicions(clean))
            ],
        }
    )
    return clean


def gust_suspicions(hours: xr.Dataset) -> tuple[Suspicion, ...]:
    """Years whose practice of reporting gusts is not the one that chances of gusts rest on.

    Parameters
    ----------
    hours
        Station hours.
    """
    from pipeline.air.gusts import reporting_practice
    from pipeline.stations.quality import Suspicion

    if not {"wind_speed", "wind_speed_of_gust"} <= set(hours.data_vars):
        return ()
    first_hour = int(hours["time"].values[0].astype("datetime64[h]").astype("int64"))
    practice = reporting_practice(
        hours["wind_speed"].to_numpy(), hours["wind_speed_of_gust"].to_numpy(), first_hour
    )
    known = ~np.isnan(practice.ratio)
    other = known & ~practice.trusted(practice.years)
    if not practice.reports or not other.any():
        return ()
    times = float(practice.ratio[other].mean() / practice.ratio[known & ~other].mean())
    often = "not at all" if times == 0 else f"{times:.1f} times as often"
    years = practice.years[other]
    named = ", ".join(map(str, years))
    if years.size > 3:
        named = f"{years.size} years, {years[0]} to {years[-1]},"
    return (
        Suspicion(
            "gust reporting",
            f"In {named} gusts are reported {often} at the same winds as in "
            f"{practice.first_year}–{practice.last_year}, on which chances of gusts rest.",
        ),
    )
