"""What is answered about a design. Numbers are in the trade units that each field names.

The limits of these fields are those of the drawing board (ours): they hold for every answer to a request
within its own limits.
"""

from __future__ import annotations

from typing import Any

from ballgauge_schemas.check.answer import (
    CautionSchema,
    FindingSchema,
    LimitSchema,
    MissingSchema,
    MomentSchema,
    PointSchema,
    UsedRulesSchema,
    VectorSchema,
)
from ballgauge_schemas.design.request import DesignSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Table, Text, Whole
from ballgauge_schemas.shared.problems import ProblemSchema


def _number(description: str, example: float, unit: str, limit: float = 1e9) -> Number:
    return Number(-limit, limit, example, description, unit=unit, allow_none=True)


def _length(description: str, example: float) -> Number:
    return _number(description, example, "in", 1e6)


def _ounces(description: str, example: float) -> Number:
    return _number(description, example, "oz")


def _share(description: str, example: float) -> Number:
    return Number(0.0, 1.0, example, description, allow_none=True)


def _text(description: str, example: str, **more: Any) -> Text:
    return Text(example, description, maximum=2000, **more)


def _list(entry: Any, description: str, maximum: int, **more: Any) -> Several:
    return Several(entry, maximum, description, required=True, **more)


def _parts(schema: type[Schema], description: str, maximum: int, **more: Any) -> Several:
    return _list(Part(schema, "One of them."), description, maximum, **more)


class BodyVectorSchema(Schema):
    """A place or a direction in the design's frame: x to the mass-bias mark, z to the pin."""

    x = _length("To the mass-bias mark.", 0.01)
    y = _length("Across both.", 0.0)
    z = _length("To the pin.", -0.03)


class BodyMomentSchema(Schema):
    """The balance moment about the ball's center, in the design's frame."""

    x = _number("To the mass-bias mark.", 0.0, "oz·in")
    y = _number("Across both.", 0.0, "oz·in")
    z = _number("To the pin.", -6.7, "oz·in")


class BoxNumbersSchema(Schema):
    """The numbers of a design under the names by which a check takes those of a ball."""

    name = _text("Name of the design.", "Ostrel Works Skarn")
    weight = _number("Weight.", 15.2, "lb")
    diameter = _length("Diameter.", 8.58)
    rg = _length("Low radius of gyration.", 2.53)
    differential = _length("Differential.", 0.045)
    intermediate_differential = _length("Intermediate differential.", 0.012)
    top_weight = _ounces("Top weight.", 2.1)
    pin_to_cg = _length("Arc from pin to center-of-gravity mark.", 2.5)
    pin_to_low_rg_axis = _length("Arc from pin to low axis.", 0.1)
    mark_to_high_rg_axis = _length("Arc from mass-bias mark to high axis.", 0.2)
    max_density = _number("Density of the densest solid.", 3.3, "g/mL")
    approved_on = Day("2024-09-01", "Day of approval that the design is judged by: that of the rules.")


class ErrorBoundSchema(Schema):
    """Bounds of the error of the numerical method; zero where all is in closed form."""

    weight = _number("Of the weight.", 0.0, "lb")
    rg = _length("Of the low radius of gyration.", 0.0)
    differential = _length("Of the differential.", 0.0)


class ContributionSchema(Schema):
    """What one solid adds: the change when it is there instead of what lies beneath it, all else the same."""

    name = _text("The solid.", "core", required=True)
    role = Choice(words.SOLID_ROLES, "What it is in the ball.", required=True)
    mass = _number("Weight of its visible part.", 4.7, "lb")
    weight = _number("Change of the weight; null for the ball itself.", 3.4, "lb")
    rg = _length("Change of the low radius of gyration.", -0.26)
    rg_intermediate = _length("Change of the intermediate radius of gyration.", -0.25)
    rg_high = _length("Change of the high radius of gyration.", -0.23)
    differential = _length("Change of the differential.", 0.027)
    intermediate_differential = _length("Change of the intermediate differential.", 0.012)
    top_weight = _ounces("Change of the top weight.", 0.0)


