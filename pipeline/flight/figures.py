"""Figures as short lists of segments, and the trade's figures written in them.

A figure is flown in one vertical plane. Its path is described by two things: the path angle γ, which keeps
counting through a loop (0 level along the line, 90 straight up, 180 level and inverted after half a loop),
and the side of the path on which the canopy lies, +1 or -1, which only a half roll or a pivot changes. With
them every figure of the vertical plane obeys one law, dγ/dt = g (s·n - cos γ) / V.

Segments, in the words of the cockpit:

=========  =====================================================================================
pull_to    rotate toward the canopy to the first place where the path climbs at the stated angle
push_to    the same away from the canopy, with a negative load factor
float_to   let the nose come down at a light load factor
recover    pull (or push) to level so as to meet the base; harder only as far as the working load
           factor, and where that does not do, the height by which the base is broken is the answer
line       hold the climb angle until a speed, a height, a distance or a time
hold       level at a constant speed while the engine can give it, banked if need be
roll       roll on the line by a multiple of 90° in a stated time
own        stalled, gyroscopic and out-of-plane motion by the pilot's own height and time, measured
           at sea level: heights and distances grow as 1/σ, times as 1/√σ
=========  =====================================================================================

Entry numbers in `LIBRARY` are those of a big-engined biplane trainer: common practice, no source. They are
a starting point to be replaced by the pilot's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipeline.air.variables import FT, KT

__all__ = [
    "LIBRARY",
    "OWN_PATHS",
    "Figure",
    "Segment",
    "Step",
    "float_to",
    "hold",
    "line",
    "own",
    "pull_to",
    "push_to",
    "recover",
    "roll",
    "steps",
]

KINDS = ("pull_to", "push_to", "float_to", "recover", "line", "hold", "roll", "own")
OWN_PATHS = ("same", "pivot", "slide", "down", "reverse")
"""How an `own` segment leaves the path: unchanged; a yaw pivot from up to down; a slide from up to down in
pitch; nose down to the vertical as a spin begins; turned about to the opposite heading at the same climb
angle."""

_DEG = np.pi / 180.0
_STEEP = 0.85
_UPRIGHT = 0.1  # cosine of the climb angle


@dataclass(frozen=True)
class Segment:
    """One piece of a figure. Make one with `pull_to`, `line` and their like.

    Attributes
    ----------
    kind
        One of the kinds in the module's table.
    climb_angle
        Where a rotation ends, degrees above the horizon, -90 to 90.
    load_factor
        Of a rotation; None takes the figure's own. Negative in a push.
    speed
        Equivalent airspeed that ends a line [m/s].
    height
        Height above the field that ends a line [m].
    distance
        Length along the path that ends a line or hold [m].
    seconds
        Time that ends a line or hold, or that a roll or own segment takes [s].
    roll_degrees
        Roll, a multiple of 90.
    bank
        Bank held in a hold, degrees; the load factor is 1/cos(bank).
    throttle
        Share of full power, 0 to 1.
    drag_multiple
        Multiplies the zero-lift drag: rudder and fuselage carry the aircraft on its knife edge.
    height_change, distance_covered
        Of an own segment, as measured in sea level air [m].
    speed_after
        Equivalent airspeed at the end of an own segment [m/s]; None leaves it unchanged.
    path
        One of `OWN_PATHS`.
    push
        A recover flown with negative load factor.
    gate
        The way down begins here: the place where the apex gate is judged, at the top, where the needle
        reads most. A snap, slide or spin that loses height there lies after it.
    """

    kind: str
    climb_angle: float | None = None
    load_factor: float | None = None
    speed: float | None = None
    height: float | None = None
    distance: float | None = None
    seconds: float | None = None
    roll_degrees: int = 0
    bank: float = 0.0
    throttle: float = 1.0
    drag_multiple: float = 1.0
    height_change: float = 0.0
    distance_covered: float = 0.0
    speed_after: float | None = None
    path: str = "same"
    push: bool = False
    gate: bool = False

    def __post_init__(self) -> None:
        """Refuse a segment that says too little or too much."""
        if self.kind not in KINDS:
            raise ValueError(f"unknown segment {self.kind!r}; it must be one of {', '.join(KINDS)}")
        if self.kind in ("pull_to", "push_to", "float_to") and not (
            self.climb_angle is not None and -90 <= self.climb_angle <= 90
        ):
            raise ValueError(f"{self.kind} needs a climb angle from -90 to 90 degrees")
        if self.kind in ("line", "hold"):
            ends = [e for e in (self.speed, self.height, self.distance, self.seconds) if e is not None]
            if len(ends) != 1:
                raise ValueError(f"{self.kind} needs exactly one end: speed, height, distance or time")
            if self.kind == "hold" and (self.speed is not None or self.height is not None):
                raise ValueError("hold ends after a distance or a time, since speed and height are held")
            if ends[0] < 0:
                raise ValueError(f"the end of a {self.kind} must not be negative, not {ends[0]:g}")
            if not -80 <= self.bank <= 80:
                raise ValueError(f"bank must be from -80 to 80 degrees, not {self.bank:g}")
        if self.kind in ("roll", "own") and not (self.seconds is not None and self.seconds >= 0):
            raise ValueError(f"{self.kind} needs a time in seconds, zero or more")
        if self.kind == "roll" and (self.roll_degrees == 0 or self.roll_degrees % 90):
            raise ValueError(f"a roll must be a multiple of 90 degrees, not {self.roll_degrees}")
        if self.path not in OWN_PATHS:
            raise ValueError(f"unknown path {self.path!r}; it must be one of {', '.join(OWN_PATHS)}")
        if not 0 <= self.throttle <= 1:
            raise ValueError(f"throttle must be from 0 to 1, not {self.throttle:g}")
        if not self.drag_multiple > 0:
            raise ValueError(f"drag_multiple must be above zero, not {self.drag_multiple:g}")
        if self.speed_after is not None and not self.speed_after >= 0:
            raise ValueError(f"speed_after must not be negative, not {self.speed_after:g}")


def pull_to(climb_angle: float, load_factor: float | None = None, **options: float | bool) -> Segment:
    """Pull to the first place where the path climbs at this angle [degrees]."""
    return Segment("pull_to", climb_angle, load_factor, **options)  # type: ignore[arg-type]


def push_to(climb_angle: float, load_factor: float | None = None, **options: float | bool) -> Segment:
    """Push, the load factor negative, to the first place where the path climbs at this angle [degrees]."""
    return Segment("push_to", climb_angle, load_factor, **options)  # type: ignore[arg-type]


def float_to(climb_angle: float, load_factor: float | None = None, **options: float | bool) -> Segment:
    """Let the path bend down at a light load factor to this climb angle [degrees]."""
    return Segment("float_to", climb_angle, load_factor, **options)  # type: ignore[arg-type]


def recover(
    load_factor: float | None = None, *, push: bool = False, gate: bool = False, throttle: float = 1.0
) -> Segment:
    """Pull, or push, to level and meet the base."""
    return Segment("recover", load_factor=load_factor, push=push, gate=gate, throttle=throttle)


def line(
    *,
    seconds: float | None = None,
    distance: float | None = None,
    height: float | None = None,
    speed: float | None = None,
    throttle: float = 1.0,
    gate: bool = False,
) -> Segment:
    """Hold the climb angle until one of: a time [s], a length [m], a height [m], an airspeed [m/s]."""
    return Segment(
        "line",
        seconds=seconds,
        distance=distance,
        height=height,
        speed=speed,
        throttle=throttle,
        gate=gate,
    )


def hold(
    *,
    seconds: float | None = None,
    distance: float | None = None,
    bank: float = 0.0,
    drag_multiple: float = 1.0,
) -> Segment:
    """Hold height and, while the engine can, speed, for a time [s] or a distance [m]."""
    return Segment("hold", seconds=seconds, distance=distance, bank=bank, drag_multiple=drag_multiple)


def roll(degrees: int, seconds: float, *, drag_multiple: float = 1.0, gate: bool = False) -> Segment:
    """Roll on the line by a multiple of 90 degrees in a time [s]."""
    return Segment("roll", roll_degrees=degrees, seconds=seconds, drag_multiple=drag_multiple, gate=gate)


def own(
    seconds: float,
    height_change: float = 0.0,
    *,
    path: str = "same",
    speed_after: float | None = None,
    distance_covered: float = 0.0,
    gate: bool = False,
) -> Segment:
    """Motion that a point mass cannot do, by the pilot's own time [s] and height [m] at sea level."""
    return Segment(
        "own",
        seconds=seconds,
        height_change=height_change,
        path=path,
        speed_after=speed_after,
        distance_covered=distance_covered,
        gate=gate,
    )


