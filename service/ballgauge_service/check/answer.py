"""The answers, JSON-ready: derived numbers in groups, findings, and what is missing, assumed and cautioned.

A number that is not known is None; a group none of whose numbers are known is None.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain
from typing import Any, NamedTuple

from ballgauge_schemas.shared.limits import BALANCE_ARM, COVER_DENSITY, COVER_THICKNESS
from ballgauge_schemas.shared.words import DIGITS, LAYOUT_ANGLES
from ballgauge_service.check.identity import listing_assumptions, listing_cautions, listing_words
from ballgauge_service.check.predict import DrilledBall, Prediction
from ballgauge_service.check.remedies import Remedy
from ballgauge_service.check.request import Ball, Check, Drilling, MeasuredBalance, value
from ballgauge_service.core.caution import Caution
from ballgauge_service.physics import box_numbers
from ballgauge_service.physics.balance import PLAUSIBLE_ARMS
from ballgauge_service.physics.marks import marks, place_of
from ballgauge_service.physics.material_error import shared_by_three
from ballgauge_service.physics.sphere import Vector, angle_between
from ballgauge_service.rulebooks import (
    COLUMNS,
    OUTCOMES,
    Assessment,
    Edition,
    findings,
    missing,
    unmet,
    used_rules,
)

Group = dict[str, Any]
Need = tuple[str, Sequence[str]]
"""A field that was not given, and what needs it."""

_UNITS = {
    "radius": "in", "mean_density": "g/mL", "asymmetry_ratio": "1", "rg": "in", "rg_intermediate": "in",
    "rg_high": "in", "differential": "in", "intermediate_differential": "in", "inner_density": "g/mL",
    "class_thresholds": "in", "right": "in", "up": "in", "pin_to_pap": "in", "pap_to_psa": "in",
    "pin_to_psa": "in", "pin_to_val": "in", "pin_to_grip_centre": "in", "flare_potential": "1",
    "diameter": "in", "depth": "in", "pitch_forward": "in", "pitch_lateral": "in", "volume": "in³",
    "holes.removed_weight": "oz", "slug_weight": "oz",
    "net_weight": "oz", "axis_offset": "in", "bottom_to_centre": "in", "weight": "lb", "removed_weight": "oz",
    "centre_of_mass": "in", "moment": "oz·in", "change.weight": "oz", "moved": "in", "bearing": "deg",
    "drilling_angle": "deg", "val_angle": "deg", "arm": "in", "top": "oz", "side": "oz", "finger": "oz",
    "largest_imbalance": "oz",
}  # fmt: skip
UNITS = dict(sorted(_UNITS.items()))
"""Units of the derived numbers by name; a dotted name holds within that group."""

_POINTERS = {
    **{name: f"/ball/{name}" for name in COLUMNS},
    **dict.fromkeys(
        (
            "holes", "gripping_holes", "gripping_hole_diameter", "gripping_hole_depth", "doubled_digits",
            "plug_density", "unused_thumb", "unused_gripping_holes", "thumb_holes", "balance_holes",
            "balance_hole_diameter", "vent_holes", "excess_vent_holes", "vent_hole_diameter", "mill_holes",
            "mill_hole_diameter", "mill_hole_depth",
        ),
        "/drilling",
    ),
    "unmarked_grip_centre": "/drilling/grip/center_marked",
    "reactive_cover": "/ball/cover",
    "urethane_cover": "/ball/cover",
    "asymmetric": "/ball/intermediate_differential",
    "balance_top": "/measured_balance/top",
    "balance_side": "/measured_balance/side",
    "balance_finger": "/measured_balance/finger",
    "largest_imbalance": "/measured_balance",
    "identity_by_hand": "/ball/identity",
    "name": "/ball/name",
    "as_made": "/rules/as_made",
}  # fmt: skip
"""Where each column of the rules comes from in a request."""


class Numbers(NamedTuple):
    """The physics' numbers of one drilled ball, see `physics.drilling.DRILLED`."""

    pap: Vector
    pin: Vector
    psa: Vector
    cg: Vector
    moment: Vector
    hole_moment: Vector
    centre_of_mass: Vector
    low_axis: Vector
    high_axis: Vector
    half: Vector
    inner_density: float
    removed_weight: float
    slug_weight: float
    weight: float
    rg: float
    rg_intermediate: float
    rg_high: float


