"""GHCNh files: every header generation, the archive's codes, the reduction to hours, and any bytes at all."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.air.variables import KT
from pipeline.errors import SourceError
from pipeline.stations import ghcnh
from pipeline.stations.ghcnh import fetch_ghcnh, fetch_ghcnh_year, read_ghcnh, station_url, year_url
from pipeline.stations.hours import check_station_hours
from pipeline.stations.http import Fetcher
from pipeline.stations.store import Store
from pipeline.stations.years import failures_in_words
from tests.loopback import Answer, Loopback, loopback

SUFFIXES = ("Measurement_Code", "Quality_Code", "Report_Type", "Source_Code", "Source_Station_ID")
ELEMENTS = [
    *("temperature", "dew_point_temperature", "station_level_pressure", "sea_level_pressure"),
    *(
        "wind_direction",
        "wind_speed",
        "wind_gust",
        "precipitation",
        "relative_humidity",
        "wet_bulb_temperature",
    ),
    *(f"pres_wx_{table}{n}" for table in ("MW", "AU", "AW") for n in (1, 2, 3)),
    *("snow_depth", "visibility", "altimeter", "pressure_3hr_change"),
    *(f"sky_cover_{n}" for n in (1, 2, 3)),
    *(f"sky_cover_baseht_{n}" for n in (1, 2, 3)),
    *(f"precipitation_{n}_hour" for n in (3, 6, 9, 12, 15, 18, 21, 24)),
    "remarks",
]
WIDE = [e for e in ELEMENTS if not e.startswith("sky_") and e != "remarks"] + [
    "ceiling_height",
    *(f"sky_cover_{kind}{n}" for kind in ("layer_", "layer_baseht_") for n in range(1, 5)),
    *(f"sky_cover_{kind}{n}" for kind in ("summation_", "summation_baseht_") for n in range(1, 5)),
    "REM",
]
POSITION = {"latitude": "40.8508", "longitude": "-96.7475", "elevation": "362.7"}


def psv(rows: list[dict[str, str]], generation: str = "old", station: str = "USW00014939") -> bytes:
    """A GHCNh file. Rows hold ``time`` and cells by column name; other cells are empty.

    Generations: ``old`` has Station_ID and Year...Minute (238 columns), ``date`` STATION and DATE, ``wide``
    both times and the cloud columns of 2026. Column layouts: GHCNh documentation and the example files in the
    repository of the archive's quality control suite (glamod/glamod_landQC, tests/example_data).
    """
    elements = WIDE if generation == "wide" else ELEMENTS
    head = {
        "old": ["Station_ID", "Station_name", "Year", "Month", "Day", "Hour", "Minute"],
        "date": ["STATION", "Station_name", "DATE"],
        "wide": ["STATION", "Station_name", "DATE", "Year", "Month", "Day", "Hour", "Minute"],
    }[generation]
    place = ["Latitude", "Longitude", "Elevation"]
    columns = [*head, *(place if generation == "old" else [p.upper() for p in place])]
    columns += [name for e in elements for name in (e, *(f"{e}_{suffix}" for suffix in SUFFIXES))]
    lines = ["|".join(columns)]
    for row in rows:
        time = row["time"]
        known = {
            "station_id": station,
            "station": station,
            "station_name": "LINCOLN AP",
            "date": time,
            "year": time[:4],
            "month": time[5:7],
            "day": time[8:10],
            "hour": time[11:13],
            "minute": time[14:16],
            **POSITION,
            **{key.lower(): value for key, value in row.items()},
        }
        lines.append("|".join(known.get(column.lower(), "") for column in columns))
    return ("\n".join(lines) + "\n").encode()


def metar(time: str, kind: str = "FM15", **cells: str) -> dict[str, str]:
    """A report with a temperature and a wind, and whatever else is given."""
    row = {"time": time, "temperature": "21.0", "wind_speed": "5.1", "wind_direction": "170"}
    row |= {"temperature_Report_Type": kind, "wind_speed_Report_Type": kind}
    return row | cells


def counts(hours: object) -> dict[str, int]:
    rejected: dict[str, int] = json.loads(hours.attrs["counts"])["rejected"]  # type: ignore[attr-defined]
    return rejected


@pytest.mark.parametrize("generation", ["old", "date", "wide"])
def test_every_generation_reads_the_same(generation: str) -> None:
    """One report in the three column layouts: SI values by plain arithmetic, position and station."""
    row = metar(
        "2024-07-01T19:54:00",
        dew_point_temperature="12.2",
        station_level_pressure="968.1",
        sea_level_pressure="1009.9",
        altimeter="1011.2",
        wind_gust="11.8",
        visibility="16.093",
    )
    hours = read_ghcnh(psv([row], generation))
    check_station_hours(hours)
    (hour,) = hours["time"].values
    assert hour == np.datetime64("2024-07-01T20:00")
    expected = {
        "air_temperature": 21.0 + 273.15,
        "dew_point_temperature": 12.2 + 273.15,
        "surface_air_pressure": 968.1 * 100,
        "altimeter_setting": 1011.2 * 100,
        "air_pressure_at_mean_sea_level": 1009.9 * 100,
        "wind_from_direction": 170.0,
        "wind_speed": 5.1,
        "wind_speed_of_gust": 11.8,
        "visibility_in_air": 16.093 * 1000,
    }
    for name, value in expected.items():
        assert float(hours[name][0]) == pytest.approx(value, rel=1e-6), name
    assert set(hours.data_vars) == set(expected)
    assert (hours.attrs["station_id"], hours.attrs["station_name"]) == ("USW00014939", "LINCOLN AP")
    assert hours.attrs["latitude"] == 40.8508
    assert hours.attrs["longitude"] == -96.7475
    assert hours.attrs["elevation_m"] == 362.7
    assert (hours.attrs["source"], hours.attrs["invented"]) == ("ghcnh", 0)


def test_a_published_line() -> None:
    """A line of the archive's own example file, AAI0000TNCA 1942-10-09 14:00, in the cells that are read.

    Source: glamod/glamod_landQC, tests/example_data/AAI0000TNCA.mff: 31.3 °C, 23.5 °C, 1009.5 hPa, 135°, no
    speed, 160 km, layers BKN:05, FEW:02, FEW:02 without bases, no weather (00).
    """
    row = {
        "time": "1942-10-09T14:00:00",
        "temperature": "31.3",
        "temperature_Quality_Code": "1",
        "temperature_Report_Type": "SAO",
        "temperature_Source_Code": "223",
        "dew_point_temperature": "23.5",
        "dew_point_temperature_Quality_Code": "1",
        "sea_level_pressure": "1009.5",
        "wind_direction": "135",
        "wind_direction_Measurement_Code": "N",
        "pres_wx_MW1": "00",
        "visibility": "160.0",
        "sky_cover_layer_1": "BKN:05",
        "sky_cover_layer_2": "FEW:02",
        "sky_cover_layer_3": "FEW:02",
        "latitude": "12.5014",
        "longitude": "-70.0152",
        "elevation": "18.3",
    }
    hours = read_ghcnh(psv([row], "wide", station="AAI0000TNCA"))
    assert float(hours["air_temperature"][0]) == pytest.approx(304.45)
    assert float(hours["air_pressure_at_mean_sea_level"][0]) == pytest.approx(100_950.0)
    assert float(hours["visibility_in_air"][0]) == pytest.approx(160_000.0)
    assert "cloud_base_height" not in hours
    assert float(hours["thunder"][0]) == 0.0
    assert hours.attrs["elevation_m"] == 18.3


def test_column_order_and_case_do_not_matter() -> None:
    """Columns are found by name: reversed and in capitals they read the same."""
    content = psv([metar("2024-07-01T19:54:00", wind_gust="11.8")]).decode().splitlines()
    turned = "\n".join("|".join(reversed(line.split("|"))) for line in content)
    header, _, rest = turned.partition("\n")
    again = read_ghcnh(f"{header.upper()}\n{rest}\n".encode())
    assert again.equals(read_ghcnh("\n".join(content).encode()))


def test_synoptic_reports_do_not_take_the_gust_away() -> None:
    """A synoptic report on the hour stands nearer than the METAR of :53, but carries no gust or altimeter.

    The METAR supplies its groups whole; what only the synoptic report has is taken from it.
    """
    rows = [
        metar("2024-07-01T17:53:00", altimeter="1011.0", wind_speed="8.2", wind_gust="14.4"),
        metar(
            "2024-07-01T18:00:00", "FM12", temperature="21.4", wind_speed="7.7", sea_level_pressure="1009.0"
        ),
    ]
    hours = read_ghcnh(psv(rows))
    assert float(hours["wind_speed"][0]) == pytest.approx(8.2)
    assert float(hours["wind_speed_of_gust"][0]) == pytest.approx(14.4)
    assert float(hours["altimeter_setting"][0]) == pytest.approx(101_100.0)
    assert float(hours["air_temperature"][0]) == pytest.approx(21.0 + 273.15)
    assert float(hours["air_pressure_at_mean_sea_level"][0]) == pytest.approx(100_900.0)
    assert counts(hours)["other_report_in_hour"] == 1


def test_wind_is_never_mixed_between_reports() -> None:
    """The nearer special report has a wind without a gust: the routine report's gust is not lent to it."""
    rows = [
        metar("2024-07-01T17:53:00", wind_speed="8.2", wind_gust="14.4", wind_direction="200"),
        metar("2024-07-01T18:02:00", "FM16", wind_speed="4.1", wind_direction="320"),
    ]
    hours = read_ghcnh(psv(rows))
    assert float(hours["wind_speed"][0]) == pytest.approx(4.1)
    assert float(hours["wind_from_direction"][0]) == 320.0
    assert "wind_speed_of_gust" not in hours or np.isnan(hours["wind_speed_of_gust"][0])


