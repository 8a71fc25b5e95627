"""The dashboard in a real browser, at a desk's width and a phone's: quiet, private, and no wider than it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import numpy as np
import pytest
from browser import (
    GOOD_SHIFT,
    WIDTHS,
    Account,
    barriers,
    chromium,
    chromium_or_skip,
    free_port,
    opened,
    overflow,
    readable,
    served,
    settled,
    shifted,
    spilled,
    still,
)
from dashboard_season import EMPTY, HOT, SEA, verified_season

from pipeline.results import read_results, write_results
from pipeline.run import results_path

PAGES = (
    ("", "Which bookings"),
    ("season", "The season"),
    (f"venue?booking={HOT}", "One venue"),
    (f"hour?booking={HOT}", "What hour"),
    (f"show?booking={HOT}", "Which show"),
    (f"figure?booking={HOT}&figure=Square%20loop", "A figure in thin air"),
    (f"energy?booking={HOT}", "The routine’s energy"),
    (f"aircraft?booking={HOT}", "The aircraft in thin air"),
    (f"today?booking={HOT}", "Today"),
    (f"trust?booking={HOT}", "Can I trust it"),
    (f"sources?booking={SEA}", "Where the numbers come from"),
    ("log", "What my log says"),
    (f"venue?booking={EMPTY}", "One venue"),
)
NOTICE = "[data-testid=stAlert]"
WITHOUT_PICTURES = ("log", f"today?booking={HOT}", f"sources?booking={SEA}", f"venue?booking={EMPTY}")


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    chromium_or_skip()
    made = verified_season()
    with served(made.results, made.folder) as where, chromium():
        yield where


def _clean(account: Account) -> None:
    assert account.outside == []
    assert account.console == []


@pytest.mark.parametrize("width", WIDTHS)
def test_pages_are_quiet_private_steady_and_for_everybody(address: str, width: str) -> None:
    """Every page, and one of a venue without hours: no console error, no request to another host, no sideways
    scrolling of the page, no picture over its neighbours, nothing that jumps once it can be read, and nothing
    that axe-core finds serious or critical."""
    found: dict[str, list[str]] = {}
    with opened(address, width) as (page, account):
        for path, title in PAGES:
            start = time.monotonic()
            page.goto(f"{address}/{path}")
            since = readable(page, NOTICE if EMPTY in path else ".sh-answer")
            answered = time.monotonic() - start
            settled(page)
            assert page.inner_text("h1") == title
            if path not in WITHOUT_PICTURES:
                page.wait_for_selector("[data-testid=stVegaLiteChart] svg.marks", timeout=60_000)
            faults = overflow(page)
            moved = shifted(page, since)
            print(f"{title} at {width}: answer after {answered:.2f} s, moved {sum(v for v, _ in moved):.3f}")
            if sum(v for v, _ in moved) >= GOOD_SHIFT:
                faults += [f"moved {v:.3f}: {what}" for v, what in moved]
            faults += barriers(page)
            # Everything below the first screen, too, folds opened.
            page.evaluate("document.querySelector('[data-testid=stMain]').scrollTo(0, 1e6)")
            still(page)
            faults += overflow(page) + spilled(page)
            if faults:
                found[title] = faults
        assert found == {}
        _clean(account)


def test_every_tab_says_which_question_it_holds(address: str) -> None:
    """Pages that stand open side by side are told apart (WCAG 2.4.2), in the language that they name."""
    with opened(address, "desk") as (page, account):
        for path, title in PAGES:
            page.goto(f"{address}/{path}")
            settled(page)
            assert page.title() == f"{title} · showhour"
            assert page.get_attribute("html", "lang") == "en"
            wide = page.evaluate("document.querySelector('[data-testid=stMainBlockContainer]').clientWidth")
            assert wide > 1000, "the page lost its width"
        _clean(account)


_IN_FOCUS = """() => {
    const here = document.activeElement;
    const ring = here.type === 'checkbox' ? here.closest('label') : here;
    const {outlineStyle, outlineWidth, outlineColor} = getComputedStyle(ring);
    const name = here.ariaLabel || here.textContent.slice(0, 40);
    return here.matches('a, button, summary, [role=slider], [type=checkbox], .sh-scroll')
        ? [`${here.tagName} ${name}`, `${outlineStyle} ${outlineWidth} ${outlineColor}`] : null;
}"""


def test_what_the_keyboard_is_on_is_seen(address: str) -> None:
    """Link, button, fold, slider, switch and scrolling table: each has the ring of the style sheet, 8.4:1 on
    white, and not Streamlit's own, whose grey of a fifth's strength is about 1.5:1."""
    with opened(address, "desk") as (page, _):
        seen: dict[str, str] = {}
        for path, stops in ((f"venue?booking={HOT}", 45), ("log", 30)):
            page.goto(f"{address}/{path}")
            settled(page)
            for _ in range(stops):
                page.keyboard.press("Tab")
                at = page.evaluate(_IN_FOCUS)
                if at:
                    seen[at[0]] = at[1]
        kinds = {name.partition(" ")[0] for name in seen}
        assert {"A", "BUTTON", "SUMMARY", "DIV", "INPUT"} <= kinds, sorted(seen)
        assert {k: v for k, v in seen.items() if v != "solid 3px rgb(11, 79, 138)"} == {}


_EDGES = """() => [...document.querySelectorAll('.sh-scroll')].filter(
    n => n.checkVisibility({contentVisibilityAuto: true})
).map(n => ({
    more: n.scrollWidth - n.clientWidth,
    dark: getComputedStyle(n).boxShadow.startsWith('rgba(23, 33, 43'),
}))"""


def test_a_table_that_goes_on_beyond_its_box_has_a_dark_edge(address: str) -> None:
    """Columns may end exactly at a telephone's edge: that more follow is seen, until the last is."""
    with opened(address, "phone") as (page, _):
        for path in (f"show?booking={HOT}", f"figure?booking={HOT}&figure=Square%20loop"):
            page.goto(f"{address}/{path}")
            settled(page)
            found = page.evaluate(_EDGES)
            assert any(e["more"] > 8 for e in found)
            assert [e for e in found if e["dark"] != (e["more"] > 0)] == [], path
            page.evaluate("document.querySelectorAll('.sh-scroll').forEach(n => n.scrollTo(1e5, 0))")
            still(page)
            assert not any(e["dark"] for e in page.evaluate(_EDGES)), path


