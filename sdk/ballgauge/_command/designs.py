"""Designs at the command line: the request put together, the progress of a long run, and the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from ballgauge._command import requests_in
from ballgauge._command.paper import Paper, words
from ballgauge._command.report import limits, number
from ballgauge_schemas.shared.words import (
    BALANCE_READINGS,
    INERTIA,
    JOBS,
    MORE_NUMBERS,
    NUMBERS,
    SHARES,
    WORST_FIRST,
)

Document = Mapping[str, Any]

SEEDED = ("solve", "family", "set", "production")

EXIT_CODES = """\b
Exit codes:
  0  the numbers asked for; no rule that a design can answer is broken, and every target is met
  1  a rule is not met or cannot be decided, or a target is not met
  2  bad input; every bad field is listed
  3  the service cannot be reached, failed, or asks for an access key or to wait
"""

_NUMBERS = (*NUMBERS, "diameter", *MORE_NUMBERS)
_ADDED = ("mass", "rg", *SHARES)
_CAUSES_SHOWN = 3
_SLIGHT = 1e-6


def read(path: str) -> dict[str, Any]:
    """Read a request; a design alone becomes a request for its properties. Raises click.ClickException."""
    try:
        found = requests_in.json_object(Path(path).read_bytes())
    except OSError as error:
        raise click.ClickException(f"{path} cannot be read: {error.strerror}") from None
    except ValueError as error:
        raise click.ClickException(f"{path} {error}") from None
    return {"design": found} if "solids" in found and "design" not in found else found


def request(path: str, other: str | None, jobs: Sequence[str], seed: int | None) -> dict[str, Any]:
    """Put a request together.

    other : file of what to compare with; jobs : those of the request to do, all where none is named; seed :
    of all of them. Raises click.ClickException.
    """
    asked = read(path)
    for job in jobs:
        if job not in asked:
            raise click.BadParameter(f"{path} says nothing about {job}", param_hint=f"--{job}")
    if jobs:
        asked = {name: part for name, part in asked.items() if name not in JOBS or name in jobs}
    if other is not None:
        beside = read(other)
        asked["compare"] = {name: beside[name] for name in ("design", "drilling") if name in beside}
        if _folder(other) != _folder(path) and _meshes(beside):
            raise click.BadParameter(
                "its mesh files lie in another folder than the design's", param_hint="--compare"
            )
    for job in SEEDED:
        if seed is not None and isinstance(asked.get(job), dict):
            asked[job]["seed"] = seed
    return asked


def _folder(path: str) -> Path:
    return Path(path).resolve().parent


def _meshes(asked: Document) -> bool:
    design = asked.get("design")
    return isinstance(design, dict) and bool(design.get("meshes"))


def is_sound(document: Document) -> bool:
    """Whether no finding is broken or undecided, and every target is met."""
    found = [*document["findings"], *(document["drilled"] or {}).get("findings", ())]
    broken = any(each["outcome"] in WORST_FIRST[:2] and not each.get("advisory") for each in found)
    members = list((document["family"] or {}).get("members", ()))
    members += (document["solved"] or {}).get("solutions", ())[:1]
    sets = (document["set"] or {}).get("solutions", ())[:1]
    members += [variant for each in sets for variant in each["variants"]]
    met = [each["met"] for each in (*members, *sets)]
    broken = broken or any(each["outcome"] in WORST_FIRST[:2] for each in members)
    return not broken and all(met)


def tell(paper: Paper, document: Document) -> None:
    """Report everything that was asked about a design."""
    rules = document["rules"]
    where = ", ".join(filter(None, (rules["body"].upper(), rules["overlay"], "approval", rules["on"])))
    name = document["ball"].get("name", "the design")
    paper.verdict(document["outcome"], f"{name}, by the rules of {where}")
    _findings(paper, "Findings as made", document["findings"])
    _properties(paper, document)
    _drilled(paper, document["drilled"])
    _comparison(paper, document["comparison"])
    _solved(paper, document["solved"])
    _family(paper, document["family"])
    _set(paper, document["set"])
    _layout_map(paper, document["layout_map"])
    _production(paper, document["production"])
    paper.notes([each["message"] for each in document["cautions"]], "Cautions")
    paper.notes(document["assumptions"], "Assumptions")


def _findings(paper: Paper, heading: str, findings: Sequence[Document]) -> None:
    """The rules that were judged in a table, worst first; the others in a line."""
    judged = [each for each in findings if each["value"] is not None and each["outcome"] != "not_assessed"]
    rows = [
        (each["outcome"], each["title"], number(each["value"], each["unit"]),
         limits(each["limit"], each["unit"]), number(each["margin"], signed=True))
        for each in sorted(judged, key=lambda each: WORST_FIRST.index(each["outcome"]))
    ]  # fmt: skip
    paper.table(("outcome", "rule", "value", "limit", "margin"), rows, heading)
    paper.notes([each["message"] for each in judged if each["outcome"] != "conforming"])
    left = [each["title"] for each in findings if each["outcome"] == "not_assessed"]
    if left:
        paper.notes([f"Not assessed, which is no pass: {'; '.join(left)}"])


def _properties(paper: Paper, document: Document) -> None:
    made, units = document["properties"], document["units"]
    paper.heading(f"Mass properties ({made['method']})")
    rows = [(words(name), number(made[name], units.get(name))) for name in _NUMBERS if made[name] is not None]
    paper.table(("quantity", "value"), rows)
    paper.notes([f"The densest solid is {made['max_density_solid']!r}."])
    added = [
        (each["name"], words(each["role"]), number(each["mass"]),
         *(number(each[name], signed=True) or "-" for name in _ADDED[1:]))
        for each in made["contributions"]
    ]  # fmt: skip
    heading = "What each solid adds, in place of what lies beneath it (mass in lb, top weight in oz, else in)"
    paper.table(("solid", "role", *map(words, _ADDED)), added, heading)


def _drilled(paper: Paper, drilled: Document | None) -> None:
    if drilled is None:
        return
    weight, removed = number(drilled["weight"], "lb"), number(drilled["removed_weight"], "oz")
    paper.heading(f"Drilled: {weight}, {removed} drilled out")
    rows = [
        (words(name), number(drilled[name]), number(drilled["change"][name], signed=True))
        for name in INERTIA
        if drilled[name] is not None
    ]
    paper.table(("quantity", "drilled", "change"), rows)
    readings = ", ".join(f"{way} {number(drilled[way], signed=True)} oz" for way in BALANCE_READINGS)
    paper.notes([f"Balance predicted for an arm of {number(drilled['balance_arm'], 'in')}: {readings}"])
    head = ("hole", "removed", "differential", "intermediate differential", "top weight", "taken from")
    holes = [_hole(hole) for hole in drilled["holes"]]
    paper.table(head, holes, "What each hole costs (weights in oz, else in)")
    _findings(paper, "Findings as drilled, in play", drilled["findings"])


def _hole(hole: Document) -> tuple[str, ...]:
    parts = ", ".join(f"{each['part']} {number(each['weight'])}" for each in hole["removed_from"])
    return (
        f"{hole['index']} {hole['role']}",
        number(hole["removed_weight"]),
        *(number(hole[name], signed=True) for name in SHARES),
        parts,
    )


def _comparison(paper: Paper, comparison: Document | None) -> None:
    for name, heading in (("designs", "The two designs"), ("drillings", "The two drilled balls")):
        rows = (comparison or {}).get(name) or ()
        known = [_compared(row) for row in rows if row["first"] is not None or row["second"] is not None]
        paper.table(("number", "first", "second", "difference", "caused by"), known, heading)


def _compared(row: Document) -> tuple[str, ...]:
    causes = [
        f"{each['part']} {number(each['difference'], signed=True)}" for each in row["causes"][:_CAUSES_SHOWN]
    ]
    more = len(row["causes"]) - _CAUSES_SHOWN
    if more > 0:
        causes.append(f"{more} more")
    return (
        f"{words(row['number'])} [{row['unit']}]",
        number(row["first"]),
        number(row["second"]),
        number(row["difference"], signed=True),
        ", ".join(causes) if abs(row["difference"] or 0.0) > _SLIGHT else "",
    )


def _value(each: Document) -> str:
    bound = " (at its bound)" if each["at_bound"] else ""
    unit = "" if each["unit"] == "1" else f" {each['unit']}"
    return f"{words(each['parameter'])} {number(each['value'])}{unit}{bound}"


def _broken(found: Document) -> str:
    rules = [each["title"] for each in found["findings"]]
    return f"; rules broken or undecided: {', '.join(rules)}" if rules else ""


def _solutions(paper: Paper, solutions: Sequence[Document]) -> None:
    for place, solution in enumerate(solutions, 1):
        numbers = ", ".join(
            f"{words(name)} {number(solution['numbers'][name])}" for name in solution["misses"]
        )
        values = ", ".join(map(_value, solution["values"]))
        missed = "" if solution["met"] else " (not all targets met)"
        paper.notes([f"{place}. {values}: {numbers}{missed}{_broken(solution)}"])


def _solved(paper: Paper, solved: Document | None) -> None:
    if solved is None:
        return
    state = "every target is met" if solved["met"] else "no design meets every target; the nearest"
    paper.heading(f"Solving, seed {solved['seed']}: {state}")
    _solutions(paper, solved["solutions"])
    paper.notes([each["message"] for each in solved["conflicts"]], "What stands in the way")
    _sensitivities(paper, solved)
    front = solved["trade_off"]
    if front is not None:
        paper.heading(f"Trade-off between {words(front['first'])} and {words(front['second'])}")
        _solutions(paper, front["points"])


def _sensitivities(paper: Paper, solved: Document) -> None:
    rows = [
        (_title(each), words(each["parameter"]), f"{each['per_unit']:+.4g} {each['unit']}",
         f"{each['range_in_tolerances']:+.3g}")
        for each in solved["sensitivities"]
    ]  # fmt: skip
    head = ("number", "parameter", "per unit", "over its range, in tolerances")
    paper.table(head, rows, "Sensitivities at the best solution")


def _title(each: Document) -> str:
    where = f" of {', '.join(each['variants'])}" if each["variants"] else ""
    return f"{words(each['number'])}{where}"


def _family(paper: Paper, family: Document | None) -> None:
    if family is None:
        return
    paper.heading(f"Family, seed {family['seed']}: changes from the design's own (* not met)")
    held = list(dict.fromkeys(name for each in family["members"] for name in each["changes"]))
    rows = [
        (
            number(each["weight"], "lb")
            + ("" if each["met"] else " *")
            + (
                ""
                if abs(each["misses"]["weight"]) <= 1.0
                else f" (comes to {number(each['numbers']['weight'])})"
            ),
            *(number(each["changes"][name], signed=True) or "-" for name in held),
            ", ".join(map(_value, each["values"])) + _broken(each),
        )
        for each in family["members"]
    ]
    paper.table(("weight", *map(words, held), "by"), rows)


def _set(paper: Paper, found: Document | None) -> None:
    """The balls of a set in columns: numbers, what was asked across them, what each solid gives."""
    if found is None:
        return
    state = "every target is met" if found["met"] else "no set meets every target; the nearest"
    paper.heading(f"Set, seed {found['seed']}: {state}")
    best, balls = found["solutions"][0], found["variants"]
    paper.notes([", ".join(map(_value, best["values"]))] if best["values"] else [])
    names = [ball["name"] for ball in balls]
    rows = [(words(name), *(number(ball["properties"][name]) or "-" for ball in balls)) for name in _NUMBERS]
    rows += [
        (words(name), *(number(each["numbers"].get(name)) or "-" for each in best["variants"]))
        for name in dict.fromkeys(name for each in best["variants"] for name in each["misses"])
        if name not in _NUMBERS
    ]
    rows.append(("targets", *("met" if each["met"] else "not met" for each in best["variants"])))
    rows.append(
        (
            "rules",
            *(
                f"{ball['outcome']}{_broken(each)}"
                for ball, each in zip(balls, best["variants"], strict=True)
            ),
        )
    )
    paper.table(("number", *names), rows)
    for name in SHARES:
        given = [{part["name"]: part[name] for part in ball["properties"]["contributions"]} for ball in balls]
        parts = dict.fromkeys(part for each in given for part in each)
        shares = [(part, *(number(each.get(part), signed=True) or "-" for each in given)) for part in parts]
        paper.table(("solid", *names), shares, f"What each solid gives of {words(name)}")
    rows = [
        (_title(each), number(each["within"], each["unit"]), number(each["apart"], each["unit"]),
         "met" if each["met"] else "not met")
        for each in best["across"]
    ]  # fmt: skip
    paper.table(("the same", "within", "apart", ""), rows, "Across the set")
    paper.notes([each["message"] for each in found["conflicts"]], "What stands in the way")
    _sensitivities(paper, found)


_MAPPED = ("drilled_differential", "drilled_intermediate_differential")


def _layout_map(paper: Paper, mapped: Document | None) -> None:
    if mapped is None:
        return
    left = {(each["drilling_angle"], each["pin_to_pap"]): each["numbers"] for each in mapped["points"]}
    for name in _MAPPED:
        rows = [
            (f"{angle:g}", *(number(left[angle, arc][name]) or "-" for arc in mapped["pin_to_pap"]))
            for angle in mapped["drilling_angle"]
        ]
        head = ("angle [deg]", *(f"{arc:g}" for arc in mapped["pin_to_pap"]))
        paper.table(head, rows, f"{words(name)} [in] by pin to positive axis point [in]")


def write_map(path: str, document: Document) -> None:
    """Write the drawn map. Raises click.ClickException where there is none, or no place for it."""
    if document["layout_map"] is None:
        raise click.BadParameter("the request asks for no layout_map", param_hint="--map")
    try:
        Path(path).write_text(document["layout_map"]["picture"], encoding="utf-8")
    except OSError as error:
        raise click.ClickException(f"cannot write {path}: {error.strerror}") from None


def _production(paper: Paper, production: Document | None) -> None:
    if production is None:
        return
    paper.heading(f"Production: {production['samples']} balls drawn, seed {production['seed']}")
    paper.table(
        ("number", "nominal", "std dev", "linear", "95 % of balls", "most from"),
        [_spread(each) for each in production["spreads"]],
    )
    paper.heading("Expected nonconforming")
    rows = [
        (
            "any limit" if each["number"] == "any" else words(each["number"]),
            limits(each["limit"], None),
            f"{each['fraction']:.3%}",
            f"{each['interval']['min']:.3%} to {each['interval']['max']:.3%}",
            "" if each["linear"] is None else f"{each['linear']:.3%}",
        )
        for each in production["nonconforming"]
    ]
    if rows:
        sure = production["nonconforming"][0]["confidence"]
        paper.table(("number", "limit", "of the balls", f"{sure:.0%} interval", "linear"), rows)
    first = production["tighten_first"]
    if first is not None:
        paper.notes([_advice(first)])
    left = [f"{words(each['rule'])} ({each['reason']})" for each in production["not_assessed"]]
    if left:
        paper.notes([f"Not studied: {'; '.join(left)}"])


def _spread(each: Document) -> tuple[str, ...]:
    middle = [q["value"] for q in each["quantiles"] if q["probability"] in (0.025, 0.975)]
    most = max(each["shares"], key=lambda share: share["share"])
    return (
        f"{words(each['number'])} [{each['unit']}]",
        number(each["nominal"]),
        f"{each['standard_deviation']:.3g}",
        f"{each['linear_standard_deviation']:.3g}",
        " to ".join(map(number, middle)),
        f"{words(most['tolerance'])} {most['share']:.0%}" if most["share"] > 0.0 else "",
    )


def _advice(first: Document) -> str:
    text = f"Tighten first: {words(first['tolerance'])}"
    text += f", {first['share']:.0%} of the variance of {words(first['number'])}"
    if first["fraction_now"] is None:
        return text
    now, halved = f"{first['fraction_now']:.3%}", f"{first['fraction_halved']:.3%}"
    return f"{text}; halved, {halved} of the balls break a limit in place of {now}"
