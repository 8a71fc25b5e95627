"""Station hours out of a plain CSV file, so that a pilot with any archive can get in.

The columns carry their units in their names (:data:`COLUMNS`); nothing is guessed. Every fault names the
file, the line, the column, what was found and what is wanted.
"""

from __future__ import annotations

import difflib
import gzip
import hashlib
import io
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from pipeline.air.variables import FT, HPA, KT, STATION_VARIABLES, STATUTE_MILE
from pipeline.errors import InputError
from pipeline.stations.hours import OUT_OF_RANGE, dew_point_from_humidity, station_hours

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from numpy.typing import NDArray

__all__ = ["COLUMNS", "read_station_csv"]

_TIME = "time_utc"
_HUMIDITY = "relative_humidity_percent"
_MISSING = ["", "NA", "nan", "NaN", "NAN"]
_ZERO_C = 273.15
_INCHES = (15.0, 33.0)
"""Hectopascals that only inches of mercury can be."""


@dataclass(frozen=True)
class Column:
    """One column of the file: the glossary variable it fills, and SI = value * scale + offset."""

    variable: str
    scale: float
    offset: float = 0.0
    words: tuple[tuple[str, float], ...] = ()
    """Words accepted in place of a number, and the SI value each stands for."""


COLUMNS: dict[str, Column] = {
    "temperature_c": Column("air_temperature", 1.0, _ZERO_C),
    "dew_point_c": Column("dew_point_temperature", 1.0, _ZERO_C),
    "station_pressure_hpa": Column("surface_air_pressure", HPA),
    "altimeter_hpa": Column("altimeter_setting", HPA),
    "mean_sea_level_pressure_hpa": Column("air_pressure_at_mean_sea_level", HPA),
    "wind_direction_deg_true": Column("wind_from_direction", 1.0, words=(("vrb", np.nan),)),
    "wind_speed_kt": Column("wind_speed", KT),
    "gust_kt": Column("wind_speed_of_gust", KT),
    "ceiling_ft": Column("cloud_base_height", FT, words=(("none", np.inf),)),
    "visibility_sm": Column("visibility_in_air", STATUTE_MILE),
    "thunder": Column("thunder", 1.0),
}
"""Columns by name; ``time_utc`` and ``relative_humidity_percent`` are the two others."""


def read_station_csv(
    path: str | Path,
    *,
    station_id: str,
    latitude: float,
    longitude: float,
    elevation_m: float,
    station_name: str | None = None,
    physical_range: bool = True,
) -> xr.Dataset:
    """Read a station-hours CSV file, plain or gzip (name ending in ``.gz``).

    The first line that is neither blank nor a ``#`` comment names the columns: ``time_utc`` (ISO 8601, UTC
    unless it carries an offset) and any of :data:`COLUMNS` and ``relative_humidity_percent``, which gives the
    dew point (Magnus form) where ``dew_point_c`` has none. Blank, ``NA`` and ``nan`` are missing; a wind
    direction may be ``VRB``; a ceiling may be ``none`` (observed, and there is none); thunder is 0 or 1.

    Parameters
    ----------
    path : str or Path
    station_id, station_name : str
        How the station is known; the name is the id where none is given.
    latitude, longitude : float
        Degrees north and east.
    elevation_m : float
        Metres above mean sea level.
    physical_range : bool
        See :func:`pipeline.stations.hours.station_hours`.

    Returns
    -------
    xarray.Dataset
        Station hours; values outside the glossary's range are NaN and counted.

    Raises
    ------
    InputError
        The file can't be read, is not text, names an unknown column or one twice, has a row of another
        length, a value that is no number, a time that is no time, the same time twice, or a column that is
        mostly out of range (its unit is wrong).
    """
    file = Path(path)
    raw = _raw_bytes(file)
    numbers, lines = _content(file, raw)
    names = _header(file, numbers[0], lines[0])
    if len(lines) == 1:
        raise InputError(f"{file}: there are column names on line {numbers[0]} but no hours below them.")
    table = _table(file, numbers, lines, names)

    times = _times(file, numbers, table[_TIME])
    rejected: dict[str, int] = {}
    values: dict[str, NDArray[np.float64]] = {}
    for name in names:
        if name in COLUMNS:
            column = COLUMNS[name]
            plain = _numbers(file, numbers, table[name], name, column.words)
            values[column.variable] = _in_si(file, name, column, plain)
            if name.endswith("_hpa"):
                _refuse_inches(file, numbers, name, plain)
    if _HUMIDITY in names:
        dew_point = _dew_point(file, numbers, table[_HUMIDITY], values.get("air_temperature"), rejected)
        measured = values.get("dew_point_temperature")
        values["dew_point_temperature"] = (
            dew_point if measured is None else np.where(np.isnan(measured), dew_point, measured)
        )
    return station_hours(
        times,
        values,
        station_id=station_id,
        station_name=station_name or station_id,
        source="csv",
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m,
        licence="not stated",
        attribution=f"Station hours from the file {file.name}",
        raw_sha256=hashlib.sha256(raw).hexdigest(),
        rejected=rejected,
        retrieved_at=datetime.fromtimestamp(file.stat().st_mtime, UTC).isoformat(timespec="seconds"),
        physical_range=physical_range,
    )


