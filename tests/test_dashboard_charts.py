"""The pictures and the words of the dashboard."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import types
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard import (
    charts,
    charts_flight,
    charts_season,
    charts_shows,
    charts_trust,
    drawn,
    markup,
    sentences,
    words,
)
from dashboard.rows import BookingRow
from pipeline.decisions.fees import worse_than_fee

ROW = {
    "local": "14:00",
    "start": 840,
    "end": 870,
    "in_window": True,
    "offered": True,
    "median": 5000.0,
    "median_lower": 4900.0,
    "median_upper": 5100.0,
    "low": 4000.0,
    "high": 6000.0,
    "high_lower": 5800.0,
    "high_upper": 6300.0,
    "as_planned": 0.6,
    "changed": 0.4,
    "lower": 0.5,
    "upper": 0.7,
    "words": "6 days in 10 (60 %)",
    "bites": "density altitude",
    "booking": "1 Somewhere",
    "figure": "Loop",
    "tenths": "4",
    "bound": 0.6,
}
LATER = ROW | {"local": "14:30", "start": 870, "end": 900, "offered": False, "median": math.nan}
GUSTY = ROW | {"bound_low": 22.0, "bound": 33.0, "low": 5.0, "median": 12.0, "high": 25.0, "high_upper": 28.0}
LIMIT = (5800.0, 7800.0, "Square loop")
HOURS = [{"toward": 10.0, "along": 0.0, "count": 3}, {"toward": -5.0, "along": 8.0, "count": 1}]


FRONTIER = [
    {
        "count": n,
        "value": 40.0 + n,
        "value_lower": 39.5 + n,
        "value_upper": 40.5 + n,
        "changed": 0.2 - 0.01 * n,
        "changed_lower": 0.19 - 0.01 * n,
        "changed_upper": 0.21 - 0.01 * n,
    }
    for n in (1, 2, 3)
]


def _plan(**other: object) -> dict[str, object]:
    settings: dict[str, object] = {
        "line_heading": 0.0,
        "crowd_on_right": True,
        "runway_heading": 20.0,
        "limit": (14.0, 20.0, "Loop"),
        "reach": 30.0,
        "invented": False,
        "slot": "14:00",
    }
    return charts.plan_view(HOURS, **(settings | other))  # type: ignore[arg-type]


SPECS = {
    "season": lambda: charts.season_by_hour([ROW, LATER], ["1 Somewhere"], invented=True),
    "small": lambda: charts.small_air([ROW, LATER], "density_altitude", LIMIT, (0.0, 9000.0), (600, 960)),
    "air": lambda: charts.air_by_slot(
        [ROW, LATER], "density_altitude", LIMIT, title="Density altitude", invented=True, chosen="14:00"
    ),
    "gust": lambda: charts.air_by_slot([GUSTY], "gust", None, title="Gust peak, estimated", invented=False),
    "toward": lambda: charts.air_by_slot(
        [ROW], "toward_crowd", None, title="Wind toward the crowd", invented=False
    ),
    "exceedance": lambda: charts.exceedance(
        [{"value": v, "above": 0.5, "lower": 0.4, "upper": 0.6} for v in (1000.0, 2000.0)],
        "density_altitude",
        (1500.0, 1900.0, "Loop"),
        invented=True,
        slot="14:00",
    ),
    "plan": _plan,
    "heat": lambda: charts.figures_by_slot([ROW, LATER], ["Loop"], "14:00", invented=True),
    "figures": lambda: charts.figures_at_slot([ROW], invented=True, slot="14:00"),
    "planned": lambda: charts.planned_by_slot([ROW], [ROW], invented=True, chosen="14:00"),
    "frontier": lambda: charts_shows.frontier(FRONTIER, 2, invented=True),
    "energy": lambda: charts_flight.energy_by_figure(
        [{"figure": "1 Loop", "air": "median", "height": 500.0}], ["1 Loop"], ["median"], invented=True
    ),
    "in hand": lambda: charts_flight.in_hand_curve(
        [{"da": 0.0, "value": 9.0}, {"da": 9000.0, "value": 1.0}],
        "Speed",
        "kt",
        [(5000.0, "median")],
        invented=True,
    ),
    "frontier without years": lambda: charts_shows.frontier(
        [{k: r[k] for k in ("count", "value", "changed")} for r in FRONTIER],
        2,
        invented=True,
    ),
}


@pytest.mark.parametrize("name", SPECS)
def test_every_picture_is_valid_vega_lite(name: str) -> None:
    """The Vega-Lite 6 JSON schema, as Altair carries it, accepts every picture; no NaN reaches JSON."""
    import altair as alt

    spec = SPECS[name]()
    alt.LayerChart.from_dict(spec)
    json.dumps(spec, allow_nan=False)


_SHARE = {"show": "full", "share": 1.0, "first": 0.0, "last": 1.0, "mark": "F", "words": "", "dark": True}
_COVERED = {"value": 0.9, "low": 0.85, "high": 0.95, "off": False}
_SHOWS = ["full", "short", "low", "flat", "pass", "no show"]

# Pictures of so many rows, with the room their heading, axis and legend need [px].
BY_ROWS = {
    "season": (lambda n: charts.season_by_hour([ROW | {"booking": b} for b in n], n, invented=True), 130),
    "heat": (
        lambda n: charts.figures_by_slot([ROW | {"figure": f} for f in n], n, "14:00", invented=True),
        100,
    ),
    "figures": (
        lambda n: charts.figures_at_slot([ROW | {"figure": f} for f in n], invented=True, slot=""),
        130,
    ),
    "energy": (
        lambda n: charts_flight.energy_by_figure(
            [{"figure": f, "air": charts_flight.AIRS[0][0], "height": 500.0} for f in n],
            n,
            [air[0] for air in charts_flight.AIRS],
            invented=True,
        ),
        130,
    ),
    "shares": (
        lambda n: charts_shows.show_shares(
            [_SHARE | {"name": b, "in_window": True} for b in n], _SHOWS, n, n[0], "x", invented=True
        ),
        130,
    ),
    "coverage": (
        lambda n: charts_trust.coverage([_COVERED | {"venue": v} for v in n], 0.9, invented=True),
        100,
    ),
}


@pytest.mark.parametrize("count", [1, 8])
@pytest.mark.parametrize("name", BY_ROWS)
def test_few_rows_keep_their_height(name: str, count: int) -> None:
    """Each row has 14 px or more, beyond the room that heading, legend and axis take out of the height."""
    drawn, room = BY_ROWS[name]
    assert drawn([f"row {i}" for i in range(count)])["height"] >= 14 * count + room


@pytest.mark.parametrize("name", [n for n in SPECS if n not in ("small", "gust", "toward", "plan")])
def test_invented_weather_is_named_in_the_heading(name: str) -> None:
    """What is invented says so inside the picture, so that a screenshot of it still does."""
    assert SPECS[name]()["title"]["subtitle"] == "INVENTED WEATHER"


def _luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.1 (definition in its glossary)."""
    channels = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: str, b: str) -> float:
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_on_known_pairs() -> None:
    """WCAG 2.1: black on white is 21:1; #767676 on white is the well-known lightest grey of 4.5:1."""
    assert _contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert _contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize(
    ("ink", "paper", "least"),
    [
        (charts.INK, charts.PAPER, 7.0),
        (charts.MUTED, charts.PAPER, 4.5),
        (charts.MUTED, "#F3F1EA", 4.5),
        ("#0B4F8A", "#F3F1EA", 4.5),
        ("#7D1F44", charts.PAPER, 4.5),
        ("#17212B", "#FFE89A", 4.5),
        *((colour, charts.PAPER, 3.0) for colour in charts.COLOURS.values()),
    ],
)
def test_contrast(ink: str, paper: str, least: float) -> None:
    """WCAG 2.1 AA: 4.5:1 for text (1.4.3), 3:1 for what a picture needs (1.4.11)."""
    assert _contrast(ink, paper) >= least


