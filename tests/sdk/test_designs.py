"""Designs by the client and by the command, inside this process and over a socket."""

from __future__ import annotations

import copy
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests
import trimesh

import ballgauge
from ballgauge_schemas.shared.documents import design_example, design_example_text

PROGRAM = str(Path(sys.executable).with_name("ballgauge"))


@pytest.fixture(scope="module")
def client() -> Iterator[ballgauge.Client]:
    with ballgauge.Client.embedded() as embedded:
        yield embedded


@pytest.fixture
def skarn() -> dict[str, Any]:
    return copy.deepcopy(design_example("skarn"))


def run(*arguments: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [PROGRAM, *arguments],
        cwd=cwd,
        capture_output=True,
        text=True,
        env=os.environ | environment,
        timeout=300,
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("skarn", "skarn_disc_below", "skarn_targets", "skarn_production"):
        (tmp_path / f"{name}.json").write_text(design_example_text(name))
    return tmp_path


def test_a_result_has_names_and_types(client: ballgauge.Client, skarn: dict[str, Any]) -> None:
    """Against the service's own document."""
    result = client.design(skarn)
    assert isinstance(result, ballgauge.DesignResult)
    assert result.properties.weight == result.raw["properties"]["weight"]
    assert result.outcome == "not_assessed"
    assert {finding.rule for finding in result.findings} >= {"weight", "differential", "max_density"}
    assert result.drilled is not None
    assert result.drilled.holes[0].role == "thumb"
    assert result.solved is None
    assert [part.name for part in result.properties.contributions] == ["cover", "filler", "core", "pin"]


def test_a_refusal_names_the_fields(client: ballgauge.Client, skarn: dict[str, Any]) -> None:
    """Against the service's pointers, with and without progress."""
    skarn["design"]["solids"][3]["position"] = [0, 0, 6]
    for progress in (None, lambda share, doing: None):
        with pytest.raises(ballgauge.InvalidRequest) as caught:
            client.design(skarn, progress=progress)
        assert [error.pointer for error in caught.value.errors] == ["/design/solids/3"]


def test_progress_is_told_as_it_is_made(server: str) -> None:
    """Against the same answer without progress, inside this process and over a socket."""
    request = design_example("skarn_targets")
    for client in (ballgauge.Client.embedded(), ballgauge.Client(server)):
        told: list[tuple[float, str]] = []
        with client:
            found = client.design(request, progress=lambda *event: told.append(event))  # noqa: B023
            assert found.raw == client.design(request).raw
        # What a server that was just installed says first is of its kernels.
        assert (0.0, "properties") in told
        assert [share for share, _ in told] == sorted(share for share, _ in told)
        assert told[-1][0] == 1.0
        assert any(doing.startswith("family: 14 lb") for _, doing in told)


def test_an_exception_of_progress_ends_the_call(client: ballgauge.Client) -> None:
    """Against the exception itself; the client goes on."""
    request = design_example("skarn_production")
    request["production"]["samples"] = 50_000

    def stop(share: float, doing: str) -> None:
        if doing.startswith("production"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        client.design(request, progress=stop)
    assert client.design(design_example("skarn")).outcome == "not_assessed"


def test_meshes_are_read_from_the_folder(
    client: ballgauge.Client, skarn: dict[str, Any], tmp_path: Path, sentence: Any
) -> None:
    """Against trimesh's volume; no other folder is read."""
    sphere = trimesh.creation.icosphere(subdivisions=3, radius=50.0)
    (tmp_path / "parts").mkdir()
    sphere.export(tmp_path / "parts" / "core.ply")
    skarn["design"]["meshes"] = [{"name": "drawn", "unit": "mm", "file": "parts/core.ply"}]
    core = {"name": "core", "role": "inner_core", "shape": "mesh", "mesh": "drawn", "density": 2.7}
    skarn["design"]["solids"][2] = core
    del skarn["drilling"]
    found = client.design(skarn, folder=tmp_path)
    mass = sphere.volume / 1000 * 2.7 / 453.59237
    assert found.properties.contributions[2].mass == pytest.approx(mass, rel=1e-5)
    with pytest.raises(ValueError, match="folder") as caught:
        client.design(skarn)
    assert str(caught.value) == sentence("sdk: mesh without a folder")
    for name in ("../core.ply", str(tmp_path / "parts" / "core.ply"), 'a".ply'):
        skarn["design"]["meshes"][0]["file"] = name
        with pytest.raises(ValueError, match=re.escape(repr(name))):
            client.design(skarn, folder=tmp_path)


def test_the_command_prints_the_services_own_json(folder: Path, server: str) -> None:
    """Against the service: the same numbers, the names in the same order."""
    done = run("design", "skarn.json", "--json", cwd=folder, BALLGAUGE_URL=server)
    assert done.returncode == 0, done.stderr
    answer = requests.post(f"{server}/v1/designs", json=design_example("skarn"))
    said, served = (json.loads(text, object_pairs_hook=list) for text in (done.stdout, answer.text))
    assert said == served


def test_the_command_reports_two_designs(folder: Path, server: str) -> None:
    """Against what a designer looks for: properties, parts, holes, differences with causes, cautions."""
    done = run("design", "skarn.json", "--compare", "skarn_disc_below.json", cwd=folder, BALLGAUGE_URL=server)
    assert done.returncode == 0, done.stderr
    for words in (
        "not_assessed  Ostrel Works Skarn, by the rules of USBC, approval, 2026-05-01",
        "Mass properties (exact)",
        "What each solid adds",
        "What each hole costs",
        "The two designs",
        "The two drilled balls",
        "enters the inner core 'core'",
        "only the governing body decides and approves",
    ):
        assert words in done.stdout
    row = next(line for line in done.stdout.splitlines() if line.startswith("differential [in]"))
    assert "disc +0.01" in row
    assert "approved" not in done.stdout


def test_the_command_does_what_the_options_name(folder: Path, server: str) -> None:
    """Against the request: one job of two, with another seed, and its progress on standard error."""
    options = ("--solve", "--seed", "7", "--progress", "--json")
    done = run("design", "skarn_targets.json", *options, cwd=folder, BALLGAUGE_URL=server)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["solved"]["seed"] == 7
    assert answer["family"] is None
    assert "100%" in done.stderr
    told = run("design", "skarn_targets.json", cwd=folder, BALLGAUGE_URL=server)
    assert "every target is met" in told.stdout
    assert "Family, seed 1" in told.stdout


def test_the_command_reports_production(folder: Path, server: str) -> None:
    """Against the words of the report."""
    done = run("design", "skarn_production.json", "--production", cwd=folder, BALLGAUGE_URL=server)
    assert done.returncode == 0, done.stderr
    for words in ("10000 balls drawn, seed 1", "Expected nonconforming", "Tighten first", "Not studied"):
        assert words in done.stdout


def test_a_broken_rule_and_a_missed_target_exit_with_1(folder: Path, server: str) -> None:
    """Against the exit codes."""
    request = design_example("skarn_disc_below")
    request["design"]["solids"][3]["density"] = 3.9
    (folder / "dense.json").write_text(json.dumps(request))
    request = design_example("skarn_targets")
    request["solve"]["targets"]["weight"]["value"] = 19
    request["solve"]["starts"] = 2
    del request["family"]
    (folder / "heavy.json").write_text(json.dumps(request))
    dense = run("design", "dense.json", cwd=folder, BALLGAUGE_URL=server)
    assert dense.returncode == 1
    assert "nonconforming" in dense.stdout
    heavy = run("design", "heavy.json", cwd=folder, BALLGAUGE_URL=server)
    assert heavy.returncode == 1
    assert "What stands in the way" in heavy.stdout


def test_bad_input_exits_with_2(folder: Path, server: str) -> None:
    """Against the exit codes: no such part, no JSON, a bad field."""
    assert run("design", "skarn.json", "--solve", cwd=folder, BALLGAUGE_URL=server).returncode == 2
    (folder / "bad.json").write_text("{")
    assert "is not JSON" in run("design", "bad.json", cwd=folder, BALLGAUGE_URL=server).stderr
    (folder / "alone.json").write_text(json.dumps({"diameter": 8.58, "solids": []}))
    done = run("design", "alone.json", cwd=folder, BALLGAUGE_URL=server)
    assert done.returncode == 2
    assert "/design/solids: " in done.stderr


def test_the_command_runs_the_engine_inside_itself(folder: Path, server: str) -> None:
    """Against the same command over a socket; a design alone is a request."""
    (folder / "alone.json").write_text(json.dumps(design_example("skarn")["design"]))
    inside = run("design", "alone.json", "--json", "--progress", cwd=folder)
    assert inside.returncode == 0, inside.stderr
    assert inside.stdout == run("design", "alone.json", "--json", cwd=folder, BALLGAUGE_URL=server).stdout


def test_the_command_sets_a_set_side_by_side_and_draws_the_map(folder: Path, server: str) -> None:
    """Against what a designer looks for: a column each ball, shares of the parts, the map in both forms."""
    (folder / "set.json").write_text(design_example_text("skarn_set"))
    done = run("design", "set.json", "--map", "map.svg", cwd=folder, BALLGAUGE_URL=server)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    head = next(line for line in lines if line.startswith("number") and "without disc" in line)
    assert head.split() == ["number", "with", "disc", "without", "disc"]
    assert any(line.startswith("differential") and "0.05" in line and "0.034" in line for line in lines)
    assert any(line.startswith("disc") and line.rstrip().endswith("-") for line in lines)
    for words in ("every target is met", "What each solid gives of differential", "Across the set"):
        assert words in done.stdout
    assert "intermediate differential [in]" in done.stdout
    assert (folder / "map.svg").read_text().startswith("<svg")
    refused = run("design", "skarn.json", "--map", "map.svg", cwd=folder, BALLGAUGE_URL=server)
    assert refused.returncode == 2


def test_files_of_a_set_are_written_for_each_ball(client: ballgauge.Client, tmp_path: Path) -> None:
    """A report of all, a drawing and a model of each ball; a kind that is not written is refused first."""
    asked = design_example("skarn_set")
    asked["set"]["parameters"] = []
    found = client.design(
        asked, report=tmp_path / "set.pdf", drawing=tmp_path / "set.svg", model=tmp_path / "set.stl"
    )
    names = [f"set-{at}-{name}" for at, name in enumerate(("with-disc", "without-disc"), 1)]
    written = ["set.pdf", *(f"{name}.{kind}" for name in names for kind in ("stl", "svg"))]
    assert sorted(each.name for each in tmp_path.iterdir()) == sorted(written)
    assert found.set is not None
    with pytest.raises(ValueError, match=r"\.3mf or \.stl"):
        client.design(asked, model=tmp_path / "set.doc")
