"""A web server on 127.0.0.1 with scripted answers, for tests of readers that go to the network."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass(frozen=True)
class Answer:
    """One scripted answer.

    ``sent`` cuts the body short of its stated Content-Length. ``hang`` holds the answer back until the
    server closes, so that the client's timeout decides. ``headers`` are added to the answer's own.
    """

    body: bytes = b""
    status: int = 200
    content_type: str = "application/gzip"
    sent: int | None = None
    hang: bool = False
    headers: tuple[tuple[str, str], ...] = ()


@dataclass
class Loopback:
    """The running server: its address, its answers by path, and the log of requests and their headers.

    A path's answers are given in turn and the last one repeats; a path without answers gets 404.
    """

    address: str
    answers: dict[str, list[Answer]] = field(default_factory=dict)
    requests: list[str] = field(default_factory=list)
    request_headers: list[dict[str, str]] = field(default_factory=list)
    closing: threading.Event = field(default_factory=threading.Event)

    def serve(self, path: str, *answers: Answer) -> None:
        """Script the answers of a path."""
        self.answers[path] = list(answers)

    def next_answer(self, path: str) -> Answer:
        """The answer that a request for this path gets now."""
        script = self.answers.get(path)
        if not script:
            return Answer(b"no such file", status=404, content_type="text/plain")
        return script.pop(0) if len(script) > 1 else script[0]


@contextmanager
def loopback() -> Iterator[Loopback]:
    """Run a server on a free port until the block ends."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            site.requests.append(f"GET {self.path}")
            site.request_headers.append({key.lower(): value for key, value in self.headers.items()})
            answer = site.next_answer(self.path)
            if answer.hang:
                site.closing.wait(60)
                self.close_connection = True
                return
            self.send_response(answer.status)
            self.send_header("Content-Type", answer.content_type)
            self.send_header("Content-Length", str(len(answer.body)))
            for name, value in answer.headers:
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(answer.body[: answer.sent])
            self.close_connection = True

        def log_message(self, format: str, *args: object) -> None:
            """Keep the test output quiet; ``requests`` is the log."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    site = Loopback(f"http://127.0.0.1:{server.server_port}")
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield site
    finally:
        site.closing.set()
        server.shutdown()
        thread.join()
        server.server_close()
