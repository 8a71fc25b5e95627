"""Composition: from a season folder to its results. The only place that knows today's date."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline import __version__, results
from pipeline.air import climatology as clim
from pipeline.air import fallback, persistence, sun
from pipeline.air.show_hours import ShowHourSample, Site, StationCycles, show_hour_sample
from pipeline.air.variables import FT, KT, NM, STATION_VARIABLES, STATUTE_MILE
from pipeline.air.venue import PRESSURE_SOURCES
from pipeline.decisions import limits, ranking
from pipeline.decisions.forecast import (
    QUANTILES,
    QUANTITIES,
    ActLimits,
    LogStep,
    SlotForecast,
    forecast_slots,
)
from pipeline.decisions.slots import askable
from pipeline.derived import UsedLimits, used_limits
from pipeline.kept_carriers import kept_carriers
from pipeline.kept_cycles import kept_cycles
from pipeline.kept_gusts import Gusts, kept_gusts
from pipeline.learn import LearnedFromLog, learn_from_log, told
from pipeline.season_routines import lay_routines
from pipeline.stations.station_lists import great_circle
from pipeline.venue_hours import StationHeld, StationRead, read_show_hours, read_station

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.decisions.trust import Trust
    from pipeline.inputs import Booking, Season, Station, Venue
    from pipeline.stations.store import Store

__all__ = ["Progress", "Slots", "booking_slots", "forecast", "laid_forecast", "results_path"]

Progress = Callable[[str], None]

SLOT_STEP_MINUTES = 30
SLOT_MARGIN_MINUTES = 60

_CONDITION_KEYS = {
    "density_altitude": ("density_altitude_ft", FT),
    "wind_toward_crowd": ("wind_toward_crowd_kt", KT),
    "wind_across_line": ("wind_across_line_kt", KT),
    "gust": ("gust_kt", KT),
    "gust_spread": ("gust_spread_kt", KT),
    "wind_along_line": ("wind_along_line_kt", KT),
}


def results_path(season_folder: Path, cache: Path) -> Path:
    """Where a season's results are kept: by the folder's name and a digest of where it is."""
    place = season_folder.resolve()
    digest = hashlib.sha256(str(place).encode()).hexdigest()[:12]
    return cache / "results" / f"{place.name}-{digest}.nc"


@dataclass(frozen=True)
class Slots:
    """Slots of a booking day, in order."""

    local: tuple[dt.time, ...]
    utc: npt.NDArray[np.datetime64]
    in_window: tuple[bool, ...]
    offered: int


def booking_slots(booking: Booking, venue: Venue, day: dt.date) -> Slots:
    """Half-hour slots through the organiser's window and an hour either side, and the one in discussion.

    A slot is in the window when the whole of it is. The last one is no sooner than an hour after the last of
    the window, so that a show may run an hour late. Local times that the clocks skip are left out.
    """

    def minutes(time: dt.time) -> int:
        return time.hour * 60 + time.minute

    first, last = minutes(booking.window_from), minutes(booking.window_to)
    latest = last - int(np.ceil(booking.length_min))
    offered = minutes(booking.slot)
    starts = set(range(first, latest + SLOT_MARGIN_MINUTES + SLOT_STEP_MINUTES, SLOT_STEP_MINUTES))
    starts |= set(range(first - SLOT_STEP_MINUTES, first - SLOT_MARGIN_MINUTES - 1, -SLOT_STEP_MINUTES))
    starts |= {offered}
    kept, instants = [], []
    for start in sorted(s for s in starts if 0 <= s < 24 * 60):
        time = dt.time(start // 60, start % 60)
        utc = venue.utc(day, time)
        if start != offered and venue_local(venue, utc) != time:
            continue
        kept.append(start)
        instants.append(np.datetime64(utc.replace(tzinfo=None), "s"))
    return Slots(
        tuple(dt.time(s // 60, s % 60) for s in kept),
        np.asarray(instants, dtype="datetime64[s]"),
        tuple(first <= s <= latest for s in kept),
        kept.index(offered),
    )


def venue_local(venue: Venue, utc: dt.datetime) -> dt.time:
    """Local time of day at a venue."""
    from zoneinfo import ZoneInfo

    return utc.astimezone(ZoneInfo(venue.timezone)).time()


def curves_of(season: Season) -> limits.Curves:
    """Personal limits of every figure of the season in SI."""
    figures = season.routine.repertoire
    comfortable: dict[str, npt.NDArray[np.floating]] = {}
    limit: dict[str, npt.NDArray[np.floating]] = {}
    for condition, (key, scale) in _CONDITION_KEYS.items():
        stated = [getattr(f.limits, key) for f in figures]
        comfortable[condition] = np.array([np.nan if s is None else s.comfortable * scale for s in stated])
        limit[condition] = np.array([np.nan if s is None else s.limit * scale for s in stated])
    names = tuple(f.name for f in figures)
    return limits.Curves(names, comfortable, limit, season.pilot.two_amber_is_red)


def act_limits_of(season: Season, venue: Venue) -> ActLimits:
    """The act's limits at a venue in SI."""
    stated = season.act_limits(venue)
    rows: dict[str, tuple[Any, float]] = {
        "runway_crosswind": (stated.runway_crosswind_kt, KT),
        "ceiling": (stated.ceiling_ft, FT),
        "visibility": (stated.visibility_sm, STATUTE_MILE),
    }
    return ActLimits(
        {k: v.comfortable * scale for k, (v, scale) in rows.items()},
        {k: v.limit * scale for k, (v, scale) in rows.items()},
        stated.thunder == "stop",
        season.pilot.two_amber_is_red,
    )


