"""The aircraft in thin air: take-off and landing, speed, climb, stall, and what the pilot has measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np
import streamlit as st

from dashboard import charts_flight, flight, frame, markup, words
from dashboard.flight import AircraftAir, Prepared, SlotAir
from dashboard.season import BookingRow, Day, Season, Slot, load_season
from pipeline.air.atmosphere import DENSITY_0
from pipeline.air.variables import FT, KT
from pipeline.errors import InputError
from pipeline.flight.aircraft import FieldAir, corner_speed, stall_speed
from pipeline.flight.calibration import Misfit
from pipeline.flight.runway import credited_headwind, landing_distance, take_off_distance
from pipeline.flight_inputs import RunwayBook
from pipeline.inputs import Airfield

_LOOSE = 0.3
"""Standard error, as a share, beyond which a fitted number is not worth taking: common practice."""
_EVERY = 20
"""Steps of the slider's grid from row to row of the tables: 2,000 ft."""


def _level(air: AircraftAir, i: int) -> str:
    """Level top speed and climb in one air, a clause of HTML."""
    top, climb = float(air.shown.top_speed[i]), float(air.shown.climb_rate[i]) * 60.0
    if not climb > 0:
        return "it <b>cannot hold height</b>"
    return (
        f"level top speed {words.number(words.down(top, KT), 'kt')} indicated, climb "
        f"<b>{words.number(words.down(climb, 10.0 * FT) * 10.0, 'ft/min')}</b>"
    )


def _answer(
    booking: BookingRow, day: Day, slot: Slot, air: AircraftAir, slot_air: SlotAir, runway: Sequence[str]
) -> list[str]:
    told = [
        f"{when} ({words.number(da, 'ft')} density altitude) {_level(air, flight.position(air.grid_ft, da))}"
        for da, when in (
            (slot_air.median, "at this slot’s median"),
            (slot_air.high, "at what one day in ten exceeds"),
        )
        if math.isfinite(da)
    ]
    head = f"At {escape(booking.place)}, <b>{slot.local}</b> on {escape(words.date(day.date))}"
    first = f"{head}: {'; '.join(told)}." if told else f"{head}: no density altitude is known for this slot."
    return [
        f"{first} In standard sea level air {_level(air, 0)}.",
        *runway,
        "Reckoned from aircraft.yaml at full throttle: the aircraft’s approved data decide.",
    ]


def _distances(
    held: Prepared, book: RunwayBook, density_altitude: float, elevation: float, headwind: float
) -> tuple[float, float]:
    """Take-off and landing distance with their factors [m]; the wind as it is to be credited [m/s]."""
    air = flight.over_field(density_altitude, elevation)
    wind = float(credited_headwind(headwind))
    off = take_off_distance(
        held.flight.aircraft,
        air,
        book_distance=book.take_off,
        book_mass=book.mass,
        lift_off_speed=book.lift_off_speed,
        headwind=wind,
    )
    down = landing_distance(
        held.flight.aircraft,
        air,
        book_distance=book.landing,
        book_mass=book.mass,
        approach_speed=book.approach_speed,
        headwind=wind,
    )
    return float(off) * book.take_off_factor, float(down) * book.landing_factor


def _fits(distance: float, length_ft: float | None) -> str:
    """A distance with its factor against the runway, in words."""
    if length_ft is None:
        return "runway length not stated"
    left = length_ft - words.up(distance, FT)
    if not math.isfinite(left):
        return "never leaves the ground"
    return f"fits, {words.number(left, 'ft')} left" if left >= 0 else f"{words.number(-left, 'ft')} TOO LONG"


def _runway_answer(
    held: Prepared, field: Airfield, airs: Sequence[tuple[str, float]], elevation_difference: float
) -> list[str]:
    """Take-off and landing without wind in the thinnest of some airs [m], as the table has it, a sentence."""
    book = held.flight.runway
    if book is None or not airs:
        return []
    high = max(da for _, da in airs) + elevation_difference * FT
    off, down = _distances(held, book, high, field.elevation, 0.0)
    told = [
        f"{name} {words.number(words.up(d, FT), 'ft')} ({_fits(d, field.runway.length_ft)})"
        for name, d in (("take-off", off), ("landing", down))
    ]
    length = field.runway.length_ft
    of = f" of {words.number(length, 'ft')}" if length is not None else ""
    return [
        f"On the runway{of} of {escape(field.name)} in that thin air, no wind, factors in: "
        f"<b>{'; '.join(told)}</b>."
    ]


