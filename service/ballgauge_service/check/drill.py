"""Drilling the balls of a request: values to arrays, how much may be asked, and what is refused.

One hole costs microseconds; holes that run through one another cost the more the more holes lie between them
in the order. The work is counted from the geometry, not from a clock, so that the same request always ends
the same way.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.limits import COVER_DENSITY, COVER_THICKNESS, HOLES_MAXIMUM
from ballgauge_service.check.layouts import angles_of, layout_faults
from ballgauge_service.check.request import Ball, Drilling, Hole, impossible_ball, value
from ballgauge_service.core import budget
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.physics.drilling import (
    BALL,
    DRILLED,
    DRILLED_HOLE,
    HOLE,
    INTERPRETING,
    LAYOUT,
    ROLES,
    Structs,
    drill,
)
from ballgauge_service.physics.holes import GEOMETRY, set_hole
from ballgauge_service.physics.overlaps import may_meet

DENSEST = 22.6
"""Density of osmium, the densest of all materials [g/mL] (CRC Handbook, from memory)."""

WORK_LIMIT = 6e6
"""Most estimated work of one request [µs] (ours): keeps the longest answer within seconds."""

BALL_COST = 5.0
HOLE_COST = 5.0
NEAR_COST = 40.0
MEETING_COST = 270.0
"""Estimated work for a ball, for each hole, for two holes that pass closely, and for two that meet, times
their distance in the order [µs] (ours, measured and rounded up)."""

_STRETCH = 2e5
_SMALL = 5e3
_CROWDED = 8
"""Holes beyond which many of a ball's meet, as far as time is concerned (ours)."""
_SLOWER = 300.0
"""How much slower the interpreter is than machine code (ours, measured and rounded)."""
_NAN = math.nan
_ROLE_NUMBER = {role: number for number, role in enumerate(ROLES)}
_NO_HOLE = (0, *(_NAN,) * 7)

Counts = NDArray[np.int64]


class Drilled(NamedTuple):
    """Drilled balls as arrays, in the dtypes of `physics.drilling`.

    balls (n,), layouts (n,), holes (n, h), counts (n,): what was drilled; out (n,) DRILLED and hole_out
    (n, h) DRILLED_HOLE: what came of it; rows and hole_rows: the same as plain numbers.
    """

    balls: Structs
    layouts: Structs
    holes: Structs
    counts: Counts
    out: Structs
    hole_out: Structs
    rows: list[tuple[Any, ...]]
    hole_rows: list[list[tuple[Any, ...]]]

    def only(self, row: int) -> Drilled:
        """One of the balls."""
        parts: Iterator[Any] = (part[row : row + 1] for part in self)
        return Drilled(*parts)


def _ball_row(ball: Ball, drilling: Drilling) -> tuple[float, ...]:
    thick, dense = ball.cover_thickness, ball.cover_density
    return (
        value(ball.weight),
        ball.radius,
        value(ball.rg),
        value(ball.differential),
        value(ball.intermediate_differential),
        value(ball.top_weight),
        value(ball.pin_to_cg),
        COVER_THICKNESS if thick is None else thick.value,
        COVER_DENSITY if dense is None else dense.value,
        drilling.arm,
    )


def _layout_row(ball: Ball, drilling: Drilling) -> tuple[float, ...]:
    pap, layout, grip = drilling.pap, drilling.layout, drilling.grip
    axis = (_NAN,) * 2 if pap is None else (pap.over.value, pap.up.value)
    spans = (grip.span(grip.span_middle), grip.span(grip.span_ring), float(grip.between_centers))
    cg = None if layout is None else layout.cg
    mark = (_NAN,) * 2 if cg is None else (cg.right.value, cg.up.value)
    return (drilling.side, *axis, *angles_of(drilling, ball.radius), *spans, value(grip.bridge), *mark)


def _hole_row(hole: Hole) -> tuple[float, ...]:
    at = hole.at
    return (
        _ROLE_NUMBER[hole.role],
        *((_NAN,) * 2 if at is None else (at.right.value, at.up.value)),
        hole.diameter.value,
        hole.depth.value,
        hole.pitch_forward.value,
        hole.pitch_lateral.value,
        value(hole.slug_density),
    )


def arrays(balls: Sequence[Ball], drillings: Sequence[Drilling]) -> tuple[Structs, Structs, Structs, Counts]:
    """Balls (n,), layouts (n,), holes (n, h) and hole counts (n,), ready for `physics.drilling.drill`."""
    counts = [len(drilling.holes) for drilling in drillings]
    most = max(counts, default=0)
    rows = [
        [*map(_hole_row, drilling.holes), *[_NO_HOLE] * (most - len(drilling.holes))]
        for drilling in drillings
    ]
    return (
        np.array(list(map(_ball_row, balls, drillings)), BALL),
        np.array(list(map(_layout_row, balls, drillings)), LAYOUT),
        np.array(rows, HOLE) if most else np.zeros((len(drillings), 0), HOLE),
        np.array(counts, np.int64),
    )


