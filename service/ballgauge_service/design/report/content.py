"""What the report of a design says and in which order, from its answer, so that both say the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from ballgauge_schemas.shared import words
from ballgauge_service.core.report import page
from ballgauge_service.core.report.blocks import (
    Block,
    Cell,
    Charts,
    Column,
    Facts,
    Heading,
    Notes,
    Report,
    Row,
    Table,
    Verdict,
    outcome_word,
    shown,
    table,
)
from ballgauge_service.core.report.shapes import Picture, Word, moved
from ballgauge_service.core.report.style import Style
from ballgauge_service.design.answer import UNITS
from ballgauge_service.design.drilling import Bore
from ballgauge_service.design.evaluate import Found
from ballgauge_service.design.layout_map import MapPoint
from ballgauge_service.design.pictures import layout_panels
from ballgauge_service.design.report.sections import section
from ballgauge_service.design.solids.packing import COLUMNS
from ballgauge_service.design.solids.rotations import UNTURNED
from ballgauge_service.design.solids.solids import Design, Mesh, Profile, Solid

Document = Mapping[str, Any]

NUMBERS = (*words.NUMBERS, *words.MORE_NUMBERS)
"""Numbers of a ball."""

DATED = "2026-01-01"
"""The day in a drawing's file: it has none, and the same design gives the same bytes."""

POINTS_SHOWN = 12
SOLUTIONS_SHOWN = 5
ARCS_ACROSS = 12
BALLS_ACROSS = 3
"""Most points of a profile, solutions, columns of a table of layouts, and balls in a row (ours)."""

_DECIMALS = {"in": 4, "mm": 3, "lb": 3, "kg": 4, "oz": 2, "g": 1, "g/mL": 3, "1": 3, "deg": 1}


def report(found: Found, answer: Document, style: Style) -> Report:
    """The report on a design; answer: what was found, in the report's language.

    Parameters
    ----------
    found : Found
    answer : mapping, as it is told
    style : Style

    Returns
    -------
    Report
    """
    _ = style.text
    name = shown(found.design.name or _("Design"))
    blocks = tuple(_blocks(found, answer, style))
    return Report(_("Design of a bowling ball"), name, answer["rules"]["on"], style, blocks)


def drawing(design: Design, style: Style, bores: Sequence[Bore] = ()) -> Report:
    """The dimensioned drawing on paper: both sections, and the tables of parts and holes.

    Parameters
    ----------
    design : Design
    style : Style
    bores : sequence of Bore, the holes that are drilled

    Returns
    -------
    Report
    """
    _ = style.text
    holes = (_holes(bores, style),) if bores else ()
    blocks = (_sections(design, style, bores), _parts(design, None, style), *holes, Notes((_advice(style),)))
    title, name = _("Drawing of a bowling ball's layers"), shown(design.name or _("Design"))
    return Report(title, name, DATED, style, blocks)


def drawn(design: Design, style: Style, bores: Sequence[Bore] = ()) -> str:
    """The dimensioned drawing as SVG: both sections, and the parts and holes with their numbers.

    Parameters
    ----------
    design : Design
    style : Style
    bores : sequence of Bore, the holes that are drilled

    Returns
    -------
    str
    """
    _ = style.text
    sheet = Picture(_("Drawing of a bowling ball's layers"), "")
    for plane in (0, 1):
        picture = section(design, plane, style, bores)
        sheet.shapes += [Word(sheet.width * plane + 8, 14, picture.caption, "ink")]
        sheet.shapes += moved(picture.shapes, picture.width * plane, 18)
        sheet.width, sheet.height = picture.width, picture.height + 30
    sheet.width *= 2
    for number, solid in enumerate(design.solids, 1):
        row = f"{number}  {shown(solid.name)}: {_shape(solid, style)}; {style.value(solid.density, 'g/mL')}; "
        sheet.shapes.append(Word(8, sheet.height, row + _place(solid, style), "ink"))
        sheet.height += 14
    for number, bore in enumerate(bores, 1):
        row = f"H{number}  {style.label(bore.role)}: ⌀ {style.value(bore.diameter, 'in')}, "
        row += _("{depth} deep").format(depth=style.value(bore.depth, "in"))
        sheet.shapes.append(Word(8, sheet.height, row, "main"))
        sheet.height += 14
    order = _("In order: each later part displaces what lies beneath it.")
    sheet.shapes.append(Word(8, sheet.height, order, "faint"))
    sheet.height += 14
    return page.alone(sheet)


