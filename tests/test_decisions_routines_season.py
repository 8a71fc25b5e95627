"""The season's routines through the whole line, on weather known exactly."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from season_folder import ACT, LOOP, booking, csv_station, step, venue, write_season, write_yaml

from pipeline import results
from pipeline.air.variables import FT, KT
from pipeline.briefing import day_air
from pipeline.cli import _percent, _print_practice, _with_interval, main
from pipeline.decisions.routines import join_fault
from pipeline.flight.aircraft import FieldAir
from pipeline.flight.links import pairs
from pipeline.flight.rehearsal import practice_remark
from pipeline.flight.routine import Item, routine_energy
from pipeline.flight_inputs import load_flight
from pipeline.inputs import check_season, demo_folder, load_season
from pipeline.run import results_path
from pipeline.season_routines import SlotAirs, repertoire_of

YEARS = {"first_year": 2024, "last_year": 2026, "minimum_years": 2, "trend": False}
STANDING = {"stuck": False, "repeated_day": False}

PASS: dict[str, Any] = {
    "figure": "photo_pass",
    "name": "Pass",
    "seconds": 40,
    "crowd_value": 3,
    "limits": {"gust_kt": step(40)},
}


def air(**change: Any) -> dict[str, Any]:
    """A cool, calm day at sea level, with what is changed."""
    return {
        "temperature_c": 15,
        "dew_point_c": 5,
        "altimeter_hpa": 1013.25,
        "wind_direction_deg_true": 0,
        "wind_speed_kt": 0,
        "ceiling_ft": "none",
        "visibility_sm": 10,
        "thunder": 0,
        **change,
    }


def season(
    folder: Path,
    weather: dict[str, dict[str, Any]],
    routine: dict[str, Any],
    *,
    elevation_ft: float = 10.0,
    **places: Any,
) -> Path:
    """One venue a weather, each with one booking on 4 July at 14:00 UTC; weather that stands still."""
    for name, values in weather.items():
        path = folder / "hours" / f"{name}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("w", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(["time_utc", *values])
            for year in (2024, 2025, 2026):
                for hour in range(50 * 24):
                    at = datetime(year, 6, 10) + timedelta(hours=hour)
                    writer.writerow([at.isoformat(), *values.values()])
    write_season(
        folder,
        venues=[
            venue(
                name,
                elevation_ft=elevation_ft,
                stations=[
                    csv_station(name, elevation_ft, file=f"hours/{name}.csv", latitude=40.0, longitude=-1.0)
                ],
                **places.get(name.replace("-", "_"), {}),
            )
            for name in weather
        ],
        bookings=[booking(name, name, ["2027-07-04"]) for name in weather],
        history=YEARS,
        quality=STANDING,
    )
    write_yaml(folder / "routine.yaml", {"name": "Full show", **routine})
    return folder


def told(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert main(["run", str(folder), "--json"]) == 0
    capsys.readouterr()
    assert main(["routines", str(folder), "--json"]) == 0
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    answer["by_booking"] = {b["booking"]: b for b in answer["bookings"]}
    return answer


@pytest.fixture(autouse=True)
def _cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))


LOW: dict[str, Any] = {"ceiling_ft": {"comfortable": 1300, "limit": 1000}, "figures": ["Pass"]}


def test_low_ceiling_show_between_its_own_minimum_and_the_full_shows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A beach: at 1,400 ft the low-ceiling show, at 800 ft no show, under a blue sky never the low one.

    The full show's minimum is 1,500 ft (limit), the low-ceiling show's 1,000 ft: the expected shares are 0
    and 1, since 1,400 ft lies beyond the low show's comfortable 1,300 ft by a third of its span: its chance
    to stay down there is 1/(1 + 19^(1 + 2·100/300)) = .0073. Minima are invented.
    """
    folder = season(
        tmp_path / "s",
        {"blue": air(), "grey": air(ceiling_ft=1400), "black": air(ceiling_ft=800)},
        {"figures": [LOOP, PASS], "low_ceiling": LOW},
    )
    answer = told(folder, tmp_path, capsys)["by_booking"]
    assert answer["blue"]["flown"]["full"] > 0.99
    assert answer["blue"]["flown"]["low-ceiling"] == 0.0
    assert answer["grey"]["flown"]["full"] == 0.0
    stays = 1 / (1 + 19 ** (1 + 2 * 100 / 300))
    assert answer["grey"]["flown"]["low-ceiling"] == pytest.approx(1 - stays, abs=2e-4)
    assert answer["black"]["none"] == 1.0
    assert sum(answer["black"]["flown"].values()) == 0.0
    for row in answer.values():
        assert sum(row["flown"].values()) + row["none"] == pytest.approx(1.0, abs=2e-4)


