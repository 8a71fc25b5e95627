"""Papers that lapse. What grounds an act is common practice, no source; the days are worked by hand."""

from __future__ import annotations

import datetime as dt

from pipeline.decisions.paperwork import Paper, alarms

MAY, JUNE, LATE = dt.date(2027, 5, 31), dt.date(2027, 6, 5), dt.date(2027, 6, 6)


def test_a_paper_that_lapses_before_or_between_the_show_days() -> None:
    """It covers its last day; a show of two days is told with the days that are bare."""
    medical = Paper("medical", "Medical", last_day=JUNE)
    (alarm,) = alarms([medical], [("show", "field", (JUNE, LATE))])
    assert alarm.days == (LATE,)
    assert str(alarm) == "Medical expires on 2027-06-05, before the show day 2027-06-06 of show"
    assert alarms([medical], [("show", "field", (MAY, JUNE))]) == []


def test_a_paper_that_begins_after_the_show() -> None:
    """A waiver from Sunday does not cover Saturday."""
    waiver = Paper("waiver", "Waiver", first_day=LATE, last_day=LATE, venue="field")
    (alarm,) = alarms([waiver], [("show", "field", (JUNE, LATE))])
    assert str(alarm) == "Waiver begins on 2027-06-06, after the show day 2027-06-05 of show"
    assert alarms([waiver], [("show", "elsewhere", (JUNE,))]) == []


def test_this_years_paper_and_the_next_stand_for_each_other() -> None:
    """Two insurances in a row cover both shows; a gap is an alarm; different things do not stand in."""
    old = Paper("insurance", "Insurance 2026", last_day=MAY)
    new = Paper("insurance", "Insurance 2027", first_day=JUNE, last_day=dt.date(2028, 5, 31))
    shows = [("spring", "a", (MAY,)), ("summer", "b", (JUNE,)), ("between", "c", (dt.date(2027, 6, 2),))]
    assert [a.booking for a in alarms([old, new], shows)] == ["between"]
    a, b = Paper("other", "Ramp pass", last_day=MAY), Paper("other", "Smoke oil permit", last_day=LATE)
    assert [x.paper.name for x in alarms([a, b], [("summer", "b", (JUNE,))])] == ["Ramp pass"]


def test_alarms_come_in_the_order_of_the_days() -> None:
    """The first show that is bare stands first, whatever the order of the bookings."""
    medical = Paper("medical", "Medical", last_day=MAY)
    told = alarms([medical], [("late", "b", (LATE,)), ("early", "a", (JUNE,))])
    assert [a.booking for a in told] == ["early", "late"]
