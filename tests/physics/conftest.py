"""Holes drilled one ball at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pytest

from ballgauge_service.physics.drilling import drill

Words = Mapping[str, float]


@pytest.fixture(scope="session")
def drill_one(
    make_records: Callable[..., tuple[Any, Any, Any, Any]],
) -> Callable[[Words, Words, Sequence[Words]], tuple[Any, Any]]:
    """Drills one ball and returns its record and those of its holes."""

    def drill_records(ball: Words, layout: Words, holes: Sequence[Words]) -> tuple[Any, Any]:
        out, per_hole = drill(*make_records(ball, layout, holes))
        return out[0], per_hole[0]

    return drill_records
