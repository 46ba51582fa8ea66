"""From outcome codes to words: the findings on one ball, and the reasons of a lot, of the same parts.

What an edition says of a state of a rule and an outcome is put into words once; a finding adds the ball's own
value, margin and date.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from ballgauge_schemas.shared.words import BASES, OUTCOMES
from ballgauge_service.core.units import DAY, day_text
from ballgauge_service.rulebooks.assessor import Assessment, Facts
from ballgauge_service.rulebooks.decision import (
    CONFORMING,
    INCONCLUSIVE,
    NONCONFORMING,
    NOT_ASSESSED,
    NOT_JUDGED,
    Decision,
    conformity_probability,
)
from ballgauge_service.rulebooks.editions import APPROVED_ON, MADE_ON, POSITIONS, Edition, State
from ballgauge_service.rulebooks.judge import ABOVE, BELOW, LACKING, SIDES
from ballgauge_service.rulebooks.model import Limit, Rule

# Wide enough for every published limit; the value itself is in the finding (ours).
_DIGITS = 6

# Below this probability of conformity simple acceptance says so (ours).
_SURE = 0.95

_APPROVED_ON, _MADE_ON = POSITIONS[APPROVED_ON], POSITIONS[MADE_ON]


def findings(
    assessment: Assessment, ball: int, words: Mapping[str, str] = MappingProxyType({})
) -> list[dict[str, Any]]:
    """The findings on one ball of an assessment, in the order of the rulebook.

    words: by quantity, what the findings on it say of this ball in place of the usual sentence

    Each has `rule`, `title`, `clause`, `basis`, `source` (where several limits may hold the least sure basis
    and every source), `quantity`, `unit`, `limit` {`min`, `max`}, `value`, `uncertainty`, `margin` (distance
    to the nearest limit, negative outside), `probability` (of conformity), `outcome`, `advisory` (not counted
    in the overall outcome) and `message`. Numbers are in the rule's unit; what is not known is None.

    Raises IndexError where there is no such ball.
    """
    edition, decision, facts = assessment.edition, assessment.decision, assessment.facts[ball]
    told = _sayings(edition)
    approved, made = facts.values[_APPROVED_ON], facts.values[_MADE_ON]
    of_approval, of_make = "the date of approval was not given", "the day of manufacture was not given"
    if approved == approved:
        of_approval = f"this ball was approved on {amount(approved, DAY)}"
    if made == made:
        of_make = f"this ball was made on {amount(made, DAY)}"
    days = {"use": "", "approval": f" {of_approval}.", "made": f" {of_make}."}
    return [
        _finding(told[state, code], code, facts, decision, days, edition, words)
        for state, code in zip(assessment.held[ball], assessment.codes[ball], strict=True)
        if code != NOT_JUDGED
    ]


def unmet(assessment: Assessment, ball: int) -> list[dict[str, Any]]:
    """The rules that count and that one ball does not meet: broken, undecided or not assessed.

    Each has `rule`, `outcome`, `limit`, `value` and `margin`, as its finding has them; `limit` is None where
    the rule sets none.

    Raises IndexError where there is no such ball.
    """
    told, facts = _sayings(assessment.edition), assessment.facts[ball]
    listed = []
    for place in _unkept(assessment, ball):
        code = assessment.codes[ball][place]
        saying = told[assessment.held[ball][place], code]
        if not saying.fixed["advisory"]:
            value, low, high = facts.values[saying.column], saying.low, saying.high
            value = assessment.edition.met(saying.quantity, value)
            bounded, known = low is not None or high is not None, value == value
            judged = bounded and known and saying.interval is not None
            listed.append(
                {
                    "limit": {"max": high, "min": low} if bounded else None,
                    "margin": _margin(value, saying.interval) if judged else None,
                    "outcome": OUTCOMES[code],
                    "rule": saying.rule.id,
                    "value": value if known else None,
                }
            )
    return listed


def missing(
    assessment: Assessment, ball: int, wanted: Mapping[str, str] = MappingProxyType({})
) -> list[dict[str, Any]]:
    """What one ball lacks for a verdict: [{`field`: column name, `needed_for`: [rule ids]}].

    A column is named where its own value is missing, or where it decides between limits that disagree; None
    stands for a limit that the rulebook does not know. Rules that are advisory or do not reach the ball ask
    for nothing. wanted: by quantity, what is named in its stead where it is not decided.

    Raises IndexError where there is no such ball.
    """
    needed: dict[str | None, list[str]] = {}
    edition, facts = assessment.edition, assessment.facts[ball]
    for place in _unkept(assessment, ball):
        code, rule = assessment.codes[ball][place], edition.rules[place]
        state = edition.regime.states[assessment.held[ball][place]]
        if rule.advisory or state.uncounted or code == NONCONFORMING:
            continue
        columns: tuple[str | None, ...] = state.unknown
        if state.limits == (None,):
            columns = (None,)
        elif (instead := wanted.get(str(rule.quantity))) is not None:
            columns = (instead,)
        elif rule.quantity is None or not math.isnan(facts.values[POSITIONS[rule.quantity]]):
            columns = columns or ((None,) if code == NOT_ASSESSED else ())
        else:
            columns = (rule.quantity,)
        for column in columns:
            needed.setdefault(column, []).append(rule.id)
    return [{"field": column, "needed_for": names} for column, names in needed.items()]


def _unkept(assessment: Assessment, ball: int) -> list[int]:
    """The rules that one ball does not keep for sure, by their places."""
    return [place for place, code in enumerate(assessment.codes[ball]) if code > CONFORMING]


@lru_cache(maxsize=64)
def reasons(edition: Edition) -> tuple[str, ...]:
    """Why a rule decides, in words, by `Verdicts.reason`."""
    return (
        *(
            _reason(edition, edition.rules[state.rule], state, code, side)
            for state in edition.regime.states
            for code in range(len(OUTCOMES))
            for side in range(SIDES)
        ),
        "no rule could be judged",
    )


def _reason(edition: Edition, rule: Rule, state: State, code: int, side: int) -> str:
    limit = state.quoted(code)
    if code == NOT_ASSESSED:
        return _not_assessed(edition, rule, state, lacking=side == LACKING)
    if code == INCONCLUSIVE and len(state.limits) > 1:
        return f"{rule.title} is not decided: {_open(edition, rule, state)}"
    if limit is None or limit.effect != "limit":
        return _nothing_asked(rule)
    allowed = _allowed(rule, limit)
    if code == INCONCLUSIVE:
        return f"{rule.title} is too near the limit of {allowed} to decide with its uncertainty"
    if code == CONFORMING:
        return f"{rule.title} is nearest its limit of {allowed}"
    if side == BELOW:
        return f"{rule.title} is under the limit of {amount(limit.min or 0.0, rule.unit)}"
    if side == ABOVE:
        return f"{rule.title} is over the limit of {amount(limit.max or 0.0, rule.unit)}"
    return f"{rule.title} is {_near(allowed)}"


@lru_cache(maxsize=4096)
def amount(value: float, unit: str | None, low: float | None = None, high: float | None = None) -> str:
    """A number with its unit, short, but never rounded onto or across a limit it does not lie on."""
    if unit == DAY:
        return day_text(value)
    text = f"{value:.{_DIGITS}g}"
    shown = float(text)
    for limit in (low, high):
        if limit is not None and _side(shown, limit) != _side(value, limit):
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
    return between(low, high, unit)


def between(low: float, high: float, unit: str | None) -> str:
    """Both ends of a limit in words, with their unit once."""
    return f"{amount(low, DAY if unit == DAY else None)} to {amount(high, unit)}"


def _allowed(rule: Rule, limit: Limit | None) -> str:
    return "none" if limit is None else limit_words(limit.min, limit.max, rule.unit)


def _near(allowed: str) -> str:
    return f"too near the limit of {allowed} for its uncertainty"


def _nothing_asked(rule: Rule) -> str:
    return f"{rule.title}: nothing is asked here"


def _not_assessed(edition: Edition, rule: Rule, state: State, *, lacking: bool) -> str:
    """Why a rule is not assessed; `lacking`: the ball has no value for it."""
    first = state.limits[0]
    if len(state.limits) == 1 and first is not None and first.effect == "unbound":
        why = "the rule does not bind here"
    elif len(state.limits) == 1 and first is not None and first.effect == "words":
        why = "it cannot be judged from numbers"
        if not rule.advisory:
            why += f"; ask {_whom(edition, rule)}"
    elif state.limits == (None,):
        why = f"no limit is known for this date and this ball; ask {_whom(edition, rule)}"
    elif lacking:
        named = _COLUMN_WORDS.get(str(rule.quantity))
        why = (
            f"{named} was not told" if named else f"no value of {_column_words(str(rule.quantity))} was given"
        )
    else:
        why = _open(edition, rule, state)
    return f"{rule.title} is not assessed: {why}"


def _whom(edition: Edition, rule: Rule) -> str:
    clause = f", clause {rule.clause}" if rule.clause else ""
    return f'the {edition.source.title} for its rule "{rule.title}"{clause}'


def _open(edition: Edition, rule: Rule, state: State) -> str:
    """Why it is open which of several limits holds."""
    unknown = " and ".join(map(_column_words, state.unknown))
    possible = "; ".join(dict.fromkeys(_possibility(rule, limit) for limit in state.limits))
    ask = f"; ask {_whom(edition, rule)}" if None in state.limits else ""
    return f"the limit depends on {unknown}, not given or not sure enough; it may be: {possible}{ask}"


def _column_words(column: str) -> str:
    return _COLUMN_WORDS.get(column) or column.replace("_", " ")


_COLUMN_WORDS = {
    "approved_on": "the day of approval",
    "made_on": "the day of manufacture",
    "reactive_cover": "whether the cover is reactive",
    "urethane_cover": "whether the cover is urethane",
    "house_ball": "whether it is a house ball",
    "high_performance_core": "whether the core is a high-performance one",
    "identity": "whether the ball is on the approved list",
    "unmarked_grip_centre": "whether the grip center is marked",
    "asymmetric": "whether the ball is asymmetrical",
}


def _possibility(rule: Rule, limit: Limit | None) -> str:
    if limit is None:
        return "not known"
    return _allowed(rule, limit) if limit.effect == "limit" else "none"


@dataclass(frozen=True, slots=True)
class _Saying:
    """What an edition says of a state and an outcome, whatever the ball's own numbers are.

    `fixed` is the finding without its numbers; `quantity` "" of a rule with none, and `column` its number.
    `lacking`, `plain`: the sentence of a ball without a value, and of one with, where it names no number;
    `open`: why several limits may hold; `twin`: the limit's printed metric twin; the day of approval or of
    manufacture, where the rule binds by one, is told between `before` and `after`.
    """

    fixed: dict[str, Any]
    rule: Rule
    quantity: str
    column: int
    low: float | None
    high: float | None
    interval: tuple[float, float] | None
    printed: tuple[float, float] | None
    allowed: str
    lacking: str
    plain: str | None
    own: str | None
    open: str | None
    twin: str | None
    before: str
    after: str


class _Sayings(dict[tuple[int, int], _Saying]):
    """The sayings of an edition by state and outcome, each put into words when it is first needed."""

    def __init__(self, edition: Edition) -> None:
        super().__init__()
        self._edition = edition

    def __missing__(self, key: tuple[int, int]) -> _Saying:
        number, code = key
        state = self._edition.regime.states[number]
        saying = self[key] = _saying(self._edition, self._edition.rules[state.rule], state, code)
        return saying


_sayings = lru_cache(maxsize=64)(_Sayings)


def _saying(edition: Edition, rule: Rule, state: State, code: int) -> _Saying:
    limit = state.quoted(code)
    bounded = limit is not None and limit.effect == "limit"
    basis, source = _origin(state) if limit is None else (limit.basis, str(limit.source))
    note = "" if limit is None or not limit.note else f" {limit.note}"
    if code == NOT_ASSESSED:
        lacking = f"{_not_assessed(edition, rule, state, lacking=True)}."
        plain = f"{_not_assessed(edition, rule, state, lacking=False)}."
    else:
        lacking = plain = f"{_nothing_asked(rule)}."
    return _Saying(
        fixed={
            "advisory": rule.advisory or state.uncounted,
            "basis": basis,
            "clause": rule.clause,
            "limit": None,
            "margin": None,
            "message": "",
            "outcome": OUTCOMES[code],
            "probability": None,
            "quantity": rule.quantity,
            "rule": rule.id,
            "source": source,
            "title": rule.title,
            "uncertainty": None,
            "unit": rule.unit,
            "value": None,
        },
        rule=rule,
        quantity=rule.quantity or "",
        column=POSITIONS[rule.quantity],
        low=None if limit is None else limit.min,
        high=None if limit is None else limit.max,
        interval=None if limit is None or (code == INCONCLUSIVE and limit.doubtful) else limit.interval,
        printed=None if limit is None else limit.printed,
        allowed=_allowed(rule, limit),
        lacking=lacking,
        plain=None if code == INCONCLUSIVE or (bounded and code != NOT_ASSESSED) else plain,
        own=dict(rule.message).get(OUTCOMES[code]),
        open=_open(edition, rule, state) if len(state.limits) > 1 else None,
        twin=None if limit is None else limit.metric_twin,
        before=note + _dates(edition, rule, limit),
        after="" if limit is None else _basis(rule, limit),
    )


def _basis(rule: Rule, limit: Limit) -> str:
    clause = f", clause {rule.clause}" if rule.clause else ""
    return f" Basis: {limit.basis.replace('_', ' ')}, {limit.source}{clause}."


def _dates(edition: Edition, rule: Rule, limit: Limit | None) -> str:
    span = "" if limit is None else _span(limit)
    if rule.binds == "use":
        own = "" if edition.on_given else ", the date of this rulebook"
        return f" Judged by the rule in force on {edition.on}{own}{f' (in force {span})' if span else ''}."
    if rule.binds == "made":
        return f" It holds for balls made {span};" if span else " It binds by the day of manufacture;"
    return f" It holds for balls approved {span};" if span else " It binds by the date of approval;"


def _span(limit: Limit) -> str:
    """From when until when a limit holds; nothing of a row that sets no limit."""
    if limit.effect != "limit":
        return ""
    first, last = limit.effective_from, limit.effective_to
    if first and last:
        return f"from {first} until {last}"
    return f"from {first}" if first else f"until {last}" if last else ""


def _origin(state: State) -> tuple[str | None, str | None]:
    """Basis and source where no single limit decides: the least sure of those that may hold, and all sources.

    None where no limit is known.
    """
    rows = [limit for limit in state.limits if limit is not None]
    if not rows:
        return None, None
    sources = dict.fromkeys(str(row.source) for row in rows)
    return max((row.basis for row in rows), key=BASES.index), "; ".join(sources)


def _finding(
    saying: _Saying,
    code: int,
    facts: Facts,
    decision: Decision,
    days: Mapping[str, str],
    edition: Edition,
    words: Mapping[str, str],
) -> dict[str, Any]:
    value, spread = facts.values[saying.column], facts.spread.get(saying.column, math.nan)
    finding = saying.fixed.copy()
    finding["limit"] = {"max": saying.high, "min": saying.low}
    if math.isfinite(spread):
        finding["uncertainty"] = spread
    text = saying.lacking
    if value == value:
        finding["value"] = value
        if saying.plain is not None:
            text = saying.plain
        else:
            judged, probability = edition.met(saying.quantity, value), None
            if saying.interval is not None:
                margin = _margin(judged, saying.printed)
                finding["margin"] = max(margin, 0.0) if code == CONFORMING else margin
                if spread == spread:
                    probability = conformity_probability(judged, spread, *saying.interval)
                    finding["probability"] = probability
            if code == INCONCLUSIVE:
                others = facts.alternates.get(saying.column, ())
                text = _inconclusive(saying, value, others, probability, decision)
            else:
                text = _verdict(saying, code, value, _margin(judged, saying.printed))
                if decision.rule == "guarded":
                    text += _guard(probability, decision.risk)
                elif code == CONFORMING and probability is not None and probability < _SURE:
                    text += (
                        f" The value alone was compared: the probability that it conforms is "
                        f"{probability:.3g}, under {_SURE:g}."
                    )
            if saying.twin is not None and judged != value:
                text += f" It is just the printed {saying.twin}, which meets the limit."
    text = words.get(saying.quantity, text)
    finding["message"] = f"{text}{saying.before}{days[saying.rule.binds]}{saying.after}"
    return finding


def _margin(value: float, interval: tuple[float, float] | None) -> float:
    low, high = interval or (math.nan, math.nan)
    return min(value - low, high - value)


def _verdict(saying: _Saying, code: int, value: float, margin: float) -> str:
    title, unit, allowed = saying.rule.title, saying.rule.unit, saying.allowed
    shown = amount(value, unit, saying.low, saying.high)
    if saying.own is not None:
        return saying.own.replace("{value}", shown).replace("{limit}", allowed)
    if code == CONFORMING:
        return f"{title} is {shown}, within the limit of {allowed}."
    if margin >= 0.0:
        return f"{title} is {shown}, {_near(allowed)}."
    return f"{title} is {shown}, outside the limit of {allowed} by {_distance(-margin, unit)}."


def _distance(margin: float, unit: str | None) -> str:
    if unit == DAY:
        return "1 day" if margin == 1.0 else f"{margin:g} days"
    return amount(margin, unit)


def _guard(probability: float | None, risk: float) -> str:
    if probability is None:
        return " No uncertainty was given, so the value was compared as exact."
    return f" The probability that it conforms is {probability:.3g}; the risk is {risk:g}."


def _inconclusive(
    saying: _Saying, value: float, alternates: Sequence[float], probability: float | None, decision: Decision
) -> str:
    rule, risk = saying.rule, decision.risk
    shown = amount(value, rule.unit, saying.low, saying.high)
    if saying.open is not None:
        return f"{rule.title} is {shown} and not decided: {saying.open}."
    if decision.rule == "guarded" and probability is not None and risk < probability < 1.0 - risk:
        doubt = f"it conforms with a probability of {probability:.3g}, between {risk:g} and {1.0 - risk:g}"
    elif not alternates:
        doubt = "not every source has this limit"
    else:
        known = [other for other in alternates if other == other]
        least, most = amount(min(known), rule.unit), amount(max(known), rule.unit)
        doubt = f"it could also be {least} to {most}, where the verdict differs"
    return f"{rule.title} is {shown} against a limit of {saying.allowed}: {doubt}, so it does not decide."
