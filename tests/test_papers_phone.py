"""The page for the telephone, held against the answer of the command on the same readings."""

from __future__ import annotations

import datetime as dt
import functools
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import CHROMIUM, FLAGS, chromium_or_skip
from papers_season import BEACH, HIGH, Made, papers_season

from pipeline import briefing, paperwork
from pipeline.air.variables import FT
from pipeline.observed import typed_reading
from pipeline.papers.phone import phone_page
from pipeline.which_show import WORDS, climbs_told, today_answer


@functools.cache
def season_of(booking: str) -> Made:
    """The season; for the beach of a pilot to whom two ambers are one red, with gusts that are estimated."""
    made = papers_season()
    if booking != BEACH:
        return made
    kinds = made.ds["venue_gusts"].copy(data=np.full(made.ds.sizes["venue"], "estimated", dtype=object))
    pilot = made.season.pilot.model_copy(update={"two_amber_is_red": True})
    ds = made.ds.assign(venue_gusts=kinds).assign_attrs(two_amber_is_red=1)
    return replace(made, season=replace(made.season, pilot=pilot), ds=ds)


@functools.cache
def page_of(booking: str) -> str:
    made = season_of(booking)
    days, _ = paperwork.booking_days(made.season, made.ds, [booking])
    return phone_page(paperwork.phone_contents(days[0]))


@functools.cache
def tops_of(booking: str) -> dict[str, float]:
    made = papers_season()
    return paperwork.show_tops(made.season, made.ds, booking)


def readings(seed: int, count: int) -> list[dict[str, Any]]:
    """Readings over the whole range in which answers change, with gaps."""
    rng = np.random.default_rng(seed)

    def some(value: float, share: float = 0.85) -> float | None:
        return value if rng.random() < share else None

    told = []
    for _ in range(count):
        temperature = float(rng.integers(5, 38))
        wind = some(float(rng.integers(0, 22)), 0.95)
        told.append(
            {
                "temperature_c": temperature,
                "dew_point_c": some(temperature - float(rng.integers(1, 25))),
                "altimeter_inhg": round(float(rng.uniform(29.5, 30.4)), 2),
                "station_elevation_ft": float(rng.choice([0.0, 1500.0, 6700.0])),
                "wind_from": some(float(rng.integers(0, 360)), 0.9),
                "wind_kt": wind,
                "gust_kt": some((wind or 0.0) + float(rng.integers(0, 18)), 0.6),
                "ceiling_ft": some(float(rng.choice([700.0, 1200.0, 1600.0, 2200.0, 4000.0, math.inf]))),
                "visibility_sm": some(float(rng.choice([2.0, 4.0, 10.0]))),
                "thunder": rng.choice([None, False, False, False, True]),
                "minutes": some(float(rng.integers(6 * 60, 17 * 60)), 0.9),
                "before": int(rng.random() < 0.3),
            }
        )
    return told


def test_the_page_answers_as_the_command_does(tmp_path: Path) -> None:
    """Two hundred random readings through the page's own script in a browser without a network.

    Altitudes agree within a foot, the states of every figure and cause and the show named are the same, and
    so are all sentences but for a unit in a last figure. Two shows within .5 % of each other in worth may
    change places: the page reads four-figure tables.
    """
    from playwright.sync_api import sync_playwright

    chromium_or_skip()
    asked: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        try:
            for booking in (HIGH, BEACH):
                made = season_of(booking)
                path = tmp_path / f"{booking}.html"
                path.write_text(page_of(booking), encoding="utf-8")
                page = browser.new_page(viewport={"width": 390, "height": 844})
                page.on("request", lambda request: asked.append(request.url))
                problems: list[str] = []
                page.on("pageerror", lambda error, kept=problems: kept.append(str(error)))
                page.goto(path.as_uri())
                assert page.evaluate("document.documentElement.scrollWidth") <= 390
                venue = made.season.venue(booking.removesuffix("-july"))
                air = briefing.day_air(made.ds, briefing.booking_day(made.ds, booking))
                routines = briefing.routine_chances(made.ds)
                for values in readings(11, 100):
                    typed = {k: ("none" if v == math.inf else v) for k, v in values.items()}
                    told = page.evaluate(
                        "x => answer({ ...x, ceiling_ft: x.ceiling_ft === 'none' ? 1 / 0 : x.ceiling_ft })",
                        typed | {"thunder": None if values["thunder"] is None else bool(values["thunder"])},
                    )
                    _compare(told, values, made, booking, venue, air, routines)
                assert problems == []
                # By hand, as a thumb would.
                page.fill("#temperature_c", "15")
                page.fill("#altimeter_inhg", "1013")
                assert "from 27 to 32.5" in page.inner_text("#show")
                page.fill("#altimeter_inhg", "29.92")
                detail = page.inner_text("#detail")
                assert "not cleared" in detail
                assert "A terminal forecast, where there is one, is better" in detail
                assert "not carried" in detail
                page.fill("#read_at", "8 h")
                assert "such as 08:30" in page.inner_text("#show")
                page.fill("#read_at", "0830")
                page.fill("#dew_point_c", "5")
                page.select_option("#read_on", "1")
                assert re.search(r"Carried to \d\d:\d\d, [23]\d\.\d h on", page.inner_text("#detail"))
                assert page.evaluate("document.documentElement.scrollWidth") <= 390
        finally:
            browser.close()
    assert all(url.startswith("file:") for url in asked)


