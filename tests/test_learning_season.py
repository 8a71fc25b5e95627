"""The show log in a season: every show on its own air, and what the log may and may not do to the answers.

Expected values are the rules README states, and arithmetic on the invented station's own hours.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from season_folder import booking, venue, write_season

from pipeline import learn, run
from pipeline.air.variables import FT, KT
from pipeline.cli import main
from pipeline.decisions import learning
from pipeline.decisions.limits import CAUSES, CONDITIONS
from pipeline.decisions.ranking import YearSeries, compare
from pipeline.inputs import copy_demo, demo_folder, load_season
from pipeline.results import read_results
from pipeline.show_log import FILE, ChangedFigure, LoggedShow, read_log
from pipeline.stations.store import Store

HEAD = (
    "date,time_local,venue,routine,figure,outcome,cause,"
    "density_altitude_ft,wind_from_deg_true,wind_kt,gust_kt,note\n"
)
DAYS = [
    f"{year}-{month:02d}-{day:02d}" for year in (2025, 2026) for month in (6, 7) for day in range(3, 27, 3)
]

Forecast = Callable[..., xr.Dataset]


def log(*, gust_kt: int, changed: str = "", shows: int = 32) -> str:
    """A log of shows in noted air: calm but for gusts; `changed` is the outcome of the loop, if any."""
    rows = [HEAD]
    for day in DAYS[:shows]:
        rows.append(f"{day},14:00,bench,full,,,,2000,,0,{gust_kt},\n")
        if changed:
            rows.append(f"{day},14:00,bench,,Loop,{changed},rough_air,,,,,\n")
    return "".join(rows)


@pytest.fixture(scope="module")
def forecast(tmp_path_factory: pytest.TempPathFactory) -> Forecast:
    """A light invented season, forecast with a log of its own; the station's hours are fetched once."""
    root = tmp_path_factory.mktemp("learned")
    made = iter(range(100))
    climate = {
        "mean_temperature_c": 14,
        "annual_range_c": 22,
        "diurnal_range_c": 13,
        "wind_kt": 12,
        "thermal_gust_kt": 5,
    }
    station = {
        "source": "synthetic",
        "id": "T-BENCH",
        "latitude": 40.0,
        "longitude": -1.0,
        "elevation_ft": 4000,
        "climate": climate,
    }

    def done(text: str = "", **pilot: object) -> xr.Dataset:
        folder = root / f"season-{next(made)}"
        write_season(
            folder,
            venues=[venue("bench", elevation_ft=4000, stations=[station])],
            bookings=[
                booking("july", "bench", ["2027-07-03"]),
                booking("october", "bench", ["2027-10-02"]),
            ],
            history={"first_year": 2023, "last_year": 2026, "minimum_years": 3},
            pilot={"name": "Pilot of a test", "floor_agl_ft": 250, **pilot},
        )
        if text:
            (folder / FILE).write_text(text)
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("SHOWHOUR_CACHE", str(root / "cache"))
            assert main(["run", str(folder), "--output", str(folder / "r.nc")]) == 0
        with read_results(folder / "r.nc") as ds:
            return ds.load()

    return done


GUST = list(CONDITIONS).index("gust")


@pytest.fixture(scope="module")
def without(forecast: Forecast) -> xr.Dataset:
    return forecast()


STRICT = log(gust_kt=14, shows=16) + "".join(
    log(gust_kt=26, changed="dropped").splitlines(keepends=True)[1 + 2 * 16 :]
)
"""Sixteen shows flown in 14 kt of gusts, sixteen with the loop dropped in 26: well before its limit, 34."""


@pytest.fixture(scope="module")
def strict(forecast: Forecast) -> xr.Dataset:
    return forecast(STRICT)


def test_without_a_log_nothing_is_learned(without: xr.Dataset):
    """Limits used are those written, there is no uncertainty of learning, and no words about it."""
    np.testing.assert_array_equal(without["limit_used"], without["limit_stated"])
    assert "learned" not in without.attrs
    assert np.all(without["booking_as_planned_per_log"] == 0.0)
    np.testing.assert_allclose(without["booking_as_planned_as_written"], without["booking_as_planned"])


