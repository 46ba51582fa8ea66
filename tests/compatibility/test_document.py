"""The OpenAPI document against that of every released version, the comparison against broken documents."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from ballgauge.contract.compatibility import breaking
from ballgauge_schemas import openapi_document
from ballgauge_schemas.shared.quantity import TEXT_PATTERN

from .replay import HERE, versions

Document = dict[str, Any]


def old_document(version: str) -> Document:
    document: Document = json.loads((HERE / version / "openapi.json").read_text(encoding="utf-8"))
    return document


OLD_TEXT = r"^[ +\-−]*[0-9.¼½¾⅛⅜⅝⅞][0-9 .eE+\-/¼½¾⅛⅜⅝⅞]*[A-Za-zµμ°%\"″][0-9A-Za-zµμ°%\"″²³^/ .+\-¼½¾⅛⅜⅝⅞]*$"
ON_PURPOSE = {
    "request Draw/seed: maximum was 9223372036854775807, is 9007199254740991",
    "answer Finding/basis: the type was string, is ['string', 'null']",
    "answer Finding/source: the type was string, is ['string', 'null']",
    "answer Ball/weight: the member is no longer always there",
    "answer Layout/drilling_angle: the member is no longer always there",
    "answer Layout/pin_to_pap: the member is no longer always there",
    "answer Layout/val_angle: the member is no longer always there",
    "answer Mesh/unit: the member is no longer always there",
    f"request QuantityText: the pattern was {OLD_TEXT}, is {TEXT_PATTERN}",
}
"""JSON readers round greater seeds, so that the one noted draws another sample. A finding without a known
limit named a basis and a source that it did not have. A record gives back its request, whose ball may now be
known by its drilled weight alone, and whose layout may be stated by arcs or places; a solved design its
meshes, whose unit the file alone may state. The pattern of a quantity's text takes in all that it took, and
more."""


@pytest.mark.parametrize("version", versions())
def test_todays_document_breaks_nothing(version: str) -> None:
    """No path, method, member or word taken away; nothing required or limited that was not."""
    assert [
        line for line in breaking(old_document(version), openapi_document()) if line not in ON_PURPOSE
    ] == []


def schemas(document: Document) -> Document:
    found: Document = document["components"]["schemas"]
    return found


def body_of(document: Document, path: str) -> Document:
    content: Document = document["paths"][path]["post"]["requestBody"]["content"]
    return content


def number(field: Document) -> Document:
    """The plain number among the ways to write a quantity."""
    found: Document = next(way for way in field["oneOf"] if way.get("type") == "number")
    return found


CHANGES: dict[str, tuple[Callable[[Document], Any], str]] = {
    "path": (lambda d: d["paths"].pop("/v1/lots"), "/v1/lots: the path is gone"),
    "method": (lambda d: d["paths"]["/v1/checks"].pop("post"), "POST /v1/checks: the method is gone"),
    "status": (
        lambda d: d["paths"]["/v1/checks"]["post"]["responses"].pop("415"),
        "POST /v1/checks: status 415 is gone",
    ),
    "request member": (
        lambda d: schemas(d)["Ball"]["properties"].pop("cover"),
        "request Ball/cover: the member is gone",
    ),
    "required member": (
        lambda d: schemas(d)["Ball"]["required"].append("rg"),
        "request Ball/rg: the member is required now",
    ),
    "new required member": (
        lambda d: (
            schemas(d)["Ball"]["properties"].update(batch={"type": "string"}),
            schemas(d)["Ball"]["required"].append("batch"),
        ),
        "request Ball/batch: the member is required now",
    ),
    "word": (
        lambda d: schemas(d)["Ball"]["properties"]["cover"]["enum"].remove("urethane"),
        "request Ball/cover: 'urethane' is no longer taken",
    ),
    "words": (
        lambda d: schemas(d)["Ball"]["properties"]["name"].update(enum=["x"]),
        "request Ball/name: only some words are taken now",
    ),
    "maximum": (
        lambda d: number(schemas(d)["Ball"]["properties"]["weight"]).update(maximum=16),
        "request Ball/weight: maximum was 20.0, is 16",
    ),
    "minimum": (
        lambda d: number(schemas(d)["Ball"]["properties"]["weight"]).update(minimum=6),
        "request Ball/weight: minimum was 4.0, is 6",
    ),
    "length": (
        lambda d: schemas(d)["Ball"]["properties"]["name"].update(maxLength=10),
        "request Ball/name: maxLength was 120, is 10",
    ),
    "pattern": (
        lambda d: schemas(d)["Ball"]["properties"]["serial"].update(pattern="^OW"),
        "request Ball/serial: the pattern was",
    ),
    "type": (
        lambda d: schemas(d)["Ball"]["properties"]["house_ball"].update(type="string"),
        "request Ball/house_ball: the type was boolean, is string",
    ),
    "alternative": (
        lambda d: schemas(d)["Ball"]["properties"]["weight"]["oneOf"].pop(1),
        "request Ball/weight: the alternative QuantityText is gone",
    ),
    "media type of a body": (
        lambda d: body_of(d, "/v1/lots").pop("text/csv"),
        "POST /v1/lots: the media type text/csv is gone",
    ),
    "media type of an answer": (
        lambda d: d["paths"]["/v1/lots"]["post"]["responses"]["200"]["content"].pop("application/zip"),
        "POST /v1/lots 200: the media type application/zip is gone",
    ),
    "answer member": (
        lambda d: schemas(d)["CheckResult"]["properties"].pop("findings"),
        "answer CheckResult/findings: the member is gone",
    ),
    "answer member that may be left out": (
        lambda d: schemas(d)["CheckResult"]["required"].remove("outcome"),
        "answer CheckResult/outcome: the member is no longer always there",
    ),
    "type in an answer": (
        lambda d: schemas(d)["Finding"]["properties"]["message"].update(type=["string", "null"]),
        "answer Finding/message: the type was string",
    ),
    "parameter": (
        lambda d: d["paths"]["/v1/rulebooks"]["get"]["parameters"].pop(0),
        "GET /v1/rulebooks ?body: the parameter is gone",
    ),
    "required parameter": (
        lambda d: d["paths"]["/v1/rulebooks"]["get"]["parameters"][0].update(required=True),
        "GET /v1/rulebooks ?body: the parameter is required now",
    ),
    "new required parameter": (
        lambda d: d["paths"]["/v1/rulebooks"]["get"]["parameters"].append(
            {"in": "query", "name": "club", "required": True, "schema": {"type": "string"}}
        ),
        "GET /v1/rulebooks ?club: a new parameter is required",
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_breaking_change_is_seen(name: str) -> None:
    """Against today's document with one thing taken away or narrowed: that, and where."""
    change, words = CHANGES[name]
    changed = copy.deepcopy(openapi_document())
    change(changed)
    found = breaking(openapi_document(), changed)
    assert any(line.startswith(words) for line in found), found


