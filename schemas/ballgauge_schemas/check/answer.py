"""What is answered: findings, derived numbers, and the rules themselves.

Numbers are in trade units, which each field names and the answer repeats under `units`. A group or a number
that cannot be known from the request is null, and `missing` says what it would take. The limits of these
fields are those of the drawing board (ours): they hold for every answer to a request within its own limits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.approved_list import ApprovedBallSchema
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Table, Text, Whole
from ballgauge_schemas.shared.problems import ProblemSchema


def _length(description: str, example: float, minimum: float = -60.0, maximum: float = 60.0) -> Number:
    return Number(minimum, maximum, example, description, unit="in", allow_none=True)


def _ounces(description: str, example: float, limit: float = 1e5) -> Number:
    return Number(-limit, limit, example, description, unit="oz", allow_none=True)


def _plain(description: str, example: float, minimum: float, maximum: float, unit: str = "1") -> Number:
    return Number(minimum, maximum, example, description, unit=unit, allow_none=True)


def _any_number(description: str, example: float) -> Number:
    return Number(-1e300, 1e300, example, description, unit="see unit", allow_none=True)


def _text(description: str, example: str, *, required: bool = True, allow_none: bool = False) -> Text:
    return Text(example, description, maximum=2000, required=required, allow_none=allow_none)


class LimitSchema(Schema):
    """The limits of a rule; null where a side is open."""

    min = _any_number("Least value that conforms.", 2.46)
    max = _any_number("Greatest value that conforms.", 2.8)


class FindingSchema(Schema):
    """What one rule says about the ball."""

    rule = _text("Id of the rule in its rulebook.", "radius_of_gyration")
    title = _text("The rule in a few words.", "Radius of gyration, low axis")
    clause = _text("Clause of the rule's document, where known.", "11.13.2", required=False, allow_none=True)
    basis = Choice(
        words.BASES, "How sure the limit is; null where none is known.", required=True, allow_none=True
    )
    source = _text(
        "Document and date the limit comes from.", "governing body's release of 2010", allow_none=True
    )
    quantity = _text("Name of what is judged; null for a rule of words.", "rg", allow_none=True)
    unit = _text(
        "Unit of limit, value, uncertainty and margin; date: days since 1970-01-01.", "in", allow_none=True
    )
    limit = Part(LimitSchema, "The limits that bind this ball.", required=True, allow_none=True)
    value = _any_number("The value judged.", 2.49)
    uncertainty = _any_number("Its standard uncertainty.", 0.005)
    margin = _any_number("Distance to the nearest limit; negative outside.", 0.03)
    probability = _plain("Probability of conformity.", 0.998, 0.0, 1.0)
    outcome = Choice(words.OUTCOMES, "The verdict on this rule.", required=True)
    advisory = Flag("Whether the finding is advice that leaves the overall outcome alone.", example=False)
    message = _text("The finding in a sentence.", "rg is 2.49 in, within 2.46 in to 2.8 in.")


class UnmetSchema(Schema):
    """A rule that counts and is not met: broken, undecided or not assessed. Numbers are in its unit."""

    rule = _text("Id of the rule in its rulebook.", "radius_of_gyration")
    outcome = Choice(words.OUTCOMES, "The verdict on this rule.", required=True)
    limit = Part(LimitSchema, "The limits that bind this ball; null: none.", required=True, allow_none=True)
    value = _any_number("The value judged.", 2.44)
    margin = _any_number("Distance to the nearest limit; negative outside.", -0.02)


class MissingSchema(Schema, whole=True):
    """A field that was not given, and what needs it."""

    field = _text("JSON pointer to the field.", "/ball/hardness")
    needed_for = Several(
        _text("Id of a rule or name of a derived group.", "hardness"),
        limits.RULES_MAXIMUM,
        "What is not assessed or not computed for want of it.",
    )


class CautionSchema(Schema):
    """Something in the request that deserves a second look."""

    code = _text("Kind of the caution.", "holes_meet")
    message = _text("The caution in a sentence.", "Holes 1 and 2 meet inside the ball.")
    pointer = _text("JSON pointer to its place.", "/drilling/holes/1", required=False, allow_none=True)


class PointSchema(Schema):
    """A place on the surface, as arcs from the grip center."""

    right = _length("Arc along the midline to the bowler's right.", 3.4)
    up = _length("Arc along the meridian toward the fingers.", 2.1)


class VectorSchema(Schema):
    """A place inside the ball: x to the bowler's right, y toward the fingers, z to the grip center."""

    x = _length("To the bowler's right.", 0.004)
    y = _length("Toward the fingers.", -0.002)
    z = _length("To the grip center.", 0.011)


