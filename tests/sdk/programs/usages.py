"""A program of somebody else's that is right: no type checker has anything to say about it."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any, assert_type, cast

import ballgauge
from ballgauge.types import (
    Body,
    CheckedBall,
    CheckEntry,
    CheckRequest,
    DesignRequest,
    DrillingRequest,
    LotRequest,
    MotionLayout,
    MotionRequest,
    Outcome,
    Sphere,
)


def literal(client: ballgauge.Client) -> Outcome:
    result = client.check(
        {
            "ball": {"weight": "15 lb 2 oz", "rg": 2.5, "differential": {"value": 1.2, "unit": "mm"}},
            "drilling": {
                "hand": "left",
                "pap": {"over": 5, "up": "1/2 in"},
                "holes": [{"role": "thumb", "diameter": 1, "depth": "2 3/4 in"}],
            },
            "rules": {"body": "ibf", "on": datetime.date(2026, 5, 1)},
            "decision": {"rule": "guarded", "risk": 0.05},
        },
        also_on=["2020-08-01"],
        overlays=["national_events_78d", Path("house.toml")],
    )
    for finding in result.findings:
        if finding.outcome == "nonconforming" and finding.limit is not None:
            print(finding.rule, finding.limit.max, finding.margin)
    if result.derived.balance is not None and result.derived.balance.predicted is not None:
        assert_type(result.derived.balance.predicted.side, float | None)
    assert_type(result.outcome, Outcome)
    assert_type(result.units["rg"], str)
    return result.outcome


def held(client: ballgauge.Client, path: Path, body: Body, serials: list[str | None]) -> Iterator[str]:
    ball: CheckedBall = {"weight": Decimal("15.2")}
    request: CheckRequest = {"ball": ball, "rules": {"body": body}, "detail": "full"}
    yield client.check(request).outcome
    yield client.check(json.loads(path.read_text())).outcome
    unknown: dict[str, Any] = {"ball": {}}
    yield client.check(cast(CheckEntry, unknown)).outcome
    entries: list[CheckEntry] = [{"ball": {"weight": 15, "serial": serial}} for serial in serials]
    for brief in client.check_many(entries, detail="brief"):
        assert_type(brief, ballgauge.BriefResult)
        yield brief.outcome
    for found in client.check_many(({"ball": {"weight": w}} for w in range(10, 17)), errors="collect"):
        assert_type(found, ballgauge.CheckResult | ballgauge.InvalidRequest)
        yield str(found) if isinstance(found, ballgauge.InvalidRequest) else found.outcome


def others(client: ballgauge.Client, frame: Any) -> None:
    drilling: DrillingRequest = {"ball": {"weight": 15, "rg": None}, "drilling": {"hand": "right"}}
    drilled = client.drill(drilling).derived.drilled
    print(None if drilled is None else drilled.weight)
    options: LotRequest = {"sampling": {"lot_size": 1000, "plan": {"aql": 1.0}}}
    for lot in ("lot.csv", Path("lot.csv"), b"serial", frame, [{"serial": "A"}], {"serial": ["A", "B"]}):
        print(client.assess_lot(lot, options).lot_accepted)
    with Path("lot.csv").open("rb") as file, client.lot_rows(file) as rows:
        for row in rows:
            assert_type(row.outcome, Outcome)
    cover: Sphere = {"name": "cover", "shape": "sphere", "diameter": 8.58, "density": 1.2}
    designed: DesignRequest = {"design": {"diameter": 8.58, "solids": [cover]}}
    solved = client.design(designed).solved
    if solved is not None:
        print(solved.solutions[0].values[0].value)
    layout: MotionLayout = {"drilling_angle": 60, "pin_to_pap": 4.5, "val_angle": 45}
    thrown: MotionRequest = {
        "ball": {"weight": 15, "rg": 2.5, "differential": 0.05, "layout": layout},
        "bowler": "matched_one_handed",
        "lane": {"film": 30},
    }
    print(client.motion(thrown).ending)
    verified = client.verify(client.sign({"check": {"ball": {}}}).record, on=datetime.date.today())
    print(verified.state == "genuine", [key.kid for key in client.public_keys().keys])
    print([rule.effect for book in client.rulebooks("usbc") for rule in book.rules])
    print([change.after for change in client.rule_changes("usbc", "2020-01-01", "2026-01-01")])
    client.with_options(timeout=ballgauge.Timeouts(2, 5, 20), headers={"X": "y"}).close()


async def awaited(client: ballgauge.AsyncClient) -> None:
    assert_type(await client.check({"ball": {"weight": 15}}, detail="brief"), ballgauge.BriefResult)
    async for found in client.check_many([{"ball": {"weight": 15}}], errors="collect"):
        assert_type(found, ballgauge.CheckResult | ballgauge.InvalidRequest)
    async for row in client.lot_rows("lot.csv"):
        print(row.outcome)
