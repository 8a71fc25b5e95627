"""What the archives of surface reports share: which report speaks for an hour, and how its codes read.

GHCNh and LCD hold the same reports (routine and special aviation reports, synoptic reports) in different
columns. The rules here turn either into one set of values an hour.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "FIRST_YEAR",
    "GROUPS",
    "LAST_YEAR",
    "ROUTINE",
    "SPECIAL",
    "SYNOPTIC",
    "hourly_values",
    "lowest_ceiling",
    "numbers",
    "report_kind",
    "sky_layer",
    "thunder_code",
]

ROUTINE, SPECIAL, SYNOPTIC = 0, 1, 2
"""Kinds of report, in the order in which they are trusted to hold gust, altimeter and ceiling."""

FIRST_YEAR, LAST_YEAR = 1900, 2100
"""Years that a report can be of. A mistyped year would stretch the hourly grid over centuries."""

GROUPS: tuple[tuple[str, ...], ...] = (
    ("air_temperature", "dew_point_temperature"),
    ("surface_air_pressure",),
    ("altimeter_setting",),
    ("air_pressure_at_mean_sea_level",),
    ("wind_speed", "wind_from_direction", "wind_speed_of_gust"),
    ("cloud_base_height",),
    ("visibility_in_air",),
)
"""Variables taken together from one report; the first of a group decides whether a report holds it."""

_NUMBER = re.compile(rb"\s*([+-]?\d{1,7}(?:\.\d{0,6})?|[+-]?\.\d{1,6})\s*[sV*]?\s*\Z")
_MISSING = frozenset({b"", b"Null", b"null", b"NA", b"M", b"*"})
_LAYER = re.compile(rb"\s*([A-Z]*):?(\d{2})?")


def numbers(
    texts: Iterable[bytes], *, sentinel: float = 9999.0
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Numbers in archive cells.

    Parameters
    ----------
    texts : iterable of bytes
        Cells. A trailing ``s`` (suspect), ``V`` (variable) or ``*`` is the archive's mark and is dropped.
    sentinel : float
        Numbers of this size and beyond are the archive's "missing".

    Returns
    -------
    values : ndarray of float64
        NaN where the cell is empty, a missing-value word, a sentinel, or not a number.
    unreadable : ndarray of bool
        True where the cell holds something that is neither a number nor a mark of a missing one.
    """
    read = [_number(text) for text in texts]
    values = np.array([value for value, _ in read], dtype="float64")
    values[np.abs(values) >= sentinel] = np.nan
    return values, np.array([unreadable for _, unreadable in read], dtype=bool)


@lru_cache(maxsize=1 << 16)
def _number(text: bytes) -> tuple[float, bool]:
    match = _NUMBER.match(text)
    if match is not None:
        return float(match.group(1)), False
    return np.nan, text.strip() not in _MISSING


def report_kind(code: bytes) -> int:
    """Kind of report from an archive's report-type code (``FM15``, ``FM-16``, ``FM12``, ``SAO``...)."""
    name = code.strip().upper().replace(b"-", b"").replace(b"_", b"")
    if name.startswith((b"FM16", b"SPECI", b"SAOSP", b"SP")):
        return SPECIAL
    if name.startswith((b"FM12", b"FM13", b"FM14", b"FM94", b"SYNOP", b"BUFR")):
        return SYNOPTIC
    return ROUTINE


def sky_layer(code: bytes) -> float:
    """What a sky-cover code says of a ceiling.

    Parameters
    ----------
    code : bytes
        ``BKN:07``, ``OVC:08``, ``VV:09``, ``CLR:00``, ``FEW:02``, ``X:10``, a bare ``07``, or a total after a
        semicolon that is not read (``BKN:07;05``).

    Returns
    -------
    float
        1 for a layer that is a ceiling (broken, overcast, or a vertical visibility), 0 for one that is
        not (clear, few, scattered, partly obscured), NaN where nothing is said.
    """
    match = _LAYER.match(code)
    if match is None:
        return np.nan
    word, digits = match.groups()
    if word in (b"BKN", b"OVC", b"VV"):
        return 1.0
    if word in (b"CLR", b"SKC", b"FEW", b"SCT", b"NSC", b"NCD", b"X"):
        return 0.0
    if word == b"" and digits is not None and int(digits) <= 10:
        return 1.0 if 5 <= int(digits) <= 9 else 0.0
    return np.nan


# WMO code tables 4677 (manned: 17 thunder without precipitation, 29 and 91-94 in the past hour, 95-99 now)
# and 4680 (automatic: 26 in the past hour, 90-96 now); Manual on Codes, WMO-No. 306, volume I.1.
_MANUAL_THUNDER = frozenset({17, 29, *range(91, 100)})
_AUTOMATIC_THUNDER = frozenset({26, *range(90, 97)})


