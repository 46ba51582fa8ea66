"""Decisions on lots from files: what is judged is what was given, and a row is counted as what it is."""

from __future__ import annotations

import io
import re
from typing import Any

import numpy as np
import pytest
from marshmallow import ValidationError
from scipy import stats

from ballgauge_schemas import LOT_REQUEST
from ballgauge_schemas.lot.answer import LOT_RESULT, LOT_SERIES_RESULT
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.evaluate import Lot, evaluate_series
from ballgauge_service.lot.report.page import write_report
from ballgauge_service.lot.request import request_of_lot
from ballgauge_service.lot.sampling.choice import PlanWanted, Sampling, choose_plan

from .conftest import workbook, written
from .test_assessment import SAMPLE, asked, judged

HEAD = "serial,weight,hardness,oil_absorption_time,roughness,approved_on"


def lot_of(count: int, *rows: str, day: str = "2024-03-01", head: str = HEAD) -> str:
    """A lot of good balls, then `rows`."""
    good = [f"A{n:05d},15,75,600,30,{day}" for n in range(count)]
    return "\n".join([head, *good, *rows]) + "\n"


def decided(text: str | bytes, **options: Any) -> dict[str, Any]:
    """The whole answer on a lot, within the scope of what it measures; it fits the contract."""
    answer = judged(text, **{"scope": "measured", **options})
    LOT_RESULT.load(answer)
    return answer


def verdict(answer: dict[str, Any]) -> tuple[bool | None, int, int]:
    counts = answer["counts"]
    return answer["acceptance"]["lot_accepted"], counts["balls"], counts["nonconforming"]


@pytest.mark.parametrize(
    ("day", "odd", "rule"),
    [
        ("2015-01-01", "B1,15,75,100,30,2015-01-01", "oil_absorption_sample"),
        ("2008-01-01", "B1,15,75,600,70,2008-01-01", "roughness_sample"),
    ],
)
def test_a_rule_on_samples_binds_the_balls_approved_since_it(day: str, odd: str, rule: str) -> None:
    """Against the rules' dates: oil absorption binds approvals from 2020-08-01, roughness from April 2009."""
    older = decided(lot_of(79, odd, day=day), sampling=SAMPLE)
    (found,) = [each for each in older["sample_rules"] if each["rule"] == rule]
    assert (found["outcome"], found["balls_not_bound"]) == ("not_assessed", 80)
    assert verdict(older) == (True, 80, 0)
    # Beside them one ball that the rule binds, and breaks: it alone is judged, the others are told apart.
    newer = decided(lot_of(79, odd.replace(day, "2024-03-01"), day=day), sampling=SAMPLE)
    (found,) = [each for each in newer["sample_rules"] if each["rule"] == rule]
    assert (found["outcome"], found["balls_not_bound"]) == ("nonconforming", 79)
    assert found["result"]["count"] == 1
    assert newer["acceptance"]["lot_accepted"] is False
    assert newer["acceptance"]["by_count"]["outcome"] == "conforming"
    assert found["title"] in newer["acceptance"]["message"]
    assert "plan" not in newer["acceptance"]["message"]


def test_limits_of_a_size_are_shown_as_printed_and_counted_as_judged() -> None:
    """8.499988 in is 26.7035 in by tape, which is kept; the limit printed is 8.500 in."""
    sizes = [8.5, 8.49999, 8.4999, 8.595, 8.59500354, 8.5951, 8.55, 8.56]
    rows = "\n".join(f"A{n},15,{size!r}" for n, size in enumerate(sizes))
    answer = decided(f"serial,weight,diameter\n{rows}\n", sampling={"rows": "every_ball"})
    (found,) = [each for each in answer["quantities"] if each["quantity"] == "diameter"]
    assert (found["limits"]["min"], found["limits"]["max"]) == (8.5, 8.595)
    assert found["counted_outside"] == {"below": 1, "above": 1}
    assert answer["counts"]["nonconforming"] == 2


