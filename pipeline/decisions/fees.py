"""Is a booking worth less than its fee says? Compared with the other offers of the season, not with a price."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["worse_than_fee"]


def worse_than_fee(
    fee: npt.ArrayLike, chance: npt.ArrayLike, told_apart: npt.ArrayLike
) -> npt.NDArray[np.bool_]:
    """Bookings that most offers paying no more beat.

    A booking is worse than its fee says when more than half of the other bookings whose fee is no higher
    have a better chance of being flown as planned, the difference being one that can be told apart.

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
    better = peers & np.asarray(told_apart, dtype=bool) & (p[None, :] > p[:, None])
    return np.asarray(2 * better.sum(axis=1) > peers.sum(axis=1))
