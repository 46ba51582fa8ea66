"""A design as a function of some of its numbers: what solving and tolerance studies vary."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from ballgauge_schemas.shared.words import OFFSETS, POSITIONS, TILTS
from ballgauge_service.core.budget import Run
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.refusal import Fault
from ballgauge_service.core.units import OZ_PER_CUBIC_INCH
from ballgauge_service.design.mass import Visible, ball_moments, numbers_of, summed, visible_moments
from ballgauge_service.design.solids.packing import BOX, DENSITY, KIND, SIZE, Packed, columns_of
from ballgauge_service.design.solids.relations import TOUCH, reach_from_center
from ballgauge_service.design.solids.shapes import Floats
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solids.visible import Flags, add_visible

K = TypeVar("K", bound=Hashable)
T = TypeVar("T")

STUDY_CELLS = 800
"""Cells of the cubature in a study where solids cut each other off a common axis (ours)."""

KEPT = 64
"""Shapes whose visible parts are remembered (ours)."""


@dataclass(frozen=True, slots=True)
class Slot:
    """A number of a design that may vary: the solids that share it, and the field's name.

    field: density [g/mL]; position_x, position_y, position_z [in]; or a size of the shape ([in], or a
    factor). Tolerances also take OFFSETS and TILTS, which move the solids together.
    """

    solids: tuple[str, ...]
    field: str

    @property
    def label(self) -> str:
        """The slot in words."""
        return f"{self.field} of {', '.join(self.solids)}"

    def faults(self, design: Design) -> Iterator[Fault]:
        """Yield what does not fit the design, relative to the slot.

        Parameters
        ----------
        design : Design

        Returns
        -------
        iterator of Fault
        """
        moved = self.field in (*OFFSETS, *TILTS, *POSITIONS)
        field = POSITIONS[0] if moved else self.field
        for at, name in enumerate(self.solids):
            try:
                solid = design.solids[design.index(name)]
            except KeyError:
                known = ", ".join(repr(each.name) for each in design.solids)
                yield Fault(f"/solids/{at}", f"no solid is named {name!r}; there are {known}")
                continue
            if field not in (columns := columns_of(solid.shape)):
                yield Fault("/field", f"{name!r} has no {self.field!r}; it has {', '.join(columns)}")
            elif moved and design.index(name) == 0:
                yield Fault("/field", "the ball itself cannot move")

    def cells(self, design: Design) -> list[tuple[int, int]]:
        """Rows and columns of the packed table.

        Parameters
        ----------
        design : Design

        Returns
        -------
        list of (row, column)
        """
        rows = [design.index(name) for name in self.solids]
        return [(row, columns_of(design.solids[row].shape)[self.field]) for row in rows]


@compiled
def fit_roundings(table: Floats) -> None:
    """Keep each box's rounding within half its shortest length, however a study varies either.

    Parameters
    ----------
    table : (m, WIDTH) array, changed
    """
    for k in range(table.shape[0]):
        if int(table[k, KIND]) == BOX:
            shortest = min(table[k, SIZE], table[k, SIZE + 1], table[k, SIZE + 2])
            table[k, SIZE + 3] = min(max(table[k, SIZE + 3], 0.0), 0.5 * shortest)


@compiled
def furthest_outside(packed: Packed, held: Flags) -> float:
    """How far the worst of the held solids (m,) leaves the ball [in]; 0 where none does.

    Parameters
    ----------
    packed : Packed
    held : (m,) array of bool

    Returns
    -------
    float [in]
    """
    radius = reach_from_center(packed, 0)
    beyond = 0.0
    for k in range(1, packed.table.shape[0]):
        if held[k]:
            beyond = max(beyond, reach_from_center(packed, k) - radius)
    return beyond if beyond > TOUCH else 0.0


@compiled
def exact_numbers(packed: Packed, arm: float, out: Floats) -> bool:
    """Write the numbers (LENGTH,) where all is closed form; return whether it is.

    Parameters
    ----------
    packed : Packed
    arm : float, of the balance [in]
    out : (LENGTH,) array, written

    Returns
    -------
    bool
    """
    most = packed.table.shape[0]
    visible = np.empty((most, 10))
    moments = np.empty(10)
    active = np.ones(most, np.bool_)
    group = np.empty(most, np.int64)
    beneath = np.empty(most, np.int64)
    fit_roundings(packed.table)
    if add_visible(packed, active, group, beneath, visible) > 0:
        return False
    summed(visible, packed.table, moments)
    numbers_of(moments, reach_from_center(packed, 0), arm, out)
    return True


@compiled
def _fitted(fit: Floats, terms: np.ndarray, sample: Floats, table: Floats, moments: Floats) -> None:
    """Write the ball's moments (10,) of one variant from the fit of `numbers_of_many`."""
    moments[:] = 0.0
    for b in range(fit.shape[0]):
        factor = OZ_PER_CUBIC_INCH
        for source in terms[b]:
            if source >= 0:
                factor *= sample[source]
        for k in range(fit.shape[1]):
            for n in range(10):
                moments[n] += factor * table[k, DENSITY] * fit[b, k, n]


@compiled
def vary(
    table: Floats, sample: Floats, rows: np.ndarray, columns: np.ndarray, sources: np.ndarray, tilts: Floats
) -> None:
    """Make a variant of a table.

    Parameters
    ----------
    table : (m, WIDTH) array, changed
    sample : (d,) array, a row of the samples of `numbers_of_many`
    rows, columns, sources, tilts : as of `numbers_of_many`
    """
    for t in range(tilts.shape[0]):
        tilt_row(table, int(tilts[t, 1]), int(tilts[t, 2]), sample[int(tilts[t, 0])], tilts[t, 3:6])
    for c in range(rows.shape[0]):
        table[rows[c], columns[c]] += sample[sources[c]]


