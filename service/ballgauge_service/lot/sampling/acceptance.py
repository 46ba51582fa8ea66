"""Whether a lot is accepted: counts and measurements against its plans, with the risk stated.

A ball that could not be judged is never taken for a good one. The lot is accepted where it would be accepted
even if every such ball were nonconforming, and rejected where it would be rejected even if none were;
between the two nothing is decided (ours, from the words of the outcomes).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas.shared.wording import listed
from ballgauge_schemas.shared.words import WORST_FIRST
from ballgauge_service.lot.judging.gathering import OpenLimits, Ordered
from ballgauge_service.lot.judging.totals import mixed
from ballgauge_service.lot.sampling.choice import (
    AcceptanceCurve,
    ChosenPlan,
    VariablesTest,
    plan_for_balls,
    variables_curve,
)
from ballgauge_service.lot.sampling.sample_rules import (
    OilAbsorptionResult,
    RoughnessResult,
    oil_absorption_rule,
    roughness_rule,
)
from ballgauge_service.lot.sampling.variables import VariablesDecision, VariablesPlan, judge_by_variables
from ballgauge_service.lot.statistics.basics import FloatArray, SampleSummary
from ballgauge_service.lot.statistics.characteristics import QuantityStatement
from ballgauge_service.lot.statistics.process import normality_test, without_steps
from ballgauge_service.rulebooks import OUTCOMES, SampleRule

_LEFT_OUT = np.uint64(0xD1B54A32D192ED03)


class Counts(NamedTuple):
    """Balls by outcome, each once, and rows that could not be read as a ball."""

    conforming: int
    nonconforming: int
    inconclusive: int
    not_assessed: int
    left_out: int

    @property
    def rows(self) -> int:
        """Every ball there is, or should be."""
        return sum(tuple(self))

    @property
    def undecided(self) -> int:
        """Balls that may be nonconforming."""
        return self.inconclusive + self.not_assessed + self.left_out


@dataclass(frozen=True, slots=True)
class DrawnFromRows:
    """The plan's sample among more balls than it asks for: drawn from so many by a seed; rows of the file."""

    seed: int
    drawn_from: int
    rows: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PlanDecision:
    """What an attributes plan says of the balls of its sample.

    `fewest` and `most`: nonconforming balls there may be in the plan's sample, with all that was not decided.
    `drawn`: how the sample was drawn where more balls were given than it asks for.
    """

    outcome: str
    sample_size: int
    balls_given: int
    acceptance_number: int
    nonconforming: int
    undecided: int
    fewest: int
    most: int
    drawn: DrawnFromRows | None
    message: str


def draw_from_rows(
    keys: NDArray[np.uint64],
    rows: NDArray[np.int64],
    codes: NDArray[np.int8],
    left_out: int,
    sample_size: int,
    seed: int,
) -> tuple[Counts, DrawnFromRows]:
    """Draw a simple random sample of the balls of a file.

    The balls drawn are those whose keys, scattered by the seed, are smallest, so that a larger sample
    holds the smaller one.

    Parameters
    ----------
    keys : (n,) array, a number for each ball by which it is drawn whatever the order of the file
    rows, codes : (n,) arrays, its row and outcome code
    left_out : int, rows that are drawn from too
    sample_size : int
    seed : int

    Returns
    -------
    counts : Counts, what the sample holds
    drawn : DrawnFromRows
    """
    others = mixed(np.arange(1, left_out + 1, dtype=np.uint64) * _LEFT_OUT)
    start = mixed(np.array([seed], dtype=np.uint64) + _LEFT_OUT)
    order = np.argsort(mixed(np.concatenate((keys, others)) ^ start), kind="stable")[:sample_size]
    taken = order[order < len(keys)]
    by_code = np.bincount(codes[taken], minlength=len(OUTCOMES)).tolist()
    counts = Counts(**dict(zip(OUTCOMES, by_code, strict=True)), left_out=len(order) - len(taken))
    return counts, DrawnFromRows(seed, len(keys) + left_out, tuple(np.sort(rows[taken]).tolist()))


