"""Which show: the season's few routines, which of them each booking may need, and what to practise."""

from __future__ import annotations

import datetime as dt
import math
from html import escape
from typing import Any

import streamlit as st

from dashboard import answers, charts_shows, frame, markup, sentences, tables, words
from dashboard.season import BookingRow, Season, load_season, stale_because
from pipeline.papers.sheet import Sheet, draw
from pipeline.results import minutes_and_seconds

Told = dict[str, Any]


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _places(season: Season) -> tuple[list[dict[str, str]], list[str]]:
    """In, out or substitute by place of the full show, for every routine made of its places.

    The figures of the results stand in the order of the season's repertoire: a place's own figure, its
    substitutes after it.
    """
    labels = [str(r) for r in season.labels["routine"]]
    position = season.values["routine_position"]
    made = [r for r, origin in enumerate(season.values["routine_origin"]) if origin == "composed" or r == 0]
    full = sorted(season.full)
    rows = []
    for k, f in enumerate(full):
        end = full[k + 1] if k + 1 < len(full) else len(season.figures)
        row = {"place": str(k + 1), "figure": season.figures[f]}
        for r in made:
            held = [g for g in range(f, end) if position[r, g] > 0]
            if f in held:
                row[labels[r]] = "in"
            elif held:
                row[labels[r]] = f"substitute: {season.figures[held[0]]}"
            else:
                row[labels[r]] = "out"
        rows.append(row)
    return rows, [labels[r] for r in made]


def _routines(season: Season, told: Told) -> None:
    st.subheader("The season’s routines", anchor=False)
    st.html(
        markup.plain_table(
            [
                {
                    "routine": r["routine"],
                    "minutes": minutes_and_seconds(r["seconds"]),
                    "thin": minutes_and_seconds(r["seconds_in_the_thinnest_air"]),
                    "value": words.number(_number(r["crowd_value"])),
                    "without": ", ".join(r["left_out"]) if r["origin"] == "composed" else "–",
                    "with": ", ".join(r["taken_in"]) if r["origin"] == "composed" else "–",
                }
                for r in told["routines"]
            ],
            {
                "routine": "Show",
                "minutes": "Length as planned [min:s]",
                "thin": "Longest on its papers [min:s]",
                "value": "Crowd value",
                "without": "Out of the full show",
                "with": "Substitutes",
            },
            "The same few all season, each designed and rehearsed ahead. On the papers of a booking stand "
            "its thin air’s longer figures and the climbs between them, in whole legs.",
            numeric=("minutes", "thin", "value"),
        )
    )
    rows, made = _places(season)
    with st.expander("Each routine, figure by figure"):
        st.html(
            markup.plain_table(
                rows,
                {"place": "Place", "figure": "Full show", **{n: n for n in made[1:]}},
                "In, out or substitute, place by place in the order flown",
            )
        )
        for r in told["routines"]:
            if r["routine"] not in made:
                st.html(
                    f'<p class="sh-note">{escape(r["routine"])}, a list of its own: '
                    f"{escape(', '.join(r['figures']))}.</p>"
                )
        st.html(f'<p class="sh-note">Joins checked: {escape(told["joins_checked"])}.</p>')


def _against(composed: str, full: list[str]) -> str:
    """A routine told by what it leaves out of the full show, and what it takes in."""
    held = composed.split(", ")
    out = [f for f in full if f not in held]
    new = [f for f in held if f not in full]
    told = ([f"without {', '.join(out)}"] if out else []) + ([f"with {', '.join(new)}"] if new else [])
    return ", ".join(told)


def _season(season: Season, told: Told, chosen: str) -> None:
    st.subheader("Which show each booking is likely to need", anchor=False)
    held = {r["booking"]: r for r in told["bookings"]}
    ranked = [b for b in season.bookings if held[b.id]["status"] == "ok"]
    if not ranked:
        st.info("No booking has enough history for a number.")
        return
    names = [r["routine"] for r in told["routines"]]
    order = [*names, answers.NOTHING]
    marks = answers.letters(names)
    bars = {b.id: f"{b.place}, {b.day}{b.apart}" for b in ranked}
    rows = []
    for b in ranked:
        at = 0.0
        shares = [*(_number(held[b.id]["flown"][n]) for n in names), _number(held[b.id]["none"])]
        for i, (name, share) in enumerate(zip(order, shares, strict=True)):
            if not math.isfinite(share):
                continue
            rows.append(
                {
                    "name": bars[b.id],
                    "show": name,
                    "share": share,
                    "first": at,
                    "last": at + share,
                    "mark": f"{marks[name]} {10 * share:.0f}",
                    "words": words.chance(share),
                    "in_window": True,
                    "dark": i < 2 and name != answers.NOTHING,
                }
            )
            at += share
    frame.chart(
        charts_shows.show_shares(
            rows, order, list(bars.values()), bars.get(chosen, ""), "Which show, by booking",
            invented=season.invented,
        ),
        "Share of days of each show, by booking. The table below holds the numbers.",
        tables.shows_of_season(season, told),
    )  # fmt: skip
    letters = ", ".join(f"{marks[n]} {n}" for n in order)
    st.html(
        f'<p class="sh-note">Letter and days in ten: {escape(letters)}. Dot: the booking in hand. At the '
        f"slot in "
        "discussion, the mean of the booking’s days.</p>"
    )
    for b in season.bookings:
        if held[b.id]["status"] != "ok":
            st.html(f'<p class="sh-note">{escape(b.name)}: {escape(held[b.id]["status"])}</p>')


