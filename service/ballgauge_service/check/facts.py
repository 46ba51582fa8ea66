"""What the rules may ask about a ball, as the columns of the assessor."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date
from functools import lru_cache
from operator import attrgetter
from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.words import DIGITS
from ballgauge_service.check.identity import BY_HAND
from ballgauge_service.check.predict import Prediction
from ballgauge_service.check.request import Ball, Check, Drilling, Hole, HolesSeen
from ballgauge_service.core.units import EPOCH
from ballgauge_service.physics.balance import PLAUSIBLE_ARMS
from ballgauge_service.rulebooks import (
    ASYMMETRIC_OVER,
    OUTCOMES,
    POSITIONS,
    UNMEASURED,
    Assessment,
    Decision,
    Facts,
)

Array = NDArray[np.float64]

BALANCE = ("balance_top", "balance_side", "balance_finger", "largest_imbalance")
_FAILING_FROM = OUTCOMES.index("inconclusive")

_FINGERS = 4.0
_MEASURED = (
    "roundness", "rg", "differential", "intermediate_differential", "hardness", "friction",
    "restitution", "roughness", "oil_absorption_time", "max_density", "top_weight", "pin_to_cg",
    "pin_to_low_rg_axis", "mark_to_high_rg_axis", "cover_thickness", "cover_density",
)  # fmt: skip
_measured = attrgetter(*_MEASURED)
_value, _density = attrgetter("value"), attrgetter("slug_density")
_diameter, _depth = attrgetter("diameter"), attrgetter("depth")
_NAN = math.nan
_MEASURED_AT = [POSITIONS[name] for name in _MEASURED]
_BALANCE_AT = [POSITIONS[name] for name in BALANCE]
_WEIGHT, _DIAMETER, _CIRCUMFERENCE = map(POSITIONS.__getitem__, ("weight", "diameter", "circumference"))
_HOUSE_BALL, _REACTIVE, _URETHANE = map(
    POSITIONS.__getitem__, ("house_ball", "reactive_cover", "urethane_cover")
)
_IDENTITY, _BY_HAND = POSITIONS["identity"], POSITIONS["identity_by_hand"]
_HIGH_PERFORMANCE, _ASYMMETRIC = POSITIONS["high_performance_core"], POSITIONS["asymmetric"]
_MADE_ON, _APPROVED_ON = POSITIONS["made_on"], POSITIONS["approved_on"]
_UNMARKED = POSITIONS["unmarked_grip_centre"]


def _given(quantity: Quantity) -> tuple[float, float]:
    """A quantity as given: value and standard uncertainty, NaN: none."""
    u = quantity.uncertainty
    return quantity.value, _NAN if u is None else u


def ball_facts(check: Check, predicted: Prediction | None, on: date) -> Facts:
    """Every quantity that a rule may ask about, of one ball on a day of use.

    predicted: its balance, where it is drilled
    """
    ball, drilling, facts = check.ball, check.drilling, Facts.none()
    for column, quantity in zip(_MEASURED_AT, _measured(ball), strict=True):
        if quantity is not None:
            facts.add(column, *_given(quantity))
    _add_weight(facts, check, predicted)
    _add_size(facts, ball)
    _add_kind(facts.values, ball)
    _add_identity(facts, check, on)
    if drilling is not None:
        _add_drilling(facts, drilling)
    elif check.holes_seen is not None:
        _add_seen(facts, check.holes_seen)
    _add_balance(facts, check, predicted)
    return facts


def _add_kind(values: list[float], ball: Ball) -> None:
    """What kind of ball it is, and its days."""
    values[_HOUSE_BALL] = float(ball.house_ball)
    if ball.cover is not None:
        values[_REACTIVE] = float(ball.cover == "reactive")
        values[_URETHANE] = float(ball.cover == "urethane")
    if ball.high_performance_core is not None:
        values[_HIGH_PERFORMANCE] = float(ball.high_performance_core)
    for column, day in ((_MADE_ON, ball.made_on), (_APPROVED_ON, ball.approved_on)):
        if day is not None:
            values[column] = float((day - EPOCH).days)
    whole, part = ball.differential, ball.intermediate_differential
    if whole is not None and part is not None:
        values[_ASYMMETRIC] = float(part.value > ASYMMETRIC_OVER * whole.value)


def _add_identity(facts: Facts, check: Check, on: date) -> None:
    """Whether the ball is listed; what was checked by hand is not judged, unless the list knows the ball."""
    by_hand = check.ball.identity == BY_HAND
    if check.listing is not None:
        standing = check.listing.on(on, check.ball.made_on)
        by_hand &= not standing.known
        if standing.fact is not None:
            facts.values[_IDENTITY] = standing.fact
    facts.values[_BY_HAND] = float(by_hand)


def _add_weight(facts: Facts, check: Check, predicted: Prediction | None) -> None:
    """In play the drilled ball's weight, measured or of the drilling; else that of the ball as made."""
    ball, in_play = check.ball, check.rules.stage == "play"
    if in_play and ball.drilled_weight is not None:
        facts.add(_WEIGHT, *_given(ball.drilled_weight))
    elif ball.weight is not None:
        weight, own = _given(ball.weight)
        if in_play and predicted is not None and not math.isnan(predicted.weight):
            weight, spread = predicted.weight, predicted.spread[4]
            own = own if math.isnan(spread) else spread
        facts.add(_WEIGHT, weight, own)