def test_airs_of_the_energy_page_can_be_seen_and_told_apart() -> None:
    """WCAG 2.1, 1.4.11: a mark stands out from its ground by 3 to 1; each air has a shape of its own."""
    assert all(_contrast(colour, charts.PAPER) >= 3.0 for _, colour, *_ in charts_flight.AIRS)
    assert len({shape for *_, shape in charts_flight.AIRS}) == len(charts_flight.AIRS)


def test_digits_can_be_read_in_every_cell() -> None:
    """WCAG 2.1 AA 1.4.3 along the whole ramp of chances, on either side of where the digits turn white."""
    for p in np.linspace(0.0, 1.0, 101):
        i = min(int(p * 5), 4)
        low, high = charts.CHANCE_RAMP[i], charts.CHANCE_RAMP[i + 1]
        share = p * 5 - i
        pairs = [(int(low[k : k + 2], 16), int(high[k : k + 2], 16)) for k in (1, 3, 5)]
        mixed = "#" + "".join(f"{round(x * (1 - share) + y * share):02X}" for x, y in pairs)
        assert _contrast(charts.PAPER if p > charts.DARK_FROM else "#000000", mixed) >= 4.5, (p, mixed)


def test_the_ramp_darkens_all_the_way() -> None:
    """A chance can be read in grey, in print and by any eye: luminance falls from step to step."""
    falling = [_luminance(c) for c in charts.CHANCE_RAMP]
    assert all(b < a for a, b in itertools.pairwise(falling))


