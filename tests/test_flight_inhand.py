"""What is in hand, gates, derived limits, the loop off the take-off."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from pipeline.air.atmosphere import DENSITY_0, density_altitude, standard_density
from pipeline.air.variables import FT, KT
from pipeline.flight import inhand
from pipeline.flight.aircraft import Aircraft, FieldAir, TableEngine, UnblownEngine, stall_speed
from pipeline.flight.figures import (
    LIBRARY,
    Figure,
    float_to,
    hold,
    line,
    own,
    pull_to,
    push_to,
    recover,
    roll,
)
from pipeline.flight.heights import needle_reading, rounded_up_ft
from pipeline.flight.inhand import (
    Cushions,
    DerivedLimit,
    apex_gate_height,
    apex_gates,
    derived_da_limit,
    derived_da_limits,
    dive_to_entry,
    entry_gate,
    figure_faults,
    governing_limit,
    in_hand,
    off_take_off,
    sheet,
    story,
    verdict,
)
from pipeline.flight.motion import Flown, fly, nodes_of
from pipeline.flight.runway import take_off_distance
from tests.flightdata import BIPLANE, IDEAL

FloatArray = npt.NDArray[np.floating]

CUSHIONS = Cushions(150 * FT, 8 * KT)
FLOOR = 250 * FT


def test_apex_gate_by_density_alone() -> None:
    """A split-S that loses 600 ft at sea level, floor 200, cushion 300 (1/σ arithmetic, σ .7692 and .7425).

    200 + 300 + 600/.7692 = 1,280 ft at a density altitude of 8,679 ft; 600/.7425 gives 1,308 at 9,838.
    On the card of a 6,700 ft field: 7,980 and 8,008, up to the next fifty: 8,000 and 8,050.
    """
    sigma = standard_density(np.array([8679.0, 9838.0]) * FT) / DENSITY_0
    gate = apex_gate_height(600 * FT, sigma, 200 * FT, 300 * FT)
    np.testing.assert_allclose(gate / FT, [1280, 1308], atol=0.5)
    card = rounded_up_ft(needle_reading(gate, 6700 * FT))
    np.testing.assert_array_equal(card, [8000, 8050])


def test_a_measured_loss_makes_the_gate_where_it_asks_for_more() -> None:
    """The pilot's own 600 ft of a split-S at 6,700 ft: 1,280 and 1,308 ft above the field, as just above.

    A hundred feet measured is less than any model's, which then stands; a figure without a gate has none.
    """
    figure = replace(LIBRARY["split_s"], measured_loss=600 * FT)
    air = FieldAir(np.array([8679.0, 9838.0]) * FT, 6489 * FT)
    (gate,) = apex_gates(figure, BIPLANE, air, 200 * FT, Cushions(300 * FT, 0.0))
    (model,) = apex_gates(LIBRARY["split_s"], BIPLANE, air, 200 * FT, Cushions(300 * FT, 0.0))
    np.testing.assert_allclose(
        gate.least_height / FT, np.maximum([1280, 1308], model.least_height / FT), atol=0.5
    )
    small = replace(figure, measured_loss=100 * FT)
    (same,) = apex_gates(small, BIPLANE, air, 200 * FT, Cushions(300 * FT, 0.0))
    np.testing.assert_array_equal(same.least_height, model.least_height)
    # And it is what is in hand: at a loss of all but 100 ft of what the apex has above the floor, 100 ft.
    apex = float(apex_gates(LIBRARY["split_s"], BIPLANE, FieldAir(0.0), FLOOR, CUSHIONS)[0].planned_height)
    loses = replace(figure, measured_loss=apex - FLOOR - 100 * FT)
    for flown in (loses, [LIBRARY["loop"], loses]):
        hand = in_hand(flown, BIPLANE, FieldAir(0.0), FLOOR)
        assert float(np.ravel(hand.height)[-1]) == pytest.approx(100 * FT, abs=1e-6)
    with pytest.raises(ValueError, match="no gate"):
        replace(LIBRARY["slow_roll"], measured_loss=600 * FT)


def test_modelled_gate_obeys_the_same_arithmetic_without_an_engine() -> None:
    """Engine off and uniform air: the modelled gate is floor + cushion + (sea level loss)/σ exactly."""
    figure = Figure("split-S", (roll(180, 0.0), recover(4.0, gate=True)), 84 * KT, 600.0, 1.0)
    air = FieldAir(np.array([0.0, 8679 * FT]), uniform=True)
    (gate,) = apex_gates(figure, IDEAL, air, 200 * FT, Cushions(300 * FT, 0.0), greatest_speed=84 * KT)
    loss = gate.least_height - 500 * FT
    sigma = float(standard_density(8679 * FT)) / DENSITY_0
    assert loss[1] * sigma == pytest.approx(loss[0], rel=1e-9)


GATED = [(name, n) for name, figure in LIBRARY.items() for n in range(len(figure.gate_segments))]


def way_down(
    figure: Figure, gate: int, aircraft: Aircraft, air: FieldAir, height: FloatArray, speeds: FloatArray
) -> Flown:
    """Fly a figure on from one of its gates to the end of the recovery after it."""
    index = figure.gate_segments[gate]
    end = next(i for i, s in enumerate(figure.segments) if i >= index and s.kind == "recover")
    return fly(
        replace(figure, segments=figure.segments[: end + 1]),
        aircraft,
        air,
        entry_speed=speeds,
        entry_height=height,
        first_segment=index,
        stall_margin=CUSHIONS.speed,
        meet_base=False,
    )


@pytest.mark.parametrize(("name", "n"), GATED)
def test_an_apex_at_its_gate_leaves_the_cushion(name: str, n: int) -> None:
    """Flown on from the least height: whatever the speed the cushion is left, and at the worst no more.

    A pull needs more height the faster it is begun; a line held until a speed needs more the slower.
    """
    figure, air = LIBRARY[name], FieldAir(8000 * FT, 5000 * FT)
    gate = apex_gates(figure, BIPLANE, air, FLOOR, CUSHIONS)[n]
    speeds = np.append(np.linspace(gate.least_speed, gate.greatest_speed, 11), gate.planned_speed)
    flown = way_down(figure, n, BIPLANE, air, gate.least_height, speeds)
    assert np.all(flown.failure == 0)
    left = flown.full_pull_bottom - FLOOR - CUSHIONS.height
    assert np.all(left > -0.5 * FT)
    assert left.min() < 0.5 * FT
    assert float(gate.greatest_speed - gate.least_speed) > 5 * KT
    # Where the planned speed is met at the planned height, so is the gate.
    kept = way_down(figure, n, BIPLANE, air, gate.planned_height, gate.planned_speed)
    if float(kept.full_pull_bottom) >= FLOOR + CUSHIONS.height:
        assert float(gate.least_height) <= float(gate.planned_height) + 0.1


@pytest.mark.parametrize(("name", "n"), GATED)
def test_a_gate_of_thin_air_holds_in_thicker_air(name: str, n: int) -> None:
    """The card prints the gate of the slot's thin air: flown from it in thicker air the cushion is kept."""
    grid = np.arange(11) * 1000 * FT
    gate = apex_gates(LIBRARY[name], BIPLANE, FieldAir(grid), FLOOR, CUSHIONS)[n]
    known = np.isfinite(gate.least_height[1:])
    assert known.sum() > 3
    for speed in (gate.least_speed, 0.5 * (gate.least_speed + gate.greatest_speed), gate.greatest_speed):
        flown = way_down(
            LIBRARY[name], n, BIPLANE, FieldAir(grid[:-1]),
            np.where(known, gate.least_height[1:], 1000.0), np.where(known, speed[1:], 20.0),
        )  # fmt: skip
        left = flown.full_pull_bottom - FLOOR - CUSHIONS.height
        assert np.all(left[known] > -1.0 * FT)


