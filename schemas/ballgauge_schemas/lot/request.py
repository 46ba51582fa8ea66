"""What is asked of a lot: how its file is written, what the rows are, and by which plan it is judged.

Everything has a default but the file itself. Percentages are written as the sampling standards print them: an
acceptable quality limit of 0.65 is 0.65 % nonconforming. The limits of these fields are ours unless they say
otherwise.
"""

from __future__ import annotations

import re
from typing import Any

from marshmallow import ValidationError, fields

from ballgauge_schemas.check.request import DecisionSchema, RulesSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.base import (
    Choice,
    Errors,
    Number,
    Part,
    Schema,
    Several,
    Text,
    Whole,
    add_error,
)
from ballgauge_schemas.shared.quantity import QuantityField
from ballgauge_schemas.shared.wording import json_type

LOT_BODIES = (
    "text/csv",
    "application/x-ndjson",
    "application/vnd.apache.parquet",
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "application/octet-stream",
)
"""Media types of a lot's file."""

LOT_ANSWERS = ("text/csv", "application/vnd.apache.parquet", "application/zip")
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
                "propertyNames": {"minLength": 1, "maxLength": 200},
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

    format = Choice(*words.FORMATS, description="Format, in place of what the name and the first bytes tell.")
    encoding = Text(description="Encoding of a text file.", example="cp1252", maximum=40)
    separator = Choice(*words.SEPARATORS, description="Mark between the cells of a CSV file.")
    decimal = Choice(".", ",", description="Decimal mark of a CSV file.")
    missing = Several(
        Text(description="A text that means no data.", example="n/a", maximum=40),
        description="Texts that mean no data, besides the empty cell.",
        minimum=0,
        maximum=20,
        default=[],
    )
    sheet = Text(description="Sheet of a workbook; default: the first.", example="Lot 7", maximum=100)
    mapping = Mapping(
        description="Headings of the file to the names of a ball's fields (perhaps with a unit); null leaves "
        "a column out.",
        example={"Gewicht": "weight [kg]", "Remarks": None},
    )


def _percent(description: str, example: float) -> Number:
    return Number(
        description=description, example=example, minimum=0.0, maximum=100.0, exclusive=True, unit="percent"
    )


def _risk(description: str, default: float) -> Number:
    return Number(
        description=description, example=default, minimum=0.0, maximum=0.5, exclusive=True, default=default
    )


