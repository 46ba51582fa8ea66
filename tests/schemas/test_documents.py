"""The OpenAPI document, the examples, and the weight of the package."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import marshmallow
import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator
from tests import node

from ballgauge_schemas import (
    KINDS,
    example,
    example_names,
    load_check_body,
    load_drilling_body,
    openapi,
    openapi_document,
)
from ballgauge_schemas.check import answer as responses
from ballgauge_schemas.check import request as checks
from ballgauge_schemas.shared import problems
from ballgauge_schemas.shared.base import Schema
from ballgauge_schemas.shared.words import OUTCOMES

DOCUMENT = openapi_document()
COMPONENTS = DOCUMENT["components"]["schemas"]
FILE = Path(openapi.__file__).with_name("openapi.json")
REQUESTS = ("CheckBatch", "DrillingBatch")


def properties(names: tuple[str, ...]) -> list[tuple[str, str, dict[str, Any]]]:
    """Every property of the named components and of all they refer to."""
    seen: list[str] = []
    queue = list(names)
    while queue:
        name = queue.pop()
        if name not in seen:
            seen.append(name)
            text = json.dumps(COMPONENTS[name])
            queue += [other for other in COMPONENTS if f'"#/components/schemas/{other}"' in text]
    return [
        (name, member, described)
        for name in seen
        for member, described in COMPONENTS[name].get("properties", {}).items()
    ]


def types(described: dict[str, Any]) -> set[str]:
    found = described.get("type", [])
    return {found} if isinstance(found, str) else set(found)


def test_the_committed_document_is_the_one_the_schemas_make() -> None:
    """Against the schemas, to the byte; `python -m ballgauge_schemas.openapi` writes it anew."""
    assert (files("ballgauge_schemas") / "openapi.json").read_text(encoding="utf-8") == openapi.text()


def test_the_document_is_openapi_3_1() -> None:
    """Against openapi-spec-validator."""
    assert DOCUMENT["openapi"] == "3.1.0"
    OpenAPIV31SpecValidator(DOCUMENT).validate()
    for schema in COMPONENTS.values():
        jsonschema.Draft202012Validator.check_schema(schema)


def test_the_linter_finds_nothing() -> None:
    """Against redocly's recommended rules: neither an error nor a warning."""
    told = node.run("redocly", "lint", "--extends=recommended", "--format=json", str(FILE))
    assert json.loads(told.stdout[told.stdout.index("{") :])["totals"]["errors"] == 0
    assert json.loads(told.stdout[told.stdout.index("{") :])["totals"]["warnings"] == 0, told.stdout[:3000]


def test_every_pattern_is_one_of_ecma_262_with_its_flag_u() -> None:
    """Against node's own regular expressions."""
    patterns = sorted(set(re.findall(r'"pattern": ("(?:[^"\\]|\\.)*")', FILE.read_text(encoding="utf-8"))))
    assert len(patterns) > 3
    program = f"for (const each of [{','.join(patterns)}]) new RegExp(each, 'u')"
    assert node.run("node", "--eval", program).stderr == ""


def test_answers_are_open_and_requests_closed() -> None:
    """An answer may gain members; a misspelt member of a request is refused."""
    result, request = validator("CheckResult"), validator("CheckRequest")
    told = {"counts": dict.fromkeys(OUTCOMES, 0), "results": [], "edition_note": "new"}
    validator("CheckBatchResult").validate(told)
    assert "additionalProperties" not in COMPONENTS["CheckResult"]
    assert "additionalProperties" not in COMPONENTS["DecisionEchoed"]
    assert result.schema["components"]["schemas"]["Decision"]["additionalProperties"] is False
    request.validate({"ball": {"weight": 15}})
    assert not request.is_valid({"ball": {"weight": 15, "wieght": 15}})
    assert not request.is_valid({"ball": {"weight": 15}, "edition_note": 1})


def validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(
        {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}
    )


def test_no_member_is_required_for_having_a_default() -> None:
    """Common generators take a member with a `default` for one that is always there."""
    assert [(name, member) for name, member, told in properties(tuple(COMPONENTS)) if "default" in told] == []
    assert COMPONENTS["Rules"]["properties"]["body"]["x-default"] == "usbc"


def test_bodies_that_are_one_of_several_have_titles() -> None:
    """One ball and a batch are told apart by name, in generated clients and in the document's pages."""
    found = 0
    for path in DOCUMENT["paths"].values():
        for operation in path.values():
            for body in (operation.get("requestBody", {}), operation["responses"]["200"]):
                schema = body.get("content", {}).get("application/json", {}).get("schema", {})
                titles = [each["title"] for each in schema.get("oneOf", schema.get("anyOf", []))]
                assert len(set(titles)) == len(titles)
                found += len(titles) > 1
    assert found == 5


