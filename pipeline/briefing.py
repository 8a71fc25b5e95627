"""What hour to ask for, out of the stored results: the slots of a booking day, and the agent's ask sheet.

Composition only: it reads the results, calls `pipeline.decisions`, and names every number with its unit, in
the feet, knots and local time of the people who read them. Nothing is fetched and nothing is fitted.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim
from pipeline.air import sun
from pipeline.air.variables import FT, KT
from pipeline.decisions import limits, slots
from pipeline.decisions.forecast import estimate
from pipeline.decisions.ranking import Comparison, YearSeries
from pipeline.decisions.today import Show
from pipeline.errors import InputError
from pipeline.results import days_in_ten, in_100, what_bites

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "Ask",
    "Chance",
    "DayAir",
    "Gain",
    "SlotAnswer",
    "SlotRow",
    "as_plain",
    "ask_of",
    "ask_text",
    "booking_day",
    "curves_used",
    "day_air",
    "gusts_of",
    "routine_chances",
    "shows_of",
    "slot_answer",
    "venue_row",
]

FloatArray = npt.NDArray[np.floating]

LATE_MINUTES = 60
"""How late a show is taken to run when nothing else is said."""

STATED_CHANCE = 0.7
"""Least chance of a rehearsed show flown unchanged that an agent accepts, when none is stated."""

WORTH_ASKING = 0.01
"""Hours whose expected crowd value lies closer, as a share of the full show's, are as good as each other."""


def booking_day(ds: xr.Dataset, booking: str, date: str | None = None) -> int:
    """Row of a booking's day in the results; its first day when no date is given.

    Raises
    ------
    InputError
        When there is no such booking or day, or it has no numbers.
    """
    names = [str(b) for b in ds.variables["booking"].to_numpy()]
    if booking not in names:
        close = difflib.get_close_matches(booking, names, 1)
        hint = f"; did you mean {close[0]}?" if close else ""
        raise InputError(f"There is no booking {booking!r} in these results: {', '.join(names)}{hint}")
    rows = np.flatnonzero(ds.variables["day_booking"].to_numpy() == booking)
    dates = [str(d) for d in ds.variables["day_date"].to_numpy()[rows]]
    if date is not None and date not in dates:
        raise InputError(f"{booking} has no show day {date}; it has {', '.join(dates)}.")
    row = int(rows[0 if date is None else dates.index(date)])
    status = str(ds.variables["day_status"].to_numpy()[row])
    if status != "ok":
        raise InputError(f"{booking} on {ds['day_date'].to_numpy()[row]} has no numbers: {status}.")
    return row


def curves_used(ds: xr.Dataset) -> limits.Curves:
    """The figures' limits that the forecast used, SI."""
    comfortable, limit = ds.variables["comfortable_used"].to_numpy(), ds.variables["limit_used"].to_numpy()
    conditions = [str(c) for c in ds.variables["condition"].to_numpy()]
    return limits.Curves(
        tuple(str(f) for f in ds.variables["figure"].to_numpy()),
        {c: comfortable[:, k] for k, c in enumerate(conditions)},
        {c: limit[:, k] for k, c in enumerate(conditions)},
        bool(ds.attrs["two_amber_is_red"]),
    )


def shows_of(ds: xr.Dataset, venue: int) -> tuple[Show, ...]:
    """The season's routines as they are flown at a venue, the full show first.

    Parameters
    ----------
    ds
        Results.
    venue
        Row of the venue: its waiver's ceiling, where it has one, holds for the low-ceiling show too.
    """
    place, worth = ds.variables["routine_position"].to_numpy(), ds.variables["routine_crowd_value"].to_numpy()
    own = [ds.variables[f"routine_ceiling_{end}"].to_numpy() for end in ("comfortable", "limit")]
    waiver = [
        float(ds.variables[f"waiver_ceiling_{end}"].to_numpy()[venue]) for end in ("comfortable", "limit")
    ]
    shows = []
    for r, name in enumerate(ds.variables["routine"].to_numpy()):
        held = np.flatnonzero(place[r] > 0)
        minima = {}
        if np.isfinite(own[1][r]):
            low, high = (float(np.fmax(mine[r], theirs)) for mine, theirs in zip(own, waiver, strict=True))
            minima["ceiling"] = (low, high)
        figures = tuple(int(f) for f in held[np.argsort(place[r][held])])
        shows.append(Show(str(name), figures, float(worth[r]), minima))
    return tuple(shows)


