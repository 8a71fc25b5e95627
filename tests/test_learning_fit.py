"""Limits learned from a log: the likelihood, the fit, and what it may never do.

References: numerical integration and logistic regression of SciPy, scikit-learn and statsmodels; Firth's
penalised likelihood as Heinze and Schemper give it (Statistics in Medicine 21 (2002) 2409-2419); regression
calibration of Carroll et al., Measurement Error in Nonlinear Models, 2nd ed. (2006), chapter 4.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from learning_pilots import one_figure, own_limit, prior_draws, simulated
from scipy import integrate
from scipy.special import expit

from pipeline.air.variables import KT
from pipeline.decisions import learning
from pipeline.decisions.learning import (
    CHANGED,
    FLOWN,
    PLANNED_OUT,
    SILENT,
    Evidence,
    Observations,
    ShowAir,
    calibrated,
    evidence,
    fit,
    log_likelihood,
    observations,
    used_curves,
)
from pipeline.decisions.limits import CAUSES, CONDITIONS, LOGIT_19, Curves, chance_of_change, standardised


def seen(*rows: tuple[float, float, float]) -> Observations:
    """Observations of (lower, upper, variance), each of weight 1."""
    lower, upper, variance = np.array(rows, dtype=float).T
    return Observations(lower, upper, variance, np.ones(lower.size), np.arange(lower.size))


def pseudo_rows(pseudo: float = 5.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The prior as rows of a logistic regression: condition, changed, weight."""
    z = np.array([-1.0, -1.0, 1.0, 1.0])
    changed = np.array([1.0, 0.0, 1.0, 0.0])
    return z, changed, pseudo * np.array([0.05, 0.95, 0.95, 0.05])


def curves(**limits: tuple[tuple[float, float], ...]) -> Curves:
    n = len(next(iter(limits.values())))
    sides = [
        {
            k: np.array([p[side] for p in limits.get(k, ((np.nan, np.nan),) * n)], dtype=float)
            for k in CONDITIONS
        }
        for side in (0, 1)
    ]
    return Curves(tuple(f"figure {i}" for i in range(n)), *sides)


# --- The likelihood ---------------------------------------------------------------------------------


@pytest.mark.parametrize("variance", [0.0, 0.05, 0.3])
@pytest.mark.parametrize(
    "bounds", [(-0.8, np.inf), (-np.inf, 0.4), (-0.8, 0.4), (-3.5, np.inf), (-np.inf, -3.0)]
)
@pytest.mark.parametrize("slope", [1.0, LOGIT_19, 5.0])
def test_an_observation_is_the_chance_of_its_interval(bounds, variance, slope):
    """Numerical integration (SciPy quad) of the logistic's interval over the normal error."""
    m, (lower, upper) = 0.2, bounds

    def chance(error: float) -> float:
        high = 1.0 if np.isinf(upper) else expit(slope * (upper + error - m))
        low = 0.0 if np.isinf(lower) else expit(slope * (lower + error - m))
        return high - low

    expected = chance(0.0)
    if variance:
        sd = np.sqrt(variance)
        expected = integrate.quad(
            lambda t: chance(sd * t) * np.exp(-0.5 * t * t) / np.sqrt(2 * np.pi), -10, 10, limit=200
        )[0]
    got = float(np.exp(log_likelihood(m, slope, seen((lower, upper, variance)))[0]))
    assert got == pytest.approx(expected, rel=0.02)  # seven nodes
    if not variance:
        assert got == pytest.approx(expected, rel=1e-12)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_grid_and_the_derivatives_agree_with_the_likelihood(seed):
    """The grid's sum is the plain one; gradient and bend are those of central differences (step 1e-6)."""
    rng = np.random.default_rng(seed)
    lower = rng.normal(-1, 1, 12)
    data = seen(*zip(lower, lower + rng.exponential(1, 12), rng.choice([0, 0.2], 12), strict=True))
    data.lower[:3], data.upper[3:8] = -np.inf, np.inf
    m, b = np.array([-3.0, 0.1, 2.0]), np.array([0.6, 3.0, 15.0])
    plain = log_likelihood(*np.meshgrid(m, b, indexing="ij"), data).sum(axis=-1)
    np.testing.assert_allclose(learning._grid_log_likelihood(m, b, data), plain, rtol=1e-9)
    weight = np.ones((1, 12))

    def at(where: np.ndarray) -> tuple[np.ndarray, ...]:
        value, scores, second = learning._derivatives(where[:1], where[1:], data, weight)
        return value[0], scores[:, 0].sum(axis=-1), second[:, :, 0]

    where = np.array([rng.normal(), np.exp(rng.normal(1, 0.4))])
    value, first, second = at(where)
    assert value == pytest.approx(float(log_likelihood(-where[0] / where[1], where[1], data).sum()))
    for i, step in enumerate(1e-6 * np.eye(2)):
        up, down = at(where + step), at(where - step)
        assert first[i] == pytest.approx((up[0] - down[0]) / 2e-6, rel=1e-4, abs=1e-3)
        np.testing.assert_allclose(second[i], (up[1] - down[1]) / 2e-6, rtol=1e-4, atol=1e-3)


