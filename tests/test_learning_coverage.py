"""The range told of a learned limit holds the pilot's own limit as often as it says, 80 times in 100.

The reference is simulation with known truth: pilots drawn from the prior, tolerances from their curves, one
change in fifty shows of the most demanding figure (common practice, no source), and a station that tells
the venue's air with and without an error that is known.
"""

from __future__ import annotations

import numpy as np
import pytest
from learning_pilots import own_limit, prior_draws, simulated

from pipeline.decisions import learning

LOGS = 500
CASES = [(shows, error) for shows in (15, 60, 300) for error in (0.0, 0.3, 0.6, 0.9)]


def covered(shows: int, error: float) -> tuple[float, float]:
    """Share of logs whose range holds the pilot's limit, and the first figure's share of changes."""
    rng = np.random.default_rng(1000 + shows + int(10 * error))
    held, changed = [], []
    for m, b in zip(*prior_draws(LOGS, rng), strict=True):
        told = simulated(m, b, shows, error, rng)
        lower, _, upper = learning.own_limit_range(*learning.posterior(learning.observations(told)))
        held.append(lower <= own_limit(m, b) <= upper)
        changed.append(np.mean(told.state[:, 0, 0] == learning.CHANGED))
    return float(np.mean(held)), float(np.mean(changed))


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c[0]} shows, error {c[1]}")
def test_eighty_per_cent_ranges_cover_seventy_six_to_eighty_four(case):
    """Five hundred logs a case; the sampling error of the share is 1.8 points."""
    held, changed = covered(*case)
    assert 0.76 <= held <= 0.84
    assert 0.014 <= changed <= 0.028
