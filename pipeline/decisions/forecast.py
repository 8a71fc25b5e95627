"""From sampled air to what a booking day needs: chances of change with their intervals, and quantiles.

A figure's chance and the routine's are computed on the same sampled hours, hour by hour, and averaged
last: by year first, so that a year is one observation, then over years.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air import atmosphere as atm
from pipeline.air import climatology as clim
from pipeline.air.show_hours import ShowHourSample
from pipeline.decisions import limits
from pipeline.decisions.limits import ACT_CAUSES, CAUSES, Curves, RoutineChance, TiedChances

__all__ = [
    "QUANTILES",
    "QUANTITIES",
    "THIN",
    "ActLimits",
    "Estimate",
    "LogStep",
    "SlotForecast",
    "air_conditions",
    "estimate",
    "forecast_slots",
    "planned_per_step",
    "thinned",
]

FloatArray = npt.NDArray[np.floating]

QUANTILES = (0.10, 0.25, 0.50, 0.75, 0.90)
"""Quantiles reported, as `climatology.predictive_quantiles` reads them."""

QUANTITIES = (
    "density_altitude",
    "temperature",
    "wind_speed",
    "gust",
    "gust_low",
    "gust_high",
    "toward_crowd",
    "along_line",
    "runway_crosswind",
)
"""Sampled quantities whose quantiles are reported, SI."""

_MISSING_IS_NOT_OBSERVED = 0.5  # an act condition observed in fewer of the sampled hours is not judged


@dataclass(frozen=True)
class ActLimits:
    """Limits of the whole act, SI; a cause without limits is left out."""

    comfortable: Mapping[str, float]
    limit: Mapping[str, float]
    thunder_stops: bool = True
    two_amber_is_red: bool = False


@dataclass(frozen=True)
class LogStep:
    """Limits other than those used, and the routines judged by them; each routine as in `forecast_slots`.

    The first of a list are the limits learned from the log made stricter by a standard deviation of what is
    not known of them, the last the limits without the log.
    """

    curves: Curves
    routines: Sequence[RoutineChance]


THIN = 3
"""Of the sampled days every third tells how uncertain the learned limits leave a chance."""


def thinned(conditions: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Conditions, (instant, year, day, hour offset), on every third day."""
    return {name: v[:, :, ::THIN] for name, v in conditions.items()}


@dataclass(frozen=True)
class Estimate:
    """A probability with what it rests on; arrays of one shape.

    Attributes
    ----------
    value, lower, upper
        Mean over years and its 90 % interval.
    by_year
        (..., year); NaN for a year that does not count.
    years
        Years that count.
    effective_size
        Effective number of independent days.
    """

    value: FloatArray
    lower: FloatArray
    upper: FloatArray
    by_year: FloatArray
    years: npt.NDArray[np.integer]
    effective_size: FloatArray


@dataclass(frozen=True)
class SlotForecast:
    """Everything computed for some show instants of one venue, by instant (first axis).

    Attributes
    ----------
    figure
        Chance that each figure is changed for any cause, (instant, figure).
    figure_by_cause
        (instant, figure, cause).
    figure_at_gust_bound
        Chance with every unreported gust at its upper bound, (instant, figure).
    as_planned
        Chance that the act flies and no figure of the routine is changed, (instant, routine).
    as_planned_warmer
        Change of `as_planned.by_year` per kelvin of warming, (instant, routine, year).
    as_planned_per_step
        Change of `as_planned` for each step of the log, (instant, routine, step).
    as_planned_range
        `as_planned` with figures' judgements independent, and wholly tied, (instant, routine, 2).
    routine_by_cause
        Chance that some figure of the routine is changed, by cause, (instant, routine, cause).
    act
        Chance that the act stays on the ground, (instant, act cause); NaN where not observed.
    act_any
        For any act cause that is observed, (instant,).
    quantile, quantile_lower, quantile_upper
        By quantity of `QUANTITIES`, (instant, quantile).
    observed_share
        Share of the window observed, by quantity and act cause, (instant,).
    gust_reported_share
        Share of the sampled hours with wind that carry a reported gust, (instant,).
    """

    figure: Estimate
    figure_by_cause: FloatArray
    figure_at_gust_bound: FloatArray
    as_planned: Estimate
    as_planned_warmer: FloatArray
    as_planned_per_step: FloatArray
    as_planned_range: FloatArray
    routine_by_cause: FloatArray
    act: FloatArray
    act_any: Estimate
    quantile: Mapping[str, FloatArray]
    quantile_lower: Mapping[str, FloatArray]
    quantile_upper: Mapping[str, FloatArray]
    observed_share: Mapping[str, FloatArray]
    gust_reported_share: FloatArray


