"""Lots at the command line: a request's options, the progress of a long file, the report in words."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import click

from ballgauge._command.paper import Paper
from ballgauge._command.report import WORST_FIRST, limits, number

Document = Mapping[str, Any]

_WORST_SHOWN = 20
_NOTES_SHOWN = 10


def request(
    options: bytes | None, mapping: bytes | None, given: Mapping[str, Any], plan: Mapping[str, Any]
) -> dict[str, Any]:
    """Put a request together: an options file, over it a mapping, over both what the command line gives.

    given : dotted names to values; what is None is not given. plan : the members of the plan, likewise
    Raises click.BadParameter for files that are not JSON objects.
    """
    asked = {} if options is None else _object(options, "--options")
    if mapping is not None:
        _inside(asked, "file")["mapping"] = _object(mapping, "--mapping")
    for path, value in given.items():
        if value is not None:
            *above, name = path.split(".")
            node = asked
            for step in above:
                node = _inside(node, step)
            node[name] = value
    chosen = {name: value for name, value in plan.items() if value is not None}
    if chosen:
        sampling = _inside(asked, "sampling")
        sampling["plan"] = {**_inside(sampling, "plan"), **chosen}
    return asked


def _inside(node: dict[str, Any], name: str) -> dict[str, Any]:
    found = node.setdefault(name, {})
    if not isinstance(found, dict):
        raise click.BadParameter(f"{name} in the options must be an object", param_hint="--options")
    return found


def _object(text: bytes, option: str) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise click.BadParameter(f"not JSON: {error}", param_hint=option) from None
    if not isinstance(found, dict):
        raise click.BadParameter("must be a JSON object", param_hint=option)
    return found


@contextmanager
def shown_progress(wanted: bool) -> Iterator[Callable[[int, int | None], None] | None]:
    """A bar on standard error, while the file is sent and judged."""
    if not wanted:
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=False) as bar:
        task = bar.add_task("judging", total=None)

        def tell(done: int, total: int | None) -> None:
            bar.update(task, completed=done, total=total)

        yield tell


def tell(paper: Paper, document: Document) -> None:
    """Report a lot, or several in time order."""
    if "lots" not in document:
        _lot(paper, document)
        return
    _series(paper, document)


def _series(paper: Paper, document: Document) -> None:
    text = f"{document['lots_accepted']} of {len(document['lots'])} lots accepted"
    paper.verdict(document["outcome"], text)
    rows = [
        (
            lot["acceptance"]["outcome"],
            name,
            str(lot["left_out"]["rows"]),
            str(lot["counts"]["balls"]),
            str(lot["counts"]["nonconforming"]),
        )
        for name, lot in zip(document["names"], document["lots"], strict=True)
    ]
    paper.heading("Lots in time order")
    paper.table(("outcome", "lot", "rows left out", "balls", "nonconforming"), rows)
    signals = [
        (
            entry["quantity"].replace("_", " "),
            signal["name"],
            signal["chart"],
            signal["side"],
            signal["message"],
        )
        for entry in document["drift"]
        for signal in entry["signals"]
    ]
    paper.heading("Drift")
    if signals:
        paper.table(("quantity", "lot", "chart", "side", "signal"), signals)
    else:
        paper.notes(["No signal on any chart."])
    told = [
        f"{step['lot'] + 1}: {step['message']}" for step in document["switching"] or () if step["message"]
    ]
    _notes(paper, "Switching of inspection (ISO 2859-1)", told)
    paper.notes([document["cautions"][-1]["message"]])


def _lot(paper: Paper, lot: Document) -> None:
    acceptance, left = lot["acceptance"], lot["left_out"]
    if left["rows"]:
        paper.notes([f"Left out: {left['rows']} of {lot['counts']['rows']} rows; they are listed below."])
    paper.verdict(acceptance["outcome"], acceptance["message"])
    paper.notes(acceptance["reasons"])
    paper.notes([_risk(lot["plan"])])
    _failures(paper, lot)
    _quantities(paper, lot["quantities"])
    _sample_rules(paper, lot["sample_rules"])
    _left_out(paper, left)
    if lot["drawn"]:
        paper.heading(f"Sample drawn, seed {lot['drawn']['seed']}: balls to measure")
        paper.notes([", ".join(lot["drawn"]["serials"])])
    lacking = (
        [f"Not judged for want of data: {'; '.join(acceptance['not_judged'])}"]
        if acceptance["not_judged"]
        else []
    )
    _notes(
        paper,
        "Assumptions and cautions",
        [*lot["assumptions"], *lacking, *(each["message"] for each in lot["cautions"])],
    )


def _risk(plan: Document) -> str:
    if plan["acceptance_at_limiting_quality"] is None:
        return "Every ball was measured: the decision has no sampling risk."
    parts = []
    if plan["aql"] is not None:
        parts.append(f"{plan['acceptance_at_aql']:.1%} of lots with {plan['aql']:g} % nonconforming (AQL)")
    limiting = f"{plan['acceptance_at_limiting_quality']:.1%} of lots with {plan['limiting_quality']:.3g} %"
    parts.append(f"{limiting} (limiting quality)")
    letter = f" letter {plan['plan_letter']}," if plan["plan_letter"] else ""
    return (
        f"Plan: {plan['source']},{letter} {plan['sample_size']} balls, at most {plan['acceptance_number']} "
        f"nonconforming; it accepts {' and '.join(parts)}."
    )


def _failures(paper: Paper, lot: Document) -> None:
    paper.heading("Balls by outcome")
    paper.table(("outcome", "balls"), [(word, str(lot["counts"][word])) for word in WORST_FIRST])
    found = lot["nonconforming"]
    bound = f"at most {found['upper_with_undecided']:.3%} with {found['confidence']:.0%} confidence"
    paper.notes([f"nonconforming: {found['fraction']:.3%} of the balls judged, {bound}"])
    worst = lot["worst_balls"]
    if worst:
        shown = "" if len(worst) <= _WORST_SHOWN else f", the worst {_WORST_SHOWN}"
        paper.heading(f"What failed, and by how much{shown}")
        rows = [
            (
                ball["outcome"],
                ball["serial"] or "",
                str(ball["row"]),
                f"{number(ball['margin'], signed=True)} {ball['unit'] or ''}".strip(),
                ball["reason"],
            )
            for ball in worst[:_WORST_SHOWN]
        ]
        paper.table(("outcome", "serial", "row", "margin", "reason"), rows)


def _quantities(paper: Paper, quantities: list[Document]) -> None:
    if not quantities:
        return
    paper.heading("Quantities against their limits")
    head = ("quantity", "balls", "mean", "std dev", "smallest", "largest", "limit", "outside", "Ppk")
    paper.table(head, [_quantity(each) for each in quantities])
    notes = [f"{each['quantity'].replace('_', ' ')}: {note}" for each in quantities for note in each["notes"]]
    _notes(paper, "About these numbers", notes)


def _quantity(each: Document) -> tuple[str, ...]:
    unit = "" if each["unit"] == "1" else f" [{each['unit']}]"
    outside, capability = each["counted_outside"], each["capability"]
    return (
        f"{each['quantity'].replace('_', ' ')}{unit}",
        str(each["count"]),
        f"{each['mean']:.6g}",
        "" if each["standard_deviation"] is None else f"{each['standard_deviation']:.3g}",
        f"{each['minimum']:.6g}",
        f"{each['maximum']:.6g}",
        limits(each["limits"], None),
        "" if outside is None else str(outside["below"] + outside["above"]),
        "" if capability is None else f"{capability['ppk']['value']:.2f}",
    )


def _sample_rules(paper: Paper, rules: list[Document]) -> None:
    if rules:
        paper.heading("The governing body's rules on samples")
        paper.table(
            ("outcome", "rule", "found"),
            [(rule["outcome"], rule["title"], rule["message"]) for rule in rules],
        )


def _left_out(paper: Paper, left: Document) -> None:
    if left["rows"]:
        paper.heading(f"Left out: {left['rows']} rows, {left['cells']} bad cells")
        listed = left["listed"][:_NOTES_SHOWN]
        paper.table(
            ("row", "column", "reason"),
            [(str(note["row"]), note["column"] or "(the row)", note["detail"]) for note in listed],
        )
        if len(left["listed"]) > _NOTES_SHOWN:
            paper.notes(["The JSON lists more of them."])
    repeated = left["repeated_serials"]
    if repeated["count"]:
        texts = [
            f"row {each['row']} repeats row {each['first_row']}" for each in repeated["listed"][:_NOTES_SHOWN]
        ]
        _notes(paper, f"Repeated serials: {repeated['count']}", texts)


def _notes(paper: Paper, heading: str, texts: list[str]) -> None:
    if texts:
        paper.heading(heading)
        paper.notes(texts)
