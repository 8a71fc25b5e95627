"""How fast, and how large: ``python tests/benchmark.py``. It reports and asserts nothing.

A season of 25 bookings at 25 invented stations of 20 years each is made once (``--keep FOLDER`` keeps it for
the next time). Then, with the store warm: the forecast itself, in this process after its imports, against
merely reading the same station files whole in the same process, in seconds of the clock and of the processor;
the whole ``forecast`` command and ``--help`` as processes; peak memory for 8 and for 25 venues; reading a
GHCNh file of 20 years and 32 reports a day, in a process of its own; leave-one-year-out hindcasts of 25
bookings, 20 years and 10 slots; the season's routines, the slots and the papers of 25 bookings of the demo
season, after their forecast; and the dashboard in a browser, on the demo season and on one of 200
bookings. The best of several tries stands.
``--profile`` prints the forecast's hot spots.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from season_folder import LOOP, booking, venue, write_season

TARGETS = {
    "forecast, imports done": 2.5,
    "forecast over reading": 2.5,
    "forecast process": 4.0,
    "--help process": 0.5,
    "reading a 20-year GHCNh file": 1.5,
    "peak memory, GHCNh file": 300.0,
    **{
        f"{what}, {season}": limit
        for season in ("demo", "200 bookings")
        for what, limit in (("first page readable", 2.0), ("page change", 1.0), ("what if", 0.3))
    },
    "leave-one-year-out, processor": 5.0,
    "routines, slots, papers for 25 bookings, processor": 8.0,
}

CHANGES = (
    "Plan the season: The season",
    "Agree the hour: One venue",
    "Agree the hour: What hour",
    "Prepare: Which show",
    "Prepare: A figure in thin air",
    "Prepare: The aircraft in thin air",
    "Prepare: The routine’s energy",
    "On the day: Today",
    "Trust: Can I trust it",
    "Trust: Where the numbers come from",
    "Trust: What my log says",
)
"""Every page that the menu leads to from the first, by section and name."""

WHAT_IFS = (
    # Down: a limit that the flight gives cannot be moved up.
    ("venue", "slider", "Comfortable and limit", "ArrowLeft"),
    ("venue", "slider", "Slot, local time", "ArrowRight"),
    ("venue", "switch", "Bring past years", "Space"),
    ("figure", "slider", "Entry speed", "ArrowLeft"),
    ("figure", "slider", "Weight", "ArrowLeft"),
)
"""Whatever can be tried without writing it: page, control and the key that moves it."""

FIGURES = [
    {**LOOP, "figure": kind, "name": f"Figure {i + 1}", "limits": {
        "density_altitude_ft": {"comfortable": 5000 + 300 * i, "limit": 7000 + 300 * i},
        "wind_toward_crowd_kt": {"comfortable": 12 + i % 4, "limit": 19 + i % 4},
        "wind_across_line_kt": {"comfortable": 16 + i % 4, "limit": 24 + i % 4},
        "gust_kt": {"comfortable": 26 + i % 5, "limit": 36 + i % 5},
        "gust_spread_kt": {"comfortable": 14, "limit": 22},
    }}
    for i, kind in enumerate(
        ["photo_pass", "half_cuban", "loop", "barrel_roll", "hammerhead", "square_loop",
         "snap_roll", "slow_roll", "avalanche", "spin", "torque_roll", "ribbon_cut"]
    )
]  # fmt: skip


def make_season(folder: Path, venues: int) -> Path:
    """Venues from sea level to 6,500 ft, one booking of two days each."""
    rows = []
    for i in range(venues):
        feet = 6500.0 * i / max(venues - 1, 1)
        climate = {
            "mean_temperature_c": 17 - 0.0018 * feet,
            "annual_range_c": 22,
            "diurnal_range_c": 12,
            "wind_kt": 8,
        }
        station = {
            "source": "synthetic",
            "id": f"BENCH-{i:02d}",
            "latitude": 40.0 + 0.2 * i,
            "longitude": -1.0,
            "elevation_ft": feet,
            "climate": climate,
        }
        rows.append(venue(f"place-{i:02d}", elevation_ft=feet, stations=[station], latitude=40.0 + 0.2 * i))
    return write_season(
        folder,
        venues=rows,
        bookings=[
            booking(f"show-{i:02d}", f"place-{i:02d}", [f"2027-07-{1 + i:02d}", f"2027-07-{2 + i:02d}"])
            for i in range(venues)
        ],
        figures=FIGURES,
        history={"first_year": 2007, "last_year": 2026, "minimum_years": 5},
        invented=True,
    )


def best_of(times: int, work: Callable[[], object]) -> tuple[float, float]:
    """Least seconds of the clock, and of this process's processor time, of several tries."""
    taken = []
    for _ in range(times):
        clock, processor = time.perf_counter(), time.process_time()
        work()
        taken.append((time.perf_counter() - clock, time.process_time() - processor))
    return min(t for t, _ in taken), min(t for _, t in taken)


