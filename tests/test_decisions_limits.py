"""The chance that a figure, a routine or the act must be changed."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from pipeline.air.variables import FT, KT
from pipeline.decisions import limits
from pipeline.decisions.limits import CAUSES, CONDITIONS, Curves, RoutineChance


def curves(**conditions) -> Curves:
    """Curves from (comfortable, limit) pairs by condition, one a figure; None for no limit."""
    n = len(next(iter(conditions.values())))
    comfortable, limit = {}, {}
    for name in CONDITIONS:
        pairs = conditions.get(name, [None] * n)
        comfortable[name] = np.array([np.nan if p is None else p[0] for p in pairs], dtype=float)
        limit[name] = np.array([np.nan if p is None else p[1] for p in pairs], dtype=float)
    return Curves(tuple(f"figure {i}" for i in range(n)), comfortable, limit)


def air(n: int = 1, *, da=0.0, toward=0.0, along=0.0, gust=0.0, wind=0.0):
    full = [np.broadcast_to(np.asarray(v, dtype=float), (n,)) for v in (da, toward, along, gust, wind)]
    return limits.conditions_from_air(*full)


def test_the_two_stated_numbers():
    """One time in twenty at comfortable, nineteen just below the limit, always at and beyond it."""
    c = curves(density_altitude=[(1000.0, 2000.0)])
    at = np.array([1000.0, 1500.0, np.nextafter(2000.0, 0), 2000.0, 2500.0])
    got = limits.figure_chances(air(5, da=at), c)[1][0]
    np.testing.assert_allclose(got, [0.05, 0.5, 0.95, 1.0, 1.0], atol=1e-9)
    assert got[3] == 1.0
    assert got[4] == 1.0


def test_ceiling_runs_the_other_way():
    """Comfortable at 2,500 ft, limit 1,500 ft: lower is worse; no ceiling is no worry."""
    got = limits.act_chances(
        {"ceiling": np.array([2500.0, 2000.0, 1500.0, 800.0, np.inf]) * FT},
        {"ceiling": 2500.0 * FT},
        {"ceiling": 1500.0 * FT},
    )["ceiling"]
    np.testing.assert_allclose(got, [0.05, 0.5, 1.0, 1.0, 0.0], atol=1e-9)


def test_act_causes_that_are_not_observed_are_left_out():
    """No ceiling observed: no chance is made up for it; a limit not stated is not judged."""
    got = limits.act_chances(
        {"ceiling": None, "runway_crosswind": np.array([3.0]), "thunder": np.array([1.0])},
        {"ceiling": 700.0},
        {"ceiling": 400.0},
    )
    assert set(got) == {"thunder"}
    assert limits.act_chances({"thunder": np.array([1.0])}, {}, {}, thunder_stops=False) == {}


def test_off_crowd_wind_is_not_wind_toward_the_crowd():
    """A limit toward the crowd never bites off the crowd; a limit across the line bites both ways."""
    toward = curves(wind_toward_crowd=[(4.0, 8.0)])
    either = curves(wind_across_line=[(4.0, 8.0)])
    blow = air(2, toward=[9.0, -9.0])
    np.testing.assert_allclose(limits.figure_chances(blow, toward)[1][0], [1.0, 0.0], atol=1e-6)
    np.testing.assert_allclose(limits.figure_chances(blow, either)[1][0], [1.0, 1.0])


def test_rough_air_is_the_worse_of_peak_and_spread():
    """Gust peak and spread are one judgement: the worse stands, they are not multiplied."""
    c = curves(gust=[(18 * KT, 28 * KT)], gust_spread=[(8 * KT, 14 * KT)])
    got = limits.figure_chances(air(gust=23 * KT, wind=16 * KT), c)[1][0, 0]
    peak, spread = (23 - 23) / 5, (7 - 11) / 3  # standardised
    assert got == pytest.approx(1 / (1 + 19 ** -max(peak, spread)))


def test_gust_at_the_limit_in_whole_knots_is_never_flown():
    """A limit of 25 kt and a report of 25 kt: exactly 1, in single precision and through the table too."""
    for knots in range(15, 45):
        c = curves(gust=[((knots - 7) * KT, knots * KT)])
        a = air(gust=round(knots * KT, 1), wind=10 * KT)
        assert limits.figure_chances(a, c)[1][0, 0] == 1.0
        single = {k: v.astype(np.float32) for k, v in a.items()}
        assert limits.figure_chances(single, c)[1][0, 0] == 1.0
        assert RoutineChance(c)(a)[0] == 1.0
        assert RoutineChance(c)(single)[0] == 1.0


def test_causes_are_independent_given_the_air():
    """Changed if any cause says so: one minus the product."""
    c = curves(density_altitude=[(1000.0, 2000.0)], wind_along_line=[(5.0, 9.0)])
    got = limits.figure_chances(air(da=1200.0, along=-6.0), c)
    p_da = 1 / (1 + 19.0 ** -((1200 - 1500) / 500))
    p_along = 1 / (1 + 19.0 ** -((6 - 7) / 2))
    assert got[1][0, 0] == pytest.approx(1 - (1 - p_da) * (1 - p_along))
    np.testing.assert_allclose(got[0][0, :, 0], [p_da, 0, 0, p_along])


def test_unknown_air_has_no_chance():
    """Wind missing: NaN, not zero; a figure without a limit there is not concerned."""
    c = curves(density_altitude=[(1000.0, 2000.0), (1000.0, 2000.0)], wind_toward_crowd=[(4.0, 8.0), None])
    got = limits.figure_chances(air(da=500.0, toward=np.nan), c)[1][:, 0]
    assert np.isnan(got[0])
    assert got[1] == pytest.approx(limits.chance_of_change((500 - 1500) / 500))
    assert np.isnan(RoutineChance(c)(air(da=500.0, toward=np.nan)))[0]


def monte_carlo(chances: np.ndarray, correlation: float, n: int = 400_000) -> float:
    """Tied judgements drawn by hand: a common factor and each figure's own."""
    rng = np.random.default_rng(5)
    from scipy.special import ndtri

    common = rng.standard_normal((n, 1))
    own = rng.standard_normal((n, chances.size))
    judged = np.sqrt(correlation) * common + np.sqrt(1 - correlation) * own
    return float(np.mean((judged > ndtri(1 - chances)).any(axis=1)))


