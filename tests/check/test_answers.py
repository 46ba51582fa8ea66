"""Answers as JSON: complete, of the contract's shape, the same every time, and independent of the company."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ballgauge_schemas import (
    CHECK_RESULT,
    DRILLING_RESULT,
    ValidationError,
    example,
    example_names,
    load_check_body,
    load_drilling_body,
)
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
from ballgauge_service.core.refusal import InvalidInput

Body = dict[str, Any]

GROUPS = {"ball", "layout", "holes", "drilled", "balance", "remedies"}
DRILLING_KEYS = {"ball", "drilling", "measured_balance", "remedies"}


def as_sent(answer: Body) -> Body:
    """The answer after JSON, which refuses numpy's types and NaN."""
    sent: Body = json.loads(json.dumps(answer, allow_nan=False))
    return sent


def evaluate(body: Body) -> tuple[list[Body], Any]:
    try:
        items, _ = load_check_body(body)
    except ValidationError:
        items, _ = load_drilling_body(body)
        return evaluate_drillings(items), DRILLING_RESULT
    return evaluate_checks(items), CHECK_RESULT


@pytest.mark.parametrize("name", example_names())
def test_examples_are_answered_in_the_contracts_shape(name: str) -> None:
    answers, schema = evaluate(example(name))
    for answer in answers:
        sent = as_sent(answer)
        assert sent == answer
        schema.load(sent)
        assert set(sent["derived"]) == GROUPS


@pytest.mark.parametrize("name", example_names())
def test_the_same_request_gives_the_same_bytes(name: str) -> None:
    first, _ = evaluate(example(name))
    again, _ = evaluate(example(name))
    assert json.dumps(first) == json.dumps(again)


def numbers(low: float, high: float) -> st.SearchStrategy[Any]:
    """Numbers over a whole range of the contract, now and then with an uncertainty."""
    plain = st.one_of(st.floats(low, high), st.sampled_from([low, high, (low + high) / 2]))
    spread = st.floats(0, (high - low) / 20).map(abs)
    return st.one_of(plain, plain, st.builds(lambda v, u: {"value": v, "uncertainty": u}, plain, spread))


def objects(required: Body, optional: Body) -> st.SearchStrategy[Body]:
    return st.fixed_dictionaries(required, optional=optional)


BALL = objects(
    {"weight": numbers(4, 20), "diameter": numbers(7.5, 9.5)},
    {
        "rg": numbers(2, 3.2),
        "differential": numbers(0.1, 0.2),
        "intermediate_differential": numbers(0, 0.1),
        "hardness": numbers(0, 100),
        "top_weight": st.one_of(numbers(-16, 16), numbers(0, 6)),
        "pin_to_cg": numbers(0, 13.5),
        "cover_thickness": numbers(0.05, 3),
        "cover_density": numbers(0.5, 3),
        "approved_on": st.sampled_from(["2004-01-01", "2009-01-01", "2015-01-01", "2022-01-01"]),
        "house_ball": st.booleans(),
        "cover": st.sampled_from(["polyester", "urethane", "reactive"]),
    },
)
AT = objects({"right": numbers(-13.5, 13.5), "up": numbers(-13.5, 13.5)}, {})
HOLE = objects(
    {
        "role": st.sampled_from(["vent", "mill", "balance"]),
        "diameter": st.one_of(numbers(0.05, 2.5), numbers(0.5, 1.1)),
        "depth": st.one_of(numbers(0.02, 8), numbers(1, 3)),
        "at": AT,
    },
    {
        "pitch_forward": numbers(-3, 3),
        "pitch_lateral": numbers(-3, 3),
        "slug_density": numbers(0.1, 25),
        "used": st.booleans(),
    },
)
GRIP = objects(
    {
        "span_middle": st.one_of(numbers(1, 7), numbers(4, 4.5)),
        "span_ring": st.one_of(numbers(1, 7), numbers(4, 4.5)),
        "bridge": numbers(0, 3),
    },
    {"span_kind": st.sampled_from(["cut_to_cut", "full"]), "center_marked": st.booleans()},
)
THREE = [
    {"role": role, "diameter": size, "depth": depth}
    for role, size, depth in (("thumb", 0.95, 2.5), ("middle", 0.8, 1.5), ("ring", 0.8, 1.4))
]
DRILLING = st.builds(
    lambda base, three, extra: {**base, "holes": [*(THREE if three else []), *extra]},
    objects(
        {
            "hand": st.sampled_from(["right", "left"]),
            "grip": GRIP,
            "pap": objects({"over": numbers(-8, 8), "up": numbers(-4, 4)}, {}),
        },
        {
            "layout": objects(
                {
                    "drilling_angle": numbers(0, 180),
                    "pin_to_pap": numbers(0, 13.5),
                    "val_angle": numbers(0, 180),
                },
                {},
            ),
            "balance_arm": numbers(0.5, 8),
        },
    ),
    st.booleans(),
    st.lists(HOLE, max_size=4),
)
READING = numbers(-32, 32)
REQUEST = objects(
    {"ball": BALL},
    {
        "drilling": DRILLING,
        "measured_balance": objects({}, {"top": READING, "side": READING, "finger": READING}),
        "rules": objects(
            {"body": st.sampled_from(["usbc", "ibf"])},
            {"on": st.sampled_from(["1999-01-01", "2017-06-01", "2019-06-01", "2024-09-01"])},
        ),
        "decision": objects(
            {"rule": st.sampled_from(["simple", "guarded"])}, {"risk": st.floats(1e-4, 0.49)}
        ),
        "remedies": objects(
            {},
            {"margin": numbers(0, 3), "already_drilled": st.booleans(), "thumb_depth_min": numbers(0.02, 8)},
        ),
    },
)
LOOSE = settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)


