"""The show log: every mistake told with its place, written whole, corrected, never lost between writers.

Expected values are the file's own form as README states it; there is no outside source for them.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import string
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.errors import InputError
from pipeline.inputs import copy_demo
from pipeline.show_log import (
    COLUMNS,
    FILE,
    LOG_CAUSES,
    OUTCOMES,
    PREVIOUS,
    ChangedFigure,
    LoggedShow,
    add_show,
    import_shows,
    log_digest,
    parse_log,
    read_log,
)

HEAD = (
    "date,time_local,venue,routine,figure,outcome,cause,"
    "density_altitude_ft,wind_from_deg_true,wind_kt,gust_kt,note\n"
)
SHOW = "2026-07-04,14:30,dry-lake,full,,,,,,,,\n"
FIGURE = "2026-07-04,14:30,dry-lake,,Torque roll,dropped,rough_air,,,,,\n"


def show(day: int = 4, **other) -> LoggedShow:
    return LoggedShow(dt.date(2026, 7, day), dt.time(14, 30), "dry-lake", **other)


def faults_of(text: str) -> list[str]:
    return [str(f) for f in parse_log(text.encode())[1]]


def test_a_show_and_what_was_not_flown_as_planned():
    """One row a show, one more a figure; conditions as noted; what is not named was flown as planned."""
    text = HEAD + "2026-07-04,14:30,dry-lake,full,,,,6200,240,14,24,Hot\n" + FIGURE
    (one,), faults, warnings = parse_log(text.encode())
    assert (faults, warnings) == ([], [])
    assert one == show(
        changed=(ChangedFigure("Torque roll", "dropped", "rough_air"),),
        density_altitude_ft=6200.0,
        wind_from_deg_true=240.0,
        wind_kt=14.0,
        gust_kt=24.0,
        note="Hot",
    )
    assert one.row == 2


@pytest.mark.parametrize(
    ("text", "place", "wanted"),
    [
        (HEAD + SHOW.replace("2026-07-04", "4.7.2026"), "line 2, date", "2027-07-04"),
        (HEAD + SHOW.replace("2026-07-04", "2026-02-30"), "line 2, date", "2027-07-04"),
        (HEAD + SHOW.replace("14:30", "870"), "line 2, time_local", "14:30"),
        (HEAD + SHOW.replace("dry-lake", "Dry Lake"), "line 2, venue", "id of a venue"),
        (HEAD + SHOW.replace("full", ""), "line 2, routine", "the routine flown"),
        (HEAD + SHOW + SHOW, "line 3, date", "each show once"),
        (HEAD + FIGURE, "line 2, date", "after the row of its show"),
        (HEAD + SHOW + FIGURE.replace("dropped", "droped"), "line 3, outcome", "did you mean dropped"),
        (HEAD + SHOW + FIGURE.replace("rough_air", "gust"), "line 3, cause", "one of density_altitude"),
        (HEAD + SHOW + FIGURE + FIGURE, "line 4, figure", "each figure of a show once"),
        (HEAD + "2026-07-04,14:30,dry-lake,full,,,,,,30,20,\n", "line 2, gust_kt", "at least the wind"),
        (HEAD + "2026-07-04,14:30,dry-lake,full,,,,,240,,,\n", "line 2, wind_kt", "speed beside"),
        (HEAD + "2026-07-04,14:30,dry-lake,full,,,,,,nan,,\n", "line 2, wind_kt", "knots"),
        (HEAD + "2026-07-04,14:30,dry-lake,full,,,,1e9,,,,\n", "line 2, density_altitude_ft", "feet"),
        (HEAD + "2026-07-04,14:30\n", "line 2", "12, as the header"),
        (HEAD.replace("cause", "reason"), "line 1, reason", "one of date"),
        ("date,time_local\n", "line 1, cause", "this column"),
        (HEAD + '2026-07-04,14:30,"dry', "line 2", "CSV"),
    ],
)
def test_every_mistake_names_its_row_and_column(text: str, place: str, wanted: str):
    """A mistake is told with its row, its column, and what would be right; it is the only one told."""
    told = faults_of(text)
    assert any(place in line and wanted in line for line in told), told


def test_a_wrong_show_does_not_also_blame_its_figures():
    """The rows of the figures of a show whose own row is wrong say nothing more."""
    assert len(faults_of(HEAD + SHOW.replace(",full,,,,,,,,", ",full,,,,,,,900,") + FIGURE)) == 1


def test_bytes_that_are_no_text_are_told():
    """A file in another encoding, or with a zero byte, is refused at its line."""
    assert "line 2" in str(parse_log(HEAD.encode() + b"\xff")[1][0])
    assert "a zero byte" in str(parse_log(HEAD.encode() + b"\0")[1][0])


def test_venues_and_figures_of_other_seasons_are_warnings():
    """A log outlives a season: an unknown venue or figure, or a later year, is told and does not stop."""
    shows, faults, warnings = parse_log(
        (HEAD + SHOW + FIGURE).encode(), venues=["dry-lakes"], figures=["Loop"], season_year=2025
    )
    assert len(shows) == 1
    assert not faults
    assert [w.key for w in warnings] == ["date", "venue", "figure"]


def test_no_log_is_no_shows(tmp_path: Path):
    """A season without a log has none, which is not a mistake."""
    assert read_log(tmp_path) == ([], [])


def test_shows_are_added_corrected_and_the_version_before_is_kept(tmp_path: Path):
    """A second add of one show is refused; a correction replaces it; the file before stands beside."""
    add_show(tmp_path, show())
    first = (tmp_path / FILE).read_bytes()
    with pytest.raises(InputError, match=r"already has the show on 2026-07-04 14:30 at dry-lake \(row 2\)"):
        add_show(tmp_path, show(note="again"))
    with pytest.raises(InputError, match="no show on 2026-07-05"):
        add_show(tmp_path, show(5), replace=True)
    better = show(changed=(ChangedFigure("Loop", "trimmed", "other"),))
    add_show(tmp_path, better, replace=True)
    assert read_log(tmp_path)[0] == [better]
    assert (tmp_path / PREVIOUS).read_bytes() == first
    assert not list(tmp_path.glob("*.part"))


def test_an_import_is_all_or_none(tmp_path: Path):
    """Shows that differ from the log stop an import and are named; the same ones pass."""
    add_show(tmp_path, show())
    other = tmp_path / "other.csv"
    other.write_text(HEAD + SHOW + SHOW.replace("07-04", "07-05"))
    assert import_shows(tmp_path, other) == (1, 1)
    other.write_text(HEAD + SHOW.replace(",full", ",none") + SHOW.replace("07-04", "07-06"))
    before = log_digest(tmp_path)
    with pytest.raises(InputError, match="row 2: 2026-07-04 14:30 at dry-lake"):
        import_shows(tmp_path, other)
    assert log_digest(tmp_path) == before
    assert import_shows(tmp_path, other, replace=True) == (2, 0)
    assert [s.routine for s in read_log(tmp_path)[0]] == ["none", "full", "full"]


WORDS = st.text(
    string.printable.replace("\r", "").replace("\n", "").replace("\x0b", "").replace("\x0c", ""), max_size=20
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.builds(
            LoggedShow,
            st.dates(dt.date(2000, 1, 1), dt.date(2099, 12, 31)),
            st.times().map(lambda t: t.replace(second=0, microsecond=0)),
            st.sampled_from(["a", "dry-lake"]),
            st.sampled_from(["full", "none", "thin-air"]),
            st.lists(
                st.builds(
                    ChangedFigure,
                    WORDS.map(str.strip).filter(bool),
                    st.sampled_from(OUTCOMES),
                    st.sampled_from(LOG_CAUSES),
                ),
                max_size=3,
                unique_by=lambda c: c.figure,
            ).map(tuple),
            st.none() | st.integers(-4000, 19_000).map(float),
            note=WORDS.map(str.strip),
        ),
        max_size=5,
        unique_by=lambda s: s.key,
    )
)
def test_what_is_written_reads_back(tmp_path_factory: pytest.TempPathFactory, shows: list[LoggedShow]):
    """Any shows come back as they were, whatever their texts hold."""
    folder = tmp_path_factory.mktemp("log")
    for one in shows:
        add_show(folder, one)
    assert read_log(folder)[0] == sorted(shows, key=lambda s: s.key)


def _writer(folder: str, first: int) -> None:
    for day in range(first, first + 8):
        add_show(Path(folder), show(day))


def test_two_writers_at_once_lose_nothing(tmp_path: Path):
    """Three processes that add eight shows each leave all twenty-four."""
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_writer, args=(str(tmp_path), 1 + 8 * i)) for i in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
        assert worker.exitcode == 0
    assert [s.date.day for s in read_log(tmp_path)[0]] == list(range(1, 25))


def test_the_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """Add, correct, check and import from the command line, with its exit codes."""
    folder = copy_demo(tmp_path / "season")
    (folder / FILE).unlink()
    typed = ["log", "add", str(folder), "--date", "2026-07-04", "--time", "14:30", "--venue", "dry-lake"]
    assert main([*typed, "--dropped", "Torque roll:rough_air", "--gust-kt", "28"]) == 0
    assert main(typed) == 2
    assert "--replace" in capsys.readouterr().err
    assert main([*typed, "--replace", "--planned-out", "Square loop:density_altitude"]) == 0
    (one,), _ = read_log(folder)
    assert one.changed == (ChangedFigure("Square loop", "planned_out", "density_altitude"),)
    assert main([*typed[:-1], "dry-lak"]) == 2
    assert main([*typed, "--dropped", "Torque roll"]) == 2
    assert main([*typed, "--replace", "--dropped", "Torque rol:rough_air"]) == 2
    assert "did you mean Torque roll" in capsys.readouterr().err
    assert main(["log", "check", str(folder), "--json"]) == 0
    assert main(["log", "import", str(folder)]) == 2
    other = tmp_path / "other.csv"
    other.write_text(HEAD + SHOW.replace("07-04", "07-05").replace("full", "ful"))
    capsys.readouterr()
    assert main(["log", "import", str(folder), str(other)]) == 0
    assert "show_log.csv line 4, routine: found 'ful'; wanted one of full" in capsys.readouterr().err
    before = (folder / FILE).read_bytes()
    gone = ["log", "remove", *typed[2:]]
    assert main(gone[:-2]) == 2
    assert "needs --venue" in capsys.readouterr().err
    assert main(gone) == 0
    assert [s.routine for s in read_log(folder)[0]] == ["ful"]
    assert (folder / PREVIOUS).read_bytes() == before
    assert main(gone) == 2
    assert "no show on 2026-07-04 14:30 at dry-lake to remove" in capsys.readouterr().err
    (folder / FILE).write_text("date\n")
    assert main(["log", "check", str(folder)]) == 2
    assert "line 1, time_local" in capsys.readouterr().err


def test_a_change_of_the_log_makes_results_stale(tmp_path: Path):
    """The season's digest covers the log: results computed before a show was added say so."""
    from pipeline.inputs import season_digest

    folder = copy_demo(tmp_path / "season")
    before = season_digest(folder)
    add_show(folder, show())
    assert season_digest(folder) != before


def test_the_columns_are_those_of_readme():
    """README names every column of the file."""
    readme = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
    assert ",".join(COLUMNS) == HEAD.strip()
    assert HEAD.strip() in readme
