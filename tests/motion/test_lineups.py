"""The line-up: places by the same throws, paired differences and their causes, pairs, openings, the sheet."""

from __future__ import annotations

import copy
import json
import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from ballgauge_schemas.motion.lineup_answer import LINEUP_RESULT
from ballgauge_schemas.motion.lineup_request import LINEUP_REQUEST
from ballgauge_schemas.shared.documents import design_example, example, lineup_example
from ballgauge_service.motion.lineup.evaluate import afford
from ballgauge_service.motion.lineup.places import Value
from ballgauge_service.motion.lineup.request import read_lineup
from ballgauge_service.motion.lineup.wording import Wording, decimals

Group = dict[str, Any]
Ask = Callable[[Group], Group]


def ball(name: str, **given: Any) -> Group:
    box = {
        "weight": 15,
        "rg": 2.5,
        "differential": 0.045,
        "layout": {"drilling_angle": 60, "pin_to_pap": 4.5, "val_angle": 35},
        **given,
    }
    return {"name": name, "box": box}


DULL, SHINY = {"grit": 1000}, {"grit": 4000, "polished": True}
LANE = lineup_example("lineup")["lanes"][0]


def asked(*balls: Group, **given: Any) -> Group:
    bowlers = [{"name": "Bela", "bowler": "matched_one_handed"}]
    lanes = [{"pattern": LANE["pattern"], "volumes": [22]}]
    return {"balls": list(balls), "bowlers": bowlers, "lanes": lanes, "deliveries": 8, **given}


@pytest.fixture(scope="module")
def client(app: Any) -> Any:
    return app.test_client()


@pytest.fixture(scope="module")
def ask(client: Any) -> Ask:

    def send(request: Group) -> Group:
        answer = client.post("/v1/lineups", json=request)
        assert answer.status_code == 200, answer.text
        found: Group = answer.json
        LINEUP_RESULT.load(found)
        return found

    return send


@pytest.fixture(scope="module")
def line(ask: Ask) -> Group:
    """The example, answered."""
    return ask(lineup_example("lineup"))


def differences(answer: Group) -> dict[tuple[str, str, int], Group]:
    return {
        (row["name"], each["ball"], each["column"]): each
        for row in answer["bowlers"]
        for each in row["differences"]
    }


def places(answer: Group) -> dict[tuple[str, str, int], Group]:
    return {
        (row["name"], each["ball"], each["column"]): each
        for row in answer["bowlers"]
        for each in row["places"]
    }


def test_the_order_of_the_balls_changes_nothing_but_the_order(ask: Ask) -> None:
    """Against the same balls the other way round; a mean has the same bits, whoever is thrown before."""
    balls = [ball("A"), ball("B", surface=DULL), ball("C", rg=2.6)]
    one = ask(asked(*balls, reference="A"))
    other = ask(asked(*reversed(balls), reference="A"))
    assert places(one) == places(other)
    assert differences(one) == differences(other)
    (row,), (turned,) = one["bowlers"], other["bowlers"]
    assert {frozenset(each["balls"]) for each in row["overlaps"]} == {
        frozenset(each["balls"]) for each in turned["overlaps"]
    }
    assert set(row["pair"]["balls"]) == set(turned["pair"]["balls"])


def test_a_ball_does_not_differ_from_its_twin(ask: Ask) -> None:
    answer = ask(asked(ball("A"), ball("B")))
    (found,) = differences(answer).values()
    for measure in ("reads", "covers", "sharpness", "finish"):
        assert found[measure]["mean"] == found[measure]["uncertainty"] == 0.0
        assert found[measure]["unpaired"] > 0.0
    assert found["effects"] == {"reads": {}, "covers": {}}
    assert found["shares"] == {"reads": None, "covers": None}
    (row,) = answer["bowlers"]
    assert row["overlaps"] == [{"column": 0, "balls": ["A", "B"], "separation": 0.0}]
    assert row["gaps"] == []


def test_a_difference_is_known_better_by_the_same_throws(line: Group) -> None:
    """Var(a − b) = var a + var b − 2 cov: below the unpaired one wherever the throws move both alike."""
    found = differences(line).values()
    assert len(found) == 36
    assert all(0.0 < each["reads"]["uncertainty"] < 0.7 * each["reads"]["unpaired"] for each in found)


