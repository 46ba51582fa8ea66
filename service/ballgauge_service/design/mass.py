"""Mass properties of a design: weight, balance, radii of gyration, axes, cover depth, what each solid adds.

Radii of gyration are sqrt(I / m) about the center of mass; `differential` is the highest less the lowest,
`intermediate_differential` the highest less the middle one, the asymmetry ratio their quotient.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from ballgauge_schemas.shared.limits import BALANCE_ARM
from ballgauge_schemas.shared.words import NUMBERS
from ballgauge_service.core.budget import Run
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.core.units import OZ_PER_CUBIC_INCH, OZ_PER_LB
from ballgauge_service.design.cover import cover_depth
from ballgauge_service.design.solids.cubature import RECTANGLE, integrate, lines_frame
from ballgauge_service.design.solids.lines import sort_meshes
from ballgauge_service.design.solids.packing import BOX, DENSITY, KIND, SPHERE, Packed, pack
from ballgauge_service.design.solids.relations import TOUCH, reach_from_center
from ballgauge_service.design.solids.shapes import Floats, add_moments, own_axis, support
from ballgauge_service.design.solids.solids import Design, Vector3
from ballgauge_service.design.solids.visible import Flags, add_visible
from ballgauge_service.physics.inertia import principal_axes

ROUND = 1e-6
"""Difference of two radii of gyration [in] below which their axes have no direction (ours)."""

CELLS = 6000
TOLERANCE = 1e-6
"""Most cells of the cubature, and the error it aims at as a part of the ball's mass (ours)."""

COUNT = len(NUMBERS)
CENTER, LOW_AXIS, HIGH_AXIS = COUNT, COUNT + 3, COUNT + 6
LENGTH = COUNT + 9
"""Places of what `numbers_of` writes: NUMBERS, then the center of mass and the two axes."""


@compiled
def _end_nearest(axes: Floats, row: int, mark: int, out: Floats, at: int, radius: float) -> float:
    """Write the end of an axis nearer to the mark's body axis; return its arc from the mark [in]."""
    sign = -1.0 if axes[row, mark] < 0.0 else 1.0
    off = 0.0
    for n in range(3):
        out[at + n] = sign * axes[row, n]
        if n != mark:
            off += axes[row, n] * axes[row, n]
    return radius * math.atan2(math.sqrt(off), abs(axes[row, mark]))


@compiled
def inertia_of(moments: Floats, tensor: Floats) -> None:
    """Write the inertia about the center of mass of a body.

    Parameters
    ----------
    moments : (10,) array
    tensor : (3, 3) array, written
    """
    mass = moments[0]
    trace = 0.0
    for i in range(3):
        trace += moments[4 + i] - moments[1 + i] * moments[1 + i] / mass
    for i in range(3):
        for j in range(3):
            slot = 4 + i if i == j else 6 + i + j
            tensor[i, j] = -(moments[slot] - moments[1 + i] * moments[1 + j] / mass)
        tensor[i, i] += trace


@compiled
def numbers_of(moments: Floats, radius: float, arm: float, out: Floats) -> None:
    """Write the numbers of a ball.

    Angles from the marks are NaN where an axis has no direction. The top weight is |moment| / arm, at
    the CG mark.

    Parameters
    ----------
    moments : (10,) array, about the center [oz, oz in, oz in^2]
    radius, arm : float [in]
    out : (LENGTH,) array, written: NUMBERS then center of mass, low and high RG axes
    """
    tensor = np.empty((3, 3))
    axes = np.empty((3, 3))
    mass = moments[0]
    inertia_of(moments, tensor)
    low, middle, high = principal_axes(tensor, axes)
    out[0] = mass / OZ_PER_LB
    out[1] = math.sqrt(max(low, 0.0) / mass)
    out[2] = math.sqrt(max(middle, 0.0) / mass)
    out[3] = math.sqrt(max(high, 0.0) / mass)
    out[4] = out[3] - out[1]
    out[5] = out[3] - out[2]
    out[6] = out[5] / out[4] if out[4] > ROUND else math.nan
    across = math.sqrt(moments[1] * moments[1] + moments[2] * moments[2])
    moment = math.sqrt(across * across + moments[3] * moments[3])
    out[7] = moment / arm
    out[8] = radius * math.atan2(across, moments[3]) if moment > 1e-9 * mass else math.nan
    out[9] = _end_nearest(axes, 0, 2, out, LOW_AXIS, radius)
    out[10] = _end_nearest(axes, 2, 0, out, HIGH_AXIS, radius)
    if out[2] - out[1] < ROUND:
        out[9] = math.nan
    if out[5] < ROUND:
        out[10] = math.nan
    for n in range(3):
        out[CENTER + n] = moments[1 + n] / mass


