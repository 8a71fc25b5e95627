"""The equations of motion in the vertical plane, flown for many figures and many airs at once.

Every case - a figure in one air from one entry - is a lane of an array. All lanes fly their first segment
together, then their second, and so on. Within a segment the independent variable is the one that ends it:
path angle in a rotation, speed, distance or time on a line. A segment therefore ends exactly where it
should, without a search for the event inside a step, in the same number of steps for every lane.

The integrator is the classical fourth-order Runge-Kutta method. Its error falls with the fourth power of
the step where the motion is smooth. Where the wing's limit cuts in inside a segment the load factor has a
corner, and in that one step the order is lower: with the default steps the height error is about a foot
(tested against an adaptive solver), and a few feet where the wing gives out for most of a rotation.

A recovery is flown twice: at the full working load factor, which tells how low it must go at the least;
and, where that leaves height to spare, at the gentler constant load factor that just meets the base.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import DENSITY_0, GRAVITY, LAPSE_RATE, R_DRY, TEMPERATURE_0
from pipeline.flight.aircraft import (
    Aircraft,
    BlownEngine,
    FieldAir,
    UnblownEngine,
    engine_temperature_ratio,
    gagg_farrar,
    shaft_power,
    stall_speed,
    thrust,
    troposphere_density,
)
from pipeline.flight.figures import Figure, Step, steps

__all__ = ["FAILURES", "OFF_TABLE", "Flown", "entry_speed_at", "fly", "nodes_of"]

FloatArray = npt.NDArray[np.floating]
IntArray = npt.NDArray[np.integer]
BoolArray = npt.NDArray[np.bool_]

FAILURES = (
    "flown",
    "stalls in the rotation: the wing cannot give the load factor that bends the path",
    "runs out of speed",
    "never reaches the speed that ends the line, or too slowly to rely on",
    "stalls while holding the line",
    "asks for a load factor outside the aircraft's limits to hold the path",
    "climbs past the end of the engine's power table",
)
"""What `Flown.failure` counts into."""
OFF_TABLE = 6
"""The last of them."""

_ARC, _TIME, _DISTANCE, _SPEED, _OWN = range(5)
_SLOWEST = 3.0  # m/s; below it the point mass says nothing about an aeroplane
_FLATTEST_RATE = 0.01  # rad/s
_HANGS = 0.5  # m/s²; a line up or down whose speed changes by less has all but found its balance
_SOFTEST = 1.5  # g; a recovery is not flown more gently
_ON_THE_BASE = 0.15  # m
_C = LAPSE_RATE / TEMPERATURE_0
_EXPONENT = GRAVITY / (R_DRY * LAPSE_RATE) - 1.0


@dataclass(frozen=True)
class Flown:
    """What came out, per lane; arrays have the shape (figures, *cases), or (*cases) for a single figure.

    Paths have the nodes as a first axis. A lane that could not be flown is NaN from there on.

    Attributes
    ----------
    time, distance, height, true_airspeed
        Along the path [s, m, m above the field, m/s]; distance is along the show line, from the entry.
    path_angle
        γ [rad].
    load_factor
        Toward the canopy, as flown [1].
    judged_load_factor
        That by which the speed over the stall is judged [1]. In a float and on a line it is the one called
        for, whether or not the wing can give it; in a pull or push the one flown, which the pilot eases.
        Where two segments meet it is a float's or a line's, and of two such the one that stalls sooner; of
        two pulls the lesser: the pilot lets go there, or has not pulled yet.
    equivalent_airspeed
        [m/s].
    segment
        Index of the segment that each node ends, (nodes, figures).
    counts, holds
        Whether the speed over the stall is judged at each node, and whether that is with a load factor that
        is not the pilot's to ease, (nodes, figures); see `figures.Step`.
    full_pull_bottom
        Lowest height at which a recovery levels out when pulled at the full working load factor [m]; inf
        for a figure without a recovery.
    failure, failed_segment
        Index into `FAILURES`, and of the segment; 0 and -1 where the figure was flown.
    """

    time: FloatArray
    distance: FloatArray
    height: FloatArray
    true_airspeed: FloatArray
    path_angle: FloatArray
    load_factor: FloatArray
    judged_load_factor: FloatArray
    equivalent_airspeed: FloatArray
    segment: IntArray
    counts: BoolArray
    holds: BoolArray
    full_pull_bottom: FloatArray
    failure: IntArray
    failed_segment: IntArray

    @property
    def seconds(self) -> FloatArray:
        """Time for the whole figure [s]."""
        return np.asarray(self.time[-1])

    @property
    def lowest(self) -> FloatArray:
        """Lowest height as flown, recoveries meeting the base where they can [m]."""
        return -self.greatest(-self.height)

    @property
    def highest(self) -> FloatArray:
        """Greatest height [m]."""
        return self.greatest(self.height)

    @property
    def fastest(self) -> FloatArray:
        """Greatest equivalent airspeed [m/s]."""
        return self.greatest(self.equivalent_airspeed)

    def greatest(self, values: FloatArray) -> FloatArray:
        """Greatest along the path, between nodes too: the top of the parabola through three of a segment.

        Values at the nodes; minus infinity where one does not count.
        """
        before, here, after = values[:-2], values[1:-1], values[2:]
        same = self.segment[1:-1] == self.segment[2:]
        same = same.reshape(same.shape + (1,) * (values.ndim - same.ndim))
        with np.errstate(invalid="ignore"):
            # Past a figure's own end its last node is repeated, in no time.
            inside = same & (self.time[2:] > self.time[1:-1]) & (before > -np.inf) & (after > -np.inf)
            bend = 2.0 * here - before - after
            crest = inside & (here >= before) & (here >= after) & (bend > 0.0)
            rise = np.divide((after - before) ** 2, 8.0 * bend, out=np.zeros_like(here), where=crest)
        return np.asarray(np.maximum(np.max(values, axis=0), np.max(here + rise, axis=0)))

    @property
    def energy_height_spent(self) -> FloatArray:
        """Energy height h + V²/2g at the entry less that at the end [m]."""
        energy = self.height + self.true_airspeed**2 / (2.0 * GRAVITY)
        return np.asarray(energy[0] - energy[-1])

    @property
    def ground_covered(self) -> FloatArray:
        """Length along the show line between the figure's two extremes, in still air [m]."""
        return np.asarray(np.max(self.distance, axis=0) - np.min(self.distance, axis=0))


