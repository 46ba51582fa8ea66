"""Lots at the command line: a request's options, the progress of a long file, the report in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, BinaryIO

import click

from ballgauge._command import requests_in
from ballgauge._command.paper import Paper, words
from ballgauge._command.report import limits, number
from ballgauge_schemas.shared.words import WORST_FIRST

Document = Mapping[str, Any]

_WORST_SHOWN = 20
_NOTES_SHOWN = 10


def request(
    options: BinaryIO | None, files: Mapping[str, BinaryIO | None], given: Mapping[str, Any]
) -> dict[str, Any]:
    """Put a request together: an options file, over it other files, over all what the command line gives.

    files : names to files of their values; `history` may be a whole answer. given : names, with two
    underlines between a member and one of its own, to values; what is None or empty is not given. Raises
    click.BadParameter for files that are not JSON objects.
    """
    asked = {} if options is None else _object(options, "--options")
    read = {name: _object(file, f"--{_OPTIONS[name]}") for name, file in files.items() if file is not None}
    if "history" in read:
        answer = read.pop("history")
        read["sampling__history"] = answer["sampling"]["state"] if "sampling" in answer else answer
    named = {**read, **{name: value for name, value in given.items() if value != ()}}
    for path, value in named.items():
        if value is not None:
            *above, name = path.split("__")
            node = asked
            for step in above:
                node = node.setdefault(step, {})
                if not isinstance(node, dict):
                    raise click.BadParameter(
                        f"{step} in the options must be an object", param_hint="--options"
                    )
            node[name] = value
    return asked


_OPTIONS = {"file__mapping": "mapping", "lot": "identity", "history": "history"}


def _object(file: BinaryIO, option: str) -> dict[str, Any]:
    try:
        return requests_in.json_object(file.read())
    except ValueError as error:
        raise click.BadParameter(f"the file {error}", param_hint=option) from None


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
        (lot["acceptance"]["outcome"], name, str(lot["left_out"]["rows"]),
         *(str(lot["counts"][kind]) for kind in ("balls", "nonconforming")))
        for name, lot in zip(document["names"], document["lots"], strict=True)
    ]  # fmt: skip
    paper.table(("outcome", "lot", "rows left out", "balls", "nonconforming"), rows, "Lots in time order")
    signals = [
        (words(entry["quantity"]), *(signal[name] for name in ("name", "chart", "side", "message")))
        for entry in document["drift"]
        for signal in entry["signals"]
    ]
    paper.table(("quantity", "lot", "chart", "side", "signal"), signals, "Drift")
    if not signals:
        paper.notes(["No signal on any chart."], "Drift")
    told = [
        f"{step['lot'] + 1}: {step['message']}" for step in document["switching"] or () if step["message"]
    ]
    paper.notes(told, "Switching of inspection (ISO 2859-1)")
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
    cautions = [each["message"] for each in lot["cautions"]]
    paper.notes([*lot["assumptions"], *lacking, *cautions], "Assumptions and cautions")


def _risk(plan: Document) -> str:
    if plan["acceptance_at_limiting_quality"] is None:
        return "Every ball was measured: the decision has no sampling risk."
    parts = []
    if plan["aql"] is not None:
        at_aql = _share(plan["acceptance_at_aql"])
        parts.append(f"{at_aql} of lots with {plan['aql']:g} % nonconforming (AQL)")
    share = _share(plan["acceptance_at_limiting_quality"])
    limiting = f"{share} of lots with {plan['limiting_quality']:.3g} %"
    parts.append(f"{limiting} (limiting quality)")
    risk = f"it accepts {' and '.join(parts)}; type {plan['curve_type']}."
    if plan["kind"] == "none":
        return f"No plan was given: of a sample of {plan['sample_size']} none may be nonconforming; {risk}"
    letter = f" letter {plan['plan_letter']}," if plan["plan_letter"] else ""
    return (
        f"Plan: {plan['source']},{letter} {plan['sample_size']} balls, at most {plan['acceptance_number']} "
        f"nonconforming; {risk}"
    )


def _share(chance: float) -> str:
    """A probability in percent, which rounding makes neither none nor all."""
    if 0 < chance < 0.0005:
        return "under 0.1%"
    return "over 99.9%" if 0.9995 <= chance < 1 else f"{chance:.1%}"


def _failures(paper: Paper, lot: Document) -> None:
    paper.heading("Balls by outcome")
    paper.table(("outcome", "balls"), [(word, str(lot["counts"][word])) for word in WORST_FIRST])
    found = lot["nonconforming"]
    bound = f"at most {found['upper_with_undecided']:.3%} with {found['confidence']:.0%} confidence"
    paper.notes([f"nonconforming: {found['fraction']:.3%} of the balls judged, {bound}"])
    worst = lot["worst_balls"]
    shown = "" if len(worst) <= _WORST_SHOWN else f", the worst {_WORST_SHOWN}"
    rows = [
        (ball["outcome"], ball["serial"] or "", str(ball["row"]),
         _margin(ball), ball["reason"])
        for ball in worst[:_WORST_SHOWN]
    ]  # fmt: skip
    heading = f"What failed, and by how much{shown}"
    paper.table(("outcome", "serial", "row", "margin", "reason"), rows, heading)


def _margin(ball: Document) -> str:
    if ball["margin"] is None:
        return ""
    unit = "d" if ball["unit"] == "date" else ball["unit"] or ""
    return f"{number(ball['margin'], signed=True)} {unit}".strip()


def _quantities(paper: Paper, quantities: list[Document]) -> None:
    head = ("quantity", "balls", "mean", "std dev", "smallest", "largest", "limit", "outside", "Ppk")
    paper.table(head, list(map(_quantity, quantities)), "Quantities against their limits")
    notes = [f"{words(each['quantity'])}: {note}" for each in quantities for note in each["notes"]]
    paper.notes(notes, "About these numbers")


def _quantity(each: Document) -> tuple[str, ...]:
    unit = "" if each["unit"] == "1" else f" [{each['unit']}]"
    outside, capability = each["counted_outside"], each["capability"]
    return (
        f"{words(each['quantity'])}{unit}",
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
    rows = [(rule["outcome"], rule["title"], rule["message"]) for rule in rules]
    paper.table(("outcome", "rule", "found"), rows, "The governing body's rules on samples")


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
    apart = left["no_balls"]
    if apart["count"]:
        texts = [f"row {each['row']}: {each['word'] or 'named'}" for each in apart["listed"][:_NOTES_SHOWN]]
        paper.notes(texts, f"Set apart as no balls: {apart['count']} rows")
    repeated = left["repeated_serials"]
    if repeated["count"]:
        texts = [
            f"row {each['row']} repeats row {each['first_row']}" for each in repeated["listed"][:_NOTES_SHOWN]
        ]
        paper.notes(texts, f"Repeated serials: {repeated['count']}")