def numbers_at(moments: Floats, radius: float, arm: float) -> Floats:
    """The numbers of a ball.

    Parameters
    ----------
    moments, radius, arm : as of `numbers_of`

    Returns
    -------
    (LENGTH,) array, as `numbers_of` writes it
    """
    out = np.empty(LENGTH)
    numbers_of(moments, radius, arm, out)
    return out


def named(numbers: Floats, count: int = COUNT) -> dict[str, Any]:
    """The first numbers of a ball by their names.

    Parameters
    ----------
    numbers : (LENGTH,) array, see `numbers_of`
    count : int

    Returns
    -------
    dict of name to float, or None where the ball has no such number
    """
    return {name: finite(numbers[at]) for at, name in enumerate(NUMBERS[:count])}


@compiled
def summed(visible: Floats, table: Floats, out: Floats) -> None:
    """Write the ball's moments from its solids' visible ones.

    Parameters
    ----------
    visible : (m, 10) array
    table : (m, WIDTH) array
    out : (10,) array, written [oz, oz in, oz in^2]
    """
    out[:] = 0.0
    for k in range(visible.shape[0]):
        density = table[k, DENSITY] * OZ_PER_CUBIC_INCH
        for n in range(10):
            out[n] += density * visible[k, n]


@dataclass(frozen=True, slots=True)
class Visible:
    """Moments (m, 10) of unit density of what is visible of each solid, and how they were found.

    error (10,): bound of the ball's moments [in^3 g/mL ...], zero where every part is closed form; beneath
    (m,): what lies beneath each solid; contrast (m,): the largest difference of density from what lies
    beneath for which the bound holds [g/mL], of the first densities alone where it is None.
    """

    moments: Floats
    exact: bool
    error: Floats
    cells: int
    beneath: np.ndarray
    contrast: Floats | None

    def error_for(self, table: Floats) -> Floats:
        """Bound of the ball's moments with the densities of another table.

        The bound is a sum of |contrast| times what each solid's moments err by, cell by cell, so that it
        grows no faster than the contrasts do.

        Parameters
        ----------
        table : array, other densities of the same shapes

        Returns
        -------
        (10,) array
        """
        if self.contrast is None or self.exact:
            return self.error
        grown = np.abs(table[:, DENSITY] - table[self.beneath, DENSITY]) / self.contrast
        return self.error * max(float(grown.max()), 1.0)


def _largest_contrast(table: Floats, beneath: np.ndarray) -> Floats:
    """Contrasts (m,) of the bound for any density: the present ones, at least 1 g/mL (ours)."""
    largest: Floats = np.maximum(np.abs(table[:, DENSITY] - table[beneath, DENSITY]), 1.0)
    return largest


def _direction(packed: Packed, members: Flags) -> Floats:
    """A direction well off the members' axes and end faces, which keeps the integrand smooth."""
    n = np.arange(200)
    height = 1.0 - (n + 0.5) / 200
    turn = n * math.pi * (3.0 - math.sqrt(5.0))
    flat = np.sqrt(1.0 - height * height)
    choices = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])
    score = np.ones(200)
    for k in np.flatnonzero(members):
        kind = int(packed.table[k, KIND])
        for axis in (0, 1, 2) if kind == BOX else (() if kind == SPHERE else (2,)):
            along = np.abs(choices @ np.array(own_axis(packed.table, int(k), axis)))
            score = np.minimum(score, np.minimum(along, np.sqrt(np.maximum(1.0 - along * along, 0.0))))
    best: Floats = choices[int(np.argmax(score))]
    return best


