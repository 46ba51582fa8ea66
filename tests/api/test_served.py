"""The real server: what only shows over a socket."""

from __future__ import annotations

import json
import socket
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests


def test_ready_page_and_document(server: str) -> None:
    for address in (
        "/healthz",
        "/readyz",
        "/openapi.json",
        "/docs",
        "/docs/swagger-ui-bundle.js",
        "/docs/init.js",
    ):
        assert requests.get(server + address).status_code == 200, address
        assert requests.head(server + address).status_code == 200, address


@pytest.mark.parametrize("chunked", [False, True])
def test_two_mebibytes_are_refused_and_the_service_still_answers(server: str, chunked: bool) -> None:
    body = b'{"ball": {"weight": 15, "name": "' + b"x" * 2**21 + b'"}}'
    pieces = iter([body[:100_000], body[100_000:]]) if chunked else body
    response = requests.post(f"{server}/v1/checks", data=pieces, headers={"Content-Type": "application/json"})
    assert response.status_code == 413
    assert response.headers["Content-Type"] == "application/problem+json"
    assert requests.get(f"{server}/healthz").status_code == 200


def test_a_body_in_chunks_is_read(server: str) -> None:
    pieces = iter([b'{"ball": ', b'{"weight": 15}}'])
    response = requests.post(f"{server}/v1/checks", data=pieces, headers={"Content-Type": "application/json"})
    assert response.status_code == 200


def test_a_caller_who_leaves_early_harms_nobody(server: str) -> None:
    address = urlsplit(server)
    for _ in range(20):
        with socket.create_connection((address.hostname, address.port)) as caller:
            caller.sendall(
                b"POST /v1/checks HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
                b'Content-Length: 5000\r\n\r\n{"ball": '
            )
    assert requests.get(f"{server}/readyz").status_code == 200


def test_callers_at_once_get_their_own_answers(server: str, drilled: dict[str, Any]) -> None:
    def ask(number: int) -> tuple[str, float]:
        request = drilled | {"ball": drilled["ball"] | {"weight": 12 + number / 50}}
        identity = f"caller-{number}"
        response = requests.post(f"{server}/v1/checks", json=request, headers={"X-Request-Id": identity})
        findings = response.json()["findings"]
        weight: float = next(finding["value"] for finding in findings if finding["quantity"] == "weight")
        return response.headers["X-Request-Id"], weight

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(ask, range(100)))
    assert answers == [(f"caller-{number}", 12 + number / 50) for number in range(100)]


def test_the_log_has_one_line_of_json_a_request(server: str, server_log: Path) -> None:
    requests.post(
        f"{server}/v1/checks", json={"ball": {"name": "SECRET"}}, headers={"X-Request-Id": "log-test-1"}
    )
    lines = [line for line in server_log.read_text().splitlines() if "log-test-1" in line]
    (record,) = map(json.loads, lines)
    assert (record["method"], record["path"], record["status"]) == ("POST", "/v1/checks", 422)
    assert "SECRET" not in server_log.read_text()
