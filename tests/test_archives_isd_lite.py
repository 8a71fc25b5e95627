"""ISD-Lite files: real years of two stations end to end, and every fault by line."""

from __future__ import annotations

import gzip
import json

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.errors import SourceError
from pipeline.stations.hours import check_station_hours
from pipeline.stations.isd_lite import read_isd_lite
from pipeline.stations.quality import quality_control
from tests.opendata import open_data

PLACE = {"station_id": "725300-94846", "latitude": 41.995, "longitude": -87.934, "elevation_m": 201.8}
LINE = b"2015 01 01 01     6  -144 10280 -9999 -9999 -9999     0 -9999\n"


@pytest.mark.parametrize(("name", "elevation"), [("ohare", 201.8), ("shasta", 1077.0)])
def test_three_real_years_end_to_end(name: str, elevation: float) -> None:
    """2015-17, line by line: every cell of the file by plain arithmetic, on a whole hourly grid.

    Source: the NOAA files themselves, read here with ``str.split`` alone.
    """
    files = [open_data(f"isd_lite_{name}_{year}") for year in (2015, 2016, 2017)]
    hours = read_isd_lite(files, **(PLACE | {"elevation_m": elevation}))
    check_station_hours(hours)
    # Shasta's 2015 begins at 01 UTC.
    assert hours.sizes["time"] == (365 + 366 + 365) * 24 - {"ohare": 0, "shasta": 1}[name]
    expected = {
        "air_temperature": (4, 0.1, 273.15),
        "dew_point_temperature": (5, 0.1, 273.15),
        "air_pressure_at_mean_sea_level": (6, 10.0, 0.0),
        "wind_speed": (8, 0.1, 0.0),
    }
    found = {variable: hours[variable].values for variable in (*expected, "wind_from_direction")}
    start = hours["time"].values[0].astype("datetime64[h]").astype("int64")
    kept = dict.fromkeys(found, 0)
    for path in files:
        for line in gzip.decompress(path.read_bytes()).decode().splitlines():
            cells = line.split()
            stamp = np.datetime64(f"{cells[0]}-{cells[1]}-{cells[2]}T{cells[3]}", "h").astype("int64")
            n = int(stamp - start)
            for variable, (column, factor, offset) in expected.items():
                if cells[column] == "-9999":
                    assert np.isnan(found[variable][n])
                else:
                    assert found[variable][n] == pytest.approx(int(cells[column]) * factor + offset, rel=1e-5)
                    kept[variable] += 1
            direction, speed = int(cells[7]), int(cells[8])
            if direction == -9999 or (direction == 0 and speed > 0):
                assert np.isnan(found["wind_from_direction"][n])
            else:
                assert found["wind_from_direction"][n] == (0 if speed == 0 else direction)
                kept["wind_from_direction"] += 1
    assert json.loads(hours.attrs["counts"])["kept"] == kept
    assert quality_control(hours).rejections == ()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "hold no line"),
        (LINE + b"2015 01 01 02     6  -144\n", "line 2"),
        (LINE[:-10] + LINE + LINE, "line 1"),
        (LINE + LINE[:-10] + LINE, "line 2"),
        (LINE + b"2015 01 01 02  warm  -144 10280 -9999 -9999 -9999     0 -9999\n", "line 2.*warm"),
        (LINE + b"2015 02 30 02     6  -144 10280 -9999 -9999 -9999     0 -9999\n", "2015 2 30 2"),
        (LINE + b"2015 01 01 24     6  -144 10280 -9999 -9999 -9999     0 -9999\n", "2015 1 1 24"),
        (b"<html><body>no</body></html>\n", "line 1"),
        (b"\0\1\2\3" * 20, "line 1"),
        (gzip.compress(LINE * 50, mtime=0)[:-9], "damaged gzip"),
    ],
)
def test_faults_are_named_by_line(content: bytes, words: str) -> None:
    """Each fault is one SourceError that names the place."""
    with pytest.raises(SourceError, match=words):
        read_isd_lite(content, **PLACE)


@example(b"1e20", True)
@example(LINE + b"2015 01 01 02 99999999999999999999 -144 10280 -9999 -9999 -9999 0 -9999\n", True)
@settings(max_examples=1200, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.builds(
            lambda at, junk: LINE[:at] + junk + LINE[at:] + LINE, st.integers(0, 62), st.binary(max_size=4)
        ),
        st.builds(lambda to, at: LINE[:to] + LINE[at:] + LINE, st.integers(0, 62), st.integers(0, 62)),
        st.lists(st.integers(-99_999, 99_999), min_size=12, max_size=24).map(
            lambda cells: LINE + " ".join(map(str, cells)).encode()
        ),
    ),
    st.booleans(),
)
def test_any_bytes_give_hours_or_a_clear_error(content: bytes, physical: bool) -> None:
    """Whatever the bytes, the reader gives station hours that hold the contract, or a SourceError."""
    try:
        hours = read_isd_lite(content, **PLACE, physical_range=physical)
    except SourceError as refusal:
        message = str(refusal)
    else:
        message = "hours"
        check_station_hours(hours)
    assert message.strip()