def thunder_code(code: bytes, table: str) -> float:
    """Whether a present-weather code speaks of thunder.

    Parameters
    ----------
    code : bytes
        ``TS:7``, ``+TSRA``, ``VCTS``, ``TS:95``, ``95``, ``BR:1``, ``00``. Thunder in the vicinity counts:
        it stops a show as surely as thunder overhead.
    table : {"MW", "AU", "AW"}
        Which table a number belongs to: manned (WMO 4677), automated by words, automated (WMO 4680).

    Returns
    -------
    float
        1 or 0; NaN for an empty code.
    """
    text = code.strip()
    if not text or text in _MISSING:
        return np.nan
    word, _, tail = text.partition(b":")
    if b"TS" in word:
        return 1.0
    number = tail if tail else word
    if table != "AU" and number.isdigit():
        thunder = _MANUAL_THUNDER if table == "MW" else _AUTOMATIC_THUNDER
        return float(int(number) in thunder)
    return 0.0


def lowest_ceiling(
    cover: Sequence[NDArray[np.float64]], base: Sequence[NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Ceiling from sky layers.

    Parameters
    ----------
    cover : sequence of ndarray, each shape (n,)
        By layer: 1 a ceiling, 0 not one, NaN nothing said (:func:`sky_layer`).
    base : sequence of ndarray, each shape (n,)
        Bases above ground [m], NaN where missing.

    Returns
    -------
    ndarray of float64, shape (n,)
        The lowest base of a layer that is a ceiling [m]; inf where the sky was observed and no layer is
        one; NaN where nothing was observed, or where any layer that is a ceiling has no base: the lowest
        is then unknown.
    """
    observed = np.zeros(cover[0].shape, dtype=bool)
    unknown = np.zeros(cover[0].shape, dtype=bool)
    lowest = np.full(cover[0].shape, np.inf)
    for amount, height in zip(cover, base, strict=True):
        ceiling = amount == 1.0
        observed |= ~np.isnan(amount)
        unknown |= ceiling & np.isnan(height)
        lowest = np.where(ceiling & (height < lowest), height, lowest)
    return np.where(observed & ~unknown, lowest, np.nan)


def hourly_values(
    seconds: NDArray[np.int64],
    kind: NDArray[np.int64],
    values: Mapping[str, NDArray[np.float64]],
    *,
    thunder: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.int64], dict[str, NDArray[np.float64]], int]:
    """One set of values an hour from reports at any times.

    Each group of :data:`GROUPS` comes whole from one report at most 30 minutes from the hour: routine and
    special aviation reports before synoptic ones (those carry neither altimeter nor, as a rule, a gust, and
    stand exactly on the hour, so that nearness alone would lose every third hour's gust), then the nearest,
    then routine before special, then the later row. Wind direction, speed and gust never come from
    different reports. Thunder is 1 when any report of the hour speaks of it.

    Parameters
    ----------
    seconds : ndarray of int64, shape (n,)
        Seconds since 1970-01-01 UTC.
    kind : ndarray of int64, shape (n,)
        :data:`ROUTINE`, :data:`SPECIAL` or :data:`SYNOPTIC`.
    values : mapping of str to ndarray, each shape (n,)
        SI values by glossary name.
    thunder : ndarray, shape (n,), optional
        1, 0 or NaN by report.

    Returns
    -------
    hour : ndarray of int64, shape (m,)
        Hours since 1970-01-01 UTC that have a report, ascending.
    by_hour : dict of str to ndarray, each shape (m,)
    spare : int
        Reports that were not the first of their hour.
    """
    hour = (seconds + 1800) // 3600
    distance = np.abs(seconds - hour * 3600)
    order = np.lexsort((-np.arange(hour.size), kind == SPECIAL, distance, kind == SYNOPTIC, hour))
    ordered = hour[order]
    hours = ordered[_leads(ordered)]

    by_hour: dict[str, NDArray[np.float64]] = {}
    for group in GROUPS:
        names = [name for name in group if name in values]
        if not names:
            continue
        holds = ~np.isnan(values[names[0]][order])
        rows = order[holds]
        slots = ordered[holds]
        first = _leads(slots)
        place = np.searchsorted(hours, slots[first])
        for name in names:
            by_hour[name] = np.full(hours.size, np.nan)
            by_hour[name][place] = values[name][rows[first]]
    if thunder is not None:
        said = ~np.isnan(thunder)
        by_hour["thunder"] = np.full(hours.size, np.nan)
        place = np.searchsorted(hours, hour[said])
        by_hour["thunder"][place] = 0.0
        by_hour["thunder"][place[thunder[said] == 1.0]] = 1.0
    return hours, by_hour, int(hour.size - hours.size)


def _leads(ordered: NDArray[np.int64]) -> NDArray[np.bool_]:
    leads = np.ones(ordered.size, dtype=bool)
    leads[1:] = ordered[1:] != ordered[:-1]
    return leads
