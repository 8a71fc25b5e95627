"""The record of runs: when, how long, what failed, how fresh, and what changed in the answer since last time.

One JSON file a season, beside its results, the newest run last.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import StoreError
from pipeline.results import write_atomically

__all__ = ["KEPT", "add_run", "change_in_words", "changes", "earlier_summary", "read_runs", "record_path"]

KEPT = 60
"""Runs kept in the record."""


def record_path(results_file: Path) -> Path:
    """Where the runs behind a results file are recorded."""
    return results_file.with_name(f"{results_file.stem}-runs.json")


def read_runs(results_file: Path) -> list[dict[str, Any]]:
    """Runs recorded, oldest first; none where there is no record yet.

    Raises
    ------
    StoreError
        The record is damaged.
    """
    path = record_path(results_file)
    try:
        content = json.loads(path.read_bytes())
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        raise StoreError(
            f"The run record {path} cannot be read ({error}). Move it away; the next run begins a new one."
        ) from error
    if not isinstance(content, list) or not all(isinstance(run, dict) for run in content):
        raise StoreError(f"The run record {path} is no list of runs. Move it away; the next begins anew.")
    return content


def add_run(results_file: Path, run: Mapping[str, Any]) -> None:
    """Add a run to the record; an unreadable record is set aside under another name, not lost.

    Raises
    ------
    StoreError
        The record cannot be written.
    """
    path = record_path(results_file)
    try:
        try:
            runs = read_runs(results_file)
        except StoreError:
            path.replace(path.with_suffix(".damaged"))
            runs = []
        write_atomically(path, (json.dumps([*runs, dict(run)][-KEPT:], indent=1) + "\n").encode())
    except OSError as error:
        raise StoreError(f"The run record {path} cannot be written: {error.strerror or error}.") from error


def changes(before: Mapping[str, Any] | None, after: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Bookings whose chance moved out of the interval that it had, from two summaries.

    A booking that had no number and now has one, or the other way round, is named too.

    Parameters
    ----------
    before
        Summary of the earlier results; None where there were none.
    after
        Summary of the new results.
    """
    if before is None:
        return []
    earlier = {row["booking"]: row for row in before["bookings"]}
    moved = []
    for row in after["bookings"]:
        old = earlier.get(row["booking"])
        if old is None:
            continue
        was, now = old["as_planned"], row["as_planned"]
        if was is None and now is None:
            continue
        if was is None or now is None:
            out = True
        else:
            out = not old["as_planned_lower"] <= now <= old["as_planned_upper"]
        if out:
            moved.append(
                {
                    "booking": row["booking"],
                    "venue": row["venue"],
                    "before": was,
                    "before_lower": old["as_planned_lower"],
                    "before_upper": old["as_planned_upper"],
                    "after": now,
                }
            )
    return moved


def change_in_words(change: Mapping[str, Any]) -> str:
    """One line about one booking that moved."""

    def percent(value: float | None) -> str:
        return "no number" if value is None else f"{100 * value:.0f} %"

    interval = ""
    if change["before"] is not None:
        interval = f" (interval {percent(change['before_lower'])} to {percent(change['before_upper'])})"
    return (
        f"{change['booking']} moved from {percent(change['before'])}{interval} to "
        f"{percent(change['after'])}: look at its settings and its station before relying on either."
    )


def earlier_summary(results_file: Path) -> dict[str, Any] | None:
    """Summary of the results that are about to be replaced; None where there are none that can be read."""
    path = results_file.with_suffix(".json")
    try:
        content = json.loads(path.read_bytes())
    except (OSError, ValueError):
        # Nothing to compare with is an answer, not a fault: the comparison is left out.
        return None
    return content if isinstance(content, dict) and _complete(content.get("bookings")) else None


def _complete(rows: Any) -> bool:
    needed = {"booking", "venue", "as_planned", "as_planned_lower", "as_planned_upper"}
    return isinstance(rows, Sequence) and all(isinstance(r, dict) and needed <= r.keys() for r in rows)
