"""A delivery from its files to the answer: read, judged, described, accepted or not.

The request is a loaded `LotRequest` (ballgauge_schemas.lots); the answer is JSON-ready, the same for the same
input however the rows are ordered or the file is cut, but for what names rows. What was left out stands
first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from ballgauge_schemas.shared import limits, words
from ballgauge_service.core.bulk import Bulk, Check, threads_here, unasked
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.judging.assessing import LotAssessment
from ballgauge_service.lot.judging.gathering import SERIALS_MAXIMUM, Gathered
from ballgauge_service.lot.judging.pieces import Judging, Piece, add_notes, book_of, judge_piece, worded
from ballgauge_service.lot.judging.totals import KEPT_MAXIMUM
from ballgauge_service.lot.judging.verdicts import Verdicts
from ballgauge_service.lot.reading.headings import QUANTITIES, LotRefused
from ballgauge_service.lot.reading.reading import LotFile, ReadingOptions
from ballgauge_service.lot.reading.text import Source
from ballgauge_service.lot.sampling.acceptance import (
    ORDER,
    Counts,
    accept_lot,
    apply_sample_rules,
    counted,
    decide_by_count,
    decide_by_variables,
)
from ballgauge_service.lot.sampling.choice import (
    ChosenPlan,
    choose_plan,
    choose_variables_plans,
    plan_curves,
    plan_for_every_ball,
    plan_without,
    rows_are,
    variables_curve,
)
from ballgauge_service.lot.sampling.switching import run_switching
from ballgauge_service.lot.sampling.variables import VariablesPlan
from ballgauge_service.lot.statistics.characteristics import SMALL_SAMPLE, describe_quantities, unit_of
from ballgauge_service.lot.statistics.drift import ewma_chart, shewhart_chart
from ballgauge_service.lot.statistics.gauge_study import gauge_study, instrument_offsets
from ballgauge_service.lot.statistics.nonconforming import (
    clopper_pearson,
    defects_per_million,
    nonconforming_fraction,
)
from ballgauge_service.lot.statistics.sample_draw import draw_sample
from ballgauge_service.rulebooks import (
    OUTCOMES,
    Decision,
    Edition,
    UnknownRulebookError,
    edition,
    sample_rules,
)

Told = Callable[[int, int | None], object]

_ADVICE = "This is advice from the values given: only the governing body decides and approves."


@dataclass(frozen=True)
class Prepared:
    """A request that can be carried out, before any file is read.

    `uncertainties` in trade units; `studies` the measurement studies, JSON-ready; `plan` None where it
    depends on the file.
    """

    asked: Mapping[str, Any]
    edition: Edition
    decision: Decision
    uncertainties: Mapping[str, float]
    studies: Mapping[str, list[dict[str, Any]]]
    plan: ChosenPlan | None
    variables: Sequence[tuple[str, float | None, VariablesPlan]]

    @property
    def rows(self) -> str:
        """What the rows are: `sample` or `every_ball`."""
        return rows_are(self.asked["sampling"])


def prepare(asked: Mapping[str, Any]) -> Prepared:
    """Make ready what a loaded request asks for. Raises InvalidInput naming every impossible field."""
    rules, decision = asked["rules"], asked["decision"]
    errors: list[tuple[int, str, str]] = []
    made: dict[str, Any] = {}
    steps: dict[str, Callable[[], Any]] = {
        "edition": lambda: edition(rules["body"], rules.get("on"), rules["stage"], rules.get("overlay")),
        "plan": lambda: choose_plan(asked["sampling"]),
        "variables": lambda: choose_variables_plans(asked["sampling"]),
        "studies": lambda: _studies(asked),
    }
    for name, make in steps.items():
        try:
            made[name] = make()
        except UnknownRulebookError as unknown:
            errors.append((0, "/rules/overlay", str(unknown)))
        except InvalidInput as refused:
            errors.extend(refused.errors)
    if "draw" in asked and "sample_size" not in asked["draw"] and "plan" not in asked["sampling"]:
        errors.append((0, "/draw/sample_size", "missing; without a plan the sample's size must be given"))
    if errors:
        raise InvalidInput(errors)
    uncertainties = {name: quantity.value for name, quantity in asked["uncertainties"].items()}
    uncertainties |= {study["quantity"]: study["standard_uncertainty"] for study in made["studies"]["gauges"]}
    return Prepared(
        asked,
        made["edition"],
        Decision(decision["rule"], decision["risk"]),
        uncertainties,
        made["studies"],
        made["plan"],
        made["variables"],
    )


def _studies(asked: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    gauges, instruments = [], []
    for index, study in enumerate(asked["gauge_studies"]):
        try:
            found = gauge_study(
                study["measurements"],
                readings_averaged=study.get("readings_averaged", limits.READINGS_AVERAGED),
            )
        except ValueError as error:
            raise InvalidInput([(0, f"/gauge_studies/{index}/measurements", str(error))]) from None
        gauges.append({"quantity": study["quantity"], "unit": unit_of(study["quantity"]), **found.to_dict()})
    for index, study in enumerate(asked["instrument_studies"]):
        try:
            offsets = instrument_offsets(
                study["measurements"],
                study["instruments"],
                reference=study.get("reference"),
                confidence=asked["confidence"],
            )
        except ValueError as error:
            raise InvalidInput([(0, f"/instrument_studies/{index}/measurements", str(error))]) from None
        instruments.append(
            {"quantity": study["quantity"], "unit": unit_of(study["quantity"]), **offsets.to_dict()}
        )
    return {"gauges": gauges, "instruments": instruments}


class Delivery:
    """One lot being judged. Iterate it once for the verdicts, chunk by chunk; then ask for `result`.

    Parameters
    ----------
    source : path, or a stream of bytes
    name : the file's name, for its format and for the answer
    prepared : the request
    chunk_bytes : how much is read at a time; no result depends on it
    bulk : who judges the pieces; threads of this process unless given
    rows_wanted : whether the verdicts are given; without them iterating gives nothing and is quicker
    streamed : whether each piece is judged before more is read, so that its verdicts leave at once
    told, check : called with the rows judged and those there are (None: not known), and asked between pieces

    Raises LotRefused, here or while iterating, where the file as a whole cannot be judged; BulkUnavailable.
    """

    def __init__(
        self,
        source: str | Source,
        name: str | None,
        prepared: Prepared,
        *,
        chunk_bytes: int | None = None,
        bulk: Bulk | None = None,
        rows_wanted: bool = True,
        streamed: bool = False,
        told: Told | None = None,
        check: Check = unasked,
    ) -> None:
        self.prepared = prepared
        self.name = None if name is None else PurePath(name.replace("\\", "/")).name[: limits.NAME_MAXIMUM]
        self.file = LotFile(source, _reading(prepared.asked["file"], chunk_bytes), name)
        self._bulk = bulk or threads_here()
        self._rows_wanted, self._streamed, self._told, self._check = rows_wanted, streamed, told, check
        asked = prepared.asked
        self.assessment = LotAssessment(
            self.file, prepared.edition, prepared.decision, dict(prepared.uncertainties)
        )
        self.totals = Gathered(
            edition=prepared.edition,
            worst_wanted=asked.get("worst_balls", limits.WORST_BALLS),
            serials_wanted="draw" in asked,
        )
        self.assessment.totals = self.totals

    def __iter__(self) -> Iterator[Verdicts]:
        judging = Judging(
            book_of(self.prepared.edition),
            self.prepared.decision,
            self.assessment.uncertainties,
            self.file.rules,
            self.totals.worst_wanted,
            self.totals.serials_wanted,
            self._rows_wanted,
        )
        pieces, ahead = self._pieces()
        for judged in self._bulk.map(judge_piece, judging, pieces, self._check, ahead):
            add_notes(self.assessment.notes, judged.notes)
            self.totals.merge(judged.totals)
            self._tell()
            yield from (worded(verdicts, self.prepared.edition) for verdicts in judged.verdicts)
        self.assessment.require_balls()

    def _pieces(self) -> tuple[Iterator[Piece], int]:
        """The pieces, and how many are judged ahead for each thread."""
        path = self.file.cut_path
        if path is not None and self._bulk.reads(path, own=self.file.spooled):
            return self.file.pieces(), 1
        whole = self.file.format in ("xlsx", "parquet")
        return iter(self.file), 1 if whole or not self._streamed else 0

    def _tell(self) -> None:
        """Say how far it is. Raises LotRefused where there are more balls than the lot has."""
        done = self.totals.balls + self.assessment.notes.left_out
        lot_size = self.prepared.asked["sampling"].get("lot_size")
        if lot_size is not None and done > lot_size:
            raise LotRefused(f"the file has more balls than the lot of {lot_size} they are a sample of")
        if self._told is not None:
            self._told(done, self.file.rows)

    def close(self) -> None:
        """Let the file go, and what was spooled of it."""
        self.file.close()

    def __enter__(self) -> Delivery:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def counts(self) -> Counts:
        """Balls by outcome within the scope asked for, and rows left out."""
        by_name = dict(zip(OUTCOMES, self.totals.outcomes.tolist(), strict=True))
        passed = self.totals.conforming_where_measured() if self.prepared.asked["scope"] == "measured" else 0
        return Counts(
            by_name["conforming"] + passed,
            by_name["nonconforming"],
            by_name["inconclusive"],
            by_name["not_assessed"] - passed,
            self.assessment.notes.left_out,
        )

    def result(self) -> dict[str, Any]:
        """The answer on the lot, ready for JSON. Raises LotRefused where no sample can be drawn as asked."""
        prepared, counts = self.prepared, self.counts
        asked = prepared.asked
        plan = _plan_in_force(prepared, counts)
        ordered = self.totals.ordered()
        quantities = describe_quantities(self.totals, ordered, asked)
        by_name = {each["quantity"]: each for each in quantities}
        variables = [
            decide_by_variables(name, sigma, made, by_name.get(name))
            for name, sigma, made in prepared.variables
        ]
        values = None if ordered is None else ordered.values
        body, overlay = asked["rules"]["body"], asked["rules"].get("overlay")
        samples = apply_sample_rules(
            _sample_rules_in_force(body, overlay, prepared), values, asked["confidence"]
        )
        accepted = accept_lot(
            plan,
            decide_by_count(plan, counts),
            variables,
            samples,
            sample_rules_count=prepared.edition.stage == "approval",
            scope=asked["scope"],
            not_judged=tuple(self._titles(self.totals.measured_rules()[1])),
        )
        curves = plan_curves(plan)
        return {
            "left_out": self._left_out(),
            "acceptance": accepted.to_dict(),
            "counts": {"rows": counts.rows, "balls": self.totals.balls, **counts._asdict()},
            "nonconforming": _nonconforming(counts, prepared),
            "defects": _defects(self.totals, prepared),
            "outcomes": dict(zip(OUTCOMES, self.totals.outcomes.tolist(), strict=True)),
            "by_rule": _by_rule(self.totals),
            "quantities": quantities,
            "sample_rules": samples,
            "plan": plan.to_dict(),
            "curves": None if curves is None else curves.to_dict(),
            "variables": [{**each.to_dict(), "curve": variables_curve(each.plan)} for each in variables],
            "worst_balls": self.totals.worst(),
            "drawn": self._drawn(),
            "measurement": {name: list(studies) for name, studies in prepared.studies.items()},
            "file": {"name": self.name, **self.file.told},
            "cautions": self._cautions(),
            "assumptions": self._assumptions(plan),
            "rules": _rules(prepared.edition),
            "decision": {"rule": prepared.decision.rule, "risk": prepared.decision.risk},
            "uncertainties": dict(prepared.uncertainties),
            "confidence": asked["confidence"],
            "coverage": asked["coverage"],
            "units": {each["quantity"]: each["unit"] for each in quantities},
        }

    def _titles(self, rules: Sequence[str]) -> list[str]:
        regime = self.prepared.edition.regime
        return [regime.rules[regime.index[rule]].rule.title for rule in rules]

    def _left_out(self) -> dict[str, Any]:
        notes = self.assessment.notes
        repeated, listed = self.totals.serials.repeated()
        return {
            "rows": notes.left_out,
            "cells": notes.cells,
            "blank_rows": notes.blank,
            "by_column": dict(sorted(notes.by_column.items())),
            "listed": [note.to_dict() for note in notes.listed],
            "repeated_serials": {"count": repeated, "listed": listed},
        }

    def _drawn(self) -> dict[str, Any] | None:
        draw = self.prepared.asked.get("draw")
        if draw is None:
            return None
        serials = self.totals.serials_seen()
        if len(serials) > SERIALS_MAXIMUM:
            raise LotRefused(
                f"a sample is drawn from at most {SERIALS_MAXIMUM} serials; the file has {len(serials)}"
            )
        without = sum(serial is None for serial in serials)
        if without:
            raise LotRefused(f"a sample is drawn by serial; {without} balls have none", column="serial")
        size = draw.get("sample_size") or self._planned_sample()
        try:
            return draw_sample([str(serial) for serial in serials], size, draw["seed"]).to_dict()
        except ValueError as error:
            raise LotRefused(str(error), column="serial") from None

    def _planned_sample(self) -> int:
        sampling = self.prepared.asked["sampling"]
        plan = self.prepared.plan or choose_plan(
            {**sampling, "rows": "sample", "lot_size": self.totals.balls}
        )
        assert plan is not None
        return min(plan.sample_size, self.totals.balls)

    def _cautions(self) -> list[dict[str, str]]:
        notes, counts = self.assessment.notes, self.counts
        found = []
        if notes.left_out:
            text = (
                f"{counted(notes.left_out, 'row')} left out that could not be read as a ball; the decision "
                "takes each as one that may be nonconforming."
            )
            found.append({"code": "rows_left_out", "message": text})
        repeated, _ = self.totals.serials.repeated()
        if repeated:
            text = f"Repeated serials: {repeated}; each row is judged as a ball of its own."
            found.append({"code": "repeated_serials", "message": text})
        if self.totals.balls < SMALL_SAMPLE:
            text = f"A small sample, {counted(self.totals.balls, 'ball')}: bounds are wide and tests weak."
            found.append({"code": "small_sample", "message": text})
        if counts.not_assessed:
            text = (
                f"Not assessed by every rule: {counted(counts.not_assessed, 'ball')}; none of them is a pass."
            )
            found.append({"code": "not_assessed", "message": text})
        found.append({"code": "advice_only", "message": _ADVICE})
        return found

    def _assumptions(self, plan: ChosenPlan) -> list[str]:
        prepared, given = self.prepared, self.totals.quantities
        asked = prepared.asked
        taken = [
            "The rows are every ball of the lot."
            if prepared.rows == "every_ball"
            else "The rows are a random sample of the lot, drawn before anything was known of its balls."
        ]
        if "rows" not in asked["sampling"] and "lot_size" not in asked["sampling"]:
            taken.append("No lot size is given: the rows are taken as the whole lot.")
        if asked["scope"] == "measured":
            taken.append(
                "The lot is judged by the rules on what the file measures; the others were set aside."
            )
        if plan.kind in ("none", "every_ball") and plan.acceptance_number == 0:
            taken.append("The lot is accepted only where no ball of it may be nonconforming.")
        if plan.kind == "every_ball" and plan.aql is not None:
            taken.append(f"Every ball was measured: at most {plan.aql:g} % nonconforming balls are accepted.")
        if "circumference" not in given and "diameter" in given:
            taken.append("The circumference is the diameter times pi.")
        if not prepared.edition.on_given:
            taken.append(
                f"No date is given: the rules are those in force on {prepared.edition.on}, the day the "
                "rulebook was compiled."
            )
        if self.totals.balls > KEPT_MAXIMUM:
            taken.append(
                f"More than {KEPT_MAXIMUM} balls: run charts, capability and normality are left out."
            )
        return taken


def _reading(asked: Mapping[str, Any], chunk_bytes: int | None) -> ReadingOptions:
    separator = asked.get("separator")
    given = {
        "format": asked.get("format"),
        "mapping": asked.get("mapping", {}),
        "encoding": asked.get("encoding"),
        "separator": "\t" if separator == words.SEPARATORS[-1] else separator,
        "decimal": asked.get("decimal"),
        "missing": tuple(asked["missing"]),
        "sheet": asked.get("sheet"),
    }
    return (
        ReadingOptions(**given) if chunk_bytes is None else ReadingOptions(**given, chunk_bytes=chunk_bytes)
    )


def _plan_in_force(prepared: Prepared, counts: Counts) -> ChosenPlan:
    sampling = prepared.asked["sampling"]
    if prepared.plan is not None:
        return prepared.plan
    if prepared.rows == "every_ball":
        return plan_for_every_ball(counts.rows, sampling.get("plan"))
    return plan_without(counts.rows, sampling.get("lot_size"))


def _sample_rules_in_force(body: str, overlay: str | None, prepared: Prepared) -> dict[str, Any]:
    """The rules on samples that had begun on the edition's date."""
    return {
        name: rule
        for name, rule in sample_rules(body, overlay).items()
        if rule.effective_from is None or rule.effective_from <= prepared.edition.on
    }