def entry_speed_at(figure: Figure, density_altitude: npt.ArrayLike) -> FloatArray:
    """Equivalent airspeed [m/s] the pilot enters with at a density altitude [m] of the field.

    The extra carried at high fields is nothing below sea level density altitude.
    """
    extra = figure.entry_speed_gain * np.maximum(np.asarray(density_altitude, dtype=float), 0.0)
    return np.asarray(figure.entry_speed + extra)


def nodes_of(segments: IntArray, index: int) -> tuple[int, int]:
    """Nodes of one figure's path at which a segment begins and ends; `segments` as in `Flown`, (nodes,)."""
    before, ended = (int(np.count_nonzero(segments < k)) for k in (index, index + 1))
    return max(before - 1, 0), ended - 1


@dataclass
class _Slot:
    """One segment of every lane: constants of the motion, arrays over lanes."""

    mode: IntArray
    gamma: FloatArray
    gamma_end: FloatArray
    side: FloatArray
    load: FloatArray
    amount: FloatArray  # seconds, metres or equivalent airspeed, by mode
    to_height: BoolArray
    holds: BoolArray
    floats: BoolArray
    turns_over: BoolArray
    throttle: FloatArray
    drag_multiple: FloatArray
    recovers: BoolArray
    height_change: FloatArray
    own_seconds: FloatArray
    own_distance: FloatArray
    speed_after: FloatArray


