"""The routine's energy: what is in hand figure by figure, the climbs that mend, and the slot's length."""

from __future__ import annotations

import math
from html import escape

import streamlit as st

from dashboard import charts_flight, flight, frame, markup, words
from dashboard.flight import Prepared, RoutineAir, SlotAir
from dashboard.season import BookingRow, Day, Season, Slot, load_season
from pipeline.air.variables import FT, KT
from pipeline.errors import InputError
from pipeline.flight.heights import rounded_up_ft
from pipeline.flight.motion import entry_speed_at
from pipeline.flight.rehearsal import practice_remark
from pipeline.results import minutes_and_seconds
from pipeline.season_routines import home_air

_BREAKS = {
    "floor": "breaks the floor",
    "entry speed": "cannot be entered at its speed above the floor",
    "cannot be flown": "cannot be flown",
    "never-exceed speed": "passes the never-exceed speed",
    "speed category": "passes the ceiling of the display’s speed category",
    "stall": "asks more of the wing than it has",
}


def _clock(seconds: float) -> str:
    """Minutes and seconds, rounded up; a dash where they are not known."""
    return words.MISSING if math.isnan(seconds) else minutes_and_seconds(seconds)


def _legs(air: RoutineAir, i: int) -> str:
    """Climbing that mends the routine, in words."""
    seconds, legs = float(air.energy.climbing_seconds[i]), air.energy.climb_legs[:, i].sum()
    if not math.isfinite(seconds):
        return "climbs that the aircraft cannot make"
    if seconds <= 0:
        return "no extra climb"
    return f"{legs:.0f} extra climbing leg{'' if legs == 1 else 's'} ({_clock(seconds)})"


def _against_slot(air: RoutineAir, i: int, slot_minutes: float) -> str:
    """Length against the slot's."""
    over = float(air.energy.over_slot(60.0 * slot_minutes)[i])
    if math.isnan(over):
        return words.MISSING
    if over > 0:
        return f"{_clock(over)} too long"
    return f"{_clock(math.floor(-over + 1e-6))} to spare"


def _first_break(air: RoutineAir, i: int) -> tuple[str, str]:
    """Figure at which the routine first breaks if nothing is mended, and how; empty where it does not."""
    first = int(air.energy.first_break[i])
    return ("", "") if first < 0 else (air.names[first], str(air.energy.breaks[i]))


def _not_mended(air: RoutineAir, i: int) -> list[str]:
    """Figures that fail even from their planned entry."""
    return [name for name, good in zip(air.names, air.energy.sound[:, i], strict=True) if not good]


def _case(air: RoutineAir, i: int, slot_minutes: float) -> str:
    """One air in a sentence of HTML."""
    lost = _not_mended(air, i)
    if lost:
        return (
            f"<b>it cannot be flown</b>: {escape(words.joined(lost))} fail{'s' if len(lost) == 1 else ''} "
            "even from the planned entry"
        )
    told = f"it takes <b>{_clock(float(air.energy.total_seconds[i]))}</b> with {_legs(air, i)}"
    if math.isfinite(slot_minutes):
        length = words.number(slot_minutes, "min")
        told += f", <b>{_against_slot(air, i, slot_minutes)}</b> in the slot of {length}"
    figure, how = _first_break(air, i)
    return told + (
        f"; with nothing mended it first breaks at the <b>{escape(figure)}</b>, which {_BREAKS[how]}"
        if figure
        else "; it holds even with nothing mended"
    )


def _thin_ft(air: RoutineAir, slot_air: SlotAir) -> float:
    """Density altitude for what one day in ten exceeds [ft]: that which the cards take, so that the page and
    they tell one length.
    """
    if not math.isfinite(slot_air.high):
        return math.nan
    return min(slot_air.start, float(air.grid_ft[-1]))


def _answer(
    show: str,
    booking: BookingRow,
    day: Day,
    slot: Slot,
    air: RoutineAir,
    slot_air: SlotAir,
    slot_minutes: float,
) -> list[str]:
    head = f"{escape(show)} at {escape(booking.place)}, <b>{slot.local}</b> on {escape(words.date(day.date))}"
    if math.isfinite(slot_air.median):
        lines = [
            f"{head}. {when} ({words.number(da, 'ft')} density altitude) "
            f"{_case(air, flight.position(air.grid_ft, da), slot_minutes)}."
            for da, when in (
                (slot_air.median, "At this slot’s median"),
                (
                    _thin_ft(air, slot_air),
                    "At what one day in ten exceeds, rounded up to 500 ft as on the cards",
                ),
            )
        ]
        lines[1] = lines[1].removeprefix(f"{head}. ")
    else:
        lines = [
            f"{head}: no density altitude is known for this slot, not enough history. Move the slider below."
        ]
    lines.append(f"In standard sea level air {_case(air, 0, slot_minutes)}.")
    lines.append("Reckoned from your own entry numbers, not flown: rehearse it high before you believe it.")
    return lines


