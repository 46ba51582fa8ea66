"""How much a request about a design may ask for, its progress, and its end where it is not wanted any more.

The work is estimated from what is asked, not from a clock, so that the same request always ends the same way.
The clock is the last resort alone, for a machine that is much slower than the estimates.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from .designs.mass import visible_moments
from .designs.model import STUDY_CELLS
from .designs.packing import pack
from .designs.running import CancelToken, Progress, Run
from .designs.solids import Design
from .problems import InvalidInput

WORK_LIMIT = 2e7
"""Most estimated work of the searches and the studies of one request [µs] (ours)."""

DEADLINE = 90.0
"""Seconds after which a request is ended in words (ours)."""

EVALUATION = 120.0
SAMPLE = 20.0
VERTEX = 0.02
CELL = 40.0
CELL_FACE = 2e-3
"""Estimated work of one evaluation of the numbers in a search and in a study; for each vertex of its meshes; and,
where solids cut each other off a common axis, for each cell and each of its faces [µs] (ours, measured)."""


class Allowance(Run):
    """The run of one request: its jobs share its progress, its work and its deadline.

    Parameters
    ----------
    jobs : how many jobs there are
    progress, cancelled : see `designs.running`
    clock : seconds, rising
    """

    def __init__(
        self,
        jobs: int,
        progress: Progress | None = None,
        cancelled: CancelToken | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(progress, cancelled)
        self._jobs, self._job, self._doing = max(jobs, 1), -1, ""
        self._price, self._spent = 0.0, 0.0
        self._clock = clock
        self._end = clock() + DEADLINE

    def begin(self, doing: str, price: float = 0.0) -> None:
        """Begin the next job, each evaluation of which costs `price` [µs]."""
        self._job, self._doing, self._price = self._job + 1, doing, price
        self.report(0.0, "")

    def check(self) -> None:
        """Count one evaluation. Raises InvalidInput where the work or the time is up, Cancelled by the token."""
        super().check()
        self._spent += self._price
        if self._spent > WORK_LIMIT:
            words = "fewer starts, parameters, targets or points"
            raise InvalidInput([(0, "", f"too much to compute in one request: ask for {words}")])
        if self._clock() > self._end:
            text = f"not done after {DEADLINE:g} s, and ended: ask for less at a time"
            raise InvalidInput([(0, "", text)])

    def affords(self, evaluations: float) -> bool:
        """Whether that many evaluations of the present job are still allowed."""
        return self._spent + self._price * evaluations <= WORK_LIMIT

    def left(self) -> int:
        """Evaluations of the present job that are still allowed."""
        return int((WORK_LIMIT - self._spent) / self._price)

    def spend(self, evaluations: float) -> None:
        """Count evaluations ahead; the present job counts no more by itself."""
        self._spent += self._price * evaluations
        self._price = 0.0

    def report(self, share: float, doing: str) -> None:
        """Tell how far the request is: the job, and what it says of itself."""
        words = ": ".join(filter(None, (self._doing, doing)))
        super().report((max(self._job, 0) + min(max(share, 0.0), 1.0)) / self._jobs, words)


def evaluation_price(design: Design, *, sampled: bool = False) -> float:
    """Estimated work of one evaluation of a design's numbers [µs], in a search, or sampled in a study."""
    packed = pack(design)
    base = (SAMPLE if sampled else EVALUATION) + VERTEX * len(packed.vertices)
    cells = visible_moments(packed, cells=STUDY_CELLS).cells
    return base + cells * (CELL + CELL_FACE * len(packed.faces))
