"""The evening before and the same day: the station's own latest report joined to its past.

What the station reports now says something about the show hour, by as much as it did in past years. For a
quantity x with mean s0 now and mu at the show hour, a0 the departure reported now, and past pairs of
departures (e at this hour, s at the show hour),

    x = mu + phi a0 + (s - phi e),    phi = sum(e s) / sum(e e),

so that every past pair gives one member: its own later departure, less the part that its earlier one
foretold, plus what today's foretells. The intervals are the past's own errors, and stay honest as the lead
shrinks. Beyond 36 hours a station's report says next to nothing: from there on climatology, or a numerical
forecast, and this module refuses.

Speeds are carried on their square root, where their errors are alike at light and strong winds; a crosswind
is carried with its sign, and loses it last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air.climatology import quantiles

__all__ = [
    "LEAST_PAIRS",
    "LONGEST_LEAD",
    "Ensemble",
    "carried_crosswind",
    "carried_speed",
    "carried_value",
    "persistence_factor",
]

FloatArray = npt.NDArray[np.floating]
ArrayLike = npt.ArrayLike

LONGEST_LEAD = 36.0
"""Hours ahead to which a station's own report is carried."""
LEAST_PAIRS = 60
"""Past pairs below which nothing is carried."""


@dataclass(frozen=True)
class Ensemble:
    """Members for the show hour, equally likely.

    Attributes
    ----------
    members
        (member,), SI.
    factor
        How much of today's departure is carried, phi.
    lead
        [hour].
    """

    members: FloatArray
    factor: float
    lead: float

    def exceedance(self, threshold: ArrayLike) -> FloatArray:
        """Chance that a threshold is reached, by the members, (...,)."""
        x = np.asarray(threshold, dtype=float)
        return np.asarray((self.members >= x[..., None] - 1e-6).mean(axis=-1))

    def quantile(self, probability: ArrayLike) -> FloatArray:
        """Quantiles of type 8."""
        return quantiles(self.members, np.atleast_1d(np.asarray(probability, dtype=float)))


def persistence_factor(earlier: ArrayLike, later: ArrayLike) -> FloatArray:
    """Sum of products over sum of squares of past departures, over the last axis; pairs with NaN left out.

    Parameters
    ----------
    earlier, later
        Departures from the mean at the hour of the report and at the show hour, (..., pair).
    """
    e, s = np.broadcast_arrays(np.asarray(earlier, dtype=float), np.asarray(later, dtype=float))
    both = np.isfinite(e) & np.isfinite(s)
    e, s = np.where(both, e, 0.0), np.where(both, s, 0.0)
    below = (e * e).sum(axis=-1)
    return np.asarray(np.where(below > 0, (e * s).sum(axis=-1) / np.where(below > 0, below, 1.0), 0.0))


def _carried(now: float, earlier: FloatArray, later: FloatArray, lead: float) -> tuple[FloatArray, float]:
    if not 0.0 <= lead <= LONGEST_LEAD:
        raise ValueError(
            f"persistence: a report is carried 0 to {LONGEST_LEAD:g} hours, not {lead:g}; beyond that the "
            "answer is climatology, or a numerical forecast"
        )
    e, s = np.asarray(earlier, dtype=float).ravel(), np.asarray(later, dtype=float).ravel()
    if e.shape != s.shape:
        raise ValueError(f"persistence: earlier and later must pair up, got {e.shape} and {s.shape}")
    both = np.isfinite(e) & np.isfinite(s)
    if both.sum() < LEAST_PAIRS:
        raise ValueError(
            f"persistence: {LEAST_PAIRS} past pairs wanted, {int(both.sum())} found: not enough history"
        )
    if not np.isfinite(now):
        raise ValueError("persistence: the present report is missing; there is nothing to carry")
    e, s = e[both], s[both]
    mean_now, mean_then = e.mean(), s.mean()
    phi = float(persistence_factor(e - mean_now, s - mean_then))
    return mean_then + phi * (now - mean_now) + (s - mean_then) - phi * (e - mean_now), phi


def carried_value(now: float, earlier: ArrayLike, later: ArrayLike, *, lead: float) -> Ensemble:
    """Carry a report of an unbounded quantity, such as density altitude, to the show hour.

    Parameters
    ----------
    now
        The latest report.
    earlier, later
        Past pairs at the hour of the report and at the show hour of the same day, or of the next, from the
        window of days in past years, already moved to the booking's date and year; any equal shapes.
    lead
        From the report to the show hour [hour].

    Raises
    ------
    ValueError
        Lead beyond 36 hours, too few pairs, or no report.
    """
    members, phi = _carried(now, np.asarray(earlier, dtype=float), np.asarray(later, dtype=float), lead)
    return Ensemble(members, phi, lead)


def carried_speed(now: float, earlier: ArrayLike, later: ArrayLike, *, lead: float) -> Ensemble:
    """Carry a speed, such as the gust peak, never below zero [m s-1]; otherwise as `carried_value`."""
    e, s = np.asarray(earlier, dtype=float), np.asarray(later, dtype=float)
    if np.any(e < 0) or np.any(s < 0) or now < 0:
        raise ValueError("persistence: a speed is never below zero; a crosswind has its own function")
    root, phi = _carried(float(np.sqrt(now)), np.sqrt(e), np.sqrt(s), lead)
    return Ensemble(np.maximum(root, 0.0) ** 2, phi, lead)


def carried_crosswind(now: float, earlier: ArrayLike, later: ArrayLike, *, lead: float) -> Ensemble:
    """Carry a crosswind given with its sign, from the right positive; members are without sign [m s-1]."""
    members, phi = _carried(now, np.asarray(earlier, dtype=float), np.asarray(later, dtype=float), lead)
    return Ensemble(np.abs(members), phi, lead)
