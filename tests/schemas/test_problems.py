"""Problem details: pointers and members."""

from __future__ import annotations

from typing import Any

import pytest

from ballgauge_schemas import PROBLEM, Problem, ValidationError, flatten, load_check_body, validation_problem
from ballgauge_schemas.openapi import PROBLEMS
from ballgauge_schemas.shared.limits import ERRORS_MAXIMUM
from ballgauge_schemas.shared.problems import TYPES, escape


@pytest.mark.parametrize(
    ("token", "pointer"),
    [("foo", "foo"), ("", ""), ("a/b", "a~1b"), ("m~n", "m~0n"), ("~1", "~01"), ("c%d", "c%d"), (" ", " ")],
)
def test_tokens_are_escaped(token: str, pointer: str) -> None:
    """RFC 6901, sections 3 and 5."""
    assert escape(token) == pointer


def test_messages_become_pointers() -> None:
    """RFC 6901, section 5: the document's root, object members and array indices."""
    messages = {
        "_schema": ["whole"],
        "ball": {"rg": ["bad", "worse"], "_schema": ["part"]},
        "holes": {0: {"": ["empty name"]}, 12: ["bad hole"]},
    }
    assert flatten(messages) == [
        {"pointer": "", "detail": "whole"},
        {"pointer": "/ball/rg", "detail": "bad"},
        {"pointer": "/ball/rg", "detail": "worse"},
        {"pointer": "/ball", "detail": "part"},
        {"pointer": "/holes/0/", "detail": "empty name"},
        {"pointer": "/holes/12", "detail": "bad hole"},
    ]


def test_a_member_named_like_the_inner_mark_keeps_its_pointer() -> None:
    """RFC 6901: `_schema` is a name like any other in a request."""
    with pytest.raises(ValidationError) as caught:
        load_check_body({"ball": {"weight": 15}, "_schema": 1})
    assert flatten(caught.value.messages) == [{"pointer": "/_schema", "detail": "unknown field"}]


def test_a_suggestion_stands_beside_the_detail(sentence: Any) -> None:
    """Against the contract."""
    with pytest.raises(ValidationError) as caught:
        load_check_body({"ball": {"weight": 15, "diamter": 8.5}})
    assert flatten(caught.value.messages) == [
        {
            "pointer": "/ball/diamter",
            "detail": sentence("misspelt field"),
            "suggestion": "diameter",
        }
    ]


def test_very_many_errors_are_counted() -> None:
    """Against the sum of those listed and those counted."""
    errors = flatten({str(i): ["bad"] for i in range(ERRORS_MAXIMUM + 5)})
    assert len(errors) == ERRORS_MAXIMUM + 1
    assert errors[-1] == {"pointer": "", "detail": "5 more errors"}


def test_a_validation_problem_fits_its_schema(sentence: Any) -> None:
    """RFC 9457, section 3.1, and the contract's own schema."""
    problem = validation_problem({"ball": {"rg": ["bad"]}}, request_id="abc").to_dict()
    assert problem == {
        "type": "urn:ballgauge:problem:validation",
        "title": sentence("title of a validation problem"),
        "status": 422,
        "detail": sentence("one field is wrong"),
        "request_id": "abc",
        "errors": [{"pointer": "/ball/rg", "detail": "bad"}],
    }
    assert PROBLEM.load(problem) == problem
    assert validation_problem({"a": ["x"], "b": ["y"]}).detail == sentence("two fields are wrong")


def test_members_without_value_are_left_out() -> None:
    """RFC 9457, section 3.1: every member but the status line's own may be absent."""
    assert Problem(status=404, title="Not Found").to_dict() == {
        "type": "about:blank",
        "title": "Not Found",
        "status": 404,
    }


def test_every_status_of_the_document_has_a_type_of_its_own() -> None:
    """Against the statuses that openapi.json names."""
    assert set(PROBLEMS) <= set(TYPES)
    assert len(set(TYPES.values())) == len(TYPES)
