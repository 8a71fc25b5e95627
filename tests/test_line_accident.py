"""A published accident as a season, through the whole line: evening thin, afternoon out, morning no proof.

NTSB WPR16FA169 (2016), by a secondary report: field about 2,437 ft, late August; the loop was flown in the
evening display at about 20:00 with little to spare and failed the next day at 14:25; density altitude and
the failure to plan for it were cited. The weather here is invented: 27 °C in the evening and 38 °C in the
afternoon, 3.5 % in density, day by day within a kelvin; the pilot's limits are the pilot's own. What decides
the loop itself, the entry energy straight off the take-off, is checked where it is computed.
"""

from __future__ import annotations

import csv
import datetime as dt
import math
from collections.abc import Iterator
from typing import Any

import pytest
import xarray as xr
from season_folder import LOOP, booking, csv_station, step, venue, write_season, write_yaml

from pipeline import briefing
from pipeline.air.variables import FT
from pipeline.cli import main
from pipeline.decisions.today import LEAVE_OUT, NO_SECOND_THOUGHT, THINK
from pipeline.observed import metar_reading
from pipeline.results import read_results
from pipeline.run import results_path
from pipeline.which_show import TodayAnswer, today_answer

FIELD_FT = 2437.0
COMFORTABLE_FT, LIMIT_FT = 4000.0, 5400.0
EVENING, AFTERNOON = "evening", "afternoon"
# Of each hour, UTC and local alike.
CELSIUS = [18, 17, 17, 16, 16, 15, 15, 15, 15, 16, 21, 27, 33, 38, 38, 38, 37, 35, 31, 27, 27, 27, 23, 20]


