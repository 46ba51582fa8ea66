"""The numbers alone, for a drawing board: those of the full answer within the bounds that they tell."""

from __future__ import annotations

from typing import Any

import pytest

from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.documents import design_example
from ballgauge_service.design.evaluate import evaluate_design

BLOCK = {
    "name": "block",
    "shape": "rounded_box",
    "density": 2.9,
    "length_x": 2,
    "length_y": 1.2,
    "length_z": 1,
    "position": [1.2, 0.3, 0.2],
    "rotation": {"axis": [0, 1, 0], "angle": 20},
}


def answers(*more: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    request = design_example("skarn")
    request["design"]["solids"] += more
    full, light = (
        evaluate_design(DESIGN_REQUEST.load({**request, "detail": detail})) for detail in ("full", "numbers")
    )
    return full, light


def test_numbers_in_closed_form_are_the_same() -> None:
    full, light = answers()
    assert {**full["properties"], "contributions": []} == light["properties"]
    assert full["properties"]["contributions"]
    assert full["findings"] == light["findings"]
    for name, most in (("rg", 1e-7), ("differential", 1e-7), ("top", 1e-4), ("removed_weight", 1e-4)):
        assert light["drilled"][name] == pytest.approx(full["drilled"][name], abs=most)


def test_numbers_of_solids_that_cut_each_other_are_within_their_bounds() -> None:
    full, light = answers(BLOCK)
    bounds = light["properties"]["error_bound"]
    assert 0 < bounds["differential"] < 1e-3
    for name, bound in bounds.items():
        most = bound + full["properties"]["error_bound"][name]
        assert light["properties"][name] == pytest.approx(full["properties"][name], abs=most)
    assert not [each for each in light["cautions"] if each["code"] == "contributions_left_out"]
