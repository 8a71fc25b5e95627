"""Energy through a routine, joins, substitutes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from pipeline.air.variables import FT, KT
from pipeline.flight.aircraft import Engine, FieldAir, UnblownEngine, specific_excess_power
from pipeline.flight.figures import LIBRARY
from pipeline.flight.links import pairs
from pipeline.flight.routine import Item, climb, join_faults, link_energy, routine_energy
from pipeline.flight.runway import acceleration
from tests.flightdata import BIPLANE

FLOOR = 250 * FT
SHOW = [
    Item(LIBRARY["half_cuban"]),
    Item(LIBRARY["loop"], 14.0),
    Item(LIBRARY["square_loop"], 12.0),
    Item(LIBRARY["hammerhead"], 12.0),
    Item(LIBRARY["cuban_eight"], 12.0),
    Item(LIBRARY["slow_roll"], 8.0),
]
HIGH = FieldAir(np.array([0.0, 5000 * FT, 9000 * FT]), np.array([0.0, 4000 * FT, 6700 * FT]))


def test_energy_book_is_kept_by_hand() -> None:
    """First law, figure by figure: what was there, less what was spent, plus what the link gave back."""
    energy = routine_energy(SHOW, BIPLANE, HIGH, FLOOR)
    have = energy.planned_energy[0]
    for i in range(len(SHOW)):
        if i:
            have = np.minimum(energy.planned_energy[i], have + energy.given_back[i])
        np.testing.assert_allclose(energy.planned_energy[i] - have, energy.short[i], atol=1e-6)
        have = have - energy.hand.energy_height_spent[i]


def test_thin_air_sinks_the_routine_and_stretches_it() -> None:
    """More is spent, less given back, the mended routine is longer; and by how much is told."""
    energy = routine_energy(SHOW, BIPLANE, HIGH, FLOOR)
    assert np.all(np.diff(np.sum(energy.hand.energy_height_spent, axis=0)) > 0)
    assert np.all(np.diff(np.sum(energy.given_back, axis=0)) < 0)
    assert np.all(np.diff(energy.total_seconds) > 0)
    assert energy.total_seconds[2] - energy.total_seconds[0] > 30
    np.testing.assert_allclose(energy.over_slot(900.0), energy.total_seconds - 900.0)
    # A leg is 25 s, and once begun it is flown whole.
    total = np.sum(energy.figure_seconds + energy.link_seconds + 25.0 * energy.climb_legs, axis=0)
    assert np.all(25.0 * energy.climb_legs >= energy.climb_seconds)
    np.testing.assert_allclose(energy.total_seconds, total)


def test_where_it_first_breaks_is_told() -> None:
    """The first figure whose floor or entry cannot be kept, if nothing is mended."""
    energy = routine_energy(SHOW, BIPLANE, HIGH, FLOOR)
    for case in range(3):
        first = int(energy.first_break[case])
        if first < 0:
            assert energy.breaks[case] == ""
            continue
        before = energy.height_in_hand[:first, case]
        assert np.all(before >= 0)
        assert energy.breaks[case] in ("floor", "entry speed")
    assert energy.first_break[2] >= 0
    assert energy.first_break[2] <= energy.first_break[1] or energy.first_break[1] < 0


def test_passing_the_never_exceed_speed_is_a_break() -> None:
    """A second figure entered 10 kt faster, in an aircraft whose never-exceed speed lies between the two."""
    quick = replace(
        LIBRARY["slow_roll"], name="Quick roll", entry_speed=LIBRARY["slow_roll"].entry_speed + 10 * KT
    )
    show = [Item(LIBRARY["slow_roll"]), Item(quick, 30.0)]
    sound = routine_energy(show, BIPLANE, FieldAir(0.0), FLOOR)
    assert sound.sound.all()
    slow, fast = (float(v) for v in sound.hand.fastest)
    assert slow < fast
    bound = replace(BIPLANE, never_exceed_speed=0.5 * (slow + fast))
    broken = routine_energy(show, bound, FieldAir(0.0), FLOOR)
    assert (int(broken.first_break), str(broken.breaks)) == (1, "never-exceed speed")
    assert broken.sound.tolist() == [True, False]


@pytest.mark.parametrize("which", [0, 1])
def test_an_entry_that_no_dive_reaches_is_a_break(which: int) -> None:
    """With three times the drag no dive reaches 150 kt: a break, also where the routine begins with it.

    After another figure it has no number either, which is not "without a fault", and no climb mends it.
    """
    heavy = replace(BIPLANE, zero_lift_drag=0.15)
    speeds = [90 * KT, 90 * KT]
    speeds[which] = 150 * KT
    show = [
        Item(replace(LIBRARY["slow_roll"], entry_speed=speed), link)
        for speed, link in zip(speeds, (0.0, 20.0), strict=True)
    ]
    energy = routine_energy(show, heavy, FieldAir(0.0), FLOOR)
    assert (int(energy.first_break), str(energy.breaks)) == (which, "entry speed")
    if which == 1:
        assert not np.isfinite(energy.short[1])
        assert np.isinf(energy.total_seconds)


def test_missing_height_and_missing_speed_are_the_same_energy() -> None:
    """At the planned height, V² - v² = 2 g (height missing at the planned speed)."""
    energy = routine_energy(SHOW, BIPLANE, FieldAir(2000.0, 1500.0, uniform=True), FLOOR)
    figure = SHOW[2].figure
    planned = figure.entry_speed + figure.entry_speed_gain * 2000.0
    sigma = float(FieldAir(2000.0).density()) / 1.225
    left = planned - energy.entry_speed_short[2]
    assert (planned**2 - left**2) / sigma == pytest.approx(2 * 9.80665 * float(energy.short[2]), rel=1e-4)


def test_an_aircraft_that_cannot_climb_cannot_mend() -> None:
    """The extra climb is endless, and so is the routine."""
    weak = replace(BIPLANE, engine=UnblownEngine(60e3))
    items = [Item(LIBRARY["slow_roll"]), Item(LIBRARY["point_roll"], 5.0)]
    energy = routine_energy(items, weak, FieldAir(2000.0), FLOOR)
    assert np.isinf(energy.climb_seconds[1])
    assert np.isinf(energy.total_seconds)


@pytest.mark.parametrize("engine", [BIPLANE.engine, UnblownEngine(450 * 745.7)])
@pytest.mark.parametrize("altitude_ft", [0, 5000, 9000])
def test_no_climb_that_mends_takes_longer_than_is_said(engine: Engine, altitude_ft: int) -> None:
    """A climb that ends where the dive to the entry begins, against SciPy's `solve_ivp` of both.

    Backwards: the dive at 30° from the entry's speed to that of the climb, in air that thins upward; then the
    climb at a constant indicated speed, dE/dt = (T - D) V / W. Said is what the climb takes, and little more.
    """
    aircraft, air = replace(BIPLANE, engine=engine), FieldAir(altitude_ft * FT, min(altitude_ft * FT, 2042.0))
    height, entry, mend = 500 * FT, 170 * KT, 500 * FT
    climbing, rate = (float(v) for v in climb(aircraft, air, height, entry, 1.2))

    def indicated(_t: float, y: list[float]) -> float:
        return float(y[1] * np.sqrt(air.density(y[0]) / 1.225)) - climbing

    indicated.terminal = True  # type: ignore[attr-defined]

    def diving(_t: float, y: list[float]) -> list[float]:
        power = air.power(aircraft, y[0])
        gain = acceleration(aircraft, power, air.density(y[0]), np.asarray(y[1]), -0.5)
        return [-0.5 * y[1], float(gain)]

    fast = entry * np.sqrt(1.225 / float(air.density(height)))
    top = solve_ivp(diving, (0.0, -60.0), [height, fast], events=indicated, rtol=1e-8).y[0, -1]

    def energy(h: float) -> float:
        return float(h + climbing**2 * 1.225 / air.density(h) / (2 * 9.80665))

    def per_metre(_t: float, y: list[float]) -> list[float]:
        power = float(specific_excess_power(aircraft, air, climbing, 1.2, y[0]))
        return [(energy(y[0] + 0.5) - energy(y[0] - 0.5)) / power]

    below = brentq(lambda h: energy(h) - energy(top) + mend, top - mend, top)
    seconds = solve_ivp(lambda h, t: per_metre(t, [h]), (below, top), [0.0], rtol=1e-8).y[0, -1]
    assert seconds <= mend / rate <= 1.06 * seconds


@pytest.mark.parametrize("altitude_ft", [0, 8000])
def test_a_link_begun_fast_gives_less_than_one_begun_at_the_best_climb(altitude_ft: int) -> None:
    """By what the zoom at 30° from 140 kt gives less than a climb as long, against SciPy's `solve_ivp` of it.

    Rate of climb times the zoom's time, less the energy it brings. Begun slow there is no zoom; and what
    climbs steeply without slowing loses nothing by it.
    """
    air = FieldAir(altitude_ft * FT, min(altitude_ft * FT, 2042.0), uniform=True)
    height, entry = 500 * FT, 120 * KT
    climbing, rate = (float(v) for v in climb(BIPLANE, air, height, entry, 1.2))
    stretch = np.sqrt(1.225 / float(air.density()))

    def zooming(_t: float, y: list[float]) -> list[float]:
        gain = acceleration(BIPLANE, air.power(BIPLANE), air.density(), np.asarray(y[1]), 0.5)
        return [0.5 * y[1], float(gain)]

    def slowed(_t: float, y: list[float]) -> float:
        return float(y[1] - climbing * stretch)

    slowed.terminal = True  # type: ignore[attr-defined]
    fast = 140 * KT * stretch
    zoom = solve_ivp(zooming, (0.0, 60.0), [0.0, fast], events=slowed, rtol=1e-8)
    brought = zoom.y[0, -1] + (zoom.y[1, -1] ** 2 - fast**2) / (2 * 9.80665)
    slow, quick = (
        float(link_energy(BIPLANE, air, 40.0, v, height, entry, climbing, rate)) for v in (climbing, 140 * KT)
    )
    assert slow - quick == pytest.approx(rate * zoom.t[-1] - brought, abs=1 * FT)
    assert slow - quick > 80 * FT
    strong = replace(BIPLANE, engine=UnblownEngine(2000e3))
    same = [float(link_energy(strong, air, 40.0, v, height, entry, 70.0, 50.0)) for v in (70.0, 75.0)]
    assert same[0] == same[1]


def test_climbing_legs_are_whole() -> None:
    """Seconds over the length of a leg, rounded up; none where nothing is missing."""
    energy = routine_energy(SHOW, BIPLANE, HIGH, FLOOR, leg_seconds=20.0)
    np.testing.assert_array_equal(energy.climb_legs, np.ceil(energy.climb_seconds / 20.0))


@pytest.mark.parametrize(
    ("items", "place", "words"),
    [
        ([Item(LIBRARY["loop"]), Item(LIBRARY["inverted_pass"], 10.0)], 1, "add or take away a half roll"),
        (
            [
                Item(LIBRARY["half_cuban"], enters_rightward=True),
                Item(LIBRARY["loop"], 10.0, enters_rightward=True),
            ],
            1,
            "flying right to left",
        ),
        ([Item(LIBRARY["immelmann"]), Item(LIBRARY["ribbon_cut"])], 1, "half roll"),
        (
            [Item(LIBRARY["photo_pass"]), Item(replace(LIBRARY["snap_roll"], entry_height=600 * FT))],
            1,
            "no time between",
        ),
        ([Item(LIBRARY["snap_roll"]), Item(LIBRARY["square_loop"])], 1, "no time between"),
    ],
)
def test_a_routine_that_does_not_join_is_refused_with_the_place(
    items: list[Item], place: int, words: str
) -> None:
    """Attitude, direction, speed: the index of the figure, and the words."""
    faults = join_faults(items, BIPLANE)
    assert faults[0][0] == place
    assert any(words in text for _, text in faults)
    with pytest.raises(ValueError, match=f"figure {place + 1}"):
        routine_energy(items, BIPLANE, FieldAir(0.0), FLOOR)


def test_the_first_stated_direction_settles_those_before_it() -> None:
    """A loop, a half Cuban and a loop stated left to right: the two before enter right to left, and join."""
    loop, half = LIBRARY["loop"], LIBRARY["half_cuban"]
    items = [Item(loop), Item(half, 20.0), Item(loop, 20.0, enters_rightward=True)]
    assert join_faults(items, BIPLANE) == []
    again = [*items, Item(loop, 20.0, enters_rightward=False)]
    assert [i for i, _ in join_faults(again, BIPLANE)] == [3]


def test_links_that_turn_and_roll_make_it_join() -> None:
    """A turn-about on the link restores the direction, a half roll the attitude."""
    items = [
        Item(LIBRARY["half_cuban"], enters_rightward=True),
        Item(LIBRARY["inverted_pass"], 10.0, link_reverses=True, link_half_roll=True, enters_rightward=True),
    ]
    assert join_faults(items, BIPLANE) == []


def test_a_figure_too_heavy_to_fly_is_told_with_its_segment_as_pairs_are_made() -> None:
    """The square loop at 1,810 kg: its top is held inverted at -1 g, slower than the wing can.

    Inverted stall at 1,810 kg: √(2·1810·9.80665/(1.225·27.7·1.05)) = 31.6 m/s, 61 kt; at the biplane's
    1,315 kg it is 52 kt.
    """
    square = LIBRARY["square_loop"]
    pairs([square], [60.0], BIPLANE, FieldAir(np.array([0.0])))
    with pytest.raises(ValueError, match=r"stalls while holding the line, in segment 4 \(hold\)"):
        pairs([square], [60.0], replace(BIPLANE, mass=1810.0), FieldAir(np.array([0.0])))