@pytest.mark.parametrize(
    ("day", "on", "accepted"),
    [("", "2026-01-01", None), ("", "2019-01-01", True), ("2021-01-01", "2026-01-01", False)],
)
def test_a_rule_on_samples_that_may_not_bind_rejects_nothing(
    day: str, on: str, accepted: bool | None
) -> None:
    """Against the ball itself, whose verdict by the same rule is open without its day of approval."""
    text = lot_of(79, f"B1,15,80,100,30,{day}", day=day).replace(",75,", ",80,")
    found = decided(text, sampling=SAMPLE, rules={"on": on})
    assert found["acceptance"]["lot_accepted"] is accepted
    oil = [each["outcome"] for each in found["sample_rules"] if each["rule"] == "oil_absorption_sample"]
    assert oil == {None: ["inconclusive"], True: [], False: ["nonconforming"]}[accepted]


def bad(count: int, first: int = 0) -> list[str]:
    """Balls too soft."""
    return [f"B{first + n:05d},15,60,600,30,2024-03-01" for n in range(count)]


STATISTICS = ("{},15,75,600,30,", "{},15,60,600,30,", "{},16.4,90,600,30,")


@pytest.mark.parametrize(
    "words",
    [
        ("Mean", "Min", "Max"),
        ("AVERAGE:", "Std Dev", "Total"),
        ("Mittelwert", "Minimum", "Maximum"),
        ("Promedio", "Mínimo", "Máximo"),
        ("Moyenne", "étendue", "Écart type"),
    ],
)
def test_rows_below_the_table_are_no_balls(words: tuple[str, ...]) -> None:
    """Against the same file without them: the same counts, statistics and decision, and the rows told."""
    plain = lot_of(77, *bad(3))
    rows = [form.format(word) for form, word in zip(STATISTICS, words, strict=True)]
    found, without = (decided(text, sampling=SAMPLE) for text in (plain + "\n".join(rows), plain))
    assert verdict(found) == verdict(without) == (False, 80, 3)
    assert found["left_out"]["no_balls"]["listed"] == [
        {"row": 82 + k, "word": word} for k, word in enumerate(words)
    ]
    assert {**found["counts"], "left_out": 0} == without["counts"]
    assert [each["mean"] for each in found["quantities"]] == [e["mean"] for e in without["quantities"]]
    assert "no_balls" in [each["code"] for each in found["cautions"]]


def test_formulas_below_a_sheets_table_are_no_balls() -> None:
    """Against the sheet: the mean is a formula, which has no stored value, and leaves the lot accepted."""
    rows = [["serial", "weight"], *[[f"A{n}", 15.0] for n in range(80)], ["Mean", "=AVERAGE(B2:B81)"]]
    found = decided(workbook(rows), sampling=SAMPLE, name="lot.xlsx")
    assert (*verdict(found), found["left_out"]["rows"]) == (True, 80, 0, 0)
    assert found["left_out"]["no_balls"]["listed"] == [{"row": 82, "word": "Mean"}]


@pytest.mark.parametrize("row", ["Total,80", "Total", "Total,,,,,", "  total ,1207,,,,"])
def test_a_total_is_not_a_ball_that_could_not_be_read(row: str) -> None:
    """Against the file without it: a trailing line leaves an accepted lot accepted."""
    found = decided(lot_of(80) + row + "\n", sampling=SAMPLE)
    assert (*verdict(found), found["left_out"]["rows"]) == (True, 80, 0, 0)
    assert found["left_out"]["no_balls"]["count"] == 1


def test_a_first_column_that_stands_for_nothing_may_say_it_too() -> None:
    """Against the mapping: the column is left out, and its words still set rows apart."""
    text = "item,weight\n" + "1,15\n" * 80 + "Mean,15\nMax,16.4\n"
    found = decided(text, sampling=SAMPLE, file={"mapping": {"item": None}})
    assert (*verdict(found), found["left_out"]["no_balls"]["count"]) == (True, 80, 0, 2)


def test_rows_that_the_caller_names_are_no_balls() -> None:
    """Against the request: row 82 is ignored, whatever stands there."""
    for row in ("A1,oops", "X1,16.9,60,1,1,2024-03-01"):
        found = decided(lot_of(80) + row, sampling=SAMPLE, file={"rows_ignored": [82]})
        assert verdict(found) == (True, 80, 0)
        assert found["left_out"]["no_balls"]["listed"] == [{"row": 82, "word": None}]