def showhour(*argv: str) -> list[str]:
    return [sys.executable, "-c", "import sys; from pipeline.cli import main; sys.exit(main())", *argv]


def process(*argv: str) -> None:
    done = subprocess.run(showhour(*argv), capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"showhour {' '.join(argv)}: {done.stderr}")


def peak_mb(season: Path) -> float:
    """Greatest resident memory of a forecast process [MB], from the kernel's own account of the child."""
    code = (
        "import resource, subprocess, sys\n"
        "done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)\n"
        "print(done.returncode, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)\n"
    )
    command = [sys.executable, "-c", code, *showhour("forecast", str(season), "--json")]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    code_and_size = re.fullmatch(r"(\d+) (\d+)\n", said)
    if code_and_size is None or code_and_size[1] != "0":
        raise SystemExit(f"the forecast of {season} failed: {said}")
    return int(code_and_size[2]) / 1024.0


def ghcnh_file(path: Path) -> Path:
    """An invented GHCNh file of 2005 to 2024: every hour's routine report, and eight special ones a day."""
    from test_archives_ghcnh import metar, psv

    reports = [(f"{h:02d}:54", "FM15", h) for h in range(24)] + [
        (f"{h:02d}:20", "FM16", h) for h in range(10, 18)
    ]
    rows = [
        metar(
            f"2005-01-01T{at}:00",
            kind,
            temperature=f"{10 + h}.{h % 10}",
            dew_point_temperature=f"{h % 9}.0",
            station_level_pressure=f"{960 + h}.1",
            altimeter=f"{1009 + h % 7}.2",
            wind_gust="11.8" if kind == "FM16" else "",
            visibility="16.093",
        )
        for at, kind, h in sorted(reports)
    ]
    head, *lines = psv(rows, "date").rstrip(b"\n").split(b"\n")
    day = b"\n".join(lines) + b"\n"
    with path.open("wb") as stream:
        stream.write(head + b"\n")
        for date in np.arange("2005-01-01", "2025-01-01", dtype="datetime64[D]"):
            stream.write(day.replace(b"2005-01-01", str(date).encode()))
    return path


