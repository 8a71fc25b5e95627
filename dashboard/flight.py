"""The aircraft and the figures for the flight pages: read once, flown once over all density altitudes.

A figure, or a routine, is flown in every air that a slider can ask for at one go; the slider then picks.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import streamlit as st

from dashboard import frame, markup, words
from dashboard.season import BookingRow, Day, Season, Slot, folder
from pipeline.air.variables import FT, KT
from pipeline.derived import lowest_limits
from pipeline.errors import InputError
from pipeline.flight.aircraft import FieldAir, TableEngine
from pipeline.flight.calibration import Fit, Misfit, fit_polar, misfits
from pipeline.flight.figures import Figure
from pipeline.flight.heights import reckoned_ft
from pipeline.flight.inhand import DerivedLimit, Sheet, sheet, verdict
from pipeline.flight.performance import Performance, performance
from pipeline.flight.routine import RoutineEnergy, routine_energy
from pipeline.flight_inputs import FlightInputs, routine_items, season_flight
from pipeline.inputs import Season as SeasonFolder
from pipeline.inputs import Venue

__all__ = [
    "STEP_FT",
    "AircraftAir",
    "Calibrated",
    "FigureAir",
    "Prepared",
    "RoutineAir",
    "SlotAir",
    "aircraft_air",
    "answer",
    "calibrated",
    "figure_air",
    "limit_if",
    "opened",
    "over_field",
    "position",
    "prepared",
    "routine_air",
    "slot_air",
    "slot_quantiles",
    "speed_in_hand",
]

FloatArray = npt.NDArray[np.floating]

STEP_FT = 100.0
"""Between two density altitudes of the sliders."""
_TOP_FT = 14_000.0


@dataclass(frozen=True)
class Prepared:
    """The season folder with its aircraft and figures, as read now."""

    digest: str
    folder: SeasonFolder
    flight: FlightInputs

    @property
    def own_floor_ft(self) -> float:
        """The pilot's own floor."""
        return self.folder.pilot.floor_agl_ft

    def floor_ft(self, venue: str) -> float:
        """The highest floor that holds at a venue; the pilot's own where the folder lacks it."""
        held = self.venue(venue)
        return self.own_floor_ft if held is None else self.folder.floor_agl_ft(held)

    def venue(self, venue: str) -> Venue | None:
        """The venue as the folder has it now; None where it lacks it."""
        return next((v for v in self.folder.venues if v.id == venue), None)

    def slot_minutes(self, booking: str) -> float:
        """Length of the booking's slot; NaN where the folder lacks the booking."""
        held = [b.length_min for b in self.folder.bookings if b.id == booking]
        return float(held[0]) if held else math.nan


@dataclass(frozen=True)
class SlotAir:
    """Density altitude of the slot in hand; feet, rounded up to the sliders' step, NaN without history.

    Attributes
    ----------
    median, high
        The median, and what one day in ten exceeds.
    start
        Where a slider begins: `high` up to the next 500 ft, as the pilot's card reckons; without history
        the field's elevation, rounded up likewise.
    cold
        Temperature that one day in ten stays below [K].
    invented
        Whether the weather it comes from is invented.
    """

    median: float
    high: float
    start: float
    cold: float
    invented: bool


@dataclass(frozen=True)
class FigureAir:
    """A figure in every air of the slider.

    Attributes
    ----------
    figure
        As flown at the venue: raised where the venue's floor is above the pilot's.
    sheet
        With its curves over `grid_ft`.
    verdicts
        In, thin or out, (density altitude,).
    at_sea_level
        The same in standard sea level air.
    """

    figure: Figure
    sheet: Sheet
    grid_ft: FloatArray
    verdicts: npt.NDArray[np.str_]
    at_sea_level: str


@dataclass(frozen=True)
class AircraftAir:
    """The aircraft in every air of the slider; the first is standard sea level air."""

    shown: Performance
    grid_ft: FloatArray


