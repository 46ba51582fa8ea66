"""The plan a lot is judged by: from the request's words to numbers, curves and risks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from scipy import optimize

from ballgauge_schemas.shared import limits
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.lot.sampling.attributes import two_point_plan, zero_acceptance_plan_for_consumer
from ballgauge_service.lot.sampling.tables import SwitchingState, single_sampling_plan
from ballgauge_service.lot.sampling.variables import (
    LARGEST_SAMPLE,
    VariablesPlan,
    maximum_fraction,
    variables_acceptance_probability,
    variables_plan,
)
from ballgauge_service.lot.statistics.basics import BadArgument
from ballgauge_service.lot.statistics.operating_characteristic import (
    OperatingCharacteristic,
    acceptance_probability,
    curve_type,
    operating_characteristic,
    quality_at_acceptance,
)

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


@dataclass(frozen=True, slots=True)
class PlanWanted:
    """An attributes plan as it is asked for: qualities in percent, risks fractions."""

    kind: str
    producer_risk: float
    consumer_risk: float
    aql: float | None = None
    limiting_quality: float | None = None
    level: str = limits.LEVEL
    inspection: str = limits.INSPECTION
    model: str | None = None


@dataclass(frozen=True, slots=True)
class VariablesWanted:
    """A variables plan as it is asked for, of one quantity; `sigma` in its trade unit, None: not known.

    `accept_non_normal`: whether it decides on balls that depart from the normal distribution too.
    """

    quantity: str
    aql: float
    limiting_quality: float
    producer_risk: float
    consumer_risk: float
    sigma: float | None = None
    accept_non_normal: bool = False


@dataclass(frozen=True, slots=True)
class ClassWanted:
    """A class of defects as it is asked for: its limit in percent, and the rules put into it."""

    name: str
    aql: float | None = None
    rules: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sampling:
    """What the rows are of the lot (`stated_rows` None: not said), and the plans it is judged by.

    `classes`: of defects, each decided by itself; then no switching rules apply.

    `seed`: by which the plan's sample is drawn from more balls than it asks for. `history`: where the series
    of lots stands that this one follows. `lot_sizes`: of several lots, one each.
    """

    stated_rows: str | None = None
    lot_size: int | None = None
    plan: PlanWanted | None = None
    variables: tuple[VariablesWanted, ...] = ()
    seed: int = limits.DEFAULT_SEED
    history: SwitchingState | None = None
    lot_sizes: tuple[int, ...] = ()
    classes: tuple[ClassWanted, ...] = ()

    @property
    def start(self) -> SwitchingState | None:
        """Where the series of lots stands; None where no switching rules apply: they are of the tables."""
        if self.plan is None or self.plan.kind != "table" or self.rows == "every_ball" or self.classes:
            return None
        return self.history or SwitchingState(self.plan.inspection)

    def under(self, inspection: str) -> Sampling:
        """The same under another severity of inspection.

        Parameters
        ----------
        inspection : str, a severity

        Returns
        -------
        Sampling
        """
        return self if self.plan is None else replace(self, plan=replace(self.plan, inspection=inspection))

    @property
    def rows(self) -> str:
        """As stated, else `sample` where a lot size is given, else `every_ball`."""
        sized = self.lot_size is not None or bool(self.lot_sizes)
        return self.stated_rows or ("sample" if sized else "every_ball")

    @property
    def assumed(self) -> bool:
        """Whether nothing was said of what the rows are."""
        return self.stated_rows is None and self.lot_size is None and not self.lot_sizes


@dataclass(frozen=True, slots=True)
class VariablesTest:
    """A quantity and the variables plan it is judged by; see `VariablesWanted`."""

    quantity: str
    sigma: float | None
    plan: VariablesPlan
    accept_non_normal: bool = False


@dataclass(frozen=True, slots=True)
class AcceptanceCurve:
    """Probability of acceptance over the nonconforming fraction."""

    fraction: tuple[float, ...]
    acceptance: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ChosenPlan:
    """An attributes plan with its risks. Qualities are in percent, risks and probabilities fractions.

    `kind` is `table`, `zero_acceptance`, `two_point`, `none` (a sample without a plan) or `every_ball`.
    `acceptance_at_aql` and `acceptance_at_limiting_quality` are probabilities of acceptance; the limiting
    quality is the one asked for, or where the plan accepts with the consumer's risk. `curve_type`: see
    `OperatingCharacteristic`; None where every ball is measured.
    """

    kind: str
    sample_size: int
    acceptance_number: int
    rejection_number: int
    curve_type: str | None
    lot_size: int | None = None
    model: str | None = None
    level: str | None = None
    inspection: str | None = None
    code_letter: str | None = None
    plan_letter: str | None = None
    aql: float | None = None
    limiting_quality: float | None = None
    acceptance_at_aql: float | None = None
    acceptance_at_limiting_quality: float | None = None
    full_inspection: bool = False
    source: str = ""
    basis: str = ""
    notes: tuple[str, ...] = ()


def choose_plan(sampling: Sampling) -> ChosenPlan | None:
    """The plan that is asked for; None where none is, or rows are every ball.

    Parameters
    ----------
    sampling : Sampling

    Returns
    -------
    ChosenPlan or None, None where it depends on the file

    Raises
    ------
    InvalidInput naming the field of the request that no plan can have
    """
    if sampling.start is not None:
        sampling = sampling.under(sampling.start.inspection)
    wanted = sampling.plan
    if wanted is None or sampling.rows == "every_ball":
        return None
    try:
        if wanted.kind == "table":
            return _table_plan(wanted, sampling.lot_size or 0)
        return _computed_plan(wanted, sampling.lot_size)
    except BadArgument as error:
        pointer = _POINTERS.get(error.name, "/sampling/plan")
        raise InvalidInput([Fault(pointer, error.words)]) from None


def plan_without(sample_size: int, lot_size: int | None) -> ChosenPlan:
    """What a sample without a plan is judged by.

    Parameters
    ----------
    sample_size : int
    lot_size : int or None

    Returns
    -------
    ChosenPlan, which accepts no nonconforming ball
    """
    model = _model(None, lot_size)
    size = sample_size if lot_size is None else min(sample_size, lot_size)
    plan = ChosenPlan(
        "none", size, 0, 1, curve_type(model), lot_size=lot_size, model=model,
        source="no plan was given", basis="stated assumption",
    )  # fmt: skip
    return _with_risks(plan, limits.CONSUMER_RISK)


def plan_for_every_ball(balls: int, aql: float | None) -> ChosenPlan:
    """What a lot measured ball by ball is judged by.

    Parameters
    ----------
    balls : int
    aql : float or None, percent

    Returns
    -------
    ChosenPlan, which accepts the fraction the AQL allows, or none (ours)
    """
    allowed = 0 if aql is None else math.floor(balls * min(aql / 100, 1.0) * (1 + 1e-12))
    note = "every ball was measured: no sampling risk"
    return ChosenPlan(
        "every_ball", balls, allowed, allowed + 1, None, lot_size=balls, aql=aql, full_inspection=True,
        notes=(note,), source="every ball of the lot", basis="stated assumption",
    )  # fmt: skip


def plan_curves(chosen: ChosenPlan) -> OperatingCharacteristic | None:
    """The curves of a plan: acceptance, outgoing quality, inspection.

    Parameters
    ----------
    chosen : ChosenPlan

    Returns
    -------
    OperatingCharacteristic or None, None where every ball is measured
    """
    if chosen.model is None or chosen.kind == "every_ball":
        return None
    size = chosen.sample_size
    lot = chosen.lot_size if chosen.lot_size is None or chosen.lot_size >= size else None
    return operating_characteristic(
        size, chosen.acceptance_number, model=chosen.model, lot_size=lot, points=CURVE_POINTS
    )


def choose_variables_plans(sampling: Sampling) -> tuple[VariablesTest, ...]:
    """The variables plans that are asked for.

    Parameters
    ----------
    sampling : Sampling

    Returns
    -------
    tuple of VariablesTest

    Raises
    ------
    InvalidInput naming the plan whose two qualities no plan can keep
    """
    found = []
    for index, wanted in enumerate(sampling.variables):
        try:
            plan = variables_plan(
                wanted.aql / 100,
                wanted.limiting_quality / 100,
                producer_risk=wanted.producer_risk,
                consumer_risk=wanted.consumer_risk,
                sigma_known=wanted.sigma is not None,
            )
        except BadArgument as error:
            pointer = f"/sampling/variables/{index}/limiting_quality"
            raise InvalidInput([Fault(pointer, error.words)]) from None
        found.append(VariablesTest(wanted.quantity, wanted.sigma, plan, wanted.accept_non_normal))
    return tuple(found)


def plan_for_balls(plan: VariablesPlan, balls: int) -> VariablesPlan:
    """The variables plan for more balls than it needs: the middle of the constants that keep both risks.

    The ends are where the acceptance probability meets each risk.

    Parameters
    ----------
    plan : VariablesPlan
    balls : int

    Returns
    -------
    VariablesPlan; below the plan's own size nothing changes
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


