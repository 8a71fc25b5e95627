"""The whole line on plain CSV stations: a mile-high typical year, and weather known exactly."""

from __future__ import annotations

import csv
import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from opendata import open_data
from reference_air import density_altitude_ft, limit_in_a_gap, moved
from season_folder import ACT, LOOP, booking, csv_station, step, venue, write_season

from pipeline.cli import main

HPA_PER_INHG = 33.86389
STANDS_STILL = {"stuck": False, "repeated_day": False}
STANDING: dict[str, Any] = {"ceiling_ft": "none", "visibility_sm": 10}


@pytest.fixture(autouse=True)
def _cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))


def write_standing_weather(path: Path, by_year: dict[int, dict[str, Any]]) -> None:
    """A station whose air stands still from 1 June to 10 August of each year."""
    columns = list(next(iter(by_year.values())))
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["time_utc", *columns])
        for year, air in by_year.items():
            start = datetime(year, 6, 1)
            for hour in range(71 * 24):
                writer.writerow([(start + timedelta(hours=hour)).isoformat(), *(air[c] for c in columns)])


def run(season: Path, capsys: pytest.CaptureFixture[str], *, code: int = 0) -> dict[str, Any]:
    assert main(["run", str(season), "--json"]) == code
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def at_slot(told: dict[str, Any], name: str) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """A booking, its slot in discussion, and that slot's figures by name."""
    (one,) = [b for b in told["bookings"] if b["booking"] == name]
    day = one["days"][0]
    (slot,) = [s for s in day["slots"] if s["start_local"] == day["slot_in_discussion_local"]]
    return one, slot, {f["figure"]: f for f in day["figures_at_slot_in_discussion"]}


# --- Denver, a typical year -----------------------------------------------------------------------------


def denver_hours() -> pd.DataFrame:
    """The typical year as pandas reads it: °C, °C, Pa, degrees, m/s by UTC.

    EnergyPlus weather format: eight header lines; local standard time (UTC-7), hours numbered by their end.
    The months come from different years; all are called 2021 here.
    """
    names = {3: "hour", 1: "month", 2: "day", 6: "t", 7: "td", 9: "p", 20: "dir", 21: "speed"}
    table = pd.read_csv(
        open_data("epw_denver"), skiprows=8, header=None, usecols=list(names), encoding="latin-1"
    )
    table = table.rename(columns=names)
    local = pd.to_datetime({"year": 2021, "month": table["month"], "day": table["day"]})
    table.index = pd.DatetimeIndex(local + pd.to_timedelta(table["hour"] + 7, unit="h"), name="time")
    return table[table.index.year == 2021]