def test_each_apex_of_a_figure_has_its_gate() -> None:
    """The second apex of a Cuban eight is its own: lower than the first, and judged by itself."""
    first, second = apex_gates(LIBRARY["cuban_eight"], BIPLANE, FieldAir(2000.0), FLOOR, CUSHIONS)
    assert float(second.planned_height) < float(first.planned_height) - 50 * FT
    assert float(second.least_height) != pytest.approx(float(first.least_height), abs=5 * FT)


@pytest.mark.parametrize("limit", ["never_exceed_speed", "category_speed"])
def test_a_gate_never_leads_past_the_greatest_speed(limit: str) -> None:
    """Where 10 kt more at the top would pass a limit of speed on the way down the gate allows fewer."""
    figure, air = LIBRARY["split_s"], FieldAir(0.0)
    (free,) = apex_gates(figure, BIPLANE, air, FLOOR, CUSHIONS)
    planned = in_hand(figure, BIPLANE, air, FLOOR, stall_margin=CUSHIONS.speed)
    held = replace(BIPLANE, **{limit: float(planned.fastest) + 1 * KT})
    (gate,) = apex_gates(figure, held, air, FLOOR, CUSHIONS)
    assert np.all(gate.greatest_speed < free.greatest_speed - 1 * KT)
    assert np.all(gate.greatest_speed >= gate.planned_speed)
    flown = way_down(figure, 0, held, air, gate.least_height, gate.greatest_speed)
    assert np.all(np.max(flown.equivalent_airspeed, axis=0) <= held.greatest_speed * (1 + 1e-9))


@pytest.mark.parametrize(("ends_ft", "gates"), [(900, 0), (1000, 4), (1100, 4)])
def test_a_gate_before_a_line_that_ends_at_a_height(ends_ft: int, gates: int) -> None:
    """From higher the line is longer and its end faster: the gate has a greatest height, and holds between.

    Where the recovery begun at the line's end leaves too little from the planned apex there is no gate. Ended
    at 1,000 ft the figure as planned has 162 ft in hand at 9,000 ft, of the 150 wanted: met, but not 10 kt
    faster.
    """
    figure = Figure(
        "line to a height",
        (
            pull_to(90),
            line(speed=30 * KT),
            own(2.5, path="pivot", speed_after=20 * KT),
            line(height=ends_ft * FT, gate=True),
            recover(),
        ),
        148 * KT,
        500 * FT,
        500 * FT,
        recovery_load_factor=3.8,
    )
    air = FieldAir(np.array([0.0, 3000.0, 6000.0, 9000.0]) * FT)
    (gate,) = apex_gates(figure, BIPLANE, air, FLOOR, CUSHIONS)
    met = np.isfinite(gate.least_height)
    assert np.count_nonzero(met) == gates
    if ends_ft == 1000:
        assert float(gate.greatest_speed[0]) == pytest.approx(30 * KT)
        assert 20 * KT <= float(gate.greatest_speed[3]) < 30 * KT
    np.testing.assert_array_equal(met, np.isfinite(gate.greatest_height))
    for height in (gate.least_height, gate.greatest_height, 0.5 * (gate.least_height + gate.greatest_height)):
        for speed in (gate.least_speed, gate.greatest_speed):
            flown = way_down(
                figure, 0, BIPLANE, air, np.where(met, height, 1000.0), np.where(met, speed, 10.0)
            )
            left = flown.full_pull_bottom - FLOOR - CUSHIONS.height
            assert np.all(left[met] > -0.5 * FT)