# --- The fit ----------------------------------------------------------------------------------------


def test_plain_cases_are_the_logistic_regression_of_other_libraries():
    """One figure, no error: scikit-learn (C = inf) and statsmodels (GLM, weighted) on the same rows."""
    import statsmodels.api as sm
    from sklearn.linear_model import LogisticRegression

    rng = np.random.default_rng(5)
    z = np.round(rng.normal(-0.3, 1.0, 80), 1)
    changed = (rng.random(80) < expit(2.5 * (z - 0.4))).astype(float)
    told = one_figure([(x, CHANGED if c else FLOWN) for x, c in zip(z, changed, strict=True)])
    got = fit(told)
    rows, event, weight = (
        np.append(a, b) for a, b in zip((z, changed, np.ones(80)), pseudo_rows(), strict=True)
    )
    learner = LogisticRegression(C=np.inf, tol=1e-10, max_iter=1000).fit(rows[:, None], event, weight)
    assert got.slope == pytest.approx(float(learner.coef_[0, 0]), rel=1e-3)
    assert got.shift == pytest.approx(float(-learner.intercept_[0] / learner.coef_[0, 0]), abs=1e-3)
    glm = sm.GLM(event, sm.add_constant(rows), family=sm.families.Binomial(), freq_weights=weight).fit()
    assert got.slope == pytest.approx(glm.params[1], rel=1e-3)
    assert got.shift == pytest.approx(-glm.params[0] / glm.params[1], abs=1e-3)


