"""Makes the example lot of the package: 80 invented balls of an invented maker, from a fixed generator.

`python tests/lots/example_lot.py` writes it anew.
"""

from __future__ import annotations

import random
from pathlib import Path

FILE = "ostrel_tarn_48.csv"
TARGET = Path(__file__).parents[2] / "schemas" / "ballgauge_schemas" / "example_lots" / FILE

HEADINGS = (
    "serial", "weight", "diameter [mm]", "roundness", "hardness", "rg", "differential",
    "intermediate_differential", "friction", "restitution", "roughness", "max_density", "pin_to_low_rg_axis",
    "mark_to_high_rg_axis", "oil_absorption_time", "approved_on",
)  # fmt: skip


def lot_text(balls: int = 80) -> str:
    """The lot as CSV: one ball too soft, one row whose hardness was not read."""
    source = random.Random("Ostrel Works Tarn 48")

    def near(middle: float, spread: float, digits: int) -> str:
        # The mean of twelve uniform numbers is the same on every platform, unlike a library's normal ones.
        return f"{middle + spread * (sum(source.random() for _ in range(12)) - 6.0):.{digits}f}"

    lines = [",".join(HEADINGS)]
    for number in range(1, balls + 1):
        cells = [
            f"OW7K{20400 + number}",
            near(15.06, 0.03, 2),
            near(217.7, 0.1, 2),
            near(0.004, 0.001, 4),
            near(75.2, 0.5, 1),
            near(2.49, 0.003, 3),
            near(0.048, 0.001, 3),
            near(0.012, 0.0007, 3),
            near(0.24, 0.006, 3),
            near(0.715, 0.006, 3),
            near(29.0, 3.0, 0),
            near(2.9, 0.02, 2),
            near(0.3, 0.08, 2),
            near(0.6, 0.12, 2),
            near(684.0, 40.0, 0),
            "2024-03-01",
        ]
        if number == 37:
            cells[4] = "72.4"
        if number == 61:
            cells[4] = "not read"
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    TARGET.write_text(lot_text(), encoding="utf-8")
