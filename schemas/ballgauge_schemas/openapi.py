"""Writes the OpenAPI 3.1 document from the schemas: `python -m ballgauge_schemas.openapi`."""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path
from typing import Any

from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin
from marshmallow import missing

from ballgauge_schemas.check.answer import (
    CheckBatchBriefSchema,
    CheckBatchFindingsSchema,
    CheckBatchResultSchema,
    CheckBriefSchema,
    CheckFindingsSchema,
    CheckResultSchema,
    DrillingBatchResultSchema,
    DrillingResultSchema,
    RulebooksSchema,
    StateSchema,
)
from ballgauge_schemas.check.request import (
    CheckBatchSchema,
    CheckRequestSchema,
    DrillingBatchSchema,
    DrillingRequestSchema,
    RulebookQuerySchema,
)
from ballgauge_schemas.design.answer import DesignEventSchema, DesignResultSchema
from ballgauge_schemas.design.request import (
    DesignRequestSchema,
    SolidField,
    design_example,
    design_example_names,
)
from ballgauge_schemas.lot.answer import LotResultSchema, LotRowSchema, LotSeriesResultSchema
from ballgauge_schemas.lot.request import LOT_ANSWERS, LOT_BODIES, LotRequestSchema
from ballgauge_schemas.motion.answer import MotionResultSchema
from ballgauge_schemas.motion.request import MotionRequestSchema, motion_example, motion_example_names
from ballgauge_schemas.record.documents import (
    RECORD_FILES,
    PublicKeysSchema,
    RecordPrintSchema,
    RecordRequestSchema,
    RecordTextSchema,
    RecordVerificationSchema,
    SignedRecordSchema,
    VerifiedRecordSchema,
)
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.access import ANY_SCOPE, NEEDED
from ballgauge_schemas.shared.deprecations import mark
from ballgauge_schemas.shared.documents import example, example_names
from ballgauge_schemas.shared.links import LINKS
from ballgauge_schemas.shared.problems import MEDIA_TYPE, ProblemSchema
from ballgauge_schemas.shared.quantity import TEXT_MAXIMUM, TEXT_PATTERN, UNIT_MAXIMUM, QuantityField

OPENAPI_VERSION = "3.1.0"

DESCRIPTION = """\
Tells whether a ten-pin bowling ball, as made and as drilled, meets the published equipment rules, and what \
drilling does to it.

A quantity is a number in the field's trade unit (`x-unit`), a string with a unit such as `6.85 kg` or \
`6 3/4 in`, or an object with `value`, `unit` and a standard `uncertainty` (GUM, k = 1). Limits are those of \
the trade unit, whatever unit is given. Answers carry numbers in trade units.

Errors are problem details (RFC 9457) with a JSON pointer (RFC 6901) to every bad field, all at once. No \
answer says that a ball is approved: only the governing body approves.
"""

LOTS_DESCRIPTION = """\
The file is CSV, NDJSON, XLSX or Parquet; its columns are a ball's fields, with a unit in brackets where it \
is not the trade's. It is read as it comes.

`Accept` chooses the answer: `application/json` the lot; `application/x-ndjson` every ball once it is \
judged, then a line with `lot`, or with `problem` where none stands; `text/csv` or \
`application/vnd.apache.parquet` every ball; `text/html` the report; `application/zip` all of them in an \
archive (`lot.json`, `report.html`, `balls.csv`). Rows that cannot be read as a ball are left out, counted \
first; a file that cannot be read as a whole is refused, and none of it counts.
"""

DESIGNS_DESCRIPTION = """\
The mass properties and the findings of approval are always answered; the rest where it is asked for. \
Numbers are in closed form, or have a stated error bound. The same request, seeds included, gives the same \
bytes.

`Accept: application/x-ndjson` gives lines of `progress` and then a line with `result`, or with `problem`; \
closing the connection ends the work. What would take minutes is refused in words: work is counted from what \
is asked, and a clock of 90 s is the last resort.
"""

MOTIONS_DESCRIPTION = """\
One delivery is always answered, its path until then where the ball leaves the lane or stops; the studies \
where they are asked for. The same request, seeds included, gives the same bytes. `Accept: text/html` gives \
`picture` as one file that needs nothing else. The deliveries of one request are bounded, so that no answer \
takes minutes.
"""

