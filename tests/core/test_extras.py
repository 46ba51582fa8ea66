"""What is said where a part of the installation lacks, in processes in which a package cannot be imported."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import tomllib
from collections.abc import Callable
from contextlib import suppress
from importlib import metadata
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

SCRIPT = """
import sys
sys.modules.update(dict.fromkeys({blocked!r}))
from ballgauge._command import program
sys.exit(program.run({arguments!r}))
"""
EXAMPLES = files("ballgauge_schemas")
LOT, DESIGN, MOTION, LINEUP, BALL = (
    str(EXAMPLES.joinpath(place))
    for place in (
        *("example_lots/ostrel_tarn_48.csv", "example_designs/skarn.json", "example_motions/motion.json"),
        *("example_lineups/lineup.json", "examples/drilled.json"),
    )
)
DRILLING = str(EXAMPLES.joinpath("examples/drilling.json"))


def run(blocked: list[str], *arguments: str) -> subprocess.CompletedProcess[str]:
    script = SCRIPT.format(blocked=blocked, arguments=list(arguments))
    return subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)


def test_a_command_without_the_engine_names_what_it_lacks() -> None:
    done = run(["numpy"], "check", BALL)
    assert done.returncode == 3
    assert "checks need numpy, which is not installed: pip install 'ballgauge[check]'" in done.stderr


WITHIN = """
import contextlib, io, json, sys
import logging
logging.disable()
from ballgauge._command import program

def run(*arguments):
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
        code = program.run(list(arguments))
    return [code, err.getvalue()]
"""
TRIED = """
from ballgauge_service.web.server.application import create_app
app = create_app(json_logs=False, warm_up=False).test_client()
paths = json.load(open(sys.argv[2], encoding="utf-8"))["paths"]
told = {}
for path, methods in paths.items():
    for method, operation in methods.items():
        kinds = operation.get("requestBody", {"content": {None: {}}})["content"]
        kinds.pop("multipart/form-data", None)
        for kind, form in kinds.items():
            given = form.get("examples", {"": {"value": form.get("example", {"record": "e30.e30.e30"})}})
            value = next(iter(given.values()))["value"]
            data = value if isinstance(value, str) else json.dumps(value)
            headers = {"Accept-Language": "de"}
            answer = app.open(path, method=method, data=data, content_type=kind, headers=headers)
            told[f"{path} {kind}"] = [answer.status_code, (answer.get_json(silent=True) or {}).get("detail")]
print(json.dumps([{" ".join(each): run(*each) for each in json.loads(sys.argv[1])}, told]))
"""
WORKED = "print(json.dumps({' '.join(each): run(*each) for each in json.loads(sys.argv[1])}))"
ROOT = Path(__file__).parent.parent.parent


@pytest.fixture
def work(tmp_path: Path) -> Callable[..., Any]:
    """Runs a script where nothing can be imported but what `ballgauge[extra]` brings."""

    def run_with(extra: str, commands: list[list[str]], *more: str, script: str = WORKED) -> Any:
        place = tmp_path / "installed"
        place.mkdir()
        others = others_than(extra)
        for entry in Path(sysconfig.get_path("purelib")).iterdir():
            if entry.name.partition(".")[0] not in others:
                (place / entry.name).symlink_to(entry)
        path = os.pathsep.join(map(str, (*(ROOT / name for name in ("schemas", "sdk", "service")), place)))
        command = [sys.executable, "-S", "-c", WITHIN + script, json.dumps(commands), *more]
        done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": path})
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return run_with


def others_than(extra: str) -> set[str]:
    """Top-level modules of what is installed here and no requirement of `ballgauge[extra]` brings."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    upcoming, seen = [f"ballgauge[{extra}]", *project["dependencies"]], set()
    while upcoming:
        asked = Requirement(upcoming.pop())
        name, parts = canonicalize_name(asked.name), {"", *asked.extras}
        if (name, *asked.extras) in seen:
            continue
        seen.add((name, *asked.extras))
        if name == "ballgauge":
            upcoming += [line for part in asked.extras for line in project["optional-dependencies"][part]]
            continue
        with suppress(metadata.PackageNotFoundError):
            for line in metadata.requires(name) or ():
                marker = Requirement(line).marker
                if marker is None or any(marker.evaluate({"extra": part}) for part in parts):
                    upcoming.append(line)
    brought = {name for name, *_ in seen}
    owners = metadata.packages_distributions().items()
    return {module for module, each in owners if not brought & set(map(canonicalize_name, each))}


