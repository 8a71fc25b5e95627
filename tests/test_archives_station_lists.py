"""Station lists, stations near a venue, and filling hours from several stations in order."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from pipeline.air.variables import NM
from pipeline.errors import SourceError
from pipeline.stations.station_lists import (
    MAY_HOLD,
    ListedStation,
    candidates_near,
    read_ghcnh_inventory,
    read_ghcnh_stations,
    read_isd_history,
)
from tests.opendata import open_data_file

GHCNH = (
    b"GHCN_ID,LATITUDE,LONGITUDE,ELEVATION,STATE,NAME,GSN,(US)HCN_(US)CRN,WMO_ID,ICAO,ISO_CODE\n"
    b"ACM00078861,17.1167,-61.7833,10.0,,COOLIDGE FIELD   ANTIGUA (AUX.,,,78861,,AG\n"
    b"AOM00066116,-5.8667,13.4333,-999.9,,NOQUI,,,66116,,AO\n"
    b"UPM00033732,48.5,34.6,9999.0,,DNEPRODZERJINSK,,,33732,,UA\n"
    b"USW00026451,61.1744,-149.9964,40.2,AK,ANCHORAGE INTL AP,,,70273,PANC,US\n"
)
"""Lines of NOAA's ``ghcnh-station-list.csv``, as open-source test suites quote them."""


def isd_history() -> Path:
    return open_data_file(
        "noaa-weather-hourly",
        "1.0.3",
        "noaa_weather_hourly/data/isd-history.csv",
        sha256="e35d2ba00989a1fdc5d2cc03e42405679e6419db31ae0a336ab933b616d078ef",
    )


def test_ghcnh_list() -> None:
    """Positions, names and ICAO codes; −999.9 and 9999 are unknown heights (GHCNh documentation)."""
    antigua, noqui, dnepr, anchorage = read_ghcnh_stations(GHCNH)
    assert (antigua.station_id, antigua.latitude, antigua.elevation_m) == ("ACM00078861", 17.1167, 10.0)
    assert np.isnan(noqui.elevation_m)
    assert np.isnan(dnepr.elevation_m)
    assert (anchorage.icao, anchorage.name) == ("PANC", "ANCHORAGE INTL AP")
    assert read_ghcnh_stations(GHCNH.partition(b"\n")[2])[3] == anchorage


def test_ghcnh_inventory(tmp_path: Path) -> None:
    """Years with any report; a year of zeros does not count; other stations' lines are passed over."""
    (tmp_path / "inventory.txt").write_text(
        "GHCNh_ID YEAR JAN FEB MAR APR MAY JUN JUL AUG SEP OCT NOV DEC\n"
        "ACM00078861 1999 0 0 0 0 0 0 0 0 0 0 0 0\n"
        "ACM00078861 2001 5 0 0 0 0 0 0 0 0 0 0 0\n"
        "ACM00078861 2004 700 700 0 0 0 0 0 0 0 0 0 1\n"
        "ZZZ00000000 1950 nonsense\n"
    )
    antigua, noqui, *_ = read_ghcnh_inventory(tmp_path / "inventory.txt", read_ghcnh_stations(GHCNH))
    assert (antigua.first_year, antigua.last_year, antigua.years) == (2001, 2004, 2)
    assert (noqui.first_year, noqui.years) == (None, None)


@pytest.mark.parametrize(
    "line", ["ACM00078861 2001 5", "ACM000788612001 5" + " 0" * 13, "ACM00078861 2001 x" + " 0" * 11]
)
def test_a_fault_of_the_inventory_is_named_by_its_line(tmp_path: Path, line: str) -> None:
    """Too few counts, an identifier run into the year, a count that is none."""
    (tmp_path / "inventory.txt").write_text(f"GHCNh_ID YEAR\n{line}\n")
    with pytest.raises(SourceError, match="line 2"):
        read_ghcnh_inventory(tmp_path / "inventory.txt", read_ghcnh_stations(GHCNH))


def test_isd_history_near_lincoln() -> None:
    """The real list of some 11,600 stations: Lincoln airport's own is nearest to the LCD file's position.

    Source: NOAA ``isd-history.csv``, which puts 725510-14939 at 40.85 N, 96.76 W to three decimals.
    """
    stations = read_isd_history(isd_history())
    assert len(stations) > 11_000
    found = candidates_near(stations, 40.8508, -96.7475, 362.7, years=(2005, 2024))
    assert found[0].station.station_id == "725510-14939"
    assert found[0].distance_m < 1.0 * NM
    assert found[0].elevation_difference_m == pytest.approx(found[0].station.elevation_m - 362.7)
    assert [c.distance_m for c in found] == sorted(c.distance_m for c in found)
    assert all(c.station.last_year is not None and c.station.last_year >= 2005 for c in found)
    assert all(c.may_hold == MAY_HOLD["isd_lite"] for c in found)


def test_distance_is_the_great_circle() -> None:
    """33°57'N 118°24'W to 40°38'N 73°47'W is 2,144 NM on a sphere of 60 NM a degree (aviation formulary).

    That sphere's radius is 10800/π NM; ours is the mean Earth's, 6,371.0088 km.
    """
    far = ListedStation("ghcnh", "X", "far", 40 + 38 / 60, -(73 + 47 / 60), 4.0)
    (found,) = candidates_near([far], 33 + 57 / 60, -(118 + 24 / 60), 38.0, within_m=3000 * NM)
    assert found.distance_m / 6_371_008.8 * (10_800 / np.pi) == pytest.approx(2144, abs=0.5)


@pytest.mark.parametrize(
    ("read", "content"),
    [
        (read_ghcnh_stations, b""),
        (read_ghcnh_stations, b"<html></html>"),
        (read_ghcnh_stations, b"\0\0\0"),
        (read_isd_history, b"GHCN_ID,LATITUDE\n"),
        (read_isd_history, b"USAF,WBAN\n1,2\n"),
    ],
)
def test_what_is_no_list_is_named(read: object, content: bytes) -> None:
    """Each wrong list is one SourceError."""
    with pytest.raises(SourceError):
        read(content)  # type: ignore[operator]


def hours(first: str, **columns: list[float]) -> xr.Dataset:
    size = len(next(iter(columns.values())))
    time = np.datetime64(first, "ns") + np.arange(size) * np.timedelta64(1, "h")
    return xr.Dataset(
        {name: ("time", np.array(cells, dtype="float32")) for name, cells in columns.items()}, {"time": time}
    )
