"""The season's results: one dataset, its schema, and its summary.

The schema is data: every variable's dimensions, unit and meaning stand in `SCHEMA`, a file that does not
match it is refused, and what later work adds has its place already (routines, derived limits, trust).
SI inside; the summary is for people and carries knots and feet in its names.
"""

from __future__ import annotations

import functools
import hashlib
import json
import math
import mmap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.air.variables import FT, KT
from pipeline.errors import StoreError
from pipeline.files import write_atomically
from pipeline.netcdf import NETCDF

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "CAUSES_SAID",
    "CAUTIONS",
    "LABELS",
    "NO_UNITS",
    "SAMPLES",
    "SCHEMA",
    "SCHEMA_VERSION",
    "Field",
    "check_results",
    "days_in_ten",
    "in_100",
    "keep_copy",
    "minutes_and_seconds",
    "netcdf_file",
    "new_results",
    "plain",
    "read_results",
    "summary",
    "write_results",
]

SCHEMA_VERSION = "8"

NO_UNITS: dict[str, str] = {
    "currency": "in the season's currency, which the file's attribute of that name tells",
    "SI": "SI units of the condition's own quantity: metres, or metres per second",
    "m0.5 s-0.5": "in the square root of metres per second, for which CF has no unit: exponents are whole",
}
"""What stands for a unit in the schema and is none that CF knows, in words."""

_STANDARD_NAMES = {
    "venue_latitude": "latitude",
    "venue_longitude": "longitude",
    "venue_elevation": "surface_altitude",
}

CAUTIONS = (
    "Planning aid only: past weather is not a forecast, and this is not a flight clearance.",
    "The aircraft's approved data, the pilot's own authorisation and personal minimums, the waiver or "
    "display permit, the air boss or flying display director, and the local authority decide.",
    "Station data providers say that their data is not meant where life or property may be at risk.",
    "When this and the pilot disagree, the more cautious one stands.",
)
"""Shown wherever a number could be acted on."""


@dataclass(frozen=True)
class Field:
    """One variable of the results: its dimensions, storage type, unit and meaning."""

    dims: tuple[str, ...]
    dtype: str
    units: str
    long_name: str


_DAY_SLOT = ("booking_day", "slot")
_SAMPLE = (*_DAY_SLOT, "year", "day_offset", "hour_offset")

LABELS: dict[str, str] = {
    "booking": "booking id",
    "booking_day": "booking id and date",
    "slot": "position in the day's list of slots",
    "figure": "figure name: those of the full show in the order flown, each followed by its substitutes, "
    "then the low-ceiling show's own",
    "condition": "condition that a figure can have limits for",
    "cause": "cause for which a figure is changed",
    "act_cause": "cause for which the whole act stays on the ground",
    "routine": "routine of the season: the full show, those composed of its places, the low-ceiling show",
    "rehearsed": "number of routines rehearsed, the full show among them, the low-ceiling show not",
    "quantile": "cumulative probability",
    "year": "calendar year sampled",
    "day_offset": "days from the booking's date",
    "hour_offset": "hours from the slot's start",
    "venue": "venue id",
    "station_variable": "quantity that stations observe",
    "pressure_source": "what the pressure came from",
    "bound": "bound",
    "station_place": "place in the venue's order of stations, from 1",
    "station_group": "quantities that are filled together",
    "lead": "hours from a reading to the last whole hour (UTC) at or before the slot in discussion",
}
"""Dimensions and what they mean; each but `slot` has a coordinate of its name."""

_QUANTITIES: dict[str, tuple[str, str]] = {
    "density_altitude": ("m", "density altitude of the moist air at the show site"),
    "temperature": ("K", "air temperature at the show site"),
    "wind_speed": ("m s-1", "mean wind speed"),
    "gust": ("m s-1", "gust peak: the greater of reported gust and mean wind"),
    "gust_low": ("m s-1", "gust peak with the mean wind for every unreported gust"),
    "gust_high": ("m s-1", "gust peak with every unreported gust at its upper bound"),
    "toward_crowd": ("m s-1", "wind across the show line, positive toward the crowd"),
    "along_line": ("m s-1", "wind along the show line, positive against its heading"),
    "runway_crosswind": ("m s-1", "crosswind on the runway, either side"),
}

SAMPLES: dict[str, tuple[str, float, str]] = {
    "density_altitude": ("m", 0.5, "density altitude"),
    "toward_crowd": ("m s-1", 0.01, "wind toward the crowd"),
    "along_line": ("m s-1", 0.01, "wind along the show line"),
    "wind_speed": ("m s-1", KT / 10.0, "mean wind speed"),
    "gust": ("m s-1", KT, "gust peak"),
    "gust_high": ("m s-1", KT, "gust peak, upper bound"),
    "runway_crosswind": ("m s-1", 0.01, "runway crosswind"),
    "ceiling": ("m", 10.0 * FT, "ceiling; the greatest value stands for no ceiling"),
    "visibility": ("m", 10.0, "visibility"),
    "thunder": ("1", 1.0, "thunder in the hour"),
}
"""Sampled air kept for the sliders: unit, resolution, meaning. Stored as 16-bit integers."""

_GREATEST = 32_000
_SEAL_LENGTH = len("\nSHA-256 ") + 64
MISSING = -32_768
"""Packed code of a value that was not observed."""


