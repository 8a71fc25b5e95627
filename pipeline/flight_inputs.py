"""The aircraft and the figures as the pilot writes them: ``aircraft.yaml`` and ``figures.yaml``.

Values keep the units in their names; what comes out is SI. Every mistake is told at once, with its file,
line and key. A season without these two files is whole: derived limits are then not made.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from pipeline.air.atmosphere import GRAVITY
from pipeline.air.variables import FT, KT
from pipeline.errors import InputError
from pipeline.flight.aircraft import (
    Aircraft,
    BlownEngine,
    Engine,
    FieldAir,
    TableEngine,
    UnblownEngine,
    corner_speed,
    stall_speed,
)
from pipeline.flight.calibration import (
    Measured,
    glide,
    level_speed,
    loop,
    misfits,
    rate_of_climb,
    vertical_line,
)
from pipeline.flight.figures import LIBRARY, OWN_PATHS, Figure, Segment, steps
from pipeline.flight.heights import height_warning
from pipeline.flight.inhand import Cushions, InHand, figure_faults
from pipeline.flight.motion import nodes_of
from pipeline.flight.routine import Item
from pipeline.flight.runway import LANDING_FACTOR, TAKE_OFF_FACTOR, least_run
from pipeline.settings import (
    Document,
    Fault,
    Settings,
    Text,
    Truth,
    mistake,
    nearest,
    number,
    one_of,
    read_settings,
    typed,
)

if TYPE_CHECKING:
    from pipeline.flight.links import Pairs
    from pipeline.inputs import Season

__all__ = [
    "FlightInputs",
    "RunwayBook",
    "check_flight",
    "flight_mistakes",
    "load_flight",
    "routine_items",
    "season_flight",
    "season_pairs",
]

HORSEPOWER = 745.69987158227022
"""Watts in a mechanical horsepower (550 ft lbf/s)."""

_HARDEST_BRAKING = 0.6
"""Deceleration [g] that no landing has on average from its approach speed: common practice, no source."""
_MANOEUVRING = (0.75, 1.5)
"""A stated manoeuvring speed over the corner speed. The book's is for the greatest mass, hence a wide band;
14 CFR 23.335(c) as it stood asked for no less than the corner speed (from memory)."""
_MOST_RISE = 1.25
"""Power in thinner air over that in denser air: a single blower gains less (common practice, no source)."""

_Speed = Annotated[float, number(1, 600, "knots")]
_Height = Annotated[float, number(0, 20_000, "feet")]
_AnyAltitude = Annotated[float, number(-2_000, 30_000, "feet")]
_FlownAltitude = Annotated[float, number(-2_000, 20_000, "feet")]
_Load = Annotated[float, number(-12, 12, "g")]
_Seconds = Annotated[float, number(0, 120, "seconds")]
_Share = Annotated[float, number(0, 1, "a share")]


class _Mass(Settings):
    """Masses on a show flight."""

    empty_kg: Annotated[float, number(50, 20_000, "kilograms")]
    pilot_kg: Annotated[float, number(30, 250, "kilograms, parachute included")]
    fuel_kg: Annotated[float, number(0, 5_000, "kilograms")]
    smoke_oil_kg: Annotated[float, number(0, 1_000, "kilograms")]

    @property
    def total(self) -> float:
        return self.empty_kg + self.pilot_kg + self.fuel_kg + self.smoke_oil_kg


class _Polar(Settings):
    """Drag polar CD0 + k CL²."""

    zero_lift_drag: Annotated[float, number(0.005, 0.3, "a drag coefficient")]
    induced_drag_factor: Annotated[float, number(0.01, 0.5, "k of CD0 + k CL²")]
    max_lift: Annotated[float, number(0.5, 4, "a lift coefficient")]
    max_lift_inverted: Annotated[float, number(0.2, 4, "a lift coefficient, written without a minus sign")]


class _Power(Settings):
    """One row of the pilot's own power table."""

    density_altitude_ft: _AnyAltitude
    hp: Annotated[float, number(0, 5_000, "horsepower")]


class _EngineEntry(Settings):
    """Engine: unblown, blown, or the pilot's own table."""

    kind: Annotated[Literal["unblown", "blown", "table"], one_of("unblown", "blown", "table")]
    rated_hp: Annotated[float, number(10, 5_000, "horsepower")] | None = None
    critical_altitude_ft: Annotated[float, number(0, 30_000, "feet of pressure altitude")] | None = None
    table: tuple[_Power, ...] | None = None

    @model_validator(mode="after")
    def _whole(self) -> _EngineEntry:
        wants = {
            "unblown": {"rated_hp"},
            "blown": {"rated_hp", "critical_altitude_ft"},
            "table": {"table"},
        }[self.kind]
        for name in ("rated_hp", "critical_altitude_ft", "table"):
            given = getattr(self, name) is not None
            if given and name not in wants:
                raise mistake(f"no such key for an engine that is {self.kind}", name)
            if not given and name in wants:
                raise mistake(f"this key, for an engine that is {self.kind}", name)
        if self.table is not None:
            altitudes = [row.density_altitude_ft for row in self.table]
            if len(altitudes) < 2 or any(b <= a for a, b in pairwise(altitudes)):
                raise mistake("two or more rows of rising density altitude", "table")
            if altitudes[0] > 0 or altitudes[-1] < 16_000:
                raise mistake(
                    "rows from 0 ft or below to 16,000 ft or above: figures climb above the field, and a "
                    "table is not extrapolated",
                    "table",
                )
        return self

    @property
    def engine(self) -> Engine:
        if self.kind == "table" and self.table is not None:
            return TableEngine(
                tuple(row.density_altitude_ft * FT for row in self.table),
                tuple(row.hp * HORSEPOWER for row in self.table),
            )
        power = (self.rated_hp or 0.0) * HORSEPOWER
        if self.kind == "blown":
            return BlownEngine(power, (self.critical_altitude_ft or 0.0) * FT)
        return UnblownEngine(power)


