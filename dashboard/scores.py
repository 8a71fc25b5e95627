"""What ``showhour verify`` found, shaped for people: coverage, reliability and skill, with their errors."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from dashboard import words
from dashboard.season import Season, results_file, stamp
from pipeline.air.variables import FT, NM
from pipeline.decisions.trust import TrustThresholds
from pipeline.verify import read_verification, verification_path

__all__ = [
    "BY_CHANCE",
    "GRADE_WORDS",
    "WANTED",
    "booking_rows",
    "checked_venues",
    "coverage_rows",
    "grade_rows",
    "gust_rows",
    "load_verification",
    "number_of",
    "off_the_mark",
    "older_than_results",
    "reliability_rows",
    "skill_counts",
    "skill_rows",
    "threshold_name",
]

Row = dict[str, Any]
Told = Mapping[str, Any]

WANTED = 0.90
"""What a 90 % interval should hold."""
BY_CHANCE = 3.0
"""Standard errors that sampling is allowed: of dozens of numbers, chance alone takes some past two."""

_SHOWN_RISE = 0.005  # a smaller one does not show in whole percents

GRADE_WORDS = {"good": "deserve trust", "with care": "with care", "poor": "do not lean on", "": "no numbers"}
_WORST_FIRST = ("poor", "", "with care", "good")

_VARIABLES = {
    "density_altitude": ("density altitude", "density_altitude"),
    "gust": ("gust peak", "rough_air"),
    "crosswind": ("runway crosswind", "runway_crosswind"),
}


@st.cache_data(max_entries=4, show_spinner=False)
def _read(path: str, modified: int) -> dict[str, Any] | None:
    return read_verification(results_file())


def load_verification() -> dict[str, Any] | None:
    """The season's check, read once for every change of its file; None where there was none.

    Raises
    ------
    StoreError
        It is damaged, or of another version.
    """
    return _read(*stamp(verification_path(results_file())))


def number_of(value: float | None) -> float:
    """A number of the check; NaN where there is none."""
    return math.nan if value is None else float(value)


def booking_rows(season: Season) -> list[Row]:
    """Every booking with how far its numbers deserve trust, the least first."""
    rows = [
        {
            "booking": b.name,
            "place": b.place,
            "grade": b.grade,
            "told": GRADE_WORDS[b.grade],
            "sentence": b.trust,
            "invented": b.invented,
        }
        for b in season.bookings
    ]
    return sorted(rows, key=lambda r: _WORST_FIRST.index(r["grade"]))


def checked_venues(told: Told) -> list[Told]:
    """Venues with enough scored years for their interval to be judged."""
    return [v for v in told["venues"] if "density_altitude" in v and v["density_altitude"]["years"]]


def older_than_results(season: Season, told: Told) -> list[str]:
    """Why the check is not of the results that are shown, a line each; empty where it is."""
    lines = []
    if told["season_digest"] != str(season.attrs["season_digest"]):
        lines.append(
            "The check below is of another state of the season folder than the results that you see. "
            "Run `showhour verify` again."
        )
    ids = [str(x) for x in season.labels["venue"]]
    held = {v["venue"]: v for v in told["venues"]}
    names = season.values["venue_name"]
    digests = season.values["station_digest"]
    other = [
        str(names[i])
        for i, venue in enumerate(ids)
        if venue in held and not held[venue].get("failed") and held[venue]["station_digest"] != digests[i]
    ]
    if other:
        lines.append(
            f"The check below read other station hours than these results for {words.joined(other)}. "
            "Run `showhour forecast` and `showhour verify` again."
        )
    lost = [str(names[i]) for i, venue in enumerate(ids) if venue not in held]
    if lost:
        lines.append(f"The check below does not know {words.joined(lost)}. Run `showhour verify` again.")
    return lines


def off_the_mark(value: float | None, wanted: float, error: float | None) -> bool:
    """Whether a value is off by more than sampling explains."""
    off, se = number_of(value) - wanted, number_of(error)
    return math.isfinite(off) and math.isfinite(se) and abs(off) > BY_CHANCE * se


def _with_error(value: float | None, error: float | None) -> str:
    """A share in percent with two standard errors: "88 ± 3 %"."""
    share, se = number_of(value), number_of(error)
    if not math.isfinite(share):
        return words.MISSING
    told = f"{100.0 * share:.0f}"
    if math.isfinite(se):
        told += f" ± {200.0 * se:.0f}"
    return f"{told}{words.NBSP}%"


def _signed(value: float | None, error: float | None = None) -> str:
    """A skill with two standard errors: "+0.02 ± 0.07"."""
    x, se = number_of(value), number_of(error)
    if not math.isfinite(x):
        return words.MISSING
    return _plus_or_minus(x, 2) + (f" ± {2.0 * se:.2f}" if math.isfinite(se) else "")


def _plus_or_minus(value: float, digits: int) -> str:
    """A signed number with a true minus; no sign before a zero."""
    rounded = round(value, digits)
    return f"{rounded:+.{digits}f}".replace("-", "−") if rounded else f"{0.0:.{digits}f}"


def coverage_rows(told: Told) -> list[Row]:
    """How often the 90 % interval of density altitude held, and on which side it did not, by venue."""
    rows = []
    for v in checked_venues(told):
        da = v["density_altitude"]
        value, se = number_of(da["coverage_90"]), number_of(da["coverage_90_se"])
        thin = da["tail_high"], da["tail_high_se"]
        rows.append(
            {
                "venue": str(v["name"]),
                "years": str(da["years"]),
                "hours": words.number(float(da["n"])),
                "value": value,
                "low": max(value - 2.0 * se, 0.0) if math.isfinite(se) else math.nan,
                "high": min(value + 2.0 * se, 1.0) if math.isfinite(se) else math.nan,
                "off": off_the_mark(value, WANTED, se),
                "thin_off": off_the_mark(thin[0], (1.0 - WANTED) / 2.0, thin[1])
                and number_of(thin[0]) > (1.0 - WANTED) / 2.0,
                "held": _with_error(value, se),
                "above": _with_error(*thin),
                "below": _with_error(da["tail_low"], da["tail_low_se"]),
                "skill": _signed(da["crps_skill"], da["crps_skill_se"]),
            }
        )
    return rows


def threshold_name(row: Told) -> str:
    """A threshold in words: "density altitude 4,600 ft or more"."""
    unit = str(row["unit"])
    return f"{_VARIABLES[row['variable']][0]} {words.number(float(row['threshold']), unit)} or more"


def skill_rows(rows: Sequence[Told]) -> list[Row]:
    """Chance of each threshold against what happened: bias and skill with two standard errors."""
    return [
        {
            "name": threshold_name(r),
            "happened": words.percent(number_of(r["base_rate"])),
            "bias": _points(r["bias"], r["bias_se"]),
            "brier": f"{number_of(r['brier']):.3f}",
            "reference": f"{number_of(r['brier_reference']):.3f}",
            "skill": _signed(r["brier_skill"], r["brier_skill_se"]),
            "hours": words.number(float(r["n"])),
            "years": str(r["years"]),
        }
        for r in rows
    ]


def _points(value: float | None, error: float | None) -> str:
    """A bias in days in 100 with two standard errors: "+2 ± 7"."""
    x, se = number_of(value), number_of(error)
    if not math.isfinite(x):
        return words.MISSING
    return _plus_or_minus(100.0 * x, 0) + (f" ± {200.0 * se:.0f}" if math.isfinite(se) else "")


def skill_counts(told: Told) -> tuple[int, int, int]:
    """Thresholds of all venues: told better than the season's own frequency, told worse, and all of them.

    Told apart by two standard errors.
    """
    rows = [r for v in told["venues"] for r in v.get("thresholds", ())]
    held = [(number_of(r["brier_skill"]), number_of(r["brier_skill_se"])) for r in rows]
    known = [(x, se) for x, se in held if math.isfinite(x) and math.isfinite(se)]
    better = sum(1 for x, se in known if x > 2.0 * se)
    worse = sum(1 for x, se in known if x < -2.0 * se)
    return better, worse, len(known)


def grade_rows() -> list[Row]:
    """What takes a grade away, one row a kind of evidence."""
    t = TrustThresholds()

    def row(what: str, pair: tuple[float, float], form: str, scale: float = 1.0) -> Row:
        care, poor = (form.format(x / scale) for x in pair)
        return {"what": what, "care": care, "poor": poor}

    too_few = f"under {t.verified_years} past years to check against"
    return [
        row("Years of history", t.years, "under {:.0f}"),
        row("Station from the show site", t.distance, "over {:.0f} NM", NM),
        row("Station above or below it", t.height, "over {:,.0f} ft", FT),
        row("Hours with air and wind", t.completeness, "under {:.0f} %", 0.01),
        row("Hours without pressure", t.pressure_missing, "over {:.0f} %", 0.01),
        {"what": "Gusts", "care": "estimated from other stations", "poor": "no wind observed"},
        {"what": "Check", "care": too_few, "poor": "–"},
        row("90 % interval off 90 %*", t.coverage_off, "over {:.1f} points", 0.01),
        row("High density altitude, chance off*", t.density_altitude_bias, "over {:.1f} days in 100", 0.01),
        *(
            row(f"{what}, chance off*", t.wind_bias_share, "over {:.0f} % of how often it blows", 0.01)
            for what in ("Crosswind of 10 kt", "Gust of 20 kt")
        ),
    ]


def reliability_rows(row: Told) -> list[Row]:
    """One threshold's reliability diagram, a row a group of like forecasts."""
    return [
        {
            "name": threshold_name(row),
            "cause": _VARIABLES[row["variable"]][1],
            "forecast": number_of(g["forecast"]),
            "observed": number_of(g["observed"]),
            "low": number_of(g["consistent_low"]),
            "high": number_of(g["consistent_high"]),
            "count": int(g["n"]),
            "inside": number_of(g["consistent_low"])
            <= number_of(g["observed"])
            <= number_of(g["consistent_high"]),
        }
        for g in row["reliability_diagram"]
    ]


