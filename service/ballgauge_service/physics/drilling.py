"""The drilled ball: what the holes remove, and the weight, balance and radii of gyration that remain.

One compiled loop serves one ball and a million. Inputs and results are structured arrays whose fields carry
the trade's names; a value that is not known is NaN and whatever depends on it comes out NaN.

Frames and words as in `sphere`. Weights in oz unless a field says lb, lengths in inches, angles in degrees,
densities in g/mL, moments in oz in.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.words import ROLES as ROLES
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.units import OZ_PER_CUBIC_INCH, OZ_PER_LB
from ballgauge_service.physics.balance import readings
from ballgauge_service.physics.holes import (
    BOTTOM,
    GEOMETRY,
    OFFSET,
    REACH,
    add_layer,
    half_difference,
    set_hole,
)
from ballgauge_service.physics.inertia import principal_axes
from ballgauge_service.physics.overlaps import NORMALS, SHARED, may_meet, shared_region
from ballgauge_service.physics.sphere import (
    Vector,
    combine,
    cross,
    dot,
    pin_from_layout,
    place,
    positive_axis_point,
    span_triangle,
    spin_axis_from_layout,
    travel,
)

THUMB, MIDDLE, RING, INDEX, LITTLE, VENT, MILL, BALANCE = range(8)


def _floats(*names: str) -> list[tuple[str, str]]:
    return [(name, "f8") for name in names]


def _vectors(*names: str) -> list[tuple[str, str]]:
    return [(f"{name}_{axis}", "f8") for name in names for axis in "xyz"]


BALL = np.dtype(
    _floats(
        "weight", "radius", "rg", "differential", "intermediate_differential", "top_weight", "pin_to_cg",
        "cover_thickness", "cover_density", "balance_arm",
    )
)  # fmt: skip
"""weight [lb]; radius, rg, differentials, pin_to_cg, cover_thickness, balance_arm [in]; top_weight [oz]."""

LAYOUT = np.dtype(
    _floats(
        "hand", "over", "up", "drilling_angle", "pin_to_pap", "val_angle",
        "span_middle", "span_ring", "full_span", "bridge", "cg_right", "cg_up",
    )
)  # fmt: skip
"""hand +1 right, -1 left; over, up, pin_to_pap, spans, bridge [in]; angles [deg]; full_span 0 or 1; cg_right
and cg_up [in]: the CG mark's place, NaN where it lies pin_to_cg from the pin, toward the PSA."""

HOLE = np.dtype(
    [
        ("role", "i8"),
        *_floats("right", "up", "diameter", "depth", "pitch_forward", "pitch_lateral", "slug_density"),
    ]
)
"""right and up are NaN where the hole is placed from the spans; slug_density is NaN for an open hole."""

DRILLED = np.dtype(
    _vectors("pap", "pin", "psa", "cg", "moment", "hole_moment", "centre_of_mass")
    + _vectors("low_axis", "high_axis", "half")
    + _floats(
        "inner_density", "removed_weight", "slug_weight", "weight", "rg", "rg_intermediate", "rg_high",
        "fixed_top", "fixed_side", "fixed_finger", "divided_top", "divided_side", "divided_finger",
        "top", "side", "finger",
    )
)  # fmt: skip
"""weight [lb]; removed and slug weight [oz]; moment and hole_moment [oz in]; half: half-against-half weight
differences [oz] along x, y, z; rg fields and center of mass [in]; readings as `balance.readings` has them;
the other vectors are unit vectors."""

DRILLED_HOLE = np.dtype(
    _vectors("center")
    + _floats("volume", "removed_weight", "slug_weight", "axis_offset", "bottom_height", "reach")
    + [("meets", "i8")]
)
"""Per hole: surface center (unit vector), volume [in^3], weights [oz], distance of the axis from the
geometric center, height of the bottom above the center along the axis, greatest distance of the bottom's rim
from the center [in]; bit i of meets is set where it shares material with hole i."""

INTERPRETING = 2e-3
"""What a ball takes the interpreter [s] (ours, measured with three holes)."""

Structs = NDArray[np.void]
Struct = Any
"""One row of a structured array; the compiled code reads its fields as attributes."""


@compiled
def surface_rim(diameter: float, radius: float) -> float:
    """Radius of a hole as an arc on the surface.

    Parameters
    ----------
    diameter : float, of a hole whose axis passes the center [in]
    radius : float, of the ball [in]

    Returns
    -------
    float, R asin(a / R) [in]
    """
    return radius * math.asin(min(0.5 * diameter / radius, 1.0))


@compiled
def _role_diameter(holes: Structs, count: int, role: int) -> float:
    """Diameter of the last open hole of a role [in], 0 where there is none."""
    found = 0.0
    for k in range(count):
        if holes[k].role == role and math.isnan(holes[k].slug_density):
            found = holes[k].diameter
    return found


