"""The store: round trips, merges, whole-or-absent writes, and damage noticed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from pipeline.air.variables import STATION_VARIABLES
from pipeline.errors import StoreError
from pipeline.stations.hours import check_station_hours, station_hours
from pipeline.stations.store import Store, cache_root

ROOT = Path(__file__).resolve().parent.parent


def hours(
    start: str,
    count: int,
    *,
    station_id: str = "KTST",
    temperature: float = 280.0,
    raw: str = "a",
    seed: int = 0,
    rejected: dict[str, int] | None = None,
    retrieved_at: str = "2026-01-01T00:00:00+00:00",
) -> xr.Dataset:
    """A synthetic stretch with gaps, an infinite ceiling, and rounding that float32 must keep."""
    rng = np.random.default_rng(seed)
    wind = np.round(rng.uniform(0.5, 15.0, count), 1)
    wind[rng.random(count) < 0.1] = np.nan
    return station_hours(
        np.datetime64(start, "s") + np.arange(count) * np.timedelta64(3600, "s"),
        {
            "air_temperature": temperature + np.round(rng.normal(0.0, 5.0, count), 1),
            "wind_speed": wind,
            "cloud_base_height": np.where(rng.random(count) < 0.5, np.inf, 900.0),
        },
        station_id=station_id,
        station_name="Test Field",
        source="csv",
        latitude=40.0,
        longitude=-100.0,
        elevation_m=1000.0,
        licence="none",
        attribution="nobody",
        raw_sha256=raw * 64,
        retrieved_at=retrieved_at,
        rejected=rejected,
    )


def test_round_trip_is_exact(tmp_path: Path) -> None:
    """What is read equals what was merged: values bit for bit, attributes, NaN and inf."""
    store = Store(tmp_path)
    given_ = hours("2024-01-01", 2000)
    assert store.merge(given_, {2024: "growing"})
    got = store.read("csv", "KTST")
    xr.testing.assert_identical(got, given_)
    check_station_hours(got)
    assert store.states("csv", "KTST") == {2024: "growing"}


def test_other_readers_can_open_the_file(tmp_path: Path) -> None:
    """The file is plain CF netCDF: xarray decodes the same times and values on its own."""
    store = Store(tmp_path)
    given_ = hours("2024-01-01", 500)
    store.merge(given_, {2024: "growing"})
    with xr.open_dataset(store.path("csv", "KTST")) as opened:
        np.testing.assert_array_equal(opened["time"].values, given_["time"].values)
        for name in given_.data_vars:
            np.testing.assert_array_equal(opened[name].values, given_[name].values)
            assert opened[name].attrs["units"] == STATION_VARIABLES[str(name)].units


def test_part_reads_equal_the_part_of_the_whole(tmp_path: Path) -> None:
    """Variables and time bounds (both included) select what indexing the whole selects."""
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 2000), {2024: "growing"})
    whole = store.read("csv", "KTST")
    part = store.read("csv", "KTST", ["wind_speed"], "2024-01-05T06", np.datetime64("2024-01-09T18:30"))
    xr.testing.assert_identical(
        part, whole[["wind_speed"]].sel(time=slice("2024-01-05T06:00", "2024-01-09T18:30"))
    )
    aware = datetime(2024, 1, 5, 6, 1, tzinfo=UTC)
    assert store.read("csv", "KTST", start=aware)["time"].values[0] == np.datetime64("2024-01-05T07")
    # A variable of the glossary that this station lacks is left out; one that nobody has is a fault.
    assert set(store.read("csv", "KTST", ["wind_speed", "thunder"]).data_vars) == {"wind_speed"}
    with pytest.raises(ValueError, match="glossary"):
        store.read("csv", "KTST", ["windspeed"])
    with pytest.raises(StoreError, match="record runs from 2024-01-01T00"):
        store.read("csv", "KTST", start="2031-01-01")


def test_merge_joins_years_and_sums_provenance(tmp_path: Path) -> None:
    """Two years fetched apart become one gapless record; counts add up; a refetched year counts once."""
    store = Store(tmp_path)
    first = hours("2022-12-31T12", 24, raw="a", rejected={"flag": 2})
    second = hours("2024-01-01", 48, raw="b", rejected={"flag": 3}, retrieved_at="2026-02-01T00:00:00+00:00")
    store.merge(second, {2024: "growing"})
    store.merge(first, {2022: "complete"})
    got = store.read("csv", "KTST")
    check_station_hours(got)
    assert got["time"].values[0] == np.datetime64("2022-12-31T12")
    assert got["time"].values[-1] == np.datetime64("2024-01-02T23")
    xr.testing.assert_equal(got.sel(time=first["time"]), first)
    xr.testing.assert_equal(got.sel(time=second["time"]), second)
    assert np.isnan(got["air_temperature"].sel(time=slice("2023-01-02", "2023-12-31"))).all()
    counts = json.loads(got.attrs["counts"])
    assert counts["rejected"] == {"flag": 5}
    assert counts["kept"]["air_temperature"] == 72
    assert got.attrs["retrieved_at"] == "2026-02-01T00:00:00+00:00"
    again = hours("2024-01-01", 72, raw="c", rejected={"flag": 4}, retrieved_at="2026-03-01T00:00:00+00:00")
    store.merge(again, {2024: "complete"})
    assert json.loads(store.read("csv", "KTST").attrs["counts"])["rejected"] == {"flag": 6}
    assert store.states("csv", "KTST") == {2022: "complete", 2024: "complete"}


def test_merge_order_does_not_matter(tmp_path: Path) -> None:
    """Three disjoint years give the same record, provenance included, in any order."""
    years = {y: hours(f"{y}-06-01", 30, raw=str(y - 2020), seed=y) for y in (2021, 2022, 2023)}
    records = []
    for n, order in enumerate(((2021, 2022, 2023), (2023, 2021, 2022))):
        store = Store(tmp_path / str(n))
        for year in order:
            store.merge(years[year], {year: "complete"})
        records.append(store.read("csv", "KTST"))
    xr.testing.assert_identical(*records)


def test_hours_without_values_never_replace_hours(tmp_path: Path) -> None:
    """An hour with a value replaces the stored hour whole; an empty hour leaves it; replace forgets."""
    store = Store(tmp_path)
    old = hours("2024-01-01", 4)
    store.merge(old, {2024: "growing"})
    new = old.copy(deep=True)
    for name in new.data_vars:
        new[name][:] = np.nan
    new["air_temperature"][1] = 290.0
    store.merge(new, {2024: "growing"})
    got = store.read("csv", "KTST")
    xr.testing.assert_equal(got.isel(time=[0, 2, 3]), old.isel(time=[0, 2, 3]))
    assert float(got["air_temperature"][1]) == 290.0
    # The new hour has no wind, so it has none now: values of two reports are not mixed.
    assert np.isnan(got["wind_speed"][1])
    assert np.isnan(got["cloud_base_height"][1])
    short = hours("2024-01-01T02", 1)
    assert store.merge(short, {2024: "complete"}, replace=True)
    xr.testing.assert_identical(store.read("csv", "KTST"), short)


def test_states_of_years_without_hours(tmp_path: Path) -> None:
    """Absent and failed are kept, never over a year with hours, and absent is not turned into failed."""
    store = Store(tmp_path)
    assert store.states("csv", "KTST") == {}
    assert store.mark("csv", "KTST", {2020: "absent", 2021: "failed"})
    assert not store.mark("csv", "KTST", {2020: "failed"})
    with pytest.raises(StoreError, match="no hours"):
        store.read("csv", "KTST")
    store.merge(hours("2021-01-01", 5), {2021: "complete"})
    assert not store.mark("csv", "KTST", {2021: "failed"})
    assert not store.mark("csv", "KTST", {2021: "absent"})
    assert store.states("csv", "KTST") == {2020: "absent", 2021: "complete"}
    with pytest.raises(ValueError, match="mark"):
        store.merge(hours("2021-01-01", 5), {2021: "absent"})
    with pytest.raises(ValueError, match="absent or failed"):
        store.mark("csv", "KTST", {2021: "complete"})


def test_merging_the_same_again_leaves_the_file_alone(tmp_path: Path) -> None:
    """Same hours at a later retrieval time: the same bytes and the same inode."""
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 300), {2024: "complete"})
    path = store.path("csv", "KTST")
    before, inode = path.read_bytes(), path.stat().st_ino
    assert not store.merge(
        hours("2024-01-01", 300, retrieved_at="2026-05-05T00:00:00+00:00"), {2024: "complete"}
    )
    assert (path.read_bytes(), path.stat().st_ino) == (before, inode)
    assert store.merge(hours("2024-01-01", 300), {2024: "growing"})


def test_list_names_every_station(tmp_path: Path) -> None:
    """Stations are listed by source and identifier, odd identifiers unharmed."""
    store = Store(tmp_path)
    assert store.list() == []
    for name in ("KTST", "../odd id", "ktst"):
        store.merge(hours("2024-01-01", 3, station_id=name), {2024: "complete"})
    listed = store.list()
    assert [one.station_id for one in listed] == ["../odd id", "KTST", "ktst"]
    assert all(one.path.is_relative_to(tmp_path) and one.states == {2024: "complete"} for one in listed)


@given(st.sets(st.text(min_size=1, max_size=60), min_size=2, max_size=6))
def test_paths_are_safe_and_distinct(identifiers: set[str]) -> None:
    """Any identifiers: inside the folder, plain names, and no two alike even when case is ignored."""
    store = Store(Path("/root-of-store"))
    paths = [store.path("csv", one) for one in identifiers]
    folder = store.root / "csv"
    assert all(p.parent == folder and p.suffix == ".nc" for p in paths)
    assert all(
        set(p.stem) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-") for p in paths
    )
    assert len({str(p).lower() for p in paths}) == len(identifiers)


@pytest.mark.parametrize(("source", "station_id"), [("../csv", "A"), ("CSV", "A"), ("", "A"), ("csv", "")])
def test_bad_names_are_refused(source: str, station_id: str) -> None:
    """A source that is no plain word, an empty identifier."""
    with pytest.raises(ValueError, match=r"source|station_id"):
        Store("x").path(source, station_id)


def test_flipped_bits_never_read_as_other_hours(tmp_path: Path) -> None:
    """A bit flipped anywhere either changes nothing that is read, or raises with the file and the cure.

    HDF5 notices few of them by itself; the checksums must. 150 seeded places over the whole file.
    """
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 4000), {2024: "growing"})
    path = store.path("csv", "KTST")
    whole, good = path.read_bytes(), store.read("csv", "KTST")
    rng = np.random.default_rng(3)
    told: list[str] = []
    for place, bit in zip(rng.integers(0, len(whole), 150), rng.integers(0, 8, 150), strict=True):
        flipped = bytearray(whole)
        flipped[place] ^= 1 << int(bit)
        path.write_bytes(flipped)
        try:
            same = store.read("csv", "KTST").identical(good)
        except StoreError as error:
            told.append(str(error))
        else:
            assert same, f"bit {bit} of byte {place} went unnoticed"
    assert len(told) > 75
    assert all(str(path) in one and "Run `showhour fetch`" in one for one in told)


def tampered(path: Path, *, variable: str = "", attribute: str = "") -> None:
    """Write the file anew, by the library alone, with one value or one attribute changed."""
    import netCDF4

    with netCDF4.Dataset("old.nc", memory=path.read_bytes()) as old, netCDF4.Dataset(path, "w") as new:
        old.set_auto_maskandscale(False)
        for name in old.ncattrs():
            value = old.getncattr(name)
            if name == attribute:
                value = value + "x" if isinstance(value, str) else value + 1
            new.setncattr(name, value)
        new.createDimension("time", len(old.dimensions["time"]))
        for name, source in old.variables.items():
            values = source[:]
            if name == variable:
                values[7] = 281.0
            copy = new.createVariable(name, source.dtype, ("time",))
            copy.setncatts({k: source.getncattr(k) for k in source.ncattrs() if k != "_FillValue"})
            copy[:] = values


def test_a_rewritten_file_is_accepted(tmp_path: Path) -> None:
    """Written anew without a change, the file reads the same: the checksums bind the content."""
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 40), {2024: "growing"})
    good = store.read("csv", "KTST")
    tampered(store.path("csv", "KTST"))
    xr.testing.assert_identical(store.read("csv", "KTST"), good)


@pytest.mark.parametrize("name", ["air_temperature", "wind_speed", "cloud_base_height"])
def test_a_changed_value_is_noticed(tmp_path: Path, name: str) -> None:
    """A value changed by a program that knows nothing of the checksums is refused where it is read."""
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 40), {2024: "growing"})
    tampered(store.path("csv", "KTST"), variable=name)
    with pytest.raises(StoreError, match=rf"damaged .*{name}"):
        store.read("csv", "KTST")
    other = "wind_speed" if name != "wind_speed" else "air_temperature"
    assert store.read("csv", "KTST", [other]).sizes["time"] == 40


@pytest.mark.parametrize("attribute", ["elevation_m", "year_states", "first_hour", "counts"])
def test_a_changed_description_is_noticed(tmp_path: Path, attribute: str) -> None:
    """An attribute changed behind the store's back is refused."""
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 40), {2024: "growing"})
    tampered(store.path("csv", "KTST"), attribute=attribute)
    with pytest.raises(StoreError, match="damaged"):
        store.states("csv", "KTST")


