"""From a season and its sampled air to its routines, and from these to what each booking needs.

Works on the samples that the results keep, so that every slot, booking and routine is judged on the same
air as everything else that is shown.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline import results
from pipeline.air import atmosphere as atm
from pipeline.air import climatology as clim
from pipeline.air.variables import FT, INHG
from pipeline.decisions import limits
from pipeline.decisions.forecast import THIN, estimate, planned_per_step, thinned
from pipeline.decisions.routines import (
    Repertoire,
    RoutinePlan,
    ShowHours,
    plan_on,
    plan_routines,
    reserves,
)
from pipeline.decisions.slots import routine_shares
from pipeline.errors import InputError

if TYPE_CHECKING:
    import xarray as xr

    from pipeline.flight.aircraft import Aircraft
    from pipeline.flight.figures import Figure as FlownFigure
    from pipeline.flight.rehearsal import Rehearsal
    from pipeline.flight_inputs import Link
    from pipeline.inputs import Season

__all__ = [
    "HomeAir",
    "SlotAirs",
    "home_air",
    "lay_routines",
    "practised_days",
    "repertoire_of",
    "routines_told",
]

FloatArray = npt.NDArray[np.floating]

LOW_CEILING = "low-ceiling"
_CHECKED = "attitude, direction, height, speed, energy and time, from figures.yaml and aircraft.yaml"
_HALF_CHECKED = (
    "attitude and direction only, by the trade's usual form of each figure: heights, speeds and energy need "
    "figures.yaml and aircraft.yaml"
)


# --- The repertoire ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class SlotAirs:
    """The airs that the papers of the season's shows are reckoned for; arrays (air,), each air once.

    Attributes
    ----------
    density_altitude, elevation
        [m]; the field's elevation stands for its pressure altitude.
    lift
        How much higher than planned the figures are flown, where a floor is above the pilot's [m].
    slot_seconds
        Length of the shortest slot in that air [s]; inf where every booking in it is passed.
    of_booking
        Which of them each booking is told in, by its name.
    """

    density_altitude: FloatArray
    elevation: FloatArray
    lift: FloatArray
    slot_seconds: FloatArray
    of_booking: Mapping[str, int] = field(default_factory=dict)

    @property
    def binds(self) -> npt.NDArray[np.bool_]:
        """Airs of bookings that are to be flown; all where none is."""
        held = np.isfinite(self.slot_seconds)
        return held if held.any() else ~held


def repertoire_of(season: Season, airs: SlotAirs) -> tuple[Repertoire, str]:
    """The season's figures and how they join, and what of the joins is checked.

    Parameters
    ----------
    season
        The season.
    airs
        In which a routine's length is told: what thin air adds to it is another in each.

    Raises
    ------
    InputError
        When the flight files have mistakes, or the full show does not join.
    """
    routine = season.routine
    figures = routine.repertoire
    names = tuple(f.name for f in figures)
    at = {name: i for i, name in enumerate(names)}
    seconds = np.array([f.seconds for f in figures])
    flown, links, follows, climbs, added, checked = _flown(season, seconds, airs)
    enters = np.array([f.entry_inverted for f in flown])
    leaves = np.array([f.exit_inverted for f in flown])
    if links is None:
        # Without the pilot's own links the full show is taken to join as it is.
        rolls = np.zeros(len(names), dtype=bool)
        before = False
        for choices in routine.places:
            for f in choices:
                if f >= 0:
                    rolls[f] = before != enters[f]
            before = bool(leaves[choices[0]])
        turned = np.zeros(len(names), dtype=bool)
        stated = {}
    else:
        turned = np.array([link.reverses for link in links])
        rolls = np.array([link.half_roll for link in links])
        stated = {
            f: link.enters_rightward for f, link in enumerate(links) if link.enters_rightward is not None
        }
    rep = Repertoire(
        names=names,
        places=routine.places,
        crowd_value=np.array([f.crowd_value for f in figures]),
        seconds=seconds,
        turns_before=turned,
        turns=np.array([f.reverses for f in flown]),
        rolls_before=rolls,
        enters_inverted=enters,
        leaves_inverted=leaves,
        follows=follows,
        climb_seconds=climbs,
        added_seconds=added,
        always=frozenset(at[name] for name in routine.always),
        never_both=tuple((at[a], at[b]) for a, b in routine.never_both),
        enters_rightward=stated,
    )
    return rep, checked


def _flown(
    season: Season, seconds: FloatArray, airs: SlotAirs
) -> tuple[list[FlownFigure], list[Link] | None, npt.NDArray[np.bool_], FloatArray, FloatArray, str]:
    """Figures as flown, their links, which may follow which, what thin air adds, and what is checked."""
    from pipeline.flight.aircraft import FieldAir
    from pipeline.flight.figures import LIBRARY
    from pipeline.flight.routine import Item, join_faults
    from pipeline.flight_inputs import low_ceiling_faults, season_flight, season_pairs

    figures = season.routine.repertoire
    flight = season_flight(season)
    n = len(figures)
    if flight is None:
        everywhere, nothing = np.ones((n, n), dtype=bool), np.zeros((n, n, airs.lift.size))
        return [LIBRARY[f.figure] for f in figures], None, everywhere, nothing, nothing[0], _HALF_CHECKED
    names = [f.name for f in figures]
    flown = [flight.figures[name] for name in names]
    links = [flight.links[name] for name in names]
    air = FieldAir(airs.density_altitude, airs.elevation)
    found = season_pairs(season, flight, names, seconds, air, airs.lift)
    full = season.routine.full
    before = [0.0, *found.link_seconds[list(full[:-1])]]
    faults = join_faults(
        [Item(flown[f], float(t), *links[f]) for f, t in zip(full, before, strict=True)], flight.aircraft
    )
    if faults:
        words = "; ".join(f"figure {i + 1}: {text}" for i, text in faults)
        raise InputError(f"The full show of {season.folder} does not join: {words}. Correct figures.yaml.")
    if lost := low_ceiling_faults(season, flight):
        words = "; ".join(f"figure {i + 1}: {text}" for i, text in lost)
        raise InputError(f"The low-ceiling show of {season.folder} does not join: {words}. Correct it.")
    return flown, links, found.joins, found.climb_seconds, found.added_seconds, _CHECKED


# --- The samples ------------------------------------------------------------------------------------


def _unpacked(a: Mapping[str, Any], day: int, slots: slice) -> dict[str, FloatArray]:
    """Samples of one booking day, (slot, year, day, hour offset), in single precision."""
    held = {}
    for name, (_, scale, _) in results.SAMPLES.items():
        packed = a[f"sample_{name}"][day, slots]
        held[name] = np.where(
            packed == results.MISSING, np.float32(np.nan), packed * np.float32(scale)
        ).astype(np.float32)
    return held


def _flies(
    a: Mapping[str, Any],
    season: Season,
    day: int,
    slots: slice,
    venue: int,
    air: Mapping[str, FloatArray],
    ceiling: tuple[float, float] | None = None,
) -> FloatArray:
    """Chance that the act flies, of the causes that are judged.

    With a `ceiling` minimum of its own it is the low-ceiling show's: only for hours whose ceiling is known
    to lie below the full show's comfortable one.
    """
    comfortable = dict(zip(limits.ACT_CAUSES, a["act_comfortable"][venue].astype(float), strict=True))
    limit = dict(zip(limits.ACT_CAUSES, a["act_limit"][venue].astype(float), strict=True))
    own = np.ones(air["wind_speed"].shape, dtype=bool)
    if ceiling is not None:
        judged = np.isfinite(a["act_out_by_cause"][day, slots, limits.ACT_CAUSES.index("ceiling")])
        own = judged[:, None, None, None] & (air["ceiling"] < comfortable["ceiling"])
        comfortable["ceiling"], limit["ceiling"] = ceiling
    given = limits.act_chances(
        {cause: air[cause] for cause in limits.ACT_CAUSES},
        {k: v for k, v in comfortable.items() if np.isfinite(v)},
        {k: v for k, v in limit.items() if np.isfinite(v)},
        thunder_stops=season.act.thunder == "stop",
        two_amber_is_red=season.pilot.two_amber_is_red,
    )
    result = np.ones(air["wind_speed"].shape)
    for c, cause in enumerate(limits.ACT_CAUSES):
        if cause in given:
            judged = np.isfinite(a["act_out_by_cause"][day, slots, c])[:, None, None, None]
            result = result * np.where(judged, 1.0 - given[cause], 1.0)
    return np.asarray(np.where(own | np.isnan(result), result, 0.0))


def _conditions(air: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    return limits.conditions_from_air(
        air["density_altitude"], air["toward_crowd"], air["along_line"], air["gust"], air["wind_speed"]
    )


def _low_ceiling_minimum(season: Season, venue_id: str) -> tuple[float, float] | None:
    """The low-ceiling show's ceiling minimum at a venue [m]: never below the venue's own waiver."""
    low = season.routine.low_ceiling
    if low is None:
        return None
    comfortable, limit = low.ceiling_ft.comfortable, low.ceiling_ft.limit
    waiver = season.venue(venue_id).act.ceiling_ft
    if waiver is not None:
        comfortable, limit = max(comfortable, waiver.comfortable), max(limit, waiver.limit)
    return comfortable * FT, limit * FT


# --- Choosing and laying ----------------------------------------------------------------------------


def lay_routines(
    empty: dict[str, Any],
    season: Season,
    full: limits.TiedChances,
    log_curves: Sequence[limits.Curves] = (),
) -> None:
    """Choose the season's routines and lay them into the season's arrays, wherever there is history.

    Parameters
    ----------
    empty
        As `results.new_results` gives it, every booking day laid with its samples and the full show.
    season
        The season.
    full
        Chances of the full show.
    log_curves
        Limits learned from the log a standard deviation along each direction of what is not known of them,
        and last the limits without the log; none where there is no log.
    """
    a = empty["arrays"]
    booking = {b.id: b for b in season.bookings}
    told = [i for i, status in enumerate(a["day_status"]) if status == "ok"]
    curves = limits.Curves(
        tuple(empty["coords"]["figure"]),
        {c: a["comfortable_used"][:, j] for j, c in enumerate(limits.CONDITIONS)},
        {c: a["limit_used"][:, j] for j, c in enumerate(limits.CONDITIONS)},
        season.pilot.two_amber_is_red,
    )
    wanted = [i for i in told if _weight(booking[a["day_booking"][i]]) > 0.0]
    airs = _slot_airs(a, season, empty["coords"]["quantile"], told)
    rep, checked = repertoire_of(season, airs)
    low = season.routine.low_ceiling
    low_figures = () if low is None else tuple(rep.names.index(name) for name in low.figures)
    plan = _plan(a, empty["coords"], season, wanted, rep, airs, curves, low_figures)
    _refuse_pins(season, plan)
    routines = list(plan.routines)
    labels, names = list(plan.labels), [season.routine.name, *(f"{n} show" for n in plan.labels[1:])]
    if low is not None:
        routines.append(low_figures)
        labels.append(LOW_CEILING)
        names.append(low.name)
    results.widen(empty, "routine", labels)
    results.widen(empty, "rehearsed", list(range(1, len(plan.frontier) + 1)))
    for r, routine in enumerate(routines):
        a["routine_name"][r] = names[r]
        a["routine_origin"][r] = "composed" if 0 < r < len(plan.routines) else "the pilot's"
        a["routine_figures"][r] = 0
        a["routine_figures"][r, list(routine)] = 1
        a["routine_position"][r, list(routine)] = np.arange(1, len(routine) + 1)
        a["routine_crowd_value"][r] = rep.value(routine)
        a["routine_seconds"][r] = float(rep.seconds[list(routine)].sum())
        lengths = rep.length(routine)
        a["routine_seconds_thin_air"][r] = lengths[airs.binds].max()
        for b, name in enumerate(empty["coords"]["booking"]):
            if name in airs.of_booking:
                a["booking_routine_seconds"][b, r] = lengths[airs.of_booking[name]]
    if low is not None:
        a["routine_ceiling_comfortable"][-1] = low.ceiling_ft.comfortable * FT
        a["routine_ceiling_limit"][-1] = low.ceiling_ft.limit * FT
    for count, given in enumerate(plan.frontier):
        for name, told_as in (
            ("frontier_crowd_value", given.value),
            ("frontier_further_change", given.further_change),
            ("frontier_gain", given.gain),
            ("frontier_further_change_gain", given.further_change_gain),
        ):
            for end, number in zip(("", "_lower", "_upper"), told_as, strict=True):
                a[name + end][count] = number
        a["frontier_routines"][count] = "\n".join(
            ", ".join(rep.names[f] for f in routine) for routine in given.routines[1:]
        )
    empty["attrs"] |= {
        "routine_candidates": plan.candidates,
        "routine_candidates_complete": int(plan.complete),
        "routine_crowd_value_expected": plan.value,
        "routine_crowd_value_could_lose": plan.could_lose,
        "routine_joins_checked": checked,
    }
    judged = [full] + [
        limits.TiedChances(curves.take(list(routine)), season.pilot.routine_correlation)
        for routine in routines[1:]
    ]
    stepped = [
        [
            limits.RoutineChance(other.take(list(routine)), correlation=season.pilot.routine_correlation)
            for routine in routines
        ]
        for other in log_curves
    ]
    venues = list(empty["coords"]["venue"])
    # Days are laid side by side, each into rows of its own: numpy lets go of the interpreter in long loops.
    with ThreadPoolExecutor(max_workers=2) as pool:
        for done in [
            pool.submit(_lay_day, empty, season, i, venues.index(a["day_venue"][i]), judged, stepped)
            for i in told
        ]:
            done.result()
    _lay_bookings(a, season)
    _lay_practice(a, season)


def _weight(booking: Any) -> float:
    return 0.0 if booking.state == "passed" else float(booking.weight)


def _slot_airs(
    a: Mapping[str, Any], season: Season, quantiles: Sequence[float], days: Sequence[int]
) -> SlotAirs:
    """What the slots in discussion are reckoned for, over all show days of a booking as on its papers."""
    from pipeline.flight.heights import reckoned_ft

    thin = int(np.argmin(np.abs(np.asarray(quantiles) - 0.9)))
    highs: dict[str, list[float]] = {}
    for i in days:
        high = float(a["density_altitude_quantile"][i, a["day_offered_slot"][i], thin])
        highs.setdefault(str(a["day_booking"][i]), []).append(high)
    shortest: dict[tuple[float, float, float], float] = {}
    told_in: dict[str, tuple[float, float, float]] = {}
    for booking in season.bookings:
        if booking.id not in highs:
            continue
        high = max(filter(np.isfinite, highs[booking.id]), default=0.0)
        venue = season.venue(booking.venue)
        air = (float(reckoned_ft(high)) * FT, venue.elevation, season.lift_ft(venue) * FT)
        told_in[booking.id] = air
        bound = 60.0 * booking.length_min if _weight(booking) > 0.0 else np.inf
        shortest[air] = min(shortest.get(air, np.inf), bound)
    shortest = shortest or {(0.0, 0.0, 0.0): np.inf}
    airs = list(shortest)
    density_altitude, elevation, lift = np.array(airs).T
    return SlotAirs(
        density_altitude,
        elevation,
        lift,
        np.array(list(shortest.values())),
        {name: airs.index(air) for name, air in told_in.items()},
    )


def _refuse_pins(season: Season, plan: RoutinePlan) -> None:
    """Refuse pins that hold a substitute of which no routine can be made."""
    full = {season.routine.repertoire[f].name for f in season.routine.full}
    pinned = [name for name in season.routine.always if name not in full]
    if pinned and plan.candidates == 1:
        raise InputError(
            f"No routine of {season.folder} joins with what always in routine.yaml asks for "
            f"({', '.join(season.routine.always)}). Take {' or '.join(pinned)} out of always, or give the "
            "places around it substitutes that it joins."
        )


def _plan(
    a: dict[str, Any],
    coords: Mapping[str, Any],
    season: Season,
    days: Sequence[int],
    rep: Repertoire,
    airs: SlotAirs,
    curves: limits.Curves,
    low: tuple[int, ...],
) -> RoutinePlan:
    booking = {b.id: b for b in season.bookings}
    venues = list(coords["venue"])
    columns: list[dict[str, FloatArray]] = []
    weight, flies, flies_low, of_year, of_day = [], [], [], [], []
    for n, i in enumerate(days):
        offered = int(a["day_offered_slot"][i])
        at, venue = slice(offered, offered + 1), venues.index(a["day_venue"][i])
        air = _unpacked(a, i, at)
        may = _flies(a, season, i, at, venue, air)
        minimum = _low_ceiling_minimum(season, a["day_venue"][i])
        conditions = _conditions(air)
        known = np.isfinite(may) & np.all([np.isfinite(c) for c in conditions.values()], axis=0)
        counts = clim.counted_years(known)
        # Every year counts alike, and every booking as it is weighted, however many days it has.
        held = booking[a["day_booking"][i]]
        per_year = known.sum(axis=(-2, -1), keepdims=True) * max(int(counts.sum()), 1)
        share = np.where(known & counts[..., None, None], 1.0 / np.maximum(per_year, 1), 0.0)
        columns.append({k: v.ravel() for k, v in conditions.items()})
        weight.append((share * _weight(held) / len(held.show_days)).ravel())
        flies.append(may.ravel())
        of_year.append(np.broadcast_to(np.arange(may.shape[1])[:, None, None], may.shape).ravel())
        of_day.append(np.full(may.size, n))
        flies_low.append(
            _flies(a, season, i, at, venue, air, minimum).ravel() if minimum else np.zeros(may.size)
        )
    empty = np.zeros(0)
    hours = ShowHours(
        {c: np.concatenate([row[c] for row in columns]) if columns else empty for c in limits.CONDITIONS},
        np.concatenate(weight) if weight else empty,
        np.concatenate(flies) if flies else empty,
        np.concatenate(flies_low) if flies_low else empty,
        np.concatenate(of_year) if of_year else None,
        np.concatenate(of_day) if of_day else None,
    )
    return plan_routines(
        rep,
        curves,
        hours,
        rehearse=season.routine.rehearse if days else 1,
        longest=airs.slot_seconds,
        shortest=60.0 * season.routine.shortest_min,
        low_ceiling=low or None,
        correlation=season.pilot.routine_correlation,
    )


def _warmer(density_altitude: FloatArray, elevation: float) -> FloatArray:
    """Density altitude with the air one kelvin warmer.

    The temperature is the one at which air of standard pressure at the elevation has that density: a
    pressure 1 % off moves the answer by 1 % of its 36 m.
    """
    density = atm.standard_density(density_altitude.astype(float))
    temperature = atm.standard_pressure(elevation) / (atm.R_DRY * density)
    return atm.altitude_at_density(density * temperature / (temperature + 1.0)).astype(np.float32)


def _lay_day(
    empty: dict[str, Any],
    season: Season,
    i: int,
    venue: int,
    judged: Sequence[limits.TiedChances],
    stepped: Sequence[Sequence[limits.RoutineChance]],
) -> None:
    """Lay one booking day: every routine but the full show as planned, and which is flown how often."""
    a = empty["arrays"]
    slots = slice(0, int(a["day_slots"][i]))
    air = _unpacked(a, i, slots)
    may = _flies(a, season, i, slots, venue, air)
    minimum = _low_ceiling_minimum(season, a["day_venue"][i])
    conditions = _conditions(air)
    n_days = air["density_altitude"].shape[2]
    r = np.maximum(
        clim.lag_one_correlation(air["density_altitude"]), clim.lag_one_correlation(air["wind_speed"])
    )
    days = clim.effective_days(float(n_days), r)
    warm: dict[str, FloatArray] = {}
    if len(judged) > 1:
        warm["density_altitude"] = _warmer(air["density_altitude"], float(a["venue_elevation"][venue]))
    numerator, denominator = a["station_trend_numerator"][venue], a["station_trend_denominator"][venue]
    years = np.asarray(empty["coords"]["year"])
    reach = (int(a["day_date"][i][:4]) - years).astype(float)
    variance = _trend_variance(numerator, denominator)
    da = limits.CAUSES.index("density_altitude")

    flown, flies, stricter = [], [], []
    for k, ties in enumerate(judged):
        low = minimum is not None and k == len(judged) - 1
        act = _flies(a, season, i, slots, venue, air, minimum) if low else may
        by_cause, *bounds = ties.by_cause(conditions) if k > 0 else (ties.stated.by_cause(conditions),)
        unchanged = np.prod(1.0 - by_cause, axis=0)
        flown.append(act * unchanged)
        flies.append(act)
        known = np.isfinite(flown[-1])
        mean = clim.YearMeans(known)
        go = mean(np.where(known, act, 0.0))
        stay = mean(np.where(known, flown[-1], 0.0))
        with np.errstate(invalid="ignore", divide="ignore"):
            a["routine_change_if_flown"][i, slots, k] = np.where(
                _over(go) > 0, 1.0 - _over(stay) / _over(go), np.nan
            )
        if k == 0:
            # The forecast has laid the full show.
            stricter += [s[0](thinned(conditions)) for s in stepped[:1]]
            continue
        rest = np.prod(1.0 - np.delete(by_cause, da, axis=0), axis=0)
        hot = act * rest * (1.0 - ties.stated.cause("density_altitude", warm))
        per_trend = (clim.year_means(hot) - stay) * reach
        error = variance * _over(per_trend) ** 2
        otherwise = [s[k](conditions) for s in stepped]
        stricter += [other[:, :, ::THIN] for other in otherwise[:1]]
        by_log = planned_per_step(act, by_cause, otherwise)
        log_error: FloatArray | float = 0.0
        if by_log.shape[-1]:
            log_error = by_log[:, 0] ** 2
            a["routine_as_planned_per_log"][i, slots, k] = by_log[:, 0]
            a["routine_as_planned_as_written"][i, slots, k] = np.clip(_over(stay) + by_log[:, 1], 0.0, 1.0)
        else:
            a["routine_as_planned_per_log"][i, slots, k] = 0.0
            a["routine_as_planned_as_written"][i, slots, k] = _over(stay)
        a["routine_as_planned_by_year"][i, slots, k] = stay
        a["routine_as_planned_per_trend"][i, slots, k] = per_trend
        held = estimate(stay, days, error, log_error)
        for end, values in (("", held.value), ("_lower", held.lower), ("_upper", held.upper)):
            a[f"routine_as_planned{end}"][i, slots, k] = values
        a["routine_change_by_cause"][i, slots, k] = _over(clim.year_means(by_cause)).T
        for bound, other in enumerate(bounds):
            held_back = np.where(known, act * np.prod(1.0 - other, axis=0), 0.0)
            a["routine_as_planned_range"][i, slots, k, bound] = _over(mean(held_back))
    shares = routine_shares(np.stack(flown), np.stack(flies), a["routine_crowd_value"])
    log_error, any_error = _shares_variance(flown, flies, stricter, a["routine_crowd_value"])
    held = estimate(np.moveaxis(shares.routine, 0, 1), days[:, None], log_variance=log_error)
    some = estimate(shares.unchanged, days, log_variance=any_error)
    for name, told in (("routine_flown", held), ("any_as_planned", some)):
        for end, values in (("", told.value), ("_lower", told.lower), ("_upper", told.upper)):
            a[f"{name}{end}"][i, slots] = values
    a["routine_none"][i, slots] = _over(shares.nothing)
    a["routine_flown_changed"][i, slots] = _over(shares.further_change)
    a["crowd_value_expected"][i, slots] = _over(shares.crowd_value)
    alone = shares
    if len(judged) > 1:
        alone = routine_shares(np.stack(flown[:1]), np.stack(flies[:1]), a["routine_crowd_value"][:1])
    a["crowd_value_full_alone"][i, slots] = _over(alone.crowd_value)


def _shares_variance(
    flown: Sequence[FloatArray],
    flies: Sequence[FloatArray],
    stricter: Sequence[FloatArray],
    crowd_value: FloatArray,
) -> tuple[FloatArray | float, FloatArray | float]:
    """Squared standard errors from the learned limits: of how often each routine is flown, and any unchanged.

    (slot, routine) and (slot,); `stricter` holds the chances of change by limits a standard deviation
    stricter, of the days looked at.
    """
    if not stricter:
        return 0.0, 0.0
    act = np.stack(flies)[:, :, :, ::THIN]
    base = routine_shares(np.stack(flown)[:, :, :, ::THIN], act, crowd_value)
    moved = routine_shares(act * (1.0 - np.stack(stricter)), act, crowd_value)
    return (
        np.asarray((np.nan_to_num(_over(moved.routine - base.routine)) ** 2).T),
        np.asarray(np.nan_to_num(_over(moved.unchanged - base.unchanged)) ** 2),
    )


def _over(by_year: FloatArray) -> FloatArray:
    """Mean over the years that count; NaN where none does."""
    held = np.isfinite(by_year)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(held, by_year, 0.0).sum(axis=-1) / held.sum(axis=-1))


def _trend_variance(numerator: FloatArray, denominator: FloatArray) -> float:
    """Squared standard error of the trend, by leaving out one year at a time; 0 where none is applied."""
    used = denominator > 0
    n = int(used.sum())
    if n < 2:
        return 0.0
    left = (numerator.sum() - numerator[used]) / (denominator.sum() - denominator[used])
    return float((n - 1) / n * np.sum((left - left.mean()) ** 2))


def _lay_bookings(a: dict[str, Any], season: Season) -> None:
    """Which routine a booking plans on at the slot in discussion, and its figures in reserve."""
    members = a["routine_figures"].astype(bool)
    for b, booking in enumerate(season.bookings):
        days = [i for i, name in enumerate(a["day_booking"]) if name == booking.id]
        if a["booking_status"][b] != "ok":
            continue
        at = [(i, int(a["day_offered_slot"][i])) for i in days]
        planned = np.mean([a["routine_as_planned"][i, s] for i, s in at], axis=0)
        changed = np.mean([a["routine_change_if_flown"][i, s] for i, s in at], axis=0)
        flown = np.mean([a["routine_flown"][i, s] for i, s in at], axis=0)
        a["booking_routine_flown"][b] = flown
        a["booking_routine_none"][b] = np.mean([a["routine_none"][i, s] for i, s in at])
        a["booking_routine_flown_changed"][b] = np.mean([a["routine_flown_changed"][i, s] for i, s in at])
        chosen = [r for r, name in enumerate(a["routine_origin"]) if name == "composed" or r == 0]
        r, kept = plan_on(planned[chosen] * a["routine_crowd_value"][chosen], changed[chosen])
        a["booking_plan_on"][b] = chosen[r] if r >= 0 else -1
        a["booking_plan_kept"][b] = int(kept)
        a["booking_reserve"][b] = reserves(members, np.nan_to_num(flown), int(a["booking_plan_on"][b]))


def _lay_practice(a: dict[str, Any], season: Season) -> None:
    from pipeline.decisions.practice import is_current

    a["routine_current"][:] = -1
    if season.practice is None:
        return
    names = [f.name for f in season.routine.repertoire]
    practised = practised_days(season)
    for i, day in enumerate(a["day_date"]):
        for r, members in enumerate(a["routine_figures"]):
            figures = [names[f] for f in np.flatnonzero(members)]
            show = dt.date.fromisoformat(str(day))
            a["routine_current"][i, r] = all(
                is_current(practised[f], show, season.practice.currency_days) for f in figures
            )


def practised_days(season: Season) -> dict[str, tuple[dt.date, ...]]:
    """Days on which each figure is practised, by name."""
    sessions = () if season.practice is None else season.practice.sessions
    return {
        f.name: tuple(s.date for s in sessions if s.figures == ("all",) or f.name in s.figures)
        for f in season.routine.repertoire
    }


# --- Telling ----------------------------------------------------------------------------------------


def routines_told(ds: xr.Dataset, season: Season | None) -> dict[str, Any]:
    """The season's routines as people read them: plain numbers, units in every name.

    Parameters
    ----------
    ds
        Results.
    season
        The season of the same folder, for its practice; None where it is not at hand.
    """
    from pipeline.decisions.practice import Demand, practice_plan
    from pipeline.flight.routine import over_slot

    a = {n: ds[n].to_numpy() for n in results.SCHEMA if results.SCHEMA[n].dtype != "packed"}
    labels = [str(v) for v in ds["routine"].to_numpy()]
    figures = [str(v) for v in ds["figure"].to_numpy()]

    def number(value: Any, digits: int) -> float | None:
        return None if not np.isfinite(value) else round(float(value), digits)

    def whole(seconds: float) -> int | None:
        return math.ceil(seconds - 1e-6) if math.isfinite(seconds) else None

    def order(r: int) -> list[str]:
        at = a["routine_position"][r]
        return [figures[f] for f in sorted(np.flatnonzero(at), key=lambda f: at[f])]

    full = order(0)
    routines = [
        {
            "routine": label,
            "name": str(a["routine_name"][r]),
            "origin": str(a["routine_origin"][r]),
            "figures": order(r),
            "left_out": [f for f in full if f not in order(r)],
            "taken_in": [f for f in order(r) if f not in full],
            "crowd_value": number(a["routine_crowd_value"][r], 1),
            "seconds": whole(a["routine_seconds"][r]),
            "seconds_in_the_thinnest_air": whole(a["routine_seconds_thin_air"][r]),
        }
        for r, label in enumerate(labels)
    ]
    longer = over_slot(a["booking_routine_seconds"], 60.0 * a["booking_length"][:, None])
    bookings, demands, not_judged = [], [], []
    for b, name in enumerate(str(v) for v in ds["booking"].to_numpy()):
        row: dict[str, Any] = {"booking": name, "status": str(a["booking_status"][b])}
        if row["status"] == "ok":
            planned = int(a["booking_plan_on"][b])
            flown = a["booking_routine_flown"][b]
            row |= {
                "flown": {label: number(flown[r], 4) for r, label in enumerate(labels)},
                "none": number(a["booking_routine_none"][b], 4),
                "in_words": _words(labels, flown, float(a["booking_routine_none"][b])),
                "further_change": number(a["booking_routine_flown_changed"][b], 4),
                "plan_on": labels[planned] if planned >= 0 else None,
                "seconds_on_its_card": {
                    label: whole(a["booking_routine_seconds"][b, r]) for r, label in enumerate(labels)
                },
                "longer_than_its_slot": {
                    label: whole(over)
                    for label, over in zip(labels, longer[b].tolist(), strict=True)
                    if over > 0
                },
                "plan_keeps_a_further_change_to_1_day_in_10": bool(a["booking_plan_kept"][b]),
                "reserve": [figures[f] for f in np.flatnonzero(a["booking_reserve"][b] == 2)],
            }
            days = [i for i in range(len(a["day_booking"])) if a["day_booking"][i] == name]
            row["current"] = {
                str(a["day_date"][i]): {
                    label: None if a["routine_current"][i, r] < 0 else bool(a["routine_current"][i, r])
                    for r, label in enumerate(labels)
                }
                for i in days
            }
            if str(a["booking_state"][b]) != "passed":
                needed = sorted(
                    {figures[f] for f in np.flatnonzero(a["booking_reserve"][b] > 0)}, key=figures.index
                )
                demands += [
                    Demand(f, dt.date.fromisoformat(str(a["day_date"][i])), name)
                    for i in days
                    for f in needed
                ]
        elif str(a["booking_state"][b]) != "passed":
            # Which figures are needed there is not known, nor then whether they are current.
            not_judged.append(name)
        bookings.append(row)
    told: dict[str, Any] = {
        "season": str(ds.attrs["season"]),
        "routines": routines,
        "bookings": bookings,
        "frontier": [
            {
                "routines_rehearsed": count + 1,
                **{
                    key + end: number(a[name + end][count], digits)
                    for key, name, digits in (
                        ("crowd_value_expected", "frontier_crowd_value", 3),
                        ("days_flown_with_a_further_change", "frontier_further_change", 4),
                        ("crowd_value_over_the_number_asked", "frontier_gain", 3),
                        ("further_change_over_the_number_asked", "frontier_further_change_gain", 4),
                    )
                    for end in ("", "_lower", "_upper")
                },
                "composed": [r for r in str(a["frontier_routines"][count]).split("\n") if r],
            }
            for count in range(ds.sizes["rehearsed"])
        ],
        "candidates": int(ds.attrs["routine_candidates"]),
        "all_that_join": bool(ds.attrs["routine_candidates_complete"]),
        "could_lose_crowd_value": number(ds.attrs["routine_crowd_value_could_lose"], 4),
        "joins_checked": str(ds.attrs["routine_joins_checked"]),
        "cautions": list(results.CAUTIONS),
        "practice": None,
    }
    if season is not None and season.practice is not None:
        plan = practice_plan(demands, practised_days(season), season.practice.currency_days)
        told["practice"] = {
            "currency_days": season.practice.currency_days,
            "refused": [
                {
                    "figure": r.figure,
                    "show": r.show.isoformat(),
                    "booking": r.booking,
                    "last": None if r.last is None else r.last.isoformat(),
                    "why": str(r),
                    "cure": r.cure,
                }
                for r in plan.refused
            ],
            "practise": [
                {
                    "by": s.day.isoformat(),
                    "from": s.earliest.isoformat(),
                    "figures": list(s.figures),
                    "for": list(s.bookings),
                }
                for s in plan.sessions
            ],
            "not_judged": not_judged,
            "rehearsal_air": _rehearsal(ds, season),
        }
    return told


def _words(labels: Sequence[str], flown: FloatArray, none: float) -> str:
    """Shares in days in ten, the commonest first; what rounds to none is left out."""
    rows = [(share, label) for share, label in zip(flown, labels, strict=True)]
    rows.append((none, "no show"))
    rows = sorted((r for r in rows if np.isfinite(r[0]) and r[0] >= 0.005), key=lambda r: -r[0])
    return ", ".join(f"{label} {results.days_in_ten(float(share))}" for share, label in rows)


@dataclass(frozen=True)
class HomeAir:
    """Home and the air that practice.yaml states for it.

    Attributes
    ----------
    name, elevation
        Of the home field; elevation in metres.
    altimeter_inhg, temperature_c, dew_point_c
        As stated.
    """

    name: str
    elevation: float
    altimeter_inhg: float
    temperature_c: float
    dew_point_c: float | None

    @property
    def density_altitude(self) -> float:
        """Of the home field in that air [m]."""
        pressure = atm.station_pressure_from_altimeter(self.altimeter_inhg * INHG, self.elevation)
        dew_point = None if self.dew_point_c is None else self.dew_point_c + 273.15
        return float(atm.density_altitude(pressure, self.temperature_c + 273.15, dew_point))

    def rehearsal(
        self, aircraft: Aircraft, density_altitude: FloatArray | float, elevation: float, floor: float
    ) -> Rehearsal:
        """Where at home the air of a show is found, as `pipeline.flight.rehearsal.rehearsal_base` [m]."""
        from pipeline.flight.rehearsal import rehearsal_base

        return rehearsal_base(
            aircraft,
            density_altitude,
            elevation,
            floor,
            home_elevation=self.elevation,
            home_altimeter_setting=self.altimeter_inhg * INHG,
            home_temperature=self.temperature_c + 273.15,
            home_dew_point=None if self.dew_point_c is None else self.dew_point_c + 273.15,
        )


def home_air(season: Season) -> HomeAir | None:
    """A season's home with its stated air; None where either is missing."""
    air = None if season.practice is None else season.practice.home_air
    if air is None or season.home is None:
        return None
    if isinstance(season.home, str):
        home = season.venue(season.home)
        name, elevation = home.name, home.elevation
    else:
        name, elevation = season.home.name, season.home.elevation_ft * FT
    return HomeAir(name, elevation, air.altimeter_inhg, air.temperature_c, air.dew_point_c)