def test_a_figure_that_misses_its_own_gate_is_told_how() -> None:
    """Never there, too low, too fast. Common practice, no source: missed in height or speed, roll out.

    An outside loop entered 3 kt faster for each 1,000 ft is at its gate 85 + 12 = 97 kt at 4,000 ft, where no
    more than 85 + 10 = 95 kt is allowed. A reverse half Cuban from 70 kt gets up its line at sea level only.
    """
    fast = replace(LIBRARY["outside_loop"], entry_speed_gain=3 * KT / (1000 * FT))
    (gate,) = apex_gates(fast, BIPLANE, FieldAir(np.array([0.0, 4000.0, 8000.0]) * FT), FLOOR, CUSHIONS)
    assert gate.greatest_speed[1] == pytest.approx(95 * KT)
    assert gate.planned_speed[1] == pytest.approx(97 * KT)
    assert gate.missed.tolist() == ["", "too fast", "too low"]
    slow = replace(LIBRARY["reverse_half_cuban"], entry_speed=70 * KT)
    (gate,) = apex_gates(slow, BIPLANE, FieldAir(np.array([0.0, 9000.0]) * FT), FLOOR, CUSHIONS)
    assert np.all(np.isfinite(gate.least_height))
    assert gate.missed.tolist() == ["", "never gets there"]
    # Where none is met there is none to miss.
    (gate,) = apex_gates(replace(slow, entry_speed=55 * KT), BIPLANE, FieldAir(0.0), FLOOR, CUSHIONS)
    assert np.isnan(gate.least_height)
    assert gate.missed == ""


@pytest.mark.parametrize("name", sorted({name for name, _ in GATED}))
def test_an_apex_gate_is_where_the_needle_reads_most(name: str) -> None:
    """Common practice, no source: the pilot reads the gate at the top.

    Judged further down, after a spin's turns or on a humpty bump's way down, it would be too low for the top
    by all that was lost in between.
    """
    flown = fly(LIBRARY[name], BIPLANE, FieldAir(0.0))
    begun = 0
    for index in LIBRARY[name].gate_segments:
        node, _ = nodes_of(flown.segment, index)
        end = next(i for i, s in enumerate(LIBRARY[name].segments) if i >= index and s.kind == "recover")
        _, last = nodes_of(flown.segment, end)
        assert float(flown.height[node]) > float(np.max(flown.height[begun : last + 1])) - 1.0 * FT
        begun = last


def test_a_gate_on_the_way_up_is_refused() -> None:
    """An apex gate judged while the aircraft still climbs would be no apex: told with the segment."""
    with pytest.raises(ValueError, match=r"segment 2 \(pull_to\): the gate is .* still climbs"):
        replace(LIBRARY["loop"], segments=(pull_to(90), pull_to(20, gate=True), float_to(0.0), recover()))
    for gain, path in ((30 * FT, "pivot"), (0.0, "same")):
        turn = own(2.5, gain, path=path, speed_after=20 * KT, gate=True)
        with pytest.raises(ValueError, match=r"segment 3 \(own\): the gate is .* still climbs"):
            replace(LIBRARY["hammerhead"], segments=(pull_to(90), line(speed=30 * KT), turn, recover()))


@pytest.mark.parametrize(
    "name", [n for n, f in LIBRARY.items() if any(s.kind == "recover" for s in f.segments)]
)
def test_a_gentler_recovery_costs_height_in_every_figure(name: str) -> None:
    """No figure of the library pulls out harder than its pilot says."""
    figure = LIBRARY[name]
    pushed = any(s.kind == "recover" and s.push for s in figure.segments)
    assert figure.recovery_load_factor is not None
    gentle = (
        replace(figure, push_load_factor=figure.push_load_factor + 0.8)
        if pushed
        else replace(figure, recovery_load_factor=figure.recovery_load_factor - 0.8)
    )
    planned, gentler = (float(in_hand(f, BIPLANE, FieldAir(0.0), FLOOR).height) for f in (figure, gentle))
    assert gentler < planned - 1 * FT


def test_entry_gate_height_is_where_the_cushion_just_holds() -> None:
    """Of the speeds in the gate, entered at its least height, the worst has the cushion and no more."""
    figure = LIBRARY["loop"]
    air = FieldAir(np.array([0.0, 2500.0])[:, None], np.array([0.0, 2000.0])[:, None])
    gate = entry_gate(figure, BIPLANE, FieldAir(air.density_altitude[:, 0], air.pressure_altitude[:, 0]),
                      FLOOR, CUSHIONS)  # fmt: skip
    speeds = np.linspace(gate.least_speed, gate.greatest_speed, 9, axis=-1)
    hand = in_hand(
        figure, BIPLANE, air, FLOOR, entry_speed=speeds, entry_height=gate.least_height[:, None],
        stall_margin=CUSHIONS.speed, meet_base=False,
    )  # fmt: skip
    # Lower air is thicker: the few feet are what that gives.
    np.testing.assert_allclose(hand.height.min(axis=-1), CUSHIONS.height, atol=4 * FT)
    assert np.all(gate.least_speed <= gate.planned_speed)
    assert np.all(gate.greatest_speed <= BIPLANE.never_exceed_speed * (1 + 1e-9))