@dataclass(frozen=True)
class Figure:
    """One figure as this pilot flies it.

    Attributes
    ----------
    name
        As in the routine.
    segments
        What is flown.
    entry_speed
        Equivalent airspeed at the entry, in sea level air [m/s].
    entry_height
        Height above the field at the entry [m].
    base_height
        Height above the field that the recoveries are flown to meet [m].
    working_load_factor
        The pilot's working g in pulls [1].
    recovery_load_factor
        The pilot's working g in a pulled recovery [1]; None is the same as in other pulls. Many a pilot
        keeps some g back here, for the day when it is needed.
    push_load_factor
        The pilot's working g in pushes, negative [1].
    float_load_factor
        Over the top, 0 to 1.5 [1].
    entry_inverted
        Entered inverted.
    entry_climb_angle
        Climb angle at the entry, degrees.
    measured_loss
        Height from the apex gate to level flight that the pilot has measured, as in standard sea level air
        [m]; NaN where none is. A gate is never lower than it asks for.
    entry_speed_gain
        Speed carried in addition per metre of density altitude [1/s]; pilots carry several knots more
        at high fields.
    """

    name: str
    segments: tuple[Segment, ...]
    entry_speed: float
    entry_height: float
    base_height: float
    working_load_factor: float = 4.0
    recovery_load_factor: float | None = None
    push_load_factor: float = -2.5
    float_load_factor: float = 0.6
    entry_inverted: bool = False
    entry_climb_angle: float = 0.0
    entry_speed_gain: float = 0.0
    measured_loss: float = math.nan

    def __post_init__(self) -> None:
        """Refuse what cannot be flown by anybody."""
        if not self.segments:
            raise ValueError(f"figure {self.name!r} has no segments")
        if not self.entry_speed > 0:
            raise ValueError(f"figure {self.name!r}: entry_speed must be above zero")
        if not self.working_load_factor > 1:
            raise ValueError(f"figure {self.name!r}: working_load_factor must be above 1")
        if self.recovery_load_factor is not None and not self.recovery_load_factor > 1:
            raise ValueError(f"figure {self.name!r}: recovery_load_factor must be above 1")
        if not self.push_load_factor < 0:
            raise ValueError(f"figure {self.name!r}: push_load_factor must be negative")
        if not self.entry_height > 0 or not self.base_height > 0:
            raise ValueError(f"figure {self.name!r}: entry and base height must be above the ground")
        if math.isfinite(self.measured_loss) and not self.gate_segments:
            raise ValueError(f"figure {self.name!r}: measured_loss is from a gate to level; it has no gate")
        if self.measured_loss <= 0:
            raise ValueError(f"figure {self.name!r}: measured_loss must be above zero")
        if self.entry_speed_gain < 0:
            raise ValueError(f"figure {self.name!r}: entry_speed_gain must not be negative")
        steps(self)

    def raised(self, height: float) -> Figure:
        """The same figure flown higher [m]: entry, base, and lines that end at a height."""
        if height == 0.0:
            return self
        return replace(
            self,
            entry_height=self.entry_height + height,
            base_height=self.base_height + height,
            segments=tuple(
                s if s.height is None else replace(s, height=s.height + height) for s in self.segments
            ),
        )

    @property
    def reverses(self) -> bool:
        """Whether the figure ends flying the other way along the line."""
        return bool(np.cos(steps(self)[-1].gamma_end) < 0)

    @property
    def exit_inverted(self) -> bool:
        """Whether the figure ends inverted."""
        last = steps(self)[-1]
        return bool(last.side_end * np.cos(last.gamma_end) < 0)

    @property
    def gate_segments(self) -> tuple[int, ...]:
        """Indices of the segments at which an apex gate is judged; empty for a figure without one."""
        return tuple(i for i, segment in enumerate(self.segments) if segment.gate)

    @property
    def whole_numbers(self) -> bool:
        """Whether the figure stands on the pilot's own numbers in some part."""
        return any(segment.kind == "own" for segment in self.segments)


