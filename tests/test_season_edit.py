"""A value changed in a season folder: exactly that value, nothing else, and only when it is safe to."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import season_edit
from pipeline.errors import InputError
from pipeline.inputs import copy_demo, demo_folder, load_season
from pipeline.settings import Key, in_digits


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy_demo(tmp_path_factory.mktemp("demo") / "season")


@pytest.fixture
def folder(demo: Path, tmp_path: Path) -> Path:
    shutil.copytree(demo, tmp_path / "season")
    return tmp_path / "season"


def hashes(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


def stated() -> list[Key]:
    """Key of every stated limit of the demo."""
    return [
        (*key, "limits", cause)
        for f in load_season(demo_folder()).routine.repertoire
        for key in [season_edit.figure_key(demo_folder(), f.name)]
        for cause in f.limits.stated
    ]


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    key=st.deferred(lambda: st.sampled_from(stated())),
    low=st.floats(0, 30).map(lambda x: round(x, 3)),
    width=st.floats(1, 20).map(lambda x: round(x, 3)),
)
def test_any_limit_comes_back_as_it_was_put_and_nothing_else_moves(
    demo: Path, key: Key, low: float, width: float
) -> None:
    """Read by PyYAML itself: the two numbers are the new ones, and everything else is equal; line by line,
    only the line of the limit differs, so that order and comments stay."""
    high = round(low + width, 3)
    edit = season_edit.changed(
        demo,
        "routine.yaml",
        {
            (*key, "comfortable"): in_digits(low),
            (*key, "limit"): in_digits(high),
        },
    )
    before, after = (yaml.safe_load(side) for side in (edit.before, edit.after))
    place: Any = before
    for step in key:
        place = place[step]
    place["comfortable"], place["limit"] = pytest.approx(low, rel=1e-9), pytest.approx(high, rel=1e-9)
    assert before == after
    old, new = edit.before.decode().splitlines(), edit.after.decode().splitlines()
    assert len(old) == len(new)
    assert sum(a != b for a, b in zip(old, new, strict=True)) <= 1


def test_a_limit_is_written_and_the_version_before_is_kept(folder: Path) -> None:
    """After writing: the season has the new limit, the file before lies beside it under a name that no
    season reads, no other file moved, and the season still has no mistake."""
    before = hashes(folder)
    text = (folder / "routine.yaml").read_bytes()
    key = (*season_edit.figure_key(folder, "Point roll"), "limits", "gust_kt")
    edit = season_edit.changed(folder, "routine.yaml", {(*key, "limit"): "37"})
    assert hashes(folder) == before, "nothing is written before it is asked for"
    assert "-          gust_kt: {comfortable: 30, limit: 40}" in edit.diff
    assert "+          gust_kt: {comfortable: 30, limit: 37}" in edit.diff
    season_edit.write(edit)
    (figure,) = [f for f in load_season(folder).routine.repertoire if f.name == "Point roll"]
    assert figure.limits.gust_kt is not None
    assert (figure.limits.gust_kt.comfortable, figure.limits.gust_kt.limit) == (30.0, 37.0)
    assert (folder / "routine.yaml.previous").read_bytes() == text
    after = hashes(folder)
    assert {n for n in after if after[n] != before.get(n)} == {"routine.yaml", "routine.yaml.previous"}


def test_a_file_changed_meanwhile_is_not_written_over(folder: Path) -> None:
    """Someone's editor saved the file after the change was shown: refused in words, and left as saved."""
    edit = season_edit.changed(folder, "season.yaml", {("history", "trend"): "false"})
    saved = (folder / "season.yaml").read_text(encoding="utf-8") + "# mine\n"
    (folder / "season.yaml").write_text(saved, encoding="utf-8")
    with pytest.raises(InputError, match="changed by someone else"):
        season_edit.write(edit)
    assert (folder / "season.yaml").read_text(encoding="utf-8") == saved
    assert not (folder / "season.yaml.previous").exists()


@pytest.mark.parametrize(
    ("file", "key", "value", "told"),
    [
        ("routine.yaml", ("figures", 0, "limits", "gust_kt", "limit"), "30", "a limit above comfortable"),
        ("routine.yaml", ("figures", 0, "limits", "gust_kt", "limit"), "fast", "knots|a number"),
        ("bookings.yaml", (0, "offered"), "25:00", "a local time"),
        ("figures.yaml", ("Smoke loop", "entry_speed_kt"), "20", "Smoke loop"),
    ],
)
def test_a_change_that_would_not_pass_is_not_written(
    folder: Path, file: str, key: Key, value: str, told: str
) -> None:
    """What `showhour check` would call a mistake is refused with its words, and every file stays."""
    before = hashes(folder)
    with pytest.raises(InputError, match=told):
        season_edit.write(season_edit.changed(folder, file, {key: value}))
    assert hashes(folder) == before


def test_a_key_that_is_not_there_is_added_in_its_group(folder: Path) -> None:
    """Offered slot of a booking without one, and the trend where history does not say: read back, the rest
    of both files equal and every comment there."""
    number = season_edit.position_of(folder, "tallgrass-august")
    edit = season_edit.changed(folder, "bookings.yaml", {(number, "offered"): "12:30"})
    season_edit.write(edit)
    (booking,) = [b for b in load_season(folder).bookings if b.id == "tallgrass-august"]
    assert f"{booking.slot:%H:%M}" == "12:30"
    before, after = (yaml.load(side, Loader=yaml.BaseLoader) for side in (edit.before, edit.after))
    assert after[number].pop("offered") == "12:30"
    assert before == after
    head = folder / "season.yaml"
    head.write_text(head.read_text(encoding="utf-8").replace("  trend: true\n", ""), encoding="utf-8")
    season_edit.write(season_edit.changed(folder, "season.yaml", {("history", "trend"): "false"}))
    assert load_season(folder).history.trend is False
    assert head.read_text(encoding="utf-8").count("#") == (demo_folder() / "season.yaml").read_text(
        encoding="utf-8"
    ).count("#")


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_ends_and_byte_order_mark_stay(folder: Path, ends: str, mark: bytes) -> None:
    """A file from another system keeps its line ends and its mark; only the value's digits differ."""
    path = folder / "routine.yaml"
    content = mark + path.read_text(encoding="utf-8").replace("\n", ends).encode()
    path.write_bytes(content)
    key = (*season_edit.figure_key(folder, "Smoke loop"), "limits", "gust_kt", "limit")
    edit = season_edit.changed(folder, "routine.yaml", {key: "36"})
    line = b"      gust_kt: {comfortable: 29, limit: 38}"
    at = content.index(line, content.index(b"Smoke loop"))
    assert edit.after == content[:at] + line.replace(b"38", b"36") + content[at + len(line) :]


def test_words_that_need_quotation_marks_get_them(folder: Path) -> None:
    """A plain value that would read otherwise is put in quotation marks; a quoted one keeps its own."""
    edit = season_edit.changed(folder, "season.yaml", {("name",): "It's: a #1 season"})
    assert yaml.safe_load(edit.after)["name"] == "It's: a #1 season"
    (folder / "season.yaml").write_bytes(edit.after)
    again = season_edit.changed(folder, "season.yaml", {("name",): "Plain"})
    assert b'name: "Plain"' in again.after