class PropertiesSchema(Schema):
    """The mass properties of a design as made, undrilled."""

    weight = _number("Weight.", 15.2, "lb")
    rg = _length("Low radius of gyration.", 2.53)
    rg_intermediate = _length("Intermediate radius of gyration.", 2.56)
    rg_high = _length("High radius of gyration.", 2.575)
    differential = _length("High less low radius of gyration.", 0.045)
    intermediate_differential = _length("High less intermediate radius of gyration.", 0.012)
    asymmetry_ratio = _share("Intermediate differential over differential.", 0.28)
    top_weight = _ounces("Reading with the center-of-gravity mark on top.", 2.1)
    pin_to_cg = _length("Arc from pin to center-of-gravity mark; null without one.", 2.5)
    pin_to_low_rg_axis = _length("Arc from pin to low axis; null where it has no direction.", 0.1)
    mark_to_high_rg_axis = _length(
        "Arc from mass-bias mark to high axis; null where it has no direction.", 0.2
    )
    diameter = _length("Diameter.", 8.58)
    mean_density = _number("Mean density.", 1.27, "g/mL")
    max_density = _number("Density of the densest solid.", 3.3, "g/mL")
    max_density_solid = _text("The densest solid.", "disc", required=True)
    centre_of_mass = Part(BodyVectorSchema, "Center of mass.")
    moment = Part(BodyMomentSchema, "Balance moment.")
    inertia = Several(
        Several(_number("An entry.", 100.97, "lb·in²"), 3, "One row.", minimum=3),
        3,
        "Inertia tensor about the center of mass, in the design's frame.",
        minimum=3,
    )
    low_rg_axis = Part(BodyVectorSchema, "Direction of the low axis.", allow_none=True)
    high_rg_axis = Part(BodyVectorSchema, "Direction of the high axis.", allow_none=True)
    cg_mark = Part(BodyVectorSchema, "Direction of the center-of-gravity mark.", allow_none=True)
    balance_arm = _length("Lever arm of the balance.", 3.2)
    cover_depth_shallowest = _length("Least depth of cover over the core; null without a core.", 0.79)
    cover_depth_deepest = _length("Greatest depth of cover over the core.", 0.79)
    contributions = _parts(
        ContributionSchema,
        "What each solid adds; empty where that is too much to compute.",
        limits.SOLIDS_MAXIMUM,
    )
    method = _text("How the numbers were found.", "exact", required=True)
    error_bound = Part(ErrorBoundSchema, "Bounds of the method's error.", required=True)


class RemovedSchema(Schema):
    """What a hole takes of one part."""

    part = _text("The solid, or the slug of an earlier hole.", "cover", required=True)
    weight = _ounces("Weight taken of it.", 0.38)


class HoleCostSchema(Schema):
    """What one hole takes and changes, drilled in its place of the order."""

    index = Whole(0, limits.HOLES_MAXIMUM - 1, 0, "Its place.", required=True)
    role = Choice(words.ROLES, "What the hole is for.", required=True)
    removed_weight = _ounces("Weight of the material drilled out.", 1.02)
    slug_weight = _ounces("Weight of the slug put back.", 0.0)
    volume = _number("Volume it takes.", 1.76, "in³")
    removed_from = _parts(
        RemovedSchema, "What it takes of which part.", limits.SOLIDS_MAXIMUM + limits.HOLES_MAXIMUM
    )
    rg = _length("Change of the low radius of gyration.", -0.003)
    differential = _length("Change of the differential.", -0.004)
    intermediate_differential = _length("Change of the intermediate differential.", 0.006)
    top_weight = _ounces("Change of the moment toward the grip center over the arm.", -0.79)
    axis_offset = _length("Least distance of its axis from the ball's center.", 0.12)
    mouth = Part(BodyVectorSchema, "Where its axis meets the ball's surface, in the design's frame [in].")
    bottom = Part(BodyVectorSchema, "Where its axis ends, in the design's frame [in].")
    error = _ounces("Bound of the error of the removed weight.", 1e-7)


