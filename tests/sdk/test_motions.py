"""Motions from Python and from the command line."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ballgauge import Client, InvalidRequest
from ballgauge_schemas.shared.documents import motion_example, motion_example_names, motion_example_text

PROGRAM = str(Path(sys.executable).with_name("ballgauge"))


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    with Client.embedded() as found:
        yield found


def run(server: str, *arguments: str, given: Any = None) -> subprocess.CompletedProcess[str]:
    text = given if isinstance(given, str) else json.dumps(given)
    return subprocess.run(
        [PROGRAM, *arguments, "--url", server], input=text, capture_output=True, text=True, timeout=120
    )


def test_a_motion_has_names(client: Client) -> None:
    """Against the service's own document."""
    asked = motion_example("motion")
    del asked["spread"]
    result = client.motion(asked)
    assert result.ending == "pins"
    assert result.motion.entry.board == result.raw["motion"]["entry"]["board"]
    assert result.bowler.release.launch_board == 26
    assert result.spread is None
    assert len(result.motion.curves.time) == asked["samples"]
    assert client.motion_picture(asked).lstrip().startswith("<")


def test_a_bad_motion_names_its_fields(client: Client) -> None:
    """Against the pointers of the contract."""
    with pytest.raises(InvalidRequest) as raised:
        client.motion({**motion_example("motion"), "lane": {"film": -1}, "samples": 1})
    assert {error.pointer for error in raised.value.problem.errors} == {"/lane/film", "/samples"}


def test_the_command_tells_and_draws(server: str, tmp_path: Path) -> None:
    """Against the words of the report; the picture is written beside it."""
    page = tmp_path / "motion.html"
    done = run(server, "motion", "-", "--picture", str(page), given=motion_example_text("motion"))
    assert done.returncode == 0, done.stderr
    for words in ("skid ends", "breakpoint", "entry angle", "flare on oil", "9 of 10 within", "Assumptions"):
        assert words in done.stdout
    assert "Plotly" in page.read_text(encoding="utf-8")


def test_the_command_tells_of_studies(server: str) -> None:
    """Against the balls and traits asked for."""
    asked = motion_example("motion_line_map")
    asked["line_map"]["deliveries"] = 4
    told = run(server, "motion", "-", given=asked).stdout
    for words in ("Line map of matched one handed", "Ostrel Works Mere", "the pair that covers most"):
        assert words in told
    told = run(server, "motion", "-", given=motion_example("motion_explain")).stdout
    for trait in ("rg", "differential", "ratio", "layout", "surface", "all"):
        assert f"\n{trait} " in told


def test_the_command_warns_and_refuses(server: str) -> None:
    """Against the exit codes: a gutter ball is an answer, a bad field is not."""
    asked = motion_example("motion")
    del asked["spread"]
    asked["release"] = {"launch_board": 5, "launch_angle": 6, "rev_rate": 800}
    done = run(server, "motion", "-", given=asked)
    assert done.returncode == 0
    assert "Warnings" in done.stdout
    assert "left the lane" in done.stdout
    assert "/release/rev_rate" in done.stdout
    asked["release"]["speed"] = "18 kg"
    done = run(server, "motion", "-", given=asked)
    assert done.returncode == 2
    assert "/release/speed: " in done.stderr
    assert run(server, "motion", "-", given="{").returncode == 2


def test_the_command_prints_its_json(server: str) -> None:
    """Against a JSON parser."""
    done = run(server, "motion", "-", "--json", given=motion_example("motion_explain"))
    assert set(json.loads(done.stdout)["explain"]["traits"]) == {
        "rg", "differential", "ratio", "layout", "surface",
    }  # fmt: skip


SHOTS = """shot,distance,time,board,release.launch_board
1,10,0.4,24.1,26
1,22,0.9,22.0,
2,10,0.41,20.5,22

2,22,,19.0,22
"""


def test_shots_are_read_from_a_csv(client: Client) -> None:
    """Against the rows: one a passage; empty cells are not read."""
    first, second = client.shots(SHOTS)
    assert first["release"] == {"launch_board": 26.0}
    assert first["passages"][1] == {"distance": 22.0, "time": 0.9, "board": 22.0}
    assert second["passages"][1] == {"distance": 22.0, "board": 19.0}


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("", "line 1"),
        ("shot,time\n", "line 1"),
        ("shot,distance,lane\n", "line 1"),
        ("shot,distance,distance\n", "line 1"),
        ("shot,distance,time\n1,10\n", "line 2"),
        ("shot,distance,time\n1,10,1\n1,x,2\n", "line 3, distance"),
        ("shot,distance,time,release.speed\n1,10,1,17\n1,20,2,18\n", "line 3"),
    ],
)
def test_a_csv_of_no_shots_says_where(client: Client, text: str, place: str) -> None:
    with pytest.raises(ValueError, match=f"^{place}"):
        client.shots(text)


def test_the_command_takes_a_csv_of_shots(server: str, tmp_path: Path) -> None:
    """Two shots past two sensors are refused by the contract: three sensors at least."""
    path = tmp_path / "shots.csv"
    path.write_text(SHOTS)
    done = run(server, "motion", "-", "--shots", str(path), given=motion_example("motion"))
    assert done.returncode == 2
    assert "/calibrate/shots/0/passages" in done.stderr


def test_help_and_examples() -> None:
    """Against the examples in the help, and the package's files."""
    text = subprocess.run([PROGRAM, "motion", "--help"], capture_output=True, text=True, check=True).stdout
    assert "ballgauge example motion_explain | ballgauge motion -" in text.partition("Examples:")[2]
    for name in motion_example_names():
        printed = subprocess.run([PROGRAM, "example", name], capture_output=True, text=True, check=True)
        assert json.loads(printed.stdout) == motion_example(name)


def test_a_squad_is_told_and_drawn(client: Client, server: str, tmp_path: Path) -> None:
    """The picture that FILE asks for is the squad's lane, and every state has a row."""
    asked = motion_example("motion_squad")
    asked["squad"] |= {"shots": 1, "games": 2, "aimed": False}
    found = client.motion(asked)
    assert found.squad is not None
    assert [state.game for state in found.squad.states] == [0, 1, 2]
    page = tmp_path / "lane.html"
    done = run(server, "motion", "-", "--picture", str(page), given=asked)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("after game 2") == 1 + len(asked["squad"]["bowlers"])
    assert f"{found.squad.states[2].oil.on_lane:.3f}" in done.stdout
    assert "<svg" in page.read_text(encoding="utf-8")
