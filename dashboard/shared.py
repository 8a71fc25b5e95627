"""The season and its bookings as files to send: HTML that needs no server, no network and no script.

They say the pages' own sentences and tables. Fees stay out: a file that is sent goes on.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard import charts, drawn, markup, sentences, tables, words
from dashboard.rows import BookingRow, Day, Season
from pipeline import briefing
from pipeline.errors import InputError
from pipeline.files import write_where_asked
from pipeline.papers.sheet import Lines, Numbers, Sheet, Table
from pipeline.results import CAUTIONS, read_results

if TYPE_CHECKING:
    from pipeline.inputs import Season as Inputs
    from pipeline.paperwork import PaperDay

__all__ = ["Sharing", "booking_file", "file_name", "gather", "index_file", "season_file", "write_files"]

_HERE = Path(__file__).parent
_DRAWN = ("density_altitude", "gust", "toward_crowd", "runway_crosswind")


@dataclass(frozen=True)
class Sharing:
    """What the files are made of.

    Attributes
    ----------
    season
        The results as rows.
    bookings
        Those told in full.
    told
        From `pipeline.season_routines.routines_told`.
    hours
        What every hour buys, by booking and date.
    papers
        Speeds, heights and gates, by booking; empty where the season folder is not at hand.
    notice
        Why the results no longer match the season folder; empty where they do.
    """

    season: Season
    bookings: tuple[BookingRow, ...]
    told: dict[str, Any]
    hours: dict[tuple[str, str], briefing.SlotAnswer]
    papers: dict[str, PaperDay]
    notice: str


Progress = Callable[[float], object]
"""Told from 0 to 1 how much is done."""


def gather(
    results: Path,
    folder: Inputs | None,
    *,
    booking: str | None = None,
    notice: str = "",
    progress: Progress = lambda done: None,
) -> Sharing:
    """Read what the files are made of.

    Parameters
    ----------
    results
        The season's results.
    folder
        The season folder they were made of; None where it is not at hand or has changed since.
    booking
        Only this one in full; all of them by default.
    notice
        Said first on every page.
    progress
        Told how much is done.

    Raises
    ------
    InputError
        When there is no such booking.
    StoreError
        When the results cannot be read.
    """
    from pipeline.paperwork import booking_days
    from pipeline.season_routines import routines_told

    season = Season(results)
    bookings = tuple(b for b in season.bookings if booking in (None, b.id))
    if not bookings:
        raise InputError(
            f"There is no booking {booking!r}; there are {', '.join(b.id for b in season.bookings)}."
        )
    hours: dict[tuple[str, str], briefing.SlotAnswer] = {}
    papers: dict[str, PaperDay] = {}
    with read_results(results) as ds:
        small = ds.drop_vars([n for n in ds.data_vars if "hour_offset" in ds[n].dims]).load()
        judges = briefing.routine_chances(small)
        for k, b in enumerate(bookings):
            progress(k / len(bookings))
            for day in season.days_of(b.id):
                if day.status == "ok":
                    air = briefing.day_air(ds, day.index, judges)
                    hours[b.id, day.date] = briefing.slot_answer(small, b.id, date=day.date, air=air)
        if folder is not None:
            days, _ = booking_days(folder, small, [b.id for b in bookings])
            papers = {day.booking.id: day for day in days}
        told = routines_told(small, folder)
    return Sharing(season, bookings, told, hours, papers, notice)


# --- The page around it -----------------------------------------------------------------------------


def file_name(booking: str) -> str:
    """Name of a booking's file, beside `index.html`."""
    return f"booking-{booking}.html"


def _page(title: str, body: str) -> str:
    """A whole page; its style is the dashboard's, and nothing outside it is ever asked for."""
    named = {"ink": charts.INK, "muted": charts.MUTED, "grid": charts.GRID, "paper": charts.PAPER}
    colours = "".join(f"--{name}:{value};" for name, value in named.items())
    style = "\n".join((_HERE / name).read_text(encoding="utf-8") for name in ("style.css", "shared.css"))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; style-src '
        "'unsafe-inline'\">\n"
        '<meta name="robots" content="noindex">\n<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(title)}</title>\n<style>:root{{{colours}}}\n{style}</style>\n</head>\n"
        f'<body class="sh-shared">\n<main>\n{body}\n</main>\n</body>\n</html>\n'
    )