def routine_chances(ds: xr.Dataset) -> tuple[limits.RoutineChance, ...]:
    """The season's routines, each ready to be judged in any air; made once for many days."""
    curves, tie = curves_used(ds), float(ds.attrs["routine_correlation"])
    return tuple(
        limits.RoutineChance(curves.take(list(show.figures)), correlation=tie) for show in shows_of(ds, 0)
    )


@dataclass(frozen=True)
class DayAir:
    """One booking day's sampled air, judged; arrays (slot, year, day, hour), SI.

    Attributes
    ----------
    sampled
        By name as in `pipeline.results.SAMPLES`.
    may_fly, flown
        Chance that the act flies with a routine, and that nothing in it is changed either, (routine, slot,
        year, day, hour); NaN where the air is not known.
    days
        Effective number of independent days a year, (slot,).
    """

    sampled: dict[str, FloatArray]
    may_fly: FloatArray
    flown: FloatArray
    days: FloatArray


def day_air(ds: xr.Dataset, row: int, routines: Sequence[limits.RoutineChance] | None = None) -> DayAir:
    """Read one day's sampled air and judge every routine in it.

    Parameters
    ----------
    ds
        Results.
    row
        Of the day, from `booking_day`.
    routines
        From `routine_chances`, where they are at hand.
    """
    n = int(ds.variables["day_slots"].to_numpy()[row])
    names = [str(v).removeprefix("sample_") for v in ds.data_vars if str(v).startswith("sample_")]
    drop = {"sample_years", "sample_size", "sample_effective_size"}
    air = {
        name: np.asarray(ds.variables[f"sample_{name}"][row, :n].to_numpy(), dtype=float)
        for name in names
        if f"sample_{name}" not in drop
    }
    conditions = {
        k: np.asarray(v, dtype=np.float32)
        for k, v in limits.conditions_from_air(
            air["density_altitude"], air["toward_crowd"], air["along_line"], air["gust"], air["wind_speed"]
        ).items()
    }
    venue = venue_row(ds, row)
    causes = [str(c) for c in ds.variables["act_cause"].to_numpy()]
    low, high = ds.variables["act_comfortable"].to_numpy()[venue], ds.variables["act_limit"].to_numpy()[venue]
    stated = [k for k in range(len(causes)) if np.isfinite(high[k])]
    judged = np.isfinite(ds.variables["act_out_by_cause"].to_numpy()[row, :n])
    judges = routine_chances(ds) if routines is None else routines
    flies, unchanged = [], []
    for show, routine in zip(shows_of(ds, venue), judges, strict=True):
        own = show.own_minima
        given = limits.act_chances(
            {c: air[c] for c in causes},
            {causes[k]: own[causes[k]][0] if causes[k] in own else float(low[k]) for k in stated},
            {causes[k]: own[causes[k]][1] if causes[k] in own else float(high[k]) for k in stated},
            thunder_stops=bool(ds.attrs["thunder_stops"]),
            two_amber_is_red=bool(ds.attrs["two_amber_is_red"]),
        )
        act_flies = np.ones(air["wind_speed"].shape)
        for k, cause in enumerate(causes):
            # A cause counts at the slots where the forecast judged it: elsewhere it was not observed.
            if cause in given:
                act_flies = act_flies * (1.0 - np.where(judged[:, k, None, None, None], given[cause], 0.0))
        if "ceiling" in own:
            # A low-ceiling show is for hours whose ceiling is known to be below the full show's comfort.
            k = causes.index("ceiling")
            called_for = judged[:, k, None, None, None] & (air["ceiling"] < low[k])
            act_flies = np.where(called_for | np.isnan(act_flies), act_flies, 0.0)
        flies.append(act_flies)
        unchanged.append(act_flies * (1.0 - routine(conditions)))
    flown = np.stack(unchanged)
    may_fly = np.where(np.isnan(flown), np.nan, np.stack(flies))
    r = np.maximum(
        clim.lag_one_correlation(air["density_altitude"]), clim.lag_one_correlation(air["wind_speed"])
    )
    return DayAir(air, may_fly, flown, clim.effective_days(float(air["wind_speed"].shape[2]), r))


