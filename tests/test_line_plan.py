"""The season's plan on weather known exactly: calm, clear, and hot only where and when it is said to be.

Without wind and cloud every journey takes its distance over the true airspeed, every day is flyable, and a
loop with a density altitude limit is flown in the cool years and hours and no others. So worths, hours and
chances are arithmetic, done here with pyproj for distances and astral for the light.
"""

from __future__ import annotations

import atexit
import csv
import dataclasses
import datetime as dt
import functools
import itertools
import json
import math
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
import yaml
from season_folder import ACT, LOOP, booking, csv_station, step, venue, write_season, write_yaml

from pipeline import season_plan
from pipeline.cli import main
from pipeline.errors import InputError
from pipeline.fetch import fetch_season
from pipeline.inputs import Blackout, Exclusivity, Pay, Season, check_season, load_season
from pipeline.results import write_results
from pipeline.run import forecast, results_path
from pipeline.season_plan import Plan, plan_season
from pipeline.stations.store import Store

YEARS = range(2021, 2027)
COOL_YEARS = (2022, 2025)
"""Two of six: at 15:00 the loop at Thin is flown in one year of three."""

PLACES = {
    "base": (50.0, 0.0, 100),
    "near": (50.0, 1.5, 100),
    "north": (52.0, 0.5, 100),
    "east": (50.5, 4.0, 100),
    "thin": (48.0, 2.0, 5000),
}
TAS_KT, AN_HOUR, REFUEL_H = 100.0, 100.0, 1.0
FERRY: dict[str, Any] = {
    "true_airspeed_kt": TAS_KT,
    "leg_range_nm": 250,
    "ceiling_ft": 2000,
    "visibility_sm": 5,
    "wind_kt": 22,
    "refuel_min": 60 * REFUEL_H,
    "cost_per_flying_hour": AN_HOUR,
}


def write_hours(path: Path, *, hot: bool) -> None:
    """June to August of each year: calm and clear, 10 °C; where hot, 38 °C from 13 UTC in the hot years."""
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(
            [
                "time_utc", "temperature_c", "dew_point_c", "altimeter_hpa", "wind_direction_deg_true",
                "wind_speed_kt", "ceiling_ft", "visibility_sm",
            ]
        )  # fmt: skip
        for year in YEARS:
            start = dt.datetime(year, 6, 1)
            for hour in range(92 * 24):
                at = start + dt.timedelta(hours=hour)
                warm = hot and year not in COOL_YEARS and at.hour >= 13
                writer.writerow([at.isoformat(), 38 if warm else 10, 2, 1013.25, 0, 0, "none", 10])


def offer(name: str, at: str, *days: str, **other: Any) -> dict[str, Any]:
    return booking(name, at, days, **({"state": "enquiry", "fee": 5000, "offered": "14:00"} | other))


@functools.cache
def made() -> tuple[Path, Path]:
    """A season folder and a cache with its results: one offer a week at each place, nothing contracted."""
    root = Path(tempfile.mkdtemp(prefix="plan-season-"))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    folder = root / "season"
    folder.mkdir()
    write_hours(folder / "mild.csv", hot=False)
    write_hours(folder / "hot.csv", hot=True)
    venues = []
    for name, (lat, lon, elevation) in PLACES.items():
        file = "hot.csv" if name == "thin" else "mild.csv"
        station = csv_station(name.upper(), elevation_ft=elevation, file=file, latitude=lat, longitude=lon)
        venues.append(venue(name, elevation_ft=elevation, stations=[station], latitude=lat, longitude=lon))
    write_season(
        folder,
        venues=venues,
        bookings=[
            offer("alpha", "near", "2027-07-03", "2027-07-04"),
            offer("bravo", "north", "2027-07-03", "2027-07-04"),
            offer("charlie", "east", "2027-07-10"),
            offer("delta", "thin", "2027-07-17", window={"from": "10:00", "to": "11:30"}, offered="15:00"),
            offer("echo", "base", "2027-07-31"),
        ],
        figures=[{**LOOP, "limits": {"density_altitude_ft": step(7000)}}],
        history={"first_year": 2021, "last_year": 2026, "window_days": 5, "trend": False},
        act={**ACT, "thunder": "ignore"},
        home="base",
        ferry=FERRY,
        quality={"stuck": False, "repeated_day": False},
    )
    season = load_season(folder)
    store = Store(root / "cache")
    outcomes = fetch_season(season, store, now=dt.datetime(2026, 12, 31, tzinfo=dt.UTC))
    assert not [o.error for o in outcomes if o.error]
    write_results(forecast(season, store), results_path(folder, root / "cache"))
    return folder, root / "cache"


