"""The season's papers and calendar: what goes on each, out of the season and its results.

Composition only; `pipeline.papers` draws, `pipeline.exports` writes tables and calendars.
"""

from __future__ import annotations

import datetime as dt
import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline import briefing
from pipeline.air import climatology as clim
from pipeline.air.variables import FT, INHG, KT, STATUTE_MILE
from pipeline.air.wind import whole_knots
from pipeline.decisions import limits, today
from pipeline.errors import InputError
from pipeline.files import write_where_asked
from pipeline.papers.phone import phone_page
from pipeline.papers.sheet import Block, Lines, Numbers, Sheet, Table, draw
from pipeline.results import CAUSES_SAID, CAUTIONS, SAMPLES, days_in_ten, minutes_and_seconds
from pipeline.which_show import (
    COMPARED,
    GUST_NOT_CARRIED,
    OF_THE_SLOT_HOURS,
    PROVES_LESS,
    READ_AGAIN,
    STALE_HOURS,
    WORDS,
    carrier_of,
    compared_words,
    past_hour,
)

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.exports import Event
    from pipeline.flight_inputs import FlightInputs
    from pipeline.inputs import Booking, Season, Venue

__all__ = [
    "CardGate",
    "FlownFigure",
    "PaperDay",
    "announcer_sheet",
    "ask_sheet",
    "booking_days",
    "calendar_events",
    "director_sheet",
    "pilot_card",
    "show_tops",
    "which_show_sheet",
    "write_papers",
]

FloatArray = npt.NDArray[np.floating]

SPREAD_SHARE = 1.0 / 3.0
"""Gust spread as a share of the gust peak in the which-show table: common practice, no source."""

ASK_ROWS = 20
"""Most starts on an ask sheet, but for those that it names."""

PRACTISED_WITHIN_DAYS = 45
"""Practice of the same figures in the same type within so many days of the show (FAA air show special
provisions, current edition; an older one said 15), where practice.yaml states nothing else."""


@dataclass(frozen=True)
class PaperDay:
    """One booking, as its papers need it: they hold for each of its show days.

    Attributes
    ----------
    days
        Row of every show day that has numbers, in order, and its slot in discussion.
    longer
        What the slot's thin air adds to each figure of a show, by the show's name [s]: to the figure itself,
        and in climbing legs after it.
    tops
        Greatest height of each show above the field, rounded up to the next 100 ft, by its name [m]; empty
        without an aircraft and figures.
    """

    season: Season
    ds: xr.Dataset
    booking: Booking
    venue: Venue
    days: tuple[tuple[int, int], ...]
    routines: tuple[limits.RoutineChance, ...]
    flown: dict[str, FlownFigure]
    longer: dict[str, FloatArray]
    tops: dict[str, float]

    @property
    def row(self) -> int:
        """Row of the first show day that has numbers."""
        return self.days[0][0]

    @property
    def date(self) -> str:
        """Of the first show day."""
        return str(self.ds.variables["day_date"].to_numpy()[self.row])

    @property
    def title(self) -> str:
        """Place and dates."""
        dates = self.ds.variables["day_date"].to_numpy()
        return f"{self.venue.name}, {_dates([str(dates[row]) for row, _ in self.days])}"

    @functools.cached_property
    def shows(self) -> tuple[today.Show, ...]:
        """The season's routines here."""
        return briefing.shows_of(self.ds, briefing.venue_row(self.ds, self.row))

    @property
    def start(self) -> str:
        """Local start of the slot in discussion."""
        return str(self.ds.variables["slot_local"].to_numpy()[self.days[0]])

    @functools.cached_property
    def reckoned_ft(self) -> float:
        """Density altitude that the papers are reckoned for: the slot's 1-in-10 high on the worst day."""
        from pipeline.flight.heights import reckoned_ft

        return float(reckoned_ft(self.quantiles("density_altitude", 0.9, 1.0).max()))

    @property
    def floor_ft(self) -> float:
        """Lowest height above the field."""
        return self.season.floor_agl_ft(self.venue)

    def seconds(self, show: today.Show) -> FloatArray:
        """From each figure's start to the next one's, with what thin air adds to it here, (figure,) [s]."""
        held = np.array(self.ds.variables["figure_seconds"].to_numpy(), dtype=float)
        held[list(show.figures)] += self.longer.get(show.name, 0.0)
        return held

    def length(self, show: today.Show) -> float:
        """Of a whole show here, with its climbs [s]."""
        return float(self.seconds(show)[list(show.figures)].sum())

    def over_slot(self, show: today.Show) -> float:
        """By how much it is longer than the slot, as `flight.routine.over_slot` [s]."""
        from pipeline.flight.routine import over_slot

        return float(over_slot(self.length(show), 60.0 * self.booking.length_min))

    def quantiles(self, name: str, probability: float, unit: float) -> FloatArray:
        """Quantile of a quantity at the slot in discussion on every show day, in a unit, (day,)."""
        index = int(np.argmin(np.abs(self.ds.variables["quantile"].to_numpy() - probability)))
        rows, slots = zip(*self.days, strict=True)
        held = self.ds.variables[f"{name}_quantile"].to_numpy()[list(rows), list(slots), index]
        return np.asarray(held / unit)


