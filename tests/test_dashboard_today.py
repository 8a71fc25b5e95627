"""The page of the day: what it says of a reading, against the limits in the season folder and the command."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from dashboard_season import EMPTY, HOT, SEA, Made, opened_at, small_season, thin_season
from streamlit.testing.v1 import AppTest

from dashboard import words
from dashboard.season import Season
from pipeline.air.variables import FT, KT
from pipeline.inputs import load_season
from pipeline.observed import metar_reading
from pipeline.results import CAUTIONS, read_results
from pipeline.which_show import today_answer


def _today(monkeypatch: pytest.MonkeyPatch, made: Made, **query: str) -> AppTest:
    return _quiet(opened_at(monkeypatch, "today", made, **query))


def _quiet(app: AppTest) -> AppTest:
    assert not app.exception
    return app


def _read(app: AppTest, metar: str) -> AppTest:
    app.text_area[0].set_value(metar)
    return _submit(app)


def _submit(app: AppTest) -> AppTest:
    next(b for b in app.button if b.label == "Which show?").click()
    return _quiet(app.run())


def _html(app: AppTest) -> str:
    return "\n".join(str(e.proto.body) for e in app.get("html")).replace(words.NBSP, " ")


def _rows(app: AppTest, caption: str) -> dict[str, list[str]]:
    found = re.search(rf"<table[^>]*><caption>{caption}.*?</table>", _html(app), re.DOTALL)
    assert found is not None, caption
    return {
        name: [re.sub(r"<[^>]+>", "", c) for c in re.findall(r"<td[^>]*>(.*?)</td>", cells)]
        for name, cells in re.findall(r'<tr><th scope="row">(.*?)</th>(.*?)</tr>', found[0])
    }


def test_the_page_says_what_the_command_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """One METAR: headline, altitudes and every figure's state are those of `showhour today`."""
    made = small_season()
    metar = "KXXX 051956Z 24012G20KT 10SM FEW080 30/08 A3012"
    app = _read(_today(monkeypatch, made, booking=SEA), metar)
    folder = load_season(made.folder)
    venue = folder.venue("saltreach")
    with read_results(made.results) as ds:
        told = today_answer(
            ds,
            SEA,
            metar_reading(metar, venue.elevation, dt.datetime.now(dt.UTC).date()),
            lapse_rate=venue.lapse_rate_k_per_km / 1000.0,
            thunder_stops=folder.act_limits(venue).thunder == "stop",
            two_amber_is_red=folder.pilot.two_amber_is_red,
        )
    assert told.headline in _html(app).replace("&#x27;", "'")
    air = _rows(app, "The air of the reading")
    assert air["Pressure altitude"] == [f"{told.pressure_altitude_ft:,.0f} ft"]
    assert air["Density altitude"] == [f"{told.density_altitude_ft:,.0f} ft"]
    states = _rows(app, "The worst first")
    assert {n: c[0][2:] for n, c in states.items()} == {
        f.name: ("no second thought", "think", "leave it out")[f.state] for f in told.answer.figures
    }
    assert any("A terminal forecast" in n for n in re.findall(r"<li>(.*?)</li>", _html(app)))


@pytest.mark.parametrize("celsius", [30.0, 38.0])
def test_at_and_beyond_a_limit_only_ever_no(monkeypatch: pytest.MonkeyPatch, celsius: float) -> None:
    """Every figure whose limit lies below the density altitude on the page is out, and so the full show."""
    made = small_season()
    season = Season(made.results)
    k = season.conditions.index("density_altitude")
    limit_ft = season.values["limit_used"][:, k] / FT
    app = _today(monkeypatch, made, booking=HOT)
    app.segmented_control(key="today_kind_red-bench").set_value("Typed values").run()
    app.number_input(key="today_temperature_red-bench").set_value(celsius)
    app.number_input(key="today_dew_point_red-bench").set_value(5.0)
    app.number_input(key="today_altimeter_red-bench").set_value(29.92)
    _submit(app)
    altitude = float(_rows(app, "The air of the reading")["Density altitude"][0].split()[0].replace(",", ""))
    states = _rows(app, "The worst first")
    beyond = [f for f in range(len(limit_ft)) if np.isfinite(limit_ft[f]) and altitude >= limit_ft[f] + 1.0]
    assert beyond
    assert all(states[season.figures[f]][0] == "● leave it out" for f in beyond)
    shows = _rows(app, "A show with a figure to leave out")
    assert shows["full"][0] == "● leave it out"
    # Nothing typed of wind, sky and thunder: none of it is cleared.
    assert all(c[0].startswith("◐ not observed") for c in _rows(app, "By the full show’s minima").values())


