"""Spread, line map, explanations and pictures: what is computed from many deliveries."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from itertools import permutations
from typing import Any

import numpy as np
import pytest

from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.motion import answer
from ballgauge_service.motion.aiming import aim
from ballgauge_service.motion.balls import BoxBall, box_ball
from ballgauge_service.motion.bowlers import BOWLERS, Scatter, cautions
from ballgauge_service.motion.delivery import Window, deliver
from ballgauge_service.motion.explanations import TRAITS, explain
from ballgauge_service.motion.lanes import uniform_lane
from ballgauge_service.motion.line_maps import Line, line_map
from ballgauge_service.motion.pictures import line_map_picture, motion_picture
from ballgauge_service.motion.spreads import Sampling, spread
from ballgauge_service.motion.starts import USUAL
from ballgauge_service.motion.surfaces import Surface

from .shots import BOWLER, LANE, RELEASE, roll, told

LINE = [
    BoxBall("early", rg=2.47, differential=0.052, intermediate_differential=0.018, surface=Surface(grit=800)),
    BoxBall("middle", rg=2.51, differential=0.046, surface=Surface(grit=3000)),
    BoxBall("late", rg=2.57, differential=0.03, surface=Surface(grit=4000, polished=True)),
    BoxBall("spare", rg=2.65, differential=0.01, surface=Surface("polyester", roughness=6.0)),
]
STILL = Scatter(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def spread_of(ball: BoxBall, scatter: Scatter = STILL, **sampling: Any) -> dict[str, Any]:
    """A spread as it is answered, of one phase of the grip."""
    bowler = replace(BOWLER, release=replace(RELEASE, phase=0.0), scatter=scatter)
    return answer.spread_answer(spread(box_ball(ball), bowler, LANE, Sampling(**sampling)))


def mapped_as_answered(line: Line) -> dict[str, Any]:
    return answer.line_map_answer(line_map(line, LANE))


def test_no_scatter_has_no_spread_and_agrees_with_the_single_delivery() -> None:
    got = spread_of(BoxBall(), deliveries=5)
    alone = roll(BoxBall(), replace(RELEASE, phase=0.0))
    assert got["entry_board"]["mean"] == pytest.approx(alone["entry"]["board"], abs=1e-9)
    assert got["entry_angle"]["mean"] == pytest.approx(alone["entry"]["angle"], abs=1e-9)
    assert got["entry_board"]["standard_deviation"] < 1e-12
    assert got["endings"]["pins"] == 5


def test_a_seed_gives_the_same_deliveries_and_another_seed_others() -> None:
    one, two, other = (spread_of(BoxBall(), Scatter(), deliveries=200, seed=s) for s in (7, 7, 8))
    assert one == two
    assert one["entry_board"] != other["entry_board"]


def test_spread_is_that_of_a_linear_error_budget() -> None:
    """GUM: the variance of small independent errors is the sum of squared slopes times variances."""
    ball = box_ball(BoxBall())
    scatter = Scatter(0.05, 2.0, 0.5, 0.3, 0.05, 0.1, 0.0)
    got = spread_of(BoxBall(), scatter, deliveries=4000, seed=3)
    total = 0.0
    for name in ("speed", "rev_rate", "axis_rotation", "axis_tilt", "launch_angle", "launch_board"):
        s = getattr(scatter, name)
        ends = [
            deliver(ball, replace(RELEASE, phase=0.0, **{name: getattr(RELEASE, name) + d}), LANE).board
            for d in (s, -s)
        ]
        total += (0.5 * (ends[0] - ends[1])) ** 2
    assert got["entry_board"]["standard_deviation"] == pytest.approx(total**0.5, rel=0.06)


def test_uncertain_oil_widens_the_spread_and_the_window_counts_what_is_inside(sentence: Any) -> None:
    sure = spread_of(BoxBall(), deliveries=300)
    unsure = spread_of(BoxBall(), deliveries=300, oil_uncertainty=0.15)
    assert sure["entry_board"]["standard_deviation"] < 1e-9 < unsure["entry_board"]["standard_deviation"]
    everything = spread_of(BoxBall(), deliveries=10, window=Window((0.0, 40.0), (-90.0, 90.0)))
    nothing = spread_of(BoxBall(), deliveries=10, window=Window((0.0, 1.0), (-90.0, 90.0)))
    assert everything["window"]["share"] == 1.0
    assert nothing["window"]["share"] == 0.0
    assert nothing["window"]["meaning"] == sentence("meaning of the window")


@pytest.fixture(scope="module")
def mapped() -> dict[str, Any]:
    bowlers = (BOWLERS["speed_dominant_one_handed"], BOWLERS["rev_dominant_one_handed"])
    return mapped_as_answered(Line(tuple(LINE), bowlers, (16.0, 24.0), deliveries=12, seed=1))


def test_the_map_places_every_ball_for_every_bowler_and_oil(mapped: dict[str, Any]) -> None:
    assert json.loads(json.dumps(mapped, allow_nan=False)) == mapped
    for picture in mapped["bowlers"]:
        points = {(p["ball"], p["volume"]): p for p in picture["points"]}
        assert len(points) == 8
        assert all(p["aimed"] for p in points.values())
        for volume in (16.0, 24.0):
            early, late = points["early", volume], points["late", volume]
            assert early["length"]["mean"] < late["length"]["mean"]
            assert early["length"]["standard_deviation"] > 0.0
        assert set(picture["best_pair"]["balls"]) != set()
        assert len(set(picture["widest_pair"]["balls"])) == 2


def test_a_ball_overlaps_its_own_twin_and_leaves_no_gap_to_it() -> None:
    twins = (replace(LINE[0], name="one"), replace(LINE[0], name="two"), LINE[3])
    picture = mapped_as_answered(Line(twins, (BOWLER,), (20.0,), deliveries=8))["bowlers"][0]
    assert {"volume": 20.0, "balls": ["one", "two"], "separation": 0.0} in picture["overlaps"]
    assert ["one", "two"] not in [gap["between"] for gap in picture["gaps"]]
    assert set(picture["best_pair"]["balls"]) in ({"one", "spare"}, {"two", "spare"})
    assert picture["best_pair"]["largest_separation"] == 0.0


def test_points_that_cannot_be_compared_take_no_part() -> None:
    """On a dry lane a strong bowler brings no ball to the pocket within usual launches."""
    strong = replace(BOWLER, release=replace(RELEASE, speed=14.0, rev_rate=600.0, axis_rotation=80.0))
    found = line_map(Line(tuple(LINE[:3]), (strong,), deliveries=4), uniform_lane(0.0))
    (one,) = found.maps
    assert not any(point.sound for point in one.points[0])
    assert one.overlaps == one.gaps == [[]]
    assert one.best_pair is one.widest_pair is None
    page = line_map_picture(found)
    assert "not aimed" in page


def test_balls_of_one_name_are_told_apart() -> None:
    twins = line_map(Line((LINE[0], LINE[0], LINE[0]), (BOWLER,), deliveries=2), LANE)
    assert len(set(twins.names)) == 3


@pytest.mark.parametrize("name", sorted(set(BOWLERS) - {"rev_dominant_two_handed"}))
def test_bowlers_are_aimed_within_usual_launches(name: str) -> None:
    """Against the aimed release thrown again: the mean over the phases meets the head pin at the pocket."""
    ball, window = box_ball(LINE[2]), Window()
    (found,) = aim([(ball, LANE)], BOWLERS[name], window, USUAL)
    got = told(ball, found.release)
    assert found.reached
    assert got["entry"]["contact_board"] == pytest.approx(17.5, abs=0.15)
    warned = {caution.pointer for caution in cautions(found.release)}
    assert not warned & {"/release/launch_angle", "/release/launch_board"}


def test_the_contact_is_where_the_ball_first_touches_the_head_pin() -> None:
    """Against the path: there its center is a ball's and a pin's radius from the pin's."""
    ball = box_ball(LINE[1])
    (found,) = aim([(ball, LANE)], BOWLER, Window(), USUAL)
    got = told(ball, replace(found.release, phase=0.0), samples=2001)
    x = (20.0 - np.array(got["curves"]["board"])) * 41.5 / 39.0
    away = np.hypot(x, 12.0 * np.array(got["curves"]["distance"]) - 720.0)
    first = int(np.argmax(away <= ball.radius + 2.383))
    assert got["entry"]["contact_board"] == pytest.approx(got["curves"]["board"][first], abs=0.02)
    assert 5.5 < 720.0 - 12.0 * got["curves"]["distance"][first] < 6.6


