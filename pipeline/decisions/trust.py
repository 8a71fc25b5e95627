"""Whether a venue's numbers deserve trust, in one sentence, from stated thresholds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.air.variables import FT, NM

__all__ = ["GRADES", "Evidence", "Trust", "TrustThresholds", "trust_grade"]

GRADES = ("good", "with care", "poor")
"""Best first."""

_OPENINGS = ("These numbers deserve trust", "Use these numbers with care", "Do not lean on these numbers")
"""How the sentence of each grade begins."""

_ERRORS = 3.0  # standard errors: a season asks this of dozens of numbers, and chance alone passes two in some


@dataclass(frozen=True)
class TrustThresholds:
    """What takes a grade away; the first number of a pair gives *with care*, the second *poor*.

    The bias and coverage thresholds are what twelve verified years can show at one station; distances and
    heights are common practice, no source.
    """

    years: tuple[int, int] = (15, 8)
    distance: tuple[float, float] = (15.0 * NM, 40.0 * NM)
    height: tuple[float, float] = (500.0 * FT, 1500.0 * FT)
    completeness: tuple[float, float] = (0.85, 0.60)
    pressure_missing: tuple[float, float] = (0.05, 0.30)
    coverage_off: tuple[float, float] = (0.025, 0.06)
    density_altitude_bias: tuple[float, float] = (0.025, 0.06)
    wind_bias_share: tuple[float, float] = (0.15, 0.40)
    verified_years: int = 5


@dataclass(frozen=True)
class Evidence:
    """What is known about a venue's numbers; NaN or None where not known.

    Attributes
    ----------
    years
        Sampled years that count.
    distance, height_difference
        Station to show site [m].
    completeness
        Share of the sampled hours with air and wind.
    pressure_missing
        Share of the sampled hours whose pressure is the standard atmosphere's.
    gusts
        "observed", "modelled" (part of the years), "estimated" (borrowed) or "none".
    invented
        Whether the weather is invented.
    verified_years
        Years scored by the forward hindcast; 0 where there was none.
    coverage, coverage_se
        Of the 90 % interval, a fraction, and its standard error.
    density_altitude_bias, density_altitude_bias_se
        Greatest bias of a density altitude chance, signed, and its standard error.
    wind_bias, wind_bias_se, wind_base_rate
        Of the chance of a crosswind of 10 kt.
    gust_bias, gust_bias_se, gust_base_rate
        Of the chance of a gust of 20 kt, counted in print over the years of the present reporting practice.
    """

    years: int
    distance: float
    height_difference: float
    completeness: float = 1.0
    pressure_missing: float = 0.0
    gusts: str = "observed"
    invented: bool = False
    verified_years: int = 0
    coverage: float = np.nan
    coverage_se: float = np.nan
    density_altitude_bias: float = np.nan
    density_altitude_bias_se: float = np.nan
    wind_bias: float = np.nan
    wind_bias_se: float = np.nan
    wind_base_rate: float = np.nan
    gust_bias: float = np.nan
    gust_bias_se: float = np.nan
    gust_base_rate: float = np.nan


@dataclass(frozen=True)
class Trust:
    """A grade of `GRADES`, the sentence, and the reasons worst first."""

    grade: str
    sentence: str
    reasons: tuple[str, ...]


def trust_grade(evidence: Evidence, thresholds: TrustThresholds | None = None) -> Trust:
    """Grade the evidence and say why, worst reason first.

    Numbers never verified are *with care* at best.

    Parameters
    ----------
    evidence
        What is known.
    thresholds
        What takes a grade away; the defaults where None.
    """
    t = thresholds or TrustThresholds()
    found: list[tuple[int, str]] = []

    def high(value: float, pair: tuple[float, float], words: str) -> None:
        if np.isfinite(value) and value > pair[0]:
            found.append((2 if value > pair[1] else 1, words))

    if evidence.years < t.years[0]:
        found.append(
            (
                2 if evidence.years < t.years[1] else 1,
                f"only {evidence.years} year{'' if evidence.years == 1 else 's'} of history",
            )
        )
    high(evidence.distance, t.distance, f"the station is {evidence.distance / NM:.0f} NM away")
    up = "below" if evidence.height_difference > 0 else "above"
    high(
        abs(evidence.height_difference),
        t.height,
        f"the station lies {abs(evidence.height_difference) / FT:,.0f} ft {up} the show site",
    )
    high(
        1.0 - evidence.completeness,
        (1.0 - t.completeness[0], 1.0 - t.completeness[1]),
        f"{100 * (1.0 - evidence.completeness):.0f} % of its hours are missing",
    )
    high(
        evidence.pressure_missing,
        t.pressure_missing,
        f"{100 * evidence.pressure_missing:.0f} % of its hours have no pressure",
    )
    if evidence.gusts == "estimated":
        found.append((1, "gusts are estimated from other stations"))
    elif evidence.gusts == "none":
        found.append((2, "there is no wind to take gusts from"))
    elif evidence.gusts == "modelled":
        found.append((0, "gusts before the last change of reporting are modelled"))
    if evidence.verified_years < t.verified_years:
        found.append(
            (
                1,
                "too few years to check them against"
                if evidence.verified_years
                else "not checked against the past",
            )
        )
    else:
        # What sampling error alone would show, looked at several times, is not held against a venue.
        off = evidence.coverage - 0.90
        high(
            abs(off) if abs(off) > _ERRORS * np.nan_to_num(evidence.coverage_se) else 0.0,
            t.coverage_off,
            f"the 90 % interval held {100 * evidence.coverage:.0f} % of the time",
        )
        bias = evidence.density_altitude_bias
        high(
            abs(bias) if abs(bias) > _ERRORS * np.nan_to_num(evidence.density_altitude_bias_se) else 0.0,
            t.density_altitude_bias,
            f"high density altitude was forecast {_in_a_hundred(bias)}",
        )
        for what, wind, error, rate in (
            ("strong crosswind was", evidence.wind_bias, evidence.wind_bias_se, evidence.wind_base_rate),
            ("strong gusts were", evidence.gust_bias, evidence.gust_bias_se, evidence.gust_base_rate),
        ):
            if abs(wind) > _ERRORS * np.nan_to_num(error):
                high(abs(wind) / max(rate, 0.01), t.wind_bias_share, f"{what} forecast {_in_a_hundred(wind)}")
    found.sort(key=lambda item: -item[0])
    worst = found[0][0] if found else 0
    reasons = tuple(words for _, words in found)
    checked = (
        f"checked over {evidence.verified_years} past years"
        if evidence.verified_years >= t.verified_years
        else ""
    )
    if worst == 0:
        tail = "; ".join(x for x in (checked, *reasons) if x)
    else:
        tail = "; ".join(reasons)
    sentence = f"{_OPENINGS[worst]}{': ' + tail if tail else ''}."
    if evidence.invented:
        sentence = f"Invented weather, for show only. Were it real: {sentence[0].lower()}{sentence[1:]}"
    return Trust(GRADES[worst], sentence, reasons)


def _in_a_hundred(bias: float) -> str:
    if not np.isfinite(bias):
        return ""
    days = max(round(100 * abs(bias)), 1)
    return f"{days} day{'' if days == 1 else 's'} in 100 too {'often' if bias > 0 else 'seldom'}"
