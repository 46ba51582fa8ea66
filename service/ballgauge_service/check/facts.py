"""What the rules may ask about a ball, as the columns of the assessor."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import Quantity
from ballgauge_service.check.answer import READINGS
from ballgauge_service.check.predict import Balls, Prediction
from ballgauge_service.check.request import Item, as_printed, diameter
from ballgauge_service.physics.balance import PLAUSIBLE_ARMS
from ballgauge_service.physics.box_numbers import ASYMMETRIC_FROM
from ballgauge_service.rulebooks import COLUMNS, OUTCOMES, Assessment, Column, Decision, Edition, assess

Array = NDArray[np.float64]

BALANCE = ("balance_top", "balance_side", "balance_finger", "largest_imbalance")
_FAILING_FROM = OUTCOMES.index("inconclusive")

_DIGITS = ("thumb", "middle", "ring", "index", "little")
_MEASURED = (
    "weight", "roundness", "rg", "differential", "intermediate_differential", "hardness", "friction",
    "restitution", "roughness", "oil_absorption_time", "max_density", "top_weight", "pin_to_cg",
    "pin_to_low_rg_axis", "mark_to_high_rg_axis", "cover_thickness", "cover_density",
)  # fmt: skip


class Fact(NamedTuple):
    """One quantity of one ball: value, standard uncertainty (NaN: none), and what else it could be.

    alternates: the values at the ends of an arm that is not known, and the nearest to 0 between them.
    """

    value: float
    uncertainty: float = math.nan
    alternates: tuple[float, float, float] | None = None


Facts = dict[str, Fact]
_UNKNOWN = Fact(math.nan)
_NO_ALTERNATES = (math.nan, math.nan, math.nan)


def judge(
    judged_by: Edition,
    facts: Sequence[Facts],
    approved_on: Sequence[datetime.date | None],
    decision: Decision,
) -> Assessment:
    """Assess balls given as facts; approved_on, one a ball, None where unknown."""
    given = {name for each in facts for name in each}
    names = [name for name in COLUMNS if name in given]
    days = np.array(["NaT" if day is None else day for day in approved_on], "M8[D]")
    table = [[each.get(name, _UNKNOWN) for each in facts] for name in names]
    values = np.array([[fact[0] for fact in row] for row in table])
    spread = np.array([[fact[1] for fact in row] for row in table])
    stated = (~np.isnan(spread)).any(axis=1).tolist()
    columns = {
        name: Column(values[k], spread[k] if stated[k] else None, _alternates(name, table[k]))
        for k, name in enumerate(names)
    }
    return assess(judged_by, columns, days, decision)


def _alternates(name: str, facts: Sequence[Fact]) -> Array | None:
    if name not in BALANCE or not any(fact.alternates for fact in facts):
        return None
    return np.array([fact.alternates or _NO_ALTERNATES for fact in facts]).T


def ball_facts(item: Item, balls: Balls, index: int) -> Facts:
    """Every quantity that a rule may ask about, of one ball; unknown ones are left out."""
    ball = item["ball"]
    facts: Facts = {}
    for name in _MEASURED:
        if name in ball:
            facts[name] = _fact(ball[name])
    facts.update(_size_facts(ball))
    facts["house_ball"] = Fact(float(ball["house_ball"]))
    if "cover" in ball:
        facts["reactive_cover"] = Fact(float(ball["cover"] == "reactive"))
    if "intermediate_differential" in ball:
        facts["asymmetric"] = Fact(float(ball["intermediate_differential"].value >= ASYMMETRIC_FROM))
    if "drilling" in item:
        facts.update(_drilling_facts(item["drilling"]))
    facts.update(_balance_facts(item, balls.prediction(index)))
    return facts


def _fact(quantity: Quantity) -> Fact:
    return Fact(quantity.value, math.nan if quantity.uncertainty is None else quantity.uncertainty)


def _size_facts(ball: Item) -> Facts:
    across = diameter(ball)
    if across is None:
        return {}
    spread = math.nan if across.uncertainty is None else across.uncertainty
    if "circumference" in ball:
        size = across.value if "diameter" in ball else as_printed(across.value)
        return {
            "diameter": Fact(size, spread),
            "circumference": _fact(ball["circumference"]),
        }
    return {
        "diameter": Fact(across.value, spread),
        "circumference": Fact(as_printed(math.pi * across.value), math.pi * spread),
    }


def _drilling_facts(drilling: Item) -> Facts:
    """Counts and sizes of the open holes. A size of holes that are not there is left out."""
    roles: dict[str, list[Item]] = {}
    for hole in drilling["holes"]:
        if "slug_density" not in hole:
            unused_thumb = hole["role"] == "thumb" and not hole.get("used", True)
            roles.setdefault("balance" if unused_thumb else hole["role"], []).append(hole)
    digits = [hole for role in _DIGITS for hole in roles.get(role, ())]
    thumbs, balance, vents, mills = (roles.get(role, []) for role in ("thumb", "balance", "vent", "mill"))
    counts = {
        "holes": sum(map(len, roles.values())),
        "gripping_holes": len(digits),
        "unused_gripping_holes": sum(not hole.get("used", True) for hole in digits),
        "thumb_holes": len(thumbs),
        "balance_holes": len(balance),
        "vent_holes": len(vents),
        "excess_vent_holes": max(len(vents) - len(digits), 0),
        "mill_holes": len(mills),
    }
    facts = {name: Fact(float(count)) for name, count in counts.items()}
    for name, holes, size in (
        ("balance_hole_diameter", balance, "diameter"),
        ("vent_hole_diameter", vents, "diameter"),
        ("mill_hole_diameter", mills, "diameter"),
        ("mill_hole_depth", mills, "depth"),
    ):
        if holes:
            facts[name] = _largest(holes, size)
    marked = drilling.get("grip", {}).get("center_marked")
    if thumbs:
        facts["unmarked_grip_centre"] = Fact(0.0)
    elif marked is not None:
        facts["unmarked_grip_centre"] = Fact(float(not marked))
    return facts


def _largest(holes: Sequence[Item], name: str) -> Fact:
    """Largest diameter or depth of some holes, with its uncertainty."""
    most = max((hole[name] for hole in holes), key=lambda quantity: float(quantity.value))
    return Fact(most.value, math.nan if most.uncertainty is None else most.uncertainty)


def _balance_facts(item: Item, predicted: Prediction | None) -> Facts:
    """Readings and the largest imbalance: measured where given, else predicted."""
    measured = item.get("measured_balance", {})
    known = [math.nan] * 3 if predicted is None else predicted.spread
    fixed = [math.nan] * 3 if predicted is None else list(predicted.fixed)
    divided = [math.nan] * 3 if predicted is None else list(predicted.divided)
    shown = [math.nan] * 3 if predicted is None else list(predicted.shown)
    spread = known[:3]
    for k, name in enumerate(READINGS):
        if name in measured:
            reading = _fact(measured[name])
            fixed[k], divided[k], shown[k] = reading.value, 0.0, reading.value
            spread[k] = reading.uncertainty
    open_arm = "drilling" in item and "balance_arm" not in item["drilling"]
    facts: Facts = {}
    for k, name in enumerate(BALANCE[:3]):
        if not math.isnan(shown[k]):
            varies = open_arm and divided[k] != 0.0
            others = _over_arms(fixed[k : k + 1], divided[k : k + 1]) if varies else None
            facts[name] = Fact(shown[k], spread[k], others)
    facts.update(_imbalance_fact(item, fixed, divided, shown, spread, known))
    return facts


def _imbalance_fact(
    item: Item,
    fixed: list[float],
    divided: list[float],
    shown: list[float],
    spread: list[float],
    known: list[float],
) -> Facts:
    """|M| / arm [oz]; of a ball without holes it is its top weight, wherever the mark lies."""
    measured = bool(item.get("measured_balance"))
    drilling = item.get("drilling")
    if drilling is not None and not drilling["holes"] and not measured:
        top_weight = item["ball"].get("top_weight")
        if top_weight is None:
            return {}
        u = top_weight.uncertainty
        return {"largest_imbalance": Fact(abs(top_weight.value), math.nan if u is None else u)}
    length = math.hypot(*shown)
    if math.isnan(length):
        return {}
    u = _length_spread(shown, length, spread) if measured else known[3]
    varies = drilling is not None and "balance_arm" not in drilling and any(divided)
    others = _over_arms(fixed, divided) if varies else None
    return {"largest_imbalance": Fact(length, u, others)}


def _length_spread(shown: list[float], length: float, spread: list[float]) -> float:
    """Standard uncertainty of a length from those of its components (JCGM 100:2008, 5.1.2); NaN: none."""
    if length == 0.0 or all(map(math.isnan, spread)):
        return math.nan
    return math.hypot(
        *(x / length * (0.0 if math.isnan(u) else u) for x, u in zip(shown, spread, strict=True))
    )


def _over_arms(fixed: Sequence[float], divided: Sequence[float]) -> tuple[float, float, float]:
    """Reading, or length of several, at both ends of the plausible arms and where it comes nearest to 0."""
    shortest, longest = PLAUSIBLE_ARMS
    square = sum(d * d for d in divided)
    nearest = -sum(f * d for f, d in zip(fixed, divided, strict=True)) / square
    inverses = (1.0 / shortest, 1.0 / longest, min(max(nearest, 1.0 / longest), 1.0 / shortest))
    if len(fixed) == 1:
        a, b, c = (fixed[0] + divided[0] * inverse for inverse in inverses)
    else:
        a, b, c = (
            math.hypot(*(f + d * inverse for f, d in zip(fixed, divided, strict=True)))
            for inverse in inverses
        )
    return a, b, c


class BalanceLimits(NamedTuple):
    """The limits in force on top, side, finger and largest imbalance [oz], (n, 4), and whose are not kept.

    failing, (n,): whether one of the balance rules is nonconforming or inconclusive. The limits are the
    narrowest in force, less the guard band where the decision is guarded.
    """

    low: Array
    high: Array
    failing: NDArray[np.bool_]


def balance_limits(assessment: Assessment, z: float) -> BalanceLimits | None:
    """The balance limits of assessed balls, None where no ball fails one; z: guard band per uncertainty."""
    size, judged_by = assessment.size, assessment.edition
    rules = [each.rule for each in judged_by.regime.rules if each.rule.quantity in BALANCE]
    failing = np.zeros(size, np.bool_)
    for rule in rules:
        code = assessment.outcome[assessment.plan.row[judged_by.regime.index[rule.id]]]
        failing |= code >= _FAILING_FROM
    if not failing.any():
        return None
    low, high = np.full((size, 4), -np.inf), np.full((size, 4), np.inf)
    for rule in rules:
        k = BALANCE.index(str(rule.quantity))
        result = assessment.rule(rule.id)
        low[:, k] = np.fmax(low[:, k], result.minimum)
        high[:, k] = np.fmin(high[:, k], result.maximum)
    for k, name in enumerate(BALANCE):
        column = assessment.columns.get(name)
        if z and column is not None and column.uncertainty is not None:
            band = z * np.nan_to_num(column.uncertainty)
            low[:, k] += band
            high[:, k] -= band
    return BalanceLimits(low, high, failing)