def test_an_aimed_spread_lies_about_the_middle_of_its_window() -> None:
    astray = replace(BOWLER, release=replace(RELEASE, launch_angle=-1.0))
    window = Window((17.0, 18.0), (2.0, 8.0))
    samplings = [Sampling(200, window=window, aimed=aimed) for aimed in (False, True)]
    both = [spread(box_ball(LINE[1]), astray, LANE, sampling) for sampling in samplings]
    assert both[0].aim is None
    assert both[1].ends.contact_board.mean() == pytest.approx(17.5, abs=1.0)
    assert both[1].ends.inside(window)[1] > both[0].ends.inside(window)[1]


def test_a_rougher_surface_shortens_the_length() -> None:
    line = Line((LINE[2],), (BOWLER,), (20.0,), deliveries=8, surface=Surface(grit=500))
    (one,) = line_map(line, LANE).maps
    ((before,), after) = one.points[0], one.changed[0]
    assert before.length.shape == after.length.shape == (8,)
    assert np.nanmean(after.length - before.length) < -1.0


SHOT = replace(BOWLER, release=RELEASE)


def test_causes_add_up_and_are_the_mean_over_all_orders() -> None:
    """Shapley's value by its definition: the mean marginal effect over the 120 orders of switching."""
    first, second = replace(LINE[0], pin_to_pap=3.0), replace(LINE[2], pin_to_pap=5.0)
    told = asdict(explain(box_ball(first), box_ball(second), LANE, SHOT))
    shares = {trait: told["traits"][trait]["share"] for trait in TRAITS}
    assert sum(shares.values()) + told["other_differences"] == pytest.approx(told["difference"], abs=1e-9)
    assert told["other_differences"] == pytest.approx(0.0, abs=1e-9)
    known: dict[frozenset[str], float] = {}

    def board(traits: frozenset[str]) -> float:
        if traits not in known:
            own = {n: second if n in traits else first for n in TRAITS}
            total, ratio, laid = own["differential"].differential, own["ratio"], own["layout"]
            mixed = replace(
                laid,
                rg=own["rg"].rg,
                differential=total,
                intermediate_differential=total * ratio.intermediate_differential / ratio.differential,
                surface=own["surface"].surface,
            )
            known[traits] = roll(mixed)["entry"]["board"]
        return known[traits]

    for trait in ("rg", "layout"):
        effects = []
        for order in permutations(TRAITS):
            before = frozenset(order[: order.index(trait)])
            effects.append(board(before | {trait}) - board(before))
        assert shares[trait] == pytest.approx(float(np.mean(effects)), abs=1e-6)
        assert told["traits"][trait]["least"] == pytest.approx(min(effects), abs=1e-6)
        assert told["traits"][trait]["greatest"] == pytest.approx(max(effects), abs=1e-6)


