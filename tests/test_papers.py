"""Papers: one page each, readable, with cautions; and the numbers on them."""

from __future__ import annotations

import functools
import math
import os
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

import numpy as np
import pytest
from papers_season import BEACH, HIGH, papers_season
from reportlab.pdfgen.canvas import Canvas

from pipeline import briefing, paperwork
from pipeline.air.atmosphere import standard_temperature
from pipeline.air.variables import FT, KT
from pipeline.cli import main
from pipeline.decisions import limits
from pipeline.decisions.limits import NEVER_FLOWN
from pipeline.errors import InputError
from pipeline.flight.aircraft import FieldAir, UnblownEngine
from pipeline.flight.figures import LIBRARY
from pipeline.flight.motion import fly
from pipeline.flight.routine import routine_energy
from pipeline.flight_inputs import routine_items, season_flight
from pipeline.inputs import demo_folder, load_season
from pipeline.papers import sheet as paper
from pipeline.papers.sheet import FLOWN_POINTS, INVENTED, Lines, Numbers, Sheet, Table
from pipeline.paperwork import PaperDay
from pipeline.results import CAUTIONS
from pipeline.season_routines import routines_told


@functools.cache
def day(booking: str) -> PaperDay:
    made = papers_season()
    days, skipped = paperwork.booking_days(made.season, made.ds, [booking])
    assert skipped == []
    return days[0]


@functools.cache
def written() -> Path:
    import tempfile

    made = papers_season()
    into = Path(tempfile.mkdtemp(prefix="papers-", dir=made.cache.parent))
    paths, skipped = paperwork.write_papers(made.season, made.ds, into, booking=HIGH)
    assert skipped == []
    assert len(paths) == len(set(paths)) == len(list(into.iterdir()))
    return into


def _poppler(tool: str) -> str:
    found = shutil.which(tool)
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail(f"{tool} is missing; install poppler-utils")
        pytest.skip(f"{tool} is missing")
    return found


def test_every_booking_has_its_papers() -> None:
    """A card and a running order for every show, the which-show table, and one each for the others."""
    shows = {show.name for show in day(HIGH).shows}
    names = {path.name.removeprefix(f"{HIGH}-") for path in written().glob(f"{HIGH}-*")}
    slugs = {name.lower().replace(" ", "-") for name in shows}
    assert names == {f"card-{s}.pdf" for s in slugs} | {f"announcer-{s}.pdf" for s in slugs} | {
        "which-show.pdf", "director.pdf", "ask.pdf", "ask.txt", "today.html",
    }  # fmt: skip


def test_papers_hold_for_every_show_day() -> None:
    """High Larch is flown on 10 and 11 July 2027, Saturday and Sunday: the thinner day's air counts.

    1-in-10 high density altitude at the slot, of each day as the results have it, the higher one rounded up.
    """
    one = day(HIGH)
    rows = [i for i, b in enumerate(one.ds["day_booking"].to_numpy()) if b == HIGH]
    assert [row for row, _ in one.days] == rows
    assert len(rows) == 2
    assert one.title == "High Larch, Saturday 10 and Sunday 11 July 2027"
    tenth = one.ds["quantile"].to_numpy().tolist().index(0.9)
    high = [
        float(one.ds["density_altitude_quantile"][i, int(one.ds["day_offered_slot"][i]), tenth]) / FT
        for i in rows
    ]
    assert high[0] != high[1]
    assert one.reckoned_ft == np.ceil(max(high) / 500.0) * 500.0
    asked = (written() / f"{HIGH}-ask.txt").read_text(encoding="utf-8")
    assert "At the same starts on 2027-07-11 the full show differs by at most" in asked


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (["2027-07-10"], "Saturday 10 July 2027"),
        (["2027-07-31", "2027-08-01"], "Saturday 31 July 2027 and Sunday 1 August 2027"),
        (["2027-07-09", "2027-07-10", "2027-07-11"], "Friday 9, Saturday 10 and Sunday 11 July 2027"),
    ],
)
def test_show_days_in_words(days: list[str], words: str) -> None:
    """Days of the week by the calendar."""
    assert paperwork._dates(days) == words


def test_every_pdf_is_one_page_with_cautions_and_the_mark() -> None:
    """Read by poppler, an independent reader: one page, the cautions, the mark, and no gap."""
    for path in sorted(written().glob(f"{HIGH}-*.pdf")):
        info = subprocess.run([_poppler("pdfinfo"), path], capture_output=True, text=True, check=True)
        assert re.search(r"^Pages:\s+1$", info.stdout, re.MULTILINE), path.name
        text = subprocess.run(
            [_poppler("pdftotext"), "-layout", path, "-"], capture_output=True, text=True, check=True
        ).stdout
        flat = " ".join(text.split())
        assert INVENTED in flat, path.name
        assert all(caution in flat for caution in CAUTIONS), path.name
        assert "nan" not in flat.lower().replace("maintenance", ""), path.name


