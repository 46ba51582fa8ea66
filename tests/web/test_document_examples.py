"""The document's own examples, sent to the service as "try it out" sends them."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import pytest

from ballgauge_schemas import openapi_document
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

DOCUMENT = openapi_document()
GIVEN = [
    (path, name, example["value"])
    for path in ("/v1/checks", "/v1/drillings")
    for content in DOCUMENT["paths"][path]["post"]["requestBody"]["content"].values()
    for name, example in content.get("examples", {}).items()
]
APART = {"holes_seen": "drilling", "drilling": "holes_seen"}
"""Members of a check of which one stands for the other."""


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app(json_logs=False, warm_up=False, settings=Settings()).test_client()


def made(schema: dict[str, Any], leave: tuple[str, ...] = ()) -> Any:
    """What a generator makes of a schema: the example of every member that has one."""
    while "$ref" in schema:
        schema = DOCUMENT["components"]["schemas"][schema["$ref"].rpartition("/")[2]]
    if "properties" not in schema:
        return schema["examples"][0]
    members = schema["properties"].items()
    return {
        name: made({**member, **(member.get("allOf") or [{}])[0]}, leave)
        for name, member in members
        if name not in leave and ("examples" in member or "$ref" in member or "allOf" in member)
    }


@pytest.mark.parametrize(("path", "name", "value"), GIVEN, ids=[f"{path}-{name}" for path, name, _ in GIVEN])
def test_every_example_is_answered(client: Any, path: str, name: str, value: Any) -> None:
    """Of balls; those of designs and motions are sent by their own tests."""
    response = client.post(path, json=value)
    assert response.status_code == 200, response.text[:1000]


@pytest.mark.parametrize("leave", ["drilling", "holes_seen"])
def test_the_members_own_examples_make_a_check(client: Any, leave: str) -> None:
    """All of them at once, with the holes, the ball and the layout by one account each."""
    schema = {"$ref": "#/components/schemas/CheckRequest"}
    others = ("design", "insert_thickness", "pap_to_psa", "pin_to_val", "pin_below", "pin", "psa", "cg")
    response = client.post("/v1/checks", json=made(schema, (leave, *others)))
    assert response.status_code == 200, response.text[:1000]


@pytest.mark.parametrize("path", [path for path, each in DOCUMENT["paths"].items() if "get" in each])
def test_the_parameters_own_examples_are_taken(client: Any, path: str) -> None:
    """All of an address at once."""
    parameters = DOCUMENT["paths"][path]["get"].get("parameters", [])
    query = {each["name"]: (each.get("examples") or each["schema"].get("examples"))[0] for each in parameters}
    assert client.get(f"{path}?{urlencode(query)}").status_code in (200, 409)
