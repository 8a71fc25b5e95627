"""Which show today: one reading held against the limits and the past, in the units of the cockpit.

Composition only: it reads the results and calls `pipeline.decisions`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline.air import climatology as clim
from pipeline.air import persistence
from pipeline.air.variables import FT, KT
from pipeline.briefing import (
    DayAir,
    booking_day,
    curves_used,
    day_air,
    gusts_of,
    routine_chances,
    shows_of,
    venue_row,
)
from pipeline.decisions import limits
from pipeline.decisions import today as day
from pipeline.decisions.today import AirNow, Answer, Reading, ShowState
from pipeline.flight.rehearsal import practice_remark
from pipeline.results import CAUSES_SAID, in_100

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "COMPARED",
    "GUST_NOT_CARRIED",
    "OF_THE_SLOT_HOURS",
    "PROVES_LESS",
    "READ_AGAIN",
    "STALE_HOURS",
    "WORDS",
    "Against",
    "Carried",
    "TodayAnswer",
    "carrier_of",
    "climbs_told",
    "compared_words",
    "past_hour",
    "today_answer",
    "today_text",
]

WORDS: dict[str, str] = {
    "density_altitude": "density altitude",
    "wind_toward_crowd": "wind on the crowd",
    "wind_across_line": "wind across the line",
    "wind_along_line": "wind along the line",
    "gust": "gusts",
    "gust_spread": "gust spread",
    **{cause: CAUSES_SAID[cause] for cause in limits.ACT_CAUSES},
}
"""What bites, as people say it."""

COMPARED: dict[str, tuple[str, float]] = {
    "density_altitude": ("density altitude, ft", FT),
    "toward_crowd": ("wind toward the crowd, kt", KT),
    "gust": ("gust peak, kt", KT),
}
"""What of a reading is held against the slot's past, in words with its unit, and that unit."""

FloatArray = npt.NDArray[np.floating]

GUST_NOT_CARRIED = (
    "Gusts are not carried to the slot: too few past days hold them at the hour of the reading."
)
READ_AGAIN = (
    "This is the air of the reading, not of the slot: read again before you start up. "
    "A terminal forecast, where there is one, is better than any reading for the hours ahead."
)
OF_THE_SLOT_HOURS = 0.25
"""A reading this near to the slot, or later, is of the slot itself."""
STALE_HOURS = 2.0
"""A reading so much older than now, or later than the slot, is remarked on."""
PROVES_LESS = 100.0 * FT
"""Thinner by so much, the slot's air has an answer of its own [m]."""


@dataclass(frozen=True)
class Against:
    """A reading beside the sampled hours of the slot.

    Attributes
    ----------
    quantity
        What is compared, with its unit.
    now, median, high
        The reading, and the slot's median and 1-in-10 high.
    share_below
        Share of the sampled hours below the reading.
    """

    quantity: str
    now: float
    median: float
    high: float
    share_below: float


@dataclass(frozen=True)
class Carried:
    """A reading carried to the slot by the past's own errors.

    Attributes
    ----------
    quantity
        What is carried, with its unit.
    median, low, high
        At the slot, and what 1 day in 10 is below and above.
    lead_hours
        From the reading to the slot.
    share
        How much of today's departure lasts, 0 to 1 as a rule; NaN for gusts after a reading without one.
    """

    quantity: str
    median: float
    low: float
    high: float
    lead_hours: float
    share: float


@dataclass(frozen=True)
class TodayAnswer:
    """Which show, and why, in the units of the cockpit.

    Attributes
    ----------
    show
        The routine to fly first; empty where there is none.
    headline
        The answer in one sentence; in two where the reading is of the hours before, in air that is thicker.
    slot_local
        The slot that the reading is held against.
    carried
        The reading carried to the slot; empty where it cannot be.
    notes
        What the reading leaves open, and what is better than it.
    stale
        The note of the reading's age where it is older than two hours; empty where it is not.
    """

    booking: str
    place: str
    date: str
    invented: bool
    show: str
    headline: str
    pressure_altitude_ft: float
    density_altitude_ft: float
    density_altitude_dry_ft: float
    temperature_c: float
    headwind_kt: float
    crosswind_kt: float
    crosswind_in_gust_kt: float
    toward_crowd_kt: float
    along_line_kt: float
    gust_low_kt: float
    gust_high_kt: float
    slot_local: str
    compared: tuple[Against, ...]
    carried: tuple[Carried, ...]
    answer: Answer
    notes: tuple[str, ...]
    stale: str