@frame.fragment
def _runway(
    season: Season, day: Day, slot: Slot, held: Prepared, field: Airfield, elevation_difference: float
) -> None:
    st.subheader("Take-off and landing", anchor=False)
    book = held.flight.runway
    if book is None:
        st.info(
            "No book distances are stated. Write runway into aircraft.yaml, from the aircraft’s own data."
        )
        return
    wind = float(
        st.slider(
            "Wind along the runway [kt]; a tailwind is below zero",
            -10,
            30,
            0,
            key=f"aircraft_wind_{day.index}_{slot.position}",
        )
    )
    length = field.runway.length_ft
    airs = [("Standard sea level air", 0.0)]
    airs += [(name, da + elevation_difference * FT) for name, da in flight.slot_quantiles(season, day, slot)]
    rows = []
    for label, da in airs:
        try:
            off, down = _distances(held, book, da, field.elevation, wind * KT)
        except ValueError as error:
            st.error(markup.told(f"{error}."), icon=":material/error:")
            return
        rows.append(
            {
                "air": label,
                "da": words.number(da / FT),
                "off": words.number(words.up(off / book.take_off_factor, FT)),
                "off_safe": words.number(words.up(off, FT)),
                "off_fits": _fits(off, length),
                "down": words.number(words.up(down / book.landing_factor, FT)),
                "down_safe": words.number(words.up(down, FT)),
                "down_fits": _fits(down, length),
            }
        )
    columns = {
        "air": "Air",
        "da": "Density altitude [ft]",
        "off": "Take-off scaled [ft]",
        "off_safe": f"with factor {book.take_off_factor:g} [ft]",
        "off_fits": "Take-off on this runway",
        "down": "Landing scaled [ft]",
        "down_safe": f"with factor {book.landing_factor:g} [ft]",
        "down_fits": "Landing on this runway",
    }
    away = (
        f" The aircraft operates from {field.name} at {words.number(field.elevation_ft, 'ft')}, not from the "
        "show site: its air is taken to be as much thinner or thicker as the field is higher or lower."
        if elevation_difference
        else ""
    )
    known = (
        f"{field.name}: {words.number(length, 'ft')}"
        if length is not None
        else f"The length of {field.name}’s runway is not stated: write length_ft beside its heading"
    )
    aircraft = held.flight.aircraft
    st.html(
        markup.plain_table(
            rows,
            columns,
            f"Scaled from your book distances; wind credited: {_credited(wind)}",
            numeric=("da", "off", "off_safe", "down", "down_safe"),
        )
        + f'<p class="sh-note">{escape(known)}. Half of a headwind is credited, half as much again of a '
        f"tailwind. Book: {words.number(book.take_off / FT, 'ft')} and "
        f"{words.number(book.landing / FT, 'ft')} at {words.number(book.mass, 'kg')} in standard sea level "
        f"air; flown at {words.number(aircraft.mass, 'kg')}. Level, dry and firm: slope and surface are not "
        f"in it. The aircraft’s approved data decide.{escape(away)}</p>"
    )


def _credited(wind: float) -> str:
    credited = float(credited_headwind(wind))
    if credited == 0:
        return "none"
    return f"{words.number(abs(credited), 'kt', digits=1)} of {'headwind' if credited > 0 else 'tailwind'}"


