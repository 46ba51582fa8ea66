"""The row of a table's headings: found below titles, group headings and a spreadsheet's `sep=`, and told."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from ballgauge_schemas.shared.words import DATE_ORDERS
from ballgauge_service.lot.reading.headings import (
    DAYS,
    Heading,
    bad_file,
    no_headings,
    recognized,
    resolve_headings,
    with_units,
)
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.reading.synonyms import unit_named

TOP = 40
"""Rows at the start of a table among which its headings are looked for (ours)."""

_DAY = re.compile(r"(\d{1,2})([./-])(\d{1,2})[./-]\d{4}(?:[ T]0?0:00.*)?")


class HeadingRow(NamedTuple):
    """A row of headings: its number in the file, its texts, and how much of them is known."""

    row: int
    texts: list[str]
    known: tuple[bool, int]


def best_row(rows: Mapping[int, Sequence[str]], options: ReadingOptions) -> HeadingRow | None:
    """The row of most known headings among some, by number, the first of several; None where none has any."""
    best: HeadingRow | None = None
    for row, cells in rows.items():
        if options.header_row not in (None, row):
            continue
        plain = HeadingRow(row, list(cells), recognized(cells, options))
        found = [plain]
        # Of numbers alone it would be a ball below its headings.
        if plain.known[1] or options.header_row == row:
            under = _under(rows.get(row - 1, ()), cells)
            found.append(HeadingRow(row, under, recognized(under, options)))
        for each in found:
            if each.known[1] and (best is None or each.known > best.known):
                best = each
    return best


def _under(above: Sequence[str], cells: Sequence[str]) -> list[str]:
    """Headings below group headings: an empty one is that above it; 1, 2, 3 count the readings of a group."""
    found, group, count = [], "", 0
    for place, cell in enumerate(cells):
        head = above[place].strip() if place < len(above) else ""
        if head:
            group, count = head, 0
        if not cell.strip():
            found.append(head)
        elif group and cell.strip() == str(count + 1):
            count += 1
            found.append(f"{group} {count}")
        else:
            found.append(cell)
    return found


def table_headings(
    found: HeadingRow, below: Sequence[str] | None, options: ReadingOptions
) -> tuple[list[Heading], bool]:
    """The headings of a table, and whether the row below them holds their units. Raises InvalidInput."""
    if no_headings(found.texts):
        text = "no headings: the first row looks like a ball; name the columns in it"
        raise bad_file(text, row=found.row)
    headings = resolve_headings(found.texts, options)
    with_row = None if below is None else _units(headings, below)
    return (headings, False) if with_row is None else (with_row, True)


def _units(headings: list[Heading], cells: Sequence[str]) -> list[Heading] | None:
    """The headings with the units in the row below them; None where it holds anything else."""
    found = []
    for heading, cell in zip(headings, [*cells, *[""] * len(headings)], strict=False):
        quantity, unit = heading.quantity, cell.strip().strip("[]()")
        if quantity is None or unit in ("", "-"):
            found.append(heading)
            continue
        sized = unit_named(quantity.kind, unit)
        if sized is None or (heading.own_unit and sized[1] != heading.size):
            return None
        found.append(replace(heading, unit=sized[0], size=sized[1], own_unit=True))
    named = any(new.own_unit and not old.own_unit for new, old in zip(found, headings, strict=True))
    return with_units(found) if named else None


def dates_of(
    headings: Sequence[Heading], rows: Iterable[Sequence[object]], options: ReadingOptions
) -> str | None:
    """The order of day and month in a table's days: named, or told by a number over twelve or by points.

    None where every day begins with its year. Raises InvalidInput where it is open.
    """
    if options.dates is not None:
        return options.dates
    places = [place for place, heading in enumerate(headings) if heading.field in DAYS]
    seen: Counter[str] = Counter()
    for cells in rows if places else ():
        for place in places:
            cell = cells[place] if place < len(cells) else None
            match = _DAY.fullmatch(cell.strip()) if isinstance(cell, str) else None
            if match is not None:
                day_first, month_first = int(match[1]) > 12, int(match[3]) > 12
                mark = "day_first" if day_first or match[2] == "." else "open"
                seen["month_first" if month_first and not day_first else mark] += 1
    if seen["day_first"] and seen["month_first"]:
        raise bad_file("some days have the day first and some the month; write them alike")
    if seen["open"] and not (seen["day_first"] or seen["month_first"]):
        raise bad_file("days such as 03/04/2024 may have the day or the month first; say it in dates")
    return next((order for order in DATE_ORDERS if seen[order]), None)
