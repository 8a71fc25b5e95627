"""Pieces of HTML: tables that screen readers read and phones fold into cards. Every text is escaped here.

And what escapes a text for Streamlit's notices, headings and labels, which read Markdown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from typing import Any
from urllib.parse import urlencode

from dashboard import words
from dashboard.rows import BookingRow

__all__ = [
    "answer",
    "bookings_table",
    "cautions",
    "facts",
    "interval_bar",
    "invented_band",
    "literal",
    "plain_table",
    "told",
]

_JOINER = "\N{WORD JOINER}"
_CODE = re.compile(r"(`[^`\n]+`)")


def literal(text: object) -> str:
    """A text as Markdown that shows it as it stands, on one line: a name, or what a link asks for.

    A backslash takes the meaning from a mark. Addresses, icons and emoji are looked for after that, in the
    text itself: there a joiner without width stands after the mark that they need.
    """
    held = " ".join(str(text).split())
    # Between two letters an underscore means nothing.
    held = re.sub(r"([\\`*\[\]<>&~$!|]|(?<![^\W_])_|_(?![^\W_]))", r"\\\1", held)
    held = re.sub(r"(?<!\d):(?=[\w+/-])|:(?=[^\W\d]|[+/-])", f":{_JOINER}", held)
    held = re.sub(r"@(?=\w)", f"@{_JOINER}", held)
    held = re.sub(r"(www)(?=\.)", rf"\1{_JOINER}", held, flags=re.IGNORECASE)
    # What begins a line may make it a heading, an item of a list, a rule, or a container.
    return re.sub(r"^(\d+(?=[.)])|(?=[#+=:-]))", r"\1\\", held)


def told(message: object) -> str:
    """A message as Markdown: what stands between backticks as code, all else as it stands, line by line."""
    return "  \n".join(
        "".join(part if i % 2 else _edged(part) for i, part in enumerate(_CODE.split(line)))
        for line in str(message).splitlines()
    )


def _edged(part: str) -> str:
    """`literal`, with the spaces at its ends."""
    ends = [" " if part[edge].isspace() else "" for edge in (slice(0, 1), slice(-1, None))]
    return f"{ends[0]}{literal(part)}{ends[1]}" if part.strip() else " " if part else ""


def answer(paragraphs: Iterable[str]) -> str:
    """The answer of a page; paragraphs are HTML already escaped by whoever built them."""
    return '<div class="sh-answer">' + "".join(f"<p>{p}</p>" for p in paragraphs) + "</div>"


def invented_band(what: str) -> str:
    """The mark on everything invented."""
    return f'<div class="sh-invented" role="note"><b>INVENTED</b> · {escape(what)}</div>'


def cautions(lines: Sequence[str]) -> str:
    """The cautions that stand under every page."""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    head = "<b>Before you act on any of this</b>"
    return f'<section class="sh-cautions" aria-label="Cautions">{head}<ul>{items}</ul></section>'


def interval_bar(value: float, lower: float, upper: float) -> str:
    """A chance as a point on its 90 % interval, from never on the left to always on the right."""
    if not all(math.isfinite(x) for x in (value, lower, upper)):
        return ""
    told = f"{words.chance(value)}, 90 % interval {words.interval(lower, upper)}"
    return (
        f'<span class="sh-bar" role="img" aria-label="{escape(told)}"><i class="track"></i><i '
        'class="half"></i>'
        f'<i class="range" style="left:{100 * lower:.1f}%;width:{100 * (upper - lower):.1f}%"></i>'
        f'<i class="dot" style="left:{100 * value:.1f}%"></i></span>'
    )


def facts(rows: Iterable[tuple[str, str]], caption: str) -> str:
    """Labels and values."""
    body = "".join(f'<tr><th scope="row">{escape(k)}</th><td>{escape(v)}</td></tr>' for k, v in rows)
    return f'<table class="sh facts"><caption>{escape(caption)}</caption><tbody>{body}</tbody></table>'


def _long(told: str) -> str:
    """The class of a cell that a phone must not squeeze to a word a line: a sentence or a list."""
    return ' class="long"' if len(told) > 80 else ""


def plain_table(
    rows: Iterable[Mapping[str, Any]],
    columns: Mapping[str, str],
    caption: str,
    *,
    numeric: Iterable[str] = (),
    close: bool = False,
) -> str:
    """A table of texts, scrolling inside its own box on a phone; the first column heads its row.

    Parameters
    ----------
    rows
        Texts by column.
    columns
        Heading by column.
    caption
        What the table tells.
    numeric
        Columns of numbers.
    close
        Whether a phone draws the columns together until all are seen: for few of them, of few words each.
    """
    right = set(numeric)
    first = next(iter(columns))
    # What heads its row stands at the left, a number or not.
    kinds = {k: ' class="num"' if k in right and k != first else "" for k in columns}
    head = "".join(f'<th scope="col"{kinds[k]}>{escape(words_)}</th>' for k, words_ in columns.items())
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row">{escape(str(row[k]))}</th>'
            if k == first
            else f"<td{kinds[k] or _long(str(row[k]))}>{escape(str(row[k]))}</td>"
            for k in columns
        )
        + "</tr>"
        for row in rows
    )
    return (
        f'<div class="sh-scroll" tabindex="0"><table class="sh{" close" if close else ""}">'
        f"<caption>{escape(caption)}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _venue_page(booking: str) -> str:
    return "venue?" + urlencode({"booking": booking})


def _booking_row(row: BookingRow, chosen: str, currency: str, link: str) -> str:
    kinds = " ".join(
        k for k, held in (("chosen", row.id == chosen), ("passed", row.state == "passed")) if held
    )
    who = (
        f'<th scope="row" class="who"><a href="{escape(link)}" target="_self">{escape(row.place)}</a><br>'
        f"<small>{escape(row.dates)} · {escape(row.slot)} · at "
        f"{words.number(row.elevation_ft, 'ft')}{' · INVENTED weather' if row.marked else ''}</small></th>"
    )
    if not row.rank:
        asked = (
            f'<td class="half first num" data-label="Fee">{escape(words.money(row.fee, currency))}</td>'
            if currency
            else ""
        )
        return (
            f'<tr class="{kinds}"><td class="rank num">–</td>{who}'
            f'<td class="wide" colspan="5">{escape(row.status)}</td>{asked}'
            f'<td class="half" data-label="State">{escape(row.state)}</td></tr>'
        )
    fee = escape(words.money(row.fee, currency))
    if row.worse_than_fee:
        fee += '<br><span class="sh-tag fee">worse than its fee</span>'
    fee = f'<td class="half first num" data-label="Fee">{fee}</td>' if currency else ""
    apart = "" if row.slots_told_apart else "<br><small>can’t be told apart</small>"
    if row.best_slot and row.best <= row.worst:
        hours = f"all alike · {words.percent(row.best)}"
    else:
        hours = (
            f"{escape(row.best_slot)} · {words.percent(row.best)}<br>{escape(row.worst_slot)} · "
            f"{words.percent(row.worst)}{apart}"
            if row.best_slot
            else "–"
        )
    same = words.ranks(row.same_ranks) or "none"
    return (
        f'<tr class="{kinds}"><td class="rank num">{row.rank}</td>{who}'
        f'<td class="wide bar" data-label="Flown as planned, 90 % interval">'
        f"{interval_bar(row.as_planned, row.lower, row.upper)}"
        f"<b>{escape(words.days_in_ten(row.as_planned))}</b> · {words.percent(row.as_planned)} "
        f"<small>({words.interval(row.lower, row.upper)})</small></td>"
        f'<td class="half first" data-label="What bites">{escape(words.cause(row.bites))}</td>'
        '<td class="half num" data-label="DA median / 1 day in 10 above '
        f'[ft]">{words.number(row.da_median_ft)} / '
        f"{words.number(row.da_high_ft)}</td>"
        f'<td class="half first hours" data-label="Full show’s best and worst slot, local">{hours}</td>'
        f'<td class="half same" data-label="Can’t be told apart from">{same}</td>'
        f"{fee}"
        f'<td class="half" data-label="State">{escape(row.state)}</td></tr>'
    )


def bookings_table(
    rows: Iterable[BookingRow], chosen: str, currency: str, link: Callable[[str], str] = _venue_page
) -> str:
    """The season ranked, a row a booking, each with its place as a link.

    Parameters
    ----------
    rows
        From `Season.bookings`.
    chosen
        Booking in hand.
    currency
        Of the fees; without one no fee is told.
    link
        Where a booking's place leads, by the booking's id.
    """
    heads = (
        ("#", "num"),
        ("Booking", ""),
        ("Flown as planned", ""),
        ("What bites", ""),
        ("DA median / 1 day in 10 above [ft]", "num"),
        ("Full show’s best and worst slot, local", ""),
        ("Can’t be told apart from", ""),
        *((("Fee", "num"),) if currency else ()),
        ("State", ""),
    )
    head = "".join(
        f'<th scope="col"{f" class={kind!r}" if kind else ""}>{escape(w)}</th>' for w, kind in heads
    )
    body = "".join(_booking_row(r, chosen, currency, link(r.id)) for r in rows)
    return (
        '<div class="sh-scroll"><table class="sh cards"><caption>Bookings, best first. The bar runs from '
        "never to "
        "always; the grey reach is the 90 % interval.</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )
