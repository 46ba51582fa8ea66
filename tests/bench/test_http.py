"""A check over HTTP against an empty address of the same server, taken in turns."""

from __future__ import annotations

import json
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
import requests

LIMIT = 3.0
ROUNDS = 400
WARMING = 50


@pytest.fixture(scope="module")
def measured_server(run_server: Callable[..., AbstractContextManager[str]]) -> Iterator[str]:
    def command(port: int) -> list[str]:
        target = ["--interface", "wsgi", "--factory", "--working-dir", str(Path(__file__).parent), "--no-ws"]
        return [sys.executable, "-m", "granian", *target, "--port", str(port), "empty_app:create"]

    with run_server(command) as address:
        yield address


def test_a_check_costs_at_most_three_empty_requests(measured_server: str, drilled: dict[str, Any]) -> None:
    body = json.dumps(drilled)
    times: dict[str, list[float]] = {"/empty": [], "/v1/checks": []}
    with requests.Session() as session:
        session.headers["Content-Type"] = "application/json"
        for _ in range(WARMING + ROUNDS):
            for address, taken in times.items():
                before = time.perf_counter()
                response = session.post(measured_server + address, data=body)
                taken.append(time.perf_counter() - before)
                assert response.status_code == 200
    empty, check = (statistics.median(taken[WARMING:]) for taken in times.values())
    print(f"empty {empty * 1e3:.3f} ms, check {check * 1e3:.3f} ms, ratio {check / empty:.2f}")
    assert check <= LIMIT * empty