def test_a_difference_is_known_better_than_a_delivery(ask: Ask) -> None:
    """Also with oil on the covers, where a wider launch lets one ball cover more and the other less."""
    bowlers = [{"name": "Tove", "bowler": "matched_two_handed"}]
    near, far = ({"drilling_angle": 50, "pin_to_pap": pin, "val_angle": 40} for pin in (3, 5))
    balls = [
        ball("A", rg=2.46, differential=0.02, surface={"grit": 500}, layout=near),
        ball("B", rg=2.58, differential=0.05, surface={"grit": 3500}, layout=far),
        ball("C", rg=2.5, differential=0.03, surface={"grit": 1400}, layout=near),
    ]
    answer = ask(asked(*balls, bowlers=bowlers, oil_on_ball={}, deliveries=24))
    known = places(answer)
    assert len(differences(answer)) == 2
    for place, each in differences(answer).items():
        for measure in ("reads", "covers"):
            assert 0.0 < each[measure]["uncertainty"] < known[place][measure]["uncertainty"]


def test_differences_of_other_throws_lie_as_far_apart_as_told(ask: Ask) -> None:
    """Means over twelve seeds: chi-square of 11 is between 2.6 and 26.8 with a chance of 99 %."""
    balls = [ball("A"), ball("B", surface=SHINY)]
    found = [next(iter(differences(ask(asked(*balls, seed=seed))).values()))["reads"] for seed in range(12)]
    means, told = (np.array([each[name] for each in found]) for name in ("mean", "uncertainty"))
    assert 2.6 < ((means - means.mean()) ** 2).sum() / (told**2).mean() < 26.8


def test_a_difference_is_that_of_the_places(line: Group) -> None:
    known = places(line)
    for (bowler, name, column), each in differences(line).items():
        first, second = known[bowler, line["reference"], column], known[bowler, name, column]
        if first["lost"] == second["lost"] == 0:
            for measure in ("reads", "covers", "sharpness", "finish"):
                expected = second[measure]["mean"] - first[measure]["mean"]
                assert each[measure]["mean"] == pytest.approx(expected, abs=1e-9)


def test_causes_add_up(line: Group) -> None:
    """All shares make one; the effects make the difference of the launch itself, near that of all throws."""
    told = [each for each in differences(line).values() if each["shares"]["reads"]]
    assert len(told) > 20
    for each in told:
        assert sum(each["shares"]["reads"].values()) == pytest.approx(1.0, abs=1e-12)
        whole, single = sum(each["effects"]["reads"].values()), math.sqrt(each["deliveries"])
        assert whole == pytest.approx(each["reads"]["mean"], abs=4.0 * single * each["reads"]["uncertainty"])


def test_a_trait_alone_causes_all_and_one_that_is_the_same_nothing(ask: Ask) -> None:
    found = differences(
        ask(asked(ball("A"), ball("B", surface=DULL), ball("C", rg=2.6), ball("D", rg=2.6, surface=DULL)))
    )
    causes = {name: each["effects"]["reads"] for (_, name, _), each in found.items()}
    assert set(causes["B"]) == {"cover"}
    assert set(causes["C"]) == {"rg"}
    assert set(causes["D"]) == {"cover", "rg"}
    # Two traits have no third to act with: the mean of first and last is the value of Shapley.
    both = sum(causes["D"].values())
    alone = {"cover": causes["B"]["cover"], "rg": causes["C"]["rg"]}
    for name, other in (("cover", "rg"), ("rg", "cover")):
        assert causes["D"][name] == pytest.approx(0.5 * (alone[name] + both - alone[other]), abs=1e-9)


def test_a_calibrated_friction_widens_what_is_known(ask: Ask) -> None:
    curve = {"oiled": 0.04, "dry": 0.2, "scale": 40}
    wide = {**curve, "covariance": [[1e-5, 0, 0], [0, 1e-4, 0], [0, 0, 16]]}
    sure, unsure = (
        differences(ask(asked(ball("A", surface={"grit": 2000}), ball("B", surface={"curve": one}))))
        for one in (curve, wide)
    )
    one, two = next(iter(sure.values())), next(iter(unsure.values()))
    assert two["reads"]["uncertainty"] > 1.3 * one["reads"]["uncertainty"]


def test_more_throws_do_not_make_a_friction_known(ask: Ask) -> None:
    """Scatter counts by its share of so many throws, an uncertain friction in full; a common one cancels."""
    curve = {"oiled": 0.04, "dry": 0.2, "scale": 40, "covariance": [[1e-5, 0, 0], [0, 1e-4, 0], [0, 0, 16]]}
    balls = [ball("A"), ball("B", surface={"curve": curve}), ball("C", rg=2.52, surface={"curve": curve})]
    few, many = (asked(*balls, deliveries=n) for n in (24, 96))
    one, two, alike = (
        next(iter(differences(ask(each)).values()))["reads"]["uncertainty"]
        for each in (few, many, {**many, "reference": "C", "balls": balls[1:]})
    )
    assert two > 0.7 * one
    assert alike < 0.3 * two


