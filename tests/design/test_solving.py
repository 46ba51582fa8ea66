"""Solving: designs that meet targets again, conflicts that are told, fronts, families."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from tests.design.changed import with_value

from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.shared.documents import design_example
from ballgauge_schemas.shared.limits import STARTS
from ballgauge_service.core.budget import WORK_LIMIT, Allowance, Canceled, Run
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.evaluate import evaluate_design
from ballgauge_service.design.family import Family, family
from ballgauge_service.design.mass import properties
from ballgauge_service.design.parameters import Parameter
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solving import Front, search_price, solve, trade_off
from ballgauge_service.design.targets import Target

from .balls import TERN, TERN_BLOCK, wanted

CORE = Parameter(("core",), "density", 1.5, 3.7)
FILLER = Parameter(("filler",), "density", 0.7, 1.3)
WIDE = Parameter(("core",), "length_y", 3.5, 4.8)


def numbers(design: Design) -> dict[str, float]:
    found = properties(design, contributions=False)
    return {
        name: getattr(found, name) for name in ("weight", "rg", "differential", "intermediate_differential")
    }


def test_a_known_design_is_found_again() -> None:
    """Targets taken from a design: its parameters come back, from other starts."""
    hidden = with_value(with_value(with_value(TERN, CORE, 2.4), FILLER, 1.05), WIDE, 4.1)
    aim = numbers(hidden)
    targets = tuple(Target(name, aim[name], 1e-5) for name in ("weight", "rg", "intermediate_differential"))
    found = solve(wanted(TERN, (CORE, FILLER, WIDE), targets, seed=5))
    assert found.met
    assert found.conflicts == ()
    assert found.solutions[0].values == pytest.approx((2.4, 1.05, 4.1), abs=1e-3)
    again = numbers(found.solutions[0].only.design)
    assert again["rg"] == pytest.approx(aim["rg"], abs=1e-5)


def test_distinct_solutions_meet_the_targets_and_differ() -> None:
    """One target, three parameters: many designs; those returned lie apart."""
    found = solve(wanted(TERN, (CORE, FILLER, WIDE), (Target("weight", 15.0, 0.01),), seed=2, keep=4))
    assert found.met
    assert len(found.solutions) == 4
    ranges = [2.2, 0.6, 1.3]
    for at, one in enumerate(found.solutions):
        assert abs(one.only.misses["weight"]) <= 1.0
        for other in found.solutions[:at]:
            gaps = [abs(a - b) / r for a, b, r in zip(one.values, other.values, ranges, strict=True)]
            assert max(gaps) > 0.02


def test_the_same_seed_gives_the_same_answer() -> None:
    """Reproducible to the last digit."""
    targets = (Target("rg", 2.52, 0.002), Target("differential", 0.04, 0.001))
    one, other = (solve(wanted(TERN, (CORE, FILLER), targets, seed=9)) for _ in range(2))
    assert one == other


def test_conflict_says_which_targets_and_by_how_much() -> None:
    """Weight by one density alone cannot be 16 lb and 14 lb's RG at once: the miss told is that of a scan."""
    aim = numbers(with_value(TERN, CORE, 1.8))
    targets = (Target("weight", 15.5, 0.01), Target("rg", aim["rg"], 0.001))
    found = solve(wanted(TERN, (CORE,), targets, seed=1))
    assert not found.met
    assert not found.solutions[0].met
    by_name = {each.target.number: each for each in found.conflicts}
    assert set(by_name) == {"weight", "rg"}
    conflict = by_name["rg"]
    assert conflict.others_met
    assert conflict.with_targets == ("weight",)
    heavy = min(
        (numbers(with_value(TERN, CORE, 3.0 + 0.0005 * n)) for n in range(1001)),
        key=lambda each: abs(each["rg"] - aim["rg"]) if abs(each["weight"] - 15.5) <= 0.01 else 9.0,
    )
    assert conflict.off == pytest.approx(abs(heavy["rg"] - aim["rg"]) - 0.001, abs=2e-4)


def test_sensitivities_against_differences() -> None:
    """Per unit: the slope by a finite difference of `properties` at the solution."""
    targets = (Target("rg", 2.52, 0.001), Target("weight", 15.0, 0.05))
    found = solve(wanted(TERN, (CORE, FILLER), targets, seed=1))
    assert found.met
    best = found.solutions[0]
    value = best.values[0]
    ends = [numbers(with_value(best.only.design, CORE, value + step))["rg"] for step in (-1e-3, 1e-3)]
    slope = next(
        each for each in found.sensitivities if each.number == "rg" and each.parameter == "density of core"
    )
    assert slope.per_unit == pytest.approx((ends[1] - ends[0]) / 2e-3, rel=1e-4)
    assert slope.range_in_tolerances == pytest.approx(slope.per_unit * 2.2 / 0.001, rel=1e-9)