@compiled
def _placed_by_spans(
    layout: Struct, holes: Structs, count: int, radius: float
) -> tuple[Vector, Vector, Vector]:
    """Unit vectors of the thumb, middle and ring holes; a single finger lies on the center line."""
    thumb = surface_rim(_role_diameter(holes, count, THUMB), radius)
    middle = surface_rim(_role_diameter(holes, count, MIDDLE), radius)
    ring = surface_rim(_role_diameter(holes, count, RING), radius)
    has_middle = not math.isnan(layout.span_middle)
    has_ring = not math.isnan(layout.span_ring)
    if has_middle and has_ring:
        t, m, r = span_triangle(
            layout.span_middle, layout.span_ring, layout.bridge, layout.full_span, thumb, middle, ring, radius
        )
        h = layout.hand
        return (h * t[0], t[1], t[2]), (h * m[0], m[1], m[2]), (h * r[0], r[1], r[2])
    span = layout.span_middle if has_middle else layout.span_ring
    finger = middle if has_middle else ring
    cut = span - thumb - finger if layout.full_span > 0.5 else span
    at = place(0.0, 0.5 * cut + finger, radius)
    return place(0.0, -0.5 * cut - thumb, radius), at, at


@compiled
def _material(ball: Struct) -> tuple[float, float, float, float]:
    """Return inner radius [in], cover density, inner less cover density [oz/in^3] and inner density [g/mL].

    The inner material is uniform, with the density that makes up the ball's weight inside the cover.
    """
    inner = ball.radius - ball.cover_thickness
    cover = ball.cover_density * OZ_PER_CUBIC_INCH
    ball_volume = 4.0 / 3.0 * math.pi * (ball.radius * ball.radius * ball.radius)
    inner_volume = 4.0 / 3.0 * math.pi * (inner * inner * inner)
    # weight = cover (V - V_inner) + density V_inner
    density = (ball.weight * OZ_PER_LB - cover * (ball_volume - inner_volume)) / inner_volume
    return inner, cover, density - cover, density / OZ_PER_CUBIC_INCH


@compiled
def _undrilled_tensor(
    ball: Struct, pin: Vector, psa: Vector, mass: float, center: Vector, tensor: NDArray[np.float64]
) -> None:
    """Write the undrilled inertia about the geometric center [oz in^2] into `tensor`, (3, 3).

    I = m sum RG_k^2 a_k a_k^T, RG low about the pin axis, high about the PSA, intermediate about the third;
    then the parallel-axis theorem (Steiner) from the center of mass: + m (|c|^2 1 - c c^T).
    """
    third = cross(pin, psa)
    high = ball.rg + ball.differential
    low_moment = mass * (ball.rg * ball.rg)
    high_moment = mass * (high * high)
    between = high - ball.intermediate_differential
    third_moment = mass * (between * between)
    square = dot(center, center)
    for i in range(3):
        for j in range(3):
            tensor[i, j] = (
                low_moment * pin[i] * pin[j]
                + high_moment * psa[i] * psa[j]
                + third_moment * third[i] * third[j]
                - mass * center[i] * center[j]
            )
        tensor[i, i] += mass * square


@compiled
def _shift_to_drilled(
    tensor: NDArray[np.float64], removed: NDArray[np.float64], mass: float, center: Vector
) -> None:
    """Take the removed second moments from `tensor` and move it to the drilled center of mass."""
    # I_kk = sum of the two other second moments; then - m (|c|^2 1 - c c^T).
    trace = removed[4] + removed[5] + removed[6] + mass * dot(center, center)
    for i in range(3):
        tensor[i, i] -= trace - removed[4 + i] - mass * center[i] * center[i]
    slot = 7
    for i in range(2):
        for j in range(i + 1, 3):
            product = removed[slot] + mass * center[i] * center[j]
            tensor[i, j] += product
            tensor[j, i] += product
            slot += 1


