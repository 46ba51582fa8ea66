"""Checks: requests against a rulebook, one ball or many through the same arrays."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .derived import READINGS, UNITS, Group, cautions
from .drillings import Balls, assumptions, derive, missing_for_drilling
from .physics.balance import PLAUSIBLE_ARMS, largest_imbalance, readings
from .physics.metrics import ASYMMETRIC_FROM
from .problems import InvalidInput
from .records import Item, diameter, impossible_ball, value
from .remedies import Limits, remedies
from .rulebooks import (
    COLUMNS,
    OUTCOMES,
    Assessment,
    Column,
    Decision,
    Edition,
    UnknownRulebookError,
    assess,
    edition,
    findings,
    missing,
)

Array = NDArray[np.float64]

DIGITS = ("thumb", "middle", "ring", "index", "little")
MEASURED = (
    "weight", "roundness", "rg", "differential", "intermediate_differential", "hardness", "friction",
    "restitution", "roughness", "oil_absorption_time", "max_density", "top_weight", "pin_to_cg",
    "pin_to_low_rg_axis", "mark_to_high_rg_axis", "cover_thickness", "cover_density",
)  # fmt: skip
BALANCE = ("balance_top", "balance_side", "balance_finger", "largest_imbalance")

_POINTERS = {
    **{name: f"/ball/{name}" for name in COLUMNS},
    **{
        name: "/drilling"
        for name in (
            "holes", "gripping_holes", "unused_gripping_holes", "thumb_holes", "balance_holes",
            "balance_hole_diameter", "vent_holes", "excess_vent_holes", "vent_hole_diameter", "mill_holes",
            "mill_hole_diameter", "mill_hole_depth",
        )
    },
    "unmarked_grip_centre": "/drilling/grip/center_marked",
    "reactive_cover": "/ball/cover",
    "asymmetric": "/ball/intermediate_differential",
    "balance_top": "/measured_balance/top",
    "balance_side": "/measured_balance/side",
    "balance_finger": "/measured_balance/finger",
    "largest_imbalance": "/measured_balance",
}  # fmt: skip
"""Where each column of the rules comes from in a request."""


class Fact(NamedTuple):
    """One quantity of one ball: value, standard uncertainty (NaN: none) and values at the ends of an unknown."""

    value: float
    uncertainty: float = math.nan
    alternates: tuple[float, float] | None = None


Facts = dict[str, Fact]
_UNKNOWN = Fact(math.nan)


class _Ask(NamedTuple):
    """What decides which items are judged together."""

    body: str
    on: datetime.date | None
    stage: str
    overlay: str | None
    rule: str
    risk: float


def evaluate_checks(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Answer loaded check requests, in order, as JSON-ready dicts.

    Raises InvalidInput naming every impossible field of every item.
    """
    editions = _editions(items)
    refused = [(index, *e) for index, item in enumerate(items) for e in _as_made_errors(item)]
    if refused:
        raise InvalidInput(refused)
    balls = Balls(items)
    answers: list[dict[str, Any]] = [{} for _ in items]
    for ask, indices in _groups(items).items():
        facts = [ball_facts(items[index], balls, index) for index in indices]
        days = [items[index]["ball"].get("approved_on") for index in indices]
        assessment = judge(editions[ask], facts, days, Decision(ask.rule, ask.risk))  # type: ignore[arg-type]
        overall = assessment.overall.tolist()
        for place, index in enumerate(indices):
            answers[index] = _answer(items[index], balls, index, assessment, place, OUTCOMES[overall[place]])
    return answers


def _as_made_errors(item: Item) -> list[tuple[str, str]]:
    """Impossible box numbers of an item without a drilling; those of drilled ones are found with the holes."""
    return [] if "drilling" in item else list(impossible_ball(item["ball"]))


def _ask(item: Item) -> _Ask:
    rules, decision = item["rules"], item["decision"]
    return _Ask(
        rules["body"], rules.get("on"), rules["stage"], rules.get("overlay"), decision["rule"], decision["risk"]
    )