def site_of(venue: Venue) -> Site:
    """What the air is needed for at a venue."""
    return Site(
        elevation=venue.elevation,
        line_true_heading=venue.show_line.true_heading,
        crowd_on_right=venue.show_line.crowd_on_right,
        runway_true_heading=venue.runway_true_heading,
        lapse_rate=venue.lapse_rate_k_per_km / 1000.0,
    )


@dataclass
class _VenueOutcome:
    """What one venue's part of the forecast gives, before it is laid into the season's arrays."""

    venue: Venue
    status: str
    days: list[tuple[Booking, dt.date, Slots, ShowHourSample | None, SlotForecast | None, str]]
    carriers: dict[tuple[str, dt.date], dict[str, npt.NDArray[np.floating]]] = field(default_factory=dict)
    station: Station | None = None
    attrs: dict[str, Any] | None = None
    years: npt.NDArray[np.int64] | None = None
    completeness: Mapping[str, float] = field(default_factory=dict)
    cycle: clim.SeasonalCycle | None = None
    shares: dict[tuple[int, str], float] = field(default_factory=dict)
    ordered: tuple[StationRead, ...] = ()
    warnings: tuple[str, ...] = ()
    trust: Trust | None = None
    gusts: str = "none"


def forecast(season: Season, store: Store, *, progress: Progress = lambda _: None) -> xr.Dataset:
    """`laid_forecast` as a dataset."""
    return results.to_dataset(laid_forecast(season, store, progress=progress))


def laid_forecast(season: Season, store: Store, *, progress: Progress = lambda _: None) -> dict[str, Any]:
    """Forecast every booking of a season from the stored station hours, as the arrays of `results`.

    Plain arrays, since the dataset's library takes longer to load than the results to be written. A venue
    that fails is reported in the results and does not stop the others.

    Parameters
    ----------
    season
        The season.
    store
        Where station hours are kept.
    progress
        Told a line as each venue is done.
    """
    booked = [v for v in season.venues if any(b.venue == v.id for b in season.bookings)]
    learned = learned_limits(season, store)
    used = used_limits(season, curves_of(season) if learned is None else learned.curves(), store.cache)
    curves = used.curves
    other = () if learned is None else _other_curves(season, learned, store.cache)
    full = limits.TiedChances(curves.take(list(season.routine.full)), season.pilot.routine_correlation)
    steps = [
        LogStep(
            c,
            [
                limits.RoutineChance(
                    c.take(list(season.routine.full)), correlation=season.pilot.routine_correlation
                )
            ],
        )
        for c in other
    ]
    slots = {v.id: _slots_of(season, v) for v in booked}
    empty, row_of = _season_arrays(season, used, booked, slots)
    if learned is not None:
        _lay_learned(empty, learned)

    newest: dict[str, str | None] = {}

    def lay(v: int, outcome: _VenueOutcome) -> None:
        hours = (read.newest_hour for read in outcome.ordered)
        newest[outcome.venue.id] = max(filter(None, hours), default=None)
        _lay_venue(empty["arrays"], v, outcome, season.history.first_year)
        for booking, day, day_slots, sample, done, status in outcome.days:
            i = row_of[booking.id, day]
            empty["arrays"]["day_status"][i] = status
            if sample is not None and done is not None:
                at = sample.years - season.history.first_year
                _lay_day(empty["arrays"], i, day_slots.utc.size, at, sample, done, told=status == "ok")
            if status == "ok":
                for name, values in outcome.carriers[booking.id, day].items():
                    empty["arrays"][name][i] = values
        progress(f"{outcome.venue.name}: {outcome.status}")

    # This thread reads (the netCDF library is not safe in threads) while others compute: numpy lets go of
    # the interpreter in its long loops. Few venues are in hand at a time, so memory does not grow with them.
    with ThreadPoolExecutor(max_workers=2) as pool:
        in_hand: deque[tuple[int, Future[_VenueOutcome]]] = deque()
        for v, venue in enumerate(booked):
            held = read_show_hours(season, venue, store, _instants(slots[venue.id]))
            in_hand.append(
                (
                    v,
                    pool.submit(
                        _forecast_venue,
                        season,
                        venue,
                        slots[venue.id],
                        held,
                        curves,
                        [full],
                        steps,
                        store.cache,
                    ),
                )
            )
            if len(in_hand) > 2:
                done_v, future = in_hand.popleft()
                lay(done_v, future.result())
        while in_hand:
            done_v, future = in_hand.popleft()
            lay(done_v, future.result())
    empty["attrs"]["newest_hours"] = json.dumps(newest)
    _lay_bookings(empty["arrays"], season, booked)
    lay_routines(empty, season, full, other)
    return empty


