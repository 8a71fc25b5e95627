"""The page of the season's routines, against what `showhour routines` prints and the season folder itself."""

from __future__ import annotations

import dataclasses
import json
import math
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from dashboard_season import EMPTY, HOT, SEA, Made, opened_at, small_season, thin_season
from streamlit.testing.v1 import AppTest

from dashboard import words
from dashboard.season import Season
from pipeline.air.variables import FT
from pipeline.inputs import load_season
from pipeline.papers.sheet import Numbers, Sheet
from pipeline.results import CAUTIONS, read_results, write_results
from pipeline.season_routines import home_air, routines_told


def _show(monkeypatch: pytest.MonkeyPatch, made: Made, **query: str) -> AppTest:
    app = opened_at(monkeypatch, "show", made, **query)
    assert not app.exception
    return app


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


@pytest.mark.parametrize(
    ("slot", "apart"), [("14:30", ("14:00", "14:30")), ("14:00", (HOT, SEA))], ids=["slots", "ids"]
)
def test_two_bookings_of_one_place_and_day_have_names_and_bars_of_their_own(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, slot: str, apart: tuple[str, str]
) -> None:
    """Two offers for the same day at Red Bench: one name for both laid one bar over the other, and in the
    list to choose from they could not be told apart."""
    made = small_season()
    with read_results(made.results) as ds:
        held = ds.load()
    (hot, *_), (sea,) = ([i for i, b in enumerate(held["day_booking"].values) if b == x] for x in (HOT, SEA))
    for name in ("day_venue", "day_date"):
        held[name].values[sea] = held[name].values[hot]
    slots = [str(s) for s in held["slot_local"].values[sea]]
    held["day_offered_slot"].values[sea] = slots.index(slot)
    made = Made(made.folder, tmp_path / "results.nc")
    write_results(held, made.results)
    season = Season(made.results)
    names = [season.booking(b).name for b in (HOT, SEA)]  # type: ignore[union-attr]
    assert names == [f"Red Bench, 5 and 6 Jun, {apart[0]}", f"Red Bench, 5 Jun, {apart[1]}"]
    app = _show(monkeypatch, made, booking=HOT)
    chosen = app.selectbox(key="choice_booking").options
    assert sorted(o for o in chosen if "Red" in o) == sorted(f"{n} · enquiry" for n in names)
    bars = json.loads(app.get("vega_lite_chart")[0].proto.spec)["layer"][0]["encoding"]["y"]["sort"]
    assert sorted(bars) == sorted(f"Red Bench, 5 Jun, {a}" for a in apart)


def test_in_out_and_substitute_give_back_every_routine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read down a column it is the routine's own order; every substitute is one of routine.yaml's."""
    made = small_season()
    app = _show(monkeypatch, made, booking=HOT)
    folder = load_season(made.folder)
    with read_results(made.results) as ds:
        told = routines_told(ds, folder)
    heads, *rows = _table(app, "In, out or substitute")
    orders = {r["routine"]: r["figures"] for r in told["routines"]}
    assert [r[1] for r in rows] == orders["full"]
    allowed = {p.name: {s.name for s in p.substitutes} for p in folder.routine.figures}
    columns = [h for h in heads if h in orders]
    assert columns, "the season has routines beside the full show"
    for name in columns:
        k = heads.index(name)
        flown = []
        for row in rows:
            if row[k] == "in":
                flown.append(row[1])
            elif row[k] != "out":
                chosen = row[k].removeprefix("substitute: ")
                assert chosen in allowed[row[1]]
                flown.append(chosen)
        assert flown == orders[name]


def test_bookings_say_what_the_command_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Words, plan and reserve of each booking are the command's; the answer is the booking in hand's."""
    made = small_season()
    app = _show(monkeypatch, made, booking=HOT)
    with read_results(made.results) as ds:
        told = routines_told(ds, load_season(made.folder))
    text = re.sub(r"<[^>]+>", "", _html(app))
    for row in told["bookings"]:
        if row["status"] == "ok":
            assert row["in_words"] in text
            assert " or " not in row["in_words"], "one share, one name"
        else:
            assert row["status"] in text
    row = next(r for r in told["bookings"] if r["booking"] == HOT)
    assert f"plan on the {row['plan_on']} show" in text
    # By hand: what its card takes less the slot, in whole seconds, up.
    (booked,) = [b for b in load_season(made.folder).bookings if b.id == HOT]
    over = {n: s - 60 * booked.length_min for n, s in row["seconds_on_its_card"].items()}
    assert {n: s for n, s in over.items() if s > 0} == row["longer_than_its_slot"]
    for name, seconds in row["longer_than_its_slot"].items():
        assert f"{name} by {seconds // 60}:{seconds % 60:02d}" in text
    assert all(r["cure"] in text for r in told["practice"]["refused"])
    assert len(_table(app, "Routines rehearsed; this season")) == 1 + len(told["frontier"])
    here = next(r for r in told["frontier"] if r["routines_rehearsed"] == 3)
    (more,) = [r for r in told["frontier"] if r["routines_rehearsed"] == 4]
    # What one more gives, on the same years, is what the two numbers differ by.
    for key, of in (
        ("crowd_value_over_the_number_asked", "crowd_value_expected"),
        ("further_change_over_the_number_asked", "days_flown_with_a_further_change"),
    ):
        assert more[key] == pytest.approx(more[of] - here[of], abs=2e-3)
        assert more[f"{key}_lower"] <= more[key] <= more[f"{key}_upper"]
        assert here[of + "_lower"] <= here[of] <= here[of + "_upper"]
        assert here[key] == here[f"{key}_lower"] == here[f"{key}_upper"] == 0.0
    sign = "−" if more["crowd_value_over_the_number_asked"] < 0 else "+"
    assert f"One more (4): crowd value {sign}{abs(more['crowd_value_over_the_number_asked']):.1f} (" in text