def _without_folders(told: str) -> str:
    """A reason with files by their names alone: where this machine keeps them goes to nobody else."""
    return re.sub(r"(?<!\S)(?:[A-Za-z]:)?[/\\][^:;\n]*[/\\]", "", told)


class _Page:
    """Pieces of a page in order; its sections, with their names for the links at the top."""

    def __init__(self, key: str, level: int) -> None:
        self.key, self.level = key, level
        self.pieces: list[str] = []
        self.sections: list[tuple[str, str]] = []

    def add(self, *pieces: str) -> None:
        self.pieces += pieces

    def section(self, title: str, short: str = "") -> None:
        """Open a section; `short` names it among the links at the top."""
        at = ""
        if short:
            name = f"part-{self.key}-{len(self.sections) + 1}"
            self.sections.append((name, short))
            at = f' id="{escape(name)}"'
        self.add(f"<h{self.level + 1}{at}>{escape(title)}</h{self.level + 1}>")

    def part(self, title: str) -> None:
        self.add(f"<h{self.level + 2}>{escape(title)}</h{self.level + 2}>")

    def note(self, told: str) -> None:
        self.add(f'<p class="sh-note">{escape(told)}</p>')

    def links(self) -> str:
        items = " · ".join(f'<a href="#{escape(name)}">{escape(told)}</a>' for name, told in self.sections)
        return f'<nav class="sh-links" aria-label="On this page">{items}</nav>' if items else ""


def _opening(share: Sharing, title: str, level: int, *, invented: bool) -> list[str]:
    season = share.season
    mark = markup.invented_band(
        "season, places, fees and weather are made up; no number here is about a real field."
        if season.attrs["invented"]
        else "the weather is made up where it says so; no number of it is about a real field."
    )
    return [
        mark if invented else "",
        f"<h{level}>{escape(title)}</h{level}>",
        f'<p class="sh-season">{escape(season.name)} · computed '
        f"{escape(str(season.attrs['computed_at'])[:16].replace('T', ' '))} UTC</p>"
        f'<p class="sh-plan">{escape(CAUTIONS[0])}</p>',
    ]


def _notices(share: Sharing, venues: Iterable[int] | None) -> list[str]:
    season = share.season
    told = [("warning", share.notice)] if share.notice else []
    if venues is None:
        told += season.notices()
        venues = range(len(season.values["venue_name"]))
    for venue in venues:
        told += season.notices(venue)
    return [
        f'<p class="sh-notice {kind}" role="note"><b>{"No numbers" if kind == "error" else "Mind"}</b> · '
        f"{escape(_without_folders(line))}</p>"
        for kind, line in dict.fromkeys(told)
    ]


# --- Cells ------------------------------------------------------------------------------------------


def _heat(
    caption: str,
    corner: str,
    columns: Sequence[str],
    rows: Iterable[tuple[str, Sequence[float]]],
    marked: str = "",
) -> str:
    """Days in ten on which something is changed, the digit on its colour; NaN stays empty."""

    def cell(column: str, changed: float) -> str:
        framed = " class=framed" if column == marked else ""
        if not math.isfinite(changed):
            return f"<td{framed}></td>"
        ground, ink = charts.cell_colours(changed)
        tenths = "·" if changed < 0.05 else f"{10 * changed:.0f}"
        return f'<td{framed} style="background:{ground};color:{ink}">{tenths}</td>'

    head = "".join(
        f'<th scope="col"{" class=framed" if c == marked else ""}>{escape(c)}</th>' for c in columns
    )
    body = "".join(
        f'<tr><th scope="row">{escape(name)}</th>'
        + "".join(cell(c, float(x)) for c, x in zip(columns, changed, strict=True))
        + "</tr>"
        for name, changed in rows
    )
    return (
        f'<div class="sh-scroll" tabindex="0"><table class="sh heat"><caption>{escape(caption)}</caption>'
        f'<thead><tr><th scope="col">{escape(corner)}</th>{head}</tr></thead><tbody>{body}'
        "</tbody></table></div>"
    )


