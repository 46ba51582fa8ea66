"""Links of the OpenAPI document: each followed once from a good answer, and all of them on random walks.

Against the document itself: whatever a link leads to is answered with 200, and every answer on the way is as
it is documented (schemathesis, all its checks).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from ballgauge_schemas import example, openapi_document
from ballgauge_schemas.shared.documents import design_example

from . import contract

Call = tuple[Any, str, Any]
"""What a request had as its body, and what was answered: the content type and the body."""

STARTS: dict[str, Any] = {
    "check": lambda: example("drilled"),
    "drill": lambda: example("drilling"),
    "design": lambda: design_example("skarn"),
    "sign": lambda: {"check": example("as_made"), "issued_on": "2026-05-02"},
    "rulebooks": lambda: None,
}
DOCUMENT = openapi_document()
OPERATIONS = {
    operation["operationId"]: (method, path, operation)
    for path, operations in DOCUMENT["paths"].items()
    for method, operation in operations.items()
}
LINKS = [
    (name, link)
    for name, (_, _, operation) in OPERATIONS.items()
    for link in operation["responses"]["200"].get("links", {})
]
WALKS = settings(
    max_examples=20,
    stateful_step_count=6,
    deadline=None,
    database=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def schema() -> Any:
    # Links that schemathesis only guesses at are left out: those of the document are meant.
    return contract.contract(
        {"generation": {"mode": "positive"}, "phases": {"stateful": {"inference": {"algorithms": []}}}}
    )


@pytest.fixture(scope="module")
def client(schema: Any) -> Any:
    return schema.app.test_client()


def told(expression: Any, call: Call) -> Any:
    """The value of a link's expression (OpenAPI 3.1.0, 4.8.20.3), within objects too."""
    if isinstance(expression, dict):
        return {name: told(value, call) for name, value in expression.items()}
    if not isinstance(expression, str) or not expression.startswith("$"):
        return expression
    source, _, pointer = expression.partition("#")
    value = call[0] if source == "$request.body" else call[2]
    for token in pointer.split("/")[1:]:
        value = value[int(token)] if isinstance(value, list) else value[token]
    return value


def asked(client: Any, name: str, body: Any, query: Any = None, media_type: str = "application/json") -> Call:
    method, path, _ = OPERATIONS[name]
    data = json.dumps(body) if media_type == "application/json" else body
    sent = {} if body is None else {"data": data, "content_type": media_type}
    response = client.open(path, method=method.upper(), query_string=query, **sent)
    assert response.status_code == 200, f"{name}: {response.text}"
    kind = response.content_type.partition(";")[0]
    return body, kind, response.json if kind == "application/json" else response.data


def followed(client: Any, name: str, link: str, call: Call) -> Call:
    found = OPERATIONS[name][2]["responses"]["200"]["links"][link]
    body = told(found["requestBody"], call) if "requestBody" in found else None
    media_type = call[1] if isinstance(body, bytes) else "application/json"
    return asked(client, found["operationId"], body, told(found.get("parameters", {}), call), media_type)


def start(client: Any, name: str) -> Call:
    """A good answer of an operation: from a request of its own, or by a link from another's."""
    if name in STARTS:
        return asked(client, name, STARTS[name]())
    source, link = next(ways_to(name))
    return followed(client, source, link, start(client, source))


def ways_to(name: str) -> Iterator[tuple[str, str]]:
    for source, link in LINKS:
        if OPERATIONS[source][2]["responses"]["200"]["links"][link]["operationId"] == name:
            yield source, link


@pytest.mark.parametrize(("name", "link"), LINKS)
def test_a_link_leads_to_an_answer(client: Any, name: str, link: str) -> None:
    followed(client, name, link, start(client, name))


@pytest.mark.parametrize("link", ["VerifyTheRecord", "VerifyTheLabel"])
def test_what_the_service_signed_it_calls_genuine(client: Any, link: str) -> None:
    signed = start(client, "sign")
    assert followed(client, "sign", link, signed)[2]["state"] == "genuine"
    page = followed(client, "sign", "PrintAPage", signed)
    assert followed(client, "printRecord", "ReadThePrint", page)[2]["record"] == signed[2]["record"]


def test_random_walks_along_the_links_are_answered_as_documented(schema: Any) -> None:
    machine: Any = contract.linked(schema)
    run_state_machine_as_test(machine, settings=WALKS)
    reached = {label for (label, status) in machine.taken if status == 200}
    assert len(reached) >= 3, "too few good answers to go on from"
