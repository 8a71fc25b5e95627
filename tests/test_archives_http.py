"""Fetching: every ending of a download has a state and a named cause, and no ending loses good data."""

from __future__ import annotations

import gzip
import resource
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import StoreError
from pipeline.stations.http import Fetcher, Validators, read_validators, write_validators
from tests.loopback import Answer, Loopback, loopback

BODY = b"station|date\n" + b"x|2024-01-01T00:00:00\n" * 400
VERSION = (("ETag", '"v1"'), ("Last-Modified", "Mon, 01 Jan 2024 00:00:00 GMT"))


@pytest.fixture
def site() -> Iterator[Loopback]:
    with loopback() as running:
        yield running


class Clock:
    """Time that passes only in sleeps."""

    def __init__(self) -> None:
        self.now = 0.0
        self.slept: list[float] = []

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds

    def __call__(self) -> float:
        return self.now


def patient(clock: Clock, **changes: object) -> Fetcher:
    settings: dict[str, object] = {
        "sleep": clock.sleep,
        "clock": clock,
        "jitter": lambda: 0.0,
        "timeout_s": 5.0,
    }
    return Fetcher(**(settings | {"interval_s": 0.0} | changes))  # type: ignore[arg-type]


def leftovers(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_whole_file_lands_in_its_place(site: Loopback, tmp_path: Path) -> None:
    """200 with a body gives ``new``, the exact bytes, the server's validators, and nothing else on disk."""
    site.serve("/a.psv", Answer(BODY, headers=VERSION))
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, got.attempts, got.size) == ("new", 1, len(BODY))
    assert got.validators == Validators('"v1"', "Mon, 01 Jan 2024 00:00:00 GMT")
    assert (tmp_path / "a.psv").read_bytes() == BODY
    assert leftovers(tmp_path) == ["a.psv"]


def test_conditional_request_and_304(site: Loopback, tmp_path: Path) -> None:
    """Validators go out as If-None-Match and If-Modified-Since; 304 is ``unchanged`` (RFC 9110, 13)."""
    site.serve("/a.psv", Answer(status=304))
    known = Validators('"v1"', "Mon, 01 Jan 2024 00:00:00 GMT")
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv", validators=known)
    assert got.state == "unchanged"
    assert site.request_headers[0]["if-none-match"] == '"v1"'
    assert site.request_headers[0]["if-modified-since"] == "Mon, 01 Jan 2024 00:00:00 GMT"
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize("status", [404, 410])
def test_no_such_file_is_absent_at_once(site: Loopback, tmp_path: Path, status: int) -> None:
    """404 and 410 are ``absent`` after one request: asking again would be impolite and useless."""
    site.serve("/a.psv", Answer(status=status))
    clock = Clock()
    got = patient(clock).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, len(site.requests), clock.slept) == ("absent", 1, [])


def test_forbidden_is_failed_at_once(site: Loopback, tmp_path: Path) -> None:
    """403 does not mend itself: ``failed`` after one request, with its name."""
    site.serve("/a.psv", Answer(status=403))
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, len(site.requests)) == ("failed", 1)
    assert "403" in got.cause


def test_server_errors_are_tried_again_with_doubling_waits(site: Loopback, tmp_path: Path) -> None:
    """500, 502, 503, then the file: waits of 1, 2 and 4 s (jitter held at 0)."""
    site.serve("/a.psv", Answer(status=500), Answer(status=502), Answer(status=503), Answer(BODY))
    clock = Clock()
    got = patient(clock).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, got.attempts) == ("new", 4)
    assert clock.slept == [1.0, 2.0, 4.0]


def test_jitter_lengthens_a_wait_by_up_to_a_half(site: Loopback, tmp_path: Path) -> None:
    """Jitter 1 makes the first wait 1.5 s."""
    site.serve("/a.psv", Answer(status=500), Answer(BODY))
    clock = Clock()
    patient(clock, jitter=lambda: 1.0).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert clock.slept == [1.5]


def test_a_server_that_stays_broken_is_failed(site: Loopback, tmp_path: Path) -> None:
    """Four 500s: ``failed``, the status named, no file and no part left."""
    site.serve("/a.psv", Answer(status=500))
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, got.attempts, len(site.requests)) == ("failed", 4, 4)
    assert "500" in got.cause
    assert leftovers(tmp_path) == []


