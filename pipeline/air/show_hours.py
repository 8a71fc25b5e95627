"""Show-hour samples: the station's record turned into the air over a venue at a booking's show hours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from pipeline.air import atmosphere as atm
from pipeline.air import climatology as clim
from pipeline.air import wind
from pipeline.air.venue import VenueAir, station_pressure, venue_air

__all__ = [
    "ShowHourSample",
    "Site",
    "StationCycles",
    "StationRecord",
    "density_altitude_at",
    "show_hour_sample",
    "station_cycles",
]

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class StationRecord:
    """A station's hours as plain arrays.

    Attributes
    ----------
    first_hour
        Hours from 1970-01-01T00 UTC to the first value.
    values
        Hourly values by glossary name, (hour,), SI, NaN where missing; only what the station observes.
    elevation
        Station elevation [m].
    plateau
        Whether its sea level pressure carries the plateau correction.
    """

    first_hour: int
    values: Mapping[str, FloatArray]
    elevation: float
    plateau: bool

    def __post_init__(self) -> None:
        if "air_temperature" not in self.values:
            raise ValueError("StationRecord.values needs air_temperature [K]")

    @property
    def size(self) -> int:
        """Number of hours."""
        return int(self.values["air_temperature"].size)

    def years(self) -> npt.NDArray[np.int64]:
        """Calendar years (UTC) touched by the record."""
        first = np.datetime64("1970-01-01T00", "h") + self.first_hour
        last = first + max(self.size - 1, 0)
        return np.arange(
            int(first.astype("datetime64[Y]").astype(int)) + 1970,
            int(last.astype("datetime64[Y]").astype(int)) + 1971,
        )


@dataclass(frozen=True)
class Site:
    """What the air is needed for at a venue.

    Attributes
    ----------
    elevation
        Of the show site [m].
    line_true_heading
        True heading of the show line [degree].
    crowd_on_right
        Crowd on the right when flying that heading.
    runway_true_heading
        True heading of the runway the act uses [degree].
    lapse_rate
        From station to site [K m-1].
    """

    elevation: float
    line_true_heading: float
    crowd_on_right: bool
    runway_true_heading: float
    lapse_rate: float = atm.LAPSE_RATE


@dataclass(frozen=True)
class StationCycles:
    """Seasonal and daily cycles of a station, by which a sampled hour is moved to the booking's."""

    temperature: clim.SeasonalCycle
    dew_point: clim.SeasonalCycle


@dataclass(frozen=True)
class ShowHourSample:
    """Sampled air at show instants, arrays (instant, year, day, hour offset), SI; NaN where missing.

    Attributes
    ----------
    years, day_offsets, hour_offsets
        Labels of the last three axes.
    temperature, dew_point, pressure
        At the site, moved to the booking's date, hour and year [K, K, Pa].
    density_altitude
        [m].
    wind_speed, toward_crowd, along_line, runway_crosswind
        [m s-1]; `toward_crowd` positive toward the crowd.
    gust, gust_low, gust_high
        Gust peak in print and the bounds that an unreported gust leaves [m s-1], whole knots.
    gust_reported
        True where the station reported a gust.
    ceiling, visibility, thunder
        [m, m, 0 or 1]; None where the station never observes it.
    pressure_source
        Index into `pipeline.air.venue.PRESSURE_SOURCES`; -1 outside the record.
    """

    years: npt.NDArray[np.int64]
    day_offsets: npt.NDArray[np.int64]
    hour_offsets: npt.NDArray[np.int64]
    temperature: FloatArray
    dew_point: FloatArray
    pressure: FloatArray
    density_altitude: FloatArray
    wind_speed: FloatArray
    toward_crowd: FloatArray
    along_line: FloatArray
    runway_crosswind: FloatArray
    gust: FloatArray
    gust_low: FloatArray
    gust_high: FloatArray
    gust_reported: npt.NDArray[np.bool_]
    ceiling: FloatArray | None
    visibility: FloatArray | None
    thunder: FloatArray | None
    pressure_source: npt.NDArray[np.int8]

    def at(self, instants: slice | npt.NDArray[np.integer]) -> ShowHourSample:
        """Part of the sample, by instant."""
        labels = {"years", "day_offsets", "hour_offsets"}
        held = {f.name: getattr(self, f.name) for f in fields(self)}
        return ShowHourSample(**{k: v if k in labels or v is None else v[instants] for k, v in held.items()})


def station_cycles(
    station: StationRecord, *, trend: bool = True, exclude_year: int | None = None
) -> StationCycles:
    """Fit a station's seasonal cycles, and its pooled temperature trend.

    Pressure has none: within the window its cycle moves density altitude by a few feet, and evens out.

    Parameters
    ----------
    station
        The record.
    trend
        Whether temperature follows the station's pooled trend to the booking's year.
    exclude_year
        Year left out of the fits, for hindcasts.
    """
    temperature = clim.fit_seasonal_cycle(
        station.values["air_temperature"], station.first_hour, trend=trend, exclude_year=exclude_year
    )
    held = station.values.get("dew_point_temperature")
    dew_point = clim.fit_seasonal_cycle(
        np.full(1, np.nan) if held is None else held,
        station.first_hour,
        trend=False,
        exclude_year=exclude_year,
    )
    return StationCycles(temperature, dew_point)