@pytest.mark.parametrize(
    ("good", "failing", "accepted"),
    [(100, 100, False), (90, 10, False), (0, 200, False), (120, 0, True), (149, 1, True)],
)
def test_more_balls_than_the_sample_decide_too(good: int, failing: int, accepted: bool) -> None:
    """Against the plan, 80 balls and at most 2: a drawn sample decides otherwise less than once in 5e4."""
    text = lot_of(good, *bad(failing))
    found = decided(text, sampling=SAMPLE)
    by_count = found["acceptance"]["by_count"]
    assert verdict(found)[0] is accepted
    assert (by_count["drawn"]["seed"], by_count["drawn"]["drawn_from"]) == (0, good + failing)
    assert len(set(by_count["drawn"]["rows"])) == 80
    lines = text.splitlines()
    drawn = [lines[row - 1] for row in by_count["drawn"]["rows"]]
    assert sum(line.startswith("B") for line in drawn) == by_count["nonconforming"]
    # The same balls in another order of the file.
    head, *rows = lines
    turned = [head, *reversed(rows)]
    again = decided("\n".join(turned), sampling=SAMPLE)["acceptance"]["by_count"]
    assert {turned[row - 1] for row in again["drawn"]["rows"]} == set(drawn)


def test_a_sample_is_drawn_evenly() -> None:
    """Against the hypergeometric mean over 100 seeds: 30 of 300 balls bad, 20 unread, 80 drawn."""
    text = lot_of(250, *bad(30), *["C1,15,?,600,30,2024-03-01"] * 20)
    found = [
        decided(text, sampling={**SAMPLE, "seed": seed})["acceptance"]["by_count"] for seed in range(100)
    ]
    drawn = sum(each["nonconforming"] for each in found) / 100
    assert drawn == pytest.approx(8, abs=4 * 2.3 / 10)
    unread = sum(each["undecided"] for each in found) / 100
    assert unread == pytest.approx(80 * 20 / 300, abs=4 * 1.9 / 10)


def test_every_ball_measured_names_the_balls_to_remove() -> None:
    """Against arithmetic: 8 bad of 1000 at AQL 1 %: accepted without them, 992 remain."""
    sampling = {"rows": "every_ball", "plan": {"aql": 1.0}}
    acceptance = decided(lot_of(992, *bad(8)), sampling=sampling)["acceptance"]
    assert (acceptance["lot_accepted"], acceptance["to_remove"], acceptance["remaining"]) == (True, 8, 992)
    assert "8 nonconforming balls" in acceptance["message"]


def test_one_ball_is_one_ball() -> None:
    """Against counting serials: copies of a row fill no sample."""
    row = "A1,15,75,600,30,2024-03-01"
    found = decided("\n".join([HEAD, *[row] * 80]), sampling=SAMPLE)
    assert (found["acceptance"]["lot_accepted"], found["counts"]["balls"]) == (None, 1)
    assert (found["counts"]["rows"], found["counts"]["repeated"]) == (80, 79)
    assert found["left_out"]["repeated_serials"]["contradictory"] == 0
    good = lot_of(40)
    copies = good.split("\n", 1)[1]
    for again in (copies, copies.lower()):
        twice = decided(good + again, sampling=SAMPLE)
        assert (twice["acceptance"]["lot_accepted"], twice["counts"]["balls"]) == (None, 40)
        assert [each["count"] for each in twice["quantities"]] == [40] * len(twice["quantities"])


def test_readings_that_contradict_each_other_are_told_and_the_worst_counts() -> None:
    """Against the file: A00003 again, too soft; A00004 again, as before; in any order and by any chunk."""
    again = ["A00003,15,60,600,31,2024-03-01", "A00004,15,75,600,30,2024-03-01"]
    text = lot_of(80, *again)
    for chunk in (None, 200):
        found = decided(text, chunk=chunk, sampling=SAMPLE)
        assert verdict(found) == (True, 80, 1)
        repeats = found["left_out"]["repeated_serials"]
        assert repeats["contradictory"] == 1
        assert [each["differs"] for each in repeats["listed"]] == [["hardness", "roughness"], []]


def test_statistics_take_a_ball_once() -> None:
    """Against the mean of each ball's rows: ten rows of one soft ball weigh as one ball."""
    rows = [f"A{n},15,75,600,30,2024-03-01" for n in range(9)]
    again = [f"B,15,{hardness},600,30,2024-03-01" for hardness in (80, 81, 82)]
    found = decided("\n".join([HEAD, *rows, *again]))
    (hardness,) = [each for each in found["quantities"] if each["quantity"] == "hardness"]
    assert (hardness["count"], hardness["mean"], hardness["maximum"]) == (10, 75.6, 81)
    assert sum(hardness["histogram"]["counts"]) == 10
    assert len(hardness["run_chart"]["points"]) == 10
    assert found["left_out"]["repeated_serials"]["contradictory"] == 2