@pytest.mark.parametrize("name", sorted(LIBRARY))
@pytest.mark.parametrize("field_ft", [0, 6700])
def test_entry_gate_holds_at_all_its_speeds_and_over_the_floor(name: str, field_ft: int) -> None:
    """From the least height, at either end of the speeds, the cushions and the floor are kept; any figure."""
    figure = LIBRARY[name]
    air = FieldAir(np.array([0.0, 3000.0, 8000.0]) * FT + field_ft * FT / 2, field_ft * FT)
    gate = entry_gate(figure, BIPLANE, air, FLOOR, CUSHIONS)
    known = np.isfinite(gate.least_height)
    assert np.all(gate.least_height[known] >= FLOOR - 0.01)
    wanted = CUSHIONS.height if any(s.kind == "recover" for s in figure.segments) else 0.0
    for speed in (gate.least_speed, gate.greatest_speed):
        hand = in_hand(
            figure, BIPLANE, air, FLOOR, entry_speed=np.where(np.isfinite(speed), speed, gate.planned_speed),
            entry_height=np.where(known, gate.least_height, figure.entry_height),
            stall_margin=CUSHIONS.speed, meet_base=False,
        )  # fmt: skip
        inside = known & np.isfinite(speed)
        assert np.all(hand.height[inside] >= wanted - 0.02)
        assert np.all(hand.lowest[inside] >= FLOOR - 0.02)
        assert np.all(hand.speed[inside] > CUSHIONS.speed)


def test_entry_gate_looks_from_the_stall_to_the_greatest_speed() -> None:
    """A pull-up of little: any speed but near the stall keeps its cushions, up to 185 kt whatever is planned.

    With a category ceiling of 156 kt below the never-exceed speed that is where the gate ends.
    """
    figure = replace(LIBRARY["wingover"], entry_speed=110 * KT)
    gate = entry_gate(figure, BIPLANE, FieldAir(0.0), FLOOR, CUSHIONS)
    assert float(gate.greatest_speed) / KT == pytest.approx(185.0)
    assert float(gate.least_speed) < 110 * KT
    held = replace(BIPLANE, category_speed=156 * KT)
    gate = entry_gate(figure, held, FieldAir(0.0), FLOOR, CUSHIONS)
    assert float(gate.greatest_speed) / KT == pytest.approx(156.0)


def test_the_speed_category_bounds_the_whole_figure() -> None:
    """Entered below the ceiling, past it on the way down: out, with the segment; and the limit says so."""
    figure = LIBRARY["split_s"]
    free = in_hand(figure, BIPLANE, FieldAir(0.0), FLOOR)
    ceiling = float(free.fastest) - 2 * KT
    assert figure.entry_speed < ceiling
    held = replace(BIPLANE, category_speed=ceiling)
    hand = in_hand(figure, held, FieldAir(0.0), FLOOR)
    assert str(verdict(figure, free, BIPLANE, CUSHIONS, FLOOR)) != "out"
    assert str(verdict(figure, hand, held, CUSHIONS, FLOOR)) == "out"
    assert "above the speed category of" in story(figure, hand, held)
    limit = derived_da_limit(figure, held, CUSHIONS, FLOOR)
    assert (limit.density_altitude, limit.bites) == (float("-inf"), "speed category")


def test_derived_limit_is_where_the_cushion_is_used_up() -> None:
    """Flown at the derived limit the split-S has exactly its cushion; 500 ft higher it has less."""
    figure = replace(LIBRARY["split_s"], recovery_load_factor=3.2)
    cushions = Cushions(60 * FT, 5 * KT)
    limit = derived_da_limit(figure, BIPLANE, cushions, FLOOR)
    assert limit.bites == "height in hand"
    assert 0 < limit.density_altitude < limit.searched_to
    at = FieldAir(limit.density_altitude + np.array([0.0, 500 * FT]))
    hand = in_hand(figure, BIPLANE, at, FLOOR, stall_margin=cushions.speed)
    assert hand.height[0] == pytest.approx(cushions.height, abs=0.5)
    assert hand.height[1] < cushions.height


@pytest.mark.parametrize("field_ft", [12, 5050, 6700])
def test_derived_limit_in_speed_is_never_past_the_last_air_that_keeps_it(field_ft: int) -> None:
    """Square loop, whose pull is eased to the speed cushion: the limit lies within 50 ft of its end."""
    figure = replace(LIBRARY["square_loop"], entry_speed=170 * KT)
    field, cushions = field_ft * FT, Cushions(CUSHIONS.height, 6 * KT)
    limit = derived_da_limit(figure, BIPLANE, cushions, FLOOR, pressure_altitude=field)
    assert limit.bites == "speed in hand"
    fine = limit.density_altitude + np.arange(-1500, 51, 10) * FT
    hand = in_hand(figure, BIPLANE, FieldAir(fine, field), FLOOR, stall_margin=cushions.speed)
    kept = hand.speed > cushions.speed + 1e-6
    # The last 5 of 10 ft steps lie past the limit; the figure must be lost among them, not before.
    assert np.all(kept[fine <= limit.density_altitude - 500 * FT])
    assert kept[:-5].all()
    assert not kept.all()


def test_derived_limit_names_what_bites() -> None:
    """Never-exceed through the speed carried at high fields; a cushion used up already at sea level."""
    gain = 2.0 * KT / (1000 * FT)
    fast = replace(LIBRARY["loop"], entry_speed=170 * KT, entry_speed_gain=gain)
    limit = derived_da_limit(fast, BIPLANE, CUSHIONS, FLOOR)
    # 170 + 2 kt per 1,000 ft reaches 185 kt at 7,500 ft; the last air looked at before it is 31 ft below.
    assert limit.bites == "never-exceed speed"
    assert 7500 - 31 <= limit.density_altitude / FT <= 7500
    low = derived_da_limit(LIBRARY["split_s"], BIPLANE, Cushions(900 * FT, 0.0), FLOOR)
    assert (low.density_altitude, low.bites) == (float("-inf"), "height in hand")
    passes = derived_da_limit(LIBRARY["photo_pass"], BIPLANE, CUSHIONS, FLOOR)
    assert (passes.density_altitude, passes.bites) == (float("inf"), "")


