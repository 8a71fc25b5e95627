"""The page "Can I trust it": the sentences, the stored check against past years, and what stands without."""

from __future__ import annotations

import json
import math
import re
import shutil
from pathlib import Path
from typing import Any

import altair as alt
import pytest
from dashboard_season import HOT, SEA, Made, opened_at, small_season, thin_season, verified_season, verify
from streamlit.testing.v1 import AppTest

from dashboard import charts_trust, scores, words
from dashboard.season import Season
from pipeline.air.variables import FT, NM
from pipeline.cli import main
from pipeline.decisions.trust import Evidence, trust_grade
from pipeline.run import results_path
from pipeline.verify import read_verification, verification_path


def _page(monkeypatch: pytest.MonkeyPatch, made: Made, **query: str) -> AppTest:
    app = opened_at(monkeypatch, "trust", made, **query)
    assert not app.exception
    return app


def _text(app: AppTest) -> str:
    html = "\n".join(str(e.proto.body) for e in app.get("html")).replace(words.NBSP, " ")
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def _about_the_check(app: AppTest) -> list[str]:
    return [w.value for w in app.warning if w.value.startswith("The check below")]


@pytest.fixture(scope="module")
def verified() -> Made:
    return verified_season()


def _apart(made: Made, folder: Path, **change: Any) -> tuple[Made, dict[str, Any]]:
    """Results and check in a folder of their own, the check changed at its top."""
    path = folder / "results.nc"
    shutil.copyfile(made.results, path)
    told = json.loads(verification_path(made.results).read_text(encoding="utf-8")) | change
    verification_path(path).write_text(json.dumps(told), encoding="utf-8")
    return Made(made.folder, path), told


def test_the_page_says_what_verify_stored(monkeypatch: pytest.MonkeyPatch, verified: Made) -> None:
    """Coverage, tails and every threshold of the stored check, by venue, with two standard errors."""
    told = read_verification(verified.results)
    assert told is not None
    app = _page(monkeypatch, verified, booking=HOT)
    assert not _about_the_check(app)
    text = _text(app)
    scored = [v for v in told["venues"] if not v.get("failed")]
    assert len(scored) == 2
    for v in scored:
        da = v["density_altitude"]
        shares = [
            f"{100 * da[k]:.0f} ± {200 * da[f'{k}_se']:.0f} %"
            for k in ("coverage_90", "tail_high", "tail_low")
        ]
        assert f"{v['name']} {' '.join(shares)} " in text
        assert f" {da['years']} {da['n']:,}" in text
    held = sorted(v["density_altitude"]["coverage_90"] for v in scored)
    assert f"held {100 * held[0]:.0f} to {100 * held[-1]:.0f} % of the hours" in text
    assert "Checked against past years at 2 of 3 venues" in text
    hot = next(v for v in scored if v["venue"] == "red-bench")
    rows = hot["thresholds"]
    assert len(rows) >= 5
    for row in rows:
        name = scores.threshold_name(row).replace(words.NBSP, " ")
        assert f"{name} {words.percent(row['base_rate'])}".replace(words.NBSP, " ") in text
        assert f"{row['brier']:.3f} {row['brier_reference']:.3f} {row['n']:,} {row['years']}" in text
    for row in scores.grade_rows():
        assert f"{row['what']} {row['care']} {row['poor']}" in text
    pictures = app.get("vega_lite_chart")
    assert len(pictures) == 1 + len(rows)
    assert all(len(p.proto.alt) > 40 for p in pictures)


def test_the_booking_in_hand_chooses_the_venue(monkeypatch: pytest.MonkeyPatch, verified: Made) -> None:
    """The diagrams are those of the booking's venue."""
    app = _page(monkeypatch, verified, booking=SEA)
    assert any(s.value == "Forecast and what happened at Saltreach Beach" for s in app.subheader)
    app.selectbox(key="choice_booking").set_value(HOT).run()
    assert any(s.value == "Forecast and what happened at Red Bench" for s in app.subheader)


def test_a_venue_s_name_stands_in_the_table_as_it_is_written(
    monkeypatch: pytest.MonkeyPatch, verified: Made, tmp_path: Path
) -> None:
    """A table is HTML: what Markdown would read needs no escaping there."""
    made, told = _apart(verified, tmp_path)
    for venue in told["venues"]:
        venue["name"] = "A_b *c* [d]"
    verification_path(made.results).write_text(json.dumps(told), encoding="utf-8")
    app = _page(monkeypatch, made, booking=HOT)
    assert ">Forecast and happened at A_b *c* [d]<" in "".join(str(e.proto.body) for e in app.get("html"))