def test_every_pdf_is_black_and_white_and_inside_its_margins(tmp_path: Path) -> None:
    """Rendered by poppler: no pixel has a colour, the outer 8 mm are white, most of it is paper."""
    from PIL import Image

    for path in sorted(written().glob(f"{HIGH}-*.pdf")):
        image = tmp_path / path.stem
        subprocess.run([_poppler("pdftoppm"), "-r", "50", "-png", "-singlefile", path, image], check=True)
        pixels = np.asarray(Image.open(f"{image}.png").convert("RGB")).astype(int)
        assert np.ptp(pixels, axis=2).max() == 0, path.name
        edge = round(8.0 / 25.4 * 50)
        for side in (pixels[:edge], pixels[-edge:], pixels[:, :edge], pixels[:, -edge:]):
            assert side.min() == 255, path.name
        assert 0.01 < (pixels < 128).mean() < 0.25, path.name


class _Measured(Canvas):
    """Draws nothing: keeps where each text and each upright rule stands, by reportlab's own metrics."""

    drawn: ClassVar[list[_Measured]] = []

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.texts: list[tuple[float, float, float, float]] = []
        self.words: list[tuple[str, float]] = []
        self.rules: list[tuple[float, float, float]] = []
        self.pages = 0
        self.drawn.append(self)

    def drawString(self, x: float, y: float, text: str, *_: Any, **__: Any) -> None:
        if text:
            self.words.append((text, self._fontsize))
            self.texts.append(
                (x, x + self.stringWidth(text, self._fontname, self._fontsize), y, self._fontsize)
            )

    def drawCentredString(self, x: float, y: float, text: str, *_: Any, **__: Any) -> None:
        self.drawString(x - self.stringWidth(text, self._fontname, self._fontsize) / 2.0, y, text)

    def line(self, x1: float, y1: float, x2: float, y2: float) -> None:
        if x1 == x2:
            self.rules.append((x1, min(y1, y2), max(y1, y2)))

    def rect(self, x: float, y: float, width: float, height: float, stroke: int = 1, fill: int = 0) -> None:
        if stroke:
            self.rules += [(x, y, y + height), (x + width, y, y + height)]

    def showPage(self) -> None:
        self.pages += 1

    def save(self) -> None:
        pass


def test_every_text_of_the_demo_s_papers_keeps_to_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every booking of the demo, by its own names, heights and lengths, over the numbers of four of them.

    One page each, every text inside the margins, across no rule of a table or box, over no other text.
    """
    monkeypatch.setattr("reportlab.pdfgen.canvas.Canvas", _Measured)
    monkeypatch.setattr(_Measured, "drawn", [])
    made, demo = papers_season(), load_season(demo_folder())
    days, _ = paperwork.booking_days(made.season, made.ds, [b.id for b in made.season.bookings])
    answers = [briefing.slot_answer(made.ds, one.booking.id) for one in days]
    names = []
    for i, booked in enumerate(demo.bookings):
        own = next((n for n, one in enumerate(days) if one.booking.id == booked.id), i % len(days))
        one = replace(days[own], booking=booked, venue=demo.venue(booked.venue), season=demo)
        sheets = [paperwork.which_show_sheet(one), paperwork.director_sheet(one)]
        sheets += [paperwork.pilot_card(one, show, altimeter_inhg=30.12) for show in one.shows]
        sheets += [paperwork.announcer_sheet(one, show) for show in one.shows]
        sheets.append(paperwork.ask_sheet(replace(answers[own], place=one.venue.name), booked.id))
        for sheet in sheets:
            paper.draw(sheet)
            names.append(f"{booked.id}: {sheet.kind}")
    assert len(names) == len(_Measured.drawn) >= 10 * len(demo.bookings)
    for name, canvas in zip(names, _Measured.drawn, strict=True):
        assert canvas.pages == 1, name
        left, right, y, size = np.array(canvas.texts).T
        assert left.min() >= paper.MARGIN - 0.01, name
        assert right.max() <= paper.WIDTH - paper.MARGIN + 0.01, name
        assert y.min() >= paper.MARGIN - 0.01, name
        assert (y + 0.7 * size).max() <= paper.HEIGHT - paper.MARGIN, name
        for x, low, high in canvas.rules:
            assert not np.any((left < x - 0.01) & (right > x + 0.01) & (y > low) & (y < high)), name
        beside = (left[:, None] < right - 0.01) & (left < right[:, None] - 0.01)
        near = np.abs(y[:, None] - y) < 0.7 * np.minimum(size[:, None], size)
        assert (beside & near).sum() == len(y), name  # each is over itself alone


def test_a_title_of_several_days_is_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four show days at a place with a common name: every date stands inside the margins, over nothing."""
    monkeypatch.setattr("reportlab.pdfgen.canvas.Canvas", _Measured)
    monkeypatch.setattr(_Measured, "drawn", [])
    title = "Tallgrass Municipal, Thursday 8, Friday 9, Saturday 10 and Sunday 11 October 2027"
    paper.draw(Sheet("Card", title, "tallgrass", (Lines(("A line.",)),), (), True))
    (canvas,) = _Measured.drawn
    left, right, y, size = np.array(canvas.texts).T
    assert right.max() <= paper.WIDTH - paper.MARGIN + 0.01
    assert title in " ".join(words for words, _ in canvas.words)
    beside = (left[:, None] < right - 0.01) & (left < right[:, None] - 0.01)
    near = np.abs(y[:, None] - y) < 0.7 * np.minimum(size[:, None], size)
    assert (beside & near).sum() == len(y)


