"""A request about a line-up: the numbers, and the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_service.core.budget import CancelToken, Progress, Run
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.motion.delivery import STEP, deliver
from ballgauge_service.motion.line_maps import placed
from ballgauge_service.motion.lineup.answer import lineup_answer
from ballgauge_service.motion.lineup.places import Row, freshest, line_up
from ballgauge_service.motion.lineup.request import LineupRequest, MadeDesign, read_lineup
from ballgauge_service.motion.lineup.wording import Wording

WORK_LIMIT = 4.5e7
"""Most estimated work of a line-up [µs] (ours): twelve balls, six bowlers and three lanes with oil on the
cover take some 40 s on one core, and half of it on two."""


@dataclass(frozen=True, slots=True)
class Lineup:
    """A line-up as it was asked for, and what was found, a row a bowler."""

    asked: LineupRequest
    rows: list[Row]

    def answer(self, wording: Wording) -> dict[str, Any]:
        """The answer as a JSON-ready dict, with the sheets that were asked for."""
        sheets = {name: self.sheet(wording, name) for name in self.asked.sheet.formats}
        return lineup_answer(self.asked, self.rows, wording, sheets)

    def sheet(self, wording: Wording, kind: str) -> bytes:
        """The sheet as SVG, HTML or PDF."""
        # Deferred: most answers are numbers, and paper is slow to import.
        from ballgauge_service.motion.lineup.sheet import write_sheet

        return write_sheet(self.asked, self.rows, wording, kind)


def evaluate_lineup(
    request: Mapping[str, Any],
    made: Mapping[int, MadeDesign] | None = None,
    progress: Progress | None = None,
    canceled: CancelToken | None = None,
    bulk: Bulk | None = None,
) -> Lineup:
    """Line up the balls of a loaded request.

    Parameters
    ----------
    request : as `ballgauge_schemas.motion.lineup_request.LINEUP_REQUEST` loads it
    made : the numbers of its designs, by the place of their ball
    progress, canceled : see `core.budget.Run`
    bulk : who follows many deliveries; threads of this process unless given

    Raises
    ------
    InvalidInput
        Naming every impossible field.
    Canceled
        By the token.
    BulkUnavailable
    """
    asked = read_lineup(request, made or {})
    afford(asked)
    return Lineup(asked, line_up(asked, Run(progress, canceled), bulk))


def afford(asked: LineupRequest) -> None:
    """Refuse what would take minutes, by the steps of one delivery of each bowler on each lane.

    Raises InvalidInput at /deliveries.
    """
    ball, others = asked.entries[asked.reference].ball, len(asked.entries) - 1
    steps = 0
    for bowler in asked.bowlers:
        held = placed(ball, bowler)
        for column in freshest(asked.columns):
            steps += deliver(held, bowler.release.at_one_phase, column.lane, asked.settings).steps
    each = STEP * steps * len(asked.columns) / len(freshest(asked.columns))
    curves = [entry.ball.surface.curve for entry in asked.entries]
    unsure = sum(curve is not None and bool(np.any(curve.covariance)) for curve in curves)
    alike = others + 1 + unsure
    deliveries = alike * asked.deliveries + others * limits.LINEUP_SWAPS
    if each * deliveries > WORK_LIMIT:
        fits = int((WORK_LIMIT / each - others * limits.LINEUP_SWAPS) / alike)
        told = f"at most {fits} each" if fits >= 4 else "ask for fewer balls, bowlers or lanes"
        raise InvalidInput(
            [Fault("/deliveries", f"too much to compute with {asked.deliveries} a ball: {told}")]
        )
