"""The routine's energy: what is in hand figure by figure, the climbs that mend, and the slot's length."""

from __future__ import annotations

import math
from html import escape

import streamlit as st

from dashboard import charts_flight, flight, frame, markup, words
from dashboard.flight import Prepared, RoutineAir, SlotAir
from dashboard.season import BookingRow, Day, Season, Slot, load_season
from pipeline.air.variables import FT, INHG, KT
from pipeline.errors import InputError
from pipeline.flight.aircraft import FieldAir
from pipeline.flight.motion import entry_speed_at
from pipeline.flight.rehearsal import rehearsal_base
from pipeline.flight.runway import landing_distance, take_off_distance

_BREAKS = {
    "floor": "breaks the floor",
    "entry speed": "cannot be entered at its speed above the floor",
    "cannot be flown": "cannot be flown",
    "never-exceed speed": "passes the never-exceed speed",
    "stall": "asks more of the wing at its slowest point than it has",
}
_NONE = "–"


def _down(value: float, unit: float) -> float:
    """In a unit, rounded down: what is in hand is never told as more than it is."""
    return math.floor(value / unit + 1e-9) if math.isfinite(value) else math.nan


def _up(value: float, unit: float) -> float:
    """In a unit, rounded up: what is missing is never told as less than it is."""
    return math.ceil(value / unit - 1e-9) if math.isfinite(value) else math.nan


def _clock(seconds: float) -> str:
    """Minutes and seconds, rounded up."""
    if not math.isfinite(seconds):
        return "no end" if seconds == math.inf else _NONE
    whole = math.ceil(seconds - 1e-6)
    return f"{whole // 60}:{whole % 60:02d}"


def _ordered(season: Season, routine: int) -> list[str]:
    """Figures of a routine in the order flown."""
    position = season.values["routine_position"][routine]
    held = [f for f in range(len(season.figures)) if season.values["routine_figures"][routine, f]]
    return [season.figures[f] for f in sorted(held, key=lambda f: (position[f], f))]


def _climbs(air: RoutineAir, i: int) -> tuple[float, float]:
    """Climbing that mends the routine: seconds and whole legs."""
    return float(air.energy.climb_seconds[:, i].sum()), float(air.energy.climb_legs[:, i].sum())


def _legs(air: RoutineAir, i: int) -> str:
    """The same in words."""
    seconds, legs = _climbs(air, i)
    if not math.isfinite(seconds):
        return "climbs that the aircraft cannot make"
    if seconds <= 0:
        return "no extra climb"
    return f"{legs:.0f} extra climbing leg{'' if legs == 1 else 's'} ({_clock(seconds)})"


def _against_slot(air: RoutineAir, i: int, slot_minutes: float) -> str:
    """Length against the slot's."""
    over = float(air.energy.over_slot(60.0 * slot_minutes)[i])
    if math.isnan(over):
        return _NONE
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
                (slot_air.high, "At what one day in ten exceeds"),
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
        ("1 day in 10", slot_air.high),
        ("slider", chosen),
    ]
    return [(name, flight.position(air.grid_ft, da)) for name, da in held if math.isfinite(da)]


def _slower(air: RoutineAir, n: int, i: int) -> str:
    """Entry speed missing [kt] if the height is kept; in words where all of it would be."""
    missing = float(air.energy.entry_speed_short[n, i])
    planned = float(entry_speed_at(air.figures[n], air.grid_ft[i] * FT))
    return "all of it" if missing >= planned - 0.01 else words.number(_up(missing, KT))


@st.fragment
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
                    "climb": _clock(_climbs(air, i)[0]),
                    "legs": words.number(_climbs(air, i)[1]),
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
        charts_flight.energy_by_figure(rows, labels, names),
        "Least height over the floor figure by figure, with nothing mended, in each air. The table under it "
        "holds the numbers.",
        markup.plain_table(
            [
                {"figure": labels[n]} | {name: words.number(_down(float(over[n, i]), FT)) for name, i in airs}
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
                    "height": words.number(_down(float(hand.height[n, i]), FT)),
                    "speed": words.number(_down(float(hand.speed[n, i]), KT)),
                    "spent": words.number(_up(float(hand.energy_height_spent[n, i]), FT)),
                    "given": words.number(_down(float(energy.given_back[n, i]), FT)) if n else _NONE,
                    "short": words.number(_up(float(energy.short[n, i]), FT)),
                    "slow": _slower(air, n, i),
                    "climb": words.number(_up(float(energy.climb_seconds[n, i]), 1.0))
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
            f"In the slider’s air, {words.number(chosen, 'ft')}, each from its planned entry",
            numeric=("height", "speed", "spent", "given", "short", "slow", "climb"),
        )
    )