# Machado, Oliveira and Fernandes (2009), severity 1.0, on linear RGB. From memory; each row sums to one.
SIMULATED = {
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
}


def _lab(colour: str, matrix: list[list[float]] | None) -> np.ndarray:
    """CIE L*a*b* (CIE 15, D65 white) of an sRGB colour (IEC 61966-2-1), seen through a matrix."""
    c = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    if matrix is not None:
        linear = np.clip(np.array(matrix) @ linear, 0.0, 1.0)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    f = np.cbrt(to_xyz @ linear / np.array([0.9505, 1.0, 1.089]))
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("eye", [None, *SIMULATED])
def test_figure_causes_can_be_told_apart_by_any_eye(eye: str | None) -> None:
    """Causes in one picture differ by at least 20 in CIE 1976 colour difference, and in shape."""
    causes = [c for c in charts.SHAPES if c]
    matrix = SIMULATED[eye] if eye else None
    for i, a in enumerate(causes):
        for b in causes[i + 1 :]:
            apart = float(np.linalg.norm(_lab(charts.COLOURS[a], matrix) - _lab(charts.COLOURS[b], matrix)))
            assert charts.SHAPES[a] != charts.SHAPES[b]
            assert apart >= 20.0, (a, b, apart)


def _dots(spec: dict[str, object]) -> list[dict[str, float]]:
    layers: list[dict] = spec["layer"]  # type: ignore[assignment]
    return next(
        layer["data"]["values"]
        for layer in layers
        if layer.get("data", {}).get("values") and "count" in layer["data"]["values"][0]
    )


def test_plan_view_north_line_crowd_on_the_right() -> None:
    """A show line to the north has its crowd, when on the right, to the east (plane geometry).

    A wind of 10 kt toward the crowd carries east; 8 kt against the line's heading carries south.
    """
    first, second = _dots(_plan())
    assert (first["e"], first["n"]) == pytest.approx((10.0, 0.0), abs=1e-9)
    assert (second["e"], second["n"]) == pytest.approx((-5.0, -8.0), abs=1e-9)


def test_plan_view_east_line_crowd_on_the_left() -> None:
    """A show line to the east has its crowd, on the left, to the north; 8 kt against it carries west."""
    first, second = _dots(_plan(line_heading=90.0, crowd_on_right=False))
    assert (first["e"], first["n"]) == pytest.approx((0.0, 10.0), abs=1e-9)
    assert (second["e"], second["n"]) == pytest.approx((-8.0, -5.0), abs=1e-9)


