"""Writes the OpenAPI 3.1 document from the schemas: `python -m ballgauge_schemas.openapi`."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Iterator, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any

from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin

from ballgauge_schemas.check.answer import (
    AnyPart,
    CheckBatchBriefSchema,
    CheckBatchCollectedSchema,
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
    SheetRequestSchema,
)
from ballgauge_schemas.design.answer import DesignEventSchema, DesignResultSchema
from ballgauge_schemas.design.request import DESIGN_ANSWERS, DesignRequestSchema, SolidField
from ballgauge_schemas.lot.answer import LotResultSchema, LotRowSchema, LotSeriesResultSchema
from ballgauge_schemas.lot.request import LOT_ANSWERS, LOT_BODIES, LotRequestSchema
from ballgauge_schemas.motion.answer import MotionResultSchema
from ballgauge_schemas.motion.lineup_answer import LineupEventSchema, LineupResultSchema
from ballgauge_schemas.motion.lineup_request import LineupRequestSchema
from ballgauge_schemas.motion.request import MotionRequestSchema
from ballgauge_schemas.record.documents import (
    RECORD_FILES,
    PublicKeysSchema,
    RecordPrintSchema,
    RecordRequestSchema,
    RecordTextSchema,
    RecordVerificationSchema,
    SignedLotSchema,
    SignedRecordSchema,
    VerifiedRecordSchema,
)
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.access import ANY_SCOPE, NEEDED
from ballgauge_schemas.shared.deprecations import mark
from ballgauge_schemas.shared.documents import (
    design_example,
    design_example_names,
    example,
    example_names,
    lineup_example,
    lineup_example_names,
    motion_example,
    motion_example_names,
)
from ballgauge_schemas.shared.links import LINKS
from ballgauge_schemas.shared.overlay import Conditions, End, OverlayField
from ballgauge_schemas.shared.problems import MEDIA_TYPE, ProblemSchema
from ballgauge_schemas.shared.quantity import TEXT_MAXIMUM, TEXT_PATTERN, UNIT_MAXIMUM, QuantityField

OPENAPI_VERSION = "3.1.0"
NDJSON = "application/x-ndjson"

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
`application/vnd.apache.parquet` every ball; `text/html` or `application/pdf` the report, in the language \
and units of `report`; `application/zip` all of them in an archive (`lot.json`, `report.html`, `balls.csv`). \
Rows that cannot be read as a ball are left out, counted first; a file that cannot be read as a whole is \
refused, and none of it counts.
"""

DESIGNS_DESCRIPTION = """\
The mass properties and the findings of approval are always answered; the rest where it is asked for. \
Numbers are in closed form, or have a stated error bound. The same request, seeds included, gives the same \
bytes.

`Accept: application/x-ndjson` gives lines of `progress` and then a line with `result`, or with `problem`; \
closing the connection ends the work. What would take minutes is refused in words: work is counted from what \
is asked, and a clock of 90 s is the last resort.

`text/html` or `application/pdf` gives the report, `image/svg+xml` the dimensioned drawing, `model/3mf`, \
`model/stl` or, where Open CASCADE is installed, `model/step` the solids in millimeters, each whole and by \
itself, round ones of the first two by facets within 0.001 in: of the design, or of the best that is solved \
for. `application/zip` gives the answer (`design.json`) with the files that the query names, of a set a \
drawing and a model for each ball.
"""

MOTIONS_DESCRIPTION = """\
One delivery is always answered, its path until then where the ball leaves the lane or stops; the studies \
where they are asked for. The same request, seeds included, gives the same bytes. `Accept: text/html` gives \
`picture` as one file that needs nothing else. The deliveries of one request are bounded, so that no answer \
takes minutes.
"""

_BODY = f"{limits.BODY_MAXIMUM >> 20} MiB"
LINEUPS_DESCRIPTION = """\
Every ball is thrown by the same releases, so that the difference of two is known better than the place of \
either. `Accept` chooses the answer: `application/json` the numbers, with the sheets that `sheet.formats` \
names; `application/x-ndjson` lines of `progress` and then one with `result`, or with `problem`; \
`text/html`, `application/pdf` or `image/svg+xml` the sheet alone. The same request, seed included, gives \
the same bytes.
"""