def _nonconforming(counts: Counts, prepared: Prepared) -> dict[str, Any]:
    """The nonconforming fraction of the balls judged, and its upper bound with all undecided ones."""
    confidence, sampling = prepared.asked["confidence"], prepared.asked["sampling"]
    balls = counts.rows - counts.left_out
    lot_size = balls if prepared.rows == "every_ball" else sampling.get("lot_size")
    found = nonconforming_fraction(counts.nonconforming, balls, lot_size=lot_size, confidence=confidence)
    undecided = counts.inconclusive + counts.not_assessed + counts.left_out
    _, upper = clopper_pearson(
        counts.nonconforming + undecided, counts.rows, confidence=confidence, side="upper"
    )
    return {**found.to_dict(), "undecided": undecided, "upper_with_undecided": float(upper)}


def _defects(totals: Gathered, prepared: Prepared) -> dict[str, Any] | None:
    """Defects per million: each rule judged on a ball is one opportunity. None where nothing was judged."""
    codes = dict(zip(("not_judged", *OUTCOMES), range(len(OUTCOMES) + 1), strict=True))
    counted = [item.rule.id for item in prepared.edition.regime.rules if not item.rule.advisory]
    rows = [totals.by_rule[name] for name in counted if name in totals.by_rule]
    judged = [int(row[codes["conforming"]] + row[codes["nonconforming"]]) for row in rows]
    if not sum(judged):
        return None
    broken = sum(int(row[codes["nonconforming"]]) for row in rows)
    found = defects_per_million(broken, sum(judged), confidence=prepared.asked["confidence"]).to_dict()
    found["opportunities"] = found.pop("balls")
    return {**found, "rules_judged": sum(1 for number in judged if number)}


