"""What is answered about a lot: what was left out, the decision and its risk, and what the lot is like.

Fractions and probabilities are from 0 to 1, qualities of plans in percent, measured quantities in trade
units. The limits of these fields are those of the drawing board (ours).
"""

from __future__ import annotations

from typing import Any

from marshmallow import fields

from ballgauge_schemas.check.answer import CautionSchema, UsedDecisionSchema, UsedRulesSchema
from ballgauge_schemas.lot.request import QUANTITIES, SwitchingStateSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Table, Text, Whole

_MANY = 10**15
LISTED_MAXIMUM = 100_000


def _number(description: str, example: float, unit: str = "1") -> Number:
    return Number(-1e300, 1e300, example, description, unit=unit, allow_none=True)


def _value(description: str, example: float) -> Number:
    return _number(description, example, "see unit")


def _chance(description: str, example: float) -> Number:
    return Number(0.0, 1.0, example, description, allow_none=True)


def _count(description: str, example: int, *, allow_none: bool = False) -> Whole:
    return Whole(0, _MANY, example, description, allow_none=allow_none)


def _text(description: str, example: str, *, allow_none: bool = False) -> Text:
    return Text(example, description, maximum=4000, allow_none=allow_none)


def _shown(description: str, example: str) -> fields.String:
    """A text of the caller's file, as it stood there."""
    return fields.String(
        allow_none=True, metadata={"description": description, "examples": [example], "maxLength": 2000}
    )


def _texts(description: str, example: str) -> Several:
    return Several(_text("One of them.", example), LISTED_MAXIMUM, description)


def _numbers(description: str, example: float, unit: str = "1", **options: Any) -> Several:
    return Several(_number("One of them.", example, unit), LISTED_MAXIMUM, description, **options)


def _list(schema: type[Schema], entry: str, description: str, **options: Any) -> Several:
    return Several(Part(schema, entry), LISTED_MAXIMUM, description, **options)


class LeftOutCellSchema(Schema):
    """Why a row was left out."""

    row = _count("Row of the file, the first being 1.", 62)
    column = _shown("Heading of the bad cell; null for the row itself.", "hardness")
    field = _text("The ball's field it stands for.", "hardness", allow_none=True)
    detail = _shown("What is wrong.", "'not read' is not a number with a unit")


class RepeatedSerialSchema(Schema):
    """A row with the serial of an earlier one."""

    row = _count("The later row.", 18)
    first_row = _count("The row that had the serial first.", 4)
    differs = Several(
        Choice(QUANTITIES, "A quantity."),
        len(QUANTITIES),
        "The quantities that the two rows read differently; null in a very large lot.",
        allow_none=True,
    )


class RepeatedSerialsSchema(Schema):
    """Serials that stand more than once: the rows of one serial count as one ball, by the worst of them."""

    count = _count("Rows that repeat a serial, upper and lower case alike.", 0)
    contradictory = _count(
        "Rows listed that contradict the first; null in a very large lot.", 0, allow_none=True
    )
    listed = _list(RepeatedSerialSchema, "One row.", "The first of them.")


class SetApartSchema(Schema):
    """A row that is no ball."""

    row = _count("Row of the file.", 84)
    word = _shown("The word it is known by, or what shows it; null where the request named it.", "Mean")


class NoBallsSchema(Schema):
    """Rows that are no balls: set apart, in no number and no decision."""

    count = _count("Such rows.", 0)
    listed = _list(SetApartSchema, "One row.", "The first of them.")


class LeftOutSchema(Schema):
    """What of the file no number counts."""

    rows = _count("Rows that could not be read as a ball.", 1)
    cells = _count("Bad cells in them.", 1)
    blank_rows = _count("Empty rows, which are no balls.", 0)
    by_column = Table(_count("Bad cells.", 1), {"hardness": 1}, "Bad cells by heading.")
    listed = _list(LeftOutCellSchema, "One reason.", "The first reasons, in the order of the file.")
    repeated_serials = Part(RepeatedSerialsSchema, "Serials that stand more than once.")
    no_balls = Part(NoBallsSchema, "Rows that are no balls.")


class DrawnFromRowsSchema(Schema):
    """The plan's sample, drawn from more balls than it asks for."""

    seed = Whole(0, limits.SEED_MAXIMUM, 0, "The seed: `sampling.seed`.")
    drawn_from = _count("Balls, and rows left out, that it was drawn from.", 200)
    rows = Several(_count("A row.", 17), LISTED_MAXIMUM, "Rows of the file drawn, sorted.")