def show_hour_sample(
    station: StationRecord,
    cycles: StationCycles,
    site: Site,
    targets: npt.NDArray[np.datetime64],
    *,
    years: npt.NDArray[np.integer] | None = None,
    window_days: int = 15,
    hour_offsets: tuple[int, ...] = clim.HOUR_OFFSETS,
    gust_peak: FloatArray | None = None,
) -> ShowHourSample:
    """Sample the air at show instants over all years of the record.

    Parameters
    ----------
    station, cycles
        The record and its cycles.
    site
        The site.
    targets
        UTC show instants, (instant,), datetime64[s] or finer.
    years
        Years to sample; None for all of the record's.
    window_days
        Days either side of the date.
    hour_offsets
        Hours around the show hour.
    gust_peak
        Hourly gust peak for every year (`pipeline.air.gusts.gust_record`), (hour,); None takes a missing
        report for the mean wind.
    """
    at_years = station.years() if years is None else np.asarray(years)
    window = clim.window_index(targets, at_years, window_days=window_days, hour_offsets=hour_offsets)
    instants = window.instants
    missing = np.full(instants.shape, np.nan)

    def nearest(name: str) -> FloatArray:
        held = station.values.get(name)
        return missing if held is None else clim.gather_nearest(held, station.first_hour, instants)

    def observed(name: str) -> FloatArray | None:
        held = station.values.get(name)
        return None if held is None or np.isnan(held).all() else nearest(name)

    air, source = _air_at(station, cycles, site, targets, instants)
    # Whole knots, as reported: an archive's tenths would bring a wind at a personal limit back short of it.
    speed = wind.whole_knots(nearest("wind_speed"))
    direction = wind.with_variable_direction(nearest("wind_from_direction"), speed, np.floor(instants + 0.5))
    reported = nearest("wind_speed_of_gust")
    toward, along = wind.show_line_components(
        speed, direction, site.line_true_heading, crowd_on_right=site.crowd_on_right
    )
    _, crosswind = wind.runway_components(speed, direction, site.runway_true_heading)
    low, high = wind.gust_bounds(speed, reported)
    peak = low
    if gust_peak is not None:
        filled = clim.gather_nearest(gust_peak, station.first_hour, instants)
        peak = np.where(np.isnan(filled), low, filled)
        # A drawn gust may pass the bound of a practice that left gusts out.
        high = np.fmax(high, peak)
    return ShowHourSample(
        years=at_years.astype(np.int64),
        day_offsets=window.day_offsets.astype(np.int64),
        hour_offsets=window.hour_offsets.astype(np.int64),
        temperature=air.temperature,
        dew_point=air.dew_point,
        pressure=air.pressure,
        density_altitude=atm.density_altitude(air.pressure, air.temperature, air.dew_point),
        wind_speed=speed,
        toward_crowd=toward,
        along_line=along,
        runway_crosswind=crosswind,
        gust=peak,
        gust_low=low,
        gust_high=high,
        gust_reported=np.isfinite(reported),
        ceiling=observed("cloud_base_height"),
        visibility=observed("visibility_in_air"),
        thunder=observed("thunder"),
        pressure_source=source,
    )


def density_altitude_at(
    station: StationRecord,
    cycles: StationCycles,
    site: Site,
    targets: npt.NDArray[np.datetime64],
    *,
    window_days: int = 15,
) -> tuple[FloatArray, FloatArray]:
    """Density altitude at the site at instants over all years of the record, and those instants.

    Parameters
    ----------
    station, cycles, site, targets, window_days
        As `show_hour_sample` takes them.

    Returns
    -------
    density_altitude, instants
        [m] and hours since 1970-01-01, (instant, year, day).
    """
    instants = clim.window_index(
        targets, station.years(), window_days=window_days, hour_offsets=(0,)
    ).instants
    air, _ = _air_at(station, cycles, site, targets, instants)
    return atm.density_altitude(air.pressure, air.temperature, air.dew_point)[..., 0], instants[..., 0]


def _air_at(
    station: StationRecord,
    cycles: StationCycles,
    site: Site,
    targets: npt.NDArray[np.datetime64],
    instants: FloatArray,
) -> tuple[VenueAir, npt.NDArray[np.int8]]:
    """The site's air at sampled instants, moved to their targets', and where its pressure is from."""
    missing = np.full(instants.shape, np.nan)

    def between(name: str, shift: float = 0.0) -> FloatArray:
        held = station.values.get(name)
        return missing if held is None else clim.gather(held, station.first_hour, instants + shift)

    temperature = between("air_temperature")
    # The pressure of the sampled hour is reduced with that hour's own temperatures, before any is moved.
    pressure, source = station_pressure(
        between("surface_air_pressure"),
        between("altimeter_setting"),
        between("air_pressure_at_mean_sea_level"),
        0.5 * (temperature + between("air_temperature", -12.0)),
        elevation=station.elevation,
        plateau=station.plateau,
    )
    sampled = clim.CyclePicker(instants)
    air = venue_air(
        temperature + _move(cycles.temperature, sampled, targets),
        between("dew_point_temperature") + _move(cycles.dew_point, sampled, targets),
        pressure,
        height_difference=site.elevation - station.elevation,
        lapse_rate=site.lapse_rate,
    )
    return air, np.where(np.isnan(temperature), -1, source).astype(np.int8)


def _move(
    cycle: clim.SeasonalCycle, window: clim.CyclePicker, targets: npt.NDArray[np.datetime64]
) -> FloatArray:
    """What the cycle adds between each sampled instant and its booking's instant."""
    target_hours = np.asarray(targets, dtype="datetime64[s]").astype(np.int64) / 3600.0
    booked = clim.seasonal_value(cycle, target_hours)[:, None, None, None]
    return np.asarray(booked - window.value(cycle))
