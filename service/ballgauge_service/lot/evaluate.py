"""A lot from its file to the answer: read, judged, described, accepted or not.

The answer is the same for the same input however the rows are ordered or the file is cut, but for what names
rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import Any

import numpy as np

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.limits import NAME_MAXIMUM
from ballgauge_schemas.shared.wording import listed
from ballgauge_service.core.bulk import Bulk, Check, threads_here, unasked
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.lot.answer import DriftFindings, LotFindings, lot_answer, series_answer
from ballgauge_service.lot.judging.gathering import (
    SERIALS_MAXIMUM,
    Gathered,
    Repeats,
    find_repeats,
    once_a_ball,
)
from ballgauge_service.lot.judging.pieces import Judging, Piece, book_of, judge_piece, worded
from ballgauge_service.lot.judging.totals import QuantityTotals
from ballgauge_service.lot.judging.units import doubtful_units
from ballgauge_service.lot.judging.verdicts import Verdicts
from ballgauge_service.lot.reading.columns import Notes
from ballgauge_service.lot.reading.headings import QUANTITIES, bad_file, file_fault
from ballgauge_service.lot.reading.reading import LotFile
from ballgauge_service.lot.reading.text import Source
from ballgauge_service.lot.request import DriftChart, LotRequest
from ballgauge_service.lot.sampling.acceptance import (
    ClassDecision,
    Counts,
    PlanDecision,
    accept_lot,
    apply_sample_rules,
    decide_by_count,
    decide_by_variables,
    draw_from_rows,
)
from ballgauge_service.lot.sampling.choice import (
    ChosenPlan,
    choose_plan,
    plan_curves,
    plan_for_every_ball,
    plan_without,
)
from ballgauge_service.lot.sampling.classes import limits_by_class, plan_of_class
from ballgauge_service.lot.sampling.tables import SwitchingState, switching_step
from ballgauge_service.lot.statistics.basics import BadArgument, DrawnSample, draw_sample
from ballgauge_service.lot.statistics.characteristics import describe_quantities
from ballgauge_service.lot.statistics.drift import ewma_chart, shewhart_chart, stable_width
from ballgauge_service.lot.statistics.nonconforming import (
    DefectsPerMillion,
    clopper_pearson,
    defects_per_million,
    nonconforming_fraction,
)
from ballgauge_service.rulebooks import OUTCOMES

Told = Callable[[int, int | None], object]


class Lot:
    """One lot being judged. Iterate it once for the verdicts, chunk by chunk; then ask for its `answer`.

    Parameters
    ----------
    source : path, or a stream of bytes
    name : the file's name, for its format and for the answer
    request : how it is judged
    chunk_bytes : how much is read at a time; no result depends on it
    bulk : who judges the pieces; threads of this process unless given
    rows_wanted : whether the verdicts are given; without them iterating gives nothing and is quicker
    streamed : whether each piece is judged before more is read, so that its verdicts leave at once
    told, check : called with the rows judged and those there are (None: not known), and asked between pieces

    Raises InvalidInput, here or while iterating, where the file as a whole cannot be judged; BulkUnavailable.
    """

    def __init__(
        self,
        source: str | Source,
        name: str | None,
        request: LotRequest,
        *,
        chunk_bytes: int | None = None,
        bulk: Bulk | None = None,
        rows_wanted: bool = True,
        streamed: bool = False,
        told: Told | None = None,
        check: Check = unasked,
    ) -> None:
        self.request = request
        self.name = None if name is None else PurePath(name.replace("\\", "/")).name[:NAME_MAXIMUM]
        options = request.file if chunk_bytes is None else replace(request.file, chunk_bytes=chunk_bytes)
        self.file = LotFile(source, options, name)
        self._bulk = bulk or threads_here()
        self._rows_wanted, self._streamed, self._told, self._check = rows_wanted, streamed, told, check
        self.notes = Notes()
        self.totals = Gathered(
            edition=request.edition,
            worst_wanted=request.worst_balls,
            serials_wanted=request.draw is not None,
        )

    def __iter__(self) -> Iterator[Verdicts]:
        judging = Judging(
            book_of(self.request.edition),
            self.request.decision,
            self.request.uncertainties,
            self.file.rules,
            self.totals.worst_wanted,
            self.totals.serials_wanted,
            self._rows_wanted,
            frozenset(self.request.file.rows_ignored),
            frozenset(self.request.file.rows_judged),
            self.request.classes,
            self.request.approved_list,
        )
        pieces, ahead = self._pieces()
        for judged in self._bulk.map(judge_piece, judging, pieces, self._check, ahead):
            self.notes.merge(judged.notes)
            self.totals.merge(judged.totals)
            self._tell()
            yield from (worded(verdicts, self.request.edition) for verdicts in judged.verdicts)
        self._require_balls()

    def _pieces(self) -> tuple[Iterator[Piece], int]:
        """The pieces, and how many are judged ahead for each thread."""
        path = self.file.cut_path
        if path is not None and self._bulk.reads(path, own=self.file.spooled):
            return self.file.pieces(), 1
        whole = self.file.format in ("xlsx", "parquet")
        return iter(self.file), 1 if whole or not self._streamed else 0

    def _tell(self) -> None:
        """Say how far it is. Raises InvalidInput where there are more balls than the lot has."""
        done, lot_size = self.totals.balls + self.notes.left_out, self.request.sampling.lot_size
        if lot_size is not None and done > lot_size:
            raise bad_file(f"the file has more balls than the lot of {lot_size} they are a sample of")
        if self._told is not None:
            self._told(done, self.file.rows)

    def _require_balls(self) -> None:
        """Raise InvalidInput where no ball was judged, with why, and where a column's unit is in doubt."""
        if self.totals.balls:
            if not any(sums.count for sums in self.totals.quantities.values()):
                raise bad_file("no ball of the file has a measured value")
            doubts = doubtful_units(self.totals, self.file.headings, self.notes.units_named)
            if doubts:
                raise InvalidInput(doubts)
            return
        if not self.notes.left_out:
            raise bad_file("the file has headings and no balls")
        reasons = [file_fault(note.detail, row=note.row, column=note.column) for note in self.notes.listed]
        raise InvalidInput([file_fault("no ball of the file can be judged"), *reasons])

    def close(self) -> None:
        """Let the file go, and what was spooled of it."""
        self.file.close()

    def __enter__(self) -> Lot:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def counts(self, repeats: Repeats) -> Counts:
        """Balls by outcome within the scope asked for, and rows left out; a repeated serial is one ball."""
        if repeats.count:
            _, _, codes = self.totals.serials.balls(self._measured())
            by_code = np.bincount(codes, minlength=len(OUTCOMES)).tolist()
            return Counts(**dict(zip(OUTCOMES, by_code, strict=True)), left_out=self.notes.left_out)
        by_name = dict(zip(OUTCOMES, self.totals.outcomes.tolist(), strict=True))
        passed = self.totals.conforming_where_measured() if self.request.scope == "measured" else 0
        return Counts(
            by_name["conforming"] + passed,
            by_name["nonconforming"],
            by_name["inconclusive"],
            by_name["not_assessed"] - passed,
            self.notes.left_out,
        )

    def _measured(self) -> int | None:
        """The rules, as bits, that a ball must be assessed by; None: all, also where none was measured."""
        return (self.totals.measured_mask() or None) if self.request.scope == "measured" else None

    def by_count(self, plan: ChosenPlan, counts: Counts) -> PlanDecision:
        """What the attributes plan decides: of more balls than it asks for, by a sample drawn from them."""
        size, seed = plan.sample_size, self.request.sampling.seed
        if counts.rows <= size:
            return decide_by_count(plan, counts)
        balls = self.totals.serials.balls(self._measured())
        return decide_by_count(plan, *draw_from_rows(*balls, self.notes.left_out, size, seed))

    def by_class(self, plan: ChosenPlan, counts: Counts) -> tuple[ClassDecision, ...]:
        """What the plan of each class of defects decides, by the rules of the class alone."""
        request, found = self.request, []
        aqls = limits_by_class(request.sampling.classes, request.classes)
        for name, aql in aqls.items():
            own = plan_of_class(aql, request.sampling, plan, counts.rows)
            balls = self.totals.by_class[name].balls(self._measured())
            size, left_out = own.sample_size, self.notes.left_out
            drawn = None
            if counts.rows > size:
                seed = request.sampling.seed
                told, drawn = draw_from_rows(*balls, left_out, size, seed)
            else:
                codes = np.bincount(balls[2], minlength=len(OUTCOMES)).tolist()
                told = Counts(**dict(zip(OUTCOMES, codes, strict=True)), left_out=left_out)
            found.append(
                ClassDecision(name, aql, request.classes[name], own, decide_by_count(own, told, drawn))
            )
        return tuple(found)

    def answer(self) -> dict[str, Any]:
        """The answer, ready for JSON. Raises InvalidInput where no sample can be drawn as asked."""
        return lot_answer(self.findings(self.request.sampling.start))

    def findings(self, state: SwitchingState | None, place: int = 0) -> LotFindings:
        """What was found, once the lot was iterated. Raises InvalidInput as `answer` does.

        state: where its series stands before it, None where it is of none; place: of the lot in the series.
        """
        request, edition = self.request, self.request.edition
        titles = {rule.id: rule.title for rule in edition.rules}
        ordered = self.totals.ordered()
        repeats = find_repeats(self.totals, ordered)
        totals, balls_once = self.totals, ordered
        if repeats.count and ordered is not None:
            totals, balls_once = once_a_ball(self.totals, ordered)
        counts = self.counts(repeats)
        plan = _plan_in_force(request, counts, state)
        by_count = self.by_count(plan, counts)
        stopped = state is not None and state.discontinued
        step = None
        if state is not None and not stopped:
            assert plan.lot_size is not None
            assert plan.aql is not None
            # A ball that was not decided may be nonconforming here too.
            level = plan.level or limits.LEVEL
            step = switching_step(place, state, plan.lot_size, by_count.most, plan.aql, level)
        quantities = describe_quantities(totals, balls_once, request.confidence, request.coverage)
        by_name = {each.quantity: each for each in quantities}
        undecided = self.totals.open_limits()
        variables = [
            decide_by_variables(test, by_name.get(test.quantity), balls_once, undecided.get(test.quantity))
            for test in request.variables
        ]
        in_force = [
            rule
            for rule in edition.source.sample_rules
            if rule.effective_from is None or rule.effective_from <= edition.on
        ]
        samples = apply_sample_rules(in_force, balls_once, edition.on, request.confidence)
        acceptance = accept_lot(
            plan,
            by_count,
            variables,
            samples,
            sample_rules_count=edition.stage == "approval",
            nonconforming=counts.nonconforming,
            scope=request.scope,
            not_judged=tuple(titles[rule] for rule in self.totals.measured_rules()[1]),
            discontinued=stopped,
            classes=self.by_class(plan, counts),
        )
        balls = counts.rows - counts.left_out
        _, upper = clopper_pearson(
            counts.nonconforming + counts.undecided, counts.rows, confidence=request.confidence, side="upper"
        )
        defects, rules_judged = self._defects()
        return LotFindings(
            request=request,
            name=self.name,
            file=self.file.found,
            digest=self.file.digest(),
            notes=self.notes,
            totals=self.totals,
            repeats=repeats,
            counts=counts,
            plan=plan,
            step=step,
            state=state if step is None else step.next,
            curves=plan_curves(plan),
            acceptance=acceptance,
            nonconforming=nonconforming_fraction(
                counts.nonconforming,
                balls,
                lot_size=balls if request.sampling.rows == "every_ball" else request.sampling.lot_size,
                confidence=request.confidence,
            ),
            upper_with_undecided=float(upper),
            defects=defects,
            rules_judged=rules_judged,
            quantities=quantities,
            sample_rules=samples,
            variables=variables,
            drawn=self._drawn(),
            by_model=self.totals.by_kind(self._measured()),
        )

    def _defects(self) -> tuple[DefectsPerMillion | None, int]:
        """Defects per million, each rule judged on a ball one chance; and the rules judged on any ball."""
        good, bad = (1 + OUTCOMES.index(outcome) for outcome in ("conforming", "nonconforming"))
        rules = [rule.id for rule in self.request.edition.rules if not rule.advisory]
        rows = [self.totals.by_rule[rule] for rule in rules if rule in self.totals.by_rule]
        judged = [int(row[good] + row[bad]) for row in rows]
        if not sum(judged):
            return None, 0
        broken = sum(int(row[bad]) for row in rows)
        found = defects_per_million(broken, sum(judged), confidence=self.request.confidence)
        return found, sum(1 for number in judged if number)

    def _drawn(self) -> DrawnSample | None:
        draw = self.request.draw
        if draw is None:
            return None
        serials = self.totals.serials_seen()
        if len(serials) > SERIALS_MAXIMUM:
            raise bad_file(
                f"a sample is drawn from at most {SERIALS_MAXIMUM} serials; the file has {len(serials)}"
            )
        without = sum(serial is None for serial in serials)
        if without:
            raise bad_file(f"a sample is drawn by serial; {without} balls have none", column="serial")
        size = draw.sample_size or self._planned_sample()
        try:
            return draw_sample([str(serial) for serial in serials], size, draw.seed)
        except ValueError as error:
            raise bad_file(str(error), column="serial") from None

    def _planned_sample(self) -> int:
        whole = replace(self.request.sampling, stated_rows="sample", lot_size=self.totals.balls)
        plan = self.request.plan or choose_plan(whole)
        assert plan is not None
        return min(plan.sample_size, self.totals.balls)