def test_below_the_minima_no_show(monkeypatch: pytest.MonkeyPatch) -> None:
    """Overcast at 300 ft, below every ceiling minimum of the folder: no show, whatever the figures say."""
    app = _read(
        _today(monkeypatch, small_season(), booking=SEA), "KXXX 051956Z 00000KT 10SM OVC003 12/11 A3012"
    )
    assert "No show: ceiling." in _html(app)
    assert "there is no show, whatever the figures say" in _html(app)
    assert _rows(app, "By the full show’s minima")["Ceiling"] == ["● no show"]


@pytest.mark.parametrize(
    ("metar", "said"),
    [
        ("nonsense", "has no time group"),
        ("KXXX 051956Z 24012KT 10SM FEW080 12/02", "has no altimeter setting"),
        ("KXXX 051956Z 24012KT 10SM FEW080 12/20 A3012", "Check which is which"),
        ("KXXX 051956Z 24012KT 10SM HELLO FEW080 12/02 A3012", "is not understood"),
    ],
)
def test_a_wrong_metar_gets_one_clear_sentence(
    monkeypatch: pytest.MonkeyPatch, metar: str, said: str
) -> None:
    """What is wrong, on the page, without an answer and without the command's options."""
    app = _read(_today(monkeypatch, small_season(), booking=HOT), metar)
    assert [said in e.value for e in app.error].count(True) == 1
    assert not any("--" in e.value for e in app.error)
    assert "Which show: <b>" not in _html(app)


