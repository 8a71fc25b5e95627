"""A figure in thin air: one figure over density altitude, at sea level and at a booking, with its gates."""

from __future__ import annotations

import math
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st

from dashboard import charts_flight, flight, frame, markup, whatif, words, writeback
from dashboard.flight import FigureAir, Prepared, SlotAir
from dashboard.season import BookingRow, Day, Season, Slot, load_season
from pipeline import season_edit
from pipeline.air.variables import FT, KT
from pipeline.decisions.limits import NEVER_FLOWN
from pipeline.derived import capped
from pipeline.errors import InputError
from pipeline.flight.heights import needle_reading, not_over_ft, rounded_up_ft
from pipeline.flight.inhand import Cushions, DerivedLimit, Gate, InHand, drift, off_take_off, story, verdict
from pipeline.flight.motion import entry_speed_at
from pipeline.flight.runway import credited_headwind, take_off_distance
from pipeline.settings import in_digits

_MEANS = {
    "in": "both cushions are there",
    "thin": "flown, but a cushion is used up",
    "out": "not to be flown",
}


def _in_hand(air: FigureAir, hand: InHand, index: tuple[int, ...], verdict: str, held: Prepared) -> str:
    """Verdict with what is in hand, or why there is nothing: a clause of HTML."""
    if verdict == "out":
        why = story(air.figure, hand, held.flight.aircraft, index).removeprefix(f"{air.figure.name}: ")
        if why.startswith("flown"):
            why = "below the floor after its recovery"
        return f"<b>out</b> ({escape(why)})"
    told = f"{words.number(words.down(float(hand.height[index]), FT), 'ft')} of height in hand"
    speed = float(hand.speed[index])
    told += (
        f" and {words.number(words.down(speed, KT), 'kt')} of speed"
        if math.isfinite(speed)
        else " and no stall to come near"
    )
    return f"<b>{verdict}</b>, with {told}"


def _limit_ft(season: Season, name: str) -> float:
    """Density altitude at and beyond which the figure is never flown, rounded down.

    inf without a limit, -inf for a figure that is never flown at all.
    """
    if name not in season.figures:
        return math.inf
    k = season.conditions.index("density_altitude")
    limit = float(season.values["limit_used"][season.figures.index(name), k])
    if limit <= NEVER_FLOWN:
        return -math.inf
    used = words.down(limit, FT)
    return used if math.isfinite(used) else math.inf


def _ruled_out(limit_ft: float) -> str:
    """Why a figure is ruled out at or above its limit, in words."""
    if limit_ft == -math.inf:
        return "out: a cushion is used up at sea level already"
    return f"at or above your limit in use, {words.number(limit_ft, 'ft')}"


def _answer(
    season: Season,
    booking: BookingRow,
    day: Day,
    slot: Slot,
    air: FigureAir,
    slot_air: SlotAir,
    held: Prepared,
) -> list[str]:
    name = escape(air.figure.name)
    curves = air.sheet.curves
    sea = _in_hand(air, air.sheet.sea_level, (), air.at_sea_level, held)
    lines = []
    if math.isfinite(slot_air.median):
        told = []
        for da, when in (
            (slot_air.median, "at this slot’s median"),
            (slot_air.high, "at what one day in ten exceeds"),
        ):
            i = flight.position(air.grid_ft, da)
            told.append(
                f"{when} ({words.number(da, 'ft')} density altitude) "
                f"{_in_hand(air, curves, (i,), str(air.verdicts[i]), held)}"
                + (", yet <b>past your limit</b>" if da >= _limit_ft(season, air.figure.name) else "")
            )
        lines.append(
            f"{name} at {escape(booking.place)}, <b>{slot.local}</b> on {escape(words.date(day.date))}: "
            f"{'; '.join(told)}. At sea level {sea}."
        )
    else:
        lines.append(
            f"No density altitude is known for this slot: not enough history. {name} at sea level: {sea}. "
            "Move the slider below."
        )
    if air.figure.name in season.figures:
        f = season.figures.index(air.figure.name)
        k = season.conditions.index("density_altitude")
        used = _limit_ft(season, air.figure.name)
        reason = str(season.values["limit_reason"][f, k])
        if used < math.inf:
            cause = season.causes.index("density_altitude")
            often = float(season.values["figure_change_by_cause"][day.index, slot.position, f, cause])
            at = "" if used == -math.inf else f" at or above <b>{words.number(used, 'ft')}</b>"
            line = f"Limit in use: never flown{at} ({escape(reason)})."
            if math.isfinite(often):
                line += (
                    f" Dropped or trimmed for density altitude at this slot {escape(words.chance(often))}."
                )
            lines.append(line)
        else:
            lines.append(
                "No limit in density altitude is in use for it"
                + (f": {escape(reason)}." if reason else ": none is stated.")
            )
    lines.append(
        "Reckoned from the numbers in aircraft.yaml and figures.yaml, not flown. <b>In</b>: both cushions "
        f"({words.number(held.flight.cushions.height / FT, 'ft')}, "
        f"{words.number(held.flight.cushions.speed / KT, 'kt')}) are there. <b>Thin</b>: one is used up. "
        "<b>Out</b>: it cannot be flown so."
    )
    return lines