def learned_limits(season: Season, store: Store) -> LearnedFromLog | None:
    """What the season's show log teaches; None where there is no log."""
    return learn_from_log(
        season,
        curves_of(season),
        site_of,
        lambda wide, venue: read_station(wide, venue, store).record,
    )


def _other_curves(season: Season, learned: LearnedFromLog, cache: Path) -> tuple[limits.Curves, ...]:
    """Learned limits a standard deviation stricter, and those written; physics in both."""
    stricter = learned.curves(-learned.limits.limit_sd)
    return tuple(used_limits(season, c, cache).curves for c in (stricter, learned.written))


def _lay_learned(empty: dict[str, Any], learned: LearnedFromLog) -> None:
    """What the log teaches, for the screen, and which limits it decides."""
    a = empty["arrays"]
    own = learned.curves()
    answer = told(learned)
    for row in answer["causes"]:
        at = [c for c, name in enumerate(limits.CONDITIONS) if limits.CONDITIONS[name] == row["cause"]]
        learnt = np.stack([own.limit[name] for name in limits.CONDITIONS], axis=1)[:, at]
        physics = np.any(a["limit_used"][:, at] < learnt, axis=1)
        if physics.any():
            of = int(np.any(np.isfinite(learnt), axis=1).sum())
            row["sentence"] += (
                f"; for {physics.sum()} of {of} figures what the aircraft can do limits you sooner"
            )
    empty["attrs"]["learned"] = json.dumps(answer, ensure_ascii=False, allow_nan=False)
    for c, condition in enumerate(limits.CONDITIONS):
        written, limit = learned.written.limit[condition], own.limit[condition]
        for f in np.flatnonzero(~np.isnan(written) & (a["limit_used"][:, c] == limit)):
            share = f"{100.0 * limit[f] / written[f]:.0f} % of the limit you wrote"
            if limit[f] > written[f]:
                a["limit_reason"][f, c] = f"learned from the log: {share}, more permissive, as you allow"
            elif limit[f] < written[f]:
                a["limit_reason"][f, c] = f"learned from the log: {share}"


def _slots_of(season: Season, venue: Venue) -> list[tuple[Booking, dt.date, Slots]]:
    return [
        (booking, day, booking_slots(booking, venue, day))
        for booking in season.bookings
        if booking.venue == venue.id
        for day in booking.show_days
    ]


def _instants(slots: list[tuple[Booking, dt.date, Slots]]) -> npt.NDArray[np.datetime64]:
    """Every show instant of a venue's days, UTC."""
    return np.concatenate([s.utc for _, _, s in slots]).astype("datetime64[s]")


def keep_venue(season: Season, venue: Venue, store: Store) -> None:
    """Make what a forecast keeps of a venue's hours: those around its shows, what is fitted, the hindcast."""
    from pipeline.verify import trust_scores

    slots = _slots_of(season, venue)
    held = read_show_hours(season, venue, store, _instants(slots))
    if held.station is not None:
        cycles, gusts = _fitted(season, held.station, held, _instants(slots), store.cache)
        _carried(season, venue, held.station, held, slots, cycles, gusts, store.cache)
        trust_scores(season, venue, held.whole, kept=store.cache / "trust", record_digest=held.digest)


def _fitted(
    season: Season, station: Station, held: StationHeld, instants: npt.NDArray[np.datetime64], cache: Path
) -> tuple[StationCycles, Gusts]:
    """Seasonal cycles of a venue's record, and its gusts at the show instants."""
    history = season.history
    cycles = kept_cycles(cache / "cycles", held.digest, held.whole, trend=history.trend)
    gusts = kept_gusts(
        cache / "gusts",
        held.digest,
        held.whole,
        instants.astype(np.int64) / 3600.0,
        latitude=station.latitude,
        longitude=station.longitude,
        days=max(45, history.window_days + 5),
    )
    return cycles, gusts


