"""The contract's own examples: answered, by the contract's own schemas, the same every time."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

import pytest

from ballgauge.contract._sense import hold_check
from ballgauge.contract._server import Server, answer_of
from ballgauge_schemas.check.answer import CHECK_BATCH_RESULT, CHECK_RESULT, DRILLING_RESULT, RULEBOOKS_RESULT
from ballgauge_schemas.design.answer import DesignResultSchema
from ballgauge_schemas.lot.answer import LOT_RESULT
from ballgauge_schemas.motion.answer import MotionResultSchema
from ballgauge_schemas.motion.lineup_answer import LineupResultSchema
from ballgauge_schemas.shared.base import Schema
from ballgauge_schemas.shared.documents import (
    design_example,
    design_example_names,
    example,
    example_names,
    lineup_example,
    lineup_example_names,
    motion_example,
    motion_example_names,
)
from ballgauge_schemas.shared.words import OUTCOMES

LOT = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv").read_text(encoding="utf-8")
LOT_OPTIONS = {"sampling": {"lot_size": 1000, "plan": {"aql": 1.0}}, "rules": {"on": "2026-05-01"}}
SINGLE = [name for name in example_names(drillings=False) if "checks" not in example(name)]
DESIGNS = [name for name in design_example_names() if "meshes" not in design_example(name)["design"]]

CASES: list[tuple[str, str, dict[str, Any], Schema]] = [
    *(("/v1/checks", name, example(name), CHECK_RESULT) for name in SINGLE),
    *(("/v1/drillings", name, example(name), DRILLING_RESULT) for name in example_names(drillings=True)),
    *(("/v1/designs", name, design_example(name), DesignResultSchema()) for name in DESIGNS),
    *(("/v1/lineups", name, lineup_example(name), LineupResultSchema()) for name in lineup_example_names()),
    *(("/v1/motions", name, motion_example(name), MotionResultSchema()) for name in motion_example_names()),
]


@pytest.mark.parametrize(
    ("path", "request_", "answer"),
    [(path, request, answer) for path, _, request, answer in CASES],
    ids=[f"{path[4:]}-{name}" for path, name, _, _ in CASES],
)
def test_an_example_is_answered_twice_the_same(
    service: Server, path: str, request_: dict[str, Any], answer: Schema
) -> None:
    """Status 200, the answer loads through the contract, and a second answer has the same bytes."""
    first = service.post(path, request_)
    service.hold(answer, answer_of(first))
    assert service.post(path, request_).content == first.content


@pytest.mark.parametrize("name", SINGLE)
def test_a_checks_verdict_follows_from_its_findings(service: Server, name: str) -> None:
    """The outcome is the worst of the findings, and each finding agrees with its own numbers."""
    asked = example(name)
    hold_check(answer_of(service.post("/v1/checks", asked)), asked)


def test_a_batch_is_its_single_checks(service: Server) -> None:
    """Against the same checks one by one, in the same order."""
    checks = [example(name) for name in SINGLE]
    answer = answer_of(service.post("/v1/checks", {"checks": checks}))
    service.hold(CHECK_BATCH_RESULT, answer)
    assert answer["results"] == [answer_of(service.post("/v1/checks", check)) for check in checks]
    outcomes = [result["outcome"] for result in answer["results"]]
    assert answer["counts"] == {outcome: outcomes.count(outcome) for outcome in OUTCOMES}


def test_a_batch_of_drillings_is_its_single_ones(service: Server) -> None:
    """Against the same drillings one by one."""
    one = example("drilling")
    many = [one, {**one, "measured_balance": {"side": 1}}]
    answer = answer_of(service.post("/v1/drillings", {"drillings": many}))
    assert answer["results"] == [answer_of(service.post("/v1/drillings", each)) for each in many]


def test_a_lot_is_judged_and_its_rows_add_up(service: Server) -> None:
    """As JSON by the contract; as lines one for each ball, and last the same lot."""
    lot = answer_of(service.post_lot(LOT_OPTIONS, LOT))
    service.hold(LOT_RESULT, lot)
    rows = service.post_lot(LOT_OPTIONS, LOT, "application/x-ndjson")
    *balls, last = (json.loads(line) for line in rows.content.splitlines())
    assert last["lot"] == lot
    assert all(ball["outcome"] in OUTCOMES for ball in balls)
    assert len(balls) + lot["left_out"]["rows"] == lot["counts"]["rows"] == LOT.count("\n") - 1


def test_a_lot_is_judged_twice_the_same(service: Server) -> None:
    """The same bytes, as JSON and as lines."""
    for accept in ("application/json", "application/x-ndjson"):
        first = service.post_lot(LOT_OPTIONS, LOT, accept).content
        assert service.post_lot(LOT_OPTIONS, LOT, accept).content == first


def test_the_rules_are_listed(service: Server) -> None:
    """Every body's rules, by the contract; those of one body and day are among them."""
    everything = answer_of(service.get("/v1/rulebooks"))
    service.hold(RULEBOOKS_RESULT, everything)
    one = answer_of(service.get("/v1/rulebooks", {"body": "usbc", "on": "2024-09-01"}))
    service.hold(RULEBOOKS_RESULT, one)
    assert [book["body"] for book in one["rulebooks"]] == ["usbc"]


def test_a_record_is_signed_and_verified(service: Server) -> None:
    """What the service signs it finds genuine, and altered once a letter of it is."""
    asked = {"check": example("drilled"), "issued_on": "2024-09-02"}
    signed = service.post("/v1/records", asked)
    if signed.status_code == 409:
        pytest.skip("the service has no key to sign with, which the contract allows")
    record = answer_of(signed)["record"]
    assert answer_of(service.post("/v1/records/verify", {"record": record}))["state"] == "genuine"
    head, content, signature = record.split(".")
    other = ("B" if signature[0] == "A" else "A") + signature[1:]
    altered = answer_of(service.post("/v1/records/verify", {"record": f"{head}.{content}.{other}"}))
    assert altered["state"] == "altered"
