"""Three balls of an invented maker, the Harrow Lane Works, and designs made from designs.

`Tern` has one core alone. `Tern Weighted` adds a heavy disc at the bottom end of the core, away from the
gripping holes; `Tern Topweighted` has the same disc at the end of the pin. Sizes and densities are ours.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from ballgauge_service.design.parameters import Parameter
from ballgauge_service.design.solids.packing import COLUMNS
from ballgauge_service.design.solids.rotations import Rotation, about, as_rotation
from ballgauge_service.design.solids.solids import (
    Cylinder,
    Design,
    Ellipsoid,
    Profile,
    RoundedBox,
    Shape,
    Solid,
    Sphere,
)
from ballgauge_service.design.solving import Set
from ballgauge_service.design.targets import AS_MADE, Held, Target, Variant

DISC_HEIGHT = 2.88
"""Distance of the disc's middle from the center of the ball [in]."""


def _ball(name: str, disc_at: float | None) -> Design:
    discs = []
    if disc_at is not None:
        discs.append(Solid(Cylinder(2.4, 0.36), 3.3, "disc", "disc", (0.0, 0.0, disc_at)))
    return Design(
        (
            Solid(Sphere(8.58), 1.18, "cover", "cover"),
            Solid(Sphere(7.0), 0.8, "outer_core", "filler"),
            Solid(Ellipsoid(3.7, 4.4, 5.2), 2.95, "inner_core", "core"),
            *discs,
            Solid(Cylinder(0.45, 1.2), 1.2, "pin", "pin", (0.0, 0.0, 3.68)),
        ),
        name,
    )


TERN = _ball("Tern", None)
TERN_WEIGHTED = _ball("Tern Weighted", -DISC_HEIGHT)
TERN_TOPWEIGHTED = _ball("Tern Topweighted", DISC_HEIGHT)
BLOCK = Solid(
    RoundedBox(2.0, 4.4, 1.2, 0.2), 3.2, "other", "block", (0.1, 0.1, 0.5), about((1.0, 0.5, 0.2), 25.0)
)
TERN_BLOCK = Design((*TERN.solids, BLOCK), "Tern Block")
"""A tilted block cuts the triaxial core, so that its numbers take a cubature."""


def wanted(
    design: Design,
    parameters: tuple[Parameter, ...],
    targets: tuple[Target, ...],
    held: Held = AS_MADE,
    **more: Any,
) -> Set:
    """A search for one ball."""
    return Set((Variant("", design, targets, held),), parameters, **more)


def without(design: Design, name: str) -> Design:
    """The design with a solid replaced by what lies beneath it."""
    return replace(design, solids=tuple(solid for solid in design.solids if solid.name != name))


def scaled(design: Design, factor: float) -> Design:
    """The design with every length multiplied by `factor`."""
    solids = []
    for solid in design.solids:
        x, y, z = (factor * value for value in solid.position)
        solids.append(replace(solid, shape=_scaled(solid.shape, factor), position=(x, y, z)))
    return replace(design, solids=tuple(solids))


def _scaled(shape: Shape, factor: float) -> Shape:
    assert not isinstance(shape, Profile)
    sizes = {name: factor * getattr(shape, name) for name in COLUMNS[type(shape)]}
    changed: Shape = replace(shape, **sizes)  # type: ignore[arg-type]
    return changed


def rotated(design: Design, rotation: Rotation) -> Design:
    """The design turned as a whole about the center."""
    solids = []
    for solid in design.solids:
        x, y, z = (np.array(rotation) @ np.array(solid.position)).tolist()
        solids.append(replace(solid, position=(x, y, z), rotation=product(rotation, solid.rotation)))
    return replace(design, solids=tuple(solids))


def product(left: Rotation, right: Rotation) -> Rotation:
    """The rotation `right` followed by the rotation `left`."""
    return as_rotation(np.array(left) @ np.array(right))