def _plan_in_force(request: LotRequest, counts: Counts, state: SwitchingState | None) -> ChosenPlan:
    sampling = request.sampling
    if state is not None:
        found = choose_plan(replace(sampling.under(state.inspection), history=None))
        assert found is not None
        return found
    if request.plan is not None:
        return request.plan
    if sampling.rows == "every_ball":
        return plan_for_every_ball(counts.rows, None if sampling.plan is None else sampling.plan.aql)
    return plan_without(counts.rows, sampling.lot_size)


def evaluate_series(lots: Sequence[Lot]) -> dict[str, Any]:
    """The answer on several lots in time order, each iterated before."""
    request = lots[0].request
    if 0 < len(request.sampling.lot_sizes) != len(lots):
        raise InvalidInput([Fault("/sampling/lot_sizes", f"must be one a file: {len(lots)} files")])
    found: list[LotFindings] = []
    for place, lot in enumerate(lots):
        found.append(lot.findings(found[-1].state if found else request.sampling.start, place))
    names: list[str] = []
    for number, lot in enumerate(lots, 1):
        name = lot.name or f"lot {number}"
        names.append(name if name not in names else f"{name} ({number})")
    charted = [name for name in QUANTITIES if any(name in lot.totals.quantities for lot in lots)]
    drift = [
        _drift(name, [lot.totals.quantities.get(name) for lot in lots], names, request.drift, len(charted))
        for name in charted
    ]
    return series_answer(names, found, drift)


