"""What the numbers rest on, shaped for people: stations in their order, what was rejected, and the runs."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard import words
from dashboard.season import Season
from pipeline.air.variables import FT, NM, STATION_VARIABLES

__all__ = [
    "StationRow",
    "ago",
    "completeness_rows",
    "filled_rows",
    "height",
    "licence_rows",
    "moment",
    "pressure_shares",
    "rejection_rows",
    "reported",
    "run_rows",
    "run_troubles",
    "stations_of",
    "suspicion_rows",
]

Row = dict[str, Any]

_REASONS: dict[str, str] = {
    "no_report": "no report in the hour",
    "other_report_in_hour": "another report of the same hour was nearer to it",
    "out_of_range": "outside what weather can be",
    "physical_range": "outside what weather can be",
    "zero_gust": "a gust of zero stands for none reported",
    "unreadable": "could not be read",
    "unreadable_time": "its time could not be read",
    "malformed_line": "the line was broken",
    "in_the_future": "later than the day it was fetched",
    "archive_flagged": "marked wrong by the archive",
    "archive_suspect": "marked doubtful by the archive",
    "spike": "a spike: one hour far from both its neighbours",
    "stuck": "stuck: the same value for longer than weather lasts",
    "repeated_day": "a copy of the day before",
    "dew_point": "dew point above the temperature",
    "gust": "gust below the mean wind of its report",
    "pressures": "two pressures of the hour that do not fit",
}

_WITHOUT_GAP = {
    "wind_from_direction": "calm and variable wind have none",
    "wind_speed_of_gust": "no gust in a report is not a gap",
}


def _quantity(name: str) -> str:
    """A station's quantity in a few words."""
    return "thunder" if name == "thunder" else STATION_VARIABLES[name].long_name.partition(";")[0]


@dataclass(frozen=True)
class StationRow:
    """One of a venue's stations in its order.

    Attributes
    ----------
    place
        From 1.
    rise_ft
        Station less show site.
    shares
        Share of the venue's hours that came from it, by group of quantities; NaN where the venue has none.
    completeness
        Share of its own hours that hold each quantity, before any filling.
    """

    venue: str
    place: int
    code: str
    name: str
    status: str
    distance_nm: float
    rise_ft: float
    invented: bool
    years: tuple[int, int]
    retrieved_at: str
    licence: str
    attribution: str
    shares: dict[str, float]
    completeness: dict[str, float]
    rejected: dict[str, int]
    rejections: tuple[Mapping[str, Any], ...]
    suspicions: tuple[Mapping[str, str], ...]

    @property
    def spoken(self) -> str:
        """Name and code."""
        return self.code if self.name in ("", self.code) else f"{self.name} · {self.code}"

    @property
    def used(self) -> bool:
        """Whether any hour of the venue came from it."""
        return any(share > 0 for share in self.shares.values())

    @property
    def span(self) -> str:
        """Years of its own hours."""
        return f"{self.years[0]} to {self.years[1]}" if self.years[0] else words.MISSING


def stations_of(season: Season, venue: int) -> list[StationRow]:
    """A venue's stations in their order."""
    v = season.values
    groups = [str(g) for g in season.labels["station_group"]]
    names = [str(n) for n in season.labels["station_variable"]]
    rows = []
    for p, code in enumerate(str(c) for c in v["venue_station"][venue]):
        if not code:
            continue
        counts = json.loads(str(v["venue_station_counts"][venue, p]) or "{}")
        quality = json.loads(str(v["venue_station_quality"][venue, p]) or "{}")
        rows.append(
            StationRow(
                venue=str(v["venue_name"][venue]),
                place=p + 1,
                code=code,
                name=str(v["venue_station_name"][venue, p]),
                status=str(v["venue_station_status"][venue, p]),
                distance_nm=float(v["venue_station_distance"][venue, p]) / NM,
                rise_ft=float(v["venue_station_elevation"][venue, p] - v["venue_elevation"][venue]) / FT,
                invented=bool(v["venue_station_invented"][venue, p]),
                years=(
                    int(v["venue_station_first_year"][venue, p]),
                    int(v["venue_station_last_year"][venue, p]),
                ),
                retrieved_at=str(v["venue_station_retrieved_at"][venue, p]),
                licence=str(v["venue_station_licence"][venue, p]),
                attribution=str(v["venue_station_attribution"][venue, p]),
                shares={g: float(s) for g, s in zip(groups, v["venue_station_share"][venue, p], strict=True)},
                completeness={
                    n: float(c) for n, c in zip(names, v["venue_station_completeness"][venue, p], strict=True)
                },
                rejected=dict(counts.get("rejected", {})),
                rejections=tuple(quality.get("rejections", ())),
                suspicions=tuple(quality.get("suspicions", ())),
            )
        )
    return rows


def height(rise_ft: float) -> str:
    """Station against show site: "12 ft above", "180 ft below", "level"."""
    if not math.isfinite(rise_ft):
        return words.MISSING
    if abs(rise_ft) < 0.5:
        return "level"
    return f"{words.number(abs(rise_ft), 'ft')} {'above' if rise_ft > 0 else 'below'}"


def moment(iso: str) -> str:
    """A moment to the minute in UTC: "2027-01-01 00:00"; "not recorded" where there is none."""
    return iso[:16].replace("T", " ") if iso else "not recorded"


