"""Quality control of station hours: every rejected value counted, explained, and reversible by a setting.

Checks look at a station's own hours only. They blank single values that cannot be weather, or that
contradict another reading of the same hour; they never fill, move or smooth a value, so that an extreme that
is real stays in. What concerns a whole record (a wrong elevation, a doubtful wind unit) is not rejected but
raised as a suspicion, for a person to settle.

Where a threshold is taken from print the check names the source; the others are common practice without one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.air.atmosphere import GRAVITY, R_DRY, altitude_at_pressure, elevation_from_pressures
from pipeline.air.variables import FT, HPA, INHG, KT, STATION_VARIABLES
from pipeline.errors import NotEnoughHistory

if TYPE_CHECKING:
    import xarray as xr
    from numpy.typing import NDArray

__all__ = [
    "BarometerHeight",
    "ElevationEstimate",
    "QualityControlled",
    "QualitySettings",
    "Rejection",
    "Suspicion",
    "barometer_height",
    "doubled_reports",
    "elevation_suspicions",
    "quality_control",
    "station_elevation",
    "suspicions",
]

_KELVIN = 273.15
_PRESSURES = ("surface_air_pressure", "altimeter_setting", "air_pressure_at_mean_sea_level")


@dataclass(frozen=True)
class QualitySettings:
    """Which checks run, and their thresholds. A check set to False gives back every value that it rejected.

    Attributes
    ----------
    physical_range
        Values outside the glossary's valid range (:data:`pipeline.air.variables.STATION_VARIABLES`).
    spike
        A single hour that leaves both neighbours in the same direction by more than ``spike_*``, while these
        agree to half of that. Gusts are not held to it: a thunderstorm's one-hour peak is what they are for.
        Thresholds: common practice, no source.
    stuck
        A value repeated without a gap for longer than weather does, by the resolution of the record. Limits
        for temperature, dew point, sea level pressure and wind speed after HadISD (Dunn et al. 2012, Climate
        of the Past 8, 1649-1679, straight strings; from memory); wind direction with a wind: common
        practice, no source. Calms are not held to it.
    repeated_day
        A stretch of twelve hours or more in which temperature, pressure and wind speed all repeat the values
        of 24 hours before exactly, a stretch copied in the archive. Common practice, no source.
    dew_point
        Dew point above temperature by more than ``dew_point_excess``: two readings rounded to whole degrees
        may differ by one. The dew point is rejected.
    gust
        A gust below the mean wind of the same report, by more than half a knot each of rounding: a gust is a
        peak (WMO-No. 8, volume I, chapter 5). The gust is rejected.
    pressures
        Altimeter setting and station pressure of one hour that together stand at a height more than
        ``pressures_apart`` from the year's median height, or altimeter setting and mean sea level pressure
        that differ from the year's median difference by more than ``reductions_apart``; both are rejected.
        Common practice, no source.
    """

    physical_range: bool = True
    spike: bool = True
    spike_air_temperature: float = 10.0
    spike_dew_point_temperature: float = 12.0
    spike_pressure: float = 10.0 * HPA
    spike_wind_speed: float = 30.0
    stuck: bool = True
    repeated_day: bool = True
    dew_point: bool = True
    dew_point_excess: float = 1.05
    gust: bool = True
    pressures: bool = True
    pressures_apart: float = 60.0
    reductions_apart: float = 25.0 * HPA


@dataclass(frozen=True)
class Rejection:
    """Values of one variable rejected for one reason.

    Attributes
    ----------
    reason : str
        Name of the check in :class:`QualitySettings` that gives them back when set to False.
    variable : str
    count : int
    first, last : numpy.datetime64
        Hours of the first and the last, UTC.
    example : str
        The first of them, in words.
    """

    reason: str
    variable: str
    count: int
    first: np.datetime64
    last: np.datetime64
    example: str


@dataclass(frozen=True)
class Suspicion:
    """Something about a whole record that a person should settle. Nothing is rejected for it."""

    subject: str
    message: str


class QualityControlled(NamedTuple):
    """Clean hours, what was rejected, and what is suspect."""

    hours: xr.Dataset
    rejections: tuple[Rejection, ...]
    suspicions: tuple[Suspicion, ...]


@dataclass(frozen=True)
class ElevationEstimate:
    """Height of a station's barometer as its own pressures tell it.

    Attributes
    ----------
    elevation_m : float
        Median over the hours.
    spread_m : float
        Half of the middle half of the hourly values (half the interquartile range), metres.
    hours : int
    """

    elevation_m: float
    spread_m: float
    hours: int


@dataclass(frozen=True)
class BarometerHeight:
    """Height of a station as its pressures tell it, however coarsely.

    Attributes
    ----------
    elevation_m, tolerance_m : float
        The height, and how far a right elevation may lie from it.
    basis : str
        The pressures that it was told from, in words.
    """

    elevation_m: float
    tolerance_m: float
    basis: str


_Masks = dict[str, "NDArray[np.bool_]"]
_Values = dict[str, "NDArray[np.float64]"]


def quality_control(hours: xr.Dataset, settings: QualitySettings | None = None) -> QualityControlled:
    """Run the checks that are switched on, each on what the ones before have left.

    Parameters
    ----------
    hours : xarray.Dataset
        Station hours; not changed.
    settings : QualitySettings, optional

    Returns
    -------
    QualityControlled
        The clean hours carry the rejections in their ``counts`` attribute too, as ``<reason>:<variable>``.
    """
    chosen = settings or QualitySettings()
    time = hours["time"].values.astype("datetime64[s]")
    values: _Values = {str(name): hours[name].values.astype("float64") for name in hours.data_vars}
    rejections: list[Rejection] = []
    for reason, check in _CHECKS.items():
        if not getattr(chosen, reason):
            continue
        for name, mask in check(values, time, chosen).items():
            mask = mask & ~np.isnan(values[name])
            if not mask.any():
                continue
            places = np.flatnonzero(mask)
            rejections.append(
                Rejection(
                    reason,
                    name,
                    int(places.size),
                    time[places[0]],
                    time[places[-1]],
                    f"{_in_words(name, float(values[name][places[0]]))} at {time[places[0]]}Z",
                )
            )
            values[name] = np.where(mask, np.nan, values[name])
    clean = hours.copy(deep=False)
    for name in {r.variable for r in rejections}:
        clean[name] = ("time", values[name].astype("float32"), dict(hours[name].attrs))
    clean.attrs["counts"] = _counts(hours, values, rejections)
    return QualityControlled(clean, tuple(rejections), suspicions(clean))


def suspicions(hours: xr.Dataset) -> tuple[Suspicion, ...]:
    """What about a record, as a whole, a person should settle.

    Parameters
    ----------
    hours : xarray.Dataset
        Station hours.

    Returns
    -------
    tuple of Suspicion
        Of: elevation against pressures (metres given for feet, or another station's file), and wind units.
    """
    unit = _wind_unit_suspicion(hours)
    return (
        *elevation_suspicions(barometer_height(hours), float(hours.attrs["elevation_m"])),
        *(() if unit is None else (unit,)),
    )


def station_elevation(hours: xr.Dataset) -> ElevationEstimate:
    """Estimate the barometer's height from altimeter setting against station pressure.

    An altimeter setting is station pressure reduced with the standard atmosphere alone, so that the two give
    the height exactly but for rounding (0.01 inHg is 2.8 m); see
    :func:`pipeline.air.atmosphere.elevation_from_pressures`.

    Parameters
    ----------
    hours : xarray.Dataset
        Station hours with ``altimeter_setting`` and ``surface_air_pressure``.

    Returns
    -------
    ElevationEstimate

    Raises
    ------
    NotEnoughHistory
        Fewer than 24 hours hold both.
    """
    if not {"altimeter_setting", "surface_air_pressure"} <= set(hours.data_vars):
        raise NotEnoughHistory(
            "The station does not report both altimeter setting and station pressure, so that its elevation "
            "cannot be told from them."
        )
    heights = elevation_from_pressures(
        hours["altimeter_setting"].values.astype("float64"),
        hours["surface_air_pressure"].values.astype("float64"),
    )
    heights = heights[~np.isnan(heights)]
    if heights.size < 24:
        raise NotEnoughHistory(
            f"Only {heights.size} hours hold both altimeter setting and station pressure; 24 are needed to "
            "tell the station's elevation from them."
        )
    low, middle, high = np.percentile(heights, (25.0, 50.0, 75.0))
    return ElevationEstimate(float(middle), float(high - low) / 2.0, int(heights.size))


def barometer_height(hours: xr.Dataset) -> BarometerHeight | None:
    """Height of a station by the best of its pressures; None where none tells it.

    Altimeter setting or sea level pressure alone cannot: both are reduced with the elevation already.

    Parameters
    ----------
    hours : xarray.Dataset
        Station hours.
    """
    try:
        estimate = station_elevation(hours)
    except NotEnoughHistory:
        pass
    else:
        return BarometerHeight(estimate.elevation_m, 20.0, "altimeter setting against station pressure")
    if "surface_air_pressure" not in hours:
        return None
    station = hours["surface_air_pressure"].values.astype("float64")
    if {"air_pressure_at_mean_sea_level", "air_temperature"} <= set(hours.data_vars):
        sea = hours["air_pressure_at_mean_sea_level"].values.astype("float64")
        temperature = hours["air_temperature"].values.astype("float64")
        heights = R_DRY * temperature / GRAVITY * np.log(sea / station)
        heights = heights[~np.isnan(heights)]
        if heights.size >= 24:
            # The column below the station is warmer than the station by half a lapse: 2 % at 1,600 m.
            return BarometerHeight(
                float(np.median(heights)), 60.0, "mean sea level pressure against station pressure"
            )
    station = station[~np.isnan(station)]
    if station.size < 24:
        return None
    return BarometerHeight(float(altitude_at_pressure(np.median(station))), 250.0, "station pressure alone")


def elevation_suspicions(told: BarometerHeight | None, stated: float) -> tuple[Suspicion, ...]:
    """Whether a stated elevation [m] contradicts the station's own pressures."""
    if told is None or abs(told.elevation_m - stated) <= told.tolerance_m:
        return ()
    return (
        Suspicion(
            "elevation",
            f"The station is said to stand at {stated:.0f} m, but its {told.basis} says about "
            f"{told.elevation_m:.0f} m. {_mixed_up(told.elevation_m, stated, told.tolerance_m)}",
        ),
    )


def _mixed_up(told: float, stated: float, tolerance: float) -> str:
    for wrong, words in ((stated * FT, "feet given for metres"), (stated / FT, "metres given for feet")):
        if abs(told - wrong) <= max(tolerance, 0.03 * abs(told)):
            return f"It looks like {words}."
    return "Is it another station's file?"


def doubled_reports(time: NDArray[np.datetime64]) -> NDArray[np.bool_]:
    """Reports whose time stands more than once, as a clock set back makes them.

    Parameters
    ----------
    time : ndarray of datetime64, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
        True for every report of a doubled time.
    """
    _, inverse, counts = np.unique(time, return_inverse=True, return_counts=True)
    doubled: NDArray[np.bool_] = (counts > 1)[inverse]
    return doubled


def _physical_range(values: _Values, time: NDArray[np.datetime64], settings: QualitySettings) -> _Masks:
    return {
        name: (array < STATION_VARIABLES[name].valid_min) | (array > STATION_VARIABLES[name].valid_max)
        for name, array in values.items()
        if name in STATION_VARIABLES
    }


def _spike(values: _Values, time: NDArray[np.datetime64], settings: QualitySettings) -> _Masks:
    limits = {
        "air_temperature": settings.spike_air_temperature,
        "dew_point_temperature": settings.spike_dew_point_temperature,
        "wind_speed": settings.spike_wind_speed,
        **dict.fromkeys(_PRESSURES, settings.spike_pressure),
    }
    masks = {}
    for name, limit in limits.items():
        if name not in values or values[name].size < 3:
            continue
        array = values[name]
        mask = np.zeros(array.size, dtype=bool)
        before, after = array[1:-1] - array[:-2], array[1:-1] - array[2:]
        leaves = ((before > limit) & (after > limit)) | ((before < -limit) & (after < -limit))
        mask[1:-1] = leaves & (np.abs(array[2:] - array[:-2]) < limit / 2.0)
        masks[name] = mask
    return masks


# Hours of one value beyond which a sensor is taken to be stuck, for records in steps of 1, ½ and 0.1 unit.
_STUCK: dict[str, tuple[float, float, tuple[int, int, int]]] = {
    "air_temperature": (1.0, _KELVIN, (40, 30, 24)),
    "dew_point_temperature": (1.0, _KELVIN, (80, 60, 48)),
    "surface_air_pressure": (HPA, 0.0, (120, 100, 72)),
    "altimeter_setting": (HPA, 0.0, (120, 100, 72)),
    "air_pressure_at_mean_sea_level": (HPA, 0.0, (120, 100, 72)),
    "wind_speed": (1.0, 0.0, (40, 30, 24)),
    "wind_from_direction": (10.0, 0.0, (72, 72, 72)),
}


def _stuck(values: _Values, time: NDArray[np.datetime64], settings: QualitySettings) -> _Masks:
    masks = {}
    for name, (unit, zero, limits) in _STUCK.items():
        if name not in values:
            continue
        array = values[name]
        counted = array.copy()
        if name in ("wind_speed", "wind_from_direction") and "wind_speed" in values:
            counted[values["wind_speed"] == 0.0] = np.nan
        limit = limits[_resolution((counted - zero) / unit, inches=name in _PRESSURES)]
        if name == "wind_speed" and _resolution(counted / KT) == 0:
            limit = limits[0]
        masks[name] = _run_lengths(counted) > limit
    return masks


def _repeated_day(values: _Values, time: NDArray[np.datetime64], settings: QualitySettings) -> _Masks:
    pressure = next((name for name in _PRESSURES if name in values), None)
    names = [name for name in ("air_temperature", pressure, "wind_speed") if name is not None]
    if len(names) < 3 or not set(names) <= set(values) or time.size < 48:
        return {}
    same = np.ones(time.size - 24, dtype=bool)
    for name in names:
        same &= values[name][24:] == values[name][:-24]
    run = _run_lengths(np.where(same, 1.0, np.nan))
    mask = np.zeros(time.size, dtype=bool)
    mask[24:] = run >= 12
    return dict.fromkeys(values, mask) if mask.any() else {}


def _dew_point(values: _Values, time: NDArray[np.datetime64], settings: QualitySettings) -> _Masks:
    if not {"air_temperature", "dew_point_temperature"} <= set(values):
        return {}
    excess = values["dew_point_temperature"] - values["air_temperature"]
    return {"dew_point_temperature": excess > settings.dew_point_excess}


def _gust(values: _Values, time: NDArray[np.datetime64], settings: QualitySettings) -> _Masks:
    if not {"wind_speed", "wind_speed_of_gust"} <= set(values):
        return {}
    return {"wind_speed_of_gust": values["wind_speed_of_gust"] < values["wind_speed"] - 1.01 * KT}


def _pressures(values: _Values, time: NDArray[np.datetime64], settings: QualitySettings) -> _Masks:
    masks: _Masks = {}
    year = time.astype("datetime64[Y]").astype("int64")
    if {"altimeter_setting", "surface_air_pressure"} <= set(values):
        height = elevation_from_pressures(values["altimeter_setting"], values["surface_air_pressure"]).astype(
            "float64"
        )
        apart = np.abs(height - _by_year_median(height, year)) > settings.pressures_apart
        masks |= {"altimeter_setting": apart, "surface_air_pressure": apart}
    if {"altimeter_setting", "air_pressure_at_mean_sea_level"} <= set(values):
        difference = values["air_pressure_at_mean_sea_level"] - values["altimeter_setting"]
        apart = np.abs(difference - _by_year_median(difference, year)) > settings.reductions_apart
        masks["air_pressure_at_mean_sea_level"] = apart
        masks["altimeter_setting"] = masks.get("altimeter_setting", False) | apart
    return masks


_CHECKS: Mapping[str, Callable[[_Values, NDArray[np.datetime64], QualitySettings], _Masks]] = {
    "physical_range": _physical_range,
    "repeated_day": _repeated_day,
    "stuck": _stuck,
    "pressures": _pressures,
    "spike": _spike,
    "dew_point": _dew_point,
    "gust": _gust,
}


def _run_lengths(array: NDArray[np.float64]) -> NDArray[np.int64]:
    """For every element, how many in a row hold its value; 0 where NaN."""
    if not array.size:
        return np.zeros(0, dtype="int64")
    starts = np.ones(array.size, dtype=bool)
    starts[1:] = array[1:] != array[:-1]
    run = np.cumsum(starts) - 1
    lengths = np.bincount(run)[run]
    return np.where(np.isnan(array), 0, lengths)


def _resolution(array: NDArray[np.float64], *, inches: bool = False) -> int:
    """0, 1 or 2 for a record in whole units, halves, or finer; hundredths of an inch of mercury as halves."""
    known = array[np.isfinite(array)]
    if not known.size:
        return 2
    for index, step in enumerate((1.0, 0.5)):
        if float(np.mean(np.abs(known / step - np.rint(known / step)) < 0.02)) > 0.95:
            return index
    hundredths = known * HPA / INHG * 100.0
    if inches and float(np.mean(np.abs(hundredths - np.rint(hundredths)) < 0.02)) > 0.95:
        return 1
    return 2


def _by_year_median(array: NDArray[np.float64], year: NDArray[np.int64]) -> NDArray[np.float64]:
    """The median of each element's year; NaN where a year has no value."""
    medians = np.full(array.size, np.nan)
    for one in np.unique(year):
        within = year == one
        known = array[within & ~np.isnan(array)]
        if known.size:
            medians[within] = np.median(known)
    return medians


def _wind_unit_suspicion(hours: xr.Dataset) -> Suspicion | None:
    """Winds in whole km/h with every number present: either km/h at their source, or knots mislabelled."""
    if "wind_speed" not in hours:
        return None
    speed = hours["wind_speed"].values.astype("float64")
    speed = speed[speed > 0.0]
    if speed.size < 1000:
        return None
    kmh = speed * 3.6
    whole = np.rint(kmh)
    if float(np.mean(np.abs(kmh - whole) < 0.02)) < 0.99:
        return None
    # Whole knots turned into whole km/h leave numbers out (1 kt is 2, 2 kt 4, 3 kt 6, 4 kt 7, 5 kt 9...).
    numbers = np.unique(whole[(whole >= 4) & (whole <= 24)]).astype("int64")
    from_knots = np.unique(np.rint(np.arange(1, 14) * KT * 3.6)).astype("int64")
    if np.isin(numbers, from_knots).all():
        return None
    return Suspicion(
        "wind unit",
        "Every wind is a whole number of km/h and none of the numbers is left out, as whole knots turned "
        "into km/h would leave some. Either the station measures in km/h, or its knots were taken for km/h "
        "and every wind is really 1.85 times as strong. Compare it with a neighbour before trusting it.",
    )


def _counts(hours: xr.Dataset, values: _Values, rejections: list[Rejection]) -> str:
    counts = json.loads(hours.attrs["counts"])
    counts["kept"] = {name: int((~np.isnan(array)).sum()) for name, array in values.items()}
    rejected = dict(counts["rejected"])
    for rejection in rejections:
        key = f"{rejection.reason}:{rejection.variable}"
        rejected[key] = rejected.get(key, 0) + rejection.count
    counts["rejected"] = rejected
    return json.dumps(counts, sort_keys=True)


def _in_words(name: str, value: float) -> str:
    variable = STATION_VARIABLES[name]
    if variable.units == "K":
        return f"{variable.long_name} {value - _KELVIN:.1f} °C"
    if variable.units == "Pa":
        return f"{variable.long_name} {value / HPA:.1f} hPa"
    if variable.units == "m s-1":
        return f"{variable.long_name.partition(';')[0]} {value / KT:.0f} kt"
    return f"{variable.long_name.partition(';')[0]} {value:g} {variable.units}"
