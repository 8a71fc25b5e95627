"""Energy through a routine: height and speed in hand figure by figure, and the climbing that mends it.

Each figure has a planned entry: a height and an airspeed, hence an energy height h + V²/2g. It spends some
of it; the links between figures give some back. Thin air takes on both sides: the same airspeed costs more
energy, every figure spends more, and the engine returns it more slowly.

Energy above a planned entry is not carried along: the throttle or the height is given up, since known entry
numbers are sacred. Energy short of it is carried to the next figure, until a climb mends it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import DENSITY_0, GRAVITY
from pipeline.air.variables import FT, KT
from pipeline.flight.aircraft import Aircraft, FieldAir, best_climb, specific_excess_power
from pipeline.flight.figures import Figure
from pipeline.flight.inhand import InHand, in_hand, sound
from pipeline.flight.motion import entry_speed_at
from pipeline.flight.runway import dive

__all__ = [
    "LEG_SECONDS",
    "LINK_LOAD_FACTOR",
    "Item",
    "RoutineEnergy",
    "climb",
    "join_faults",
    "link_energy",
    "over_slot",
    "routine_energy",
    "whole_legs",
]

FloatArray = npt.NDArray[np.floating]

_DIVE_ANGLE = 30.0  # degrees; common practice, no source
SPEED_STEP = 15.0 * KT
"""Speed that cannot be made up without time between two figures [m/s]."""
HEIGHT_STEP = 100.0 * FT
"""Height that cannot be climbed without time between two figures [m]; common practice, no source."""
LINK_LOAD_FACTOR = 1.2
"""Mean load factor on the links, which hold a turn: common practice, no source."""
LEG_SECONDS = 25.0
"""Length of one climbing leg before the box makes the pilot turn [s]: common practice, no source."""


@dataclass(frozen=True)
class Item:
    """A figure in its place, and how it is reached from the one before.

    Attributes
    ----------
    figure
        As flown.
    link_seconds
        From the end of the figure before to this entry [s].
    link_reverses
        A turn-about on the link.
    link_half_roll
        A half roll on the link.
    enters_rightward
        Direction of the entry along the line as the crowd sees it; None where the routine does not say.
    closing_seconds
        What the routine has after it, where it is the last [s].
    """

    figure: Figure
    link_seconds: float = 0.0
    link_reverses: bool = False
    link_half_roll: bool = False
    enters_rightward: bool | None = None
    closing_seconds: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a link that takes less than no time."""
        if not (self.link_seconds >= 0 and self.closing_seconds >= 0):
            raise ValueError(f"what lies before and after {self.figure.name!r} must not take negative time")


@dataclass(frozen=True)
class RoutineEnergy:
    """The routine in each case of the air; arrays (figures, *cases) unless said otherwise.

    Attributes
    ----------
    hand
        What is in hand in each figure from its planned entry.
    sound
        Whether the figure, from its planned entry, is flown as `inhand.sound` wants it.
    planned_energy
        Energy height of the planned entry [m].
    given_back
        Energy height that the link before each figure gives [m].
    short
        Energy height missing at each entry if nothing is mended [m].
    height_in_hand
        If nothing is mended and the entry speed is kept: the missing energy is missing height [m].
    entry_speed_short
        The same the other way: airspeed missing if the entry height is kept [m/s, equivalent].
    climb_seconds
        Extra climbing before each figure that mends it [s]; inf where the aircraft cannot climb, or where no
        dive reaches the entry speed.
    climb_legs
        The same in whole legs.
    leg_seconds
        Of one leg [s].
    figure_seconds, link_seconds
        [s].
    climbing_seconds
        All the extra climbs, in whole legs, (*cases) [s].
    total_seconds
        With the climbs in whole legs, to the end of the last figure's time, (*cases) [s].
    first_break
        Index of the first figure that breaks the floor or cannot be entered at its speed above the floor,
        if nothing is mended; -1 where none does, (*cases).
    breaks
        What that figure breaks: "", "cannot be flown", "entry speed", "never-exceed speed" or "speed
        category" (whichever is lower), "stall" (the wing is asked for more than it has)
        or "floor", (*cases).
    """

    hand: InHand
    sound: npt.NDArray[np.bool_]
    planned_energy: FloatArray
    given_back: FloatArray
    short: FloatArray
    height_in_hand: FloatArray
    entry_speed_short: FloatArray
    climb_seconds: FloatArray
    climb_legs: FloatArray
    leg_seconds: float
    figure_seconds: FloatArray
    link_seconds: FloatArray
    climbing_seconds: FloatArray
    total_seconds: FloatArray
    first_break: npt.NDArray[np.integer]
    breaks: npt.NDArray[np.str_]

    def over_slot(self, slot_seconds: npt.ArrayLike) -> FloatArray:
        """Seconds by which the mended routine is longer than its slot, as `over_slot`, (*cases)."""
        return over_slot(self.total_seconds, slot_seconds)