def _airs(air: RoutineAir, slot_air: SlotAir, chosen: float) -> list[tuple[str, int]]:
    """The airs of the page: name and place in the grid."""
    held = [
        ("sea level", 0.0),
        ("median", slot_air.median),
        ("1 day in 10", _thin_ft(air, slot_air)),
        ("slider", chosen),
    ]
    return [(name, flight.position(air.grid_ft, da)) for name, da in held if math.isfinite(da)]


def _slower(air: RoutineAir, n: int, i: int) -> str:
    """Entry speed missing [kt] if the height is kept; in words where all of it would be."""
    missing = float(air.energy.entry_speed_short[n, i])
    planned = float(entry_speed_at(air.figures[n], air.grid_ft[i] * FT))
    return "all of it" if missing >= planned - 0.01 else words.number(words.up(missing, KT))


@frame.fragment
def _figure_by_figure(
    air: RoutineAir, slot_air: SlotAir, held: Prepared, day: Day, slot: Slot, slot_minutes: float
) -> None:
    st.subheader("Figure by figure", anchor=False)
    top = float(air.grid_ft[-1])
    chosen = float(
        st.slider(
            "Density altitude [ft] of the slider’s air",
            0,
            round(top),
            round(min(slot_air.start, top)),
            step=int(flight.STEP_FT),
            format="%d",
            key=f"energy_da_{day.index}_{slot.position}",
        )
    )
    energy = air.energy
    airs = _airs(air, slot_air, chosen)
    st.html(
        markup.plain_table(
            [
                {
                    "air": name,
                    "da": words.number(float(air.grid_ft[i])),
                    "total": _clock(float(energy.total_seconds[i])),
                    "slot": _against_slot(air, i, slot_minutes),
                    "climb": _clock(float(energy.climbing_seconds[i])),
                    "legs": words.number(float(energy.climb_legs[:, i].sum())),
                    "break": " · ".join(_first_break(air, i)).strip(" ·") or "nowhere",
                }
                for name, i in airs
            ],
            {
                "air": "Air",
                "da": "Density altitude [ft]",
                "total": "Length, mended [min:s]",
                "slot": f"Slot of {words.number(slot_minutes, 'min')} [min:s]",
                "climb": "Climbing in it [min:s]",
                "legs": "In legs",
                "break": "First break with nothing mended",
            },
            "The routine in each air",
            numeric=("da", "total", "slot", "climb", "legs"),
        )
    )
    labels = [f"{n + 1} {name}" for n, name in enumerate(air.names)]
    over = air.over_floor
    rows = [
        {"figure": labels[n], "air": name, "height": float(over[n, i]) / FT}
        for name, i in airs
        for n in range(len(labels))
    ]
    names = [name for name, _ in airs]
    frame.chart(
        charts_flight.energy_by_figure(rows, labels, names, invented=slot_air.invented),
        "Least height over the floor figure by figure, with nothing mended, in each air. The table under it "
        "holds the numbers.",
        markup.plain_table(
            [
                {"figure": labels[n]}
                | {name: words.number(words.down(float(over[n, i]), FT)) for name, i in airs}
                for n in range(len(labels))
            ],
            {"figure": "Figure"} | {name: f"{name} [ft]" for name in names},
            "Least height over the floor, nothing mended; – where it cannot be flown",
            numeric=names,
        ),
    )
    st.html(
        '<p class="sh-note">Energy that is missing at an entry is carried on as missing height until a climb '
        "mends it. Left of the line a figure would be entered, or flown, through the floor: there the "
        "routine is broken. Given back below zero: the dive to the entry speed costs more than the climb "
        "before it gave.</p>"
    )
    i = flight.position(air.grid_ft, chosen)
    hand = energy.hand
    st.html(
        markup.plain_table(
            [
                {
                    "figure": labels[n],
                    "height": words.number(words.down(float(hand.height[n, i]), FT)),
                    "speed": flight.speed_in_hand(float(hand.speed[n, i])),
                    "spent": words.number(words.up(float(hand.energy_height_spent[n, i]), FT)),
                    "given": words.number(words.down(float(energy.given_back[n, i]), FT))
                    if n
                    else words.MISSING,
                    "short": words.number(words.up(float(energy.short[n, i]), FT)),
                    "slow": _slower(air, n, i),
                    "climb": words.number(words.up(float(energy.climb_seconds[n, i]), 1.0))
                    if energy.climb_seconds[n, i] < math.inf
                    else "cannot",
                }
                for n in range(len(labels))
            ],
            {
                "figure": "Figure",
                "height": "Height in hand [ft]",
                "speed": "Speed in hand [kt]",
                "spent": "Energy spent [ft]",
                "given": "Given back before it [ft]",
                "short": "Missing, nothing mended [ft]",
                "slow": "or speed missing [kt]",
                "climb": "Climb that mends [s]",
            },
            f"In the slider’s air, {words.number(chosen, 'ft')}, each from its planned entry; – where it "
            "cannot be flown",
            numeric=("height", "speed", "spent", "given", "short", "slow", "climb"),
        )
    )