class PlanDecisionSchema(Schema):
    """What the attributes plan says of the counts."""

    outcome = Choice(words.OUTCOMES, "Accepted (conforming), rejected (nonconforming), or neither.")
    sample_size = _count("Balls the plan takes.", 80)
    balls_given = _count("Balls given, and rows that should hold one.", 80)
    acceptance_number = _count("Nonconforming balls that still accept.", 2)
    nonconforming = _count("Nonconforming balls found.", 1)
    undecided = _count("Balls that may be nonconforming: not decided, left out, or not given.", 1)
    fewest = _count("Fewest nonconforming balls there may be in the sample.", 1)
    most = _count("Most nonconforming balls there may be in the sample.", 2)
    drawn = Part(
        DrawnFromRowsSchema,
        "How the sample was drawn; null where no more balls were given than the plan asks for.",
        allow_none=True,
    )
    message = _text("The decision in a sentence.", "1 nonconforming of 80 balls; at most 2 may be")


class PlanSchema(Schema):
    """The attributes plan, and what it does."""

    kind = Choice((*words.PLAN_KINDS, "none", "every_ball"), "Where the plan comes from.")
    sample_size = _count("Balls to take.", 80)
    acceptance_number = _count("Nonconforming balls that still accept.", 2)
    rejection_number = _count("Nonconforming balls that reject.", 3)
    lot_size = _count("Balls in the lot.", 1000, allow_none=True)
    model = Choice(words.MODELS, "Distribution of the count.", allow_none=True)
    curve_type = Choice(
        ("A", "B"),
        "Whose risks they are: of one lot of this size (A), or of lots from a steady process (B).",
        allow_none=True,
    )
    level = Choice(words.LEVELS, "Inspection level.", allow_none=True)
    inspection = Choice(words.INSPECTIONS, "Severity.", allow_none=True)
    code_letter = _text("Code letter of the lot.", "J", allow_none=True)
    plan_letter = _text("Code letter whose plan applies.", "J", allow_none=True)
    aql = _number("Acceptable quality limit.", 1.0, "percent")
    limiting_quality = _number("Quality the consumer's risk is stated at.", 6.4, "percent")
    acceptance_at_aql = _chance("Probability of acceptance at the AQL.", 0.961)
    acceptance_at_limiting_quality = _chance("Probability of acceptance at the limiting quality.", 0.097)
    full_inspection = Flag("Whether every ball is inspected.", example=False)
    source = _text("Table or method.", "ISO 2859-1:1999, Table 2-A")
    basis = _text("How sure it is.", "secondary")
    notes = _texts("What to mind.", "the table's sample is as large as the lot")


class ClassDecisionSchema(Schema):
    """What the plan of one class of defects says."""

    name = Choice(words.DEFECT_CLASSES, "The class.")
    aql = _number("Its acceptable quality limit; null: no ball is accepted.", 1.0, "percent")
    rules = _texts("Ids of its rules.", "hardness")
    plan = Part(PlanSchema, "Its plan.")
    by_count = Part(PlanDecisionSchema, "What the counts of its balls say.")


class AcceptanceSchema(Schema):
    """The decision on the lot, and the risk it carries."""

    lot_accepted = Flag("Whether the lot is accepted; null where nothing is decided.", allow_none=True)
    outcome = Choice(words.OUTCOMES, "The same in the words of the outcomes.")
    message = _text("The decision in a sentence.", "The lot is accepted by its plan.")
    scope = Choice(words.LOT_SCOPES, "By all rules, or by those on what the file measures.")
    not_judged = _texts("Titles of rules without data.", "Coefficient of friction")
    reasons = _texts("What decided, the worst first.", "Balls: 1 nonconforming of 80 balls; at most 2 may be")
    to_remove = _count("Nonconforming balls found: an accepted lot is accepted without them.", 1)
    remaining = _count("Balls of the lot without them; null without its size.", 999, allow_none=True)
    acceptance_at_aql = _chance("Probability that the plan accepts a lot at the AQL.", 0.961)
    acceptance_at_limiting_quality = _chance(
        "Probability that it accepts one at the limiting quality.", 0.097
    )
    aql = _number("Acceptable quality limit.", 1.0, "percent")
    limiting_quality = _number("Limiting quality.", 6.4, "percent")
    by_count = Part(PlanDecisionSchema, "What the counts say.")
    classes = _list(
        ClassDecisionSchema,
        "One class.",
        "The classes of defects, which decide in place of `by_count`; empty where none were asked for.",
    )


