"""Fetching files from open archives, politely and so that every ending has a name.

A download ends in one of four states: ``new`` (the whole file is in its place), ``unchanged`` (the copy
already held is the current one), ``absent`` (the archive has no such file) or ``failed`` with a cause. A cut
transfer is taken up where it stopped, in the same run or the next, as long as the server vouches that the
file is still the same one. A file is never put in its place before it is whole and looks like data.
"""

from __future__ import annotations

import email.utils
import http.client
import json
import os
import random
import re
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Literal

from pipeline.errors import StoreError

__all__ = ["FetchState", "Fetched", "Fetcher", "Validators", "read_validators", "write_validators"]

FetchState = Literal["new", "unchanged", "absent", "failed"]

_CHUNK = 1 << 16
_USER_AGENT = "showhour (season planning from open station climatology)"
_ROOM = "Free some space or point the cache elsewhere."
_WAIT_AND_RETRY = frozenset({408, 425, 429, 500, 502, 503, 504})
_DOWN_AFTER = 3
"""Files in a row that failed after every try, from which a server is taken to be down."""
_DOWN_TIMEOUT_S, _DOWN_DEADLINE_S = 5.0, 60.0


@dataclass(frozen=True)
class Validators:
    """What a server calls the version of a file that it sent: its ETag and its modification time."""

    etag: str | None = None
    last_modified: str | None = None

    def __bool__(self) -> bool:
        return bool(self.etag or self.last_modified)

    def condition(self) -> dict[str, str]:
        """Headers that ask for the file only if it has changed."""
        headers = {}
        if self.etag:
            headers["If-None-Match"] = self.etag
        if self.last_modified:
            headers["If-Modified-Since"] = self.last_modified
        return headers

    def same_version(self) -> str | None:
        """The value of ``If-Range``: a strong ETag, else the modification time; None if neither will do."""
        if self.etag and not self.etag.startswith("W/"):
            return self.etag
        return self.last_modified


@dataclass(frozen=True)
class Fetched:
    """How a download ended.

    Attributes
    ----------
    state : {"new", "unchanged", "absent", "failed"}
    cause : str
        Why, in words, for ``absent`` and ``failed``.
    validators : Validators or None
        For the next conditional request.
    attempts : int
        Requests made.
    size : int
        Bytes of the whole file when ``new``.
    """

    url: str
    state: FetchState
    cause: str = ""
    validators: Validators | None = None
    attempts: int = 1
    size: int = 0


@dataclass(frozen=True)
class _Attempt:
    """One request: a final state, or a fault worth another try after at least ``wait_s``."""

    state: FetchState | None
    cause: str = ""
    validators: Validators | None = None
    size: int = 0
    wait_s: float = 0.0


