"""What every page has around it: style, invented mark, notices, cautions, and the booking in hand."""

from __future__ import annotations

import datetime as dt
import functools
import logging
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import Any, ParamSpec

import streamlit as st

from dashboard import charts, evidence, markup, words
from dashboard.season import BookingRow, Day, Season, Slot, results_file, stale_because
from pipeline.air.variables import INHG
from pipeline.errors import ShowhourError, StoreError
from pipeline.flight.heights import HIGHEST_SETTING, LOWEST_SETTING
from pipeline.record import read_runs
from pipeline.results import CAUTIONS

__all__ = [
    "altimeter_setting",
    "begin",
    "chart",
    "choose_booking",
    "choose_day",
    "choose_day_and_slot",
    "choose_figure",
    "end",
    "fragment",
    "guarded",
    "no_numbers",
    "notices",
    "out_of_range",
    "remembered",
    "style",
]

_STYLE = Path(__file__).with_name("style.css")
_INVENTED = {
    True: "season, places, fees and weather are made up; no number here is about a real field.",
    False: "the weather of some venues is made up; they are marked.",
}

OLD_DAYS = 30
"""Results older than this are called out: station hours come in every day, and a season moves on."""

_log = logging.getLogger(__name__)
_P = ParamSpec("_P")


def guarded(part: Callable[_P, None]) -> Callable[_P, None]:
    """A page, or a part of one that runs again by itself, that never shows a traceback.

    What the user can cure is told in its own paragraph. Everything else is a fault of this program, of which
    nothing is known beforehand. This is the one place that catches it all: above it there is only the screen,
    and a page that stays half drawn would be read as if it were whole. The traceback goes to the terminal.
    """

    @functools.wraps(part)
    def run(*given: _P.args, **named: _P.kwargs) -> None:
        try:
            part(*given, **named)
            return
        except ShowhourError as error:
            told = markup.told(error)
        except Exception as error:  # noqa: BLE001
            _log.exception("a page of the dashboard failed")
            told = (
                f"This page could not be shown to the end ({type(error).__name__}); the fault lies in "
                "showhour, and the terminal that it was started from says where. Do not rely on what stands "
                "above. The other pages are not touched; `showhour forecast` makes the results anew."
            )
        st.error(told, icon=":material/error:")
        st.html(markup.cautions(CAUTIONS))

    return run


def fragment(part: Callable[_P, None]) -> Callable[_P, None]:
    """A part of a page that runs again by itself when one of its controls is moved; `guarded`."""
    return st.fragment(guarded(part))


def style() -> None:
    """Lay the style sheet."""
    st.html(_STYLE)


def begin(season: Season, title: str) -> None:
    """Open a page: invented mark, title, season, and the first caution; the booking in hand goes along."""
    remembered(season)
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


def notices(season: Season, *, venue: int | None = None, thin: bool = True, stale: bool = True) -> None:
    """Say what is wrong, stale or thin, above the answer that it touches.

    Parameters
    ----------
    season
        The season.
    venue
        Only this venue's troubles; all of them by default.
    thin
        Whether to say which numbers are not to be leaned on; not where the answer of the page says it.
    stale
        Whether to say that the results no longer fit the season folder; not where the page ends for that.
    """
    if venue is not None and season.values["station_invented"][venue] and not season.attrs["invented"]:
        place = season.values["venue_name"][venue]
        told = f"the weather of {place} is made up; no number of it is about a real field."
        st.html(markup.invented_band(told))
    why = stale_because(season) if stale else ""
    if why:
        st.warning(markup.told(why), icon=":material/update:")
    _of_the_last_run(season, venue)
    for kind, told in season.notices(venue):
        if kind == "error":
            st.error(markup.told(told), icon=":material/error:")
        else:
            st.warning(markup.told(told), icon=":material/warning:")
    poor = season.not_to_lean_on(venue) if thin else {}
    if poor and venue is None:
        told = f"Do not lean on the numbers of: {markup.literal(', '.join(poor))} (why: see *Can I trust it*)"
        st.warning(told, icon=":material/warning:")
    elif poor:
        st.warning(markup.told(next(iter(poor.values()))), icon=":material/warning:")


def no_numbers(season: Season, booking: BookingRow, day: Day) -> None:
    """Say why a day has no numbers, where no notice above says it of the whole venue."""
    if day.status not in {status for _, status in season.venue_troubles()}:
        why = f"{booking.place}, {words.date(day.date)}: {day.status}"
        st.error(markup.told(why), icon=":material/error:")


