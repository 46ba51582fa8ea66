"""What every pro shop knows of drilling. Source of all figures here: common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from ballgauge_service.physics.box_numbers import asymmetry_ratio
from ballgauge_service.physics.drilling import HOLE, MIDDLE, RING, THUMB, drill, empty_balls


@pytest.mark.parametrize(("differential", "about"), [(0.050, 0.25), (0.034, 0.40)])
def test_asymmetry_ratios_of_two_known_kinds_of_ball(differential: float, about: float) -> None:
    """Common practice, no source: 0.013 in of 0.050 in is about 25 %, of 0.034 in nearly 40 %."""
    ratio = asymmetry_ratio(differential, 0.013)
    assert ratio == pytest.approx(about, abs=0.02)


@pytest.mark.parametrize("weight", [14.0, 15.0, 16.0])
def test_drilling_the_gripping_holes_removes_about_two_and_a_half_ounces(weight: float) -> None:
    """Common practice, no source: about 2.5 oz from a 14-16 lb ball, with ordinary holes and pitches."""
    balls, layouts = empty_balls(1)
    ball = {"weight": weight, "radius": 4.285, "cover_thickness": 0.75, "cover_density": 1.19}
    for name, value in ball.items():
        balls[name] = value
    layout = {
        "hand": 1.0,
        "span_middle": 4.25,
        "span_ring": 4.375,
        "bridge": 0.25,
        "full_span": 0.0,
    }
    for name, value in layout.items():
        layouts[name] = value
    holes = np.zeros((1, 3), HOLE)
    holes["right"] = holes["up"] = holes["slug_density"] = np.nan
    holes["role"] = [THUMB, MIDDLE, RING]
    holes["diameter"] = [15 / 16, 7 / 8, 7 / 8]
    holes["depth"] = [2.25, 1.5, 1.5]
    holes["pitch_lateral"] = [0.0, -0.375, 0.375]
    out, per_hole = drill(balls, layouts, holes, np.array([3]))
    print(f"{weight} lb: {out['removed_weight'][0]:.2f} oz removed")
    assert not per_hole["meets"].any()
    assert out["removed_weight"][0] == pytest.approx(2.5, abs=0.5)
    assert out["weight"][0] == pytest.approx(weight - out["removed_weight"][0] / 16, rel=1e-12)
