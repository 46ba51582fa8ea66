"""What is asked of a design: strict, in any unit, and every bad field named."""

from __future__ import annotations

import copy
from typing import Any

import jsonschema
import marshmallow
import pytest

from ballgauge_schemas import ValidationError, flatten, openapi_document
from ballgauge_schemas.design import answer as design_results
from ballgauge_schemas.design import request as designs
from ballgauge_schemas.design.request import DESIGN_REQUEST, SHAPES, kind_of, unit_of
from ballgauge_schemas.shared.base import Schema
from ballgauge_schemas.shared.documents import design_example, design_example_names, design_example_text
from ballgauge_schemas.shared.words import FACTORS, OFFSETS, POSITIONS, SIZES, TILTS

DOCUMENT = openapi_document()


def refused(request: dict[str, Any]) -> dict[str, str]:
    with pytest.raises(ValidationError) as caught:
        DESIGN_REQUEST.load(request)
    return {error["pointer"]: error["detail"] for error in flatten(caught.value.messages)}


@pytest.fixture
def skarn() -> dict[str, Any]:
    return copy.deepcopy(design_example("skarn"))


@pytest.mark.parametrize("name", design_example_names())
def test_every_example_loads_and_is_documented(name: str) -> None:
    """Against the loader and against the OpenAPI document."""
    DESIGN_REQUEST.load(design_example(name))
    content = DOCUMENT["paths"]["/v1/designs"]["post"]["requestBody"]["content"]["application/json"]
    assert content["examples"][name]["value"] == design_example(name)
    schema = {**content["schema"], "components": DOCUMENT["components"]}
    jsonschema.Draft202012Validator(schema).validate(design_example(name))


def test_unknown_examples_are_named(sentence: Any) -> None:
    """Against the list of names."""
    with pytest.raises(KeyError) as caught:
        design_example_text("none")
    assert str(caught.value) == sentence("unknown example of a design")


@pytest.mark.parametrize(
    "schema",
    [
        found
        for module in (designs, design_results)
        for found in vars(module).values()
        if isinstance(found, type) and issubclass(found, Schema)
    ],
)
def test_every_example_of_a_field_loads_in_it(schema: type[Schema]) -> None:
    """Against the field itself."""
    for field in schema().fields.values():
        inner = field.inner if isinstance(field, marshmallow.fields.List) else field
        read = getattr(inner, "read", inner.deserialize)
        for given in inner.metadata.get("examples", ()):
            read(given)


def test_lengths_and_densities_come_in_any_unit(skarn: dict[str, Any]) -> None:
    """Against the inch of 25.4 mm (NIST SP 811, 2008)."""
    skarn["design"]["solids"][2] |= {"density": "2700 kg/m3", "position": ["25.4 mm", 0, "1/10 in"]}
    core = DESIGN_REQUEST.load(skarn)["design"]["solids"][2]
    assert core["density"].value == 2.7
    assert core["length_z"].value == pytest.approx(126 / 25.4, rel=1e-13)
    assert [each.value for each in core["position"]] == [1.0, 0.0, 0.1]


def test_every_bad_field_is_named_at_once(skarn: dict[str, Any], sentence: Any) -> None:
    """Against the contract: shape by shape, its own fields, and none of another's."""
    solids = skarn["design"]["solids"]
    solids[1]["density"] = 0
    solids[2] |= {"length_x": "90", "height": 2, "density": {"value": 2.7, "uncertainty": 0.1}}
    solids[3] |= {"shape": "tube"}
    solids.append({"name": "core", "shape": "sphere", "density": -1})
    skarn["drilling"].pop("layout")
    found = refused(skarn)
    assert found["/design/solids/1/density"] == sentence("density of zero")
    assert found["/design/solids/2/length_x"] == sentence("design: has no unit")
    assert "unknown field" in found["/design/solids/2/height"]
    assert "nominal" in found["/design/solids/2/density/uncertainty"]
    assert found["/design/solids/3/shape"] == sentence("unknown shape")
    assert "got -1 g/mL" in found["/design/solids/4/density"]
    assert "missing" in found["/design/solids/4/diameter"]
    assert found["/design/solids/4/name"] == sentence("duplicate name of a solid")
    assert found["/drilling/layout"] == sentence("layout missing beside a pin")


def test_an_uncertainty_is_no_reason_to_overlook_the_rest(skarn: dict[str, Any]) -> None:
    """Against the contract: both errors of one object."""
    skarn["design"]["solids"][1]["density"] = {"value": 99, "uncertainty": 0.1}
    assert set(refused(skarn)) == {
        "/design/solids/1/density/value",
        "/design/solids/1/density/uncertainty",
    }


@pytest.mark.parametrize(
    ("mesh", "pointer"),
    [
        ({"unit": "mm", "file": "core"}, "/format"),
        ({"unit": "mm"}, ""),
        ({"unit": "mm", "file": "a.stl", "data": "AAAA", "format": "stl"}, ""),
        ({"unit": "yd", "file": "a.stl"}, "/unit"),
        ({"file": "a.stl"}, "/unit"),
        ({"file": "a.obj"}, "/unit"),
        ({"unit": "mm", "data": "not base64", "format": "stl"}, "/data"),
    ],
)
def test_a_mesh_says_what_it_is(
    skarn: dict[str, Any], mesh: dict[str, str], pointer: str, sentence: Any
) -> None:
    """Against the contract: one source, a format, a unit."""
    skarn["design"]["meshes"] = [{"name": "core", **mesh}]
    assert refused(skarn)[f"/design/meshes/0{pointer}"] == sentence(f"{pointer} of the mesh {mesh}")


