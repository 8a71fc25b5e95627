"""Before there is anything to show: the invented demo, a guided first season, or computing what is written.

The one place of the dashboard that may reach the network, and only when a button asks for it.
"""

from __future__ import annotations

import datetime as dt
import os
import shlex
import subprocess
import sys
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

import pipeline
from dashboard import markup, sign_in, words
from dashboard.season import results_file
from pipeline import starter
from pipeline.air.variables import FT
from pipeline.errors import InputError, ShowhourError
from pipeline.inputs import check_season, copy_demo, is_vacant, lay_folder, load_season, not_checked
from pipeline.results import CAUTIONS

__all__ = ["needed", "show"]

_DEMO, _OWN = "Look at the invented demo", "Write my first season"
_BY_HAND = "another, written by hand"
_STATES = ("enquiry", "hold", "contracted", "passed")
_FIRST = ("Opening pass", "Wingover", "Loop", "Barrel roll", "Half Cuban", "Slow roll", "Farewell pass")


def needed() -> bool:
    """Whether a season folder was named that has no results yet, or holds nothing.

    Results are kept by the folder's place: those of a season that stood there before are not an empty
    folder's. One that is not there may be out of reach only, and its numbers needed at the field.
    """
    named = os.environ.get("SHOWHOUR_SEASON", "")
    if not named:
        return False
    return not results_file().exists() or (Path(named).is_dir() and is_vacant(Path(named)))


def show() -> None:
    """The page for what the folder holds now."""
    folder = Path(os.environ["SHOWHOUR_SEASON"])
    if not sign_in.may_write():
        st.title("Nothing to show yet", anchor=False)
        st.info("The owner of this season has not computed it yet.", icon=":material/hourglass_empty:")
    elif (folder / "season.yaml").is_file():
        _uncomputed(folder)
    elif not is_vacant(folder):
        st.title("Not a season folder", anchor=False)
        st.error(
            f"{markup.literal(folder)} holds something, but no season.yaml. Name an empty folder, or one "
            "that does not exist yet, to begin a season.",
            icon=":material/error:",
        )
    else:
        _begin(folder)
    st.html(markup.cautions(CAUTIONS))


def _commands(folder: Path, *names: str) -> None:
    st.code("\n".join(f"showhour {name} {shlex.quote(str(folder))}" for name in names), language="sh")


# --- Computing ------------------------------------------------------------------------------------------


def _uncomputed(folder: Path) -> None:
    st.title("No numbers yet", anchor=False)
    faults = check_season(folder)
    if faults:
        st.error(
            f"The season folder {markup.literal(folder)} has {len(faults)} "
            f"mistake{'s' if len(faults) > 1 else ''}. Correct the file and load this page again.",
            icon=":material/error:",
        )
        st.code("\n".join([*(str(f) for f in faults), *not_checked(faults)]), language=None, wrap_lines=True)
        return
    season = load_season(folder)
    booked = {b.venue for b in season.bookings}
    stations = [s for v in season.venues if v.id in booked for s in v.stations]
    asked = sum(s.source in ("meteostat", "ghcnh") and s.file is None for s in stations)
    network = (
        f"The hours of {asked} station{'s' if asked > 1 else ''} come over the network, year by year: the "
        "first time takes minutes."
        if asked
        else "Nothing is asked of the network."
    )
    st.html(
        markup.answer(
            [
                f"<b>{escape(season.name)}</b> is in order: "
                f"{len(season.bookings)} booking{'s' if len(season.bookings) > 1 else ''}, {len(booked)} "
                f"venue{'s' if len(booked) > 1 else ''}. It has not been computed yet. {network}"
            ]
        )
    )
    for warning in season.warnings:
        st.warning(markup.told(warning), icon=":material/warning:")
    if st.button("Fetch the hours and compute", type="primary", key="first_compute"):
        _compute(folder)
    st.html('<p class="sh-note">The same in a terminal:</p>')
    _commands(folder, "check", "run", "dashboard")