@compiled
def numbers_of_many(
    packed: Packed, samples: Floats, rows: np.ndarray, columns: np.ndarray, sources: np.ndarray,
    tilts: Floats, held: Flags, fit: Floats, terms: np.ndarray, arm: float, out: Floats, beyond: Floats,
    cut: Flags,
) -> None:  # fmt: skip
    """Write the numbers of many variants into `out` (n, LENGTH).

    samples (n, d): what is added to the table at (rows, columns) (c,), taken from column `sources` (c,) of
    the samples; tilts (t, 6): source, row, axis (0 x, 1 y) and pivot, turns of samples[source] degrees.
    beyond (n,): how far the worst of the `held` solids (m,) leaves the ball [in]. cut (n,): whether it is not
    closed form: its moments are then those of the fit (b, m, 10), each solid's unit density by what the
    columns `terms` (b, 2) of the samples multiply to (none: -1), NaN where there is no fit. A fit of one
    term is of variants that differ in densities alone, and serves all of them.

    Parameters
    ----------
    packed : Packed
    samples : (n, d) array
    rows, columns, sources : (c,) arrays
    tilts : (t, 6) array
    held : (m,) array of bool
    fit : (b, m, 10) array
    terms : (b, 2) array of int
    arm : float [in]
    out : (n, LENGTH) array, written
    beyond : (n,) array, written [in]
    cut : (n,) array of bool, written
    """
    table = packed.table.copy()
    work = Packed(table, packed.points, packed.vertices, packed.faces, packed.meshes)
    moments = np.empty(10)
    same = fit.shape[0] == 1
    for n in range(samples.shape[0]):
        table[:] = packed.table
        vary(table, samples[n], rows, columns, sources, tilts)
        cut[n] = same or not exact_numbers(work, arm, out[n])
        beyond[n] = 0.0 if same else furthest_outside(work, held)
        if cut[n] and fit.shape[0] == 0:
            out[n] = math.nan
        elif cut[n]:
            _fitted(fit, terms, samples[n], table, moments)
            numbers_of(moments, reach_from_center(work, 0), arm, out[n])


@compiled
def tilt_row(table: Floats, row: int, axis: int, degrees: float, pivot: Floats) -> None:
    """Turn one solid about an axis of the body, 0 x, 1 y or 2 z, through a pivot.

    Parameters
    ----------
    table : (m, WIDTH) array, changed
    row, axis : int
    degrees : float
    pivot : (3,) array [in]
    """
    angle = math.radians(degrees)
    c = math.cos(angle)
    s = math.sin(angle)
    i, j = (axis + 1) % 3, (axis + 2) % 3
    a = table[row, 2 + i] - pivot[i]
    b = table[row, 2 + j] - pivot[j]
    table[row, 2 + i] = pivot[i] + c * a - s * b
    table[row, 2 + j] = pivot[j] + s * a + c * b
    for column in range(3):
        a = table[row, 5 + 3 * i + column]
        b = table[row, 5 + 3 * j + column]
        table[row, 5 + 3 * i + column] = c * a - s * b
        table[row, 5 + 3 * j + column] = s * a + c * b


def remembered(known: dict[K, T], key: K, find: Callable[[], T]) -> T:
    """What is known of a key, or found; the last KEPT are remembered.

    Parameters
    ----------
    known : dict, changed
    key : what it is known by
    find : finds it

    Returns
    -------
    the value
    """
    found = known.pop(key, None)
    if found is None:
        found = find()
    known[key] = found
    if len(known) > KEPT:
        del known[next(iter(known))]
    return found


class Shapes:
    """The numbers of a design whose table varies; variants that differ in densities alone share a cubature.

    Parameters
    ----------
    cells : int
        Budget of the cubature where solids cut each other off a common axis.
    price : float
        Estimated work of one of its cells [µs].
    run : Run
        Where it counts.
    """

    def __init__(self, cells: int, price: float, run: Run) -> None:
        self._cells, self._price, self._run = cells, price, run
        self._known: dict[bytes, Visible] = {}
        self.work = 0.0

    @staticmethod
    def key(packed: Packed) -> bytes:
        """What designs of the same shapes share, whatever their densities.

        Parameters
        ----------
        packed : Packed

        Returns
        -------
        bytes
        """
        table = packed.table.copy()
        table[:, DENSITY] = 0.0
        return table.tobytes() + packed.points.tobytes()

    def visible(self, packed: Packed) -> Visible:
        """What is visible of each solid; the last KEPT shapes are remembered.

        Parameters
        ----------
        packed : Packed

        Returns
        -------
        Visible
        """

        def find() -> Visible:
            found = visible_moments(packed, cells=self._cells, any_density=True)
            self.work += found.cells * self._price
            self._run.add(found.cells * self._price)
            return found

        return remembered(self._known, self.key(packed), find)

    def moments(self, packed: Packed) -> Floats:
        """The ball's ten moments (10,) [oz, oz in, oz in^2] about its center.

        Parameters
        ----------
        packed : Packed

        Returns
        -------
        (10,) array
        """
        return ball_moments(packed, self.visible(packed))

    def error(self, packed: Packed) -> Floats:
        """Bound of those moments (10,) [in^3 g/mL ...].

        Parameters
        ----------
        packed : Packed

        Returns
        -------
        (10,) array
        """
        return self.visible(packed).error_for(packed.table)