@functools.cache
def results() -> xr.Dataset:
    from pipeline.results import read_results

    folder, cache = made()
    with read_results(results_path(folder, cache)) as ds:
        return ds.load()


@functools.cache
def as_written() -> Season:
    return load_season(made()[0])


def season(**change: Any) -> Season:
    return dataclasses.replace(as_written(), **change)


def changed(held: Season, name: str, **change: Any) -> Season:
    """The season with one booking's fields replaced: what the plan reads, and the chances do not rest on."""
    bookings = tuple(b.model_copy(update=change) if b.id == name else b for b in held.bookings)
    return dataclasses.replace(held, bookings=bookings)


def only(held: Season, *names: str) -> Season:
    return dataclasses.replace(held, bookings=tuple(b for b in held.bookings if b.id in names))


def told(plan: Plan, name: str) -> Any:
    (row,) = [o for o in plan.offers if o.booking == name]
    return row


@functools.cache
def hours_between(a: str, b: str) -> float:
    """Flying hours in still air, by pyproj's geodesic."""
    from pyproj import Geod

    (lat1, lon1, _), (lat2, lon2, _) = PLACES[a], PLACES[b]
    return float(Geod(ellps="WGS84").inv(lon1, lat1, lon2, lat2)[2]) / 1852.0 / TAS_KT


# --- Worth ----------------------------------------------------------------------------------------------


def test_worth_is_fees_less_costs_and_flying() -> None:
    """Alpha then charlie, five days apart: out, across, home: 5,000 − 300 + 8,000 less 100 a flying hour."""
    held = changed(only(season(), "alpha", "charlie"), "charlie", fee=8000.0)
    plan = plan_season(results(), changed(held, "alpha", costs=300.0))
    hours = hours_between("base", "near") + hours_between("near", "east") + hours_between("east", "base")
    assert plan.bookings == ("alpha", "charlie")
    assert plan.ferry_hours == pytest.approx(hours, abs=1e-4)
    assert plan.worth == pytest.approx(5000 - 300 + 8000 - AN_HOUR * hours, abs=0.01)
    assert [(leg.from_place, leg.to_place, leg.legs) for leg in plan.legs] == [
        ("Base", "Near", 1), ("Near", "East", 1), ("East", "Base", 1),
    ]  # fmt: skip
    assert all(leg.in_time == 1.0 for leg in plan.legs if leg.for_booking)
    assert all(leg.headwind_kt == pytest.approx(0.0, abs=0.01) for leg in plan.legs)


def test_more_than_a_week_between_goes_home() -> None:
    """Alpha ends on 4 July and delta is on the 17th: home between them, so both ways are paid."""
    held = changed(only(season(least_chance=0.0), "alpha", "delta"), "delta", fee=20_000.0)
    plan = plan_season(results(), held)
    hours = 2 * hours_between("base", "near") + 2 * hours_between("base", "thin")
    assert plan.ferry_hours == pytest.approx(hours, abs=1e-4)


def test_what_is_paid_when_the_show_is_not_flown() -> None:
    """At 15:00 the loop is flown in two years of six: full fee by default, a third where only a show pays."""
    held = only(season(least_chance=0.0), "delta")
    assert told(plan_season(results(), held), "delta").full_show == pytest.approx(1 / 3)
    assert told(plan_season(results(), held), "delta").expected == pytest.approx(5000)
    for not_flown in (0.0, 0.4):
        paid = changed(held, "delta", pay=Pay(not_flown=not_flown))
        row = told(plan_season(results(), paid), "delta")
        assert row.expected == pytest.approx(5000 * (1 / 3 + not_flown * 2 / 3))


def test_amounts_in_another_currency() -> None:
    """A fee of 5,000 at 0.5 is worth 2,500 of the season's currency."""
    held = changed(only(season(rates={"CAD": 0.5}), "echo"), "echo", currency="CAD")
    assert plan_season(results(), held).worth == pytest.approx(2500)


