"""The errors that a user can cause or must be told about; each carries its own cure."""

from __future__ import annotations

OK, INPUT_WRONG, SOME_FAILED, NOTHING_DONE = 0, 2, 3, 4
"""Exit codes of every command."""


class ShowhourError(Exception):
    """A fault told to the user as one paragraph: what, where, and what would be right."""


class InputError(ShowhourError):
    """Something the user wrote is wrong (exit code 2)."""


class SourceError(ShowhourError):
    """A station source failed, or answered with something that is not station hours."""


class StoreError(ShowhourError):
    """The cache could not be read or written."""


class DamagedError(StoreError):
    """A stored file was read and is not what was written: put away, it can be made again."""


class NotEnoughHistory(ShowhourError):
    """Too few years or hours to state a number; the message says what is missing."""
