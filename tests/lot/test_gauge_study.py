"""Gauge studies against a published study, statsmodels' analysis of variance and simulation."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from ballgauge_schemas import LOT_REQUEST, flatten
from ballgauge_service.lot.report.page import write_report
from ballgauge_service.lot.statistics.gauge_study import gauge_bias, gauge_study, instrument_offsets

from .test_decisions import decided

# Ten parts, three operators (rows A, B, C), three trials each: the worked study of the Measurement Systems
# Analysis reference manual, 4th edition 2010, from memory. Its printed sums of squares, checked below, tell
# that the readings are remembered rightly.
STUDY = np.array(
    [
        [
            [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
            [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
            [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
        ],
        [
            [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
            [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
            [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50],
        ],
        [
            [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
            [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
            [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
        ],
    ]
).transpose(2, 0, 1)


def test_published_study() -> None:
    """MSA manual, 4th edition 2010, from memory: sums of squares, components, and four categories."""
    found = gauge_study(STUDY)
    squares = {row.source: row.sum_of_squares for row in found.anova}
    assert squares["part"] == pytest.approx(88.3619, abs=5e-4)
    assert squares["operator"] == pytest.approx(3.1673, abs=5e-4)
    assert squares["interaction"] == pytest.approx(0.3590, abs=5e-4)
    assert found.interaction_pooled
    spread = {item.source: item.standard_deviation for item in found.components}
    assert spread["repeatability"] == pytest.approx(0.199933, abs=5e-6)
    assert spread["operator"] == pytest.approx(0.226838, abs=5e-6)
    assert spread["gauge"] == pytest.approx(0.302373, abs=5e-6)
    assert spread["part"] == pytest.approx(1.042327, abs=5e-6)
    percent = {item.source: item.percent_study_variation for item in found.components}
    assert percent["gauge"] == pytest.approx(27.86, abs=0.01)
    assert found.distinct_categories == 4
    assert found.standard_uncertainty == pytest.approx(spread["gauge"])


def test_against_statsmodels() -> None:
    """statsmodels' anova_lm with interaction: the same table of squares, and F tests on the interaction."""
    values = np.random.default_rng(6).normal(size=(5, 3, 2)) + np.arange(5)[:, None, None] * 3
    values += np.random.default_rng(7).normal(size=(5, 3, 1)) * 2
    index = np.indices(values.shape).reshape(3, -1)
    frame = pd.DataFrame({"part": index[0], "operator": index[1], "value": values.ravel()})
    table = anova_lm(ols("value ~ C(part) * C(operator)", data=frame).fit())
    found = {row.source: row for row in gauge_study(values).anova}
    names = {
        "part": "C(part)",
        "operator": "C(operator)",
        "interaction": "C(part):C(operator)",
        "repeatability": "Residual",
    }
    for source, name in names.items():
        assert found[source].sum_of_squares == pytest.approx(table.loc[name, "sum_sq"])
        assert found[source].degrees_of_freedom == table.loc[name, "df"]
    assert found["interaction"].p_value == pytest.approx(table.loc["C(part):C(operator)", "PR(>F)"])
    ratio = table.loc["C(part)", "mean_sq"] / table.loc["C(part):C(operator)", "mean_sq"]
    assert found["part"].f == pytest.approx(ratio)
    assert found["part"].p_value == pytest.approx(stats.f.sf(ratio, 4, 8))


def test_components_are_recovered_from_a_large_study() -> None:
    """Simulated study of 400 parts, 60 operators, 3 trials: known components, within sampling error."""
    rng = np.random.default_rng(12)
    values = (
        rng.normal(0, 2.0, (400, 1, 1))
        + rng.normal(0, 0.5, (1, 60, 1))
        + rng.normal(0, 0.4, (400, 60, 1))
        + rng.normal(0, 0.3, (400, 60, 3))
    )
    spread = {item.source: item.standard_deviation for item in gauge_study(values).components}
    assert spread["repeatability"] == pytest.approx(0.3, rel=0.02)
    assert spread["interaction"] == pytest.approx(0.4, rel=0.02)
    assert spread["operator"] == pytest.approx(0.5, rel=0.3)
    assert spread["part"] == pytest.approx(2.0, rel=0.12)


def test_negative_components_are_zero_in_words(sentence: Any) -> None:
    """Equal operators by construction: the operator's component cannot be positive, and a note says so."""
    base = np.random.default_rng(13).normal(size=(6, 1, 4))
    values = np.concatenate([base, base[:, :, ::-1]], axis=1)
    found = gauge_study(values)
    operator = next(item for item in found.components if item.source == "operator")
    assert operator.variance == 0
    assert found.notes == sentence("gauge: negative component")