# --- What is kept ---------------------------------------------------------------------------------------


def test_two_offers_on_the_same_days() -> None:
    """Alpha and bravo overlap: the one worth more is taken, and the other is told what it lacks.

    Bravo lacks the difference of the flying: twice the hours to North less twice those to Near, at 100.
    """
    plan = plan_season(results(), only(season(), "alpha", "bravo"))
    assert plan.bookings == ("alpha",)
    short = 2 * AN_HOUR * (hours_between("base", "north") - hours_between("base", "near"))
    row = told(plan, "bravo")
    assert (row.decision, row.more_needed) == ("pass", math.ceil(short / 50) * 50)
    assert "their days overlap" in row.why
    assert row.worth_taking_if == f"worth taking with {row.more_needed:,.0f} USD more"
    assert plan.runners_up[0].takes == ("bravo",)
    assert plan.runners_up[0].worth == pytest.approx(plan.worth - short, abs=0.01)
    # With that much more it is taken; with fifty less it is not.
    for fee, taken in ((5000 + row.more_needed, "bravo"), (5000 + row.more_needed - 50, "alpha")):
        again = plan_season(results(), changed(only(season(), "alpha", "bravo"), "bravo", fee=fee))
        assert again.bookings == (taken,)


def test_a_contract_is_kept_whatever_else_pays() -> None:
    """Bravo under contract stands although alpha pays ten times as much; alpha fits at no fee."""
    held = changed(only(season(), "alpha", "bravo"), "bravo", state="contracted", fee=100.0)
    plan = plan_season(results(), held)
    assert plan.bookings == ("bravo",)
    row = told(plan, "alpha")
    assert (row.decision, row.more_needed) == ("pass", None)
    assert row.worth_taking_if.startswith("nothing makes it fit")
    assert "bravo" in row.worth_taking_if


def test_contracts_that_cannot_both_be_kept_are_named_with_the_hours() -> None:
    """North until 16:00 and an hour on the ground; East wants the aircraft at 18:00 the same day.

    The flight takes the geodesic at 100 kt, so it is late by 17:00 + flight − 18:00; sunset is after 20:00.
    """
    held = only(season(), "bravo", "charlie")
    held = changed(held, "bravo", state="contracted")
    held = changed(held, "charlie", state="contracted", fee=9000.0, show_days=(dt.date(2027, 7, 5),))
    plan = plan_season(results(), held)
    late = 17.0 + hours_between("north", "east") - 18.0
    assert plan.bookings == ("charlie",)
    (line,) = plan.broken
    assert line.startswith("bravo is contracted and cannot be kept")
    assert "charlie" in line
    assert f"{math.ceil(late * 10) / 10:.1f} h short" in line
    assert told(plan, "bravo").decision == "cannot be kept"
    # An arrival just late enough mends it.
    need = dt.time(17 + int(hours_between("north", "east")) + 1)
    assert plan_season(results(), changed(held, "charlie", arrive_by=need)).broken == ()


def test_exclusivity_counts_days_and_miles() -> None:
    """Alpha to charlie: six days and 97 NM (112 statute miles) apart, between the show sites, by pyproj."""
    miles = hours_between("near", "east") * TAS_KT * 1852.0 / 1609.344
    days = (dt.date(2027, 7, 10) - dt.date(2027, 7, 4)).days
    base = only(season(), "alpha", "charlie")
    for rule, both in (
        (Exclusivity(days=days, miles_sm=math.ceil(miles)), False),
        (Exclusivity(days=days - 1, miles_sm=math.ceil(miles)), True),
        (Exclusivity(days=days, miles_sm=math.floor(miles)), True),
    ):
        for owner in ("alpha", "charlie"):
            plan = plan_season(results(), changed(base, owner, exclusive=rule))
            assert (len(plan.bookings) == 2) == both
            if not both:
                (left,) = [o for o in plan.offers if o.decision == "pass"]
                assert "exclusivity" in left.why


