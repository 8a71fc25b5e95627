"""The commands that answer people out of stored results: slots, today, papers, export."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import NOTHING_DONE, OK, SOME_FAILED, InputError

if TYPE_CHECKING:
    import numpy as np
    import xarray as xr

    from pipeline.decisions.today import Reading
    from pipeline.inputs import Booking, Season, Venue

__all__ = ["add_commands", "season_and_results"]


def add_commands(
    add: Callable[..., argparse.ArgumentParser], write_html: Callable[[Season, Path, Path], list[Path]]
) -> None:
    """Add the commands to the parser.

    Parameters
    ----------
    add
        Takes a name, what runs it, and words; gives the command's parser.
    write_html
        Takes a season, its results file and a folder; writes the pages to send there.
    """
    slots = add("slots", _slots, "what each hour of a booking day buys, what to ask for, when to walk away")
    _booking(slots)
    slots.add_argument(
        "--chance",
        type=float,
        default=70.0,
        metavar="PERCENT",
        help="least chance of a rehearsed show flown unchanged that is accepted (default 70)",
    )
    slots.add_argument(
        "--late", type=int, default=60, metavar="MINUTES", help="how late the show may run (default 60)"
    )
    slots.add_argument("--json", action="store_true", help="print the answer as JSON")

    today = add("today", _today, "which show: one METAR, or typed values, held against your personal limits")
    _booking(today)
    today.add_argument("--metar", metavar="TEXT", help="the report, whole and in quotes")
    today.add_argument(
        "--station-elevation-ft",
        type=float,
        metavar="FT",
        help="of the station that reports (default: the show site's)",
    )
    typed = today.add_argument_group("typed values, in place of a METAR")
    typed.add_argument("--temperature-c", type=float, metavar="C", help="air temperature in °C")
    typed.add_argument("--dew-point-c", type=float, metavar="C", help="dew point in °C")
    typed.add_argument("--altimeter-inhg", type=float, metavar="INHG", help="altimeter setting")
    typed.add_argument("--wind", metavar="DIR/KT", help="true direction and knots, such as 140/12 or VRB/4")
    typed.add_argument("--gust-kt", type=float, metavar="KT", help="gust peak; leave out if none reported")
    typed.add_argument("--ceiling-ft", metavar="FT", help="feet above the ground, or none")
    typed.add_argument("--visibility-sm", type=float, metavar="SM", help="statute miles")
    typed.add_argument("--thunder", choices=("yes", "no"), help="whether there is thunder")
    typed.add_argument(
        "--at",
        metavar="HH:MM",
        help="when it was read, local time on the show day (the evening before: YYYY-MM-DDTHH:MM); "
        "without it the reading is not carried to the slot",
    )
    today.add_argument("--json", action="store_true", help="print the answer as JSON")

    papers = add("papers", _papers, "print the papers of each booking: cards, sheets, the page for the phone")
    papers.add_argument("folder", type=Path, metavar="FOLDER", help="the season folder")
    papers.add_argument("booking", nargs="?", metavar="BOOKING", help="one booking (default: all)")
    papers.add_argument("--into", type=Path, required=True, metavar="DIR", help="where to write them")
    papers.add_argument(
        "--altimeter-inhg",
        type=float,
        metavar="INHG",
        help="local setting to print beside the heights (default: a blank to fill in)",
    )
    papers.add_argument("--json", action="store_true", help="print what was written as JSON")

    export = add("export", _export, "write the results as tables, netCDF, a calendar, or pages to send")
    export.add_argument("folder", type=Path, metavar="FOLDER", help="the season folder")
    kind = export.add_mutually_exclusive_group(required=True)
    kind.add_argument("--csv", action="store_true", help="three tables: bookings, slots, figures")
    kind.add_argument("--netcdf", action="store_true", help="one netCDF file with everything")
    kind.add_argument("--ics", action="store_true", help="a calendar: slots, practise by, reply by")
    kind.add_argument("--html", action="store_true", help="pages to send: the season, and one a booking")
    export.set_defaults(write_html=write_html)
    export.add_argument("--into", type=Path, default=Path(), metavar="DIR", help="where to (default: here)")
    export.add_argument("--json", action="store_true", help="print what was written as JSON")


def _booking(command: argparse.ArgumentParser) -> None:
    command.add_argument("folder", type=Path, metavar="FOLDER", help="the season folder")
    command.add_argument("booking", metavar="BOOKING", help="the booking's id")
    command.add_argument(
        "--day",
        metavar="YYYY-MM-DD",
        help="show day (default: the booking's first; for a reading with a date, the next)",
    )


def season_and_results(folder: Path) -> tuple[Season, xr.Dataset]:
    """The season and its results, which must be those of the season as it stands."""
    from pipeline.inputs import digest_of, load_season
    from pipeline.results import read_results
    from pipeline.run import results_path
    from pipeline.stations.store import cache_root

    season = load_season(folder)
    ds = read_results(results_path(folder, cache_root()))
    if str(ds.attrs["season_digest"]) != digest_of(season):
        raise InputError(
            f"{folder} has changed since its results were computed, so they no longer hold its limits. "
            f"Run `showhour forecast {folder}` first."
        )
    return season, ds


def _print(text: str) -> None:
    print(text)


def _print_json(value: Any) -> None:
    from pipeline.briefing import as_plain
    from pipeline.results import CAUTIONS

    plain = as_plain(value)
    plain["cautions"] = list(CAUTIONS)
    print(json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False))


def _slots(arguments: argparse.Namespace) -> int:
    from pipeline.briefing import ask_of, ask_text, slot_answer
    from pipeline.results import CAUTIONS, in_100

    if not 0.0 < arguments.chance <= 100.0:
        raise InputError(f"--chance {arguments.chance:g} is out of range: a percentage up to 100 is wanted.")
    if not 0 <= arguments.late <= 600:
        raise InputError(f"--late {arguments.late} is out of range: minutes from 0 to 600 are wanted.")
    _, ds = season_and_results(arguments.folder)
    answer = slot_answer(
        ds,
        arguments.booking,
        date=arguments.day,
        stated_chance=arguments.chance / 100.0,
        late_minutes=arguments.late,
    )
    if arguments.json:
        _print_json({"slots": answer, "ask": ask_of(answer)})
        return OK
    _print(
        f"{answer.place}, {answer.date}, local times ({answer.timezone}); the slot in discussion is "
        f"{answer.rows[answer.offered].local}; {answer.years} years\n"
    )
    _print(
        f"{'':>6} {'full show':>9} {'any show':>9} {'nothing':>9} {'DA median':>10} {'1 in 10':>9} "
        f"{'buys':>9} {'crowd':>6} {'gust':>6} {'thunder':>8}"
    )
    for i, row in enumerate(answer.rows):
        mark = "*" if row.as_good_as_best else " " if row.in_window else "-"
        buys = row.gain.density_altitude_ft
        told = f"{buys.difference:+,.0f} ft" if i == answer.offered or buys.told_apart else "same"
        thunder = "–" if row.thunder != row.thunder else f"{in_100(row.thunder)} %"
        _print(
            f"{mark}{row.local} {row.full_show.in_100:>7} % {row.any_show.in_100:>7} % "
            f"{in_100(row.nothing):>7} % {row.density_altitude_median_ft:>7,.0f} ft "
            f"{row.density_altitude_high_ft:>6,.0f} ft {told:>9} {row.toward_crowd_high_kt:>3.0f} kt "
            f"{row.gust_high_kt:>3.0f} kt {thunder:>8}" + (f"  {row.sun}" if row.sun else "")
        )
    shows = {name: max(len(name), 8) for name in (*answer.rows[0].routines, "no show")}
    _print(f"\n{'':>6} " + " ".join(f"{name:>{width}}" for name, width in shows.items()))
    for row in answer.rows:
        flown = [*(chance.in_100 for chance in row.routines.values()), in_100(row.nothing)]
        cells = [f"{share + ' %':>{width}}" for share, width in zip(flown, shows.values(), strict=True)]
        _print(f" {row.local} {' '.join(cells)}")
    _print(f"\n* as good as the best hour of the {answer.window}   - outside the window")
    _print("the second table: the share of days on which each show is the one flown")
    estimated = "; the gusts here are estimated, with a model of other stations"
    _print(
        "crowd, gust: wind toward the crowd and gust peak that 1 day in 10 exceeds"
        f"{estimated if answer.gusts == 'estimated' else ''}\n"
    )
    _print(ask_text(answer, CAUTIONS))
    return OK


def _today(arguments: argparse.Namespace) -> int:
    import datetime as dt

    import numpy as np

    from pipeline.air.variables import FT
    from pipeline.paperwork import show_tops
    from pipeline.results import CAUTIONS
    from pipeline.which_show import today_answer, today_text

    season, ds = season_and_results(arguments.folder)
    booked = next((b for b in season.bookings if b.id == arguments.booking), None)
    if booked is None:
        raise InputError(
            f"There is no booking {arguments.booking!r} in {arguments.folder}; "
            f"there are {', '.join(b.id for b in season.bookings)}."
        )
    venue = season.venue(booked.venue)
    elevation_ft = arguments.station_elevation_ft
    elevation = venue.elevation if elevation_ft is None else elevation_ft * FT
    if elevation_ft is not None and not -1400.0 <= elevation_ft <= 15_000.0:
        raise InputError(
            f"--station-elevation-ft {elevation_ft:g} is out of range: feet above mean sea level from "
            "-1,400 to 15,000 are wanted."
        )
    now = dt.datetime.now(dt.UTC)
    reading = _reading(arguments, elevation, now, booked, venue)
    told = today_answer(
        ds,
        arguments.booking,
        reading,
        date=arguments.day or _nearest_day(booked, venue, reading),
        lapse_rate=venue.lapse_rate_k_per_km / 1000.0,
        thunder_stops=season.act_limits(venue).thunder == "stop",
        two_amber_is_red=season.pilot.two_amber_is_red,
        tops=show_tops(season, ds, arguments.booking),
        now=np.datetime64(now.replace(tzinfo=None), "s"),
    )
    if arguments.json:
        _print_json({"today": told})
    else:
        _print(today_text(told, CAUTIONS))
    return OK


def _nearest_day(booked: Booking, venue: Venue, reading: Reading) -> str:
    """The show day that a reading is meant for when none is named: the first whose slot is not long past."""
    import datetime as dt

    from pipeline.which_show import STALE_HOURS

    if reading.instant is None:
        return booked.show_days[0].isoformat()
    read = dt.datetime.fromisoformat(str(reading.instant)).replace(tzinfo=dt.UTC)
    past = read - dt.timedelta(hours=STALE_HOURS)
    to_come = [day for day in booked.show_days if venue.utc(day, booked.slot) >= past]
    return (to_come or booked.show_days[-1:])[0].isoformat()


_TYPED = (
    "temperature_c", "dew_point_c", "altimeter_inhg", "wind", "gust_kt", "ceiling_ft", "visibility_sm",
    "thunder", "at",
)  # fmt: skip


def _read_at(arguments: argparse.Namespace, booked: Booking, venue: Venue) -> np.datetime64 | None:
    """The instant of typed values, UTC; None where none is given."""
    import datetime as dt

    import numpy as np

    if arguments.at is None:
        return None
    try:
        day = booked.show_days[0] if arguments.day is None else dt.date.fromisoformat(arguments.day)
    except ValueError as error:
        raise InputError(
            f"--day {arguments.day!r} is no date: YYYY-MM-DD is wanted, one of "
            f"{', '.join(str(d) for d in booked.show_days)}."
        ) from error
    try:
        clock = arguments.at if "T" in arguments.at else f"{day}T{arguments.at}"
        local = dt.datetime.strptime(clock, "%Y-%m-%dT%H:%M")
    except ValueError as error:
        raise InputError(
            f"--at {arguments.at!r} is no time: HH:MM on the show day, or YYYY-MM-DDTHH:MM, local, is wanted."
        ) from error
    return np.datetime64(venue.utc(local.date(), local.time()).replace(tzinfo=None), "s")


def _reading(arguments: argparse.Namespace, elevation: float, now: Any, booked: Booking, venue: Venue) -> Any:
    from pipeline.observed import metar_reading, typed_reading
    from pipeline.reading import parse_wind

    typed = [name for name in _TYPED if getattr(arguments, name) is not None]
    if arguments.metar is not None:
        if typed:
            raise InputError(
                f"Give a METAR or typed values, not both (--metar and --{typed[0].replace('_', '-')})."
            )
        return metar_reading(arguments.metar, elevation, now.date())
    if arguments.temperature_c is None or arguments.altimeter_inhg is None:
        raise InputError(
            "Give --metar with the whole report, or at least --temperature-c and --altimeter-inhg; "
            "what is left out is not cleared."
        )
    direction, speed = (None, None) if arguments.wind is None else parse_wind(arguments.wind)
    ceiling = arguments.ceiling_ft
    no_ceiling = ceiling is not None and ceiling.strip().lower() == "none"
    try:
        ceiling_ft = None if ceiling is None or no_ceiling else float(ceiling)
    except ValueError as error:
        raise InputError(
            f"--ceiling-ft {ceiling!r} is no height: feet above the ground, or none, are wanted."
        ) from error
    return typed_reading(
        station_elevation=elevation,
        temperature_c=arguments.temperature_c,
        dew_point_c=arguments.dew_point_c,
        altimeter_inhg=arguments.altimeter_inhg,
        wind_from=direction,
        wind_kt=speed,
        gust_kt=arguments.gust_kt,
        ceiling_ft=ceiling_ft,
        no_ceiling=no_ceiling,
        visibility_sm=arguments.visibility_sm,
        thunder=None if arguments.thunder is None else arguments.thunder == "yes",
        instant=_read_at(arguments, booked, venue),
    )


def _papers(arguments: argparse.Namespace) -> int:
    from pipeline.paperwork import write_papers

    season, ds = season_and_results(arguments.folder)
    written, skipped = write_papers(
        season, ds, arguments.into, booking=arguments.booking, altimeter_inhg=arguments.altimeter_inhg
    )
    for line in skipped:
        print(f"showhour: {line}", file=sys.stderr)
    if arguments.json:
        _print_json({"written": [str(path) for path in written], "skipped": list(skipped)})
    else:
        _print(f"{len(written)} papers in {arguments.into}")
    return OK if not skipped else SOME_FAILED if written else NOTHING_DONE


def _export(arguments: argparse.Namespace) -> int:
    import datetime as dt

    from pipeline import exports
    from pipeline.results import netcdf_file
    from pipeline.run import results_path
    from pipeline.stations.store import cache_root

    season, ds = season_and_results(arguments.folder)
    results = results_path(arguments.folder, cache_root())
    if arguments.csv:
        written = exports.write_tables(ds, arguments.into)
    elif arguments.netcdf:
        written = [exports.write_netcdf(netcdf_file(results), arguments.into)]
    elif arguments.html:
        written = arguments.write_html(season, results, arguments.into)
    else:
        from pipeline.paperwork import calendar_events

        made = dt.datetime.fromisoformat(str(ds.attrs["computed_at"]))
        events = calendar_events(season, ds)
        written = [exports.write_calendar(events, season.name, arguments.into, made)]
    if arguments.json:
        _print_json({"written": [str(path) for path in written]})
        return OK
    for path in written:
        _print(str(path))
    return OK