def test_429_obeys_retry_after_in_seconds(site: Loopback, tmp_path: Path) -> None:
    """429 with Retry-After 17 waits 17 s (RFC 9110, section 10.2.3)."""
    site.serve("/a.psv", Answer(status=429, headers=(("Retry-After", "17"),)), Answer(BODY))
    clock = Clock()
    got = patient(clock).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, clock.slept) == ("new", [17.0])


def test_503_obeys_retry_after_as_a_date(site: Loopback, tmp_path: Path) -> None:
    """Retry-After as an HTTP date about 40 s ahead waits about that long."""
    later = format_datetime(datetime.now(UTC) + timedelta(seconds=40), usegmt=True)
    site.serve("/a.psv", Answer(status=503, headers=(("Retry-After", later),)), Answer(BODY))
    clock = Clock()
    assert patient(clock).download(f"{site.address}/a.psv", tmp_path / "a.psv").state == "new"
    assert 30.0 < clock.slept[0] <= 40.0


def test_retry_after_beyond_patience_is_failed(site: Loopback, tmp_path: Path) -> None:
    """A day's Retry-After ends the file now, with the cause; the next night asks again."""
    site.serve("/a.psv", Answer(status=429, headers=(("Retry-After", "86400"),)))
    clock = Clock()
    got = patient(clock).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, clock.slept, len(site.requests)) == ("failed", [], 1)
    assert "86400 s" in got.cause


def test_a_server_that_asks_for_a_long_wait_is_let_alone(site: Loopback, tmp_path: Path) -> None:
    """After a Retry-After of an hour no other file is asked for within it (RFC 9110, 10.2.3), then again."""
    site.serve("/a.psv", Answer(status=429, headers=(("Retry-After", "3600"),)))
    site.serve("/b.psv", Answer(BODY))
    clock = Clock()
    fetcher = patient(clock)
    fetcher.download(f"{site.address}/a.psv", tmp_path / "a.psv")
    clock.now += 3000.0
    got = fetcher.download(f"{site.address}/b.psv", tmp_path / "b.psv")
    assert (got.state, got.attempts, len(site.requests)) == ("failed", 0, 1)
    assert "not asked" in got.cause
    assert "600 s more" in got.cause
    clock.now += 601.0
    assert fetcher.download(f"{site.address}/b.psv", tmp_path / "b.psv").state == "new"


def test_a_dead_server_is_not_waited_for_again(site: Loopback, tmp_path: Path) -> None:
    """Three files of four tries each are 12 requests; from then on one a file, without any wait, until an
    answer, be it that there is no such file (404); a second server is not blamed for the first."""
    site.serve("/dead.psv", Answer(status=500))
    site.serve("/bad.psv", Answer(status=503), Answer(BODY))
    clock = Clock()
    fetcher = patient(clock)
    for _ in range(3):
        assert fetcher.download(f"{site.address}/dead.psv", tmp_path / "a").attempts == 4
    assert len(site.requests) == 12
    waited = len(clock.slept)
    got = fetcher.download(f"{site.address}/dead.psv", tmp_path / "a")
    assert (got.attempts, len(site.requests), len(clock.slept)) == (1, 13, waited)
    assert "has failed 3 files in a row" in got.cause
    with loopback() as other:
        other.serve("/a.psv", Answer(status=500), Answer(BODY))
        assert fetcher.download(f"{other.address}/a.psv", tmp_path / "a").attempts == 2
    assert fetcher.download(f"{site.address}/none.psv", tmp_path / "a").state == "absent"
    assert fetcher.download(f"{site.address}/bad.psv", tmp_path / "a").state == "new"


