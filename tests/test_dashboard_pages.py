"""Every page of the dashboard, run headless: what it says, and what it says when something is wrong."""

from __future__ import annotations

import math
import os
import re
import shutil
from pathlib import Path

import pytest
from dashboard_season import EMPTY, HOT, SEA, Made, small_season, thin_season
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import words
from dashboard.season import Season, stale_because
from pipeline import results
from pipeline.air.variables import FT, KT
from pipeline.inputs import digest_of, load_season

APP = Path(dashboard.__file__).with_name("app.py")


def _app(monkeypatch: pytest.MonkeyPatch, made: Made | None, **query: str) -> AppTest:
    for name in ("SHOWHOUR_RESULTS", "SHOWHOUR_SEASON"):
        monkeypatch.delenv(name, raising=False)
    if made is not None:
        monkeypatch.setenv("SHOWHOUR_RESULTS", str(made.results))
        monkeypatch.setenv("SHOWHOUR_SEASON", str(made.folder))
    app = AppTest.from_file(str(APP), default_timeout=60)
    for key, value in query.items():
        app.query_params[key] = value
    return app


def _venue(app: AppTest, **query: str) -> AppTest:
    app.switch_page("views/venue.py")
    for key, value in query.items():
        app.query_params[key] = value
    return app.run()


def _html(app: AppTest) -> str:
    """All HTML of the page in order."""
    return "\n".join(str(e.proto.body) for e in app.get("html"))


def _text(app: AppTest) -> str:
    """The same without tags, spaces plain."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", _html(app)).replace(words.NBSP, " "))


def _quiet(app: AppTest) -> AppTest:
    assert not app.exception
    return app


def test_bookings_page_says_what_the_results_say(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the results' own summary: rank, words, percentage and place of every booking."""
    made = small_season()
    app = _quiet(_app(monkeypatch, made).run())
    text = _text(app)
    with results.read_results(made.results) as ds:
        told = results.summary(ds)
    ranked = [b for b in told["bookings"] if b["rank"]]
    assert [b["rank"] for b in ranked] == [1, 2]
    for booking in ranked:
        assert booking["as_planned_in_words"] in text
        assert words.percent(booking["as_planned"]).replace(words.NBSP, " ") in text
    best = next(v["name"] for v in told["venues"] if v["venue"] == ranked[0]["venue"])
    assert re.search(rf"Best: {best} ", text)
    assert app.title[0].value == "Which bookings"


def test_every_page_carries_cautions_and_the_invented_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    """All four cautions and the word INVENTED, on each page."""
    app = _app(monkeypatch, small_season())
    for page in (app.run, lambda: _venue(app, booking=HOT)):
        _quiet(page())
        html = _html(app)
        assert "INVENTED" in html
        assert all(c.replace("'", "&#x27;") in html for c in results.CAUTIONS)


def test_a_link_opens_its_booking_day_and_slot(monkeypatch: pytest.MonkeyPatch) -> None:
    """Query parameters hold booking, day and slot, and the page opens there."""
    app = _quiet(_venue(_app(monkeypatch, small_season()), booking=HOT, day="2027-06-06", slot="13:00"))
    assert app.selectbox(key="choice_booking").value == HOT
    assert app.select_slider(key="choice_slot").value == "13:00"
    assert "At 13:00 on Sun 6 Jun" in re.sub(r"\s+", " ", _text(app))