def variables_curve(plan: VariablesPlan) -> AcceptanceCurve:
    """Acceptance probability of a variables plan over the nonconforming fraction.

    Parameters
    ----------
    plan : VariablesPlan

    Returns
    -------
    AcceptanceCurve
    """
    last = min(3 * plan.consumer_quality, 0.999)
    fraction = [last * place / (CURVE_POINTS - 1) for place in range(1, CURVE_POINTS)]
    accepted = variables_acceptance_probability(
        plan.sample_size, plan.acceptability_constant, fraction, sigma_known=plan.sigma_known
    )
    return AcceptanceCurve(tuple(fraction), tuple(accepted.tolist()))


def _table_plan(wanted: PlanWanted, lot_size: int) -> ChosenPlan:
    plan = single_sampling_plan(lot_size, wanted.aql or 0.0, level=wanted.level, inspection=wanted.inspection)
    notes: list[str] = []
    if plan.full_inspection:
        notes.append("the table's sample is as large as the lot: every ball of it is inspected")
    model = _model(None, lot_size)
    chosen = ChosenPlan(
        "table", plan.sample_size, plan.acceptance_number, plan.rejection_number, curve_type(model),
        lot_size=lot_size, model=model, level=plan.level, inspection=plan.inspection,
        code_letter=plan.code_letter, plan_letter=plan.plan_letter, aql=plan.aql, source=plan.source,
        basis=plan.basis, notes=tuple(notes),
    )  # fmt: skip
    return _with_risks(chosen, wanted.consumer_risk)


