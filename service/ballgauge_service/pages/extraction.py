"""The sentences of engine, rules and contract, found in their sources, as texts with named gaps.

`f"{rule.title} is {shown}, within the limit of {allowed}."` is the text
`{title} is {shown}, within the limit of {allowed}.` of a catalog.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from http import HTTPStatus
from pathlib import Path

import ballgauge_schemas
from ballgauge_schemas.shared.words import COVERS, INSPECTIONS, ROLES, SOLID_ROLES
from ballgauge_service.pages.sentences import BETWEEN_SENTENCES

SERVICE = Path(__file__).parent.parent
SCHEMAS = Path(ballgauge_schemas.__file__).parent

SOURCES = (
    (SERVICE, "check design lot motion record core/budget.py core/extras.py"),
    (
        SERVICE,
        "rulebooks/model.py rulebooks/wording.py web/access/access.py web/direct.py web/http/bodies.py",
    ),
    (SERVICE, "web/http/accepted.py web/http/refusals.py web/http/uploads.py web/routes"),
    (SCHEMAS, "shared check/request.py design/request.py motion/request.py lot/request.py"),
    (SCHEMAS, "motion/lineup_request.py"),
    (SCHEMAS, "record/documents.py"),
)
"""What says sentences that a page shows."""

_ELSEWHERE = (
    "/report/",
    "motion/lineup/panels.py",
    "motion/lineup/sheet.py",
    "motion/lineup/wording.py",
    "/pictures.py",
    "motion/squad_pictures.py",
    "solids/models.py",
    "record/prints.py",
    "record/labels.py",
    "routes/design_files.py",
    "routes/documentation.py",
    "routes/health.py",
    "shared/approved_list.py",
    "shared/deprecations.py",
    "shared/documents.py",
    "shared/field_table.py",
)
_DESCRIBED = {"description", "summary", "unit"}
_JOINING = ("and", "or", "Balls", "ball", "balls", "rule", "rules")
_REFUSED = (400, 401, 403, 404, 405, 408, 409, 411, 413, 414, 415, 422, 429, 500, 503, 504)
_AFTER_ANOTHER = re.compile(r"^\{\w+\} (?=[A-Z][a-z])")
"""A gap for a whole sentence before this one."""
_WORD = re.compile(r"[A-Za-z]{2,}")


@cache
def sentences() -> tuple[tuple[str, str], ...]:
    """Every sentence with the file that says it."""
    return tuple(_sentences())


def _sentences() -> Iterator[tuple[str, str]]:
    for root, places in SOURCES:
        for place in places.split():
            path = root / place
            for file in [path] if path.is_file() else sorted(path.rglob("*.py")):
                name = file.relative_to(root.parent).as_posix()
                if not any(part in name for part in _ELSEWHERE):
                    contract = root == SCHEMAS
                    yield from ((name, text) for text in _said(ast.parse(file.read_text("utf-8")), contract))
    for file in sorted((SERVICE / "rulebooks").glob("*.toml")):
        for text in _written(tomllib.loads(file.read_text("utf-8"))):
            yield from ((f"rulebooks/{file.name}", each) for each in BETWEEN_SENTENCES.split(text) if each)
    for word in (*_JOINING, *SOLID_ROLES, *ROLES, *COVERS, *INSPECTIONS):
        yield "schemas", word.replace("_", " ")
    for status in _REFUSED:
        yield "web/http/refusals.py", HTTPStatus(status).phrase


def _written(part: object) -> Iterator[str]:
    """Titles, editions, notes and messages of a file of rules."""
    members = part.values() if isinstance(part, dict) else part if isinstance(part, list) else ()
    for each in members:
        yield from _written(each)
    if isinstance(part, dict):
        told = tuple(part.get(name) for name in ("title", "edition", "note", "message", "notes"))
        yield str(part.get("quantity", "")).replace("_", " ")
        for text in told:
            texts = text.values() if isinstance(text, dict) else text if isinstance(text, list) else (text,)
            yield from (each for each in texts if isinstance(each, str))


def _said(tree: ast.Module, contract: bool) -> Iterator[str]:
    """What a module says; of a module of the contract without what describes a field."""
    silent = set(_unsaid(tree, contract))
    choices = {
        part for node in ast.walk(tree) if isinstance(node, ast.IfExp) for part in (node.body, node.orelse)
    }
    for node in ast.walk(tree):
        if node in silent:
            continue
        if isinstance(node, ast.JoinedStr):
            text = _text(node)
            # A format of a number within a sentence, and the sentence's own pieces, are said with it.
            silent.update(each for each in node.values if isinstance(each, ast.Constant))
            silent.update(
                each.format_spec
                for each in node.values
                if isinstance(each, ast.FormattedValue) and each.format_spec
            )
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        text = re.sub(r"\s+", " ", text).strip(" ;,:")
        if (_is_sentence(text) or (node in choices and text.isalpha())) and not (
            contract and _describes(text)
        ):
            yield from BETWEEN_SENTENCES.split(_AFTER_ANOTHER.sub("", text))


def _is_sentence(text: str) -> bool:
    plain = re.sub(r"\{\w*\}", "", text)
    return (
        " " in text
        and len(_WORD.findall(plain)) >= 1
        and not re.search(r"://|^/|[<>\[\]|]|\S=|\w\(|^\S*_\S*$", plain)
    )


def _describes(text: str) -> bool:
    return text[:1].isupper() and text.endswith(".")


def _unsaid(tree: ast.Module, contract: bool) -> Iterator[ast.AST]:
    """Docstrings and other texts that no answer holds."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node.value
        elif isinstance(node, ast.keyword) and node.arg in _DESCRIBED:
            yield from ast.walk(node.value)
        elif isinstance(node, ast.Call) and _is_of(node.func, ("_log", "log", "re")):
            yield from (part for argument in node.args for part in ast.walk(argument))
        elif isinstance(node, ast.Call) and contract and any(map(_describes, _constants(node))):
            yield from (part for part in node.args if isinstance(part, ast.Constant))
        elif isinstance(node, ast.AnnAssign):
            yield from ast.walk(node.annotation)


def _is_of(node: ast.expr, names: tuple[str, ...]) -> bool:
    return isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in names


def _constants(node: ast.Call) -> Iterator[str]:
    parts = (*node.args, *(each.value for each in node.keywords))
    return (part.value for part in parts if isinstance(part, ast.Constant) and isinstance(part.value, str))


def _text(node: ast.JoinedStr) -> str:
    parts: list[str] = []
    names: list[str] = []
    for part in node.values:
        if isinstance(part, ast.Constant):
            parts.append(str(part.value))
        elif isinstance(part, ast.FormattedValue):
            name = _name(part.value)
            count = names.count(name)
            names.append(name)
            parts.append(f"{{{name}{count + 1 if count else ''}}}")
    return "".join(parts)


def _name(node: ast.expr) -> str:
    """What a gap is called: the last name in the expression that fills it."""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name.strip("_")
        case ast.Call(func=ast.Name(id=name) | ast.Attribute(attr=name), args=[]):
            return name.strip("_")
        case ast.Call(args=[first, *_]):
            return _name(first)
        case ast.Subscript(value=value):
            return _name(value)
        case _:
            return "part"