def test_a_solid_names_a_mesh_that_is_there(skarn: dict[str, Any], sentence: Any) -> None:
    """Against the design's own list; the format is what the file's name ends in."""
    skarn["design"]["meshes"] = [{"name": "drawn", "unit": "mm", "file": "parts/Core.STL"}]
    skarn["design"]["solids"][2] = {"name": "core", "shape": "mesh", "mesh": "drawn", "density": 2}
    assert DESIGN_REQUEST.load(skarn)["design"]["meshes"][0]["format"] == "stl"
    skarn["design"]["meshes"] = [{"name": "drawn", "file": "parts/core.3mf"}]
    assert "unit" not in DESIGN_REQUEST.load(skarn)["design"]["meshes"][0]
    skarn["design"]["solids"][2]["mesh"] = "dawn"
    assert refused(skarn)["/design/solids/2/mesh"] == sentence("unknown mesh")


def test_bounds_and_widths_take_the_unit_of_their_field(sentence: Any) -> None:
    """Against the kinds: a density in kg/m3, a length in mm, an angle in rad; never one for the other."""
    request = design_example("skarn_production")
    request["solve"] = design_example("skarn_targets")["solve"]
    request["solve"]["parameters"][0] |= {"lower": "2000 kg/m3"}
    loaded = DESIGN_REQUEST.load(request)
    assert loaded["solve"]["parameters"][0]["lower"].value == pytest.approx(2.0)
    assert loaded["solve"]["parameters"][2]["upper"].value == pytest.approx(75 / 25.4)
    assert loaded["production"]["tolerances"][3]["standard_deviation"].value == pytest.approx(0.4 / 25.4)
    request["solve"]["parameters"][0] |= {"lower": "2 mm", "upper": 1.5}
    request["solve"]["parameters"][1] |= {"lower": 1.4}
    request["production"]["tolerances"][0] |= {"standard_deviation": 0, "half_width": 0.1}
    found = refused(request)
    assert found["/solve/parameters/0/lower"] == sentence("length for a density")
    assert found["/solve/parameters/1/upper"] == sentence("upper below lower")
    assert found["/production/tolerances/0/standard_deviation"] == sentence("design: more than 0")
    assert found["/production/tolerances/0"] == sentence("two widths of a tolerance")


def test_every_field_has_a_kind() -> None:
    """Against the lists of fields."""
    units = {
        kind_of(name): unit_of(name) for name in ("density", *SIZES, *FACTORS, *POSITIONS, *OFFSETS, *TILTS)
    }
    assert units == {"density": "g/mL", "length": "in", "ratio": "1", "angle": "deg"}


@pytest.mark.parametrize(
    ("rotation", "sound"),
    [
        ({"axis": [0, 0, 1], "angle": 30}, True),
        ({"z": [1, 0, 0]}, True),
        ({"z": [1, 0, 0], "x": [0, 1, 0]}, True),
        ({}, False),
        ({"axis": [0, 0, 1]}, False),
        ({"x": [0, 0, 1]}, False),
        ({"axis": [0, 0, 1], "angle": 30, "z": [0, 0, 1]}, False),
    ],
)
def test_a_rotation_is_given_in_one_way(rotation: dict[str, Any], sound: bool) -> None:
    """Against the two ways."""
    assert (designs.RotationSchema().validate(rotation) == {}) == sound


def test_what_is_asked_fits_together(skarn: dict[str, Any], sentence: Any) -> None:
    """Against the contract: something to compare with, targets that a front names, one arm."""
    skarn["compare"] = {"drilling": copy.deepcopy(skarn["drilling"])}
    skarn["solve"] = design_example("skarn_targets")["solve"]
    skarn["solve"]["trade_off"] = {"first": "top_weight", "second": "top_weight"}
    skarn["balance_arm"] = 3.0
    found = refused(skarn)
    assert found["/solve/trade_off/first"] == sentence("front of a number without target")
    assert "/balance_arm" in found
    del skarn["drilling"], skarn["balance_arm"], skarn["solve"]
    assert set(refused(skarn)) == {"/drilling"}
    assert refused({**skarn, "compare": {}})["/compare"] == sentence("comparison with nothing")


def test_solids_are_documented_shape_by_shape() -> None:
    """Against the shapes: one schema each, told apart by the shape."""
    items = DOCUMENT["components"]["schemas"]["Design"]["properties"]["solids"]["items"]
    names = [each["$ref"].rpartition("/")[2] for each in items["oneOf"]]
    schemas = [DOCUMENT["components"]["schemas"][name] for name in names]
    assert [each["properties"]["shape"]["enum"] for each in schemas] == [[shape] for shape in SHAPES]
    assert all("shape" in each["required"] for each in schemas)
