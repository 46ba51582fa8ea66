"""Public functions of formulas say what they take and give, in numpydoc's sections."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import ballgauge_service

HOUSE = Path(ballgauge_service.__file__).parent
ROOMS = ("physics", "lot/sampling", "lot/statistics", "design")
MOTION = (
    *("aiming", "balls", "bowlers", "calibration", "delivery", "explanations", "lanes", "line_maps"),
    *("lineup/causes", "lineup/places", "measured", "spreads", "squads", "starts", "surfaces"),
)
"""Modules of motion with formulas; the others read, write or draw."""

HELD = sorted(
    [
        *(path for room in ROOMS for path in (HOUSE / room).rglob("*.py")),
        *(HOUSE / "motion" / f"{name}.py" for name in MOTION),
    ]
)


def functions(body: list[ast.stmt]) -> Iterator[ast.FunctionDef]:
    """Those that others call, methods too."""
    for node in body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from functions(node.body)
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node


def lacking(function: ast.FunctionDef) -> list[str]:
    """The sections that a function needs, by its signature and what it raises itself, and does not have."""
    taken = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    is_attribute = any(ast.unparse(each).endswith("property") for each in function.decorator_list)
    needed = {
        "Parameters": any(each.arg not in ("self", "cls") for each in taken),
        "Returns": not is_attribute
        and function.returns is not None
        and ast.unparse(function.returns) != "None",
        "Raises": any(isinstance(node, ast.Raise) for node in ast.walk(function)),
    }
    lines = (ast.get_docstring(function) or "").splitlines()
    return [name for name, wanted in needed.items() if wanted and name not in lines]


@pytest.mark.parametrize("path", HELD, ids=lambda path: str(path.relative_to(HOUSE)))
def test_sections_are_there(path: Path) -> None:
    """Against the signatures, by the syntax tree."""
    found = {each.name: lacking(each) for each in functions(ast.parse(path.read_text("utf-8")).body)}
    assert {name: sections for name, sections in found.items() if sections} == {}
