"""The room of npm's programs: what package.json names is there and runs on the wheel's own node."""

from __future__ import annotations

import json

from tests import node


def test_every_package_named_is_installed() -> None:
    """`npm ci` put each development package where the tests look."""
    named = json.loads((node.HERE / "package.json").read_text())["devDependencies"]
    assert [name for name in named if not (node.modules() / name / "package.json").exists()] == []


def test_programs_run() -> None:
    """A program of a package runs, and the exit code of one that fails is given back."""
    assert node.run("node", "--eval", "process.stdout.write(process.version)").stdout.startswith("v24.")
    assert node.run("tsc", "--version").returncode == 0
    assert node.run("tsc", "--no-such-option").returncode != 0