def _dates(days: Sequence[str]) -> str:
    """Show days in words: "Saturday 5 and Sunday 6 June 2027"."""
    held = [dt.date.fromisoformat(day) for day in days]
    words = []
    for day, later in zip(held, [*held[1:], None], strict=True):
        alike = later is not None and (later.month, later.year) == (day.month, day.year)
        words.append(f"{day:%A} {day.day}" + ("" if alike else f" {day:%B %Y}"))
    return " and ".join(filter(None, [", ".join(words[:-1]), words[-1]]))


@dataclass(frozen=True)
class CardGate:
    """An apex gate as the card has it.

    Attributes
    ----------
    least_height, greatest_height
        Above the field [m]; the least is NaN where no gate can be met, the greatest where higher is better.
    least_speed_kt, greatest_speed_kt
        Indicated, rounded up and down.
    missed
        How the figure as planned misses it, as in `Gate.missed`; empty where it does not.
    """

    least_height: float
    greatest_height: float
    least_speed_kt: int
    greatest_speed_kt: int
    missed: str


@dataclass(frozen=True)
class FlownFigure:
    """A figure as flown at one booking, in the slot's thin air.

    Attributes
    ----------
    entry_speed_kt
        Indicated, rounded up.
    entry_height, highest
        Above the field [m].
    gates
        In the order in which they are passed; empty for a figure without.
    """

    entry_speed_kt: int
    entry_height: float
    highest: float
    gates: tuple[CardGate, ...]


def booking_days(season: Season, ds: xr.Dataset, bookings: Sequence[str]) -> tuple[list[PaperDay], list[str]]:
    """What the papers of some bookings need, for all their show days; and why a booking has none.

    The figures are flown for all bookings at once.
    """
    from pipeline.flight_inputs import season_flight

    flight = season_flight(season)
    days, skipped = _days_of(season, ds, bookings, briefing.routine_chances(ds))
    if flight is not None and days:
        for day, flown, longer in zip(days, _fly(flight, days), _longer(season, flight, days), strict=True):
            day.flown.update(flown)
            day.longer.update(longer)
            day.tops.update(_tops(day, {name: figure.highest for name, figure in flown.items()}))
    return days, skipped


def show_tops(season: Season, ds: xr.Dataset, booking: str) -> dict[str, float]:
    """`PaperDay.tops` of one booking, without all else that its papers need."""
    from pipeline.flight_inputs import season_flight

    flight = season_flight(season)
    days, _ = _days_of(season, ds, [booking], ())
    if flight is None or not days:
        return {}
    return _tops(days[0], dict(zip(flight.figures, _highest(flight, days)[:, 0].tolist(), strict=True)))


def _days_of(
    season: Season, ds: xr.Dataset, bookings: Sequence[str], routines: tuple[limits.RoutineChance, ...]
) -> tuple[list[PaperDay], list[str]]:
    """The show days of some bookings with numbers, nothing flown; and why a booking has none."""
    of_booking = ds.variables["day_booking"].to_numpy()
    known = np.flatnonzero(ds.variables["day_status"].to_numpy() == "ok")
    days: list[PaperDay] = []
    skipped: list[str] = []
    dates, offered = ds.variables["day_date"].to_numpy(), ds.variables["day_offered_slot"].to_numpy()
    for name in bookings:
        rows = [int(i) for i in known if of_booking[i] == name]
        try:
            briefing.booking_day(ds, name, str(dates[rows[0]]) if rows else None)
        except InputError as error:
            skipped.append(str(error))
            continue
        booked = next(b for b in season.bookings if b.id == name)
        held = tuple((i, int(offered[i])) for i in rows)
        days.append(PaperDay(season, ds, booked, season.venue(booked.venue), held, routines, {}, {}, {}))
    return days, skipped


def _tops(day: PaperDay, highest: Mapping[str, float]) -> dict[str, float]:
    names = [str(f) for f in day.ds.variables["figure"].to_numpy()]
    return {
        show.name: _up(max(highest[names[f]] for f in show.figures) / FT, 100.0) * FT for show in day.shows
    }


def _highest(flight: FlightInputs, days: Sequence[PaperDay]) -> FloatArray:
    """Greatest height of every figure of the season above the field at every booking, (figure, day) [m]."""
    from pipeline.flight.aircraft import FieldAir
    from pipeline.flight.motion import fly

    thin = np.array([day.reckoned_ft * FT for day in days])
    # A loop stands taller in thin air, but a vertical line flown to a speed may not, and least of all with an
    # unblown engine of much power on a cold day: the tallest of three airs, the thickest some 50 °C colder.
    colder = [np.maximum(thin - below * FT, -600.0) for below in (3000.0, 6000.0)]
    cases = np.stack([thin, *colder])
    field = np.array([day.venue.elevation for day in days])
    highest = fly(
        list(flight.figures.values()),
        flight.aircraft,
        FieldAir(cases, np.broadcast_to(field, cases.shape)),
        stall_margin=flight.cushions.speed,
    ).highest
    return np.asarray(np.fmax.reduce(highest, axis=1) + _lifts(days))


def _lifts(days: Sequence[PaperDay]) -> FloatArray:
    """How much higher than planned every figure is flown where a waiver's floor is above the pilot's [m]."""
    return np.array([day.season.lift_ft(day.venue) * FT for day in days])