def firth(z: np.ndarray, y: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Intercept and slope by Firth's modified score, iterated (Heinze and Schemper 2002, section 2)."""
    x = np.stack([np.ones(z.size), z], axis=1)
    beta = np.zeros(2)
    for _ in range(500):
        p = expit(x @ beta)
        w = weight * p * (1 - p)
        information = x.T @ (w[:, None] * x)
        hat = w * np.einsum("ij,jk,ik->i", x, np.linalg.inv(information), x)
        score = x.T @ (weight * (y - p) + hat * (0.5 - p))
        beta = beta + np.clip(np.linalg.solve(information, score), -0.5, 0.5)
    return beta


def test_separated_logs_stay_finite_and_near_firth():
    """Everything dropped lies past everything flown: maximum likelihood runs away, Firth's and ours do not.

    The middle of the curve agrees with Firth's; the slopes agree within the factor of their priors.
    """
    z = np.array([-2.0, -1.5, -1.2, -0.9, -0.6, -0.3, -0.1, 0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 1.1])
    changed = (z > 0.25).astype(float)
    got = fit(one_figure([(x, CHANGED if c else FLOWN) for x, c in zip(z, changed, strict=True)]))
    intercept, slope = firth(z, changed, np.ones(z.size))
    assert got.shift == pytest.approx(-intercept / slope, abs=0.1)
    assert slope / 1.5 < got.slope < slope * 1.5


def test_firth_adds_half_an_observation_to_each_cell():
    """Of the reference itself: in a two-point design it adds half an observation to every cell."""
    z = np.repeat([-1.0, 1.0], 10)
    intercept, slope = firth(z, (z > 0).astype(float), np.ones(20))
    assert intercept == pytest.approx(0.0, abs=1e-9)
    assert slope == pytest.approx(np.log(10.5 / 0.5))


def test_without_a_log_the_limits_are_as_written():
    """The prior's mode is the stated numbers, and so is its predictive chance at each: .05 and .95."""
    got = fit(one_figure([]))
    assert got.comfortable == pytest.approx(-1.0, abs=1e-4)
    assert got.limit == pytest.approx(1.0, abs=1e-4)
    m, b, weight = got.draws
    for z, chance in ((-1.0, 0.05), (1.0, 0.95)):
        assert weight @ expit(b * (z - m)) == pytest.approx(chance, abs=0.003)


@pytest.mark.parametrize("air", [-4.0, -2.0, -1.0, 0.0, 0.9])
@pytest.mark.parametrize("shows", [1, 15, 300])
def test_a_log_in_which_nothing_was_changed_is_never_stricter(shows, air):
    """Zero events: the limits used are exactly those written, and the range is wide or on the loose side."""
    got = fit(one_figure([(air, FLOWN)] * shows))
    written = curves(gust=((10.0, 14.0),))
    used = used_curves(written, got)
    assert used.limit["gust"][0] == 14.0
    assert used.comfortable["gust"][0] == 10.0
    assert got.limit >= 1.0
    assert got.limit_upper >= 1.0


@pytest.mark.parametrize("shift", [-0.6, 0.5])
def test_a_long_log_finds_the_pilot(shift):
    """Fifteen hundred shows over the whole range: the pilot's own shift and slope within sampling error."""
    rng = np.random.default_rng(8)
    told = simulated(shift, 4.0, 1500, 0.0, rng, mean=-0.3)
    got = fit(told)
    assert got.shift == pytest.approx(shift, abs=0.1)
    assert got.slope == pytest.approx(4.0, rel=0.2)


def test_a_300_show_log_in_under_a_second_and_one_more_show_in_under_300_ms():
    """Best of five of processor time, four causes, a station's error, one change in fifty for each cause."""
    rng = np.random.default_rng(4)
    told = simulated(0.0, LOGIT_19, 300, 0.6, rng, causes=4)
    more = simulated(0.0, LOGIT_19, 301, 0.6, rng, causes=4)
    spent = []
    for one in (told, more, told, more, told):
        start = time.process_time()
        fit(one)
        spent.append(time.process_time() - start)
    assert min(spent) < 0.3


# --- What it may never do ---------------------------------------------------------------------------

LOGS = st.lists(
    st.tuples(
        st.floats(-4.0, 2.0).map(lambda x: round(x, 2)), st.sampled_from([FLOWN, FLOWN, FLOWN, CHANGED])
    ),
    max_size=25,
)


@settings(max_examples=80, deadline=None)
@given(LOGS, st.floats(0.0, 2.0))
def test_a_show_flown_as_planned_in_worse_air_never_makes_the_limit_stricter(rows, further):
    """Worse air: past the learned limit. True for any log."""
    before = fit(one_figure(rows))
    after = fit(one_figure([*rows, (before.limit + further, FLOWN)]))
    assert after.limit >= before.limit - 1e-3


@settings(max_examples=80, deadline=None)
@given(LOGS, st.floats(0.0, 4.0))
def test_a_change_in_milder_air_never_makes_the_limit_looser(rows, milder):
    """Milder air: short of the learned limit. True for any log, and exactly so past its mildest change."""
    before = fit(one_figure(rows))
    after = fit(one_figure([*rows, (before.limit - milder, CHANGED)]))
    assert after.limit <= before.limit + 1e-3
    mildest = min([z for z, what in rows if what == CHANGED], default=1.0)
    after = fit(one_figure([*rows, (mildest - milder - 0.01, CHANGED)]))
    assert after.limit <= before.limit + 1e-3


NAMES = ("density_altitude", "wind_toward_crowd", "gust", "wind_along_line")  # one of each cause
EASIER = np.array([0.0, 0.6, 1.5])
USUAL = -2.0


def told_limits(z: np.ndarray, error: np.ndarray, state: np.ndarray, noise: float) -> np.ndarray:
    """Learned limits (cause, figure) of shows whose air stations told, through evidence and fit.

    Every limit lies at 1 for the first figure, and a unit of the scale is 10 of the condition.
    """
    written = curves(**{name: tuple((10 * (e - 1), 10 * (e + 1)) for e in EASIER) for name in NAMES})
    nothing = {name: np.full(len(z), np.nan) for name in CONDITIONS}
    air = ShowAir(
        nothing | {name: 10 * z[:, c] for c, name in enumerate(NAMES)},
        nothing | {name: 10 * error[:, c] for c, name in enumerate(NAMES)},
        nothing | {name: np.full(len(z), 10 * USUAL) for name in NAMES},
        nothing | {name: np.full(len(z), 100 * (1 + noise**2)) for name in NAMES},
    )
    got = fit(evidence(air, written, state))
    return got.limit + got.offset


@settings(max_examples=20, deadline=None, derandomize=True)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 40),
    st.sampled_from([0.0, 0.3, 0.6, 0.9]),
    st.floats(-3.0, 1.0),
    st.floats(0.8, 6.0),
)
def test_one_more_show_moves_no_limit_the_wrong_way(seed, shows, noise, shift, slope):
    """Four causes, three figures, most air told by a station with an error: the limits as told.

    One more show: all of it flown, its air past every learned limit, makes none stricter; one figure dropped
    or out at planning for one cause, its air short of every learned limit, makes none looser. A shift of -3
    is a pilot who changes something in nearly every show.
    """
    rng = np.random.default_rng(seed)
    n = shows + 1
    true = USUAL + rng.normal(size=(n, 4))
    error = np.where(rng.random((n, 4)) < 0.3, 0.0, noise)
    z = true + error * rng.normal(size=true.shape)
    reached = true[:, :, None] - EASIER >= (shift + rng.logistic(size=(n, 4)) / slope)[:, :, None]
    bit = reached & (np.cumsum(reached, axis=1) == 1)
    what = rng.choice([CHANGED, CHANGED, PLANNED_OUT], size=(n, 1, 3))
    state = np.where(reached.any(axis=1, keepdims=True), np.where(bit, what, SILENT), FLOWN)
    before = told_limits(z[:-1], error[:-1], state[:-1], noise)

    worse = (before + EASIER).max(axis=1) + rng.uniform(0.0, 2.0, 4)
    # A reading is moved toward what is usual; the air itself is to lie past the limit.
    z[-1] = USUAL + (worse - USUAL) * (1.0 + error[-1] ** 2)
    state[-1] = FLOWN
    assert np.all(told_limits(z, error, state, noise) >= before - 1e-3)

    z[-1] = before.min() - rng.uniform(0.0, 3.0, 4)
    cause, figure = rng.integers(4), rng.integers(3)
    state[-1, :, figure] = SILENT
    state[-1, cause, figure] = rng.choice([CHANGED, PLANNED_OUT])
    assert np.all(told_limits(z, error, state, noise) <= before + 1e-3)