def series(*lots: str, **sampling: Any) -> dict[str, Any]:
    """The answer on several lots, which fits the contract."""
    held = []
    for number, text in enumerate(lots):
        request = asked(scope="measured", sampling={**SAMPLE, **sampling})
        lot = Lot(io.BytesIO(text.encode()), f"lot{number}.csv", request_of_lot(request, number))
        for _ in lot:
            pass
        held.append(lot)
    answer = evaluate_series(held)
    LOT_SERIES_RESULT.load(answer)
    return answer


def test_each_lot_of_a_series_is_judged_by_the_plan_in_force() -> None:
    """Against ISO 2859-1 (from memory): two of five not accepted, then tightened, J accepts on 1."""
    lots = [lot_of(80 - count, *bad(count)) for count in (3, 3, 2, 2, 1, 0)]
    answer = series(*lots)
    decisions = [lot["acceptance"]["lot_accepted"] for lot in answer["lots"]]
    assert decisions == [False, False, False, False, True, True]
    assert answer["lots_accepted"] == 2
    assert [lot["plan"]["inspection"] for lot in answer["lots"]] == ["normal"] * 2 + ["tightened"] * 4
    assert [step["outcome"] for step in answer["switching"]] == [
        lot["acceptance"]["by_count"]["outcome"] for lot in answer["lots"]
    ]
    page = write_report(answer)
    assert "2 of 6 lots accepted" in page


def test_a_series_is_the_same_lot_by_lot() -> None:
    """Against the series at once: each answer's state is the next request's history."""
    lots = [lot_of(80 - count, *bad(count)) for count in (3, 3, 1, 1, 1, 1, 1, 3)]
    whole = series(*lots)
    sampling: dict[str, Any] = dict(SAMPLE)
    for text, other in zip(lots, whole["lots"], strict=True):
        answer = decided(text, sampling=sampling)
        assert answer["acceptance"] == other["acceptance"]
        sampling = {**SAMPLE, "history": answer["sampling"]["state"]}
    assert sampling["history"] == whole["sampling"]["state"]
    assert sampling["history"]["inspection"] == "normal"


def test_balls_that_were_not_read_never_lead_to_reduced_inspection() -> None:
    """Against the outcomes: 20 of 80 balls unread is no accepted lot; five such stop acceptance."""
    unread = lot_of(60, *[f"C{n},15,?,600,30,2024-03-01" for n in range(20)])
    answer = series(*[unread] * 12)
    assert answer["lots_accepted"] == 0
    assert [lot["plan"]["inspection"] for lot in answer["lots"]] == ["normal"] * 2 + ["tightened"] * 10
    assert len(answer["switching"]) == 7
    assert answer["sampling"]["state"]["discontinued"] is True
    assert "discontinued" in answer["lots"][-1]["acceptance"]["message"]
    # A good lot is not accepted then either; nor is one that the sample rules reject called undecided.
    after = decided(lot_of(80), sampling={**SAMPLE, "history": answer["sampling"]["state"]})
    assert (after["acceptance"]["lot_accepted"], after["acceptance"]["outcome"]) == (None, "not_assessed")


def test_good_lots_lead_to_reduced_inspection_whose_sample_is_drawn() -> None:
    """Against ISO 2859-1 (from memory): a score of 30 in ten lots, then J reduced: 32, accepts on 1."""
    answer = series(*[lot_of(80)] * 11)
    plan, by_count = answer["lots"][-1]["plan"], answer["lots"][-1]["acceptance"]["by_count"]
    assert (plan["inspection"], plan["sample_size"], plan["acceptance_number"]) == ("reduced", 32, 1)
    assert by_count["drawn"]["drawn_from"] == 80
    assert answer["lots_accepted"] == 11


