"""What if, and writing it back: the answer moves, the change is read first, and the folder stays whole."""

from __future__ import annotations

import atexit
import dataclasses
import datetime as dt
import functools
import math
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from dashboard_season import HOT, Made, opened_at, small_season
from season_folder import LOOP, booking, venue, write_season
from streamlit.testing.v1 import AppTest

from dashboard import whatif
from dashboard.season import Season
from pipeline.air.variables import FT, KT
from pipeline.fetch import fetch_season
from pipeline.flight.inhand import derived_da_limit
from pipeline.flight_inputs import season_flight
from pipeline.inputs import load_season
from pipeline.results import read_results, write_results
from pipeline.run import forecast
from pipeline.stations.store import Store


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """The small season in a folder that may be written to."""
    shutil.copytree(small_season().folder, tmp_path / "season")
    return Made(tmp_path / "season", small_season().results)


def _page(monkeypatch: pytest.MonkeyPatch, made: Made, page: str, **query: str) -> AppTest:
    return _quiet(opened_at(monkeypatch, page, made, **query))


def _quiet(app: AppTest) -> AppTest:
    assert not app.exception
    assert not any("the fault lies in showhour" in e.value for e in app.error)
    return app


def _told(app: AppTest) -> str:
    return "\n".join(str(e.proto.body) for e in app.get("html"))


def _tried_limit(app: AppTest) -> tuple[float, float]:
    """Torque roll's density altitude pair a thousand feet lower; what is written of it, in whole feet."""
    app.selectbox(key="if_figure_0").set_value("Torque roll").run()
    # The link that is shared holds what is on the screen.
    assert app.query_params["figure"] in ("Torque roll", ["Torque roll"])
    f = Season(small_season().results).figures.index("Torque roll")
    slider = app.slider(key=f"if_limit_{f}_density_altitude")
    low, high = slider.value[0] - 1000, slider.value[1] - 1000
    slider.set_value((low, high)).run()
    return math.floor(low), math.floor(high)


def test_a_tried_limit_is_read_and_then_written(monkeypatch: pytest.MonkeyPatch, made: Made) -> None:
    """The diff first, nothing on disk; then the season has the pair, the version before lies beside, and the
    pages say that they are of the season as it was."""
    before = (made.folder / "routine.yaml").read_bytes()
    app = _page(monkeypatch, made, "venue", booking=HOT)
    low, high = _tried_limit(app)
    _quiet(app.button(key="edit_limit_show").click().run())
    shown = next(c.value for c in app.code if c.language == "diff")
    assert f"+      density_altitude_ft: {{comfortable: {low:g}, limit: {high:g}}}" in shown
    assert (made.folder / "routine.yaml").read_bytes() == before
    _quiet(app.button(key="edit_limit_write").click().run())
    assert "routine.yaml.previous" in app.success[0].value
    (roll,) = [f for f in load_season(made.folder).routine.repertoire if f.name == "Torque roll"]
    assert roll.limits.density_altitude_ft is not None
    assert (roll.limits.density_altitude_ft.comfortable, roll.limits.density_altitude_ft.limit) == (low, high)
    assert (made.folder / "routine.yaml.previous").read_bytes() == before
    _quiet(app.run())
    assert any("has changed since these results" in w.value for w in app.warning)


def test_a_change_shown_for_another_value_is_forgotten(monkeypatch: pytest.MonkeyPatch, made: Made) -> None:
    """Moving the control after reading the change takes the button away: what is written was read."""
    app = _page(monkeypatch, made, "venue", booking=HOT)
    low, high = _tried_limit(app)
    app.button(key="edit_limit_show").click().run()
    f = Season(made.results).figures.index("Torque roll")
    app.slider(key=f"if_limit_{f}_density_altitude").set_value((low - 100, high - 100)).run()
    _quiet(app)
    assert not [b for b in app.button if b.key == "edit_limit_write"]


def test_a_file_saved_meanwhile_is_not_written_over(monkeypatch: pytest.MonkeyPatch, made: Made) -> None:
    """Between reading the change and the button an editor saves the file: refused, and left as saved."""
    app = _page(monkeypatch, made, "venue", booking=HOT)
    _tried_limit(app)
    app.button(key="edit_limit_show").click().run()
    path = made.folder / "routine.yaml"
    saved = path.read_text(encoding="utf-8") + "# mine\n"
    path.write_text(saved, encoding="utf-8")
    _quiet(app.button(key="edit_limit_write").click().run())
    assert any("has been changed by someone else" in e.value for e in app.error)
    assert path.read_text(encoding="utf-8") == saved


def test_another_slot_is_written_as_the_one_in_discussion(
    monkeypatch: pytest.MonkeyPatch, made: Made
) -> None:
    """The slot tried in the what-if becomes the booking's offered slot; the other bookings stay."""
    app = _page(monkeypatch, made, "venue", booking=HOT)
    app.select_slider(key="if_slot_0_14:00").set_value("12:30").run()
    app.button(key="edit_slot_show").click().run()
    before = load_season(made.folder).bookings
    _quiet(app.button(key="edit_slot_write").click().run())
    after = load_season(made.folder).bookings
    (moved,) = [b for b in after if b.id == HOT]
    assert moved.slot == dt.time(12, 30)
    assert [b for b in after if b.id != HOT] == [b for b in before if b.id != HOT]


