"""``showhour verify``: hindcasts of a season's stations, or of any record in a station-hours CSV file.

What a season's check gives is kept as one JSON file beside its results, for the dashboard.

Heavy libraries are loaded by the functions that need them.
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.air.variables import FT, KT
from pipeline.errors import InputError, NotEnoughHistory, StoreError

if TYPE_CHECKING:
    from pipeline.air.show_hours import StationRecord
    from pipeline.decisions.hindcast import HindcastResult, HourlyAir, Targets
    from pipeline.decisions.trust import Trust
    from pipeline.inputs import Season, Venue
    from pipeline.stations.quality import QualityControlled

__all__ = [
    "add_verify",
    "read_record",
    "read_verification",
    "season_targets",
    "verification_path",
    "verify_command",
    "verify_record",
]

_UNITS = {"density_altitude": FT, "gust": KT, "crosswind": KT}
_UNIT_NAMES = {"density_altitude": "ft", "gust": "kt", "crosswind": "kt"}
_USUAL_HISTORY = 20  # years that a season's forecast uses unless told otherwise
_LEAST_STATED_YEARS = 3  # earlier years that a stated first year still needs
_SAME_STATION = 30.0  # beyond this [m] the barometer's height and the stated one cannot both be right
_LEAST_SCORED_YEARS = 3  # fewer scored years are no verification
_STORED_VERSION = 1
"""Rises when what is stored beside the results changes."""


# --- Arguments --------------------------------------------------------------------------------------


def _numbers(text: str) -> tuple[float, ...]:
    try:
        values = tuple(float(part) for part in text.split(",") if part.strip())
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"numbers with commas between wanted, found {text!r}") from error
    if not values or not all(math.isfinite(v) for v in values):
        raise argparse.ArgumentTypeError(f"numbers with commas between wanted, found {text!r}")
    return values


def _hours(text: str) -> tuple[dt.time, ...]:
    found = []
    for part in text.split(","):
        hour, _, minute = part.strip().partition(":")
        try:
            found.append(dt.time(int(hour), int(minute or 0)))
        except ValueError as error:
            raise argparse.ArgumentTypeError(
                f"local hours such as 10,12,14:30 wanted, found {text!r}"
            ) from error
    return tuple(sorted(set(found)))


def add_verify(parser: argparse.ArgumentParser) -> None:
    """Give a parser the arguments of the command.

    Parameters
    ----------
    parser
        The command's own parser.
    """
    parser.add_argument(
        "folder", type=Path, nargs="?", metavar="FOLDER", help="the season folder; or give --station-csv"
    )
    parser.add_argument(
        "--station-csv", type=Path, metavar="FILE", help="a station-hours CSV file, plain or .gz"
    )
    parser.add_argument("--elevation-ft", type=float, help="of the station, in feet")
    parser.add_argument("--latitude", type=float, help="of the station, degrees north")
    parser.add_argument("--longitude", type=float, help="of the station, degrees east")
    parser.add_argument("--timezone", help="IANA name of the local time, such as America/Denver")
    parser.add_argument("--from-month", type=int, default=5, help="first month of the season (default 5)")
    parser.add_argument("--to-month", type=int, default=9, help="last month of the season (default 9)")
    parser.add_argument(
        "--hours",
        type=_hours,
        default=_hours("10,12,14,16"),
        metavar="H,H,…",
        help="local show hours (default 10,12,14,16)",
    )
    parser.add_argument(
        "--da-ft",
        type=_numbers,
        metavar="FT,FT,…",
        help="density altitudes; by default three that 1, 3 and 6 days in 10 exceed",
    )
    parser.add_argument(
        "--gust-kt", type=_numbers, default=(20.0, 25.0, 30.0), metavar="KT,…", help="gust peaks"
    )
    parser.add_argument(
        "--crosswind-kt", type=_numbers, default=(10.0, 15.0), metavar="KT,…", help="crosswinds"
    )
    parser.add_argument(
        "--runway-true", type=float, default=None, metavar="DEG", help="true heading of the runway"
    )
    parser.add_argument(
        "--first-year", type=int, help="first year to score; by default the first with eight years before it"
    )
    parser.add_argument(
        "--history-years",
        type=int,
        default=_USUAL_HISTORY,
        metavar="N",
        help="years before it that each forecast uses, of a --station-csv record (default "
        f"{_USUAL_HISTORY}, as a season's does)",
    )
    parser.add_argument("--window-days", type=int, default=15, help="days sampled either side (default 15)")
    parser.add_argument(
        "--mslp-reduction",
        choices=("auto", "plateau", "hypsometric"),
        default="auto",
        help="how the station reduces its sea level pressure (default auto: plateau in North America)",
    )
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


_OF_A_FILE = (
    "elevation_ft",
    "latitude",
    "longitude",
    "timezone",
    "from_month",
    "to_month",
    "hours",
    "runway_true",
    "history_years",
    "window_days",
    "mslp_reduction",
)
"""Arguments that belong to --station-csv; a season folder states its own."""


def _refuse_of_a_file(arguments: argparse.Namespace) -> None:
    parser = argparse.ArgumentParser()
    add_verify(parser)
    given = [
        f"--{name.replace('_', '-')}"
        for name in _OF_A_FILE
        if getattr(arguments, name) != parser.get_default(name)
    ]
    if given:
        raise InputError(
            f"verify: {', '.join(given)} belong{'s' if len(given) == 1 else ''} to --station-csv; a season "
            "folder states its own places, slots and history."
        )


def verify_command(arguments: argparse.Namespace) -> int:
    """Run the command; the exit code is 0, or 3 or 4 where some or all venues could not be verified.

    Raises
    ------
    InputError
        Neither or both of a folder and a file, a file without its place, or a number out of range.
    """
    if (arguments.folder is None) == (arguments.station_csv is None):
        raise InputError(
            "verify: give a season folder, or --station-csv with a station-hours file; one of them."
        )
    if arguments.station_csv is not None:
        told = _verify_csv(arguments)
        _print(told if arguments.json else None, [told])
        return 0
    _refuse_of_a_file(arguments)
    _check_thresholds(arguments)
    season_told = _verify_season(arguments)
    failed = sum(1 for v in season_told["venues"] if v.get("failed"))
    if failed < len(season_told["venues"]):
        # A check in which nothing could be read does not put away an earlier one.
        path = _store(arguments.folder, season_told)
        if not arguments.json:
            print(f"Stored for the dashboard: {path}")
    _print(season_told if arguments.json else None, season_told["venues"])
    return 0 if not failed else 4 if failed == len(season_told["venues"]) else 3


# --- Beside the results -----------------------------------------------------------------------------


def verification_path(results_file: Path) -> Path:
    """Where the check of the season behind a results file is kept."""
    return results_file.with_name(f"{results_file.stem}-verify.json")


def read_verification(results_file: Path) -> dict[str, Any] | None:
    """What the last ``showhour verify`` of the season gave; None where there was none.

    Raises
    ------
    StoreError
        It is damaged, or of another version.
    """
    path = verification_path(results_file)
    again = "Run `showhour verify` on the season folder again."
    try:
        told = json.loads(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise StoreError(f"The season's check {path} cannot be read ({error}). {again}") from error
    if not isinstance(told, dict) or told.get("version") != _STORED_VERSION:
        raise StoreError(f"The season's check {path} is not of this version. {again}")
    return told


def _store(folder: Path, told: Mapping[str, Any]) -> Path:
    from pipeline.files import write_atomically
    from pipeline.run import results_path
    from pipeline.stations.store import cache_root

    path = verification_path(results_path(folder, cache_root()))
    content = json.dumps({"version": _STORED_VERSION, **told}, indent=1, ensure_ascii=False, allow_nan=False)
    try:
        write_atomically(path, (content + "\n").encode())
    except OSError as error:
        raise StoreError(
            f"The season's check {path} cannot be written: {error.strerror or error}."
        ) from error
    return path


# --- One record -------------------------------------------------------------------------------------


def read_record(arguments: argparse.Namespace) -> tuple[StationRecord, Targets, QualityControlled]:
    """The record of ``--station-csv``, its season's show instants, and what quality control did.

    Parameters
    ----------
    arguments
        Those of `add_verify`.

    Raises
    ------
    InputError
        The file or its place is wrong.
    """
    from pipeline.stations.archives import read_station_csv
    from pipeline.stations.quality import quality_control, station_elevation

    needed = {
        "--elevation-ft": arguments.elevation_ft,
        "--latitude": arguments.latitude,
        "--longitude": arguments.longitude,
        "--timezone": arguments.timezone,
        "--runway-true": arguments.runway_true,
    }
    missing = [name for name, value in needed.items() if value is None]
    if missing:
        raise InputError(f"verify: --station-csv also needs {', '.join(missing)}.")
    zone = _zone(arguments.timezone)
    _check_numbers(arguments)
    _check_thresholds(arguments)
    hours = read_station_csv(
        arguments.station_csv,
        station_id=arguments.station_csv.name.split(".")[0] or "station",
        latitude=arguments.latitude,
        longitude=arguments.longitude,
        elevation_m=arguments.elevation_ft * FT,
    )
    controlled = quality_control(hours)
    hours = controlled.hours
    if "air_temperature" not in hours and "wind_speed" not in hours:
        raise InputError(
            f"{arguments.station_csv}: the file has neither temperature_c nor wind_speed_kt: there is "
            "nothing to verify."
        )
    elevation = arguments.elevation_ft * FT
    try:
        barometer = station_elevation(hours).elevation_m
    except NotEnoughHistory:
        barometer = elevation  # the station does not report both pressures
    # A few metres between the field's elevation and the barometer's move density altitude by 3 ft a metre.
    if abs(barometer - elevation) <= _SAME_STATION:
        elevation = barometer
    record = _record(hours, elevation, arguments.latitude, arguments.longitude, arguments.mslp_reduction)
    last = int(record.years()[-1])
    if arguments.first_year is not None and arguments.first_year > last:
        raise InputError(
            f"verify: --first-year {arguments.first_year} comes after the record, which ends in {last}."
        )
    targets = season_targets(
        record,
        zone,
        _months(arguments.from_month, arguments.to_month),
        arguments.hours,
    )
    return record, targets, controlled


def _verify_csv(arguments: argparse.Namespace) -> dict[str, Any]:
    record, targets, controlled = read_record(arguments)
    hours = controlled.hours
    told = verify_record(
        record,
        targets,
        runway_true_heading=arguments.runway_true,
        density_altitude_ft=arguments.da_ft,
        gust_kt=arguments.gust_kt,
        crosswind_kt=arguments.crosswind_kt,
        first_year=arguments.first_year,
        history_years=arguments.history_years,
        window_days=arguments.window_days,
    )
    return {
        "station": str(hours.attrs["station_id"]),
        "file": str(arguments.station_csv),
        "rejected": json.loads(hours.attrs["counts"])["rejected"],
        "suspicions": [s.message for s in controlled.suspicions],
        **told,
    }


def _check_numbers(arguments: argparse.Namespace) -> None:
    for name, value, low, high in (
        ("--latitude", arguments.latitude, -90.0, 90.0),
        ("--longitude", arguments.longitude, -180.0, 180.0),
        ("--elevation-ft", arguments.elevation_ft, -1500.0, 20_000.0),
        ("--runway-true", arguments.runway_true, 0.0, 360.0),
        ("--from-month", arguments.from_month, 1, 12),
        ("--to-month", arguments.to_month, 1, 12),
        ("--history-years", arguments.history_years, _LEAST_STATED_YEARS, 100),
        ("--window-days", arguments.window_days, 1, 45),
    ):
        if not low <= value <= high:
            raise InputError(f"verify: {name} must be from {low:g} to {high:g}, found {value:g}.")


def _check_thresholds(arguments: argparse.Namespace) -> None:
    for name, values, low, high in (
        ("--da-ft", arguments.da_ft or (), -5_000.0, 40_000.0),
        ("--gust-kt", arguments.gust_kt, 1.0, 150.0),
        ("--crosswind-kt", arguments.crosswind_kt, 1.0, 150.0),
    ):
        for value in values:
            if not low <= value <= high:
                raise InputError(f"verify: {name} must be from {low:g} to {high:g}, found {value:g}.")


def _zone(name: str) -> Any:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f"verify: --timezone {name!r} is not an IANA time zone; one is such as America/Denver."
        ) from error


def _months(first: int, last: int) -> list[int]:
    """Months from first to last, over the turn of the year where last comes before first."""
    return [(first - 1 + i) % 12 + 1 for i in range((last - first) % 12 + 1)]


def _record(hours: Any, elevation: float, latitude: float, longitude: float, reduction: str) -> StationRecord:
    """A dataset of station hours as the record that the air reads."""
    import numpy as np

    from pipeline.air.show_hours import StationRecord
    from pipeline.air.venue import plateau_correction_applies

    values = {str(name): hours[name].to_numpy() for name in hours.data_vars}
    values.setdefault("air_temperature", np.full(hours.sizes["time"], np.nan, dtype=np.float32))
    plateau = (
        plateau_correction_applies(latitude, longitude) if reduction == "auto" else reduction == "plateau"
    )
    first = int(hours["time"].to_numpy()[0].astype("datetime64[h]").astype(np.int64))
    return StationRecord(first, values, elevation, plateau)


def season_targets(
    record: StationRecord, zone: dt.tzinfo, months: Sequence[int], hours_local: Sequence[dt.time]
) -> Targets:
    """Every day of the season at every local hour, through the record.

    Parameters
    ----------
    record
        The station's hours.
    zone
        Of the local time.
    months
        1 to 12.
    hours_local
        Local times of day; one that the clocks skip on a day is left out there.
    """
    first = dt.date(int(record.years()[0]), 1, 1)
    last = dt.date(int(record.years()[-1]), 12, 31)
    days = [first + dt.timedelta(days=i) for i in range((last - first).days + 1)]
    return _targets([d for d in days if d.month in set(months)], hours_local, zone)


def _targets(days: Iterable[dt.date], hours_local: Sequence[dt.time], zone: dt.tzinfo) -> Targets:
    import numpy as np

    from pipeline.decisions.hindcast import Targets

    utc, year, group, month = [], [], [], []
    for day in days:
        for i, time in enumerate(hours_local):
            instant = dt.datetime.combine(day, time, zone).astimezone(dt.UTC)
            if instant.astimezone(zone).time() != time:
                continue
            utc.append(np.datetime64(instant.replace(tzinfo=None), "s"))
            year.append(day.year)
            group.append(i)
            month.append(day.month)
    return Targets(
        np.array(utc, dtype="datetime64[s]"),
        np.array(year, dtype=np.int64),
        np.array(group, dtype=np.int64),
        np.array(month, dtype=np.int64),
    )


def verify_record(
    record: StationRecord,
    targets: Targets,
    *,
    runway_true_heading: float,
    density_altitude_ft: Sequence[float] | None,
    gust_kt: Sequence[float],
    crosswind_kt: Sequence[float],
    first_year: int | None = None,
    history_years: int | None = None,
    window_days: int = 15,
    trend: bool = True,
    reliability: bool = True,
) -> dict[str, Any]:
    """Verify a record at past show instants, forward and leaving each year out.

    Parameters
    ----------
    record, targets
        The station's hours and the instants.
    runway_true_heading
        [degree].
    density_altitude_ft, gust_kt, crosswind_kt
        Thresholds; None takes density altitudes that about 1, 3 and 6 days in 10 exceed.
    first_year
        First year scored; None for the first with `DEFAULT_MINIMUM_YEARS` years before it.
    history_years
        How many years before it a forward forecast uses; None for all of the record's.
    window_days, trend
        As in the season's forecast.
    reliability
        Whether the rows carry their reliability diagram.

    Returns
    -------
    Plain data for JSON; None stands for a number that there is not.
    """
    from pipeline.decisions.hindcast import (
        DEFAULT_MINIMUM_YEARS,
        density_altitude_scores,
        hindcast,
        hourly_air,
    )

    air = hourly_air(record, runway_true_heading)
    minimum = DEFAULT_MINIMUM_YEARS if first_year is None else _LEAST_STATED_YEARS
    da_ft = tuple(density_altitude_ft) if density_altitude_ft else _usual_thresholds(air, targets)
    thresholds = {
        "density_altitude": [x * FT for x in da_ft],
        "gust": [x * KT for x in gust_kt],
        "crosswind": [x * KT for x in crosswind_kt],
    }
    told: dict[str, Any] = {
        "first_year": first_year,
        "history_years": history_years,
        "window_days": window_days,
    }
    results = {
        scheme: hindcast(
            air, targets, thresholds, scheme=scheme, first_year=first_year, minimum_years=minimum,
            history_years=history_years, window_days=window_days, trend=trend, compare=scheme == "forward",
        )
        for scheme in ("forward", "leave_one_out")
    }  # fmt: skip
    forward = results["forward"]
    scores = density_altitude_scores(forward)
    years = int(scores["years"])
    told["density_altitude"] = _in_feet(scores)
    told["thresholds"] = _rows(forward, reliability)
    told["leave_one_year_out"] = {
        "density_altitude": _in_feet(density_altitude_scores(results["leave_one_out"])),
        "thresholds": _rows(results["leave_one_out"], False),
    }
    told["gusts"] = _gusts_told(air, forward)
    told["status"] = _status(air, forward, years, minimum)
    told["reference"] = "frequency at the same local hour over the whole season, in the same earlier years"
    return told


def _usual_thresholds(air: HourlyAir, targets: Targets) -> tuple[float, ...]:
    """Density altitudes in whole hundreds of feet that about 6, 3 and 1 days in 10 exceed."""
    import numpy as np

    from pipeline.decisions.hindcast import observed_density_altitude

    seen = observed_density_altitude(air, targets)
    seen = seen[np.isfinite(seen)]
    if seen.size == 0:
        return ()
    return tuple(sorted({float(100.0 * np.rint(q / FT / 100.0)) for q in np.quantile(seen, (0.4, 0.7, 0.9))}))


def _rows(result: HindcastResult, with_reliability: bool) -> list[dict[str, Any]]:
    import numpy as np

    from pipeline.decisions.hindcast import threshold_scores
    from pipeline.decisions.verification import reliability

    rows = []
    for key in result.probability:
        variable, threshold = key
        scores = threshold_scores(result, key)
        if not scores["n"]:
            continue
        row: dict[str, Any] = {
            "variable": variable,
            "threshold": round(threshold / _UNITS[variable], 6),
            "unit": _UNIT_NAMES[variable],
            **_plain(scores),
        }
        if with_reliability:
            p, o = result.probability[key], result.outcome[key]
            use = np.isfinite(p) & np.isfinite(o)
            diagram = reliability(p[use], o[use], result.targets.year[use])
            row["reliability_diagram"] = [
                {
                    "forecast": _number(f), "observed": _number(s), "n": int(n),
                    "consistent_low": _number(low), "consistent_high": _number(high),
                }
                for f, s, n, low, high in zip(
                    diagram.forecast, diagram.observed, diagram.count, diagram.low, diagram.high, strict=True
                )
            ]  # fmt: skip
        rows.append(row)
    return rows


def _gusts_told(air: HourlyAir, forward: HindcastResult) -> dict[str, Any]:
    practice = air.practice
    if not practice.reports:
        return {
            "reported": False,
            "status": "estimated: the station reports no gusts, so none can be verified",
        }
    first, last = int(practice.years[0]), int(practice.years[-1])
    words = f"gust reports trusted from {practice.first_year} to {practice.last_year}"
    if practice.first_year > first or practice.last_year < last:
        words += f" of {first} to {last}: the reporting practice changed"
    return {
        "reported": True,
        "status": words,
        "trusted_first_year": practice.first_year,
        "trusted_last_year": practice.last_year,
        "first_year_scored": min(forward.scored_years("gust"), default=None),
        "reported_over_expected": {
            str(y): _number(r) for y, r in zip(practice.years.tolist(), practice.ratio.tolist(), strict=True)
        },
    }


def _status(air: HourlyAir, forward: HindcastResult, years: int, minimum: int) -> str:
    if years >= _LEAST_SCORED_YEARS:
        return "ok"
    span = f"{air.practice.years[0]} to {air.practice.years[-1]}"
    if years == 0 and len(forward.scored_years("crosswind")) >= _LEAST_SCORED_YEARS:
        return (
            "density altitude could not be verified: too few hours with temperature, dew point and pressure "
            f"in {span}; the wind was"
        )
    return (
        f"not enough history: {years} year{'' if years == 1 else 's'} could be scored in {span}, each needs "
        f"{minimum} earlier years with at least half of the window observed, and "
        f"{_LEAST_SCORED_YEARS} are wanted"
    )


def _in_feet(scores: Mapping[str, float | int]) -> dict[str, Any]:
    """Scores of density altitude as plain data, the CRPS in feet."""
    rest = {k: v for k, v in scores.items() if not k.startswith("crps_m")}
    return {
        **_plain(rest),
        "crps_ft": _number(scores["crps_m"] / FT),
        "crps_ft_se": _number(scores["crps_m_se"] / FT),
    }


def _number(value: Any, digits: int = 6) -> float | None:
    x = float(value)
    return round(x, digits) if math.isfinite(x) else None


def _plain(scores: Mapping[str, float | int]) -> dict[str, Any]:
    return {k: v if isinstance(v, int) else _number(v) for k, v in scores.items()}


# --- A season ---------------------------------------------------------------------------------------


def _verify_season(arguments: argparse.Namespace) -> dict[str, Any]:
    from pipeline.inputs import digest_of, load_season
    from pipeline.stations.store import Store

    season = load_season(arguments.folder)
    digest = digest_of(season)
    store = Store()
    venues = [v for v in season.venues if any(b.venue == v.id for b in season.bookings)]
    return {
        "season": season.name,
        "invented": season.invented,
        "season_digest": digest,
        "verified_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "venues": [_verify_venue(season, v, store, arguments) for v in venues],
    }


def _verify_venue(season: Season, venue: Venue, store: Any, arguments: argparse.Namespace) -> dict[str, Any]:
    """Hindcast one venue's station at its bookings' slots, on the days around each booking's dates."""
    from pipeline.venue_hours import read_station

    told: dict[str, Any] = {"venue": venue.id, "name": venue.name}
    held = read_station(season, venue, store)
    if held.station is None or held.record is None:
        return told | {"failed": True, "status": "no station hours: " + "; ".join(held.passed_over)}
    checked = verify_record(
        held.record,
        booking_targets(season, venue, held.record),
        runway_true_heading=venue.runway_true_heading,
        density_altitude_ft=arguments.da_ft,
        gust_kt=arguments.gust_kt,
        crosswind_kt=arguments.crosswind_kt,
        first_year=arguments.first_year,
        window_days=season.history.window_days,
        trend=season.history.trend,
    )
    return (
        told
        | {
            "station": held.station.id,
            "station_source": held.station.source,
            "station_digest": str(held.attrs.get("raw_sha256", "")),
        }
        | checked
    )


