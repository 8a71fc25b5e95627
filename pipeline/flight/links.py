"""Which figure may follow which: the energy of every pair of figures and the climb that mends it.

`routine.routine_energy` flies one routine. A season's choice looks at very many, all made of the same few
dozen figures, and what lies between two figures depends on those two alone: flown once as pairs, any
sequence is a sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air.atmosphere import DENSITY_0, GRAVITY
from pipeline.flight.aircraft import Aircraft, FieldAir
from pipeline.flight.figures import Figure
from pipeline.flight.motion import FAILURES, entry_speed_at, fly
from pipeline.flight.routine import (
    HEIGHT_STEP,
    LEG_SECONDS,
    LINK_LOAD_FACTOR,
    SPEED_STEP,
    climb,
    link_energy,
    whole_legs,
)

__all__ = ["Pairs", "pairs"]

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Pairs:
    """Every figure after every other, in several airs.

    Attributes
    ----------
    link_seconds
        From the end of each figure to the next entry, (figure,) [s].
    mend_seconds
        Extra climbing before the second figure that mends the energy missing there, (first, second, air) [s];
        inf where the aircraft cannot climb, NaN where the first cannot be flown in this air.
    climb_seconds
        The same in whole legs. A pair that the air forbids is not flown there: its legs are those of standard
        sea level air, and none after a figure that keeps no cushion even there; inf where no climb mends it.
    added_seconds
        What each air adds to the figure itself, with the pull eased to the cushion, (figure, air) [s]; none
        for a figure that the air forbids.
    joins
        False where no time lies between and the speed or height for the second is not there, in standard
        sea level air, (first, second).
    """

    link_seconds: FloatArray
    mend_seconds: FloatArray
    climb_seconds: FloatArray
    added_seconds: FloatArray
    joins: npt.NDArray[np.bool_]


def pairs(
    figures: Sequence[Figure],
    whole_seconds: npt.ArrayLike,
    aircraft: Aircraft,
    air: FieldAir,
    *,
    raised: npt.ArrayLike = 0.0,
    stall_margin: float = 0.0,
    link_load_factor: float = LINK_LOAD_FACTOR,
    leg_seconds: float = LEG_SECONDS,
) -> Pairs:
    """Energy and time between any two figures, by the same physics as `routine.routine_energy`.

    Parameters
    ----------
    figures
        As the pilot flies them.
    whole_seconds
        From the start of each figure's entry to the start of the next, (figure,) [s]; what the figure takes
        in standard sea level air is taken off and the rest is the link.
    aircraft, air
        What is flown, and in what: airs along one axis.
    raised
        How much higher than planned all of it is flown [m]: one, or one an air.
    stall_margin, link_load_factor, leg_seconds
        As in `routine.routine_energy`.

    Raises
    ------
    ValueError
        When a figure cannot be flown at sea level, or takes longer than the time given for it.
    """
    whole = np.asarray(whole_seconds, dtype=float)
    sea_level = fly(list(figures), aircraft, FieldAir(0.0))
    links = whole - sea_level.seconds
    for figure, failure, segment, seconds, link in zip(
        figures, sea_level.failure, sea_level.failed_segment, sea_level.seconds, links, strict=True
    ):
        if failure:
            raise ValueError(
                f"{figure.name} cannot be flown in standard sea level air: {FAILURES[failure]}, in segment "
                f"{segment + 1} ({figure.segments[segment].kind})"
            )
        if link < -0.5:
            raise ValueError(
                f"{figure.name} takes {seconds:.0f} s by itself, {-link:.0f} s more than it is given"
            )
    links = np.maximum(links, 0.0)
    # Standard sea level air stands first, for what the others forbid.
    density_altitude, pressure_altitude = (np.append(0.0, a) for a in air.lanes(air.shape))
    higher = np.append(0.0, np.broadcast_to(np.asarray(raised, dtype=float), air.shape))
    air = FieldAir(density_altitude, pressure_altitude, air.uniform)
    flown = fly(list(figures), aircraft, air, raised=higher, stall_margin=stall_margin)

    height = np.array([f.entry_height for f in figures])[:, None] + higher
    speed = np.stack([entry_speed_at(f, density_altitude) for f in figures])
    true_airspeed = speed * np.sqrt(DENSITY_0 / air.density(height))
    planned = height + true_airspeed**2 / (2.0 * GRAVITY)
    ends = (planned - flown.energy_height_spent)[:, None]

    climbing, rate = climb(aircraft, air, height, speed, link_load_factor)
    exits = flown.equivalent_airspeed[-1][:, None]
    given = link_energy(aircraft, air, links[:, None, None], exits, height, speed, climbing, rate)
    missing = np.maximum(planned - (ends + given), 0.0)
    able = rate > 0
    mend = np.where(missing > 0, np.where(able, missing / np.where(able, rate, 1.0), np.inf), 0.0)
    mend = np.where(np.isnan(ends), np.nan, mend)
    legs = whole_legs(mend, leg_seconds)
    legs = np.where(np.isfinite(legs), legs, np.nan_to_num(legs[..., :1], posinf=np.inf))
    added = np.nan_to_num(flown.seconds + (links - whole)[:, None])

    entry, height = np.array([f.entry_speed for f in figures]), height[:, 0]
    exit_speed, exit_height = sea_level.equivalent_airspeed[-1][:, None], sea_level.height[-1][:, None]
    surplus = (exit_speed**2 - entry**2) / (2 * GRAVITY) + exit_height - height
    fast = (np.abs(exit_speed - entry) <= SPEED_STEP) | (surplus >= 0)
    joins = (links[:, None] > 0) | (fast & (exit_height >= height - HEIGHT_STEP))
    return Pairs(links, mend[..., 1:], leg_seconds * legs[..., 1:], added[:, 1:], np.asarray(joins))