def test_a_trait_that_does_not_differ_causes_nothing_and_one_alone_causes_all() -> None:
    second = replace(LINE[1], surface=Surface(grit=500))
    told = asdict(explain(box_ball(LINE[1]), box_ball(second), LANE, SHOT))
    assert told["traits"]["surface"]["share"] == pytest.approx(told["difference"], abs=1e-9)
    assert [told["traits"][t]["share"] for t in TRAITS if t != "surface"] == [0.0] * 4


def test_a_ball_in_the_gutter_cannot_be_explained() -> None:
    lost = replace(BOWLER, release=replace(RELEASE, launch_angle=-6.0))
    with pytest.raises(InvalidInput):
        explain(box_ball(LINE[0]), box_ball(LINE[1]), LANE, lost)


def test_pictures_stand_alone_and_escape_names() -> None:
    ball = box_ball(BoxBall("<script>alert(1)</script>"))
    line = Line((replace(LINE[0], name="<script>alert(1)</script>"), LINE[1]), (BOWLER,), deliveries=4)
    pages = [
        motion_picture(deliver(ball, RELEASE, LANE, samples=101), LANE),
        line_map_picture(line_map(line, LANE), BOWLER.name),
    ]
    for page in pages:
        assert page.startswith("<html>") or page.lower().startswith("<!doctype html>")
        assert "<script>alert" not in page
        assert 'src="http' not in page
        assert "<link" not in page
        # Of the buttons that plotly.js offers, one sends the numbers to its maker; its mark is another.
        settings = json.loads(page[page.rindex('"config":') + 9 : page.rindex("})")])
        assert settings["modeBarButtons"] == [["zoom2d", "pan2d", "resetScale2d", "toImage"]]
        assert settings["displaylogo"] is False
    assert "sharpness" in pages[1]
