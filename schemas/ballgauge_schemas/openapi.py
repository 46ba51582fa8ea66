"""Writes the OpenAPI 3.1 document from the schemas: `python -m ballgauge_schemas.openapi`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin
from marshmallow import missing

from .checks import (
    CheckBatchSchema,
    CheckRequestSchema,
    DrillingBatchSchema,
    DrillingRequestSchema,
    RulebookQuerySchema,
)
from .documents import example, example_names
from .problems import MEDIA_TYPE, ProblemSchema
from .quantity import TEXT_MAXIMUM, TEXT_PATTERN, UNIT_MAXIMUM, QuantityField
from .responses import (
    CheckBatchResultSchema,
    CheckResultSchema,
    DrillingBatchResultSchema,
    DrillingResultSchema,
    RulebooksSchema,
    StateSchema,
)

OPENAPI_VERSION = "3.1.0"
API_VERSION = "1.0.0"

DESCRIPTION = """\
Tells whether a ten-pin bowling ball, as made and as drilled, meets the published equipment rules, and what \
drilling does to it.

A quantity is a number in the field's trade unit (`x-unit`), a string with a unit such as `6.85 kg` or \
`6 3/4 in`, or an object with `value`, `unit` and a standard `uncertainty` (GUM, k = 1). Limits are those of \
the trade unit, whatever unit is given. Answers carry numbers in trade units.