@dataclass(frozen=True)
class Calibrated:
    """Measured numbers against the aircraft as stated, and against the best fit."""

    as_stated: tuple[Misfit, ...]
    fit: Fit


@dataclass(frozen=True)
class RoutineAir:
    """A routine in every air of the slider; the first is standard sea level air."""

    names: tuple[str, ...]
    figures: tuple[Figure, ...]
    energy: RoutineEnergy
    grid_ft: FloatArray
    floor: float

    @property
    def over_floor(self) -> FloatArray:
        """Least height over the floor with nothing mended, entry included, (figure, density altitude) [m].

        Below zero the figure is flown, or entered, through the floor; NaN where it cannot be flown.
        """
        entry = np.array([f.entry_height for f in self.figures])[:, None] - self.energy.short
        lowest = np.minimum(self.energy.hand.lowest - self.energy.short, entry)
        return np.asarray(np.minimum(lowest - self.floor, self.energy.height_in_hand))


def prepared() -> Prepared | str:
    """The season folder with its aircraft; or, in words, why there is none.

    Raises
    ------
    InputError
        A mistake in the folder.
    """
    named = os.environ.get("SHOWHOUR_SEASON", "")
    if not named or not Path(named).is_dir():
        return (
            "This page flies your own figures, and the dashboard was started without the season folder. "
            "Open it with `showhour dashboard FOLDER`."
        )
    folder = Path(named)
    files = sorted([*folder.glob("*.yaml"), *folder.glob("venues/*.yaml")])
    digest = hashlib.sha256()
    for file in files:
        digest.update(f"{file.relative_to(folder)}\0".encode())
        try:
            digest.update(file.read_bytes())
        except OSError as error:
            raise InputError(f"{file.name} of the season folder cannot be read ({error}).") from error
    held = _prepared(named, digest.hexdigest())
    return (
        held
        if held is not None
        else "This season has no aircraft yet. Put your own numbers into aircraft.yaml and figures.yaml in "
        "the season folder (the demo season has both, to copy from), and this page flies your figures in the "
        "booking’s air. Everything else works without them: your stated limits are used as they are."
    )


@st.cache_resource(max_entries=2, show_spinner=False)
def _prepared(named: str, digest: str) -> Prepared | None:
    season = folder(named)
    flight = season_flight(season)
    return None if flight is None else Prepared(digest, season, flight)


def opened(season: Season) -> tuple[Prepared, BookingRow, Day, Slot] | None:
    """The opening of a flight page: the folder, and the booking, day and slot that the user chooses.

    None where nothing can be flown; why is on the screen by then.
    """
    try:
        held = prepared()
    except InputError as error:
        st.error(markup.told(error), icon=":material/error:")
        st.html(
            '<p class="sh-note">Correct it in the season folder and reload this page. Nothing is flown on '
            "numbers that do not hold together.</p>"
        )
        return None
    booking = frame.choose_booking(season)
    day, slot = frame.choose_day_and_slot(season, booking)
    if isinstance(held, str):
        frame.notices(season, venue=day.venue)
        st.info(markup.told(held), icon=":material/flight:")
        return None
    return held, booking, day, slot


def answer(
    lines: Sequence[str], held: Prepared, grid_ft: FloatArray, slot_air: SlotAir, floor_ft: float
) -> None:
    """A flight page's answer, with what bounds it: how thin the air is looked at, and the floor."""
    if slot_air.high > grid_ft[-1]:
        st.warning(
            f"One day in ten is thinner here than {words.number(float(grid_ft[-1]), 'ft')}, as far as is "
            "looked: what is said about such days is too good.",
            icon=":material/warning:",
        )
    st.html(markup.answer(lines))
    if floor_ft > held.own_floor_ft:
        st.html(
            f'<p class="sh-note">The floor here is {words.number(floor_ft, "ft")}, above your own '
            f"{words.number(held.own_floor_ft, 'ft')}: everything is flown that much higher.</p>"
        )