@pytest.mark.parametrize("correlation", [0.1, 0.5, 0.8, 0.95, 0.99, 0.999])
def test_tied_judgements_against_adaptive_quadrature(correlation):
    """The one-factor integral by SciPy's `quad`, split where a judgement turns; however tight the tie."""
    chances = np.array([0.002, 0.02, 0.1, 0.1, 0.3, 0.31, 0.32, 0.6])
    thresholds = norm.isf(chances)
    root, rest = math.sqrt(correlation), math.sqrt(1.0 - correlation)

    def nobody(z: float) -> float:
        return float(norm.pdf(z) * np.prod(norm.cdf((thresholds - root * z) / rest)))

    turns = sorted(float(t) / root for t in thresholds)
    none = quad(nobody, -9.0, 9.0, points=[t for t in turns if -9 < t < 9], limit=400, epsabs=1e-12)[0]
    assert limits._tied_chance(chances[:, None], correlation)[0] == pytest.approx(1.0 - none, abs=1e-6)


@pytest.mark.parametrize("correlation", [0.3, 0.8, 0.95])
def test_tied_judgements_against_drawing_them(correlation):
    """One-factor Gaussian copula against 400,000 draws; the band is four sampling errors."""
    z = np.array([-0.9, -0.2, -1.4, -0.6])
    c = curves(density_altitude=[(1000.0, 2000.0)] * 4)
    centre = 1500 + 0 * z
    shifted = Curves(
        c.names,
        c.comfortable | {"density_altitude": centre - 500 - z * 500},
        c.limit | {"density_altitude": centre + 500 - z * 500},
    )
    chances = limits.figure_chances(air(da=1500.0), shifted)[1][:, 0]
    got = RoutineChance(shifted, correlation=correlation)(air(da=1500.0))[0]
    drawn = monte_carlo(chances, correlation)
    assert got == pytest.approx(drawn, abs=4 * np.sqrt(drawn * (1 - drawn) / 400_000))


