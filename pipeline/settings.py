"""Settings files: YAML read as plain text with line numbers, typed by frozen models, every mistake placed.

YAML's own typing is not used: it reads 14:30 as 870, 010 as 8 and NO as false, and lets a key given twice
pass in silence. Here every value arrives as the text that was written, and the model decides.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
import typing
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

import pydantic
import yaml
from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError
from yaml.composer import Composer

__all__ = [
    "Document",
    "Fault",
    "LocalDate",
    "LocalTime",
    "Settings",
    "Text",
    "Truth",
    "in_digits",
    "mistake",
    "nearest",
    "number",
    "one_of",
    "parse_settings",
    "read_settings",
    "typed",
    "whole_number",
    "written",
]

Key = tuple[str | int, ...]
"""Where a value stands in a file: names of keys, and positions in lists."""

_DEEPEST = 12
_YAML_CURE = (
    "YAML: `key: value` on each line, nested keys two spaces further in, a value that holds `: ` or starts "
    "with a sign in quotation marks, every bracket and quotation mark closed; look at this line and the one "
    "above it"
)
_STANDARD_TAGS = {f"tag:yaml.org,2002:{kind}" for kind in ("str", "seq", "map")}


@dataclass(frozen=True)
class Fault:
    """One mistake in a settings file, or one warning about it.

    Attributes
    ----------
    file
        Path inside the folder, with forward slashes.
    line
        Line in the file, from 1; None for a file as a whole.
    key
        Dotted key, as in ``stations[0].elevation_ft``; empty for a file as a whole.
    found, wanted
        What stands there, and what would be right.
    """

    file: str
    line: int | None
    key: str
    found: str
    wanted: str

    def __str__(self) -> str:
        """One line: place, key, what was found, what is wanted."""
        place = self.file if self.line is None else f"{self.file} line {self.line}"
        key = f", {self.key}" if self.key else ""
        return f"{place}{key}: found {self.found}; wanted {self.wanted}"


@dataclass(frozen=True)
class Document:
    """A settings file as text values, with the line of every key."""

    file: str
    value: Any
    lines: dict[Key, int]

    def line(self, key: Key) -> int | None:
        """Line of a key, or of the nearest thing around it that is there."""
        while key and key not in self.lines:
            key = key[:-1]
        return self.lines.get(key)

    def at(self, key: Key) -> Any:
        """Value under a key; None where there is none."""
        value = self.value
        for step in key:
            if isinstance(value, dict) and isinstance(step, str):
                value = value.get(step)
            elif isinstance(value, list) and isinstance(step, int) and step < len(value):
                value = value[step]
            else:
                return None
        return value

    def fault(self, key: Key, wanted: str, found: str | None = None) -> Fault:
        """Make a fault at a key, quoting the value there unless `found` says otherwise."""
        return Fault(self.file, self.line(key), dotted(key), found or quoted(self.at(key)), wanted)


class Settings(BaseModel):
    """Base of the settings models: frozen, no unknown keys, no infinities."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)


def dotted(key: Key) -> str:
    """``("stations", 0, "id")`` as ``stations[0].id``."""
    text = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in key)
    return text.removeprefix(".")


def quoted(value: Any) -> str:
    """A value as a message shows it: short, and in words where it is not text."""
    if value is None or value == "":
        return "nothing"
    if isinstance(value, dict):
        return "a group of keys"
    if isinstance(value, (list, tuple)):
        return "a list"
    text = str(value)
    return repr(text if len(text) <= 60 else text[:57] + "...")


def written(text: str) -> str:
    """A text as a settings file holds it, in quotation marks: read again it is the same to the last sign.

    JSON's marks are YAML's, but for the signs that end a line in YAML alone and would be read as a space.
    """
    held = json.dumps(text, ensure_ascii=False)
    return re.sub("[\x85\u2028\u2029]", lambda sign: f"\\u{ord(sign[0]):04x}", held)


def in_digits(value: float) -> str:
    """A number as it is written into a settings file, to ten digits."""
    return f"{value:.10g}"


