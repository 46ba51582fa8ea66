"""What is asked of a lot: how its file is written, what the rows are, and by which plan it is judged.

Everything has a default but the file itself. Percentages are written as the sampling standards print them: an
acceptable quality limit of 0.65 is 0.65 % nonconforming. The limits of these fields are ours unless they say
otherwise.
"""

from __future__ import annotations

import itertools
import re
from typing import Any

from marshmallow import ValidationError, fields

from ballgauge_schemas.check.request import DecisionSchema, RulesSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.base import (
    PLAIN,
    Choice,
    Day,
    Errors,
    Flag,
    Number,
    Part,
    Schema,
    Several,
    Text,
    Whole,
    add_error,
)
from ballgauge_schemas.shared.quantity import QuantityField
from ballgauge_schemas.shared.report import ReportFields
from ballgauge_schemas.shared.wording import json_type

LOT_BODIES = (
    "text/csv",
    "application/x-ndjson",
    "application/vnd.apache.parquet",
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "application/octet-stream",
)
"""Media types of a lot's file."""

LOT_ANSWERS = ("text/csv", "application/vnd.apache.parquet", "application/pdf", "application/zip")
"""Media types of files that answer a lot."""

QUANTITIES = tuple(
    name for name, field in BallSchema().load_fields.items() if isinstance(field, QuantityField)
)
"""The quantities of a ball, by name: what a lot's file may measure."""


class Mapping(fields.Dict):
    """A factory's own headings, each to the name of a ball's field, or to null to leave the column out."""

    _NAME = re.compile(r"[^\x00-\x1f\x7f-\x9f\ud800-\udfff]{1,200}")

    def __init__(self, *, description: str, example: dict[str, str | None]) -> None:
        super().__init__(
            keys=fields.String(),
            values=fields.String(allow_none=True, metadata={"maxLength": 200}),
            metadata={
                "description": description,
                "examples": [example],
                "maxProperties": limits.COLUMNS_MAXIMUM,
                "propertyNames": {"minLength": 1, "maxLength": 200, "pattern": PLAIN},
            },
        )

    def read(self, value: Any) -> dict[str, str | None]:
        """Read the mapping in `value`; raises ValidationError."""
        if not isinstance(value, dict):
            raise ValidationError(f"must be an object; got {json_type(value)}")
        if len(value) > limits.COLUMNS_MAXIMUM:
            raise ValidationError(f"must hold at most {limits.COLUMNS_MAXIMUM} headings; got {len(value)}")
        errors: dict[str, list[str]] = {}
        for heading, field in value.items():
            if not self._NAME.fullmatch(heading):
                errors[heading] = ["a heading must have 1 to 200 characters and no control characters"]
            elif field is not None and not (isinstance(field, str) and self._NAME.fullmatch(field)):
                got = json_type(field) if not isinstance(field, str) else "another string"
                errors[heading] = [f"must be the name of a field, or null; got {got}"]
        if errors:
            raise ValidationError(errors)
        return dict(value)


