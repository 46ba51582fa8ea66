"""What drilling does to a ball: every number of the drilled balls of a request, rules or not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ballgauge_schemas.shared.limits import BALANCE_ARM, COVER_DENSITY, COVER_THICKNESS
from ballgauge_service.check.answer import (
    UNITS,
    Group,
    Row,
    balance_group,
    ball_group,
    cautions,
    drilled_group,
    hole_groups,
    layout_group,
    measured_balance_group,
)
from ballgauge_service.check.facts import balance_limits, ball_facts, judge
from ballgauge_service.check.predict import Balls
from ballgauge_service.check.remedies import Limits, remedies
from ballgauge_service.check.request import Item
from ballgauge_service.core import budget
from ballgauge_service.physics.balance import PLAUSIBLE_ARMS
from ballgauge_service.rulebooks import Decision, edition


def derive(item: Item, balls: Balls, index: int) -> tuple[Group, Row | None]:
    """The derived groups of one item, and its row where it is drilled."""
    predicted = balls.prediction(index)
    if predicted is None:
        return {
            "ball": ball_group(item),
            **dict.fromkeys(("layout", "holes", "drilled")),
            "balance": measured_balance_group(item),
            "remedies": None,
        }, None
    row = Row(balls.drilled, balls.rows[index], item)
    return {
        "ball": ball_group(item, row.numbers["inner_density"]),
        "layout": layout_group(row),
        "holes": hole_groups(item, row),
        "drilled": drilled_group(item, row),
        "balance": balance_group(item, row, predicted.shown, predicted.spread),
        "remedies": None,
    }, row


def assumptions(item: Item) -> list[str]:
    """What was taken for granted in an item's numbers."""
    ball, drilling = item["ball"], item.get("drilling")
    taken = []
    if "diameter" not in ball and "circumference" in ball:
        taken.append("The diameter is the circumference divided by pi; it is judged to 0.001 in.")
    if drilling is None:
        return taken
    if "cover_thickness" not in ball or "cover_density" not in ball:
        thick = ball["cover_thickness"].value if "cover_thickness" in ball else COVER_THICKNESS
        dense = ball["cover_density"].value if "cover_density" in ball else COVER_DENSITY
        taken.append(
            f"The holes go through a cover {thick:g} in thick at {dense:g} g/mL (not all given: from memory, "
            "no source)."
        )
    taken.append("Inside the cover the material is uniform, at the density that makes up the ball's weight.")
    if "balance_arm" not in drilling:
        low, high = PLAUSIBLE_ARMS
        taken.append(
            f"The balance shows the moment divided by an arm of {BALANCE_ARM:g} in (from memory, no "
            f"source); a verdict on a predicted reading that changes between {low:g} in and {high:g} in is "
            "inconclusive."
        )
    if "top_weight" not in ball:
        taken.append(
            "No top weight is given: radii of gyration take the undrilled centre of mass as the centre."
        )
    elif drilling["holes"]:
        taken.append("The undrilled ball's half differs from the other half by what the balance shows of it.")
    if any("slug_density" in hole for hole in drilling["holes"]):
        taken.append("A slug fills its hole to the surface.")
    return taken


def missing_for_drilling(item: Item) -> list[Group]:
    """Fields that were not given, and the derived groups that need them."""
    ball, drilling = item["ball"], item["drilling"]
    balanced = _is_zero(ball, "top_weight")
    needs: list[Group] = []
    for name, present, groups in (
        ("/drilling/pap", "pap" in drilling, ["layout", "balance", "drilled"]),
        ("/drilling/layout", "layout" in drilling, ["layout", "balance", "drilled"]),
        ("/ball/rg", "rg" in ball, ["drilled"]),
        ("/ball/differential", "differential" in ball, ["drilled"]),
        ("/ball/intermediate_differential", "intermediate_differential" in ball, ["drilled"]),
        ("/ball/top_weight", "top_weight" in ball, ["balance"]),
        ("/ball/pin_to_cg", "pin_to_cg" in ball or balanced, ["balance", "drilled"]),
    ):
        if not present:
            needs.append({"field": name, "needed_for": groups})
    return needs


def _is_zero(ball: Item, name: str) -> bool:
    return name in ball and float(ball[name].value) == 0.0


def evaluate_drillings(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Answer loaded drilling requests, in order, as JSON-ready dicts.

    Remedies are sought for the balance limits of the default rulebook, which the assumptions name. Raises
    InvalidInput naming every impossible field.
    """
    balls = Balls(items)
    mends = _balance_remedies(items, balls)
    named = _named_rules()
    answers = []
    for index, item in enumerate(items):
        budget.check()
        derived, row = derive(item, balls, index)
        derived["remedies"] = mends.get(index, [])
        answers.append(
            {
                "derived": derived,
                "missing": missing_for_drilling(item),
                "cautions": cautions(item, row),
                "assumptions": [*assumptions(item), named],
                "units": UNITS,
                "remedies": derived["remedies"],
            }
        )
    return answers


def _named_rules() -> str:
    book = edition("usbc", None, "play", None)
    return (
        f"Remedies are sought for the balance limits of {book.source.title} in force on {book.on}; a check "
        "judges by the rules of any date."
    )


def _balance_remedies(items: Sequence[Item], balls: Balls) -> dict[int, list[Group]]:
    """Remedies of the items whose balance fails the default rulebook's newest rules, by index."""
    if not items:
        return {}
    facts = [ball_facts(item, balls, index) for index, item in enumerate(items)]
    days = [item["ball"].get("approved_on") for item in items]
    limits = balance_limits(judge(edition("usbc", None, "play", None), facts, days, Decision()), 0.0)
    if limits is None:
        return {}
    return {
        index: remedies(
            balls.drilled,
            balls.rows[index],
            items[index],
            index,
            Limits(limits.low[index], limits.high[index]),
            balls.work,
        )
        for index in limits.failing.nonzero()[0].tolist()
    }