def test_derived_limit_of_a_speed_that_no_dive_reaches() -> None:
    """A draggy, weak aircraft never gets to the entry speed: that is what bites."""
    weak = replace(BIPLANE, zero_lift_drag=0.25, engine=UnblownEngine(40e3))
    figure = replace(LIBRARY["snap_roll"], entry_speed=150 * KT)
    limit = derived_da_limit(figure, weak, CUSHIONS, FLOOR)
    assert limit.bites == "entry speed never reached"


def test_an_entry_speed_that_no_dive_reaches_is_out_and_told() -> None:
    """Drag of four times as much: the figure is not "flown", however much height it would have in hand."""
    draggy = replace(BIPLANE, zero_lift_drag=0.25)
    figure = replace(LIBRARY["loop"], entry_speed=165 * KT)
    hand = in_hand(figure, draggy, FieldAir(0.0), FLOOR)
    assert hand.failure == 0
    assert str(verdict(figure, hand, draggy, CUSHIONS, FLOOR)) == "out"
    told = story(figure, hand, draggy)
    assert told == (
        "loop: never reaches its entry speed of 165 kt, even at full power in a dive at 45 degrees, before "
        "segment 1 (pull_to)"
    )
    # The dive, integrated, says the same over the library and the airs.
    air = FieldAir(np.linspace(0, 3500, 5))
    for aircraft in (BIPLANE, draggy):
        both = in_hand(list(LIBRARY.values()), aircraft, air, FLOOR)
        dived = [dive_to_entry(f, aircraft, air, dive_angle=45.0)[0] for f in LIBRARY.values()]
        np.testing.assert_array_equal(both.entry_reached, np.isfinite(np.stack(dived)))


def test_typed_and_derived_limits() -> None:
    """The more cautious is used, and the words say which and why."""
    derived = DerivedLimit(7000 * FT, "speed in hand", 4500.0)
    used, words = governing_limit(8000 * FT, derived)
    assert used == 7000 * FT
    assert "7,000 ft (speed in hand), below your own 8,000 ft" in words
    used, words = governing_limit(6000 * FT, derived)
    assert used == 6000 * FT
    assert words.startswith("your own: 6,000 ft; derived is 7,000 ft")
    # Never told as more than it is.
    _, words = governing_limit(np.nan, DerivedLimit(6999.7 * FT, "floor", 14000 * FT))
    assert words.startswith("derived: 6,999 ft")
    assert governing_limit(float("nan"), derived)[0] == 7000 * FT
    assert governing_limit(6000 * FT, DerivedLimit(float("-inf"), "floor", 1.0))[0] == float("-inf")
    assert governing_limit(6000 * FT, DerivedLimit(float("inf"), "", 1.0))[0] == 6000 * FT


def test_a_figure_is_not_flown_past_the_end_of_a_power_table() -> None:
    """A table that ends at 3,000 ft: the loop's top stands about 1,100 ft above its field and reaches it.

    Nothing is extrapolated: the limit is where the top of the figure meets the end of the table, and says so.
    """
    feet = np.array([0.0, 1500.0, 3000.0]) * FT
    table = replace(BIPLANE, engine=TableEngine(tuple(feet), (335e3, 328e3, 320e3)))
    limit = derived_da_limits([LIBRARY["loop"]], table, CUSHIONS, FLOOR)[0][0]
    assert limit.bites == "engine's power table ends"
    below = in_hand(LIBRARY["loop"], table, FieldAir(limit.density_altitude), FLOOR)
    assert below.failure == 0
    assert float(limit.density_altitude + below.highest) == pytest.approx(3000 * FT, abs=60 * FT)
    past = in_hand(LIBRARY["loop"], table, FieldAir(2800 * FT), FLOOR)
    assert "climbs past the end of the engine's power table" in story(LIBRARY["loop"], past, table)
    assert str(verdict(LIBRARY["loop"], past, table, CUSHIONS, FLOOR)) == "out"


def test_loop_off_the_take_off_thin_in_the_evening_out_in_the_afternoon() -> None:
    """A published accident (NTSB WPR16FA169, 2016, a secondary report): field 2,437 ft, late August.

    A re-engined large biplane looped at about 20:00 with little to spare and failed the next day at
    14:25, straight off the take-off. Air temperatures of 27 and 38 °C, standard pressure and dry air are
    assumed: 3.5 % in density. From the planned entry both airs are flown with the cushions there: density
    alone does not decide. Straight off the take-off the climb-out gives a third of the kinetic energy, and
    less of it in the afternoon. There is then a stretch of pull-up points, 200 ft of runway or more, from
    which the evening's loop gets over the top with its pull eased to the speed cushion and the afternoon's
    does not get over the top. Nothing about the aircraft was fitted to this case.
    """
    pressure = 101325.0 * (1 - 0.0065 * 2437 * FT / 288.15) ** 5.2558797
    airs = density_altitude(pressure, np.array([27.0, 38.0]) + 273.15)
    air = FieldAir(airs, 2437 * FT)
    ratio = standard_density(airs[1]) / standard_density(airs[0])
    assert 0.955 < ratio < 0.97
    loop = LIBRARY["loop"]
    planned = in_hand(loop, BIPLANE, air, FLOOR, stall_margin=CUSHIONS.speed)
    assert verdict(loop, planned, BIPLANE, CUSHIONS, FLOOR).tolist() == ["in", "in"]

    run = take_off_distance(BIPLANE, air, book_distance=800 * FT, book_mass=1315.0, lift_off_speed=55 * KT)

    def off(distance: float) -> list[str]:
        hand = off_take_off(
            loop, BIPLANE, air, FLOOR, pull_up_distance=distance * FT, ground_run=run,
            lift_off_speed=55 * KT, stall_margin=CUSHIONS.speed,
        )  # fmt: skip
        return list(verdict(loop, hand, BIPLANE, CUSHIONS, FLOOR))

    order = ["out", "thin", "in"]
    stretch = 0
    for distance in range(2500, 9000, 50):
        evening, afternoon = off(distance)
        # Whatever the distance, the afternoon is never better than the evening.
        assert order.index(afternoon) <= order.index(evening)
        stretch += 50 * (evening == "thin" and afternoon == "out")
    assert stretch >= 200