@dataclass(frozen=True)
class Step:
    """A segment with its place on the path resolved: what the equations of motion need.

    Attributes
    ----------
    segment
        Where it comes from.
    gamma, gamma_end
        Path angle at both ends [rad].
    side, side_end
        Side of the canopy, +1 left of the path, -1 right.
    load_factor
        Commanded, signed toward the canopy [1]; on lines what the straight path needs.
    counts
        Whether speed over the loaded stall is judged here: not in stalled motion nor on an upright line, nor
        in a recovery, which is eased as the cushion asks and pays in height.
    holds
        Of these, where the load factor is not the pilot's to ease: a float, and any path that is held.
    turns_over
        A roll that goes on past the half turn: on the way the path is held with the load factor reversed.
    """

    segment: Segment
    gamma: float
    gamma_end: float
    side: int
    side_end: int
    load_factor: float
    counts: bool
    holds: bool
    turns_over: bool = False

    @property
    def held_load_factors(self) -> tuple[float, ...]:
        """Load factors that a straight path must have, whatever the pilot would like; empty elsewhere."""
        if self.segment.kind not in ("line", "hold", "roll"):
            return ()
        return (self.load_factor, -self.load_factor) if self.turns_over else (self.load_factor,)


def _first_meeting(gamma: float, direction: float, climb_angle: float) -> float:
    """Path angle [rad] at which a rotation in this direction first climbs at an angle [degrees]."""
    turns = 2.0 * np.pi * np.arange(-3, 4)
    meetings = np.concatenate([climb_angle * _DEG + turns, np.pi - climb_angle * _DEG + turns])
    ahead = (meetings - gamma) * direction
    ahead = ahead[ahead > 1e-6]
    return float(gamma + direction * ahead.min())