class MomentSchema(Schema):
    """The balance moment about the geometric center, along the same directions."""

    x = _plain("To the bowler's right.", 1.1, -1e6, 1e6, "oz·in")
    y = _plain("Toward the fingers.", -0.6, -1e6, 1e6, "oz·in")
    z = _plain("To the grip center.", 2.9, -1e6, 1e6, "oz·in")


class ReadingUncertaintySchema(Schema):
    """Standard uncertainties of readings."""

    top = _ounces("Of the top weight.", 0.05)
    side = _ounces("Of the side weight.", 0.05)
    finger = _ounces("Of the finger weight.", 0.05)


class ReadingsSchema(Schema):
    """Three balance readings."""

    top = _ounces("Top weight; positive toward the grip.", 0.9)
    side = _ounces("Side weight; positive toward the positive axis point.", 0.35)
    finger = _ounces("Finger weight; positive toward the fingers.", -0.2)
    uncertainty = Part(ReadingUncertaintySchema, "Standard uncertainties of the readings.", allow_none=True)
    model_uncertainty = Part(
        ReadingUncertaintySchema,
        "The part of them that the model of two materials brings; absent where layers are drilled.",
        allow_none=True,
    )


class DerivedBallSchema(Schema):
    """What follows from the ball's box numbers."""

    radius = _length("Radius.", 4.295, 0.0)
    mean_density = _plain("Mean density.", 1.256, 0.0, 100.0, "g/mL")
    floats = Flag("Whether the ball floats in fresh water.", allow_none=True, example=False)
    asymmetry_ratio = _plain("Intermediate differential divided by differential.", 0.25, 0.0, 1.0)
    rg_intermediate = _length("Radius of gyration about the intermediate axis.", 2.526, 0.0)
    rg_high = _length("Radius of gyration about the high axis.", 2.538, 0.0)
    rg_class = _text("Class of the low radius of gyration.", "low", required=False, allow_none=True)
    differential_class = _text("Class of the differential.", "high", required=False, allow_none=True)
    symmetry = _text("symmetric or asymmetric.", "asymmetric", required=False, allow_none=True)
    inner_density = _plain("Density inside the cover that makes up the weight.", 1.29, -100.0, 100.0, "g/mL")
    class_thresholds = Table(
        None, {"rg_low_below": 2.52}, "The thresholds of the classes, by name.", allow_none=True
    )


class DerivedLayoutSchema(Schema):
    """Where the layout puts pin, spin axis and center of gravity."""

    pap = Part(PointSchema, "Positive axis point.", allow_none=True)
    pin = Part(PointSchema, "Pin.", allow_none=True)
    psa = Part(PointSchema, "Preferred spin axis.", allow_none=True)
    cg_mark = Part(PointSchema, "Center-of-gravity mark.", allow_none=True)
    drilling_angle = _plain(
        "Angle at the pin from the positive axis point to the spin axis; positive as layouts state it.",
        50.0,
        -360.0,
        360.0,
        "deg",
    )
    val_angle = _plain(
        "Angle at the positive axis point from the upward vertical axis line to the pin, toward the grip.",
        35.0,
        -360.0,
        360.0,
        "deg",
    )
    pin_below = Flag("Whether that angle is over 90°.", allow_none=True, example=False)
    pin_to_cg = _length("Arc from pin to center-of-gravity mark.", 2.5, 0.0)
    pin_to_pap = _length("Arc from pin to positive axis point.", 4.5, 0.0)
    pap_to_psa = _length("Arc from positive axis point to preferred spin axis.", 3.9, 0.0)
    pin_to_psa = _length("Arc from pin to preferred spin axis, a quarter turn.", 6.747, 0.0)
    pin_to_val = _length("Arc from pin to vertical axis line.", 2.4, 0.0)
    pin_to_grip_centre = _length("Arc from pin to grip center.", 3.1, 0.0)
    flare_potential = _plain("Share of the greatest flare this pin distance gives.", 0.87, 0.0, 1.0)
    flare_formula = _text(
        "Formula of the flare potential.", "sin(2 · pin_to_pap / radius)", required=False, allow_none=True
    )