@pytest.mark.parametrize(
    "name",
    [
        "Reverse half Cuban eight",
        "Half loop with half roll on top",
        "Avalanche with two snaps, then a ribbon cut",
    ],
)
def test_a_long_name_of_a_figure_gives_way_to_the_numbers(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name too long for its column is set smaller, or on two lines: whole, in its cell, over nothing.

    The numbers beside it stay as large as numbers that are flown have to be.
    """
    monkeypatch.setattr("reportlab.pdfgen.canvas.Canvas", _Measured)
    monkeypatch.setattr(_Measured, "drawn", [])
    one = day(HIGH)
    sheet = paperwork.pilot_card(one, one.shows[0])
    (table,) = _tables(sheet)
    rows = tuple((row[0], name, *row[2:]) if row[0] in ("3", "4", "15") else row for row in table.rows)
    blocks = tuple(replace(b, rows=rows) if b is table else b for b in sheet.blocks)
    paper.draw(replace(sheet, blocks=blocks))
    (canvas,) = _Measured.drawn
    assert " ".join(words for words, _ in canvas.words).count(name) == 3
    sizes = dict(canvas.words)
    assert min(sizes[cell] for row in rows for cell in row[2:] if cell) >= FLOWN_POINTS
    assert (
        min(size for words, size in canvas.words if len(words) > 3 and words in name)
        >= paper.NAME_POINTS - 1.0
    )
    left, right, y, size = np.array(canvas.texts).T
    for x, low, high in canvas.rules:
        assert not np.any((left < x - 0.01) & (right > x + 0.01) & (y > low) & (y < high))
    beside = (left[:, None] < right - 0.01) & (left < right[:, None] - 0.01)
    near = np.abs(y[:, None] - y) < 0.7 * np.minimum(size[:, None], size)
    assert (beside & near).sum() == len(y)


def test_papers_are_the_same_twice() -> None:
    """The same contents give the same bytes, so that a card printed twice can be compared."""
    one = day(HIGH)
    card = paperwork.pilot_card(one, one.shows[0])
    assert paper.draw(card) == paper.draw(card)


def _tables(sheet: Sheet) -> list[Table]:
    return [block for block in sheet.blocks if isinstance(block, Table)]


def _lines(sheet: Sheet) -> list[str]:
    return [line for b in sheet.blocks if isinstance(b, Lines) for line in b.lines]


def _boxes(sheet: Sheet) -> list[tuple[str, str]]:
    return [box for block in sheet.blocks if isinstance(block, Numbers) for box in block.boxes]


def _seconds(minutes: str) -> int:
    whole, rest = minutes.split(":")
    return 60 * int(whole) + int(rest)


def test_flown_numbers_are_large() -> None:
    """14 points or more for whatever is flown: the table of the card, and the boxes above it."""
    one = day(HIGH)
    for show in one.shows:
        card = paperwork.pilot_card(one, show)
        assert all(table.least >= FLOWN_POINTS for table in _tables(card))
        assert all(block.points >= FLOWN_POINTS for block in card.blocks if isinstance(block, Numbers))
        paper.draw(card)  # fits at that size


def test_gusts_and_winds_of_the_which_show_table_are_as_large_as_its_shows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Both edges of the table are looked up on the day: the smallest number of either is a cell's."""
    monkeypatch.setattr("reportlab.pdfgen.canvas.Canvas", _Measured)
    monkeypatch.setattr(_Measured, "drawn", [])
    paper.draw(paperwork.which_show_sheet(day(HIGH)))
    (canvas,) = _Measured.drawn
    size = dict(canvas.words)
    assert size["15"] == size["21"] == size["9,500"] >= 9.0


def test_card_heights_are_needle_readings_rounded_up() -> None:
    """At 6,700 ft, floor 250 ft, local setting: the needle at the floor is 6,950, on the ground 6,700.

    Entry 500 ft: 7,200 on the needle where the cool day of ten is warmer than standard, 2 °C at 6,700 ft; the
    cold correction adds nothing then.
    """
    one = day(HIGH)
    assert one.quantiles("temperature", 0.1, 1.0).min() > float(standard_temperature(6700.0 * FT))
    card = paperwork.pilot_card(one, one.shows[0], altimeter_inhg=30.12)
    boxes = dict(card.blocks[0].boxes)  # type: ignore[union-attr]
    assert boxes == {
        "ALTIMETER, LOCAL SETTING": "30.12 inHg",
        "NEEDLE ON THE GROUND, ft": "6,700",
        "NEEDLE AT THE FLOOR (250 ft)": "6,950",
    }
    rows = {row[1]: row for row in _tables(card)[0].rows}
    assert rows["Smoke loop"][3] == "7,200"
    for row in rows.values():
        for needle in (row[3], row[4]):
            if needle not in ("", "NONE"):
                assert int(needle.replace(",", "")) % 50 == 0
                assert int(needle.replace(",", "")) >= 6950


def test_under_a_higher_waiver_every_figure_is_entered_higher() -> None:
    """The beach's waiver floor is 300 ft, the pilot's own 250: entry and top stand 50 ft higher."""
    high, beach = day(HIGH), day(BEACH)
    assert (high.floor_ft, beach.floor_ft) == (250.0, 300.0)
    for name, flown in beach.flown.items():
        assert flown.entry_height / FT == pytest.approx(high.flown[name].entry_height / FT + 50.0)
        assert flown.highest >= flown.entry_height - 1e-6


def test_card_entry_speed_and_gate_are_rounded_to_the_safe_side() -> None:
    """Entry 150 kt and 1 kt more for each 1,000 ft: at the 10,500 ft reckoned for, 160.5, rounded up to 161.

    The gate's height is the model's rounded up, its speed rounded down.
    """
    one = day(HIGH)
    assert one.reckoned_ft % 500.0 == 0.0
    assert one.reckoned_ft >= one.quantiles("density_altitude", 0.9, FT).max()
    row = next(r for r in _tables(paperwork.pilot_card(one, one.shows[0]))[0].rows if r[1] == "Smoke loop")
    assert row[2] == str(int(np.ceil(150.0 + one.reckoned_ft / 1000.0 - 1e-9)))
    (gate,) = one.flown["Smoke loop"].gates
    assert int(row[4].replace(",", "")) >= 6700.0 + gate.least_height / FT - 1e-6
    assert row[5] == f"{gate.least_speed_kt}–{gate.greatest_speed_kt}"


def test_card_says_how_a_figure_misses_its_own_gate() -> None:
    """A gate that the figure as planned never gets to, or passes too fast, is said; none is left silent.

    From 140 kt a square loop gets up its line at sea level, not at the 10,500 ft reckoned for; an
    outside loop with 1.2 kt more for each 1,000 ft is 12.6 kt faster there than at sea level, and its gate
    allows 10.
    """
    one = day(HIGH)
    flight = season_flight(one.season)
    assert flight is not None
    slow = replace(LIBRARY["square_loop"], entry_speed=140 * KT)
    fast = replace(
        LIBRARY["outside_loop"],
        entry_speed_gain=1.2 * KT / (1000 * FT),
        entry_height=2600 * FT,
    )
    (flown,) = paperwork._fly(replace(flight, figures={"Half Cuban": slow, "Smoke loop": fast}), [one])
    card = paperwork.pilot_card(replace(one, flown=flown, tops={}), one.shows[0])
    assert isinstance(card.blocks[-1], Lines)
    told = card.blocks[-1].lines
    assert "As planned it never gets to its gate: Half Cuban. Leave out." in told
    assert "As planned too fast for its gate: Smoke loop. Enter slower, or leave out." in told
    paper.draw(card)


def test_the_greatest_height_holds_on_a_cold_day_too() -> None:
    """An unblown engine of 700 hp pulls a vertical line up further the colder it is: none is told too low.

    Reckoned for 3,500 ft at the beach: each figure's greatest height against it flown there and in every air
    250 ft thicker down to -600 m, that of -1 °C at sea level. It stands at one end or the other, to within
    10 ft.
    """
    one = day(BEACH)
    flight = season_flight(one.season)
    assert flight is not None
    strong = replace(flight.aircraft, engine=UnblownEngine(700 * 745.7))
    hot: Any = SimpleNamespace(reckoned_ft=3500.0, venue=one.venue, season=one.season)
    told = paperwork._highest(replace(flight, aircraft=strong), [hot])[:, 0]
    airs = np.append(np.arange(3500, -1900, -250) * FT, -600.0)
    flown = fly(
        list(flight.figures.values()),
        strong,
        FieldAir(airs),
        raised=one.season.lift_ft(one.venue) * FT,
        stall_margin=flight.cushions.speed,
    ).highest
    line = flown[list(flight.figures).index("Hammerhead")]
    assert line[-1] > line[0] + 50 * FT
    assert np.all(told >= np.nanmax(flown, axis=1) - 10 * FT)


def test_the_codes_of_all_shows_fit_the_cells_of_which_show() -> None:
    """Whatever routines a season chooses, with their letters and both marks, in the least size."""
    paper._register()
    one = day(HIGH)
    named = [
        replace(one.shows[0], name=f"{label} B")
        for label in ("thin-air", "rough-air", "crosswind", "wind-along")
    ]
    codes = paperwork._codes([one.shows[0], *named])
    assert codes == ("FULL", "THIN B", "ROUGH B", "CROSS B", "ALONG B")
    table = _tables(paperwork.which_show_sheet(one))[0]
    for code in codes:
        # As marked where two ambers are one red.
        row = (table.rows[-1][0], *[f"{code}?!"] * (len(table.header) - 1))
        assert paper._table_fits(replace(table, rows=(row,)), table.least)


def test_card_says_what_the_pilot_has_ruled_out() -> None:
    """A figure whose limit lies at or below the air reckoned for is grey; what is out is named."""
    one = day(HIGH)
    card = paperwork.pilot_card(one, one.shows[0])
    table = _tables(card)[0]
    grey = {table.rows[r][1] for r, _ in table.shaded}
    beyond = {row[1] for row in table.rows if row[6] and int(row[6].replace(",", "")) <= one.reckoned_ft}
    assert "Square loop" in grey
    assert beyond <= grey
    thin = next(show for show in one.shows if show.name.startswith("thin-air"))
    words = " ".join(
        line for b in paperwork.pilot_card(one, thin).blocks if isinstance(b, Lines) for line in b.lines
    )
    assert "Out of the full show: Square loop" in words


def test_which_show_table_is_cautious_at_every_step() -> None:
    """Down a column (thinner air) and along a row (rougher) the show named never becomes worth more."""
    for booking in (HIGH, BEACH):
        one = day(booking)
        worth = {"–": 0.0} | {
            code: show.crowd_value for code, show in zip(paperwork._codes(one.shows), one.shows, strict=True)
        }
        for table in _tables(paperwork.which_show_sheet(one)):
            held = np.array([[worth[cell.rstrip("?")] for cell in row[1:]] for row in table.rows])
            assert (np.diff(held, axis=0) <= 0).all()
            assert (np.diff(held, axis=1) <= 0).all()


@pytest.mark.parametrize("two_amber", [False, True])
def test_both_which_show_tables_together_name_no_show_that_is_out(two_amber: bool) -> None:
    """Gust and wind past comfortable of one figure, one red if the pilot says so: marked in both tables.

    Held against the figures' own numbers: standardised, comfortable is -1 and the limit 1.
    """
    one = day(BEACH)
    routines = tuple(
        limits.RoutineChance(replace(r.curves, two_amber_is_red=two_amber), correlation=0.8)
        for r in one.routines
    )
    one = replace(one, routines=routines)
    sheet = paperwork.which_show_sheet(one)
    gusty, onto = _tables(sheet)
    shows = [(s, r) for s, r in zip(one.shows, routines, strict=True) if not s.own_minima]
    held = dict(zip(paperwork._codes([s for s, _ in shows]), shows, strict=True))

    def amber(curves: limits.Curves, condition: str, value: float) -> np.ndarray:
        z = limits.standardised(value * KT, curves.comfortable[condition], curves.limit[condition])
        return np.asarray(z) > -1.0

    reds = 0
    for row, other in zip(gusty.rows, onto.rows, strict=True):
        for gust, first in zip(gusty.header[1:], row[1:], strict=True):
            for wind, second in zip(onto.header[1:], other[1:], strict=True):
                if "–" in (first, second):
                    continue
                codes = (first.rstrip("?!"), second.rstrip("?!"))
                curves = held[min(codes, key=lambda code: held[code][0].crowd_value)][1].curves
                red = amber(curves, "gust", float(gust)) & amber(curves, "wind_toward_crowd", float(wind))
                if two_amber and red.any():
                    reds += 1
                    assert first.endswith("!")
                    assert second.endswith("!")
    assert (reds > 0) == two_amber
    assert ("! in both tables = –" in sheet.subtitle) == two_amber
    assert two_amber or "!" not in str(gusty.rows + onto.rows)


def test_which_show_sheet_has_one_least_ceiling() -> None:
    """1,500 ft for the other shows and 1,000 ft for the low-ceiling show: nothing at all at 1,000 ft.

    The beach's waiver has 1,500 ft for every show.
    """
    high, beach = (" ".join(_lines(paperwork.which_show_sheet(day(b)))) for b in (HIGH, BEACH))
    assert "Nothing at all: runway crosswind 20 kt, ceiling 1,000 ft," in high
    assert "Ceiling under 2,500 ft: think of the low-ceiling show; at 1,500 ft or lower no other." in high
    assert "Nothing at all: runway crosswind 20 kt, ceiling 1,500 ft," in beach
    assert "Ceiling under 2,000 ft: think of the low-ceiling show." in beach


def test_announcer_never_names_what_is_not_in_the_show() -> None:
    """Rows are the show's own figures in its order; starts add up; what is out stands under SKIP only."""
    one = replace(day(HIGH), longer={})
    full = paperwork.announcer_sheet(one, one.shows[0])
    assert [row[0] for row in _tables(full)[0].rows][:3] == ["0:00", "0:38", "1:12"]  # 38 s, then 34 s
    for show in one.shows:
        sheet = paperwork.announcer_sheet(one, show)
        names = [str(f) for f in one.ds["figure"].to_numpy()]
        assert [row[1] for row in _tables(sheet)[0].rows] == [names[f] for f in show.figures]
        out = [names[f] for f in one.shows[0].figures if f not in show.figures]
        told = " ".join(line for b in sheet.blocks if isinstance(b, Lines) for line in b.lines)
        assert all(name in told for name in out)


def test_durations_hold_the_climbs_that_thin_air_asks_for() -> None:
    """Card, director and announcer agree: each pair's missing energy in legs of 25 s, and longer figures.

    Held against `routine_energy`, which flies the show as one, leg by leg, and against each figure flown by
    itself in both airs; one that the thin air forbids counts as at sea level. The page of the routine's
    energy tells the same length. A show that is longer than its slot is told.
    """
    one = day(HIGH)
    flight = season_flight(one.season)
    assert flight is not None
    names = [str(f) for f in one.ds["figure"].to_numpy()]
    planned = one.ds["figure_seconds"].to_numpy()
    figures = [flight.figures[name] for name in names]
    thin = one.reckoned_ft * FT
    airs = FieldAir(thin, one.venue.elevation), FieldAir(0.0)
    cushion = flight.cushions.speed
    # The pull is eased to the cushion up there; what routine.yaml gives is held against the full one.
    eased = fly(figures, flight.aircraft, airs[0], stall_margin=cushion).seconds
    grown = np.nan_to_num(eased - fly(figures, flight.aircraft, airs[1]).seconds)
    longer = {}
    for show, row in zip(one.shows, _tables(paperwork.director_sheet(one))[0].rows, strict=True):
        items = routine_items(
            flight,
            [names[f] for f in show.figures],
            [float(planned[f]) for f in show.figures],
            either_way=bool(show.own_minima),
        )
        here, sea = (routine_energy(items, flight.aircraft, air, 0.0, stall_margin=cushion) for air in airs)
        legs = np.where(np.isfinite(here.climb_legs), here.climb_legs, sea.climb_legs)
        added = 25.0 * legs.sum() + grown[list(show.figures)].sum()
        length = math.ceil(planned[list(show.figures)].sum() + added)
        assert _seconds(row[1]) == pytest.approx(length, abs=1)
        card, announcer = paperwork.pilot_card(one, show), paperwork.announcer_sheet(one, show)
        assert dict(_boxes(card))["LENGTH WITH ITS CLIMBS, min:s"] == row[1]
        last = _seconds(_tables(announcer)[0].rows[-1][0])
        assert last + planned[show.figures[-1]] == pytest.approx(length, abs=1)
        if np.isfinite(here.total_seconds):
            assert dict(_boxes(card))["LENGTH WITH ITS CLIMBS, min:s"] == (
                f"{math.ceil(here.total_seconds) // 60}:{math.ceil(here.total_seconds) % 60:02d}"
            )
        assert f"off by {row[2]}" in announcer.subtitle
        longer[show.name] = added
    assert longer["full"] > 120.0
    assert longer["low-ceiling"] == pytest.approx(0.0, abs=1e-6)
    short = replace(one, booking=one.booking.model_copy(update={"length_min": 11}))
    told = " ".join(_lines(paperwork.director_sheet(short)))
    assert "Longer than the slot of 11 minutes: full" in told
    card = paperwork.pilot_card(short, one.shows[0])
    minutes, seconds = dict(_boxes(card))["LENGTH WITH ITS CLIMBS, min:s"].split(":")
    over = f"by {int(minutes) - 11}:{seconds}."
    assert f"Longer than the slot of 11 minutes {over}" in " ".join(_lines(card))
    assert "Longer than the slot" not in " ".join(_lines(paperwork.director_sheet(replace(one, longer={}))))
    # A sum of seconds a billionth over the slot is not longer than it.
    exact = replace(one, longer={"full": np.full(len(one.shows[0].figures), 1e-10)})
    whole = round(float(exact.seconds(one.shows[0])[list(one.shows[0].figures)].sum()))
    slot = one.booking.model_copy(update={"length_min": whole / 60.0})
    exact = replace(exact, booking=slot)
    for sheet in (paperwork.director_sheet(exact), paperwork.pilot_card(exact, one.shows[0])):
        assert "Longer than the slot" not in " ".join(_lines(sheet))


def test_a_routine_chosen_for_its_slot_fits_it_on_every_card() -> None:
    """The season's routines and the papers tell one length: the greatest on any card is the routine's.

    A routine that was composed as fitting is printed no longer than the slot of the booking, each in its own
    air and over its own floor.
    """
    made = papers_season()
    days, _ = paperwork.booking_days(made.season, made.ds, [b.id for b in made.season.bookings])
    told = routines_told(made.ds, made.season)
    assert told["bookings"][0]["longer_than_its_slot"]  # the full show, high up
    for row, show in zip(told["routines"], days[0].shows, strict=True):
        lengths = [float(one.seconds(show)[list(show.figures)].sum()) for one in days]
        assert row["seconds_in_the_thinnest_air"] == math.ceil(max(lengths) - 1e-6)
        for one, length in zip(days, lengths, strict=True):
            here = next(b for b in told["bookings"] if b["booking"] == one.booking.id)
            assert here["seconds_on_its_card"][row["routine"]] == math.ceil(length - 1e-6)
            over = here["longer_than_its_slot"].get(row["routine"], 0)
            assert over == max(math.ceil(length - 60.0 * one.booking.length_min - 1e-6), 0)
        if row["origin"] == "composed":
            assert all(
                held <= 60.0 * one.booking.length_min + 1e-6 for held, one in zip(lengths, days, strict=True)
            )


def test_every_booking_is_flown_over_its_own_floor() -> None:
    """A waiver's floor 2,500 ft above the pilot's: the same show is flown so much higher, in thinner air.

    Its length is that of the raised figures flown as one, whatever stands first among the bookings.
    """
    made = papers_season()
    flight = season_flight(made.season)
    assert flight is not None
    floor = made.season.pilot.floor_agl_ft + 2500.0
    venues = tuple(
        replace(v, floor_agl_ft=floor) if v.id == day(HIGH).venue.id else v for v in made.season.venues
    )
    raised = replace(made.season, venues=venues)
    for order in ([BEACH, HIGH], [HIGH, BEACH]):
        days, _ = paperwork.booking_days(raised, made.ds, order)
        one = next(d for d in days if d.booking.id == HIGH)
        show = next(s for s in one.shows if s.name == "thin-air")
        names = [str(one.ds["figure"].to_numpy()[f]) for f in show.figures]
        planned = one.ds["figure_seconds"].to_numpy()[list(show.figures)]
        items = [
            replace(item, figure=item.figure.raised(2500.0 * FT))
            for item in routine_items(flight, names, planned.tolist())
        ]
        energy = routine_energy(
            items,
            flight.aircraft,
            FieldAir(one.reckoned_ft * FT, one.venue.elevation),
            floor * FT,
            stall_margin=flight.cushions.speed,
        )
        assert np.isfinite(energy.total_seconds)
        length = one.seconds(show)[list(show.figures)].sum()
        assert length == pytest.approx(float(energy.total_seconds), abs=1e-3)
        usual = day(HIGH).seconds(show)[list(show.figures)].sum()
        assert length > usual + 20.0  # a leg or more


def test_a_figure_used_up_at_sea_level_is_never_on_the_card() -> None:
    """In words, not as a height below the sea: its limit is below any density altitude."""
    one = day(HIGH)
    ds = one.ds.copy(deep=True)
    figures, conditions = ([str(x) for x in ds[n].to_numpy()] for n in ("figure", "condition"))
    ds["limit_used"][figures.index("Hammerhead"), conditions.index("density_altitude")] = NEVER_FLOWN
    sheet = paperwork.pilot_card(replace(one, ds=ds), one.shows[0])
    (row,) = [r for r in _tables(sheet)[0].rows if r[1] == "Hammerhead"]
    assert row[2:7] == ("–", "–", "–", "–", "NEVER")
    assert "NEVER: a cushion is used up at sea level already." in " ".join(_lines(sheet))
    assert "NEVER" not in " ".join(_lines(paperwork.pilot_card(one, one.shows[0])))
    assert "-6" not in " ".join(r[6] for r in _tables(sheet)[0].rows)


def test_director_times_and_ribbon_crew() -> None:
    """On at 15:00, 15 figures of 10 min 47 s end by 15:11; a ribbon only where the show has one.

    The engine is started 10 minutes before, the show named 45 minutes before; where the pilot states neither,
    the times are left to be written in.
    """
    one = replace(day(HIGH), longer={})
    assert [value for _, value in _boxes(paperwork.director_sheet(one))] == ["14:50", "15:00", "14:15"]
    pilot = one.season.pilot.model_copy(update={"engine_start_before_min": None, "decides_before_min": None})
    unsaid = replace(one, season=replace(one.season, pilot=pilot))
    assert [value for _, value in _boxes(paperwork.director_sheet(unsaid))] == [
        "____:____",
        "15:00",
        "____:____",
    ]
    rows = {row[0]: row for row in _tables(paperwork.director_sheet(one))[0].rows}
    assert rows["full"][1:3] == ("10:47", "15:11")
    assert rows["full"][4] == "yes"
    assert rows["low-ceiling"][4] == "no"
    heights = [one.flown[str(one.ds["figure"].to_numpy()[f])].highest / FT for f in one.shows[0].figures]
    assert int(rows["full"][3].replace(",", "")) == int(np.ceil(max(heights) / 100.0 - 1e-9) * 100)


@pytest.mark.parametrize(("starts", "every"), [(20, 1), (21, 2), (32, 2), (48, 4)])
def test_the_ask_sheet_of_a_long_window_is_one_page(starts: int, every: int) -> None:
    """From 10 h to a whole day of starts: one page, with every start, every second or fourth; the named all.

    20 starts at most, but for those named: of 21 and 32 the odd ones go, of 48 three in four.
    """
    answer = briefing.slot_answer(papers_season().ds, HIGH)
    offered = answer.rows[answer.offered]
    assert not offered.as_good_as_best
    assert answer.best is not None
    clock = [f"{i // 2:02d}:{30 * (i % 2):02d}" for i in range(starts)]
    rows = [replace(offered, local=local, in_window=True, late=None, late_local="") for local in clock]
    rows[3] = replace(answer.rows[answer.best], local=clock[3])
    long = replace(answer, rows=tuple(rows), best=3, offered=starts - 2, acceptable=(3, 4, 5))
    sheet = paperwork.ask_sheet(long, HIGH)
    paper.draw(sheet)
    (table,) = _tables(sheet)
    shown = [row[0] for row in table.rows]
    ask = briefing.ask_of(long)
    named = {ask.first, ask.fallback, ask.walk_away, clock[starts - 2]} - {""}
    assert shown == [t for i, t in enumerate(clock) if i % every == 0 or t in named]
    assert ("not every start is shown" in sheet.subtitle) == (every > 1)


def test_a_sheet_that_does_not_fit_is_an_error() -> None:
    """Sixty figures cannot be read at arm's length on one page: told, not printed small or on two pages."""
    table = Table(("", "figure"), tuple((str(i), "Loop") for i in range(60)), (1, 5))
    with pytest.raises(InputError, match="does not fit on one page"):
        paper.draw(Sheet("Card", "Somewhere", "", (table,), CAUTIONS, False))


@pytest.mark.parametrize(
    ("name", "lacking"),
    [
        ("栗の木飛行場", "の 場 木 栗 行 飛"),
        ("Field 🛩", "🛩"),
        ("שדה", "ד ה ש"),
        ("مطار", "ا ر ط م"),
    ],
)
@pytest.mark.parametrize("where", ["title", "number", "table", "line"])
def test_letters_that_the_typeface_lacks_are_told(name: str, lacking: str, where: str) -> None:
    """An empty box on a card is nobody's name, and a name from right to left would stand backwards.

    The typeface holds Latin, Greek and Cyrillic with their marks; order of the letters by Unicode number.
    """

    def sheet(text: str) -> Sheet:
        held = {
            at: text if at == where else "Æ Žižkov Λάρισα Пшеничная" for at in ("number", "table", "line")
        }
        blocks = (
            Numbers((("SHOW", held["number"]),)),
            Table(("", "figure"), (("1", held["table"]),), (1, 5), left=(1,)),
            Lines((held["line"],)),
        )
        return Sheet("Card", text if where == "title" else "Quillmere", "", blocks, CAUTIONS, False)

    with pytest.raises(InputError, match=f"does not draw {lacking}\\. Write the names in other letters"):
        paper.draw(sheet(name))
    told = paper.drawable(name)
    assert all(f"[U+{ord(letter):04X}]" in told for letter in lacking.split())
    paper.draw(sheet(told))
    assert paper.drawable("Žižkov, Λάρισα") == "Žižkov, Λάρισα"


def test_the_dashboard_says_why_such_a_paper_is_not_printed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page that is downloaded in its place is drawn in the same typeface."""
    import streamlit as st

    from dashboard import answers

    offered: list[Any] = []
    monkeypatch.setattr(st, "download_button", lambda label, data, **_: offered.append(data))
    sheet = Sheet("Card", "栗の木", "", (), CAUTIONS, False)
    answers.paper("Card – 栗", "card.pdf", lambda: paper.draw(sheet))
    assert offered[0]().startswith(b"%PDF")


def test_a_sheet_that_is_not_invented_has_no_mark(tmp_path: Path) -> None:
    """The mark belongs to invented seasons alone."""
    path = tmp_path / "sheet.pdf"
    path.write_bytes(paper.draw(Sheet("Card", "Somewhere", "", (Lines(("A line.",)),), CAUTIONS, False)))
    text = subprocess.run(
        [_poppler("pdftotext"), path, "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "INVENTED" not in text
    assert "A line." in text


def test_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`papers` writes one booking's; a setting that is no setting, and a booking that is none, end with 2."""
    made = papers_season()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(made.cache))
    assert main(["papers", str(made.folder), BEACH, "--into", str(tmp_path / "a")]) == 0
    count = int(capsys.readouterr().out.split()[0])
    assert count == len(list((tmp_path / "a").iterdir()))
    wrong = ["papers", str(made.folder), BEACH, "--into", str(tmp_path / "b"), "--altimeter-inhg", "1013"]
    assert main(wrong) == 2
    assert main(["papers", str(made.folder), "nowhere", "--into", str(tmp_path / "b")]) == 2
    assert not (tmp_path / "b").exists()