def _compare(
    told: Any, values: dict[str, Any], made: Any, booking: str, venue: Any, air: Any, routines: Any
) -> None:
    infinite = values["ceiling_ft"] == math.inf
    minutes = values["minutes"]
    date = str(made.ds["day_date"].to_numpy()[briefing.booking_day(made.ds, booking)])
    day = dt.date.fromisoformat(date) - dt.timedelta(days=values["before"])
    read = dt.datetime.combine(day, dt.time()) + dt.timedelta(minutes=minutes or 0.0)
    reading = typed_reading(
        station_elevation=values["station_elevation_ft"] * FT,
        temperature_c=values["temperature_c"],
        dew_point_c=values["dew_point_c"],
        altimeter_inhg=values["altimeter_inhg"],
        wind_from=values["wind_from"],
        wind_kt=values["wind_kt"],
        gust_kt=values["gust_kt"],
        visibility_sm=values["visibility_sm"],
        ceiling_ft=None if infinite else values["ceiling_ft"],
        no_ceiling=infinite,
        thunder=None if values["thunder"] is None else bool(values["thunder"]),
        instant=None
        if minutes is None
        else np.datetime64(venue.utc(read.date(), read.time()).replace(tzinfo=None), "s"),
    )
    wanted = today_answer(
        made.ds,
        booking,
        reading,
        lapse_rate=venue.lapse_rate_k_per_km / 1000.0,
        thunder_stops=True,
        two_amber_is_red=made.season.pilot.two_amber_is_red,
        tops=tops_of(booking),
        air=air,
        routines=routines,
    )
    assert told["air"]["pa"] == pytest.approx(wanted.pressure_altitude_ft, abs=1.0)
    assert told["air"]["dry"] == pytest.approx(wanted.density_altitude_dry_ft, abs=1.0)
    if values["dew_point_c"] is not None:
        assert told["air"]["moist"] == pytest.approx(wanted.density_altitude_ft, abs=1.0)
    states = [f["state"] for f in told["figures"]]
    assert states == [f.state for f in wanted.answer.figures], values
    assert [sorted(f["why"]) for f in told["figures"]] == [
        sorted(WORDS[c] + (" not observed" if c in f.unknown else "") for c, _ in f.reasons)
        for f in wanted.answer.figures
    ], values
    assert told["act"] == dict(wanted.answer.act), values
    assert told["no_show"] == list(wanted.answer.no_show), values
    _alike(
        [
            [c["now"], c["median"], c["high"], 100 * c["share"]]
            for c in told["compared"]
            if c["now"] is not None
        ],
        [[c.now, c.median, c.high, 100 * c.share_below] for c in wanted.compared if np.isfinite(c.now)],
    )
    assert [c["words"] for c in told["compared"]] == [c.quantity for c in wanted.compared]
    assert [c["words"] for c in told["carried"]] == [c.quantity for c in wanted.carried]
    _alike(
        [[c["median"], c["low"], c["high"], c["lead"]] for c in told["carried"]],
        [[c.median, c.low, c.high, c.lead_hours] for c in wanted.carried],
    )
    assert [s["climbs"] for s in told["shows"]] == [climbs_told(s) for s in wanted.answer.shows]
    worth = {s["name"]: s for s in told["shows"]}
    value = {show.name: show.crowd_value for show in briefing.shows_of(made.ds, 0)}
    best = sorted(value[n] * (1.0 - s["chance"]) for n, s in worth.items())[-2:]
    if told["show"] != wanted.show:
        pair = [value[n] * (1.0 - worth[n]["chance"]) for n in (told["show"], wanted.show)]
        assert pair[0] == pytest.approx(pair[1], rel=5e-3), values
    elif best[1] > 1.005 * best[0]:
        _same_words([told["headline"], *told["notes"]], [wanted.headline, *wanted.notes])


def _alike(told: list[list[float]], wanted: list[list[float]]) -> None:
    assert len(told) == len(wanted)
    for one, other in zip(told, wanted, strict=True):
        assert one == pytest.approx(other, rel=1e-4, abs=0.6)


def _same_words(told: list[str], wanted: list[str]) -> None:
    """Sentence by sentence; a number may differ by what a last digit is worth."""
    assert len(told) == len(wanted), (told, wanted)
    for one, other in zip(told, wanted, strict=True):
        assert re.sub(r"[\d,]+", "#", one) == re.sub(r"[\d,]+", "#", other)
        numbers = [[int(n.replace(",", "")) for n in re.findall(r"\d[\d,]*", text)] for text in (one, other)]
        for mine, theirs in zip(*numbers, strict=True):
            step = 50 if theirs >= 100 and theirs % 50 == 0 else 1
            assert abs(mine - theirs) <= step, (one, other)


def test_the_page_is_whole_and_asks_for_nothing() -> None:
    """No address of any other place, cautions in plain sight, and no way out of the script's data."""
    text = page_of(HIGH)
    assert "http://" not in text
    assert "https://" not in text
    assert "INVENTED SEASON" in text
    assert "Planning aid only" in text
    assert text.count("</script>") == 1
    assert "default-src 'none'" in text


def test_names_cannot_break_the_page() -> None:
    """Text of the season folder is shown as text, whatever it holds."""
    made = papers_season()
    days, _ = paperwork.booking_days(made.season, made.ds, [HIGH])
    contents = paperwork.phone_contents(days[0]) | {"title": "</title><script>alert(1)</script>"}
    text = phone_page(contents)
    assert "<script>alert(1)" not in text
    assert text.count("</script>") == 1


def test_a_show_s_top_is_whole_feet_on_the_page() -> None:
    """As on the director's sheet: through metres and back a top is a hair under a ceiling as high as it."""
    made = papers_season()
    day = paperwork.booking_days(made.season, made.ds, [HIGH])[0][0]
    for feet in (900, 1700, 1800, 3500):
        contents: Any = paperwork.phone_contents(replace(day, tops={s.name: feet * FT for s in day.shows}))
        assert {show["top_ft"] for show in contents["shows"]} == {feet}