def _compute(folder: Path) -> None:
    """Run `showhour run` on the folder, telling each of its lines; on success the dashboard opens.

    A process of its own leaves this one free of fetching, and ends as the command ends.
    """
    command = [sys.executable, "-m", "pipeline.cli", "run", str(folder), "--output", str(results_file())]
    told: list[str] = []
    with (
        st.status("Fetching and computing …", expanded=True) as status,
        subprocess.Popen(
            command,
            cwd=Path(pipeline.__file__).parents[1],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="replace",
        ) as process,
    ):
        try:
            for line in process.stderr or ():
                told.append(line.rstrip())
                st.text(told[-1])
            code = process.wait()
        finally:
            # Also when the page is left meanwhile: what was fetched is kept.
            process.terminate()
        done = code in (0, 3) and results_file().exists()
        status.update(label="Computed" if done else "Not computed", state="complete" if done else "error")
    if done:
        st.rerun()
    faults = [line.removeprefix("showhour: ") for line in told if line.startswith("showhour: ")]
    st.error(
        markup.told(" ".join(faults))
        or f"The computation ended with code {code}; the lines above say how far it came.",
        icon=":material/error:",
    )


# --- Beginning ------------------------------------------------------------------------------------------


def _begin(folder: Path) -> None:
    st.title("Begin a season", anchor=False)
    st.html(
        markup.answer(
            [
                f"<b>{escape(str(folder))}</b> holds no season yet. Look at the invented demo first, or "
                "write a season of your own: one venue, one booking and a routine to start from."
            ]
        )
    )
    if results_file().exists():
        st.warning(
            "Numbers of a season that stood there before are still kept, and not shown. Put its files back "
            "to see them; beginning another season in its place deletes them.",
            icon=":material/folder_off:",
        )
    way = st.segmented_control("How to begin", [_DEMO, _OWN], default=_DEMO, required=True, key="first_way")
    if way == _OWN:
        _own(folder)
        return
    st.markdown(
        "Eleven made-up places with made-up weather, eighteen made-up offers, a made-up pilot. Nothing is "
        "asked of the network; it takes about a minute. The demo is copied **into this folder**: for your "
        "own season afterwards, name another one."
    )
    if st.button("Copy the demo here and compute it", type="primary", key="first_demo"):
        copy_demo(folder)
        results_file().unlink(missing_ok=True)
        _compute(folder)


@st.cache_data(max_entries=16, show_spinner="Looking the airfield up …")
def _airfield(icao: str) -> starter.KnownAirfield | None:
    return starter.known_airfield(icao)


def _own(folder: Path) -> None:
    st.html(
        '<p class="sh-note">Nothing is written before you have read it. What is asked here is what a season '
        "cannot do without; everything can be changed in the files later.</p>"
    )
    st.subheader("You", anchor=False)
    left, middle, right = st.columns(3)
    pilot = left.text_input("Pilot’s name", key="first_pilot")
    floor = middle.number_input(
        "Lowest height of your authorisation [ft above the ground]", 0.0, 5000.0, None, 50.0, "%.0f",
        key="first_floor",
    )  # fmt: skip
    name = right.text_input("Name of the season", "My first season", key="first_name")
    venue = _venue()
    booking = _booking()
    st.subheader("Routine", anchor=False)
    chosen = st.multiselect(
        "Figures, in the order flown",
        [f.name for f in starter.FIGURES],
        default=list(_FIRST),
        key="first_figures",
    )
    by_name = {f.name: f for f in starter.FIGURES}
    figures = [by_name[n] for n in chosen]
    with st.expander("The starting limits of these figures"):
        st.html(_limits(figures))
    wanted = [
        text
        for text, given in (
            ("your name", pilot.strip()),
            ("the lowest height of your authorisation", floor),
            ("a name of the season", name.strip()),
            ("a figure", figures),
        )
        if not given
    ]
    wanted += [*([venue] if isinstance(venue, str) else ()), *([booking] if isinstance(booking, str) else ())]
    st.subheader("What will be written", anchor=False)
    if wanted or floor is None or isinstance(venue, str) or isinstance(booking, str):
        st.info(f"Still wanted: {words.joined(wanted)}.")
        return
    files = starter.season_files(
        season=name.strip(),
        pilot=pilot.strip(),
        floor_agl_ft=floor,
        venue=venue,
        booking=booking,
        figures=figures,
    )
    faults = starter.mistakes(files)
    if faults:
        st.error("This cannot be written yet:", icon=":material/error:")
        st.code("\n".join(str(f) for f in faults), language=None, wrap_lines=True)
        return
    _write(folder, files)


