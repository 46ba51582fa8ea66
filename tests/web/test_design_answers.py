"""The service's answers on core designs, against hand algebra and the trade's facts."""

from __future__ import annotations

import copy
import json
import math
from importlib.resources import files
from typing import Any

import pytest
from flask.testing import FlaskClient

from ballgauge_service.web.server.application import create_app

Body = dict[str, Any]
POUND = 453.59237
INCH = 2.54


@pytest.fixture(scope="module")
def client() -> FlaskClient:
    return create_app(json_logs=False, warm_up=False).test_client()


def packaged(name: str) -> Body:
    text = files("ballgauge_schemas").joinpath("example_designs", f"{name}.json").read_text(encoding="utf-8")
    loaded: Body = json.loads(text)
    return loaded


def answered(client: FlaskClient, body: Body) -> Body:
    reply = client.post("/v1/designs", json=body)
    assert reply.status_code == 200, reply.get_data(as_text=True)
    answer: Body = reply.get_json()
    return answer


def refused(client: FlaskClient, body: Body) -> dict[str, str]:
    reply = client.post("/v1/designs", json=body)
    assert reply.status_code == 422
    assert reply.content_type == "application/problem+json"
    return {error["pointer"]: error["detail"] for error in reply.get_json()["errors"]}


def test_nested_spheres_by_hand(client: FlaskClient) -> None:
    """Hand algebra: a sphere has I = 2/5 m r^2, and what a core displaces is subtracted."""
    radius, core, cover_density, core_density = 4.29, 2.5, 1.2, 1.6
    design = {
        "diameter": 2 * radius,
        "solids": [
            {"name": "cover", "role": "cover", "shape": "sphere", "density": cover_density},
            {
                "name": "core",
                "role": "inner_core",
                "shape": "sphere",
                "density": core_density,
                "diameter": 2 * core,
            },
        ],
    }
    found = answered(client, {"design": design})["properties"]
    ball = 4 / 3 * math.pi * (radius * INCH) ** 3 * cover_density / POUND
    extra = 4 / 3 * math.pi * (core * INCH) ** 3 * (core_density - cover_density) / POUND
    inertia = 0.4 * (ball * radius**2 + extra * core**2)
    assert found["weight"] == pytest.approx(ball + extra, rel=1e-12)
    assert found["rg"] == pytest.approx(math.sqrt(inertia / (ball + extra)), rel=1e-12)
    assert found["differential"] == pytest.approx(0.0, abs=1e-12)


def test_a_disc_raises_the_differential_and_not_the_intermediate(client: FlaskClient) -> None:
    """Common practice, no source: a disc on the pin axis adds the same inertia about both axes across it."""
    plain = answered(client, packaged("skarn"))["properties"]
    disc = answered(client, packaged("skarn_disc_below"))["properties"]
    assert disc["differential"] > plain["differential"] + 0.005
    assert disc["intermediate_differential"] == pytest.approx(plain["intermediate_differential"], abs=0.0005)
    assert disc["asymmetry_ratio"] < plain["asymmetry_ratio"]


def test_drilling_takes_more_of_a_disc_on_the_top_side(client: FlaskClient) -> None:
    """Common practice, no source: away from the gripping holes a disc keeps what it adds."""
    kept = {}
    for side in ("below", "above"):
        answer = answered(client, packaged(f"skarn_disc_{side}"))
        hit = {part["part"] for hole in answer["drilled"]["holes"] for part in hole["removed_from"]}
        kept[side] = "disc" in hit
    assert kept == {"below": False, "above": True}


def test_targets_are_met_and_the_seed_repeats_them(client: FlaskClient) -> None:
    """The targets asked for, and the same bytes for the same seed."""
    body = packaged("skarn_targets")
    first = client.post("/v1/designs", json=body)
    assert first.get_json()["solved"]["met"] is True
    assert client.post("/v1/designs", json=body).data == first.data


def test_targets_that_no_design_can_meet_are_told(client: FlaskClient) -> None:
    """A 20 lb ball of these materials in this size: the answer says which targets conflict."""
    body = packaged("skarn_targets")
    del body["family"]
    body["solve"]["targets"]["weight"]["value"] = "20 lb"
    solved = answered(client, body)["solved"]
    assert solved["met"] is False
    assert "weight" in json.dumps(solved["conflicts"])