def test_the_booking_stays_chosen_from_page_to_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chosen on the venue page, it is marked among the bookings and still chosen on coming back."""
    app = _venue(_app(monkeypatch, small_season()))
    app.selectbox(key="choice_booking").set_value(HOT).run()
    _quiet(app)
    assert app.query_params["booking"] == HOT
    app.switch_page("views/bookings.py").run()
    chosen = re.search(r'<tr class="chosen">.*?</tr>', _html(app), re.DOTALL)
    assert chosen is not None
    assert f"booking={HOT}" in chosen[0]
    app.switch_page("views/venue.py").run()
    assert app.selectbox(key="choice_booking").value == HOT


def test_another_booking_starts_at_its_own_slot(monkeypatch: pytest.MonkeyPatch) -> None:
    """Day and slot are not carried to the next booking: 14:30 is offered at the sea, 14:00 here."""
    app = _venue(_app(monkeypatch, small_season()), booking=SEA)
    assert app.select_slider(key="choice_slot").value == "14:30"
    app.select_slider(key="choice_slot").set_value("12:30").run()
    app.selectbox(key="choice_booking").set_value(HOT).run()
    assert app.select_slider(key="choice_slot").value == "14:00"
    _quiet(app)


def test_moving_the_slot_moves_the_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """The chance in the first sentence is that of the slot in hand, as the results hold it."""
    made = small_season()
    app = _venue(_app(monkeypatch, made), booking=HOT, day="2027-06-05")
    with results.read_results(made.results) as ds:
        told = results.summary(ds)
    day = next(b for b in told["bookings"] if b["booking"] == HOT)["days"][0]
    for slot in (day["slots"][0], day["slots"][-1]):
        app.select_slider(key="choice_slot").set_value(slot["start_local"]).run()
        wanted = f"({words.percent(slot['as_planned'])}".replace(words.NBSP, " ")
        assert f"At {slot['start_local']} on Sat 5 Jun" in _text(app)
        assert wanted in _text(app).split("What bites")[0]
    _quiet(app)


def test_what_if_moves_the_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit raised over the venue's air lowers the chance of change; nothing is written."""
    made = small_season()
    before = made.results.read_bytes()
    app = _venue(_app(monkeypatch, made), booking=HOT)
    app.selectbox(key="if_figure_0").set_value("Torque roll").run()
    f = Season(made.results).figures.index("Torque roll")
    key = f"if_limit_{f}_density_altitude"

    def row() -> list[str]:
        found = re.search(
            r'<th scope="row">Torque roll dropped or trimmed</th>(.*?)</tr>', _html(app), re.DOTALL
        )
        assert found is not None
        return re.findall(r"<td>(.*?)</td>", found[1])

    def chance(cell: str) -> float:
        found = re.search(rf"(\d+){words.NBSP}%", cell)
        assert found is not None
        return float(found[1])

    now, then = row()
    assert now == then
    top = app.slider(key=key).max
    app.slider(key=key).set_value((top - 500, top)).run()
    _quiet(app)
    now, then = row()
    assert chance(then) < chance(now)
    app.slider(key=key).set_value((top, top)).run()
    _quiet(app)
    assert any("must lie above" in w.value for w in app.warning)
    assert made.results.read_bytes() == before


def test_a_derived_limit_cannot_be_tried_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the flight's physics give a limit, no higher one can be tried: the more cautious one stands."""
    made = small_season()
    season = Season(made.results)
    column = season.conditions.index("density_altitude")
    derived = season.values["limit_derived"][:, column] / FT
    held = [
        f
        for f in season.full
        if math.isfinite(derived[f]) and math.isfinite(season.values["limit_used"][f, column])
    ]
    assert held
    app = _venue(_app(monkeypatch, made), booking=HOT)
    for f in held:
        app.selectbox(key="if_figure_0").set_value(season.figures[f]).run()
        _quiet(app)
        assert app.slider(key=f"if_limit_{f}_density_altitude").max <= derived[f] + 1e-6


def test_a_link_to_an_unknown_booking_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A booking that is not in the season is named, and another is shown."""
    app = _quiet(_venue(_app(monkeypatch, small_season()), booking="gone"))
    assert any("“gone”" in w.value for w in app.warning)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"day": "2027-06-13"}, ["the day “2027-06-13”"]),
        ({"slot": "14:07"}, ["the slot “14:07”, which this day does not have. Showing 14:00"]),
        ({"day": "", "slot": "late"}, ["the day “”", "the slot “late”"]),
        ({"day": "2027-06-06", "slot": "13:00"}, []),
        ({}, []),
    ],
)
def test_a_link_to_an_unknown_day_or_slot_says_so(
    asked: dict[str, str], told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a link asks for and the booking does not have is named: the answer is of another hour."""
    app = _quiet(_venue(_app(monkeypatch, small_season()), booking=HOT, **asked))
    links = [w.value for w in app.warning if "The link asks" in w.value]
    assert len(links) == len(told)
    assert all(what in said for what, said in zip(told, links, strict=True))


