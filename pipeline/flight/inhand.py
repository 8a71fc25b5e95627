"""What is in hand in a figure against density altitude: height, speed, time, ground; gates; derived limits.

Height in hand is what a recovery at the pilot's full working load factor would leave above the floor; a
figure without a recovery has its lowest height instead. Speed in hand is the least that the slowest point,
and every float and held path, has over the stall at the load factor there; below zero, the wing cannot give
it. The pilot is taken to ease every pull so as to keep the speed cushion: what that costs is height, and in
the end the way over the top.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import DENSITY_0
from pipeline.air.variables import FT, KT
from pipeline.flight.aircraft import Aircraft, FieldAir, stall_speed, top_speed
from pipeline.flight.figures import Figure, steps
from pipeline.flight.motion import FAILURES, OFF_TABLE, Flown, entry_speed_at, fly, nodes_of
from pipeline.flight.runway import acceleration, climb_out_speed, dive

__all__ = [
    "BITES",
    "MISSES",
    "Cushions",
    "DerivedLimit",
    "Gate",
    "InHand",
    "Sheet",
    "apex_gate_height",
    "apex_gates",
    "derived_da_limit",
    "derived_da_limits",
    "dive_to_entry",
    "drift",
    "entry_gate",
    "figure_faults",
    "flyable",
    "governing_limit",
    "in_hand",
    "off_take_off",
    "sheet",
    "sound",
    "story",
    "verdict",
]

FloatArray = npt.NDArray[np.floating]

BITES = (
    "height in hand",
    "speed in hand",
    "floor",
    "never-exceed speed",
    "speed category",
    "entry speed never reached",
    "engine's power table ends",
    "cannot be flown",
)
"""What can use up a figure, in the order in which ties are told."""

_EASED = 1e-6  # m/s; a pull eased at the slowest point has the cushion to the last digit, and nothing more
_FINER = 16
_STEEPEST_DIVE = 45.0  # degrees; a figure whose speed this cannot give is out: common practice, no source


@dataclass(frozen=True)
class Cushions:
    """What the pilot wants left over.

    Attributes
    ----------
    height
        Above the floor at the bottom of a recovery at the full working load factor [m]; figures without a
        recovery need only keep the floor.
    speed
        Over the loaded stall wherever that is judged, equivalent airspeed [m/s].
    """

    height: float
    speed: float

    def __post_init__(self) -> None:
        """Refuse cushions below zero."""
        if not (self.height >= 0 and self.speed >= 0):
            raise ValueError("cushions must not be negative")


@dataclass(frozen=True)
class InHand:
    """What is in hand, arrays (figures, *cases) or (*cases); NaN where the figure could not be flown.

    Attributes
    ----------
    height
        Height in hand above the floor [m].
    speed
        Least speed in hand over the loaded stall, at the slowest point or on a float or held path [m/s]; inf
        for a figure that is all stalled or vertical flying and recoveries.
    lowest, highest
        Heights above the field as flown [m].
    greatest_load_factor, least_load_factor
        [1].
    fastest
        Greatest equivalent airspeed [m/s].
    energy_height_spent
        [m].
    seconds
        [s].
    ground_covered
        Along the show line in still air [m].
    exit_speed, exit_height
        Equivalent airspeed [m/s] and height above the field [m] at the end.
    entry_reached
        Whether the planned entry speed can be had at all, in a full-power dive at 45 degrees if need be.
    failure, failed_segment
        As in `Flown`.
    flown
        The paths themselves.
    """

    height: FloatArray
    speed: FloatArray
    lowest: FloatArray
    highest: FloatArray
    greatest_load_factor: FloatArray
    least_load_factor: FloatArray
    fastest: FloatArray
    energy_height_spent: FloatArray
    seconds: FloatArray
    ground_covered: FloatArray
    exit_speed: FloatArray
    exit_height: FloatArray
    entry_reached: npt.NDArray[np.bool_]
    failure: npt.NDArray[np.integer]
    failed_segment: npt.NDArray[np.integer]
    flown: Flown


def in_hand(
    figures: Figure | Sequence[Figure],
    aircraft: Aircraft,
    air: FieldAir,
    floor: npt.ArrayLike,
    *,
    entry_speed: npt.ArrayLike | None = None,
    entry_height: npt.ArrayLike | None = None,
    raised: npt.ArrayLike = 0.0,
    meet_base: bool = True,
    stall_margin: float = 0.0,
) -> InHand:
    """Fly figures and say what is in hand.

    Parameters
    ----------
    figures
        One figure, or several (first axis of the result).
    aircraft, air
        What is flown, and in what; the air's shape is the cases.
    floor
        The pilot's authorised lowest height, above the field [m].
    entry_speed, entry_height
        As in `fly`; a speed that is given is taken as had.
    raised
        As in `fly`.
    meet_base, stall_margin
        As in `fly`; the heights and speeds in hand of a figure with one recovery do not depend on it.
    """
    flown = fly(
        figures,
        aircraft,
        air,
        entry_speed=entry_speed,
        entry_height=entry_height,
        raised=raised,
        meet_base=meet_base,
        stall_margin=stall_margin,
    )
    floor = np.asarray(floor, dtype=float)
    lowest = flown.lowest
    bottom = np.where(np.isinf(flown.full_pull_bottom), lowest, flown.full_pull_bottom)
    bottom = np.where(flown.failure == 0, bottom, np.nan)
    single = isinstance(figures, Figure)
    for f, figure in enumerate([figures] if isinstance(figures, Figure) else figures):
        if not np.isfinite(figure.measured_loss):
            continue
        # Where the pilot has measured more than is reckoned, that is what is lost below each apex.
        lost = figure.measured_loss * DENSITY_0 / air.density(0.0)
        mine: tuple[int, ...] = () if single else (f,)
        for index in figure.gate_segments:
            node, _ = nodes_of(flown.segment if single else flown.segment[:, f], index)
            bottom[mine] = np.minimum(bottom[mine], flown.height[node][mine] - lost)
    return InHand(
        height=np.asarray(bottom - floor),
        speed=np.where(flown.failure == 0, -flown.greatest(-_speeds_in_hand(flown, aircraft)), np.nan),
        lowest=lowest,
        highest=flown.highest,
        greatest_load_factor=np.asarray(np.max(flown.load_factor, axis=0)),
        least_load_factor=np.asarray(np.min(flown.load_factor, axis=0)),
        fastest=flown.fastest,
        energy_height_spent=flown.energy_height_spent,
        seconds=flown.seconds,
        ground_covered=flown.ground_covered,
        exit_speed=np.asarray(flown.equivalent_airspeed[-1]),
        exit_height=np.asarray(flown.height[-1]),
        entry_reached=(
            _entry_reached(flown, aircraft, air) if entry_speed is None else np.ones(lowest.shape, dtype=bool)
        ),
        failure=flown.failure,
        failed_segment=flown.failed_segment,
        flown=flown,
    )


def _entry_reached(flown: Flown, aircraft: Aircraft, air: FieldAir) -> npt.NDArray[np.bool_]:
    """Whether a dive still accelerates at the entry speed: drag only grows from level top speed to there."""
    height = flown.height[0]
    density = air.density(height)
    entry = flown.equivalent_airspeed[0] * np.sqrt(DENSITY_0 / density)
    sine = -np.sin(np.radians(_STEEPEST_DIVE))
    return np.asarray(acceleration(aircraft, air.power(aircraft, height), density, entry, sine) > 0.1)


def _speeds_in_hand(flown: Flown, aircraft: Aircraft) -> FloatArray:
    """Airspeed less loaded stall at each node where that is judged [m/s], inf elsewhere.

    A pull is judged where the figure is slowest: it is eased, and there a cushion kept only so is used up.
    Floats and held paths cannot be eased, and are judged all along.
    """
    extra = (1,) * (flown.equivalent_airspeed.ndim - flown.counts.ndim)
    counts, holds = (a.reshape(a.shape + extra) for a in (flown.counts, flown.holds))
    counted = np.where(counts, flown.equivalent_airspeed, np.inf)
    judged = counts & (holds | (counted == np.min(counted, axis=0)))
    over = flown.equivalent_airspeed - stall_speed(aircraft, flown.judged_load_factor)
    return np.where(judged, over, np.inf)


def drift(flown: Flown, wind_speed: npt.ArrayLike, exponent: float = 1.0 / 7.0) -> FloatArray:
    """Distance [m] that a wind component across (or along) the line carries the figure.

    Parameters
    ----------
    flown
        The figure's paths.
    wind_speed
        Component at 10 m above the ground [m/s], with its sign; broadcasts with the cases.
    exponent
        Of the power-law wind profile; 0 for the same wind at all heights, 1/7 by default (from memory: the
        neutral profile over open ground; on hot afternoons the wind varies less with height, and 1/7 errs
        to the cautious side).
    """
    profile = (np.maximum(flown.height, 10.0) / 10.0) ** exponent
    steps = np.diff(flown.time, axis=0)
    carried = np.sum(0.5 * (profile[1:] + profile[:-1]) * steps, axis=0)
    return np.asarray(np.asarray(wind_speed, dtype=float) * carried)


def figure_faults(figure: Figure, aircraft: Aircraft) -> list[tuple[str, str]]:
    """What in a figure's numbers the aircraft forbids: the key of the number, and the words.

    Limits of structure and speed only; whether the wing and the engine can fly it is for `story`.
    """
    faults = []
    if figure.entry_speed > aircraft.never_exceed_speed:
        faults.append(
            (
                "entry_speed_kt",
                f"an entry speed of {figure.entry_speed / KT:.0f} kt is above the never-exceed speed, "
                f"{aircraft.never_exceed_speed / KT:.0f} kt",
            )
        )
    # Missing (NaN) where the paperwork names no category.
    if figure.entry_speed > aircraft.category_speed:
        faults.append(
            (
                "entry_speed_kt",
                f"an entry speed of {figure.entry_speed / KT:.0f} kt is above the display's speed category, "
                f"{aircraft.category_speed / KT:.0f} kt",
            )
        )
    loads = [("working_g", figure.working_load_factor), ("push_g", figure.push_load_factor)]
    if figure.recovery_load_factor is not None:
        loads.append(("recovery_g", figure.recovery_load_factor))
    loads += [
        (f"segments[{i}].g", segment.load_factor)
        for i, segment in enumerate(figure.segments)
        if segment.load_factor is not None
    ]
    uses = {"working_g": {"pull_to", "recover"}, "push_g": {"push_to"}, "recovery_g": {"recover"}}
    kinds = {segment.kind for segment in figure.segments} | (
        {"push_to"} if any(segment.push for segment in figure.segments) else set()
    )
    for key, load in loads:
        if key in uses and not uses[key] & kinds:
            continue
        if not aircraft.min_load_factor <= load <= aircraft.max_load_factor:
            faults.append(
                (
                    key,
                    f"{load:+.1f} g is outside the aircraft's limits, {aircraft.min_load_factor:+.1f} to "
                    f"{aircraft.max_load_factor:+.1f} g",
                )
            )
    for i, step in enumerate(steps(figure)):
        for load in step.held_load_factors:
            if not aircraft.holds(load):
                held = f"bank {step.segment.bank:+.0f}°" if step.segment.bank else "the path"
                faults.append(
                    (
                        f"segments[{i}]" + (".bank_deg" if step.segment.bank else ""),
                        f"segment {i + 1} ({step.segment.kind}) needs {load:+.1f} g to hold {held}, outside "
                        f"the aircraft's limits, {aircraft.min_load_factor:+.1f} to "
                        f"{aircraft.max_load_factor:+.1f} g",
                    )
                )
    if figure.entry_speed < float(stall_speed(aircraft)) and any(
        segment.kind != "own" for segment in figure.segments[:1]
    ):
        faults.append(
            (
                "entry_speed_kt",
                f"an entry speed of {figure.entry_speed / KT:.0f} kt is below the stall, "
                f"{float(stall_speed(aircraft)) / KT:.0f} kt",
            )
        )
    return faults


def flyable(hand: InHand, aircraft: Aircraft) -> npt.NDArray[np.bool_]:
    """Whether each case is flown to its end, from an entry speed that can be had, within its speeds."""
    with np.errstate(invalid="ignore"):
        return np.asarray(
            (hand.failure == 0) & (hand.speed >= 0) & aircraft.allows(hand.fastest) & hand.entry_reached
        )


def sound(hand: InHand, aircraft: Aircraft, floor: float) -> npt.NDArray[np.bool_]:
    """Whether each case is flown over the floor, no faster than allowed, and with lift to spare.

    Parameters
    ----------
    hand
        One figure or several.
    aircraft
        For its never-exceed speed and speed category.
    floor
        [m above the field].
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(
            flyable(hand, aircraft)
            & (hand.height >= 0)
            # Not only at the bottom of the recovery: whatever comes after it is over the floor, too.
            & (hand.lowest >= floor - 0.01)
        )