class DerivedHoleSchema(Schema):
    """What one hole takes away."""

    role = Choice(words.ROLES, "What the hole is for.", required=True)
    at = Part(PointSchema, "Where its center is on the surface.", allow_none=True)
    diameter = _length("Diameter.", 0.96875, 0.0)
    depth = _length("Depth along its axis.", 2.25, 0.0)
    pitch_forward = _length("Pitch toward the grip center; negative: away from it.", 0.125)
    pitch_lateral = _length("Pitch toward the bowler's right; negative: left.", 0.0)
    volume = _plain("Volume it takes from the sphere.", 1.65, 0.0, 1e4, "in³")
    removed_weight = _ounces("Weight of the material drilled out.", 1.1)
    slug_weight = _ounces("Weight of the slug put back.", 0.0)
    net_weight = _ounces("Weight drilled out less weight put back.", 1.1)
    axis_offset = _length("Least distance of the hole's axis from the ball's center.", 0.12, 0.0)
    bottom_to_centre = _length("Distance of the bottom's center from the ball's center.", 2.05, 0.0)
    past_centre = Flag("Whether it reaches past the ball's center.", allow_none=True, example=False)
    meets = Several(
        Whole(0, limits.HOLES_MAXIMUM - 1, 1, "Index of another hole."),
        limits.HOLES_MAXIMUM,
        "Indices of the holes it meets inside the ball.",
        allow_none=True,
    )


class AxisSchema(Schema):
    """Where drilling moved a principal axis."""

    right = _length("Arc along the midline to the bowler's right.", 2.9)
    up = _length("Arc along the meridian toward the fingers.", 2.0)
    moved = _length("Arc it moved.", 0.21, 0.0)
    bearing = _plain(
        "Direction it moved in, from up, clockwise seen from outside.", 70.0, -360.0, 360.0, "deg"
    )


class ChangeSchema(Schema):
    """Drilled less undrilled."""

    rg = _length("Of the low radius of gyration.", 0.004)
    differential = _length("Of the differential.", -0.003)
    intermediate_differential = _length("Of the intermediate differential.", 0.002)
    asymmetry_ratio = _plain("Of the asymmetry ratio.", 0.05, -1.0, 1.0)
    weight = _ounces("Of the weight.", -2.6)


class DrilledUncertaintySchema(Schema):
    """Standard uncertainties of the drilled ball's numbers."""

    weight = _plain("Of the weight.", 0.02, 0.0, 1e4, "lb")
    rg = _length("Of the low radius of gyration.", 0.002, 0.0)
    differential = _length("Of the differential.", 0.002, 0.0)
    intermediate_differential = _length("Of the intermediate differential.", 0.002, 0.0)


class DerivedDrilledSchema(Schema):
    """The drilled ball."""

    weight = _plain("Weight.", 14.9, -1e4, 1e4, "lb")
    removed_weight = _ounces("Weight of all holes, overlaps counted once.", 2.6)
    centre_of_mass = Part(VectorSchema, "Center of mass from the geometric center.", allow_none=True)
    moment = Part(MomentSchema, "Balance moment.", allow_none=True)
    rg = _length("Low radius of gyration.", 2.494, 0.0)
    rg_intermediate = _length("Intermediate radius of gyration.", 2.527, 0.0)
    rg_high = _length("High radius of gyration.", 2.54, 0.0)
    differential = _length("High less low radius of gyration.", 0.046, 0.0)
    intermediate_differential = _length("High less intermediate radius of gyration.", 0.013, 0.0)
    asymmetry_ratio = _plain("Intermediate differential divided by differential.", 0.28, 0.0, 1.0)
    uncertainty = Part(
        DrilledUncertaintySchema, "Standard uncertainties, the model's own among them.", allow_none=True
    )
    model_uncertainty = Part(
        DrilledUncertaintySchema,
        "The part of them that the model of two materials brings; absent where layers are drilled.",
        allow_none=True,
    )
    change = Part(ChangeSchema, "Drilled less undrilled.", allow_none=True)
    low_rg_axis = Part(AxisSchema, "The low axis.", allow_none=True)
    high_rg_axis = Part(AxisSchema, "The high axis.", allow_none=True)


