"""The words on the screen: names, units and sentences as a pilot or an agent says them."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Sequence

from pipeline.air.variables import FT, KT, STATUTE_MILE
from pipeline.decisions.limits import NEVER_FLOWN
from pipeline.results import CAUSES_SAID, days_in_ten, in_100

__all__ = [
    "CONDITIONS",
    "NOTHING",
    "QUANTITIES",
    "cause",
    "chance",
    "date",
    "dates",
    "days_in_ten",
    "down",
    "heading",
    "interval",
    "joined",
    "limit",
    "minimum",
    "money",
    "number",
    "percent",
    "ranks",
    "share",
    "up",
]

QUANTITIES: dict[str, tuple[str, str, float]] = {
    "density_altitude": ("Density altitude", "ft", FT),
    "gust": ("Gust peak", "kt", KT),
    "toward_crowd": ("Wind toward the crowd", "kt", KT),
    "runway_crosswind": ("Runway crosswind", "kt", KT),
    "along_line": ("Wind along the show line", "kt", KT),
    "wind_speed": ("Mean wind", "kt", KT),
}
"""Heading, unit on the screen, and its SI value."""

CONDITIONS: dict[str, tuple[str, str, float]] = {
    "density_altitude": ("Density altitude", "ft", FT),
    "wind_toward_crowd": ("Wind toward the crowd", "kt", KT),
    "wind_across_line": ("Wind across the show line, either way", "kt", KT),
    "gust": ("Gust peak", "kt", KT),
    "gust_spread": ("Gust spread (peak less mean wind)", "kt", KT),
    "wind_along_line": ("Wind along the show line, either way", "kt", KT),
    "runway_crosswind": ("Runway crosswind", "kt", KT),
    "ceiling": ("Ceiling", "ft", FT),
    "visibility": ("Visibility", "SM", STATUTE_MILE),
}
"""What a personal limit is stated for: heading, unit on the screen, and its SI value."""

NOTHING = "no show"
"""The act on the ground, or no rehearsed show that fits the air."""

MISSING = "–"
NBSP = "\N{NO-BREAK SPACE}"


def heading(quantity: str, gusts: str) -> str:
    """Heading of a quantity; gusts that a model of other stations made are called estimated.

    Parameters
    ----------
    quantity
        Key of `QUANTITIES`.
    gusts
        What the venue's gusts are, as the results tell.
    """
    name = QUANTITIES[quantity][0]
    return f"{name}, estimated" if quantity == "gust" and gusts == "estimated" else name


def cause(name: str) -> str:
    """What bites, in words; "nothing in the sample" where no cause has any chance."""
    return CAUSES_SAID[name] if name else "nothing in the sample"


def number(value: float, unit: str = "", *, digits: int = 0) -> str:
    """A number with thousands separated and its unit; a dash where it is missing."""
    if not math.isfinite(value):
        return MISSING
    rounded = round(value, digits) + 0.0  # no minus before a zero
    return f"{rounded:,.{digits}f}{NBSP}{unit}" if unit else f"{rounded:,.{digits}f}"


def limit(value: float, scale: float, unit: str = "") -> str:
    """A limit [SI] in its unit, never told as more than it is; in words for a figure that is never flown."""
    return "never flown" if value <= NEVER_FLOWN else number(down(value, scale), unit)


def minimum(value: float, scale: float, unit: str = "") -> str:
    """A least ceiling or visibility [SI] in its unit, to a tenth if need be; never told as less."""
    tenths = up(value, scale / 10.0)
    return number(tenths / 10.0, unit, digits=int(math.isfinite(tenths) and tenths % 10.0 != 0.0))


def down(value: float, unit: float) -> float:
    """In a unit, rounded down: what is in hand is never told as more than it is."""
    return math.floor(value / unit + 1e-9) if math.isfinite(value) else math.nan


def up(value: float, unit: float) -> float:
    """In a unit, rounded up: what is missing is never told as less than it is."""
    return math.ceil(value / unit - 1e-9) if math.isfinite(value) else math.nan


def percent(value: float) -> str:
    """A chance as a whole percentage that never rounds to a certainty it is not."""
    return f"{in_100(value)}{NBSP}%" if math.isfinite(value) else MISSING


def share(value: float | None) -> str:
    """A percentage of what may be missing from an answer told in plain numbers."""
    return percent(math.nan if value is None else value)


def chance(value: float) -> str:
    """A chance in a pilot's words with its percentage beside it: "3 days in 10 (31 %)"."""
    return f"{days_in_ten(value)} ({percent(value)})" if math.isfinite(value) else "not enough history"


def interval(lower: float, upper: float) -> str:
    """A 90 % interval of a chance: "23 to 31 %"."""
    if not (math.isfinite(lower) and math.isfinite(upper)):
        return MISSING
    return f"{100.0 * lower:.0f} to {100.0 * upper:.0f}{NBSP}%"


def date(iso: str, *, year: bool = False, weekday: bool = True) -> str:
    """A date as people write it: "Sat 10 Jul"."""
    day = dt.date.fromisoformat(iso)
    return f"{day:%a }{day.day} {day:%b}{f' {day.year}' if year else ''}"[0 if weekday else 4 :]


def dates(isos: Sequence[str]) -> str:
    """Show days of a booking, short: "10 and 11 Jul", "31 Jul and 1 Aug", "1 to 4 May"."""
    days = [dt.date.fromisoformat(d) for d in isos]
    if not days:
        return MISSING
    run = len(days) > 2 and (days[-1] - days[0]).days == len(days) - 1
    if run:
        days = [days[0], days[-1]]
    spoken = [
        f"{d.day}" if i + 1 < len(days) and d.month == days[i + 1].month else f"{d.day} {d:%b}"
        for i, d in enumerate(days)
    ]
    return f"{spoken[0]} to {spoken[1]}" if run else joined(spoken)


def joined(items: Iterable[str], most: int | None = None) -> str:
    """Items in a sentence: "a, b and c"; "a, 1 May; b, 2 May; and c, 3 May".

    Parameters
    ----------
    items
        The items.
    most
        Of more than these the rest is told as a number.
    """
    held = list(items)
    if most is not None and len(held) > most:
        held = [*held[:most], f"{len(held) - most} more"]
    if len(held) <= 2:
        return " and ".join(held)
    # What lies in brackets does not mix with the commas between.
    if any(", " in re.sub(r"\([^)]*\)", "", item) for item in held):
        return "; ".join([*held[:-1], f"and {held[-1]}"])
    return " and ".join([", ".join(held[:-1]), held[-1]])


def ranks(numbers: Iterable[int]) -> str:
    """Ranks with runs drawn together: "1–4, 7"."""
    runs: list[list[int]] = []
    for n in sorted(numbers):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(str(a) if a == b else f"{a}–{b}" if b > a + 1 else f"{a}, {b}" for a, b in runs)


def money(value: float, currency: str) -> str:
    """A fee with its currency; a dash where none is given."""
    return MISSING if not math.isfinite(value) else f"{value:,.0f}{NBSP}{currency}"