def _by_rule(totals: Gathered) -> list[dict[str, Any]]:
    """Each rule that reaches any ball, the ones broken most often first."""
    assert totals.edition is not None
    names = ("not_judged", *OUTCOMES)
    found = []
    for item in totals.edition.regime.rules:
        counted = totals.by_rule.get(item.rule.id)
        if counted is None or int(counted[1:].sum()) == 0:
            continue
        found.append(
            {
                "rule": item.rule.id,
                "title": item.rule.title,
                "quantity": item.rule.quantity,
                "unit": item.rule.unit,
                "advisory": item.rule.advisory,
                "decides": totals.decided_by.get(item.rule.id, 0),
                **dict(zip(names, counted.tolist(), strict=True)),
            }
        )
    return sorted(
        found, key=lambda each: (-each["nonconforming"], -each["inconclusive"], -each["not_assessed"])
    )


def _rules(judged_by: Edition) -> dict[str, Any]:
    return {
        "body": judged_by.body,
        "on": judged_by.on.isoformat(),
        "stage": judged_by.stage,
        "edition": judged_by.edition,
        "overlay": judged_by.overlay,
    }


def series_result(deliveries: Sequence[Delivery]) -> dict[str, Any]:
    """The answer on several lots in time order: each lot's own, the drift, the switching rules."""
    prepared = deliveries[0].prepared
    lots = [delivery.result() for delivery in deliveries]
    outcome = min((lot["acceptance"]["outcome"] for lot in lots), key=ORDER.index)
    names = _lot_names(deliveries)
    return {
        "left_out": {"rows": sum(lot["left_out"]["rows"] for lot in lots)},
        "outcome": outcome,
        "lots_accepted": sum(lot["acceptance"]["lot_accepted"] is True for lot in lots),
        "names": names,
        "drift": _drift(deliveries, names),
        "switching": _switching(prepared, deliveries),
        "lots": lots,
        "cautions": [{"code": "advice_only", "message": _ADVICE}],
    }


