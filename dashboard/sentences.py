"""The answers in sentences, for the pages and for what is sent to others; HTML, every name escaped."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from dashboard import charts, words
from dashboard.rows import BookingRow, Day, Season, Slot
from pipeline import briefing
from pipeline.decisions.ranking import Comparison
from pipeline.results import minutes_and_seconds

__all__ = [
    "bookings",
    "bought",
    "chance",
    "hour",
    "hour_times",
    "trust",
    "under_the_picture",
    "venue",
    "which_show",
]

MOST_NAMED = 8
"""Bookings that a sentence names; the table under it holds them all."""


def _named(row: BookingRow) -> str:
    mark = ", INVENTED weather" if row.marked else ""
    return f"<b>{escape(row.place)}</b> ({escape(row.dates)}, {escape(row.slot)}{mark})"


def bookings(season: Season, *, fees: bool = True) -> list[str]:
    """Which bookings are good, and what bites the others; `fees` also which are worse than theirs."""
    ranked = [b for b in season.bookings if b.rank]
    if not ranked:
        return ["No booking has enough history for a number. The reasons stand beside each booking below."]
    best = ranked[0]
    same = [b for b in ranked[1:] if b.rank in best.same_ranks]
    lines = [
        f"Best: {_named(best)}, flown as planned <b>{escape(words.days_in_ten(best.as_planned))}</b> "
        f"({words.percent(best.as_planned)}, 90 % interval {words.interval(best.lower, best.upper)})."
    ]
    if same:
        lines[0] += (
            f" {len(same)} other{'s' if len(same) > 1 else ''} can’t be told apart from it: "
            f"{escape(words.joined([b.name for b in same], MOST_NAMED))}."
        )
    poor = [b for b in ranked if b.as_planned < 0.5]
    if poor:
        bites = words.joined(dict.fromkeys(words.cause(b.bites) for b in poor))
        lines.append(
            f"Dropped or trimmed more often than not: {words.joined([_named(b) for b in poor], MOST_NAMED)}. "
            f"What bites: <b>{escape(bites)}</b>."
        )
    worse = [b for b in ranked if b.worse_than_fee and fees]
    why = "most offers that pay no more are flown as planned at least one day in ten more"
    both = [b for b in poor if b in worse]
    if both:
        spared = [f"{escape(b.place)}, {escape(b.dates)}" for b in poor if not b.worse_than_fee]
        if not spared:
            which = "Each of them" if len(both) > 1 else "It"
        elif len(spared) < len(both):
            which = f"Each of them but {words.joined(spared, MOST_NAMED)}"
        else:
            which = words.joined([f"{escape(b.place)}, {escape(b.dates)}" for b in both], MOST_NAMED)
        lines[-1] += f" {which} is also worse than its fee says: {why}."
    others = [b for b in worse if b not in poor]
    if others:
        asked = [f"{_named(b)} at {escape(words.money(b.fee, season.currency))}" for b in others]
        lines.append(f"Worse than the fee says ({why}): {words.joined(asked, MOST_NAMED)}.")
    return lines


def trust(season: Season) -> str:
    """Whether the numbers deserve trust, a line for all bookings of which the same is true; or nothing."""
    by_sentence: dict[str, list[str]] = {}
    for booking in season.bookings:
        if booking.rank and booking.trust:
            by_sentence.setdefault(booking.trust, []).append(f"{booking.place}, {booking.dates}")
    if not by_sentence:
        return ""
    lines = [
        f"{escape(sentence)} <span class='sh-note'>{escape('; '.join(names))}</span>"
        for sentence, names in sorted(by_sentence.items(), key=lambda item: -len(item[1]))
    ]
    return "<ul class='sh-list'>" + "".join(f"<li>{line}</li>" for line in lines) + "</ul>"


def venue(season: Season, booking: BookingRow, day: Day, slot: Slot) -> list[str]:
    """What the air of a slot does to the show, the best slot, and whether that is to be trusted."""
    row = next(r for r in season.planned_rows(day) if r["local"] == slot.local)
    da = next(r for r in season.air_rows(day, "density_altitude") if r["local"] == slot.local)
    lines = [
        f"At <b>{slot.local}</b> on {escape(words.date(day.date))} the full show is flown as planned "
        f"<b>{escape(words.days_in_ten(row['as_planned']))}</b> ({words.percent(row['as_planned'])}, 90 % "
        "interval "
        f"{words.interval(row['lower'], row['upper'])}). What bites: <b>{escape(row['bites'])}</b>. "
        "Density altitude: median "
        f"{words.number(da['median'], 'ft')}; one day in ten above {words.number(da['high'], 'ft')}."
    ]
    figures = sorted(season.figure_rows(day, slot), key=lambda r: -r["changed"])
    often = [r for r in figures if r["changed"] >= 0.5]
    if often:
        lines.append(
            "Dropped or trimmed at least every other day: "
            + escape(words.joined([f"{r['figure']} ({words.days_in_ten(r['changed'])})" for r in often]))
            + "."
        )
    elif figures:
        first = figures[0]
        lines.append(
            "No figure is changed as often as every other day; the first to go is the "
            f"{escape(first['figure'])}, "
            f"{escape(words.chance(first['changed']))}, most of all for {escape(first['bites'])}."
        )
    if booking.best_slot and booking.best <= booking.worst:
        lines.append("No slot in the window is better than another for the full show.")
    elif booking.best_slot:
        told = (
            "the history tells them apart"
            if booking.slots_told_apart
            else "but the history can’t tell them apart"
        )
        lines.append(
            f"Best slot in the window for the full show {booking.best_slot} "
            f"({words.percent(booking.best)}), worst {booking.worst_slot} "
            f"({words.percent(booking.worst)}): {told}."
        )
    if booking.trust:
        lines.append(f"Trust: {escape(booking.trust)}")
    return lines


def _signed(difference: float) -> str:
    sign = "+" if round(difference) > 0 else "−" if round(difference) < 0 else "±"
    return f"{sign}{abs(difference):,.0f}"


_GUSTS = {
    "observed": "elsewhere the mean wind stands.",
    "modelled": "elsewhere the mean wind stands or, in years that reported gusts otherwise than the last, a "
    "gust drawn from the winds.",
    "estimated": "the others are estimated from the winds, with a model of other stations.",
    "none": "there is no wind to take gusts from.",
}
"""What stands where no gust was reported."""


def under_the_picture(
    season: Season, day: Day, slot: Slot, quantity: str, rows: Sequence[Mapping[str, Any]]
) -> str:
    """What a picture of the air by slot does not show: a limit beyond its scale, gusts not reported.

    Parameters
    ----------
    season, day, slot
        What is drawn, and the slot in hand.
    quantity
        Key of `words.QUANTITIES`.
    rows
        From `Season.air_rows`.
    """
    told = []
    if quantity == "gust":
        share = float(season.values["gust_reported_share"][day.index, slot.position])
        told.append(
            f"A gust was reported in {words.percent(share)} of the hours; {_GUSTS[season.gusts_at(day)]}"
        )
        here = next(r for r in rows if r["local"] == slot.local)
        if here["bound_low"] < here["bound"]:
            told.append(
                f"One day in ten is above {words.number(here['bound_low'])} to "
                f"{words.number(here['bound'], words.QUANTITIES[quantity][1])}: the first if every gust not "
                "reported was no more than the mean wind, the second if each was as large as a report may "
                "leave out."
            )
    limit = season.limit_of(day, quantity)
    if limit is None:
        return " ".join([*told, "No personal limit is stated for it."])
    low, high = charts.drawn_range(limit, rows)
    unit = words.QUANTITIES[quantity][1]
    hidden = [
        f"{name} {words.limit(value, 1.0, unit)}"
        for name, value in (("comfortable", limit[0]), ("limit", limit[1]))
        if not low <= value <= high
    ]
    if hidden:
        told.append(f"Off the picture: {words.joined(hidden)} ({limit[2]}).")
    return " ".join(told)


def bought(gain: Comparison, scale: float, unit: str) -> str:
    """A paired difference with its interval; said where it cannot be told from none."""
    if not math.isfinite(gain.difference):
        return "not observed"
    between = f"{_signed(scale * gain.lower)} to {_signed(scale * gain.upper)}"
    if not gain.told_apart:
        return "can’t be told apart" + (f" ({between})" if gain.lower < gain.upper else "")
    return f"{_signed(scale * gain.difference)}{words.NBSP}{unit} ({between})"


def chance(of: briefing.Chance) -> str:
    """A chance with its interval, for a table."""
    if not math.isfinite(of.value):
        return "not enough history"
    return f"{words.percent(of.value)} ({words.interval(of.lower, of.upper)})"


def _told(of: briefing.Chance) -> str:
    """A chance in a sentence."""
    return (
        f"<b>{escape(words.days_in_ten(of.value))}</b> ({words.percent(of.value)}, 90 % interval "
        f"{words.interval(of.lower, of.upper)})"
    )


def hour_times(answer: briefing.SlotAnswer, ask: briefing.Ask) -> str:
    """The three times, as a short table that reads at arm's length."""
    stated = words.percent(answer.stated_chance)
    rows = (
        ("First ask", ask.first or "nothing to ask: the hour in discussion stands"),
        ("Fall back on", ask.fallback or "–"),
        ("Walk away after", ask.walk_away or f"no hour of the {answer.window} keeps {stated}"),
    )
    cells = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td><b>{escape(value)}</b></td></tr>' for name, value in rows
    )
    return f'<table class="sh facts short"><caption>Local time</caption><tbody>{cells}</tbody></table>'