def test_routine_beats_special_at_the_same_distance() -> None:
    """Reports 5 minutes before and after the hour: the routine one speaks, whichever comes first."""
    rows = [
        metar("2024-07-01T17:55:00", "FM16", temperature="25.0"),
        metar("2024-07-01T18:05:00", "FM15", temperature="20.0"),
    ]
    assert float(read_ghcnh(psv(rows))["air_temperature"][0]) == pytest.approx(293.15)
    assert float(read_ghcnh(psv(rows[::-1]))["air_temperature"][0]) == pytest.approx(293.15)


@pytest.mark.parametrize(
    ("cells", "direction", "speed"),
    [
        ({"wind_direction": "999", "wind_speed": "2.1"}, np.nan, 2.1),
        ({"wind_direction": "VRB", "wind_speed": "2.1"}, np.nan, 2.1),
        ({"wind_direction": "999", "wind_speed": "0.0"}, 0.0, 0.0),
        ({"wind_direction": "", "wind_speed": "0.0"}, 0.0, 0.0),
        ({"wind_direction": "999", "wind_speed": "", "wind_direction_Measurement_Code": "C-Calm"}, 0.0, 0.0),
        ({"wind_direction": "360", "wind_speed": "5.1"}, 360.0, 5.1),
        ({"wind_direction": "080", "wind_speed": "9999"}, 80.0, np.nan),
    ],
)
def test_calm_and_variable_winds(cells: dict[str, str], direction: float, speed: float) -> None:
    """999 and VRB with a wind are variable (speed kept); a calm is 0 from 0 (GHCNh documentation)."""
    hours = read_ghcnh(psv([metar("2024-07-01T18:00:00", **cells)]))
    found_speed = float(hours["wind_speed"][0]) if "wind_speed" in hours else np.nan
    assert found_speed == pytest.approx(speed, nan_ok=True)
    if not np.isnan(speed):
        held = hours["wind_from_direction"][0] if "wind_from_direction" in hours else np.nan
        assert float(held) == pytest.approx(direction, nan_ok=True)
    assert not any(reason.startswith("unreadable") for reason in counts(hours))


