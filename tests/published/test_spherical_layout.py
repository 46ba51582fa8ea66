"""Places on the ball by spherical trigonometry (Todhunter, 1886, from memory), and measured back."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from ballgauge_service.physics.drilling import HOLE, MIDDLE, RING, THUMB, drill, empty_balls
from ballgauge_service.physics.sphere import (
    angle_between,
    arcs_from_grip,
    bearing,
    layout_from_marks,
    pin_from_layout,
    place,
    positive_axis_point,
    spin_axis_from_layout,
    travel,
)

Array = NDArray[np.float64]

R = 4.275
QUARTER = math.pi / 2

hands = st.sampled_from([1.0, -1.0])
overs = st.floats(-8.0, 8.0)
ups = st.floats(-4.0, 4.0)
distances = st.floats(0.25, 6.75)
val_angles = st.floats(1.0, 179.0).map(math.radians)
drilling_angles = st.floats(0.0, 180.0).map(math.radians)


def arc(a: Any, b: Any) -> float:
    """Angle between unit vectors from their chord, |a - b| = 2 sin(angle / 2)."""
    return 2 * math.asin(min(1.0, float(np.linalg.norm(np.subtract(a, b))) / 2))


@settings(deadline=None)
@given(overs, ups)
def test_places_lie_along_the_midline_then_along_the_meridian(right: float, up: float) -> None:
    """Napier's rule of the right triangle: cos(hypotenuse) = cos(leg) cos(leg)."""
    point = place(right, up, R)
    assert point[1] == pytest.approx(math.sin(up / R), abs=1e-12)
    assert point[2] == pytest.approx(math.cos(right / R) * math.cos(up / R), abs=1e-12)
    assert math.copysign(1.0, point[0] * right) > 0 or point[0] == 0.0
    back = arcs_from_grip(point, R)
    assert back == pytest.approx((right, up), abs=1e-7)


@settings(deadline=None)
@given(hands, overs, ups, distances, val_angles)
def test_the_pin_obeys_the_law_of_cosines(
    hand: float, over: float, up: float, distance: float, val_angle: float
) -> None:
    """Triangle of the pole of the midline, the PAP and the pin, with the VAL angle at the PAP."""
    pap = positive_axis_point(hand, over, up, R)
    pin = pin_from_layout(hand, over, up, distance, val_angle, R)
    side = distance / R
    to_pole = QUARTER - up / R
    cosine = math.cos(to_pole) * math.cos(side) + math.sin(to_pole) * math.sin(side) * math.cos(val_angle)
    assert pin[1] == pytest.approx(cosine, abs=1e-12)
    assert arc(pap, pin) == pytest.approx(side, abs=1e-9)


@settings(deadline=None)
@given(hands, st.floats(1.0, 6.0), ups, distances, val_angles)
def test_the_pin_lies_from_the_val_as_the_law_of_sines_says(
    hand: float, over: float, up: float, distance: float, val_angle: float
) -> None:
    """sin(pin-to-VAL) = sin(pin-to-PAP) sin(VAL angle), to the grip's side."""
    pin = pin_from_layout(hand, over, up, distance, val_angle, R)
    across = over / R
    grip_side = np.array([-hand * math.cos(across), 0.0, math.sin(across)])
    assert grip_side @ pin == pytest.approx(math.sin(distance / R) * math.sin(val_angle), abs=1e-12)
    assert grip_side[2] > 0


@settings(deadline=None)
@given(hands, overs, ups, distances, val_angles, drilling_angles)
def test_the_spin_axis_is_a_quarter_turn_from_the_pin(
    hand: float, over: float, up: float, distance: float, val_angle: float, drilling_angle: float
) -> None:
    """Quadrantal triangle: cos(PAP-to-PSA) = sin(pin-to-PAP) cos(drilling angle); its sine tells the way."""
    pap = np.array(positive_axis_point(hand, over, up, R))
    pin = pin_from_layout(hand, over, up, distance, val_angle, R)
    psa = np.array(spin_axis_from_layout(hand, pin, tuple(pap), drilling_angle))
    assert arc(pin, psa) == pytest.approx(QUARTER, abs=1e-9)
    assert pap @ psa == pytest.approx(math.sin(distance / R) * math.cos(drilling_angle), abs=1e-9)
    counterclockwise = float(np.dot(np.cross(pap, psa), pin))
    assert counterclockwise == pytest.approx(
        -hand * math.sin(distance / R) * math.sin(drilling_angle), abs=1e-9
    )


