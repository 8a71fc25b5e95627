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
from pipeline.flight.inhand import in_hand
from pipeline.flight.motion import entry_speed_at
from pipeline.flight.routine import HEIGHT_STEP, SPEED_STEP, climb, link_energy

__all__ = ["Pairs", "pairs"]

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Pairs:
    """Every figure after every other.

    Attributes
    ----------
    link_seconds
        From the end of each figure to the next entry, (figure,) [s].
    mend_seconds
        Extra climbing before the second figure that mends the energy missing there, (first, second) [s];
        inf where the aircraft cannot climb, NaN where the first cannot be flown in this air.
    joins
        False where no time lies between and the speed or height for the second is not there, in standard
        sea level air, (first, second).
    """

    link_seconds: FloatArray
    mend_seconds: FloatArray
    joins: npt.NDArray[np.bool_]


def pairs(
    figures: Sequence[Figure],
    whole_seconds: npt.ArrayLike,
    aircraft: Aircraft,
    air: FieldAir,
    *,
    link_load_factor: float = 1.2,
) -> Pairs:
    """Energy between any two figures, by the same physics as `routine.routine_energy`.

    Parameters
    ----------
    figures
        As the pilot flies them.
    whole_seconds
        From the start of each figure's entry to the start of the next, (figure,) [s]; what the figure takes
        in standard sea level air is taken off and the rest is the link.
    aircraft, air
        What is flown, and in what: one case, a scalar.
    link_load_factor
        As in `routine.routine_energy`.

    Raises
    ------
    ValueError
        When a figure cannot be flown at sea level, or takes longer than the time given for it.
    """
    sea_level = in_hand(list(figures), aircraft, FieldAir(0.0), 0.0)
    links = np.asarray(whole_seconds, dtype=float) - sea_level.seconds
    for figure, failure, seconds, link in zip(
        figures, sea_level.failure, sea_level.seconds, links, strict=True
    ):
        if failure:
            raise ValueError(f"{figure.name} cannot be flown in standard sea level air")
        if link < -0.5:
            raise ValueError(
                f"{figure.name} takes {seconds:.0f} s by itself, {-link:.0f} s more than it is given"
            )
    links = np.maximum(links, 0.0)
    hand = in_hand(list(figures), aircraft, air, 0.0)

    height = np.array([f.entry_height for f in figures])
    speed = np.array([float(entry_speed_at(f, air.density_altitude)) for f in figures])
    density = np.asarray(air.density(height), dtype=float)
    true_airspeed = speed * np.sqrt(DENSITY_0 / density)
    planned = height + true_airspeed**2 / (2.0 * GRAVITY)
    ends = planned - hand.energy_height_spent

    link = links[:, None]
    climbing, rate = climb(aircraft, air, height, speed, link_load_factor)
    given = link_energy(aircraft, air, link, hand.exit_speed[:, None], height, speed, climbing, rate)
    missing = np.maximum(planned - (ends[:, None] + given), 0.0)
    able = rate > 0
    mend = np.where(missing > 0, np.where(able, missing / np.where(able, rate, 1.0), np.inf), 0.0)
    mend = np.where(np.isnan(ends)[:, None], np.nan, mend)

    entry = np.array([f.entry_speed for f in figures])
    exit_speed, exit_height = sea_level.exit_speed[:, None], sea_level.exit_height[:, None]
    surplus = (exit_speed**2 - entry**2) / (2 * GRAVITY) + exit_height - height
    fast = (np.abs(exit_speed - entry) <= SPEED_STEP) | (surplus >= 0)
    joins = (link > 0) | (fast & (exit_height >= height - HEIGHT_STEP))
    return Pairs(links, np.asarray(mend), np.asarray(joins))