def _limits(figures: list[starter.StartFigure]) -> str:
    keys = list(dict.fromkeys(k for f in starter.FIGURES for k in f.limits))
    named = {
        "density_altitude_ft": "Density altitude [ft]",
        "wind_toward_crowd_kt": "Wind toward the crowd [kt]",
        "gust_kt": "Gust [kt]",
        "gust_spread_kt": "Gust spread [kt]",
    }
    rows = [
        {"figure": f.name}
        | {
            k: f"{words.number(f.limits[k][0])} / {words.number(f.limits[k][1])}" if k in f.limits else "–"
            for k in keys
        }
        for f in figures
    ]
    return markup.plain_table(
        rows,
        {"figure": "Figure"} | {k: named[k] for k in keys},
        "Comfortable / limit. Starting values, yours to set: made up, on the cautious side, for no aircraft "
        "and no pilot; not advice.",
    )


def _venue() -> starter.StartVenue | str:
    """The venue as entered, or what is still wanted of it."""
    st.subheader("Venue", anchor=False)
    left, right = st.columns([1, 3])
    code = left.text_input("ICAO code, if it has one", max_chars=4, key="first_icao").strip().upper()
    known = _airfield(code) if code else None
    if code and known is None:
        right.warning(
            f"{markup.literal(code)} is not in the airport table: fill the place in by hand, without "
            "the code.",
            icon=":material/search_off:",
        )
        code = ""
    elif known is not None:
        right.info(f"{markup.literal(f'{code}: {known.name}')}. Check what the table says against the chart.")
    k = code or "by_hand"
    one, two, three = st.columns(3)
    name = one.text_input("Name of the venue", known.name if known else "", key=f"first_place_{k}").strip()
    zone = two.text_input(
        "Time zone", known.timezone if known else "", placeholder="America/Denver", key=f"first_zone_{k}"
    ).strip()
    elevation = three.number_input(
        "Elevation [ft]", -1400.0, 15000.0, known.elevation_ft if known else None, 1.0, "%.0f",
        key=f"first_elevation_{k}",
    )  # fmt: skip
    one, two, three = st.columns(3)
    latitude = one.number_input(
        "Latitude [°, north +]", -90.0, 90.0, known.latitude if known else None, 0.01, "%.5f",
        key=f"first_latitude_{k}",
    )  # fmt: skip
    longitude = two.number_input(
        "Longitude [°, west −]", -180.0, 180.0, known.longitude if known else None, 0.01, "%.5f",
        key=f"first_longitude_{k}",
    )  # fmt: skip
    ends = dict(known.runways) if known else {}
    painted = three.selectbox(
        "Runway",
        [*ends, _BY_HAND],
        format_func=lambda e: f"{e} ({ends[e]:.0f}° true)" if e in ends else e,
        key=f"first_runway_{k}",
    )
    heading = ends.get(painted)
    if heading is None:
        heading = three.number_input(
            "Its true heading [°]", 0.0, 360.0, None, 1.0, "%.0f", key=f"first_heading_{k}"
        )
    one, two, three = st.columns(3)
    line = one.number_input(
        "Show line, true heading one way [°]",
        0.0,
        360.0,
        heading,
        1.0,
        "%.0f",
        key=f"first_line_{k}_{painted}",
    )
    side = two.selectbox(
        "Crowd, seen along that heading",
        ["left", "right"],
        index=None,
        placeholder="left or right",
        key="first_side",
    )
    distance = three.number_input(
        "Crowd line to show line [ft]", 200.0, 5000.0, 500.0, 50.0, "%.0f", key="first_distance"
    )
    wanted = [
        text
        for text, given in (
            ("the venue’s name", name or None),
            ("its time zone", zone or None),
            ("its elevation", elevation),
            ("its latitude", latitude),
            ("its longitude", longitude),
            ("the runway’s true heading", heading),
            ("the show line’s heading", line),
            ("the side of the crowd", side),
        )
        if given is None
    ]
    if (
        latitude is None
        or longitude is None
        or elevation is None
        or heading is None
        or line is None
        or side is None
        or wanted
    ):
        return words.joined(wanted)
    station = _station(latitude, longitude, elevation)
    if isinstance(station, str):
        return station
    return starter.StartVenue(
        name, code, latitude, longitude, elevation, zone, painted if painted in ends else "", heading, line,
        side, distance, station,
    )  # fmt: skip