def _quantiles(season: Season, day: Day, slot: Slot) -> list[tuple[str, float]]:
    """The slot's density altitudes [m] as they stand in the results, not rounded."""
    q = season.values["density_altitude_quantile"][day.index, slot.position]
    held = [
        ("This slot’s median", float(q[season.quantile[0.5]])),
        ("One day in ten above", float(q[season.quantile[0.9]])),
    ]
    return [(name, da) for name, da in held if math.isfinite(da)]


def _rehearsal(
    season: Season, day: Day, slot: Slot, held: Prepared, elevation: float, floor_ft: float
) -> None:
    st.subheader("Where to rehearse this air", anchor=False)
    folder = held.folder
    home_air = None if folder.practice is None else folder.practice.home_air
    if home_air is None or folder.home is None:
        st.info(
            "No home air is stated. Write home_air (altimeter setting, temperature, dew point) into "
            "practice.yaml and home into season.yaml, and the height at home with this air is worked out."
        )
        return
    if isinstance(folder.home, str):
        home = folder.venue(folder.home)
        name, at = home.name, home.elevation
    else:
        name, at = folder.home.name, folder.home.elevation_ft * FT
    rows = []
    for label, da in _quantiles(season, day, slot):
        found = rehearsal_base(
            held.flight.aircraft,
            da,
            elevation,
            floor_ft * FT,
            home_elevation=at,
            home_altimeter_setting=home_air.altimeter_inhg * INHG,
            home_temperature=home_air.temperature_c + 273.15,
            home_dew_point=None if home_air.dew_point_c is None else home_air.dew_point_c + 273.15,
        )
        above = float(found.base_height)
        rows.append(
            {
                "air": label,
                "da": words.number(da / FT),
                "above": words.number(_up(above, FT))
                if above > floor_ft * FT
                else "the floor: thin enough already",
                "needle": f"{math.ceil(float(found.needle) / FT / 10.0 - 1e-9) * 10:,}"
                if above > floor_ft * FT
                else _NONE,
                "engine": found.remark,
            }
        )
    if not rows:
        st.info("No density altitude is known for this slot: no height to rehearse at.")
        return
    remarks = escape(" ".join(f"{r['air']}: {r['engine']}." for r in rows))
    st.html(
        markup.plain_table(
            rows,
            {
                "air": "Air of the show",
                "da": "Density altitude [ft]",
                "above": "Base above home [ft]",
                "needle": "Needle [ft]",
            },
            f"Raised base at {name}",
            numeric=("da", "above", "needle"),
        )
        + f'<p class="sh-note">Fly the routine with its floor of {words.number(floor_ft, "ft")} lifted to '
        f"this needle reading, altimeter on {home_air.altimeter_inhg:.2f} inHg, home air "
        f"{words.number(home_air.temperature_c, '°C')} on the ground. Needle rounded up to 10 ft. A "
        f"morning’s practice in cool low air does not prove the afternoon. {remarks} "
        "Mind airspace and oxygen.</p>"
    )