def _signed(value: float, unit: str = "") -> str:
    return f"{'−' if value < 0 else '+'}{abs(value):.1f}{unit}"


def _gain(row: Told, key: str, scale: float, unit: str = "") -> str:
    """A difference from this season's number of routines, with its interval where the years tell one."""
    value, lower, upper = (scale * _number(row[f"{key}{end}"]) for end in ("", "_lower", "_upper"))
    if not math.isfinite(lower):
        return _signed(value, unit)
    apart = "" if lower > 0 or upper < 0 else ", which can’t be told from none"
    return f"{_signed(value, unit)} ({_signed(lower)} to {_signed(upper)}{apart})"


def _ends(row: Told, key: str, scale: float) -> str:
    lower, upper = (scale * _number(row[f"{key}_{end}"]) for end in ("lower", "upper"))
    return f"{lower:.1f} to {upper:.1f}" if math.isfinite(lower) else words.MISSING


def _tenth(share: float) -> str:
    return words.number(100.0 * share, "%", digits=1)


_VALUE, _CHANGED = "crowd_value_expected", "days_flown_with_a_further_change"
_MORE_VALUE, _MORE_CHANGED = "crowd_value_over_the_number_asked", "further_change_over_the_number_asked"


def _around(row: Told, here: Told) -> Told:
    """Ends of the differences' intervals, laid around what they are differences from; none without years."""
    if row[f"{_MORE_VALUE}_lower"] is None or row[f"{_MORE_CHANGED}_lower"] is None:
        return {}
    return {
        f"{name}_{end}": here[key] + row[f"{more}_{end}"]
        for name, key, more in (("value", _VALUE, _MORE_VALUE), ("changed", _CHANGED, _MORE_CHANGED))
        for end in ("lower", "upper")
    }


def _frontier(told: Told, *, invented: bool) -> None:
    rows = [r for r in told["frontier"] if r[_VALUE] is not None and r[_CHANGED] is not None]
    if not rows:
        return
    st.subheader("One routine more, or one fewer", anchor=False)
    full = told["routines"][0]["figures"]
    rehearsed = 1 + sum(r["origin"] == "composed" for r in told["routines"])
    at = {r["routines_rehearsed"]: r for r in rows}
    lines = []
    here = at.get(rehearsed)
    for count, word in ((rehearsed + 1, "One more"), (rehearsed - 1, "One fewer")):
        other = at.get(count)
        if here and other:
            lines.append(
                f"{word} ({count}): crowd value {_gain(other, _MORE_VALUE, 1.0)} a show; flown days with a "
                f"further change {_gain(other, _MORE_CHANGED, 100.0, ' points')}, "
                f"{_tenth(other[_CHANGED])} in place of {_tenth(here[_CHANGED])}."
            )
    if lines:
        st.html(f"<p>{escape(' '.join(lines))}</p>")
    table = markup.plain_table(
        [
            {
                "count": str(r["routines_rehearsed"]),
                "value": words.number(r[_VALUE], digits=1),
                "value_interval": _ends(r, _VALUE, 1.0),
                "changed": _tenth(r[_CHANGED]),
                "changed_interval": _ends(r, _CHANGED, 100.0),
                "composed": "; ".join(_against(c, full) for c in r["composed"]) or "nothing",
            }
            for r in rows
        ],
        {
            "count": "Rehearsed",
            "composed": "Beside the full show",
            "value": "Expected crowd value a show",
            "value_interval": "90 % interval",
            "changed": "Flown days with a further change [%]",
            "changed_interval": "90 % interval [%]",
        },
        f"Routines rehearsed; this season {rehearsed}",
        numeric=("value", "value_interval", "changed", "changed_interval"),
    )
    compared = (
        f"{told['candidates']:,} routines join and were compared; no other set gives more."
        if told["all_that_join"]
        else f"{told['candidates']:,} of the routines that join were compared; another set could add at most "
        f"{_number(told['could_lose_crowd_value']):.2f} of crowd value a show."
    )
    st.html(
        f'<p class="sh-note">Ring: the {rehearsed} of this season; bars: how far the others may lie from it, '
        "the 90 % interval by the past years that they share, with your limits as they stand. The "
        f"low-ceiling show is not counted. {compared}</p>"
    )
    if len(rows) == 1:
        st.html(table)
        return
    drawn = [
        {"count": r["routines_rehearsed"], "value": r[_VALUE], "changed": r[_CHANGED]}
        | (_around(r, here) if here else {})
        for r in rows
    ]
    frame.chart(
        charts_shows.frontier(drawn, rehearsed, invented=invented),
        f"Expected crowd value a show against flown days with a further change, for "
        f"{rows[0]['routines_rehearsed']} to {rows[-1]['routines_rehearsed']} routines rehearsed, with the "
        "90 % intervals of their differences from this season’s. The table below holds the numbers.",
        table,
    )