class _Propeller(Settings):
    diameter_m: Annotated[float, number(0.5, 6, "metres")]
    rpm: Annotated[float, number(300, 5_000, "propeller revolutions per minute at display power")]
    efficiency: Annotated[float, number(0.3, 1, "a share, before the momentum loss")]


class _LoadFactor(Settings):
    max_g: Annotated[float, number(1.5, 15, "g")]
    min_g: Annotated[float, number(-15, 0, "g, zero or negative")]


class _Cushions(Settings):
    height_ft: Annotated[float, number(0, 3_000, "feet")]
    speed_kt: Annotated[float, number(0, 80, "knots")]


class _RunwayEntry(Settings):
    """The pilot's own book distances in standard sea level air, no wind."""

    mass_kg: Annotated[float, number(50, 20_000, "kilograms")]
    take_off_ft: Annotated[float, number(50, 15_000, "feet")]
    landing_ft: Annotated[float, number(50, 15_000, "feet")]
    lift_off_kt: _Speed
    approach_kt: _Speed
    take_off_factor: Annotated[float, number(1, 4, "a factor")] = TAKE_OFF_FACTOR
    landing_factor: Annotated[float, number(1, 4, "a factor")] = LANDING_FACTOR


class _MeasuredLoop(Settings):
    figure: Text
    density_altitude_ft: _FlownAltitude
    pressure_altitude_ft: _FlownAltitude
    apex_gain_ft: Annotated[float, number(50, 5_000, "feet")]
    apex_speed_kt: _Speed
    exit_speed_kt: _Speed
    entry_speed_kt: _Speed | None = None
    entry_height_ft: Annotated[float, number(1, 40_000, "feet above the field")] | None = None


class _MeasuredLine(Settings):
    density_altitude_ft: _FlownAltitude
    pressure_altitude_ft: _FlownAltitude
    entry_speed_kt: _Speed
    end_speed_kt: _Speed
    g: Annotated[float, number(1.5, 12, "g")]
    gain_ft: Annotated[float, number(50, 10_000, "feet")]

    @model_validator(mode="after")
    def _slows(self) -> _MeasuredLine:
        if self.end_speed_kt >= self.entry_speed_kt:
            raise mistake(f"a speed below entry_speed_kt, {self.entry_speed_kt:g}", "end_speed_kt")
        return self


class _MeasuredEntry(Settings):
    """What the pilot has measured; the polar can be fitted to it."""

    level_top_speed_kt: _Speed | None = None
    rate_of_climb_fpm: Annotated[float, number(100, 10_000, "feet a minute")] | None = None
    best_glide: Annotated[float, number(2, 40, "a ratio")] | None = None
    loop: _MeasuredLoop | None = None
    vertical_line: _MeasuredLine | None = None


class _AircraftEntry(Settings):
    name: Text
    mass: _Mass
    wing_area_m2: Annotated[float, number(3, 200, "square metres")]
    polar: _Polar
    load_factor: _LoadFactor
    never_exceed_kt: _Speed
    manoeuvring_kt: _Speed
    category_ceiling_kt: _Speed | None = None
    engine: _EngineEntry
    propeller: _Propeller
    cushions: _Cushions
    runway: _RunwayEntry | None = None
    measured: _MeasuredEntry | None = None

    @model_validator(mode="after")
    def _orders(self) -> _AircraftEntry:
        if self.manoeuvring_kt >= self.never_exceed_kt:
            raise mistake(f"a speed below the never-exceed speed, {self.never_exceed_kt:g}", "manoeuvring_kt")
        return self


_VERBS = (
    "pull_to_deg", "push_to_deg", "float_to_deg", "recover", "line_s", "line_ft", "line_to_height_ft",
    "line_to_speed_kt", "hold_s", "hold_ft", "roll_deg", "own_s",
)  # fmt: skip