def _advice(style: Style) -> str:
    _ = style.text
    return _(
        "Each later part displaces what lies beneath it. This is advice from the values given: only the "
        "governing body decides and approves."
    )


def _blocks(found: Found, answer: Document, style: Style) -> Iterator[Block]:
    _, design = style.text, found.design
    yield from _verdict(answer, style)
    yield Heading(_("Sections and parts"))
    yield _sections(design, style, found.bores)
    yield _parts(design, answer["properties"], style)
    yield from _numbers(answer, style)
    yield from _given(_("What each part gives"), answer["properties"]["contributions"], style)
    yield from _drilled(answer["drilled"], style)
    yield from _findings(_("Rules for approval, as made"), answer["findings"], style)
    yield from _comparison(answer["comparison"], style)
    yield from _solved(answer["solved"], found, style)
    yield from _family(answer["family"], found, style)
    yield from _set(answer["set"], found, style)
    yield from _layouts(answer["layout_map"], found, style)
    yield from _production(answer["production"], style)
    yield Heading(_("Assumptions and cautions"))
    yield Notes((*answer["assumptions"], *(each["message"] for each in answer["cautions"])))
    rules = answer["rules"]
    named = (
        rules["body"].upper(),
        *(each["name"] for each in rules["overlays"]),
        rules["on"],
        rules["edition"],
    )
    yield Facts(
        (
            (_("Rules"), ", ".join(named)),
            (_("SHA-256 of the rules"), rules["digest"]),
            (_("Found by"), answer["properties"]["method"]),
        )
    )
    yield Notes((_advice(style),))


def _verdict(answer: Document, style: Style) -> Iterator[Block]:
    _, outcome = style.text, answer["outcome"]
    lines = []
    if outcome == "not_assessed":
        lines.append(_("Not every rule was judged. This is no pass."))
    broken = [each["title"] for each in answer["findings"] if each["outcome"] in words.WORST_FIRST[:2]]
    if broken:
        lines.append("; ".join(broken))
    word = outcome_word(outcome, _)
    yield Verdict(outcome, word[:1].upper() + word[1:], (_("As made, by the rules for an approval."), *lines))


def _sections(design: Design, style: Style, bores: Sequence[Bore]) -> Charts:
    return Charts((section(design, 0, style, bores), section(design, 1, style, bores)))


def _beside(designs: Mapping[str, Design], bores: Sequence[Bore], style: Style) -> Charts:
    """Balls side by side: their sections by the mark in a row, and below it those square to it."""
    pictures = []
    for plane in (0, 1):
        for name, design in designs.items():
            picture = section(design, plane, style, bores)
            pictures.append(replace(picture, caption=f"{shown(name)}. {picture.caption}"))
    return Charts(tuple(pictures), min(len(designs), BALLS_ACROSS))


def _holes(bores: Sequence[Bore], style: Style) -> Table:
    """Every hole as it stands in the sections."""
    _ = style.text
    rows = (
        (
            f"H{number}",
            style.label(bore.role),
            *(_text(each, "in", style) for each in (bore.diameter, bore.depth)),
        )
        for number, bore in enumerate(bores, 1)
    )
    columns = (Column(_("no."), 12), *_beside_first(_("hole"), 40, (_("diameter"), _("depth")), 30))
    caption = _("Holes: open where the plane cuts them, dashed where they lie before or behind it.")
    return table(columns, rows, caption)


def _text(value: float | None, unit: str, style: Style, *, signed: bool = False) -> str:
    if value is None:
        return "–"
    value = style.shown(value, unit)
    unit = style.unit(unit)
    decimals = _DECIMALS.get(unit or "1", 4)
    text = style.decimal(value, decimals)
    plain = text.strip("−").strip("0").strip(".,") == ""
    sign = "+" if signed and value > 0 and not plain else ""
    return f"{sign}{text.removeprefix('−') if plain else text} {unit}".rstrip()


