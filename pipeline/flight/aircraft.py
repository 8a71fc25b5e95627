"""The aircraft against density: power, thrust, drag, stall, limits, and what they give in level flight.

A point mass with a parabolic polar CD = CD0 + k CL², an engine, and a propeller taken as an actuator disc.

Indicated, calibrated and equivalent airspeed are taken as one. Compressibility separates the last two by
under 1.1 kt at 200 kt and 10,000 ft; the instrument's own position error is the pilot's to know and is not
in here.

References
----------
.. [1] F. W. Gagg and E. V. Farrar, "Altitude performance of aircraft engines equipped with gear-driven
   superchargers", SAE Transactions 29 (1934) 217-223: P/P0 = 1.132 σ - 0.132.
.. [2] W. F. Durand (ed.), "Aerodynamic Theory" vol. IV, division L (H. Glauert, "Airplane Propellers"),
   chapter II: the actuator disc, T = 2 ρ A (V + v) v.
.. [3] FAA-H-8083-25, Pilot's Handbook of Aeronautical Knowledge, chapters 5 and 11.
.. [4] FAA-H-8083-3, Airplane Flying Handbook: the stalling speed grows with the root of the load factor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import (
    DENSITY_0,
    GRAVITY,
    LAPSE_RATE,
    R_DRY,
    TEMPERATURE_0,
    speed_of_sound,
    standard_density,
    standard_pressure,
    standard_temperature,
)

__all__ = [
    "Aircraft",
    "BlownEngine",
    "Engine",
    "FieldAir",
    "TableEngine",
    "UnblownEngine",
    "air_temperature",
    "best_climb",
    "best_glide",
    "corner_speed",
    "drag",
    "gagg_farrar",
    "shaft_power",
    "specific_excess_power",
    "stall_speed",
    "thrust",
    "tip_mach",
    "top_speed",
    "turn",
]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

_DENSITY_EXPONENT = GRAVITY / (R_DRY * LAPSE_RATE) - 1.0
_LOWEST, _HIGHEST = -3_000.0, 9_000.0


@dataclass(frozen=True)
class UnblownEngine:
    """A naturally aspirated piston engine, full throttle: Gagg and Farrar [1]_.

    Attributes
    ----------
    rated_power
        Shaft power at sea level in standard air [W].
    """

    rated_power: float


@dataclass(frozen=True)
class BlownEngine:
    """A piston engine with a single-stage gear-driven blower.

    Holds its rating up to a critical *pressure* altitude; above it falls as an unblown engine does from
    there. Heat costs power everywhere, as the root of (standard temperature / temperature).

    Attributes
    ----------
    rated_power
        Shaft power held up to the critical altitude in standard temperature [W].
    critical_altitude
        Pressure altitude up to which the rating is held [m].
    """

    rated_power: float
    critical_altitude: float


@dataclass(frozen=True)
class TableEngine:
    """The pilot's own power against density altitude, linear in between.

    Air denser than the first row gives the first row's power; beyond the last row there is none.

    Attributes
    ----------
    density_altitudes
        Rising [m].
    powers
        Shaft power at each [W].
    """

    density_altitudes: tuple[float, ...]
    powers: tuple[float, ...]


Engine = UnblownEngine | BlownEngine | TableEngine


@dataclass(frozen=True)
class Aircraft:
    """One aircraft as it flies the show: with the show's fuel and smoke oil, not empty, not full.

    Attributes
    ----------
    name
        What the pilot calls it.
    mass
        With pilot, fuel and smoke oil for the show [kg].
    wing_area
        [m²].
    zero_lift_drag
        CD0 of the polar [1].
    induced_drag_factor
        k of the polar CD0 + k CL² [1].
    max_lift, max_lift_inverted
        Greatest lift coefficient, upright and (as a positive number) inverted [1].
    max_load_factor, min_load_factor
        Structural limits; the second is negative [1].
    never_exceed_speed, manoeuvring_speed
        Equivalent airspeeds [m/s].
    engine
        Full-throttle power against the air.
    propeller_diameter
        [m].
    propeller_efficiency
        Share of the shaft power that reaches the air, before the momentum loss of the actuator disc [1].
    propeller_speed
        Propeller revolutions per second at display power [1/s].
    category_speed
        Ceiling of the display's speed category [m/s]; NaN when the pilot's paperwork names none.
    """

    name: str
    mass: float
    wing_area: float
    zero_lift_drag: float
    induced_drag_factor: float
    max_lift: float
    max_lift_inverted: float
    max_load_factor: float
    min_load_factor: float
    never_exceed_speed: float
    manoeuvring_speed: float
    engine: Engine
    propeller_diameter: float
    propeller_efficiency: float
    propeller_speed: float
    category_speed: float = float("nan")

    def __post_init__(self) -> None:
        """Refuse what no aircraft can be; zero drag and zero power are allowed as limiting cases."""
        positive = {
            "mass": self.mass,
            "wing_area": self.wing_area,
            "max_lift": self.max_lift,
            "max_lift_inverted": self.max_lift_inverted,
            "never_exceed_speed": self.never_exceed_speed,
            "manoeuvring_speed": self.manoeuvring_speed,
            "propeller_diameter": self.propeller_diameter,
            "propeller_speed": self.propeller_speed,
        }
        for key, value in positive.items():
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"{key} must be above zero, not {value:g}")
        for key, value in {
            "zero_lift_drag": self.zero_lift_drag,
            "induced_drag_factor": self.induced_drag_factor,
        }.items():
            if not (np.isfinite(value) and value >= 0):
                raise ValueError(f"{key} must not be negative, not {value:g}")
        if not 0 < self.propeller_efficiency <= 1:
            raise ValueError(
                f"propeller_efficiency must be above 0 and at most 1, not {self.propeller_efficiency:g}"
            )
        if not self.max_load_factor > 1:
            raise ValueError(f"max_load_factor must be above 1, not {self.max_load_factor:g}")
        if not self.min_load_factor <= 0:
            raise ValueError(f"min_load_factor must be zero or negative, not {self.min_load_factor:g}")
        engine = self.engine
        if isinstance(engine, TableEngine):
            altitudes = np.asarray(engine.density_altitudes)
            if altitudes.size < 2 or altitudes.size != len(engine.powers) or np.any(np.diff(altitudes) <= 0):
                raise ValueError(
                    "an engine table needs two or more rising density altitudes, each with a power"
                )
            if np.any(np.asarray(engine.powers) < 0):
                raise ValueError("powers of an engine table must not be negative")
        elif not (np.isfinite(engine.rated_power) and engine.rated_power >= 0):
            raise ValueError(f"rated_power must not be negative, not {engine.rated_power:g}")

    def holds(self, load_factor: float) -> bool:
        """Whether the structure bears a load factor."""
        return self.min_load_factor - 1e-9 <= load_factor <= self.max_load_factor + 1e-9

    def allows(self, speed: ArrayLike) -> npt.NDArray[np.bool_]:
        """Whether an equivalent airspeed [m/s] is within the never-exceed speed and the speed category."""
        return np.asarray(np.asarray(speed) <= self.greatest_speed * (1.0 + 1e-9))

    @property
    def greatest_speed(self) -> float:
        """The lower of the never-exceed speed and the ceiling of the display's speed category [m/s]."""
        return float(np.fmin(self.never_exceed_speed, self.category_speed))

    @property
    def greatest_speed_name(self) -> str:
        """Which of the two that is, in words."""
        return "speed category" if self.category_speed < self.never_exceed_speed else "never-exceed speed"

    @property
    def weight(self) -> float:
        """Weight [N]."""
        return self.mass * GRAVITY


