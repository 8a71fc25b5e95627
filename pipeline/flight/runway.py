"""Straight flight beside the figures: take-off and landing distances, the climb-out, the dive for speed.

Distances are the pilot's own book numbers scaled; nothing here replaces the aircraft's approved data.

References
----------
.. [1] FAA-H-8083-25, Pilot's Handbook of Aeronautical Knowledge, chapter 11, Takeoff and Landing
   Performance: the ground run goes with the square of the speed over the acceleration; a headwind of a
   tenth of the take-off speed shortens it by 19 %, such a tailwind lengthens it by 21 %; a tenth more
   weight lengthens the take-off by at least 21 % and the landing by 10 %.
.. [2] UK Civil Aviation Authority, Safety Sense Leaflet 7, Aeroplane Performance: factors of 1.33 for
   take-off and 1.43 for landing (from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import DENSITY_0, GRAVITY
from pipeline.flight.aircraft import Aircraft, FieldAir, drag, thrust

__all__ = [
    "LANDING_FACTOR",
    "TAKE_OFF_FACTOR",
    "climb_out_speed",
    "credited_headwind",
    "dive",
    "landing_distance",
    "least_run",
    "take_off_distance",
]

FloatArray = npt.NDArray[np.floating]

TAKE_OFF_FACTOR = 1.33
"""Multiplies a scaled take-off distance before it is held against the runway [2]_."""
LANDING_FACTOR = 1.43
"""Multiplies a scaled landing distance before it is held against the runway [2]_."""

_ROLLING = 0.05  # rolling resistance over weight, firm short grass: common practice, no source


def credited_headwind(headwind: npt.ArrayLike) -> FloatArray:
    """Headwind to reckon with [m/s]: half of a headwind, half as much again of a tailwind (negative).

    The rule of 14 CFR 121.189(e) (from memory), widely followed by private operators.
    """
    w = np.asarray(headwind, dtype=float)
    return np.asarray(np.where(w > 0, 0.5 * w, 1.5 * w))


def _wind_factor(headwind: npt.ArrayLike, true_airspeed: FloatArray) -> FloatArray:
    share = np.asarray(headwind, dtype=float) / true_airspeed
    if np.any(share >= 1):
        raise ValueError("the headwind is above the take-off or landing speed; check its unit")
    return np.asarray((1.0 - share) ** 2)


def take_off_distance(
    aircraft: Aircraft,
    air: FieldAir,
    *,
    book_distance: float,
    book_mass: float,
    lift_off_speed: float,
    headwind: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Take-off distance [m] scaled from the book's in standard sea level air without wind.

    The distance goes with V²/a: the true airspeed at lift-off with the root of mass over density, the
    acceleration with the thrust at 0.7 of it less rolling resistance, over mass.

    Parameters
    ----------
    aircraft
        At the mass to be flown.
    air
        At the field.
    book_distance
        From the book, or the pilot's own measurements [m].
    book_mass
        For which it holds [kg].
    lift_off_speed
        Equivalent airspeed at the book mass [m/s].
    headwind
        Component along the runway [m/s], tailwind negative; pass what is to be credited.

    Returns
    -------
    FloatArray
        inf where the thrust does not overcome the rolling resistance. No safety factor is in it.
    """

    def run(mass: float, air: FieldAir) -> tuple[FloatArray, FloatArray]:
        rho = air.density()
        speed = lift_off_speed * np.sqrt(mass / book_mass * DENSITY_0 / rho)
        force = thrust(aircraft, air.power(aircraft), 0.7 * speed, rho) - _ROLLING * mass * GRAVITY
        with np.errstate(divide="ignore"):
            length = np.where(force > 0, mass * speed**2 / np.where(force > 0, force, 1.0), np.inf)
        return length, speed

    here, speed = run(aircraft.mass, air)
    book, _ = run(book_mass, FieldAir(0.0))
    return np.asarray(book_distance * here / book * _wind_factor(headwind, speed))


def least_run(aircraft: Aircraft, mass: float, lift_off_speed: float) -> float:
    """Ground run [m] at a mass [kg] to an equivalent airspeed [m/s] in standard sea level air, without drag.

    As `take_off_distance` reckons the acceleration; nothing where that does not overcome the rolling
    resistance. No book distance is shorter, unless it is written in another unit.
    """
    air = FieldAir(0.0)
    push = float(thrust(aircraft, air.power(aircraft), 0.7 * lift_off_speed, air.density()))
    force = push - _ROLLING * mass * GRAVITY
    return mass * lift_off_speed**2 / (2.0 * force) if force > 0 else 0.0