def test_between_the_two_extremes():
    """The tie lies between "the most demanding figure only" and "multiply the marginals"."""
    c = curves(density_altitude=[(1000.0, 2000.0), (1100.0, 2100.0), (900.0, 2200.0)])
    a = air(50, da=np.linspace(0, 1990, 50))
    by_figure = limits.figure_chances(a, c)[1]
    one, tied, free = (RoutineChance(c, correlation=r)(a) for r in (1.0, 0.8, 0.0))
    np.testing.assert_allclose(one, by_figure.max(axis=0), atol=1e-4)
    np.testing.assert_allclose(free, 1 - np.prod(1 - by_figure, axis=0), atol=1e-4)
    assert np.all(one <= tied + 1e-4)
    assert np.all(tied <= free + 1e-4)


PAIR = st.one_of(st.none(), st.tuples(st.integers(2, 30), st.integers(1, 20)))


@st.composite
def routines(draw, most: int = 5):
    n = draw(st.integers(1, most))
    rows = {}
    for name in CONDITIONS:
        scale = 100.0 if name == "density_altitude" else KT
        pairs = [draw(PAIR) for _ in range(n)]
        rows[name] = [None if p is None else (p[0] * scale, (p[0] + p[1]) * scale) for p in pairs]
    return curves(**rows)


@st.composite
def weather(draw):
    wind = draw(st.integers(0, 30))
    gust = wind + draw(st.integers(0, 20))
    return air(
        da=draw(st.floats(-500, 6000)),
        toward=draw(st.floats(-1, 1)) * wind * KT,
        along=draw(st.floats(-1, 1)) * wind * KT,
        gust=gust * KT,
        wind=wind * KT,
    )


@settings(max_examples=60, deadline=None)
@given(routines(), weather(), st.sampled_from([0.0, 0.5, 0.8, 1.0]))
def test_table_against_the_copula_itself(c, a, correlation):
    """The tabulated routine chance against the integral on that very air."""
    by_cause = limits.figure_chances(a, c)[0]
    direct = np.stack([limits._tied_chance(by_cause[:, i], correlation) for i in range(len(CAUSES))])
    np.testing.assert_allclose(RoutineChance(c, correlation=correlation).by_cause(a), direct, atol=2e-4)


@settings(max_examples=40, deadline=None)
@given(routines(most=4), weather(), st.data())
def test_adding_a_figure_never_lowers_the_chance(c, a, data):
    """More figures, more to change; and the routine never beats its most demanding figure."""
    keep = data.draw(st.lists(st.sampled_from(range(len(c.names))), min_size=1, unique=True))
    whole, part = RoutineChance(c)(a)[0], RoutineChance(c.take(keep))(a)[0]
    assert part <= whole + 5e-4
    assert limits.figure_chances(a, c)[1].max() <= whole + 5e-4


@settings(max_examples=60, deadline=None)
@given(routines(), weather(), st.floats(1, 2000))
def test_thinner_air_is_never_better(c, a, step):
    """A higher density altitude, all else the same, never lowers a figure's chance of change."""
    worse = a | {"density_altitude": a["density_altitude"] + step}
    assert np.all(limits.figure_chances(worse, c)[1] >= limits.figure_chances(a, c)[1] - 1e-12)


def test_beach_case():
    """Beach, 12 ft, density altitude 1,705 ft, 16 kt straight at the crowd, ceiling 1,400 ft, minima 2,500.

    Assumed weather, our arithmetic: a low density altitude must not make it a good day.
    """
    c = curves(density_altitude=[(5000 * FT, 8000 * FT)], wind_toward_crowd=[(8 * KT, 15 * KT)])
    figure = limits.figure_chances(air(da=1705 * FT, toward=16 * KT), c)
    assert figure[0][0, CAUSES.index("density_altitude"), 0] < 0.01
    assert figure[1][0, 0] == 1.0
    act = limits.act_chances(
        {"ceiling": np.array([1400.0 * FT])}, {"ceiling": 3500.0 * FT}, {"ceiling": 2500.0 * FT}
    )
    assert act["ceiling"][0] == 1.0


