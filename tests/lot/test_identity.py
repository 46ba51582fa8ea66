"""What a lot is and who inspected it: from the request to the answer."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas
import pytest
from marshmallow import ValidationError

from ballgauge_schemas import LOT_REQUEST
from ballgauge_service.lot.evaluate import Lot
from ballgauge_service.lot.request import read_request

from .test_decisions import SAMPLE, decided, lot_of

GAUGE = {"name": "durometer A", "quantity": "hardness", "calibration_due": "2026-04-30"}
LOT: dict[str, Any] = {
    "supplier": "Ostrel Works",
    "model": "Tarn 48",
    "lot": "T48-2026-17",
    "made_on": "2026-04-13",
    "made_until": "2026-04-17",
    "inspected_on": "2026-04-28",
    "gauges": [GAUGE],
    "disposition": "to stock",
}


def codes(answer: dict[str, Any]) -> list[str]:
    return [each["code"] for each in answer["cautions"]]


def test_an_answer_names_the_lot() -> None:
    """Against the request: every member as it was given, null where none was."""
    told = decided(lot_of(3), lot=LOT)["lot"]
    gauge = {**GAUGE, "unit": "Shore D", "uncertainty": None, "calibration": "in_date"}
    nothing = dict.fromkeys(("maker", "order", "place", "inspector", "remarks"))
    assert told == {**LOT, **nothing, "gauges": [gauge]}


@pytest.mark.parametrize(
    ("inspected", "due", "calibration"),
    [
        ("2026-04-30", "2026-04-30", "in_date"),
        ("2026-05-01", "2026-04-30", "expired"),
        (None, "2026-04-30", "not_told"),
        ("2026-05-01", None, "not_told"),
    ],
)
def test_an_expired_calibration_is_told(inspected: str | None, due: str | None, calibration: str) -> None:
    """Against the calendar: the day it is due still counts."""
    gauge = {name: value for name, value in {**GAUGE, "calibration_due": due}.items() if value}
    lot = {"gauges": [gauge], **({"inspected_on": inspected} if inspected else {})}
    answer = decided(lot_of(3), lot=lot)
    assert answer["lot"]["gauges"][0]["calibration"] == calibration
    assert ("calibration_expired" in codes(answer)) is (calibration == "expired")


def test_a_gauges_uncertainty_decides_where_none_is_stated() -> None:
    """Against the guarded rule: 74 D is 1 D from its limit, which 0.5 D leaves certain and 1.5 D does not."""
    text = "weight,hardness,approved_on\n" + "15,74,2024-03-01\n" * 3
    for uncertainty, outcome in ((0.5, "conforming"), (1.5, "inconclusive")):
        gauges = [{**GAUGE, "uncertainty": uncertainty}, {**GAUGE, "name": "B", "uncertainty": 0.1}]
        answer = decided(text, lot={"gauges": gauges}, decision={"rule": "guarded", "risk": 0.05})
        assert answer["uncertainties"] == {"hardness": uncertainty}
        assert answer["counts"][outcome] == 3
        stated = {"uncertainties": {"hardness": 0.2}, "decision": {"rule": "guarded", "risk": 0.05}}
        assert decided(text, lot={"gauges": gauges}, **stated)["uncertainties"] == {"hardness": 0.2}


@pytest.mark.parametrize(
    ("lot", "pointer"),
    [
        ({"made_on": "2026-04-13", "made_until": "2026-04-12"}, ["made_until"]),
        ({"made_until": "2026-04-12"}, ["made_on"]),
        ({"made_on": "2026-04-13", "inspected_on": "2026-04-12"}, ["inspected_on"]),
        (
            {"gauges": [{"name": "a", "quantity": "hardness", "uncertainty": 101}]},
            ["gauges", 0, "uncertainty"],
        ),
        ({"gauges": [{"name": "a"}]}, ["gauges", 0, "quantity"]),
        ({"model": "a\nb"}, ["model"]),
    ],
)
def test_what_cannot_be_is_refused(lot: dict[str, Any], pointer: list[str]) -> None:
    """Against the request's own fields."""
    with pytest.raises(ValidationError) as refused:
        LOT_REQUEST.load({"lot": lot})
    errors: Any = refused.value.messages
    for name in ["lot", *pointer]:
        errors = errors[name]