class _SegmentEntry(Settings):
    """One segment: exactly one of the verbs, and what belongs to it."""

    pull_to_deg: Annotated[float, number(-90, 90, "degrees above the horizon")] | None = None
    push_to_deg: Annotated[float, number(-90, 90, "degrees above the horizon")] | None = None
    float_to_deg: Annotated[float, number(-90, 90, "degrees above the horizon")] | None = None
    recover: Annotated[Literal["pull", "push"], one_of("pull", "push")] | None = None
    line_s: _Seconds | None = None
    line_ft: _Height | None = None
    line_to_height_ft: _Height | None = None
    line_to_speed_kt: Annotated[float, number(0, 600, "knots")] | None = None
    hold_s: _Seconds | None = None
    hold_ft: _Height | None = None
    roll_deg: Annotated[float, number(-3_600, 3_600, "degrees, a multiple of 90")] | None = None
    own_s: _Seconds | None = None
    g: _Load | None = None
    seconds: _Seconds | None = None
    height_change_ft: Annotated[float, number(-5_000, 5_000, "feet")] | None = None
    distance_ft: _Height | None = None
    speed_after_kt: Annotated[float, number(0, 600, "knots")] | None = None
    path: Annotated[Literal["same", "pivot", "slide", "down", "reverse"], one_of(*OWN_PATHS)] | None = None
    bank_deg: Annotated[float, number(-80, 80, "degrees")] | None = None
    throttle: _Share | None = None
    drag_multiple: Annotated[float, number(0.5, 10, "a factor")] | None = None
    gate: Truth = False

    @model_validator(mode="after")
    def _one_verb(self) -> _SegmentEntry:
        verbs = [name for name in _VERBS if getattr(self, name) is not None]
        if len(verbs) != 1:
            raise mistake(f"exactly one of {', '.join(_VERBS)}")
        belongs = {
            "g": ("pull_to_deg", "push_to_deg", "float_to_deg", "recover"),
            "seconds": ("roll_deg",),
            "height_change_ft": ("own_s",),
            "distance_ft": ("own_s",),
            "speed_after_kt": ("own_s",),
            "path": ("own_s",),
            "bank_deg": ("hold_s", "hold_ft"),
        }
        for name, allowed in belongs.items():
            if getattr(self, name) is not None and verbs[0] not in allowed:
                raise mistake(f"no such key beside {verbs[0]}", name)
        if verbs[0] == "roll_deg":
            if self.seconds is None:
                raise mistake("the time the roll takes", "seconds")
            if not self.roll_deg or self.roll_deg % 90:
                raise mistake("a multiple of 90 degrees", "roll_deg")
        return self

    @property
    def segment(self) -> Segment:
        verb = next(name for name in _VERBS if getattr(self, name) is not None)
        value = getattr(self, verb)
        common: dict[str, Any] = {
            "throttle": 1.0 if self.throttle is None else self.throttle,
            "drag_multiple": 1.0 if self.drag_multiple is None else self.drag_multiple,
            "gate": self.gate,
        }
        if verb in ("pull_to_deg", "push_to_deg", "float_to_deg"):
            return Segment(verb.removesuffix("_deg"), value, self.g, **common)
        if verb == "recover":
            return Segment("recover", load_factor=self.g, push=value == "push", **common)
        if verb == "roll_deg":
            return Segment("roll", roll_degrees=round(value), seconds=self.seconds, **common)
        if verb == "own_s":
            return Segment(
                "own",
                seconds=value,
                height_change=(self.height_change_ft or 0.0) * FT,
                distance_covered=(self.distance_ft or 0.0) * FT,
                speed_after=None if self.speed_after_kt is None else self.speed_after_kt * KT,
                path=self.path or "same",
                gate=self.gate,
            )
        ends = {
            "line_s": ("line", "seconds", 1.0),
            "line_ft": ("line", "distance", FT),
            "line_to_height_ft": ("line", "height", FT),
            "line_to_speed_kt": ("line", "speed", KT),
            "hold_s": ("hold", "seconds", 1.0),
            "hold_ft": ("hold", "distance", FT),
        }
        kind, end, unit = ends[verb]
        lasting: dict[str, Any] = {end: value * unit}
        return Segment(kind, **lasting, bank=self.bank_deg or 0.0, **common)


class _FigureEntry(Settings):
    """One figure of the routine as this pilot flies it."""

    pattern: Annotated[str, one_of(*LIBRARY)] | None = None
    entry_speed_kt: _Speed
    entry_speed_gain_kt_per_1000_ft: Annotated[float, number(0, 10, "knots for each 1,000 ft")] = 0.0
    entry_height_ft: Annotated[float, number(1, 40_000, "feet above the field")]
    base_height_ft: Annotated[float, number(1, 40_000, "feet above the field")] | None = None
    entered_inverted: Truth | None = None
    working_g: Annotated[float, number(1.1, 12, "g")] = 4.0
    recovery_g: Annotated[float, number(1.1, 12, "g")] | None = None
    push_g: Annotated[float, number(-12, -0.1, "g, negative")] = -2.5
    float_g: Annotated[float, number(0, 1.5, "g")] = 0.6
    measured_loss_ft: Annotated[float, number(1, 10_000, "feet, as in standard sea level air")] | None = None
    segments: Annotated[tuple[_SegmentEntry, ...], Field(min_length=1)] | None = None
    link_reverses: Truth = False
    link_half_roll: Truth = False
    enters: (
        Annotated[Literal["left_to_right", "right_to_left"], one_of("left_to_right", "right_to_left")] | None
    ) = None

    @model_validator(mode="after")
    def _flown(self) -> _FigureEntry:
        if (self.pattern is None) == (self.segments is None):
            raise mistake("either the pattern of a known figure or segments of your own", "pattern")
        return self

    def figure(self, name: str) -> Figure:
        """Build the figure; raises ValueError where the segments do not follow from one another."""
        numbers: dict[str, Any] = {
            "entry_speed": self.entry_speed_kt * KT,
            "entry_height": self.entry_height_ft * FT,
            "base_height": (self.base_height_ft or self.entry_height_ft) * FT,
            "working_load_factor": self.working_g,
            "recovery_load_factor": self.recovery_g,
            "push_load_factor": self.push_g,
            "float_load_factor": self.float_g,
            "measured_loss": math.nan if self.measured_loss_ft is None else self.measured_loss_ft * FT,
            "entry_speed_gain": self.entry_speed_gain_kt_per_1000_ft * KT / (1000.0 * FT),
        }
        if self.segments is not None:
            return Figure(
                name,
                tuple(entry.segment for entry in self.segments),
                entry_inverted=bool(self.entered_inverted),
                **numbers,
            )
        known = LIBRARY[self.pattern or ""]
        inverted = known.entry_inverted if self.entered_inverted is None else self.entered_inverted
        return replace(known, name=name, entry_inverted=inverted, **numbers)


