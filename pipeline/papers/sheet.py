"""One page of paper: headings, tables and lines, in black and white, with cautions and marks.

A sheet is drawn as large as it fits and never smaller than it can be read: numbers that are flown are at
least `FLOWN_POINTS` high, a long name beside them gives way first, and a sheet that does not fit on its page
is an error, not a second page.
"""

from __future__ import annotations

import functools
import io
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import InputError

__all__ = ["FLOWN_POINTS", "Lines", "Numbers", "Sheet", "Table", "draw", "drawable"]

MILLIMETRE = 72.0 / 25.4
WIDTH, HEIGHT = 210.0 * MILLIMETRE, 279.4 * MILLIMETRE
"""The page fits on both A4 and US letter."""
MARGIN = 12.0 * MILLIMETRE

INVENTED = "INVENTED SEASON – NOT FOR FLIGHT – NO SUCH PLACE OR WEATHER"

FLOWN_POINTS = 14.0
"""Least size of a number that is flown."""
SMALL_POINTS = 8.0
NAME_POINTS = 10.0
"""Least size of a name on one line beside such numbers; on two lines it is a point smaller."""

_FONTS = Path(__file__).parent / "fonts"
REGULAR, BOLD = "DejaVuSans", "DejaVuSans-Bold"


@dataclass(frozen=True)
class Numbers:
    """Large numbers in a row of boxes: label, value."""

    boxes: tuple[tuple[str, str], ...]
    points: float = 22.0


@dataclass(frozen=True)
class Table:
    """A ruled table.

    Attributes
    ----------
    header
        One text a column.
    rows
        One text a cell; a row may be shorter than the header.
    widths
        Of the columns, in any unit.
    left
        Columns set from the left; the others are centred.
    largest, least
        Points between which the table is fitted to the page.
    shaded
        Cells (row, column) with a light grey ground, which survives a photocopier.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    left: tuple[int, ...] = (0,)
    largest: float = 17.0
    least: float = FLOWN_POINTS
    shaded: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Lines:
    """Plain lines, wrapped; a heading in bold where given."""

    lines: tuple[str, ...]
    heading: str = ""
    points: float = 11.0


Block = Numbers | Table | Lines


@dataclass(frozen=True)
class Sheet:
    """What stands on one page.

    Attributes
    ----------
    kind
        What the sheet is, such as ``Pilot's card``.
    title, subtitle
        Whose it is.
    blocks
        From top to bottom.
    cautions
        Printed at the foot.
    invented
        Marks the sheet as one of an invented season.
    """

    kind: str
    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    cautions: tuple[str, ...]
    invented: bool


def _register() -> None:
    from reportlab import rl_config
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    # Streams as they are, not spelled in ASCII: a fifth smaller, and quicker to write.
    rl_config.useA85 = 0
    held = set(pdfmetrics.getRegisteredFontNames())
    for name in (REGULAR, BOLD):
        if name not in held:
            pdfmetrics.registerFont(TTFont(name, str(_FONTS / f"{name}.ttf")))


@functools.lru_cache(maxsize=20_000)
def _unit_width(text: str, font: str) -> float:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, font, 1.0))


def _width(text: str, font: str, points: float) -> float:
    return points * _unit_width(text, font)


def wrapped(text: str, font: str, points: float, width: float) -> list[str]:
    """Break a text into lines no wider than a width; a word that is wider stays whole."""
    lines: list[str] = []
    space, used = _width(" ", font, points), 0.0
    for word in text.split():
        wide = _width(word, font, points)
        if lines and used + space + wide <= width:
            lines[-1] += f" {word}"
            used += space + wide
        else:
            lines.append(word)
            used = wide
    return lines or [""]


def _columns(table: Table) -> list[float]:
    total = sum(table.widths)
    return [(WIDTH - 2 * MARGIN) * w / total for w in table.widths]


def _named(text: str, points: float, width: float) -> tuple[float, list[str]] | None:
    """Points and lines of a cell set from the left; None where not even two smaller lines hold it."""
    size = points
    while size > NAME_POINTS and _width(text, REGULAR, size) + 0.5 * points > width:
        size -= 0.25
    if _width(text, REGULAR, size) + 0.5 * points <= width:
        return size, [text]
    size = NAME_POINTS - 1.0
    lines = wrapped(text, REGULAR, size, width - 4.0)
    wide = max(_width(line, REGULAR, size) for line in lines) > width - 4.0
    return None if wide or len(lines) * size * 1.1 > _row_height(points) - 2.0 else (size, lines)


def _table_fits(table: Table, points: float, *, names_give_way: bool = False) -> bool:
    """Whether every cell fits into its column, on one line but for names that give way."""
    pad, columns = 0.5 * points, _columns(table)
    return all(
        _width(text, REGULAR if c in table.left else BOLD, points) + pad <= width
        or (names_give_way and c in table.left and _named(text, points, width) is not None)
        for row in table.rows
        for c, (text, width) in enumerate(zip(row, columns, strict=False))
    )


def _header_lines(table: Table, points: float) -> list[tuple[float, list[str]]]:
    """Points and lines of every column's head, of a table whose cells have so many points."""
    sizes = [_header_points(text, points) for text in table.header]
    return [
        (size, wrapped(text, REGULAR, size, width - 4.0))
        for text, size, width in zip(table.header, sizes, _columns(table), strict=True)
    ]


