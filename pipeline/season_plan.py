"""The season as a whole: which offers to take, how the aircraft gets there, and what grounds it.

Composition of `pipeline.decisions.bookings`, `ferry` and `paperwork` over a season and its results. What it
takes for granted, and says wherever it matters:

- Where the aircraft stops for fuel is not looked up; legs are equal parts of the straight way.
- Wind on the way is the wind that the stations saw at the show hours at either end, carried up by a 1/7
  power law (from memory, and rough at ferry height), as its upper quartile; a tail wind counts as none.
- A day is flyable when it is at both ends, by the stations' show hours: the two are taken year by year and
  day by day, so bad days come in runs as they did, but one front over both ends counts as two.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim
from pipeline.air.variables import FT, KT, NM, STATUTE_MILE
from pipeline.decisions import bookings as choice
from pipeline.decisions import ferry, paperwork
from pipeline.decisions.ranking import YearSeries
from pipeline.errors import InputError
from pipeline.results import in_100

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.inputs import Booking, Season

__all__ = ["Leg", "OfferTold", "Plan", "PlanTold", "plan_season"]

FloatArray = npt.NDArray[np.floating]
BoolArray = npt.NDArray[np.bool_]

DAY, HOUR = ferry.DAY, 3600.0
DRAWS = 200
EARLY_DAYS = 21
"""Days before it is wanted that the aircraft may leave home at the earliest."""
POWER_LAW = 1.0 / 7.0
ROUND_UP = 50.0
"""Amounts asked for are rounded up to this."""
SAME_PLACE = 1.0 * NM
RUNNERS_UP = 4


@dataclass(frozen=True)
class Leg:
    """One journey of the plan, flown with the days kept for weather where it starts from home.

    Attributes
    ----------
    take_off_local, arrival_local
        Local times at either end, ISO 8601.
    leave_latest_local
        From home: the last take-off that still arrives in time with every day flyable.
    headwind_kt
        Planned with; None where no wind was observed.
    in_time
        Chance that enough days are flyable; None where it was not observed.
    not_observed
        What the stations at its ends do not observe, of ceiling, visibility and wind.
    """

    from_place: str
    to_place: str
    for_booking: str
    distance_nm: float
    legs: int
    flying_h: float
    days: int
    spare_days: int
    take_off_local: str
    arrival_local: str
    leave_latest_local: str
    headwind_kt: float | None
    in_time: float | None
    not_observed: tuple[str, ...]


@dataclass(frozen=True)
class OfferTold:
    """What the plan does with one offer.

    Attributes
    ----------
    decision
        ``take``, ``keep`` (a contract), ``pass``, ``barred`` or ``cannot be kept``.
    why
        In words.
    full_show, full_or_composed, nothing_flown
        Chances at the slot in discussion; None without a number.
    expected
        What it is expected to bring when the aircraft is there, its costs off.
    more_needed
        Fee more that makes it worth taking; None where no fee does or none is needed.
    other_slot
        Local start of the nearest slot in the window that makes it worth taking; empty where none does.
    other_slot_more
        Fee more that is needed beside that slot.
    worth_taking_if
        The two in one phrase; empty for an offer that is in the plan.
    """

    booking: str
    venue: str
    state: str
    first_day: str
    last_day: str
    reply_by: str
    slot: str
    fee: float | None
    deposit: float | None
    decision: str
    why: str
    full_show: float | None
    full_or_composed: float | None
    nothing_flown: float | None
    expected: float | None
    more_needed: float | None
    other_slot: str
    other_slot_more: float | None
    worth_taking_if: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class PlanTold:
    """A set of offers and what it is worth."""

    bookings: tuple[str, ...]
    worth: float
    takes: tuple[str, ...]
    leaves: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """The season's plan.

    Attributes
    ----------
    worth
        Expected, in `currency`: what the bookings bring less what the journeys cost.
    stays_best
        Share of `draws` resamples of the years in which no other plan is worth more; None where too few
        years are held in common.
    loss_1_in_10
        How much more the best plan is worth, or more, in one resample in ten.
    broken
        Contracts that cannot be kept, each in a sentence.
    alarms
        Papers that lapse, contracts below the pilot's bar, and the like.
    floors
        Venue, governing floor in feet above the ground, and what states it.
    """

    currency: str
    worth: float
    bookings: tuple[str, ...]
    offers: tuple[OfferTold, ...]
    legs: tuple[Leg, ...]
    runners_up: tuple[PlanTold, ...]
    stays_best: float | None
    loss_1_in_10: float | None
    draws: int
    ferry_hours: float
    ferry_cost: float
    broken: tuple[str, ...]
    alarms: tuple[str, ...]
    floors: tuple[tuple[str, float, str], ...]
    notes: tuple[str, ...]


_Arrays = Mapping[str, Any]
"""Arrays of the results by variable."""

_READ = (
    "booking",
    "booking_as_planned",
    "booking_as_planned_by_year",
    "booking_as_planned_per_trend",
    "booking_as_planned_per_log",
    "booking_routine_flown",
    "booking_routine_none",
    "booking_status",
    "booking_venue",
    "day_booking",
    "day_offered_slot",
    "routine_as_planned",
    "routine_current",
    "routine_flown",
    "routine_none",
    "routine_origin",
    "slot_in_window",
    "slot_local",
    "station_trend_denominator",
    "station_trend_numerator",
    "venue",
)


# --- What each offer brings ---------------------------------------------------------------------------


@dataclass(frozen=True)
class _Chances:
    """Of the full show as planned, of the full or a composed show, and of no show."""

    full: FloatArray
    show: FloatArray
    none: FloatArray


def _share(booking: Booking, chances: _Chances) -> FloatArray:
    """Part of the fee that is expected when the act is present; the least it can be without a number."""
    pay = booking.pay
    reduced = np.clip(1.0 - chances.full - chances.none, 0.0, 1.0)
    expected = chances.full + pay.reduced * reduced + pay.not_flown * chances.none
    return np.asarray(
        np.where(np.isnan(expected), min(pay.reduced, pay.not_flown, 1.0), np.minimum(expected, 1.0))
    )


def _composed(a: _Arrays) -> list[int]:
    """Positions of the full show and of those composed of its places."""
    origin = [str(v) for v in a["routine_origin"]]
    return [r for r, name in enumerate(origin) if r == 0 or name == "composed"]


def _booking_chances(a: _Arrays, rows: Sequence[int]) -> _Chances:
    shows = _composed(a)
    flown = a["booking_routine_flown"][rows][:, shows]
    return _Chances(
        a["booking_as_planned"][rows],
        np.where(np.isnan(flown).all(axis=1), np.nan, np.nansum(flown, axis=1)),
        a["booking_routine_none"][rows],
    )


def _slot_chances(a: _Arrays, booking: str) -> tuple[list[str], _Chances]:
    """Slots in the window that every show day has, and their chances, mean of the days."""
    days = np.flatnonzero(a["day_booking"] == booking)
    local = a["slot_local"][days]
    inside = a["slot_in_window"][days] == 1
    names = [str(n) for n in local[0][inside[0]]]
    at = {n: [np.flatnonzero((local[i] == n) & inside[i]) for i in range(days.size)] for n in names}
    names = [n for n in names if all(found.size == 1 for found in at[n])]
    shows = _composed(a)
    full = a["routine_as_planned"][days][:, :, 0]
    flown = a["routine_flown"][days][:, :, shows].sum(axis=-1)
    none = a["routine_none"][days]
    means = [
        [np.mean([value[i, int(at[n][i][0])] for i in range(days.size)]) for n in names]
        for value in (full, flown, none)
    ]
    return names, _Chances(*(np.asarray(m, dtype=float) for m in means))


def _resampled(a: _Arrays, rows: Sequence[int], draws: int) -> FloatArray | None:
    """Chance of the full show in paired resamples of the years, (offer, draw); NaN for offers without one.

    None where fewer than three years are held by every offer that has a number.
    """
    by_year = a["booking_as_planned_by_year"][rows]
    per_trend = a["booking_as_planned_per_trend"][rows]
    per_log = np.nan_to_num(a["booking_as_planned_per_log"][rows])
    venue_row = {str(v): i for i, v in enumerate(a["venue"])}
    venues = [venue_row[str(v)] for v in a["booking_venue"][rows]]
    above = a["station_trend_numerator"][venues]
    below = a["station_trend_denominator"][venues]
    known = np.isfinite(by_year).any(axis=1)
    years = np.isfinite(by_year[known]).all(axis=0)
    if not known.any() or years.sum() < 3:
        return None
    weights = clim.year_weights(int(years.sum()), draws)
    result = np.full((len(rows), draws), np.nan)
    for b in np.flatnonzero(known):
        series = YearSeries(
            by_year[b], per_trend[b], np.nan_to_num(above[b]), np.nan_to_num(below[b]), per_log[b]
        )
        result[b] = series.draws(years, weights)
    return result


# --- Weather on the way -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _DayWeather:
    """At each offer's venue, around its first show day.

    Attributes
    ----------
    east, north
        Where the wind blows to [m s-1], (offer, sample).
    flyable
        (offer, year, day).
    not_observed
        What the station does not observe, of each offer.
    """

    east: FloatArray
    north: FloatArray
    flyable: FloatArray
    not_observed: tuple[tuple[str, ...], ...]


def _day_weather(ds: xr.Dataset, a: _Arrays, season: Season, offers: Sequence[Booking]) -> _DayWeather:
    settings = season.ferry
    assert settings is not None
    day_booking = a["day_booking"]
    first = [int(np.flatnonzero(day_booking == b.id)[0]) for b in offers]
    offered = a["day_offered_slot"][first]
    rows = np.arange(len(offers))
    middle = ds["sample_wind_speed"].shape[-1] // 2

    # Only what is used is read, in single precision: a mean over a thousand hours needs no more.
    def days(name: str, hour: int | slice = slice(None)) -> FloatArray:
        return ds[f"sample_{name}"][first, ..., hour].to_numpy().astype(np.float32, copy=False)

    def at_show(values: FloatArray) -> FloatArray:
        return np.asarray(values[rows, offered]).reshape(rows.size, -1)

    held = {name: days(name) for name in ("wind_speed", "ceiling", "visibility")}
    heading = np.radians(np.array([season.venue(b.venue).show_line.true_heading for b in offers]))[:, None]
    on_right = np.array([season.venue(b.venue).show_line.crowd_on_right for b in offers])[:, None]
    speed = at_show(held["wind_speed"][..., middle])
    along, toward = (at_show(days(name, middle)) for name in ("along_line", "toward_crowd"))
    right = np.where(on_right, toward, -toward)
    # A wind without a direction is stored in full along both axes; it has no part along a course.
    variable = np.hypot(along, right) > speed + 2.0 * KT
    along, right = np.where(variable, 0.0, along), np.where(variable, 0.0, right)
    east = -along * np.sin(heading) + right * np.cos(heading)
    north = -along * np.cos(heading) - right * np.sin(heading)

    flyable = ferry.flyable_days(
        held["ceiling"],
        held["visibility"],
        held["wind_speed"],
        least_ceiling=settings.ceiling_ft * FT,
        least_visibility=settings.visibility_sm * STATUTE_MILE,
        greatest_wind=settings.wind_kt * KT,
        axis=(1, -1),  # slots, and the hours around each
    )
    words = {"ceiling": "ceiling", "visibility": "visibility", "wind_speed": "wind"}
    missing = tuple(
        tuple(word for name, word in words.items() if not np.isfinite(held[name][b]).any()) for b in rows
    )
    return _DayWeather(east, north, flyable, missing)


# --- Journeys -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Times:
    """When the aircraft is wanted and free again at each offer; instants, (offer,)."""

    arrive: FloatArray
    leave: FloatArray
    first_show: FloatArray
    last_show_end: FloatArray


@dataclass(frozen=True)
class _Ways:
    """Every way between offers and home, last row and column home, (n + 1, n + 1).

    Attributes
    ----------
    late
        By how long the direct way misses what is demanded [s]; nothing or less where it does not, NaN
        where the first is not over before the other begins, or home lies between in any case.
    """

    allowed: BoolArray
    via_home: BoolArray
    cost: FloatArray
    flying: FloatArray
    reach: FloatArray
    late: FloatArray
    headwind: FloatArray
    distance: FloatArray
    ready_home: FloatArray


def _instant(season: Season, booking: Booking, day: dt.date, time: dt.time) -> float:
    return season.venue(booking.venue).utc(day, time).timestamp()


def _times(season: Season, offers: Sequence[Booking]) -> _Times:
    """The organiser can place the show anywhere in the window; the slot in discussion may lie outside it."""
    settings = season.ferry
    assert settings is not None
    end = np.array(
        [
            max(
                _instant(season, b, b.show_days[-1], b.window_to),
                _instant(season, b, b.show_days[-1], b.slot) + 60.0 * b.length_min,
            )
            for b in offers
        ]
    )
    begin = [_instant(season, b, b.show_days[0], min(b.window_from, b.slot)) for b in offers]
    return _Times(
        arrive=np.array([_instant(season, b, b.arrival_day, b.arrival_time) for b in offers]),
        leave=end + settings.refuel_min * 60.0,
        first_show=np.array(begin),
        last_show_end=end,
    )


@dataclass(frozen=True)
class _Base:
    """Home: where it is, what it is called, and its clock (UTC where none is known)."""

    name: str
    latitude: float
    longitude: float
    timezone: str


def _base(season: Season) -> _Base:
    home = season.home
    if home is None:
        raise InputError(
            f"{season.folder}/season.yaml has no home: the base that the ferry starts from. Give a venue's "
            "id, or name, latitude, longitude and elevation_ft."
        )
    if isinstance(home, str):
        venue = season.venue(home)
        return _Base(venue.name, venue.operating.latitude, venue.operating.longitude, venue.timezone)
    return _Base(home.name, home.latitude, home.longitude, "UTC")


def _aircraft(season: Season) -> ferry.Aircraft:
    settings = season.ferry
    if settings is None:
        raise InputError(
            f"{season.folder}/season.yaml has no ferry section, so nothing is known of how the aircraft gets "
            "from show to show. Add ferry: with true_airspeed_kt, leg_range_nm, ceiling_ft, visibility_sm "
            "and wind_kt."
        )
    return ferry.Aircraft(
        true_airspeed=settings.true_airspeed_kt * KT,
        leg_range=settings.leg_range_nm * NM,
        refuel=settings.refuel_min * 60.0,
        flying_day=settings.flying_hours_a_day * HOUR,
        rest=settings.rest_h * HOUR,
        daylight_only=settings.daylight_only,
    )


def _blocked(season: Season) -> npt.NDArray[np.int64]:
    """Days since 1970-01-01 on which nothing is flown."""
    epoch = dt.date(1970, 1, 1)
    days = [(b.from_ - epoch).days + i for b in season.blackouts for i in range((b.to - b.from_).days + 1)]
    return np.array(sorted(set(days)), dtype=np.int64)


def _at_home(season: Season, base: _Base) -> list[tuple[float, float]]:
    """Spans during which the aircraft has to be at home; instants."""
    zone = ZoneInfo(base.timezone)
    spans = []
    for b in season.blackouts:
        if b.at_home:
            start = dt.datetime.combine(b.from_, dt.time(0), zone)
            end = dt.datetime.combine(b.to + dt.timedelta(days=1), dt.time(0), zone)
            spans.append((start.timestamp(), end.timestamp()))
    return sorted(spans)


def _ways(
    season: Season, offers: Sequence[Booking], times: _Times, weather: _DayWeather, base: _Base
) -> _Ways:
    settings, n = season.ferry, len(offers)
    assert settings is not None
    aircraft, blocked, spans = _aircraft(season), _blocked(season), _at_home(season, base)
    fields = [season.venue(b.venue).operating for b in offers]
    lat = np.array([f.latitude for f in fields] + [base.latitude])
    lon = np.array([f.longitude for f in fields] + [base.longitude])
    places, index = np.unique(np.stack([lat, lon]), axis=1, return_inverse=True)
    length = ferry.distance(places[0], places[1])[np.ix_(index, index)]
    length = np.where(length < SAME_PLACE, 0.0, length)

    i, j = (a.ravel() for a in np.indices((n + 1, n + 1)))
    head = np.full((n + 1, n + 1), np.nan)
    factor = (settings.height_agl_ft * FT / 10.0) ** POWER_LAW
    # Home has no show hours of its own season: a journey there or from there has the other end's wind.
    ends = np.stack([np.where(i == n, j, i), np.where(j == n, i, j)])
    # The others of the square are never flown: an offer is only followed by a later one.
    real = (i != j) & ((i < j) | (i == n))
    sums = ferry.wind_sums(weather.east, weather.north)[:, ends[:, real]].sum(axis=1)
    course = ferry.course(lat[i][real], lon[i][real], lat[j][real], lon[j][real])
    head.reshape(-1)[real] = ferry.planning_headwind(sums, course, factor)
    wind = np.nan_to_num(head)

    def fly(leave: FloatArray, a: Any, b: Any) -> ferry.Journeys:
        return ferry.journeys(
            aircraft, leave, (lat[a], lon[a]), (lat[b], lon[b]), length[a, b], wind[a, b], blocked=blocked
        )

    home = np.full(n, n)
    each = np.arange(n)
    homeward = fly(times.leave, each, home)
    # The last spell at home that begins before the aircraft is wanted: it can leave after it.
    started = np.full((n + 1, n), -np.inf)
    fits_home = np.ones((n + 1, n), dtype=bool)
    between = np.zeros((n + 1, n), dtype=bool)
    free = np.concatenate([times.last_show_end, [-np.inf]])
    for begin, end in spans:
        inside = (free[:, None] <= begin) & (begin < times.arrive)
        between |= inside
        started = np.where(inside, np.maximum(started, end), started)
        fits_home[:n] &= ~inside[:n] | (homeward.arrival[:, None] <= begin)
    ready = np.maximum(started, np.concatenate([homeward.arrival, [-np.inf]])[:, None])
    ready = np.maximum(ready, times.arrive - EARLY_DAYS * DAY)

    later = times.last_show_end[:, None] <= times.first_show
    later = later & (each[:, None] < each)
    a, b = np.nonzero(later)
    rest = settings.rest_days * DAY
    # After most shows the aircraft can leave home for a later one at one and the same hour.
    (leaving, bound), same = np.unique(np.stack([ready[a, b], b]), axis=1, return_inverse=True)
    bound = bound.astype(np.int64)
    once = fly(leaving, np.full(bound.size, n), bound)
    onward_arrival, onward_flying, onward_days = (v[same] for v in (once.arrival, once.flying, once.days))
    home_late = onward_arrival + rest - times.arrive[b]
    outbound = fly(ready[n], home, each)
    gap_days = (times.first_show[b] - times.last_show_end[a]) / DAY
    can_home = (home_late <= 0.0) & fits_home[a, b] & np.isfinite(homeward.arrival[a])
    must_home = can_home & (gap_days > settings.home_after_days)
    # At the same field it is there already, whatever hour it was wanted.
    there = length[a, b] == 0.0
    direct_late, direct_flying = np.full(a.size, np.nan), np.zeros(a.size)
    direct_days = np.zeros(a.size, dtype=np.int64)
    near = ~must_home
    direct = fly(times.leave[a[near]], a[near], b[near])
    direct_late[near] = np.where(there[near], -np.inf, direct.arrival + rest - times.arrive[b[near]])
    direct_flying[near], direct_days[near] = direct.flying, direct.days

    allowed = np.zeros((n + 1, n + 1), dtype=bool)
    via = np.zeros((n + 1, n + 1), dtype=bool)
    cost, flying = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))
    days, spare = np.zeros((n + 1, n + 1), dtype=np.int64), np.zeros((n + 1, n + 1), dtype=np.int64)
    late = np.full((n + 1, n + 1), np.nan)

    can_direct = (direct_late <= 0.0) & ~between[a, b]
    away = settings.away_cost_a_day
    direct_cost = settings.cost_per_flying_hour * direct_flying / HOUR + away * np.floor(gap_days)
    home_flying = homeward.flying[a] + onward_flying
    home_cost = settings.cost_per_flying_hour * home_flying / HOUR + away * (homeward.days[a] + onward_days)
    with np.errstate(invalid="ignore"):
        goes_home = must_home | (can_home & (~can_direct | (home_cost < direct_cost)))
    allowed[a, b] = can_home | can_direct
    via[a, b] = goes_home
    cost[a, b] = np.where(goes_home, home_cost, np.where(can_direct, direct_cost, 0.0))
    flying[a, b] = np.where(goes_home, home_flying, direct_flying)
    days[a, b] = np.where(goes_home, onward_days, direct_days)
    slack = np.where(goes_home, -home_late, np.where(there, 0.0, -direct_late))
    spare[a, b] = _whole_days(slack, settings.spare_days)
    late[a, b] = direct_late

    out_late = outbound.arrival - times.arrive
    allowed[n, :n] = out_late <= 0.0
    cost[n, :n] = settings.cost_per_flying_hour * outbound.flying / HOUR + away * outbound.days
    flying[n, :n] = outbound.flying
    days[n, :n] = outbound.days
    spare[n, :n] = _whole_days(-out_late, settings.spare_days)
    late[n, :n] = out_late
    allowed[:n, n] = np.isfinite(homeward.arrival)
    for begin, _ in spans:
        allowed[:n, n] &= (times.last_show_end > begin) | (homeward.arrival <= begin)
    cost[:n, n] = settings.cost_per_flying_hour * homeward.flying / HOUR + away * homeward.days
    flying[:n, n] = homeward.flying
    allowed[n, n] = True
    cost = np.where(allowed, cost, np.inf)

    reach = np.ones((n + 1, n + 1))
    _lay_reach(reach, weather.flyable, allowed, via, days, spare, length)
    return _Ways(allowed, via, cost, flying, reach, late, head, length, ready)


def _whole_days(slack: FloatArray, most: int) -> npt.NDArray[np.int64]:
    return np.asarray(np.clip(np.nan_to_num(slack, posinf=0.0, neginf=0.0) // DAY, 0, most), dtype=np.int64)


def _lay_reach(
    reach: FloatArray,
    flyable: FloatArray,
    allowed: BoolArray,
    via: BoolArray,
    days: npt.NDArray[np.int64],
    spare: npt.NDArray[np.int64],
    length: FloatArray,
) -> None:
    """Chance of enough flyable days; NaN where it was not observed."""
    n = flyable.shape[0]
    a, b = np.nonzero(allowed[:, :n] & (days[:, :n] > 0))
    first = np.where((a == n) | via[a, b], b, a)
    kinds = np.unique(np.stack([days[a, b], spare[a, b]]), axis=1).T
    for needed, extra in kinds:
        same = np.flatnonzero((days[a, b] == needed) & (spare[a, b] == extra))
        # From home it is the one end's days, whatever came before.
        (start, end), again = np.unique(np.stack([first[same], b[same]]), axis=1, return_inverse=True)
        run = min(int(extra), flyable.shape[-1] - int(needed))
        joint = np.minimum(flyable[start], flyable[end])
        reach[a[same], b[same]] = ferry.chance_in_time(joint, int(needed), run)[again]


# --- The plan -----------------------------------------------------------------------------------------


def plan_season(ds: xr.Dataset, season: Season, *, draws: int = DRAWS) -> Plan:
    """Plan a season.

    Parameters
    ----------
    ds
        Its results.
    season
        The season that they were computed from.
    draws
        Resamples of the years behind `Plan.stays_best`.

    Raises
    ------
    InputError
        Without a ferry section or a home, or with a booking that the results do not have.
    """
    _aircraft(season)
    base = _base(season)
    # Each array is taken out of the dataset once: looking one up costs more than what is done with most. The
    # sampled hours are far larger, and only part of them is used: they are left to `_day_weather`.
    a = {name: ds[name].to_numpy() for name in _READ}
    offers = sorted(
        season.bookings, key=lambda b: _instant(season, b, b.show_days[0], min(b.window_from, b.slot))
    )
    row_of = {str(v): i for i, v in enumerate(a["booking"])}
    lost = [b.id for b in offers if b.id not in row_of]
    if lost:
        raise InputError(
            f"The results lack {', '.join(lost)}. Run `showhour forecast {season.folder}` again first."
        )
    rows = [row_of[b.id] for b in offers]
    chances = _booking_chances(a, rows)
    times = _times(season, offers)
    weather = _day_weather(ds, a, season, offers)
    ways = _ways(season, offers, times, weather, base)

    fee = np.array([season.in_currency(b, b.fee or 0.0) for b in offers])
    costs = np.array([season.in_currency(b, b.costs or 0.0) for b in offers])
    share = np.array([_share(b, _one(chances, k)) for k, b in enumerate(offers)])
    absent = np.array([f * b.pay.absent for f, b in zip(fee, offers, strict=True)])
    barred = [_barred(a, season, b, _one(chances, k)) for k, b in enumerate(offers)]
    must = np.array([b.state == "contracted" for b in offers])
    open_ = np.array(
        [
            (not bar.why or (b.state == "contracted" and not _away(season, b))) and b.state != "passed"
            for b, bar in zip(offers, barred, strict=True)
        ]
    )
    clash = _clashes(season, offers)
    problem = choice.Offers(
        allowed=ways.allowed,
        cost=ways.cost,
        reach=np.nan_to_num(ways.reach, nan=1.0),
        clash=clash,
        present=fee * share - costs,
        absent=absent,
        must=must,
        open=open_,
    )
    plans = choice.runners_up(problem, RUNNERS_UP + 1)
    worth, taken = plans[0]
    more, _ = choice.fee_needed(problem, share)
    resampled = _resampled(a, rows, draws)
    stays, loss = None, None
    if resampled is not None:
        each = np.stack(
            [
                _share(b, _moved(_one(chances, k), resampled[k])) * fee[k] - costs[k]
                for k, b in enumerate(offers)
            ]
        )
        stays, lost_by = choice.stays_best(problem, taken, each)
        loss = float(np.quantile(lost_by, 0.9, method="median_unbiased"))
    told = tuple(
        _offer_told(
            a, season, offers, k, taken, barred[k], _one(chances, k), share, problem, more[k], ways, clash
        )
        for k in range(len(offers))
    )
    legs = _legs(season, offers, [int(k) for k in np.flatnonzero(taken)], times, weather, ways, base)
    chain = [len(offers), *np.flatnonzero(taken), len(offers)]
    ids = tuple(b.id for b, t in zip(offers, taken, strict=True) if t)
    names = np.array([b.id for b in offers])
    return Plan(
        currency=season.currency,
        worth=float(worth),
        bookings=ids,
        offers=told,
        legs=legs,
        runners_up=tuple(
            PlanTold(
                tuple(str(v) for v in names[p]),
                float(w),
                tuple(str(v) for v in names[p & ~taken]),
                tuple(str(v) for v in names[taken & ~p]),
            )
            for w, p in plans[1:]
        ),
        stays_best=stays,
        loss_1_in_10=loss,
        draws=draws if resampled is not None else 0,
        ferry_hours=float(ways.flying[chain[:-1], chain[1:]].sum() / HOUR),
        ferry_cost=float(ways.cost[chain[:-1], chain[1:]].sum()),
        broken=_broken(season, offers, taken, must, ways, clash),
        alarms=_alarms(a, season, offers, taken, barred),
        floors=tuple(_floor(season, v.id) for v in season.venues),
        notes=_notes(season, offers, ways),
    )


def _one(chances: _Chances, k: int) -> _Chances:
    return _Chances(chances.full[k], chances.show[k], chances.none[k])


def _moved(chances: _Chances, full: FloatArray) -> _Chances:
    """The chances with another chance of the full show; the rest keeps its proportions."""
    rest = 1.0 - chances.full
    scale = np.where(rest > 0.0, (1.0 - full) / np.where(rest > 0.0, rest, 1.0), 1.0)
    return _Chances(full, chances.show, np.minimum(chances.none * scale, 1.0 - full))


def _away(season: Season, booking: Booking) -> str:
    """Blackout that a booking's days fall into; empty where none."""
    for b in season.blackouts:
        if b.from_ <= booking.show_days[-1] and booking.arrival_day <= b.to:
            return f"{b.why}, {b.from_} to {b.to}"
    return ""


