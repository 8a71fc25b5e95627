"""The season's papers and calendar: what goes on each, out of the season and its results.

Composition only; `pipeline.papers` draws, `pipeline.exports` writes tables and calendars.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline import briefing
from pipeline.air.variables import FT, INHG, KT, STATUTE_MILE
from pipeline.air.wind import whole_knots
from pipeline.decisions import limits, today
from pipeline.errors import InputError, ShowhourError
from pipeline.papers.phone import phone_page
from pipeline.papers.sheet import Block, Lines, Numbers, Sheet, Table, draw
from pipeline.results import CAUTIONS, days_in_ten, write_atomically
from pipeline.which_show import WORDS

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.exports import Event
    from pipeline.flight_inputs import FlightInputs
    from pipeline.inputs import Booking, Season, Venue

__all__ = [
    "announcer_sheet",
    "ask_sheet",
    "calendar_events",
    "director_sheet",
    "pilot_card",
    "which_show_sheet",
    "write_papers",
]

FloatArray = npt.NDArray[np.floating]

SPREAD_SHARE = 1.0 / 3.0
"""Gust spread as a share of the gust peak in the which-show table: common practice, no source."""

PRACTISED_WITHIN_DAYS = 45
"""Practice of the same figures in the same type within so many days of the show (FAA air show special
provisions, current edition; an older one said 15), where practice.yaml states nothing else."""


@dataclass(frozen=True)
class _Day:
    """One booking day, as its papers need it."""

    season: Season
    ds: xr.Dataset
    booking: Booking
    venue: Venue
    row: int
    slot: int

    @property
    def title(self) -> str:
        return f"{self.venue.name}, {_date(str(self.ds['day_date'].to_numpy()[self.row]))}"

    @property
    def shows(self) -> tuple[today.Show, ...]:
        return briefing.shows_of(self.ds, briefing.venue_row(self.ds, self.row))

    @property
    def start(self) -> str:
        return str(self.ds["slot_local"].to_numpy()[self.row, self.slot])

    @property
    def floor_ft(self) -> float:
        return self.season.floor_agl_ft(self.venue)

    def quantile(self, name: str, probability: float, unit: float) -> float:
        index = int(np.argmin(np.abs(self.ds["quantile"].to_numpy() - probability)))
        return float(self.ds[f"{name}_quantile"].to_numpy()[self.row, self.slot, index] / unit)


def _date(iso: str) -> str:
    day = dt.date.fromisoformat(iso)
    return f"{day:%A} {day.day} {day:%B %Y}"


def _day(season: Season, ds: xr.Dataset, booking: str, date: str | None = None) -> _Day:
    row = briefing.booking_day(ds, booking, date)
    booked = next(b for b in season.bookings if b.id == booking)
    slot = int(ds["day_offered_slot"].to_numpy()[row])
    return _Day(season, ds, booked, season.venue(booked.venue), row, slot)


def _up(value: float, step: float) -> float:
    return math.ceil(value / step - 1e-9) * step


def _figure_kinds(ds: xr.Dataset) -> list[str]:
    return [str(k) for k in ds["figure_type"].to_numpy()]


def _clock(start: str, minutes: float) -> str:
    total = int(start[:2]) * 60 + int(start[3:5]) + math.floor(minutes)
    return f"{total // 60 % 24:02d}:{total % 60:02d}"


def _minutes(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


# --- The pilot's card -------------------------------------------------------------------------------


def pilot_card(
    day: _Day, show: today.Show, flight: FlightInputs | None, *, altimeter_inhg: float | None = None
) -> Sheet:
    """The pilot's card: order, entry speed, entry and gate as the needle reads them, seconds, what is out.

    Speeds and gates are reckoned for the slot's 1-in-10 high density altitude, rounded up to the next 500 ft:
    the gate grows with it, so that thicker air is on the safe side.
    """
    ds = day.ds
    names = [str(f) for f in ds["figure"].to_numpy()]
    seconds = ds["figure_seconds"].to_numpy()
    elevation_ft = day.venue.elevation_ft
    reckoned_ft = _up(day.quantile("density_altitude", 0.9, FT), 500.0)
    out = [names[f] for f in range(len(names)) if f not in show.figures]
    setting = "set ______" if altimeter_inhg is None else f"{altimeter_inhg:.2f} inHg"
    needles = _needles(day, show, flight, reckoned_ft)
    rows = []
    for place, f in enumerate(show.figures, start=1):
        rows.append((str(place), names[f], *needles.rows[names[f]], f"{seconds[f]:.0f}"))
    blocks: list[Block] = [
        Numbers(
            (
                ("ALTIMETER, LOCAL SETTING", setting),
                ("NEEDLE ON THE GROUND, ft", f"{round(elevation_ft):,}"),
                (f"NEEDLE AT THE FLOOR ({day.floor_ft:.0f} ft)", f"{needles.floor:,.0f}"),
            )
        ),
        Numbers(
            (
                ("RECKONED FOR DENSITY ALTITUDE, ft", f"{reckoned_ft:,.0f}"),
                ("SLOT, LOCAL", day.start),
                ("LENGTH, min:s", _minutes(float(seconds[list(show.figures)].sum()))),
            ),
            points=17.0,
        ),
        Table(
            ("", "figure", "entry kt IAS", "entry needle", "gate: needle not under", "and kt not over", "s"),
            tuple(rows),
            (0.8, 5.4, 1.5, 1.8, 2.0, 1.7, 1.0),
            left=(1,),
        ),
        Lines(
            (
                "Out of this show: " + (", ".join(out) if out else "nothing."),
                "Needle readings are for the local setting, rounded up to 50 ft. Miss a gate, high speed or "
                "low height: roll out. In air thinner than reckoned for, think again.",
                *needles.notes,
            ),
            points=10.0,
        ),
    ]
    return Sheet(
        f"Pilot's card – {show.name} show",
        day.title,
        f"{day.booking.id} · field {elevation_ft:,.0f} ft · {day.season.pilot.name}",
        tuple(blocks),
        CAUTIONS,
        day.season.invented,
    )


@dataclass(frozen=True)
class _Needles:
    """Texts of entry speed, entry needle, gate needle and gate speed by figure; and the floor's needle."""

    rows: dict[str, tuple[str, str, str, str]]
    floor: float
    notes: tuple[str, ...]