def _named(causes: Sequence[str]) -> str:
    return ", ".join(WORDS[c] for c in causes)


def climbs_told(show: ShowState) -> str:
    """What a show's top says of the ceiling; empty where it clears it, or either is not known."""
    if show.under is None:
        return ""
    top, ceiling = show.under
    return f"climbs to {top / FT:,.0f} ft above the field, the ceiling is {ceiling / FT:,.0f} ft"


def _headline(answer: Answer) -> str:
    if answer.no_show:
        return f"No show: {_named(answer.no_show)}."
    if not answer.show:
        return "No rehearsed show fits this air: every one holds a figure at or beyond its limit."
    state = next(s for s in answer.shows if s.name == answer.show)
    act = [c for c, held in answer.act.items() if held == day.THINK]
    line = f"{answer.show[:1].upper()}{answer.show[1:]} show"
    if state.chance >= 0.05:
        line += f", though in such air something in it is changed {in_100(state.chance)} times in 100"
    if state.doubtful:
        line += f"; think about {', '.join(state.doubtful)}"
    if act:
        line += f"; for the whole act think about {_named(act)}"
    return line + "."


def today_answer(
    ds: xr.Dataset,
    booking: str,
    reading: Reading,
    *,
    date: str | None = None,
    lapse_rate: float,
    thunder_stops: bool,
    two_amber_is_red: bool,
    tops: Mapping[str, float] | None = None,
    now: np.datetime64 | None = None,
    air: DayAir | None = None,
    routines: Sequence[limits.RoutineChance] | None = None,
) -> TodayAnswer:
    """Hold one reading against the limits, and against such hours in the past.

    Parameters
    ----------
    ds
        Results.
    booking, date
        Which day; the booking's first when no date is given.
    reading
        From `pipeline.observed`.
    lapse_rate
        From station to show site [K m-1].
    thunder_stops, two_amber_is_red
        As the season states.
    tops
        Greatest height of each show above the field [m], from `pipeline.paperwork.show_tops`; a show that is
        not in it is not held against the ceiling by its height.
    now
        UTC; tells how old the reading is. None does not tell.
    air, routines
        From `day_air` and `routine_chances`, where they are at hand.
    """
    row = booking_day(ds, booking, date)
    venue = venue_row(ds, row)
    judges = routine_chances(ds) if routines is None else routines
    held = day_air(ds, row, judges) if air is None else air
    elevation = float(ds.variables["venue_elevation"].to_numpy()[venue])
    over = day.air_now(
        reading,
        elevation=elevation,
        runway_true_heading=float(ds.variables["venue_runway_heading"].to_numpy()[venue]),
        line_true_heading=float(ds.variables["venue_line_heading"].to_numpy()[venue]),
        crowd_on_right=bool(ds.variables["venue_crowd_on_right"].to_numpy()[venue]),
        lapse_rate=lapse_rate,
    )
    causes = [str(c) for c in ds.variables["act_cause"].to_numpy()]
    low, high = ds.variables["act_comfortable"].to_numpy()[venue], ds.variables["act_limit"].to_numpy()[venue]
    stated = [k for k in range(len(causes)) if np.isfinite(high[k])]

    shows = [
        replace(show, top=({} if tops is None else tops).get(show.name, float("nan")))
        for show in shows_of(ds, venue)
    ]

    def judged(air: AirNow) -> Answer:
        return day.judge(
            reading,
            air,
            curves_used(ds),
            shows,
            judges,
            act_comfortable={causes[k]: float(low[k]) for k in stated},
            act_limit={causes[k]: float(high[k]) for k in stated},
            thunder_stops=thunder_stops,
            two_amber_is_red=two_amber_is_red,
        )

    answer = judged(over)
    headline = _headline(answer)
    slot = int(ds.variables["day_offered_slot"].to_numpy()[row])
    known_da = over.density_altitude if np.isfinite(over.density_altitude) else over.density_altitude_dry
    gusts = gusts_of(ds, row)
    # Gusts in print are what the past holds, the wind where none was; estimated gusts are no such thing.
    unlike = gusts == "estimated" and np.isnan(reading.gust)
    gust = float("nan") if unlike else over.gust_low
    compared = []
    for (name, (_, unit)), value in zip(COMPARED.items(), (known_da, over.toward_crowd, gust), strict=True):
        past = held.sampled[name][slot]
        median, tenth = clim.quantiles(past.ravel(), [0.5, 0.9])
        compared.append(
            Against(
                compared_words(name, gusts),
                value / unit,
                float(median) / unit,
                float(tenth) / unit,
                day.share_below(past, value),
            )
        )
    utc = np.datetime64(str(ds.variables["slot_utc"].to_numpy()[row, slot]).removesuffix("Z"))
    carried, uncarried = _carry(ds, row, utc, reading, over)
    start = str(ds.variables["slot_local"].to_numpy()[row, slot])
    ahead = [c.median * FT for c in carried if c.quantity == COMPARED["density_altitude"][0]]
    # Without a carried reading the slot's usual air stands for the show's.
    show_da = ahead[0] if ahead else compared[0].median * FT
    practice = []
    if (reading.instant is None or reading.instant < utc) and show_da - known_da >= PROVES_LESS:
        remark = practice_remark(known_da, show_da, f"the show at {start}")
        practice.append(f"If you practise in the air of this reading: {remark}.")
        # The air of the slot will be thinner: what that leaves of the answer belongs beside it. Of a sky that
        # allows no show it leaves nothing.
        if not answer.no_show:
            then = judged(over.thinner(show_da))
            headline += (
                f" That is for the air of this reading. At {start}, in about "
                f"{100 * math.ceil(show_da / FT / 100.0 - 1e-6):,} ft of density altitude and this wind: "
                f"{_headline(then)}"
            )
    return TodayAnswer(
        booking=booking,
        place=str(ds.variables["venue_name"].to_numpy()[venue]),
        date=str(ds.variables["day_date"].to_numpy()[row]),
        invented=bool(ds.attrs["invented"]),
        show=answer.show,
        headline=headline,
        pressure_altitude_ft=over.pressure_altitude / FT,
        density_altitude_ft=over.density_altitude / FT,
        density_altitude_dry_ft=over.density_altitude_dry / FT,
        temperature_c=over.temperature - 273.15,
        headwind_kt=over.headwind / KT,
        crosswind_kt=over.crosswind / KT,
        crosswind_in_gust_kt=over.crosswind_in_gust / KT,
        toward_crowd_kt=over.toward_crowd / KT,
        along_line_kt=over.along_line / KT,
        gust_low_kt=over.gust_low / KT,
        gust_high_kt=over.gust_high / KT,
        slot_local=start,
        compared=tuple(compared),
        carried=carried,
        answer=answer,
        notes=(*_notes(reading, over, elevation, answer, now), *practice, *uncarried),
        stale=_age_told(hours) if (hours := _age_hours(reading, now)) > STALE_HOURS else "",
    )


