"""From outcome codes to findings: one JSON-ready entry a rule, each with a full sentence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from ballgauge_service.rulebooks.assessor import Assessment
from ballgauge_service.rulebooks.cells import GAP
from ballgauge_service.rulebooks.decision import (
    CONFORMING,
    INCONCLUSIVE,
    NONCONFORMING,
    NOT_ASSESSED,
    NOT_JUDGED,
    OUTCOMES,
    conformity_probability,
)
from ballgauge_service.rulebooks.editions import APPROVED_ON, UNDETERMINED, Compiled, Edition, State
from ballgauge_service.rulebooks.model import BASES, Limit, Rule

# Wide enough for every published limit; the value itself is in the finding (ours).
_DIGITS = 6


def findings(assessment: Assessment, ball: int) -> list[dict[str, Any]]:
    """The findings on one ball of an assessment, in the order of the rulebook.

    Each has `rule`, `title`, `clause`, `basis`, `source` (where several limits may hold the least sure basis
    and every source), `quantity`, `unit`, `limit` {`min`, `max`}, `value`, `uncertainty`, `margin` (distance
    to the nearest limit, negative outside), `probability` (of conformity), `outcome`, `advisory` (not counted
    in the overall outcome) and `message`. Numbers are in the rule's unit; what is not known is None.

    Raises IndexError where there is no such ball.
    """
    reader = _Reader(assessment, ball)
    codes = assessment.outcome[:, ball].tolist()
    return [
        reader.finding(position, codes[row])
        for position, row in enumerate(assessment.plan.row)
        if codes[row] != NOT_JUDGED
    ]


def unmet(assessment: Assessment, ball: int) -> list[dict[str, Any]]:
    """The rules that count and that one ball does not meet: broken, undecided or not assessed.

    Each has `rule`, `outcome`, `limit`, `value` and `margin`, as its finding has them; `limit` is None where
    the rule sets none.

    Raises IndexError where there is no such ball.
    """
    reader = _Reader(assessment, ball)
    rules = assessment.edition.regime.rules
    found = []
    for position, row in enumerate(assessment.plan.row):
        code, rule = assessment.outcome.item(row, ball), rules[position].rule
        if code <= CONFORMING or rule.advisory:
            continue
        state = reader.state(position)
        if not state.uncounted:
            quote = reader.quotes[position][_deciding(state, code)]
            low, high, value = quote.low, quote.high, reader.value(rule.quantity)
            found.append(
                {
                    "rule": rule.id,
                    "outcome": OUTCOMES[code],
                    "limit": None if low is None and high is None else {"min": low, "max": high},
                    "value": value,
                    "margin": None if value is None else _margin(value, low, high),
                }
            )
    return found


def missing(assessment: Assessment, ball: int) -> list[dict[str, Any]]:
    """What one ball lacks for a verdict: [{`field`: column name, `needed_for`: [rule ids]}].

    A column is named where its own value is missing, or where it decides between limits that disagree. Rules
    that are advisory or do not reach the ball ask for nothing.

    Raises IndexError where there is no such ball.
    """
    reader = _Reader(assessment, ball)
    codes = assessment.outcome[:, ball].tolist()
    needed: dict[str, list[str]] = {}
    for position, row in enumerate(assessment.plan.row):
        item = assessment.edition.regime.rules[position]
        if codes[row] == NOT_ASSESSED and not item.rule.advisory:
            for column in reader.lacking(item, reader.state(position)):
                needed.setdefault(column, []).append(item.rule.id)
    return [{"field": column, "needed_for": rules} for column, rules in needed.items()]


def column_words(column: str) -> str:
    """A column's name in words."""
    return column.replace("_", " ")


@lru_cache(maxsize=4096)
def amount(value: float, unit: str | None, low: float | None = None, high: float | None = None) -> str:
    """A number with its unit, short, but never rounded onto or across a limit it does not lie on."""
    text = f"{value:.{_DIGITS}g}"
    for limit in (low, high):
        if limit is not None and _side(float(text), limit) != _side(value, limit):
            text = repr(value)
    return text if unit is None or unit == "1" else f"{text} {unit}"


def _side(value: float, limit: float) -> int:
    return (value > limit) - (value < limit)


def limit_words(low: float | None, high: float | None, unit: str | None) -> str:
    """A limit in words: at least, at most, from one to another, so much either way."""
    if low is None and high is None:
        return "none"
    if low is None:
        return f"at most {amount(high or 0.0, unit)}"
    if high is None:
        return f"at least {amount(low, unit)}"
    if low == -high:
        return f"{amount(high, unit)} either way"
    return f"{amount(low, None)} to {amount(high, unit)}"


@dataclass(frozen=True, slots=True)
class _Quote:
    """A limit with the sentences about it: before and after what is said of the ball's approval."""

    limit: Limit | None
    low: float | None
    high: float | None
    source: str | None
    allowed: str
    before: str
    after: str