def test_lots_of_a_series_have_their_own_sizes() -> None:
    """Against ISO 2859-1 (from memory): 200 balls are letter G, whose arrow leads to 50; 1000 are J, 80."""
    lots = [lot_of(80), lot_of(50)]
    sampling = {"lot_sizes": [1000, 200], "plan": {"aql": 1.0}}
    held = []
    for number, text in enumerate(lots):
        request = request_of_lot(asked(scope="measured", sampling=sampling), number)
        held.append(Lot(io.BytesIO(text.encode()), None, request))
        list(held[-1])
    answer = evaluate_series(held)
    assert [lot["plan"]["sample_size"] for lot in answer["lots"]] == [80, 50]
    assert answer["lots_accepted"] == 2
    with pytest.raises(InvalidInput) as refused:
        evaluate_series(held[:1] * 3)
    assert [fault.pointer for fault in refused.value.faults] == ["/sampling/lot_sizes"]


@pytest.mark.parametrize(
    ("sampling", "pointer"),
    [
        ({**SAMPLE, "history": {"inspection": "tightened", "aql": 0.65}}, ["history", "aql"]),
        ({**SAMPLE, "history": {"inspection": "tightened", "aql": 1.0, "level": "I"}}, ["history", "level"]),
        ({"rows": "every_ball", "history": {"inspection": "tightened", "aql": 1.0}}, ["history"]),
        ({**SAMPLE, "lot_sizes": [10]}, ["lot_sizes"]),
    ],
)
def test_a_history_of_another_plan_is_refused(sampling: dict[str, Any], pointer: list[str]) -> None:
    """Against the request's own fields."""
    with pytest.raises(ValidationError) as refused:
        LOT_REQUEST.load({"sampling": sampling})
    errors: Any = refused.value.messages
    for name in ["sampling", *pointer]:
        errors = errors[name]


@pytest.mark.parametrize(
    ("column", "values"),
    [
        ("weight", [6.80 + 0.01 * (n % 8) for n in range(80)]),
        ("weight", [15.0 + 0.01 * (n % 8) for n in range(70)] + [6.80 + 0.01 * (n % 8) for n in range(10)]),
        ("weight", [15.0 + 0.01 * (n % 8) for n in range(79)] + [6.83]),
        (
            "weight",
            [12 + 0.1 * (n % 41) for n in range(40)] + [(12 + 0.1 * (n % 41)) / 2.2046 for n in range(40)],
        ),
        ("weight", [6.83]),
        ("roughness", [0.6 + 0.01 * (n % 30) for n in range(80)]),
        (
            "oil_absorption_time",
            [660.0 + n % 8 for n in range(70)] + [11.0 + 0.1 * (n % 3) for n in range(10)],
        ),
    ],
)
def test_a_unit_that_cannot_be_is_asked_for(column: str, values: list[float]) -> None:
    """Against the pound of 0.45359237 kg and the minute of 60 s: no pass; with the unit it is judged."""

    def text(heading: str) -> str:
        head = heading if column == "weight" else f"weight,{heading}"
        return (
            "\n".join([head, *(f"{x:.2f}" if column == "weight" else f"15,{x:.2f}" for x in values)]) + "\n"
        )

    with pytest.raises(InvalidInput) as refused:
        judged(text(column), scope="measured")
    (fault,) = refused.value.faults
    assert (fault.pointer, fault.column) == ("/file", column)
    unit = {"weight": "lb", "roughness": "µin"}.get(column, "s")
    assert judged(text(f"{column} [{unit}]"), scope="measured")["counts"]["balls"] == len(values)


ROUND, ROUGH = [0.001 * (1 + n % 8) for n in range(78)], [15.0 + n % 30 for n in range(78)]
MIXED, TIMES = [10 + 0.1 * (n % 58) for n in range(78)], [400.0 + 5 * n for n in range(78)]