def _carry(
    ds: xr.Dataset, row: int, utc: np.datetime64, reading: Reading, over: AirNow
) -> tuple[tuple[Carried, ...], list[str]]:
    """Carry the reading to the slot; or say why it is not carried."""
    if reading.instant is None:
        return (), ["The reading has no time, so it is not carried to the slot."]
    lead = float((utc - reading.instant) / np.timedelta64(1, "s")) / 3600.0
    if lead < -STALE_HOURS:
        start = str(ds.variables["slot_local"].to_numpy()[row, int(ds.variables["day_offered_slot"][row])])
        return (), [f"Read {-lead:.1f} hours after the slot at {start}: is it the right day?"]
    if lead < OF_THE_SLOT_HOURS:
        return (), []
    if lead - past_hour(utc) > persistence.LEADS[-1]:
        return (), [f"Read more than {persistence.LEADS[-1]} hours before the slot: it is not carried."]
    gusts = gusts_of(ds, row)
    # What a reading without a gust holds is its wind.
    of_gusts = "unreported_gust" if np.isnan(reading.gust) else "gust"
    told = {}
    for name, carrier, value, carry in (
        ("density_altitude", "density_altitude", over.density_altitude, persistence.carried),
        ("gust", of_gusts, over.gust_low, persistence.carried_speed),
    ):
        quantiles, lasts = carry(value, *carrier_of(ds, row, carrier), max(lead - past_hour(utc), 0.0))
        if np.isfinite(quantiles).all():
            low, median, high = (float(q) / COMPARED[name][1] for q in quantiles)
            # Of a wind that stands for its gust no departure lasts: it is another quantity.
            share = float("nan") if carrier == "unreported_gust" else lasts
            told[name] = Carried(compared_words(name, gusts), median, low, high, lead, share)
    if not told and np.isfinite(over.density_altitude):
        return (), [
            "Too few past days hold this hour and the slot's: the reading is not carried to the slot."
        ]
    lacking = told and "gust" not in told and np.isfinite(over.gust_low)
    return tuple(told.values()), [GUST_NOT_CARRIED] if lacking else []


