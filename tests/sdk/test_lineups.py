"""Line-ups from Python and by the command: numbers, and the sheet as a file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import ballgauge
from ballgauge._command.program import program
from ballgauge_schemas.shared.documents import lineup_example


@pytest.fixture
def request_() -> dict[str, Any]:
    """The example, with little to compute."""
    request = lineup_example("lineup")
    request["balls"], request["bowlers"] = request["balls"][:3], request["bowlers"][:1]
    request |= {"deliveries": 4}
    request["lanes"][0]["volumes"] = [22, 18]
    return request


@pytest.mark.parametrize(
    ("ending", "begins"), [("svg", b"<svg "), ("html", b"<!DOCTYPE html>"), ("pdf", b"%PDF-")]
)
def test_the_sheet_is_written_by_its_ending(
    request_: dict[str, Any], ending: str, begins: bytes, tmp_path: Path
) -> None:
    told: list[tuple[float, str]] = []
    with ballgauge.Client.embedded() as client:
        file = tmp_path / f"sheet.{ending}"
        found = client.lineup(request_, report=file, progress=lambda *given: told.append(given))
    assert file.read_bytes().startswith(begins)
    assert [doing for _, doing in told] == [request_["bowlers"][0]["name"], "sheet"]
    assert found.reference == "Tarn 48"
    assert found.bowlers[0].differences[0].reads.mean < 0.0


def test_another_ending_is_refused_before_the_work(request_: dict[str, Any], tmp_path: Path) -> None:
    with ballgauge.Client.embedded() as client, pytest.raises(ValueError, match=r"sheet\.docx"):
        client.lineup(request_, report=tmp_path / "sheet.docx")


def test_the_command_tells_of_places_and_differences(request_: dict[str, Any], tmp_path: Path) -> None:
    file, sheet = tmp_path / "lineup.json", tmp_path / "sheet.svg"
    file.write_text(json.dumps(request_))
    said = CliRunner().invoke(program, ["lineup", str(file), "--report", str(sheet), "--language", "de"])
    assert said.exit_code == 0, said.output
    for name in ("Tarn 48", "Tarn 52", "Fell 40", "22 mL", "18 mL"):
        assert name in said.output
    assert "früher" in said.output
    assert "Aufstellung" in sheet.read_text("utf-8")
    answered = CliRunner().invoke(program, ["lineup", str(file), "--json"])
    assert json.loads(answered.output)["sheets"] is None


def test_the_command_names_bad_fields(tmp_path: Path) -> None:
    file = tmp_path / "lineup.json"
    file.write_text("{}")
    said = CliRunner().invoke(program, ["lineup", str(file)])
    assert isinstance(said.exception, ballgauge.InvalidRequest)
    named = {error.pointer for error in said.exception.problem.errors}
    assert named == {"/balls", "/bowlers", "/lanes"}