def _needles(day: _Day, show: today.Show, flight: FlightInputs | None, reckoned_ft: float) -> _Needles:
    from pipeline.flight.heights import needle_reading, rounded_up_ft

    names = [str(f) for f in day.ds["figure"].to_numpy()]
    cold = day.quantile("temperature", 0.1, 1.0)

    def needle(height: float) -> float:
        reading = needle_reading(height, day.venue.elevation, temperature=cold)
        return float(rounded_up_ft(reading))

    floor = needle(day.floor_ft * FT)
    if flight is None:
        rows = {names[f]: ("", "", "", "") for f in show.figures}
        return _Needles(
            rows, floor, ("No aircraft.yaml and figures.yaml: write your own entries and gates in.",)
        )
    from pipeline.flight.aircraft import FieldAir
    from pipeline.flight.inhand import apex_gate
    from pipeline.flight.motion import entry_speed_at

    air = FieldAir(reckoned_ft * FT, min(reckoned_ft * FT, day.venue.elevation))
    rows, blank = {}, []
    for f in show.figures:
        figure = flight.figures[names[f]]
        speed = math.ceil(float(entry_speed_at(figure, reckoned_ft * FT)) / KT - 1e-9)
        gate_height, gate_speed = "", ""
        if figure.gate_segment is not None and any(s.kind == "recover" for s in figure.segments):
            gate = apex_gate(figure, flight.aircraft, air, day.floor_ft * FT, flight.cushions)
            if np.isfinite(gate.least_height):
                gate_height = f"{needle(float(gate.least_height)):,.0f}"
                gate_speed = f"{math.floor(float(gate.greatest_speed) / KT + 1e-9)}"
            else:
                gate_height, gate_speed = "none", "–"
                blank.append(names[f])
        rows[names[f]] = (str(speed), f"{needle(figure.entry_height):,.0f}", gate_height, gate_speed)
    notes = (f"No gate can be met in the air reckoned for: {', '.join(blank)}. Leave out.",) if blank else ()
    return _Needles(rows, floor, notes)


# --- Which show -------------------------------------------------------------------------------------