def _rehearsal(
    season: Season, day: Day, slot: Slot, held: Prepared, elevation: float, floor_ft: float
) -> None:
    st.subheader("Where to rehearse this air", anchor=False)
    home = home_air(held.folder)
    if home is None:
        st.info(
            "No home air is stated. Write home_air (altimeter setting, temperature, dew point) into "
            "practice.yaml and home into season.yaml, and the height at home with this air is worked out."
        )
        return
    rows = []
    for label, da in flight.slot_quantiles(season, day, slot):
        found = home.rehearsal(held.flight.aircraft, da, elevation, floor_ft * FT)
        above = float(found.base_height)
        rows.append(
            {
                "air": label,
                "da": words.number(da / FT),
                "above": words.number(words.up(above, FT))
                if above > floor_ft * FT
                else "the floor: thin enough already",
                "needle": f"{float(rounded_up_ft(found.needle)):,.0f}"
                if above > floor_ft * FT
                else words.MISSING,
                "engine": found.remark,
                "proves": practice_remark(home.density_altitude, da, "the routine"),
            }
        )
    if not rows:
        st.info("No density altitude is known for this slot: no height to rehearse at.")
        return
    remarks = escape(" ".join(f"{r['air']}: {r['engine']}." for r in rows))
    proves = escape(" ".join(f"{r['air']}: {r['proves']}." for r in rows))
    st.html(
        markup.plain_table(
            rows,
            {
                "air": "Air of the show",
                "da": "Density altitude [ft]",
                "above": "Base above home [ft]",
                "needle": "Needle [ft]",
            },
            f"Raised base at {home.name}",
            numeric=("da", "above", "needle"),
        )
        + f'<p class="sh-note">Fly the routine with its floor of {words.number(floor_ft, "ft")} lifted to '
        f"this needle reading, altimeter on {home.altimeter_inhg:.2f} inHg, home air "
        f"{words.number(home.temperature_c, '°C')} on the ground. Needle rounded up to 50 ft. "
        f"{remarks} Mind airspace and oxygen.</p>"
        f'<p class="sh-note"><b>Practised at home down to the usual floor instead</b>, in that home air '
        f"({words.number(home.density_altitude / FT, 'ft')} density altitude): {proves}</p>"
    )


def _method() -> None:
    with st.expander("How this is worked out"):
        st.markdown(
            "Every figure has a planned entry: a height and an airspeed, hence an *energy height* h + "
            "V²/2g. It spends some of it; the link after it gives some back, as a 30° zoom, a climb at "
            "the best speed and a 30° dive to the next entry speed. The time of a link is what "
            "routine.yaml gives the figure, less what the figure itself takes at sea level; the last "
            "figure’s counts in full. Energy above a planned entry is given up, since entry numbers "
            "stay as they are; energy short of it is "
            "carried along until a climb mends it.\n\n"
            "A *climbing leg* is 25 s at the best climb. Links are flown at a mean 1.2 g. Thin air costs "
            "twice: each figure spends more, and the engine gives it back more slowly."
        )


def _page(season: Season) -> None:
    opened = flight.opened(season)
    if opened is None:
        return
    held, booking, day, slot = opened
    shows = [str(n) for n in season.values["routine_name"]]
    seconds = {f.name: f.seconds for f in held.folder.routine.repertoire}
    show = st.selectbox("Which show", range(len(shows)), format_func=lambda r: shows[r], key="energy_show")
    frame.notices(season, venue=day.venue)
    if day.status != "ok":
        frame.no_numbers(season, booking, day)
    names = [season.figures[f] for f in season.in_order(show)]
    gone = [n for n in names if n not in seconds]
    if gone:
        st.warning(
            f"{markup.literal(words.joined(gone))}: in these results, but no longer in routine.yaml. "
            "Bring the results up to date.",
            icon=":material/update:",
        )
        return
    venue = str(season.labels["venue"][day.venue])
    elevation = float(season.values["venue_elevation"][day.venue])
    floor_ft, slot_minutes = held.floor_ft(venue), held.slot_minutes(booking.id)
    slot_air = flight.slot_air(season, day, slot)
    try:
        air = flight.routine_air(
            held, [(n, seconds[n]) for n in names], elevation=elevation, floor_ft=floor_ft
        )
    except InputError as error:
        st.error(markup.told(f"{shows[show]}: {error}"), icon=":material/error:")
        return
    flight.answer(
        _answer(shows[show], booking, day, slot, air, slot_air, slot_minutes),
        held,
        air.grid_ft,
        slot_air,
        floor_ft,
    )
    _figure_by_figure(air, slot_air, held, day, slot, slot_minutes)
    _rehearsal(season, day, slot, held, elevation, floor_ft)
    _method()


season = load_season()
frame.begin(season, "The routine’s energy")
_page(season)
frame.end()