@settings(max_examples=60, deadline=None)
@given(
    LOGS,
    st.floats(-1.0, 1.0),
    st.floats(-2000.0, 12_000.0),
    st.floats(100.0, 4000.0),
)
def test_used_curves_are_never_more_permissive_than_written(rows, step, comfortable, width):
    """At every value of the condition the chance of a change is at least what the written numbers say."""
    written = curves(density_altitude=((comfortable, comfortable + width),))
    used = used_curves(written, fit(one_figure(rows)), step=step)
    x = comfortable + width * np.linspace(-3.0, 2.0, 101)
    by_name = [
        chance_of_change(
            standardised(x, c.comfortable["density_altitude"][0], c.limit["density_altitude"][0])
        )
        for c in (written, used)
    ]
    assert np.all(by_name[1] >= by_name[0] - 1e-9)


@pytest.mark.parametrize("may_relax", [False, True])
def test_a_show_flown_past_the_limit_makes_no_chance_stricter(may_relax):
    """Forty ordinary shows with three changes, then one flown as planned at a unit past the limit.

    The fitted curve flattens by it; the chance in ordinary air must not rise for that.
    """
    rows = [(-1.0, FLOWN)] * 37 + [(1.2, CHANGED)] * 3
    written = curves(gust=((10.0, 14.0),))
    x = np.linspace(4.0, 16.0, 61)
    before, after = (
        chance_of_change(standardised(x, used.comfortable["gust"][0], used.limit["gust"][0]))
        for used in (
            used_curves(written, fit(one_figure(log)), may_relax=may_relax)
            for log in (rows, [*rows, (2.0, FLOWN)])
        )
    )
    assert np.all(after <= before + 1e-3)


