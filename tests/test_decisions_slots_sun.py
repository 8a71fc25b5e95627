"""Where the sun stands, and whose eyes it is in."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from astral import Observer
from astral import sun as astral_sun

from pipeline.air import sun


def test_sun_against_the_nrel_test_case() -> None:
    """NREL/TP-560-34302 (SPA), A.5: 2003-10-17 12:30:30 UTC-7, 39.742476 N 105.1786 W, 820 hPa, 11 °C.

    Zenith 50.11162°, azimuth 194.34024°; the method here claims 0.01°.
    """
    azimuth, elevation = sun.solar_position(np.datetime64("2003-10-17T19:30:30"), 39.742476, -105.1786)
    apparent = sun.apparent_elevation(elevation, 82_000.0, 284.15)
    assert 90.0 - float(apparent) == pytest.approx(50.11162, abs=0.01)
    assert float(azimuth) == pytest.approx(194.34024, abs=0.01)


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(40.0, -105.0), (60.0, 10.0), (-35.0, 150.0), (12.0, 77.0)]
)
def test_sun_against_another_library(latitude: float, longitude: float) -> None:
    """Against astral (NOAA's equations, good to about 0.01°) over a year, without refraction."""
    observer = Observer(latitude, longitude, 0)
    for day in range(0, 365, 17):
        for hour in (0, 7, 15, 20):
            at = dt.datetime(2027, 1, 1, hour, tzinfo=dt.UTC) + dt.timedelta(days=day)
            azimuth, elevation = sun.solar_position(
                np.datetime64(at.replace(tzinfo=None)), latitude, longitude
            )
            assert float(elevation) == pytest.approx(
                astral_sun.elevation(observer, at, with_refraction=False), abs=0.02
            )
            turn = (float(azimuth) - astral_sun.azimuth(observer, at) + 180.0) % 360.0 - 180.0
            assert abs(turn) * np.cos(np.radians(float(elevation))) < 0.02


def test_twilight_names() -> None:
    """Sunset at -0.833° of the centre, civil twilight to -6° (US Naval Observatory's definitions)."""
    assert sun.daylight([10.0, -0.8, -0.9, -5.9, -6.1]).tolist() == [
        "day", "day", "civil twilight", "civil twilight", "night",
    ]  # fmt: skip


def test_refraction_at_the_horizon_is_about_half_a_degree() -> None:
    """Meeus, Astronomical Algorithms ch. 16: about 29' at a true elevation of 0, under 1' above 45°."""
    assert float(sun.apparent_elevation(0.0)) == pytest.approx(29.0 / 60.0, abs=1.0 / 60.0)
    assert 0.0 < float(sun.apparent_elevation(50.0)) - 50.0 < 1.0 / 60.0


def test_whose_eyes_it_is_in() -> None:
    """By hand: a low western sun is in the eyes of a pilot flying west, and of a crowd looking west."""
    assert bool(sun.in_view(270.0, 10.0, 275.0))
    assert not bool(sun.in_view(270.0, 10.0, 95.0))
    assert not bool(sun.in_view(270.0, 60.0, 270.0))  # overhead
    assert not bool(sun.in_view(270.0, -3.0, 270.0))  # set
    # Line 360°, crowd on the right (east of it): the crowd looks west.
    assert float(sun.crowd_look_direction(360.0, True)) == 270.0
    assert float(sun.crowd_look_direction(360.0, False)) == 90.0
    # Angle between a level look and a sun 24° up and 20° aside: acos(cos 24° cos 20°) = 30.9°, over 30.
    assert not bool(sun.in_view(290.0, 24.0, 270.0))
    assert bool(sun.in_view(290.0, 22.0, 270.0))  # acos(cos 22° cos 20°) = 29.4°