def _computed_plan(wanted: PlanWanted, lot_size: int | None) -> ChosenPlan:
    model = _model(wanted.model, lot_size)
    size = lot_size if model == "hypergeometric" else None
    bad = (wanted.limiting_quality or 0.0) / 100
    if wanted.kind == "two_point":
        plan = two_point_plan(
            (wanted.aql or 0.0) / 100,
            bad,
            producer_risk=wanted.producer_risk,
            consumer_risk=wanted.consumer_risk,
            model=model,
            lot_size=size,
        )
        source = "smallest plan that keeps both risks (Guenther 1969)"
    else:
        plan = zero_acceptance_plan_for_consumer(
            bad, consumer_risk=wanted.consumer_risk, model=model, lot_size=size
        )
        source = "smallest sample that keeps the consumer's risk, accepting on zero"
    if lot_size is not None and plan.sample_size > lot_size:
        raise BadArgument("lot_size", f"is smaller than the plan's sample of {plan.sample_size} balls")
    chosen = ChosenPlan(
        wanted.kind, plan.sample_size, plan.acceptance_number, plan.acceptance_number + 1, curve_type(model),
        lot_size=lot_size, model=model, aql=wanted.aql,
        limiting_quality=wanted.limiting_quality, source=source, basis="computed", notes=plan.assumptions,
    )  # fmt: skip
    return _with_risks(chosen, wanted.consumer_risk)


def _with_risks(plan: ChosenPlan, consumer_risk: float) -> ChosenPlan:
    """The plan with its limiting quality, where none is given, and what it accepts there and at the AQL."""
    size, accept, model = plan.sample_size, plan.acceptance_number, plan.model or ""
    lot = plan.lot_size if model == "hypergeometric" else None
    limiting = plan.limiting_quality
    if limiting is None and accept < size:
        limiting = 100 * quality_at_acceptance(size, accept, consumer_risk, model=model, lot_size=lot)

    def accepted(percent: float | None) -> float | None:
        if percent is None:
            return None
        quality = percent / 100 if model == "poisson" else min(percent / 100, 1.0)
        return float(acceptance_probability(size, accept, quality, model=model, lot_size=lot))

    return replace(
        plan,
        limiting_quality=limiting,
        acceptance_at_aql=accepted(plan.aql),
        acceptance_at_limiting_quality=accepted(limiting),
        full_inspection=plan.lot_size is not None and size >= plan.lot_size,
    )


def _model(asked: str | None, lot_size: int | None) -> str:
    return asked or ("binomial" if lot_size is None else "hypergeometric")