def verdict(
    figure: Figure, hand: InHand, aircraft: Aircraft, cushions: Cushions, floor: float
) -> npt.NDArray[np.str_]:
    """In, thin or out, per case, over a floor [m above the field].

    *out*: cannot be flown, has an entry speed that no dive reaches, breaks the floor, passes the never-exceed
    speed or the display's speed category, or asks more of the wing than it has. *thin*:
    flown, but a cushion is used up, or kept at the slowest point only by easing the pull. *in*: both cushions
    are there with something left over.
    """
    wanted = cushions.height if any(s.kind == "recover" for s in figure.segments) else 0.0
    out = ~sound(hand, aircraft, floor)
    with np.errstate(invalid="ignore"):
        thin = ~((hand.height >= wanted) & (hand.speed > cushions.speed + _EASED))
    return np.asarray(np.where(out, "out", np.where(thin, "thin", "in")))


def story(figure: Figure, hand: InHand, aircraft: Aircraft, index: tuple[int, ...] = ()) -> str:
    """Say in words whether the aircraft can fly one case of a figure, and if not, in which segment."""
    failure = int(hand.failure[index])
    if failure:
        segment = int(hand.failed_segment[index])
        return (
            f"{figure.name}: {FAILURES[failure]}, in segment {segment + 1} ({figure.segments[segment].kind})"
        )
    path = np.moveaxis(hand.flown.equivalent_airspeed, 0, -1)[index]
    # Of several figures the segments have the figures as their second axis.
    segments = hand.flown.segment
    if segments.ndim > 1:
        segments = segments[:, index[0]]
    fastest = float(hand.fastest[index])
    if not aircraft.allows(fastest):
        segment = int(segments[int(np.argmax(path))])
        return (
            f"{figure.name}: reaches {math.ceil(fastest / KT - 1e-6)} kt, above the "
            f"{aircraft.greatest_speed_name} of {aircraft.greatest_speed / KT:.0f} kt, in segment "
            f"{segment + 1} ({figure.segments[segment].kind})"
        )
    if not hand.entry_reached[index]:
        entry = float(hand.flown.equivalent_airspeed[0][index])
        return (
            f"{figure.name}: never reaches its entry speed of {entry / KT:.0f} kt, even at full power in a "
            f"dive at {_STEEPEST_DIVE:.0f} degrees, before segment 1 ({figure.segments[0].kind})"
        )
    if hand.speed[index] < 0:
        over = np.moveaxis(_speeds_in_hand(hand.flown, aircraft), 0, -1)[index]
        node = int(np.argmin(over))
        # Where a segment that is not judged ends, it is the next that begins too slow.
        own = int(segments[node])
        segment = own if steps(figure)[own].counts and node else int(segments[node + 1])
        return (
            f"{figure.name}: slower than the loaded stall by {math.ceil(-float(hand.speed[index]) / KT)} kt, "
            f"in segment {segment + 1} ({figure.segments[segment].kind})"
        )
    height = float(hand.height[index]) / FT
    if height < 0:
        return f"{figure.name}: breaks the floor by {math.ceil(-height - 1e-6)} ft even at the full working g"
    return f"{figure.name}: flown, {math.floor(height + 1e-6)} ft in hand above the floor"