LACKING = {
    "lots": ["lot " + LOT],
    "designs": ["design " + DESIGN, f"design {DESIGN} --report {{d}}/d.pdf"],
    "motion": ["motion " + MOTION, "lineup " + LINEUP, f"lineup {LINEUP} --report {{d}}/l.html"],
    "records": [
        *(f"drill {DRILLING} --sheet {{d}}/s.pdf", "verify {d}/r", "print {d}/r -o {d}/p.pdf", "key here"),
        *(f"sign {BALL}", "verify {d}/r.png"),
    ],
    "service": ["serve"],
}
"""By extra the commands that need it."""
NEEDED = {
    "lots": "/v1/lots /v1/records/lots",
    "designs": "/v1/designs",
    "motion": "/v1/motions /v1/lineups",
    "records": "/v1/records /v1/records/verify /v1/records/read /v1/records/prints /v1/records/keys"
    " /v1/drillings/sheets",
    "": "/v1/checks /v1/drillings /v1/rulebooks /openapi.json /healthz /readyz",
}
"""By extra the addresses that need it."""


def test_each_command_and_address_names_the_extra_that_it_lacks(
    tmp_path: Path, work: Callable[..., Any]
) -> None:
    """In a process with the packages of `ballgauge[check]` and no other, in the words of each surface."""
    (tmp_path / "r").write_text("e30.e30.e30")
    (tmp_path / "r.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    asked = {extra: [each.format(d=tmp_path) for each in lines] for extra, lines in LACKING.items()}
    commands = [line.split() for lines in asked.values() for line in lines]
    document = str(EXAMPLES.joinpath("openapi.json"))
    said, told = work("check", commands, document, script=TRIED)
    for extra, lines in asked.items():
        for line in lines:
            code, words = said[line]
            assert code == 3, line
            assert words.count("\n") == 1, words
            assert f"pip install 'ballgauge[{extra}]'" in words, line
    addresses = {path: extra for extra, paths in NEEDED.items() for path in paths.split()}
    assert {each.partition(" ")[0] for each in told} == set(addresses)
    for each, (status, words) in told.items():
        extra = addresses[each.partition(" ")[0]]
        assert status == 501 if extra else status == 200, (each, words)
        assert not extra or f"pip install 'ballgauge[{extra}]'" in words, each


BOX = {
    "weight": 15,
    "rg": 2.5,
    "differential": 0.04,
    "layout": {"drilling_angle": 60, "pin_to_pap": 4.5, "val_angle": 35},
}
COVER = {"name": "cover", "role": "cover", "shape": "sphere", "density": 1.17}
SMALL: dict[str, Any] = {
    "design": {"design": {"diameter": 8.58, "solids": [COVER]}},
    "lineup": {
        "balls": [{"name": name, "box": BOX} for name in "AB"],
        "bowlers": [{"name": "C", "bowler": "matched_one_handed"}],
        "lanes": [{"film": 30}],
    },
}


@pytest.mark.parametrize(
    ("extra", "lines"),
    [
        (
            "motion",
            ["lineup {d}/lineup --report {d}/l.pdf --language de"],
        ),
        (
            "records",
            [
                f"sign {BALL} -o {{d}}/r",
                "verify {d}/r",
                f"drill {DRILLING} --sheet {{d}}/s.pdf --language de",
            ],
        ),
        ("lots", [f"lot {LOT} --report {{d}}/l.pdf --language de --rows {{d}}/l.parquet"]),
        ("designs", ["design {d}/design --report {d}/d.pdf --language de --drawing {d}/d.svg"]),
    ],
)
def test_an_extra_brings_all_that_its_work_needs(
    extra: str, lines: list[str], tmp_path: Path, work: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against the packages that pyproject.toml has it bring: no other can be imported."""
    for name, asked in SMALL.items():
        (tmp_path / name).write_text(json.dumps(asked))
    monkeypatch.setenv("BALLGAUGE_KEYS", "demo")
    monkeypatch.delenv("BALLGAUGE_KEYS_FILE", raising=False)
    said = work(extra, [line.format(d=tmp_path).split() for line in lines])
    assert {line: words for line, (code, words) in said.items() if code not in (0, 1)} == {}
