"""The ``plan`` command: which offers to take, how the aircraft gets there, and what grounds the act."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import INPUT_WRONG, OK

if TYPE_CHECKING:
    from pipeline.season_plan import Plan

__all__ = ["add_plan", "plan_text"]


def add_plan(add: Callable[..., argparse.ArgumentParser]) -> None:
    """Add the ``plan`` command.

    Parameters
    ----------
    add
        Takes a name, what runs it, and words; gives the command's parser.
    """
    plan = add("plan", _plan, "which offers to take, how the aircraft gets there, and what grounds the act")
    plan.add_argument("folder", type=Path, metavar="FOLDER", help="the season folder")
    plan.add_argument("--json", action="store_true", help="print the answer as JSON")


def _plan(arguments: argparse.Namespace) -> int:
    """Print the plan of a season; 2 when contracts cannot all be kept."""
    import sys

    from pipeline.desk import season_and_results
    from pipeline.results import CAUTIONS
    from pipeline.season_plan import plan_season

    season, ds = season_and_results(arguments.folder)
    plan = plan_season(ds, season)
    if arguments.json:
        import json

        from pipeline.briefing import as_plain

        told = as_plain(plan) | {"cautions": list(CAUTIONS)}
        print(json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print(plan_text(plan))
    for line in plan.broken:
        print(f"showhour: {line}", file=sys.stderr)
    return INPUT_WRONG if plan.broken else OK


def plan_text(plan: Plan) -> str:
    """The plan as people read it."""
    from pipeline.results import CAUTIONS, in_100

    lines = [f"CONTRACT THAT CANNOT BE KEPT: {line}" for line in plan.broken]
    lines += [f"ALARM: {line}" for line in plan.alarms]
    if lines:
        lines.append("")
    lines.append(
        f"Expected worth {plan.worth:,.0f} {plan.currency} from {len(plan.bookings)} bookings, "
        f"{plan.ferry_hours:.0f} h of ferry for {plan.ferry_cost:,.0f} taken off."
    )
    if plan.stays_best is None:
        lines.append("How often it stays the best is not stated: too few years are held in common.")
    else:
        lines.append(
            f"It stays the best in {in_100(plan.stays_best)} % of {plan.draws} resamples of the years; in "
            f"one in ten another is better by {plan.loss_1_in_10:,.0f} or more."
        )
    lines += [
        "",
        f"{'':<15} {'booking':<26} {'days':<16} {'slot':<6} {'full':>9} {'show':>9} {'expected':>9}  why",
    ]
    for row in plan.offers:
        expected = "–" if row.expected is None else f"{row.expected:,.0f}"
        full, shows = ("–" if v is None else f"{in_100(v)} %" for v in (row.full_show, row.full_or_composed))
        days = (
            row.first_day[5:] if row.first_day == row.last_day else f"{row.first_day[5:]}–{row.last_day[5:]}"
        )
        reply = f" (reply by {row.reply_by})" if row.reply_by and row.decision in ("take", "pass") else ""
        lines.append(
            f"{row.decision:<15} {row.booking:<26} {days:<16} {row.slot:<6} {full:>9} {shows:>9} "
            f"{expected:>9}  {row.why}{reply}"
        )
        if row.worth_taking_if:
            lines.append(f"{'':<15} {'':<26} {row.worth_taking_if}")
        lines += [f"{'':<15} {'':<26} {note}" for note in row.notes]
    lines += ["", "Ferry (local times at either end):"]
    for leg in plan.legs:
        chance = "not observed" if leg.in_time is None else f"{in_100(leg.in_time)} %"
        tail = f", in time {chance} with {leg.spare_days} spare" if leg.for_booking else ""
        if leg.not_observed:
            tail += f" ({', '.join(leg.not_observed)} not observed)"
        wind = "wind not observed" if leg.headwind_kt is None else f"headwind {leg.headwind_kt:.0f} kt"
        lines.append(
            f"  {leg.take_off_local[:16].replace('T', ' ')} {leg.from_place} to {leg.to_place}, "
            f"there {leg.arrival_local[:16].replace('T', ' ')}: {leg.distance_nm:,.0f} NM, {leg.legs} "
            f"leg{'s' if leg.legs != 1 else ''}, {leg.flying_h:.1f} h, {leg.days} "
            f"day{'s' if leg.days != 1 else ''}, {wind}{tail}"
            + (
                f"; leave by {leg.leave_latest_local[:16].replace('T', ' ')}"
                if leg.leave_latest_local
                else ""
            )
        )
    lines += ["", "Next best:"]
    for other in plan.runners_up:
        swap = [f"take {', '.join(other.takes)}"] if other.takes else []
        swap += [f"leave {', '.join(other.leaves)}"] if other.leaves else []
        lines.append(f"  {other.worth - plan.worth:+,.0f}: {'; '.join(swap)}")
    lines += ["", "Governing floors:"]
    lines += [f"  {venue}: {feet:,.0f} ft ({name})" for venue, feet, name in plan.floors]
    return "\n".join([*lines, "", *plan.notes, "", *CAUTIONS])
