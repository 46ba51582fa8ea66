"""What a report says and in which order, from the answer that the JSON holds, so that both say the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ballgauge_schemas.shared.words import WORST_FIRST
from ballgauge_service.core.report.blocks import (
    Block,
    Cell,
    Charts,
    Column,
    Facts,
    Folded,
    Heading,
    Notes,
    Report,
    Row,
    Said,
    Signatures,
    Verdict,
    outcome_word,
    shown,
    table,
)
from ballgauge_service.core.report.style import Style
from ballgauge_service.lot.report import charts

WORST_SHOWN = 25
"""Most balls listed in the report (ours); the JSON may hold more."""

NOTES_SHOWN = 10
"""Most rows left out, repeated or set apart that are listed (ours)."""

MATTER_MOST = 4
"""Most quantities whose charts stand in front (ours)."""

CAPABLE = 1.33
"""A capability index under this puts a quantity in front (common practice, no source)."""

Document = Mapping[str, Any]


def report(answer: Document, style: Style) -> Report:
    """The report on one lot, or on several in time order."""
    _ = style.text
    series = "lots" in answer
    lots = answer["lots"] if series else [answer]
    name = _("{count} lots").format(count=len(lots)) if series else lot_name(answer)
    blocks = [*(_series(answer, style) if series else _lot(answer, style))]
    blocks.append(Notes((_advice(_),)))
    day = max(lot["lot"]["inspected_on"] or lot["rules"]["on"] for lot in lots)
    return Report(_("Incoming inspection of bowling balls"), name, day, style, tuple(blocks))


def _advice(_: Said) -> str:
    return _("This is advice from the values given: only the governing body decides and approves.")


def lot_name(lot: Document) -> str:
    """What a lot is called: by its model and number, or else by its file."""
    known = [lot["lot"][name] for name in ("model", "lot") if lot["lot"][name]]
    return shown(" · ".join(known) or lot["file"]["name"] or "lot")


def _lot(lot: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    yield from _identity(lot, style)
    yield from _decision(lot, style)
    yield from _failures(lot, style)
    front, rest = _by_weight(lot["quantities"])
    if front:
        yield Heading(_("Quantities that matter most"))
        for each in front:
            yield from _pictures(each, style)
    yield from _quantities(lot, style)
    if rest:
        blocks = [block for each in rest for block in _pictures(each, style)]
        yield Folded(_("Charts of the other quantities"), tuple(blocks))
    yield from _rules(lot, style)
    yield from _sample_rules(lot, style)
    yield from _plan(lot, style)
    yield from _measurement(lot, style)
    yield from _left_out(lot, style)
    yield from _closing(lot, style)


def _identity(lot: Document, style: Style) -> Iterator[Block]:
    _, told = style.text, lot["lot"]
    days = " – ".join(day for day in (told["made_on"], told["made_until"]) if day)
    pairs = [
        (_("Supplier"), told["supplier"]),
        (_("Maker"), told["maker"]),
        (_("Model"), told["model"]),
        (_("Lot"), told["lot"]),
        (_("Order"), told["order"]),
        (_("Made on"), days),
        (_("Inspected on"), told["inspected_on"]),
        (_("Place"), told["place"]),
        (_("Inspector"), told["inspector"]),
        (_("Disposition"), told["disposition"]),
        (_("Remarks"), told["remarks"]),
    ]
    given = [(name, shown(text)) for name, text in pairs if text]
    if given:
        yield Facts((*given, (_("File"), shown(lot["file"]["name"] or "–"))))
    else:
        yield Notes((_("Supplier, model, lot, order, day and inspector were not given."),))


def decision_word(lot: Document, _: Said) -> str:
    """The decision in words."""
    accepted = lot["acceptance"]["lot_accepted"]
    if accepted is None:
        return _("Lot not decided")
    return _("Lot accepted") if accepted else _("Lot rejected")


def _decision(lot: Document, style: Style) -> Iterator[Block]:
    _, found, plan = style.text, lot["acceptance"], lot["plan"]
    lines = []
    if found["lot_accepted"] and found["to_remove"]:
        lines.append(_("Nonconforming balls to remove from it: {count}.").format(count=found["to_remove"]))
    if found["outcome"] == "not_assessed":
        lines.append(_("Not every ball was judged. This is no pass."))
    if found["scope"] == "measured" and found["not_judged"]:
        lacking = "; ".join(_(title) for title in found["not_judged"])
        lines.append(_("By the rules on what was measured; not judged: {rules}.").format(rules=lacking))
    yield Verdict(found["outcome"], decision_word(lot, _), tuple(lines))
    heads = (_("Decided by"), _("found"), _("accepts"), _("outcome"))
    yield table(map(Column, heads, (34, 40, 26, 20)), _parts(lot, style))
    counts, part = lot["counts"], lot["nonconforming"]
    balls = str(counts["balls"])
    if plan["lot_size"]:
        balls = _("{balls} of a lot of {size}").format(balls=balls, size=plan["lot_size"])
    bound = _("{bound} at {confidence} confidence").format(
        bound=style.percent(part["upper_with_undecided"]), confidence=style.percent(lot["confidence"])
    )
    yield Facts(
        (
            (_("Balls judged"), balls),
            (_("Nonconforming"), f"{counts['nonconforming']} ({style.percent(part['fraction'])})"),
            (_("Nonconforming in the lot, at most"), bound),
            (
                _("Not decided"),
                _("{inconclusive} inconclusive, {not_assessed} not assessed").format(**counts),
            ),
            (_("Rows left out"), _("{left_out} of {rows}").format(**counts)),
        )
    )
    yield Notes((_risk(plan, style),))


def _parts(lot: Document, style: Style) -> Iterator[Row]:
    """What decided, part by part."""
    _, count = style.text, lot["acceptance"]["by_count"]
    names = {"critical": _("critical rules"), "major": _("major rules"), "minor": _("minor rules")}
    for each in lot["acceptance"]["classes"]:
        aql = _("none accepted") if each["aql"] is None else f"AQL {style.number(each['aql'], 4)} %"
        yield _count_row(f"{names[each['name']]}, {aql}", each["by_count"], style)
    if not lot["acceptance"]["classes"]:
        yield _count_row(_("All balls"), count, style)
    for each in lot["variables"]:
        outcome = Cell(outcome_word(each["outcome"], _), each["outcome"])
        told = _("variables plan: {quantity}").format(quantity=style.quantity(each["quantity"]))
        found, needs = "–", _("k = {k}").format(k=style.number(each["plan"]["acceptability_constant"], 4))
        if each["decision"] is not None:
            found = _("estimated outside: {fraction}").format(
                fraction=style.percent(each["decision"]["fraction_outside"])
            )
            needs = _("at most {value}").format(value=style.percent(each["plan"]["maximum_fraction"]))
        yield told, found, needs, outcome
    if lot["rules"]["stage"] == "approval":
        for rule in lot["sample_rules"]:
            if rule["outcome"] != "not_assessed":
                outcome = Cell(outcome_word(rule["outcome"], _), rule["outcome"])
                yield _(rule["title"]), _("see the rules on samples"), "–", outcome


def _count_row(title: str, count: Document, style: Style) -> Row:
    _ = style.text
    size = min(count["sample_size"], count["balls_given"])
    found = _("{nonconforming} nonconforming, {undecided} not decided of {size}").format(
        nonconforming=count["nonconforming"], undecided=count["undecided"], size=size
    )
    if count["drawn"] is not None:
        drawn = _("drawn from {count} by seed {seed}").format(
            count=count["drawn"]["drawn_from"], seed=count["drawn"]["seed"]
        )
        found = f"{found}; {drawn}"
    needs = _("at most {accept} of {size}").format(
        accept=count["acceptance_number"], size=count["sample_size"]
    )
    outcome = Cell(outcome_word(count["outcome"], _), count["outcome"])
    return title, found, needs, outcome


def _risk(plan: Document, style: Style) -> str:
    _ = style.text
    if plan["acceptance_at_limiting_quality"] is None:
        return _("No sampling risk: every ball was measured.")
    parts = []
    if plan["aql"] is not None:
        parts.append((plan["acceptance_at_aql"], style.number(plan["aql"], 4), "AQL"))
    limiting = style.number(plan["limiting_quality"], 3)
    parts.append((plan["acceptance_at_limiting_quality"], limiting, _("limiting quality")))
    told = [
        _("{chance} at {quality} % nonconforming ({name})").format(
            chance=style.percent(chance), quality=quality, name=name
        )
        for chance, quality, name in parts
    ]
    risk = "; ".join([*told, _("type {kind}").format(kind=plan["curve_type"])])
    if plan["kind"] == "none":
        return _("Chance that such a sample, without a plan, accepts: {risk}.").format(risk=risk)
    return _("Chance that such a plan accepts: {risk}.").format(risk=risk)


def _failures(lot: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    yield Heading(_("What failed, and by how much"))
    worst = lot["worst_balls"]
    if not worst:
        yield Notes((_("No ball was found nonconforming or inconclusive."),))
        return
    titles = {rule["rule"]: _(rule["title"]) for rule in lot["by_rule"]}
    rows: list[Row] = [
        (
            Cell(outcome_word(ball["outcome"], _), ball["outcome"]),
            "–" if ball["serial"] is None else shown(ball["serial"]),
            str(ball["row"]),
            titles.get(ball["rule"], "–"),
            style.margin(ball["margin"], ball["unit"], 4),
        )
        for ball in worst[:WORST_SHOWN]
    ]
    caption = _("Worst first; the margin is negative outside the limit.")
    if len(worst) > WORST_SHOWN:
        caption += " " + _("The first {count} are shown; the JSON has more.").format(count=WORST_SHOWN)
    columns = (
        Column(_("outcome"), 20),
        Column(_("serial"), 30),
        Column(_("row"), 10, number=True),
        Column(_("rule"), 40),
        Column(_("margin"), 20, number=True),
    )
    yield table(columns, rows, caption)


def _by_weight(quantities: Sequence[Document]) -> tuple[list[Document], list[Document]]:
    """The quantities that matter most, worst first, and the others in their order."""

    def weight(each: Document) -> tuple[int, float]:
        outside, capable = each["counted_outside"], each["capability"]
        index = capable["ppk"]["value"] if capable else None
        return -(outside["below"] + outside["above"]) if outside else 0, CAPABLE if index is None else index

    front = sorted((each for each in quantities if weight(each) < (0, CAPABLE)), key=weight)[:MATTER_MOST]
    return front, [each for each in quantities if each not in front]


def _pictures(each: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    yield Heading(style.titled(each["quantity"], each["unit"]), 3)
    drawn = [charts.histogram(each, style)]
    if each["run_chart"] is not None:
        drawn.append(charts.run_chart(each, style))
    yield Charts(tuple(drawn))
    facts = []
    if each["fraction_outside"] is not None:
        part = each["fraction_outside"]
        told = _("{fraction}; upper bound {bound}").format(
            fraction=style.percent(part["fraction"]), bound=style.percent(part["upper_bound"])
        )
        facts.append((_("Estimated outside (normal)"), told))
    if each["capability"] is not None:
        facts.append((_("Cpk; Ppk with its interval"), _capability(each["capability"], style)))
    if each["normality"] is not None and each["normality"]["p_value"] is not None:
        against = _("nothing against it") if each["normality"]["normal"] else _("departs from normal")
        p_value = style.number(each["normality"]["p_value"], 2)
        facts.append((_("Normality (Anderson-Darling)"), f"p = {p_value}, {against}"))
    for interval in each["tolerance_intervals"]:
        if interval["side"] == "two_sided":
            facts.append(_interval(interval, each["unit"], style))
    yield Facts(tuple(facts))


def _capability(found: Document, style: Style) -> str:
    one, other = found["cpk"]["value"], found["ppk"]
    reach = f"({style.number(other['lower'], 3)} – {style.number(other['upper'], 3)})"
    return f"{style.number(one, 3)}; {style.number(other['value'], 3)} {reach}"


def _interval(interval: Document, unit: str, style: Style) -> tuple[str, str]:
    _ = style.text
    name = (
        _("Tolerance interval, normal")
        if interval["kind"] == "normal"
        else _("Tolerance interval, any shape")
    )
    reach = _("{low} to {high}").format(
        low=style.number(style.shown(interval["lower"], unit)), high=style.value(interval["upper"], unit)
    )
    held = _("holds {coverage} with {confidence} confidence").format(
        coverage=style.percent(interval["coverage"]),
        confidence=style.percent(
            interval["confidence"] if interval["sufficient"] else interval["confidence_reached"]
        ),
    )
    return name, f"{reach}, {held}"


def _quantities(lot: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    if not lot["quantities"]:
        return
    yield Heading(_("Quantities against their limits"))
    numbers = (_("balls"), _("mean"), _("std dev"), _("smallest"), _("largest"))
    columns = (
        Column(_("quantity"), 38),
        *(Column(*each, number=True) for each in zip(numbers, (10, 16, 15, 15, 15), strict=True)),
        Column(_("limits"), 30),
        Column(_("outside"), 13, number=True),
        Column("Ppk", 12, number=True),
    )
    yield table(columns, (_quantity(each, style) for each in lot["quantities"]))
    notes = [
        f"{style.quantity(each['quantity'])}: {note}." for each in lot["quantities"] for note in each["notes"]
    ]
    if notes:
        yield Folded(_("About these numbers"), (Notes(tuple(notes)),))


def _quantity(each: Document, style: Style) -> Row:
    unit, outside, capable = each["unit"], each["counted_outside"], each["capability"]
    numbers = [
        style.number(style.shown(each[name], unit), digits)
        for name, digits in (("mean", 5), ("standard_deviation", 3), ("minimum", 5), ("maximum", 5))
    ]
    beyond = None if outside is None else outside["below"] + outside["above"]
    return (
        style.titled(each["quantity"], unit),
        str(each["count"]),
        *numbers,
        style.limits(each["limits"], None if style.unit(unit) == unit else unit),
        Cell("–" if beyond is None else str(beyond), "nonconforming" if beyond else None),
        style.number(capable["ppk"]["value"], 3) if capable else "–",
    )


def basis_word(basis: str | None, _: Said) -> str:
    """How sure a limit is."""
    return {
        "published": _("published"),
        "secondary": _("secondary"),
        "from_memory": _("from memory"),
        "computed": _("computed"),
        "stated assumption": _("stated assumption"),
    }.get(str(basis), "–")


def _rules(lot: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    yield Heading(_("Rules, limits and where they come from"))
    sources = list(dict.fromkeys(limit["source"] for rule in lot["by_rule"] for limit in rule["limits"]))
    rows: list[Row] = []
    for rule in lot["by_rule"]:
        title = _(rule["title"])
        if rule["advisory"]:
            title = _("{rule} (advice only)").format(rule=title)
        limits = [_limit(limit, rule["unit"], sources, style) for limit in rule["limits"]]
        numbers = [
            Cell(str(rule[name]), name if name == "nonconforming" and rule[name] else None)
            for name in WORST_FIRST
        ]
        rows.append((title, "; ".join(limits) or "–", *numbers))
    counts = ((_("bad"), 10), (_("open"), 10), (_("not assessed"), 15), (_("good"), 10))
    yield table(
        (
            Column(_("rule"), 40),
            Column(_("limit, days, basis, source"), 70),
            *(Column(*each, number=True) for each in counts),
        ),
        rows,
        _("Good: conforming; bad: nonconforming; open: inconclusive."),
    )
    yield Notes(tuple(f"[{place}] {source}." for place, source in enumerate(sources, 1)), english=True)
    if lot["defects"] is not None:
        told = _("Defects: {defects} in {opportunities} judgments, {per_million} per million.").format(
            defects=lot["defects"]["defects"],
            opportunities=lot["defects"]["opportunities"],
            per_million=style.number(lot["defects"]["per_million"], 4),
        )
        yield Notes((told,))


def _limit(limit: Document, unit: str | None, sources: list[str], style: Style) -> str:
    _ = style.text
    days = "–".join(day or "" for day in (limit["effective_from"], limit["effective_to"]))
    reach = {(True, True): days, (True, False): _("from {day}"), (False, True): _("until {day}")}.get(
        (limit["effective_from"] is not None, limit["effective_to"] is not None), ""
    )
    told = [
        style.limits(limit, unit),
        reach.format(day=limit["effective_from"] or limit["effective_to"]),
        basis_word(limit["basis"], _),
    ]
    return f"{', '.join(text for text in told if text)} [{sources.index(limit['source']) + 1}]"


def _sample_rules(lot: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    if not lot["sample_rules"]:
        return
    yield Heading(_("The governing body's rules on samples"))
    rows: list[Row] = [
        (
            _(rule["title"]),
            Cell(outcome_word(rule["outcome"], _), rule["outcome"]),
            rule["message"],
            f"{basis_word(rule['basis'], _)}, {rule['source']}",
        )
        for rule in lot["sample_rules"]
    ]
    heads = (_("rule"), _("outcome"), _("found"), _("basis and source"))
    yield table(map(Column, heads, (34, 20, 50, 50)), rows)


def _plan(lot: Document, style: Style) -> Iterator[Block]:
    _, plan = style.text, lot["plan"]
    yield Heading(_("The plan and its risks"))
    own = {"none": _("no plan was given"), "every_ball": _("every ball of the lot")}
    parts = [own.get(plan["kind"], plan["source"])]
    if plan["code_letter"]:
        parts.append(_("code letter {letter}").format(letter=plan["code_letter"]))
        if plan["plan_letter"] != plan["code_letter"]:
            parts.append(_("plan of letter {letter}").format(letter=plan["plan_letter"]))
        parts.append(_("level {level}").format(level=plan["level"]))
        parts.append(
            {
                "normal": _("normal inspection"),
                "tightened": _("tightened inspection"),
                "reduced": _("reduced inspection"),
            }[plan["inspection"]]
        )
    told = _("{size} balls, accepted with at most {accept} nonconforming").format(
        size=plan["sample_size"], accept=plan["acceptance_number"]
    )
    sure = _("Basis: {basis}.").format(basis=basis_word(plan["basis"], _))
    yield Notes((f"{', '.join(parts)}: {told}. {sure}",))
    if plan["notes"]:
        yield Notes(tuple(f"{note}." for note in plan["notes"]))
    if lot["curves"] is not None:
        yield Charts(
            (
                charts.operating_characteristic(lot["curves"], plan, style),
                charts.outgoing_quality(lot["curves"], style),
            )
        )
    for each in lot["variables"]:
        yield Notes((f"{style.quantity(each['quantity'])}: {each['message']}.",))


def _measurement(lot: Document, style: Style) -> Iterator[Block]:
    _, found, gauges = style.text, lot["measurement"], lot["lot"]["gauges"]
    if not (gauges or found["gauges"] or found["instruments"] or found["risk"]):
        return
    yield Heading(_("Measurement"))
    if gauges:
        states = {"in_date": _("in date"), "expired": _("expired"), "not_told": _("not told")}
        used: list[Row] = [
            (
                shown(gauge["name"]),
                style.quantity(gauge["quantity"]),
                style.value(gauge["uncertainty"], gauge["unit"], 3),
                gauge["calibration_due"] or "–",
                Cell(
                    states[gauge["calibration"]],
                    "nonconforming" if gauge["calibration"] == "expired" else None,
                ),
            )
            for gauge in gauges
        ]
        columns = (
            Column(_("gauge"), 40),
            Column(_("quantity"), 30),
            Column(_("standard uncertainty"), 30, number=True),
            Column(_("calibration due"), 25),
            Column(_("calibration"), 25),
        )
        yield table(columns, used)
    for study in found["gauges"]:
        yield from _gauge_study(study, style)
    if found["risk"] is not None:
        yield Notes((_inspection_risk(found["risk"], style),))
    for study in found["instruments"]:
        yield Heading(
            _("Instruments for {quantity}, against {reference}").format(
                quantity=style.quantity(study["quantity"]), reference=shown(study["reference"])
            ),
            3,
        )
        rows: list[Row] = [
            (
                shown(each["instrument"]),
                *(style.value(each[name], study["unit"], 4) for name in ("offset", "lower", "upper")),
                Cell(_("yes") if each["differs"] else _("no"), "nonconforming" if each["differs"] else None),
            )
            for each in study["offsets"]
        ]
        numbers = (Column(each, 20, number=True) for each in (_("offset"), _("from"), _("to")))
        yield table((Column(_("instrument"), 40), *numbers, Column(_("differs"), 20)), rows)


def _gauge_study(study: Document, style: Style) -> Iterator[Block]:
    _, unit = style.text, study["unit"]
    yield Heading(_("Gauge study of {quantity}").format(quantity=style.quantity(study["quantity"])), 3)
    told = _(
        "Standard uncertainty of a reading: {uncertainty}; {parts} parts, {operators} operators, "
        "{replicates} readings each."
    ).format(**{**study, "uncertainty": style.value(study["standard_uncertainty"], unit, 4)})
    judged = {
        "acceptable": _("acceptable: under 10 %"),
        "may_be_acceptable": _("may be acceptable: 10 to 30 %"),
        "unacceptable": _("unacceptable: over 30 %"),
    }[study["judgment"]]
    by = _("of tolerance") if study["judged_by"] == "tolerance" else _("of study variation")
    lines = [told, f"{judged} {by} ({study['judgment_source']})."]
    if study["bias"] is not None:
        lines.append(_gauge_bias(study["bias"], unit, style))
    yield Notes(tuple(lines))
    names = {
        "gauge": _("gauge"), "repeatability": _("repeatability"), "reproducibility": _("reproducibility"),
        "operator": _("operator"), "interaction": _("interaction"), "part": _("part"), "total": _("total"),
    }  # fmt: skip
    shares = ("percent_contribution", "percent_study_variation", "percent_tolerance")
    rows: list[Row] = [
        (
            names[part["source"]],
            style.value(part["standard_deviation"], unit, 4),
            *("–" if part[name] is None else f"{style.number(part[name], 3)} %" for name in shares),
        )
        for part in study["components"]
    ]
    numbers = (_("standard deviation"), _("of variance"), _("of study variation"), _("of tolerance"))
    columns = (Column(*each, number=True) for each in zip(numbers, (25, 20, 25, 20), strict=True))
    yield table((Column(_("source of variation"), 40), *columns), rows)


def _inspection_risk(risk: Document, style: Style) -> str:
    _ = style.text
    told = _(
        "Of {balls} balls the inspection wrongly accepts {accepted} (consumer's risk {consumer}) and wrongly "
        "rejects {rejected} (producer's risk {producer}), as expected by {source}."
    )
    return told.format(
        balls=risk["balls"],
        accepted=style.number(risk["wrongly_accepted"], 2),
        rejected=style.number(risk["wrongly_rejected"], 2),
        consumer=style.percent(risk["consumer_risk"]),
        producer=style.percent(risk["producer_risk"]),
        source=risk["source"],
    )


def _gauge_bias(bias: Document, unit: str, style: Style) -> str:
    _ = style.text
    told = _("Bias {bias} ({lower} to {upper} with {confidence} confidence).").format(
        **{name: style.value(bias[name], unit, 3) for name in ("bias", "lower", "upper")},
        confidence=style.percent(bias["confidence"]),
    )
    if bias["linear"] is None:
        return told
    if bias["linear"]:
        return told + " " + _("It is the same over the range.")
    return told + " " + _("It changes by {slope} for each unit.").format(slope=style.number(bias["slope"], 3))


def _left_out(lot: Document, style: Style) -> Iterator[Block]:
    _, left = style.text, lot["left_out"]
    repeated, apart = left["repeated_serials"], left["no_balls"]
    if not (left["rows"] or repeated["count"] or apart["count"]):
        return
    yield Heading(_("What was left out"))
    if left["rows"]:
        told = _("Rows: {rows}, bad cells: {cells}; in no number but the count of what is not decided.")
        yield Notes((told.format(rows=left["rows"], cells=left["cells"]),))
        rows: list[Row] = [
            (
                str(note["row"]),
                shown(note["column"]) if note["column"] is not None else _("the row"),
                shown(note["detail"]),
            )
            for note in left["listed"][:NOTES_SHOWN]
        ]
        columns = (Column(_("row"), 12, number=True), Column(_("column"), 40), Column(_("reason"), 90))
        yield table(columns, rows)
    lines = [
        _("Row {row} repeats the serial of row {first_row}; they count as one ball, by the worst.").format(
            **each
        )
        for each in repeated["listed"][:NOTES_SHOWN]
    ]
    lines += [
        _("Row {row} ({word}) is no ball: in no number and no decision.").format(
            row=each["row"], word=shown(each["word"] or _("named"))
        )
        for each in apart["listed"][:NOTES_SHOWN]
    ]
    if lines:
        yield Notes(tuple(lines))


def _closing(lot: Document, style: Style) -> Iterator[Block]:
    _, drawn = style.text, lot["drawn"]
    if drawn is not None:
        yield Heading(_("Sample drawn"))
        told = _(
            "{sample_size} of {lot_size} balls, seed {seed}; the same seed and serials draw the same balls."
        )
        yield Notes((told.format(**drawn),))
        serials = ", ".join(map(shown, drawn["serials"]))
        yield Folded(_("Serials to measure"), (Notes((serials,)),))
    yield from _assumed(lot, style)
    yield from _rests_on(lot, style)
    yield _signatures(_)


def _signatures(_: Said) -> Signatures:
    roles = (_("Inspected by"), _("Disposition by"))
    return Signatures(roles, (_("name"), _("day"), _("disposition"), _("signature")))


def _assumed(lot: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    yield Heading(_("Assumptions and cautions"))
    cautions = [each["message"] for each in lot["cautions"] if each["code"] != "advice_only"]
    yield Notes((*lot["assumptions"], *cautions))


def _rests_on(lot: Document, style: Style) -> Iterator[Block]:
    _, rules, file = style.text, lot["rules"], lot["file"]
    yield Heading(_("What this report rests on"))
    judged = {
        "simple": _("value against limit"),
        "guarded": _("guarded, risk {risk}").format(risk=style.percent(lot["decision"]["risk"])),
    }[lot["decision"]["rule"]]
    size = _("{count} bytes").format(count=file["size"])
    overlays = [each["name"] for each in rules["overlays"]]
    stage = _("approval, as made") if rules["stage"] == "approval" else _("play")
    yield Facts(
        (
            (_("File"), f"{shown(file['name'] or '–')}, {file['format']}, {size}"),
            (_("SHA-256 of the file"), file["sha256"]),
            (
                _("Rules"),
                ", ".join([rules["body"].upper(), *overlays, stage, rules["on"], rules["edition"]]),
            ),
            (_("SHA-256 of the rules"), rules["digest"]),
            (_("Decision"), judged),
            (_("Made by"), f"{lot['made_by']['name']} {lot['made_by']['version']}"),
        )
    )


def _series(answer: Document, style: Style) -> Iterator[Block]:
    _, lots, names = style.text, answer["lots"], answer["names"]
    drifting = [entry for entry in answer["drift"] if entry["signals"]]
    signals = (
        _("Drift: signals on {quantities}.").format(
            quantities=", ".join(style.quantity(entry["quantity"]) for entry in drifting)
        )
        if drifting
        else _("Drift: no signal.")
    )
    word = _("{accepted} of {count} lots accepted").format(accepted=answer["lots_accepted"], count=len(lots))
    yield Verdict(answer["outcome"], word, (signals,))
    rows: list[Row] = [
        (
            shown(name),
            lot_name(lot),
            Cell(outcome_word(lot["acceptance"]["outcome"], _), lot["acceptance"]["outcome"]),
            *(str(lot["counts"][kind]) for kind in ("left_out", "balls", "nonconforming")),
        )
        for name, lot in zip(names, lots, strict=True)
    ]
    counts = ((_("left out"), 14), (_("balls"), 14), (_("nonconforming"), 22))
    first = (Column(_("file"), 40), Column(_("lot"), 40), Column(_("decision"), 24))
    yield table((*first, *(Column(*each, number=True) for each in counts)), rows)
    yield from _switching(answer, style)
    yield Heading(_("Drift over the lots"))
    for entry in drifting:
        yield from _drift(entry, style)
    steady = [entry for entry in answer["drift"] if not entry["signals"]]
    blocks = [block for entry in steady for block in _drift(entry, style)]
    if blocks:
        yield Folded(_("Charts of quantities without a signal"), tuple(blocks))
    for place, (name, lot) in enumerate(zip(names, lots, strict=True)):
        yield Heading(shown(name))
        yield from _one_of_several(lot, None if place == 0 else lots[place - 1], style)
    yield from _plan(lots[-1], style)
    yield _signatures(_)


def _one_of_several(lot: Document, before: Document | None, style: Style) -> Iterator[Block]:
    """A lot of a series: what is its own, and its limits where they are not those of the lot before."""
    yield from _identity(lot, style)
    yield from _decision(lot, style)
    if lot["worst_balls"]:
        yield from _failures(lot, style)
    yield from _quantities(lot, style)
    limits, known = ([rule["limits"] for rule in each["by_rule"]] if each else None for each in (lot, before))
    if limits != known:
        yield from _rules(lot, style)
        yield from _sample_rules(lot, style)
    yield from _left_out(lot, style)
    yield from _assumed(lot, style)
    yield from _rests_on(lot, style)


def _switching(answer: Document, style: Style) -> Iterator[Block]:
    _ = style.text
    if not answer["switching"]:
        return
    inspections = {"normal": _("normal"), "tightened": _("tightened"), "reduced": _("reduced")}
    yield Heading(_("Switching rules"))
    heads = (_("file"), _("inspection"), _("found"), _("accepts"), _("next lot"))
    yield table(
        map(Column, heads, (40, 24, 16, 16, 24)),
        (
            (
                shown(answer["names"][step["lot"]]),
                inspections[step["plan"]["inspection"]],
                str(step["count"]),
                str(step["plan"]["acceptance_number"]),
                _("stopped") if step["next"]["discontinued"] else inspections[step["next"]["inspection"]],
            )
            for step in answer["switching"]
        ),
        _("ISO 2859-1: each lot by the plan in force; a ball not decided counts as one that may be bad."),
    )


def _drift(entry: Document, style: Style) -> Iterator[Block]:
    yield Heading(style.titled(entry["quantity"], entry["unit"]), 3)
    if entry["note"]:
        yield Notes((f"{entry['note']}.",))
    if entry["shewhart"] is None:
        return
    _ = style.text
    charted = {
        "mean": _("mean beyond its limit"),
        "ewma": _("moving average beyond its limit"),
        "spread": _("standard deviation beyond its limit"),
    }
    for chart, said in charted.items():
        lots = ", ".join(shown(each["name"]) for each in entry["signals"] if each["chart"] == chart)
        if lots:
            yield Notes((f"{said}: {lots}.",))
    yield Charts((charts.drift_of_means(entry, style), charts.drift_of_spreads(entry, style)))