def _fly(flight: FlightInputs, days: Sequence[PaperDay]) -> list[dict[str, FlownFigure]]:
    """Every figure of the season in the thin air of every booking."""
    from pipeline.flight.aircraft import FieldAir
    from pipeline.flight.inhand import apex_gates
    from pipeline.flight.motion import entry_speed_at

    thin = np.array([day.reckoned_ft * FT for day in days])
    field = np.array([day.venue.elevation for day in days])
    floors = np.array([day.floor_ft * FT for day in days])
    highest, lifts = _highest(flight, days), _lifts(days)
    told: list[dict[str, FlownFigure]] = [{} for _ in days]
    for lift in sorted(set(lifts.tolist())):
        here = np.flatnonzero(lifts == lift)
        air = FieldAir(thin[here], field[here])
        for f, (name, planned) in enumerate(flight.figures.items()):
            figure = planned.raised(lift)
            gates = (
                apex_gates(figure, flight.aircraft, air, float(floors[here[0]]), flight.cushions)
                if figure.gate_segments
                else ()
            )
            found = [(gate, gate.missed) for gate in gates]
            for n, d in enumerate(here):
                told[d][name] = FlownFigure(
                    math.ceil(float(entry_speed_at(figure, thin[d])) / KT - 1e-9),
                    figure.entry_height,
                    float(highest[f, d]),
                    tuple(
                        CardGate(
                            float(gate.least_height[n]),
                            float(gate.greatest_height[n]),
                            math.ceil(float(np.nan_to_num(gate.least_speed[n])) / KT - 1e-9),
                            math.floor(float(np.nan_to_num(gate.greatest_speed[n])) / KT + 1e-9),
                            str(missed[n]),
                        )
                        for gate, missed in found
                    ),
                )
    return told


def _longer(season: Season, flight: FlightInputs, days: Sequence[PaperDay]) -> list[dict[str, FloatArray]]:
    """What the thin air of every booking adds to the figures of every show."""
    from pipeline.flight.aircraft import FieldAir
    from pipeline.flight_inputs import season_pairs

    names, seconds = (days[0].ds.variables[k].to_numpy() for k in ("figure", "figure_seconds"))
    thin = np.array([day.reckoned_ft * FT for day in days])
    air = FieldAir(thin, np.array([day.venue.elevation for day in days]))
    found = season_pairs(season, flight, [str(n) for n in names], seconds, air, _lifts(days))
    told: list[dict[str, FloatArray]] = [{} for _ in days]
    for show in days[0].shows:
        order = list(show.figures)
        climbs = np.zeros((len(order), len(days)))
        # The full show is told even where the aircraft cannot climb as it asks.
        climbs[:-1] = np.nan_to_num(found.climb_seconds[order[:-1], order[1:]], posinf=0.0)
        for d, added in enumerate((climbs + found.added_seconds[order]).T):
            told[d][show.name] = added
    return told


def _up(value: float, step: float) -> float:
    return math.ceil(value / step - 1e-9) * step


def _figure_kinds(ds: xr.Dataset) -> list[str]:
    return [str(k) for k in ds.variables["figure_type"].to_numpy()]


def _clock(start: str, minutes: float) -> str:
    total = int(start[:2]) * 60 + int(start[3:5]) + math.floor(minutes)
    return f"{total // 60 % 24:02d}:{total % 60:02d}"


# --- The pilot's card -------------------------------------------------------------------------------

_MISSED = {
    "never gets there": "As planned it never gets to its gate: {}. Leave out.",
    "too low": "As planned too low for its gate: {}. Enter with more, or leave out.",
    "too fast": "As planned too fast for its gate: {}. Enter slower, or leave out.",
}
"""What the card says below its table, by how figures miss their gates; see `Gate.missed`."""


