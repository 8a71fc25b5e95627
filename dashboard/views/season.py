"""The season: which offers to take together, how the aircraft gets there, and what grounds it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from html import escape
from typing import Any

import streamlit as st

from dashboard import answers, charts_season, frame, markup, planning, words
from dashboard.outlines import ATTRIBUTION
from dashboard.season import Season, load_season
from pipeline.exports import calendar
from pipeline.inputs import Season as Inputs
from pipeline.season_plan import Leg, OfferTold, Plan

_TAKEN = ("take", "keep")


def _name(season: Season, booking: str) -> str:
    row = season.booking(booking)
    return booking if row is None else row.name


def _spoken(season: Season, text: str) -> str:
    """A sentence of the plan with every booking called by place and dates."""
    return season.every_id.sub(lambda m: _name(season, m[0]), text)


def _money(value: float | None, currency: str) -> str:
    return words.MISSING if value is None else words.money(value, currency)


def _percent(value: float | None) -> str:
    return words.MISSING if value is None else words.percent(value)


def _when(local: str) -> str:
    """Local time of a journey: "Sat 10 Jul 09:30"."""
    return f"{words.date(local[:10])} {local[11:16]}"


def _alarms(season: Season, plan: Plan) -> None:
    for line in plan.broken:
        st.error(
            markup.told(f"Contract that cannot be kept. {_spoken(season, line)}"), icon=":material/error:"
        )
    if plan.alarms:
        lines = "".join(f"\n- {markup.told(_spoken(season, line))}" for line in plan.alarms)
        st.warning(
            f"**What would ground you, or a contract below your bar**\n{lines}", icon=":material/alarm:"
        )


def _answer(season: Season, plan: Plan) -> list[str]:
    currency = plan.currency
    by = {d: [o for o in plan.offers if o.decision == d] for d in ("take", "keep", "pass", "barred")}
    if not plan.bookings and all(o.full_or_composed is None for o in plan.offers):
        return ["No offer can be weighed: no chance is known of any. Why stands beside each below."]
    if not plan.bookings:
        return [
            "No offer is worth its journeys and within your bar as it stands. What would change that stands "
            "beside each below."
        ]
    parts = []
    if by["take"]:
        parts.append(f"Take <b>{escape(words.joined(_name(season, o.booking) for o in by['take']))}</b>")
    if by["keep"]:
        kept = escape(words.joined(_name(season, o.booking) for o in by["keep"]))
        parts.append(f"Keep the contract{'s' if len(by['keep']) > 1 else ''} {kept}")
    lines = [
        f"{'. '.join(parts)}. Expected worth <b>{escape(words.money(plan.worth, currency))}</b>, after "
        f"{words.number(plan.ferry_hours, 'h')} of ferry for "
        f"{escape(words.money(plan.ferry_cost, currency))}."
    ]
    if plan.stays_best is None or plan.loss_1_in_10 is None:
        lines.append("How often it stays the best is not stated: too few years are held in common.")
    else:
        share = words.percent(plan.stays_best)
        told = f"It stays the best plan in {share} of {plan.draws} resamples of the years"
        if plan.loss_1_in_10 >= 0.5:
            lost = escape(words.money(plan.loss_1_in_10, currency))
            told += f"; in one in ten another is better by {lost} or more"
        lines.append(f"{told}. Fees, costs and the other chances are taken as they stand.")
    replies = sorted(
        (o.reply_by, o.booking) for o in plan.offers if o.reply_by and o.decision in ("take", "pass")
    )
    if replies:
        lines.append(
            f"First reply due: {escape(_name(season, replies[0][1]))}, by <b>{words.date(replies[0][0])}</b>."
        )
    return lines


def _offer_row(season: Season, offer: OfferTold) -> dict[str, Any]:
    return {
        "offer": _name(season, offer.booking),
        "slot": offer.slot,
        "state": offer.state,
        "decision": offer.decision,
        "full": _percent(offer.full_show),
        "show": _percent(offer.full_or_composed),
        "expected": words.MISSING if offer.expected is None else words.number(offer.expected),
        "reply": words.date(offer.reply_by) if offer.reply_by else words.MISSING,
        "why": _spoken(season, "; ".join([offer.why, *offer.notes])),
        "if": _spoken(season, offer.worth_taking_if) or words.MISSING,
    }


def _taken(season: Season, plan: Plan) -> None:
    rows = [_offer_row(season, o) for o in plan.offers if o.decision in _TAKEN]
    if rows:
        columns = {
            "offer": "Booking",
            "decision": "The plan",
            "state": "State now",
            "slot": "Slot, local",
            "full": "Full show as planned [% of days]",
            "show": "Full or composed show [% of days]",
            "expected": f"Expected, its costs off [{plan.currency}]",
            "reply": "Reply by",
            "why": "Why",
        }
        st.html(
            markup.plain_table(
                rows, columns, "The plan, in the order of the shows", numeric=("full", "show", "expected")
            )
        )


def _left(season: Season, plan: Plan) -> None:
    rows = [_offer_row(season, o) for o in plan.offers if o.decision not in _TAKEN]
    if not rows:
        return
    st.subheader("What the plan leaves, and what would make it worth taking", anchor=False)
    columns = {
        "offer": "Offer",
        "decision": "The plan",
        "why": "Why, and what it clashes with",
        "if": "What would change it",
        "state": "State now",
        "slot": "Slot, local",
        "show": "Full or composed show [% of days]",
        "expected": f"Expected, its costs off [{plan.currency}]",
        "reply": "Reply by",
    }
    st.html(
        markup.plain_table(
            rows,
            columns,
            "Offers outside the plan, in the order of their shows",
            numeric=("show", "expected"),
        )
    )


def _calendar(season: Season, plan: Plan, folder: Inputs) -> None:
    st.subheader("The season as a calendar", anchor=False)
    days = {b.id: b.show_days for b in folder.bookings}
    rows = [
        {
            "offer": _name(season, o.booking),
            "date": d.isoformat(),
            "day": words.date(d.isoformat(), year=True),
            "state": o.state,
            "decision": o.decision,
            "why": _spoken(season, o.why),
        }
        for o in plan.offers
        for d in days[o.booking]
    ]
    spells = [
        {
            "first": b.from_.isoformat(),
            "end": (b.to + dt.timedelta(days=1)).isoformat(),
            "why": f"{b.why}, {b.from_} to {b.to}{', aircraft at home' if b.at_home else ''}",
        }
        for b in folder.blackouts
    ]
    if spells:
        said = "; ".join(s["why"] for s in spells)
        st.html(f'<p class="sh-note">Grey: days without flying ({escape(said)}).</p>')
    frame.chart(
        charts_season.offers_by_date(rows, spells, invented=season.invented),
        "Every offer by its show days, and what the plan does with it. The table below holds the same.",
        markup.plain_table(
            rows,
            {"offer": "Offer", "day": "Show day", "state": "State now", "decision": "The plan", "why": "Why"},
            "Every show day of every offer",
        ),
    )
    answers.paper(
        "The plan as a calendar (slots, practise by, reply by, journeys)",
        "showhour-plan.ics",
        lambda: _ics(season, plan, folder),
        mime="text/calendar",
    )


def _ics(season: Season, plan: Plan, folder: Inputs) -> bytes:
    events = planning.plan_events(folder, answers.results(), plan)
    made = dt.datetime.fromisoformat(str(season.attrs["computed_at"]))
    return calendar(events, f"{season.name}: the plan", made).encode()


# --- The way ------------------------------------------------------------------------------------------


def _leg_row(season: Season, leg: Leg) -> dict[str, str]:
    lacks = f" ({', '.join(leg.not_observed)} not observed)" if leg.not_observed else ""
    return {
        "way": f"{leg.from_place} to {leg.to_place}",
        "for": _name(season, leg.for_booking) if leg.for_booking else "home",
        "off": _when(leg.take_off_local),
        "on": _when(leg.arrival_local),
        "latest": _when(leg.leave_latest_local) if leg.leave_latest_local else words.MISSING,
        "distance": words.number(leg.distance_nm),
        "legs": str(leg.legs),
        "hours": words.number(leg.flying_h, digits=1),
        "wind": "not observed" if leg.headwind_kt is None else words.number(leg.headwind_kt),
        "spare": str(leg.spare_days) if leg.for_booking else words.MISSING,
        "in_time": (
            words.MISSING
            if not leg.for_booking
            else "not observed" + lacks
            if leg.in_time is None
            else words.percent(leg.in_time) + lacks
        ),
    }


def _places(season: Season, plan: Plan, folder: Inputs) -> list[dict[str, Any]]:
    """Home and every offer's field, each once; those of the plan with their names on the map."""
    home = folder.home
    at = folder.venue(home).operating if isinstance(home, str) else home
    if at is None:
        raise ValueError("_places: a plan has a home")
    held: dict[tuple[float, float], dict[str, Any]] = {
        (at.latitude, at.longitude): {
            "name": at.name,
            "label": at.name,
            "kind": "home",
            "latitude": at.latitude,
            "longitude": at.longitude,
            "told": [],
        }
    }
    for offer in plan.offers:
        field = folder.venue(offer.venue).operating
        place = held.setdefault(
            (field.latitude, field.longitude),
            {
                "name": field.name,
                "label": "",
                "kind": "not in the plan",
                "latitude": field.latitude,
                "longitude": field.longitude,
                "told": [],
            },
        )
        place["told"].append(f"{_name(season, offer.booking)}: {offer.decision}")
        if offer.decision in _TAKEN:
            place["label"] = place["name"]
            place["kind"] = "home" if place["kind"] == "home" else "in the plan"
    return [dict(p, shows="; ".join(p["told"]) or words.MISSING) for p in held.values()]