_TRUST_VERSION = 3
"""Rises when the hindcast behind a grade changes, so that kept ones are made again."""


def venue_trust(
    season: Season,
    venue: Venue,
    whole: Callable[[], StationRecord] | None,
    *,
    kept: Path | None = None,
    record_digest: str = "",
    **known: Any,
) -> Trust:
    """Grade a venue from what is known and a forward hindcast of its bookings' slots.

    Parameters
    ----------
    season, venue
        The season and its venue.
    whole
        Reads the record whose hours the forecast used; None where there is none.
    kept
        Folder in which hindcast scores are kept as JSON, any of which may be deleted; None to keep none.
    record_digest
        Of the record; what is kept is found by it and by the slots.
    **known
        Fields of `pipeline.decisions.trust.Evidence` that the forecast knows.
    """
    from pipeline.decisions.trust import Evidence, trust_grade

    if whole is None:
        return trust_grade(Evidence(**known))
    if kept is None:
        return trust_grade(Evidence(**_trust_scores(season, venue, whole()), **known))
    scores = trust_scores(season, venue, whole, kept=kept, record_digest=record_digest)
    return trust_grade(Evidence(**scores, **known))


def trust_scores(
    season: Season, venue: Venue, whole: Callable[[], StationRecord], *, kept: Path, record_digest: str
) -> dict[str, Any]:
    """What a forward hindcast of a venue's slots says, kept as `venue_trust` tells."""
    booked = [
        (str(b.slot), [d.isoformat() for d in b.show_days]) for b in season.bookings if b.venue == venue.id
    ]
    history = season.history
    key = [
        _TRUST_VERSION,
        record_digest,
        venue.runway_true_heading,
        venue.timezone,
        history.first_year,
        history.last_year,
        history.window_days,
        history.trend,
        booked,
    ]
    path = kept / f"{hashlib.sha256(json.dumps(key).encode()).hexdigest()[:32]}.json"
    scores = _kept_scores(path)
    if scores is None:
        from pipeline.results import keep_copy

        scores = _trust_scores(season, venue, whole())
        keep_copy(path, json.dumps(scores).encode())
    return scores