def pilot_card(day: PaperDay, show: today.Show, *, altimeter_inhg: float | None = None) -> Sheet:
    """The pilot's card: order, entry speed, entry and gate as the needle reads, limit, seconds, what is out.

    Speeds and gates are reckoned for the slot's 1-in-10 high density altitude, rounded up to the next 500 ft:
    the gate grows with it, so that thicker air is on the safe side.
    """
    from pipeline.flight.heights import needle_reading, not_over_ft, rounded_up_ft

    ds = day.ds
    names = [str(f) for f in ds.variables["figure"].to_numpy()]
    seconds = day.seconds(show)
    thin = [str(c) for c in ds.variables["condition"].to_numpy()].index("density_altitude")
    limit = ds.variables["limit_used"].to_numpy()[:, thin]
    limit_ft = limit / FT
    cold = float(day.quantiles("temperature", 0.1, 1.0).min())

    def needle(height: float) -> str:
        reading = needle_reading(height, day.venue.elevation, temperature=cold)
        return f"{float(rounded_up_ft(reading)):,.0f}"

    def told(gate: CardGate) -> tuple[str, str]:
        if not math.isfinite(gate.least_height):
            return ("NONE", "–")
        height = needle(gate.least_height)
        if math.isfinite(gate.greatest_height):
            over = needle_reading(gate.greatest_height, day.venue.elevation)
            height += f"–{float(not_over_ft(over, float(height.replace(',', '')))):,.0f}"
        return (height, f"{gate.least_speed_kt}–{gate.greatest_speed_kt}")

    rows: list[tuple[str, ...]] = []
    shaded, unmet, never = [], [], False
    missed: dict[str, list[str]] = {how: [] for how in _MISSED}
    for place, f in enumerate(show.figures):
        flown = day.flown.get(names[f])
        entry, gates = ("", ""), [("", "")]
        told_limit = "" if math.isnan(limit_ft[f]) else f"{math.floor(limit_ft[f] / 50.0 + 1e-9) * 50:,.0f}"
        if limit[f] <= limits.NEVER_FLOWN:
            # Nothing is printed to fly it by.
            entry, gates = ("–", "–"), [("–", "–")]
            told_limit, never = "NEVER", True
        elif flown is not None:
            entry = (str(flown.entry_speed_kt), needle(flown.entry_height))
            gates = [told(gate) for gate in flown.gates] or gates
            if ("NONE", "–") in gates:
                unmet.append(names[f])
            else:
                for how in {gate.missed for gate in flown.gates} - {""}:
                    missed[how].append(names[f])
        if limit_ft[f] <= day.reckoned_ft:
            shaded.append((len(rows), 6))
        rows.append((str(place + 1), names[f], *entry, *gates[0], told_limit, f"{seconds[f]:.0f}"))
        rows += [("", f"– its gate {n}", "", "", *gate, "", "") for n, gate in enumerate(gates[1:], 2)]
    full = day.shows[0].figures
    out = [names[f] for f in full if f not in show.figures]
    new = [names[f] for f in show.figures if f not in full]
    lines = []
    if (over := day.over_slot(show)) > 0:
        lines.append(
            f"Longer than the slot of {day.booking.length_min:g} minutes by {minutes_and_seconds(over)}."
        )
    if out:
        lines.append(f"Out of the full show: {', '.join(out)}.")
    if new:
        lines.append(f"Only in this show: {', '.join(new)}.")
    if shaded:
        lines.append(f"Grey: at {day.reckoned_ft:,.0f} ft you have ruled the figure out. Read the air first.")
    if never:
        lines.append("NEVER: a cushion is used up at sea level already.")
    if unmet:
        lines.append(f"No gate can be met at {day.reckoned_ft:,.0f} ft: {', '.join(unmet)}. Leave out.")
    lines += [_MISSED[how].format(", ".join(which)) for how, which in missed.items() if which]
    if day.tops:
        lines.append(
            f"Climbs to {day.tops[show.name] / FT:,.0f} ft above the field: not under a ceiling that low."
        )
    if not day.flown:
        lines.append("No aircraft.yaml and figures.yaml: write in your own speeds and gates.")
    lines.append(
        "Needle readings are for the local setting, rounded up to 50 ft, with the cold correction of a "
        "1-in-10 cool day. Miss a gate, in height or speed: roll out. In thinner air than reckoned for, "
        "think again."
    )
    setting = "_______" if altimeter_inhg is None else f"{altimeter_inhg:.2f} inHg"
    return Sheet(
        f"Pilot's card – {show.name} show",
        day.title,
        f"{day.booking.id} · field {day.venue.elevation_ft:,.0f} ft · {day.season.pilot.name}",
        (
            Numbers(
                (
                    ("ALTIMETER, LOCAL SETTING", setting),
                    ("NEEDLE ON THE GROUND, ft", f"{round(day.venue.elevation_ft):,}"),
                    (f"NEEDLE AT THE FLOOR ({day.floor_ft:.0f} ft)", needle(day.floor_ft * FT)),
                )
            ),
            Numbers(
                (
                    ("RECKONED FOR DENSITY ALTITUDE, ft", f"{day.reckoned_ft:,.0f}"),
                    ("SLOT, LOCAL", day.start),
                    ("LENGTH WITH ITS CLIMBS, min:s", minutes_and_seconds(day.length(show))),
                ),
                points=17.0,
            ),
            Table(
                (
                    "", "figure", "entry kt IAS", "entry needle", "gate: needle not under",
                    "and kt IAS, from–to", "your limit, DA ft", "s",
                ),
                tuple(rows),
                (0.71, 4.43, 0.97, 1.61, 1.61, 1.93, 1.62, 0.97),
                left=(1,),
                shaded=tuple(shaded),
            ),
            Lines(tuple(lines), points=10.0),
        ),
        CAUTIONS,
        day.season.invented,
    )  # fmt: skip


# --- Which show -------------------------------------------------------------------------------------


def _codes(shows: Sequence[today.Show]) -> tuple[str, ...]:
    """Short codes of the shows: FULL, THIN A, ROUGH B, CROSS, ALONG."""
    kinds = [show.name.replace("-air", "").replace("wind", "").strip("-").upper() for show in shows]
    cut = [kind.partition(" ") for kind in kinds]
    return tuple(f"{kind[:5]} {letter}".strip() for kind, _, letter in cut)


def _choice(
    shows: Sequence[today.Show], routines: Sequence[limits.RoutineChance], conditions: dict[str, FloatArray]
) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """The show in each air, -1 for none; and the chance that it needs a change."""
    from pipeline.decisions.slots import which_show

    unchanged = np.stack([1.0 - routine(conditions) for routine in routines])
    choice = which_show(unchanged, np.array([show.crowd_value for show in shows]))
    kept = np.take_along_axis(unchanged, np.maximum(choice, 0)[None], 0)[0]
    return choice, np.where(choice < 0, 1.0, 1.0 - kept)