class DrilledAxisSchema(Schema):
    """A principal axis after drilling, as arcs from the grip center."""

    right = _length("Arc along the midline to the bowler's right.", 2.9)
    up = _length("Arc along the meridian toward the fingers.", 2.0)
    moved = _length("Arc from the pin, or from the mass-bias mark.", 0.21)


class DesignChangeSchema(Schema):
    """Drilled less undrilled."""

    rg = _length("Of the low radius of gyration.", 0.004)
    rg_intermediate = _length("Of the intermediate radius of gyration.", 0.002)
    rg_high = _length("Of the high radius of gyration.", 0.001)
    differential = _length("Of the differential.", -0.003)
    intermediate_differential = _length("Of the intermediate differential.", 0.002)
    asymmetry_ratio = _number("Of the asymmetry ratio.", 0.05, "1")
    weight = _ounces("Of the weight.", -2.2)


class DrilledDesignSchema(Schema):
    """The design, drilled through its layers, in the grip frame."""

    weight = _number("Weight.", 15.09, "lb")
    removed_weight = _ounces("Weight of all that was drilled out.", 2.2)
    slug_weight = _ounces("Weight of all slugs.", 0.0)
    rg = _length("Low radius of gyration.", 2.532)
    rg_intermediate = _length("Intermediate radius of gyration.", 2.558)
    rg_high = _length("High radius of gyration.", 2.576)
    differential = _length("High less low radius of gyration.", 0.044)
    intermediate_differential = _length("High less intermediate radius of gyration.", 0.019)
    asymmetry_ratio = _share("Intermediate differential over differential.", 0.42)
    top = _ounces("Predicted top weight; positive toward the grip.", -1.05)
    side = _ounces("Predicted side weight; positive toward the positive axis point.", 0.38)
    finger = _ounces("Predicted finger weight; positive toward the fingers.", -0.6)
    balance_arm = _length("Lever arm of these readings.", 3.2)
    centre_of_mass = Part(VectorSchema, "Center of mass from the ball's center.")
    moment = Part(MomentSchema, "Balance moment.")
    pin = Part(PointSchema, "Pin.", allow_none=True)
    psa = Part(PointSchema, "Mass-bias mark (preferred spin axis).", allow_none=True)
    low_rg_axis = Part(DrilledAxisSchema, "The low axis.", allow_none=True)
    high_rg_axis = Part(DrilledAxisSchema, "The high axis.", allow_none=True)
    change = Part(DesignChangeSchema, "Drilled less undrilled.", required=True)
    holes = _parts(
        HoleCostSchema, "What each hole costs; all add up to the whole change.", limits.HOLES_MAXIMUM
    )
    outcome = Choice(words.OUTCOMES, "The worst of these findings that are not advisory.", required=True)
    findings = _parts(
        FindingSchema, "What the rules of play say of its holes and its balance.", limits.RULES_MAXIMUM
    )
    method = _text("How the numbers were found.", "exact along each hole", required=True)


class CauseSchema(Schema):
    """A part's share in a difference; null where one of the two has no such part."""

    part = _text("Solid, or hole.", "disc", required=True)
    first = _number("What it gives in the first.", 0.0, "see unit")
    second = _number("What it gives in the second.", 0.0146, "see unit")
    difference = _number("Second less first.", 0.0146, "see unit")


class ComparisonRowSchema(Schema):
    """One number of both."""

    number = _text("The number.", "differential", required=True)
    unit = _text("Its unit.", "in", required=True)
    first = _number("Of the first.", 0.0302, "see unit")
    second = _number("Of the second.", 0.0446, "see unit")
    difference = _number("Second less first.", 0.0144, "see unit")
    causes = _parts(CauseSchema, "What gives the difference, largest first.", 200)
    unexplained = _number(
        "What the causes leave over where parts act together; null where none are known.", 0.0001, "see unit"
    )