def test_a_strict_log_moves_the_limits_and_the_answers(without: xr.Dataset, strict: xr.Dataset):
    """Stricter limits are used and say why; the chance falls; the answer without the log stands beside."""
    used, stated = strict["limit_used"].values[0, GUST], strict["limit_stated"].values[0, GUST]
    assert used < stated
    reason = str(strict["limit_reason"].values[0, GUST])
    assert reason == f"learned from the log: {100 * used / stated:.0f} % of the limit you wrote"
    # One habit of judgement is pooled over causes: the same step on the pilot's scale everywhere.
    moved = {row["booking"]: row["moved"] for row in learn.answers_moved(strict)}
    assert set(moved) == {"july", "october"}
    assert max(moved.values()) < 0.0
    step = 1.0 + 2.0 * (used - stated) / (stated - strict["comfortable_stated"].values[0, GUST])
    told = json.loads(strict.attrs["learned"])
    assert step == pytest.approx(
        told["coefficients"]["limit"] + told["coefficients"]["offset"]["rough_air"].get("Loop", 0.0)
    )
    assert np.all(strict["booking_as_planned"] < without["booking_as_planned"])
    np.testing.assert_allclose(
        strict["booking_as_planned_as_written"], without["booking_as_planned"], atol=1e-4
    )


def test_what_is_not_known_of_the_limits_widens_the_intervals(
    forecast: Forecast, strict: xr.Dataset, monkeypatch: pytest.MonkeyPatch
):
    """The same limits, were they known for certain, would give narrower intervals of figures and routines."""
    assert np.all(strict["booking_as_planned_per_log"] < 0.0)
    monkeypatch.setattr(learning, "_limit_sd", lambda *_: 0.0)
    certain = forecast(STRICT)
    np.testing.assert_array_equal(certain["limit_used"], strict["limit_used"])
    np.testing.assert_array_equal(certain["booking_as_planned"], strict["booking_as_planned"])
    slot = int(strict["day_offered_slot"][0])
    for name in ("routine_as_planned", "figure_change", "routine_flown"):
        width = [
            (ds[f"{name}_upper"] - ds[f"{name}_lower"]).values[0, slot].max() for ds in (certain, strict)
        ]
        assert width[1] > width[0]


@pytest.mark.parametrize("outcome", ["", "dropped"])
def test_a_log_never_relaxes_a_written_limit(forecast: Forecast, outcome: str):
    """Flown, or dropped only far past the written limit of 34 kt: the limits used are those written."""
    last = log(gust_kt=60, changed=outcome).splitlines(keepends=True)[-8 if outcome else -4 :]
    text = log(gust_kt=36, shows=28) + "".join(last)
    ds = forecast(text)
    np.testing.assert_array_equal(ds["limit_used"], ds["limit_stated"])
    assert np.all(ds["comfortable_used"].values[:, GUST] <= ds["comfortable_stated"].values[:, GUST])
    relaxed = forecast(text, learned_may_relax="true")
    assert relaxed["limit_used"].values[0, GUST] > relaxed["limit_stated"].values[0, GUST]
    assert "more permissive, as you allow" in str(relaxed["limit_reason"].values[0, GUST])
    told = json.loads(relaxed.attrs["learned"])
    assert told["learned_may_relax"] is True
    (rough,) = [c for c in told["causes"] if c["cause"] == "rough_air"]
    assert "although it is more permissive than you wrote" in rough["sentence"]


def test_a_switched_on_relaxation_is_a_warning_wherever_warnings_are_shown(forecast: Forecast):
    """The results carry it among the warnings of the season."""
    assert "learned_may_relax" in forecast(learned_may_relax="true").attrs["input_warnings"]


def test_bookings_are_compared_with_the_same_pilot(strict: xr.Dataset):
    """A pilot stricter than thought is so at every booking: alike changes cancel, unlike ones do not.

    Two series that differ by .1 every year: the same change leaves their difference exact; a change of .2 for
    one alone widens the interval to about 2 x 1.645 x .2 x sqrt(4/3) x t(3)/z (Student's t .95: 2.353).
    """
    years = np.array([0.5, 0.6, 0.7, 0.6])
    nothing = np.zeros(4)
    change = -0.2
    first = YearSeries(years, nothing, nothing, nothing, change)
    second = YearSeries(years - 0.1, nothing, nothing, nothing, change)
    alike = compare(first, second)
    assert alike.lower == pytest.approx(0.1, abs=0.06)
    assert alike.told_apart
    alone = compare(first, YearSeries.without_trend(years - 0.1))
    assert not alone.told_apart