def landing_distance(
    aircraft: Aircraft,
    air: FieldAir,
    *,
    book_distance: float,
    book_mass: float,
    approach_speed: float,
    headwind: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Landing distance [m] scaled from the book's: with mass over density, and the square of ground speed.

    Parameters are those of `take_off_distance`; the approach speed is equivalent, at the book mass [m/s].
    """
    ratio = aircraft.mass / book_mass * DENSITY_0 / air.density()
    speed = approach_speed * np.sqrt(ratio)
    return np.asarray(book_distance * ratio * _wind_factor(headwind, speed))


def acceleration(
    aircraft: Aircraft, power: FloatArray, rho: FloatArray, speed: FloatArray, sine: FloatArray | float
) -> FloatArray:
    """Acceleration [m/s²] at a true airspeed [m/s] along a straight path, by the sine of its climb angle."""
    # On a straight path the wing carries the weight's part across it.
    load = np.sqrt(1.0 - np.asarray(sine) ** 2)
    force = thrust(aircraft, power, speed, rho) - drag(aircraft, speed, load, rho)
    return np.asarray(force / aircraft.mass - GRAVITY * np.asarray(sine))


def climb_out_speed(
    aircraft: Aircraft,
    air: FieldAir,
    lift_off_speed: float,
    distance: npt.ArrayLike,
    height: float,
    *,
    count: int = 24,
) -> FloatArray:
    """Equivalent airspeed [m/s] at a height [m] at the end of a straight climb-out of a length [m].

    Full power from lift-off along a straight path that ends at the height. Fourth-order Runge-Kutta in
    distance; the density is that of half the height. NaN where the aircraft is not off the ground in
    time, or slows below 0.9 of its lift-off speed on the way.
    """
    rho = air.density(0.5 * height)
    power = air.power(aircraft, 0.5 * height)
    length = np.asarray(distance, dtype=float)
    possible = length > height
    sine = height / np.where(possible, length, np.inf)
    start = lift_off_speed * np.sqrt(DENSITY_0 / rho)
    speed = np.broadcast_to(start, np.broadcast_shapes(np.shape(start), length.shape)).copy()
    step = np.where(possible, length, np.nan) / count

    def rate(v: FloatArray) -> FloatArray:
        v = np.where(v > 0.9 * start, v, np.nan)
        return np.asarray(acceleration(aircraft, power, rho, v, sine) / v)

    with np.errstate(invalid="ignore"):
        for _ in range(count):
            k1 = rate(speed)
            k2 = rate(speed + 0.5 * step * k1)
            k3 = rate(speed + 0.5 * step * k2)
            k4 = rate(speed + step * k3)
            speed = speed + step / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
    return np.asarray(speed * np.sqrt(rho / DENSITY_0))


def dive(
    aircraft: Aircraft,
    air: FieldAir,
    start_speed: npt.ArrayLike,
    end_speed: npt.ArrayLike,
    angle: float,
    height: npt.ArrayLike = 0.0,
    *,
    count: int = 24,
) -> tuple[FloatArray, FloatArray]:
    """Height lost [m] and time [s] in a straight full-power dive between two equivalent airspeeds [m/s].

    Fourth-order Runge-Kutta in speed, density as at `height` above the field [m]; the angle is in
    degrees below the horizon. NaN where the dive never gets to the speed, nothing where it begins faster. An
    angle below zero is a climb from the faster to the slower, and what is lost is then below zero, too.
    """
    if not 0 < abs(angle) <= 90:
        raise ValueError(f"a dive's angle must be within 90 degrees and not level, not {angle:g}")
    way = 1.0 if angle > 0 else -1.0
    rho = air.density(height)
    power = air.power(aircraft, height)
    stretch = np.sqrt(DENSITY_0 / rho)
    v = np.asarray(start_speed, dtype=float) * stretch
    sine = -np.sin(np.radians(angle))
    step = way * np.maximum(way * (np.asarray(end_speed, dtype=float) * stretch - v), 0.0) / count

    def rates(speed: FloatArray) -> tuple[FloatArray, FloatArray]:
        a = acceleration(aircraft, power, rho, speed, sine)
        seconds = np.where(step != 0, 1.0 / np.where(way * a > 0.1, a, np.nan), 0.0)
        return seconds, -sine * speed * seconds

    lost, time = np.zeros(np.shape(step)), np.zeros(np.shape(step))
    for _ in range(count):
        # The rates depend on speed alone, so the classical Runge-Kutta step is Simpson's rule.
        (t1, h1), (t2, h2), (t3, h3) = rates(v), rates(v + 0.5 * step), rates(v + step)
        time = time + step / 6.0 * (t1 + 4.0 * t2 + t3)
        lost = lost + step / 6.0 * (h1 + 4.0 * h2 + h3)
        v = v + step
    return np.asarray(lost), np.asarray(time)
