"""Computing ahead, beside the fetching: what a forecast keeps of a venue is made once its hours have come.

Fetching waits on servers, so the time is there. The work is done in a process of its own: the netCDF library
and the filter of warnings that the fit of gusts relies on belong to a whole process. Nothing comes back from
it but what is kept in the cache, found by digest of all that decides it; so a forecast after it is the
forecast without it to the last bit, and whatever it left or failed over, the forecast meets and tells itself.
"""

from __future__ import annotations

import multiprocessing
import signal
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import ShowhourError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess
    from types import TracebackType

    from pipeline.inputs import Season, Venue

__all__ = ["Ahead"]


class Ahead:
    """A process that works on the venues it is told of, in turn, while the ``with`` block lasts.

    It is started by the first venue. At the end of the block it finishes the venue in hand; those still
    waiting are left to the forecast, which works on several at once.

    Parameters
    ----------
    season
        The season.
    cache
        The cache folder.
    """

    def __init__(self, season: Season, cache: Path) -> None:
        self._season = season
        self._cache = cache
        self._orders: Connection | None = None
        self._process: BaseProcess | None = None

    def __enter__(self) -> Ahead:
        return self

    def venue(self, venue: Venue) -> None:
        """Work on a venue whose hours have all come."""
        if self._orders is None:
            context = multiprocessing.get_context("spawn")
            theirs, self._orders = context.Pipe(duplex=False)
            self._process = context.Process(
                target=_work, args=(self._season, self._cache, theirs), name="ahead", daemon=True
            )
            self._process.start()
            # With this end here alone gone, the process sees ours close when this one is killed.
            theirs.close()
        # Where it has ended early, having said why, the forecast does the rest.
        with suppress(OSError):
            self._orders.send(venue.id)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._orders is None or self._process is None:
            return
        self._orders.close()
        if kind is not None:
            self._process.kill()
        self._process.join()
        self._process.close()


def _work(season: Season, cache: Path, orders: Connection) -> None:
    # Ctrl-C reaches the whole group: the process that fetches decides what becomes of this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    from pipeline.derived import used_limits
    from pipeline.run import curves_of, keep_venue
    from pipeline.stations.store import Store

    store = Store(cache)
    venues = {venue.id: venue for venue in season.venues}
    waiting: list[str] = []
    with suppress(ShowhourError):
        used_limits(season, curves_of(season), cache)
    with suppress(EOFError):
        while True:
            while not waiting or orders.poll():
                waiting.append(orders.recv())
            with suppress(ShowhourError):
                keep_venue(season, venues[waiting.pop(0)], store)
