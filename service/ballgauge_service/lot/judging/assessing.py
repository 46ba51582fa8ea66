"""A lot's file from beginning to end: read, judged, added up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from ballgauge_service.lot.judging.totals import LotTotals
from ballgauge_service.lot.judging.verdicts import Verdicts, judge_balls
from ballgauge_service.lot.reading.columns import Notes, read_balls
from ballgauge_service.lot.reading.headings import QUANTITIES, LotRefused
from ballgauge_service.lot.reading.reading import LotFile
from ballgauge_service.rulebooks import Decision, Edition


class LotAssessment:
    """Judges an open lot as it is read: iterate it once for the verdicts, then ask for the report.

    Parameters
    ----------
    lot : the open file
    edition, decision : by which rules, and how uncertainty decides
    uncertainties : standard uncertainty of a quantity in its trade unit, such as a gauge study yields, for
    balls
        that state none of their own

    `notes` and `totals` grow with the chunks. Raises LotRefused while iterating: then no result stands.
    """

    def __init__(
        self,
        lot: LotFile,
        edition: Edition,
        decision: Decision | None = None,
        uncertainties: Mapping[str, float] | None = None,
    ) -> None:
        self.lot = lot
        self.edition = edition
        self.decision = decision or Decision()
        self.uncertainties = checked_uncertainties(uncertainties or {})
        self.notes = Notes()
        self.totals = LotTotals()

    def __iter__(self) -> Iterator[Verdicts]:
        for chunk in self.lot:
            balls = read_balls(chunk, self.lot.rules, self.notes)
            verdicts = judge_balls(balls, self.edition, self.decision, self.uncertainties)
            self.totals.add(balls, verdicts)
            if len(verdicts):
                yield verdicts
        self.require_balls()

    def require_balls(self) -> None:
        """Raise LotRefused, with why rows were left out, where no ball was judged."""
        if self.totals.balls:
            return
        if not self.notes.left_out:
            raise LotRefused("the file has headings and no balls")
        first: list[dict[str, Any]] = [{"detail": "no ball of the file can be judged"}]
        for note in self.notes.listed:
            place = {} if note.column is None else {"column": note.column}
            first.append({"detail": note.detail, "row": note.row, **place})
        raise LotRefused(first)

    def report(self) -> dict[str, Any]:
        """What the lot is, ready for JSON: first what was left out, then what was found."""
        notes = self.notes
        return {
            "left_out": notes.left_out,
            "left_out_cells": notes.cells,
            "left_out_by_column": dict(notes.by_column),
            "notes": [note.to_dict() for note in notes.listed],
            "blank_rows": notes.blank,
            **self.totals.to_dict(),
            "file": self.lot.told,
            "rules": {
                "body": self.edition.body,
                "on": self.edition.on.isoformat(),
                "on_given": self.edition.on_given,
                "stage": self.edition.stage,
                "edition": self.edition.edition,
                "overlay": self.edition.overlay,
            },
            "decision": {"rule": self.decision.rule, "risk": self.decision.risk},
            "uncertainties": dict(self.uncertainties),
        }


def checked_uncertainties(uncertainties: Mapping[str, float]) -> dict[str, float]:
    """The standard uncertainties, in trade units, once each is known to be a quantity's and within its range.

    Raises LotRefused naming every one that is not.
    """
    errors = []
    for name, number in uncertainties.items():
        quantity = QUANTITIES.get(name)
        if quantity is None:
            errors.append({"column": name, "detail": "no quantity of a ball"})
        elif isinstance(number, bool) or not isinstance(number, (int, float)):
            errors.append({"column": name, "detail": "the uncertainty must be a number"})
        elif not 0.0 <= number <= quantity.maximum - quantity.minimum:
            widest = quantity.maximum - quantity.minimum
            errors.append({"column": name, "detail": f"the uncertainty must be from 0 to {widest:g}"})
    if errors:
        raise LotRefused(errors)
    return {name: float(number) for name, number in uncertainties.items()}
