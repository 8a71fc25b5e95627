"""Air and its seasonal cycle without the project's code: MetPy, `ambiance`, least squares."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

FT = 0.3048


def density_altitude_ft(station_pa: Any, kelvin: Any, dew_kelvin: Any) -> np.ndarray:
    """Altitude by `ambiance` of the moist density by MetPy [ft]; NaN where any is missing."""
    import ambiance
    import metpy.calc as mpcalc
    from metpy.units import units

    pressure = units.Quantity(np.asarray(station_pa, dtype=float), "Pa")
    temperature = units.Quantity(np.asarray(kelvin, dtype=float), "K")
    dew = units.Quantity(np.asarray(dew_kelvin, dtype=float), "K")
    ratio = mpcalc.mixing_ratio(mpcalc.saturation_vapor_pressure(dew), pressure)
    rho = np.atleast_1d(mpcalc.density(pressure, temperature, ratio).to("kg/m^3").magnitude)
    held = np.isfinite(rho)
    height = np.full(rho.shape, np.nan)
    height[held] = ambiance.Atmosphere.from_density(rho[held]).H / FT
    return height


def moved(values: pd.Series, booked: pd.Timestamp) -> pd.Series:
    """Reports moved to a booked UTC hour by the record's own cycle: three harmonics at each hour of day.

    The project's stated method for a record too short for a trend, fitted here by one ordinary least-squares
    fit an hour of day.
    """

    def basis(times: Any) -> np.ndarray:
        days = np.asarray((pd.DatetimeIndex(times).normalize() - pd.Timestamp(0)).days)
        phase = 2.0 * np.pi * (days + 0.5) / 365.2425
        waves = (f(k * phase) for k in (1, 2, 3) for f in (np.cos, np.sin))
        return np.stack([np.ones_like(phase), *waves], axis=-1)

    cycle = pd.Series(np.nan, values.index)
    at_booked = np.nan
    for hour, held in values.dropna().groupby(values.dropna().index.hour):
        fit, *_ = np.linalg.lstsq(basis(held.index), held.to_numpy(), rcond=None)
        cycle[held.index] = basis(held.index) @ fit
        if hour == booked.hour:
            at_booked = float((basis([booked]) @ fit)[0])
    return values + at_booked - cycle


def limit_in_a_gap(values: pd.Series, *, least_gap: float = 24.0) -> float:
    """A limit with no value near it: the middle of the widest gap in the upper half of the values."""
    ordered = np.sort(values.dropna().to_numpy())
    upper = ordered[len(ordered) // 2 : -len(ordered) // 10]
    at = int(np.argmax(np.diff(upper)))
    assert upper[at + 1] - upper[at] > least_gap, "no gap wide enough to tell rounding from weather"
    return float(0.5 * (upper[at] + upper[at + 1]))