@settings(deadline=None)
@given(overs, ups, distances, val_angles, drilling_angles)
def test_the_left_hand_is_the_mirror_of_the_right(
    over: float, up: float, distance: float, val_angle: float, drilling_angle: float
) -> None:
    """Mirror symmetry in x of PAP, pin and PSA (definition of the frame), and the inverse for both hands."""
    marks = []
    for hand in (1.0, -1.0):
        pap = positive_axis_point(hand, over, up, R)
        pin = pin_from_layout(hand, over, up, distance, val_angle, R)
        psa = spin_axis_from_layout(hand, pin, pap, drilling_angle)
        marks.append(np.array([pap, pin, psa]))
        found = layout_from_marks(hand, over, up, pin, psa, R)
        for turn, truth in zip((found[0], found[2]), (drilling_angle, val_angle), strict=True):
            assert math.remainder(turn - truth, 2 * math.pi) == pytest.approx(0.0, abs=1e-6)
        assert found[1] == pytest.approx(distance, abs=1e-7)
    assert marks[1] == pytest.approx(marks[0] * [-1.0, 1.0, 1.0], abs=1e-12)


def test_bearings_run_clockwise_from_up_as_seen_from_outside() -> None:
    """Compass directions at the grip center, +x to the right and +y up: by the frame's definition."""
    grip = (0.0, 0.0, 1.0)
    goals = {0.0: (0.0, 1.0, 0.0), 90.0: (1.0, 0.0, 0.0), 180.0: (0.0, -1.0, 0.0), 270.0: (-1.0, 0.0, 0.0)}
    for degrees, goal in goals.items():
        assert math.degrees(bearing(grip, travel(grip, goal, 0.3))) == pytest.approx(degrees, abs=1e-9)


@settings(deadline=None)
@given(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1))
def test_angles_between_directions(a: float, b: float, c: float, d: float) -> None:
    """Against the chord, |a - b| = 2 sin(angle / 2)."""
    one, two = place(a * R, b * R, R), place(c * R, d * R, R)
    assert angle_between(one, two) == pytest.approx(arc(one, two), abs=1e-9)


# --- a drilled grip, measured back with a tape on the surface ---

DIAMETERS = {THUMB: 0.9375, MIDDLE: 0.875, RING: 0.90625}


def drilled(layout: dict[str, float], roles: tuple[int, ...], ball: dict[str, float] | None = None) -> Any:
    balls, layouts = empty_balls(1)
    known = {"weight": 15.0, "radius": R, "cover_thickness": 0.75, "cover_density": 1.19, "balance_arm": 3.2}
    for name, value in (known | (ball or {})).items():
        balls[name] = value
    for name, value in ({"hand": 1.0, "full_span": 0.0} | layout).items():
        layouts[name] = value
    holes = np.zeros((1, len(roles)), HOLE)
    holes["right"] = holes["up"] = holes["slug_density"] = np.nan
    holes["role"] = roles
    holes["diameter"] = [DIAMETERS[role] for role in roles]
    holes["depth"] = 1.0
    out, per_hole = drill(balls, layouts, holes, np.array([len(roles)]))
    return out[0], [np.array([hole["center_x"], hole["center_y"], hole["center_z"]]) for hole in per_hole[0]]


def rim(center: Array, role: int) -> Array:
    """Unit vectors of the hole's edge: the circle that a cylinder through the center cuts into the sphere."""
    half = DIAMETERS[role] / 2
    aside = np.cross(center, [0.3, 0.2, 0.9])
    aside /= np.linalg.norm(aside)
    turns = np.linspace(0.0, 2 * math.pi, 14401)[:, None]
    circle = np.cos(turns) * aside + np.sin(turns) * np.cross(center, aside)
    edge: Array = (half * circle + math.sqrt(R**2 - half**2) * center) / R
    return edge


def gap(a: Array, b: Array) -> tuple[float, Array, Array]:
    """The shortest surface distance [in] between two edges and where it lies on each."""
    nearest_a = a[np.argmax(a @ b.mean(axis=0))]
    for _ in range(6):
        nearest_b = b[np.argmax(b @ nearest_a)]
        nearest_a = a[np.argmax(a @ nearest_b)]
    return R * arc(nearest_a, nearest_b), nearest_a, nearest_b


spans = st.fixed_dictionaries(
    {
        "span_middle": st.floats(2.5, 5.5),
        "span_ring": st.floats(2.5, 5.5),
        "bridge": st.floats(0.1, 0.6),
    }
)
GRIP = {"span_middle": 4.25, "span_ring": 4.5, "bridge": 0.25}


@settings(max_examples=20, deadline=None)
@given(spans, hands)
def test_spans_and_bridge_measured_back_on_the_surface(grip: dict[str, float], hand: float) -> None:
    """Cut to cut, edge to edge along the surface, by search over the edges (a definition of the trade)."""
    assume(abs(grip["span_middle"] - grip["span_ring"]) < 0.8)
    _, (thumb, middle, ring) = drilled({**grip, "hand": hand}, (THUMB, MIDDLE, RING))
    edges = rim(thumb, THUMB), rim(middle, MIDDLE), rim(ring, RING)
    assert gap(edges[0], edges[1])[0] == pytest.approx(grip["span_middle"], abs=1e-6)
    assert gap(edges[0], edges[2])[0] == pytest.approx(grip["span_ring"], abs=1e-6)
    assert gap(edges[1], edges[2])[0] == pytest.approx(grip["bridge"], abs=1e-6)
    assert hand * ring[0] > 0 > hand * middle[0]