def ago(iso: str, now: dt.datetime) -> str:
    """How long before `now` a moment was: "today", "yesterday", "12 days ago"."""
    days = (now.date() - dt.datetime.fromisoformat(iso).astimezone(dt.UTC).date()).days
    return "today" if days <= 0 else "yesterday" if days == 1 else f"{days} days ago"


def reported(share: float) -> str:
    """A share of hours; "not observed" where none holds the quantity."""
    return words.percent(share) if math.isfinite(share) and share > 0 else "not observed"


def completeness_rows(season: Season, venue: int, stations: Sequence[StationRow]) -> list[Row]:
    """Share of hours that hold each quantity: a column a station, and what the venue had after filling."""
    rows = []
    for j, name in enumerate(str(n) for n in season.labels["station_variable"]):
        quantity = _quantity(name)
        if name in _WITHOUT_GAP:
            quantity += f" ({_WITHOUT_GAP[name]})"
        rows.append(
            {
                "quantity": quantity,
                **{f"s{s.place}": reported(s.completeness[name]) for s in stations},
                "venue": reported(float(season.values["station_completeness"][venue, j])),
            }
        )
    return rows


def filled_rows(stations: Sequence[StationRow]) -> list[Row]:
    """Share of the venue's hours that each station gave, a row a group of quantities."""
    groups = list(stations[0].shares) if stations else []
    return [
        {"group": g, **{f"s{s.place}": _share(s.shares[g]) for s in stations}}
        | {"none": _share(1.0 - sum(s.shares[g] for s in stations))}
        for g in groups
    ]


def _share(share: float) -> str:
    if math.isfinite(share) and share < 5e-7:
        return "none"
    return words.percent(share)


def _reason(key: str) -> tuple[str, str]:
    """Quantity and reason in words of a key such as ``spike:air_temperature``."""
    reason, _, name = key.partition(":")
    quantity = _quantity(name) if name in STATION_VARIABLES else ""
    told = _REASONS.get(reason, reason.replace("_", " "))
    if name and not quantity:
        told = f"{told}: {name.replace('_', ' ')}"
    return quantity or "whole report", told


def rejection_rows(stations: Iterable[StationRow]) -> list[Row]:
    """Values not used, by station, quantity and reason, with the first of them where it is known."""
    rows = []
    for s in stations:
        known = {f"{r['reason']}:{r['variable']}": r for r in s.rejections}
        for key, count in sorted(s.rejected.items(), key=lambda item: -item[1]):
            quantity, reason = _reason(key)
            first = known.get(key)
            rows.append(
                {
                    "station": s.spoken,
                    "quantity": quantity,
                    "reason": reason,
                    "count": words.number(float(count)),
                    "when": f"{str(first['first'])[:10]} to {str(first['last'])[:10]}" if first else "–",
                    "example": str(first["example"]) if first else "–",
                }
            )
    return rows


def suspicion_rows(stations: Iterable[StationRow]) -> list[Row]:
    """What quality control found odd about whole records; nothing is rejected for it."""
    return [
        {"venue": s.venue, "station": s.spoken, "subject": x["subject"], "message": x["message"]}
        for s in stations
        for x in s.suspicions
    ]


def licence_rows(stations: Iterable[StationRow]) -> list[Row]:
    """Whose data it is: each licence and attribution once, with the stations that fall under it."""
    held: dict[tuple[str, str], list[str]] = {}
    for s in stations:
        if s.licence or s.attribution:
            held.setdefault((s.licence, s.attribution), []).append(s.spoken)
    return [
        {
            "licence": licence or "not stated",
            "attribution": attribution or "none asked for",
            "stations": ", ".join(dict.fromkeys(names)),
        }
        for (licence, attribution), names in held.items()
    ]


def pressure_shares(season: Season, venue: int) -> list[tuple[str, str]]:
    """What the pressure of the sampled hours came from, as label and share."""
    labels = [str(x) for x in season.labels["pressure_source"]]
    shares = season.values["station_pressure_share"][venue]
    return [(x, _share(float(s))) for x, s in zip(labels, shares, strict=True)]


# --- Runs -------------------------------------------------------------------------------------------


def run_troubles(run: Mapping[str, Any], venue: str | None = None, told: Container[str] = ()) -> list[str]:
    """What went wrong in a run, a line each; empty where nothing did.

    Parameters
    ----------
    run
        From the record of runs.
    venue
        Id of the one venue that is asked about.
    told
        Reasons for having no numbers that stand elsewhere on the page.
    """
    lines = [
        f"{s['source']} {s['station']} ({', '.join(s['venues'])}): {s['error']}"
        for s in run["stations"]
        if s["error"] and venue in (None, *s["venues"])
    ]
    return lines + [
        f"{v['venue']}: {v['status']}"
        for v in run["venues_failed"]
        if venue in (None, v["venue"]) and v["status"] not in told
    ]


def run_rows(runs: Sequence[Mapping[str, Any]], most: int = 12) -> list[Row]:
    """The latest runs, newest first."""
    rows = []
    for run in list(reversed(runs))[:most]:
        troubles = run_troubles(run)
        failed = sum(1 for s in run["stations"] if s["error"])
        fetched = (
            f"{len(run['stations']) - failed} of {len(run['stations'])}" if run["stations"] else "not asked"
        )
        rows.append(
            {
                "started": moment(str(run["started"])),
                "command": str(run["command"]),
                "seconds": words.number(float(run["seconds"])),
                "fetched": fetched,
                "failed": "; ".join(troubles) or "nothing",
                "moved": ", ".join(str(m["booking"]) for m in run["moved"]) or "none",
            }
        )
    return rows