def _groups(items: Sequence[Item]) -> dict[_Ask, list[int]]:
    groups: dict[_Ask, list[int]] = {}
    for index, item in enumerate(items):
        groups.setdefault(_ask(item), []).append(index)
    return groups


def _editions(items: Sequence[Item]) -> dict[_Ask, Edition]:
    found: dict[_Ask, Edition] = {}
    errors: list[tuple[int, str, str]] = []
    for ask, indices in _groups(items).items():
        try:
            found[ask] = edition(ask.body, ask.on, ask.stage, ask.overlay)  # type: ignore[arg-type]
        except UnknownRulebookError as unknown:
            errors.extend((index, "/rules/overlay", str(unknown)) for index in indices)
    if errors:
        raise InvalidInput(errors)
    return found


def judge(
    judged_by: Edition, facts: Sequence[Facts], approved_on: Sequence[datetime.date | None], decision: Decision
) -> Assessment:
    """Assess balls given as facts; approved_on, one a ball, None where unknown."""
    names = [name for name in COLUMNS if any(name in each for each in facts)]
    days = np.array([np.datetime64("NaT") if day is None else np.datetime64(day) for day in approved_on], "M8[D]")
    table = [[each.get(name, _UNKNOWN) for each in facts] for name in names]
    values = np.array([[fact.value for fact in row] for row in table])
    spread = np.array([[fact.uncertainty for fact in row] for row in table])
    stated = (~np.isnan(spread)).any(axis=1).tolist()
    columns = {
        name: Column(values[k], spread[k] if stated[k] else None, _alternates(table[k]))
        for k, name in enumerate(names)
    }
    return assess(judged_by, columns, days, decision)


def _alternates(facts: Sequence[Fact]) -> Array | None:
    if not any(fact.alternates for fact in facts):
        return None
    return np.array([fact.alternates or (math.nan, math.nan) for fact in facts]).T


def ball_facts(item: Item, balls: Balls, index: int) -> Facts:
    """Every quantity that a rule may ask about, of one ball; unknown ones are left out."""
    ball = item["ball"]
    facts: Facts = {}
    for name in MEASURED:
        if name in ball:
            quantity = ball[name]
            facts[name] = Fact(quantity[0], math.nan if quantity[1] is None else quantity[1])
    facts.update(_size_facts(ball))
    facts["house_ball"] = Fact(float(ball["house_ball"]))
    if "cover" in ball:
        facts["reactive_cover"] = Fact(float(ball["cover"] == "reactive"))
    if "intermediate_differential" in ball:
        facts["asymmetric"] = Fact(float(ball["intermediate_differential"][0] >= ASYMMETRIC_FROM))
    if "drilling" in item:
        facts.update(_drilling_facts(item["drilling"]))
    facts.update(_balance_facts(item, balls, index))
    return facts


def _size_facts(ball: Item) -> Facts:
    across = diameter(ball)
    if across is None:
        return {}
    spread = math.nan if across.uncertainty is None else across.uncertainty
    facts = {"diameter": Fact(across.value, spread)}
    if "circumference" in ball:
        around, u = ball["circumference"]
        facts["circumference"] = Fact(around, math.nan if u is None else u)
    else:
        facts["circumference"] = Fact(math.pi * across.value, math.pi * spread)
    return facts