def air_conditions(sample: ShowHourSample, *, gust: FloatArray | None = None) -> dict[str, FloatArray]:
    """Conditions of the limits from a sample, in single precision; `gust` replaces the gust in print."""
    return {
        k: v.astype(np.float32)
        for k, v in limits.conditions_from_air(
            sample.density_altitude,
            sample.toward_crowd,
            sample.along_line,
            sample.gust if gust is None else gust,
            sample.wind_speed,
        ).items()
    }


def estimate(
    by_year: FloatArray,
    independent_days: FloatArray,
    extra_variance: FloatArray | float = 0.0,
    log_variance: FloatArray | float = 0.0,
) -> Estimate:
    """Estimate of a chance from its yearly means, (..., year), with its interval.

    `extra_variance` is the trend's, part of what the years differ by; `log_variance` is that of the limits
    learned from the log, which no number of years or days makes smaller.
    """
    p, n_eff, years = clim.effective_sample_size(by_year, independent_days, extra_variance)
    if np.any(np.asarray(log_variance) > 0.0):
        spread = p * (1.0 - p)
        with np.errstate(invalid="ignore", divide="ignore"):
            n_eff = np.where(spread > 0.0, spread / (spread / n_eff + log_variance), n_eff)
        n_eff = np.maximum(n_eff, 1.0)
    low, high = clim.wilson_interval(p, n_eff, years)
    return Estimate(p, low, high, by_year, years, n_eff)


@dataclass(frozen=True)
class _Figures:
    """Figures' chances: by year (instant, figure, year), by cause and at the gust bound over the years."""

    by_year: FloatArray
    by_cause: FloatArray
    at_gust_bound: FloatArray


def _figures(
    conditions: Mapping[str, FloatArray], at_bound: Mapping[str, FloatArray], curves: Curves
) -> _Figures:
    """Chance that each figure is changed; `at_bound` holds gust and gust spread with every unreported gust
    at its upper bound.

    Figure by figure: an array of one figure stays in the processor's cache.
    """
    known = {k: np.isfinite(v) for k, v in conditions.items()}
    filled = {k: np.where(known[k], v, np.float32(0.0)) for k, v in conditions.items()}
    bound = {k: np.where(known[k], v, np.float32(0.0)) for k, v in at_bound.items()}
    means: dict[tuple[str, ...], clim.YearMeans] = {}

    def over(names: Sequence[str]) -> clim.YearMeans:
        """Means over the hours in which all of these conditions are known."""
        key = tuple(names)
        if key not in means:
            everywhere = np.ones_like(next(iter(known.values())))
            means[key] = clim.YearMeans(np.logical_and.reduce([everywhere, *(known[n] for n in key)]))
        return means[key]

    tables = limits.RoughAirTables(curves)
    stated, highest = tables.place(filled), tables.place(bound)
    smooth = [cause for cause in CAUSES if cause != "rough_air"]
    shape = (len(curves.names), *next(iter(conditions.values())).shape[:2])
    by_year, at_bound_by_year = np.zeros(shape), np.zeros(shape)
    by_cause = np.zeros((len(CAUSES), *shape))
    red = red_at_bound = None
    if curves.two_amber_is_red:
        red = limits.figures_with_two_ambers(filled, curves)
        red_at_bound = limits.figures_with_two_ambers(filled | bound, curves)
    for f in range(len(curves.names)):
        limited = [k for k in limits.CONDITIONS if k in curves.limit and not np.isnan(curves.limit[k][f])]
        mean = over(limited)
        chances = limits.figure_cause_chances(filled, curves, f, smooth)
        unchanged = np.ones_like(filled["density_altitude"])
        for chance in chances.values():
            unchanged *= 1.0 - chance
        calm = unchanged
        if tables.limited(f):
            chances["rough_air"] = tables.chance(f, stated)
            calm = unchanged * (1.0 - tables.chance(f, highest))
            unchanged *= 1.0 - chances["rough_air"]
        if red is not None and red_at_bound is not None:
            chances = {c: np.maximum(v, red[f, CAUSES.index(c)]) for c, v in chances.items()}
            unchanged = np.where(red[f].any(axis=0), 0.0, unchanged)
            calm = np.where(red_at_bound[f].any(axis=0), 0.0, calm)
        by_year[f] = 1.0 - mean(unchanged)
        at_bound_by_year[f] = 1.0 - mean(calm)
        for cause, chance in chances.items():
            owned = over([k for k in limited if limits.CONDITIONS[k] == cause])
            by_cause[CAUSES.index(cause), f] = owned(chance)
    return _Figures(
        np.moveaxis(by_year, 0, 1),
        np.moveaxis(_over_years(by_cause), (0, 1, 2), (2, 1, 0)),
        _over_years(at_bound_by_year).T,
    )


