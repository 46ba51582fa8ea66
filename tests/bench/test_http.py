"""Checks over HTTP against an empty address of the server, against FastAPI, and against bare requests."""

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

import ballgauge

LIMIT = 2.5
NEARLY_AS_FAST = 0.7
"""Reached: 1.6 to 1.8 empty requests, FastAPI's 0.995 to 1.02 of ours; to reach: 1.25, and faster."""
AS_BARE = 0.7
"""Kept on a busy machine: the time of requests and json alone, over that of the client; to reach: 1 / 1.2."""
MANY = 500
ROUNDS, TURNS, WARMING = 9, 40, 40
HERE = Path(__file__).parent

Ask = tuple[str, Any]
"""An address and the body to send."""


@pytest.fixture(scope="module")
def measured_server(run_server: Callable[..., AbstractContextManager[str]]) -> Iterator[str]:
    def command(port: int) -> list[str]:
        kind = ["--interface", "asginl", "--http", "1", "--runtime-mode", "st", "--no-ws"]
        target = ["--factory", "--working-dir", str(HERE), "--port", str(port), "empty_app:create"]
        return [sys.executable, "-m", "granian", *kind, *target]

    with run_server(command) as address:
        yield address


@pytest.fixture(scope="module")
def alternative(run_server: Callable[..., AbstractContextManager[str]]) -> Iterator[str]:
    """The same check on FastAPI and pydantic, as uvicorn serves it."""

    def command(port: int) -> list[str]:
        target = ["--app-dir", str(HERE), "--port", str(port), "alternative_app:app"]
        return [sys.executable, "-m", "uvicorn", *target]

    with run_server(command) as address:
        yield address


def alternately(ours: Ask, theirs: Ask, status: int) -> list[float]:
    """Their time over ours, a round each, from the medians of requests sent in turns."""
    sent = [(address, json.dumps(body)) for address, body in (ours, theirs)]
    with requests.Session() as session:
        # Unpacked: packing costs by the bytes of an answer, and only where a caller asks for it.
        session.headers.update({"Content-Type": "application/json", "Accept-Encoding": "identity"})

        def taken(address: str, body: str) -> float:
            before = time.perf_counter()
            response = session.post(address, data=body)
            assert response.status_code == status
            return time.perf_counter() - before

        for _ in range(WARMING):
            for each in sent:
                taken(*each)
        rounds = [[[taken(*each) for each in sent] for _ in range(TURNS)] for _ in range(ROUNDS)]
    medians = [[statistics.median(times) for times in zip(*turns, strict=True)] for turns in rounds]
    return [theirs / ours for ours, theirs in medians]


def leaves(document: Any, pointer: str = "") -> Iterator[tuple[str, Any]]:
    """Every value of a document with its pointer."""
    if isinstance(document, (dict, list)):
        members = document.items() if isinstance(document, dict) else enumerate(document)
        for name, member in members:
            yield from leaves(member, f"{pointer}/{name}")
    else:
        yield pointer, document


def assert_same_answer(one: Any, other: Any) -> None:
    """Equal words and, but for the rounding of a converted unit, equal numbers."""
    found, wanted = dict(leaves(one)), dict(leaves(other))
    assert found.keys() == wanted.keys()
    numbers = [name for name, value in wanted.items() if isinstance(value, float)]
    assert {name: found.pop(name) for name in numbers} == pytest.approx(
        {name: wanted.pop(name) for name in numbers}, rel=1e-9, abs=1e-9
    )
    assert found == wanted


@pytest.mark.parametrize(
    ("path", "peer", "floor"),
    [
        ("empty", "an empty address of the same server", 1.0 / LIMIT),
        ("unjudged", "the same body and answer, unjudged", 0.5),
    ],
)
def test_a_check_costs_at_most_so_much_more_than_less_of_it(
    measured_server: str, drilled: dict[str, Any], versus: Any, path: str, peer: str, floor: float
) -> None:
    """A check beside a request answered at once, and one that is read and answered alike, unjudged."""
    check, other = f"{measured_server}/v1/checks", f"{measured_server}/v1/{path}"
    ratios = alternately((check, drilled), (other, drilled), 200)
    versus.hold("one check over HTTP", "POST /v1/checks", peer, ratios, floor)


