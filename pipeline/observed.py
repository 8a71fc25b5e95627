"""One observation as a pilot has it: a METAR, or typed values; checked, and turned to SI.

The METAR's groups are read by the ``metar`` library; what they mean for a display (a ceiling, an unreported
gust, a wind without a direction) is said here.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np

from pipeline.air.variables import FT, HPA, INHG, KT, STATUTE_MILE
from pipeline.decisions.today import Reading
from pipeline.errors import InputError

__all__ = ["metar_reading", "typed_reading"]

_CAVOK_CEILING = 5000.0 * FT
"""CAVOK and NSC say no cloud below 5,000 ft (WMO-No. 306, FM 15): no more is known of the ceiling."""
_ONE_SETTING = 1.0 * HPA
"""A station that gives its setting in hPa too rounds it down to the whole one."""

_BELIEVABLE: dict[str, tuple[float, float, str]] = {
    "temperature_c": (-40.0, 55.0, "degrees Celsius from -40 to 55"),
    "dew_point_c": (-50.0, 35.0, "degrees Celsius from -50 to 35"),
    "altimeter_inhg": (27.0, 32.5, "inches of mercury from 27 to 32.5"),
    "wind_kt": (0.0, 120.0, "knots from 0 to 120"),
    "gust_kt": (0.0, 150.0, "knots from 0 to 150"),
    "visibility_sm": (0.0, 100.0, "statute miles from 0 to 100"),
    "ceiling_ft": (0.0, 60_000.0, "feet above the ground from 0 to 60,000"),
}


def _checked(name: str, value: float) -> float:
    low, high, wanted = _BELIEVABLE[name]
    if not low <= value <= high:
        raise InputError(f"{name} {value:g} is out of range: {wanted} are wanted.")
    return value


def metar_reading(text: str, station_elevation: float, today: dt.date) -> Reading:
    """Read a METAR or SPECI.

    Parameters
    ----------
    text
        The report.
    station_elevation
        Of the station that reports [m].
    today
        UTC date that gives the report its month and year: the latest day of the report's number on or
        before it.

    Raises
    ------
    InputError
        When it is no METAR, has a group that is not understood, or lacks temperature or pressure.
    """
    from metar import Metar

    words = " ".join(text.replace("=", " ").upper().split())
    year, month = _month_of(words, today)
    try:
        report = Metar.Metar(words, month=month, year=year, strict=True)
    except Metar.ParserError as error:
        raise InputError(
            f"The METAR {words!r} is not understood ({' '.join(str(error).split())}). Correct it, or give "
            "the values one by one."
        ) from error
    if report.temp is None or report.press is None:
        lacking = "temperature" if report.temp is None else "altimeter setting"
        raise InputError(
            f"The METAR {words!r} has no {lacking}: density altitude needs both. Give the values one by one "
            "instead."
        )
    setting = _setting(float(report.press.value("HPA")) * HPA, words)
    speed = math.nan if report.wind_speed is None else _speed(report.wind_speed)
    direction = math.nan if report.wind_dir is None else float(report.wind_dir.value())
    sector = None
    if report.wind_dir_from is not None and report.wind_dir_to is not None:
        sector = (float(report.wind_dir_from.value()), float(report.wind_dir_to.value()))
    weather = [group[1] or "" for group in report.weather]
    # A station that saw no weather, or has no thunder sensor (TSNO), has not observed "no thunder".
    blind = any("//" in str(part) for group in report.weather for part in group if part)
    blind = blind or "TSNO" in words.split()
    reading = Reading(
        temperature=float(report.temp.value("K")),
        dew_point=math.nan if report.dewpt is None else float(report.dewpt.value("K")),
        altimeter_setting=setting,
        wind_speed=speed,
        wind_from=direction,
        gust=math.nan if report.wind_gust is None else _speed(report.wind_gust),
        visibility=_visibility(report, words),
        ceiling=_ceiling(report, words),
        thunder=1.0 if any("TS" in group for group in weather) else math.nan if blind else 0.0,
        station_elevation=station_elevation,
        sector=sector,
        instant=None if report.time is None else np.datetime64(report.time, "s"),
        station=str(report.station_id or ""),
        trend=report.trend(),
        peak=math.nan if report.wind_speed_peak is None else _speed(report.wind_speed_peak),
    )
    _believable(reading)
    return reading


def _speed(value: Any) -> float:
    """Speed [m/s] by the project's own knot, so that a limit stated in knots is met exactly."""
    return round(float(value.value("KT")), 3) * KT


def _month_of(words: str, today: dt.date) -> tuple[int, int]:
    """Year and month of the report's day number, the latest on or before today."""
    import re

    matched = re.search(r"\b(\d{2})\d{4}Z\b", words)
    if matched is None:
        raise InputError(
            f"The METAR {words!r} has no time group such as 241856Z. Copy the whole report, or give the "
            "values one by one."
        )
    day = int(matched[1])
    # The station's day may be tomorrow's, when somebody reads it west of Greenwich late in the evening.
    latest = today + dt.timedelta(days=1)
    for back in range(62):
        tried = latest - dt.timedelta(days=back)
        if tried.day == day:
            return tried.year, tried.month
    raise InputError(f"The METAR {words!r} has a day of the month that does not exist: {day}.")