def nearest(word: str, choices: Iterable[str]) -> str:
    """Words that name the closest choices, for the end of a message; empty if none is close."""
    close = difflib.get_close_matches(word, list(choices), n=3, cutoff=0.6)
    return f" (did you mean {' or '.join(close)}?)" if close else ""


def mistake(wanted: str, *key: str) -> PydanticCustomError:
    """Error for a validator to raise: what would be right, and the key below the model where it is wrong."""
    return PydanticCustomError("mistake", "{wanted}", {"wanted": wanted, "key": key})


# --- Values -----------------------------------------------------------------------------------------

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def number(low: float, high: float, words: str, *hints: tuple[float, float, str]) -> BeforeValidator:
    """Validator of a number in a range; a hint names the unit that a value in its own range looks like."""
    wanted = f"{words}, from {low:,.10g} to {high:,.10g}"

    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise mistake(wanted)
        if isinstance(value, str):
            text = value.strip()
            if not _NUMBER.fullmatch(text):
                comma = (
                    " (write thousands without a comma)" if re.fullmatch(r"\d{1,3}(,\d{3})+", text) else ""
                )
                raise mistake(wanted + comma)
            value = float(text)
        if not low <= value <= high:
            hint = next((f" ({text})" for least, most, text in hints if least <= value <= most), "")
            raise mistake(wanted + hint)
        return float(value)

    return BeforeValidator(read)


def whole_number(low: int, high: int, words: str) -> BeforeValidator:
    """Validator of a whole number in a range."""
    wanted = f"{words}, a whole number from {low} to {high}"

    def read(value: object) -> int:
        if isinstance(value, str) and re.fullmatch(r"[+-]?\d{1,9}", value.strip()):
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise mistake(wanted)
        return value

    return BeforeValidator(read)


def one_of(*choices: str) -> BeforeValidator:
    """Validator of a word out of a fixed set; use beside a ``Literal`` of the same words."""

    def read(value: object) -> object:
        if value not in choices:
            near = nearest(value, choices) if isinstance(value, str) else ""
            raise mistake(f"one of {', '.join(choices)}{near}")
        return value

    return BeforeValidator(read)


def _read_text(value: object) -> object:
    if not isinstance(value, str) or not value.strip():
        raise mistake("some text")
    return value.strip()


def _read_truth(value: object) -> object:
    if isinstance(value, bool):
        return value
    if value not in ("true", "false"):
        raise mistake("true or false")
    return value == "true"


def _read_date(value: object) -> object:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value):
        try:
            return dt.date.fromisoformat(value)
        except ValueError:
            raise mistake("a day that exists in the calendar, written 2027-07-04") from None
    raise mistake("a date written 2027-07-04")


def _read_time(value: object) -> object:
    if isinstance(value, dt.time):
        return value
    if isinstance(value, str) and (parts := re.fullmatch(r"(\d{1,2}):(\d{2})", value)):
        hour, minute = int(parts[1]), int(parts[2])
        if hour <= 23 and minute <= 59:
            return dt.time(hour, minute)
    raise mistake("a local time of day written 14:30, from 00:00 to 23:59")


Text = Annotated[str, BeforeValidator(_read_text)]
Truth = Annotated[bool, BeforeValidator(_read_truth)]
LocalDate = Annotated[dt.date, BeforeValidator(_read_date)]
LocalTime = Annotated[dt.time, BeforeValidator(_read_time)]


# --- Files ------------------------------------------------------------------------------------------


class _Mistake(Exception):
    """What this reader refuses although YAML allows it: the line, and what would be right."""

    def __init__(self, event: yaml.Event, wanted: str) -> None:
        super().__init__(wanted)
        self.line = None if event.start_mark is None else event.start_mark.line + 1
        self.wanted = wanted


