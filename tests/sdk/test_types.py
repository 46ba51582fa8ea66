"""Types as others see them: mypy --strict on a program that uses the installed packages."""

from __future__ import annotations

import inspect
import json
import os
import pickle
import re
import rlcompleter
import runpy
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from tests import node

import ballgauge
from ballgauge import types
from ballgauge_schemas import example, openapi_document

ROOT = Path(__file__).parent.parent.parent
PACKAGES = ("ballgauge_schemas", "ballgauge", "ballgauge_service")


def test_every_package_of_the_wheel_says_that_it_is_typed(installed: Path) -> None:
    """PEP 561: a file `py.typed` in each package."""
    assert [name for name in PACKAGES if not (installed / name / "py.typed").is_file()] == []


def test_the_wheel_brings_its_documents_and_its_plugin(installed: Path) -> None:
    """Against what the documentation says is in it."""
    lot = "example_lots/ostrel_tarn_48.csv"
    for file in ("openapi.json", "CHANGELOG.md", "examples/drilled.json", lot):
        assert (installed / "ballgauge_schemas" / file).is_file(), file
    (told,) = installed.glob("ballgauge-*.dist-info/entry_points.txt")
    assert "[pytest11]\nballgauge = ballgauge.contract.plugin" in told.read_text()
    assert not list(installed.glob("tests*"))


PROGRAMS = Path(__file__).parent / "programs"


def mypy(installed: Path, folder: Path, *given: str) -> str:
    """What mypy --strict says, with nothing of this project's own settings."""
    strict = (
        "--strict",
        "--config-file",
        os.devnull,
        "--follow-imports",
        "silent",
        "--cache-dir",
        str(folder),
    )
    done = subprocess.run(
        [sys.executable, "-m", "mypy", *strict, *given],
        cwd=folder,
        env={**os.environ, "MYPYPATH": str(installed)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


def pyright(installed: Path, folder: Path, *given: str) -> str:
    """What pyright in its strict mode says."""
    settings = {"typeCheckingMode": "strict", "extraPaths": [str(installed)], "include": list(given)}
    (folder / "pyrightconfig.json").write_text(json.dumps(settings))
    return node.run("pyright", "--pythonpath", sys.executable, cwd=folder).stdout


def errors(said: str, program: str) -> set[int]:
    """The lines of a program at which a type checker found an error."""
    return {int(line) for line in re.findall(rf"{program}:(\d+):(?:\d+ -)? error", said)}


@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_a_program_that_uses_the_interface_is_strict(installed: Path, tmp_path: Path, version: str) -> None:
    """mypy --strict for each Python: the types promised are there, and wrong uses are errors."""
    said = mypy(installed, tmp_path, "--python-version", version, str(PROGRAMS / "consumer.py"))
    assert said.startswith("Success"), said


@pytest.mark.parametrize("checker", [mypy, pyright])
def test_a_slip_is_seen_and_what_is_right_is_not_refused(
    installed: Path, tmp_path: Path, checker: Callable[..., str]
) -> None:
    """Against the marks: every line that ends in "# slip" is an error, and no other line is one."""
    for program in ("slips.py", "usages.py"):
        shutil.copy(PROGRAMS / program, tmp_path)
    said = checker(installed, tmp_path, "slips.py", "usages.py")
    lines = (PROGRAMS / "slips.py").read_text(encoding="utf-8").splitlines()
    slips = {number for number, line in enumerate(lines, start=1) if line.endswith("# slip")}
    assert len(slips) > 16
    assert errors(said, "slips.py") == slips, said
    assert errors(said, "usages.py") == set(), said


def test_the_types_are_those_of_the_schemas(tmp_path: Path) -> None:
    """Written anew, they are the same: otherwise, python sdk/write_types.py."""
    written = tmp_path / "types.py"
    subprocess.run([sys.executable, ROOT / "sdk" / "write_types.py", written], check=True)
    assert written.read_text(encoding="utf-8") == (ROOT / "sdk" / "ballgauge" / "types.py").read_text("utf-8")


RESULTS = {
    "CheckBrief": ballgauge.BriefResult,
    **{kind.__name__: kind for kind in (
        ballgauge.CheckResult, ballgauge.DesignResult, ballgauge.DrillingResult, ballgauge.Finding,
        ballgauge.Limit, ballgauge.LineupResult, ballgauge.LotResult, ballgauge.LotRow,
        ballgauge.LotSeriesResult, ballgauge.MotionResult, ballgauge.Unmet,
    )},
}  # fmt: skip
OWN = {"LotResult": {"drawn", "lot_accepted", "outcome", "message"}}
"""Members that are read as something simpler than they are, or from deeper down."""


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_results_have_the_members_of_the_schemas(name: str) -> None:
    """Every member, type by type, but for None where a default stands for what is absent."""
    writer = runpy.run_path(str(ROOT / "sdk" / "write_types.py"))["Writer"](openapi_document())
    told = {each: writer.member(name, each) for each in writer.schemas[name]["properties"]}
    mine = inspect.get_annotations(RESULTS[name])
    kinds = {each: getattr(kind, "__forward_arg__", kind) for each, kind in mine.items()}
    found = {each: kind.replace("types.", "") for each, kind in kinds.items()}
    wrong = {
        each: (kind, told[each])
        for each, kind in found.items()
        if each in told
        and each not in OWN.get(name, ())
        and kind not in (told[each], told[each].removesuffix(" | None"))
    }
    assert wrong == {}
    assert found.keys() == told.keys() | OWN.get(name, set())


def test_nested_results_have_kinds_and_complete(server: str) -> None:
    """Each kind says what it may have; what this one has not is None, and a slip is an error."""
    with ballgauge.Client(server) as client:
        result = client.check(example("drilled"))
        briefly = client.check({"ball": {"weight": 15}})
        rules = client.rulebooks("usbc")
    balance = result.derived.balance
    assert isinstance(balance, types.DerivedBalance)
    assert isinstance(balance, ballgauge.Record)
    assert isinstance(balance.predicted, types.Readings)
    assert isinstance(result.derived.holes[0], types.DerivedHole)
    assert isinstance(rules[0].rules[0], types.Rule)
    assert briefly.derived.balance is None
    assert {"predicted", "measured", "to_dict"} <= set(dir(balance))
    with pytest.raises(AttributeError, match="sdie"):
        _ = balance.predicted.sdie  # type: ignore[attr-defined]
    completer = rlcompleter.Completer({"result": result, "ballgauge": ballgauge})
    assert "result.derived.balance" in completer.attr_matches("result.derived.ba")
    assert "result.derived.balance.predicted.side" in completer.attr_matches(
        "result.derived.balance.predicted.s"
    )
    assert "ballgauge.AsyncClient(" in [
        each.rstrip(")") for each in completer.attr_matches("ballgauge.Async")
    ]
    again = pickle.loads(pickle.dumps(balance))
    assert again == balance
    assert type(again) is type(balance)


def test_the_types_wait_until_they_are_asked_for() -> None:
    """In a process of its own: a client is made, and a check read, without them."""
    program = (
        "import sys, ballgauge; client = ballgauge.Client('http://127.0.0.1:9'); "
        "ballgauge.CheckResult({'outcome': 'conforming', 'findings': []}).outcome; "
        "assert 'ballgauge.types' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", program], check=True)
