"""The show log of a season folder, ``show_log.csv``: the only reader and writer of it.

By exception: one row a show, and one more row for each figure that was dropped, trimmed, or already out
when the show was planned, with what bit. Everything not mentioned was flown as planned. Every mistake is
told with its row and column; the file is written whole or not at all, under a lock, and the version before
is kept beside it.
"""

from __future__ import annotations

import contextlib
import csv
import dataclasses
import datetime as dt
import hashlib
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import InputError, StoreError
from pipeline.files import write_atomically
from pipeline.settings import Fault, nearest

__all__ = [
    "COLUMNS",
    "FILE",
    "LOG_CAUSES",
    "OUTCOMES",
    "ChangedFigure",
    "LoggedShow",
    "add_show",
    "import_shows",
    "log_digest",
    "parse_log",
    "read_log",
    "remove_show",
    "show_from_rows",
]

FILE = "show_log.csv"
PREVIOUS = "show_log.previous.csv"

OUTCOMES = ("dropped", "trimmed", "planned_out")
"""What happened to a figure: left out on the day; flown in a lesser form; out when the show was planned."""

LOG_CAUSES = ("density_altitude", "wind_across", "rough_air", "wind_along", "other")
"""What bit; ``other`` is anything but the air of the figure: the ceiling, the engine, the clock."""

COLUMNS = (
    "date",
    "time_local",
    "venue",
    "routine",
    "figure",
    "outcome",
    "cause",
    "density_altitude_ft",
    "wind_from_deg_true",
    "wind_kt",
    "gust_kt",
    "note",
)
_NEEDED = ("date", "time_local", "venue", "routine", "figure", "outcome", "cause")
_RANGES = {
    "density_altitude_ft": (-5000.0, 20_000.0, "feet of density altitude"),
    "wind_from_deg_true": (0.0, 360.0, "degrees true"),
    "wind_kt": (0.0, 80.0, "knots"),
    "gust_kt": (0.0, 120.0, "knots"),
}
_LOCK_WAIT_S = 20.0


@dataclass(frozen=True)
class ChangedFigure:
    """A figure that was not flown as planned: its name, one of `OUTCOMES`, and one of `LOG_CAUSES`."""

    figure: str
    outcome: str
    cause: str


@dataclass(frozen=True)
class LoggedShow:
    """One show of the log.

    Attributes
    ----------
    date, time
        Local date and start.
    venue
        Id of a venue.
    routine
        Routine flown: its label in the season, ``full`` for the full show; ``none`` when the act stayed on
        the ground.
    changed
        Figures not flown as planned.
    density_altitude_ft, wind_from_deg_true, wind_kt, gust_kt
        Conditions the pilot noted; None where the station's hours are to be used.
    row
        Row of the file, the header being row 1; 0 for a show not read from a file.
    """

    date: dt.date
    time: dt.time
    venue: str
    routine: str = "full"
    changed: tuple[ChangedFigure, ...] = ()
    density_altitude_ft: float | None = None
    wind_from_deg_true: float | None = None
    wind_kt: float | None = None
    gust_kt: float | None = None
    note: str = ""
    row: int = field(default=0, compare=False)

    @property
    def key(self) -> tuple[dt.date, dt.time, str]:
        """What makes it one show: date, time and venue."""
        return self.date, self.time, self.venue

    @property
    def words(self) -> str:
        """Date, time and venue."""
        return f"{self.date} {self.time:%H:%M} at {self.venue}"


# --- Reading ----------------------------------------------------------------------------------------