def _station(latitude: float, longitude: float, elevation_ft: float) -> starter.StartStation | str:
    """The station as chosen or entered, or what is still wanted of it."""
    st.html(
        '<p class="sh-note"><b>Station.</b> Past hours of a station near the venue stand for it. The list of '
        "an open archive (about 3 MB) is asked for over the network only when you press the button.</p>"
    )
    place = f"{latitude:.3f}_{longitude:.3f}"
    if st.button("Look for stations near", key="first_look"):
        st.session_state["first_found"] = place, _near(latitude, longitude, elevation_ft)
    of, found = st.session_state.get("first_found", ("", []))
    rows: dict[str, Mapping[str, Any]] = {r["station"]: r for r in found} if of == place else {}
    if of == place and not rows:
        st.warning(
            "The list could not be fetched, or no station of it is near. Write one in by hand.",
            icon=":material/search_off:",
        )

    def told(station: str) -> str:
        row = rows.get(station)
        if row is None:
            return station
        rise = row["elevation_difference_ft"]
        years = f"{row['first_year']}–{row['last_year']}" if row["first_year"] else "years not known"
        return f"{row['name']} · {row['distance_nm']:.0f} NM · {rise:+,.0f} ft · {years} · {station}"

    # Under a key of its own for every list, so that the nearest is chosen once there is one.
    chosen = st.selectbox(
        "Station", [*rows, _BY_HAND], format_func=told, key=f"first_station_{place}_{len(rows)}"
    )
    row = rows.get(chosen)
    if row is not None:
        return starter.StartStation(
            row["source"], chosen, row["name"], row["latitude"], row["longitude"], row["elevation_m"] / FT
        )
    one, two, three = st.columns(3)
    source = one.selectbox("Archive", ["ghcnh", "meteostat"], key="first_source")
    station = two.text_input("The archive’s identifier of the station", key="first_station_id").strip()
    own = three.number_input(
        "Station’s elevation [ft]", -1400.0, 15000.0, None, 1.0, "%.0f", key="first_station_elevation"
    )
    one, two, _ = st.columns(3)
    north = one.number_input(
        "Station’s latitude [°]", -90.0, 90.0, None, 0.01, "%.5f", key="first_station_latitude"
    )
    east = two.number_input(
        "Station’s longitude [°, west −]", -180.0, 180.0, None, 0.01, "%.5f", key="first_station_longitude"
    )
    if not station or own is None or north is None or east is None:
        return "the station, with its identifier, position and elevation"
    return starter.StartStation(source, station, "", north, east, own)


def _near(latitude: float, longitude: float, elevation_ft: float) -> list[dict[str, Any]]:
    """The nearest stations that an archive is known to hold hours of."""
    from pipeline.nearby import stations_around

    with st.spinner("Asking for the archive’s list …"):
        try:
            rows = stations_around(latitude, longitude, elevation_ft * FT, 50.0)
        except ShowhourError as error:
            st.error(markup.told(error), icon=":material/error:")
            return []
    return [r for r in rows if r["source"] != "airfield" and r["elevation_m"] is not None][:12]


def _booking() -> starter.StartBooking | str:
    """The booking as entered, or what is still wanted of it."""
    st.subheader("Booking", anchor=False)
    one, two, three, four = st.columns(4)
    first = one.date_input("First show day", None, key="first_day")
    days = int(two.number_input("Show days", 1, 4, 1, key="first_days"))
    begin = three.time_input("Organiser’s window from, local", dt.time(12), key="first_from")
    end = four.time_input("to, local", dt.time(16), key="first_to")
    one, two, three, four = st.columns(4)
    slot = one.time_input("Slot in discussion, local", dt.time(14), key="first_slot")
    length = int(two.number_input("Length of the slot [min]", 1, 120, 15, key="first_length"))
    state = three.selectbox("State", _STATES, key="first_state")
    fee = four.number_input("Fee, if agreed", 0.0, 1e7, None, 100.0, "%.0f", key="first_fee")
    currency = four.text_input("Currency", "USD", max_chars=3, key="first_currency").strip().upper()
    if first is None:
        return "the first show day"
    span = tuple(first + dt.timedelta(days=d) for d in range(days))
    return starter.StartBooking(span, begin, end, slot, length, state, fee, currency)


def _write(folder: Path, files: Mapping[str, str]) -> None:
    for name, text in files.items():
        with st.expander(name, expanded=name != "routine.yaml"):
            st.code(text, language="yaml", wrap_lines=True)
    st.html(
        f'<p class="sh-note">Checked: no mistakes. Written to {escape(str(folder))}, which is '
        f"{'empty' if folder.exists() else 'made new'}; nothing is written over.</p>"
    )
    if st.button(f"Write these {len(files)} files", type="primary", key="first_write"):
        try:
            lay_folder(folder, {name: text.encode() for name, text in files.items()})
            results_file().unlink(missing_ok=True)
        except InputError as error:
            st.error(markup.told(error), icon=":material/error:")
            return
        st.rerun()
