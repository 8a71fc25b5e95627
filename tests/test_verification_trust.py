"""Trust in one sentence, from the stated thresholds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.air.variables import FT, NM
from pipeline.decisions.trust import GRADES, Evidence, trust_grade
from pipeline.verify import _wind_bias

SOUND = Evidence(
    years=20, distance=2 * NM, height_difference=30 * FT, verified_years=12, coverage=0.90,
    density_altitude_bias=0.005, wind_bias=0.004, wind_bias_se=0.004, wind_base_rate=0.1,
    gust_bias=-0.004, gust_bias_se=0.004, gust_base_rate=0.1,
)  # fmt: skip


def test_sound_numbers():
    """Nothing against them: good, and checked over how many years."""
    told = trust_grade(SOUND)
    assert told.grade == "good"
    assert "12 past years" in told.sentence


@pytest.mark.parametrize(
    ("change", "grade", "word"),
    [
        ({"years": 12}, "with care", "12 years"),
        ({"years": 6}, "poor", "6 years"),
        ({"distance": 25 * NM}, "with care", "25 NM"),
        ({"distance": 60 * NM}, "poor", "60 NM"),
        ({"height_difference": 800 * FT}, "with care", "800 ft below"),
        ({"height_difference": -2000 * FT}, "poor", "2,000 ft above"),
        ({"completeness": 0.7}, "with care", "30 %"),
        ({"pressure_missing": 0.5}, "poor", "no pressure"),
        ({"gusts": "estimated"}, "with care", "estimated"),
        ({"gusts": "none"}, "poor", "no wind"),
        ({"verified_years": 0}, "with care", "not checked"),
        ({"coverage": 0.86}, "with care", "86 %"),
        ({"density_altitude_bias": -0.04}, "with care", "4 days in 100 too seldom"),
        ({"density_altitude_bias": 0.08}, "poor", "8 days in 100 too often"),
        ({"wind_bias": -0.03}, "with care", "crosswind was forecast 3 days in 100 too seldom"),
        ({"gust_bias": -0.03}, "with care", "gusts were forecast 3 days in 100 too seldom"),
        ({"gust_bias": 0.05}, "poor", "gusts were forecast 5 days in 100 too often"),
    ],
)
def test_each_threshold_speaks(change, grade, word):
    """Every piece of evidence past its threshold gives its grade and its words."""
    told = trust_grade(replace(SOUND, **change))
    assert told.grade == grade
    assert word in told.sentence


def test_the_worst_reason_comes_first_and_decides():
    """Poor beats care; the sentence begins with the worst."""
    told = trust_grade(replace(SOUND, gusts="estimated", years=5))
    assert told.grade == "poor"
    assert "years" in told.reasons[0]
    assert GRADES.index(told.grade) == 2


def test_bias_within_its_sampling_error_is_not_held_against_the_wind():
    """A bias under three standard errors is noise, with dozens of numbers looked at."""
    assert trust_grade(replace(SOUND, wind_bias=0.03, wind_bias_se=0.015)).grade == "good"
    assert trust_grade(replace(SOUND, coverage=np.nan)).grade == "good"


def test_what_is_held_against_a_wind():
    """A bias over under five years is not; a rare event that never came is no more than its chance."""
    few = {"years": 4, "n": 60, "bias": 0.2, "bias_se": 0.01, "base_rate": 0.1}
    assert np.isnan(_wind_bias("gust", few)["gust_bias"])
    # Told 1 in 100 and never seen in 200: two were expected, none comes one time in seven.
    never = {"years": 12, "n": 200, "bias": 0.01, "bias_se": 0.0005, "base_rate": 0.0}
    told = _wind_bias("gust", never)
    assert told["gust_bias_se"] == pytest.approx((0.01 * 0.99 / 200) ** 0.5)
    assert trust_grade(replace(SOUND, **told)).grade == "good"


def test_invented_weather_says_so():
    """An invented venue is never told as a real one, and no trust in it is claimed outright."""
    told = trust_grade(replace(SOUND, invented=True)).sentence
    assert told.startswith("Invented weather, for show only. Were it real: these numbers deserve trust")
