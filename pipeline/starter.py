"""A first season as text: one venue, one booking and a routine out of a short list, to be read and edited.

Every limit here is only somewhere to start: on the cautious side, nobody's, and marked so in the text.
"""

from __future__ import annotations

import datetime as dt
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.inputs import check_season
from pipeline.settings import Fault, in_digits, written

__all__ = [
    "FIGURES",
    "KnownAirfield",
    "StartBooking",
    "StartFigure",
    "StartStation",
    "StartVenue",
    "known_airfield",
    "mistakes",
    "season_files",
    "short_name",
]

_MARK = "starting value, yours to set"


@dataclass(frozen=True)
class StartFigure:
    """A figure of the list.

    Attributes
    ----------
    name
        What the routine calls it.
    figure
        What the trade calls it, as `pipeline.inputs.TRADE_FIGURES` has it.
    seconds, crowd_value
        As in ``routine.yaml``.
    limits
        Comfortable and limit by key of ``routine.yaml``.
    """

    name: str
    figure: str
    seconds: int
    crowd_value: int
    limits: Mapping[str, tuple[int, int]]


# Judgements, no source: a vertical figure is given up first in thin air, a pass low over the line first in
# rough air. Figures that end near the ground, or with the wing stalled, are left for the pilot to add.
_WIND = {"wind_toward_crowd_kt": (8, 14), "gust_kt": (18, 25), "gust_spread_kt": (8, 12)}
_ROLLING = {"density_altitude_ft": (5000, 7000)} | _WIND
_LOOPING = {"density_altitude_ft": (4000, 6000)} | _WIND
_VERTICAL = {"density_altitude_ft": (3500, 5500)} | _WIND
_EXACTING = {
    "density_altitude_ft": (3000, 5000),
    "wind_toward_crowd_kt": (8, 12),
    "gust_kt": (16, 22),
    "gust_spread_kt": (7, 10),
}

FIGURES: tuple[StartFigure, ...] = (
    StartFigure("Opening pass", "photo_pass", 38, 4, _WIND),
    StartFigure("Wingover", "wingover", 32, 3, _ROLLING),
    StartFigure("Loop", "loop", 36, 6, _LOOPING),
    StartFigure("Barrel roll", "barrel_roll", 32, 3, _ROLLING),
    StartFigure("Half Cuban", "half_cuban", 34, 4, _LOOPING),
    StartFigure("Cuban eight", "cuban_eight", 62, 6, _LOOPING),
    StartFigure("Slow roll", "slow_roll", 36, 5, _ROLLING),
    StartFigure("Point roll", "point_roll", 36, 5, _ROLLING),
    StartFigure("Immelmann", "immelmann", 40, 5, _LOOPING),
    StartFigure("Hammerhead", "hammerhead", 40, 6, _VERTICAL),
    StartFigure("Square loop", "square_loop", 42, 8, _EXACTING),
    StartFigure("Knife-edge pass", "knife_edge_pass", 40, 7, _EXACTING),
    StartFigure("Inverted pass", "inverted_pass", 40, 8, _EXACTING),
    StartFigure("Torque roll", "torque_roll", 46, 9, _EXACTING),
    StartFigure("Farewell pass", "photo_pass", 40, 4, _WIND),
)
"""In the order in which they are offered."""

_ACT = {
    "runway_crosswind_kt": (8, 12),
    "ceiling_ft": (3000, 2000),
    "visibility_sm": (6, 5),
}


@dataclass(frozen=True)
class KnownAirfield:
    """What the tables know of an airfield; `runways` is degrees true by painted number."""

    icao: str
    name: str
    latitude: float
    longitude: float
    elevation_ft: float
    timezone: str
    runways: Mapping[str, float]


@dataclass(frozen=True)
class StartStation:
    """The station whose hours stand for the venue; elevation in feet."""

    source: str
    id: str
    name: str
    latitude: float
    longitude: float
    elevation_ft: float


@dataclass(frozen=True)
class StartVenue:
    """The venue.

    Attributes
    ----------
    icao
        Empty where the place has none.
    designator, true_heading
        Of the runway: a painted number of `icao` in the runway table, or degrees true where that is empty.
    line_true_heading, crowd_side, crowd_distance_ft
        Of the show line.
    """

    name: str
    icao: str
    latitude: float
    longitude: float
    elevation_ft: float
    timezone: str
    designator: str
    true_heading: float
    line_true_heading: float
    crowd_side: str
    crowd_distance_ft: float
    station: StartStation


@dataclass(frozen=True)
class StartBooking:
    """The booking; local times, fee in `currency`, None where none is agreed."""

    show_days: tuple[dt.date, ...]
    window_from: dt.time
    window_to: dt.time
    offered: dt.time
    length_min: int
    state: str
    fee: float | None
    currency: str


def known_airfield(icao: str) -> KnownAirfield | None:
    """What the airport and runway tables know of an ICAO code; None where it is not among them."""
    import airportsdata

    from pipeline.inputs import runway_headings

    row = airportsdata.load("ICAO").get(icao)
    if row is None:
        return None
    return KnownAirfield(
        icao,
        str(row["name"]),
        float(row["lat"]),
        float(row["lon"]),
        float(row["elevation"]),
        str(row["tz"]),
        runway_headings(icao),
    )


def short_name(words: str) -> str:
    """Words as an id of the season folder: small letters, digits and hyphens; "venue" where none are left."""
    return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")[:40].strip("-") or "venue"


