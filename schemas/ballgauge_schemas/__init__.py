"""The contract of ballgauge: requests, answers and problems, as marshmallow schemas."""

from marshmallow import ValidationError

from ballgauge_schemas.check.answer import (
    CHECK_BATCH_BRIEF,
    CHECK_BATCH_FINDINGS,
    CHECK_BATCH_RESULT,
    CHECK_BRIEF,
    CHECK_FINDINGS,
    CHECK_RESULT,
    DRILLING_BATCH_RESULT,
    DRILLING_RESULT,
    RULEBOOKS_RESULT,
)
from ballgauge_schemas.check.request import (
    CHECK,
    CHECK_BATCH,
    CHECK_REQUEST,
    DRILLING_BATCH,
    DRILLING_REQUEST,
    RULEBOOK_QUERY,
    load_check_body,
    load_drilling_body,
)
from ballgauge_schemas.lot.request import LOT_REQUEST
from ballgauge_schemas.shared.documents import example, example_names, example_text, openapi_document
from ballgauge_schemas.shared.problems import PROBLEM, Problem, flatten, validation_problem
from ballgauge_schemas.shared.quantity import KINDS, Quantity, QuantityField, unit_size

__all__ = [
    "CHECK",
    "CHECK_BATCH",
    "CHECK_BATCH_BRIEF",
    "CHECK_BATCH_FINDINGS",
    "CHECK_BATCH_RESULT",
    "CHECK_BRIEF",
    "CHECK_FINDINGS",
    "CHECK_REQUEST",
    "CHECK_RESULT",
    "DRILLING_BATCH",
    "DRILLING_BATCH_RESULT",
    "DRILLING_REQUEST",
    "DRILLING_RESULT",
    "KINDS",
    "LOT_REQUEST",
    "PROBLEM",
    "RULEBOOKS_RESULT",
    "RULEBOOK_QUERY",
    "Problem",
    "Quantity",
    "QuantityField",
    "ValidationError",
    "example",
    "example_names",
    "example_text",
    "flatten",
    "load_check_body",
    "load_drilling_body",
    "openapi_document",
    "unit_size",
    "validation_problem",
]
