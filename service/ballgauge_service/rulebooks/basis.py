"""What the rules rest on: `python -m ballgauge_service.rulebooks.basis` prints the guide's table of it."""

from __future__ import annotations

import sys

from ballgauge_schemas.shared.words import BASES
from ballgauge_service.rulebooks.loader import shipped
from ballgauge_service.rulebooks.model import Rulebook


def basis_table() -> str:
    """The limits of the shipped rulebooks and overlays by how sure they are, as a table in Markdown."""
    known = shipped()
    books = [(name.upper(), book) for name, book in sorted(known.books.items(), reverse=True)]
    overlays = [(over.title, over) for _, over in sorted(known.overlays.items())]
    rows = [row for name, book in (*books, *overlays) for row in _rows(name, book)]
    return "\n".join(("| rulebook | basis | limits | of the rules |", "|---|---|---|---|", *rows))


def _rows(name: str, book: Rulebook) -> list[str]:
    rows = []
    for basis in BASES:
        limits = [
            rule for rule in book.rules for row in rule.limits if (row.basis, row.effect) == (basis, "limit")
        ]
        if limits:
            titles = "; ".join(dict.fromkeys(rule.title for rule in limits))
            rows.append(f"| {name} | {basis.replace('_', ' ')} | {len(limits)} | {titles} |")
    return rows


if __name__ == "__main__":
    sys.stdout.write(basis_table() + "\n")
