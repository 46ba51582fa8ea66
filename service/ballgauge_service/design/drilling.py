"""Drilling through the actual layers of a design: what each hole takes out of which solid, and its cost.

Places and directions of holes are those of `physics.drilling`. The material on each line along a hole's axis
is found exactly; only the sum over the hole's cross-section is numerical, with an error bound. Holes are
drilled in their order, so that what is gone is not removed again, and a slug can be drilled into.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ballgauge_schemas.shared.limits import BALANCE_ARM
from ballgauge_schemas.shared.words import NUMBERS
from ballgauge_service.check.request import Drilling
from ballgauge_service.core.budget import Run
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.core.units import OZ_PER_CUBIC_INCH, OZ_PER_LB
from ballgauge_service.design.mass import (
    CELLS,
    CENTER,
    HIGH_AXIS,
    LOW_AXIS,
    ball_moments,
    named,
    numbers_at,
    pack_inside,
    three,
    visible_moments,
)
from ballgauge_service.design.solids.cubature import DISC, integrate
from ballgauge_service.design.solids.lines import sort_meshes
from ballgauge_service.design.solids.packing import (
    DENSITY,
    HOLE,
    KIND,
    POSITION,
    ROTATION,
    SIZE,
    WIDTH,
    Packed,
)
from ballgauge_service.design.solids.shapes import Floats, placed
from ballgauge_service.design.solids.solids import Design, Vector3
from ballgauge_service.physics.drilling import ROLES as HOLE_ROLES
from ballgauge_service.physics.drilling import Structs, drill, empty_balls
from ballgauge_service.physics.holes import ACROSS, AXIS, BOTTOM, FOOT, GEOMETRY, OFFSET, set_hole

HOLE_TOLERANCE = 1e-7
HOLE_CELLS = 2000
"""Error the cubature across a hole aims at, as a part of the hole's weight, and its most cells (ours)."""

DRILLED = NUMBERS.index("asymmetry_ratio") + 1
"""How many of NUMBERS a drilled ball has."""

GUARDED = ("inner_core", "disc", "pin")
"""Roles of solids no hole should enter, for warranty and cracking (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Drill:
    """A drilling through a design.

    layout: row of `physics.drilling.LAYOUT`; holes (h,) HOLE in the order of drilling; arm: of the balance
    [in]; uncertain: pointers to quantities whose uncertainty is not carried on; drilling: as a check takes
    it; place: its pointer in the request.
    """

    layout: Structs
    holes: Structs
    arm: float
    uncertain: tuple[str, ...]
    drilling: Drilling
    place: str


@dataclass(frozen=True, slots=True)
class HoleCost:
    """What one hole takes, drilled in its place of the order.

    removed_weight: of material, slug_weight: put back [oz]; removed_from: [oz] by solid's name (earlier slugs
    under "slug of hole N"); changes that this hole makes to rg, differential, intermediate_differential
    [in], and to the top weight [oz], the moment toward the grip center over the balance arm; mouth, bottom:
    of its axis at the ball's surface and at its depth, in the design's frame [in]. error: bound of the
    removed weight [oz].
    """

    index: int
    role: str
    removed_weight: float
    slug_weight: float
    volume: float
    removed_from: dict[str, float]
    rg: float
    differential: float
    intermediate_differential: float
    top_weight: float
    axis_offset: float
    mouth: Vector3
    bottom: Vector3
    error: float


class Bore(NamedTuple):
    """A hole as it is drawn: mouth and bottom of its axis in the design's frame, and its sizes [in]."""

    role: str
    mouth: Vector3
    bottom: Vector3
    diameter: float
    depth: float


@dataclass(frozen=True, slots=True)
class Entry:
    """A hole that enters a guarded solid, and the weight that it removes of it [oz]."""

    hole: HoleCost
    solid: str
    role: str
    weight: float


@dataclass(frozen=True, slots=True)
class DrilledDesign:
    """The drilled ball in the grip frame: +z to the grip center, +y to the fingers, +x to the bowler's right.

    weight [lb], removed and slug weight [oz]; RGs, differentials and center of mass [in]; moment [oz in];
    top, side, finger: predicted readings, moment / balance_arm [oz], toward the grip center, the side of
    the positive axis point and the fingers; low and high RG axis: unit vectors, the ends nearest to pin and
    PSA, None where they have no direction; pin and psa: unit vectors; undrilled: the numbers before; costs:
    one a hole, adding up to the whole change; entries: holes in solids that none should enter.
    """

    weight: float
    removed_weight: float
    slug_weight: float
    rg: float
    rg_intermediate: float
    rg_high: float
    differential: float
    intermediate_differential: float
    asymmetry_ratio: float | None
    centre_of_mass: Vector3
    moment: Vector3
    top: float
    side: float
    finger: float
    low_rg_axis: Vector3 | None
    high_rg_axis: Vector3 | None
    pin: Vector3
    psa: Vector3
    undrilled: dict[str, float | None]
    costs: tuple[HoleCost, ...]
    entries: tuple[Entry, ...]
    method: str


