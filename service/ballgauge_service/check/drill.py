"""How much a request may ask of the drilling kernel.

One hole costs microseconds; holes that run through one another cost the more the more holes lie between them
in the order. The work is counted from the geometry, not from a clock, so that the same request always ends
the same way.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core import budget
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.physics.drilling import Records, drill
from ballgauge_service.physics.holes import GEOMETRY, set_hole
from ballgauge_service.physics.overlaps import may_meet

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

Counts = NDArray[np.int64]


@compiled
def _count_work(balls: Records, holes: Records, counts: Counts, hole_out: Records) -> float:
    table = np.empty((max(holes.shape[1], 1), GEOMETRY))
    total = 0.0
    for n in range(balls.shape[0]):
        total += BALL_COST + HOLE_COST * counts[n]
        for j in range(counts[n]):
            hole = holes[n, j]
            got = hole_out[n, j]
            centre = (got.centre_x, got.centre_y, got.centre_z)
            set_hole(
                table,
                j,
                centre,
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
    h = counts.astype(float)
    pairs, steps = 0.5 * h * (h - 1.0), (h**3 - h) / 6.0
    work: NDArray[np.float64] = BALL_COST + HOLE_COST * h + NEAR_COST * pairs + MEETING_COST * steps
    return work


class Work:
    """The work that one request has asked for so far: `spent` [µs]."""

    def __init__(self) -> None:
        self.spent = 0.0

    def drill(
        self, balls: Records, layouts: Records, holes: Records, counts: Counts, owners: Sequence[int]
    ) -> tuple[Records, Records]:
        """Drill as `physics.drilling.drill` does, and count the work.

        owners, one a ball: the item of the request it belongs to. The balls are drilled in stretches, so that
        a request that goes too far is stopped soon. Raises InvalidInput where it passes WORK_LIMIT.
        """
        greatest = greatest_work(counts)
        if greatest.sum() <= _SMALL:
            self._spend(float(greatest.sum()), owners[0] if owners else 0)
            return drill(balls, layouts, holes, counts)
        stretch = (np.cumsum(greatest) // _STRETCH).astype(np.int64)
        starts = [0, *(np.flatnonzero(np.diff(stretch)) + 1).tolist()]
        parts = []
        for start, end in zip(starts, [*starts[1:], len(counts)], strict=True):
            budget.check()
            part = slice(start, end)
            out, hole_out = drill(balls[part], layouts[part], holes[part], counts[part])
            self._spend(_count_work(balls[part], holes[part], counts[part], hole_out), owners[start])
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
            text = (
                "too much to compute in one request, reached here: send fewer balls at a time, or fewer "
                "holes that meet and fewer uncertainties"
            )
            raise InvalidInput([(owner, "/drilling/holes", text)])


def ball_work(ball: Records, holes: Records, count: int, hole_out: Records) -> float:
    """Estimated work of drilling one ball again [µs]; ball (1,), holes and hole_out (1, h)."""
    return float(_count_work(ball, holes, np.array([count], np.int64), hole_out))