@given(st.floats(0, 360), st.booleans(), st.floats(-40, 40), st.floats(-40, 40))
def test_plan_view_keeps_the_strength_of_the_wind(
    heading: float, right: bool, toward: float, along: float
) -> None:
    """Turning a picture changes no distance: a dot lies as far out as the wind is strong."""
    spec = charts.plan_view(
        [{"toward": toward, "along": along, "count": 1}],
        line_heading=heading,
        crowd_on_right=right,
        runway_heading=0.0,
        limit=None,
        reach=60.0,
        invented=False,
        slot="14:00",
    )
    (dot,) = _dots(spec)
    assert math.hypot(dot["e"], dot["n"]) == pytest.approx(math.hypot(toward, along), abs=1e-9)


def test_a_limit_far_away_does_not_flatten_the_picture() -> None:
    """A limit is drawn when it lies near what the air reaches, and left out when it does not."""
    low, high = charts.drawn_range(LIMIT, [ROW])
    assert low < 4000.0
    assert high > 7800.0
    low, high = charts.drawn_range((20_000.0, 22_000.0, "Loop"), [ROW])
    assert high < 7000.0


def test_a_limit_is_never_told_as_milder_than_it_is() -> None:
    """Beside a line in a picture, and in a table: most of the air rounded down, least of it rounded up."""
    nb = words.NBSP
    limit = (4_999.9, 5_799.9, "Loop")
    row = ROW | {"bound": math.nan}
    told = json.dumps(
        charts.air_by_slot([row], "density_altitude", limit, title="Density altitude", invented=False),
        ensure_ascii=False,
    )
    drawn_told = drawn.air_by_hour([row], "density_altitude", limit, title="Air", invented=False, alt="")
    for said in (told, drawn_told):
        assert f"comfortable 4,999{nb}ft · Loop" in said
        assert f"limit 5,799{nb}ft · Loop" in said
    assert words.limit(30.6, 1.0, "kt") == f"30{nb}kt"
    assert words.limit(math.inf, 1.0, "kt") == words.MISSING
    # 2.5 statute miles of 1,609.344 m; 457.2 m are 1,500 ft of 0.3048 m.
    assert words.minimum(2.5 * 1609.344, 1609.344, "SM") == f"2.5{nb}SM"
    assert words.minimum(2.46 * 1609.344, 1609.344, "SM") == f"2.5{nb}SM"
    assert words.minimum(3.0 * 1609.344, 1609.344, "SM") == f"3{nb}SM"
    assert words.minimum(457.2, 0.3048, "ft") == f"1,500{nb}ft"
    assert words.minimum(math.nan, 0.3048, "ft") == words.MISSING


def test_offers_of_one_show_leave_no_layer_without_rows() -> None:
    """A scale over no dates is complained of in the browser's console."""
    row = {
        "offer": "Somewhere",
        "date": "2027-06-05",
        "day": "Sat 5 Jun",
        "state": "hold",
        "decision": "take",
    }
    picture = charts_season.offers_by_date([{**row, "why": "worth it"}], [], invented=True)
    assert all(layer.get("data", {}).get("values") != [] for layer in picture["layer"])
    assert any(layer["mark"]["type"] == "text" for layer in picture["layer"])


def test_words() -> None:
    """How chances, dates, ranks and numbers are spoken; arithmetic visible in each."""
    nb = words.NBSP
    assert words.chance(0.31) == f"3 days in 10 (31{nb}%)"
    assert words.chance(0.1) == f"1 day in 10 (10{nb}%)"
    assert words.percent(0.0004) == f"under 1{nb}%"
    assert words.percent(0.9996) == f"over 99{nb}%"
    assert words.percent(1.0) == f"100{nb}%"
    assert words.percent(math.nan) == "–"
    assert words.dates(["2027-07-10", "2027-07-11"]) == "10 and 11 Jul"
    assert words.dates(["2027-07-31", "2027-08-01"]) == "31 Jul and 1 Aug"
    assert words.dates(["2027-05-01", "2027-05-02", "2027-05-03"]) == "1 to 3 May"
    assert words.date("2027-07-10") == "Sat 10 Jul"
    assert words.ranks([7, 1, 2, 3, 9, 10]) == "1–3, 7, 9, 10"
    assert words.number(-0.2, "kt") == f"0{nb}kt"
    assert words.number(9598.4, "ft") == f"9,598{nb}ft"
    assert words.joined(["a", "b", "c"]) == "a, b and c"
    assert words.joined(["a (1, 2)", "b", "c"]) == "a (1, 2), b and c"
    assert words.joined(["a, 1 May", "b, 2 May", "c, 3 May"]) == "a, 1 May; b, 2 May; and c, 3 May"
    assert words.joined(["a", "b", "c"], 3) == "a, b and c"
    assert words.joined(["a", "b", "c", "d"], 2) == "a, b and 2 more"


