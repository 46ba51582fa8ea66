"""Uncertainty of predicted readings against a Monte Carlo and by hand, and what it does to a verdict."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from ballgauge_schemas import load_drilling_body
from ballgauge_service.check.drill import Work
from ballgauge_service.check.predict import drill_checks
from ballgauge_service.check.request import Check as Asked
from ballgauge_service.core.refusal import InvalidInput

Body = dict[str, Any]
Check = Callable[[Body], Body]
Make = Callable[..., Body]

RULES = {"on": "2024-09-01"}


def uncertain(value: float, u: float) -> Body:
    return {"value": value, "uncertainty": u}


def spread(answer: Body) -> tuple[float, float, float]:
    """What the inputs leave of it: the material model's own part is taken out again."""
    found = answer["derived"]["balance"]["predicted"]
    whole, model = found["uncertainty"], found["model_uncertainty"]
    top, side, finger = (math.sqrt(whole[name] ** 2 - model[name] ** 2) for name in ("top", "side", "finger"))
    return top, side, finger


def test_against_a_monte_carlo_of_the_same_inputs(check: Check, request_for: Make) -> None:
    # JCGM 101:2008 (propagation of distributions by Monte Carlo), 2,000 draws: 1.6 % standard error of u.
    body = request_for(drilling={"balance_arm": 3.2})
    inputs = {
        ("ball", "weight"): (15.2, 0.05),
        ("ball", "top_weight"): (2.5, 0.15),
        ("ball", "pin_to_cg"): (2.5, 0.2),
        ("drilling", "balance_arm"): (3.2, 0.15),
        ("drilling", "holes", 0, "depth"): (2.5, 0.06),
        ("drilling", "holes", 1, "diameter"): (0.75, 0.01),
        ("drilling", "layout", "val_angle"): (35, 2.0),
        ("drilling", "grip", "span_middle"): (4.25, 0.05),
    }

    def put(path: tuple[Any, ...], value: Any) -> None:
        node = body
        for step in path[:-1]:
            node = node[step]
        node[path[-1]] = value

    generator = np.random.default_rng(7)
    drawn = []
    for _ in range(2000):
        for path, (value, u) in inputs.items():
            put(path, float(generator.normal(value, u)))
        drawn.append(Asked.of(load_drilling_body(body)[0][0]))
    shown = np.array([each.prediction.shown for each in drill_checks(drawn, Work())])
    for path, (value, u) in inputs.items():
        put(path, uncertain(value, u))
    answer = check(body)
    assert spread(answer) == pytest.approx(tuple(shown.std(axis=0, ddof=1)), rel=0.07)
    found = next(f for f in answer["findings"] if f["quantity"] == "largest_imbalance")
    predicted = answer["derived"]["balance"]["predicted"]
    model = math.hypot(*(predicted[name] * u for name, u in predicted["model_uncertainty"].items()))
    inputs_alone = math.sqrt(found["uncertainty"] ** 2 - (model / found["value"]) ** 2)
    assert inputs_alone == pytest.approx(np.linalg.norm(shown, axis=1).std(ddof=1), rel=0.07)


def test_top_weight_alone_by_hand(check: Check, request_for: Make) -> None:
    # reading = top weight times the CG mark's component, so u(reading) = u times that component.
    answer = check(request_for(ball={"top_weight": uncertain(2.5, 0.2)}))
    mark, radius = answer["derived"]["layout"]["cg_mark"], 8.55 / 2
    across, rise = mark["right"] / radius, mark["up"] / radius
    x, y, z = math.cos(rise) * math.sin(across), math.sin(rise), math.cos(rise) * math.cos(across)
    assert spread(answer) == pytest.approx((0.2 * abs(z), 0.2 * abs(x), 0.2 * abs(y)), rel=1e-9)


def test_circumference_counts_like_a_diameter(check: Check, request_for: Make) -> None:
    round_ball = request_for(ball={"circumference": uncertain(8.55 * math.pi, 0.05 * math.pi)})
    del round_ball["ball"]["diameter"]
    wide = check(request_for(ball={"diameter": uncertain(8.55, 0.05)}))
    assert spread(check(round_ball)) == pytest.approx(spread(wide), rel=1e-9)


def test_without_uncertain_inputs_there_is_the_model_alone(check: Check, request_for: Make) -> None:
    answer = check(request_for())
    found, drilled = answer["derived"]["balance"]["predicted"], answer["derived"]["drilled"]
    assert found["uncertainty"] == pytest.approx(found["model_uncertainty"])
    assert drilled["uncertainty"] == pytest.approx(drilled["model_uncertainty"])
    own = next(f for f in answer["findings"] if f["rule"] == "balance_top")["uncertainty"]
    assert own == pytest.approx(found["uncertainty"]["top"])


