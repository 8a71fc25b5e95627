"""What if: the same functions on the stored sample give the forecast's numbers; nothing is written."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np
import pytest
from dashboard_season import EMPTY, HOT, SEA, small_season
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboard import whatif
from dashboard.season import Season, load_season, sampled_day
from pipeline.air import climatology as clim
from pipeline.air.variables import FT
from pipeline.decisions import limits


@pytest.fixture
def season(monkeypatch: pytest.MonkeyPatch) -> Iterator[Season]:
    monkeypatch.setenv("SHOWHOUR_RESULTS", str(small_season().results))
    return load_season()


@pytest.mark.parametrize("booking", [HOT, SEA])
def test_unchanged_limits_give_the_forecast(season: Season, booking: str) -> None:
    """Against the forecast itself: samples are kept to 0.5 m of density altitude and 0.01 m/s of wind.

    A logistic of width 2,000 ft (610 m) has a slope of at most 2 ln 19 / (4 x 610 m) = 0.0024 a metre, so
    a quarter of a metre moves a chance by 0.0006 at most, in one direction for some hours and in the other
    for others; visibility is kept to 10 m, which moves hours that report the limit itself from 1 to .95.
    """
    day = season.days_of(booking)[0]
    n = len(day.slots)
    air, curves = whatif.day_air(season, day), whatif.curves_used(season)
    v = season.values
    for f in range(len(season.figures)):
        got = whatif.figure_if(air, curves, f)
        for end, held in (("", got.value), ("_lower", got.lower), ("_upper", got.upper)):
            np.testing.assert_allclose(held, v[f"figure_change{end}"][day.index, :n, f], atol=6e-4)
    for condition in season.conditions:
        planned = whatif.planned_if(season, day, air, curves, condition)
        for end, held in (("", planned.value), ("_lower", planned.lower), ("_upper", planned.upper)):
            np.testing.assert_allclose(held, v[f"routine_as_planned{end}"][day.index, :n, 0], atol=2e-3)


def test_thunder_that_stops_nobody_counts_for_nothing(
    season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two ambers are one red, thunder is ignored: with thunder in every hour and in none all is alike."""
    day = season.days_of(HOT)[0]
    out = season.values["act_out_by_cause"].copy()
    out[..., season.act_causes.index("thunder")] = np.nan
    season.values |= {"act_out_by_cause": out}
    season.attrs |= {"two_amber_is_red": 1, "thunder_stops": 0}
    sample = sampled_day(day)
    flies = []
    for thunder in (0.0, 1.0):
        told = {**sample, "thunder": np.full(sample["ceiling"].shape, thunder)}
        monkeypatch.setattr(whatif, "sampled_day", lambda _, told=told: told)
        whatif._day_air.clear()
        flies.append(whatif.day_air(season, day).act_flies)
    whatif._day_air.clear()
    np.testing.assert_array_equal(flies[0], flies[1])


@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(3000, 9000), st.floats(200, 3000), st.floats(0, 2000))
def test_a_wider_limit_never_changes_more(
    season: Season, comfortable: float, width: float, more: float
) -> None:
    """Raising both ends of a limit by the same amount raises no chance of change."""
    day = season.days_of(HOT)[0]
    air, curves = whatif.day_air(season, day), whatif.curves_used(season)
    f = season.figures.index("Square loop")

    def chance(shift: float) -> np.ndarray:
        low = (comfortable + shift) * FT
        return whatif.figure_if(
            air, whatif.with_limit(curves, f, "density_altitude", low, low + width * FT), f
        ).value

    assert np.all(chance(more) <= chance(0.0) + 1e-6)


def test_a_limit_below_all_air_grounds_the_figure(season: Season) -> None:
    """At and beyond a limit a figure is never flown: a limit under every sampled hour gives exactly 1."""
    day = season.days_of(HOT)[0]
    least = float(np.nanmin(sampled_day(day)["density_altitude"][: len(day.slots)]))
    air = whatif.day_air(season, day)
    curves = whatif.with_limit(
        whatif.curves_used(season), 0, "density_altitude", least - 2000.0, least - 1000.0
    )
    assert whatif.figure_if(air, curves, 0).value == pytest.approx(1.0, abs=0)
    assert whatif.planned_if(season, day, air, curves, "density_altitude").value == pytest.approx(0.0, abs=0)