def test_more_permissive_only_when_switched_on():
    """Forty shows flown past the limit: written limits are used, unless the pilot lets the log relax them."""
    got = fit(one_figure([(1.6, FLOWN)] * 40 + [(2.6, CHANGED)] * 6))
    written = curves(gust=((10.0, 14.0),))
    assert used_curves(written, got).limit["gust"][0] == 14.0
    relaxed = used_curves(written, got, may_relax=True)
    assert relaxed.limit["gust"][0] == pytest.approx(14.0 + 2.0 * (got.limit - 1.0))
    assert relaxed.limit["gust"][0] > 14.0


def test_a_limit_is_relaxed_no_further_than_was_flown():
    """Three hundred shows flown at .9 relax nothing, at 1.4 by .4 at most, whatever the fitted curve says."""
    assert fit(one_figure([(0.9, FLOWN)] * 300)).limit == 1.0
    assert fit(one_figure([(1.4, FLOWN)] * 300)).limit == pytest.approx(1.4)


def test_the_range_told_is_that_of_the_posterior_of_the_whole_log():
    """Middle and ends as the coverage is checked for, also where the limit used lies below them."""
    got = fit(simulated(0.0, LOGIT_19, 300, 0.6, np.random.default_rng(4), causes=4))
    told = (got.limit_lower, got.limit_middle, got.limit_upper)
    assert told == learning.own_limit_range(*got.draws)
    assert got.limit < got.limit_lower


@pytest.mark.parametrize("seed", range(8))
def test_the_learned_limit_is_the_least_over_all_choices_of_shows(seed):
    """Seven shows with a change among thirty: none of the 128 fits without some of them is stricter."""
    rng = np.random.default_rng(seed)
    lower, width = rng.normal(-2.0, 1.0, (30, 2)), rng.exponential(0.6, (30, 2)) + 0.1
    upper = np.where((np.arange(30) < 7)[:, None] & (rng.random((30, 2)) < 0.7), lower + width, np.inf)
    # To the fortieth of the scale at which observations are gathered.
    bounds = (np.round(x.ravel() * 40) / 40 for x in (lower, upper))
    show = np.repeat(np.arange(30), 2)
    log = Observations(*bounds, np.full(60, 0.1), np.ones(60), show)
    changed = np.arange(30) < 7
    got, _ = learning._strictest(log, changed, 5.0, (0.0, LOGIT_19))
    chosen = (np.arange(128)[:, None] >> np.arange(7)) & 1
    kept = np.concatenate([chosen, np.ones((128, 23))], axis=1)[:, show]
    shift, slope, _ = learning._modes(log, 5.0, (0.0, LOGIT_19), kept)
    assert got <= (shift + LOGIT_19 / slope).min() + 1e-4


def test_no_prior_is_refused():
    """Without a prior a log without changes has no fit."""
    with pytest.raises(ValueError, match="pseudo"):
        fit(one_figure([(0.0, FLOWN)]), pseudo=0.0)