def steps(figure: Figure) -> tuple[Step, ...]:
    """Walk a figure's segments along its path.

    Raises
    ------
    ValueError
        When a segment cannot follow from the one before, or the figure does not end level and wings
        level; the text names the figure and the segment's place.
    """
    gamma = figure.entry_climb_angle * _DEG
    side = -1 if figure.entry_inverted else 1
    bank = 0
    result: list[Step] = []
    for index, segment in enumerate(figure.segments):
        place = f"figure {figure.name!r}, segment {index + 1} ({segment.kind})"
        # A pivot or a slide that gains nothing begins at its top: the needle reads no more from there on.
        climbs = np.sin(gamma) > 1e-6 and segment.path not in ("pivot", "slide")
        if segment.gate and (climbs or segment.height_change > 0):
            raise ValueError(
                f"{place}: the gate is where the way down begins, but here the aircraft still climbs; level "
                "off in a segment before it"
            )
        end, side_end, counts, turns_over = gamma, side, True, False
        n = side * np.cos(gamma)
        if segment.kind in ("pull_to", "push_to", "float_to", "recover"):
            if bank:
                raise ValueError(f"{place}: the aircraft is on its knife edge; roll wings level first")
            pushes = segment.kind == "push_to" or segment.push
            if segment.kind == "float_to":
                n = figure.float_load_factor if segment.load_factor is None else segment.load_factor
                if not 0 <= n <= 1.5:
                    raise ValueError(f"{place}: a float is flown between 0 and 1.5 g, not {n:g}")
                if abs(np.cos(gamma)) < 1e-6:
                    raise ValueError(f"{place}: a float cannot begin on the vertical; pull or push off it")
                direction = -np.sign(np.cos(gamma))
            elif pushes:
                n = figure.push_load_factor if segment.load_factor is None else segment.load_factor
                if not n <= 0:
                    raise ValueError(f"{place}: a push needs a load factor of zero or below, not {n:g}")
                direction = -side
            else:
                n = figure.working_load_factor
                if segment.kind == "recover" and figure.recovery_load_factor is not None:
                    n = figure.recovery_load_factor
                n = n if segment.load_factor is None else segment.load_factor
                if not n > 1:
                    raise ValueError(f"{place}: a pull needs a load factor above 1, not {n:g}")
                direction = side
            counts = segment.kind != "recover"
            target = 0.0 if segment.climb_angle is None else segment.climb_angle
            end = _first_meeting(gamma, direction, target)
            # A recovery goes down and round to level, never up and over.
            if segment.kind == "recover" and np.sin(0.5 * (gamma + end)) > 1e-9:
                raise ValueError(f"{place}: a recovery starts from a descending path or from the top")
        elif segment.kind == "hold":
            if abs(np.sin(gamma)) > 1e-6:
                raise ValueError(f"{place}: a hold is level; use line on a climbing or descending path")
            # On the knife edge the fuselage carries the aircraft, and its drag is in the drag multiple.
            n = 0.0 if bank in (90, 270) else n / np.cos(segment.bank * _DEG)
        elif segment.kind == "roll":
            turns_over = abs((bank - 360 if bank > 180 else bank) + segment.roll_degrees) > 180
            bank = (bank + segment.roll_degrees) % 360
            if bank == 180:
                side_end, bank = -side, 0
        elif segment.kind == "line":
            # On an upright line the wing carries next to nothing: running out of speed there is no stall.
            counts = abs(np.cos(gamma)) > _UPRIGHT
            if segment.height is not None and abs(np.sin(gamma)) < 1e-6:
                raise ValueError(
                    f"{place}: a level line never gets to another height; end it by time, length or speed"
                )
        elif segment.kind == "own":
            counts = False
            if segment.path == "pivot":
                end, side_end = -gamma, -side
            elif segment.path == "slide":
                end = gamma + np.pi
            elif segment.path == "down":
                end = _first_meeting(gamma, -side, -90.0)
            elif segment.path == "reverse":
                end, side_end = np.pi - gamma, -side
            if segment.path in ("pivot", "slide") and abs(np.sin(gamma)) < _STEEP:
                raise ValueError(f"{place}: a {segment.path} starts from a steep up-line")
        holds = counts and segment.kind in ("float_to", "line", "hold", "roll")
        result.append(Step(segment, gamma, end, side, side_end, float(n), counts, holds, turns_over))
        gamma, side = end, side_end
    last_gate = max(figure.gate_segments, default=-1)
    if last_gate >= 0 and all(segment.kind != "recover" for segment in figure.segments[last_gate:]):
        raise ValueError(
            f"figure {figure.name!r}, segment {last_gate + 1}: a gate is judged by the recovery after it, "
            "and there is none"
        )
    if abs(np.sin(gamma)) > 1e-6 or bank:
        raise ValueError(f"figure {figure.name!r} does not end level with wings level; add the last segment")
    return tuple(result)


