"""Control charts against published constants, a published EWMA example and hand-made series."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.lot.statistics.drift import (
    EwmaChart,
    ShewhartChart,
    ewma_chart,
    shewhart_chart,
    stable_width,
)


def c4(count: int) -> float:
    """The centre of the spread chart of a lot so large, where sigma is 1."""
    return shewhart_chart([0.0], [1.0], [count], sigma=1.0).spread_centre[0]


def charted(lots: list[np.ndarray], **options: object) -> tuple[ShewhartChart, EwmaChart]:
    means, sizes = [float(np.mean(lot)) for lot in lots], [len(lot) for lot in lots]
    chart = shewhart_chart(means, [float(np.std(lot, ddof=1)) for lot in lots], sizes, **options)  # type: ignore[arg-type]
    return chart, ewma_chart(means, sizes, centre=chart.centre, sigma=chart.sigma)


def signals_of(lots: list[np.ndarray]) -> list[tuple[int, str, str, str]]:
    return [(s.lot, s.rule, s.chart, s.side) for chart in charted(lots) for s in chart.signals]


@pytest.mark.parametrize(
    ("count", "value"), [(2, 0.7979), (3, 0.8862), (4, 0.9213), (5, 0.9400), (10, 0.9727), (25, 0.9896)]
)
def test_c4_of_the_tables(count: int, value: float) -> None:
    """Control chart constants, ASTM manual on presentation of data, from memory."""
    assert c4(count) == pytest.approx(value, abs=5e-5)


def test_c4_series_joins_the_closed_form() -> None:
    """mpmath's gamma at 30 digits around the change to the series; far out 1 - c4 tends to 1/(4n)."""
    with mpmath.workdps(30):
        for count in (2, 100, 999, 1000, 1001, 1002, 5000):
            ratio = mpmath.gammaprod([mpmath.mpf(count) / 2], [mpmath.mpf(count - 1) / 2])
            exact = mpmath.sqrt(mpmath.mpf(2) / (count - 1)) * ratio
            assert c4(count) == pytest.approx(float(exact), abs=2e-12)
    assert (1 - c4(10**6)) * 4e6 == pytest.approx(1, rel=1e-5)


@pytest.mark.parametrize(
    ("count", "a3", "b3", "b4"),
    [(2, 2.659, 0, 3.267), (5, 1.427, 0, 2.089), (6, 1.287, 0.030, 1.970), (10, 0.975, 0.284, 1.716)],
)
def test_limits_are_those_of_the_tabled_factors(count: int, a3: float, b3: float, b4: float) -> None:
    """Factors A3, B3 and B4 for X-bar and s charts, from memory: limits from s-bar = 1 and mean 0."""
    chart = shewhart_chart([0.0] * 5, [1.0] * 5, [count] * 5)
    assert chart.mean_upper[0] == pytest.approx(a3, abs=6e-4)
    assert chart.mean_lower[0] == pytest.approx(-a3, abs=6e-4)
    assert chart.spread_lower[0] == pytest.approx(b3, abs=6e-4)
    assert chart.spread_upper[0] == pytest.approx(b4, abs=6e-4)