def _kept_scores(path: Path) -> dict[str, Any] | None:
    """Scores kept earlier; None where there are none, or they cannot be read and are made again."""
    try:
        held = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
    return held if isinstance(held, dict) else None


def _trust_scores(season: Season, venue: Venue, record: StationRecord) -> dict[str, Any]:
    """What a forward hindcast of the venue's slots says, as fields of `pipeline.decisions.trust.Evidence`."""
    import numpy as np

    from pipeline.decisions.hindcast import density_altitude_scores, hindcast, hourly_air, threshold_scores

    air = hourly_air(record, venue.runway_true_heading)
    # Every fifth day: neighbouring days are one weather and would cost five times as much.
    targets = booking_targets(season, venue, record, every=5)
    thresholds = {
        "density_altitude": [x * FT for x in _usual_thresholds(air, targets)],
        "gust": [20.0 * KT],
        "crosswind": [10.0 * KT],
    }
    result = hindcast(
        air,
        targets,
        thresholds,
        window_days=season.history.window_days,
        trend=season.history.trend,
        compare=False,
        gust_model=False,
    )
    scores = density_altitude_scores(result)
    rows = {key: threshold_scores(result, key) for key in result.probability}
    biases = [r for key, r in rows.items() if key[0] == "density_altitude" and r["n"]]
    worst = max(biases, key=lambda r: abs(r["bias"]), default={"bias": np.nan, "bias_se": np.nan})
    return {
        "verified_years": int(scores["years"]),
        "coverage": float(scores["coverage_90"]),
        "coverage_se": float(scores["coverage_90_se"]),
        "density_altitude_bias": float(worst["bias"]),
        "density_altitude_bias_se": float(worst["bias_se"]),
        **_wind_bias("wind", rows["crosswind", 10.0 * KT]),
        **_wind_bias("gust", rows["gust", 20.0 * KT]),
    }