def _add_size(facts: Facts, ball: Ball) -> None:
    across, around = ball.across, ball.circumference
    if across is None:
        return
    size, u = _given(across)
    facts.add(_DIAMETER, size, u)
    facts.add(_CIRCUMFERENCE, *((math.pi * size, math.pi * u) if around is None else _given(around)))


def _add_drilling(facts: Facts, drilling: Drilling) -> None:
    """Counts and sizes of the open holes. A size of holes that are not there is left out."""
    holes = drilling.holes
    kinds = tuple([(hole.role, hole.used, hole.vents, hole.slug_density is None) for hole in holes])
    counts, sized = _counted(kinds, drilling.grip.center_marked)
    for column, count in counts:
        facts.values[column] = count
    for column, places, size in sized:
        facts.add(column, *_given(max([size(holes[place]) for place in places], key=_value)))


_Kind = tuple[str, bool | None, int | None, bool]
"""Role of a hole, whether it is used, which it vents, and whether it is open."""
_Sized = list[tuple[int, list[int], Callable[[Hole], Any]]]


@lru_cache(maxsize=1024)
def _counted(kinds: tuple[_Kind, ...], center_marked: bool | None) -> tuple[list[tuple[int, float]], _Sized]:
    """What follows from the kinds of holes alone: counts, and whose sizes and densities are facts, by column.

    Most balls have one of a few sets of holes.
    """
    digits: list[int] = []
    balance: list[int] = []
    vents: list[int] = []
    mills: list[int] = []
    by_role = {**dict.fromkeys(DIGITS, digits), "balance": balance, "vent": vents, "mill": mills}
    plugs, unused_thumbs, thumbs, unused = [], 0, 0, 0
    for place, (role, used, _, is_open) in enumerate(kinds):
        if not is_open:
            plugs.append(place)
        elif role == "thumb" and used is False:
            unused_thumbs += 1
            balance.append(place)
        else:
            by_role[role].append(place)
            thumbs += role == "thumb"
            unused += used is False and role in DIGITS
    roles = [kinds[place][0] for place in digits]
    digits.sort(key=lambda place: DIGITS.index(kinds[place][0]))
    counts = {
        "holes": len(kinds) - len(plugs),
        "gripping_holes": len(digits),
        "unused_gripping_holes": unused,
        "doubled_digits": len(digits) - len(set(roles)),
        "unused_thumb": unused_thumbs,
        "thumb_holes": thumbs,
        "balance_holes": len(balance),
        "vent_holes": len(vents),
        "excess_vent_holes": _excess_vents(kinds, vents, len(digits)) if vents else 0,
        "mill_holes": len(mills),
    }
    marked = True if thumbs else center_marked
    if marked is not None:
        counts["unmarked_grip_centre"] = int(not marked)
    sized = (
        ("balance_hole_diameter", balance, _diameter),
        ("vent_hole_diameter", vents, _diameter),
        ("mill_hole_diameter", mills, _diameter),
        ("mill_hole_depth", mills, _depth),
        ("gripping_hole_diameter", digits, _diameter),
        ("gripping_hole_depth", digits, _depth),
        ("plug_density", plugs, _density),
    )
    return (
        [(POSITIONS[name], float(count)) for name, count in counts.items()],
        [(POSITIONS[name], places, size) for name, places, size in sized if places],
    )