@lru_cache(maxsize=64)
def _quotes(edition: Edition) -> tuple[tuple[_Quote, ...], ...]:
    """For each rule a quote of each limit, and last the quote of no limit."""
    return tuple(
        tuple(_quote(edition, item.rule, limit) for limit in (*item.rule.limits, None))
        for item in edition.regime.rules
    )


def _quote(edition: Edition, rule: Rule, limit: Limit | None) -> _Quote:
    if limit is None:
        return _Quote(None, None, None, None, "none", _dates(edition, rule, ""), "")
    note = f" {limit.note}" if limit.note else ""
    clause = f", clause {rule.clause}" if rule.clause else ""
    return _Quote(
        limit=limit,
        low=limit.min,
        high=limit.max,
        source=str(limit.source),
        allowed=limit_words(limit.min, limit.max, rule.unit),
        before=note + _dates(edition, rule, _span(limit)),
        after=f" Basis: {limit.basis.replace('_', ' ')}, {limit.source}{clause}.",
    )


def _dates(edition: Edition, rule: Rule, span: str) -> str:
    if rule.binds == "use":
        own = "" if edition.on_given else ", the date of this rulebook"
        return f" Judged by the rule in force on {edition.on}{own}{f' (in force {span})' if span else ''}."
    return f" It holds for balls approved {span};" if span else " It binds by the date of approval;"


def _span(limit: Limit) -> str:
    """From when until when a limit holds; nothing of a row that sets no limit."""
    if limit.effect != "limit":
        return ""
    first, last = limit.effective_from, limit.effective_to
    ends = (first and f"from {first}", last and f"until {last}")
    return " ".join(end for end in ends if end)


class _Reader:
    """Reads one ball's findings out of an assessment."""

    def __init__(self, assessment: Assessment, ball: int) -> None:
        self.assessment = assessment
        self.edition = assessment.edition
        self.ball = ball
        self.quotes = _quotes(assessment.edition)
        self.guarded = assessment.decision.rule == "guarded"

    @cached_property
    def approval(self) -> str:
        """What is said of the day of approval."""
        given = self.assessment.approved_on
        if given is None or np.isnat(given[self.ball]):
            return f" the date of approval was not given, so the rule in force on {self.edition.on} applies."
        return f" this ball was approved on {given[self.ball].astype('datetime64[D]')}."

    def value(self, column: str | None) -> float | None:
        """The ball's value in a column, None where it is not known."""
        known = self.assessment.columns.get(column or "")
        value: float = math.nan if known is None else known.values.item(self.ball)
        return None if value != value else value

    def uncertainty(self, column: str | None) -> float | None:
        """The standard uncertainty of the ball's value, None where none was given."""
        known = self.assessment.columns.get(column or "")
        if known is None or known.uncertainty is None:
            return None
        spread: float = known.uncertainty.item(self.ball)
        return None if spread != spread else spread

    def state(self, position: int) -> State:
        """The state of the ball under a rule."""
        plan = self.assessment.plan
        row = plan.row[position]
        plain = len(plan.plain_states)
        idle = plain + len(plan.split.columns)
        if row < plain:
            found = plan.plain_states.item(row)
        elif row < idle:
            found = self.assessment.split_states.item(row - plain, self.ball)
        else:
            found = plan.idle_states[row - idle]
        if found == UNDETERMINED:
            found = self.assessment.states_of(position).item(self.ball)
        return self.edition.regime.states[found]

    def lacking(self, item: Compiled, state: State) -> list[str]:
        """The columns without which the rule cannot judge the ball."""
        if state.uncounted or state.limits == (GAP,):
            return []
        quantity = item.rule.quantity
        if quantity is not None and self.value(quantity) is None:
            return [quantity]
        return [axis for axis in item.axes if axis != APPROVED_ON and self.value(axis) is None]

    def finding(self, position: int, code: int) -> dict[str, Any]:
        """The finding of one rule."""
        rule = self.edition.regime.rules[position].rule
        state = self.state(position)
        quote = self.quotes[position][_deciding(state, code)]
        limit, low, high = quote.limit, quote.low, quote.high
        basis, source = (limit.basis, quote.source) if limit is not None else _undecided(rule, state)
        value, spread = self.value(rule.quantity), self.uncertainty(rule.quantity)
        margin = None if value is None else _margin(value, low, high)
        probability = None if margin is None or spread is None else _probability(value, spread, limit)
        if code == NOT_ASSESSED:
            text = self._not_assessed(position, state, limit)
        elif margin is None or value is None:
            text = f"{rule.title}: nothing is asked here."
        elif code == INCONCLUSIVE:
            shown = amount(value, rule.unit, low, high)
            doubt = self._doubt(rule, probability)
            text = f"{rule.title} is {shown} against a limit of {quote.allowed}: {doubt}"
        else:
            text = _verdict(rule, code, value, quote, margin)
            if self.guarded:
                text += self._guard(probability)
        dates = quote.before if rule.binds == "use" else quote.before + self.approval
        return {
            "rule": rule.id,
            "title": rule.title,
            "clause": rule.clause,
            "basis": basis,
            "source": source,
            "quantity": rule.quantity,
            "unit": rule.unit,
            "limit": {"min": low, "max": high},
            "value": value,
            "uncertainty": spread,
            "margin": margin,
            "probability": probability,
            "outcome": OUTCOMES[code],
            "advisory": rule.advisory or state.uncounted,
            "message": text + dates + quote.after,
        }

    def _guard(self, probability: float | None) -> str:
        if probability is None:
            return " No uncertainty was given, so the value was compared as exact."
        risk = self.assessment.decision.risk
        return f" The probability that it conforms is {probability:.3g}; the risk is {risk:g}."

    def _doubt(self, rule: Rule, probability: float | None) -> str:
        risk = self.assessment.decision.risk
        if self.guarded and probability is not None and risk < probability < 1.0 - risk:
            span = f"{risk:g} and {1.0 - risk:g}"
            return (
                f"it conforms with a probability of {probability:.3g}, between {span}, so it does not decide."
            )
        known = self.assessment.columns[rule.quantity or ""].alternates
        others = [] if known is None else [x for x in known[:, self.ball].tolist() if x == x]
        least, most = (amount(x, rule.unit) for x in (min(others), max(others)))
        return f"it could also be {least} to {most}, where the verdict differs, so it does not decide."

    def _not_assessed(self, position: int, state: State, limit: Limit | None) -> str:
        item = self.edition.regime.rules[position]
        title = item.rule.title
        if limit is not None and limit.effect == "unbound":
            return f"{title} is not assessed: the rule does not bind here."
        if limit is not None and limit.effect == "words":
            return f"{title} is not assessed: it cannot be judged from numbers."
        if state.limits == (GAP,):
            return f"{title} is not assessed: no limit is known for this date and this ball."
        if self.value(item.rule.quantity) is None:
            return f"{title} is not assessed: no value of {column_words(str(item.rule.quantity))} was given."
        return f"{title} is not assessed: {self._disagreement(item, state)}"

    def _disagreement(self, item: Compiled, state: State) -> str:
        unknown = " and ".join(column_words(column) for column in self.lacking(item, state))
        possible = [None if p == GAP else item.rule.limits[p] for p in state.limits]
        words = dict.fromkeys(_possibility(limit, item.rule.unit) for limit in possible)
        return f"the limit depends on {unknown}, which was not given, and may be: {'; '.join(words)}."