def test_ground_after_the_recovery_is_out() -> None:
    """A recovery with height in hand, then a segment of the pilot's own 1,250 ft down: that is through it."""
    split_s = LIBRARY["split_s"]
    down = replace(split_s, segments=(*split_s.segments, own(2.0, height_change=-1250 * FT)))
    for figure, said in ((split_s, {"in", "thin"}), (down, {"out"})):
        hand = in_hand(figure, BIPLANE, FieldAir(0.0), FLOOR, stall_margin=CUSHIONS.speed)
        assert float(hand.height) > 0
        assert (float(hand.lowest) < FLOOR) == (figure is down)
        assert str(verdict(figure, hand, BIPLANE, CUSHIONS, FLOOR)) in said


def test_a_tailwind_shortens_the_climb_out() -> None:
    """Ten knots behind: less air is flown through to the same tree, so the figure is entered slower."""
    entries = [
        float(
            off_take_off(
                LIBRARY["loop"], BIPLANE, FieldAir(0.0), FLOOR, pull_up_distance=4500 * FT,
                ground_run=800 * FT, lift_off_speed=62 * KT, tailwind=wind * KT,
            ).flown.equivalent_airspeed[0]
        )
        for wind in (-10.0, 0.0, 10.0)
    ]  # fmt: skip
    assert entries[0] == entries[1] > entries[2]


def test_a_climb_out_that_never_gets_there_is_out() -> None:
    """Pulling up before the wheels have left the ground is not flown."""
    hand = off_take_off(
        LIBRARY["loop"], BIPLANE, FieldAir(0.0), FLOOR, pull_up_distance=200.0, ground_run=300.0,
        lift_off_speed=55 * KT,
    )  # fmt: skip
    assert verdict(LIBRARY["loop"], hand, BIPLANE, CUSHIONS, FLOOR) == "out"


def test_dive_to_the_entry_speed_grows_with_density_altitude() -> None:
    """Common practice, no source: a longer dive and several knots more at high fields."""
    air = FieldAir(np.array([0.0, 6000 * FT]))
    used, seconds = dive_to_entry(LIBRARY["square_loop"], BIPLANE, air)
    assert used[0] > 0
    assert used[1] > used[0] + 100 * FT
    assert seconds[1] > seconds[0]
    level = replace(LIBRARY["slow_roll"], entry_speed=100 * KT)
    np.testing.assert_array_equal(dive_to_entry(level, BIPLANE, air)[0], 0.0)


def test_dive_agrees_with_the_equations_of_motion() -> None:
    """The same dive flown by the figures' integrator, in uniform air."""
    figure = Figure(
        "dive",
        (line(speed=160 * KT), own(0.0, path="same"), pull_to(0)),
        120 * KT,
        900.0,
        1.0,
        entry_climb_angle=-30.0,
    )
    air = FieldAir(1000.0, uniform=True)
    flown = fly(figure, BIPLANE, air, degrees_per_node=2.0)
    end = int(np.count_nonzero(flown.segment == 0)) - 1
    from pipeline.flight.runway import dive

    lost, seconds = dive(BIPLANE, air, 120 * KT, 160 * KT, 30.0)
    assert float(lost) == pytest.approx(900 - float(flown.height[end]), abs=0.05)
    assert float(seconds) == pytest.approx(float(flown.time[end]), abs=0.005)


def test_what_the_aircraft_forbids_is_told_by_key() -> None:
    """Entry above never-exceed; working g beyond the structure; entry below the stall."""
    fast = replace(LIBRARY["loop"], entry_speed=200 * KT)
    assert [key for key, _ in figure_faults(fast, BIPLANE)] == ["entry_speed_kt"]
    assert "above the never-exceed speed, 185 kt" in figure_faults(fast, BIPLANE)[0][1]
    slowed = replace(BIPLANE, category_speed=140 * KT)
    assert "speed category, 140 kt" in figure_faults(LIBRARY["loop"], slowed)[0][1]
    hard = replace(LIBRARY["loop"], working_load_factor=7.0)
    assert [key for key, _ in figure_faults(hard, BIPLANE)] == ["working_g"]
    push = replace(LIBRARY["outside_loop"], push_load_factor=-5.0)
    assert [key for key, _ in figure_faults(push, BIPLANE)] == ["push_g"]
    slow = replace(LIBRARY["slow_roll"], entry_speed=30 * KT)
    assert [key for key, _ in figure_faults(slow, BIPLANE)] == ["entry_speed_kt"]