def slot_air(season: Season, day: Day, slot: Slot) -> SlotAir:
    """Density altitude of a slot; air thicker than standard sea level air counts as that: no bonus for it."""
    row = next(r for r in season.air_rows(day, "density_altitude") if r["local"] == slot.local)
    median, high = (_up(max(float(row[k]), 0.0), STEP_FT) for k in ("median", "high"))
    elevation = float(season.values["venue_elevation"][day.venue]) / FT
    start = float(reckoned_ft((high if math.isfinite(high) else elevation) * FT))
    cold = season.values["temperature_quantile"][day.index, slot.position, season.quantile[0.1]]
    return SlotAir(median, high, start, float(cold), bool(season.values["station_invented"][day.venue]))


def _up(value: float, step: float) -> float:
    return math.ceil(value / step - 1e-9) * step if math.isfinite(value) else math.nan


def _grid(figures: Sequence[Figure], held: Prepared) -> FloatArray:
    """Density altitudes of the slider [m]; a power table is not extrapolated."""
    top = _TOP_FT * FT
    engine = held.flight.aircraft.engine
    if isinstance(engine, TableEngine):
        tallest = max(f.entry_height for f in figures)
        top = min(top, engine.density_altitudes[-1] - tallest)
    count = int(top / FT / STEP_FT + 1e-9)
    if count < 1:
        raise InputError(
            "The power table in aircraft.yaml ends below the figures' heights above sea level; extend it."
        )
    return np.arange(count + 1) * STEP_FT * FT


def over_field(density_altitude: npt.ArrayLike, elevation: float) -> FieldAir:
    """Air over a field [m], whose elevation stands for its pressure altitude.

    At a density altitude of nothing it is standard sea level air, which the pages set beside a field's own.
    """
    return FieldAir(density_altitude, np.where(np.equal(density_altitude, 0.0), 0.0, elevation))


def speed_in_hand(speed: float) -> str:
    """Speed in hand [m/s] in knots, rounded down; in words where no stall bounds it, a dash if not flown."""
    return "no stall near" if speed == math.inf else words.number(words.down(speed, KT))


def position(grid_ft: FloatArray, density_altitude_ft: float) -> int:
    """Where a density altitude [ft] stands in a grid; the last place where it lies beyond."""
    return min(round(density_altitude_ft / STEP_FT), grid_ft.size - 1)


def slot_quantiles(season: Season, day: Day, slot: Slot) -> list[tuple[str, float]]:
    """The slot's density altitudes [m] as they stand in the results, not rounded."""
    q = season.values["density_altitude_quantile"][day.index, slot.position]
    held = [
        ("This slot’s median", float(q[season.quantile[0.5]])),
        ("One day in ten above", float(q[season.quantile[0.9]])),
    ]
    return [(name, da) for name, da in held if math.isfinite(da)]


def aircraft_air(held: Prepared, *, elevation: float) -> AircraftAir:
    """The aircraft in every air of the slider over a field [m]."""
    return _aircraft_air(held.digest, elevation, held)


@st.cache_resource(max_entries=16, show_spinner=False)
def _aircraft_air(digest: str, elevation: float, _held: Prepared) -> AircraftAir:
    grid = _grid(list(_held.flight.figures.values()), _held)
    # The first air is standard sea level air, whatever the field.
    air = over_field(grid, max(elevation, 0.0))
    return AircraftAir(performance(_held.flight.aircraft, air), np.round(grid / FT))


def calibrated(held: Prepared) -> Calibrated | None:
    """What the pilot measured against the aircraft; None where nothing is stated."""
    return _calibrated(held.digest, held) if held.flight.measured else None


@st.cache_resource(max_entries=4, show_spinner="Fitting the aircraft to what you measured …")
def _calibrated(digest: str, _held: Prepared) -> Calibrated:
    flight = _held.flight
    try:
        fit = fit_polar(flight.aircraft, flight.measured)
    except ValueError as error:
        raise InputError(
            f"The numbers under measured in aircraft.yaml cannot be fitted: {error}. Correct them, or the "
            "aircraft’s own."
        ) from error
    return Calibrated(misfits(flight.aircraft, flight.measured), fit)


