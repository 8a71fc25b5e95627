"""Hindcasts: every past year forecast as if it lay ahead, by the method that forecasts the season.

*Forward*, a year is forecast from earlier years only; *leave one out*, from all other years. The sample,
the moves by cycle and trend, and the counting are those of the season's forecast; the truth is the
station's own report at the hour. Three things to beat are scored beside it: the frequency at the same hour
over the whole season in the same earlier years, the single number of a monthly normal, and the same method
without the trend.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.air import atmosphere as atm
from pipeline.air import climatology as clim
from pipeline.air import gusts, wind
from pipeline.air.climatology import CyclePicker, YearlySums, refit, yearly_sums
from pipeline.air.show_hours import StationRecord
from pipeline.air.variables import KT
from pipeline.air.venue import station_pressure
from pipeline.decisions import verification as ver

__all__ = [
    "DEFAULT_MINIMUM_YEARS",
    "VARIABLES",
    "HindcastResult",
    "HourlyAir",
    "Scheme",
    "Targets",
    "density_altitude_scores",
    "hindcast",
    "hourly_air",
    "observed_density_altitude",
    "threshold_scores",
]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
BoolArray = npt.NDArray[np.bool_]
Scheme = str

VARIABLES = ("density_altitude", "gust", "crosswind")
DEFAULT_MINIMUM_YEARS = 8
"""Earlier years that a forecast needs before it is scored, unless a first year is stated."""

INTERVAL = (0.05, 0.95)
_KEYS_AT_ONCE = 160
_LEAST_GUST_YEARS = 2  # earlier years of the trusted practice that the gust model needs
_NEAR_SEASON_DAYS = 30


@dataclass(frozen=True)
class HourlyAir:
    """A station's record as the hindcast reads it, hourly, (hour,), SI.

    Attributes
    ----------
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    temperature, dew_point, pressure
        [K, K, Pa]; pressure is the standard atmosphere's where `pressure_observed` is false.
    pressure_observed
        Whether the hour reported some pressure.
    wind_speed, crosswind
        In whole knots before the components are taken [m s-1].
    gust_reported
        [m s-1], NaN where none was reported; None where the station never reports one.
    practice
        The station's gust reporting practice.
    temperature_sums, dew_point_sums
        From which their cycles are refitted.
    """

    first_hour: int
    temperature: FloatArray
    dew_point: FloatArray
    pressure: FloatArray
    pressure_observed: BoolArray
    wind_speed: FloatArray
    crosswind: FloatArray
    gust_reported: FloatArray | None
    practice: gusts.ReportingPractice
    temperature_sums: YearlySums
    dew_point_sums: YearlySums

    def hours(self) -> FloatArray:
        """Hours since 1970-01-01, (hour,)."""
        return self.first_hour + np.arange(self.temperature.size, dtype=float)


def hourly_air(record: StationRecord, runway_true_heading: float) -> HourlyAir:
    """Read a record as the show-hour sample does, hour by hour.

    Parameters
    ----------
    record
        The station's hours.
    runway_true_heading
        [degree].
    """
    values = record.values
    temperature = np.asarray(values["air_temperature"], dtype=float)
    size = temperature.size
    none = np.full(size, np.nan)

    def held(name: str) -> FloatArray:
        found = values.get(name)
        return none if found is None else np.asarray(found, dtype=float)

    pressure, source = station_pressure(
        values.get("surface_air_pressure"),
        values.get("altimeter_setting"),
        values.get("air_pressure_at_mean_sea_level"),
        atm.temperature_12h_mean(temperature),
        elevation=record.elevation,
        plateau=record.plateau,
    )
    speed = wind.whole_knots(held("wind_speed"))
    hours = record.first_hour + np.arange(size, dtype=float)
    direction = wind.with_variable_direction(held("wind_from_direction"), speed, hours)
    _, crosswind = wind.runway_components(speed, direction, runway_true_heading)
    gust = values.get("wind_speed_of_gust")
    reported = None if gust is None else np.asarray(gust, dtype=float)
    return HourlyAir(
        record.first_hour,
        temperature,
        np.minimum(held("dew_point_temperature"), temperature),
        pressure,
        np.asarray(source < 3),
        speed,
        crosswind,
        reported,
        gusts.reporting_practice(speed, reported, record.first_hour),
        yearly_sums(temperature, record.first_hour),
        yearly_sums(held("dew_point_temperature"), record.first_hour),
    )


@dataclass(frozen=True)
class Targets:
    """Past show instants to forecast, (target,).

    Attributes
    ----------
    utc
        datetime64[s].
    year
        Local calendar year.
    group
        Label of the local hour; the reference climatology is taken within it.
    month
        Local month, 1 to 12.
    """

    utc: npt.NDArray[np.datetime64]
    year: IntArray
    group: IntArray
    month: IntArray


@dataclass(frozen=True)
class HindcastResult:
    """Forecasts and what happened, (target,); NaN where there was no forecast or no report.

    Attributes
    ----------
    targets
        What was asked.
    density_altitude, low, high
        Truth, and the ends of the forecast's 90 % interval [m].
    crps, crps_reference, crps_normal, crps_no_trend
        Of the forecast, the same-hour season climatology, the monthly normal, and without trend [m]; the
        last three only where they were asked to be compared.
    outcome, probability, reference
        By variable and threshold, each (target,).
    normal, no_trend
        Likewise for density altitude.
    """

    targets: Targets
    density_altitude: FloatArray
    low: FloatArray
    high: FloatArray
    crps: FloatArray
    crps_reference: FloatArray
    crps_normal: FloatArray
    crps_no_trend: FloatArray
    outcome: Mapping[tuple[str, float], FloatArray]
    probability: Mapping[tuple[str, float], FloatArray]
    reference: Mapping[tuple[str, float], FloatArray]
    normal: Mapping[tuple[str, float], FloatArray]
    no_trend: Mapping[tuple[str, float], FloatArray]

    def scored_years(self, variable: str) -> list[int]:
        """Years in which some threshold of a variable was forecast and reported, in order."""
        scored: set[int] = set()
        for key, p in self.probability.items():
            if key[0] == variable:
                scored.update(self.targets.year[np.isfinite(p) & np.isfinite(self.outcome[key])].tolist())
        return sorted(scored)


@dataclass
class _Columns:
    """What one chunk of distinct show instants draws from the record, (key, year, day, hour offset)."""

    years: IntArray
    instants: FloatArray
    picker: CyclePicker
    temperature: FloatArray
    dew_point: FloatArray
    pressure: FloatArray
    indicator: dict[tuple[str, float], FloatArray] = field(default_factory=dict)  # (key, year)


def hindcast(
    air: HourlyAir,
    targets: Targets,
    thresholds: Mapping[str, Sequence[float]],
    *,
    scheme: Scheme = "forward",
    first_year: int | None = None,
    minimum_years: int = DEFAULT_MINIMUM_YEARS,
    history_years: int | None = None,
    window_days: int = 15,
    hour_offsets: tuple[int, ...] = clim.HOUR_OFFSETS,
    trend: bool = True,
    quantile_type: int | None = None,
    compare: bool = True,
    gust_model: bool | None = None,
) -> HindcastResult:
    """Forecast every target from the years that the scheme allows, and hold it against the report.

    Parameters
    ----------
    air
        The record.
    targets
        Past show instants, all hours of the season; earlier ones are the reference's climatology.
    thresholds
        By name of `VARIABLES`, [m] and [m s-1].
    scheme
        "forward", or "leave_one_out".
    first_year
        First year scored; None for the first that the minimum allows.
    minimum_years
        Sampled years that a forecast needs.
    history_years
        Forward, how many years back a forecast and its reference reach; None for all that there are.
    window_days, hour_offsets, trend
        As in the season's forecast.
    quantile_type
        6, 7 or 8 reads the interval off the sampled hours as if they were independent; None as the season's
        forecast does (`pipeline.air.climatology.predictive_quantiles`).
    compare
        Whether to score the monthly normal and the method without trend as well.
    gust_model
        Whether gusts come from a model refitted for every year, applied to the winds of all years allowed,
        or are counted in print over the trusted ones, which is much quicker; None for the model forward and
        the count leaving one out.
    """
    if scheme not in ("forward", "leave_one_out"):
        raise ValueError(f"hindcast: scheme must be forward or leave_one_out, got {scheme!r}")
    forward = scheme == "forward"

    def allowed_of(years: IntArray, y: int) -> BoolArray:
        """Which years the forecast of one year may use."""
        if not forward:
            return np.asarray(years != y)
        return np.asarray((years < y) & (years >= (y - history_years if history_years else -np.inf)))

    hours = np.asarray(targets.utc, dtype="datetime64[s]").astype(np.int64) / 3600.0
    n = hours.size
    wanted = {k: tuple(thresholds.get(k, ())) for k in VARIABLES}
    hourly = {"crosswind": air.crosswind}
    if wanted["gust"]:
        hourly["gust"] = _gusts_in_print(air)
    truth = {k: clim.gather_nearest(series, air.first_hour, hours) for k, series in hourly.items()}
    truth["density_altitude"] = observed_density_altitude(air, targets)
    modelled = forward if gust_model is None else gust_model
    keys = [(k, x) for k in VARIABLES for x in wanted[k]]
    outcome = {key: _reached(truth[key[0]], key[1]) for key in keys}
    nothing = np.full(n, np.nan)
    probability = {key: nothing.copy() for key in keys}
    da_keys = [key for key in keys if key[0] == "density_altitude"]
    no_trend = {key: nothing.copy() for key in da_keys}
    low, high, crps, crps_flat = (nothing.copy() for _ in range(4))

    record_years = np.unique(gusts.calendar_years(air.hours()[[0, -1]]))
    record_years = np.arange(record_years[0], record_years[-1] + 1)
    t_sums, d_sums = air.temperature_sums, air.dew_point_sums
    scored = np.unique(targets.year)
    if first_year is not None:
        scored = scored[scored >= first_year]
    keep = {int(y): allowed_of(t_sums.years, int(y)) for y in scored}
    fits = {y: _fits(t_sums, d_sums, use, trend) for y, use in keep.items()}
    flat = {y: _fits(t_sums, d_sums, use, False) for y, use in keep.items()} if compare and trend else {}
    pressure = float(air.pressure.mean())
    models = _gust_models(air, hours, scored, wanted["gust"], allowed_of) if modelled else {}
    counted = {k: series for k, series in hourly.items() if k == "crosswind" or not modelled}

    # Targets of one date and time of day share their window; it is read once.
    month = targets.utc.astype("datetime64[M]").astype(int)
    day = (
        targets.utc.astype("datetime64[D]") - targets.utc.astype("datetime64[M]").astype("datetime64[D]")
    ).astype(int)
    second = (targets.utc - targets.utc.astype("datetime64[D]").astype(targets.utc.dtype)).astype(np.int64)
    label = ((month % 12) * 31 + day) * 86_400 + second
    _, chosen, key_of = np.unique(label, return_index=True, return_inverse=True)
    for start in range(0, chosen.size, _KEYS_AT_ONCE):
        part = chosen[start : start + _KEYS_AT_ONCE]
        columns = _columns(air, targets.utc[part], record_years, window_days, hour_offsets)
        for name, series in counted.items():
            drawn = clim.gather_nearest(series, air.first_hour, columns.instants)
            for x in wanted[name]:
                columns.indicator[name, x] = clim.year_means(_reached(drawn, x))
        in_part = np.flatnonzero((key_of >= start) & (key_of < start + part.size))
        for y in scored:
            at = in_part[targets.year[in_part] == y]
            if at.size == 0:
                continue
            local = key_of[at] - start
            allowed = allowed_of(record_years, int(y))
            if not allowed.any():
                continue
            sample = _moved(columns, local, allowed, hours[at], fits[int(y)], forward, window_days)
            ends = _da_forecast(
                sample,
                truth["density_altitude"][at],
                at,
                crps,
                probability,
                da_keys,
                minimum_years,
                _trend_shift(fits[int(y)], int(y), hours[at], pressure),
                quantile_type,
            )
            low[at], high[at] = ends.T
            if flat:
                if fits[int(y)][0].trend != 0.0:
                    sample = _moved(columns, local, allowed, hours[at], flat[int(y)], forward, window_days)
                    _da_forecast(
                        sample,
                        truth["density_altitude"][at],
                        at,
                        crps_flat,
                        no_trend,
                        da_keys,
                        minimum_years,
                    )
                else:
                    crps_flat[at] = crps[at]
                    for key in da_keys:
                        no_trend[key][at] = probability[key][at]
            for key in keys:
                if key[0] in counted:
                    by_year = columns.indicator[key][np.ix_(local, np.flatnonzero(allowed))]
                    probability[key][at] = _mean_of_years(by_year, minimum_years)
                elif key[0] == "gust" and int(y) in models:
                    series = models[int(y)][key[1]]
                    drawn = clim.gather_nearest(
                        series, air.first_hour, columns.instants[np.ix_(local, np.flatnonzero(allowed))]
                    )
                    probability[key][at] = _mean_of_years(clim.year_means(drawn), minimum_years)

    reference, crps_reference = _references(
        truth["density_altitude"], outcome, targets, scored, allowed_of, compare
    )
    normal, crps_normal = _normals(
        air, truth["density_altitude"], targets, scored, allowed_of, da_keys, compare
    )
    return HindcastResult(
        targets, truth["density_altitude"], low, high, crps, crps_reference, crps_normal, crps_flat,
        outcome, probability, reference, normal, no_trend,
    )  # fmt: skip


def _reached(values: FloatArray, threshold: float) -> FloatArray:
    """1 where a threshold is reached, 0 where not, NaN where missing; rounding never decides."""
    return np.where(np.isnan(values), np.nan, (values >= threshold - 1e-6).astype(float))


def _gusts_in_print(air: HourlyAir) -> FloatArray:
    """Gust peaks of the years whose reporting is trusted [m s-1], (hour,); NaN in the others."""
    if air.gust_reported is None or not air.practice.reports:
        return np.full(air.wind_speed.size, np.nan)
    peak = wind.gust_peak(air.wind_speed, air.gust_reported)
    return np.where(air.practice.trusted(gusts.calendar_years(air.hours())), peak, np.nan)


def observed_density_altitude(air: HourlyAir, targets: Targets) -> FloatArray:
    """Density altitude [m] reported at the targets, (target,); NaN where anything, pressure too, was not."""
    hours = targets.utc.astype("datetime64[s]").astype(np.int64) / 3600.0
    observed = np.where(air.pressure_observed, air.pressure, np.nan)
    return atm.density_altitude(
        clim.gather(observed, air.first_hour, hours),
        clim.gather(air.temperature, air.first_hour, hours),
        clim.gather(air.dew_point, air.first_hour, hours),
    )


Fits = tuple[clim.SeasonalCycle, clim.SeasonalCycle]
Allowed = Callable[[IntArray, int], BoolArray]


def _fits(t_sums: YearlySums, d_sums: YearlySums, keep: BoolArray, trend: bool) -> Fits:
    return refit(t_sums, keep, trend=trend), refit(d_sums, keep, trend=False)


def _gust_models(
    air: HourlyAir, hours: FloatArray, scored: IntArray, thresholds: Sequence[float], allowed_of: Allowed
) -> dict[int, dict[float, FloatArray]]:
    """For each scored year the chance of each gust threshold at every hour of the record near the season."""
    if not thresholds or air.gust_reported is None or not air.practice.reports:
        return {}
    every = air.hours()
    year = gusts.calendar_years(every)
    near = gusts.hours_like(every, hours, days=_NEAR_SEASON_DAYS)
    knots = sorted({int(np.ceil(x / KT - 1e-6)) for x in thresholds})
    models: dict[int, dict[float, FloatArray]] = {}
    for y in scored:
        allowed = near & allowed_of(year, int(y))
        keep = allowed & air.practice.trusted(year)
        if np.unique(year[keep]).size < _LEAST_GUST_YEARS or y > air.practice.last_year:
            continue
        model = gusts.fit_gust_model(
            air.wind_speed, air.gust_reported, air.first_hour, keep=keep, thresholds_kt=knots
        )
        # At the turn of the year a window reaches into the year itself.
        ask = allowed | (near & (year == y))
        models[int(y)] = {}
        for x in thresholds:
            chance = np.full(every.size, np.nan)
            peak = wind.gust_peak(air.wind_speed[keep], air.gust_reported[keep])
            seldom = model is None or np.ceil(x / KT - 1e-6) not in model.thresholds_kt
            if seldom or model is None:
                # Reached too seldom for a regression: the plain frequency, for every wind.
                share = float(np.mean(_reached(peak[np.isfinite(peak)], x)))
                chance[ask] = np.where(np.isnan(air.wind_speed[ask]), np.nan, share)
            else:
                chance[ask] = gusts.exceedance(model, air.wind_speed[ask], every[ask], x)
            models[int(y)][x] = chance
    return models


def _columns(
    air: HourlyAir,
    instants_of: npt.NDArray[np.datetime64],
    years: IntArray,
    window_days: int,
    hour_offsets: tuple[int, ...],
) -> _Columns:
    instants = clim.window_index(
        instants_of, years, window_days=window_days, hour_offsets=hour_offsets
    ).instants
    return _Columns(
        years,
        instants,
        CyclePicker(instants),
        clim.gather(air.temperature, air.first_hour, instants),
        clim.gather(air.dew_point, air.first_hour, instants),
        clim.gather(air.pressure, air.first_hour, instants),
    )


def _moved(
    columns: _Columns,
    local: IntArray,
    allowed: BoolArray,
    target_hours: FloatArray,
    fits: Fits,
    forward: bool,
    window_days: int,
) -> FloatArray:
    """Density altitude [m] of the sampled hours moved to each target, (target, year, day, hour offset)."""
    pick = np.ix_(local, np.flatnonzero(allowed))
    booked = [clim.seasonal_value(cycle, target_hours)[:, None, None, None] for cycle in fits]
    temperature = columns.temperature[pick] + booked[0] - columns.picker.value(fits[0], pick)
    dew_point = columns.dew_point[pick] + booked[1] - columns.picker.value(fits[1], pick)
    values = atm.density_altitude(columns.pressure[pick], temperature, np.minimum(dew_point, temperature))
    if not forward:
        # At the turn of the year the neighbouring year's window reaches into the target's own days.
        away = np.abs(columns.instants[pick] - target_hours[:, None, None, None])
        values = np.where(away <= 24.0 * 2 * window_days, np.nan, values)
    return values


def _trend_shift(fits: Fits, year: int, target_hours: FloatArray, pressure: float) -> FloatArray:
    """What one standard error of the trend moves density altitude by at each target [m], (target,)."""
    error = np.sqrt(fits[0].trend_variance())
    if error == 0.0:
        return np.zeros(target_hours.size)
    temperature, dew_point = (clim.seasonal_value(cycle, target_hours) for cycle in fits)
    base, warmer = (
        atm.density_altitude(pressure, temperature + more, np.minimum(dew_point, temperature))
        for more in (0.0, 1.0)
    )
    return np.asarray((warmer - base) * error * abs(year - fits[0].years.mean()))


def _da_forecast(
    sample: FloatArray,
    truth: FloatArray,
    at: IntArray,
    crps: FloatArray,
    probability: dict[tuple[str, float], FloatArray],
    keys: Sequence[tuple[str, float]],
    minimum_years: int,
    shift: FloatArray | None = None,
    quantile_type: int | None = None,
) -> FloatArray:
    """Lay CRPS and chances of one year's targets into their arrays; give their intervals, (target, 2).

    Without a `shift` the interval is not asked for, and is NaN.
    """
    held = np.isfinite(sample)
    counted = clim.counted_years(held)
    enough = counted.sum(axis=-1) >= minimum_years
    ordered = np.sort(sample.reshape(at.size, -1).astype(np.float32), axis=-1)
    crps[at] = np.where(enough, ver.crps_of_sorted(ordered, truth), np.nan)
    for key in keys:
        by_year = clim.year_means(np.where(held, sample >= key[1], np.nan))
        probability[key][at] = _mean_of_years(by_year, minimum_years)
    if shift is None:
        return np.full((at.size, len(INTERVAL)), np.nan)
    p = np.asarray(INTERVAL)
    own = clim.quantiles_of_sorted(ordered, p)
    size = np.where(counted, held.sum(axis=(-2, -1)), np.nan)
    share = np.stack([(sample <= q[:, None, None, None]).sum(axis=(-2, -1)) / size for q in own.T], axis=1)
    if quantile_type is None:
        ends = clim.predictive_quantiles(ordered, p, own, share, shift)
    else:
        ends = clim.quantiles_of_sorted(ordered, p, quantile_type)
    return np.asarray(np.where(enough[:, None], ends, np.nan))


def _mean_of_years(by_year: FloatArray, minimum_years: int) -> FloatArray:
    held = np.isfinite(by_year)
    n = held.sum(axis=-1)
    total = np.where(held, by_year, 0.0).sum(axis=-1)
    return np.asarray(np.where(n >= minimum_years, total / np.maximum(n, 1), np.nan))


def _references(
    truth: FloatArray,
    outcome: Mapping[tuple[str, float], FloatArray],
    targets: Targets,
    scored: IntArray,
    allowed_of: Allowed,
    compare: bool,
) -> tuple[dict[tuple[str, float], FloatArray], FloatArray]:
    """Same-hour climatology of the whole season, from the years that the scheme allows."""
    groups, group = np.unique(targets.group, return_inverse=True)
    years, year = np.unique(targets.year, return_inverse=True)
    cell = group * years.size + year
    past = np.stack([allowed_of(years, int(y)) for y in years], axis=1).astype(float)
    reference = {}
    for key, happened in outcome.items():
        held = np.isfinite(happened)
        shape = (groups.size, years.size)
        count = np.bincount(cell[held], minlength=groups.size * years.size).reshape(shape)
        reached = np.bincount(cell[held], weights=happened[held], minlength=groups.size * years.size).reshape(
            shape
        )
        count, reached = count @ past, reached @ past
        share = np.where(count > 0, reached / np.maximum(count, 1), np.nan)
        reference[key] = share.ravel()[cell]
    crps = np.full(targets.year.size, np.nan)
    if compare:
        for g in range(groups.size):
            for y in scored:
                at = np.flatnonzero((group == g) & (targets.year == y))
                earlier = (group == g) & allowed_of(targets.year, int(y))
                crps[at] = ver.crps_against_one_sample(truth[earlier], truth[at])
    return reference, crps


def _normals(
    air: HourlyAir,
    truth: FloatArray,
    targets: Targets,
    scored: IntArray,
    allowed_of: Allowed,
    keys: Sequence[tuple[str, float]],
    compare: bool,
) -> tuple[dict[tuple[str, float], FloatArray], FloatArray]:
    """The single number of a monthly normal: mean density altitude of the month, all hours, past years."""
    crps = np.full(targets.year.size, np.nan)
    step = {key: np.full(targets.year.size, np.nan) for key in keys}
    if not compare:
        return step, crps
    observed = np.where(air.pressure_observed, air.pressure, np.nan)
    every = atm.density_altitude(observed, air.temperature, air.dew_point)
    stamp = air.hours().astype(np.int64).astype("datetime64[h]").astype("datetime64[M]").astype(np.int64)
    held = np.isfinite(every)
    first = int(stamp[0])
    total = np.bincount(stamp[held] - first, weights=every[held], minlength=int(stamp[-1]) - first + 1)
    count = np.bincount(stamp[held] - first, minlength=total.size)
    month_of = (first + np.arange(total.size)) % 12 + 1
    year_of = (first + np.arange(total.size)) // 12 + 1970
    for y in scored:
        past = allowed_of(year_of, int(y))
        for month in np.unique(targets.month):
            use = past & (month_of == month)
            if count[use].sum() == 0:
                continue
            normal = total[use].sum() / count[use].sum()
            at = (targets.year == y) & (targets.month == month)
            crps[at] = np.abs(truth[at] - normal)
            for key in keys:
                step[key][at] = float(normal >= key[1])
    return step, crps


# --- Scores -----------------------------------------------------------------------------------------


def density_altitude_scores(result: HindcastResult) -> dict[str, float | int]:
    """Coverage and tails of the 90 % interval and CRPS skills, fractions, with errors by years."""
    use = np.isfinite(result.low) & np.isfinite(result.density_altitude)
    year = result.targets.year[use]
    truth, low, high = result.density_altitude[use], result.low[use], result.high[use]
    below, above = (truth < low).astype(float), (truth > high).astype(float)
    told: dict[str, float | int] = {"n": int(use.sum()), "years": int(np.unique(year).size)}
    for name, inside in (("coverage_90", 1.0 - below - above), ("tail_low", below), ("tail_high", above)):
        told[name], told[f"{name}_se"] = ver.bias_with_error(inside, year)
    for name, reference in (
        ("crps_skill", result.crps_reference),
        ("crps_skill_against_monthly_normal", result.crps_normal),
        ("crps_skill_against_no_trend", result.crps_no_trend),
    ):
        both = use & np.isfinite(reference) & np.isfinite(result.crps)
        gained = ver.skill(result.crps[both], reference[both], result.targets.year[both])
        told[name], told[f"{name}_se"] = gained.value, gained.error
    told["crps_m"], told["crps_m_se"] = ver.bias_with_error(result.crps[use], year)
    return told


def threshold_scores(result: HindcastResult, key: tuple[str, float]) -> dict[str, float | int]:
    """Base rate, bias, Brier score and skill of one threshold, with errors by years, and its parts."""
    p, o, r = result.probability[key], result.outcome[key], result.reference[key]
    use = np.isfinite(p) & np.isfinite(o) & np.isfinite(r)
    p, o, r, year = p[use], o[use], r[use], result.targets.year[use]
    told: dict[str, float | int] = {"n": int(use.sum()), "years": int(np.unique(year).size)}
    if not use.any():
        return told
    told["base_rate"] = float(o.mean())
    told["bias"], told["bias_se"] = ver.bias_with_error(p - o, year)
    edges = np.linspace(0.0, 1.0, 21)
    parts, errors = ver.brier_parts(p, o, edges), ver.brier_errors(p, o, year, edges)
    for name in ("brier", "reliability", "resolution", "uncertainty"):
        told[name], told[f"{name}_se"] = getattr(parts, name), getattr(errors, name)
    gained = ver.skill((p - o) ** 2, (r - o) ** 2, year)
    told["brier_skill"], told["brier_skill_se"] = gained.value, gained.error
    told["brier_reference"] = float(np.mean((r - o) ** 2))
    if key in result.normal:
        for name, other in (("monthly_normal", result.normal[key]), ("no_trend", result.no_trend[key])):
            q = other[use]
            both = np.isfinite(q)
            gained = ver.skill((p - o)[both] ** 2, (q - o)[both] ** 2, year[both])
            told[f"brier_skill_against_{name}"] = gained.value
            told[f"brier_skill_against_{name}_se"] = gained.error
    return told