class Link(NamedTuple):
    """How a figure is reached from the one before: a turn-about, a half roll; and its stated direction.

    The direction is along the line as the crowd sees it, True from left to right; None where none is stated.
    """

    reverses: bool
    half_roll: bool
    enters_rightward: bool | None


@dataclass(frozen=True)
class RunwayBook:
    """The pilot's book distances in standard sea level air without wind, SI, and the factors stated."""

    mass: float
    take_off: float
    landing: float
    lift_off_speed: float
    approach_speed: float
    take_off_factor: float
    landing_factor: float


@dataclass(frozen=True)
class FlightInputs:
    """The aircraft and the figures.

    Attributes
    ----------
    aircraft
        As it flies the show.
    cushions
        What the pilot wants left over.
    figures
        By the name the routine gives them.
    links
        By the same name: how the figure is reached from the one before.
    runway
        Book distances; None where the pilot states none.
    measured
        What the polar can be fitted to; empty where nothing is stated.
    warnings
        Oddities that do not stop the work.
    """

    aircraft: Aircraft
    cushions: Cushions
    figures: Mapping[str, Figure]
    links: Mapping[str, Link]
    runway: RunwayBook | None
    measured: tuple[Measured, ...]
    warnings: tuple[Fault, ...]


def load_flight(
    folder: Path, figure_names: Sequence[str], floor_ft: float, elevations_ft: Sequence[float] = ()
) -> FlightInputs | None:
    """Read the aircraft and the figures of a season folder.

    Parameters
    ----------
    folder
        The season folder.
    figure_names
        Names of the routine's figures; every one needs its entry.
    floor_ft
        The pilot's own lowest height above the field.
    elevations_ft
        Of the season's venues: a height that is one of these, or above it, looks like one above sea level.

    Returns
    -------
    FlightInputs or None
        None where the folder has neither of the two files.

    Raises
    ------
    InputError
        With every mistake in the two files, one a line.
    """
    inputs, _, faults = _read(Path(folder), figure_names, floor_ft, elevations_ft)
    if faults:
        count = "one mistake" if len(faults) == 1 else f"{len(faults)} mistakes"
        raise InputError(
            "\n".join([f"The flight files in {folder} have {count}:", *(f"  {fault}" for fault in faults)])
        )
    return inputs


def season_flight(season: Season) -> FlightInputs | None:
    """The aircraft and every figure of a season's repertoire; None where it has no flight files.

    Raises
    ------
    InputError
        With every mistake in the files.
    """
    names, floor_ft, elevations_ft = _wanted_of(season)
    return _loaded(season.folder, _files(season.folder), tuple(names), floor_ft, tuple(elevations_ft))


def _files(folder: Path) -> tuple[bytes, ...]:
    """Digests of the flight files; nothing for one that is missing or unreadable, which reading tells."""
    digests = []
    for name in ("aircraft.yaml", "figures.yaml"):
        try:
            digests.append(hashlib.sha256((folder / name).read_bytes()).digest())
        except OSError:
            digests.append(b"")
    return tuple(digests)


@lru_cache(maxsize=4)
def _loaded(
    folder: Path,
    files: tuple[bytes, ...],
    names: tuple[str, ...],
    floor_ft: float,
    elevations_ft: tuple[float, ...],
) -> FlightInputs | None:
    """The flight files, read once for all who ask while they stay as they are."""
    return load_flight(folder, names, floor_ft, elevations_ft)


def _wanted_of(season: Season) -> tuple[list[str], float, list[float]]:
    """Figures, floor [ft] and elevations [ft] that a season's flight files are held against."""
    names = [f.name for f in season.routine.repertoire]
    return names, season.pilot.floor_agl_ft, [v.elevation_ft for v in season.venues]


def check_flight(
    folder: Path, figure_names: Sequence[str], *, floor_ft: float, elevations_ft: Sequence[float] = ()
) -> list[Fault]:
    """Every mistake in the flight files of a season folder; empty when they can be used or are not there."""
    return _read(Path(folder), figure_names, floor_ft, elevations_ft)[2]


