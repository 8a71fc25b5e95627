"""Three people and their questions, walked end to end in a real browser: by pointer, thumb and keyboard."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from browser import (
    ANSWERS_LATE,
    GOOD_SHIFT,
    Account,
    barriers,
    chromium,
    chromium_or_skip,
    opened,
    overflow,
    readable,
    served,
    settled,
    shifted,
)
from dashboard_season import EMPTY, HOT, SEA, verified_season
from PIL import Image
from screenshots import MOST_BYTES, take
from streamlit.testing.v1 import AppTest

import dashboard

METAR = "METAR KXXX 051955Z 21012G19KT 10SM CLR 31/04 A3008"


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    chromium_or_skip()
    made = verified_season()
    with served(made.results, made.folder) as where, chromium():
        yield where


class Hand:
    """Whoever sits before the page, and what they have: pointer, thumb or keyboard."""

    def __init__(self, page: Any, *, phone: bool, keyboard: bool) -> None:
        self.page, self.phone, self.keyboard = page, phone, keyboard

    def _tab_to(self, target: Any) -> None:
        target.wait_for(state="attached", timeout=60_000)
        for _ in range(150):
            if target.evaluate("e => e === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
        pytest.fail(f"Tab never reached {target}")

    def press(self, target: Any) -> None:
        """Follow a link or push a button."""
        if self.keyboard:
            self._tab_to(target)
            self.page.keyboard.press("Enter")
        else:
            target.click()

    def go(self, section: str, title: str) -> None:
        """Open a page by the menu."""
        page = self.page
        if self.phone:
            self.press(page.get_by_test_id("stExpandSidebarButton"))
            self.press(page.get_by_test_id("stSidebarNavLink").filter(has_text=title))
            # Streamlit leaves its menu open over a narrow page.
            self.press(page.get_by_role("button", name="Collapse sidebar"))
        else:
            self.press(page.get_by_test_id("stTopNavSection").filter(has_text=section))
            item = page.get_by_role("menuitem", name=title, exact=True)
            item.wait_for(timeout=10_000)
            if self.keyboard:
                for _ in range(6):
                    if item.evaluate("e => e === document.activeElement"):
                        break
                    page.keyboard.press("ArrowDown")
                page.keyboard.press("Enter")
            else:
                item.click()
        self.arrived(title)

    def arrived(self, title: str) -> None:
        self.page.wait_for_selector(f"h1:has-text('{title}')", timeout=60_000)
        readable(self.page)
        settled(self.page)

    def choose(self, label: str, text: str) -> None:
        """Choose from a list by typing what is wanted."""
        box = self.page.get_by_role("combobox", name=label)
        if self.keyboard:
            self._tab_to(box)
        else:
            box.click()
        self.page.keyboard.type(text)
        self.page.keyboard.press("Enter")
        settled(self.page)

    def write(self, label: str, text: str) -> None:
        box = self.page.get_by_label(label)
        if self.keyboard:
            self._tab_to(box)
            self.page.keyboard.type(text)
        else:
            box.fill(text)

    def later(self, label: str) -> None:
        """Move a slider one step to the right: its arrow keys, which is also how a thumb is helped."""
        slider = self.page.get_by_role("slider", name=label)
        if self.keyboard:
            self._tab_to(slider)
        else:
            slider.focus()
        self.page.keyboard.press("ArrowRight")
        settled(self.page)

    def read(self, question: Question) -> str:
        """What stands where the answer is looked for; a busy server may still be at it for a while."""
        for _ in range(100):
            told = " ".join(self.page.locator(question.where).all_inner_texts())
            if re.search(question.says, told, re.DOTALL):
                break
            self.page.wait_for_timeout(100)
        return told


def look(hand: Hand) -> None:
    """The answer stands as the page opens."""


def read_the_metar(hand: Hand) -> None:
    hand.write("METAR or SPECI, whole as copied", METAR)
    hand.press(hand.page.get_by_role("button", name="Which show?"))
    settled(hand.page)


@dataclass(frozen=True)
class Question:
    """A question in the person's own words, the page that answers, what is done there, and the answer."""

    words: str
    section: str
    title: str
    says: str
    where: str = ".sh-answer"
    does: Callable[[Hand], None] = look


@dataclass(frozen=True)
class Person:
    """Who asks, about which booking, and the five questions."""

    booking: str
    asks: tuple[Question, ...]