def _slot_table(all_steps: Sequence[tuple[Step, ...]], slot: int) -> _Slot:
    """Collect the slot's segment of each figure; figures that have ended get an empty own segment."""
    rows = []
    for figure_steps in all_steps:
        if slot >= len(figure_steps):
            last = figure_steps[-1]
            rows.append((_OWN, last.gamma_end, last.gamma_end, last.side_end, 0.0, 0.0, False, False,
                         False, False, 1.0, 1.0, False, 0.0, 0.0, 0.0, np.nan))  # fmt: skip
            continue
        step = figure_steps[slot]
        segment = step.segment
        mode, amount, to_height = _TIME, 0.0, False
        if segment.kind in ("pull_to", "push_to", "float_to", "recover"):
            mode = _ARC
        elif segment.kind == "own":
            mode = _OWN
        elif segment.speed is not None:
            mode, amount = _SPEED, segment.speed
        elif segment.height is not None:
            mode, amount, to_height = _DISTANCE, segment.height, True
        elif segment.distance is not None:
            mode, amount = _DISTANCE, segment.distance
        else:
            amount = 0.0 if segment.seconds is None else segment.seconds
        rows.append((
            mode, step.gamma, step.gamma_end, step.side, step.load_factor, amount, to_height,
            segment.kind == "hold", segment.kind == "float_to", step.turns_over,
            segment.throttle, segment.drag_multiple, segment.kind == "recover", segment.height_change,
            0.0 if segment.seconds is None else segment.seconds, segment.distance_covered,
            np.nan if segment.speed_after is None else segment.speed_after,
        ))  # fmt: skip
    columns = [np.asarray(column) for column in zip(*rows, strict=True)]
    return _Slot(
        mode=columns[0], gamma=columns[1], gamma_end=columns[2], side=columns[3].astype(float),
        load=columns[4], amount=columns[5], to_height=columns[6], holds=columns[7], floats=columns[8],
        turns_over=columns[9], throttle=columns[10], drag_multiple=columns[11], recovers=columns[12],
        height_change=columns[13], own_seconds=columns[14], own_distance=columns[15],
        speed_after=columns[16],
    )  # fmt: skip


def _take(slot: _Slot, lanes: IntArray) -> _Slot:
    return _Slot(**{name: value[lanes] for name, value in vars(slot).items()})


def _nodes_for(table: _Slot, degrees_per_node: float) -> int:
    """Steps for a segment: by its widest rotation; a line is as smooth as sixty or ninety degrees of one.

    A float bends slowest where it begins, and takes steps half as wide.
    """
    swept = np.abs(table.gamma_end - table.gamma) * np.where(table.floats, 2.0, 1.0)
    widest = float(np.max(np.where(table.mode == _ARC, swept, 0.0)))
    lines = np.where(table.mode == _SPEED, 90.0, np.where(table.mode == _ARC, 0.0, 60.0))
    return max(2, int(np.ceil(max(np.degrees(widest), float(np.max(lines))) / degrees_per_node - 1e-9)))


class _Lanes:
    """The air and the aircraft's constants of a set of lanes."""

    def __init__(
        self,
        aircraft: Aircraft,
        density_altitude: FloatArray,
        pressure_altitude: FloatArray,
        stratified: float,
        stall_margin: float,
    ) -> None:
        self.aircraft = aircraft
        self.density_altitude = density_altitude
        self.pressure_altitude = pressure_altitude
        self.stratified = stratified
        self.stall_margin = stall_margin
        # Lanes that have asked for power beyond the end of an engine's table, so that the failure is told.
        self.off_table = np.zeros(density_altitude.shape, dtype=bool)
        if isinstance(aircraft.engine, BlownEngine):
            # Rating over the blown engine's own lapse at its critical altitude, times what heat leaves.
            ratio = engine_temperature_ratio(density_altitude, pressure_altitude)
            critical = gagg_farrar(troposphere_density(aircraft.engine.critical_altitude) / DENSITY_0)
            self.rating = aircraft.engine.rated_power * np.sqrt(ratio) / critical

    def take(self, lanes: IntArray) -> _Lanes:
        return _Lanes(
            self.aircraft,
            self.density_altitude[lanes],
            self.pressure_altitude[lanes],
            self.stratified,
            self.stall_margin,
        )

    def density(self, height: FloatArray) -> FloatArray:
        base = 1.0 - _C * (self.density_altitude + self.stratified * height)
        return np.asarray(DENSITY_0 * np.maximum(base, 0.3) ** _EXPONENT)

    def power(self, density: FloatArray, height: FloatArray) -> FloatArray:
        engine = self.aircraft.engine
        if isinstance(engine, UnblownEngine):
            return engine.rated_power * gagg_farrar(density / DENSITY_0)
        altitude = self.pressure_altitude + self.stratified * height
        if isinstance(engine, BlownEngine):
            lapse = gagg_farrar(troposphere_density(np.fmax(altitude, engine.critical_altitude)) / DENSITY_0)
            return np.asarray(self.rating * lapse)
        altitude = self.density_altitude + self.stratified * height
        self.off_table |= altitude > engine.density_altitudes[-1]
        return shaft_power(engine, altitude, altitude, 1.0)

    def lift_limited(
        self, load: FloatArray, arc: BoolArray, true_airspeed: FloatArray, density: FloatArray
    ) -> FloatArray:
        """Load factor the wing gives; the stall margin is kept in rotations."""
        speed = true_airspeed
        if self.stall_margin:
            clear = self.stall_margin * np.sqrt(DENSITY_0 / density)
            speed = np.where(arc, np.maximum(true_airspeed - clear, 0.0), true_airspeed)
        # Dynamic pressure times wing area over weight: the load factor of a lift coefficient of one.
        unit = (0.5 * self.aircraft.wing_area / self.aircraft.weight) * density * speed * speed
        return np.asarray(
            np.minimum(
                np.maximum(load, -self.aircraft.max_lift_inverted * unit), self.aircraft.max_lift * unit
            )
        )