def compared_words(name: str, gusts: str) -> str:
    """What of a reading is compared or carried, with its unit; gusts that are estimated say so.

    Parameters
    ----------
    name
        Key of `COMPARED`.
    gusts
        What the venue's gusts are, as the results tell.
    """
    return ("estimated " if name == "gust" and gusts == "estimated" else "") + COMPARED[name][0]


def past_hour(utc: np.datetime64) -> float:
    """How much of an hour has passed at an instant [hour]; what carries a reading counts from the hour."""
    return float((utc - utc.astype("datetime64[h]")) / np.timedelta64(1, "s")) / 3600.0


def carrier_of(ds: xr.Dataset, row: int, name: str) -> tuple[FloatArray, FloatArray]:
    """What carries a quantity to a day's slot in discussion: its share, and low, median and high of the rest.

    Of "density_altitude", "gust", or "unreported_gust" for the gust after a reading without one; as
    `pipeline.air.persistence.carried` takes them, (lead,) and (lead, quantile).
    """
    at = [int(np.argmin(np.abs(ds.variables["quantile"].to_numpy() - q))) for q in (0.1, 0.5, 0.9)]
    share, rest = (ds.variables[f"{name}_carried_{part}"].to_numpy()[row] for part in ("share", "rest"))
    return share, rest[:, at]


def _age_hours(reading: Reading, now: np.datetime64 | None) -> float:
    if now is None or reading.instant is None:
        return float("nan")
    return float((now - reading.instant) / np.timedelta64(1, "m")) / 60.0


def _age_told(hours: float) -> str:
    told = f"{hours / 24.0:.1f} days" if hours > 24.0 else f"{hours:.1f} hours"
    return f"The reading is {told} old."