def _add_group(
    packed: Packed,
    members: Flags,
    beneath: np.ndarray,
    out: Floats,
    error: Floats,
    cells: int,
    tolerance: float,
    any_density: bool,
) -> int:
    frame = lines_frame(tuple(_direction(packed, members).tolist()))
    rows = [int(k) for k in np.flatnonzero(members)]
    ends = np.array(
        [
            [max(support(packed, k, tuple(sign * side)) for k in rows) for sign in (-1.0, 1.0)]
            for side in frame[:2]
        ]
    )
    domain = np.array([
        RECTANGLE, -ends[0, 0], -ends[1, 0], ends[0].sum(), ends[1].sum(), -math.inf, math.inf,
    ])  # fmt: skip
    table = packed.table
    contrast = table[:, DENSITY] - table[beneath, DENSITY]
    if any_density:
        contrast = _largest_contrast(table, beneath)
    radius = reach_from_center(packed, 0)
    aim = tolerance * float(table[0, DENSITY]) * 4.0 / 3.0 * math.pi * radius**3
    found = np.empty_like(out)
    bound = np.empty(10)
    used = integrate(
        packed, sort_meshes(packed, frame), members, frame, domain, contrast, any_density, radius, aim, cells,
        found, bound,
    )  # fmt: skip
    for k in rows:
        out[k] += found[k]
        out[beneath[k]] -= found[k]
    error += _with_missed(packed, rows, beneath, found, bound, any_density=any_density)
    return int(used)


THIN = 0.15
"""Width [in] under which a solid may lie between the lines (ours)."""


def _with_missed(
    packed: Packed, rows: list[int], beneath: np.ndarray, found: Floats, bound: Floats, *, any_density: bool
) -> Floats:
    """The bound (10,) with what slipped between the lines, where that is more.

    What is found of the last solid, which nothing of the group hides, is held to its closed form; so is what
    is found of thin ones, whose hidden part counts as missed.
    """
    density, scratch = packed.table[:, DENSITY], np.empty(10)
    more = np.zeros(10)
    for k in rows:
        if k == rows[-1] or _width(packed, k) < THIN:
            whole = np.zeros(10)
            add_moments(packed, k, 1.0, scratch, whole)
            others = density[[*rows, int(beneath[k])]]
            contrast = max(float(np.abs(others - density[k]).max()), 1.0 if any_density else 0.0)
            more += np.abs(whole - found[k]) * contrast
    return np.where(more > bound, bound + more, bound)


def _fill_up(packed: Packed, beneath: np.ndarray, out: Floats, error: Floats) -> None:
    """Where lines find more on a solid than it holds, take the rest from the largest that lies on it."""
    for k in np.flatnonzero(out[:, 0] < 0.0):
        largest = int(np.argmax(np.where(beneath == k, out[:, 0], 0.0)))
        error += np.abs(out[k]) * max(abs(packed.table[largest, DENSITY] - packed.table[k, DENSITY]), 1.0)
        out[largest] += out[k]
        out[k] = 0.0


def _width(packed: Packed, k: int) -> float:
    """The least width of a solid along its own axes [in]."""
    axes = (own_axis(packed.table, k, axis) for axis in range(3))
    widths = (support(packed, k, axis) + support(packed, k, (-axis[0], -axis[1], -axis[2])) for axis in axes)
    return min(widths)


def visible_moments(
    packed: Packed,
    active: Flags | None = None,
    cells: int = CELLS,
    tolerance: float = TOLERANCE,
    *,
    any_density: bool = False,
) -> Visible:
    """What is visible of each solid of a packed design.

    Parameters
    ----------
    packed : Packed
    active : (m,) array of bool, solids that are there (None: all); the others are as if replaced by what
        lies beneath
    cells, tolerance : int and float, budget and aim of the cubature for solids that cut each other off a
        common axis
    any_density : bool, aim at the moments of each solid, for whatever densities they are used with

    Returns
    -------
    Visible
    """
    most = packed.table.shape[0]
    there = np.ones(most, np.bool_) if active is None else active
    out = np.empty((most, 10))
    group = np.empty(most, np.int64)
    beneath = np.empty(most, np.int64)
    error = np.zeros(10)
    used = 0
    if add_visible(packed, there, group, beneath, out):
        for g in np.unique(group[group >= 0]):
            used += _add_group(packed, group == g, beneath, out, error, cells, tolerance, any_density)
        _fill_up(packed, beneath, out, error)
    contrast = _largest_contrast(packed.table, beneath) if any_density else None
    return Visible(out, used == 0, error, used, beneath, contrast)


