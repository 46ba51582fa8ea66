"""Drawing a sample: repeatable, without replacement, whatever the order of the serials."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.lot.statistics.basics import draw_sample

LOT = [f"B{number:04d}" for number in range(1000)]


def test_a_drawn_sample_stays_what_it_was() -> None:
    """Raw PCG64 words are fixed across numpy versions (NEP 19): a sample drawn once and written down."""
    assert draw_sample(LOT, 5, 7).serials == ("B0006", "B0037", "B0114", "B0614", "B0865")


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.text(min_size=1, max_size=8), min_size=1, max_size=50, unique=True),
    st.integers(0, 2**53 - 1),
    st.randoms(use_true_random=False),
    st.data(),
)
def test_order_of_serials_changes_nothing(
    serials: list[str], seed: int, random: object, data: object
) -> None:
    """Invariants: shuffling the serials changes nothing; a larger sample contains the smaller; no repeats."""
    size = data.draw(st.integers(1, len(serials)))  # type: ignore[attr-defined]
    sample = draw_sample(serials, size, seed)
    shuffled = list(serials)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert draw_sample(shuffled, size, seed) == sample
    assert len(set(sample.serials)) == size
    assert set(sample.serials) <= set(serials)
    if size < len(serials):
        assert set(sample.serials) < set(draw_sample(serials, size + 1, seed).serials)


def test_every_ball_is_drawn_equally_often() -> None:
    """Chi-square over 2000 samples of 10 from 50: each ball is expected 400 times, spread about 18."""
    lot = LOT[:50]
    counts = dict.fromkeys(lot, 0)
    for seed in range(2000):
        for serial in draw_sample(lot, 10, seed).serials:
            counts[serial] += 1
    drawn = np.array(list(counts.values()))
    # Variance of each count is 2000 x 0.2 x 0.8; 49 degrees of freedom, 0.9999 quantile about 96.
    assert float(np.sum((drawn - 400) ** 2) / (320 * 50 / 49)) < 96


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name."""
    for serials, size, seed, name in (
        ([], 1, 0, "serials"),
        (["a", "a"], 1, 0, "serials"),
        (["a"], 2, 0, "sample_size"),
        (["a"], 1, -1, "seed"),
        (["a"], 1, 2**53, "seed"),
        (["a"], 1, 0.5, "seed"),
    ):
        with pytest.raises(ValueError, match=rf"^{name}\b"):
            draw_sample(serials, size, seed)  # type: ignore[arg-type]