def venue_row(ds: xr.Dataset, row: int) -> int:
    """Row of the venue of a booking day."""
    venue = ds.variables["day_venue"].to_numpy()[row]
    return int(np.flatnonzero(ds.variables["venue"].to_numpy() == venue)[0])


def gusts_of(ds: xr.Dataset, row: int) -> str:
    """What the gusts of a booking day's venue are, one of those in `SlotAnswer.gusts`."""
    return str(ds.variables["venue_gusts"].to_numpy()[venue_row(ds, row)])


# --- What hour --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Chance:
    """A chance with its 90 % interval."""

    value: float
    lower: float
    upper: float

    @property
    def words(self) -> str:
        """As days in ten."""
        return days_in_ten(self.value)

    @property
    def in_100(self) -> str:
        """As whole days in a hundred."""
        return in_100(self.value)

    @property
    def hundredths(self) -> str:
        """The same in words."""
        return self.words if not self.value >= 0.02 else f"{self.in_100} days in 100"

    @property
    def with_interval(self) -> str:
        """The same with its interval."""
        return f"{self.hundredths} (90 % interval {100 * self.lower:.0f} to {100 * self.upper:.0f})"


def _keeps(chance: FloatArray | float, stated: float) -> npt.NDArray[np.bool_]:
    """Whether a chance is at least the stated one, both as they are read: in whole days in a hundred."""
    return np.asarray(np.rint(100.0 * np.asarray(chance)) >= 100.0 * stated - 1e-9)


@dataclass(frozen=True)
class Gain:
    """What one slot has over the slot in discussion, on the same sampled days.

    Attributes
    ----------
    full_show
        Difference in the chance of the full show as planned.
    any_show
        Difference in the chance that some rehearsed show is flown unchanged.
    worth
        Difference in the expected crowd value of what is flown, as a share of the full show's.
    density_altitude_ft
        Difference in density altitude; negative is thicker air.
    """

    full_show: Comparison
    any_show: Comparison
    worth: Comparison
    density_altitude_ft: Comparison

    @property
    def worth_asking(self) -> bool:
        """Whether the hour is better by what past years can tell, and by enough to matter."""
        return self.worth.told_apart and self.worth.difference >= WORTH_ASKING


@dataclass(frozen=True)
class SlotRow:
    """One slot as people read it.

    Attributes
    ----------
    routines
        Chance that each routine is the one flown, by name.
    nothing
        Chance that nothing is flown.
    full_show
        Chance of the full show as planned.
    any_show
        Chance that some rehearsed show is flown unchanged.
    ceiling, visibility, thunder
        Chance that it keeps the act on the ground; NaN where the station does not observe it.
    worth
        Expected crowd value of what is flown, as a share of the full show's.
    sun
        What the sun does, in words; empty when it is in nobody's eyes.
    late_local
        Start if the show runs late; empty past the last slot looked at.
    late
        What being late costs: that slot against this one; None past the last slot.
    """

    local: str
    utc: str
    in_window: bool
    routines: dict[str, Chance]
    nothing: float
    full_show: Chance
    any_show: Chance
    worth: float
    density_altitude_median_ft: float
    density_altitude_high_ft: float
    toward_crowd_high_kt: float
    gust_high_kt: float
    ceiling: float
    visibility: float
    thunder: float
    act_out: float
    bites: str
    gain: Gain
    as_good_as_best: bool
    sun: str
    late_local: str
    late: Gain | None