def test_rough_air_tables_are_the_curves_themselves():
    """Whole knots looked up give what the curves give, at the limit and beyond the last one too."""
    c = curves(
        gust=[(20 * KT, 30 * KT), None, (18.5 * KT, 27.5 * KT), None],
        gust_spread=[None, (8 * KT, 14 * KT), (9 * KT, 15 * KT), None],
    )
    gust, spread = (v.ravel() * KT for v in np.meshgrid(np.arange(60.0), np.arange(40.0), indexing="ij"))
    conditions = {"gust": gust, "gust_spread": spread}
    tables = limits.RoughAirTables(c)
    place = tables.place(conditions)
    direct = limits.cause_chances(conditions, c, "rough_air")
    for figure in range(4):
        np.testing.assert_allclose(tables.chance(figure, place), direct[figure], atol=1e-6)
        assert np.all(tables.chance(figure, place)[direct[figure] == 1.0] == 1.0)
    assert [tables.limited(f) for f in range(4)] == [True, True, True, False]


def test_three_ties_at_once_are_the_three_alone():
    """Placing every hour once changes no chance; unknown stays unknown in all three."""
    c = curves(
        density_altitude=[(1000.0, 2000.0), (1500.0, 2200.0)],
        wind_toward_crowd=[(5.0, 9.0), None],
        gust=[(20 * KT, 30 * KT), (22 * KT, 28 * KT)],
    )
    rng = np.random.default_rng(3)
    a = air(
        500,
        da=rng.uniform(500, 2500, 500),
        toward=np.where(rng.random(500) < 0.1, np.nan, rng.uniform(-12, 12, 500)),
        gust=np.round(rng.uniform(0, 40, 500)) * KT,
        wind=np.round(rng.uniform(0, 20, 500)) * KT,
    )
    for got, tie in zip(limits.TiedChances(c, 0.8).by_cause(a), (0.8, 0.0, 1.0), strict=True):
        np.testing.assert_array_equal(got, RoutineChance(c, correlation=tie).by_cause(a))
        assert np.isnan(got).any()


# --- Two causes past comfortable count as one past its limit ------------------------------------------


def red(held: Curves) -> Curves:
    return dataclasses.replace(held, two_amber_is_red=True)


def test_two_causes_past_comfortable_are_out_where_the_pilot_says_so():
    """Halfway between comfortable and limit in two causes: 1 - .5 · .5 = .75 else, out with the rule.

    One cause alone stays .5, and a value exactly at comfortable (one time in twenty) is not past it. Gust and
    gust spread are one judgement.
    """
    c = curves(
        density_altitude=[(1000.0, 2000.0)], wind_toward_crowd=[(4.0, 8.0)],
        gust=[(20 * KT, 30 * KT)], gust_spread=[(10 * KT, 16 * KT)],
    )  # fmt: skip
    at = air(4, da=[1500.0, 1500.0, 1500.0, 0.0], toward=[6.0, 0.0, 4.0, 0.0],
             gust=[0.0, 0.0, 0.0, 25 * KT], wind=[0.0, 0.0, 0.0, 12 * KT])  # fmt: skip
    rough = 1 / (1 + 19 ** (1 - 2 * 3 / 6))  # a spread of 13 kt is halfway, as 25 kt is
    np.testing.assert_allclose(
        limits.figure_chances(at, c)[1][0], [0.75, 0.5, 1 - 0.5 * 0.95, rough], atol=2e-3
    )
    np.testing.assert_allclose(
        limits.figure_chances(at, red(c))[1][0], [1.0, 0.5, 1 - 0.5 * 0.95, rough], atol=2e-3
    )
    assert limits.figure_chances(at, red(c))[1][0, 0] == 1.0
    single = {k: v.astype(np.float32) for k, v in at.items()}
    assert (limits.figure_chances(single, red(c))[1][0] == 1.0).tolist() == [True, False, False, False]
    assert (RoutineChance(red(c))(single) == 1.0).tolist() == [True, False, False, False]