def _letters(shows: Sequence[today.Show]) -> tuple[str, ...]:
    return tuple(show.name.replace("-air", "").replace("-ceiling", "").upper()[:5] for show in shows)


def _choice(
    shows: Sequence[today.Show], routines: Sequence[limits.RoutineChance], conditions: dict[str, FloatArray]
) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """The show in each air, -1 for none; and the chance that it needs a change."""
    from pipeline.decisions.slots import which_show

    unchanged = np.stack([1.0 - routine(conditions) for routine in routines])
    choice = which_show(unchanged, np.array([show.crowd_value for show in shows]))
    kept = np.take_along_axis(unchanged, np.maximum(choice, 0)[None], 0)[0]
    return choice, np.where(choice < 0, 1.0, 1.0 - kept)


def which_show_sheet(day: _Day) -> Sheet:
    """Which show by density altitude and gust, and by density altitude and wind on the crowd.

    A show stands in a cell when it is worth most times the chance that it needs no change; it is doubted
    where that chance of change is one in twenty or more, and nothing stands where every show holds a
    figure at or beyond its limit at the cell's worse edge.
    """
    shows, routines = day.shows, briefing.routine_chances(day.ds)
    letters = _letters(shows)
    low = math.floor(day.quantile("density_altitude", 0.1, FT) / 500.0) * 500.0 - 1000.0
    high = _up(day.quantile("density_altitude", 0.9, FT), 500.0) + 1000.0
    step = 500.0 if high - low <= 5000.0 else 1000.0
    altitude = np.arange(max(low, -2000.0), high + 1.0, step)
    speed = np.arange(5.0, 41.0, 5.0)

    def grid(gust: FloatArray, toward: FloatArray) -> tuple[npt.NDArray[np.int64], FloatArray]:
        da, g = np.meshgrid(altitude * FT, gust * KT, indexing="ij")
        across = np.broadcast_to(toward * KT, da.shape)
        wind = whole_knots(np.maximum(g * (1.0 - SPREAD_SHARE), 0.0))
        conditions = limits.conditions_from_air(da, across, np.zeros_like(da), g, wind)
        return _choice(shows, routines, conditions)

    def table(choice: npt.NDArray[np.int64], chance: FloatArray, heads: FloatArray, words: str) -> Table:
        rows, shaded = [], []
        for r, feet in enumerate(altitude):
            cells = []
            for c in range(heads.size):
                if choice[r, c] < 0:
                    cells.append("–")
                    shaded.append((r, c + 1))
                else:
                    doubt = "?" if chance[r, c] >= 0.05 else ""
                    cells.append(letters[choice[r, c]] + doubt)
            rows.append((f"{feet:,.0f}", *cells))
        return Table(
            (f"DA to, ft · {words}, to kt", *(f"{k:.0f}" for k in heads)),
            tuple(rows),
            (1.5, *([1.0] * heads.size)),
            largest=14.0,
            least=9.5,
            shaded=tuple(shaded),
        )

    gusty = grid(speed, np.zeros_like(speed))
    crowd = np.arange(3.0, 25.0, 3.0)
    # Wind on the crowd with no more gust than the wind itself: the first table judges the gust.
    da, w = np.meshgrid(altitude * FT, crowd * KT, indexing="ij")
    onto = _choice(shows, routines, limits.conditions_from_air(da, w, np.zeros_like(da), w, w))
    act = day.season.act_limits(day.venue)
    names = "; ".join(f"{letter} = {show.name} show" for letter, show in zip(letters, shows, strict=True))
    return Sheet(
        "Which show",
        day.title,
        f"{day.booking.id} · slot {day.start} · read both tables; the lesser show stands. {names}; "
        "? = think, a change is likely enough; – = no rehearsed show",
        (
            Lines((), "1. Density altitude and gust peak", points=11.0),
            table(*gusty, speed, "gust"),
            Lines((), "2. Density altitude and wind on the crowd", points=11.0),
            table(*onto, crowd, "wind"),
            Lines(
                (
                    f"Nothing at all: runway crosswind {act.runway_crosswind_kt.limit:g} kt, ceiling "
                    f"{act.ceiling_ft.limit:,.0f} ft, visibility {act.visibility_sm.limit:g} SM or worse"
                    + ("; thunder." if act.thunder == "stop" else "."),
                    "Each cell holds up to its own figures: take the next higher row and column. The gust "
                    "spread is taken as a third of the gust; in a wider spread think again. Off-crowd wind "
                    "and wind along the line are not in these tables.",
                ),
                points=9.5,
            ),
        ),
        CAUTIONS,
        day.season.invented,
    )