def _carried(
    season: Season,
    venue: Venue,
    station: Station,
    held: StationHeld,
    slots: list[tuple[Booking, dt.date, Slots]],
    cycles: StationCycles,
    gusts: Gusts,
    cache: Path,
) -> dict[tuple[str, dt.date], dict[str, npt.NDArray[np.floating]]]:
    """What carries a reading to the slot in discussion, by booking and day."""
    made = kept_carriers(
        cache / "carriers",
        held.digest,
        held.whole,
        cycles,
        site_of(venue),
        np.array([s.utc[s.offered] for _, _, s in slots], dtype="datetime64[s]"),
        gusts.peak,
        window_days=season.history.window_days,
        # Gusts are drawn around every show instant, not around the slots in discussion alone.
        decided_by=(
            season.history.trend,
            station.latitude,
            station.longitude,
            np.unique(_instants(slots)).astype(np.int64).tolist(),
        ),
    )
    return {(booking.id, day): one for (booking, day, _), one in zip(slots, made, strict=True)}


def _forecast_venue(
    season: Season,
    venue: Venue,
    slots: list[tuple[Booking, dt.date, Slots]],
    held: StationHeld,
    curves: limits.Curves,
    routines: Sequence[limits.TiedChances],
    steps: Sequence[LogStep],
    cache: Path,
) -> _VenueOutcome:
    station, record = held.station, held.record
    if station is None or record is None:
        reason = "no station hours: " + "; ".join(held.passed_over)
        nothing: list[Any] = [(b, d, s, None, None, reason) for b, d, s in slots]
        return _VenueOutcome(venue, reason, nothing, ordered=held.ordered)
    history = season.history
    missing = [
        STATION_VARIABLES[name].long_name
        for name in ("dew_point_temperature", "wind_speed")
        if not held.completeness.get(name)
    ]
    cycles, gusts = _fitted(season, station, held, _instants(slots), cache)
    site = site_of(venue)
    act = act_limits_of(season, venue)
    trend_variance = cycles.temperature.trend_variance()
    days: list[tuple[Booking, dt.date, Slots, ShowHourSample | None, SlotForecast | None, str]] = []
    worst = "ok"
    for booking, day, day_slots in slots:
        sample = show_hour_sample(
            record, cycles, site, day_slots.utc, window_days=history.window_days, gust_peak=gusts.peak
        )
        reach = np.broadcast_to(
            (day.year - sample.years).astype(float), (day_slots.utc.size, sample.years.size)
        )
        done = forecast_slots(
            sample,
            curves,
            routines,
            act,
            trend_variance=trend_variance,
            trend_reach=reach,
            log_steps=steps,
        )
        years = int(done.as_planned.years[:, 0].min())
        status = "ok"
        if missing:
            status = f"not enough history: the station does not observe {' or '.join(missing)}"
        elif years < history.minimum_years:
            status = (
                f"not enough history: {years} year{'s' if years != 1 else ''} with at least half of the "
                f"window observed, {history.minimum_years} wanted"
            )
        if status != "ok":
            worst = status
        days.append((booking, day, day_slots, sample, done, status))
    carriers = _carried(season, venue, station, held, slots, cycles, gusts, cache)
    samples = [sample for _, _, _, sample, _, _ in days if sample is not None]
    least_years = min(int(done.as_planned.years.min()) for *_, done, _ in days if done is not None)
    assumed = _pressure_assumed(samples)
    return _VenueOutcome(
        venue,
        worst,
        days,
        carriers,
        station=station,
        attrs=held.attrs,
        years=record.years(),
        completeness=held.completeness,
        cycle=cycles.temperature,
        shares=held.shares,
        ordered=held.ordered,
        warnings=(
            *_venue_warnings(venue, station, held.passed_over),
            *_elevation_warnings(venue, held.ordered),
            *([gusts.words] if gusts.kind in ("modelled", "estimated") else []),
            *_sample_warnings(assumed, least_years),
        ),
        trust=_trust(season, venue, station, held, samples, least_years, assumed, gusts.kind, cache),
        gusts=gusts.kind,
    )


def _trust(
    season: Season,
    venue: Venue,
    station: Station,
    held: StationHeld,
    samples: Sequence[ShowHourSample],
    least_years: int,
    pressure_assumed: float,
    gust_kind: str,
    cache: Path,
) -> Trust:
    """Whether a venue's numbers deserve trust, checked by a hindcast of its own slots."""
    from pipeline.verify import venue_trust

    whole = [np.isfinite(s.density_altitude) & np.isfinite(s.wind_speed) for s in samples]
    return venue_trust(
        season,
        venue,
        held.whole,
        kept=cache / "trust",
        record_digest=held.digest,
        years=least_years,
        distance=great_circle(venue.latitude, venue.longitude, station.latitude, station.longitude),
        height_difference=venue.elevation - station.elevation,
        completeness=float(np.mean([w.mean() for w in whole])),
        pressure_missing=pressure_assumed,
        gusts=gust_kind,
        invented=bool(held.attrs.get("invented", 0)),
    )


