"""The season's plan for the pages, as the `plan` command decides it, and its entries for a calendar."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

from dashboard import answers
from dashboard.season import Season, results_file, stamp
from pipeline.exports import Event
from pipeline.inputs import Season as Inputs
from pipeline.paperwork import calendar_events
from pipeline.results import read_results
from pipeline.season_plan import Plan, plan_season

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["plan_events", "season_plan"]


@st.cache_data(max_entries=2, show_spinner="Weighing the offers against each other …")
def _planned(path: str, modified: int, digest: str, _folder: Inputs) -> Plan:
    with read_results(Path(path)) as ds:
        return plan_season(ds, _folder)


def season_plan(season: Season) -> Plan:
    """The plan, worked out once for every change of results and season folder.

    Raises
    ------
    InputError
        When the season folder is not at hand, has changed since, or lacks a home or a ferry section.
    """
    digest = str(season.attrs["season_digest"])
    return _planned(*stamp(results_file()), digest, answers.inputs(season))


def plan_events(folder: Inputs, ds: xr.Dataset, plan: Plan) -> list[Event]:
    """Calendar entries of the plan: slots, practise-by and reply-by dates of its bookings, and journeys."""
    taken = tuple(b for b in folder.bookings if b.id in plan.bookings)
    events = calendar_events(replace(folder, bookings=taken), ds)
    mark = "INVENTED " if folder.invented else ""
    homeward = 0
    for leg in plan.legs:
        # Named by what it is for, so that a later export moves it instead of adding another.
        after = leg.for_booking or f"home-{(homeward := homeward + 1)}"
        events.append(
            Event(
                uid=f"ferry-{after}",
                start=dt.datetime.fromisoformat(leg.take_off_local),
                end=dt.datetime.fromisoformat(leg.arrival_local),
                summary=f"{mark}Ferry {leg.from_place} to {leg.to_place}",
                description=f"{leg.distance_nm:,.0f} NM, {leg.flying_h:.1f} h. {' '.join(plan.notes)}",
            )
        )
    return events