@pytest.mark.parametrize(
    ("code", "source", "verdict"),
    [
        ("", "343", "good"),
        ("1", "335", "good"),
        ("5", "335", "good"),
        ("9", "335", "good"),
        ("2", "335", "suspect"),
        ("6", "343", "suspect"),
        ("3", "335", "wrong"),
        ("7", "343", "wrong"),
        ("3-Erroneous", "335", "wrong"),
        ("A", "335", "good"),
        ("C", "343", "good"),
        ("C", "413", "wrong"),
        ("U", "", "wrong"),
        ("S", "335", "wrong"),
        ("o", "223", "wrong"),
        ("W", "413", "wrong"),
    ],
)
def test_quality_codes(code: str, source: str, verdict: str) -> None:
    """The archive's codes: 3 and 7 erroneous, 2 and 6 suspect, letters failed checks or old edits.

    Source: GHCNh documentation, table 3; digits and letters A, P, I, M, R, U, C as in the Integrated Surface
    Dataset's format document, part 3. The same letter means another thing by source.
    """
    flagged = metar(
        "2024-07-01T18:00:00",
        temperature="55.5",
        temperature_Quality_Code=code,
        temperature_Source_Code=source,
    )
    content = psv([flagged, metar("2024-07-01T19:00:00")])
    kept = read_ghcnh(content)
    strict = read_ghcnh(content, keep_suspect=False)
    ignored = read_ghcnh(content, honour_quality_codes=False)
    assert np.isnan(kept["air_temperature"][0]) == (verdict == "wrong")
    assert np.isnan(strict["air_temperature"][0]) == (verdict != "good")
    assert not np.isnan(ignored["air_temperature"][0])
    assert counts(kept).get("archive_flagged:air_temperature", 0) == (verdict == "wrong")
    assert counts(strict).get("archive_suspect:air_temperature", 0) == (verdict == "suspect")


