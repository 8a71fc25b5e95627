"""Many small climates of known truth for the hindcast tests: warm-season afternoons only, made in bulk."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.air.show_hours import StationRecord
from pipeline.air.variables import KT
from pipeline.decisions.hindcast import Targets

HOURS = np.array([18, 19, 20, 21, 22])
DAYS = np.arange(120, 275)


@dataclass(frozen=True)
class LightClimate:
    """What the records hold: trend [K/year], year the gust practice changed, share reported before it."""

    first_year: int = 2000
    years: int = 22
    trend: float = 0.0
    practice_year: int | None = None
    early_share: float = 0.4


def ar1(generator: np.random.Generator, shape: tuple[int, ...], memory: float) -> np.ndarray:
    """Standard normal series along the last axis, correlation `memory` from one step to the next."""
    from scipy.signal import lfilter

    noise = generator.standard_normal(shape) * np.sqrt(1.0 - memory**2)
    noise[..., 0] /= np.sqrt(1.0 - memory**2)
    return np.asarray(lfilter([1.0], [1.0, -memory], noise, axis=-1))


def light_record(climate: LightClimate, seed: int, elevation: float = 1500.0) -> StationRecord:
    """One station's record. Whole knots, gusts reported from 10 kt above the mean wind on."""
    g = np.random.default_rng(seed)
    n_years, n_days, n_hours = climate.years, DAYS.size, HOURS.size
    shape = (n_years, n_days, n_hours)
    season = np.cos(2 * np.pi * (DAYS - 200) / 365.2425)[None, :, None]
    year = np.arange(n_years)[:, None, None]
    hourly = 0.5 * g.standard_normal(shape)
    temperature = (
        290.0 + 9.0 * season + climate.trend * (year + (DAYS / 365.0)[None, :, None])
        + 0.5 * g.standard_normal((n_years, 1, 1)) + 3.2 * ar1(g, (n_years, n_days), 0.7)[..., None]
        + 1.5 * np.sin(2 * np.pi * (HOURS - 15) / 24.0) + hourly
    )  # fmt: skip
    dew_point = np.minimum(temperature - 4.0 - 10.0 * g.random((n_years, n_days, 1)), temperature)
    pressure = 84_500.0 + 350.0 * ar1(g, (n_years, n_days), 0.8)[..., None] + np.zeros(shape)
    flow = 0.85 * ar1(g, (n_years, n_days), 0.35)[..., None] + np.sqrt(1 - 0.85**2) * g.standard_normal(shape)
    wind_kt = np.rint(11.0 * np.exp(0.45 * flow - 0.15 * season))
    direction = (
        240.0 + 60.0 * ar1(g, (n_years, n_days), 0.3)[..., None] + 15.0 * g.standard_normal(shape)
    ) % 360.0
    peak = np.rint(wind_kt * (1.45 + 0.15 * g.standard_normal(shape)) + 2.0)
    reported = peak >= wind_kt + 10.0
    if climate.practice_year is not None:
        early = climate.first_year + year < climate.practice_year
        reported &= ~early | (g.random(shape) < climate.early_share)
    start = np.datetime64(f"{climate.first_year}-01-01", "D")
    end = np.datetime64(f"{climate.first_year + n_years}-01-01", "D")
    first_hour = int(start.astype(int)) * 24
    new_years = (
        (np.arange(n_years) + climate.first_year - 1970).astype("datetime64[Y]").astype("datetime64[D]")
    )
    at = ((new_years.astype(int)[:, None, None] + DAYS[None, :, None]) * 24 + HOURS) - first_hour

    def column(values: np.ndarray) -> np.ndarray:
        series = np.full(int((end - start).astype(int)) * 24, np.nan)
        series[at] = values
        return series

    values = {
        "air_temperature": column(temperature),
        "dew_point_temperature": column(dew_point),
        "surface_air_pressure": column(pressure),
        "wind_speed": column(wind_kt * KT),
        "wind_from_direction": column(direction),
        "wind_speed_of_gust": column(np.where(reported, peak, np.nan) * KT),
    }
    return StationRecord(first_hour, values, elevation, False)


def light_targets(climate: LightClimate, every: int = 5, hours: tuple[int, ...] = (20,)) -> Targets:
    """Every few days of June to August, at some hours (UTC)."""
    utc, year, group, month = [], [], [], []
    for y in range(climate.first_year, climate.first_year + climate.years):
        for day in range(151, 243, every):
            for hour in hours:
                instant = np.datetime64(f"{y}-01-01", "s") + np.timedelta64(day * 24 + hour, "h")
                utc.append(instant)
                year.append(y)
                group.append(hour)
                month.append(int(str(instant)[5:7]))
    return Targets(np.array(utc), np.array(year), np.array(group), np.array(month))