def test_the_addresses() -> None:
    """Against the design."""
    assert set(DOCUMENT["paths"]) == {
        "/v1/checks",
        "/v1/drillings",
        "/v1/drillings/sheets",
        "/v1/lots",
        "/v1/designs",
        "/v1/motions",
        "/v1/lineups",
        "/v1/records",
        "/v1/records/keys",
        "/v1/records/lots",
        "/v1/records/prints",
        "/v1/records/read",
        "/v1/records/verify",
        "/v1/rulebooks",
        "/openapi.json",
        "/healthz",
        "/readyz",
    }
    for path in ("/v1/checks", "/v1/drillings"):
        assert set(DOCUMENT["paths"][path]["post"]["responses"]) == {
            *("200", "400", "401", "403", "405", "408", "413", "415", "421", "422", "429", "503", "507"),
            *(("414",) if path == "/v1/checks" else ()),
        }
    for name, response in DOCUMENT["components"]["responses"].items():
        assert list(response["content"]) == ["application/problem+json"], name


@pytest.mark.parametrize(("name", "member", "described"), properties(tuple(COMPONENTS)))
def test_every_member_is_described(name: str, member: str, described: dict[str, Any]) -> None:
    """Against the contract: description everywhere; unit, range and example at every value."""
    assert described["description"], (name, member)
    if name.startswith("QuantityObject"):  # what a field takes is shown at the field
        return
    assert COMPONENTS[name].get("description") or "properties" in COMPONENTS[name]
    if "object" in types(described):
        assert described["examples"]
        return
    if "$ref" in described or "anyOf" in described:
        return
    if "array" in types(described):
        assert {"minItems", "maxItems", "items"} <= set(described)
        return
    assert described["examples"], (name, member)
    if types(described) & {"number", "integer"}:
        assert "x-unit" in described
        assert {"minimum", "maximum"} <= set(described) or {"exclusiveMinimum", "exclusiveMaximum"} <= set(
            described
        )
    if "string" in types(described):
        assert set(described) & {"maxLength", "enum", "x-maximum"}


@pytest.mark.parametrize(
    ("name", "member", "described"), [entry for entry in properties(REQUESTS) if "oneOf" in entry[2]]
)
def test_every_quantity_has_its_trade_unit_and_range(
    name: str, member: str, described: dict[str, Any]
) -> None:
    """Against the kinds of quantity."""
    assert described["x-unit"] in {kind.unit for kind in KINDS.values()}
    number, text, measured = described["oneOf"]
    assert number["type"] == "number"
    assert number["minimum"] < number["maximum"]
    assert text == {"$ref": "#/components/schemas/QuantityText"}
    assert measured == {"$ref": "#/components/schemas/QuantityObject"}


def every_schema() -> list[type[Schema]]:
    return [
        found
        for module in (checks, problems, responses)
        for found in vars(module).values()
        if isinstance(found, type) and issubclass(found, Schema)
    ]


@pytest.mark.parametrize("schema", every_schema())
def test_every_example_of_a_field_loads_in_it(schema: type[Schema]) -> None:
    """Against the field itself."""
    for field in schema().fields.values():
        inner = field.inner if isinstance(field, marshmallow.fields.List) else field
        read = getattr(inner, "read", inner.deserialize)
        for given in inner.metadata.get("examples", ()):
            read(given)


@pytest.mark.parametrize("name", example_names())
def test_every_example_loads_and_is_documented(name: str) -> None:
    """Against the loader and against the OpenAPI document."""
    drilling = name in example_names(drillings=True)
    path = "/v1/drillings" if drilling else "/v1/checks"
    _, batch = (load_drilling_body if drilling else load_check_body)(example(name))
    assert batch == ("checks" in example(name))
    content = DOCUMENT["paths"][path]["post"]["requestBody"]["content"]["application/json"]
    assert content["examples"][name]["value"] == example(name)
    schema = {**content["schema"], "components": DOCUMENT["components"]}
    jsonschema.Draft202012Validator(schema).validate(example(name))


def test_there_are_examples_of_each_kind() -> None:
    """Against the list of the jobs they show."""
    assert example_names(drillings=True) == ("drilling",)
    assert example_names(drillings=False) == (
        "as_made",
        "batch",
        "drilled",
        "left_hander_without_thumb",
        "side_weight_over",
    )
    with pytest.raises(KeyError, match="none"):
        example("none")


def test_an_answer_made_of_the_documented_examples_loads() -> None:
    """Against the schema of answers: a group may be null, an unknown member may not be there."""
    answer = {
        "outcome": "conforming",
        "findings": [],
        "derived": {"ball": None, "holes": [{"role": "thumb", "meets": [1], "at": None}]},
        "missing": [{"field": "/ball/rg", "needed_for": ["rg"]}],
        "cautions": [],
        "assumptions": ["none"],
        "rules": {"body": "usbc", "on": "2024-09-01", "stage": "play", "edition": "2024", "overlay": None},
        "decision": {"rule": "simple", "risk": 0.05},
        "units": {"rg": "in"},
    }
    assert responses.CHECK_RESULT.load(answer)["outcome"] == "conforming"
    with pytest.raises(marshmallow.ValidationError, match="unknown field"):
        responses.CHECK_RESULT.load({**answer, "approved": True})


def test_the_bare_import_is_light() -> None:
    """Against the modules loaded in a fresh interpreter: no numpy, no pint, no apispec."""
    code = "import sys, ballgauge_schemas as b; b.load_check_body(b.example('batch')); print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert not {"numpy", "pint", "apispec", "requests", "flask"} & set(loaded.split())
