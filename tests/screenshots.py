"""Draw the pictures of README.md and docs/ from the invented demo season: ``python tests/screenshots.py``."""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
PICTURES = {
    "bookings": ("desk", "", 1000),
    "hour": ("desk", "hour?booking=wheatline-june", 1180),
    "venue-phone": ("phone", "venue?booking=wheatline-june", 1100),
}
"""File: width, address within the dashboard, height of the picture."""
MOST_BYTES = 120_000


def as_png(shot: bytes) -> bytes:
    """A screenshot on a palette of 64 colours, so that it stays small; undithered, text stays sharp."""
    from PIL import Image

    picture = Image.open(io.BytesIO(shot)).convert("RGB").quantize(64, dither=Image.Dither.NONE)
    held = io.BytesIO()
    picture.save(held, "PNG", optimize=True)
    return held.getvalue()


def shoot(page: Any, address: str, path: str, height: int) -> bytes:
    """A page from its top, once every picture of it is drawn."""
    from browser import readable, settled, still

    page.set_viewport_size({"width": page.viewport_size["width"], "height": height})
    page.goto(f"{address}/{path}")
    readable(page)
    settled(page)
    page.wait_for_function(
        "[...document.querySelectorAll('[data-testid=stVegaLiteChart]')].every(c => c.querySelector('svg'))"
        " && !document.querySelector('[data-testid=stSkeleton]')"
    )
    still(page)
    return bytes(page.screenshot())


def take(address: str, into: Path, pictures: Mapping[str, tuple[str, str, int]]) -> list[Path]:
    """Draw pictures from a running dashboard into a folder."""
    from browser import opened

    into.mkdir(parents=True, exist_ok=True)
    written = []
    for name, (width, path, height) in pictures.items():
        with opened(address, width) as (page, _):
            png = as_png(shoot(page, address, path, height))
        if len(png) >= MOST_BYTES:
            raise SystemExit(f"{name}.png has {len(png)} bytes; it is to stay under {MOST_BYTES}")
        written.append(into / f"{name}.png")
        written[-1].write_bytes(png)
    return written


def main() -> None:
    """Compute the demo season apart, serve it, and draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--into", type=Path, default=ROOT / "docs", metavar="FOLDER")
    arguments = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    from browser import served

    from pipeline.run import results_path

    with tempfile.TemporaryDirectory() as scratch:
        folder, cache = Path(scratch) / "demo-season", Path(scratch) / "cache"
        environment = os.environ | {"SHOWHOUR_CACHE": str(cache), "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-c", "import sys; from pipeline.cli import main; sys.exit(main())"]
        for step in (["demo", "--no-dashboard", "--into", str(folder)], ["verify", str(folder)]):
            subprocess.run([*command, *step], check=True, env=environment, stdout=subprocess.DEVNULL)
        with served(results_path(folder, cache), folder) as address:
            for path in take(address, arguments.into, PICTURES):
                print(f"{path}: {path.stat().st_size:,} bytes")


if __name__ == "__main__":
    main()