@compiled
def _count_work(balls: Structs, holes: Structs, counts: Counts, hole_out: Structs) -> float:
    table = np.empty((max(holes.shape[1], 1), GEOMETRY))
    total = 0.0
    for n in range(balls.shape[0]):
        total += BALL_COST + HOLE_COST * counts[n]
        for j in range(counts[n]):
            hole = holes[n, j]
            got = hole_out[n, j]
            center = (got.center_x, got.center_y, got.center_z)
            set_hole(
                table,
                j,
                center,
                balls[n].radius,
                0.5 * hole.diameter,
                hole.depth,
                hole.pitch_forward,
                hole.pitch_lateral,
            )
            for i in range(j):
                if may_meet(table, i, j):
                    total += NEAR_COST
                    if (got.meets >> i) & 1:
                        total += MEETING_COST * (j - i)
    return total


def greatest_work(counts: Counts) -> NDArray[np.float64]:
    """Estimated work for balls of `counts` holes, (n,), if every hole met every other [µs], shape (n,)."""
    work: NDArray[np.float64] = _GREATEST[counts]
    return work


_h = np.arange(HOLES_MAXIMUM + 1.0)
_GREATEST = BALL_COST + HOLE_COST * _h + NEAR_COST * 0.5 * _h * (_h - 1.0) + MEETING_COST * (_h**3 - _h) / 6.0


