"""The record of runs: when, how long, what failed, how fresh, and what changed in the answer since last time.

One JSON file a season, beside its results, the newest run last.
"""

from __future__ import annotations

import datetime as dt
import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.errors import DamagedError, StoreError
from pipeline.files import write_atomically
from pipeline.results import in_100

__all__ = [
    "KEPT",
    "add_run",
    "change_in_words",
    "changes",
    "compared",
    "earlier_summary",
    "moved_lately",
    "must_be_writable",
    "read_runs",
    "readable_runs",
    "record_path",
    "to_compare",
    "writing",
]

KEPT = 60
"""Runs kept in the record."""

_LOCK_WAIT_S = 120.0
_NEEDED = ("booking", "venue", "as_planned", "as_planned_lower", "as_planned_upper")


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
    except OSError as error:
        raise StoreError(
            f"The run record {path} cannot be read ({error.strerror or error}). Make it readable."
        ) from error
    except ValueError as error:
        raise DamagedError(
            f"The run record {path} cannot be read ({error}). Move it away; the next run begins a new one."
        ) from error
    if not isinstance(content, list) or not all(isinstance(run, dict) for run in content):
        raise DamagedError(f"The run record {path} is no list of runs. Move it away; the next begins anew.")
    return content


def add_run(results_file: Path, run: Mapping[str, Any]) -> None:
    """Add a run to the record, within `writing`; a damaged record is set aside under another name, not lost.

    Raises
    ------
    StoreError
        The record cannot be written.
    """
    path = record_path(results_file)
    try:
        try:
            runs = read_runs(results_file)
        except DamagedError:
            path.replace(path.with_suffix(f".damaged-{dt.datetime.now(dt.UTC):%Y%m%dT%H%M%S%f}"))
            runs = []
        write_atomically(path, (json.dumps([*runs, dict(run)][-KEPT:], indent=1) + "\n").encode())
    except OSError as error:
        raise StoreError(f"The run record {path} cannot be written: {error.strerror or error}.") from error


def readable_runs(results_file: Path) -> list[dict[str, Any]]:
    """As `read_runs`; none where the record is damaged, which adding the next run puts away."""
    try:
        return read_runs(results_file)
    except DamagedError:
        return []


def must_be_writable(results_file: Path) -> None:
    """Refuse a place for results before they are computed.

    Raises
    ------
    StoreError
        No file can be made in the folder.
    """
    try:
        results_file.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=results_file.parent):
            pass
    except OSError as error:
        raise _unwritable(results_file, error) from error


def _unwritable(results_file: Path, error: OSError) -> StoreError:
    return StoreError(
        f"The results cannot be written to {results_file}: {error.strerror or error}. Make the folder "
        "writable, or name another place with --output."
    )


@contextmanager
def writing(results_file: Path) -> Iterator[None]:
    """Results and their run record for one run alone: two at once would each lose what the other wrote.

    Raises
    ------
    StoreError
        Another run is writing and does not end, or the folder cannot be written.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(results_file.with_name(f"{results_file.name}.lock"), timeout=_LOCK_WAIT_S)
    try:
        results_file.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout as error:
        raise StoreError(
            f"{results_file}: another showhour has been writing these results for {_LOCK_WAIT_S:.0f} s. "
            "Let it finish, or end it, and run again."
        ) from error
    except OSError as error:
        raise _unwritable(results_file, error) from error
    try:
        yield
    finally:
        lock.release()


def compared(runs: Sequence[Mapping[str, Any]], earlier: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Summary that new results are held against: each booking as it was when it last was news.

    Not as it was last night, or a chance that creeps would never be told. A booking that no run has recorded
    is taken from the earlier results; None where there are neither.

    Parameters
    ----------
    runs
        The record.
    earlier
        Summary of the earlier results.
    """
    rows = {row["booking"]: row for row in earlier["bookings"]} if earlier is not None else {}
    for run in runs:
        rows |= {row["booking"]: row for row in run.get("compared_with", ())}
    return {"bookings": list(rows.values())} if rows else None


def to_compare(
    before: Mapping[str, Any] | None, after: Mapping[str, Any], moved: Sequence[Mapping[str, Any]], now: str
) -> list[dict[str, Any]]:
    """What the next run is to be held against: anew for bookings that moved or are new.

    Parameters
    ----------
    before
        As `compared` gave it.
    after
        Summary of the new results.
    moved
        Their `changes`.
    now
        When the run began.
    """
    news = {m["booking"] for m in moved}
    held = {row["booking"]: row for row in before["bookings"]} if before is not None else {}
    return [
        {key: row.get(key) for key in _NEEDED} | {"since": row.get("since", now)}
        for row in (
            new if new["booking"] in news else held.get(new["booking"], new) for new in after["bookings"]
        )
    ]


def moved_lately(runs: Sequence[Mapping[str, Any]], days: int = 14) -> list[dict[str, Any]]:
    """The last change of each booking within so many days of the last run, newest first, with its ``when``.

    A night's change is still there in the morning after the next night.
    """
    if not runs:
        return []
    last = dt.datetime.fromisoformat(str(runs[-1]["started"]))
    latest: dict[str, dict[str, Any]] = {}
    for run in reversed(runs):
        if last - dt.datetime.fromisoformat(str(run["started"])) > dt.timedelta(days=days):
            break
        for change in run["moved"]:
            latest.setdefault(change["booking"], dict(change) | {"when": run["started"]})
    return list(latest.values())


def changes(before: Mapping[str, Any] | None, after: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Bookings whose chance moved out of the interval that it had, from two summaries.

    A booking that had no number and now has one, or the other way round, is named too.

    Parameters
    ----------
    before
        Summary to hold them against; None where there is none.
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
                    "since": old.get("since"),
                }
            )
    return moved


def change_in_words(change: Mapping[str, Any]) -> str:
    """One line about one booking that moved."""

    def percent(value: float | None) -> str:
        return "no number" if value is None else f"{in_100(value)} %"

    interval = ""
    if change["before"] is not None:
        interval = f" (interval {percent(change['before_lower'])} to {percent(change['before_upper'])})"
    return (
        f"{change['booking']} moved{_since(change)} from {percent(change['before'])}{interval} to "
        f"{percent(change['after'])}: look at its settings and its station before relying on either."
    )


def _since(change: Mapping[str, Any]) -> str:
    since = change.get("since")
    return f" since {str(since)[:10]}" if since else ""


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
    return isinstance(rows, Sequence) and all(isinstance(r, dict) and set(_NEEDED) <= r.keys() for r in rows)
