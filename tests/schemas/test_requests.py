"""Requests: every error at once, each at its place, and nothing but errors for nonsense."""

from __future__ import annotations

import copy
import datetime
import math
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError

from ballgauge_schemas import (
    CHECK_REQUEST,
    RULEBOOK_QUERY,
    Quantity,
    example,
    example_names,
    flatten,
    load_check_body,
    load_drilling_body,
    openapi_document,
)
from ballgauge_schemas.shared.limits import ERRORS_MAXIMUM, UNKNOWN_MAXIMUM

PLACED = {"right": 0, "up": 2.5}
UNPLACED_THUMB = "missing; the thumb hole needs at, or grip.span_middle or grip.span_ring"
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.just(10**400)
    | st.text(max_size=20)
    | st.sampled_from(["1 in", "1 kg", "right", "thumb", "usbc", "2020-02-29", "2021-02-29"])
)
NAMES = st.text(max_size=8) | st.sampled_from(
    ["ball", "checks", "weight", "holes", "value", "unit", "_schema", "a/b~"]
)
JSON = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(NAMES, inner, max_size=5),
    max_leaves=12,
)


def said(body: Any, load: Any = load_check_body) -> dict[str, str]:
    with pytest.raises(ValidationError) as caught:
        load(body)
    return {error["pointer"]: error["detail"] for error in flatten(caught.value.messages)}


def refusal(load: Any, body: Any) -> list[dict[str, str]] | None:
    """The errors of a body, None where it loads; any exception but ValidationError gets through."""
    try:
        load(body)
    except ValidationError as error:
        return flatten(error.messages)
    return None


def drilled(**changes: Any) -> dict[str, Any]:
    return {"ball": {"weight": 15, "diameter": 8.59}, "drilling": {"hand": "right", **changes}}


def hole(role: str, **more: Any) -> dict[str, Any]:
    return {"role": role, "diameter": 1, "depth": 2, **more}


def places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    below = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [path] + [place for key, inner in below for place in places(inner, (*path, key))]


