"""Every page on good and bad days: no exception, and what is wrong is said above the answer."""

from __future__ import annotations

import datetime as dt
import functools
import logging
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import yaml
from dashboard_season import EMPTY, HOT, Made, small_season, thin_season
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import frame, sentences, tables, words
from dashboard.season import Season
from pipeline import results
from pipeline.briefing import slot_answer
from pipeline.papers.sheet import Table
from pipeline.paperwork import ask_sheet
from pipeline.record import add_run, record_path

HOME = Path(dashboard.__file__).parent
PAGES = sorted(p.name for p in (HOME / "views").glob("*.py"))
MANY = 200


@functools.cache
def many_season() -> Made:
    """Two hundred offers: the two good bookings of the small season over and over, a day apart each time."""
    made = small_season()
    root = made.folder.parent / "many"
    shutil.copytree(made.folder, root / "season")
    first = dt.date(2027, 4, 12)
    dates = [(first + dt.timedelta(days=i // 2)).isoformat() for i in range(MANY)]
    names = [f"offer-{i:03d}" for i in range(MANY)]
    with results.read_results(made.results) as ds:
        held = ds.load()
    good = [list(held["day_booking"].values).index(b) for b in (HOT, "beach-july")]
    rows = [good[i % 2] for i in range(MANY)]
    bookings = [list(held["booking"].values).index(held["day_booking"].values[r]) for r in rows]
    held = held.isel(booking_day=rows, booking=bookings, other_booking=bookings)
    held["day_booking"].values[:] = names
    held["day_date"].values[:] = dates
    held["booking_rank"].values[:] = np.arange(1, MANY + 1)
    held = held.assign_coords(booking=("booking", np.array(names, dtype=object)))
    results.write_results(held, root / "results.nc")
    offers = {o["id"]: o for o in yaml.safe_load((made.folder / "bookings.yaml").read_text("utf-8"))}
    written = [
        offers[(HOT, "beach-july")[i % 2]] | {"id": name, "show_days": [dates[i]]}
        for i, name in enumerate(names)
    ]
    text = yaml.safe_dump(written, sort_keys=False)
    (root / "season" / "bookings.yaml").write_text(text, encoding="utf-8")
    return Made(root / "season", root / "results.nc")


def nothing_yet() -> Made:
    """A folder that does not exist, and no results."""
    root = small_season().folder.parent
    return Made(root / "not-yet", root / "not-yet.nc")


def never_run() -> Made:
    """A season without results."""
    return Made(small_season().folder, small_season().folder.parent / "never.nc")


DAYS: dict[str, tuple[Callable[[], Made], str | None, str]] = {
    "the demo": (small_season, HOT, ""),
    "an empty season": (nothing_yet, None, "holds no season yet"),
    "a season never run": (never_run, None, "It has not been computed yet"),
    "a failed venue": (small_season, EMPTY, "No numbers for Nowhere Strip: no station hours"),
    "a thin station": (thin_season, HOT, "No numbers for Red Bench: not enough history: 2 years"),
    "two hundred bookings": (many_season, "offer-150", ""),
}


def _opened(monkeypatch: pytest.MonkeyPatch, made: Made) -> AppTest:
    monkeypatch.setenv("SHOWHOUR_RESULTS", str(made.results))
    monkeypatch.setenv("SHOWHOUR_SEASON", str(made.folder))
    monkeypatch.setenv("SHOWHOUR_CACHE", str(made.folder.parent / "cache"))
    return AppTest.from_file(str(HOME / "app.py"), default_timeout=120)


def _top(app: AppTest) -> str:
    """What stands above and in the answer: all text to the first subheading or the end of the answer."""
    told = []
    for element in app.main:
        if element.type == "subheader":
            break
        body = str(getattr(element.proto, "body", ""))
        if "<style" not in body:
            told.append(re.sub(r"<[^>]+>", " ", body.replace(words.NBSP, " ")))
        if element.type in ("title", "error", "warning", "info"):
            told.append(str(element.value))
        if "sh-answer" in body and "<style" not in body:
            break
    return re.sub(r"\s+", " ", " ".join(told))


@pytest.mark.parametrize("day", DAYS)
def test_every_page_stands_and_says_what_is_wrong(day: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """All twelve pages, each with no exception, a title, its cautions, and the statement at its top."""
    make, booking, statement = DAYS[day]
    app = _opened(monkeypatch, make()).run()
    assert len(PAGES) == 12
    for page in PAGES:
        app.switch_page(f"views/{page}")
        if booking is not None:
            app.query_params["booking"] = booking
        app.run()
        assert not app.exception, page
        assert len(app.title) == 1, page
        assert not any("the fault lies in showhour" in e.value for e in app.error), page
        html = "".join(str(e.proto.body) for e in app.get("html"))
        assert "sh-cautions" in html, page
        top = _top(app)
        assert statement in top, (page, top)
        if day == "a thin station" and page == "season.py":
            assert "No offer can be weighed: no chance is known" in top
        if day == "a thin station" and page == "bookings.py":
            assert "What each hour costs" not in [s.value for s in app.subheader], "a heading over nothing"
        if day == "the demo":
            assert "No numbers for Red Bench" not in top


def _changed(tmp_path: Path, **attrs: object) -> Made:
    """The small season's results, with other attributes, where a run record can be laid beside them."""
    made = small_season()
    with results.read_results(made.results) as ds:
        held = ds.load().assign_attrs(attrs)
    results.write_results(held, tmp_path / "results.nc")
    return Made(made.folder, tmp_path / "results.nc")


def _run(**other: object) -> dict[str, object]:
    return {
        "started": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "seconds": 1.0,
        "command": "run",
        "exit_code": 0,
        "stations": [],
        "venues_failed": [],
        "moved": [],
        **other,
    }


def test_old_numbers_are_called_old(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A day past the bound: said with how many days ago, on a season page and on a venue's; younger: not."""
    for days, said in ((frame.OLD_DAYS + 1, True), (frame.OLD_DAYS - 1, False)):
        at = dt.datetime.now(dt.UTC) - dt.timedelta(days=days)
        app = _opened(monkeypatch, _changed(tmp_path, computed_at=at.isoformat(timespec="seconds"))).run()
        for page in ("bookings.py", "venue.py"):
            app.switch_page(f"views/{page}").run()
            assert not app.exception
            assert (f"These numbers were computed {days} days ago" in _top(app)) == said, (days, page)


def test_what_failed_in_the_last_run_is_said_where_it_touches(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A station that could not be fetched: on season pages and on its own venue's, on no other venue's. A
    run that gave nothing: said on every page."""
    made = _changed(tmp_path)
    failed = {
        "source": "synthetic",
        "station": "DEMO-RED-BENCH",
        "venues": ["red-bench"],
        "error": "too slow",
    }
    add_run(made.results, _run(stations=[failed], exit_code=3))
    app = _opened(monkeypatch, made).run()
    line = "The last run: synthetic DEMO-RED-BENCH (red-bench): too slow"
    for page, booking, said in (
        ("bookings.py", HOT, True),
        ("sources.py", HOT, True),
        ("venue.py", HOT, True),
        ("venue.py", "beach-july", False),
    ):
        app.switch_page(f"views/{page}")
        app.query_params["booking"] = booking
        app.run()
        assert not app.exception
        assert sum(w.value == line for w in app.warning) == said, page
    add_run(made.results, _run(exit_code=4, venues_failed=[{"venue": "red-bench", "status": "no hours"}]))
    app.run()
    assert "The last run, today, gave no numbers: what you see is from the run before it." in _top(app)


def test_a_damaged_record_of_runs_is_told_where_a_failed_run_would_be(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without the record nobody knows whether the last run failed: said once at the top of each page, with
    the cure, and the numbers still stand."""
    made = _changed(tmp_path)
    record_path(made.results).write_text("{", encoding="utf-8")
    app = _opened(monkeypatch, made).run()
    for page in PAGES:
        app.switch_page(f"views/{page}")
        app.query_params["booking"] = HOT
        app.run()
        told = [e.value for e in app.error if "Whether the last run failed is not known" in e.value]
        assert len(told) == 1, (page, [e.value for e in app.error])
        assert "Move it away" in told[0]
        assert told[0] in _top(app), page
        assert not any("run record" in w.value for w in app.warning)


def test_numbers_not_to_lean_on_are_called_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The worst grade: its sentence on the venue's pages, one line on the season's, and on no other venue's;
    not twice where the answer says it."""
    poor = "Do not lean on these numbers: only 6 years of history."
    fair = "Use these numbers with care: not checked against the past."
    made = small_season()
    with results.read_results(made.results) as ds:
        held = ds.load()
    ids = list(held["booking"].values)
    held["booking_trust_grade"] = held["booking_trust_grade"].astype(object)
    for booking, sentence, grade in ((HOT, poor, "poor"), ("beach-july", fair, "with care")):
        held["booking_trust"].values[ids.index(booking)] = sentence
        held["booking_trust_grade"].values[ids.index(booking)] = grade
    results.write_results(held, tmp_path / "results.nc")
    line = "Do not lean on the numbers of: Red Bench (why: see *Can I trust it*)"
    app = _opened(monkeypatch, Made(made.folder, tmp_path / "results.nc")).run()
    for page, booking, said in (
        ("bookings.py", HOT, [line]),
        ("season.py", HOT, [line]),
        ("hour.py", HOT, [poor]),
        ("today.py", HOT, [poor]),
        ("hour.py", "beach-july", []),
        ("venue.py", HOT, []),
        ("trust.py", HOT, []),
    ):
        app.switch_page(f"views/{page}")
        app.query_params["booking"] = booking
        app.run()
        assert not app.exception
        assert [w.value for w in app.warning if "o not lean on" in w.value] == said, page
        if page == "venue.py":
            assert f"Trust: {poor}" in _top(app)


def test_made_up_weather_is_marked_beside_real(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """One venue's station invented in a season that is not: said on each of its pages and beside its
    bookings, and on no page of another venue."""
    with results.read_results(_changed(tmp_path, invented=0).results) as ds:
        held = ds.load()
    venues = list(held["venue"].values)
    held["station_invented"].values[:] = [v == "red-bench" for v in venues]
    results.write_results(held, tmp_path / "results.nc")
    app = _opened(monkeypatch, Made(small_season().folder, tmp_path / "results.nc")).run()
    named = {b.id: b.name for b in Season(tmp_path / "results.nc").bookings}
    assert named[HOT] == "Red Bench, 5 and 6 Jun (INVENTED weather)"
    html = "".join(str(e.proto.body) for e in app.get("html"))
    rows = re.findall(r"<tr[^>]*>(?:(?!</tr>).)*</tr>", html)
    assert {"Red Bench" in row for row in rows if "INVENTED" in row} == {True}
    assert "<b>Red Bench</b> (5 and 6 Jun, 14:00, INVENTED weather)" in html.replace(words.NBSP, " ")
    for page in ("venue", "hour", "show", "figure", "aircraft", "energy", "today"):
        for booking, said in ((HOT, True), ("beach-july", False)):
            app.switch_page(f"views/{page}.py")
            app.query_params["booking"] = booking
            app.run()
            assert not app.exception
            assert ("the weather of Red Bench is made up" in _top(app)) == said, (page, booking)


def test_gusts_of_other_stations_are_called_estimated(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Wherever the dashboard shows a gust of such a venue; at a venue with reports nowhere."""
    made = small_season()
    with results.read_results(made.results) as ds:
        held = ds.load()
    held["venue_gusts"] = held["venue_gusts"].astype(object)
    held["venue_gusts"].values[list(held["venue"].values).index("red-bench")] = "estimated"
    held["gust_reported_share"].values[:] = 0.0
    results.write_results(held, tmp_path / "results.nc")
    changed = Made(made.folder, tmp_path / "results.nc")
    app = _opened(monkeypatch, changed).run()
    app.segmented_control(key="small_quantity").set_value("gust").run()
    assert not app.exception
    text = " ".join(str(h.proto.body) for h in app.get("html"))
    assert re.findall(r"[^>]*\(estimated\)", text) == ["Red Bench, 5 and 6 Jun (estimated)"]
    assert "· estimated" in text
    season = Season(changed.results)
    for booking, called in ((HOT, "Gust peak, estimated"), ("beach-july", "Gust peak")):
        day = season.days_of(booking)[0]
        slot = day.slots[day.offered]
        assert season.heading(day, "gust") == called
        told = sentences.under_the_picture(season, day, slot, "gust", season.air_rows(day, "gust"))
        assert ("estimated" in told) == (booking == HOT)
        answer = slot_answer(held, booking)
        assert f"{called}, 1 day in 10 above [kt]" in tables.hours_air(answer)
        (table,) = [b for b in ask_sheet(answer, booking).blocks if isinstance(b, Table)]
        assert ("estimated gust kt, 1 in 10" in table.header) == (booking == HOT)
        facts = dict(season.sample_facts(day, slot))
        assert facts["Hours whose report carried a gust"].startswith("none; the gusts are")


def test_a_venue_page_tells_the_warnings_of_its_own_file(tmp_path: Path) -> None:
    """A warning of a venue's file on that venue's pages and the season's; not on another venue's."""
    warnings = ["venues/red-bench.yaml: one", "venues/saltreach.yaml: two", "bookings.yaml: three"]
    season = Season(_changed(tmp_path, input_warnings="\n".join(warnings)).results)
    told = {
        venue: [words_ for _, words_ in season.notices(season.labels["venue"].index(venue))]
        for venue in ("red-bench", "saltreach")
    }
    assert [w for w in told["red-bench"] if w in warnings] == warnings[:1]
    assert [w for w in told["saltreach"] if w in warnings] == warnings[1:2]
    assert [w for _, w in season.notices() if w in warnings] == warnings


def test_no_traceback_reaches_the_screen(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault of the program on a page: one paragraph and the cautions on the screen; the traceback, with
    the line that failed, for the terminal; the other pages stand."""

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("secret detail")

    app = _opened(monkeypatch, small_season())
    with monkeypatch.context() as then, caplog.at_level(logging.ERROR):
        then.setattr(frame, "notices", broken)
        app.run()
        assert not app.exception
        assert [e.value for e in app.error if "the fault lies in showhour" in e.value]
        assert not any("secret detail" in e.value or "Traceback" in e.value for e in app.error)
        assert "sh-cautions" in "".join(str(e.proto.body) for e in app.get("html"))
    assert "ZeroDivisionError: secret detail" in caplog.text
    assert "in broken" in caplog.text
    app.run()
    assert not app.error or all("the fault lies" not in e.value for e in app.error)


def test_a_part_that_runs_by_itself_is_guarded_too(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault in the what-if of a venue leaves the rest of the page standing, a paragraph in its place."""
    from dashboard import whatif

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("secret detail")

    app = _opened(monkeypatch, small_season()).run()
    app.switch_page("views/venue.py")
    app.query_params["booking"] = HOT
    # The page's own numbers are at hand, so that only what is tried fails.
    app.run()
    assert not app.exception
    monkeypatch.setattr(whatif, "curves_used", broken)
    app.run()
    assert not app.exception
    assert any("the fault lies in showhour" in e.value for e in app.error)
    assert any(e.label == "What these numbers rest on" for e in app.expander)
    assert "ZeroDivisionError: secret detail" in caplog.text


def test_no_part_of_a_page_runs_unguarded() -> None:
    """Every fragment is the guarded kind: Streamlit runs a fragment again without the page around it."""
    for path in HOME.rglob("*.py"):
        assert "@st.fragment" not in path.read_text(encoding="utf-8"), path.name
