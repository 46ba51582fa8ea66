"""The contract of ballgauge: requests, answers and problems, as marshmallow schemas."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
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

_HOMES = {
    "marshmallow": "ValidationError",
    "ballgauge_schemas.check.answer": (
        "CHECK_BATCH_BRIEF CHECK_BATCH_FINDINGS CHECK_BATCH_RESULT CHECK_BRIEF CHECK_FINDINGS "
        "CHECK_RESULT DRILLING_BATCH_RESULT DRILLING_RESULT RULEBOOKS_RESULT"
    ),
    "ballgauge_schemas.check.request": (
        "CHECK CHECK_BATCH CHECK_REQUEST DRILLING_BATCH DRILLING_REQUEST RULEBOOK_QUERY "
        "load_check_body load_drilling_body"
    ),
    "ballgauge_schemas.lot.request": "LOT_REQUEST",
    "ballgauge_schemas.shared.documents": "example example_names example_text openapi_document",
    "ballgauge_schemas.shared.problems": "PROBLEM Problem flatten validation_problem",
    "ballgauge_schemas.shared.quantity": "KINDS Quantity QuantityField unit_size",
}
"""Where each name lives; it is loaded with its first use, so that a check never loads a lot's schemas."""

_HOME = {name: home for home, names in _HOMES.items() for name in names.split()}


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = globals()[name] = getattr(import_module(home), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