def gust_rows(season: Season, told: Told | None) -> list[Row]:
    """What is known of gusts at each booking: how many are reported, since when, what the rest could be."""
    checked = {v["venue"]: v for v in told["venues"]} if told else {}
    v = season.values
    ids = [str(x) for x in season.labels["venue"]]
    rows = []
    for b in season.bookings:
        if not b.rank:
            continue
        day = season.days_of(b.id)[0]
        at = (day.index, day.offered)
        change, bound = v["figure_change"][at], v["figure_change_at_gust_bound"][at]
        f = max(season.full, key=lambda k: _rise(change[k], bound[k]))
        gusts = checked.get(ids[day.venue], {}).get("gusts", {})
        rise = _rise(float(change[f]), float(bound[f]))
        share = float(v["gust_reported_share"][at])
        rows.append(
            {
                "booking": b.name,
                "reported": words.percent(share) if share > 0 else f"none; {season.gusts_at(day)}",
                "practice": str(gusts.get("status", "not yet checked")),
                "figure": season.figures[f] if rise >= _SHOWN_RISE else "none",
                "from": words.percent(float(change[f])) if rise >= _SHOWN_RISE else words.MISSING,
                "to": words.percent(float(bound[f])) if rise >= _SHOWN_RISE else words.MISSING,
            }
        )
    return rows


def _rise(now: float, bound: float) -> float:
    rise = bound - now
    return float(rise) if math.isfinite(rise) else -math.inf