def _no_folder(season: Season) -> str:
    """Why the season folder is not asked; in few words where the top of the page has said it."""
    if stale_because(season):
        return "the season folder does not go with these results; the top of this page names the cure."
    return answers.why_no_inputs(season)


def _practice(season: Season, told: Told) -> None:
    st.subheader("What to practise, and by when", anchor=False)
    practice = told["practice"]
    names = {b.id: b.name for b in season.bookings}
    if practice is None:
        why = _no_folder(season)
        st.info(
            f"Practice is not judged: {why}"
            if why
            else "The season folder has no practice.yaml: whether the figures will be current is not judged."
        )
        return
    unknown = practice["not_judged"]
    if unknown:
        spoken = words.joined((names[b] for b in unknown), sentences.MOST_NAMED)
        st.html(
            f"<p><b>Not judged</b>: {escape(spoken)}. Without enough history nobody can tell which figures "
            "are needed there, or whether they will be current.</p>"
        )
    groups: dict[tuple[str, str, str, str], list[str]] = {}
    for r in practice["refused"]:
        last = words.date(r["last"], year=True) if r["last"] else "nothing written down"
        groups.setdefault((r["show"], r["booking"], last, r["cure"]), []).append(r["figure"])
    if groups:
        st.html(
            markup.plain_table(
                [
                    {
                        "show": words.date(show, year=True),
                        "booking": names[booking],
                        "figures": ", ".join(figures),
                        "last": last,
                        "cure": cure,
                    }
                    for (show, booking, last, cure), figures in groups.items()
                ],
                {
                    "show": "Show day",
                    "booking": "Booking",
                    "figures": "Not current",
                    "last": "Last practised before",
                    "cure": "Cure",
                },
                f"Practice counts for {practice['currency_days']} days. What is not current is no "
                f"reserve, and no "
                "part of the show.",
            )
        )
    elif len(unknown) < len(told["bookings"]):
        of_which = "every show that is judged" if unknown else "every show"
        st.html(f"<p>Every figure that may be needed is current at {of_which}.</p>")
    if practice["practise"]:
        st.html(
            markup.plain_table(
                [
                    {
                        "between": f"{words.date(r['from'], year=True)} to {words.date(r['by'], year=True)}",
                        "figures": ", ".join(r["figures"]),
                        "for": "; ".join(names[b] for b in r["for"]),
                    }
                    for r in practice["practise"]
                ],
                {"between": "Practise from and by", "figures": "Figures", "for": "For"},
                "The fewest further practice days that cure it",
            )
        )
    air = practice["rehearsal_air"]
    if air:
        with st.expander("Where the show’s air is found at home"):
            st.html(
                markup.plain_table(
                    [
                        {
                            "booking": f"{names[r['booking']]} ({words.date(r['date'], weekday=False)})",
                            "da": words.number(float(r["show_density_altitude_high_ft"])),
                            "base": _or_missing(r["base_above_home_ft"]),
                            "needle": _or_missing(r["needle_ft"]),
                            "setting": f"{r['altimeter_inhg']:.2f}",
                            "remark": r["remark"],
                            "low": words.number(float(r["low_at_home_better_by_ft"])),
                        }
                        for r in air
                    ],
                    {
                        "booking": "Booking",
                        "da": "Density altitude one day in ten exceeds [ft]",
                        "base": "Base above home [ft]",
                        "needle": "Base as the needle reads [ft]",
                        "setting": "Altimeter set to [inHg]",
                        "remark": "What it hides",
                        "low": "Low at home the air is better by [ft]",
                    },
                    "With the home air of practice.yaml. Where the air low at home is better than the "
                    "show’s, practice there does not prove the figures; nor does the cool morning prove "
                    "the afternoon.",
                    numeric=("da", "base", "needle", "setting", "low"),
                )
            )


