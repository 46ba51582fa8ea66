"""What the command says about results, worst first, on either kind of paper."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from itertools import zip_longest
from typing import Any

from ballgauge._command.paper import Paper, words
from ballgauge_schemas.shared.words import BALANCE_READINGS, BOX_NUMBERS, INERTIA, WORST_FIRST

Document = Mapping[str, Any]

_FIRST_DAY = date(1970, 1, 1)
"""Limits and values whose unit is "date" are days since this one."""

_DIGITS, _FINEST = 4, 6
_EFFECTS = {"exempt": "nothing is asked", "unbound": "not bound", "words": "not judged from numbers"}
_PLACES = {"pap": "PAP", "pin": "pin", "psa": "PSA", "cg_mark": "CG mark"}
_HOLE = {"diameter": "in", "depth": "in", "volume": "in³", "removed_weight": "oz", "bottom_to_centre": "in"}


def check(paper: Paper, document: Document, *, everything: bool = False) -> None:
    """Report one check, or each of a batch in a line and their counts.

    Of one check: what is not met first, what is met in a line, the numbers that a ball is known by; or all.
    """
    if "results" in document:
        _batch(paper, document)
        return
    paper.verdict(document["outcome"], _rules_line(document["rules"]) if "rules" in document else "in brief")
    if everything:
        _findings(paper, found(document))
    else:
        _what_counts(paper, found(document))
    days = [(day["outcome"], day["on"], _changes(day)) for day in document.get("also_on", ())]
    paper.table(("outcome", "on", "what changes it"), days, "On other days")
    if everything:
        _computed(paper, document)
    else:
        _in_short(paper, document)


def _what_counts(paper: Paper, findings: Sequence[Document]) -> None:
    """The rules that are not met, worst first, and how many are, and are only advice."""
    counting = [each for each in findings if not each.get("advisory")]
    open_ = sorted((each for each in counting if each["outcome"] != "conforming"), key=_rank)
    rows = [_finding(each, certain=True)[:-1] for each in open_]
    paper.table(("outcome", "rule", "value", "limit", "margin"), rows)
    paper.notes(
        [each["message"] for each in open_ if each["outcome"] in WORST_FIRST[:2] and "message" in each]
    )
    met = sum(each["outcome"] == "conforming" for each in counting)
    advice = [each for each in findings if each.get("advisory")]
    counts = {word: sum(each["outcome"] == word for each in advice) for word in WORST_FIRST}
    told = ", ".join(f"{count} {words(word)}" for word, count in counts.items() if count)
    advised = f"; rules that are only advice: {told}" if told else ""
    if findings:
        paper.notes([f"{met} rules are met{advised}. --all shows every rule, hole and assumption."])


def _in_short(paper: Paper, document: Document) -> None:
    """The numbers that a ball is known by, a line each, and what is to be heeded."""
    derived = document.get("derived") or {}
    balance, drilled = derived.get("balance") or {}, derived.get("drilled") or {}
    lines = []
    for group in ("predicted", "measured"):
        if balance.get(group):
            sides = ", ".join(f"{way} {_own(balance[group], way, signed=True)}" for way in BALANCE_READINGS)
            arm, given = (
                number(balance.get("arm"), "in"),
                "as given" if balance.get("arm_given") else "assumed",
            )
            lines.append(f"balance {group}, oz: {sides}" + (f" (arm {arm}, {given})" if arm else ""))
    if drilled:
        removed = number(drilled.get("removed_weight"), "oz")
        lines.append(f"drilled: {_own(drilled, 'weight', 'lb')}, {removed} removed")
        numbers = [
            f"{words(name)} {_own(drilled, name)}" for name in BOX_NUMBERS if drilled.get(name) is not None
        ]
        lines += [", ".join(numbers)] if numbers else []
    if lines:
        paper.heading("Computed")
        paper.notes(lines)
    remedies = document.get("remedies") or derived.get("remedies") or []
    paper.notes([remedy["message"] for remedy in remedies], "Remedies")
    paper.notes([_missing(entry) for entry in document.get("missing") or []], "Missing")
    paper.notes([caution["message"] for caution in document.get("cautions") or []], "Cautions")


def _changes(day: Document) -> str:
    told = (
        (each["title"], *(words(each[when] or "not judged") for when in ("outcome", "before")))
        for each in day["changes"]
    )
    return "; ".join(f"{title}: {now}, else {before}" for title, now, before in told)


def found(result: Document) -> Sequence[Document]:
    """The findings of a check, or the rules not met where it was answered in brief."""
    told: Sequence[Document] = result["unmet"] if "unmet" in result else result.get("findings", ())
    return told


def bad(result: Document) -> list[Document]:
    """The findings that are not met, or undecided."""
    return [finding for finding in found(result) if finding["outcome"] in WORST_FIRST[:2]]


def title(finding: Document) -> str:
    return str(finding.get("title") or words(finding["rule"]))


def drilling(paper: Paper, document: Document) -> None:
    """Report one drilling, or each of a batch under its number."""
    results = document.get("results")
    if results is None:
        _computed(paper, document)
        return
    for number, result in enumerate(results, 1):
        paper.heading(f"Drilling {number}")
        _computed(paper, result)


def rulebooks(paper: Paper, document: Document) -> None:
    """Report the rules of each rulebook."""
    for book in document["rulebooks"]:
        day = f"in force on {book['on']}" if book.get("on") else "of all dates"
        paper.heading(f"{book['title']} ({book['body']}), edition {book['edition']}: rules {day}")
        paper.table(
            ("rule", "limit", "in force", "by date of", "stage", "basis"),
            [_rule(rule) for rule in book["rules"]],
        )
        paper.notes(book.get("notes") or [])
        if book.get("overlays"):
            paper.notes([f"overlays: {', '.join(book['overlays'])}"])


def rule_changes(paper: Paper, document: Document) -> None:
    """Report what rules change between two days."""
    first, last = document["from"], document["to"]
    paper.heading(f"{document['body'].upper()}: what changes from {first} to {last}")
    rows = []
    for change in document["changes"]:
        old, new = ([_asks(row) for row in change[side]] for side in ("before", "after"))
        pairs = zip_longest(old, new, fillvalue="")
        rows += [("" if k else change["title"], was, now) for k, (was, now) in enumerate(pairs)]
    paper.table(("rule", f"on {first}", f"on {last}"), rows)
    if not rows:
        paper.notes(["Nothing."])


def _asks(row: Document) -> str:
    asks = limits(row["limit"], row["unit"]) if row["limit"] else _EFFECTS[row["effect"]]
    advice = "advice only" if row["advisory"] else None
    return ", ".join(filter(None, (asks, row["applies_to"], advice)))


def _rule(rule: Document) -> tuple[str, ...]:
    first, last = rule.get("effective_from"), rule.get("effective_to")
    days = " ".join(filter(None, (first and f"from {first}", last and f"to {last}")))
    applies = f", {rule['applies_to']}" if rule.get("applies_to") else ""
    return (
        f"{rule['title']}{applies}",
        limits(rule.get("limit"), rule.get("unit")),
        days or "always",
        rule["binds"],
        rule.get("stage") or "any",
        words(rule["basis"]),
    )


def _rules_line(rules: Document) -> str:
    named = [str(rules.get("body", "")).upper(), rules.get("overlay"), rules.get("stage"), rules.get("on")]
    return "by the rules of " + ", ".join(str(each) for each in named if each)


def _batch(paper: Paper, document: Document) -> None:
    rows: list[tuple[str, ...]] = []
    days: list[tuple[str, ...]] = []
    for number, result in enumerate(document["results"], 1):
        rows.append((result["outcome"], str(number), "; ".join(map(title, bad(result)))))
        days += [(day["outcome"], str(number), day["on"], _changes(day)) for day in result.get("also_on", ())]
    paper.table(("outcome", "ball", "not conforming"), rows)
    paper.table(("outcome", "ball", "on", "what changes it"), days, "On other days")
    paper.heading("Counts")
    counts = document["counts"]
    paper.table(("outcome", "balls"), [(word, str(counts.get(word, 0))) for word in WORST_FIRST])


def _findings(paper: Paper, findings: Sequence[Document]) -> None:
    ordered = sorted(findings, key=_rank)
    certain = all(finding.get("probability") is None for finding in ordered)
    head = ("outcome", "rule", "value", "limit", "margin", "basis", "prob.")
    rows = [_finding(finding, certain=certain) for finding in ordered]
    paper.table(head[:-1] if certain else head, rows, "Findings")
    told = [each["message"] for each in ordered if each["outcome"] != "conforming" and "message" in each]
    paper.notes(told, "What the findings say")


def _rank(finding: Document) -> tuple[bool, int]:
    """Advice last, else the worst outcome first."""
    return bool(finding.get("advisory")), WORST_FIRST.index(finding["outcome"])


def _finding(finding: Document, *, certain: bool) -> tuple[str, ...]:
    unit = finding.get("unit")
    probability = finding.get("probability")
    advisory = " (advice only)" if finding.get("advisory") else ""
    cells = (
        finding["outcome"],
        f"{title(finding)}{advisory}",
        with_uncertainty(finding.get("value"), finding.get("uncertainty"), unit),
        limits(finding.get("limit"), unit),
        number(finding.get("margin"), signed=True),
        words(finding.get("basis") or ""),
    )
    return cells if certain else (*cells, "" if probability is None else f"{probability:.1%}")


def _computed(paper: Paper, document: Document) -> None:
    derived = document.get("derived") or {}
    units = document.get("units") or {}
    remedies = document.get("remedies") or derived.get("remedies")
    _balance(paper, derived.get("balance"))
    _inertia(paper, derived)
    _holes(paper, derived.get("holes") or [])
    _layout(paper, derived.get("layout"))
    _ball(paper, derived.get("ball"), units)
    paper.notes([remedy["message"] for remedy in remedies or []], "Remedies")
    paper.notes([caution["message"] for caution in document.get("cautions") or []], "Cautions")
    paper.notes(document.get("assumptions") or [], "Assumptions")
    paper.notes([_missing(entry) for entry in document.get("missing") or []], "Missing")


def _missing(entry: Document) -> str:
    return f"{entry['field']} is needed for {', '.join(entry.get('needed_for') or ['more results'])}"


def _balance(paper: Paper, balance: Document | None) -> None:
    if balance is None:
        return
    arm, given = balance.get("arm"), "as given" if balance.get("arm_given") else "assumed"
    paper.heading("Balance, oz" if arm is None else f"Balance, oz (arm {number(arm, 'in')}, {given})")
    groups = (("predicted", "predicted"), ("measured", "measured"), ("half against half", "half_differences"))
    rows = [
        (name, *(_own(balance[group], way, signed=True) for way in BALANCE_READINGS))
        for name, group in groups
        if balance.get(group)
    ]
    paper.table(("reading", *BALANCE_READINGS), rows)
    largest = balance.get("largest_imbalance")
    if largest is not None:
        paper.notes([f"largest imbalance predicted in any direction: {number(largest, 'oz')}"])


def _inertia(paper: Paper, derived: Document) -> None:
    drilled = derived.get("drilled")
    if drilled is None:
        return
    change = drilled.get("change") or {}
    rows = [
        (words(name), _own(drilled, name), number(change.get(name), signed=True))
        for name in INERTIA
        if drilled.get(name) is not None
    ]
    weight = _own(drilled, "weight", "lb")
    back = sum(hole.get("slug_weight") or 0.0 for hole in derived.get("holes") or ())
    put_back = f", {number(back, 'oz')} put back" if back else ""
    paper.heading(f"Drilled ball: {weight}, {number(drilled.get('removed_weight'), 'oz')} removed{put_back}")
    if rows:
        paper.table(("quantity", "drilled", "change"), rows)


def _holes(paper: Paper, holes: Sequence[Document]) -> None:
    rows = [
        (hole["role"], *(number(hole.get(name), unit) for name, unit in _HOLE.items()),
         number(hole.get("slug_weight") or None, "oz"))
        for hole in holes
    ]  # fmt: skip
    head = ("role", "diameter", "depth", "volume", "removed", "bottom to center", "put back")
    paper.table(head, rows, "Holes")


def _layout(paper: Paper, layout: Document | None) -> None:
    if layout is not None:
        names = ("pin_to_pap", "pap_to_psa", "pin_to_psa", "pin_to_val", "pin_to_cg", "pin_to_grip_centre")
        paper.heading("Layout, in")
        rows = [
            (
                re.sub(r"\b(pap|psa|val|cg)\b", lambda found: found[0].upper(), words(name)),
                number(layout.get(name)),
            )
            for name in names
        ]
        flare = layout.get("flare_potential")
        if flare is not None:
            rows.append(("flare potential, 0 to 1", number(flare)))
        for name, text in (("drilling_angle", "drilling angle"), ("val_angle", "VAL angle")):
            rows.append((text, number(layout.get(name), "°")))
        if layout.get("pin_below") is not None:
            rows.append(("pin lies", "below the PAP" if layout["pin_below"] else "above the PAP"))
        for name, text in _PLACES.items():
            if place := layout.get(name):
                sides = (number(place[way], signed=True) for way in ("right", "up"))
                rows.append((f"place of the {text}, right and up", ", ".join(sides)))
        paper.table(("arc", "length"), [row for row in rows if row[1]])


def _ball(paper: Paper, ball: Document | None, units: Document) -> None:
    if ball is None:
        return
    rows = [
        (words(name), _plain_value(value, units.get(name)))
        for name, value in ball.items()
        if value is not None and not isinstance(value, (dict, list))
    ]
    paper.heading("Ball as made")
    paper.table(("quantity", "value"), rows)


def _plain_value(value: Any, unit: str | None) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number(value, unit) if isinstance(value, (int, float)) else words(str(value))


def number(
    value: float | None, unit: str | None = None, *, signed: bool = False, digits: int = _DIGITS
) -> str:
    """Write a number with so many decimals at most, and its unit; nothing for None."""
    if value is None:
        return ""
    if unit == "date":
        return (_FIRST_DAY + timedelta(days=value)).isoformat()
    text = f"{value:+.{digits}f}" if signed else f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if digits else text
    if text in ("+0", "-0", "0"):
        text = "0" if value == 0 else f"{value:.1e}"
    return f"{text} {unit}" if unit and unit != "1" else text


def with_uncertainty(
    value: float | None, uncertainty: float | None, unit: str | None, *, signed: bool = False
) -> str:
    """Write a value, its standard uncertainty where there is one, to the two first figures, and the unit."""
    if value is None or not uncertainty:
        return number(value, unit, signed=signed)
    digits = max(0, min(_FINEST, 1 - math.floor(math.log10(uncertainty))))
    told = number(value, signed=signed, digits=digits)
    return f"{told} ± {number(uncertainty, unit, digits=digits)}"


def _own(group: Document, name: str, unit: str | None = None, *, signed: bool = False) -> str:
    """A number of a group with the uncertainty that the group tells of it."""
    uncertainty = (group.get("uncertainty") or {}).get(name)
    return with_uncertainty(group.get(name), uncertainty, unit, signed=signed)


def limits(limit: Document | None, unit: str | None) -> str:
    """Write the limits of a rule."""
    low, high = (limit or {}).get("min"), (limit or {}).get("max")
    if low is None:
        return "" if high is None else f"max {number(high, unit)}"
    return (
        f"min {number(low, unit)}"
        if high is None
        else f"{number(low, 'date' if unit == 'date' else None)} to {number(high, unit)}"
    )