def test_a_show_is_rehearsed_in_the_air_that_one_day_in_ten_exceeds() -> None:
    """Not the median's: thin air that is met only every other day would prove too little.

    Held by the density itself at the base above home, in home's stated air.
    """
    made = small_season()
    season = load_season(made.folder)
    with read_results(made.results) as ds:
        rows = routines_told(ds, season)["practice"]["rehearsal_air"]
        day = [str(b) for b in ds["day_booking"].to_numpy()].index(HOT)
        slot = int(ds["day_offered_slot"][day])
        high = float(ds["density_altitude_quantile"].sel(quantile=0.9)[day, slot])
        median = float(ds["density_altitude_quantile"].sel(quantile=0.5)[day, slot])
    row = next(r for r in rows if r["booking"] == HOT)
    assert row["show_density_altitude_high_ft"] == round(high / FT) > round(median / FT)
    home = home_air(season)
    assert home is not None
    assert home.dew_point_c is not None
    floor = season.floor_agl_ft(season.venue("red-bench")) * FT
    # Both to the same density: home's density altitude at that height, 6.5 K/km and hydrostatics (ICAO 7488).
    wanted = 1.225 * (1 - 0.0065 * (high + floor) / 288.15) ** 4.2559
    pressure = home.altimeter_inhg * 3386.389 * (1 - 0.0065 * home.elevation / 288.15) ** 5.2559
    vapour = 611.2 * math.exp(17.62 * home.dew_point_c / (243.12 + home.dew_point_c))  # Magnus, WMO-No. 8
    virtual = (home.temperature_c + 273.15) / (1 - 0.378 * vapour / pressure)
    share = 1 - 0.0065 * row["base_above_home_ft"] * FT / virtual
    assert pressure / (287.053 * virtual) * share**4.2559 == pytest.approx(wanted, rel=2e-3)
    # At home on the ground, that air's own density altitude: what is practised there proves less.
    ground = (1 - (pressure / (287.053 * virtual) / 1.225) ** (1 / 4.2559)) * 288.15 / 0.0065 / FT
    better = int(re.search(r"([\d,]+) ft better than the show's", row["low_at_home"])[1].replace(",", ""))  # type: ignore[index]
    assert better == pytest.approx(high / FT - ground, abs=60)
    assert row["low_at_home"].endswith("it does not prove the figures")
    assert row["low_at_home_better_by_ft"] == better


