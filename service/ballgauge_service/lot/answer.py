"""What is answered on a lot, ready for JSON: the only place of the engine that writes it.

What was left out stands first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from importlib.metadata import version
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.words import LOT_RECORD_FORMAT, WORST_FIRST
from ballgauge_service.core.caution import Caution
from ballgauge_service.lot.judging.gathering import Gathered, Repeats
from ballgauge_service.lot.judging.totals import KEPT_MAXIMUM
from ballgauge_service.lot.reading.columns import Notes
from ballgauge_service.lot.reading.reading import FileFound
from ballgauge_service.lot.request import Identity, LotRequest
from ballgauge_service.lot.sampling.acceptance import (
    Acceptance,
    Counts,
    SampleRuleOutcome,
    VariablesOutcome,
    counted,
)
from ballgauge_service.lot.sampling.choice import ChosenPlan
from ballgauge_service.lot.sampling.tables import SwitchingState, SwitchingStep
from ballgauge_service.lot.statistics.basics import DrawnSample
from ballgauge_service.lot.statistics.characteristics import SMALL_SAMPLE, QuantityStatement, unit_of
from ballgauge_service.lot.statistics.drift import EwmaChart, ShewhartChart, Signal
from ballgauge_service.lot.statistics.gauge_study import GaugeStudy
from ballgauge_service.lot.statistics.inspection_risk import InspectionRisk, inspection_risk, joint_risk
from ballgauge_service.lot.statistics.nonconforming import DefectsPerMillion, NonconformingFraction
from ballgauge_service.lot.statistics.operating_characteristic import OperatingCharacteristic
from ballgauge_service.rulebooks import OUTCOMES, Edition, used_rules
from ballgauge_service.rulebooks.model import Limit

_ADVICE = Caution(
    "advice_only", "This is advice from the values given: only the governing body decides and approves."
)
_MANUAL = "Measurement Systems Analysis reference manual, 4th edition (2010), from memory"
_PLACES = frozenset(("under_limit", "over_limit", "from_threshold", "not_bound"))


@dataclass(frozen=True, slots=True)
class LotFindings:
    """All that was found of a lot.

    `upper_with_undecided`: the one-sided upper bound of the nonconforming fraction if every ball that was not
    decided were nonconforming. `rules_judged` on any ball. `step` is the lot's in its series,
    and `state` where the series then stands. `digest`: the file's SHA-256, and its size in bytes.
    """

    request: LotRequest
    name: str | None
    file: FileFound
    digest: tuple[str, int]
    notes: Notes
    totals: Gathered
    repeats: Repeats
    counts: Counts
    plan: ChosenPlan
    step: SwitchingStep | None
    state: SwitchingState | None
    curves: OperatingCharacteristic | None
    acceptance: Acceptance
    nonconforming: NonconformingFraction
    upper_with_undecided: float
    defects: DefectsPerMillion | None
    rules_judged: int
    quantities: Sequence[QuantityStatement]
    sample_rules: Sequence[SampleRuleOutcome]
    variables: Sequence[VariablesOutcome]
    drawn: DrawnSample | None
    by_model: Mapping[str, NDArray[np.int64]]


@dataclass(frozen=True, slots=True)
class DriftFindings:
    """One quantity over several lots; `note` says why it, or a lot, is not charted.

    places, signals: of the lots charted, and of what lies beyond a limit, by their place in the series.
    """

    quantity: str
    note: str | None = None
    shewhart: ShewhartChart | None = None
    ewma: EwmaChart | None = None
    places: tuple[int, ...] = ()
    signals: tuple[Signal, ...] = ()


def plain(value: Any) -> Any:
    """A value object, and what it holds, as dicts and lists; a number that is not finite becomes None."""
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, dict):
        return {str(name): plain(member) for name, member in value.items()}
    if isinstance(value, (tuple, list)):
        return [plain(member) for member in value]
    if isinstance(value, date):
        return value.isoformat()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def lot_answer(found: LotFindings) -> dict[str, Any]:
    """The answer on one lot."""
    request, totals, counts = found.request, found.totals, found.counts
    edition, decision = request.edition, request.decision
    return {
        "left_out": _left_out(found),
        "lot": _identity(request.identity, totals.labels),
        "models": _models(found),
        "acceptance": plain(found.acceptance),
        "counts": {
            "rows": totals.balls + counts.left_out,
            "balls": counts.rows - counts.left_out,
            **counts._asdict(),
            "repeated": found.repeats.count,
        },
        "nonconforming": {
            **plain(found.nonconforming),
            "undecided": counts.undecided,
            "upper_with_undecided": found.upper_with_undecided,
        },
        "defects": _defects(found),
        "outcomes": dict(zip(OUTCOMES, totals.outcomes.tolist(), strict=True)),
        "by_rule": _by_rule(totals, edition),
        "quantities": plain(found.quantities),
        "sample_rules": [
            {**plain(each), "result": _without_places(plain(each.result))} for each in found.sample_rules
        ],
        "plan": plain(found.plan),
        "sampling": _series_state(found),
        "curves": plain(found.curves),
        "variables": plain(found.variables),
        "worst_balls": [
            {
                "row": ball.row,
                "serial": ball.serial,
                "outcome": OUTCOMES[ball.code],
                "rule": ball.rule,
                "margin": ball.margin,
                "unit": ball.unit,
                "reason": ball.reason,
            }
            for ball in totals.worst()
        ],
        "drawn": plain(found.drawn),
        "measurement": {
            "gauges": [_gauge(name, study, found) for name, study in request.gauges],
            "instruments": [
                {"quantity": name, "unit": unit_of(name), **plain(study)}
                for name, study in request.instruments
            ],
            "risk": _risk(found),
        },
        "file": {"name": found.name, **_file(found.file), "sha256": found.digest[0], "size": found.digest[1]},
        "made_by": {"name": "ballgauge", "version": version("ballgauge")},
        "cautions": [_caution(each) for each in _cautions(found)],
        "assumptions": _assumptions(found),
        "rules": _rules(request, edition),
        "decision": {"rule": decision.rule, "risk": decision.risk},
        "uncertainties": dict(request.uncertainties),
        "confidence": request.confidence,
        "coverage": request.coverage,
        "units": {each.quantity: each.unit for each in found.quantities},
    }


def lot_record(answer: Mapping[str, Any], issued_on: date) -> dict[str, Any]:
    """What a signed record holds of the answer on one lot, enough to find its file and judge it anew."""
    acceptance, plan = answer["acceptance"], answer["plan"]
    kept = ("source", "level", "inspection", "lot_size", "sample_size", "acceptance_number", "aql")
    return {
        "format": LOT_RECORD_FORMAT,
        "issued_on": issued_on.isoformat(),
        "lot": {name: value for name, value in answer["lot"].items() if value},
        "file": {name: answer["file"][name] for name in ("name", "sha256", "size")},
        "outcome": acceptance["outcome"],
        "lot_accepted": acceptance["lot_accepted"],
        "scope": acceptance["scope"],
        "reasons": list(acceptance["reasons"]),
        "to_remove": acceptance["to_remove"],
        "counts": answer["counts"],
        "plan": {name: plan[name] for name in kept},
        "rules": answer["rules"],
        "decision": answer["decision"],
        "made_by": answer["made_by"],
    }


def series_answer(
    names: Sequence[str],
    lots: Sequence[LotFindings],
    drift: Sequence[DriftFindings],
) -> dict[str, Any]:
    """The answer on several lots in time order: the drift, the switching rules, each lot's own answer."""
    switched = lots[0].state is not None
    return {
        "left_out": {"rows": sum(lot.notes.left_out for lot in lots)},
        "outcome": min((lot.acceptance.outcome for lot in lots), key=WORST_FIRST.index),
        "lots_accepted": sum(lot.acceptance.lot_accepted is True for lot in lots),
        "names": list(names),
        "drift": [_drift(each) for each in drift],
        "switching": plain([lot.step for lot in lots if lot.step is not None]) if switched else None,
        "sampling": _series_state(lots[-1]),
        "lots": [lot_answer(lot) for lot in lots],
        "cautions": [_caution(_ADVICE)],
    }


