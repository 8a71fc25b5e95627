"""Invented station hours: a climate described in a few numbers, played out like an archive's reports.

For the demonstration season and for tests that need a known truth. Nothing here is an observation, and
every dataset says so in its attributes.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from pipeline.air.atmosphere import (
    hypsometric_pressure,
    mslp_mean_column_temperature,
    station_pressure_from_altimeter,
    temperature_12h_mean,
)
from pipeline.air.variables import FT, HPA, INHG, KT, STATUTE_MILE
from pipeline.stations.hours import station_hours

if TYPE_CHECKING:
    import xarray as xr
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

__all__ = ["Climate", "recipe_digest", "synthesize"]

_ATTRIBUTION = "Invented climate: no real place, no real weather"
_YEAR_DAYS = 365.2425
# With the higher harmonics, the first one's top at 15.4 h puts the whole wave's at 15 h.
_DIURNAL_PHASE_H = 15.4
_WIND_PEAK_H = 15.0
# Hours thrown away at the start, so that every process has forgotten where it began: 30 days is six
# times the longest memory allowed.
_SPIN_UP = 720
_LONGEST_MEMORY_DAYS = 5.0


@dataclass(frozen=True)
class Climate:
    """What a place's weather is like, in numbers a pilot could guess.

    Units are in the names where they are not SI. Times of day are local solar time. The temperature
    numbers hold for the middle of the record; the trend turns about it.

    Attributes
    ----------
    mean_temperature_c
        Mean over the year.
    annual_range_c
        Height of the yearly wave: the warmest day's normal mean less the coldest day's.
    diurnal_range_c
        Height of the mean daily wave over the year; a quarter larger in the warm season, a quarter
        smaller in the cold one.
    weather_sd_c, weather_days
        Standard deviation and memory (e-folding time) of the warm and cold spells.
    year_sd_c
        Standard deviation of whole years about the trend.
    trend_k_per_decade
        Warming trend.
    warmest_day
        Day of the year of the yearly wave's top; None for 22 July north of the equator, 20 January south.
    dew_point_c, dew_point_annual_range_c, dew_point_sd_c
        Mean, yearly wave and spells of the dew point, before it is held at or below the temperature.
    pressure_hpa, pressure_sd_hpa
        Mean and standard deviation of the altimeter setting.
    wind_kt
        Mean wind over day and year before whole knots, calms, and the sea breeze; its distribution is
        Rayleigh at any hour of day.
    wind_diurnal
        Share by which the mean wind swings about its daily mean, with its top at 15 h.
    prevailing_from_deg, direction_sd_deg
        Middle and standard deviation of the direction the wind blows from, degrees true.
    sea_breeze_kt, sea_breeze_from_deg
        Top of the breeze added to the wind on sunny warm-season afternoons, and where it blows from.
    gust_factor, gust_factor_sd
        Mean and standard deviation of gust peak over mean wind.
    thermal_gust_kt
        Added to the gust peak at the top of a sunny warm-season afternoon.
    gust_practice_year
        First year of the present gust reporting practice; None when it never changed.
    early_gust_share
        Share of the gusts due by the present practice that were reported before that year.
    overcast_share
        Share of all hours with a ceiling from weather systems.
    stratus_share, stratus_base_ft, stratus_clears_h
        Marine stratus: share of midsummer days that begin under it, its usual base above ground, and the
        hour at which it usually breaks.
    thunder_days
        Mean number of days a year with thunder.
    missing_share
        Share of hours with no report at all.
    """

    mean_temperature_c: float
    annual_range_c: float
    diurnal_range_c: float
    weather_sd_c: float = 3.5
    weather_days: float = 2.5
    year_sd_c: float = 0.5
    trend_k_per_decade: float = 0.25
    warmest_day: float | None = None
    dew_point_c: float = 8.0
    dew_point_annual_range_c: float = 14.0
    dew_point_sd_c: float = 3.0
    pressure_hpa: float = 1016.0
    pressure_sd_hpa: float = 5.5
    wind_kt: float = 7.5
    wind_diurnal: float = 0.35
    prevailing_from_deg: float = 250.0
    direction_sd_deg: float = 60.0
    sea_breeze_kt: float = 0.0
    sea_breeze_from_deg: float = 0.0
    gust_factor: float = 1.45
    gust_factor_sd: float = 0.12
    thermal_gust_kt: float = 3.0
    gust_practice_year: int | None = None
    early_gust_share: float = 0.4
    overcast_share: float = 0.2
    stratus_share: float = 0.0
    stratus_base_ft: float = 800.0
    stratus_clears_h: float = 11.0
    thunder_days: float = 25.0
    missing_share: float = 0.004

    def __post_init__(self) -> None:
        """Refuse what is not a climate.

        Raises
        ------
        ValueError
            Naming the parameter, what was given, and the range wanted.
        """
        for field in fields(self):
            value = getattr(self, field.name)
            if value is None and field.name in ("warmest_day", "gust_practice_year"):
                continue
            low, high = _RANGES[field.name]
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
                raise ValueError(f"climate {field.name} must be a number from {low} to {high}, is {value!r}")


_RANGES: dict[str, tuple[float, float]] = {
    "mean_temperature_c": (-20.0, 35.0),
    "annual_range_c": (0.0, 50.0),
    "diurnal_range_c": (0.0, 25.0),
    "weather_sd_c": (0.0, 8.0),
    "weather_days": (0.25, _LONGEST_MEMORY_DAYS),
    "year_sd_c": (0.0, 3.0),
    "trend_k_per_decade": (-2.0, 2.0),
    "warmest_day": (1.0, 366.0),
    "dew_point_c": (-30.0, 26.0),
    "dew_point_annual_range_c": (0.0, 40.0),
    "dew_point_sd_c": (0.0, 8.0),
    "pressure_hpa": (980.0, 1040.0),
    "pressure_sd_hpa": (0.0, 12.0),
    "wind_kt": (0.0, 25.0),
    "wind_diurnal": (0.0, 0.9),
    "prevailing_from_deg": (0.0, 360.0),
    "direction_sd_deg": (0.0, 180.0),
    "sea_breeze_kt": (0.0, 30.0),
    "sea_breeze_from_deg": (0.0, 360.0),
    "gust_factor": (1.0, 2.5),
    "gust_factor_sd": (0.0, 0.4),
    "thermal_gust_kt": (0.0, 20.0),
    "gust_practice_year": (1900.0, 2100.0),
    "early_gust_share": (0.0, 1.0),
    "overcast_share": (0.0, 1.0),
    "stratus_share": (0.0, 1.0),
    "stratus_base_ft": (100.0, 4000.0),
    "stratus_clears_h": (7.0, 20.0),
    "thunder_days": (0.0, 150.0),
    "missing_share": (0.0, 0.5),
}


def recipe_digest(
    station_id: str,
    climate: Climate,
    *,
    first_year: int,
    last_year: int,
    latitude: float,
    longitude: float,
    elevation_m: float,
    plateau: bool = True,
    seed: int | None = None,
) -> str:
    """SHA-256 of everything that decides what `synthesize` makes, for its ``raw_sha256``.

    The parameters are those of `synthesize`; a store that holds this digest holds these hours.
    """
    recipe = {
        "station_id": station_id, "first_year": first_year, "last_year": last_year, "latitude": latitude,
        "longitude": longitude, "elevation_m": elevation_m, "plateau": plateau, "seed": seed,
        "climate": asdict(climate), "version": 1,
    }  # fmt: skip
    return hashlib.sha256(json.dumps(recipe, sort_keys=True).encode()).hexdigest()


def synthesize(
    station_id: str,
    climate: Climate,
    *,
    first_year: int,
    last_year: int,
    latitude: float,
    longitude: float,
    elevation_m: float,
    station_name: str | None = None,
    plateau: bool = True,
    seed: int | None = None,
) -> xr.Dataset:
    """Play a climate out as hourly reports, the same bytes every time.

    Values come as an archive holds them: temperatures in tenths, whole knots with one and two written as
    calm, directions in tens, a light wind sometimes variable, a gust only when it is 10 kt or more above
    the mean wind (ICAO Annex 3 and WMO FM 15; US reports compare with the lulls, AC 00-45H).

    Parameters
    ----------
    station_id : str
        Names the station and, hashed, starts the random numbers.
    climate : Climate
    first_year, last_year : int
        UTC years, both whole.
    latitude, longitude : float
        Degrees north and east; they set the season and the solar clock.
    elevation_m : float
        Metres above mean sea level.
    station_name : str, optional
        The id by default.
    plateau : bool
        Whether sea level pressure is reduced by the North American practice.
    seed : int, optional
        Another start of the random numbers, for a different run of the same climate.

    Returns
    -------
    xarray.Dataset
        Station hours with every glossary variable and ``invented`` 1. ``retrieved_at`` is the end of the
        record, since no clock may enter it; ``raw_sha256`` is the digest of the parameters.

    Raises
    ------
    ValueError
        Years out of order or out of 1950 to 2100, or coordinates or elevation off the Earth.
    """
    if not 1950 <= first_year <= last_year <= 2100:
        raise ValueError(
            f"synthesize: years must run upward within 1950 to 2100, got {first_year} to {last_year}"
        )
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0 and -430.0 <= elevation_m <= 5000.0):
        raise ValueError(
            "synthesize: latitude within ±90, longitude within ±180 and elevation -430 to 5000 m wanted, "
            f"got {latitude}, {longitude}, {elevation_m}"
        )
    digest = recipe_digest(
        station_id,
        climate,
        first_year=first_year,
        last_year=last_year,
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m,
        plateau=plateau,
        seed=seed,
    )
    start = hashlib.sha256(f"{station_id}\n{seed}".encode()).digest()
    random = np.random.Generator(np.random.PCG64(int.from_bytes(start[:16], "big")))

    first = np.datetime64(f"{first_year}-01-01T00", "h") - _SPIN_UP
    last = np.datetime64(f"{last_year + 1}-01-01T00", "h")
    time = np.arange(first, last)
    clock = _Clock.at(time, latitude, longitude, climate)
    air = _air(random, clock, climate, elevation_m, first_year, last_year, plateau)
    wind = _wind(random, clock, climate, air)
    sky = _sky(random, clock, climate, air, wind)
    _gusts(random, clock, climate, air, wind, sky)

    absent = _exceeds_share(_memory(random, time.size, 6.0), climate.missing_share)
    values: dict[str, FloatArray] = {}
    for name, value in {**air.reported(), **wind.reported(), **sky.reported()}.items():
        value[absent] = np.nan
        values[name] = value[_SPIN_UP:]
    return station_hours(
        time[_SPIN_UP:],
        values,
        station_id=station_id,
        station_name=station_name or station_id,
        source="synthetic",
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m,
        licence="invented",
        attribution=_ATTRIBUTION,
        raw_sha256=digest,
        invented=1,
        rejected={"no_report": int(absent[_SPIN_UP:].sum())},
        retrieved_at=f"{last_year + 1}-01-01T00:00:00+00:00",
    )


@dataclass
class _Clock:
    """Where each hour stands in the year and in the solar day; all arrays have shape (hours,)."""

    year: FloatArray  # decimal year
    whole_year: NDArray[np.int64]
    season: FloatArray  # -1 on the coldest day to 1 on the warmest
    solar_hour: FloatArray  # 0 to 24
    solar_day: NDArray[np.int64]  # counts from 0

    @classmethod
    def at(cls, time: NDArray[np.datetime64], latitude: float, longitude: float, climate: Climate) -> _Clock:
        warmest = (
            climate.warmest_day if climate.warmest_day is not None else (203.0 if latitude >= 0 else 20.0)
        )
        year_start = time.astype("datetime64[Y]")
        day = (time - year_start.astype("datetime64[h]")).astype(float) / 24.0
        whole_year = year_start.astype("int64") + 1970
        hours = time.astype("datetime64[h]").astype("int64") + longitude / 15.0
        solar_day = np.floor(hours / 24.0).astype("int64")
        return cls(
            year=whole_year + day / _YEAR_DAYS,
            whole_year=whole_year,
            season=np.cos(2 * np.pi * (day + 1.0 - warmest) / _YEAR_DAYS),
            solar_hour=hours - 24.0 * solar_day,
            solar_day=solar_day - solar_day[0],
        )

    def afternoon(self, peak: float = 15.0, half_width: float = 5.0) -> FloatArray:
        """Smooth bump, 1 at the peak hour and 0 beyond the half width."""
        away = np.clip((self.solar_hour - peak) / half_width, -1.0, 1.0)
        return np.asarray(0.5 * (1.0 + np.cos(np.pi * away)))

    @property
    def warm_season(self) -> FloatArray:
        """0 in the cold half of the year, 1 on the warmest day."""
        return np.maximum(self.season, 0.0)


@dataclass
class _Air:
    temperature_c: FloatArray
    dew_point_c: FloatArray
    altimeter: FloatArray
    station_pressure: FloatArray
    sea_level_pressure: FloatArray
    cloudiness: FloatArray  # standard normal, shared with the sky

    def reported(self) -> dict[str, FloatArray]:
        return {
            "air_temperature": self.temperature_c + 273.15,
            "dew_point_temperature": self.dew_point_c + 273.15,
            "surface_air_pressure": self.station_pressure,
            "altimeter_setting": self.altimeter,
            "air_pressure_at_mean_sea_level": self.sea_level_pressure,
        }


@dataclass
class _Wind:
    speed_kt: FloatArray  # whole knots after reporting
    true_kt: FloatArray
    direction: FloatArray
    gust_kt: FloatArray

    def reported(self) -> dict[str, FloatArray]:
        return {
            "wind_from_direction": self.direction,
            "wind_speed": self.speed_kt * KT,
            "wind_speed_of_gust": self.gust_kt * KT,
        }


@dataclass
class _Sky:
    ceiling_ft: FloatArray
    visibility_sm: FloatArray
    thunder: FloatArray

    def reported(self) -> dict[str, FloatArray]:
        return {
            "cloud_base_height": self.ceiling_ft * FT,
            "visibility_in_air": self.visibility_sm * STATUTE_MILE,
            "thunder": self.thunder,
        }


def _memory(random: np.random.Generator, size: int, hours: float, smooth_hours: float = 0.0) -> FloatArray:
    """Standard normal series that forgets over `hours`; with `smooth_hours`, without hourly roughness.

    The second pole makes an AR(2) process, scaled by its exact variance (Box & Jenkins, ch. 3).
    """
    from scipy.signal import lfilter

    slow = np.exp(-1.0 / hours)
    fast = np.exp(-1.0 / smooth_hours) if smooth_hours else 0.0
    a1, a2 = slow + fast, -slow * fast
    variance = (1.0 - a2) / ((1.0 + a2) * ((1.0 - a2) ** 2 - a1**2))
    noise = random.standard_normal(size) / np.sqrt(variance)
    return np.asarray(lfilter([1.0], [1.0, -a1, -a2], noise))


def _exceeds_share(normal: FloatArray, share: float | FloatArray) -> NDArray[np.bool_]:
    """True for the given share of a standard normal series, its upper end."""
    from scipy.special import ndtri

    with np.errstate(divide="ignore"):
        threshold = ndtri(1.0 - np.asarray(share))
    return np.asarray(normal > threshold)


def _mean_above(share: float) -> float:
    """Mean of the upper `share` of a standard normal variate."""
    from scipy.special import ndtri

    if not 0.0 < share < 1.0:
        return 0.0
    return float(np.exp(-0.5 * ndtri(share) ** 2) / (np.sqrt(2.0 * np.pi) * share))


def _diurnal(solar_hour: FloatArray) -> FloatArray:
    """Mean daily wave of temperature: mean zero, range one, top near 15 h, bottom near 5 h.

    Three harmonics, fitted by hand to the usual shape: a quick morning rise, an evening fall, a slow
    night.
    """
    angle = 2 * np.pi * (solar_hour - _DIURNAL_PHASE_H) / 24.0
    fine = 2 * np.pi * np.linspace(0.0, 1.0, 1441)
    return np.asarray(_harmonics(angle) / np.ptp(_harmonics(fine)))


def _harmonics(angle: FloatArray) -> FloatArray:
    return np.asarray(
        np.cos(angle) + 0.15 * np.cos(2 * angle) - 0.165 * np.sin(2 * angle) + 0.07 * np.sin(3 * angle)
    )


def _air(
    random: np.random.Generator,
    clock: _Clock,
    climate: Climate,
    elevation_m: float,
    first_year: int,
    last_year: int,
    plateau: bool,
) -> _Air:
    size = clock.year.size
    middle = 0.5 * (first_year + last_year + 1)
    spells = _memory(random, size, 24.0 * climate.weather_days, 6.0)
    pressure = _memory(random, size, 84.0, 12.0)
    # Low pressure is cloudy, most of the time.
    cloudiness = -0.5 * pressure + np.sqrt(0.75) * _memory(random, size, 30.0, 4.0)
    sun = np.clip(1.0 - 0.35 * cloudiness, 0.3, 1.7)

    # A year's character fades into the next over the turn of the year, instead of jumping at midnight.
    years = np.arange(first_year - 1, last_year + 2)
    character = climate.year_sd_c * random.standard_normal(years.size)
    knots = np.sort(np.concatenate([years + 0.04, years + 0.96]))
    normal = climate.mean_temperature_c + 0.5 * climate.annual_range_c * clock.season
    temperature = (
        normal
        + 0.1 * climate.trend_k_per_decade * (clock.year - middle)
        + np.interp(clock.year, knots, np.repeat(character, 2))
        + climate.weather_sd_c * spells
        + climate.diurnal_range_c * (1.0 + 0.25 * clock.season) * sun * _diurnal(clock.solar_hour)
    )
    dew_point = (
        climate.dew_point_c
        + 0.5 * climate.dew_point_annual_range_c * clock.season
        + climate.dew_point_sd_c * (0.6 * spells + 0.8 * _memory(random, size, 40.0, 4.0))
        + 0.1 * climate.trend_k_per_decade * (clock.year - middle)
    )
    temperature = np.round(temperature, 1)
    dew_point = np.round(np.minimum(dew_point, temperature), 1)

    # Highs and lows are shallower in the warm season.
    swing = climate.pressure_sd_hpa * (1.0 - 0.3 * clock.season) * HPA
    altimeter = np.round((climate.pressure_hpa * HPA + swing * pressure) / (0.01 * INHG)) * (0.01 * INHG)
    station = station_pressure_from_altimeter(altimeter, elevation_m)
    # An archive's sea level pressure is reduced with the actual temperature, not the standard one.
    column = mslp_mean_column_temperature(
        temperature_12h_mean(temperature + 273.15), elevation_m, plateau=plateau
    )
    sea_level = hypsometric_pressure(station, -elevation_m, column)
    return _Air(
        temperature_c=temperature,
        dew_point_c=dew_point,
        altimeter=altimeter,
        station_pressure=np.round(station, -1),
        sea_level_pressure=np.round(sea_level, -1),
        cloudiness=cloudiness,
    )


def _wind(random: np.random.Generator, clock: _Clock, climate: Climate, air: _Air) -> _Wind:
    from scipy.special import log_ndtr

    size = clock.year.size
    flow = np.sqrt(0.7) * _memory(random, size, 30.0, 3.0) + np.sqrt(0.3) * _memory(random, size, 3.0)
    daily = 1.0 + climate.wind_diurnal * np.cos(2 * np.pi * (clock.solar_hour - _WIND_PEAK_H) / 24.0)
    # A normal deviate made Rayleigh through its exceedance probability; the mean of a Rayleigh variate
    # is sqrt(pi)/2 of its scale.
    speed = climate.wind_kt * daily * (2.0 / np.sqrt(np.pi)) * np.sqrt(-log_ndtr(-flow))
    veer = np.sqrt(0.85) * _memory(random, size, 36.0, 4.0) + np.sqrt(0.15) * _memory(random, size, 2.0)
    from_rad = np.deg2rad(climate.prevailing_from_deg + climate.direction_sd_deg * veer)
    if climate.sea_breeze_kt:
        breeze = (
            climate.sea_breeze_kt
            * np.clip(1.2 * clock.warm_season, 0.0, 1.0)
            * clock.afternoon(15.0, 5.5)
            * np.clip(0.8 - 0.5 * air.cloudiness, 0.0, 1.0)
        )
        shore = np.deg2rad(climate.sea_breeze_from_deg)
        east = speed * np.sin(from_rad) + breeze * np.sin(shore)
        north = speed * np.cos(from_rad) + breeze * np.cos(shore)
        speed = np.hypot(east, north)
        from_rad = np.arctan2(east, north)
    direction = 10.0 * np.round(np.rad2deg(from_rad) / 10.0) % 360.0
    direction[direction == 0.0] = 360.0

    whole = np.round(speed)
    whole[whole < 3.0] = 0.0
    variable = (whole > 0.0) & (whole <= 6.0) & (random.random(size) < 0.3)
    direction[variable] = np.nan
    direction[whole == 0.0] = 0.0
    return _Wind(speed_kt=whole, true_kt=speed, direction=direction, gust_kt=np.full(size, np.nan))


def _sky(random: np.random.Generator, clock: _Clock, climate: Climate, air: _Air, wind: _Wind) -> _Sky:
    from scipy.special import ndtri

    size = clock.year.size
    spread = air.temperature_c - air.dew_point_c
    ceiling = np.full(size, np.inf)
    visibility = np.full(size, 10.0)

    # Weather systems: the deeper into the cloudy tail, the lower.
    if climate.overcast_share > 0.0:
        depth = air.cloudiness - (
            ndtri(1.0 - climate.overcast_share) if climate.overcast_share < 1.0 else -5.0
        )
        base = 9000.0 * np.exp(-1.6 * depth) * np.exp(0.3 * _memory(random, size, 4.0))
        ceiling = np.where(depth > 0.0, np.maximum(base, 200.0), np.inf)
        rain = depth > 0.8
        visibility[rain] = np.maximum(8.0 - 5.0 * (depth[rain] - 0.8), 1.0)

    # Fair-weather cumulus on moist afternoons; base by the spread, 125 m a kelvin (Espy).
    cumulus = (
        (clock.afternoon(14.0, 4.5) > 0.3) & (air.cloudiness > 0.4) & (clock.season > -0.3) & (spread > 2.0)
    )
    ceiling = np.where(cumulus, np.minimum(ceiling, 125.0 * spread / FT), ceiling)

    # Marine stratus: formed in the evening, broken by the sun; thicker decks break later.
    deck = _memory(random, size, 60.0, 8.0)
    since_evening = (clock.solar_hour + 4.0) % 24.0  # 20 h is 0
    clears = climate.stratus_clears_h + 4.0 + 1.5 * (deck - _mean_above(climate.stratus_share))
    stratus = _exceeds_share(deck, climate.stratus_share * np.clip(1.3 * clock.warm_season, 0.0, 1.0))
    stratus &= since_evening < clears
    height = climate.stratus_base_ft * np.exp(0.25 * _memory(random, size, 12.0))
    ceiling = np.where(stratus, np.minimum(ceiling, height), ceiling)
    visibility = np.where(stratus, np.minimum(visibility, np.clip(height / 150.0, 1.0, 10.0)), visibility)

    fog = (spread < 0.8) & (wind.speed_kt < 6.0)
    ceiling = np.where(fog, np.minimum(ceiling, 300.0), ceiling)
    visibility = np.where(fog, np.minimum(visibility, 0.5), visibility)

    thunder = _thunder(random, clock, climate, air)
    stormy = thunder > 0.0
    ceiling = np.where(stormy, np.minimum(ceiling, 4000.0), ceiling)
    visibility = np.where(stormy, np.minimum(visibility, 4.0), visibility)
    return _Sky(
        ceiling_ft=_ceiling_steps(ceiling), visibility_sm=_visibility_steps(visibility), thunder=thunder
    )


def _ceiling_steps(feet: FloatArray) -> FloatArray:
    """Reported steps: 100 ft to 5,000 ft, 500 ft to 10,000 ft, 1,000 ft above, always downward."""
    step = np.where(feet < 5000.0, 100.0, np.where(feet < 10_000.0, 500.0, 1000.0))
    finite = np.isfinite(feet)
    return np.where(finite, np.floor(np.where(finite, feet, 0.0) / step) * step, np.inf)


def _visibility_steps(miles: FloatArray) -> FloatArray:
    """Reported steps: quarter miles below 3 statute miles, whole miles above, never above 10."""
    step = np.where(miles < 3.0, 0.25, 1.0)
    return np.asarray(np.minimum(np.floor(miles / step) * step, 10.0))


def _thunder(random: np.random.Generator, clock: _Clock, climate: Climate, air: _Air) -> FloatArray:
    """1 in the hours of thunder: on warm-season afternoons, more often when moist and warm."""
    days = int(clock.solar_day[-1]) + 1
    noon = np.full(days, 0)
    at_noon = np.flatnonzero(np.abs(clock.solar_hour - 12.0) <= 0.5)
    noon[clock.solar_day[at_noon]] = at_noon
    moisture = (air.dew_point_c - climate.dew_point_c)[noon] / 6.0
    weight = clock.warm_season[noon] * np.exp(np.clip(moisture + 0.4 * air.cloudiness[noon], -3.0, 3.0))
    wanted = climate.thunder_days * days / _YEAR_DAYS
    chance = weight * (wanted / weight.sum()) if weight.sum() > 0.0 else weight
    # Capping the surest days at one moves the rest up, until the mean number of days is the stated one.
    for _ in range(20):
        capped = np.minimum(chance, 0.95)
        total = capped.sum()
        if total == 0.0 or total >= 0.999 * wanted:
            break
        chance = capped * (wanted / total)
    happens = random.random(days) < np.minimum(chance, 0.95)
    begins = 13.0 + 5.0 * random.random(days)
    lasts = 1.0 + 2.0 * random.random(days)
    since = clock.solar_hour - begins[clock.solar_day]
    return np.where(happens[clock.solar_day] & (since >= 0.0) & (since < lasts[clock.solar_day]), 1.0, 0.0)


def _gusts(
    random: np.random.Generator, clock: _Clock, climate: Climate, air: _Air, wind: _Wind, sky: _Sky
) -> None:
    """Fill in the reported gusts, and the gust front's wind in thundery hours."""
    size = clock.year.size
    factor = climate.gust_factor + climate.gust_factor_sd * random.standard_normal(size)
    sunny = np.clip(0.8 - 0.5 * air.cloudiness, 0.0, 1.0)
    peak = wind.true_kt * np.maximum(factor, 1.0)
    peak += (
        climate.thermal_gust_kt
        * np.maximum(clock.season + 0.3, 0.0)
        / 1.3
        * clock.afternoon(14.5, 5.0)
        * sunny
    )
    front = (sky.thunder > 0.0) & (random.random(size) < 0.5)
    peak[front] += 10.0 + 15.0 * random.random(int(front.sum()))
    whole = np.round(peak)
    report = (whole >= wind.speed_kt + 10.0) & (wind.speed_kt > 0.0)
    if climate.gust_practice_year is not None:
        kept = random.random(size) < climate.early_gust_share
        report &= (clock.whole_year >= climate.gust_practice_year) | kept
    wind.gust_kt = np.where(report, whole, np.nan)