class ComparisonSchema(Schema):
    """Two designs, two drilled balls, or both, side by side."""

    designs = _parts(ComparisonRowSchema, "The designs as made.", 100, allow_none=True)
    drillings = _parts(ComparisonRowSchema, "The drilled balls.", 100, allow_none=True)


class ParameterValueSchema(Schema):
    """Where a solution puts a parameter."""

    parameter = _text("The parameter in words.", "density of core", required=True)
    solids = _list(_text("A solid.", "core"), "Its solids.", limits.SOLIDS_MAXIMUM)
    field = Choice(words.PARAMETER_FIELDS, "What it is.", required=True)
    unit = _text("Its unit.", "g/mL", required=True)
    value = _number("The value.", 2.4, "see unit")
    at_bound = Flag("Whether a bound holds it.", required=True, example=False)


def _numbers_table(description: str, example: dict[str, Any]) -> Table:
    return Table(_number("A value.", 2.5, "see units"), example, description, required=True)


class DrilledNumbersSchema(Schema):
    """The numbers of a ball, drilled with one of the drillings it is held over."""

    drilled_weight = _number("Weight.", 15.09, "lb")
    drilled_rg = _length("Low radius of gyration.", 2.532)
    drilled_rg_intermediate = _length("Intermediate radius of gyration.", 2.558)
    drilled_rg_high = _length("High radius of gyration.", 2.576)
    drilled_differential = _length("Differential.", 0.044)
    drilled_intermediate_differential = _length("Intermediate differential.", 0.019)
    drilled_asymmetry_ratio = _share("Intermediate differential over differential.", 0.42)
    drilled_top = _ounces("Top weight; positive toward the grip.", -1.05)
    drilled_side = _ounces("Side weight; positive toward the positive axis point.", 0.38)
    drilled_finger = _ounces("Finger weight; positive toward the fingers.", -0.6)
    clearance = _length(
        "Least distance of a hole from the solids asked about, negative where one enters; null where none "
        "was asked for.",
        0.12,
    )


class _FoundSchema(Schema, whole=True):
    met = Flag("Whether every target is met.")
    numbers = _numbers_table(
        "Its numbers, by name; of a drilled target the worst of its drillings.", {"weight": 15.0, "rg": 2.5}
    )
    misses = _numbers_table(
        "Misses of the targets, in tolerances, by name; 0 on the right side of a limit.",
        {"weight": 0.1, "rg": -0.4},
    )
    drilled = _parts(
        DrilledNumbersSchema,
        "Drilled, by drilling; their mean alone where that is asked for.",
        limits.OVER_MAXIMUM,
    )
    error_bound = Part(ErrorBoundSchema, "Bounds of the method's error.")
    outcome = Choice(words.OUTCOMES, "The worst outcome of the rules of approval on it.")
    findings = _parts(
        FindingSchema, "Those rules that it breaks, or that cannot be decided.", limits.RULES_MAXIMUM
    )
    design = Part(DesignSchema, "The design; meshes are named, not repeated.")


class _SolutionSchema(_FoundSchema):
    values = _parts(ParameterValueSchema, "Where it puts the parameters.", limits.PARAMETERS_MAXIMUM)


class SolutionSchema(_SolutionSchema):
    """A design that was found."""


def _variant_names(description: str) -> Several:
    return _list(_text("A variant.", "with disc"), description, limits.VARIANTS_MAXIMUM)


class ConflictSchema(Schema):
    """A target that cannot be met together with the others."""

    number = Choice(words.TARGETS, "The target.", required=True)
    variants = _variant_names("Variants of a set that it is of; empty without a set.")
    unit = _text("Its unit.", "lb", required=True)
    wanted = _number("What was asked for: the value, or the limit; 0 of a difference.", 15.0, "see unit")
    nearest = _number("The nearest it comes with the others met as well as they can be.", 16.5, "see unit")
    off = _number("By how much that misses the tolerance.", 1.5, "see unit")
    others_met = Flag("Whether the others are met there.", required=True)
    with_targets = _list(
        _text("A target.", "rg"),
        "Targets that stand against it.",
        len(words.TARGETS) * limits.VARIANTS_MAXIMUM + limits.ACROSS_MAXIMUM,
    )
    message = _text(
        "The conflict in words.", "weight comes no nearer to 15 than 16.5 while rg is met", required=True
    )