PROBLEMS = {
    400: ("Malformed", "The body is not JSON."),
    401: ("NoAccess", "No valid access key was sent, and this service asks for one (RFC 6750)."),
    403: ("OutOfScope", "The access key lacks the scope."),
    405: ("MethodNotAllowed", "The path does not take this method."),
    406: ("NotAcceptable", "None of the media types in Accept is available."),
    408: ("TooSlow", "The body arrived too slowly."),
    409: ("NoKeys", "The service has no signing key, or keys that it cannot use."),
    413: ("TooLarge", f"The body is larger than {_BODY}; a lot's file, larger than the service takes."),
    415: ("UnsupportedMediaType", "The path does not take a body of this media type."),
    421: ("Misdirected", "The request is addressed to another host than this service's."),
    422: ("Unprocessable", "The request does not meet the contract; every bad field is named."),
    429: ("TooManyRequests", "The rate limit of this key or address is used up."),
    503: ("Unready", "The service is not ready, or overloaded; retry."),
    507: ("NoRoom", "No space left for temporary files; retry later, or send less."),
}
_CHALLENGE = {
    "WWW-Authenticate": {
        "description": "The challenge: `Bearer`, with `error` and `scope` as in RFC 6750.",
        "schema": {"type": "string", "examples": ['Bearer realm="ballgauge", error="invalid_token"']},
    }
}
_WAIT = {
    "Retry-After": {
        "description": "Seconds to wait before a retry.",
        "schema": {"type": "integer", "minimum": 0, "examples": [2]},
    }
}
_HEADERS = {401: _CHALLENGE, 403: _CHALLENGE, 429: _WAIT, 503: _WAIT}
"""Headers that come with a problem, by status."""

_TOO_LONG = "The address with its query is longer than the server reads; the body is empty."
"""Said by the server before the service hears of it, so that there are no problem details."""

KEPT = ("/v1/rulebooks", "/openapi.json")
"""Addresses whose answers a caller may keep, and ask about again by their digest."""

_SAME = "The answer is still the one of the digest in If-None-Match; the body is empty."

_BINARY = {"type": "string", "format": "binary", "description": "The file's bytes."}

_QUANTITY_TEXT = {
    "type": "string",
    "description": "Number and unit, with a decimal point, a decimal comma (thousands have no mark) or "
    "a fraction, or several such parts; behind ± the standard uncertainty. A weight may be written 14-8 in "
    "pounds and ounces, a time 11:20 in minutes and seconds.",
    "pattern": TEXT_PATTERN,
    "maxLength": TEXT_MAXIMUM,
}

_QUANTITY_OBJECT = {
    "type": "object",
    "description": "Value, unit and standard uncertainty of a measurement.",
    "required": ["value"],
    "additionalProperties": False,
    "properties": {
        "value": {"type": "number", "description": "The value, in `unit`."},
        "unit": {
            "type": "string",
            "maxLength": TEXT_MAXIMUM,
            "description": f"The unit, at most {UNIT_MAXIMUM} characters; default: the trade unit.",
        },
        "uncertainty": {
            "type": "number",
            "minimum": 0,
            "description": "Standard uncertainty, in `unit`; at most the width of the field's range.",
        },
    },
}


