"""The base of every result in this package: a frozen dataclass that writes itself as JSON-ready data."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Statement:
    """A result with named parts. Subclasses are frozen dataclasses; sequences in them are tuples."""

    def to_dict(self) -> dict[str, Any]:
        """Return the parts as plain dicts, lists, numbers and strings; a number not finite becomes None."""
        return {field.name: _plain(getattr(self, field.name)) for field in fields(self)}


def _plain(value: Any) -> Any:
    if isinstance(value, Statement):
        return value.to_dict()
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list, np.ndarray)):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