def test_a_check_gives_the_same_answer_as_on_fastapi_in_about_the_time(
    measured_server: str, alternative: str, drilled: dict[str, Any], versus: Any
) -> None:
    drilled["ball"] |= {"weight": "6.89 kg", "diameter": {"value": 217.2, "unit": "mm", "uncertainty": 0.05}}
    drilled["decision"] = {"rule": "guarded"}
    addresses = [f"{host}/v1/checks" for host in (measured_server, alternative)]
    ours, theirs = (requests.post(address, json=drilled, timeout=60) for address in addresses)
    assert (ours.status_code, theirs.status_code) == (200, 200), theirs.text
    assert_same_answer(ours.json(), theirs.json())
    ratios = alternately(*((address, drilled) for address in addresses), 200)
    versus.hold(
        "one check over HTTP", "POST /v1/checks", versus.named("fastapi", "pydantic"), ratios, NEARLY_AS_FAST
    )


def test_more_of_a_bad_request_is_named_in_about_the_time(
    measured_server: str, alternative: str, drilled: dict[str, Any], versus: Any
) -> None:
    """pydantic checks between fields only where the fields themselves are right; the contract does always."""
    del drilled["ball"]["weight"]
    drilled["ball"] |= {"rg": 9, "hardness": "soft", "color": "red", "intermediate_differential": 0.1}
    del drilled["drilling"]["pap"]
    drilled["drilling"]["holes"][1]["depth"] = -1
    drilled["drilling"]["holes"][2]["role"] = "toe"
    single = {
        "/ball/weight", "/ball/rg", "/ball/hardness", "/ball/color", "/drilling/holes/1/depth",
        "/drilling/holes/2/role",
    }  # fmt: skip
    between = {"/ball/intermediate_differential", "/ball/differential", "/drilling/pap"}
    addresses = [f"{host}/v1/checks" for host in (measured_server, alternative)]
    ours, theirs = (requests.post(address, json=drilled, timeout=60) for address in addresses)
    assert (ours.status_code, theirs.status_code) == (422, 422)
    assert {error["pointer"] for error in ours.json()["errors"]} == single | between
    named = {"/".join(["", *map(str, error["loc"][1:])]) for error in theirs.json()["detail"]}
    assert named == single
    ratios = alternately(*((address, drilled) for address in addresses), 422)
    names = (f"{len(single | between)} of 9 fields named", f"{versus.named('fastapi')}: {len(named)} of 9")
    versus.hold("a request with 9 bad fields refused", *names, ratios, NEARLY_AS_FAST)


def test_many_checks_take_the_client_about_as_long_as_requests_and_json(
    measured_server: str, drilled: dict[str, Any], versus: Any
) -> None:
    """From balls as dictionaries to answers, `detail: brief`; the bodies hold the same bytes of balls."""
    balls = [drilled] * MANY
    with ballgauge.Client(measured_server) as client, requests.Session() as session:
        session.headers["Content-Type"] = "application/json"

        def bare() -> list[Any]:
            body = json.dumps({"checks": balls, "detail": "brief"}, separators=(",", ":"))
            answer = session.post(f"{measured_server}/v1/checks", data=body)
            return list(json.loads(answer.content)["results"])

        def ours() -> list[Any]:
            return list(client.check_many(balls, detail="brief"))

        assert [each.raw for each in ours()] == bare()
        names = (f"check_many of {MANY}, brief", f"{versus.named('requests')} + json")
        versus.race("drilled balls over HTTP", names, ours, bare, AS_BARE)