def test_front_has_no_point_worse_in_both() -> None:
    """A heavier core raises the differential and lowers the RG: the two targets pull apart."""
    targets = (Target("rg", 2.56, 0.002), Target("differential", 0.036, 0.0005), Target("weight", 15.0, 0.05))
    points = trade_off(
        wanted(TERN, (CORE, FILLER), targets, seed=1), Front("rg", "differential", 6)
    ).solutions
    assert len(points) >= 4
    misses = [(abs(each.only.misses["rg"]), abs(each.only.misses["differential"])) for each in points]
    assert misses == sorted(misses)
    assert [second for _, second in misses] == sorted((second for _, second in misses), reverse=True)
    assert misses[0][1] > misses[-1][1] + 1.0
    assert all(abs(each.only.misses["weight"]) <= 1.01 for each in points)


def test_family_from_12_to_16_lb_by_densities() -> None:
    """Every weight is met; RG and differential move less than with the filler alone."""
    light = replace(FILLER, lower=0.4)
    both = family(TERN, Family((CORE, light), seed=1))
    assert [member.weight for member in both] == [12, 13, 14, 15, 16]
    for member in both:
        assert member.solution.only.numbers["weight"] == pytest.approx(member.weight, abs=1e-3)
        solids = member.solution.only.design.solids
        assert [each.shape for each in solids] == [each.shape for each in TERN.solids]
    assert abs(both[3].changes["rg"] or 0.0) < 0.01
    alone = family(TERN, Family((replace(FILLER, lower=0.3),), (14.0,), 1))
    assert abs(both[2].changes["differential"] or 0.0) < abs(alone[0].changes["differential"] or 0.0)


def test_solids_are_kept_inside_the_ball() -> None:
    """A core that would have to leave the ball to be wide enough: not met, and still inside."""
    wide = Parameter(("core",), "length_y", 3.5, 12.0)
    found = solve(wanted(TERN, (wide,), (Target("weight", 30.0, 0.1),), seed=1, starts=4))
    assert not found.met
    length = found.solutions[0].values[0]
    assert length <= TERN.diameter + 0.05


def test_progress_and_cancel() -> None:
    """Shares rise to 1; a token that says stop ends the run."""
    told: list[float] = []
    job = wanted(TERN, (CORE,), (Target("weight", 15.0, 0.01),), starts=3)
    solve(job, run=Run(lambda share, _: told.append(share)))
    assert told == sorted(told)
    assert told[-1] == 1.0
    with pytest.raises(Canceled):
        solve(job, run=Run(canceled=lambda: len(told) > 0))


def test_densities_of_solids_that_cut_each_other_take_one_cubature() -> None:
    """Moments are linear in the densities: all starts and a family together cost less than ten designs."""
    hidden = numbers(with_value(with_value(TERN_BLOCK, CORE, 2.4), FILLER, 0.9))
    targets = tuple(Target(name, hidden[name], 1e-3) for name in ("weight", "rg"))
    run = Allowance(2)
    run.add(0.9 * WORK_LIMIT)
    found = solve(wanted(TERN_BLOCK, (CORE, FILLER), targets, seed=1), run=run)
    assert found.met
    best = found.solutions[0]
    assert best.values == pytest.approx((2.4, 0.9), abs=0.01)
    again = numbers(best.only.design)
    for name, value in again.items():
        assert best.only.numbers[name] == pytest.approx(value, abs=2e-6)
    members = family(TERN_BLOCK, Family((CORE, replace(FILLER, lower=0.4)), (13.0, 15.0)), run=run)
    for member in members:
        assert numbers(member.solution.only.design)["weight"] == pytest.approx(member.weight, abs=1e-3)


