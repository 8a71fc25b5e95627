"""LCD files: two real ones in two unit systems, against an independent reading and their own pressures."""

from __future__ import annotations

import csv
import io
import json
import re
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from metar.Metar import Metar, ParserError

from pipeline.air.atmosphere import (
    density_altitude,
    station_pressure_from_altimeter,
    station_pressure_from_mslp,
    temperature_12h_mean,
)
from pipeline.air.variables import FT, INHG, KT
from pipeline.errors import SourceError
from pipeline.stations.hours import check_station_hours
from pipeline.stations.lcd import read_lcd
from pipeline.stations.quality import station_elevation
from tests.opendata import open_data

ATLANTA = {"latitude": 33.6301, "longitude": -84.4418, "elevation_m": 308.0}


@pytest.fixture(scope="module")
def lincoln() -> Any:
    return read_lcd(open_data("lcd_lincoln"))


@pytest.fixture(scope="module")
def atlanta() -> Any:
    return read_lcd(open_data("lcd_atlanta"), **ATLANTA)


def raw_reports(name: str) -> tuple[list[tuple[np.datetime64, bool, Metar]], set[np.datetime64]]:
    """Raw METAR and SPECI texts read by the metar library, and the hours of those that it cannot read."""
    found, unread = [], set()
    with open_data(name).open(newline="") as stream:
        reader = csv.reader(stream)
        header = next(reader)
        date, kind, remark = header.index("DATE"), header.index("REPORT_TYPE"), header.index("REM")
        for row in reader:
            if row[kind] not in ("FM-15", "FM-16"):
                continue
            text = re.search(r"(METAR|SPECI) (COR )?[A-Z0-9]{4} \d{6}Z [^$=(]*", row[remark])
            # Both files are of the first months of a year in a zone west of Greenwich.
            local = np.datetime64(row[date], "s")
            zone = np.timedelta64(6 if name == "lcd_lincoln" else 5, "h")
            try:
                assert text is not None
                report = Metar(
                    text.group(0).partition(" RMK")[0].strip(),
                    month=int(row[date][5:7]),
                    year=int(row[date][:4]),
                )
            except (ParserError, AssertionError):
                unread.add(hour_of(local + zone))
                continue
            minute = local.astype("datetime64[m]") + zone
            assert f"{str(minute)[8:10]}{str(minute)[11:13]}{str(minute)[14:16]}Z" in text.group(0)
            found.append((minute.astype("datetime64[s]"), row[kind] == "FM-16", report))
    return found, unread


# Two raw directions that the archive's own column calls VRB.
VARIABLE_IN_THE_ARCHIVE = {
    "lincoln": [],
    "atlanta": ["direction nan METAR KATL 031352Z 32013", "direction nan METAR KATL 211852Z 01007"],
}


def hour_of(utc: np.datetime64) -> np.datetime64:
    return (utc.astype("datetime64[s]") + np.timedelta64(1800, "s")).astype("datetime64[h]")