def hour(answer: briefing.SlotAnswer, day: Day) -> list[str]:
    """What hour to ask for, and what being late costs."""
    offered = answer.rows[answer.offered]
    if answer.best is None:
        return ["No hour of the window has enough history for a number."]
    best = answer.rows[answer.best]
    where = f"{escape(answer.place)}, {escape(words.date(day.date))}"
    if offered.as_good_as_best:
        first = (
            f"{where}: <b>{offered.local}</b>, the hour in discussion, "
            + ("is" if offered is best else "is as good as")
            + f" the best of the {answer.window}. Some rehearsed show is flown unchanged "
            f"{_told(offered.any_show)}."
        )
    else:
        first = (
            f"{where}: ask for <b>{best.local}</b> in place of {offered.local}. Some rehearsed show is "
            f"then flown unchanged {_told(best.any_show)}, against {_told(offered.any_show)}."
        )
    same = [r.local for r in answer.rows if r.as_good_as_best and r is not best]
    if same and not (offered.as_good_as_best and same == [offered.local]):
        first += f" As good as {best.local}: {escape(words.joined(same))}."
    lines = [first]
    if best.full_show.value < 0.05:
        lines.append(
            f"Do not sell the full show here: flown as planned "
            f"{escape(words.chance(best.full_show.value))} even "
            f"at {best.local}."
        )
    lines.append(_late(answer))
    meant = {best.local, offered.local, offered.late_local}
    glare = [f"{r.local}: {r.sun}" for r in answer.rows if r.local in meant and r.sun]
    if glare:
        lines.append(f"Sun and light at {escape(words.joined(glare))}.")
    if answer.sunset_note:
        lines.append(escape(answer.sunset_note))
    return lines