def _notes(
    reading: Reading, over: AirNow, elevation: float, answer: Answer, now: np.datetime64 | None
) -> list[str]:
    """What the reading leaves open, in plain sentences."""
    notes = []
    if not np.isfinite(over.density_altitude):
        notes.append(
            f"No dew point: dry air gives {over.density_altitude_dry / FT:,.0f} ft, air at its dampest "
            f"{over.density_altitude_saturated / FT:,.0f} ft."
        )
    if np.isnan(reading.wind_speed):
        notes.append("No wind in the reading: nothing here speaks for the wind. Look at the windsock.")
    elif np.isnan(reading.gust) and over.gust_high > over.gust_low:
        notes.append(
            "No gust in the reading is not a gust of zero: it may reach "
            f"{over.gust_high / KT:.0f} kt without being reported."
        )
    if reading.peak > np.fmax(reading.gust, reading.wind_speed):
        notes.append(
            f"By its remarks the wind reached {reading.peak / KT:.0f} kt since the report before; what "
            "is judged is the wind and gust of the report."
        )
    if np.isnan(reading.wind_from) and reading.wind_speed > 0:
        notes.append("A wind without a direction is counted in full on the crowd and across the runway.")
    if reading.sector is not None:
        notes.append(
            f"The wind varies from {reading.sector[0]:03.0f}° to {reading.sector[1]:03.0f}°: the worst of it "
            "is taken."
        )
    if answer.act_unknown:
        notes.append(f"Not in the reading, so not cleared: {_named(answer.act_unknown)}.")
    if abs(reading.station_elevation - elevation) > 30.0 * FT:
        notes.append(
            f"The temperature is carried from {reading.station_elevation / FT:,.0f} ft to "
            f"{elevation / FT:,.0f} ft by the lapse rate."
        )
    if reading.trend not in ("", "NOSIG"):
        notes.append(f"The report's own forecast is not judged here, read it: {reading.trend}.")
    hours = _age_hours(reading, now)
    if hours > 1.5:
        notes.append(_age_told(hours))
    elif hours < -0.25:
        notes.append("The reading is stamped later than this machine's clock: check both.")
    return [*notes, READ_AGAIN]


def today_text(told: TodayAnswer, cautions: tuple[str, ...]) -> str:
    """The answer as text."""
    lines = [f"{told.place}, {told.date}", f"WHICH SHOW: {told.headline}", ""]
    if told.invented:
        lines.insert(1, "INVENTED: demonstration season, no such place.")

    def row(words: str, value: float, unit: str) -> str:
        return f"  {words:<34}" + (
            f"{round(value):>8,} {unit}" if np.isfinite(value) else "       – not observed"
        )

    lines += [
        row("pressure altitude", told.pressure_altitude_ft, "ft"),
        row("density altitude", told.density_altitude_ft, "ft"),
        row("density altitude, dry air", told.density_altitude_dry_ft, "ft"),
        row("runway headwind, negative from behind", told.headwind_kt, "kt"),
        row("runway crosswind", told.crosswind_kt, "kt"),
        row("wind toward the crowd", told.toward_crowd_kt, "kt"),
        row("wind along the line", told.along_line_kt, "kt"),
        row("gust peak, at least", told.gust_low_kt, "kt"),
        row("gust peak, at most", told.gust_high_kt, "kt"),
        "",
        f"Beside past hours at {told.slot_local}:",
    ]
    for beside in told.compared:
        if np.isfinite(beside.now):
            lines.append(
                f"  {beside.quantity}: now {round(beside.now):,}, median {round(beside.median):,}, "
                f"1 in 10 above {round(beside.high):,}; higher than {in_100(beside.share_below)} in 100 of "
                "them"
            )
    for later in told.carried:
        lines.append(
            f"  carried to {told.slot_local} ({later.lead_hours:.1f} h): {later.quantity} "
            f"{later.median:,.0f}, 8 days in 10 between {later.low:,.0f} and {later.high:,.0f}"
        )
    lines += ["", "Shows:"]
    for show in told.answer.shows:
        words = day.STATES[show.state]
        detail = [f"out: {', '.join(show.out)}"] if show.out else []
        detail += [f"think about: {', '.join(show.doubtful)}"] if show.doubtful else []
        detail += [climbs] if (climbs := climbs_told(show)) else []
        lines.append(f"  {show.name:<14} {words}" + (f" ({'; '.join(detail)})" if detail else ""))
    lines += ["", "Figures:"]
    for figure in told.answer.figures:
        why = ", ".join(
            WORDS[c] + (" not observed" if c in figure.unknown else "") for c, _ in figure.reasons
        )
        lines.append(f"  {figure.name:<28} {day.STATES[figure.state]}" + (f" ({why})" if why else ""))
    lines += ["", *told.notes, "", *cautions]
    return "\n".join(lines)
