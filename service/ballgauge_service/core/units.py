"""Conversion factors between the trade units of the project.

Exact by definition: the international inch (25.4 mm) and avoirdupois pound (0.45359237 kg), in NIST Special
Publication 811 (2008), appendix B.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

DAY = "date"
"""The unit of a quantity that is a day: days since EPOCH; what lies between two days is in days."""
EPOCH = date(1970, 1, 1)

OZ_PER_LB = 16.0
GRAM_PER_OZ = 453.59237 / OZ_PER_LB
MM_PER_INCH = 25.4
M_PER_INCH = MM_PER_INCH / 1000.0
KG_PER_LB = GRAM_PER_OZ * OZ_PER_LB / 1000.0
SQUARE_INCH_PER_SQUARE_FOOT = 144.0
ML_PER_CUBIC_INCH = (MM_PER_INCH / 10.0) ** 3
OZ_PER_CUBIC_INCH = ML_PER_CUBIC_INCH / GRAM_PER_OZ
"""Weight in ounces of one cubic inch of a material of 1 g/mL."""

METRIC: Mapping[str, tuple[str, float]] = {
    "lb": ("kg", KG_PER_LB),
    "in": ("mm", MM_PER_INCH),
    "oz": ("g", GRAM_PER_OZ),
    "µin": ("µm", MM_PER_INCH / 1000.0),
    "oz·in": ("g·mm", GRAM_PER_OZ * MM_PER_INCH),
    "in³": ("cm³", ML_PER_CUBIC_INCH),
}
"""The metric unit shown in place of a trade unit, and the trade unit's size in it; other units stay."""


def day_text(days: float) -> str:
    """The day so many days after EPOCH, as ISO 8601 writes it."""
    return (EPOCH + timedelta(days=days)).isoformat()