def parse_log(
    content: bytes,
    *,
    file: str = FILE,
    venues: Sequence[str] = (),
    figures: Sequence[str] = (),
    routines: Sequence[str] = (),
    season_year: int | None = None,
) -> tuple[list[LoggedShow], list[Fault], list[Fault]]:
    """Shows of a log, its mistakes, and its warnings.

    Parameters
    ----------
    content
        The file.
    file
        Its name in messages.
    venues, figures, routines
        Ids, names and labels that the season knows; another is a warning, since a log outlives a season.
    season_year
        Its year; a later show is a warning.
    """
    faults: list[Fault] = []
    warnings: list[Fault] = []
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        return [], [Fault(file, row, "", f"the byte 0x{content[error.start]:02x}", "UTF-8 text")], []
    if "\0" in text:
        return [], [Fault(file, text[: text.index("\0")].count("\n") + 1, "", "a zero byte", "text")], []
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    shows: dict[tuple[dt.date, dt.time, str], LoggedShow | None] = {}
    try:
        header = [name.strip() for name in next(reader, [])]
        for name in header:
            if name not in COLUMNS:
                wanted = f"one of {', '.join(COLUMNS)}{nearest(name, COLUMNS)}"
                faults.append(Fault(file, 1, name, "an unknown column", wanted))
        faults += [
            Fault(file, 1, name, "no such column", "this column") for name in _NEEDED if name not in header
        ]
        if len(set(header)) != len(header):
            faults.append(Fault(file, 1, "", "a column given twice", "each column once"))
        if faults:
            return [], faults, []
        for cells in reader:
            row = reader.line_num
            if not any(c.strip() for c in cells):
                continue
            if len(cells) != len(header):
                faults.append(Fault(file, row, "", f"{len(cells)} values", f"{len(header)}, as the header"))
                continue
            held = {name: value.strip() for name, value in zip(header, cells, strict=True)}
            _read_row(held, file, row, shows, faults, warnings, venues, figures, routines, season_year)
    except csv.Error as error:
        faults.append(Fault(file, reader.line_num, "", f"a line that is no CSV ({error})", "CSV"))
    return [show for show in shows.values() if show is not None], faults, warnings


def show_from_rows(
    rows: Sequence[Mapping[str, str | None]],
    *,
    venues: Sequence[str],
    figures: Sequence[str],
    season_year: int | None = None,
) -> LoggedShow:
    """One show out of typed values: its own row, then one a figure, by the names of `COLUMNS`.

    Unlike a show of the past in the file, one that is typed in must name a venue and figures of the season,
    and no year after it.

    Raises
    ------
    InputError
        With every mistake, by column.
    """
    stream = io.StringIO(newline="")
    out = csv.writer(stream, lineterminator="\n")
    out.writerow(COLUMNS)
    out.writerows([row.get(name) or "" for name in COLUMNS] for row in rows)
    shows, faults, unknown = parse_log(
        stream.getvalue().encode(), venues=venues, figures=figures, season_year=season_year
    )
    if faults or unknown or len(shows) != 1:
        told = [f"  {f.key}: found {f.found}; wanted {f.wanted}" for f in (*faults, *unknown)]
        raise InputError("\n".join(["This show cannot be logged:", *told]))
    return dataclasses.replace(shows[0], row=0)


def _read_row(
    held: dict[str, str],
    file: str,
    row: int,
    shows: dict[tuple[dt.date, dt.time, str], LoggedShow | None],
    faults: list[Fault],
    warnings: list[Fault],
    venues: Sequence[str],
    figures: Sequence[str],
    routines: Sequence[str],
    season_year: int | None,
) -> None:
    before = len(faults)

    def wrong(column: str, wanted: str) -> None:
        found = repr(held[column]) if held.get(column) else "nothing"
        faults.append(Fault(file, row, column, found, wanted))

    date, time = _date(held["date"]), _time(held["time_local"])
    if date is None:
        wrong("date", "a date written 2027-07-04")
    if time is None:
        wrong("time_local", "a local time of day written 14:30")
    if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,63}", held["venue"]):
        wrong("venue", "the id of a venue")
    if len(faults) > before or date is None or time is None:
        return
    key = (date, time, held["venue"])
    if not held["figure"]:
        _read_show(held, key, file, row, shows, faults, warnings, venues, routines, season_year)
        return
    if held["outcome"] not in OUTCOMES:
        wrong("outcome", f"one of {', '.join(OUTCOMES)}{nearest(held['outcome'], OUTCOMES)}")
    if held["cause"] not in LOG_CAUSES:
        wrong("cause", f"one of {', '.join(LOG_CAUSES)}{nearest(held['cause'], LOG_CAUSES)}")
    faults.extend(
        Fault(file, row, name, repr(held[name]), "nothing: conditions stand in the show's own row")
        for name in (*_RANGES, "routine")
        if held.get(name)
    )
    if key in shows and shows[key] is None:
        return  # told already, at the show's own row
    show = shows.get(key)
    if show is None:
        wrong("date", "a figure's row after the row of its show, with the same date, time and venue")
        return
    if any(c.figure == held["figure"] for c in show.changed):
        wrong("figure", "each figure of a show once")
    if len(faults) > before:
        return
    if figures and held["figure"] not in figures:
        near = nearest(held["figure"], figures)
        warnings.append(
            Fault(file, row, "figure", repr(held["figure"]), f"a figure of routine.yaml{near}; not used")
        )
    changed = (*show.changed, ChangedFigure(held["figure"], held["outcome"], held["cause"]))
    shows[key] = dataclasses.replace(show, changed=changed)