def _over_years(by_year: FloatArray) -> FloatArray:
    """Mean over the years that count, (...,) from (..., year); NaN where none does."""
    held = np.isfinite(by_year)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(held, by_year, 0.0).sum(axis=-1) / held.sum(axis=-1))


def _act(sample: ShowHourSample, act: ActLimits) -> tuple[FloatArray, FloatArray]:
    """Act causes given the air, (act cause, instant, ...), 0 where not judged; and which are judged."""
    given = limits.act_chances(
        {
            "runway_crosswind": sample.runway_crosswind,
            "ceiling": sample.ceiling,
            "visibility": sample.visibility,
            "thunder": sample.thunder,
        },
        act.comfortable,
        act.limit,
        thunder_stops=act.thunder_stops,
        two_amber_is_red=act.two_amber_is_red,
    )
    shape = sample.wind_speed.shape
    chance = np.zeros((len(ACT_CAUSES), *shape))
    judged = np.zeros((len(ACT_CAUSES), shape[0]), dtype=bool)
    for i, cause in enumerate(ACT_CAUSES):
        if cause not in given:
            continue
        # Compared with the hours that report at all: an outage of the station is not this cause's.
        reporting = np.isfinite(sample.temperature)
        seen = np.isfinite(given[cause]) & reporting
        share = seen.sum(axis=(1, 2, 3)) / np.maximum(reporting.sum(axis=(1, 2, 3)), 1)
        judged[i] = share >= _MISSING_IS_NOT_OBSERVED
        chance[i] = np.where(judged[i][:, None, None, None], given[cause], 0.0)
    return chance, judged


def _log_variance(per_step: FloatArray) -> FloatArray | float:
    """Squared standard error that the learned limits add; the last step is no error."""
    return np.asarray(np.nansum(per_step[..., :-1] ** 2, axis=-1)) if per_step.shape[-1] else 0.0


def _figures_per_step(
    conditions: Mapping[str, FloatArray], curves: Curves, steps: Sequence[LogStep]
) -> FloatArray:
    """Change of every figure's chance for each step, (instant, figure, step)."""
    if not steps:
        return np.zeros((len(next(iter(conditions.values()))), len(curves.names), 0))
    base = limits.figure_chances(conditions, curves)[1]
    changes = [limits.figure_chances(conditions, s.curves)[1] - base for s in steps]
    return np.stack([np.moveaxis(_over_years(clim.year_means(c)), 0, 1) for c in changes], axis=-1)


def planned_per_step(
    act_flies: FloatArray, by_cause: FloatArray, otherwise: Sequence[FloatArray]
) -> FloatArray:
    """Change of the chance that a routine is flown as planned, (instant, step).

    Parameters
    ----------
    act_flies
        Of the sampled hours, (instant, year, day, hour offset).
    by_cause
        Chance that something in the routine is changed by the limits used, by cause, (cause, ...).
    otherwise
        The same for any cause by the other limits, (...,), one a step.
    """
    if not otherwise:
        return np.zeros((act_flies.shape[0], 0))
    changed = 1.0 - np.prod(1.0 - by_cause, axis=0)
    moved = [_over_years(clim.year_means(act_flies * (changed - other))) for other in otherwise]
    return np.stack(moved, axis=-1)


