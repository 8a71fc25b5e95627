"""Drives Debian's chromium at a running dashboard and keeps an account of what the page did."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from opendata import open_data

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


def await_answer(address: str, server: subprocess.Popen[bytes]) -> None:
    """Wait until a dashboard that was started answers."""
    deadline = time.monotonic() + 60
    while True:
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2) as answer:
                assert answer.status == 200
            return
        except OSError:
            assert server.poll() is None, "the dashboard ended before it answered"
            assert time.monotonic() < deadline, "the dashboard did not answer within a minute"
            time.sleep(0.1)


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
        await_answer(address, server)
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


# Counted in frames, so that a machine that is slow to draw is given longer.
_STILL = """frames => new Promise((done, fail) => {
    const late = setTimeout(() => fail(Error('the page changes without end')), 60000);
    let left = frames;
    const watcher = new MutationObserver(() => left = frames);
    watcher.observe(document, {subtree: true, childList: true, characterData: true, attributes: true});
    requestAnimationFrame(function look() {
        if (document.fonts.status !== 'loaded') left = frames;
        if (left-- > 0) return requestAnimationFrame(look);
        watcher.disconnect();
        clearTimeout(late);
        done();
    });
})"""


def still(page: Any) -> None:
    """Wait until nothing of the document has changed for ten frames in a row, with all its fonts there."""
    page.evaluate(_STILL, 10)


def settled(page: Any) -> None:
    """Wait until the script has run, the cautions, which close every page, stand, and nothing moves on."""
    page.wait_for_selector(".sh-cautions", timeout=60_000)
    page.wait_for_selector("[data-test-script-state='notRunning']", timeout=60_000)
    still(page)


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


def spilled(page: Any) -> list[str]:
    """Pictures that are drawn over what stands under them: past the place that is kept for them."""
    found = page.evaluate(
        """() => [...document.querySelectorAll('[data-testid=stVegaLiteChart] svg.marks')].flatMap(drawn => {
            const picture = drawn.getBoundingClientRect();
            for (let at = drawn.closest('[data-testid=stElementContainer]'); at; at = at.parentElement) {
                const next = at.nextElementSibling?.getBoundingClientRect();
                // A column beside it, and what has no height, cover nothing.
                if (!next || !next.height || next.left >= picture.right) continue;
                return picture.bottom > next.top + 1
                    ? [`a picture reaches ${Math.round(picture.bottom - next.top)} px into what follows`]
                    : [];
            }
            return [];
        })"""
    )
    return [str(f) for f in found]


# Streamlit's own menu of a narrow screen lays <div> between <ul> and <li>; nothing here can mend that.
_SPARED = {"list": "[data-testid=stSidebarNavItems]", "listitem": "[data-testid=stSidebarNavItems] li"}
_AXE = """async (spared) => {
    for (const fold of document.querySelectorAll('details')) fold.open = true;
    const found = await axe.run({resultTypes: ['violations']});
    const ours = (rule, node) =>
        !(rule in spared && document.querySelector(node.target[0]).matches(spared[rule]));
    return found.violations
        .filter(v => ['serious', 'critical'].includes(v.impact))
        .flatMap(v => v.nodes.filter(n => ours(v.id, n)).map(
            n => `${v.id} (${v.impact}) at ${n.target.join(' ')}: ${n.failureSummary}`));
}"""


def barriers(page: Any) -> list[str]:
    """What axe-core finds serious or critical on the page, its folds opened: rule, place and reason."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(open_data("axe").read_text(encoding="utf-8"))
    return [str(f) for f in page.evaluate(_AXE, _SPARED)]


# Shifts within half a second of the user's own input are no surprise and are not counted, as in the
# published metric (Layout Instability, W3C); its good value is under 0.1.
_WATCH_SHIFTS = """
    window.shifts = [];
    new PerformanceObserver(list => {
        for (const entry of list.getEntries()) {
            if (entry.hadRecentInput) continue;
            const moved = entry.sources.map(s => s.node && (s.node.dataset?.testid || s.node.className));
            window.shifts.push([entry.startTime, entry.value, moved.join(', ')]);
        }
    }).observe({type: 'layout-shift', buffered: true});
"""
GOOD_SHIFT = 0.1

# From the user's act to the frame in which its outcome stands on the screen, by the page's own clock: a
# driver outside hears of it only when the page has nothing else to do.
_WATCH_FRAMES = """
    window.shown = (holds, since) => new Promise(done => {
        const watcher = new MutationObserver(look);
        function look() {
            if (!holds()) return;
            watcher.disconnect();
            requestAnimationFrame(() => setTimeout(() => done((performance.now() - since) / 1000)));
        }
        watcher.observe(document, {subtree: true, childList: true, characterData: true, attributes: true});
        look();
    });
    window.shownAfter = (act, holds) => window.taken = new Promise(done => addEventListener(
        act, e => done(shown(holds, e.timeStamp)), {once: true, capture: true}));
    window.answered = title => document.querySelector('[data-stale=false] .sh-answer')
        && (!title || document.querySelector('h1')?.textContent === title);
    window.first = shown(() => answered(), 0);
"""


def readable(page: Any, answer: str = ".sh-answer") -> float:
    """Wait until the page's answer stands on the screen; the time of the page's own clock [ms].

    An answer that is a notice of Streamlit's own can be drawn before the style sheet, which comes with the
    first HTML of a page: it stands once both are there.
    """
    page.wait_for_selector(answer, timeout=60_000)
    page.wait_for_selector(".sh-season", timeout=60_000)
    drawn = "new Promise(done => requestAnimationFrame(() => setTimeout(() => done(performance.now()))))"
    return float(page.evaluate(drawn))


def shifted(page: Any, since: float) -> list[tuple[float, str]]:
    """Everything that moved without the user's doing since a time: how much, and what."""
    return [(float(v), str(what)) for at, v, what in page.evaluate("window.shifts") if at >= since]


# A server so slow that what it answers comes past the half second in which a shift is the user's own doing.
ANSWERS_LATE = """
    const own = Object.getOwnPropertyDescriptor(WebSocket.prototype, 'onmessage');
    Object.defineProperty(WebSocket.prototype, 'onmessage', {...own, set(heard) {
        own.set.call(this, heard && (e => setTimeout(() => heard.call(this, e), 700)));
    }});
    const listen = WebSocket.prototype.addEventListener;
    WebSocket.prototype.addEventListener = function(what, heard, ...more) {
        const late = what === 'message' ? e => setTimeout(() => heard.call(this, e), 700) : heard;
        return listen.call(this, what, late, ...more);
    };
"""

_running: list[Any] = []


@contextmanager
def chromium() -> Iterator[None]:
    """A browser for the length of the block: `opened` takes its pages of it and starts none."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        _running.append(driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS))
        try:
            yield
        finally:
            _running.pop().close()


@contextmanager
def opened(address: str, width: str) -> Iterator[tuple[Any, Account]]:
    """A page at one of the widths, in a browser that knows nothing of any other page."""
    across, down = WIDTHS[width]
    with ExitStack() as ends:
        if not _running:
            ends.enter_context(chromium())
        context = _running[-1].new_context(viewport={"width": across, "height": down})
        ends.callback(context.close)
        page = context.new_page()
        page.add_init_script(_WATCH_SHIFTS)
        page.add_init_script(_WATCH_FRAMES)
        account = Account()
        account.watch(page, address)
        yield page, account