@compiled
def _remove_holes(
    ball: Struct,
    holes: Structs,
    count: int,
    table: NDArray[np.float64],
    removed: NDArray[np.float64],
    halves: NDArray[np.float64],
    results: Structs,
) -> tuple[float, float]:
    """Drill the holes in order; return removed and slug weight [oz].

    removed, shape (10,), gets the moments taken away (slugs count negative) and halves, shape (3,), their
    half-against-half differences.
    """
    radius = ball.radius
    inner, cover, step, _ = _material(ball)
    moments = np.empty(7)
    one = np.empty(10)
    shared = np.empty(SHARED)
    total_removed = 0.0
    total_slug = 0.0
    for j in range(count):
        one[:] = 0.0
        volume = add_layer(table, j, radius, cover, moments, one)
        add_layer(table, j, inner, step, moments, one)
        material = one[0]
        slug = holes[j].slug_density * OZ_PER_CUBIC_INCH
        filled = not math.isnan(slug)
        if filled:
            add_layer(table, j, radius, -slug, moments, one)
        fill = slug if filled else 0.0
        for axis in range(3):
            halves[axis] += half_difference(
                table, j, NORMALS[axis], radius, inner, cover - fill, step, one[0]
            )
        meets = 0
        for i in range(j):
            if not may_meet(table, i, j):
                continue
            before = holes[i].slug_density * OZ_PER_CUBIC_INCH
            before = 0.0 if math.isnan(before) else before
            shared_region(table, i, j, radius, inner, cover - before, step, shared)
            if shared[13] > 1e-9:
                meets |= 1 << i
                results[i].meets |= 1 << j
            material -= shared[0]
            for k in range(10):
                one[k] -= shared[k]
            for k in range(3):
                halves[k] -= shared[10 + k]
        for k in range(10):
            removed[k] += one[k]
        fill_weight = volume * slug if filled else 0.0
        results[j].volume = volume
        results[j].removed_weight = material
        results[j].slug_weight = fill_weight
        results[j].axis_offset = table[j, OFFSET]
        results[j].bottom_height = table[j, BOTTOM]
        results[j].reach = table[j, REACH]
        results[j].meets |= meets
        total_removed += material
        total_slug += fill_weight
    return total_removed, total_slug


@compiled
def _drill_one(
    ball: Struct,
    layout: Struct,
    holes: Structs,
    count: int,
    out: Struct,
    hole_out: Structs,
    table: NDArray[np.float64],
    removed: NDArray[np.float64],
    halves: NDArray[np.float64],
    tensor: NDArray[np.float64],
    axes: NDArray[np.float64],
) -> None:
    radius = ball.radius
    pap = positive_axis_point(layout.hand, layout.over, layout.up, radius)
    val_angle = math.radians(layout.val_angle)
    pin = pin_from_layout(layout.hand, layout.over, layout.up, layout.pin_to_pap, val_angle, radius)
    # A point behind the pin on the line from the PAP: the PAP's direction, also where the pin is on the PAP.
    behind = pin_from_layout(
        layout.hand, layout.over, layout.up, layout.pin_to_pap - 0.5 * radius, val_angle, radius
    )
    psa = spin_axis_from_layout(layout.hand, pin, behind, math.radians(layout.drilling_angle))
    cg = travel(pin, psa, ball.pin_to_cg / radius)
    if not math.isnan(layout.cg_right):
        cg = place(layout.cg_right, layout.cg_up, radius)
    thumb, middle, ring = _placed_by_spans(layout, holes, count, radius)
    for k in range(count):
        hole = holes[k]
        if not math.isnan(hole.right):
            center = place(hole.right, hole.up, radius)
        elif hole.role == THUMB:
            center = thumb
        elif hole.role == MIDDLE:
            center = middle
        elif hole.role == RING:
            center = ring
        else:
            center = (math.nan, math.nan, math.nan)
        set_hole(
            table, k, center, radius, 0.5 * hole.diameter, hole.depth, hole.pitch_forward, hole.pitch_lateral
        )
        hole_out[k].center_x, hole_out[k].center_y, hole_out[k].center_z = center
    removed[:] = 0.0
    halves[:] = 0.0
    removed_weight, slug_weight = _remove_holes(ball, holes, count, table, removed, halves, hole_out)

    mass = ball.weight * OZ_PER_LB
    drilled_mass = mass - removed[0]
    undrilled_moment = ball.top_weight * ball.balance_arm
    known = not math.isnan(undrilled_moment * cg[0]) or ball.top_weight == 0.0
    undrilled = (0.0, 0.0, 0.0) if ball.top_weight == 0.0 else combine(undrilled_moment, cg, 0.0, cg)
    start = combine(1.0 / mass, undrilled, 0.0, undrilled) if known else (0.0, 0.0, 0.0)
    holes_moment = (-removed[1], -removed[2], -removed[3])
    moment = combine(1.0, undrilled, 1.0, holes_moment)
    center = combine(1.0 / drilled_mass, moment, 0.0, moment)
    _undrilled_tensor(ball, pin, psa, mass, start, tensor)
    rest = combine(mass / drilled_mass, start, 1.0 / drilled_mass, holes_moment)
    _shift_to_drilled(tensor, removed, drilled_mass, rest)

    out.pap_x, out.pap_y, out.pap_z = pap
    out.pin_x, out.pin_y, out.pin_z = pin
    out.psa_x, out.psa_y, out.psa_z = psa
    out.cg_x, out.cg_y, out.cg_z = cg
    out.moment_x, out.moment_y, out.moment_z = moment
    out.hole_moment_x, out.hole_moment_y, out.hole_moment_z = holes_moment
    out.centre_of_mass_x, out.centre_of_mass_y, out.centre_of_mass_z = center
    reading = undrilled if not known else combine(1.0 / ball.balance_arm, undrilled, 0.0, undrilled)
    out.half_x = reading[0] - halves[0]
    out.half_y = reading[1] - halves[1]
    out.half_z = reading[2] - halves[2]
    fixed, divided, shown = readings(ball.top_weight, cg, holes_moment, ball.balance_arm, layout.hand)
    out.fixed_top, out.fixed_side, out.fixed_finger = fixed
    out.divided_top, out.divided_side, out.divided_finger = divided
    out.top, out.side, out.finger = shown
    out.inner_density = _material(ball)[3]
    out.removed_weight = removed_weight
    out.slug_weight = slug_weight
    out.weight = drilled_mass / OZ_PER_LB
    if math.isnan(tensor[0, 0] + tensor[1, 1] + tensor[2, 2]):
        out.rg = out.rg_intermediate = out.rg_high = math.nan
        axes[:] = math.nan
    else:
        low, between, high = principal_axes(tensor, axes)
        out.rg = math.sqrt(low / drilled_mass)
        out.rg_intermediate = math.sqrt(between / drilled_mass)
        out.rg_high = math.sqrt(high / drilled_mass)
    out.low_axis_x, out.low_axis_y, out.low_axis_z = axes[0, 0], axes[0, 1], axes[0, 2]
    out.high_axis_x, out.high_axis_y, out.high_axis_z = axes[2, 0], axes[2, 1], axes[2, 2]


