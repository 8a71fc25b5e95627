"""The first run, headless: an empty folder offers the demo or a guided season, and nothing is overwritten."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest
from dashboard_season import small_season
from loopback import Answer, loopback
from season_folder import booking, venue, write_season
from streamlit.testing.v1 import AppTest

import dashboard
from pipeline.cli import main
from pipeline.inputs import load_season

APP = Path(dashboard.__file__).with_name("app.py")
LIST = (
    '"GHCN_ID","LATITUDE","LONGITUDE","ELEVATION","STATE","NAME","GSN","(US)HCN_(US)CRN","WMO_ID","ICAO"\n'
    "USW00000001,40.10,-105.20,1600.0,CO,NEAR,,,,\n"
)
FLOOR_FT = 500.0


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> AppTest:
    """The dashboard of a folder that does not exist yet."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    return _opened(monkeypatch, tmp_path / "mine", tmp_path / "mine.nc")


def _opened(monkeypatch: pytest.MonkeyPatch, folder: Path, results: Path) -> AppTest:
    monkeypatch.setenv("SHOWHOUR_SEASON", str(folder))
    monkeypatch.setenv("SHOWHOUR_RESULTS", str(results))
    return _quiet(AppTest.from_file(str(APP), default_timeout=120).run())


def _quiet(app: AppTest) -> AppTest:
    assert not app.exception
    return app


def _told(app: AppTest) -> str:
    return "\n".join([*(str(e.proto.body) for e in app.get("html")), *(i.value for i in app.info)])


def _entered(app: AppTest, address: str) -> AppTest:
    """A season entered as a user would, the station out of the list."""
    app.button_group(key="first_way").set_value("Write my first season").run()
    assert "Still wanted: your name; the lowest height" in _told(app)
    app.text_input(key="first_pilot").set_value("Pilot of a test")
    app.number_input(key="first_floor").set_value(FLOOR_FT)
    app.text_input(key="first_icao").set_value("kbdu")
    app.date_input(key="first_day").set_value(dt.date(2027, 6, 5)).run()
    assert app.number_input(key="first_elevation_KBDU").value == pytest.approx(5288, abs=1)
    assert app.selectbox(key="first_runway_KBDU").options[0].startswith("08")
    app.selectbox(key="first_side").set_value("left").run()
    app.button(key="first_look").click().run()
    return _quiet(app)