def _or_missing(value: float | None) -> str:
    return words.MISSING if value is None else words.number(float(value))


def _papers(season: Season, booking: BookingRow) -> None:
    st.subheader(f"Papers for {markup.literal(booking.name)}", anchor=False)
    why = _no_folder(season)
    if why:
        st.info(markup.told(f"No papers: {why}"))
        return
    setting = frame.altimeter_setting(
        "Altimeter setting to print beside the heights [inHg]; empty leaves a blank to fill in",
        "show_altimeter",
        "The cards are left blank there.",
        width=420,
    )

    def sheet(make: Any) -> Any:
        def made() -> bytes:
            drawn: Sheet = make(answers.paper_day(season, booking.id))
            return draw(drawn)

        return made

    from pipeline import paperwork

    with st.container(horizontal=True, gap="small"):
        answers.paper("Which show", f"{booking.id}-which-show.pdf", sheet(paperwork.which_show_sheet))
        answers.paper("Display director", f"{booking.id}-director.pdf", sheet(paperwork.director_sheet))
        for r, name in enumerate(str(x) for x in season.labels["routine"]):
            slug = name.lower().replace(" ", "-")
            answers.paper(
                f"Pilot’s card, {name}",
                f"{booking.id}-card-{slug}.pdf",
                sheet(lambda d, r=r: paperwork.pilot_card(d, d.shows[r], altimeter_inhg=setting)),
            )
            answers.paper(
                f"Announcer, {name}",
                f"{booking.id}-announcer-{slug}.pdf",
                sheet(lambda d, r=r: paperwork.announcer_sheet(d, d.shows[r])),
            )
    answers.paper("The season’s calendar (slots, practise by, reply by)", "showhour.ics",
                  lambda: _calendar(season), mime="text/calendar")  # fmt: skip
    st.html(
        '<p class="sh-note">For all show days of the booking, reckoned for the thinnest; slot in discussion. '
        "Each is one page, made when you ask for it.</p>"
    )


def _calendar(season: Season) -> bytes:
    from pipeline.exports import calendar
    from pipeline.paperwork import calendar_events

    events = calendar_events(answers.inputs(season), answers.results())
    made = dt.datetime.fromisoformat(str(season.attrs["computed_at"]))
    return calendar(events, season.name, made).encode()


season = load_season()
frame.begin(season, "Which show")
booking = frame.choose_booking(season)
told = answers.routines(season)
row = next(r for r in told["bookings"] if r["booking"] == booking.id)
# Emptied first: nothing of another booking's page stands where it can be pushed down.
with st.container(key="show_body"), st.empty().container():
    frame.notices(season, venue=season.days_of(booking.id)[0].venue)
    if row["status"] == "ok":
        st.html(markup.answer(sentences.which_show(told, row, booking)))
        st.subheader(f"The shows at {markup.literal(booking.place)}", anchor=False)
        st.html(tables.shows(season, booking, row))
    else:
        frame.no_numbers(season, booking, season.days_of(booking.id)[0])
    _routines(season, told)
    _season(season, told, booking.id)
    _practice(season, told)
    _frontier(told, invented=season.invented)
    if row["status"] == "ok":
        _papers(season, booking)
with st.expander("How this is worked out"):
    st.markdown(
        "On every sampled hour of the past the show flown is the one worth most to the crowd times the "
        "chance that "
        "nothing in it is changed; shares are averaged last, so that the shows share one weather. The "
        "low-ceiling "
        "show is for hours whose ceiling is known to lie below the full show’s comfort, and never below "
        "the waiver.\n\n"
        "The season’s routines are chosen among all that join, place by place (attitude, direction, "
        "height, speed), "
        "for the greatest expected crowd value over the bookings that are not passed. A figure is *in "
        "reserve* when "
        "another show that holds it is the one to fly on at least one day in twenty there.\n\n"
        "Practice counts for so many days before a show as practice.yaml says; current air show special "
        "provisions "
        "ask for the same figures in the same make and model within 45 days. Your own authorisation may "
        "ask for more."
    )
frame.end()