Errors are problem details (RFC 9457) with a JSON pointer (RFC 6901) to every bad field, all at once. No \
answer says that a ball is approved: only the governing body approves.
"""

PROBLEMS = {
    400: ("Malformed", "The body is not JSON."),
    405: ("MethodNotAllowed", "The path does not take this method."),
    413: ("TooLarge", "The body is larger than 1 MiB."),
    415: ("UnsupportedMediaType", "The body is not application/json."),
    422: ("Unprocessable", "The request does not meet the contract; every bad field is named."),
    503: ("Unready", "The service is not ready."),
}

_QUANTITY_TEXT = {
    "type": "string",
    "description": "Number and unit, with a decimal point or a fraction, or several such parts.",
    "pattern": TEXT_PATTERN,
    "maxLength": TEXT_MAXIMUM,
    "examples": ["6.85 kg", "6 3/4 in", "2 min 15 s"],
}

_QUANTITY_OBJECT = {
    "type": "object",
    "description": "Value, unit and standard uncertainty of a measurement.",
    "required": ["value"],
    "additionalProperties": False,
    "properties": {
        "value": {"type": "number", "description": "The value, in `unit`.", "examples": [218.2]},
        "unit": {
            "type": "string",
            "maxLength": TEXT_MAXIMUM,
            "description": f"The unit, at most {UNIT_MAXIMUM} characters; the trade unit where absent.",
            "examples": ["mm"],
        },
        "uncertainty": {
            "type": "number",
            "minimum": 0,
            "description": "Standard uncertainty, in `unit`; at most the width of the field's range.",
            "examples": [0.05],
        },
    },
    "examples": [{"value": 218.2, "unit": "mm", "uncertainty": 0.05}],
}


def _quantity2properties(_converter: Any, field: Any, **_: Any) -> dict[str, Any]:
    """Describe the three ways to write a quantity; apispec calls this with every field."""
    if not isinstance(field, QuantityField):
        return {}
    lowest = "exclusiveMinimum" if field.exclusive_minimum else "minimum"
    number = {"type": "number", lowest: field.minimum, "maximum": field.maximum}
    properties: dict[str, Any] = {
        "oneOf": [
            number,
            {"$ref": "#/components/schemas/QuantityText"},
            {"$ref": "#/components/schemas/QuantityObject"},
        ]
    }
    if field.load_default is not missing:
        properties["default"] = field.load_default.value
    return properties


class _Names:
    """Names a component after its schema class, and keeps the class for its description."""

    def __init__(self) -> None:
        self.classes: dict[str, type] = {}

    def __call__(self, schema: Any) -> str:
        found = schema if isinstance(schema, type) else type(schema)
        name = found.__name__.removesuffix("Schema")
        self.classes[name] = found
        return name


class _Plugin(MarshmallowPlugin):
    def init_spec(self, spec: APISpec) -> None:
        super().init_spec(spec)
        assert self.converter is not None
        self.converter.add_attribute_function(_quantity2properties)  # type: ignore[no-untyped-call]


def _problem(code: int) -> dict[str, Any]:
    return {"$ref": f"#/components/responses/{PROBLEMS[code][0]}"}


def _json(schema: Any, description: str) -> dict[str, Any]:
    return {
        "description": description,
        "headers": {"X-Request-Id": {"$ref": "#/components/headers/RequestId"}},
        "content": {"application/json": {"schema": schema}},
    }


def _examples(drillings: bool) -> dict[str, Any]:
    return {
        name: {"summary": name.replace("_", " ").capitalize(), "value": example(name)}
        for name in example_names(drillings=drillings)
    }


def _post(
    operation: str,
    summary: str,
    requests: tuple[type, type],
    answers: tuple[type, type],
) -> dict[str, Any]:
    return {
        "post": {
            "operationId": operation,
            "summary": summary,
            "tags": ["balls"],
            "requestBody": {
                "required": True,
                "description": "One, or up to a thousand; at most 1 MiB.",
                "content": {
                    "application/json": {
                        "schema": {"oneOf": list(requests)},
                        "examples": _examples(operation == "drill"),
                    }
                },
            },
            "responses": {
                "200": _json({"oneOf": list(answers)}, "The answer, or the answers in the same order."),
                **{str(code): _problem(code) for code in (400, 405, 413, 415, 422)},
            },
        }
    }


def _get(
    operation: str, summary: str, tag: str, answer: dict[str, Any], codes: tuple[int, ...]
) -> dict[str, Any]:
    responses = {"200": answer, **{str(code): _problem(code) for code in codes}}
    return {"get": {"operationId": operation, "summary": summary, "tags": [tag], "responses": responses}}


def _paths() -> dict[str, dict[str, Any]]:
    rulebooks = _get(
        "rulebooks",
        "The rules, as data",
        "rules",
        _json(RulebooksSchema, "The rulebooks asked for."),
        (405, 422),
    )
    rulebooks["get"]["parameters"] = [{"in": "query", "schema": RulebookQuerySchema}]
    any_object = {"type": "object", "description": "An OpenAPI 3.1 document."}
    return {
        "/v1/checks": _post(
            "check",
            "Whether a ball meets the rules, as made or as drilled",
            (CheckRequestSchema, CheckBatchSchema),
            (CheckResultSchema, CheckBatchResultSchema),
        ),
        "/v1/drillings": _post(
            "drill",
            "What a drilling does to a ball",
            (DrillingRequestSchema, DrillingBatchSchema),
            (DrillingResultSchema, DrillingBatchResultSchema),
        ),
        "/v1/rulebooks": rulebooks,
        "/openapi.json": _get(
            "openapi", "This document", "service", _json(any_object, "The document."), (405,)
        ),
        "/healthz": _get(
            "healthz", "Whether the service lives", "service", _json(StateSchema, "It lives."), (405,)
        ),
        "/readyz": _get(
            "readyz", "Whether the service can answer", "service", _json(StateSchema, "It can."), (405, 503)
        ),
    }


def build() -> dict[str, Any]:
    """Build the OpenAPI 3.1 document from the schemas."""
    names = _Names()
    plugin = _Plugin(schema_name_resolver=names)
    spec = APISpec(
        title="Ballgauge",
        version=API_VERSION,
        openapi_version=OPENAPI_VERSION,
        plugins=[plugin],
        info={"description": DESCRIPTION, "license": {"name": "MIT", "identifier": "MIT"}},
        tags=[
            {"name": "balls", "description": "Balls, as made and as drilled."},
            {"name": "rules", "description": "The rulebooks."},
            {"name": "service", "description": "The service itself."},
        ],
    )
    spec.components.schema("QuantityText", _QUANTITY_TEXT)
    spec.components.schema("QuantityObject", _QUANTITY_OBJECT)
    spec.components.header(
        "RequestId",
        {
            "description": "The request's id, as the service's log knows it.",
            "schema": {"type": "string", "examples": ["5f0c2a9be1d24c7f"]},
        },
    )
    for name, description in PROBLEMS.values():
        spec.components.response(
            name, {"description": description, "content": {MEDIA_TYPE: {"schema": ProblemSchema}}}
        )
    for path, operations in _paths().items():
        spec.path(path=path, operations=operations)
    document: dict[str, Any] = json.loads(json.dumps(spec.to_dict()))
    for name, schema in names.classes.items():
        document["components"]["schemas"][name]["description"] = " ".join((schema.__doc__ or "").split())
    return document


def text() -> str:
    """Write the document as it is committed."""
    return json.dumps(build(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    (Path(__file__).parent / "openapi.json").write_text(text(), encoding="utf-8")