def test_a_search_too_much_to_compute_is_refused_before_the_work_and_says_what_fits(sentence: Any) -> None:
    """Of a design whose solids cut each other, one size may move where two may not."""
    sizes = (WIDE, Parameter(("core",), "length_x", 3.0, 4.0))
    none, one, two = (
        wanted(TERN_BLOCK, moving, (Target("weight", 15.0, 0.01),)) for moving in ((CORE,), sizes[:1], sizes)
    )
    price = search_price(one, WORK_LIMIT)
    assert search_price(two, WORK_LIMIT) > price > search_price(none, WORK_LIMIT)
    with pytest.raises(InvalidInput, check=sentence("solving: at most 1 sizes")) as caught:
        search_price(two, price)
    assert caught.value.faults[0].pointer == "/parameters"
    with pytest.raises(InvalidInput, check=sentence("solving: only densities may move")):
        search_price(two, 0.9 * price)


def test_a_trade_off_that_the_work_ends_gives_the_points_it_found() -> None:
    """Sizes of solids that cut each other: fewer points than asked for, in place of a refusal."""
    targets = (Target("rg", 2.40, 0.001), Target("differential", 0.09, 0.0005), Target("weight", 15.0, 0.05))
    job = wanted(TERN_BLOCK, (CORE, FILLER, WIDE), targets, seed=1, front=Front("rg", "differential", 25))
    run = Allowance(1)
    run.add(WORK_LIMIT - 4e6)
    assert job.front
    found = trade_off(job, job.front, run=run)
    assert 1 <= len(found.solutions) <= found.followed < 25
    assert run.unspent >= 0.0


def test_a_search_that_the_work_ends_gives_the_best_it_found() -> None:
    """Far from done where the work ends: no refusal, the nearest design, and that it was ended."""
    block = tuple(
        Parameter(("block",), field, low, high)
        for field, low, high in (("length_y", 3.0, 5.0), ("position_x", -0.4, 0.6), ("tilt_x", -20.0, 20.0))
    )
    targets = (Target("weight", 15.0, 0.001), Target("rg", 2.5, 1e-5), Target("differential", 0.048, 1e-5))
    run = Allowance(1)
    run.add(WORK_LIMIT - 3e6)
    found = solve(wanted(TERN_BLOCK, (CORE, *block), targets, seed=1), run=run)
    assert found.searched < STARTS
    assert found.solutions
    own, best = (
        sum(((each[target.number] - (target.value or 0.0)) / target.tolerance) ** 2 for target in targets)
        for each in (numbers(TERN_BLOCK), found.solutions[0].only.numbers)
    )
    assert best < own
    assert run.unspent >= 0.0


def test_no_compromise_leaves_the_ball() -> None:
    """A differential out of reach, which a longer core would come nearer to: the ball ends it."""
    job = wanted(
        TERN, (Parameter(("core",), "length_z", 4.0, 9.4),), (Target("differential", 0.2, 1e-4),), starts=3
    )
    found = solve(job)
    assert not found.met
    best = found.solutions[0]
    reached = properties(best.only.design, contributions=False)
    assert reached.differential > properties(TERN, contributions=False).differential
    assert best.values[0] == pytest.approx(TERN.diameter, abs=0.01)


def test_two_targets_that_nothing_meets_are_not_called_others() -> None:
    """Each is out of reach alone, so that no others conflict among themselves."""
    asked = design_example("skarn_targets")
    asked["solve"] = {
        "parameters": [{"solids": ["core"], "field": "density", "lower": 2.6, "upper": 2.8}],
        "targets": {"weight": {"value": 18.0, "tolerance": 0.02}, "rg": {"at_most": 2.2, "tolerance": 0.003}},
        "starts": 2,
    }
    told = evaluate_design(DESIGN_REQUEST.load(asked))["solved"]["conflicts"]
    assert [(each["number"], each["others_met"]) for each in told] == [("weight", False), ("rg", False)]
    assert [each["with_targets"] for each in told] == [["rg"], ["weight"]]
    for each in told:
        assert f"; {each['with_targets'][0]} is not met" in each["message"]


def test_targets_that_conflict_among_themselves_tell_of_the_best_compromise() -> None:
    """Three targets of two densities: no number told is of a fit that leaves its own target out."""
    targets = (Target("weight", 15.5, 0.01), Target("rg", 2.4, 0.001), Target("differential", 0.08, 5e-4))
    found = solve(wanted(TERN, (CORE, FILLER), targets, seed=1, starts=4))
    assert not found.met
    best = found.solutions[0]
    told = [each for each in found.conflicts if not each.others_met]
    assert told
    for each in told:
        assert each.nearest == pytest.approx(best.only.numbers[each.target.number], rel=1e-9)
        assert each.off == pytest.approx(abs(each.nearest - each.target.value) - each.target.tolerance)