def test_oil_on_the_covers_lets_differential_act(ask: Ask) -> None:
    """Common practice, no source: more differential, more hook; by oil carried round, little without."""
    balls = [ball("A", differential=0.01), ball("B", differential=0.055)]
    without, carried = (
        next(iter(differences(ask(asked(*balls, **more))).values()))
        for more in ({}, {"oil_on_ball": {"split": 0.4, "capacity": 1, "footprint": 0.1}})
    )
    assert carried["covers"]["mean"] > without["covers"]["mean"] + 0.5


def test_a_duller_cover_reads_earlier(ask: Ask) -> None:
    """Common practice, no source."""
    answer = ask(asked(ball("dull", surface=DULL), ball("shiny", surface=SHINY), reference="shiny"))
    (found,) = differences(answer).values()
    assert found["reads"]["mean"] < -2.0 * found["reads"]["uncertainty"] < 0.0
    assert found["covers"]["mean"] > 0.0


def test_a_lower_rg_reads_earlier(ask: Ask) -> None:
    """Common practice, no source."""
    (found,) = differences(ask(asked(ball("low", rg=2.46), ball("high", rg=2.65), reference="high"))).values()
    assert found["reads"]["mean"] < 0.0


def test_less_oil_reads_earlier_and_asks_for_a_later_ball(line: Group) -> None:
    """Common practice, no source: as the lanes open, a ball reads earlier, and one takes a weaker one."""
    known = places(line)
    for row in line["bowlers"]:
        reads = [known[row["name"], "Tarn 48", k]["reads"]["mean"] for k in range(3)]
        assert reads == sorted(reads, reverse=True)
        first = next(each for each in row["openings"] if each["ball"] == "Tarn 48")
        assert first["stays"]["reads"]["mean"] < 0.0
        assert abs(first["changed"]["reads"]["mean"]) < abs(first["stays"]["reads"]["mean"])
        assert first["take"] != "Tarn 48"
    assert line["bowlers"][0]["openings"][0]["columns"] == [0, 1]


def test_the_reference_is_lined_up(line: Group) -> None:
    for row in line["bowlers"]:
        assert all(each["aimed"] for each in row["launches"])
        # The same launch in every column of a lane.
        assert all(each == row["launches"][0] for each in row["launches"])
        finish = next(each for each in row["places"] if each["ball"] == "Tarn 48")["finish"]
        assert finish["mean"] == pytest.approx(17.8, abs=2.5)


def test_a_gap_is_between_neighbors_with_nothing_in_it(line: Group) -> None:
    known = places(line)
    gaps = [(row["name"], each) for row in line["bowlers"] for each in row["gaps"]]
    assert gaps
    for bowler, each in gaps:
        reads = [known[bowler, one["name"], each["column"]]["reads"]["mean"] for one in line["balls"]]
        assert not any(each["start"] < one < each["end"] for one in reads)
        assert each["start"] < each["room"]["reads"] < each["end"]


def test_a_ball_may_be_drilled_or_a_design(ask: Ask) -> None:
    """A design laid out is its own box numbers; drilled through its layers it is another ball."""
    spec = design_example("skarn")["design"]
    drilling = example("drilling")["drilling"]
    layout = {"drilling_angle": 60, "pin_to_pap": 4.5, "val_angle": 35}
    whole = {**example("drilling")["ball"], "diameter": 8.59, "rg": 2.49, "differential": 0.048}
    whole = {**whole, "intermediate_differential": 0.012}
    laid_out = {"name": "laid out", "design": {"design": spec, "layout": layout}}
    drilled = {"name": "through", "design": {"design": spec, "drilling": drilling}}
    boxed = {"name": "drilled", "drilled": {"ball": whole, "drilling": drilling}}
    answer = ask(asked(laid_out, drilled, boxed))
    numbers = {each["name"]: each for each in answer["balls"]}
    assert [each["by"] for each in answer["balls"]] == ["design", "design", "drilled"]
    assert numbers["through"]["weight"] < numbers["laid out"]["weight"]
    twin = ball(
        "twin",
        **{n: numbers["laid out"][n] for n in ("weight", "rg", "differential", "intermediate_differential")},
    )
    twin["box"]["diameter"] = spec["diameter"]
    (found,) = differences(ask(asked(laid_out, twin))).values()
    assert abs(found["reads"]["mean"]) < 1e-6