def _read_show(
    held: dict[str, str],
    key: tuple[dt.date, dt.time, str],
    file: str,
    row: int,
    shows: dict[tuple[dt.date, dt.time, str], LoggedShow | None],
    faults: list[Fault],
    warnings: list[Fault],
    venues: Sequence[str],
    routines: Sequence[str],
    season_year: int | None,
) -> None:
    before = len(faults)
    there = shows.get(key)
    if there is not None:
        found = f"a show already in row {there.row}"
        faults.append(Fault(file, row, "date", found, "each show once; correct that row instead"))
    if not held["routine"]:
        faults.append(Fault(file, row, "routine", "nothing", "the routine flown: full, its label, or none"))
    faults.extend(
        Fault(file, row, name, repr(held[name]), "nothing in the row of a show")
        for name in ("outcome", "cause")
        if held[name]
    )
    numbers: dict[str, float | None] = {}
    for name, (low, high, words) in _RANGES.items():
        written = held.get(name, "")
        numbers[name] = None
        if not written:
            continue
        if re.fullmatch(r"[+-]?\d+(\.\d*)?", written) and low <= float(written) <= high:
            numbers[name] = float(written)
        else:
            faults.append(Fault(file, row, name, repr(written), f"{words}, from {low:,g} to {high:,g}"))
    speed, gust, direction = (numbers[n] for n in ("wind_kt", "gust_kt", "wind_from_deg_true"))
    if speed is not None and gust is not None and gust < speed:
        faults.append(Fault(file, row, "gust_kt", f"{gust:g}", f"a gust of at least the wind, {speed:g}"))
    if speed is None and direction is not None:
        faults.append(Fault(file, row, "wind_kt", "nothing", "the speed beside the direction"))
    if len(faults) > before:
        shows.setdefault(key, None)
        return
    if season_year is not None and key[0].year > season_year:
        wanted = f"a show already flown; the season is that of {season_year}"
        warnings.append(Fault(file, row, "date", repr(held["date"]), wanted))
    if venues and held["venue"] not in venues:
        near = nearest(held["venue"], venues)
        wanted = f"the id of a file in venues/{near}; without it only what the row notes is used"
        warnings.append(Fault(file, row, "venue", repr(held["venue"]), wanted))
    if routines and held["routine"] not in routines:
        near = nearest(held["routine"], routines)
        wanted = f"one of {', '.join(routines)}{near}; of another routine only the figures named count"
        warnings.append(Fault(file, row, "routine", repr(held["routine"]), wanted))
    shows[key] = LoggedShow(
        *key,
        routine=held["routine"],
        density_altitude_ft=numbers["density_altitude_ft"],
        wind_from_deg_true=direction,
        wind_kt=speed,
        gust_kt=gust,
        note=held.get("note", ""),
        row=row,
    )


def _date(text: str) -> dt.date | None:
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        return None


def _time(text: str) -> dt.time | None:
    parts = re.fullmatch(r"(\d{1,2}):(\d{2})", text)
    if parts is None or int(parts[1]) > 23 or int(parts[2]) > 59:
        return None
    return dt.time(int(parts[1]), int(parts[2]))


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}. Check the file.") from error


def read_log(
    folder: Path,
    *,
    venues: Sequence[str] = (),
    figures: Sequence[str] = (),
    routines: Sequence[str] = (),
    season_year: int | None = None,
) -> tuple[list[LoggedShow], list[Fault]]:
    """Shows of a season folder's log, and its warnings; no shows where there is no log.

    Raises
    ------
    InputError
        With every mistake, row and column.
    """
    content = _content(folder / FILE)
    if not content:
        return [], []
    shows, faults, warnings = parse_log(
        content, venues=venues, figures=figures, routines=routines, season_year=season_year
    )
    if faults:
        count = "one mistake" if len(faults) == 1 else f"{len(faults)} mistakes"
        raise InputError("\n".join([f"{folder / FILE} has {count}:", *(f"  {f}" for f in faults)]))
    return shows, warnings


def log_digest(folder: Path) -> str:
    """SHA-256 of the log; of nothing where there is none."""
    return hashlib.sha256(_content(folder / FILE)).hexdigest()


# --- Writing ----------------------------------------------------------------------------------------


