"""Results for other programs: tables, netCDF, and a calendar.

Numbers in the tables carry their units in their names; the netCDF file is SI. The cautions go
with every file.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.air.variables import FT, KT
from pipeline.files import write_where_asked

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Event", "calendar", "tables", "write_calendar", "write_netcdf", "write_tables"]


# --- Tables -----------------------------------------------------------------------------------------


def _cell(value: Any) -> str:
    """A table's cell; empty where nothing is known."""
    if isinstance(value, (float, np.floating)):
        return "" if not math.isfinite(value) else f"{float(value):.6g}"
    return str(value)


def _table(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_cell(v) for v in row] for row in rows)
    return stream.getvalue()


def tables(ds: xr.Dataset) -> dict[str, str]:
    """The results as three tables of comma-separated text: bookings, slots, figures.

    Chances are fractions; an empty cell is not known. Lines are in the order of the season folder.
    """
    v = {str(name): ds[name].to_numpy() for name in ds.data_vars if not _is_sample(ds, str(name))}
    quantile = {round(float(q), 2): i for i, q in enumerate(ds["quantile"].to_numpy())}
    routines = [str(r) for r in ds["routine"].to_numpy()]
    figures = [str(f) for f in ds["figure"].to_numpy()]
    causes = [str(c) for c in ds["cause"].to_numpy()]
    invented = int(ds.attrs["invented"])

    bookings = _table(
        [
            "booking", "venue", "state", "rank", "status", "as_planned", "as_planned_lower",
            "as_planned_upper", "best_slot_local", "best_slot_as_planned", "worst_slot_local",
            "worst_slot_as_planned",
            "trust_grade", "fee", "costs", "currency", "invented",
        ],
        (
            [
                str(name), v["booking_venue"][b], v["booking_state"][b], int(v["booking_rank"][b]) or "",
                v["booking_status"][b], v["booking_as_planned"][b], v["booking_as_planned_lower"][b],
                v["booking_as_planned_upper"][b], v["booking_best_slot"][b],
                v["booking_best_slot_as_planned"][b], v["booking_worst_slot"][b],
                v["booking_worst_slot_as_planned"][b], v["booking_trust_grade"][b],
                v["booking_fee"][b], v["booking_costs"][b],
                ds.attrs["currency"], invented,
            ]
            for b, name in enumerate(ds["booking"].to_numpy())
        ),
    )  # fmt: skip

    picked = (("density_altitude", "ft", FT), ("gust", "kt", KT), ("toward_crowd", "kt", KT),
              ("runway_crosswind", "kt", KT))  # fmt: skip
    ends = (("median", 0.5), ("1_in_10_high", 0.9))
    columns = ["booking", "date", "slot_local", "slot_utc", "in_window", "in_discussion", "act_out"]
    columns += [f"as_planned_{r}{end}" for r in routines for end in ("", "_lower", "_upper")]
    columns += [f"{name}_{words}_{unit}" for name, unit, _ in picked for words, _ in ends]
    columns += [
        "years",
        "samples",
        "effective_samples",
        "observed_share",
        "gust_reported_share",
        "gusts",
        "invented",
    ]

    gusts = dict(zip(ds["venue"].to_numpy(), v["venue_gusts"], strict=True))

    def slot_rows() -> Iterable[list[Any]]:
        for d in range(len(v["day_booking"])):
            for s in range(int(v["day_slots"][d])):
                row: list[Any] = [
                    v["day_booking"][d], v["day_date"][d], v["slot_local"][d, s], v["slot_utc"][d, s],
                    int(v["slot_in_window"][d, s]), int(s == v["day_offered_slot"][d]), v["act_out"][d, s],
                ]  # fmt: skip
                for r in range(len(routines)):
                    row += [v[f"routine_as_planned{end}"][d, s, r] for end in ("", "_lower", "_upper")]
                for name, _, unit in picked:
                    row += [v[f"{name}_quantile"][d, s, quantile[q]] / unit for _, q in ends]
                yield [
                    *row, int(v["sample_years"][d, s]), int(v["sample_size"][d, s]),
                    v["sample_effective_size"][d, s], v["observed_share"][d, s],
                    v["gust_reported_share"][d, s], gusts[v["day_venue"][d]], invented,
                ]  # fmt: skip

    def figure_rows() -> Iterable[list[Any]]:
        for d in range(len(v["day_booking"])):
            for s in range(int(v["day_slots"][d])):
                for f, figure in enumerate(figures):
                    yield [
                        v["day_booking"][d], v["day_date"][d], v["slot_local"][d, s], figure,
                        *(v[f"figure_change{end}"][d, s, f] for end in ("", "_lower", "_upper")),
                        *v["figure_change_by_cause"][d, s, f], invented,
                    ]  # fmt: skip

    return {
        "bookings.csv": bookings,
        "slots.csv": _table(columns, slot_rows()),
        "figures.csv": _table(
            [
                "booking", "date", "slot_local", "figure", "changed", "changed_lower", "changed_upper",
                *(f"changed_by_{c}" for c in causes), "invented",
            ],
            figure_rows(),
        ),
    }  # fmt: skip