def test_ambers_of_two_figures_are_not_two_of_one():
    """Thin air troubles one figure and wind the other: neither is out."""
    c = curves(density_altitude=[(1000.0, 2000.0), None], wind_toward_crowd=[None, (4.0, 8.0)])
    at = air(da=1500.0, toward=6.0)
    np.testing.assert_array_equal(RoutineChance(red(c))(at), RoutineChance(c)(at))
    assert RoutineChance(red(c))(at)[0] == pytest.approx(0.75, abs=1e-4)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_a_routine_is_out_exactly_when_one_of_its_figures_is(seed: int):
    """With the rule as without it; elsewhere nothing changes; the three ties agree with each alone."""
    rng = np.random.default_rng(seed)
    pair = [
        (float(a), float(a + b))
        for a, b in zip(rng.uniform(500, 1500, 3), rng.uniform(200, 900, 3), strict=True)
    ]
    c = curves(
        density_altitude=pair,
        wind_toward_crowd=[(4.0, 8.0), (5.0, 9.0), None],
        gust=[(18 * KT, 30 * KT), None, (16 * KT, 26 * KT)],
    )
    at = air(40, da=rng.uniform(0, 2000, 40), toward=rng.uniform(-9, 9, 40),
             gust=rng.integers(0, 28, 40) * KT, wind=2.0)  # fmt: skip
    plain, ruled = RoutineChance(c)(at), RoutineChance(red(c))(at)
    figures = limits.figure_chances(at, red(c))[1]
    assert np.all(ruled >= plain)
    np.testing.assert_array_equal(ruled == 1.0, (figures == 1.0).any(axis=0))
    np.testing.assert_array_equal(ruled[ruled < 1.0], plain[ruled < 1.0])
    for got, tie in zip(limits.TiedChances(red(c), 0.8).by_cause(at), (0.8, 0.0, 1.0), strict=True):
        np.testing.assert_array_equal(got, RoutineChance(red(c), correlation=tie).by_cause(at))


def test_two_minima_past_comfortable_keep_the_act_down():
    """A ceiling and a crosswind halfway, .5 each: both 1 with the rule; thunder is never halfway."""
    values = {"ceiling": np.array([600.0, 600.0, np.nan]), "runway_crosswind": np.array([7.0, 3.0, 7.0]),
              "thunder": np.array([0.0, 0.0, 0.0])}  # fmt: skip
    stated = ({"ceiling": 800.0, "runway_crosswind": 5.0}, {"ceiling": 400.0, "runway_crosswind": 9.0})
    plain = limits.act_chances(values, *stated)
    ruled = limits.act_chances(values, *stated, two_amber_is_red=True)
    np.testing.assert_allclose(plain["ceiling"], [0.5, 0.5, np.nan])
    np.testing.assert_allclose(ruled["ceiling"], [1.0, 0.5, np.nan])
    np.testing.assert_allclose(ruled["runway_crosswind"], [1.0, plain["runway_crosswind"][1], 0.5])
    np.testing.assert_array_equal(ruled["thunder"], 0.0)


def test_a_ceiling_reported_at_the_limit_is_at_it_however_it_is_stored():
    """Whole hundreds of feet, as stations report them, in double and single precision and in packed tens."""
    feet = np.arange(500.0, 5001.0, 100.0)
    forms = (feet * FT, (feet * FT).astype(np.float32), (feet / 10).astype(np.float32) * np.float32(10 * FT))
    for form in forms:
        for value, ft in zip(form, feet, strict=True):
            at = limits.act_chances({"ceiling": value}, {"ceiling": 2.0 * ft * FT}, {"ceiling": ft * FT})
            assert at["ceiling"] == 1.0, ft
        above = limits.act_chances({"ceiling": form + 3.0}, {"ceiling": 9e3}, {"ceiling": 5000 * FT})
        assert above["ceiling"][-1] < 1.0


def test_thunder_that_stops_nobody_is_no_second_amber():
    """A ceiling halfway, .5, stays .5 in thunder where thunder is ignored."""
    values = {"ceiling": np.array([600.0]), "thunder": np.array([1.0])}
    held = limits.act_chances(
        values, {"ceiling": 800.0}, {"ceiling": 400.0}, thunder_stops=False, two_amber_is_red=True
    )
    np.testing.assert_allclose(held["ceiling"], 0.5)
    assert "thunder" not in held