class LotCountsSchema(Schema):
    """Balls by outcome, within the scope asked for."""

    rows = _count("Rows that hold, or should hold, a ball.", 80)
    balls = _count("Balls judged, each serial once.", 79)
    repeated = _count("Rows that repeat the serial of an earlier one.", 0)
    conforming = _count("Conforming balls.", 78)
    nonconforming = _count("Nonconforming balls.", 1)
    inconclusive = _count("Inconclusive balls.", 0)
    not_assessed = _count("Balls not assessed; never a pass.", 0)
    left_out = _count("Rows left out.", 1)


class NonconformingSchema(Schema):
    """The nonconforming fraction, with exact bounds."""

    count = _count("Nonconforming balls.", 1)
    sample_size = _count("Balls judged.", 79)
    lot_size = _count("Balls in the lot.", 1000, allow_none=True)
    confidence = _chance("Confidence of the bounds.", 0.95)
    fraction = _chance("The fraction found.", 0.0127)
    lower = _chance("Lower bound (Clopper-Pearson, two-sided).", 0.0003)
    upper = _chance("Upper bound (Clopper-Pearson, two-sided).", 0.0685)
    upper_one_sided = _chance("Upper bound, one-sided.", 0.0586)
    lot_lower_balls = _count("Fewest in this lot (hypergeometric, two-sided).", 1, allow_none=True)
    lot_upper_balls = _count("Most in this lot (hypergeometric, two-sided).", 66, allow_none=True)
    lot_upper_balls_one_sided = _count("Most in this lot, one-sided.", 56, allow_none=True)
    methods = _texts("How the bounds are found.", "exact hypergeometric bounds for this lot")
    undecided = _count("Balls not decided, and rows left out.", 1)
    upper_with_undecided = _chance("One-sided upper bound if all of those were nonconforming.", 0.0766)


class DefectsSchema(Schema):
    """Defects per million opportunities: each rule judged on a ball is one."""

    defects = _count("Rules broken, over all balls.", 1)
    opportunities = _count("Rules judged, over all balls.", 1185)
    rules_judged = _count("Rules judged on any ball.", 15)
    confidence = _chance("Confidence of the bounds.", 0.95)
    per_million = _number("Defects per million.", 843.9)
    lower = _number("Lower bound, two-sided.", 21.4)
    upper = _number("Upper bound, two-sided.", 4692.7)
    upper_one_sided = _number("Upper bound, one-sided.", 3996.9)


class LimitInForceSchema(Schema):
    """A limit that balls of the lot were judged by."""

    min = _value("Least value that conforms.", 73.0)
    max = _value("Greatest value that conforms.", 90.0)
    effective_from = Day("2021-01-01", "First day that it holds.", allow_none=True)
    effective_to = Day("2030-12-31", "Last day that it holds.", allow_none=True)
    basis = Choice(words.BASES, "How sure it is.", allow_none=True)
    source = _text("Document and date.", "release of 2020-06-08")


class RuleCountsSchema(Schema):
    """One rule over the balls of the lot."""

    rule = _text("Id of the rule.", "hardness")
    title = _text("The rule in a few words.", "Hardness")
    quantity = _text("What it judges.", "hardness", allow_none=True)
    unit = _text("Its unit.", "Shore D", allow_none=True)
    advisory = Flag("Whether it is advice that decides nothing.", example=False)
    decides = _count("Nonconforming balls of which it is the worst rule.", 1)
    limits = _list(LimitInForceSchema, "One limit.", "Its limits that balls of the lot are judged by.")
    not_judged = _count("Balls it does not reach.", 0)
    conforming = _count("Conforming balls.", 78)
    not_assessed = _count("Balls without data for it.", 0)
    inconclusive = _count("Inconclusive balls.", 0)
    nonconforming = _count("Nonconforming balls.", 1)


class QuantityLimitsSchema(Schema):
    """The limits that bind the balls; null where a side is open."""

    min = _value("Least value that conforms.", 73.0)
    max = _value("Greatest value that conforms.", 90.0)
    differ = Flag("Whether they differ among the balls; the narrowest are given.", example=False)
    rules = _texts("Ids of the rules they come from.", "hardness")


class CountedOutsideSchema(Schema):
    """Balls outside the limits."""

    below = _count("Balls below.", 1)
    above = _count("Balls above.", 0)