def _rehearsal(ds: xr.Dataset, season: Season) -> list[dict[str, Any]]:
    """Where at home the thin air of each show is found, and what practice low at home proves about it.

    Empty without an aircraft and home air.
    """
    from pipeline.flight.heights import rounded_up_ft
    from pipeline.flight.rehearsal import practice_better_ft, practice_remark
    from pipeline.flight_inputs import season_flight

    home = home_air(season)
    flight = None if home is None else season_flight(season)
    if home is None or flight is None:
        return []
    rows = []
    thin = int(np.argmin(np.abs(ds["quantile"].to_numpy() - 0.9)))
    for i in range(ds.sizes["booking_day"]):
        da = float(ds["density_altitude_quantile"][i, int(ds["day_offered_slot"][i]), thin])
        if (
            not np.isfinite(da)
            or str(ds["booking_state"].sel(booking=str(ds["day_booking"][i].item())).item()) == "passed"
        ):
            continue
        venue = season.venue(str(ds["day_venue"][i].item()))
        floor = season.floor_agl_ft(venue) * FT
        found = home.rehearsal(flight.aircraft, da, venue.elevation, floor)
        # Nobody practises under the floor because the air is thin enough there.
        raised = float(found.base_height) > floor
        rows.append(
            {
                "booking": str(ds["day_booking"][i].item()),
                "date": str(ds["day_date"][i].item()),
                "show_density_altitude_high_ft": round(da / FT),
                "base_above_home_ft": math.ceil(float(found.base_height) / FT) if raised else None,
                "needle_ft": int(rounded_up_ft(found.needle)) if raised else None,
                "altimeter_inhg": home.altimeter_inhg,
                "remark": found.remark
                if raised
                else "at home it is thin enough over the usual floor already",
                "low_at_home": practice_remark(home.density_altitude, da),
                "low_at_home_better_by_ft": practice_better_ft(home.density_altitude, da),
            }
        )
    return rows