def _runway(season: Season, day: Day, slot: Slot, held: Prepared, elevation: float) -> None:
    st.subheader("Take-off and landing", anchor=False)
    book = held.flight.runway
    if book is None:
        st.info(
            "No book distances are stated. Write runway into aircraft.yaml, from the aircraft’s own data."
        )
        return
    aircraft = held.flight.aircraft
    rows = []
    for label, da in [("Standard sea level air", 0.0), *_quantiles(season, day, slot)]:
        field = FieldAir(da, min(da, elevation))
        off = float(
            take_off_distance(
                aircraft,
                field,
                book_distance=book.take_off,
                book_mass=book.mass,
                lift_off_speed=book.lift_off_speed,
            )
        )
        down = float(
            landing_distance(
                aircraft,
                field,
                book_distance=book.landing,
                book_mass=book.mass,
                approach_speed=book.approach_speed,
            )
        )
        rows.append(
            {
                "air": label,
                "da": words.number(da / FT),
                "off": words.number(_up(off, FT)),
                "off_safe": words.number(_up(off * book.take_off_factor, FT)),
                "down": words.number(_up(down, FT)),
                "down_safe": words.number(_up(down * book.landing_factor, FT)),
            }
        )
    here = [v for v in held.folder.venues if v.id == str(season.labels["venue"][day.venue])]
    elsewhere = (
        f" The aircraft operates from {here[0].operating.name} at "
        f"{words.number(here[0].operating.elevation_ft, 'ft')}: the air here is the show site’s, at "
        f"{words.number(here[0].elevation_ft, 'ft')}."
        if here and here[0].operating.elevation_ft != here[0].elevation_ft
        else ""
    )
    st.html(
        markup.plain_table(
            rows,
            {
                "air": "Air",
                "da": "Density altitude [ft]",
                "off": "Take-off scaled [ft]",
                "off_safe": f"Take-off with factor {book.take_off_factor:g} [ft]",
                "down": "Landing scaled [ft]",
                "down_safe": f"Landing with factor {book.landing_factor:g} [ft]",
            },
            "Scaled from your book distances, no wind, level dry runway",
            numeric=("da", "off", "off_safe", "down", "down_safe"),
        )
        + f'<p class="sh-note">Book: {words.number(book.take_off / FT, "ft")} and '
        f"{words.number(book.landing / FT, 'ft')} at {words.number(book.mass, 'kg')} in standard sea level "
        f"air; flown at {words.number(aircraft.mass, 'kg')}. The factors are those of aircraft.yaml, on "
        "top of the scaled distance. No length of any runway is known here, nor its slope or surface: the "
        f"aircraft’s approved data decide.{escape(elsewhere)}</p>"
    )


def _method() -> None:
    with st.expander("How this is worked out"):
        st.markdown(
            "Every figure has a planned entry: a height and an airspeed, hence an *energy height* h + "
            "V²/2g. It spends some of it; the link after it gives some back, as a climb at the best speed "
            "and a 30° dive to the next entry speed. The time of a link is what routine.yaml gives the "
            "figure, less what the figure itself takes at sea level. Energy above a planned entry is given "
            "up, since entry numbers "
            "stay as they are; energy short of it is carried along until a climb mends it.\n\n"
            "A *climbing leg* is 25 s at the best climb. Links are flown at a mean 1.2 g. Thin air costs "
            "twice: each figure spends more, and the engine gives it back more slowly. Take-off goes with "
            "the square of the speed over the acceleration; landing with the square of the speed."
        )


def _page(season: Season) -> None:
    try:
        held = flight.prepared()
    except InputError as error:
        st.error(str(error).replace("\n", "  \n"), icon=":material/error:")
        st.html(
            '<p class="sh-note">Correct it in the season folder and reload this page. Nothing is flown on '
            "numbers that do not hold together.</p>"
        )
        return
    booking = frame.choose_booking(season)
    day, slot = frame.choose_day_and_slot(season, booking)
    if isinstance(held, str):
        frame.notices(season, venue=day.venue)
        st.info(held, icon=":material/flight:")
        return
    shows = [str(n) for n in season.values["routine_name"]]
    seconds = {f.name: f.seconds for f in held.folder.routine.repertoire}
    show = st.selectbox("Which show", range(len(shows)), format_func=lambda r: shows[r], key="energy_show")
    frame.notices(season, venue=day.venue)
    if day.status != "ok":
        st.error(f"{booking.place}, {words.date(day.date)}: {day.status}", icon=":material/error:")
    names = _ordered(season, show)
    gone = [n for n in names if n not in seconds]
    if gone:
        st.warning(
            f"{words.joined(gone)}: in these results, but no longer in routine.yaml. Bring the results up "
            f"to date.",
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
        st.error(f"{shows[show]}: {error}", icon=":material/error:")
        return
    if slot_air.high > air.grid_ft[-1]:
        st.warning(
            f"One day in ten is thinner here than {words.number(float(air.grid_ft[-1]), 'ft')}, as far as is "
            "looked: what is said about such days is too good.",
            icon=":material/warning:",
        )
    st.html(markup.answer(_answer(shows[show], booking, day, slot, air, slot_air, slot_minutes)))
    if floor_ft > held.own_floor_ft:
        st.html(
            f'<p class="sh-note">The floor here is {words.number(floor_ft, "ft")}, above your own '
            f"{words.number(held.own_floor_ft, 'ft')}: the routine is flown that much higher.</p>"
        )
    _figure_by_figure(air, slot_air, held, day, slot, slot_minutes)
    _rehearsal(season, day, slot, held, elevation, floor_ft)
    _runway(season, day, slot, held, elevation)
    _method()


season = load_season()
frame.begin(season, "The routine’s energy")
_page(season)
frame.end()
