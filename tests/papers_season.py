"""Three venues of the invented season, over six years, for slots, the day itself and papers."""

from __future__ import annotations

import datetime as dt
import functools
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import xarray as xr
import yaml
from made_once import own_copy
from season_folder import write_yaml

from pipeline.fetch import fetch_season
from pipeline.inputs import Season, copy_demo, load_season
from pipeline.results import read_results, write_results
from pipeline.run import forecast, results_path
from pipeline.stations.store import Store

KEPT = ("quillmere", "high-larch", "saltreach", "cobble-flats")
HIGH, BEACH = "high-larch-july", "saltreach-july"
EVENING, AFTERNOON = "cobble-flats-evening", "cobble-flats-afternoon"


@dataclass(frozen=True)
class Made:
    """A season folder, its cache, and its results."""

    folder: Path
    cache: Path
    season: Season
    ds: xr.Dataset


def _make(root: Path) -> None:
    folder = copy_demo(root / "season")
    for path in (folder / "venues").glob("*.yaml"):
        if path.stem not in KEPT:
            path.unlink()
    head = (folder / "season.yaml").read_text(encoding="utf-8")
    assert "first_year: 2007" in head
    (folder / "season.yaml").write_text(
        head.replace("first_year: 2007", "first_year: 2021"), encoding="utf-8"
    )
    bookings: list[dict[str, Any]] = yaml.load(
        (folder / "bookings.yaml").read_text(encoding="utf-8"), Loader=yaml.BaseLoader
    )
    kept = [b for b in bookings if b["id"] in (HIGH, BEACH, EVENING, AFTERNOON)]
    assert len(kept) == 4
    kept[0]["reply_by"] = "2027-02-28"
    write_yaml(folder / "bookings.yaml", kept)
    season = load_season(folder)
    store = Store(root / "cache")
    outcomes = fetch_season(season, store, now=dt.datetime(2026, 12, 31, 23, tzinfo=dt.UTC))
    assert not [o.error for o in outcomes if o.error]
    write_results(forecast(season, store), root / "results.nc")


@functools.cache
def papers_season() -> Made:
    root = own_copy("papers-season", _make)
    folder, cache = root / "season", root / "cache"
    path = results_path(folder, cache)
    path.parent.mkdir(exist_ok=True)
    shutil.copyfile(root / "results.nc", path)
    return Made(folder, cache, load_season(folder), read_results(path))