def test_a_hanging_server_costs_later_files_little(
    site: Loopback, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken to be down, it is given up after the short silence, not the long one."""
    monkeypatch.setattr("pipeline.stations.http._DOWN_TIMEOUT_S", 0.1)
    site.serve("/a.psv", Answer(status=500), Answer(status=500), Answer(status=500), Answer(hang=True))
    fetcher = patient(Clock(), attempts=1, timeout_s=50.0)
    for _ in range(3):
        fetcher.download(f"{site.address}/a.psv", tmp_path / "a")
    began = time.monotonic()
    assert "fell silent" in fetcher.download(f"{site.address}/a.psv", tmp_path / "a").cause
    assert time.monotonic() - began < 10.0


def test_a_hang_is_named(site: Loopback, tmp_path: Path) -> None:
    """A server that accepts and says nothing: ``failed`` as silence, within the timeout."""
    site.serve("/a.psv", Answer(hang=True))
    got = patient(Clock(), timeout_s=0.2, attempts=1).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert got.state == "failed"
    assert "fell silent" in got.cause


def test_a_refused_connection_is_named(tmp_path: Path) -> None:
    """Nobody listens on the port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    got = patient(Clock(), attempts=2).download(f"http://127.0.0.1:{port}/a.psv", tmp_path / "a.psv")
    assert got.state == "failed"
    assert "refused" in got.cause


def test_a_slow_drip_meets_the_deadline(site: Loopback, tmp_path: Path) -> None:
    """A transfer longer than the deadline is given up even though bytes keep coming."""
    site.serve("/a.psv", Answer(BODY))
    ticking = iter(range(0, 100_000, 1000))
    fetcher = Fetcher(
        clock=lambda: float(next(ticking)), sleep=lambda _: None, attempts=1, deadline_s=500.0, timeout_s=5.0
    )
    got = fetcher.download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert got.state == "failed"
    assert "more than 500 s" in got.cause


def test_a_cut_body_is_resumed_where_it_stopped(site: Loopback, tmp_path: Path) -> None:
    """The second request asks for the rest of the same version only (RFC 9110, 13.1.5 and 14.2)."""
    rest = BODY[1000:]
    span = (("Content-Range", f"bytes 1000-{len(BODY) - 1}/{len(BODY)}"), *VERSION)
    site.serve("/a.psv", Answer(BODY, sent=1000, headers=VERSION), Answer(rest, status=206, headers=span))
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, got.attempts, got.size) == ("new", 2, len(BODY))
    assert site.request_headers[1]["range"] == "bytes=1000-"
    assert site.request_headers[1]["if-range"] == '"v1"'
    assert (tmp_path / "a.psv").read_bytes() == BODY
    assert leftovers(tmp_path) == ["a.psv"]


def test_a_part_of_the_night_before_is_resumed(site: Loopback, tmp_path: Path) -> None:
    """A part left by another process is taken up by a new one."""
    site.serve("/a.psv", Answer(BODY, sent=1500, headers=VERSION))
    first = patient(Clock(), attempts=1).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert first.state == "failed"
    assert "cut after 1500 of" in first.cause
    span = (("Content-Range", f"bytes 1500-{len(BODY) - 1}/{len(BODY)}"), *VERSION)
    site.serve("/a.psv", Answer(BODY[1500:], status=206, headers=span))
    assert patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv").state == "new"
    assert (tmp_path / "a.psv").read_bytes() == BODY


def test_a_file_that_changed_is_not_patched_together(site: Loopback, tmp_path: Path) -> None:
    """The server answers the ranged request with 200 and a new version: the part is thrown away."""
    other = b"station|date\n" + b"y|2025-01-01T00:00:00\n" * 300
    site.serve("/a.psv", Answer(BODY, sent=1000, headers=VERSION), Answer(other, headers=(("ETag", '"v2"'),)))
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert got.state == "new"
    assert got.validators == Validators('"v2"', None)
    assert (tmp_path / "a.psv").read_bytes() == other


def test_without_a_version_a_cut_file_starts_again(site: Loopback, tmp_path: Path) -> None:
    """No ETag and no date: nothing vouches for the part, so that no Range is asked for."""
    site.serve("/a.psv", Answer(BODY, sent=1000), Answer(BODY))
    assert patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv").state == "new"
    assert "range" not in site.request_headers[1]
    assert (tmp_path / "a.psv").read_bytes() == BODY


def test_the_wrong_part_is_refused(site: Loopback, tmp_path: Path) -> None:
    """A 206 that begins elsewhere than asked is discarded and the whole file is fetched."""
    wrong = (("Content-Range", f"bytes 0-{len(BODY) - 1}/{len(BODY)}"), *VERSION)
    site.serve(
        "/a.psv",
        Answer(BODY, sent=1000, headers=VERSION),
        Answer(BODY, status=206, headers=wrong),
        Answer(BODY, headers=VERSION),
    )
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, got.attempts) == ("new", 3)
    assert (tmp_path / "a.psv").read_bytes() == BODY