@pytest.mark.parametrize(
    ("column", "cells", "rows"),
    [
        # Two of eighty in kilograms, of one model or of many weights; one of them named, in text.
        ("weight", [*MIXED, 6.8, 6.35], [80, 81]),
        ("weight", [*[15.0] * 78, 6.8, 6.8], [80, 81]),
        ("weight", [*MIXED, "6.8 kg", 6.35], [81]),
        ("weight", [15.0, 6.8], [3]),
        ("drilled_weight", [*MIXED, 6.8, 6.35], [80, 81]),
        # In millimeters, micrometers, minutes, with a nought among the others.
        ("roundness", [*ROUND, 0.1, 0.2], [80, 81]),
        ("roundness", [0.0, *ROUND, 0.15], [81]),
        ("roughness", [*ROUGH, 0.6, 0.8], [80, 81]),
        ("oil_absorption_time", [*TIMES, 10.4, 11.0], [80, 81]),
        ("oil_absorption_time", ["10:24"] * 78 + [10.4, 10.5], [80, 81]),
        # Pounds among kilograms, and a whole column, its overweight ball included.
        ("weight", [*[6.8] * 78, 15.1, 14.9], None),
        ("weight", [*[6.8] * 78, 7.3, 7.9], None),
        ("roundness", [25.4 * value for value in ROUND], None),
        ("oil_absorption_time", [value / 60 for value in TIMES], None),
        # More balls than are kept one by one.
        ("weight", [*MIXED * 1300, 6.8, 6.35], None),
    ],
)
def test_few_readings_in_another_unit_are_asked_for(column: str, cells: list[Any], rows: Any) -> None:
    """Against the rows where they stand, which the refusal names, and the same file with the unit named."""
    plain = [cell if isinstance(cell, str) else f"{cell:.4f}" for cell in cells]

    def text(heading: str) -> str:
        head = heading if column == "weight" else f"weight,{heading}"
        return "\n".join([head, *(cell if column == "weight" else f"15,{cell}" for cell in plain)]) + "\n"

    with pytest.raises(InvalidInput) as refused:
        judged(text(column), scope="measured")
    (fault,) = refused.value.faults
    assert (fault.pointer, fault.column, fault.row) == ("/file", column, rows[0] if rows else None)
    for row in rows or ():
        assert re.search(rf"\b{row}\b", fault.words)
    unit = {"roundness": "in", "roughness": "µin", "oil_absorption_time": "s"}.get(column, "lb")
    found = judged(text(f"{column} [{unit}]").replace(" kg", ""), scope="measured")
    assert found["counts"]["rows"] == len(cells)


@pytest.mark.parametrize(
    ("column", "cells", "bad"),
    [
        ("weight", [15.0] * 79 + [16.4], 1),
        ("weight", [15.0] * 79 + [10.0], 0),
        ("weight", [6.0, 8.0, 10.0, 12.0, 14.0, 15.9] * 10, 0),
        # Balls of children: whole and half numbers are pounds, of few balls and of more than are kept.
        ("weight", [6.0, 7.0, 6.5] * 20, 0),
        ("weight", [6.0, 7.0] * 60_000, 0),
        ("roundness", [*ROUND, 0.015, 0.03], 2),
        ("oil_absorption_time", [*TIMES, 90.0, 100.0], 2),
        ("roughness", [*ROUGH, 140.0, 90.0], 2),
    ],
)
def test_a_true_outlier_is_judged(column: str, cells: list[float], bad: int) -> None:
    """Against the limits: what no other unit puts among the others is a ball like any."""
    head, first = ("weight", "") if column == "weight" else (f"weight,{column}", "15,")
    body = "".join(f"{first}{cell},2024-03-01\n" for cell in cells)
    found = judged(f"{head},approved_on\n{body}", scope="measured")
    assert found["counts"]["nonconforming"] == bad


@pytest.mark.parametrize("kind", ["csv", "xlsx", "ndjson", "parquet"])
def test_a_lot_without_weights_is_judged_by_what_is_measured(kind: str) -> None:
    """Against the rules: hardness decides; all rules together still ask for the weight."""
    day = {"approved_on": "2024-03-01"}
    rows = [{"serial": f"A{n}", "hardness": 80.0, "roughness": 30.0, **day} for n in range(80)]
    data, name = written(rows, kind), f"lot.{kind}"
    found = decided(data, name=name, sampling=SAMPLE, scope="measured")
    assert verdict(found) == (True, 80, 0)
    assert "Weight" in found["acceptance"]["not_judged"]
    rough = [each for each in found["sample_rules"] if each["rule"] == "roughness_sample"]
    assert [each["outcome"] for each in rough] == ["not_assessed"]
    soft = [{**row, "hardness": 60.0} if n < 3 else row for n, row in enumerate(rows)]
    assert verdict(decided(written(soft, kind), name=name, sampling=SAMPLE, scope="measured"))[0] is False
    with pytest.raises(InvalidInput) as refused:
        decided(data, name=name, sampling=SAMPLE, scope="all")
    assert {fault.column for fault in refused.value.faults} >= {"weight"}