def season_files(
    *,
    season: str,
    pilot: str,
    floor_agl_ft: float,
    venue: StartVenue,
    booking: StartBooking,
    figures: Sequence[StartFigure],
) -> dict[str, str]:
    """The files of a first season by their names in the folder.

    Parameters
    ----------
    season
        Its name.
    pilot, floor_agl_ft
        The pilot, and the lowest height of the pilot's authorisation.
    venue, booking
        The first ones.
    figures
        The routine, in the order flown.
    """
    place = short_name(venue.name)
    return {
        "season.yaml": _season(season, pilot, floor_agl_ft, booking, place),
        f"venues/{place}.yaml": _venue(place, venue),
        "bookings.yaml": _booking(place, booking),
        "routine.yaml": _routine(figures),
    }


def mistakes(files: Mapping[str, str]) -> list[Fault]:
    """What `showhour check` would find in the files, before any is written to its place."""
    with tempfile.TemporaryDirectory(prefix="showhour-first-") as scratch:
        for name, text in files.items():
            path = Path(scratch) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return check_season(Path(scratch))


# --- Texts ------------------------------------------------------------------------------------------


def _pair(low: float, high: float) -> str:
    return f"{{comfortable: {in_digits(low)}, limit: {in_digits(high)}}}"


def _season(name: str, pilot: str, floor_agl_ft: float, booking: StartBooking, place: str) -> str:
    year = booking.show_days[0].year
    act = "\n".join(f"  {key}: {_pair(*values)}   # {_MARK}" for key, values in _ACT.items())
    return f"""\
# The season: its days, the pilot, the years of the past to use, and what keeps the whole act on the ground.
name: {written(name)}
year: {year}
first_day: {year}-01-01        # every show day lies between these two
last_day: {year}-12-31
invented: false
currency: {written(booking.currency)}

pilot:
  name: {written(pilot)}
  floor_agl_ft: {in_digits(floor_agl_ft)}       # feet above the ground: the lowest that you are authorised to
  two_amber_is_red: false  # true: two causes past comfortable count as one past its limit

home: {place}        # where the aircraft lives: a file in venues/; change it when yours is another

history:
  minimum_years: 5         # with fewer years no chance is told
  window_days: 15          # days either side of the show day that are sampled in every year
  trend: true              # past years are brought to this season's climate

# Past one of these limits nothing is flown. comfortable: one time in twenty you would stay on the ground.
# limit: at or past it you never fly. Put in your own, out of your authorisation and your own minimums; a
# venue's waiver goes under act in its own file.
act:
{act}
  thunder: stop
"""


def _venue(place: str, venue: StartVenue) -> str:
    station = venue.station
    icao = f"icao: {written(venue.icao)}\n" if venue.icao else ""
    if venue.designator:
        runway = f"{{icao: {written(venue.icao)}, designator: {written(venue.designator)}}}"
    else:
        runway = f"{{true_heading: {in_digits(venue.true_heading)}}}"
    return f"""\
# A place you fly at. Check every number against the chart: elevation in feet, headings in degrees true.
id: {place}
name: {written(venue.name)}
{icao}latitude: {in_digits(venue.latitude)}
longitude: {in_digits(venue.longitude)}        # west is negative
elevation_ft: {in_digits(venue.elevation_ft)}
timezone: {written(venue.timezone)}
runway: {runway}
show_line:
  true_heading: {in_digits(venue.line_true_heading)}        # one way along the line
  crowd_side: {venue.crowd_side}        # seen when flying along that heading
  crowd_distance_ft: {in_digits(venue.crowd_distance_ft)}

# Stations whose past hours stand for this place, the best first; gaps are filled from the next.
# `showhour stations near venues/{place}.yaml` lists others with distance, height and years.
stations:
  - source: {station.source}
    id: {written(station.id)}
    name: {written(station.name or station.id)}
    latitude: {in_digits(station.latitude)}
    longitude: {in_digits(station.longitude)}
    elevation_ft: {in_digits(station.elevation_ft)}
"""


def _booking(place: str, booking: StartBooking) -> str:
    days = ", ".join(day.isoformat() for day in booking.show_days)
    fee = f"  fee: {in_digits(booking.fee)}\n" if booking.fee is not None else ""
    return f"""\
# Offers and contracts, each beginning with - id. Times are local.
- id: {place}-{booking.show_days[0]:%Y-%m}
  venue: {place}
  show_days: [{days}]
  # window: where the organiser can place the show; offered: the slot in discussion.
  window: {{from: "{booking.window_from:%H:%M}", to: "{booking.window_to:%H:%M}"}}
  offered: "{booking.offered:%H:%M}"
  length_min: {booking.length_min}
  state: {booking.state}        # enquiry, hold, contracted or passed
{fee}"""


def _routine(figures: Sequence[StartFigure]) -> str:
    lines = [
        "# The full show, figure by figure in the order flown; seconds to the start of the next figure.",
        "#",
        "# Each cause has two numbers. comfortable: here you would change the figure one time in twenty.",
        "# limit: at or beyond it, never flown. Leave a cause out where it does not matter to the figure.",
        f"# EVERY LIMIT BELOW IS A {_MARK.upper()}: made up, on the cautious side, for no aircraft and no",
        "# pilot. It is not advice. Your own practice, authorisation and aircraft's approved data decide.",
        'name: "Full show"',
        "figures:",
    ]
    for one in figures:
        lines += [
            f"  - figure: {one.figure}",
            f"    name: {written(one.name)}",
            f"    seconds: {one.seconds}",
            f"    crowd_value: {one.crowd_value}        # its worth to the show, 0 to 10",
            f"    limits:        # {_MARK}",
            *(f"      {key}: {_pair(*values)}" for key, values in one.limits.items()),
        ]
    return "\n".join([*lines, ""])
