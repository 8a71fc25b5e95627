"""The glossary: every quantity that crosses a room's wall, with its unit and its believable range.

Names are CF standard names where one exists. Units are SI; knots, feet and inches of mercury live
only at the edges, in names that carry the unit (``entry_speed_kt``).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FT", "HPA", "INHG", "KT", "NM", "STATION_VARIABLES", "STATUTE_MILE", "Variable"]

FT = 0.3048
"""Metres in a foot (exact, international foot)."""
KT = 1852.0 / 3600.0
"""Metres per second in a knot (exact)."""
NM = 1852.0
"""Metres in a nautical mile (exact)."""
STATUTE_MILE = 1609.344
"""Metres in a statute mile (exact)."""
HPA = 100.0
"""Pascals in a hectopascal."""
INHG = 3386.389
"""Pascals in an inch of mercury at 0 °C (NIST SP 811)."""


@dataclass(frozen=True)
class Variable:
    """One quantity of the station-hours contract.

    Attributes
    ----------
    name
        Dataset variable name.
    standard_name
        CF standard name, or None where CF has none.
    units
        CF units string.
    long_name
        Plain words.
    valid_min, valid_max
        Values outside are not weather at a place where people fly; quality control rejects them.
    """

    name: str
    standard_name: str | None
    units: str
    long_name: str
    valid_min: float
    valid_max: float


STATION_VARIABLES: dict[str, Variable] = {
    v.name: v
    for v in (
        Variable("air_temperature", "air_temperature", "K", "air temperature at 2 m", 203.15, 333.15),
        Variable("dew_point_temperature", "dew_point_temperature", "K", "dew point at 2 m", 183.15, 308.15),
        Variable(
            "surface_air_pressure", "surface_air_pressure", "Pa", "station pressure", 50_000.0, 110_000.0
        ),
        Variable("altimeter_setting", None, "Pa", "altimeter setting (QNH)", 92_000.0, 109_000.0),
        Variable(
            "air_pressure_at_mean_sea_level",
            "air_pressure_at_mean_sea_level",
            "Pa",
            "mean sea level pressure (reduced with the actual temperature)",
            87_000.0,
            109_000.0,
        ),
        Variable(
            "wind_from_direction",
            "wind_from_direction",
            "degree",
            "true direction the wind blows from; missing with a wind speed above zero means variable",
            0.0,
            360.0,
        ),
        Variable("wind_speed", "wind_speed", "m s-1", "mean wind speed at 10 m", 0.0, 60.0),
        Variable(
            "wind_speed_of_gust",
            "wind_speed_of_gust",
            "m s-1",
            "reported gust peak; missing means not reported, never zero",
            0.0,
            90.0,
        ),
        Variable(
            "cloud_base_height",
            "cloud_base_altitude",
            "m",
            "ceiling: lowest broken or overcast layer above ground; inf means no ceiling, "
            "missing means not observed",
            0.0,
            float("inf"),
        ),
        Variable("visibility_in_air", "visibility_in_air", "m", "visibility", 0.0, 200_000.0),
        Variable(
            "thunder",
            None,
            "1",
            "1 when thunder was reported in the hour, 0 when present weather was "
            "observed without it, missing when not observed",
            0.0,
            1.0,
        ),
    )
}
"""Variables of a station-hours dataset, in order; a dataset holds those its source has."""