def decide_by_count(plan: ChosenPlan, counts: Counts, drawn: DrawnFromRows | None = None) -> PlanDecision:
    """Judge by a plan the counts of its sample.

    Parameters
    ----------
    plan : ChosenPlan
    counts : Counts, of its sample; balls that it lacks are undecided
    drawn : DrawnFromRows or None, how the sample was drawn from more balls

    Returns
    -------
    PlanDecision
    """
    wanted = plan.sample_size
    short = max(wanted - counts.rows, 0)
    undecided = counts.undecided + short
    most = counts.nonconforming + undecided
    accept = plan.acceptance_number
    if most <= accept:
        outcome = "conforming"
    elif counts.nonconforming > accept:
        outcome = "nonconforming"
    elif counts.nonconforming + counts.inconclusive > accept:
        outcome = "inconclusive"
    else:
        outcome = "not_assessed"
    return PlanDecision(
        outcome,
        wanted,
        counts.rows if drawn is None else drawn.drawn_from,
        accept,
        counts.nonconforming,
        undecided,
        counts.nonconforming,
        most,
        drawn,
        _count_message(plan, counts, short, drawn),
    )


def _count_message(plan: ChosenPlan, counts: Counts, short: int, drawn: DrawnFromRows | None) -> str:
    found = f"{counts.nonconforming} nonconforming of {counted(counts.rows, 'ball')}"
    if drawn is not None:
        found += f", the plan's sample drawn from {drawn.drawn_from} by seed {drawn.seed}"
    reasons = [found, f"at most {plan.acceptance_number} may be"]
    if short:
        reasons.append(
            f"the plan's sample is {counted(plan.sample_size, 'ball')}, {short} more than were given"
        )
    if counts.undecided:
        reasons.append(f"{counted(counts.undecided, 'ball')} not decided, any of which may be nonconforming")
    return "; ".join(reasons)


@dataclass(frozen=True, slots=True)
class VariablesOutcome:
    """One quantity judged by its variables plan."""

    quantity: str
    plan: VariablesPlan
    outcome: str
    message: str
    decision: VariablesDecision | None
    curve: AcceptanceCurve


def decide_by_variables(
    test: VariablesTest,
    statement: QuantityStatement | None,
    balls: Ordered | None,
    widest: OpenLimits | None = None,
) -> VariablesOutcome:
    """Judge one quantity by its variables plan.

    Of more balls than the plan needs all are used, with the constant that keeps both risks for them.
    Where the test of normality speaks against normal data, nothing is decided unless the plan accepts
    that.

    Parameters
    ----------
    test : VariablesTest
    statement : QuantityStatement or None, see `describe_quantities`; without it nothing is assessed
    balls : Ordered or None, None where there are too many for their values to be kept
    widest : OpenLimits or None, the widest limits where it is open which hold; what these and the
        narrowest do not decide alike is inconclusive

    Returns
    -------
    VariablesOutcome
    """
    quantity, plan = test.quantity, test.plan
    found: VariablesDecision | None = None
    lacking: str | None = None
    if statement is None:
        text = f"no ball has a value of {quantity}"
    elif statement.limits.min is None and statement.limits.max is None:
        text = f"no rule in force limits {quantity} here"
    else:
        plan = plan_for_balls(plan, statement.count)
        sample = SampleSummary(
            statement.count,
            statement.mean,
            statement.standard_deviation or 0.0,
            statement.minimum,
            statement.maximum,
        )
        limits = statement.limits
        try:
            found = judge_by_variables(plan, sample, lower=limits.min, upper=limits.max, sigma=test.sigma)
        except ValueError as error:
            text = str(error)
        else:
            if widest is not None and found.outcome == "nonconforming":
                lacking = _open(plan, sample, widest, test.sigma)
    curve = variables_curve(plan)
    if found is None or statement is None:
        return VariablesOutcome(quantity, plan, "not_assessed", text, None, curve)
    if lacking is not None:
        text = f"{lacking}; by the narrowest of them: {found.message}"
        return VariablesOutcome(quantity, plan, "inconclusive", text, found, curve)
    doubt = None if test.accept_non_normal else _doubt(statement, balls)
    if doubt is None:
        return VariablesOutcome(quantity, plan, found.outcome, found.message, found, curve)
    text = f"not decided by this plan, which needs normal data: {doubt}; {found.message}"
    return VariablesOutcome(quantity, plan, "inconclusive", text, found, curve)