def _beside_first(first: str, share: int, numbers: Iterable[str], width: int) -> tuple[Column, ...]:
    """Columns of names, and of numbers of one width."""
    return (Column(first, share), *(Column(each, width, number=True) for each in numbers))


def _parts(design: Design, properties: Document | None, style: Style) -> Table:
    """Every part with its sizes, place and turn."""
    _ = style.text
    masses = {each["name"]: each["mass"] for each in (properties or {}).get("contributions", ())}
    rows = []
    for number, solid in enumerate(design.solids, 1):
        density = _text(solid.density, "g/mL", style)
        mass = [_text(masses.get(solid.name), "lb", style)] if properties else []
        told = shown(solid.name), style.label(solid.role), _shape(solid, style), _place(solid, style)
        rows.append((str(number), *told, density, *mass))
    columns = [
        Column(_("no."), 8, number=True),
        Column(_("part"), 22),
        Column(_("role"), 20),
        Column(_("shape and size"), 62),
        Column(_("place to mark, across, to pin"), 42),
        Column(_("density"), 22, number=True),
    ]
    columns += [Column(_("mass seen"), 20, number=True)] if properties else []
    return table(columns, rows, _("In order: each later part displaces what lies beneath it."))


def _shape(solid: Solid, style: Style) -> str:
    _, shape = style.text, solid.shape
    sizes = [
        f"{style.label(name)} {style.value(getattr(shape, name), '1' if 'scale' in name else 'in')}"
        for name in COLUMNS[type(shape)]
    ]
    if isinstance(shape, Profile):
        points = ", ".join(
            f"({style.number(style.shown(z, 'in'))}; {style.value(r, 'in')})"
            for z, r in shape.points[:POINTS_SHOWN]
        )
        more = ", …" if len(shape.points) > POINTS_SHOWN else ""
        sizes.append(_("height and radius {points}").format(points=points + more))
    if isinstance(shape, Mesh):
        sizes.append(_("{name}, {count} faces").format(name=shown(shape.name), count=len(shape.faces)))
    return f"{style.label(shape.kind)}: {', '.join(sizes)}"


def _place(solid: Solid, style: Style) -> str:
    place = "; ".join(style.number(style.shown(each, "in")) for each in solid.position)
    place = f"{place} {style.unit('in')}" if any(solid.position) else "–"
    if solid.rotation == UNTURNED:
        return place
    z = "; ".join(style.decimal(row[2], 4) for row in solid.rotation)
    _ = style.text
    return _("{place}; turned, its z to ({z})").format(place=place, z=z)


def _numbers(answer: Document, style: Style) -> Iterator[Block]:
    """Numbers as made and drilled, side by side."""
    _, made, drilled, units = style.text, answer["properties"], answer["drilled"], answer["units"]
    yield Heading(_("Numbers"))
    rows = []
    for name in NUMBERS:
        row = [style.label(name), _text(made[name], units[name], style)]
        if drilled:
            after = drilled[name] if name in words.NUMBERS[:7] else None
            change = None if after is None or made[name] is None else after - made[name]
            row += [_text(after, units[name], style), _text(change, units[name], style, signed=True)]
        rows.append(tuple(row))
    numbers = (_("as made"), *((_("drilled"), _("change")) if drilled else ()))
    yield table(_beside_first(_("number"), 60, numbers, 30), rows)
    bound = made["error_bound"]
    if bound["differential"]:
        told = _("Error at most {weight} in weight, {differential} in differential.")
        named = {name: f"{style.number(style.shown(bound[name], units[name]), 2)} {style.unit(units[name])}"
                 for name in ("weight", "differential")}  # fmt: skip
        yield Notes((told.format(**named),))


