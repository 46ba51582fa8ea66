"""What the command says about a line-up."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from ballgauge._command import requests_in
from ballgauge._command.paper import Paper
from ballgauge_schemas.shared.words import MEASURES, PLACED

Document = Mapping[str, Any]


def request(body: bytes, sheet: Mapping[str, str | None]) -> dict[str, Any]:
    """The request of a file, with how its sheet is written. Raises click.ClickException."""
    try:
        asked = requests_in.json_object(body)
    except ValueError as error:
        raise click.ClickException(f"the request {error}") from None
    given = {name: word for name, word in sheet.items() if word is not None}
    if given and isinstance(asked.get("sheet", {}), dict):
        asked["sheet"] = {**asked.get("sheet", {}), **given}
    return asked


def tell(paper: Paper, document: Document) -> None:
    """Report where every ball stands for every bowler, and what to say of it."""
    paper.heading(f"Line-up of {len(document['balls'])} balls against {document['reference']}")
    told = [f"{each['message']} ({each['pointer'] or each['code']})" for each in document["cautions"]]
    paper.notes(told, "Warnings")
    for row in document["bowlers"]:
        _row(paper, document, row)
    paper.notes([f"{name}: {words}" for name, words in document["definitions"].items()], "Words")
    paper.notes(document["assumptions"], "Assumptions")


def _row(paper: Paper, document: Document, row: Document) -> None:
    release, launch = row["thrown"]["release"], row["launches"][0]
    paper.heading(row["name"])
    how = (
        f"{release['speed']:g} mph, {release['rev_rate']:g} rpm, rotation {release['axis_rotation']:g} deg, "
        f"tilt {release['axis_tilt']:g} deg; from board {launch['launch_board']:.1f} at "
        f"{launch['launch_angle']:.1f} deg{'' if launch['aimed'] else ' (pocket not reached)'}"
    )
    paper.notes([how])
    differs = {(each["ball"], each["column"]): each for each in row["differences"]}
    rows = []
    for place in row["places"]:
        less = differs.get((place["ball"], place["column"]))
        rows.append(
            (place["ball"], document["columns"][place["column"]]["name"],
             *(_shown(place[name]) for name in MEASURES),
             *(_shown(less and less[name], signed=True) for name in PLACED), str(place["lost"]))
        )  # fmt: skip
    head = ("ball", "oil", "reads [ft]", "covers", "sharpness", "finish", "reads", "covers", "lost")
    paper.table((*head[:6], f"{head[6]} less {document['reference']}", f"{head[7]} less it", head[8]), rows)
    paper.notes([*row["sentences"], *(each["sentence"] for each in row["differences"])])


def _shown(found: Document | None, *, signed: bool = False) -> str:
    """A mean with its uncertainty, no digit below that."""
    if found is None:
        return ""
    places = digits(found["uncertainty"])
    sign = "+" if signed else ""
    return f"{found['mean']:{sign}.{places}f} ± {found['uncertainty']:.{places}f}"


def digits(uncertainty: float) -> int:
    """Decimals of the first digit of an uncertainty; two where there is none."""
    if uncertainty < 1e-6:
        return 2
    first = f"{uncertainty:.0e}"
    return max(-int(first.partition("e")[2]), 0)