class HoleNumbers(NamedTuple):
    """The physics' numbers of one hole, see `physics.drilling.DRILLED_HOLE`, and its place on the surface."""

    place: Sequence[float]
    center: Vector
    volume: float
    removed_weight: float
    slug_weight: float
    axis_offset: float
    bottom_height: float
    reach: float
    meets: int


@dataclass(frozen=True, slots=True)
class Derivation:
    """One drilled ball with its numbers as plain ones; marks: see `physics.marks`; angles: drilling, VAL."""

    ball: Ball
    drilling: Drilling
    numbers: Numbers
    holes: list[HoleNumbers]
    marks: list[float]
    prediction: Prediction
    angles: tuple[float, float]
    shared: list[float]


def derivations(checks: Sequence[Check], balls: Sequence[DrilledBall | None]) -> list[Derivation | None]:
    """Take the numbers of drilled balls out of the arrays; None for a ball without a drilling."""
    drilled = next((ball.among for ball in balls if ball is not None), None)
    if drilled is None:
        return [None] * len(checks)
    arrays = marks(drilled.out, drilled.hole_out, drilled.counts, drilled.balls["radius"])
    mark_rows, place_rows = (each.tolist() for each in arrays)
    crowded = shared_by_three(drilled.balls, drilled.out, drilled.hole_out).tolist()
    derived: list[Derivation | None] = [None] * len(checks)
    for index, (check, ball) in enumerate(zip(checks, balls, strict=True)):
        if ball is not None and check.drilling is not None:
            out: tuple[Any, ...] = drilled.rows[ball.row]
            laid = drilled.layouts[ball.row]
            vectors: Iterator[Any] = (out[k : k + 3] for k in range(0, 30, 3))
            holes = zip(check.drilling.holes, drilled.hole_rows[ball.row], place_rows[ball.row], strict=False)
            derived[index] = Derivation(
                check.ball,
                check.drilling,
                Numbers(*vectors, *out[30:37]),
                [HoleNumbers(place, hole[:3], *hole[3:]) for _, hole, place in holes],
                mark_rows[ball.row],
                ball.prediction,
                (float(laid["drilling_angle"]), float(laid["val_angle"])),
                [] if check.layers is not None else crowded[ball.row],
            )
    return derived


def check_answer(
    check: Check,
    derived: Derivation | None,
    assessment: Assessment,
    place: int,
    mended: list[Remedy] | None,
) -> Group:
    """The whole answer to one check; place: of its ball in the assessment."""
    judged_by = assessment.edition
    short = findings_answer(check, assessment, place, _lacking(check))
    cautions = (
        *_layer_cautions(check),
        *drilling_cautions(derived),
        *_date_cautions(check, judged_by),
        *listing_cautions(check, judged_by.on),
        *_unjudged(short["findings"]),
        _ADVICE[short["outcome"]],
    )
    return {
        "assumptions": [
            *assumptions(check),
            *_rule_assumptions(check, judged_by),
            *listing_assumptions(check, judged_by.on),
        ],
        "cautions": [caution.to_dict() for caution in cautions],
        "decision": short["decision"],
        "derived": derived_groups(check, derived, mended),
        **short,
        "units": UNITS.copy(),
    }


def findings_answer(check: Check, assessment: Assessment, place: int, lacking: Iterable[Need] = ()) -> Group:
    """The answer to one check by its findings alone; lacking: what is missing besides for other numbers."""
    judged_by, listing = assessment.edition, check.listing
    rules, identity = used_rules(judged_by), {}
    if listing is not None:
        used = {**listing.source.told(), "given_by": listing.given_by}
        rules = {"approved_list": dict(sorted(used.items())), **rules}
        if judged_by.stage == "play":
            identity = {"identity": listing.told(listing.on(judged_by.on, check.ball.made_on))}
    return {
        "decision": {"risk": check.decision.risk, "rule": check.decision.rule},
        "findings": findings(assessment, place, _identity_words(check, judged_by)),
        **identity,
        "missing": _merged(_missing(check, assessment, place), lacking),
        "outcome": OUTCOMES[assessment.overall[place]],
        "rules": rules,
    }