@pytest.mark.parametrize("width", WIDTHS)
def test_the_plan_view_is_a_square(address: str, width: str) -> None:
    """As many pixels to a knot northward as eastward: another shape would turn every wind and heading."""
    with opened(address, width) as (page, _):
        page.goto(f"{address}/venue?booking={HOT}")
        settled(page)
        frame = page.locator(".st-key-plan_view svg.marks path.background").first
        across, down = frame.evaluate("e => { const box = e.getBBox(); return [box.width, box.height]; }")
        assert across == down > 0


def test_limits_of_the_act_are_seen_on_a_phone(address: str) -> None:
    """The comfortable value without the limit beside it would be half of what keeps the act on the ground."""
    with opened(address, "phone") as (page, _):
        for path in ("today", "venue"):
            page.goto(f"{address}/{path}?booking={HOT}")
            settled(page)
            box = page.locator(".sh-scroll", has=page.get_by_text("grounded for any observed cause"))
            assert box.inner_text().splitlines()[1].split("\t")[-1] == "Limit"
            assert box.evaluate("e => e.scrollWidth <= e.clientWidth")


def test_a_planted_fault_is_found(address: str) -> None:
    """The checks above can fail: words too pale to read and a picture without words; a page that jumps. And
    they wait for a page that goes on changing."""
    with opened(address, "phone") as (page, _):
        page.goto(f"{address}/_stcore/health")
        page.evaluate(
            'document.body.innerHTML = \'<p style="color:#ccc;background:#fff">pale</p><img src="data:,">\''
        )
        assert {f.split()[0] for f in barriers(page)} >= {"color-contrast", "image-alt"}
        page.evaluate(
            "setTimeout(() => document.body.insertAdjacentHTML("
            "'afterbegin', '<div style=\"height:400px\"></div>'), 50)"
        )
        still(page)
        assert sum(v for v, _ in shifted(page, 0.0)) > GOOD_SHIFT
        page.evaluate(
            "const beat = setInterval(() => document.body.append('.'), 60);"
            "setTimeout(() => { clearInterval(beat); document.body.append('last'); }, 600)"
        )
        still(page)
        assert page.inner_text("body").endswith("last")