class _Composer(Composer):
    """Composes plain text nodes; no aliases, no deep nesting."""

    depth = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        event = self.peek_event()  # type: ignore[attr-defined]
        if isinstance(event, yaml.AliasEvent):
            raise _Mistake(event, "the value written out, without & and *")
        self.depth += 1
        if self.depth > _DEEPEST:
            raise _Mistake(event, f"at most {_DEEPEST} levels of nesting")
        node = super().compose_node(parent, index)
        self.depth -= 1
        return node


class _Loader(_Composer, yaml.BaseLoader):
    """Parses in Python, ten times slower, and says best what is wrong."""


def _root(text: str) -> yaml.Node | None:
    """The whole of a YAML text as nodes; parsed in C where that library came along and takes the text.

    A tab and a byte order mark inside the text are the signs that the two parsers take differently.
    """
    if yaml.__with_libyaml__ and not re.search("[\t\ufeff]", text):

        class Quick(_Composer, yaml.CBaseLoader):
            def __init__(self) -> None:
                yaml.CBaseLoader.__init__(self, text)
                Composer.__init__(self)

        with suppress(yaml.YAMLError, UnicodeEncodeError, _Mistake):
            return Quick().get_single_node()
    return _Loader(text).get_single_node()


def read_settings(path: Path, file: str, faults: list[Fault]) -> Document | None:
    """Read one YAML file.

    Parameters
    ----------
    path
        Where the file is.
    file
        Its name in messages.
    faults
        Mistakes are added here.

    Returns
    -------
    Document or None
        None when the file cannot be read as plain settings; `faults` then says why.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        faults.append(Fault(file, None, "", "no such file", "the file"))
        return None
    except OSError as error:
        faults.append(
            Fault(file, None, "", f"a file that cannot be read ({error.strerror})", "a readable file")
        )
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        found = f"the byte 0x{data[error.start]:02x}"
        faults.append(Fault(file, line, "", found, "UTF-8 text"))
        return None
    return parse_settings(text, file, faults)


def parse_settings(text: str, file: str, faults: list[Fault]) -> Document | None:
    """Parse YAML text; see `read_settings`."""
    try:
        root = _root(text)
    except yaml.reader.ReaderError as error:
        place = text[: error.position].count("\n") + 1
        faults.append(Fault(file, place, "", f"the character {error.character:#x}", "printable text"))
        return None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = None if mark is None else mark.line + 1
        reason = " ".join(filter(None, (error.context, error.problem)))
        faults.append(Fault(file, where, "", f"a YAML error ({reason})", _YAML_CURE))
        return None
    except _Mistake as error:
        faults.append(Fault(file, error.line, "", "something a settings file may not hold", error.wanted))
        return None
    except (ValueError, OverflowError):
        # The parser's own slip on an escape such as "\\UFFFFFFFF", which no character has.
        faults.append(Fault(file, None, "", "an escape that is no character", "printable text"))
        return None
    lines: dict[Key, int] = {}
    value = "" if root is None else _plain(root, (), file, lines, faults)
    return Document(file, value, lines)


def _plain(node: yaml.Node, key: Key, file: str, lines: dict[Key, int], faults: list[Fault]) -> Any:
    """Turn a node into dicts, lists and text, noting lines and refusing what would be read in two ways."""
    line = node.start_mark.line + 1
    lines.setdefault(key, line)
    if node.tag not in _STANDARD_TAGS:
        faults.append(Fault(file, line, dotted(key), f"the tag {node.tag}", "a plain value without a tag"))
    if isinstance(node, yaml.ScalarNode):
        return _plain_text(node.value, key, file, line, faults)
    if isinstance(node, yaml.SequenceNode):
        return [_plain(item, (*key, i), file, lines, faults) for i, item in enumerate(node.value)]
    values: dict[str, Any] = {}
    for name_node, value_node in node.value:
        name_line = name_node.start_mark.line + 1
        if not isinstance(name_node, yaml.ScalarNode):
            faults.append(
                Fault(file, name_line, dotted(key), "a key that is not text", "a plain word as key")
            )
            continue
        name = _plain_text(name_node.value, key, file, name_line, faults)
        inner = (*key, name)
        if name in values:
            found = f"the key given twice (first on line {lines[inner]})"
            faults.append(Fault(file, name_line, dotted(inner), found, "each key once"))
            continue
        lines[inner] = name_line
        values[name] = _plain(value_node, inner, file, lines, faults)
    return values


def _plain_text(text: str, key: Key, file: str, line: int, faults: list[Fault]) -> str:
    # Cc: control characters; Cs: halves of a character, which no file can hold.
    odd = next((c for c in text if unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t"), None)
    if odd is not None:
        faults.append(Fault(file, line, dotted(key), f"the character {ord(odd):#x}", "printable text"))
        return "".join(c for c in text if unicodedata.category(c) not in ("Cc", "Cs"))
    return text


# --- Typing -----------------------------------------------------------------------------------------

M = TypeVar("M", bound=BaseModel)


def typed(model: type[M], document: Document, faults: list[Fault], key: Key = ()) -> M | None:
    """Type the value under a key by a model; every mistake is added to `faults`.

    Returns
    -------
    model or None
        None when there was a mistake.
    """
    try:
        return model.model_validate(document.at(key))
    except pydantic.ValidationError as error:
        items = error.errors(include_url=False)
    places = {_location(item) for item in items}
    misspelt = set()
    for item in items:
        if item["type"] == "extra_forbidden":
            *around, written = _location(item)
            close = difflib.get_close_matches(str(written), _keys(model, tuple(around)), n=1, cutoff=0.6)
            misspelt |= {(*around, name) for name in close}
    for item in items:
        loc = _location(item)
        # A misspelt key is one mistake, not also a missing key; a list is counted before its entries
        # are dropped for their own mistakes.
        if item["type"] == "missing" and loc in misspelt:
            continue
        if item["type"] == "too_short" and any(p[: len(loc)] == loc and p != loc for p in places):
            continue
        faults.append(_placed(model, document, key, item))
    return None


_WANTED: dict[str, str] = {
    "missing": "this key",
    "model_type": "a group of keys",
    "model_attributes_type": "a group of keys",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a group of keys",
}


def _location(error: Any) -> Key:
    """Where an error is, without the tags in angle brackets that tell a union's members apart."""
    return tuple(step for step in error["loc"] if not str(step).startswith("<"))


