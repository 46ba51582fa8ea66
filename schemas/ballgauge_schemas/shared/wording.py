"""Words of the error texts. Nothing here ever prints a whole input: it may be large, deep or hostile."""

from __future__ import annotations

import difflib
import functools
from collections.abc import Sequence
from typing import Any

SHOWN_MAXIMUM = 40
"""Longest piece of an input repeated in an error text, in characters (ours)."""

TOO_LARGE = "a number too large to show"


def json_type(value: Any) -> str:
    """Name the JSON type of `value`, with its article."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return "a number"
    if isinstance(value, str):
        return "a string"
    if isinstance(value, (list, tuple)):
        return "an array"
    return "an object" if isinstance(value, dict) else "something that is not JSON"


def shown_text(text: str) -> str:
    """Quote `text`, cut to `SHOWN_MAXIMUM` and free of control characters."""
    cut = text if len(text) <= SHOWN_MAXIMUM else text[: SHOWN_MAXIMUM - 1] + "…"
    return "'" + "".join(letter if letter.isprintable() else "�" for letter in cut) + "'"


def shown_number(value: float) -> str:
    """Write `value` to ten significant digits."""
    try:
        return f"{float(value):.10g}"
    except OverflowError:
        return TOO_LARGE


def listed(names: Sequence[str], joint: str) -> str:
    """Join names in a row, the last one after `joint`."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {joint} {names[-1]}"


class UnknownField(str):
    """The error text for a field that is not part of the contract, with the nearest name that is."""

    suggestion: str | None

    @classmethod
    def of(cls, name: object, known: tuple[str, ...]) -> UnknownField:
        """Make the text for `name` where the names of `known` would have been right."""
        suggestion = nearest(name, known) if isinstance(name, str) and len(name) <= SHOWN_MAXIMUM else None
        text = cls("unknown field" if suggestion is None else f"unknown field; did you mean '{suggestion}'?")
        text.suggestion = suggestion
        return text


@functools.lru_cache(maxsize=4096)
def nearest(name: str, known: tuple[str, ...]) -> str | None:
    """Find the name of `known` most like `name` (difflib ratio of at least 0.6), None where none is."""
    found = difflib.get_close_matches(name.lower(), known, n=1)
    return found[0] if found else None