def _path(hand: InHand, index: tuple[Any, ...], name: str) -> list[dict[str, Any]]:
    flown = hand.flown
    along, above, speed = (
        np.asarray(a[(slice(None), *index)])
        for a in (flown.distance, flown.height, flown.equivalent_airspeed)
    )
    return [
        {"air": name, "along": float(x) / FT, "above": float(h) / FT, "speed": float(v) / KT, "order": i}
        for i, (x, h, v) in enumerate(zip(along, above, speed, strict=True))
        if math.isfinite(x) and math.isfinite(h)
    ]


def _numbers(air: FigureAir, i: int, box_ft: float | None) -> list[dict[str, str]]:
    """What is in hand and what it takes, at sea level and in the slider's air."""
    of_box = "" if box_ft is None else f", of a box of {words.number(box_ft)}"
    sea, here = air.sheet.sea_level, air.sheet.curves
    rows = []
    for label, name, scale, digits, rounded in (
        ("Height in hand above the floor [ft]", "height", FT, 0, words.down),
        ("Speed in hand over the loaded stall [kt]", "speed", KT, 0, words.down),
        ("Lowest, above the field [ft]", "lowest", FT, 0, words.down),
        ("Highest, above the field [ft]", "highest", FT, 0, words.up),
        ("Greatest load factor [g]", "greatest_load_factor", 1.0, 1, words.up),
        ("Least load factor [g]", "least_load_factor", 1.0, 1, words.down),
        ("Fastest, indicated [kt]", "fastest", KT, 0, words.up),
        ("Energy height spent [ft]", "energy_height_spent", FT, 0, words.up),
        ("Time [s]", "seconds", 1.0, 0, words.up),
        (f"Length along the show line, still air{of_box} [ft]", "ground_covered", FT, 0, words.up),
    ):
        pair = [float(getattr(sea, name)), float(getattr(here, name)[i])]
        tens = 10**digits
        shown = [rounded(v, scale / tens) / tens for v in pair]
        change = shown[1] - shown[0]
        sign = "+" if round(change, digits) > 0 else ""
        told = [
            flight.speed_in_hand(v) if name == "speed" else words.number(s, digits=digits)
            for v, s in zip(pair, shown, strict=True)
        ]
        rows.append(
            {
                "what": label,
                "sea": told[0],
                "here": told[1],
                "change": sign + words.number(change, digits=digits),
            }
        )
    return rows


def _needle(height: float, elevation: float, cold: float) -> str:
    """Height above the field [m] as the needle reads it, up to the next 50 ft; NaN: no cold correction."""
    if not math.isfinite(height):
        return words.MISSING
    reading = needle_reading(height, elevation, temperature=cold if math.isfinite(cold) else None)
    return f"{float(rounded_up_ft(reading)):,.0f}"


def _needle_down(height: float, least: float, elevation: float, cold: float) -> str:
    """Height not to be passed as the needle reads it, down to 50 ft, but never under the gate itself."""
    under = float(_needle(least, elevation, cold).replace(",", ""))
    return f"{float(not_over_ft(needle_reading(height, elevation), under)):,.0f}"


def _cold_told(cold: float) -> str:
    if math.isfinite(cold):
        return "with the cold correction of a 1-in-10 cool day"
    return "<b>with no cold correction</b>, for want of history: in cold air fly higher than they say"


def _kt(speed: float, *, up: bool) -> str:
    if not math.isfinite(speed):
        return words.MISSING
    return f"{math.ceil(speed / KT - 1e-9) if up else math.floor(speed / KT + 1e-9)}"


def _used_up_at(limit: DerivedLimit) -> str:
    """Where a cushion is used up, and which, in words."""
    if math.isfinite(limit.density_altitude):
        return f"{words.number(words.down(limit.density_altitude, FT), 'ft')} ({limit.bites})"
    if limit.density_altitude > 0:
        return f"none up to {words.number(limit.searched_to / FT, 'ft')}"
    return f"used up at sea level already ({limit.bites})"


def _each_cushion(air: FigureAir, held: Prepared, floor_ft: float) -> str:
    """How far each of the pilot's cushions is kept by itself over this field, in words."""
    stated, floor = held.flight.cushions, floor_ft * FT
    told = []
    for name, alone in (
        (f"height, {words.number(stated.height / FT, 'ft')}", Cushions(stated.height, 0.0)),
        (f"speed, {words.number(stated.speed / KT, 'kt')}", Cushions(0.0, stated.speed)),
    ):
        kept = verdict(air.figure, air.sheet.curves, held.flight.aircraft, alone, floor) == "in"
        count = int(np.cumprod(kept).sum())
        if not count:
            to = "used up at sea level already"
        elif count == kept.size:
            to = f"kept as far as is looked, {words.number(float(air.grid_ft[-1]), 'ft')}"
        else:
            to = f"kept to {words.number(float(air.grid_ft[count - 1]), 'ft')}"
        told.append(f"{name}: {to}")
    return "; ".join(told)