def _schema() -> dict[str, Field]:
    s: dict[str, Field] = {}

    def add(name: str, dims: tuple[str, ...], dtype: str, units: str, long_name: str) -> None:
        s[name] = Field(dims, dtype, units, long_name)

    # What a booking is.
    add("booking_venue", ("booking",), "str", "", "venue id")
    add("booking_state", ("booking",), "str", "", "enquiry, hold, contracted or passed")
    add("booking_fee", ("booking",), "f8", "currency", "fee; NaN where none is given")
    add("booking_costs", ("booking",), "f8", "currency", "costs; NaN where none are given")
    add("booking_length", ("booking",), "f8", "minute", "length of the slot")
    add("booking_status", ("booking",), "str", "", "ok, or why there is no number")
    add("booking_trust", ("booking",), "str", "", "whether the numbers deserve trust, and why not")
    add("booking_trust_grade", ("booking",), "str", "", "good, with care or poor; empty without numbers")
    add("booking_rank", ("booking",), "i4", "1", "1 is the best; 0 where there is no number")
    add(
        "booking_as_planned",
        ("booking",),
        "f8",
        "1",
        "chance that the planned routine is flown as planned at the slot in discussion, mean of show days",
    )
    add("booking_as_planned_lower", ("booking",), "f8", "1", "lower end of its 90 % interval")
    add("booking_as_planned_upper", ("booking",), "f8", "1", "upper end of its 90 % interval")
    add("booking_as_planned_by_year", ("booking", "year"), "f8", "1", "the same, by sampled year")
    add(
        "booking_as_planned_per_trend",
        ("booking", "year"),
        "f8",
        "year K-1",
        "its change per unit of temperature trend",
    )
    add(
        "booking_as_planned_per_log",
        ("booking",),
        "f8",
        "1",
        "its change for one standard deviation, to caution, of the limits learned from the log; 0 without",
    )
    add(
        "booking_as_planned_as_written",
        ("booking",),
        "f8",
        "1",
        "the same by the limits as written, without the log",
    )
    add(
        "booking_told_apart",
        ("booking", "other_booking"),
        "i1",
        "1",
        "1 where paired draws of years tell two bookings apart",
    )
    add("booking_best_slot", ("booking",), "str", "", "local start of the best slot that may be asked for")
    add("booking_best_slot_as_planned", ("booking",), "f8", "1", "chance at the best slot")
    add("booking_worst_slot", ("booking",), "str", "", "local start of the worst slot that may be asked for")
    add("booking_worst_slot_as_planned", ("booking",), "f8", "1", "chance at the worst slot")
    add(
        "booking_slots_told_apart",
        ("booking",),
        "i1",
        "1",
        "1 where paired draws tell the best slot from the worst",
    )
    # What a booking day is.
    add("day_booking", ("booking_day",), "str", "", "booking id")
    add("day_venue", ("booking_day",), "str", "", "venue id")
    add("day_date", ("booking_day",), "str", "", "date, ISO 8601")
    add("day_slots", ("booking_day",), "i4", "1", "number of slots; later positions are empty")
    add("day_offered_slot", ("booking_day",), "i4", "1", "position of the slot in discussion")
    add("day_status", ("booking_day",), "str", "", "ok, or why there is no number")
    add("slot_local", _DAY_SLOT, "str", "", "local start of the slot")
    add("slot_utc", _DAY_SLOT, "str", "", "UTC start of the slot, ISO 8601")
    add("slot_in_window", _DAY_SLOT, "i1", "1", "1 inside the organiser's window, 0 in the hour either side")
    # Chances.
    add("figure_change", (*_DAY_SLOT, "figure"), "f8", "1", "chance that the figure must be changed")
    add("figure_change_lower", (*_DAY_SLOT, "figure"), "f8", "1", "lower end of its 90 % interval")
    add("figure_change_upper", (*_DAY_SLOT, "figure"), "f8", "1", "upper end of its 90 % interval")
    add(
        "figure_change_at_gust_bound",
        (*_DAY_SLOT, "figure"),
        "f8",
        "1",
        "the same with every unreported gust at its upper bound",
    )
    add(
        "figure_change_by_cause",
        (*_DAY_SLOT, "figure", "cause"),
        "f8",
        "1",
        "chance that the figure must be changed for one cause alone",
    )
    add(
        "routine_as_planned",
        (*_DAY_SLOT, "routine"),
        "f8",
        "1",
        "chance that the act flies and no figure of the routine is changed; of the low-ceiling show, that "
        "the ceiling is below the full show's comfortable one as well",
    )
    add("routine_as_planned_lower", (*_DAY_SLOT, "routine"), "f8", "1", "lower end of its 90 % interval")
    add("routine_as_planned_upper", (*_DAY_SLOT, "routine"), "f8", "1", "upper end of its 90 % interval")
    add("routine_as_planned_by_year", (*_DAY_SLOT, "routine", "year"), "f8", "1", "the same, by sampled year")
    add(
        "routine_as_planned_per_trend",
        (*_DAY_SLOT, "routine", "year"),
        "f8",
        "year K-1",
        "its change per unit of temperature trend",
    )
    add(
        "routine_as_planned_per_log",
        (*_DAY_SLOT, "routine"),
        "f8",
        "1",
        "its change for one standard deviation, to caution, of the limits learned from the log; 0 without",
    )
    add(
        "routine_as_planned_as_written",
        (*_DAY_SLOT, "routine"),
        "f8",
        "1",
        "the same by the limits as written, without the log",
    )
    add(
        "routine_as_planned_range",
        (*_DAY_SLOT, "routine", "bound"),
        "f8",
        "1",
        "the same with figures judged independently, and as one",
    )
    add(
        "routine_change_by_cause",
        (*_DAY_SLOT, "routine", "cause"),
        "f8",
        "1",
        "chance that some figure of the routine is changed for one cause alone",
    )
    add("act_out", _DAY_SLOT, "f8", "1", "chance that the whole act stays on the ground")
    add("act_out_lower", _DAY_SLOT, "f8", "1", "lower end of its 90 % interval")
    add("act_out_upper", _DAY_SLOT, "f8", "1", "upper end of its 90 % interval")
    add("act_out_by_cause", (*_DAY_SLOT, "act_cause"), "f8", "1", "by cause; NaN where it is not observed")
    # What they rest on.
    add("sample_years", _DAY_SLOT, "i4", "1", "years that count")
    add("sample_size", _DAY_SLOT, "i4", "1", "sampled hours with air and wind")
    add(
        "sample_effective_size",
        _DAY_SLOT,
        "f8",
        "1",
        "effective number of independent days behind the routine's chance",
    )
    add(
        "figure_effective_size",
        (*_DAY_SLOT, "figure"),
        "f8",
        "1",
        "effective number of independent days behind the figure's chance",
    )
    add("observed_share", _DAY_SLOT, "f8", "1", "share of the sampled hours with air and wind")
    add("gust_reported_share", _DAY_SLOT, "f8", "1", "share of the sampled hours whose report carried a gust")
    for name, (units, words) in _QUANTITIES.items():
        add(
            f"{name}_quantile",
            (*_DAY_SLOT, "quantile"),
            "f8",
            units,
            f"{words}, below which a new year's value lies as often as stated: quantile of type 6 on the "
            "effective number of independent values",
        )
        add(
            f"{name}_quantile_lower",
            (*_DAY_SLOT, "quantile"),
            "f8",
            units,
            f"{words}, lower end of the quantile's 90 % interval",
        )
        add(
            f"{name}_quantile_upper",
            (*_DAY_SLOT, "quantile"),
            "f8",
            units,
            f"{words}, upper end of the quantile's 90 % interval",
        )
    # What carries a reading to the slot in discussion.
    root = "the square root of"
    for name, units, read, of in (
        ("density_altitude", "m", "density altitude", "density altitude"),
        ("gust", "m0.5 s-0.5", f"{root} gust", f"{root} gust"),
        ("unreported_gust", "m0.5 s-0.5", f"{root} wind, no gust being reported,", f"{root} gust"),
    ):
        add(
            f"{name}_carried_share",
            ("booking_day", "lead"),
            "f8",
            "1",
            f"how much of a reading's departure in {read} lasts; NaN with too few past pairs",
        )
        add(
            f"{name}_carried_rest",
            ("booking_day", "lead", "quantile"),
            "f8",
            units,
            f"{of} at the slot less that share of the reading, quantile of type 8",
        )
    # The limits.
    add("figure_type", ("figure",), "str", "", "the trade's name of the figure")
    add("figure_seconds", ("figure",), "f8", "s", "seconds the figure takes")
    add("figure_crowd_value", ("figure",), "f8", "1", "what the figure is worth to the show")
    add("comfortable_stated", ("figure", "condition"), "f8", "SI", "comfortable value as the pilot states it")
    add("limit_stated", ("figure", "condition"), "f8", "SI", "limit as the pilot states it")
    for name, what in (("comfortable", "comfortable value"), ("limit", "limit")):
        add(
            f"{name}_own",
            ("figure", "condition"),
            "f8",
            "SI",
            f"{what} as stated or as the log shows it, before what the flight's physics allow",
        )
    add(
        "limit_derived",
        ("figure", "condition"),
        "f8",
        "SI",
        "limit from the physics of the flight; NaN where none is derived, infinite where no cushion is used "
        "up, minus infinite where one is at sea level already",
    )
    add("comfortable_used", ("figure", "condition"), "f8", "SI", "comfortable value that the chances use")
    add(
        "limit_used",
        ("figure", "condition"),
        "f8",
        "SI",
        "limit that the chances use, the more cautious; -2000 m of density altitude for a figure that is "
        "never flown",
    )
    add("limit_reason", ("figure", "condition"), "str", "", "which limit is used, and why")
    add("act_comfortable", ("venue", "act_cause"), "f8", "SI", "comfortable value of the act")
    add("act_limit", ("venue", "act_cause"), "f8", "SI", "limit of the act")
    add(
        "waiver_ceiling_comfortable",
        ("venue",),
        "f8",
        "m",
        "of the venue's own waiver; NaN where it has none",
    )
    add("waiver_ceiling_limit", ("venue",), "f8", "m", "of the venue's own waiver; NaN where it has none")
    add("routine_figures", ("routine", "figure"), "i1", "1", "1 where the routine has the figure")
    # The season's routines.
    add("routine_name", ("routine",), "str", "", "name for people")
    add("routine_origin", ("routine",), "str", "", "the pilot's, or composed of the full show's places")
    add(
        "routine_position",
        ("routine", "figure"),
        "i4",
        "1",
        "place in the routine's order, from 1; 0 without",
    )
    add("routine_crowd_value", ("routine",), "f8", "1", "what the routine is worth to the show")
    add("routine_seconds", ("routine",), "f8", "s", "its length as planned")
    add(
        "routine_seconds_thin_air",
        ("routine",),
        "f8",
        "s",
        "its greatest length on the papers of the season's bookings, with what their thin air adds",
    )
    add(
        "routine_ceiling_comfortable",
        ("routine",),
        "f8",
        "m",
        "its own comfortable ceiling; NaN for the act's",
    )
    add("routine_ceiling_limit", ("routine",), "f8", "m", "its own ceiling limit; NaN for the act's")
    add("routine_flown", (*_DAY_SLOT, "routine"), "f8", "1", "share of days on which it is the routine flown")
    add("routine_flown_lower", (*_DAY_SLOT, "routine"), "f8", "1", "lower end of its 90 % interval")
    add("routine_flown_upper", (*_DAY_SLOT, "routine"), "f8", "1", "upper end of its 90 % interval")
    add("routine_none", _DAY_SLOT, "f8", "1", "share of days on which no routine can be flown, or no show")
    for end, words in (
        ("", "chance that some rehearsed show is flown unchanged"),
        ("_lower", "lower end of its 90 % interval"),
        ("_upper", "upper end of its 90 % interval"),
    ):
        add(f"any_as_planned{end}", _DAY_SLOT, "f8", "1", words)
    add(
        "routine_flown_changed",
        _DAY_SLOT,
        "f8",
        "1",
        "share of days on which the routine flown changes further",
    )
    add(
        "routine_change_if_flown",
        (*_DAY_SLOT, "routine"),
        "f8",
        "1",
        "chance that something of the routine must be changed on the days on which the act flies",
    )
    add("crowd_value_expected", _DAY_SLOT, "f8", "1", "expected crowd value with the season's routines")
    add("crowd_value_full_alone", _DAY_SLOT, "f8", "1", "expected crowd value with the full show alone")
    add("routine_current", ("booking_day", "routine"), "i1", "1", "1 practised in time, 0 not, -1 not stated")
    add(
        "booking_routine_flown",
        ("booking", "routine"),
        "f8",
        "1",
        "share at the slot in discussion, mean of days",
    )
    add(
        "booking_routine_seconds",
        ("booking", "routine"),
        "f8",
        "s",
        "its length on the booking's papers, with what their thin air adds; infinite for a climb without end",
    )
    add("booking_routine_none", ("booking",), "f8", "1", "share without a routine or show, mean of days")
    add("booking_routine_flown_changed", ("booking",), "f8", "1", "share with a further change, mean of days")
    add("booking_plan_on", ("booking",), "i4", "1", "position of the routine to plan on; -1 for none")
    add(
        "booking_plan_kept", ("booking",), "i1", "1", "1 where it brings a further change 1 day in 10 at most"
    )
    add(
        "booking_reserve",
        ("booking", "figure"),
        "i1",
        "1",
        "1 in the routine planned on, 2 in reserve, 0 neither",
    )
    for name, words in (
        ("crowd_value", "expected crowd value a show with so many routines"),
        ("further_change", "share of the days flown with a further change"),
        ("gain", "crowd value a show over that of as many routines as were asked for"),
        ("further_change_gain", "share of the days with a further change over that of as many as asked for"),
    ):
        add(f"frontier_{name}", ("rehearsed",), "f8", "1", words)
        for end in ("lower", "upper"):
            told = f"{end} end of its 90 % interval by the past years"
            add(f"frontier_{name}_{end}", ("rehearsed",), "f8", "1", told)
    add("frontier_routines", ("rehearsed",), "str", "", "the composed routines, one a line")
    # Where the air came from.
    add("venue_name", ("venue",), "str", "", "name")
    add("venue_elevation", ("venue",), "f8", "m", "elevation of the show site")
    add("venue_line_heading", ("venue",), "f8", "degree", "true heading of the show line")
    add("venue_crowd_on_right", ("venue",), "i1", "1", "1 with the crowd on the right along that heading")
    add("venue_runway_heading", ("venue",), "f8", "degree", "true heading of the runway used")
    add("venue_timezone", ("venue",), "str", "", "IANA time zone")
    add("venue_latitude", ("venue",), "f8", "degree_north", "latitude")
    add("venue_longitude", ("venue",), "f8", "degree_east", "longitude")
    add("venue_status", ("venue",), "str", "", "ok, or what failed")
    add("venue_warnings", ("venue",), "str", "", "warnings, one a line")
    add(
        "venue_gusts",
        ("venue",),
        "str",
        "",
        "observed, modelled in part of the years, estimated with a model of other stations, or none",
    )
    add("station_id", ("venue",), "str", "", "station whose hours were used")
    add("station_source", ("venue",), "str", "", "where its hours came from")
    add("station_name", ("venue",), "str", "", "its name")
    add("station_distance", ("venue",), "f8", "m", "from the show site")
    add("station_elevation", ("venue",), "f8", "m", "its elevation")
    add("station_invented", ("venue",), "i1", "1", "1 where its weather is invented")
    add("station_licence", ("venue",), "str", "", "licence of its data")
    add("station_attribution", ("venue",), "str", "", "attribution of its data")
    add("station_retrieved_at", ("venue",), "str", "", "when its hours were last fetched, UTC")
    add("station_digest", ("venue",), "str", "", "SHA-256 of what was read")
    add("station_counts", ("venue",), "str", "", "values kept and rejected on reading, JSON")
    add("station_quality", ("venue",), "str", "", "rejections and suspicions of quality control, JSON")
    add("station_first_year", ("venue",), "i4", "1", "first year used")
    add("station_last_year", ("venue",), "i4", "1", "last year used")
    add(
        "station_completeness",
        ("venue", "station_variable"),
        "f8",
        "1",
        "share of the hours used that hold the quantity; 0 where it is not observed",
    )
    add("venue_station", ("venue", "station_place"), "str", "", "source and id of the station in that place")
    add(
        "venue_station_share",
        ("venue", "station_place", "station_group"),
        "f8",
        "1",
        "share of the hours used that came from the station in that place",
    )
    place = ("venue", "station_place")
    add("venue_station_status", place, "str", "", "ok, or why no hour of it was used")
    add("venue_station_name", place, "str", "", "its name")
    add("venue_station_distance", place, "f8", "m", "from the show site")
    add("venue_station_elevation", place, "f8", "m", "its elevation")
    add("venue_station_invented", place, "i1", "1", "1 where its weather is invented")
    add("venue_station_licence", place, "str", "", "licence of its data")
    add("venue_station_attribution", place, "str", "", "attribution of its data")
    add("venue_station_retrieved_at", place, "str", "", "when its hours were last fetched, UTC")
    add("venue_station_counts", place, "str", "", "values kept and rejected on reading, JSON")
    add("venue_station_quality", place, "str", "", "rejections and suspicions of quality control, JSON")
    add("venue_station_first_year", place, "i4", "1", "first year of its own hours; 0 without any")
    add("venue_station_last_year", place, "i4", "1", "last year of its own hours; 0 without any")
    add(
        "venue_station_completeness",
        (*place, "station_variable"),
        "f8",
        "1",
        "share of its own hours, before any filling, that hold the quantity; 0 where it is not observed",
    )
    add(
        "station_pressure_share",
        ("venue", "pressure_source"),
        "f8",
        "1",
        "share of the sampled hours by what their pressure came from",
    )
    add("station_trend", ("venue",), "f8", "K year-1", "pooled temperature trend applied")
    add(
        "station_trend_numerator",
        ("venue", "year"),
        "f8",
        "K year",
        "the trend is the ratio of the sums of these two",
    )
    add(
        "station_trend_denominator",
        ("venue", "year"),
        "f8",
        "year2",
        "the trend is the ratio of the sums of these two",
    )
    for name, (units, _, words) in SAMPLES.items():
        add(f"sample_{name}", _SAMPLE, "packed", units, f"sampled {words}")
    return s