def _over_density_altitude(air: AircraftAir, slot_air: SlotAir, held: Prepared) -> None:
    st.subheader("Speed and climb as the air thins", anchor=False)
    shown, grid = air.shown, air.grid_ft
    marks = [(x, t) for x, t in ((slot_air.median, "median"), (slot_air.high, "1 in 10")) if math.isfinite(x)]
    drawn = (
        ("Level top speed, indicated", "kt", shown.top_speed / KT),
        ("Best climb", "ft/min", shown.climb_rate * 60.0 / FT),
        ("Power of sea level’s", "%", 100.0 * shown.power_ratio),
    )
    for column, (title, unit, values) in zip(st.columns(3, gap="medium"), drawn, strict=True):
        with column:
            if not np.isfinite(values).any():
                st.info(f"{title}: none to draw. The aircraft cannot hold height.")
                continue
            frame.chart(
                charts_flight.in_hand_curve(
                    # The first is standard sea level air: no point of this field's curve.
                    [{"da": float(x), "value": float(v)} for x, v in zip(grid[1:], values[1:], strict=True)],
                    title,
                    unit,
                    marks,
                    zero=unit == "ft/min",
                    invented=slot_air.invented,
                ),
                f"{title} over density altitude; the table below holds the numbers.",
            )
    aircraft = held.flight.aircraft
    corner, stall = corner_speed(aircraft), float(stall_speed(aircraft))
    rows = []
    for n in range(0, grid.size, _EVERY):
        stretch, top = float(shown.true_over_equivalent[n]), float(shown.top_speed[n])
        rows.append(
            {
                "da": words.number(float(grid[n])) if n else "0, standard",
                "power": words.number(100.0 * float(shown.power_ratio[n])),
                "top": words.number(words.down(top, KT)),
                "top_true": words.number(words.down(top * stretch, KT)),
                "climb": words.number(words.down(60.0 * float(shown.climb_rate[n]), 10.0 * FT) * 10.0),
                "climb_speed": words.number(float(shown.climb_speed[n]) / KT),
                "stall": words.number(words.up(stall * stretch, KT)),
                "corner": words.number(words.up(corner * stretch, KT)),
                "tip": words.number(float(shown.top_tip_mach[n]), digits=2),
                "tip_fast": words.number(float(shown.fastest_tip_mach[n]), digits=2),
            }
        )
    level = {
        "da": "Density altitude [ft]",
        "power": "Power [% of sea level]",
        "top": "Level top speed, indicated [kt]",
        "top_true": "true [kt]",
        "climb": "Best climb [ft/min]",
        "climb_speed": "at indicated [kt]",
    }
    true = {
        "da": "Density altitude [ft]",
        "stall": "Stall at 1 g, true [kt]",
        "corner": "Corner speed, true [kt]",
        "tip": "Propeller tip Mach at level top speed",
        "tip_fast": f"Tip Mach at {words.number(aircraft.greatest_speed / KT, 'kt')}",
    }
    st.html(
        markup.plain_table(
            rows, level, f"{aircraft.name} at full throttle; – where it cannot hold height", numeric=level
        )
        + markup.plain_table(rows, true, "True speeds, and the propeller’s tips", numeric=true)
        + '<p class="sh-note">The first row is standard sea level air; the others are at the ground of this '
        "field, whose elevation stands for its pressure altitude: the lower ones are of cold days. "
        "Tips near Mach 0.9 and beyond lose thrust and gain noise; the thrust here does not know it.</p>"
    )


def _stall(slot_air: SlotAir, held: Prepared) -> None:
    st.subheader("Stall by load factor", anchor=False)
    aircraft = held.flight.aircraft
    airs = [(n, da) for n, da in (("median", slot_air.median), ("1 in 10", slot_air.high))]
    airs = [(n, da) for n, da in airs if math.isfinite(da)]
    loads = [n for n in (1.0, 2.0, 3.0, 4.0, 5.0, 6.0) if n < aircraft.max_load_factor]
    inverted = [-n for n in (1.0, 2.0, 3.0) if -n > aircraft.min_load_factor]
    rows = []
    for n in (*loads, aircraft.max_load_factor, *inverted, aircraft.min_load_factor):
        if n == 0:
            continue
        speed = float(stall_speed(aircraft, n))
        row = {"load": words.number(n, digits=1), "indicated": words.number(words.up(speed, KT))}
        for name, da in airs:
            stretch = math.sqrt(DENSITY_0 / float(FieldAir(da * FT).density()))
            row[name] = words.number(words.up(speed * stretch, KT))
        rows.append(row)
    corner, stated = corner_speed(aircraft), aircraft.manoeuvring_speed
    against = (
        f"Your stated manoeuvring speed of {words.number(stated / KT, 'kt')} is above it: between the two "
        f"the wing can pull more than {words.number(aircraft.max_load_factor, 'g', digits=1)}. "
        if stated > corner * 1.005
        else f"Your stated manoeuvring speed is {words.number(stated / KT, 'kt')}. "
    )
    st.html(
        markup.plain_table(
            rows,
            {"load": "Load factor [g]", "indicated": "Stall, indicated [kt]"}
            | {name: f"true, at the {name} [kt]" for name, _ in airs},
            "The same indicated in any air; the true speed, and with it every radius, grows",
            numeric=("load", "indicated", *(name for name, _ in airs)),
        )
        + f'<p class="sh-note">Corner speed, the slowest at which the structure’s '
        f"{words.number(aircraft.max_load_factor, 'g', digits=1)} can be pulled: "
        f"<b>{words.number(words.up(corner, KT), 'kt')}</b> indicated. {against}A turn or pull at the same "
        "indicated speed and g is wider by the square of true over indicated.</p>"
    )


def _unit(misfit: Misfit) -> tuple[str, float, int]:
    """Unit on the screen, its SI value, and digits."""
    return {
        "speed": ("kt", KT, 0),
        "rate": ("ft/min", FT / 60.0, 0),
        "height": ("ft", FT, 0),
        "ratio": ("", 1.0, 1),
    }[misfit.quantity]


def _known_to(share: float) -> str:
    """One standard error of a fitted number, as a share of it, in words."""
    return f"± {words.number(math.ceil(100.0 * share - 1e-9))} %" if share < 1.0 else "± as much as it is"