def _slots(season: Season, day: Day, answer: briefing.SlotAnswer) -> str:
    """Every slot's chances, each with its interval."""
    body = []
    for row, hour in zip(season.planned_rows(day), answer.rows, strict=True):
        where = ["in discussion"] if row["offered"] else []
        where += [] if row["in_window"] else ["outside the window"]
        where += ["as good as the best"] if hour.as_good_as_best else []
        bar = markup.interval_bar(row["as_planned"], row["lower"], row["upper"])
        full = briefing.Chance(row["as_planned"], row["lower"], row["upper"])
        body.append(
            f'<tr{" class=chosen" if row["offered"] else ""}><th scope="row">{escape(row["local"])}</th>'
            f'<td class="bar">{bar}</td><td class="num">{sentences.chance(full)}</td>'
            f'<td class="num">{sentences.chance(hour.any_show)}</td><td>{escape(row["bites"])}</td>'
            f"<td>{escape(', '.join(where))}</td></tr>"
        )
    heads = "".join(
        f'<th scope="col"{kind}>{told}</th>'
        for told, kind in (
            ("Start, local", ""),
            ("Full show", ""),
            ("as planned [% of days]", " class=num"),
            ("A rehearsed show unchanged [% of days]", " class=num"),
            ("What bites", ""),
            ("", ""),
        )
    )
    return (
        '<div class="sh-scroll" tabindex="0"><table class="sh"><caption>Chances, slot by slot, with their '
        f"90 % intervals. The bar runs from never to always. {escape(answer.timezone)}.</caption>"
        f"<thead><tr>{heads}</tr></thead>"
        f"<tbody>{''.join(body)}</tbody></table></div>"
    )


def _air(season: Season, day: Day) -> str:
    """Median and 1-in-10 high of the air at every slot, each with its interval."""
    rows: list[dict[str, str]] = [{"local": slot.local} for slot in day.slots]
    columns = {"local": "Start, local"}
    for quantity in _DRAWN:
        title, unit = season.heading(day, quantity), words.QUANTITIES[quantity][1]
        short = "DA" if quantity == "density_altitude" else title
        ends = (("median", "median"), ("high", "1 day in 10 above"))
        columns |= {f"{quantity}_{end}": f"{short}, {told} [{unit}]" for end, told in ends}
        for row, air in zip(rows, season.air_rows(day, quantity), strict=True):
            for end, _ in ends:
                low, high = words.number(air[f"{end}_lower"]), words.number(air[f"{end}_upper"])
                known = math.isfinite(air[end])
                row[f"{quantity}_{end}"] = (
                    f"{words.number(air[end])} ({low} to {high})" if known else "not observed"
                )
    told = "In brackets the 90 % interval. DA: density altitude."
    return markup.plain_table(rows, columns, told, numeric=tuple(columns))


def _pictures(season: Season, day: Day) -> str:
    at = day.slots[day.offered]
    invented = bool(season.values["station_invented"][day.venue])
    planned = season.planned_rows(day)
    now = planned[day.offered]
    figures = [
        drawn.planned_by_hour(
            planned,
            invented=invented,
            alt=f"Chance that the full show is flown as planned, by hour. At {at.local}: {now['words']}, "
            f"90 % interval {words.interval(now['lower'], now['upper'])}. The table of chances holds the "
            "numbers.",
        )
    ]
    notes = [""]
    for quantity in _DRAWN:
        rows = [
            dict(r, offered=slot.position == day.offered)
            for r, slot in zip(season.air_rows(day, quantity), day.slots, strict=True)
        ]
        limit = season.limit_of(day, quantity)
        name, unit = season.heading(day, quantity), words.QUANTITIES[quantity][1]
        here = rows[day.offered]
        picture = drawn.air_by_hour(
            rows,
            quantity,
            limit,
            title=name,
            invented=invented,
            alt=f"{name} by hour. At {at.local}: median {words.number(here['median'], unit)}, one day in ten "
            f"above {words.number(here['high'], unit)}. The table of the air holds the numbers.",
        )
        figures.append(picture)
        notes.append(
            sentences.under_the_picture(season, day, at, quantity, rows)
            if picture
            else f"{name}: not observed at this station."
        )
    boxes = "".join(
        f"<figure>{f}<figcaption>{escape(n)}</figcaption></figure>"
        for f, n in zip(figures, notes, strict=True)
        if f or n
    )
    return (
        f'<div class="sh-pictures">{boxes}</div>'
        '<p class="sh-note">Line: median. Pale band: eight days in ten; for the chance, its 90 % interval. '
        "Upright bars: 90 % intervals of the median (thick) and of the value that one day in ten exceeds "
        "(thin). Shaded: the organiser’s window. Ring: the slot in discussion. Dashed and solid ink: "
        "comfortable and limit of the most demanding figure, or of the act. Dotted: the gust that one day "
        "in ten would exceed if every unreported gust were as large as a report may leave out and, where it "
        "lies lower than the band, if none were more than the mean wind.</p>"
    )