SCHEMA: dict[str, Field] = _schema()
"""Every variable of the results dataset."""


def new_results(coords: Mapping[str, Any], slots: int, attrs: Mapping[str, Any]) -> dict[str, Any]:
    """Empty arrays for every variable of the schema: NaN, 0 or an empty text.

    Parameters
    ----------
    coords
        Labels of every dimension of `LABELS` but `slot`.
    slots
        Greatest number of slots of a day.
    attrs
        Of the dataset; the schema's own are added.
    """
    sizes = {k: len(v) for k, v in coords.items()} | {"slot": slots, "other_booking": len(coords["booking"])}
    missing = [d for d in LABELS if d not in sizes]
    if missing:
        raise ValueError(f"new_results: coords lacks {', '.join(missing)}")
    arrays: dict[str, Any] = {}
    for name, field in SCHEMA.items():
        shape = tuple(sizes[d] for d in field.dims)
        if field.dtype == "str":
            arrays[name] = np.full(shape, "", dtype=object)
        elif field.dtype == "packed":
            arrays[name] = np.full(shape, MISSING, dtype=np.int16)
        elif field.dtype.startswith("f"):
            arrays[name] = np.full(shape, np.nan, dtype=field.dtype)
        else:
            arrays[name] = np.zeros(shape, dtype=field.dtype)
    own = {"Conventions": "CF-1.11", "schema_version": SCHEMA_VERSION, "cautions": "\n".join(CAUTIONS)}
    return {"arrays": arrays, "coords": dict(coords), "attrs": own | dict(attrs)}