def flight_mistakes(season: Season) -> tuple[list[Fault], list[Fault]]:
    """Mistakes and warnings of a season's aircraft and figures, and where its full show does not join.

    Every figure of the repertoire is flown in standard sea level air: one that the aircraft cannot fly even
    there is a mistake, one that breaks the pilot's floor is warned of; so is a full show that climbs as high
    as the ceiling at which the act is still comfortable.

    Parameters
    ----------
    season
        The season; one without flight files has neither.
    """
    from pipeline.flight.inhand import flyable, in_hand, story
    from pipeline.flight.routine import join_faults

    full = [season.routine.repertoire[i] for i in season.routine.full]
    inputs, figure_file, faults = _read(season.folder, *_wanted_of(season))
    if inputs is None or figure_file is None:
        return faults, []
    floor = season.pilot.floor_agl_ft * FT
    hand = in_hand(list(inputs.figures.values()), inputs.aircraft, FieldAir(0.0), floor)
    good, odd = flyable(hand, inputs.aircraft), list[Fault]()
    over = np.minimum(hand.height, hand.lowest - floor)
    for i, (name, figure) in enumerate(inputs.figures.items()):
        if not good[i]:
            told = story(figure, hand, inputs.aircraft, (i,))
            wanted = f"a figure that the aircraft can fly in standard sea level air: {told}"
            faults.append(figure_file.fault((name,), wanted))
            continue
        if over[i] < -0.01:
            wanted = (
                f"a figure that keeps the floor: even in standard sea level air it goes "
                f"{math.ceil(-float(over[i]) / FT)} ft under the {floor / FT:g} ft, and so is never flown"
            )
            odd.append(figure_file.fault((name,), wanted))
        spelt_out = figure_file.at((name, "segments")) is not None
        # What a known pattern holds is not the pilot's to mend.
        for k in _ended_before(figure, hand, i) if spelt_out else ():
            wanted = (
                f"an end that is still to come: in standard sea level air the line of segment {k + 1} is at "
                "its end when it begins"
            )
            odd.append(figure_file.fault((name, "segments", k), wanted))
        for k in _out_of_nothing(figure, hand, inputs.aircraft, i):
            key = (name, "segments", k, "own_s") if spelt_out else (name,)
            faults.append(figure_file.fault(key, _ENERGY))
    if faults:
        return faults, list(inputs.warnings)
    try:
        items = routine_items(inputs, [f.name for f in full], [f.seconds for f in full])
    except InputError as error:
        wanted = "figures that the aircraft can fly in the seconds that the routine gives them"
        return [Fault("routine.yaml", None, "figures", str(error).rstrip("."), wanted)], list(inputs.warnings)
    joins = [
        Fault("routine.yaml", None, f"figures[{i}]", text, "figures that join")
        for i, text in join_faults(items, inputs.aircraft)
    ]
    try:
        joins += [
            Fault("routine.yaml", None, f"low_ceiling.figures[{i}]", text, "figures that join")
            for i, text in low_ceiling_faults(season, inputs)
        ]
    except InputError as error:
        wanted = "figures that fit the seconds that the routine gives them"
        joins.append(Fault("routine.yaml", None, "low_ceiling.figures", str(error).rstrip("."), wanted))
    names = list(inputs.figures)
    top = max(float(hand.flown.highest[names.index(f.name)]) for f in full)
    return joins, list(inputs.warnings) + odd + _under_the_top(season, top)


def _under_the_top(season: Season, top: float) -> list[Fault]:
    """Warnings of a comfortable ceiling that is no higher than the full show climbs at sea level [m].

    The chances of a season count the act's minima alone: between these and the show's top they count as flown
    what is out on the day. Down to comfortable that is all of it, below it by the chance between the two.
    """
    found: list[Fault] = []
    places = {"season.yaml": (season.act.ceiling_ft, 0.0)} | {
        f"venues/{venue.id}.yaml": (venue.act.ceiling_ft, season.lift_ft(venue))
        for venue in season.venues
        if venue.act.ceiling_ft is not None
    }
    for file, (stated, lift) in places.items():
        feet = math.ceil(top / FT / 100.0 + lift / 100.0 - 1e-9) * 100
        if stated is None or stated.comfortable > feet:
            continue
        document = read_settings(season.folder / file, file, [])
        wanted = (
            f"more than {feet:,}, and the limit {feet:,}: even in standard sea level air the full show "
            f"climbs to {feet:,} ft above the field and is out on the day under a ceiling as low as that, "
            "but the season's chances know the act's ceilings alone"
        )
        if document is not None:
            key = ("act", "ceiling_ft", "comfortable")
            found.append(document.fault(key, wanted, f"{stated.comfortable:g}"))
    return found


def low_ceiling_faults(season: Season, inputs: FlightInputs) -> list[tuple[int, str]]:
    """Where the low-ceiling show's figures do not join: index of the figure, and the words.

    It may run either way along the line, so directions stated for the full show do not bind it.

    Raises
    ------
    InputError
        When a figure takes longer than the time the routine gives it, or cannot be flown at sea level.
    """
    from pipeline.flight.routine import join_faults

    low = season.routine.low_ceiling
    if low is None:
        return []
    seconds = {f.name: f.seconds for f in season.routine.repertoire}
    items = routine_items(inputs, low.figures, [seconds[name] for name in low.figures], either_way=True)
    return join_faults(items, inputs.aircraft)


_ENERGY = "height and speed after it that the engine's energy can give in that time"


def _ended_before(figure: Figure, hand: InHand, i: int) -> list[int]:
    """Lines to a speed or a height that is there, or passed, when the line begins."""
    found = []
    for k, segment in enumerate(figure.segments):
        if segment.kind == "line" and (segment.speed is not None or segment.height is not None):
            begins, ends = nodes_of(hand.flown.segment[:, i], k)
            if not hand.flown.time[ends, i] > hand.flown.time[begins, i]:
                found.append(k)
    return found


def _out_of_nothing(figure: Figure, hand: InHand, aircraft: Aircraft, i: int) -> list[int]:
    """Own segments that end with more energy than their time at full power gives, in sea level air."""
    climb = float(FieldAir(0.0).power(aircraft)) / aircraft.weight
    energy = hand.flown.height[:, i] + hand.flown.true_airspeed[:, i] ** 2 / (2.0 * GRAVITY)
    found = []
    for k, segment in enumerate(figure.segments):
        if segment.kind == "own":
            begins, ends = nodes_of(hand.flown.segment[:, i], k)
            if energy[ends] - energy[begins] > climb * (segment.seconds or 0.0) + 1.0:
                found.append(k)
    return found


