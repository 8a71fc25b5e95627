"""Where the numbers come from: stations in their order, what was rejected, whose data it is, and the runs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import streamlit as st

from dashboard import evidence, frame, markup, words
from dashboard.evidence import StationRow
from dashboard.season import Season, load_season, results_file
from pipeline.errors import StoreError
from pipeline.record import change_in_words, moved_lately, read_runs

_CODES = {
    "meteostat": "Meteostat's hourly archive",
    "ghcnh": "NOAA's global hourly archive",
    "isd_lite": "NOAA's ISD-Lite files",
    "lcd": "NOAA's local climatological data",
    "csv": "files of your own",
    "synthetic": "an invented climate",
}


def _answer(stations: Sequence[StationRow], venues: int, runs: Sequence[Mapping[str, Any]]) -> list[str]:
    used = [s for s in stations if s.used]
    if not used:
        return ["No station gave an hour that could be used. What failed stands beside each station below."]
    kinds = dict.fromkeys(_CODES[s.code.partition(" ")[0]] for s in used)
    served = len({s.venue for s in used})
    count = len({s.code for s in used})
    lines = [
        f"The air of <b>{served} of {venues}</b> venues comes from <b>{count}</b> "
        f"station{'s' if count > 1 else ''} of {escape(words.joined(kinds))}, "
        f"{min(s.years[0] for s in used)} to {max(s.years[1] for s in used)}."
    ]
    far = max(used, key=lambda s: s.distance_nm)
    high = max(used, key=lambda s: abs(s.rise_ft))
    lines.append(
        f"Farthest away: {escape(far.name)}, {words.number(far.distance_nm, 'NM', digits=1)} from "
        f"{escape(far.venue)}. Greatest difference in height: {escape(high.name)}, "
        f"{evidence.height(high.rise_ft)} {escape(high.venue)}."
    )
    filled = [s for s in used if s.place > 1]
    if filled:
        told = [f"{s.venue} from {s.name} ({words.percent(max(s.shares.values()))})" for s in filled]
        lines.append(f"Gaps filled from a further station: {escape(words.joined(told))}.")
    fetched = [s.retrieved_at for s in used if s.retrieved_at]
    if fetched:
        lines.append(f"Oldest fetch among them: {evidence.moment(min(fetched))} UTC.")
    if runs:
        last = runs[-1]
        moved = len(last["moved"])
        if moved:
            bookings = f"{moved} booking{'' if moved == 1 else 's'}"
            against = f"{bookings} with a chance outside the 90 % interval told before"
        elif len(runs) == 1:
            against = "the first on record"
        else:
            against = "every booking’s chance still within the 90 % interval told before"
        lines.append(
            f"Last run: <b>{evidence.ago(str(last['started']), dt.datetime.now(dt.UTC))}</b> "
            f"({evidence.moment(str(last['started']))} UTC), {words.number(float(last['seconds']), 's')}, "
            f"{'something failed' if evidence.run_troubles(last) else 'nothing failed'}, "
            f"{against}."
        )
        newest = {name: hour for name, hour in last.get("newest_hours", {}).items() if hour}
        if newest:
            stale = min(newest, key=lambda name: newest[name])
            lines.append(
                f"Newest hour held then: {evidence.moment(max(newest.values()))} UTC; oldest of the venues’ "
                f"newest: {evidence.moment(newest[stale])} UTC ({escape(stale)})."
            )
    return lines


def _called_out(stations: Sequence[StationRow], runs: Sequence[Mapping[str, Any]]) -> None:
    """What a person should look at first."""
    for s in stations:
        if s.status not in ("", "ok"):
            st.error(markup.told(f"{s.venue}, {s.spoken}: {s.status}"), icon=":material/error:")
    if not runs:
        return
    for change in moved_lately(runs):
        st.warning(
            markup.told(f"{evidence.moment(str(change['when']))} UTC: {change_in_words(change)}"),
            icon=":material/moving:",
        )


def _runs() -> list[dict[str, Any]]:
    """Runs recorded; none where the record cannot be read, which stands at the top, as on every page."""
    try:
        return read_runs(results_file())
    except StoreError:
        return []


def _stations(stations: Sequence[StationRow]) -> None:
    st.subheader("Stations, venue by venue", anchor=False)
    st.html(
        markup.plain_table(
            [
                {
                    "venue": s.venue,
                    "place": str(s.place),
                    "station": s.spoken + (" · INVENTED" if s.invented else ""),
                    "distance": words.number(s.distance_nm, digits=1),
                    "rise": evidence.height(s.rise_ft),
                    "years": s.span,
                    "air": evidence.reported(s.completeness["air_temperature"]),
                    "wind": evidence.reported(s.completeness["wind_speed"]),
                    "used": words.percent(max(s.shares.values())) if s.used else "not used",
                    "fetched": evidence.moment(s.retrieved_at),
                }
                for s in stations
            ],
            {
                "venue": "Venue",
                "place": "Asked",
                "station": "Station",
                "distance": "Distance [NM]",
                "rise": "Height against the show site [ft]",
                "years": "Years of its hours",
                "air": "Hours with temperature [%]",
                "wind": "Hours with wind [%]",
                "used": "Share of the venue’s hours [%]",
                "fetched": "Fetched [UTC]",
            },
            "Each venue asks its stations in this order; a later one only fills what the earlier ones lack.",
            numeric=("place", "distance"),
        )
    )


def _venue(season: Season, venue: int, stations: Sequence[StationRow]) -> None:
    v = season.values
    name = str(v["venue_name"][venue])
    st.subheader(f"{markup.literal(name)}, in detail", anchor=False)
    if not stations:
        st.info(f"{markup.literal(name)} names no station.")
        return
    columns = {f"s{s.place}": f"{s.place}. {s.spoken}" for s in stations}
    st.html(
        markup.plain_table(
            evidence.completeness_rows(season, venue, stations),
            {"quantity": "Quantity", **columns, "venue": "The venue, gaps filled"},
            "Share of hours that hold each quantity [%], each station by itself and the venue after filling",
        )
    )
    if any(s.used for s in stations):
        st.html(
            markup.plain_table(
                evidence.filled_rows(stations),
                {"group": "Quantities", **columns, "none": "No station"},
                "Share of the venue’s hours that came from each station [%]; air: temperature and dew point",
            )
        )
        st.html(
            markup.facts(
                evidence.pressure_shares(season, venue), "What the pressure of the sampled hours came from"
            )
        )
    rejected = evidence.rejection_rows(stations)
    if not rejected:
        st.html('<p class="sh-note">No value of these stations was rejected.</p>')
        return
    st.html(
        markup.plain_table(
            rejected,
            {
                "station": "Station",
                "quantity": "Quantity",
                "reason": "Why it was not used",
                "count": "Values",
                "when": "First and last [UTC]",
                "example": "The first of them",
            },
            "Values not used. None was replaced: what was rejected is missing.",
            numeric=("count",),
        )
    )


season = load_season()
frame.begin(season, "Where the numbers come from")
frame.notices(season)
names = [str(n) for n in season.values["venue_name"]]
by_venue = [evidence.stations_of(season, i) for i in range(len(names))]
stations = [s for rows in by_venue for s in rows]
runs = _runs()
_called_out(stations, runs)
st.html(markup.answer(_answer(stations, len(names), runs)))

odd = evidence.suspicion_rows(stations)
if odd:
    st.subheader("What a person should settle", anchor=False)
    st.html(
        markup.plain_table(
            odd,
            {"venue": "Venue", "station": "Station", "subject": "About", "message": "What is odd"},
            "Found by the checks in whole records. Nothing was rejected for it.",
        )
    )
_stations(stations)
booking = frame.choose_booking(season)
chosen = season.days_of(booking.id)[0].venue
_venue(season, chosen, by_venue[chosen])

st.subheader("Whose data it is", anchor=False)
st.html(
    markup.plain_table(
        evidence.licence_rows(stations),
        {"licence": "Licence", "attribution": "Attribution", "stations": "Stations"},
        "Keep these words with anything you pass on.",
    )
)
st.subheader("The last runs", anchor=False)
if runs:
    st.html(
        markup.plain_table(
            evidence.run_rows(runs),
            {
                "started": "Started [UTC]",
                "command": "Command",
                "seconds": "Took [s]",
                "fetched": "Stations fetched",
                "failed": "What failed",
                "moved": "Bookings whose chance left the interval told before",
            },
            "Newest first. Look at such a booking again before you rely on it.",
            numeric=("seconds",),
        )
    )
else:
    st.info("No run is recorded beside these results.")
with st.expander("How this is worked out"):
    st.markdown(
        "Hours are fetched once and kept on this machine. Every value is held against what weather can be, "
        "against its neighbours in time and against the other quantities of its hour; one that fails is "
        "left out and counted here with its reason. A check that you do not want can be switched off under "
        "`quality` in season.yaml; its values come back. Those outside physical ranges (`physical_range`) or "
        "marked wrong by the archive (`archive_flags`) do so once the files are read again, by the next "
        "fetch.\n\n"
        "A venue’s stations are asked in the order of its file. Where an hour of the first lacks "
        "temperature, pressure, wind, ceiling, visibility or thunder, the next one’s is taken for that hour, "
        "moved to the elevation of the first. A gust that no report carries is not missing and not zero: it "
        "was below what is reported. *Standard atmosphere* under pressure means that no pressure was held; "
        "density altitude is then less sure.\n\n"
        "The record of runs says when the season was last computed, what could not be fetched, and which "
        "bookings’ chances left the 90 % interval told before."
    )
frame.end()