# --- The display director's sheet -------------------------------------------------------------------


def director_sheet(day: _Day, flight: FlightInputs | None) -> Sheet:
    """Times, run-in, first and last figure, greatest height, ribbon crew, when the pilot decides."""
    ds, shows = day.ds, day.shows
    names, kinds = [str(f) for f in ds["figure"].to_numpy()], _figure_kinds(ds)
    seconds = ds["figure_seconds"].to_numpy()
    heights = _greatest_heights(day, flight)
    line = day.venue.show_line
    along = day.quantile("along_line", 0.5, KT)
    into = line.true_heading if along >= 0 else (line.true_heading + 180.0) % 360.0
    rows = []
    for show in shows:
        length = float(seconds[list(show.figures)].sum())
        highest = max((heights[names[f]] for f in show.figures), default=math.nan)
        rows.append(
            (
                show.name,
                _minutes(length),
                _clock(day.start, math.ceil(length / 60.0)),
                "–" if math.isnan(highest) else f"{_up(highest, 100.0):,.0f}",
                "yes" if any(kinds[f] == "ribbon_cut" for f in show.figures) else "no",
            )
        )
    ends = tuple(
        f"{show.name} show: first {names[show.figures[0]]}; last {names[show.figures[-1]]}." for show in shows
    )
    over = max((h for h in heights.values() if not math.isnan(h)), default=math.nan)
    msl = (
        ""
        if math.isnan(over)
        else (f" The greatest is {_up(over + day.venue.elevation_ft, 100.0):,.0f} ft above sea level.")
    )
    blocks: tuple[Block, ...] = (
        Numbers(
            (
                ("ENGINE START, local", "____:____"),
                ("ON, local", day.start),
                ("PILOT DECIDES AT, local", "____:____"),
            )
        ),
        Table(
            ("show", "duration min:s", "off by, local", "greatest height ft above ground", "ribbon crew"),
            tuple(rows),
            (2.2, 1.4, 1.4, 1.8, 1.3),
            largest=18.0,
        ),
        Lines(ends, "First and last figure", points=12.0),
        Lines(
            (
                f"Show line {line.true_heading:03.0f}°/{(line.true_heading + 180) % 360:03.0f}° true, "
                f"{line.crowd_distance_ft:,.0f} ft from the crowd line. Usual run-in at this hour: "
                f"{into:03.0f}° true, into the wind along the line; settled on the day with the wind.",
            ),
            "Run-in",
            points=12.0,
        ),
        Lines(
            (
                f"Lowest {day.floor_ft:,.0f} ft above ground.{msl}",
                f"The field lies at {day.venue.elevation_ft:,.0f} ft. All heights above are above ground "
                "unless they say sea level.",
                "The pilot may shorten or break off at any time; a figure dropped is not made up.",
            ),
            "Heights and breaking off",
            points=12.0,
        ),
        Lines(
            ("Show named: ______________________   at ______ local   by ______________________",), points=12.0
        ),
    )
    return Sheet(
        "Display director's sheet",
        day.title,
        f"{day.booking.id} · {day.season.pilot.name} · slot of {day.booking.length_min:.0f} minutes",
        blocks,
        CAUTIONS,
        day.season.invented,
    )


def _greatest_heights(day: _Day, flight: FlightInputs | None) -> dict[str, float]:
    """Greatest height of each figure above the field [ft] in the slot's thin air; NaN where not reckoned."""
    names = [str(f) for f in day.ds["figure"].to_numpy()]
    if flight is None:
        return dict.fromkeys(names, math.nan)
    from pipeline.flight.aircraft import FieldAir
    from pipeline.flight.motion import fly

    thin = _up(day.quantile("density_altitude", 0.9, FT), 500.0) * FT
    # A loop stands taller in thin air, but a vertical line flown to a speed may not: take the taller.
    cases = np.array([max(thin - 3000.0 * FT, 0.0), thin])
    air = FieldAir(cases, np.minimum(cases, day.venue.elevation))
    flown = fly(
        [flight.figures[n] for n in names], flight.aircraft, air, stall_margin=flight.cushions.speed
    ).highest
    with np.errstate(invalid="ignore"):
        tallest = np.where(np.isfinite(flown).any(axis=1), np.fmax(flown[:, 0], flown[:, 1]), np.nan)
    return {name: float(h / FT) for name, h in zip(names, tallest, strict=True)}