@dataclass(frozen=True)
class SlotAnswer:
    """A booking day's slots, and what to ask for.

    Attributes
    ----------
    best, offered
        Positions in `rows`; best is None where no slot of the window has a number. Starts in the dark are
        passed over where the slot in discussion is in daylight.
    stated_chance
        Least chance of a rehearsed show flown unchanged that is accepted.
    acceptable
        Positions of the unbroken run of slots around the best, or around the surest where the best falls
        short, that keep it; empty where none does.
    full_show_acceptable
        The same for the full show.
    sunset_note
        Whether a slot of the window lies in twilight or night; empty when none does.
    other_days
        How the booking's other show days differ, in words; empty when there is none.
    gusts
        "observed", "modelled" in part of the years, "estimated" with a model of other stations, or "none".
    dark
        Positions of the starts of the window that are passed over, being in the dark.
    surest
        Of the hours that may be asked for, the position of the one that keeps some rehearsed show unchanged
        most often; None when there is no history.
    """

    booking: str
    place: str
    elevation_ft: float
    date: str
    timezone: str
    years: int
    invented: bool
    rows: tuple[SlotRow, ...]
    best: int | None
    offered: int
    stated_chance: float
    acceptable: tuple[int, ...]
    full_show_acceptable: tuple[int, ...]
    late_minutes: int
    sunset_note: str
    other_days: str
    gusts: str
    dark: tuple[int, ...] = ()
    surest: int | None = None

    @property
    def window(self) -> str:
        """What the hours are of that may be asked for, in words."""
        return "window's daylight" if self.dark else "window"

    @property
    def too_late(self) -> str:
        """Why a show that runs late past the last slot has no answer."""
        return (
            f"{self.late_minutes} minutes late is not reckoned: it lies past {self.rows[-1].local}, and "
            "starts are reckoned to an hour after the window's last."
        )


def _sun_words(azimuth: float, elevation: float, heading: float, crowd_on_right: bool) -> str:
    told = []
    state = str(sun.daylight(elevation))
    if state != "day":
        told.append(state)
    for flown in (heading % 360.0, (heading + 180.0) % 360.0):
        if bool(sun.in_view(azimuth, elevation, flown)):
            told.append(f"sun in the pilot's eyes on {round(flown) % 360:03d}° true")
    if bool(sun.in_view(azimuth, elevation, sun.crowd_look_direction(heading, crowd_on_right))):
        told.append("sun in the crowd's eyes")
    return "; ".join(told)


