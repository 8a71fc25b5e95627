"""From the show log to the limits it teaches: every show on its own air, the fit, and its plain words."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.air.show_hours import Site, StationRecord, show_hour_sample, station_cycles
from pipeline.air.variables import FT, KT
from pipeline.air.wind import show_line_components
from pipeline.decisions import learning
from pipeline.decisions.learning import CHANGED, FLOWN, PLANNED_OUT, SILENT, LearnedLimits, ShowAir
from pipeline.decisions.limits import CAUSES, CONDITIONS, Curves, conditions_from_air, standardised
from pipeline.results import CAUSES_SAID
from pipeline.show_log import LoggedShow, log_digest, read_log

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.inputs import Season, Venue

__all__ = ["LearnedFromLog", "answers_moved", "learn_from_log", "logged_air", "states", "told"]

FloatArray = npt.NDArray[np.floating]
StationHours = Callable[["Season", "Venue"], StationRecord | None]

_CHOICE = ("density_altitude", "wind_toward_crowd", "gust", "wind_along_line")
_UNITS = {name: ("ft", FT) if name == "density_altitude" else ("kt", KT) for name in CONDITIONS}
_AIR = ("density_altitude", "toward_crowd", "along_line", "gust", "wind_speed")
_USUAL_DAYS = 15
_NONE = "none"
_COMFORTABLE = 0.05  # how often a figure is changed at comfortable
_MORE_THAN_ONCE = 2  # shows that are no slip of a note


@dataclass(frozen=True)
class LearnedFromLog:
    """What a season's log teaches.

    Attributes
    ----------
    limits
        The fit.
    written
        Limits as the pilot states them.
    may_relax
        Whether the pilot lets a learned limit be more permissive than the written one.
    shows
        The log.
    air
        Conditions of each show.
    state
        What each says, (show, cause, figure).
    log_sha256, limits_sha256, settings_sha256
        Of the log, of the limits it was laid on, and of how it is read.
    """

    limits: LearnedLimits
    written: Curves
    may_relax: bool
    shows: tuple[LoggedShow, ...]
    air: ShowAir
    state: npt.NDArray[np.integer]
    log_sha256: str
    limits_sha256: str
    settings_sha256: str

    def curves(self, step: float = 0.0) -> Curves:
        """Curves that the chances use; see `learning.used_curves`."""
        return learning.used_curves(self.written, self.limits, may_relax=self.may_relax, step=step)


def learn_from_log(
    season: Season, written: Curves, site_of: Callable[[Venue], Site], station_hours: StationHours
) -> LearnedFromLog | None:
    """Learn from the season folder's show log.

    Parameters
    ----------
    season
        The season.
    written
        Limits as the pilot states them, of the whole repertoire.
    site_of, station_hours
        What the air is needed for at a venue, and its station's hours; None where there are none.

    Returns
    -------
    None where there is no log.

    Raises
    ------
    InputError
        A mistake in the log.
    """
    shows, _ = read_log(season.folder)
    if not shows:
        return None
    air = logged_air(season, shows, site_of, station_hours)
    state = states(season, shows, written)
    fitted = learning.fit(learning.evidence(air, written, state), pseudo=season.learning.stated_worth_shows)
    limits_text = json.dumps(
        [
            list(written.names),
            *({k: v.tolist() for k, v in side.items()} for side in (written.comfortable, written.limit)),
        ]
    )
    return LearnedFromLog(
        fitted,
        written,
        season.pilot.learned_may_relax,
        tuple(shows),
        air,
        state,
        log_digest(season.folder),
        hashlib.sha256(limits_text.encode()).hexdigest(),
        hashlib.sha256(
            f"{season.learning.model_dump_json()} {season.pilot.learned_may_relax}".encode()
        ).hexdigest(),
    )


# --- Every show on its own air ----------------------------------------------------------------------


def states(season: Season, shows: Sequence[LoggedShow], written: Curves) -> npt.NDArray[np.integer]:
    """What each show says of each figure and cause, (show, cause, figure).

    Of a routine other than the full and the low-ceiling show, and where the act stayed on the ground, only
    the figures named in the log are used; so of a show that names a figure the season does not have: it
    may be any that seems flown as planned.
    """
    at = {name: f for f, name in enumerate(written.names)}
    low = season.routine.low_ceiling
    flown = {
        "full": list(season.routine.full),
        "low-ceiling": [] if low is None else [at[name] for name in low.figures],
    }
    state = np.full((len(shows), len(CAUSES), len(at)), SILENT)
    for s, show in enumerate(shows):
        if all(one.figure in at for one in show.changed):
            state[s][:, flown.get(show.routine, [])] = FLOWN
        for one in show.changed:
            if one.figure not in at:
                continue
            state[s, :, at[one.figure]] = SILENT
            if one.cause in CAUSES:
                what = PLANNED_OUT if one.outcome == "planned_out" else CHANGED
                state[s, CAUSES.index(one.cause), at[one.figure]] = what
    return state


def logged_air(
    season: Season,
    shows: Sequence[LoggedShow],
    site_of: Callable[[Venue], Site],
    station_hours: StationHours,
) -> ShowAir:
    """Conditions of each show: as noted, else from the station's hours at that instant.

    What is usual there comes from the station's hours of the season's years within `_USUAL_DAYS` of the
    date, at the hour of the show.
    """
    n = len(shows)
    raw = {name: np.full(n, np.nan) for name in _AIR}
    usual_mean = {name: np.full(n, np.nan) for name in CONDITIONS}
    usual_variance = {name: np.full(n, np.nan) for name in CONDITIONS}
    known = {v.id: v for v in season.venues}
    history = season.history
    years = [s.date.year for s in shows]
    # The day before and after count: a local evening may be another UTC year's.
    wide = dataclasses.replace(
        season,
        history=dataclasses.replace(
            history,
            first_year=min(*years, history.first_year + 1) - 1,
            last_year=max(*years, history.last_year - 1) + 1,
        ),
    )
    for venue_id in sorted({s.venue for s in shows} & set(known)):
        venue = known[venue_id]
        mine = [i for i, s in enumerate(shows) if s.venue == venue_id]
        record = station_hours(wide, venue)
        if record is None:
            continue
        utc = {i: venue.utc(shows[i].date, shows[i].time).replace(tzinfo=None) for i in mine}
        cycles = station_cycles(record, trend=False)
        sample = show_hour_sample(
            record,
            cycles,
            site_of(venue),
            np.array(list(utc.values()), dtype="datetime64[s]"),
            years=np.arange(history.first_year, history.last_year + 1),
            window_days=_USUAL_DAYS,
            hour_offsets=(0,),
        )
        at_hand = conditions_from_air(*(getattr(sample, name).reshape(len(mine), -1) for name in _AIR))
        for name, values in at_hand.items():
            some = np.flatnonzero(np.isfinite(values).sum(axis=1) > 1)
            at = np.array(mine)[some]
            usual_mean[name][at] = np.nanmean(values[some], axis=1)
            usual_variance[name][at] = np.nanvar(values[some], axis=1, ddof=1)
        for year in sorted({t.year for t in utc.values()}):
            rows = [i for i in mine if utc[i].year == year]
            sample = show_hour_sample(
                record,
                cycles,
                site_of(venue),
                np.array([utc[i] for i in rows], dtype="datetime64[s]"),
                years=np.array([year]),
                window_days=0,
                hour_offsets=(0,),
            )
            for name, values in raw.items():
                values[rows] = np.asarray(getattr(sample, name)).reshape(len(rows))
    told = season.learning
    sd = {
        "density_altitude": np.full(n, told.density_altitude_error_ft * FT),
        "wind": np.full(n, told.wind_error_kt * KT),
        "gust": np.full(n, told.gust_error_kt * KT),
        "gust_spread": np.full(n, told.gust_error_kt * KT),
    }
    for i, show in enumerate(shows):
        if show.density_altitude_ft is not None:
            raw["density_altitude"][i], sd["density_altitude"][i] = show.density_altitude_ft * FT, 0.0
        if show.wind_kt is not None:
            sd["wind"][i] = 0.0
            raw["wind_speed"][i] = show.wind_kt * KT
            raw["toward_crowd"][i], raw["along_line"][i] = _noted_wind(show, known, site_of)
        if show.gust_kt is not None:
            raw["gust"][i], sd["gust"][i] = show.gust_kt * KT, 0.0
            # Of the spread the wind is the other half.
            sd["gust_spread"][i] = sd["wind"][i]
        elif show.wind_kt is not None:
            raw["gust"][i] = np.maximum(raw["gust"][i], show.wind_kt * KT)
    value = conditions_from_air(*raw.values())
    error = {name: sd[name if name in sd else "wind"] for name in CONDITIONS}
    return ShowAir(value, error, usual_mean, usual_variance)


def _noted_wind(
    show: LoggedShow, known: dict[str, Venue], site_of: Callable[[Venue], Site]
) -> tuple[float, float]:
    """Wind toward the crowd and along the line as noted; without a direction or a line they are unknown."""
    if show.wind_kt == 0.0:
        return 0.0, 0.0
    if show.wind_kt is None or show.wind_from_deg_true is None or show.venue not in known:
        return np.nan, np.nan
    site = site_of(known[show.venue])
    toward, along = show_line_components(
        show.wind_kt * KT,
        show.wind_from_deg_true,
        site.line_true_heading,
        crowd_on_right=site.crowd_on_right,
    )
    return float(toward), float(along)


# --- In a pilot's words -----------------------------------------------------------------------------


def told(learned: LearnedFromLog) -> dict[str, Any]:
    """What the log teaches, as plain data: words, coefficients, and every show on its own air.

    Enough to show it and to use it again: numbers with names, the window of the log, and the hashes of
    the log, of the limits it was laid on, of the shows' air with its errors, and of the settings.
    """
    fit = learned.limits
    days = [s.date for s in learned.shows]
    return {
        "shows": fit.shows,
        "shows_logged": len(learned.shows),
        "shows_with_a_change": fit.changed,
        "first_show": min(days).isoformat(),
        "last_show": max(days).isoformat(),
        "learned_may_relax": learned.may_relax,
        "log_sha256": learned.log_sha256,
        "limits_sha256": learned.limits_sha256,
        "air_sha256": _air_digest(learned.air),
        "settings_sha256": learned.settings_sha256,
        "venues_without_air": _without_air(learned),
        "coefficients": {
            "shift": fit.shift,
            "slope": fit.slope,
            "comfortable": fit.comfortable,
            "limit": fit.limit,
            "limit_middle": fit.limit_middle,
            "limit_lower": fit.limit_lower,
            "limit_upper": fit.limit_upper,
            "limit_sd": fit.limit_sd,
            "stated_worth_shows": fit.pseudo_observations,
            "mildest_changes_left_out": fit.left_out,
            "offset": {
                cause: {
                    name: float(fit.offset[c, f])
                    for f, name in enumerate(learned.written.names)
                    if fit.offset[c, f] != 0.0
                }
                for c, cause in enumerate(CAUSES)
            },
        },
        "causes": [row for c in range(len(CAUSES)) if (row := _cause_told(learned, c)) is not None],
        "every_show": [_show_told(learned, i) for i in range(len(learned.shows))],
    }


def _air_digest(air: ShowAir) -> str:
    digest = hashlib.sha256()
    for part in (air.value, air.error, air.usual_mean, air.usual_variance):
        for name in CONDITIONS:
            digest.update(np.asarray(part[name], dtype="<f8").tobytes())
    return digest.hexdigest()


def _without_air(learned: LearnedFromLog) -> list[str]:
    """Venues of shows flown in air of which nothing at all is known."""
    known = np.any([np.isfinite(x) for x in learned.air.value.values()], axis=0)
    return sorted(
        {
            s.venue
            for s, k in zip(learned.shows, known, strict=True)
            if not k and (s.routine != _NONE or s.changed)
        }
    )


def answers_moved(ds: xr.Dataset) -> list[dict[str, Any]]:
    """How the log moved each booking's answer: as planned with it, and by the limits as written.

    Parameters
    ----------
    ds
        Results; bookings without a number are left out.
    """
    with_log = ds["booking_as_planned"].to_numpy()
    written = ds["booking_as_planned_as_written"].to_numpy()
    return [
        {
            "booking": str(name),
            "as_planned": float(with_log[b]),
            "as_planned_as_written": float(written[b]),
            "moved": float(with_log[b] - written[b]),
        }
        for b, name in enumerate(ds["booking"].to_numpy())
        if np.isfinite(with_log[b])
    ]


def _cause_told(learned: LearnedFromLog, c: int) -> dict[str, Any] | None:
    """One cause in words; None where no figure has a limit for it."""
    cause, fit = CAUSES[c], learned.limits
    names = [n for n in (*_CHOICE, *CONDITIONS) if CONDITIONS[n] == cause]
    name = next((n for n in names if np.isfinite(learned.written.limit[n]).any()), None)
    if name is None:
        return None
    offset = float(np.median(fit.offset[c]))

    def share(end: float) -> float:
        low, top = learned.written.comfortable[name], learned.written.limit[name]
        return float(np.nanmedian(100.0 * (top + 0.5 * (end + offset - 1.0) * (top - low)) / top))

    shows, changed = int(fit.shows_by_cause[c]), int(fit.changed_by_cause[c])
    at, low, high = (share(end) for end in (fit.limit_middle, fit.limit_lower, fit.limit_upper))
    used = share(fit.limit)
    words, question = CAUSES_SAID[cause], ""
    span = f"{at:.0f} % of the limit you wrote (80 % range {low:.0f}–{high:.0f} %)"
    looser, stricter = fit.limit + offset > 1.0, fit.limit + offset < 1.0
    past, early, below = _against(learned, c)
    if not shows:
        sentence = f"no show in the log says anything about your limits for {words}"
    elif not changed and past >= _MORE_THAN_ONCE:
        sentence = f"nothing was left out for {words} in {shows} shows"
    elif not changed:
        sentence = (
            f"nothing in {shows} show{'s' if shows != 1 else ''} speaks against your limits for {words}"
        )
        if stricter and fit.changed:
            sentence += (
                f"; what bit elsewhere moves them to {used:.0f} % all the same, since one habit of judgement "
                "is taken to lie behind all of them"
            )
    else:
        sentence = (
            f"you leave figures out for {words} at {span}; "
            f"it bit in {changed} of {shows} show{'s' if shows != 1 else ''}"
        )
        if stricter and round(used) < round(at):
            sentence += (
                f"; {used:.0f} % is used, since a change in mild air, which makes your limit less certain, "
                "is never to make it looser"
            )
    if shows and looser and learned.may_relax:
        sentence += "; your own setting lets this stand although it is more permissive than you wrote"
    elif changed and not stricter:
        sentence += "; the limit you wrote is used, being the more cautious"
    if below and fit.limit_upper + offset < 0.0:
        question = f"Is the limit you wrote for {words} still yours? You stop well before it."
    elif early > max(_MORE_THAN_ONCE, _COMFORTABLE * shows):
        question = (
            f"In {early} of {shows} shows it bit in milder air than the comfortable number you wrote for "
            f"{words}. Is that number still yours?"
        )
    elif past >= _MORE_THAN_ONCE:
        question = (
            f"You flew past the limit you wrote for {words} in {past} of {shows} shows. "
            "Were those shows you would fly again?"
        )
    return {
        "cause": cause,
        "shows": shows,
        "changed": changed,
        "limit_percent": round(at, 1),
        "limit_percent_lower": round(low, 1),
        "limit_percent_upper": round(high, 1),
        "sentence": sentence,
        "question": question,
    }


def _against(learned: LearnedFromLog, c: int) -> tuple[int, int, int]:
    """Shows that speak against what is written for a cause, beyond the error of their air.

    Flown as planned past the limit; changed in milder air than comfortable, and than halfway to the limit.
    """
    told = learning.evidence(learned.air, learned.written, learned.state)
    z, error, state = told.condition[:, c], np.sqrt(told.variance[:, c]), told.state[:, c]
    changed = np.where(state == CHANGED, z + error, np.nan)
    marks = (np.where(state == FLOWN, z - error, np.nan) > 1.0, changed < -1.0, changed < 0.0)
    past, early, below = (int(mark.any(axis=1).sum()) for mark in marks)
    return past, early, below


def _show_told(learned: LearnedFromLog, i: int) -> dict[str, Any]:
    """One show with its own air, and how near its figures came to their limits."""
    show = learned.shows[i]
    row: dict[str, Any] = {
        "date": show.date.isoformat(),
        "time_local": f"{show.time:%H:%M}",
        "venue": show.venue,
        "routine": show.routine,
        "changed": [dataclasses.asdict(one) for one in show.changed],
        "note": show.note,
    }
    for name in CONDITIONS:
        unit, scale = _UNITS[name]
        x = float(learned.air.value[name][i])
        row[f"{name}_{unit}"] = round(x / scale, 1) if np.isfinite(x) else None
        row[f"{name}_noted"] = bool(learned.air.error[name][i] == 0.0)
        z = standardised(x, learned.written.comfortable[name], learned.written.limit[name])
        judged = np.isfinite(z) & np.any(learned.state[i] != SILENT, axis=0)
        row[f"{name}_nearest"] = round(float(z[judged].max()), 2) if judged.any() else None
    return row
