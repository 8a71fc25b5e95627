"""One venue: the air at the show hour, which figures it takes, and what the numbers rest on."""

from __future__ import annotations

import math
from collections import Counter
from html import escape
from pathlib import Path

import numpy as np
import streamlit as st

from dashboard import answers, charts, frame, markup, sentences, tables, whatif, words, writeback
from dashboard.season import Day, Season, Slot, load_season, sampled_day
from pipeline import season_edit
from pipeline.air.variables import KT
from pipeline.decisions.limits import NEVER_FLOWN
from pipeline.settings import in_digits

_DRAWN = ("density_altitude", "gust", "toward_crowd", "runway_crosswind")


def _air(season: Season, day: Day, slot: Slot, *, invented: bool) -> None:
    st.subheader("The air by slot", anchor=False)
    st.html(
        '<p class="sh-note">Thick line: median. Pale band: eight days in ten. Upright bars: 90 % interval. '
        "Shaded: the "
        "organiser’s window. Ring: the slot in hand. Dashed and solid ink: comfortable and limit of the most "
        "demanding figure, or of the act. Dotted: the gust that one day in ten would exceed if every "
        "unreported gust were as large as a report may leave out and, where it lies lower than the band, if "
        "none were more than the mean wind.</p>"
    )
    for pair in (_DRAWN[:2], _DRAWN[2:]):
        for column, quantity in zip(st.columns(2, gap="medium"), pair, strict=True):
            rows = season.air_rows(day, quantity)
            name, unit = season.heading(day, quantity), words.QUANTITIES[quantity][1]
            with column:
                if not any(math.isfinite(r["median"]) for r in rows):
                    st.info(f"{name}: not observed at this station.")
                    continue
                at = next(r for r in rows if r["local"] == slot.local)
                frame.chart(
                    charts.air_by_slot(
                        rows,
                        quantity,
                        season.limit_of(day, quantity),
                        title=name,
                        invented=invented,
                        chosen=slot.local,
                    ),
                    f"{name} by slot. At {slot.local}: median {words.number(at['median'], unit)}, one day "
                    "in ten above "
                    f"{words.number(at['high'], unit)}.",
                    markup.plain_table(
                        [
                            {
                                "local": r["local"],
                                "median": words.number(r["median"]),
                                "low": words.number(r["low"]),
                                "high": words.number(r["high"]),
                                "interval": f"{words.number(r['high_lower'])} to "
                                f"{words.number(r['high_upper'])}",
                            }
                            for r in rows
                        ],
                        {
                            "local": "Local time",
                            "median": f"Median [{unit}]",
                            "low": f"One day in ten below [{unit}]",
                            "high": f"One day in ten above [{unit}]",
                            "interval": "90 % interval of that",
                        },
                        f"{name} by slot",
                        numeric=("median", "low", "high", "interval"),
                    ),
                )
                hidden = sentences.under_the_picture(season, day, slot, quantity, rows)
                if hidden:
                    st.html(f'<p class="sh-note">{escape(hidden)}</p>')


def _figures(season: Season, day: Day, slot: Slot, *, invented: bool) -> None:
    st.subheader("Which figures the air takes", anchor=False)
    rows = season.figure_rows(day, slot)
    left, right = st.columns([3, 2], gap="medium")
    with left:
        frame.chart(
            charts.figures_by_slot(
                season.change_rows(day),
                [season.figures[f] for f in season.full],
                slot.local,
                invented=invented,
            ),
            "Days in ten on which each figure is changed, by slot. The table beside it holds the slot in "
            "hand.",
        )
        st.html(
            frame.chance_legend()
            + '<p class="sh-note">“·” is less than half a day in ten. Framed: the slot in hand.</p>'
        )
    with right:
        frame.chart(
            charts.figures_at_slot(rows, invented=invented, slot=slot.local),
            f"Chance that each figure is changed at {slot.local}, with its 90 % interval and what bites.",
        )
        st.html(
            '<p class="sh-note">Dotted: how far it would go with every unreported gust at its upper '
            "bound.</p>"
        )
    with st.expander(f"The same as a table, at {slot.local}"):
        st.html(tables.figures(season, day, slot))


