"""The commands ``showhour log`` and ``showhour learn``: what was flown, and what it teaches."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.errors import InputError

__all__ = ["add_log"]

Add = Callable[..., argparse.ArgumentParser]


def add_log(add: Add) -> None:
    """Add the commands to a parser.

    Parameters
    ----------
    add
        Adds one command: name, function, words, description.
    """
    log = add(
        "log",
        _log,
        "keep the show log: add, correct or remove a show, import a file, check it",
        "Keep the log of shows flown, by exception: what is not named was flown as planned. `log add FOLDER` "
        "with --date, --time, --venue and the figures changed; `log remove FOLDER` with --date, --time and "
        "--venue; `log import FOLDER FILE.csv`; `log check FOLDER`. Name a figure and what bit as "
        "'Torque roll:rough_air'; what bit is one of "
        "density_altitude, wind_across, rough_air, wind_along, other.",
    )
    log.add_argument(
        "what",
        choices=("add", "remove", "import", "check"),
        help="add or remove one show, import a file, or check the log",
    )
    log.add_argument("folder", type=Path, metavar="FOLDER", help="the season folder")
    log.add_argument("file", type=Path, nargs="?", metavar="FILE.csv", help="with import: the file")
    log.add_argument("--date", metavar="YYYY-MM-DD", help="with add, remove: local date of the show")
    log.add_argument("--time", metavar="HH:MM", help="with add, remove: local start of the show")
    log.add_argument("--venue", metavar="ID", help="with add, remove: id of the venue")
    log.add_argument(
        "--routine", default="full", metavar="LABEL", help="with add: routine flown, or none (default: full)"
    )
    for outcome, words in (
        ("dropped", "left out on the day"),
        ("trimmed", "flown in a lesser form"),
        ("planned-out", "out already when the show was planned"),
    ):
        log.add_argument(
            f"--{outcome}",
            action="append",
            default=[],
            metavar="FIGURE:CAUSE",
            help=f"with add: a figure {words}, and what bit; may be given more than once",
        )
    log.add_argument("--density-altitude-ft", metavar="FT", help="with add: density altitude, if noted")
    log.add_argument("--wind-from-deg-true", metavar="DEG", help="with add: true wind direction, if noted")
    log.add_argument("--wind-kt", metavar="KT", help="with add: mean wind in knots, if noted")
    log.add_argument("--gust-kt", metavar="KT", help="with add: gust in knots, if noted")
    log.add_argument("--note", default="", metavar="TEXT", help="with add: a remark")
    log.add_argument("--replace", action="store_true", help="correct what the log has of the same show")
    log.add_argument("--json", action="store_true", help="print the answer as JSON")

    learn = add(
        "learn",
        _learn,
        "what the show log teaches about your personal limits",
        "Fit your personal limits to the show log and say what it teaches. The limits you wrote are never "
        "relaxed by it unless season.yaml has learned_may_relax: true under pilot.",
    )
    learn.add_argument("folder", type=Path, metavar="FOLDER", help="the season folder")
    learn.add_argument("--json", action="store_true", help="print the answer as JSON")


def _print_json(value: Any) -> None:
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def _log(arguments: argparse.Namespace) -> int:
    from pipeline import show_log
    from pipeline.inputs import load_season

    season = load_season(arguments.folder)
    venues = [v.id for v in season.venues]
    figures = [f.name for f in season.routine.repertoire]
    routines = ["full", *(["low-ceiling"] if season.routine.low_ceiling else []), "none"]
    if arguments.what in ("add", "remove"):
        for name in ("date", "time", "venue"):
            if not getattr(arguments, name):
                raise InputError(f"`log {arguments.what}` needs --{name}.")
    if (arguments.what == "import") != (arguments.file is not None):
        raise InputError("Give a file with `log import FOLDER FILE.csv`, and with nothing else.")
    told: dict[str, Any] = {}
    line = ""
    if arguments.what == "add":
        show = _typed_show(arguments, venues, figures, season.year)
        show_log.add_show(arguments.folder, show, replace=arguments.replace)
        told = {"logged": show.words, "figures_changed": len(show.changed)}
        line = f"logged: {show.words}, {len(show.changed)} figures changed"
    elif arguments.what == "remove":
        gone = show_log.remove_show(arguments.folder, arguments.date, arguments.time, arguments.venue)
        told = {"removed": gone.words}
        line = f"removed: {gone.words}; the log as it was is in {show_log.PREVIOUS}"
    elif arguments.what == "import":
        added, same = show_log.import_shows(arguments.folder, arguments.file, replace=arguments.replace)
        told = {"added": added, "already_there": same}
        line = f"{added} shows added or corrected, {same} there already"
    shows, warnings = show_log.read_log(
        arguments.folder, venues=venues, figures=figures, routines=routines, season_year=season.year
    )
    for warning in warnings:
        print(f"warning: {warning}", file=sys.stderr)
    if arguments.what == "check":
        told = {"shows": len(shows)}
        line = (
            f"{arguments.folder / show_log.FILE}: {len(shows)} shows, no mistakes, {len(warnings)} warnings"
        )
    told["warnings"] = [str(w) for w in warnings]
    if arguments.json:
        _print_json(told)
    else:
        print(line)
    return 0


def _typed_show(
    arguments: argparse.Namespace, venues: list[str], figures: list[str], season_year: int
) -> Any:
    """Build the show of the command line, read by the same rules as the file."""
    from pipeline import show_log

    place = {"date": arguments.date, "time_local": arguments.time, "venue": arguments.venue}
    rows = [
        place
        | {
            "routine": arguments.routine,
            "density_altitude_ft": arguments.density_altitude_ft,
            "wind_from_deg_true": arguments.wind_from_deg_true,
            "wind_kt": arguments.wind_kt,
            "gust_kt": arguments.gust_kt,
            "note": arguments.note,
        }
    ]
    for outcome in show_log.OUTCOMES:
        for text in getattr(arguments, outcome):
            figure, colon, cause = text.rpartition(":")
            if not colon:
                raise InputError(f"Name a figure and what bit, as 'Torque roll:rough_air'; found {text!r}.")
            rows.append(place | {"figure": figure.strip(), "outcome": outcome, "cause": cause.strip()})
    return show_log.show_from_rows(rows, venues=venues, figures=figures, season_year=season_year)


def _learn(arguments: argparse.Namespace) -> int:
    from pipeline.files import write_atomically
    from pipeline.inputs import load_season
    from pipeline.learn import told
    from pipeline.results import CAUTIONS
    from pipeline.run import learned_limits, results_path
    from pipeline.stations.store import Store, cache_root

    season = load_season(arguments.folder)
    learned = learned_limits(season, Store())
    if learned is None:
        raise InputError(
            f"{arguments.folder} has no shows in show_log.csv to learn from. Log one with `showhour log add`."
        )
    answer = told(learned)
    path = results_path(arguments.folder, cache_root()).with_suffix(".learned.json")
    write_atomically(path, (json.dumps(answer, indent=2, ensure_ascii=False) + "\n").encode())
    if answer["venues_without_air"]:
        print(
            f"warning: nothing is known of the air of shows at {', '.join(answer['venues_without_air'])}: "
            f"they say nothing yet. Fetch the stations' hours with `showhour fetch {arguments.folder}`, or "
            "note the conditions in the shows' own rows.",
            file=sys.stderr,
        )
    if arguments.json:
        _print_json(answer)
        return 0
    print(
        f"{season.name}: {answer['shows_logged']} shows logged, {answer['first_show']} to "
        f"{answer['last_show']}; {answer['shows']} say something about your limits, "
        f"{answer['shows_with_a_change']} with a figure changed\n"
    )
    for row in answer["causes"]:
        print(f"{row['sentence']}.")
        if row["question"]:
            print(f"  {row['question']}")
    if answer["learned_may_relax"]:
        print("\nlearned_may_relax is on: a learned limit may be more permissive than the one you wrote.")
    print(f"\nCoefficients: {path}\n")
    for line in CAUTIONS:
        print(line)
    return 0