def forecast_slots(
    sample: ShowHourSample,
    curves: Curves,
    routines: Sequence[TiedChances],
    act: ActLimits,
    *,
    trend_variance: float = 0.0,
    trend_reach: FloatArray | None = None,
    log_steps: Sequence[LogStep] = (),
) -> SlotForecast:
    """Chances and quantiles for every instant of a sample.

    Parameters
    ----------
    sample
        Sampled air, (instant, year, day, hour offset).
    curves
        Limits of the season's figures.
    routines
        Each routine's chances.
    act
        Limits of the act.
    trend_variance
        Squared standard error of the temperature trend [K2 year-2].
    trend_reach
        Years from each sampled year to the booking's, (instant, year).
    log_steps
        What the log leaves unknown, and the limits without it; none where there is no log.
    """
    n_days = sample.day_offsets.size
    r = np.maximum(
        clim.lag_one_correlation(sample.density_altitude), clim.lag_one_correlation(sample.wind_speed)
    )
    days = clim.effective_days(float(n_days), r)

    conditions = air_conditions(sample)
    highest = air_conditions(sample, gust=sample.gust_high)
    bound = {k: highest[k] for k in ("gust", "gust_spread")}
    figures = _figures(conditions, bound, curves)
    per_figure = _figures_per_step(thinned(conditions), curves, log_steps)
    figure = estimate(figures.by_year, days[:, None], log_variance=_log_variance(per_figure))

    act_chance, judged = _act(sample, act)
    act_flies = np.prod(1.0 - act_chance, axis=0)
    act_mean = np.moveaxis(_over_years(clim.year_means(act_chance)), -1, 0)
    act_share = np.where(judged.T, act_mean, np.nan)

    warmer = {
        "density_altitude": atm.density_altitude(
            sample.pressure, sample.temperature + 1.0, sample.dew_point
        ).astype(np.float32)
    }
    act_known = np.isfinite(act_flies)
    flies = np.where(act_known, act_flies, 0.0).astype(np.float32)
    da = CAUSES.index("density_altitude")
    planned, warmed, spread, causes, steps = [], [], [], [], []
    for place, ties in enumerate(routines):
        chances = ties.by_cause(conditions)
        otherwise = [s.routines[place](conditions) for s in log_steps]
        steps.append(planned_per_step(act_flies, chances[0], otherwise))
        known = np.isfinite(chances[0])
        both = clim.YearMeans(act_known & known.all(axis=0))
        routine, *bounds = (np.where(known, c, np.float32(0.0)) for c in chances)
        hot = ties.stated.cause("density_altitude", warmer)
        rest = flies * np.prod(1.0 - np.delete(routine, da, axis=0), axis=0)
        planned.append(both(rest * (1.0 - routine[da])))
        warmed.append(both(rest * (1.0 - np.where(known[da], hot, np.float32(0.0)))) - planned[-1])
        causes.append(np.moveaxis(_over_years(clim.YearMeans(known)(routine)), -1, 0))
        spread.append(
            np.stack([_over_years(both(flies * np.prod(1.0 - c, axis=0))) for c in bounds], axis=-1)
        )
    as_planned_by_year = np.stack(planned, axis=1)
    as_planned_warmer = np.stack(warmed, axis=1)
    trend_error: FloatArray | float = 0.0
    if trend_reach is not None and trend_variance > 0:
        slope = _over_years(as_planned_warmer * trend_reach[:, None, :])
        trend_error = trend_variance * slope**2
    per_step = np.stack(steps, axis=1)

    # What one standard error of the trend, over the years it reaches, moves each quantity by.
    error = np.zeros((len(QUANTITIES), days.size))
    if trend_reach is not None and trend_variance > 0:
        kelvins = np.sqrt(trend_variance) * np.abs(trend_reach.mean(axis=-1))
        error[QUANTITIES.index("temperature")] = kelvins
        error[QUANTITIES.index("density_altitude")] = kelvins * _over_years(
            clim.year_means(warmer["density_altitude"] - conditions["density_altitude"])
        )
    values = np.stack([getattr(sample, name) for name in QUANTITIES], dtype=np.float32, casting="same_kind")
    quantile, lower, upper = (
        dict(zip(QUANTITIES, each, strict=True))
        for each in clim.quantile_interval(values, QUANTILES, days, error)
    )
    observed = dict(zip(QUANTITIES, np.isfinite(values).mean(axis=(2, 3, 4)), strict=True))
    for i, cause in enumerate(ACT_CAUSES):
        observed[cause] = np.where(judged[i], np.isfinite(act_chance[i]).mean(axis=(1, 2, 3)), 0.0)
    with_wind = np.isfinite(sample.wind_speed).sum(axis=(1, 2, 3))
    reported = sample.gust_reported.sum(axis=(1, 2, 3)) / np.maximum(with_wind, 1)
    return SlotForecast(
        figure=figure,
        figure_by_cause=figures.by_cause,
        figure_at_gust_bound=figures.at_gust_bound,
        as_planned=estimate(as_planned_by_year, days[:, None], trend_error, _log_variance(per_step)),
        as_planned_warmer=as_planned_warmer,
        as_planned_per_step=per_step,
        as_planned_range=np.stack(spread, axis=1),
        routine_by_cause=np.stack(causes, axis=1),
        act=act_share,
        act_any=estimate(clim.year_means(1.0 - act_flies), days),
        quantile=quantile,
        quantile_lower=lower,
        quantile_upper=upper,
        observed_share=observed,
        gust_reported_share=reported,
    )
