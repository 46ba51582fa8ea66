"""Lint, types and the arrows of the house are part of the tests, as pyproject.toml sets them."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


SCRIPTS = sorted(str(path.relative_to(ROOT)) for path in ROOT.glob("docker/**/*.sh"))
COMMANDS = [
    ("ruff", "check"),
    ("ruff", "format", "--check"),
    ("mypy",),
    ("lint-imports", "--no-cache"),
    ("bandit", "--quiet", "-ll", "--recursive", "schemas", "sdk", "service", "docker"),
    ("shellcheck", *SCRIPTS),
    ("hadolint", "--failure-threshold", "warning", "docker/Dockerfile"),
]


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: " ".join(command[:3]))
def test_clean(command: tuple[str, ...]) -> None:
    program = Path(sys.executable).with_name(command[0])
    done = subprocess.run([program, *command[1:]], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_what_developers_are_pointed_to_is_there(tracked: list[str]) -> None:
    """Against the files of the repository: every file, folder and test that DEVELOPERS.md names."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    files = re.findall(r"`([a-z][\w/-]*\.(?:py|toml|md|json|sh|txt|po|yaml))`", text)
    assert [name for name in files if not any(f"/{path}".endswith(f"/{name}") for path in tracked)] == []
    folders = re.findall(r"`((?:tests|service|sdk|schemas|docker|web|core|physics|pages)/[a-z_/]*)`", text)
    assert [name for name in folders if not any(name.strip("/") in path for path in tracked)] == []
    tests = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("test_*.py"))
    functions = re.findall(r"`(?:[\w/]+::)?(test_\w+)`", text)
    modules = {path.stem for path in (ROOT / "tests").rglob("test_*.py")}
    assert [name for name in functions if f"def {name}(" not in tests and name not in modules] == []


WORDS = re.compile(r"(?:[A-Za-z][a-z']*[,;:]? ){3}[A-Za-z]")
"""Four words after another: a sentence, or a good part of one."""


def _sentences_in(node: ast.AST) -> Iterator[str]:
    """Sentences below a node that no `sentence(name)` holds; scripts of a page begin with `return`."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "sentence":
        return
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and WORDS.search(node.value):
        yield node.value
    for child in ast.iter_child_nodes(node):
        yield from _sentences_in(child)


def test_sentences_are_held_in_one_place(tracked: list[str]) -> None:
    """Asserts hold codes, pointers and values; of a sentence, `sentence(name)`."""
    found = [
        (name, node.lineno, text)
        for name in tracked
        if name.startswith("tests/") and name.endswith(".py")
        for node in ast.walk(ast.parse((ROOT / name).read_text(encoding="utf-8")))
        if isinstance(node, ast.Assert) or (isinstance(node, ast.keyword) and node.arg == "match")
        for text in _sentences_in(node.test if isinstance(node, ast.Assert) else node.value)
        if not text.startswith("return ")
    ]
    assert len(found) <= 15, "\n".join(map(str, found))
