"""A service refuses what the contract refuses: with problem details, every bad field at once, never a 500."""

from __future__ import annotations

import json
from typing import Any

import pytest

from ballgauge._http import JSON
from ballgauge.contract._server import Server, pointers_of, problem_of
from ballgauge_schemas.shared.documents import example
from ballgauge_schemas.shared.problems import VALIDATION_TYPE

WRONG: dict[str, Any] = {
    "ball": {"weight": "15", "diameter": "8.59 kg", "rg": 25, "color": "red", "cover": "glass"},
    "drilling": {"layout": {"pin_to_pap": -1}, "holes": [{"role": "thumb", "depth": True}]},
    "rules": {"on": "2024-02-30"},
}
POINTERS = {
    "/ball/weight",
    "/ball/diameter",
    "/ball/rg",
    "/ball/color",
    "/ball/cover",
    "/drilling/hand",
    "/drilling/layout/pin_to_pap",
    "/drilling/layout/drilling_angle",
    "/drilling/layout/val_angle",
    "/drilling/holes/0/diameter",
    "/drilling/holes/0/depth",
    "/rules/on",
}


def test_every_bad_field_is_named_at_once(service: Server) -> None:
    """Twelve fields are wrong, and twelve pointers are named."""
    response = service.post("/v1/checks", WRONG)
    named = pointers_of(response)
    assert set(named) >= POINTERS
    assert problem_of(response)["type"] == VALIDATION_TYPE


def test_a_bad_field_of_a_batch_is_named_by_its_item(service: Server) -> None:
    """Two bad checks of three, each by its place in the array."""
    checks = [{"ball": {"weight": 100}}, example("as_made"), {}]
    named = pointers_of(service.post("/v1/checks", {"checks": checks}))
    assert {"/checks/0/ball/weight", "/checks/2/ball"} <= set(named)
    assert not any(pointer.startswith("/checks/1") for pointer in named)


@pytest.mark.parametrize("path", ["/v1/checks", "/v1/drillings", "/v1/designs", "/v1/motions", "/v1/lineups"])
@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[1", b"\xff", b'{"ball": {"weight": 15, "weight": 16}}', b"[" * 1000],
    ids=["empty", "open", "torn", "no-utf-8", "twice", "deep"],
)
def test_what_is_no_json_is_a_400(service: Server, path: str, body: bytes) -> None:
    """An empty body, a torn one, bytes that are no text, a name that is given twice, deep nesting."""
    assert service.send("POST", path, body, {"Content-Type": JSON}).status_code == 400


@pytest.mark.parametrize("body", [b"null", b"[]", b'"x"', b"1", b"NaN", b'{"ball": {"weight": NaN}}'])
def test_json_of_another_kind_is_a_422(service: Server, body: bytes) -> None:
    """JSON that is no request, and numbers that are none."""
    assert pointers_of(service.send("POST", "/v1/checks", body, {"Content-Type": JSON}))


def test_an_unknown_address_is_a_404(service: Server) -> None:
    """As a problem."""
    assert service.get("/v1/nothing").status_code == 404


@pytest.mark.parametrize("media", ["text/plain", "application/xml", "application/json; charset=utf-16", ""])
def test_another_media_type_is_a_415(service: Server, media: str) -> None:
    """Types that are not JSON, and JSON in another character set."""
    body = json.dumps(example("as_made")).encode()
    assert service.send("POST", "/v1/checks", body, {"Content-Type": media}).status_code == 415


def test_a_compressed_body_is_a_415(service: Server) -> None:
    """What is not taken is not guessed at."""
    headers = {"Content-Type": JSON, "Content-Encoding": "gzip"}
    assert service.send("POST", "/v1/checks", b"\x1f\x8b", headers).status_code == 415


@pytest.mark.parametrize("path", ["/v1/lots", "/v1/designs", "/v1/motions", "/v1/lineups"])
def test_no_answer_of_the_type_asked_for_is_a_406(service: Server, path: str) -> None:
    """Where an address answers in several types."""
    headers = {"Content-Type": "text/csv" if path.endswith("lots") else JSON, "Accept": "image/gif"}
    assert service.send("POST", path, b"{}", headers).status_code == 406


def test_a_body_beyond_the_limit_is_a_413(service: Server) -> None:
    """More than 2 MiB is refused; a quarter of it is read."""
    name = "x" * (1 << 21)
    assert service.post("/v1/checks", {"ball": {"weight": 15, "name": name}}).status_code == 413
    assert "/ball/name" in pointers_of(
        service.post("/v1/checks", {"ball": {"weight": 15, "name": name[: 1 << 19]}})
    )


def test_a_query_with_an_unknown_name_is_a_422(service: Server) -> None:
    """The name is pointed at."""
    assert pointers_of(service.get("/v1/rulebooks", {"bodi": "usbc"})) == ["/bodi"]


def test_the_callers_request_id_comes_back(service: Server) -> None:
    """In the header, and in the problem."""
    response = service.send("GET", "/v1/nothing", None, {"X-Request-Id": "contract-kit-1"})
    assert response.headers["X-Request-Id"] == "contract-kit-1"
    assert problem_of(response)["request_id"] == "contract-kit-1"
