"""Bringing a station's years up to date from an archive that serves one file a UTC year.

What is the same for every such archive: which years are asked for at all, which of them conditionally, when
an archive is taken to be down, and that good hours are never replaced by nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pipeline.errors import SourceError, StoreError
from pipeline.stations.http import Validators, read_validators, write_validators

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.stations.store import Store

__all__ = ["FetchedYear", "failures_in_words", "fetch_years"]

_FAILURES_IN_A_ROW = 3
_FETCH_WAIT_S = 600.0


@dataclass(frozen=True)
class FetchedYear:
    """One station-year from an archive.

    Attributes
    ----------
    state : {"complete", "growing", "absent", "unchanged", "failed"}
        ``complete`` will not change any more; ``growing`` may; ``absent``: the archive has no such file, or
        no observation in it; ``unchanged``: the file is the one that the validators describe; ``failed``:
        nothing was learned.
    hours : xarray.Dataset or None
        Station hours of ``complete`` and ``growing``.
    cause : str
        Why, in words, for ``absent`` and ``failed``.
    validators : Validators or None
        To be given back with the next request.
    """

    station_id: str
    year: int
    state: Literal["complete", "growing", "absent", "unchanged", "failed"]
    hours: xr.Dataset | None = None
    cause: str = ""
    validators: Validators | None = None


def fetch_years(
    source: str,
    station_id: str,
    years: Iterable[int],
    store: Store,
    *,
    now: datetime,
    refresh: bool,
    place: Callable[[int], Path],
    settled: Callable[[int], bool],
    fetch_year: Callable[[int, Validators | None], FetchedYear],
) -> dict[int, FetchedYear]:
    """Bring the store up to date for the years asked for, with as few requests as that takes.

    A complete year is never asked for again, an absent one only while it is this year or the last, a growing
    one only if its file has changed. Hours in the store are never replaced by an empty or failed answer, and
    a year that fails does not keep the others from being fetched; after three in a row that fail the rest is
    left for another night.

    Parameters
    ----------
    source, station_id : str
        The station.
    years : iterable of int
        UTC years. A local 31 December may need the next one.
    store : Store
        Where hours are kept.
    now : datetime
        Aware.
    refresh : bool
        Ask for every year anew, unconditionally.
    place : callable
        Where a year's file is put while it is fetched; its validators are kept beside that.
    settled : callable
        Whether a growing year's file will not change any more: it is asked for once more without condition,
        and complete from then on.
    fetch_year : callable
        Fetches and reads one year, given the validators of the copy that the store holds the hours of.

    Returns
    -------
    dict of int to FetchedYear
        The years that were due, without their hours, with state and cause.

    Raises
    ------
    SourceError
        Another run is fetching the station and does not end.
    StoreError
        The store is damaged or can't be written.
    """
    ended: dict[int, FetchedYear] = {}
    with _alone(store.path(source, station_id).with_suffix(".fetch.lock"), station_id):
        held = store.states(source, station_id)
        this_year = now.astimezone(UTC).year
        failures = 0
        for year in sorted(set(years)):
            state = held.get(year)
            if not refresh and (state == "complete" or (state == "absent" and year < this_year - 1)):
                continue
            if failures == _FAILURES_IN_A_ROW:
                cause = f"not tried after {failures} years in a row that failed"
                ended[year] = FetchedYear(station_id, year, "failed", cause=cause)
                continue
            conditional = state == "growing" and not refresh and not settled(year)
            got = fetch_year(year, read_validators(place(year)) if conditional else None)
            if got.hours is not None and (got.state == "complete" or got.state == "growing"):
                store.merge(got.hours, {year: got.state})
                write_validators(place(year), got.validators if got.state == "growing" else None)
            elif got.state == "absent" or got.state == "failed":
                store.mark(source, station_id, {year: got.state})
            failures = failures + 1 if got.state == "failed" else 0
            ended[year] = replace(got, hours=None)
    return ended


def failures_in_words(ended: Mapping[int, FetchedYear]) -> str:
    """The failed years with their causes, a cause that several in a row share told once; empty for none."""
    runs: list[tuple[int, int, str]] = []
    for year, got in sorted(ended.items()):
        if got.state != "failed":
            continue
        if runs and runs[-1][1:] == (year - 1, got.cause):
            runs[-1] = (runs[-1][0], year, got.cause)
        else:
            runs.append((year, year, got.cause))
    return "; ".join(
        f"{first if first == last else f'{first}–{last}'}: {cause}" for first, last, cause in runs
    )


@contextmanager
def _alone(path: Path, station_id: str) -> Iterator[None]:
    """A station's fetching for one run alone: part-fetched files wait in the folder, for the next try."""
    from filelock import FileLock, Timeout

    lock = FileLock(path, timeout=_FETCH_WAIT_S)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout as error:
        raise SourceError(
            f"Station {station_id} is being fetched by another run of showhour. Hours already stored are "
            "kept; run again when the other has ended."
        ) from error
    except OSError as error:
        raise StoreError(
            f"{path.parent}: the cache folder can't be written ({error.strerror or error}). Make it "
            "writable, or name another in SHOWHOUR_CACHE."
        ) from error
    try:
        yield
    finally:
        lock.release()
