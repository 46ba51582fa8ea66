"""Adaptive cubature across parallel lines whose stretches are exact, with an error bound from two orders.

A cell's value is the tensor Gauss rule of five nodes a side; its error is taken as the difference from the
rule of three nodes, which bounds the better rule's error with much to spare where the integrand is smooth
and by experience (tests/design/test_mass.py) where it has kinks. The cell with the largest error is cut in
four until the sum of the errors is below the tolerance or the budget of cells is spent; the sum is returned
either way.
"""

from __future__ import annotations

import heapq
import math

import numpy as np
from numpy.polynomial.legendre import leggauss

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.lines import Bins, Flags, add_line, most_hits
from ballgauge_service.design.solids.packing import KIND, MESH, Packed
from ballgauge_service.design.solids.shapes import Floats, piece_count
from ballgauge_service.physics.sphere import Vector

FINE_NODES, FINE_WEIGHTS = leggauss(5)
COARSE_NODES, COARSE_WEIGHTS = leggauss(3)

RECTANGLE, DISC = 0, 1


@compiled
def _integrate_cell(
    packed: Packed, bins: Bins, rows: Flags, frame: Floats, domain: Floats, cell: Floats, nodes: Floats,
    weights: Floats, found: Floats, cuts: Floats, out: Floats,
) -> None:  # fmt: skip
    """Write the moments over one cell of the unit square, mapped to the domain, into `out` (m, 10).

    domain (7,): shape, low u, low v, size u, size v (or a disc's center, radius, spare), bottom and top.
    """
    out[:] = 0.0
    spans = np.empty((rows.shape[0], 2), np.int64)
    w = (frame[2, 0], frame[2, 1], frame[2, 2])
    half_a = 0.5 * (cell[1] - cell[0])
    half_b = 0.5 * (cell[3] - cell[2])
    for i in range(nodes.shape[0]):
        a = 0.5 * (cell[0] + cell[1]) + half_a * nodes[i]
        for j in range(nodes.shape[0]):
            b = 0.5 * (cell[2] + cell[3]) + half_b * nodes[j]
            if int(domain[0]) == DISC:
                turn = 2.0 * math.pi * b
                u = domain[1] + domain[3] * a * math.cos(turn)
                v = domain[2] + domain[3] * a * math.sin(turn)
                scale = 2.0 * math.pi * domain[3] * domain[3] * a
            else:
                u = domain[1] + domain[3] * a
                v = domain[2] + domain[4] * b
                scale = domain[3] * domain[4]
            start = (
                u * frame[0, 0] + v * frame[1, 0],
                u * frame[0, 1] + v * frame[1, 1],
                u * frame[0, 2] + v * frame[1, 2],
            )
            weight = scale * half_a * half_b * weights[i] * weights[j]
            add_line(
                packed, bins, rows, start, w, u, v, domain[5], domain[6], weight, found, cuts, spans, out
            )


@compiled
def _weighted(gaps: Floats, contrast: Floats, any_density: bool, out: Floats) -> None:
    """Write the errors (10,) of a cell; for any density those of the rows are added without their signs."""
    out[:] = 0.0
    for k in range(gaps.shape[0]):
        for n in range(10):
            gap = contrast[k] * gaps[k, n]
            out[n] += abs(gap) if any_density else gap
    for n in range(10):
        out[n] = abs(out[n])


@compiled
def _size(error: Floats, length: float) -> float:
    first = max(abs(error[1]), abs(error[2]), abs(error[3]))
    second = 0.0
    for n in range(4, 10):
        second = max(second, abs(error[n]))
    return float(max(abs(error[0]), first / length, second / (length * length)))


@compiled
def integrate(
    packed: Packed, bins: Bins, rows: Flags, frame: Floats, domain: Floats, contrast: Floats,
    any_density: bool, length: float, tolerance: float, most: int, out: Floats, error: Floats,
) -> int:  # fmt: skip
    """Write the marked rows' visible moments within a domain.

    Parameters
    ----------
    packed : Packed
    bins : Bins
    rows : (m,) array of bool
    frame : (3, 3) array, rows u, v, w, lines along w
    domain : array, where lines are drawn
    contrast : (m,) array, density of each row less what lies beneath, which weighs the errors
    any_density : bool, whether the bound holds for every contrast up to |contrast|
    length : float [in]
    tolerance : float, on the weighted volume, first moments / length and second / length^2 [in^3 x g/mL]
    most : int, cells, but never fewer than those it begins with, 4 of a disc and 16 of a rectangle
    out : (m, 10) array, written
    error : (10,) array, bound of each weighted moment, written

    Returns
    -------
    int, the cells used
    """
    solids = packed.table.shape[0]
    room = 4
    for k in range(solids):
        room += most_hits(bins, k) // 2 + 1 if int(packed.table[k, KIND]) == MESH else 1
        room += piece_count(packed.table, k)
    found = np.empty((room, 3))
    cuts = np.empty(2 * room)
    coarse = np.empty((solids, 10))
    side = 1 if int(domain[0]) == DISC else 4
    most = max(most, 4 * side)
    values = np.empty((most, solids, 10))
    cells = np.empty((most, 4))
    errors = np.empty((most, 10))
    heap = [(0.0, 0)]
    heap.pop()
    used = 0
    total = 0.0
    for i in range(side):
        for j in range(4):
            cells[used] = (i / side, (i + 1) / side, j / 4.0, (j + 1) / 4.0)
            used += 1
    fresh = 0
    slots = np.arange(used)
    while True:
        for n in range(fresh, slots.shape[0]):
            c = slots[n]
            cell = cells[c]
            _integrate_cell(
                packed, bins, rows, frame, domain, cell, FINE_NODES, FINE_WEIGHTS, found, cuts, values[c]
            )
            _integrate_cell(
                packed, bins, rows, frame, domain, cell, COARSE_NODES, COARSE_WEIGHTS, found, cuts, coarse
            )
            _weighted(values[c] - coarse, contrast, any_density, errors[c])
            size = _size(errors[c], length)
            total += size
            heapq.heappush(heap, (-size, c))
        if total <= tolerance or used + 3 > most:
            break
        worst, c = heapq.heappop(heap)
        total += worst
        a0, a1, b0, b1 = cells[c, 0], cells[c, 1], cells[c, 2], cells[c, 3]
        am = 0.5 * (a0 + a1)
        bm = 0.5 * (b0 + b1)
        slots = np.array([c, used, used + 1, used + 2])
        cells[c] = (a0, am, b0, bm)
        cells[used] = (am, a1, b0, bm)
        cells[used + 1] = (a0, am, bm, b1)
        cells[used + 2] = (am, a1, bm, b1)
        used += 3
    out[:] = 0.0
    error[:] = 0.0
    for c in range(used):
        for n in range(10):
            error[n] += errors[c, n]
            for k in range(solids):
                out[k, n] += values[c, k, n]
    return used


def lines_frame(w: Vector) -> Floats:
    """A frame for lines along a direction.

    Parameters
    ----------
    w : unit vector

    Returns
    -------
    (3, 3) array, rows u, v, w
    """
    along = np.asarray(w, dtype=np.float64)
    side = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    side /= np.linalg.norm(side)
    return np.array([side, np.cross(along, side), along])