def slot_answer(
    ds: xr.Dataset,
    booking: str,
    *,
    date: str | None = None,
    stated_chance: float = STATED_CHANCE,
    late_minutes: int = LATE_MINUTES,
    air: DayAir | None = None,
) -> SlotAnswer:
    """Every slot of a booking day against the slot in discussion.

    Parameters
    ----------
    ds
        Results.
    booking, date
        Which day; the booking's first when no date is given.
    stated_chance
        Least chance of a rehearsed show flown unchanged that is accepted.
    late_minutes
        How late the show may run.
    air
        From `day_air`, where it is at hand.

    Raises
    ------
    InputError
        When there is no such day, or it has no numbers.
    """
    row = booking_day(ds, booking, date)
    held = day_air(ds, row) if air is None else air
    v = {
        name: ds.variables[name].to_numpy()
        for name in (
            "slot_local", "slot_utc", "slot_in_window", "day_offered_slot", "sample_years", "act_out",
            "routine_as_planned", "routine_as_planned_lower", "routine_as_planned_upper",
            "routine_as_planned_by_year", "routine_as_planned_per_trend", "routine_as_planned_per_log",
            "routine_change_by_cause", "routine_flown", "routine_flown_lower", "routine_flown_upper",
            "routine_none", "any_as_planned", "any_as_planned_lower", "any_as_planned_upper",
            "act_out_by_cause", "density_altitude_quantile", "toward_crowd_quantile", "gust_quantile",
            "station_trend_numerator", "station_trend_denominator", "venue_line_heading",
            "venue_crowd_on_right", "venue_latitude", "venue_longitude", "venue_name", "venue_elevation",
            "venue_timezone", "venue_gusts",
        )
    }  # fmt: skip
    venue, n = venue_row(ds, row), held.days.size
    shows = shows_of(ds, venue)
    value = np.array([show.crowd_value for show in shows])
    shares = slots.routine_shares(held.flown, held.may_fly, value)
    worth = np.nan_to_num(estimate(shares.crowd_value, held.days).value, nan=-np.inf) / value[0]

    offered = int(v["day_offered_slot"][row])
    in_window = v["slot_in_window"][row, :n] == 1
    local = [str(t) for t in v["slot_local"][row, :n]]
    minutes = np.array([int(t[:2]) * 60 + int(t[3:5]) for t in local])
    full_series = [
        YearSeries(
            v["routine_as_planned_by_year"][row, s, 0],
            v["routine_as_planned_per_trend"][row, s, 0],
            v["station_trend_numerator"][venue],
            v["station_trend_denominator"][venue],
            v["routine_as_planned_per_log"][row, s, 0],
        )
        for s in range(n)
    ]
    any_series = [YearSeries.without_trend(shares.unchanged[s]) for s in range(n)]
    worth_series = [YearSeries.without_trend(shares.crowd_value[s] / value[0]) for s in range(n)]

    def gains(base: int, positions: range | list[int]) -> dict[int, Gain]:
        kept = [base, *(p for p in positions if p != base)]
        feet = slots.paired_by_year(held.sampled["density_altitude"][kept] / FT, 0)
        full = slots.against([full_series[p] for p in kept], 0)
        some = slots.against([any_series[p] for p in kept], 0)
        most = slots.against([worth_series[p] for p in kept], 0)
        thin = slots.against([YearSeries.without_trend(f) for f in feet], 0)
        return {p: Gain(full[i], some[i], most[i], thin[i]) for i, p in enumerate(kept)}

    gained = gains(offered, range(n))
    utc = np.array([np.datetime64(str(t).removesuffix("Z")) for t in v["slot_utc"][row, :n]])
    azimuth, elevation = sun.solar_position(utc, v["venue_latitude"][venue], v["venue_longitude"][venue])
    light = sun.daylight(elevation) == "day"
    wanted = slots.askable(in_window, light, offered)
    best = slots.best_slot(worth, wanted)
    as_good = np.zeros(n, dtype=bool)
    if best is not None:
        as_good = slots.alike(worth_series, best, wanted) | (wanted & (worth[best] - worth < WORTH_ASKING))
    tenths = {round(float(q), 2): i for i, q in enumerate(ds.variables["quantile"].to_numpy())}
    median, high = tenths[0.5], tenths[0.9]
    labels = [str(c) for c in (*ds.variables["cause"].to_numpy(), *ds.variables["act_cause"].to_numpy())]
    ceiling, visibility, thunder = (
        labels.index(name) - ds.sizes["cause"] for name in ("ceiling", "visibility", "thunder")
    )

    def quantile(name: str, s: int, q: int, unit: float) -> float:
        return float(v[f"{name}_quantile"][row, s, q] / unit)

    def chance(name: str, *at: int) -> Chance:
        return Chance(*(float(v[f"{name}{end}"][(row, *at)]) for end in ("", "_lower", "_upper")))

    rows = []
    for s in range(n):
        later = slots.slot_after(minutes, s, late_minutes)
        rows.append(
            SlotRow(
                local=local[s],
                utc=str(v["slot_utc"][row, s]),
                in_window=bool(in_window[s]),
                routines={show.name: chance("routine_flown", s, r) for r, show in enumerate(shows)},
                nothing=float(v["routine_none"][row, s]),
                full_show=chance("routine_as_planned", s, 0),
                any_show=chance("any_as_planned", s),
                worth=float(worth[s]),
                density_altitude_median_ft=quantile("density_altitude", s, median, FT),
                density_altitude_high_ft=quantile("density_altitude", s, high, FT),
                toward_crowd_high_kt=quantile("toward_crowd", s, high, KT),
                gust_high_kt=quantile("gust", s, high, KT),
                ceiling=float(v["act_out_by_cause"][row, s, ceiling]),
                visibility=float(v["act_out_by_cause"][row, s, visibility]),
                thunder=float(v["act_out_by_cause"][row, s, thunder]),
                act_out=float(v["act_out"][row, s]),
                bites=what_bites(
                    [*v["routine_change_by_cause"][row, s, 0], *v["act_out_by_cause"][row, s]], labels
                ),
                gain=gained[s],
                as_good_as_best=bool(as_good[s]),
                sun=_sun_words(
                    float(azimuth[s]),
                    float(elevation[s]),
                    float(v["venue_line_heading"][venue]),
                    bool(v["venue_crowd_on_right"][venue]),
                ),
                late_local="" if later is None else local[later],
                late=None if later is None else gains(s, [later])[later],
            )
        )
    start = offered if best is None else best
    some = v["any_as_planned"][row, :n]
    keeps, surest = _keeps(some, stated_chance), slots.best_slot(some, wanted)
    # The hour worth most may fall short where one of lesser shows does not.
    run = slots.acceptable(keeps, start if keeps[start] or surest is None else surest, wanted)
    full_best = slots.best_slot(v["routine_as_planned"][row, :n, 0], wanted)
    full_run = slots.acceptable(
        _keeps(v["routine_as_planned"][row, :n, 0], stated_chance),
        start if full_best is None else full_best,
        wanted,
    )
    dark = [rows[s].local for s in range(n) if in_window[s] and not light[s]]
    return SlotAnswer(
        booking=booking,
        place=str(v["venue_name"][venue]),
        elevation_ft=float(v["venue_elevation"][venue] / FT),
        date=str(ds.variables["day_date"].to_numpy()[row]),
        timezone=str(v["venue_timezone"][venue]),
        years=int(v["sample_years"][row, offered]),
        invented=bool(ds.attrs["invented"]),
        rows=tuple(rows),
        best=best,
        offered=offered,
        stated_chance=stated_chance,
        acceptable=tuple(int(i) for i in np.flatnonzero(run)),
        full_show_acceptable=tuple(int(i) for i in np.flatnonzero(full_run)),
        late_minutes=late_minutes,
        sunset_note=f"Twilight or night at {', '.join(dark)}." if dark else "",
        other_days=_other_days(ds, row),
        gusts=str(v["venue_gusts"][venue]),
        dark=tuple(int(i) for i in np.flatnonzero(in_window & ~wanted)),
        surest=surest,
    )