@pytest.mark.parametrize(
    ("path", "booking", "width"),
    [
        ("energy", HOT, "phone"),
        ("hour", HOT, "phone"),
        ("figure", HOT, "phone"),
        ("venue", HOT, "desk"),
        ("venue", EMPTY, "desk"),
    ],
)
def test_what_comes_late_pushes_nothing_down(address: str, path: str, booking: str, width: str) -> None:
    """The scripts of the controls above the answer, and of the pictures, are held back until it can be read:
    all stays in place."""
    late = ("/Selectbox.", "/Slider.", "/ButtonGroup.", "/ArrowVegaLiteChart.")
    held: list[Any] = []
    with opened(address, width) as (page, account):
        page.route(lambda url: any(name in url for name in late), lambda route: held.append(route))
        page.goto(f"{address}/{path}?booking={booking}")
        since = readable(page, NOTICE if booking == EMPTY else ".sh-answer")
        settled(page)
        assert held
        for route in held:
            route.continue_()
        page.get_by_role("slider").first.wait_for(timeout=60_000)
        settled(page)
        moved = shifted(page, since)
        print(f"{path} of {booking}: moved {sum(v for v, _ in moved):.3f}")
        assert sum(v for v, _ in moved) < GOOD_SHIFT / 2, moved
        _clean(account)


def test_the_booking_goes_along_and_the_slider_answers(address: str) -> None:
    """From a small picture's name to its venue, and a limit moved by the arrow keys: the table follows."""
    with opened(address, "desk") as (page, account):
        page.goto(f"{address}/venue?booking={SEA}")
        settled(page)
        start = time.monotonic()
        page.get_by_text("Plan the season").first.click()
        page.get_by_role("menuitem", name="Which bookings").click()
        page.wait_for_selector("h1:has-text('Which bookings')", timeout=60_000)
        page.wait_for_selector("tr.chosen", timeout=60_000)
        print(f"page change: {time.monotonic() - start:.2f} s")
        assert f"booking={SEA}" in str(page.get_attribute("tr.chosen a", "href"))
        settled(page)
        page.get_by_text("The same as a table").first.click()
        page.locator("th:has-text('In the window')").wait_for(timeout=60_000)
        page.locator("[data-testid=stPageLink-NavLink]", has_text="Red Bench").first.click()
        page.wait_for_selector("h1:has-text('One venue')", timeout=60_000)
        settled(page)
        assert parse_qs(urlsplit(page.url).query)["booking"] == [HOT]
        table = page.locator("table.sh", has_text="As your limits stand")
        before = table.inner_text()
        thumb = page.get_by_role("slider").nth(2)
        thumb.focus()
        start = time.monotonic()
        page.keyboard.press("ArrowRight")
        page.wait_for_function(
            "before => [...document.querySelectorAll('table.sh')].some("
            "t => t.innerText.includes('As your limits stand') && t.innerText !== before)",
            arg=before,
            timeout=60_000,
        )
        print(f"what if: {time.monotonic() - start:.2f} s")
        _clean(account)


def test_a_number_that_cannot_be_has_no_answer(address: str) -> None:
    """95 °F typed for °C after a reading of 12 °C: the answer of the 12 °C does not stay beside it.

    An emptied elevation of the station is the show site's own, to the foot.
    """
    with opened(address, "phone") as (page, _):
        page.goto(f"{address}/today?booking={HOT}")
        readable(page)
        settled(page)
        page.get_by_text("Typed values", exact=True).click()
        page.get_by_label("Temperature [").wait_for()

        def asked(**typed: str) -> str:
            for label, value in typed.items():
                box = page.get_by_label(label.replace("_", " ")).first
                box.fill(value)
                box.press("Tab")
            settled(page)
            page.get_by_role("button", name="Which show?").click()
            page.wait_for_timeout(500)
            settled(page)
            return str(page.inner_text("[data-testid=stMain]")).replace("\xa0", " ")

        good = asked(Temperature="12", Dew_point="2", Altimeter_setting="29.92")
        assert "Which show: " in good
        assert "is carried from" not in good
        wrong = asked(Temperature="95")
        assert "Temperature [°C]: 95 is out of range. A number from -40 to 55 is wanted." in wrong
        assert "Which show: " not in wrong
        far = asked(Temperature="12", Elevation_of_the_station="99000")
        assert "99000 is out of range" in far
        assert "Which show: " not in far
        emptied = asked(Elevation_of_the_station="")
        assert emptied.split("Which show: ")[1] == good.split("Which show: ")[1]


