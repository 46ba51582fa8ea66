"""What a motion refuses, field by field."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from ..problems import InvalidInput


class InvalidMotion(InvalidInput):
    """A ball, bowler, lane or request that cannot be computed.

    Parameters
    ----------
    problems : iterable of (str, str)
        JSON pointer (RFC 6901) of each bad field, relative to what was given, and what is wrong with it.
    """

    def __init__(self, problems: Iterable[tuple[str, str]]) -> None:
        super().__init__((0, pointer, detail) for pointer, detail in problems)


def refuse(problems: list[tuple[str, str]]) -> None:
    """Raise InvalidMotion where there are problems."""
    if problems:
        raise InvalidMotion(problems)


def is_number(value: Any) -> bool:
    """Whether a value is a finite number and no truth value."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def number_problem(value: Any, low: float, high: float, unit: str) -> str:
    """What is wrong with a number that must lie from low to high; empty where nothing is."""
    wanted = f"must be a number from {low:g} to {high:g}{' ' if unit else ''}{unit}"
    if not is_number(value):
        return f"{wanted}; got {str(value)[:40]!r}"
    return "" if low <= value <= high else f"{wanted}; got {value:g}"