def _open(plan: VariablesPlan, sample: SampleSummary, widest: OpenLimits, sigma: float | None) -> str | None:
    """Why a lot that the narrowest limits reject is not rejected by the widest; None where it is."""
    if not (widest.min is None and widest.max is None):
        found = judge_by_variables(plan, sample, lower=widest.min, upper=widest.max, sigma=sigma)
        if found.outcome == "nonconforming":
            return None
    return f"which of several limits holds is open without {listed(widest.unknown, 'and')}"


def _doubt(statement: QuantityStatement, balls: Ordered | None) -> str | None:
    """What speaks against normal data; None where nothing does, or the balls are too few to tell."""
    if balls is None:
        return f"{statement.count} balls are more than it can be tested of"
    values = balls.values[statement.quantity]
    test = normality_test(without_steps(values[~np.isnan(values)]))
    if test.normal is not False:
        return None
    return f"the balls depart from it (Anderson-Darling, p = {test.p_value:.2g})"


@dataclass(frozen=True, slots=True)
class SampleRuleOutcome:
    """A rule of the governing body on a sample: its verdict and the numbers behind it.

    `model`: maker and model of the balls judged where the file has several, None where it does not.
    `balls_not_bound`: balls approved before the rule took effect; None where the balls are too many to tell.
    """

    rule: str
    title: str
    basis: str
    source: str
    model: str | None
    outcome: str
    message: str
    balls_not_bound: int | None
    result: OilAbsorptionResult | RoughnessResult | None


def apply_sample_rules(
    rules: Sequence[SampleRule], balls: Ordered | None, on: date, confidence: float
) -> list[SampleRuleOutcome]:
    """Apply the governing body's rules on samples, model by model, each to the balls that it binds.

    Parameters
    ----------
    rules : sequence of SampleRule
    balls : Ordered or None, None where there are too many for their values to be kept
    on : date, stands for an unknown day of approval, as it does for the rules on each ball
    confidence : float

    Returns
    -------
    list of SampleRuleOutcome
    """
    models = [] if balls is None else np.unique(balls.kinds).tolist()
    if balls is None or len(models) < 2:
        return [_sample_rule(rule, balls, on, confidence) for rule in rules]
    return [
        replace(_sample_rule(rule, balls.of_kind(model), on, confidence), model=model or "no model")
        for rule in rules
        for model in models
    ]


def _sample_rule(rule: SampleRule, balls: Ordered | None, on: date, confidence: float) -> SampleRuleOutcome:
    def told(
        outcome: str,
        message: str,
        not_bound: int | None = None,
        result: OilAbsorptionResult | RoughnessResult | None = None,
    ) -> SampleRuleOutcome:
        source = str(rule.source)
        return SampleRuleOutcome(
            rule.id, rule.title, rule.basis, source, None, outcome, message, not_bound, result
        )

    if balls is None:
        return told("not_assessed", "there are too many balls for a sample")
    days = np.where(np.isnat(balls.approved_on), np.datetime64(on, "D"), balls.approved_on)
    since = rule.effective_from
    bound = np.ones(len(days), dtype=np.bool_) if since is None else days >= np.datetime64(since, "D")
    earlier = int(np.count_nonzero(~bound))
    apart = f"{counted(earlier, 'ball')} approved before {since} not bound by it"
    if earlier and earlier == len(days):
        return told("not_assessed", apart, earlier)
    result = _by_values(rule, balls, bound, confidence)
    if result is None:
        needed = [rule.quantity, *(["weight"] if rule.max_rate is None else [])]
        return told("not_assessed", f"no ball has a value of {listed(needed, 'and')}", earlier)
    text = f"{result.message}; {apart}" if earlier else result.message
    known = ~np.isnat(balls.approved_on)
    if result.outcome == "nonconforming" and since is not None and not known[bound].all():
        sure = _by_values(rule, balls, bound & known, confidence)
        if sure is None or sure.outcome != "nonconforming":
            text += f"; whether it binds them is open without approved_on: it binds approvals since {since}"
            return told("inconclusive", text, earlier, result)
    return told(result.outcome, text, earlier, result)