class FractionOutsideSchema(Schema):
    """The fraction outside the limits, estimated for normal data."""

    count = _count("Balls.", 79)
    mean = _value("Mean.", 75.15)
    standard_deviation = _value("Standard deviation.", 0.58)
    lower = _value("Lower limit.", 73.0)
    upper = _value("Upper limit.", 90.0)
    confidence = _chance("Confidence of the bound.", 0.95)
    fraction_below = _chance("Estimated fraction below.", 5.5e-05)
    fraction_above = _chance("Estimated fraction above.", 0.0)
    fraction = _chance("Estimated fraction outside.", 5.5e-05)
    upper_bound = _chance("Upper confidence bound of it.", 0.00075)
    per_million = _number("Estimate per million.", 54.6)
    upper_bound_per_million = _number("Upper bound per million.", 753.0)
    assumptions = _texts("What it rests on.", "the quantity is normally distributed over the lot")


class ToleranceIntervalSchema(Schema):
    """An interval that holds a stated part of the lot with a stated confidence."""

    kind = _text("normal or distribution_free.", "normal")
    method = _text("How it is found.", "exact")
    side = _text("two_sided, lower or upper.", "two_sided")
    count = _count("Balls.", 79)
    coverage = _chance("Part of the lot it holds.", 0.99)
    confidence = _chance("Confidence wanted.", 0.95)
    confidence_reached = _chance("Confidence it has, where that is another.", 0.95)
    sufficient = Flag("Whether the confidence is kept with so few balls.")
    lower = _value("Lower end; null where open.", 73.4)
    upper = _value("Upper end; null where open.", 76.9)
    factor = _number("Standard deviations from the mean to an end.", 2.99)
    balls_outside = _count("Readings beyond the ends.", 0, allow_none=True)
    assumptions = _texts("What it rests on.", "the balls are a random sample")


class NormalitySchema(Schema):
    """The Anderson-Darling test of normality."""

    count = _count("Balls.", 79)
    statistic = _number("Anderson-Darling statistic.", 0.74)
    adjusted_statistic = _number("The same, corrected for the sample's size.", 0.745)
    p_value = _chance("p-value.", 0.052)
    significance = _chance("p-values under it count against normality.", 0.05)
    normal = Flag("Whether nothing speaks against it; null where it was not tested.", allow_none=True)
    warning = _text("What follows for results that rest on normal theory; empty where nothing.", "")


class CapabilityIndexSchema(Schema):
    """An index with its two-sided confidence interval."""

    value = _number("The index.", 1.48)
    lower = _number("Lower end.", 1.2)
    upper = _number("Upper end.", 1.77)
    method = _text("How the interval is found.", "Bissell's approximation")


class CapabilitySchema(Schema):
    """Process capability: Cp and Cpk by the spread from ball to ball, Pp and Ppk by the whole spread."""

    count = _count("Balls.", 79)
    mean = _value("Mean.", 75.15)
    lower = _value("Lower limit.", 73.0)
    upper = _value("Upper limit.", 90.0)
    confidence = _chance("Confidence of the intervals.", 0.95)
    standard_deviation_within = _value("Spread from ball to ball.", 0.48)
    standard_deviation_overall = _value("Whole spread.", 0.58)
    within_method = _text("Where the spread from ball to ball comes from.", "moving_range")
    cp = Part(CapabilityIndexSchema, "Cp; null with one limit.", allow_none=True)
    cpk = Part(CapabilityIndexSchema, "Cpk.")
    pp = Part(CapabilityIndexSchema, "Pp; null with one limit.", allow_none=True)
    ppk = Part(CapabilityIndexSchema, "Ppk.")
    assumptions = _texts("What it rests on.", "the process is stable; see the drift charts")


class HistogramSchema(Schema):
    """Counts over bins of equal width."""

    start = _value("Lower edge of the first bin.", 72.25)
    width = _value("Width of a bin.", 0.5)
    counts = Several(_count("Balls in a bin.", 12), 5000, "The bins.")


class RunPointSchema(Schema):
    """A ball, or a group of balls that follow one another."""

    serial = _shown("Serial of the ball, or of the group's first.", "OW7K20401")
    row = _count("Its row in the file.", 2)
    value = _value("Its value, or the group's mean.", 75.2)
    lowest = _value("Lowest of a group.", 74.1)
    highest = _value("Highest of a group.", 76.0)