def _add_seen(facts: Facts, seen: HolesSeen) -> None:
    """Counts and sizes of holes as seen; one that is there and was not measured has a size all the same."""
    counted = (seen.finger_holes, seen.thumb_holes, seen.balance_holes, seen.vent_holes, seen.mill_holes)
    fingers, thumbs, balance, vents, mills = (_NAN if count is None else float(count) for count in counted)
    unused_thumbs = thumbs if seen.thumb_used is False else 0.0
    used_thumbs = thumbs - unused_thumbs
    digits = fingers + used_thumbs
    counts = {
        "holes": fingers + thumbs + balance + vents + mills,
        "gripping_holes": digits,
        "unused_gripping_holes": float(seen.unused_finger_holes or 0) + 0.0 * digits,
        "doubled_digits": max(fingers - _FINGERS, 0.0) + max(used_thumbs - 1.0, 0.0),
        "unused_thumb": unused_thumbs,
        "thumb_holes": used_thumbs,
        "balance_holes": balance + unused_thumbs,
        "vent_holes": vents,
        "excess_vent_holes": max(vents - digits, 0.0) if vents else 0.0,
        "mill_holes": mills,
    }
    for name, count in counts.items():
        facts.add(POSITIONS[name], count)
    for name, size, count in (
        ("gripping_hole_diameter", seen.gripping_hole_diameter, digits),
        ("gripping_hole_depth", seen.gripping_hole_depth, digits),
        ("balance_hole_diameter", seen.balance_hole_diameter, balance),
        ("vent_hole_diameter", seen.vent_hole_diameter, vents),
        ("mill_hole_diameter", seen.mill_hole_diameter, mills),
        ("mill_hole_depth", seen.mill_hole_depth, mills),
    ):
        if size is not None:
            facts.add(POSITIONS[name], *_given(size))
        elif count > 0.0:
            facts.add(POSITIONS[name], *UNMEASURED)
    marked = True if used_thumbs > 0.0 else seen.center_marked
    if marked is not None:
        facts.values[_UNMARKED] = float(not marked)


def _excess_vents(kinds: Sequence[_Kind], vents: Sequence[int], digits: int) -> int:
    """Vents beyond one to each gripping hole: by the holes they serve where told, else by their number."""
    served = [serves for serves in (kinds[vent][2] for vent in vents) if serves is not None]
    gripping = {place for place in served if kinds[place][3] and kinds[place][0] in DIGITS}
    astray = len(served) - len(gripping)
    return astray + max(len(vents) - len(served) - (digits - len(gripping)), 0)


def _add_balance(facts: Facts, check: Check, predicted: Prediction | None) -> None:
    """Readings and the largest imbalance: measured where given, else predicted."""
    measured, drilling = check.measured_balance, check.drilling
    known = _NO_PREDICTION if predicted is None else predicted
    fixed, divided, shown, spread = known[:4]
    if measured is not None:
        fixed, divided, shown, spread = list(fixed), list(divided), list(shown), list(spread)
        for k, quantity in enumerate(measured.readings):
            if quantity is not None:
                fixed[k], divided[k] = quantity.value, 0.0
                shown[k], spread[k] = _given(quantity)
    open_arm = drilling is not None and drilling.balance_arm is None
    for k in range(3):
        if not math.isnan(shown[k]):
            varies = open_arm and divided[k] != 0.0
            others = _over_arms(fixed[k], divided[k]) if varies else ()
            facts.add(_BALANCE_AT[k], shown[k], spread[k], others)
    top = check.ball.top_weight
    if drilling is not None and not drilling.holes and measured is None:
        # |M| / arm of a ball without holes is its top weight, wherever the mark lies.
        if top is not None:
            weight, u = _given(top)
            facts.add(_BALANCE_AT[3], abs(weight), u)
        return
    length = math.hypot(*shown)
    if not math.isnan(length):
        u = spread[3] if measured is None else _length_spread(shown, length, spread[:3])
        varies = open_arm and any(divided)
        facts.add(_BALANCE_AT[3], length, u, _length_over_arms(fixed, divided) if varies else ())