def _figure(
    name: str,
    *segments: Segment,
    kt: float,
    entry_ft: float = 500.0,
    base_ft: float | None = None,
    gain: float = 0.0,
    **options: float | bool,
) -> Figure:
    figure = Figure(
        name=name,
        segments=segments,
        entry_speed=kt * KT,
        entry_height=entry_ft * FT,
        base_height=(entry_ft if base_ft is None else base_ft) * FT,
        recovery_load_factor=3.8,
    )
    # gain: knots for each 1,000 ft of density altitude
    return replace(figure, entry_speed_gain=gain * KT / (1000.0 * FT), **options)  # type: ignore[arg-type]


_OVER_THE_TOP = (float_to(0.0), float_to(-20.0, gate=True))

LIBRARY: dict[str, Figure] = {
    figure.name: figure
    for figure in (
        _figure("loop", pull_to(90), pull_to(20), *_OVER_THE_TOP, recover(), kt=150, gain=1.0),
        _figure(
            "outside_loop",
            push_to(-60, -0.8, gate=True, throttle=0.3),
            recover(push=True),
            push_to(90),
            push_to(45, -1.5),
            push_to(0, -0.3),
            kt=85,
            entry_ft=2300,
            base_ft=600,
            push_load_factor=-3.0,
        ),
        _figure(
            "square_loop",
            pull_to(90),
            line(seconds=1.5),
            pull_to(0, 1.3),
            hold(seconds=1.0),
            pull_to(-90, 1.8, gate=True),
            line(seconds=0.5),
            recover(),
            kt=165,
            gain=1.0,
            recovery_load_factor=4.0,
        ),
        _figure(
            "immelmann",
            pull_to(90),
            pull_to(20),
            float_to(0.0),
            roll(180, 2.0),
            kt=150,
            gain=1.0,
        ),
        _figure("split_s", roll(180, 2.0), recover(gate=True), kt=85, entry_ft=1300, base_ft=500),
        _figure(
            "cuban_eight",
            pull_to(90),
            pull_to(20),
            *_OVER_THE_TOP,
            pull_to(-45),
            line(seconds=0.5),
            roll(180, 1.5),
            line(speed=128 * KT),
            recover(),
            pull_to(90),
            pull_to(60, 2.0),
            pull_to(20, 1.2),
            *_OVER_THE_TOP,
            pull_to(-45),
            line(seconds=0.5),
            roll(180, 1.5),
            recover(),
            kt=150,
            gain=1.0,
        ),
        _figure(
            "half_cuban",
            pull_to(90),
            pull_to(20),
            *_OVER_THE_TOP,
            pull_to(-45),
            line(seconds=0.5),
            roll(180, 1.5),
            recover(),
            kt=150,
            gain=1.0,
        ),
        _figure(
            "reverse_half_cuban",
            pull_to(45),
            line(seconds=1.0),
            roll(180, 1.5),
            line(seconds=0.5),
            pull_to(0, 1.5),
            recover(gate=True),
            kt=150,
            gain=1.0,
        ),
        _figure(
            "hammerhead",
            pull_to(90),
            line(speed=30 * KT),
            own(2.5, 0.0, path="pivot", speed_after=20 * KT),
            line(speed=105 * KT, gate=True),
            recover(),
            kt=145,
            gain=1.0,
        ),
        _figure(
            "humpty_bump",
            pull_to(90),
            line(speed=60 * KT),
            pull_to(45, 1.5),
            float_to(0.0, 0.4),
            float_to(-45.0, 0.4, gate=True),
            pull_to(-90.0, 1.5),
            line(speed=90 * KT),
            recover(),
            kt=145,
            gain=1.0,
        ),
        _figure(
            "wingover",
            pull_to(45),
            line(seconds=2.0),
            own(5.0, 60 * FT, path="reverse", speed_after=65 * KT),
            float_to(0.0, 0.5),
            float_to(-30.0, 0.5, gate=True),
            recover(),
            kt=135,
            gain=0.5,
            working_load_factor=3.0,
            recovery_load_factor=3.0,
        ),
        _figure(
            "vertical_roll",
            pull_to(90),
            roll(360, 3.0),
            line(speed=30 * KT),
            own(2.5, 0.0, path="pivot", speed_after=20 * KT),
            line(speed=105 * KT, gate=True),
            recover(),
            kt=160,
            gain=1.0,
        ),
        _figure(
            "torque_roll",
            pull_to(90),
            line(speed=35 * KT),
            own(4.0, -40 * FT, path="slide", speed_after=35 * KT, gate=True),
            line(speed=105 * KT),
            recover(),
            kt=150,
            gain=1.0,
        ),
        _figure(
            "tailslide",
            pull_to(90),
            line(speed=20 * KT),
            own(3.5, -50 * FT, path="slide", speed_after=35 * KT, gate=True),
            line(speed=105 * KT),
            recover(),
            kt=145,
            gain=1.0,
        ),
        _figure("snap_roll", own(2.0, -20 * FT, speed_after=75 * KT, distance_covered=300 * FT), kt=90),
        _figure("slow_roll", roll(360, 8.0, drag_multiple=1.3), kt=125),
        _figure("point_roll", roll(360, 9.0, drag_multiple=1.3), kt=130),
        _figure(
            "barrel_roll",
            own(8.0, -50 * FT, speed_after=115 * KT, distance_covered=1600 * FT),
            kt=130,
        ),
        _figure(
            "avalanche",
            pull_to(90),
            pull_to(20),
            float_to(0.0),
            own(2.0, -30 * FT, speed_after=60 * KT, distance_covered=200 * FT, gate=True),
            float_to(-45.0),
            recover(),
            kt=160,
            gain=1.0,
        ),
        _figure(
            "spin",
            own(4.5, -450 * FT, path="down", speed_after=60 * KT, gate=True),
            line(speed=105 * KT),
            recover(),
            kt=50,
            entry_ft=2200,
            base_ft=500,
        ),
        _figure("inverted_pass", hold(seconds=8.0), kt=120, entry_ft=300, entry_inverted=True),
        _figure(
            "knife_edge_pass",
            roll(90, 0.7),
            hold(seconds=6.0, drag_multiple=1.8),
            roll(-90, 0.7),
            kt=130,
            entry_ft=300,
        ),
        _figure(
            "tumble",
            pull_to(45),
            line(speed=85 * KT),
            own(3.5, -60 * FT, speed_after=45 * KT),
            float_to(0.0, 0.2),
            float_to(-45.0, 0.2, gate=True),
            line(speed=105 * KT),
            recover(),
            kt=145,
            gain=1.0,
        ),
        _figure("ribbon_cut", hold(seconds=8.0), kt=110, entry_ft=300, entry_inverted=True),
        _figure("photo_pass", hold(seconds=12.0, bank=30.0), kt=120, entry_ft=300),
    )
}
"""The trade's figures by name, with a big biplane's illustrative entry numbers."""