def _identity_words(check: Check, judged_by: Edition) -> dict[str, str]:
    """What the finding on the ball's identity says in place of the usual sentence."""
    if check.listing is None:
        return {}
    return {"identity": listing_words(check.listing, judged_by.on, check.ball.made_on)}


def brief_answer(check: Check, assessment: Assessment, place: int) -> Group:
    """The answer to one check in brief."""
    return {
        "missing": _merged(_missing(check, assessment, place)),
        "outcome": OUTCOMES[assessment.overall[place]],
        "unmet": unmet(assessment, place),
    }


def other_day(day: date, other: Assessment, there: int, assessment: Assessment, here: int) -> Group:
    """What a ball comes to on another day, and the counted rules that judge otherwise; places in both."""
    before, after = _counted(assessment, here), _counted(other, there)
    titles = {rule.id: rule.title for each in (assessment, other) for rule in each.edition.rules}
    return {
        "changes": [
            {"before": before.get(rule), "outcome": after.get(rule), "rule": rule, "title": title}
            for rule, title in titles.items()
            if before.get(rule) != after.get(rule)
        ],
        "on": day.isoformat(),
        "outcome": OUTCOMES[other.overall[there]],
    }


def _counted(assessment: Assessment, ball: int) -> dict[str, str]:
    """The outcomes of the rules that count, by id."""
    verdicts = zip(assessment.edition.rules, assessment.outcomes(ball), assessment.states(ball), strict=True)
    return {
        rule.id: OUTCOMES[code]
        for rule, code, state in verdicts
        if code >= 0 and not rule.advisory and not state.uncounted
    }


def drilling_answer(check: Check, derived: Derivation, mended: list[Remedy], named: str) -> Group:
    """The answer to one drilling; named: the rules that the remedies keep, in a sentence."""
    groups = derived_groups(check, derived, mended)
    return {
        "assumptions": [*assumptions(check), named],
        "cautions": [caution.to_dict() for caution in (*_layer_cautions(check), *drilling_cautions(derived))],
        "derived": groups,
        "missing": _merged(_lacking(check)),
        "remedies": groups["remedies"],
        "units": UNITS.copy(),
    }


def _merged(*needs: Iterable[Need]) -> list[Group]:
    """Fields that were not given, one entry each, with all that needs them."""
    needed: dict[str, list[str]] = {}
    for field, wanting in chain(*needs):
        names = needed.setdefault(field, [])
        names.extend(name for name in wanting if name not in names)
    return [{"field": field, "needed_for": names} for field, names in needed.items()]


_SEEN = {
    "gripping_holes": "finger_holes", "doubled_digits": "finger_holes", "unused_thumb": "thumb_holes",
    "unused_gripping_holes": "finger_holes", "excess_vent_holes": "vent_holes",
    "unmarked_grip_centre": "center_marked", "holes": "",
    **{
        name: name
        for name in (
            "thumb_holes", "gripping_hole_diameter", "gripping_hole_depth", "balance_holes",
            "balance_hole_diameter", "vent_holes", "vent_hole_diameter", "mill_holes", "mill_hole_diameter",
            "mill_hole_depth",
        )
    },
}  # fmt: skip
"""Where each column of the holes comes from where they are seen, and not drilled here."""


def _pointer(check: Check, judged_by: Edition, column: str | None) -> str:
    if check.drilling is None and judged_by.stage == "play" and column in _SEEN:
        seen = check.holes_seen
        name = _SEEN[column]
        if name == "finger_holes" and seen is not None and seen.finger_holes is not None:
            name = "thumb_holes"
        return f"/holes_seen/{name}" if name else "/holes_seen"
    return _POINTERS.get(column, "/rules/overlays") if column is not None else "/rules/overlays"