def test_e_handbook_ewma() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4, from memory: twenty readings, weight 0.3, centre 50, sigma 2.0539."""
    data = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    data += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    expected = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    expected += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    chart = ewma_chart(data, [1] * 20, centre=50.0, sigma=2.0539, weight=0.3)
    assert chart.average == pytest.approx(expected, abs=6e-3)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=6e-3)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=6e-3)
    assert chart.signals == ()


def test_ewma_limits_vary_exactly_in_time() -> None:
    """Closed form sigma^2/n * w/(2 - w) * (1 - (1 - w)^(2i)) at every lot."""
    chart = ewma_chart([0.0] * 6, [4] * 6, centre=0.0, sigma=2.0, weight=0.25, width=2.5)
    for lot in range(6):
        variance = 4.0 / 4 * 0.25 / 1.75 * (1 - 0.75 ** (2 * (lot + 1)))
        assert chart.upper[lot] == pytest.approx(2.5 * math.sqrt(variance))


def test_weight_one_is_the_shewhart_chart() -> None:
    """Identity: an EWMA with weight 1 is the chart of means with its limits."""
    means, sizes = [0.1, -0.4, 1.2, 0.0], [4, 9, 4, 25]
    chart = ewma_chart(means, sizes, centre=0.0, sigma=1.0, weight=1.0)
    peer = shewhart_chart(means, [1.0] * 4, sizes, centre=0.0, sigma=1.0)
    assert chart.average == pytest.approx(means)
    assert chart.upper == pytest.approx(peer.mean_upper)


def test_a_lot_beyond_its_limit_is_named() -> None:
    """By hand, in standard errors: one value beyond 3 to each side, and none at less."""
    for mean, fired in (
        (3.1, [("beyond_limit", 2, "high")]),
        (-3.1, [("beyond_limit", 2, "low")]),
        (2.9, []),
    ):
        chart = shewhart_chart([0, 0, mean], [1.0] * 3, [4] * 3, centre=0.0, sigma=2.0)
        assert [(s.rule, s.lot, s.side) for s in chart.signals if s.chart == "mean"] == fired


def test_spread_signals_name_the_lot() -> None:
    """A lot with four times the spread of the others, and one with hardly any, fire on the spread chart."""
    spreads = [1.0] * 6 + [4.0, 0.05]
    chart = shewhart_chart([0.0] * 8, spreads, [20] * 8, sigma=1.0, names=list("abcdefgh"))
    found = [(s.name, s.side) for s in chart.signals if s.chart == "spread"]
    assert found == [("g", "high"), ("h", "low")]


def test_a_small_shift_is_caught_by_ewma_first() -> None:
    """A lasting shift of 1.2 standard errors, made by hand: EWMA fires, the three-sigma limit does not.

    With weight 0.2 the average tends to 1.2 and its limit to 3 sqrt(0.2/1.8) = 1: closed form.
    """
    half = math.sqrt(12) / 5
    lots = [np.array([mean - half, mean, mean, mean + half]) for mean in [0.0] * 10 + [0.6] * 20]
    shewhart, ewma = charted(lots, centre=0.0, sigma=1.0)
    level = next(step for step in range(1, 20) if 1.2 * (1 - 0.8**step) > 1.0)
    assert (ewma.signals[0].lot, ewma.signals[0].side) == (9 + level, "high")
    assert not any(signal.chart == "mean" for signal in shewhart.signals)
    for chart in (shewhart, ewma):
        assert [signal.lot for signal in chart.signals] == sorted(signal.lot for signal in chart.signals)


def test_false_alarms_are_rare() -> None:
    """Normal law: of 4000 lots in control about 0.27 % lie beyond three standard errors."""
    rng = np.random.default_rng(22)
    draws = rng.normal(size=(4000, 8))
    chart = shewhart_chart(draws.mean(axis=1), draws.std(axis=1, ddof=1), [8] * 4000, centre=0.0, sigma=1.0)
    alarms = sum(s.chart == "mean" for s in chart.signals)
    assert 2 <= alarms <= 22


def test_limits_of_individuals_are_those_of_the_e_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, from memory: ten batches, mean 50.81, mean moving range 1.8778,
    limits 55.8041 and 45.8159. A spread within lots of nothing leaves the chart of individuals.
    """
    data = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = shewhart_chart(data, [1e-9] * 10, [9] * 10, lots_differ=True)
    assert chart.centre == pytest.approx(50.81)
    assert chart.mean_upper[0] == pytest.approx(55.8041, abs=2e-3)
    assert chart.mean_lower[0] == pytest.approx(45.8159, abs=2e-3)


def test_lots_that_differ_by_no_more_than_their_balls_widen_nothing() -> None:
    """By hand: means that move less than sampling explains leave the limits of X-bar and s."""
    means, spreads, sizes = [0.0, 0.1, 0.0, 0.1], [1.0] * 4, [4] * 4
    plain = shewhart_chart(means, spreads, sizes)
    assert shewhart_chart(means, spreads, sizes, lots_differ=True).mean_upper == plain.mean_upper


