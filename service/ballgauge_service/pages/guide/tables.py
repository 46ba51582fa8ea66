"""The tables of the guide that are made, not written: fields, problems, and what the rules rest on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from http import HTTPStatus

from ballgauge_schemas.shared import field_table
from ballgauge_schemas.shared.problems import TYPES
from ballgauge_service.rulebooks.basis import basis_table


def fields() -> str:
    """Every field that a request may have, by its schema."""
    return "\n\n".join(map(_schema, field_table.walked()))


def _schema(name: str) -> str:
    rows = [
        _row(
            f"`{each['field']}`" + (" (required)" if each["required"] else ""),
            each["kind"].replace(" | ", ", "),
            each["range"],
            "" if each["default"] is None else str(each["default"]),
            each["description"],
        )
        for each in field_table.rows(name)
    ]
    head = ("| field | unit or kind | range | default | what it is |", "|---|---|---|---|---|")
    return "\n".join((f"## {name}", "", *head, *rows))


def problems() -> str:
    """Every type of problem with its status."""
    rows = [
        _row(str(status), HTTPStatus(status).phrase, f"[`{kind}`](#{anchor(status, kind)})")
        for status, kind in TYPES.items()
    ]
    return "\n".join(("| status | in words | type |", "|---|---|---|", *rows))


def anchor(status: int, kind: str) -> str:
    """The anchor of a problem's section."""
    return f"{status}-{kind.rpartition(':')[2]}"


def _row(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"


TABLES: Mapping[str, Callable[[], str]] = {"fields": fields, "problems": problems, "basis": basis_table}
"""By the word of the comment in whose place they stand."""