PROBLEMS = {
    400: ("Malformed", "The body is not JSON."),
    401: ("NoAccess", "The service asks for an access key, and none that is valid was sent (RFC 6750)."),
    403: ("OutOfScope", "The access key is not for this: it lacks the scope."),
    405: ("MethodNotAllowed", "The path does not take this method."),
    406: ("NotAcceptable", "No answer of the types asked for."),
    408: ("TooSlow", "The body comes too slowly."),
    409: ("NoKeys", "The service has no key to sign with, or keys that it cannot use."),
    413: ("TooLarge", "The body is larger than 1 MiB; a lot's file, larger than the service takes."),
    415: ("UnsupportedMediaType", "The body is of no type that the path takes."),
    422: ("Unprocessable", "The request does not meet the contract; every bad field is named."),
    429: ("TooManyRequests", "The limit of this key, or of this address, is used up."),
    503: ("Unready", "The service is not ready, or has more to do than it can; ask again."),
    507: ("NoRoom", "No room is left for temporary files; try again later, or send less."),
}

_HEADERS = {
    401: ("WWW-Authenticate",),
    403: ("WWW-Authenticate",),
    429: ("Retry-After",),
    503: ("Retry-After",),
}
"""Headers that come with a problem, by status."""

_HEADER_SCHEMAS = {
    "WWW-Authenticate": {
        "description": "The challenge: `Bearer`, with `error` and `scope` as RFC 6750 has them.",
        "schema": {"type": "string", "examples": ['Bearer realm="ballgauge", error="invalid_token"']},
    },
    "Retry-After": {
        "description": "Seconds after which to ask again.",
        "schema": {"type": "integer", "minimum": 0, "examples": [2]},
    },
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


def _solid2properties(converter: Any, field: Any, **_: Any) -> dict[str, Any]:
    """Describe a solid by the schemas of all shapes; apispec calls this with every field."""
    if not isinstance(field, SolidField):
        return {}
    return {"oneOf": [converter.resolve_nested_schema(schema) for schema in field.schemas]}


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
        self.converter.add_attribute_function(_solid2properties)  # type: ignore[no-untyped-call]


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
    operation: str, summary: str, requests: tuple[type, type], answers: tuple[type, ...]
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


def _lots() -> dict[str, Any]:
    """The path of lots: a file in, as it is or in a form, and answers of several types out."""
    binary = {"type": "string", "format": "binary", "description": "The file's bytes."}
    form = {
        "type": "object",
        "description": "The options first, then the file; several files are lots in time order.",
        "required": ["file"],
        "properties": {
            "options": LotRequestSchema,
            "file": {"type": "array", "items": binary, "minItems": 1, "maxItems": 100},
        },
    }
    answers = {
        "application/json": {"schema": {"oneOf": [LotResultSchema, LotSeriesResultSchema]}},
        "application/x-ndjson": {
            "schema": {"type": "string", "description": "Lines of JSON, each but the last as `LotRow`."},
            "x-line-schema": {"$ref": "#/components/schemas/LotRow"},
        },
        **{media: {"schema": binary} for media in LOT_ANSWERS},
        "text/html": {"schema": {"type": "string", "description": "The report, one file."}},
    }
    return {
        "post": {
            "operationId": "assessLot",
            "summary": "Whether a lot is accepted, from the measurements of its balls",
            "description": LOTS_DESCRIPTION,
            "tags": ["lots"],
            "parameters": [
                {
                    "name": "options",
                    "in": "query",
                    "description": "How the lot is judged, as JSON; for a body that is the file itself.",
                    "content": {"application/json": {"schema": LotRequestSchema}},
                },
                {
                    "name": "name",
                    "in": "query",
                    "description": "Name of the file, where the body is the file itself.",
                    "schema": {"type": "string", "maxLength": 200},
                },
                {
                    "name": "rows",
                    "in": "query",
                    "description": "Form of the balls' rows in an archive.",
                    "schema": {"type": "string", "enum": list(words.ROW_FORMATS), "default": "csv"},
                },
            ],
            "requestBody": {
                "required": True,
                "description": "The file, or a form with options and file.",
                "content": {
                    "multipart/form-data": {
                        "schema": form,
                        "encoding": {"options": {"contentType": "application/json"}},
                    },
                    **{media: {"schema": binary} for media in LOT_BODIES},
                },
            },
            "responses": {
                "200": {
                    "description": "The lot, judged.",
                    "headers": {"X-Request-Id": {"$ref": "#/components/headers/RequestId"}},
                    "content": answers,
                },
                **{str(code): _problem(code) for code in (400, 405, 406, 413, 415, 422)},
            },
        }
    }


def _designs() -> dict[str, Any]:
    """The path of designs: JSON or a form with meshes in, and an answer with or without its progress."""
    binary = {"type": "string", "format": "binary", "description": "A mesh."}
    form = {
        "type": "object",
        "description": "The request as JSON first, then the meshes, each under the file name the design has.",
        "required": ["options", "file"],
        "properties": {
            "options": DesignRequestSchema,
            "file": {"type": "array", "items": binary, "minItems": 1, "maxItems": 16},
        },
    }
    summaries = {name: name.replace("_", " ").capitalize() for name in design_example_names()}
    examples = {name: {"summary": words, "value": design_example(name)} for name, words in summaries.items()}
    return {
        "post": {
            "operationId": "design",
            "summary": "Mass properties of a layered design, drilled, compared, solved for and in production",
            "description": DESIGNS_DESCRIPTION,
            "tags": ["designs"],
            "requestBody": {
                "required": True,
                "description": "JSON of at most 1 MiB, or a form of at most "
                f"{limits.MESH_BYTES_MAXIMUM >> 20} MiB.",
                "content": {
                    "application/json": {"schema": DesignRequestSchema, "examples": examples},
                    "multipart/form-data": {
                        "schema": form,
                        "encoding": {"options": {"contentType": "application/json"}},
                    },
                },
            },
            "responses": {
                "200": {
                    "description": "The answer.",
                    "headers": {"X-Request-Id": {"$ref": "#/components/headers/RequestId"}},
                    "content": {
                        "application/json": {"schema": DesignResultSchema},
                        "application/x-ndjson": {
                            "schema": {"type": "string", "description": "JSON lines, each a `DesignEvent`."},
                            "x-line-schema": {"$ref": "#/components/schemas/DesignEvent"},
                        },
                    },
                },
                **{str(code): _problem(code) for code in (400, 405, 406, 413, 415, 422)},
            },
        }
    }


def _motions() -> dict[str, Any]:
    """The path of motions: JSON in, numbers or a picture out."""
    summaries = {name: name.replace("_", " ").capitalize() for name in motion_example_names()}
    examples = {name: {"summary": words, "value": motion_example(name)} for name, words in summaries.items()}
    return {
        "post": {
            "operationId": "motion",
            "summary": "What a ball does on the lane, alone, scattered, beside others and explained",
            "description": MOTIONS_DESCRIPTION,
            "tags": ["motions"],
            "requestBody": {
                "required": True,
                "description": "At most 1 MiB.",
                "content": {"application/json": {"schema": MotionRequestSchema, "examples": examples}},
            },
            "responses": {
                "200": {
                    "description": "The answer.",
                    "headers": {"X-Request-Id": {"$ref": "#/components/headers/RequestId"}},
                    "content": {
                        "application/json": {"schema": MotionResultSchema},
                        "text/html": {"schema": {"type": "string", "description": "The picture, one file."}},
                    },
                },
                **{str(code): _problem(code) for code in (400, 405, 406, 413, 415, 422)},
            },
        }
    }


def _record_post(operation: str, summary: str, asked: Any, answer: dict[str, Any]) -> dict[str, Any]:
    content = asked if isinstance(asked, dict) else {"application/json": {"schema": asked}}
    return {
        "post": {
            "operationId": operation,
            "summary": summary,
            "tags": ["records"],
            "requestBody": {"required": True, "description": "At most 1 MiB.", "content": content},
            "responses": {
                "200": answer,
                **{str(code): _problem(code) for code in (400, 405, 409, 413, 415, 422)},
            },
        }
    }


def _records() -> dict[str, dict[str, Any]]:
    """The paths of signed records."""
    binary = {"type": "string", "format": "binary", "description": "The file's bytes."}
    printed = {
        "description": "The print.",
        "headers": {"X-Request-Id": {"$ref": "#/components/headers/RequestId"}},
        "content": {media: {"schema": binary} for media in ("application/pdf", "image/png")},
    }
    return {
        "/v1/records": _record_post(
            "sign",
            "Check a ball and sign the verdict",
            RecordRequestSchema,
            _json(SignedRecordSchema, "The record."),
        ),
        "/v1/records/verify": _record_post(
            "verify",
            "Whether a record is genuine, and whether the rules have changed since",
            RecordVerificationSchema,
            _json(VerifiedRecordSchema, "What has become of it."),
        ),
        "/v1/records/read": _record_post(
            "readRecord",
            "Read a record out of a picture of its code, or out of the PDF it was printed to",
            {media: {"schema": binary} for media in RECORD_FILES},
            _json(RecordTextSchema, "The record, not yet verified."),
        ),
        "/v1/records/prints": _record_post(
            "printRecord", "Print a genuine record, as a page, a label or a code", RecordPrintSchema, printed
        ),
        "/v1/records/keys": _get(
            "recordKeys",
            "The public keys that verify this service's records",
            "records",
            _json(PublicKeysSchema, "A JWK set (RFC 7517)."),
            (405, 409),
        ),
    }


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
            (
                CheckResultSchema,
                CheckBatchResultSchema,
                CheckFindingsSchema,
                CheckBatchFindingsSchema,
                CheckBriefSchema,
                CheckBatchBriefSchema,
            ),
        ),
        "/v1/drillings": _post(
            "drill",
            "What a drilling does to a ball",
            (DrillingRequestSchema, DrillingBatchSchema),
            (DrillingResultSchema, DrillingBatchResultSchema),
        ),
        "/v1/lots": _lots(),
        "/v1/designs": _designs(),
        "/v1/motions": _motions(),
        **_records(),
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


