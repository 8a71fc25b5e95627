"""Today: one reading of the air, and which show it allows."""

from __future__ import annotations

import datetime as dt
import math
from html import escape
from typing import Any

import numpy as np
import streamlit as st

from dashboard import answers, frame, markup, tables, words
from dashboard.season import BookingRow, Day, load_season
from pipeline import briefing
from pipeline.air.variables import FT
from pipeline.decisions import today
from pipeline.errors import InputError
from pipeline.inputs import Season as Inputs
from pipeline.inputs import Venue
from pipeline.observed import metar_reading, typed_reading
from pipeline.which_show import WORDS, TodayAnswer, climbs_told, today_answer

_METAR, _TYPED = "A METAR", "Typed values"
_STATION = "Elevation of the station that reports [ft]"
_STATES = tuple(f"{sign} {text}" for sign, text in zip("○◐●", today.STATES, strict=True))
"""Shape beside the words, so that no colour is needed."""


def _key(name: str, venue: Venue) -> str:
    """A control's name: each venue has its own, as no reading of one field is another's."""
    return f"today_{name}_{venue.id}"


def _from_metar(venue: Venue, elevation: float) -> today.Reading | None:
    with st.form("today_metar_form", border=False):
        text = st.text_area(
            "METAR or SPECI, whole as copied",
            key=_key("metar", venue),
            height=80,
            placeholder="KXXX 191656Z 24012G20KT 10SM FEW080 33/08 A3012",
        )
        st.form_submit_button("Which show?", type="primary")
    if not text.strip():
        return None
    return metar_reading(text, elevation, dt.datetime.now(dt.UTC).date())


def _typed(venue: Venue, day: Day, elevation: float) -> today.Reading | None:
    wrong: list[str] = []

    def number(where: Any, label: str, low: float, high: float, key: str, step: float = 1.0) -> float | None:
        value = where.number_input(
            label,
            value=None,
            step=step,
            key=_key(key, venue),
            format="%.2f" if step < 0.1 else "%.0f",
        )
        if value is None:
            return None
        wrong.append(frame.out_of_range(label.partition(",")[0], float(value), low, high))
        return float(value)

    with st.form("today_typed_form", border=False):
        # A row of columns at a time, so that a phone shows them in the order they are read.
        first, second, third = st.columns(3)
        temperature = number(first, "Temperature [°C]", -40.0, 55.0, "temperature")
        dew_point = number(second, "Dew point [°C]", -50.0, 35.0, "dew_point")
        setting = number(third, "Altimeter setting [inHg]", 27.0, 32.5, "altimeter", 0.01)
        first, second, third = st.columns(3)
        direction = number(first, "Wind from [° true], empty for variable", 0.0, 360.0, "wind_from", 10.0)
        speed = number(second, "Wind [kt]", 0.0, 120.0, "wind")
        gust = number(third, "Gust peak [kt], empty if none reported", 0.0, 150.0, "gust")
        first, second, third = st.columns(3)
        ceiling = number(first, "Ceiling above the ground [ft]", 0.0, 60_000.0, "ceiling", 100.0)
        clear = first.checkbox("No ceiling", key=_key("no_ceiling", venue))
        visibility = number(second, "Visibility [SM]", 0.0, 100.0, "visibility")
        thunder = third.selectbox("Thunder", ["not looked", "no", "yes"], key=_key("thunder", venue))
        at = st.time_input(
            f"Read at, local time on {words.date(day.date)}; empty leaves it untimed",
            None,
            key=_key("time", venue),
            width=420,
        )
        st.form_submit_button("Which show?", type="primary")
    if any(wrong):
        raise InputError(" ".join(filter(None, wrong)))
    if temperature is None or setting is None:
        return None
    if clear and ceiling is not None:
        raise InputError("The sky has a ceiling or it has none: empty the height, or untick “No ceiling”.")
    instant = None
    if at is not None:
        when = venue.utc(dt.date.fromisoformat(day.date), at)
        instant = np.datetime64(when.astimezone(dt.UTC).replace(tzinfo=None), "s")
    return typed_reading(
        station_elevation=elevation,
        temperature_c=temperature,
        dew_point_c=dew_point,
        altimeter_inhg=setting,
        wind_from=direction,
        wind_kt=speed,
        gust_kt=gust,
        ceiling_ft=ceiling,
        no_ceiling=clear,
        visibility_sm=visibility,
        thunder=None if thunder == "not looked" else thunder == "yes",
        instant=instant,
    )


def _answered(
    booking: BookingRow, day: Day, folder: Inputs, venue: Venue, reading: today.Reading
) -> TodayAnswer:
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
    ds = answers.results()
    return today_answer(
        ds,
        booking.id,
        reading,
        date=day.date,
        lapse_rate=venue.lapse_rate_k_per_km / 1000.0,
        thunder_stops=folder.act_limits(venue).thunder == "stop",
        two_amber_is_red=folder.pilot.two_amber_is_red,
        tops=answers.show_tops(season, booking.id),
        now=np.datetime64(now, "s"),
        air=answers.judged_day(briefing.booking_day(ds, booking.id, day.date)),
        routines=answers.judges(),
    )


