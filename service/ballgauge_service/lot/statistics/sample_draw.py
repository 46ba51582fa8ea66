"""Which balls to measure: a random sample of serials that anyone can draw again from the seed."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ballgauge_schemas.shared.limits import SEED_MAXIMUM
from ballgauge_service.lot.statistics.basics import whole_number
from ballgauge_service.lot.statistics.statements import Statement


@dataclass(frozen=True)
class DrawnSample(Statement):
    """The serials to measure, in the order of sorting, and how they were drawn."""

    serials: tuple[str, ...]
    sample_size: int
    lot_size: int
    seed: int
    generator: str = "PCG64"


def draw_sample(serials: Iterable[str], sample_size: int, seed: int) -> DrawnSample:
    """Draw a simple random sample without replacement.

    Parameters
    ----------
    serials : the lot's serials, all different, in any order
    sample_size : balls to draw, at most the lot
    seed : whole number from 0 to 2^128 - 1; the same seed and serials give the same sample

    The serials are sorted, each gets one raw 64-bit word of the PCG64 stream, and those with the smallest
    words are drawn. The raw stream of PCG64 is fixed across numpy versions (NEP 19, 2018), methods of the
    Generator are not; and a larger sample from the same seed contains the smaller one.
    Raises ValueError naming the argument.
    """
    lot = sorted(serials)
    if not all(isinstance(serial, str) for serial in lot):
        raise ValueError("serials must be strings")
    repeated = sorted({a for a, b in itertools.pairwise(lot) if a == b})
    if repeated:
        raise ValueError(f"serials must all be different; repeated: {', '.join(repeated[:5])}")
    if not lot:
        raise ValueError("serials must hold at least one serial")
    size = whole_number("sample_size", sample_size, 1, len(lot))
    words = np.random.PCG64(whole_number("seed", seed, 0, SEED_MAXIMUM)).random_raw(len(lot))
    drawn = np.sort(np.argsort(words, kind="stable")[:size])
    return DrawnSample(tuple(lot[i] for i in drawn), size, len(lot), int(seed))
