"""What is answered: findings, derived numbers, and the rules themselves.

Numbers are in trade units, which each field names and the answer repeats under `units`. A group or a number
that cannot be known from the request is null, and `missing` says what it would take. The limits of these
fields are those of the drawing board (ours): they hold for every answer to a request within its own limits.
"""

from __future__ import annotations

from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Table, Text, Whole


def _length(description: str, example: float, minimum: float = -60.0, maximum: float = 60.0) -> Number:
    return Number(
        description=description, example=example, minimum=minimum, maximum=maximum, unit="in", allow_none=True
    )


def _ounces(description: str, example: float, limit: float = 1e5) -> Number:
    return Number(
        description=description, example=example, minimum=-limit, maximum=limit, unit="oz", allow_none=True
    )


def _plain(description: str, example: float, minimum: float, maximum: float, unit: str = "1") -> Number:
    return Number(
        description=description, example=example, minimum=minimum, maximum=maximum, unit=unit, allow_none=True
    )


def _any_number(description: str, example: float) -> Number:
    return Number(
        description=description,
        example=example,
        minimum=-1e300,
        maximum=1e300,
        unit="see unit",
        allow_none=True,
    )


def _text(description: str, example: str, *, required: bool = True, allow_none: bool = False) -> Text:
    return Text(
        description=description, example=example, maximum=2000, required=required, allow_none=allow_none
    )


class LimitSchema(Schema):
    """The limits of a rule; null where a side is open."""

    min = _any_number("Least value that conforms.", 2.46)
    max = _any_number("Greatest value that conforms.", 2.8)


class FindingSchema(Schema):
    """What one rule says about the ball."""

    rule = _text("Id of the rule in its rulebook.", "radius_of_gyration")
    title = _text("The rule in a few words.", "Radius of gyration, low axis")
    clause = _text("Clause of the rule's document, where known.", "11.13.2", required=False, allow_none=True)
    basis = Choice(*words.BASES, required=True, description="How sure the limit is.")
    source = _text("Document and date the limit comes from.", "governing body's release of 2010")
    quantity = _text("Name of what is judged; null for a rule of words.", "rg", allow_none=True)
    unit = _text("Unit of limit, value, uncertainty and margin.", "in", allow_none=True)
    limit = Part(LimitSchema, required=True, allow_none=True, description="The limits that bind this ball.")
    value = _any_number("The value judged.", 2.49)
    uncertainty = _any_number("Its standard uncertainty.", 0.005)
    margin = _any_number("Distance to the nearest limit; negative outside.", 0.03)
    probability = _plain("Probability of conformity.", 0.998, 0.0, 1.0)
    outcome = Choice(*words.OUTCOMES, required=True, description="The verdict on this rule.")
    advisory = Flag(
        description="Whether the finding is advice that leaves the overall outcome alone.", example=False
    )
    message = _text("The finding in a sentence.", "rg is 2.49 in, within 2.46 in to 2.8 in.")