@dataclass(frozen=True)
class _Bar:
    """Why the pilot does not take a booking as it stands, whatever it pays.

    Attributes
    ----------
    why
        In words; empty where nothing bars it.
    cure
        What would lift it beside the hour or the fee; empty where nothing would, or the hour may.
    hour
        Whether another hour may lift it.
    final
        Whether nothing lifts it.
    """

    why: str = ""
    cure: str = ""
    hour: bool = False
    final: bool = False


def _barred(a: _Arrays, season: Season, booking: Booking, chances: _Chances) -> _Bar:
    away = _away(season, booking)
    if away:
        return _Bar(f"falls into {away}", final=True)
    row = _row(a, booking.id)
    if np.isnan(chances.show):
        status = str(a["booking_status"][row])
        return _Bar(
            f"no chance is known ({status}), so the pilot's bar cannot be held against it", final=True
        )
    practice = ""
    days = np.flatnonzero(a["day_booking"] == booking.id)
    current = a["routine_current"][days][:, _composed(a)]
    if season.practice is not None and (current == 0).all(axis=1).any():
        # Practised so that it counts on the last show day, and before the first.
        first = booking.show_days[-1] - dt.timedelta(days=season.practice.currency_days)
        practice = f"a practice between {first} and {booking.show_days[0] - dt.timedelta(days=1)}"
    if chances.show < season.least_chance:
        return _Bar(
            f"the full or a composed show is flown on {_days(chances.show)}, below the pilot's bar of "
            f"{_days(season.least_chance)}",
            cure=practice,
            hour=True,
        )
    if practice:
        return _Bar("no show of the season is practised in time", cure=practice)
    return _Bar("" if booking.fee is not None else "no fee is stated, so it cannot be weighed")


