"""What carries a reading is kept as it was made, by everything that decides it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline import kept_carriers
from pipeline.air.show_hours import Site, StationRecord, station_cycles

HOURS = np.arange(6 * 8766)
NOISE = np.random.default_rng(1).normal(size=HOURS.size)
TEMPERATURE = 288.0 + 8.0 * np.sin(2 * np.pi * HOURS / 24.0) + NOISE
RECORD = StationRecord(
    300_000,
    {
        "air_temperature": TEMPERATURE,
        "dew_point_temperature": TEMPERATURE - 8.0,
        "surface_air_pressure": np.full(HOURS.size, 84_000.0),
    },
    1_600.0,
    False,
)
GUSTS = np.random.default_rng(2).gamma(4.0, 2.0, HOURS.size)
CYCLES = station_cycles(RECORD, trend=True)
SITE = Site(1_700.0, 90.0, True, 180.0)
SLOTS = np.array(["2012-07-04T20:00", "2012-07-05T20:30"], dtype="datetime64[s]")


def kept(
    folder: Path, asked: list[str], digest: str = "a", site: Site = SITE, days: int = 15, by: object = 1
) -> list[dict[str, np.ndarray]]:
    def whole() -> StationRecord:
        asked.append(digest)
        return RECORD

    return kept_carriers.kept_carriers(
        folder, digest, whole, CYCLES, site, SLOTS, GUSTS, window_days=days, decided_by=by
    )


def same(first: list, second: list) -> bool:
    return all(
        a.keys() == b.keys() and all(np.array_equal(a[n], b[n], equal_nan=True) for n in a)
        for a, b in zip(first, second, strict=True)
    )


def test_the_second_asking_reads_what_the_first_made(tmp_path: Path) -> None:
    """Bit for bit, slot by slot; another record, place, window or decision is worked out by itself."""
    asked: list[str] = []
    first = kept(tmp_path, asked)
    plain = [kept_carriers.carriers(RECORD, CYCLES, SITE, slot, GUSTS, 15) for slot in SLOTS]
    assert same(first, plain)
    assert np.isfinite(first[0]["density_altitude_carried_rest"]).all()
    assert same(kept(tmp_path, asked), first)
    assert asked == ["a"]
    kept(tmp_path, asked, digest="b")
    kept(tmp_path, asked, by=2)
    assert not same(kept(tmp_path, asked, site=Site(2_000.0, 90.0, True, 180.0)), first)
    assert not same(kept(tmp_path, asked, days=10), first)
    assert len(asked) == 5


@pytest.mark.parametrize("content", [b"", b"not an archive", None])
def test_a_damaged_copy_is_made_again(tmp_path: Path, content: bytes | None) -> None:
    """Whatever lies in the file, the answer is right."""
    first = kept(tmp_path, [])
    (path,) = tmp_path.glob("*.npz")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2] if content is None else content)
    assert same(kept(tmp_path, []), first)
    assert path.read_bytes() == whole