def _of(value: float, unit: str) -> str:
    return words.number(value, unit) if math.isfinite(value) else "not observed"


def _which(told: TodayAnswer) -> None:
    lines = [f"Which show: <b>{escape(told.headline)}</b>"]
    if told.answer.no_show:
        lines.append("Below the act’s minima there is no show, whatever the figures say.")
    elif told.show:
        lines.append(
            "That is the most this reading allows by your own limits. It clears nothing: you decide, and "
            "a lesser "
            "show or none is always right."
        )
    if told.stale:
        st.warning(markup.told(told.stale), icon=":material/update:")
    st.html(markup.answer(lines))
    notes = [n for n in told.notes if n != told.stale]
    st.html("<ul class='sh-list'>" + "".join(f"<li>{escape(n)}</li>" for n in notes) + "</ul>")


def _air(told: TodayAnswer) -> None:
    rows = [
        ("Pressure altitude", _of(told.pressure_altitude_ft, "ft")),
        ("Density altitude", _of(told.density_altitude_ft, "ft")),
        ("Density altitude if the air were dry", _of(told.density_altitude_dry_ft, "ft")),
        ("Temperature at the show site", _of(told.temperature_c, "°C")),
        ("Runway headwind (negative: from behind)", _of(told.headwind_kt, "kt")),
        ("Runway crosswind", _of(told.crosswind_kt, "kt")),
        ("Runway crosswind in the gust, at most", _of(told.crosswind_in_gust_kt, "kt")),
        ("Wind toward the crowd (negative: off the crowd)", _of(told.toward_crowd_kt, "kt")),
        ("Wind along the show line, either way", _of(abs(told.along_line_kt), "kt")),
        ("Gust peak, at least", _of(told.gust_low_kt, "kt")),
        ("Gust peak, at most", _of(told.gust_high_kt, "kt")),
    ]
    st.html(
        markup.facts(rows, "The air of the reading, brought to the show site. A wind that varies: its worst.")
    )


def _why(reasons: tuple[tuple[str, int], ...], unknown: tuple[str, ...]) -> str:
    told = [
        WORDS[c] + (" not observed" if c in unknown else " past its limit" if s == today.LEAVE_OUT else "")
        for c, s in reasons
    ]
    return ", ".join(told) or "–"


def _states(told: TodayAnswer) -> None:
    left, right = st.columns(2, gap="medium")
    with left:
        st.subheader("Figures", anchor=False)
        order = sorted(told.answer.figures, key=lambda f: -f.state)
        st.html(
            markup.plain_table(
                [
                    {"figure": f.name, "state": _STATES[f.state], "why": _why(f.reasons, f.unknown)}
                    for f in order
                ],
                {"figure": "Figure", "state": "State", "why": "What bites"},
                "The worst first. At or beyond a limit: leave it out. Past comfortable, or not observed: "
                "think.",
            )
        )
    with right:
        st.subheader("Shows", anchor=False)
        st.html(
            markup.plain_table(
                [
                    {
                        "show": s.name,
                        "state": _STATES[s.state],
                        "out": "; ".join(filter(None, [", ".join(s.out), climbs_told(s)])) or "–",
                        "think": ", ".join(s.doubtful) or "–",
                        "changed": "–" if s.state == today.LEAVE_OUT else words.percent(s.chance),
                    }
                    for s in told.answer.shows
                ],
                {
                    "show": "Show",
                    "state": "State",
                    "out": "Leave out",
                    "think": "Think about",
                    "changed": "Something changed in such air [%]",
                },
                "A show with a figure to leave out is not the rehearsed show any more.",
                numeric=("changed",),
            )
        )
        st.subheader("The whole act", anchor=False)
        st.html(
            markup.plain_table(
                [
                    {
                        "cause": WORDS[c].capitalize(),
                        "state": "◐ not observed: look"
                        if c in told.answer.act_unknown
                        else "● no show"
                        if s == today.LEAVE_OUT
                        else _STATES[s],
                    }
                    for c, s in told.answer.act.items()
                ],
                {"cause": "Minimum for", "state": "State"},
                "By the full show’s minima; a low-ceiling show may have its own.",
            )
        )