def _lot_names(deliveries: Sequence[Delivery]) -> list[str]:
    """A name for every lot, no two alike."""
    found: list[str] = []
    for number, delivery in enumerate(deliveries, 1):
        name = delivery.name or f"lot {number}"
        found.append(name if name not in found else f"{name} ({number})")
    return found


def _drift(deliveries: Sequence[Delivery], names: list[str]) -> list[dict[str, Any]]:
    asked = deliveries[0].prepared.asked["drift"]
    found = []
    for quantity in QUANTITIES:
        held = [delivery.totals.quantities.get(quantity) for delivery in deliveries]
        if not any(held):
            continue
        entry: dict[str, Any] = {
            "quantity": quantity,
            "unit": unit_of(quantity),
            "note": None,
            "shewhart": None,
        }
        entry |= {"ewma": None, "signals": []}
        usable = [sums for sums in held if sums is not None and sums.count >= 2]
        if len(usable) < max(len(deliveries), 2):
            entry["note"] = "not charted: it needs two lots or more, each with two values or more"
        else:
            try:
                entry |= _charts(usable, names, asked)
            except ValueError as error:
                entry["note"] = f"not charted: {error}"
        found.append(entry)
    return found


def _charts(held: list[Any], names: list[str], asked: Mapping[str, Any]) -> dict[str, Any]:
    means = [sums.mean for sums in held]
    sizes = [sums.count for sums in held]
    baseline = min(asked.get("baseline", len(held)), len(held))
    shewhart = shewhart_chart(
        means, [sums.standard_deviation for sums in held], sizes, baseline=baseline, names=names
    )
    ewma = ewma_chart(
        means, sizes, centre=shewhart.centre, sigma=shewhart.sigma, weight=asked["weight"], names=names
    )
    signals = sorted(shewhart.signals + ewma.signals, key=lambda signal: signal.lot)
    return {
        "shewhart": shewhart.to_dict(),
        "ewma": ewma.to_dict(),
        "signals": [signal.to_dict() for signal in signals],
    }


def _switching(prepared: Prepared, deliveries: Sequence[Delivery]) -> list[dict[str, Any]] | None:
    """What the switching rules of ISO 2859-1 make of the lots, begun under normal inspection."""
    plan = prepared.plan
    if plan is None or plan.kind != "table" or plan.aql is None or plan.lot_size is None:
        return None
    if plan.inspection != "normal":
        return None
    counts = [delivery.counts.nonconforming for delivery in deliveries]
    steps = run_switching([plan.lot_size] * len(deliveries), counts, plan.aql, level=plan.level or "II")
    return [step.to_dict() for step in steps]
