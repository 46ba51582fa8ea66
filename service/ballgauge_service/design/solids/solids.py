"""Value objects: shapes, solids (a placed shape with a density) and designs (an ordered list of solids).

Every shape has its own frame with the origin at its middle (a profile and a mesh: where their numbers say)
and its axis along z. Lengths in inches.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.refusal import InvalidDesign
from ballgauge_service.design.solids.rotations import UNTURNED, Rotation, product

ROLES = ("cover", "outer core", "inner core", "disc", "pin", "other")
"""What a solid is in the ball."""

MOST_SOLIDS = 64
MOST_POINTS = 1000
"""Limits of ours on the solids of a design and the points of a profile."""


def _positive(values: dict[str, float]) -> Iterator[tuple[str, str]]:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0.0):
            yield f"/{name}", f"must be a positive number; got {value:g}"


@dataclass(frozen=True)
class Sphere:
    """A sphere of a given diameter [in]."""

    kind: ClassVar[str] = "sphere"
    diameter: float

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from _positive({"diameter": self.diameter})


@dataclass(frozen=True)
class Ellipsoid:
    """An ellipsoid with its full lengths [in] along its own three axes."""

    kind: ClassVar[str] = "ellipsoid"
    length_x: float
    length_y: float
    length_z: float

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from _positive(
            {"length_x": self.length_x, "length_y": self.length_y, "length_z": self.length_z}
        )


@dataclass(frozen=True)
class Cylinder:
    """A right circular cylinder [in]; a disc is a flat one."""

    kind: ClassVar[str] = "cylinder"
    diameter: float
    height: float

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from _positive({"diameter": self.diameter, "height": self.height})


@dataclass(frozen=True)
class Cone:
    """A right circular cone [in]: base at z = -height/2, apex at z = height/2."""

    kind: ClassVar[str] = "cone"
    diameter: float
    height: float

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from _positive({"diameter": self.diameter, "height": self.height})


@dataclass(frozen=True)
class Frustum:
    """A cone cut parallel to its base [in]: bottom at z = -height/2, top at z = height/2."""

    kind: ClassVar[str] = "frustum"
    bottom_diameter: float
    top_diameter: float
    height: float

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from _positive(
            {
                "bottom_diameter": self.bottom_diameter,
                "top_diameter": self.top_diameter,
                "height": self.height,
            }
        )


@dataclass(frozen=True)
class Profile:
    """A polyline turned about z: stacked frustums through (height, radius) points [in], heights rising.

    The radius may be zero at the two ends only; two points at one height make a step.
    """

    kind: ClassVar[str] = "profile"
    points: tuple[tuple[float, float], ...]
    radial_scale: float = 1.0
    axial_scale: float = 1.0

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from _positive({"radial_scale": self.radial_scale, "axial_scale": self.axial_scale})
        if not 2 <= len(self.points) <= MOST_POINTS:
            yield "/points", f"must be 2 to {MOST_POINTS} points; got {len(self.points)}"
            return
        if not all(math.isfinite(h) and math.isfinite(r) for h, r in self.points):
            yield "/points", "every height and radius must be finite"
            return
        last = len(self.points) - 1
        for at, (height, radius) in enumerate(self.points):
            if radius < 0.0 or (radius == 0.0 and 0 < at < last):
                yield f"/points/{at}", f"the radius must be positive inside the profile; got {radius:g}"
            if at and height < self.points[at - 1][0]:
                yield (
                    f"/points/{at}",
                    f"heights must not fall; got {height:g} after {self.points[at - 1][0]:g}",
                )
        if self.points[last][0] <= self.points[0][0]:
            yield "/points", "the profile has no height"
        elif not any(radius > 0.0 for _, radius in self.points):
            yield "/points", "the profile has no radius"


@dataclass(frozen=True)
class RoundedBox:
    """A box with full lengths [in] along its own axes, its edges and corners rounded to a radius [in]."""

    kind: ClassVar[str] = "rounded box"
    length_x: float
    length_y: float
    length_z: float
    rounding: float = 0.0

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        lengths = {"length_x": self.length_x, "length_y": self.length_y, "length_z": self.length_z}
        bad = list(_positive(lengths))
        yield from bad
        if not (math.isfinite(self.rounding) and self.rounding >= 0.0):
            yield "/rounding", f"must be zero or more; got {self.rounding:g}"
        elif not bad and self.rounding > 0.5 * min(lengths.values()):
            yield "/rounding", f"must be at most half the shortest length, {0.5 * min(lengths.values()):g} in"


@dataclass(frozen=True, eq=False)
class Mesh:
    """A closed surface of triangles: vertices (v, 3) [in], faces (f, 3) with outward normals.

    Use `meshes.read_mesh` or `meshes.checked_mesh`, which judge the surface; this class trusts its arrays.
    """

    kind: ClassVar[str] = "mesh"
    vertices: NDArray[np.float64] = field(repr=False)
    faces: NDArray[np.int64] = field(repr=False)
    scale: float = 1.0

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from _positive({"scale": self.scale})

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Mesh)
            and self.scale == other.scale
            and np.array_equal(self.vertices, other.vertices)
            and np.array_equal(self.faces, other.faces)
        )

    def __hash__(self) -> int:
        return hash((self.scale, self.vertices.shape, self.faces.shape))


Shape = Sphere | Ellipsoid | Cylinder | Cone | Frustum | Profile | RoundedBox | Mesh
SHAPES: dict[str, type[Shape]] = {
    shape.kind: shape for shape in (Sphere, Ellipsoid, Cylinder, Cone, Frustum, Profile, RoundedBox, Mesh)
}
LENGTHS = frozenset(
    {"diameter", "bottom_diameter", "top_diameter", "height", "length_x", "length_y", "length_z", "rounding"}
)
FACTORS = frozenset({"radial_scale", "axial_scale", "scale"})
"""Names of the size fields: lengths [in], and factors of a profile or a mesh."""


def size_fields(shape: Shape) -> tuple[str, ...]:
    """Names of the shape's sizes, in the order of its definition."""
    return tuple(each.name for each in fields(shape) if each.name in LENGTHS | FACTORS)