def changed(document: Any, path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    result = copy.deepcopy(document)
    node = result
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = value
    return result


@st.composite
def spoilt(draw: st.DrawFn) -> tuple[str, Any]:
    """An example request with one or two of its parts replaced by any JSON."""
    name = draw(st.sampled_from(example_names()))
    body = example(name)
    for _ in range(draw(st.integers(1, 2))):
        body = changed(body, draw(st.sampled_from(places(body))), draw(JSON))
    return name, body


def test_a_full_check_loads_into_quantities_and_defaults() -> None:
    """Against the contract's defaults."""
    loaded, batch = load_check_body(
        {
            "ball": {"weight": "15 lb", "diameter": 8.5, "approved_on": "2020-02-29", "cover": "urethane"},
            "drilling": {"hand": "left", "grip": {}, "holes": [hole("vent", at=PLACED)]},
        }
    )
    assert not batch
    assert loaded == [
        {
            "ball": {
                "weight": Quantity(15.0),
                "diameter": Quantity(8.5),
                "approved_on": datetime.date(2020, 2, 29),
                "cover": "urethane",
                "house_ball": False,
            },
            "drilling": {
                "hand": "left",
                "grip": {"span_kind": "cut_to_cut", "thumb": True},
                "holes": [
                    {
                        "role": "vent",
                        "diameter": Quantity(1.0),
                        "depth": Quantity(2.0),
                        "at": {"right": Quantity(0.0), "up": Quantity(2.5)},
                        "pitch_forward": Quantity(0.0),
                        "pitch_lateral": Quantity(0.0),
                    }
                ],
            },
            "rules": {"body": "usbc", "stage": "play"},
            "decision": {"rule": "simple", "risk": 0.05},
            "remedies": {"margin": Quantity(0.1), "already_drilled": False},
            "detail": "full",
        }
    ]


def test_defaults_are_not_shared_between_requests() -> None:
    """Against a change of one request that must not show in the next."""
    first = CHECK_REQUEST.load({"ball": {"weight": 15}})
    first["rules"]["body"] = "ibf"
    first["remedies"]["margin"] = None
    assert CHECK_REQUEST.load({"ball": {"weight": 15}})["rules"] == {"body": "usbc", "stage": "play"}
    drilling = load_check_body(drilled())[0][0]["drilling"]
    drilling["holes"].append(1)
    assert load_check_body(drilled())[0][0]["drilling"]["holes"] == []


def test_every_bad_field_is_named_at_once(sentence: Any) -> None:
    """Against RFC 6901 pointers, counted by hand."""
    body = {
        "ball": {
            "wieght": 15,
            "rg": True,
            "differential": 0.01,
            "intermediate_differential": 0.02,
            "a/b~": 1,
        },
        "drilling": {
            "layout": {"drilling_angle": "9 in"},
            "holes": [hole("thumb", depth=31), hole("thumb"), hole("vent"), 7],
        },
        "rules": {"on": "2021-02-29", "body": "abc"},
        "decision": {"risk": 0.5},
        "cheks": 1,
    }
    found = said(body)
    assert set(found) == {
        "/ball/wieght",
        "/ball/rg",
        "/ball/a~1b~0",
        "/ball/weight",
        "/ball/diameter",
        "/ball/differential",
        "/ball/intermediate_differential",
        "/drilling/hand",
        "/drilling/pap",
        "/drilling/layout/drilling_angle",
        "/drilling/layout/pin_to_pap",
        "/drilling/layout/val_angle",
        "/drilling/holes/0/depth",
        "/drilling/holes/0/at",
        "/drilling/holes/1/at",
        "/drilling/holes/2/at",
        "/drilling/holes/3",
        "/rules/on",
        "/rules/body",
        "/decision/risk",
        "/cheks",
    }
    assert found == sentence("every bad field of a check")


def test_errors_of_a_batch_carry_its_index(sentence: Any) -> None:
    """Against RFC 6901: array indices are reference tokens."""
    good = {"ball": {"weight": 15}}
    assert said({"checks": [good, good, {"ball": {"weight": 15, "rg": "x"}}, []]}) == {
        "/checks/2/ball/rg": sentence("no number with a unit"),
        "/checks/3": sentence("array for an object"),
    }
    assert said({"checks": [good], "ball": {}}) == {"/ball": "unknown field"}
    assert said({"checks": []}) == {"/checks": sentence("no entries")}
    assert said({"checks": [good] * 1001}) == {"/checks": sentence("too many entries")}
    assert said({"checks": {}}) == {"/checks": sentence("object for an array")}
    assert said({"drillings": [good]}, load_drilling_body) == {
        "/drillings/0/drilling": sentence("missing field"),
        "/drillings/0/ball/diameter": sentence("missing diameter"),
    }


def test_a_batch_of_a_thousand_loads() -> None:
    """Against the documented maximum."""
    loaded, batch = load_check_body({"checks": [{"ball": {"weight": 15}}] * 1000})
    assert (len(loaded), batch) == (1000, True)


@pytest.mark.parametrize("body", [None, [], "ball", 5, True, math.nan, [{"ball": {}}]])
def test_a_body_that_is_no_object_is_one_error_on_the_whole(body: Any) -> None:
    """Against RFC 6901, section 5: the empty pointer is the whole document."""
    for load in (load_check_body, load_drilling_body):
        assert list(said(body, load)) == [""]


@pytest.mark.parametrize(
    ("drilling", "pointers"),
    [
        ({"hand": "both"}, {"/drilling/hand"}),
        ({"hand": ["right", "left"]}, {"/drilling/hand"}),
        (
            {"holes": [hole("vent", at=PLACED)] * 25},
            {"/drilling/holes"},
        ),
        (
            {"holes": [hole("middle"), hole("ring")], "grip": {"span_middle": 4, "thumb": False}},
            {"/drilling/holes/0/at", "/drilling/holes/1/at"},
        ),
        (
            {"holes": [hole("thumb", at=PLACED)], "grip": {"thumb": False}},
            {"/drilling/grip/thumb"},
        ),
        (
            {"holes": [hole("middle")], "grip": {"span_middle": 4}},
            {"/drilling/grip/thumb"},
        ),
        (
            {"holes": [hole("middle", at={"right": 1})]},
            {"/drilling/holes/0/at/up"},
        ),
        (
            {"holes": [hole("middle", slug_density="x")] * 2, "grip": 5},
            {"/drilling/grip", "/drilling/holes/0/slug_density", "/drilling/holes/1/slug_density"},
        ),
        (
            {"holes": [hole("middle"), hole("thumb")], "grip": {"span_middle": "four"}},
            {"/drilling/grip/span_middle"},
        ),
        (
            {
                "pap": {"over": 5, "up": "x"},
                "layout": {"drilling_angle": 50, "pin_to_pap": 4, "val_angle": 30},
            },
            {"/drilling/pap/up"},
        ),
    ],
)
def test_contradictions_of_a_drilling(drilling: dict[str, Any], pointers: set[str], sentence: Any) -> None:
    """Against the contract's rules between fields: one error for one fault, none that merely follows."""
    found = said(drilled(**drilling))
    assert set(found) == pointers
    assert found == sentence(f"contradiction: {drilling!r:.120}")


@pytest.mark.parametrize(
    "drilling",
    [
        {"holes": [hole("thumb", at=PLACED), hole("thumb", at=PLACED, slug_density=1.2)]},
        {"holes": [hole("thumb", at=PLACED, used=False)], "grip": {"thumb": False}},
        {"holes": [hole("vent", at=PLACED)] * 24},
        {"holes": [hole("middle")], "grip": {"span_middle": 4, "thumb": False}},
        {"holes": [hole("thumb"), hole("ring")], "grip": {"span_ring": 4}},
        {"holes": []},
        {"pap": {"over": 5, "up": 0}},
    ],
)
def test_drillings_that_are_in_order(drilling: dict[str, Any]) -> None:
    """Against the contract's rules between fields."""
    load_check_body(drilled(**drilling))


def test_diameter_and_circumference_must_agree(sentence: Any) -> None:
    """Against circumference = pi x diameter."""
    load_check_body({"ball": {"weight": 15, "diameter": 8.59, "circumference": math.pi * 8.59}})
    text = sentence("diameter against circumference")
    assert said({"ball": {"weight": 15, "diameter": 8.59, "circumference": 26.5}}) == {
        "/ball/diameter": text,
        "/ball/circumference": text,
    }


@pytest.mark.parametrize(
    "date", ["2020-2-3", "20200203", "1899-12-31", "2101-01-01", "2020-02-03T00:00", "x", "", 2020, None]
)
def test_only_iso_dates_of_two_centuries_are_dates(date: Any) -> None:
    """Against ISO 8601 calendar dates in the extended format."""
    assert list(said({"ball": {"weight": 15, "approved_on": date}})) == ["/ball/approved_on"]


@pytest.mark.parametrize("flag", ["true", "yes", 1, 0, None, []])
def test_only_true_and_false_are_flags(flag: Any) -> None:
    """Against JSON's two literals."""
    assert list(said({"ball": {"weight": 15, "house_ball": flag}})) == ["/ball/house_ball"]


@pytest.mark.parametrize("name", ["a\x00b", "\x1b[31m", "x" * 121, "\ud800", 5, None, ["a"]])
def test_names_are_short_clean_texts(name: Any) -> None:
    """Against the contract."""
    assert list(said({"ball": {"weight": 15, "name": name}})) == ["/ball/name"]


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("diametr", "diameter"),
        ("Weight", "weight"),
        ("intermediate_diff", "intermediate_differential"),
        ("restitutoin", "restitution"),
        ("zzz", None),
        ("d" * 5000, None),
    ],
)
def test_the_nearest_known_name_is_suggested(given: str, meant: str | None) -> None:
    """Against a reader's judgment of what was meant."""
    with pytest.raises(ValidationError) as caught:
        load_check_body({"ball": {"weight": 15, given: 1}})
    assert [error.get("suggestion") for error in flatten(caught.value.messages)] == [meant]


