"""The agent's page: what it asks for, against the shares that the forecast stored."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from dashboard_season import EMPTY, HOT, SEA, Made, opened_at, small_season, thin_season
from streamlit.testing.v1 import AppTest

from dashboard import charts_shows, words
from dashboard.season import Season
from pipeline import briefing
from pipeline.results import CAUTIONS, read_results, write_results


def _hour(monkeypatch: pytest.MonkeyPatch, made: Made, **query: str) -> AppTest:
    return _quiet(opened_at(monkeypatch, "hour", made, **query))


def _quiet(app: AppTest) -> AppTest:
    assert not app.exception
    return app


def _text(app: AppTest) -> str:
    html = "\n".join(str(e.proto.body) for e in app.get("html"))
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html).replace(words.NBSP, " "))


def _times(app: AppTest) -> dict[str, str]:
    html = "\n".join(str(e.proto.body) for e in app.get("html"))
    found = re.search(r'<table class="sh facts short">.*?</table>', html, re.DOTALL)
    assert found is not None
    return dict(
        re.findall(r'<th scope="row">(.*?)</th><td><b>(.*?)</b></td>', found[0].replace(words.NBSP, " "))
    )


def _unchanged(season: Season, booking: str) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Chance of a rehearsed show unchanged by slot, as the forecast stored it; window; local starts."""
    day = season.days_of(booking)[0]
    n = len(day.slots)
    v = season.values
    chance = v["routine_flown"][day.index, :n].sum(axis=-1) - v["routine_flown_changed"][day.index, :n]
    return chance, np.array([s.in_window for s in day.slots]), [s.local for s in day.slots]


@pytest.mark.parametrize("booking", [HOT, SEA])
@pytest.mark.parametrize("percent", [30, 70, 95])
def test_walk_away_is_the_end_of_the_run_that_the_forecast_holds(
    monkeypatch: pytest.MonkeyPatch, booking: str, percent: int
) -> None:
    """Read off the stored shares slot by slot: on from the best hour, as long as the chance is kept."""
    made = small_season()
    app = _hour(monkeypatch, made, booking=booking)
    app.slider(key="hour_chance").set_value(percent).run()
    _quiet(app)
    chance, window, local = _unchanged(Season(made.results), booking)
    with read_results(made.results) as ds:
        answer = briefing.slot_answer(ds, booking, stated_chance=percent / 100)
    best = answer.best
    assert best is not None
    # Samples are kept to 0.5 m of density altitude and 0.01 m/s of wind (see the what-if tests).
    np.testing.assert_allclose([r.any_show.value for r in answer.rows], chance, atol=2e-3)
    last = best
    while last + 1 < len(local) and window[last + 1] and chance[last + 1] >= percent / 100:
        last += 1
    held = window[best] and chance[best] >= percent / 100
    wanted = local[last] if held else f"no hour of the window keeps {percent} %"
    assert _times(app)["Walk away after"] == wanted
    assert f"{words.percent(answer.rows[answer.offered].any_show.value)}".replace(words.NBSP, " ") in _text(
        app
    )


def test_the_sheet_is_the_command_s_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """The text to copy is what `showhour slots` prints, with every caution; a PDF stands beside it."""
    made = small_season()
    app = _hour(monkeypatch, made, booking=HOT)
    with read_results(made.results) as ds:
        answer = briefing.slot_answer(ds, HOT)
    assert app.code[0].value == briefing.ask_text(answer, CAUTIONS)
    assert [b.proto.label for b in app.get("download_button")] == ["Ask sheet (PDF)"]
    ask = briefing.ask_of(answer)
    assert _times(app)["First ask"] == (ask.first or "nothing to ask: the hour in discussion stands")
    assert _times(app)["Fall back on"] == (ask.fallback or "–")


def test_how_late_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """14:00 in discussion: 60 minutes late is 15:00, 120 is 16:00, and each says what it costs."""
    app = _hour(monkeypatch, small_season(), booking=HOT)
    assert "If the show runs 60 minutes late (15:00)" in _text(app)
    app.select_slider(key="hour_late").set_value(120).run()
    assert "If the show runs 120 minutes late (16:00)" in _text(app)
    _quiet(app)


def test_what_cannot_be_told_apart_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """An hour whose paired difference holds none says so, and carries no number of its own."""
    made = small_season()
    app = _hour(monkeypatch, made, booking=HOT)
    with read_results(made.results) as ds:
        answer = briefing.slot_answer(ds, HOT)
    gains = [r.gain for i, r in enumerate(answer.rows) if i != answer.offered]
    same = sum(not c.told_apart for g in gains for c in (g.full_show, g.any_show, g.density_altitude_ft))
    assert same > 0
    table = _text(app).split("Differences are of the same past days")[1].split("DA: density altitude")[0]
    assert table.count("can’t be told apart") == same


def test_pieces_of_a_bar_fill_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every start's shares run from 0 to 1 without a gap; each picture has words beside it."""
    app = _hour(monkeypatch, small_season(), booking=SEA)
    pictures = app.get("vega_lite_chart")
    assert len(pictures) == 2
    assert all(len(p.proto.alt) > 20 for p in pictures)
    rows = [
        {"name": "14:00", "show": s, "share": x, "first": a, "last": b, "mark": s[0], "words": "",
         "in_window": True, "dark": False}
        for s, x, a, b in (("full", 0.7, 0.0, 0.7), ("no show", 0.3, 0.7, 1.0))
    ]  # fmt: skip
    spec = charts_shows.show_shares(rows, ["full", "no show"], ["14:00"], "14:00", "x", invented=True)
    colours = spec["layer"][0]["encoding"]["color"]["scale"]["range"]
    assert len(set(colours)) == 2
    assert [r["mark"] for r in spec["layer"][1]["data"]["values"]] == ["f", "n"]


def test_no_hours_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A venue without hours, and too thin a history: the reason in words, and nothing to ask for."""
    for made, booking, why in ((small_season(), EMPTY, "no station hours"), (thin_season(), HOT, "5 wanted")):
        app = _hour(monkeypatch, made, booking=booking)
        assert any(why in e.value for e in app.error)
        assert not app.get("vega_lite_chart")
        assert not app.code
        assert all(c in _text(app).replace("&#x27;", "'") for c in CAUTIONS)


def test_ceiling_visibility_and_thunder_stand_by_the_hour(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Each start shows the chances that the forecast stored for the act; where the station does not observe
    one, the page says so."""
    with read_results(small_season().results) as ds:
        held = ds.load()
    unseen = [str(c) for c in held["act_cause"].values].index("visibility")
    held["act_out_by_cause"][:, :, unseen] = np.nan
    made = Made(small_season().folder, tmp_path / "results.nc")
    write_results(held, made.results)
    season = Season(made.results)
    day = season.days_of(HOT)[0]
    v = season.values
    causes = ["ceiling", "visibility", "thunder"]
    wanted = {
        slot.local: " ".join(
            words.percent(chance) if np.isfinite(chance) else "not observed"
            for chance in (
                float(v["act_out_by_cause"][day.index, slot.position, season.act_causes.index(c)])
                for c in causes
            )
        ).replace(words.NBSP, " ")
        for slot in day.slots
    }
    text = _text(_hour(monkeypatch, made, booking=HOT))
    table = text[text.index("Ceiling too low for the act") :]
    for local, told in wanted.items():
        assert f" {local} {told} " in table