def _visibility(report: Any, words: str) -> float:
    """Visibility [m], the lower where a second tells that of a direction; NaN where it was not seen."""
    import re

    told = [float(v.value("M")) for v in (report.vis, report.max_vis) if v]
    body = _body(words)
    # The library reads solidi, which a station writes for what it did not see, as ten kilometres.
    if any(re.fullmatch(r"////(NDV|[NSEW]{1,2})?", group) for group in body):
        told = [v for v in told if v < 10_000.0]
    # One that varies is told in the remarks, its lower end first.
    varies = re.search(r"\bVIS M?(?:(\d+) )?(\d+)(?:/([1-9]\d*))?V", _remarks(words))
    if varies:
        miles = float(varies[1] or 0) + float(varies[2]) / float(varies[3] or 1)
        told.append(miles * STATUTE_MILE)
    return min(told, default=math.nan)


def _body(words: str) -> list[str]:
    """The groups before RMK."""
    return words.split(" RMK", 1)[0].split()


def _remarks(words: str) -> str:
    """What stands behind RMK."""
    return words.partition(" RMK ")[2]


def _ceiling(report: Any, words: str) -> float:
    """Lowest broken, overcast or obscured layer [m]; inf where none; NaN where the sky was not seen."""
    # A layer of unknown cover may be a ceiling, one of unknown height may be at any.
    layers = [
        math.nan if height is None or cover == "///" else float(height.value("FT")) * FT
        for cover, height, _ in report.sky
        if cover in ("BKN", "OVC", "VV", "///")
    ]
    # Layers are told from the lowest up: an unknown one above a known ceiling changes nothing.
    known = [] if not layers or math.isnan(layers[0]) else [h for h in layers if not math.isnan(h)]
    if known := known + _varying_ceilings(report, words):
        return min(known)
    if layers:
        return math.nan
    body = _body(words)
    if "CAVOK" in body or "NSC" in body:
        return _CAVOK_CEILING
    return math.inf if report.sky else math.nan


def _varying_ceilings(report: Any, words: str) -> list[float]:
    """Ceilings that the remarks tell of one that varies, and of layers that are broken at times [m]."""
    import re

    remarks = _remarks(words)
    feet = [100.0 * float(low) for low in re.findall(r"\bCIG (\d{3})V\d{3}\b", remarks)]
    for cover, told in re.findall(r"\b(FEW|SCT)(\d{3})? V (?:BKN|OVC)\b", remarks):
        held = [float(height.value("FT")) for c, height, _ in report.sky if c == cover and height is not None]
        feet += [100.0 * float(told)] if told else held[:1]
    return [f * FT for f in feet]


def _setting(read: float, words: str) -> float:
    """Altimeter setting [Pa] as the library read it; the lower where the report gives it in both units."""
    import re

    body = words.split(" RMK", 1)[0]
    told = [
        0.01 * float(digits) * INHG if unit == "A" else float(digits) * HPA
        for unit, digits in re.findall(r"\b([AQ])(\d{4})\b", body)
    ]
    if len(told) < 2:
        return read
    if max(told) - min(told) > _ONE_SETTING:
        raise InputError(
            f"The METAR {words!r} gives two altimeter settings that differ. Correct it, or give the values "
            "one by one."
        )
    return min(told)


def _believable(reading: Reading) -> None:
    _checked("temperature_c", reading.temperature - 273.15)
    _checked("altimeter_inhg", reading.altimeter_setting / INHG)
    if reading.dew_point > reading.temperature:
        raise InputError(
            f"The dew point, {reading.dew_point - 273.15:.1f} °C, is above the temperature, "
            f"{reading.temperature - 273.15:.1f} °C. Check which is which."
        )
    if reading.gust < reading.wind_speed:
        raise InputError(
            f"The gust, {reading.gust / KT:.0f} kt, is below the wind, {reading.wind_speed / KT:.0f} kt. "
            "Check which is which."
        )


def typed_reading(
    *,
    station_elevation: float,
    temperature_c: float,
    altimeter_inhg: float,
    dew_point_c: float | None = None,
    wind_from: float | None = None,
    wind_kt: float | None = None,
    gust_kt: float | None = None,
    visibility_sm: float | None = None,
    ceiling_ft: float | None = None,
    no_ceiling: bool = False,
    thunder: bool | None = None,
    instant: np.datetime64 | None = None,
) -> Reading:
    """Build a reading from typed values; None is not observed.

    Parameters
    ----------
    station_elevation
        [m].
    temperature_c, dew_point_c, altimeter_inhg, wind_kt, gust_kt, visibility_sm, ceiling_ft
        With their units in their names.
    wind_from
        True direction [degree]; None or NaN with a speed is variable.
    no_ceiling
        The sky was seen and has no ceiling.
    thunder
        Whether there is thunder.
    instant
        UTC.

    Raises
    ------
    InputError
        When a value is not believable.
    """

    def number(name: str, value: float | None) -> float:
        return math.nan if value is None else _checked(name, value)

    ceiling = math.inf if no_ceiling else number("ceiling_ft", ceiling_ft) * FT
    dew = number("dew_point_c", dew_point_c)
    reading = Reading(
        temperature=_checked("temperature_c", temperature_c) + 273.15,
        dew_point=dew + 273.15,
        altimeter_setting=_checked("altimeter_inhg", altimeter_inhg) * INHG,
        wind_speed=number("wind_kt", wind_kt) * KT,
        wind_from=math.nan if wind_from is None else wind_from,
        gust=number("gust_kt", gust_kt) * KT,
        visibility=number("visibility_sm", visibility_sm) * STATUTE_MILE,
        ceiling=ceiling,
        thunder=math.nan if thunder is None else float(thunder),
        station_elevation=station_elevation,
        instant=instant,
    )
    _believable(reading)
    return reading