def with_sizes(shape: Shape, sizes: dict[str, float]) -> Shape:
    """The shape with some of its sizes set, by field name."""
    changed: Shape = replace(shape, **sizes)  # type: ignore[arg-type]
    return changed


def scaled_shape(shape: Shape, factor: float) -> Shape:
    """The shape with every length multiplied by `factor`."""
    if isinstance(shape, Profile):
        return replace(
            shape, radial_scale=shape.radial_scale * factor, axial_scale=shape.axial_scale * factor
        )
    return with_sizes(shape, {name: getattr(shape, name) * factor for name in size_fields(shape)})


@dataclass(frozen=True)
class Solid:
    """A shape with a density [g/mL], a role, a place [in] and a rotation in the body frame of the design."""

    shape: Shape
    density: float
    role: str = "other"
    name: str = ""
    position: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rotation: Rotation = UNTURNED

    def problems(self) -> Iterator[tuple[str, str]]:
        """Yield (pointer, detail) of every bad field."""
        yield from self.shape.problems()
        yield from _positive({"density": self.density})
        if self.role not in ROLES:
            yield "/role", f"must be one of {', '.join(ROLES)}; got {self.role!r}"
        if not all(math.isfinite(value) for value in self.position):
            yield "/position", "must be three finite numbers"
        matrix = np.array(self.rotation)
        if not np.allclose(matrix @ matrix.T, np.eye(3), atol=1e-9) or np.linalg.det(matrix) < 0.0:
            yield "/rotation", "must be a rotation matrix"


@dataclass(frozen=True)
class Design:
    """An ordered list of solids; each displaces what lies beneath it. The first is the ball itself.

    Raises
    ------
    InvalidDesign : every bad field, by pointer. The first solid must be a sphere about the centre, since a
        ball has no voids; solids that leave the ball are found by `mass.properties`.
    """

    solids: tuple[Solid, ...]
    name: str = ""

    def __post_init__(self) -> None:
        if not 1 <= len(self.solids) <= MOST_SOLIDS:
            raise InvalidDesign([("/solids", f"must be 1 to {MOST_SOLIDS} solids; got {len(self.solids)}")])
        named = [
            solid if solid.name else replace(solid, name=f"{solid.role} {index}")
            for index, solid in enumerate(self.solids)
        ]
        object.__setattr__(self, "solids", tuple(named))
        problems = [
            (f"/solids/{index}{pointer}", detail)
            for index, solid in enumerate(self.solids)
            for pointer, detail in solid.problems()
        ]
        ball = self.solids[0]
        if not isinstance(ball.shape, Sphere) or any(ball.position):
            problems.append(
                ("/solids/0", "must be the ball itself, a sphere about the centre: it has no voids")
            )
        seen: dict[str, int] = {}
        for index, solid in enumerate(self.solids):
            if solid.name in seen:
                problems.append((f"/solids/{index}/name", f"{solid.name!r} is also solid {seen[solid.name]}"))
            seen.setdefault(solid.name, index)
        if problems:
            raise InvalidDesign(problems)

    @property
    def diameter(self) -> float:
        """Diameter of the ball [in]."""
        shape = self.solids[0].shape
        assert isinstance(shape, Sphere)
        return shape.diameter

    def index(self, name: str) -> int:
        """Place of the solid with a name. Raises KeyError."""
        for at, solid in enumerate(self.solids):
            if solid.name == name:
                return at
        raise KeyError(name)

    def without(self, name: str) -> Design:
        """The design with a solid replaced by what lies beneath it."""
        at = self.index(name)
        return replace(self, solids=self.solids[:at] + self.solids[at + 1 :])

    def with_solid(self, name: str, solid: Solid) -> Design:
        """The design with the named solid replaced by another."""
        at = self.index(name)
        return replace(self, solids=(*self.solids[:at], solid, *self.solids[at + 1 :]))

    def scaled(self, factor: float) -> Design:
        """The design with every length multiplied by `factor`."""
        solids = []
        for solid in self.solids:
            x, y, z = (factor * value for value in solid.position)
            solids.append(replace(solid, shape=scaled_shape(solid.shape, factor), position=(x, y, z)))
        return replace(self, solids=tuple(solids))

    def rotated(self, rotation: Rotation) -> Design:
        """The design turned as a whole about the centre."""
        matrix = np.array(rotation)
        solids = []
        for solid in self.solids:
            x, y, z = (matrix @ np.array(solid.position)).tolist()
            solids.append(replace(solid, position=(x, y, z), rotation=product(rotation, solid.rotation)))
        return replace(self, solids=tuple(solids))