@pytest.mark.parametrize(
    ("figure", "limits", "key", "held"),
    [
        (LIBRARY["inverted_pass"], {"min_load_factor": -0.5}, "segments[0]", "-1.0 g to hold the path"),
        (LIBRARY["slow_roll"], {"min_load_factor": -0.5}, "segments[0]", "-1.0 g to hold the path"),
        (LIBRARY["half_cuban"], {"min_load_factor": -0.5}, "segments[5]", "-0.7 g to hold the path"),
        # 1/cos 78° = 4.81
        (
            replace(LIBRARY["photo_pass"], segments=(hold(seconds=8.0, bank=78.0),), entry_speed=150 * KT),
            {"max_load_factor": 3.8},
            "segments[0].bank_deg",
            "+4.8 g to hold bank +78°",
        ),
    ],
)
def test_a_path_that_the_structure_cannot_hold_is_out(
    figure: Figure, limits: dict[str, float], key: str, held: str
) -> None:
    """Level flight inverted is -1 g, and a level turn 1/cos(bank): no less will do, whatever is clipped."""
    assert figure_faults(figure, BIPLANE) == []
    limited = replace(BIPLANE, **limits)  # type: ignore[arg-type]
    fault = next(f for f in figure_faults(figure, limited) if "to hold" in f[1])
    assert fault[0] == key
    assert held in fault[1]
    hand = in_hand(figure, limited, FieldAir(0.0), FLOOR)
    assert str(verdict(figure, hand, limited, CUSHIONS, FLOOR)) == "out"
    assert "outside the aircraft's limits to hold the path, in segment" in story(figure, hand, limited)


def test_a_vertical_line_is_held_without_load() -> None:
    """cos 90° is not quite nothing in floating point: no negative load factor is asked for by that."""
    upright = replace(BIPLANE, min_load_factor=-1e-12)
    assert [f for f in figure_faults(LIBRARY["hammerhead"], upright) if "to hold" in f[1]] == []
    assert in_hand(LIBRARY["hammerhead"], upright, FieldAir(0.0), FLOOR).failure == 0


def test_a_steep_line_flown_too_slow_is_out() -> None:
    """On a 60° line the wing carries half the weight, so it stalls at √½ of the level stalling speed.

    Held until well below that there is no speed in hand; on the vertical nothing is carried.
    """
    slow = 0.5 * float(stall_speed(BIPLANE))
    for angle, out in ((60, True), (90, False)):
        figure = Figure(
            "line",
            (pull_to(angle), line(speed=slow), own(2.5, path="pivot", speed_after=20 * KT),
             line(speed=105 * KT), recover()),
            145 * KT, 500 * FT, 500 * FT,
        )  # fmt: skip
        hand = in_hand(figure, BIPLANE, FieldAir(0.0), FLOOR)
        assert hand.failure == 0
        assert bool(hand.speed < 0) == out
        assert ("slower than the loaded stall" in story(figure, hand, BIPLANE)) == out


def test_a_half_roll_into_the_pull_asks_for_no_inverted_flight() -> None:
    """A split-S rolls and pulls: nothing in it is held inverted, and no negative load factor is needed."""
    upright = replace(BIPLANE, min_load_factor=-0.1)
    assert figure_faults(LIBRARY["split_s"], upright) == []
    assert in_hand(LIBRARY["split_s"], upright, FieldAir(0.0), FLOOR).failure == 0


def test_a_roll_is_judged_where_the_wing_has_least() -> None:
    """A slow roll is inverted half the time: over the stall at -1 g, which is the faster one.

    V_stall = √(2 m g / (ρ0 S CL)): with 0.8 of the lift inverted, 1/√0.8 = 1.118 of the upright one.
    """
    figure = LIBRARY["slow_roll"]
    weak = replace(BIPLANE, max_lift_inverted=0.8 * BIPLANE.max_lift)
    hand = in_hand(figure, weak, FieldAir(0.0), FLOOR)
    stall = float(stall_speed(weak)) / np.sqrt(0.8)
    slowest = float(np.min(hand.flown.equivalent_airspeed))
    assert float(hand.speed) == pytest.approx(slowest - stall, abs=1e-6)


def test_speed_in_hand_is_the_least_of_every_held_path() -> None:
    """Over the top of a square loop the pull at its slowest point has more in hand than the hold after it.

    The pull asks +1.3 g of a lift of 1.5: its stall is √(1.3) of the upright one. Inverted level asks -1 g of
    a lift of 1.05: √(1.5/1.05) of it, the faster one. A steep bank after a loop asks more still: at 76°
    1/cos 76° = 4.13 g, √4.13 = 2.033 of the upright stall. And a figure's own entry counts.
    """
    stall = float(stall_speed(BIPLANE))
    square = in_hand(LIBRARY["square_loop"], BIPLANE, FieldAir(0.0), FLOOR)
    held = square.flown.equivalent_airspeed[square.flown.segment == 3]
    assert float(square.speed) == pytest.approx(float(held.min()) - stall * np.sqrt(1.5 / 1.05), abs=0.02)

    loop = LIBRARY["loop"]
    banked = replace(loop, segments=(*loop.segments, hold(seconds=3.0, bank=76.0), hold(seconds=0.1)))
    steep = in_hand(banked, BIPLANE, FieldAir(0.0), FLOOR)
    held = steep.flown.equivalent_airspeed[steep.flown.segment == 5]
    needed = stall / np.sqrt(np.cos(np.radians(76.0)))
    assert float(steep.speed) == pytest.approx(float(held.min()) - needed, abs=1e-6)
    assert float(steep.speed) < float(in_hand(loop, BIPLANE, FieldAir(0.0), FLOOR).speed) - 5 * KT

    split = in_hand(LIBRARY["split_s"], BIPLANE, FieldAir(2500.0), FLOOR)
    assert float(split.speed) == pytest.approx(85 * KT - stall, abs=1e-6)


