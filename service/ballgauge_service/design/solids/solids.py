"""Value objects: shapes, solids (a placed shape with a density) and designs (an ordered list of solids).

Every shape has its own frame with the origin at its middle (a profile and a mesh: where their numbers say)
and its axis along z. Lengths in inches. Roles and kinds are spelled as `ballgauge_schemas` spells them, which
also holds each number to its range; what is refused here is what no range tells.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.design.solids.rotations import UNTURNED, Rotation

Vector3 = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Sphere:
    """A sphere of a given diameter [in]."""

    kind: ClassVar[str] = "sphere"
    diameter: float


@dataclass(frozen=True, slots=True)
class Ellipsoid:
    """An ellipsoid with its full lengths [in] along its own three axes."""

    kind: ClassVar[str] = "ellipsoid"
    length_x: float
    length_y: float
    length_z: float


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A right circular cylinder [in]; a disc is a flat one."""

    kind: ClassVar[str] = "cylinder"
    diameter: float
    height: float


@dataclass(frozen=True, slots=True)
class Cone:
    """A right circular cone [in]: base at z = -height/2, apex at z = height/2."""

    kind: ClassVar[str] = "cone"
    diameter: float
    height: float


@dataclass(frozen=True, slots=True)
class Frustum:
    """A cone cut parallel to its base [in]: bottom at z = -height/2, top at z = height/2."""

    kind: ClassVar[str] = "frustum"
    bottom_diameter: float
    top_diameter: float
    height: float


@dataclass(frozen=True, slots=True)
class Profile:
    """A polyline turned about z: stacked frustums through (height, radius) points [in], heights rising.

    The radius may be zero at the two ends only; two points at one height make a step.
    """

    kind: ClassVar[str] = "profile"
    points: tuple[tuple[float, float], ...]
    radial_scale: float = 1.0
    axial_scale: float = 1.0


@dataclass(frozen=True, slots=True)
class RoundedBox:
    """A box with full lengths [in] along its own axes, its edges and corners rounded to a radius [in]."""

    kind: ClassVar[str] = "rounded_box"
    length_x: float
    length_y: float
    length_z: float
    rounding: float = 0.0

    @property
    def largest_rounding(self) -> float:
        """Half the shortest length [in]."""
        return 0.5 * min(self.length_x, self.length_y, self.length_z)


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """A closed surface of triangles: vertices (v, 3) [in], faces (f, 3) with outward normals.

    Use `meshes.read_mesh` or `meshes.checked_mesh`, which judge the surface; this class trusts its arrays. A
    mesh equals itself alone. name: of the design's mesh that it is; bodies: how many were united to it;
    missed: the share of the file's own volume that its facets miss, where it has curved surfaces.
    """

    kind: ClassVar[str] = "mesh"
    vertices: NDArray[np.float64] = field(repr=False)
    faces: NDArray[np.int64] = field(repr=False)
    scale: float = 1.0
    name: str = ""
    bodies: int = 1
    missed: float | None = None


Shape = Sphere | Ellipsoid | Cylinder | Cone | Frustum | Profile | RoundedBox | Mesh
SHAPES: dict[str, type[Shape]] = {
    shape.kind: shape for shape in (Sphere, Ellipsoid, Cylinder, Cone, Frustum, Profile, RoundedBox, Mesh)
}


def _impossible(shape: Shape) -> Iterator[tuple[str, str]]:
    """Pointers and words of what is wrong with a shape."""
    if isinstance(shape, RoundedBox) and shape.rounding > shape.largest_rounding:
        yield "/rounding", f"must be at most half the shortest length, {shape.largest_rounding:g} in"
    elif isinstance(shape, Profile):
        yield from _impossible_profile(shape.points)


def _impossible_profile(points: tuple[tuple[float, float], ...]) -> Iterator[tuple[str, str]]:
    last = len(points) - 1
    for at, (height, radius) in enumerate(points):
        if radius < 0.0 or (radius == 0.0 and 0 < at < last):
            yield f"/points/{at}", f"the radius must be positive inside the profile; got {radius:g}"
        if at and height < points[at - 1][0]:
            yield f"/points/{at}", f"heights must not fall; got {height:g} after {points[at - 1][0]:g}"
    if points[last][0] <= points[0][0]:
        yield "/points", "the profile has no height"
    elif not any(radius > 0.0 for _, radius in points):
        yield "/points", "the profile has no radius"


@dataclass(frozen=True, slots=True)
class Solid:
    """A shape with a density [g/mL], a role, a place [in] and a rotation in the body frame of the design."""

    shape: Shape
    density: float
    role: str = "other"
    name: str = ""
    position: Vector3 = (0.0, 0.0, 0.0)
    rotation: Rotation = UNTURNED


@dataclass(frozen=True, slots=True)
class Design:
    """An ordered list of solids; each displaces what lies beneath it. The first is the ball itself.

    Raises
    ------
    InvalidInput
        Every impossible shape, by pointer. The first solid must be a sphere about the center, since a ball
        has no voids; solids that leave the ball are found by `mass.pack_inside`.
    """

    solids: tuple[Solid, ...]
    name: str = ""

    def __post_init__(self) -> None:
        faults = [
            Fault(f"/solids/{at}{pointer}", words)
            for at, solid in enumerate(self.solids)
            for pointer, words in _impossible(solid.shape)
        ]
        ball = self.solids[0]
        if not isinstance(ball.shape, Sphere) or any(ball.position):
            words = "must be the ball itself, a sphere about the center: it has no voids"
            faults.append(Fault("/solids/0", words))
        if faults:
            raise InvalidInput(faults)

    @property
    def diameter(self) -> float:
        """Diameter of the ball [in]."""
        shape = self.solids[0].shape
        assert isinstance(shape, Sphere)
        return shape.diameter

    def index(self, name: str) -> int:
        """Place of the solid with a name.

        Parameters
        ----------
        name : str

        Returns
        -------
        int

        Raises
        ------
        KeyError
        """
        for at, solid in enumerate(self.solids):
            if solid.name == name:
                return at
        raise KeyError(name)
