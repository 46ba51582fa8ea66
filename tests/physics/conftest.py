"""A ball, a layout and holes given by the trade's words, drilled one at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pytest

from ballgauge_service.physics.drilling import HOLE, drill, empty_balls

BALL = {
    "weight": 15.2,
    "radius": 4.275,
    "rg": 2.5,
    "differential": 0.047,
    "intermediate_differential": 0.012,
    "top_weight": 2.5,
    "pin_to_cg": 2.5,
    "cover_thickness": 0.75,
    "cover_density": 1.19,
    "balance_arm": 3.2,
}
LAYOUT = {
    "hand": 1.0,
    "over": 5.0,
    "up": 0.5,
    "drilling_angle": 50.0,
    "pin_to_pap": 4.5,
    "val_angle": 35.0,
    "span_middle": 4.25,
    "span_ring": 4.375,
    "bridge": 0.25,
    "full_span": 0.0,
}
NOTHING = {"role": 0, "right": np.nan, "up": np.nan, "slug_density": np.nan}

Words = Mapping[str, float]


def records(ball: Words, layout: Words, holes: Sequence[Words]) -> tuple[Any, Any, Any, Any]:
    balls, layouts = empty_balls(1)
    for name, value in (BALL | dict(ball)).items():
        balls[name] = value
    for name, value in (LAYOUT | dict(layout)).items():
        layouts[name] = value
    rows = np.zeros((1, len(holes)), HOLE)
    for k, hole in enumerate(holes):
        for name, value in (NOTHING | dict(hole)).items():
            rows[name][0, k] = value
    return balls, layouts, rows, np.array([len(holes)])


@pytest.fixture(scope="session")
def make_records() -> Callable[[Words, Words, Sequence[Words]], tuple[Any, Any, Any, Any]]:
    """Makes the arrays of one drilling; what is not given is a 15.2 lb ball laid out for a right-hander."""
    return records


@pytest.fixture(scope="session")
def drill_one() -> Callable[[Words, Words, Sequence[Words]], tuple[Any, Any]]:
    """Drills one ball and returns its record and those of its holes."""

    def drill_records(ball: Words, layout: Words, holes: Sequence[Words]) -> tuple[Any, Any]:
        out, per_hole = drill(*records(ball, layout, holes))
        return out[0], per_hole[0]

    return drill_records