class MissingSchema(Schema):
    """A field that was not given, and what needs it."""

    field = _text("JSON pointer to the field.", "/ball/hardness")
    needed_for = Several(
        _text("Id of a rule or name of a derived group.", "hardness"),
        required=True,
        description="What is not assessed or not computed for want of it.",
        minimum=0,
        maximum=limits.RULES_MAXIMUM,
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
    uncertainty = Part(
        ReadingUncertaintySchema, allow_none=True, description="Standard uncertainties of the readings."
    )


class DerivedBallSchema(Schema):
    """What follows from the ball's box numbers."""

    radius = _length("Radius.", 4.295, 0.0)
    mean_density = _plain("Mean density.", 1.256, 0.0, 100.0, "g/mL")
    floats = Flag(description="Whether the ball floats in fresh water.", allow_none=True, example=False)
    asymmetry_ratio = _plain("Intermediate differential divided by differential.", 0.25, 0.0, 1.0)
    rg_intermediate = _length("Radius of gyration about the intermediate axis.", 2.526, 0.0)
    rg_high = _length("Radius of gyration about the high axis.", 2.538, 0.0)
    rg_class = _text("Class of the low radius of gyration.", "low", required=False, allow_none=True)
    differential_class = _text("Class of the differential.", "high", required=False, allow_none=True)
    symmetry = _text("symmetric or asymmetric.", "asymmetric", required=False, allow_none=True)
    inner_density = _plain("Density inside the cover that makes up the weight.", 1.29, -100.0, 100.0, "g/mL")
    class_thresholds = Table(
        description="The thresholds of the classes, by name.", example={"rg_low_below": 2.52}, allow_none=True
    )


class DerivedLayoutSchema(Schema):
    """Where the layout puts pin, spin axis and center of gravity."""

    pap = Part(PointSchema, allow_none=True, description="Positive axis point.")
    pin = Part(PointSchema, allow_none=True, description="Pin.")
    psa = Part(PointSchema, allow_none=True, description="Preferred spin axis.")
    cg_mark = Part(PointSchema, allow_none=True, description="Center-of-gravity mark.")
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

    role = Choice(*words.ROLES, required=True, description="What the hole is for.")
    at = Part(PointSchema, allow_none=True, description="Where its center is on the surface.")
    diameter = _length("Diameter.", 0.96875, 0.0)
    depth = _length("Depth along its axis.", 2.25, 0.0)
    volume = _plain("Volume it takes from the sphere.", 1.65, 0.0, 1e4, "in³")
    removed_weight = _ounces("Weight of the material drilled out.", 1.1)
    slug_weight = _ounces("Weight of the slug put back.", 0.0)
    net_weight = _ounces("Weight drilled out less weight put back.", 1.1)
    axis_offset = _length("Least distance of the hole's axis from the ball's center.", 0.12, 0.0)
    bottom_to_centre = _length("Distance of the bottom's center from the ball's center.", 2.05, 0.0)
    past_centre = Flag(
        description="Whether it reaches past the ball's center.", allow_none=True, example=False
    )
    meets = Several(
        Whole(description="Index of another hole.", example=1, minimum=0, maximum=limits.HOLES_MAXIMUM - 1),
        allow_none=True,
        description="Indices of the holes it meets inside the ball.",
        minimum=0,
        maximum=limits.HOLES_MAXIMUM,
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


class DerivedDrilledSchema(Schema):
    """The drilled ball."""

    weight = _plain("Weight.", 14.9, -1e4, 1e4, "lb")
    removed_weight = _ounces("Weight of all holes, overlaps counted once.", 2.6)
    centre_of_mass = Part(
        VectorSchema, allow_none=True, description="Center of mass from the geometric center."
    )
    moment = Part(MomentSchema, allow_none=True, description="Balance moment.")
    rg = _length("Low radius of gyration.", 2.494, 0.0)
    rg_intermediate = _length("Intermediate radius of gyration.", 2.527, 0.0)
    rg_high = _length("High radius of gyration.", 2.54, 0.0)
    differential = _length("High less low radius of gyration.", 0.046, 0.0)
    intermediate_differential = _length("High less intermediate radius of gyration.", 0.013, 0.0)
    asymmetry_ratio = _plain("Intermediate differential divided by differential.", 0.28, 0.0, 1.0)
    change = Part(ChangeSchema, allow_none=True, description="Drilled less undrilled.")
    low_rg_axis = Part(AxisSchema, allow_none=True, description="The low axis.")
    high_rg_axis = Part(AxisSchema, allow_none=True, description="The high axis.")


class DerivedBalanceSchema(Schema):
    """Static balance: predicted, measured, and half against half."""

    arm = _length("Lever arm used for readings.", 3.2, 0.0)
    arm_given = Flag(description="Whether the request gave the arm.", allow_none=True, example=False)
    predicted = Part(ReadingsSchema, allow_none=True, description="Readings predicted from the drilling.")
    measured = Part(ReadingsSchema, allow_none=True, description="Readings given in the request.")
    half_differences = Part(ReadingsSchema, allow_none=True, description="Weight of one half less the other.")
    largest_imbalance = _ounces("Largest imbalance over all directions, |M| / arm, as predicted.", 0.98)
    largest_imbalance_at = Part(PointSchema, allow_none=True, description="Where the heavy side points.")


class RemedyHoleSchema(Schema):
    """A hole at its new depth."""

    index = Whole(
        required=True,
        description="Index of the hole.",
        example=0,
        minimum=0,
        maximum=limits.HOLES_MAXIMUM - 1,
    )
    depth = _length("New depth.", 2.75, 0.0)


class RemedyPlacementSchema(Schema):
    """The layout after a shift of the grip."""

    drilling_angle = _plain("Drilling angle.", 50.0, -360.0, 360.0, "deg")
    pin_to_pap = _length("Arc from pin to positive axis point.", 4.5)
    val_angle = _plain("Angle to the vertical axis line.", 35.0, -360.0, 360.0, "deg")


class RemedySchema(Schema):
    """A change that brings every reading inside its limit, or the word that none does."""

    kind = Choice(*words.REMEDY_KINDS, required=True, description="What is changed.")
    change = _any_number("By how much.", 0.25)
    unit = _text("Unit of the change.", "in", required=False, allow_none=True)
    holes = Several(
        Part(RemedyHoleSchema, description="One hole."),
        allow_none=True,
        description="Holes with a new depth.",
        minimum=0,
        maximum=limits.HOLES_MAXIMUM,
    )
    readings = Part(ReadingsSchema, allow_none=True, description="Predicted readings afterwards.")
    layout = Part(RemedyPlacementSchema, allow_none=True, description="Layout after a shift of the grip.")
    message = _text("The remedy in a sentence.", "Drill the thumb hole 0.25 in deeper.")


def _remedies() -> Several:
    return Several(
        Part(RemedySchema, description="One remedy."),
        allow_none=True,
        description="What mends the balance; null or empty where nothing needs mending.",
        minimum=0,
        maximum=50,
    )


class DerivedSchema(Schema):
    """Every derived group; null where it cannot be computed."""

    ball = Part(DerivedBallSchema, required=True, allow_none=True, description="From the box numbers.")
    layout = Part(DerivedLayoutSchema, allow_none=True, description="From the layout.")
    holes = Several(
        Part(DerivedHoleSchema, description="One hole."),
        allow_none=True,
        description="Hole by hole, in the request's order.",
        minimum=0,
        maximum=limits.HOLES_MAXIMUM,
    )
    drilled = Part(DerivedDrilledSchema, allow_none=True, description="The drilled ball.")
    balance = Part(DerivedBalanceSchema, allow_none=True, description="Static balance.")
    remedies = _remedies()


class UsedRulesSchema(Schema):
    """The rules an answer used."""

    body = Choice(*words.BODIES, required=True, description="The governing body.")
    on = Day(required=True, description="Day of use judged by.", example="2024-09-01")
    stage = Choice(*words.STAGES, required=True, description="Use in play, or a model's approval.")
    edition = _text("Edition of the rulebook.", "2024")
    overlay = _text("Differences laid over it.", "australia", required=False, allow_none=True)


class UsedDecisionSchema(Schema):
    """The decision rule an answer used."""

    rule = Choice(*words.DECISION_RULES, required=True, description="Simple or guarded.")
    risk = Number(
        required=True,
        description="Highest probability of a wrong verdict under the guarded rule.",
        example=0.05,
        minimum=0.0,
        maximum=0.5,
        exclusive=True,
    )


class _AnswerSchema(Schema):
    """What every answer holds."""

    derived = Part(DerivedSchema, required=True, description="Numbers that follow from the request.")
    missing = Several(
        Part(MissingSchema, description="One field."),
        required=True,
        description="Fields that were not given and would have been of use.",
        minimum=0,
        maximum=200,
    )
    cautions = Several(
        Part(CautionSchema, description="One caution."),
        required=True,
        description="What deserves a second look.",
        minimum=0,
        maximum=1000,
    )
    assumptions = Several(
        _text("One assumption.", "Cover 0.75 in thick at 1.19 g/mL, from memory."),
        required=True,
        description="What was taken for granted.",
        minimum=0,
        maximum=100,
    )
    units = Table(
        _text("A unit.", "in"),
        required=True,
        description="Units of the answer's numbers, by name.",
        example={"rg": "in", "top": "oz"},
    )


class CheckResultSchema(_AnswerSchema):
    """The answer to one check. It never says that a ball is approved: only the governing body approves."""

    outcome = Choice(
        *words.OUTCOMES, required=True, description="The worst outcome of all findings that are not advisory."
    )
    findings = Several(
        Part(FindingSchema, description="One finding."),
        required=True,
        description="One finding for each rule.",
        minimum=0,
        maximum=limits.RULES_MAXIMUM,
    )
    rules = Part(UsedRulesSchema, required=True, description="The rules used.")
    decision = Part(UsedDecisionSchema, required=True, description="The decision rule used.")


class DrillingResultSchema(_AnswerSchema):
    """The answer to one drilling."""

    remedies = _remedies()


def _results(entry: type[Schema]) -> Several:
    return Several(
        Part(entry, description="One answer."),
        required=True,
        description="The answers, in the request's order.",
        minimum=0,
        maximum=limits.BATCH_MAXIMUM,
    )


class CountsSchema(Schema):
    """How many answers there are of each outcome."""

    conforming = Whole(description="Conforming.", example=2, minimum=0, maximum=limits.BATCH_MAXIMUM)
    nonconforming = Whole(description="Nonconforming.", example=1, minimum=0, maximum=limits.BATCH_MAXIMUM)
    inconclusive = Whole(description="Inconclusive.", example=0, minimum=0, maximum=limits.BATCH_MAXIMUM)
    not_assessed = Whole(description="Not assessed.", example=0, minimum=0, maximum=limits.BATCH_MAXIMUM)


class CheckBatchResultSchema(Schema):
    """The answer to many checks."""

    results = _results(CheckResultSchema)
    counts = Part(CountsSchema, required=True, description="Answers by outcome.")


class DrillingBatchResultSchema(Schema):
    """The answer to many drillings."""

    results = _results(DrillingResultSchema)


class RuleSchema(Schema):
    """One limit of a rulebook, as its data file has it."""

    rule = _text("Id of the rule.", "radius_of_gyration")
    title = _text("The rule in a few words.", "Radius of gyration, low axis")
    clause = _text("Clause of its document, where known.", "11.13.2", required=False, allow_none=True)
    basis = Choice(*words.BASES, required=True, description="How sure the limit is.")
    source = _text("Document and date it comes from.", "governing body's release of 2010")
    quantity = _text("Name of what is judged; null for a rule of words.", "rg", allow_none=True)
    unit = _text("Unit of the limit.", "in", allow_none=True)
    limit = Part(LimitSchema, required=True, allow_none=True, description="The limits.")
    binds = Choice(
        "use", "approval", required=True, description="Whether the day of use or the day of approval decides."
    )
    stage = _text("Stage it belongs to.", "play", required=False, allow_none=True)
    effective_from = Day(
        allow_none=True, description="First day in force; null: always.", example="2010-07-01"
    )
    effective_to = Day(allow_none=True, description="Last day in force; null: still.", example="2020-07-31")
    applies_to = _text("Which balls it binds.", "balls over 10 lb", required=False, allow_none=True)
    advisory = Flag(description="Whether it is advice only.", example=False)
    note = _text(
        "What else there is to know.",
        "Approvals before this day keep their limit.",
        required=False,
        allow_none=True,
    )


class RulebookSchema(Schema):
    """One body's rules."""

    body = Choice(*words.BODIES, required=True, description="The governing body.")
    title = _text("Title of the rulebook.", "Equipment specifications")
    edition = _text("Edition.", "2024")
    compiled_on = Day(required=True, description="Day the rulebook was compiled.", example="2024-09-01")
    on = Day(
        allow_none=True, description="Day the list is for; null: every rule there is.", example="2024-09-01"
    )
    overlay = _text("Differences laid over it.", "australia", required=False, allow_none=True)
    overlays = Several(
        _text("Name of an overlay.", "australia"), description="Overlays there are.", minimum=0, maximum=50
    )
    rules = Several(
        Part(RuleSchema, description="One rule."),
        required=True,
        description="The rules, in the rulebook's order.",
        minimum=0,
        maximum=limits.RULES_MAXIMUM,
    )


class RulebooksSchema(Schema):
    """Rulebooks."""

    rulebooks = Several(
        Part(RulebookSchema, description="One rulebook."),
        required=True,
        description="The rulebooks asked for.",
        minimum=0,
        maximum=20,
    )


class StateSchema(Schema):
    """State of the service."""

    status = Choice("ok", "unready", required=True, description="ok, or unready while it starts.")


CHECK_RESULT = CheckResultSchema()
CHECK_BATCH_RESULT = CheckBatchResultSchema()
DRILLING_RESULT = DrillingResultSchema()
DRILLING_BATCH_RESULT = DrillingBatchResultSchema()
RULEBOOKS_RESULT = RulebooksSchema()
