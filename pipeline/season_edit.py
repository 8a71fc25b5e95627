"""One value of a season folder changed where it stands: every other character of the file stays as it was.

The change is worked out first, to be read as text; writing it is a second step, which refuses a file that
changed meanwhile and a season that would not pass its checks.
"""

from __future__ import annotations

import contextlib
import copy
import difflib
import hashlib
import os
import re
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import yaml

from pipeline import settings
from pipeline.errors import InputError, StoreError
from pipeline.files import write_atomically
from pipeline.flight_inputs import flight_mistakes
from pipeline.inputs import check_season, load_season
from pipeline.settings import Fault, Key, dotted, parse_settings

__all__ = ["Edit", "changed", "figure_key", "position_of", "value_at", "write"]

_LOCK_WAIT_S = 10.0
_PLAIN = re.compile(r"[A-Za-z0-9.+-][A-Za-z0-9_.:+-]*")
"""What may stand in a file without quotation marks, as it is written here."""


@dataclass(frozen=True)
class Edit:
    """A change of one file that is not written yet.

    Attributes
    ----------
    folder, file
        The season folder, and the file's name in it.
    before, after
        Whole contents.
    """

    folder: Path
    file: str
    before: bytes
    after: bytes

    @property
    def previous(self) -> str:
        """Name under which the version before is kept; no name that a season folder reads."""
        return f"{self.file}.previous"

    @property
    def diff(self) -> str:
        """The change as text: what goes with -, what comes with +, two lines around each."""
        old, new = (side.decode("utf-8-sig").splitlines() for side in (self.before, self.after))
        lines = difflib.unified_diff(old, new, f"{self.file} as it is", f"{self.file} as it would be", n=2)
        return "\n".join(line.rstrip("\n") for line in lines)


def changed(folder: Path, file: str, values: Mapping[Key, str]) -> Edit:
    """Work out a change of values in a file; nothing is written.

    Parameters
    ----------
    folder, file
        The season folder, and the file's name in it.
    values
        New text by key. A key that is not there yet is added to the group that it belongs to.

    Raises
    ------
    InputError
        The file cannot be read, or a value does not stand where it could be changed alone.
    """
    try:
        before = (folder / file).read_bytes()
        text = before.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{folder / file} cannot be read ({error}). Nothing was changed.") from error
    value = _plain(text, file)
    new = text
    for key, written in values.items():
        new = _put(new, file, key, written)
        _set(value, key, written)
    if _plain(new, file) != value:
        keys = ", ".join(dotted(key) for key in values)
        raise InputError(f"{keys} in {file} cannot be changed alone from here. Change it in the file.")
    mark = before[: len(before) - len(text.encode())]
    return Edit(folder, file, before, mark + new.encode())


def write(edit: Edit) -> None:
    """Write a change: checked first, the version before kept beside, the file replaced whole.

    Raises
    ------
    InputError
        The file is not as it was when the change was worked out, or the season would have mistakes.
    StoreError
        The folder cannot be written, or another program is writing.
    """
    path = edit.folder / edit.file
    with _locked(path):
        if not path.is_file() or path.read_bytes() != edit.before:
            raise InputError(
                f"{edit.file} has been changed by someone else since this change was shown. Nothing was "
                "written: look at the change anew, on the file as it is now."
            )
        faults = _faults(edit)
        if faults:
            told = "; ".join(str(fault) for fault in faults[:3])
            more = f"; and {len(faults) - 3} more" if len(faults) > 3 else ""
            raise InputError(f"The season would have a mistake; nothing was written. {told}{more}.")
        write_atomically(edit.folder / edit.previous, edit.before)
        write_atomically(path, edit.after)


def figure_key(folder: Path, name: str) -> Key:
    """Where a figure stands in ``routine.yaml``: in the routine, among substitutes, or in the low show.

    Raises
    ------
    InputError
        The file has no such figure.
    """
    content = _read(folder, "routine.yaml")
    figures = _at(content, "figures")
    if (i := _named(figures, "name", name)) is not None:
        return ("figures", i)
    for i, one in enumerate(figures if isinstance(figures, list) else ()):
        if (j := _named(_at(one, "substitutes"), "name", name)) is not None:
            return ("figures", i, "substitutes", j)
    if (i := _named(_at(_at(content, "low_ceiling"), "own"), "name", name)) is not None:
        return ("low_ceiling", "own", i)
    raise InputError(f"routine.yaml has no figure {name} any more.")


