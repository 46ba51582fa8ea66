"""Designs of a request made into designs of the engine, and back."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from ballgauge_schemas.shared.words import OFFSETS, POSITIONS, TILTS
from ballgauge_service.check.request import plain
from ballgauge_service.core.refusal import InvalidDesign, InvalidInput, below
from ballgauge_service.design.mass import check_inside
from ballgauge_service.design.model import Slot
from ballgauge_service.design.solids.meshes import read_mesh
from ballgauge_service.design.solids.packing import pack
from ballgauge_service.design.solids.solids import Design, Mesh
from ballgauge_service.design.solids.text import design_from_mapping, design_to_mapping

Group = dict[str, Any]
Files = Mapping[str, bytes]
"""The files of a form, by name."""

_STAND_IN = {"shape": "sphere", "diameter": 1.0}


def build_pair(request: Mapping[str, Any], files: Files) -> tuple[Design, Design | None]:
    """The design of a request and the one it is compared with.

    Raises InvalidInput naming every bad field of both, and of what is asked about their solids.
    """
    second = request.get("compare", {}).get("design")
    specs = [("/design", request["design"]), *([("/compare/design", second)] if second else [])]
    errors: list[tuple[int, str, str]] = []
    found: list[Design] = []
    for place, spec in specs:
        try:
            with below(("", place)):
                found.append(build(spec, files))
        except InvalidInput as refused:
            errors.extend(refused.errors)
    named = {mesh.get("file") for _, spec in specs for mesh in spec["meshes"]}
    errors.extend(
        (0, "/design/meshes", f"no mesh names the file {name!r}") for name in files if name not in named
    )
    if len(found) == len(specs):
        errors.extend((0, *each) for each in _misnamed(request, found[0]))
    if errors:
        raise InvalidInput(errors)
    return found[0], found[1] if second else None


def build(spec: Mapping[str, Any], files: Files) -> Design:
    """The engine's design of a loaded one. Raises InvalidDesign with every bad field, relative to it."""
    problems: list[tuple[str, str]] = []
    meshes: dict[str, Mesh] = {}
    for at, mesh in enumerate(spec["meshes"]):
        try:
            meshes[mesh["name"]] = read_mesh(_bytes(mesh, files), mesh["format"], mesh["unit"])
        except InvalidDesign as refused:
            problems.extend((f"/meshes/{at}{pointer}", detail) for _, pointer, detail in refused.errors)
    try:
        design = design_from_mapping(
            {**plain({k: v for k, v in spec.items() if k != "meshes"}), **_solids(spec)}
        )
    except InvalidDesign as refused:
        problems.extend((pointer, detail) for _, pointer, detail in refused.errors)
    if problems:
        raise InvalidDesign(problems)
    for solid in spec["solids"]:
        if solid["shape"] == "mesh":
            shape = replace(meshes[solid["mesh"]], scale=solid.get("scale", 1.0))
            design = design.with_solid(
                solid["name"], replace(design.solids[design.index(solid["name"])], shape=shape)
            )
    check_inside(design, pack(design))
    return design


def _solids(spec: Mapping[str, Any]) -> Group:
    solids = []
    for solid in plain(spec["solids"]):
        solid |= {"role": solid["role"].replace("_", " "), "shape": solid["shape"].replace("_", " ")}
        if solid["shape"] == "mesh":
            common = ("name", "role", "density", "position", "rotation")
            solid = {**_STAND_IN, **{name: solid[name] for name in common if name in solid}}
        solids.append(solid)
    return {"solids": solids}


def _bytes(mesh: Mapping[str, Any], files: Files) -> bytes:
    if "file" in mesh:
        if mesh["file"] not in files:
            raise InvalidDesign([("/file", "no file of this name came with the request")])
        return files[mesh["file"]]
    try:
        return base64.b64decode(mesh["data"], validate=True)
    except binascii.Error as error:
        raise InvalidDesign([("/data", f"is not base64: {error}")]) from None


def slot(asked: Mapping[str, Any]) -> Slot:
    """The place of a parameter or a tolerance; `density` where it names no field."""
    return Slot(tuple(asked["solids"]), asked.get("field", "density"))


def _misnamed(request: Mapping[str, Any], design: Design) -> Iterator[tuple[str, str]]:
    """Pointers and words where parameters and tolerances name what the design has not."""
    for job, member in (("solve", "parameters"), ("family", "parameters"), ("production", "tolerances")):
        for at, asked in enumerate(request.get(job, {}).get(member, ())):
            place = slot(asked)
            if place.field in (*OFFSETS, *TILTS):
                place = replace(place, field=POSITIONS[0])
            for pointer, detail in place.problems(design):
                yield f"/{job}/{member}/{at}{pointer}", detail


def design_group(design: Design, spec: Mapping[str, Any]) -> Group:
    """A design as a request writes it; meshes are named, not repeated."""
    group = design_to_mapping(design)
    for solid, asked in zip(group["solids"], spec["solids"], strict=True):
        solid |= {"role": solid["role"].replace(" ", "_"), "shape": solid["shape"].replace(" ", "_")}
        if solid["shape"] == "mesh":
            del solid["vertices"], solid["faces"]
            solid["mesh"] = asked["mesh"]
    if spec["meshes"]:
        kept = ("name", "unit", "format", "file")
        group["meshes"] = [{name: mesh[name] for name in kept if name in mesh} for mesh in spec["meshes"]]
    if not group["name"]:
        del group["name"]
    return group