def test_truncated_file_is_set_aside_and_replaced(tmp_path: Path) -> None:
    """A truncated file raises on read and merge; set aside, it is kept beside, and fetching starts anew."""
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 400), {2024: "growing"})
    path = store.path("csv", "KTST")
    cut = path.read_bytes()[:-1]
    path.write_bytes(cut)
    for use in (
        lambda: store.read("csv", "KTST"),
        lambda: store.merge(hours("2024-01-01", 4), {2024: "growing"}),
        store.list,
    ):
        with pytest.raises(StoreError, match="damaged"):
            use()
    assert path.read_bytes() == cut
    aside = store.set_aside("csv", "KTST")
    assert aside is not None
    assert aside.read_bytes() == cut
    assert store.states("csv", "KTST") == {}
    assert store.list() == []
    assert store.merge(hours("2024-01-01", 4), {2024: "growing"})
    assert store.set_aside("csv", "NONE") is None


MERGER = """
import sys
import numpy as np
from test_stations_store import Store, hours
store = Store(sys.argv[1])
for year in map(int, sys.argv[2:]):
    store.merge(hours(f"{year}-03-01", 50, seed=year), {year: "complete"})
"""


def child(code: str, *arguments: str) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])}
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments], env=environment, stderr=subprocess.PIPE, text=True
    )