def _way(season: Season, plan: Plan, folder: Inputs) -> None:
    st.subheader("Where the aircraft goes, and by when", anchor=False)
    places = _places(season, plan, folder)
    at = {p["name"]: p for p in places}
    ways = [
        {f"{end}_{axis}": at[name][axis] for end, name in ends for axis in ("latitude", "longitude")}
        for ends in ((("from", leg.from_place), ("to", leg.to_place)) for leg in plan.legs)
    ]
    st.html(
        '<p class="sh-note">To scale, from latitude and longitude. Heavy lines: journeys of the plan, '
        "straight over the earth; broken lines: borders. Not for navigation.</p>"
    )
    frame.chart(
        charts_season.route_map(places, ways, invented=season.invented),
        f"{len(plan.legs)} journeys of the plan between home and its fields. The tables hold them.",
        markup.plain_table(
            [
                {
                    "name": p["name"],
                    "kind": p["kind"],
                    "latitude": words.number(p["latitude"], digits=2),
                    "longitude": words.number(p["longitude"], digits=2),
                    "shows": p["shows"],
                }
                for p in places
            ],
            {
                "name": "Place",
                "kind": "On the map",
                "latitude": "Latitude [° north]",
                "longitude": "Longitude [° east]",
                "shows": "Offers",
            },
            "The places of the map",
            numeric=("latitude", "longitude"),
        ),
    )
    st.html(f'<p class="sh-note">{escape(ATTRIBUTION)}</p>')
    if plan.legs:
        columns = {
            "way": "From, to",
            "for": "For",
            "off": "Take off, local there",
            "on": "Arrive, local there",
            "latest": "Leave home by, with every day flyable",
            "distance": "Distance [NM]",
            "legs": "Legs",
            "hours": "Flying [h]",
            "wind": "Headwind planned [kt]",
            "spare": "Spare days",
            "in_time": "In time",
        }
        st.html(
            markup.plain_table(
                [_leg_row(season, leg) for leg in plan.legs],
                columns,
                "Journeys of the plan",
                numeric=("distance", "legs", "hours", "wind", "spare"),
            )
        )
    st.html("<ul class='sh-list'>" + "".join(f"<li>{escape(n)}</li>" for n in plan.notes) + "</ul>")