@pytest.mark.parametrize("name", ["lincoln", "atlanta"])
def test_against_the_raw_reports(name: str, request: pytest.FixtureRequest) -> None:
    """Hour by hour, the nearest raw report as the ``metar`` library reads it: wind, gust, pressure, ceiling.

    Source: the METAR and SPECI texts that NOAA keeps in each line's remarks; the library shares no code with
    the reader. Whole knots, hundredths of an inch of mercury, hundreds of feet. Hours in which the library
    cannot read a text are left out; they are few.
    """
    hours = request.getfixturevalue(name)
    raw, unread = raw_reports(f"lcd_{name}")
    at = {hour: n for n, hour in enumerate(hours["time"].values.astype("datetime64[h]"))}
    by_hour: dict[np.datetime64, list[tuple[float, bool, Metar]]] = {}
    for utc, special, report in raw:
        hour = hour_of(utc)
        by_hour.setdefault(hour, []).append(
            (abs(float((utc - hour) / np.timedelta64(1, "s"))), special, report)
        )
    compared = dict.fromkeys(("wind", "direction", "gust", "pressure", "ceiling", "thunder"), 0)
    wrong: list[str] = []
    for hour, reports in by_hour.items():
        if hour in unread:
            continue
        n = at[hour]
        # On a tie of two special reports the later one speaks.
        reports.sort(key=lambda item: (item[0], item[1], -item[2].time.timestamp()))
        winds = [r for _, _, r in reports if r.wind_speed is not None]
        presses = [r for _, _, r in reports if r.press is not None]
        skies = [r for _, _, r in reports if r.sky]
        if winds:
            first = winds[0]
            knots = float(hours["wind_speed"][n]) / KT
            compared["wind"] += 1
            if round(knots) != first.wind_speed.value("KT"):
                wrong.append(f"wind {knots} {first.code}")
                continue
            if first.wind_dir is not None and knots > 0:
                compared["direction"] += 1
                if float(hours["wind_from_direction"][n]) != first.wind_dir.value():
                    wrong.append(f"direction {float(hours['wind_from_direction'][n])} {first.code[:24]}")
            gust = float(hours["wind_speed_of_gust"][n]) / KT
            said = first.wind_gust.value("KT") if first.wind_gust is not None else np.nan
            if not np.isnan(said) or not np.isnan(gust):
                compared["gust"] += 1
                if round(gust if not np.isnan(gust) else -1) != said:
                    wrong.append(f"gust {gust} {first.code}")
        if presses:
            compared["pressure"] += 1
            if abs(float(hours["altimeter_setting"][n]) - presses[0].press.value("IN") * INHG) > 10.0:
                wrong.append(f"pressure {float(hours['altimeter_setting'][n])} {presses[0].code}")
        if skies:
            layers = [
                h.value("FT")
                for cover, h, _ in skies[0].sky
                if cover in ("BKN", "OVC", "VV") and h is not None
            ]
            expected = min(layers) if layers else np.inf
            found = float(hours["cloud_base_height"][n]) / FT
            compared["ceiling"] += 1
            if not (found == expected or abs(found - expected) < 50.0):
                wrong.append(f"ceiling {found} {skies[0].code}")
        thunder = any("TS" in part for r in (r for *_, r in reports) for w in r.weather for part in w if part)
        compared["thunder"] += int(thunder)
        if float(hours["thunder"][n]) != float(thunder):
            wrong.append(f"thunder {float(hours['thunder'][n])} {[r.code for *_, r in reports]}")
    assert wrong == VARIABLE_IN_THE_ARCHIVE[name]
    assert len(unread) < 0.05 * len(by_hour)
    assert compared["wind"] > 1200
    assert compared["pressure"] > 1200
    assert compared["ceiling"] > 1200
    assert compared["gust"] > 100
    assert compared["thunder"] > 1


@pytest.mark.parametrize("name", ["lincoln", "atlanta"])
def test_three_pressures_give_one_density_altitude(name: str, request: pytest.FixtureRequest) -> None:
    """Altimeter setting and mean sea level pressure, each brought to the station, against station pressure.

    Source: the stations report all three. Altimeter: exact but for rounding to 0.01 inHg (5 ft). Mean sea
    level pressure: the project's bound, bias within ±40 ft and sd at most 15 ft of density altitude. The
    height is the barometer's own, from the pressures.
    """
    hours = request.getfixturevalue(name)
    height = station_elevation(hours).elevation_m
    temperature = hours["air_temperature"].values.astype("float64")
    dew_point = hours["dew_point_temperature"].values.astype("float64")
    truth = density_altitude(hours["surface_air_pressure"].values.astype("float64"), temperature, dew_point)
    by_altimeter = density_altitude(
        station_pressure_from_altimeter(hours["altimeter_setting"].values.astype("float64"), height),
        temperature,
        dew_point,
    )
    error = (by_altimeter - truth) / FT
    assert abs(np.nanmean(error)) < 5.0
    assert np.nanstd(error) < 5.0
    by_sea_level = density_altitude(
        station_pressure_from_mslp(
            hours["air_pressure_at_mean_sea_level"].values.astype("float64"),
            height,
            temperature_12h_mean(temperature),
            plateau=height > 305.0,
        ),
        temperature,
        dew_point,
    )
    error = (by_sea_level - truth) / FT
    assert int((~np.isnan(error)).sum()) > 1000
    assert abs(np.nanmean(error)) < 40.0
    assert np.nanstd(error) < 15.0