def _late(answer: briefing.SlotAnswer) -> str:
    offered = answer.rows[answer.offered]
    if offered.late is None:
        return escape(answer.too_late)
    after = next(r for r in answer.rows if r.local == offered.late_local)
    show = offered.late.any_show
    both = words.percent(offered.any_show.value), words.percent(after.any_show.value)
    if not show.told_apart:
        moved = f"can’t be told apart ({both[0]} on time, {both[1]} late)"
    elif both[0] == both[1]:
        moved = f"is hardly moved ({both[0]})"
    else:
        moved = f"goes from {both[0]} to {both[1]}"
    air = escape(bought(offered.late.density_altitude_ft, 1.0, "ft"))
    return (
        f"If the show runs {answer.late_minutes} minutes late ({offered.late_local}): a rehearsed show flown "
        f"unchanged {moved}; density altitude {air}."
    )


def which_show(told: Mapping[str, Any], row: Mapping[str, Any], booking: BookingRow) -> list[str]:
    """Which show to plan on for a booking, what to keep in reserve, and what is not practised in time.

    Parameters
    ----------
    told, row
        From `pipeline.season_routines.routines_told`, and the booking in it.
    booking
        The booking.
    """
    changed = math.nan if row["further_change"] is None else float(row["further_change"])
    if row["plan_on"] is None:
        return [f"{escape(booking.name)}: no show can be planned on."]
    first = (
        f"{escape(booking.name)} at {escape(booking.slot)}: plan on the <b>{escape(row['plan_on'])}</b> "
        f"show. "
        f"Likely needed: <b>{escape(row['in_words'])}</b>. On {escape(words.chance(changed))} the show flown "
        "still has a figure dropped or trimmed."
    )
    lines = [first]
    if not row["plan_keeps_a_further_change_to_1_day_in_10"]:
        lines.append(
            "No routine of the season keeps a further change to one day in ten here: this one comes nearest. "
            "Think about an earlier hour, or one routine more."
        )
    if row["longer_than_its_slot"]:
        over = [f"{n} by {minutes_and_seconds(s)}" for n, s in row["longer_than_its_slot"].items()]
        lines.append(f"<b>Longer than the slot</b>, with its climbs, min:s: {escape(words.joined(over))}.")
    if row["reserve"]:
        lines.append(f"Keep in reserve: <b>{escape(words.joined(row['reserve']))}</b>.")
    else:
        lines.append("No figure outside that show is likely enough to be needed to keep in reserve.")
    practice = told["practice"]
    if practice is not None:
        late = sorted({r["show"] for r in practice["refused"] if r["booking"] == row["booking"]})
        if late:
            days = words.joined([words.date(d) for d in late])
            lines.append(
                f"<b>Not practised in time</b> for {escape(days)}: a figure not practised is no reserve, and "
                "no part of the show."
            )
    return lines