class SamplingPlanSchema(Schema):
    """An attributes plan: how many nonconforming balls still accept the lot.

    `table`: single sampling by ISO 2859-1, from lot size, level and AQL. `zero_acceptance`: the smallest
    sample that accepts on zero and keeps the consumer's risk at the limiting quality. `two_point`: the
    smallest plan that keeps both risks.
    """

    kind = Choice(*words.PLAN_KINDS, default="table", description="Where the plan comes from.")
    level = Choice(*words.LEVELS, description="Inspection level, for `table`.", assumed=limits.LEVEL)
    inspection = Choice(*words.INSPECTIONS, description="Severity, for `table`.", assumed=limits.INSPECTION)
    aql = Number(
        description="Acceptable quality limit; the tables have 0.01, 0.015, 0.025, 0.04, 0.065, 0.1 to 10.",
        example=0.65,
        minimum=0.01,
        maximum=10.0,
        unit="percent",
    )
    limiting_quality = _percent("Quality to be kept out. For `zero_acceptance` and `two_point`.", 4.0)
    producer_risk = _risk("Largest probability of rejecting a lot at the AQL.", limits.PRODUCER_RISK)
    consumer_risk = _risk(
        "Largest probability of accepting a lot at the limiting quality.", limits.CONSUMER_RISK
    )
    model = Choice(
        *words.MODELS,
        description="Distribution of the count; hypergeometric if there is a lot size, else binomial.",
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
    """A variables plan for one quantity: the k-method for normal data (ISO 3951-1)."""

    quantity = Choice(*QUANTITIES, required=True, description="The quantity.")
    aql = _percent("Acceptable quality limit.", 0.65)
    limiting_quality = _percent("Quality to be kept out.", 6.5)
    producer_risk = _risk("Largest probability of rejecting a lot at the AQL.", limits.PRODUCER_RISK)
    consumer_risk = _risk(
        "Largest probability of accepting a lot at the limiting quality.", limits.CONSUMER_RISK
    )
    sigma = Number(
        description="Known standard deviation of the process, in the quantity's trade unit.",
        example=0.03,
        minimum=0.0,
        maximum=1e5,
        exclusive=True,
        unit="see quantity",
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for both qualities, the second the worse."""
        for name in ("aql", "limiting_quality"):
            if name not in loaded and name not in errors:
                add_error(errors, (name,), "missing; a variables plan needs it")
        good, bad = loaded.get("aql"), loaded.get("limiting_quality")
        if good is not None and bad is not None and good >= bad:
            add_error(errors, ("limiting_quality",), f"must be more than the aql ({good:g} %)")


class SamplingSchema(Schema):
    """What the rows are of the lot, and the plans it is judged by."""

    rows = Choice(
        *words.ROWS,
        description="Whether the rows are a sample or every ball; a sample where a lot size is given.",
    )
    lot_size = Whole(description="Balls in the lot.", example=1000, minimum=1, maximum=limits.LOT_MAXIMUM)
    plan = Part(
        SamplingPlanSchema, description="Attributes plan; without one no nonconforming ball is accepted."
    )
    variables = Several(
        Part(VariablesPlanSchema, description="One quantity's plan."),
        description="Variables plans; the lot is accepted only where each of them accepts too.",
        minimum=0,
        maximum=len(QUANTITIES),
        default=[],
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for the lot's size where the plan rests on it, and for each quantity at most once."""
        plan = loaded.get("plan") or {}
        whole = loaded.get("rows") == "every_ball"
        if whole and "lot_size" in loaded:
            add_error(errors, ("lot_size",), "must not be given when the rows are every ball")
        if "lot_size" not in loaded and "lot_size" not in errors and not whole:
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


_READING = {"example": 75.5, "minimum": -1e6, "maximum": 1e6, "unit": "see quantity"}


class GaugeStudySchema(Schema):
    """A crossed study of a gauge: every operator reads every part several times."""

    quantity = Choice(*QUANTITIES, required=True, description="The quantity read.")
    measurements = Several(
        Several(
            Several(
                Number(description="A reading, in the trade unit.", **_READING),  # type: ignore[arg-type]
                description="One operator's readings of the part.",
                minimum=2,
                maximum=50,
            ),
            description="One part's readings, an array an operator.",
            minimum=2,
            maximum=50,
        ),
        required=True,
        description="The readings: an array a part, in it an array an operator, all of one shape.",
        minimum=2,
        maximum=200,
    )
    readings_averaged = Whole(
        description="Readings by one operator that make up one result in use.",
        assumed=limits.READINGS_AVERAGED,
        example=1,
        minimum=1,
        maximum=100,
    )

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Ask for one shape."""
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

    quantity = Choice(*QUANTITIES, required=True, description="The quantity read.")
    instruments = Several(
        Text(description="Name of an instrument.", example="durometer A", maximum=60),
        required=True,
        description="The instruments, in the order of the readings.",
        minimum=2,
        maximum=50,
    )
    measurements = Several(
        Several(
            Number(description="A reading, in the trade unit.", **_READING),  # type: ignore[arg-type]
            description="One ball's readings, one an instrument.",
            minimum=2,
            maximum=50,
        ),
        required=True,
        description="The readings: an array a ball.",
        minimum=2,
        maximum=1000,
    )
    reference = Text(
        description="The instrument the others are compared with.", example="durometer A", maximum=60
    )

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
        required=True,
        description="Start of the random numbers; note it with the sample.",
        example=20260501,
        minimum=0,
        maximum=limits.SEED_MAXIMUM,
    )
    sample_size = Whole(
        description="Balls to draw; default: the plan's sample.",
        example=80,
        minimum=1,
        maximum=limits.SAMPLE_MAXIMUM,
    )


class DriftSchema(Schema):
    """How several files, each one lot of a model in time order, are charted."""

    baseline = Whole(
        description="First lots that set center and spread; default: all.", example=5, minimum=1, maximum=1000
    )
    weight = Number(
        description="Weight of the newest lot in the moving average.",
        example=0.2,
        minimum=0.01,
        maximum=1.0,
        default=limits.DRIFT_WEIGHT,
    )


class LotRulesSchema(RulesSchema):
    """Which rulebook, on which day, at which stage: by default balls as made."""

    stage = Choice(
        *words.STAGES, default="approval", description="A model's approval (balls as made), or use in play."
    )


class LotRequestSchema(Schema):
    """How a lot is to be judged; the file comes beside it."""

    rules = Part(LotRulesSchema, description="The rules to check against.", default={})
    scope = Choice(
        *words.LOT_SCOPES,
        default="all",
        description="Whether all rules must judge the lot, or those alone on what the file measures.",
    )
    decision = Part(DecisionSchema, description="How uncertainty decides.", default={})
    file = Part(LotFileSchema, description="How the file is written.", default={})
    sampling = Part(SamplingSchema, description="What the rows are, and the plans.", default={})
    confidence = Number(
        description="Confidence of bounds and intervals.",
        example=0.95,
        minimum=0.5,
        maximum=0.9999,
        default=limits.CONFIDENCE,
    )
    coverage = Number(
        description="Part of the lot that a tolerance interval holds.",
        example=0.99,
        minimum=0.5,
        maximum=0.9999,
        default=limits.COVERAGE,
    )
    uncertainties = Part(
        UncertaintiesSchema,
        description="Standard uncertainties of readings that state none, for the guarded decision.",
        default={},
    )
    gauge_studies = Several(
        Part(GaugeStudySchema, description="One quantity's study."),
        description="Gauge studies; each gives the standard uncertainty of its quantity.",
        minimum=0,
        maximum=len(QUANTITIES),
        default=[],
    )
    instrument_studies = Several(
        Part(InstrumentStudySchema, description="One comparison."),
        description="Comparisons of instruments, such as durometers.",
        minimum=0,
        maximum=len(QUANTITIES),
        default=[],
    )
    draw = Part(DrawSchema, description="Draw a sample of the file's serials.")
    drift = Part(DriftSchema, description="How several lots are charted.", default={})
    worst_balls = Whole(
        description="Worst balls listed one by one.",
        assumed=limits.WORST_BALLS,
        example=50,
        minimum=0,
        maximum=limits.WORST_BALLS_MAXIMUM,
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
