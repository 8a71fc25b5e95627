"""Tables that stand both on a page and in what is sent to others, as HTML."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from dashboard import markup, sentences, words
from dashboard.rows import BookingRow, Day, Season, Slot
from pipeline import briefing
from pipeline.decisions.limits import NEVER_FLOWN

__all__ = [
    "act",
    "figures",
    "first_limits",
    "hours_air",
    "hours_buy",
    "hours_weather",
    "shows",
    "shows_of_season",
]


# --- What hour --------------------------------------------------------------------------------------


def _where(row: briefing.SlotRow, answer: briefing.SlotAnswer) -> str:
    told = [] if row.in_window else ["outside the window"]
    if row is answer.rows[answer.offered]:
        told.append("in discussion")
    if row.as_good_as_best:
        told.append("as good as the best")
    return ", ".join(told)


def hours_buy(answer: briefing.SlotAnswer) -> str:
    """What every hour buys against the hour in discussion."""
    offered = answer.rows[answer.offered]
    rows = []
    for row in answer.rows:
        base = row is offered
        rows.append(
            {
                "local": row.local,
                "some": sentences.chance(row.any_show),
                "full": sentences.chance(row.full_show),
                "da": "–" if base else sentences.bought(row.gain.density_altitude_ft, 1.0, "ft"),
                "gain": "–" if base else sentences.bought(row.gain.any_show, 100.0, "in 100"),
                "whole": "–" if base else sentences.bought(row.gain.full_show, 100.0, "in 100"),
                "where": _where(row, answer),
            }
        )
    return markup.plain_table(
        rows,
        {
            "local": "Start, local",
            "some": "A rehearsed show unchanged [% of days]",
            "full": "Full show as planned [% of days]",
            "da": f"Density altitude against {offered.local} [ft]",
            "gain": "A rehearsed show, gain [days in 100]",
            "whole": "Full show, gain [days in 100]",
            "where": "",
        },
        "Differences are of the same past days; in brackets the 90 % interval. A gain of density "
        "altitude "
        "with a minus is thicker air.",
    )


def _weather(chance: float) -> str:
    return words.percent(chance) if math.isfinite(chance) else "not observed"


def hours_air(answer: briefing.SlotAnswer) -> str:
    """The air of every hour, and what bites in it."""
    return markup.plain_table(
        [
            {
                "local": r.local,
                "median": words.number(r.density_altitude_median_ft),
                "high": words.number(r.density_altitude_high_ft),
                "crowd": words.number(r.toward_crowd_high_kt),
                "gust": words.number(r.gust_high_kt),
                "bites": words.cause(r.bites),
            }
            for r in answer.rows
        ],
        {
            "local": "Start, local",
            "median": "DA, median [ft]",
            "high": "DA, 1 day in 10 above [ft]",
            "crowd": "Wind on the crowd, 1 day in 10 above [kt]",
            "gust": f"{words.heading('gust', answer.gusts)}, 1 day in 10 above [kt]",
            "bites": "What bites the full show",
        },
        f"Local time, {answer.timezone}. DA: density altitude",
        numeric=("median", "high", "crowd", "gust"),
    )


def hours_weather(answer: briefing.SlotAnswer) -> str:
    """Ceiling, visibility, thunder and the sun of every hour."""
    return (
        markup.plain_table(
            [
                {
                    "local": r.local,
                    "ceiling": _weather(r.ceiling),
                    "visibility": _weather(r.visibility),
                    "thunder": _weather(r.thunder),
                    "sun": r.sun or "in nobody’s eyes",
                }
                for r in answer.rows
            ],
            {
                "local": "Start, local",
                "ceiling": "Ceiling too low for the act [% of days]",
                "visibility": "Visibility too short [% of days]",
                "thunder": "Thunder [% of days]",
                "sun": "Sun and light",
            },
            "Weather and sun",
            numeric=("ceiling", "visibility", "thunder"),
        )
        + '<p class="sh-note">Ceiling and visibility are held against the act’s own minima: always too low '
        "at the limit, one day in twenty at the comfortable value. The sun is that of the day and place, a "
        "clear horizon taken; a line is looked along both ways.</p>"
    )


# --- Which show -------------------------------------------------------------------------------------


def shows_of_season(season: Season, told: Mapping[str, Any]) -> str:
    """Which show every booking with numbers is likely to need, and what to keep in reserve.

    Parameters
    ----------
    season
        The season.
    told
        From `pipeline.season_routines.routines_told`.
    """
    held = {r["booking"]: r for r in told["bookings"]}
    return markup.plain_table(
        [
            {
                "booking": b.name,
                "words": held[b.id]["in_words"],
                "plan": (held[b.id]["plan_on"] or "none")
                + ("" if held[b.id]["plan_keeps_a_further_change_to_1_day_in_10"] else " *"),
                "changed": words.share(held[b.id]["further_change"]),
                "reserve": ", ".join(held[b.id]["reserve"]) or "–",
            }
            for b in season.bookings
            if held[b.id]["status"] == "ok"
        ],
        {
            "booking": "Booking",
            "words": "Likely needed",
            "plan": "Plan on",
            "changed": "Changed all the same [% of days]",
            "reserve": "Keep in reserve",
        },
        "Planned on: the show worth most to the crowd among those that bring a further change on at "
        "most one "
        "day in ten flown. * no show keeps to that; the one that comes nearest.",
        numeric=("changed",),
    )


def shows(season: Season, booking: BookingRow, row: Mapping[str, Any]) -> str:
    """The season's shows at a booking's slot in discussion, on its first day.

    Parameters
    ----------
    season, booking
        Which booking.
    row
        The booking in `pipeline.season_routines.routines_told`.
    """
    day = season.days_of(booking.id)[0]
    v, at = season.values, (day.index, day.offered)
    current = row["current"][day.date]
    rows = []
    for r, name in enumerate(str(x) for x in season.labels["routine"]):
        flown = [float(v[f"routine_flown{end}"][at][r]) for end in ("", "_lower", "_upper")]
        planned = [float(v[f"routine_as_planned{end}"][at][r]) for end in ("", "_lower", "_upper")]
        changed = float(v["routine_change_if_flown"][at][r])
        rows.append(
            {
                "show": name,
                "flown": words.percent(flown[0]),
                "interval": words.interval(*flown[1:]),
                "planned": words.percent(planned[0]),
                "planned_interval": words.interval(*planned[1:]),
                "changed": words.percent(changed),
                "current": {None: "not judged", True: "yes", False: "no"}[current[name]],
            }
        )
    rows.append(
        {
            "show": words.NOTHING,
            "flown": words.percent(float(v["routine_none"][at])),
            **dict.fromkeys(("interval", "planned", "planned_interval", "changed", "current"), "–"),
        }
    )
    return markup.plain_table(
        rows,
        {
            "show": "Show",
            "flown": "The one to fly [% of days]",
            "interval": "90 % interval",
            "planned": "Could be flown unchanged [% of days]",
            "planned_interval": "90 % interval",
            "changed": "Changed if flown [% of its days]",
            "current": "Practised in time",
        },
        f"{booking.name}: {words.date(day.date)} at {day.slots[day.offered].local} local",
        numeric=("flown", "planned", "changed"),
    )


# --- The figures and the act ------------------------------------------------------------------------


def figures(season: Season, day: Day, slot: Slot) -> str:
    """Every figure at one slot, those outside the full show last."""
    others = [
        dict(r, figure=f"{r['figure']} (not in the full show)")
        for r in season.figure_rows(day, slot, others=True)
    ]
    return markup.plain_table(
        [
            {
                "figure": r["figure"],
                "changed": r["words"],
                "interval": words.interval(r["lower"], r["upper"]),
                "bites": r["bites"],
                **{c: words.percent(r[words.cause(c)]) for c in season.causes},
                "bound": words.percent(r["bound"]),
            }
            for r in [*season.figure_rows(day, slot), *others]
        ],
        {
            "figure": "Figure",
            "changed": "Dropped or trimmed",
            "interval": "90 % interval",
            "bites": "What bites",
            **{c: f"For {words.cause(c)} alone" for c in season.causes},
            "bound": "Unreported gusts at their bound",
        },
        f"Every figure at {slot.local} local time",
    )


def first_limits(season: Season, day: Day, slot: Slot) -> str:
    """Where the air begins to bite: the first figure of the full show past comfortable, and past its limit.

    Limits are rounded down: no air beyond one is told as within it.
    """
    v = season.values
    quantity = {"density_altitude": "density_altitude", "gust": "gust", "wind_toward_crowd": "toward_crowd"}
    rows = []
    for k, condition in enumerate(season.conditions):
        name, unit, scale = words.CONDITIONS[condition]
        limited = [f for f in season.full if math.isfinite(v["limit_used"][f, k])]
        never = [f for f in limited if v["limit_used"][f, k] <= NEVER_FLOWN]
        if not limited:
            continue
        told: dict[str, list[str]] = {"think": [], "out": []}
        for state, bound in (("think", "comfortable_used"), ("out", "limit_used")):
            held = [(float(v[bound][f, k]), f) for f in limited if f not in never]
            if held:
                value, f = min(held)
                told[state] = [f"{words.number(words.down(value, scale), unit)}: {season.figures[f]}"]
        if never:
            told["out"].append(f"never flown: {', '.join(season.figures[f] for f in never)}")
        usual = {"median": words.MISSING, "high": words.MISSING}
        if condition in quantity:
            air = season.air_rows(day, quantity[condition])[slot.position]
            name = season.heading(day, quantity[condition])
            usual = {end: words.number(air[end], unit) for end in usual}
        bites = {state: "; ".join(texts) or words.MISSING for state, texts in told.items()}
        rows.append({"what": name, **bites, **usual})
    return markup.plain_table(
        rows,
        {
            "what": "What to watch",
            "think": "Think from",
            "out": "Leave out from",
            "median": f"Median at {slot.local}",
            "high": "1 day in 10 above",
        },
        "The first figure of the full show to think about, the first to leave out, and what past years had "
        f"at {slot.local}",
        numeric=("median", "high"),
    )


def act(season: Season, day: Day, slot: Slot) -> str:
    """What keeps the whole act on the ground at one slot."""
    v, at = season.values, (day.index, slot.position)
    return markup.plain_table(
        [dict(r, cause=words.cause(r["cause"])) for r in season.act_rows(day, slot)],
        {"cause": "Cause", "words": "Grounded", "comfortable": "Comfortable", "limit": "Limit"},
        f"At {slot.local}: grounded for any observed cause {words.chance(float(v['act_out'][at]))}, 90 "
        "% interval "
        f"{words.interval(float(v['act_out_lower'][at]), float(v['act_out_upper'][at]))}. Causes not "
        "observed are "
        "left out of it, and of every chance on this page.",
        close=True,
    )