def test_416_starts_again(site: Loopback, tmp_path: Path) -> None:
    """A range that the server cannot satisfy: the part goes, the whole file comes."""
    site.serve(
        "/a.psv", Answer(BODY, sent=1000, headers=VERSION), Answer(status=416), Answer(BODY, headers=VERSION)
    )
    got = patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, got.attempts) == ("new", 3)
    assert "range" not in site.request_headers[2]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"<!DOCTYPE html><html><body>Sign in</body></html>", "a web page"),
        (b"\n <HTML>maintenance", "a web page"),
        (b"", "empty"),
        (gzip.compress(BODY, mtime=0)[:-12], "cut short"),
        (gzip.compress(BODY, mtime=0)[:40] + b"\0" * 40 + gzip.compress(BODY, mtime=0)[80:], "damaged"),
    ],
)
def test_a_body_that_is_no_data_is_failed(site: Loopback, tmp_path: Path, body: bytes, words: str) -> None:
    """A web page, nothing, and broken gzip, each sent as a faultless 200, never land; good data stays."""
    (tmp_path / "a").write_bytes(b"good hours of last week")
    site.serve("/a", Answer(body))
    got = patient(Clock(), attempts=2).download(f"{site.address}/a", tmp_path / "a")
    assert got.state == "failed"
    assert words in got.cause
    assert (tmp_path / "a").read_bytes() == b"good hours of last week"
    assert leftovers(tmp_path) == ["a"]


def test_whole_gzip_in_two_members_is_data(site: Loopback, tmp_path: Path) -> None:
    """Concatenated gzip members are one file (RFC 1952, section 2.2)."""
    body = gzip.compress(BODY[:500]) + gzip.compress(BODY[500:])
    site.serve("/a", Answer(body))
    assert patient(Clock()).download(f"{site.address}/a", tmp_path / "a").state == "new"
    assert gzip.decompress((tmp_path / "a").read_bytes()) == BODY


def test_too_large_is_refused(site: Loopback, tmp_path: Path) -> None:
    """A body beyond the bound is failed at once, before it fills the disk."""
    site.serve("/a.psv", Answer(BODY))
    got = patient(Clock(), largest_bytes=100).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    assert (got.state, len(site.requests)) == ("failed", 1)
    assert "larger" in got.cause


def test_requests_keep_their_distance(site: Loopback, tmp_path: Path) -> None:
    """Three files at two seconds' distance: the second and third wait their turn."""
    clock = Clock()
    fetcher = patient(clock, interval_s=2.0)
    for name in "abc":
        site.serve(f"/{name}", Answer(BODY))
        fetcher.download(f"{site.address}/{name}", tmp_path / name)
    assert clock.slept == [2.0, 2.0]


def test_a_full_disk_is_not_the_archives_fault(site: Loopback, tmp_path: Path) -> None:
    """A place that cannot be written raises StoreError with a cure, instead of trying the server again."""
    (tmp_path / "folder").write_text("a file where a folder is wanted")
    site.serve("/a", Answer(BODY))
    with pytest.raises(StoreError, match="cannot be written"):
        patient(Clock()).download(f"{site.address}/a", tmp_path / "folder" / "a")
    assert len(site.requests) == 1