def _names(season: Season, bookings: Sequence[str]) -> str:
    return words.joined(_name(season, b) for b in bookings) or words.MISSING


def _others(season: Season, plan: Plan) -> None:
    if not plan.runners_up:
        return
    st.subheader("The plans next to it", anchor=False)
    st.html(
        markup.plain_table(
            [
                {
                    "place": str(k),
                    "less": words.number(plan.worth - other.worth),
                    "takes": _names(season, other.takes),
                    "leaves": _names(season, other.leaves),
                }
                for k, other in enumerate(plan.runners_up, start=2)
            ],
            {
                "place": "Place",
                "less": f"Worth less than the plan by [{plan.currency}]",
                "takes": "Takes instead",
                "leaves": "Leaves",
            },
            "Runners-up",
            numeric=("less",),
        )
    )


season = load_season()
frame.begin(season, "The season")
frame.notices(season, stale=False)
folder = answers.inputs(season)
plan = planning.season_plan(season)
_alarms(season, plan)
st.html(markup.answer(_answer(season, plan)))
_taken(season, plan)
_calendar(season, plan, folder)
_left(season, plan)
_way(season, plan, folder)
_others(season, plan)
if plan.floors:
    with st.expander("The floor that governs at each venue"):
        st.html(
            markup.plain_table(
                [
                    {"venue": folder.venue(v).name, "floor": words.number(feet), "name": name}
                    for v, feet, name in plan.floors
                ],
                {"venue": "Venue", "floor": "Floor above the ground [ft]", "name": "Stated by"},
                "Governing floors; your authorisation and the waiver in hand rule",
                numeric=("floor",),
            )
        )
with st.expander("How this is worked out"):
    st.markdown(
        "The plan is the set of offers of greatest expected worth among all sets whose journeys can be flown "
        "and that break no exclusivity, contracts kept first: what the offers are expected to pay, by the "
        "chances of the full show, of a reduced one and of none, times the chance to arrive in time, less "
        "costs and journeys. An offer below your own bar is barred, whatever it pays. *Worth taking with* is "
        "the fee, or the hour of its window, from which the best plan with the offer is worth no less than "
        "the best without it. Nothing here is an undertaking: replying and signing is yours.\n\n"
        "Papers are held against the show days of the plan as paperwork.yaml states them; what is legal is "
        "for you and the authority to say."
    )
frame.end()