class LotFileSchema(Schema):
    """How the file is written. What is not said is found in the file, or refused where it is not clear."""

    format = Choice(words.FORMATS, "Format, in place of what the name and the first bytes tell.")
    encoding = Text("cp1252", "Encoding of a text file.", maximum=40)
    separator = Choice(words.SEPARATORS, "Mark between the cells of a CSV file.")
    decimal = Choice((".", ","), "Decimal mark of a CSV file.")
    missing = Several(
        Text("n/a", "A text that means no data.", maximum=40),
        20,
        "Texts that mean no data, besides the empty cell.",
        default=[],
    )
    sheet = Text("Lot 7", "Sheet of a workbook; default: the first with a table of balls.", maximum=100)
    header_row = Whole(
        1,
        1000,
        4,
        "Row of the headings; default: of the first rows the one with the most known headings. What is above "
        "it is passed over.",
    )
    dates = Choice(
        words.DATE_ORDERS,
        "Whether the day or the month comes first in a date whose year is last; default: as the dates tell.",
    )
    readings = Choice(
        words.READINGS,
        "Columns of one quantity, such as `hardness 1` and `hardness 2`: `one` refuses a second, `mean` "
        "takes the mean of a ball's readings.",
        default="one",
    )
    rows_ignored = Several(
        Whole(1, limits.LOT_MAXIMUM, 84, "A row of the file, the first being 1."),
        1000,
        "Rows that are no balls, besides those that show it, which are set apart and told: a row headed "
        "Mean, Min, Max, Total and the like, in English, German, Spanish or French; rows without a serial "
        "below a blank row; the columns' own statistics.",
        default=[],
    )
    rows_judged = Several(
        Whole(1, limits.LOT_MAXIMUM, 17, "A row of the file, the first being 1."),
        1000,
        "Rows that are balls though they look like none: a ball named Max.",
        default=[],
    )
    unknown_columns = Choice(
        words.UNKNOWN_COLUMNS,
        "Whether a column of no known name is left out and told, or refused. One whose heading is nearly a "
        "known name is refused either way.",
        default="ignore",
    )
    mapping = Mapping(
        description="Headings of the file to the names of a ball's fields (perhaps with a unit); null leaves "
        "a column out. Common headings in English, German, Spanish and French need none.",
        example={"Gewicht": "weight [kg]", "Remarks": None},
    )


def _percent(description: str, example: float) -> Number:
    return Number(0.0, 100.0, example, description, exclusive=True, unit="percent")


def _risk(description: str, default: float) -> Number:
    return Number(0.0, 0.5, default, description, exclusive=True, default=default)