def _where_the_wind_carries(season: Season, day: Day, slot: Slot, *, invented: bool) -> None:
    st.subheader(f"The air at {slot.local}", anchor=False)
    sample = sampled_day(day)
    toward = sample["toward_crowd"][slot.position].ravel() / KT
    along = sample["along_line"][slot.position].ravel() / KT
    held = np.isfinite(toward) & np.isfinite(along)
    v = season.values
    left, right = st.columns(2, gap="medium")
    with left:
        if not held.any():
            st.info("Wind: not observed at this station.")
        else:
            spots = Counter(zip(np.round(toward[held]).tolist(), np.round(along[held]).tolist(), strict=True))
            hours = [{"toward": t, "along": a, "count": n} for (t, a), n in spots.items()]
            limit = season.limit_of(day, "toward_crowd")
            farthest = float(np.hypot(toward[held], along[held]).max())
            reach = float(max(12.0, 1.15 * farthest, 1.2 * limit[1] if limit else 0.0))
            onto = float(np.mean(toward[held] > 0))
            told = (
                f"The wind blew onto the crowd in {words.percent(onto)} of the sampled hours and off it in "
                f"{words.percent(float(np.mean(toward[held] < 0)))}."
            )
            if limit:
                told += (
                    f" Past comfortable ({words.limit(limit[0], 1.0, 'kt')}) in "
                    f"{words.percent(float(np.mean(toward[held] >= limit[0])))}, "
                    f"at or past the limit ({words.limit(limit[1], 1.0, 'kt')}, {limit[2]}) in "
                    f"{words.percent(float(np.mean(toward[held] >= limit[1])))}."
                )
            with st.container(key="plan_view"):
                frame.chart(
                    charts.plan_view(
                        hours,
                        line_heading=float(v["venue_line_heading"][day.venue]),
                        crowd_on_right=bool(v["venue_crowd_on_right"][day.venue]),
                        runway_heading=float(v["venue_runway_heading"][day.venue]),
                        limit=limit,
                        reach=reach,
                        invented=invented,
                        slot=slot.local,
                    ),
                    f"Show line, crowd and runway from above with the wind of every sampled hour. {told}",
                    stretch=False,
                )
            st.html(
                '<p class="sh-note">North up. Black: show line with its heading. Blue band: crowd. Green: '
                "runway heading. "
                "Each dot is where the wind of some hours carries you from the middle; larger for more "
                "hours. "
                "Dashed and solid: comfortable and limit toward the crowd. Wind at 10 m: it is stronger "
                "at figure "
                f"height. {escape(told)}</p>"
            )
    with right:
        da_ft = sample["density_altitude"][slot.position] / words.QUANTITIES["density_altitude"][2]
        if not np.isfinite(da_ft).any():
            st.info("Density altitude: not observed at this station.")
            return
        grid = np.linspace(float(np.nanquantile(da_ft, 0.002)), float(np.nanquantile(da_ft, 0.998)), 61)
        days = float(whatif.day_air(season, day).days[slot.position])
        above = whatif.exceedance_of(da_ft, days, grid)
        rows = [
            {"value": float(x), "above": float(p), "lower": float(lo), "upper": float(hi)}
            for x, p, lo, hi in zip(grid, above.value, above.lower, above.upper, strict=True)
        ]
        frame.chart(
            charts.exceedance(
                rows,
                "density_altitude",
                season.limit_of(day, "density_altitude"),
                invented=invented,
                slot=slot.local,
            ),
            f"How often density altitude at {slot.local} lies above each value, with its 90 % interval.",
            markup.plain_table(
                [
                    {
                        "value": words.number(r["value"]),
                        "above": words.chance(r["above"]),
                        "interval": words.interval(r["lower"], r["upper"]),
                    }
                    for r in rows[::6]
                ],
                {"value": "Density altitude [ft]", "above": "Above it", "interval": "90 % interval"},
                f"Density altitude at {slot.local}",
            ),
        )


def _figure_in_hand(control: str) -> None:
    """Put the figure into the address, so that the link can be shared, and into the session."""
    st.query_params["figure"] = st.session_state["figure"] = st.session_state[control]