def over_slot(seconds: npt.ArrayLike, slot_seconds: npt.ArrayLike) -> FloatArray:
    """Seconds by which a routine is longer than its slot; negative when shorter.

    Zero where it fills the slot but for the last digits.
    """
    over = np.asarray(seconds, dtype=float) - np.asarray(slot_seconds, dtype=float)
    return np.where(np.abs(over) <= 1e-6, 0.0, over)


def _attitude(inverted: bool) -> str:
    return "inverted" if inverted else "upright"


def _side(rightward: bool) -> str:
    return "left to right" if rightward else "right to left"


def join_faults(items: Sequence[Item], aircraft: Aircraft) -> list[tuple[int, str]]:
    """Where a routine's figures do not join: index of the figure, and the words.

    Checked are attitude, direction along the line, and, where no time lies between two figures, speed and
    height, in standard sea level air.
    """
    faults: list[tuple[int, str]] = []
    if not items:
        return faults
    hand = in_hand([item.figure for item in items], aircraft, FieldAir(0.0), 0.0)
    rightward = _first_direction(items)
    for i, item in enumerate(items):
        figure = item.figure
        if i:
            before = items[i - 1].figure
            rightward = rightward != before.reverses
            rightward = rightward != item.link_reverses
            inverted = before.exit_inverted != item.link_half_roll
            if inverted != figure.entry_inverted:
                faults.append(
                    (
                        i,
                        f"{figure.name} is entered {_attitude(figure.entry_inverted)} but {before.name} and "
                        f"the link after it end {_attitude(inverted)}; add or take away a half roll",
                    )
                )
            if item.link_seconds == 0 and hand.failure[i - 1] == 0:
                speed, height = float(hand.exit_speed[i - 1]), float(hand.exit_height[i - 1])
                # Compare energies, so that a height above the entry may stand for speed.
                surplus = (speed**2 - figure.entry_speed**2) / (2 * GRAVITY) + height - figure.entry_height
                slow = abs(speed - figure.entry_speed) > SPEED_STEP and surplus < 0
                if slow or height < figure.entry_height - HEIGHT_STEP:
                    faults.append(
                        (
                            i,
                            f"{before.name} ends at {speed / KT:.0f} kt and {height / FT:.0f} ft, and "
                            f"{figure.name} is entered at {figure.entry_speed / KT:.0f} kt and "
                            f"{figure.entry_height / FT:.0f} ft with no time between; add a link",
                        )
                    )
            if item.enters_rightward is not None and item.enters_rightward != rightward:
                faults.append(
                    (
                        i,
                        f"{figure.name} should enter {_side(item.enters_rightward)}, but {before.name} and "
                        f"the link after it leave the aircraft flying {_side(rightward)}",
                    )
                )
    return faults


def _first_direction(items: Sequence[Item]) -> bool:
    """Direction of the first entry, from the first figure that states one; else left to right."""
    same = True
    for i, item in enumerate(items):
        if i:
            same = (same != items[i - 1].figure.reverses) != item.link_reverses
        if item.enters_rightward is not None:
            return item.enters_rightward == same
    return True