def _raw_bytes(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise InputError(
            f"{file}: the station file can't be read ({error.strerror}). Give the path of a station-hours "
            "CSV file, or correct its permissions."
        ) from error


def _content(file: Path, raw: bytes) -> tuple[list[int], list[str]]:
    """Line numbers and text of the lines that are neither blank nor comments."""
    if raw[:2] == b"\x1f\x8b":
        try:
            raw = gzip.decompress(raw)
        except (OSError, EOFError, zlib.error) as error:
            raise InputError(
                f"{file}: the gzip file is damaged or cut short ({error}). Copy or download it again."
            ) from error
    elif file.suffix == ".gz":
        raise InputError(f"{file}: named .gz but not gzip. Compress it, or take .gz off its name.")
    if b"\0" in raw[:65536] or raw[:4] == b"PK\x03\x04":
        raise InputError(
            f"{file}: this is a binary file (a spreadsheet, or an archive). Save it as CSV, UTF-8 text."
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"{file}, line {line}: the byte 0x{raw[error.start]:02x} is not UTF-8. Save the file as UTF-8 "
            "text."
        ) from error
    # No value holds a comma or a line break, so quotation marks say nothing.
    every = text.replace('"', "").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    kept = [(n, line) for n, line in enumerate(every, 1) if line.strip() and line.lstrip()[0] != "#"]
    if not kept:
        raise InputError(f"{file}: the file is empty. Its first line must name the columns: {_known()}.")
    return [n for n, _ in kept], [line for _, line in kept]


def _header(file: Path, number: int, line: str) -> list[str]:
    if "," not in line and (";" in line or "\t" in line):
        raise InputError(
            f"{file}, line {number}: the columns are separated by semicolons or tabs. Separate them by "
            "commas, with a point in decimal numbers."
        )
    names = [name.strip() for name in line.split(",")]
    known = [_TIME, *COLUMNS, _HUMIDITY]
    if _TIME not in names:
        raise InputError(
            f"{file}, line {number}: there is no {_TIME} column among {', '.join(names)!r}. The first line "
            f"must name the columns: {_known()}."
        )
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.4)
            hint = f"did you mean {near[0]}? " if near else ""
            raise InputError(
                f"{file}, line {number}: unknown column {name!r}; {hint}The columns are {_known()}; take "
                "others out of the file."
            )
        if names.count(name) > 1:
            raise InputError(f"{file}, line {number}: the column {name} is there twice. Keep one of them.")
    if len(names) == 1:
        raise InputError(f"{file}, line {number}: there is no column beside {_TIME}. Any of: {_known()}.")
    return names


def _known() -> str:
    return ", ".join([_TIME, *COLUMNS, _HUMIDITY])


def _table(file: Path, numbers: list[int], lines: list[str], names: list[str]) -> pd.DataFrame:
    import pandas as pd

    for number, line in zip(numbers, lines, strict=True):
        if line.count(",") != len(names) - 1:
            raise InputError(
                f"{file}, line {number}: {line.count(',') + 1} values, but the file has {len(names)} "
                "columns. Every row needs the same number of commas, nothing between two where a value is "
                "missing, and a point in decimal numbers."
            )
    return pd.read_csv(
        io.StringIO("\n".join(lines[1:])),
        names=names,
        dtype={_TIME: "str"},
        na_values=_MISSING,
        keep_default_na=False,
        skipinitialspace=True,
        quoting=3,
        low_memory=False,
        index_col=False,
    )


def _times(file: Path, numbers: list[int], column: pd.Series[Any]) -> NDArray[np.datetime64]:
    import pandas as pd

    text = column.str.strip()
    stamps = pd.to_datetime(text, format="ISO8601", utc=True, errors="coerce")
    # A bare date or year also parses; an hour is wanted.
    wrong = (stamps.isna() | (text.str.len() < len("2024-07-04T20"))).to_numpy()
    if not wrong.any():
        wrong = ~stamps.dt.year.between(1900, 2100).to_numpy()
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        found = "nothing" if pd.isna(text.iloc[row]) else repr(text.iloc[row])
        _fault(file, numbers, row, _TIME, found, "a time such as 2024-07-04T20:00Z")
    times: NDArray[np.datetime64] = stamps.dt.tz_localize(None).to_numpy().astype("datetime64[s]")
    order = np.argsort(times, kind="stable")
    twice = np.flatnonzero(times[order][1:] == times[order][:-1])
    if twice.size:
        first, second = int(order[twice[0]]), int(order[twice[0] + 1])
        _fault(
            file,
            numbers,
            second,
            _TIME,
            f"{times[second]}Z, which line {numbers[first + 1]} holds already",
            "each time once; if the clock went back an hour here, the times are local and must be made UTC",
        )
    return times