@dataclass(frozen=True)
class FieldAir:
    """The air over one field, or over an array of cases.

    Attributes
    ----------
    density_altitude
        At the field's surface [m].
    pressure_altitude
        At the field's surface [m]; matters only to a blown engine. The same as the density altitude
        means standard temperature.
    uniform
        True freezes the density at its surface value: the assumption behind every 1/σ rule of thumb.
        False lets it thin upward with the standard atmosphere, so that a figure's top is flown in thinner
        air than its base. On a hot afternoon the real air thins a little more slowly: the standard
        lapse errs to the cautious side.
    """

    density_altitude: ArrayLike
    pressure_altitude: ArrayLike | None = None
    uniform: bool = False

    def __post_init__(self) -> None:
        """Refuse air outside the levels at which anybody flies a display."""
        for key, value in (("density", self.density_altitude), ("pressure", self.pressure_altitude)):
            if value is None:
                continue
            altitude = np.asarray(value, dtype=float)
            if np.any(~((altitude >= _LOWEST) & (altitude <= _HIGHEST))):
                raise ValueError(
                    f"{key} altitude must be between {_LOWEST:g} and {_HIGHEST:g} m and not missing"
                )

    def lanes(self, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
        """Density and pressure altitude [m] broadcast to a shape and flattened."""
        density_altitude = np.asarray(self.density_altitude, dtype=float)
        pressure_altitude = (
            density_altitude
            if self.pressure_altitude is None
            else np.asarray(self.pressure_altitude, dtype=float)
        )
        return (
            np.broadcast_to(density_altitude, shape).ravel(),
            np.broadcast_to(pressure_altitude, shape).ravel(),
        )

    def stretched(self) -> FieldAir:
        """The same air with one more axis at the end, for speeds."""
        pressure = self.pressure_altitude
        return FieldAir(
            np.asarray(self.density_altitude, dtype=float)[..., None],
            None if pressure is None else np.asarray(pressure, dtype=float)[..., None],
            self.uniform,
        )

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of the cases."""
        pressure = self.density_altitude if self.pressure_altitude is None else self.pressure_altitude
        return np.broadcast_shapes(np.shape(self.density_altitude), np.shape(pressure))

    def density(self, height: ArrayLike = 0.0) -> FloatArray:
        """Air density [kg/m³] at a height above the field [m]."""
        h = 0.0 if self.uniform else np.asarray(height, dtype=float)
        return troposphere_density(np.asarray(self.density_altitude, dtype=float) + h)

    def power(self, aircraft: Aircraft, height: ArrayLike = 0.0) -> FloatArray:
        """Full-throttle shaft power [W] at a height above the field [m]."""
        density_altitude, pressure_altitude = self.lanes(self.shape)
        h = np.zeros_like(np.asarray(height, dtype=float)) if self.uniform else np.asarray(height, float)
        return shaft_power(
            aircraft.engine,
            density_altitude.reshape(self.shape) + h,
            pressure_altitude.reshape(self.shape) + h,
            engine_temperature_ratio(density_altitude, pressure_altitude).reshape(self.shape),
        )


def troposphere_density(altitude: ArrayLike) -> FloatArray:
    """Standard density [kg/m³] below 11 km, without the branch that the inner loop has no need of."""
    h = np.asarray(altitude, dtype=float)
    return np.asarray(DENSITY_0 * (1.0 - (LAPSE_RATE / TEMPERATURE_0) * h) ** _DENSITY_EXPONENT)


def air_temperature(density_altitude: ArrayLike, pressure_altitude: ArrayLike) -> FloatArray:
    """Temperature [K] that dry air must have to be of this density at this pressure."""
    return np.asarray(standard_pressure(pressure_altitude) / (R_DRY * standard_density(density_altitude)))


def engine_temperature_ratio(density_altitude: ArrayLike, pressure_altitude: ArrayLike) -> FloatArray:
    """Standard temperature over actual temperature at a pressure altitude, at most one [1].

    No bonus for cold: what an engine gives beyond its standard power is not counted on. Moist air counts as a
    little hotter than it is.
    """
    temperature = air_temperature(density_altitude, pressure_altitude)
    return np.asarray(np.minimum(standard_temperature(pressure_altitude) / temperature, 1.0))


def gagg_farrar(density_ratio: ArrayLike) -> FloatArray:
    """Share of its sea level power that an unblown engine has left [1] at a density ratio σ [1]_."""
    return np.asarray(np.maximum(1.132 * np.asarray(density_ratio, dtype=float) - 0.132, 0.0))


def shaft_power(
    engine: Engine, density_altitude: ArrayLike, pressure_altitude: ArrayLike, temperature_ratio: ArrayLike
) -> FloatArray:
    """Full-throttle shaft power [W]; missing (NaN) beyond the end of a table, which is not extrapolated.

    Parameters
    ----------
    engine
        The engine.
    density_altitude, pressure_altitude
        Of the air it breathes [m].
    temperature_ratio
        Standard over actual temperature at that pressure altitude [1]; used by a blown engine.
    """
    if isinstance(engine, UnblownEngine):
        return engine.rated_power * gagg_farrar(troposphere_density(density_altitude) / DENSITY_0)
    if isinstance(engine, BlownEngine):
        above = gagg_farrar(troposphere_density(pressure_altitude) / DENSITY_0)
        at_critical = gagg_farrar(troposphere_density(engine.critical_altitude) / DENSITY_0)
        lapse = np.minimum(above / at_critical, 1.0)
        return np.asarray(engine.rated_power * lapse * np.sqrt(np.asarray(temperature_ratio, dtype=float)))
    altitude = np.asarray(density_altitude, dtype=float)
    return np.asarray(np.interp(altitude, engine.density_altitudes, engine.powers, right=np.nan))


def thrust(aircraft: Aircraft, power: ArrayLike, true_airspeed: ArrayLike, density: ArrayLike) -> FloatArray:
    """Propeller thrust [N] by momentum theory [2]_: finite standing still, power over speed when fast.

    The power that reaches the air, P = η P_shaft, drives an actuator disc: T = P / (V + v) with
    T = 2 ρ A (V + v) v. With w = V + v this is the cubic w³ - V w² - P/(2 ρ A) = 0, whose one positive
    root is taken in closed form.

    Parameters
    ----------
    aircraft
        Its propeller is used.
    power
        Shaft power [W].
    true_airspeed
        [m/s], not negative.
    density
        [kg/m³].
    """
    speed = np.asarray(true_airspeed, dtype=float)
    useful = aircraft.propeller_efficiency * np.asarray(power, dtype=float)
    disc = np.pi * aircraft.propeller_diameter**2 / 4.0
    half_c = useful / (4.0 * disc * np.asarray(density, dtype=float))
    third = speed / 3.0
    cube = third**3
    u = np.cbrt(cube + half_c + np.sqrt(half_c * (half_c + 2.0 * cube)))
    # u is zero only standing still with no power, where the thrust is zero anyway.
    u = np.maximum(u, 1e-12)
    return np.asarray(useful / (third + u + third * third / u))


def drag(
    aircraft: Aircraft, true_airspeed: ArrayLike, load_factor: ArrayLike, density: ArrayLike
) -> FloatArray:
    """Drag [N] at a true airspeed [m/s], load factor [1] and density [kg/m³], by the parabolic polar."""
    pressure = 0.5 * np.asarray(density, dtype=float) * np.asarray(true_airspeed, dtype=float) ** 2
    area = pressure * aircraft.wing_area
    lift = np.asarray(load_factor, dtype=float) * aircraft.weight
    return np.asarray(area * aircraft.zero_lift_drag + aircraft.induced_drag_factor * lift**2 / area)


def stall_speed(aircraft: Aircraft, load_factor: ArrayLike = 1.0) -> FloatArray:
    """Equivalent airspeed of the stall [m/s] at a load factor; negative ones use the inverted lift [4]_."""
    n = np.asarray(load_factor, dtype=float)
    lift = np.where(n < 0, aircraft.max_lift_inverted, aircraft.max_lift)
    return np.asarray(np.sqrt(2.0 * aircraft.weight * np.abs(n) / (DENSITY_0 * aircraft.wing_area * lift)))


def corner_speed(aircraft: Aircraft) -> float:
    """Slowest equivalent airspeed [m/s] at which the structural limit load factor can be pulled."""
    return float(stall_speed(aircraft, aircraft.max_load_factor))


def turn(true_airspeed: ArrayLike, bank: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Radius [m] and rate [rad/s] of a level balanced turn at a true airspeed [m/s] and bank [rad] [3]_."""
    v = np.asarray(true_airspeed, dtype=float)
    tangent = np.tan(np.asarray(bank, dtype=float))
    return np.asarray(v**2 / (GRAVITY * tangent)), np.asarray(GRAVITY * tangent / v)


def tip_mach(aircraft: Aircraft, true_airspeed: ArrayLike, temperature: ArrayLike) -> FloatArray:
    """Mach number of the propeller's tips at a true airspeed [m/s] and air temperature [K]."""
    rotation = np.pi * aircraft.propeller_diameter * aircraft.propeller_speed
    helical = np.hypot(rotation, np.asarray(true_airspeed, dtype=float))
    return np.asarray(helical / speed_of_sound(temperature))


def specific_excess_power(
    aircraft: Aircraft,
    air: FieldAir,
    equivalent_airspeed: ArrayLike,
    load_factor: ArrayLike = 1.0,
    height: ArrayLike = 0.0,
) -> FloatArray:
    """Rate at which energy height is gained [m/s]: (thrust - drag) V / weight, full throttle.

    Broadcasts over the air's cases and the speeds [m/s], load factors and heights above the field [m].
    """
    rho = air.density(height)
    v = np.asarray(equivalent_airspeed, dtype=float) * np.sqrt(DENSITY_0 / rho)
    excess = thrust(aircraft, air.power(aircraft, height), v, rho) - drag(aircraft, v, load_factor, rho)
    return np.asarray(excess * v / aircraft.weight)


def best_climb(aircraft: Aircraft, air: FieldAir, height: ArrayLike = 0.0) -> tuple[FloatArray, FloatArray]:
    """Greatest steady rate of climb [m/s] and the equivalent airspeed for it [m/s], per case of the air.

    The speed is searched on a fine grid from 1.1 times the stall to the never-exceed speed. A negative
    rate means that the aircraft cannot hold height.
    """
    stall = float(stall_speed(aircraft))
    speeds = np.linspace(1.1 * stall, max(aircraft.never_exceed_speed, 1.2 * stall), 161)
    rates = specific_excess_power(
        aircraft, air.stretched(), speeds, height=np.asarray(height, dtype=float)[..., None]
    )
    best = np.argmax(rates, axis=-1)
    return np.asarray(np.max(rates, axis=-1)), np.asarray(speeds[best])


def top_speed(aircraft: Aircraft, air: FieldAir, height: ArrayLike = 0.0) -> FloatArray:
    """Level top speed [m/s, equivalent] at full throttle, per case; NaN where height cannot be held.

    Found by bisection between the speed of best climb and one where drag exceeds the thrust; not capped
    at the never-exceed speed.
    """
    rate, low = best_climb(aircraft, air, height)
    low = np.array(low, dtype=float)
    high = np.full(low.shape, 3.0 * aircraft.never_exceed_speed)
    for _ in range(50):
        middle = 0.5 * (low + high)
        climbs = specific_excess_power(aircraft, air, middle, height=height) > 0
        low = np.where(climbs, middle, low)
        high = np.where(climbs, high, middle)
    return np.asarray(np.where(rate > 0, low, np.nan))


def best_glide(aircraft: Aircraft) -> tuple[float, float]:
    """Best glide ratio and its equivalent airspeed [m/s], the propeller neither pulling nor braking."""
    cd0, k = aircraft.zero_lift_drag, aircraft.induced_drag_factor
    if cd0 == 0 or k == 0:
        raise ValueError("a polar without drag has no best glide")
    lift = np.sqrt(cd0 / k)
    speed = np.sqrt(2.0 * aircraft.weight / (DENSITY_0 * aircraft.wing_area * lift))
    return float(1.0 / (2.0 * np.sqrt(cd0 * k))), float(speed)