def pointers(client: Any, request: Group) -> dict[str, str]:
    answer = client.post("/v1/lineups", json=request)
    assert answer.status_code == 422, answer.text
    return {each["pointer"]: each["detail"] for each in answer.json["errors"]}


def test_every_bad_field_is_named(client: Any) -> None:
    request = asked(
        ball("A"), ball("A"), {"new": True}, {"name": "D", "box": ball("x")["box"], "drilled": {}}
    )
    request["bowlers"] *= 2
    request |= {
        "reference": "Z",
        "lanes": [{"film": 30, "volumes": [20, 20]}],
        "sheet": {"formats": ["svg", "svg"]},
    }
    assert set(pointers(client, request)) >= {
        "/balls/1/name", "/balls/2/box", "/balls/3/drilled", "/bowlers/1/name", "/lanes/0/volumes/1",
        "/sheet/formats/1",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"reference": "Z"}, "/reference"),
        ({"balls": [ball("A")]}, "/balls"),
        ({"lanes": [{**LANE, "volumes": [20, 21, 22, 23]}] * 2}, "/lanes"),
        ({"lanes": [{"film": 0, "volumes": [20]}]}, "/lanes/0/volumes/0"),
        ({"lanes": [{**LANE, "volumes": [20, "much", 20]}]}, "/lanes/0/volumes/1"),
        ({"lanes": [{**LANE, "volumes": [20, 20, 20]}]}, "/lanes/0/volumes/2"),
        ({"balls": [{"box": ball("A")["box"]}, ball("B")]}, "/balls/0/name"),
        ({"balls": [ball("A", rg=3.2, diameter=7.5), ball("B")]}, "/balls/0/box/rg"),
        ({"balls": [ball("A"), {"name": "B", "design": {"design": {"diameter": 8.5, "solids": []}}}]},
         "/balls/1/design/design/solids"),
        ({"hand": "left", "balls": [ball("A"), {"name": "B", "drilled": {
            "ball": {"weight": 15, "diameter": 8.5}, "drilling": example("drilling")["drilling"]}}]},
         "/balls/1/drilled/drilling/hand"),
        ({"balls": [ball(f"B{k}") for k in range(24)], "deliveries": 200, "bowlers": [
            {"name": f"P{k}", "bowler": "matched_one_handed"} for k in range(12)]}, "/deliveries"),
    ],
)  # fmt: skip
def test_what_cannot_be_lined_up_is_refused(client: Any, change: Group, pointer: str) -> None:
    assert pointer in pointers(client, {**asked(ball("A"), ball("B")), **change})


def test_work_is_priced_before_it_is_done(client: Any) -> None:
    """Twelve balls, six bowlers and three lanes with oil on covers fit; more than twice that does not."""
    request = asked(*(ball(f"B{k}", rg=2.46 + 0.005 * k) for k in range(12)), deliveries=24)
    names = ["speed_dominant_one_handed", "matched_one_handed", "matched_two_handed"]
    request["bowlers"] = [{"name": f"{k} {name}", "bowler": name} for k in range(2) for name in names]
    request["lanes"] = [{**LANE, "volumes": [24, 20, 16]}]
    request["oil_on_ball"] = {}
    afford(read_lineup(LINEUP_REQUEST.load(request), {}))
    assert "/deliveries" in pointers(client, {**request, "deliveries": 60})


def test_lost_deliveries_take_no_part(ask: Ask) -> None:
    """A bowler who throws far too wide loses balls: they are told, and stand in no pair or gap."""
    wide = {"name": "Wide", "bowler": "rev_dominant_two_handed", "scatter": {"launch_angle": 3}}
    answer = ask(asked(ball("A"), ball("B", surface=SHINY), bowlers=[wide], deliveries=12))
    (row,) = answer["bowlers"]
    lost = [each for each in row["places"] if each["lost"]]
    assert lost
    assert not any(each["compared"] for each in lost)
    assert any(each["code"] == "places_left_out" for each in answer["cautions"])
    assert row["pair"] is None
    assert row["openings"] == []


@pytest.mark.parametrize(
    ("uncertainty", "mean", "told"),
    [(0.28, -2.13, "−2.1 ± 0.3"), (0.096, 1.04, "1.0 ± 0.1"), (1.4, 3.6, "4 ± 1"), (12.0, 123.0, "120 ± 10"),
     (0.0, 1.2345, "1.23"), (0.03, -0.001, "0.00 ± 0.03"), (0.0034, 0.01236, "0.012 ± 0.003")],
)  # fmt: skip
def test_no_digit_is_below_the_uncertainty(uncertainty: float, mean: float, told: str) -> None:
    assert Wording().amount(Value(mean, uncertainty)) == told
    assert Wording("de").amount(Value(mean, uncertainty)) == told.replace(".", ",")
    assert decimals(uncertainty) >= -1