def test_every_show_lies_on_its_own_air(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Noted conditions as noted and without error; else the station's hour at the venue, with its error.

    The expected air of an unnoted show is read from the same stored hours: gust in print, whole knots, at the
    report nearest the local time (14:40 in UTC is nearest to 15:00).
    """
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    climate = {"mean_temperature_c": 14, "annual_range_c": 22, "diurnal_range_c": 13, "wind_kt": 14}
    station = {
        "source": "synthetic",
        "id": "T-AIR",
        "latitude": 40.0,
        "longitude": -1.0,
        "elevation_ft": 4000,
        "climate": climate,
    }
    folder = write_season(
        tmp_path / "season",
        venues=[venue("bench", elevation_ft=4000, stations=[station])],
        bookings=[booking("july", "bench", ["2027-07-03"])],
        history={"first_year": 2024, "last_year": 2026, "minimum_years": 3},
    )
    (folder / FILE).write_text(
        HEAD
        + "2025-07-05,14:40,bench,full,,,,,,,,\n"
        + "2025-07-06,14:00,bench,full,,,,6000,270,20,28,\n"
        + "2025-07-06,14:00,bench,,Loop,trimmed,wind_across,,,,,\n"
        + "2025-07-07,14:00,bench,none,,,,,,,,\n"
        + "2025-07-08,14:00,elsewhere,full,,,,6500,,,,\n"
        + "2025-07-09,14:00,bench,thin-air,,,,,,,,\n"
        + "2025-07-09,14:00,bench,,Loop,planned_out,density_altitude,,,,,\n"
    )
    assert main(["fetch", str(folder)]) == 0
    season, store = load_season(folder), Store()
    learned = run.learned_limits(season, store)
    assert learned is not None
    hours = store.read("synthetic", "T-AIR").sel(time="2025-07-05T15:00")
    peak = np.nanmax([float(hours["wind_speed"]), float(hours["wind_speed_of_gust"])])
    assert learned.air.value["gust"][0] == pytest.approx(round(peak / KT) * KT)
    assert learned.air.error["gust"][0] == pytest.approx(4.0 * KT)
    assert learned.air.value["density_altitude"][1] == pytest.approx(6000 * FT)
    # From 270 across a line to the north with the crowd to the east: all of it toward the crowd.
    assert learned.air.value["wind_toward_crowd"][1] == pytest.approx(20 * KT)
    assert learned.air.value["gust_spread"][1] == pytest.approx(8 * KT)
    assert {float(learned.air.error[name][1]) for name in CONDITIONS} == {0.0}
    assert np.isnan(learned.air.value["gust"][3])
    assert learned.air.value["density_altitude"][3] == pytest.approx(6500 * FT)
    state = learned.state[:, :, 0].tolist()
    changed = [learning.CHANGED if cause == "wind_across" else learning.SILENT for cause in CAUSES]
    out = [learning.PLANNED_OUT if cause == "density_altitude" else learning.SILENT for cause in CAUSES]
    flown, silent = [learning.FLOWN] * 4, [learning.SILENT] * 4
    assert state == [flown, changed, silent, flown, out]
    told = learn.told(learned)
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["every_show"][1]["wind_toward_crowd_kt"] == 20.0
    assert told["every_show"][1]["gust_noted"] is True
    assert told["every_show"][3]["gust_kt"] is None
    assert (told["first_show"], told["last_show"]) == ("2025-07-05", "2025-07-09")


def learned_of(rows: list[tuple[float, int]]) -> learn.LearnedFromLog:
    """Learned from gusts, of shows of one figure whose limit is 40 kt and comfortable 20."""
    from pipeline.decisions.learning import ShowAir
    from pipeline.decisions.limits import Curves

    nothing = {name: np.array([np.nan]) for name in CONDITIONS}
    written = Curves(
        ("Loop",), nothing | {"gust": np.array([20 * KT])}, nothing | {"gust": np.array([40 * KT])}
    )
    unknown = {name: np.full(len(rows), np.nan) for name in CONDITIONS}
    gusts = np.array([30.0 + 10.0 * z for z, _ in rows]) * KT
    air = ShowAir(unknown | {"gust": gusts}, unknown | {"gust": np.zeros(len(rows))}, unknown, unknown)
    state = np.zeros((len(rows), len(CAUSES), 1), dtype=int)
    state[:, CAUSES.index("rough_air"), 0] = [what for _, what in rows]
    fitted = learning.fit(learning.evidence(air, written, state))
    return learn.LearnedFromLog(fitted, written, False, (), air, state, "", "", "")


def told_of(rows: list[tuple[float, int]]) -> dict:
    """The words for gusts."""
    learned = learned_of(rows)
    row = learn._cause_told(learned, CAUSES.index("rough_air"))
    assert row is not None
    return row | {"limit": learned.limits.limit, "middle": learned.limits.limit_middle}


def test_the_number_told_is_the_middle_of_its_range_and_the_one_used_is_told_beside_it():
    """One change in mild air is left out of the limit used, but not of the range, and the words say so."""
    early = [(-0.5, learning.CHANGED)] * 6 + [(-3.0, learning.CHANGED)]
    row = told_of([(-1.0, learning.FLOWN)] * 30 + early)
    assert row["limit_percent_lower"] < row["limit_percent"] < row["limit_percent_upper"]
    assert row["limit"] < row["middle"]
    used = 100.0 * (40.0 + 10.0 * (row["limit"] - 1.0)) / 40.0
    assert f"; {used:.0f} % is used, since a change in mild air" in row["sentence"]


@pytest.mark.parametrize("used_kt", [25.0, 40.0])
def test_the_words_say_where_the_aircraft_binds_first(used_kt: float, monkeypatch: pytest.MonkeyPatch):
    """A limit in use below the learned one is the aircraft's own, and the learned number is not all."""
    learned = learned_of([(-1.0, learning.FLOWN)] * 41)
    row = learn._cause_told(learned, CAUSES.index("rough_air"))
    monkeypatch.setattr(run, "told", lambda _: {"causes": [row]})
    used = np.full((1, len(CONDITIONS)), np.nan)
    used[0, GUST] = used_kt * KT
    empty = {"arrays": {"limit_used": used, "limit_reason": np.full(used.shape, "", object)}, "attrs": {}}
    run._lay_learned(empty, learned)
    (told,) = json.loads(empty["attrs"]["learned"])["causes"]
    said = "for 1 of 1 figures what the aircraft can do limits you sooner" in told["sentence"]
    assert said == (used_kt < 40.0)


def test_words_for_a_log_in_which_nothing_bit():
    """Forty-one shows, nothing changed: nothing speaks against the limits."""
    row = told_of([(-1.0, learning.FLOWN)] * 41)
    assert row["sentence"] == "nothing in 41 shows speaks against your limits for gusts"
    assert row["question"] == ""


def test_words_for_a_log_that_bites_early():
    """At standardised x the limit of 40 kt, with 20 comfortable, lies at 40 + 10 (x - 1) kt."""
    row = told_of([(-2.0, learning.FLOWN)] * 30 + [(-1.2, learning.CHANGED)] * 20)
    percent = 100.0 * (40.0 + 10.0 * (row["middle"] - 1.0)) / 40.0
    assert row["limit_percent"] == pytest.approx(percent, abs=0.06)
    assert row["sentence"].startswith(
        f"you leave figures out for gusts at {percent:.0f} % of the limit you wrote (80 % range "
    )
    assert row["sentence"].endswith("it bit in 20 of 50 shows")
    assert row["question"].endswith("You stop well before it.")


def test_words_for_limits_flown_past():
    """Flown far past the limit again and again: asked, and the written limit is used."""
    row = told_of([(3.0, learning.FLOWN)] * 60 + [(3.6, learning.CHANGED)] * 12)
    assert "the limit you wrote is used" in row["sentence"]
    assert row["question"].startswith("You flew past the limit you wrote for gusts in 60 of 72 shows.")


def test_words_for_limits_flown_past_with_nothing_changed():
    """Nothing changed, but flown past the limit: no word that nothing speaks against it; twice is asked."""
    flown = [(-1.0, learning.FLOWN)] * 40
    row = told_of([*flown, *[(1.4, learning.FLOWN)] * 3])
    assert row["sentence"].startswith("nothing was left out for gusts in 43 shows")
    assert row["question"].startswith("You flew past the limit you wrote for gusts in 3 of 43 shows.")
    assert told_of([*flown, (1.4, learning.FLOWN)])["question"] == ""


def test_words_for_changes_in_mild_air():
    """Changed thirteen times in the mildest air, which flattens the curve: nobody flew past a limit.

    One change in twenty is what comfortable means: two of forty in milder air are no disagreement.
    """
    row = told_of([(-3.0, learning.FLOWN)] * 40 + [(-5.0, learning.CHANGED)] * 13)
    assert row["limit_percent_lower"] > 100.0
    assert row["question"] == (
        "In 13 of 53 shows it bit in milder air than the comfortable number you wrote for gusts. "
        "Is that number still yours?"
    )
    few = told_of([(-1.0, learning.FLOWN)] * 38 + [(-1.5, learning.CHANGED)] * 2)
    assert few["question"] == ""


def test_the_demo_log_is_of_the_ordinary_kind(tmp_path: Path):
    """The invented log reads without a warning; figures are flown as planned about 98 times in 100.

    Common practice, no source. Counted where the act flew the full show, leaving out the one high field.
    """
    season = load_season(copy_demo(tmp_path / "season"))
    shows, warnings = read_log(
        season.folder,
        venues=[v.id for v in season.venues],
        figures=[f.name for f in season.routine.repertoire],
    )
    assert not warnings
    ordinary = [s for s in shows if s.routine == "full" and s.venue != "red-bench"]
    changed = sum(len(s.changed) for s in ordinary)
    figures = len(ordinary) * len(season.routine.full)
    assert 0.97 <= 1.0 - changed / figures <= 0.995
    assert 30 <= len(shows) <= 60


def test_the_learn_command_says_and_keeps_what_it_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    """Sentences, cautions, and coefficients as plain numbers with the hashes of what they rest on."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    folder = copy_demo(tmp_path / "season")
    assert main(["learn", str(folder), "--json"]) == 0
    out, err = capsys.readouterr()
    told = json.loads(out)
    # Nothing was fetched, and most of the log notes no air.
    assert told["venues_without_air"]
    assert f"showhour fetch {folder}" in err
    (kept,) = (tmp_path / "cache" / "results").glob("*.learned.json")
    assert json.loads(kept.read_text()) == told
    hashes = [told[f"{what}_sha256"] for what in ("log", "limits", "air", "settings")]
    assert {len(h) for h in hashes} == {64}
    settings = folder / "season.yaml"
    settings.write_text(settings.read_text() + "\nlearning:\n  gust_error_kt: 5\n")
    assert main(["learn", str(folder), "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    same = [
        again[f"{what}_sha256"] == told[f"{what}_sha256"] for what in ("log", "limits", "air", "settings")
    ]
    assert same == [True, True, False, False]
    assert {c["cause"] for c in told["causes"]} == set(CAUSES)
    assert main(["learn", str(folder)]) == 0
    assert "not a flight clearance" in capsys.readouterr().out
    (folder / FILE).unlink()
    assert main(["learn", str(folder)]) == 2
    assert "showhour log add" in capsys.readouterr().err


def test_a_figure_the_season_does_not_have_says_nothing_was_flown_as_planned():
    """A misspelt drop may be any figure's: the show is no evidence that another was flown as planned."""
    season = load_season(demo_folder())
    written = run.curves_of(season)

    def said(figure: str, routine: str = "full") -> np.ndarray:
        changed = (ChangedFigure(figure, "dropped", "density_altitude"),)
        show = LoggedShow(
            date=dt.date(2026, 7, 4), time=dt.time(14), venue="dry-lake", routine=routine, changed=changed
        )
        return learn.states(season, [show], written)[0]

    right, wrong = said("Torque roll"), said("Torque rol")
    assert right[CAUSES.index("density_altitude"), written.names.index("Torque roll")] == learning.CHANGED
    assert np.sum(right == learning.FLOWN) == len(CAUSES) * (len(season.routine.full) - 1)
    assert np.all(wrong == learning.SILENT)
    # The act stayed on the ground: what was named bit, and nothing was flown.
    grounded = said("Torque roll", "none")
    assert np.argwhere(grounded != learning.SILENT).tolist() == [
        [CAUSES.index("density_altitude"), written.names.index("Torque roll")]
    ]