class SensitivitySchema(Schema):
    """How a number answers a parameter, at the best solution."""

    number = Choice(words.TARGETS, "The number; across variants, its difference.", required=True)
    variants = _variant_names("Variants of a set that it is of; empty without a set.")
    unit = _text("Its unit.", "in", required=True)
    parameter = _text("The parameter.", "density of core", required=True)
    per_unit = _number("Change per unit of the parameter.", 0.012, "see unit", 1e15)
    range_in_tolerances = _number("Change over the parameter's range, in tolerances.", 5.2, "1", 1e15)


class TradeOffResultSchema(Schema, whole=True):
    """The front of two targets: no point is worse than another in both."""

    first = Choice(words.TARGETS, "One target.")
    second = Choice(words.TARGETS, "The other.")
    points = _parts(SolutionSchema, "From the first target's best to the second's.", limits.FRONT_MAXIMUM)


def _used_seed() -> Whole:
    return Whole(0, limits.SEED_MAXIMUM, 0, "Start of the random numbers used.", required=True)


class SolvedSchema(Schema, whole=True):
    """Designs that meet the targets, or the best compromise and what stands in the way."""

    met = Flag("Whether every target can be met.")
    seed = _used_seed()
    starts = Whole(1, limits.STARTS_MAXIMUM, 12, "Places searched from.")
    evaluations = Whole(0, 10**9, 948, "Designs tried.")
    solutions = _parts(SolutionSchema, "Distinct designs, best first.", limits.SOLUTIONS_MAXIMUM)
    conflicts = _parts(
        ConflictSchema, "Why the targets cannot be met, largest miss first.", len(words.TARGETS)
    )
    sensitivities = _parts(
        SensitivitySchema,
        "How the targets answer the parameters.",
        len(words.TARGETS) * limits.PARAMETERS_MAXIMUM,
    )
    trade_off = Part(
        TradeOffResultSchema, "The front; null where none is asked for or there.", allow_none=True
    )


class FamilyMemberSchema(_SolutionSchema):
    """The design in another weight."""

    weight = _number("The weight asked for.", 14.0, "lb")
    met = Flag("Whether the weight and all that is held are met.", required=True)
    changes = _numbers_table("What is held, less the design's own.", {"rg": 0.006, "differential": -0.001})
    rg_change = _length("Radius of gyration less the design's.", 0.006)
    differential_change = _length("Differential less the design's.", -0.001)


class FamilyResultSchema(Schema):
    """The design in other weights."""

    seed = _used_seed()
    members = _parts(FamilyMemberSchema, "The members, in the order asked for.", limits.FAMILY_MAXIMUM)


class FoundVariantSchema(_FoundSchema):
    """One ball of a solution of a set."""

    name = _text("The variant.", "with disc", required=True)


class AgreementSchema(Schema):
    """How far the balls lie apart in a number."""

    number = Choice(words.TARGETS, "The number.", required=True)
    unit = _text("Its unit.", "in", required=True)
    variants = _variant_names("The variants.")
    within = _number("How far apart any two may lie.", 0.0005, "see unit")
    apart = _number("How far the two lie apart that differ most.", 0.0002, "see unit")
    met = Flag("Whether that is within what was asked.", required=True)


class SetSolutionSchema(Schema, whole=True):
    """Designs of all variants that were found together."""

    met = Flag("Whether every target is met.")
    values = _parts(ParameterValueSchema, "Where it puts the parameters.", limits.PARAMETERS_MAXIMUM)
    across = _parts(AgreementSchema, "What the variants share.", limits.ACROSS_MAXIMUM)
    variants = _parts(FoundVariantSchema, "The variants, in the order asked for.", limits.VARIANTS_MAXIMUM)


