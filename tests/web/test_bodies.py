"""What a body must be: each refusal by the status RFC 9110 gives it, as problem details by RFC 9457."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ballgauge_schemas.shared.limits import BATCH_MAXIMUM, BODY_MAXIMUM
from ballgauge_service.web.http import bodies
from ballgauge_service.web.http.bodies import DEEPEST_NESTING

JSON = "application/json"
ADDRESSES = ("/v1/checks", "/v1/drillings")


@pytest.fixture
def client(app: Any) -> Any:
    return app.test_client()


def post(client: Any, body: bytes | str, content_type: str | None = JSON, **headers: str) -> Any:
    return client.post("/v1/checks", data=body, content_type=content_type, headers=headers)


def problem(response: Any, status: int) -> dict[str, Any]:
    assert response.status_code == status, response.text
    assert response.content_type == "application/problem+json"
    document: dict[str, Any] = json.loads(response.data)
    assert document["status"] == status
    assert document["title"]
    assert document["detail"]
    assert document["request_id"] == response.headers["X-Request-Id"]
    return document


def pointers(document: dict[str, Any]) -> set[str]:
    return {error["pointer"] for error in document["errors"]}


def test_empty_body_is_refused_with_400(client: Any) -> None:
    assert "empty" in problem(post(client, b""), 400)["detail"]


def test_a_post_without_body_or_type_is_refused_with_400(client: Any) -> None:
    assert "empty" in problem(post(client, b"", None), 400)["detail"]


@pytest.mark.parametrize(
    "content_type", [None, "text/plain", "application/x-www-form-urlencoded", "json", ""]
)
def test_another_content_type_is_refused_with_415(client: Any, content_type: str | None) -> None:
    assert "application/json" in problem(post(client, b"{}", content_type), 415)["detail"]


@pytest.mark.parametrize(
    "content_type", ["application/json; charset=utf-8", "application/vnd.shop+json", "Application/JSON"]
)
def test_json_by_another_name_is_read(client: Any, drilled: dict[str, Any], content_type: str) -> None:
    assert post(client, json.dumps(drilled), content_type).status_code == 200


def test_another_character_set_is_refused_with_415(client: Any) -> None:
    assert "utf-16" in problem(post(client, "{}".encode("utf-16"), f"{JSON}; charset=utf-16"), 415)["detail"]


def test_a_compressed_body_is_refused_with_415(client: Any) -> None:
    problem(post(client, b"\x1f\x8b", JSON, **{"Content-Encoding": "gzip"}), 415)


def test_truncated_json_is_refused_with_400_and_the_place(client: Any) -> None:
    detail = problem(post(client, '{"ball":\n  {"weight": 15'), 400)["detail"]
    assert "line 2, column 16 (character 24)" in detail


def test_bytes_that_are_not_utf8_are_refused_with_400_and_the_place(client: Any) -> None:
    assert "byte 9" in problem(post(client, b'{"ball": \xff}'), 400)["detail"]


@pytest.mark.parametrize(
    "body", ["[" * 100_000, '{"a":' * 100_000, "[" * 40 + "]" * 40, '{"a":' * 40 + "1" + "}" * 40]
)
def test_deep_nesting_is_refused_with_400(client: Any, body: str) -> None:
    assert f"{DEEPEST_NESTING} levels" in problem(post(client, body), 400)["detail"]


def test_every_name_that_stands_twice_is_named(client: Any) -> None:
    body = '{"ball": {"weight": 15, "weight": 16, "a/b": 1, "a/b": 2}, "ball": {"rg": 2.5, "rg": 2.6}}'
    document = problem(post(client, body), 400)
    assert pointers(document) == {"/ball", "/ball/rg"}
    body = '{"ball": {"weight": 15, "weight": 16, "a/b": 1, "a/b": 2}}'
    assert pointers(problem(post(client, body), 400)) == {"/ball/weight", "/ball/a~1b"}


def test_half_a_surrogate_pair_is_refused_with_400_and_its_field(client: Any) -> None:
    assert pointers(problem(post(client, r'{"ball": {"name": "\ud800"}}'), 400)) == {"/ball/name"}
    assert pointers(problem(post(client, r'{"ball": {"\udc00": 1}}'), 400)) == {"/ball"}
    assert pointers(problem(post(client, r'{"\udc00": 1, "\udc00": 1}'), 400)) == {""}


def test_a_name_with_control_characters_is_refused_with_400_and_its_object(client: Any) -> None:
    body = r'{"ball": {"we\u0000ight": {"a": {"\u009f": 1}}, "rg": 1}, "rules": {"\n": 1, "\n": 1}}'
    assert pointers(problem(post(client, body), 400)) == {"/ball", "/rules"}
    response = client.get("/v1/rulebooks?bo%00dy=usbc")
    assert pointers(problem(response, 422)) == {""}


@pytest.mark.parametrize("token", ["NaN", "Infinity", "-Infinity", "1e999", "9" * 5000, "-" + "9" * 5000])
def test_numbers_beyond_json_are_refused_with_422_and_their_field(client: Any, token: str) -> None:
    body = f'{{"ball": {{"weight": {token}, "rg": {{"value": {token}}}}}, "decision": {{"risk": {token}}}}}'
    named = pointers(problem(post(client, body), 422))
    assert {"/ball/weight", "/decision/risk"} <= named
    assert any(pointer.startswith("/ball/rg") for pointer in named)


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_body_over_the_limit_is_refused_with_413(client: Any, address: str) -> None:
    body = json.dumps({"ball": {"weight": 15, "name": "x" * BODY_MAXIMUM}})
    assert "2 MiB" in problem(client.post(address, data=body, content_type=JSON), 413)["detail"]


def test_a_thousand_drilled_balls_with_every_uncertainty_fit(drilled: dict[str, Any]) -> None:
    """Against the limit of items: each measurement with its unit and uncertainty."""

    def measured(value: Any) -> Any:
        if isinstance(value, dict):
            return {name: measured(member) for name, member in value.items()}
        if isinstance(value, list):
            return [measured(member) for member in value]
        is_number = isinstance(value, float | int)
        return {"value": value, "unit": "deg", "uncertainty": 0.0005} if is_number else value

    assert len(json.dumps({"checks": [measured(drilled)] * BATCH_MAXIMUM})) <= BODY_MAXIMUM


def test_a_body_at_the_limit_is_read(client: Any) -> None:
    body = '{"ball": {"weight": 15}}'
    assert post(client, body + " " * (BODY_MAXIMUM - len(body))).status_code == 200
    problem(post(client, body + " " * (BODY_MAXIMUM - len(body) + 1)), 413)


@pytest.mark.parametrize("body", ["[]", "null", "true", "1", '"ball"', "[[[]]]"])
@pytest.mark.parametrize("address", ADDRESSES)
def test_json_that_is_no_object_is_refused_with_422(client: Any, address: str, body: str) -> None:
    problem(client.post(address, data=body, content_type=JSON), 422)


def test_many_errors_are_counted_not_listed_without_end(client: Any) -> None:
    body = json.dumps({"checks": [{"ball": {"weight": "x", "rg": "y"}}] * 1000})
    errors = problem(post(client, body), 422)["errors"]
    assert len(errors) == 1001
    assert errors[-1]["pointer"] == ""
    assert errors[-1]["detail"].endswith("more errors")
    body = "[" + ",".join(['{"a":1,"a":2}'] * 5000) + "]"
    assert problem(post(client, body), 400)["errors"][-1] == {"pointer": "", "detail": "4000 more errors"}


NUMBERS = st.floats() | st.integers() | st.sampled_from([10**400, -(10**4000), 1e308, 5e-324])
KNOWN = st.sampled_from(
    """
    ball weight diameter circumference rg differential intermediate_differential top_weight pin_to_cg
    pin_to_low_rg_axis cover_thickness cover_density approved_on house_ball cover drilling hand pap over up
    layout drilling_angle pin_to_pap val_angle grip span_middle span_ring span_kind bridge thumb holes role
    depth pitch_forward at right used slug_density balance_arm measured_balance top side finger rules body
    on stage overlay decision rule risk remedies margin checks drillings value unit uncertainty
    """.split()  # noqa: SIM905 (names read better in rows)
)
WORDS = (
    st.text(max_size=12)
    | KNOWN
    | st.sampled_from(["15 lb", "3 3/8 in", "1/0 in", "9**9**9 in", "2026-02-30"])
)
ANY_JSON = st.recursive(
    st.none() | st.booleans() | NUMBERS | WORDS,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(KNOWN | st.text(max_size=6), inner, max_size=6)
    ),
    max_leaves=30,
)


def encoded(document: Any) -> bytes:
    return json.dumps(document).encode()


def assert_answered(response: Any) -> None:
    if response.status_code == 200:
        assert_finite(json.loads(response.data, parse_constant=no_constant))
        return
    assert 400 <= response.status_code < 500, response.text
    assert problem(response, response.status_code)


def no_constant(token: str) -> None:
    raise AssertionError(f"{token} is not JSON")


def assert_finite(document: Any) -> None:
    assert "NaN" not in json.dumps(document)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(document=ANY_JSON, address=st.sampled_from(ADDRESSES))
def test_any_json_gives_a_result_or_a_refusal(client: Any, document: Any, address: str) -> None:
    assert_answered(client.post(address, data=encoded(document), content_type=JSON))


def paths(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    members = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    return [path, *(found for name, member in members for found in paths(member, (*path, name)))]


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), address=st.sampled_from(ADDRESSES))
def test_a_sound_request_with_any_one_part_replaced_is_answered(
    client: Any, drilled: dict[str, Any], data: st.DataObject, address: str
) -> None:
    document = copy.deepcopy(drilled)
    if address == "/v1/drillings":
        del document["rules"]
    *way, last = data.draw(st.sampled_from(paths(document)[1:]))
    target: Any = document
    for name in way:
        target = target[name]
    target[last] = data.draw(ANY_JSON)
    assert_answered(client.post(address, data=encoded(document), content_type=JSON))


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=200))
def test_any_bytes_give_a_refusal(client: Any, body: bytes) -> None:
    assert_answered(post(client, body))


NUMBERS = st.integers(-(10**18), 10**18) | st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(st.sampled_from('ab": {}[],'), max_size=6) | st.text(max_size=4)
VALUES = st.recursive(
    st.none() | st.booleans() | NUMBERS | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
)


@settings(deadline=None, max_examples=300)
@given(VALUES, st.booleans(), st.sampled_from((None, 1)))
def test_the_fast_way_reads_what_the_strict_way_reads(value: Any, ascii_only: bool, indent: Any) -> None:
    """Against the walk that looks at every name and text; the fast way may only leave a body to it."""
    text = json.dumps(value, ensure_ascii=ascii_only, indent=indent).encode("utf-8", "surrogatepass")
    try:
        fast = bodies._parse_plain(text)
    except ValueError:
        return
    strict = bodies._parse(bodies._decode(text))
    bodies._inspect(strict)
    assert repr(fast) == repr(strict)


@pytest.mark.parametrize(
    "text",
    [
        b'{"a":1,"a":2}', b'{"b":[{"a" :1,"c":{},"a"\n:2}]}', b'{"a":"\\ud800"}', b'{"\x7f":1}', b'{"a":NaN}',
        b"[" * 33 + b"]" * 33, b"12345678901234567890", b"1e999", b'{"a":1', b"\xff", b'{"a":"\": "}',
    ],
)  # fmt: skip
def test_the_fast_way_leaves_what_is_rare_to_the_strict_way(text: bytes) -> None:
    """Against RFC 8259: what it says may be read differently, or not at all, is looked at one by one."""
    with pytest.raises(ValueError, match=r"\S"):
        bodies._parse_plain(text)
