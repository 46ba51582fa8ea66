"""The SDK and the command are light: what they do not need is not imported."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

AS_LONG, FEW_TIMES = 1.0, 0.28
SCRIPT = """
import json, sys, time
before = time.perf_counter()
import {name}
took = time.perf_counter() - before
print(json.dumps({{"took": took, "modules": sorted({{name.partition(".")[0] for name in sys.modules}})}}))
"""
HEAVY = {
    "requests",
    "numpy",
    "pint",
    "flask",
    "numba",
    "scipy",
    "marshmallow",
    "click",
    "rich",
    "granian",
    "ballgauge_service",
}


def imported(name: str) -> Any:
    """How long a fresh interpreter takes to import a package [s], and all it then holds."""
    command = [sys.executable, "-c", SCRIPT.format(name=name)]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def test_the_sdk_imports_without_the_engine() -> None:
    assert not HEAVY & set(imported("ballgauge")["modules"])


def test_the_sdk_takes_no_longer_than_the_import_of_requests(versus: Any) -> None:
    """requests is what it talks HTTP with, once it has to; the least of a round's imports counts."""
    ratios = []
    for _ in range(5):
        taken = [[imported(name)["took"] for name in ("ballgauge", "requests")] for _ in range(2)]
        ours, theirs = (min(times) for times in zip(*taken, strict=True))
        ratios.append(theirs / ours)
    versus.hold("import of the SDK", "import ballgauge", versus.named("requests"), ratios, AS_LONG)


LOADED = """
import json, sys
from ballgauge._command import program
code = program.run(sys.argv[1:])
print(json.dumps({"code": code, "modules": sorted(sys.modules)}), file=sys.stderr)
"""
NEVER = {
    *("numba", "llvmlite", "scipy", "pyarrow", "plotly", "pint", "babel", "dask", "granian", "trimesh"),
    *(
        "flask",
        "werkzeug",
        "jinja2",
        "prometheus_client",
        "asyncio",
        "requests",
        "urllib3",
        "rich",
        "numpy.ma",
    ),
    *(f"ballgauge_service.{part}" for part in ("lot", "design", "motion", "pages", "physics.motion")),
    # The contract of a design is part of a check's, which may drill its layers; its engine is not.
    *(f"ballgauge_schemas.{part}" for part in ("lot", "motion")),
}
SIGNING = {"ballgauge_service.record", "ballgauge_schemas.record", "joserfc", "cryptography"}
EXAMPLES = files("ballgauge_schemas").joinpath("examples")
COMMANDS = {
    "check": ("check", str(EXAMPLES.joinpath("drilled.json"))),
    "check in other units": ("check", str(EXAMPLES.joinpath("as_made.json"))),
    "drill": ("drill", str(EXAMPLES.joinpath("drilling.json"))),
    "a batch in lines": ("check", str(EXAMPLES.joinpath("batch.json")), "--format", "ndjson"),
    "a batch in brief": ("check", "--detail", "brief", str(EXAMPLES.joinpath("batch.json"))),
    "the findings as a table": ("check", "--detail", "findings", str(EXAMPLES.joinpath("drilled.json"))),
    "rules": ("rules",),
    "example": ("example",),
    "help": ("--help",),
    "the help of a command": ("check", "--help"),
    "version": ("--version",),
    "no file of a ball": ("check", __file__),
    "no ball": ("check", str(EXAMPLES.parent.joinpath("example_designs", "skarn.json"))),
    "verify": ("verify", "{record}"),
}


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A record in a file, and the key that it is verified with."""
    place = tmp_path_factory.mktemp("record")
    paths = place / "record.jws", place / "keys.json"
    environment = {**os.environ, "BALLGAUGE_KEYS_FILE": str(paths[1])}
    paths[1].touch(0o600)
    with paths[1].open("wb") as keys:
        subprocess.run([sys.executable, "-m", "ballgauge", "key", "here"], stdout=keys, check=True)
    sign = "import ballgauge, sys, json; asked = json.load(sys.stdin); "
    sign += "print(ballgauge.Client.embedded().sign(asked).record)"
    asked = {"check": json.loads(EXAMPLES.joinpath("drilled.json").read_text()), "issued_on": "2026-05-01"}
    command = [sys.executable, "-c", sign]
    with paths[0].open("wb") as signed:
        subprocess.run(command, input=json.dumps(asked).encode(), stdout=signed, check=True, env=environment)
    return paths


@pytest.mark.parametrize("name", COMMANDS)
def test_the_command_imports_nothing_that_one_ball_does_not_need(
    name: str, record: tuple[Path, Path]
) -> None:
    arguments = [argument.format(record=record[0]) for argument in COMMANDS[name]]
    environment = {**os.environ, "BALLGAUGE_KEYS_FILE": str(record[1])}
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *arguments], capture_output=True, text=True, env=environment
    )
    told = json.loads(done.stderr.splitlines()[-1])
    assert told["code"] == (2 if name.startswith("no ") else int(name.startswith("a batch"))), done.stderr
    unneeded = NEVER if name == "verify" else NEVER | SIGNING
    assert not unneeded & set(told["modules"])


def cpu(*command: str) -> float:
    """Processor time of a program [s]; what it imports is compiled to bytecode before."""
    took = []
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    for _ in range(4):
        before = os.times()
        subprocess.run([sys.executable, *command], check=True, capture_output=True, env=environment)
        after = os.times()
        took.append(
            after.children_user + after.children_system - before.children_user - before.children_system
        )
    return min(took[1:])


def test_a_check_takes_at_most_a_few_times_the_time_of_an_import_of_requests(versus: Any) -> None:
    """The whole command, from its start to its table, against an import of the HTTP client."""
    check = ("-m", "ballgauge", *COMMANDS["check"])
    ratios = [cpu("-c", "import requests") / cpu(*check) for _ in range(3)]
    versus.hold("a check by the command", "ballgauge check", versus.named("requests"), ratios, FEW_TIMES)