def _measured(held: Prepared) -> None:
    st.subheader("What you measured against what is reckoned", anchor=False)
    try:
        found = flight.calibrated(held)
    except InputError as error:
        st.error(markup.told(error), icon=":material/error:")
        return
    if found is None:
        st.info(
            "No measured numbers are stated. Write measured into aircraft.yaml: level top speed, climb and "
            "glide, or the apex and exit of a loop you have flown high with the needles in sight. Three or "
            "more, and the polar is held against them."
        )
        return
    rows = []
    for now, fitted in zip(found.as_stated, found.fit.misfits, strict=True):
        unit, scale, digits = _unit(now)
        rows.append(
            {
                "what": f"{now.name[:1].upper()}{now.name[1:]} [{unit or '1'}]",
                "measured": words.number(now.measured / scale, digits=digits),
                "stated": words.number(now.fitted / scale, digits=digits),
                "off": words.number(now.standardised, digits=1),
                "fitted": words.number(fitted.fitted / scale, digits=digits),
                "fitted_off": words.number(fitted.standardised, digits=1),
            }
        )
    bad = [m.name for m in found.as_stated if not abs(m.standardised) <= 2.0]
    lead = (
        f"<b>Does not fit</b>: {escape(words.joined(bad))}. A misfit beyond 2 reading errors means that a "
        "number is wrong, or the model; every height and speed on these pages leans on it. "
        if bad
        else "Every number is met within 2 reading errors. "
    )
    new, old = found.fit.aircraft, held.flight.aircraft
    told = [
        f"{key} {getattr(new, name):.{digits}f} {_known_to(share)} (now {getattr(old, name):.{digits}f})"
        for (key, name, digits), share in zip(
            (
                ("zero_lift_drag", "zero_lift_drag", 4),
                ("induced_drag_factor", "induced_drag_factor", 4),
                ("propeller efficiency", "propeller_efficiency", 3),
            ),
            found.fit.uncertainty,
            strict=True,
        )
    ]
    loose = (
        " <b>These numbers do not pin them down</b>: other values meet them as well. Keep your own, and "
        "measure climb, top speed and glide beside the figures."
        if max(found.fit.uncertainty) > _LOOSE
        else ""
    )
    st.html(
        f'<p class="sh-note">{lead}</p>'
        + markup.plain_table(
            rows,
            {
                "what": "What",
                "measured": "You measured",
                "stated": "aircraft.yaml gives",
                "off": "off by [reading errors]",
                "fitted": "Best fit gives",
                "fitted_off": "off by [reading errors]",
            },
            "Reading errors taken: 3 kt, 100 ft/min, 50 ft, half a point of glide",
            numeric=("measured", "stated", "off", "fitted", "fitted_off"),
        )
        + f'<p class="sh-note">The best fit: {"; ".join(told)}. Nothing here uses them until you write them '
        f"into aircraft.yaml.{loose}</p>"
    )


def _method() -> None:
    with st.expander("How this is worked out"):
        st.markdown(
            "Drag is CD0 + k CL². An unblown engine loses power by Gagg and Farrar’s formula; a blown one "
            "holds it to its critical *pressure* altitude, less the root of standard over actual "
            "temperature; or your own table. The propeller is an actuator disc: its thrust is finite "
            "standing still. The stall’s indicated speed does not change with air, and grows with the root "
            "of the load factor.\n\nTake-off goes with the square of the speed over the acceleration at 0.7 "
            "of it; landing with the square of the speed; both from your book’s numbers."
        )


def _page(season: Season) -> None:
    opened = flight.opened(season)
    if opened is None:
        return
    held, booking, day, slot = opened
    frame.notices(season, venue=day.venue)
    if day.status != "ok":
        frame.no_numbers(season, booking, day)
    venue_id = str(season.labels["venue"][day.venue])
    here = held.venue(venue_id)
    if here is None:
        st.warning(
            f"{markup.literal(booking.place)}: in these results, but no longer in the season folder. "
            "Bring the results up to date.",
            icon=":material/update:",
        )
        return
    slot_air = flight.slot_air(season, day, slot)
    air = flight.aircraft_air(held, elevation=here.elevation)
    difference = here.operating.elevation_ft - here.elevation_ft
    runway = _runway_answer(held, here.operating, flight.slot_quantiles(season, day, slot), difference)
    flight.answer(
        _answer(booking, day, slot, air, slot_air, runway), held, air.grid_ft, slot_air, held.own_floor_ft
    )
    _runway(season, day, slot, held, here.operating, difference)
    _over_density_altitude(air, slot_air, held)
    _stall(slot_air, held)
    _measured(held)
    _method()


season = load_season()
frame.begin(season, "The aircraft in thin air")
_page(season)
frame.end()