def climb(
    aircraft: Aircraft, air: FieldAir, height: npt.ArrayLike, speed: npt.ArrayLike, load_factor: float
) -> tuple[FloatArray, FloatArray]:
    """Best speed to climb at [m/s, equivalent], and the rate there [m/s], on the way to an entry.

    The climb ends where the dive to the entry's height [m] and speed [m/s, equivalent] begins. Its rate is
    taken there, where the air is thinnest: lower down it is better, and no climb takes longer than is said.
    """
    _, climbing = best_climb(aircraft, air, height)
    lost, _ = dive(aircraft, air, climbing, speed, _DIVE_ANGLE, height)
    top = np.asarray(height, dtype=float) + lost
    _, climbing = best_climb(aircraft, air, top)
    return climbing, specific_excess_power(aircraft, air, climbing, load_factor, top)


def link_energy(
    aircraft: Aircraft,
    air: FieldAir,
    seconds: npt.ArrayLike,
    before: npt.ArrayLike,
    height: npt.ArrayLike,
    speed: npt.ArrayLike,
    climbing: npt.ArrayLike,
    rise: npt.ArrayLike,
) -> FloatArray:
    """Energy height [m] that a link before an entry gives back.

    A link is a climb at the best speed for it; before that the zoom from what the figure before left, and at
    its end the dive to the entry's speed.

    Parameters
    ----------
    aircraft, air
        What is flown, and in what.
    seconds
        Of the link [s].
    before
        Equivalent airspeed at the end of the figure before [m/s].
    height, speed
        Of the entry: above the field [m], equivalent airspeed [m/s].
    climbing, rise
        As `climb` gives them.
    """
    links, entry = np.asarray(seconds, dtype=float), np.asarray(speed, dtype=float)
    slow, left = np.asarray(climbing, dtype=float), np.asarray(before, dtype=float)

    def straight(start: FloatArray, end: FloatArray, angle: float) -> tuple[FloatArray, FloatArray]:
        lost, taken = dive(aircraft, air, start, end, angle, height)
        gained = (end**2 - start**2) * DENSITY_0 / air.density(height) / (2.0 * GRAVITY)
        return np.asarray(np.where(taken == 0.0, 0.0, gained - lost)), taken

    def share(there: FloatArray, wanted: FloatArray) -> FloatArray:
        return np.asarray(
            np.where(wanted > 0, np.minimum(there / np.where(wanted > 0, wanted, 1.0), 1.0), 1.0)
        )

    in_dive, diving = straight(slow, entry, _DIVE_ANGLE)
    # With power enough to climb so steeply without slowing, no zoom costs anything.
    in_zoom, zooming = (np.nan_to_num(x) for x in straight(left, slow, -_DIVE_ANGLE))
    # A link too short for the whole dive holds its share of it, and the zoom has what is left.
    rest = np.maximum(links - diving, 0.0)
    return np.asarray(
        np.maximum(rest - zooming, 0.0) * np.asarray(rise)
        + share(links, diving) * in_dive
        + share(rest, zooming) * in_zoom
    )


def whole_legs(seconds: npt.ArrayLike, leg_seconds: float) -> FloatArray:
    """Climbing [s] in whole legs.

    A leg once begun is flown to its end: the box turns the pilot round there, not earlier.
    """
    return np.asarray(np.maximum(np.ceil(np.asarray(seconds) / leg_seconds - 1e-9), 0.0))