def _fly_slot(lanes: _Lanes, slot: _Slot, state: FloatArray, count: int) -> FloatArray:
    """Integrate one segment: state rows are time, distance, height, true airspeed.

    Returns the nodes after each of `count` steps, (count, 4, lanes).
    """
    aircraft = lanes.aircraft
    mass, weight, area = aircraft.mass, aircraft.weight, aircraft.wing_area
    arc, distance, speed, own = (slot.mode == m for m in (_ARC, _DISTANCE, _SPEED, _OWN))
    weight_arc = np.where(arc, GRAVITY * np.sign(slot.gamma_end - slot.gamma), 0.0)
    weight_time = ((slot.mode == _TIME) | own).astype(float)
    weight_distance = distance.astype(float)
    sine0 = np.sin(slot.gamma)

    # How far the independent variable has to run.
    density0 = lanes.density(state[2])
    equivalent = state[3] * np.sqrt(density0 / DENSITY_0)
    speeding = np.where(sine0 > 1e-6, -1.0, 1.0)
    weight_speed = np.where(speed, speeding, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = (slot.amount - state[2]) / sine0
    extent = np.where(arc, np.abs(slot.gamma_end - slot.gamma), slot.amount)
    extent = np.where(slot.to_height, np.maximum(rise, 0.0), extent)
    extent = np.where(speed, np.maximum((slot.amount - equivalent) * speeding, 0.0), extent)
    extent = np.where(own, 0.0, extent)
    # Where thrust, drag and weight all but balance, a percent of thrust moves the end of a line up or down by
    # hundreds of feet, and steps in speed pass over most of its time: no height there is to be relied on.
    changing = np.where(np.abs(sine0) > 1e-6, _HANGS, 0.02)
    floor_rate = np.select([arc, distance, speed], [_FLATTEST_RATE, _SLOWEST, changing], -1.0)
    # A line may run out of speed on purpose; elsewhere a point mass at rest is not an aeroplane.
    slowest = np.where(speed | own, -np.inf, _SLOWEST)
    cap = np.where(slot.holds, 0.0, np.inf)
    zero_lift = aircraft.zero_lift_drag * slot.drag_multiple
    throttled = bool(np.any(slot.throttle != 1.0))
    turning = np.where(arc, slot.gamma_end - slot.gamma, 0.0)

    per_weight = 0.5 * area / weight
    # A segment with nothing left to fly takes no time; one that has come to a stop has no way on.
    scaled = np.where(extent > 0.0, weight_time, 1.0)
    stopped = np.where(extent > 0.0, np.nan, 0.0)
    any_speed = bool(np.any(speed))
    # A line of a given length is flown in V²/2, whose change per metre is smooth however slowly it begins;
    # and in a down-line steps even in length would be too long in time at first.
    any_distance = bool(np.any(distance))
    falls = np.where(distance, -2.0 * GRAVITY * sine0 * extent, 0.0)
    early = np.where(falls > 0.0, falls / (falls + state[3] ** 2), 0.0)

    def speed_of(x: FloatArray) -> FloatArray:
        v = x[3]
        return np.asarray(np.where(distance, np.sqrt(2.0 * np.maximum(v, 0.0)), v)) if any_distance else v

    def rates(x: FloatArray, fraction: float) -> FloatArray:
        gamma = slot.gamma + fraction * turning
        sine, cosine = np.sin(gamma), np.cos(gamma)
        height, v = x[2], speed_of(x)
        rho = lanes.density(height)
        # Standing still (the end of a zoom) neither lift nor drag exists.
        unit = np.maximum(per_weight * rho * v * v, 1e-12)
        n = lanes.lift_limited(slot.load, arc, v, rho)
        power = lanes.power(rho, height)
        if throttled:
            power = power * slot.throttle
        pull = thrust(aircraft, power, np.maximum(v, 0.0), rho)
        braking = zero_lift * unit + aircraft.induced_drag_factor * n * n / unit
        acceleration = np.minimum(pull / mass - GRAVITY * (braking + sine), cap)
        bend = weight_arc / np.maximum(v, 1e-6)
        rate = bend * (slot.side * n - cosine) + scaled + weight_distance * v
        # Below a tenth of the rate called for a rotation is a mush, not a figure.
        least = np.maximum(floor_rate, 0.1 * bend * (slot.side * slot.load - cosine))
        if any_speed:
            thinning = (0.5 * _EXPONENT * _C * lanes.stratified) / (
                1.0 - _C * (lanes.density_altitude + lanes.stratified * height)
            )
            gain = acceleration - thinning * v * v * sine
            rate = rate + weight_speed * np.sqrt(rho / DENSITY_0) * gain
        span = extent * (1.0 + early * (2.0 * fraction - 1.0)) if any_distance else extent
        dt = np.where((rate > least) & (v >= slowest), span / rate, stopped)
        moved = v * dt
        change = np.empty_like(x)
        change[0] = dt
        np.multiply(moved, cosine, out=change[1])
        np.multiply(moved, sine, out=change[2])
        np.multiply(acceleration, dt, out=change[3])
        if any_distance:
            change[3] = np.where(distance, acceleration * moved, change[3])
        return change

    nodes = np.empty((count, *state.shape))
    step = 1.0 / count
    x = state
    if any_distance:
        x = state.copy()
        x[3] = np.where(distance, 0.5 * state[3] ** 2, state[3])
    jump = None
    if np.any(own):
        ratio = density0 / DENSITY_0
        after = np.where(np.isnan(slot.speed_after), state[3], slot.speed_after / np.sqrt(ratio))
        forward = np.sign(np.cos(slot.gamma)) * (np.abs(np.cos(slot.gamma)) > 1e-6)
        jump = np.where(
            own,
            np.stack(
                [
                    slot.own_seconds / np.sqrt(ratio),
                    forward * slot.own_distance / ratio,
                    slot.height_change / ratio,
                    after - state[3],
                ]
            ),
            0.0,
        )
    for i in range(count):
        f = i * step
        k1 = rates(x, f)
        k2 = rates(x + 0.5 * step * k1, f + 0.5 * step)
        k3 = rates(x + 0.5 * step * k2, f + 0.5 * step)
        k4 = rates(x + step * k3, f + step)
        before = x
        x = x + (step / 6.0) * (k1 + 2.0 * (k2 + k3) + k4)
        if any_distance:
            # Length over the mean of the speeds at both ends: exact where the acceleration is constant,
            # and finite from standing still.
            length = extent * step * (1.0 + early * (2.0 * f + step - 1.0))
            seconds = np.where(length > 0.0, 2.0 * length / (speed_of(before) + speed_of(x)), 0.0)
            x[0] = np.where(distance, before[0] + seconds, x[0])
        if jump is not None:
            x = x + step * jump
        nodes[i] = x
        if any_distance:
            nodes[i, 3] = speed_of(x)
    return nodes


def _where_zero(x: FloatArray, y: FloatArray) -> FloatArray:
    """Where y is zero by the polynomial of x in y through all points, (points, lanes) to (lanes,)."""
    at = np.zeros(x.shape[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        for i in range(len(x)):
            others = np.delete(y, i, axis=0)
            at += x[i] * np.prod(others / (others - y[i]), axis=0)
    return at


def _meet_base(
    lanes: _Lanes, slot: _Slot, state: FloatArray, count: int, base: FloatArray, full: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Refly recoveries that have height to spare at the constant load factor that meets the base.

    The height at the end is nearly linear in 1/n; a bracketed search in 1/n takes it to within 15 cm.
    Lanes that end above the base even at the softest recovery stay there. Returns the nodes and
    the load factors flown.
    """
    chosen = slot.load.copy()
    spare = np.flatnonzero(full[-1, 2] > base + 0.01)
    if spare.size == 0:
        return full, chosen
    part, air, start, goal = _take(slot, spare), lanes.take(spare), state[:, spare], base[spare]
    sign, hard = np.sign(part.load), np.abs(part.load)

    # A fan of load factors, evenly spaced in 1/n, flown at once; twice where the curve through all that are
    # flown meets the base; then straight lines between the two that straddle it, for those not yet on it. A
    # trial that stalls is NaN: too low.
    ends = np.stack([1.0 / hard, 1.0 / np.minimum(_SOFTEST, hard)])
    shares = np.array([0.0, 1.0, 2.0, 3.0])[:, None] / 3.0
    tried = ends[0] + shares * (ends[1] - ends[0])
    fan = np.tile(np.arange(spare.size), 3)
    trial = _take(part, fan)
    trial.load = sign[fan] / tried[1:].ravel()
    errors = _fly_slot(air.take(fan), trial, start[:, fan], count)[-1, 2].reshape(3, -1) - goal
    errors = np.concatenate([full[None, -1, 2, spare] - goal, errors])
    # From hard to soft: the last one that stays above the base, and the next.
    last = np.cumprod(errors >= 0.0, axis=0).sum(axis=0) - 1
    after = np.minimum(last + 1, 3)
    lanes_of = np.arange(spare.size)
    upper, upper_error = tried[last, lanes_of], errors[last, lanes_of]
    lower, lower_error = tried[after, lanes_of], errors[after, lanes_of]
    flown = full[:, :, spare].copy()
    best = np.full(spare.size, np.inf)
    used = upper.copy()
    left = np.arange(spare.size)
    for attempt in range(6):
        # Straight lines between the two ends; every third time the middle, should one end be stuck. A trial
        # that stalled has no error, and a fold of the curve no one place: then from the first.
        share = upper_error[left] / (upper_error[left] - lower_error[left])
        share = np.where(np.isfinite(share), share, 0.0) if attempt % 3 != 2 else 0.5
        inverse = upper[left] + share * (lower[left] - upper[left])
        if attempt < 2:
            guess = _where_zero(tried[:, left], errors[:, left])
            inverse = np.where((guess > upper[left]) & (guess < lower[left]), guess, inverse)
        trial = _take(part, left)
        trial.load = sign[left] / inverse
        path = _fly_slot(air.take(left), trial, start[:, left], count)
        error = path[-1, 2] - goal[left]
        tried, errors = (np.vstack([a, np.full(spare.size, np.nan)]) for a in (tried, errors))
        tried[-1, left], errors[-1, left] = inverse, error
        better = np.abs(error) < best[left]
        flown[:, :, left[better]] = path[:, :, better]
        used[left[better]], best[left[better]] = inverse[better], np.abs(error[better])
        high = error >= 0.0
        upper[left[high]], upper_error[left[high]] = inverse[high], error[high]
        lower[left[~high]], lower_error[left[~high]] = inverse[~high], error[~high]
        # The softest recovery that still ends above the base is as far as it goes.
        left = np.flatnonzero((best > _ON_THE_BASE) & (upper != lower))
        if left.size == 0:
            break
    chosen[spare] = sign / used
    nodes = full.copy()
    nodes[:, :, spare] = flown
    return nodes, chosen


def fly(
    figures: Figure | Sequence[Figure],
    aircraft: Aircraft,
    air: FieldAir,
    *,
    entry_speed: npt.ArrayLike | None = None,
    entry_height: npt.ArrayLike | None = None,
    base_height: npt.ArrayLike | None = None,
    raised: npt.ArrayLike = 0.0,
    meet_base: bool = True,
    stall_margin: float = 0.0,
    degrees_per_node: float = 20.0,
    first_segment: int = 0,
) -> Flown:
    """Fly one figure or several, each in all the air's cases, as a point mass in the vertical plane.

    Parameters
    ----------
    figures
        A figure, or a sequence whose order becomes the first axis of the result.
    aircraft
        The aircraft.
    air
        The air over the field; its shape broadcasts with the four arrays below to the cases.
    entry_speed
        Equivalent airspeed at the entry [m/s]; None takes each figure's own, with its gain at high fields.
    entry_height, base_height
        Heights above the field [m]; None takes each figure's own.
    raised
        Height by which all of it is flown higher [m], as by `Figure.raised`.
    meet_base
        True softens each recovery to meet the base; False flies all at the full working load factor.
    stall_margin
        Equivalent airspeed [m/s] by which the pilot stays clear of the stall in every rotation, easing the
        pull where the load factor called for would come nearer. With 0 the wing gives all it can.
    degrees_per_node
        Step of the integrator in rotations; lines take a count of steps in proportion.
    first_segment
        Start the figure here, at that segment's path angle (a gate, say).

    Returns
    -------
    Flown

    Raises
    ------
    ValueError
        When an entry speed is not above zero.
    """
    single = isinstance(figures, Figure)
    listed: list[Figure] = [figures] if isinstance(figures, Figure) else list(figures)
    if not listed:
        raise ValueError("no figure to fly")
    given = [
        np.asarray(a, dtype=float) for a in (entry_speed, entry_height, base_height, raised) if a is not None
    ]
    cases = np.broadcast_shapes(air.shape, *(a.shape for a in given))
    size = int(np.prod(cases, dtype=int))
    density_altitude, pressure_altitude = air.lanes(cases)
    count = len(listed)
    figure_of = np.repeat(np.arange(count), size)
    density_altitude = np.tile(density_altitude, count)
    pressure_altitude = np.tile(pressure_altitude, count)

    def spread(value: npt.ArrayLike | None, own_values: list[FloatArray]) -> FloatArray:
        if value is None:
            return np.concatenate([np.broadcast_to(v, (size,)) for v in own_values])
        return np.tile(np.broadcast_to(np.asarray(value, dtype=float), cases).ravel(), count)

    one = density_altitude[:size]
    speed = spread(entry_speed, [entry_speed_at(f, one) for f in listed])
    higher = spread(raised, [])
    height = spread(entry_height, [np.asarray(f.entry_height) for f in listed]) + higher
    base = spread(base_height, [np.asarray(f.base_height) for f in listed]) + higher
    if np.any(speed <= 0):
        raise ValueError("entry speeds must be above zero")

    lanes = _Lanes(
        aircraft,
        density_altitude,
        pressure_altitude,
        0.0 if air.uniform else 1.0,
        stall_margin,
    )
    all_steps = [steps(f)[first_segment:] for f in listed]
    if any(not s for s in all_steps):
        raise ValueError("first_segment lies beyond the end of a figure")
    slots = max(len(s) for s in all_steps)
    lengths = np.array([len(s) for s in all_steps])

    tables = [_slot_table(all_steps, k) for k in range(slots)]
    beyond = [
        np.array([
            k < len(s)
            and not all(aircraft.holds(n) for n in s[k].held_load_factors)
            for s in all_steps
        ])
        for k in range(slots)
    ]  # fmt: skip
    for table in tables:
        # A roll is held both ways up; it is judged where the wing has the less to give.
        weaker = -1.0 if aircraft.max_lift_inverted <= aircraft.max_lift else 1.0
        table.load = np.where(table.turns_over, weaker * np.abs(table.load), table.load)
        # Whatever is called for, no more is pulled or pushed than the structure bears.
        table.load = np.clip(table.load, aircraft.min_load_factor, aircraft.max_load_factor)
    node_counts = [_nodes_for(table, degrees_per_node) for table in tables]
    total = 1 + sum(node_counts)
    path = np.empty((total, 4, speed.size))
    gamma = np.empty((total, count))
    load = np.empty((total, speed.size))
    judged = np.zeros((total, speed.size))
    segment = np.zeros((total, count), dtype=int)
    counts = np.zeros((total, count), dtype=bool)
    holds = np.zeros((total, count), dtype=bool)
    true_airspeed = speed * np.sqrt(DENSITY_0 / lanes.density(height))
    path[0] = np.stack([np.zeros_like(speed), np.zeros_like(speed), height, true_airspeed])
    gamma[0] = [s[0].gamma for s in all_steps]
    segment[0] = first_segment
    failure = np.zeros(speed.shape, dtype=int)
    failed_segment = np.full(speed.shape, -1)
    full_bottom = np.full(speed.shape, np.inf)

    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        for k, (table, node_count) in enumerate(zip(tables, node_counts, strict=True)):
            rows = slice(1 + sum(node_counts[:k]), 1 + sum(node_counts[: k + 1]))
            active = np.flatnonzero(lengths[figure_of] > k)
            state = path[rows.start - 1]
            path[rows] = state
            fractions = np.arange(1, node_count + 1)[:, None] / node_count
            gamma[rows] = table.gamma + fractions * np.where(
                table.mode == _ARC, table.gamma_end - table.gamma, 0.0
            )
            gamma[rows.stop - 1] = table.gamma_end
            segment[rows] = first_segment + np.minimum(k, lengths - 1)
            counted = np.array([k < len(s) and s[k].counts for s in all_steps])
            held = np.array([k < len(s) and s[k].holds for s in all_steps])
            counts[rows], holds[rows] = counted, held
            load[rows] = load[rows.start - 1] if k else 0.0

            slot = _take(table, figure_of[active])
            slot.amount = slot.amount + np.where(slot.to_height, higher[active], 0.0)
            mine = lanes.take(active)
            start = state[:, active]
            nodes = _fly_slot(mine, slot, start, node_count)
            bottom = np.where(slot.recovers, nodes[-1, 2], np.inf)
            full_bottom[active] = np.minimum(full_bottom[active], bottom)
            if meet_base and np.any(slot.recovers):
                flying = np.flatnonzero(slot.recovers)
                nodes[:, :, flying], slot.load[flying] = _meet_base(
                    mine.take(flying), _take(slot, flying), start[:, flying], node_count,
                    base[active][flying], nodes[:, :, flying],
                )  # fmt: skip
            path[rows, :, active] = nodes

            flown_load = mine.lift_limited(
                slot.load, slot.mode == _ARC, nodes[:, 3], mine.density(nodes[:, 2])
            )
            load[rows, active] = flown_load
            judged[rows] = judged[rows.start - 1]
            pulls = (slot.mode == _ARC) & ~slot.floats
            judged[rows, active] = np.where(pulls, flown_load, slot.load)
            # What the segment begins with, at the node it shares with the one before.
            first = mine.lift_limited(slot.load, slot.mode == _ARC, start[3], mine.density(start[2]))
            begins = np.where(pulls, first, slot.load)
            shared = judged[rows.start - 1, active] if k else begins
            was, now = holds[rows.start - 1, figure_of[active]], held[figure_of[active]]
            sooner = stall_speed(aircraft, begins) > stall_speed(aircraft, shared)
            lesser = np.abs(begins) < np.abs(shared)
            takes = np.select([was & now, was | now], [sooner, now], lesser)
            judged[rows.start - 1, active] = np.where(takes, begins, shared)
            counts[rows.start - 1] |= counted
            holds[rows.start - 1] |= held
            if k == 0:
                load[0] = first

            stalls = (
                ((slot.mode == _TIME) | (slot.mode == _DISTANCE))
                & np.any(np.abs(flown_load - slot.load) > 0.02, axis=0)
                & (failure[active] == 0)
            )
            # A path that cannot be held is not flown at the load factor that there is.
            forbidden = beyond[k][figure_of[active]] & (failure[active] == 0)
            lost = (~np.isfinite(nodes[-1, 3]) & (failure[active] == 0)) | stalls | forbidden
            if np.any(lost):
                gone = active[lost]
                reason = np.select(
                    [
                        mine.off_table[lost],
                        forbidden[lost],
                        stalls[lost],
                        slot.mode[lost] == _ARC,
                        slot.mode[lost] == _SPEED,
                    ],
                    [OFF_TABLE, 5, 4, 1, 3],
                    2,
                )
                failure[gone] = reason
                failed_segment[gone] = first_segment + k
                path[rows.stop - 1, :, gone] = np.nan
                full_bottom[gone] = np.nan

    equivalent = path[:, 3] * np.sqrt(lanes.density(path[:, 2]) / DENSITY_0)

    def shaped(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        # The lanes are the last axis; a single figure keeps no axis of its own.
        return values.reshape((*values.shape[:-1], *(cases if single else (count, *cases))))

    angles = gamma[:, :, *([None] * len(cases))]
    return Flown(
        time=shaped(path[:, 0]),
        distance=shaped(path[:, 1]),
        height=shaped(path[:, 2]),
        true_airspeed=shaped(path[:, 3]),
        path_angle=angles[:, 0] if single else angles,
        load_factor=shaped(load),
        judged_load_factor=shaped(judged),
        equivalent_airspeed=shaped(equivalent),
        segment=segment[:, 0] if single else segment,
        counts=counts[:, 0] if single else counts,
        holds=holds[:, 0] if single else holds,
        full_pull_bottom=shaped(full_bottom),
        failure=shaped(failure),
        failed_segment=shaped(failed_segment),
    )