def _header_height(heads: Sequence[tuple[float, list[str]]]) -> float:
    return max(len(lines) * size for size, lines in heads) * 1.2 + 6.0


def _header_points(text: str, points: float) -> float:
    # A number at the head of a column is read as those under it are.
    return points if text.isdigit() else max(SMALL_POINTS, 0.62 * points)


def _row_height(points: float) -> float:
    return 1.62 * points


def _height(block: Block, points: float) -> float:
    if isinstance(block, Numbers):
        return block.points * 1.35 + 20.0
    if isinstance(block, Lines):
        count = sum(len(wrapped(line, REGULAR, block.points, WIDTH - 2 * MARGIN)) for line in block.lines)
        return (count + (1.2 if block.heading else 0.0)) * block.points * 1.3 + 6.0
    head = _header_height(_header_lines(block, points))
    return head + len(block.rows) * _row_height(points) + 8.0


def _fit(sheet: Sheet, room: float) -> float:
    """Largest size at which every table fits its columns and the sheet its page.

    Raises
    ------
    InputError
        When it does not fit at the least size.
    """
    tables = [b for b in sheet.blocks if isinstance(b, Table)]
    if not tables:
        points = FLOWN_POINTS
        if sum(_height(b, points) for b in sheet.blocks) > room:
            raise _too_long(sheet)
        return points
    largest, least = min(t.largest for t in tables), max(t.least for t in tables)
    room -= sum(_height(b, largest) for b in sheet.blocks if not isinstance(b, Table))
    for give_way in (False, True):
        points = largest
        while points >= least - 1e-9:
            if sum(_height(t, points) for t in tables) <= room and all(
                _table_fits(t, points, names_give_way=give_way) for t in tables
            ):
                return points
            points -= 0.25
    raise _too_long(sheet)


def _too_long(sheet: Sheet) -> InputError:
    return InputError(
        f"The {sheet.kind} of {sheet.title} does not fit on one page at a size that can be read. Shorten the "
        "names of its figures, or fly fewer."
    )


def _texts(sheet: Sheet) -> Iterator[str]:
    """Whatever is written on a sheet."""
    yield from (sheet.kind, sheet.title, sheet.subtitle, *sheet.cautions)
    for block in sheet.blocks:
        if isinstance(block, Numbers):
            yield from (text for box in block.boxes for text in box)
        elif isinstance(block, Lines):
            yield from (block.heading, *block.lines)
        else:
            yield from block.header
            yield from (text for row in block.rows for text in row)


def _lacking(texts: Iterable[str]) -> list[str]:
    """Letters that would be drawn as an empty box, or backwards: they are set from left to right."""
    from reportlab.pdfbase.pdfmetrics import getFont

    _register()
    drawn = [getFont(name).face.charToGlyph for name in (REGULAR, BOLD)]
    return [
        c
        for c in sorted(set().union(*texts))
        if not c.isspace()
        and (unicodedata.bidirectional(c) in ("R", "AL") or not all(ord(c) in glyphs for glyphs in drawn))
    ]


def drawable(text: str) -> str:
    """A text in which letters that cannot be drawn are told by their Unicode numbers."""
    lacking = _lacking([text])
    return "".join(f"[U+{ord(c):04X}]" if c in lacking else c for c in text)


def draw(sheet: Sheet) -> bytes:
    """Draw a sheet as a PDF of one page; the same contents give the same bytes.

    Raises
    ------
    InputError
        When the sheet does not fit on its page at a size that can be read, or has letters that cannot be
        drawn.
    """
    from reportlab.pdfgen.canvas import Canvas

    _register()
    if lacking := _lacking(_texts(sheet)):
        raise InputError(
            f"The {sheet.kind} of {sheet.title} cannot be printed: the typeface of the papers does not draw "
            f"{' '.join(lacking)}. Write the names in other letters; it draws Latin, Greek and Cyrillic ones."
        )
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(WIDTH, HEIGHT), invariant=1)
    canvas.setTitle(f"{sheet.kind}: {sheet.title}")
    foot = _draw_foot(canvas, sheet)
    top = _draw_head(canvas, sheet)
    points = _fit(sheet, top - foot)
    for block in sheet.blocks:
        if isinstance(block, Numbers):
            _draw_numbers(canvas, block, top)
        elif isinstance(block, Lines):
            _draw_lines(canvas, block, top)
        else:
            _draw_table(canvas, block, top, points)
        top -= _height(block, points)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _draw_head(canvas: Any, sheet: Sheet) -> float:
    top = HEIGHT - MARGIN
    if sheet.invented:
        canvas.setFillGray(0.0)
        canvas.rect(MARGIN, top - 14.0, WIDTH - 2 * MARGIN, 14.0, fill=1, stroke=0)
        canvas.setFillGray(1.0)
        canvas.setFont(BOLD, 10.0)
        canvas.drawCentredString(WIDTH / 2, top - 10.8, INVENTED)
        canvas.setFillGray(0.0)
        top -= 20.0
    canvas.setFont(REGULAR, 10.0)
    canvas.drawString(MARGIN, top - 10.0, sheet.kind)
    size = 19.0
    while size > 12.0 and _width(sheet.title, BOLD, size) > WIDTH - 2 * MARGIN:
        size -= 0.5
    canvas.setFont(BOLD, size)
    # A place with a long name, or several show days, may need a second line: the date is at the end.
    titles = wrapped(sheet.title, BOLD, size, WIDTH - 2 * MARGIN)
    for i, line in enumerate(titles):
        canvas.drawString(MARGIN, top - 30.0 - i * size * 1.25, line)
    top -= 36.0 + (len(titles) - 1) * size * 1.25
    for line in wrapped(sheet.subtitle, REGULAR, 11.0, WIDTH - 2 * MARGIN):
        canvas.setFont(REGULAR, 11.0)
        canvas.drawString(MARGIN, top - 10.0, line)
        top -= 14.0
    return top - 6.0


