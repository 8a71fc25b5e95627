"""What the commands answer, for the pages: the same functions on the same results, read once.

Everything but the sampled air is read at once; the sampled air a day at a time, already judged.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from dashboard.season import folder, results_file, stale_because, stamp
from dashboard.season import load_season as load_results
from dashboard.words import NOTHING
from pipeline import briefing
from pipeline.decisions import limits
from pipeline.errors import InputError
from pipeline.results import CAUTIONS, read_results

if TYPE_CHECKING:
    import xarray as xr

    from dashboard.season import Season
    from dashboard.shared import Sharing
    from pipeline.inputs import Season as Inputs
    from pipeline.paperwork import PaperDay

__all__ = [
    "NOTHING",
    "booking_to_send",
    "hours",
    "inputs",
    "judged_day",
    "judges",
    "letters",
    "paper",
    "paper_day",
    "results",
    "routines",
    "season_to_send",
    "show_tops",
    "why_no_inputs",
]


def letters(shows: Iterable[str]) -> dict[str, str]:
    """Letters of each show: F, A, B, L; nothing flown has a dash."""
    held: dict[str, str] = {}
    for name in shows:
        last = name.split()[-1]
        held[name] = last if len(last) == 1 else name[:1].upper()
    return held | {NOTHING: "–"}


@st.cache_resource(max_entries=2, show_spinner=False)
def _results(path: str, modified: int) -> xr.Dataset:
    with read_results(Path(path)) as ds:
        return ds.drop_vars([n for n in ds.data_vars if "hour_offset" in ds[n].dims]).load()


def results() -> xr.Dataset:
    """The season's results without the sampled air."""
    return _results(*stamp(results_file()))


@st.cache_resource(max_entries=2, show_spinner=False)
def _judges(path: str, modified: int) -> tuple[limits.RoutineChance, ...]:
    return briefing.routine_chances(_results(path, modified))


def judges() -> tuple[limits.RoutineChance, ...]:
    """The season's routines, ready to be judged in any air."""
    return _judges(*stamp(results_file()))


@st.cache_resource(max_entries=12, show_spinner=False)
def _judged_day(path: str, modified: int, row: int) -> briefing.DayAir:
    with read_results(Path(path)) as ds:
        return briefing.day_air(ds, row, _judges(path, modified))


def judged_day(row: int) -> briefing.DayAir:
    """Sampled air of one booking day with every routine judged in it; not to be written to."""
    return _judged_day(*stamp(results_file()), row)


def hours(booking: str, date: str, stated_chance: float, late_minutes: int) -> briefing.SlotAnswer:
    """Every slot of a booking day against the slot in discussion."""
    ds = results()
    return briefing.slot_answer(
        ds,
        booking,
        date=date,
        stated_chance=stated_chance,
        late_minutes=late_minutes,
        air=judged_day(briefing.booking_day(ds, booking, date)),
    )


# --- The season folder ------------------------------------------------------------------------------


def why_no_inputs(season: Season) -> str:
    """Why the season folder cannot speak beside these results; empty where it can."""
    if not os.environ.get("SHOWHOUR_SEASON"):
        return "The season folder is not at hand. Open the dashboard with `showhour dashboard FOLDER`."
    return stale_because(season)


def inputs(season: Season) -> Inputs:
    """The season folder, as it was when these results were computed.

    Raises
    ------
    InputError
        When it is not at hand, or has changed since: its limits are then not those of the results.
    """
    why = why_no_inputs(season)
    if why:
        raise InputError(why)
    return folder(os.environ["SHOWHOUR_SEASON"])


@st.cache_data(max_entries=4, show_spinner=False)
def _routines(path: str, modified: int, folder: str, _inputs: Inputs | None) -> dict[str, Any]:
    from pipeline.season_routines import routines_told

    return routines_told(_results(path, modified), _inputs)


def routines(season: Season) -> dict[str, Any]:
    """The season's routines and, with the season folder at hand, what to practise by when."""
    held = None if why_no_inputs(season) else inputs(season)
    return _routines(*stamp(results_file()), "" if held is None else str(held.folder), held)


# --- Papers -----------------------------------------------------------------------------------------


@st.cache_resource(max_entries=4, show_spinner=False)
def _paper_day(path: str, modified: int, booking: str, _inputs: Inputs) -> PaperDay:
    from pipeline.paperwork import booking_days

    days, skipped = booking_days(_inputs, _results(path, modified), [booking])
    if skipped:
        raise InputError(skipped[0])
    return days[0]


def paper_day(season: Season, booking: str) -> PaperDay:
    """What a booking's papers need, on its first day; the figures are flown for it once.

    Raises
    ------
    InputError
        When the season folder is not at hand, or the booking has no numbers.
    """
    return _paper_day(*stamp(results_file()), booking, inputs(season))


@st.cache_resource(max_entries=12, show_spinner=False)
def _show_tops(path: str, modified: int, booking: str, _inputs: Inputs) -> dict[str, float]:
    from pipeline.paperwork import show_tops

    return show_tops(_inputs, _results(path, modified), booking)


def show_tops(season: Season, booking: str) -> dict[str, float]:
    """Greatest height of each show above the booking's field [m]; empty without an aircraft and figures."""
    return _show_tops(*stamp(results_file()), booking, inputs(season))


def paper(label: str, name: str, made: Callable[[], bytes], *, mime: str = "application/pdf") -> None:
    """A paper to download, made when it is asked for; one that cannot be made says why instead."""

    def asked() -> bytes:
        try:
            return made()
        except InputError as error:
            if mime != "application/pdf":
                return str(error).encode()
            from pipeline.papers.sheet import Lines, Sheet, draw, drawable

            why = Lines((drawable(str(error)),), points=14.0)
            return draw(Sheet("Not printed", drawable(label), "", (why,), CAUTIONS, False))

    st.download_button(
        label,
        asked,
        file_name=name,
        mime=mime,
        key=f"paper_{name}",
        icon=":material/download:",
        on_click="ignore",
    )


def _sharing(booking: str | None, progress: Callable[[float], object] = lambda done: None) -> Sharing:
    from dashboard import shared

    season = load_results()
    written = None if why_no_inputs(season) else inputs(season)
    return shared.gather(
        results_file(), written, booking=booking, notice=stale_because(season), progress=progress
    )


def booking_to_send(booking: str) -> None:
    """One booking as a file to send; made when it is asked for, of what stands then."""

    def made() -> bytes:
        from dashboard import shared

        return shared.booking_file(_sharing(booking), booking).encode()

    paper("To send: this booking in one file (HTML)", f"booking-{booking}.html", made, mime="text/html")
    st.html('<p class="sh-note">It is made when you press: give it some seconds.</p>')


def season_to_send() -> None:
    """The season and every booking as a file to send, made when asked for; it shows how far it is."""
    from dashboard import shared

    if st.button("To send: make one file of the season and every booking (HTML)", key="season_to_send"):
        bar = st.progress(0.0, "Reading every booking")
        held = _sharing(None, lambda done: bar.progress(0.5 * done, "Reading every booking"))
        page = shared.season_file(held, lambda done: bar.progress(0.5 + 0.5 * done, "Writing every booking"))
        bar.empty()
        st.download_button(
            "Save season.html",
            page.encode(),
            file_name="season.html",
            mime="text/html",
            key="paper_season.html",
            icon=":material/download:",
            on_click="ignore",
        )