def test_averaging_readings_shrinks_repeatability_only() -> None:
    """Closed form u^2 = repeatability/m + reproducibility."""
    components = {item.source: item.variance for item in gauge_study(STUDY).components}
    found = gauge_study(STUDY, readings_averaged=4, tolerance=6.0)
    expected = math.sqrt(components["repeatability"] / 4 + components["reproducibility"])
    assert found.standard_uncertainty == pytest.approx(expected)
    gauge = found.components[0]
    assert gauge.percent_tolerance == pytest.approx(100 * 6 * gauge.standard_deviation / 6.0)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 100), st.floats(-50, 50))
def test_units_scale_and_order_does_not_matter(number: int, scale: float, shift: float) -> None:
    """Invariants: spreads scale with the unit, percentages stay; shuffling parts, operators or trials too."""
    rng = np.random.default_rng(number)
    values = rng.normal(size=(4, 3, 2)) + rng.normal(size=(4, 1, 1))
    one = gauge_study(values, pool_above=1.0)
    two = gauge_study(values * scale + shift, pool_above=1.0)
    mixed = values[rng.permutation(4)][:, rng.permutation(3)][:, :, ::-1]
    three = gauge_study(mixed, pool_above=1.0)
    for a, b, c in zip(one.components, two.components, three.components, strict=True):
        assert b.standard_deviation == pytest.approx(a.standard_deviation * scale, rel=1e-5, abs=1e-6 * scale)
        assert c.standard_deviation == pytest.approx(a.standard_deviation, rel=1e-7, abs=1e-7)


def test_two_durometers_are_the_paired_t_test() -> None:
    """scipy.stats.ttest_rel: with two instruments the two-way layout is the paired t test."""
    rng = np.random.default_rng(14)
    ball = rng.normal(74, 1.0, 12)
    readings = np.stack([ball + rng.normal(0, 0.3, 12), ball + 0.8 + rng.normal(0, 0.3, 12)], axis=1)
    found = instrument_offsets(readings, ["first", "second"], reference="first")
    peer = stats.ttest_rel(readings[:, 1], readings[:, 0])
    interval = peer.confidence_interval(0.95)
    offset = found.offsets[1]
    assert (offset.lower, offset.upper) == pytest.approx((interval.low, interval.high))
    assert offset.p_value == pytest.approx(peer.pvalue)
    assert offset.differs
    assert found.offsets[0].offset == 0


def test_several_durometers_against_statsmodels() -> None:
    """statsmodels' least squares with balls and instruments as factors: same offsets, errors and freedom."""
    values = np.random.default_rng(15).normal(size=(8, 4)) + np.array([0.0, 0.5, 1.0, -0.5])
    found = instrument_offsets(values, list("wxyz"), reference="w")
    index = np.indices(values.shape).reshape(2, -1)
    frame = pd.DataFrame({"ball": index[0], "instrument": index[1], "value": values.ravel()})
    fit = ols("value ~ C(ball) + C(instrument)", data=frame).fit()
    assert found.degrees_of_freedom == fit.df_resid
    for column in (1, 2, 3):
        name = f"C(instrument)[T.{column}]"
        offset = found.offsets[column]
        assert offset.offset == pytest.approx(fit.params[name])
        assert [offset.lower, offset.upper] == pytest.approx(fit.conf_int().loc[name].tolist())


