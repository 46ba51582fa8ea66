"""A crowd that is refused by its heads: against the order in which the gate turns to them and to health."""

from __future__ import annotations

import asyncio
from typing import Any

from ballgauge_service.web.access.access import Denied
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.gate import HEADS_AT_ONCE, Gate

CROWD = 20 * HEADS_AT_ONCE


class Refusing:
    """An entrance that lets nobody in and counts whom it saw."""

    waits = False
    seen = 0

    def decided(self, head: Any) -> Denied:
        self.seen += 1
        return Denied(401, "no", "", "no key")

    def address(self, head: Any) -> str:
        return "192.0.2.1"

    def caller(self, head: Any) -> str:
        return str(self.seen)


def scope(path: str) -> dict[str, Any]:
    return {
        "type": "http", "method": "GET", "path": path, "raw_path": path.encode(), "query_string": b"",
        "http_version": "1.1", "headers": [],
    }  # fmt: skip


def test_health_is_told_before_a_crowd_is_judged() -> None:
    entrance = Refusing()
    told: list[tuple[int, int]] = []

    async def run() -> None:
        gate = Gate(lambda *_: [], Settings(), {"/"}, entrance, {"/healthz": dict})  # type: ignore[arg-type]

        async def send(message: dict[str, Any]) -> None:
            if "status" in message:
                told.append((message["status"], entrance.seen))

        async def receive() -> dict[str, Any]:
            return {"type": "http.request"}

        crowd = [gate(scope("/"), receive, send) for _ in range(CROWD)]
        await asyncio.gather(*crowd, gate(scope("/healthz"), receive, send))

    asyncio.run(run())
    assert sorted(status for status, _ in told) == [200] + [401] * CROWD
    (seen,) = (seen for status, seen in told if status == 200)
    assert seen <= HEADS_AT_ONCE