def routine_items(
    inputs: FlightInputs, names: Sequence[str], slot_seconds: Sequence[float], *, either_way: bool = False
) -> list[Item]:
    """Put the figures in the routine's order, with the time between them.

    Parameters
    ----------
    inputs
        The figures.
    names
        In the order flown.
    slot_seconds
        From the start of each figure's entry to the start of the next, as the routine states [s]. What a
        figure itself takes in standard sea level air is taken off; the rest is the link after it.
    either_way
        The list may run either way along the line: directions stated for the full show do not bind it.

    Raises
    ------
    InputError
        When a figure takes longer than the time the routine gives it, or cannot be flown at sea level.
    """
    from pipeline.flight.inhand import in_hand, story
    from pipeline.flight.motion import FAILURES

    flown = in_hand([inputs.figures[name] for name in names], inputs.aircraft, FieldAir(0.0), 0.0)
    items, before = [], 0.0
    for i, name in enumerate(names):
        link = inputs.links[name]
        rightward = None if either_way else link.enters_rightward
        items.append(Item(inputs.figures[name], before, link.reverses, link.half_roll, rightward))
        if flown.failure[i]:
            segment = int(flown.failed_segment[i])
            raise InputError(
                f"{name} cannot be flown even in standard sea level air as figures.yaml and aircraft.yaml "
                f"describe it: {FAILURES[int(flown.failure[i])]}, in segment {segment + 1} "
                f"({inputs.figures[name].segments[segment].kind}). Correct its numbers, or the aircraft's."
            )
        if not flown.entry_reached[i]:
            raise InputError(
                f"{story(inputs.figures[name], flown, inputs.aircraft, (i,))}, as figures.yaml and "
                "aircraft.yaml describe it, in standard sea level air. Correct its numbers or the aircraft's."
            )
        own = float(flown.seconds[i])
        before = slot_seconds[i] - own
        if before < -0.5:
            raise InputError(
                f"The routine gives {name} {slot_seconds[i]:g} s, but as described in figures.yaml it takes "
                f"{own:.0f} s by itself. Lengthen its seconds in routine.yaml, or correct the figure."
            )
        before = max(before, 0.0)
    return [*items[:-1], replace(items[-1], closing_seconds=before)]


def season_pairs(
    season: Season,
    flight: FlightInputs,
    names: Sequence[str],
    seconds: npt.ArrayLike,
    air: FieldAir,
    raised: npt.ArrayLike,
) -> Pairs:
    """Every figure after every other as the pilot flies them, the speed cushion kept: `links.pairs`.

    Parameters
    ----------
    season, flight
        The season and its flight files.
    names, seconds
        Figures, and what the routine gives each until the next one's entry [s].
    air, raised
        As in `links.pairs`.

    Raises
    ------
    InputError
        When a figure takes longer than the time the routine gives it, or cannot be flown at sea level.
    """
    from pipeline.flight.links import pairs

    figures = [flight.figures[name] for name in names]
    try:
        return pairs(
            figures, seconds, flight.aircraft, air, raised=raised, stall_margin=flight.cushions.speed
        )
    except ValueError as error:
        raise InputError(
            f"The figures of {season.folder} do not fit the routine: {error}. Correct figures.yaml, "
            "aircraft.yaml, or the figure's seconds in routine.yaml."
        ) from error


def _read(
    folder: Path, names: Sequence[str], floor_ft: float, elevations_ft: Sequence[float]
) -> tuple[FlightInputs | None, Document | None, list[Fault]]:
    """The flight files as one, the figures' file, and every mistake; neither where there is a mistake."""
    faults: list[Fault] = []
    warnings: list[Fault] = []
    if not any((folder / file).exists() for file in ("aircraft.yaml", "figures.yaml")):
        return None, None, faults
    document = read_settings(folder / "aircraft.yaml", "aircraft.yaml", faults)
    entry = typed(_AircraftEntry, document, faults) if document else None
    aircraft = _aircraft(entry) if entry else None
    figure_file = read_settings(folder / "figures.yaml", "figures.yaml", faults)
    figures: dict[str, Figure] = {}
    links: dict[str, Link] = {}
    if figure_file:
        _read_figures(figure_file, names, aircraft, floor_ft, elevations_ft, figures, links, faults, warnings)
    if faults or entry is None or aircraft is None or document is None:
        return None, None, faults
    measured = _measured(entry.measured, figures, document, faults)
    if faults:
        return None, None, faults
    warnings += _odd_numbers(entry, aircraft, document, elevations_ft)
    warnings += _odd_measured(measured, aircraft, document)
    book = entry.runway
    flight = FlightInputs(
        aircraft=aircraft,
        cushions=Cushions(entry.cushions.height_ft * FT, entry.cushions.speed_kt * KT),
        figures=figures,
        links=links,
        runway=None
        if book is None
        else RunwayBook(
            book.mass_kg,
            book.take_off_ft * FT,
            book.landing_ft * FT,
            book.lift_off_kt * KT,
            book.approach_kt * KT,
            book.take_off_factor,
            book.landing_factor,
        ),
        measured=tuple(m for _, m in measured),
        warnings=tuple(warnings),
    )
    return flight, figure_file, faults


