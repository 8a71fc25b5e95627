"""What hour: what to ask for, when to walk away, and what each hour buys."""

from __future__ import annotations

import math
from html import escape
from typing import Any

import streamlit as st

from dashboard import answers, charts_shows, frame, markup, words
from dashboard.season import BookingRow, Day, Season, load_season
from pipeline import briefing
from pipeline.decisions.ranking import Comparison
from pipeline.results import CAUTIONS


def _signed(difference: float) -> str:
    sign = "+" if round(difference) > 0 else "−" if round(difference) < 0 else "±"
    return f"{sign}{abs(difference):,.0f}"


def _bought(gain: Comparison, scale: float, unit: str) -> str:
    """A paired difference with its interval; said where it cannot be told from none."""
    if not math.isfinite(gain.difference):
        return "not observed"
    between = f"{_signed(scale * gain.lower)} to {_signed(scale * gain.upper)}"
    if not gain.told_apart:
        return "can’t be told apart" + (f" ({between})" if gain.lower < gain.upper else "")
    return f"{_signed(scale * gain.difference)}{words.NBSP}{unit} ({between})"


def _chance(chance: briefing.Chance) -> str:
    if not math.isfinite(chance.value):
        return "not enough history"
    return f"{words.percent(chance.value)} ({words.interval(chance.lower, chance.upper)})"


def _told(chance: briefing.Chance) -> str:
    """A chance in a sentence."""
    return (
        f"<b>{escape(words.days_in_ten(chance.value))}</b> ({words.percent(chance.value)}, 90 % interval "
        f"{words.interval(chance.lower, chance.upper)})"
    )


def _times(answer: briefing.SlotAnswer, ask: briefing.Ask) -> str:
    """The three times, as a short table that reads at arm's length."""
    stated = words.percent(answer.stated_chance)
    rows = (
        ("First ask", ask.first or "nothing to ask: the hour in discussion stands"),
        ("Fall back on", ask.fallback or "–"),
        ("Walk away after", ask.walk_away or f"no hour of the window keeps {stated}"),
    )
    cells = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td><b>{escape(value)}</b></td></tr>' for name, value in rows
    )
    return f'<table class="sh facts short"><caption>Local time</caption><tbody>{cells}</tbody></table>'


def _answer(answer: briefing.SlotAnswer, day: Day) -> list[str]:
    offered = answer.rows[answer.offered]
    if answer.best is None:
        return ["No hour of the window has enough history for a number."]
    best = answer.rows[answer.best]
    where = f"{escape(answer.place)}, {escape(words.date(day.date))}"
    if offered.as_good_as_best:
        first = (
            f"{where}: <b>{offered.local}</b>, the hour in discussion, "
            + (
                "is the best of the window"
                if offered is best
                else "can’t be told from the best of the window"
            )
            + f". Some rehearsed show is flown unchanged {_told(offered.any_show)}."
        )
    else:
        first = (
            f"{where}: ask for <b>{best.local}</b> in place of {offered.local}. Some rehearsed show is "
            f"then flown unchanged {_told(best.any_show)}, against {_told(offered.any_show)}."
        )
    same = [r.local for r in answer.rows if r.as_good_as_best and r is not best]
    if same and not (offered.as_good_as_best and same == [offered.local]):
        first += f" Can’t be told from {best.local}: {escape(words.joined(same))}."
    lines = [first]
    if best.full_show.value < 0.05:
        lines.append(
            f"Do not sell the full show here: flown as planned "
            f"{escape(words.chance(best.full_show.value))} even "
            f"at {best.local}."
        )
    lines.append(_late(answer))
    glare = [f"{r.local}: {r.sun}" for r in (best, offered) if r.sun]
    if glare:
        lines.append(f"Sun and light at {escape(words.joined(dict.fromkeys(glare)))}.")
    if answer.sunset_note:
        lines.append(escape(answer.sunset_note))
    return lines


def _late(answer: briefing.SlotAnswer) -> str:
    offered = answer.rows[answer.offered]
    if offered.late is None:
        return f"{answer.late_minutes} minutes late is past the last hour looked at."
    after = next(r for r in answer.rows if r.local == offered.late_local)
    show = offered.late.any_show
    both = words.percent(offered.any_show.value), words.percent(after.any_show.value)
    if not show.told_apart:
        moved = f"can’t be told apart ({both[0]} on time, {both[1]} late)"
    elif both[0] == both[1]:
        moved = f"is hardly moved ({both[0]})"
    else:
        moved = f"goes from {both[0]} to {both[1]}"
    air = escape(_bought(offered.late.density_altitude_ft, 1.0, "ft"))
    return (
        f"If the show runs {answer.late_minutes} minutes late ({offered.late_local}): a rehearsed show flown "
        f"unchanged {moved}; density altitude {air}."
    )


