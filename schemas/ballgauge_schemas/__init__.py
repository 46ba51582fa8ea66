"""The contract of ballgauge: requests, answers and problems, as marshmallow schemas."""

from marshmallow import ValidationError

from .checks import (
    CHECK_BATCH,
    CHECK_REQUEST,
    DRILLING_BATCH,
    DRILLING_REQUEST,
    RULEBOOK_QUERY,
    load_check_body,
    load_drilling_body,
)
from .documents import example, example_names, example_text, openapi_document
from .lots import LOT_REQUEST
from .problems import PROBLEM, Problem, flatten, validation_problem
from .quantity import KINDS, Quantity, QuantityField, unit_size
from .responses import (
    CHECK_BATCH_RESULT,
    CHECK_RESULT,
    DRILLING_BATCH_RESULT,
    DRILLING_RESULT,
    RULEBOOKS_RESULT,
)

__all__ = [
    "CHECK_BATCH",
    "CHECK_BATCH_RESULT",
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