def _odd_numbers(
    entry: _AircraftEntry, aircraft: Aircraft, document: Document, elevations_ft: Sequence[float]
) -> list[Fault]:
    """Cushions that look like a height or an airspeed; a measured entry that looks like one above the sea.

    And speeds off and onto the runway that do not go with the stall: too slow, a headwind shortens the
    distances too much; too fast, a figure straight off the take-off begins with too much. And what a slip of
    the pen or another unit leaves within its range: cushions of nothing, distances shorter than can be, a
    manoeuvring speed far from the stall times the root of the limit load, power that grows as the air thins.
    """
    odd: list[Fault] = []
    stall = float(stall_speed(aircraft)) / KT
    for key, left in (("height_ft", "the floor"), ("speed_kt", "the stall")):
        if getattr(entry.cushions, key) == 0:
            words = f"something left over: with none, every limit and gate reaches down to {left} itself"
            odd.append(document.fault(("cushions", key), words))
    if entry.cushions.speed_kt >= stall:
        words = f"a speed over the stall; as much as the stall itself, {stall:.0f} kt, looks like an airspeed"
        odd.append(document.fault(("cushions", "speed_kt"), words))
    if entry.runway is not None:
        slowest = stall * math.sqrt(entry.runway.mass_kg / aircraft.mass)
        short = _short_distances(entry.runway, aircraft)
        for key, distance in (("lift_off_kt", "take_off_ft"), ("approach_kt", "landing_ft")):
            if not slowest <= getattr(entry.runway, key) <= 2.0 * slowest:
                words = f"a speed from the stall at mass_kg, by the polar {slowest:.0f} kt, to twice that"
                odd.append(document.fault(("runway", key), words))
            elif distance in short:
                odd.append(document.fault(("runway", distance), short[distance]))
    corner = float(corner_speed(aircraft)) / KT
    if not _MANOEUVRING[0] * corner <= entry.manoeuvring_kt <= _MANOEUVRING[1] * corner:
        words = (
            f"a speed near {corner:.0f} kt, the stall by the polar times the root of max_g, or a mass, wing "
            "area, max_lift or max_g that goes with it"
        )
        odd.append(document.fault(("manoeuvring_kt",), words))
    rows = entry.engine.table or ()
    for i, row in enumerate(rows):
        if row.hp > _MOST_RISE * min((before.hp for before in rows[:i]), default=math.inf):
            words = (
                "no more power than in denser air, but for the little that a blown engine gains to its height"
            )
            odd.append(document.fault(("engine", "table", i, "hp"), words))
    heights: list[tuple[tuple[str, ...], float | None, float]] = [
        (("cushions", "height_ft"), entry.cushions.height_ft, _lowest_high(elevations_ft))
    ]
    if entry.measured is not None and entry.measured.loop is not None:
        loop = entry.measured.loop
        heights.append(
            (("measured", "loop", "entry_height_ft"), loop.entry_height_ft, loop.pressure_altitude_ft)
        )
    for place, height, elevation in heights:
        words = "" if height is None else height_warning(height, elevation, 0.0)
        if words:
            odd.append(document.fault(place, words))
    return odd


def _short_distances(book: _RunwayEntry, aircraft: Aircraft) -> dict[str, str]:
    """Book distances that no such propeller and no brakes give, in metres maybe: what is wanted, by key."""
    least = {
        "take_off_ft": least_run(aircraft, book.mass_kg, book.lift_off_kt * KT) / FT,
        "landing_ft": (book.approach_kt * KT) ** 2 / (2.0 * _HARDEST_BRAKING * GRAVITY) / FT,
    }
    why = {
        "take_off_ft": "full thrust takes to the lift-off speed without any drag",
        "landing_ft": f"{_HARDEST_BRAKING:g} g of braking takes from the approach speed",
    }
    return {
        key: f"feet, and more than the {feet:.0f} ft that {why[key]}"
        for key, feet in least.items()
        if getattr(book, key) < feet
    }


def _lowest_high(elevations_ft: Sequence[float]) -> float:
    """Elevation [ft] from which on a height above ground looks like one above sea level; 0 for none."""
    return min((e for e in elevations_ft if e >= 800.0), default=0.0)


def _aircraft(entry: _AircraftEntry) -> Aircraft:
    return Aircraft(
        name=entry.name,
        mass=entry.mass.total,
        wing_area=entry.wing_area_m2,
        zero_lift_drag=entry.polar.zero_lift_drag,
        induced_drag_factor=entry.polar.induced_drag_factor,
        max_lift=entry.polar.max_lift,
        max_lift_inverted=entry.polar.max_lift_inverted,
        max_load_factor=entry.load_factor.max_g,
        min_load_factor=entry.load_factor.min_g,
        never_exceed_speed=entry.never_exceed_kt * KT,
        manoeuvring_speed=entry.manoeuvring_kt * KT,
        engine=entry.engine.engine,
        propeller_diameter=entry.propeller.diameter_m,
        propeller_efficiency=entry.propeller.efficiency,
        propeller_speed=entry.propeller.rpm / 60.0,
        category_speed=float("nan") if entry.category_ceiling_kt is None else entry.category_ceiling_kt * KT,
    )