def test_a_lot_of_which_nothing_was_measured_is_no_pass() -> None:
    """Against the rules: no value is refused, and a value that no rule judges decides nothing."""
    for text in ("serial\nA\nB\n", "serial,hardness\nA,\nB,\n"):
        with pytest.raises(InvalidInput):
            decided(text)
    rows = "".join(f"A{n},2\n" for n in range(80))
    found = decided(f"serial,pin_to_cg\n{rows}", sampling=SAMPLE)
    assert (found["acceptance"]["lot_accepted"], found["counts"]["not_assessed"]) == (None, 80)


def test_the_drilled_weight_alone_is_judged_in_play() -> None:
    """Against 16 lb."""
    found = judged(
        "drilled_weight\n15.2\n16.4\n", scope="measured", rules={"stage": "play", "on": "2026-01-01"}
    )
    assert found["counts"]["nonconforming"] == 1


def test_light_balls_and_mixed_weights_are_no_slip_of_the_unit() -> None:
    """Against the cells: those that name their unit, and a delivery of every weight from 6 to 16 lb."""
    assert judged("weight\n" + "6.8 lb\n" * 80, scope="measured")["counts"]["balls"] == 80
    every = "".join(f"{weight}.05\n" for weight in range(6, 16))
    assert judged("weight\n" + every * 8, scope="measured")["counts"]["balls"] == 80


def test_a_variables_plan_decides_on_normal_data_alone() -> None:
    """Against the test of normality: balls of two machines, none of them outside."""
    plan = {"quantity": "hardness", "aql": 1.0, "limiting_quality": 6.5}
    two = "serial,weight,hardness\n" + "".join(
        f"A{n},15,{(74 if n % 2 else 84) + 0.1 * (n % 7):.1f}\n" for n in range(80)
    )
    found = decided(two, sampling={"variables": [plan]})
    (test,) = found["variables"]
    assert (test["outcome"], found["acceptance"]["lot_accepted"]) == ("inconclusive", None)
    assert "Anderson-Darling" in next(r for r in found["acceptance"]["reasons"] if "Variables" in r)
    taken = decided(two, sampling={"variables": [{**plan, "accept_non_normal": True}]})["variables"][0]
    assert taken["outcome"] == taken["decision"]["outcome"] != "inconclusive"


@pytest.mark.parametrize("digits", [1, 2, 3])
def test_a_gauge_with_steps_is_not_taken_for_balls_that_are_not_normal(digits: int) -> None:
    """Against normal quantiles with sd 0.3, written to the tenth: the same decision at every reading."""
    quantiles = stats.norm.ppf((np.arange(80) + 0.5) / 80)
    rows = "".join(f"15,{75 + 0.3 * x:.{digits}f},2024-03-01\n" for x in quantiles)
    plan = {"quantity": "hardness", "aql": 1.0, "limiting_quality": 6.5}
    found = decided("weight,hardness,approved_on\n" + rows, sampling={"variables": [plan]})
    assert found["variables"][0]["outcome"] == "conforming"


@pytest.mark.parametrize(
    ("center", "approved", "outcome"),
    [
        # 78 D may bind balls of no known day, with an oil absorption time and a core of no known kind.
        (75.0, "", "inconclusive"),
        (75.0, "2025-12-31", "inconclusive"),
        (75.0, "2025-12-30", "conforming"),
        # Every era agrees.
        (80.0, "", "conforming"),
        (70.0, "", "nonconforming"),
    ],
)
def test_a_variables_plan_does_not_reject_by_one_era_alone(
    center: float, approved: str, outcome: str
) -> None:
    """Against the eras of hardness: 72 and 73 D, and 78 D from 2025-12-31 where time and core say so."""
    quantiles = stats.norm.ppf((np.arange(80) + 0.5) / 80)
    rows = "".join(f"15,{center + 0.3 * x:.2f},{approved}\n" for x in quantiles)
    plan = {"quantity": "hardness", "aql": 1.0, "limiting_quality": 6.5}
    found = decided("weight,hardness,approved_on\n" + rows, sampling={"variables": [plan]})
    (test,) = found["variables"]
    assert test["outcome"] == outcome
    named = "open without approved_on" if not approved else "open without high_performance_core"
    assert (named in test["message"]) is (outcome == "inconclusive")
    (hardness,) = [each for each in found["quantities"] if each["quantity"] == "hardness"]
    assert any("is open without" in note for note in hardness["notes"]) is (approved != "2025-12-30")