def test_a_morning_reading_is_carried_to_the_slot(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read at 12:00 for 14:00: two hours ahead, with a band that holds its own median."""
    app = _today(monkeypatch, small_season(), booking=HOT)
    app.segmented_control(key="today_kind_red-bench").set_value("Typed values").run()
    for key, value in (("temperature", 20.0), ("dew_point", 2.0), ("altimeter", 30.00), ("wind", 5.0)):
        app.number_input(key=f"today_{key}_red-bench").set_value(value)
    app.time_input(key="today_time_red-bench").set_value(dt.time(12, 0))
    _submit(app)
    carried = _rows(app, "The reading carried to the slot")["density altitude, ft"]
    median = float(carried[0].replace(",", ""))
    low, high = (float(x.replace(",", "")) for x in carried[1].split(" to "))
    assert low <= median <= high
    assert carried[2] == "2.0 h"
    assert "A terminal forecast is better" in _html(app)


def test_an_old_reading_is_called_old(monkeypatch: pytest.MonkeyPatch) -> None:
    """Older than two hours: a warning, once, in days where it is more than one; fresh: none."""
    app = _today(monkeypatch, small_season(), booking=HOT)
    now = dt.datetime.now(dt.UTC)
    for hours, said in (
        (0, ""),
        (5, r"The reading is 5\.\d hours old\."),
        (72, r"The reading is 3\.0 days old\."),
    ):
        at = now - dt.timedelta(hours=hours)
        _read(app, f"KXXX {at:%d%H%M}Z 24012KT 10SM FEW080 20/08 A3012")
        told = [w.value for w in app.warning if w.value.startswith("The reading is")]
        assert len(told) == bool(said)
        assert all(re.fullmatch(said, w) for w in told)
        assert "The reading is" not in _html(app)


def test_no_reading_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty form asks for a reading; the page for the telephone is there to take along."""
    app = _today(monkeypatch, small_season(), booking=HOT)
    assert "No reading yet" in _html(app)
    assert [b.proto.label for b in app.get("download_button")] == ["Page for the telephone"]
    assert all(c.replace("'", "&#x27;") in _html(app) for c in CAUTIONS)


def test_before_a_reading_the_first_limits_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    """The lowest comfortable value and limit of the full show, whose they are, never told above what they
    are; the act's minima; both make room for the answer to a reading."""
    made = small_season()
    season = Season(made.results)
    app = _today(monkeypatch, made, booking=HOT)
    rows = _rows(app, "The first figure of the full show")
    assert set(rows) >= {"Density altitude", "Gust peak", "Wind toward the crowd"}
    for name, condition, unit in (
        ("Density altitude", "density_altitude", FT),
        ("Gust peak", "gust", KT),
        ("Wind toward the crowd", "wind_toward_crowd", KT),
    ):
        k = season.conditions.index(condition)
        for cell, bound in zip(rows[name], ("comfortable_used", "limit_used"), strict=False):
            value, figure = cell.split(": ")
            held = {season.figures[f]: season.values[bound][f, k] / unit for f in season.full}
            told = float(value.split()[0].replace(",", ""))
            assert told <= np.nanmin(list(held.values())) + 1e-6 < told + 1.0
            assert held[figure] == np.nanmin(list(held.values()))
    assert "Ceiling" in {name.capitalize() for name in _rows(app, "At 14:00: grounded")}
    _read(app, "KXXX 051956Z 24012G20KT 10SM FEW080 30/08 A3012")
    assert "The first figure of the full show" not in _html(app)


def test_a_reading_is_kept_for_its_own_field(monkeypatch: pytest.MonkeyPatch) -> None:
    """It outlives a look at another page; another field's page has none, nor its station's elevation."""
    app = _today(monkeypatch, small_season(), booking=HOT)
    app.number_input(key="today_elevation_red-bench").set_value(6000.0)
    metar = "KXXX 051956Z 24012G20KT 10SM FEW080 30/08 A3012"
    _read(app, metar)
    told = _rows(app, "The air of the reading")
    _quiet(app.switch_page("views/show.py").run())
    _quiet(app.switch_page("views/today.py").run())
    assert (app.text_area[0].value, app.number_input[0].value) == (metar, 6000.0)
    assert _rows(app, "The air of the reading") == told
    app.selectbox(key="choice_booking").set_value(SEA).run()
    assert not _quiet(app).text_area[0].value
    assert app.number_input[0].value < 100.0
    assert "No reading yet" in _html(app)
    app.selectbox(key="choice_booking").set_value(HOT).run()
    assert _rows(_quiet(app), "The air of the reading") == told


def test_changed_limits_are_not_held_against_old_results(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A folder changed since the results: no answer and no page to take along, with the cure."""
    made = small_season()
    folder = tmp_path / "season"
    shutil.copytree(made.folder, folder)
    text = (folder / "bookings.yaml").read_text(encoding="utf-8")
    (folder / "bookings.yaml").write_text(text.replace("11130", "12000"), encoding="utf-8")
    app = _today(monkeypatch, Made(folder, made.results), booking=HOT)
    assert sum("showhour forecast" in e.value for e in (*app.error, *app.warning)) == 1
    assert not app.text_area
    assert not app.get("download_button")


def test_no_history_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A venue without hours, and too thin a history: the reason, and no form."""
    for made, booking in ((small_season(), EMPTY), (thin_season(), HOT)):
        app = _today(monkeypatch, made, booking=booking)
        assert app.error
        assert not app.text_area
        assert all(c.replace("'", "&#x27;") in _html(app) for c in CAUTIONS)