def _possibility(limit: Limit | None, unit: str | None) -> str:
    if limit is None:
        return "not known"
    return limit_words(limit.min, limit.max, unit) if limit.effect == "limit" else "none"


def _deciding(state: State, code: int) -> int:
    """The position of the limit a finding quotes; -1 for none.

    The narrowest that may hold; of a nonconforming ball the widest; none where they disagree.
    """
    if code == NOT_ASSESSED and len(state.limits) > 1:
        return -1
    return state.wide if code == NONCONFORMING else state.tight


def _undecided(rule: Rule, state: State) -> tuple[str, str]:
    """Basis and source where no single limit decides: the least sure of those that may hold, and all sources.

    Where no limit is known, those of the rule on other dates and for other balls.
    """
    rows = [rule.limits[p] for p in state.limits if p != GAP] or rule.limits
    return max((row.basis for row in rows), key=BASES.index), "; ".join(
        dict.fromkeys(str(r.source) for r in rows)
    )


def _margin(value: float, low: float | None, high: float | None) -> float | None:
    if low is None:
        return None if high is None else high - value
    return value - low if high is None else min(value - low, high - value)


def _probability(value: float | None, spread: float, limit: Limit | None) -> float | None:
    if limit is None or value is None:
        return None
    columns = (np.array([number]) for number in (value, spread, *limit.interval))
    return float(conformity_probability(*columns)[0])


def _verdict(rule: Rule, code: int, value: float, quote: _Quote, margin: float) -> str:
    shown = amount(value, rule.unit, quote.low, quote.high)
    for outcome, own in rule.message:
        if outcome == OUTCOMES[code]:
            return own.replace("{value}", shown).replace("{limit}", quote.allowed)
    if code == CONFORMING:
        return f"{rule.title} is {shown}, within the limit of {quote.allowed}."
    if margin >= 0.0:
        return f"{rule.title} is {shown}, too near the limit of {quote.allowed} for its uncertainty."
    return f"{rule.title} is {shown}, outside the limit of {quote.allowed} by {amount(-margin, rule.unit)}."
