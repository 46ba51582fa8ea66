"""What a release has to agree on: one version, a changelog, and the Pythons that it is for."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib.metadata import distribution, version
from importlib.resources import files
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet

import ballgauge
from ballgauge_schemas import openapi_document

ROOT = Path(__file__).parent.parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
CHANGELOG = files("ballgauge_schemas").joinpath("CHANGELOG.md").read_text(encoding="utf-8")
PYTHONS = ("3.11", "3.12", "3.13")
SEMANTIC = r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)"
"""Semantic Versioning 2.0.0, without pre-releases."""


def released() -> list[str]:
    return re.findall(r"^## (\S+)$", CHANGELOG, flags=re.MULTILINE)


def test_one_version_everywhere() -> None:
    """pyproject.toml is the home; the installed package, the client, the document and the changelog follow.

    Where this fails after a change of the version: `pip install -e .`, `python -m ballgauge_schemas.openapi`.
    """
    stated = PROJECT["version"]
    assert re.fullmatch(SEMANTIC, stated)
    assert version("ballgauge") == stated
    assert ballgauge.__version__ == stated
    assert openapi_document()["info"]["version"] == stated
    assert released()[0] == stated


def test_the_changelog_goes_from_new_to_old_and_says_what_changed() -> None:
    """Against the order of the versions, and the kinds of change."""
    numbers = [tuple(map(int, re.fullmatch(SEMANTIC, each).groups())) for each in released()]  # type: ignore[union-attr]
    assert numbers == sorted(numbers, reverse=True)
    assert len(set(numbers)) == len(numbers) >= 2
    kinds = set(re.findall(r"^### (.+)$", CHANGELOG, flags=re.MULTILINE))
    assert kinds <= {"Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"}
    for part in re.split(r"^## ", CHANGELOG, flags=re.MULTILINE)[1:]:
        assert "\n- " in part


def test_every_released_version_but_this_one_is_kept_for_comparison() -> None:
    """Against the folders of tests/compatibility: an unrecorded release promises nothing to anybody."""
    kept = {folder.parent.name for folder in (ROOT / "tests/compatibility").glob("*/openapi.json")}
    assert set(released()[1:]) <= kept


def test_the_pythons_named_are_those_admitted() -> None:
    """The classifiers against requires-python."""
    named = [line.rpartition(" ")[2] for line in PROJECT["classifiers"] if re.search(r":: 3\.\d+$", line)]
    assert named == list(PYTHONS)
    assert all(SpecifierSet(PROJECT["requires-python"]).contains(f"{each}.0") for each in PYTHONS)


def requirements(*extras: str) -> list[str]:
    """Names of what is installed for some extras, ours among them followed, and what those need in turn."""
    found: dict[str, None] = {}
    pending = [*PROJECT["dependencies"], f"ballgauge[{','.join(extras)}]"]
    while pending:
        needed = Requirement(pending.pop())
        name = re.sub(r"[-_.]+", "-", needed.name).lower()
        skipped = needed.marker is not None and not needed.marker.evaluate({"extra": ""})
        if name == "ballgauge":
            for extra in needed.extras:
                pending += PROJECT["optional-dependencies"][extra]
        if name in found or skipped or name == "ballgauge":
            continue
        found[name] = None
        pending += distribution(name).requires or []
    return sorted(found)


@pytest.mark.parametrize("name", requirements("service", "cluster", "strategies", "contract"))
def test_every_package_that_is_needed_admits_every_python(name: str) -> None:
    """Against the Requires-Python of the version installed, for the last patch of each Python."""
    told = distribution(name).metadata.get("Requires-Python")
    assert all(SpecifierSet(told or "").contains(f"{each}.99") for each in PYTHONS), told


@pytest.mark.parametrize("folder", ["schemas", "sdk", "service"])
def test_the_code_needs_no_newer_python(folder: str) -> None:
    """vermin, which reads syntax and the standard library's names: 3.11 is enough."""
    program = str(Path(sys.executable).with_name("vermin"))
    options = ["--no-tips", "--target=3.11-", "--violations", "--eval-annotations"]
    done = subprocess.run(
        [program, *options, str(ROOT / folder)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-3000:]
    assert "Minimum required versions: " in done.stdout


def test_the_bare_client_needs_requests_alone_and_the_command_little_more() -> None:
    """In a process that can import nothing else which any extra names."""
    # requests brings urllib3, whose words for failures are read.
    assert {Requirement(each).name for each in PROJECT["dependencies"]} == {"requests", "urllib3"}
    extras = PROJECT["optional-dependencies"]
    assert {Requirement(each).name for each in extras["cli"]} == {"click", "rich"}
    assert "ballgauge[cli]" in extras["check"]
    others = {"marshmallow", "pint", "numpy", "flask", "orjson", "httpx", "hypothesis"}
    script = (
        f"import sys; sys.modules.update(dict.fromkeys({others | {'click', 'rich'}!r}))\n"
        "import ballgauge\n"
        "client = ballgauge.Client('http://127.0.0.1:9', retries=0, key='k')\n"
        "try: client.check({'ball': {'weight': 15}})\n"
        "except ballgauge.ConnectionFailed: print('asked')\n"
        "try: ballgauge.AsyncClient('http://127.0.0.1:9')\n"
        "except ballgauge.ServiceUnreachable as error: print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[0] == "asked"
    assert "ballgauge[async]" in done.stdout
    command = (
        f"import sys; sys.modules.update(dict.fromkeys({others!r}))\n"
        "from ballgauge._command.program import run\n"
        "sys.argv[1:] = ['check', '-', '--url', 'http://127.0.0.1:9']; print(run(), run(['example']))"
    )
    told = subprocess.run(
        [sys.executable, "-c", command], input="{}", capture_output=True, text=True, check=True
    )
    assert told.stdout.rstrip().endswith("3 0"), told.stderr


def test_the_plug_in_loads_nothing_until_it_is_used() -> None:
    script = (
        "import sys, pytest\nbefore = set(sys.modules)\nimport ballgauge.contract.plugin\n"
        "print(*sorted(set(sys.modules) - before))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["ballgauge", "ballgauge.contract", "ballgauge.contract.plugin"]
