"""The ``showhour`` command. Heavy libraries are loaded by the commands that need them."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import __version__
from pipeline.desk import add_commands
from pipeline.errors import INPUT_WRONG, NOTHING_DONE, OK, SOME_FAILED, InputError, ShowhourError
from pipeline.log_desk import add_log
from pipeline.plan_desk import add_plan

if TYPE_CHECKING:
    from pipeline.inputs import Season

__all__ = ["main"]

_EXIT_CODES = (
    "exit codes: 0 all well; 2 something you wrote is wrong; 3 some venues failed and the rest were done; "
    "4 nothing could be done"
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code.

    Parameters
    ----------
    argv
        Arguments; those of the process by default.
    """
    # The matrices are small: a second BLAS thread only waits for the first, for as long as the fit itself
    # takes many times over on a busy machine. Numpy reads this when it is loaded, which is later.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    parser = _parser()
    arguments = parser.parse_args(argv)
    as_json = bool(getattr(arguments, "json", False))
    try:
        return int(arguments.run(arguments))
    except InputError as error:
        return _fail(error, INPUT_WRONG, as_json=as_json)
    except ShowhourError as error:
        return _fail(error, NOTHING_DONE, as_json=as_json)
    except KeyboardInterrupt:
        print("\nshowhour: stopped; what was finished is kept.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader went away (as `| head` does); there is nobody left to tell.
        sys.stderr.close()
        return OK


def _fail(error: Exception, code: int, *, as_json: bool) -> int:
    print(f"showhour: {error}", file=sys.stderr)
    if as_json:
        _print_json({"error": str(error), "exit_code": code})
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="showhour",
        description="Plan a display season by the air at the show hour: density altitude, wind and gust at "
        "every booked venue, and on how many such days each figure must be changed.",
        epilog="Planning aid only; past weather is not a forecast; not a flight clearance. " + _EXIT_CODES,
    )
    parser.add_argument("--version", action="version", version=f"showhour {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, run: Any, words: str, description: str = "") -> argparse.ArgumentParser:
        command = commands.add_parser(name, help=words, description=description or words, epilog=_EXIT_CODES)
        command.set_defaults(run=run)
        return command

    def folder(command: argparse.ArgumentParser) -> None:
        command.add_argument("folder", type=Path, metavar="FOLDER", help="the season folder")

    def as_json(command: argparse.ArgumentParser) -> None:
        command.add_argument("--json", action="store_true", help="print the answer as JSON")

    demo = add("demo", _demo, "run the invented demo season end to end and open the dashboard")
    demo.add_argument("--no-dashboard", action="store_true", help="stop after the results")
    demo.add_argument(
        "--into", type=Path, metavar="FOLDER", help="where to copy the demo season (default: demo-season)"
    )
    demo.add_argument("--port", type=int, default=8501, help="port of the dashboard (default 8501)")
    as_json(demo)

    check = add("check", _check, "report every mistake in a season folder at once")
    folder(check)
    as_json(check)

    fetch = add("fetch", _fetch, "bring the station hours of a season up to date")
    folder(fetch)
    fetch.add_argument("--refresh", action="store_true", help="ask for every year anew")
    as_json(fetch)

    forecast = add("forecast", _forecast, "compute the season from the station hours already fetched")
    folder(forecast)
    forecast.add_argument("--output", type=Path, metavar="FILE.nc", help="where to write the results")
    as_json(forecast)

    run = add("run", _run, "fetch, then forecast")
    folder(run)
    run.add_argument("--refresh", action="store_true", help="ask for every year anew")
    run.add_argument("--output", type=Path, metavar="FILE.nc", help="where to write the results")
    as_json(run)

    routines = add(
        "routines",
        _routines,
        "the season's few routines, which of them each booking may need, and what to practise by when",
    )
    folder(routines)
    as_json(routines)

    dashboard = add("dashboard", _dashboard, "open the dashboard of a season on this machine")
    folder(dashboard)
    dashboard.add_argument("--port", type=int, default=8501, help="port (default 8501)")
    dashboard.add_argument(
        "--address",
        default="127.0.0.1",
        metavar="IP",
        help="address to serve at; any but this machine's own asks for --sign-in (default 127.0.0.1)",
    )
    dashboard.add_argument(
        "--sign-in",
        type=Path,
        metavar="FILE.toml",
        help="ask everybody to sign in, as this file says (docs/sharing.md)",
    )
    as_json(dashboard)

    stations = add("stations", _stations, "list stations near a venue, with distance, height and years")
    stations.add_argument("what", choices=("near",), help="near: candidates for a venue")
    stations.add_argument(
        "venue", type=Path, metavar="VENUE.yaml", help="the venue's file in a season folder"
    )
    stations.add_argument("--within-nm", type=float, default=50.0, help="radius in NM (default 50)")
    stations.add_argument(
        "--list",
        type=Path,
        metavar="FILE",
        help="a station list on disk: ghcnh-station-list.csv or isd-history.csv (default: fetch the first)",
    )
    stations.add_argument(
        "--look",
        type=int,
        default=0,
        metavar="N",
        help="fetch the last whole year of the N nearest, to tell what they report (default: none)",
    )
    as_json(stations)

    verify = add(
        "verify",
        _verify,
        "hindcast every past year and score the forecasts against what happened",
        "Forecast every past year from earlier years only, and with that year left out, and score the "
        "forecasts against the station's own reports: a season's stations, or a station-hours CSV file.",
    )
    from pipeline.verify import add_verify

    add_verify(verify)

    cache = add("cache", _cache, "show, verify or trim what is stored on this machine")
    cache.add_argument(
        "what",
        nargs="?",
        choices=("show", "verify", "trim"),
        default="show",
        help="show: what is stored; verify: read all of it; trim: delete copies that can be made again",
    )
    as_json(cache)

    add_commands(add, _write_html)
    add_plan(add)
    add_log(add)

    air = add(
        "air",
        _air,
        "pressure altitude, density altitude and wind components of one reading",
        "Pressure altitude, density altitude and wind components of one reading. Give one pressure and one "
        "temperature.",
    )
    air.add_argument("--elevation-ft", type=float, required=True, help="field elevation in feet")
    pressure = air.add_mutually_exclusive_group(required=True)
    pressure.add_argument("--altimeter-inhg", type=float, help="altimeter setting in inches of mercury")
    pressure.add_argument("--altimeter-hpa", type=float, help="altimeter setting (QNH) in hPa")
    pressure.add_argument(
        "--mslp-hpa", type=float, help="mean sea level pressure in hPa, as in the remarks or an archive"
    )
    pressure.add_argument("--station-pressure-hpa", type=float, help="pressure at the field in hPa (QFE)")
    temperature = air.add_mutually_exclusive_group(required=True)
    temperature.add_argument("--temperature-c", type=float, help="air temperature in °C")
    temperature.add_argument("--temperature-f", type=float, help="air temperature in °F")
    dew = air.add_mutually_exclusive_group()
    dew.add_argument(
        "--dew-point-c", type=float, help="dew point in °C; without it the dry value is all there is"
    )
    dew.add_argument("--dew-point-f", type=float, help="dew point in °F")
    air.add_argument(
        "--temperature-12h-ago-c",
        type=float,
        help="with --mslp-hpa: temperature twelve hours ago in °C, which the reduction used (default: now)",
    )
    air.add_argument(
        "--mslp-reduction",
        choices=("plateau", "hypsometric"),
        default="plateau",
        help="with --mslp-hpa: plateau as in North America (default), or plain hypsometric",
    )
    air.add_argument(
        "--wind", metavar="DIR/KT", help="wind as true direction and knots, such as 140/25 or VRB/4"
    )
    air.add_argument("--runway-true", type=float, metavar="DEG", help="true heading of the runway")
    as_json(air)
    return parser


# --- Printing ---------------------------------------------------------------------------------------


def _print_json(value: Any) -> None:
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def _progress(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _cautions() -> None:
    from pipeline.results import CAUTIONS

    print()
    for line in CAUTIONS:
        print(line)


# --- Commands ---------------------------------------------------------------------------------------


def _check(arguments: argparse.Namespace) -> int:
    from pipeline.fetch import station_file_mistakes
    from pipeline.flight_inputs import flight_mistakes
    from pipeline.inputs import check_season, load_season, not_checked

    faults = check_season(arguments.folder)
    warnings: list[Any] = []
    if not faults:
        season = load_season(arguments.folder)
        # What is in the stations' own files only reading them tells.
        faults, left_out = station_file_mistakes(season)
        flight_faults, flight_warnings = flight_mistakes(season)
        faults = [*faults, *flight_faults]
        warnings = [*season.warnings, *flight_warnings, *left_out]
    if arguments.json:
        rows = [
            {"file": f.file, "line": f.line, "key": f.key, "found": f.found, "wanted": f.wanted, "kind": kind}
            for kind, held in (("mistake", faults), ("warning", warnings))
            for f in held
        ]
        _print_json(
            {
                "folder": str(arguments.folder),
                "ok": not faults,
                "findings": rows,
                "not_checked": not_checked(faults),
            }
        )
    else:
        for fault in faults:
            print(fault)
        for warning in warnings:
            print(f"warning: {warning}")
        if faults:
            for line in not_checked(faults):
                print(line)
            print(f"{len(faults)} mistake{'s' if len(faults) != 1 else ''} in {arguments.folder}")
        else:
            print(
                f"{arguments.folder}: no mistakes, {len(warnings)} warning{'s' if len(warnings) != 1 else ''}"
            )
    return INPUT_WRONG if faults else OK


def _outcome_code(failed: int, total: int) -> int:
    return OK if not failed else NOTHING_DONE if failed == total else SOME_FAILED


def _fetched(arguments: argparse.Namespace, *, ahead: bool = False) -> list[dict[str, Any]]:
    """Fetch a season's stations, computing ahead for a forecast if asked; a row each, with what failed."""
    import datetime as dt

    from pipeline.ahead import Ahead
    from pipeline.fetch import fetch_season
    from pipeline.inputs import load_season
    from pipeline.stations.store import Store

    season, store = load_season(arguments.folder), Store()
    now = dt.datetime.now(dt.UTC)
    with Ahead(season, store.cache) as beside:
        outcomes = fetch_season(
            season,
            store,
            now=now,
            refresh=arguments.refresh,
            progress=_progress,
            arrived=beside.venue if ahead else lambda _: None,
        )
    for outcome in outcomes:
        if outcome.error:
            print(f"showhour: {outcome.error}", file=sys.stderr)
    return [
        {
            "source": o.source,
            "station": o.station_id,
            "venues": list(o.venues),
            "error": o.error or None,
            "input_wrong": o.input_wrong,
            "rejected": dict(o.rejected),
        }
        for o in outcomes
    ]


def _fetch(arguments: argparse.Namespace) -> int:
    rows = _fetched(arguments)
    failed = sum(row["error"] is not None for row in rows)
    if arguments.json:
        _print_json({"stations": rows})
    else:
        print(f"{len(rows) - failed} of {len(rows)} stations up to date")
    if any(row["input_wrong"] for row in rows):
        return INPUT_WRONG
    return _outcome_code(failed, len(rows))


def _forecast(arguments: argparse.Namespace) -> int:
    import time

    began = time.monotonic()
    path = _results_file(arguments)
    return _compute(arguments, path, "forecast", [], began)


def _run(arguments: argparse.Namespace) -> int:
    import time

    began = time.monotonic()
    path = _results_file(arguments)
    return _compute(arguments, path, "run", _fetched(arguments, ahead=True), began)


def _results_file(arguments: argparse.Namespace) -> Path:
    """Where the results are to be written; their summary and their run record take its name with .json."""
    from pipeline.run import results_path
    from pipeline.stations.store import cache_root

    path: Path | None = arguments.output
    if path is not None and path.suffix != ".nc":
        raise InputError(
            f"--output {path}: what is written is a netCDF file. Give it a name that ends in .nc; its "
            "summary is written beside it, with .json in that place."
        )
    return path or results_path(arguments.folder, cache_root())


def _compute(
    arguments: argparse.Namespace, path: Path, command: str, fetched: list[dict[str, Any]], began: float
) -> int:
    """Forecast, write the results and the run record; with what fetching came to before it."""
    import datetime as dt
    import time

    from pipeline import record, results
    from pipeline.inputs import load_season
    from pipeline.run import laid_forecast
    from pipeline.stations.store import Store

    started = dt.datetime.now(dt.UTC) - dt.timedelta(seconds=time.monotonic() - began)
    season = load_season(arguments.folder)
    for warning in season.warnings:
        print(f"warning: {warning}", file=sys.stderr)
    record.must_be_writable(path)
    store = Store()
    laid = laid_forecast(season, store, progress=_progress)
    told = results.summary(laid)
    bad = [v for v in told["venues"] if v["status"] != "ok"]
    code = _outcome_code(len(bad), len(told["venues"]))
    if code == OK and any(row["error"] for row in fetched):
        code = SOME_FAILED
    if code == SOME_FAILED and any(row["input_wrong"] for row in fetched):
        code = INPUT_WRONG
    if code == NOTHING_DONE:
        for venue in bad:
            print(f"showhour: {venue['name']}: {venue['status']}", file=sys.stderr)
        print("showhour: no venue could be forecast; earlier results, if any, are kept.", file=sys.stderr)
    with record.writing(path):
        begun = started.isoformat(timespec="seconds")
        before = record.compared(record.readable_runs(path), record.earlier_summary(path))
        moved: list[dict[str, Any]] = []
        if code != NOTHING_DONE:
            moved = record.changes(before, told)
            results.write_results(laid, path, told)
        record.add_run(
            path,
            {
                "started": begun,
                "seconds": round(time.monotonic() - began, 1),
                "command": command,
                "exit_code": code,
                "stations": fetched,
                "venues_failed": [{"venue": v["venue"], "status": v["status"]} for v in bad],
                "newest_hours": json.loads(laid["attrs"]["newest_hours"]),
                "moved": moved,
                "compared_with": record.to_compare(before, told, moved, begun)
                if code != NOTHING_DONE
                else before["bookings"]
                if before
                else [],
            },
        )
    for change in moved:
        print(f"showhour: {record.change_in_words(change)}", file=sys.stderr)
    if arguments.json:
        _print_json(told | {"moved": moved})
    elif code != NOTHING_DONE:
        _print_season(told, path)
    return code


def _percent(value: float | None) -> str:
    from pipeline.results import in_100

    return "–" if value is None else f"{in_100(value)} %"


def _print_season(told: dict[str, Any], path: Path) -> None:
    from pipeline.results import CAUSES_SAID

    print(f"{told['season']}: bookings by the chance that the routine is flown as planned\n")
    print(
        f"{'':>3} {'booking':<28} {'state':<11} {'slot':<6} {'as planned':>10} {'90 % interval':>15} "
        f"{'DA median':>10} {'1 in 10':>9}  what bites"
    )
    for row in told["bookings"]:
        if row["rank"] is None:
            print(f"{'–':>3} {row['booking']:<28} {row['state']:<11} {row['status']}")
            continue
        offered = [
            next(s for s in day["slots"] if s["start_local"] == day["slot_in_discussion_local"])
            for day in row["days"]
            if day["status"] == "ok"
        ]
        # The thinnest of the show days, as everywhere else.
        slot = max(offered, key=lambda s: s["density_altitude_1_in_10_high_ft"])
        interval = f"{_percent(row['as_planned_lower'])} – {_percent(row['as_planned_upper'])}"
        print(
            f"{row['rank']:>3} {row['booking']:<28} {row['state']:<11} {slot['start_local']:<6} "
            f"{_percent(row['as_planned']):>10} {interval:>15} "
            f"{slot['density_altitude_median_ft']:>7,.0f} ft "
            f"{slot['density_altitude_1_in_10_high_ft']:>6,.0f} ft  "
            f"{CAUSES_SAID.get(slot['bites'], 'nothing')}"
        )
    for venue in told["venues"]:
        for warning in venue["warnings"]:
            print(f"\n{venue['name']}: {warning}")
    print(f"\nResults: {path}")
    _cautions()


def _routines(arguments: argparse.Namespace) -> int:
    from pipeline.desk import season_and_results
    from pipeline.season_routines import routines_told

    season, ds = season_and_results(arguments.folder)
    with ds:
        told = routines_told(ds, season)
    if arguments.json:
        _print_json(told)
    else:
        _print_routines(told)
    return OK


def _with_interval(row: dict[str, Any], key: str, told: Callable[[float], str]) -> str:
    if row[key] is None:
        return "–"
    ends = row[f"{key}_lower"], row[f"{key}_upper"]
    return told(row[key]) + ("" if None in ends else f" ({told(ends[0])} to {told(ends[1])})")


def _print_routines(told: dict[str, Any]) -> None:
    from pipeline.results import minutes_and_seconds

    print(f"{told['season']}: the season's routines\n")
    for row in told["routines"]:
        print(
            f"{row['routine']}: {row['name']}; {minutes_and_seconds(row['seconds'])} min:s as planned, "
            f"up to {minutes_and_seconds(row['seconds_in_the_thinnest_air'])} on its cards; "
            f"crowd value {row['crowd_value']:g}"
        )
        print(f"    {', '.join(row['figures'])}")
        for words, key in (("without", "left_out"), ("with", "taken_in")):
            if row[key] and row["origin"] == "composed":
                print(f"    {words}: {', '.join(row[key])}")
    print("\nrehearsed  expected crowd value a show  flown days with a further change")
    for row in told["frontier"]:
        value = _with_interval(row, "crowd_value_expected", "{:.1f}".format)
        changed = _with_interval(row, "days_flown_with_a_further_change", _percent)
        print(f"{row['routines_rehearsed']:>9} {value:>29} {changed:>33}")
    print("In brackets the 90 % interval by the past years.")
    if told["all_that_join"]:
        print(f"{told['candidates']} routines join and were compared; no other set gives more.")
    else:
        print(
            f"{told['candidates']} of the routines that join were compared; another set could add at most "
            f"{told['could_lose_crowd_value']:.2f} of crowd value a show."
        )
    print(f"Joins checked: {told['joins_checked']}.\n")
    for row in told["bookings"]:
        if row["status"] != "ok":
            print(f"{row['booking']}: {row['status']}")
            continue
        print(f"{row['booking']}: {row['in_words']}")
        kept = (
            ""
            if row["plan_keeps_a_further_change_to_1_day_in_10"]
            else ("; no routine keeps a further change to 1 day in 10")
        )
        print(f"    plan on: {row['plan_on']}{kept}")
        if row["longer_than_its_slot"]:
            over = (f"{n} by {minutes_and_seconds(s)}" for n, s in row["longer_than_its_slot"].items())
            print(f"    longer than its slot, climbs and all: {', '.join(over)} min:s")
        if row["reserve"]:
            print(f"    in reserve: {', '.join(row['reserve'])}")
    practice = told["practice"]
    if practice is None:
        print("\nNo practice.yaml: whether the figures will be current is not judged.")
    else:
        _print_practice(practice)
    _cautions()


def _print_practice(practice: dict[str, Any]) -> None:
    print()
    shows: dict[tuple[str, ...], list[str]] = {}
    for row in practice["refused"]:
        last = f"last practised {row['last']}" if row["last"] else "no earlier practice written down"
        shows.setdefault((row["show"], row["booking"], last, row["cure"]), []).append(row["figure"])
    for (show, booking, last, cure), figures in shows.items():
        print(f"Not current at {booking} on {show} ({last}): {', '.join(figures)}. {cure}")
    for row in practice["practise"]:
        print(f"Practise from {row['from']} to {row['by']}: {', '.join(row['figures'])}")
    unknown = practice["not_judged"]
    if unknown:
        print(f"Not judged, for want of history: {', '.join(unknown)}")
    if not practice["refused"]:
        of_which = "every show that is judged" if unknown else "every show"
        print(f"Every figure that may be needed is current at {of_which}.")
    thinnest: dict[str, dict[str, Any]] = {}
    for row in practice["rehearsal_air"]:
        # The thinnest of the show days, as everywhere else.
        held = thinnest.setdefault(row["booking"], row)
        if row["show_density_altitude_high_ft"] > held["show_density_altitude_high_ft"]:
            thinnest[row["booking"]] = row
    for row in thinnest.values():
        found = (
            ":"
            if row["needle_ft"] is None
            else f", is found with the base at {row['needle_ft']:,.0f} ft on the altimeter set to "
            f"{row['altimeter_inhg']:.2f};"
        )
        print(
            f"{row['booking']}: the air of {row['show_density_altitude_high_ft']:,.0f} ft, which one day "
            f"in ten exceeds{found} {row['remark']}. Over the usual floor at home {row['low_at_home']}"
        )


def _demo(arguments: argparse.Namespace) -> int:
    from pipeline.inputs import copy_demo

    folder = arguments.into or Path("demo-season")
    arguments.address, arguments.sign_in = "127.0.0.1", None
    if not (folder / "season.yaml").is_file():
        copy_demo(folder)
        _progress(f"The invented demo season is in {folder}.")
    arguments.folder, arguments.refresh, arguments.output = folder, False, None
    code = _run(arguments)
    if code in (INPUT_WRONG, NOTHING_DONE) or arguments.no_dashboard:
        return code
    return _dashboard(arguments)


def _dashboard(arguments: argparse.Namespace) -> int:
    import contextlib
    import signal
    import socket
    import subprocess

    import dashboard
    from dashboard import opening
    from pipeline import results
    from pipeline.errors import StoreError
    from pipeline.inputs import is_vacant, load_season
    from pipeline.run import results_path
    from pipeline.stations.store import cache_root

    at = opening.checked_address(arguments.address, arguments.sign_in)
    public = opening.read_sign_in(arguments.sign_in) if arguments.sign_in else ""
    # A folder that is empty or not there yet begins in the dashboard, and so does one without results.
    if not is_vacant(arguments.folder):
        load_season(arguments.folder)
    path = results_path(arguments.folder, cache_root()).resolve()
    if path.exists():
        results.read_results(path).close()
    with socket.socket(socket.AF_INET6 if ":" in at else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((at, arguments.port))
        except (OSError, OverflowError) as error:
            raise InputError(
                f"Port {arguments.port} of this machine cannot be used at {at} ({error}). Name another with "
                "--port, or another --address."
            ) from error
    home = Path(dashboard.__file__).parent
    # Another program's Streamlit settings must neither open this season to the network nor send anything.
    environment = {k: v for k, v in os.environ.items() if not k.startswith("STREAMLIT_")} | {
        "SHOWHOUR_RESULTS": str(path),
        "SHOWHOUR_SEASON": str(arguments.folder.resolve()),
        "SHOWHOUR_CACHE": str(cache_root().resolve()),
    }
    command = [sys.executable, "-m", "streamlit", "run", "app.py"]
    command += ["--server.address", at, "--server.port", str(arguments.port)]
    if arguments.sign_in:
        environment["SHOWHOUR_SIGN_IN"] = "required"
        command += ["--secrets.files", str(arguments.sign_in.resolve())]
    address = public or f"http://{f'[{at}]' if ':' in at else at}:{arguments.port}"
    who = "after a sign-in" if public else "on this machine only"
    if arguments.json:
        _print_json({"dashboard": address})
        sys.stdout.flush()
    else:
        print(f"The dashboard is at {address} ({who}); end it with Ctrl-C.", flush=True)
    # Streamlit reads its settings beside the script, so it starts there.
    with subprocess.Popen(command, cwd=home, env=environment) as server:
        # Who ends this command ends what it serves; left alone it would hold the port.
        before = signal.signal(signal.SIGTERM, lambda *_: server.terminate())
        try:
            code = server.wait()
        except KeyboardInterrupt:
            # Ctrl-C has reached the server, too; it may take its time over pages that are open.
            with contextlib.suppress(subprocess.TimeoutExpired):
                server.wait(timeout=2)
            server.kill()
            return OK
        finally:
            signal.signal(signal.SIGTERM, before)
    if code > 0:
        raise StoreError(f"The dashboard ended with code {code}; what it printed above says why.")
    return OK


def _write_html(season: Season, results: Path, into: Path) -> list[Path]:
    from dashboard.shared import gather, write_files

    return write_files(gather(results, season), into)


def _stations(arguments: argparse.Namespace) -> int:
    from pipeline.nearby import stations_near

    rows = stations_near(
        arguments.venue, arguments.within_nm, arguments.list, look=arguments.look, progress=_progress
    )
    if arguments.json:
        _print_json({"stations": rows})
        return OK
    if not rows:
        print(f"No station of the list stands within {arguments.within_nm:g} NM. Try a larger --within-nm.")
        return OK
    print(f"{'source':<9} {'station':<14} {'name':<28} {'NM':>6} {'height':>9}  {'years':<16} holds")
    for row in rows:
        years = "not known" if row["first_year"] is None else f"{row['first_year']}–{row['last_year']}"
        if row["years"] is not None:
            years += f" ({row['years']})"
        rise = row["elevation_difference_ft"]
        if row["holds"] is not None:
            holds = ", ".join(f"{name} {_percent(share)}" for name, share in row["holds"].items())
        elif row["may_hold"]:
            holds = f"not known; the archive can hold {', '.join(row['may_hold'])}"
        else:
            holds = "not known"
        print(
            f"{row['source']:<9} {row['station']:<14} {row['name'][:28]:<28} {row['distance_nm']:>6.1f} "
            f"{'–' if rise is None else f'{rise:+,.0f} ft':>9}  {years:<16} {holds}"
        )
    print(
        "Height is against the venue; years with any report in brackets. Shares are of hours stored here; "
        "--look N fetches a year of the N nearest to tell them."
    )
    return OK


def _cache(arguments: argparse.Namespace) -> int:
    from pipeline import housekeeping

    if arguments.what == "trim":
        told = housekeeping.trim()
    else:
        told = housekeeping.stored(verify=arguments.what == "verify")
    if arguments.json:
        _print_json(told)
    else:
        for line in housekeeping.in_words(told):
            print(line)
    return NOTHING_DONE if told.get("damaged") else OK


def _verify(arguments: argparse.Namespace) -> int:
    from pipeline.verify import verify_command

    return verify_command(arguments)


def _air(arguments: argparse.Namespace) -> int:
    from pipeline.reading import air_reading

    told = air_reading(arguments)
    if arguments.json:
        _print_json(told)
        return OK
    for key, words in (
        ("pressure_altitude_ft", "pressure altitude"),
        ("density_altitude_dry_ft", "density altitude, dry air"),
        ("density_altitude_ft", "density altitude"),
    ):
        print(f"{words:<28} {told[key]:>8,.0f} ft")
    if (ahead := told["headwind_kt"]) is not None:
        print(f"{'headwind' if ahead >= 0 else 'tailwind':<28} {abs(ahead):>8.1f} kt")
    if (across := told["crosswind_kt"]) is not None:
        side = f" from the {told['crosswind_from']}" if told["crosswind_from"] else ""
        print(f"{'crosswind':<28} {across:>8.1f} kt{side}")
    for note in told["notes"]:
        print(note)
    _cautions()
    return OK


if __name__ == "__main__":
    sys.exit(main())