class VariantResultSchema(Schema, whole=True):
    """One ball of a set at its best solution, with what each solid gives it."""

    name = _text("The variant.", "with disc")
    properties = Part(PropertiesSchema, "Its mass properties as made.")
    outcome = Choice(words.OUTCOMES, "The worst outcome of its findings that are not advisory.")
    findings = _parts(FindingSchema, "What the rules of approval say of it.", limits.RULES_MAXIMUM)
    missing = _parts(MissingSchema, "What only a ball can tell.", 200)


class SetResultSchema(Schema, whole=True):
    """Several balls that share solids, solved together; without parameters, as they are."""

    met = Flag("Whether every target can be met.")
    seed = _used_seed()
    starts = Whole(1, limits.STARTS_MAXIMUM, 12, "Places searched from.")
    evaluations = Whole(0, 10**9, 948, "Sets tried.")
    solutions = _parts(SetSolutionSchema, "Distinct sets, best first.", limits.SOLUTIONS_MAXIMUM)
    conflicts = _parts(
        ConflictSchema,
        "Why the targets cannot be met, largest miss first.",
        len(words.TARGETS) * limits.VARIANTS_MAXIMUM + limits.ACROSS_MAXIMUM,
    )
    sensitivities = _parts(
        SensitivitySchema,
        "How the targets answer the parameters.",
        (len(words.TARGETS) * limits.VARIANTS_MAXIMUM + limits.ACROSS_MAXIMUM) * limits.PARAMETERS_MAXIMUM,
    )
    variants = _parts(
        VariantResultSchema, "The balls of the best solution, side by side.", limits.VARIANTS_MAXIMUM
    )


class MapPointSchema(Schema):
    """One layout, and the ball drilled with it."""

    pin_to_pap = _length("Arc from pin to positive axis point.", 4.5)
    drilling_angle = _number("Drilling angle.", 50.0, "deg")
    numbers = Part(DrilledNumbersSchema, "The drilled ball's numbers.", required=True)


class LayoutMapResultSchema(Schema, whole=True):
    """What each layout leaves."""

    pin_to_pap = _list(_length("An arc.", 4.5), "Arcs from pin to positive axis point.", limits.MAP_MAXIMUM)
    drilling_angle = _list(_number("An angle.", 50.0, "deg"), "Drilling angles.", limits.MAP_MAXIMUM)
    points = _parts(MapPointSchema, "Every arc with every angle.", limits.MAP_MAXIMUM**2)
    picture = Text(
        "<svg xmlns=...", "Differential and asymmetry over the layouts, drawn as SVG.", maximum=2_000_000
    )


class QuantileSchema(Schema):
    """A quantile."""

    probability = _share("Its probability.", 0.975)
    value = _number("Its value.", 15.3, "see unit")


class ShareSchema(Schema):
    """A tolerance's share."""

    tolerance = _text("The tolerance.", "density of core", required=True)
    share = _number("Its share of the variance.", 0.8, "1")


class SpreadSchema(Schema):
    """How one number spreads."""

    number = Choice(words.NUMBERS, "The number.", required=True)
    unit = _text("Its unit.", "lb", required=True)
    nominal = _number("Its nominal value.", 15.2, "see unit")
    mean = _number("Mean of the samples.", 15.2, "see unit")
    standard_deviation = _number("Standard deviation of the samples.", 0.05, "see unit")
    linear_standard_deviation = _number("The same by linear propagation (JCGM 100).", 0.05, "see unit")
    quantiles = _parts(QuantileSchema, "Quantiles of the samples.", 20)
    shares = _parts(ShareSchema, "What each tolerance gives to the variance.", limits.TOLERANCES_MAXIMUM)
    explained = _number("Sum of the shares; what it lacks of 1, tolerances do together.", 0.999, "1")
    fit_error = _number(
        "The most by which a fit missed it at some samples, where solids cut each other off a common axis; "
        "null where nothing was fitted.",
        0.00001,
        "see unit",
    )