def test_a_bookmark_opened_first_is_the_whole_page() -> None:
    """The first address a fresh server is asked for may be a page's own: it has style and menu."""
    chromium_or_skip()
    made = verified_season()
    with served(made.results, made.folder) as where, opened(where, "desk") as (page, account):
        page.goto(f"{where}/hour?booking={HOT}")
        page.wait_for_selector(".sh-answer", timeout=60_000)
        settled(page)
        assert page.inner_text("h1") == "What hour"
        page.get_by_text("Plan the season").first.click()
        page.get_by_role("menuitem", name="Which bookings").wait_for(timeout=10_000)
        # The style sheet of the app draws the answer larger than the text around it.
        size = "e => parseFloat(getComputedStyle(e).fontSize)"
        assert page.eval_on_selector(".sh-answer", size) > page.eval_on_selector("body", size)
        _clean(account)


def test_the_first_page_opens_by_its_name_too(address: str) -> None:
    """The other pages have addresses; who types the first one's, or follows a link to it, is there, with the
    booking that the link names; its menu holds the page once."""
    with opened(address, "desk") as (page, account):
        page.goto(f"{address}/bookings?booking={SEA}")
        page.wait_for_selector("tr.chosen", timeout=60_000)
        settled(page)
        assert page.inner_text("h1") == "Which bookings"
        assert f"booking={SEA}" in str(page.get_attribute("tr.chosen a", "href"))
        page.get_by_text("Plan the season").first.click()
        page.get_by_role("menuitem", name="Which bookings").wait_for(timeout=10_000)
        assert page.get_by_role("menuitem", name="Which bookings").count() == 1
        _clean(account)


def _listening(port: int) -> list[str]:
    """Addresses of all sockets that listen on a port, as the kernel tells them (proc(5))."""
    listening = []
    for table in ("/proc/net/tcp", "/proc/net/tcp6"):
        if not Path(table).is_file():
            continue
        for line in Path(table).read_text().splitlines()[1:]:
            local, state = line.split()[1], line.split()[3]
            if state == "0A" and int(local.split(":")[1], 16) == port:
                listening.append(local.split(":")[0])
    return listening


def test_only_this_machine_is_listened_to(address: str) -> None:
    """Every socket that listens on the port is bound to 127.0.0.1."""
    port = urlsplit(address).port
    assert port is not None
    assert _listening(port) == ["0100007F"]


def test_no_setting_of_another_program_opens_it(tmp_path: Path) -> None:
    """The command itself, started where the environment tells Streamlit to serve every network.

    Ended, it leaves nobody on the port.
    """
    made = verified_season()
    cache, port = tmp_path / "cache", free_port()
    path = results_path(made.folder, cache)
    path.parent.mkdir(parents=True)
    shutil.copyfile(made.results, path)
    environment = os.environ | {"SHOWHOUR_CACHE": str(cache), "STREAMLIT_SERVER_ADDRESS": "0.0.0.0"}
    code = "import sys; from pipeline.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "dashboard", str(made.folder), "--port", str(port)]
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    ) as started:
        try:
            deadline = time.monotonic() + 60
            while not _listening(port):
                assert started.poll() is None, "the dashboard ended before it listened"
                assert time.monotonic() < deadline, "the dashboard did not listen within a minute"
                time.sleep(0.1)
            assert _listening(port) == ["0100007F"]
            started.terminate()
            assert started.wait(timeout=60) == 0
            assert _listening(port) == []
        finally:
            with suppress(ProcessLookupError):
                os.killpg(started.pid, signal.SIGTERM)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_first_season_is_for_everybody(tmp_path: Path, width: str) -> None:
    """An empty folder's form, reached by keyboard: every field has a name, nothing is wider than the screen,
    nothing is asked of another host, and the page says what is still wanted."""
    chromium_or_skip()
    with served(tmp_path / "none.nc", tmp_path / "mine") as where, opened(where, width) as (page, account):
        page.goto(where)
        settled(page)
        way = page.get_by_role("radio", name="Look at the invented demo")
        for _ in range(20):
            page.keyboard.press("Tab")
            if way.evaluate("e => e === document.activeElement"):
                break
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        page.get_by_label("Pilot’s name").wait_for(timeout=60_000)
        settled(page)
        assert "Still wanted: your name" in page.inner_text("[data-testid=stMain]")
        assert overflow(page) == []
        assert barriers(page) == []
        assert not (tmp_path / "mine").exists()
        _clean(account)