_NO_PREDICTION = Prediction([_NAN] * 3, [_NAN] * 3, [_NAN] * 3, [_NAN] * 5)


def _length_spread(shown: Sequence[float], length: float, spread: Sequence[float]) -> float:
    """Standard uncertainty of a length from those of its components (JCGM 100:2008, 5.1.2); NaN: none."""
    if length == 0.0 or all(map(math.isnan, spread)):
        return math.nan
    return math.hypot(
        *(x / length * (0.0 if math.isnan(u) else u) for x, u in zip(shown, spread, strict=True))
    )


_LEAST, _MOST = 1.0 / PLAUSIBLE_ARMS[1], 1.0 / PLAUSIBLE_ARMS[0]


def _over_arms(fixed: float, divided: float) -> tuple[float, float, float]:
    """A reading at both ends of the plausible arms, and where it comes nearest to 0."""
    nearest = min(max(-(fixed * divided) / (divided * divided), _LEAST), _MOST)
    return fixed + divided * _MOST, fixed + divided * _LEAST, fixed + divided * nearest


def _length_over_arms(fixed: Sequence[float], divided: Sequence[float]) -> tuple[float, float, float]:
    """The same of the length of three readings."""
    (a, b, c), (x, y, z) = fixed, divided
    nearest = min(max(-(a * x + b * y + c * z) / (x * x + y * y + z * z), _LEAST), _MOST)
    at, to, near = (math.hypot(a + x * k, b + y * k, c + z * k) for k in (_MOST, _LEAST, nearest))
    return at, to, near


class BalanceLimits(NamedTuple):
    """The limits in force on top, side, finger and largest imbalance [oz], (n, 4), and whose are not kept.

    failing, (n,): whether one of the balance rules is nonconforming or inconclusive. The limits are the
    narrowest in force, less the guard band where the decision is guarded: `guard` standard uncertainties.
    """

    low: Array
    high: Array
    failing: NDArray[np.bool_]
    guard: float


def balance_limits(assessment: Assessment, decision: Decision) -> BalanceLimits | None:
    """The balance limits of assessed balls, None where no ball fails one."""
    rules = [
        (place, BALANCE.index(str(rule.quantity)))
        for place, rule in enumerate(assessment.edition.rules)
        if rule.quantity in BALANCE
    ]
    outcomes = [assessment.outcomes(ball) for ball in range(len(assessment.facts))]
    failing = np.array([any(codes[place] >= _FAILING_FROM for place, _ in rules) for codes in outcomes])
    if not failing.any():
        return None
    z = NormalDist().inv_cdf(1.0 - decision.risk) if decision.rule == "guarded" else 0.0
    low, high = np.full((len(failing), 4), -np.inf), np.full((len(failing), 4), np.inf)
    for ball in np.flatnonzero(failing).tolist():
        facts, limits = assessment.facts[ball], assessment.limits(ball)
        for place, k in rules:
            limit = limits[place]
            if limit is not None:
                low[ball, k] = max(low[ball, k], limit.interval[0])
                high[ball, k] = min(high[ball, k], limit.interval[1])
        for k, column in enumerate(_BALANCE_AT):
            u = facts.spread.get(column, 0.0)
            low[ball, k] += z * u
            high[ball, k] -= z * u
    return BalanceLimits(low, high, failing, z)