TIME = r"\d\d:\d\d"
PEOPLE = {
    "performer": Person(
        HOT,
        (
            Question(
                "Is a hot high field in June at 14:00 a worse offer than its fee says?",
                "Plan the season",
                "Which bookings",
                r"Red Bench.*(days? in|never).*density altitude.*11,130",
                "table.cards",
            ),
            Question(
                "Which of these offers do I take, and what is the season worth?",
                "Plan the season",
                "The season",
                r"(?i)(take|keep|no offer is worth)",
            ),
            Question(
                "Which few shows do I build and rehearse this winter?",
                "Prepare",
                "Which show",
                r"full.*thin-air.*low-ceiling",
                "table:has-text('Crowd value')",
            ),
            Question(
                "What must I practise, and by when, so that it counts on the day?",
                "Prepare",
                "Which show",
                r"What to practise, and by when.*(Practise from and by|Not current|is current at every show)",
                "main",
            ),
            Question(
                "Has it been right about years gone by?", "Trust", "Can I trust it", r"(?i)interval|history"
            ),
        ),
    ),
    "agent": Person(
        SEA,
        (
            Question(
                "What bites at this field, and what does the wind do there at that hour?",
                "Agree the hour",
                "One venue",
                rf"{TIME}",
            ),
            Question(
                "What does each hour of the day buy or cost?",
                "Agree the hour",
                "What hour",
                rf"{TIME}.*{TIME}",
                "table:has-text('Start, local')",
            ),
            Question(
                "Which hour do I ask for, and which is the latest worth accepting?",
                "Agree the hour",
                "What hour",
                rf"(?i)ask.*{TIME}.*walk",
                "main",
            ),
            Question(
                "And if the show runs an hour and a half late?",
                "Agree the hour",
                "What hour",
                rf"runs 90 minutes late \({TIME}\)",
                does=lambda hand: hand.later("The show may run late by [min]"),
            ),
            Question(
                "What do I send the organiser?",
                "Agree the hour",
                "What hour",
                rf"Saltreach Beach.*{TIME}.*not a flight clearance",
                "[data-testid=stCode]",
            ),
        ),
    ),
    "pilot": Person(
        HOT,
        (
            Question(
                "Which show do I fly there, and what stays in reserve?",
                "Prepare",
                "Which show",
                r"(?i)plan on the .* show.*reserve",
            ),
            Question(
                "How much height and speed in hand has my square loop in that air, and where is its gate?",
                "Prepare",
                "A figure in thin air",
                r"^Square loop at Red Bench.*density altitude.*\b(in|thin|out)\b",
                does=lambda hand: hand.choose("Figure", "Square loop"),
            ),
            Question(
                "Does the whole routine keep its height and speed there, and fit the slot?",
                "Prepare",
                "The routine’s energy",
                r"(?i)full show at Red Bench.*(slot of|takes|cannot)",
            ),
            Question(
                "I have read the METAR: which show?",
                "On the day",
                "Today",
                r"(?i)(full|thin-air|low-ceiling|no show)",
                does=read_the_metar,
            ),
            Question(
                "Are my personal limits where I think they are?", "Trust", "What my log says", r"(?i)limit"
            ),
        ),
    ),
}
DASHBOARD = Path(dashboard.__file__).parent
WAYS = {"pointer": ("desk", False), "thumb": ("phone", False), "keyboard": ("desk", True)}
NARROW_BY_KEYBOARD = ("agent",)
"""Who walks by keyboard on a narrow screen, whose menu is another."""


def _clean(account: Account) -> None:
    assert account.outside == []
    assert account.console == []


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("who", PEOPLE)
def test_five_questions(address: str, who: str, way: str) -> None:
    """From the season's list to the booking in hand, then question by question by the menu: each page
    holds the booking and the answer, is no wider than the screen, and nothing jumps by itself."""
    person = PEOPLE[who]
    width, keyboard = WAYS[way]
    if keyboard and who in NARROW_BY_KEYBOARD:
        width = "phone"
    with opened(address, width) as (page, account):
        hand = Hand(page, phone=width == "phone", keyboard=keyboard)
        page.goto(address)
        hand.arrived("Which bookings")
        hand.press(page.locator(f"table.cards a[href$='booking={person.booking}']"))
        hand.arrived("One venue")
        for question in person.asks:
            since = float(page.evaluate("performance.now()"))
            if page.inner_text("h1") != question.title:
                hand.go(question.section, question.title)
            question.does(hand)
            told = hand.read(question)
            print(f"{who}, {way}: {question.words}\n    {told[:200]!r}")
            assert re.search(question.says, told, re.DOTALL), f"{question.words}\n{told}"
            assert overflow(page) == []
            moved = shifted(page, since)
            assert sum(v for v, _ in moved) < GOOD_SHIFT, moved
            held = parse_qs(urlsplit(page.url).query).get("booking")
            assert held in (None, [person.booking]), page.url
        _clean(account)


