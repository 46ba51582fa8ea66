"""Checks that keep what is good: collected errors of a batch, and lines in and out.

Oracle: the same checks asked one by one.
"""

from __future__ import annotations

import itertools
import json
import tracemalloc
from collections.abc import Iterator
from typing import Any

import pytest

from ballgauge_schemas import example
from ballgauge_schemas.check.answer import CHECK_BATCH_COLLECTED, COLLECTED_CHECK
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.web import direct
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

NDJSON = "application/x-ndjson"
IMPOSSIBLE = {"ball": {"weight": 15, "rg": 3.2, "differential": 0.2, "diameter": 7.5}}
MIXED = [example("drilled"), {"ball": {"wieght": 15}}, IMPOSSIBLE, 7, {"ball": {"weight": 16.5}}]


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app(json_logs=False, warm_up=False, settings=Settings()).test_client()


def alone(client: Any, check: Any, detail: str) -> Any:
    """What one check is answered by itself, as it would stand among many."""
    asked = {**check, "detail": detail} if isinstance(check, dict) else check
    response = client.post("/v1/checks", json=asked)
    if response.status_code == 200:
        return {"result": response.json}
    return {"problem": {name: value for name, value in response.json.items() if name != "request_id"}}


@pytest.mark.parametrize("detail", ["full", "findings", "brief"])
def test_each_of_a_batch_is_answered_as_it_is_alone(client: Any, detail: str) -> None:
    """The good ones by their results, the bad ones by their problems, in order, and counted."""
    asked = {"checks": MIXED, "detail": detail, "on_error": "collect"}
    told = client.post("/v1/checks", json=asked).json
    CHECK_BATCH_COLLECTED.load(told)
    assert told["results"] == [alone(client, check, detail) for check in MIXED]
    assert told["counts"]["refused"] == 3
    assert sum(told["counts"].values()) == len(MIXED)


def test_a_batch_refuses_as_a_whole_where_nothing_else_is_asked(client: Any) -> None:
    """As every batch did before; and what is wrong with the batch itself is no check's."""
    assert client.post("/v1/checks", json={"checks": MIXED}).status_code == 422
    assert client.post("/v1/checks", json={"checks": MIXED, "on_error": "refuse"}).status_code == 422
    for wrong in ({"detail": "long"}, {"extra": 1}, {"checks": []}, {"checks": 7}):
        response = client.post("/v1/checks", json={"checks": MIXED, "on_error": "collect", **wrong})
        assert [error["pointer"] for error in response.json["errors"]][:1] == [f"/{next(iter(wrong))}"]


def test_an_approved_list_of_the_batch_is_every_checks(client: Any) -> None:
    rows = [{"model": "Tarn 48", "brand": "Ostrel Works", "approved_on": "2020-01-01"}]
    checks = [{"ball": {"weight": 15, "name": "Tarn 48"}}, {"ball": {}}]
    told = client.post(
        "/v1/checks", json={"checks": checks, "on_error": "collect", "approved_list": rows}
    ).json
    assert told["results"][0]["result"]["rules"]["approved_list"]["given_by"] == "request"
    assert "problem" in told["results"][1]


@pytest.mark.parametrize("detail", ["full", "brief"])
def test_lines_are_answered_by_lines(client: Any, detail: str) -> None:
    """Blank lines are none; what is not JSON, or too long, has its problem in its place."""
    lines = [json.dumps(check) for check in MIXED]
    body = "\r\n".join([*lines, "", "{torn", '{"ball": {"name": "' + "x" * (1 << 21) + '"}}'])
    response = client.post(f"/v1/checks?detail={detail}", data=body, content_type=NDJSON)
    assert response.headers["Content-Type"] == NDJSON
    told = [json.loads(line) for line in response.data.splitlines()]
    for entry in told:
        COLLECTED_CHECK.load(entry)
    assert told[: len(MIXED)] == [alone(client, check, detail) for check in MIXED]
    assert [entry["problem"]["status"] for entry in told[len(MIXED) :]] == [400, 413]


def test_a_line_says_its_own_detail(client: Any) -> None:
    body = json.dumps({"ball": {"weight": 15}, "detail": "findings"})
    told = json.loads(client.post("/v1/checks?detail=brief", data=body, content_type=NDJSON).data)
    assert "findings" in told["result"]


@pytest.mark.parametrize("query", ["detail=long", "details=brief"])
def test_a_query_that_is_wrong_is_named(client: Any, query: str) -> None:
    response = client.post(f"/v1/checks?{query}", data=b"{}", content_type=NDJSON)
    assert (response.status_code, response.json["errors"][0]["pointer"]) == (422, "/detail")


def test_packed_lines_are_refused(client: Any) -> None:
    """As every packed body is: the rest of a body is taken where it is refused."""
    packed = {"Content-Encoding": "gzip"}
    response = client.post("/v1/checks", data=b"{}", content_type=NDJSON, headers=packed)
    assert response.status_code == 415
    assert client.post("/v1/checks", json={}, headers=packed).json["detail"] == response.json["detail"]


def test_no_lines_have_no_answers(client: Any) -> None:
    for body in (b"", b"\n\n"):
        response = client.post("/v1/checks", data=body, content_type=NDJSON)
        assert (response.status_code, response.data) == (200, b"")


def test_memory_does_not_grow_with_the_lines() -> None:
    """Four times as many lines take about as much: the collector of cycles runs between the pieces."""
    line = json.dumps({"ball": {"weight": 15, "rg": 2.5}, "detail": "brief"}).encode()

    def peak(count: int) -> int:
        lines: Iterator[bytes] = itertools.repeat(line, count)
        tracemalloc.start()
        given = sum(piece.count(b"\n") for piece in direct.check_lines(lines, "brief"))
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert given == count
        return most

    run_compiled()
    peak(1000)  # what is loaded and compiled once
    assert peak(4000) < 2 * peak(1000)


def test_the_query_s_detail_holds_where_a_check_says_none(client: Any, drilled: dict[str, Any]) -> None:
    """Against the same asked in the body; what the body says comes first, and no other word is taken."""
    brief = client.post("/v1/checks", json=drilled | {"detail": "brief"})
    assert client.post("/v1/checks?detail=brief", json=drilled).data == brief.data
    assert client.post("/v1/checks?detail=full", json=drilled | {"detail": "brief"}).data == brief.data
    several = client.post("/v1/checks?detail=brief", json={"checks": [drilled]})
    assert several.json["results"] == [brief.json]
    for query in ("detail=short", "detail=brief&more=1"):
        answer = client.post(f"/v1/checks?{query}", json=drilled)
        assert answer.status_code == 422
        assert answer.json["errors"][0]["pointer"] == "/detail"
