"""ISD-Lite: the small fixed-width hourly files that NOAA NCEI made from the Integrated Surface Dataset.

A legacy archive: it ended in August 2025 and holds neither gusts nor station pressure, but reaches back
decades for stations everywhere. Each line has year, month, day, hour (UTC), then temperature and dew point
(tenths of °C), mean sea level pressure (tenths of hPa), wind direction, wind speed (tenths of m/s), sky
cover code and precipitation of 1 and 6 hours; −9999 is missing.

Reference: ISD-Lite format document, NOAA NCEI (``isd-lite-format.txt``).
"""

from __future__ import annotations

import gzip
import hashlib
import io
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.errors import SourceError
from pipeline.stations.reports import FIRST_YEAR, LAST_YEAR

if TYPE_CHECKING:
    import xarray as xr
    from numpy.typing import NDArray

__all__ = ["ATTRIBUTION", "LICENCE", "read_isd_lite"]

LICENCE = "U.S. Government work; open data, cite the dataset"
ATTRIBUTION = (
    "NOAA National Centers for Environmental Information, Integrated Surface Dataset Lite (ISD-Lite). "
    "Archived observations, not meant where life or property may be at risk."
)

_COLUMNS = 12
_MISSING = -9999
# Column, glossary name, factor and offset to SI.
_FIELDS = (
    (4, "air_temperature", 0.1, 273.15),
    (5, "dew_point_temperature", 0.1, 273.15),
    (6, "air_pressure_at_mean_sea_level", 10.0, 0.0),
    (7, "wind_from_direction", 1.0, 0.0),
    (8, "wind_speed", 0.1, 0.0),
)


def read_isd_lite(
    source: Path | str | bytes | Sequence[Path | str | bytes],
    *,
    station_id: str,
    latitude: float,
    longitude: float,
    elevation_m: float,
    station_name: str | None = None,
    retrieved_at: str | None = None,
    physical_range: bool = True,
) -> xr.Dataset:
    """Read ISD-Lite files of one station into station hours.

    The files name no station and no position: they come from the caller. An hour that appears twice keeps
    its later line, and the other is counted.

    Parameters
    ----------
    source : Path, str, bytes, or a sequence of them
        Files, plain or gzip; bytes are the contents of one. Several (yearly files) make one record.
    station_id : str
    latitude, longitude : float
        Degrees north and east.
    elevation_m : float
        Metres.
    station_name : str, optional
    retrieved_at : str, optional
        ISO 8601 UTC.
    physical_range : bool
        See :func:`pipeline.stations.hours.station_hours`.

    Returns
    -------
    xarray.Dataset
        Temperature, dew point, mean sea level pressure, wind direction and speed. A direction of 0 with a
        wind is variable or unknown there, as north is 360; it becomes NaN.

    Raises
    ------
    SourceError
        Not such a file, with the line; damaged gzip; no line at all.
    """
    from pipeline.stations.hours import station_hours

    sources = [source] if isinstance(source, (str, bytes, Path)) else list(source)
    digest = hashlib.sha256()
    tables = [_table(item, digest) for item in sources]
    table = np.concatenate(tables) if tables else np.zeros((0, _COLUMNS), dtype="int64")
    if not table.size:
        raise SourceError("The ISD-Lite files given hold no line. Give at least one yearly file.")

    values: dict[str, NDArray[np.float64]] = {}
    for column, name, factor, offset in _FIELDS:
        raw = table[:, column].astype("float64")
        raw[raw == _MISSING] = np.nan
        values[name] = raw * factor + offset
    direction = values["wind_from_direction"]
    direction[(direction == 0.0) & (values["wind_speed"] > 0.0)] = np.nan
    return station_hours(
        _times(table),
        values,
        station_id=station_id,
        station_name=station_name or station_id,
        source="isd_lite",
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m,
        licence=LICENCE,
        attribution=ATTRIBUTION,
        raw_sha256=digest.hexdigest(),
        retrieved_at=retrieved_at,
        physical_range=physical_range,
    )


def _times(table: NDArray[np.int64]) -> NDArray[np.datetime64]:
    months = (table[:, 0] * 12 + table[:, 1] - 1 - 1970 * 12).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (table[:, 2] - 1)
    seconds: NDArray[np.datetime64] = (days.astype("int64") * 86_400 + table[:, 3] * 3600).astype(
        "datetime64[s]"
    )
    return seconds


def _table(source: Path | str | bytes, digest: object) -> NDArray[np.int64]:
    import pandas as pd

    place = "the file" if isinstance(source, bytes) else str(source)
    try:
        raw = source if isinstance(source, bytes) else Path(source).read_bytes()
        text = gzip.decompress(raw) if raw[:2] == b"\x1f\x8b" else raw
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise SourceError(f"{place} is damaged gzip ({error}). Fetch or copy the file again.") from error
    except OSError as error:
        raise SourceError(f"{place} cannot be read: {error.strerror}.") from error
    digest.update(raw)  # type: ignore[attr-defined]
    if not text.strip():
        return np.zeros((0, _COLUMNS), dtype="int64")
    # A longer line is a fault to pandas too, but for the first, of which it leaves out the rest.
    strange = text.translate(None, b"-0123456789 \t\r\n")
    if strange or len(text.lstrip().splitlines()[0].split()) > _COLUMNS:
        raise SourceError(_fault(text, place))
    try:
        frame = pd.read_csv(
            io.BytesIO(text),
            sep=r"\s+",
            header=None,
            names=range(_COLUMNS),
            index_col=False,
            dtype="int64",
            encoding="ascii",
            quoting=3,
        )
    except (ValueError, OverflowError) as error:
        raise SourceError(_fault(text, place)) from error
    table: NDArray[np.int64] = frame.to_numpy()
    year, month, day, hour = (table[:, n] for n in range(4))
    good = (
        (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12) & (day >= 1) & (hour >= 0)
    )
    good &= (day <= 31) & (hour <= 23)
    if good.all():
        times = _times(table)
        good = times.astype("datetime64[M]").astype("int64") == (year - 1970) * 12 + month - 1
    if not good.all():
        line = int(np.flatnonzero(~good)[0])
        found = " ".join(map(str, table[line, :4]))
        raise SourceError(f"{place}, data line {line + 1}: {found!r} is no year, month, day and hour.")
    return table


def _fault(text: bytes, place: str) -> str:
    """Say which line is not of the format."""
    for number, line in enumerate(text.split(b"\n"), start=1):
        cells = line.split()
        whole = all(cell.lstrip(b"-").isdigit() for cell in cells)
        if cells and (len(cells) != _COLUMNS or not whole):
            shown = line[:60].decode("ascii", "backslashreplace")
            return (
                f"{place}, line {number}: {shown!r} is not a line of twelve whole numbers (year, "
                "month, day, hour, temperature, dew point, pressure, direction, speed, sky, rain, rain)."
            )
    return f"{place} is not an ISD-Lite file of twelve whole numbers a line."