def _missing(check: Check, assessment: Assessment, place: int) -> Iterator[Need]:
    """Fields of the request that the rules miss, and those rules."""
    listing = check.listing
    standing = None if listing is None else listing.on(assessment.edition.on, check.ball.made_on)
    for each in missing(assessment, place, {} if standing is None else {"identity": standing.wanted}):
        yield _pointer(check, assessment.edition, each["field"]), each["needed_for"]


def _lacking(check: Check) -> Iterator[Need]:
    """Fields of a drilled ball that were not given, and the derived groups that need them."""
    ball, drilling = check.ball, check.drilling
    if drilling is None:
        return
    for field, given, groups in (
        ("/drilling/pap", drilling.pap, ["layout", "balance", "drilled"]),
        ("/drilling/layout", drilling.layout, ["layout", "balance", "drilled"]),
        ("/ball/rg", ball.rg, ["drilled"]),
        ("/ball/differential", ball.differential, ["drilled"]),
        ("/ball/intermediate_differential", ball.intermediate_differential, ["drilled"]),
        ("/ball/top_weight", ball.top_weight, ["balance"]),
        ("/ball/pin_to_cg", ball.pin_to_cg, ["balance", "drilled"]),
    ):
        marked = drilling.layout is not None and drilling.layout.cg is not None
        balanced = field == "/ball/pin_to_cg" and (value(ball.top_weight) == 0.0 or marked)
        if given is None and not balanced:
            yield field, groups


def assumptions(check: Check) -> Iterator[str]:
    """What was taken for granted in the numbers."""
    ball, drilling = check.ball, check.drilling
    if ball.diameter is None and ball.circumference is not None:
        yield "The diameter is the circumference divided by pi."
    if check.layers is not None:
        yield f"The ball's numbers are those of its layers, told by the design: {check.layers.method}."
    if drilling is None:
        return
    if check.layers is None:
        yield from _material_assumptions(check)
    if drilling.balance_arm is None:
        yield _ARM_ASSUMPTION
    if ball.top_weight is None:
        yield "No top weight is given: radii of gyration take the undrilled center of mass as the center."
    elif drilling.holes and check.layers is None:
        yield "The undrilled ball's half differs from the other half by what the balance shows of it."
    if not all(hole.is_open for hole in drilling.holes):
        yield "A slug fills its hole to the surface."


def _material_assumptions(check: Check) -> Iterator[str]:
    """What the two materials of a ball told by its box numbers are taken for."""
    ball, drilling = check.ball, check.drilling
    if ball.cover_thickness is None or ball.cover_density is None:
        thick = COVER_THICKNESS if ball.cover_thickness is None else ball.cover_thickness.value
        dense = COVER_DENSITY if ball.cover_density is None else ball.cover_density.value
        yield (
            f"The holes go through a cover {thick:g} in thick at {dense:g} g/mL (not all given: from memory, "
            "no source)."
        )
    yield "Inside the cover the material is uniform, at the density that makes up the ball's weight."
    if drilling is not None and drilling.holes:
        yield _MODEL_ASSUMPTION


_MODEL_ASSUMPTION = (
    "What a filler and a core make of that is uncertain; the part of it in each uncertainty is told as "
    "model_uncertainty (ours: from layered designs drilled beside their box numbers)."
)

_ARM_ASSUMPTION = (
    f"The balance shows the moment divided by an arm of {BALANCE_ARM:g} in (from memory, no source); a "
    f"verdict on a predicted reading that changes between {PLAUSIBLE_ARMS[0]:g} in and {PLAUSIBLE_ARMS[1]:g} "
    "in is inconclusive."
)