def test_drilled_radii_carry_the_uncertainty_of_the_box_numbers(check: Check, request_for: Make) -> None:
    # The drilled low RG is the box number's but for a small change, so that u goes over nearly whole.
    stated = {"rg": uncertain(2.5, 0.01), "differential": uncertain(0.047, 0.004)}
    drilled = check(request_for(ball=stated))["derived"]["drilled"]
    whole, model = drilled["uncertainty"], drilled["model_uncertainty"]
    for name, u in (("rg", 0.01), ("differential", 0.004)):
        assert math.sqrt(whole[name] ** 2 - model[name] ** 2) == pytest.approx(u, rel=0.1)


def test_the_model_s_own_uncertainty_is_guarded(check: Check, request_for: Make) -> None:
    # JCGM 106:2012, 8.3: the old limit of side weight, 1 oz, less the reading, in units of u.
    body = request_for(
        drilling={"balance_arm": 3.2}, rules={"on": "2017-06-01"}, decision={"rule": "guarded"}
    )
    found = next(f for f in check(body)["findings"] if f["rule"] == "balance_side")
    inside = 1.0 - found["value"] > 1.645 * found["uncertainty"]
    assert found["uncertainty"] > 0.0
    assert found["outcome"] == ("conforming" if inside else "inconclusive")


@pytest.mark.parametrize(
    ("side", "expected"),
    [(2.8, "conforming"), (2.95, "inconclusive"), (3.05, "inconclusive"), (3.2, "nonconforming")],
)
def test_guarded_verdicts_near_a_limit(check: Check, request_for: Make, side: float, expected: str) -> None:
    # JCGM 106:2012, 8.3: with u = 0.05 oz and a risk of 5 % the guard band is 1.645 x 0.05 = 0.082 oz.
    body = request_for(
        measured_balance={"top": 0, "side": uncertain(side, 0.05), "finger": 0},
        rules=RULES,
        decision={"rule": "guarded"},
    )
    found = {f["rule"]: f for f in check(body)["findings"]}
    assert found["balance_side"]["outcome"] == expected
    simple = {**body, "decision": {"rule": "simple"}}
    judged = {f["rule"]: f["outcome"] for f in check(simple)["findings"]}
    assert judged["balance_side"] == ("conforming" if side <= 3.0 else "nonconforming")


def test_a_predicted_reading_is_guarded_too(check: Check, request_for: Make) -> None:
    exact = check(request_for(drilling={"balance_arm": 3.2}, rules={"on": "2017-06-01"}))
    near = next(f for f in exact["findings"] if f["rule"] == "balance_side")
    assert near["outcome"] == "conforming"
    body = request_for(
        drilling={"balance_arm": 3.2},
        ball={"top_weight": uncertain(2.5, 1.5)},
        rules={"on": "2017-06-01"},
        decision={"rule": "guarded"},
    )
    assert (
        next(f for f in check(body)["findings"] if f["rule"] == "balance_side")["outcome"] == "inconclusive"
    )


def test_uncertainty_as_large_as_the_value_is_refused(check: Check, request_for: Make) -> None:
    body = request_for(ball={"cover_thickness": uncertain(0.1, 0.2)})
    body["drilling"]["holes"][1]["depth"] = uncertain(1.5, 1.5)
    with pytest.raises(InvalidInput) as refused:
        check(body)
    pointers = {fault.pointer for fault in refused.value.faults}
    assert pointers == {"/ball/cover_thickness", "/drilling/holes/1/depth"}


def test_uncertainty_that_breaks_the_span_triangle_is_refused(check: Check, request_for: Make) -> None:
    body = request_for()
    body["drilling"]["grip"]["span_middle"] = uncertain(4.25, 3.0)
    with pytest.raises(InvalidInput) as refused:
        check(body)
    assert [fault.pointer for fault in refused.value.faults] == ["/drilling/grip/span_middle"]


def test_an_uncertain_zero_top_weight_without_a_mark_counts_in_full(check: Check, request_for: Make) -> None:
    body = request_for(ball={"top_weight": uncertain(0, 0.3)})
    del body["ball"]["pin_to_cg"]
    assert spread(check(body)) == pytest.approx((0.3, 0.3, 0.3), rel=1e-12)