def _given(title: str, contributions: Sequence[Document], style: Style) -> Iterator[Block]:
    _ = style.text
    if not contributions:
        return
    yield Heading(title, 3)
    rows = [
        (
            shown(each["name"]),
            *(
                _text(each[name], "oz" if name == "top_weight" else "in", style, signed=True)
                for name in ("rg", *words.SHARES)
            ),
        )
        for each in contributions
    ]
    numbers = zip(map(style.label, ("rg", *words.SHARES)), (28, 28, 34, 28), strict=True)
    columns = (Column(_("part"), 40), *(Column(*each, number=True) for each in numbers))
    caption = _("The change when the part is there in place of what lies beneath it.")
    yield table(columns, rows, caption)


def _drilled(drilled: Document | None, style: Style) -> Iterator[Block]:
    _ = style.text
    if drilled is None:
        return
    yield Heading(_("Drilled"))
    readings = [
        (style.label(name), _text(drilled[name], "oz", style, signed=True)) for name in words.BALANCE_READINGS
    ]
    yield Facts(
        (
            (_("Drilled out"), _text(drilled["removed_weight"], "oz", style)),
            *readings,
            (_("Arm of the balance"), _text(drilled["balance_arm"], "in", style)),
        )
    )
    rows = [
        (
            str(hole["index"] + 1),
            style.label(hole["role"]),
            _text(hole["removed_weight"], "oz", style),
            *(
                _text(hole[name], "oz" if name == "top_weight" else "in", style, signed=True)
                for name in words.SHARES
            ),
            ", ".join(
                f"{shown(each['part'])} {_text(each['weight'], 'oz', style)}" for each in hole["removed_from"]
            ),
        )
        for hole in drilled["holes"]
    ]
    numbers = zip((_("removed"), *map(style.label, words.SHARES)), (20, 24, 32, 24), strict=True)
    columns = (
        Column(_("no."), 8, number=True),
        Column(_("hole"), 18),
        *(Column(*each, number=True) for each in numbers),
        Column(_("out of"), 50),
    )
    yield table(columns, rows, _("What each hole costs"))
    yield from _findings(_("Rules in play, as drilled"), drilled["findings"], style)


def _findings(title: str, findings: Sequence[Document], style: Style) -> Iterator[Block]:
    """The rules that were judged, worst first; the others in a sentence."""
    _ = style.text
    yield Heading(title, 3)
    judged = [each for each in findings if each["value"] is not None and each["outcome"] != "not_assessed"]
    rows = [
        (
            Cell(outcome_word(each["outcome"], _), each["outcome"]),
            _(each["title"]),
            style.value(each["value"], each["unit"]),
            style.limits(each["limit"], each["unit"]),
            style.margin(each["margin"], each["unit"], 3),
            shown(each["source"] or "–"),
        )
        for each in sorted(judged, key=lambda each: words.WORST_FIRST.index(each["outcome"]))
    ]
    if rows:
        columns = (
            Column(_("outcome"), 24),
            Column(_("rule"), 34),
            Column(_("found"), 24, number=True),
            Column(_("limit"), 36),
            Column(_("margin"), 22, number=True),
            Column(_("source"), 50),
        )
        yield table(columns, rows)
    left = "; ".join(_(each["title"]) for each in findings if each not in judged)
    if left:
        yield Notes((_("Not assessed, which is no pass: {rules}.").format(rules=left),))


def _comparison(comparison: Document | None, style: Style) -> Iterator[Block]:
    _ = style.text
    titles = (("designs", _("The two designs")), ("drillings", _("The two drilled balls")))
    for name, title in titles:
        rows = [
            (
                style.label(each["number"]),
                *(_text(each[side], each["unit"], style) for side in ("first", "second")),
                _text(each["difference"], each["unit"], style, signed=True),
            )
            for each in (comparison or {}).get(name) or ()
            if each["first"] is not None or each["second"] is not None
        ]
        if rows:
            yield Heading(title)
            heads = (_("first"), _("second"), _("difference"))
            yield table(_beside_first(_("number"), 60, heads, 30), rows)


def _field(each: Document, style: Style) -> str:
    """What moved: a field of solids."""
    field = style.label(each["field"]) if each["field"] in _KNOWN else each["field"].replace("_", " ")
    return f"{field}, {shown(', '.join(each['solids']))}"