def _rule_assumptions(check: Check, judged_by: Edition) -> Iterator[str]:
    ball, drilling = check.ball, check.drilling
    if ball.circumference is None and ball.diameter is not None:
        yield "The circumference is the diameter times pi."
    if judged_by.stage == "play" and ball.drilled_weight is None:
        if drilling is None:
            yield "The weight in play is that of the ball as made: no drilling or drilled weight was given."
        else:
            yield "The weight in play is that of the ball less what the drilling takes away."
    if drilling is not None:
        asked = [hole for hole in drilling.holes if hole.is_open]
        if any(hole.role in DIGITS and hole.used is None for hole in asked):
            yield "Gripping holes are assumed to be used on every delivery unless the request says otherwise."
        if any(hole.role == "vent" and hole.vents is None for hole in asked):
            yield "A vent hole that names no hole it serves is assumed to serve one of its own."
    if check.holes_seen is not None:
        yield "Each hole seen is assumed to be for a different digit."
        if check.holes_seen.unused_finger_holes is None or check.holes_seen.thumb_used is None:
            yield "Gripping holes are assumed to be used on every delivery unless the request says otherwise."
    if not judged_by.on_given:
        yield (
            f"No date is given: the rules are those in force on {judged_by.on}, the day the rulebook was "
            "compiled."
        )


def derived_groups(check: Check, derived: Derivation | None, mended: list[Remedy] | None) -> Group:
    """Every derived group, None where it cannot be computed."""
    mends = None if mended is None else [remedy_group(remedy) for remedy in mended]
    if derived is None:
        return {
            "balance": _measured_alone(check.measured_balance),
            "ball": ball_group(check.ball, math.nan),
            **dict.fromkeys(("drilled", "holes", "layout")),
            "remedies": mends,
        }
    return {
        "balance": balance_group(derived, check.measured_balance),
        "ball": ball_group(check.ball, derived.numbers.inner_density),
        "drilled": drilled_group(derived),
        "holes": hole_groups(derived),
        "layout": layout_group(derived),
        "remedies": mends,
    }


def number(x: float) -> float | None:
    """The number, or None where it is not known."""
    return x if math.isfinite(x) else None


def _point(right: float, up: float) -> Group | None:
    return None if math.isnan(right) else {"right": right, "up": up}


def point(at: Vector, size: float) -> Group | None:
    """A place on the surface as arcs from the grip center [in], from its unit vector."""
    return _point(*place_of(at, size))


def ball_group(ball: Ball, inner_density: float) -> Group:
    """What follows from the box numbers of one ball."""
    size, rg, weight = ball.radius, value(ball.rg), value(ball.weight)
    total, part = value(ball.differential), value(ball.intermediate_differential)
    density = box_numbers.mean_density(weight, size)
    return {
        "asymmetry_ratio": number(box_numbers.asymmetry_ratio(total, part)),
        "class_thresholds": box_numbers.THRESHOLDS.copy(),
        "differential_class": None if math.isnan(total) else box_numbers.differential_class(total),
        "floats": None if math.isnan(density) else density < box_numbers.FRESH_WATER,
        "inner_density": number(inner_density),
        "mean_density": number(density),
        "radius": number(size),
        "rg_class": None if math.isnan(rg) else box_numbers.rg_class(rg),
        "rg_high": number(rg + total),
        "rg_intermediate": number(rg + total - part),
        "symmetry": None if math.isnan(part) else box_numbers.symmetry(part),
    }


def layout_group(derived: Derivation) -> Group | None:
    """Where the layout puts its marks, and the arcs between them."""
    size, at = derived.ball.radius, derived.marks
    if all(map(math.isnan, (*at[:8], *at[12:16]))):
        return None
    got = derived.numbers
    return {
        "cg_mark": _point(at[6], at[7]),
        "drilling_angle": number(derived.angles[0]),
        "flare_formula": box_numbers.FLARE_FORMULA,
        "flare_potential": number(box_numbers.flare_potential(at[12], size)),
        "pap": _point(at[0], at[1]),
        "pap_to_psa": number(at[13]),
        "pin": _point(at[2], at[3]),
        "pin_below": None if math.isnan(derived.angles[1]) else abs(derived.angles[1]) > _RIGHT_ANGLE,
        "pin_to_cg": number(float(size * angle_between(got.pin, got.cg))),
        "pin_to_grip_centre": number(at[15]),
        "pin_to_pap": number(at[12]),
        "pin_to_psa": number(at[14]),
        "pin_to_val": number(at[22]),
        "psa": _point(at[4], at[5]),
        "val_angle": number(derived.angles[1]),
    }