_PRESSURE_ASSUMED = 0.05
"""Share of the hours without any pressure from which it is told."""


def _pressure_assumed(samples: Sequence[ShowHourSample]) -> float:
    """Share of the sampled hours whose pressure is the standard one; NaN without any hours."""
    codes = np.concatenate([s.pressure_source.ravel() for s in samples])
    codes = codes[codes >= 0]
    return float(np.mean(codes == len(PRESSURE_SOURCES) - 1)) if codes.size else np.nan


def _sample_warnings(assumed: float, years: int) -> list[str]:
    lines = []
    if assumed > _PRESSURE_ASSUMED:
        lines.append(
            f"the station reports no pressure in {100 * assumed:.0f} % of the hours: standard pressure is "
            "assumed there, and each 0.10 inHg it was really lower adds about 100 ft of density altitude"
        )
    if years == 1:
        lines.append(
            "one year of hours only: how much years differ is not known, so intervals run 0 to 100 %"
        )
    return lines


def _elevation_warnings(venue: Venue, ordered: Iterable[StationRead]) -> list[str]:
    """Stations whose own pressures contradict the stated elevation: hundreds of feet of density altitude."""
    return [
        f"{station.name or station.id}: {odd['message']}"
        for station, read in zip(venue.stations, ordered, strict=True)
        for odd in json.loads(str(read.attrs.get("quality", '{"suspicions": []}')))["suspicions"]
        if odd["subject"] == "elevation"
    ]


def _venue_warnings(venue: Venue, station: Station, passed_over: Iterable[str]) -> list[str]:
    lines = [f"passed over: {reason}" for reason in passed_over]
    distance = great_circle(venue.latitude, venue.longitude, station.latitude, station.longitude)
    if distance > 30 * NM:
        lines.append(f"the station is {distance / NM:.0f} NM away (more than 30)")
    if abs(venue.elevation - station.elevation) > 1000 * FT:
        lines.append(
            f"the station lies {abs(venue.elevation - station.elevation) / FT:,.0f} ft "
            f"{'below' if station.elevation < venue.elevation else 'above'} the show site (more than 1,000)"
        )
    return lines


def _season_arrays(
    season: Season,
    used: UsedLimits,
    booked: list[Venue],
    slots: dict[str, list[tuple[Booking, dt.date, Slots]]],
) -> tuple[dict[str, Any], dict[tuple[str, dt.date], int]]:
    """The season's arrays with all that is known before any hour is read, and the row of every day."""
    from pipeline.inputs import digest_of

    by_day = {(b.id, d): (b, d, s) for rows in slots.values() for b, d, s in rows}
    days = [by_day[b.id, d] for b in season.bookings for d in b.show_days]
    history = season.history
    coords = {
        "booking": [b.id for b in season.bookings],
        "booking_day": [f"{b.id} {d.isoformat()}" for b, d, _ in days],
        "figure": list(used.curves.names),
        "condition": list(limits.CONDITIONS),
        "cause": list(limits.CAUSES),
        "act_cause": list(limits.ACT_CAUSES),
        "routine": ["full"],
        "rehearsed": [1],
        "quantile": list(QUANTILES),
        "year": np.arange(history.first_year, history.last_year + 1),
        "day_offset": np.arange(-history.window_days, history.window_days + 1),
        "hour_offset": list(clim.HOUR_OFFSETS),
        "venue": [v.id for v in booked],
        "station_variable": list(STATION_VARIABLES),
        "pressure_source": list(PRESSURE_SOURCES),
        "bound": ["judged independently", "judged as one"],
        "station_place": list(range(1, max((len(v.stations) for v in booked), default=1) + 1)),
        "station_group": list(fallback.GROUPS),
        "lead": persistence.LEADS,
    }
    attrs = {
        "title": f"Show-hour forecast, {season.name}",
        "season": season.name,
        "year": season.year,
        "invented": int(season.invented),
        "pilot": season.pilot.name,
        "currency": season.currency,
        "computed_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "season_digest": digest_of(season),
        "season_folder": str(season.folder),
        "showhour_version": __version__,
        "interval_level": clim.INTERVAL_LEVEL,
        "quantile_type": 8,
        "minimum_years": history.minimum_years,
        "routine_correlation": season.pilot.routine_correlation,
        "two_amber_is_red": int(season.pilot.two_amber_is_red),
        "thunder_stops": int(season.act.thunder == "stop"),
        "input_warnings": "\n".join(str(w) for w in season.warnings),
        "slot_step_minutes": SLOT_STEP_MINUTES,
    }
    empty = results.new_results(coords, max((s.utc.size for _, _, s in days), default=0), attrs)
    a = empty["arrays"]
    for i, (booking, day, day_slots) in enumerate(days):
        n = day_slots.utc.size
        a["day_booking"][i], a["day_venue"][i] = booking.id, booking.venue
        a["day_date"][i], a["day_slots"][i] = day.isoformat(), n
        a["day_offered_slot"][i] = day_slots.offered
        a["slot_local"][i, :n] = [f"{t:%H:%M}" for t in day_slots.local]
        a["slot_utc"][i, :n] = [f"{t}Z" for t in day_slots.utc]
        a["slot_in_window"][i, :n] = day_slots.in_window
    for b, booking in enumerate(season.bookings):
        a["booking_venue"][b] = booking.venue
    _lay_limits(a, season, used, booked)
    return empty, {(b.id, d): i for i, (b, d, _) in enumerate(days)}