def test_an_outcome_that_comes_late_pushes_nothing_down(address: str) -> None:
    """A reading typed in, a slow machine: its outcome has its place, and what stands below keeps its own."""
    with opened(address, "phone") as (page, account):
        page.add_init_script(ANSWERS_LATE)
        page.goto(f"{address}/today?booking={HOT}")
        readable(page)
        settled(page)
        since = float(page.evaluate("performance.now()"))
        read_the_metar(Hand(page, phone=True, keyboard=False))
        page.wait_for_selector(".sh-answer:has-text('Which show')", timeout=60_000)
        settled(page)
        moved = shifted(page, since)
        assert sum(v for v, _ in moved) < GOOD_SHIFT, moved
        assert overflow(page) == []
        assert barriers(page) == []
        _clean(account)


@pytest.mark.parametrize(("path", "shows"), [("venue", "What if"), ("show", "The shows at")])
def test_another_booking_that_comes_late_pushes_nothing_down(address: str, path: str, shows: str) -> None:
    """From a booking without numbers to one that fills its page, a slow machine."""
    with opened(address, "desk") as (page, account):
        page.add_init_script(ANSWERS_LATE)
        page.goto(f"{address}/{path}?booking={EMPTY}")
        settled(page)
        since = float(page.evaluate("performance.now()"))
        page.get_by_role("combobox", name="Booking").click()
        page.get_by_role("option").filter(has_text="Red Bench").click()
        page.get_by_role("heading", name=shows).wait_for()
        settled(page)
        moved = shifted(page, since)
        assert sum(v for v, _ in moved) < GOOD_SHIFT, moved
        _clean(account)


VIEWS = {
    "": {},
    "season": {},
    "venue": {"day": "2027-06-06", "slot": "12:30", "figure": "Hammerhead"},
    "hour": {"day": "2027-06-06"},
    "show": {},
    "figure": {"day": "2027-06-06", "slot": "12:30", "figure": "Hammerhead"},
    "energy": {"day": "2027-06-06", "slot": "12:30"},
    "aircraft": {"day": "2027-06-06", "slot": "12:30"},
    "today": {"day": "2027-06-06"},
    "trust": {},
    "sources": {},
    "log": {},
}


@pytest.mark.parametrize("path", VIEWS)
def test_a_link_reopens_the_same_view(monkeypatch: pytest.MonkeyPatch, path: str) -> None:
    """A page opened by an address that names booking, day, slot and figure shows these, keeps them in the
    address, and in the session, from where the next page takes them. The booking is not the best one, which
    a page shows unasked."""
    made = verified_season()
    monkeypatch.setenv("SHOWHOUR_RESULTS", str(made.results))
    monkeypatch.setenv("SHOWHOUR_SEASON", str(made.folder))
    asked = {"booking": HOT, **VIEWS[path]}
    script = DASHBOARD / (f"views/{path}.py" if path else "app.py")
    app = AppTest.from_file(str(script), default_timeout=120)
    for name, value in asked.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception
    for name, value in asked.items():
        assert app.query_params[name] in (value, [value])
        assert app.session_state[name] == value


def test_pictures_are_drawn(address: str, tmp_path: Path) -> None:
    """What draws the pictures of the documents writes small ones of the width asked for."""
    drawn = take(
        address, tmp_path, {"desk": ("desk", f"hour?booking={HOT}", 900), "phone": ("phone", "", 844)}
    )
    for path, width in zip(drawn, (1280, 390), strict=True):
        assert 5_000 < path.stat().st_size < MOST_BYTES
        with Image.open(path) as picture:
            assert (picture.mode, picture.width) == ("P", width)
            assert len(picture.getcolors() or ()) > 8
