"""A design in place of box numbers, against the same layers by box numbers, and the design engine."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from ballgauge_schemas import ValidationError, load_check_body
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.ball import DESIGN_TELLS
from ballgauge_schemas.shared.problems import flatten
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.evaluate import evaluate_design
from ballgauge_service.web import direct
from ballgauge_service.web.http.refusals import Refusal

Body = dict[str, Any]
Make = Callable[..., Body]

TWO_LAYERS = {
    "diameter": 8.55,
    "solids": [
        {"name": "cover", "shape": "sphere", "density": 1.19, "role": "cover"},
        {"name": "inside", "shape": "sphere", "density": 1.27, "diameter": 7.05, "role": "outer_core"},
    ],
}
WITH_CORE = {
    "diameter": 8.55,
    "solids": [
        {"name": "cover", "shape": "sphere", "density": 1.19, "role": "cover"},
        {"name": "filler", "shape": "sphere", "density": 0.95, "diameter": 7.4, "role": "outer_core"},
        {
            "name": "core", "shape": "ellipsoid", "density": 2.3, "role": "inner_core",
            "length_x": 3.4, "length_y": 3.7, "length_z": 4.6, "position": [0.1, 0.05, 0.15],
        },
    ],
}  # fmt: skip


def layered(request_for: Make, design: Body, **more: Any) -> Body:
    body = request_for(**more)
    body["ball"] = {"name": "Harrow Lane Tern"}
    return {**body, "design": copy.deepcopy(design)}


def test_two_layers_are_the_model_of_box_numbers(request_for: Make) -> None:
    """The model of a cover and one material inside, told as a design: all numbers are the same."""
    body = layered(request_for, TWO_LAYERS)
    told = direct.check(body)
    made = evaluate_design(DESIGN_REQUEST.load({"design": TWO_LAYERS}))["properties"]
    boxed = request_for()
    names = ("weight", "rg", "differential", "intermediate_differential")
    boxed["ball"] = {name: made[name] for name in names} | {
        "diameter": 8.55, "top_weight": 0, "pin_to_cg": 0, "cover_thickness": 0.75, "cover_density": 1.19,
    }  # fmt: skip
    plain = direct.check(boxed)
    for name in ("top", "side", "finger"):
        own = plain["derived"]["balance"]["predicted"][name]
        assert told["derived"]["balance"]["predicted"][name] == pytest.approx(own, abs=1e-5)
    for name in ("weight", "rg", "differential", "intermediate_differential", "removed_weight"):
        own = plain["derived"]["drilled"][name]
        assert told["derived"]["drilled"][name] == pytest.approx(own, abs=2e-5), name
    for mine, own in zip(told["derived"]["holes"], plain["derived"]["holes"], strict=True):
        assert mine["removed_weight"] == pytest.approx(own["removed_weight"], abs=1e-5)
        assert mine["at"] == own["at"]


@pytest.mark.parametrize("hand", ["right", "left"])
def test_the_layers_are_those_of_the_design_engine(request_for: Make, hand: str) -> None:
    """Against POST /v1/designs of the same layers and drilling: the same ball, by the check's rules."""
    body = layered(request_for, WITH_CORE, drilling={"hand": hand, "balance_arm": 3.1})
    told = direct.check(body)
    asked = DESIGN_REQUEST.load({"design": WITH_CORE, "drilling": body["drilling"]})
    designed = evaluate_design(asked)["drilled"]
    for name in ("weight", "rg", "differential", "intermediate_differential", "removed_weight"):
        assert told["derived"]["drilled"][name] == pytest.approx(designed[name], abs=1e-4), name
    for name in ("top", "side", "finger"):
        assert told["derived"]["balance"]["predicted"][name] == pytest.approx(designed[name], abs=1e-4)
    assert "model_uncertainty" not in told["derived"]["balance"]["predicted"]
    assert "model_uncertainty" not in told["derived"]["drilled"]
    values = {finding["quantity"]: finding["value"] for finding in told["findings"]}
    assert values["weight"] == pytest.approx(designed["weight"], abs=1e-4)
    assert values["balance_top"] == pytest.approx(designed["top"], abs=1e-4)
    assert values["max_density"] in (None, 2.3)