def _days(chance: Any) -> str:
    return f"{in_100(float(chance))} % of days"


def _clashes(season: Season, offers: Sequence[Booking]) -> BoolArray:
    """Offers that an exclusivity of either keeps apart; the same venue's own offers never."""
    n = len(offers)
    spots = [season.venue(b.venue) for b in offers]
    places, index = np.unique(
        np.array([[v.latitude, v.longitude] for v in spots]), axis=0, return_inverse=True
    )
    apart = ferry.distance(places[:, 0], places[:, 1])[np.ix_(index, index)] / STATUTE_MILE
    result = np.zeros((n, n), dtype=bool)
    for a in range(n):
        rule = offers[a].exclusive
        if rule is None:
            continue
        for b in range(n):
            gap = max(
                (offers[b].show_days[0] - offers[a].show_days[-1]).days,
                (offers[a].show_days[0] - offers[b].show_days[-1]).days,
            )
            if offers[a].venue != offers[b].venue and gap <= rule.days and apart[a, b] <= rule.miles_sm:
                result[a, b] = result[b, a] = True
    return result


# --- Telling ------------------------------------------------------------------------------------------


def _hours_short(seconds: float) -> str:
    if np.isnan(seconds):
        return "their days overlap"
    if np.isinf(seconds):
        return f"it cannot be flown in {ferry.LONGEST} days"
    if seconds <= 0.0:
        return "the aircraft has to be at home between them"
    return f"{np.ceil(seconds / 360.0) / 10.0:.1f} h short"