def widen(empty: dict[str, Any], dim: str, labels: list[Any]) -> None:
    """Give a dimension its labels once they are known; what was laid stays, what is new is empty.

    Parameters
    ----------
    empty
        As `new_results` gives it.
    dim
        A dimension of `LABELS`.
    labels
        All of them, those that were there first.
    """
    more = len(labels) - len(empty["coords"][dim])
    for name, field in SCHEMA.items():
        if dim not in field.dims:
            continue
        held = empty["arrays"][name]
        axis = field.dims.index(dim)
        shape = (*held.shape[:axis], more, *held.shape[axis + 1 :])
        new = np.full(
            shape, "" if field.dtype == "str" else np.nan if field.dtype[0] == "f" else 0, held.dtype
        )
        empty["arrays"][name] = np.concatenate([held, new], axis=axis)
    empty["coords"][dim] = labels


def pack(name: str, values: Any) -> Any:
    """A sample as 16-bit integers of its resolution; NaN as the missing code, inf as the greatest value."""
    scale = SAMPLES[name][1]
    with np.errstate(invalid="ignore"):
        scaled = np.rint(np.asarray(values, dtype=np.float32) / np.float32(scale))
    scaled = np.clip(scaled, -_GREATEST, _GREATEST)
    return np.where(np.isnan(scaled), MISSING, scaled).astype(np.int16)


