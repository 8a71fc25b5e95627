"""The season and its bookings as files to send: whole, private, escaped, and saying what the results say.

The pages are read back by the standard library's HTML parser and by a browser without a network.
"""

from __future__ import annotations

import json
import math
import re
import shutil
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from browser import CHROMIUM, FLAGS, barriers, chromium_or_skip
from dashboard_season import EMPTY, HOT, SEA, Made, small_season, thin_season

from dashboard import charts, shared, words
from pipeline import results
from pipeline.air.variables import FT, KT
from pipeline.cli import main
from pipeline.errors import InputError
from pipeline.inputs import load_season
from pipeline.run import results_path

VOID = {"meta", "br", "link", "img", "input", "hr"}
EVIL = """<script>alert("1")</script> & 'Field' """


@dataclass
class Parsed(HTMLParser):
    """Elements, texts, and tables by caption; raises where tags do not match."""

    html: str
    elements: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    tables: list[tuple[str, list[list[str]]]] = field(default_factory=list)
    text: str = ""

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[str] = []
        self._caption = ""
        self._rows: list[list[str]] = []
        self.feed(self.html)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self._open.append(tag)
        if tag == "table":
            self._caption, self._rows = "", []
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th"):
            self._rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag
        if tag == "table":
            self.tables.append((self._caption, self._rows))

    def handle_data(self, data: str) -> None:
        data = data.replace(words.NBSP, " ")
        if "style" in self._open:
            return
        self.text += data
        if "caption" in self._open:
            self._caption += data
        elif {"td", "th"} & set(self._open):
            self._rows[-1][-1] += data

    def table(self, begins: str, at: int = 0) -> list[dict[str, str]]:
        """Rows of a table whose caption begins so, by their headings."""
        head, *rows = [t for c, t in self.tables if c.startswith(begins)][at]
        return [dict(zip(head, row, strict=True)) for row in rows]


def _plain(told: str) -> str:
    return told.replace(words.NBSP, " ")


@pytest.fixture(scope="module")
def share() -> shared.Sharing:
    made = small_season()
    return shared.gather(made.results, load_season(made.folder))


def _at_home(made: Made, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The results where the command looks for them."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(cache))
    path = results_path(made.folder, cache)
    path.parent.mkdir(parents=True)
    shutil.copyfile(made.results, path)


def _private(page: Parsed) -> None:
    """Nothing is asked of anywhere, and nothing runs."""
    assert "http:" not in page.html
    assert "https:" not in page.html
    assert "url(" not in page.html
    assert "@import" not in page.html
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "link", "img", "iframe", "object", "embed", "form", "base", "image", "use"}
    for _, attributes in page.elements:
        assert not any(name.startswith("on") or name in ("src", "srcset") for name in attributes)
    policy = [a["content"] for _, a in page.elements if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]


# --- The command ------------------------------------------------------------------------------------


