"""The day itself: one reading of the air, and which show it allows.

The answer is only ever a refusal or the pilot's own plan: at or beyond a personal limit a figure is left
out, below the act's minima there is no show, and what was not observed is never taken for good. What a
report leaves open (an unreported gust, a missing dew point) is judged at both ends; the worse end can turn
*no second thought* into *think*, and the better end alone can never clear a figure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from pipeline.air import atmosphere as atm
from pipeline.air import wind
from pipeline.air.venue import venue_air
from pipeline.decisions import limits

__all__ = [
    "LEAVE_OUT",
    "NO_SECOND_THOUGHT",
    "STATES",
    "THINK",
    "AirNow",
    "Answer",
    "FigureState",
    "Reading",
    "Show",
    "ShowState",
    "air_now",
    "judge",
    "share_below",
]

FloatArray = npt.NDArray[np.floating]

NO_SECOND_THOUGHT, THINK, LEAVE_OUT = 0, 1, 2
STATES = ("no second thought", "think", "leave it out")
"""Words for the state of a figure, and of the act."""


@dataclass(frozen=True)
class Reading:
    """One reading of the air, SI; NaN where it was not observed.

    Attributes
    ----------
    temperature, dew_point
        At the station [K].
    altimeter_setting
        [Pa].
    wind_speed, wind_from, gust
        [m s-1, degree true, m s-1]; direction NaN with a speed means variable or unknown; gust NaN means that
        none was reported.
    sector
        True directions between which the wind varies, clockwise; None where not reported.
    visibility, ceiling
        [m]; ceiling inf means none.
    thunder
        1, 0 or NaN.
    station_elevation
        Of the station that reports [m].
    instant
        UTC; None where not known.
    station
        Who reports; empty for typed values.
    trend
        What the report itself forecasts for the next two hours, as it is written; empty where nothing.
    peak
        Strongest wind since the report before, by the remarks [m s-1]; NaN where none is told.
    """

    temperature: float
    dew_point: float
    altimeter_setting: float
    wind_speed: float
    wind_from: float
    gust: float
    visibility: float
    ceiling: float
    thunder: float
    station_elevation: float
    sector: tuple[float, float] | None = None
    instant: np.datetime64 | None = None
    station: str = ""
    trend: str = ""
    peak: float = float("nan")


@dataclass(frozen=True)
class AirNow:
    """The air over the show site, SI.

    Attributes
    ----------
    pressure_altitude, density_altitude, density_altitude_dry, density_altitude_saturated
        [m]; the density altitude is NaN where no dew point was read.
    temperature
        At the site [K].
    headwind, crosswind
        On the runway [m s-1]; crosswind the worst of the sector the wind varies in.
    crosswind_in_gust
        The same at the gust, or at the greatest gust that need not be reported.
    toward_crowd, along_line
        [m s-1]; the worst of the sector.
    across
        The strongest wind across the line, with its sign [m s-1].
    gust_low, gust_high
        Bounds of the gust peak [m s-1]; equal where a gust was reported.
    low, high
        Conditions of the limits at the better and the worse end of what the reading leaves open.
    """

    pressure_altitude: float
    density_altitude: float
    density_altitude_dry: float
    density_altitude_saturated: float
    temperature: float
    headwind: float
    crosswind: float
    crosswind_in_gust: float
    toward_crowd: float
    along_line: float
    across: float
    gust_low: float
    gust_high: float
    low: Mapping[str, float]
    high: Mapping[str, float]

    def thinner(self, density_altitude: float) -> AirNow:
        """The same wind in air of another, known density altitude [m]."""
        return replace(
            self,
            density_altitude=density_altitude,
            density_altitude_dry=density_altitude,
            density_altitude_saturated=density_altitude,
            low={**self.low, "density_altitude": density_altitude},
            high={**self.high, "density_altitude": density_altitude},
        )


def _sector_directions(reading: Reading) -> FloatArray:
    """Directions to be judged: the reported one, and the sector it varies in, degree by degree."""
    if reading.sector is None:
        return np.array([reading.wind_from])
    first, last = reading.sector
    swept = first + np.arange(0.0, (last - first) % 360.0 + 1.0)
    return np.append(swept % 360.0, [] if np.isnan(reading.wind_from) else [reading.wind_from])


def air_now(
    reading: Reading,
    *,
    elevation: float,
    runway_true_heading: float,
    line_true_heading: float,
    crowd_on_right: bool,
    lapse_rate: float = atm.LAPSE_RATE,
) -> AirNow:
    """The air over the show site from one reading.

    The altimeter setting holds for the site as it does for the station; the temperature is carried by the
    lapse rate.

    Parameters
    ----------
    reading
        The reading.
    elevation
        Of the show site [m].
    runway_true_heading, line_true_heading, crowd_on_right
        Of the runway and the show line, as elsewhere [degree].
    lapse_rate
        From station to site [K m-1].
    """
    station_pressure = atm.station_pressure_from_altimeter(
        reading.altimeter_setting, reading.station_elevation
    )
    air = venue_air(
        reading.temperature,
        reading.dew_point,
        station_pressure,
        height_difference=elevation - reading.station_elevation,
        lapse_rate=lapse_rate,
    )
    pressure = atm.station_pressure_from_altimeter(reading.altimeter_setting, elevation)
    dry = float(atm.density_altitude(pressure, air.temperature))
    moist = float(atm.density_altitude(pressure, air.temperature, air.dew_point))
    saturated = float(atm.density_altitude(pressure, air.temperature, air.temperature))

    directions = _sector_directions(reading)
    speed = np.full(directions.shape, reading.wind_speed)
    head, cross = wind.runway_components(speed, directions, runway_true_heading)
    toward, along = wind.show_line_components(
        speed, directions, line_true_heading, crowd_on_right=crowd_on_right
    )
    gust_low, gust_high = (float(v) for v in wind.gust_bounds(reading.wind_speed, reading.gust))
    _, cross_in_gust = wind.runway_components(
        np.full(directions.shape, gust_high), directions, runway_true_heading
    )

    def conditions(density_altitude: float, gust: float) -> dict[str, float]:
        told = limits.conditions_from_air(
            np.float64(density_altitude), toward, along, np.float64(gust), np.float64(reading.wind_speed)
        )
        return {k: float(np.max(v)) for k, v in told.items()}

    known = np.isfinite(moist)
    return AirNow(
        pressure_altitude=float(atm.pressure_altitude(pressure)),
        density_altitude=moist,
        density_altitude_dry=dry,
        density_altitude_saturated=saturated,
        temperature=float(air.temperature),
        headwind=float(np.min(head)),
        crosswind=float(np.max(cross)),
        crosswind_in_gust=float(np.max(cross_in_gust)),
        toward_crowd=float(np.max(toward)),
        along_line=float(along[np.argmax(np.abs(along))]),
        across=float(toward[np.argmax(np.abs(toward))]),
        gust_low=gust_low,
        gust_high=gust_high,
        low=conditions(moist if known else dry, gust_low),
        high=conditions(moist if known else saturated, gust_high),
    )


@dataclass(frozen=True)
class FigureState:
    """One figure in the air as read.

    Attributes
    ----------
    name
        The figure.
    state
        Index into `STATES`.
    reasons
        What bites, the worst first, each with its state; empty for no second thought. A ceiling is one of it
        where some shows have minima of their own for it.
    unknown
        What of these was not observed.
    chance
        Chance that the pilot changes it, at the better end of what the reading leaves open; NaN where a
        condition was not observed.
    """

    name: str
    state: int
    reasons: tuple[tuple[str, int], ...]
    unknown: tuple[str, ...]
    chance: float


@dataclass(frozen=True)
class Show:
    """A routine of the season.

    Attributes
    ----------
    name
        The routine.
    figures
        Indices into the season's figures.
    crowd_value
        What it is worth.
    own_minima
        Comfortable and limit [m] by `ceiling` and `visibility`, where the routine has its own, as a
        low-ceiling show has; the act's hold for the others.
    top
        Its greatest height above the field [m]; NaN where it is not known.
    """

    name: str
    figures: tuple[int, ...]
    crowd_value: float
    own_minima: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    top: float = float("nan")


@dataclass(frozen=True)
class ShowState:
    """A routine in the air as read.

    Attributes
    ----------
    name
        The routine.
    state
        That of its worst figure, or of the weather minima it flies by; left out under a ceiling that is no
        higher than its top.
    out, doubtful
        Figures to leave out, and figures to think about.
    chance
        Chance that something in it is changed for a condition that was observed; 1 where a figure is out.
    minima
        State of each of the weather minima it flies by, its own top one of them.
    under
        Its top and the ceiling, where that is no higher [m]; None where it is, or either is not known.
    """

    name: str
    state: int
    out: tuple[str, ...]
    doubtful: tuple[str, ...]
    chance: float
    minima: Mapping[str, int]
    under: tuple[float, float] | None


@dataclass(frozen=True)
class Answer:
    """Which show.

    Attributes
    ----------
    show
        Name of the routine to fly first; empty where there is none.
    no_show
        Why the act stays on the ground; empty where it need not.
    act
        State of each cause for which the act stays down, by the act's own minima; a cause without a limit is
        left out.
    act_unknown
        Causes with a limit that were not observed.
    figures, shows
        Every figure and every routine.
    """

    show: str
    no_show: tuple[str, ...]
    act: Mapping[str, int]
    act_unknown: tuple[str, ...]
    figures: tuple[FigureState, ...]
    shows: tuple[ShowState, ...]


def _state(z: float) -> int:
    """State of a standardised condition; not observed counts as think."""
    if np.isnan(z):
        return THINK
    # To the last digits: a reading at comfortable is not past it, one at the limit is at it.
    return LEAVE_OUT if z >= 1.0 - 1e-9 else THINK if z > -1.0 + 1e-9 else NO_SECOND_THOUGHT


def _between(low: int, high: int) -> int:
    """State where the reading leaves something open: the worse end can only make one think."""
    return max(low, min(high, THINK))


def _figure(air: AirNow, curves: limits.Curves, f: int, two_amber_is_red: bool) -> FigureState:
    states: dict[str, int] = {}
    unknown: list[str] = []
    for condition in limits.CONDITIONS:
        if condition not in curves.limit or np.isnan(curves.limit[condition][f]):
            continue
        ends = [
            float(
                limits.standardised(
                    conditions[condition], curves.comfortable[condition][f], curves.limit[condition][f]
                )
            )
            for conditions in (air.low, air.high)
        ]
        if np.isnan(ends[0]):
            unknown.append(condition)
        states[condition] = _between(_state(ends[0]), _state(ends[1]))
    worst = max(states.values(), default=NO_SECOND_THOUGHT)
    # What was not observed is not past comfortable: it makes one think, and no more.
    amber = {limits.CONDITIONS[c] for c, s in states.items() if s >= THINK and c not in unknown}
    if two_amber_is_red and len(amber) >= 2:
        worst = LEAVE_OUT
    one = curves.take([f])
    _, chance = limits.figure_chances({k: np.float64(v) for k, v in air.low.items()}, one)
    reasons = sorted(((c, s) for c, s in states.items() if s > NO_SECOND_THOUGHT), key=lambda r: -r[1])
    return FigureState(curves.names[f], worst, tuple(reasons), tuple(unknown), float(chance[0]))


def _act(
    reading: Reading,
    air: AirNow,
    comfortable: Mapping[str, float],
    limit: Mapping[str, float],
    thunder_stops: bool,
) -> tuple[dict[str, int], list[str]]:
    """State of the act by cause, and what was not observed."""
    states: dict[str, int] = {}
    unknown: list[str] = []
    observed = {
        "runway_crosswind": (air.crosswind, air.crosswind_in_gust),
        "ceiling": (reading.ceiling, reading.ceiling),
        "visibility": (reading.visibility, reading.visibility),
    }
    for cause, (low, high) in observed.items():
        if cause not in limit:
            continue
        # An unlimited ceiling is as far from its minimum as can be.
        ends = [
            -np.inf if np.isinf(v) else float(limits.standardised(v, comfortable[cause], limit[cause]))
            for v in (low, high)
        ]
        if np.isnan(ends[0]):
            unknown.append(cause)
        states[cause] = _between(_state(ends[0]), _state(ends[1]))
    if thunder_stops:
        if np.isnan(reading.thunder):
            unknown.append("thunder")
            states["thunder"] = THINK
        else:
            states["thunder"] = LEAVE_OUT if reading.thunder else NO_SECOND_THOUGHT
    return states, unknown


def _under_minima(
    figure: FigureState,
    held_by: Sequence[Mapping[str, int]],
    causes: Sequence[str],
    unobserved: Sequence[str],
) -> FigureState:
    """The figure under the mildest of its shows' minima, as a loop is left out under a low ceiling.

    Parameters
    ----------
    figure
        By its own limits.
    held_by
        States of the minima of each show that holds it.
    causes
        Those for which shows have minima of their own; the others are the act's, and told with the act.
    unobserved
        Causes that were not observed.
    """
    found = [(cause, min(minima[cause] for minima in held_by)) for cause in causes]
    bites = tuple((cause, state) for cause, state in found if state > NO_SECOND_THOUGHT)
    return replace(
        figure,
        state=max([figure.state, *(state for _, state in bites)]),
        reasons=tuple(sorted((*bites, *figure.reasons), key=lambda r: -r[1])),
        unknown=(*figure.unknown, *(cause for cause, _ in bites if cause in unobserved)),
        chance=1.0 if any(state == LEAVE_OUT for _, state in bites) else figure.chance,
    )


def judge(
    reading: Reading,
    air: AirNow,
    curves: limits.Curves,
    shows: Sequence[Show],
    routines: Sequence[limits.RoutineChance],
    *,
    act_comfortable: Mapping[str, float],
    act_limit: Mapping[str, float],
    thunder_stops: bool = True,
    two_amber_is_red: bool = False,
) -> Answer:
    """Which show: the routine worth most times the chance that it needs no change, or none.

    Parameters
    ----------
    reading, air
        The reading and what it means over the site.
    curves
        The limits used, of all the season's figures.
    shows, routines
        The season's routines, and each one's chance of change in any air.
    act_comfortable, act_limit
        Of `limits.ACT_CAUSES`, SI; a cause without a limit is left out.
    thunder_stops
        Whether thunder keeps the act down.
    two_amber_is_red
        Two causes past comfortable count as one past its limit. One that was not observed is neither, but an
        unreported gust is as large as a report may leave out.
    """
    act, act_unknown = _act(reading, air, act_comfortable, act_limit, thunder_stops)
    figures = tuple(_figure(air, curves, f, two_amber_is_red) for f in range(len(curves.names)))
    # Twice: with the strongest wind toward the crowd, and with the strongest across, whichever its sign.
    point = {k: np.full(2, v) for k, v in air.low.items()}
    point["wind_toward_crowd"] = np.array([air.toward_crowd, air.across])
    # A gust read without its wind is judged by its peak alone.
    point["gust_spread"] = np.where(
        np.isnan(point["gust_spread"]) & ~np.isnan(point["gust"]), 0.0, point["gust_spread"]
    )
    # A low-ceiling show is for a ceiling known to be below the full show's comfort, or below another's top.
    tops = [show.top for show in shows if "ceiling" not in show.own_minima]
    low_ceiling = reading.ceiling < act_comfortable["ceiling"] or any(reading.ceiling <= top for top in tops)
    told, worth, grounds = [], [], []
    for show, routine in zip(shows, routines, strict=True):
        out = tuple(figures[f].name for f in show.figures if figures[f].state == LEAVE_OUT)
        doubtful = tuple(figures[f].name for f in show.figures if figures[f].state == THINK)
        low = {**act_comfortable, **{k: v[0] for k, v in show.own_minima.items()}}
        high = {**act_limit, **{k: v[1] for k, v in show.own_minima.items()}}
        minima, _ = _act(reading, air, low, high, thunder_stops)
        under = (show.top, reading.ceiling) if reading.ceiling <= show.top else None
        if under is not None:
            minima["ceiling"] = LEAVE_OUT
        spare = "ceiling" in show.own_minima and not low_ceiling
        ground = [cause for cause, state in minima.items() if state == LEAVE_OUT]
        amber = [c for c, state in minima.items() if state == THINK and c not in act_unknown]
        if two_amber_is_red and not ground and len(amber) >= 2:
            ground = amber
        grounds.append(tuple(ground))
        # Of the conditions observed; an unobserved one is told by the figures that need it.
        by_cause = np.nan_to_num(routine.by_cause(point), nan=0.0)
        chance = 1.0 if out or ground else float(np.max(1.0 - np.prod(1.0 - by_cause, axis=0)))
        state = max(
            [figures[f].state for f in show.figures] + list(minima.values()) + [LEAVE_OUT] * bool(ground)
        )
        told.append(ShowState(show.name, state, out, doubtful, chance, minima, under))
        worth.append(0.0 if state == LEAVE_OUT or spare else show.crowd_value * (1.0 - chance))
    own = sorted({cause for show in shows for cause in show.own_minima if cause in act})
    figures = tuple(
        _under_minima(
            figure,
            [t.minima for show, t in zip(shows, told, strict=True) if f in show.figures] or [act],
            own,
            act_unknown,
        )
        for f, figure in enumerate(figures)
    )
    # On the ground only where no show's minima allow it up.
    no_show = grounds[0] if all(grounds) else ()
    best = int(np.argmax(worth)) if worth and max(worth) > 0.0 and not no_show else None
    return Answer(
        show="" if best is None else told[best].name,
        no_show=no_show,
        act=act,
        act_unknown=tuple(act_unknown),
        figures=figures,
        shows=tuple(told),
    )


def share_below(sample: FloatArray, value: float) -> float:
    """Share of sampled hours with less than a value; half of those equal; NaN where nothing is known."""
    held = np.asarray(sample)[np.isfinite(sample)]
    if held.size == 0 or np.isnan(value):
        return float("nan")
    # A calm reckoned toward the crowd is zero but for the last digits.
    same = np.isclose(held, value, rtol=0.0, atol=1e-6)
    return float(np.mean((held < value) & ~same) + 0.5 * np.mean(same))