def _body_frame(placed_ball: np.void) -> Floats:
    """Columns: the design's x (to the PSA), y and z (to the pin) in the grip frame."""
    pin = np.array([placed_ball[f"pin_{axis}"] for axis in "xyz"])
    psa = np.array([placed_ball[f"psa_{axis}"] for axis in "xyz"])
    return np.column_stack([psa, np.cross(pin, psa), pin])


def _placed_rows(weight: float, radius: float, layout: Structs, holes: Structs) -> tuple[np.void, Structs]:
    balls, _ = empty_balls(1)
    balls["weight"], balls["radius"] = weight, radius
    results, hole_results = drill(balls, layout.reshape(1), holes.reshape(1, -1), np.array([len(holes)]))
    return results[0], hole_results[0]


def _check_places(ball: np.void, hole_results: Structs, radius: float) -> None:
    if not all(math.isfinite(ball[name]) for name in ("pin_x", "psa_x")):
        words = "pin and mass-bias mark have no place: PAP and layout are needed"
        raise InvalidInput([Fault("/layout", words)])
    faults = []
    for index, hole in enumerate(hole_results):
        if not math.isfinite(hole["center_x"]):
            words = "has no place: give `at`, or spans and bridge that make a triangle"
            faults.append(Fault(f"/holes/{index}", words))
        elif not hole["reach"] < radius:
            faults.append(Fault(f"/holes/{index}", "its bottom reaches beyond the ball's surface"))
    if faults:
        raise InvalidInput(faults)


def _hole_rows(holes: Structs, hole_results: Structs, radius: float, body: Floats) -> tuple[Floats, Floats]:
    """Rows (h, WIDTH) of the holes in the body frame, and their geometry table in the grip frame."""
    geometry = np.empty((len(holes), GEOMETRY))
    rows = np.zeros((len(holes), WIDTH))
    for index, (hole, at) in enumerate(zip(holes, hole_results, strict=True)):
        center = (float(at["center_x"]), float(at["center_y"]), float(at["center_z"]))
        set_hole(
            geometry, index, center, radius, 0.5 * hole["diameter"], hole["depth"], hole["pitch_forward"],
            hole["pitch_lateral"],
        )  # fmt: skip
        own = geometry[index]
        w = body.T @ own[AXIS : AXIS + 3]
        u = body.T @ own[ACROSS : ACROSS + 3]
        slug = float(hole["slug_density"])
        rows[index, KIND] = HOLE
        rows[index, DENSITY] = 0.0 if math.isnan(slug) else slug
        rows[index, POSITION : POSITION + 3] = body.T @ own[FOOT : FOOT + 3]
        rows[index, ROTATION : ROTATION + 9] = np.column_stack([u, np.cross(w, u), w]).ravel()
        rows[index, SIZE] = hole["diameter"]
        rows[index, SIZE + 1] = own[BOTTOM]
    return rows, geometry


@dataclass(frozen=True, slots=True, eq=False)
class Drilled:
    """Holes in their places in a packed design, and what each takes in its turn.

    packed: the design's arrays with a row more a hole, of its slug's density; body (3, 3): columns are the
    design's axes in the grip frame; offsets (h,): of the holes' axes from the center [in]; taken
    (h, m + h, 10): moments of unit density out of each row; errors (h, 10): bounds of their weighted sums;
    cells: of the cubature.
    """

    packed: Packed
    body: Floats
    offsets: Floats
    taken: Floats
    errors: Floats
    cells: int

    def changes(self, densities: Floats) -> Floats:
        """What each hole adds to the ball's moments (h, 10) for densities (m + h,) of the rows [g/mL].

        Parameters
        ----------
        densities : (m + h,) array, of the solids and the slugs [g/mL]

        Returns
        -------
        (h, 10) array [oz, oz in, oz in^2]
        """
        slugs = densities[len(densities) - len(self.taken) :, None]
        changes: Floats = slugs * self.taken.sum(axis=1) - np.einsum("r,hrn->hn", densities, self.taken)
        return changes * OZ_PER_CUBIC_INCH