def _called(air: FigureAir) -> list[tuple[str, Gate]]:
    """The figure's apex gates with what they are called: by number only where there are several."""
    apexes = air.sheet.apexes
    return [(f"Apex gate {n}" if len(apexes) > 1 else "Apex gate", gate) for n, gate in enumerate(apexes, 1)]


def _heights(gate: Gate, i: int, elevation: float, cold: float) -> str:
    """Least height of a gate as the needle reads it, and the greatest where it has one."""
    least, greatest = float(gate.least_height[i]), float(gate.greatest_height[i])
    told = _needle(least, elevation, cold)
    return f"{told} to {_needle_down(greatest, least, elevation, cold)}" if math.isfinite(greatest) else told


def _kneeboard(
    air: FigureAir, i: int, limit_ft: float, *, elevation: float, floor_ft: float, cold: float, setting: str
) -> str:
    """Numbers to fly by, as the needle reads them; none where the figure is out or ruled out."""
    da = words.number(float(air.grid_ft[i]), "ft")
    name = escape(air.figure.name)
    ruled_out = air.grid_ft[i] >= limit_ft
    if air.verdicts[i] == "out" or ruled_out:
        why = _ruled_out(limit_ft) if ruled_out else "out"
        return (
            f'<p class="sh-note"><b>No kneeboard numbers:</b> at {da} the {name} is {why}. Leave it out, or '
            "fly its substitute.</p>"
        )
    speed = float(entry_speed_at(air.figure, air.grid_ft[i] * FT))
    floor = f"Needle at the floor, {words.number(floor_ft, 'ft')} above the field [ft]"
    rows = [
        ("Needle on the ground [ft]", f"{round(elevation / FT):,}"),
        (floor, _needle(floor_ft * FT, elevation, cold)),
        ("Entry: indicated, planned [kt]", f"{math.ceil(speed / KT - 1e-9)}"),
        ("Entry: needle, planned [ft]", _needle(air.figure.entry_height, elevation, cold)),
    ]
    note = ""
    for called, apex in _called(air):
        least, planned = float(apex.least_height[i]), float(apex.planned_height[i])
        if not math.isfinite(least):
            rows.append((called, "none can be met: leave the figure out"))
            continue
        slowest, fastest = float(apex.least_speed[i]), float(apex.greatest_speed[i])
        rows += [
            (f"{called}: needle NOT UNDER [ft]", _needle(least, elevation, cold)),
            (
                f"{called}: indicated, NOT UNDER and NOT OVER [kt]",
                f"{_kt(slowest, up=True)} to {_kt(fastest, up=False)}",
            ),
        ]
        highest = float(apex.greatest_height[i])
        if math.isfinite(highest):
            rows.append((f"{called}: needle NOT OVER [ft]", _needle_down(highest, least, elevation, cold)))
        missed, arrives = str(apex.missed[i]), float(apex.planned_speed[i])
        if missed == "too low":
            note += (
                f'<p class="sh-note"><b>As planned it misses its own gate</b>: it arrives '
                f"{words.number(math.ceil((least - planned) / FT - 1e-9), 'ft')} lower, at "
                f"{words.number(math.ceil(arrives / KT), 'kt')}. The gate holds at all "
                "its speeds, and the worst asks for more height. Enter with more, or leave it out.</p>"
            )
        elif missed:
            note += (
                f'<p class="sh-note"><b>As planned it misses its own gate</b>: it arrives {missed}, at '
                f"{_kt(arrives, up=True)} kt. Enter slower, or leave it out.</p>"
            )
    return (
        '<div class="sh-together">'
        + markup.facts(rows, f"Kneeboard: {air.figure.name} at {da} density altitude")
        + f'<p class="sh-note"><b>Altimeter on the LOCAL SETTING: {escape(setting)}</b>. Needle readings, '
        f"rounded up to 50 ft, {_cold_told(cold)}. Miss a gate, in height "
        "or speed: roll out.</p>" + note + "</div>"
    )


_WINDS = (("Median at this slot", "median"), ("One day in ten above", "high"))