def _draw_foot(canvas: Any, sheet: Sheet) -> float:
    lines = [
        line
        for caution in sheet.cautions
        for line in wrapped(caution, REGULAR, SMALL_POINTS, WIDTH - 2 * MARGIN)
    ]
    bottom = MARGIN
    canvas.setFont(REGULAR, SMALL_POINTS)
    for i, line in enumerate(reversed(lines)):
        canvas.drawString(MARGIN, bottom + i * SMALL_POINTS * 1.25, line)
    top = bottom + len(lines) * SMALL_POINTS * 1.25 + 4.0
    canvas.setLineWidth(0.8)
    canvas.line(MARGIN, top, WIDTH - MARGIN, top)
    return top + 4.0


def _draw_numbers(canvas: Any, block: Numbers, top: float) -> None:
    width = (WIDTH - 2 * MARGIN) / len(block.boxes)
    height = block.points * 1.35 + 14.0
    for i, (label, value) in enumerate(block.boxes):
        left = MARGIN + i * width
        canvas.setLineWidth(1.2)
        canvas.rect(left, top - height, width, height, fill=0, stroke=1)
        canvas.setFont(REGULAR, 8.5)
        canvas.drawString(left + 4.0, top - 10.5, label)
        size = block.points
        while size > FLOWN_POINTS and _width(value, BOLD, size) > width - 8.0:
            size -= 0.5
        canvas.setFont(BOLD, size)
        canvas.drawCentredString(left + width / 2, top - 12.0 - block.points, value)


def _draw_lines(canvas: Any, block: Lines, top: float) -> None:
    step = block.points * 1.3
    y = top - block.points
    if block.heading:
        canvas.setFont(BOLD, block.points)
        canvas.drawString(MARGIN, y, block.heading)
        y -= 1.2 * step
    canvas.setFont(REGULAR, block.points)
    for line in block.lines:
        for part in wrapped(line, REGULAR, block.points, WIDTH - 2 * MARGIN):
            canvas.drawString(MARGIN, y, part)
            y -= step


def _draw_table(canvas: Any, table: Table, top: float, points: float) -> None:
    columns = _columns(table)
    edges = [MARGIN]
    for width in columns:
        edges.append(edges[-1] + width)
    heads = _header_lines(table, points)
    head = _header_height(heads)
    for c, (size, lines) in enumerate(heads):
        canvas.setFont(REGULAR, size)
        for i, line in enumerate(lines):
            y = top - size - 1.0 - i * size * 1.2
            if c in table.left:
                canvas.drawString(edges[c] + 2.0, y, line)
            else:
                canvas.drawCentredString((edges[c] + edges[c + 1]) / 2, y, line)
    y = top - head
    step = _row_height(points)
    canvas.setLineWidth(1.2)
    canvas.line(edges[0], y, edges[-1], y)
    canvas.setLineWidth(0.5)
    for r, row in enumerate(table.rows):
        for c, text in enumerate(_padded(row, len(columns))):
            if (r, c) in table.shaded:
                canvas.setFillGray(0.86)
                canvas.rect(edges[c], y - step, columns[c], step, fill=1, stroke=0)
                canvas.setFillGray(0.0)
            if c in table.left:
                size, lines = _named(text, points, columns[c]) or (points, [text])
                canvas.setFont(REGULAR, size)
                first = y - (1.18 * points if len(lines) == 1 else 1.1 * size)
                for i, line in enumerate(lines):
                    canvas.drawString(edges[c] + 2.0, first - i * 1.1 * size, line)
            else:
                canvas.setFont(BOLD, points)
                canvas.drawCentredString((edges[c] + edges[c + 1]) / 2, y - 1.18 * points, text)
        y -= step
        canvas.line(edges[0], y, edges[-1], y)
    for x in edges[1:-1]:
        canvas.line(x, top - head, x, y)


def _padded(row: Sequence[str], count: int) -> list[str]:
    return [*row, *[""] * (count - len(row))]
