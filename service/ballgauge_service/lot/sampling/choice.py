"""The plan a lot is judged by: from the request's words to numbers, curves and risks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from scipy import optimize

from ballgauge_schemas.shared import limits
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.sampling.attributes import two_point_plan, zero_acceptance_plan_for_consumer
from ballgauge_service.lot.sampling.tables import SingleSamplingPlan, single_sampling_plan
from ballgauge_service.lot.sampling.variables import (
    LARGEST_SAMPLE,
    VariablesPlan,
    maximum_fraction,
    variables_acceptance_probability,
    variables_plan,
)
from ballgauge_service.lot.statistics.operating_characteristic import (
    OperatingCharacteristic,
    acceptance_probability,
    operating_characteristic,
    quality_at_acceptance,
)
from ballgauge_service.lot.statistics.statements import Statement

CURVE_POINTS = 61
"""Points of the curves in an answer (ours)."""


_POINTERS = {
    "lot_size": "/sampling/lot_size",
    "aql": "/sampling/plan/aql",
    "level": "/sampling/plan/level",
    "inspection": "/sampling/plan/inspection",
    "letter": "/sampling/plan/aql",
    "producer_quality": "/sampling/plan/aql",
    "consumer_quality": "/sampling/plan/limiting_quality",
    "producer_risk": "/sampling/plan/producer_risk",
    "consumer_risk": "/sampling/plan/consumer_risk",
    "model": "/sampling/plan/model",
}


@dataclass(frozen=True)
class ChosenPlan(Statement):
    """An attributes plan with its risks. Qualities are in percent, risks and probabilities fractions.

    `kind` is `table`, `zero_acceptance`, `two_point`, `none` (a sample without a plan) or `every_ball`.
    `acceptance_at_aql` and `acceptance_at_limiting_quality` are probabilities of acceptance; the limiting
    quality is the one asked for, or where the plan accepts with the consumer's risk.
    """

    kind: str
    sample_size: int
    acceptance_number: int
    rejection_number: int
    lot_size: int | None
    model: str | None
    level: str | None
    inspection: str | None
    code_letter: str | None
    plan_letter: str | None
    aql: float | None
    limiting_quality: float | None
    acceptance_at_aql: float | None
    acceptance_at_limiting_quality: float | None
    full_inspection: bool
    source: str
    basis: str
    notes: tuple[str, ...]


def choose_plan(sampling: Mapping[str, Any]) -> ChosenPlan | None:
    """The plan of a request's loaded `sampling`; None where it names none, or rows are every ball.

    Raises InvalidInput naming the field a plan cannot be made from.
    """
    asked = sampling.get("plan")
    if asked is None or rows_are(sampling) == "every_ball":
        return None
    lot_size = sampling.get("lot_size")
    try:
        if asked["kind"] == "table":
            return _table_plan(asked, int(lot_size or 0))
        return _computed_plan(asked, lot_size)
    except ValueError as error:
        raise InvalidInput([(0, _pointer(str(error)), _in_our_words(str(error)))]) from None


def rows_are(sampling: Mapping[str, Any]) -> str:
    """What the rows are: as told, else a sample where a lot size is given, else every ball."""
    return str(sampling.get("rows") or ("sample" if "lot_size" in sampling else "every_ball"))


def plan_without(
    sample_size: int, lot_size: int | None, consumer_risk: float = limits.CONSUMER_RISK
) -> ChosenPlan:
    """What a sample without a plan is judged by: it is the sample, and no nonconforming ball is accepted."""
    model = _model(None, lot_size)
    size = sample_size if lot_size is None else min(sample_size, lot_size)
    return _with_risks(
        _Parts("none", size, 0, lot_size, model, None, None, "no plan was given", "stated assumption", ()),
        consumer_risk,
        None,
    )


def plan_for_every_ball(balls: int, asked: Mapping[str, Any] | None) -> ChosenPlan:
    """What a lot measured ball by ball is judged by: the fraction the AQL allows, or none (ours)."""
    aql = None if asked is None else asked.get("aql")
    allowed = 0 if aql is None else math.floor(balls * min(aql / 100, 1.0) * (1 + 1e-12))
    note = "every ball was measured: no sampling risk"
    return ChosenPlan(
        "every_ball", balls, allowed, allowed + 1, balls, None, None, None, None, None, aql, None, None, None,
        True, "every ball of the lot", "stated assumption", (note,),
    )  # fmt: skip


def plan_curves(chosen: ChosenPlan) -> OperatingCharacteristic | None:
    """The curves of a plan: acceptance, outgoing quality, inspection; None where every ball is measured."""
    if chosen.model is None or chosen.kind == "every_ball":
        return None
    size = chosen.sample_size
    lot = chosen.lot_size if chosen.lot_size is None or chosen.lot_size >= size else None
    return operating_characteristic(
        size, chosen.acceptance_number, model=chosen.model, lot_size=lot, points=CURVE_POINTS
    )


def choose_variables_plans(sampling: Mapping[str, Any]) -> list[tuple[str, float | None, VariablesPlan]]:
    """The variables plans of a request: (quantity, known sigma or None, plan). Raises InvalidInput."""
    found = []
    for index, asked in enumerate(sampling.get("variables") or ()):
        try:
            plan = variables_plan(
                asked["aql"] / 100,
                asked["limiting_quality"] / 100,
                producer_risk=asked["producer_risk"],
                consumer_risk=asked["consumer_risk"],
                sigma_known="sigma" in asked,
            )
        except ValueError as error:
            pointer = f"/sampling/variables/{index}/limiting_quality"
            raise InvalidInput([(0, pointer, _in_our_words(str(error)))]) from None
        found.append((str(asked["quantity"]), asked.get("sigma"), plan))
    return found


def plan_for_balls(plan: VariablesPlan, balls: int) -> VariablesPlan:
    """The variables plan for more balls than it needs: the middle of the constants that keep both risks.

    The ends are where the acceptance probability meets each risk; below the plan's own size nothing changes.
    """
    if balls <= plan.sample_size or balls > LARGEST_SAMPLE:
        return plan

    def accepted(constant: float, quality: float) -> float:
        return float(variables_acceptance_probability(balls, constant, quality, sigma_known=plan.sigma_known))

    ends = [
        optimize.brentq(lambda k, q=quality, p=wanted: accepted(k, q) - p, 0.0, 12.0, xtol=1e-12)
        for quality, wanted in (
            (plan.producer_quality, 1 - plan.producer_risk),
            (plan.consumer_quality, plan.consumer_risk),
        )
    ]
    constant = float(sum(ends)) / 2
    return replace(
        plan,
        sample_size=balls,
        acceptability_constant=constant,
        maximum_fraction=maximum_fraction(balls, constant, sigma_known=plan.sigma_known),
        producer_risk=1 - accepted(constant, plan.producer_quality),
        consumer_risk=accepted(constant, plan.consumer_quality),
    )


def variables_curve(plan: VariablesPlan) -> dict[str, list[float]]:
    """Acceptance probability of a variables plan over the nonconforming fraction."""
    last = min(3 * plan.consumer_quality, 0.999)
    fraction = [last * place / (CURVE_POINTS - 1) for place in range(1, CURVE_POINTS)]
    accepted = variables_acceptance_probability(
        plan.sample_size, plan.acceptability_constant, fraction, sigma_known=plan.sigma_known
    )
    return {"fraction": fraction, "acceptance": accepted.tolist()}


@dataclass(frozen=True)
class _Parts:
    kind: str
    sample_size: int
    acceptance_number: int
    lot_size: int | None
    model: str
    aql: float | None
    limiting_quality: float | None
    source: str
    basis: str
    notes: tuple[str, ...]


def _table_plan(asked: Mapping[str, Any], lot_size: int) -> ChosenPlan:
    plan = single_sampling_plan(
        lot_size,
        asked["aql"],
        level=asked.get("level", limits.LEVEL),
        inspection=asked.get("inspection", limits.INSPECTION),
    )
    notes: list[str] = []
    if plan.doubtful:
        notes.extend(plan.notes)
        notes.append("this cell of the table is written from memory and less sure than the others")
    if plan.full_inspection:
        notes.append("the table's sample is as large as the lot: every ball of it is inspected")
    parts = _Parts(
        "table", plan.sample_size, plan.acceptance_number, lot_size, _model(None, lot_size), plan.aql,
        None, plan.source, plan.basis, tuple(notes),
    )  # fmt: skip
    return _with_risks(parts, asked["consumer_risk"], plan)


def _computed_plan(asked: Mapping[str, Any], lot_size: int | None) -> ChosenPlan:
    model = _model(asked.get("model"), lot_size)
    size = lot_size if model == "hypergeometric" else None
    bad = asked["limiting_quality"] / 100
    if asked["kind"] == "two_point":
        plan = two_point_plan(
            asked["aql"] / 100,
            bad,
            producer_risk=asked["producer_risk"],
            consumer_risk=asked["consumer_risk"],
            model=model,
            lot_size=size,
        )
        source = "smallest plan that keeps both risks (Guenther 1969)"
    else:
        plan = zero_acceptance_plan_for_consumer(
            bad, consumer_risk=asked["consumer_risk"], model=model, lot_size=size
        )
        source = "smallest sample that keeps the consumer's risk, accepting on zero"
    if lot_size is not None and plan.sample_size > lot_size:
        raise ValueError(f"lot_size is smaller than the plan's sample of {plan.sample_size} balls")
    parts = _Parts(
        asked["kind"], plan.sample_size, plan.acceptance_number, lot_size, model, asked.get("aql"),
        asked["limiting_quality"], source, "computed", plan.assumptions,
    )  # fmt: skip
    return _with_risks(parts, asked["consumer_risk"], None)


def _with_risks(parts: _Parts, consumer_risk: float, table: SingleSamplingPlan | None) -> ChosenPlan:
    size, accept = parts.sample_size, parts.acceptance_number
    lot = parts.lot_size if parts.model == "hypergeometric" else None
    limiting = parts.limiting_quality
    if limiting is None and accept < size:
        limiting = 100 * quality_at_acceptance(size, accept, consumer_risk, model=parts.model, lot_size=lot)

    def accepted(percent: float | None) -> float | None:
        if percent is None:
            return None
        quality = percent / 100 if parts.model == "poisson" else min(percent / 100, 1.0)
        return float(acceptance_probability(size, accept, quality, model=parts.model, lot_size=lot))

    return ChosenPlan(
        parts.kind,
        size,
        accept,
        accept + 1,
        parts.lot_size,
        parts.model,
        None if table is None else table.level,
        None if table is None else table.inspection,
        None if table is None else table.code_letter,
        None if table is None else table.plan_letter,
        parts.aql,
        limiting,
        accepted(parts.aql),
        accepted(limiting),
        parts.lot_size is not None and size >= parts.lot_size,
        parts.source,
        parts.basis,
        parts.notes,
    )


def _model(asked: str | None, lot_size: int | None) -> str:
    return asked or ("binomial" if lot_size is None else "hypergeometric")


def _pointer(text: str) -> str:
    return _POINTERS.get(text.split(" ", 1)[0], "/sampling/plan")


def _in_our_words(text: str) -> str:
    return text.replace("consumer_quality", "limiting_quality").replace("producer_quality", "aql")