def _other_days(ds: xr.Dataset, row: int) -> str:
    """How far a booking's other show days lie from one of them at the same starts of the window."""
    v = ds.variables
    status, dates = v["day_status"].to_numpy(), v["day_date"].to_numpy()
    same = v["day_booking"].to_numpy() == v["day_booking"].to_numpy()[row]
    others = [int(i) for i in np.flatnonzero(same) if i != row and status[i] == "ok"]
    if not others:
        return ""
    local, inside = v["slot_local"].to_numpy(), v["slot_in_window"].to_numpy() == 1
    full = v["routine_as_planned"].to_numpy()[:, :, 0]
    middle = int(np.argmin(np.abs(v["quantile"].to_numpy() - 0.5)))
    feet = v["density_altitude_quantile"].to_numpy()[:, :, middle] / FT
    here = {str(t): s for s, t in enumerate(local[row]) if inside[row, s]}
    pairs = [
        (i, s, here[str(t)])
        for i in others
        for s, t in enumerate(local[i])
        if inside[i, s] and str(t) in here
    ]
    if not pairs:
        return ""
    show = max(abs(float(full[i, s] - full[row, at])) for i, s, at in pairs)
    air = max(abs(float(feet[i, s] - feet[row, at])) for i, s, at in pairs)
    on = ", ".join(str(dates[i]) for i in others)
    most = math.ceil(100 * show)
    return (
        f"Reckoned for {dates[row]}. At the same starts on {on} the full show differs by at most "
        f"{most} day{'' if most == 1 else 's'} in 100, the median density altitude by at most "
        f"{math.ceil(air / 10) * 10:,} ft."
    )


