"""Lint, types and the arrows of the house are part of the tests, as pyproject.toml sets them."""

from __future__ import annotations

import ast
import functools
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from ballgauge_schemas.shared import limits

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


@functools.cache
def _modules() -> dict[str, ast.Module]:
    """The modules of the service, client and contract by their paths, besides what is generated."""
    paths = [path for part in ("schemas", "sdk/ballgauge", "service") for path in (ROOT / part).rglob("*.py")]
    named = {str(path.relative_to(ROOT)): path for path in sorted(paths) if path.name != "types.py"}
    return {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in named.items()}


def test_a_list_of_words_has_one_home() -> None:
    """What the contract chooses from stands in `words.py`; no list of three words stands in two rooms."""
    homes: dict[frozenset[str], set[str]] = {}
    for name, tree in _modules().items():
        room = "contract" if name.endswith("shared/words.py") else "/".join(name.split("/")[:3])
        for node in ast.walk(tree):
            if isinstance(node, (ast.Tuple, ast.List, ast.Set)) and len(node.elts) > 1:
                members = [getattr(each, "value", None) for each in node.elts]
                if all(isinstance(each, str) for each in members):
                    homes.setdefault(frozenset(members), set()).add(room)
    generators = {"sdk/ballgauge/contract", "sdk/ballgauge/strategies"}
    twice = {members: rooms for members, rooms in homes.items() if len(rooms - generators) > 1}
    assert [each for each in twice.items() if len(each[0]) > 2 or "contract" in each[1]] == []


def _with_defaults(node: ast.AST) -> Iterator[tuple[str, ast.expr | None]]:
    """The parameters of a function, or the members of a class, that have a default."""
    if isinstance(node, ast.arguments):
        taken = [each.arg for each in (*node.posonlyargs, *node.args)]
        yield from zip(taken[len(taken) - len(node.defaults) :], node.defaults, strict=True)
        yield from zip((each.arg for each in node.kwonlyargs), node.kw_defaults, strict=True)
    elif isinstance(node, ast.ClassDef):
        members = [each for each in node.body if isinstance(each, ast.AnnAssign)]
        yield from ((ast.unparse(each.target), each.value) for each in members)


def test_a_default_is_no_copy_of_the_contracts() -> None:
    """A default named as a limit is that limit; a heading's level and a scatter are other numbers."""
    copies = {
        (Path(name).stem, each)
        for name, tree in _modules().items()
        for node in ast.walk(tree)
        for each, default in _with_defaults(node)
        if name.startswith("service/") and hasattr(limits, each.upper())
        if isinstance(default, ast.Constant) and default.value not in (None, 0, 1)
    }
    assert copies == {("blocks", "level"), ("bowlers", "launch_angle"), ("bowlers", "launch_board")}


def test_a_number_is_named_as_no_other() -> None:
    """A name of the contract's limits means one number; another number of the service has another name."""
    taken = [
        (name, each.id)
        for name, tree in _modules().items()
        for node in tree.body
        if name.startswith("service/") and isinstance(node, ast.Assign)
        if isinstance(node.value, ast.Constant) and not isinstance(node.value.value, str)
        for each in node.targets
        if isinstance(each, ast.Name) and hasattr(limits, each.id)
    ]
    assert taken == []


def test_what_is_made_stays_as_it_was_made() -> None:
    """Nobody goes around a frozen object's guard, but for the record of the client, which makes itself so."""
    changed = {name for name, tree in _modules().items() if "object.__setattr__" in ast.unparse(tree)}
    assert changed == {"sdk/ballgauge/_values.py"}


FACTORS = {25.4, 2.54, 0.0254, 0.45359237, 453.59237, 28.349523125, 144.0, 16.387064}
"""Inches and feet to meters and back, pounds and ounces to kilograms, in any of their guises."""


def test_a_factor_of_units_has_one_home() -> None:
    """The service takes its factors from `core/units.py`, the client from the contract's quantities."""
    copies = [
        (name, node.lineno)
        for name, tree in _modules().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, float) and node.value in FACTORS
        if not name.startswith(("schemas/", "sdk/ballgauge/contract/"))
    ]
    assert {name for name, _ in copies} == {"service/ballgauge_service/core/units.py"}, copies


BRITISH = re.compile(
    r"(?<!\.)\b\w*(?:colour|flavour|favour|behaviour|neighbour|honour|vapour|centre|millimetre|litre|fibre|grey|labell|modelle"
    r"|travell|cancelle|cancelling|signall|catalogue|programme[^rd]|practise|artefact|judgement|spelt|learnt|whilst"
    r"|(?:organ|recogn|normal|optim|minim|maxim|summar|serial|initial|standard|emphas|util|final|random|categor"
    r"|author|stabil)is(?:e|ing|ation))\w*",
    re.IGNORECASE,
)
KEPT = re.compile(r"centre(?:_of_mass(?:_[xyz])?)?|\w+_centre|labelledby|CancelledError")
"""Names of the released contract, of HTML and of Python."""


def test_spelling_is_american(tracked: list[str]) -> None:
    """Texts, docs and names alike."""
    found = [
        (name, word)
        for name in tracked
        if name.startswith(("schemas/", "sdk/", "service/", "README", "DEVELOPERS"))
        and name.endswith((".py", ".md", ".toml", ".html"))
        for word in BRITISH.findall((ROOT / name).read_text(encoding="utf-8"))
        if not KEPT.fullmatch(word)
    ]
    assert found == []
