"""The client against the real service, in this process and over a socket."""

from __future__ import annotations

import json
import pickle
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import pandas
import pytest
import requests
from tests.sdk.conftest import Script, says

import ballgauge
from ballgauge import _encoding


@pytest.fixture(scope="module")
def embedded() -> Iterator[ballgauge.Client]:
    with ballgauge.Client.embedded() as client:
        yield client


@pytest.fixture(scope="module")
def remote(server: str) -> Iterator[ballgauge.Client]:
    with ballgauge.Client(server) as client:
        yield client


@pytest.fixture(params=["embedded", "remote"])
def client(request: pytest.FixtureRequest) -> ballgauge.Client:
    found: ballgauge.Client = request.getfixturevalue(request.param)
    return found


def test_a_check_has_names_and_types(client: ballgauge.Client, drilled: dict[str, Any]) -> None:
    result = client.check(drilled)
    assert result.outcome in ("conforming", "nonconforming", "inconclusive", "not_assessed")
    assert result.findings
    assert all(isinstance(finding, ballgauge.Finding) for finding in result.findings)
    weight = next(finding for finding in result.findings if finding.quantity == "weight")
    assert weight.limit is not None
    assert (weight.limit.max, weight.unit, weight.outcome) == (16.0, "lb", "conforming")
    assert weight.value == result.derived.drilled.weight
    assert weight.margin == pytest.approx(16.0 - result.derived.drilled.weight)
    assert result.rules.body == "usbc"
    assert result.derived.drilled.weight < 15.2
    assert result.derived["holes"][0].role == "thumb"
    assert result.raw["outcome"] == result.outcome


def test_both_ways_give_the_same_bytes(
    embedded: ballgauge.Client, remote: ballgauge.Client, server: str, drilled: dict[str, Any]
) -> None:
    assert embedded.check(drilled) == remote.check(drilled)
    body = json.dumps(drilled).encode()
    over_socket = requests.post(
        f"{server}/v1/checks", data=body, headers={"Content-Type": "application/json"}
    )
    assert embedded._http.post("/v1/checks", body) == over_socket.content
    assert embedded._http.post("/v1/checks", body) == embedded._http.post("/v1/checks", body)


def test_a_caller_chooses_how_much_is_answered(client: ballgauge.Client, drilled: dict[str, Any]) -> None:
    """Against the whole answer: the same findings, and in brief those that count and are not met."""
    drilled["ball"]["weight"] = 17
    full, found = client.check(drilled), client.check(drilled, detail="findings")
    assert [finding.raw for finding in found.findings] == [finding.raw for finding in full.findings]
    assert full.derived
    assert not found.derived
    brief = client.check(drilled, detail="brief")
    assert isinstance(brief, ballgauge.BriefResult)
    assert (brief.outcome, brief.missing) == ("nonconforming", found.missing)
    weight = next(rule for rule in brief.unmet if rule.rule == "weight")
    assert weight.limit == ballgauge.Limit(None, 16.0)
    drilled_weight = full.derived.drilled.weight
    assert (weight.value, weight.margin) == (drilled_weight, 16.0 - drilled_weight)
    assert list(client.check_many([drilled] * 2, detail="brief")) == [brief] * 2
    assert client.check({**drilled, "detail": "brief"}) == brief


def test_a_drilling(client: ballgauge.Client, drilled: dict[str, Any]) -> None:
    del drilled["rules"]
    result = client.drill(drilled)
    assert result.derived.drilled.removed_weight == pytest.approx(2.5, abs=1.5)
    assert [hole.role for hole in result.derived.holes] == ["thumb", "middle", "ring"]
    assert result.units
    assert result.assumptions


def test_rulebooks(client: ballgauge.Client) -> None:
    assert {book.body for book in client.rulebooks()} == {"usbc", "ibf"}
    (book,) = client.rulebooks("usbc", on=date(2019, 3, 1))
    assert book.on == "2019-03-01"
    assert len(book.rules) < len(client.rulebooks("usbc")[0].rules)


def test_a_bad_request_names_every_field(client: ballgauge.Client, drilled: dict[str, Any]) -> None:
    drilled["ball"]["weight"] = -1
    drilled["ball"]["diametre"] = 8.5
    drilled["drilling"]["holes"][1]["depth"] = "2 lb"
    drilled["rules"]["on"] = "2026-02-30"
    with pytest.raises(ballgauge.InvalidRequest) as caught:
        client.check(drilled)
    problem = caught.value.problem
    assert problem.status == 422
    assert problem.request_id
    named = {error.pointer: error for error in caught.value.errors}
    assert set(named) == {"/ball/weight", "/ball/diametre", "/drilling/holes/1/depth", "/rules/on"}
    assert named["/ball/diametre"].suggestion == "diameter"
    assert "/ball/weight" in str(caught.value)