@pytest.mark.parametrize("condition", ["density_altitude", "wind_across_line", "gust_spread"])
def test_judging_one_cause_again_is_judging_all(season: Season, condition: str) -> None:
    """Against every cause judged anew with the changed limits, by the routine's own function."""
    day = season.days_of(SEA)[0]
    air = whatif.day_air(season, day)
    f = season.full[-1]
    curves = whatif.with_limit(whatif.curves_used(season), f, condition, 2.0, 6.0)
    routine = limits.RoutineChance(
        curves.take(season.full), correlation=float(season.attrs["routine_correlation"])
    )
    whole = clim.year_means(air.act_flies * (1.0 - routine(air.conditions))).mean(axis=-1)
    got = whatif.planned_if(season, day, air, curves, condition).value
    np.testing.assert_allclose(got, whole, atol=1e-6)
    assert not np.allclose(got, season.values["routine_as_planned"][day.index, : got.size, 0], atol=1e-3)


def test_a_limit_must_lie_above_comfortable(season: Season) -> None:
    """Equal or crossed ends are refused, not divided by."""
    curves = whatif.curves_used(season)
    with pytest.raises(ValueError, match="must lie above"):
        whatif.with_limit(curves, 0, "gust", 10.0, 10.0)


def test_trying_leaves_the_forecast_s_own_limits_alone(season: Season) -> None:
    """Changed limits are a copy."""
    curves = whatif.curves_used(season)
    before = curves.limit["gust"].copy()
    whatif.with_limit(curves, 0, "gust", 1.0, 2.0)
    np.testing.assert_array_equal(curves.limit["gust"], before)
    np.testing.assert_array_equal(whatif.curves_used(season).limit["gust"], before)


def test_exceedance_counts_hours() -> None:
    """Counted by hand: of 1, 2, 3 | 4, 5, 6 above 2.5 are 1/3 and 3/3 by year, 2/3 on the mean."""
    values = np.array([[[1.0, 2.0, 3.0]], [[4.0, 5.0, 6.0]]])
    got = whatif.exceedance_of(values, 10.0, np.array([0.0, 2.5, 6.0]))
    np.testing.assert_allclose(got.value, [1.0, (1 / 3 + 3 / 3) / 2, 0.0])
    assert np.all(got.lower <= got.value)
    assert np.all(got.value <= got.upper)


def test_exceedance_meets_the_quantile(season: Season) -> None:
    """What one day in ten exceeds is exceeded by one in ten: 0.10 within two hours of the sample."""
    day = season.days_of(HOT)[0]
    s = day.offered
    values = sampled_day(day)["density_altitude"][s]
    high = float(season.values["density_altitude_quantile"][day.index, s, season.quantile[0.9]])
    above = whatif.exceedance_of(values, 10.0, np.array([high])).value[0]
    assert above == pytest.approx(0.10, abs=2.0 / np.isfinite(values).sum() + 0.002)


def test_nothing_is_written(season: Season) -> None:
    """Results and season folder hold the same bytes before and after."""
    made = small_season()

    def digest() -> str:
        files = [made.results, *sorted(made.folder.rglob("*.yaml"))]
        return hashlib.sha256(b"".join(f.read_bytes() for f in files)).hexdigest()

    before = digest()
    day = season.days_of(HOT)[0]
    air = whatif.day_air(season, day)
    curves = whatif.with_limit(whatif.curves_used(season), 0, "gust", 1.0, 2.0)
    whatif.planned_if(season, day, air, curves, "gust")
    assert digest() == before


def test_a_venue_without_hours_has_no_number(season: Season) -> None:
    """No station hours: no rank, no chance, and the reason in words."""
    booking = season.booking(EMPTY)
    assert booking is not None
    assert booking.rank == 0
    assert np.isnan(booking.as_planned)
    assert "no station hours" in booking.status