class DerivedBalanceSchema(Schema):
    """Static balance: predicted, measured, and half against half."""

    arm = _length("Lever arm used for readings.", 3.2, 0.0)
    arm_given = Flag("Whether the request gave the arm.", allow_none=True, example=False)
    predicted = Part(ReadingsSchema, "Readings predicted from the drilling.", allow_none=True)
    measured = Part(ReadingsSchema, "Readings given in the request.", allow_none=True)
    half_differences = Part(ReadingsSchema, "Weight of one half less the other.", allow_none=True)
    largest_imbalance = _ounces("Largest imbalance over all directions, |M| / arm, as predicted.", 0.98)
    largest_imbalance_at = Part(PointSchema, "Where the heavy side points.", allow_none=True)


class RemedyHoleSchema(Schema):
    """A hole at its new depth."""

    index = Whole(0, limits.HOLES_MAXIMUM - 1, 0, "Index of the hole.", required=True)
    depth = _length("New depth.", 2.75, 0.0)


class RemedyPlacementSchema(Schema):
    """The layout after a shift of the grip."""

    drilling_angle = _plain("Drilling angle.", 50.0, -360.0, 360.0, "deg")
    pin_to_pap = _length("Arc from pin to positive axis point.", 4.5)
    val_angle = _plain("Angle to the vertical axis line.", 35.0, -360.0, 360.0, "deg")


class RemedySchema(Schema):
    """A change that brings every reading inside its limit, or the word that none does."""

    kind = Choice(words.REMEDY_KINDS, "What is changed.", required=True)
    change = _any_number("By how much.", 0.25)
    unit = _text("Unit of the change.", "in", required=False, allow_none=True)
    holes = Several(
        Part(RemedyHoleSchema, "One hole."), limits.HOLES_MAXIMUM, "Holes with a new depth.", allow_none=True
    )
    readings = Part(ReadingsSchema, "Predicted readings afterwards.", allow_none=True)
    layout = Part(RemedyPlacementSchema, "Layout after a shift of the grip.", allow_none=True)
    message = _text("The remedy in a sentence.", "Drill the thumb hole 0.25 in deeper.")


def _remedies() -> Several:
    return Several(
        Part(RemedySchema, "One remedy."),
        50,
        "What mends the balance; null or empty where nothing needs mending.",
        allow_none=True,
    )


class DerivedSchema(Schema):
    """Every derived group; null where it cannot be computed."""

    ball = Part(DerivedBallSchema, "From the box numbers.", required=True, allow_none=True)
    layout = Part(DerivedLayoutSchema, "From the layout.", allow_none=True)
    holes = Several(
        Part(DerivedHoleSchema, "One hole."),
        limits.HOLES_MAXIMUM,
        "Hole by hole, in the request's order.",
        allow_none=True,
    )
    drilled = Part(DerivedDrilledSchema, "The drilled ball.", allow_none=True)
    balance = Part(DerivedBalanceSchema, "Static balance.", allow_none=True)
    remedies = _remedies()


def _digest(description: str) -> Text:
    return Text(
        "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
        description,
        maximum=64,
        pattern=r"^[0-9a-f]{64}$",
    )


class UsedOverlaySchema(Schema):
    """An overlay an answer used."""

    name = _text("Its name.", "australia")
    digest = _digest("SHA-256 of its rules and their limits, of all dates.")


class ListSchema(Schema):
    """An approved list."""

    digest = _digest("SHA-256 of its rows.")
    rows = Whole(0, 10**7, 1200, "How many rows it has.", required=True)