class FractionSchema(Schema):
    """The expected nonconforming fraction against the limits on one number, or against all of them."""

    number = _text("The number, or `any` for all limits together.", "differential", required=True)
    rules = _list(_text("Id of a rule.", "differential"), "Rules that set the limits.", limits.RULES_MAXIMUM)
    limit = Part(LimitSchema, "The limits.", required=True)
    fraction = _share("Share of the samples outside.", 0.012)
    confidence = _share("Confidence of the interval.", 0.95)
    interval = Part(LimitSchema, "Its confidence interval (Clopper and Pearson).", required=True)
    linear = _share("The same by linear propagation; null for `any`.", 0.011)


class NotStudiedSchema(Schema, whole=True):
    """A rule that the study says nothing of."""

    rule = _text("Id of the rule.", "max_density")
    reason = _text("Why.", "not a number of this study")


class TightenSchema(Schema):
    """The tolerance to tighten first."""

    tolerance = _text("The tolerance.", "density of core", required=True)
    number = Choice(words.NUMBERS, "The number it matters for.", required=True)
    share = _number("Its share of that number's variance.", 0.8, "1")
    fraction_now = _share("Nonconforming fraction against all limits.", 0.012)
    fraction_halved = _share("The same with this tolerance halved.", 0.0)


class ProductionResultSchema(Schema, whole=True):
    """A tolerance study."""

    samples = Whole(16, limits.DESIGN_SAMPLES_MAXIMUM, 10_000, "Balls drawn.")
    seed = _used_seed()
    method = _text("How it was done.", "Sobol samples through the whole model")
    spreads = _parts(SpreadSchema, "The spread of each number that every sample has.", len(words.NUMBERS))
    nonconforming = _parts(FractionSchema, "Expected nonconforming fractions.", len(words.NUMBERS) + 1)
    not_assessed = _parts(NotStudiedSchema, "Rules of which the study says nothing.", limits.RULES_MAXIMUM)
    tighten_first = Part(
        TightenSchema, "Which tolerance to buy first; null where none matters.", allow_none=True
    )


class DesignResultSchema(Schema, whole=True):
    """The answer about a design. It never says that a ball is approved: only the governing body approves."""

    properties = Part(PropertiesSchema, "The design as made.")
    ball = Part(BoxNumbersSchema, "The same as a check takes a ball.")
    outcome = Choice(words.OUTCOMES, "The worst outcome of all findings as made that are not advisory.")
    findings = _parts(
        FindingSchema, "What the rules of approval say of the design as made.", limits.RULES_MAXIMUM
    )
    missing = _parts(MissingSchema, "What only a ball can tell.", 200)
    rules = Part(UsedRulesSchema, "The rules used.")
    drilled = Part(DrilledDesignSchema, "The design, drilled.", allow_none=True)
    comparison = Part(ComparisonSchema, "The comparison.", allow_none=True)
    solved = Part(SolvedSchema, "The search.", allow_none=True)
    family = Part(FamilyResultSchema, "The family.", allow_none=True)
    set = Part(SetResultSchema, "The set.", allow_none=True)
    layout_map = Part(LayoutMapResultSchema, "The map of layouts.", allow_none=True)
    production = Part(ProductionResultSchema, "The tolerance study.", allow_none=True)
    cautions = _parts(CautionSchema, "What deserves a second look.", 1000)
    assumptions = _list(
        _text("One assumption.", "Every solid has one density."), "What was taken for granted.", 100
    )
    units = Table(
        _text("A unit.", "in"), {"rg": "in", "weight": "lb"}, "Units of the answer's numbers, by name."
    )


class DesignEventSchema(Schema):
    """One line of an answer that tells its progress: progress, then at last the result or the problem."""

    progress = _share("Share that is done.", 0.4)
    doing = _text("What is being done.", "solving")
    result = Part(DesignResultSchema, "The answer.")
    problem = Part(ProblemSchema, "Why there is none.")


DESIGN_RESULT = DesignResultSchema()
