"""Simulated pilots and their logs: a tolerance a show and cause, drawn from a curve drawn from the prior."""

from __future__ import annotations

import numpy as np

from pipeline.decisions import learning
from pipeline.decisions.limits import CAUSES, LOGIT_19

OFFSETS = np.array([0.0, 0.5, 1.2, 2.0])
"""How much less demanding each figure is than the first, on the pilot's scale."""


def one_figure(rows) -> learning.Evidence:
    """Evidence of shows of one figure and cause, from (condition, state) pairs."""
    condition = np.full((len(rows), len(CAUSES), 1), np.nan)
    state = np.zeros(condition.shape, dtype=int)
    for i, (z, what) in enumerate(rows):
        condition[i, 0, 0], state[i, 0, 0] = z, what
    return learning.Evidence(condition, np.where(np.isnan(condition), np.nan, 0.0), state)


def prior_draws(n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Shift and slope of n pilots of the prior."""
    nothing = np.empty(0)
    empty = learning.Observations(nothing, nothing, nothing, nothing, nothing.astype(int))
    m, b, weight = learning.posterior(empty, learning.PSEUDO_OBSERVATIONS)
    chosen = rng.choice(m.size, size=n, p=weight)
    return m[chosen], b[chosen]


def simulated(
    m: float,
    b: float,
    shows: int,
    error: float,
    rng: np.random.Generator,
    *,
    believed: float | None = None,
    mean: float = -2.4,
    causes: int = 1,
) -> learning.Evidence:
    """A log of shows whose conditions a station tells with an error, on the pilot's scale.

    At the default mean the most demanding figure is changed about once in fifty shows, over pilots of the
    prior; the conditions vary by 1 from show to show.
    """
    true = mean + rng.normal(size=(shows, causes))
    tolerance = m + rng.logistic(size=(shows, causes)) / b
    seen = true + error * rng.normal(size=true.shape)
    condition = np.full((shows, len(CAUSES), OFFSETS.size), np.nan)
    variance = condition.copy()
    state = np.zeros(condition.shape, dtype=int)
    for c in range(causes):
        # What is usual, as a long record of such a station shows it: the mean, and 1 + error squared.
        usual = np.full(shows, mean), np.full(shows, 1.0 + error**2)
        taken = np.full(shows, error if believed is None else believed)
        value, left = learning.calibrated(seen[:, c], taken, *usual)
        condition[:, c] = value[:, None] - OFFSETS
        variance[:, c] = left[:, None]
        changed = true[:, c, None] - OFFSETS >= tolerance[:, c, None]
        state[:, c] = np.where(changed, learning.CHANGED, learning.FLOWN)
    return learning.Evidence(condition, variance, state)


def own_limit(m, b):
    """Condition at which a pilot changes a figure nineteen times in twenty."""
    return m + LOGIT_19 / b