def _is_sample(ds: xr.Dataset, name: str) -> bool:
    """Whether a variable is sampled air, which belongs in the netCDF file only."""
    return "hour_offset" in ds[name].dims


def write_tables(ds: xr.Dataset, into: Path) -> list[Path]:
    """Write the tables and the cautions beside them."""
    written = [write_where_asked(into / name, text.encode()) for name, text in tables(ds).items()]
    return [*written, write_where_asked(into / "CAUTIONS.txt", f"{ds.attrs['cautions']}\n".encode())]


def write_netcdf(content: bytes, into: Path) -> Path:
    """Write everything, the sampled air too, as one CF netCDF file in SI.

    Parameters
    ----------
    content
        Of the results' own file: laid anew it would carry the second in which it was.
    into
        Folder.
    """
    return write_where_asked(into / "showhour.nc", content)


# --- Calendar ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Event:
    """One entry of the calendar.

    Attributes
    ----------
    uid
        The same entry keeps it from one export to the next.
    start, end
        Both with a time zone, or both dates; an entry of dates ends before `end`.
    """

    uid: str
    start: dt.datetime | dt.date
    end: dt.datetime | dt.date
    summary: str
    description: str


def _escaped(text: str) -> str:
    for plain, written in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        text = text.replace(plain, written)
    return text


def _folded(line: str) -> str:
    """Fold a line at 75 octets, never inside a character (RFC 5545, section 3.1)."""
    parts: list[bytes] = []
    held = b""
    for character in line:
        encoded = character.encode()
        if len(held) + len(encoded) > (75 if not parts else 74):
            parts.append(held)
            held = b""
        held += encoded
    parts.append(held)
    return "\r\n ".join(part.decode() for part in parts)


def _instant(name: str, value: dt.datetime | dt.date) -> str:
    if isinstance(value, dt.datetime):
        if value.tzinfo is None:
            raise ValueError("Event: a time needs its time zone")
        return f"{name}:{value.astimezone(dt.UTC):%Y%m%dT%H%M%SZ}"
    return f"{name};VALUE=DATE:{value:%Y%m%d}"


def calendar(events: Sequence[Event], name: str, stamp: dt.datetime) -> str:
    """The calendar as iCalendar text (RFC 5545), times in UTC.

    Parameters
    ----------
    events
        The entries.
    name
        Shown by the calendar program.
    stamp
        When the entries were made, with a time zone.
    """
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//showhour//season//EN",
        "CALSCALE:GREGORIAN",
        f"X-WR-CALNAME:{_escaped(name)}",
    ]
    for event in events:
        lines += [
            "BEGIN:VEVENT",
            f"UID:{event.uid}@showhour",
            _instant("DTSTAMP", stamp),
            _instant("DTSTART", event.start),
            _instant("DTEND", event.end),
            f"SUMMARY:{_escaped(event.summary)}",
        ]
        if event.description:
            lines.append(f"DESCRIPTION:{_escaped(event.description)}")
        lines.append("END:VEVENT")
    lines.append("END:VCALENDAR")
    return "".join(f"{_folded(line)}\r\n" for line in lines)


def write_calendar(events: Sequence[Event], name: str, into: Path, stamp: dt.datetime) -> Path:
    """Write the calendar."""
    return write_where_asked(into / "showhour.ics", calendar(events, name, stamp).encode())
