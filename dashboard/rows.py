"""The results shaped into rows for people: all but the sampled air, read at once; nothing decided here."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from dashboard import words
from pipeline.decisions import fees
from pipeline.decisions.limits import NEVER_FLOWN
from pipeline.decisions.trust import GRADES
from pipeline.results import LABELS, SCHEMA, read_results, what_bites

__all__ = ["BookingRow", "Day", "Season", "Slot"]

FloatArray = npt.NDArray[np.floating]
Row = dict[str, Any]

MEDIAN, LOW, HIGH = 0.5, 0.1, 0.9


@dataclass(frozen=True)
class Slot:
    """One slot of a booking day."""

    position: int
    local: str
    in_window: bool

    @property
    def minutes(self) -> int:
        """Local minutes after midnight."""
        return int(self.local[:2]) * 60 + int(self.local[3:])


@dataclass(frozen=True)
class Day:
    """One show day of a booking."""

    index: int
    booking: str
    venue: int
    date: str
    status: str
    offered: int
    slots: tuple[Slot, ...]

    def slot(self, local: str | None) -> Slot | None:
        """Slot by its local start."""
        return next((s for s in self.slots if s.local == local), None)


@dataclass(frozen=True)
class BookingRow:
    """One booking as the season's table shows it; feet, fractions, local time."""

    index: int
    id: str
    place: str
    elevation_ft: float
    dates: str
    day: str
    slot: str
    rank: int
    status: str
    state: str
    fee: float
    as_planned: float
    lower: float
    upper: float
    bites: str
    da_median_ft: float
    da_high_ft: float
    best_slot: str
    best: float
    worst_slot: str
    worst: float
    slots_told_apart: bool
    same_ranks: tuple[int, ...]
    worse_than_fee: bool
    trust: str
    grade: str
    invented: bool
    marked: bool
    apart: str = ""
    """What tells it from another booking that begins at the same place and day: its slot, or its id."""

    @property
    def name(self) -> str:
        """Place and dates, as a booking is spoken of; marked where only some of the weather is made up."""
        return f"{self.place}, {self.dates}{self.apart}{' (INVENTED weather)' if self.marked else ''}"


