"""What carries a reading is kept as it was made, by everything that decides it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from pipeline import kept_carriers
from pipeline.air import persistence
from pipeline.air.show_hours import Site, StationRecord, density_altitude_at, station_cycles
from pipeline.air.variables import KT
from pipeline.decisions.forecast import QUANTILES

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


def test_a_reading_without_a_gust_is_carried_by_its_wind() -> None:
    """A station that reports no gusts, at which they are 1.5 times the wind: 10 kt now is a gust of 15 kt.

    With the hours the wind of the reading says less, and in every hour the tenths of past days are tenths.
    """
    flow = lfilter([1.0], [1.0, -0.9], np.random.default_rng(4).normal(size=HOURS.size))
    winds = np.rint(12.0 * np.exp(0.15 * flow)) * KT
    gusts = 1.5 * winds
    record = replace(RECORD, values={**RECORD.values, "wind_speed": winds})
    told = kept_carriers.carriers(record, CYCLES, SITE, SLOTS[0], gusts, 15)
    share, rest = (told[f"unreported_gust_carried_{part}"] for part in ("share", "rest"))
    assert persistence.carried_speed(10 * KT, share, rest, 0.0)[0] == pytest.approx(15.0 * KT)
    assert share[0] > share[6] > share[24] > 0.0
    instants = np.array([SLOTS[0], SLOTS[0] - np.timedelta64(6, "h")])
    _, sampled = density_altitude_at(record, CYCLES, SITE, instants, window_days=15)
    at = sampled.reshape(2, -1).astype(int) - RECORD.first_hour
    later, earlier = (of[hours[at[0] < HOURS.size]] for of, hours in zip((gusts, winds), at, strict=True))
    carried = np.array([persistence.carried_speed(now, share, rest, 6.0)[0] for now in earlier])
    told_share = np.mean(later[:, None] < carried, axis=0)
    # 186 days, whole knots of wind: a step of the gust is three hundredths of them at most.
    assert told_share == pytest.approx(QUANTILES, abs=0.03)
    # Of a station that reports gusts, hours that reported one are not like a reading without.
    some = np.where(winds > 14 * KT, gusts, np.nan)
    reporting = replace(record, values={**record.values, "wind_speed_of_gust": some})
    calmer = kept_carriers.carriers(reporting, CYCLES, SITE, SLOTS[0], np.fmax(some, winds), 15)
    share, rest = (calmer[f"unreported_gust_carried_{part}"] for part in ("share", "rest"))
    assert persistence.carried_speed(10 * KT, share, rest, 0.0)[0] == pytest.approx(10.0 * KT)


@pytest.mark.parametrize("content", [b"", b"not an archive", None])
def test_a_damaged_copy_is_made_again(tmp_path: Path, content: bytes | None) -> None:
    """Whatever lies in the file, the answer is right."""
    first = kept(tmp_path, [])
    (path,) = tmp_path.glob("*.npz")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2] if content is None else content)
    assert same(kept(tmp_path, []), first)
    assert path.read_bytes() == whole
