"""What every page has around it: style, invented mark, notices, cautions, and the booking in hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import charts, markup, words
from dashboard.season import BookingRow, Day, Season, Slot, stale_because
from pipeline.results import CAUTIONS

__all__ = [
    "begin",
    "chart",
    "choose_booking",
    "choose_day",
    "choose_day_and_slot",
    "choose_figure",
    "end",
    "notices",
    "remembered",
    "style",
]

_STYLE = Path(__file__).with_name("style.css")
_INVENTED = {
    True: "season, places, fees and weather are made up; no number here is about a real field.",
    False: "the weather of some venues is made up; they are marked.",
}


def style() -> None:
    """Lay the style sheet."""
    st.html(_STYLE)


def begin(season: Season, title: str) -> None:
    """Open a page: invented mark, title, season, and the first caution."""
    if season.invented:
        st.html(markup.invented_band(_INVENTED[bool(season.attrs["invented"])]))
    st.title(title, anchor=False)
    st.html(
        f'<p class="sh-season">{escape(season.name)} · computed '
        f"{escape(str(season.attrs['computed_at'])[:16].replace('T', ' '))} UTC</p>"
        f'<p class="sh-plan">{escape(CAUTIONS[0])}</p>'
    )


def end() -> None:
    """Close a page with the cautions."""
    st.html(markup.cautions(CAUTIONS))


def notices(season: Season, *, venue: int | None = None) -> None:
    """Say what is wrong, stale or thin, above the answer that it touches.

    Parameters
    ----------
    season
        The season.
    venue
        Only this venue's troubles; all of them by default.
    """
    stale = stale_because(season)
    if stale:
        st.warning(stale, icon=":material/update:")
    names = [str(n) for n in season.values["venue_name"]]
    for name, status in season.venue_troubles():
        if venue is None or names[venue] == name:
            st.error(f"No numbers for {name}: {status}", icon=":material/error:")
    if venue is not None:
        for warning in str(season.values["venue_warnings"][venue]).split("\n"):
            if warning:
                st.warning(f"{names[venue]}: {warning}", icon=":material/warning:")
    for warning in str(season.attrs["input_warnings"]).split("\n"):
        # That limits may be looser than written is said wherever they decide.
        if warning and (venue is None or "learned_may_relax" in warning):
            st.warning(warning, icon=":material/warning:")


def chart(
    picture: dict[str, Any], alt: str, table: str | Callable[[], str] = "", *, stretch: bool = True
) -> None:
    """A picture with its text equivalent: spoken, and as a table behind a fold."""
    st.vega_lite_chart(picture, width="stretch" if stretch else "content", theme=None, alt=alt)
    if table:
        with st.expander("The same as a table"):
            st.html(table if isinstance(table, str) else table())


# --- The booking in hand ----------------------------------------------------------------------------


def remembered(season: Season) -> str:
    """Booking in hand: of the address, else of this session, else the best one; every page hands it on."""
    asked = (st.query_params.get("booking"), st.session_state.get("booking"))
    held = next((b for b in asked if b is not None and season.booking(b) is not None), season.bookings[0].id)
    if st.session_state.get("booking") not in (None, held):
        # The day and the slot in hand belonged to another booking.
        st.session_state.pop("day", None)
        st.session_state.pop("slot", None)
    st.session_state["booking"] = held
    return str(held)


def _choose(name: str, *clears: str) -> None:
    """Put a choice into the address, so that the link can be shared, and into the session."""
    value = st.session_state[f"choice_{name}"]
    for other in clears:
        st.query_params.pop(other, None)
        st.session_state.pop(other, None)
    if value is not None:
        st.query_params[name] = value
        st.session_state[name] = value


def _settle(name: str, value: str) -> None:
    """Make address, session and control agree on a value."""
    st.session_state[name] = value
    st.session_state[f"choice_{name}"] = value
    if st.query_params.get(name) != value:
        st.query_params[name] = value


def choose_booking(season: Season) -> BookingRow:
    """Let the user choose the booking; says so when a link asks for one that is not in this season."""
    asked = st.query_params.get("booking")
    if asked is not None and season.booking(asked) is None:
        st.warning(
            f"The link asks for the booking “{asked}”, which is not in this season. Showing another one.",
            icon=":material/link_off:",
        )
    chosen = remembered(season)
    _settle("booking", chosen)
    labels = {b.id: f"{b.name} · {b.state}" for b in season.bookings}
    st.selectbox(
        "Booking",
        list(labels),
        format_func=lambda b: labels[b],
        key="choice_booking",
        on_change=_choose,
        args=("booking", "day", "slot"),
    )
    booking = season.booking(chosen)
    if booking is None:
        raise ValueError(f"choose_booking: {chosen} is not a booking")
    return booking


def choose_day(season: Season, booking: BookingRow) -> Day:
    """Let the user choose one of the booking's days."""
    days = season.days_of(booking.id)
    dates = [d.date for d in days]
    asked = st.query_params.get("day", st.session_state.get("day"))
    date = asked if asked in dates else dates[0]
    _settle("day", date)
    st.segmented_control(
        "Day",
        dates,
        format_func=words.date,
        key="choice_day",
        required=True,
        on_change=_choose,
        args=("day",),
    )
    return days[dates.index(date)]


def choose_day_and_slot(season: Season, booking: BookingRow) -> tuple[Day, Slot]:
    """Let the user choose one of the booking's days and a slot of it."""
    left, right = st.columns([1, 2])
    with left:
        day = choose_day(season, booking)
    wanted = st.query_params.get("slot", st.session_state.get("slot"))
    slot = day.slot(wanted) or day.slots[day.offered]
    _settle("slot", slot.local)
    with right:
        st.select_slider(
            f"Slot, local time ({season.values['venue_timezone'][day.venue]}); in discussion: "
            f"{day.slots[day.offered].local}",
            [s.local for s in day.slots],
            key="choice_slot",
            on_change=_choose,
            args=("slot",),
        )
    return day, slot


def choose_figure(figures: Sequence[str], first: str) -> str:
    """Let the user choose a figure; `first` where neither the address nor the session holds one.

    Says so when a link asks for a figure that is not among them.
    """
    asked = st.query_params.get("figure")
    if asked is not None and asked not in figures:
        st.warning(
            f"The link asks for the figure “{asked}”, which is not in the season folder. Showing "
            "another one.",
            icon=":material/link_off:",
        )
    chosen = next((str(f) for f in (asked, st.session_state.get("figure")) if f in figures), first)
    _settle("figure", chosen)
    st.selectbox("Figure", list(figures), key="choice_figure", on_change=_choose, args=("figure",))
    return chosen


def chance_legend() -> str:
    """What the crimson means, in a line of HTML."""
    swatches = "".join(
        f'<span style="display:inline-block;width:22px;height:12px;background:{c};border:1px solid '
        f'{charts.GRID}"></span>'
        for c in charts.CHANCE_RAMP
    )
    words_ = f"<span>never changed</span><span>{swatches}</span><span>changed every day</span>"
    return f'<div class="sh-legend">{words_}</div>'