def _variables(laid: Mapping[str, Any]) -> Iterator[tuple[str, tuple[str, ...], Any, dict[str, Any]]]:
    """Name, dimensions, values and attributes of all that is stored, labels last."""
    for name, field in SCHEMA.items():
        attrs: dict[str, Any] = {"long_name": field.long_name}
        if field.units in NO_UNITS:
            attrs["comment"] = NO_UNITS[field.units]
        elif field.units:
            attrs["units"] = field.units
        if name in _STANDARD_NAMES:
            attrs["standard_name"] = _STANDARD_NAMES[name]
        if field.dtype == "packed":
            scale = SAMPLES[name.removeprefix("sample_")][1]
            attrs |= {"scale_factor": scale, "_FillValue": np.int16(MISSING)}
        yield name, field.dims, laid["arrays"][name], attrs
    for name, labels in laid["coords"].items():
        kind = object if len(labels) and isinstance(labels[0], str) else None if len(labels) else float
        yield name, (name,), np.asarray(labels, dtype=kind), {"long_name": LABELS[name]}


def to_dataset(laid: Mapping[str, Any]) -> xr.Dataset:
    """The results dataset, encoded as it is stored, from the arrays of `new_results` once filled."""
    import xarray as xr

    variables = {name: xr.Variable(dims, values, attrs) for name, dims, values, attrs in _variables(laid)}
    return xr.Dataset(variables, attrs=laid["attrs"])