def _numbers(
    file: Path,
    numbers: list[int],
    column: pd.Series[Any],
    name: str,
    words: tuple[tuple[str, float], ...] = (),
) -> NDArray[np.float64]:
    """The column as floats, its accepted words replaced by NaN or inf; the first other word is a fault."""
    import pandas as pd

    if column.dtype.kind in "iuf":
        plain = column.to_numpy(dtype="float64")
        strange = np.isinf(plain)
    else:
        # Few different texts, many rows: read each text once. Missing rows have the code -1, the last.
        codes, texts = pd.factorize(column.astype("str").where(column.notna()))
        meaning = dict(words)
        stripped = pd.Series(texts, dtype="str").str.strip().str.lower()
        read = pd.to_numeric(stripped, errors="coerce").to_numpy(dtype="float64", na_value=np.nan, copy=True)
        said = stripped.isin(list(meaning)).to_numpy()
        bad = ~said & ~np.isfinite(read) & (stripped != "").to_numpy()
        read[said] = stripped[said].map(meaning)
        plain = np.append(read, np.nan)[codes]
        strange = np.append(bad, False)[codes]
    if name == "thunder":
        strange |= ~(np.isnan(plain) | (plain == 0.0) | (plain == 1.0))
    if strange.any():
        row = int(np.flatnonzero(strange)[0])
        wanted = "0 or 1" if name == "thunder" else " or ".join(["a number", *(w.upper() for w, _ in words)])
        _fault(file, numbers, row, name, repr(str(column.iloc[row])), f"{wanted}, or nothing where missing")
    return plain


def _in_si(file: Path, name: str, column: Column, plain: NDArray[np.float64]) -> NDArray[np.float64]:
    """The column in SI; one that is mostly out of range is in another unit and is refused."""
    variable = STATION_VARIABLES[column.variable]
    reported = plain[np.isfinite(plain)]
    middle = float(np.median(reported)) if reported.size else np.nan
    si = plain * column.scale + column.offset
    wild = int(((si < variable.valid_min) | (si > variable.valid_max)).sum())
    if wild * 2 <= reported.size:
        return si
    low = (variable.valid_min - column.offset) / column.scale
    high = (variable.valid_max - column.offset) / column.scale
    raise InputError(
        f"{file}, column {name}: {wild} of {reported.size} values are outside {low:.6g} to {high:.6g}, the "
        f"middle one is {middle:g}; {_unit_hint(name, middle)}. Convert the column to the unit in its name."
    )


def _refuse_inches(file: Path, numbers: list[int], name: str, plain: NDArray[np.float64]) -> None:
    """Refuse a pressure that only inches of mercury can be: a column has one unit."""
    inches = np.flatnonzero((plain > _INCHES[0]) & (plain < _INCHES[1]))
    if inches.size:
        others = f", as on {inches.size - 1} more" if inches.size > 1 else ""
        _fault(
            file,
            numbers,
            int(inches[0]),
            name,
            f"{plain[inches[0]]:g}{others}, which looks like inches of mercury among hectopascals",
            "hPa in every row (1 inHg is 33.86389 hPa)",
        )


def _unit_hint(name: str, middle: float) -> str:
    if name.endswith("_hpa"):
        if _INCHES[0] < middle < _INCHES[1]:
            return "this looks like inches of mercury (1 inHg is 33.86389 hPa)"
        if 50_000.0 < middle < 110_000.0:
            return "this looks like pascals (100 Pa is 1 hPa)"
        if 380.0 < middle < 830.0:
            return "this looks like millimetres of mercury (1 mmHg is 1.333224 hPa), or like another pressure"
    if name in ("temperature_c", "dew_point_c"):
        return "this looks like kelvin" if middle > 150.0 else "this looks like degrees Fahrenheit"
    if name == "visibility_sm" and middle > 124.0:
        return "this looks like metres (1 statute mile is 1609.344 m)"
    return "this looks like another unit or another quantity"


def _dew_point(
    file: Path,
    numbers: list[int],
    column: pd.Series[Any],
    temperature: NDArray[np.float64] | None,
    rejected: dict[str, int],
) -> NDArray[np.float64]:
    if temperature is None:
        raise InputError(
            f"{file}: {_HUMIDITY} says nothing about density without temperature_c. Add that column."
        )
    percent = _numbers(file, numbers, column, _HUMIDITY)
    reported = percent[np.isfinite(percent)]
    if reported.size >= 24 and reported.max() <= 1.0:
        raise InputError(
            f"{file}, column {_HUMIDITY}: no value is above 1, so this looks like a fraction. Multiply it "
            "by 100."
        )
    wild = (percent < 0.0) | (percent > 105.0)
    if int(wild.sum()) * 2 > reported.size:
        raise InputError(
            f"{file}, column {_HUMIDITY}: {int(wild.sum())} of {reported.size} values are outside 0 to 105 "
            "%. Put relative humidity in percent here."
        )
    if wild.any():
        rejected[OUT_OF_RANGE + "relative_humidity"] = int(wild.sum())
    return dew_point_from_humidity(temperature, np.where(wild, np.nan, percent) / 100.0)


def _fault(file: Path, numbers: list[int], row: int, name: str, found: str, wanted: str) -> NoReturn:
    raise InputError(f"{file}, line {numbers[row + 1]}, column {name}: found {found}; wanted {wanted}.")