def test_two_processes_lose_nothing(tmp_path: Path) -> None:
    """Two processes merge eight years each into one station at once: all sixteen are there, exactly."""
    even, odd = range(2000, 2016, 2), range(2001, 2016, 2)
    running = [child(MERGER, str(tmp_path), *map(str, years)) for years in (even, odd)]
    for process in running:
        _, said = process.communicate(timeout=120)
        assert process.returncode == 0, said
    store = Store(tmp_path)
    assert store.states("csv", "KTST") == dict.fromkeys(range(2000, 2016), "complete")
    got = store.read("csv", "KTST")
    for year in range(2000, 2016):
        want = hours(f"{year}-03-01", 50, seed=year)
        xr.testing.assert_equal(got.sel(time=want["time"]), want)


LIMITED = """
import os, resource, signal, sys
from pathlib import Path
import numpy as np, netCDF4, xarray
from test_stations_store import Store, StoreError, hours
root, killed, sizes = sys.argv[1], sys.argv[2] == "killed", [int(s) for s in sys.argv[3:]]
new = hours("2025-01-01", 800, seed=9)
for size in sizes:
    pid = os.fork()
    if pid == 0:
        if killed:
            signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
        try:
            Store(root).merge(new, {2025: "growing"})
        except StoreError as error:
            os._exit(7 if "can't be written" in str(error) and "untouched" in str(error) else 8)
        os._exit(0)
    status = os.waitpid(pid, 0)[1]
    want = signal.SIGXFSZ if killed else 7 << 8
    assert status in (want, 0), (size, status)
    if status == 0:
        sys.exit(f"{size} bytes were enough")
    Store(root).read("csv", "KTST")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs RLIMIT_FSIZE")
@pytest.mark.parametrize("end", ["killed", "disk full"])
def test_a_write_cut_at_any_byte_leaves_the_old_file(tmp_path: Path, end: str) -> None:
    """Cut off at 40 sizes, by a kill or by a full disk, a merge leaves the old bytes; leftovers are swept."""
    store = Store(tmp_path)
    store.merge(hours("2024-01-01", 400), {2024: "growing"})
    path = store.path("csv", "KTST")
    before = path.read_bytes()
    sizes = [str(s) for s in np.linspace(1, len(before) - 1, 40, dtype=int)]
    process = child(LIMITED, str(tmp_path), end, *sizes)
    _, said = process.communicate(timeout=200)
    assert process.returncode == 0, said
    assert path.read_bytes() == before
    leftovers = list(path.parent.glob(".*.tmp"))
    assert bool(leftovers) == (end == "killed")
    store.merge(hours("2025-01-01", 800, seed=9), {2025: "growing"})
    assert not list(path.parent.glob(".*.tmp"))
    assert store.states("csv", "KTST") == {2024: "growing", 2025: "growing"}
    # The lock file is never unlinked: a waiter would hold another inode than a newcomer.
    assert path.with_name(path.name + ".lock").exists()


def test_unwritable_folder_is_named(tmp_path: Path) -> None:
    """A cache that is a file, not a folder, raises with the folder and the variable that moves it."""
    (tmp_path / "stations").write_text("in the way")
    with pytest.raises(StoreError, match="SHOWHOUR_CACHE"):
        Store(tmp_path).merge(hours("2024-01-01", 4), {2024: "growing"})


def test_cache_root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The variable wins; else the checkout's cache folder."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path))
    assert cache_root() == tmp_path
    assert Store().root == tmp_path / "stations"
    monkeypatch.delenv("SHOWHOUR_CACHE")
    assert cache_root() == ROOT / "cache"


def test_reading_imports_neither_pandas_readers_nor_the_network() -> None:
    """The store's module loads without xarray, netCDF4 and meteostat; they come with the first use."""
    code = (
        "import sys, pipeline.stations.store, pipeline.stations.hours, pipeline.stations.archives\n"
        "import pipeline.stations.meteostat\n"
        "loaded = {'xarray', 'pandas', 'netCDF4', 'meteostat', 'filelock'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {loaded}' if loaded else 0)"
    )
    process = child(code)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