CLOUDS = [
    ({"sky_cover_1": "CLR:00"}, np.inf),
    ({"sky_cover_1": "FEW:02", "sky_cover_baseht_1": "1000"}, np.inf),
    ({"sky_cover_1": "BKN:07", "sky_cover_baseht_1": "1100"}, 1100.0),
    (
        {
            "sky_cover_1": "SCT:04",
            "sky_cover_baseht_1": "300",
            "sky_cover_2": "OVC:08",
            "sky_cover_baseht_2": "900",
            "sky_cover_3": "BKN:07",
            "sky_cover_baseht_3": "600",
        },
        600.0,
    ),
    ({"sky_cover_1": "VV:09", "sky_cover_baseht_1": "61"}, 61.0),
    ({"sky_cover_1": "X:10"}, np.inf),
    ({"sky_cover_1": "08", "sky_cover_baseht_1": "450"}, 450.0),
    ({"sky_cover_1": "OVC:08", "sky_cover_baseht_1": ""}, np.nan),
    ({"sky_cover_1": "OVC:08", "sky_cover_baseht_1": "450", "sky_cover_baseht_1_Quality_Code": "3"}, np.nan),
    ({}, np.nan),
]


@pytest.mark.parametrize(("cells", "ceiling"), CLOUDS)
def test_ceiling(cells: dict[str, str], ceiling: float) -> None:
    """Ceiling: the lowest broken, overcast or vertical-visibility layer (14 CFR 1.1); clear is no ceiling.

    A ceiling whose base is missing is unknown, never absent.
    """
    hours = read_ghcnh(
        psv([metar("2024-07-01T18:00:00", **cells), metar("2024-07-01T19:00:00", sky_cover_1="CLR:00")])
    )
    assert float(hours["cloud_base_height"][0]) == pytest.approx(ceiling, nan_ok=True)


@pytest.mark.parametrize(
    ("cells", "ceiling"),
    [
        ({"sky_cover_summation_1": "BKN:07;05", "sky_cover_summation_baseht_1": "1500"}, 1500.0),
        ({"sky_cover_summation_1": "FEW:02", "ceiling_height": "22000"}, np.inf),
        ({"ceiling_height": "22000"}, np.inf),
        ({"ceiling_height": "750"}, 750.0),
        ({"ceiling_height": "99999"}, np.nan),
        (
            {"sky_cover_layer_1": "OVC:08", "sky_cover_layer_baseht_1": "240", "ceiling_height": "22000"},
            240.0,
        ),
    ],
)
def test_ceiling_of_the_wide_generation(cells: dict[str, str], ceiling: float) -> None:
    """Layers win over the stated ceiling height; 22000 m there means unlimited (ISD format document, CIG)."""
    rows = [metar("2024-07-01T18:00:00", **cells), metar("2024-07-01T19:00:00", ceiling_height="22000")]
    hours = read_ghcnh(psv(rows, "wide"))
    assert float(hours["cloud_base_height"][0]) == pytest.approx(ceiling, nan_ok=True)