def _by_values(
    rule: SampleRule, balls: Ordered, which: NDArray[np.bool_], confidence: float
) -> OilAbsorptionResult | RoughnessResult | None:
    """What some of the balls, (n,), come to by a rule; None where none of them has what it needs."""
    values = {name: numbers[which] for name, numbers in balls.values.items()}
    numbers = values.get(rule.quantity)
    judge = _roughness if rule.max_rate is None else _oil_absorption
    if numbers is None or np.isnan(numbers).all():
        return None
    return judge(rule, numbers, values, confidence)


def _oil_absorption(
    rule: SampleRule, numbers: FloatArray, values: Mapping[str, FloatArray], confidence: float
) -> OilAbsorptionResult | None:
    single, more = rule.single.min, rule.more_balls
    if single is None or rule.max_rate is None or more is None or more.bounds.under is None:
        return None
    return oil_absorption_rule(
        numbers[~np.isnan(numbers)],
        single_minimum=single,
        maximum_rate=rule.max_rate,
        average_minimum=more.bounds.under,
        confidence=confidence,
    )


def _roughness(
    rule: SampleRule, numbers: FloatArray, values: Mapping[str, FloatArray], confidence: float
) -> RoughnessResult | None:
    single, average, more = rule.single.max, rule.average, rule.more_balls
    if single is None or average is None or average.max is None or more is None or more.bounds.min is None:
        return None
    weights = values.get("weight", np.full(len(numbers), np.nan))
    given = ~(np.isnan(numbers) | np.isnan(weights))
    if not given.any():
        return None
    heaviest = [bounds.min for alternative in rule.when for name, bounds in alternative if name == "weight"]
    return roughness_rule(
        numbers[given],
        weights[given],
        single_maximum=single,
        average_maximum=average.max,
        threshold=more.bounds.min,
        further_balls=more.count or 0,
        minimum_weight=heaviest[0] or 0.0 if heaviest else 0.0,
        confidence=confidence,
    )


@dataclass(frozen=True, slots=True)
class ClassDecision:
    """What the plan of one class says of the balls that break, or may break, one of its rules.

    `aql` in percent; None: no ball that breaks one is accepted.
    """

    name: str
    aql: float | None
    rules: tuple[str, ...]
    plan: ChosenPlan
    by_count: PlanDecision


@dataclass(frozen=True, slots=True)
class Acceptance:
    """The decision on a lot: `lot_accepted` True, False, or None where nothing is decided.

    `to_remove`: nonconforming balls found, none of which an accepted lot keeps; `remaining`: the balls of the
    lot without them, None where its size is not known.

    `scope` is `all` or `measured`: by every rule, or by the rules on quantities the file has. `not_judged`
    names the rules that lack their quantity.

    `classes`: of defects, which decide in place of `by_count`.

    Probabilities are of accepting a lot of that quality by the attributes plan; None without sampling risk.
    """

    lot_accepted: bool | None
    outcome: str
    message: str
    scope: str
    not_judged: tuple[str, ...]
    reasons: tuple[str, ...]
    to_remove: int
    remaining: int | None
    acceptance_at_aql: float | None
    acceptance_at_limiting_quality: float | None
    aql: float | None
    limiting_quality: float | None
    by_count: PlanDecision
    classes: tuple[ClassDecision, ...] = ()