class RunChartSchema(Schema):
    """The quantity ball by ball."""

    order = _text("serial, or file where not every ball has one.", "serial")
    balls_a_point = _count("Balls in each group.", 1)
    points = _list(RunPointSchema, "One point.", "The points, in order.")


class QuantityStatementSchema(Schema):
    """What the lot is like in one quantity. What needs each ball's value is null in a very large lot."""

    quantity = Choice(QUANTITIES, "The quantity.")
    unit = _text("Its trade unit.", "Shore D")
    count = _count("Balls with a value.", 79)
    without_value = _count("Balls without one.", 0)
    mean = _value("Mean.", 75.15)
    standard_deviation = _value("Sample standard deviation.", 0.58)
    minimum = _value("Smallest value.", 72.4)
    maximum = _value("Largest value.", 76.4)
    limits = Part(QuantityLimitsSchema, "The limits that bind the balls.")
    counted_outside = Part(CountedOutsideSchema, "Balls outside.", allow_none=True)
    fraction_outside = Part(FractionOutsideSchema, "Estimated fraction outside.", allow_none=True)
    tolerance_intervals = _list(ToleranceIntervalSchema, "One interval.", "Tolerance intervals.")
    normality = Part(NormalitySchema, "Test of normality.", allow_none=True)
    capability = Part(CapabilitySchema, "Process capability.", allow_none=True)
    histogram = Part(HistogramSchema, "Histogram.")
    run_chart = Part(RunChartSchema, "The balls in order.", allow_none=True)
    notes = _texts("What to mind in these numbers.", "only 5 different readings among 79")


class SampleRuleResultSchema(Schema):
    """A rule of the governing body on samples of a model."""

    rule = _text("Id of the rule.", "oil_absorption_sample")
    title = _text("The rule in a few words.", "Oil absorption of a model's samples")
    basis = Choice(words.BASES, "How sure the rule is.")
    source = _text("Document and date.", "release on the oil absorption specification (2018)")
    model = _shown("Maker and model of the balls, where the file has several.", "Ostrel Works Tarn 48")
    outcome = Choice(words.OUTCOMES, "The verdict.")
    message = _text("The verdict in a sentence.", "no ball of 79 under 135 s; average 686.2 s")
    balls_not_bound = _count(
        "Balls approved before the rule took effect; null where there are too many balls for a sample.",
        0,
        allow_none=True,
    )
    result = Table(
        None,
        {"count": 79, "under_limit": 0, "average": 686.2},
        "The numbers behind it: rates, averages, bounds, and what further balls would settle.",
        allow_none=True,
    )


class CurvesSchema(Schema):
    """What the plan does at each quality."""

    sample_size = _count("Balls to take.", 80)
    acceptance_number = _count("Nonconforming balls that still accept.", 2)
    model = Choice(words.MODELS, "Distribution of the count.")
    curve_type = Choice(("A", "B"), "Of one lot of this size (A), or of lots from a steady process (B).")
    lot_size = _count("Balls in the lot.", 1000, allow_none=True)
    fraction = _numbers("Nonconforming fraction of what comes in.", 0.01)
    acceptance = _numbers("Probability of acceptance.", 0.961)
    average_outgoing_quality = _numbers("Fraction sent on where rejected lots are screened.", 0.009)
    average_total_inspection = _numbers("Balls inspected a lot.", 116.2, allow_none=True)
    average_outgoing_quality_limit = _chance("The largest of the outgoing fractions.", 0.0163)
    limit_fraction = _number("Incoming fraction where it is reached.", 0.028)
    assumptions = _texts("What they rest on.", "rejected lots are inspected ball by ball")


class VariablesPlanUsedSchema(Schema):
    """A variables plan; qualities are fractions."""

    sample_size = _count("Balls.", 79)
    acceptability_constant = _number("k, in standard deviations.", 1.75)
    maximum_fraction = _chance("M, the largest estimated fraction outside two limits.", 0.039)
    sigma_known = Flag("Whether the spread of the process is known.", example=False)
    producer_quality = _chance("Acceptable quality limit.", 0.01)
    producer_risk = _chance("Probability of rejecting a lot there.", 0.0007)
    consumer_quality = _chance("Limiting quality.", 0.1)
    consumer_risk = _chance("Probability of accepting a lot there.", 0.004)
    assumptions = _texts("What it rests on.", "the risks hold for one limit")