def test_very_many_unknown_fields_are_counted() -> None:
    """Against the sum of those named and those counted."""
    messages = said({"ball": {"weight": 15, **{f"field{i}": 0 for i in range(1000)}}})
    assert len(messages) == UNKNOWN_MAXIMUM + 1
    assert messages["/ball"] == f"{1000 - UNKNOWN_MAXIMUM} more unknown fields"


def test_reading_stops_where_errors_abound(sentence: Any) -> None:
    """Against a body of 1000 checks, all bad: the time is bounded, and the answer says where it stopped."""
    bad = {"ball": {"weight": "5 zorkmid", **{f"field{i}": 0 for i in range(39)}}}
    with pytest.raises(ValidationError) as caught:
        load_check_body({"checks": [bad] * 1000})
    errors = flatten(caught.value.messages)
    assert errors[0] == {"pointer": "/checks", "detail": sentence("reading stopped")}
    assert {error["pointer"].split("/")[2] for error in errors[1:-1]} == {str(index) for index in range(25)}
    assert len(errors) == ERRORS_MAXIMUM + 1


def test_a_strict_schema_refuses_to_be_lenient() -> None:
    """Against marshmallow's own options."""
    for option in ({"many": True}, {"partial": True}, {"unknown": "exclude"}):
        with pytest.raises(TypeError):
            CHECK_REQUEST.load({"ball": {"weight": 15}}, **option)


