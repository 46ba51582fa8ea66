"""Clients that common generators make of openapi.json check a ball against a running service."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests
from tests import node

import ballgauge_schemas
from ballgauge_schemas import example
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

from .wrong_services import served

DOCUMENT = Path(ballgauge_schemas.__file__).with_name("openapi.json")
PROGRAM = Path(__file__).parent / "programs" / "generated.ts"


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with served(create_app(json_logs=False, warm_up=False, settings=Settings())) as found:
        yield found


@pytest.fixture(scope="module")
def outcome(url: str) -> Any:
    return requests.post(f"{url}/v1/checks", json=example("drilled"), timeout=60).json()["outcome"]


def test_a_typescript_client_checks_a_ball(tmp_path: Path, url: str, outcome: str) -> None:
    """openapi-typescript's types, and tsc --strict: a member with a default is optional."""
    assert node.run("openapi-typescript", DOCUMENT, "-o", tmp_path / "api.ts").returncode == 0
    text = PROGRAM.read_text(encoding="utf-8").replace("EXAMPLE", json.dumps(example("drilled")))
    (tmp_path / "generated.ts").write_text(text, encoding="utf-8")
    strict = ("--strict", "--target", "es2022", "--module", "nodenext", "--lib", "es2022,dom")
    compiled = node.run("tsc", *strict, "generated.ts", cwd=tmp_path)
    assert compiled.returncode == 0, compiled.stdout
    told = node.run("node", "generated.js", url, cwd=tmp_path)
    assert told.stderr == ""
    one, (first, second) = json.loads(told.stdout)
    assert (one, first, second) == (outcome, outcome, "not_assessed")


@pytest.mark.parametrize(("right", "slip"), [('weight: "6.8 kg"', "wieght: 15"), ('"brief"', '"breif"')])
def test_the_compiler_sees_a_slip(tmp_path: Path, right: str, slip: str) -> None:
    """What is asked is closed: an unknown member and an unknown word do not compile."""
    assert node.run("openapi-typescript", DOCUMENT, "-o", tmp_path / "api.ts").returncode == 0
    text = PROGRAM.read_text(encoding="utf-8").replace("EXAMPLE", "{ ball: { weight: 15 } }")
    assert right in text
    (tmp_path / "generated.ts").write_text(text.replace(right, slip), encoding="utf-8")
    options = ("--strict", "--target", "es2022", "--module", "nodenext", "--lib", "es2022,dom", "--noEmit")
    assert slip.partition(":")[0].strip('"') in node.run("tsc", *options, "generated.ts", cwd=tmp_path).stdout


def test_a_python_client_checks_a_ball(tmp_path: Path, url: str, outcome: str) -> None:
    """datamodel-code-generator's classes: the example goes out, an answer with one more member in."""
    made = tmp_path / "generated.py"
    command = ["-m", "datamodel_code_generator", "--input", str(DOCUMENT), "--input-file-type", "openapi"]
    options = ["--output-model-type", "pydantic_v2.BaseModel", "--output", str(made)]
    subprocess.run([sys.executable, *command, *options], check=True, capture_output=True)
    spec = importlib.util.spec_from_file_location("generated", made)
    assert spec is not None
    assert spec.loader is not None
    classes: Any = importlib.util.module_from_spec(spec)
    sys.modules["generated"] = classes
    spec.loader.exec_module(classes)
    asked = classes.CheckRequest.model_validate(example("drilled"))
    body = asked.model_dump_json(exclude_none=True, by_alias=True)
    answer = requests.post(
        f"{url}/v1/checks", data=body, headers={"Content-Type": "application/json"}, timeout=60
    )
    assert answer.status_code == 200, answer.text
    told = classes.CheckResult.model_validate(answer.json() | {"edition_note": "of a newer version"})
    assert told.outcome.value == outcome
