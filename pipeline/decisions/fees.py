"""Is a booking worth less than its fee says? Compared with the season's other offers, not with a price."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["LEAST_DIFFERENCE", "worse_than_fee"]

LEAST_DIFFERENCE = 0.1
"""One day in ten: a smaller difference does not change a decision (common practice, no source)."""


def worse_than_fee(
    fee: npt.ArrayLike, chance: npt.ArrayLike, told_apart: npt.ArrayLike
) -> npt.NDArray[np.bool_]:
    """Bookings that most offers paying no more beat.

    A booking is worse than its fee says when more than half of the other bookings whose fee is no higher
    are flown as planned more often, by at least `LEAST_DIFFERENCE`, and can be told apart from it.

    Parameters
    ----------
    fee
        (booking,), in one currency; NaN where none is given, which is compared with nothing.
    chance
        Chance that the routine is flown as planned, (booking,); NaN where there is no number.
    told_apart
        (booking, booking), symmetric: whether paired draws of years tell the two apart.

    Returns
    -------
    (booking,); False where there is nothing to compare with.
    """
    f, p = np.asarray(fee, dtype=float), np.asarray(chance, dtype=float)
    known = np.isfinite(f) & np.isfinite(p)
    peers = known[:, None] & known[None, :] & (f[None, :] <= f[:, None]) & ~np.eye(f.size, dtype=bool)
    better = peers & np.asarray(told_apart, dtype=bool) & (p[None, :] - p[:, None] >= LEAST_DIFFERENCE)
    return np.asarray(2 * better.sum(axis=1) > peers.sum(axis=1))