def _conflicts(
    offers: Sequence[Booking], k: int, others: Sequence[int], ways: _Ways, clash: BoolArray
) -> list[str]:
    """Why an offer cannot stand beside others; or that it cannot be reached from home, or left for it."""
    found = []
    for o in others:
        a, b = (k, o) if k < o else (o, k)
        if clash[a, b]:
            found.append(f"an exclusivity stands between it and {offers[o].id}")
        elif not ways.allowed[a, b]:
            found.append(f"{offers[a].id} and {offers[b].id} are too close: {_hours_short(ways.late[a, b])}")
    if not found and not (ways.allowed[:k, k].any() or ways.allowed[-1, k]):
        found.append(f"it cannot be reached from home: {_hours_short(ways.late[-1, k])}")
    if not found and not ways.allowed[k, k + 1 :].any():
        found.append("the aircraft cannot get home from it in time")
    return found


def _offer_told(
    a: _Arrays,
    season: Season,
    offers: Sequence[Booking],
    k: int,
    taken: BoolArray,
    bar: _Bar,
    chances: _Chances,
    share: FloatArray,
    problem: choice.Offers,
    more: float,
    ways: _Ways,
    clash: BoolArray,
) -> OfferTold:
    booking = offers[k]
    planned = [int(v) for v in np.flatnonzero(taken)]
    conflicts = _conflicts(offers, k, planned, ways, clash) if not taken[k] else []
    must = booking.state == "contracted"
    notes = []
    if booking.costs is None:
        notes.append("no costs are stated; none are counted")
    if booking.fee is None and must:
        notes.append("no fee is counted")
    if not np.isfinite(chances.full) and must:
        notes.append("no chance is known; the least that its pay can be is counted")
    if taken[k]:
        decision, why = ("keep", "a contract") if must else ("take", "in the plan of greatest expected worth")
    elif must:
        decision = "cannot be kept"
        why = "; ".join(conflicts) or bar.why or "it cannot be reached in time"
    elif bar.why:
        decision, why = "barred", bar.why
    else:
        decision = "pass"
        why = "; ".join(conflicts)
        if booking.state == "passed":
            why = "; ".join(filter(None, ["passed already", why]))
        elif not conflicts:
            why = "worth less than its journeys and what it displaces"
    more_needed, slot, slot_more, phrase = None, "", None, ""
    if not taken[k] and not must:
        if not np.isfinite(more):
            kept = [o for o in planned if offers[o].state == "contracted"]
            blocking = _conflicts(offers, k, kept, ways, clash) or ["it cannot be reached in time"]
            phrase = f"nothing makes it fit: {'; '.join(blocking)}"
        else:
            more_needed, slot, slot_more, phrase = _worth_if(
                a, season, booking, bar, float(share[k]), float(problem.present[k]), more
            )
    return OfferTold(
        booking=booking.id,
        venue=booking.venue,
        state=booking.state,
        first_day=booking.show_days[0].isoformat(),
        last_day=booking.show_days[-1].isoformat(),
        reply_by="" if booking.reply_by is None else booking.reply_by.isoformat(),
        slot=f"{booking.slot:%H:%M}",
        fee=booking.fee if booking.fee is None else season.in_currency(booking, booking.fee),
        deposit=booking.deposit if booking.deposit is None else season.in_currency(booking, booking.deposit),
        decision=decision,
        why=why,
        full_show=_known(chances.full),
        full_or_composed=_known(chances.show),
        nothing_flown=_known(chances.none),
        expected=float(problem.present[k]) if booking.fee is not None else None,
        more_needed=more_needed,
        other_slot=slot,
        other_slot_more=slot_more,
        worth_taking_if=phrase,
        notes=tuple(notes),
    )


