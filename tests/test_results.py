"""The results file: it round-trips, describes itself, agrees with its summary, and is whole or absent.

Expected values are the schema's own and arithmetic; the conventions are CF 1.11 (units and long_name).
"""

from __future__ import annotations

import errno
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from season_folder import booking, venue, write_season

from pipeline import results
from pipeline.air.variables import FT, KT
from pipeline.cli import main
from pipeline.errors import StoreError
from pipeline.results import LABELS, NO_UNITS, SAMPLES, SCHEMA, pack, read_results, summary, write_results


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of an invented season with one venue that has hours and one whose station has none."""
    root = tmp_path_factory.mktemp("results")
    climate = {"mean_temperature_c": 14, "annual_range_c": 22, "diurnal_range_c": 13}
    invented = {
        "source": "synthetic",
        "id": "T-BENCH",
        "latitude": 40.0,
        "longitude": -1.0,
        "elevation_ft": 4000,
    }
    absent = {"source": "csv", "id": "T-NONE", "latitude": 40.0, "longitude": -1.0, "elevation_ft": 4000}
    season = root / "season"
    write_season(
        season,
        venues=[
            venue("bench", elevation_ft=4000, stations=[invented | {"climate": climate}]),
            venue("nowhere", elevation_ft=4000, stations=[absent | {"file": "none.csv"}]),
        ],
        bookings=[
            booking("bench-july", "bench", ["2027-07-03", "2027-07-04"], fee=8000, costs=1000),
            booking("nowhere-july", "nowhere", ["2027-07-10"]),
            booking("bench-october", "bench", ["2027-10-02"]),
        ],
        history={"first_year": 2023, "last_year": 2026, "minimum_years": 3},
    )
    (season / "none.csv").write_text("time_utc,temperature_c\n2026-07-01T12:00,20\n")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SHOWHOUR_CACHE", str(root / "cache"))
        assert main(["run", str(season), "--output", str(root / "season.nc")]) == 3
    return root / "season.nc"


@pytest.fixture
def ds(made: Path) -> Iterator[xr.Dataset]:
    with read_results(made) as opened:
        yield opened


# --- Schema ---------------------------------------------------------------------------------------------


def test_every_variable_says_what_it_is(ds: xr.Dataset) -> None:
    """Exactly the schema's variables, each with dimensions, long_name, and a unit where it is a number."""
    assert set(ds.data_vars) == set(SCHEMA)
    for name, field in SCHEMA.items():
        assert ds[name].dims == field.dims, name
        assert ds[name].attrs["long_name"] == field.long_name != "", name
        if field.dtype == "str":
            assert ds[name].dtype.kind in "OUT", name
        else:
            assert field.units, name
            assert ds[name].attrs.get("units", field.units) == field.units, name
            assert ("units" in ds[name].attrs) != (field.units in NO_UNITS), name
            assert ("comment" in ds[name].attrs) == (field.units in NO_UNITS), name
    places = {v.attrs.get("standard_name"): v.attrs.get("units") for v in ds.variables.values()}
    assert places["latitude"] == "degree_north"
    assert places["longitude"] == "degree_east"
    for label, words in LABELS.items():
        if label in ds.coords:
            assert ds[label].attrs["long_name"] == words


def test_units_are_known_to_a_units_library() -> None:
    """Every unit that is written is parsed by MetPy's unit registry, as CF 1.11 section 3.1 asks for.

    Exponents are whole, as UDUNITS has them, whose strings CF takes; it reads m0.5 as half of m0.
    """
    from metpy.units import units

    # "1" is none; K-1 and K year-1 are written as CF writes them.
    for unit in {f.units for f in SCHEMA.values()} - {"", "1", *NO_UNITS}:
        units.parse_units(unit)
        assert re.fullmatch(r"[A-Za-z_]+(-?[1-9])?( [A-Za-z_]+(-?[1-9])?)*", unit), unit