def _figures(season: Season, day: Day) -> str:
    columns = [s.local for s in day.slots]
    changed = season.values["figure_change"][day.index]
    marked = columns[day.offered]
    return (
        _heat(
            "Days in ten on which each figure of the full show is dropped or trimmed, by start; “·” is less "
            f"than half a day in ten. Framed: {marked}, the slot in discussion.",
            "Figure",
            columns,
            [(season.figures[f], [changed[s.position, f] for s in day.slots]) for f in season.full],
            marked,
        )
        + tables.figures(season, day, day.slots[day.offered])
    )  # fmt: skip


def _sheet(sheet: Sheet) -> str:
    """A paper's blocks as tables and lines."""
    told = []
    for block in sheet.blocks:
        if isinstance(block, Numbers):
            told.append(markup.facts(block.boxes, ""))
        elif isinstance(block, Table):
            # The place in the order counts nothing here: the figure heads its row.
            columns = {str(i): name for i, name in enumerate(block.header) if name}
            rows = [{c: row[int(c)] for c in columns} for row in block.rows]
            told.append(markup.plain_table(rows, columns, sheet.kind, numeric=tuple(columns)[1:]))
        elif isinstance(block, Lines):
            items = "".join(f"<li>{escape(line)}</li>" for line in block.lines)
            told.append(f'<ul class="sh-list sh-note">{items}</ul>')
    return "".join(told)


# --- A booking --------------------------------------------------------------------------------------


def _day(page: _Page, share: Sharing, booking: BookingRow, day: Day) -> None:
    season = share.season
    page.section(words.date(day.date, year=True), words.date(day.date))
    if day.status != "ok":
        why = escape(_without_folders(day.status))
        page.add(f'<p class="sh-notice error" role="note"><b>No numbers</b> · {why}</p>')
        return
    answer = share.hours[booking.id, day.date]
    page.add(markup.answer(sentences.venue(season, booking, day, day.slots[day.offered])))
    page.add(_slots(season, day, answer))
    page.part("The air by hour")
    page.add(_pictures(season, day), _air(season, day))
    page.part("Which figures the air takes")
    page.add(_figures(season, day))
    page.part("What an hour buys")
    page.add(markup.answer(sentences.hour(answer, day)))
    page.add(sentences.hour_times(answer, briefing.ask_of(answer)), tables.hours_buy(answer))
    page.part("Weather, sun, and what keeps the act on the ground")
    page.add(tables.hours_weather(answer), tables.act(season, day, day.slots[day.offered]))


def _cards(page: _Page, share: Sharing, booking: BookingRow, plan_on: str | None) -> None:
    """Speeds, needle readings and gates, of the show to plan on and of the full show."""
    from pipeline.paperwork import pilot_card

    paper = share.papers.get(booking.id)
    page.section("Speeds, needle and gates", "Speeds and gates")
    if paper is None:
        page.note("The season folder is not at hand, or has changed since: no speeds and gates without it.")
        return
    for show in paper.shows:
        if show in (paper.shows[0],) or show.name == plan_on:
            page.part(f"The {show.name} show")
            page.add(_sheet(pilot_card(paper, show)))


def _rests_on(page: _Page, season: Season, days: Sequence[Day]) -> None:
    page.section("What these numbers rest on", "What it rests on")
    for day in days:
        if day.status == "ok":
            slot = day.slots[day.offered]
            told = f"The sample of {words.date(day.date)} at {slot.local}"
            page.add(markup.facts(season.sample_facts(day, slot), told))
    venue = days[0].venue
    page.add(markup.facts(season.venue_facts(venue), "The station"))
    share = "Share of the station’s hours that hold each quantity"
    page.add(markup.facts(season.completeness(venue), share))
    page.note(
        "Every slot is judged on the hours of the same season and time of day in past years, moved to the "
        "show’s date and year. Flown as planned means: the act flies, and no figure of the full show is "
        "dropped or trimmed against the pilot’s personal limits."
    )