class UsedListSchema(ListSchema):
    """The approved list that an answer used."""

    given_by = Choice(words.LIST_GIVERS, "Whether the request holds it, or the service.", required=True)


class UsedRulesSchema(Schema):
    """The rules an answer used."""

    body = Choice(words.BODIES, "The governing body.", required=True)
    on = Day("2024-09-01", "Day of use judged by.", required=True)
    stage = Choice(words.STAGES, "Use in play, or a model's approval.", required=True)
    edition = _text("Edition of the rulebook.", "2024")
    overlay = _text(
        "Names of the overlays laid over it, with commas; null: none.",
        "australia",
        required=False,
        allow_none=True,
    )
    overlays = Several(
        Part(UsedOverlaySchema, "One overlay."), 2 * limits.OVERLAYS_MAXIMUM, "The overlays, in their order."
    )
    digest = _digest("SHA-256 of the rules and their limits, of all dates.")
    as_made = _text("Whose rules judged the ball as made.", "usbc", required=False, allow_none=True)
    approved_list = Part(UsedListSchema, "The approved list; absent where there is none.")


class UsedDecisionSchema(Schema, whole=True):
    """The decision rule an answer used."""

    rule = Choice(words.DECISION_RULES, "Simple or guarded.")
    risk = Number(
        0.0, 0.5, 0.05, "Highest probability of a wrong verdict under the guarded rule.", exclusive=True
    )


class IdentitySchema(Schema):
    """What the approved list says of the ball, on the day of use."""

    standing = Choice(
        words.STANDINGS,
        "listed; withdrawn; made_outside: listed for other days of manufacture; approved_later; not_listed; "
        "near_name: not listed, but near to a listed name, so undecided; made_on_needed: it depends on the "
        "day of manufacture; before_the_list: made before it began; no_name: brand and model were not told.",
        required=True,
    )
    listed = Part(ApprovedBallSchema, "The ball's row; null where it has none, or several.", allow_none=True)
    near = Several(
        Part(ApprovedBallSchema, "One row."),
        limits.NEAR_NAMES_MAXIMUM,
        "Rows of the nearest names, the nearest first, where the name is not listed.",
        required=True,
    )


class DayChangeSchema(Schema, whole=True):
    """A rule that judges otherwise on another day."""

    rule = _text("Id of the rule.", "balance_holes")
    title = _text("The rule in a few words.", "Number of balance holes")
    outcome = Choice(words.OUTCOMES, "The verdict on that day.", allow_none=True)
    before = Choice(words.OUTCOMES, "The verdict on the day of use asked; null: none.", allow_none=True)


class OtherDaySchema(Schema, whole=True):
    """What a check comes to on another day of use."""

    on = Day("2020-08-01", "That day.")
    outcome = Choice(words.OUTCOMES, "The overall outcome on that day.")
    changes = Several(
        Part(DayChangeSchema, "One rule."),
        2 * limits.RULES_MAXIMUM,
        "The rules that count and judge otherwise than on the day of use asked.",
    )


class _MissingSchema(Schema):
    missing = Several(
        Part(MissingSchema, "One field."),
        200,
        "Fields that were not given and would have been of use.",
        required=True,
    )


class _AnswerSchema(_MissingSchema, whole=True):
    """What every whole answer holds."""

    derived = Part(DerivedSchema, "Numbers that follow from the request.")
    cautions = Several(Part(CautionSchema, "One caution."), 1000, "What deserves a second look.")
    assumptions = Several(
        _text("One assumption.", "Cover 0.75 in thick at 1.19 g/mL, from memory."),
        100,
        "What was taken for granted.",
    )
    units = Table(
        _text("A unit.", "in"), {"rg": "in", "top": "oz"}, "Units of the answer's numbers, by name."
    )


def other_days() -> Several:
    """What an answer says of the days in `also_on`."""
    return Several(
        Part(OtherDaySchema, "One day."),
        limits.ALSO_ON_MAXIMUM,
        "The same ball on the days of `also_on`, in their order; absent where none were asked.",
    )


