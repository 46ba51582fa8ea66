"""`ballgauge fields`: every field of a request with its unit, range and default."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from ballgauge._command.paper import Paper

FIRST = "CheckedBall"


def names(begun: str = "") -> list[str]:
    """The schemas of requests and their parts, by their beginning."""
    from ballgauge_schemas.shared import field_table

    return field_table.names(begun)


def of(schema: str | None) -> list[dict[str, Any]]:
    """The fields of a schema. Raises click.BadParameter for one that is none."""
    from ballgauge_schemas.shared import field_table

    known = {name.lower(): name for name in names()}
    name = known.get((schema or FIRST).lower())
    if name is None:
        raise click.BadParameter(
            f"there is no {schema!r}; there are {', '.join(known.values())}", param_hint="SCHEMA"
        )
    return field_table.rows(name)


def tell(paper: Paper, found: Sequence[Mapping[str, Any]], schema: str | None) -> None:
    """Report the fields."""
    rows = [
        (
            each["field"] + (" *" if each["required"] else ""), each["kind"], each["range"],
            "" if each["default"] is None else str(each["default"]), each["description"],
        )
        for each in found
    ]  # fmt: skip
    paper.table(("field", "unit or kind", "range", "default", "what it is"), rows, schema or FIRST)
    paper.notes(['* is required. A number is in the unit; a text may have another: "6.85 kg".'])
    if schema is None:
        paper.notes([", ".join(names())], "Schemas")