def share_with_signals(lot_to_lot: float, lots: int, baseline: int, series: int, shift: float = 0.0) -> float:
    """Share of series of ten quantities, 80 balls a lot, in which any chart signals; spread within lots 1."""
    rng = np.random.default_rng(2026)
    width = stable_width(lots, baseline, 0.2, 10)
    sizes = [80] * lots
    found = 0
    for _ in range(series):
        signals = []
        for _ in range(10):
            means = rng.normal(0, math.hypot(lot_to_lot, 1 / math.sqrt(80)), lots)
            means[lots // 2 :] += shift
            spreads = np.sqrt(rng.chisquare(79, lots) / 79)
            chart = shewhart_chart(means, spreads, sizes, baseline=baseline, lots_differ=True, width=width)
            signals += chart.signals
            signals += ewma_chart(
                means, sizes, centre=chart.centre, sigma=chart.sigma, between=chart.between, width=width
            ).signals
        found += bool(signals)
    return found / series


@pytest.mark.parametrize(("lots", "baseline"), [(20, 20), (20, 10), (5, 5), (60, 60)])
@pytest.mark.parametrize("lot_to_lot", [0.0, 0.3, 1.0])
def test_a_stable_process_seldom_signals(lot_to_lot: float, lots: int, baseline: int) -> None:
    """Simulation, seeded: ten quantities of a stable process signal in at most a tenth of series, with
    none, with
    ordinary and with much spread from lot to lot (in spreads within a lot). Limits of three standard errors
    from the spread within lots alone signaled in 78 to 98 of a hundred.
    """
    assert share_with_signals(lot_to_lot, lots, baseline, 200) <= 0.10


def test_a_process_that_moved_still_signals() -> None:
    """Simulation, seeded: a lasting shift of all quantities by four times the spread between lots is seen."""
    assert share_with_signals(0.3, 20, 20, 40, shift=4 * math.hypot(0.3, 1 / math.sqrt(80))) >= 0.95


def test_the_same_series_has_the_same_width() -> None:
    """Our own numbers: simulated from a fixed stream, wider for more quantities and fewer lots."""
    assert stable_width(20, 20, 0.2, 10) == stable_width(20, 20, 0.2, 10)
    assert stable_width(20, 20, 0.2, 10) == pytest.approx(4.04, abs=0.05)
    assert stable_width(20, 20, 0.2, 1) < stable_width(20, 20, 0.2, 10) < stable_width(20, 5, 0.2, 10)


def test_baseline_lots_alone_set_the_limits() -> None:
    """Hand-made: later lots, however far, do not move centre or sigma."""
    short = shewhart_chart([1.0, 3.0], [1.0, 1.0], [5, 5])
    long = shewhart_chart([1.0, 3.0, 99.0], [1.0, 1.0, 50.0], [5, 5, 5], baseline=2)
    assert (
        (long.centre, long.sigma) == (short.centre, short.sigma) == (2.0, pytest.approx(1 / 0.9400, rel=1e-4))
    )


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.1, 50), st.floats(-100, 100))
def test_units_and_order_within_a_lot_change_no_signal(number: int, scale: float, shift: float) -> None:
    """Invariants: a change of unit or shuffling the balls of a lot leaves every signal where it was."""
    rng = np.random.default_rng(number)
    lots = [rng.normal(rng.normal(0, 0.5), 1, rng.integers(2, 12)) for _ in range(12)]
    signals = signals_of(lots)
    assert signals_of([lot * scale + shift for lot in lots]) == signals
    assert signals_of([rng.permutation(lot) for lot in lots]) == signals


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name; a bad lot is numbered."""
    cases = {
        "sizes": lambda: shewhart_chart([1.0], [1.0], [1]),
        "standard_deviations must not be": lambda: shewhart_chart([1.0], [-1.0], [5]),
        "standard_deviations must not all": lambda: shewhart_chart([1.0], [0.0], [5]),
        "baseline": lambda: shewhart_chart([1.0], [1.0], [5], baseline=2),
        "names": lambda: shewhart_chart([1.0], [1.0], [5], names=["a", "b"]),
        "weight": lambda: ewma_chart([1.0], [5], centre=0.0, sigma=1.0, weight=1.5),
        "sigma": lambda: ewma_chart([1.0], [5], centre=0.0, sigma=0.0),
    }
    for name, call in cases.items():
        with pytest.raises(ValueError, match=rf"^{name}\b"):
            call()