def test_a_density_over_the_limit_is_a_finding(client: FlaskClient) -> None:
    """USBC manual, 2005 text: at most 3.80 g/mL for any component."""
    body = packaged("skarn_disc_below")
    body["design"]["solids"][3]["density"] = 3.9
    outcomes = {each["rule"]: each["outcome"] for each in answered(client, body)["findings"]}
    assert outcomes["max_density"] == "nonconforming"


def test_a_drilled_design_is_judged_by_its_drilled_weight_and_its_holes(client: FlaskClient) -> None:
    """Against the answer's own number, at the body's 16 lb; the sizes of holes are the manual's of 2021."""
    body = packaged("skarn_disc_below")
    made = answered(client, body)
    heavier = 16.05 / made["properties"]["weight"]
    for solid in body["design"]["solids"]:
        solid["density"] *= heavier
    body["drilling"]["holes"][0].update(diameter=1.6)
    answer = answered(client, body)
    found = {each["rule"]: each for each in answer["drilled"]["findings"]}
    assert answer["properties"]["weight"] == pytest.approx(16.05, abs=1e-6)
    assert found["weight"]["value"] == pytest.approx(answer["drilled"]["weight"], abs=1e-9)
    assert found["weight"]["outcome"] == "conforming"
    assert {each["rule"]: each["outcome"] for each in answer["findings"]}["weight"] == "nonconforming"
    assert found["gripping_hole_diameter"]["outcome"] == "nonconforming"
    assert found["doubled_digits"]["outcome"] == "conforming"


def test_a_design_by_a_body_without_numbers_takes_another_s_where_told(client: FlaskClient) -> None:
    body = packaged("skarn")
    body["rules"] = {"body": "ibf", "on": "2026-05-01"}
    alone = answered(client, body)
    assert {each["rule"]: each["outcome"] for each in alone["findings"]}["ball_as_made"] == "not_assessed"
    assert alone["outcome"] == "not_assessed"
    body["rules"]["as_made"] = "usbc"
    answer = answered(client, body)
    found = {each["rule"]: each["outcome"] for each in answer["findings"]}
    assert (found["weight"], "ball_as_made" in found) == ("conforming", False)
    assert answer["rules"]["as_made"] == "usbc"
    assert answer["rules"]["digest"] != alone["rules"]["digest"]
    body["rules"]["as_made"] = "ibf"
    assert refused(client, body).keys() == {"/rules/as_made"}


@pytest.mark.parametrize(
    ("path", "value", "pointer"),
    [
        (("solids", 3, "position"), [0, 0, -4.2], "/design/solids/3"),
        (("solids", 2, "density"), 0, "/design/solids/2/density"),
        (("solids", 2, "density"), -1, "/design/solids/2/density"),
        (("solids", 2, "length_x"), "90 kg", "/design/solids/2/length_x"),
        (("solids", 3, "hieght"), 1, "/design/solids/3/hieght"),
        (("diameter",), "nan", "/design/diameter"),
    ],
)
def test_bad_designs_are_refused_by_field(
    client: FlaskClient, path: tuple[Any, ...], value: Any, pointer: str
) -> None:
    """Against the list of bad input: every one is named where it stands."""
    body = packaged("skarn_disc_below")
    part: Any = body["design"]
    for step in path[:-1]:
        part = part[step]
    part[path[-1]] = value
    assert any(found.startswith(pointer) for found in refused(client, copy.deepcopy(body)))


def test_production_counts_what_leaves_the_limits(client: FlaskClient) -> None:
    """Spread grows with the tolerance; a share of nonconforming balls has its interval around it."""
    body = packaged("skarn_production")
    spreads = {each["number"]: each for each in answered(client, body)["production"]["spreads"]}
    wider = copy.deepcopy(body)
    for tolerance in wider["production"]["tolerances"]:
        if tolerance["field"] == "density" and "half_width" in tolerance:
            tolerance["half_width"] *= 2
    more = {each["number"]: each for each in answered(client, wider)["production"]["spreads"]}
    assert more["weight"]["standard_deviation"] > 1.3 * spreads["weight"]["standard_deviation"]
    for share in answered(client, body)["production"]["nonconforming"]:
        assert share["interval"]["min"] <= share["fraction"] <= share["interval"]["max"]