def figure_air(held: Prepared, name: str, *, elevation: float, floor_ft: float) -> FigureAir:
    """A figure flown in every air of the slider over a field.

    Parameters
    ----------
    held
        Folder and aircraft.
    name
        Of the figure.
    elevation
        Of the field [m]; stands for its pressure altitude.
    floor_ft
        The highest floor that holds there.
    """
    return _figure_air(held.digest, name, elevation, floor_ft, held)


@st.cache_resource(max_entries=32, show_spinner=False)
def _figure_air(digest: str, name: str, elevation: float, floor_ft: float, _held: Prepared) -> FigureAir:
    flight = _held.flight
    figure = flight.figures[name].raised((floor_ft - _held.own_floor_ft) * FT)
    grid = _grid([figure], _held)
    flown = sheet(
        figure,
        flight.aircraft,
        FieldAir(float(grid[-1]), elevation),
        floor_ft * FT,
        flight.cushions,
        density_altitudes=grid,
        pressure_altitude=elevation,
    )
    return FigureAir(
        figure,
        flown,
        np.round(grid / FT),
        verdict(figure, flown.curves, flight.aircraft, flight.cushions, floor_ft * FT),
        str(verdict(figure, flown.sea_level, flight.aircraft, flight.cushions, floor_ft * FT)),
    )


def limit_if(held: Prepared, name: str, *, entry_speed: float, mass: float) -> DerivedLimit:
    """Where a figure uses up a cushion at an entry speed [m/s] and mass [kg], over the season's fields."""
    return _limit_if(held.digest, name, entry_speed, mass, held)


@st.cache_resource(max_entries=64, show_spinner=False)
def _limit_if(digest: str, name: str, entry_speed: float, mass: float, _held: Prepared) -> DerivedLimit:
    figure = replace(_held.flight.figures[name], entry_speed=entry_speed)
    aircraft = replace(_held.flight.aircraft, mass=mass)
    return lowest_limits(_held.folder, aircraft, _held.flight.cushions, [figure])[0]


def routine_air(
    held: Prepared, figures: Sequence[tuple[str, float]], *, elevation: float, floor_ft: float
) -> RoutineAir:
    """A routine flown in every air of the slider over a field.

    Parameters
    ----------
    held
        Folder and aircraft.
    figures
        Names in the order flown, with the seconds that the routine gives each.
    elevation, floor_ft
        As in `figure_air`.

    Raises
    ------
    InputError
        When the figures do not join, or one takes longer than the routine gives it.
    """
    return _routine_air(held.digest, tuple(figures), elevation, floor_ft, held)


@st.cache_resource(max_entries=8, show_spinner=False)
def _routine_air(
    digest: str, figures: tuple[tuple[str, float], ...], elevation: float, floor_ft: float, _held: Prepared
) -> RoutineAir:
    flight = _held.flight
    lift = (floor_ft - _held.own_floor_ft) * FT
    items = [
        replace(item, figure=item.figure.raised(lift))
        for item in routine_items(flight, [n for n, _ in figures], [s for _, s in figures])
    ]
    grid = _grid([item.figure for item in items], _held)
    try:
        energy = routine_energy(
            items,
            flight.aircraft,
            # The first air is standard sea level air, whatever the field.
            over_field(grid, max(elevation, 0.0)),
            floor_ft * FT,
            stall_margin=flight.cushions.speed,
        )
    except ValueError as error:
        raise InputError(
            f"The figures of this show do not join: {error}. Correct figures.yaml or routine.yaml."
        ) from error
    return RoutineAir(
        tuple(n for n, _ in figures),
        tuple(item.figure for item in items),
        energy,
        np.round(grid / FT),
        floor_ft * FT,
    )