def test_blackouts_and_days_at_home() -> None:
    """Days off bar the offers that fall into them; an inspection at home between two shows is paid with a
    journey home, and where the days do not reach, one of the two is left."""
    off = Blackout(from_=dt.date(2027, 7, 9), to=dt.date(2027, 7, 9), why="Family")
    plan = plan_season(results(), only(season(blackouts=(off,)), "alpha", "charlie"))
    assert plan.bookings == ("alpha",)
    assert told(plan, "charlie").decision == "barred"
    assert "Family, 2027-07-09 to 2027-07-09" in told(plan, "charlie").why

    work = Blackout(from_=dt.date(2027, 7, 6), to=dt.date(2027, 7, 7), why="Inspection", at_home=True)
    plan = plan_season(results(), only(season(blackouts=(work,)), "alpha", "charlie"))
    assert plan.bookings == ("alpha", "charlie")
    assert plan.ferry_hours == pytest.approx(
        2 * (hours_between("base", "near") + hours_between("base", "east"))
    )
    onward = [leg for leg in plan.legs if leg.for_booking == "charlie"]
    assert [leg.take_off_local[:10] for leg in onward] == ["2027-07-08"]

    # At home until the end of the 8th, it cannot be at East by 18:00 on that day, two days before the show.
    work = Blackout(from_=dt.date(2027, 7, 5), to=dt.date(2027, 7, 8), why="Inspection", at_home=True)
    late = changed(only(season(blackouts=(work,)), "alpha", "charlie"), "charlie", arrive_days_before=2)
    assert len(plan_season(results(), late).bookings) == 1


# --- The pilot's bar ------------------------------------------------------------------------------------


def test_an_offer_below_the_bar_is_barred_and_told_the_hour() -> None:
    """At 15:00 the show is flown in one year of three, in the morning in every one.

    The organiser's window ends at 11:30, so the nearest half-hour slot that lies in it is 11:00;
    the heat begins two hours later.
    """
    plan = plan_season(results(), only(season(), "delta"))
    row = told(plan, "delta")
    assert (plan.bookings, row.decision) == ((), "barred")
    assert "33 % of days" in row.why
    assert row.other_slot == "11:00"
    assert row.other_slot_more == 0.0
    assert row.worth_taking_if == "worth taking with 11:00 instead of 15:00"
    # At a fee below the flying, the hour alone is not enough: the flying less the fee is asked for as well.
    plan = plan_season(results(), changed(only(season(), "delta"), "delta", fee=100.0))
    more = math.ceil((2 * AN_HOUR * hours_between("base", "thin") - 100.0) / 50) * 50
    assert (
        told(plan, "delta").worth_taking_if == f"worth taking with 11:00 instead of 15:00 and {more} USD more"
    )


def test_a_contract_below_the_bar_is_an_alarm() -> None:
    """What is signed is kept; the alarm says what the pilot would not have taken."""
    plan = plan_season(results(), changed(only(season(), "delta"), "delta", state="contracted"))
    assert plan.bookings == ("delta",)
    assert any("delta" in a and "33 % of days" in a for a in plan.alarms)


def test_how_often_the_plan_stays_the_best() -> None:
    """Delta pays 30,000 where the show is flown and nothing else; charlie a sure 9,000 on the same day.

    In a resample of six years with k cool ones delta brings 5,000 k, so its plan stays best where k is 2 or
    more. Expected share: binomial, n = 6, p = 1/3: 1 − (2/3)⁶ − 6·(1/3)(2/3)⁵ = .6488; of 200 draws, so
    within .1 (three standard errors). With k = 0 or 1 charlie's plan is worth 9,000 − 5,000 k more, less the
    longer way.
    """
    held = only(season(least_chance=0.0), "charlie", "delta")
    held = changed(held, "delta", fee=30_000.0, pay=Pay(not_flown=0.0))
    held = changed(held, "charlie", fee=9_000.0, show_days=(dt.date(2027, 7, 17),))
    plan = plan_season(results(), held)
    assert plan.bookings == ("delta",)
    assert plan.draws == 200
    expected = 1 - (2 / 3) ** 6 - 6 * (1 / 3) * (2 / 3) ** 5
    assert plan.stays_best == pytest.approx(expected, abs=0.1)
    longer = 2 * AN_HOUR * (hours_between("base", "east") - hours_between("base", "thin"))
    assert plan.loss_1_in_10 is not None
    assert min(abs(plan.loss_1_in_10 - (9000 - 5000 * k - longer)) for k in (0, 1)) < 1.0


# --- Against every set ----------------------------------------------------------------------------------