def _guarded(paths: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Add who may ask, and the answers to whoever may not, or not now; keys are asked for where set up so."""
    for path, operations in paths.items():
        scope = NEEDED.get(path)
        codes = [*((401, 403) if scope else ()), *((429, 503) if path.startswith("/v1/") else ())]
        for method, operation in operations.items():
            if method == "post":
                codes = [*codes, 408, 507]
            if scope:
                operation["security"] = [{"accessKey": [] if scope == ANY_SCOPE else [scope]}, {}]
            answers = operation["responses"] | {str(code): _problem(code) for code in codes}
            operation["responses"] = dict(sorted(answers.items()))
    return paths


def _linked(operations: dict[str, Any]) -> dict[str, Any]:
    """Operations of a path with the links of their answers."""
    for operation in operations.values():
        if operation["operationId"] in LINKS:
            operation["responses"]["200"]["links"] = dict(LINKS[operation["operationId"]])
    return operations


def build() -> dict[str, Any]:
    """Build the OpenAPI 3.1 document from the schemas."""
    names = _Names()
    plugin = _Plugin(schema_name_resolver=names)
    spec = APISpec(
        title="Ballgauge",
        version=version("ballgauge"),
        openapi_version=OPENAPI_VERSION,
        plugins=[plugin],
        info={"description": DESCRIPTION, "license": {"name": "MIT", "identifier": "MIT"}},
        tags=[
            {"name": "balls", "description": "Balls, as made and as drilled."},
            {"name": "lots", "description": "Deliveries of many balls."},
            {"name": "designs", "description": "Balls that are still drawings."},
            {"name": "motions", "description": "Balls on the lane."},
            {"name": "records", "description": "Signed records of verdicts."},
            {"name": "rules", "description": "The rulebooks."},
            {"name": "service", "description": "The service itself."},
        ],
    )
    spec.components.schema("QuantityText", _QUANTITY_TEXT)
    spec.components.schema("QuantityObject", _QUANTITY_OBJECT)
    spec.components.schema("LotRow", schema=LotRowSchema)
    spec.components.schema("DesignEvent", schema=DesignEventSchema)
    spec.components.header(
        "RequestId",
        {
            "description": "The request's id, as the service's log knows it.",
            "schema": {"type": "string", "examples": ["5f0c2a9be1d24c7f"]},
        },
    )
    spec.components.security_scheme(
        "accessKey",
        {
            "type": "http",
            "scheme": "bearer",
            "bearerFormat": "ballgauge_<id>_<secret>",
            "description": "An access key, where the service asks for one; its scopes say what it is for.",
        },
    )
    for code, (name, description) in PROBLEMS.items():
        headers = {header: _HEADER_SCHEMAS[header] for header in _HEADERS.get(code, ())}
        answer = {"description": description, "content": {MEDIA_TYPE: {"schema": ProblemSchema}}}
        spec.components.response(name, answer | ({"headers": headers} if headers else {}))
    for path, operations in _guarded(_paths()).items():
        spec.path(path=path, operations=_linked(operations))
    document: dict[str, Any] = json.loads(json.dumps(spec.to_dict()))
    for name, schema in names.classes.items():
        document["components"]["schemas"][name]["description"] = " ".join((schema.__doc__ or "").split())
    mark(document)
    return document


def text() -> str:
    """Write the document as it is committed."""
    return json.dumps(build(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    (Path(__file__).parent / "openapi.json").write_text(text(), encoding="utf-8")