def _drift(season: Season, day: Day, slot: Slot, air: FigureAir, i: int, crowd_ft: float) -> str:
    """How far the wind carries the figure toward the crowd, as a table."""
    row = next(r for r in season.air_rows(day, "toward_crowd") if r["local"] == slot.local)
    winds = [(name, row[key], words.number(row[key])) for name, key in _WINDS]
    if air.figure.name in season.figures:
        f = season.figures.index(air.figure.name)
        k = season.conditions.index("wind_toward_crowd")
        for name, key in (("Your comfortable value", "comfortable_used"), ("Limit in use", "limit_used")):
            held = float(season.values[key][f, k])
            # Carried as far as the limit itself asks for, and told, as everywhere, as no more than it is.
            winds.append((name, held / KT, words.limit(held, KT)))
    winds.append(("For each knot", 1.0, "1"))
    rows = []
    for label, wind, told in winds:
        if not math.isfinite(wind):
            continue
        sea = float(drift(air.sheet.sea_level.flown, wind * KT))
        here = float(drift(air.sheet.curves.flown, wind * KT)[i])
        rows.append(
            {
                "wind": label,
                "kt": told,
                "sea": words.number(words.up(sea, FT)),
                "here": words.number(words.up(here, FT)),
                "share": words.percent(words.up(here / FT / crowd_ft, 0.01) / 100.0)
                if here > 0 and crowd_ft > 0
                else words.MISSING,
            }
        )
    return (
        markup.plain_table(
            rows,
            {
                "wind": "Wind toward the crowd",
                "kt": "At 10 m [kt]",
                "sea": "Sea level [ft]",
                "here": "In this air [ft]",
                "share": "Of the way to the crowd",
            },
            "How far the wind carries one figure",
            numeric=("kt", "sea", "here", "share"),
        )
        + '<p class="sh-note">Toward the crowd, if nothing is done about it; below zero: away. The show line '
        f"is {words.number(crowd_ft, 'ft')} from the crowd. Wind grows with height by the 1/7 power.</p>"
    )


@frame.fragment
def _in_this_air(
    season: Season,
    booking: BookingRow,
    day: Day,
    slot: Slot,
    air: FigureAir,
    slot_air: SlotAir,
    held: Prepared,
) -> None:
    st.subheader("The figure in this air", anchor=False)
    top = float(air.grid_ft[-1])
    da_ft, altimeter = st.columns([2, 1])
    with da_ft:
        chosen = st.slider(
            "Density altitude [ft]; it starts at the slot’s 1-in-10 high, rounded up as on the pilot’s card",
            0,
            round(top),
            round(min(slot_air.start, top)),
            step=int(flight.STEP_FT),
            format="%d",
            key=f"figure_da_{day.index}_{slot.position}",
        )
    with altimeter:
        setting = frame.altimeter_setting(
            "Local altimeter setting [inHg], if known",
            "figure_setting",
            "No needle is reckoned with it.",
            placeholder="read it on the day",
        )
    i = flight.position(air.grid_ft, float(chosen))
    here_name = f"{words.number(float(chosen), 'ft')} density altitude"
    elevation = float(season.values["venue_elevation"][day.venue])
    venue = str(season.labels["venue"][day.venue])
    floor_ft = held.floor_ft(venue)
    state = str(air.verdicts[i])
    limit_ft = _limit_ft(season, air.figure.name)
    told = f"At <b>{here_name}</b>: {_in_hand(air, air.sheet.curves, (i,), state, held)} ({_MEANS[state]})."
    if chosen >= limit_ft:
        told += f" <b>{_ruled_out(limit_ft).capitalize()}: never flown.</b>"
    here = held.venue(venue)
    box_ft = None if here is None else here.show_line.box_length_ft
    along_ft = float(air.sheet.curves.ground_covered[i]) / FT
    if box_ft is not None and along_ft > box_ft:
        told += (
            f" <b>Longer than the box</b>: {words.number(words.up(along_ft, 1.0), 'ft')} along the line "
            f"in still air, of {words.number(box_ft, 'ft')}."
        )
    st.html(f"<p>{told}</p>")
    left, right = st.columns([3, 2], gap="medium")
    numbers = markup.plain_table(
        _numbers(air, i, box_ft),
        {
            "what": "",
            "sea": "Sea level",
            "here": f"At {words.number(float(chosen), 'ft')}",
            "change": "Change",
        },
        f"{air.figure.name}: standard sea level air, and {here_name}",
        numeric=("sea", "here", "change"),
    )
    with left:
        paths = _path(air.sheet.sea_level, (), "standard sea level air") + _path(
            air.sheet.curves, (i,), here_name
        )
        levels: list[tuple[float, str, tuple[int, ...]]] = [
            (floor_ft, f"floor {words.number(floor_ft, 'ft')} above the field", (1, 0))
        ]
        levels += [
            (float(apex.least_height[i]) / FT, f"{called.lower()} in this air: not under", (5, 4))
            for called, apex in _called(air)
            if math.isfinite(float(apex.least_height[i])) and state != "out"
        ]
        frame.chart(
            charts_flight.profile(paths, levels, ("standard sea level air", here_name)),
            f"{air.figure.name} from the side, to scale, in standard sea level air and at {here_name}; the "
            "floor as a line. The table beside it holds the numbers.",
        )
        st.html(
            '<p class="sh-note">Heights above the field, still air, a foot across as long as a foot up. '
            "Where a figure cannot be flown its path stops. The pilot is taken to ease a pull that would "
            "use up the speed cushion.</p>"
        )
    with right:
        st.html(numbers)
    left, right = st.columns([2, 3], gap="medium")
    with left:
        st.html(
            _kneeboard(
                air,
                i,
                limit_ft,
                elevation=elevation,
                floor_ft=floor_ft,
                cold=slot_air.cold,
                setting="_______" if setting is None else f"{setting:.2f} inHg",
            )
        )
    with right:
        crowd_ft = math.nan if here is None else here.show_line.crowd_distance_ft
        st.html(_drift(season, day, slot, air, i, crowd_ft))