def _own_properties(converter: Any, field: Any, ret: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Describe a quantity by the ways to write it, a solid by all shapes; apispec asks of every field."""
    if isinstance(field, OverlayField):
        whole = {"$ref": ret.pop("$ref", None) or ret.pop("allOf")[0]["$ref"]}
        return {"oneOf": [converter.field2property(field.name_of), whole]}
    if isinstance(field, Conditions):
        names = ("type", "items", "minItems", "maxItems")
        several = {name: ret.pop(name) for name in names if name in ret}
        return {"anyOf": [several["items"], several]}
    if isinstance(field, End):
        number = {name: ret.pop(name) for name in ("type", "minimum", "maximum", "x-unit")}
        return {"anyOf": [number, converter.field2property(field.day)]}
    if isinstance(field, AnyPart):
        ret.pop("$ref", None)
        ret.pop("allOf", None)
        return {"anyOf": [converter.resolve_nested_schema(schema) for schema in field.schemas]}
    if isinstance(field, SolidField):
        return {"oneOf": [converter.resolve_nested_schema(schema) for schema in field.schemas]}
    if not isinstance(field, QuantityField):
        # apispec knows the words of OpenAPI 3.0, which has none for the names of free members.
        return {name: told for name, told in field.metadata.items() if name == "propertyNames"}
    lowest = "exclusiveMinimum" if field.exclusive_minimum else "minimum"
    number = {"type": "number", lowest: field.minimum, "maximum": field.maximum}
    return {
        "oneOf": [number, *({"$ref": f"#/components/schemas/Quantity{way}"} for way in ("Text", "Object"))]
    }


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
        self.converter.add_attribute_function(_own_properties)  # type: ignore[no-untyped-call]


def _problems(*codes: int) -> dict[str, Any]:
    return {str(code): {"$ref": f"#/components/responses/{PROBLEMS[code][0]}"} for code in codes}


def _answer(content: Any, description: str) -> dict[str, Any]:
    """An answer: one schema as JSON, or several media types with what each holds."""
    media = content if isinstance(content, dict) and {"type", "oneOf", "anyOf"}.isdisjoint(content) else None
    return {
        "description": description,
        "headers": {"X-Request-Id": {"$ref": "#/components/headers/RequestId"}},
        "content": media or {"application/json": {"schema": content}},
    }


def _operation(
    method: str, name: str, summary: str, tag: str, answer: dict[str, Any], codes: Sequence[int], **more: Any
) -> dict[str, Any]:
    responses = {"200": answer, **_problems(*codes)}
    return {method: {"operationId": name, "summary": summary, "tags": [tag], **more, "responses": responses}}


def _get(*given: Any, **more: Any) -> dict[str, Any]:
    return _operation("get", *given, **more)


def _post(
    name: str, summary: str, tag: str, answer: dict[str, Any], content: dict[str, Any], **more: Any
) -> dict[str, Any]:
    """A request with a body; `codes` and the body's `about` may be others than those of JSON."""
    codes = more.pop("codes", (400, 405, 413, 415, 422))
    body = {"required": True, "description": more.pop("about", f"At most {_BODY}."), "content": content}
    return _operation("post", name, summary, tag, answer, codes, requestBody=body, **more)


def _examples(names: Sequence[str], request: Callable[[str], Any]) -> dict[str, Any]:
    return {name: {"summary": name.replace("_", " ").capitalize(), "value": request(name)} for name in names}


def _form(description: str, options: type, file: str, most: int, *required: str) -> dict[str, Any]:
    """A form of options as JSON, and files."""
    files = {"type": "array", "items": _BINARY | {"description": file}, "minItems": 1, "maxItems": most}
    return {
        "schema": {
            "type": "object",
            "description": description,
            "required": list(required),
            "properties": {"options": options, "file": files},
        },
        "encoding": {"options": {"contentType": "application/json"}},
    }


def _lines(description: str, schema: str) -> dict[str, Any]:
    line = {"$ref": f"#/components/schemas/{schema}"}
    text = {"type": "string", "description": description, "contentMediaType": "application/x-ndjson"}
    return {"schema": {**text, "contentSchema": line}, "x-line-schema": line}


def _balls(
    name: str,
    summary: str,
    requests: tuple[type, type],
    answers: tuple[type, ...],
    lines: tuple[str, str] | None = None,
) -> dict[str, Any]:
    """One ball, a batch, or `lines` of any number of them: schemas of a line asked and of one answered."""
    examples = _examples(example_names(drillings=name == "drill"), example)
    asked: dict[str, Any] = {"application/json": {"schema": {"oneOf": list(requests)}, "examples": examples}}
    told: dict[str, Any] = {"application/json": {"schema": {"anyOf": list(answers)}}}
    about, more = f"One, or up to a thousand; at most {_BODY}.", {}
    if lines is not None:
        about = f"{about} Lines of JSON, one a check: any number, each of at most {_BODY}."
        asked[NDJSON] = _lines("JSON lines, each a `CheckRequest`.", lines[0])
        told[NDJSON] = _lines("JSON lines, one for each asked, in their order.", lines[1])
        detail = {"type": "string", "enum": list(words.DETAILS)}
        words_of = "How much is answered to a check that does not say."
        more["parameters"] = [{"name": "detail", "in": "query", "description": words_of, "schema": detail}]
    answer = _answer(told, "The answer, or the answers in the same order.")
    return _post(name, summary, "balls", answer, asked, about=about, **more)


def _lots() -> dict[str, dict[str, Any]]:
    """The paths of lots: a file in, as it is or in a form, and answers of several types out."""
    about = "The options first, then the file; several files are lots in time order."
    answers = {
        "application/json": {"schema": {"anyOf": [LotResultSchema, LotSeriesResultSchema]}},
        "application/x-ndjson": _lines("Lines of JSON, each but the last as `LotRow`.", "LotRow"),
        **{media: {"schema": _BINARY} for media in LOT_ANSWERS},
        "text/html": {"schema": {"type": "string", "description": "The report, one file."}},
    }
    parameters = [
        {
            "name": "options",
            "in": "query",
            "description": "How the lot is judged, as JSON, when the body is the file itself.",
            "content": {"application/json": {"schema": LotRequestSchema}},
        },
        {
            "name": "name",
            "in": "query",
            "description": "Name of the file, when the body is the file itself.",
            "schema": {"type": "string", "maxLength": limits.NAME_MAXIMUM},
        },
        {
            "name": "rows",
            "in": "query",
            "description": "Format of the balls' rows in an archive.",
            "schema": {"type": "string", "enum": list(words.ROW_FORMATS), "default": "csv"},
        },
        {
            "name": "report",
            "in": "query",
            "description": "Format of the report in an archive.",
            "schema": {"type": "string", "enum": list(words.REPORT_FORMATS), "default": "html"},
        },
    ]
    bodies = {
        "multipart/form-data": _form(
            about, LotRequestSchema, "The file's bytes.", limits.LOTS_MAXIMUM, "file"
        ),
        **{media: {"schema": _BINARY} for media in LOT_BODIES},
    }
    assessed = _post(
        "assessLot",
        "Whether a lot is accepted, from the measurements of its balls",
        "lots",
        _answer(answers, "The lot, judged."),
        bodies,
        about="The file, or a form with options and file.",
        codes=(400, 405, 406, 413, 415, 422),
        description=LOTS_DESCRIPTION,
        parameters=parameters,
    )
    dated = {
        "name": "issued_on",
        "in": "query",
        "description": words.ISSUED_ON,
        "schema": {"type": "string", "format": "date"},
    }
    signed = _post(
        "signLot",
        "Judge a lot and sign the decision",
        "records",
        _answer(SignedLotSchema, "The record."),
        bodies,
        about="The file, or a form with options and one file.",
        codes=(400, 405, 409, 413, 415, 422),
        parameters=[dated, *parameters[:2]],
    )
    return {"/v1/lots": assessed, "/v1/records/lots": signed}


def _designs() -> dict[str, Any]:
    """The path of designs: JSON or a form with meshes in, and an answer with or without its progress."""
    about = "The request as JSON first, then the meshes, each under the file name the design has."
    examples = _examples(design_example_names(), design_example)
    return _post(
        "design",
        "Mass properties of a layered design, drilled, compared, solved for and in production",
        "designs",
        _answer(
            {
                "application/json": {"schema": DesignResultSchema},
                "application/x-ndjson": _lines("JSON lines, each a `DesignEvent`.", "DesignEvent"),
                **{media: {"schema": _BINARY} for media in DESIGN_ANSWERS[2:]},
            },
            "The answer.",
        ),
        {
            "application/json": {"schema": DesignRequestSchema, "examples": examples},
            "multipart/form-data": _form(about, DesignRequestSchema, "A mesh.", 16, "options", "file"),
        },
        about=f"JSON of at most {_BODY}, or a form of at most {limits.MESH_BYTES_MAXIMUM >> 20} MiB.",
        codes=(400, 405, 406, 413, 415, 422),
        parameters=[
            {
                "name": name,
                "in": "query",
                "description": f"Format of the {name} in an archive; without it there is none.",
                "schema": {"type": "string", "enum": list(formats)},
            }
            for name, formats in words.DESIGN_FILES.items()
        ],
        description=DESIGNS_DESCRIPTION,
    )


def _motions() -> dict[str, Any]:
    """The path of motions: JSON in, numbers or a picture out."""
    examples = _examples(motion_example_names(), motion_example)
    picture = {"schema": {"type": "string", "description": "The picture, one file."}}
    pictures = {"text/html": picture, "image/svg+xml": picture}
    return _post(
        "motion",
        "What a ball does on the lane, alone, scattered, beside others and explained",
        "motions",
        _answer({"application/json": {"schema": MotionResultSchema}, **pictures}, "The answer."),
        {"application/json": {"schema": MotionRequestSchema, "examples": examples}},
        codes=(400, 405, 406, 413, 415, 422),
        description=MOTIONS_DESCRIPTION,
    )


def _lineups() -> dict[str, Any]:
    """The path of line-ups: JSON in, numbers or a sheet out."""
    text = {
        media: {"schema": {"type": "string", "description": "The sheet, one file."}}
        for media in ("text/html", "image/svg+xml")
    }
    answers = {
        "application/json": {"schema": LineupResultSchema},
        NDJSON: _lines("JSON lines, each a `LineupEvent`.", "LineupEvent"),
        **text,
        "application/pdf": {"schema": _BINARY},
    }
    examples = _examples(lineup_example_names(), lineup_example)
    return _post(
        "lineup",
        "Balls beside one another for several bowlers and lanes, on one sheet",
        "motions",
        _answer(answers, "The answer."),
        {"application/json": {"schema": LineupRequestSchema, "examples": examples}},
        codes=(400, 405, 406, 413, 415, 422),
        description=LINEUPS_DESCRIPTION,
    )


def _record(name: str, summary: str, asked: Any, answer: dict[str, Any], **more: Any) -> dict[str, Any]:
    content = asked if isinstance(asked, dict) else {"application/json": {"schema": asked}}
    codes = (400, 405, 409, 413, 415, 422)
    return _post(name, summary, "records", answer, content, codes=codes, **more)


def _records() -> dict[str, dict[str, Any]]:
    """The paths of signed records."""
    printed = {media: {"schema": _BINARY} for media in ("application/pdf", "image/png")}
    return {
        "/v1/records": _record(
            "sign",
            "Check a ball and sign the verdict",
            RecordRequestSchema,
            _answer(SignedRecordSchema, "The record."),
        ),
        "/v1/records/verify": _record(
            "verify",
            "Whether a record is genuine, and whether the rules have changed since",
            RecordVerificationSchema,
            _answer(VerifiedRecordSchema, "What has become of it."),
        ),
        "/v1/records/read": _record(
            "readRecord",
            "Read a record out of a picture of its code, or out of the PDF it was printed to",
            {media: {"schema": _BINARY} for media in RECORD_FILES},
            _answer(RecordTextSchema, "The record, not yet verified."),
            about=f"At most {limits.RECORD_FILE_MAXIMUM >> 20} MiB.",
        ),
        "/v1/records/prints": _record(
            "printRecord",
            "Print a genuine record, as a page, a label or a code",
            RecordPrintSchema,
            _answer(printed, "The print."),
        ),
        "/v1/records/keys": _get(
            "recordKeys",
            "The public keys that verify this service's records",
            "records",
            _answer(PublicKeysSchema, "A JWK set (RFC 7517)."),
            (405, 409),
        ),
    }


def _paths() -> dict[str, dict[str, Any]]:
    rulebooks = _answer(RulebooksSchema, "The rulebooks asked for.")
    query = [{"in": "query", "schema": RulebookQuerySchema}]
    document = _answer({"type": "object", "description": "An OpenAPI 3.1 document."}, "The document.")
    lives, ready = _answer(StateSchema, "It lives."), _answer(StateSchema, "It can.")
    return {
        "/v1/checks": _balls(
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
                CheckBatchCollectedSchema,
            ),
            ("CheckRequest", "CollectedCheck"),
        ),
        "/v1/drillings": _balls(
            "drill",
            "What a drilling does to a ball",
            (DrillingRequestSchema, DrillingBatchSchema),
            (DrillingResultSchema, DrillingBatchResultSchema),
        ),
        "/v1/drillings/sheets": _post(
            "drillingSheet",
            "The sheet that a driller works from, as PDF",
            "balls",
            _answer({"application/pdf": {"schema": _BINARY}}, "The sheet."),
            {"application/json": {"schema": SheetRequestSchema}},
            codes=(400, 405, 413, 415, 422),
        ),
        **_lots(),
        "/v1/designs": _designs(),
        "/v1/motions": _motions(),
        "/v1/lineups": _lineups(),
        **_records(),
        "/v1/rulebooks": _get(
            "rulebooks", "The rules, as data", "rules", rulebooks, (405, 422), parameters=query
        ),
        "/openapi.json": _get("openapi", "This document", "service", document, (405,)),
        "/healthz": _get("healthz", "Whether the service lives", "service", lives, (405,)),
        "/readyz": _get("readyz", "Whether the service can answer", "service", ready, (405, 503)),
    }


