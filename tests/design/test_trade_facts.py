"""What the trade knows of discs, on the example balls (common practice, no source)."""

from __future__ import annotations

import math

import pytest

from ballgauge_service.design.comparison import compare_designs, compare_drillings
from ballgauge_service.design.drilling import drill_design
from ballgauge_service.design.mass import properties
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.physics.drilling import MIDDLE, RING, THUMB

from .balls import TERN, TERN_TOPWEIGHTED, TERN_WEIGHTED
from .test_drilling import holes, layout

# A layout with the pin close under the grip, so that a disc at the pin's end lies below the finger holes.
UNDER_GRIP = {"over": 5.5, "up": 0.0, "pin_to_pap": 5.5, "val_angle": 70.0, "drilling_angle": 60.0}
FINGER = {"depth": 2.4, "diameter": 0.95}
GRIP = ((THUMB, {"depth": 2.6}), (MIDDLE, FINGER), (RING, FINGER))


@pytest.mark.parametrize(("ball", "high"), [(TERN, 0.035), (TERN_WEIGHTED, 0.05), (TERN_TOPWEIGHTED, 0.05)])
def test_examples_are_legal(ball: Design, high: float) -> None:
    """Limits of the published rules: RG 2.46 to 2.80 in, differential 0.060 in, density 3.80, weight 16 lb;
    pin within 1 in of the low RG axis, mark within 1.5 in of the high one."""
    found = properties(ball)
    assert 2.46 <= found.rg <= 2.80
    assert 0.02 < found.differential <= high < 0.060
    assert found.max_density <= 3.80
    assert found.weight <= 16.0
    assert found.pin_to_low_rg_axis is not None
    assert found.pin_to_low_rg_axis < 0.01
    assert found.mark_to_high_rg_axis is not None
    assert found.mark_to_high_rg_axis < 0.01
    assert found.method == "exact"
    assert found.covered == ()


@pytest.mark.parametrize("weighted", [TERN_WEIGHTED, TERN_TOPWEIGHTED])
def test_disc_on_the_pin_axis_raises_the_differential_alone(weighted: Design) -> None:
    """It adds the same inertia about both axes across the pin: only the total grows, so the ratio falls."""
    plain, disc = properties(TERN), properties(weighted)
    gain = disc.differential - plain.differential
    assert gain > 0.01
    assert abs(disc.intermediate_differential - plain.intermediate_differential) < 0.03 * gain
    assert plain.asymmetry_ratio is not None
    assert disc.asymmetry_ratio is not None
    assert disc.asymmetry_ratio < 0.75 * plain.asymmetry_ratio
    rows = {row.number: row for row in compare_designs(plain, disc)}
    assert rows["differential"].causes[0].part == "disc"
    assert rows["differential"].difference == pytest.approx(gain)


def test_ratios_of_the_trade() -> None:
    """0.013 in of 0.034 in is nearly 40 %; of 0.050 in about 25 %."""
    assert 0.375 < 0.013 / 0.034 < 0.40
    assert pytest.approx(0.25, abs=0.015) == 0.013 / 0.050


def test_disc_away_from_the_holes_keeps_its_gain_and_on_the_top_side_loses_part() -> None:
    """Same holes in both: none enters the disc at the bottom; at the top they take part of what it adds."""
    plain, bottom, top = (
        drill_design(ball, layout(**UNDER_GRIP), holes(*GRIP))
        for ball in (TERN, TERN_WEIGHTED, TERN_TOPWEIGHTED)
    )
    assert not any(entry.solid == "disc" for entry in bottom.entries)
    assert any(entry.solid == "disc" for entry in top.entries)
    taken = math.fsum(cost.removed_from.get("disc", 0.0) for cost in top.costs)
    assert taken > 0.1
    assert all("disc" not in cost.removed_from for cost in bottom.costs)
    gain = {
        name: (found.undrilled["differential"] or 0.0) - (plain.undrilled["differential"] or 0.0)
        for name, found in (("bottom", bottom), ("top", top))
    }
    kept = {"bottom": bottom.differential - plain.differential, "top": top.differential - plain.differential}
    assert gain["top"] == pytest.approx(gain["bottom"], abs=2e-5)
    # The holes turn the axes a little, so even a disc that they spare is not kept to the last digit.
    assert bottom.removed_weight == pytest.approx(plain.removed_weight, abs=1e-6)
    assert kept["bottom"] > 0.8 * gain["bottom"]
    assert kept["top"] < 0.7 * gain["top"]
    rows = {row.number: row for row in compare_drillings(bottom, top)}
    assert rows["differential"].unexplained == pytest.approx(0.0, abs=1e-12)