def test_round_trip(made: Path, ds: xr.Dataset, tmp_path: Path) -> None:
    """Written, read, written and read again: the same values, attributes and labels, bit for bit."""
    again = tmp_path / "again.nc"
    write_results(ds.load(), again)
    with read_results(again) as second:
        xr.testing.assert_identical(ds, second.load())
    kept = json.loads(made.with_suffix(".json").read_text())
    assert json.loads(again.with_suffix(".json").read_text())["bookings"] == kept["bookings"]


def test_arrays_of_another_shape_are_not_written(ds: xr.Dataset, tmp_path: Path) -> None:
    """Plain arrays are held against the labels before a byte is written."""
    laid = results.plain(ds)
    laid["arrays"]["booking_rank"] = laid["arrays"]["booking_rank"][:-1]
    with pytest.raises(ValueError, match="booking_rank has 2 along booking, not 3"):
        write_results(laid, tmp_path / "short.nc")
    assert not list(tmp_path.iterdir())


def test_other_readers_read_it(made: Path) -> None:
    """The plain netCDF library reads the file, checksum and all, and finds CF's declaration."""
    import netCDF4

    with netCDF4.Dataset(made) as nc:
        assert nc.Conventions == "CF-1.11"
        assert nc.schema_version == results.SCHEMA_VERSION
        assert "not a flight clearance" in nc.cautions
        assert set(SCHEMA) <= set(nc.variables)


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(sorted(SAMPLES)),
    st.lists(st.one_of(st.floats(-3000, 3000), st.just(float("nan")), st.just(float("inf"))), max_size=20),
)
def test_packed_samples_come_back_within_half_a_step(name: str, values: list[float]) -> None:
    """Property: a packed value comes back within half its resolution; NaN stays missing; inf is the top."""
    scale = SAMPLES[name][1]
    given_values = np.array(values, dtype=float)
    packed = pack(name, given_values)
    assert packed.dtype == np.int16
    back = np.where(packed == -32_768, np.nan, packed * scale)
    np.testing.assert_array_equal(np.isnan(back), np.isnan(given_values))
    held = np.isfinite(given_values) & (np.abs(given_values) <= 32_000 * scale)
    assert np.all(
        np.abs(back[held] - given_values[held]) <= scale * 0.5 + 1e-3 * scale + 1e-6 * np.abs(back[held])
    )
    assert np.all(packed[np.isposinf(given_values)] == 32_000)


# --- What is inside -------------------------------------------------------------------------------------


def test_chances_are_chances(ds: xr.Dataset) -> None:
    """Every chance lies in 0 to 1 and inside its interval; a venue without hours has NaN, never 0."""
    known = ds["day_status"].to_numpy() == "ok"
    assert known.tolist() == [True, True, False, True]
    for name in ("figure_change", "routine_as_planned", "act_out"):
        value, low, high = (ds[name + end].to_numpy() for end in ("", "_lower", "_upper"))
        used = np.isfinite(value)
        assert used.any()
        assert not used[~known].any()
        assert np.all((low[used] >= 0) & (low[used] <= value[used] + 1e-12))
        assert np.all((high[used] <= 1) & (high[used] >= value[used] - 1e-12))
    assert np.all(ds["sample_density_altitude"].isnull().all(axis=(1, 2, 3, 4)).to_numpy() == ~known)
    for name in ("density_altitude", "gust", "wind_speed"):
        q = ds[f"{name}_quantile"].to_numpy()[known]
        q = q[np.isfinite(q).all(axis=-1)]
        assert np.all(np.diff(q, axis=-1) >= 0), f"{name}: quantiles rise"
        low = ds[f"{name}_quantile_lower"].to_numpy()[known]
        high = ds[f"{name}_quantile_upper"].to_numpy()[known]
        value = ds[f"{name}_quantile"].to_numpy()[known]
        held = np.isfinite(value)
        assert np.all(low[held] <= value[held] + 1e-6)
        assert np.all(value[held] <= high[held] + 1e-6)