def answered(
    load: Callable[[Body], Any], evaluate_all: Callable[[Any], list[Body]], body: Body
) -> Body | None:
    """The answer to a request; None where contract or geometry refuse it, each by its own exception."""
    try:
        items, _ = load(copy.deepcopy(body))
        return evaluate_all(items)[0]
    except (ValidationError, InvalidInput):
        return None


@LOOSE
@given(REQUEST)
def test_any_request_is_answered_or_refused(body: Body) -> None:
    answer = answered(load_check_body, evaluate_checks, body)
    if answer is not None:
        sent = as_sent(answer)
        CHECK_RESULT.load(sent)
        order = ["conforming", "not_assessed", "inconclusive", "nonconforming"]
        counted = [f["outcome"] for f in sent["findings"] if not f["advisory"]]
        assert sent["outcome"] == max(counted, key=order.index, default="not_assessed")
    drilling = {name: part for name, part in body.items() if name in DRILLING_KEYS}
    if "drilling" in body:
        told = answered(load_drilling_body, evaluate_drillings, drilling)
        assert (told is None) == (answer is None)
        if told is not None and answer is not None:
            sent = as_sent(told)
            DRILLING_RESULT.load(sent)
            assert {**sent["derived"], "remedies": 0} == {**as_sent(answer)["derived"], "remedies": 0}


@settings(LOOSE, max_examples=15)
@given(st.lists(REQUEST, min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_a_list_is_answered_as_its_parts_in_any_order(bodies: list[Body], chance: random.Random) -> None:
    sound = [body for body in bodies if answered(load_check_body, evaluate_checks, body) is not None]
    sound.extend(example("batch")["checks"])
    sound.append(example("side_weight_over"))
    alone = [answered(load_check_body, evaluate_checks, body) for body in sound]
    order = list(range(len(sound)))
    chance.shuffle(order)
    items, _ = load_check_body({"checks": [copy.deepcopy(sound[k]) for k in order]})
    together = evaluate_checks(items)
    for place, k in enumerate(order):
        assert json.dumps(together[place]) == json.dumps(alone[k])


def test_drillings_in_a_list_are_answered_as_alone() -> None:
    bodies = [example("drilling"), example("drilling")]
    bodies[1]["ball"]["top_weight"] = 6.5
    alone = [evaluate_drillings(load_drilling_body(copy.deepcopy(body))[0])[0] for body in bodies]
    items, _ = load_drilling_body({"drillings": copy.deepcopy(bodies)})
    assert json.dumps(evaluate_drillings(items)) == json.dumps(alone)
    assert alone[1]["remedies"]