class VariablesOutcomeSchema(Schema):
    """One quantity judged by its variables plan."""

    quantity = Choice(QUANTITIES, "The quantity.")
    plan = Part(VariablesPlanUsedSchema, "The plan.")
    outcome = Choice(words.OUTCOMES, "The verdict.")
    message = _text("The verdict in a sentence.", "quality statistic 3.7 against k = 1.752")
    decision = Table(
        None, {"quality_lower": 3.7, "outcome": "conforming"}, "The statistics behind it.", allow_none=True
    )
    curve = Table(
        None, {"fraction": [0.01], "acceptance": [0.99]}, "Probability of acceptance over the fraction."
    )


class SeriesStateSchema(Schema):
    """Where the series of lots stands after this one."""

    state = Part(
        SwitchingStateSchema,
        "For `sampling.history` of the next request; null without a plan of the tables.",
        allow_none=True,
    )


class WorstBallSchema(Schema):
    """A ball that is nonconforming or inconclusive."""

    row = _count("Row in the file.", 38)
    serial = _shown("Its serial.", "OW7K20437")
    outcome = Choice(words.OUTCOMES, "Its outcome.")
    rule = _text("The rule that decides.", "hardness", allow_none=True)
    margin = _value("Distance to that rule's limit; negative outside.", -0.6)
    unit = _text("Unit of the margin.", "Shore D", allow_none=True)
    reason = _text("Why, in a sentence.", "Hardness is under the limit of 73 Shore D")


class DrawnSchema(Schema):
    """A random sample of serials."""

    serials = Several(_shown("A serial to measure.", "OW7K20437"), LISTED_MAXIMUM, "The sample, sorted.")
    sample_size = _count("Balls drawn.", 80)
    lot_size = _count("Serials drawn from.", 1000)
    seed = Whole(0, limits.SEED_MAXIMUM, 20260501, "The seed.")
    generator = _text("The generator of random numbers.", "PCG64")


class QuantityRiskSchema(Schema):
    """Risks of judging one quantity, as fractions of all balls."""

    quantity = Choice(QUANTITIES, "The quantity.")
    uncertainty = _value("Standard uncertainty of a reading.", 0.4)
    process_deviation = _value("Spread of the true values.", 0.42)
    conforming = _chance("Balls that truly conform.", 0.9999)
    accepted = _chance("Balls accepted.", 0.9997)
    consumer_risk = _chance("Balls accepted that do not conform.", 1e-05)
    producer_risk = _chance("Balls that conform and are not accepted.", 2e-04)


class InspectionRiskSchema(Schema):
    """What the whole inspection lets through and turns away (JCGM 106, clause 9)."""

    quantities = _list(QuantityRiskSchema, "One quantity.", "Quantities with a stated uncertainty.")
    consumer_risk = _chance("Balls accepted that do not conform.", 1e-05)
    producer_risk = _chance("Balls that conform and are not accepted.", 2e-04)
    balls = _count("Balls of the lot, or of the file.", 1000)
    wrongly_accepted = _number("Of these accepted that do not conform, expected.", 0.01)
    wrongly_rejected = _number("Of these conforming and not accepted, expected.", 0.2)
    source = _text("Where the method is from.", "JCGM 106:2012, 9.5")
    assumptions = _texts("What it rests on.", "the quantities vary independently of each other")


class MeasurementSchema(Schema):
    """The measurement studies that came with the request."""

    gauges = Several(
        Table(
            None,
            {"quantity": "hardness", "standard_uncertainty": 0.4, "judgment": "acceptable"},
            "One study.",
        ),
        len(QUANTITIES),
        "Gauge studies: variances by source, the standard uncertainty that decides, the shares of the "
        "study's variation and of the tolerance with the usual word for them, bias and linearity.",
    )
    risk = Part(
        InspectionRiskSchema,
        "Risks of the whole inspection; null without a stated uncertainty less than the balls' spread.",
        allow_none=True,
    )
    instruments = Several(
        Table(None, {"quantity": "hardness", "reference": "durometer A"}, "One comparison."),
        len(QUANTITIES),
        "Offsets between instruments.",
    )


class ColumnSchema(Schema):
    """What a column of the file stands for."""

    heading = _shown("Heading, as it stands in the file.", "diameter [mm]")
    field = _text("The ball's field; null for a column left out.", "diameter", allow_none=True)
    unit = _text("Unit its numbers are in.", "mm", allow_none=True)