@dataclass
class Fetcher:
    """Carries the manners of fetching: rate, patience, retries.

    A server whose last three files failed after every try is taken to be down: from then on each file is
    asked for once, with little patience, until it answers one. A server that asks for a longer wait than we
    have is not asked again before it is over.

    Attributes
    ----------
    attempts : int
        Requests for one file before giving up.
    first_wait_s, longest_wait_s : float
        The wait before the second request, doubled each time, lengthened at random by up to a half so that
        many clients don't return together; and its bound. A server's ``Retry-After`` is obeyed up to that
        bound; a longer one ends the file as failed.
    timeout_s : float
        Silence after which a connection is given up.
    deadline_s : float
        Time one transfer may take in all; a server that drips is a server that hangs.
    interval_s : float
        Least time between the beginnings of two requests.
    largest_bytes : int
        A body beyond this is refused.
    sleep, clock, jitter
        Replaceable for tests.
    """

    attempts: int = 4
    first_wait_s: float = 1.0
    longest_wait_s: float = 120.0
    timeout_s: float = 30.0
    deadline_s: float = 900.0
    interval_s: float = 0.5
    largest_bytes: int = 2 << 30
    sleep: Callable[[float], object] = time.sleep
    clock: Callable[[], float] = time.monotonic
    jitter: Callable[[], float] = random.random
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _next_start: float = field(default=float("-inf"), repr=False)
    _failed: dict[str, int] = field(default_factory=dict, repr=False)
    _closed_until: dict[str, float] = field(default_factory=dict, repr=False)

    def download(self, url: str, path: Path, *, validators: Validators | None = None) -> Fetched:
        """Fetch a file into its place.

        Parameters
        ----------
        url : str
            http or https.
        path : Path
            Where the whole file goes, atomically; the part so far waits beside it as ``<name>.part``.
        validators : Validators, optional
            Of the copy already held; makes the request conditional.

        Returns
        -------
        Fetched

        Raises
        ------
        StoreError
            The file cannot be written (disk full, no permission): not the archive's fault.
        ValueError
            Not a web address.
        """
        if not url.startswith(("http://", "https://")):
            raise ValueError(f"download: {url!r} is not an http or https address")
        server = urllib.parse.urlsplit(url).netloc
        closed = self._closed_until.get(server, float("-inf")) - self.clock()
        if closed > 0.0:
            cause = f"not asked: {server} has asked us to wait {closed:.0f} s more"
            return Fetched(url, "failed", cause, attempts=0)
        failed = self._failed.get(server, 0)
        down = failed >= _DOWN_AFTER
        attempts = 1 if down else self.attempts
        cause = ""
        for attempt in range(1, attempts + 1):
            self.take_turn()
            try:
                ended = self._try(url, path, validators, down=down)
            except _CannotWrite as error:
                # The room that the part takes is wanted for results and records.
                with suppress(OSError):
                    _discard(_part(path))
                raise StoreError(f"{path} cannot be written: {error}. {_ROOM}") from error
            if ended.state is not None:
                self._failed[server] = 0
                return Fetched(url, ended.state, ended.cause, ended.validators, attempt, ended.size)
            cause = ended.cause
            if ended.wait_s > self.longest_wait_s:
                cause += f", which is longer than the {self.longest_wait_s:.0f} s that we wait"
                self._closed_until[server] = self.clock() + ended.wait_s
                return Fetched(url, "failed", cause, attempts=attempt)
            if attempt < attempts:
                pause = min(self.first_wait_s * 2.0 ** (attempt - 1), self.longest_wait_s)
                self.sleep(max(pause * (1.0 + 0.5 * self.jitter()), ended.wait_s))
        self._failed[server] = failed + 1
        told = (
            f"tried once, as {server} has failed {_DOWN_AFTER} files in a row"
            if down
            else f"{attempts} tries"
        )
        return Fetched(url, "failed", f"{cause} ({told})", attempts=attempts)

    def take_turn(self) -> None:
        """Wait until the next request may begin."""
        with self._lock:
            now = self.clock()
            start = max(now, self._next_start)
            self._next_start = start + self.interval_s
        if start > now:
            self.sleep(start - now)

    def _try(self, url: str, path: Path, validators: Validators | None, *, down: bool) -> _Attempt:
        part = _part(path)
        headers = {"User-Agent": _USER_AGENT, "Accept-Encoding": "identity"}
        held, version = _waiting(part, url)
        resuming = version.same_version() if held else None
        if resuming:
            headers |= {"Range": f"bytes={held}-", "If-Range": resuming}
        elif validators:
            headers |= validators.condition()
        request = urllib.request.Request(url, headers=headers)
        timeout_s = min(self.timeout_s, _DOWN_TIMEOUT_S) if down else self.timeout_s
        deadline_s = min(self.deadline_s, _DOWN_DEADLINE_S) if down else self.deadline_s
        until = self.clock() + deadline_s
        try:
            with urllib.request.urlopen(request, timeout=timeout_s) as response:
                ended = self._receive(response, url, path, part, held if resuming else 0, until)
                return ended or _Attempt(None, f"the transfer took more than {deadline_s:.0f} s")
        except urllib.error.HTTPError as error:
            with error:
                return _refused(error, part)
        except urllib.error.URLError as error:
            return _Attempt(None, _network_cause(error.reason))
        except (OSError, http.client.HTTPException) as error:
            return _Attempt(None, _network_cause(error))
        except ValueError as error:
            # The library's word on headers that make no sense, such as a redirection to "http://[".
            return _Attempt("failed", f"the server's answer makes no sense ({error})")

    def _receive(
        self, response: http.client.HTTPResponse, url: str, path: Path, part: Path, held: int, until: float
    ) -> _Attempt | None:
        """Take in an answer's body; None where that lasts too long."""
        version = Validators(response.headers.get("ETag"), response.headers.get("Last-Modified"))
        offset = held if response.status == 206 else 0
        if response.status == 206:
            stated = re.match(r"bytes (\d+)-\d+/(\d+|\*)", response.headers.get("Content-Range", ""))
            if stated is None or int(stated.group(1)) != held:
                _discard(part)
                return _Attempt(None, "the server sent another part of the file than was asked for")
        elif response.status != 200:
            return _Attempt("failed", f"the server answered {response.status} {response.reason}")
        length = response.headers.get("Content-Length")
        expected = int(length) if length and length.isdecimal() else None
        too_large = f"the file is larger than the {self.largest_bytes} bytes allowed"
        if (expected or 0) + offset > self.largest_bytes:
            return _Attempt("failed", too_large)
        with _Writing(part, offset, url, version) as write:
            received = 0
            while chunk := response.read1(_CHUNK):
                write(chunk)
                received += len(chunk)
                if received + offset > self.largest_bytes:
                    return _Attempt(
                        "failed", f"the file is larger than the {self.largest_bytes} bytes allowed"
                    )
                if self.clock() > until:
                    return None
        if expected is not None and received < expected:
            return _Attempt(None, f"the transfer was cut after {received} of {expected} bytes")
        wrong = _not_data(part, whole=expected is not None or response.chunked)
        if wrong:
            _discard(part)
            return _Attempt(None, wrong)
        _put_in_place(part, path)
        return _Attempt("new", validators=version or None, size=offset + received)