def test_a_figure_is_changed_at_least_as_often_as_by_any_one_cause(ds: xr.Dataset) -> None:
    """Union bounds: the whole is no less than its greatest part and no more than the sum of its parts."""
    whole = ds["figure_change"].to_numpy()[..., None]
    parts = ds["figure_change_by_cause"].to_numpy()
    held = np.isfinite(whole[..., 0])
    assert np.all(parts.max(axis=-1)[held] <= whole[..., 0][held] + 1e-6)
    assert np.all(whole[..., 0][held] <= parts.sum(axis=-1)[held] + 1e-6)


def test_summary_agrees_with_the_dataset(made: Path, ds: xr.Dataset) -> None:
    """Each number of the summary is the dataset's, in the unit of its name (ft .3048 m, kt 1852/3600 m/s)."""
    told = json.loads(made.with_suffix(".json").read_text())
    assert told["bookings"] == summary(ds)["bookings"]
    assert len(told["bookings"]) == 3
    names = [str(v) for v in ds["booking"].to_numpy()]
    half = [round(float(q), 2) for q in ds["quantile"].to_numpy()].index(0.5)
    days = [str(v) for v in ds["booking_day"].to_numpy()]
    for one in told["bookings"]:
        b = names.index(one["booking"])
        value = float(ds["booking_as_planned"][b])
        assert one["as_planned"] == (None if np.isnan(value) else pytest.approx(value, abs=5e-5))
        assert one["rank"] == (int(ds["booking_rank"][b]) or None)
        for day in one["days"]:
            d = days.index(f"{one['booking']} {day['date']}")
            assert len(day["slots"]) == int(ds["day_slots"][d])
            for s, slot in enumerate(day["slots"]):
                assert slot["start_local"] == str(ds["slot_local"][d, s].item())
                feet = float(ds["density_altitude_quantile"][d, s, half]) / FT
                knots = float(ds["gust_quantile"][d, s, half]) / KT
                if np.isnan(feet):
                    assert slot["density_altitude_median_ft"] is None
                    assert slot["as_planned"] is None
                else:
                    assert slot["density_altitude_median_ft"] == pytest.approx(feet, abs=0.51)
                    assert slot["gust_median_kt"] == pytest.approx(knots, abs=0.051)
                    planned = float(ds["routine_as_planned"][d, s, 0])
                    assert slot["as_planned"] == pytest.approx(planned, abs=5e-5)


def test_a_bookings_chance_is_the_mean_of_its_days(ds: xr.Dataset) -> None:
    """The chance at the slot in discussion, averaged over the show days, is the booking's."""
    july = ds["routine_as_planned"].to_numpy()[[0, 1], ds["day_offered_slot"].to_numpy()[[0, 1]], 0]
    assert float(ds["booking_as_planned"][0]) == pytest.approx(july.mean(), abs=1e-12)
    by_year = ds["booking_as_planned_by_year"].to_numpy()[0]
    assert np.nanmean(by_year) == pytest.approx(july.mean(), abs=1e-9)


def test_nothing_invented_is_unmarked(ds: xr.Dataset) -> None:
    """A venue on invented weather says so; one without a station has no station to name."""
    invented = dict(
        zip(ds["venue"].to_numpy().tolist(), ds["station_invented"].to_numpy().tolist(), strict=True)
    )
    assert invented["bench"] == 1
    assert ds["venue_status"].sel(venue="nowhere").item() != "ok"


# --- Refusals -------------------------------------------------------------------------------------------