def _known(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def _worth_if(
    a: _Arrays, season: Season, booking: Booking, bar: _Bar, share: float, present: float, more: float
) -> tuple[float | None, str, float | None, str]:
    """Fee, or hour, or both, that make an offer worth taking; and the phrase for it.

    The best plan with the offer depends on it only through what it brings, so the amount that a higher fee
    has to bring is what another hour has to bring too.
    """
    if bar.final:
        return None, "", None, ""
    needed = present + share * more
    by_fee = None if bar.hour else _asked(more)
    with_cure = [bar.cure] if bar.cure else []
    if by_fee == 0.0:
        return None, "", None, f"worth taking {f'with {bar.cure}' if bar.cure else 'as it stands'}"
    found = _other_slot(a, season, booking, needed, may_ask=bar.hour)
    ways = []
    if found is not None:
        and_more = f" and {found[1]:,.0f} {season.currency} more" if found[1] else ""
        ways.append(f"{found[0]} instead of {booking.slot:%H:%M}{and_more}")
    if by_fee is not None:
        ways.append(f"{by_fee:,.0f} {season.currency}" + (" more" if booking.fee is not None else ""))
    if not ways:
        return None, "", None, "no hour of its window and no fee makes it worth taking"
    phrase = f"worth taking with {' and '.join([*with_cure, ', or '.join(ways)])}"
    return by_fee, *(found if found is not None else ("", None)), phrase


def _asked(amount: float) -> float:
    """An amount to ask for, rounded up."""
    return float(np.ceil(amount / ROUND_UP - 1e-9) * ROUND_UP)


def _other_slot(
    a: _Arrays, season: Season, booking: Booking, needed: float, *, may_ask: bool
) -> tuple[str, float] | None:
    """The nearest slot of the window that brings what is needed, or with `may_ask` the one that asks least.

    Only slots that keep the pilot's bar; the slot's local start and the fee more that it needs.
    """
    fee = season.in_currency(booking, booking.fee or 0.0)
    costs = season.in_currency(booking, booking.costs or 0.0)
    names, chances = _slot_chances(a, booking.id)
    shares = _share(booking, chances)
    offered = booking.slot.hour * 60 + booking.slot.minute
    found = []
    for name, show, part in zip(names, chances.show, shares, strict=True):
        apart = abs(int(name[:2]) * 60 + int(name[3:]) - offered)
        if apart == 0 or show < season.least_chance or part <= 0.0:
            continue
        short = float(max(needed - (fee * part - costs), 0.0) / part)
        if short <= choice.SAME or may_ask:
            found.append((_asked(short), apart, name))
    return None if not found else (min(found)[2], min(found)[0])


def _row(a: _Arrays, booking: str) -> int:
    return int(np.flatnonzero(a["booking"] == booking)[0])


def _broken(
    season: Season,
    offers: Sequence[Booking],
    taken: BoolArray,
    must: BoolArray,
    ways: _Ways,
    clash: BoolArray,
) -> tuple[str, ...]:
    told = []
    contracts = [int(k) for k in np.flatnonzero(must)]
    for k in map(int, np.flatnonzero(must & ~taken)):
        away = _away(season, offers[k])
        reasons = [f"falls into {away}"] if away else []
        reasons += _conflicts(offers, k, [o for o in contracts if o != k], ways, clash)
        if not reasons:
            reasons = ["not together with the other contracts and the days at home"]
        told.append(f"{offers[k].id} is contracted and cannot be kept: {'; '.join(reasons)}.")
    return tuple(told)


def _alarms(
    a: _Arrays, season: Season, offers: Sequence[Booking], taken: BoolArray, barred: Sequence[_Bar]
) -> tuple[str, ...]:
    papers = [
        paperwork.Paper(p.kind, p.name, first_day=p.from_, last_day=p.expires, venue=p.venue)
        for p in season.papers
    ]
    shows = [(b.id, b.venue, b.show_days) for b, t in zip(offers, taken, strict=True) if t]
    told = [f"{alarm}." for alarm in paperwork.alarms(papers, shows)]
    told += [
        f"{b.id} is contracted and {bar.why}" + (f": it needs {bar.cure}." if bar.cure else ".")
        for b, t, bar in zip(offers, taken, barred, strict=True)
        if t and b.state == "contracted" and bar.why
    ]
    return tuple(told)


def _floor(season: Season, venue_id: str) -> tuple[str, float, str]:
    floors = season.floors_agl_ft(season.venue(venue_id))
    name = max(floors, key=lambda k: floors[k])
    return venue_id, floors[name], name


def _notes(season: Season, offers: Sequence[Booking], ways: _Ways) -> tuple[str, ...]:
    notes = [
        "Journeys stop for fuel where their equal legs end: look for the fields yourself.",
        "Wind on the way is that of the show hours at either end, carried up by a 1/7 power law: a guess.",
        "Flyable days are counted from the show hours at either end; the weather between is not looked at.",
    ]
    if np.isnan(ways.reach).any():
        notes.append("Where flyable days were not observed, the plan takes the aircraft to arrive in time.")
    if not season.papers:
        notes.append("There is no paperwork.yaml: no expiry was held against any show.")
    if season.practice is None:
        notes.append("There is no practice.yaml: no currency was held against any show.")
    return tuple(notes)


@dataclass(frozen=True)
class _Hop:
    """One journey of the plan as positions of offers (home last), before it is flown."""

    start: int
    end: int
    target: int
    from_home: bool
    earliest: float
    reach: float
    spare: int


def _hops(chosen: Sequence[int], times: _Times, ways: _Ways, most_spare: int) -> list[_Hop]:
    n = times.arrive.size
    hops = []
    for a, b in pairwise([n, *chosen, n]):
        if a == b:
            continue
        from_home = b != n and (a == n or bool(ways.via_home[a, b]))
        if from_home and a != n:
            hops.append(_Hop(a, n, n, False, float(times.leave[a]), np.nan, 0))
        if from_home:
            ready = float(ways.ready_home[a, b])
            hops.append(_Hop(n, b, b, True, ready, float(ways.reach[a, b]), most_spare))
        elif b == n:
            hops.append(_Hop(a, n, n, False, float(times.leave[a]), np.nan, 0))
        else:
            spare = int(_whole_days(np.asarray(-ways.late[a, b]), most_spare))
            hops.append(_Hop(a, b, b, False, float(times.leave[a]), float(ways.reach[a, b]), spare))
    return [hop for hop in hops if ways.distance[hop.start, hop.end] > 0.0]


def _legs(
    season: Season,
    offers: Sequence[Booking],
    chosen: Sequence[int],
    times: _Times,
    weather: _DayWeather,
    ways: _Ways,
    base: _Base,
) -> tuple[Leg, ...]:
    """The journeys of the plan: from a show as soon as it is over, from home with the spare days."""
    settings, n = season.ferry, len(offers)
    assert settings is not None
    hops = _hops(chosen, times, ways, settings.spare_days)
    if not hops:
        return ()
    venues = [season.venue(b.venue) for b in offers]
    names = [*(v.operating.name for v in venues), base.name]
    zones = [ZoneInfo(z) for z in (*(v.timezone for v in venues), base.timezone)]
    lat = np.array([*(v.operating.latitude for v in venues), base.latitude])
    lon = np.array([*(v.operating.longitude for v in venues), base.longitude])
    a, b = np.array([h.start for h in hops]), np.array([h.end for h in hops])
    aircraft, blocked = _aircraft(season), _blocked(season)

    def fly(leave: FloatArray) -> ferry.Journeys:
        # Journeys along the last axis.
        length, wind = ways.distance[a, b], np.nan_to_num(ways.headwind[a, b])
        return ferry.journeys(
            aircraft, leave, (lat[a], lon[a]), (lat[b], lon[b]), length, wind, blocked=blocked
        )

    earliest = np.array([h.earliest for h in hops])
    from_home = np.array([h.from_home for h in hops])
    wanted = np.append(times.arrive, np.inf)[b]
    # From home: on the morning of each of the days before it is wanted, the latest that is in time.
    shift = 240.0 * base.longitude
    mornings = (np.where(from_home, wanted, 0.0) + shift) // DAY * DAY - shift
    starts = np.maximum(mornings - DAY * np.arange(EARLY_DAYS)[:, None], earliest)
    in_time = fly(starts).arrival <= wanted
    latest = np.where(from_home, starts[np.argmax(in_time, axis=0), np.arange(len(hops))], earliest)
    leave = np.maximum(latest - settings.spare_days * DAY, earliest)
    flown, last = fly(leave), fly(latest)

    def local(instant: float, zone: ZoneInfo) -> str:
        return dt.datetime.fromtimestamp(round(instant / 60.0) * 60, zone).isoformat(timespec="minutes")

    return tuple(
        Leg(
            from_place=names[h.start],
            to_place=names[h.end],
            for_booking="" if h.target == n else offers[h.target].id,
            distance_nm=float(ways.distance[h.start, h.end] / NM),
            legs=int(flown.legs[k]),
            flying_h=float(flown.flying[k] / HOUR),
            days=int(flown.days[k]),
            spare_days=int((latest[k] - leave[k]) // DAY) if h.from_home else h.spare,
            take_off_local=local(float(flown.take_off[k]), zones[h.start]),
            arrival_local=local(float(flown.arrival[k]), zones[h.end]),
            leave_latest_local=local(float(last.take_off[k]), zones[h.start]) if h.from_home else "",
            headwind_kt=_known(ways.headwind[h.start, h.end] / KT),
            in_time=_known(h.reach),
            not_observed=tuple(
                sorted({w for end in (h.start, h.end) if end < n for w in weather.not_observed[end]})
            ),
        )
        for k, h in enumerate(hops)
    )
