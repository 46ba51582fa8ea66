"""The driller's sheet, read by poppler: one page, with everything one drills by."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests.paper import overlapping

import ballgauge
from ballgauge_schemas import example

PROGRAM = str(Path(sys.executable).with_name("ballgauge"))


def read(pdf: bytes) -> str:
    """The text of a PDF, and that it is one page."""
    info = subprocess.run(["pdfinfo", "-"], input=pdf, capture_output=True, check=True).stdout
    assert re.search(rb"Pages:\s+1\n", info), info
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True)
    return re.sub(r"\s+", " ", done.stdout.decode())


def sheet(client: Any, asked: dict[str, Any]) -> str:
    answer = client.post("/v1/drillings/sheets", json=asked)
    assert (answer.status_code, answer.content_type) == (200, "application/pdf"), answer.text
    return read(answer.data)


def test_all_that_one_drills_by(client: Any) -> None:
    """Every number of the request is on it as the trade writes it, in the order one drills."""
    text = sheet(client, {"check": example("drilled"), "owner": "Ä. Doe", "paper": "letter"})
    for told in (
        *("Ä. Doe", "Ostrel Works Tarn 48", "OW7K20431", "2024-09-01", "15.06 lb", "8.59 in", "right"),
        *("4 1/2 in", "50 °", "35 °", "4 1/4 in", "4 3/8 in", "59/64 in", "2 1/4 in", "−1/4 in"),
        *("+0.06 oz", "+0.94 oz", "+0.69 oz", "14.91 lb", "conforming (USBC"),
    ):
        assert told in text, told
    parts = ["Owner", "Layout", "Grip", "Predicted", "Holes", "thumb 1 in", "In this order", "Read, drilled"]
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "guard the machine" in text
    assert "governing body decides" in text


def test_in_german_and_metric(client: Any) -> None:
    """No inch is left, and every sentence is German."""
    asked = {"check": example("left_hander_without_thumb"), "language": "de", "units": "metric"}
    text = sheet(client, asked)
    for told in ("Bohrblatt", "links", "107,9 mm", "23,8 mm", "nicht beurteilt", "Maschine sichern"):
        assert told in text, told
    assert not re.search(r"\d (in|oz|lb)\b", text.partition("nicht beurteilt")[0])


def test_no_word_stands_upon_another(client: Any) -> None:
    """In the picture of a layout whose arcs pass its marks, in German and metric."""
    asked = {"check": example("drilled"), "language": "de", "units": "metric"}
    answer = client.post("/v1/drillings/sheets", json=asked)
    assert overlapping(answer.data) == []
    assert "pin" not in read(answer.data).split()


def test_what_fails_is_said(client: Any) -> None:
    """A sheet of a drilling that breaks a rule names the rule and its reason."""
    text = sheet(client, {"check": example("side_weight_over")})
    assert "nonconforming: Static balance" in text


def test_refusals_name_their_fields(client: Any) -> None:
    for asked, pointer in (
        ({"check": example("as_made")}, "/check/drilling"),
        ({}, "/check"),
        ({"check": example("drilled"), "paper": "a3"}, "/paper"),
        ({"check": example("drilled"), "owner": "x" * 81}, "/owner"),
    ):
        answer = client.post("/v1/drillings/sheets", json=asked)
        assert answer.status_code == 422
        assert [error["pointer"] for error in answer.json["errors"]] == [pointer]
    drilled = example("drilled")
    drilled["drilling"]["holes"][0]["diameter"] = 99
    answer = client.post("/v1/drillings/sheets", json={"check": drilled})
    assert answer.json["errors"][0]["pointer"] == "/check/drilling/holes/0/diameter"


def test_many_holes_go_on_a_second_page(client: Any) -> None:
    """Nothing is cut, and names of any script are printed."""
    asked = example("drilled")
    hole = {"role": "vent", "diameter": 0.1, "depth": 0.5}
    holes = [{**hole, "at": {"right": 0.15 * index - 2, "up": -5}} for index in range(21)]
    asked["drilling"]["holes"] += holes
    answer = client.post("/v1/drillings/sheets", json={"check": asked, "owner": "名前 " * 20})
    assert answer.status_code == 200, answer.text
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=answer.data, capture_output=True)
    assert done.stdout.decode().count("vent") >= 21


def test_by_client_and_by_command(tmp_path: Path) -> None:
    """The same paper either way, from a request for a drilling or for a check."""
    asked = {"check": example("drilled"), "owner": "J. Doe"}
    with ballgauge.Client.embedded() as client:
        printed = client.print_sheet(asked)
        with pytest.raises(ballgauge.InvalidRequest):
            client.print_sheet({"check": example("as_made")})
    (tmp_path / "ball.json").write_text(json.dumps(asked["check"]))
    command = [PROGRAM, "drill", "ball.json", "--sheet", "ball.pdf", "--owner", "J. Doe"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert read((tmp_path / "ball.pdf").read_bytes()) == read(printed)
    (tmp_path / "drilling.json").write_text(json.dumps(example("drilling")))
    for command, code in (
        (["drilling.json", "--sheet", "drilling.pdf", "--paper", "letter"], 0),
        (["drilling.json", "--owner", "J. Doe"], 2),
        (["drilling.json", "ball.json", "--sheet", "two.pdf"], 2),
    ):
        done = subprocess.run([PROGRAM, "drill", *command], cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == code, (command, done.stderr)
    assert (tmp_path / "drilling.pdf").exists()
    assert not (tmp_path / "two.pdf").exists()