def test_the_mark_lies_where_the_center_of_mass_does(request_for: Make) -> None:
    """Off the line from pin to spin axis: the core stands aside of it."""
    told = direct.drill({"ball": {}, "drilling": request_for()["drilling"], "design": WITH_CORE})
    layout = told["derived"]["layout"]
    assert layout["pin_to_cg"] == pytest.approx(4.2750 * 0.6397, abs=0.05)  # atan(|(0.1, 0.05)| / 0.15)
    assert layout["cg_mark"] is not None
    assert told["derived"]["ball"]["inner_density"] is None


def test_a_ball_as_made_is_judged_by_its_design() -> None:
    told = direct.check({"ball": {"name": "Tern"}, "design": WITH_CORE, "rules": {"stage": "approval"}})
    values = {finding["quantity"]: finding["value"] for finding in told["findings"]}
    assert values["max_density"] == 2.3
    assert values["differential"] > 0.0
    assert told["derived"]["drilled"] is None


def test_what_the_drilling_leaves_uncertain_is_carried_on(request_for: Make) -> None:
    body = layered(request_for, WITH_CORE)
    body["drilling"]["holes"][0]["depth"] = {"value": 2.5, "uncertainty": 0.1}
    told = direct.check(body)["derived"]
    assert told["balance"]["predicted"]["uncertainty"]["top"] > 0.005
    assert told["drilled"]["uncertainty"]["weight"] > 0.001


@pytest.mark.parametrize("name", DESIGN_TELLS)
def test_nothing_is_told_twice(name: str) -> None:
    value = {"weight": 15, "diameter": 8.55, "circumference": 26.86, "rg": 2.5, "cover_density": 1.2}
    body = {"ball": {name: value.get(name, 0.05)}, "design": TWO_LAYERS}
    if name == "max_density":
        body["ball"][name] = 2.0
    with pytest.raises(ValidationError) as refused:
        load_check_body(body)
    assert [fault["pointer"] for fault in flatten(refused.value.messages)] == [f"/ball/{name}"]


def test_a_drilled_design_needs_its_layout(request_for: Make) -> None:
    body = layered(request_for, TWO_LAYERS)
    del body["drilling"]["layout"]
    with pytest.raises(ValidationError) as refused:
        load_check_body(body)
    assert [fault["pointer"] for fault in flatten(refused.value.messages)] == ["/drilling/layout"]


def test_a_design_has_its_own_center_of_gravity(request_for: Make) -> None:
    body = layered(request_for, TWO_LAYERS)
    body["drilling"]["layout"]["cg"] = {"right": 1, "up": 0}
    with pytest.raises(ValidationError) as refused:
        load_check_body(body)
    assert [fault["pointer"] for fault in flatten(refused.value.messages)] == ["/drilling/layout/cg"]


def test_faults_of_a_batch_are_named_where_they_stand(request_for: Make) -> None:
    """One sound ball, one solid outside of its ball, one mesh that nobody sent."""
    outside = copy.deepcopy(WITH_CORE)
    outside["solids"][2]["position"] = [3, 0, 0]
    filed = copy.deepcopy(TWO_LAYERS)
    filed["meshes"] = [{"name": "m", "unit": "in", "file": "core.stl"}]
    filed["solids"].append({"name": "core", "shape": "mesh", "mesh": "m", "density": 2})
    checks = [layered(request_for, each) for each in (TWO_LAYERS, outside, filed)]
    with pytest.raises(Refusal) as refused:
        direct.check({"checks": checks})
    pointers = [error["pointer"] for error in refused.value.errors]
    assert any(pointer.startswith("/checks/1/design/solids/2") for pointer in pointers)
    assert "/checks/2/design/meshes/0/file" in pointers
    entries = direct.check({"checks": checks, "on_error": "collect"})["results"]
    assert ["result" in entry for entry in entries] == [True, False, False]


def test_too_many_designs_are_refused_by_their_price(
    request_for: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted before it is done: the one that goes too far is named, and none is drilled after it."""
    from ballgauge_service.design import checked

    monkeypatch.setattr(checked, "WORK_LIMIT", 1e4)
    items, _ = load_check_body({"checks": [layered(request_for, WITH_CORE)] * 3})
    with pytest.raises(InvalidInput) as refused:
        checked.with_layers(items)
    assert [(fault.index, fault.pointer) for fault in refused.value.faults] == [(0, "/design")]


def test_the_same_bytes_twice(request_for: Make) -> None:
    body = layered(request_for, WITH_CORE)
    assert json.dumps(direct.check(copy.deepcopy(body))) == json.dumps(direct.check(body))
