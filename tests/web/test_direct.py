"""An engine inside another process answers what the application answers, to the byte."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from ballgauge_schemas.shared.documents import example, example_names
from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_service.web.direct import Direct

CHECKS, DRILLINGS, RULES, VERIFY = "/v1/checks", "/v1/drillings", "/v1/rulebooks", "/v1/records/verify"
DEEP = b'{"ball":' * 40 + b"1" + b"}" * 40
LONG_THUMB: dict[str, Any] = {
    "ball": {"diameter": 8.58, "weight": 15},
    "drilling": {"holes": [{"role": "thumb", "diameter": 31, "depth": 9}]},
}
IMPOSSIBLE = example("drilling") | {
    "ball": example("drilling")["ball"] | {"cover_thickness": 3, "cover_density": 2}
}
POSTED: dict[str, tuple[str, bytes]] = {
    **{name: (CHECKS, json.dumps(example(name)).encode()) for name in example_names(drillings=False)},
    **{name: (DRILLINGS, json.dumps(example(name)).encode()) for name in example_names(drillings=True)},
    "a ball looked up": (
        CHECKS,
        json.dumps(
            {
                "ball": {"weight": 15, "name": "Ostrel Tarn"},
                "rules": {"approved_list": [{"name": "Ostrel Tarn", "approved_on": "2020-01-01"}]},
            }
        ).encode(),
    ),
    "a batch": (CHECKS, json.dumps({"checks": [{"ball": {"weight": 15}}] * 3, "detail": "brief"}).encode()),
    "nothing": (CHECKS, b""),
    "no JSON": (CHECKS, b"{"),
    "no UTF-8": (CHECKS, b'{"ball": "\xff"}'),
    "no object": (DRILLINGS, b"[]"),
    "nested too deep": (CHECKS, DEEP),
    "duplicate names": (CHECKS, b'{"ball": {"rg": 2.5, "rg": 2.6}}'),
    "fields that are wrong": (CHECKS, json.dumps(LONG_THUMB).encode()),
    "an unknown overlay": (CHECKS, b'{"ball": {"weight": 15}, "rules": {"overlay": "mars"}}'),
    "an unknown overlay in a batch": (
        CHECKS,
        b'{"checks": [{"ball": {"weight": 15}}, {"ball": {"weight": 15}, "rules": {"overlay": "mars"}}]}',
    ),
    "impossible in a batch": (
        DRILLINGS,
        json.dumps({"drillings": [example("drilling"), IMPOSSIBLE]}).encode(),
    ),
    "too large": (CHECKS, b" " * (BODY_MAXIMUM + 1)),
    "no record": (VERIFY, b'{"record": "a.b.c"}'),
}
ASKED = (
    "",
    "body=usbc&on=2019-03-01",
    "body=usbc&body=ibf",
    "overlay=mars",
    "no=1&body=",
    "%00=1",
    "on=caf%C3%A9+1",
)


def same(answer: Any, response: Any) -> None:
    """Every header and the body, but for the id of the request and what only a server has to say."""
    hidden = re.compile(rb'"request_id":"[0-9a-f]{32}"')
    assert answer.status == response.status_code
    assert answer.headers["Content-Type"] == response.headers["Content-Type"]
    assert re.fullmatch("[0-9a-f]{32}", answer.headers["X-Request-Id"])
    assert hidden.sub(b"", answer.body) == hidden.sub(b"", response.data)


@pytest.mark.parametrize(("path", "body"), POSTED.values(), ids=POSTED)
def test_a_body_is_answered_as_by_the_application(app: Any, path: str, body: bytes) -> None:
    direct = Direct()
    assert direct.answers("POST", path)
    response = app.test_client().post(path, data=body, content_type="application/json")
    same(direct.answer("POST", path, "", body), response)


def inside(document: Any) -> Iterator[Any]:
    """Every object and array of a document, and the document."""
    if isinstance(document, (dict, list)):
        yield document
        for each in document.values() if isinstance(document, dict) else document:
            yield from inside(each)


@pytest.mark.parametrize(("path", "body"), POSTED.values(), ids=POSTED)
def test_a_document_is_what_its_json_says_and_nobody_elses(path: str, body: bytes) -> None:
    """Types and the order of names too; and no part of it is a part of another answer."""
    first, second = (Direct().answer("POST", path, "", body) for _ in range(2))
    if first.status == 200:
        assert json.dumps(first.document) == json.dumps(json.loads(first.body))
        assert not {id(each) for each in inside(first.document)} & {
            id(each) for each in inside(second.document)
        }


@pytest.mark.parametrize("query", ASKED)
def test_a_query_is_answered_as_by_the_application(app: Any, query: str) -> None:
    direct = Direct()
    assert direct.answers("GET", RULES)
    same(direct.answer("GET", RULES, query, b""), app.test_client().get(f"{RULES}?{query}"))


@pytest.mark.parametrize(("method", "path"), [("GET", CHECKS), ("POST", RULES), ("POST", "/v1/lots")])
def test_all_else_is_left_to_the_application(method: str, path: str) -> None:
    assert not Direct().answers(method, path)


def test_keys_are_read_when_they_are_first_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    direct, body = Direct(), b'{"record": "a.b.c"}'
    monkeypatch.setenv("BALLGAUGE_KEYS", "no keys")
    assert direct.answer("POST", VERIFY, "", body).status == 409
    monkeypatch.setenv("BALLGAUGE_KEYS", "demo")
    assert direct.answer("POST", VERIFY, "", body).status == 422


def test_what_nobody_foresaw_is_a_problem_of_the_service(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The engine's own failure is logged under the id that the caller is told."""
    fail: Callable[[Any], Any] = lambda asked: 1 / 0  # noqa: E731
    direct = Direct()
    monkeypatch.setitem(direct._posts, CHECKS, fail)
    answer = direct.answer("POST", CHECKS, "", b"{}")
    told = json.loads(answer.body)
    assert (answer.status, told["status"]) == (500, 500)
    assert any(getattr(record, "request_id", None) == told["request_id"] for record in caplog.records)