def _guarded(paths: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Add who may ask, and the answers to whoever may not, or not now; keys are asked for where set up so."""
    for path, operations in paths.items():
        scope = NEEDED.get(path)
        codes = [*((401, 403) if scope else ()), *((421, 429, 503) if path.startswith("/v1/") else ())]
        for method, operation in operations.items():
            if method == "post":
                codes += [408, 507]
            if path in KEPT:
                operation["responses"]["304"] = {"description": _SAME}
            if operation.get("parameters"):
                operation["responses"]["414"] = {"description": _TOO_LONG}
            asked = [{"accessKey": [] if scope == ANY_SCOPE else [scope]}, {}]
            operation["security"] = asked if scope else []
            operation["responses"] = dict(sorted((operation["responses"] | _problems(*codes)).items()))
            if operation["operationId"] in LINKS:
                operation["responses"]["200"]["links"] = dict(LINKS[operation["operationId"]])
    return paths


def build() -> dict[str, Any]:
    """Build the OpenAPI 3.1 document from the schemas."""
    names = _Names()
    tags = {
        "balls": "Balls, as made and as drilled.",
        "lots": "Deliveries of many balls.",
        "designs": "Balls that are still drawings.",
        "motions": "Balls on the lane.",
        "records": "Signed records of verdicts.",
        "rules": "The rulebooks.",
        "service": "The service itself.",
    }
    spec = APISpec(
        title="Ballgauge",
        version=version("ballgauge"),
        openapi_version=OPENAPI_VERSION,
        plugins=[_Plugin(schema_name_resolver=names)],
        info={"description": DESCRIPTION, "license": {"name": "MIT", "identifier": "MIT"}},
        tags=[{"name": name, "description": description} for name, description in tags.items()],
        servers=[{"url": "/", "description": "The service that this document comes from."}],
    )
    spec.components.schema("QuantityText", _QUANTITY_TEXT)
    spec.components.schema("QuantityObject", _QUANTITY_OBJECT)
    spec.components.schema("LotRow", schema=LotRowSchema)
    spec.components.schema("DesignEvent", schema=DesignEventSchema)
    spec.components.schema("LineupEvent", schema=LineupEventSchema)
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
        headers = {"headers": _HEADERS[code]} if code in _HEADERS else {}
        content = {MEDIA_TYPE: {"schema": ProblemSchema}}
        spec.components.response(name, {"description": description, "content": content, **headers})
    for path, operations in _guarded(_paths()).items():
        spec.path(path=path, operations=operations)
    document: dict[str, Any] = json.loads(json.dumps(spec.to_dict()))
    for name, schema in names.classes.items():
        document["components"]["schemas"][name]["description"] = " ".join((schema.__doc__ or "").split())
    _tell_defaults(document["components"]["schemas"])
    _open_answers(document)
    _name_alternatives(document)
    mark(document)
    return document


def _tell_defaults(schemas: dict[str, Any]) -> None:
    """Say defaults where no generator reads them: many take a member that has a `default` for a required one.

    What the service takes where a member is absent is the service's; a client need not send it.
    """
    for schema in schemas.values():
        for member in schema.get("properties", {}).values():
            if "default" in member:
                member["x-default"] = member.pop("default")


def _references(value: Any) -> Iterator[dict[str, Any]]:
    """Every reference to a component's schema in a part of the document."""
    if isinstance(value, dict):
        if str(value.get("$ref", "")).startswith(_SCHEMAS):
            yield value
        value = list(value.values())
    if isinstance(value, list):
        for each in value:
            yield from _references(each)


_SCHEMAS = "#/components/schemas/"


def _reached(part: Any, schemas: dict[str, Any]) -> dict[str, None]:
    """Names of the schemas that a part of the document leads to."""
    names: dict[str, None] = {}
    parts = [part]
    while parts:
        found = {each["$ref"].removeprefix(_SCHEMAS): None for each in _references(parts.pop())}
        parts += [schemas[name] for name in found if name not in names]
        names |= found
    return names


def _closed(name: str, schemas: dict[str, Any]) -> bool:
    """Whether a schema, or one that it leads to, refuses members that it does not know."""
    within = [schemas[each] for each in (name, *_reached(schemas[name], schemas))]
    return any(each.get("additionalProperties") is False for each in within)


def _open_answers(document: dict[str, Any]) -> None:
    """Let answers gain members, as a newer version's may; what is asked stays closed.

    What is asked and given back has two schemas, so that each is right.
    """
    schemas, lines = document["components"]["schemas"], document["components"]["responses"]
    operations = [each for path in document["paths"].values() for each in path.values()]
    asked = _reached([[each.get("requestBody"), each.get("parameters")] for each in operations], schemas)
    answers = [each["responses"] for each in operations]
    echoed = {
        name for name in _reached([answers, lines], schemas) if name in asked and _closed(name, schemas)
    }
    for name in sorted(echoed):
        schemas[name + words.ECHOED] = copy.deepcopy(schemas[name])
    for name in [name for name in schemas if name not in asked]:
        for each in _references(schemas[name]):
            if each["$ref"].removeprefix(_SCHEMAS) in echoed:
                each["$ref"] += words.ECHOED
        if schemas[name].get("additionalProperties") is False:
            del schemas[name]["additionalProperties"]


def _name_alternatives(document: dict[str, Any]) -> None:
    """Give each of the bodies that an address takes or answers a title: one ball's, a batch's."""
    for path in document["paths"].values():
        for operation in path.values():
            for body in (operation.get("requestBody", {}), operation["responses"]["200"]):
                schema = body.get("content", {}).get("application/json", {}).get("schema", {})
                for each in schema.get("oneOf", schema.get("anyOf", [])):
                    name = each["$ref"].removeprefix(_SCHEMAS)
                    each["title"] = re.sub("(?<!^)([A-Z])", r" \1", name).capitalize()


def text() -> str:
    """Write the document as it is committed."""
    return json.dumps(build(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    (Path(__file__).parent / "openapi.json").write_text(text(), encoding="utf-8")