class SamplingPlanSchema(Schema):
    """An attributes plan: how many nonconforming balls still accept the lot.

    `table`: single sampling by ISO 2859-1, from lot size, level and AQL. `zero_acceptance`: the smallest
    sample that accepts on zero and keeps the consumer's risk at the limiting quality. `two_point`: the
    smallest plan that keeps both risks.
    """

    kind = Choice(words.PLAN_KINDS, "Where the plan comes from.", default="table")
    level = Choice(words.LEVELS, "Inspection level, for `table`.", assumed=limits.LEVEL)
    inspection = Choice(words.INSPECTIONS, "Severity, for `table`.", assumed=limits.INSPECTION)
    aql = Number(
        0.01,
        10.0,
        0.65,
        "Acceptable quality limit; the tables have 0.01, 0.015, 0.025, 0.04, 0.065, 0.1 to 10.",
        unit="percent",
    )
    limiting_quality = _percent("Quality to be kept out. For `zero_acceptance` and `two_point`.", 4.0)
    producer_risk = _risk("Largest probability of rejecting a lot at the AQL.", limits.PRODUCER_RISK)
    consumer_risk = _risk(
        "Largest probability of accepting a lot at the limiting quality.", limits.CONSUMER_RISK
    )
    model = Choice(
        words.MODELS, "Distribution of the count; hypergeometric if there is a lot size, else binomial."
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for what the kind of plan needs, and refuse what it has no use for."""
        kind = loaded.get("kind")
        needed = {"table": ("aql",), "zero_acceptance": ("limiting_quality",)}.get(
            str(kind), ("aql", "limiting_quality")
        )
        for name in needed if kind else ():
            if name not in loaded and name not in errors:
                add_error(errors, (name,), f"missing; a {kind} plan needs it")
        idle = {
            "table": ("limiting_quality", "model"),
            "zero_acceptance": ("aql", "level", "inspection"),
        }.get(str(kind), ("level", "inspection"))
        for name in idle if kind else ():
            if name in loaded:
                add_error(errors, (name,), f"not used by a {kind} plan")
        good, bad = loaded.get("aql"), loaded.get("limiting_quality")
        if kind == "two_point" and good is not None and bad is not None and good >= bad:
            add_error(errors, ("limiting_quality",), f"must be more than the aql ({good:g} %)")


class VariablesPlanSchema(Schema):
    """A variables plan for one quantity: the k-method for normal data, from both risks, of no table."""

    quantity = Choice(QUANTITIES, "The quantity.", required=True)
    aql = _percent("Acceptable quality limit.", 0.65)
    limiting_quality = _percent("Quality to be kept out.", 6.5)
    producer_risk = _risk("Largest probability of rejecting a lot at the AQL.", limits.PRODUCER_RISK)
    consumer_risk = _risk(
        "Largest probability of accepting a lot at the limiting quality.", limits.CONSUMER_RISK
    )
    sigma = Number(
        0.0,
        1e5,
        0.03,
        "Known standard deviation of the process, in the quantity's trade unit.",
        exclusive=True,
        unit="see quantity",
    )
    accept_non_normal = Flag(
        "Whether the plan decides even where the test of normality speaks against normal data; its risks do "
        "not hold then.",
        default=False,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for both qualities, the second the worse."""
        for name in ("aql", "limiting_quality"):
            if name not in loaded and name not in errors:
                add_error(errors, (name,), "missing; a variables plan needs it")
        good, bad = loaded.get("aql"), loaded.get("limiting_quality")
        if good is not None and bad is not None and good >= bad:
            add_error(errors, ("limiting_quality",), f"must be more than the aql ({good:g} %)")


class SwitchingStateSchema(Schema):
    """Where a series of lots stands by the switching rules of ISO 2859-1: `sampling.state` of an answer."""

    inspection = Choice(words.INSPECTIONS, "Severity for the next lot.", required=True)
    score = Whole(0, 1000, 12, "Switching score.", default=0)
    recent = Several(
        Flag("Whether a lot was accepted."), 5, "The last lots under this inspection.", default=[]
    )
    tightened_rejections = Whole(0, 5, 0, "Lots not accepted since tightened inspection began.", default=0)
    discontinued = Flag("Whether acceptance has stopped until the maker has acted.", default=False)
    aql = Number(0.01, 10.0, 0.65, "The plan's acceptable quality limit.", required=True, unit="percent")
    level = Choice(words.LEVELS, "The plan's inspection level.", default=limits.LEVEL)


class DefectClassSchema(Schema):
    """A class of defects, decided by its own acceptable quality limit.

    Unless put elsewhere, critical are the rules on identity, construction and density, minor those on the
    marks, major all others (ours).
    """

    name = Choice(words.DEFECT_CLASSES, "The class.", required=True)
    aql = Number(
        0.01,
        10.0,
        1.0,
        "Acceptable quality limit of the class, one of the tables'; without it no ball that breaks one of "
        "its rules is accepted.",
        unit="percent",
    )
    rules = Several(
        Text("roundness", "Id of a rule.", maximum=100),
        limits.RULES_MAXIMUM,
        "Rules that are of this class, in place of their own.",
        default=[],
    )


class SamplingSchema(Schema):
    """What the rows are of the lot, and the plans it is judged by."""

    rows = Choice(
        words.ROWS, "Whether the rows are a sample or every ball; a sample where a lot size is given."
    )
    lot_size = Whole(1, limits.LOT_MAXIMUM, 1000, "Balls in the lot.")
    lot_sizes = Several(
        Whole(1, limits.LOT_MAXIMUM, 1000, "Balls in a lot."),
        limits.LOTS_MAXIMUM,
        "Balls in each of several lots, in place of one size for all.",
        minimum=1,
    )
    history = Part(
        SwitchingStateSchema,
        "Where the series of lots stands that these follow: `sampling.state` of the last answer. By it the "
        "severity of inspection is chosen.",
    )
    plan = Part(SamplingPlanSchema, "Attributes plan; without one no nonconforming ball is accepted.")
    classes = Several(
        Part(DefectClassSchema, "A class."),
        len(words.DEFECT_CLASSES),
        "Classes of defects, each decided by itself, the lot by the worst; the plan's own AQL then decides "
        "nothing, and no switching rules apply. Rules of a class that is not named accept no ball.",
        default=[],
    )
    seed = Whole(
        0,
        limits.SEED_MAXIMUM,
        7,
        "Seed by which the plan's sample is drawn where the file has more balls than it asks for.",
        assumed=limits.DEFAULT_SEED,
    )
    variables = Several(
        Part(VariablesPlanSchema, "One quantity's plan."),
        len(QUANTITIES),
        "Variables plans; the lot is accepted only where each of them accepts too.",
        default=[],
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for the lot's size where the plan rests on it, and for each quantity at most once."""
        plan = loaded.get("plan") or {}
        whole = loaded.get("rows") == "every_ball"
        for name in ("lot_size", "lot_sizes", "history"):
            if whole and name in loaded:
                add_error(errors, (name,), "must not be given when the rows are every ball")
        if "lot_size" in loaded and "lot_sizes" in loaded:
            add_error(errors, ("lot_sizes",), "must not be given together with lot_size")
        _check_history(loaded.get("history"), plan, errors)
        _check_classes(loaded, errors)
        sized = any(name in held for name in ("lot_size", "lot_sizes") for held in (loaded, errors))
        if not sized and not whole:
            reasons = {"table": "the tables need it", "zero_acceptance": "the plan needs it"}
            if plan.get("kind") == "table" or plan.get("model") == "hypergeometric":
                reason = reasons.get(plan.get("kind", ""), "the hypergeometric model needs it")
                add_error(errors, ("lot_size",), f"missing; {reason}")
        seen: set[str] = set()
        for index, entry in enumerate(loaded.get("variables") or []):
            name = entry.get("quantity")
            if name in seen:
                add_error(errors, ("variables", index, "quantity"), f"duplicate plan for {name}")
            seen.add(name)


def _check_classes(loaded: dict[str, Any], errors: Errors) -> None:
    """Ask for a plan of the tables, for each class once and for each rule in one class."""
    classes = loaded.get("classes") or []
    if classes and "history" in loaded:
        add_error(
            errors, ("history",), "must not be given together with classes, which have no switching rules"
        )
    whole = loaded.get("rows") == "every_ball"
    if classes and not whole and (loaded.get("plan") or {}).get("kind") != "table" and "plan" not in errors:
        add_error(errors, ("plan",), "must be a table plan where there are classes")
    names: set[str] = set()
    rules: set[str] = set()
    for index, each in enumerate(classes):
        if each.get("name") in names:
            add_error(errors, ("classes", index, "name"), f"duplicate class {each['name']}")
        names.add(str(each.get("name")))
        for place, rule in enumerate(each.get("rules") or []):
            if rule is not None and rule in rules:
                add_error(errors, ("classes", index, "rules", place), "must be in one class alone")
            rules.add(rule)


def _check_history(history: dict[str, Any] | None, plan: dict[str, Any], errors: Errors) -> None:
    """Refuse the history of another plan."""
    if history is None:
        return
    if plan.get("kind") != "table":
        add_error(errors, ("history",), "is used by a table plan only")
    elif "inspection" in plan:
        add_error(errors, ("plan", "inspection"), "must not be given together with history, which has it")
    for name, assumed in (("aql", None), ("level", limits.LEVEL)):
        ours = plan.get(name, assumed)
        if name in history and ours is not None and history[name] != ours:
            add_error(errors, ("history", name), f"must be the plan's {name}, {ours}")


def _width(name: str) -> QuantityField:
    field = BallSchema().load_fields[name]
    assert isinstance(field, QuantityField)
    return QuantityField(
        field.kind,
        0,
        field.maximum - field.minimum,
        0.01,
        f"Standard uncertainty of a reading of {name.replace('_', ' ')}.",
    )


class UncertaintiesSchema(Schema):
    """Standard uncertainties of readings that state none of their own."""

    for _name in QUANTITIES:
        vars()[_name] = _width(_name)
    del _name


def _reading() -> Number:
    return Number(-1e6, 1e6, 75.5, "A reading, in the trade unit.", unit="see quantity")


class GaugeStudySchema(Schema):
    """A crossed study of a gauge: every operator reads every part several times."""

    quantity = Choice(QUANTITIES, "The quantity read.", required=True)
    measurements = Several(
        Several(
            Several(_reading(), 50, "One operator's readings of the part.", minimum=2),
            50,
            "One part's readings, an array an operator.",
            minimum=2,
        ),
        200,
        "The readings: an array a part, in it an array an operator, all of one shape.",
        minimum=2,
        required=True,
    )
    readings_averaged = Whole(
        1,
        100,
        1,
        "Readings by one operator that make up one result in use.",
        assumed=limits.READINGS_AVERAGED,
    )
    references = Several(
        _reading(), 200, "What each part truly has, by a better gauge: for bias and linearity.", minimum=2
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one shape, and for one reference a part."""
        parts, known = loaded.get("measurements"), loaded.get("references")
        if parts is not None and known is not None and len(parts) != len(known):
            add_error(errors, ("references",), f"must be one a part: {len(parts)}; got {len(known)}")
        if "measurements" in loaded and "measurements" not in errors:
            parts = loaded["measurements"]
            shapes = {len(part) for part in parts}, {len(cell) for part in parts for cell in part}
            if max(map(len, shapes)) > 1:
                add_error(
                    errors,
                    ("measurements",),
                    "every part must have as many operators and readings as the first",
                )


class InstrumentStudySchema(Schema):
    """Instruments, such as durometers, that read the same balls once each."""

    quantity = Choice(QUANTITIES, "The quantity read.", required=True)
    instruments = Several(
        Text("durometer A", "Name of an instrument.", maximum=60),
        50,
        "The instruments, in the order of the readings.",
        minimum=2,
        required=True,
    )
    measurements = Several(
        Several(_reading(), 50, "One ball's readings, one an instrument.", minimum=2),
        1000,
        "The readings: an array a ball.",
        minimum=2,
        required=True,
    )
    reference = Text("durometer A", "The instrument the others are compared with.", maximum=60)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one reading an instrument, and for names that differ."""
        names = loaded.get("instruments") or []
        if "instruments" not in errors and len(set(names)) < len(names):
            add_error(errors, ("instruments",), "duplicate name")
        if "measurements" not in errors and any(
            len(row) != len(names) for row in loaded.get("measurements") or []
        ):
            add_error(errors, ("measurements",), f"every ball needs {len(names)} readings, one an instrument")
        if names and "reference" in loaded and loaded["reference"] not in names:
            add_error(errors, ("reference",), "must be one of the instruments")


class DrawSchema(Schema):
    """Which balls to measure: a random sample of the file's serials, the same for the same seed."""

    seed = Whole(
        0,
        limits.SEED_MAXIMUM,
        20260501,
        "Start of the random numbers; note it with the sample.",
        required=True,
    )
    sample_size = Whole(1, limits.SAMPLE_MAXIMUM, 80, "Balls to draw; default: the plan's sample.")


class DriftSchema(Schema):
    """How several files, each one lot of a model in time order, are charted."""

    baseline = Whole(1, 1000, 5, "First lots that set center and spread; default: all.")
    weight = Number(
        0.01, 1.0, 0.2, "Weight of the newest lot in the moving average.", default=limits.DRIFT_WEIGHT
    )


class GaugeUsedSchema(Schema):
    """A gauge the balls were measured with."""

    name = Text("durometer A", "What it is, and its own number.", required=True)
    quantity = Choice(QUANTITIES, "What it measures.", required=True)
    calibration_due = Day("2026-09-30", "Last day that its calibration holds.")
    uncertainty = Number(
        0.0,
        1e5,
        0.4,
        "Standard uncertainty of a reading, in the quantity's trade unit: of readings for which neither "
        "the file, nor `uncertainties`, nor a study says another. Of several gauges the largest counts.",
        exclusive=True,
        unit="see quantity",
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Refuse an uncertainty that no reading of the quantity has."""
        if "quantity" in loaded and "uncertainty" in loaded:
            try:
                _width(loaded["quantity"]).read(loaded["uncertainty"])
            except ValidationError as error:
                errors["uncertainty"] = error.messages


LABELS = ("supplier", "maker", "model", "lot", "order", "place", "inspector")
"""What a column of the file may tell of the lot, too."""


class LotIdentitySchema(Schema):
    """What the lot is and who inspected it: shown in the answer and in the report."""

    supplier = Text("Ostrel Works", "Who delivers it.")
    maker = Text("Ostrel Works", "Who made the balls.")
    model = Text("Tarn 48", "The balls' model.")
    lot = Text("T48-2026-17", "The lot's number.")
    order = Text("PO 20417", "The order it is delivered by.")
    made_on = Day("2026-04-13", "Day of manufacture, of several the first.")
    made_until = Day("2026-04-17", "Last day of manufacture.")
    inspected_on = Day("2026-04-28", "Day of inspection; calibrations are compared with it.")
    place = Text("Goods inward, bench 2", "Where it was inspected.")
    inspector = Text("inspector 7", "Who inspected it.")
    gauges = Several(Part(GaugeUsedSchema, "A gauge."), limits.GAUGES_MAXIMUM, "Gauges in use.", default=[])
    remarks = Text("two cartons wet", "Remarks.", maximum=2000)
    disposition = Text("to stock", "What is done with the lot.", maximum=200)

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for days in their order."""
        days = [(name, loaded[name]) for name in ("made_on", "made_until", "inspected_on") if name in loaded]
        for (earlier, first), (later, second) in itertools.pairwise(days):
            if second < first:
                add_error(errors, (later,), f"must not be before {earlier}, {first}")
        if "made_until" in loaded and "made_on" not in loaded and "made_on" not in errors:
            add_error(errors, ("made_on",), "missing; made_until is the last day of several")


class LotReportSchema(ReportFields):
    """How a report is written; nothing of the lot's own answer depends on it."""


class LotRulesSchema(RulesSchema):
    """Which rulebook, on which day, at which stage: by default balls as made."""

    stage = Choice(words.STAGES, "A model's approval (balls as made), or use in play.", default="approval")


class LotRequestSchema(Schema):
    """How a lot is to be judged; the file comes beside it."""

    rules = Part(LotRulesSchema, "The rules to check against.", default={})
    scope = Choice(
        words.LOT_SCOPES,
        "Whether all rules must judge the lot, or those alone on what the file measures. "
        "Such a file needs no weight.",
        default="all",
    )
    decision = Part(DecisionSchema, "How uncertainty decides.", default={})
    lot = Part(LotIdentitySchema, "What the lot is and who inspected it.", default={})
    file = Part(LotFileSchema, "How the file is written.", default={})
    sampling = Part(SamplingSchema, "What the rows are, and the plans.", default={})
    confidence = Number(0.5, 0.9999, 0.95, "Confidence of bounds and intervals.", default=limits.CONFIDENCE)
    coverage = Number(
        0.5, 0.9999, 0.99, "Part of the lot that a tolerance interval holds.", default=limits.COVERAGE
    )
    uncertainties = Part(
        UncertaintiesSchema,
        "Standard uncertainties of readings that state none, for the guarded decision.",
        default={},
    )
    gauge_studies = Several(
        Part(GaugeStudySchema, "One quantity's study."),
        len(QUANTITIES),
        "Gauge studies; each gives the standard uncertainty of its quantity.",
        default=[],
    )
    instrument_studies = Several(
        Part(InstrumentStudySchema, "One comparison."),
        len(QUANTITIES),
        "Comparisons of instruments, such as durometers.",
        default=[],
    )
    draw = Part(DrawSchema, "Draw a sample of the file's serials.")
    drift = Part(DriftSchema, "How several lots are charted.", default={})
    report = Part(LotReportSchema, "How its report is written.", default={})
    worst_balls = Whole(
        0, limits.WORST_BALLS_MAXIMUM, 50, "Worst balls listed one by one.", assumed=limits.WORST_BALLS
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Refuse two sources of one uncertainty."""
        given = loaded.get("uncertainties") or {}
        seen: set[str] = set()
        for index, study in enumerate(loaded.get("gauge_studies") or []):
            name = study.get("quantity")
            if name in given or name in seen:
                text = f"duplicate uncertainty for {name}"
                add_error(errors, ("gauge_studies", index, "quantity"), text)
            seen.add(name)


LOT_REQUEST = LotRequestSchema()