# --- What a show says -------------------------------------------------------------------------------


def evidence_of(condition, state) -> Evidence:
    c = np.asarray(condition, dtype=float)[None]
    return Evidence(c, np.zeros(c.shape), np.asarray(state)[None])


NONE = [np.nan] * 3
QUIET = [SILENT] * 3


def test_one_show_is_one_observation_between_most_demanding_flown_and_least_demanding_changed():
    """Flown at -.5 and -.2, dropped at .3 and .9: the tolerance lay between -.2 and .3."""
    told = evidence_of([[-0.5, 0.3, -0.2], NONE, NONE, NONE], [[FLOWN, CHANGED, FLOWN], QUIET, QUIET, QUIET])
    got = observations(told)
    assert (got.lower.tolist(), got.upper.tolist(), got.weight.tolist()) == ([-0.2], [0.3], [1.0])


def test_a_change_for_another_cause_censors_this_one():
    """A figure dropped for the wind says nothing about density altitude, for or against."""
    told = evidence_of(
        [[0.8, -0.5, np.nan], [0.9, -2.0, np.nan], NONE, NONE],
        [[SILENT, FLOWN, SILENT], [CHANGED, FLOWN, SILENT], QUIET, QUIET],
    )
    got = observations(told)
    assert got.lower.tolist() == [-0.5, -2.0]
    assert got.upper.tolist() == [np.inf, 0.9]


def test_a_figure_out_at_planning_is_half_a_change():
    """Half of the show's weight says the tolerance lay below its condition, half says nothing of it."""
    told = evidence_of(
        [[-0.5, 0.6, np.nan], NONE, NONE, NONE], [[FLOWN, PLANNED_OUT, SILENT], QUIET, QUIET, QUIET]
    )
    got = observations(told)
    assert got.lower.tolist() == [-0.5, -0.5]
    assert got.upper.tolist() == [np.inf, 0.6]
    assert got.weight.tolist() == [0.5, 0.5]


def test_flown_in_worse_air_than_another_was_changed_in():
    """Flown at .7, another dropped at .2 for the same cause: the tolerance lay between the two."""
    told = evidence_of(
        [[0.7, 0.2, np.nan], NONE, NONE, NONE], [[FLOWN, CHANGED, SILENT], QUIET, QUIET, QUIET]
    )
    got = observations(told)
    assert (got.lower.tolist(), got.upper.tolist()) == ([0.2], [0.7])


def test_unknown_air_says_nothing():
    """A show whose condition is not known has no observation."""
    told = evidence_of(
        [[np.nan, np.nan, np.nan], NONE, NONE, NONE], [[FLOWN, CHANGED, FLOWN], QUIET, QUIET, QUIET]
    )
    assert observations(told).lower.size == 0


def test_conditions_lie_on_the_pilots_scale_and_the_worse_of_a_cause_counts():
    """Gust 23 kt of 18..28 is 0; spread 13 kt of 8..14 is 2/3: rough air is the worse, 2/3."""
    written = curves(gust=((18 * KT, 28 * KT),), gust_spread=((8 * KT, 14 * KT),))
    nothing = {name: np.array([np.nan]) for name in CONDITIONS}
    air = ShowAir(
        nothing | {"gust": np.array([23 * KT]), "gust_spread": np.array([13 * KT])},
        *({name: np.zeros(1) for name in CONDITIONS} for _ in range(3)),
    )
    got = evidence(air, written, np.full((1, 4, 1), FLOWN))
    assert got.condition[0, CAUSES.index("rough_air"), 0] == pytest.approx(2.0 / 3.0)
    assert np.isnan(got.condition[0, CAUSES.index("density_altitude"), 0])
    with pytest.raises(ValueError, match="shape"):
        evidence(air, written, np.full((2, 4, 1), FLOWN))


# --- Measurement error ------------------------------------------------------------------------------


