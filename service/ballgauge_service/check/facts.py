"""What the rules may ask about a ball, as the columns of the assessor."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date
from functools import lru_cache
from operator import attrgetter
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ballgauge_schemas import Quantity
from ballgauge_service.check.identity import BY_HAND
from ballgauge_service.check.predict import Prediction
from ballgauge_service.check.request import Ball, Check, Drilling, Hole, HolesSeen
from ballgauge_service.physics.balance import PLAUSIBLE_ARMS
from ballgauge_service.rulebooks import (
    ASYMMETRIC_OVER,
    EPOCH,
    OUTCOMES,
    UNMEASURED,
    Assessment,
    Decision,
    Fact,
)

Array = NDArray[np.float64]

BALANCE = ("balance_top", "balance_side", "balance_finger", "largest_imbalance")
_FAILING_FROM = OUTCOMES.index("inconclusive")

_FINGERS = 4.0
_DIGITS = ("thumb", "middle", "ring", "index", "little")
_MEASURED = (
    "roundness", "rg", "differential", "intermediate_differential", "hardness", "friction",
    "restitution", "roughness", "oil_absorption_time", "max_density", "top_weight", "pin_to_cg",
    "pin_to_low_rg_axis", "mark_to_high_rg_axis", "cover_thickness", "cover_density",
)  # fmt: skip
_measured = attrgetter(*_MEASURED)
_value, _density = attrgetter("value"), attrgetter("slug_density")
_diameter, _depth = attrgetter("diameter"), attrgetter("depth")
_NAN = math.nan


Facts = dict[str, Fact]
"""What is known of one ball, by column of the rules; what is not known is left out."""


def _given(quantity: Quantity) -> Fact:
    """A quantity as given."""
    u = quantity.uncertainty
    return Fact(quantity.value) if u is None else Fact(quantity.value, u)


def ball_facts(check: Check, predicted: Prediction | None, on: date) -> Facts:
    """Every quantity that a rule may ask about, of one ball on a day of use.

    predicted: its balance, where it is drilled
    """
    ball, drilling = check.ball, check.drilling
    facts = {
        name: _given(quantity)
        for name, quantity in zip(_MEASURED, _measured(ball), strict=True)
        if quantity is not None
    }
    _add_weight(facts, check, predicted)
    _add_size(facts, ball)
    facts["house_ball"] = Fact(float(ball.house_ball))
    _add_identity(facts, check, on)
    if ball.cover is not None:
        facts["reactive_cover"] = Fact(float(ball.cover == "reactive"))
        facts["urethane_cover"] = Fact(float(ball.cover == "urethane"))
    if ball.high_performance_core is not None:
        facts["high_performance_core"] = Fact(float(ball.high_performance_core))
    if ball.made_on is not None:
        facts["made_on"] = Fact(float((ball.made_on - EPOCH).days))
    whole, part = ball.differential, ball.intermediate_differential
    if whole is not None and part is not None:
        facts["asymmetric"] = Fact(float(part.value > ASYMMETRIC_OVER * whole.value))
    if drilling is not None:
        _add_drilling(facts, drilling)
    elif check.holes_seen is not None:
        _add_seen(facts, check.holes_seen)
    _add_balance(facts, check, predicted)
    return facts


def _add_identity(facts: Facts, check: Check, on: date) -> None:
    """Whether the ball is listed; what was checked by hand is not judged, unless the list knows the ball."""
    by_hand = check.ball.identity == BY_HAND
    if check.listing is not None:
        standing = check.listing.on(on, check.ball.made_on)
        by_hand &= not standing.known
        if standing.fact is not None:
            facts["identity"] = Fact(standing.fact)
    facts["identity_by_hand"] = Fact(float(by_hand))


def _add_weight(facts: Facts, check: Check, predicted: Prediction | None) -> None:
    """In play the drilled ball's weight, measured or of the drilling; else that of the ball as made."""
    ball, in_play = check.ball, check.rules.stage == "play"
    if in_play and ball.drilled_weight is not None:
        facts["weight"] = _given(ball.drilled_weight)
    elif ball.weight is not None:
        facts["weight"] = own = _given(ball.weight)
        if in_play and predicted is not None and not math.isnan(predicted.weight):
            spread = predicted.spread[4]
            facts["weight"] = Fact(predicted.weight, own.uncertainty if math.isnan(spread) else spread)