def dive_to_entry(
    figure: Figure, aircraft: Aircraft, air: FieldAir, *, dive_angle: float = 30.0
) -> tuple[FloatArray, FloatArray]:
    """Height [m] and time [s] of the full-power dive from level top speed to the figure's entry speed.

    Nothing where the aircraft reaches the entry speed in level flight; NaN where a dive at this angle
    [degrees] never does.
    """
    entry = entry_speed_at(figure, air.density_altitude)
    level = top_speed(aircraft, air, figure.entry_height)
    start = np.minimum(np.where(np.isfinite(level), level, 1.3 * float(stall_speed(aircraft))), entry)
    return dive(aircraft, air, start, entry, dive_angle, figure.entry_height)


def off_take_off(
    figure: Figure,
    aircraft: Aircraft,
    air: FieldAir,
    floor: npt.ArrayLike,
    *,
    pull_up_distance: npt.ArrayLike,
    ground_run: npt.ArrayLike,
    lift_off_speed: float,
    tailwind: float = 0.0,
    stall_margin: float = 0.0,
) -> InHand:
    """What is in hand in a figure flown straight off the take-off.

    Only the energy that the climb-out gives is there: the aircraft accelerates at full power from
    lift-off to the pull-up point, climbing to the figure's entry height on the way. Where that gives the
    planned entry speed or more, the planned speed is flown.

    Parameters
    ----------
    figure, aircraft, air, floor
        As in `in_hand`.
    pull_up_distance
        From brake release to where the figure begins [m].
    ground_run
        Take-off ground run in this air [m]; see `runway.take_off_distance`.
    lift_off_speed
        Equivalent airspeed at the aircraft's mass [m/s].
    tailwind
        Along the take-off [m/s]: the same ground is covered in less time, so less air is flown through. Taken
        at the lift-off speed all the way, which errs to the cautious side; a headwind is not counted on.
    stall_margin
        As in `fly`; the pilot's speed cushion belongs here.
    """
    slowest = lift_off_speed * np.sqrt(DENSITY_0 / air.density(0.0))
    through_air = slowest / (slowest + np.maximum(tailwind, 0.0))
    reached = climb_out_speed(
        aircraft,
        air,
        lift_off_speed,
        (np.asarray(pull_up_distance, dtype=float) - np.asarray(ground_run, dtype=float)) * through_air,
        figure.entry_height,
    )
    entry = np.fmin(reached, entry_speed_at(figure, air.density_altitude))
    # A climb-out that never gets there enters at no speed worth flying: the failure is then told.
    entry = np.where(np.isfinite(reached), entry, 0.5 * float(stall_speed(aircraft)))
    return in_hand(figure, aircraft, air, floor, entry_speed=entry, stall_margin=stall_margin)


