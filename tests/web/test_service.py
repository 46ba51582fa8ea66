"""The service around the engine: addresses, methods, ids, logs, readiness, the page."""

from __future__ import annotations

import io
import json
import logging
import re
from typing import Any
from urllib.parse import urljoin

import flask
import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from ballgauge_schemas import openapi, openapi_document
from ballgauge_service.web.http import refusals, request_ids, request_log, serializer
from ballgauge_service.web.routes import health
from ballgauge_service.web.server.application import create_app


@pytest.fixture
def client(app: Any) -> Any:
    return app.test_client()


def test_alive_and_ready(client: Any) -> None:
    assert client.get("/healthz").json == {"status": "ok"}
    assert client.get("/readyz").json == {"status": "ok"}
    assert client.head("/healthz").status_code == 200


def test_not_ready_until_warm() -> None:
    app = flask.Flask("test")
    request_ids.register(app)
    refusals.register(app)
    health.register(app, warm_up=lambda: 1 / 0)
    response = app.test_client().get("/readyz")
    assert response.status_code == 503
    assert response.headers["Retry-After"] == "1"


def test_an_unknown_address_is_a_404_problem(client: Any) -> None:
    for address in (
        "/nowhere",
        "/v1",
        "/v1/checks/",
        "//v1/checks",
        "/v1/rulebooks/%00",
        "/docs/../healthz",
        "/docs/x.js",
    ):
        response = client.get(address)
        assert (response.status_code, response.content_type) == (404, "application/problem+json"), address


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "PATCH", "TRACE"])
def test_a_wrong_method_is_a_405_problem_with_allow(client: Any, method: str) -> None:
    response = client.open("/v1/checks", method=method)
    assert (response.status_code, response.content_type) == (405, "application/problem+json")
    assert response.headers["Allow"] == "OPTIONS, POST"


def test_options_says_what_is_allowed(client: Any) -> None:
    assert set(client.options("/v1/checks").headers["Allow"].split(", ")) == {"OPTIONS", "POST"}


@pytest.mark.parametrize("sent", ["a", "job-17/ball:3", "x" * 128, "!~"])
def test_a_sane_request_id_comes_back(client: Any, sent: str) -> None:
    assert client.get("/healthz", headers={"X-Request-Id": sent}).headers["X-Request-Id"] == sent
    assert client.get("/none", headers={"X-Request-Id": sent}).json["request_id"] == sent


@pytest.mark.parametrize(
    "sent", ["", "x" * 129, "two words", "\x01", "é", '\u202e"'.encode().decode("latin-1")]
)
def test_another_request_id_is_replaced(client: Any, sent: str) -> None:
    made = client.get("/healthz", headers={"X-Request-Id": sent}).headers["X-Request-Id"]
    assert re.fullmatch("[0-9a-f]{32}", made)


def test_each_request_has_an_id_of_its_own(client: Any) -> None:
    assert len({client.get("/healthz").headers["X-Request-Id"] for _ in range(20)}) == 20


def test_an_unforeseen_error_is_logged_and_answered_with_500(caplog: pytest.LogCaptureFixture) -> None:
    app = create_app(json_logs=False, warm_up=False)
    app.add_url_rule("/broken", view_func=lambda: 1 / 0)
    with caplog.at_level(logging.ERROR, logger="ballgauge_service"):
        response = app.test_client().get("/broken", headers={"X-Request-Id": "broken-1"})
    assert response.status_code == 500
    assert response.json["request_id"] == "broken-1"
    assert "division" not in response.text
    (record,) = (each for each in caplog.records if each.name == "ballgauge_service.errors")
    assert record.exc_info is not None
    assert record.exc_info[0] is ZeroDivisionError


def test_log_lines_are_json_without_bodies() -> None:
    logger = logging.getLogger("ballgauge_service")
    handler = logging.StreamHandler(stream := io.StringIO())
    handler.setFormatter(request_log.JsonFormatter())
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    try:
        app = create_app(json_logs=False, warm_up=False)
        app.test_client().post(
            "/v1/checks?secret=1", json={"ball": {"name": "SECRET"}}, headers={"X-Request-Id": "id-1"}
        )
    finally:
        logger.removeHandler(handler)
        logger.setLevel(logging.NOTSET)
    (line,) = stream.getvalue().splitlines()
    assert "secret" not in line.lower()
    record = json.loads(line)
    assert {name: record[name] for name in ("method", "path", "status", "request_id")} == {
        "method": "POST", "path": "/v1/checks", "status": 422, "request_id": "id-1",
    }  # fmt: skip
    assert record["ms"] > 0


def test_the_document_is_the_committed_one_and_valid(client: Any) -> None:
    served = client.get("/openapi.json").json
    assert served == json.loads(json.dumps(openapi.build()))
    assert served == openapi_document()
    OpenAPIV31SpecValidator(served).validate()


PAGES = ("pages", "documentation", "metrics")
"""Blueprints for people and for whoever runs it: their addresses are not part of the interface."""


def test_the_document_and_the_addresses_agree(app: Any) -> None:
    documented = {
        (re.sub(r"\{(\w+)\}", r"<\1>", path), method.upper())
        for path, operations in openapi_document()["paths"].items()
        for method in operations
        if method in ("get", "post", "put", "patch", "delete")
    }
    served = {
        (rule.rule, method)
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"HEAD", "OPTIONS"}
        if rule.rule != "/openapi.json" and rule.endpoint.split(".")[0] not in PAGES
    }
    assert served <= documented
    assert {
        (path, method) for path, method in documented if not path.startswith(("/docs", "/openapi"))
    } <= served


def test_the_page_needs_nothing_from_elsewhere(client: Any) -> None:
    page = client.get("/docs")
    assert page.content_type.startswith("text/html")
    policy = page.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy.split("; ")
    assert not re.search(r"https?://|<script>|<style|\son\w+=", page.text)
    for address in re.findall(r'(?:href|src)="([^"]+)"', page.text):
        assert client.get(f"/{address}").status_code == 200, address


def test_equal_documents_give_equal_bytes() -> None:
    assert serializer.dump({"b": 1, "a": [0.1, "µ"]}) == serializer.dump({"a": [0.1, "µ"], "b": 1})
    assert serializer.dump({"b": 1, "a": [0.1, "µ"]}) == '{"a":[0.1,"µ"],"b":1}'.encode()


def test_a_number_that_is_not_finite_becomes_null() -> None:
    assert (
        serializer.dump({"a": [float("nan"), (float("inf"),)], "b": -0.5}) == b'{"a":[null,[null]],"b":-0.5}'
    )


def test_the_page_is_found_with_a_slash_behind_it_too(client: Any) -> None:
    """Against RFC 3986, 5.2: the reference is relative, so that a prefix before the service stays."""
    response = client.get("/docs/")
    assert response.status_code == 308
    assert urljoin("http://host/prefix/docs/", response.headers["Location"]) == "http://host/prefix/docs"