def test_the_answer_stays_short_however_many_bookings() -> None:
    """Of two hundred bookings that are as good as the best, and as many poor ones, each sentence names the
    first few and counts the rest."""
    first = BookingRow(
        index=0, id="loop-june", place="Somewhere", elevation_ft=0.0, dates="5 and 6 Jun", day="2027-06-05",
        slot="14:00", rank=1, status="ok", state="hold", fee=1000.0, as_planned=0.9, lower=0.8, upper=0.95,
        bites="rough_air", da_median_ft=0.0, da_high_ft=0.0, best_slot="", best=0.9, worst_slot="", worst=0.9,
        slots_told_apart=False, same_ranks=tuple(range(2, 201)), worse_than_fee=False, trust="", grade="",
        invented=False, marked=False,
    )  # fmt: skip
    many = [dataclasses.replace(first, rank=k, as_planned=0.9 if k <= 200 else 0.2) for k in range(1, 401)]
    season = types.SimpleNamespace(bookings=many, currency="USD")
    told = sentences.bookings(season)  # type: ignore[arg-type]
    assert "199 others can’t be told apart from it" in told[0]
    assert f"and {199 - sentences.MOST_NAMED} more." in told[0]
    assert f"and {200 - sentences.MOST_NAMED} more." in told[1]
    assert max(len(line) for line in told) < 1000


def test_text_from_a_season_folder_is_escaped() -> None:
    """A name with markup in it is shown as text: `<` is `&lt;` (HTML Living Standard, 13.1)."""
    html = markup.plain_table([{"a": "<script>x</script>"}], {"a": "<b>"}, "<i>")
    assert "<script>" not in html
    assert "&lt;script&gt;x&lt;/script&gt;" in html
    assert "<b>" not in html
    assert "<i>" not in html


def test_a_list_in_a_cell_keeps_a_width_on_a_phone() -> None:
    """Fifteen figures stand in lines, not one word a line; a short text takes what it needs."""
    figures = ", ".join(["Inverted ribbon cut"] * 15)
    html = markup.plain_table([{"a": "2", "b": figures, "c": "home"}], {"a": "A", "b": "B", "c": "C"}, "")
    assert f'<td class="long">{figures}</td><td>home</td>' in html


def test_worse_than_its_fee() -> None:
    """Four offers, by the stated rule.

    D, 12 at .30: of three that pay no more, A (.90), B (.85) and C (.45) are better by .6, .55 and .15, all
    told apart: 3 of 3. C, 11 at .45: A and B better by .45 and .4: 2 of 2. B, 10 at .85: A better by .05,
    under one day in ten: 0 of 1. A, 5: nobody pays less. E names no fee.
    """
    fee = [5.0, 10.0, 11.0, 12.0, np.nan]
    chance = [0.90, 0.85, 0.45, 0.30, 0.10]
    apart = ~np.eye(5, dtype=bool)
    assert worse_than_fee(fee, chance, apart).tolist() == [False, False, True, True, False]
    # A difference that cannot be told apart does not count: C against A, then D only against B and C.
    apart[2, 0] = apart[0, 2] = False
    assert worse_than_fee(fee, chance, apart).tolist() == [False, False, False, True, False]


def test_no_module_beside_the_app_shadows_the_standard_library() -> None:
    """Streamlit puts the script's folder first on the path: `calendar.py` there would break its start."""
    import sys

    import dashboard

    names = {p.stem for p in Path(dashboard.__file__).parent.glob("*.py")} - {"__init__"}
    assert not names & set(sys.stdlib_module_names)