def sunset_and_sunrise(place: str, at: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    from astral import Observer
    from astral.sun import sunrise, sunset

    lat, lon, _ = PLACES[place]
    observer = Observer(lat, lon, 0.0)
    return sunset(observer, at.date()), sunrise(observer, at.date() + dt.timedelta(days=1))


@functools.cache
def lands(a: str, b: str, leave: dt.datetime) -> dt.datetime:
    """One leg between places a day apart at most: now, or at the next sunrise where the light goes first."""
    flight = dt.timedelta(hours=hours_between(a, b))
    if leave + flight <= sunset_and_sunrise(b, leave)[0]:
        return leave + flight
    return sunset_and_sunrise(a, leave)[1] + flight


def test_plans_of_random_seasons_against_every_set() -> None:
    """Two hundred random seasons of six offers: worth equal to the best of all 64 sets, evaluated by hand.

    By hand: the order of the shows, each flown from the last or, more than a week on, from home; in time for
    18:00 the day before; exclusivities; contracts first. Distances by pyproj, light by astral.
    """
    rng = np.random.default_rng(11)
    base = {b.id: b for b in season(least_chance=0.0).bookings}
    ids = ("alpha", "bravo", "charlie", "echo")
    for trial in range(200):
        offers, rows = [], []
        for k in range(6):
            name = ids[int(rng.integers(len(ids)))]
            first = dt.date(2027, 6, 20) + dt.timedelta(days=int(rng.integers(0, 30)))
            rule = None
            if rng.random() < 0.25:
                rule = Exclusivity(days=int(rng.integers(1, 15)), miles_sm=float(rng.integers(20, 250)))
            offers.append(
                base[name].model_copy(
                    update={
                        "id": f"o{k}",
                        "show_days": (first,),
                        "fee": float(rng.integers(0, 900)),
                        "state": "contracted" if rng.random() < 0.15 else "enquiry",
                        "exclusive": rule,
                    }
                )
            )
            rows.append(name)
        offers_by_day = sorted(offers, key=lambda b: b.show_days[0])
        best = max(
            (value for size in range(7) for chosen in itertools.combinations(offers_by_day, size)
             if (value := by_hand(chosen)) is not None),
            key=lambda v: (v[0], v[1]),
        )  # fmt: skip
        plan = plan_season(as_results(rows, [b.id for b in offers]), season(bookings=tuple(offers)), draws=2)
        assert plan.worth == pytest.approx(best[1], abs=0.01), trial
        kept = sum(b.state == "contracted" for b in offers if b.id in plan.bookings)
        assert kept == best[0], trial


def by_hand(chosen: tuple[Any, ...]) -> tuple[int, float] | None:
    """Contracts kept and worth of a set in the order of its shows; None where it cannot be flown."""
    worth, at, free = 0.0, "base", None
    for one in chosen:
        there = one.venue
        if free is not None:
            begins = dt.datetime.combine(one.show_days[0], dt.time(13), dt.UTC)
            wanted = dt.datetime.combine(one.show_days[0] - dt.timedelta(days=1), dt.time(18), dt.UTC)
            leave = free + dt.timedelta(hours=REFUEL_H)
            if begins < free:
                return None
            if begins - free > dt.timedelta(days=7):
                worth -= AN_HOUR * (hours_between(at, "base") + hours_between("base", there))
            elif at != there:
                if lands(at, there, leave) > wanted:
                    return None
                worth -= AN_HOUR * hours_between(at, there)
        else:
            worth -= AN_HOUR * hours_between("base", there)
        worth += one.fee
        at, free = there, dt.datetime.combine(one.show_days[-1], dt.time(16), dt.UTC)
    for a, b in itertools.combinations(chosen, 2):
        apart = hours_between(a.venue, b.venue) * TAS_KT * 1852.0 / 1609.344
        gap = abs((a.show_days[0] - b.show_days[0]).days)
        for rule in (a.exclusive, b.exclusive):
            if rule is not None and a.venue != b.venue and gap <= rule.days and apart <= rule.miles_sm:
                return None
    worth -= AN_HOUR * hours_between(at, "base")
    return sum(b.state == "contracted" for b in chosen), worth


@functools.cache
def chances() -> xr.Dataset:
    """The results as far as a plan reads them."""
    weather = ("wind_speed", "toward_crowd", "along_line", "ceiling", "visibility")
    return results()[[*season_plan._READ, *(f"sample_{name}" for name in weather)]]


def as_results(rows: list[str], names: list[str]) -> xr.Dataset:
    """The results as if they were of other bookings: each has the chances of one that was computed."""
    held = chances()
    row_of = {str(v): i for i, v in enumerate(held["booking"].to_numpy())}
    first = {str(v): i for i, v in reversed(list(enumerate(held["day_booking"].to_numpy())))}
    taken = held.isel(booking=[row_of[r] for r in rows], booking_day=[first[r] for r in rows])
    taken = taken.assign_coords(booking=np.array(names, dtype=object))
    taken["day_booking"] = ("booking_day", np.array(names, dtype=object))
    return taken


def test_sixty_offers_are_planned_within_two_seconds() -> None:
    """Sixty offers with exclusivities and 200 resampled years: the least of three runs, processor time."""
    rng = np.random.default_rng(5)
    base = {b.id: b for b in season().bookings}
    rows = [("alpha", "bravo", "charlie", "echo", "delta")[k % 5] for k in range(60)]
    offers = tuple(
        base[name].model_copy(
            update={
                "id": f"o{k}",
                "show_days": (dt.date(2027, 4, 5) + dt.timedelta(days=int(rng.integers(0, 200))),),
                "fee": float(rng.integers(500, 9000)),
                "pay": Pay(not_flown=0.5),
                "state": "contracted" if k % 15 == 0 else "enquiry",
                "exclusive": Exclusivity(days=20, miles_sm=120.0) if k % 3 == 0 else None,
            }
        )
        for k, name in enumerate(rows)
    )
    ds, held = as_results(rows, [b.id for b in offers]), season(bookings=offers)
    spent = []
    for _ in range(3):
        began = time.process_time()
        plan = plan_season(ds, held)
        spent.append(time.process_time() - began)
    assert len(plan.bookings) > 10
    assert plan.draws == 200
    assert min(spent) < 2.0


# --- Bad input ------------------------------------------------------------------------------------------


def edited(tmp_path: Path, file: str, change: Any) -> Path:
    """A copy of the season folder with one YAML file changed in place by `change`."""
    folder = tmp_path / "season"
    shutil.copytree(made()[0], folder)
    path = folder / file
    value = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader) if path.exists() else None
    write_yaml(path, change(value) or value)
    return folder