def test_a_booking_without_papers_is_in_the_exit_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit codes of the README: 3 where some have none and the rest were printed, 4 where none has any."""
    made = papers_season()
    ids = [b.id for b in made.season.bookings if b.state != "passed"]
    of_day = made.ds["day_booking"].to_numpy()
    command = ["papers", str(made.folder), "--into", str(tmp_path)]
    for lost, code in ((ids[1:], 3), (ids, 4)):
        status = np.where(np.isin(of_day, lost), "not enough history", "ok").astype(object)
        ds = made.ds.assign(day_status=("booking_day", status))
        monkeypatch.setattr("pipeline.desk.season_and_results", lambda _, ds=ds: (made.season, ds))
        assert main(command) == code
        told = capsys.readouterr().err
        assert all(f"{booking} on" in told for booking in lost)


def test_a_card_that_does_not_fit_keeps_no_other_paper_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full show too long for its card: code 2 and which card it is, once the others are written."""
    made = papers_season()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(made.cache))
    names = {path.name for path in written().glob(f"{HIGH}-*")}
    whole = paperwork.pilot_card

    def longer(one: PaperDay, show: Any, **named: Any) -> Sheet:
        sheet = whole(one, show, **named)
        (table,) = _tables(sheet)
        rows = table.rows * (2 if show.name == "full" else 1)
        return replace(sheet, blocks=tuple(replace(b, rows=rows) if b is table else b for b in sheet.blocks))

    monkeypatch.setattr(paperwork, "pilot_card", longer)
    assert main(["papers", str(made.folder), HIGH, "--into", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "The Pilot's card – full show of High Larch" in told
    assert f"All other papers are in {tmp_path}." in told
    assert "do not fly by it" not in told
    assert {path.name for path in tmp_path.iterdir()} == names - {f"{HIGH}-card-full.pdf"}
    # A card of an earlier run is left alone, and is not taken for one of this.
    (tmp_path / f"{HIGH}-card-full.pdf").write_bytes(b"older")
    assert main(["papers", str(made.folder), HIGH, "--into", str(tmp_path)]) == 2
    assert f"do not fly by it: {HIGH}-card-full.pdf." in capsys.readouterr().err
    assert (tmp_path / f"{HIGH}-card-full.pdf").read_bytes() == b"older"