def test_a_guided_season_is_read_first_and_then_written(
    opened: AppTest, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is on disk before the button; what was shown is what is written; `showhour check` finds no
    mistake; the page then tells the commands that follow."""
    folder = tmp_path / "mine"
    app = opened
    assert app.title[0].value == "Begin a season"
    with loopback() as server:
        server.serve("/doc/ghcnh-station-list.csv", Answer(LIST.encode(), content_type="text/csv"))
        monkeypatch.setenv("SHOWHOUR_GHCNH", server.address)
        _entered(app, server.address)
    assert not folder.exists()
    shown = {e.label: e.code[0].value for e in app.expander if e.label.endswith(".yaml")}
    assert set(shown) == {
        "season.yaml",
        "bookings.yaml",
        "routine.yaml",
        "venues/boulder-municipal-airport.yaml",
    }
    app.button(key="first_write").click().run()
    _quiet(app)
    assert {n: (folder / n).read_text(encoding="utf-8").rstrip() for n in shown} == shown
    assert main(["check", str(folder)]) == 0
    assert "no mistakes" in capsys.readouterr().out
    (place,) = load_season(folder).venues
    assert (place.stations[0].source, place.stations[0].id) == ("ghcnh", "USW00000001")
    assert place.show_line.crowd_side == "left"
    assert app.title[0].value == "No numbers yet"
    assert f"showhour check {folder}\nshowhour run {folder}" in app.code[0].value


def test_a_season_in_the_way_is_refused(
    opened: AppTest, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A file that came into the folder while the page was open: refused in words, and left as it was."""
    folder = tmp_path / "mine"
    with loopback() as server:
        server.serve("/doc/ghcnh-station-list.csv", Answer(LIST.encode(), content_type="text/csv"))
        monkeypatch.setenv("SHOWHOUR_GHCNH", server.address)
        app = _entered(opened, server.address)
    folder.mkdir()
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    app.button(key="first_write").click().run()
    _quiet(app)
    assert app.title[0].value == "Not a season folder"
    assert [p.name for p in folder.iterdir()] == ["notes.txt"]


def test_without_a_network_a_station_is_written_by_hand(
    opened: AppTest, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The list cannot be had: said, and the fields for a station by hand are there."""
    with loopback() as server:
        monkeypatch.setenv("SHOWHOUR_GHCNH", server.address)
        app = _entered(opened, server.address)
    assert any("could not be fetched" in w.value for w in app.warning)
    assert "Still wanted: the station" in _told(app)
    app.text_input(key="first_station_id").set_value("USW00000002")
    for key, value in (("elevation", 5250.0), ("latitude", 40.0), ("longitude", -105.25)):
        app.number_input(key=f"first_station_{key}").set_value(value)
    app.run()
    assert "USW00000002" in "\n".join(c.value for c in _quiet(app).code)


def _season(folder: Path) -> Path:
    """One invented place, three invented years and one figure: the least that goes through every step."""
    climate = {"mean_temperature_c": 13, "annual_range_c": 20, "diurnal_range_c": 11}
    station = {"source": "synthetic", "id": "T-LOW", "latitude": 40.0, "longitude": -1.0}
    return write_season(
        folder,
        venues=[
            venue("low", elevation_ft=300, stations=[station | {"elevation_ft": 300, "climate": climate}])
        ],
        bookings=[booking("low-july", "low", ["2027-07-03"])],
        history={"first_year": 2023, "last_year": 2025, "minimum_years": 3},
        invented=True,
    )


def test_a_season_is_computed_from_the_page(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A season without results: after the button the first page with numbers stands."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    app = _opened(monkeypatch, _season(tmp_path / "season"), tmp_path / "results.nc")
    assert app.title[0].value == "No numbers yet"
    assert "Nothing is asked of the network" in _told(app)
    app.button(key="first_compute").click().run()
    _quiet(app)
    assert app.title[0].value == "Which bookings"
    assert (tmp_path / "results.nc").is_file()


def test_the_demo_is_copied_and_computed(
    opened: AppTest, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """One button: the copy, then the command `showhour run` on it; here in the place of the demo stands a
    season that takes seconds."""
    small = _season(tmp_path / "small")
    monkeypatch.setattr("pipeline.inputs.demo_folder", lambda: small)
    opened.button(key="first_demo").click().run()
    _quiet(opened)
    assert opened.title[0].value == "Which bookings"
    assert (tmp_path / "mine" / "season.yaml").is_file()


def test_a_folder_that_holds_nothing_begins_a_season_whatever_was_computed_there_before(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Results are kept by the folder's place. Of a folder that is not there they are shown, and said to be;
    of one that was emptied not. They stay until another season is begun there, whose numbers then stand."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    results = tmp_path / "mine.nc"
    shutil.copy(small_season().results, results)
    app = _opened(monkeypatch, tmp_path / "mine", results)
    _quiet(app)
    assert app.title[0].value == "Which bookings"
    assert any("The season folder mine is not there" in w.value for w in app.warning)
    (tmp_path / "mine").mkdir()
    app = _opened(monkeypatch, tmp_path / "mine", results)
    assert app.title[0].value == "Begin a season"
    assert any("Numbers of a season that stood there before" in w.value for w in app.warning)
    assert results.is_file()
    small = _season(tmp_path / "small")
    monkeypatch.setattr("pipeline.inputs.demo_folder", lambda: small)
    app.button(key="first_demo").click().run()
    _quiet(app)
    assert app.title[0].value == "Which bookings"
    table = next(t for t in (str(e.proto.body) for e in app.get("html")) if "sh cards" in t)
    assert table.count("venue?booking=") == 1
    assert "venue?booking=low-july" in table


def test_hidden_files_are_no_season(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """What file managers and version control leave in a folder does not stand in the way, and stays."""
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    (tmp_path / "mine" / ".git").mkdir(parents=True)
    (tmp_path / "mine" / ".git" / "config").write_text("kept", encoding="utf-8")
    app = _opened(monkeypatch, tmp_path / "mine", tmp_path / "mine.nc")
    assert app.title[0].value == "Begin a season"
    small = _season(tmp_path / "small")
    monkeypatch.setattr("pipeline.inputs.demo_folder", lambda: small)
    app.button(key="first_demo").click().run()
    _quiet(app)
    assert app.title[0].value == "Which bookings"
    assert (tmp_path / "mine" / ".git" / "config").read_text(encoding="utf-8") == "kept"


def test_a_folder_that_cannot_be_read_is_no_traceback(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Nothing is known of it: the numbers that were computed of it are shown, and nothing is begun there."""
    folder = tmp_path / "mine"
    folder.mkdir()
    shutil.copy(small_season().results, tmp_path / "mine.nc")
    listed = Path.iterdir

    def iterdir(self: Path) -> Iterator[Path]:
        if self == folder:
            raise PermissionError(13, "Permission denied")
        return listed(self)

    monkeypatch.setattr(Path, "iterdir", iterdir)
    app = _opened(monkeypatch, folder, tmp_path / "mine.nc")
    assert app.title[0].value == "Which bookings"


def test_a_computation_that_fails_says_why(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The command's own paragraph is shown; the page stays, so that it can be tried again."""
    (tmp_path / "cache").write_text("no folder")
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    app = _opened(monkeypatch, _season(tmp_path / "season"), tmp_path / "results.nc")
    app.button(key="first_compute").click().run()
    _quiet(app)
    assert str(tmp_path / "cache") in app.error[0].value
    assert "Traceback" not in app.error[0].value
    assert app.button(key="first_compute")


def test_a_season_with_mistakes_is_not_computed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Each mistake stands on the page with its place, and there is no button."""
    folder = _season(tmp_path / "season")
    offers = folder / "bookings.yaml"
    offers.write_text(offers.read_text(encoding="utf-8").replace("contracted", "perhaps"), encoding="utf-8")
    app = _opened(monkeypatch, folder, tmp_path / "results.nc")
    assert "mistake" in app.error[0].value
    assert "bookings.yaml line" in app.code[0].value
    assert not app.button


@pytest.mark.parametrize("there", [True, False])
def test_the_command_opens_the_dashboard_on_an_empty_folder(
    there: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """`showhour dashboard FOLDER` on an empty or missing folder starts the server, and makes nothing."""
    folder = tmp_path / "mine"
    if there:
        folder.mkdir()
    monkeypatch.setenv("SHOWHOUR_CACHE", str(tmp_path / "cache"))
    started: list[dict[str, Any]] = []

    class Server(nullcontext[Any]):
        def __init__(self, command: list[str], **options: Any) -> None:
            super().__init__(self)
            started.append(options["env"])

        def wait(self) -> int:
            return 0

    monkeypatch.setattr(subprocess, "Popen", Server)
    assert main(["dashboard", str(folder), "--port", "0"]) == 0
    assert started[0]["SHOWHOUR_SEASON"] == str(folder)
    assert folder.exists() == there
