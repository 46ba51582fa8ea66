"""What is asked: a check against a rulebook, or a drilling's numbers, one at a time or many."""

from __future__ import annotations

from typing import Any

from ballgauge_schemas.design.request import DesignSchema, require_layout
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.approved_list import ApprovedListField
from ballgauge_schemas.shared.ball import (
    BallToDrillSchema,
    CheckedBallSchema,
    refuse_told,
    require_any_weight,
    require_diameter,
    require_weight,
)
from ballgauge_schemas.shared.base import (
    Choice,
    Day,
    Errors,
    Flag,
    Number,
    Part,
    Schema,
    Several,
    Text,
    add_error,
)
from ballgauge_schemas.shared.drilling import DrillingSchema, HolesSeenSchema
from ballgauge_schemas.shared.overlay import OVERLAY_PATTERN, made_by_field, overlay_fields
from ballgauge_schemas.shared.quantity import QuantityField


class MeasuredBalanceSchema(Schema):
    """Readings of a balance on the drilled ball. They take precedence over predicted ones."""

    top = QuantityField("imbalance", -32, 32, 1.25, "Top weight; positive toward the grip.")
    side = QuantityField("imbalance", -32, 32, 0.5, "Side weight; positive toward the positive axis point.")
    finger = QuantityField(
        "imbalance", -32, 32, -0.25, "Finger weight; positive toward the fingers, negative toward the thumb."
    )


class RulesSchema(Schema):
    """Which rulebook, on which day, at which stage."""

    body = Choice(words.BODIES, "The governing body.", default="usbc")
    on = Day(
        "2024-09-01", "Day of use; without it, the day the rulebook was compiled, which the answer names."
    )
    stage = Choice(words.STAGES, "Use in play, or a model's approval.", default="play")
    overlay, overlays = overlay_fields()
    as_made = made_by_field()
    approved_list = ApprovedListField(
        "The governing body's approved list, on which the ball's `name` is looked up; without it, that of "
        "the service, if it has one."
    )


class DecisionSchema(Schema):
    """How uncertainty decides (JCGM 106:2012)."""

    rule = Choice(
        words.DECISION_RULES,
        "Simple acceptance, or guarded acceptance and rejection with inconclusive between.",
        default="simple",
    )
    risk = Number(
        0.0,
        0.5,
        0.05,
        "Highest probability of a wrong verdict under the guarded rule.",
        exclusive=True,
        default=limits.RISK,
    )


class RemediesSchema(Schema):
    """What a remedy may do where the balance fails."""

    margin = QuantityField(
        "imbalance",
        0,
        3,
        0.1,
        "How far inside its limit a remedy brings each reading.",
        default=limits.REMEDY_MARGIN,
    )
    already_drilled = Flag(
        "Whether the holes exist, so that they can only become deeper.", default=False, example=False
    )
    thumb_depth_min = QuantityField(
        "length", 0.02, 8, 2, "Least depth of the thumb hole that still fits.", assumed=limits.THUMB_DEPTH_MIN
    )
    finger_depth_min = QuantityField(
        "length",
        0.02,
        8,
        1.5,
        "Least depth of the finger holes that still fits.",
        assumed=limits.FINGER_DEPTH_MIN,
    )


def _detail() -> Choice:
    return Choice(
        words.DETAILS,
        "How much is answered. full: everything. findings: outcome, findings, rules, decision, and what the "
        "rules miss; no derived numbers, cautions, assumptions, units or remedies. brief: outcome, the rules "
        "that are not met, and what they miss.",
        default="full",
    )


def _design() -> Part:
    return Part(
        DesignSchema,
        "The ball's layers, in place of its box numbers: holes are drilled through them as they are. Meshes "
        "stand in it as data.",
    )


def _marked(loaded: dict[str, Any]) -> bool:
    """Whether a loaded drilling tells the place of the center-of-gravity mark."""
    layout = (loaded.get("drilling") or {}).get("layout")
    return isinstance(layout, dict) and "cg" in layout


def _refuse_two_places(loaded: dict[str, Any], errors: Errors) -> None:
    ball = loaded.get("ball")
    if _marked(loaded) and isinstance(ball, dict) and "pin_to_cg" in ball:
        add_error(
            errors, ("ball", "pin_to_cg"), "must not be given together with the layout's cg, which tells it"
        )