def test_mile_high_density_altitude(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Denver's typical July at 14:00 local: quantiles and an exceedance against MetPy, `ambiance` and pandas.

    Station pressure is reported, so nothing is reduced. Pressure is given to 100 Pa and float32 holds seven
    digits: medians agree within 5 ft, the printed foot included; the tenth highest within 5 ft of the value
    of the same definition (type 8; pandas calls it median_unbiased through numpy).
    """
    hours = denver_hours()
    booked = pd.Timestamp("2027-07-04T20:00")  # 14:00 in Denver in July (UTC-6)
    t, td = moved(hours["t"] + 273.15, booked), moved(hours["td"] + 273.15, booked)
    window = hours.loc["2021-06-19":"2021-07-19"]  # type: ignore[misc]
    window = window[(window.index.hour >= 19) & (window.index.hour <= 21)]
    assert len(window) == 93
    da = pd.Series(density_altitude_ft(window["p"], t[window.index], td[window.index]), window.index)
    assert da.median() > 7500, "a hot afternoon at 5,413 ft"

    folder = tmp_path / "denver"
    folder.mkdir()
    out = pd.DataFrame(
        {
            "temperature_c": hours["t"],
            "dew_point_c": hours["td"],
            "station_pressure_hpa": hours["p"] / 100.0,
            "wind_direction_deg_true": hours["dir"],
            "wind_speed_kt": hours["speed"] * 3600.0 / 1852.0,
        }
    )
    out.to_csv(folder / "denver.csv", date_format="%Y-%m-%dT%H:%M", index_label="time_utc")
    limit = limit_in_a_gap(da, least_gap=10.0)
    write_season(
        folder,
        venues=[
            venue(
                "mile-high",
                elevation_ft=1650 / 0.3048,
                stations=[
                    csv_station("DEN", 1650 / 0.3048, file="denver.csv", latitude=39.83, longitude=-104.65)
                ],
                latitude=39.83,
                longitude=-104.65,
                timezone="America/Denver",
            )
        ],
        bookings=[booking("mile-high-july", "mile-high", ["2027-07-04"])],
        figures=[{**LOOP, "limits": {"density_altitude_ft": step(limit)}}],
        history={"first_year": 2021, "last_year": 2021, "minimum_years": 1},
    )
    one, slot, figures = at_slot(run(folder, capsys), "mile-high-july")
    # The file has no gusts, and one year only.
    assert slot["gusts"] == "estimated"
    assert one["trust_grade"] == "poor"
    assert "gusts are estimated from other stations" in one["trust"]
    assert slot["density_altitude_median_ft"] == pytest.approx(da.median(), abs=5)
    tenth = np.quantile(da, 0.9, method="median_unbiased")
    assert slot["density_altitude_1_in_10_high_ft"] == pytest.approx(tenth, abs=5)
    assert figures["Loop"]["changed"] == pytest.approx((da >= limit).mean(), abs=1e-4)
    assert slot["samples"] == 93


# --- Weather that stands still: every number can be written down ----------------------------------------

# Assumed weather of four days; density altitudes computed with MetPy and ambiance, checked again below.
EVENING = {"t": 20.0, "td": 8.0, "inhg": 29.92, "elevation": 2437.0, "da": 3726.0}
AFTERNOON = {"t": 33.0, "td": 7.0, "inhg": 29.92, "elevation": 2437.0, "da": 5154.0}
HIGH_NOON = {"t": 31.0, "td": 5.0, "inhg": 30.15, "elevation": 6700.0, "da": 9838.0}
BEACH = {"t": 27.0, "td": 22.0, "inhg": 29.95, "elevation": 12.0, "da": 1705.0}


def standing(case: dict[str, float], **more: Any) -> dict[str, Any]:
    return {
        "temperature_c": case["t"],
        "dew_point_c": case["td"],
        "altimeter_hpa": case["inhg"] * HPA_PER_INHG,
        "wind_direction_deg_true": 0,
        "wind_speed_kt": 0,
        **STANDING,
        **more,
    }


def test_density_altitude_is_not_the_whole_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A low beach with the wind at the crowd and a low ceiling is no good booking, however thick its air.

    The beach: 16 kt straight at the crowd and a ceiling of 1,400 ft against the waiver's 2,500. Its density
    altitude is the lowest of the four, its chance is 0, the ceiling bites, and it ranks last beside the hot
    high field, where density altitude bites. Calm, clear and within limits, the other two are flown as
    planned on nearly every day.
    """
    years = (2024, 2025, 2026)
    cases = {
        "evening": (EVENING, {}),
        "afternoon": (AFTERNOON, {}),
        "high-noon": (HIGH_NOON, {}),
        "beach": (BEACH, {"wind_direction_deg_true": 270, "wind_speed_kt": 16, "ceiling_ft": 1400}),
    }
    folder = tmp_path / "season"
    venues, bookings = [], []
    for name, (case, more) in cases.items():
        write_standing_weather(folder / f"{name}.csv", dict.fromkeys(years, standing(case, **more)))
        station = csv_station(
            name.upper(), case["elevation"], file=f"{name}.csv", latitude=40.0, longitude=-1.0
        )
        venues.append(venue(name, elevation_ft=case["elevation"], stations=[station]))
        bookings.append(booking(f"{name}-show", name, ["2027-07-04"]))
    write_season(
        folder,
        venues=venues,
        bookings=bookings,
        figures=[
            {
                **LOOP,
                "limits": {
                    "density_altitude_ft": {"comfortable": 7000, "limit": 9000},
                    "wind_toward_crowd_kt": {"comfortable": 12, "limit": 16},
                },
            }
        ],
        history={"first_year": 2024, "last_year": 2026, "minimum_years": 3},
        quality=STANDS_STILL,
        act=ACT | {"ceiling_ft": {"comfortable": 3000, "limit": 2500}},
    )
    told = run(folder, capsys)
    for name, (case, _) in cases.items():
        pressure = case["inhg"] * HPA_PER_INHG * 100.0
        # ISO 2533 by `ambiance`: the altimeter setting's pressure altitude, added to the field's elevation.
        station_pa = standard_pressure_at_setting(pressure, case["elevation"])
        reference = density_altitude_ft([station_pa], [case["t"] + 273.15], [case["td"] + 273.15])[0]
        assert reference == pytest.approx(case["da"], abs=10), name
        _, slot, _ = at_slot(told, f"{name}-show")
        assert slot["density_altitude_median_ft"] == pytest.approx(case["da"], abs=10), name
        assert slot["years"] == 3

    beach, slot, figures = at_slot(told, "beach-show")
    assert beach["as_planned"] == 0.0
    assert slot["bites"] in ("ceiling", "wind_across")
    assert slot["act_out_by_cause"]["ceiling"] == 1.0
    # 16 kt at a limit of 16 kt: at or beyond a personal limit the chance of change is exactly 1.
    assert figures["Loop"]["changed"] == 1.0
    assert figures["Loop"]["bites"] == "wind_across"
    high, slot, figures = at_slot(told, "high-noon-show")
    assert high["as_planned"] == 0.0
    assert slot["bites"] == "density_altitude"
    assert figures["Loop"]["changed"] == 1.0
    ranks = {b["booking"]: b["rank"] for b in told["bookings"]}
    assert {ranks["evening-show"], ranks["afternoon-show"]} == {1, 2}
    assert {ranks["beach-show"], ranks["high-noon-show"]} == {3, 4}
    evening, _, figures = at_slot(told, "evening-show")
    # The pilot's curve: 1/20 at 7,000 ft, 19/20 short of 9,000; at 3,726 ft the odds are
    # 19^((3726 - 8000) / 1000) = 3.4e-6 to 1.
    assert figures["Loop"]["changed"] == 0.0
    # 2 runway crosswind 0 of 20 kt: odds 19^((0 - 17) / 3) = 6e-8; no ceiling, 10 miles: odds under 19^-6.
    assert evening["as_planned"] == 1.0


def standard_pressure_at_setting(setting_pa: float, elevation_ft: float) -> float:
    """Pressure where an altimeter on this setting reads the field's elevation: ISO 2533 by `ambiance`."""
    import ambiance

    on_setting = float(ambiance.Atmosphere.from_pressure(setting_pa).H[0])
    height = ambiance.Atmosphere.geop2geom_height(on_setting + elevation_ft * 0.3048)
    return float(ambiance.Atmosphere(height).pressure[0])


def test_years_are_what_a_chance_rests_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Eight years, three of them too hot: five in eight as planned, and an interval that eight years carry.

    Wilson's interval by hand with Student's t: every hour of a year is the same weather, so the effective
    size is p (1 - p) / se^2 with se^2 = (8/7) p (1 - p) / 8: seven, however many hours were read.
    """
    hot = {2020, 2023, 2025}
    folder = tmp_path / "season"
    by_year = {
        year: standing({"t": 38.0 if year in hot else 15.0, "td": 0.0, "inhg": 29.92}, ceiling_ft="none")
        for year in range(2019, 2027)
    }
    write_standing_weather(folder / "plain.csv", by_year)
    station = csv_station("PLAIN", 1000, file="plain.csv", latitude=40.0, longitude=-1.0)
    write_season(
        folder,
        venues=[venue("plain", elevation_ft=1000, stations=[station])],
        bookings=[booking("plain-show", "plain", ["2027-07-04"])],
        figures=[{**LOOP, "limits": {"density_altitude_ft": step(2500)}}],
        history={"first_year": 2019, "last_year": 2026, "minimum_years": 8, "trend": False},
        quality=STANDS_STILL,
    )
    told = run(folder, capsys)
    one, slot, figures = at_slot(told, "plain-show")
    assert one["as_planned"] == pytest.approx(5 / 8, abs=1e-4)
    assert figures["Loop"]["changed"] == pytest.approx(3 / 8, abs=1e-4)
    assert slot["years"] == 8
    assert slot["samples"] == 8 * 31 * 3
    p, n, t = 5 / 8, 7, 1.8946  # t(7) at .95: tables of Student's t
    centre = (p + t**2 / (2 * n)) / (1 + t**2 / n)
    half = t * (p * (1 - p) / n + t**2 / (4 * n**2)) ** 0.5 / (1 + t**2 / n)
    assert one["as_planned_lower"] == pytest.approx(centre - half, abs=1e-3)
    assert one["as_planned_upper"] == pytest.approx(centre + half, abs=1e-3)
    assert slot["effective_samples"] == pytest.approx(7.0, abs=0.1)


def test_too_few_years_is_no_number(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two years where three are wanted: "not enough history", the reason, exit code 4, and no chance."""
    folder = tmp_path / "season"
    write_standing_weather(folder / "a.csv", dict.fromkeys((2025, 2026), standing(EVENING)))
    write_standing_weather(folder / "b.csv", dict.fromkeys((2024, 2025, 2026), standing(EVENING)))
    venues = [
        venue(
            f"place-{n}",
            elevation_ft=2437,
            stations=[csv_station(n.upper(), 2437, file=f"{n}.csv", latitude=40.0, longitude=-1.0)],
        )
        for n in ("a", "b")
    ]
    everything: dict[str, Any] = {
        "venues": venues,
        "bookings": [booking(f"show-{n}", f"place-{n}", ["2027-07-04"]) for n in ("a", "b")],
        "history": {"first_year": 2024, "last_year": 2026, "minimum_years": 3},
        "quality": STANDS_STILL,
    }
    write_season(folder, **everything)
    told = run(folder, capsys, code=3)
    one, _, figures = at_slot(told, "show-a")
    assert one["status"].startswith("not enough history: 2 years")
    assert one["as_planned"] is None
    assert one["rank"] is None
    assert figures["Loop"]["changed"] is None
    assert figures["Loop"]["changed_in_words"] == "not enough history"
    assert at_slot(told, "show-b")[0]["as_planned"] == 1.0

    # Air that stands still for weeks is no weather to the quality checks, unless they are told otherwise.
    write_season(folder, **(everything | {"quality": {}}))
    assert main(["run", str(folder)]) == 4
    assert "not enough history: 0 years" in capsys.readouterr().err

    everything["bookings"] = everything["bookings"][:1]
    write_season(folder, **everything)
    assert main(["run", str(folder)]) == 4
    assert "not enough history: 2 years" in capsys.readouterr().err
