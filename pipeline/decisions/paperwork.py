"""The papers that ground an act when they lapse.

A paper that does not cover a show day is an alarm, never a correction: what is
legal is for the pilot and the authority to say.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["KINDS", "Alarm", "Paper", "alarms"]

KINDS: dict[str, str] = {
    "competency": "competency card",
    "medical": "medical",
    "inspection": "aircraft inspection",
    "insurance": "insurance",
    "waiver": "waiver",
    "other": "paper",
}
"""Kinds of paper and what people call them; common practice, no source."""


@dataclass(frozen=True)
class Paper:
    """One paper.

    Attributes
    ----------
    kind
        One of `KINDS`.
    name
        What it is called.
    first_day, last_day
        Days that it covers, both included; None where it has no such end.
    venue
        The only venue it is for; None for all.
    """

    kind: str
    name: str
    first_day: dt.date | None = None
    last_day: dt.date | None = None
    venue: str | None = None


@dataclass(frozen=True)
class Alarm:
    """A paper that does not cover a show day.

    Attributes
    ----------
    days
        Show days that it does not cover, in order.
    """

    paper: Paper
    booking: str
    days: tuple[dt.date, ...]

    def __str__(self) -> str:
        """One sentence: which paper, until when, which show."""
        paper, first = self.paper, self.days[0]
        if paper.last_day is not None and first > paper.last_day:
            what = f"expires on {paper.last_day}, before"
        else:
            what = f"begins on {paper.first_day}, after"
        return f"{paper.name} {what} the show day {first} of {self.booking}"


def alarms(papers: Sequence[Paper], shows: Iterable[tuple[str, str, Sequence[dt.date]]]) -> list[Alarm]:
    """Papers that do not cover a show day, in the order of the days.

    Two papers of one kind for the same place, such as this year's insurance and next year's, stand for each
    other: a day that one of them covers is covered.

    Parameters
    ----------
    papers
        Every paper.
    shows
        Booking id, venue id and show days of each booking.
    """

    def covers(paper: Paper, day: dt.date) -> bool:
        return (paper.first_day is None or day >= paper.first_day) and (
            paper.last_day is None or day <= paper.last_day
        )

    found = []
    for booking, venue, days in shows:
        series: dict[tuple[str, str | None, str], list[Paper]] = {}
        for paper in papers:
            if paper.venue in (None, venue):
                # Papers of the kind "other" are different things: only the same name stands for itself.
                name = paper.name if paper.kind == "other" else ""
                series.setdefault((paper.kind, paper.venue, name), []).append(paper)
        for held in series.values():
            bare = tuple(d for d in sorted(days) if not any(covers(p, d) for p in held))
            if bare:
                latest = max(held, key=lambda p: p.last_day or dt.date.max)
                found.append(Alarm(latest, booking, bare))
    return sorted(found, key=lambda a: (a.days[0], a.paper.name))
