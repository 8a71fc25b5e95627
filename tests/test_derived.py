"""Limits from the physics of the flight, over a season's fields and their floors."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import numpy as np
import pytest

from pipeline.air.variables import FT
from pipeline.derived import lowest_limits, used_limits
from pipeline.flight.inhand import derived_da_limits
from pipeline.flight_inputs import season_flight
from pipeline.inputs import demo_folder, load_season
from pipeline.run import curves_of


def test_a_venue_s_higher_floor_is_in_the_limits_that_the_chances_use(tmp_path: Path) -> None:
    """The square loop flown 500 ft higher over the highest field: its speed is used up in denser air there.

    The limit is that of the figure as it will be flown at each field, the lowest of them, found here field by
    field; a floor that no field has plays no part.
    """
    folder = tmp_path / "season"
    shutil.copytree(demo_folder(), folder)
    plain = load_season(folder)
    highest = max(
        (v for v in plain.venues if any(b.venue == v.id for b in plain.bookings)), key=lambda v: v.elevation
    )
    file = folder / "venues" / f"{highest.id}.yaml"
    file.write_text(file.read_text() + "\nfloor_agl_ft: 750\n")
    raised = load_season(folder)
    flight = season_flight(raised)
    assert flight is not None
    own = raised.pilot.floor_agl_ft * FT
    square = flight.figures["Square loop"]
    booked = [v for v in raised.venues if any(b.venue == v.id for b in raised.bookings)]
    each = []
    for venue in booked:
        floor = raised.floor_agl_ft(venue) * FT
        limit = derived_da_limits(
            [square.raised(floor - own)], flight.aircraft, flight.cushions, floor, [venue.elevation]
        )[0][0].density_altitude
        each.append(limit if limit <= venue.elevation + 5000 * FT else np.inf)
    at = curves_of(raised).names.index("Square loop")
    used = used_limits(raised, curves_of(raised), tmp_path / "cache").derived[at]
    assert used == pytest.approx(min(each), abs=0.01)
    assert each[booked.index(raised.venue(highest.id))] == min(each)
    assert used < used_limits(plain, curves_of(plain), tmp_path / "cache").derived[at] - 100 * FT

    # A slider's move flies a figure over all fields at once, quickly; where no field's air is as thin as its
    # limit, nothing is said beyond the lowest of these.
    eight = flight.figures["Cuban eight"]
    lowest_limits(plain, flight.aircraft, flight.cushions, [eight])
    start = time.process_time()
    (found,) = lowest_limits(plain, flight.aircraft, flight.cushions, [eight])
    assert time.process_time() - start < 0.2
    alone = []
    for venue in (plain.venue(v.id) for v in booked):
        floor = plain.floor_agl_ft(venue) * FT
        (limit,) = derived_da_limits(
            [eight.raised(floor - own)], flight.aircraft, flight.cushions, floor, [venue.elevation]
        )[0]
        assert limit.density_altitude > venue.elevation + 5000 * FT
        alone.append(min(limit.density_altitude, limit.searched_to))
    assert found.density_altitude == np.inf
    assert min(alone) - 500 * FT <= found.searched_to <= min(alone) + 0.01