def _show_rows(answer: briefing.SlotAnswer) -> tuple[list[dict[str, Any]], list[str]]:
    names = list(answer.rows[0].routines)
    order = [*names, answers.NOTHING]
    marks = answers.letters(names)
    rows = []
    for row in answer.rows:
        if not math.isfinite(row.nothing):
            continue
        at = 0.0
        for i, name in enumerate(order):
            share = row.nothing if name == answers.NOTHING else row.routines[name].value
            rows.append(
                {
                    "name": row.local,
                    "show": name,
                    "share": share,
                    "first": at,
                    "last": at + share,
                    "mark": f"{marks[name]} {10 * share:.0f}",
                    "words": words.chance(share),
                    "in_window": row.in_window,
                    "dark": i < 2 and name != answers.NOTHING and row.in_window,
                }
            )
            at += share
    return rows, order


def _where(row: briefing.SlotRow, answer: briefing.SlotAnswer) -> str:
    told = [] if row.in_window else ["outside the window"]
    if row is answer.rows[answer.offered]:
        told.append("in discussion")
    if row.as_good_as_best:
        told.append("as good as the best")
    return ", ".join(told)


def _buys(answer: briefing.SlotAnswer) -> None:
    offered = answer.rows[answer.offered]
    st.subheader(f"What each hour buys against {offered.local}", anchor=False)
    rows = []
    for row in answer.rows:
        base = row is offered
        rows.append(
            {
                "local": row.local,
                "some": _chance(row.any_show),
                "full": _chance(row.full_show),
                "da": "–" if base else _bought(row.gain.density_altitude_ft, 1.0, "ft"),
                "gain": "–" if base else _bought(row.gain.any_show, 100.0, "in 100"),
                "whole": "–" if base else _bought(row.gain.full_show, 100.0, "in 100"),
                "where": _where(row, answer),
            }
        )
    st.html(
        markup.plain_table(
            rows,
            {
                "local": "Start, local",
                "some": "A rehearsed show unchanged [% of days]",
                "full": "Full show as planned [% of days]",
                "da": f"Density altitude against {offered.local} [ft]",
                "gain": "A rehearsed show, gain [days in 100]",
                "whole": "Full show, gain [days in 100]",
                "where": "",
            },
            "Differences are of the same past days; in brackets the 90 % interval. A gain of density "
            "altitude "
            "with a minus is thicker air.",
        )
    )


def _weather(chance: float) -> str:
    return words.percent(chance) if math.isfinite(chance) else "not observed"


def _air(answer: briefing.SlotAnswer) -> None:
    st.subheader("The air, hour by hour", anchor=False)
    rows = [
        {
            "local": r.local,
            "median": words.number(r.density_altitude_median_ft),
            "high": words.number(r.density_altitude_high_ft),
            "crowd": words.number(r.toward_crowd_high_kt),
            "gust": words.number(r.gust_high_kt),
            "bites": words.cause(r.bites),
            "ceiling": _weather(r.ceiling),
            "visibility": _weather(r.visibility),
            "thunder": _weather(r.thunder),
            "sun": r.sun or "in nobody’s eyes",
        }
        for r in answer.rows
    ]
    st.html(
        markup.plain_table(
            rows,
            {
                "local": "Start, local",
                "median": "DA, median [ft]",
                "high": "DA, 1 day in 10 above [ft]",
                "crowd": "Wind on the crowd, 1 day in 10 above [kt]",
                "gust": "Gust peak, 1 day in 10 above [kt]",
                "bites": "What bites the full show",
            },
            f"Local time, {answer.timezone}. DA: density altitude",
            numeric=("median", "high", "crowd", "gust"),
        )
        + markup.plain_table(
            rows,
            {
                "local": "Start, local",
                "ceiling": "Ceiling too low for the act [% of days]",
                "visibility": "Visibility too short [% of days]",
                "thunder": "Thunder [% of days]",
                "sun": "Sun and light",
            },
            "Weather and sun",
            numeric=("ceiling", "visibility", "thunder"),
        )
        + '<p class="sh-note">Ceiling and visibility are held against the act’s own minima: always too low '
        "at the limit, one day in twenty at the comfortable value. The sun is that of the day and place, a "
        "clear horizon taken; a line is looked along both ways.</p>"
    )