def _values(values: Sequence[Document], style: Style) -> str:
    _ = style.text
    bound = " " + _("(at its bound)")
    return "; ".join(
        f"{_field(each, style)} {_text(each['value'], each['unit'], style)}"
        + (bound if each["at_bound"] else "")
        for each in values
    )


_KNOWN = {
    "density", "ratio", "point_height", "point_radius", "position_x", "position_y", "position_z",
    *(name for row in COLUMNS.values() for name in row),
}  # fmt: skip


def _met(every: Sequence[Document], style: Style) -> Iterator[Row]:
    """Whether each ball meets what was asked, and the rules."""
    _ = style.text
    yield (_("what was asked"), *(_("met") if each["met"] else _("not met") for each in every))
    yield (_("rules"), *(Cell(outcome_word(each["outcome"], _), each["outcome"]) for each in every))


def _number_rows(
    names: Iterable[str],
    every: Sequence[Document],
    style: Style,
    *,
    words: str = "{number}",
    signed: bool = False,
) -> list[Row]:
    """A row a number, with that of each of several balls or parts beside each other."""
    return [
        (
            words.format(number=style.label(name)),
            *(_text(each.get(name), UNITS[name], style, signed=signed) for each in every),
        )
        for name in names
    ]


def _solutions(solutions: Sequence[Document], style: Style) -> Table:
    """Solutions side by side: a row a number wanted, and what moved."""
    kept = solutions[:SOLUTIONS_SHOWN]
    rows = _number_rows(kept[0]["misses"], [each["numbers"] for each in kept], style)
    rows += [
        (_field(value, style), *(_text(each["values"][at]["value"], value["unit"], style) for each in kept))
        for at, value in enumerate(kept[0]["values"])
    ]
    _ = style.text
    columns = _beside_first(_("number"), 60, (str(at + 1) for at in range(len(kept))), 26)
    return table(columns, (*rows, *_met(kept, style)))


def _solved(solved: Document | None, found: Found, style: Style) -> Iterator[Block]:
    _ = style.text
    if solved is None:
        return
    yield Heading(_("Solutions"))
    yield Notes(
        (_("Every target is met.") if solved["met"] else _("No design meets every target; the nearest."),)
    )
    yield _solutions(solved["solutions"], style)
    yield Heading(_("The first solution"), 3)
    yield _sections(found.best, style, found.bores)
    yield _parts(found.best, None, style)
    if solved["conflicts"]:
        yield Notes(tuple(each["message"] for each in solved["conflicts"]))


def _family(family: Document | None, found: Found, style: Style) -> Iterator[Block]:
    """The members side by side."""
    _ = style.text
    if family is None:
        return
    yield Heading(_("Family"))
    members = family["members"]
    held = list(dict.fromkeys(name for each in members for name in each["changes"]))
    rows = _number_rows(("weight", *held), [each["numbers"] for each in members], style)
    changes, change = [each["changes"] for each in members], _("change of {number}")
    rows += _number_rows(held, changes, style, words=change, signed=True)
    rows += _met(members, style)
    heads = [_text(each["weight"], "lb", style) for each in members]
    yield _beside(dict(zip(heads, found.family, strict=True)), (), style)
    yield table(_beside_first(_("number"), 50, heads, 24), rows)
    yield Notes(
        tuple(f"{head}: {_values(each['values'], style)}" for head, each in zip(heads, members, strict=True))
    )