def test_entry_speed_and_weight_move_the_limit_and_are_written(
    monkeypatch: pytest.MonkeyPatch, made: Made
) -> None:
    """Against the flight's own derivation for that speed and mass; the entry speed and the fuel of the
    folder are then those tried (the demo's aircraft: 1060 + 95 + 105 + 55 = 1315 kg)."""
    app = _page(monkeypatch, made, "figure", booking=HOT, figure="Square loop")
    assert app.slider(key="otherwise_mass").value == 1315.0
    app.slider(key="otherwise_speed_Square loop").set_value(160.0)
    app.slider(key="otherwise_mass").set_value(1295.0).run()
    _quiet(app)
    season = load_season(made.folder)
    held = season_flight(season)
    assert held is not None
    # The most demanding of the season's fields, of those whose air can be so thin: 5,000 ft over themselves.
    wanted = math.inf
    for field in season.venues:
        if any(b.venue == field.id for b in season.bookings):
            lift = (season.floor_agl_ft(field) - 250.0) * FT
            figure = dataclasses.replace(held.figures["Square loop"], entry_speed=160.0 * KT).raised(lift)
            limit = derived_da_limit(
                figure, dataclasses.replace(held.aircraft, mass=1295.0), held.cushions,
                season.floor_agl_ft(field) * FT, pressure_altitude=field.elevation,
            ).density_altitude  # fmt: skip
            if limit <= field.elevation + 5000.0 * FT:
                wanted = min(wanted, limit)
    table = _told(app)
    # As in the folder it is the limit in use, to the foot: nothing on the page is more permissive.
    with read_results(made.results) as ds:
        f = [str(x) for x in ds["figure"].to_numpy()].index("Square loop")
        used = float(ds["limit_used"].sel(condition="density_altitude")[f]) / FT
    assert f"{np.floor(used + 1e-6):,.0f}" in table.replace("\u202f", ",")
    assert "With 160" in table
    told = f"{np.floor(wanted / FT):,.0f}" if np.isfinite(wanted) else "none up"
    if wanted == -math.inf:
        told = "used up at sea level already"
    assert told in table.replace("\u202f", ",")
    for name in ("entry_speed", "weight"):
        app.button(key=f"edit_{name}_show").click().run()
        _quiet(app.button(key=f"edit_{name}_write").click().run())
    again = season_flight(load_season(made.folder))
    assert again is not None
    assert again.figures["Square loop"].entry_speed == pytest.approx(160.0 * KT)
    assert again.aircraft.mass == pytest.approx(1295.0)


@functools.cache
def _warming() -> tuple[Path, Path]:
    """Twenty years that warm by 0.8 K a decade at one invented place, with and without the trend applied."""
    root = Path(tempfile.mkdtemp(prefix="warming-"))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    climate = {
        "mean_temperature_c": 14,
        "annual_range_c": 22,
        "diurnal_range_c": 12,
        "trend_k_per_decade": 0.8,
    }
    station = {
        "source": "synthetic",
        "id": "T-WARM",
        "latitude": 40.0,
        "longitude": -1.0,
        "elevation_ft": 5000,
        "climate": climate,
    }
    files = []
    store = Store(root / "cache")
    for trend in (True, False):
        folder = write_season(
            root / f"season-{trend}",
            venues=[venue("bench", elevation_ft=5000, stations=[station])],
            bookings=[booking("bench-july", "bench", ["2027-07-03"])],
            figures=[LOOP],
            history={"first_year": 2007, "last_year": 2026, "minimum_years": 5, "trend": trend},
            invented=True,
        )
        season = load_season(folder)
        fetch_season(season, store, now=dt.datetime(2026, 12, 31, 23, tzinfo=dt.UTC))
        write_results(forecast(season, store), root / f"{trend}.nc")
        files.append(root / f"{trend}.nc")
    return files[0], files[1]


def test_the_trend_switch_is_what_a_forecast_without_it_says() -> None:
    """At every slot within two percentage points of the season computed without the trend, of a difference
    that is more than that; and warmer air is never told as better."""
    warm, flat = (Season(path) for path in _warming())
    day = warm.days[0]
    n = len(day.slots)
    told = whatif.planned_without_trend(warm, day)
    assert told is not None
    with_trend = warm.values["routine_as_planned"][0, :n, 0]
    without = flat.values["routine_as_planned"][0, :n, 0]
    assert np.max(np.abs(without - with_trend)) > 0.04
    assert np.max(np.abs(told - without)) < 0.02
    assert np.all(told >= with_trend)
    assert whatif.planned_without_trend(flat, flat.days[0]) is None


def test_the_trend_is_switched_and_written(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The chance without the trend stands on the page; the button puts `trend: false` into season.yaml."""
    warm, _ = _warming()
    shutil.copytree(warm.parent / "season-True", tmp_path / "season")
    app = _page(monkeypatch, Made(tmp_path / "season", warm), "venue")
    app.toggle(key="if_trend_0").set_value(False).run()
    assert "makes thin air look rarer" in _told(_quiet(app))
    app.button(key="edit_trend_show").click().run()
    _quiet(app.button(key="edit_trend_write").click().run())
    assert load_season(tmp_path / "season").history.trend is False