def test_what_says_nothing_is_left_out_and_other_libraries_values_are_read(client: ballgauge.Client) -> None:
    """Against the same ball without those members, in Python's own numbers."""
    nothing = {"rg": float("nan"), "hardness": pandas.NA, "differential": np.float64("nan"), "name": None,
               "approved_on": pandas.NaT}  # fmt: skip
    values = {"weight": np.float32(15.5), "diameter": np.array(8.5), "house_ball": np.bool_(True),
              "made_on": pandas.Timestamp("2021-05-14 00:00")}  # fmt: skip
    plain = {"weight": 15.5, "diameter": 8.5, "house_ball": True, "made_on": "2021-05-14"}
    assert client.check({"ball": nothing | values}) == client.check({"ball": plain})
    (row,) = pandas.DataFrame([{"weight": 15.5, "serial": None, "rg": float("nan")}]).to_dict("records")
    assert client.check({"ball": row}).outcome == "not_assessed"


def test_infinity_is_refused_by_the_name_of_its_field(client: ballgauge.Client) -> None:
    for asked, pointer in (
        ({"ball": {"weight": float("inf")}}, "/ball/weight"),
        ({"ball": {"weight": 15}, "drilling": {"holes": [float("nan")]}}, "/drilling/holes/0"),
    ):
        with pytest.raises(ballgauge.InvalidRequest) as caught:
            client.check(asked)
        assert pointer in [error.pointer for error in caught.value.errors]


def test_many_keep_their_order_over_batches(client: ballgauge.Client) -> None:
    weights = [6 + index / 200 for index in range(2100)]
    taken: list[int] = []

    def items() -> Iterator[dict[str, Any]]:
        for index, weight in enumerate(weights):
            taken.append(index)
            yield {"ball": {"weight": weight}}

    results = client.check_many(items())
    assert not taken
    first = next(results)
    assert len(taken) <= 1001
    found = [first, *results]
    values = [next(f.value for f in result.findings if f.quantity == "weight") for result in found]
    assert values == weights


def test_many_count_errors_over_all_items(client: ballgauge.Client) -> None:
    items = [{"ball": {"weight": 15}}] * 1500
    items[1234] = {"ball": {"weight": 150}}
    results = client.check_many(items)
    assert sum(1 for _, _ in zip(range(1000), results, strict=False)) == 1000
    with pytest.raises(ballgauge.InvalidRequest) as caught:
        next(results)
    assert [error.pointer for error in caught.value.errors] == ["/checks/1234/ball/weight"]


def test_no_items_give_no_results(client: ballgauge.Client) -> None:
    assert list(client.check_many([])) == []
    assert list(client.drill_many(iter(()))) == []


def test_a_batch_is_refused_where_one_is_meant(embedded: ballgauge.Client) -> None:
    with pytest.raises(ValueError, match="check_many"):
        embedded.check({"checks": []})
    with pytest.raises(ValueError, match="drill_many"):
        embedded.drill({"drillings": []})


def test_batches_stay_below_the_limit_of_a_body() -> None:
    big = [{"name": "x" * 3000, "number": number} for number in range(1000)]
    found = list(_encoding.batches("checks", big))
    assert len(found) > 2
    assert all(len(body) < 2**20 for _, _, body in found)
    assert [item["number"] for _, _, body in found for item in json.loads(body)["checks"]] == list(
        range(1000)
    )
    assert [first for first, _, _ in found] == [0, *np.cumsum([len(items) for _, items, _ in found])[:-1]]


def test_dates_and_other_numbers_are_written_as_json() -> None:
    document = {
        "on": date(2026, 5, 1),
        "a": np.int64(3),
        "b": np.float32(0.5),
        "c": Decimal("2.25"),
        "d": (1, 2),
    }
    assert json.loads(_encoding.encode(document)) == {
        "on": "2026-05-01",
        "a": 3,
        "b": 0.5,
        "c": 2.25,
        "d": [1, 2],
    }
    with pytest.raises(TypeError, match="bytes"):
        _encoding.encode({"a": b"1"})


