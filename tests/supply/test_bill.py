"""The bill of materials (CycloneDX), by the image's own script."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

BILL_SH = Path(__file__).parent.parent.parent / "docker" / "steps" / "bill.sh"


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory, licenses: ModuleType) -> Path:
    """A virtual environment with Flask and what it needs, linked from this one."""
    folder = tmp_path_factory.mktemp("bill") / "environment"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(folder)], check=True)
    packages = next(folder.glob("lib/python3*/site-packages"))
    for held in licenses.closure(["flask"]).values():
        for top in {file.parts[0] for file in held.files or () if file.parts[0] not in ("..", "__pycache__")}:
            (packages / top).symlink_to(Path(str(held.locate_file(top))).resolve())
    return folder


@pytest.fixture(scope="module")
def bill(environment: Path) -> Path:
    """The bill of that environment."""
    file = environment.parent / "deep" / "bill.json"
    done = subprocess.run(
        ["sh", str(BILL_SH), sys.prefix, str(environment), str(file)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return file


def test_it_passes_the_published_schema(bill: Path) -> None:
    """CycloneDX 1.6, strictly."""
    errors = JsonStrictValidator(SchemaVersion.V1_6).validate_str(bill.read_text())
    assert errors is None


def test_it_names_everything_that_is_installed(bill: Path, licenses: ModuleType) -> None:
    """Against importlib.metadata, with versions and licenses; each has its package address (purl)."""
    components = json.loads(bill.read_text())["components"]
    told = {(part["name"].lower(), part["version"]) for part in components}
    held = licenses.closure(["flask"])
    assert len(held) >= 6
    assert told == {(one.metadata["Name"].lower(), one.version) for one in held.values()}
    assert [part for part in components if "purl" not in part or not part.get("licenses")] == []


def test_it_says_what_needs_what(bill: Path) -> None:
    document = json.loads(bill.read_text())
    names = {part["bom-ref"]: part["name"].lower() for part in document["components"]}
    needs = {
        names.get(one["ref"]): {names[ref] for ref in one.get("dependsOn", ())}
        for one in document["dependencies"]
    }
    assert {"werkzeug", "jinja2"} <= needs["flask"]


def test_it_tells_neither_time_nor_serial(bill: Path) -> None:
    """The same environment gives the same bill."""
    document = json.loads(bill.read_text())
    assert "timestamp" not in document.get("metadata", {})
    assert "serialNumber" not in document