def apex_gate_height(
    loss_at_sea_level: npt.ArrayLike,
    density_ratio: npt.ArrayLike,
    floor: npt.ArrayLike,
    cushion: npt.ArrayLike,
) -> FloatArray:
    """Least apex height above the field [m] from a height lost as measured in sea level air.

    floor + cushion + loss/σ: exact for a figure flown by the same indicated speeds and load factors with
    thrust and drag in the same ratio to weight. The pilot's own measured loss, where there is one, is
    better than any model's.
    """
    loss = np.asarray(loss_at_sea_level, dtype=float) / np.asarray(density_ratio, dtype=float)
    return np.asarray(np.asarray(floor, dtype=float) + np.asarray(cushion, dtype=float) + loss)


@dataclass(frozen=True)
class Gate:
    """A gate per case of the air: least height **and** greatest speed; miss either and roll out.

    Attributes
    ----------
    least_height
        Above the field [m]; NaN where there is none.
    greatest_speed
        Equivalent airspeed [m/s].
    least_speed
        Equivalent airspeed [m/s] under which it was not looked, or a cushion is used up; NaN where there is
        no gate.
    greatest_height
        Above the field [m], of a gate before a line that ends at a stated height: the planned one,
        since from higher the aircraft is faster at the line's end. NaN elsewhere: higher is better.
    planned_height, planned_speed
        Where the figure as planned passes the gate.
    """

    least_height: FloatArray
    greatest_speed: FloatArray
    least_speed: FloatArray
    greatest_height: FloatArray
    planned_height: FloatArray
    planned_speed: FloatArray

    @property
    def missed(self) -> npt.NDArray[np.str_]:
        """How the figure as planned misses the gate, one of `MISSES`; empty where it does not miss one."""
        # The gate's speeds reach down below the planned one wherever they reach it.
        low = self.planned_height < self.least_height - 2.0 * _SETTLED
        fast = self.planned_speed > self.greatest_speed + _EASED
        how = np.select([np.isnan(self.planned_height), low, fast], MISSES, "")
        return np.asarray(np.where(np.isfinite(self.least_height), how, ""))


