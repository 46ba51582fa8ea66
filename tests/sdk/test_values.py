"""Results as values: every member of every answer is an attribute; and what a notebook shows of them."""

from __future__ import annotations

import sys
from typing import Any

import pandas
import polars
import pytest

import ballgauge
from ballgauge._values import Result
from ballgauge_schemas import openapi_document

SCHEMAS = openapi_document()["components"]["schemas"]
RESULTS = [ballgauge.BriefResult, ballgauge.CheckResult, ballgauge.DesignResult, ballgauge.DrillingResult,
           ballgauge.LotResult, ballgauge.LotSeriesResult, ballgauge.MotionResult]  # fmt: skip


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_every_member_of_every_schema_is_an_attribute(name: str) -> None:
    """Against the document: no method of a mapping, nor one of ours, stands before a member."""
    members = {each: number for number, each in enumerate(SCHEMAS[name].get("properties", {}))}
    record = ballgauge.Record(members)
    assert {each: getattr(record, each) for each in members} == members
    assert {each: record[each] for each in members} == members
    for kind in RESULTS:
        mine = {each: n for each, n in members.items() if each not in {*kind._members, "request_id"}}
        result = kind({**{each: {} for each in kind._needed}, **mine})
        assert {each: getattr(result, each) for each in mine} == mine


def test_the_main_answer_of_a_solve_is_an_attribute() -> None:
    result = ballgauge.Record({"solutions": [{"values": {"core": 1.2}}], "keys": [], "items": 3})
    assert result.solutions[0].values.core == 1.2
    assert (result.keys, result.items) == ((), 3)
    assert result.to_dict() == {"solutions": [{"values": {"core": 1.2}}], "keys": [], "items": 3}


@pytest.fixture(scope="module")
def results(drilled: dict[str, Any] | None = None) -> list[Result]:
    from tests.sdk.test_async import LOT, OPTIONS

    from ballgauge_schemas import example

    with ballgauge.Client.embedded() as client:
        return [client.check(example("drilled")), client.check(example("drilled"), detail="brief"),
                client.assess_lot(LOT, OPTIONS)]  # fmt: skip


def test_what_is_shown_is_short(results: list[Result]) -> None:
    for result in results:
        assert len(repr(result)) < 2000
        assert len(repr(ballgauge.Record(dict(result.raw)))) < 2000
        assert result.outcome in repr(result)  # type: ignore[attr-defined]


def test_a_result_as_html_is_a_table_and_safe(results: list[Result]) -> None:
    check, _, lot = results
    assert check._repr_html_().count("<tr>") == len(check.raw["findings"]) + 1
    assert lot._repr_html_().count("<tr>") == len(lot.raw["worst_balls"]) + 1
    bad = ballgauge.BriefResult(
        {"outcome": "<b>", "unmet": [{"rule": "<script>", "outcome": "x"}], "missing": []}
    )
    assert "<script>" not in bad._repr_html_()
    assert "&lt;script&gt;" in bad._repr_html_()


@pytest.mark.parametrize("library", [pandas, polars])
def test_a_result_as_a_frame(results: list[Result], monkeypatch: pytest.MonkeyPatch, library: Any) -> None:
    other = "polars" if library is pandas else "pandas"
    monkeypatch.delitem(sys.modules, other)
    frame = results[0].to_frame()
    assert type(frame) is library.DataFrame
    assert len(frame) == len(results[0].raw["findings"])
    assert {"rule", "outcome", "limit.max", "margin"} <= set(frame.columns)
    with pytest.raises(ValueError, match="derived"):
        results[0].to_frame("derived")


def test_a_document_is_given_away_as_a_copy(results: list[Result]) -> None:
    given = results[0].to_dict()
    given["findings"][0]["outcome"] = "changed"
    assert results[0].raw["findings"][0]["outcome"] != "changed"