_RIGHT_ANGLE = 90.0


def hole_groups(derived: Derivation) -> list[Group]:
    """What each hole takes away, in the request's order."""
    count = len(derived.holes)
    return [
        {
            "at": _point(*got.place),
            "axis_offset": number(got.axis_offset),
            "bottom_to_centre": number(math.hypot(got.bottom_height, got.axis_offset)),
            "depth": asked.depth.value,
            "diameter": asked.diameter.value,
            "meets": [other for other in range(count) if got.meets >> other & 1] if got.meets else [],
            "net_weight": number(got.removed_weight - got.slug_weight),
            "past_centre": got.bottom_height < 0.0,
            "pitch_forward": asked.pitch_forward.value,
            "pitch_lateral": asked.pitch_lateral.value,
            "removed_weight": number(got.removed_weight),
            "role": asked.role,
            "slug_weight": number(got.slug_weight),
            "volume": number(got.volume),
        }
        for asked, got in zip(derived.drilling.holes, derived.holes, strict=True)
    ]


def drilled_group(derived: Derivation) -> Group:
    """Weight, balance and radii of gyration of the drilled ball, and what drilling changed."""
    got, ball, at = derived.numbers, derived.ball, derived.marks
    low, between, high = got.rg, got.rg_intermediate, got.rg_high
    total, part = high - low, high - between
    ratio = box_numbers.asymmetry_ratio(total, part)
    before_total, before_part = value(ball.differential), value(ball.intermediate_differential)
    before_ratio = box_numbers.asymmetry_ratio(before_total, before_part)
    group = {
        "asymmetry_ratio": number(ratio),
        "centre_of_mass": _xyz(got.centre_of_mass),
        "change": {
            "asymmetry_ratio": number(ratio - before_ratio),
            "differential": number(total - before_total),
            "intermediate_differential": number(part - before_part),
            "rg": number(low - value(ball.rg)),
            "weight": number(got.slug_weight - got.removed_weight),
        },
        "differential": number(total),
        "high_rg_axis": _axis(at[10:12], at[18], at[19], before_part > 0.0),
        "intermediate_differential": number(part),
        "low_rg_axis": _axis(at[8:10], at[16], at[17], before_total > 0.0),
        "moment": _xyz(got.moment),
        "removed_weight": number(got.removed_weight),
        "rg": number(low),
        "rg_high": number(high),
        "rg_intermediate": number(between),
        **_drilled_uncertainty(derived.prediction),
        "weight": number(got.weight),
    }
    return dict(sorted(group.items()))


def _drilled_uncertainty(prediction: Prediction) -> Group:
    """Standard uncertainties of the drilled ball's numbers, and the model's part of them."""
    found = {}
    for name, parts in (
        ("model_uncertainty", prediction.model[4:]),
        ("uncertainty", (prediction.spread[4], *prediction.radii)),
    ):
        if any(part > 0.0 for part in parts):
            weight, rg, differential, intermediate = map(number, parts)
            found[name] = {
                "differential": differential,
                "intermediate_differential": intermediate,
                "rg": rg,
                "weight": weight,
            }
    return found


def _xyz(vector: Vector) -> Group | None:
    if math.isnan(vector[0] + vector[1] + vector[2]):
        return None
    return {"x": vector[0], "y": vector[1], "z": vector[2]}


def _axis(pole: Sequence[float], moved: float, toward: float, marked: bool) -> Group | None:
    """An axis after drilling, as the pole nearest to its mark, and the arc and bearing it moved."""
    if math.isnan(pole[0]):
        return None
    known = marked and not math.isnan(moved)
    return {
        "bearing": math.degrees(toward) if known else None,
        "moved": moved if known else None,
        "right": pole[0],
        "up": pole[1],
    }