def test_sheets_come_in_the_answer_and_alone(client: Any) -> None:
    """The same bytes either way; SVG and HTML hold every name once escaped, and no script."""
    import base64

    request = asked(
        ball("<A & B>"), ball("B", surface=DULL), sheet={"formats": ["svg", "html", "pdf"], "language": "de"}
    )
    request["balls"][1]["new"] = True
    sheets = client.post("/v1/lineups", json=request).json["sheets"]
    for kind, media in (("svg", "image/svg+xml"), ("html", "text/html"), ("pdf", "application/pdf")):
        alone = client.post("/v1/lineups", json=request, headers={"Accept": media})
        assert alone.mimetype == media
        given = base64.b64decode(sheets[kind]) if kind == "pdf" else sheets[kind].encode()
        assert alone.data == given
    for kind in ("svg", "html"):
        assert "&lt;A &amp; B&gt;" in sheets[kind]
        assert "<A & B>" not in sheets[kind]
        assert "<script" not in sheets[kind]
        assert "http" not in sheets[kind].replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "")
    placed = re.findall(r'x="([\d.]+)"[^>]* textLength="([\d.]+)"', sheets["svg"])
    assert len(placed) > 10
    assert max(float(x) + float(length) for x, length in placed) <= 210 - 11 + 0.01, "wider than the sheet"
    assert 'lang="de"' in sheets["html"]
    assert base64.b64decode(sheets["pdf"]).count(b"/Type /Page\n") == 1


def test_progress_comes_before_the_result(client: Any) -> None:
    request = asked(ball("A"), ball("B"))
    lines = client.post(
        "/v1/lineups", json=request, headers={"Accept": "application/x-ndjson"}
    ).text.splitlines()
    events = [json.loads(each) for each in lines]
    assert [each.get("doing") for each in events[:-1]] == ["Bela", "sheet"]
    assert events[-1]["result"] == client.post("/v1/lineups", json=request).json


def test_left_handers_mirror_right_handers(ask: Ask) -> None:
    """On a pattern that is its own mirror image: the same numbers."""
    balls = [ball("A"), ball("B", surface=DULL)]
    films = [{"boards": [1, 39], "film": 40}]
    lanes = [{"pattern": {"zones": [{"from": 0, "to": 38, "films": films}]}}]
    right, left = (differences(ask(asked(*balls, lanes=lanes, hand=hand))) for hand in ("right", "left"))
    one, two = next(iter(right.values())), next(iter(left.values()))
    assert one["reads"]["mean"] == pytest.approx(two["reads"]["mean"], abs=1e-3)
    assert one["covers"]["mean"] == pytest.approx(two["covers"]["mean"], abs=1e-3)


def test_the_mean_place_is_where_the_path_turned(ask: Ask) -> None:
    """Against the path of the motion itself: board and distance at a quarter of the turn."""
    from ballgauge_service.motion.balls import BoxBall, box_ball
    from ballgauge_service.motion.bowlers import Release
    from ballgauge_service.motion.delivery import deliver
    from ballgauge_service.motion.lanes import uniform_lane
    from ballgauge_service.motion.starts import to_board
    from ballgauge_service.physics.motion import equations as eq
    from ballgauge_service.physics.motion import notes

    thrown = deliver(box_ball(BoxBall()), Release(phase=30.0), uniform_lane(30.0), samples=20001)
    heading = np.arctan2(thrown.samples[:, 1 + eq.VX], thrown.samples[:, 1 + eq.VY])
    turned = np.abs(heading - heading[0]) >= notes.EARLY * abs(thrown.row[notes.TURN_TOTAL])
    first = thrown.samples[int(np.argmax(turned))]
    assert thrown.row[notes.TURN_START] == pytest.approx(first[1 + eq.Y], abs=0.1)
    assert to_board(thrown.row[notes.TURN_START_X], 1.0) == pytest.approx(
        float(to_board(first[1 + eq.X], 1.0)), abs=0.01
    )


def test_the_request_is_left_alone(ask: Ask) -> None:
    request = asked(ball("A"), ball("B"))
    before = copy.deepcopy(request)
    ask(request)
    assert request == before