def _lay_day(
    a: dict[str, Any],
    i: int,
    n: int,
    at: npt.NDArray[np.integer],
    sample: ShowHourSample,
    done: SlotForecast,
    *,
    told: bool,
) -> None:
    """Lay one booking day; without enough history only what was observed, no chance and no quantile."""
    air = np.isfinite(sample.density_altitude) & np.isfinite(sample.wind_speed)
    a["sample_size"][i, :n] = air.sum(axis=(1, 2, 3))
    a["observed_share"][i, :n] = air.mean(axis=(1, 2, 3))
    a["sample_years"][i, :n] = done.as_planned.years[:, 0]
    a["gust_reported_share"][i, :n] = done.gust_reported_share
    if not told:
        return
    a["sample_effective_size"][i, :n] = done.as_planned.effective_size[:, 0]
    a["figure_effective_size"][i, :n] = done.figure.effective_size
    for name, estimate in (
        ("figure_change", done.figure),
        ("routine_as_planned", done.as_planned),
        ("act_out", done.act_any),
    ):
        a[name][i, :n] = estimate.value
        a[f"{name}_lower"][i, :n] = estimate.lower
        a[f"{name}_upper"][i, :n] = estimate.upper
    a["figure_change_at_gust_bound"][i, :n] = done.figure_at_gust_bound
    a["figure_change_by_cause"][i, :n] = done.figure_by_cause
    a["routine_as_planned_range"][i, :n] = done.as_planned_range
    a["routine_change_by_cause"][i, :n] = done.routine_by_cause
    a["act_out_by_cause"][i, :n] = done.act
    a["routine_as_planned_by_year"][i, :n, :, at] = np.moveaxis(done.as_planned.by_year, -1, 0)
    per_trend = done.as_planned_warmer * (int(a["day_date"][i][:4]) - sample.years)
    a["routine_as_planned_per_trend"][i, :n, :, at] = np.moveaxis(per_trend, -1, 0)
    by_log = done.as_planned_per_step
    per_log, written = np.moveaxis(by_log, -1, 0) if by_log.size else (0.0, 0.0)
    a["routine_as_planned_per_log"][i, :n] = per_log
    a["routine_as_planned_as_written"][i, :n] = np.clip(done.as_planned.value + written, 0.0, 1.0)
    for name in QUANTITIES:
        a[f"{name}_quantile"][i, :n] = done.quantile[name]
        a[f"{name}_quantile_lower"][i, :n] = done.quantile_lower[name]
        a[f"{name}_quantile_upper"][i, :n] = done.quantile_upper[name]
    for name in results.SAMPLES:
        values = getattr(sample, name)
        if values is not None:
            a[f"sample_{name}"][i, :n, at] = np.moveaxis(results.pack(name, values), 1, 0)


def _lay_limits(a: dict[str, Any], season: Season, used: UsedLimits, booked: list[Venue]) -> None:
    stated = curves_of(season)
    for f, figure in enumerate(season.routine.repertoire):
        a["figure_type"][f] = figure.figure
        a["figure_seconds"][f] = figure.seconds
        a["figure_crowd_value"][f] = figure.crowd_value
    for c, condition in enumerate(limits.CONDITIONS):
        for kind, curves in (("stated", stated), ("own", used.own), ("used", used.curves)):
            a[f"comfortable_{kind}"][:, c] = curves.comfortable[condition]
            a[f"limit_{kind}"][:, c] = curves.limit[condition]
        a["limit_reason"][~np.isnan(stated.limit[condition]), c] = "as the pilot states it"
    thin = list(limits.CONDITIONS).index("density_altitude")
    a["limit_derived"][:, thin] = used.derived
    a["limit_reason"][:, thin] = used.reasons
    a["routine_figures"][0, list(season.routine.full)] = 1
    for v, venue in enumerate(booked):
        if venue.act.ceiling_ft is not None:
            a["waiver_ceiling_comfortable"][v] = venue.act.ceiling_ft.comfortable * FT
            a["waiver_ceiling_limit"][v] = venue.act.ceiling_ft.limit * FT
        act = act_limits_of(season, venue)
        for c, cause in enumerate(limits.ACT_CAUSES):
            a["act_comfortable"][v, c] = act.comfortable.get(cause, np.nan)
            a["act_limit"][v, c] = act.limit.get(cause, np.nan)


