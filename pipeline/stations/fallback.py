"""Filling a venue's hours from several stations, in order, with a record of who supplied what."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pipeline.stations.reports import GROUPS

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["AIR", "fill_in_order"]

AIR: tuple[tuple[str, ...], ...] = (
    (
        "air_temperature",
        "dew_point_temperature",
        "surface_air_pressure",
        "altimeter_setting",
        "air_pressure_at_mean_sea_level",
    ),
    ("wind_speed", "wind_from_direction", "wind_speed_of_gust"),
    *(group for group in GROUPS if group[0] in ("cloud_base_height", "visibility_in_air")),
    ("thunder",),
)
"""Variables that one station supplies together: air, wind, ceiling, visibility, thunder."""


def fill_in_order(
    stations: Sequence[xr.Dataset], groups: Sequence[Sequence[str]] = AIR
) -> tuple[xr.Dataset, xr.Dataset]:
    """Fill hours from the first station that has them.

    Each group of an hour comes whole from one station, so that the wind of an hour never has the speed of
    one exposure and the gust of another, nor its air the pressure of one height and the temperature of
    another. A station has a group in an hour when it has the group's first variable that it has at all.

    Parameters
    ----------
    stations : sequence of xarray.Dataset
        On hourly times, in order of preference. Stations at other heights must have been brought to the
        venue's first, when pressures or temperatures are among the groups.
    groups : sequence of sequences of str
        Variable names; a variable in no group is left out.

    Returns
    -------
    hours : xarray.Dataset
        From the earliest to the latest hour of any station, float32, with the first station's attributes.
    supplier : xarray.Dataset
        For each group, under its first variable's name: the position in ``stations`` that supplied the hour,
        −1 for none (int8).

    Raises
    ------
    ValueError
        No station.
    """
    import xarray as xr

    if not stations:
        raise ValueError("fill_in_order: at least one station is needed")
    hour = np.timedelta64(1, "h")
    first = min(s["time"].values[0] for s in stations)
    last = max(s["time"].values[-1] for s in stations)
    time = np.arange(first, last + hour, hour)
    places = [((s["time"].values - first) // hour).astype("int64") for s in stations]

    hours: dict[str, np.ndarray] = {}
    suppliers: dict[str, np.ndarray] = {}
    for group in groups:
        names = [name for name in group if any(name in s for s in stations)]
        if not names:
            continue
        grids = {name: np.full(time.size, np.nan, dtype="float32") for name in names}
        supplier = np.full(time.size, -1, dtype="int8")
        for n, (station, place) in enumerate(zip(stations, places, strict=True)):
            held = [name for name in names if name in station]
            if not held:
                continue
            take = ~np.isnan(station[held[0]].values) & (supplier[place] == -1)
            for name in held:
                grids[name][place[take]] = station[name].values[take]
            supplier[place[take]] = n
        hours |= grids
        suppliers[group[0]] = supplier
    coords = {"time": ("time", time, dict(stations[0]["time"].attrs))}
    attributes = {
        str(name): dict(s[name].attrs) for s in reversed(stations) for name in s.data_vars if name in hours
    }
    return (
        xr.Dataset(
            {name: ("time", grid, attributes[name]) for name, grid in hours.items()},
            coords=coords,
            attrs=dict(stations[0].attrs),
        ),
        xr.Dataset({name: ("time", array) for name, array in suppliers.items()}, coords=coords),
    )