def _read_figures(
    document: Document,
    names: Sequence[str],
    aircraft: Aircraft | None,
    floor_ft: float,
    elevations_ft: Sequence[float],
    figures: dict[str, Figure],
    links: dict[str, Link],
    faults: list[Fault],
    warnings: list[Fault],
) -> None:
    if not isinstance(document.value, dict) or not document.value:
        faults.append(document.fault((), "the routine's figures by name, each with its numbers"))
        return
    for name in names:
        if name not in document.value:
            wanted = f"an entry for the routine's figure {name!r}{nearest(name, document.value)}"
            faults.append(document.fault((), wanted, "no such entry"))
    for name in document.value:
        if name not in names:
            wanted = f"the name of a figure in routine.yaml{nearest(name, names)}"
            faults.append(document.fault((name,), wanted, "a figure that the routine does not have"))
        entry = typed(_FigureEntry, document, faults, (name,))
        if entry is None:
            continue
        try:
            figure = entry.figure(name)
            steps(figure)
        except ValueError as error:
            key = "segments" if entry.segments is not None else "pattern"
            faults.append(document.fault((name, key), f"a figure that can be flown: {error}"))
            continue
        figures[name] = figure
        links[name] = Link(
            entry.link_reverses,
            entry.link_half_roll,
            None if entry.enters is None else entry.enters == "left_to_right",
        )
        if aircraft is not None:
            for key, words in figure_faults(figure, aircraft):
                place = (name, *_key_path(key, entry.segments is not None))
                faults.append(document.fault(place, f"what the aircraft allows: {words}"))
        lowest = _lowest_high(elevations_ft)
        heights: list[tuple[tuple[str | int, ...], float | None]] = [
            (("entry_height_ft",), entry.entry_height_ft),
            (("base_height_ft",), entry.base_height_ft),
            *(
                (("segments", i, "line_to_height_ft"), segment.line_to_height_ft)
                for i, segment in enumerate(entry.segments or ())
            ),
        ]
        for place, height in heights:
            if height is None:
                continue
            words = height_warning(height, lowest, floor_ft)
            if "below the floor" in words or height > 5000.0:
                faults.append(document.fault((name, *place), words))
            elif words:
                warnings.append(document.fault((name, *place), words))


def _key_path(key: str, spelt_out: bool) -> tuple[str | int, ...]:
    if not key.startswith("segments["):
        return (key,)
    if not spelt_out:
        return ("pattern",)
    index, _, rest = key.removeprefix("segments[").partition("]")
    return ("segments", int(index), *filter(None, [rest.removeprefix(".")]))


def _measured(
    entry: _MeasuredEntry | None, figures: Mapping[str, Figure], document: Document, faults: list[Fault]
) -> list[tuple[str, Measured]]:
    """What was measured, each with its key under measured."""
    if entry is None:
        return []
    sea_level = FieldAir(0.0)
    result: list[tuple[str, Measured]] = []
    if entry.level_top_speed_kt is not None:
        result.append(("level_top_speed_kt", level_speed(entry.level_top_speed_kt * KT, sea_level)))
    if entry.rate_of_climb_fpm is not None:
        result.append(("rate_of_climb_fpm", rate_of_climb(entry.rate_of_climb_fpm * FT / 60.0, sea_level)))
    if entry.best_glide is not None:
        result.append(("best_glide", glide(entry.best_glide)))
    if entry.loop is not None:
        if entry.loop.figure not in figures:
            wanted = f"the name of a figure in figures.yaml{nearest(entry.loop.figure, figures)}"
            faults.append(document.fault(("measured", "loop", "figure"), wanted))
        else:
            air = FieldAir(entry.loop.density_altitude_ft * FT, entry.loop.pressure_altitude_ft * FT)
            flown = loop(
                figures[entry.loop.figure],
                air,
                apex_gain=entry.loop.apex_gain_ft * FT,
                apex_speed=entry.loop.apex_speed_kt * KT,
                exit_speed=entry.loop.exit_speed_kt * KT,
                entry_speed=None if entry.loop.entry_speed_kt is None else entry.loop.entry_speed_kt * KT,
                entry_height=None if entry.loop.entry_height_ft is None else entry.loop.entry_height_ft * FT,
            )
            keys = ("loop.apex_gain_ft", "loop.apex_speed_kt", "loop.exit_speed_kt")
            result += zip(keys, flown, strict=True)
    if entry.vertical_line is not None:
        line = entry.vertical_line
        result.append(
            (
                "vertical_line.gain_ft",
                vertical_line(
                    line.gain_ft * FT,
                    FieldAir(line.density_altitude_ft * FT, line.pressure_altitude_ft * FT),
                    entry_speed=line.entry_speed_kt * KT,
                    end_speed=line.end_speed_kt * KT,
                    load_factor=line.g,
                ),
            )
        )
    if 0 < len(result) < 3:
        faults.append(document.fault(("measured",), "three numbers or more, since three are fitted"))
    return result


def _odd_measured(
    measured: Sequence[tuple[str, Measured]], aircraft: Aircraft, document: Document
) -> list[Fault]:
    """Warnings of measured numbers that the aircraft cannot do, or misses by half: in another unit, say."""
    units = {"speed": ("kt", KT), "rate": ("ft/min", FT / 60.0), "height": ("ft", FT), "ratio": ("", 1.0)}
    odd = []
    for (key, _), misfit in zip(measured, misfits(aircraft, [m for _, m in measured]), strict=True):
        name, unit = units[misfit.quantity]
        words = ""
        if not math.isfinite(misfit.fitted):
            words = "a number for what the aircraft as described can fly; it cannot fly this"
        elif not misfit.fitted <= 1.5 * misfit.measured <= 2.25 * misfit.fitted:
            gives = f"{misfit.fitted / unit:.4g} {name}"
            words = f"a number nearer to what the aircraft as described gives, {gives}"
        if words:
            odd.append(document.fault(("measured", *key.split(".")), words.rstrip()))
    return odd
