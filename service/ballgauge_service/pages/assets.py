"""Stylesheets, scripts and pictures of the pages: their version, and the modules that a page needs."""

from __future__ import annotations

import hashlib
import re
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent / "static"
EVERYWHERE = "frame.js"
"""The module of every page."""

_COMMENT = re.compile(r"^[ \t]*(?://[^\n]*|/\*\*.*?\*/[ \t]*)\n", re.MULTILINE | re.DOTALL)
"""A comment on lines of its own."""
_IMPORT = re.compile(r'(?:from|import) "\./([\w-]+\.js)"')
_LATER = re.compile(r'import\("\./([\w-]+\.js)"\)')


@cache
def version() -> str:
    """A digest of all files, part of their addresses: a browser keeps them until one changes."""
    digest = hashlib.sha256()
    for file in sorted(FOLDER.iterdir()):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:12]


@cache
def scripts() -> dict[str, bytes]:
    """Every script by its name, as a browser gets it: without its comments, a sixth of it."""
    found = {file.name: file.read_text(encoding="utf-8") for file in FOLDER.glob("*.js")}
    return {name: _COMMENT.sub("", text).encode() for name, text in found.items()}


@cache
def modules(script: str) -> tuple[str, ...]:
    """Every module that a page comes to import, so that it asks for all at once; `script` is its own."""
    found: dict[str, None] = {}
    left = [EVERYWHERE, script]
    while left:
        name = left.pop(0)
        file = FOLDER / name
        if name not in found and file.is_file():
            found[name] = None
            left += _IMPORT.findall(file.read_text(encoding="utf-8"))
    return tuple(found)


@cache
def later(script: str) -> tuple[str, ...]:
    """The modules that a page imports only when they are needed, whose words it brings all the same."""
    first = modules(script)
    asked = [each for name in first for each in _LATER.findall((FOLDER / name).read_text(encoding="utf-8"))]
    every = dict.fromkeys(name for each in asked for name in modules(each))
    return tuple(name for name in every if name not in first)
