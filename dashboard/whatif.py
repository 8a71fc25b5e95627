"""What if a personal limit were another, or the slot: the chances again on the sampled air, nothing written.

The chances come from the same functions, on the same sampled hours, as the forecast's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import streamlit as st

from dashboard.season import Day, Season, results_file, sampled_day, stamp
from pipeline.air import climatology as clim
from pipeline.decisions import limits
from pipeline.decisions.forecast import estimate

__all__ = [
    "Chances",
    "curves_used",
    "day_air",
    "exceedance_of",
    "figure_if",
    "planned_if",
    "planned_without_trend",
    "with_limit",
]

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Chances:
    """Chance by slot with its 90 % interval, (slot,)."""

    value: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True)
class DayAir:
    """One day's sampled air, ready for any limits.

    Attributes
    ----------
    conditions
        By condition, (slot, year, day offset, hour offset).
    act_flies
        Chance that the act leaves the ground, given the air.
    days
        Effective number of independent days a year, (slot,).
    figure_sizes
        The forecast's effective size behind each figure's chance, (slot, figure): it carries what the log
        leaves unknown.
    by_cause
        Chance that some figure of the full show is changed, by cause, given the air, under the limits that
        the forecast used.
    """

    conditions: dict[str, FloatArray]
    by_cause: dict[str, FloatArray]
    act_flies: FloatArray
    days: FloatArray
    figure_sizes: FloatArray


def curves_used(season: Season) -> limits.Curves:
    """The limits that the forecast used."""
    v = season.values
    return limits.Curves(
        tuple(season.figures),
        {c: v["comfortable_used"][:, k] for k, c in enumerate(season.conditions)},
        {c: v["limit_used"][:, k] for k, c in enumerate(season.conditions)},
        bool(season.attrs["two_amber_is_red"]),
    )


def with_limit(
    curves: limits.Curves, figure: int, condition: str, comfortable: float, limit: float
) -> limits.Curves:
    """The same limits with one of them changed, SI; both NaN for none.

    Raises
    ------
    ValueError
        When the limit is not above the comfortable value.
    """
    if not limit > comfortable and not (np.isnan(limit) and np.isnan(comfortable)):
        raise ValueError(f"with_limit: the limit {limit} must lie above the comfortable value {comfortable}")
    low, high = dict(curves.comfortable), dict(curves.limit)
    low[condition], high[condition] = low[condition].copy(), high[condition].copy()
    low[condition][figure], high[condition][figure] = comfortable, limit
    return replace(curves, comfortable=low, limit=high)


@st.cache_resource(max_entries=8, show_spinner=False)
def _day_air(path: str, modified: int, day_index: int, _season: Season, _day: Day) -> DayAir:
    sample = sampled_day(_day)
    n = len(_day.slots)
    air = {k: a[:n] for k, a in sample.items()}
    conditions = {
        k: np.asarray(c, dtype=np.float32)
        for k, c in limits.conditions_from_air(
            air["density_altitude"], air["toward_crowd"], air["along_line"], air["gust"], air["wind_speed"]
        ).items()
    }
    v = _season.values
    stated = {c: k for k, c in enumerate(_season.act_causes) if np.isfinite(v["act_limit"][_day.venue, k])}
    given = limits.act_chances(
        {c: air[c] for c in _season.act_causes},
        {c: float(v["act_comfortable"][_day.venue, k]) for c, k in stated.items()},
        {c: float(v["act_limit"][_day.venue, k]) for c, k in stated.items()},
        thunder_stops=bool(_season.attrs["thunder_stops"]),
        two_amber_is_red=bool(_season.attrs["two_amber_is_red"]),
    )
    flies = np.ones(air["wind_speed"].shape)
    for k, c in enumerate(_season.act_causes):
        # A cause counts at the slots where the forecast judged it: elsewhere it was not observed.
        judged = np.isfinite(v["act_out_by_cause"][_day.index, :n, k])[:, None, None, None]
        if c in given:
            flies = flies * (1.0 - np.where(judged, given[c], 0.0))
    r = np.maximum(
        clim.lag_one_correlation(air["density_altitude"]), clim.lag_one_correlation(air["wind_speed"])
    )
    routine = _routine_used(path, modified, _season)
    return DayAir(
        conditions,
        dict(zip(limits.CAUSES, routine.by_cause(conditions), strict=True)),
        flies,
        clim.effective_days(float(air["wind_speed"].shape[2]), r),
        v["figure_effective_size"][_day.index, :n],
    )


@st.cache_resource(max_entries=4, show_spinner=False)
def _routine_used(path: str, modified: int, _season: Season) -> limits.RoutineChance:
    return _full_show(_season, curves_used(_season))


def _full_show(season: Season, curves: limits.Curves) -> limits.RoutineChance:
    return limits.RoutineChance(
        curves.take(season.full), correlation=float(season.attrs["routine_correlation"])
    )


def day_air(season: Season, day: Day) -> DayAir:
    """One day's sampled air, read once."""
    return _day_air(*stamp(results_file()), day.index, season, day)


