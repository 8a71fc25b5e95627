"""Fitting the polar and the propeller to what the pilot knows, and showing how well it fits.

Three numbers are fitted: zero-lift drag, induced-drag factor and propeller efficiency. What the pilot has
measured in the figures themselves weighs most: the apex and exit of a loop, the height of a vertical line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.flight.aircraft import Aircraft, FieldAir, best_climb, best_glide, top_speed
from pipeline.flight.figures import Figure, line, own, pull_to, recover
from pipeline.flight.motion import fly

__all__ = ["Fit", "Measured", "Misfit", "fit_polar", "glide", "level_speed", "loop", "misfits",
           "rate_of_climb", "vertical_line"]  # fmt: skip

FloatArray = npt.NDArray[np.floating]
Quantity = Literal["speed", "rate", "height", "ratio"]


@dataclass(frozen=True)
class Measured:
    """One number the pilot knows. Make one with `level_speed`, `loop` and their like.

    Attributes
    ----------
    name
        What it is.
    value
        As measured, SI.
    spread
        How well the pilot can read it, one standard deviation, SI.
    model
        The same number out of an aircraft.
    quantity
        What kind of number it is: "speed" and "rate" [m/s], "height" [m], "ratio" [1].
    """

    name: str
    value: float
    spread: float
    model: Callable[[Aircraft], float]
    quantity: Quantity


@dataclass(frozen=True)
class Misfit:
    """One measured number against the aircraft's, SI."""

    name: str
    measured: float
    fitted: float
    spread: float
    quantity: Quantity

    @property
    def standardised(self) -> float:
        """Misfit in the pilot's own reading errors; beyond 2 something is wrong with number or model."""
        return (self.fitted - self.measured) / self.spread


@dataclass(frozen=True)
class Fit:
    """The fitted aircraft, and every misfit.

    Attributes
    ----------
    aircraft, misfits
        As fitted.
    uncertainty
        One standard error of zero-lift drag, induced-drag factor and propeller efficiency as a share of each,
        by how well the numbers can be read; inf where they do not tell it at all. A few numbers can be met to
        the digit and leave the polar as open as it was.
    """

    aircraft: Aircraft
    misfits: tuple[Misfit, ...]
    uncertainty: tuple[float, float, float]


def level_speed(value: float, air: FieldAir, spread: float = 1.5) -> Measured:
    """Level top speed, equivalent [m/s]."""
    return Measured("level top speed", value, spread, lambda a: float(top_speed(a, air)), "speed")


def rate_of_climb(value: float, air: FieldAir, spread: float = 0.5) -> Measured:
    """Best rate of climb [m/s]."""
    return Measured("best rate of climb", value, spread, lambda a: float(best_climb(a, air)[0]), "rate")


def glide(value: float, spread: float = 0.5) -> Measured:
    """Best glide ratio with the engine neither pulling nor braking [1]."""
    return Measured("best glide ratio", value, spread, lambda a: best_glide(a)[0], "ratio")


def loop(
    figure: Figure,
    air: FieldAir,
    *,
    apex_gain: float,
    apex_speed: float,
    exit_speed: float,
    entry_speed: float | None = None,
    entry_height: float | None = None,
    height_spread: float = 15.0,
    speed_spread: float = 1.5,
) -> tuple[Measured, ...]:
    """Apex height above the entry [m], apex and exit airspeeds (equivalent) [m/s] of a measured loop.

    Parameters
    ----------
    figure, air
        What was flown, and in what.
    apex_gain, apex_speed, exit_speed
        As measured.
    entry_speed, entry_height
        As measured at the entry [m/s, m above the field]; as planned by default.
    height_spread, speed_spread
        Standard errors of reading them [m, m/s].
    """

    # Three numbers out of one flight.
    @lru_cache(maxsize=8)
    def flown(aircraft: Aircraft) -> tuple[float, float, float]:
        path = fly(figure, aircraft, air, entry_speed=entry_speed, entry_height=entry_height)
        top = int(np.argmax(path.height))
        return (
            float(path.height[top] - path.height[0]),
            float(path.equivalent_airspeed[top]),
            float(path.equivalent_airspeed[-1]),
        )

    return (
        Measured(f"{figure.name}: apex gain", apex_gain, height_spread, lambda a: flown(a)[0], "height"),
        Measured(f"{figure.name}: apex speed", apex_speed, speed_spread, lambda a: flown(a)[1], "speed"),
        Measured(f"{figure.name}: exit speed", exit_speed, speed_spread, lambda a: flown(a)[2], "speed"),
    )


