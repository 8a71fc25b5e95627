"""Can I trust it: every booking's sentence, and what became of such forecasts in past years."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import streamlit as st

from dashboard import charts_trust, evidence, frame, markup, scores, words
from dashboard.season import Season, load_season
from pipeline.errors import StoreError

Told = Mapping[str, Any]


def _answer(rows: Sequence[Mapping[str, Any]], told: Told | None, folder: str) -> list[str]:
    counts = {g: [r for r in rows if r["grade"] == g] for g in scores.GRADE_WORDS}
    parts = []
    if counts["good"]:
        parts.append(f"<b>{len(counts['good'])}</b> deserve trust")
    if counts["with care"]:
        parts.append(f"<b>{len(counts['with care'])}</b> are to be used with care")
    if counts["poor"]:
        parts.append(f"<b>{len(counts['poor'])}</b> are not to be leaned on")
    if counts[""]:
        parts.append(f"<b>{len(counts[''])}</b> have none")
    lines = [f"Of the numbers of {len(rows)} bookings, {words.joined(parts)}."]
    invented = sum(r["invented"] for r in rows)
    if invented:
        which = "all of them" if invented == len(rows) else f"{invented} of them"
        lines[0] += f" The weather of {which} is invented, and judged here as if it were real."
    weak = [r["booking"] for r in rows if r["grade"] != "good"]
    if weak and len(weak) < len(rows):
        lines.append(f"Look first at {escape(words.joined(weak))}.")
    if told is None:
        lines.append(
            f"How such forecasts did in past years is not yet verified in full: run "
            f"<code>showhour verify {escape(folder)}</code>."
        )
        return lines
    held = scores.coverage_rows(told)
    if not held:
        lines.append("No venue has enough past years to check such forecasts against what happened.")
        return lines
    low, high = min(r["value"] for r in held), max(r["value"] for r in held)
    lines.append(
        f"Checked against past years at {len(held)} of {len(told['venues'])} venues: the 90 % interval of "
        f"density altitude held <b>{words.interval(low, high)}</b> of the hours, by venue; it should hold "
        f"90{words.NBSP}%. At {sum(1 for r in held if r['value'] < scores.WANTED)} of them it held less."
    )
    off = [r["venue"] for r in held if r["off"]]
    thin = [r["venue"] for r in held if r["thin_off"]]
    if off:
        lines.append(f"Off by more than sampling explains: {escape(words.joined(off))}.")
    if thin:
        lines.append(
            f"The air was thinner than the interval more often than it should be at "
            f"<b>{escape(words.joined(thin))}</b>: plan for thinner air there than the numbers say."
        )
    if not off and not thin:
        lines.append("No venue is off by more than sampling explains.")
    return lines


def _bookings(rows: Sequence[Mapping[str, Any]]) -> None:
    st.subheader("Booking by booking", anchor=False)
    st.html(
        markup.plain_table(
            rows,
            {"booking": "Booking", "told": "These numbers", "sentence": "Why"},
            "The least trusted first",
        )
    )


def _coverage(told: Told, *, invented: bool) -> None:
    st.subheader("Did the interval hold?", anchor=False)
    rows = scores.coverage_rows(told)
    short = [v for v in told["venues"] if v["status"] != "ok"]
    for v in short:
        st.info(markup.told(f"{v['name']}: {v['status']}"), icon=":material/hourglass_empty:")
    if not rows:
        return
    st.html(
        '<p class="sh-note">Each past year was forecast from the years before it alone. The interval should '
        "hold nine hours in ten (dashed); bars: two standard errors, a year being one observation. Diamond: "
        "off by more than three standard errors, which sampling does not explain.</p>"
    )
    frame.chart(
        charts_trust.coverage(rows, scores.WANTED, invented=invented),
        "Share of past show hours inside the 90 % interval of density altitude: "
        + "; ".join(f"{r['venue']} {r['held']}" for r in rows),
    )
    st.html(
        markup.plain_table(
            rows,
            {
                "venue": "Venue",
                "held": "Held [%], should be 90",
                "above": "Air thinner than the interval [%], should be 5",
                "below": "Air thicker than it [%], should be 5",
                "skill": "Skill over the season’s own distribution at that hour",
                "years": "Years",
                "hours": "Hours",
            },
            "Density altitude in past years, ± two standard errors. Skill above 0 beats the reference.",
            numeric=("years", "hours"),
        )
    )


def _thresholds(season: Season, venue: Told, *, invented: bool) -> None:
    st.subheader(f"Forecast and what happened at {markup.literal(venue['name'])}", anchor=False)
    rows = venue.get("thresholds", ())
    if not rows:
        st.info(f"Nothing could be scored: {markup.literal(venue['status'])}")
        return
    diagrams = [scores.reliability_rows(r) for r in rows]
    groups = [g for d in diagrams for g in d]
    outside = sum(1 for g in groups if not g["inside"])
    st.html(
        '<p class="sh-note">Hours with like forecasts are put together: how often it was forecast across, '
        "how often it happened upwards. On the dashed line forecasts come true. Pale bar: where nine in ten "
        "such groups would lie if the forecasts were right; hollow diamond: outside it. "
        f"{outside} of {len(groups)} groups lie outside here; about {len(groups) / 10:.0f} would by chance "
        "if every forecast were right, and some more since forecasts rest on few years.</p>"
    )
    with st.container(horizontal=True, gap="medium", key="reliability"):
        for diagram in diagrams:
            if not diagram:
                continue
            with st.container(width=290, gap=None):
                frame.chart(
                    charts_trust.reliability(diagram, invented=invented),
                    f"{diagram[0]['name']} at {venue['name']}, forecast and happened: "
                    + "; ".join(
                        f"{words.percent(g['forecast'])} and {words.percent(g['observed'])}" for g in diagram
                    ),
                    stretch=False,
                )
    with st.expander("The same as a table"):
        st.html(
            markup.plain_table(
                [
                    {
                        "name": g["name"],
                        "forecast": words.percent(g["forecast"]),
                        "observed": words.percent(g["observed"]),
                        "bar": words.interval(g["low"], g["high"]),
                        "inside": "yes" if g["inside"] else "no",
                        "count": words.number(float(g["count"])),
                    }
                    for g in groups
                ],
                {
                    "name": "Threshold",
                    "forecast": "Forecast [%]",
                    "observed": "Happened [%]",
                    "bar": "A right forecast gives [%]",
                    "inside": "Inside",
                    "count": "Hours",
                },
                f"Forecast and happened at {venue['name']}",
                numeric=("count",),
            )
        )
    columns = {
        "name": "Threshold",
        "happened": "Happened [%]",
        "bias": "Forecast too often (+) or too seldom (−) [days in 100]",
        "skill": "Brier skill",
        "brier": "Brier score",
        "reference": "Brier score of the reference",
        "hours": "Hours",
        "years": "Years",
    }
    st.html(
        markup.plain_table(
            scores.skill_rows(rows),
            columns,
            f"Chances at {venue['name']}, each past year from the years before it; ± two standard errors. "
            f"Reference: {venue['reference']}.",
            numeric=("brier", "reference", "hours", "years"),
        )
    )
    with st.expander("The same with each year left out in turn"):
        st.html(
            markup.plain_table(
                scores.skill_rows(venue["leave_one_year_out"]["thresholds"]),
                columns,
                "Forecast from all other years, later ones too: more years, but a forecast cannot know them. "
                "Gusts here are counted as reported, in the other years of the same reporting practice.",
                numeric=("brier", "reference", "hours", "years"),
            )
        )


def _gusts(season: Season, told: Told | None) -> None:
    rows = scores.gust_rows(season, told)
    if not rows:
        return
    st.subheader("Gusts that no report carries", anchor=False)
    st.html(
        markup.plain_table(
            rows,
            {
                "booking": "Booking",
                "reported": "Sampled hours whose report carried a gust [%]",
                "practice": "What is known of the reports",
                "figure": "Figure that unreported gusts could move most",
                "from": "Changed, as forecast [%]",
                "to": "Changed, with every unreported gust at its upper bound [%]",
            },
            "A report without a gust is not “gust zero”: the gust was below what is reported. At the slot in "
            "discussion, first show day.",
        )
    )


season = load_season()
frame.begin(season, "Can I trust it")
frame.notices(season, thin=False)
folder = str(season.attrs["season_folder"]).replace("\\", "/").rstrip("/").rpartition("/")[2]
told: Told | None = None
damaged = ""
try:
    told = scores.load_verification()
except StoreError as error:
    damaged = str(error)
if damaged:
    st.error(markup.told(damaged), icon=":material/error:")
for line in scores.older_than_results(season, told) if told else ():
    st.warning(markup.told(line), icon=":material/update:")
rows = scores.booking_rows(season)
st.html(markup.answer(_answer(rows, told, folder)))
_bookings(rows)
if told is None:
    st.info(
        f"Not yet verified: run `showhour verify {folder}`. It forecasts every past year from the years "
        "before it, at your bookings’ slots, and holds the forecasts against what happened. The sentences "
        "above rest on a shorter check of every fifth day.",
        icon=":material/fact_check:",
    )
else:
    st.html(f'<p class="sh-note">Verified {escape(evidence.moment(str(told["verified_at"])))} UTC.</p>')
    _coverage(told, invented=season.invented)
    better, worse, scored = scores.skill_counts(told)
    if scored:
        st.html(
            f'<p class="sh-note">Chances of thresholds, all venues: {better} of {scored} beat the season’s '
            f"own frequency at that hour by more than two standard errors, {worse} fall behind it by as "
            "much. At the others the date adds nothing that so few years could show.</p>"
        )
    booking = frame.choose_booking(season)
    at = season.days_of(booking.id)[0].venue
    chosen = next((v for v in told["venues"] if v["venue"] == str(season.labels["venue"][at])), None)
    if chosen is None:
        st.info(
            f"{markup.literal(booking.place)} was not part of the last check. "
            f"Run `showhour verify {folder}` again."
        )
    else:
        _thresholds(season, chosen, invented=bool(season.values["station_invented"][at]))
_gusts(season, told)
with st.expander("How this is worked out"):
    st.markdown(
        "The grade of a booking comes from what its venue’s numbers rest on: years of history, distance and "
        "height of the station, missing hours and pressures, what gusts come from, and a check against past "
        "years. The worst of these decides. Numbers never checked are *with care* at best."
    )
    st.html(
        markup.plain_table(
            scores.grade_rows(),
            {"what": "What is looked at", "care": "With care", "poor": "Do not lean on"},
            f"What takes a grade away. * And by more than {scores.BY_CHANCE:.0f} standard errors, which "
            "sampling does not explain",
        )
    )
    st.markdown(
        "The check forecasts each past year from earlier years alone, with the same sampling and trend as "
        "your season, at the slots of your bookings and the days around their dates. *Coverage* is the share "
        "of hours inside the 90 % interval. The *Brier score* is the mean square of forecast chance less "
        "outcome; its *skill* is 1 less its ratio to the reference’s, so 0 is no better than the reference "
        "and below 0 is worse. Neighbouring hours and days are one weather: every error takes a whole year "
        "as one observation.\n\n"
        "This says how forecasts of the air did. Whether your personal limits are right, no weather record "
        "can tell. The past checks the past: a change at the station, or a year unlike any before it, is not "
        "in it."
    )
frame.end()
