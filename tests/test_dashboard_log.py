"""The page "What my log says": no log is said, a show typed in is in the file, a mistake is told."""

from __future__ import annotations

import html
import json
import math
import re
import shutil
from pathlib import Path

import pytest
from dashboard_season import Made, opened_at, small_season

from pipeline.air.variables import FT
from pipeline.results import read_results
from pipeline.show_log import read_log


def test_what_the_log_says_is_what_the_results_say(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sentences, every show, and the limits written and used as the results hold them; the switch is off."""
    made = small_season()
    app = opened_at(monkeypatch, "log", made)
    assert not app.exception
    text = "\n".join(h.proto.body for h in app.get("html"))
    with read_results(made.results) as ds:
        told = json.loads(ds.attrs["learned"])
        stated, used = (ds[f"limit_{kind}"].to_numpy()[:, 0] / FT for kind in ("stated", "used"))
        names = [str(f) for f in ds["figure"].to_numpy()]
    for cause in told["causes"]:
        assert html.escape(cause["sentence"][1:]) in text
    unchanged = [s["routine"] for s in told["every_show"] if not s["changed"]]
    assert text.count("nothing</td>") == len(unchanged) - unchanged.count("none")
    assert text.count("nothing flown</td>") == unchanged.count("none") > 0
    assert "learned_may_relax is on" not in text
    f = next(i for i in range(len(names)) if used[i] < stated[i] - 1.0)
    row = re.search(rf">{re.escape(names[f])}</t[hd]>(.*?)</tr>", text, re.DOTALL)
    assert row is not None
    assert f"{math.floor(stated[f] + 1e-6):,}" in row[1]
    assert f"{math.floor(used[f] + 1e-6):,}" in row[1]
    app.selectbox(key="log_condition").select("gust").run()
    assert not app.exception
    assert "Gust peak: the limit you wrote" in "\n".join(h.proto.body for h in app.get("html"))


def test_a_show_typed_in_is_logged_and_a_mistake_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The show is read back by the log's own reader; a month 13 is refused and nothing is written."""
    made = small_season()
    folder = Path(shutil.copytree(made.folder, tmp_path / "season"))
    (folder / "show_log.csv").unlink(missing_ok=True)
    app = opened_at(monkeypatch, "log", Made(folder, made.results))
    assert not app.exception
    app.text_input(key="log_date").set_value("2026-13-04")
    app.text_input(key="log_time").set_value("14:30")
    app.button[0].click().run()
    assert any("2026-13-04" in e.value for e in app.error)
    assert read_log(folder) == ([], [])
    app.number_input(key="log_changed").set_value(1).run()
    app.text_input(key="log_date").set_value("2026-07-04")
    app.button[0].click().run()
    assert not app.exception
    assert "showhour forecast" in app.success[0].value
    (show,), _ = read_log(folder)
    assert (show.date.isoformat(), f"{show.time:%H:%M}", len(show.changed)) == ("2026-07-04", "14:30", 1)
