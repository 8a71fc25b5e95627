"""Practice currency and the fewest practices that restore it, against plain search over days."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.decisions.practice import Demand, is_current, practice_plan

SHOW = dt.date(2027, 7, 10)


@pytest.mark.parametrize(
    ("days_before", "current"), [(0, False), (1, True), (45, True), (46, False), (-1, False)]
)
def test_currency_is_judged_at_the_show_date(days_before: int, current: bool) -> None:
    """45 days, as in special provisions for air shows: the 45th day counts, the 46th and the day itself not.

    That the show's own day does not count is this project's cautious reading.
    """
    assert is_current([SHOW - dt.timedelta(days=days_before)], SHOW, 45) is current


def test_a_refusal_says_what_would_cure_it() -> None:
    """Last practised 20 April, 81 days before 10 July; 45 days before that is 26 May."""
    plan = practice_plan(
        [Demand("Loop", SHOW, "high-field")], {"Loop": [dt.date(2027, 4, 20), dt.date(2027, 8, 1)]}, 45
    )
    (refusal,) = plan.refused
    assert str(refusal) == (
        "Loop is not current at high-field on 2027-07-10: last practised 2027-04-20, 81 days before, "
        "45 allowed. Practise from 2027-05-26 to 2027-07-09, or fly that show without."
    )
    (session,) = plan.sessions
    assert (session.earliest, session.day) == (dt.date(2027, 5, 26), dt.date(2027, 7, 9))


def test_a_figure_never_practised_is_refused_and_one_practised_in_time_is_not() -> None:
    """Only the figure without a practice is told, with the words for it."""
    demands = [Demand("Loop", SHOW, "a"), Demand("Roll", SHOW, "a")]
    plan = practice_plan(demands, {"Roll": [SHOW - dt.timedelta(days=3)]}, 45)
    assert [r.figure for r in plan.refused] == ["Loop"]
    assert "no practice of it is written down before that day" in str(plan.refused[0])


DEMANDS = st.lists(
    st.tuples(st.sampled_from(["Loop", "Roll", "Spin"]), st.integers(10, 40)), min_size=1, max_size=6
)
PRACTISED = st.dictionaries(
    st.sampled_from(["Loop", "Roll", "Spin"]), st.lists(st.integers(0, 40), max_size=2), max_size=3
)


@settings(max_examples=150, deadline=None)
@given(DEMANDS, PRACTISED, st.integers(3, 9))
def test_sessions_are_the_fewest_and_cure_every_refusal(
    demands: list[tuple[str, int]], practised: dict[str, list[int]], currency: int
) -> None:
    """After the practices asked for all is current; no smaller number of days does it (search over all)."""
    zero = dt.date(2027, 5, 1)
    wanted = [Demand(f, zero + dt.timedelta(days=d), "b") for f, d in demands]
    held = {f: [zero + dt.timedelta(days=d) for d in days] for f, days in practised.items()}
    plan = practice_plan(wanted, held, currency)
    for choice in ("day", "earliest"):
        after = {f: list(days) for f, days in held.items()}
        for session in plan.sessions:
            for figure in session.figures:
                after.setdefault(figure, []).append(getattr(session, choice))
        assert all(is_current(after.get(d.figure, []), d.show, currency) for d in wanted)
    windows = {(r.earliest, r.latest) for r in plan.refused}
    ends = sorted({latest for _, latest in windows})
    fewest = next(
        k
        for k in range(len(ends) + 1)
        if any(
            all(any(a <= day <= b for day in days) for a, b in windows)
            for days in itertools.combinations(ends, k)
        )
    )
    assert len(plan.sessions) == fewest
