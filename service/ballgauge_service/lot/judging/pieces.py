"""A lot judged in pieces: each read, judged and added up by itself, and put together in their order.

Sums are exact and whatever is listed is cut at the same places, so that it makes no difference who judges a
piece, nor how many do.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from ballgauge_schemas.shared.approved_list import ApprovedList
from ballgauge_schemas.shared.words import Stage
from ballgauge_service.core.bulk import Check
from ballgauge_service.lot.judging.gathering import Gathered
from ballgauge_service.lot.judging.identity import identified
from ballgauge_service.lot.judging.verdicts import Verdicts, judge_balls, words_of
from ballgauge_service.lot.reading.cells import CellRules
from ballgauge_service.lot.reading.columns import Notes, RawChunk, read_balls
from ballgauge_service.lot.reading.reading import RowGroups
from ballgauge_service.rulebooks import Decision, Edition, compile_edition
from ballgauge_service.rulebooks.model import Rulebook

Piece = RowGroups | RawChunk

Book = tuple[Rulebook, date | None, Stage]
"""By which rules: rulebook, date, stage."""


@dataclass(frozen=True, slots=True)
class Judging:
    """How the pieces of one lot are judged; see `Lot`. `rows_wanted`: whether verdicts come back.

    `ignored`: rows of the file that are no balls; `judged`: rows that are, whatever they say. `classes`: the
    rules of each class of defects.
    """

    book: Book
    decision: Decision
    uncertainties: Mapping[str, float]
    rules: CellRules
    worst_wanted: int
    serials_wanted: bool
    rows_wanted: bool
    ignored: frozenset[int] = frozenset()
    judged: frozenset[int] = frozenset()
    classes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    approved_list: ApprovedList | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """What a piece comes to: what was left out, totals without their edition, verdicts without words."""

    notes: Notes
    totals: Gathered
    verdicts: list[Verdicts]


def book_of(rules: Edition) -> Book:
    """What another process makes an edition from."""
    return rules.source, rules.on if rules.on_given else None, rules.stage


def judge_piece(judging: Judging, piece: Piece, check: Check) -> Judged:
    """Read, judge and add up a piece. Raises InvalidInput."""
    rules = compile_edition(*judging.book)
    totals = Gathered(
        edition=rules,
        worst_wanted=judging.worst_wanted,
        serials_wanted=judging.serials_wanted,
        rules_of=judging.classes,
    )
    notes = Notes()
    kept = []
    for chunk in _chunks(piece):
        check()
        balls = read_balls(chunk, judging.rules, notes, judging.ignored, judging.judged)
        if judging.approved_list is not None:
            balls = identified(balls, judging.approved_list, rules.on)
        verdicts = judge_balls(balls, rules, judging.decision, judging.uncertainties)
        totals.add(balls, verdicts)
        if judging.rows_wanted and len(verdicts):
            nothing = np.empty(0, np.int64)
            kept.append(replace(verdicts, unknown=nothing, held=nothing, rules=(), words=()))
    return Judged(notes, replace(totals, edition=None), kept)


def _chunks(piece: Piece) -> Iterator[RawChunk]:
    return piece.chunks() if isinstance(piece, RowGroups) else iter((piece,))


def worded(verdicts: Verdicts, rules: Edition) -> Verdicts:
    """Verdicts with the words that were left behind."""
    return replace(verdicts, rules=tuple(rule.id for rule in rules.rules), words=words_of(rules))