def figure_if(air: DayAir, curves: limits.Curves, figure: int) -> Chances:
    """Chance that one figure is changed, by slot, under given limits.

    The interval takes the smaller of this sample's effective size and the forecast's.
    """
    _, total = limits.figure_chances(air.conditions, curves.take([figure]))
    p, n_eff, years = clim.effective_sample_size(clim.year_means(total[0]), air.days)
    low, high = clim.wilson_interval(p, np.fmin(n_eff, air.figure_sizes[:, figure]), years)
    return Chances(p, low, high)


def planned_if(season: Season, day: Day, air: DayAir, curves: limits.Curves, condition: str) -> Chances:
    """Chance that the full show is flown as planned, by slot, with the limits for one condition changed.

    Causes are independent given the air, so that only the condition's own cause is judged again, save where
    two causes past comfortable count as one past its limit. The
    interval takes the smaller of this sample's effective size and the forecast's, whose interval also
    carries the trend's error.

    Parameters
    ----------
    season, day, air
        What is in hand.
    curves
        Limits that differ from those the forecast used for `condition` at most.
    condition
        One of `limits.CONDITIONS`.
    """
    cause = limits.CONDITIONS[condition]
    nothing = np.full(len(curves.names), np.nan)
    alone = limits.Curves(
        curves.names,
        {c: v if limits.CONDITIONS[c] == cause else nothing for c, v in curves.comfortable.items()},
        {c: v if limits.CONDITIONS[c] == cause else nothing for c, v in curves.limit.items()},
    )
    if curves.two_amber_is_red:
        unchanged = 1.0 - _full_show(season, curves)(air.conditions)
    else:
        by_cause = air.by_cause | {cause: _full_show(season, alone).cause(cause, air.conditions)}
        unchanged = np.prod([1.0 - chance for chance in by_cause.values()], axis=0)
    by_year = clim.year_means(air.act_flies * unchanged)
    p, n_eff, years = clim.effective_sample_size(by_year, air.days)
    stored = season.values["sample_effective_size"][day.index, : p.size]
    low, high = clim.wilson_interval(p, np.fmin(n_eff, stored), years)
    return Chances(p, low, high)


def planned_without_trend(season: Season, day: Day) -> FloatArray | None:
    """Chance that the full show is flown as planned, by slot, with past years left as warm as they were.

    From the forecast's own change of each year's chance for a kelvin of warming: good to first
    order, without an interval. None where the season was computed without a trend already.
    """
    v = season.values
    trend = float(v["station_trend"][day.venue])
    if trend == 0.0 or not np.isfinite(trend):
        return None
    n = len(day.slots)
    by_year = v["routine_as_planned_by_year"][day.index, :n, 0]
    per_trend = v["routine_as_planned_per_trend"][day.index, :n, 0]
    cooler = np.nanmean(by_year - trend * per_trend, axis=-1)
    return np.asarray(np.clip(cooler, 0.0, 1.0))


def exceedance_of(values: FloatArray, days: float, grid: FloatArray) -> Chances:
    """Share of the sampled hours above each value of a grid, (value,), with its interval.

    Parameters
    ----------
    values
        (year, day offset, hour offset), NaN where not observed.
    days
        Effective number of independent days a year.
    grid
        (value,).
    """
    above = np.where(np.isnan(values), np.nan, values > grid[:, None, None, None])
    held = estimate(clim.year_means(above), np.full(grid.size, days))
    return Chances(held.value, held.lower, held.upper)