def test_nobody_is_sent_under_the_floor_to_rehearse() -> None:
    """On a practice day of 44 °C the air at home, some 3,500 ft, is thinner than the beach's in July.

    Its base would lie below the ground: no height is told, here or by the command line. 120 ft for each °C
    above the standard's 15 (rule of thumb, common practice, no source): 29 x 120 = 3,480 ft.
    """
    made = small_season()
    season = load_season(made.folder)
    assert season.practice is not None
    assert season.practice.home_air is not None
    hot = season.practice.home_air.model_copy(update={"temperature_c": 44.0})
    season = dataclasses.replace(season, practice=season.practice.model_copy(update={"home_air": hot}))
    with read_results(made.results) as ds:
        rows = routines_told(ds, season)["practice"]["rehearsal_air"]
    sea = next(r for r in rows if r["booking"] == SEA)
    assert sea["show_density_altitude_high_ft"] < 3000
    assert (sea["base_above_home_ft"], sea["needle_ft"]) == (None, None)
    assert "thin enough" in sea["remark"]
    assert all(r["base_above_home_ft"] > 250 for r in rows if r["booking"] == HOT)


def test_every_paper_is_offered(monkeypatch: pytest.MonkeyPatch) -> None:
    """A card and a running order for each show, two sheets, and the calendar: all as downloads."""
    made = small_season()
    app = _show(monkeypatch, made, booking=HOT)
    labels = [b.proto.label for b in app.get("download_button")]
    with read_results(made.results) as ds:
        shows = ds.sizes["routine"]
    assert len(labels) == 2 + 2 * shows + 1
    assert sum(label.startswith("Pilot’s card") for label in labels) == shows


def test_a_setting_that_cannot_be_is_not_printed(monkeypatch: pytest.MonkeyPatch) -> None:
    """29.85 stands on the card; 1013 typed after it is told, and the card has a blank, not the 29.85."""
    app = _show(monkeypatch, small_season(), booking=HOT)
    made: dict[str, Callable[[], bytes]] = {}
    drawn: list[Sheet] = []

    def draw(sheet: Sheet) -> bytes:
        drawn.append(sheet)
        return b""

    monkeypatch.setattr("dashboard.answers.paper", lambda label, name, of, **_: made.update({label: of}))
    monkeypatch.setattr("pipeline.papers.sheet.draw", draw)
    for typed, printed, errors in ((29.85, "29.85 inHg", 0), (1013.0, "_______", 1), (None, "_______", 0)):
        app.number_input(key="show_altimeter").set_value(typed)
        app.run()
        assert not app.exception
        assert ["1013 is out of range" in e.value for e in app.error] == [True] * errors
        made["Pilot’s card, full"]()
        block = drawn[-1].blocks[0]
        assert isinstance(block, Numbers)
        assert dict(block.boxes)["ALTIMETER, LOCAL SETTING"] == printed


def test_without_a_fitting_folder_nothing_is_printed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A folder changed since holds other limits: no papers and no practice, with the cure; the shows stay."""
    made = small_season()
    folder = tmp_path / "season"
    shutil.copytree(made.folder, folder)
    text = (folder / "bookings.yaml").read_text(encoding="utf-8")
    (folder / "bookings.yaml").write_text(text.replace("11130", "12000"), encoding="utf-8")
    app = _show(monkeypatch, Made(folder, made.results), booking=HOT)
    assert not app.get("download_button")
    assert any("No papers" in i.value for i in app.info)
    told = [e.value for e in (*app.error, *app.warning, *app.info)]
    assert sum("showhour forecast" in t for t in told) == 1
    assert _table(app, "In, out or substitute")


def test_no_numbers_no_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """A venue without hours, and too thin a history: the reason, no plan, no papers, every caution."""
    for made, booking in ((small_season(), EMPTY), (thin_season(), HOT)):
        app = _show(monkeypatch, made, booking=booking)
        assert app.error
        html = _html(app)
        assert "plan on the" not in html
        # Nothing is current where nobody knows what is needed.
        assert "<b>Not judged</b>: " in html
        assert "is current at every show." not in html
        assert not app.get("download_button")
        assert all(c.replace("'", "&#x27;") in html for c in CAUTIONS)


def test_every_picture_has_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """WCAG 2.1 1.1.1: every picture carries a text alternative."""
    pictures = _show(monkeypatch, small_season(), booking=HOT).get("vega_lite_chart")
    assert pictures
    assert all(len(p.proto.alt) > 20 for p in pictures)
