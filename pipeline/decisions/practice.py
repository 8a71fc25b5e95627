"""Practice: is every figure current at every show that may need it, and what to practise by when.

A figure is current at a show when it was practised before the show's day and at most so many days before
it. Rules on such currency are the pilot's to know (special provisions for air shows have asked for the same
manoeuvres in the same make and model within 45 days of the show); the number of days is a setting.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

__all__ = ["Demand", "PracticePlan", "Refusal", "Session", "is_current", "practice_plan"]


@dataclass(frozen=True)
class Demand:
    """A figure that must be current on a show day of a booking."""

    figure: str
    show: dt.date
    booking: str


@dataclass(frozen=True)
class Refusal:
    """A figure that is not current at a show, and what would cure it.

    Attributes
    ----------
    figure, show, booking
        The demand.
    last
        Last practised before the show; None for never.
    currency_days
        Days allowed.
    """

    figure: str
    show: dt.date
    booking: str
    last: dt.date | None
    currency_days: int

    @property
    def earliest(self) -> dt.date:
        """First day on which a practice counts for the show."""
        return self.show - dt.timedelta(days=self.currency_days)

    @property
    def latest(self) -> dt.date:
        """Last day on which a practice counts for the show: the day before."""
        return self.show - dt.timedelta(days=1)

    @property
    def cure(self) -> str:
        """What would make it current."""
        first, last = self.earliest.isoformat(), self.latest.isoformat()
        return f"Practise from {first} to {last}, or fly that show without."

    def __str__(self) -> str:
        """One sentence: what is wrong, and the cure."""
        last = (
            "no practice of it is written down before that day"
            if self.last is None
            else f"last practised {self.last.isoformat()}, {(self.show - self.last).days} days before, "
            f"{self.currency_days} allowed"
        )
        return (
            f"{self.figure} is not current at {self.booking} on {self.show.isoformat()}: {last}. {self.cure}"
        )


@dataclass(frozen=True)
class Session:
    """A practice that is missing: on any day from `earliest` to `day`.

    Attributes
    ----------
    day
        Last day that serves.
    earliest
        First day that serves.
    figures
        To be practised, in the order of the shows.
    bookings
        Shows it serves.
    """

    day: dt.date
    earliest: dt.date
    figures: tuple[str, ...]
    bookings: tuple[str, ...]


@dataclass(frozen=True)
class PracticePlan:
    """What is not current, and the fewest practice days that cure it."""

    refused: tuple[Refusal, ...]
    sessions: tuple[Session, ...]


def is_current(practised: Sequence[dt.date], show: dt.date, currency_days: int) -> bool:
    """Whether one of these practices is before the show's day and at most so many days before it."""
    return any(0 < (show - day).days <= currency_days for day in practised)


def practice_plan(
    demands: Sequence[Demand], practised: Mapping[str, Sequence[dt.date]], currency_days: int
) -> PracticePlan:
    """What is not current, and the fewest further practice days after which all of it is.

    Parameters
    ----------
    demands
        Figures that must be current, and when.
    practised
        Days on which each figure has been or will be practised.
    currency_days
        Days allowed between the practice and the show.

    Notes
    -----
    Each demand that is not met wants a practice of its figure within a window of days, and one practice day
    serves any number of figures: the fewest days that touch every window are found by taking, again and
    again, the last day of the window that closes first.
    """
    refused = []
    for demand in sorted(demands, key=lambda d: (d.show, d.booking, d.figure)):
        days = practised.get(demand.figure, ())
        if not is_current(days, demand.show, currency_days):
            before = [day for day in days if day < demand.show]
            refused.append(
                Refusal(
                    demand.figure,
                    demand.show,
                    demand.booking,
                    max(before) if before else None,
                    currency_days,
                )
            )
    sessions = []
    open_ = list(refused)
    while open_:
        day = min(r.latest for r in open_)
        served = [r for r in open_ if r.earliest <= day]
        open_ = [r for r in open_ if r.earliest > day]
        sessions.append(
            Session(
                day,
                max(r.earliest for r in served),
                tuple(dict.fromkeys(r.figure for r in served)),
                tuple(dict.fromkeys(r.booking for r in served)),
            )
        )
    return PracticePlan(tuple(refused), tuple(sessions))