def _booking(share: Sharing, booking: BookingRow, level: int) -> str:
    season = share.season
    days = season.days_of(booking.id)
    invented = bool(season.attrs["invented"]) or booking.invented
    page = _Page(booking.id, level)
    row = next(r for r in share.told["bookings"] if r["booking"] == booking.id)
    for day in days:
        _day(page, share, booking, day)
    if row["status"] == "ok":
        page.section("Which show", "Which show")
        page.add(markup.answer(sentences.which_show(share.told, row, booking)))
        page.add(tables.shows(season, booking, row))
        _cards(page, share, booking, row["plan_on"])
    _rests_on(page, season, days)
    page.add(markup.cautions(CAUTIONS))
    where = (
        f'<p class="sh-note"><b>{escape(booking.place)}</b> · {words.number(booking.elevation_ft, "ft")} '
        f"elevation · {escape(booking.state)} · slot in discussion {escape(booking.slot)} local "
        f"({escape(str(season.values['venue_timezone'][days[0].venue]))})"
        f"{' · <b>INVENTED WEATHER</b>' if booking.invented else ''}</p>"
    )
    opening = _opening(share, booking.name, level, invented=invented)
    return "\n".join([*opening, where, *_notices(share, [days[0].venue]), page.links(), *page.pieces])


def booking_file(share: Sharing, booking: str) -> str:
    """One booking as a page of its own."""
    row = next(b for b in share.bookings if b.id == booking)
    return _page(f"{row.name} – {share.season.name}", _booking(share, row, 1))


# --- The season -------------------------------------------------------------------------------------


def _overview(share: Sharing, link: Callable[[str], str]) -> str:
    season = share.season
    page = _Page("season", 1)
    page.add(markup.answer(sentences.bookings(season, fees=False)))
    rows = [replace(b, status=_without_folders(b.status)) for b in season.bookings]
    page.add(markup.bookings_table(rows, "", "", link))
    trust = sentences.trust(season)
    if trust:
        page.section("Can these numbers be trusted?")
        page.add(trust)
    ranked = [b for b in season.bookings if b.rank]
    if ranked:
        page.section("Which show, and what to keep in reserve")
        page.add(tables.shows_of_season(season, share.told))
        page.section("What each hour costs")
        held = {
            b.id: {r["local"]: r["changed"] for r in season.planned_rows(season.days_of(b.id)[0])}
            for b in ranked
        }
        hours = sorted({local for by_hour in held.values() for local in by_hour})
        page.add(
            _heat(
                "Days in ten on which the full show is not flown as planned, by local start, on each "
                "booking’s first day; “·” is less than half a day in ten.",
                "Booking",
                hours,
                [
                    (f"{b.rank} {b.place}, {b.day}", [held[b.id].get(h, math.nan) for h in hours])
                    for b in ranked
                ],
            )
        )
    page.section("How this is worked out")
    page.note(
        "Every booking is judged at the slot in discussion on the hours of the same season and time of day "
        "in past years, moved to the booking’s date and year. Flown as planned means: the act flies, and no "
        "figure of the full show is dropped or trimmed against the pilot’s personal limits. A booking of "
        "several days takes the mean of its days; its density altitudes are those of the day with the "
        "thinnest air. Two bookings can’t be told apart when paired draws of whole years do not separate "
        "them."
    )
    opening = _opening(share, "Which bookings", 1, invented=season.invented)
    return "\n".join([*opening, *_notices(share, None), *page.pieces, markup.cautions(CAUTIONS)])


def index_file(share: Sharing) -> str:
    """The season, its bookings linked to their own files beside it."""
    return _page(share.season.name, _overview(share, file_name))


def season_file(share: Sharing, progress: Progress = lambda done: None) -> str:
    """The season and every booking in one file."""
    bookings = []
    for k, b in enumerate(share.bookings):
        progress(k / len(share.bookings))
        bookings.append(
            f'<section class="sh-booking" id="booking-{escape(b.id)}">{_booking(share, b, 2)}</section>'
        )
    return _page(share.season.name, "\n".join([_overview(share, lambda b: f"#booking-{b}"), *bookings]))


def write_files(share: Sharing, into: Path) -> list[Path]:
    """Write every booking's file, and last the index that links to them.

    Raises
    ------
    InputError
        When a file cannot be written.
    """
    files = {file_name(b.id): booking_file(share, b.id) for b in share.bookings}
    files["index.html"] = index_file(share)
    return [write_where_asked(into / name, text.encode()) for name, text in files.items()]