def test_results_are_frozen_and_can_be_pickled(embedded: ballgauge.Client, drilled: dict[str, Any]) -> None:
    result = embedded.check(drilled)
    with pytest.raises(AttributeError):
        result.outcome = "conforming"  # type: ignore[misc]
    with pytest.raises(AttributeError):
        result.derived.balance = None
    with pytest.raises(AttributeError, match="balance"):
        _ = result.derived.balnce
    assert pickle.loads(pickle.dumps(result)) == result
    assert "balance" in dir(result.derived)


def test_an_address_that_is_none_is_refused() -> None:
    for address in ("127.0.0.1:8000", "ftp://x", ""):
        with pytest.raises(ValueError, match="http"):
            ballgauge.Client(address)


def test_without_the_engine_the_error_says_what_to_install() -> None:
    # A process in which the engine's arrays cannot be imported stands for an install without the extra.
    script = (
        "import sys; sys.modules['numpy'] = None\n"
        "import ballgauge\n"
        "try: ballgauge.Client.embedded()\n"
        "except ballgauge.ServiceUnreachable as error: print(error)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "numpy" in done.stdout
    assert "pip install 'ballgauge[check]'" in done.stdout


def test_one_bad_ball_does_not_lose_the_others(client: ballgauge.Client, drilled: dict[str, Any]) -> None:
    """Against each asked alone: its result, or its error with its own pointers, in order."""
    far = json.loads(json.dumps(drilled))
    far["drilling"]["holes"][0]["at"] = {"right": 0, "up": 0}
    far["drilling"]["holes"].append(
        {"role": "balance", "diameter": 1, "depth": 8, "at": {"right": 4, "up": 0}}
    )
    items: list[Any] = [drilled, {"ball": {"weight": 150, "rgg": 2.5}}, {"ball": {"weight": 15}}, far] * 3
    found = list(client.check_many(items, errors="collect"))
    for item, result in zip(items, found, strict=True):
        if not isinstance(result, ballgauge.InvalidRequest):
            assert result == client.check(item)
            continue
        with pytest.raises(ballgauge.InvalidRequest) as refused:
            client.check(item)
        assert {error.pointer for error in result.errors} == {error.pointer for error in refused.value.errors}
    assert {type(result) for result in found} == {ballgauge.CheckResult, ballgauge.InvalidRequest}
    with pytest.raises(ValueError, match="collect"):
        list(client.check_many(items, errors="ignore"))


def _refused(*pointers: str) -> Any:
    errors = [{"pointer": pointer, "detail": "no"} for pointer in pointers]
    return says(422, {"title": "Unprocessable", "status": 422, "errors": errors})


BRIEF = {"outcome": "conforming", "unmet": [], "missing": []}


def test_errors_are_collected_by_one_request(script: Script) -> None:
    """And by a service that does not know how to, in as many as it takes to leave out what it names."""
    problem = {"title": "Unprocessable", "status": 422, "errors": [{"pointer": "/ball/rg", "detail": "no"}]}
    balls: list[Any] = [{"ball": {"rg": number}} for number in (2, 9, 3)]

    def collected() -> list[Any]:
        with ballgauge.Client(script.url) as client:
            return list(client.check_many(balls, detail="brief", errors="collect"))

    script.answers = [says(200, {"results": [{"result": BRIEF}, {"problem": problem}, {"result": BRIEF}]})]
    first, bad, last = collected()
    assert first == last == ballgauge.BriefResult(BRIEF)
    assert [error.pointer for error in bad.errors] == ["/ball/rg"]
    assert [json.loads(body)["on_error"] for body in script.requests] == ["collect"]

    script.requests.clear()
    wrong = ("/checks/1/ball/rg", "/on_error")
    script.answers = [_refused(*wrong), _refused("/checks/0/ball"), says(200, {"results": [BRIEF]})]
    assert [type(each) for each in collected()] == [ballgauge.InvalidRequest] * 2 + [ballgauge.BriefResult]
    asked = [json.loads(body) for body in script.requests]
    assert [len(each["checks"]) for each in asked] == [3, 2, 1]
    assert ["on_error" in each for each in asked] == [True, False, False]

    script.answers = [_refused("/checks")]
    with pytest.raises(ballgauge.InvalidRequest):
        collected()
    for foreign in ([3, 3, 3], [], [{}, {}, {}], [{"problem": 3}, {}, {}]):
        script.answers = [says(200, {"results": foreign})]
        with pytest.raises(ballgauge.ServiceError):
            collected()