def read_validators(path: Path) -> Validators | None:
    """Validators kept beside a fetched file's place, or None where there are none that can be read."""
    try:
        kept = json.loads(path.with_name(path.name + ".version").read_text("utf-8"))
        return Validators(kept["etag"], kept["last_modified"])
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        # Without validators the request is unconditional: slower, never wrong.
        return None


def write_validators(path: Path, validators: Validators | None) -> None:
    """Keep the validators of a file whose contents are safely stored; None forgets them.

    Raises
    ------
    StoreError
        They cannot be written.
    """
    place = path.with_name(path.name + ".version")
    try:
        if not validators:
            place.unlink(missing_ok=True)
            return
        scratch = place.with_name(place.name + ".new")
        scratch.write_text(json.dumps(asdict(validators)), "utf-8")
        scratch.replace(place)
    except OSError as error:
        raise StoreError(f"{place} cannot be written: {error.strerror or error}. {_ROOM}") from error


class _CannotWrite(Exception):
    """A fault of our own disk, kept apart from the network's faults, which are OSErrors too."""


class _Writing:
    """Append to the part file from an offset, noting which version of the file it is a part of."""

    def __init__(self, part: Path, offset: int, url: str, version: Validators) -> None:
        try:
            part.parent.mkdir(parents=True, exist_ok=True)
            if offset == 0:
                # Emptied before it is noted as another version's: a kill in between leaves nothing to patch.
                part.write_bytes(b"")
                _note(part).write_text(json.dumps({"url": url, **asdict(version)}), "utf-8")
            self._stream = part.open("r+b")
            self._stream.seek(offset)
            self._stream.truncate()
        except OSError as error:
            raise _CannotWrite(error.strerror or str(error)) from error

    def __enter__(self) -> Callable[[bytes], None]:
        return self._write

    def _write(self, chunk: bytes) -> None:
        try:
            self._stream.write(chunk)
        except OSError as error:
            raise _CannotWrite(error.strerror or str(error)) from error

    def __exit__(self, *_: object) -> None:
        try:
            try:
                self._stream.flush()
                os.fsync(self._stream.fileno())
            finally:
                # Closing writes what flushing could not, and fails in its turn.
                self._stream.close()
        except OSError as error:
            raise _CannotWrite(error.strerror or str(error)) from error