# --- The announcer's running order ------------------------------------------------------------------


def announcer_sheet(day: _Day) -> Sheet:
    """The running order of every show, and what to skip in it."""
    ds, shows = day.ds, day.shows
    names, seconds = [str(f) for f in ds["figure"].to_numpy()], ds["figure_seconds"].to_numpy()
    clocks = []
    for show in shows:
        passed, at = 0.0, {}
        for f in show.figures:
            at[f] = _minutes(passed)
            passed += float(seconds[f])
        clocks.append(at)
    rows = tuple((name, *(at.get(f, "skip") for at in clocks)) for f, name in enumerate(names))
    return Sheet(
        "Announcer's running order",
        day.title,
        f"{day.booking.id} · on at {day.start} local · minutes and seconds from the first figure",
        (
            Lines(
                (
                    "The pilot names the show before start-up: ______________________",
                    "Until then announce no figure by name.",
                ),
                points=13.0,
            ),
            Table(
                ("figure", *(f"{show.name} show" for show in shows)),
                rows,
                (3.0, *([1.3] * len(shows))),
                largest=15.0,
                least=9.0,
            ),
            Lines(
                (
                    "skip = not in that show: never announce it, and never say that it was left out. A "
                    "figure dropped in the air is not mentioned either: stay on what is being flown.",
                    "If the display stops early, it has ended as planned.",
                ),
                points=12.0,
            ),
        ),
        CAUTIONS,
        day.season.invented,
    )


# --- The agent's ask sheet --------------------------------------------------------------------------


def ask_sheet(answer: briefing.SlotAnswer, booking_id: str) -> Sheet:
    """First ask, fallback, walk-away time, with reasons and the hours they rest on."""
    ask, rows = briefing.ask_of(answer), [r for r in answer.rows if r.in_window]
    table = Table(
        (
            "start",
            "full show, in 100",
            "a rehearsed show, in 100",
            "DA, ft",
            "1 in 10 over, ft",
            "gust kt, 1 in 10",
            "bites",
        ),
        tuple(
            (
                row.local,
                f"{100 * row.full_show.value:.0f}",
                f"{100 * row.any_show.value:.0f}",
                f"{row.density_altitude_median_ft:,.0f}",
                f"{row.density_altitude_high_ft:,.0f}",
                f"{row.gust_high_kt:.0f}",
                _bites(row.bites),
            )
            for row in rows
        ),
        (1.1, 1.2, 1.5, 1.3, 1.4, 1.3, 2.4),
        largest=12.0,
        least=7.5,
        shaded=tuple((i, 0) for i, row in enumerate(rows) if row.as_good_as_best),
    )
    return Sheet(
        "Ask sheet",
        f"{answer.place}, {_date(answer.date)}",
        f"{booking_id} · slot in discussion {answer.rows[answer.offered].local} local · "
        f"from {answer.years} past years · grey starts cannot be told from the best",
        (
            Numbers(
                (
                    ("FIRST ASK", ask.first or "nothing to ask"),
                    ("FALLBACK", ask.fallback or "–"),
                    ("WALK AWAY AFTER", ask.walk_away or "no hour holds"),
                )
            ),
            Lines(tuple(f"• {reason}" for reason in ask.reasons), points=10.5),
            table,
        ),
        CAUTIONS,
        answer.invented,
    )


_CAUSE_WORDS = {
    "wind_across": "wind on the crowd",
    "rough_air": "gusts",
    "wind_along": "wind along the line",
}


def _bites(cause: str) -> str:
    return "" if not cause else _CAUSE_WORDS.get(cause) or WORDS[cause]


# --- All of them ------------------------------------------------------------------------------------