def position_of(folder: Path, booking: str) -> int:
    """Where a booking stands in ``bookings.yaml``.

    Raises
    ------
    InputError
        The file has no such booking.
    """
    at = _named(_read(folder, "bookings.yaml"), "id", booking)
    if at is None:
        raise InputError(f"bookings.yaml has no booking {booking} any more.")
    return at


def value_at(folder: Path, file: str, key: Key) -> str | None:
    """What is written under a key; None where nothing is.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    value: object = _read(folder, file)
    for step in key:
        value = _at(value, step)
    return value if isinstance(value, str) else None


# --- Inside -----------------------------------------------------------------------------------------


def _read(folder: Path, file: str) -> object:
    try:
        return _plain((folder / file).read_text(encoding="utf-8-sig"), file)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{folder / file} cannot be read ({error}). Nothing was changed.") from error


def _at(value: object, step: str | int) -> object:
    if isinstance(value, dict):
        return value.get(step)
    if isinstance(value, list) and isinstance(step, int) and step < len(value):
        return value[step]
    return None


def _named(items: object, field: str, name: str) -> int | None:
    """Position of the entry of a list that has this name."""
    rows = items if isinstance(items, list) else ()
    return next((i for i, one in enumerate(rows) if _at(one, field) == name), None)


def _plain(text: str, file: str) -> object:
    faults: list[Fault] = []
    document = parse_settings(text, file, faults)
    if document is None or faults:
        raise InputError(f"{file} has a mistake, and is not changed from here: {faults[0]}.")
    return copy.deepcopy(document.value)


def _set(value: object, key: Key, written: str) -> None:
    for step in key[:-1]:
        if isinstance(value, dict) and isinstance(step, str):
            value = value.setdefault(step, {})
        else:
            value = value[step]  # type: ignore[index]
    value[key[-1]] = written  # type: ignore[index]


def _put(text: str, file: str, key: Key, written: str) -> str:
    """The text with one value replaced, or added after the first key of its group."""
    node = yaml.compose(text, Loader=yaml.BaseLoader)
    for depth, step in enumerate(key):
        found = None
        if isinstance(node, yaml.SequenceNode) and isinstance(step, int) and step < len(node.value):
            found = node.value[step]
        elif isinstance(node, yaml.MappingNode):
            found = next((v for k, v in node.value if k.value == step), None)
            if found is None and node.value:
                return _add(text, node, key[depth:], written)
        if found is None:
            raise InputError(f"{dotted(key)} in {file} cannot be changed from here. Change it in the file.")
        node = found
    if not isinstance(node, yaml.ScalarNode) or node.start_mark.index == node.end_mark.index:
        raise InputError(f"{dotted(key)} in {file} cannot be changed from here. Change it in the file.")
    quote = node.style if node.style in ("'", '"') else ""
    return text[: node.start_mark.index] + _scalar(written, quote) + text[node.end_mark.index :]


def _add(text: str, group: yaml.MappingNode, key: Key, written: str) -> str:
    pairs = group.value
    # After the first key, which names the thing in a list.
    at = (pairs[1] if len(pairs) > 1 else pairs[0])[0].start_mark
    value = _scalar(written, "")
    for step in reversed(key[1:]):
        value = f"{{{step}: {value}}}"
    if group.flow_style:
        return f"{text[: at.index]}{key[0]}: {value}, {text[at.index :]}"
    end = "\r\n" if "\r\n" in text else "\n"
    return f"{text[: at.index]}{key[0]}: {value}{end}{' ' * at.column}{text[at.index :]}"


def _scalar(written: str, quote: str) -> str:
    if quote == "'":
        return "'" + written.replace("'", "''") + "'"
    return written if not quote and _PLAIN.fullmatch(written) else settings.written(written)


def _faults(edit: Edit) -> list[Fault]:
    """What `showhour check` would say of the folder with the change in it."""
    with tempfile.TemporaryDirectory(prefix="showhour-edit-") as scratch:
        shadow = Path(scratch)
        for entry in edit.folder.iterdir():
            if entry.name != edit.file:
                os.symlink(entry.resolve(), shadow / entry.name)
        (shadow / edit.file).write_bytes(edit.after)
        faults = check_season(shadow)
        return faults or flight_mistakes(load_season(shadow))[0]


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[None]:
    from filelock import FileLock, Timeout

    name = hashlib.sha256(str(path.resolve()).encode()).hexdigest()[:16]
    try:
        with FileLock(Path(tempfile.gettempdir()) / f"showhour-edit-{name}.lock", timeout=_LOCK_WAIT_S):
            yield
    except Timeout as error:
        raise StoreError(f"Another program is writing {path}. Try again in a moment.") from error
    except OSError as error:
        raise StoreError(f"{path} cannot be written: {error.strerror or error}.") from error