def test_offsets_from_the_mean_add_to_nothing() -> None:
    """Identity: offsets from the mean of all sum to 0; intervals by statsmodels' sum contrasts."""
    values = np.random.default_rng(16).normal(size=(8, 3)) + np.array([0.0, 1.0, 2.0])
    found = instrument_offsets(values, list("xyz"))
    assert sum(item.offset for item in found.offsets) == pytest.approx(0, abs=1e-12)
    index = np.indices(values.shape).reshape(2, -1)
    frame = pd.DataFrame({"ball": index[0], "instrument": index[1], "value": values.ravel()})
    fit = ols("value ~ C(ball, Sum) + C(instrument, Sum)", data=frame).fit()
    name = "C(instrument, Sum)[S.0]"
    first = found.offsets[0]
    assert [first.offset, first.lower, first.upper] == pytest.approx(
        [fit.params[name], *fit.conf_int().loc[name].tolist()]
    )


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name."""
    hole = np.full((3, 2, 2), 1.0)
    hole[0, 0, 0] = float("nan")
    cases = {
        "measurements must be finite": lambda: gauge_study(hole),
        "measurements must have at least": lambda: gauge_study(np.ones((3, 1, 2))),
        "measurements must differ": lambda: gauge_study(np.ones((3, 2, 2))),
        "measurements must have 3": lambda: gauge_study(np.ones((3, 2))),
        "tolerance": lambda: gauge_study(STUDY, tolerance=0.0),
        "readings_averaged": lambda: gauge_study(STUDY, readings_averaged=0),
        "instruments": lambda: instrument_offsets(np.ones((3, 2)), ["a", "a"]),
        "reference": lambda: instrument_offsets(np.ones((3, 2)), ["a", "b"], reference="c"),
    }
    for name, call in cases.items():
        with pytest.raises(ValueError, match=rf"^{name}\b"):
            call()


def test_percent_of_tolerance_and_the_usual_words() -> None:
    """Montgomery's definition, six spreads over the width of the limits; 10 and 30 % (MSA manual, from
    memory).
    """
    study = gauge_study(STUDY)
    spread = next(each.standard_deviation for each in study.components if each.source == "gauge")
    assert study.judged() == ("may_be_acceptable", "study_variation")
    for width, word in (
        (70 * spread, "acceptable"),
        (30 * spread, "may_be_acceptable"),
        (19 * spread, "unacceptable"),
    ):
        judged = study.within(width)
        gauge = next(each for each in judged.components if each.source == "gauge")
        assert gauge.percent_tolerance == pytest.approx(600 * spread / width)
        assert judged.judged() == (word, "tolerance")


# Five parts of known size, twelve readings each: the example of linearity of the same manual, from memory.
KNOWN = [2.0, 4.0, 6.0, 8.0, 10.0]
READ = [
    [2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4],
    [5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8],
    [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1],
    [7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7],
    [9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4],
]


def test_bias_and_linearity_of_a_published_example() -> None:
    """MSA manual, 4th edition 2010, from memory: bias 0.7367 - 0.1317 times the reference, mean -0.053."""
    found = gauge_bias(np.array(READ)[:, None, :], KNOWN)
    assert found.slope == pytest.approx(-0.1317, abs=1e-4)
    assert found.intercept == pytest.approx(0.7367, abs=1e-4)
    assert found.bias == pytest.approx(-0.0533, abs=1e-4)
    assert found.linear is False


def test_bias_of_parts_that_are_alike_has_no_slope() -> None:
    """By hand: all readings one too high."""
    found = gauge_bias(np.full((3, 1, 2), 76.0) + np.arange(3)[:, None, None] * 0.01, [75.0] * 3)
    assert (found.slope, found.linear) == (None, None)
    assert found.bias == pytest.approx(1.01)
    assert found.differs


def test_a_lot_with_a_gauge_study_says_how_good_the_gauge_is() -> None:
    """Against the limits that bind the balls: two of them give the tolerance, one the way from the mean."""
    text = "weight,hardness,restitution,approved_on\n" + "".join(
        f"15,{75 + 0.5 * (k % 5 - 2)},{0.7 + 0.005 * (k % 5 - 2)},2024-01-01\n" for k in range(40)
    )
    hard = (STUDY * 0.1 + 75).tolist()
    lively = (STUDY * 0.001 + 0.7).tolist()
    known = [float(value) for value in STUDY.mean(axis=(1, 2)) * 0.1 + 74.9]
    studies = [
        {"quantity": "hardness", "measurements": hard, "references": known},
        {"quantity": "restitution", "measurements": lively},
    ]
    answer = decided(text, gauge_studies=studies)
    one, two = answer["measurement"]["gauges"]
    assert (two["tolerance_from"], two["tolerance"]) == ("limits", pytest.approx(0.13))
    assert (one["tolerance_from"], one["tolerance"]) == ("mean_to_limit", pytest.approx(4.0))
    assert one["bias"]["bias"] == pytest.approx(0.1)
    assert two["judgment"] == "acceptable"
    assert "from memory" in two["judgment_source"]
    risk = answer["measurement"]["risk"]
    assert {each["quantity"] for each in risk["quantities"]} == {"hardness", "restitution"}
    assert 0 <= risk["wrongly_accepted"] < risk["balls"]
    page = write_report(answer)
    for said in ("of tolerance", "consumer&#39;s risk", "Bias 0.1 Shore D"):
        assert said in page
    assert decided(text)["measurement"]["risk"] is None


def test_references_are_one_a_part() -> None:
    """Against the pointer of a list that is too short."""
    study = {"quantity": "hardness", "measurements": (STUDY + 75).tolist(), "references": [75.0, 76.0]}
    with pytest.raises(ValidationError) as refused:
        LOT_REQUEST.load({"gauge_studies": [study]})
    assert [each["pointer"] for each in flatten(refused.value.messages)] == ["/gauge_studies/0/references"]
