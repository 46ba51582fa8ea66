"""What the service stands on: exact versions with hashes, licenses, the audit."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

DOCKER = Path(__file__).parent.parent.parent / "docker"
REQUIREMENTS = DOCKER / "requirements"


def locked(name: str) -> dict[str, str]:
    """The version of each package of a lock."""
    text = (REQUIREMENTS / f"{name}.txt").read_text()
    return {
        canonicalize_name(found[1]): found[2] for found in re.finditer(r"^(\S+)==(\S+)", text, re.MULTILINE)
    }


@pytest.mark.parametrize("name", ["service", "build", "source"])
def test_every_version_has_its_hashes(name: str) -> None:
    """Against pip's rule for --require-hashes: == and at least one hash, nothing else in the file."""
    text = (REQUIREMENTS / f"{name}.txt").read_text().replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip()]
    assert lines
    for line in lines:
        assert re.fullmatch(r"[\w.-]+==[\w.+!-]+( ;[^-]+)?(\s+--hash=sha256:[0-9a-f]{64})+\s*", line), line[
            :80
        ]


def test_the_lock_is_of_the_present_requirements(licenses: ModuleType) -> None:
    """Against pyproject.toml: after a change there, docker/requirements/lock.sh writes it anew."""
    held = locked("service")
    for text in licenses.image_requirements():
        wanted = Requirement(text)
        version = held.get(canonicalize_name(wanted.name))
        assert version is not None, f"{wanted.name} is not locked"
        assert wanted.specifier.contains(version, prereleases=True), f"{wanted} against {version}"


def test_the_lock_is_written_for_the_image_s_extras(licenses: ModuleType) -> None:
    text = (REQUIREMENTS / "lock.sh").read_text()
    assert tuple(re.findall(r"--extra (\w+)", text)) == licenses.EXTRAS


@pytest.mark.parametrize("name", ["build", "source"])
def test_the_locks_of_tools_are_of_their_sources(name: str) -> None:
    held = locked(name)
    for text in (REQUIREMENTS / f"{name}.in").read_text().split():
        wanted = Requirement(text)
        assert wanted.specifier.contains(held[canonicalize_name(wanted.name)]), text


def test_the_lock_names_no_place_to_download_from() -> None:
    """Files are known by their hashes; where they come from is pip's own setting."""
    for path in REQUIREMENTS.glob("*.txt"):
        assert "://" not in path.read_text()


def listed() -> dict[str, str]:
    rows = re.findall(r"^\| ([\w.-]+) \| ([^|]+) \|", (DOCKER / "licenses.md").read_text(), re.MULTILINE)
    return {name: told.strip() for name, told in rows if name != "package"}


def test_every_license_is_allowed(licenses: ModuleType) -> None:
    """Against the list of those that are: one that is new is looked at before it is added."""
    for name, held in licenses.closure(licenses.image_requirements()).items():
        told = licenses.license_of(held)
        assert licenses.identifiers(told) <= licenses.ALLOWED.keys(), f"{name}: {told}"


def test_the_list_of_licenses_is_of_what_is_installed(licenses: ModuleType) -> None:
    """Against importlib.metadata: docker/requirements/licenses.py writes the list anew."""
    found = {
        name: licenses.license_of(held)
        for name, held in licenses.closure(licenses.image_requirements()).items()
    }
    told = listed()
    assert {name: told.get(name) for name in found} == found
    # Packages that only other versions of Python need are in the lock, or were when the list was made.
    assert len(set(told) - set(found) - set(locked("service"))) <= 3


@pytest.mark.parametrize(
    ("expression", "found"),
    [
        ("MIT", {"MIT"}),
        (
            "BSD-2-Clause AND Apache-2.0 WITH LLVM-exception",
            {"BSD-2-Clause", "Apache-2.0 WITH LLVM-exception"},
        ),
        ("MPL-2.0 AND (Apache-2.0 OR MIT)", {"MPL-2.0", "Apache-2.0", "MIT"}),
        ("GPL-3.0-only", {"GPL-3.0-only"}),
    ],
)
def test_expressions_are_taken_apart(licenses: ModuleType, expression: str, found: set[str]) -> None:
    """SPDX 2.3, annex D. An OR counts as an AND: stricter, and simpler."""
    assert licenses.identifiers(expression) == found


def audited(tmp_path: Path, ignored: str) -> subprocess.CompletedProcess[str]:
    """The audit with a program in place of pip-audit that tells what it was asked."""
    folder = tmp_path / "requirements"
    folder.mkdir()
    for name in ("audit.sh", "service.txt", "build.txt", "source.txt"):
        (folder / name).write_bytes((REQUIREMENTS / name).read_bytes())
    (folder / "audit.txt").write_text(ignored)
    program = tmp_path / "program"
    program.write_text('#!/bin/sh\necho "$@"\n')
    program.chmod(0o755)
    return subprocess.run(
        ["sh", str(folder / "audit.sh")], env={"PIP_AUDIT": str(program), "PATH": "/usr/bin:/bin"},
        capture_output=True, text=True,
    )  # fmt: skip


def test_the_audit_asks_about_every_lock_and_leaves_out_what_is_explained(tmp_path: Path) -> None:
    done = audited(tmp_path, "# why\nPYSEC-2026-1 only where files of others are opened\n")
    assert done.returncode == 0, done.stderr
    asked = done.stdout.splitlines()
    assert [re.findall(r"-r (\S+)", line) for line in asked] == [
        ["service.txt"],
        ["build.txt"],
        ["source.txt"],
    ]
    assert all("--ignore-vuln PYSEC-2026-1" in line and "--strict" in line for line in asked)


def test_the_audit_takes_no_exception_without_a_reason(tmp_path: Path) -> None:
    done = audited(tmp_path, "PYSEC-2026-1\n")
    assert done.returncode == 2
    assert "PYSEC-2026-1" in done.stderr


def test_the_exceptions_have_reasons() -> None:
    for line in (REQUIREMENTS / "audit.txt").read_text().splitlines():
        if line and not line.startswith("#"):
            assert len(line.split(maxsplit=1)) == 2, line