def _placed(model: type[BaseModel], document: Document, key: Key, error: Any) -> Fault:
    inner = _location(error)
    context: dict[str, Any] = error.get("ctx", {})
    kind: str = error["type"]
    if kind == "mistake":
        inner = (*inner, *context["key"])
        wanted = str(context["wanted"])
    elif kind == "extra_forbidden":
        known = _keys(model, inner[:-1])
        return Fault(
            document.file,
            document.line((*key, *inner)),
            dotted((*key, *inner)),
            "an unknown key",
            f"one of {', '.join(known)}{nearest(str(inner[-1]), known)}",
        )
    elif kind == "too_short":
        wanted = f"at least {context['min_length']} in the list"
        return document.fault((*key, *inner), wanted, f"{context['actual_length']} in the list")
    else:
        wanted = _WANTED.get(kind, str(error["msg"]))
    return document.fault((*key, *inner), wanted)


def _keys(model: type[BaseModel], loc: Key) -> list[str]:
    """Keys that may stand at a place below a model."""
    found: Any = model
    for step in loc:
        if isinstance(step, int):
            continue
        field = next((f for n, f in found.model_fields.items() if step in (n, f.alias)), None)
        found = None if field is None else _model_in(field.annotation)
        if found is None:
            return []
    return [field.alias or name for name, field in found.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The settings model inside an annotation such as ``tuple[Annotated[Model, ...], ...] | None``."""
    parts = typing.get_args(annotation)
    if not parts:
        return annotation if isinstance(annotation, type) and issubclass(annotation, BaseModel) else None
    for part in parts:
        if (inner := _model_in(part)) is not None:
            return inner
    return None
