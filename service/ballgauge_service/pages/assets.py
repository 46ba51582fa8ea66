"""Stylesheets, scripts and pictures of the pages: their version, and the modules that a page needs."""

from __future__ import annotations

import hashlib
import re
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent / "static"
EVERYWHERE = "frame.js"
"""The module of every page."""

_IMPORT = re.compile(r'(?:from|import) "\./([\w-]+\.js)"')


@cache
def version() -> str:
    """A digest of all files, part of their addresses: a browser keeps them until one changes."""
    digest = hashlib.sha256()
    for file in sorted(FOLDER.iterdir()):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:12]


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
