"""Which bookings: the season ranked by the chance that the show is flown as planned."""

from __future__ import annotations

from html import escape

import streamlit as st

from dashboard import answers, charts, frame, markup, sentences, words
from dashboard.season import Season, load_season

_MOST_SMALL = 24


@frame.fragment
def _small_multiples(season: Season) -> None:
    st.subheader("The air by hour, booking by booking", anchor=False)
    quantity = st.segmented_control(
        "What to draw",
        ["density_altitude", "gust", "toward_crowd", "runway_crosswind"],
        format_func=lambda q: f"{words.QUANTITIES[q][0]} [{words.QUANTITIES[q][1]}]",
        default="density_altitude",
        required=True,
        key="small_quantity",
    )
    held = [b for b in season.bookings if b.rank]
    if len(held) > _MOST_SMALL and not st.toggle(f"Draw all {len(held)} bookings", key="small_all"):
        held = held[:_MOST_SMALL]
    drawn = []
    for booking in held:
        day = season.days_of(booking.id)[0]
        rows = season.air_rows(day, quantity)
        for row, slot in zip(rows, day.slots, strict=True):
            row["offered"] = slot.position == day.offered
        drawn.append((booking, rows, season.limit_of(day, quantity), season.heading(day, quantity)))
    everything = [r for _, rows, *_ in drawn for r in rows]
    top = max([*(r["high_upper"] for r in everything), *(limit[1] for *_, limit, _ in drawn if limit)])
    bottom = min([0.0, *(r["low"] for r in everything)])
    clock = (min(r["start"] for r in everything), max(r["start"] for r in everything))
    st.html(
        '<p class="sh-note">Local time across, one scale for all. Line: median. Pale band: eight days in '
        "ten. Bars: 90 % "
        "interval of the value that one day in ten exceeds. Dot: the slot in discussion. Dashed and solid: "
        "comfortable and limit of the most demanding figure (for runway crosswind, of the act).</p>"
    )
    name, unit, _ = words.QUANTITIES[quantity]
    with st.container(horizontal=True, gap="small", key="small_multiples"):
        for booking, rows, limit, heading in drawn:
            with st.container(width=172, gap=None):
                st.page_link(
                    "views/venue.py",
                    label=markup.literal(f"{booking.rank} {booking.place}"),
                    query_params={"booking": booking.id},
                )
                mark = " · INVENTED" if booking.invented else ""
                if heading != name:
                    mark += " · estimated"
                st.html(f'<p class="sh-note">{escape(booking.dates)}{mark}</p>')
                offered = next(r for r in rows if r["offered"])
                frame.chart(
                    charts.small_air(rows, quantity, limit, (bottom, 1.02 * top), clock),
                    f"{heading} by hour at {booking.name}: at {offered['local']} "
                    "median "
                    f"{words.number(offered['median'], unit)}, one day in ten above "
                    f"{words.number(offered['high'], unit)}.",
                )
    with st.expander("The same as a table"):
        st.html(
            markup.plain_table(
                [
                    {
                        "name": booking.name + ("" if heading == name else " (estimated)"),
                        "slot": r["local"],
                        "median": words.number(r["median"]),
                        "high": words.number(r["high"]),
                        "between": f"{words.number(r['high_lower'])} to {words.number(r['high_upper'])}",
                    }
                    for booking, rows, _, heading in drawn
                    for r in rows
                    if r["offered"]
                ],
                {
                    "name": "Booking",
                    "slot": "Slot in discussion, local",
                    "median": f"Median [{unit}]",
                    "high": f"One day in ten above [{unit}]",
                    "between": "90 % interval of that",
                },
                f"{name} at the slot in discussion",
                numeric=("median", "high", "between"),
            )
        )


season = load_season()
frame.begin(season, "Which bookings")
frame.notices(season)
st.html(markup.answer(sentences.bookings(season)))
st.html(markup.bookings_table(season.bookings, frame.remembered(season), season.currency))
trust = sentences.trust(season)
if trust:
    st.subheader("Can these numbers be trusted?", anchor=False)
    st.html(trust)

by_hour = [
    dict(row, booking=f"{b.rank} {b.place}, {b.day}")
    for b in season.bookings
    if b.rank
    for row in season.planned_rows(season.days_of(b.id)[0])
]
if by_hour:
    st.subheader("What each hour costs", anchor=False)
    st.html(
        '<p class="sh-note">The darker, the more often the full show is not flown as planned. Dot: the '
        "slot in "
        "discussion. Paler cells lie outside the organiser’s window. First show day of each booking.</p>"
    )
    frame.chart(
        charts.season_by_hour(
            by_hour, list(dict.fromkeys(r["booking"] for r in by_hour)), invented=season.invented
        ),
        "Chance that the full show is not flown as planned, by booking and local hour. The table below "
        "holds the numbers.",
        lambda: markup.plain_table(
            [
                {
                    "booking": r["booking"],
                    "local": r["local"],
                    "words": r["words"],
                    "interval": words.interval(r["lower"], r["upper"]),
                    "bites": r["bites"],
                    "window": "yes" if r["in_window"] else "no",
                }
                for r in by_hour
            ],
            {
                "booking": "Booking",
                "local": "Local time",
                "words": "Flown as planned",
                "interval": "90 % interval",
                "bites": "What bites",
                "window": "In the window",
            },
            "Chance that the full show is flown as planned, by slot",
        ),
    )
    _small_multiples(season)

frame.fragment(answers.season_to_send)()
with st.expander("How this is worked out"):
    st.markdown(
        "Every booking is judged at the slot in discussion on the hours of the same season and time of day "
        "in past "
        "years, moved to the booking’s date and year. *Flown as planned* means: the act flies, and no "
        "figure of "
        "the full show is dropped or trimmed against your personal limits. A booking of several days takes "
        "the mean "
        "of its days; its density altitudes are those of the day with the thinnest air.\n\n"
        "Two bookings *can’t be told apart* when paired draws of whole years do not separate them; their "
        "ranks are "
        "then a matter of chance. *Worse than its fee* means that more than half of the other offers which "
        "pay no "
        "more are flown as planned more often, by at least one day in ten and a difference that can be "
        "told apart."
    )
frame.end()