@pytest.mark.parametrize(
    ("cells", "thunder"),
    [
        ({"pres_wx_AU1": "TS:7"}, 1.0),
        ({"pres_wx_AU1": "VCTS:7"}, 1.0),
        ({"pres_wx_AU1": "-RA:02", "pres_wx_AU2": "TS:7"}, 1.0),
        ({"pres_wx_MW1": "TS:95"}, 1.0),
        ({"pres_wx_MW1": "17"}, 1.0),
        ({"pres_wx_MW1": "29"}, 1.0),
        ({"pres_wx_AW1": "96"}, 1.0),
        ({"pres_wx_AW1": "26"}, 1.0),
        ({"pres_wx_AW1": "RA:61"}, 0.0),
        ({"pres_wx_MW1": "26"}, 0.0),
        ({"pres_wx_AU1": "BR:1"}, 0.0),
        ({}, 0.0),
        ({"remarks": "METAR KLNK 011754Z AUTO 17010KT 10SM CLR 21/12 A2986 RMK AO2 TSNO"}, np.nan),
        ({"temperature_Report_Type": "FM12", "wind_speed_Report_Type": "FM12"}, np.nan),
    ],
)
def test_thunder(cells: dict[str, str], thunder: float) -> None:
    """Present-weather codes (WMO-No. 306, tables 4677 and 4680); TSNO: lightning sensor out (FMH-1, 12.7.2).

    Another report of the same year shows that the station reports weather, so that silence means none.
    """
    rows = [metar("2024-07-01T18:00:00", **cells), metar("2024-07-02T18:00:00", pres_wx_AU1="BR:1")]
    hours = read_ghcnh(psv(rows))
    assert float(hours["thunder"][0]) == pytest.approx(thunder, nan_ok=True)


def test_thunder_in_any_report_of_the_hour_counts() -> None:
    """A special report 25 minutes from the hour speaks of thunder, the routine one does not."""
    rows = [
        metar("2024-07-01T17:53:00", pres_wx_AU1="-RA:02"),
        metar("2024-07-01T18:25:00", "FM16", pres_wx_AU1="TS:7"),
    ]
    assert float(read_ghcnh(psv(rows))["thunder"][0]) == 1.0


def test_a_station_that_reports_no_weather_has_no_thunder_variable() -> None:
    """No present-weather code anywhere: thunder is not observed, never 0."""
    assert "thunder" not in read_ghcnh(psv([metar("2024-07-01T18:00:00")]))


def test_bad_lines_and_cells_are_counted() -> None:
    """A short line, a 31 June, a temperature that is no number: each left out and counted by name."""
    content = psv(
        [
            metar("2024-06-31T18:00:00"),
            metar("2024-07-01T18:00:00", temperature="warm"),
            metar("2024-07-01T19:00:00"),
        ]
    )
    hours = read_ghcnh(content + b"USW00014939|LINCOLN AP|2024\n")
    assert counts(hours) == {"malformed_line": 1, "unreadable_time": 1, "unreadable:air_temperature": 1}
    assert hours.sizes["time"] == 2


def test_several_years_make_one_record(tmp_path: Path) -> None:
    """Yearly files, one of them gzip, given together: one grid over the new year, the digest of all bytes."""
    first = psv([metar("2023-12-31T22:53:00")])
    second = gzip.compress(psv([metar("2024-01-01T01:53:00", temperature="-3.0")], "date"))
    (tmp_path / "a.psv").write_bytes(first)
    (tmp_path / "b.psv.gz").write_bytes(second)
    hours = read_ghcnh([tmp_path / "a.psv", str(tmp_path / "b.psv.gz")])
    assert hours.sizes["time"] == 4
    assert float(hours["air_temperature"][-1]) == pytest.approx(270.15)
    assert hours.attrs["raw_sha256"] == read_ghcnh([first, second]).attrs["raw_sha256"]