@pytest.mark.parametrize(("lot_size", "aql", "expected"), [(50, 0.65, 0.87), (90, 0.65, 0.8700)])
def test_small_lots_are_not_accepted_always(lot_size: int, aql: float, expected: float) -> None:
    """Against lots of the two next whole numbers of bad balls, mixed to the quality: 20 of 50 balls drawn."""
    plan = choose_plan(Sampling(lot_size=lot_size, plan=PlanWanted("table", 0.05, 0.1, aql=aql)))
    assert plan is not None
    mean = lot_size * aql / 100
    accepted = [
        stats.hypergeom.cdf(plan.acceptance_number, lot_size, count, plan.sample_size) for count in (0, 1)
    ]
    assert plan.acceptance_at_aql == pytest.approx((1 - mean) * accepted[0] + mean * accepted[1])
    assert plan.acceptance_at_aql == pytest.approx(expected, abs=0.01)
    assert plan.curve_type == "A"
    without = choose_plan(
        Sampling(stated_rows="sample", plan=PlanWanted("two_point", 0.05, 0.1, aql=1.0, limiting_quality=6.0))
    )
    assert without is not None
    assert without.curve_type == "B"


@pytest.mark.parametrize("kind", ["csv", "xlsx", "ndjson", "parquet"])
def test_columns_of_no_known_name_are_left_out_and_told(kind: str) -> None:
    """Against the file without them: the same counts; where asked, such a file is refused, naming each."""
    rows = [{"pallet": f"P{n}", "serial": f"A{n}", "weight": 15.0, "shelf": "x"} for n in range(80)]
    data, name = written(rows, kind), f"lot.{kind}"
    found = decided(data, name=name, sampling=SAMPLE)
    assert verdict(found) == (True, 80, 0)
    assert [each["heading"] for each in found["file"]["columns"] if each["field"] is None] == [
        "pallet",
        "shelf",
    ]
    (caution,) = [each for each in found["cautions"] if each["code"] == "columns_ignored"]
    assert "'pallet', 'shelf'" in caution["message"]
    with pytest.raises(InvalidInput) as refused:
        decided(data, name=name, sampling=SAMPLE, file={"unknown_columns": "refuse"})
    assert [fault.column for fault in refused.value.faults] == ["pallet", "shelf"]


@pytest.mark.parametrize("heading", ["hardnes", "Hardnness", "weight [mm]", "rouhgness"])
def test_a_heading_that_is_nearly_a_name_is_asked_about(heading: str) -> None:
    """Against the names: a slip of the pen would leave a rule without its column."""
    other = "15" if heading.startswith("weight") else "75"
    with pytest.raises(InvalidInput) as refused:
        decided(f"weight,{heading}\n15,{other}\n" if other == "75" else f"{heading}\n15\n")
    assert [fault.column for fault in refused.value.faults] == [heading]


@pytest.mark.parametrize("bad", [0, 40])
@pytest.mark.parametrize("sampling", [{}, {"rows": "sample"}, {"rows": "sample", "lot_size": 500}])
def test_a_lot_without_a_plan_is_decided_by_none(bad: int, sampling: dict[str, Any]) -> None:
    """The sentence names a plan where there is one alone."""
    odd = [f"B{n},15,60,600,30,2024-03-01" for n in range(bad)]
    planned = decided(lot_of(80, *odd), sampling=SAMPLE)
    assert "its plan" in planned["acceptance"]["message"]
    answer = decided(lot_of(80, *odd), sampling=sampling)
    assert answer["acceptance"]["lot_accepted"] is not bool(bad)
    assert "its plan" not in answer["acceptance"]["message"]


@pytest.mark.parametrize("sampling", [SAMPLE, {"rows": "every_ball", "plan": {"aql": 1.0}}])
def test_what_decides_a_class_is_named_for_what_it_is(sampling: dict[str, Any]) -> None:
    """A class without a limit of its own has no plan, nor has one of which every ball was measured."""
    classes = [{"name": "critical"}, {"name": "major", "aql": 1.0}]
    answer = decided(lot_of(80, *bad(5)), sampling={**sampling, "classes": classes})
    message = answer["acceptance"]["message"]
    assert answer["acceptance"]["lot_accepted"] is False
    assert ("its major plan" in message) is (sampling is SAMPLE)
    good = decided(lot_of(80), sampling={**sampling, "classes": classes})["acceptance"]["message"]
    assert "critical" in good
    assert "critical plan" not in good