def plain(ds: xr.Dataset) -> dict[str, Any]:
    """The arrays, labels and attributes of a results dataset, as `new_results` has them.

    Raises
    ------
    StoreError
        When the dataset does not match the schema.
    """
    check_results(ds)

    def stored(name: str, field: Field) -> Any:
        values = ds[name].to_numpy()
        if field.dtype == "packed" and values.dtype != np.int16:
            return pack(name.removeprefix("sample_"), values)
        return values

    return {
        "arrays": {name: stored(name, field) for name, field in SCHEMA.items()},
        "coords": {k: ds[k].to_numpy().tolist() for k in LABELS if k in ds.coords},
        "attrs": dict(ds.attrs),
    }


def check_results(ds: xr.Dataset) -> None:
    """Refuse a dataset that does not match the schema.

    Raises
    ------
    StoreError
        Naming the first difference and the cure.
    """
    version = str(ds.attrs.get("schema_version", "none"))
    if version != SCHEMA_VERSION:
        raise StoreError(
            f"These results have schema version {version}; this version of showhour reads {SCHEMA_VERSION}. "
            "Run `showhour forecast` on the season folder again."
        )
    for name, field in SCHEMA.items():
        if name not in ds:
            raise StoreError(
                f"These results lack {name}. Run `showhour forecast` on the season folder again."
            )
        if ds[name].dims != field.dims:
            raise StoreError(
                f"These results have {name} over {ds[name].dims}, not {field.dims}. "
                "Run `showhour forecast` on the season folder again."
            )


def keep_copy(path: Path, content: bytes) -> None:
    """Keep in the cache what could be made again, atomically.

    Raises
    ------
    StoreError
        The cache cannot be written: full, or not ours.
    """
    try:
        write_atomically(path, content)
    except OSError as error:
        raise StoreError(
            f"The cache cannot be written: {path} ({error.strerror or error}). Make room or give the folder "
            "to this user, or name another in SHOWHOUR_CACHE; what was stored before is kept."
        ) from error


def _seal(content: bytes | memoryview) -> bytes:
    """What is written after the netCDF content: HDF5 does not notice a flipped bit, and reads past no end."""
    return b"\nSHA-256 " + hashlib.sha256(content).hexdigest().encode()


def _netcdf(laid: Mapping[str, Any]) -> memoryview:
    """The results as a netCDF file in memory.

    Every variable is declared before the first is written: going to and fro costs the library more than
    all the writing.
    """
    import netCDF4

    nc = netCDF4.Dataset("results", "w", format="NETCDF4", memory=1 << 20)
    nc.setncatts(laid["attrs"])
    sizes = {k: len(v) for k, v in laid["coords"].items()}
    declared = []
    for name, dims, values, attrs in _variables(laid):
        for dim, size in zip(dims, values.shape, strict=True):
            if dim not in nc.dimensions:
                nc.createDimension(dim, size)
            if size != sizes.setdefault(dim, size):
                raise ValueError(f"{name} has {size} along {dim}, not {sizes[dim]}")
        text = values.dtype.kind in "OU"
        fill = attrs.pop("_FillValue", values.dtype.type(np.nan) if values.dtype.kind == "f" else False)
        variable = nc.createVariable(
            name, str if text else values.dtype, dims, fill_value=None if text else fill
        )
        variable.set_auto_maskandscale(False)
        variable.setncatts(attrs)
        declared.append((variable, values.astype(object) if text else values))
    for variable, values in declared:
        variable[...] = values
    return nc.close()


def write_results(of: xr.Dataset | dict[str, Any], path: Path, told: Mapping[str, Any] | None = None) -> None:
    """Write results as netCDF, atomically, and their summary as JSON beside them.

    Parameters
    ----------
    of
        Results, as a dataset or as the filled arrays of `new_results`.
    path
        Of the netCDF file.
    told
        Their `summary` where it is at hand.

    Raises
    ------
    StoreError
        When the folder cannot be written.
    """
    laid = of if isinstance(of, dict) else plain(of)
    try:
        with NETCDF:
            content = _netcdf(laid)
        write_atomically(path, content, _seal(content))
        write_atomically(
            path.with_suffix(".json"),
            (json.dumps(told or summary(laid), ensure_ascii=False, allow_nan=False) + "\n").encode(),
        )
    except OSError as error:
        raise StoreError(f"The results cannot be written to {path}: {error.strerror or error}.") from error