def write_papers(
    season: Season,
    ds: xr.Dataset,
    into: Path,
    *,
    booking: str | None = None,
    altimeter_inhg: float | None = None,
) -> tuple[list[Path], list[str]]:
    """Write every paper of one booking, or of all that are not passed.

    Returns
    -------
    written, skipped
        Paths; and why a booking has no papers.

    Raises
    ------
    InputError
        When the booking asked for has no numbers, the setting is not believable, or the folder cannot be
        written.
    """
    from pipeline.flight_inputs import load_flight

    if altimeter_inhg is not None and not 28.0 <= altimeter_inhg <= 31.0:
        raise InputError(
            f"--altimeter-inhg {altimeter_inhg:g} is out of range: inches of mercury on an altimeter's "
            f"subscale, 28 to 31, are wanted ({altimeter_inhg * INHG / 100:.0f} hPa)."
        )
    flight = load_flight(
        season.folder,
        [f.name for f in season.routine.repertoire],
        floor_ft=season.pilot.floor_agl_ft,
        elevations_ft=[v.elevation_ft for v in season.venues],
    )
    routines = briefing.routine_chances(ds)
    wanted = [b.id for b in season.bookings if b.state != "passed"] if booking is None else [booking]
    written: list[Path] = []
    skipped: list[str] = []
    for name in wanted:
        try:
            day = _day(season, ds, name)
        except ShowhourError as error:
            if booking is not None:
                raise
            skipped.append(str(error))
            continue
        answer = briefing.slot_answer(ds, name, air=briefing.day_air(ds, day.row, routines))
        papers: dict[str, bytes] = {
            f"{name}-card-{_slug(show.name)}.pdf": draw(
                pilot_card(day, show, flight, altimeter_inhg=altimeter_inhg)
            )
            for show in day.shows
        }
        papers[f"{name}-which-show.pdf"] = draw(which_show_sheet(day))
        papers[f"{name}-director.pdf"] = draw(director_sheet(day, flight))
        papers[f"{name}-announcer.pdf"] = draw(announcer_sheet(day))
        papers[f"{name}-ask.pdf"] = draw(ask_sheet(answer, name))
        papers[f"{name}-ask.txt"] = (briefing.ask_text(answer, CAUTIONS) + "\n").encode()
        papers[f"{name}-today.html"] = phone_page(phone_contents(day)).encode()
        for file, content in papers.items():
            try:
                write_atomically(into / file, content)
            except OSError as error:
                raise InputError(f"{into / file} cannot be written: {error.strerror or error}.") from error
            written.append(into / file)
    return written, skipped


def _slug(name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in name.lower()).strip("-")


# --- The page for the telephone ---------------------------------------------------------------------

_SCALES = {"density_altitude": FT}


def _table_of(
    routine: limits.RoutineChance, cause: str, first: float, last: float, step: float, unit: float
) -> dict[str, object]:
    grid = np.arange(first, last + step / 2.0, step)
    driven = {"density_altitude": "density_altitude", "wind_across": "wind_toward_crowd"}.get(
        cause, "wind_along_line"
    )
    chance = routine.cause(cause, {driven: grid * unit, "wind_across_line": np.abs(grid * unit)})
    return {"first": first, "step": step, "chance": [round(float(c), 4) for c in chance]}


def _rough_table(routine: limits.RoutineChance) -> list[list[float]]:
    gust, spread = np.meshgrid(np.arange(61.0) * KT, np.arange(41.0) * KT, indexing="ij")
    chance = routine.cause("rough_air", {"gust": gust, "gust_spread": spread})
    return [[round(float(c), 4) for c in row] for row in chance]