class FileFoundSchema(Schema):
    """What was found of the file."""

    name = _shown("Its name.", "ostrel_tarn_48.csv")
    format = Choice(words.FORMATS, "Its format.")
    columns = _list(ColumnSchema, "One column.", "Its columns.")
    header_row = _count("Row of its headings.", 1)
    dates = Choice(words.DATE_ORDERS, "Order of day and month in dates whose year is last.")
    encoding = _text("Encoding of a text file.", "utf-8")
    separator = fields.String(
        metadata={"description": "Mark between cells of a CSV file.", "examples": [","], "maxLength": 1}
    )
    decimal = _text("Decimal mark of a CSV file.", ".")
    decimal_found = Flag("Whether a decimal comma was found rather than told.", example=False)
    sheet = _shown("Sheet of a workbook.", "Lot 7")
    other_sheets = Several(_shown("A sheet.", "Notes"), LISTED_MAXIMUM, "Sheets that were not read.")
    formulas = _count("Cells with a formula, whose stored values were read.", 0)
    sha256 = Text("9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", "SHA-256 of the file.")
    size = _count("Bytes of the file.", 7413)


class MadeBySchema(Schema):
    """What made the answer."""

    name = _text("The program.", "ballgauge")
    version = _text("Its version.", "0.2.0")


class GaugeToldSchema(Schema):
    """A gauge, and whether its calibration held on the day of inspection."""

    name = _text("What it is, and its own number.", "durometer A")
    quantity = Choice(QUANTITIES, "What it measures.")
    unit = _text("The quantity's trade unit.", "Shore D")
    calibration_due = Day("2026-09-30", "Last day that its calibration holds.", allow_none=True)
    uncertainty = _value("Standard uncertainty of a reading.", 0.4)
    calibration = Choice(words.CALIBRATIONS, "Whether its calibration held; not_told without both days.")


class LotToldSchema(Schema):
    """What the lot is and who inspected it, by the request and, where that does not say, by the file."""

    supplier = _shown("Who delivers it.", "Ostrel Works")
    maker = _shown("Who made the balls.", "Ostrel Works")
    model = _shown("The balls' model.", "Tarn 48")
    lot = _shown("The lot's number.", "T48-2026-17")
    order = _shown("The order it is delivered by.", "PO 20417")
    made_on = Day("2026-04-13", "Day of manufacture, of several the first.", allow_none=True)
    made_until = Day("2026-04-17", "Last day of manufacture.", allow_none=True)
    inspected_on = Day("2026-04-28", "Day of inspection.", allow_none=True)
    place = _shown("Where it was inspected.", "Goods inward, bench 2")
    inspector = _shown("Who inspected it.", "inspector 7")
    gauges = _list(GaugeToldSchema, "A gauge.", "Gauges in use.")
    remarks = _shown("Remarks.", "two cartons wet")
    disposition = _shown("What is done with the lot.", "to stock")


class ModelSchema(Schema):
    """The rows of one model in the file, by outcome within the scope asked for."""

    model = _shown("Maker and model, empty where a row tells none.", "Ostrel Works Tarn 48")
    rows = _count("Rows judged.", 80)
    conforming = _count("Conforming balls.", 78)
    nonconforming = _count("Nonconforming balls.", 1)
    inconclusive = _count("Inconclusive balls.", 0)
    not_assessed = _count("Balls not assessed; never a pass.", 1)


