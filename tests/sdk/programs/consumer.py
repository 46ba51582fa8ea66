"""A program of somebody else's, held to mypy --strict: what the public interface promises about its types."""

from __future__ import annotations

from collections.abc import Iterator
from typing import assert_type

import ballgauge
from ballgauge import strategies, types
from ballgauge.contract.compatibility import breaking
from ballgauge_schemas import Quantity, load_check_body, openapi_document, unit_size


def check_one(client: ballgauge.Client) -> str:
    result = client.check({"ball": {"weight": 15}})
    assert_type(result, ballgauge.CheckResult)
    assert_type(result.findings, tuple[ballgauge.Finding, ...])
    for finding in result.findings:
        assert_type(finding.value, float | None)
        assert_type(finding.limit, ballgauge.Limit | None)
    assert_type(result.missing, tuple[types.Missing, ...])
    return result.outcome


def check_in_bulk(client: ballgauge.Client, balls: Iterator[types.CheckEntry]) -> Iterator[str]:
    results = client.check_many(balls)
    assert_type(results, Iterator[ballgauge.CheckResult])
    for result in results:
        yield result.outcome


def others(client: ballgauge.Client) -> None:
    ball: types.DrillingRequest = {"ball": {"weight": 15}, "drilling": {"hand": "right"}}
    assert_type(client.drill(ball), ballgauge.DrillingResult)
    lot = client.assess_lot("lot.csv", {"sampling": {"lot_size": 1000}})
    assert_type(lot, ballgauge.LotResult)
    assert_type(lot.lot_accepted, bool | None)
    assert_type(client.design({"design": {"diameter": 8.58, "solids": []}}), ballgauge.DesignResult)
    assert_type(client.motion({"lane": {}}), ballgauge.MotionResult)
    assert_type(client.rulebooks("usbc", on="2024-09-01"), tuple[types.Rulebook, ...])
    assert_type(client.verify("record"), types.VerifiedRecord)
    with client.lot_rows("lot.csv") as rows:
        for row in rows:
            assert_type(row, ballgauge.LotRow)


def errors(client: ballgauge.Client) -> list[str]:
    try:
        check_one(client)
    except ballgauge.InvalidRequest as refused:
        assert_type(refused.errors, tuple[ballgauge.FieldError, ...])
        return [error.pointer for error in refused.errors]
    except ballgauge.ServiceUnreachable:
        return []
    return [ballgauge.__version__]


def contract() -> list[str]:
    assert_type(unit_size("length", "mm"), float | None)
    assert_type(Quantity(1.0).uncertainty, float | None)
    _, batch = load_check_body({"ball": {"weight": 15}})
    assert_type(batch, bool)
    assert_type(strategies.Broken({}, "/ball", "why").pointer, str)
    return breaking(openapi_document(), openapi_document())


def wrong(client: ballgauge.Client) -> None:
    # Each of these has to be an error: an ignore that nothing needs is one in strict mode.
    client.check("a ball")  # type: ignore[call-overload]
    client.check({"ball": {}}).findings[0].outcome = "conforming"  # type: ignore[misc]
    print(client.check({"ball": {}}).verdict)  # type: ignore[attr-defined]
    ballgauge.Client(8000)  # type: ignore[arg-type]