MISSES = ("never gets there", "too low", "too fast")
"""How a figure as planned can miss its own gate, in the order in which they are told."""

_WAYS_DOWN = 5  # speeds looked at between the planned and the greatest
_SETTLED = 0.05  # m; a gate is printed up to the next 50 ft


def apex_gates(
    figure: Figure,
    aircraft: Aircraft,
    air: FieldAir,
    floor: float,
    cushions: Cushions,
    *,
    speed_band: float = 10.0 * KT,
    greatest_speed: npt.ArrayLike | None = None,
) -> tuple[Gate, ...]:
    """Gates at the apexes: least heights from which the pull-down keeps the cushion at every speed allowed.

    Parameters
    ----------
    figure
        With segments marked as gates, each with a recovery after it; a gate is returned for each, in order.
    aircraft, air, floor, cushions
        As elsewhere.
    speed_band
        How much faster than planned the pilot may arrive [m/s]. The greatest speed is the planned one in
        standard sea level air plus this: one number for all fields, unless the way down would then pass the
        never-exceed speed or the speed category, or ask for more height than the figure as planned has.
        Faster needs more height in a pull, and slower in a line that is held until a speed: the least height
        is that of the worst speed from two bands below the planned one to the greatest.
    greatest_speed
        Overrides it: equivalent airspeeds [m/s] that broadcast with the air's cases.

    Raises
    ------
    ValueError
        When the figure has no segment marked as a gate.

    Notes
    -----
    What the way down costs depends a little on where it begins, so it is flown again from the height found
    until that holds. Where a line after the gate ends at a height of its own, more height at the gate is more
    speed there, not more cushion: the gate then reaches from the planned height down toward the line's end as
    far as the cushion is kept, and there is none where it is not kept from the planned height.

    A height loss that the pilot has measured is better than any model's: `apex_gate_height` of it stands
    where it asks for more.
    """
    if not figure.gate_segments:
        raise ValueError(f"figure {figure.name!r} has no segment marked as the gate")
    margin = cushions.speed
    planned = fly(figure, aircraft, air, stall_margin=margin)
    reference = None
    if greatest_speed is None:
        reference = fly(figure, aircraft, FieldAir(0.0), stall_margin=margin)
    gates = []
    for index in figure.gate_segments:
        end = next(i for i, s in enumerate(figure.segments) if i >= index and s.kind == "recover")
        half = replace(figure, segments=figure.segments[: end + 1])
        node, _ = nodes_of(planned.segment, index)
        wanted = (
            np.asarray(greatest_speed, dtype=float)
            if reference is None
            else reference.equivalent_airspeed[node] + speed_band
        )
        sigma = np.asarray(air.density(0.0)) / DENSITY_0
        gate = _apex_gate(
            half,
            aircraft,
            air,
            index,
            planned.equivalent_airspeed[node],
            planned.height[node],
            np.broadcast_to(wanted, air.shape),
            floor + cushions.height,
            np.fmax(apex_gate_height(figure.measured_loss, sigma, floor, cushions.height), 0.0),
            margin,
            speed_band,
        )
        gates.append(gate)
    return tuple(gates)


