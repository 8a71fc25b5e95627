"""What my log says: limits written and learned, every show on its own air, and a form to add a show."""

from __future__ import annotations

import json
import math
import os
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import frame, markup, words
from dashboard.season import Season, load_season
from pipeline import show_log
from pipeline.errors import ShowhourError
from pipeline.inputs import load_season as load_inputs
from pipeline.results import CAUSES_SAID

_SHOW = {
    "when": "Show, local time",
    "changed": "Not flown as planned",
    "density_altitude_ft": "Density altitude [ft]",
    "wind_toward_crowd_kt": "Wind toward the crowd [kt]",
    "wind_along_line_kt": "Wind along the line [kt]",
    "gust_kt": "Gust [kt]",
}
_NUMBERS = tuple(k for k in _SHOW if k.endswith(("_ft", "_kt")))
_METHOD = """
Every show is one observation: what was flown as planned says that the air was below your true limit, what was
changed that it was at or over it, and what bit for one cause says nothing of the others. The limits you wrote
count as shows of their own, so a short log moves little. Air that came from the station, not from your notes,
is known only roughly, and that roughness never makes a limit more permissive. The number told is the middle
of what the log says; the one used may be stricter, because a change in mild air is never to make a limit
looser. A learned limit is used only where it is stricter than the one you wrote, unless `learned_may_relax`
is on.
"""


def _moved(season: Season) -> str:
    v = season.values
    rows = [
        {
            "booking": b.name,
            "with": words.percent(b.as_planned),
            "without": words.percent(float(v["booking_as_planned_as_written"][b.index])),
        }
        for b in season.bookings
        if b.rank
    ]
    columns = {
        "booking": "Booking",
        "with": "With the log [%]",
        "without": "As written [%]",
    }
    return markup.plain_table(
        rows,
        columns,
        "Chance that the show is flown as planned: how the log moved this season",
        numeric=("with", "without"),
    )


def _limits(season: Season, condition: str) -> str:
    """Limits written and used of every figure that has one for a condition, and why."""
    name, unit, scale = words.CONDITIONS[condition]
    c = season.conditions.index(condition)
    v = season.values

    rows = [
        {
            "figure": figure,
            "written": words.limit(float(v["limit_stated"][f, c]), scale),
            "used": words.limit(float(v["limit_used"][f, c]), scale),
            "why": str(v["limit_reason"][f, c]),
        }
        for f, figure in enumerate(season.figures)
        if math.isfinite(float(v["limit_stated"][f, c]))
    ]
    columns = {
        "figure": "Figure",
        "written": f"Written [{unit}]",
        "used": f"Used [{unit}]",
        "why": "Why",
    }
    return markup.plain_table(
        rows, columns, f"{name}: the limit you wrote, and the one used", numeric=("written", "used")
    )


def _shows(told: dict[str, Any]) -> str:
    rows = []
    for show in told["every_show"]:
        changed = [
            f"{c['figure']} {c['outcome'].replace('_', ' ')}: {CAUSES_SAID.get(c['cause'], c['cause'])}"
            for c in show["changed"]
        ]
        row = {
            "when": f"{show['date']} {show['time_local']}, {show['venue']}, {show['routine']}",
            "changed": "; ".join(changed) or ("nothing flown" if show["routine"] == "none" else "nothing"),
        }
        for key in _NUMBERS:
            value, base = show.get(key), key.rpartition("_")[0]
            noted = ", noted" if show.get(f"{base}_noted") else ""
            row[key] = "not known" if value is None else f"{words.number(float(value), '')}{noted}"
        rows.append(row)
    return markup.plain_table(rows, _SHOW, "Every show on its own air, last first", numeric=_NUMBERS)


def _form(folder: Path) -> None:
    inputs = load_inputs(folder)
    venues = [v.id for v in inputs.venues]
    figures = [f.name for f in inputs.routine.repertoire]
    low = inputs.routine.low_ceiling
    routines = ["full", *(["low-ceiling"] if low is not None else []), "none"]
    n = int(st.number_input("Figures not flown as planned", 0, len(figures), 0, key="log_changed"))
    with st.form("log_show"):
        place: dict[str, str | None] = {
            "date": st.text_input("Date, as 2027-07-04", key="log_date").strip(),
            "time_local": st.text_input("Start, local, as 14:30", key="log_time").strip(),
            "venue": st.selectbox("Venue", venues, key="log_venue"),
        }
        own: dict[str, str | None] = {
            "routine": st.selectbox("Routine flown; none if you stayed on the ground", routines),
            "density_altitude_ft": st.text_input("Density altitude [ft], if noted").strip(),
            "wind_from_deg_true": st.text_input("Wind from [° true], if noted").strip(),
            "wind_kt": st.text_input("Wind [kt], if noted").strip(),
            "gust_kt": st.text_input("Gust [kt], if noted").strip(),
            "note": st.text_input("Note").strip(),
        }
        changed: list[dict[str, str | None]] = [
            {
                "figure": st.selectbox(f"Figure {i + 1}", figures, key=f"log_figure_{i}"),
                "outcome": st.selectbox(
                    f"Figure {i + 1}: what happened", show_log.OUTCOMES, key=f"log_outcome_{i}"
                ),
                "cause": st.selectbox(f"Figure {i + 1}: what bit", show_log.LOG_CAUSES, key=f"log_cause_{i}"),
            }
            for i in range(n)
        ]
        replace = st.checkbox("Correct what the log has of the same show", key="log_replace")
        if not st.form_submit_button("Add to the log"):
            return
    try:
        show = show_log.show_from_rows(
            [place | own, *(place | c for c in changed)],
            venues=venues,
            figures=figures,
            season_year=inputs.year,
        )
        show_log.add_show(folder, show, replace=replace)
    except ShowhourError as error:
        st.error(markup.told(error), icon=":material/error:")
        return
    st.success(markup.told(f"Logged: {show.words}. Run `showhour forecast {folder.name}` to make it count."))


season = load_season()
frame.begin(season, "What my log says")
frame.notices(season)
held = season.attrs.get("learned")
if held:
    told = json.loads(str(held))
    lines = [escape(f"{c['sentence'][:1].upper()}{c['sentence'][1:]}.") for c in told["causes"]]
    lines += [f"<b>{escape(c['question'])}</b>" for c in told["causes"] if c["question"]]
    lines.append(
        f"{told['shows']} of {told['shows_logged']} shows could be set against their air; "
        f"{told['shows_with_a_change']} had something changed."
    )
    if told["learned_may_relax"]:
        lines.append("<b>learned_may_relax is on</b>: a learned limit may be more permissive than you wrote.")
    st.html(markup.answer(lines))
    st.html(_moved(season))
    condition = st.selectbox(
        "Limits for",
        season.conditions,
        format_func=lambda name: words.CONDITIONS[name][0],
        key="log_condition",
    )
    st.html(_limits(season, condition))
    st.html(_shows(told | {"every_show": told["every_show"][::-1]}))
    with st.expander("How this is worked out"):
        st.markdown(_METHOD)
else:
    st.html(
        markup.answer(
            [
                "These results know no show of yours yet: every chance rests on your limits as written.",
                "To begin, add the last show you remember below; a show flown as planned counts too.",
            ]
        )
    )
st.subheader("Add a show", anchor=False)
folder = os.environ.get("SHOWHOUR_SEASON", "")
if folder and Path(folder).is_dir():
    _form(Path(folder))
else:
    st.info("The season folder is not at hand here, so nothing can be added to its log.")
frame.end()