class CheckBriefSchema(_MissingSchema):
    """The answer to one check in brief: enough to decide, and to know whether to ask for more."""

    also_on = other_days()
    outcome = Choice(
        words.OUTCOMES, "The worst outcome of all findings that are not advisory.", required=True
    )
    unmet = Several(
        Part(UnmetSchema, "One rule."),
        limits.RULES_MAXIMUM,
        "The rules that count and are not met; the others conform, or ask nothing of this ball.",
        required=True,
    )


class CheckFindingsSchema(_MissingSchema):
    """The answer to one check by its findings alone."""

    also_on = other_days()
    outcome = Choice(
        words.OUTCOMES, "The worst outcome of all findings that are not advisory.", required=True
    )
    findings = Several(
        Part(FindingSchema, "One finding."), limits.RULES_MAXIMUM, "One finding for each rule.", required=True
    )
    rules = Part(UsedRulesSchema, "The rules used.", required=True)
    decision = Part(UsedDecisionSchema, "The decision rule used.", required=True)
    identity = Part(
        IdentitySchema, "What the approved list says; absent where there is none, or where it is not asked."
    )


class CheckResultSchema(CheckFindingsSchema, _AnswerSchema):
    """The answer to one check. It never says that a ball is approved: only the governing body approves."""


class DrillingResultSchema(_AnswerSchema):
    """The answer to one drilling."""

    remedies = _remedies()


def _results(entry: type[Schema]) -> Several:
    return Several(
        Part(entry, "One answer."),
        limits.BATCH_MAXIMUM,
        "The answers, in the request's order.",
        required=True,
    )


class CountsSchema(Schema):
    """How many answers there are of each outcome."""

    conforming = Whole(0, limits.BATCH_MAXIMUM, 2, "Conforming.")
    nonconforming = Whole(0, limits.BATCH_MAXIMUM, 1, "Nonconforming.")
    inconclusive = Whole(0, limits.BATCH_MAXIMUM, 0, "Inconclusive.")
    not_assessed = Whole(0, limits.BATCH_MAXIMUM, 0, "Not assessed.")


class CheckBatchResultSchema(Schema, whole=True):
    """The answer to many checks."""

    results = _results(CheckResultSchema)
    counts = Part(CountsSchema, "Answers by outcome.")


class CheckBatchFindingsSchema(CheckBatchResultSchema):
    """The answer to many checks by their findings alone."""

    results = _results(CheckFindingsSchema)


class CheckBatchBriefSchema(CheckBatchResultSchema):
    """The answer to many checks in brief."""

    results = _results(CheckBriefSchema)


class AnyPart(Part):
    """An object by one of several schemas: the first whose required members it has."""

    def __init__(self, schemas: Sequence[type[Schema]], description: str) -> None:
        super().__init__(schemas[0], description)
        self.schemas = [schema() for schema in schemas]

    @property
    def read(self) -> Callable[[Any], Any]:
        """The reader of whichever it is."""

        def read(value: Any) -> Any:
            names = set(value) if isinstance(value, dict) else set()
            fits = [each for each in self.schemas if names.issuperset(each.required_names)]
            return (fits or self.schemas)[0].load(value)

        return read


class CollectedCheckSchema(Schema):
    """What came of one check of many: its result, or the problem that stands in its place."""

    result = AnyPart((CheckResultSchema, CheckFindingsSchema, CheckBriefSchema), "The answer.")
    problem = Part(ProblemSchema, "Why there is none; its pointers lead into this check.")


class CollectedCountsSchema(CountsSchema):
    """How many answers there are of each outcome, and how many checks have none."""

    refused = Whole(0, limits.BATCH_MAXIMUM, 1, "Checks that could not be answered.", required=True)


class CheckBatchCollectedSchema(Schema, whole=True):
    """The answer to many checks of which some may be wrong."""

    results = _results(CollectedCheckSchema)
    counts = Part(CollectedCountsSchema, "Answers by outcome.")


class DrillingBatchResultSchema(Schema):
    """The answer to many drillings."""

    results = _results(DrillingResultSchema)


