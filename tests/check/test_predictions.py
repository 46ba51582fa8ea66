"""Predicted readings and drilled radii of gyration against methods of other kinds, written here."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from scipy.stats import qmc

Body = dict[str, Any]
Drill = Callable[[Body], Body]
Make = Callable[..., Body]
Vector = NDArray[np.float64]

OZ_PER_CUBIC_INCH = 16.387064 / 28.349523125
"""Weight of a cubic inch at 1 g/mL [oz], from the definitions of inch and pound."""

HOLES: tuple[Body, ...] = (
    {"role": "thumb", "diameter": 0.95, "depth": 2.5, "at": {"right": 0.1, "up": -2.6}},
    {"role": "middle", "diameter": 0.8, "depth": 1.75, "at": {"right": 0.8, "up": 2.2}},
    {"role": "ring", "diameter": 0.75, "depth": 1.6, "at": {"right": -0.8, "up": 2.3}, "slug_density": 0.9},
    {"role": "balance", "diameter": 1.2, "depth": 0.5, "at": {"right": 4.0, "up": -1.0}},
)
"""Radial holes that end inside the cover, and beyond it, and one that is filled."""


def place(right: float, up: float, radius: float) -> Vector:
    """Up the meridian by a turn about x, carried along the midline by one about y (definition of `at`)."""
    risen = Rotation.from_euler("x", -up / radius).apply([0.0, 0.0, 1.0])
    at: Vector = Rotation.from_euler("y", right / radius).apply(risen)
    return at


def about(point: Vector, direction: Vector, degrees: float) -> Vector:
    """Turn a direction about an outward normal, clockwise as seen from outside for positive angles."""
    turned: Vector = Rotation.from_rotvec(-math.radians(degrees) * point).apply(direction)
    return turned


def walk(point: Vector, direction: Vector, angle: float) -> Vector:
    reached: Vector = Rotation.from_rotvec(angle * np.cross(point, direction)).apply(point)
    return reached


def marks(drilling: Body, pin_to_cg: float, radius: float) -> tuple[Vector, Vector, Vector]:
    """Pin, spin axis and CG mark of a right-hander, by turns of vectors (the project's definitions)."""
    pap = place(drilling["pap"]["over"], drilling["pap"]["up"], radius)
    layout = drilling["layout"]
    upward = np.array([0.0, 1.0, 0.0]) - pap[1] * pap
    upward /= np.linalg.norm(upward)
    # The grip lies to the left of a right-hander's axis point: counterclockwise seen from outside.
    pin = walk(pap, about(pap, upward, -layout["val_angle"]), layout["pin_to_pap"] / radius)
    to_pap = pap - pin @ pap * pin
    direction = about(pin, to_pap / np.linalg.norm(to_pap), layout["drilling_angle"])
    return pin, walk(pin, direction, math.pi / 2), walk(pin, direction, pin_to_cg / radius)


def radial_hole(hole: Body, radius: float, layers: list[tuple[float, float]]) -> Vector:
    """Integrals of 1, w, w^2 and u^2 over a radial hole, weighted by the layers' densities.

    layers: (radius, density step). By shells of the cylinder: at distance r from its axis the material runs
    from the bottom to sqrt(R^2 - r^2); the sum over r by 200 Gauss-Legendre nodes.
    """
    total = np.zeros(4)
    bottom = radius - hole["depth"]
    for sphere, step in layers:
        if sphere <= bottom:
            continue
        reach = min(hole["diameter"] / 2, math.sqrt(sphere**2 - bottom**2))
        x, weight = np.polynomial.legendre.leggauss(200)
        r, dr = 0.5 * reach * (x + 1.0), 0.5 * reach * weight
        top = np.sqrt(sphere**2 - r**2)
        ring = step * 2.0 * np.pi * r * dr
        total += [
            (ring * (top - bottom)).sum(),
            (ring * (top**2 - bottom**2) / 2).sum(),
            (ring * (top**3 - bottom**3) / 3).sum(),
            (ring * r**2 / 2 * (top - bottom)).sum(),
        ]
    return total


def test_a_whole_ball_by_shells_and_eigenvalues(drill: Drill, request_for: Make) -> None:
    body = request_for(drilling={"holes": list(HOLES), "balance_arm": 3.0})
    ball, radius, arm = body["ball"], body["ball"]["diameter"] / 2, 3.0
    mass = ball["weight"] * 16.0
    inner = radius - 0.75
    cover = 1.19 * OZ_PER_CUBIC_INCH
    core = (mass - cover * 4 / 3 * np.pi * (radius**3 - inner**3)) / (4 / 3 * np.pi * inner**3)
    pin, psa, cg = marks(body["drilling"], ball["pin_to_cg"], radius)
    radii = [ball["rg"], ball["rg"] + ball["differential"]]
    radii.append(radii[1] - ball["intermediate_differential"])
    axes = np.array([pin, psa, np.cross(pin, psa)])
    start = ball["top_weight"] * arm / mass * cg
    # Second moments E = integral of r r^T; the inertia is trace(E) 1 - E.
    inertia = mass * axes.T @ np.diag(np.square(radii)) @ axes
    inertia += mass * (start @ start * np.eye(3) - np.outer(start, start))
    second = 0.5 * np.trace(inertia) * np.eye(3) - inertia
    moment = ball["top_weight"] * arm * cg
    hole_moment = np.zeros(3)
    for hole in HOLES:
        axis = place(hole["at"]["right"], hole["at"]["up"], radius)
        slug = hole.get("slug_density", 0.0) * OZ_PER_CUBIC_INCH
        m0, m1, m2, across = radial_hole(hole, radius, [(radius, cover - slug), (inner, core - cover)])
        mass -= m0
        hole_moment -= m1 * axis
        second -= m2 * np.outer(axis, axis) + across * (np.eye(3) - np.outer(axis, axis))
    center = (moment + hole_moment) / mass
    second -= mass * np.outer(center, center)
    low, between, high = np.sqrt(np.linalg.eigvalsh(np.trace(second) * np.eye(3) - second) / mass)

    derived = drill(body)["derived"]
    drilled = derived["drilled"]
    x, y, z = (moment + hole_moment) / arm
    shown = derived["balance"]["predicted"]
    assert (shown["top"], shown["side"], shown["finger"]) == pytest.approx((z, x, y), abs=1e-8)
    assert drilled["weight"] == pytest.approx(mass / 16.0, rel=1e-12)
    assert (drilled["rg"], drilled["rg_intermediate"], drilled["rg_high"]) == pytest.approx(
        (low, between, high), rel=1e-9
    )
    assert derived["ball"]["inner_density"] == pytest.approx(core / OZ_PER_CUBIC_INCH, rel=1e-12)
    assert derived["balance"]["largest_imbalance"] == pytest.approx(
        math.sqrt(x * x + y * y + z * z), rel=1e-9
    )
    assert drilled["change"]["differential"] == pytest.approx(high - low - ball["differential"], abs=1e-9)


def test_pitched_holes_by_scattered_points(drill: Drill, request_for: Make) -> None:
    # 2^18 Sobol points in each hole's box: good to about 1e-3 of a hole's weight.
    body = request_for(drilling={"balance_arm": 3.2}, ball={"top_weight": 0})
    for hole, pitches in zip(
        body["drilling"]["holes"], ((0.3, 0.2), (0.375, -0.35), (0.25, 0.4)), strict=True
    ):
        hole["pitch_forward"], hole["pitch_lateral"] = pitches
    answer = drill(body)["derived"]
    radius, inner = body["ball"]["diameter"] / 2, body["ball"]["diameter"] / 2 - 0.75
    core = answer["ball"]["inner_density"] * OZ_PER_CUBIC_INCH
    points = qmc.Sobol(3, rng=1).random_base2(18)
    weight, moment = 0.0, np.zeros(3)
    for asked, got in zip(body["drilling"]["holes"], answer["holes"], strict=True):
        center = place(got["at"]["right"], got["at"]["up"], radius)
        forward = np.array([0, 0, 1]) - center[2] * center
        lateral = np.array([1, 0, 0]) - center[0] * center
        aim = asked["pitch_forward"] * forward / np.linalg.norm(forward)
        aim = aim + asked["pitch_lateral"] * lateral / np.linalg.norm(lateral)
        axis = radius * center - aim
        axis /= np.linalg.norm(axis)
        across = np.cross(axis, [0.3, 0.5, 0.7])
        across /= np.linalg.norm(across)
        r = asked["diameter"] / 2 * np.sqrt(points[:, 0])
        turn = 2 * np.pi * points[:, 1]
        along = (asked["depth"] + 0.5) * points[:, 2] - asked["depth"]
        at = radius * center + along[:, None] * axis
        at += (r * np.cos(turn))[:, None] * across + (r * np.sin(turn))[:, None] * np.cross(axis, across)
        distance = np.linalg.norm(at, axis=1)
        density = np.where(distance < inner, core, np.where(distance < radius, 1.19 * OZ_PER_CUBIC_INCH, 0.0))
        box = np.pi * asked["diameter"] ** 2 / 4 * (asked["depth"] + 0.5) / len(points)
        assert got["removed_weight"] == pytest.approx(box * density.sum(), rel=1e-3)
        weight += box * density.sum()
        moment -= box * (density[:, None] * at).sum(axis=0)
    assert answer["drilled"]["removed_weight"] == pytest.approx(weight, rel=1e-3)
    shown = answer["balance"]["predicted"]
    assert (shown["side"], shown["finger"], shown["top"]) == pytest.approx(tuple(moment / 3.2), abs=3e-3)


def test_gripping_holes_remove_about_two_and_a_half_ounces(drill: Drill, request_for: Make) -> None:
    # common practice, no source: 14 to 16 lb balls lose about 2.5 oz.
    assert drill(request_for())["derived"]["drilled"]["removed_weight"] == pytest.approx(2.5, abs=0.5)


def test_the_left_hand_is_the_mirror_image(drill: Drill, request_for: Make) -> None:
    body = request_for()
    body["drilling"]["holes"][0]["pitch_lateral"] = 0.3
    body["drilling"]["holes"].append(
        {"role": "vent", "diameter": 0.25, "depth": 1, "at": {"right": 1.5, "up": -1.0}, "pitch_lateral": 0.1}
    )
    mirrored = copy.deepcopy(body)
    mirrored["drilling"]["hand"] = "left"
    for hole in mirrored["drilling"]["holes"]:
        hole["pitch_lateral"] = -hole.get("pitch_lateral", 0)
        if "at" in hole:
            hole["at"]["right"] *= -1
    right, left = drill(body)["derived"], drill(mirrored)["derived"]
    for name in ("top", "side", "finger"):
        for group in ("predicted", "half_differences"):
            assert left["balance"][group][name] == pytest.approx(right["balance"][group][name], abs=1e-12)
    for name in ("weight", "rg", "rg_high", "differential", "intermediate_differential"):
        assert left["drilled"][name] == pytest.approx(right["drilled"][name], abs=1e-12)
    assert left["layout"]["psa"]["right"] == pytest.approx(-right["layout"]["psa"]["right"], abs=1e-12)
    assert left["drilled"]["moment"]["x"] == pytest.approx(-right["drilled"]["moment"]["x"], abs=1e-10)


def test_a_slug_of_the_same_material_changes_nothing(drill: Drill, request_for: Make) -> None:
    density = drill(request_for())["derived"]["ball"]["mean_density"]
    body = request_for(ball={"cover_density": density}, drilling={"holes": []})
    plain = drill(body)["derived"]
    body["drilling"]["holes"] = [{**hole, "slug_density": density} for hole in HOLES]
    slugged = drill(body)["derived"]
    assert slugged["drilled"]["weight"] == pytest.approx(plain["drilled"]["weight"], rel=1e-12)
    for name in ("rg", "rg_intermediate", "rg_high"):
        assert slugged["drilled"][name] == pytest.approx(plain["drilled"][name], rel=1e-12)
    for name in ("top", "side", "finger"):
        assert slugged["balance"]["predicted"][name] == pytest.approx(
            plain["balance"]["predicted"][name], abs=1e-11
        )
    assert all(hole["net_weight"] == pytest.approx(0.0, abs=1e-12) for hole in slugged["holes"])


def test_undrilled_axes_do_not_move(drill: Drill, request_for: Make) -> None:
    drilled = drill(request_for(drilling={"holes": []}, ball={"top_weight": 0}))["derived"]["drilled"]
    assert drilled["low_rg_axis"]["moved"] == pytest.approx(0.0, abs=1e-6)
    assert drilled["high_rg_axis"]["moved"] == pytest.approx(0.0, abs=1e-6)
    assert drilled["change"] == pytest.approx(dict.fromkeys(drilled["change"], 0.0), abs=1e-9)


def test_layout_distances_by_the_laws_of_spherical_trigonometry(drill: Drill, request_for: Make) -> None:
    # Todhunter, Spherical Trigonometry, 1886 (from memory): laws of sines and cosines.
    body = request_for()
    layout, radius = body["drilling"]["layout"], body["ball"]["diameter"] / 2
    got = drill(body)["derived"]["layout"]
    side = layout["pin_to_pap"] / radius
    to_val = math.asin(math.sin(side) * math.sin(math.radians(layout["val_angle"])))
    to_psa = math.acos(math.sin(side) * math.cos(math.radians(layout["drilling_angle"])))
    assert got["pin_to_val"] == pytest.approx(radius * to_val, rel=1e-9)
    assert got["pap_to_psa"] == pytest.approx(radius * to_psa, rel=1e-9)
    assert got["pin_to_psa"] == pytest.approx(radius * math.pi / 2, rel=1e-9)
    assert got["flare_potential"] == pytest.approx(abs(math.sin(2 * side)), rel=1e-9)


def test_box_numbers(drill: Drill, request_for: Make) -> None:
    # 16.00 lb at 8.595 in has a mean density of 1.3321 g/mL (closed form).
    ball = drill(request_for(ball={"weight": 16, "diameter": 8.595}))["derived"]["ball"]
    assert ball["mean_density"] == pytest.approx(1.3321, abs=5e-5)
    assert ball["floats"] is False
    assert ball["symmetry"] == "asymmetric"
    assert ball["asymmetry_ratio"] == pytest.approx(0.012 / 0.047, rel=1e-12)
    # common practice, no source: 0.050 in with 0.013 in is about 25 %, 0.034 in with 0.013 in nearly 40 %.
    for total, ratio in ((0.050, 0.25), (0.034, 0.39)):
        numbers = {"differential": total, "intermediate_differential": 0.013}
        assert drill(request_for(ball=numbers))["derived"]["ball"]["asymmetry_ratio"] == pytest.approx(
            ratio, abs=0.02
        )


def test_a_light_ball_floats(drill: Drill, request_for: Make) -> None:
    # common practice, no source: balls under about 12 lb float.
    ball = {"weight": 10, "diameter": 8.58, "cover_density": 0.9}
    assert drill(request_for(ball=ball))["derived"]["ball"]["floats"] is True
