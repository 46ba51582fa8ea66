"""Conversion factors between the trade units of the project.

Exact by definition: the international inch (25.4 mm) and avoirdupois pound (0.45359237 kg), in NIST Special
Publication 811 (2008), appendix B.
"""

from __future__ import annotations

OZ_PER_LB = 16.0
GRAM_PER_OZ = 453.59237 / OZ_PER_LB
ML_PER_CUBIC_INCH = 2.54**3
OZ_PER_CUBIC_INCH = ML_PER_CUBIC_INCH / GRAM_PER_OZ
"""Weight in ounces of one cubic inch of a material of 1 g/mL."""
