"""Drives Debian's chromium at a running dashboard and keeps an account of what the page did."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

import dashboard

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WIDTHS = {"desk": (1280, 900), "phone": (390, 844)}

# Where a page is opened by its own address, Streamlit first looks for its server beside the page and then
# at the root; the browser reports the first look as a failure.
PROBES = ("/_stcore/health", "/_stcore/host-config")


def chromium_or_skip() -> None:
    """Chromium must be there where everything is checked; elsewhere its absence skips."""
    if CHROMIUM.is_file():
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"{CHROMIUM} is missing; install Debian's chromium")
    pytest.skip(f"{CHROMIUM} is missing")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(results: Path | None, season: Path | None) -> Iterator[str]:
    """The dashboard as `showhour dashboard` starts it, by its address."""
    port = free_port()
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("SHOWHOUR_", "STREAMLIT_"))}
    if results is not None:
        environment["SHOWHOUR_RESULTS"] = str(results)
    if season is not None:
        environment["SHOWHOUR_SEASON"] = str(season)
    command = [sys.executable, "-m", "streamlit", "run", "app.py", "--server.port", str(port)]
    server = subprocess.Popen(
        command,
        cwd=Path(dashboard.__file__).parent,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        address = f"http://127.0.0.1:{port}"
        deadline = time.monotonic() + 60
        while True:
            try:
                with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2) as answer:
                    assert answer.status == 200
                break
            except OSError:
                assert server.poll() is None, "the dashboard ended before it answered"
                assert time.monotonic() < deadline, "the dashboard did not answer within a minute"
                time.sleep(0.1)
        yield address
    finally:
        server.terminate()
        server.wait(timeout=20)


@dataclass
class Account:
    """What a page did while it was open."""

    console: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)

    def watch(self, page: Any, address: str) -> None:
        host = urlsplit(address).netloc

        def asked(url: str) -> None:
            parts = urlsplit(url)
            if parts.scheme not in ("data", "blob") and parts.netloc != host:
                self.outside.append(url)

        def said(message: Any) -> None:
            where = urlsplit(str((message.location or {}).get("url", ""))).path
            probe = where.count("/") > 2 and where.endswith(PROBES)
            if message.type in ("error", "warning") and not probe:
                self.console.append(f"{message.type}: {message.text} {where}")

        page.on("request", lambda request: asked(request.url))
        page.on("websocket", lambda socket_: asked(socket_.url))
        page.on("console", said)
        page.on("pageerror", lambda error: self.console.append(f"uncaught: {error}"))


def settled(page: Any) -> None:
    """Wait until the script has run and the cautions, which close every page, stand."""
    page.wait_for_selector(".sh-cautions", timeout=60_000)
    page.wait_for_selector("[data-test-script-state='notRunning']", timeout=60_000)
    page.wait_for_timeout(400)


def overflow(page: Any) -> list[str]:
    """Elements that make the page wider than the screen, itself first; empty where none does."""
    found = page.evaluate(
        """() => {
            const wide = document.documentElement.clientWidth + 1;
            const bad = [];
            for (const node of [document.documentElement, document.body,
                                document.querySelector('[data-testid=stMain]')]) {
                if (node && node.scrollWidth > wide) bad.push(node.tagName + ' ' + node.scrollWidth);
            }
            return bad;
        }"""
    )
    return [str(f) for f in found]


@contextmanager
def opened(address: str, width: str) -> Iterator[tuple[Any, Account]]:
    """A fresh browser at one of the widths."""
    from playwright.sync_api import sync_playwright

    across, down = WIDTHS[width]
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        try:
            page = browser.new_page(viewport={"width": across, "height": down})
            account = Account()
            account.watch(page, address)
            yield page, account
        finally:
            browser.close()