def _series_state(found: LotFindings) -> dict[str, Any]:
    """Where the series stands after the lot, as the next request takes it in `sampling.history`."""
    state, plan = found.state, found.plan
    if state is None:
        return {"state": None}
    return {"state": {**plain(state), "aql": plan.aql, "level": plan.level}}


def _caution(caution: Caution) -> dict[str, str]:
    return {"code": caution.code, "message": caution.words}


def _identity(identity: Identity, labels: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """What the request tells and, where it does not, what all rows of a column do."""
    gauges = [
        {
            **plain(gauge),
            "unit": unit_of(gauge.quantity),
            "calibration": gauge.calibration(identity.inspected_on),
        }
        for gauge in identity.gauges
    ]
    told = plain(identity)
    by_file = {name: texts[0] for name, texts in labels.items() if told[name] is None and len(texts) == 1}
    return {**told, **by_file, "gauges": gauges}


def _models(found: LotFindings) -> list[dict[str, Any]]:
    return [
        {"model": model, "rows": int(counts.sum()), **dict(zip(OUTCOMES, counts.tolist(), strict=True))}
        for model, counts in found.by_model.items()
    ]


def _of_the_lot(found: LotFindings) -> Iterator[tuple[str, str]]:
    """What the columns tell of the lot that cannot all be so."""
    if len(found.by_model) > 1:
        named = _some([model or "no model" for model in found.by_model])
        text = (
            f"Several models in one file, judged as one lot: {named}. A lot of the standards has one model."
        )
        yield "several_models", text
    told = plain(found.request.identity)
    for name, texts in found.totals.labels.items():
        if told[name] is not None and list(texts) != [told[name]]:
            yield "identity_contradicted", f"The file tells another {name} than the request: {_some(texts)}."
        elif len(texts) > 1 and name not in ("maker", "model", "inspector"):
            yield "several_of_the_lot", f"The file tells more than one {name}: {_some(texts)}."


def _gauge(name: str, study: GaugeStudy, found: LotFindings) -> dict[str, Any]:
    """A gauge study, against the limits that the lot's balls are judged by.

    With one limit the tolerance is twice the way from the lot's mean to it (ours).
    """
    each = next((each for each in found.quantities if each.quantity == name), None)
    tolerance, source = None, None
    if each is not None and each.limits.min is not None and each.limits.max is not None:
        tolerance, source = each.limits.max - each.limits.min, "limits"
    elif each is not None:
        limit = each.limits.max if each.limits.min is None else each.limits.min
        if limit is not None and limit != each.mean:
            tolerance, source = 2 * abs(limit - each.mean), "mean_to_limit"
    judged = study if tolerance is None else study.within(tolerance)
    word, by = judged.judged()
    told = {"tolerance": tolerance, "tolerance_from": source, "judgment": word, "judged_by": by}
    return {"quantity": name, "unit": unit_of(name), **plain(judged), **told, "judgment_source": _MANUAL}


def _risk(found: LotFindings) -> dict[str, Any] | None:
    """What the whole inspection lets through and turns away, by the uncertainties stated."""
    request = found.request
    guarded = request.decision.rule == "guarded"
    guard = NormalDist().inv_cdf(1 - request.decision.risk) if guarded else 0.0
    each: dict[str, InspectionRisk] = {}
    for one in found.quantities:
        unsure, spread = request.uncertainties.get(one.quantity), one.standard_deviation
        if unsure and spread and spread > unsure and not (one.limits.min is None and one.limits.max is None):
            each[one.quantity] = inspection_risk(
                one.mean, spread, unsure, lower=one.limits.min, upper=one.limits.max, guard=max(guard, 0.0)
            )
    if not each:
        return None
    consumer, producer = joint_risk(list(each.values()))
    balls = found.plan.lot_size or found.counts.rows
    return {
        "quantities": [{"quantity": name, **plain(risk)} for name, risk in each.items()],
        "consumer_risk": consumer,
        "producer_risk": producer,
        "balls": balls,
        "wrongly_accepted": balls * consumer,
        "wrongly_rejected": balls * producer,
        "source": "JCGM 106:2012, 9.5",
        "assumptions": [
            "readings and true values are normally distributed",
            "the quantities vary independently of each other",
            "a quantity without a stated uncertainty is read without error",
        ],
    }


def _left_out(found: LotFindings) -> dict[str, Any]:
    notes, repeats = found.notes, found.repeats
    return {
        "rows": notes.left_out,
        "cells": notes.cells,
        "blank_rows": notes.blank,
        "by_column": dict(sorted(notes.by_column.items())),
        "listed": plain(notes.listed),
        "repeated_serials": {
            "count": repeats.count,
            "contradictory": repeats.contradictory,
            "listed": [each._asdict() for each in repeats.listed],
        },
        "no_balls": {"count": notes.no_balls, "listed": [each._asdict() for each in notes.apart]},
    }


def _rules(request: LotRequest, edition: Edition) -> dict[str, Any]:
    source = request.approved_list
    used = used_rules(edition)
    if source is not None:
        used["approved_list"] = {**source.told(), "given_by": request.list_given_by}
    return used


def _defects(found: LotFindings) -> dict[str, Any] | None:
    if found.defects is None:
        return None
    told = plain(found.defects)
    told["opportunities"] = told.pop("balls")
    return {**told, "rules_judged": found.rules_judged}


def _by_rule(totals: Gathered, edition: Edition) -> list[dict[str, Any]]:
    """Each rule that reaches any ball, the ones broken most often first."""
    found: list[dict[str, Any]] = []
    limits = totals.limits_in_force()
    for rule in edition.rules:
        balls = totals.by_rule.get(rule.id)
        if balls is None or int(balls[1:].sum()) == 0:
            continue
        found.append(
            {
                "rule": rule.id,
                "title": rule.title,
                "quantity": rule.quantity,
                "unit": rule.unit,
                "advisory": rule.advisory,
                "decides": totals.decided_by.get(rule.id, 0),
                "limits": [_limit(limit) for limit in limits.get(rule.id, ())],
                **dict(zip(("not_judged", *OUTCOMES), balls.tolist(), strict=True)),
            }
        )
    return sorted(
        found, key=lambda each: (-each["nonconforming"], -each["inconclusive"], -each["not_assessed"])
    )


def _limit(limit: Limit) -> dict[str, Any]:
    """A limit with how sure it is, and from where."""
    return {
        "min": limit.min,
        "max": limit.max,
        "effective_from": plain(limit.effective_from),
        "effective_to": plain(limit.effective_to),
        "basis": limit.basis,
        "source": str(limit.source),
    }


def _without_places(result: dict[str, Any] | None) -> dict[str, Any] | None:
    """Positions in the sample become counts: the balls themselves are listed elsewhere."""
    if result is None:
        return None
    kept: dict[str, Any] = {name: len(value) if name in _PLACES else value for name, value in result.items()}
    if "classes" in kept:
        kept["classes"] = [_without_places(each) for each in kept["classes"]]
    return kept


def _file(file: FileFound) -> dict[str, Any]:
    """What was found of the file; what its format does not have is left out."""
    columns = [{"heading": each.text, "field": each.name, "unit": each.unit} for each in file.columns]
    return {
        name: columns if name == "columns" else value
        for name, value in plain(file).items()
        if value is not None
    }


def _drift(found: DriftFindings) -> dict[str, Any]:
    return {
        "quantity": found.quantity,
        "unit": unit_of(found.quantity),
        "note": found.note,
        "shewhart": plain(found.shewhart),
        "ewma": plain(found.ewma),
        "places": list(found.places),
        "signals": plain(sorted(found.signals, key=lambda signal: signal.lot)),
    }


def _cautions(found: LotFindings) -> list[Caution]:
    left_out, balls, not_assessed = found.notes.left_out, found.totals.balls, found.counts.not_assessed
    repeats, no_balls = found.repeats, found.notes.no_balls
    cautions = []
    if left_out:
        text = (
            f"{counted(left_out, 'row')} left out that could not be read as a ball; the decision "
            "takes each as one that may be nonconforming."
        )
        cautions.append(Caution("rows_left_out", text))
    cautions += [Caution(code, text) for code, text in (*_readings(found), *_of_the_lot(found))]
    expired = [
        gauge.name
        for gauge in found.request.identity.gauges
        if gauge.calibration(found.request.identity.inspected_on) == "expired"
    ]
    if expired:
        text = f"Out of calibration on the day of inspection: {', '.join(expired)}."
        cautions.append(Caution("calibration_expired", text))
    if no_balls:
        named = ", ".join(dict.fromkeys(str(each.word) for each in found.notes.apart if each.word))
        text = f"Set apart as no {'ball' if no_balls == 1 else 'balls'}: {counted(no_balls, 'row')}"
        told = f"{text} ({named})" if named else text
        cautions.append(Caution("no_balls", f"{told}; `file.rows_judged` names rows that are balls."))
    if repeats.count:
        text = f"Repeated serials: {repeats.count}; the rows of one serial count as one ball, by the worst."
        if repeats.contradictory:
            text += f" Contradicting an earlier row: {repeats.contradictory}."
        cautions.append(Caution("repeated_serials", text))
    if balls < SMALL_SAMPLE:
        text = f"A small sample, {counted(balls, 'ball')}: bounds are wide and tests weak."
        cautions.append(Caution("small_sample", text))
    if not_assessed:
        text = f"Not assessed by every rule: {counted(not_assessed, 'ball')}; none of them is a pass."
        cautions.append(Caution("not_assessed", text))
    return [*cautions, _ADVICE]


def _readings(found: LotFindings) -> Iterator[tuple[str, str]]:
    """What was found in the file, not told by the request: how its table, headings and cells were read."""
    options, file, columns = found.request.file, found.file, found.file.columns
    unknown = [each.text for each in columns if each.field is None and each.text not in options.mapping]
    if unknown:
        yield "columns_ignored", f"Unknown columns were ignored: {_quoted(unknown)}."
    guessed = [f"{each.text!r} as {each.name}" for each in columns if each.guessed]
    if guessed:
        yield "headings_read", f"Headings read by their meaning: {_some(guessed)}."
    averaged = [each.text for each in columns if each.reading is not None]
    if averaged and options.readings == "mean":
        yield "readings_averaged", f"A ball has the mean of its readings: {_quoted(averaged)}."
    if file.header_row is not None and file.header_row > 1 and options.header_row is None:
        yield (
            "header_row",
            f"The headings were found in row {file.header_row}; the rows above it were skipped.",
        )
    if file.other_sheets and options.sheet is None:
        yield "sheet", f"Of several sheets {file.sheet!r} was read."
    if file.dates is not None and options.dates is None:
        first = "day" if file.dates == "day_first" else "month"
        yield "dates_read", f"In dates whose year is last, the {first} was found to come first."
    if found.notes.clocks:
        names = ", ".join(sorted(found.notes.clocks))
        yield "clocks_read", f"Times such as 10:24 were read as minutes and seconds: {names}."


def _some(texts: Sequence[str]) -> str:
    return ", ".join(texts[:20]) + (", …" if len(texts) > 20 else "")


def _quoted(texts: Sequence[str]) -> str:
    return _some([repr(text) for text in texts])


def _assumptions(found: LotFindings) -> list[str]:
    request, given, plan = found.request, found.totals.quantities, found.plan
    taken = [
        "The rows are every ball of the lot."
        if request.sampling.rows == "every_ball"
        else "The rows are a random sample of the lot, drawn before anything was known of its balls."
    ]
    if request.sampling.assumed:
        taken.append("No lot size is given: the rows are taken as the whole lot.")
    if request.scope == "measured":
        taken.append("The lot is judged by the rules on what the file measures; the others were set aside.")
    if plan.kind in ("none", "every_ball") and plan.aql is None:
        taken.append("The lot is accepted only where no ball of it may be nonconforming.")
    if plan.kind == "every_ball" and plan.aql is not None:
        taken.append(
            f"Every ball was measured: a lot of at most {plan.aql:g} % nonconforming balls is accepted "
            "without them."
        )
    if "circumference" not in given and "diameter" in given:
        taken.append("The circumference is the diameter times pi.")
    if not request.edition.on_given:
        taken.append(
            f"No date is given: the rules are those in force on {request.edition.on}, the day the "
            "rulebook was compiled."
        )
    if found.totals.balls > KEPT_MAXIMUM:
        if found.repeats.count:
            taken.append("The statistics of quantities take each row of a repeated serial for a ball.")
        taken.append(f"More than {KEPT_MAXIMUM} balls: run charts, capability and normality are left out.")
    return taken