def _set(answer: Document | None, found: Found, style: Style) -> Iterator[Block]:
    """The balls of a set side by side: sections, numbers, and what each part gives each of them."""
    _ = style.text
    if answer is None:
        return
    best, balls = answer["solutions"][0], answer["variants"]
    yield Heading(_("Set, side by side"))
    yield Notes(
        (_("Every target is met.") if answer["met"] else _("No set meets every target; the nearest."),)
    )
    yield _beside(found.variants, found.bores, style)
    for name, design in found.variants.items():
        yield Heading(shown(name), 3)
        properties = next(ball["properties"] for ball in balls if ball["name"] == name)
        yield _parts(design, properties, style)
    names = [shown(ball["name"]) for ball in balls]
    rows = _number_rows(NUMBERS, [ball["properties"] for ball in balls], style)
    wanted = dict.fromkeys(
        name for each in best["variants"] for name in each["misses"] if name not in NUMBERS
    )
    rows += _number_rows(wanted, [each["numbers"] for each in best["variants"]], style)
    met = [
        {"met": each["met"], "outcome": ball["outcome"]}
        for each, ball in zip(best["variants"], balls, strict=True)
    ]
    rows += _met(met, style)
    yield Heading(_("Numbers, side by side"), 3)
    yield table(_beside_first(_("number"), 60, names, 34), rows)
    for number in ("rg", *words.SHARES):
        given = [
            {part["name"]: part[number] for part in ball["properties"]["contributions"]} for ball in balls
        ]
        parts = dict.fromkeys(part for each in given for part in each)
        rows = [
            (shown(part), *(_text(each.get(part), UNITS[number], style, signed=True) for each in given))
            for part in parts
        ]
        title = _("What each part gives: {number}").format(number=style.label(number))
        yield table(_beside_first(_("part"), 60, names, 34), rows, title)
    if best["values"]:
        yield Notes((_values(best["values"], style),))
    rows = [
        (
            style.label(each["number"]),
            _text(each["within"], each["unit"], style),
            _text(each["apart"], each["unit"], style),
            _("met") if each["met"] else _("not met"),
        )
        for each in best["across"]
    ]
    if rows:
        columns = _beside_first(_("the same in all"), 60, (_("within"), _("apart")), 30)
        yield table((*columns, Column("", 20)), rows)


def _layouts(mapped: Document | None, found: Found, style: Style) -> Iterator[Block]:
    """The map drawn, and its numbers."""
    _ = style.text
    if mapped is None or found.drill is None:
        return
    yield Heading(_("What each layout leaves"))
    points = [MapPoint(**each) for each in mapped["points"]]
    yield Charts(layout_panels(points, found.drill.layout, style), 1)
    left = {(each["drilling_angle"], each["pin_to_pap"]): each["numbers"] for each in mapped["points"]}
    for name in ("drilled_differential", "drilled_intermediate_differential"):
        caption = _("{number}; across: {across}").format(
            number=style.titled(name, "in"), across=style.titled("pin_to_pap", "in")
        )
        for start in range(0, len(mapped["pin_to_pap"]), ARCS_ACROSS):
            arcs = mapped["pin_to_pap"][start : start + ARCS_ACROSS]
            rows = [
                (
                    style.number(angle),
                    *(_text(left[angle, arc][name], "in", style).partition(" ")[0] for arc in arcs),
                )
                for angle in mapped["drilling_angle"]
            ]
            heads = (style.number(style.shown(arc, "in")) for arc in arcs)
            first, *others = _beside_first(style.titled("drilling_angle", "deg"), 30, heads, 24)
            yield table((first._replace(number=True), *others), rows, caption)


def _production(production: Document | None, style: Style) -> Iterator[Block]:
    _ = style.text
    if production is None:
        return
    yield Heading(_("Production"))
    yield Notes((_("{samples} balls drawn, seed {seed}.").format(**production),))
    rows = [
        (
            style.label(each["number"]),
            _text(each["nominal"], each["unit"], style),
            style.value(each["standard_deviation"], each["unit"], 3),
            *(
                _text(
                    next((q["value"] for q in each["quantiles"] if q["probability"] == at), None),
                    each["unit"],
                    style,
                )
                for at in (0.025, 0.975)
            ),
        )
        for each in production["spreads"]
    ]
    heads = (_("nominal"), _("standard deviation"), _("2.5 % lie below"), _("2.5 % lie above"))
    yield table(_beside_first(_("number"), 56, heads, 28), rows)
    rows = [
        (
            _("any limit") if each["number"] == "any" else style.label(each["number"]),
            style.percent(each["fraction"]),
            f"{style.percent(each['interval']['min'])} – {style.percent(each['interval']['max'])}",
        )
        for each in production["nonconforming"]
    ]
    if rows:
        numbers = (Column(_("of the balls"), 30, number=True), Column(_("interval"), 40, number=True))
        yield table((Column(_("outside"), 56), *numbers), rows)