def _part(path: Path) -> Path:
    return path.with_name(path.name + ".part")


def _note(part: Path) -> Path:
    return part.with_name(part.name + ".json")


def _waiting(part: Path, url: str) -> tuple[int, Validators]:
    """Bytes that an earlier try has left of this file, and of which version."""
    try:
        size = part.stat().st_size
        kept = json.loads(_note(part).read_text("utf-8"))
        if kept["url"] == url:
            return size, Validators(kept["etag"], kept["last_modified"])
    except (OSError, ValueError, KeyError, TypeError):
        # A part without a readable note cannot be vouched for: it is fetched anew.
        pass
    return 0, Validators()


def _discard(part: Path) -> None:
    part.unlink(missing_ok=True)
    _note(part).unlink(missing_ok=True)


def _put_in_place(part: Path, path: Path) -> None:
    try:
        part.replace(path)
        _note(part).unlink(missing_ok=True)
    except OSError as error:
        raise _CannotWrite(error.strerror or str(error)) from error


def _refused(error: urllib.error.HTTPError, part: Path) -> _Attempt:
    if error.code == 304:
        version = Validators(error.headers.get("ETag"), error.headers.get("Last-Modified"))
        return _Attempt("unchanged", validators=version or None)
    if error.code in (404, 410):
        return _Attempt("absent", f"the archive has no such file ({error.code})")
    said = f"the server answered {error.code} {error.reason}"
    if error.code == 416:
        _discard(part)
        return _Attempt(None, said)
    if error.code in _WAIT_AND_RETRY:
        wait = _retry_after(error.headers.get("Retry-After"))
        return _Attempt(None, f"{said}, asking us to wait {wait:.0f} s" if wait else said, wait_s=wait)
    return _Attempt("failed", said)


def _retry_after(value: str | None) -> float:
    """Seconds that a server asks us to wait, given as seconds or as a date; 0 for neither."""
    if not value:
        return 0.0
    if value.strip().isdecimal():
        return float(value)
    try:
        moment = email.utils.parsedate_to_datetime(value)
    except ValueError:
        return 0.0
    return max(0.0, moment.timestamp() - time.time())


def _network_cause(error: object) -> str:
    if isinstance(error, TimeoutError):
        return "the server fell silent"
    if isinstance(error, ConnectionRefusedError):
        return "the connection was refused"
    if isinstance(error, http.client.IncompleteRead):
        return f"the transfer was cut after {len(error.partial)} bytes of a part"
    if isinstance(error, ConnectionError | http.client.HTTPException):
        return f"the connection broke ({error or type(error).__name__})"
    return f"the network failed ({error})"


def _not_data(part: Path, *, whole: bool) -> str:
    """What is wrong with a body that came without a fault, or an empty string.

    Where the server states no length it is not known to be whole: text must then end with its last line.
    """
    with part.open("rb") as stream:
        head = stream.read(512)
        if not head:
            return "the file is empty"
        if head.lstrip().lower().startswith((b"<!doctype html", b"<html", b"<?xml")):
            return "a web page came instead of data"
        if head[:2] != b"\x1f\x8b":
            stream.seek(-1, os.SEEK_END)
            return "" if whole or stream.read(1) == b"\n" else "the transfer was cut in the middle of a line"
        stream.seek(0)
        unpack = zlib.decompressobj(wbits=31)
        try:
            while chunk := stream.read(_CHUNK):
                while chunk:
                    unpack.decompress(chunk)
                    chunk = unpack.unused_data
                    if unpack.eof and chunk:
                        unpack = zlib.decompressobj(wbits=31)
        except zlib.error as error:
            return f"the gzip file is damaged ({error})"
        return "" if unpack.eof else "the gzip file is cut short"