def test_calibration_is_the_textbooks_arithmetic():
    """Usual readings of mean 3, variance 20/3, error sd 1: reliability 1 - 1/s2 = .85, moved toward 3."""
    got, left = calibrated([0.0, 2.0, 4.0, 6.0], np.ones(4), np.full(4, 3.0), np.full(4, 20.0 / 3.0))
    reliability = 1.0 - 1.0 / (20.0 / 3.0)
    np.testing.assert_allclose(got, 3.0 + reliability * (np.array([0.0, 2.0, 4.0, 6.0]) - 3.0))
    np.testing.assert_allclose(left, reliability)


def test_what_the_pilot_noted_is_not_moved():
    """Noted conditions carry no error and stay; missing ones stay missing; without a record they stand."""
    got, left = calibrated(
        [0.0, 2.0, 4.0, np.nan, 6.0],
        [0.0, 1.0, 1.0, 1.0, 1.0],
        [3.0, 3.0, 3.0, 3.0, np.nan],
        [9.0, 9.0, 9.0, 9.0, np.nan],
    )
    assert (got[0], left[0], got[4], left[4]) == (0.0, 0.0, 6.0, 1.0)
    assert np.isnan(got[3])
    assert np.isnan(left[3])


def test_noise_does_not_make_the_limit_more_permissive():
    """Strict pilots told by a poor station: its error, ignored, passes for tolerance; taken out, it does not.

    Sixty pilots whose limit is at .5, two hundred shows each, error .9: how often the whole 80 % range lies
    on the permissive side. One time in ten by right; of sixty, 11 is the 97.5 % point of the binomial.
    """
    rng = np.random.default_rng(12)
    m, b = -0.5, LOGIT_19
    assert own_limit(m, b) == pytest.approx(0.5)
    too_permissive = {0.0: 0, 0.9: 0}
    for _ in range(60):
        seed = int(rng.integers(2**32))
        for believed in too_permissive:
            told = simulated(m, b, 200, 0.9, np.random.default_rng(seed), believed=believed)
            lower, _, _ = learning.own_limit_range(*learning.posterior(observations(told)))
            too_permissive[believed] += lower > own_limit(m, b)
    assert too_permissive[0.0] > 45
    assert too_permissive[0.9] <= 11


# --- Stricter than the rest -------------------------------------------------------------------------


def two_causes(shift: tuple[float, float], shows: int, seed: int) -> Evidence:
    """A log of two causes, one figure, with a shift of its own for each."""
    rng = np.random.default_rng(seed)
    condition = np.full((shows, len(CAUSES), 1), np.nan)
    state = np.zeros(condition.shape, dtype=int)
    for c in range(2):
        z = rng.normal(-1.0, 1.0, shows)
        tolerance = shift[c] + rng.logistic(size=shows) / LOGIT_19
        condition[:, c, 0], state[:, c, 0] = z, np.where(z >= tolerance, CHANGED, FLOWN)
    return Evidence(condition, np.where(np.isnan(condition), np.nan, 0.0), state)


def test_a_cause_judged_more_strictly_is_found_and_never_looser():
    """One cause at -.8, the other at .3: the first has an offset below 0, the second none."""
    got = fit(two_causes((-0.8, 0.3), 150, 3))
    assert got.offset[0, 0] < 0.0
    assert got.offset[1, 0] == 0.0


def test_alike_causes_have_no_offset():
    """Of sixty pilots who judge both causes alike, few are taken for anything else (one in twenty each)."""
    found = [np.any(fit(two_causes((0.0, 0.0), 100, seed)).offset != 0.0) for seed in range(60)]
    assert np.mean(found) < 0.2


def test_prior_draws_are_pilots_of_the_stated_numbers():
    """Over pilots of the prior, one change in twenty at comfortable and nineteen at the limit."""
    m, b = prior_draws(20_000, np.random.default_rng(1))
    assert np.mean(expit(b * (-1.0 - m))) == pytest.approx(0.05, abs=0.006)
    assert np.mean(expit(b * (1.0 - m))) == pytest.approx(0.95, abs=0.006)