@functools.lru_cache(maxsize=8)
def _check_seal(path: Path, modified: int, size: int) -> None:
    """Hold a file against its checksum, once for as long as nobody writes to it: pages open it by the day."""
    content = memoryview(path.read_bytes())
    if content[-_SEAL_LENGTH:] != _seal(content[:-_SEAL_LENGTH]):
        raise ValueError("the file does not match its checksum")


def read_results(path: Path) -> xr.Dataset:
    """Read results; arrays are read when they are used.

    Raises
    ------
    StoreError
        When there are none, or the file is damaged (it carries a checksum) or of another version.
    """
    import xarray as xr

    if not path.is_file():
        raise StoreError(f"There are no results at {path}. Run `showhour run` on the season folder first.")
    try:
        written = path.stat()
        _check_seal(path, written.st_mtime_ns, written.st_size)
        with path.open("rb") as file:
            content = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
        # By its content, not by its name: opened twice by name, with another file between, the library has
        # been seen to fail (netcdf4-python #796).
        with NETCDF:
            ds = xr.open_dataset(content, engine="netcdf4", cache=True, lock=NETCDF)
    except (OSError, ValueError, KeyError) as error:
        raise StoreError(
            f"The results at {path} cannot be read ({error}). "
            "Run `showhour forecast` on the season folder again."
        ) from error
    try:
        check_results(ds)
    except StoreError:
        ds.close()
        raise
    return ds


def netcdf_file(path: Path) -> bytes:
    """The netCDF file of results on disk, without the checksum that stands behind it.

    Raises
    ------
    StoreError
        When it cannot be read.
    """
    try:
        return path.read_bytes()[:-_SEAL_LENGTH]
    except OSError as error:
        raise StoreError(f"The results at {path} cannot be read: {error.strerror or error}.") from error


CAUSES_SAID: dict[str, str] = {
    "density_altitude": "density altitude",
    "wind_across": "wind on the crowd",
    "rough_air": "gusts",
    "wind_along": "wind along the line",
    "runway_crosswind": "runway crosswind",
    "ceiling": "ceiling",
    "visibility": "visibility",
    "thunder": "thunder",
}
"""What bites, by cause, as people say it."""


def what_bites(chances: Any, labels: Any) -> str:
    """Cause with the largest chance; empty where none has any.

    Parameters
    ----------
    chances
        (cause,), NaN where not judged.
    labels
        (cause,).
    """
    held = [(chance, label) for chance, label in zip(chances, labels, strict=True) if chance > 0.0]
    return str(max(held, key=lambda item: item[0])[1]) if held else ""


def in_100(chance: float) -> str:
    """A chance as whole days in a hundred, "67"; never a certainty that it is not; a dash where missing."""
    if not np.isfinite(chance):
        return "–"
    if 0.0 < chance < 0.01:
        return "under 1"
    if 0.995 <= chance < 1.0:
        return "over 99"
    return f"{100.0 * chance:.0f}"


def minutes_and_seconds(seconds: float | None) -> str:
    """A time as min:s, rounded up; in words where there is none, for a climb that is never done."""
    if seconds is None or seconds == math.inf:
        return "no end"
    whole = math.ceil(seconds - 1e-6)
    return f"{whole // 60}:{whole % 60:02d}"


def days_in_ten(chance: float) -> str:
    """A chance in a pilot's words, "3 days in 10"; "under 1 day in 100" and "every day" at the ends."""
    if not np.isfinite(chance):
        return "not enough history"
    if chance >= 0.995:
        return "every day" if chance >= 1.0 else "over 99 days in 100"
    if chance >= 0.095:
        tenths = min(9, max(1, round(chance * 10)))
        if chance < 0.95:
            return f"{tenths} day{'s' if tenths != 1 else ''} in 10"
        return f"{round(chance * 100)} days in 100"
    if chance >= 0.01:
        return f"{round(chance * 100)} day{'s' if round(chance * 100) != 1 else ''} in 100"
    return "never in the sample" if chance <= 0.0 else "under 1 day in 100"


def _number(value: Any, digits: int) -> float | None:
    x = float(value)
    return None if not np.isfinite(x) else round(x, digits)