def test_units_and_zone_are_told_from_the_file(lincoln: Any, atlanta: Any) -> None:
    """Lincoln is metric in US Central time, Atlanta in US units in US Eastern time; both are UTC here.

    First reports: Lincoln 2023-01-01 00:00 local (06Z synoptic), -2.2 °C; Atlanta 00:52 EST = 05:52Z, 40 °F,
    altimeter 30.03 inHg, 9 mph, wind 280, FEW250.
    """
    assert lincoln["time"].values[0] == np.datetime64("2023-01-01T06:00")
    assert float(lincoln["air_temperature"][0]) == pytest.approx(273.15 - 2.2)
    assert float(lincoln["surface_air_pressure"][0]) == pytest.approx(96_630.0)
    assert atlanta["time"].values[0] == np.datetime64("2020-01-01T06:00")
    assert float(atlanta["air_temperature"][0]) == pytest.approx((40 + 459.67) * 5 / 9)
    assert float(atlanta["altimeter_setting"][0]) == pytest.approx(30.03 * 3386.389)
    assert float(atlanta["wind_speed"][0]) == pytest.approx(9 * 1609.344 / 3600)
    assert float(atlanta["wind_from_direction"][0]) == 280.0
    assert float(atlanta["cloud_base_height"][0]) == np.inf
    assert lincoln.attrs["elevation_m"] == 362.7


def test_every_report_is_accounted_for(lincoln: Any) -> None:
    """1,357 routine, 357 special, 226 synoptic reports (column REPORT_TYPE) are hours or counted as spare."""
    counts = json.loads(lincoln.attrs["counts"])
    hours = int(np.any([~np.isnan(lincoln[v]) for v in lincoln.data_vars], axis=0).sum())
    assert hours + counts["rejected"]["other_report_in_hour"] == 1357 + 357 + 226
    assert set(counts["rejected"]) == {"other_report_in_hour"}


def lcd(*rows: dict[str, str], columns: str = "") -> bytes:
    names = ["STATION", "DATE", "REPORT_TYPE", "HourlyDryBulbTemperature", "HourlyAltimeterSetting"]
    names += ["HourlyStationPressure", "HourlyWindSpeed", "HourlyWindDirection", "HourlyWindGustSpeed"]
    names += ["HourlyVisibility", "HourlySkyConditions", "HourlyPresentWeatherType", "REM", *columns.split()]
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="")
    writer.writeheader()
    for row in rows:
        writer.writerow({"STATION": "72219013874", "REPORT_TYPE": "FM-15", **row})
    return out.getvalue().encode()


RAW = "MET11201/01/20 00:52:02 METAR KATL 010552Z 28008KT 10SM FEW250 04/M02 A3003 RMK AO2"
GOOD = {
    "DATE": "2020-01-01T00:52:00",
    "HourlyDryBulbTemperature": "40",
    "HourlyAltimeterSetting": "30.03",
    "REM": RAW,
}


def test_marks_among_the_numbers() -> None:
    """Marks ``s`` and ``V`` are dropped, ``VRB`` is a variable wind, ``*`` is missing, ``T`` is no number."""
    row = GOOD | {
        "HourlyDryBulbTemperature": "40s",
        "HourlyVisibility": "1.75V",
        "HourlyWindDirection": "VRB",
        "HourlyWindSpeed": "5",
        "HourlyStationPressure": "*",
        "HourlyWindGustSpeed": "T",
    }
    hours = read_lcd(lcd(row), **ATLANTA)
    assert float(hours["air_temperature"][0]) == pytest.approx((40 + 459.67) * 5 / 9)
    assert float(hours["visibility_in_air"][0]) == pytest.approx(1.75 * 1609.344)
    assert float(hours["wind_speed"][0]) == pytest.approx(5 * 1609.344 / 3600)
    assert "wind_from_direction" not in hours
    assert json.loads(hours.attrs["counts"])["rejected"] == {"unreadable:wind_speed_of_gust": 1}


@pytest.mark.parametrize(
    ("sky", "ceiling_ft"),
    [
        ("CLR:00", np.inf),
        ("SCT:04 65 BKN:07 180 OVC:08 250", 18_000.0),
        ("BKN:07 11 BKN:07 23 OVC:08 35", 1_100.0),
        ("VV:09 2", 200.0),
        ("OVC:08", np.nan),
        ("", np.nan),
    ],
)
def test_sky_conditions(sky: str, ceiling_ft: float) -> None:
    """Layers in hundreds of feet in US files; the lowest broken, overcast or obscured one is the ceiling."""
    other = GOOD | {"DATE": "2020-01-01T02:52:00", "HourlySkyConditions": "CLR:00"}
    hours = read_lcd(lcd(GOOD | {"HourlySkyConditions": sky}, other), **ATLANTA, utc_offset_hours=-5.0)
    assert float(hours["cloud_base_height"][0]) / FT == pytest.approx(ceiling_ft, nan_ok=True)