def test_segments_of_a_large_file_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file read in one piece and in segments, wherever it is cut, gives the same hours and counts."""
    start = np.datetime64("2024-01-01T00:53")
    rows = [
        metar(f"{start + np.timedelta64(n, 'h')}:00", temperature=f"{n % 40}.{n % 10}", wind_gust=str(n % 20))
        for n in range(400)
    ]
    content = psv(rows)
    monkeypatch.setattr(ghcnh, "_SEGMENT", 1 << 40)
    whole = read_ghcnh(content)
    monkeypatch.setattr(ghcnh, "_SEGMENT", 1000)
    monkeypatch.setattr(ghcnh.os, "cpu_count", lambda: 8)
    for segments in (2, 3, 7, 8):
        monkeypatch.setattr(ghcnh, "_MOST_SEGMENTS", segments)
        parted = read_ghcnh(content)
        assert parted.equals(whole)
        assert parted.attrs["counts"] == whole.attrs["counts"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "GHCNh header"),
        (b"<!DOCTYPE html><html></html>", "web page"),
        (b"time_utc,temperature_c\n2024-01-01,3\n", "GHCNh header"),
        (gzip.compress(psv([metar("2024-07-01T18:00:00")]), mtime=0)[:-20], "damaged gzip"),
        (gzip.compress(b"x" * 100, mtime=0)[:15], "damaged gzip"),
        (psv([]), "no readable report"),
        (psv([metar("2024-99-01T18:00:00")]), "no readable report"),
    ],
)
def test_what_is_no_ghcnh_file_is_named(content: bytes, words: str) -> None:
    """Each wrong file ends in one SourceError that says what it looks like."""
    with pytest.raises(SourceError, match=words):
        read_ghcnh(content)


def test_a_cut_gzip_file_is_damaged_not_shorter(tmp_path: Path) -> None:
    """A gzip file cut anywhere past its header is an error, never a shorter record."""
    packed = gzip.compress(psv([metar(f"2024-07-01T{h:02d}:00:00", temperature=f"{h}.5") for h in range(24)]))
    for size in range(20, len(packed), 37):
        (tmp_path / "a.psv.gz").write_bytes(packed[:size])
        with pytest.raises(SourceError):
            read_ghcnh(tmp_path / "a.psv.gz")


def test_another_stations_file_is_refused() -> None:
    """The wrong station, and two stations in one file, are named."""
    content = psv([metar("2024-07-01T18:00:00")])
    with pytest.raises(SourceError, match="USW00014939, not of USW00013874"):
        read_ghcnh(content, station_id="USW00013874")
    with pytest.raises(SourceError, match="must hold one station"):
        read_ghcnh([content, psv([metar("2024-07-01T18:00:00")], station="USW00013874")])


def test_a_missing_elevation_is_asked_for() -> None:
    """−999.9 is the archive's missing elevation: the caller must give one, and it is used."""
    content = psv([metar("2024-07-01T18:00:00", elevation="-999.9")])
    with pytest.raises(SourceError, match="elevation_m"):
        read_ghcnh(content)
    assert read_ghcnh(content, elevation_m=363.0).attrs["elevation_m"] == 363.0


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A path that is not there is a SourceError with the system's word for it."""
    with pytest.raises(SourceError, match="No such file"):
        read_ghcnh(tmp_path / "none.psv")


HEADERS = [psv([], generation).rstrip(b"\n") for generation in ("old", "date", "wide")]
LINE = psv([metar("2024-07-01T18:00:00", pres_wx_AU1="TS:7")]).split(b"\n")[1]


def with_cells(changes: dict[int, bytes]) -> bytes:
    """A good file with some cells of its first line replaced."""
    cells = LINE.split(b"|")
    for place, cell in changes.items():
        cells[place] = cell
    return b"\n".join([HEADERS[0], b"|".join(cells), LINE])


def with_junk(place: int, junk: bytes) -> bytes:
    """A good file with junk put into its first line."""
    return b"\n".join([HEADERS[0], LINE[:place] + junk + LINE[place:], LINE])