def which_show_sheet(day: PaperDay) -> Sheet:
    """Which show by density altitude and gust, and by density altitude and wind on the crowd.

    A show stands in a cell when it is worth most times the chance that it needs no change; it is doubted
    where that chance of change is one in twenty or more, and nothing stands where every show holds a
    figure at or beyond its limit at the cell's worse edge. Two cells of one row are marked where the lesser
    of their shows is out in the air of both, as where two ambers are one red.
    """
    # The low-ceiling show is for low ceilings, whatever the air.
    kept = [i for i, show in enumerate(day.shows) if not show.own_minima]
    shows, routines = [day.shows[i] for i in kept], [day.routines[i] for i in kept]
    letters = _codes(shows)
    low_shows = [show for show in day.shows if show.own_minima]
    low = math.floor(float(day.quantiles("density_altitude", 0.1, FT).min()) / 500.0) * 500.0 - 1000.0
    high = day.reckoned_ft + 1000.0
    step = 500.0 if high - low <= 5000.0 else 1000.0
    altitude = np.arange(max(low, -2000.0), high + 1.0, step)
    speed = np.arange(5.0, 41.0, 5.0)

    def grid(gust: FloatArray, toward: FloatArray) -> tuple[npt.NDArray[np.int64], FloatArray]:
        da, g = np.meshgrid(altitude * FT, gust * KT, indexing="ij")
        across = np.broadcast_to(toward * KT, da.shape)
        wind = whole_knots(np.maximum(g * (1.0 - SPREAD_SHARE), 0.0))
        conditions = limits.conditions_from_air(da, across, np.zeros_like(da), g, wind)
        return _choice(shows, routines, conditions)

    def table(
        choice: npt.NDArray[np.int64],
        chance: FloatArray,
        marked: npt.NDArray[np.bool_],
        heads: FloatArray,
        words: str,
    ) -> Table:
        rows, shaded = [], []
        for r, feet in enumerate(altitude):
            cells = []
            for c in range(heads.size):
                if choice[r, c] < 0:
                    cells.append("–")
                    shaded.append((r, c + 1))
                else:
                    doubt = "?" if chance[r, c] >= 0.05 else ""
                    cells.append(letters[choice[r, c]] + doubt + ("!" if marked[r, c] else ""))
            rows.append((f"{feet:,.0f}", *cells))
        return Table(
            (f"DA to, ft · {words}, to kt", *(f"{k:.0f}" for k in heads)),
            tuple(rows),
            (1.0, *([1.0] * heads.size)),
            largest=14.0,
            least=8.5,  # at which the longest code with both marks, ROUGH A?!, has its cell
            shaded=tuple(shaded),
        )

    gusty = grid(speed, np.zeros_like(speed))
    crowd = np.arange(3.0, 25.0, 3.0)
    # Wind on the crowd with no more gust than the wind itself: the first table judges the gust.
    da, w = np.meshgrid(altitude * FT, crowd * KT, indexing="ij")
    onto = _choice(shows, routines, limits.conditions_from_air(da, w, np.zeros_like(da), w, w))
    air, g, toward = np.meshgrid(altitude * FT, speed * KT, crowd * KT, indexing="ij")
    mean = whole_knots(g * (1.0 - SPREAD_SHARE))
    both = limits.conditions_from_air(air, toward, np.zeros_like(air), g, mean)
    worth = np.array([*(show.crowd_value for show in shows), -1.0])
    one, other = gusty[0][:, :, None], onto[0][:, None, :]
    lesser = np.where(worth[one] <= worth[other], one, other)
    kept_in_both = np.stack([1.0 - routine(both) for routine in routines])
    red = (lesser >= 0) & (np.take_along_axis(kept_in_both, np.maximum(lesser, 0)[None], 0)[0] <= 0.0)
    act = day.season.act_limits(day.venue)
    lowest = min([act.ceiling_ft.limit, *(show.own_minima["ceiling"][1] / FT for show in low_shows)])
    tops = [day.tops[show.name] / FT if day.tops else 0.0 for show in shows]
    think = max(act.ceiling_ft.comfortable, *tops)
    climbs = ", ".join(
        f"{letter} {top:,.0f} ft"
        for letter, top in zip(letters, tops, strict=True)
        if top > act.ceiling_ft.limit
    )
    names = "; ".join(f"{letter} = {show.name} show" for letter, show in zip(letters, shows, strict=True))
    return Sheet(
        "Which show",
        day.title,
        f"{day.booking.id} · slot {day.start} · read both tables; the lesser show stands. {names}; "
        "? = think, a change is likely enough; – = no rehearsed show"
        + ("; ! in both tables = –" if red.any() else ""),
        (
            Lines((), "1. Density altitude and gust peak", points=11.0),
            table(*gusty, red.any(axis=2), speed, "gust"),
            Lines((), "2. Density altitude and wind on the crowd", points=11.0),
            table(*onto, red.any(axis=1), crowd, "wind"),
            Lines(
                (
                    f"Nothing at all: runway crosswind {act.runway_crosswind_kt.limit:g} kt, ceiling "
                    f"{lowest:,.0f} ft, visibility {act.visibility_sm.limit:g} SM or worse"
                    + ("; thunder." if act.thunder == "stop" else "."),
                    *(
                        f"Ceiling under {think:,.0f} ft: think of the {show.name} show"
                        + (
                            "."
                            if lowest == act.ceiling_ft.limit
                            else f"; at {act.ceiling_ft.limit:,.0f} ft or lower no other."
                        )
                        for show in low_shows
                    ),
                    *([f"Not under a ceiling as low as it climbs: {climbs}."] if climbs else []),
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


def director_sheet(day: PaperDay) -> Sheet:
    """Times, run-in, first and last figure, greatest height, ribbon crew, when the pilot decides."""
    ds, shows = day.ds, day.shows
    names, kinds = [str(f) for f in ds.variables["figure"].to_numpy()], _figure_kinds(ds)
    line = day.venue.show_line
    along = float(day.quantiles("along_line", 0.5, KT).mean())
    into = line.true_heading if along >= 0 else (line.true_heading + 180.0) % 360.0
    rows, too_long = [], []
    for show in shows:
        length = day.length(show)
        if day.over_slot(show) > 0:
            too_long.append(show.name)
        rows.append(
            (
                show.name,
                minutes_and_seconds(length),
                _clock(day.start, math.ceil(length / 60.0)),
                f"{day.tops[show.name] / FT:,.0f}" if day.tops else "–",
                "yes" if any(kinds[f] == "ribbon_cut" for f in show.figures) else "no",
            )
        )
    lengths = []
    if any(np.any(longer > 0) for longer in day.longer.values()):
        lengths.append(
            f"Durations hold what a density altitude of {day.reckoned_ft:,.0f} ft adds: longer figures, and "
            "climbs between them in whole legs."
        )
    if too_long:
        lengths.append(f"Longer than the slot of {day.booking.length_min:g} minutes: {', '.join(too_long)}.")
    ends = tuple(
        f"{show.name} show: first {names[show.figures[0]]}; last {names[show.figures[-1]]}." for show in shows
    )
    msl = ""
    if day.flown:
        over = max(figure.highest for figure in day.flown.values())
        msl = f" The greatest is {_up((over + day.venue.elevation) / FT, 100.0):,.0f} ft above sea level."
    pilot = day.season.pilot

    def before(minutes: float | None) -> str:
        return "____:____" if minutes is None else _clock(day.start, -minutes)

    blocks: tuple[Block, ...] = (
        Numbers(
            (
                ("ENGINE START, local", before(pilot.engine_start_before_min)),
                ("ON, local", day.start),
                ("PILOT DECIDES AT, local", before(pilot.decides_before_min)),
            )
        ),
        Table(
            ("show", "duration min:s", "off by, local", "greatest height ft above ground", "ribbon crew"),
            tuple(rows),
            (2.2, 1.4, 1.4, 1.8, 1.3),
            largest=18.0,
        ),
        Lines(tuple(lengths), points=10.0),
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
        f"{day.booking.id} · {day.season.pilot.name} · slot of {day.booking.length_min:g} minutes",
        blocks,
        CAUTIONS,
        day.season.invented,
    )


# --- The announcer's running order ------------------------------------------------------------------


def announcer_sheet(day: PaperDay, show: today.Show) -> Sheet:
    """The running order of one show, and what of the full show to skip."""
    ds = day.ds
    names, seconds = [str(f) for f in ds.variables["figure"].to_numpy()], day.seconds(show)
    starts = np.concatenate([[0.0], np.cumsum(seconds[list(show.figures)])])
    rows = tuple(
        (minutes_and_seconds(float(at)), names[f]) for at, f in zip(starts[:-1], show.figures, strict=True)
    )
    skipped = [names[f] for f in day.shows[0].figures if f not in show.figures]
    return Sheet(
        f"Announcer's running order – {show.name} show",
        day.title,
        f"{day.booking.id} · on at {day.start} local, off by "
        f"{_clock(day.start, math.ceil(starts[-1] / 60.0))} · minutes and seconds from the first figure",
        (
            Lines(
                (f"Only if the pilot names the {show.name.upper()} show. Until then name no figure.",),
                points=13.0,
            ),
            Table(("at", "figure"), rows, (1.0, 5.0), left=(1,), largest=17.0, least=11.0),
            Lines(
                (
                    f"SKIP: {', '.join(skipped)}." if skipped else "Nothing to skip: this is the full show.",
                    "What is skipped was never advertised: do not name it, do not say it was left out. A "
                    "figure dropped in the air is not mentioned either. If the display stops early, it has "
                    "ended as planned.",
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
    ask = briefing.ask_of(answer)
    inside = [r for r in answer.rows if r.in_window]
    meant = {ask.first, ask.fallback, ask.walk_away, answer.rows[answer.offered].local}
    every, rows = 1, inside
    # Of a long window every second start, or every fourth: the page stays one, and can be read.
    while len(rows) > ASK_ROWS and every < len(inside):
        every *= 2
        rows = [r for i, r in enumerate(inside) if i % every == 0 or r.local in meant]
    table = Table(
        (
            "start",
            "full show, in 100",
            "a rehearsed show, in 100",
            "DA, ft",
            "1 in 10 over, ft",
            "estimated gust kt, 1 in 10" if answer.gusts == "estimated" else "gust kt, 1 in 10",
            "bites",
        ),
        tuple(
            (
                row.local,
                row.full_show.in_100,
                row.any_show.in_100,
                f"{row.density_altitude_median_ft:,.0f}",
                f"{row.density_altitude_high_ft:,.0f}",
                f"{row.gust_high_kt:.0f}",
                CAUSES_SAID.get(row.bites, ""),
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
        f"{answer.place}, {_dates([answer.date])}",
        f"{booking_id} · slot in discussion {answer.rows[answer.offered].local} local · "
        f"from {answer.years} past years · grey starts are as good as the best"
        + ("" if every == 1 else " · of a long window not every start is shown"),
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
        written; and once all others are written, when a paper does not fit on its page or has letters that
        cannot be drawn.
    """
    if altimeter_inhg is not None and not 28.0 <= altimeter_inhg <= 31.0:
        raise InputError(
            f"--altimeter-inhg {altimeter_inhg:g} is out of range: inches of mercury on an altimeter's "
            f"subscale, 28 to 31, are wanted ({altimeter_inhg * INHG / 100:.0f} hPa)."
        )
    wanted = [b.id for b in season.bookings if b.state != "passed"] if booking is None else [booking]
    days, skipped = booking_days(season, ds, wanted)
    if booking is not None and skipped:
        raise InputError(skipped[0])
    written: list[Path] = []
    unfit: list[str] = []
    outdated: list[str] = []
    for day in days:
        name = day.booking.id
        answer = briefing.slot_answer(
            ds, name, date=day.date, air=briefing.day_air(ds, day.row, day.routines)
        )
        sheets: dict[str, Sheet] = {}
        for show in day.shows:
            slug = _slug(show.name)
            sheets[f"{name}-card-{slug}.pdf"] = pilot_card(day, show, altimeter_inhg=altimeter_inhg)
            sheets[f"{name}-announcer-{slug}.pdf"] = announcer_sheet(day, show)
        sheets[f"{name}-which-show.pdf"] = which_show_sheet(day)
        sheets[f"{name}-director.pdf"] = director_sheet(day)
        sheets[f"{name}-ask.pdf"] = ask_sheet(answer, name)
        papers: dict[str, bytes] = {}
        for file, sheet in sheets.items():
            # A card that does not fit is no reason to keep the other papers back.
            try:
                papers[file] = draw(sheet)
            except InputError as error:
                unfit.append(str(error))
                outdated += [file] if (into / file).exists() else []
        papers[f"{name}-ask.txt"] = (briefing.ask_text(answer, CAUTIONS) + "\n").encode()
        papers[f"{name}-today.html"] = phone_page(phone_contents(day)).encode()
        written += [write_where_asked(into / file, content) for file, content in papers.items()]
    if unfit:
        more = f" {len(unfit) - 1} more are not written either." if len(unfit) > 1 else ""
        told = [f"{unfit[0]}{more} All other papers are in {into}."]
        if outdated:
            told.append(
                f"Not of this season's numbers as they stand, do not fly by it: {', '.join(outdated)}."
            )
        raise InputError(" ".join([*told, *skipped]))
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


@functools.lru_cache(maxsize=16)
def _tables_of(routine: limits.RoutineChance) -> dict[str, object]:
    """A routine's chances by cause; the same for every booking."""
    return {
        "density_altitude": _table_of(routine, "density_altitude", -5000.0, 16_000.0, 50.0, FT),
        "wind_across": _table_of(routine, "wind_across", -60.0, 60.0, 0.5, KT),
        "wind_along": _table_of(routine, "wind_along", 0.0, 60.0, 0.5, KT),
        "rough_air": _rough_table(routine),
    }


def phone_contents(day: PaperDay) -> dict[str, object]:
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
    booked = dt.date.fromisoformat(day.date)
    slot = dt.datetime.fromisoformat(str(ds.variables["slot_utc"].to_numpy()[day.days[0]]))
    midnights = [
        # By the offset that holds at the hours at which people read, whatever the clocks did in the night.
        venue.utc(date, dt.time(12)) - dt.timedelta(hours=12)
        for date in (booked, booked - dt.timedelta(days=1))
    ]
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
                # Whole feet: 900 ft through metres and back is a hair under a ceiling of 900 ft.
                "top_ft": round(day.tops[show.name] / FT) if day.tops else None,
                "own_minima": {
                    k: [v[0] / minima_units[k], v[1] / minima_units[k]] for k, v in show.own_minima.items()
                },
                "tables": _tables_of(routine),
            }
            for show, routine in zip(shows, day.routines, strict=True)
        ],
        "slot": day.start,
        "slot_minutes": [(slot - midnight).total_seconds() / 60.0 for midnight in midnights],
        "compared": [_compared(day, name) for name in COMPARED],
        "carried": [_carrier(day, name) for name in ("density_altitude", "gust", "unreported_gust")],
        "gusts_estimated": briefing.gusts_of(day.ds, day.row) == "estimated",
        "gust_not_carried": GUST_NOT_CARRIED,
        "read_again": READ_AGAIN,
        "past_hour": past_hour(np.datetime64(slot.replace(tzinfo=None))),
        "of_the_slot_hours": OF_THE_SLOT_HOURS,
        "stale_hours": STALE_HOURS,
        "proves_less_ft": PROVES_LESS / FT,
    }


def _compared(day: PaperDay, name: str) -> dict[str, object]:
    """The slot's past of a quantity as the page holds it: whole steps in rising order, as differences."""
    unit, step = COMPARED[name][1], SAMPLES[name][1]
    past = np.asarray(day.ds.variables[f"sample_{name}"][day.days[0]].to_numpy(), dtype=float)
    codes = np.sort(np.rint(past[np.isfinite(past)] / step)).astype(int)
    median, high = clim.quantiles(past.ravel(), [0.5, 0.9]) / unit
    return {
        "words": compared_words(name, briefing.gusts_of(day.ds, day.row)),
        "step": step / unit,
        "codes": np.diff(codes, prepend=0).tolist(),
        "median": briefing.as_plain(median),
        "high": briefing.as_plain(high),
    }


def _carrier(day: PaperDay, name: str) -> dict[str, object]:
    """What carries a quantity to the slot as the page holds it; of a speed, of the root of its knots."""
    speed = name != "density_altitude"
    of = "gust" if speed else name
    unit = COMPARED[of][1]
    share, rest = carrier_of(day.ds, day.row, name)
    rest = rest / (math.sqrt(unit) if speed else unit)
    return {
        "words": compared_words(of, briefing.gusts_of(day.ds, day.row)),
        "speed": speed,
        "share": briefing.as_plain([round(v, 5) for v in share.tolist()]),
        "rest": briefing.as_plain([[round(v, 3 if speed else 1) for v in row] for row in rest.tolist()]),
    }


# --- The calendar -----------------------------------------------------------------------------------


def calendar_events(season: Season, ds: xr.Dataset) -> list[Event]:
    """Slots, practise-by and reply-by dates of the bookings that are not passed.

    With practice.yaml the practise-by dates are those of the practice that is missing; without it, each
    booking has the days within which practice counts for all of its show days.
    """
    from pipeline.decisions.practice import Demand, practice_plan
    from pipeline.exports import Event

    events = [] if season.practice is None else _missing_practice(season, ds)
    for booking in season.bookings:
        if booking.state == "passed":
            continue
        venue = season.venue(booking.venue)
        mark = "INVENTED " if season.invented else ""
        for date in booking.show_days:
            start = venue.utc(date, booking.slot)
            row = int(
                np.flatnonzero(
                    (ds.variables["day_booking"].to_numpy() == booking.id)
                    & (ds.variables["day_date"].to_numpy() == date.isoformat())
                )[0]
            )
            slot = int(ds.variables["day_offered_slot"].to_numpy()[row])
            planned = float(ds.variables["routine_as_planned"].to_numpy()[row, slot, 0])
            told = (
                f"Full show as planned: {days_in_ten(planned)}."
                if math.isfinite(planned)
                else str(ds.variables["day_status"].to_numpy()[row])
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
        if season.practice is None:
            demands = [Demand("", day, booking.id) for day in booking.show_days]
            # Days further apart than practice counts are no one practice's.
            for n, counts in enumerate(practice_plan(demands, {}, PRACTISED_WITHIN_DAYS).sessions):
                events.append(
                    Event(
                        uid=f"{booking.id}-practise" + (f"-{n + 1}" if n else ""),
                        start=counts.earliest,
                        end=counts.day + dt.timedelta(days=1),
                        summary=f"{mark}Practise every figure for {venue.name} by {counts.day}",
                        description=(
                            f"Practice counts from {PRACTISED_WITHIN_DAYS} days before a show day: a figure "
                            "flown before that is no reserve, and no part of the show. Your own "
                            "authorisation may ask for more."
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


def _missing_practice(season: Season, ds: xr.Dataset) -> list[Event]:
    """The last days on which the practice that is missing still cures what is not current."""
    from pipeline.exports import Event
    from pipeline.season_routines import routines_told

    mark = "INVENTED " if season.invented else ""
    names = {b.id: season.venue(b.venue).name for b in season.bookings if b.state != "passed"}
    events = []
    practice = routines_told(ds, season)["practice"]
    for missing in practice["practise"]:
        thin = [row for row in practice["rehearsal_air"] if row["booking"] in missing["for"]]
        proves = ""
        if thin:
            # The thinnest of the shows that it is for.
            row = max(thin, key=lambda row: row["show_density_altitude_high_ft"])
            proves = f" In the home air of practice.yaml and over the usual floor {row['low_at_home']}."
            if row["needle_ft"] is not None:
                proves += (
                    f" That air is found with the base at {row['needle_ft']:,.0f} ft on the altimeter set to "
                    f"{row['altimeter_inhg']:.2f}."
                )
        shows = [names[b] for b in missing["for"] if b in names]
        if not shows:
            continue
        by = dt.date.fromisoformat(missing["by"])
        events.append(
            Event(
                uid=f"practise-by-{by}",
                start=by,
                end=by + dt.timedelta(days=1),
                summary=f"{mark}Practise by today for {', '.join(shows)}: not current",
                description=(
                    f"Practise on any day from {missing['from']} to {by}: {', '.join(missing['figures'])}. "
                    "What is not current is no reserve, and no part of the show. Your own authorisation may "
                    f"ask for more.{proves}"
                ),
            )
        )
    return events