def drill_packed(
    packed: Packed, weight: float, layout: Structs, holes: Structs, cells: int, *, any_density: bool = False
) -> Drilled:
    """Place the holes in a packed design of a weight [lb] and find what each takes.

    Parameters
    ----------
    packed : Packed
    weight : float [lb]
    layout : record of `physics.drilling.LAYOUT`
    holes : (h,) array of `HOLE`
    cells : int, most of the cubature across one hole
    any_density : bool, whether the bounds hold for whatever densities, each counted as 1 g/mL at least

    Returns
    -------
    Drilled

    Raises
    ------
    InvalidInput as `drill_design` does
    """
    whole, body, offsets = placed_holes(packed, weight, layout, holes)
    taken, errors = np.empty((len(holes), len(whole.table), 10)), np.empty((len(holes), 10))
    used = 0
    for index in range(len(holes)):
        used += _take(whole, len(packed.table), index, cells, taken[index], errors[index], any_density)
    return Drilled(whole, body, offsets, taken, errors, used)


def placed_holes(
    packed: Packed, weight: float, layout: Structs, holes: Structs
) -> tuple[Packed, Floats, Floats]:
    """The arrays with a row more a hole, the design's axes in the grip frame, and the offsets (h,) [in].

    Parameters
    ----------
    packed : Packed
    weight : float [lb]
    layout, holes : as of `drill_packed`

    Returns
    -------
    packed : Packed, with a row more a hole
    body : (3, 3) array, the design's axes in the grip frame
    offsets : (h,) array [in]

    Raises
    ------
    InvalidInput as `drill_design` does
    """
    radius = 0.5 * float(packed.table[0, SIZE])
    row, hole_results = _placed_rows(weight, radius, layout, holes)
    _check_places(row, hole_results, radius)
    body = _body_frame(row)
    rows, geometry = _hole_rows(holes, hole_results, radius, body)
    whole = packed._replace(table=np.vstack([packed.table, rows]))
    return whole, body, geometry[:, OFFSET]


def _take(
    packed: Packed, solids: int, index: int, cells: int, out: Floats, error: Floats, any_density: bool
) -> int:
    """Write the moments (m + h, 10) of unit density that a hole takes out of each row; give the cells."""
    row = packed.table[solids + index]
    frame = np.ascontiguousarray(row[ROTATION : ROTATION + 9].reshape(3, 3).T)
    foot = frame[:2] @ row[POSITION : POSITION + 3]
    radius = 0.5 * row[SIZE]
    top = float(packed.table[0, SIZE])
    domain = np.array([DISC, foot[0], foot[1], radius, 0.0, row[SIZE + 1], top])
    there = np.arange(len(packed.table)) < solids + index
    contrast = packed.table[:, DENSITY].copy()
    if any_density:
        contrast = np.maximum(contrast, 1.0)
    depth = 0.5 * top - row[SIZE + 1]
    aim = HOLE_TOLERANCE * math.pi * radius**2 * depth * float(packed.table[:solids, DENSITY].mean())
    meshes = sort_meshes(packed, frame)
    return int(integrate(
        packed, meshes, there, frame, domain, contrast, any_density, 0.5 * top, aim, cells, out, error
    ))  # fmt: skip


def _in_grip_frame(moments: Floats, body: Floats) -> Floats:
    out = np.zeros(10)
    x, y, z = (three(column) for column in body.T)
    placed(moments, (0.0, 0.0, 0.0), x, y, z, 1.0, out)
    return out


def _taken_from(design: Design, taken: Floats, table: Floats) -> dict[str, float]:
    names = [solid.name for solid in design.solids]
    found = {}
    for row, part in enumerate(taken):
        weight = float(part[0] * table[row, DENSITY] * OZ_PER_CUBIC_INCH)
        if weight > 1e-9:
            found[names[row] if row < len(names) else f"slug of hole {row - len(names)}"] = weight
    return found


def _entries(design: Design, costs: list[HoleCost]) -> tuple[Entry, ...]:
    return tuple(
        Entry(cost, solid.name, solid.role, cost.removed_from[solid.name])
        for cost in costs
        for solid in design.solids
        if solid.role in GUARDED and cost.removed_from.get(solid.name, 0.0) > 1e-6
    )


