"""Designs as plain mappings, ready for JSON: numbers in inches, g/mL and degrees.

A design is {"name", "diameter", "solids": [...]}; a solid is {"name", "role", "shape", "density", the
shape's sizes, "position": [x, y, z], "rotation": {"axis": [x, y, z], "angle"} or {"z": [x, y, z], "x": [x,
y, z]}}. The first solid is the ball; its diameter may be left to the design's. `shape` is one of
`solids.SHAPES`; a profile has "points": [[height, radius], ...], a mesh "vertices" and "faces".
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np

from ballgauge_service.core.refusal import InvalidDesign
from ballgauge_service.design.solids.meshes import checked_mesh
from ballgauge_service.design.solids.rotations import UNTURNED, Rotation, about, pointing
from ballgauge_service.design.solids.solids import (
    FACTORS,
    LENGTHS,
    MOST_SOLIDS,
    SHAPES,
    Design,
    Mesh,
    Profile,
    Shape,
    Solid,
    Sphere,
    size_fields,
)

COMMON = ("name", "role", "shape", "density", "position", "rotation")


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError("must be a finite number")
    return float(value)


def _numbers(value: Any, count: int) -> tuple[float, ...]:
    if isinstance(value, (str, bytes)) or not isinstance(value, Sequence) or len(value) != count:
        raise ValueError(f"must be {count} finite numbers")
    return tuple(_number(each) for each in value)


def _vector(value: Any) -> tuple[float, float, float]:
    x, y, z = _numbers(value, 3)
    return (x, y, z)


def _rotation(value: Any) -> Rotation:
    if isinstance(value, Mapping) and set(value) == {"axis", "angle"}:
        return about(_vector(value["axis"]), _number(value["angle"]))
    if isinstance(value, Mapping) and "z" in value and set(value) <= {"z", "x"}:
        return pointing(_vector(value["z"]), _vector(value["x"]) if "x" in value else None)
    raise ValueError('must be {"axis", "angle"} or {"z"} with or without "x"')


def _points(value: Any) -> tuple[tuple[float, float], ...]:
    if isinstance(value, (str, bytes)) or not isinstance(value, Sequence):
        raise ValueError("must be a list of [height, radius]")
    pairs = [_numbers(each, 2) for each in value]
    return tuple((height, radius) for height, radius in pairs)


class _Reader:
    """Reads one solid, collecting every problem by pointer."""

    def __init__(self, data: Mapping[str, Any], pointer: str) -> None:
        self.data, self.pointer = data, pointer
        self.problems: list[tuple[str, str]] = []

    def read(self, name: str, convert: Any, default: Any = None) -> Any:
        """One field; a missing one without default is a problem."""
        if name not in self.data:
            if default is None:
                self.problems.append((f"{self.pointer}/{name}", "is missing"))
            return default
        try:
            return convert(self.data[name])
        except (ValueError, OverflowError) as error:
            self.problems.append((f"{self.pointer}/{name}", str(error)))
            return None

    def shape(self, diameter: float | None) -> Shape | None:
        """The solid's shape, None where it cannot be made out."""
        kind = SHAPES.get(str(self.data.get("shape")))
        if kind is None:
            self.problems.append((f"{self.pointer}/shape", f"must be one of {', '.join(SHAPES)}"))
            return None
        names = [each.name for each in fields(kind)]
        self.problems += [
            (f"{self.pointer}/{name}", f"unknown field of a {kind.kind}; it has {', '.join(names)}")
            for name in self.data
            if name not in (*names, *COMMON)
        ]
        before = len(self.problems)
        values: dict[str, Any] = {}
        for name in names:
            default = diameter if name == "diameter" else (1.0 if name in FACTORS else None)
            default = 0.0 if name == "rounding" else default
            if name in LENGTHS | FACTORS:
                values[name] = self.read(name, _number, default)
            elif name == "points":
                values[name] = self.read(name, _points)
        if kind is Mesh:
            return self._mesh(values)
        return None if len(self.problems) > before else kind(**values)

    def _mesh(self, values: dict[str, Any]) -> Mesh | None:
        try:
            mesh = checked_mesh(self.data.get("vertices"), self.data.get("faces"))
        except InvalidDesign as error:
            self.problems += [(self.pointer + pointer, detail) for _, pointer, detail in error.errors]
            return None
        return Mesh(mesh.vertices, mesh.faces, values["scale"]) if values["scale"] is not None else None


def _solid(reader: _Reader, diameter: float | None) -> Solid | None:
    shape = reader.shape(diameter)
    density = reader.read("density", _number)
    role = reader.read("role", str, "other")
    name = reader.read("name", str, "")
    position = reader.read("position", _vector, (0.0, 0.0, 0.0))
    rotation = reader.read("rotation", _rotation, UNTURNED)
    if reader.problems or shape is None:
        return None
    return Solid(shape, density, role, name, position, rotation)


def design_from_mapping(data: Mapping[str, Any]) -> Design:
    """Make a design of a mapping. Raises InvalidDesign with every problem, by pointer."""
    solids = data.get("solids")
    problems = [(f"/{name}", "unknown field") for name in data if name not in ("name", "diameter", "solids")]
    diameter = None
    if "diameter" in data:
        try:
            diameter = _number(data["diameter"])
        except ValueError as error:
            problems.append(("/diameter", str(error)))
    if isinstance(solids, (str, bytes)) or not isinstance(solids, Sequence) or not solids:
        raise InvalidDesign([*problems, ("/solids", "must be a list of solids")])
    if len(solids) > MOST_SOLIDS:
        raise InvalidDesign([*problems, ("/solids", f"at most {MOST_SOLIDS} solids; got {len(solids)}")])
    found = []
    for at, each in enumerate(solids):
        if not isinstance(each, Mapping):
            problems.append((f"/solids/{at}", "must be an object"))
            continue
        reader = _Reader(each, f"/solids/{at}")
        found.append(_solid(reader, diameter if at == 0 else None))
        problems += reader.problems
    if problems:
        raise InvalidDesign(problems)
    return _agreeing(Design(tuple(each for each in found if each), str(data.get("name", ""))), diameter)


def _agreeing(design: Design, diameter: float | None) -> Design:
    if diameter is not None and design.diameter != diameter:
        raise InvalidDesign(
            [("/solids/0/diameter", f"is {design.diameter:g}, but the design's is {diameter:g}")]
        )
    return design


def _turns(rotation: Rotation) -> Iterator[tuple[str, Any]]:
    if rotation != UNTURNED:
        matrix = np.array(rotation)
        yield "rotation", {"z": matrix[:, 2].tolist(), "x": matrix[:, 0].tolist()}


def _solid_mapping(solid: Solid) -> dict[str, Any]:
    shape = solid.shape
    found: dict[str, Any] = {
        "name": solid.name, "role": solid.role, "shape": shape.kind, "density": solid.density,
        **{name: getattr(shape, name) for name in size_fields(shape)},
    }  # fmt: skip
    if isinstance(shape, Profile):
        found["points"] = [list(point) for point in shape.points]
    if isinstance(shape, Mesh):
        found["vertices"] = shape.vertices.tolist()
        found["faces"] = shape.faces.tolist()
    if any(solid.position):
        found["position"] = list(solid.position)
    found.update(_turns(solid.rotation))
    return found


def design_to_mapping(design: Design) -> dict[str, Any]:
    """The mapping of a design; `design_from_mapping` makes it again."""
    solids = [_solid_mapping(solid) for solid in design.solids]
    if isinstance(design.solids[0].shape, Sphere):
        del solids[0]["diameter"]
    return {"name": design.name, "diameter": design.diameter, "solids": solids}