def _lay_venue(a: dict[str, Any], v: int, outcome: _VenueOutcome, first_year: int) -> None:
    venue = outcome.venue
    a["venue_name"][v], a["venue_elevation"][v] = venue.name, venue.elevation
    a["venue_line_heading"][v] = venue.show_line.true_heading
    a["venue_crowd_on_right"][v] = venue.show_line.crowd_on_right
    a["venue_runway_heading"][v] = venue.runway_true_heading
    a["venue_timezone"][v] = venue.timezone
    a["venue_latitude"][v], a["venue_longitude"][v] = venue.latitude, venue.longitude
    a["venue_status"][v] = outcome.status
    a["venue_warnings"][v] = "\n".join(outcome.warnings)
    a["venue_gusts"][v] = outcome.gusts
    at_venue = a["booking_venue"] == venue.id
    trust = outcome.trust
    a["booking_trust"][at_venue] = (
        trust.sentence if trust else "No numbers to trust: there are no station hours."
    )
    a["booking_trust_grade"][at_venue] = trust.grade if trust else ""
    for place, ordered in enumerate(venue.stations):
        a["venue_station"][v, place] = f"{ordered.source} {ordered.id}"
        for g, group in enumerate(fallback.GROUPS):
            a["venue_station_share"][v, place, g] = outcome.shares.get((place, group), 0.0)
        a["venue_station_name"][v, place] = ordered.name or ordered.id
        a["venue_station_distance"][v, place] = great_circle(
            venue.latitude, venue.longitude, ordered.latitude, ordered.longitude
        )
        a["venue_station_elevation"][v, place] = ordered.elevation
    for place, read in enumerate(outcome.ordered):
        a["venue_station_status"][v, place] = read.status
        a["venue_station_invented"][v, place] = int(read.attrs.get("invented", 0))
        for name in ("licence", "attribution", "retrieved_at", "counts", "quality"):
            a[f"venue_station_{name}"][v, place] = str(read.attrs.get(name, ""))
        a["venue_station_first_year"][v, place] = read.first_year
        a["venue_station_last_year"][v, place] = read.last_year
        for j, name in enumerate(STATION_VARIABLES):
            a["venue_station_completeness"][v, place, j] = read.completeness.get(name, 0.0)
    station, attrs, years = outcome.station, outcome.attrs, outcome.years
    if station is None or attrs is None or years is None:
        return
    a["station_id"][v], a["station_source"][v] = station.id, station.source
    a["station_name"][v] = station.name or str(attrs.get("station_name", station.id))
    a["station_distance"][v] = great_circle(
        venue.latitude, venue.longitude, station.latitude, station.longitude
    )
    a["station_elevation"][v] = station.elevation
    a["station_invented"][v] = int(attrs.get("invented", 0))
    a["station_licence"][v] = str(attrs.get("licence", ""))
    a["station_attribution"][v] = str(attrs.get("attribution", ""))
    a["station_retrieved_at"][v] = str(attrs.get("retrieved_at", ""))
    a["station_digest"][v] = str(attrs.get("raw_sha256", ""))
    a["station_counts"][v] = str(attrs.get("counts", ""))
    a["station_quality"][v] = str(attrs.get("quality", ""))
    a["station_first_year"][v], a["station_last_year"][v] = years[0], years[-1]
    for j, name in enumerate(STATION_VARIABLES):
        a["station_completeness"][v, j] = outcome.completeness.get(name, 0.0)
    cycle = outcome.cycle
    a["station_trend_numerator"][v] = a["station_trend_denominator"][v] = 0.0
    if cycle is not None:
        a["station_trend"][v] = cycle.trend
        if cycle.trend != 0.0:
            at = cycle.years - first_year
            a["station_trend_numerator"][v, at] = cycle.numerator
            a["station_trend_denominator"][v, at] = cycle.denominator
    codes = np.concatenate([s.pressure_source.ravel() for *_, s, _, _ in outcome.days if s is not None])
    codes = codes[codes >= 0]
    if codes.size:
        a["station_pressure_share"][v] = np.bincount(codes, minlength=len(PRESSURE_SOURCES)) / codes.size