def measure_ghcnh(path: Path) -> None:
    """Read it three times in one process: seconds of the best, and its peak memory after the first."""
    code = (
        "import resource, sys, time\n"
        "from pipeline.stations.ghcnh import read_ghcnh\n"
        "taken, peaks = [], []\n"
        "for _ in range(3):\n"
        "    began = time.perf_counter()\n"
        "    read_ghcnh(sys.argv[1])\n"
        "    taken.append(time.perf_counter() - began)\n"
        "    peaks.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
        "print(min(taken), peaks[0])\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    ).stdout
    seconds, kilobytes = map(float, said.split())
    report("the GHCNh file's size", path.stat().st_size / 1e6, "MB")
    report("reading a 20-year GHCNh file", seconds)
    report("peak memory, GHCNh file", kilobytes / 1024.0, "MB")


def demo_season(folder: Path, bookings: int | None = None) -> Path:
    """The demo season; with copies of its bookings under names of their own, where a number is given."""
    from pipeline.inputs import copy_demo

    copy_demo(folder)
    if bookings is not None:
        path = folder / "bookings.yaml"
        head, *held = re.split(r"^- id: ", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
        copies = [held[i % len(held)].replace("\n", f"-{i}\n", 1) for i in range(bookings)]
        path.write_text(head + "".join(f"- id: {c}" for c in copies), encoding="utf-8")
    return folder


def measure_dashboard(words: str, season: Path, cache: Path) -> None:
    """The dashboard in a browser: first page, every page change by the menu, and all that can be tried."""
    from browser import opened, readable, served, settled

    from pipeline.run import results_path

    os.environ["SHOWHOUR_CACHE"] = str(cache)
    process("run", str(season))
    with served(results_path(season, cache), season) as address, opened(address, "desk") as (page, _):
        # A browser that has never been here loads and compiles Streamlit's own scripts first.
        for visit in ("first page, new server and browser", "first page readable"):
            page.goto(address)
            report(f"{visit}, {words}", page.evaluate("window.first"))
            settled(page)
        # What a page loads or computes only once is in the first change to it.
        for visit in ("page change, never shown before", "page change"):
            taken = []
            for title in CHANGES:
                section, name = title.split(": ")
                page.goto(address)
                readable(page)
                settled(page)
                page.get_by_test_id("stTopNavSection").filter(has_text=section).click()
                item = page.get_by_role("menuitem", name=name)
                item.wait_for()
                page.evaluate("title => { shownAfter('click', () => answered(title)); }", name)
                item.click()
                taken.append(page.evaluate("window.taken"))
                settled(page)
            slowest = max(zip(taken, CHANGES, strict=True))
            report(f"{visit}, {words}", slowest[0])
            print(f"    slowest: {slowest[1]}; middle: {sorted(taken)[len(taken) // 2]:.2f} s", flush=True)
        taken = []
        for path, role, label, key in WHAT_IFS:
            page.goto(f"{address}/{path}")
            readable(page)
            settled(page)
            control, tries = page.get_by_role(role, name=re.compile(label)).last, []
            for _ in range(3):
                control.focus()
                # What the page answers in; a slider's own label is none of it.
                page.evaluate(
                    "() => { const told = () => [...document.querySelectorAll('[data-testid=stHtml]')]"
                    ".map(e => e.textContent).join();"
                    "const before = told(); shownAfter('keydown', () => told() !== before); }"
                )
                page.keyboard.press(key)
                tries.append(page.evaluate("window.taken"))
                settled(page)
            taken.append((min(tries), label))
        report(f"what if, {words}", max(taken)[0])
        print("    " + "; ".join(f"{label} {seconds:.2f} s" for seconds, label in taken), flush=True)


def measure_leave_one_out() -> None:
    """Density altitude and crosswind of 25 bookings, ten hours each, over a station of 20 whole years."""
    import datetime as dt

    from pipeline.air.show_hours import StationRecord
    from pipeline.air.variables import FT, KT
    from pipeline.decisions.hindcast import hindcast, hourly_air
    from pipeline.stations.synthetic import Climate, synthesize
    from pipeline.verify import season_targets

    climate = Climate(mean_temperature_c=12.0, annual_range_c=22.0, diurnal_range_c=12.0, wind_kt=8.0)
    hours = synthesize(
        "BENCH", climate, latitude=40.0, longitude=-1.0, elevation_m=1500.0, first_year=2005, last_year=2024
    )
    values = {str(name): hours[name].to_numpy() for name in hours.data_vars}
    first = int(hours["time"].to_numpy()[0].astype("datetime64[h]").astype(np.int64))
    record = StationRecord(first, values, 1500.0, False)
    targets = season_targets(record, dt.UTC, [7], [dt.time(h) for h in range(9, 19)])
    days = targets.utc.astype("datetime64[D]")
    show = (days - days.astype("datetime64[M]")).astype(int) == 14
    slots = type(targets)(*(getattr(targets, k)[show] for k in ("utc", "year", "group", "month")))
    levels = {"density_altitude": [7000 * FT, 8000 * FT], "crosswind": [10 * KT]}

    def all_bookings() -> None:
        for _ in range(25):
            hindcast(hourly_air(record, 170.0), slots, levels, scheme="leave_one_out", compare=False)

    clock, processor = best_of(3, all_bookings)
    report("leave-one-year-out", clock)
    report("leave-one-year-out, processor", processor)


def measure_papers(place: Path) -> None:
    """What comes after the forecast of 25 bookings: the season's routines, every slot, every paper."""
    from pipeline import run
    from pipeline.inputs import load_season
    from pipeline.paperwork import write_papers
    from pipeline.results import read_results, write_results
    from pipeline.stations.store import Store

    folder = place / "demo-25"
    os.environ["SHOWHOUR_CACHE"] = str(place / "demo-cache")
    process("run", str(folder if folder.is_dir() else demo_season(folder, 25)))
    season, lay, spent = load_season(folder), run.lay_routines, []

    def timed(*arguments: object) -> None:
        began = time.process_time()
        lay(*arguments)  # type: ignore[arg-type]
        spent.append(time.process_time() - began)

    run.lay_routines = timed
    try:
        for _ in range(2):
            write_results(run.forecast(season, Store()), place / "demo-25.nc")
    finally:
        run.lay_routines = lay
    with read_results(place / "demo-25.nc") as ds:
        _, papers = best_of(2, lambda: write_papers(season, ds, place / "papers"))
    report("routines for 25 bookings, processor", min(spent))
    report("slots, papers for 25 bookings, processor", papers)
    report("routines, slots, papers for 25 bookings, processor", min(spent) + papers)


def report(words: str, value: float, unit: str = "s") -> None:
    target = TARGETS.get(words)
    wanted = "" if target is None else f"   (target < {target:g} {unit})"
    print(f"{words:<34} {value:>8.2f} {unit}{wanted}", flush=True)


def main() -> None:
    """Make the seasons, measure, and print."""
    # As the command does for itself; numpy reads it when it is loaded, which is below.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Python keeps modules compiled unless it is told not to, which is for images that are built once.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--profile", action="store_true", help="print where the forecast spends its time")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="make the seasons here, or find them")
    arguments = parser.parse_args()
    root = Path(__file__).resolve().parent.parent
    sys.path.insert(0, str(root))
    os.environ["PYTHONPATH"] = str(root)
    with tempfile.TemporaryDirectory() as scratch:
        place = arguments.keep or Path(scratch)
        large, small = make_season(place / "large", 25), make_season(place / "small", 8)
        for season in (large, small):
            # Apart: stations of one name lie at other heights in the other season.
            os.environ["SHOWHOUR_CACHE"] = str(place / f"{season.name}-cache")
            if not (place / f"{season.name}-cache").is_dir():
                print(f"Making the stations of the {season.name} season ...", flush=True)
                process("fetch", str(season))
            process("forecast", str(season))
        measure(large, small, place, profile=arguments.profile)
        measure_ghcnh(ghcnh_file(Path(scratch) / "ghcnh.psv"))
        measure_leave_one_out()
        measure_papers(place)
        measure_dashboards(place)


def measure_dashboards(place: Path) -> None:
    """The demo season and one of 200 bookings, in a browser."""
    for words, bookings in (("demo", None), ("200 bookings", 200)):
        folder = place / words.replace(" ", "-")
        season = folder if folder.is_dir() else demo_season(folder, bookings)
        measure_dashboard(words, season, place / "demo-cache")


def measure(large: Path, small: Path, place: Path, *, profile: bool) -> None:
    """Measure the seasons of a place, and print."""
    from pipeline.checked import checked_hours
    from pipeline.inputs import load_season
    from pipeline.run import forecast
    from pipeline.stations.store import Store

    os.environ["SHOWHOUR_CACHE"] = str(place / "large-cache")
    season, store = load_season(large), Store()

    def read() -> None:
        for station in (s for v in season.venues for s in v.stations):
            checked_hours(store, station.source, station.id, season.quality).load()

    def compute() -> None:
        forecast(season, store)

    read()
    compute()  # imports, and whatever is computed once a process, are done
    (reading, reading_cpu), (computing, computing_cpu) = best_of(3, read), best_of(3, compute)
    report("reading 25 station files", reading)
    report("forecast, imports done", computing)
    report("forecast over reading", computing / reading, "times")
    report("reading, processor", reading_cpu)
    report("forecast, processor", computing_cpu)
    report("forecast over reading, processor", computing_cpu / reading_cpu, "times")
    report("forecast process", best_of(3, lambda: process("forecast", str(large), "--json"))[0])
    report("--help process", best_of(5, lambda: process("--help"))[0])
    report("peak memory, 25 venues", peak_mb(large), "MB")
    os.environ["SHOWHOUR_CACHE"] = str(place / "small-cache")
    report("peak memory, 8 venues", peak_mb(small), "MB")
    if profile:
        import cProfile
        import pstats

        profiler = cProfile.Profile()
        profiler.runcall(compute)
        pstats.Stats(profiler).sort_stats("cumulative").print_stats(40)


if __name__ == "__main__":
    main()
