"""How much a request about a design may ask for, its progress, and its end where it is not wanted any more.

The work is estimated from what is asked, not from a clock, so that the same request always ends the same way.
The clock is the last resort alone, for a machine that is much slower than the estimates.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from ballgauge_service.core.budget import CancelToken, Progress, Run
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.drilling import HOLE_CELLS
from ballgauge_service.design.mass import CELLS
from ballgauge_service.design.model import STUDY_CELLS
from ballgauge_service.design.solids.packing import pack
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solids.visible import add_visible

WORK_LIMIT = 2e7
"""Most estimated work of the searches and the studies of one request [µs] (ours)."""

PROPERTIES_LIMIT = 1e7
"""Most estimated work of the mass properties of one design [µs] (ours)."""

DRILLING_LIMIT = 5e6
LEAST_HOLE_CELLS = 100
"""Most estimated work of one drilling [µs], and the least cells across a hole worth having (ours)."""

DEADLINE = 90.0
"""Seconds after which a request is ended in words (ours)."""

EVALUATION = 120.0
SAMPLE = 30.0
VERTEX = 0.02
"""Estimated work of one evaluation of the numbers, in a search and in a study, and for each vertex of the
meshes [µs] (ours, measured and rounded up)."""

CELL = 40.0
CELL_PAIR = 1.0
CELL_POINT = 0.25
CELL_FACE = 0.003
"""Estimated work of one cell of the cubature where solids cut each other off a common axis: for each pair of
solids, point of a profile and face of a mesh [µs] (ours, measured and rounded up)."""


_COMPILED = {""}
"""What has run before in this process."""


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
        self._price, self._spent, self._told = 0.0, 0.0, 0.0
        self._clock = clock
        self._began, self._kernels = clock(), ""
        self._end = self._began + DEADLINE

    def begin(self, doing: str, kernels: str, price: float = 0.0) -> None:
        """Begin the next job, each evaluation of which costs `price` [µs].

        kernels : what the job runs; the time of its first run in a process, which compiles it, does not count
        """
        self.end()
        self._job, self._doing, self._price = self._job + 1, doing, price
        self._kernels, self._began = kernels, self._clock()
        self.report(0.0, "")

    def end(self) -> None:
        """End the present job."""
        if self._kernels not in _COMPILED:
            self._end += self._clock() - self._began
            _COMPILED.add(self._kernels)

    def check(self) -> None:
        """Count one evaluation. Raises InvalidInput where work or time is up, Cancelled by the token."""
        super().check()
        self._spent += self._price
        if self._spent > WORK_LIMIT:
            words = "fewer starts, parameters, targets or points"
            raise InvalidInput([(0, "", f"too much to compute in one request: ask for {words}")])
        if self._kernels in _COMPILED and self._clock() > self._end:
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
        """Tell how far the request is, never less than before: the job, and what it says of itself."""
        words = ": ".join(filter(None, (self._doing, "" if doing in ("done", self._doing) else doing)))
        self._told = max(self._told, (max(self._job, 0) + min(max(share, 0.0), 1.0)) / self._jobs)
        super().report(self._told, words)


def _price(cut: int, design: Design) -> float:
    packed = pack(design)
    return CELL + CELL_PAIR * cut**2 + CELL_POINT * len(packed.points) + CELL_FACE * len(packed.faces)


def cell_price(design: Design) -> float:
    """Estimated work of one cell of the cubature [µs]; 0 where all of the design is closed form."""
    packed = pack(design)
    count = len(design.solids)
    group, beneath = np.empty(count, np.int64), np.empty(count, np.int64)
    cut = add_visible(packed, np.ones(count, np.bool_), group, beneath, np.empty((count, 10)))
    return _price(cut, design) if cut else 0.0


def evaluation_price(design: Design, *, sampled: bool = False) -> float:
    """Estimated work of one evaluation of a design's numbers [µs], in a search, or sampled in a study."""
    base = SAMPLE if sampled else EVALUATION
    return base + VERTEX * len(pack(design).vertices) + STUDY_CELLS * cell_price(design)


def kernels_of(design: Design) -> str:
    """Which of the engine's kernels a design runs."""
    return f"{'closed form' if cell_price(design) == 0.0 else 'cubature'}, {len(pack(design).faces) > 0}"


def cells_for(design: Design) -> tuple[int, bool]:
    """Cells of the cubature for a design's properties, and whether what each solid adds is affordable too.

    Raises InvalidInput where the design is too much to compute.
    """
    price = cell_price(design)
    if price * CELLS > PROPERTIES_LIMIT:
        text = "too much to compute: too many solids, points or faces that cut each other off a common axis"
        raise InvalidInput([(0, "/solids", text)])
    if price == 0.0:
        return CELLS, True
    affordable = int(PROPERTIES_LIMIT / (price * len(design.solids)))
    return (min(affordable, CELLS), True) if affordable >= STUDY_CELLS else (CELLS, False)


def hole_cells_for(design: Design, holes: int) -> int:
    """Cells of the cubature across each of some holes. Raises InvalidInput where they are too much."""
    affordable = int(DRILLING_LIMIT / (max(holes, 1) * _price(len(design.solids) + holes, design)))
    if affordable < LEAST_HOLE_CELLS:
        text = "too much to compute: too many holes for so many solids, points or faces"
        raise InvalidInput([(0, "/holes", text)])
    return min(affordable, HOLE_CELLS)