def phone_contents(day: _Day) -> dict[str, object]:
    """What the phone page holds: limits, tables of each routine, and the site; feet, knots and miles."""
    from pipeline.air.atmosphere import R_VAPOUR

    ds, season, venue = day.ds, day.season, day.venue
    curves, shows = briefing.curves_used(ds), day.shows
    act = season.act_limits(venue)

    def stated(f: int) -> dict[str, list[float]]:
        return {
            c: [
                round(float(curves.comfortable[c][f] / _SCALES.get(c, KT)), 6),
                round(float(curves.limit[c][f] / _SCALES.get(c, KT)), 6),
            ]
            for c in limits.CONDITIONS
            if not np.isnan(curves.limit[c][f])
        }

    minima_units = {"ceiling": FT, "visibility": STATUTE_MILE}
    return {
        "title": day.title,
        "subtitle": f"{day.booking.id} · slot {day.start} local · field {venue.elevation_ft:,.0f} ft · "
        f"floor {day.floor_ft:,.0f} ft above ground",
        "invented": season.invented,
        "cautions": list(CAUTIONS),
        "elevation_ft": venue.elevation_ft,
        "lapse_rate": venue.lapse_rate_k_per_km / 1000.0,
        "r_vapour": R_VAPOUR,
        "line_heading": venue.show_line.true_heading,
        "crowd_on_right": venue.show_line.crowd_on_right,
        "runway_heading": venue.runway_true_heading,
        "thunder_stops": act.thunder == "stop",
        "two_amber": season.pilot.two_amber_is_red,
        "words": WORDS,
        "causes": dict(limits.CONDITIONS),
        "minima": {
            "runway_crosswind": [act.runway_crosswind_kt.comfortable, act.runway_crosswind_kt.limit],
            "ceiling": [act.ceiling_ft.comfortable, act.ceiling_ft.limit],
            "visibility": [act.visibility_sm.comfortable, act.visibility_sm.limit],
        },
        "figures": [{"name": name, "limits": stated(f)} for f, name in enumerate(curves.names)],
        "shows": [
            {
                "name": show.name,
                "figures": list(show.figures),
                "crowd_value": show.crowd_value,
                "own_minima": {
                    k: [v[0] / minima_units[k], v[1] / minima_units[k]] for k, v in show.own_minima.items()
                },
                "tables": {
                    "density_altitude": _table_of(routine, "density_altitude", -5000.0, 16_000.0, 50.0, FT),
                    "wind_across": _table_of(routine, "wind_across", -60.0, 60.0, 0.5, KT),
                    "wind_along": _table_of(routine, "wind_along", 0.0, 60.0, 0.5, KT),
                    "rough_air": _rough_table(routine),
                },
            }
            for show, routine in zip(shows, briefing.routine_chances(ds), strict=True)
        ],
    }


# --- The calendar -----------------------------------------------------------------------------------


def calendar_events(season: Season, ds: xr.Dataset) -> list[Event]:
    """Slots, practise-by and reply-by dates of the bookings that are not passed."""
    from pipeline.exports import Event

    events = []
    practice = season.practice
    within = PRACTISED_WITHIN_DAYS if practice is None else practice.currency_days
    for booking in season.bookings:
        if booking.state == "passed":
            continue
        venue = season.venue(booking.venue)
        mark = "INVENTED " if season.invented else ""
        for date in booking.show_days:
            start = venue.utc(date, booking.slot)
            row = int(
                np.flatnonzero(
                    (ds["day_booking"].to_numpy() == booking.id)
                    & (ds["day_date"].to_numpy() == date.isoformat())
                )[0]
            )
            slot = int(ds["day_offered_slot"].to_numpy()[row])
            planned = float(ds["routine_as_planned"].to_numpy()[row, slot, 0])
            told = (
                f"Full show as planned: {days_in_ten(planned)}."
                if math.isfinite(planned)
                else str(ds["day_status"].to_numpy()[row])
            )
            events.append(
                Event(
                    uid=f"{booking.id}-{date.isoformat()}-slot",
                    start=start,
                    end=start + dt.timedelta(minutes=booking.length_min),
                    summary=f"{mark}{venue.name}: show {booking.slot:%H:%M} local ({booking.state})",
                    description=f"{told} {' '.join(CAUTIONS)}",
                )
            )
        first = booking.show_days[0]
        events.append(
            Event(
                uid=f"{booking.id}-practise",
                start=first - dt.timedelta(days=within),
                end=first,
                summary=f"{mark}Practise every figure for {venue.name} by {first - dt.timedelta(days=1)}",
                description=(
                    f"Practice counts from {within} days before the first show day: a figure "
                    "flown before that is no reserve, and no part of the show. Your own authorisation may "
                    "ask for more."
                ),
            )
        )
        if booking.reply_by is not None and booking.state in ("enquiry", "hold"):
            events.append(
                Event(
                    uid=f"{booking.id}-reply",
                    start=booking.reply_by,
                    end=booking.reply_by + dt.timedelta(days=1),
                    summary=f"{mark}Reply to {venue.name} ({booking.state})",
                    description="",
                )
            )
    return events