def balance_group(derived: Derivation, measured: MeasuredBalance | None) -> Group:
    """Predicted and measured readings, half-against-half differences and the largest imbalance.

    The largest imbalance of a ball without holes is its top weight.
    """
    half, moment, drilling = derived.numbers.half, derived.numbers.moment, derived.drilling
    length = math.hypot(*moment)
    imbalance = length / drilling.arm if drilling.holes else abs(value(derived.ball.top_weight))
    return {
        "arm": drilling.arm,
        "arm_given": drilling.balance_arm is not None,
        "half_differences": _readings([half[2], drilling.side * half[0], half[1]], (), ()),
        "largest_imbalance": number(imbalance),
        "largest_imbalance_at": _point(derived.marks[20], derived.marks[21]),
        "measured": None if measured is None else measured_group(measured),
        "predicted": _readings(derived.prediction.shown, derived.prediction.spread, derived.prediction.model),
    }


def _measured_alone(measured: MeasuredBalance | None) -> Group | None:
    """The balance of a ball whose drilling is not known: what was measured, None where nothing was."""
    if measured is None:
        return None
    return {
        "arm": None,
        "arm_given": False,
        **dict.fromkeys(("half_differences", "largest_imbalance", "largest_imbalance_at")),
        "measured": measured_group(measured),
        "predicted": None,
    }


def _readings(values: Sequence[float], spread: Sequence[float], model: Sequence[float]) -> Group | None:
    if all(map(math.isnan, values)):
        return None
    group = _by_reading(map(number, values))
    for name, parts in (("model_uncertainty", model), ("uncertainty", spread)):
        if any(part > 0.0 for part in parts[:3]) or (
            name == "uncertainty" and not all(map(math.isnan, parts))
        ):
            group[name] = _by_reading(map(number, parts[:3]))
    return dict(sorted(group.items()))


def _by_reading(values: Iterable[float | None]) -> Group:
    top, side, finger = values
    return {"finger": finger, "side": side, "top": top}


def measured_group(measured: MeasuredBalance) -> Group:
    """The measured readings as given, with the uncertainties they state."""
    group = _by_reading(number(value(quantity)) for quantity in measured.readings)
    spread = [None if quantity is None else quantity.uncertainty for quantity in measured.readings]
    if any(x is not None for x in spread):
        group["uncertainty"] = _by_reading(spread)
    return group


def remedy_group(remedy: Remedy) -> Group:
    """One remedy."""
    return {
        "change": remedy.change,
        "holes": [{"depth": depth, "index": hole} for hole, depth in remedy.depths] or None,
        "kind": remedy.kind,
        **({} if remedy.layout is None else {"layout": dict(zip(LAYOUT_ANGLES, remedy.layout, strict=True))}),
        "message": remedy.words,
        "readings": None if remedy.readings is None else _by_reading(remedy.readings),
        "unit": None if remedy.change is None else "in",
    }


def _layer_cautions(check: Check) -> tuple[Caution, ...]:
    return () if check.layers is None else check.layers.cautions


def drilling_cautions(derived: Derivation | None) -> Iterator[Caution]:
    """What deserves a second look in a drilling: geometry, and the work itself."""
    if derived is None:
        return
    holes = derived.drilling.holes
    for index, got in enumerate(derived.holes):
        here = f"/drilling/holes/{index}"
        for other in range(index if got.meets else 0):
            if got.meets >> other & 1 and holes[other].is_open:
                yield _meeting(derived.drilling, index, other)
        if got.bottom_height < 0.0:
            words = f"{_named(derived.drilling, index, starts=True)} reaches past the center of the ball."
            yield Caution("past_centre", words, here)
    yield from _crowded(derived)
    yield from _hand_cautions(derived)
    if derived.drilling.grip.span_kind == "full":
        yield _OLD_WORD
    if holes:
        yield _SAFETY


_SAFETY = Caution(
    "drilling_safety",
    "Drilling machines, dust and solvents can injure: guard the machine, wear eye and breathing protection, "
    "and follow local codes and licensed practice.",
    "/drilling",
)