ADDITIONS: dict[str, Callable[[Document], Any]] = {
    "path": lambda d: d["paths"].update({"/v1/more": {"get": {"responses": {}}}}),
    "optional member": lambda d: schemas(d)["Ball"]["properties"].update(batch={"type": "string"}),
    "answer member": lambda d: schemas(d)["CheckResult"]["properties"].update(more={"type": "string"}),
    "word": lambda d: schemas(d)["Ball"]["properties"]["cover"]["enum"].append("particle"),
    "wider limit": lambda d: number(schemas(d)["Ball"]["properties"]["weight"]).update(maximum=21),
    "words": lambda d: schemas(d)["Ball"].update(description="A ball."),
    "member no longer required": lambda d: schemas(d)["RecordRequest"]["required"].remove("check"),
    "answer member always there": lambda d: schemas(d)["Finding"].setdefault("required", []).append("x"),
    "optional parameter": lambda d: d["paths"]["/v1/rulebooks"]["get"]["parameters"].append(
        {"in": "query", "name": "club", "schema": {"type": "string"}}
    ),
    "media type": lambda d: body_of(d, "/v1/lots").update({"text/tab-separated-values": {}}),
    "deprecation": lambda d: d["paths"]["/v1/checks"]["post"].update(deprecated=True),
}


@pytest.mark.parametrize("name", ADDITIONS)
def test_an_addition_breaks_nothing(name: str) -> None:
    """Against today's document with one thing added or widened."""
    changed = copy.deepcopy(openapi_document())
    ADDITIONS[name](changed)
    assert changed != openapi_document()
    assert breaking(openapi_document(), changed) == []
