"""The kernel that finds the balls to be looked at one by one, against looking at every ball."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_schemas import load_drilling_body
from ballgauge_service.check.drill import Work, _find_odd, _impossible, arrays
from ballgauge_service.check.layouts import layout_faults
from ballgauge_service.check.request import Check

EXTREMES: dict[str, tuple[float, float]] = {
    "weight": (4.0, 20.0), "diameter": (7.5, 9.5), "rg": (2.0, 3.2), "differential": (0.012, 0.2),
    "cover_thickness": (0.05, 3.0), "cover_density": (0.5, 3.0),
}  # fmt: skip
ANGLES = {"drilling_angle": (0.0, 180.0), "pin_to_pap": (0.1, 6.5), "val_angle": (0.0, 180.0)}
ARCS = {"pin_to_pap": (0.1, 6.5), "pap_to_psa": (0.1, 6.5), "pin_to_val": (0.1, 6.5)}
GRIP = {"span_middle": (1.0, 7.0), "span_ring": (1.0, 7.0), "bridge": (0.0, 3.0)}
HOLE = {"diameter": (0.05, 2.5), "depth": (0.02, 8.0), "pitch_lateral": (-3.0, 3.0)}


def some(ranges: dict[str, tuple[float, float]]) -> st.SearchStrategy[dict[str, float]]:
    """A few of the fields at numbers of their ranges, often the ends; the others stay as they are."""
    return st.fixed_dictionaries({}, optional=all_of(ranges))


def all_of(ranges: dict[str, tuple[float, float]]) -> dict[str, st.SearchStrategy[float]]:
    return {
        name: st.sampled_from(ends) | st.floats(*ends).map(lambda number: round(number, 3))
        for name, ends in ranges.items()
    }


PLAIN = st.just({})
BALLS = st.tuples(
    PLAIN | some(EXTREMES),
    PLAIN | st.fixed_dictionaries(all_of(ANGLES)) | st.fixed_dictionaries(all_of(ARCS)),
    PLAIN | some(GRIP),
    st.just([]) | st.lists(some(HOLE), min_size=3, max_size=3),
)

NUMBERS = {
    "weight": (np.nan, 0.0, 15.0), "inner_density": (np.nan, 0.0, 22.6, 22.7), "rg": (np.nan, 2.5),
    "rg_intermediate": (np.nan, 2.5), "rg_high": (np.nan, 2.5),
}  # fmt: skip
HOLE_NUMBERS = {"center_z": (np.nan, 4.0), "reach": (np.nan, 4.2, 5.0)}
SOUND = st.just({"weight": 15.0, "inner_density": 1.5, "rg": 2.5, "rg_intermediate": 2.5, "rg_high": 2.5})
FOUND = st.fixed_dictionaries({}, optional={name: st.sampled_from(each) for name, each in NUMBERS.items()})
FOUND_OF_HOLE = st.fixed_dictionaries(
    {}, optional={name: st.sampled_from(each) for name, each in HOLE_NUMBERS.items()}
)
"""What drilling may have found, so that each condition of the kernel is alone now and then."""


def changed(body: dict[str, Any], drawn: Any) -> dict[str, Any]:
    ball, layout, grip, holes = drawn
    body["ball"].update(ball)
    body["drilling"]["layout"] = layout or body["drilling"]["layout"]
    body["drilling"]["grip"].update(grip)
    for hole, changes in zip(body["drilling"]["holes"], holes, strict=False):
        hole.update(changes)
    return body


@given(st.lists(st.tuples(BALLS, PLAIN | FOUND | SOUND, PLAIN | FOUND_OF_HOLE), min_size=1, max_size=6))
@settings(max_examples=300)
def test_no_ball_with_a_fault_is_passed_over(request_for: Any, drawn: list[Any]) -> None:
    """Among others in one request; and no ball without one is looked at."""
    items, _ = load_drilling_body({"drillings": [changed(request_for(), each) for each, *_ in drawn]})
    checks = [Check.of(item) for item in items]
    balls, drillings = [each.ball for each in checks], [each.drilling for each in checks if each.drilling]
    made, layouts, holes, counts = arrays(balls, drillings)
    out, hole_out = Work().drill(made, layouts, holes, counts, range(len(balls)))
    for k, (_, found, found_of_hole) in enumerate(drawn):
        for name, number in found.items():
            out[name][k] = number
        for name, number in found_of_hole.items():
            hole_out[name][k, 1] = number
    odd = np.zeros(len(balls), np.bool_)
    _find_odd(made, layouts, counts, out, hole_out, odd)
    rows, hole_rows = out.tolist(), hole_out.tolist()
    for k, (ball, drilling) in enumerate(zip(balls, drillings, strict=True)):
        faults = [*layout_faults(ball, drilling, k), *_impossible(rows[k], hole_rows[k], ball, drilling, k)]
        assert odd[k] or not faults
        assert faults or not odd[k]