def _named(drilling: Drilling, index: int, *, starts: bool = False) -> str:
    """A hole by its role, and of several with one role which of them; `starts`: a sentence starts with it."""
    role = drilling.holes[index].role
    alike = [k for k, hole in enumerate(drilling.holes) if hole.role == role]
    if len(alike) == 1:
        return f"The {role} hole" if starts else f"the {role} hole"
    number = alike.index(index) + 1
    return f"Hole {role} {number}" if starts else f"hole {role} {number}"


def _meeting(drilling: Drilling, index: int, other: int) -> Caution:
    """A hole that runs into an open one drilled before it."""
    this, that, here = (
        _named(drilling, index, starts=True),
        _named(drilling, other),
        f"/drilling/holes/{index}",
    )
    if drilling.holes[index].is_open:
        words = (
            f"{this} runs into {that} inside the ball; shared material counts once, and the wall between "
            "them is gone."
        )
        return Caution("holes_meet", words, here)
    words = (
        f"{this} is slugged and listed after {that}, so its slug fills what they share; a slug that was "
        "there first is listed first."
    )
    return Caution("slug_fills_hole", words, here)


_OLD_WORD = Caution(
    "deprecated",
    "The word full is ambiguous in the trade, and will go: these spans are taken from center to center; say "
    "center_to_center, or edge_to_edge with insert_thickness.",
    "/drilling/grip/span_kind",
)


def _crowded(derived: Derivation) -> Iterator[Caution]:
    """Holes that share material with two others that share some too, and how well their weights are known."""
    for index, u in enumerate(derived.shared):
        if u > 0.0:
            words = (
                f"{_named(derived.drilling, index, starts=True)} shares material with two holes that share "
                f"some too: what it takes is known to {u:.2g} oz (standard uncertainty, ours); the readings "
                "take that in."
            )
            yield Caution("three_holes_meet", words, f"/drilling/holes/{index}")


def _hand_cautions(derived: Derivation) -> Iterator[Caution]:
    """An axis point or fingers on the side of the other hand."""
    drilling = derived.drilling
    if drilling.pap is not None and drilling.pap.over.value < 0.0:
        words = (
            "The positive axis point lies on the other side of the grip than is usual for the "
            f"{drilling.hand} hand."
        )
        yield Caution("other_hand", words, "/drilling/pap/over")
    across = {
        asked.role: drilling.side * got.center[0]
        for asked, got in zip(drilling.holes, derived.holes, strict=True)
        if asked.is_open
    }
    if across.get("middle", -math.inf) > across.get("ring", math.inf):
        words = (
            f"The ring finger's hole lies where the middle finger's is usual for the {drilling.hand} hand."
        )
        yield Caution("other_hand", words, "/drilling/hand")


def _date_cautions(check: Check, judged_by: Edition) -> Iterator[Caution]:
    """Dates that the rulebook, or the other date, does not reach."""
    compiled, approved = judged_by.source.compiled_on, check.ball.approved_on
    if judged_by.on > compiled:
        words = f"The rulebook was compiled on {compiled}; later changes of rules are not in it."
        yield Caution("date_beyond_rulebook", words, "/rules/on")
    if approved is not None and approved > judged_by.on:
        words = f"The day of approval, {approved}, lies after the day of use, {judged_by.on}."
        yield Caution("used_before_approval", words, "/ball/approved_on")
    if check.ball.made_on is not None and check.ball.made_on > judged_by.on:
        words = f"The day of manufacture, {check.ball.made_on}, lies after the day of use, {judged_by.on}."
        yield Caution("used_before_manufacture", words, "/ball/made_on")


def _unjudged(found: Sequence[Group]) -> Iterator[Caution]:
    """A caution for every rule that no number can judge."""
    return (Caution("not_judged", each["message"]) for each in found if each["quantity"] is None)


_ADVICE = {
    outcome: Caution(
        "advice_only",
        f"{words} This is advice from the values given: only the governing body decides and approves.",
    )
    for outcome, words in {
        "conforming": "Every rule that was judged is met.",
        "nonconforming": "At least one rule is not met.",
        "inconclusive": "At least one rule cannot be decided from these values.",
        "not_assessed": "Not every rule could be judged; this is not a pass.",
    }.items()
}
