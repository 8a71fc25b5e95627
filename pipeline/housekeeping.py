"""What is stored on this machine: shown, verified, trimmed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.errors import StoreError
from pipeline.stations.store import Store, cache_root

__all__ = ["in_words", "stored", "trim"]


def _size(path: Path) -> int:
    return path.stat().st_size if path.is_file() else 0


def stored(*, verify: bool) -> dict[str, Any]:
    """Stations and results in the cache.

    Parameters
    ----------
    verify
        Read every array and check its SHA-256.

    Returns
    -------
    dict
        ``root``, ``stations`` (source, station, name, settings read with, years by state, bytes),
        ``damaged`` (path and what is wrong), ``results`` (path, bytes), ``verified``.
    """
    root = cache_root()
    stations, damaged = [], []
    for part in sorted([*(p.name for p in root.glob("stations*")), "checked"]):
        store = Store(root, part=part)
        for path in sorted(store.root.glob("*/*.nc")):
            try:
                held = store.describe(path)
                if verify and store.held_years(held.source, held.station_id):
                    store.read(held.source, held.station_id)
            except StoreError as error:
                damaged.append({"path": str(path), "error": str(error)})
                continue
            if part != "checked":
                years: dict[str, list[int]] = {}
                for year, state in sorted(held.states.items()):
                    years.setdefault(state, []).append(year)
                stations.append(
                    {
                        "source": held.source,
                        "station": held.station_id,
                        "name": held.station_name,
                        "read_with": part.removeprefix("stations").replace("_", " ").strip(),
                        "years": years,
                        "bytes": _size(path),
                    }
                )
    results = [{"path": str(p), "bytes": _size(p)} for p in sorted((root / "results").glob("*.nc"))]
    return {
        "root": str(root),
        "verified": verify,
        "stations": stations,
        "results": results,
        "damaged": damaged,
    }


_KEPT = ("gusts", "cycles", "trust", "derived", "show_hours", "carriers")
"""Folders of fits and scores, kept so that only new hours are worked on."""


def trim() -> dict[str, Any]:
    """Delete what can be made again: checked copies, fits, leftovers, damaged files replaced since.

    Station hours as fetched and results are kept; so is a file set aside as damaged whose station has no
    other: what can still be read of it may be all there is.
    """
    root = cache_root()
    freed, count = 0, 0
    doomed = [
        *(root / "checked").glob("*/*.nc"),
        *(root / "checked").glob("*/*.damaged-*"),
        *(path for part in _KEPT for path in (root / part).glob("*.*")),
        *root.glob("stations*/*/.*.tmp"),
        *(
            path
            for path in root.glob("stations*/*/*.damaged-*")
            if path.with_name(path.name.partition(".damaged-")[0]).is_file()
        ),
        *(root / "results").glob(".*.part"),
    ]
    for path in doomed:
        freed += _size(path)
        path.unlink(missing_ok=True)
        count += 1
    return {"root": str(root), "deleted": count, "freed_bytes": freed}


def in_words(told: dict[str, Any]) -> list[str]:
    """The same for people, a line each."""
    if "deleted" in told:
        return [
            f"{told['deleted']} files deleted, {told['freed_bytes'] / 1e6:.1f} MB freed in {told['root']}"
        ]
    lines = [f"Stored in {told['root']}"]
    for s in told["stations"]:
        years = "; ".join(f"{state} {_ranges(held)}" for state, held in s["years"].items())
        kept = f", {s['read_with']} values kept" if s["read_with"] else ""
        lines.append(
            f"  {s['source']} {s['station']} ({s['name']}{kept}): {years}; {s['bytes'] / 1e6:.1f} MB"
        )
    lines += [f"  results {r['path']}: {r['bytes'] / 1e6:.1f} MB" for r in told["results"]]
    lines += [f"  damaged: {d['error']}" for d in told["damaged"]]
    if told["verified"] and not told["damaged"]:
        lines.append("Every array read and its checksum found right.")
    return lines


def _ranges(years: list[int]) -> str:
    """Years as ranges: 2001–2004, 2007."""
    parts: list[list[int]] = []
    for year in years:
        if parts and year == parts[-1][-1] + 1:
            parts[-1].append(year)
        else:
            parts.append([year])
    return ", ".join(str(p[0]) if len(p) == 1 else f"{p[0]}–{p[-1]}" for p in parts)