def test_the_low_ceiling_show_is_never_an_answer_below_the_waiver(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same 1,400 ft where the venue's own waiver wants 1,450 ft: no show."""
    folder = season(
        tmp_path / "s",
        {"grey": air(ceiling_ft=1400)},
        {"figures": [LOOP, PASS], "low_ceiling": LOW},
        grey={"act": {"ceiling_ft": {"comfortable": 2500, "limit": 1450}}},
    )
    assert told(folder, tmp_path, capsys)["by_booking"]["grey"]["none"] == 1.0


def test_thin_air_is_flown_with_the_substitute_and_the_cool_field_with_the_full_show(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Limits as steps: a hot field past the loop's limit, a cool one far below it, one composed routine.

    At sea level 35 °C with a dew point of 5 °C is a density altitude of about 2,400 ft (118 ft a kelvin over
    15 °C, a rule of thumb) and 15 °C is about 60 ft: the loop's limit, 1,500 ft, lies between. The full show
    is worth 6 + 5, with the substitute 4 + 5; with both bookings counting alike the expected value is
    (11 + 9) / 2 = 10, and 11 / 2 without another routine.
    """
    roll = {**PASS, "figure": "slow_roll", "name": "Roll", "crowd_value": 4}
    loop = {**LOOP, "limits": {"density_altitude_ft": step(1500)}, "substitutes": [roll], "or_nothing": True}
    folder = season(
        tmp_path / "s",
        {"cool": air(), "hot": air(temperature_c=35)},
        {"figures": [{**PASS, "crowd_value": 5}, loop], "rehearse": 2},
    )
    answer = told(folder, tmp_path, capsys)
    assert [r["routine"] for r in answer["routines"]] == ["full", "thin-air"]
    assert answer["routines"][1]["figures"] == ["Pass", "Roll"]
    assert answer["routines"][1]["left_out"] == ["Loop"]
    assert answer["all_that_join"]
    assert answer["could_lose_crowd_value"] == 0.0
    cool, hot = answer["by_booking"]["cool"], answer["by_booking"]["hot"]
    assert (cool["flown"]["full"], cool["plan_on"]) == (1.0, "full")
    assert (hot["flown"]["thin-air"], hot["plan_on"]) == (1.0, "thin-air")
    assert hot["plan_keeps_a_further_change_to_1_day_in_10"]
    assert [f["crowd_value_expected"] for f in answer["frontier"]] == pytest.approx(
        [5.5, 10.0, 10.0], abs=1e-3
    )
    ds = results.read_results(results_path(folder, tmp_path / "cache"))
    with ds:
        assert ds["figure"].to_numpy().tolist() == ["Pass", "Loop", "Roll"]
        assert ds["routine_figures"].to_numpy().tolist() == [[1, 1, 0], [1, 0, 1]]
        assert ds["routine_position"].to_numpy().tolist() == [[1, 2, 0], [1, 0, 2]]
        slot = int(ds["day_offered_slot"][1])
        assert float(ds["routine_as_planned"][1, slot, 1]) == pytest.approx(1.0, abs=1e-4)
        assert float(ds["crowd_value_expected"][1, slot]) == pytest.approx(9.0, abs=1e-3)
        assert float(ds["crowd_value_full_alone"][1, slot]) == 0.0


@pytest.mark.parametrize("two_amber", [False, True])
def test_two_ambers_are_weighed_as_one_red_where_the_pilot_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], two_amber: bool
) -> None:
    """Hot and gusty, each halfway from comfortable to the loop's limit: .25 unchanged, or the loop is out.

    The field stands at its own density altitude of about 2,400 ft, taken from the results; the gust of 25 kt
    lies halfway from 20 to 30. The full show is worth 7 · .25 without the rule, more than the pass alone.
    With the rule the loop is never flown, and the season needs a second routine.
    """
    bounds = {"density_altitude_ft": {"comfortable": 1400, "limit": 3400},
              "gust_kt": {"comfortable": 20, "limit": 30}}  # fmt: skip
    loop = {**LOOP, "or_nothing": True, "limits": bounds}
    gusty = air(temperature_c=35, wind_speed_kt=8, gust_kt=25)
    folder = season(
        tmp_path / "s", {"hot": gusty}, {"figures": [{**PASS, "crowd_value": 1}, loop], "rehearse": 2}
    )
    head = yaml.safe_load((folder / "season.yaml").read_text(encoding="utf-8"))
    head["pilot"]["two_amber_is_red"] = two_amber
    write_yaml(folder / "season.yaml", head)
    answer = told(folder, tmp_path, capsys)
    with results.read_results(results_path(folder, tmp_path / "cache")) as ds:
        slot = int(ds["day_offered_slot"][0])
        feet = float(ds["density_altitude_quantile"][0, slot, 2]) / FT
        loop_out = float(ds["figure_change"][0, slot, 1])
        full = float(ds["routine_as_planned"][0, slot, 0])
        day = day_air(ds, 0)
    alone = 1 / (1 + 19 ** (1 - 2 * (feet - 1400) / 2000))
    assert 1800 < feet < 3000
    assert loop_out == pytest.approx(1.0 if two_amber else 1 - 0.5 * (1 - alone), abs=2e-3)
    assert full == pytest.approx(1 - loop_out, abs=2e-3)
    # What the slots and papers judge anew says the same.
    assert float(np.nanmean(day.flown[0, slot])) == pytest.approx(full, abs=2e-3)
    flown = answer["by_booking"]["hot"]["flown"]
    assert [r["left_out"] for r in answer["routines"]][1:] == ([["Loop"]] if two_amber else [])
    assert (flown["full"] == 0.0) == two_amber


def test_an_offer_that_was_passed_has_no_say(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the hot offer passed, no composed routine adds anything, and none is asked to be rehearsed."""
    loop = {**LOOP, "limits": {"density_altitude_ft": step(1500)}, "or_nothing": True}
    folder = season(tmp_path / "s", {"cool": air(), "hot": air(temperature_c=35)}, {"figures": [PASS, loop]})
    write_yaml(
        folder / "bookings.yaml",
        [booking("cool", "cool", ["2027-07-04"]), booking("hot", "hot", ["2027-07-04"], state="passed")],
    )
    answer = told(folder, tmp_path, capsys)
    assert [r["routine"] for r in answer["routines"]] == ["full"]
    assert answer["by_booking"]["hot"]["none"] == 1.0


def test_practice_is_judged_at_the_show_and_told_with_its_cure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Loop practised 40 days before 4 July, the pass 50 days before: the pass is refused, with its window."""
    folder = season(tmp_path / "s", {"cool": air()}, {"figures": [LOOP, PASS]})
    write_yaml(
        folder / "practice.yaml",
        {
            "currency_days": 45,
            "sessions": [
                {"date": "2027-05-15", "figures": ["Pass"]},
                {"date": "2027-05-25", "figures": ["Loop"]},
            ],
        },
    )
    answer = told(folder, tmp_path, capsys)
    (refused,) = answer["practice"]["refused"]
    assert (refused["figure"], refused["booking"], refused["show"]) == ("Pass", "cool", "2027-07-04")
    assert refused["cure"].startswith("Practise from 2027-05-20 to 2027-07-03")
    assert answer["by_booking"]["cool"]["current"] == {"2027-07-04": {"full": False}}
    assert main(["routines", str(folder)]) == 0
    text = capsys.readouterr().out
    assert "Not current at cool on 2027-07-04" in text
    assert "Planning aid only" in text


def test_a_show_of_two_days_is_rehearsed_in_the_thinner_air(capsys: pytest.CaptureFixture[str]) -> None:
    """One line a booking: of 8,457 and 8,490 ft it is the thinner, whichever day comes first."""
    rows = [
        {
            "booking": name,
            "date": date,
            "show_density_altitude_high_ft": high_ft,
            "base_above_home_ft": needle_ft - 400,
            "needle_ft": needle_ft,
            "altimeter_inhg": 30.05,
            "remark": "same power",
            "low_at_home": practice_remark(400 * FT, high_ft * FT),
        }
        for name, date, high_ft, needle_ft in (
            ("later", "2027-06-19", 8457, 8850),
            ("later", "2027-06-20", 8490, 8900),
            ("sooner", "2027-07-03", 5010, 5400),
            ("sooner", "2027-07-04", 4990, 5350),
        )
    ]
    _print_practice({"refused": [], "practise": [], "not_judged": ["nowhere"], "rehearsal_air": rows})
    text = capsys.readouterr().out
    assert "Not judged, for want of history: nowhere\n" in text
    assert "is current at every show that is judged." in text
    assert text.count("one day in ten exceeds") == 2
    assert (
        "later: the air of 8,490 ft, which one day in ten exceeds, is found with the base at 8,900 ft" in text
    )
    assert (
        "sooner: the air of 5,010 ft, which one day in ten exceeds, is found with the base at 5,400 ft"
        in text
    )
    # 8,490 - 400 ft, up to the next 50.
    assert "8,100 ft better than the show's: it does not prove the figures" in text


# --- What is read ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("routine", "key", "wanted"),
    [
        ({"always": ["Lop"]}, "always[0]", "did you mean Loop?"),
        ({"never_both": [["Loop", "Pass"]]}, "never_both[0]", "the full show is flown as it is"),
        ({"never_both": [["Loop"]]}, "never_both[0]", "at least 2"),
        ({"low_ceiling": {**LOW, "figures": ["Nowhere"]}}, "low_ceiling.figures[0]", "the name of a figure"),
        (
            {"low_ceiling": {**LOW, "ceiling_ft": {"comfortable": 2000, "limit": 1500}}},
            "low_ceiling.ceiling_ft.limit",
            "a limit below the full show's, 1500",
        ),
        (
            {"low_ceiling": {**LOW, "own": [PASS]}},
            "low_ceiling.own[0].name",
            "a name that no other figure has",
        ),
        ({"rehearse": 0}, "rehearse", "a whole number from 1 to 6"),
    ],
)
def test_mistakes_in_the_routine_are_told_with_their_place(
    tmp_path: Path, routine: dict[str, Any], key: str, wanted: str
) -> None:
    """Each mistake names its key and what would be right."""
    assert ACT["ceiling_ft"]["limit"] == 1500
    folder = season(tmp_path / "s", {"cool": air()}, {"figures": [LOOP, PASS], **routine})
    faults = check_season(folder)
    assert [f.key for f in faults] == [key]
    assert wanted in str(faults[0])


def test_a_pin_that_no_routine_can_keep_is_refused_with_its_cure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A hammerhead in the loop's place turns about: pinned, it leaves nothing that the pass can follow."""
    hammerhead = {"figure": "hammerhead", "name": "Hammerhead", "seconds": 30, "crowd_value": 4}
    place = {**LOOP, "substitutes": [{**hammerhead, "limits": {"gust_kt": step(40)}}]}
    folder = season(
        tmp_path / "s", {"cool": air()}, {"figures": [place, PASS], "always": ["Hammerhead"], "rehearse": 2}
    )
    assert main(["run", str(folder)]) == 2
    told = capsys.readouterr().err
    assert "No routine of" in told
    assert "Take Hammerhead out of always" in told


# --- Joins from the aircraft and the figures ------------------------------------------------------------


def test_pairs_have_the_energy_of_the_whole_routine() -> None:
    """Figure after figure against `routine_energy`, which flies the demo's routine as one, in thin air.

    Its climbs are the pairs' along the order; the same physics by another way, to a thousandth of a second.
    So is its length with whole legs and figures eased to the cushion, also where all is flown higher.
    """
    demo = load_season(demo_folder())
    figures = demo.routine.figures
    flight = load_flight(
        demo.folder, [f.name for f in demo.routine.repertoire], floor_ft=demo.pilot.floor_agl_ft
    )
    assert flight is not None
    names, seconds = [f.name for f in figures], [f.seconds for f in figures]
    lifts, cushion, figures = np.array([0.0, 300.0, 0.0]) * FT, flight.cushions.speed, flight.figures
    airs = FieldAir(np.array([7000.0, 7000.0, 1500.0]) * FT, np.array([7000.0, 5000.0, 500.0]) * FT)
    pair = pairs(
        [figures[n] for n in names], seconds, flight.aircraft, airs, raised=lifts, stall_margin=cushion
    )
    links = [0.0, *pair.link_seconds[:-1]]
    order = np.arange(len(names) - 1), np.arange(1, len(names))
    for k, lift in enumerate(lifts):
        items = [
            Item(figures[n].raised(lift), float(t), *flight.links[n])
            for n, t in zip(names, links, strict=True)
        ]
        items[-1] = replace(items[-1], closing_seconds=float(pair.link_seconds[-1]))
        one = FieldAir(float(airs.density_altitude[k]), float(airs.pressure_altitude[k]))
        whole = routine_energy(items, flight.aircraft, one, 200.0 * FT, stall_margin=cushion)
        along = pair.mend_seconds[*order, k]
        np.testing.assert_allclose(along, whole.climb_seconds[1:], atol=1e-3)
        flown = np.isfinite(whole.climb_seconds[1:])
        np.testing.assert_allclose(pair.climb_seconds[*order, k][flown], 25.0 * whole.climb_legs[1:][flown])
        if flown.all():
            length = sum(seconds) + pair.climb_seconds[*order, k].sum() + pair.added_seconds[:, k].sum()
            assert float(length) == pytest.approx(float(whole.total_seconds), abs=1e-3)
    assert np.nanmax(pair.mend_seconds[*order, 0]) > 10.0
    # A cushion of 60 kt is kept by no loop, at sea level neither: no climb is known after it.
    none = pairs([figures[n] for n in names], seconds, flight.aircraft, airs, stall_margin=60 * KT)
    lost = np.isnan(none.mend_seconds).any(axis=(1, 2))
    assert lost[names.index("Smoke loop")]
    assert np.all(none.climb_seconds[lost] == 0.0)
    assert np.all(none.added_seconds[lost] == 0.0)
    assert np.isfinite(pair.mend_seconds[*order, 2]).all()
    assert pair.joins[order].all()


def test_demo_inverted_figures_need_one_another() -> None:
    """The ribbon is cut inverted, without a half roll before it: it stays where the inverted pass does."""
    demo = load_season(demo_folder())
    airs = SlotAirs(*(np.array([x]) for x in (6500.0 * FT, 0.0, 0.0, 900.0)))
    rep, checked = repertoire_of(demo, airs)
    name = {n: i for i, n in enumerate(rep.names)}
    assert "energy" in checked
    assert join_fault(rep, rep.full, longest=900.0) == ""
    without = tuple(f for f in rep.full if f != name["Inverted pass"])
    assert (
        join_fault(rep, without, longest=900.0)
        == "Inverted ribbon cut does not join Knife-edge pass by attitude"
    )
    both = tuple(f for f in without if f != name["Inverted ribbon cut"])
    assert join_fault(rep, both, longest=900.0) == ""


def test_a_number_that_nobody_knows_is_a_dash_in_the_terminal() -> None:
    """No day flown has no share of days changed; without years a share has no interval."""
    nobody = {"x": None, "x_lower": None, "x_upper": None}
    assert _with_interval(nobody, "x", _percent) == "–"
    assert _with_interval(nobody | {"x": 0.25}, "x", _percent) == "25 %"
    known = {"x": 0.25, "x_lower": 0.2, "x_upper": 0.31}
    assert _with_interval(known, "x", _percent) == "25 % (20 % to 31 %)"
