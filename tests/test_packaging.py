"""What is installed works away from the checkout: read-only, and without a network."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from season_folder import TIMEOUT_S

ROOT = Path(__file__).resolve().parent.parent


def run(command: list[str], cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=TIMEOUT_S,
        check=False,
        cwd=cwd,
        env=os.environ | environment,
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel built from a source archive that was built from the tree, as a release would be."""
    built = tmp_path_factory.mktemp("built")
    for kind, source in (("sdist", ROOT), ("wheel", built / "unpacked")):
        if kind == "wheel":
            (archive,) = built.glob("showhour-*.tar.gz")
            shutil.unpack_archive(archive, built / "whole", filter="data")
            (inner,) = (built / "whole").iterdir()
            inner.rename(source)
        done = run([sys.executable, "-m", "hatchling", "build", "-t", kind, "-d", str(built)], source)
        assert done.returncode == 0, done.stderr
    (path,) = built.glob("showhour-*.whl")
    return path


_NOWHERE = "http://127.0.0.1:9"


def offline() -> list[str]:
    """A prefix that takes every network but loopback away, where this user may; none elsewhere."""
    prefix = ["unshare", "-n", "--"]
    allowed = shutil.which("unshare") and subprocess.run([*prefix, "true"], check=False).returncode == 0
    return prefix if allowed else []


def test_the_source_archive_is_the_project(wheel: Path) -> None:
    """The source archive holds what a contributor needs, and nothing that was fetched or computed."""
    tree = wheel.parent / "unpacked"
    assert (tree / "venues" / "demo" / "season.yaml").is_file()
    for needed in ("README.md", "pyproject.toml", "LICENSE", "tests/constraints.txt", "cache/README.md"):
        assert (tree / needed).is_file(), needed
    assert [p.name for p in (tree / "cache").iterdir()] == ["README.md"]


def test_the_wheel_holds_the_code_and_the_demo_only(wheel: Path) -> None:
    """Pipeline, dashboard with its Streamlit settings, and the demo season; no tests, no bytecode."""
    with zipfile.ZipFile(wheel) as held:
        names = held.namelist()
    tops = {name.split("/")[0] for name in names}
    assert {t for t in tops if not t.endswith(".dist-info")} == {"pipeline", "dashboard"}
    assert not [n for n in names if n.endswith((".pyc", ".nc"))]
    demo = {
        p.relative_to(ROOT / "venues" / "demo").as_posix()
        for p in (ROOT / "venues" / "demo").rglob("*")
        if p.is_file()
    }
    assert {n.removeprefix("pipeline/_demo/") for n in names if n.startswith("pipeline/_demo/")} == demo
    assert "dashboard/.streamlit/config.toml" in names
    code = {
        p.relative_to(ROOT).as_posix() for d in ("pipeline", "dashboard") for p in (ROOT / d).rglob("*.py")
    }
    assert code <= set(names)


_ENTRY = """
import sys, pipeline
assert pipeline.__file__.startswith(sys.argv[1]), pipeline.__file__
from pipeline.cli import main
sys.exit(main(sys.argv[2:]))
"""

_ASK = """
import fcntl, os, signal, socket, struct, subprocess, sys, time, urllib.request
entry, site, closed = sys.argv[1], sys.argv[2], sys.argv[3] == "closed"
if closed:
    # A closed network begins with loopback down: SIOCSIFFLAGS, IFF_UP | IFF_RUNNING.
    fcntl.ioctl(socket.socket(), 0x8914, struct.pack("16sh", b"lo", 0x41))
with socket.socket() as free:
    free.bind(("127.0.0.1", 0))
    port = str(free.getsockname()[1])
command = [sys.executable, "-c", entry, site, "dashboard", "demo-season", "--port", port]
process = subprocess.Popen(command, start_new_session=True)
try:
    deadline = time.monotonic() + 90
    while True:
        try:
            page = urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5).read()
            health = urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=5).read()
            break
        except OSError:
            assert process.poll() is None, "the dashboard ended"
            assert time.monotonic() < deadline, "the dashboard does not answer"
            time.sleep(0.25)
    assert health == b"ok", health
    assert b"<html" in page.lower(), page[:200]
finally:
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(30)
"""


