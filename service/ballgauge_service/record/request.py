"""What is asked to be signed, and a check's request as its canonical JSON has it."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.approved_list import ApprovedList


@dataclass(frozen=True, slots=True)
class SigningRequest:
    """A check to be judged and signed; as it was loaded, since its bytes are part of the record."""

    check: dict[str, Any]
    issued_on: datetime.date
    player: str | None = None
    event: str | None = None


def canonical_request(item: Any) -> Any:
    """Write a loaded request as JSON again: quantities in trade units, with uncertainty if they have one."""
    if isinstance(item, Quantity):
        if item.uncertainty is None:
            return item.value
        return {"value": item.value, "uncertainty": item.uncertainty}
    if isinstance(item, ApprovedList):
        return [row.to_dict() for row in item.rows]
    if isinstance(item, Mapping):
        return {name: canonical_request(value) for name, value in item.items()}
    if isinstance(item, (list, tuple)):
        return [canonical_request(value) for value in item]
    return item.isoformat() if isinstance(item, datetime.date) else item