def _drift(
    quantity: str,
    held: Sequence[QuantityTotals | None],
    names: Sequence[str],
    chart: DriftChart,
    quantities: int,
) -> DriftFindings:
    """The charts of one of so many quantities, over the lots that have it."""
    usable = [(place, sums) for place, sums in enumerate(held) if sums is not None and sums.count >= 2]
    lacking = [names[place] for place, sums in enumerate(held) if sums is None or sums.count < 2]
    note = f"lots with fewer than two values are left out: {listed(lacking, 'and')}" if lacking else None
    if len(usable) < 2:
        text = "not charted: it needs two lots or more, each with two values or more"
        return DriftFindings(quantity, text)
    places, means = [place for place, _ in usable], [sums.mean or 0.0 for _, sums in usable]
    sizes, spreads = (
        [sums.count for _, sums in usable],
        [sums.standard_deviation or 0.0 for _, sums in usable],
    )
    labels = [names[place] for place in places]
    baseline = sum(place < (chart.baseline or len(held)) for place in places)
    if baseline < 2:
        return DriftFindings(quantity, "not charted: limits need two lots of the baseline or more")
    width = stable_width(len(usable), baseline, chart.weight, quantities)
    try:
        shewhart = shewhart_chart(
            means, spreads, sizes, baseline=baseline, lots_differ=True, width=width, names=labels
        )
        ewma = ewma_chart(
            means, sizes, centre=shewhart.centre, sigma=shewhart.sigma, between=shewhart.between,
            weight=chart.weight, width=width, names=labels,
        )  # fmt: skip
    except BadArgument:
        return DriftFindings(quantity, "not charted: every value of every lot is the same")
    signals = [replace(signal, lot=places[signal.lot]) for signal in (*shewhart.signals, *ewma.signals)]
    return DriftFindings(quantity, note, shewhart, ewma, tuple(places), tuple(signals))