class Work:
    """The work that one request has asked for so far: `spent` [µs]."""

    def __init__(self) -> None:
        self.spent = 0.0

    def drill(
        self, balls: Structs, layouts: Structs, holes: Structs, counts: Counts, owners: Sequence[int]
    ) -> tuple[Structs, Structs]:
        """Drill as `physics.drilling.drill` does, and count the work.

        owners, one a ball: the item of the request it belongs to. The balls are drilled in stretches, so that
        a request that goes too far is stopped soon. Raises InvalidInput where it passes WORK_LIMIT.
        """
        greatest = greatest_work(counts)
        total = float(greatest.sum())
        if total <= _SMALL:
            self._spend(total, owners[0] if owners else 0)
            return drill(balls, layouts, holes, counts)
        stretch = (np.cumsum(greatest) // _STRETCH).astype(np.int64)
        starts = [0, *(np.flatnonzero(np.diff(stretch)) + 1).tolist()]
        parts = []
        for start, end in zip(starts, [*starts[1:], len(counts)], strict=True):
            budget.check()
            part = slice(start, end)
            crowded = greatest[part][counts[part] > _CROWDED].sum()
            seconds = INTERPRETING * (end - start) + _SLOWER * float(crowded) * 1e-6
            out, hole_out = drill(balls[part], layouts[part], holes[part], counts[part], seconds)
            count = _count_work.expecting(0.1 * INTERPRETING * len(out))
            self._spend(count(balls[part], holes[part], counts[part], hole_out), owners[start])
            parts.append((out, hole_out))
        if len(parts) == 1:
            return parts[0]
        outs, hole_outs = zip(*parts, strict=True)
        return np.concatenate(outs), np.concatenate(hole_outs)

    def affords(self, amount: float) -> bool:
        """Whether the request may still ask for `amount` [µs] more."""
        return self.spent + amount <= WORK_LIMIT

    def _spend(self, amount: float, owner: int) -> None:
        self.spent += amount
        if self.spent > WORK_LIMIT:
            words = (
                "too much to compute in one request, reached here: send fewer balls at a time, or fewer "
                "holes that meet and fewer uncertainties"
            )
            raise InvalidInput([Fault("/drilling/holes", words, owner)])


def ball_work(ball: Structs, holes: Structs, count: int, hole_out: Structs) -> float:
    """Estimated work of drilling one ball again [µs]; ball (1,), holes and hole_out (1, h)."""
    return float(_count_work(ball, holes, np.array([count], np.int64), hole_out))


def drill_balls(
    balls: Sequence[Ball], drillings: Sequence[Drilling], indices: Sequence[int], work: Work
) -> Drilled:
    """Drill balls, one a drilling; `indices` are their places in the request, for the faults.

    Raises InvalidInput naming every impossible field of every ball.
    """
    drawn, layouts, holes, counts = arrays(balls, drillings)
    out, hole_out = work.drill(drawn, layouts, holes, counts, indices)
    drilled = Drilled(drawn, layouts, holes, counts, out, hole_out, out.tolist(), hole_out.tolist())
    odd = np.zeros(len(out), np.bool_)
    _find_odd.expecting(0.01 * INTERPRETING * len(out))(drawn, layouts, counts, out, hole_out, odd)
    by_places = [drilling.layout is not None and drilling.layout.pin is not None for drilling in drillings]
    faults = [
        fault
        for row in np.flatnonzero(odd | by_places).tolist()
        for fault in (
            *layout_faults(balls[row], drillings[row], indices[row]),
            *_impossible(drilled.rows[row], drilled.hole_rows[row], balls[row], drillings[row], indices[row]),
        )
    ]
    if faults:
        raise InvalidInput(faults)
    return drilled


@compiled
def _find_odd(
    balls: Structs, layouts: Structs, counts: Counts, out: Structs, hole_out: Structs, odd: NDArray[np.bool_]
) -> None:
    """Mark the balls of which something may be impossible: the few to be looked at one by one."""
    for n in range(len(balls)):
        ball, laid, got = balls[n], layouts[n], out[n]
        size, rg = ball.radius, ball.rg
        high, between = rg + ball.differential, rg + ball.differential - ball.intermediate_differential
        # A number that is not known makes these not known: nothing then lies where it may.
        sound = got.weight > 0.0 and got.inner_density > 0.0 and got.inner_density <= DENSEST
        sound &= rg * rg + between * between + high * high < _NEARLY_TWICE * size * size
        sound &= got.rg + got.rg_intermediate + got.rg_high > 0.0
        sound &= math.isfinite(laid.drilling_angle + laid.pin_to_pap + laid.val_angle)
        for k in range(counts[n]):
            sound &= math.isfinite(hole_out[n, k].center_z) and hole_out[n, k].reach < size
        odd[n] = not sound


_NEARLY_TWICE = 1.999
"""What the principal moments may add up to, in mass times radius squared, less rounding (ours)."""

_whole = itemgetter(
    *map((DRILLED.names or ()).index, ("inner_density", "weight", "rg", "rg_intermediate", "rg_high"))
)
_place = itemgetter(*map((DRILLED_HOLE.names or ()).index, ("center_z", "bottom_height", "reach")))


def _impossible(
    row: tuple[Any, ...], hole_row: list[tuple[Any, ...]], ball: Ball, drilling: Drilling, index: int
) -> list[Fault]:
    """What is impossible of one ball, from its numbers and its holes'."""
    inner_density, weight, *radii = _whole(row)
    holes = [_place(hole) for _, hole in zip(drilling.holes, hole_row, strict=False)]
    found = [
        *impossible_ball(ball, index),
        *_impossible_material(inner_density, ball, index),
        *_misplaced_holes(holes, ball.radius, index),
    ]
    if not found and (not weight > 0.0 or _lost_inertia(ball, drilling, radii)):
        words = "impossible: the holes take away more than a ball of these box numbers has"
        found.append(Fault("/drilling/holes", words, index))
    return found


def _impossible_material(inner_density: float, ball: Ball, index: int) -> Iterator[Fault]:
    """Refuse a cover and a weight that leave no material for the inside."""
    if 0.0 < inner_density <= DENSEST:
        return
    if ball.cover_density is not None:
        name = "cover_density"
    else:
        name = "weight" if ball.cover_thickness is None else "cover_thickness"
    if inner_density > DENSEST:
        words = f"the inside of the cover would weigh {inner_density:.1f} g/mL, more than any material"
    else:
        words = "the cover alone weighs more than the ball"
    yield Fault(f"/ball/{name}", f"impossible: {words}", index)


def _misplaced_holes(holes: list[tuple[float, ...]], size: float, index: int) -> Iterator[Fault]:
    triangle = True
    for number, (center, bottom, reach) in enumerate(holes):
        if math.isnan(center):
            if triangle:
                words = "impossible: spans, bridge and hole sizes make no triangle on the ball"
                yield Fault("/drilling/grip", words, index)
            triangle = False
        elif not reach < size:
            yield Fault(f"/drilling/holes/{number}", _where_it_breaks(bottom, size), index)


def _where_it_breaks(bottom: float, size: float) -> str:
    if bottom > 0.8 * size:
        return "too shallow for its diameter and pitch: its bottom does not lie wholly inside the ball"
    return "breaks through the surface elsewhere: its bottom does not lie wholly inside the ball"


def _lost_inertia(ball: Ball, drilling: Drilling, radii: Sequence[float]) -> bool:
    """True where the box numbers and the layout are known and yet a principal moment comes out negative."""
    numbers = (ball.rg, ball.differential, ball.intermediate_differential)
    known = None not in numbers and not math.isnan(sum(angles_of(drilling, ball.radius)))
    return math.isnan(sum(radii)) and known
