"""Requests that nobody could mean: each a 422 that names every bad field, and the service goes on."""

from __future__ import annotations

import json
from typing import Any

import pytest

Change = tuple[str, Any]


def hole(role: str = "vent", **members: Any) -> dict[str, Any]:
    return {"role": role, "diameter": 0.2, "depth": 1, "at": {"right": 1, "up": 1}} | members


CASES: dict[str, tuple[list[Change], set[str]]] = {
    "negative sizes": (
        [("/ball/weight", -15), ("/ball/diameter", "-8.5 in"), ("/drilling/holes/0/depth", -1)],
        {"/ball/weight", "/ball/diameter", "/drilling/holes/0/depth"},
    ),
    "absurd sizes": (
        [("/ball/weight", 200), ("/ball/diameter", "3 m"), ("/drilling/holes/2/diameter", 8)],
        {"/ball/weight", "/ball/diameter", "/drilling/holes/2/diameter"},
    ),
    "wrong units": (
        [("/ball/weight", "15 in"), ("/ball/rg", "2.5"), ("/drilling/pap/over", {"value": 5, "unit": "lb"})],
        {"/ball/weight", "/ball/rg", "/drilling/pap/over/unit"},
    ),
    "units that nobody knows": (
        [("/ball/weight", "15 stones of moon"), ("/ball/rg", "9**9**9 in"), ("/ball/diameter", "f(1) in")],
        {"/ball/weight", "/ball/rg", "/ball/diameter"},
    ),
    "impossible inertia": (
        [("/ball/intermediate_differential", 0.06)],
        {"/ball/intermediate_differential", "/ball/differential"},
    ),
    "mixed hands": ([("/drilling/hand", "right and left")], {"/drilling/hand"}),
    "a list of hands": ([("/drilling/hand", ["right", "left"])], {"/drilling/hand"}),
    "dates that are none": (
        [("/ball/approved_on", "2026-02-30"), ("/rules/on", "yesterday")],
        {"/ball/approved_on", "/rules/on"},
    ),
    "a second thumb hole": ([("/drilling/holes/1/role", "thumb")], {"/drilling/holes/1/at"}),
    "fifty holes": ([("/drilling/holes", [hole()] * 50)], {"/drilling/holes"}),
    "a hole that nothing places": ([("/drilling/holes/2", {"role": "vent", "diameter": 0.2, "depth": 1})],
                                   {"/drilling/holes/2/at"}),
    "huge numbers": (
        [("/ball/weight", 10**400), ("/ball/rg", 1e308), ("/drilling/layout/pin_to_pap", -1e308)],
        {"/ball/weight", "/ball/rg", "/drilling/layout/pin_to_pap"},
    ),
    "truth values for numbers": ([("/ball/weight", True), ("/ball/rg", False)], {"/ball/weight", "/ball/rg"}),
    "numbers for texts and flags": (
        [("/ball/name", 5), ("/ball/house_ball", "yes"), ("/drilling/grip/thumb", 1)],
        {"/ball/name", "/ball/house_ball", "/drilling/grip/thumb"},
    ),
    "unknown names": (
        [("/ball/wieght", 15), ("/drilling/holes/0/depht", 2), ("/color", "red")],
        {"/ball/wieght", "/drilling/holes/0/depht", "/color"},
    ),
    "a megabyte of unit": ([("/ball/weight", "15 " + "lb" * 100_000)], {"/ball/weight"}),
    "null where there must be something": ([("/ball", None)], {"/ball"}),
}  # fmt: skip


def put(document: Any, pointer: str, value: Any) -> None:
    *way, last = pointer.strip("/").split("/")
    for name in way:
        document = document[int(name) if isinstance(document, list) else name]
    document[int(last) if isinstance(document, list) else last] = value


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("batch", [False, True], ids=["one", "batch"])
def test_every_bad_field_is_named(app: Any, drilled: dict[str, Any], case: str, batch: bool) -> None:
    changes, expected = CASES[case]
    client = app.test_client()
    sound = json.loads(json.dumps(drilled))
    for pointer, value in changes:
        put(drilled, pointer, value)
    document = {"checks": [sound, drilled]} if batch else drilled
    response = client.post("/v1/checks", data=json.dumps(document), content_type="application/json")
    assert response.status_code == 422, response.text
    prefix = "/checks/1" if batch else ""
    assert {error["pointer"] for error in response.json["errors"]} == {prefix + name for name in expected}
    assert all(len(error["detail"]) < 500 for error in response.json["errors"])
    assert client.post("/v1/checks", json=sound).status_code == 200


@pytest.mark.parametrize("count", [0, 1001])
def test_the_size_of_a_batch_is_limited(app: Any, count: int) -> None:
    for address, member in (("/v1/checks", "checks"), ("/v1/drillings", "drillings")):
        response = app.test_client().post(address, json={member: [{"ball": {"weight": 15}}] * count})
        assert response.status_code == 422
        assert [error["pointer"] for error in response.json["errors"]] == [f"/{member}"]


def test_no_result_says_approved(app: Any, conforming: dict[str, Any]) -> None:
    response = app.test_client().post("/v1/checks", json=conforming)
    assert response.json["outcome"] == "conforming"
    said = [finding["message"] for finding in response.json["findings"]]
    assert not [message for message in said if "is approved" in message]
