"""Seasonal cycles kept in the cache are those that a fit gives, and belong to their record alone."""

from __future__ import annotations

import numpy as np

from pipeline import kept_cycles
from pipeline.air.show_hours import StationRecord, station_cycles


def record(seed: int) -> StationRecord:
    hours = np.arange(12 * 8766)
    rng = np.random.default_rng(seed)
    swing = 285.0 + 10.0 * np.sin(2 * np.pi * hours / 8765.82) + rng.normal(size=hours.size)
    return StationRecord(
        300_000, {"air_temperature": swing, "dew_point_temperature": swing - 5.0}, 100.0, False
    )


def same(a, b) -> bool:
    return all(
        np.array_equal(getattr(getattr(a, part), name), getattr(getattr(b, part), name), equal_nan=True)
        for part in ("temperature", "dew_point")
        for name in ("coefficients", "trend", "years", "numerator", "denominator")
    )


def test_kept_cycles_are_the_fitted_ones(tmp_path, monkeypatch):
    """The second asking reads what the first fitted; another record, or no trend, is fitted by itself."""
    fits = []
    monkeypatch.setattr(
        kept_cycles,
        "station_cycles",
        lambda r, *, trend: fits.append(trend) or station_cycles(r, trend=trend),
    )
    first = kept_cycles.kept_cycles(tmp_path, "a", lambda: record(1), trend=True)
    assert same(first, station_cycles(record(1), trend=True))
    assert same(kept_cycles.kept_cycles(tmp_path, "a", lambda: record(1), trend=True), first)
    assert fits == [True]
    assert kept_cycles.kept_cycles(tmp_path, "a", lambda: record(1), trend=False).temperature.trend == 0.0
    assert not same(kept_cycles.kept_cycles(tmp_path, "b", lambda: record(2), trend=True), first)
    assert fits == [True, False, True]


def test_a_damaged_copy_is_made_again(tmp_path):
    """Whatever lies in the file, the cycles are right."""
    first = kept_cycles.kept_cycles(tmp_path, "a", lambda: record(1), trend=True)
    (path,) = tmp_path.glob("*.npz")
    whole = path.read_bytes()
    for content in (b"", b"not an archive", whole[: len(whole) // 2]):
        path.write_bytes(content)
        assert same(kept_cycles.kept_cycles(tmp_path, "a", lambda: record(1), trend=True), first)
        assert path.read_bytes() != content
