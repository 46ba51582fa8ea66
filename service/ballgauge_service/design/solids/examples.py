"""Three balls of an invented maker, the Harrow Lane Works: one core, with and without a disc.

`Tern` has the core alone. `Tern Weighted` adds a heavy disc at the bottom end of the core, away from the
gripping holes; `Tern Topweighted` has the same disc at the end of the pin. The sizes and densities are ours,
the numbers are what physics makes of them.
"""

from __future__ import annotations

from typing import Any

from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solids.text import design_from_mapping

DISC_HEIGHT = 2.88
"""Distance of the disc's middle from the centre of the ball [in]."""


def _ball(name: str, disc_at: float | None) -> dict[str, Any]:
    solids: list[dict[str, Any]] = [
        {"name": "cover", "role": "cover", "shape": "sphere", "density": 1.18},
        {"name": "filler", "role": "outer core", "shape": "sphere", "diameter": 7.0, "density": 0.8},
        {
            "name": "core", "role": "inner core", "shape": "ellipsoid", "density": 2.95,
            "length_x": 3.7, "length_y": 4.4, "length_z": 5.2,
        },
        {
            "name": "pin", "role": "pin", "shape": "cylinder", "density": 1.2, "diameter": 0.45, "height":
            1.2, "position": [0.0, 0.0, 3.68],
        },
    ]  # fmt: skip
    if disc_at is not None:
        solids.insert(
            3,
            {
                "name": "disc", "role": "disc", "shape": "cylinder", "density": 3.3, "diameter": 2.4,
                "height": 0.36, "position": [0.0, 0.0, disc_at],
            },
        )  # fmt: skip
    return {"name": name, "diameter": 8.58, "solids": solids}


TERN = _ball("Tern", None)
TERN_WEIGHTED = _ball("Tern Weighted", -DISC_HEIGHT)
TERN_TOPWEIGHTED = _ball("Tern Topweighted", DISC_HEIGHT)

EXAMPLES: dict[str, dict[str, Any]] = {
    "tern": TERN,
    "tern-weighted": TERN_WEIGHTED,
    "tern-topweighted": TERN_TOPWEIGHTED,
}


def example(name: str) -> Design:
    """An example by its key in EXAMPLES. Raises KeyError."""
    return design_from_mapping(EXAMPLES[name])