def _curves(air: FigureAir, slot_air: SlotAir, held: Prepared) -> None:
    st.subheader("What is in hand as the air thins", anchor=False)
    st.html(
        '<p class="sh-note">Dotted uprights: this slot’s median density altitude and what one day in ten '
        "exceeds. Solid ink: nothing left. Dashed ink: your cushion. A line ends where the figure can no "
        "longer be flown.</p>"
    )
    hand, da = air.sheet.curves, air.grid_ft
    recovers = any(s.kind == "recover" for s in air.figure.segments)
    cushions = held.flight.cushions
    marks = [(slot_air.median, "median"), (slot_air.high, "1 in 10")]
    marks = [(x, t) for x, t in marks if math.isfinite(x)]
    drawn = (
        (
            "Height in hand",
            "ft",
            hand.height / FT,
            None,
            cushions.height / FT if recovers else math.nan,
            True,
        ),
        ("Speed in hand", "kt", hand.speed / KT, None, cushions.speed / KT, True),
        (
            "Load factor, greatest and least",
            "g",
            hand.greatest_load_factor,
            hand.least_load_factor,
            math.nan,
            False,
        ),
        ("Energy height spent", "ft", hand.energy_height_spent / FT, None, math.nan, False),
        ("Time", "s", hand.seconds, None, math.nan, False),
    )
    every = range(0, da.size, 10)
    for group in (drawn[:3], drawn[3:]):
        columns = st.columns(3, gap="medium")
        for column, (title, unit, values, least, wanted, zero) in zip(columns, group, strict=False):
            with column:
                if not np.isfinite(values).any():
                    st.info(
                        f"{title}: none to draw. The figure has no stall to come near, or is never flown."
                    )
                    continue
                rows = [
                    {"da": float(x), "value": float(v)}
                    | ({} if least is None else {"least": float(least[n])})
                    for n, (x, v) in enumerate(zip(da, values, strict=True))
                ]
                frame.chart(
                    charts_flight.in_hand_curve(
                        rows, title, unit, marks, wanted=wanted, zero=zero, invented=slot_air.invented
                    ),
                    f"{title} of the {air.figure.name} over density altitude; the table below holds the "
                    f"numbers.",
                )
    with st.expander("The same as a table"):
        st.html(
            markup.plain_table(
                [
                    {
                        "da": words.number(float(da[n])),
                        "verdict": str(air.verdicts[n]),
                        "height": words.number(words.down(float(hand.height[n]), FT)),
                        "speed": flight.speed_in_hand(float(hand.speed[n])),
                        "g": f"{words.number(float(hand.greatest_load_factor[n]), digits=1)} / "
                        f"{words.number(float(hand.least_load_factor[n]), digits=1)}",
                        "energy": words.number(words.up(float(hand.energy_height_spent[n]), FT)),
                        "seconds": words.number(words.up(float(hand.seconds[n]), 1.0)),
                        "dive": words.number(words.up(float(air.sheet.dive_height[n]), FT)),
                    }
                    for n in every
                ],
                {
                    "da": "Density altitude [ft]",
                    "verdict": "In, thin or out",
                    "height": "Height in hand [ft]",
                    "speed": "Speed in hand [kt]",
                    "g": "Greatest / least [g]",
                    "energy": "Energy height spent [ft]",
                    "seconds": "Time [s]",
                    "dive": "Dive to the entry speed [ft]",
                },
                f"{air.figure.name} over density altitude; – where it cannot be flown. "
                "Dive: 30° at full power from level top speed.",
                numeric=("da", "height", "speed", "g", "energy", "seconds", "dive"),
            )
        )


def _gates(air: FigureAir, limit_ft: float, elevation: float, cold: float) -> None:
    st.subheader("Its gates as the air thins", anchor=False)
    entry = air.sheet.entry
    rows = []
    for n in range(0, air.grid_ft.size, 10):
        past = air.grid_ft[n] >= limit_ft
        out = past or air.verdicts[n] == "out"

        slow, fast = float(entry.least_speed[n]), float(entry.greatest_speed[n])
        row = {
            "da": words.number(float(air.grid_ft[n])),
            "verdict": "past your limit" if past else str(air.verdicts[n]),
            "planned": words.MISSING if out else _kt(float(entry.planned_speed[n]), up=True),
            "band": "none"
            if out or not math.isfinite(slow + fast)
            else f"{_kt(slow, up=True)} to {_kt(fast, up=False)}",
            "entry": words.MISSING
            if out or not math.isfinite(float(entry.least_height[n]))
            else _heights(entry, n, elevation, cold),
        }
        for called, apex in _called(air):
            least = math.nan if out else float(apex.least_height[n])
            slow, fast = float(apex.least_speed[n]), float(apex.greatest_speed[n])
            row[called] = (
                f"{_heights(apex, n, elevation, cold)} at {_kt(slow, up=True)} to {_kt(fast, up=False)}"
                if math.isfinite(least)
                else words.MISSING
            )
        rows.append(row)
    columns = {
        "da": "Density altitude [ft]",
        "verdict": "In, thin or out",
        "planned": "Entry planned [kt]",
        "band": "Speeds that keep the cushions [kt]",
        "entry": "Entry: needle not under [ft]",
    }
    for called, _ in _called(air):
        columns[called] = f"{called}: needle not under [ft], at speeds of [kt]"
    st.html(
        '<p class="sh-note">A gate is a least height AND a range of speeds: miss either and roll out. Needle '
        f"readings at the local setting at this field, rounded up to 50 ft, {_cold_told(cold)}; speeds "
        "indicated, rounded to the safe side.</p>"
        + markup.plain_table(
            rows,
            columns,
            f"{air.figure.name}: gates over density altitude",
            numeric=tuple(k for k in columns if k != "verdict"),
        )
    )
    if not air.sheet.apexes:
        st.html('<p class="sh-note">This figure has no apex gate: nothing is pulled down from a height.</p>')