@contextmanager
def answering(raw: bytes) -> Iterator[str]:
    """A server whose whole answer is these bytes; its address."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            while True:
                try:
                    client, _ = server.accept()
                except OSError:
                    return
                with client, suppress(OSError):
                    client.recv(65536)
                    client.sendall(raw)
                    client.shutdown(socket.SHUT_WR)
                    client.recv(1)

        thread = threading.Thread(target=answer)
        thread.start()
        yield f"http://127.0.0.1:{server.getsockname()[1]}"
        server.shutdown(socket.SHUT_RDWR)
        thread.join()


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "the connection broke"),
        (b"garbage", "the connection broke"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://[::1\r\n\r\n", "makes no sense"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://\xff\xfe/\r\n\r\n", "makes no sense"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://" + b"a" * 70 + b".x/\r\n\r\n", "makes no sense"),
        (b"HTTP/1.1 302 Found\r\nLocation: file:///etc/hostname\r\n\r\n", "answered 302"),
        (b"HTTP/1.1 429 Slow\r\nRetry-After: \xb2\r\n\r\n", "answered 429"),
        (b"HTTP/1.1 429 Slow\r\nRetry-After: " + b"9" * 400 + b"\r\n\r\n", "longer than the 120 s"),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n", "the transfer was cut"),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n99\r\nab", "the transfer was cut"),
        (b"HTTP/1.0 200 OK\r\n\r\n" + BODY[:-3], "cut in the middle of a line"),
        (b"HTTP/1.0 200 OK\r\nContent-Length: \xb2\r\n\r\n" + BODY[:-3], "cut in the middle of a line"),
    ],
)
def test_an_answer_that_makes_no_sense_is_failed(tmp_path: Path, raw: bytes, words: str) -> None:
    """Headers that contradict HTTP, and an end without a stated length (RFC 9112, 6.3, 8): never a crash."""
    with answering(raw) as address:
        got = patient(Clock(), attempts=2).download(f"{address}/a", tmp_path / "a")
    assert got.state == "failed"
    assert words in got.cause
    assert not (tmp_path / "a").exists()


def test_a_whole_file_without_a_stated_length(tmp_path: Path) -> None:
    """The connection's end is the file's where the last line is ended (RFC 9112, 6.3)."""
    with answering(b"HTTP/1.0 200 OK\r\n\r\n" + BODY) as address:
        assert patient(Clock()).download(f"{address}/a", tmp_path / "a").state == "new"
    assert (tmp_path / "a").read_bytes() == BODY


@pytest.mark.parametrize("allowed", [1, 20, 60, 100, 500, 5000, len(BODY) - 1])
def test_a_disk_that_fills_at_any_byte(site: Loopback, tmp_path: Path, allowed: int) -> None:
    """A file-size limit stands for a full disk: named as ours wherever it strikes, the note and the buffer's
    last bytes included, and what had come makes room; with room again the file comes whole."""
    site.serve("/a.psv", Answer(BODY, headers=VERSION))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    told = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (allowed, hard))
    try:
        with pytest.raises(StoreError, match="cannot be written: File too large"):
            patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, told)
    assert len(site.requests) == 1
    assert leftovers(tmp_path) == []
    assert patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv").state == "new"
    assert (tmp_path / "a.psv").read_bytes() == BODY


def test_a_kill_between_two_versions_leaves_nothing_to_patch(
    site: Loopback, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part of the old version waits, the new one begins to come, and the run dies as it notes that: the
    next run must not take the old bytes for the new version's."""
    other = b"station|date\n" + b"y|2025-01-01T00:00:00\n" * 300
    new = (("ETag", '"v2"'),)
    site.serve("/a.psv", Answer(BODY, sent=1000, headers=VERSION))
    patient(Clock(), attempts=1).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    site.serve("/a.psv", Answer(other, headers=new))
    plain = Path.write_text

    def dies(self: Path, *given: Any) -> int:
        plain(self, *given)
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "write_text", dies)
    with pytest.raises(KeyboardInterrupt):
        patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv")
    monkeypatch.undo()
    assert (tmp_path / "a.psv.part").read_bytes() == b""
    assert patient(Clock()).download(f"{site.address}/a.psv", tmp_path / "a.psv").state == "new"
    assert "range" not in site.request_headers[-1]
    assert (tmp_path / "a.psv").read_bytes() == other


def test_validators_that_cannot_be_kept_are_told(tmp_path: Path) -> None:
    """A full disk at the last moment is a StoreError, not a traceback."""
    (tmp_path / "a.version.new").mkdir()
    with pytest.raises(StoreError, match="cannot be written"):
        write_validators(tmp_path / "a", Validators('"v1"', None))


def test_only_web_addresses(tmp_path: Path) -> None:
    """A file address must not read the local disk."""
    with pytest.raises(ValueError, match="http"):
        Fetcher().download("file:///etc/hostname", tmp_path / "a")


def test_validators_survive_a_run(tmp_path: Path) -> None:
    """Validators kept beside a file come back; none, nonsense or forgotten ones are None."""
    place = tmp_path / "a.psv"
    assert read_validators(place) is None
    write_validators(place, Validators('"v1"', None))
    assert read_validators(place) == Validators('"v1"', None)
    write_validators(place, None)
    assert read_validators(place) is None
    (tmp_path / "a.psv.version").write_text("{")
    assert read_validators(place) is None