@settings(max_examples=20, deadline=None)
@given(spans, hands)
def test_the_grip_center_is_midway_on_the_center_line(grip: dict[str, float], hand: float) -> None:
    """The center line runs from the thumb through the bridge's middle; the front edges face each other at
    equal distances from the grip center (the rules measure the grip center from the cut edges)."""
    assume(abs(grip["span_middle"] - grip["span_ring"]) < 0.8)
    _, (thumb, middle, ring) = drilled({**grip, "hand": hand}, (THUMB, MIDDLE, RING))
    assert thumb[0] == pytest.approx(0.0, abs=1e-12)
    edges = rim(thumb, THUMB), rim(middle, MIDDLE), rim(ring, RING)
    _, left, right = gap(edges[1], edges[2])
    assert (left + right)[0] == pytest.approx(0.0, abs=1e-3)
    front_middle, front_ring = gap(edges[0], edges[1])[2], gap(edges[0], edges[2])[2]
    normal = np.cross(front_middle, front_ring)
    fingers = math.atan2(-normal[2], normal[1])
    thumb_edge = math.atan2(thumb[1], thumb[2]) + math.asin(DIAMETERS[THUMB] / 2 / R)
    assert math.remainder(fingers + thumb_edge, math.pi) == pytest.approx(0.0, abs=1e-3)
    assert thumb_edge < 0


@pytest.mark.parametrize("hand", [1.0, -1.0])
def test_full_spans_run_center_to_center(hand: float) -> None:
    """A full span is the arc between the holes' centers (a definition of the trade)."""
    _, (thumb, middle, ring) = drilled({**GRIP, "hand": hand, "full_span": 1.0}, (THUMB, MIDDLE, RING))
    assert R * arc(thumb, middle) == pytest.approx(4.25, abs=1e-9)
    assert R * arc(thumb, ring) == pytest.approx(4.5, abs=1e-9)
    assert gap(rim(middle, MIDDLE), rim(ring, RING))[0] == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize("full_span", [0.0, 1.0])
def test_a_single_finger_lies_on_the_center_line(full_span: float) -> None:
    """Thumb and one finger: edges at equal distances from the grip center, the span as given."""
    layout = {"span_middle": 4.25, "full_span": full_span}
    _, (thumb, middle) = drilled(layout, (THUMB, MIDDLE))
    assert thumb[0] == middle[0] == 0.0
    edges = [math.asin(DIAMETERS[role] / 2 / R) for role in (THUMB, MIDDLE)]
    below, above = -math.asin(thumb[1]) - edges[0], math.asin(middle[1]) - edges[1]
    assert below == pytest.approx(above, abs=1e-12)
    between = R * arc(thumb, middle) if full_span else R * (below + above)
    assert between == pytest.approx(4.25, abs=1e-9)


def test_spans_and_bridge_that_make_no_triangle_are_told() -> None:
    """Triangle inequality: sides that differ by more than the third have no corners, so no places."""
    _, centers = drilled({"span_middle": 2.0, "span_ring": 6.0, "bridge": 0.25}, (THUMB, MIDDLE, RING))
    assert np.isnan(centers).all()


LAYOUT = {"over": 5.0, "up": 0.5, "drilling_angle": 50.0, "pin_to_pap": 4.0, "val_angle": 35.0}


@pytest.mark.parametrize("hand", [1.0, -1.0])
@pytest.mark.parametrize("pin_to_cg", [0.0, 1.0, 2.5, 4.0])
def test_the_cg_mark_lies_from_the_pin_on_the_way_to_the_spin_axis(hand: float, pin_to_cg: float) -> None:
    """The mark divides the quarter turn from pin to PSA (its definition) and carries the top weight."""
    ball = {"top_weight": 2.5, "pin_to_cg": pin_to_cg}
    result, _ = drilled({**LAYOUT, "hand": hand}, (), ball)
    pin, psa, cg = (np.array([result[f"{name}_{axis}"] for axis in "xyz"]) for name in ("pin", "psa", "cg"))
    assert R * arc(pin, cg) == pytest.approx(pin_to_cg, abs=1e-7)
    assert R * arc(cg, psa) == pytest.approx(R * QUARTER - pin_to_cg, abs=1e-7)
    moment = np.array([result[f"moment_{axis}"] for axis in "xyz"])
    assert moment == pytest.approx(2.5 * 3.2 * cg, abs=1e-12)