@frame.fragment
def _what_if(season: Season, day: Day, slot: Slot, *, invented: bool) -> None:
    st.subheader("What if", anchor=False)
    st.html(
        '<p class="sh-note">Move a personal limit, or the slot, and see the chance move. Nothing is written '
        "before you have read the change and pressed the button.</p>"
    )
    curves = whatif.curves_used(season)
    air = whatif.day_air(season, day)
    pick, which = st.columns(2)
    names = [season.figures[f] for f in season.full]
    often = [float(season.values["figure_change"][day.index, slot.position, f]) for f in season.full]
    most = often.index(max(often))
    asked = st.query_params.get("figure", st.session_state.get("figure"))
    if asked in names:
        st.session_state["figure"] = asked
    with pick:
        figure = st.selectbox(
            "Figure",
            names,
            index=names.index(asked) if asked in names else most,
            key=f"if_figure_{day.index}",
            on_change=_figure_in_hand,
            args=(f"if_figure_{day.index}",),
        )
    f = season.figures.index(figure)
    stated = [c for c in season.conditions if curves.limit[c][f] > NEVER_FLOWN]
    if curves.limit["density_altitude"][f] <= NEVER_FLOWN:
        thin = season.conditions.index("density_altitude")
        st.html(
            f'<p class="sh-note"><b>Never flown</b>: {escape(str(season.values["limit_reason"][f, thin]))}. '
            "No limit that is moved here changes that.</p>"
        )
    if not stated:
        st.info(f"No personal limit of the {markup.literal(figure)} can be moved.")
        return
    with which:
        condition = st.selectbox(
            "Personal limit for",
            stated,
            format_func=lambda c: words.CONDITIONS[c][0],
            key=f"if_condition_{f}",
        )
    _, unit, scale = words.CONDITIONS[condition]
    now = float(curves.comfortable[condition][f]) / scale, float(curves.limit[condition][f]) / scale
    step = 100.0 if unit == "ft" else 1.0
    top = step * math.ceil(1.6 * now[1] / step)
    derived = float(season.values["limit_derived"][f, season.conditions.index(condition)]) / scale
    if math.isfinite(derived):
        # What the physics of the flight gives is not to be tried away.
        top = max(min(top, derived), now[1])
    pair, when = st.columns(2)
    with pair:
        in_use = " and ".join(words.limit(value, 1.0) for value in now)
        low, high = st.slider(
            f"Comfortable and limit [{unit}]; in use: {in_use}",
            0.0,
            top,
            now,
            step=step,
            format="%.0f",
            key=f"if_limit_{f}_{condition}",
        )
    with when:
        local = st.select_slider(
            "Slot, local time",
            [s.local for s in day.slots],
            value=slot.local,
            key=f"if_slot_{day.index}_{slot.local}",
        )
    reason = str(season.values["limit_reason"][f, season.conditions.index(condition)])
    if reason:
        st.html(f'<p class="sh-note">The limit in use: {escape(reason)}.</p>')
    at = next(s for s in day.slots if s.local == local)
    if high <= low:
        st.warning(
            "The limit must lie above the comfortable value. Move one of them.", icon=":material/warning:"
        )
        return
    planned_now = season.planned_rows(day)
    figure_now = next(r for r in season.figure_rows(day, at) if r["figure"] == figure)
    changed = abs(low - now[0]) > 1e-6 or abs(high - now[1]) > 1e-6
    if changed:
        tried = whatif.with_limit(curves, f, condition, low * scale, high * scale)
        of_figure = whatif.figure_if(air, tried, f)
        of_show = whatif.planned_if(season, day, air, tried, condition)
        s = at.position
        figure_then = {
            "changed": float(of_figure.value[s]),
            "lower": float(of_figure.lower[s]),
            "upper": float(of_figure.upper[s]),
        }
        planned_then = [
            dict(
                r,
                as_planned=float(of_show.value[k]),
                lower=float(of_show.lower[k]),
                upper=float(of_show.upper[k]),
            )
            for k, r in enumerate(planned_now)
        ]
    else:
        figure_then, planned_then = figure_now, planned_now
    show_now, show_then = planned_now[at.position], planned_then[at.position]

    def told(value: float, lower: float, upper: float) -> str:
        return f"{words.days_in_ten(value)} · {words.percent(value)} ({words.interval(lower, upper)})"

    st.html(
        markup.plain_table(
            [
                {
                    "what": f"{figure} dropped or trimmed",
                    "now": told(figure_now["changed"], figure_now["lower"], figure_now["upper"]),
                    "then": told(figure_then["changed"], figure_then["lower"], figure_then["upper"]),
                },
                {
                    "what": "Full show flown as planned",
                    "now": told(show_now["as_planned"], show_now["lower"], show_now["upper"]),
                    "then": told(show_then["as_planned"], show_then["lower"], show_then["upper"]),
                },
            ],
            {
                "what": f"At {local}",
                "now": "As your limits stand",
                "then": f"With {words.limit(low, 1.0)} and {words.limit(high, 1.0)} {unit}",
            },
            "In brackets the 90 % interval. Air that is thinner than your limit does not become thicker "
            "for moving it: "
            "a limit is yours to set on the ground and in practice, not here.",
        )
    )
    frame.chart(
        charts.planned_by_slot(
            planned_now, planned_then if changed else None, invented=invented, chosen=local
        ),
        f"Chance that the full show is flown as planned by slot; at {local} "
        f"{words.chance(show_now['as_planned'])} as the "
        f"limits stand and {words.chance(show_then['as_planned'])} with what you are trying.",
    )
    if changed:
        writeback.offer(
            "limit",
            f"{words.limit(low, 1.0)} and {words.limit(high, 1.0)} {unit} for the {figure}",
            (figure, condition, low, high),
            lambda folder: _limit_edit(folder, figure, condition, low, high),
        )
    if at.position != day.offered:
        writeback.offer(
            "slot",
            f"{local} as the slot in discussion",
            (day.booking, local),
            lambda folder: season_edit.changed(
                folder,
                "bookings.yaml",
                {(season_edit.position_of(folder, day.booking), "offered"): local},
            ),
        )
    _trend(season, day, at, show_now["as_planned"])