class CheckEntrySchema(Schema):
    """One ball to be checked, as made or as drilled."""

    ball = Part(CheckedBallSchema, "The ball; beside a design, what that does not tell.", required=True)
    design = _design()
    drilling = Part(
        DrillingSchema, "Its drilling; without one the ball is checked as made, or as it is seen."
    )
    holes_seen = Part(HolesSeenSchema, "Its holes as a desk sees them, in place of the drilling.")
    measured_balance = Part(MeasuredBalanceSchema, "Balance readings after drilling.")
    rules = Part(RulesSchema, "The rules to check against.", default={})
    decision = Part(DecisionSchema, "How uncertainty decides.", default={})
    remedies = Part(RemediesSchema, "What a remedy may do.", default={})
    also_on = Several(
        Day("2020-08-01", "A day of use."),
        limits.ALSO_ON_MAXIMUM,
        "Further days of use that the ball is judged on; the answer says what they change.",
        minimum=1,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for weight and size of a ball to be drilled, and for its holes by one account."""
        if "design" in loaded or "design" in errors:
            refuse_told(loaded.get("ball"), errors)
            require_layout(loaded.get("drilling"), errors)
        else:
            self._check_box(loaded, errors)
        if "drilling" in loaded and "holes_seen" in loaded:
            add_error(errors, ("holes_seen",), "stands in for a drilling, and one is given")

    def _check_box(self, loaded: dict[str, Any], errors: Errors) -> None:
        require_any_weight(loaded.get("ball"), errors, "weight", "drilled_weight")
        _refuse_two_places(loaded, errors)
        if "drilling" in loaded:
            require_weight(loaded.get("ball"), errors, ("ball",))
            require_diameter(loaded.get("ball"), errors, ("ball",))


class CheckRequestSchema(CheckEntrySchema):
    """One ball to be checked, as made or as drilled, and how much is answered."""

    also_known = ("checks",)

    detail = _detail()


class CheckBatchSchema(Schema):
    """Many checks, answered in the same order and the same detail."""

    checks = Several(
        Part(CheckEntrySchema, "One check."), limits.BATCH_MAXIMUM, "The checks.", minimum=1, required=True
    )
    approved_list = ApprovedListField("The approved list for every check whose rules have none.")
    detail = _detail()
    on_error = Choice(
        words.ON_ERROR,
        "What becomes of a check that cannot be answered. refuse: the batch is refused, and every bad field "
        "named. collect: each check is answered by its result, or by the problem that stands in its place.",
        default="refuse",
    )


class DrillingRequestSchema(Schema):
    """One drilled ball whose numbers are asked for, rules or not."""

    also_known = ("drillings",)

    ball = Part(BallToDrillSchema, "The ball; a drilling needs its size, here or in a design.", required=True)
    design = _design()
    drilling = Part(DrillingSchema, "Its drilling.", required=True)
    measured_balance = Part(MeasuredBalanceSchema, "Balance readings after drilling.")
    remedies = Part(RemediesSchema, "What a remedy may do.", default={})

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for weight and size of a ball to be drilled."""
        if "design" in loaded or "design" in errors:
            refuse_told(loaded.get("ball"), errors)
            require_layout(loaded.get("drilling"), errors)
            return
        require_any_weight(loaded.get("ball"), errors, "weight")
        _refuse_two_places(loaded, errors)
        require_diameter(loaded.get("ball"), errors, ("ball",))


class DrillingBatchSchema(Schema):
    """Many drillings, answered in the same order."""

    drillings = Several(
        Part(DrillingRequestSchema, "One drilling."),
        limits.BATCH_MAXIMUM,
        "The drillings.",
        minimum=1,
        required=True,
    )


class SheetRequestSchema(Schema):
    """A drilling whose sheet for the driller is wanted."""

    check = Part(CheckEntrySchema, "The ball with its drilling, and the rules.", required=True)  # type: ignore[assignment]
    owner = Text("J. Doe", "Whose ball it is.", maximum=80)
    language = Choice(words.REPORT_LANGUAGES, "Its language.", default="en")
    units = Choice(words.REPORT_UNITS, "Trade units, or metric ones in place of them.", default="trade")
    paper = Choice(words.PAPERS, "Size of its page.", default="a4")


class RulebookQuerySchema(Schema):
    """Which rules to list; without parameters, those of every body."""

    body = Choice(words.BODIES, "The governing body.")
    on = Day("2024-09-01", "List the rules in force on this day.")
    overlay = Text(
        "national_events_78d",
        "National or local differences laid over the rulebook.",
        pattern=OVERLAY_PATTERN,
        maximum=40,
    )


CHECK = CheckEntrySchema()
CHECK_REQUEST = CheckRequestSchema()
CHECK_BATCH = CheckBatchSchema()
DRILLING_REQUEST = DrillingRequestSchema()
DRILLING_BATCH = DrillingBatchSchema()
SHEET_REQUEST = SheetRequestSchema()
RULEBOOK_QUERY = RulebookQuerySchema()


def load_check_body(data: Any) -> tuple[list[dict[str, Any]], bool]:
    """Give the checks in a decoded body, each with its detail, and whether it was a batch.

    Raises ValidationError with every error; `problems.flatten` turns it into JSON pointers.
    """
    if isinstance(data, dict) and "checks" in data:
        loaded = CHECK_BATCH.load(data)
        listed = {"approved_list": loaded["approved_list"]} if "approved_list" in loaded else {}
        return [
            {**check, "detail": loaded["detail"], "rules": {**listed, **check["rules"]}}
            for check in loaded["checks"]
        ], True
    return [CHECK_REQUEST.load(data)], False


def load_collected(data: Any) -> tuple[list[Any], dict[str, Any]] | None:
    """The checks of a decoded batch that collects errors, as they came, and what holds for all of them.

    None where the body is no such batch. Raises ValidationError where it is wrong but for its checks.
    """
    if not isinstance(data, dict) or data.get("on_error") != "collect" or "checks" not in data:
        return None
    checks = data["checks"]
    if isinstance(checks, list) and 1 <= len(checks) <= limits.BATCH_MAXIMUM:
        return checks, CHECK_BATCH.load({**data, "checks": [{"ball": {"weight": 15}}]})
    return checks, CHECK_BATCH.load(data)


def load_drilling_body(data: Any) -> tuple[list[dict[str, Any]], bool]:
    """Give the drillings in a decoded body, and whether it was a batch. Raises as `load_check_body` does."""
    if isinstance(data, dict) and "drillings" in data:
        return list(DRILLING_BATCH.load(data)["drillings"]), True
    return [DRILLING_REQUEST.load(data)], False