@frame.fragment
def _off_take_off(season: Season, day: Day, slot: Slot, air: FigureAir, held: Prepared) -> None:
    """The figure with only the energy that a climb-out gives."""
    st.subheader("Straight off the take-off", anchor=False)
    book = held.flight.runway
    venue = held.venue(str(season.labels["venue"][day.venue]))
    if book is None or venue is None:
        st.info("No take-off is stated. Write runway into aircraft.yaml, from the aircraft’s own data.")
        return
    if venue.operating.elevation_ft != venue.elevation_ft or venue.operating.name != venue.name:
        st.info(
            f"The aircraft takes off from {markup.literal(venue.operating.name)}: nothing is flown off the "
            "take-off here."
        )
        return
    left, right = st.columns(2)
    with left:
        to_pull_ft = st.number_input(
            "From brake release to the pull-up [ft]",
            value=round(venue.operating.runway.length_ft or 4000.0),
            step=100,
            key=f"figure_pull_up_{venue.id}",
        )
    with right:
        wind = st.number_input(
            "Wind along the take-off [kt]; a tailwind is below zero",
            value=0,
            step=1,
            key="figure_take_off_wind",
        )
    wrong = [
        # As short as a runway may be stated.
        frame.out_of_range("From brake release to the pull-up [ft]", to_pull_ft, 300, 20_000),
        frame.out_of_range("Wind along the take-off [kt]", wind, -10, 30),
    ]
    if any(wrong):
        st.error(" ".join(filter(None, wrong)))
        return
    aircraft, cushions = held.flight.aircraft, held.flight.cushions
    floor = held.floor_ft(venue.id) * FT
    figure = air.figure
    airs = [("Standard sea level air", 0.0), *flight.slot_quantiles(season, day, slot)]
    rows = []
    for label, da in airs:
        field = flight.over_field(da, venue.elevation)
        try:
            run = float(
                take_off_distance(
                    aircraft,
                    field,
                    book_distance=book.take_off,
                    book_mass=book.mass,
                    lift_off_speed=book.lift_off_speed,
                    headwind=credited_headwind(wind * KT),
                )
            )
        except ValueError as error:
            st.error(markup.told(f"{error}."), icon=":material/error:")
            return
        hand = off_take_off(
            figure,
            aircraft,
            field,
            floor,
            pull_up_distance=to_pull_ft * FT,
            ground_run=run,
            # At the mass flown, as the take-off run is: the book's belongs to the book's mass.
            lift_off_speed=book.lift_off_speed * math.sqrt(aircraft.mass / book.mass),
            tailwind=-wind * KT,
            stall_margin=cushions.speed,
        )
        entry = float(hand.flown.equivalent_airspeed[0])
        state = str(verdict(figure, hand, aircraft, cushions, floor))
        planned = float(entry_speed_at(figure, da))
        reached = words.number(words.down(entry, KT)) if entry > 0.5 * planned else "not in time"
        why = story(figure, hand, aircraft).removeprefix(f"{figure.name}: ") if state == "out" else ""
        rows.append(
            {
                "air": label,
                "da": words.number(da / FT),
                "run": words.number(words.up(run, FT)),
                "reached": reached,
                "planned": words.number(words.up(planned, KT)),
                "verdict": state + (f": {why}" if why and not why.startswith("flown") else ""),
                "height": words.number(words.down(float(hand.height), FT)),
                "speed": flight.speed_in_hand(float(hand.speed)),
            }
        )
    st.html(
        markup.plain_table(
            rows,
            {
                "air": "Air",
                "verdict": "In, thin or out",
                "da": "Density altitude [ft]",
                "run": "Take-off [ft]",
                "reached": "Speed at the pull-up, indicated [kt]",
                "planned": "Planned entry [kt]",
                "height": "Height in hand [ft]",
                "speed": "Speed in hand [kt]",
            },
            f"{figure.name} as the first figure off the ground",
            numeric=("da", "run", "reached", "planned", "height", "speed"),
        )
        + '<p class="sh-note">Full power from lift-off, climbing straight to the entry height '
        f"({words.number(figure.entry_height / FT, 'ft')}) at the pull-up; the planned speed is flown where "
        "it is there by then. Density alone changes little: the speed that is missing decides. A cool "
        "morning’s practice of it proves nothing about a hot afternoon.</p>"
    )