def test_nothing_to_show_is_said_without_a_traceback(tmp_path: Path) -> None:
    """No results: words on the screen, and no frame of the program."""
    chromium_or_skip()
    with (
        served(tmp_path / "none.nc", None) as where,
        opened(where, "phone") as (page, account),
    ):
        page.goto(where)
        settled(page)
        text = page.inner_text("body")
        assert "showhour run" in text
        assert "Traceback" not in text
        assert overflow(page) == []
        _clean(account)


# A link, a picture from elsewhere, a formula, a colour, an emoji, an icon, HTML, addresses, a heading.
MARKS = (
    r"A_b_*c* $5 [x](http://y.example) $6 ![i](http://z.example/i.png) :red[r] :smile: :material/home: "
    "<b>h</b> http://v.example www.w.example me@u.example 1. # t"
)
MADE_OF_MARKS = """() => [...document.querySelectorAll('[data-testid=stMain] *')].filter(n =>
    n.matches('a[href*=".example"], img[src*=".example"], .katex')
    || n.matches('em, code, b, h1, h2') && ['c', 'q', 'h', 't', 'Heading'].includes(n.textContent)
).map(n => n.outerHTML)"""


def _as_read(text: str) -> str:
    """What stands on the screen, without the joiners that have no width."""
    return text.replace("\N{WORD JOINER}", "")


def test_what_a_link_asks_for_is_shown_as_it_stands(address: str) -> None:
    """Whoever sends a link must not be able to put another link, or a picture from elsewhere, on the page."""
    asked = {
        "venue": ({"booking": MARKS}, {"booking": HOT, "day": MARKS}, {"booking": HOT, "slot": MARKS}),
        "figure": ({"booking": HOT, "figure": MARKS},),
        "sources": ({"booking": f"{MARKS}\n\n# Heading\n"},),
    }
    with opened(address, "desk") as (page, account):
        for path, links in asked.items():
            for query in links:
                page.goto(f"{address}/{path}?{urlencode(query)}")
                settled(page)
                told = [_as_read(t) for t in page.locator(NOTICE).all_inner_texts()]
                assert any(f"“{MARKS}" in t for t in told), (path, query, told)
                assert page.evaluate(MADE_OF_MARKS) == []
        _clean(account)


def test_names_are_shown_as_they_stand(tmp_path: Path) -> None:
    """Names and reasons out of the results, where a page puts them into headings, labels and notices."""
    chromium_or_skip()
    made = verified_season()
    with read_results(made.results) as ds:
        held = ds.load()
    silent = [str(s) != "ok" for s in held["day_status"].values]
    assert any(silent)
    held["venue_name"] = held["venue_name"].dims, np.full(held["venue_name"].shape, MARKS, dtype=object)
    status = np.where(silent, MARKS, "ok").astype(object)
    held["day_status"] = held["day_status"].dims, status
    write_results(held, tmp_path / "results.nc")
    with served(tmp_path / "results.nc", None) as where, opened(where, "desk") as (page, account):
        for path, title in PAGES:
            page.goto(f"{where}/{path}")
            settled(page)
            assert page.inner_text("h1") == title
            assert page.evaluate(MADE_OF_MARKS) == [], path
            if path.startswith(("show", "sources")):
                assert any(MARKS in _as_read(t) for t in page.locator("h3").all_inner_texts()), path
            if EMPTY in path:
                assert any(MARKS in _as_read(t) for t in page.locator(NOTICE).all_inner_texts())
            if path == "":
                links = page.locator("[data-testid=stPageLink-NavLink]").all_inner_texts()
                assert any(MARKS in _as_read(t) for t in links)
        _clean(account)