def _drilling_facts(drilling: Item) -> Facts:
    holes = [hole for hole in drilling["holes"] if "slug_density" not in hole]
    thumb_used = [hole for hole in holes if hole["role"] == "thumb" and hole.get("used", True)]
    digits = [hole for hole in holes if hole["role"] in DIGITS and (hole["role"] != "thumb" or hole in thumb_used)]
    balance = [
        hole
        for hole in holes
        if hole["role"] == "balance" or (hole["role"] == "thumb" and not hole.get("used", True))
    ]
    vents = [hole for hole in holes if hole["role"] == "vent"]
    mills = [hole for hole in holes if hole["role"] == "mill"]
    counts = {
        "holes": len(holes),
        "gripping_holes": len(digits),
        "unused_gripping_holes": sum(not hole.get("used", True) for hole in digits),
        "thumb_holes": len(thumb_used),
        "balance_holes": len(balance),
        "vent_holes": len(vents),
        "excess_vent_holes": max(len(vents) - len(digits), 0),
        "mill_holes": len(mills),
    }
    facts = {name: Fact(float(count)) for name, count in counts.items()}
    facts["balance_hole_diameter"] = _largest(balance, "diameter")
    facts["vent_hole_diameter"] = _largest(vents, "diameter")
    facts["mill_hole_diameter"] = _largest(mills, "diameter")
    facts["mill_hole_depth"] = _largest(mills, "depth")
    marked = drilling.get("grip", {}).get("center_marked")
    if thumb_used or not digits:
        facts["unmarked_grip_centre"] = Fact(0.0)
    elif marked is not None:
        facts["unmarked_grip_centre"] = Fact(float(not marked))
    return facts


def _largest(holes: Sequence[Item], name: str) -> Fact:
    """Largest diameter or depth of some holes with its uncertainty; 0 where there is none."""
    if not holes:
        return Fact(0.0)
    most = max((hole[name] for hole in holes), key=lambda quantity: quantity.value)
    return Fact(most.value, math.nan if most.uncertainty is None else most.uncertainty)


def _balance_facts(item: Item, balls: Balls, index: int) -> Facts:
    """Readings and the largest imbalance: measured where given, else predicted."""
    shown, spread, others = _predicted(item, balls, index)
    measured = item.get("measured_balance", {})
    facts: Facts = {}
    used = shown.copy()
    used_spread = spread[:3].copy()
    for k, name in enumerate(READINGS):
        if name in measured:
            reading = measured[name]
            used[k] = reading.value
            used_spread[k] = math.nan if reading.uncertainty is None else reading.uncertainty
            others[:, k] = reading.value
            facts[f"balance_{name}"] = Fact(reading.value, float(used_spread[k]))
        elif not math.isnan(shown[k]):
            facts[f"balance_{name}"] = Fact(float(shown[k]), float(spread[k]), _pair(others[:, k]))
    imbalance = _imbalance(item, used)
    if not math.isnan(imbalance):
        pair = None if all(name in measured for name in READINGS) else _pair(largest_imbalance(others))
        facts["largest_imbalance"] = Fact(imbalance, _imbalance_spread(used, used_spread, spread, measured), pair)
    return facts


def _predicted(item: Item, balls: Balls, index: int) -> tuple[Array, Array, Array]:
    """Predicted readings (3,), spreads (4,), and readings at the two ends of an arm that is not given (2, 3)."""
    row = balls.rows.get(index)
    if row is None:
        return np.full(3, math.nan), np.full(4, math.nan), np.full((2, 3), math.nan)
    shown, spread = balls.shown[row], balls.spread[row]
    others = np.full((2, 3), math.nan)
    if "balance_arm" not in item["drilling"]:
        out, ball = balls.drilled.out[[row, row]], balls.drilled.balls[[row, row]]
        others = readings(
            ball["top_weight"],
            np.stack([out["cg_x"], out["cg_y"], out["cg_z"]], axis=1),
            np.stack([out["hole_moment_x"], out["hole_moment_y"], out["hole_moment_z"]], axis=1),
            np.array(PLAUSIBLE_ARMS),
            balls.drilled.layouts["hand"][[row, row]],
        )
    return shown, spread, others


def _pair(two: Array) -> tuple[float, float] | None:
    return None if np.isnan(two).any() else (float(two[0]), float(two[1]))


def _imbalance(item: Item, used: Array) -> float:
    """|M| / arm [oz]; of a ball without holes it is its top weight, wherever the mark lies."""
    drilling = item.get("drilling")
    if drilling is not None and not drilling["holes"] and "measured_balance" not in item:
        return abs(value(item["ball"], "top_weight"))
    return float(np.sqrt((used * used).sum()))