def _add_size(facts: Facts, ball: Ball) -> None:
    across, around = ball.across, ball.circumference
    if across is None:
        return
    facts["diameter"] = size = _given(across)
    if around is None:
        facts["circumference"] = Fact(math.pi * size.value, math.pi * size.uncertainty)
    else:
        facts["circumference"] = _given(around)


def _add_drilling(facts: Facts, drilling: Drilling) -> None:
    """Counts and sizes of the open holes. A size of holes that are not there is left out."""
    holes = drilling.holes
    kinds = tuple([(hole.role, hole.used, hole.vents, hole.slug_density is None) for hole in holes])
    counts, sized, plugs = _counted(kinds, drilling.grip.center_marked)
    facts.update(counts)
    for name, places, size in sized:
        facts[name] = _given(max([size(holes[place]) for place in places], key=_value))
    if plugs:
        facts["plug_density"] = _given(max([_density(holes[place]) for place in plugs], key=_value))


_Kind = tuple[str, bool | None, int | None, bool]
"""Role of a hole, whether it is used, which it vents, and whether it is open."""
_Sized = list[tuple[str, list[int], Callable[[Hole], Quantity]]]


@lru_cache(maxsize=1024)
def _counted(kinds: tuple[_Kind, ...], center_marked: bool | None) -> tuple[Facts, _Sized, list[int]]:
    """What follows from the kinds of holes alone: counts, whose sizes are facts, and which are plugs.

    Most balls have one of a few sets of holes.
    """
    digits: list[int] = []
    balance: list[int] = []
    vents: list[int] = []
    mills: list[int] = []
    by_role = {**dict.fromkeys(_DIGITS, digits), "balance": balance, "vent": vents, "mill": mills}
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
            unused += used is False and role in _DIGITS
    roles = [kinds[place][0] for place in digits]
    digits.sort(key=lambda place: _DIGITS.index(kinds[place][0]))
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
    )
    facts = {name: Fact(float(count)) for name, count in counts.items()}
    return facts, [each for each in sized if each[1]], plugs


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
        if not math.isnan(count):
            facts[name] = Fact(count)
    for name, size, count in (
        ("gripping_hole_diameter", seen.gripping_hole_diameter, digits),
        ("gripping_hole_depth", seen.gripping_hole_depth, digits),
        ("balance_hole_diameter", seen.balance_hole_diameter, balance),
        ("vent_hole_diameter", seen.vent_hole_diameter, vents),
        ("mill_hole_diameter", seen.mill_hole_diameter, mills),
        ("mill_hole_depth", seen.mill_hole_depth, mills),
    ):
        if size is not None:
            facts[name] = _given(size)
        elif count > 0.0:
            facts[name] = UNMEASURED
    marked = True if used_thumbs > 0.0 else seen.center_marked
    if marked is not None:
        facts["unmarked_grip_centre"] = Fact(float(not marked))


def _excess_vents(kinds: Sequence[_Kind], vents: Sequence[int], digits: int) -> int:
    """Vents beyond one to each gripping hole: by the holes they serve where told, else by their number."""
    served = [serves for serves in (kinds[vent][2] for vent in vents) if serves is not None]
    gripping = {place for place in served if kinds[place][3] and kinds[place][0] in _DIGITS}
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
                shown[k], spread[k], _ = _given(quantity)
    open_arm = drilling is not None and drilling.balance_arm is None
    for k, name in enumerate(BALANCE[:3]):
        if not math.isnan(shown[k]):
            varies = open_arm and divided[k] != 0.0
            facts[name] = Fact(shown[k], spread[k], _over_arms(fixed[k], divided[k]) if varies else ())
    name, top = BALANCE[3], check.ball.top_weight
    if drilling is not None and not drilling.holes and measured is None:
        # |M| / arm of a ball without holes is its top weight, wherever the mark lies.
        if top is not None:
            facts[name] = _given(top)._replace(value=abs(top.value))
        return
    length = math.hypot(*shown)
    if not math.isnan(length):
        u = spread[3] if measured is None else _length_spread(shown, length, spread[:3])
        varies = open_arm and any(divided)
        facts[name] = Fact(length, u, _length_over_arms(fixed, divided) if varies else ())


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
        for k, name in enumerate(BALANCE):
            if z and name in facts and not math.isnan(facts[name].uncertainty):
                low[ball, k] += z * facts[name].uncertainty
                high[ball, k] -= z * facts[name].uncertainty
    return BalanceLimits(low, high, failing, z)
