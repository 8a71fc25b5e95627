"""What hour: what to ask for, when to walk away, and what each hour buys."""

from __future__ import annotations

import math
from html import escape
from typing import Any

import streamlit as st

from dashboard import answers, charts_shows, frame, markup, sentences, tables, words
from dashboard.season import BookingRow, Season, load_season
from pipeline import briefing
from pipeline.results import CAUTIONS


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
            markup.plain_table(
                [
                    {
                        "local": r.local,
                        **{name: sentences.chance(chance) for name, chance in r.routines.items()},
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
    frame.no_numbers(season, booking, day)
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
    st.html(markup.answer(sentences.hour(answer, day)))
    st.html(sentences.hour_times(answer, briefing.ask_of(answer)))
    _pictures(answer, invented=invented)
    st.subheader(f"What each hour buys against {answer.rows[answer.offered].local}", anchor=False)
    st.html(tables.hours_buy(answer))
    st.subheader("The air, hour by hour", anchor=False)
    st.html(tables.hours_air(answer) + tables.hours_weather(answer))
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
            "hour in discussion is as good: not to be told from it by paired draws of whole years, or less "
            "than one part in a hundred of the full show’s crowd value behind. The fallback is the smallest "
            "move worth asking for that keeps the chance you accept; where the hour in discussion keeps it "
            "already, or no hour does, the smallest that keeps half of what the first ask buys. The "
            "walk-away time is the last start of the unbroken run around the best hour (where that falls "
            "short, around the hour that keeps some rehearsed show most often) that keeps the chance "
            "you accept; a good evening beyond a bad afternoon is no part of that run.\n\n"
            f"It rests on {answer.years} past years at this station. Differences of density altitude are in "
            "today’s climate as sampled; being late is that later start against this one."
        )
frame.end()