def _imbalance_spread(used: Array, used_spread: Array, spread: Array, measured: Item) -> float:
    if not any(name in measured for name in READINGS):
        return float(spread[3])
    known = np.where(np.isnan(used_spread), 0.0, used_spread)
    length = float(np.sqrt((used * used).sum()))
    if np.isnan(used_spread).all() or length == 0.0:
        return math.nan
    return float(np.sqrt(((used / length * known) ** 2).sum()))


def _answer(
    item: Item, balls: Balls, index: int, assessment: Assessment, place: int, outcome: str
) -> dict[str, Any]:
    derived, row = derive(item, balls, index)
    found = findings(assessment, place)
    judged_by = assessment.edition
    if row is not None and any(
        finding["quantity"] in BALANCE and finding["outcome"] in ("nonconforming", "inconclusive")
        for finding in found
    ):
        derived["remedies"] = remedies(
            balls.drilled, balls.rows[index], item, _balance_limits(assessment, place)
        )
    taken = assumptions(item)
    if not judged_by.on_given:
        taken.append(
            f"No date is given: the rules are those in force on {judged_by.on}, the day the rulebook was compiled."
        )
    return {
        "outcome": outcome,
        "findings": found,
        "derived": derived,
        "missing": _merged(
            [{**each, "field": _POINTERS[each["field"]]} for each in missing(assessment, place)],
            [] if row is None else missing_for_drilling(item),
        ),
        "cautions": [*cautions(item, row), _advice(outcome)],
        "assumptions": taken,
        "rules": {
            "body": judged_by.source.body,
            "on": judged_by.on.isoformat(),
            "stage": judged_by.stage,
            "edition": judged_by.source.edition,
            "overlay": judged_by.overlay,
        },
        "decision": {"rule": item["decision"]["rule"], "risk": item["decision"]["risk"]},
        "units": UNITS,
    }


def _merged(*lists: list[Group]) -> list[Group]:
    """One entry a field, with all that needs it."""
    needed: dict[str, list[str]] = {}
    for each in (entry for entries in lists for entry in entries):
        names = needed.setdefault(each["field"], [])
        names.extend(name for name in each["needed_for"] if name not in names)
    return [{"field": field, "needed_for": names} for field, names in needed.items()]


def _advice(outcome: str) -> Group:
    words = {
        "conforming": "Every rule that was judged is met.",
        "nonconforming": "At least one rule is not met.",
        "inconclusive": "At least one rule cannot be decided from these values.",
        "not_assessed": "Not every rule could be judged; this is not a pass.",
    }[outcome]
    return {
        "code": "advice_only",
        "message": f"{words} This is advice from the values given: only the governing body decides and approves.",
        "pointer": None,
    }


def _balance_limits(assessment: Assessment, place: int) -> Limits:
    """The narrowest limits in force on each reading and on the largest imbalance, for one ball."""
    low, high = np.full(4, -np.inf), np.full(4, np.inf)
    for rule in assessment.edition.source.rules:
        if rule.quantity in BALANCE and assessment.edition.stage in rule.stages:
            k = BALANCE.index(rule.quantity)
            result = assessment.rule(rule.id)
            low[k] = np.fmax(low[k], result.minimum[place])
            high[k] = np.fmin(high[k], result.maximum[place])
    return Limits(low, high)


def balance_remedies(items: Sequence[Item], balls: Balls, index: int) -> tuple[list[Group], str]:
    """Remedies of one drilled item under the default rulebook's newest rules, and the words that name them."""
    book = edition("usbc", None, "play", None)
    named = (
        f"Remedies are sought for the balance limits of {book.source.title} in force on {book.on}; a check judges "
        "by the rules of any date."
    )
    item = items[index]
    assessment = judge(book, [ball_facts(item, balls, index)], [item["ball"].get("approved_on")], Decision())
    limits = _balance_limits(assessment, 0)
    bad = any(
        finding["quantity"] in BALANCE and finding["outcome"] in ("nonconforming", "inconclusive")
        for finding in findings(assessment, 0)
    )
    return (remedies(balls.drilled, balls.rows[index], item, limits) if bad else []), named