def put(*keys: Any, to: Any) -> Any:
    def change(value: Any) -> None:
        for key in keys[:-1]:
            value = value[key]
        value[keys[-1]] = to

    return change


BAD = [
    ("bookings.yaml", put(2, "show_days", to=["2027-12-01"]), "show_days", "a day of the season"),
    ("bookings.yaml", put(0, "currency", to="CAD"), "[0].currency", "a rate for CAD"),
    ("bookings.yaml", put(0, "deposit", to=6000), "[0].deposit", "a part of the fee"),
    ("bookings.yaml", put(0, "reply_by", to="2027-07-05"), "[0].reply_by", "a day before the show"),
    ("bookings.yaml", put(0, "pay", to={"reduced": 80}), "[0].pay.reduced", "a share of the fee"),
    ("bookings.yaml", put(0, "exclusive", to={"days": 30}), "[0].exclusive.miles_sm", "this key"),
    ("season.yaml", put("home", to="bsae"), "home", "did you mean base"),
    (
        "season.yaml",
        put("home", to={"name": "H", "icao": "ZZZZ", "latitude": 50, "longitude": 0, "elevation_ft": 10}),
        "home.icao",
        "ICAO airport table",
    ),
    ("season.yaml", put("ferry", "leg_range_nm", to=5), "ferry.leg_range_nm", "from 20"),
    ("season.yaml", put("blackouts", to=[{"from": "2027-07-02", "to": "2027-07-01", "why": "x"}]),
     "blackouts[0].to", "not before from"),
    ("paperwork.yaml", lambda _: [{"kind": "medical", "name": "M"}], "[0].expires", "this key"),
    ("paperwork.yaml", lambda _: [{"kind": "waiver", "name": "W", "expires": "2027-12-31", "venue": "nera"}],
     "[0].venue", "did you mean near"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "change", "key", "word"), BAD, ids=[f"{b[0]}-{b[2]}" for b in BAD])