@settings(max_examples=1200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.one_of(
        st.binary(max_size=300),
        st.builds(lambda b: gzip.compress(b, mtime=0)[: max(3, len(b))], st.binary(max_size=200)),
        st.builds(
            lambda head, lines: b"\n".join([head, *lines]),
            st.sampled_from(HEADERS),
            st.lists(st.one_of(st.binary(max_size=120), st.just(LINE)), max_size=4),
        ),
        st.builds(
            with_cells,
            st.dictionaries(
                st.integers(0, 237),
                st.one_of(
                    st.sampled_from([b"", b"9999", b"1", b"VRB", b"BKN:07", b"inf"]), st.binary(max_size=4)
                ),
                max_size=6,
            ),
        ),
        st.builds(with_junk, st.integers(0, 300), st.binary(max_size=5)),
    ),
    st.booleans(),
    st.booleans(),
)
@example(b"\x1f\x8b", True, True)
@example(HEADERS[0] + b"\n" + b"|" * 237, True, True)
@example(HEADERS[0] + b"\r\n" + LINE + b"\r\n", True, True)
def test_any_bytes_give_hours_or_a_clear_error(content: bytes, honour: bool, physical: bool) -> None:
    """Whatever the bytes and settings: station hours that hold the contract, or a SourceError."""
    try:
        hours = read_ghcnh(content, honour_quality_codes=honour, physical_range=physical)
    except SourceError as refusal:
        message = str(refusal)
    else:
        message = "hours"
        check_station_hours(hours)
    assert message.strip()


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 119), min_size=1, max_size=30), st.randoms(use_true_random=False))
def test_every_hour_has_the_nearest_report(minutes: list[int], shuffle: object) -> None:
    """Aviation reports at random minutes, shuffled: each hour's temperature is its nearest report's."""
    times = sorted(set(minutes))
    rows = [metar(f"2024-07-01T{10 + m // 60:02d}:{m % 60:02d}:00", temperature=str(m / 10)) for m in times]
    shuffle.shuffle(rows)  # type: ignore[attr-defined]
    hours = read_ghcnh(psv(rows))
    for hour, value in zip(hours["time"].values, hours["air_temperature"].values, strict=True):
        middle = int((hour - np.datetime64("2024-07-01T10:00")) / np.timedelta64(1, "m"))
        near = [m for m in times if -30 <= m - middle < 30]
        if not near:
            assert np.isnan(value)
            continue
        least = min(abs(m - middle) for m in near)
        assert any(
            abs(m - middle) == least and float(value) == pytest.approx(273.15 + m / 10, abs=1e-3)
            for m in near
        )


@pytest.fixture
def site() -> Iterator[Loopback]:
    with loopback() as running:
        yield running


NOW = datetime(2026, 6, 1, tzinfo=UTC)
STATION = "USW00014939"


def quick() -> Fetcher:
    return Fetcher(attempts=2, sleep=lambda _: None, interval_s=0.0, timeout_s=5.0)


def path_of(year: int) -> str:
    return f"/access/by-year/{year}/psv/GHCNh_{STATION}_{year}.psv"


def test_addresses() -> None:
    """Addresses as NOAA NCEI serves the archive; another base address takes its place; no path tricks."""
    base = "https://www.ncei.noaa.gov/oa/global-historical-climatology-network/hourly"
    assert year_url(STATION, 2024) == f"{base}/access/by-year/2024/psv/GHCNh_USW00014939_2024.psv"
    assert station_url(STATION) == f"{base}/access/by-station/GHCNh_USW00014939_por.psv"
    assert (
        station_url(STATION, "http://mirror/x/")
        == "http://mirror/x/access/by-station/GHCNh_USW00014939_por.psv"
    )
    with pytest.raises(SourceError, match="not a GHCNh station identifier"):
        year_url("../../etc", 2024)


def test_a_server_that_only_fails_is_left_for_another_night(site: Loopback, tmp_path: Path) -> None:
    """After three years in a row that fail, the other seventeen are not asked for."""
    for year in range(2006, 2026):
        site.serve(path_of(year), Answer(status=500))
    ended = fetch_ghcnh(
        STATION, range(2006, 2026), Store(tmp_path), fetcher=quick(), now=NOW, base_url=site.address
    )
    assert len(site.requests) == 3 * 2
    assert {got.state for got in ended.values()} == {"failed"}
    assert failures_in_words(ended).endswith("; 2009–2025: not tried after 3 years in a row that failed")


def test_a_year_long_over_becomes_complete(site: Loopback, tmp_path: Path) -> None:
    """Growing when fetched, never changed since: asked for once more when over, and then no more."""
    answer = Answer(psv([metar("2025-07-01T18:00:00")], "date"), headers=(("ETag", '"a"'),))
    site.serve(path_of(2025), answer)
    store = Store(tmp_path)

    def state(now: datetime) -> str:
        fetch_ghcnh(STATION, [2025], store, fetcher=quick(), now=now, base_url=site.address)
        return store.states("ghcnh", STATION)[2025]

    assert state(datetime(2026, 1, 10, tzinfo=UTC)) == "growing"
    assert state(datetime(2026, 6, 1, tzinfo=UTC)) == "complete"
    asked = len(site.requests)
    assert state(datetime(2026, 6, 2, tzinfo=UTC)) == "complete"
    assert len(site.requests) == asked