def routine_energy(
    items: Sequence[Item],
    aircraft: Aircraft,
    air: FieldAir,
    floor: float,
    *,
    stall_margin: float = 0.0,
    link_load_factor: float = LINK_LOAD_FACTOR,
    leg_seconds: float = LEG_SECONDS,
) -> RoutineEnergy:
    """Fly the routine in each case of the air.

    Parameters
    ----------
    items
        The figures in order. The first is entered as planned.
    aircraft, air
        What is flown, and in what.
    floor
        Authorised lowest height above the field [m].
    stall_margin
        As in `fly`; the pilot's speed cushion belongs here.
    link_load_factor
        Mean load factor on the links.
    leg_seconds
        Length of one climbing leg [s].

    Raises
    ------
    ValueError
        When there are no figures, or figures do not join; the text names the places.
    """
    if not items:
        raise ValueError("a routine needs at least one figure")
    faults = join_faults(items, aircraft)
    if faults:
        raise ValueError("; ".join(f"figure {i + 1}: {text}" for i, text in faults))
    figures = [item.figure for item in items]
    shape = air.shape
    column = (len(figures),) + (1,) * len(shape)
    hand = in_hand(figures, aircraft, air, floor, stall_margin=stall_margin)

    height = np.array([f.entry_height for f in figures]).reshape(column)
    speed = np.stack([np.broadcast_to(entry_speed_at(f, air.density_altitude), shape) for f in figures])
    density = np.broadcast_to(air.density(height), (len(figures), *shape))
    true_airspeed = speed * np.sqrt(DENSITY_0 / density)
    planned = height + true_airspeed**2 / (2.0 * GRAVITY)
    ends = planned - hand.energy_height_spent

    links = np.array([item.link_seconds for item in items]).reshape(column)
    # The extra climbing that mends an entry is flown as the links are.
    climbing_speed, rate = climb(aircraft, air, height, speed, link_load_factor)
    before = np.concatenate([speed[:1], hand.exit_speed[:-1]])
    given = link_energy(aircraft, air, links, before, height, speed, climbing_speed, rate)
    given = np.where(np.arange(len(figures)).reshape(column) > 0, given, 0.0)

    short = np.zeros_like(planned)
    mend = np.zeros_like(planned)
    for i in range(1, len(figures)):
        left = ends[i - 1] + given[i]
        mend[i] = np.maximum(planned[i] - left, 0.0)
        short[i] = np.maximum(planned[i] - (left - short[i - 1]), 0.0)

    seconds = np.where(mend > 0, np.where(rate > 0, mend / np.where(rate > 0, rate, 1.0), np.inf), 0.0)
    # No climb mends an entry that no dive reaches.
    seconds = np.where(np.isnan(mend), np.inf, seconds)
    in_height = hand.height - short
    slower = np.sqrt(np.maximum(true_airspeed**2 - 2.0 * GRAVITY * short, 0.0))

    lowest = np.minimum(hand.lowest - floor - short, in_height)
    # Such an entry has no number: it is no entry, not one without a fault.
    reached = np.isfinite(short) & np.isfinite(given) & hand.entry_reached
    with np.errstate(invalid="ignore"):
        kinds = np.select(
            [
                hand.failure != 0,
                ~reached | (height - short < floor),
                ~aircraft.allows(hand.fastest),
                ~(hand.speed >= 0),
                ~(lowest >= 0),
            ],
            ["cannot be flown", "entry speed", aircraft.greatest_speed_name, "stall", "floor"],
            "",
        )
    broken = kinds != ""
    first = np.where(np.any(broken, axis=0), np.argmax(broken, axis=0), -1)
    what = np.take_along_axis(kinds, np.maximum(first, 0)[None], 0)[0]
    links = np.broadcast_to(links, planned.shape)
    legs = whole_legs(seconds, leg_seconds)
    climbing = np.sum(leg_seconds * legs, axis=0)
    flown = np.sum(hand.seconds + links, axis=0) + items[-1].closing_seconds
    return RoutineEnergy(
        hand=hand,
        sound=sound(hand, aircraft, floor),
        planned_energy=planned,
        given_back=given,
        short=short,
        height_in_hand=np.asarray(in_height),
        entry_speed_short=np.asarray(speed - slower * np.sqrt(density / DENSITY_0)),
        climb_seconds=seconds,
        climb_legs=legs,
        leg_seconds=leg_seconds,
        figure_seconds=hand.seconds,
        link_seconds=links,
        climbing_seconds=np.asarray(climbing),
        total_seconds=np.asarray(flown + climbing),
        first_break=np.asarray(first),
        breaks=np.asarray(np.where(first >= 0, what, "")),
    )