def _of_the_last_run(season: Season, venue: int | None) -> None:
    """How old the results are, and what failed when they were last made or were to be made."""
    computed = str(season.attrs["computed_at"])
    now = dt.datetime.now(dt.UTC)
    if now - dt.datetime.fromisoformat(computed).astimezone(dt.UTC) > dt.timedelta(days=OLD_DAYS):
        st.warning(
            f"These numbers were computed {evidence.ago(computed, now)}. Run `showhour run` for the station "
            "hours that have come in since.",
            icon=":material/update:",
        )
    try:
        runs = read_runs(results_file())
    except StoreError as error:
        st.error(markup.told(f"Whether the last run failed is not known. {error}"), icon=":material/error:")
        return
    if not runs:
        return
    if runs[-1]["exit_code"] == 4:
        st.error(
            f"The last run, {evidence.ago(str(runs[-1]['started']), now)}, gave no numbers: what you see is "
            "from the run before it.",
            icon=":material/error:",
        )
    for line in evidence.run_troubles(
        runs[-1],
        None if venue is None else str(season.labels["venue"][venue]),
        {status for _, status in season.venue_troubles()},
    ):
        st.warning(markup.told(f"The last run: {line}"), icon=":material/warning:")


def chart(
    picture: dict[str, Any], alt: str, table: str | Callable[[], str] = "", *, stretch: bool = True
) -> None:
    """A picture with its text equivalent: spoken, and as a table behind a fold; a long one once opened."""
    st.vega_lite_chart(
        picture,
        width="stretch" if stretch else "content",
        # Its place is kept while the browser still draws: what stands below is not pushed down.
        height=picture["height"],
        theme=None,
        alt=alt,
    )
    if callable(table):
        _made_when_opened(table)
    elif table:
        with st.expander("The same as a table"):
            st.html(table)


@fragment
def _made_when_opened(table: Callable[[], str]) -> None:
    fold = st.expander("The same as a table", on_change="rerun")
    if fold.open:
        fold.html(table())


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


def _link_asks(kind: str, asked: object, why: str, instead: str = "another one") -> None:
    """Say what a link asks for and cannot have, and what is shown instead."""
    st.warning(
        f"The link asks for the {kind} “{markup.literal(asked)}”, {why}. Showing {instead}.",
        icon=":material/link_off:",
    )


def choose_booking(season: Season) -> BookingRow:
    """Let the user choose the booking; says so when a link asks for one that is not in this season."""
    asked = st.query_params.get("booking")
    if asked is not None and season.booking(asked) is None:
        _link_asks("booking", asked, "which is not in this season")
        # Its day and slot are no other booking's.
        st.query_params.pop("day", None)
        st.query_params.pop("slot", None)
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
    """Let the user choose one of the booking's days; says so when a link asks for another day."""
    days = season.days_of(booking.id)
    dates = [d.date for d in days]
    asked = st.query_params.get("day", st.session_state.get("day"))
    date = asked if asked in dates else dates[0]
    if st.query_params.get("day", date) != date:
        _link_asks("day", asked, "on which this booking has no show")
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
    """Let the user choose one of the booking's days and a slot of it; says so when a link asks for others."""
    left, right = st.columns([1, 2])
    with left:
        day = choose_day(season, booking)
    wanted = st.query_params.get("slot", st.session_state.get("slot"))
    slot = day.slot(wanted) or day.slots[day.offered]
    if st.query_params.get("slot", slot.local) != slot.local:
        instead = f"{slot.local}, the slot in discussion"
        _link_asks("slot", wanted, "which this day does not have", instead)
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
        _link_asks("figure", asked, "which is not in the season folder")
    chosen = next((str(f) for f in (asked, st.session_state.get("figure")) if f in figures), first)
    _settle("figure", chosen)
    st.selectbox("Figure", list(figures), key="choice_figure", on_change=_choose, args=("figure",))
    return chosen


def out_of_range(label: str, value: float, low: float, high: float) -> str:
    """What is said of a typed number that cannot be; empty where it can.

    A control with a range of its own keeps the number before instead, and the answer with it.
    """
    if low <= value <= high:
        return ""
    return f"{label}: {value:g} is out of range. A number from {low:g} to {high:g} is wanted."


def altimeter_setting(label: str, key: str, refused: str, **look: Any) -> float | None:
    """Let the user type an altimeter setting [inHg]; None where there is none, or one that cannot be.

    Parameters
    ----------
    label, key
        Of the control.
    refused
        What becomes of one that cannot be, in words.
    look
        Further settings of the control.
    """
    setting: float | None = st.number_input(label, value=None, step=0.01, format="%.2f", key=key, **look)
    if setting is None:
        return None
    wrong = out_of_range("Altimeter setting [inHg]", setting, LOWEST_SETTING / INHG, HIGHEST_SETTING / INHG)
    if wrong:
        st.error(f"{wrong} {refused}")
    return None if wrong else setting


def chance_legend() -> str:
    """What the crimson means, in a line of HTML."""
    swatches = "".join(
        f'<span style="display:inline-block;width:22px;height:12px;background:{c};border:1px solid '
        f'{charts.GRID}"></span>'
        for c in charts.CHANCE_RAMP
    )
    words_ = f"<span>never changed</span><span>{swatches}</span><span>changed every day</span>"
    return f'<div class="sh-legend">{words_}</div>'