def _limit_edit(folder: Path, figure: str, condition: str, low: float, high: float) -> season_edit.Edit:
    unit = words.CONDITIONS[condition][1]
    key = (*season_edit.figure_key(folder, figure), "limits", f"{condition}_{unit}")
    # What is in use may have digits that nobody would write; down is the cautious way.
    return season_edit.changed(
        folder,
        "routine.yaml",
        {
            (*key, "comfortable"): in_digits(words.down(low, 1.0)),
            (*key, "limit"): in_digits(words.down(high, 1.0)),
        },
    )


def _trend(season: Season, day: Day, slot: Slot, now: float) -> None:
    """The trend switch: what bringing past years to this season's climate does to the chance."""
    without = whatif.planned_without_trend(season, day)
    trend = float(season.values["station_trend"][day.venue]) * 10.0
    if without is None:
        st.html(
            '<p class="sh-note">Warming: none is applied at this venue; past years count as warm as they '
            "were.</p>"
        )
        return
    if st.toggle("Bring past years to this season’s climate", value=True, key=f"if_trend_{day.index}"):
        return
    st.html(
        f"<p>At <b>{slot.local}</b>, with past years left as they were ({trend:+.2f} °C in ten years not "
        f"applied), the full show is flown as planned about <b>{words.percent(float(without[slot.position]))}"
        f"</b>, against {words.percent(now)}: to first order, without an interval. <b>Leaving a warming out "
        "makes thin air look rarer than it will be.</b></p>"
    )
    writeback.offer(
        "trend",
        "no trend, for the whole season",
        "off",
        lambda folder: season_edit.changed(folder, "season.yaml", {("history", "trend"): "false"}),
    )


def _rests_on(season: Season, day: Day, slot: Slot) -> None:
    with st.expander("What these numbers rest on"):
        st.html(markup.facts(season.sample_facts(day, slot), f"The sample at {slot.local}"))
        st.html(markup.facts(season.venue_facts(day.venue), "The station"))
        st.html(
            markup.facts(
                season.completeness(day.venue), "Share of the station’s hours that hold each quantity"
            )
        )


season = load_season()
frame.begin(season, "One venue")
booking = frame.choose_booking(season)
day, slot = frame.choose_day_and_slot(season, booking)
frame.notices(season, venue=day.venue, thin=False)
invented = bool(season.values["station_invented"][day.venue])
v, at = season.values, (day.index, slot.position)
sample = (
    f"station {escape(str(v['station_name'][day.venue]))}, {int(v['sample_years'][at])} years, "
    f"{words.number(float(v['sample_size'][at]))} sampled hours, worth "
    f"{words.number(float(v['sample_effective_size'][at]))} independent days"
    if v["station_name"][day.venue]
    else "no station hours"
)
st.html(
    f'<p class="sh-note"><b>{escape(booking.place)}</b> · {words.number(booking.elevation_ft, "ft")} '
    "elevation · "
    f"{escape(words.dates([d.date for d in season.days_of(booking.id)]))} · {escape(booking.state)} · "
    f"{escape(words.money(booking.fee, season.currency))} · {sample}"
    f"{' · <b>INVENTED WEATHER</b>' if invented else ''}</p>"
)
# Emptied first: nothing of another booking's page stands where it can be pushed down.
with st.container(key="venue_body"), st.empty().container():
    if day.status != "ok":
        frame.no_numbers(season, booking, day)
        _rests_on(season, day, slot)
    else:
        st.html(markup.answer(sentences.venue(season, booking, day, slot)))
        _figures(season, day, slot, invented=invented)
        _where_the_wind_carries(season, day, slot, invented=invented)
        _air(season, day, slot, invented=invented)
        st.subheader("What keeps the whole act on the ground", anchor=False)
        st.html(tables.act(season, day, slot))
        _what_if(season, day, slot, invented=invented)
        _rests_on(season, day, slot)
answers.booking_to_send(booking.id)
frame.end()
