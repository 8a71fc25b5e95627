"""A venue's hours around its show dates, kept apart: the whole record’s answer, bit for bit."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from season_folder import booking, venue, write_season

from pipeline import venue_hours
from pipeline.fetch import fetch_season
from pipeline.inputs import load_season
from pipeline.run import forecast
from pipeline.stations.store import Store

NOW = dt.datetime(2026, 11, 1, tzinfo=dt.UTC)


def _station(name: str, latitude: float, mean: float) -> dict[str, object]:
    climate = {"mean_temperature_c": mean, "annual_range_c": 20, "diurnal_range_c": 12, "wind_kt": 8}
    return {
        "source": "synthetic", "id": name, "latitude": latitude, "longitude": -105.0, "elevation_ft": 5000,
        "climate": climate,
    }  # fmt: skip


@pytest.fixture
def season(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two venues, one of them with a second station to fill from; six years."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    both = [_station("ONE", 40.0, 10), _station("TWO", 40.1, 12)]
    return write_season(
        tmp_path / "season",
        venues=[
            venue("here", elevation_ft=5000, stations=both, latitude=40.0, longitude=-105.0),
            venue("there", elevation_ft=5100, stations=both[1:], latitude=40.1, longitude=-105.0),
        ],
        bookings=[
            booking("first", "here", ["2027-07-03", "2027-07-04"]),
            # A year has no 29 February, and another's window reaches into the year before.
            booking("second", "there", ["2027-05-02"]),
        ],
        history={"first_year": 2019, "last_year": 2024, "minimum_years": 3},
        invented=True,
    )


def _same(one: xr.Dataset, other: xr.Dataset) -> None:
    assert set(one.variables) == set(other.variables)
    for name in one.variables:
        a, b = one[name].to_numpy(), other[name].to_numpy()
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), name


def test_kept_show_hours_give_the_same_forecast(season: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whole records are read once; then no more, until the window, the hours or the copy itself change."""
    read: list[str] = []
    real = venue_hours.read_station
    monkeypatch.setattr(venue_hours, "read_station", lambda s, v, st: read.append(v.id) or real(s, v, st))
    store = Store()
    fetch_season(load_season(season), store, now=NOW)
    first = forecast(load_season(season), store)
    assert sorted(read) == ["here", "there"]
    read.clear()
    _same(first, forecast(load_season(season), store))
    assert read == []

    # Another limit is held against the same hours.
    routine = season / "routine.yaml"
    routine.write_text(
        routine.read_text(encoding="utf-8").replace("limit: 9000", "limit: 9500"), encoding="utf-8"
    )
    forecast(load_season(season), store)
    assert read == []

    for path in (store.cache / "show_hours").iterdir():
        whole = path.read_bytes()
        for damage in (b"", b"no archive", whole[: len(whole) // 2], whole[:-200] + bytes(200)):
            path.write_bytes(damage)
            read.clear()
            forecast(load_season(season), store)
            assert len(read) == 1
            assert path.read_bytes() == whole

    text = (season / "season.yaml").read_text(encoding="utf-8")
    assert "minimum_years: 3" in text
    longer = text.replace("minimum_years: 3", "minimum_years: 3\n  window_days: 20")
    (season / "season.yaml").write_text(longer, encoding="utf-8")
    read.clear()
    forecast(load_season(season), store)
    assert sorted(read) == ["here", "there"]


def test_a_station_file_that_rots_is_found_though_its_hours_are_kept(season: Path) -> None:
    """One bit turned in the arrays: one venue has another station, the other says why it has none."""
    store = Store()
    fetch_season(load_season(season), store, now=NOW)
    forecast(load_season(season), store)
    path = store.path("synthetic", "TWO")
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x10
    path.write_bytes(content)
    (checked,) = (store.cache / "checked").glob("synthetic/TWO*.nc")
    checked.unlink()
    ds = forecast(load_season(season), store)
    status = dict(zip(ds["venue"].to_numpy(), ds["venue_status"].to_numpy(), strict=True))
    assert status["here"] == "ok"
    assert "damaged" in status["there"]


def test_what_needs_the_whole_record_reads_it(season: Path) -> None:
    """Fits deleted, show hours kept: the cycles are fitted to every hour, not to those around the shows."""
    store = Store()
    fetch_season(load_season(season), store, now=NOW)
    first = forecast(load_season(season), store)
    for part in ("cycles", "gusts", "trust"):
        for path in (store.cache / part).iterdir():
            path.unlink()
    _same(first, forecast(load_season(season), store))


def test_a_variable_never_seen_at_show_hours_is_still_observed(season: Path) -> None:
    """Ceilings at midnight alone: at show hours missing, at the station observed, in either record."""
    store = Store()
    fetch_season(load_season(season), store, now=NOW)
    loaded = load_season(season)
    place = loaded.venue("there")
    held = venue_hours.read_station(loaded, place, store)
    assert held.record is not None
    values = {k: v.copy() for k, v in held.record.values.items()}
    midnight = (held.record.first_hour + np.arange(held.record.size)) % 24 == 3
    values["cloud_base_height"] = np.where(midnight, 1000.0, np.nan).astype("float32")
    record = type(held.record)(held.record.first_hour, values, held.record.elevation, held.record.plateau)
    instants = np.array(["2027-05-02T20:00"], dtype="datetime64[s]")
    hours = venue_hours._around(record, instants, 15)
    assert np.isfinite(values["cloud_base_height"][hours]).sum() == 1
    assert hours.size < record.size / 10