@pytest.mark.parametrize("kind", ["csv", "ndjson", "xlsx", "parquet"])
@pytest.mark.parametrize("by_path", [False, True])
def test_the_answer_names_the_file_by_its_digest(kind: str, by_path: bool, tmp_path: Path) -> None:
    """Against hashlib, over the whole file, however it is read."""
    frame = pandas.DataFrame({"weight": [15.0, 15.1], "hardness": [75.0, 75.5]})
    path = tmp_path / f"lot.{kind}"
    writers: dict[str, Callable[[Path], object]] = {
        "csv": lambda to: frame.to_csv(to, index=False),
        "ndjson": lambda to: frame.to_json(to, orient="records", lines=True),
        "xlsx": lambda to: frame.to_excel(to, index=False),
        "parquet": frame.to_parquet,
    }
    writers[kind](path)
    data = path.read_bytes()
    request = read_request(LOT_REQUEST.load({"scope": "measured"}))
    with Lot(str(path) if by_path else io.BytesIO(data), path.name, request, chunk_bytes=7) as lot:
        list(lot)
        file = lot.answer()["file"]
    assert (file["sha256"], file["size"]) == (hashlib.sha256(data).hexdigest(), len(data))


def test_every_limit_names_its_basis_and_source() -> None:
    """Against the days of approval in the file: the limits of both eras, each with its own source."""
    text = "weight,hardness,approved_on\n15,75,2015-01-01\n15,75,2024-01-01\n"
    rules = {each["rule"]: each for each in decided(text)["by_rule"]}
    assert {limit["min"] for limit in rules["hardness"]["limits"]} == {72.0, 73.0}
    assert {limit["basis"] for limit in rules["hardness"]["limits"]} == {"published"}
    assert all(limit["source"] for each in rules.values() for limit in each["limits"])
    assert rules["weight"]["limits"][0] == {
        "min": None, "max": 16.0, "effective_from": None, "effective_to": None, "basis": "secondary",
        "source": rules["weight"]["limits"][0]["source"],
    }  # fmt: skip


def test_columns_tell_of_the_lot_too() -> None:
    """Against the file: one supplier is the lot's, two are told, and one other than the request's is."""
    head = "serial,weight,Lieferant,batch,Hersteller"
    rows = [f"A{n},15,Ostrel Works,T48,Ostrel" for n in range(5)]
    answer = decided("\n".join([head, *rows]))
    assert [answer["lot"][name] for name in ("supplier", "lot", "maker")] == ["Ostrel Works", "T48", "Ostrel"]
    assert not {"identity_contradicted", "several_of_the_lot", "several_models"} & set(codes(answer))
    answer = decided("\n".join([head, *rows]), lot={"supplier": "Tarn Trading"})
    assert answer["lot"]["supplier"] == "Tarn Trading"
    assert "identity_contradicted" in codes(answer)
    answer = decided("\n".join([head, *rows, "A9,15,Ostrel Works,T49,Ostrel"]))
    assert (answer["lot"]["lot"], "several_of_the_lot" in codes(answer)) == (None, True)


@pytest.mark.parametrize("head", ["model", "name", "Modell"])
@pytest.mark.parametrize("chunk", [None, 300])
def test_two_models_in_one_file_are_two_groups(head: str, chunk: int | None) -> None:
    """Against the rows: counts of each, and the rule on a model's samples by its own balls alone."""
    good = [f"A{n},15,75,600,30,2024-03-01,Tarn 48" for n in range(40)]
    other = [
        f"B{n},15,{60 if n < 3 else 75},{100 if n < 1 else 600},30,2024-03-01,Fell 50" for n in range(40)
    ]
    top = f"serial,weight,hardness,oil_absorption_time,roughness,approved_on,{head}"
    answer = decided("\n".join([top, *good, *other]), chunk=chunk, sampling=SAMPLE)
    assert [(each["model"], each["rows"], each["nonconforming"]) for each in answer["models"]] == [
        ("Fell 50", 40, 3),
        ("Tarn 48", 40, 0),
    ]
    assert "several_models" in codes(answer)
    oil = [each for each in answer["sample_rules"] if each["rule"] == "oil_absorption_sample"]
    assert [(each["model"], each["outcome"]) for each in oil] == [
        ("Fell 50", "nonconforming"),
        ("Tarn 48", "conforming"),
    ]
    assert decided("\n".join([top, *good]))["sample_rules"][0]["model"] is None