def drill_design(
    design: Design,
    layout: Structs,
    holes: Structs,
    balance_arm: float = BALANCE_ARM,
    *,
    cells: int = HOLE_CELLS,
    made_cells: int = CELLS,
    run: Run | None = None,
) -> DrilledDesign:
    """Drill a design.

    Parameters
    ----------
    design : Design
    layout : row of `physics.drilling.LAYOUT`
        PAP and layout place the pin and the mass-bias mark.
    holes : (h,) rows of `physics.drilling.HOLE`
        In the order of drilling.
    balance_arm : float
        Arm of the shop balance [in].
    cells : int
        Most cells of the cubature across one hole.
    made_cells : int
        Most cells of the cubature of the design as made.
    run : Run, optional
        Progress and cancel token.

    Returns
    -------
    DrilledDesign

    Raises
    ------
    InvalidInput
        No place for pin, mark or a hole; a hole's bottom beyond the surface; a solid outside the ball.
    Canceled
        By the token.
    """
    link = run or Run()
    link.report(0.0, "holes")
    radius = 0.5 * design.diameter
    packed = pack_inside(design)
    moments = ball_moments(packed, visible_moments(packed, cells=made_cells))
    drilled = drill_packed(packed, float(moments[0]) / OZ_PER_LB, layout, holes, cells)
    body, table = drilled.body, drilled.packed.table
    densities = table[:, DENSITY] * OZ_PER_CUBIC_INCH
    changes = drilled.changes(table[:, DENSITY])
    before = numbers_at(moments, radius, balance_arm)
    undrilled = before
    costs: list[HoleCost] = []
    for index, hole in enumerate(holes):
        taken, change = drilled.taken[index], changes[index]
        slug = float(densities[len(packed.table) + index])
        lift = float(change[1:4] @ body[2]) / balance_arm
        moments = moments + change
        after = numbers_at(moments, radius, balance_arm)
        step = after - before
        before = after
        mouth, bottom = _ends(table[len(packed.table) + index], radius)
        costs.append(
            HoleCost(
                index=index,
                role=HOLE_ROLES[int(hole["role"])],
                removed_weight=float(densities @ taken[:, 0]),
                slug_weight=float(slug * taken[:, 0].sum()),
                volume=float(taken[:, 0].sum()),
                removed_from=_taken_from(design, taken, table),
                rg=float(step[1]),
                differential=float(step[4]),
                intermediate_differential=float(step[5]),
                top_weight=lift,
                axis_offset=float(drilled.offsets[index]),
                mouth=mouth,
                bottom=bottom,
                error=float(drilled.errors[index, 0]) * OZ_PER_CUBIC_INCH,
            )
        )
    hand = float(layout["hand"])
    return _result(design, moments, body, balance_arm, hand, before, undrilled, costs)


def _ends(row: Floats, radius: float) -> tuple[Vector3, Vector3]:
    """Mouth and bottom of a hole's axis, of its row."""
    foot, outward = row[POSITION : POSITION + 3], row[ROTATION : ROTATION + 9].reshape(3, 3)[:, 2]
    rise = math.sqrt(max(radius * radius - float(foot @ foot), 0.0))
    return three(foot + rise * outward), three(foot + float(row[SIZE + 1]) * outward)


def _result(
    design: Design, moments: Floats, body: Floats, arm: float, hand: float, after: Floats, undrilled: Floats,
    costs: list[HoleCost],
) -> DrilledDesign:  # fmt: skip
    grip = _in_grip_frame(moments, body)
    center = body @ after[CENTER : CENTER + 3]
    low = None if math.isnan(after[9]) else three(body @ after[LOW_AXIS : LOW_AXIS + 3])
    high = None if math.isnan(after[10]) else three(body @ after[HIGH_AXIS : HIGH_AXIS + 3])
    removed = math.fsum(cost.removed_weight for cost in costs)
    slug = math.fsum(cost.slug_weight for cost in costs)
    worst = max((cost.error for cost in costs), default=0.0)
    return DrilledDesign(
        **named(after, DRILLED),
        removed_weight=removed,
        slug_weight=slug,
        centre_of_mass=three(center),
        moment=three(grip[1:4]),
        top=float(grip[3]) / arm,
        side=hand * (float(grip[1]) / arm),
        finger=float(grip[2]) / arm,
        low_rg_axis=low,
        high_rg_axis=high,
        pin=three(body[:, 2]),
        psa=three(body[:, 0]),
        undrilled=named(undrilled, DRILLED),
        costs=tuple(costs),
        entries=_entries(design, costs),
        method=f"exact along each hole, adaptive cubature across it; removed weights within {worst:.1e} oz",
    )
