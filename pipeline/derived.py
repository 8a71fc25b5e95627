"""Limits that the physics of the flight sets, beside those that the pilot states; the more cautious is used.

A season folder with ``aircraft.yaml`` and ``figures.yaml`` has, for each figure, a density altitude at which
one of the pilot's cushions is used up. It is derived at every booked field, since a blown engine's power
depends on the pressure too, and over its own floor: where a waiver's is above the pilot's the figures are
flown that much higher. The lowest of them stands; a field's own limit counts only where its air can be that
thin.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline import __version__
from pipeline.air.variables import FT
from pipeline.decisions.limits import NEVER_FLOWN, Curves
from pipeline.results import keep_copy

if TYPE_CHECKING:
    from pipeline.flight.aircraft import Aircraft
    from pipeline.flight.figures import Figure
    from pipeline.flight.inhand import Cushions, DerivedLimit
    from pipeline.flight_inputs import FlightInputs
    from pipeline.inputs import Season

__all__ = ["UsedLimits", "capped", "lowest_limits", "used_limits"]

FloatArray = npt.NDArray[np.floating]

_WIDTH = 1500.0 * FT
"""From comfortable to a derived limit where the pilot states none; common practice, no source."""
_REACH = 5000.0 * FT
"""No field's density altitude stands higher above it [m]: that is some 42 °C above standard."""
_VERSION = 9
"""Rises when limits come out otherwise from the same files, so that kept ones are made again."""


@dataclass(frozen=True)
class UsedLimits:
    """Limits in density altitude with their reasons.

    Attributes
    ----------
    curves
        What the chances use.
    own
        The pilot's own, as stated or as the log shows them, before what the flight's physics allow.
    derived
        Derived limit, (figure,) [m]; NaN where nothing is derived, inf where no cushion is used up.
    reasons
        In words, (figure,); empty where the figure has no limit in density altitude.
    """

    curves: Curves
    own: Curves
    derived: FloatArray
    reasons: tuple[str, ...]


def used_limits(season: Season, curves: Curves, cache: Path) -> UsedLimits:
    """The pilot's limits with the derived ones where these are more cautious.

    Parameters
    ----------
    season
        The season; a folder without flight files leaves the limits as they are stated.
    curves
        As the pilot states them.
    cache
        Where derived limits are kept, by a digest of all that decides them.

    Raises
    ------
    InputError
        A mistake in the flight files.
    """
    from pipeline.flight_inputs import season_flight

    flight = season_flight(season)
    stated = curves.limit["density_altitude"]
    if flight is None:
        unchanged = tuple("" if np.isnan(one) else "as the pilot states it" for one in stated)
        return UsedLimits(curves, curves, np.full(stated.shape, np.nan), unchanged)
    derived = _derived(season, flight, curves.names, cache)
    comfortable, limit = curves.comfortable["density_altitude"].copy(), stated.copy()
    reasons: list[str] = []
    for f, found in enumerate(derived):
        comfortable[f], limit[f], words = capped(float(comfortable[f]), float(limit[f]), found)
        reasons.append(words)
    return UsedLimits(
        Curves(
            curves.names,
            dict(curves.comfortable) | {"density_altitude": comfortable},
            dict(curves.limit) | {"density_altitude": limit},
            curves.two_amber_is_red,
        ),
        curves,
        np.array([d.density_altitude for d in derived]),
        tuple(reasons),
    )


def capped(comfortable: float, limit: float, derived: DerivedLimit) -> tuple[float, float, str]:
    """The more cautious of a stated pair and a derived limit, SI, and why in words.

    Parameters
    ----------
    comfortable, limit
        As the pilot states them; NaN where no limit in density altitude is stated.
    derived
        Where the flight's physics use up a cushion.
    """
    from pipeline.flight.inhand import governing_limit

    used, words = governing_limit(limit, derived)
    if not used < (np.inf if np.isnan(limit) else limit):
        return comfortable, limit, words
    used = max(used, NEVER_FLOWN)
    width = _WIDTH if np.isnan(limit) else limit - comfortable
    return used - width, used, words


def _fields(season: Season) -> list[tuple[float, float]]:
    """Floor above the field and elevation [m] of every booked venue."""
    venues = [v for v in season.venues if any(b.venue == v.id for b in season.bookings)]
    return sorted({(season.floor_agl_ft(v) * FT, v.elevation) for v in venues})


def lowest_limits(
    season: Season, aircraft: Aircraft, cushions: Cushions, figures: Sequence[Figure]
) -> list[DerivedLimit]:
    """The lowest limit of each figure over the booked fields whose air can be that thin.

    Parameters
    ----------
    season
        Its venues and floors.
    aircraft, cushions
        What is flown, and what is to be left over.
    figures
        As flown over the pilot's own floor; over a higher one they are raised.
    """
    from pipeline.flight.inhand import derived_da_limits

    fields = _fields(season)
    floors, elevations = np.array([floor for floor, _ in fields]), [elevation for _, elevation in fields]
    by_field = derived_da_limits(
        figures,
        aircraft,
        cushions,
        floors,
        elevations,
        raised=floors - season.pilot.floor_agl_ft * FT,
        closely_to=np.array(elevations) + _REACH,
    )
    reached = [
        [_reachable(limit, elevation) for limit in row]
        for row, elevation in zip(by_field, elevations, strict=True)
    ]
    # Where none is in reach, no field has one as far as any was looked at.
    return [
        min(each, key=lambda d: (d.density_altitude, d.searched_to)) for each in zip(*reached, strict=True)
    ]


def _derived(season: Season, flight: FlightInputs, names: Sequence[str], cache: Path) -> list[DerivedLimit]:
    """`lowest_limits`, from the cache if nothing changed."""
    from pipeline.flight.inhand import DerivedLimit

    own, fields = season.pilot.floor_agl_ft * FT, _fields(season)
    digest = hashlib.sha256(json.dumps([__version__, _REACH, _VERSION, list(names), own, fields]).encode())
    for file in ("aircraft.yaml", "figures.yaml"):
        digest.update((season.folder / file).read_bytes())
    path = cache / "derived" / f"{digest.hexdigest()[:24]}.json"
    held = _held(path, len(names))
    if held is None:
        figures = [flight.figures[name] for name in names]
        lowest = lowest_limits(season, flight.aircraft, flight.cushions, figures)
        held = [[_plain(d.density_altitude), d.bites, d.searched_to] for d in lowest]
        keep_copy(path, json.dumps(held).encode())
    return [DerivedLimit(float(da), str(bites), float(to)) for da, bites, to in held]


def _reachable(limit: DerivedLimit, field: float) -> DerivedLimit:
    """A field's limit, or none up to there where its air is never that thin."""
    if limit.density_altitude <= field + _REACH:
        return limit
    return type(limit)(np.inf, "", min(limit.density_altitude, limit.searched_to))


def _plain(value: float) -> float | str:
    """A number as JSON can hold it: infinities as text, which float() reads."""
    return value if np.isfinite(value) else str(value)


def _held(path: Path, figures: int) -> list[Any] | None:
    """Derived limits kept earlier; None where there are none, or they cannot be read and are made again."""
    try:
        held = json.loads(path.read_bytes())
        good = len(held) == figures and all(len(row) == 3 and float(row[0]) == float(row[0]) for row in held)
    except (OSError, ValueError, TypeError):
        return None
    return held if good else None