def test_the_command_writes_the_season_and_a_page_a_booking(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whole pages, linked to one another by name alone, named in the JSON; no half file beside them."""
    made = small_season()
    _at_home(made, tmp_path / "cache", monkeypatch)
    into = tmp_path / "out"
    assert main(["export", str(made.folder), "--html", "--into", str(into), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    names = {f"booking-{b}.html" for b in (HOT, SEA, EMPTY)} | {"index.html"}
    assert {Path(p).name for p in told["written"]} == names == {p.name for p in into.iterdir()}
    for name in names:
        page = Parsed((into / name).read_text(encoding="utf-8"))
        _private(page)
        assert ("html", {"lang": "en"}) in page.elements
        assert [a for _, a in page.elements if a.get("name") == "viewport"]
        assert [t for t, _ in page.elements].count("h1") == 1
        assert "<title>" in page.html
        assert all(line in page.text for line in results.CAUTIONS)
        assert "INVENTED" in page.text
        ids = [a["id"] for _, a in page.elements if "id" in a]
        assert len(ids) == len(set(ids))
        for link in (a["href"] for t, a in page.elements if t == "a"):
            assert link in names if not link.startswith("#") else link[1:] in ids
    index = Parsed((into / "index.html").read_text(encoding="utf-8"))
    assert {a["href"] for t, a in index.elements if t == "a"} == names - {"index.html"}


def test_what_cannot_be_written_is_said_and_no_index_leads_nowhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder stands where a page should: one line, exit code 2, and no index, which is written last."""
    made = small_season()
    _at_home(made, tmp_path / "cache", monkeypatch)
    into = tmp_path / "out"
    (into / f"booking-{SEA}.html").mkdir(parents=True)
    assert main(["export", str(made.folder), "--html", "--into", str(into)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert f"booking-{SEA}.html cannot be written" in told
    assert not (into / "index.html").exists()
    assert not list(into.glob(".*"))


def test_no_such_booking(share: shared.Sharing) -> None:
    """Only one booking may be asked for; another name is told the names there are."""
    made = small_season()
    with pytest.raises(InputError, match=f"nowhere-else.*{HOT}"):
        shared.gather(made.results, None, booking="nowhere-else")
    assert len(share.bookings) == 3


# --- The numbers ------------------------------------------------------------------------------------


def test_a_booking_page_says_what_the_results_say(share: shared.Sharing) -> None:
    """Every slot's chance, interval, density altitude and wind, and every figure, from the results file."""
    page = Parsed(shared.booking_file(share, HOT))
    with results.read_results(small_season().results) as ds:
        v = {n: ds[n].to_numpy() for n in ds.data_vars if "hour_offset" not in ds[n].dims}
        quantiles, names = ds["quantile"].to_numpy(), [str(f) for f in ds["figure"].to_numpy()]
    median, high = (int(np.argmin(np.abs(quantiles - q))) for q in (0.5, 0.9))
    days = np.flatnonzero(v["day_booking"] == HOT)
    assert len(days) == 2
    for k, d in enumerate(days):
        chances, air = page.table("Chances, slot by slot", k), page.table("In brackets the 90 %", k)
        assert len(chances) == len(air) == v["day_slots"][d]
        for s, (row, held) in enumerate(zip(chances, air, strict=True)):
            assert row["Start, local"] == held["Start, local"] == v["slot_local"][d, s]
            low, value, top = (
                float(v[f"routine_as_planned{end}"][d, s, 0]) for end in ("_lower", "", "_upper")
            )
            wanted = f"{words.percent(value)} ({100 * low:.0f} to {100 * top:.0f} %)"
            assert row["as planned [% of days]"] == _plain(wanted)
            for heading, name, unit, q in (
                ("DA, median [ft]", "density_altitude", FT, median),
                ("DA, 1 day in 10 above [ft]", "density_altitude", FT, high),
                ("Wind toward the crowd, 1 day in 10 above [kt]", "toward_crowd", KT, high),
            ):
                ends = [v[f"{name}_quantile{end}"][d, s, q] / unit for end in ("", "_lower", "_upper")]
                told = [int(x.replace(",", "")) for x in re.findall(r"-?[\d,]+", held[heading])]
                np.testing.assert_allclose(told, ends, atol=0.5001)
        heat = page.table("Days in ten on which each figure", k)
        assert len(heat) == int((v["routine_position"][0] > 0).sum())
        for row in heat:
            f = names.index(row.pop("Figure"))
            for s, cell in enumerate(row.values()):
                chance = float(v["figure_change"][d, s, f])
                assert cell == ("·" if chance < 0.05 else f"{10 * chance:.0f}")
    at = (days[0], v["day_offered_slot"][days[0]])
    shows = page.table("Red Bench")
    for r, row in enumerate(shows[:-1]):
        assert row["The one to fly [% of days]"] == _plain(words.percent(float(v["routine_flown"][at][r])))
    assert "Pilot's card" in " ".join(caption for caption, _ in page.tables)
    assert str(v["booking_trust"][0]) in page.text


def test_the_season_page_ranks_as_the_results_do(share: shared.Sharing) -> None:
    """Ranks, chances with intervals, density altitudes, best and worst slot; and no fee anywhere."""
    page = Parsed(shared.index_file(share))
    with results.read_results(small_season().results) as ds:
        told = results.summary(ds)
        reserve, ids = ds["booking_reserve"].to_numpy(), list(ds["booking"].to_numpy())
        figures = [str(f) for f in ds["figure"].to_numpy()]
    (rows,) = (t for c, t in page.tables if c.startswith("Bookings, best first"))
    ranked = sorted((b for b in told["bookings"] if b["rank"]), key=lambda b: b["rank"])
    for row, booking in zip(rows[1:], ranked, strict=False):
        assert row[0] == str(booking["rank"])
        assert booking["as_planned_in_words"] in row[2]
        assert _plain(words.interval(booking["as_planned_lower"], booking["as_planned_upper"])) in row[2]
        assert booking["best_slot_local"] in row[5] or "all alike" in row[5]
    kept = page.table("Planned on")
    assert len(kept) == len(ranked)
    for row, booking in zip(kept, ranked, strict=True):
        held = [figures[f] for f in np.flatnonzero(reserve[ids.index(booking["booking"])] == 2)]
        assert row["Keep in reserve"] == (", ".join(held) or "–")
    for text in (page.text, *(Parsed(shared.booking_file(share, b)).text for b in (HOT, SEA))):
        assert "11,130" not in text
        assert "9,000 USD" not in text
        assert "worse than its fee" not in text


def test_one_file_holds_the_season_and_every_booking(share: shared.Sharing) -> None:
    """Every link leads to a place in the file itself; every booking's own sentences are in it."""
    page = Parsed(shared.season_file(share))
    _private(page)
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    links = [a["href"] for t, a in page.elements if t == "a"]
    assert all(link.startswith("#") and link[1:] in ids for link in links)
    assert {f"#booking-{b}" for b in (HOT, SEA, EMPTY)} <= set(links)
    assert [t for t, _ in page.elements].count("h1") == 1
    for b in (HOT, SEA):
        single = Parsed(shared.booking_file(share, b))
        assert len(single.tables) > 10
        assert all(table in page.tables for table in single.tables)


# --- Bad days ---------------------------------------------------------------------------------------


def test_a_venue_without_hours_says_so(share: shared.Sharing) -> None:
    """The page of a venue that has none: why, no chance and no picture; and the same on the season's page."""
    page = Parsed(shared.booking_file(share, EMPTY))
    why = share.season.venue_troubles()[0][1]
    assert why.startswith("no station hours: ")
    assert "no hours of station XXXXX" in why
    assert "/" not in why
    assert why in page.text
    assert "svg" not in {t for t, _ in page.elements}
    assert "flown as planned never" not in page.text
    assert not [c for c, _ in page.tables if c.startswith("Chances")]
    assert why in Parsed(shared.index_file(share)).text


def test_a_thin_history_says_so() -> None:
    """Two years where five are wanted: "not enough history" with the reason, and no percentage of chance."""
    made = thin_season()
    share = shared.gather(made.results, load_season(made.folder))
    for page in (Parsed(shared.index_file(share)), Parsed(shared.booking_file(share, HOT))):
        assert "not enough history" in page.text
        assert not [c for c, _ in page.tables if c.startswith("Chances")]


def test_without_the_season_folder_the_page_says_what_is_missing() -> None:
    """No speeds and gates without the folder, and the notice first."""
    share = shared.gather(small_season().results, None, booking=SEA, notice="The season folder has changed.")
    page = Parsed(shared.booking_file(share, SEA))
    assert page.text.index("The season folder has changed.") < page.text.index("flown as planned")
    assert "no speeds and gates without it" in page.text


def test_names_are_text_and_never_markup(tmp_path: Path) -> None:
    """A script, quotes and an ampersand in every text a season can hold: read back as text, not as tags."""
    path = tmp_path / "evil.nc"
    with results.read_results(small_season().results) as ds:
        evil = ds.load()
    for name, field_ in results.SCHEMA.items():
        if name in ("venue_name", "venue_warnings", "booking_trust", "station_name", "station_licence"):
            assert field_.dtype == "str", name
            evil[name][:] = EVIL
    evil.attrs["season"] = EVIL
    evil.attrs["input_warnings"] = EVIL
    evil["figure"] = [f"{EVIL}{f}" for f in evil["figure"].to_numpy()]
    results.write_results(evil, path)
    share = shared.gather(path, None)
    for html in (
        shared.index_file(share),
        shared.season_file(share),
        *(shared.booking_file(share, b) for b in (HOT, SEA, EMPTY)),
    ):
        page = Parsed(html)
        _private(page)
        assert EVIL.strip() in page.text


# --- The look ---------------------------------------------------------------------------------------


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_digits_stand_out_from_every_cell() -> None:
    """Contrast at least 4.5 to 1 at every chance (WCAG 2.1, success criterion 1.4.3 and its luminance)."""
    for chance in np.linspace(0.0, 1.0, 201):
        a, b = sorted(_luminance(c) for c in charts.cell_colours(float(chance)))
        assert (b + 0.05) / (a + 0.05) >= 4.5
    assert charts.cell_colours(0.0)[0] == charts.CHANCE_RAMP[0]
    assert charts.cell_colours(1.0)[0] == charts.CHANCE_RAMP[-1]


def test_pictures_are_drawn_to_their_scale_and_told_in_words(share: shared.Sharing) -> None:
    """The limit line of density altitude lies where the numbers of the scale put it; every picture speaks."""
    html = shared.booking_file(share, HOT)
    pictures = re.findall(r"<svg.*?</svg>", html, re.DOTALL)
    assert len(pictures) >= 8
    for picture in pictures:
        assert re.search(r'role="img" aria-label="[^"]+At \d\d:\d\d: ', picture)
        assert "INVENTED WEATHER" in picture
    drawn = next(p for p in pictures if "Density altitude [ft]" in p)
    scale = re.findall(r'<text x="41\.0" y="([\d.]+)" text-anchor="end"[^>]*>([\d,]+)<', drawn)
    y = np.array([float(a) - 4 for a, _ in scale])
    feet = np.array([float(b.replace(",", "")) for _, b in scale])
    assert len(feet) >= 3
    limit = share.season.limit_of(share.season.days_of(HOT)[0], "density_altitude")
    assert limit is not None
    at = re.search(r'y="([\d.]+)"[^>]*>limit ([\d,]+)', drawn)
    assert at is not None
    assert at[2] == f"{math.floor(limit[1]):,}"
    slope, zero = np.polyfit(y, feet, 1)
    # Coordinates are rounded to a tenth of a pixel.
    assert slope * (float(at[1]) + 3) + zero == pytest.approx(limit[1], abs=0.2 * abs(slope))


# Words and times of the tables that scroll in their own box which are broken over two lines.
_BROKEN_WORDS = """() => [...document.querySelectorAll('.sh-scroll table:not(.cards) *')].flatMap(cell => {
    if (!cell.matches('th, td')) return [];
    const broken = [];
    const texts = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT);
    while (texts.nextNode()) {
        const text = texts.currentNode;
        for (const word of text.data.matchAll(/[\\p{L}\\d:.,]+/gu)) {
            const range = document.createRange();
            range.setStart(text, word.index);
            range.setEnd(text, word.index + word[0].length);
            const lines = new Set([...range.getClientRects()].map(r => Math.round(r.top)));
            if (lines.size > 1) broken.push(word[0]);
        }
    }
    return broken;
})"""


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 900)])
def test_in_a_browser_without_a_network(
    share: shared.Sharing, tmp_path: Path, width: int, height: int
) -> None:
    """Offline and without scripts: no wider than the screen, no request, no complaint; links lead on."""
    chromium_or_skip()
    from playwright.sync_api import sync_playwright

    shared.write_files(share, tmp_path)
    (tmp_path / "season.html").write_text(shared.season_file(share), encoding="utf-8")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        context = browser.new_context(
            viewport={"width": width, "height": height}, offline=True, java_script_enabled=False
        )
        page = context.new_page()
        asked: list[str] = []
        said: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        for name in ("index", f"booking-{HOT}", f"booking-{EMPTY}", "season"):
            page.goto((tmp_path / f"{name}.html").as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            # Captions, notes and answers are read without scrolling sideways.
            wide = page.evaluate(
                "w => [...document.querySelectorAll('h1,h2,h3,p,figure,.sh-answer,.sh-scroll,table.facts,"
                "table.cards td')].filter(e => e.getBoundingClientRect().right > w + 1)"
                ".map(e => e.tagName + ' ' + e.textContent.slice(0, 40))",
                width,
            )
            assert wide == []
            assert page.evaluate(_BROKEN_WORDS) == []
            names = page.locator("table.cards .who")
            if width < 700 and names.count():
                # The bookings' names stand under each other.
                assert len({round(box["x"]) for n in names.all() if (box := n.bounding_box())}) == 1
        page.goto((tmp_path / "index.html").as_uri())
        page.get_by_role("link", name="Red Bench").first.click()
        page.wait_for_url(f"**/booking-{HOT}.html")
        assert "Red Bench" in page.inner_text("h1")
        assert all(url.startswith("file:") for url in asked)
        assert said == []
        # What axe-core asks for needs scripts: the page itself has none.
        page = browser.new_context(viewport={"width": width, "height": height}, offline=True).new_page()
        page.goto((tmp_path / f"booking-{HOT}.html").as_uri())
        assert barriers(page) == []
        browser.close()


def test_on_paper_nothing_is_cut_off(share: shared.Sharing, tmp_path: Path) -> None:
    """Printed on A4 with margins of 12 mm (186 mm, 703 px at 96 to the inch): every table fits, links go."""
    chromium_or_skip()
    from playwright.sync_api import sync_playwright

    path = tmp_path / "season.html"
    path.write_text(shared.season_file(share), encoding="utf-8")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        page = browser.new_page(viewport={"width": 703, "height": 1000})
        page.goto(path.as_uri())
        page.emulate_media(media="print")
        assert not page.locator(".sh-links").first.is_visible()
        wide = page.evaluate(
            "[...document.querySelectorAll('table,svg,p,ul')]"
            ".filter(e => e.getBoundingClientRect().right > 704)"
            ".map(e => e.tagName + ' ' + e.textContent.slice(0, 60))"
        )
        assert wide == []
        assert page.evaluate("getComputedStyle(document.querySelector('.sh-scroll')).overflowX") == "visible"
        assert page.locator(".sh-cautions").last.is_visible()
        assert len(page.pdf(format="A4")) > 10_000
        browser.close()
