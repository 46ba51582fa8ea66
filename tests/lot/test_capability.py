"""Capability indices against their closed forms, simulation and numpy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ballgauge_service.lot.statistics.process import capability


def test_indices_by_hand() -> None:
    """Worked by hand: readings 1..5 twice; limits 0 and 9.

    Mean 3, moving ranges 8 x 1 and 4, overall variance 20/9; Cp = 9/(6 s), Cpk = 3/(3 s).
    """
    found = capability([1, 2, 3, 4, 5] * 2, lower=0, upper=9)
    within, overall = (12 / 9) * math.sqrt(math.pi) / 2, math.sqrt(20 / 9)
    assert found.cp is not None
    assert found.pp is not None
    assert found.cp.value == pytest.approx(9 / (6 * within))
    assert found.cpk.value == pytest.approx(1 / within)
    assert found.pp.value == pytest.approx(9 / (6 * overall))
    assert found.ppk.value == pytest.approx(1 / overall)


def test_intervals_by_hand() -> None:
    """Chi-square interval of Cp (Kane 1986) and Bissell's of Cpk (1990), written out with scipy."""
    values = np.random.default_rng(8).normal(10, 1, 50)
    found = capability(values, lower=5, upper=14)
    assert found.pp is not None
    ends = stats.chi2.ppf([0.025, 0.975], 49)
    assert found.pp.lower == pytest.approx(found.pp.value * math.sqrt(ends[0] / 49))
    assert found.pp.upper == pytest.approx(found.pp.value * math.sqrt(ends[1] / 49))
    reach = 1.959964 * math.sqrt(1 / (9 * 50) + found.cpk.value**2 / (2 * 0.62 * 49))
    assert found.cpk.upper - found.cpk.value == pytest.approx(reach, rel=1e-6)


def test_bissells_interval_covers_in_simulation() -> None:
    """Two thousand simulated samples of 50: true Ppk is covered about 95 % of the time (error 0.5 %)."""
    truth, covered = 4 / 3, 0
    for row in np.random.default_rng(9).normal(size=(2000, 50)):
        ppk = capability(row, upper=4.0).ppk
        covered += ppk.lower <= truth <= ppk.upper
    assert covered / 2000 == pytest.approx(0.95, abs=0.02)


def test_moving_range_estimates_sigma() -> None:
    """Closed form 2/sqrt(pi) = 1.128: for independent normal readings the two spreads come to agree."""
    found = capability(np.random.default_rng(10).normal(0, 2, 100_000), lower=-6, upper=6)
    assert found.within_method == "moving_range"
    assert found.standard_deviation_within == pytest.approx(2, rel=0.01)


def test_one_limit_has_no_cp() -> None:
    """Definition: Cp and Pp need both limits."""
    found = capability([1.0, 2.0, 4.0, 3.0], upper=9)
    assert found.cp is None
    assert found.pp is None
    assert found.cpk.value > 0


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(-500, 500), min_size=6, max_size=40, unique=True),
    st.floats(0.1, 100),
    st.floats(-100, 100),
)
def test_units_do_not_matter(values: list[int], scale: float, shift: float) -> None:
    """Invariant: a change of unit (scale and offset) leaves every index; mirroring does too."""
    array = np.array(values, dtype=float)
    one = capability(array, lower=-700, upper=650)
    two = capability(array * scale + shift, lower=-700 * scale + shift, upper=650 * scale + shift)
    mirrored = capability(-array, lower=-650, upper=700)
    assert two.cpk.value == pytest.approx(one.cpk.value, rel=1e-6)
    assert two.ppk.lower == pytest.approx(one.ppk.lower, rel=1e-6, abs=1e-9)
    assert mirrored.cpk.value == pytest.approx(one.cpk.value, rel=1e-9)
    assert one.cp is not None
    assert one.cpk.value <= one.cp.value + 1e-12


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name."""
    cases = {
        "values must hold": lambda: capability([1.0, 2.0], upper=3),
        "values must differ": lambda: capability([1.0, 1.0, 1.0], upper=3),
        "lower or upper": lambda: capability([1.0, 2.0, 3.0]),
        "lower": lambda: capability([1.0, 2.0, 3.0], lower=3, upper=3),
    }
    for name, call in cases.items():
        with pytest.raises(ValueError, match=rf"^{name}\b"):
            call()