@frame.fragment
def _if_flown_otherwise(season: Season, day: Day, slot: Slot, air: FigureAir, held: Prepared) -> None:
    """What if: another entry speed, or another weight; what the physics allow then, how often it bites."""
    name = air.figure.name
    if name not in season.figures or day.status != "ok":
        return
    st.subheader("What if you flew it otherwise", anchor=False)
    st.html(
        '<p class="sh-note">Move the entry speed or the weight, and see where the air is too thin and how '
        "often. For the most demanding of the season’s fields, against your own limit, as stated or as your "
        "log shows it; nothing is written before you have read the change and pressed the button.</p>"
    )
    now_kt, now_kg = air.figure.entry_speed / KT, held.flight.aircraft.mass
    left, right = st.columns(2)
    speed = left.slider(
        f"Entry speed [kt indicated]; in figures.yaml: {words.number(now_kt)}",
        float(math.ceil(now_kt - 30)),
        float(math.floor(now_kt + 30)),
        now_kt,
        step=1.0,
        format="%.0f",
        key=f"otherwise_speed_{name}",
    )
    mass = right.slider(
        f"Weight in the show [kg]; in aircraft.yaml: {words.number(now_kg)}",
        float(math.ceil(0.85 * now_kg)),
        float(math.floor(1.15 * now_kg)),
        now_kg,
        step=5.0,
        format="%.0f",
        key="otherwise_mass",
    )
    now = flight.limit_if(held, name, entry_speed=now_kt * KT, mass=now_kg)
    then = flight.limit_if(held, name, entry_speed=speed * KT, mass=mass)
    f = season.figures.index(name)
    thin = season.conditions.index("density_altitude")
    own = float(season.values["comfortable_own"][f, thin]), float(season.values["limit_own"][f, thin])
    sampled = whatif.day_air(season, day)

    def column(derived: DerivedLimit) -> dict[str, str]:
        low, high, why = capped(*own, derived)
        limit = f"{words.number(words.down(high, FT), 'ft')} ({why})" if math.isfinite(high) else "none"
        if derived.density_altitude == -math.inf:
            limit = f"never flown ({why})"
        curves = whatif.with_limit(whatif.curves_used(season), f, "density_altitude", low, high)
        chances = whatif.figure_if(sampled, curves, f)
        chance, lower, upper = (
            float(x[slot.position]) for x in (chances.value, chances.lower, chances.upper)
        )
        return {
            "physics": _used_up_at(derived),
            "limit": limit,
            "chance": f"{words.days_in_ten(chance)} · {words.percent(chance)} "
            f"({words.interval(lower, upper)})",
        }

    is_now, is_then = column(now), column(then)
    told = {
        "physics": "A cushion is used up at a density altitude of",
        "limit": "Limit in density altitude, the more cautious",
        "chance": f"{name} dropped or trimmed at {slot.local}",
    }
    st.html(
        markup.plain_table(
            [{"what": told[k], "now": is_now[k], "then": is_then[k]} for k in told],
            {
                "what": "",
                "now": "As in your folder",
                "then": f"With {words.number(speed)} kt and {words.number(mass)} kg",
            },
            "In brackets the 90 % interval. Speeds and weights stay within the aircraft’s approved data; "
            "what a sum allows is not a clearance to fly it.",
        )
    )
    if abs(speed - now_kt) > 0.01:
        writeback.offer(
            "entry_speed",
            f"{words.number(speed)} kt into the {name}",
            (name, speed),
            lambda folder: season_edit.changed(
                folder, "figures.yaml", {(name, "entry_speed_kt"): in_digits(speed)}
            ),
        )
    if abs(mass - now_kg) > 0.01:
        writeback.offer(
            "weight",
            f"{abs(mass - now_kg):.0f} kg {'more' if mass > now_kg else 'less'} fuel in the show",
            mass,
            lambda folder: _fuel_edit(folder, mass - now_kg),
        )


def _fuel_edit(folder: Path, more_kg: float) -> season_edit.Edit:
    key = ("mass", "fuel_kg")
    held = float(season_edit.value_at(folder, "aircraft.yaml", key) or 0.0)
    if held + more_kg < 0.0:
        raise InputError(
            f"There are only {held:.0f} kg of fuel in aircraft.yaml to leave out. Change the other weights "
            "in the file."
        )
    return season_edit.changed(folder, "aircraft.yaml", {key: in_digits(held + more_kg)})