def test_every_booking_has_its_sentence(monkeypatch: pytest.MonkeyPatch, verified: Made) -> None:
    """As the results hold them, the least trusted first; the venue without hours has no numbers."""
    text = _text(_page(monkeypatch, verified))
    season = Season(verified.results)
    for b in season.bookings:
        assert b.trust in text
    rows = scores.booking_rows(season)
    order = ["poor", "", "with care", "good"]
    assert [order.index(r["grade"]) for r in rows] == sorted(order.index(r["grade"]) for r in rows)
    assert next(r for r in rows if r["place"] == "Nowhere Strip")["grade"] == ""
    told = read_verification(verified.results)
    assert told is not None
    assert "no station hours" in " ".join(v["status"] for v in told["venues"])


def test_not_yet_verified(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No check stored: the command is named, no picture is drawn, the sentences and gusts stand."""
    path = tmp_path / "results.nc"
    shutil.copyfile(small_season().results, path)
    app = _page(monkeypatch, Made(small_season().folder, path))
    assert any("Not yet verified: run `showhour verify season`" in i.value for i in app.info)
    assert not app.get("vega_lite_chart")
    text = _text(app)
    assert "showhour verify season" in text
    assert "not yet checked" in text
    assert "Were it real: do not lean on these numbers" in text
    assert "is invented, and judged here as if it were real" in text


def test_too_few_years_to_score(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two years of history: nothing is scored and the page says why, without a number."""
    made = verify(thin_season())
    app = _page(monkeypatch, made)
    assert any("not enough history" in i.value for i in app.info)
    assert "No venue has enough past years" in _text(app)
    assert not app.get("vega_lite_chart")
    assert any(i.value.startswith("Nothing could be scored") for i in app.info)


def test_a_check_of_another_season_or_other_hours(
    monkeypatch: pytest.MonkeyPatch, verified: Made, tmp_path: Path
) -> None:
    """Another digest of the folder, other station hours, a venue that the check does not know: each said."""
    made, _ = _apart(verified, tmp_path, season_digest="0" * 64)
    app = _page(monkeypatch, made)
    said = _about_the_check(app)
    assert len(said) == 1
    assert "another state of the season folder" in said[0]
    venues = json.loads(verification_path(verified.results).read_text(encoding="utf-8"))["venues"]
    other = [v | {"station_digest": "other"} if v["venue"] == "red-bench" else v for v in venues]
    made, _ = _apart(verified, tmp_path, venues=[v for v in other if v["venue"] != "saltreach"])
    told = _about_the_check(_page(monkeypatch, made, booking=SEA))
    assert any("other station hours than these results for Red Bench" in t for t in told)
    assert any("does not know Saltreach Beach" in t for t in told)


@pytest.mark.parametrize(
    ("content", "said"), [("{", "cannot be read"), ('{"version": 0}', "not of this version")]
)
def test_a_damaged_check_is_said_and_the_rest_stands(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, content: str, said: str
) -> None:
    """In words with the cure; the bookings' sentences are still there."""
    path = tmp_path / "results.nc"
    shutil.copyfile(small_season().results, path)
    verification_path(path).write_text(content, encoding="utf-8")
    app = _page(monkeypatch, Made(small_season().folder, path))
    assert any(said in e.value and "showhour verify" in e.value for e in app.error)
    assert "Red Bench" in _text(app)


def test_thinner_air_than_the_interval_is_warned_of(
    monkeypatch: pytest.MonkeyPatch, verified: Made, tmp_path: Path
) -> None:
    """A quarter of the hours thinner than the interval, ten standard errors too many: named in the answer."""
    venues = json.loads(verification_path(verified.results).read_text(encoding="utf-8"))["venues"]
    for v in venues:
        if v["venue"] == "red-bench":
            v["density_altitude"] |= {"coverage_90": 0.70, "coverage_90_se": 0.02}
            v["density_altitude"] |= {"tail_high": 0.25, "tail_high_se": 0.02, "tail_low": 0.05}
        elif v["venue"] == "saltreach":
            # As far off, but within sampling; and the safe side, thicker air, is not warned of.
            v["density_altitude"] |= {"coverage_90": 0.80, "coverage_90_se": 0.05}
            v["density_altitude"] |= {"tail_high": 0.01, "tail_high_se": 0.001, "tail_low": 0.19}
    made, _ = _apart(verified, tmp_path, venues=venues)
    text = _text(_page(monkeypatch, made))
    assert "Off by more than sampling explains: Red Bench." in text
    assert (
        "thinner than the interval more often than it should be at Red Bench : plan for thinner air" in text
    )


def test_the_thresholds_told_are_those_that_take_a_grade_away() -> None:
    """Just inside every number told keeps the grade; beyond the first is care, beyond the second poor."""
    good = {"years": 20, "distance": 0.0, "height_difference": 0.0, "verified_years": 12, "coverage": 0.9,
            "coverage_se": 0.001, "density_altitude_bias": 0.0, "density_altitude_bias_se": 0.001,
            "wind_bias": 0.0, "wind_bias_se": 0.001, "wind_base_rate": 0.2,
            "gust_bias": 0.0, "gust_bias_se": 0.001, "gust_base_rate": 0.2}  # fmt: skip
    asked = {
        "Years of history": ("years", math.floor, -1),
        "Station from the show site": ("distance", lambda x: x * NM, 1),
        "Station above or below it": ("height_difference", lambda x: x * FT, 1),
        "Hours with air and wind": ("completeness", lambda x: x / 100, -1),
        "Hours without pressure": ("pressure_missing", lambda x: x / 100, 1),
        "90 % interval off 90 %*": ("coverage", lambda x: 0.9 - x / 100, 1),
        "High density altitude, chance off*": ("density_altitude_bias", lambda x: x / 100, 1),
        "Crosswind of 10 kt, chance off*": ("wind_bias", lambda x: 0.2 * x / 100, 1),
        "Gust of 20 kt, chance off*": ("gust_bias", lambda x: 0.2 * x / 100, 1),
    }
    rows = {r["what"]: r for r in scores.grade_rows()}
    assert set(rows) - set(asked) == {"Gusts", "Check"}
    for what, (name, of, sign) in asked.items():
        care, poor = (
            float(re.search(r"[\d,.]+", rows[what][k]).group().replace(",", "")) for k in ("care", "poor")
        )
        for told, grades in ((care, ("good", "with care")), (poor, ("with care", "poor"))):
            # Years are whole; of anything else a hundredth.
            step = 0.5 if name == "years" else 0.01 * told
            inside, beyond = of(told - sign * step), of(told + sign * step)
            found = [trust_grade(Evidence(**good | {name: x})).grade for x in (inside, beyond)]
            assert tuple(found) == grades, (what, told)


def test_marks_off_by_more_than_sampling() -> None:
    """Three standard errors by hand: 0.90 - 0.83 = 0.07 > 3 x 0.02; no error known, no verdict."""
    assert scores.off_the_mark(0.83, 0.90, 0.02)
    assert not scores.off_the_mark(0.85, 0.90, 0.02)
    assert not scores.off_the_mark(0.50, 0.90, None)
    assert not scores.off_the_mark(None, 0.90, 0.02)


def test_skill_counts_by_two_standard_errors() -> None:
    """Better 0.10 > 2 x 0.04; worse -0.10 < -2 x 0.04; neither 0.05 < 2 x 0.04; without error left out."""
    rows = [
        {"brier_skill": s, "brier_skill_se": e}
        for s, e in ((0.1, 0.04), (-0.1, 0.04), (0.05, 0.04), (0.9, None))
    ]
    assert scores.skill_counts({"venues": [{"thresholds": rows}, {"failed": True}]}) == (1, 1, 3)


def test_pictures_are_valid_vega_lite(verified: Made) -> None:
    """The Vega-Lite 6 JSON schema, as Altair carries it, accepts both, also where an error is not known."""
    told = read_verification(verified.results)
    assert told is not None
    rows = scores.coverage_rows(told)
    rows[0] |= {"low": math.nan, "high": math.nan}
    diagram = scores.reliability_rows(next(v for v in told["venues"] if not v.get("failed"))["thresholds"][0])
    for spec in (
        charts_trust.coverage(rows, scores.WANTED, invented=True),
        charts_trust.reliability(diagram, invented=True),
    ):
        alt.LayerChart.from_dict(spec)
        json.dumps(spec, allow_nan=False)
        assert spec["title"]["subtitle"] == "INVENTED WEATHER"


def test_a_threshold_s_heading_is_told_in_two_lines() -> None:
    """A picture as narrow as these cuts a longer line off: "Density altitude 4,800 ft o…"."""
    group = {"forecast": 0.1, "observed": 0.1, "low": 0.0, "high": 0.2, "cause": "density_altitude"}
    name = f"density altitude 4,800{words.NBSP}ft or more"
    spec = charts_trust.reliability([group | {"name": name}], invented=True)
    assert spec["title"]["text"] == ["Density altitude", f"4,800{words.NBSP}ft or more"]


def test_what_is_stored_is_what_is_printed(
    verified: Made, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The stored file holds the printed answer less the cautions, its version and the season's digest."""
    capsys.readouterr()
    made = verify(small_season(), "--first-year", "2024", "--json")
    printed = json.loads(capsys.readouterr().out)
    stored = read_verification(made.results)
    assert stored is not None
    assert printed.pop("cautions")
    assert stored == {"version": 1, **printed}
    assert stored["season_digest"] == str(Season(made.results).attrs["season_digest"])


def test_a_check_without_any_hours_keeps_the_earlier_one(
    verified: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing stored of any station: exit code 4, and no file is written over the earlier check."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path))
    path = verification_path(results_path(verified.folder, tmp_path))
    path.parent.mkdir(parents=True)
    path.write_text("earlier", encoding="utf-8")
    assert main(["verify", str(verified.folder)]) == 4
    assert path.read_text(encoding="utf-8") == "earlier"
    assert "Stored for the dashboard" not in capsys.readouterr().out