def test_bad_input_is_placed(tmp_path: Path, file: str, change: Any, key: str, word: str) -> None:
    """One mistake, at its key, with what would be right."""
    (fault,) = check_season(edited(tmp_path, file, change))
    assert fault.file == file
    assert key in fault.key
    assert word in fault.wanted
    assert fault.line is not None


def test_a_home_is_needed_with_a_ferry(tmp_path: Path) -> None:
    """Without home the ferry has no start."""
    (fault,) = check_season(edited(tmp_path, "season.yaml", lambda v: v.pop("home") and v))
    assert (fault.key, fault.found) == ("home", "nothing")


def test_a_range_below_the_nearest_two_places_is_a_warning(tmp_path: Path) -> None:
    """Base and Near are the nearest two, 58 NM apart by pyproj; 30 NM of range needs fuel on every way."""
    held = load_season(edited(tmp_path, "season.yaml", put("ferry", "leg_range_nm", to=30)))
    (warning,) = [w for w in held.warnings if w.key == "ferry.leg_range_nm"]
    assert f"{hours_between('base', 'near') * TAS_KT:.0f} NM apart" in warning.wanted


def test_a_home_without_an_airfield_is_a_warning(tmp_path: Path) -> None:
    """The middle of the Bay of Biscay has no airfield of the table within 5 NM."""
    sea = {"name": "Sea", "latitude": 45.5, "longitude": -5.5, "elevation_ft": 0}
    held = load_season(edited(tmp_path, "season.yaml", put("home", to=sea)))
    (warning,) = [w for w in held.warnings if w.key == "home.latitude"]
    assert "no airfield" in warning.found


def test_no_ferry_section_is_told() -> None:
    """A season that says nothing of the ferry stays valid; planning it says what to add."""
    with pytest.raises(InputError, match=r"no ferry section.*true_airspeed_kt"):
        plan_season(results(), season(ferry=None))
    with pytest.raises(InputError, match="no home"):
        plan_season(results(), season(home=None))


# --- Papers ---------------------------------------------------------------------------------------------


def test_the_highest_floor_governs_and_an_expiry_is_an_alarm(tmp_path: Path) -> None:
    """Pilot 250 ft, card 500, a waiver of Near 800: 800 there, 500 elsewhere; the medical ends first."""
    papers = [
        {"kind": "competency", "name": "Card", "expires": "2027-12-31", "floor_agl_ft": 500},
        {"kind": "waiver", "name": "Waiver", "expires": "2027-12-31", "floor_agl_ft": 800, "venue": "near"},
        {"kind": "medical", "name": "Medical", "expires": "2027-07-09"},
    ]
    held = load_season(edited(tmp_path, "paperwork.yaml", lambda _: papers))
    assert held.floor_agl_ft(held.venue("near")) == 800
    assert held.floor_agl_ft(held.venue("east")) == 500
    plan = plan_season(results(), only(held, "alpha", "charlie"))
    assert plan.alarms == ("Medical expires on 2027-07-09, before the show day 2027-07-10 of charlie.",)
    assert ("near", 800.0, "Waiver") in plan.floors
    assert ("east", 500.0, "Card") in plan.floors


# --- The command ----------------------------------------------------------------------------------------


def test_the_command_prints_the_plan(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """JSON and text tell the same plan, with the cautions."""
    folder, cache = made()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(cache))
    assert main(["plan", str(folder), "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["bookings"] == ["alpha", "charlie", "echo"]
    assert plan["cautions"]
    assert main(["plan", str(folder)]) == 0
    text = capsys.readouterr().out
    assert "worth taking with 11:00 instead of 15:00" in text
    assert f"{plan['worth']:,.0f} USD" in text
    assert "Planning aid only" in text


def test_contracts_that_cannot_be_kept_end_with_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The plan is printed all the same; the contract is named beside it."""
    folder = edited(
        tmp_path,
        "bookings.yaml",
        lambda v: [{**b, "state": "contracted"} for b in v if b["id"] in ("alpha", "bravo")],
    )
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    assert main(["run", str(folder), "--json"]) == 0
    capsys.readouterr()
    assert main(["plan", str(folder)]) == 2
    shown = capsys.readouterr()
    assert "Expected worth" in shown.out
    assert "bravo is contracted and cannot be kept" in shown.err
    assert "their days overlap" in shown.err