def summary(of: xr.Dataset | dict[str, Any]) -> dict[str, Any]:
    """The results as people read them: plain numbers in feet, knots and local time, units in every name.

    Parameters
    ----------
    of
        Results, as a dataset or as the filled arrays of `new_results`.
    """
    laid = of if isinstance(of, dict) else plain(of)
    a, attrs = laid["arrays"], laid["attrs"]
    label = {k: [str(v) for v in labels] for k, labels in laid["coords"].items()}
    tenths = {round(float(q), 2): i for i, q in enumerate(laid["coords"]["quantile"])}
    causes, act_causes, figures = label["cause"], label["act_cause"], label["figure"]
    gusts = dict(zip(label["venue"], map(str, a["venue_gusts"]), strict=True))

    def quantile_row(name: str, d: int, s: int, scale: float, unit: str) -> dict[str, Any]:
        return {
            f"{name}_{words}_{unit}": _number(
                a[f"{name}_quantile"][d, s, tenths[q]] / scale, 0 if unit == "ft" else 1
            )
            for q, words in ((0.5, "median"), (0.9, "1_in_10_high"))
        }

    def slot_row(d: int, s: int) -> dict[str, Any]:
        return {
            "start_local": str(a["slot_local"][d, s]),
            "start_utc": str(a["slot_utc"][d, s]),
            "in_window": bool(a["slot_in_window"][d, s]),
            "as_planned": _number(a["routine_as_planned"][d, s, 0], 4),
            "as_planned_lower": _number(a["routine_as_planned_lower"][d, s, 0], 4),
            "as_planned_upper": _number(a["routine_as_planned_upper"][d, s, 0], 4),
            "bites": what_bites(
                [*a["routine_change_by_cause"][d, s, 0], *a["act_out_by_cause"][d, s]], [*causes, *act_causes]
            ),
            "act_out": _number(a["act_out"][d, s], 4),
            "act_out_by_cause": {
                c: _number(a["act_out_by_cause"][d, s, i], 4) for i, c in enumerate(act_causes)
            },
            **quantile_row("density_altitude", d, s, FT, "ft"),
            **quantile_row("gust", d, s, KT, "kt"),
            **quantile_row("toward_crowd", d, s, KT, "kt"),
            **quantile_row("runway_crosswind", d, s, KT, "kt"),
            "years": int(a["sample_years"][d, s]),
            "samples": int(a["sample_size"][d, s]),
            "effective_samples": _number(a["sample_effective_size"][d, s], 1),
            "observed_share": _number(a["observed_share"][d, s], 3),
            "gusts": gusts[str(a["day_venue"][d])],
        }

    def figure_rows(d: int, s: int) -> list[dict[str, Any]]:
        return [
            {
                "figure": figure,
                "changed": _number(a["figure_change"][d, s, f], 4),
                "changed_lower": _number(a["figure_change_lower"][d, s, f], 4),
                "changed_upper": _number(a["figure_change_upper"][d, s, f], 4),
                "changed_in_words": days_in_ten(float(a["figure_change"][d, s, f])),
                "bites": what_bites(a["figure_change_by_cause"][d, s, f], causes),
            }
            for f, figure in enumerate(figures)
        ]

    def day_row(d: int) -> dict[str, Any]:
        offered = int(a["day_offered_slot"][d])
        return {
            "date": str(a["day_date"][d]),
            "status": str(a["day_status"][d]),
            "slot_in_discussion_local": str(a["slot_local"][d, offered]) if a["day_slots"][d] else "",
            "slots": [slot_row(d, s) for s in range(int(a["day_slots"][d]))],
            "figures_at_slot_in_discussion": figure_rows(d, offered) if a["day_slots"][d] else [],
        }

    bookings = []
    by_rank = sorted(range(len(label["booking"])), key=lambda i: (a["booking_rank"][i] or 10**9, i))
    for b in by_rank:
        name = label["booking"][b]
        same = [
            label["booking"][j]
            for j in by_rank
            if j != b and a["booking_rank"][j] and a["booking_rank"][b] and not a["booking_told_apart"][b, j]
        ]
        bookings.append(
            {
                "booking": name,
                "venue": str(a["booking_venue"][b]),
                "state": str(a["booking_state"][b]),
                "rank": int(a["booking_rank"][b]) or None,
                "status": str(a["booking_status"][b]),
                "trust": str(a["booking_trust"][b]),
                "trust_grade": str(a["booking_trust_grade"][b]) or None,
                "as_planned": _number(a["booking_as_planned"][b], 4),
                "as_planned_lower": _number(a["booking_as_planned_lower"][b], 4),
                "as_planned_upper": _number(a["booking_as_planned_upper"][b], 4),
                "as_planned_in_words": days_in_ten(float(a["booking_as_planned"][b])),
                "cannot_be_told_from": same,
                "best_slot_local": str(a["booking_best_slot"][b]),
                "best_slot_as_planned": _number(a["booking_best_slot_as_planned"][b], 4),
                "worst_slot_local": str(a["booking_worst_slot"][b]),
                "worst_slot_as_planned": _number(a["booking_worst_slot_as_planned"][b], 4),
                "best_and_worst_told_apart": bool(a["booking_slots_told_apart"][b]),
                "days": [
                    day_row(d) for d in range(len(a["day_booking"])) if str(a["day_booking"][d]) == name
                ],
            }
        )
    venues = [
        {
            "venue": label["venue"][v],
            "name": str(a["venue_name"][v]),
            "elevation_ft": _number(a["venue_elevation"][v] / FT, 0),
            "status": str(a["venue_status"][v]),
            "gusts": str(a["venue_gusts"][v]),
            "warnings": [w for w in str(a["venue_warnings"][v]).split("\n") if w],
            "station": str(a["station_id"][v]),
            "station_source": str(a["station_source"][v]),
            "invented": bool(a["station_invented"][v]),
            "licence": str(a["station_licence"][v]),
            "attribution": str(a["station_attribution"][v]),
            "first_year": int(a["station_first_year"][v]) or None,
            "last_year": int(a["station_last_year"][v]) or None,
        }
        for v in range(len(label["venue"]))
    ]
    return {
        "schema_version": str(attrs["schema_version"]),
        "season": str(attrs["season"]),
        "year": int(attrs["year"]),
        "invented": bool(attrs["invented"]),
        "computed_at": str(attrs["computed_at"]),
        "cautions": list(CAUTIONS),
        "bookings": bookings,
        "venues": venues,
    }