def test_validating_is_as_strict_as_loading(sentence: Any) -> None:
    """Against `load`, which marshmallow's own `validate` would not go through."""
    assert CHECK_REQUEST.validate({"ball": {"weight": 15}}) == {}
    assert CHECK_REQUEST.validate({"ball": {"weight": 15, "house_ball": "yes"}}) == {
        "ball": {"house_ball": [sentence("text for a truth value")]}
    }


def test_the_rulebook_query() -> None:
    """Against the contract."""
    assert RULEBOOK_QUERY.load({}) == {}
    assert RULEBOOK_QUERY.load({"body": "ibf", "on": "2019-01-01", "overlay": "australia"}) == {
        "body": "ibf",
        "on": datetime.date(2019, 1, 1),
        "overlay": "australia",
    }
    assert set(
        said({"body": "x", "on": "now", "overlay": "../etc", "stage": "play"}, RULEBOOK_QUERY.load)
    ) == {
        "/body",
        "/on",
        "/overlay",
        "/stage",
    }


def test_deep_nesting_is_an_error_like_any_other() -> None:
    """Against Python's recursion limit, far exceeded."""
    deep: Any = 1
    for _ in range(100_000):
        deep = [deep]
    assert list(said({"ball": {"weight": deep, "rg": {"value": deep}, "name": deep}, "drilling": deep})) == [
        "/ball/weight",
        "/ball/rg/value",
        "/ball/name",
        "/drilling",
    ]
    while isinstance(deep, list):
        deep = deep.pop()


@given(JSON)
def test_any_json_loads_or_is_refused(body: Any) -> None:
    """Against the promise that nothing but a ValidationError is ever raised."""
    for load in (load_check_body, load_drilling_body, RULEBOOK_QUERY.load):
        assert refusal(load, body) != []


@settings(max_examples=300)
@given(spoilt())
def test_what_loads_is_documented(request_: tuple[str, Any]) -> None:
    """Against the OpenAPI document's schemas, by jsonschema: nothing loads that they do not allow."""
    name, body = request_
    drilling = name in example_names(drillings=True)
    found = refusal(load_drilling_body if drilling else load_check_body, body)
    assert found != []
    if found is None:
        DOCUMENTED[drilling].validate(body)


def _documented(path: str) -> Any:
    document = openapi_document()
    content = document["paths"][path]["post"]["requestBody"]["content"]
    schema = {**content["application/json"]["schema"], "components": document["components"]}
    return jsonschema.Draft202012Validator(schema)


DOCUMENTED = {False: _documented("/v1/checks"), True: _documented("/v1/drillings")}