def _limits(season: Season, air: FigureAir, held: Prepared, floor_ft: float) -> None:
    st.subheader("Stated, derived, in use", anchor=False)
    name = air.figure.name
    if name not in season.figures:
        st.info(f"{markup.literal(name)} is in the folder, but not in these results: bring them up to date.")
        return
    f, v = season.figures.index(name), season.values
    rows = []
    for k, condition in enumerate(season.conditions):
        derived = float(v["limit_derived"][f, k])
        if not (math.isfinite(v["limit_used"][f, k]) or math.isfinite(derived)):
            continue
        physics = "not derived" if math.isnan(derived) else "none used up"
        if derived == -math.inf:
            physics = "used up at sea level already"
        label, unit, scale = words.CONDITIONS[condition]

        def pair(low: str, high: str, k: int = k, scale: float = scale) -> str:
            ends = float(v[low][f, k]), float(v[high][f, k])
            if not math.isfinite(ends[1]) or ends[1] <= NEVER_FLOWN:
                return words.limit(ends[1], scale)
            return f"{words.limit(ends[0], scale)} / {words.limit(ends[1], scale)}"

        rows.append(
            {
                "condition": f"{label} [{unit}]",
                "stated": pair("comfortable_stated", "limit_stated"),
                "derived": words.limit(derived, scale) if math.isfinite(derived) else physics,
                "used": pair("comfortable_used", "limit_used"),
                "why": str(v["limit_reason"][f, k]) or "as the pilot states it",
            }
        )
    alone = _used_up_at(air.sheet.limit)
    if rows:
        why = "; ".join(f"{r['condition'].rsplit(' [', 1)[0]}: {r['why']}" for r in rows)
        st.html(
            '<p class="sh-note">The more cautious of the stated and the derived limit is used. Derived for '
            f"the most demanding of the season’s fields; at this field and its floor alone: "
            f"{escape(alone)}. Each cushion by itself there: "
            f"{escape(_each_cushion(air, held, floor_ft))}.</p>"
            + markup.plain_table(
                rows,
                {
                    "condition": "Personal limit for",
                    "stated": "You state: comfortable / limit",
                    "derived": "Derived from the flight",
                    "used": "In use: comfortable / limit",
                },
                f"{name}: limits",
            )
            + f'<p class="sh-note">Why these are in use. {escape(why)}.</p>'
        )
    else:
        st.info(
            f"No limit is stated or derived for the {markup.literal(name)}. At this field alone: {alone}."
        )


def _method() -> None:
    with st.expander("How this is worked out"):
        st.markdown(
            "The figure is flown as a point mass in the vertical plane: your mass, wing, drag and "
            "full-throttle power in air that thins upward with the standard atmosphere; your entry speed, "
            "heights and working g. Still air, no position error of the airspeed indicator, no pilot’s "
            "delay. The field’s elevation stands for its pressure altitude. Air thicker than standard sea "
            "level air counts as that.\n\n*Height in hand*: what a recovery at your full working g leaves "
            "above the floor; for a figure without a recovery, its lowest height. *Speed in hand*: over "
            "the stall at the load factor there, the least of the slowest point and of all floats, lines, "
            "rolls and passes; pulls are eased to keep your cushion. *Apex gate*: the least height from "
            "which the pull-down keeps your height cushion at every speed that the gate allows: from 20 kt "
            "under "
            "the planned one to 10 kt over the one planned at sea level, or as far as the way down stays "
            "within the never-exceed speed and the display’s speed category and asks for no more height than "
            "the figure has. The derived limit is "
            "the density altitude at which a cushion is first used up.\n\n"
            "Your own measured height loss is better than any model’s: measure it high, and use the larger."
        )


def _page(season: Season) -> None:
    opened = flight.opened(season)
    if opened is None:
        return
    held, booking, day, slot = opened
    by_cause = season.values["figure_change_by_cause"][day.index, slot.position]
    often = by_cause[:, season.causes.index("density_altitude")]
    names = list(held.flight.figures)
    known = [n for n in names if n in season.figures and np.isfinite(often[season.figures.index(n)])]
    first = max(known, key=lambda n: float(often[season.figures.index(n)]), default=names[0])
    name = frame.choose_figure(names, first)
    frame.notices(season, venue=day.venue)
    if day.status != "ok":
        frame.no_numbers(season, booking, day)
    for warning in held.flight.warnings:
        st.warning(markup.told(warning), icon=":material/warning:")
    venue = str(season.labels["venue"][day.venue])
    elevation = float(season.values["venue_elevation"][day.venue])
    floor_ft = held.floor_ft(venue)
    slot_air = flight.slot_air(season, day, slot)
    air = flight.figure_air(held, name, elevation=elevation, floor_ft=floor_ft)
    flight.answer(
        _answer(season, booking, day, slot, air, slot_air, held), held, air.grid_ft, slot_air, floor_ft
    )
    _in_this_air(season, booking, day, slot, air, slot_air, held)
    _curves(air, slot_air, held)
    _gates(air, _limit_ft(season, name), elevation, slot_air.cold)
    _off_take_off(season, day, slot, air, held)
    _if_flown_otherwise(season, day, slot, air, held)
    _limits(season, air, held, floor_ft)
    _method()


season = load_season()
frame.begin(season, "A figure in thin air")
_page(season)
frame.end()