@pytest.mark.parametrize("name", sorted(LIBRARY))
def test_what_is_in_hand_does_not_depend_on_where_the_nodes_lie(name: str) -> None:
    """Flown in steps a tenth as wide: speed in hand within 0.4 kt, lowest and highest within 2 ft.

    A float's slowest point lies between two nodes: within 0.05 kt.
    """
    air = FieldAir(np.array([0.0, 2500.0]))
    coarse = in_hand(LIBRARY[name], BIPLANE, air, FLOOR, stall_margin=CUSHIONS.speed)
    fine = fly(LIBRARY[name], BIPLANE, air, stall_margin=CUSHIONS.speed, degrees_per_node=2.0)
    speed = np.min(inhand._speeds_in_hand(fine, BIPLANE), axis=0)
    floats = name in ("humpty_bump", "tumble", "wingover")
    np.testing.assert_allclose(coarse.speed, speed, atol=(0.05 if floats else 0.4) * KT)
    np.testing.assert_allclose(coarse.lowest, fine.lowest, atol=2.0 * FT)
    np.testing.assert_allclose(coarse.highest, fine.highest, atol=2.0 * FT)


def test_a_lowest_point_between_two_nodes_is_found() -> None:
    """A dive of 45° pulled straight into a climb of 45° has its bottom between, and its greatest speed too.

    Against steps a twentieth as wide, in which they lie at a node. An outside loop's greatest speed likewise.
    """
    figure = Figure(
        "vee",
        (push_to(-45), line(height=900 * FT), pull_to(45), line(seconds=1.0), push_to(0)),
        130 * KT, 2000 * FT, 500 * FT,
    )  # fmt: skip
    coarse = in_hand(figure, BIPLANE, FieldAir(2500.0), FLOOR)
    fine = fly(figure, BIPLANE, FieldAir(2500.0), degrees_per_node=1.0)
    assert float(np.min(coarse.flown.height)) > float(fine.lowest) + 10 * FT
    assert float(coarse.lowest) == pytest.approx(float(fine.lowest), abs=2.5 * FT)
    assert float(coarse.height) == pytest.approx(float(coarse.lowest) - FLOOR)
    outside = replace(LIBRARY["outside_loop"], entry_speed=110 * KT)
    coarse = in_hand(outside, BIPLANE, FieldAir(0.0), FLOOR)
    fine = fly(outside, BIPLANE, FieldAir(0.0), degrees_per_node=1.0)
    assert float(np.max(coarse.flown.equivalent_airspeed)) < float(fine.fastest) - 0.1 * KT
    assert float(coarse.fastest) == pytest.approx(float(fine.fastest), abs=0.05 * KT)


def test_what_is_told_is_rounded_to_the_safe_side() -> None:
    """A pass 0.4 ft over the floor has nothing in hand, one 0.4 ft under it breaks it by a foot."""
    figure = Figure("pass", (hold(seconds=3.0),), 120 * KT, 250 * FT, 250 * FT)
    for floor_ft, told in ((249.6, "flown, 0 ft in hand"), (250.4, "breaks the floor by 1 ft")):
        hand = in_hand(figure, BIPLANE, FieldAir(0.0), floor_ft * FT)
        assert told in story(figure, hand, BIPLANE)
    slow = replace(BIPLANE, never_exceed_speed=119.7 * KT)
    assert "reaches 120 kt, above" in story(figure, in_hand(figure, slow, FieldAir(0.0), 0.0), slow)


def test_speed_in_hand_of_level_flight() -> None:
    """Airspeed less stall: in a pass nothing else."""
    figure = Figure("pass", (hold(seconds=3.0),), 120 * KT, 200.0, 200.0)
    hand = in_hand(figure, BIPLANE, FieldAir(0.0), 100.0)
    assert float(hand.speed) == pytest.approx(120 * KT - float(stall_speed(BIPLANE)), abs=1e-6)
    banked = Figure("pass", (hold(seconds=3.0, bank=60.0),), 110 * KT, 200.0, 200.0)
    hand = in_hand(banked, BIPLANE, FieldAir(0.0), 100.0)
    assert float(hand.flown.load_factor[-1]) == pytest.approx(2.0)


def test_sheet_holds_what_the_screen_shows() -> None:
    """Shapes, and a slider move - the venue's air alone - in under 0.2 s of processor time."""
    figure = LIBRARY["loop"]
    page = sheet(figure, BIPLANE, FieldAir(2100.0, 1700.0), FLOOR, CUSHIONS, pressure_altitude=1700.0)
    assert page.curves.height.shape == page.density_altitudes.shape == (13,)
    (apex,) = page.apexes
    assert apex.least_height.shape == page.entry.least_height.shape == (13,)
    assert page.sea_level.flown.height.ndim == 1
    assert np.all(np.isfinite(page.dive_height))
    assert sheet(LIBRARY["photo_pass"], BIPLANE, FieldAir(0.0), FLOOR, CUSHIONS).apexes == ()

    start = time.process_time()
    in_hand(figure, BIPLANE, FieldAir(2200.0, 1700.0), FLOOR, stall_margin=CUSHIONS.speed)
    apex_gates(figure, BIPLANE, FieldAir(2200.0, 1700.0), FLOOR, CUSHIONS)
    assert time.process_time() - start < 0.2