def vertical_line(
    value: float,
    air: FieldAir,
    *,
    entry_speed: float,
    end_speed: float,
    load_factor: float,
    spread: float = 15.0,
) -> Measured:
    """Height gained [m] from the pull at an airspeed up a vertical line to another airspeed [m/s]."""
    figure = Figure(
        "vertical line",
        (pull_to(90), line(speed=end_speed), own(0.0, path="slide", speed_after=50.0), recover()),
        entry_speed,
        300.0,
        1.0,
        working_load_factor=load_factor,
    )

    def flown(aircraft: Aircraft) -> float:
        path = fly(figure, aircraft, air, meet_base=False)
        end = int(np.count_nonzero(path.segment <= 1)) - 1
        return float(path.height[end] - path.height[0])

    return Measured("vertical line", value, spread, flown, "height")


def misfits(aircraft: Aircraft, measured: Sequence[Measured]) -> tuple[Misfit, ...]:
    """Hold an aircraft against what was measured."""
    return tuple(Misfit(m.name, m.value, m.model(aircraft), m.spread, m.quantity) for m in measured)


def fit_polar(aircraft: Aircraft, measured: Sequence[Measured]) -> Fit:
    """Fit CD0, k and the propeller efficiency by damped least squares on their logarithms.

    Parameters
    ----------
    aircraft
        Where the search starts; everything else about it is kept.
    measured
        Three numbers or more.

    Raises
    ------
    ValueError
        With fewer than three numbers; or when one of them has no value in the fitted aircraft (a loop it
        cannot fly).
    """
    if len(measured) < 3:
        raise ValueError(f"three numbers are fitted, so three or more must be measured, not {len(measured)}")

    def built(x: FloatArray) -> Aircraft:
        cd0, k, efficiency = np.exp(x)
        return replace(
            aircraft,
            zero_lift_drag=float(cd0),
            induced_drag_factor=float(k),
            propeller_efficiency=float(min(efficiency, 1.0)),
        )

    def residuals(x: FloatArray) -> FloatArray:
        candidate = built(x)
        return np.array([(m.model(candidate) - m.value) / m.spread for m in measured])

    x = np.log([aircraft.zero_lift_drag, aircraft.induced_drag_factor, aircraft.propeller_efficiency])
    r = residuals(x)
    if not np.all(np.isfinite(r)):
        bad = [m.name for m, value in zip(measured, r, strict=True) if not np.isfinite(value)]
        raise ValueError(f"the aircraft as given cannot do: {', '.join(bad)}; start from a better guess")

    def slopes(x: FloatArray, r: FloatArray) -> FloatArray:
        # An efficiency of one goes no higher: it is looked at from below.
        steps = np.where([False, False, x[2] > -1e-4], -1e-4, 1e-4)
        return np.stack([(residuals(x + d) - r) / d[i] for i, d in enumerate(np.diag(steps))], axis=1)

    damping = 1e-3
    for _ in range(40):
        jacobian = slopes(x, r)
        downhill = -jacobian.T @ r
        # And it stays out of the step where the numbers ask for more than one.
        free = np.array([True, True, x[2] < 0.0 or downhill[2] < 0.0])
        normal = (jacobian.T @ jacobian)[np.ix_(free, free)]
        move = np.zeros(3)
        move[free] = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), downhill[free])
        # A step of more than a third in any number is a leap in the dark.
        trial = x + np.clip(move, -0.3, 0.3)
        trial[2] = min(trial[2], 0.0)
        tried = residuals(trial)
        if np.all(np.isfinite(tried)) and tried @ tried < r @ r:
            settled = float(np.max(np.abs(trial - x))) < 1e-5
            x, r, damping = trial, tried, max(damping / 5.0, 1e-12)
            if settled:
                break
        else:
            damping *= 5.0
            if damping > 1e4:
                break
    fitted = built(x)
    return Fit(fitted, misfits(fitted, measured), _uncertainty(slopes(x, r)))


def _uncertainty(slopes: FloatArray) -> tuple[float, float, float]:
    """Standard errors from the slopes of the standardised misfits in the fitted logarithms."""
    normal = slopes.T @ slopes
    if not np.all(np.isfinite(normal)) or np.linalg.cond(normal) > 1e12:
        return (np.inf, np.inf, np.inf)
    one, two, three = np.sqrt(np.diag(np.linalg.inv(normal)))
    return (float(one), float(two), float(three))
