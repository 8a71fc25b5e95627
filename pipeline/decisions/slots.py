"""What hour: which show each slot would see, what an hour buys, and when to walk away.

All slots of a booking day are judged on the same sampled days, so two slots are compared day by day:
a hot year is hot at ten and at three.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim
from pipeline.decisions.ranking import Comparison, YearSeries, compare_each

__all__ = [
    "Shares",
    "acceptable",
    "against",
    "alike",
    "askable",
    "best_slot",
    "paired_by_year",
    "routine_shares",
    "slot_after",
    "which_show",
]

FloatArray = npt.NDArray[np.floating]
BoolArray = npt.NDArray[np.bool_]


def which_show(flown: FloatArray, crowd_value: FloatArray) -> npt.NDArray[np.int64]:
    """The routine to fly in each air: the largest crowd value times the chance that it needs no change.

    Parameters
    ----------
    flown
        Chance that the act flies and nothing in the routine is changed, (routine, ...); NaN where the air is
        not known.
    crowd_value
        What each routine is worth, (routine,).

    Returns
    -------
    Index of the routine, (...,); -1 where none can be flown, -2 where the air is not known. Of two that are
    worth the same, the first.
    """
    worth = np.asarray(crowd_value, dtype=float).reshape((-1,) + (1,) * (flown.ndim - 1)) * flown
    unknown = np.isnan(worth).any(axis=0)
    known = np.where(np.isnan(worth), 0.0, worth)
    choice = np.where(known.max(axis=0) > 0.0, np.argmax(known, axis=0), -1)
    return np.asarray(np.where(unknown, -2, choice), dtype=np.int64)


@dataclass(frozen=True)
class Shares:
    """How often each show is the one, by sampled year; NaN for a year that does not count.

    Attributes
    ----------
    routine
        Share of days on which the routine is the one flown, (routine, slot, year).
    nothing
        Share on which nothing is flown: the act is out, or no routine fits the air, (slot, year).
    further_change
        Share on which the routine flown still needs a change, (slot, year).
    crowd_value
        Expected worth of what is flown as rehearsed, (slot, year).
    """

    routine: FloatArray
    nothing: FloatArray
    further_change: FloatArray
    crowd_value: FloatArray

    @property
    def unchanged(self) -> FloatArray:
        """Share on which some routine is flown and needs no change, (slot, year)."""
        return np.asarray(self.routine.sum(axis=0) - self.further_change)


def routine_shares(flown: FloatArray, may_fly: FloatArray, crowd_value: FloatArray) -> Shares:
    """Judge every sampled hour, then average by year.

    Parameters
    ----------
    flown
        Chance that the act flies and nothing in the routine is changed, (routine, slot, year, day, hour).
    may_fly
        Chance that the act flies at all with this routine, same shape.
    crowd_value
        (routine,).
    """
    flown, may_fly = np.asarray(flown, dtype=float), np.asarray(may_fly, dtype=float)
    choice = which_show(flown, crowd_value)
    unknown = choice == -2
    number = np.arange(flown.shape[0]).reshape((-1,) + (1,) * choice.ndim)
    chosen = (choice[None] == number).astype(float)
    mean = clim.YearMeans(~unknown)
    known = np.where(unknown, 0.0, flown)
    fly = np.where(unknown, 0.0, may_fly)
    worth = np.asarray(crowd_value, dtype=float).reshape(number.shape)
    routine = mean(chosen * fly)
    return Shares(
        routine=routine,
        nothing=1.0 - routine.sum(axis=0),
        further_change=mean((chosen * (fly - known)).sum(axis=0)),
        crowd_value=mean((chosen * worth * known).sum(axis=0)),
    )


def paired_by_year(values: FloatArray, base: int) -> FloatArray:
    """Mean difference to one slot, on the sampled hours that both have, (slot, year).

    Parameters
    ----------
    values
        (slot, year, day, hour).
    base
        Slot that is taken off.
    """
    v = np.asarray(values, dtype=float)
    return clim.year_means(v - v[base])


def against(series: Sequence[YearSeries], base: int) -> list[Comparison]:
    """Compare every slot with one of them by paired draws of years; the base with itself is no difference."""
    held = series[base].by_year
    years = int(np.isfinite(held).sum())
    nothing = Comparison(0.0, 0.0, 0.0, years, False)
    told = compare_each(series, series[base])
    told[base] = nothing
    return told


def askable(in_window: BoolArray, light: BoolArray, offered: int) -> BoolArray:
    """Slots that may be asked for, (slot,).

    Nobody asks for the dark, however thick the air is then, but where the show in discussion is one in it.

    Parameters
    ----------
    in_window
        Starts in the organiser's window, (slot,).
    light
        Starts in daylight, (slot,).
    offered
        The slot in discussion.
    """
    return in_window & light if light[offered] else in_window


def best_slot(value: FloatArray, allowed: BoolArray) -> int | None:
    """Slot of the greatest value among those allowed; the earliest of equals, None where there is none."""
    kept = np.where(np.asarray(allowed) & np.isfinite(value), value, -np.inf)
    return int(np.argmax(kept)) if np.isfinite(kept).any() else None


def alike(series: Sequence[YearSeries], best: int, allowed: BoolArray) -> BoolArray:
    """Slots that paired draws cannot tell from the best, itself among them."""
    compared = against(series, best)
    seen = np.array([c.years > 0 and not c.told_apart for c in compared])
    return np.asarray(seen & np.asarray(allowed))


def acceptable(keeps: BoolArray, start: int, allowed: BoolArray) -> BoolArray:
    """Unbroken run of slots around `start` that keep the stated chance.

    The last slot of the run is the walk-away time: the latest start worth accepting. A later slot that
    is good again, as an evening is, is no part of the run: between the two lies an hour to be refused.

    Parameters
    ----------
    keeps
        Whether the chance is at least what the agent accepts, (slot,).
    start
        A slot of the run, such as the best one.
    allowed
        Slots that may be asked for, (slot,).

    Returns
    -------
    (slot,), all False where `start` itself falls short.
    """
    good = np.asarray(allowed) & np.asarray(keeps)
    run = np.zeros(good.shape, dtype=bool)
    after = np.cumprod(good[start:]).astype(bool)
    before = np.cumprod(good[start::-1]).astype(bool)[::-1]
    run[start:] = after
    run[: start + 1] = before
    return run


def slot_after(minutes: npt.NDArray[np.integer], start: int, late: int) -> int | None:
    """First slot that starts at least `late` minutes after another; None past the last slot."""
    later = np.flatnonzero(np.asarray(minutes) >= minutes[start] + late)
    return int(later[0]) if later.size else None
