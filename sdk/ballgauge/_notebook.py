"""Results in a notebook: a table as HTML, and data frames of whatever library is there."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from html import escape
from importlib import import_module
from importlib.util import find_spec
from typing import Any

_MOST_ROWS = 30
"""Rows of a table as HTML (ours); a frame has all."""

_COLUMNS = ("outcome", "title", "rule", "serial", "row", "value", "unit", "limit", "margin", "probability",
            "reason", "name", "x", "y")  # fmt: skip
_COLORS = {
    "conforming": "#1a7f37",
    "nonconforming": "#b3261e",
    "inconclusive": "#8a5a00",
    "not_assessed": "#57606a",
}


def frame(rows: Iterable[Mapping[str, Any]]) -> Any:
    """A data frame of the rows, made with pandas or polars: the one that is loaded, or else installed."""
    flat = [_flat(row) for row in rows]
    installed = [name for name in ("pandas", "polars") if find_spec(name) is not None]
    if not installed:
        raise ImportError("a data frame is made with pandas or polars, and neither is installed")
    chosen = next((name for name in installed if name in sys.modules), installed[0])
    library = import_module(chosen)
    return (
        library.DataFrame(flat) if chosen == "pandas" else library.DataFrame(flat, infer_schema_length=None)
    )


def _flat(row: Mapping[str, Any], above: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in row.items():
        if isinstance(value, dict):
            found |= _flat(value, f"{above}{name}.")
        else:
            found[f"{above}{name}"] = value
    return found


def page(kind: str, document: Mapping[str, Any], rows_in: str) -> str:
    """A result as HTML: its outcome, and the table that tells most of it, worst first."""
    outcome = document.get("outcome") or document.get("acceptance", {}).get("outcome", "")
    head = f"<p><b>{escape(kind)}</b> {_cell('outcome', outcome)}</p>"
    rows = [row for row in document.get(rows_in) or () if isinstance(row, dict)]
    order = list(_COLORS)[1:]
    rows.sort(key=lambda row: order.index(row["outcome"]) if row.get("outcome") in order else len(order))
    shown = rows[:_MOST_ROWS]
    names = [name for name in _COLUMNS if any(row.get(name) is not None for row in shown)]
    if "title" in names and "rule" in names:
        names.remove("rule")
    if not names:
        return head
    titles = "".join(f"<th>{escape(name)}</th>" for name in names)
    lines = "".join(
        "<tr>" + "".join(f"<td>{_cell(name, row.get(name))}</td>" for name in names) + "</tr>"
        for row in shown
    )
    more = f"<p>and {len(rows) - len(shown)} more rows</p>" if len(rows) > len(shown) else ""
    return f"{head}<table><thead><tr>{titles}</tr></thead><tbody>{lines}</tbody></table>{more}"


def _cell(name: str, value: Any) -> str:
    if isinstance(value, dict):
        ends = [f"{end} {value[end]:g}" for end in ("min", "max") if value.get(end) is not None]
        value = ", ".join(ends)
    text = "" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)
    if name == "outcome" and text in _COLORS:
        return f'<span style="color:{_COLORS[text]}">{escape(text)}</span>'
    return escape(text)