def test_another_version_is_refused(ds: xr.Dataset, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of another schema version is refused with both versions and the cure; so is one without any."""
    old = tmp_path / "old.nc"
    with monkeypatch.context() as patch:
        patch.setattr(results, "SCHEMA_VERSION", "0")
        write_results(ds.load().assign_attrs(schema_version="0"), old)
    with pytest.raises(
        StoreError, match=rf"version 0; .* {results.SCHEMA_VERSION}\. Run `showhour forecast`"
    ):
        read_results(old)
    with pytest.raises(StoreError, match="version none"):
        results.check_results(xr.Dataset())


@pytest.mark.parametrize("name", ["booking_as_planned", "figure_change", "sample_gust"])
def test_a_missing_or_misshapen_variable_is_refused(name: str, ds: xr.Dataset) -> None:
    """The first difference from the schema is named."""
    with pytest.raises(StoreError, match=name):
        results.check_results(ds.drop_vars(name))
    turned = ds.drop_vars(name).assign({name: ("elsewhere", np.zeros(3))})
    with pytest.raises(StoreError, match=name):
        results.check_results(turned)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_flipped_byte_is_noticed(made: Path, data: st.DataObject) -> None:
    """Property: a file with any one byte changed, or cut anywhere, is refused; HDF5 alone is blind."""
    content = bytearray(made.read_bytes())
    at = data.draw(st.integers(0, len(content) - 1))
    damaged = made.with_name("damaged.nc")
    if data.draw(st.booleans()):
        content[at] ^= data.draw(st.integers(1, 255))
        damaged.write_bytes(content)
    else:
        damaged.write_bytes(content[:at])
    with pytest.raises(StoreError, match="showhour forecast"):
        read_results(damaged)


def test_a_file_written_to_again_is_checked_again(made: Path, tmp_path: Path) -> None:
    """Held against its checksum once for as long as it stands: read twice, then damaged, it is refused."""
    path = tmp_path / "again.nc"
    content = bytearray(made.read_bytes())
    path.write_bytes(content)
    for _ in range(2):
        read_results(path).close()
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(1, 1))
    with pytest.raises(StoreError, match="checksum"):
        read_results(path)


_TOGETHER = """
import sys, threading
from pathlib import Path
from pipeline.results import read_results

paths = [Path(p) for p in sys.argv[1:]]
failed = []

def read(first):
    try:
        for i in range(6):
            with read_results(paths[(first + i) % 2]) as ds:
                ds.load()
    except BaseException as error:
        failed.append(repr(error))

readers = [threading.Thread(target=read, args=(k,)) for k in range(4)]
for reader in readers:
    reader.start()
for reader in readers:
    reader.join()
sys.exit("; ".join(failed) or 0)
"""


def test_many_may_read_at_once(made: Path, tmp_path: Path) -> None:
    """Two telephones and a desk on one dashboard: threads that open, read and close the same results.

    The netCDF library is not safe in threads and takes the process down: this is one of its own.
    """
    other = tmp_path / "other.nc"
    other.write_bytes(made.read_bytes())
    done = subprocess.run(
        [sys.executable, "-c", _TOGETHER, str(made), str(other)], capture_output=True, text=True, timeout=100
    )
    assert done.returncode == 0, done.stderr[-500:]


# --- Whole or absent ------------------------------------------------------------------------------------


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_write_that_fails_leaves_the_old_file(
    call: str, ds: xr.Dataset, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk at any step: the message says so, the old results stand, and no part is left behind."""
    path = tmp_path / "season.nc"
    write_results(ds.load(), path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, call, full)
    with pytest.raises(StoreError, match="No space left on device"):
        write_results(ds.assign_attrs(season="another"), path)
    monkeypatch.undo()
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_there_are_no_results(tmp_path: Path) -> None:
    """No file: told with its place and the command that makes it."""
    with pytest.raises(StoreError, match="showhour run"):
        read_results(tmp_path / "none.nc")


# --- Words ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (float("nan"), "not enough history"),
        (0.0, "never in the sample"),
        (0.004, "under 1 day in 100"),
        (0.01, "1 day in 100"),
        (0.05, "5 days in 100"),
        (0.3, "3 days in 10"),
        (0.96, "96 days in 100"),
        (0.999, "over 99 days in 100"),
        (1.0, "every day"),
    ],
)
def test_days_in_ten(chance: float, words: str) -> None:
    """A chance in words: 3 days in 10; a small one in days of 100; never "never" for what can happen."""
    assert results.days_in_ten(chance) == words


def test_what_bites() -> None:
    """The cause with the greatest chance, unobserved causes aside; nothing where nothing bites."""
    assert results.what_bites([0.1, 0.4, np.nan], ["heat", "wind", "ceiling"]) == "wind"
    assert results.what_bites([0.0, np.nan], ["heat", "wind"]) == ""