def _written(shows: Sequence[LoggedShow]) -> bytes:
    stream = io.StringIO(newline="")
    rows = csv.writer(stream, lineterminator="\n")
    rows.writerow(COLUMNS)
    for show in sorted(shows, key=lambda s: s.key):
        place = (show.date.isoformat(), f"{show.time:%H:%M}", show.venue)
        numbers = [getattr(show, name) for name in _RANGES]
        rows.writerow(
            [
                *place,
                show.routine,
                "",
                "",
                "",
                *("" if n is None else f"{n:.10g}" for n in numbers),
                show.note,
            ]
        )
        for one in show.changed:
            rows.writerow([*place, "", one.figure, one.outcome, one.cause, "", "", "", "", ""])
    return stream.getvalue().encode()


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """One writer at a time; the lock file stays."""
    from filelock import FileLock, Timeout

    try:
        with FileLock(folder / f".{FILE}.lock", timeout=_LOCK_WAIT_S):
            yield
    except Timeout as error:
        raise StoreError(f"Another program holds the show log of {folder}. Try again in a moment.") from error
    except OSError as error:
        raise StoreError(f"{folder / FILE} cannot be written: {error.strerror or error}.") from error


def _save(folder: Path, shows: Sequence[LoggedShow]) -> None:
    before, after = _content(folder / FILE), _written(shows)
    if before == after:
        return
    # What would be written must read back as it was meant.
    again, faults, _ = parse_log(after)
    if faults or sorted(again, key=lambda s: s.key) != sorted(shows, key=lambda s: s.key):
        told = "; ".join(str(f) for f in faults) or "a text that a line of CSV cannot hold"
        raise InputError(f"This show cannot be logged: {told}")
    if before:
        write_atomically(folder / PREVIOUS, before)
    write_atomically(folder / FILE, after)


def add_show(folder: Path, show: LoggedShow, *, replace: bool = False) -> None:
    """Add a show to the log of a season folder, or correct it.

    Parameters
    ----------
    folder
        The season folder.
    show
        The show.
    replace
        Put it in the place of the one of the same date, time and venue.

    Raises
    ------
    InputError
        When the show is there already (or, with `replace`, is not), or the log or the show has a mistake.
    StoreError
        When the file cannot be written.
    """
    with _locked(folder):
        held = {s.key: s for s in read_log(folder)[0]}
        if show.key in held and not replace:
            raise InputError(
                f"The log already has the show on {show.words} (row {held[show.key].row}). "
                "Say --replace to correct it."
            )
        if replace and show.key not in held:
            raise InputError(
                f"The log has no show on {show.words} to correct. Leave out --replace to add it."
            )
        _save(folder, list((held | {show.key: show}).values()))


def remove_show(folder: Path, date: str, time: str, venue: str) -> LoggedShow:
    """Take a show out of the log of a season folder, with its figures; the version before is kept.

    Parameters
    ----------
    folder
        The season folder.
    date, time, venue
        As written in the log.

    Raises
    ------
    InputError
        When the log has no such show, or a mistake.
    StoreError
        When the file cannot be written.
    """
    with _locked(folder):
        held = {s.key: s for s in read_log(folder)[0]}
        day, start = _date(date), _time(time)
        gone = None if day is None or start is None else held.pop((day, start, venue), None)
        if gone is None:
            raise InputError(
                f"The log has no show on {date} {time} at {venue} to remove. "
                f"Give --date, --time and --venue as they stand in {folder / FILE}."
            )
        _save(folder, list(held.values()))
    return gone


def import_shows(folder: Path, source: Path, *, replace: bool = False) -> tuple[int, int]:
    """Bring the shows of another file of the same form into the log, all or none.

    Returns
    -------
    added, same
        Shows added or corrected, and those that were there already just so.

    Raises
    ------
    InputError
        With every mistake of the file, or the shows that differ from those in the log.
    """
    if not source.is_file():
        raise InputError(f"There is no file {source}.")
    shows, faults, _ = parse_log(_content(source), file=source.name)
    if faults:
        raise InputError("\n".join([f"Nothing was imported from {source}:", *(f"  {f}" for f in faults)]))
    with _locked(folder):
        held = {s.key: s for s in read_log(folder)[0]}
        other = [s for s in shows if s.key in held and held[s.key] != s]
        if other and not replace:
            told = [f"  row {s.row}: {s.words}" for s in other]
            head = (
                "Nothing was imported; these shows are in the log otherwise (say --replace to correct them):"
            )
            raise InputError("\n".join([head, *told]))
        same = sum(held.get(s.key) == s for s in shows)
        _save(folder, list((held | {s.key: s for s in shows}).values()))
    return len(shows) - same, same