def accept_lot(
    plan: ChosenPlan,
    by_count: PlanDecision,
    variables: Sequence[VariablesOutcome],
    sample_rules: Sequence[SampleRuleOutcome],
    *,
    sample_rules_count: bool,
    nonconforming: int,
    scope: str = "all",
    not_judged: tuple[str, ...] = (),
    discontinued: bool = False,
    classes: tuple[ClassDecision, ...] = (),
) -> Acceptance:
    """Join the parts: the worst of them decides, and none that is not assessed is a pass.

    Parameters
    ----------
    plan : ChosenPlan
    by_count : PlanDecision
    variables : sequence of VariablesOutcome
    sample_rules : sequence of SampleRuleOutcome
    sample_rules_count : bool, whether the rules on samples decide with the rest
    nonconforming : int, balls found in all that was measured
    scope : str, `all` or `measured`
    not_judged : tuple of str, titles of rules
    discontinued : bool, whether acceptance has stopped, so that no lot is accepted
    classes : tuple of ClassDecision, decided in place of the count of all

    Returns
    -------
    Acceptance
    """
    told = [
        _Part(
            f"Balls, {each.name} rules",
            _counted_by(each.plan.kind, each.name),
            each.by_count.outcome,
            each.by_count.message,
        )
        for each in classes
    ] or [_Part("Balls", _counted_by(plan.kind), by_count.outcome, by_count.message)]
    deciding = [part.cause for part in told]
    if discontinued:
        told.append(_Part("Series", "", "not_assessed", DISCONTINUED))
    for test in variables:
        name = test.quantity.replace("_", " ")
        what = f"its variables plan for {name}"
        told.append(_Part(f"Variables plan for {name}", what, test.outcome, test.message))
        deciding.append(what)
    if sample_rules_count:
        told += [
            _Part(each.title, f"the rule on samples {each.title!r}", each.outcome, _of_model(each))
            for each in sample_rules
            if each.outcome != "not_assessed"
        ]
    told.sort(key=lambda part: WORST_FIRST.index(part.outcome))
    outcome = told[0].outcome
    causes = [part.cause for part in told if part.outcome == "nonconforming"]
    return Acceptance(
        {"conforming": True, "nonconforming": False}.get(outcome),
        outcome,
        _message(outcome, causes or deciding, nonconforming, scope, not_judged, discontinued),
        scope,
        not_judged,
        tuple(f"{part.title}: {part.message}" for part in told),
        nonconforming,
        None if plan.lot_size is None else plan.lot_size - nonconforming,
        plan.acceptance_at_aql,
        plan.acceptance_at_limiting_quality,
        plan.aql,
        plan.limiting_quality,
        by_count,
        classes,
    )


def _of_model(rule: SampleRuleOutcome) -> str:
    return rule.message if rule.model is None else f"{rule.model}: {rule.message}"


class _Part(NamedTuple):
    """One part of the decision: its title, how it is named as a cause, its outcome and why."""

    title: str
    cause: str
    outcome: str
    message: str


def _message(
    outcome: str,
    causes: Sequence[str],
    nonconforming: int,
    scope: str,
    not_judged: tuple[str, ...],
    discontinued: bool,
) -> str:
    text = _MESSAGES[outcome].format(causes=" and by ".join(causes))
    if discontinued and outcome != "nonconforming":
        text = f"The lot is not accepted: {DISCONTINUED}."
    if outcome == "conforming" and nonconforming:
        text += f" Remove {counted(nonconforming, 'nonconforming ball')} from it."
    if scope == "measured" and not_judged:
        text += f" By the rules on what was measured; not judged: {counted(len(not_judged), 'rule')}."
    return text


DISCONTINUED = "acceptance under this plan is discontinued until the maker has acted (ISO 2859-1, 9.4)"


def _counted_by(kind: str, name: str | None = None) -> str:
    """What decides by the number of nonconforming balls, by the kind of plan; name: of a class of defects."""
    if kind == "every_ball":
        return "the count of all its balls" if name is None else f"the count of its balls, {name} rules"
    if kind == "none":
        rules = f"the count of its sample, {name} rules"
        return "the count of its sample, without a plan" if name is None else rules
    return "its plan" if name is None else f"its {name} plan"


_MESSAGES = {
    "conforming": "The lot is accepted by {causes}.",
    "nonconforming": "The lot is rejected by {causes}.",
    "inconclusive": "The lot is neither accepted nor rejected: what was measured does not decide it.",
    "not_assessed": "The lot is neither accepted nor rejected: not every ball was judged. This is no pass.",
}


def counted(number: int, thing: str) -> str:
    """A number of things in words.

    Parameters
    ----------
    number : int
    thing : str, in the singular

    Returns
    -------
    str
    """
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