@compiled
def _drill_all(
    balls: Structs,
    layouts: Structs,
    holes: Structs,
    counts: NDArray[np.int64],
    out: Structs,
    hole_out: Structs,
) -> None:
    most = holes.shape[1]
    table = np.empty((max(most, 1), GEOMETRY))
    removed = np.empty(10)
    halves = np.empty(3)
    tensor = np.empty((3, 3))
    axes = np.empty((3, 3))
    for i in range(balls.shape[0]):
        _drill_one(
            balls[i],
            layouts[i],
            holes[i],
            counts[i],
            out[i],
            hole_out[i],
            table,
            removed,
            halves,
            tensor,
            axes,
        )


def drill(
    balls: Structs,
    layouts: Structs,
    holes: Structs,
    counts: NDArray[np.int64],
    seconds: float | None = None,
) -> tuple[Structs, Structs]:
    """Drill n balls and return their results.

    Each hole is a flat-bottomed cylinder clipped by the sphere and taken through the cover and the inner
    material; shared material is removed once; a hole with a slug_density is filled again. The undrilled
    center of mass lies top_weight x balance_arm / mass from the geometric center toward the CG mark; where
    the top weight or its direction is unknown, moments and balance are NaN and radii of gyration are those of
    a ball whose undrilled center of mass is its center.

    Impossible geometry is not refused: `reach` of a hole beyond the ball's radius, or NaN places where spans
    and bridge make no triangle, tell of it.

    Parameters
    ----------
    balls, layouts : array (n,) of BALL, of LAYOUT
    holes : array (n, h) of HOLE
    counts : array (n,) of int
        The first counts[i] holes of row i are drilled, in order.
    seconds : float, optional
        What the interpreter would take; by default as long as with three holes a ball.

    Returns
    -------
    array (n,) of DRILLED, array (n, h) of DRILLED_HOLE

    Raises
    ------
    ValueError
        The arrays' lengths do not agree.

    References
    ----------
    `cylinder` for a hole's moments, `overlaps` for shared material, `inertia` for the principal moments.
    """
    if not (len(balls) == len(layouts) == len(holes) == len(counts)):
        raise ValueError("balls, layouts, holes and counts must have the same length")
    out = np.zeros(len(balls), DRILLED)
    hole_out = np.zeros(holes.shape, DRILLED_HOLE)
    expected = INTERPRETING * len(balls) if seconds is None else seconds
    _drill_all.expecting(expected)(balls, layouts, holes, counts, out, hole_out)
    return out, hole_out


def empty_balls(n: int) -> tuple[Structs, Structs]:
    """Balls of which nothing is known.

    Parameters
    ----------
    n : int

    Returns
    -------
    balls, layouts : (n,) arrays of BALL and LAYOUT, NaN
    """
    balls = np.full(n, np.nan, np.dtype((np.float64, len(BALL.names or ())))).view(BALL).reshape(n)
    layouts = np.full(n, np.nan, np.dtype((np.float64, len(LAYOUT.names or ())))).view(LAYOUT).reshape(n)
    return balls, layouts


def vector_of(row: np.void, name: str) -> Vector:
    """A vector field of a row.

    Parameters
    ----------
    row : a row of a structured array
    name : str, of a field of three numbers

    Returns
    -------
    vector
    """
    return (float(row[f"{name}_x"]), float(row[f"{name}_y"]), float(row[f"{name}_z"]))
