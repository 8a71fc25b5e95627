"""The page "The season": the plan as `showhour plan` decides it, its calendar, map and papers."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from html import escape
from pathlib import Path

import pytest
import yaml
from dashboard_season import EMPTY, HOT, SEA, Made, opened_at, small_season
from streamlit.testing.v1 import AppTest

from dashboard import charts_season, words
from dashboard.outlines import ATTRIBUTION
from dashboard.planning import plan_events
from pipeline.exports import calendar
from pipeline.inputs import load_season
from pipeline.results import CAUTIONS, read_results, write_results
from pipeline.run import forecast
from pipeline.season_plan import Plan, plan_season
from pipeline.stations.store import Store


def _page(monkeypatch: pytest.MonkeyPatch, made: Made) -> AppTest:
    app = opened_at(monkeypatch, "season", made)
    assert not app.exception
    return app


def _plan(made: Made) -> Plan:
    with read_results(made.results) as ds:
        return plan_season(ds, load_season(made.folder))


def _html(app: AppTest) -> str:
    return "\n".join(str(e.proto.body) for e in app.get("html")).replace(words.NBSP, " ")


def _table(app: AppTest, caption: str) -> list[list[str]]:
    """Cells of the table whose caption starts so, heads first."""
    found = re.search(rf"<table[^>]*><caption>{caption}.*?</table>", _html(app), re.DOTALL)
    assert found is not None, caption
    return [
        [re.sub(r"<[^>]+>", "", c) for c in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row)]
        for row in re.findall(r"<tr>(.*?)</tr>", found[0])
    ]


def test_every_offer_stands_once_inside_or_outside_the_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Decision, worth and cure are those of the `plan` command; ids are spoken as places and dates."""
    made = small_season()
    plan, app = _plan(made), _page(monkeypatch, made)
    names = {HOT: "Red Bench, 5 and 6 Jun", SEA: "Saltreach Beach, 24 Jul", EMPTY: "Nowhere Strip, 1 May"}
    outside = {r[0]: r for r in _table(app, "Offers outside the plan")[1:]}
    inside = {r[0]: r for r in _table(app, "The plan, in the order")[1:]} if plan.bookings else {}
    assert len(inside) + len(outside) == 3
    for offer in plan.offers:
        held = inside if offer.booking in plan.bookings else outside
        row = held[names[offer.booking]]
        assert row[1] == offer.decision
        if offer.worth_taking_if:
            assert row[3] == offer.worth_taking_if
    if plan.bookings:
        assert f"{plan.worth:,.0f} {plan.currency}" in _html(app)
    assert HOT not in _html(app)
    assert EMPTY not in _html(app)
    for caution in CAUTIONS:
        assert escape(caution) in _html(app)


def test_show_days_and_places_are_those_of_the_season_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """Text equivalents of calendar and map against bookings.yaml and the venue files read on their own."""
    made = small_season()
    app = _page(monkeypatch, made)
    offers = yaml.safe_load((made.folder / "bookings.yaml").read_text(encoding="utf-8"))
    wanted = sorted(str(d) for o in offers for d in o["show_days"])
    told = [r[1] for r in _table(app, "Every show day of every offer")[1:]]
    assert sorted(dt.datetime.strptime(t, "%a %d %b %Y").date().isoformat() for t in told) == wanted
    places = {r[0]: r for r in _table(app, "The places of the map")[1:]}
    bench, beach = (
        yaml.safe_load((made.folder / "venues" / f"{v}.yaml").read_text(encoding="utf-8"))
        for v in ("red-bench", "saltreach")
    )
    # The beach has no runway: the aircraft goes to the field that the act operates from.
    for field in (bench, beach["operating_field"]):
        row = places[field["name"]]
        assert row[2] == f"{field['latitude']:.2f}"
        assert row[3] == f"{field['longitude']:.2f}"
    assert ATTRIBUTION in _html(app)


def test_a_folder_changed_since_gives_no_plan(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Other fees or papers than the results know must not be mixed with them: it says what to run."""
    made = small_season()
    folder = tmp_path / "season"
    shutil.copytree(made.folder, folder)
    bookings = folder / "bookings.yaml"
    bookings.write_text(bookings.read_text(encoding="utf-8").replace("9000", "9001"), encoding="utf-8")
    app = _page(monkeypatch, Made(folder, made.results))
    assert any("showhour forecast" in e.value for e in app.error)
    assert 'class="sh-answer"' not in _html(app)


def test_lapsed_paper_and_signed_show_are_told_above_the_answer(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A contract is kept; a paper that ends the day before it is an alarm that names paper and show.

    The calendar to download holds that show at its slot: 14:30 at America/Los_Angeles in July is 21:30 UTC
    (daylight time is UTC-7: IANA time zone database).
    """
    made = small_season()
    folder = tmp_path / "season"
    shutil.copytree(made.folder, folder)
    offers = yaml.safe_load((folder / "bookings.yaml").read_text(encoding="utf-8"))
    offers = [o | {"state": "contracted"} for o in offers if o["id"] == SEA]
    (folder / "bookings.yaml").write_text(yaml.safe_dump(offers), encoding="utf-8")
    paper = {"kind": "insurance", "name": "Hull insurance", "expires": dt.date(2027, 7, 23)}
    (folder / "paperwork.yaml").write_text(yaml.safe_dump([paper]), encoding="utf-8")
    write_results(forecast(load_season(folder), Store(made.folder.parent / "cache")), tmp_path / "r.nc")
    app = _page(monkeypatch, Made(folder, tmp_path / "r.nc"))
    alarm = " ".join(w.value for w in app.warning)
    assert "Hull insurance expires on 2027-07-23" in alarm
    assert "Saltreach Beach, 24 Jul" in alarm
    assert [r[1] for r in _table(app, "The plan, in the order")[1:]] == ["keep"]
    legs = _table(app, "Journeys of the plan")[1:]
    assert legs[0][0].endswith("to Dunmarrow Field")
    assert legs[-1][1] == "home"
    season = load_season(folder)
    with read_results(tmp_path / "r.nc") as ds:
        text = calendar(plan_events(season, ds, plan_season(ds, season)), "x", dt.datetime.now(dt.UTC))
    entries = text.split("BEGIN:VEVENT")[1:]
    show = next(e for e in entries if "-slot@" in e)
    assert "DTSTART:20270724T213000Z" in show
    # From home and back, and nothing of an offer outside the plan.
    assert sum("UID:ferry-" in e for e in entries) == len(legs) == 2
    assert len({line for line in text.splitlines() if line.startswith("UID:")}) == len(entries)


def test_map_is_a_net_of_whole_degrees_around_every_place() -> None:
    """Every place lies inside the drawn net, also where the season crosses the 180th meridian."""
    places = [
        {"name": n, "label": n, "kind": "home", "latitude": lat, "longitude": lon, "shows": ""}
        for n, lat, lon in (("west", -17.5, 178.0), ("east", -14.3, -170.7))
    ]
    picture = charts_season.route_map(places, [], invented=False)
    net = [p for f in picture["layer"][3]["data"]["values"] for p in f["geometry"]["coordinates"]]
    west, east = min(p[0] for p in net), max(p[0] for p in net)
    assert west <= 178.0
    assert east >= 360.0 - 170.7
    assert east - west <= 30.0
    assert min(p[1] for p in net) <= -17.5
    assert max(p[1] for p in net) >= -14.3
    texts = [r["text"] for layer in picture["layer"] for r in layer["data"]["values"] if "text" in r]
    assert "170°W" in texts or "172°W" in texts