def test_a_night_with_one_bad_year(site: Loopback, tmp_path: Path) -> None:
    """Good, absent, broken, web page and growing years: each ends in its state; the good ones are stored."""
    site.serve(path_of(2021), Answer(psv([metar("2021-07-01T18:00:00")], "date")))
    site.serve(path_of(2023), Answer(status=500))
    site.serve(path_of(2024), Answer(b"<html>maintenance</html>"))
    site.serve(path_of(2025), Answer(psv([metar("2025-07-01T18:00:00")], "date")))
    site.serve(path_of(2026), Answer(psv([metar("2026-05-01T18:00:00")], "date"), headers=(("ETag", '"a"'),)))
    store = Store(tmp_path)
    ended = fetch_ghcnh(STATION, range(2021, 2027), store, fetcher=quick(), now=NOW, base_url=site.address)
    assert {year: got.state for year, got in ended.items()} == {
        2021: "complete",
        2022: "absent",
        2023: "failed",
        2024: "failed",
        2025: "complete",
        2026: "growing",
    }
    assert "500" in ended[2023].cause
    assert "web page" in ended[2024].cause
    hours = store.read("ghcnh", STATION)
    assert int((~np.isnan(hours["air_temperature"])).sum()) == 3


def test_a_second_run_asks_only_for_what_can_change(site: Loopback, tmp_path: Path) -> None:
    """Complete years make no request, the growing one a conditional one; the stored bytes stay the same."""
    site.serve(path_of(2024), Answer(psv([metar("2024-07-01T18:00:00")], "date")))
    growing = Answer(psv([metar("2026-05-01T18:00:00")], "date"), headers=(("ETag", '"a"'),))
    site.serve(path_of(2026), growing, Answer(status=304))
    store = Store(tmp_path)
    fetch_ghcnh(STATION, (2024, 2026), store, fetcher=quick(), now=NOW, base_url=site.address)
    before = store.path("ghcnh", STATION).read_bytes()
    site.requests.clear()
    site.request_headers.clear()
    ended = fetch_ghcnh(STATION, (2024, 2026), store, fetcher=quick(), now=NOW, base_url=site.address)
    assert site.requests == [f"GET {path_of(2026)}"]
    assert site.request_headers[0]["if-none-match"] == '"a"'
    assert {year: got.state for year, got in ended.items()} == {2026: "unchanged"}
    assert store.path("ghcnh", STATION).read_bytes() == before


def test_good_hours_outlive_a_failure(site: Loopback, tmp_path: Path) -> None:
    """A growing year that fails or vanishes on the next night keeps its hours and its state."""
    site.serve(path_of(2026), Answer(psv([metar("2026-05-01T18:00:00")], "date")), Answer(status=500))
    store = Store(tmp_path)
    fetch_ghcnh(STATION, (2026,), store, fetcher=quick(), now=NOW, base_url=site.address)
    ended = fetch_ghcnh(STATION, (2026,), store, fetcher=quick(), now=NOW, base_url=site.address)
    assert ended[2026].state == "failed"
    site.serve(path_of(2026), Answer(status=404))
    ended = fetch_ghcnh(STATION, (2026,), store, fetcher=quick(), now=NOW, base_url=site.address)
    assert ended[2026].state == "absent"
    assert store.states("ghcnh", STATION) == {2026: "growing"}
    assert float(store.read("ghcnh", STATION)["air_temperature"][0]) == pytest.approx(294.15)


def test_another_stations_file_is_a_failed_year(site: Loopback, tmp_path: Path) -> None:
    """A server that answers with the wrong station's file: failed, named, and nothing left behind."""
    wrong = psv([metar("2024-07-01T18:00:00")], "date", station="USW00013874")
    site.serve(path_of(2024), Answer(wrong))
    got = fetch_ghcnh_year(STATION, 2024, fetcher=quick(), folder=tmp_path, now=NOW, base_url=site.address)
    assert (got.state, got.hours) == ("failed", None)
    assert "USW00013874" in got.cause
    assert list(tmp_path.iterdir()) == []


def test_gusts_keep_their_knots() -> None:
    """Tenths of m/s of whole knots come back to the same knots once rounded: 10 kt is 5.1, 28 kt 14.4."""
    for knots in range(1, 80):
        row = metar("2024-07-01T18:00:00", wind_speed=f"{knots * KT:.1f}")
        assert round(float(read_ghcnh(psv([row]))["wind_speed"][0]) / KT) == knots