def ball_moments(packed: Packed, visible: Visible) -> Floats:
    """The ball's moments about its center.

    Parameters
    ----------
    packed : Packed
    visible : Visible

    Returns
    -------
    (10,) array [oz, oz in, oz in^2]
    """
    out = np.empty(10)
    summed(visible.moments, packed.table, out)
    return out


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one solid adds: the change when it is there instead of what lies beneath it, all else the same.

    mass [lb]: of its visible part; changes of weight [lb], the three RGs and the differentials [in], top
    weight [oz]. Nothing lies beneath the ball itself (the first solid): its changes are None.
    """

    name: str
    role: str
    mass: float
    weight: float | None = None
    rg: float | None = None
    rg_intermediate: float | None = None
    rg_high: float | None = None
    differential: float | None = None
    intermediate_differential: float | None = None
    top_weight: float | None = None


CHANGES = (
    "weight", "rg", "rg_intermediate", "rg_high", "differential", "intermediate_differential", "top_weight",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class MassProperties:
    """The mass properties of a design as made, undrilled.

    weight [lb]; rg (low), rg_intermediate, rg_high, differentials [in]; asymmetry_ratio (None for a ball
    without differential); centre_of_mass (3,) [in]; inertia (3, 3) about it [lb in^2]; low_rg_axis,
    high_rg_axis, cg_mark: unit vectors, the ends nearest to the pin and to the mass-bias mark; arcs [in],
    None where an axis has no direction; moment (3,) [oz in] and top_weight = |moment| / balance_arm [oz];
    cover depths [in]; max_density [g/mL] and the solid that has it. error_bound: of weight, rg and
    differential, zero where `method` is "exact". covered: names of solids that later ones hide.
    """

    weight: float
    rg: float
    rg_intermediate: float
    rg_high: float
    differential: float
    intermediate_differential: float
    asymmetry_ratio: float | None
    top_weight: float
    pin_to_cg: float | None
    pin_to_low_rg_axis: float | None
    mark_to_high_rg_axis: float | None
    diameter: float
    mean_density: float
    max_density: float
    max_density_solid: str
    centre_of_mass: Vector3
    moment: Vector3
    inertia: tuple[tuple[float, ...], ...]
    low_rg_axis: Vector3 | None
    high_rg_axis: Vector3 | None
    cg_mark: Vector3 | None
    balance_arm: float
    cover_depth_shallowest: float | None
    cover_depth_deepest: float | None
    contributions: tuple[Contribution, ...]
    method: str
    error_bound: dict[str, float]
    covered: tuple[str, ...]


def error_bounds(error: Floats, moments: Floats, numbers: Floats) -> dict[str, float]:
    """Bounds of a ball's numbers from those of its moments.

    First order: RG = sqrt(I / m), so |dRG| <= (|dI| + RG^2 |dm|) / (2 m RG); |dI| is bounded by
    the sum of the six second moments' bounds and of the shift of the center of mass.

    Parameters
    ----------
    error, moments : (10,) arrays
    numbers : array, see `numbers_of`

    Returns
    -------
    dict of weight [lb], rg and differential [in] to their bounds
    """
    each = error * OZ_PER_CUBIC_INCH
    mass = float(moments[0])
    center = np.abs(moments[1:4]) / mass
    second = float(each[4:].sum() + 2.0 * (each[1:4] @ center) + each[0] * (center @ center))
    low = (second + numbers[1] ** 2 * each[0]) / (2.0 * mass * numbers[1])
    high = (second + numbers[3] ** 2 * each[0]) / (2.0 * mass * numbers[3])
    return {"weight": float(each[0]) / OZ_PER_LB, "rg": float(low), "differential": float(low + high)}


def finite(value: float) -> float | None:
    """The number, None for NaN.

    Parameters
    ----------
    value : float

    Returns
    -------
    float or None, None for NaN
    """
    return None if math.isnan(value) else float(value)


def three(values: Floats) -> Vector3:
    """The three numbers of an array (3,).

    Parameters
    ----------
    values : (3,) array

    Returns
    -------
    tuple of three floats
    """
    x, y, z = (float(value) for value in values)
    return (x, y, z)


def pack_inside(design: Design) -> Packed:
    """The arrays of a design inside its ball.

    Parameters
    ----------
    design : Design

    Returns
    -------
    Packed

    Raises
    ------
    InvalidInput naming every solid that leaves the ball, and how far
    """
    packed = pack(design)
    radius = 0.5 * design.diameter
    beyond = {k: reach_from_center(packed, k) - radius for k in range(1, len(design.solids))}
    faults = [
        Fault(f"/solids/{k}", f"{design.solids[k].name!r} reaches {by:.4g} in beyond the ball's surface")
        for k, by in beyond.items()
        if by > TOUCH
    ]
    if faults:
        raise InvalidInput(faults)
    return packed


def _contributions(
    design: Design, packed: Packed, visible: Visible, numbers: Floats, arm: float, run: Run, cells: int
) -> tuple[Contribution, ...]:
    most = len(design.solids)
    radius = 0.5 * design.diameter
    masses = visible.moments[:, 0] * packed.table[:, DENSITY] * OZ_PER_CUBIC_INCH / OZ_PER_LB
    found = [Contribution(design.solids[0].name, design.solids[0].role, float(masses[0]))]
    for k in range(1, most):
        run.report(k / most, f"what {design.solids[k].name} adds")
        active = np.ones(most, np.bool_)
        active[k] = False
        moments = ball_moments(packed, visible_moments(packed, active, cells))
        without = numbers - numbers_at(moments, radius, arm)
        change = {name: float(without[NUMBERS.index(name)]) for name in CHANGES}
        found.append(Contribution(design.solids[k].name, design.solids[k].role, float(masses[k]), **change))
    return tuple(found)


def properties(
    design: Design,
    balance_arm: float = BALANCE_ARM,
    *,
    contributions: bool = True,
    cells: int = CELLS,
    run: Run | None = None,
) -> MassProperties:
    """All mass properties of a design.

    Parameters
    ----------
    design : Design
    balance_arm : float
        Arm of the shop balance [in].
    contributions : bool
        Also find what each solid adds (one more evaluation a solid).
    cells : int
        Budget of the cubature where solids cut each other off a common axis.
    run : Run, optional
        Progress and cancel token.

    Returns
    -------
    MassProperties

    Raises
    ------
    InvalidInput
        A solid leaves the ball.
    Canceled
        By the token.

    References
    ----------
    Radius of gyration sqrt(I / m) and the parallel-axis theorem: any textbook of rigid bodies.
    """
    link = run or Run()
    link.check()
    packed = pack_inside(design)
    radius = 0.5 * design.diameter
    visible = visible_moments(packed, cells=cells)
    moments = ball_moments(packed, visible)
    numbers = numbers_at(moments, radius, balance_arm)
    parts: tuple[Contribution, ...] = ()
    if contributions:
        parts = _contributions(design, packed, visible, numbers, balance_arm, link, cells)
    tensor = np.empty((3, 3))
    inertia_of(moments, tensor)
    densest = max(design.solids, key=lambda solid: solid.density)
    shallowest, deepest = cover_depth(design, packed)
    volume = math.pi / 6.0 * design.diameter**3
    low, high, mark = (math.isnan(numbers[at]) for at in (9, 10, 8))
    return MassProperties(
        **named(numbers),
        diameter=design.diameter,
        mean_density=float(moments[0]) / OZ_PER_CUBIC_INCH / volume,
        max_density=densest.density,
        max_density_solid=densest.name,
        centre_of_mass=three(numbers[CENTER : CENTER + 3]),
        moment=three(moments[1:4]),
        inertia=tuple(tuple(float(value) / OZ_PER_LB for value in row) for row in tensor),
        low_rg_axis=None if low else three(numbers[LOW_AXIS : LOW_AXIS + 3]),
        high_rg_axis=None if high else three(numbers[HIGH_AXIS : HIGH_AXIS + 3]),
        cg_mark=None if mark else three(moments[1:4] / np.linalg.norm(moments[1:4])),
        balance_arm=balance_arm,
        cover_depth_shallowest=shallowest,
        cover_depth_deepest=deepest,
        contributions=parts,
        method="exact" if visible.exact else f"exact lines, adaptive cubature over {visible.cells} cells",
        error_bound=error_bounds(visible.error, moments, numbers),
        covered=tuple(
            solid.name
            for solid, part in zip(design.solids[:-1], visible.moments[:-1], strict=True)
            if part[0] < 1e-9
        ),
    )