def _pictures(answer: briefing.SlotAnswer, *, invented: bool) -> None:
    offered = answer.rows[answer.offered].local
    rows, order = _show_rows(answer)
    left, right = st.columns(2, gap="medium")
    marks = answers.letters(order[:-1])
    spoken = [f"{r['show']} {r['words']}" for r in rows if r["name"] == offered]
    with left:
        frame.chart(
            charts_shows.show_shares(
                rows,
                order,
                [r.local for r in answer.rows],
                offered,
                "Which show, by start",
                invented=invented,
            ),
            f"Share of days of each show, by start. At {offered}: {words.joined(spoken)}.",
            lambda: markup.plain_table(
                [
                    {
                        "local": r.local,
                        **{name: _chance(chance) for name, chance in r.routines.items()},
                        answers.NOTHING: words.percent(r.nothing),
                    }
                    for r in answer.rows
                ],
                {"local": "Start, local", **{n: f"{n.capitalize()} [% of days]" for n in order}},
                "Which show, by start; in brackets the 90 % interval",
            ),
        )
        letters = ", ".join(f"{marks[n]} {n}" for n in order)
        st.html(
            f'<p class="sh-note">Letter and days in ten: {escape(letters)}. Dot: the hour in discussion. '
            f"Paler: "
            "outside the organiser’s window.</p>"
        )
    with right:
        chances: list[dict[str, Any]] = [
            {
                "local": r.local,
                "start": int(r.local[:2]) * 60 + int(r.local[3:]),
                "chance": r.any_show.value,
                "lower": r.any_show.lower,
                "upper": r.any_show.upper,
                "in_window": r.in_window,
            }
            for r in answer.rows
        ]
        if any(math.isfinite(r["chance"]) for r in chances):
            frame.chart(
                charts_shows.chance_by_slot(
                    chances, answer.stated_chance, invented=invented, offered=offered
                ),
                "Chance that some rehearsed show is flown unchanged, by start; the least you accept is "
                f"{words.percent(answer.stated_chance)}. The table below holds the numbers.",
            )
            st.html(
                '<p class="sh-note">Band: 90 % interval. Shaded: the organiser’s window. Ring: the hour in '
                "discussion. Where the line falls under the dashes, walk away.</p>"
            )


def _ask_pdf(season: Season, booking: BookingRow, answer: briefing.SlotAnswer) -> None:
    def made() -> bytes:
        from pipeline.papers.sheet import draw
        from pipeline.paperwork import ask_sheet

        return draw(ask_sheet(answer, booking.id))

    st.subheader("The ask sheet", anchor=False)
    st.html('<p class="sh-note">For a letter or a telephone call; the corner of the box copies it.</p>')
    st.code(briefing.ask_text(answer, CAUTIONS), language=None, wrap_lines=True)
    answers.paper("Ask sheet (PDF)", f"{booking.id}-{answer.date}-ask.pdf", made)


season = load_season()
frame.begin(season, "What hour")
booking = frame.choose_booking(season)
day = frame.choose_day(season, booking)
frame.notices(season, venue=day.venue)
if day.status != "ok":
    st.error(f"{booking.place}, {words.date(day.date)}: {day.status}", icon=":material/error:")
else:
    with st.container(horizontal=True, gap="medium"):
        least = st.slider(
            "Least chance of a rehearsed show flown unchanged that you accept [%]",
            5,
            100,
            round(100 * briefing.STATED_CHANCE),
            step=5,
            key="hour_chance",
            width=420,
        )
        late = st.select_slider(
            "The show may run late by [min]",
            [30, 60, 90, 120],
            briefing.LATE_MINUTES,
            key="hour_late",
            width=320,
        )
    answer = answers.hours(booking.id, day.date, least / 100.0, late)
    invented = bool(season.values["station_invented"][day.venue])
    st.html(markup.answer(_answer(answer, day)))
    st.html(_times(answer, briefing.ask_of(answer)))
    _pictures(answer, invented=invented)
    _buys(answer)
    _air(answer)
    _ask_pdf(season, booking, answer)
    with st.expander("How this is worked out"):
        st.markdown(
            "Every start is judged on the same past days of the season, so that two hours are compared "
            "day by "
            "day: a hot year is hot at ten and at three. On each of them the show flown is the one worth "
            "most "
            "to the crowd times the chance that nothing in it is changed; *a rehearsed show flown unchanged* "
            "is then any of them, and *no show* is the act on the ground or no rehearsed show that fits.\n\n"
            "The first ask is the hour of the window with the greatest expected crowd value, unless the "
            "hour in "
            "discussion can’t be told from it by paired draws of whole years. The fallback is the "
            "smallest move "
            "that keeps the chance you accept or, where no hour does, half of what the first ask buys. The "
            "walk-away time is the last start of the unbroken run around the best hour that keeps it; a good "
            "evening beyond a bad afternoon is no part of that run.\n\n"
            f"It rests on {answer.years} past years at this station. Differences of density altitude are in "
            "today’s climate as sampled; being late is that later start against this one."
        )
frame.end()
