"""Old requests against the new service: against the answers that each released version gave."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

import pytest

from .replay import HERE, answer_of, broken_promises, kept, line, promised, said, send, versions
from .requests_kept import TOLERANCE

KEPT = [(version, name) for version in versions() for name in kept(version)]


@pytest.fixture(scope="module")
def answers(signing_client: Any) -> Any:
    """Answers a kept request, each once."""
    return lru_cache(lambda version, name: answer_of(send(signing_client, kept(version)[name]["request"])))


@pytest.mark.parametrize(("version", "name"), KEPT, ids=["-".join(each) for each in KEPT])
def test_an_old_request_is_answered_as_it_was(answers: Any, version: str, name: str) -> None:
    """Status, media type, outcomes, findings, numbers, every member and its type."""
    found = kept(version)[name]
    request, answer = found["request"], found["answer"]
    assert list(broken_promises(answer, answers(version, name), request["tolerance"])) == []


@pytest.mark.parametrize("group", sorted({name.partition("_")[0] for _, name in KEPT}))
def test_what_is_said(answers: Any, sentence: Any, group: str) -> None:
    """Against the kept sentences: every one that an answer to a kept request holds, once.

    Numbers of what is searched or drawn rest on the last bits of a platform, and are left out.
    """
    told: set[str] = set()
    for version, name in KEPT:
        if name.partition("_")[0] == group:
            exact = kept(version)[name]["request"]["tolerance"] == TOLERANCE
            texts = said(answers(version, name))
            told.update(text if exact else re.sub(r"[-\u2212]?\d+(\.\d+)?", "#", text) for text in texts)
    assert sorted(told) == sentence(f"answers: {group}"), "read what --update-sentences changes in the file"


def test_the_first_version_is_kept_whole() -> None:
    """Against a count made when it was released: nothing that was promised has been dropped since."""
    found = kept("0.1.0")
    assert len(found) == 56
    paths = {each["request"]["path"].partition("?")[0] for each in found.values()}
    assert {"/v1/checks", "/v1/drillings", "/v1/lots", "/v1/designs", "/v1/motions"} <= paths
    assert {"/v1/records", "/v1/records/verify", "/v1/records/keys", "/v1/rulebooks", "/healthz"} <= paths


@pytest.mark.parametrize(("version", "name"), KEPT, ids=["-".join(each) for each in KEPT])
def test_what_is_kept_is_one_line_without_free_text(version: str, name: str) -> None:
    """Against what `record` writes: a request whole, an answer without what is never compared."""
    found = kept(version)[name]
    written = (HERE / version / "requests" / f"{name}.json").read_text(encoding="utf-8")
    assert written == line({"request": found["request"], "answer": promised(found["answer"])})


FINDING = {"rule": "weight", "outcome": "conforming", "value": 15.0, "title": "Weight", "clause": None}
OLD = {
    "outcome": "conforming",
    "findings": [FINDING, {**FINDING, "rule": "rg"}],
    "assumptions": ["one"],
    "counts": [1, 2],
    "batch": False,
}
BROKEN: dict[str, Any] = {
    "outcome": {**OLD, "outcome": "nonconforming"},
    "member gone": {name: value for name, value in OLD.items() if name != "counts"},
    "type": {**OLD, "assumptions": "one"},
    "null": {**OLD, "outcome": None},
    "number": {**OLD, "findings": [{**FINDING, "value": 15.001}, {**FINDING, "rule": "rg"}]},
    "finding gone": {**OLD, "findings": [FINDING]},
    "finding's word": {**OLD, "findings": [FINDING, {**FINDING, "rule": "rg", "outcome": "inconclusive"}]},
    "array's length": {**OLD, "counts": [1, 2, 3]},
    "truth value": {**OLD, "batch": True},
    "truth value for a number": {**OLD, "counts": [True, 2]},
}
KEPT_PROMISES: dict[str, Any] = {
    "new member": {**OLD, "more": 1},
    "new finding": {**OLD, "findings": [{**FINDING, "rule": "new"}, *OLD["findings"]]},  # type: ignore[misc]
    "other words": {**OLD, "findings": [{**FINDING, "title": "The weight"}, {**FINDING, "rule": "rg"}]},
    "value for null": {**OLD, "findings": [{**FINDING, "clause": "3.1"}, {**FINDING, "rule": "rg"}]},
    "last bit": {**OLD, "counts": [1 + 1e-9, 2]},
    "other assumptions": {**OLD, "assumptions": ["one", "two"]},
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_promise_is_seen(name: str) -> None:
    """Against answers that each break one promise."""
    assert list(broken_promises(OLD, BROKEN[name], 1e-6))


@pytest.mark.parametrize("name", KEPT_PROMISES)
def test_what_was_never_promised_may_change(name: str) -> None:
    """Against answers that add, or say it in other words."""
    assert list(broken_promises(OLD, KEPT_PROMISES[name], 1e-6)) == []