def _past(told: TodayAnswer) -> None:
    st.subheader(f"Beside such days at {told.slot_local}", anchor=False)
    st.html(
        markup.plain_table(
            [
                {
                    "what": c.quantity,
                    "now": _of(c.now, ""),
                    "median": words.number(c.median),
                    "high": words.number(c.high),
                    "share": words.percent(c.share_below) if math.isfinite(c.now) else "not observed",
                }
                for c in told.compared
            ],
            {
                "what": "Quantity and unit",
                "now": "This reading",
                "median": "Median",
                "high": "1 day in 10 above",
                "share": "Past hours below this reading",
            },
            "The reading as it is now, against past hours of the slot.",
            numeric=("now", "median", "high", "share"),
        )
    )
    if told.carried:
        st.html(
            markup.plain_table(
                [
                    {
                        "what": c.quantity,
                        "median": words.number(c.median),
                        "between": f"{words.number(c.low)} to {words.number(c.high)}",
                        "lead": words.number(c.lead_hours, "h", digits=1),
                        "share": words.percent(c.share),
                    }
                    for c in told.carried
                ],
                {
                    "what": "Quantity and unit",
                    "median": f"At {told.slot_local}, median",
                    "between": "8 days in 10 between",
                    "lead": "Hours ahead",
                    "share": "How much of today’s departure lasts",
                },
                "The reading carried to the slot by how such mornings went on. A terminal forecast is "
                "better, where "
                "there is one.",
                numeric=("median", "between", "lead", "share"),
            )
        )


def _phone(booking: BookingRow) -> bytes:
    from pipeline.papers.phone import phone_page
    from pipeline.paperwork import phone_contents

    return phone_page(phone_contents(answers.paper_day(season, booking.id))).encode()


def _page(booking: BookingRow, day: Day) -> None:
    folder = answers.inputs(season)
    venue = next(v for v in folder.venues if v.id == str(season.labels["venue"][day.venue]))
    # What is not on the screen Streamlit forgets: a reading outlives a look at another page.
    kept = st.session_state.setdefault("today_given", {}).setdefault(venue.id, {})
    kinds, station = _key("kind", venue), _key("elevation", venue)
    for name, value in ({kinds: _METAR, station: float(venue.elevation_ft)} | kept).items():
        st.session_state.setdefault(name, value)
    how, height = st.columns([1, 1], gap="medium")
    with how:
        kind = st.segmented_control("Reading from", [_METAR, _TYPED], required=True, key=kinds)
    with height:
        given = st.number_input(
            _STATION,
            value=None,
            step=10.0,
            format="%.0f",
            key=station,
            placeholder=f"{venue.elevation_ft:.0f}, the show site’s",
        )
    # Emptied, it is the show site's own: any other number would be taken for a station's.
    feet = venue.elevation_ft if given is None else float(given)
    try:
        reading = _from_metar(venue, feet * FT) if kind == _METAR else _typed(venue, day, feet * FT)
    finally:
        ours = [name for name in st.session_state if str(name).startswith("today_")]
        kept.update({n: st.session_state[n] for n in ours if str(n).endswith(f"_{venue.id}")})
    if far := frame.out_of_range(_STATION, feet, -1400.0, 15_000.0):
        raise InputError(far)
    with st.container(key="today_outcome"):
        if reading is None:
            wanted = (
                "paste the whole report"
                if kind == _METAR
                else "temperature and altimeter setting are the least; what is left out is not cleared"
            )
            slot = day.slots[day.offered]
            st.html(
                markup.answer([f"No reading yet: {wanted}. What to look for at {slot.local} stands below."])
            )
            # In a box of their own: no line of an outcome takes the place of a table, and so moves.
            with st.container():
                st.html(tables.first_limits(season, day, slot))
                st.html(tables.act(season, day, slot))
            return
        told = _answered(booking, day, folder, venue, reading)
        _which(told)
        _air(told)
        _states(told)
        _past(told)


season = load_season()
frame.begin(season, "Today")
booking = frame.choose_booking(season)
day = frame.choose_day(season, booking)
frame.notices(season, venue=day.venue, stale=day.status != "ok")
if day.status != "ok":
    frame.no_numbers(season, booking, day)
else:
    try:
        _page(booking, day)
    except InputError as error:
        st.error(markup.told(error), icon=":material/error:")
    if not answers.why_no_inputs(season):
        st.subheader("For the telephone", anchor=False)
        st.html(
            '<p class="sh-note">One page that works without a network: typed values in, which show out. '
            "First show "
            "day of the booking, limits as they stand now; make it anew when they change.</p>"
        )
        answers.paper(
            "Page for the telephone",
            f"{booking.id}-today.html",
            lambda: _phone(booking),
            mime="text/html",
        )
    with st.expander("How this is worked out"):
        st.markdown(
            "The altimeter setting gives the pressure at the show site, the temperature is carried there "
            "by the "
            "lapse rate, and both with the dew point give the density altitude. Each figure is held "
            "against your "
            "comfortable value and your limit: below comfortable *no second thought*, between the two "
            "*think*, at or "
            "beyond the limit *leave it out*. What a report leaves open, such as an unreported gust or a "
            "missing dew "
            "point, is judged at both ends; the worse end can only make you think, the better end alone "
            "clears "
            "nothing. Two causes past comfortable count as one past its limit where your season says so.\n\n"
            "The show first named is the one worth most to the crowd times the chance that nothing in it "
            "is changed. "
            "The reading is carried to the slot by the past’s own errors from that hour to the slot, when it "
            "was read up to 36 hours before; one without a gust by its wind, as past hours without a gust "
            "went on. Under a low ceiling a figure is only as good as the shows that hold it."
        )
frame.end()