class Season:
    """The results of a season without their samples.

    Attributes
    ----------
    values
        Arrays by the names of the results schema.
    labels
        Coordinates of every dimension.
    attrs
        Attributes of the results.
    every_id
        Finds the id of any booking in a text.
    """

    def __init__(self, path: Path) -> None:
        with read_results(path) as ds:
            self.values = {n: ds[n].to_numpy() for n, field in SCHEMA.items() if field.dtype != "packed"}
            self.labels: dict[str, list[Any]] = {k: list(ds[k].to_numpy()) for k in LABELS if k in ds.coords}
            self.attrs = dict(ds.attrs)
        self.quantile = {round(float(q), 2): i for i, q in enumerate(self.labels["quantile"])}
        self.figures = [str(f) for f in self.labels["figure"]]
        # What is left are substitutes and figures of other routines.
        self.full = self.in_order(0)
        self.causes = [str(c) for c in self.labels["cause"]]
        self.act_causes = [str(c) for c in self.labels["act_cause"]]
        self.conditions = [str(c) for c in self.labels["condition"]]
        self.days = tuple(self._day(i) for i in range(len(self.labels["booking_day"])))
        self.bookings = self._bookings()
        self._by_id = {b.id: b for b in self.bookings}
        longest_first = sorted(self._by_id, key=len, reverse=True)
        self.every_id = re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, longest_first))})(?![\w-])")

    # --- The season ---------------------------------------------------------------------------------

    def in_order(self, routine: int) -> list[int]:
        """Figures of a routine in the order flown, by index."""
        position, held = self.values["routine_position"][routine], self.values["routine_figures"][routine]
        return sorted(np.flatnonzero(held).tolist(), key=lambda f: (position[f], f))

    @property
    def name(self) -> str:
        """Name of the season."""
        return str(self.attrs["season"])

    @property
    def currency(self) -> str:
        """Currency of the fees."""
        return str(self.attrs["currency"])

    @property
    def invented(self) -> bool:
        """Whether the season, or any weather in it, is invented."""
        return bool(self.attrs["invented"]) or bool(self.values["station_invented"].any())

    def _day(self, i: int) -> Day:
        v = self.values
        n = int(v["day_slots"][i])
        return Day(
            index=i,
            booking=str(v["day_booking"][i]),
            venue=self.labels["venue"].index(str(v["day_venue"][i])),
            date=str(v["day_date"][i]),
            status=str(v["day_status"][i]),
            offered=int(v["day_offered_slot"][i]),
            slots=tuple(
                Slot(s, str(v["slot_local"][i, s]), bool(v["slot_in_window"][i, s])) for s in range(n)
            ),
        )

    def days_of(self, booking: str) -> list[Day]:
        """Show days of a booking, in order."""
        return [self.days[i] for i in np.flatnonzero(self.values["day_booking"] == booking)]

    def _bookings(self) -> tuple[BookingRow, ...]:
        v = self.values
        worse = fees.worse_than_fee(v["booking_fee"], v["booking_as_planned"], v["booking_told_apart"])
        ids = [str(b) for b in self.labels["booking"]]
        order = sorted(range(len(ids)), key=lambda b: (v["booking_rank"][b] or 10**9, b))
        rows = []
        for b in order:
            days = self.days_of(ids[b])
            at = ([d.index for d in days], [d.offered for d in days])
            venue = days[0].venue
            ranked = int(v["booking_rank"][b])
            chances = np.concatenate(
                [v["routine_change_by_cause"][at][:, 0].mean(axis=0), v["act_out_by_cause"][at].mean(axis=0)]
            )
            da = v["density_altitude_quantile"][at] / words.QUANTITIES["density_altitude"][2]
            same = [
                int(v["booking_rank"][j])
                for j in order
                if j != b and ranked and v["booking_rank"][j] and not v["booking_told_apart"][b, j]
            ]
            rows.append(
                BookingRow(
                    index=b,
                    id=ids[b],
                    place=str(v["venue_name"][venue]),
                    elevation_ft=float(v["venue_elevation"][venue]) / words.QUANTITIES["density_altitude"][2],
                    dates=words.dates([d.date for d in days]),
                    day=words.date(days[0].date, weekday=False),
                    slot=days[0].slots[days[0].offered].local,
                    rank=ranked,
                    status=str(v["booking_status"][b]),
                    state=str(v["booking_state"][b]),
                    fee=float(v["booking_fee"][b]),
                    as_planned=float(v["booking_as_planned"][b]),
                    lower=float(v["booking_as_planned_lower"][b]),
                    upper=float(v["booking_as_planned_upper"][b]),
                    bites=what_bites(chances, [*self.causes, *self.act_causes]) if ranked else "",
                    # The thinnest air of the booking's days.
                    da_median_ft=float(da[:, self.quantile[MEDIAN]].max()),
                    da_high_ft=float(da[:, self.quantile[HIGH]].max()),
                    best_slot=str(v["booking_best_slot"][b]),
                    best=float(v["booking_best_slot_as_planned"][b]),
                    worst_slot=str(v["booking_worst_slot"][b]),
                    worst=float(v["booking_worst_slot_as_planned"][b]),
                    slots_told_apart=bool(v["booking_slots_told_apart"][b]),
                    same_ranks=tuple(same),
                    worse_than_fee=bool(worse[b]),
                    trust=str(v["booking_trust"][b]),
                    grade=str(v["booking_trust_grade"][b]),
                    invented=bool(v["station_invented"][venue]),
                    marked=bool(v["station_invented"][venue]) and not self.attrs["invented"],
                )
            )
        return _told_apart(rows)

    def booking(self, booking: str) -> BookingRow | None:
        """Booking by its id."""
        return self._by_id.get(booking)

    def venue_troubles(self) -> list[tuple[str, str]]:
        """Venues without numbers, and why."""
        v = self.values
        return [
            (str(name), str(status))
            for name, status in zip(v["venue_name"], v["venue_status"], strict=True)
            if status != "ok"
        ]

    def notices(self, venue: int | None = None) -> list[tuple[str, str]]:
        """What is wrong or thin, each as "error" or "warning" and the words.

        Parameters
        ----------
        venue
            Only this venue's; without it, what touches the whole season.
        """
        v = self.values
        names = [str(n) for n in v["venue_name"]]
        told = [
            ("error", f"No numbers for {name}: {status}")
            for name, status in self.venue_troubles()
            if venue is None or names[venue] == name
        ]
        if venue is not None:
            held = str(v["venue_warnings"][venue]).split("\n")
            told += [("warning", f"{names[venue]}: {warning}") for warning in held if warning]
        # That limits may be looser than written is said wherever they decide.
        own = () if venue is None else ("learned_may_relax", f"venues/{self.labels['venue'][venue]}.yaml")
        told += [
            ("warning", warning)
            for warning in str(self.attrs["input_warnings"]).split("\n")
            if warning and (venue is None or any(name in warning for name in own))
        ]
        return told

    def not_to_lean_on(self, venue: int | None = None) -> dict[str, str]:
        """Places whose numbers have the worst grade of trust, with the sentence that says why.

        Parameters
        ----------
        venue
            Only this venue; without it, all that have a booking.
        """
        return {
            b.place: b.trust
            for b in self.bookings
            if b.grade == GRADES[-1] and venue in (None, self.days_of(b.id)[0].venue)
        }

    # --- A day --------------------------------------------------------------------------------------

    def planned_rows(self, day: Day) -> list[Row]:
        """Chance of being flown as planned, by slot."""
        v, i = self.values, day.index
        rows = []
        for slot, end in zip(day.slots, _ends(day), strict=True):
            s = slot.position
            value = float(v["routine_as_planned"][i, s, 0])
            chances = np.concatenate([v["routine_change_by_cause"][i, s, 0], v["act_out_by_cause"][i, s]])
            rows.append(
                {
                    "local": slot.local,
                    "start": slot.minutes,
                    "end": end,
                    "in_window": slot.in_window,
                    "offered": s == day.offered,
                    "as_planned": value,
                    "changed": 1.0 - value,
                    "lower": float(v["routine_as_planned_lower"][i, s, 0]),
                    "upper": float(v["routine_as_planned_upper"][i, s, 0]),
                    "words": words.chance(value),
                    "bites": words.cause(what_bites(chances, [*self.causes, *self.act_causes])),
                }
            )
        return rows

    def gusts_at(self, day: Day) -> str:
        """What a day's gusts are: "observed", "modelled", "estimated" or "none"."""
        return str(self.values["venue_gusts"][day.venue])

    def heading(self, day: Day, quantity: str) -> str:
        """Heading of one of the air's quantities on a day, which says where it is estimated."""
        return words.heading(quantity, self.gusts_at(day))

    def air_rows(self, day: Day, quantity: str) -> list[Row]:
        """One quantity by slot in its unit on the screen: median, one-in-ten band and its interval."""
        _, _, scale = words.QUANTITIES[quantity]
        v, i = self.values, day.index
        q = v[f"{quantity}_quantile"][i] / scale
        low = v[f"{quantity}_quantile_lower"][i] / scale
        high = v[f"{quantity}_quantile_upper"][i] / scale
        ends = {"bound_low": "gust_low_quantile", "bound": "gust_high_quantile"} if quantity == "gust" else {}
        bounds = {name: v[variable][i] / scale for name, variable in ends.items()}
        at = self.quantile
        rows = []
        for slot in day.slots:
            s = slot.position
            row: Row = {
                "local": slot.local,
                "start": slot.minutes,
                "in_window": slot.in_window,
                "median": float(q[s, at[MEDIAN]]),
                "median_lower": float(low[s, at[MEDIAN]]),
                "median_upper": float(high[s, at[MEDIAN]]),
                "low": float(q[s, at[LOW]]),
                "high": float(q[s, at[HIGH]]),
                "high_lower": float(low[s, at[HIGH]]),
                "high_upper": float(high[s, at[HIGH]]),
            }
            for name, bound in bounds.items():
                row[name] = float(bound[s, at[HIGH]])
            rows.append(row)
        return rows

    def change_rows(self, day: Day) -> list[Row]:
        """Chance of change of every figure of the full show at every slot."""
        v, i = self.values, day.index
        rows = []
        for slot in day.slots:
            for f in self.full:
                figure = self.figures[f]
                value = float(v["figure_change"][i, slot.position, f])
                if not np.isfinite(value):
                    continue
                rows.append(
                    {
                        "figure": figure,
                        "order": f,
                        "local": slot.local,
                        "offered": slot.position == day.offered,
                        "changed": value,
                        "lower": float(v["figure_change_lower"][i, slot.position, f]),
                        "upper": float(v["figure_change_upper"][i, slot.position, f]),
                        "tenths": "·" if value < 0.05 else f"{10 * value:.0f}",
                        "words": words.chance(value),
                        "bites": words.cause(
                            what_bites(v["figure_change_by_cause"][i, slot.position, f], self.causes)
                        ),
                    }
                )
        return rows

    def figure_rows(self, day: Day, slot: Slot, *, others: bool = False) -> list[Row]:
        """Figures at one slot: chance of change, interval, what bites, and the gust bound.

        Those of the full show, or the `others`: substitutes and figures of other routines.
        """
        v, i, s = self.values, day.index, slot.position
        rows = []
        chosen = [f for f in range(len(self.figures)) if f not in self.full] if others else self.full
        for f in chosen:
            figure = self.figures[f]
            by_cause = v["figure_change_by_cause"][i, s, f]
            rows.append(
                {
                    "figure": figure,
                    "order": f,
                    "changed": float(v["figure_change"][i, s, f]),
                    "lower": float(v["figure_change_lower"][i, s, f]),
                    "upper": float(v["figure_change_upper"][i, s, f]),
                    "bound": float(v["figure_change_at_gust_bound"][i, s, f]),
                    "bites": words.cause(what_bites(by_cause, self.causes)),
                    "words": words.chance(float(v["figure_change"][i, s, f])),
                    **{words.cause(c): float(by_cause[k]) for k, c in enumerate(self.causes)},
                }
            )
        return rows

    def act_rows(self, day: Day, slot: Slot) -> list[Row]:
        """What keeps the whole act on the ground at one slot, with the act's limits."""
        v = self.values
        rows = []
        for k, name in enumerate(self.act_causes):
            value = float(v["act_out_by_cause"][day.index, slot.position, k])
            limit = float(v["act_limit"][day.venue, k])
            comfortable = float(v["act_comfortable"][day.venue, k])
            unit, scale = words.CONDITIONS[name][1:] if name in words.CONDITIONS else ("", 1.0)
            told = words.minimum if name in ("ceiling", "visibility") else words.limit
            rows.append(
                {
                    "cause": name,
                    "chance": value,
                    "words": words.chance(value) if np.isfinite(value) else "not observed",
                    "comfortable": told(comfortable, scale, unit),
                    "limit": "any in the hour"
                    if name == "thunder" and np.isfinite(value)
                    else told(limit, scale, unit),
                }
            )
        return rows

    def first_limit(self, condition: str) -> tuple[float, float, str] | None:
        """The full show's most demanding figure: comfortable value and limit [SI], and its name.

        A figure that is never flown has no place on a scale of the air.
        """
        if condition in self.act_causes:
            raise ValueError(f"first_limit: {condition} belongs to the act; see act_limit")
        column = self.values["limit_used"][:, self.conditions.index(condition)]
        limited = [f for f in self.full if np.isfinite(column[f]) and column[f] > NEVER_FLOWN]
        if not limited:
            return None
        f = min(limited, key=lambda f: float(column[f]))
        comfortable = float(self.values["comfortable_used"][f, self.conditions.index(condition)])
        return comfortable, float(column[f]), self.figures[f]

    def limit_of(self, day: Day, quantity: str) -> tuple[float, float, str] | None:
        """Comfortable value, limit in the unit on the screen, and whose they are, for a drawn quantity."""
        scale = words.QUANTITIES[quantity][2]
        if quantity == "runway_crosswind":
            k = self.act_causes.index(quantity)
            held = (
                float(self.values["act_comfortable"][day.venue, k]),
                float(self.values["act_limit"][day.venue, k]),
            )
            return (held[0] / scale, held[1] / scale, "the whole act") if np.isfinite(held[1]) else None
        condition = {"toward_crowd": "wind_toward_crowd", "along_line": "wind_along_line"}.get(
            quantity, quantity
        )
        if condition not in self.conditions:
            return None
        first = self.first_limit(condition)
        return None if first is None else (first[0] / scale, first[1] / scale, first[2])

    # --- What it rests on ---------------------------------------------------------------------------

    def venue_facts(self, venue: int) -> list[tuple[str, str]]:
        """Where a venue's air came from, as label and value."""
        v = self.values
        if not str(v["station_id"][venue]):
            return [("Station", "none with hours to use")]
        shares = [
            f"{label} {words.percent(float(share))}"
            for label, share in zip(
                self.labels["pressure_source"], v["station_pressure_share"][venue], strict=True
            )
            if share > 0
        ]
        return [
            (
                "Station",
                f"{v['station_name'][venue]} ({v['station_source'][venue]} {v['station_id'][venue]})",
            ),
            (
                "Distance from the show site",
                words.number(float(v["station_distance"][venue]) / 1852.0, "NM", digits=1),
            ),
            (
                "Elevation of station / show site",
                f"{words.number(float(v['station_elevation'][venue]) / 0.3048, 'ft')} / "
                f"{words.number(float(v['venue_elevation'][venue]) / 0.3048, 'ft')}",
            ),
            ("Years used", f"{v['station_first_year'][venue]} to {v['station_last_year'][venue]}"),
            *self._filled(venue),
            ("Pressure from", words.joined(shares) or "not known"),
            (
                "Warming applied",
                words.number(float(v["station_trend"][venue]) * 10.0, "°C in ten years", digits=2),
            ),
            (
                "Fetched",
                str(v["station_retrieved_at"][venue])[:16].replace("T", " ") + " UTC"
                if str(v["station_retrieved_at"][venue])
                else "not recorded",
            ),
            ("Licence", str(v["station_licence"][venue]) or "not stated"),
            ("Attribution", str(v["station_attribution"][venue]) or "none asked for"),
            ("SHA-256 of what was read", str(v["station_digest"][venue]) or "not recorded"),
        ]

    def _filled(self, venue: int) -> list[tuple[str, str]]:
        """Which station gave what, where a further one of the venue's stations filled in."""
        v = self.values
        rows = []
        for g, group in enumerate(self.labels["station_group"]):
            shares = v["venue_station_share"][venue, :, g]
            given = [p for p in range(shares.size) if np.isfinite(shares[p]) and shares[p] > 0]
            if any(p > 0 for p in given):
                told = [f"{v['venue_station'][venue, p]} {words.percent(float(shares[p]))}" for p in given]
                rows.append((f"Hours of {group} from", words.joined(told)))
        return rows

    def completeness(self, venue: int) -> list[tuple[str, str]]:
        """Share of the station's hours that hold each quantity; "not observed" where none does."""
        from pipeline.air.variables import STATION_VARIABLES

        shares = self.values["station_completeness"][venue]
        return [
            (
                STATION_VARIABLES[str(name)].long_name,
                words.percent(float(share)) if np.isfinite(share) and share > 0 else "not observed",
            )
            for name, share in zip(self.labels["station_variable"], shares, strict=True)
        ]

    def sample_facts(self, day: Day, slot: Slot) -> list[tuple[str, str]]:
        """How many hours and years a slot's numbers rest on."""
        v, at = self.values, (day.index, slot.position)
        spread = v["routine_as_planned_range"][(*at, 0)]
        return [
            ("Years that count", str(int(v["sample_years"][at]))),
            ("Sampled hours", words.number(float(v["sample_size"][at]))),
            ("Worth independent days", words.number(float(v["sample_effective_size"][at]))),
            ("Hours with air and wind", words.percent(float(v["observed_share"][at]))),
            (
                "Hours whose report carried a gust",
                words.percent(float(v["gust_reported_share"][at]))
                if v["gust_reported_share"][at] > 0
                else f"none; the gusts are {self.gusts_at(day)}",
            ),
            (
                "As planned if figures were judged one by one / all as one",
                f"{words.percent(float(spread[0]))} / {words.percent(float(spread[1]))}",
            ),
        ]


def _told_apart(rows: Sequence[BookingRow]) -> tuple[BookingRow, ...]:
    """Give bookings of one place and first day what tells them apart: a picture has a line for each name."""
    begun = Counter((r.place, r.day) for r in rows)
    slots = Counter((r.place, r.day, r.slot) for r in rows)
    return tuple(
        r
        if begun[r.place, r.day] == 1
        else replace(r, apart=f", {r.slot if slots[r.place, r.day, r.slot] == 1 else r.id}")
        for r in rows
    )


def _ends(day: Day) -> list[int]:
    """Where each slot's cell ends on a clock: at the next slot, the last after half an hour."""
    starts = [s.minutes for s in day.slots]
    return [*starts[1:], starts[-1] + 30] if starts else []
