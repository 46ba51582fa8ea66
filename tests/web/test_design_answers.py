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


def test_the_set_of_one_core_with_and_without_a_disc(client: FlaskClient) -> None:
    """Common practice, no source: 0.050 and 0.034, 0.013 in both, ratios about 25 and 40 %; asked again."""
    body = packaged("skarn_set")
    found = answered(client, body)["set"]
    assert found["met"]
    best = found["solutions"][0]
    ratios = {}
    for ball in best["variants"]:
        again = answered(client, {"design": ball["design"], "rules": body["rules"]})
        for name in ("weight", "rg", "differential", "intermediate_differential"):
            assert again["properties"][name] == pytest.approx(ball["numbers"][name], rel=1e-9)
        assert again["outcome"] == ball["outcome"]
        ratios[ball["name"]] = again["properties"]["asymmetry_ratio"]
    assert ratios == {
        "with disc": pytest.approx(0.25, abs=0.03),
        "without disc": pytest.approx(0.40, abs=0.03),
    }
    assert all(each["met"] for each in best["across"])
    assert best["variants"][0]["numbers"]["clearance"] >= 1 / 25.4
    given = [
        {part["name"]: part for part in each["properties"]["contributions"]} for each in found["variants"]
    ]
    assert "disc" in given[0]
    assert "disc" not in given[1]
    for each, ball in zip(found["variants"], best["variants"], strict=True):
        assert each["properties"]["differential"] == pytest.approx(ball["numbers"]["differential"])


def test_the_map_of_layouts_is_what_each_drilling_leaves(client: FlaskClient) -> None:
    """Each point against the drilled design of that layout; every value stands in the picture."""
    body = packaged("skarn_set")
    del body["set"]
    mapped = answered(client, body)["layout_map"]
    assert [(each["pin_to_pap"], each["drilling_angle"]) for each in mapped["points"]] == [
        (arc, angle) for arc in (3, 4, 5) for angle in (30, 60, 90)
    ]
    point = mapped["points"][5]
    body["drilling"]["layout"] |= {"pin_to_pap": 4, "drilling_angle": 90}
    del body["layout_map"]
    drilled = answered(client, body)["drilled"]
    for name in ("weight", "differential", "intermediate_differential", "top", "finger"):
        assert point["numbers"][f"drilled_{name}"] == pytest.approx(drilled[name], abs=2e-6)
    assert mapped["picture"].startswith("<svg")
    assert f">{drilled['differential']:.4f}<" in mapped["picture"]


def test_what_a_search_finds_is_judged_as_the_design_is(client: FlaskClient) -> None:
    """A differential beyond the limit is asked for and met: the solution breaks the rule, asked again too."""
    body = packaged("skarn_targets")
    del body["family"]
    body["solve"]["targets"] = {"differential": {"value": 0.068, "tolerance": 0.001}}
    body["solve"]["starts"] = 2
    body["solve"]["parameters"][2]["upper"] = "95 mm"
    solution = answered(client, body)["solved"]["solutions"][0]
    assert solution["outcome"] == "nonconforming"
    assert "differential" in {each["rule"] for each in solution["findings"]}
    again = answered(client, {"design": solution["design"], "rules": body["rules"]})
    broken = {each["rule"] for each in again["findings"] if each["outcome"] == "nonconforming"}
    assert broken == {each["rule"] for each in solution["findings"] if each["outcome"] == "nonconforming"}
    body["solve"]["targets"]["max_density"] = {"at_most": 3.4}
    body["solve"]["targets"]["differential"] = {"at_least": 0.055, "at_most": 0.059}
    limited = answered(client, body)["solved"]["solutions"][0]
    assert limited["met"]
    assert limited["outcome"] != "nonconforming"
    assert limited["numbers"]["max_density"] <= 3.4


def test_every_field_of_a_search_that_does_not_fit_is_named(client: FlaskClient) -> None:
    """Against the pointers of targets, parameters, variants and changes, one refusal for each layer."""
    body = packaged("skarn_set")
    one, other = body["set"]["variants"]
    one["targets"]["rg"] = {"value": 2.5}
    one["targets"]["weight"]["at_most"] = 16
    other["name"] = "with disc"
    body["set"]["parameters"][3] |= {"over": "length_x", "lower": 0.5}
    body["set"]["across"][0] |= {"variants": ["with disc", "none"], "within": "1 g"}
    assert set(refused(client, body)) >= {
        "/set/variants/0/targets/rg/tolerance",
        "/set/variants/0/targets/weight/value",
        "/set/parameters/3/over",
        "/set/parameters/3/within",
        "/set/across/0/within",
    }
    body = packaged("skarn_set")
    one, other = body["set"]["variants"]
    one["leave_out"] = ["cover"]
    one["clear_of"] = ["dics"]
    other["replace"] = [{"name": "disc", "shape": "sphere", "density": 2, "diameter": 1}]
    other["add"] = [{"name": "core", "shape": "sphere", "density": 2, "diameter": 1}]
    assert set(refused(client, body)) == {
        "/set/variants/0/leave_out/0", "/set/variants/1/replace/0/name", "/set/variants/1/add/0/name",
    }  # fmt: skip
    body = packaged("skarn_set")
    body["set"]["variants"][0]["clear_of"] = ["dics"]
    body["set"]["variants"][1]["add"] = [{"name": "far", "shape": "sphere", "density": 2, "diameter": 9}]
    body["set"]["parameters"].append({"solids": ["core"], "field": "length_z", "within": 9})
    assert set(refused(client, body)) == {"/set/variants/0/clear_of/0", "/set/variants/1/add/0"}
    del body["set"]["variants"][1]["add"]
    assert set(refused(client, body)) == {"/set/variants/0/clear_of/0", "/set/parameters/6/within"}
    del body["drilling"]
    assert {"/drilling", "/set/variants/0/targets/clearance"} <= set(refused(client, body))