@dataclass(frozen=True)
class Ask:
    """What the agent says on the telephone.

    Attributes
    ----------
    first, fallback, walk_away
        Local starts; empty where there is nothing to ask, or no hour keeps the stated chance.
    reasons
        Plain sentences.
    """

    first: str
    fallback: str
    walk_away: str
    reasons: tuple[str, ...]


def _signed_ft(value: float) -> str:
    return f"{abs(round(value, -1)):,.0f} ft"


def _gain_sentence(row: SlotRow, offered: SlotRow) -> str:
    """What an hour buys and what it does not."""
    feet, full, some = row.gain.density_altitude_ft, row.gain.full_show, row.gain.any_show
    if feet.told_apart:
        verb = "saves" if feet.difference < 0 else "costs"
        air = (
            f"{row.local} {verb} {_signed_ft(feet.difference)} of density altitude against {offered.local} "
            f"(the same past days; 90 % interval {_signed_ft(min(feet.lower, feet.upper, key=abs))} to "
            f"{_signed_ft(max(feet.lower, feet.upper, key=abs))})"
        )
    else:
        air = f"{row.local} and {offered.local} cannot be told apart in density altitude"
    before, after = offered.full_show.hundredths, row.full_show.hundredths
    if max(row.full_show.value, offered.full_show.value) < 0.05:
        saved = feet.told_apart and feet.difference < 0
        show = (
            f"but not the full show: as planned {after} even then"
            if saved
            else f"and the full show stays out of reach: as planned {after}"
        )
    elif full.told_apart and before == after:
        show = f"the full show is hardly moved: {after}"
    elif full.told_apart:
        show = f"the full show as planned goes from {before} to {after}"
    else:
        show = f"the full show cannot be told apart: {after} against {before}"
    joined = f"{air}, {show}"
    before, after = offered.any_show.hundredths, row.any_show.hundredths
    if len(row.routines) > 1 and some.told_apart and before != after:
        joined += f"; some rehearsed show flown unchanged goes from {before} to {after}"
    return joined + "."


