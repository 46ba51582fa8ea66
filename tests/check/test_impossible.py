"""What cannot be computed is refused, with every item and field named."""

from __future__ import annotations

import copy
import time
from collections.abc import Callable
from typing import Any

import pytest

from ballgauge_schemas import load_check_body
from ballgauge_service.check import drill as work
from ballgauge_service.check.request import Check as Asked
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.physics.drilling import drill as drill_kernel

Body = dict[str, Any]
Check = Callable[[Body], Body]
Drill = Callable[[Body], Body]
CheckAll = Callable[[list[Body]], list[Body]]
Make = Callable[..., Body]


def refusal(answer: Callable[[Any], Any], asked: Any) -> list[Fault]:
    with pytest.raises(InvalidInput) as refused:
        answer(asked)
    return refused.value.faults


@pytest.mark.parametrize("how", ["check", "drill"])
@pytest.mark.parametrize(
    ("changes", "pointer", "words"),
    [
        ({"drilling": {"grip": {"span_middle": 1, "span_ring": 6.5}}}, "/drilling/grip", "no triangle"),
        ({"ball": {"cover_thickness": 3, "cover_density": 2}}, "/ball/cover_density", "weighs more"),
        ({"ball": {"weight": 4, "cover_thickness": 3}}, "/ball/cover_thickness", "cover weighs more"),
        (
            {"ball": {"weight": 20, "diameter": 7.5, "cover_thickness": 3}},
            "/ball/cover_thickness",
            "more than any",
        ),
        ({"ball": {"rg": 3.2, "diameter": 7.5}}, "/ball/rg", "radius of gyration"),
    ],
)
def test_each_impossible_thing_is_named(
    check: Check,
    drill: Check,
    request_for: Make,
    how: str,
    changes: Body,
    pointer: str,
    words: str,
    sentence: Any,
) -> None:
    answer = check if how == "check" else drill
    found = [error for error in refusal(answer, request_for(**changes)) if error.pointer == pointer]
    assert len(found) == 1
    assert found[0].words == sentence(f"impossible: {words}")


@pytest.mark.parametrize(
    ("hole", "words"),
    [
        ({"diameter": 2.5, "depth": 0.05}, "too shallow"),
        ({"diameter": 1.0, "depth": 8, "pitch_lateral": 3}, "breaks through"),
    ],
)
def test_a_hole_that_leaves_the_ball_is_named(
    check: Check, request_for: Make, hole: Body, words: str
) -> None:
    body = request_for()
    body["drilling"]["holes"].append({"role": "vent", "at": {"right": 3, "up": 0}, **hole})
    (error,) = refusal(check, body)
    assert (error.index, error.pointer) == (0, "/drilling/holes/3")
    assert words in error.words


def test_a_strongly_pitched_hole_inside_the_ball_is_answered(check: Check, request_for: Make) -> None:
    body = request_for()
    pitches = {"pitch_forward": 2, "pitch_lateral": 2}
    hole = {"role": "vent", "diameter": 0.5, "depth": 1, "at": {"right": 3, "up": 3}, **pitches}
    body["drilling"]["holes"].append(hole)
    assert 1.5 < check(body)["derived"]["holes"][3]["axis_offset"] < 3.0


def test_every_field_of_every_item_is_named_at_once(check_all: CheckAll, request_for: Make) -> None:
    bad = request_for(ball={"rg": 3.2, "diameter": 7.5, "weight": 6, "cover_thickness": 3})
    bad["drilling"]["grip"]["span_middle"] = 1
    deep = {"role": "vent", "diameter": 1, "depth": 7.9, "at": {"right": 3, "up": 0}}
    bad["drilling"]["holes"].append(deep)
    as_made = request_for(drilling=None, ball={"rg": 3.2, "diameter": 7.5})
    overlaid = request_for(rules={"overlay": "atlantis"})
    uncertain = request_for(ball={"cover_density": {"value": 1, "uncertainty": 2}})
    errors = refusal(check_all, [request_for(), bad, as_made, request_for(), overlaid, uncertain])
    assert {(fault.index, fault.pointer) for fault in errors} == {
        (1, "/ball/rg"),
        (1, "/ball/cover_thickness"),
        (1, "/drilling/grip"),
        (1, "/drilling/holes/3"),
        (2, "/ball/rg"),
        (4, "/rules/overlay"),
        (5, "/ball/cover_density"),
    }
    assert len(errors) == 7
    assert [fault.index for fault in errors] == sorted(fault.index for fault in errors)


def test_low_rg_is_possible_up_to_the_hollow_shell(check: Check, request_for: Make) -> None:
    # The principal moments add up to at most 2 m R^2 (all weight in the surface).
    for differential, possible in ((0.0, True), (0.1, False)):
        numbers = {"differential": differential, "intermediate_differential": 0, "diameter": 7.6}
        body = request_for(drilling=None, ball={**numbers, "rg": 3.8 * (2 / 3) ** 0.5 - 1e-6})
        if possible:
            assert check(body)["derived"]["ball"]["rg_high"] is not None
        else:
            assert refusal(check, body)[0].pointer == "/ball/rg"


def crowded(make: Make, count: int, apart: float) -> Body:
    body = make()
    body["drilling"]["holes"] = [
        {
            "role": "vent",
            "diameter": 2.5,
            "depth": 4,
            "pitch_lateral": 0.01 * k,
            "pitch_forward": 0.013 * k,
            "at": {"right": apart * (k % 5), "up": apart * (k // 5)},
        }
        for k in range(count)
    ]
    return body


def test_too_much_work_is_refused_in_time(
    check_all: CheckAll, request_for: Make, monkeypatch: pytest.MonkeyPatch, sentence: Any
) -> None:
    # 24 holes that all run through one another cost half a second; a tenth of the real limit, for speed.
    monkeypatch.setattr(work, "WORK_LIMIT", 0.1 * work.WORK_LIMIT)
    refusal(check_all, [crowded(request_for, 24, 0.05)] * 3)  # machine code is made or read here
    start = time.process_time()
    (error,) = refusal(check_all, [crowded(request_for, 24, 0.05)] * 100)
    spent = time.process_time() - start
    assert error.pointer == "/drilling/holes"
    assert error.words == sentence("too many holes that meet")
    assert 0 < error.index < 100
    assert spent < 4.0 * work.WORK_LIMIT / 1e6


def test_the_estimate_of_work_bounds_the_time(request_for: Make) -> None:
    for count, apart in ((2, 0.5), (6, 0.05), (12, 0.5), (16, 0.05)):
        items, _ = load_check_body(crowded(request_for, count, apart))
        asked = Asked.of(items[0])
        prepared = work.arrays([asked.ball], [asked.drilling])
        counted = work.Work()
        counted.drill(*prepared, [0])
        start = time.process_time()
        drill_kernel(*prepared)
        spent = time.process_time() - start
        assert spent * 1e6 < 3.0 * counted.spent + 1e4
        assert counted.spent <= work.greatest_work(prepared[3])[0]


def test_ordinary_batches_are_far_from_the_limit(check_all: CheckAll, request_for: Make) -> None:
    body = request_for(ball={"top_weight": 5.5, "pin_to_cg": 1.5}, rules={"on": "2024-09-01"})
    body["drilling"]["layout"] = {"drilling_angle": 90, "pin_to_pap": 5.5, "val_angle": 60}
    answers = check_all([copy.deepcopy(body) for _ in range(100)])
    assert all(answer["derived"]["remedies"] for answer in answers)