def _wind_bias(name: str, row: Mapping[str, float | int]) -> dict[str, float]:
    """Bias of one threshold's chance, with its error and base rate, as fields of `Evidence`.

    The error is at least what chance alone gives a right forecast: years without any of a rare event differ
    little. NaN with too few years, which for gusts are those of one reporting practice.
    """
    from pipeline.decisions.trust import TrustThresholds

    bias = error = rate = math.nan
    if row["years"] >= TrustThresholds().verified_years:
        bias, rate = float(row["bias"]), float(row["base_rate"])
        told = min(max(bias + rate, 0.0), 1.0)
        error = max(float(row["bias_se"]), math.sqrt(told * (1.0 - told) / row["n"]))
    return {f"{name}_bias": bias, f"{name}_bias_se": error, f"{name}_base_rate": rate}


def booking_targets(season: Season, venue: Venue, record: StationRecord, *, every: int = 1) -> Targets:
    """The slots in discussion of a venue's bookings, on the window's days in every year of the record.

    Parameters
    ----------
    season, venue, record
        Whose.
    every
        Takes each so many of the window's days, the booking's own date among them.
    """
    window = season.history.window_days
    zone = _zone(venue.timezone)
    wanted: dict[dt.time, set[dt.date]] = {}
    for booking in season.bookings:
        if booking.venue != venue.id:
            continue
        for day in booking.show_days:
            for year in record.years().tolist():
                try:
                    middle = day.replace(year=int(year))
                except ValueError:  # 29 February
                    middle = dt.date(int(year), 2, 28)
                wanted.setdefault(booking.slot, set()).update(
                    middle + dt.timedelta(days=i)
                    for i in range(-(window // every) * every, window + 1, every)
                )
    parts = [_targets(sorted(days), [slot], zone) for slot, days in sorted(wanted.items())]
    return _joined(parts)


def _joined(parts: Sequence[Targets]) -> Targets:
    import numpy as np

    from pipeline.decisions.hindcast import Targets

    group = np.concatenate([np.full(p.group.size, i, dtype=np.int64) for i, p in enumerate(parts)])
    return Targets(
        np.concatenate([p.utc for p in parts]),
        np.concatenate([p.year for p in parts]),
        group,
        np.concatenate([p.month for p in parts]),
    )


# --- Printing ---------------------------------------------------------------------------------------


def _print(as_json: dict[str, Any] | None, records: Sequence[Mapping[str, Any]]) -> None:
    from pipeline.results import CAUTIONS

    if as_json is not None:
        print(
            json.dumps(as_json | {"cautions": list(CAUTIONS)}, indent=2, ensure_ascii=False, allow_nan=False)
        )
        return
    for told in records:
        _print_record(told)
    print()
    for line in CAUTIONS:
        print(line)


def _print_record(told: Mapping[str, Any]) -> None:
    name = told.get("name") or told.get("station")
    print(f"\n{name}: {told['status']}")
    if "density_altitude" not in told:
        return
    da = told["density_altitude"]
    if da["years"]:
        print(
            f"  density altitude, forward over {da['years']} years: the 90 % interval held "
            f"{_percent(da['coverage_90'])} (below {_percent(da['tail_low'])}, above "
            f"{_percent(da['tail_high'])}); "
            f"skill over same-hour season climatology {_signed(da['crps_skill'])}"
        )
    print(f"  {told['gusts']['status']}")
    if told["thresholds"]:
        print(
            f"  {'':<18}{'at or above':>12}{'happened':>10}{'bias':>9}"
            f"{'± 2 se':>9}{'skill':>8}{'hours':>8}{'years':>7}"
        )
    for row in told["thresholds"]:
        two = None if row["bias_se"] is None else 2 * row["bias_se"]
        print(
            f"  {row['variable'].replace('_', ' '):<18}{row['threshold']:>9,.0f} {row['unit']}"
            f"{_percent(row['base_rate']):>10}{_signed(row['bias']):>9}"
            f"{'–' if two is None else f'{two:.3f}':>9}"
            f"{_signed(row['brier_skill']):>8}{row['n']:>8,}{row['years']:>7}"
        )


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.1f} %"


def _signed(value: float | None) -> str:
    return "–" if value is None else f"{value:+.3f}"