@pytest.mark.parametrize(
    ("weather", "thunder"),
    [
        ("TS:7 -RA:02 BR:1 |RA TS |RA", 1.0),
        ("VCTS:7 ||", 1.0),
        ("||TS", 1.0),
        ("|95 |", 1.0),
        ("||17", 1.0),
        ("-RA:02 BR:1 |s RA s |RA s", 0.0),
        ("UP:09 BR:1 |41 BR |", 0.0),
        ("", 0.0),
    ],
)
def test_present_weather(weather: str, thunder: float) -> None:
    """Forms found in the two real files, and WMO codes 95 (4680) and 17 (4677); empty is no weather."""
    hours = read_lcd(lcd(GOOD | {"HourlyPresentWeatherType": weather}), **ATLANTA)
    assert float(hours["thunder"][0]) == thunder


@pytest.mark.parametrize(
    ("content", "given_", "words"),
    [
        (b"", ATLANTA, "cannot be read as an LCD file"),
        (b"<html></html>", ATLANTA, "web page"),
        (b"a,b\n1,2\n", ATLANTA, "cannot be read as an LCD file|lacks the columns"),
        (lcd(GOOD), {}, "latitude"),
        (lcd(GOOD | {"REM": ""}), ATLANTA, "utc_offset_hours"),
        (lcd(GOOD | {"HourlyAltimeterSetting": ""}), ATLANTA, "'us' or 'metric'"),
        (lcd(GOOD | {"DATE": "yesterday"}), ATLANTA, "readable date"),
        (lcd(GOOD, GOOD | {"STATION": "72551014939"}), ATLANTA, "must hold one station"),
        (lcd(GOOD), ATLANTA | {"station_id": "USW00014939"}, "not USW00014939"),
        (lcd(GOOD | {"REPORT_TYPE": "SOD"}), ATLANTA, "no hourly report|pressures"),
    ],
)
def test_faults_are_named(content: bytes, given_: dict[str, Any], words: str) -> None:
    """Each fault is one SourceError with its cure."""
    with pytest.raises(SourceError, match=words):
        read_lcd(content, **given_)


def test_identifiers_of_one_station_agree() -> None:
    """72219013874 (LCD) and USW00013874 (GHCN) share the WBAN number 13874: the same station."""
    assert read_lcd(lcd(GOOD), **ATLANTA, station_id="USW00013874").attrs["station_id"] == "USW00013874"


CELL = st.one_of(
    st.sampled_from(["", "30.03", "40", "T", "VRB", "9999", "BKN:07 3", "TS:7 |95|"]), st.text(max_size=6)
)

PLACE = "LATITUDE LONGITUDE ELEVATION"


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.lists(st.dictionaries(st.sampled_from([*GOOD, "HourlySkyConditions"]), CELL), max_size=3).map(
            lambda changes: lcd(GOOD, *(GOOD | change for change in changes))
        ),
        st.builds(
            lambda at, junk: lcd(GOOD)[:at] + junk + lcd(GOOD)[at:],
            st.integers(0, 400),
            st.binary(max_size=4),
        ),
        st.tuples(CELL, CELL, CELL).map(
            lambda at: lcd(GOOD | dict(zip(PLACE.split(), at, strict=True)), columns=PLACE)
        ),
    ),
    st.booleans(),
    st.sampled_from([ATLANTA, {}]),
)
@example(lcd(GOOD | {"LATITUDE": "33.6", "LONGITUDE": "362.7", "ELEVATION": "308"}, columns=PLACE), True, {})
def test_any_bytes_give_hours_or_a_clear_error(
    content: bytes, physical: bool, place: dict[str, float]
) -> None:
    """Whatever the bytes, the reader gives station hours that hold the contract, or a SourceError."""
    try:
        hours = read_lcd(content, **place, physical_range=physical)
    except SourceError as refusal:
        message = str(refusal)
    else:
        message = "hours"
        check_station_hours(hours)
    assert message.strip()