def test_day_and_slot_of_an_unknown_booking_are_no_other_booking_s(monkeypatch: pytest.MonkeyPatch) -> None:
    """14:30 is offered at the sea: the slot that a link asks for at a booking that is gone is not its."""
    app = _quiet(_venue(_app(monkeypatch, small_season()), booking="gone", day="2027-06-06", slot="12:30"))
    shown = app.selectbox(key="choice_booking").value
    assert shown == SEA
    assert app.select_slider(key="choice_slot").value == "14:30"
    assert len([w for w in app.warning if "The link asks" in w.value]) == 1


def test_a_failed_venue_is_said_at_the_top(monkeypatch: pytest.MonkeyPatch) -> None:
    """No hours for one venue: said once on both pages, with the reason and no path of a file; the others keep
    their numbers."""
    app = _quiet(_app(monkeypatch, small_season()).run())
    reason = "no station hours: no hours of station"
    assert [e.value.partition(reason)[0] for e in app.error] == ["No numbers for Nowhere Strip: "]
    assert "Nowhere Strip" in _text(app)
    app = _quiet(_venue(app, booking=EMPTY))
    assert sum(reason in e.value for e in (*app.error, *app.warning)) == 1
    assert not app.get("vega_lite_chart")


def test_thin_history_gives_the_reason_not_a_number(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two years where five are wanted: "not enough history", in words, and no chance anywhere."""
    app = _quiet(_app(monkeypatch, thin_season()).run())
    assert "No booking has enough history" in _text(app)
    assert "2 years with at least half of the window observed, 5 wanted" in _text(app)
    assert not re.search(r"\d %", _text(app).split("Before you act")[0].replace("90 % interval", ""))
    app = _quiet(_venue(app, booking=HOT))
    assert any("not enough history" in e.value for e in app.error)


def test_what_is_not_observed_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A cause that no station observes is "not observed", never a zero."""
    made = small_season()
    with results.read_results(made.results) as ds:
        held = ds.load()
    held["act_out_by_cause"][..., 3] = float("nan")
    held["station_completeness"][:, -1] = 0.0
    path = tmp_path / "results.nc"
    results.write_results(held, path)
    app = _quiet(_venue(_app(monkeypatch, Made(made.folder, path)), booking=HOT))
    assert re.search(r'<th scope="row">thunder</th><td>not observed</td>', _html(app))


def test_no_season_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Started by hand without a season: the way to start it is said."""
    app = _quiet(_app(monkeypatch, None).run())
    assert "showhour dashboard FOLDER" in app.error[0].value


def test_results_of_another_version(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Results of another schema are refused with the cure."""
    path = tmp_path / "results.nc"
    with results.read_results(small_season().results) as ds:
        older = ds.load().assign_attrs(schema_version="0")
    with monkeypatch.context() as then:
        then.setattr(results, "SCHEMA_VERSION", "0")
        results.write_results(older, path)
    app = _quiet(_app(monkeypatch, Made(tmp_path, path)).run())
    assert "schema version 0" in app.error[0].value
    assert "showhour forecast" in app.error[0].value


def test_damaged_results(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A file that is not netCDF is told in words."""
    path = tmp_path / "results.nc"
    path.write_bytes(b"not results")
    app = _quiet(_app(monkeypatch, Made(tmp_path, path)).run())
    assert "cannot be read" in app.error[0].value


def test_a_changed_season_folder_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Results older than the folder: said; a mistake written since: told with its place."""
    made = small_season()
    folder = tmp_path / "season"
    shutil.copytree(made.folder, folder)
    app = _quiet(_app(monkeypatch, Made(folder, made.results)).run())
    assert not any("since these results were computed" in w.value for w in app.warning)
    offers = folder / "bookings.yaml"
    text = offers.read_text(encoding="utf-8")
    offers.write_text(text.replace("11130", "12000"), encoding="utf-8")
    os.utime(offers, ns=(1, 1))
    _quiet(app.run())
    assert any("has changed since" in w.value for w in app.warning)
    offers.write_text(text.replace("enquiry", "perhaps"), encoding="utf-8")
    os.utime(offers, ns=(2, 2))
    _quiet(app.run())
    (told,) = [w.value for w in app.warning if "has a mistake" in w.value]
    assert "bookings.yaml" in told
    assert re.search(r"[^.]\. What you see is the season as it was before\.$", told)


def test_a_station_s_own_file_belongs_to_the_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Hours written into a station's file since the results: said; nothing else of the folder has changed."""
    folder = tmp_path / "season"
    shutil.copytree(small_season().folder, folder)
    path = folder / "venues" / "red-bench.yaml"
    path.write_text(
        path.read_text(encoding="utf-8").replace(
            "stations:\n",
            "stations:\n  - {source: csv, id: OWN, file: own.csv, latitude: 39.1, longitude: -104.6, "
            "elevation_ft: 6000}\n",
        ),
        encoding="utf-8",
    )
    own = folder / "own.csv"
    own.write_text("time_utc,temperature_c\n2026-07-01T18:00,20\n", encoding="utf-8")
    season = Season(small_season().results)
    season.attrs["season_digest"] = digest_of(load_season(folder))
    monkeypatch.setenv("SHOWHOUR_SEASON", str(folder))
    assert stale_because(season) == ""
    own.write_text("time_utc,temperature_c\n2026-07-01T18:00,21\n", encoding="utf-8")
    os.utime(own, ns=(1, 1))
    assert "has changed since" in stale_because(season)


def test_a_long_table_is_made_when_its_fold_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    """With 200 bookings the table of every hour has thousands of rows: not sent before it is asked for."""
    app = _quiet(_app(monkeypatch, small_season()).run())
    fold = next(e for e in app.expander if e.label == "The same as a table")
    assert not fold.get("html")
    assert fold.proto.id
    assert "In the window" not in _text(app)


def test_small_multiples_draw_every_quantity(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each choice draws a picture a ranked booking, beside the picture of the hours."""
    app = _app(monkeypatch, small_season()).run()
    for quantity in ("gust", "toward_crowd", "runway_crosswind", "density_altitude"):
        app.segmented_control(key="small_quantity").set_value(quantity).run()
        _quiet(app)
        assert len(app.get("vega_lite_chart")) == 1 + 2


@pytest.mark.parametrize("booking", [HOT, SEA])
def test_every_picture_has_words_beside_it(monkeypatch: pytest.MonkeyPatch, booking: str) -> None:
    """WCAG 2.1 1.1.1: every picture of the page carries a text alternative."""
    app = _quiet(_venue(_app(monkeypatch, small_season()), booking=booking))
    pictures = app.get("vega_lite_chart")
    assert len(pictures) == 9
    assert all(len(p.proto.alt) > 20 for p in pictures)


def test_both_bounds_of_an_unreported_gust_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """With every gust not reported at the mean wind, and at the most a report leaves out (FAA AC 00-45H)."""
    made = small_season()
    app = _quiet(_venue(_app(monkeypatch, made), booking=HOT))
    found = re.search(r"One day in ten is above (\d+) to (\d+) kt", _text(app))
    assert found
    with results.read_results(made.results) as ds:
        low, gust, high = (
            ds[f"{name}_quantile"].sel(quantile=0.9) / KT for name in ("gust_low", "gust", "gust_high")
        )
        known = gust.notnull()
        assert ((low <= gust + 1e-6) & (gust <= high + 1e-6)).where(known, True).all()
        pairs = {
            (f"{a:.0f}", f"{b:.0f}") for a, b in zip(low.values.ravel(), high.values.ravel(), strict=True)
        }
    assert found.groups() in pairs
    assert int(found[1]) < int(found[2])