class LotResultSchema(Schema):
    """A lot, judged. What was left out stands first."""

    left_out = Part(LeftOutSchema, "What was left out, and why.")
    lot = Part(LotToldSchema, "What the lot is and who inspected it.")
    models = _list(ModelSchema, "One model.", "The models that the file tells of, each with its counts.")
    acceptance = Part(AcceptanceSchema, "The decision and its risk.")
    counts = Part(LotCountsSchema, "Balls by outcome.")
    nonconforming = Part(NonconformingSchema, "The nonconforming fraction.")
    defects = Part(DefectsSchema, "Defects per million.", allow_none=True)
    outcomes = Table(_count("Balls.", 78), {"conforming": 78}, "Balls by outcome under all rules.")
    by_rule = _list(RuleCountsSchema, "One rule.", "Rule by rule, the ones broken most often first.")
    quantities = _list(
        QuantityStatementSchema, "One quantity.", "What the lot is like, quantity by quantity."
    )
    sample_rules = _list(SampleRuleResultSchema, "One rule.", "The governing body's rules on samples.")
    plan = Part(PlanSchema, "The attributes plan.")
    sampling = Part(SeriesStateSchema, "Where the series of lots stands.")
    curves = Part(CurvesSchema, "What the plan does at each quality.", allow_none=True)
    variables = _list(VariablesOutcomeSchema, "One plan.", "Variables plans.")
    worst_balls = _list(WorstBallSchema, "One ball.", "Nonconforming and inconclusive balls, worst first.")
    drawn = Part(DrawnSchema, "The sample drawn, where asked for.", allow_none=True)
    measurement = Part(MeasurementSchema, "Measurement studies.")
    file = Part(FileFoundSchema, "What was found of the file.")
    made_by = Part(MadeBySchema, "What made the answer.")
    cautions = _list(CautionSchema, "One caution.", "What deserves a second look.")
    assumptions = _texts("What was assumed.", "The rows are every ball of the lot.")
    rules = Part(UsedRulesSchema, "The rules used.")
    decision = Part(UsedDecisionSchema, "How uncertainty decided.")
    uncertainties = Table(
        _value("Standard uncertainty, in the trade unit.", 0.4),
        {"hardness": 0.4},
        "Standard uncertainties used for readings that state none.",
    )
    confidence = _chance("Confidence of bounds and intervals.", 0.95)
    coverage = _chance("Part of the lot a tolerance interval holds.", 0.99)
    units = Table(_text("Unit.", "Shore D"), {"hardness": "Shore D"}, "Units by quantity.")


class SignalSchema(Schema):
    """A rule of the charts that fired."""

    lot = _count("Place of the lot, the first being 0.", 6)
    name = _shown("Name of the lot.", "lot7.csv")
    chart = _text("mean, spread or ewma.", "mean")
    rule = _text("The rule.", "beyond_limit")
    side = _text("high or low.", "low")
    message = _text("The signal in a sentence.", "a lot mean lies beyond its limit")


class DriftEntrySchema(Schema):
    """One quantity over the lots."""

    quantity = Choice(QUANTITIES, "The quantity.")
    unit = _text("Its trade unit.", "Shore D")
    note = _text(
        "Why it is not charted, where it is not.", "not charted: it needs two lots or more", allow_none=True
    )
    shewhart = Table(
        None,
        {"centre": 75.2, "sigma": 0.6, "between": 0.1, "width": 4.4},
        "Charts of means and spreads with limits from the spread within lots and between them.",
        allow_none=True,
    )
    places = Several(_count("A lot.", 0), 1000, "The lots charted, by their place in the series.")
    ewma = Table(None, {"centre": 75.2, "weight": 0.2}, "Moving average with limits.", allow_none=True)
    signals = _list(SignalSchema, "One signal.", "Signals in time order.")


class SeriesLeftOutSchema(Schema):
    """What was left out of all lots together."""

    rows = _count("Rows that could not be read as a ball.", 1)


class LotSeriesResultSchema(Schema):
    """Several lots of one model in time order."""

    left_out = Part(SeriesLeftOutSchema, "What was left out of all lots together.")
    outcome = Choice(words.OUTCOMES, "The worst outcome of the lots.")
    lots_accepted = _count("Lots accepted.", 6)
    names = Several(_shown("Name of a lot.", "lot7.csv"), LISTED_MAXIMUM, "The lots, in order.")
    drift = _list(DriftEntrySchema, "One quantity.", "Drift over the lots.")
    switching = Several(
        Table(None, {"lot": 0, "outcome": "conforming"}, "One lot."),
        1000,
        "The lots under the switching rules of ISO 2859-1, by the plan in force; null without its tables.",
        allow_none=True,
    )
    sampling = Part(SeriesStateSchema, "Where the series of lots stands.")
    lots = _list(LotResultSchema, "One lot.", "The lots.")
    cautions = _list(CautionSchema, "One caution.", "What deserves a second look.")


class LotRowSchema(Schema):
    """One ball of the NDJSON answer."""

    row = _count("Row in the file.", 38)
    serial = _shown("Its serial.", "OW7K20437")
    outcome = Choice(words.OUTCOMES, "Its outcome by all rules.")
    rule = _text("The rule that decides.", "hardness", allow_none=True)
    margin = _value("Distance to that rule's limit; negative outside.", -0.6)
    unit = _text("Unit of the margin.", "Shore D", allow_none=True)
    reason = _text("Why, in a sentence.", "Hardness is under the limit of 73 Shore D")


LOT_RESULT = LotResultSchema()
LOT_SERIES_RESULT = LotSeriesResultSchema()
