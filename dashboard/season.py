"""The season in hand: its results read once for every change of the file, and what no longer fits them.

The sampled air is read a day at a time, when a page asks for it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import streamlit as st

from dashboard.rows import BookingRow, Day, Season, Slot
from pipeline.errors import ShowhourError, StoreError
from pipeline.results import SAMPLES, read_results

if TYPE_CHECKING:
    from pipeline.inputs import Season as Inputs

__all__ = [
    "BookingRow",
    "Day",
    "Season",
    "Slot",
    "folder",
    "load_season",
    "results_file",
    "sampled_day",
    "stale_because",
    "stamp",
]

FloatArray = npt.NDArray[np.floating]


def results_file() -> Path:
    """The results that this dashboard shows.

    Raises
    ------
    StoreError
        When the environment does not name any.
    """
    named = os.environ.get("SHOWHOUR_RESULTS", "")
    if not named:
        raise StoreError("There is no season to show. Open the dashboard with `showhour dashboard FOLDER`.")
    return Path(named)


def stamp(path: Path) -> tuple[str, int]:
    """A file and when it was last modified (0 where there is none): what caches are keyed by."""
    try:
        return str(path), path.stat().st_mtime_ns
    except OSError:
        return str(path), 0


@st.cache_resource(max_entries=4, show_spinner=False)
def _season(path: str, modified: int) -> Season:
    return Season(Path(path))


def load_season() -> Season:
    """The season's results, read once for every change of the file.

    Raises
    ------
    StoreError
        When there are none, or the file is damaged or of another version.
    """
    return _season(*stamp(results_file()))


@st.cache_resource(max_entries=8, show_spinner=False)
def _samples(path: str, modified: int, day: int) -> dict[str, FloatArray]:
    with read_results(Path(path)) as ds:
        held = {n: ds[f"sample_{n}"].isel(booking_day=day).to_numpy() for n in SAMPLES}
    for array in held.values():
        array.setflags(write=False)
    return held


def sampled_day(day: Day) -> dict[str, FloatArray]:
    """Sampled air of one day in SI, by name, (slot, year, day offset, hour offset); not to be written to."""
    return _samples(*stamp(results_file()), day.index)


# --- The season folder ------------------------------------------------------------------------------


@st.cache_resource(max_entries=2, show_spinner=False)
def _folder(named: str, stamps: tuple[tuple[str, int], ...]) -> Inputs:
    from pipeline.inputs import load_season

    return load_season(Path(named))


def _stamps(named: str) -> tuple[tuple[str, int], ...]:
    """Its files, those of stations with them; not what hidden folders hold."""
    files = (p for p in Path(named).glob("*") if not p.name.startswith("."))
    return tuple(
        sorted(stamp(f) for p in files for f in (p.rglob("*") if p.is_dir() else (p,)) if f.is_file())
    )


def folder(named: str) -> Inputs:
    """A season folder, read once for every change of its files.

    Raises
    ------
    InputError
        A mistake in the folder.
    """
    return _folder(named, _stamps(named))


@st.cache_data(max_entries=4, show_spinner=False)
def _digest_now(named: str, stamps: tuple[tuple[str, int], ...]) -> str:
    from pipeline.inputs import digest_of

    try:
        return digest_of(_folder(named, stamps))
    except ShowhourError as error:
        return f"fault: {error}"


def stale_because(season: Season) -> str:
    """Why the results no longer match the season folder; empty where they do, or no folder was named."""
    named = os.environ.get("SHOWHOUR_SEASON", "")
    if not named:
        return ""
    if not Path(named).is_dir():
        return (
            f"The season folder {Path(named).name} is not there: what you see is the season as it was when "
            "these results were computed. Put the folder back; to begin another season in its place, make an "
            "empty folder of that name."
        )
    now = _digest_now(named, _stamps(named))
    if now.startswith("fault: "):
        return (
            "The season folder has a mistake since these results were computed. "
            f"{now.removeprefix('fault: ').rstrip('.')}. What you see is the season as it was before."
        )
    if now != str(season.attrs["season_digest"]):
        return (
            "The season folder has changed since these results were computed: what you see is the season as "
            f"it was before. Run `showhour forecast {Path(named).name}` to bring it up to date."
        )
    return ""
