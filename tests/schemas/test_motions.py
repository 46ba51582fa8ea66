"""What a request about a motion may say, and what is wrong with those that may not."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from ballgauge_schemas import KINDS, ValidationError, flatten, openapi_document, unit_size
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared.documents import motion_example, motion_example_names, motion_example_text
from ballgauge_schemas.shared.limits import WORK_MAXIMUM
from ballgauge_schemas.shared.words import PRESETS

DOCUMENT = openapi_document()


def wrong(request: Any) -> dict[str, str]:
    """The texts by pointer of what is wrong with a request."""
    with pytest.raises(ValidationError) as raised:
        MOTION_REQUEST.load(request)
    return {error["pointer"]: error["detail"] for error in flatten(raised.value.messages)}


@pytest.mark.parametrize("name", motion_example_names())
def test_every_example_loads_and_is_documented(name: str) -> None:
    """Against the loader and against the OpenAPI document."""
    assert MOTION_REQUEST.load(motion_example(name))
    content = DOCUMENT["paths"]["/v1/motions"]["post"]["requestBody"]["content"]["application/json"]
    assert content["examples"][name]["value"] == json.loads(motion_example_text(name))
    schema = {**content["schema"], "components": DOCUMENT["components"]}
    jsonschema.Draft202012Validator(schema).validate(motion_example(name))


def test_there_are_examples_of_each_job() -> None:
    """Against the list of the jobs they show."""
    assert motion_example_names() == ("motion", "motion_explain", "motion_line_map", "motion_squad")
    with pytest.raises(KeyError, match="none"):
        motion_example_text("none")


@pytest.mark.parametrize(
    ("kind", "unit", "size"),
    [
        ("speed", "km/h", 1 / 1.609344),
        ("rotation_rate", "rad/s", 9.549296585513721),
        ("lane_distance", "m", 1 / 0.3048),
        ("oil_volume", "µL", 1e-3),
        ("film", "µm", 92.90304),
    ],
)
def test_units_of_the_lane(kind: str, unit: str, size: float) -> None:
    """Against the mile of 1609.344 m, the foot of 0.3048 m, and 1 µm on 1 ft² = 92.90304 µL."""
    assert unit_size(kind, unit) == pytest.approx(size, rel=1e-12)
    assert unit_size(kind, KINDS[kind].unit) == 1.0


def test_the_same_numbers_in_other_units() -> None:
    """Against the trade units."""
    request = motion_example("motion")
    request["release"] = {"speed": "28.96819 km/h", "launch_board": 26}
    request["lane"] = {"film": "0.5 µm"}
    loaded = MOTION_REQUEST.load(request)
    assert loaded["release"]["speed"].value == pytest.approx(18.0, rel=1e-6)
    assert loaded["lane"]["film"].value == pytest.approx(46.45152)


def test_every_bad_field_is_named_at_once(sentence: Any) -> None:
    """Against the contract."""
    found = wrong(
        {
            "bal": 1,
            "release": {"speed": "500 mph", "rev_rate": {"value": 300, "uncertainty": 5}},
            "lane": {"pattern": {"zones": []}, "film": 1},
            "samples": 1,
            "spread": {"deliveries": 1, "window": {"board": [18, 17]}},
            "picture": "own",
        }
    )
    assert found["/bal"] == sentence("misspelt field of a motion")
    assert found["/release/speed"] == sentence("speed beyond its bounds")
    assert found["/release/rev_rate/uncertainty"] == sentence("motion: scatter and spread")
    assert {"/ball", "/release/axis_rotation", "/release/axis_tilt", "/samples"} <= set(found)
    assert {"/lane/pattern/zones", "/spread/deliveries", "/spread/window/board", "/picture"} <= set(found)


def test_one_ball_one_lane_one_release() -> None:
    """Against the contract: neither both nor none."""
    request = motion_example("motion")
    assert set(wrong({name: request[name] for name in ("ball", "bowler")})) == {"/lane"}
    assert set(wrong({name: request[name] for name in ("ball", "lane")})) == {"/release"}
    assert set(wrong({**request, "lane": {}})) == {"/lane"}
    assert "/drilled" in wrong(
        {**request, "drilled": {"ball": {"weight": 15}, "drilling": {"hand": "right"}}}
    )


def test_a_differential_is_no_less_than_its_part() -> None:
    """Against the definition of the intermediate differential."""
    request = motion_example("motion")
    request["ball"]["intermediate_differential"] = 0.06
    assert set(wrong(request)) == {"/ball/intermediate_differential"}


def test_work_is_bounded_before_any_is_done() -> None:
    """Against the bound stated in the contract."""
    request = motion_example("motion_line_map")
    request["line_map"] |= {"deliveries": 200, "bowlers": [*PRESETS]}
    assert f"at most {WORK_MAXIMUM}" in wrong(request)["/line_map"]


def test_a_drilled_ball_needs_what_moves_it() -> None:
    """Against what the motion is computed from."""
    request = motion_example("motion")
    del request["ball"], request["hand"], request["pap"]
    request["drilled"] = {"ball": {"weight": 15}, "drilling": {"hand": "right", "holes": []}}
    found = wrong(request)
    assert {"/drilled/ball/rg", "/drilled/ball/differential", "/drilled/drilling/pap"} <= set(found)