def _tour() -> list[list[str]]:
    """Every line of the tour's shell blocks, and every whole command named in a sentence."""
    text = (ROOT / "docs" / "tour.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```sh\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    lines = [line for block in blocks for line in block.splitlines()]
    return [shlex.split(line) for line in (*lines, *re.findall(r"`(showhour [^`]+)`", text))]


@pytest.mark.timeout(600)
def test_the_whole_tour_away_from_the_checkout(wheel: Path, tmp_path: Path) -> None:
    """The wheel alone, read-only, elsewhere, without a network: every command of the tour runs, in the order
    written from an empty folder, and the dashboard, last, serves.

    Everything that is written lands in the folder the user stands in and in the user's cache folder.
    """
    commands = _tour()
    dashboard = ["showhour", "dashboard", "demo-season"]
    assert len(commands) == 9
    assert commands[0] == ["showhour", "demo", "--no-dashboard"]
    commands.remove(dashboard)
    site, user, away = (tmp_path / name for name in ("site", "user", "away"))
    user.mkdir()
    away.mkdir()
    install = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index"]
    done = run([*install, "--target", str(site), str(wheel)], tmp_path)
    assert done.returncode == 0, done.stderr
    before = sorted(p.relative_to(site) for p in site.rglob("*"))
    for path in [site, *site.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    environment = {
        "PYTHONPATH": str(site),
        "HOME": str(user),
        "XDG_CACHE_HOME": str(user / "cache"),
        "SHOWHOUR_CACHE": "",
    }
    closed = offline()
    if not closed:
        # Where the network cannot be taken away, whoever asks for an outside address meets a closed door.
        environment |= dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), _NOWHERE)
        environment |= {"no_proxy": "127.0.0.1,localhost"}
    # File permissions do not bind root unless it gives up its rights; it needs them to bring loopback up.
    bound = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--"] if os.getuid() == 0 else []
    try:
        for name, *arguments in commands:
            assert name == "showhour"
            command = [*closed, *bound, sys.executable, "-c", _ENTRY, str(site), *arguments]
            done = run(command, away, **environment)
            assert done.returncode == 0, (arguments, done.stderr)
            assert "Traceback" not in done.stderr
        assert (away / "demo-season" / "season.yaml").is_file()
        assert list((away / "papers").iterdir())
        assert list((user / "cache" / "showhour" / "results").glob("demo-season-*.nc"))

        ask = [sys.executable, "-c", _ASK, _ENTRY, str(site), "closed" if closed else "open"]
        served = run([*closed, *ask], away, **environment)
        assert served.returncode == 0, served.stderr + served.stdout
        assert "Traceback" not in served.stderr
    finally:
        for path in [site, *site.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)
    after = sorted(p.relative_to(site) for p in site.rglob("*"))
    assert after == before, "the installation was written to"


# --- Installing -----------------------------------------------------------------------------------------


def test_every_requirement_is_pinned_and_no_pin_names_a_host() -> None:
    """The constraints pin every declared requirement to one version a platform, and name no address."""
    lines = (ROOT / "tests" / "constraints.txt").read_text().splitlines()
    assert not [line for line in lines if "://" in line or line.startswith("-")]
    pinned = {re.split(r"[=; ]", line)[0].lower() for line in lines if line and not line.startswith("#")}
    assert all(re.match(r"[a-z0-9._-]+==[^ ]+( ;.*)?$", line) for line in lines), "pins, all of them"
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    declared = [*project["dependencies"], *(r for e in project["optional-dependencies"].values() for r in e)]
    names = {re.split(r"[<>=!~;\[ ]", requirement)[0].lower().replace("_", "-") for requirement in declared}
    assert names - {name.replace("_", "-") for name in pinned} == set()


def test_the_readme_and_ci_install_the_same_way() -> None:
    """README's two commands use the constraints, and CI runs README's test command."""
    readme = (ROOT / "README.md").read_text()
    commands = [line for line in readme.splitlines() if line.startswith("python3 -m venv .venv && ")]
    assert len(commands) == 2
    start, tests = (command.split(" && ") for command in commands)
    assert start[1] == ".venv/bin/pip install -c tests/constraints.txt ."
    assert start[2] == ".venv/bin/showhour demo"
    assert tests[1:] == [
        '.venv/bin/pip install -c tests/constraints.txt -e ".[test]"',
        ".venv/bin/pytest -n 2 --dist loadfile",
    ]
    script = (ROOT / ".ci" / "run").read_text()
    assert "-c tests/constraints.txt -e '.[test]'" in script
    assert script.rstrip().splitlines()[-1] == "pytest -n 2 --dist loadfile"
    assert "set -euo pipefail" in script
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


def test_one_version() -> None:
    """The version is the same in the package and in its metadata."""
    from pipeline import __version__

    assert tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"] == __version__