def _apex_gate(
    half: Figure,
    aircraft: Aircraft,
    air: FieldAir,
    index: int,
    speed: FloatArray,
    height: FloatArray,
    wanted: FloatArray,
    lowest: float,
    measured: FloatArray,
    stall_margin: float,
    speed_band: float,
) -> Gate:
    """One gate at segment `index`, passed as planned at `speed` and `height`; recovered above `lowest`.

    It is never under the height that a `measured` loss asks for.
    """
    entry = np.where(np.isfinite(wanted), wanted, half.entry_speed)
    here = np.where(np.isfinite(speed), np.minimum(speed, entry), entry)
    slower = [np.maximum(here - n * speed_band, 0.5 * here) for n in (2, 1)]
    faster = [here + (entry - here) * n / _WAYS_DOWN for n in range(1, _WAYS_DOWN + 1)]
    speeds = np.stack([*slower, here, *faster], axis=-1)
    middle = len(slower)
    position = np.arange(speeds.shape[-1])

    def flown(start: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Height [m] to which each speed comes down, and whether it is flown no faster than allowed."""
        down = fly(
            half,
            aircraft,
            air.stretched(),
            entry_speed=speeds,
            entry_height=start[..., None],
            meet_base=False,
            first_segment=index,
            stall_margin=stall_margin,
        )
        good = (down.failure == 0) & aircraft.allows(down.fastest)
        return down.full_pull_bottom, good

    def kept(start: FloatArray, inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        bottom, good = flown(start)
        return np.asarray(np.all(~inside | (good & (bottom >= lowest - _SETTLED)), axis=-1))

    planned = np.where(np.isfinite(height), height, half.entry_height)
    ends = [s.height for s in half.segments[index:] if s.kind == "line" and s.height is not None]
    least = planned
    with np.errstate(invalid="ignore"):
        # Each flight from the height found by the one before.
        for _ in range(1 if ends else 4):
            bottom, good = flown(least)
            # A gate that the figure as planned does not reach is of no use: where the planned speed is met at
            # the planned height, speeds that ask for more height are not allowed.
            asks = least[..., None] + lowest - bottom
            reach = np.maximum(planned, asks[..., middle])[..., None]
            good &= ~(asks > reach + _SETTLED)
            up = middle + np.cumprod(good[..., middle:], axis=-1).sum(axis=-1) - 1
            down = middle + 1 - np.cumprod(good[..., middle::-1], axis=-1).sum(axis=-1)
            met = good[..., middle] & np.isfinite(wanted)
            inside = (position >= down[..., None]) & (position <= up[..., None]) & met[..., None]
            if ends:
                break
            found = np.maximum(least + lowest - np.min(np.where(inside, bottom, np.inf), axis=-1), measured)
            moved = np.where(met, np.abs(found - least), 0.0)
            least = np.where(met, found, least)
            if np.all(moved <= 0.2 * _SETTLED):
                break
        met = met & kept(least, inside)
        # Down from the planned height as far as the cushion is kept all the way.
        still = met
        for share in np.linspace(0.75, 0.0, 4) if ends else ():
            lower = np.minimum(planned, max(ends)) * (1.0 - share) + planned * share
            still = still & kept(lower, inside)
            least = np.where(still, np.maximum(lower, measured), least)
        # Beyond a greatest height there is no gate left.
        met = met & ~(bool(ends) & (measured > planned))

    def where_met(values: FloatArray) -> FloatArray:
        return np.asarray(np.where(met, values, np.nan))

    take = np.take_along_axis
    return Gate(
        least_height=where_met(least),
        greatest_speed=where_met(take(speeds, up[..., None], -1)[..., 0]),
        least_speed=where_met(take(speeds, np.minimum(down, middle)[..., None], -1)[..., 0]),
        greatest_height=where_met(planned) if ends else np.full(met.shape, np.nan),
        planned_height=np.asarray(height),
        planned_speed=np.asarray(speed),
    )


def entry_gate(
    figure: Figure, aircraft: Aircraft, air: FieldAir, floor: float, cushions: Cushions, *, count: int = 25
) -> Gate:
    """Gate at the entry: the speeds that keep the cushions, and the least height that does at all of these.

    Speeds from the stall up to the never-exceed speed (or the speed category's ceiling) are flown from the
    planned height; the greatest and least are the ends of the run of speeds around the planned one that keep
    both cushions, the floor and that greatest speed throughout. The least height is the lowest from which
    every one of them still does; it is never under the floor. Where the planned speed itself keeps a cushion
    no longer there are no such speeds, and the least height is what the planned speed needs; missing (NaN)
    where more height does not mend it.
    """
    shape = air.shape
    wanted = cushions.height if any(s.kind == "recover" for s in figure.segments) else 0.0
    planned = entry_speed_at(figure, air.density_altitude)
    planned = np.broadcast_to(planned, shape)
    stretched = air.stretched()
    middle = count // 2
    share = np.linspace(0.0, 1.0, middle + 1)
    slowest = np.minimum(float(stall_speed(aircraft)), planned)[..., None]
    fastest = np.maximum(aircraft.greatest_speed, planned)[..., None]
    speeds = np.concatenate(
        [
            slowest + (planned[..., None] - slowest) * share,
            planned[..., None] + (fastest - planned[..., None]) * share[1:],
        ],
        axis=-1,
    )

    def flown(speeds: FloatArray, height: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Height to spare over what is wanted, and whether every cushion is kept."""
        hand = in_hand(
            figure,
            aircraft,
            stretched,
            floor,
            entry_speed=speeds,
            entry_height=height[..., None],
            meet_base=False,
            stall_margin=cushions.speed,
        )
        spare = np.minimum(hand.height - wanted, hand.lowest - floor)
        with np.errstate(invalid="ignore"):
            good = (
                (hand.failure == 0)
                & (spare >= -0.01)
                & (hand.speed > cushions.speed + _EASED)
                & aircraft.allows(hand.fastest)
            )
        return spare, good

    entry_height = np.full(shape, figure.entry_height)
    spare, good = flown(speeds, entry_height)
    up = middle + np.cumprod(good[..., middle:], axis=-1).sum(axis=-1) - 1
    down = middle + 1 - np.cumprod(good[..., middle::-1], axis=-1).sum(axis=-1)
    ok = good[..., middle]
    take = np.take_along_axis
    fast = np.where(ok, take(speeds, np.maximum(up, 0)[..., None], -1)[..., 0], np.nan)
    slow = np.where(ok, take(speeds, np.minimum(down, speeds.shape[-1] - 1)[..., None], -1)[..., 0], np.nan)
    # Of the speeds that are in the gate; of the planned one alone where that is not.
    position = np.arange(speeds.shape[-1])
    inside = np.where(
        ok[..., None],
        (position >= down[..., None]) & (position <= up[..., None]),
        position == middle,
    )
    least = figure.entry_height - np.min(np.where(inside, spare, np.inf), axis=-1)
    # The air is another there, and a line may end at a height of its own: flown from there, too.
    low, high = np.where(ok, slow, planned), np.where(ok, fast, planned)
    parts = np.arange(4) / 3.0
    again = np.concatenate(
        [
            low[..., None] + (planned - low)[..., None] * parts[:3],
            planned[..., None] + (high - planned)[..., None] * parts,
        ],
        axis=-1,
    )
    held, _ = flown(again, np.where(np.isfinite(least), least, figure.entry_height))
    least = least + np.maximum(-np.min(held, axis=-1), 0.0)
    _, kept = flown(again, np.where(np.isfinite(least), least, figure.entry_height))
    least = np.where(np.all(kept, axis=-1), least, np.where(ok, figure.entry_height, np.nan))
    return Gate(
        least_height=np.asarray(least),
        greatest_speed=np.asarray(fast),
        least_speed=np.asarray(slow),
        greatest_height=(
            np.maximum(entry_height, least)
            if any(s.kind == "line" and s.height is not None for s in figure.segments)
            else np.full(shape, np.nan)
        ),
        planned_height=entry_height,
        planned_speed=np.asarray(planned),
    )


@dataclass(frozen=True)
class DerivedLimit:
    """Density altitude at which a cushion of a figure is used up.

    Attributes
    ----------
    density_altitude
        [m]; inf where nothing is used up as far as was looked, -inf where something is used up already
        in the densest air looked at.
    bites
        One of `BITES`; empty where nothing is used up.
    searched_to
        How far was looked [m].
    """

    density_altitude: float
    bites: str
    searched_to: float


def derived_da_limits(
    figures: Sequence[Figure],
    aircraft: Aircraft,
    cushions: Cushions,
    floor: npt.ArrayLike,
    fields: Sequence[float | None] = (None,),
    *,
    raised: npt.ArrayLike = 0.0,
    closely_to: npt.ArrayLike = np.inf,
    step: float = 150.0,
    highest: float = 4500.0,
) -> tuple[tuple[DerivedLimit, ...], ...]:
    """Density altitude at which each figure first uses up one of the pilot's cushions, over several fields.

    Parameters
    ----------
    figures
        As the pilot flies them.
    aircraft
        The aircraft.
    cushions
        What the pilot wants left over.
    floor
        Authorised lowest height above the field [m], the higher of the pilot's and the venue's: one, or one a
        field.
    fields
        Pressure altitudes [m], which matter to a blown engine. None takes standard temperature everywhere.
    raised
        How much higher than planned the figures are flown [m]: one, or one a field.
    closely_to
        Density altitude [m] beyond which the last air of the coarse grid will do: one, or one a field.
    step, highest
        Grid of density altitudes looked at [m], from sea level, also where a field's air is never that dense:
        cold gives no engine a bonus, and what is used up there is used up in all of its air.

    Returns
    -------
    A limit for each field and figure, (fields, figures).

    Notes
    -----
    The limit is the last air, of sixteen to a step of the grid, before the *first* one in which a cushion is
    gone: never past the crossing. (A margin of speed is held at nothing by easing the pull until it cannot
    be, so there is no slope by which to find its crossing.)
    """
    pressure = np.array([np.nan if field is None else field for field in fields])[:, None]
    grid = np.linspace(0.0, highest, max(int(np.ceil(highest / step)), 1) + 1)
    floor, raised = (np.asarray(a, dtype=float)[..., None] for a in (floor, raised))

    def used_up(figures: Sequence[Figure], density_altitudes: FloatArray) -> npt.NDArray[np.bool_]:
        """Which of `BITES` are used up, (bites, figures, fields, airs)."""
        air = FieldAir(density_altitudes, np.where(np.isnan(pressure), density_altitudes, pressure))
        hand = in_hand(list(figures), aircraft, air, floor, raised=raised, stall_margin=cushions.speed)
        # A level pass is flown at its height: the cushion is asked of recoveries, the floor of everything.
        recovers = np.array([any(s.kind == "recover" for s in f.segments) for f in figures])
        wanted = np.where(recovers, cushions.height, 0.0)[:, None, None]
        with np.errstate(invalid="ignore"):
            bad = ~np.stack(
                [
                    hand.height >= wanted,
                    hand.speed > cushions.speed + _EASED,
                    hand.lowest >= floor - 0.01,
                    hand.fastest <= aircraft.never_exceed_speed * (1.0 + 1e-9),
                    hand.fastest <= np.fmin(aircraft.category_speed, np.inf) * (1.0 + 1e-9),
                    hand.entry_reached,
                    hand.failure != OFF_TABLE,
                    hand.failure == 0,
                ]
            )
        # A margin that is missing because the figure failed is told as the failure.
        bad[:-2] &= hand.failure == 0
        return bad

    coarse = used_up(figures, grid)
    found: list[list[DerivedLimit]] = [[] for _ in fields]
    share = np.arange(1, _FINER + 1) / _FINER
    for f, figure in enumerate(figures):
        lost = np.any(coarse[:, f], axis=0)
        any_lost, first = np.any(lost, axis=-1), np.argmax(lost, axis=-1)
        below = grid[np.maximum(first - 1, 0)]
        near = any_lost & (first > 0) & (below <= closely_to)
        fine = below[:, None] + grid[1] * share
        closer = used_up([figure], fine)[:, 0] if near.any() else coarse[:, f]
        for v in range(len(fields)):
            last, causes = float(below[v]), coarse[:, f, v, first[v]]
            if not any_lost[v]:
                last = np.inf
            elif first[v] == 0:
                last = -np.inf
            elif near[v]:
                k = int(np.argmax(np.any(closer[:, v], axis=0)))
                last, causes = float(fine[v, k - 1]) if k else last, closer[:, v, k]
            bites = BITES[int(np.argmax(causes))] if any_lost[v] else ""
            found[v].append(DerivedLimit(last, bites, highest))
    return tuple(tuple(row) for row in found)


def derived_da_limit(
    figure: Figure,
    aircraft: Aircraft,
    cushions: Cushions,
    floor: float,
    *,
    pressure_altitude: float | None = None,
) -> DerivedLimit:
    """Derived limit of one figure at one field; see `derived_da_limits`."""
    return derived_da_limits([figure], aircraft, cushions, floor, (pressure_altitude,))[0][0]


def governing_limit(own: float, derived: DerivedLimit) -> tuple[float, str]:
    """The more cautious of the pilot's own limit and a derived one [m], and the words for the screen.

    Parameters
    ----------
    own
        The pilot's personal limit in density altitude, as stated or learned [m]; NaN where there is none.
    derived
        From flight physics.
    """
    if np.isfinite(derived.density_altitude):
        where = f"{math.floor(derived.density_altitude / FT + 1e-6):,} ft"
    elif derived.density_altitude > 0:
        where = f"beyond {math.floor(derived.searched_to / FT + 1e-6):,} ft"
    else:
        where = "used up at sea level already"
    why = f" ({derived.bites})" if derived.bites else ""
    if np.isnan(own):
        return derived.density_altitude, f"derived: {where}{why}; no limit of your own"
    if derived.density_altitude < own:
        return (
            derived.density_altitude,
            f"derived: {where}{why}, below your own {own / FT:,.0f} ft; the more cautious is used",
        )
    return own, f"your own: {own / FT:,.0f} ft; derived is {where}{why}; the more cautious is used"


@dataclass(frozen=True)
class Sheet:
    """A figure's sheet: profiles to scale, curves and gates over density altitude.

    Attributes
    ----------
    sea_level, venue
        What is in hand, with the paths, in standard sea level air and in the venue's air (scalars).
    density_altitudes
        Of the curves [m].
    curves
        What is in hand over them, (density altitudes,).
    entry, apexes
        Gates over them; none at an apex for a figure without.
    dive_height, dive_seconds
        Of the dive to the entry speed over them [m, s].
    limit
        Derived limit.
    """

    sea_level: InHand
    venue: InHand
    density_altitudes: FloatArray
    curves: InHand
    entry: Gate
    apexes: tuple[Gate, ...]
    dive_height: FloatArray
    dive_seconds: FloatArray
    limit: DerivedLimit


def sheet(
    figure: Figure,
    aircraft: Aircraft,
    venue_air: FieldAir,
    floor: float,
    cushions: Cushions,
    *,
    density_altitudes: npt.ArrayLike | None = None,
    pressure_altitude: float | None = None,
    speed_band: float = 10.0 * KT,
) -> Sheet:
    """Everything a figure's sheet shows.

    Parameters
    ----------
    figure, aircraft, floor, cushions
        As elsewhere.
    venue_air
        The air on the slider: scalars.
    density_altitudes
        Of the curves and the gate table [m]; every 1,000 ft to 12,000 ft by default.
    pressure_altitude
        Of the field [m], for a blown engine along the curves.
    speed_band
        See `apex_gates`.
    """
    grid = np.arange(13) * 1000.0 * FT if density_altitudes is None else np.asarray(density_altitudes, float)
    air = FieldAir(grid, pressure_altitude)
    margin = cushions.speed
    used, seconds = dive_to_entry(figure, aircraft, air)
    return Sheet(
        sea_level=in_hand(figure, aircraft, FieldAir(0.0), floor, stall_margin=margin),
        venue=in_hand(figure, aircraft, venue_air, floor, stall_margin=margin),
        density_altitudes=grid,
        curves=in_hand(figure, aircraft, air, floor, stall_margin=margin),
        entry=entry_gate(figure, aircraft, air, floor, cushions),
        apexes=(
            apex_gates(figure, aircraft, air, floor, cushions, speed_band=speed_band)
            if figure.gate_segments
            else ()
        ),
        dive_height=used,
        dive_seconds=seconds,
        limit=derived_da_limit(figure, aircraft, cushions, floor, pressure_altitude=pressure_altitude),
    )