class RuleSchema(Schema):
    """One limit of a rulebook, as its data file has it."""

    rule = _text("Id of the rule.", "radius_of_gyration")
    title = _text("The rule in a few words.", "Radius of gyration, low axis")
    clause = _text("Clause of its document, where known.", "11.13.2", required=False, allow_none=True)
    basis = Choice(words.BASES, "How sure the limit is.", required=True)
    source = _text("Document and date it comes from.", "governing body's release of 2010")
    quantity = _text("Name of what is judged; null for a rule of words.", "rg", allow_none=True)
    unit = _text("Unit of the limit; date: days since 1970-01-01.", "in", allow_none=True)
    limit = Part(LimitSchema, "The limits.", required=True, allow_none=True)
    effect = Choice(
        words.EFFECTS,
        "limit: as `limit` says; exempt: nothing is asked; unbound: these balls are not reached; words: it "
        "cannot be judged from numbers.",
    )
    binds = Choice(words.BINDS, "Which day decides: that of use, of make or of approval.", required=True)
    stage = _text("Stage it belongs to.", "play", required=False, allow_none=True)
    effective_from = Day("2010-07-01", "First day in force; null: always.", allow_none=True)
    effective_to = Day("2020-07-31", "Last day in force; null: still.", allow_none=True)
    applies_to = _text("Which balls it binds.", "balls over 10 lb", required=False, allow_none=True)
    advisory = Flag("Whether it is advice only.", example=False)
    note = _text(
        "What else there is to know.",
        "Approvals before this day keep their limit.",
        required=False,
        allow_none=True,
    )


class RulebookSchema(Schema):
    """One body's rules."""

    body = Choice(words.BODIES, "The governing body.", required=True)
    title = _text("Title of the rulebook.", "Equipment specifications")
    edition = _text("Edition.", "2024")
    compiled_on = Day("2024-09-01", "Day the rulebook was compiled.", required=True)
    on = Day("2024-09-01", "Day the list is for; null: every rule there is.", allow_none=True)
    overlay = _text("Differences laid over it.", "australia", required=False, allow_none=True)
    overlays = Several(_text("Name of an overlay.", "australia"), 1000, "Overlays there are.")
    notes = Several(
        _text("A note.", "Values are compared as they are."), 100, "What holds for all its rules."
    )
    digest = _digest("SHA-256 of all its rules and their limits, of all dates.")
    overlay_digests = Table(
        _digest("A digest."),
        {"australia": "9f86d081884c7d65" * 4},
        "The same of each overlay there is, by name.",
    )
    rules = Several(
        Part(RuleSchema, "One rule."),
        limits.RULES_MAXIMUM,
        "The rules, in the rulebook's order.",
        required=True,
    )


class RulebooksSchema(Schema):
    """Rulebooks."""

    rulebooks = Several(Part(RulebookSchema, "One rulebook."), 20, "The rulebooks asked for.", required=True)
    approved_list = Part(ListSchema, "The approved list that the service has; absent where it has none.")


class StateSchema(Schema):
    """State of the service."""

    status = Choice(
        ("ok", "unready", "degraded"),
        "ok; unready while it starts; or degraded: it answers, and something does not work.",
        required=True,
    )
    degraded = Several(
        Choice(words.DEGRADED, "Of what the log says more."),
        len(words.DEGRADED),
        "What does not work; absent: nothing.",
        minimum=1,
    )
    compiling = Flag(
        "The service prepares lots, designs and motions, once after its installation: the first of them "
        "wait up to a minute; absent: it is done."
    )


CHECK_RESULT = CheckResultSchema()
CHECK_BATCH_RESULT = CheckBatchResultSchema()
CHECK_FINDINGS = CheckFindingsSchema()
CHECK_BATCH_FINDINGS = CheckBatchFindingsSchema()
CHECK_BRIEF = CheckBriefSchema()
CHECK_BATCH_BRIEF = CheckBatchBriefSchema()
CHECK_BATCH_COLLECTED = CheckBatchCollectedSchema()
COLLECTED_CHECK = CollectedCheckSchema()
DRILLING_RESULT = DrillingResultSchema()
DRILLING_BATCH_RESULT = DrillingBatchResultSchema()
RULEBOOKS_RESULT = RulebooksSchema()