def _series(a: dict[str, Any], day: int, slot: int, venue: int) -> ranking.YearSeries:
    """The full routine's chance by year at one slot of one booking day."""
    return ranking.YearSeries(
        a["routine_as_planned_by_year"][day, slot, 0],
        a["routine_as_planned_per_trend"][day, slot, 0],
        a["station_trend_numerator"][venue],
        a["station_trend_denominator"][venue],
        a["routine_as_planned_per_log"][day, slot, 0],
    )


def _lay_bookings(a: dict[str, Any], season: Season, booked: list[Venue]) -> None:
    """Bookings ranked by the chance that the routine is flown as planned at the slot in discussion."""
    venue_row = {venue.id: v for v, venue in enumerate(booked)}
    nothing = np.full(a["booking_as_planned_by_year"].shape[1], np.nan)
    series = [ranking.YearSeries.without_trend(nothing)] * len(season.bookings)
    for b, booking in enumerate(season.bookings):
        a["booking_state"][b] = booking.state
        a["booking_fee"][b] = np.nan if booking.fee is None else booking.fee
        a["booking_costs"][b] = np.nan if booking.costs is None else booking.costs
        a["booking_length"][b] = booking.length_min
        days = [i for i, name in enumerate(a["day_booking"]) if name == booking.id]
        a["booking_status"][b] = next((str(s) for s in a["day_status"][days] if s != "ok"), "ok")
        if a["booking_status"][b] != "ok":
            continue
        venue = venue_row[booking.venue]
        chosen = [(i, int(a["day_offered_slot"][i])) for i in days]
        series[b] = ranking.YearSeries.mean([_series(a, i, s, venue) for i, s in chosen])
        a["booking_as_planned_by_year"][b] = series[b].by_year
        a["booking_as_planned_per_trend"][b] = series[b].per_trend
        a["booking_as_planned_per_log"][b] = series[b].per_log
        a["booking_as_planned_as_written"][b] = np.mean(
            [a["routine_as_planned_as_written"][i, s, 0] for i, s in chosen]
        )
        # The days of one booking share their weather in the sample, so their mean keeps a day's interval.
        for end in ("", "_lower", "_upper"):
            a[f"booking_as_planned{end}"][b] = np.mean(
                [a[f"routine_as_planned{end}"][i, s, 0] for i, s in chosen]
            )
        _lay_best_and_worst(a, b, days, venue)
    order, apart = ranking.rank(series, a["booking_as_planned"])
    told = [b for b in order if np.isfinite(a["booking_as_planned"][b])]
    a["booking_rank"][told] = np.arange(1, len(told) + 1)
    a["booking_told_apart"][:] = apart


def _askable(a: dict[str, Any], day: int, venue: int) -> npt.NDArray[np.bool_]:
    """Slots of a day that may be asked for, (slot,)."""
    n = int(a["day_slots"][day])
    utc = np.array([np.datetime64(str(t).removesuffix("Z")) for t in a["slot_utc"][day, :n]])
    _, elevation = sun.solar_position(utc, a["venue_latitude"][venue], a["venue_longitude"][venue])
    light = sun.daylight(elevation) == "day"
    return askable(a["slot_in_window"][day, :n] == 1, light, int(a["day_offered_slot"][day]))


def _lay_best_and_worst(a: dict[str, Any], b: int, days: list[int], venue: int) -> None:
    """Best and worst slot that may be asked for, over all days of the booking."""
    positions = {}
    wanted = [_askable(a, i, venue) for i in days]
    for s in np.flatnonzero(wanted[0]):
        name = a["slot_local"][days[0], s]
        each_day = [
            np.flatnonzero((a["slot_local"][i, : may.size] == name) & may)
            for i, may in zip(days, wanted, strict=True)
        ]
        if all(found.size == 1 for found in each_day):
            positions[str(name)] = [int(found[0]) for found in each_day]
    if not positions:
        return
    at = {n: list(zip(days, slots, strict=True)) for n, slots in positions.items()}
    value = {n: float(np.mean([a["routine_as_planned"][i, s, 0] for i, s in at[n]])) for n in at}
    # Of hours that are as good, or as bad, the one in discussion is named.
    offered = str(a["slot_local"][days[0], a["day_offered_slot"][days[0]]])
    best = max(value, key=lambda n: (value[n], n == offered))
    worst = min(value, key=lambda n: (value[n], n != offered))
    a["booking_best_slot"][b], a["booking_best_slot_as_planned"][b] = best, value[best]
    a["booking_worst_slot"][b], a["booking_worst_slot_as_planned"][b] = worst, value[worst]
    first, second = (
        ranking.YearSeries.mean([_series(a, i, s, venue) for i, s in at[n]]) for n in (best, worst)
    )
    a["booking_slots_told_apart"][b] = ranking.compare(first, second).told_apart