def ask_of(answer: SlotAnswer) -> Ask:
    """First ask, fallback and walk-away time, with reasons.

    The first ask is the best slot of the window, unless the slot in discussion is as good. The fallback is
    the smallest move from the slot in discussion that is worth asking for and keeps the stated chance; where
    the slot in discussion keeps it already, or no hour does, one that keeps half of what the first ask buys.
    The walk-away time is the latest slot around the best one, or around the surest where that falls short,
    that keeps the stated chance of a rehearsed show flown unchanged.
    """
    rows, offered = answer.rows, answer.rows[answer.offered]
    reasons: list[str] = []
    first = fallback = ""
    if answer.best is None:
        return Ask("", "", "", ("No slot of the window has enough history.",))
    best = rows[answer.best]
    if offered.as_good_as_best:
        same = "is" if offered is best else f"is as good as {best.local},"
        reasons.append(
            f"{offered.local} {same} the best hour of the {answer.window}: no hour needs asking for."
        )
    else:
        first = best.local
        if not offered.in_window:
            reasons.append(f"A show at {offered.local} does not lie inside the organiser's window.")
        reasons.append(_gain_sentence(best, offered))
        step = 1 if answer.best > answer.offered else -1
        half = not answer.acceptable or answer.offered in answer.acceptable
        for i in range(answer.offered + step, answer.best, step):
            gain = rows[i].gain
            held = (
                gain.worth.difference >= 0.5 * best.gain.worth.difference if half else i in answer.acceptable
            )
            if rows[i].in_window and held and gain.worth_asking:
                fallback = rows[i].local
                reasons.append(_gain_sentence(rows[i], offered))
                break
    percent = round(100 * answer.stated_chance)
    if answer.acceptable:
        first_kept, last = rows[answer.acceptable[0]], rows[answer.acceptable[-1]]
        walk_away = last.local
        if not any(row.in_window for row in rows[: answer.acceptable[0]]):
            span = f"Up to {walk_away}"
        else:
            span = f"At {walk_away}" if first_kept is last else f"From {first_kept.local} to {walk_away}"
        sure = bool(_keeps(last.any_show.lower, answer.stated_chance))
        # Fog of the morning makes no earlier hour surer.
        surer = max(rows[i].any_show.value for i in answer.acceptable)
        doubt = "" if sure else ", so it may be fewer"
        if not sure and round(100 * surer) > round(100 * last.any_show.value):
            doubt += "; an earlier hour is surer"
        reasons.append(
            f"{span} the past years give a rehearsed show unchanged at least {percent} days in "
            f"100: {last.any_show.with_interval} at {walk_away}{doubt}."
        )
        if answer.best not in answer.acceptable:
            reasons.append(
                f"{best.local} is worth most to the crowd, but falls short of that: a rehearsed show "
                f"unchanged {best.any_show.with_interval}."
            )
    else:
        walk_away = ""
        # The hour worth most need not be the surest.
        surest = best if answer.surest is None else rows[answer.surest]
        if round(100 * surest.any_show.value) <= round(100 * best.any_show.value):
            surest = best
        reasons.append(
            f"No hour of the {answer.window} keeps {percent} days in 100 for a rehearsed show flown "
            f"unchanged; the surest, {surest.local}, has {surest.any_show.with_interval}."
        )
    if best.full_show.value < 0.05:
        reasons.append(
            f"Do not sell the full show here: as planned {best.full_show.hundredths} even at {best.local}."
        )
    if offered.late is None:
        reasons.append(answer.too_late)
    else:
        late = offered.late
        thinner = late.density_altitude_ft.difference
        cost = f"{_signed_ft(thinner)} {'more' if thinner > 0 else 'less'} density altitude"
        if round(thinner, -1) == 0:
            cost = "no difference in density altitude"
        after = next(r for r in rows if r.local == offered.late_local)
        reasons.append(
            f"If the show runs {answer.late_minutes} minutes late ({offered.late_local}): {cost}; a "
            f"rehearsed show unchanged {after.any_show.hundredths}, against {offered.any_show.hundredths} on "
            "time."
        )
    meant = {best.local, fallback, offered.local, offered.late_local}
    reasons += [f"At {row.local}: {row.sun}." for row in rows if row.local in meant and row.sun]
    if answer.sunset_note:
        reasons.append(answer.sunset_note)
    if answer.other_days:
        reasons.append(answer.other_days)
    return Ask(first, fallback, walk_away, tuple(reasons))


def ask_text(answer: SlotAnswer, cautions: tuple[str, ...]) -> str:
    """The ask sheet as text to paste."""
    ask, offered = ask_of(answer), answer.rows[answer.offered]
    lines = [f"{answer.place}, {answer.date}: slot in discussion {offered.local} local"]
    if answer.invented:
        lines.append("INVENTED: demonstration season, no such place and no such weather.")
    lines += [
        f"First ask:  {ask.first or 'nothing to ask'}",
        f"Fallback:   {ask.fallback or '–'}",
        f"Walk away:  {'after ' + ask.walk_away if ask.walk_away else 'no hour keeps the stated chance'}",
        "",
        *(f"- {reason}" for reason in ask.reasons),
        "",
        f"Reckoned from {answer.years} past years at these hours.",
        *cautions,
    ]
    return "\n".join(lines)


def as_plain(value: Any) -> Any:
    """Dataclasses, tuples and not-a-number as JSON can hold them."""
    from dataclasses import fields, is_dataclass

    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: as_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {str(k): as_plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [as_plain(v) for v in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value