def density_altitude_ft(celsius: float) -> float:
    """Of dry air of standard pressure at the field, by the closed form of the standard atmosphere."""
    pressure_ratio = (1 - 0.0065 * FIELD_FT * 0.3048 / 288.15) ** 5.255880
    density_ratio = pressure_ratio * 288.15 / (celsius + 273.15)
    return float(145_442.16 * (1 - density_ratio**0.2349690))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[xr.Dataset]:
    root = tmp_path_factory.mktemp("accident")
    folder = root / "season"
    (folder / "hours").mkdir(parents=True)
    still = {"dew_point_c": -20, "altimeter_hpa": 1013.25, "wind_direction_deg_true": 0, "wind_speed_kt": 0,
             "ceiling_ft": "none", "visibility_sm": 10, "thunder": 0}  # fmt: skip
    with (folder / "hours" / "field.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["time_utc", "temperature_c", *still])
        for year in (2024, 2025, 2026):
            for hour in range(50 * 24):
                at = dt.datetime(year, 8, 3) + dt.timedelta(hours=hour)
                celsius = CELSIUS[at.hour] + 0.3 * (7 * at.toordinal() % 5 - 2)
                writer.writerow([at.isoformat(), celsius, *still.values()])
    station = csv_station("field", FIELD_FT, file="hours/field.csv", latitude=40.0, longitude=-1.0)
    write_season(
        folder,
        venues=[venue("field", elevation_ft=FIELD_FT, stations=[station])],
        bookings=[
            booking(
                EVENING, "field", ["2027-08-27"], window={"from": "18:00", "to": "20:30"}, offered="20:00"
            ),
            booking(
                AFTERNOON, "field", ["2027-08-28"], window={"from": "11:00", "to": "15:30"}, offered="14:25"
            ),
        ],
        history={"first_year": 2024, "last_year": 2026, "minimum_years": 2, "trend": False},
        quality={"stuck": False, "repeated_day": False},
    )
    bounds = {"density_altitude_ft": {"comfortable": COMFORTABLE_FT, "limit": LIMIT_FT}}
    turn: dict[str, Any] = {"figure": "photo_pass", "name": "Pass", "seconds": 40, "crowd_value": 3,
                            "limits": {"gust_kt": step(40)}}  # fmt: skip
    loop = {**LOOP, "limits": bounds, "or_nothing": True}
    write_yaml(folder / "routine.yaml", {"name": "Full show", "figures": [turn, loop], "rehearse": 2})
    with pytest.MonkeyPatch.context() as then:
        then.setenv("SHOWHOUR_CACHE", str(root / "cache"))
        assert main(["run", str(folder), "--json"]) == 0
    with read_results(results_path(folder, root / "cache")) as ds:
        yield ds


def told(ds: xr.Dataset, booked: str, metar: str) -> TodayAnswer:
    day = dt.date(2027, 8, 27 if booked == EVENING else 28)
    return today_answer(
        ds,
        booked,
        metar_reading(metar, FIELD_FT * FT, day),
        lapse_rate=0.0065,
        thunder_stops=True,
        two_amber_is_red=False,
    )


def test_evening_thin_afternoon_out(made: xr.Dataset) -> None:
    """The evening's loop is one to think about, the afternoon's is past the limit: the show without it.

    4,360 ft lies a quarter of the way from comfortable to the limit: the loop is changed with
    1/(1 + 19^(1 - 2·360/1400)) = .19. 5,550 ft lies beyond the limit: with certainty.
    """
    evening, afternoon = (briefing.slot_answer(made, b) for b in (EVENING, AFTERNOON))
    thin, out = evening.rows[evening.offered], afternoon.rows[afternoon.offered]
    assert (thin.local, out.local) == ("20:00", "14:25")
    assert thin.density_altitude_median_ft == pytest.approx(density_altitude_ft(27.0), abs=25.0)
    assert out.density_altitude_median_ft == pytest.approx(density_altitude_ft(38.0), abs=25.0)
    assert density_altitude_ft(27.0) < LIMIT_FT < density_altitude_ft(37.4)
    z = -1 + 2 * (density_altitude_ft(27.0) - COMFORTABLE_FT) / (LIMIT_FT - COMFORTABLE_FT)
    assert thin.full_show.value == pytest.approx(1 - 1 / (1 + 19**-z), abs=0.02)
    assert 0.05 < 1 - thin.full_show.value < 0.5
    assert out.full_show.value == 0.0
    assert out.routines["thin-air"].value > 0.99
    flown = dict(zip(made["booking"].to_numpy(), made["booking_plan_on"].to_numpy(), strict=True))
    assert str(made["routine"].to_numpy()[int(flown[AFTERNOON])]) == "thin-air"


def test_the_cool_morning_of_the_show_proves_nothing(made: xr.Dataset) -> None:
    """A practice at 09:00 in 16 °C: the loop gives no second thought there, and is told to prove nothing.

    The readings of the shows themselves: think in the evening, leave it out in the afternoon.
    """
    morning = told(made, AFTERNOON, "KAAA 280900Z 00000KT 10SM CLR 16/M20 A2992")
    loop = next(f for f in morning.answer.figures if f.name == "Loop")
    assert loop.state == NO_SECOND_THOUGHT
    assert morning.show == "full"
    (note,) = [n for n in morning.notes if "practise" in n]
    better = 50 * math.ceil((density_altitude_ft(38.0) - density_altitude_ft(16.0)) / 50)
    assert f"{better:,.0f} ft better than the show's: it does not prove the show at 14:25" in note
    show = told(made, AFTERNOON, "KAAA 281420Z 00000KT 10SM CLR 38/M20 A2992")
    assert next(f for f in show.answer.figures if f.name == "Loop").state == LEAVE_OUT
    assert show.show == "thin-air"
    assert not [n for n in show.notes if "practise" in n]
    before = told(made, EVENING, "KAAA 271955Z 00000KT 10SM CLR 27/M20 A2992")
    assert next(f for f in before.answer.figures if f.name == "Loop").state == THINK


def test_yesterdays_evening_is_no_proof_either(made: xr.Dataset) -> None:
    """The loop flown at 20:00 the day before, in air 1,200 ft better: a reading too old to carry."""
    answer = told(made, AFTERNOON, "KAAA 272000Z 00000KT 10SM CLR 27/M20 A2992")
    (note,) = [n for n in answer.notes if "practise" in n]
    assert "1,200 ft better than the show's: it does not prove the show at 14:25" in note
