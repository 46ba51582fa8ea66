"""Prints of a record: a page (A4 or Letter), a label, or the QR code alone."""

from __future__ import annotations

import datetime
import io
import json
from typing import Any, NamedTuple

import segno
from fpdf import FPDF

from ballgauge_schemas import CHECK, ValidationError
from ballgauge_service.check.request import Rules
from ballgauge_service.core.paper import PAGES, prepare, printable
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.record import labels
from ballgauge_service.record.keys import unsigned
from ballgauge_service.rulebooks import amount, between, describe_rulebook

_LABEL = (90.0, 62.0)
"""Size of a label [mm] (ours)."""
_MARGIN = 16.0
_CODE = 62.0
_LABEL_CODE = 54.0
_QUIET = 4
"""Modules that stay blank around a QR code (ISO/IEC 18004)."""

_ADVICE = (
    "This record repeats a verdict computed from the values given. It is advice: only the governing body "
    "decides and approves. Compare the ball with the values here, and verify the code."
)
_DEMO = "DEMONSTRATION KEY: this record proves nothing."


class Print(NamedTuple):
    """A file: its bytes and media type."""

    data: bytes
    media_type: str


def print_record(record: str, form: str) -> Print:
    """Print a record that is known to be genuine, in one of `PRINT_FORMS`.

    Raises LabelTooLong where a label or code is asked for and no QR code holds the record.
    """
    text = labels.write_label(record)
    if text is None and form in ("label", "code"):
        raise labels.LabelTooLong("no QR code holds a record as long as this; print a page or keep the file")
    if form == "code" and text is not None:
        return Print(_picture(text), "image/png")
    content: dict[str, Any] = json.loads(unsigned(record).payload)
    paper = _label(content, text) if form == "label" else _page(content, text, PAGES[form])
    paper.set_keywords(record)
    return Print(bytes(paper.output()), "application/pdf")


def _code(text: str) -> segno.QRCode:
    return segno.make_qr(text, error="m", boost_error=False)


def _picture(text: str) -> bytes:
    written = io.BytesIO()
    _code(text).save(written, kind="png", scale=6, border=_QUIET)
    return written.getvalue()


def _paper(content: dict[str, Any], size: str | tuple[float, float]) -> FPDF:
    paper = FPDF(unit="mm", format=size)
    day = datetime.date.fromisoformat(content["issued_on"])
    prepare(paper, title="Ballgauge record", day=day, margin=_MARGIN)
    return paper


def _draw_code(paper: FPDF, text: str, left: float, top: float, size: float) -> None:
    modules = list(_code(text).matrix_iter(border=_QUIET))
    step = size / len(modules)
    paper.set_fill_color(0)
    for row, line in enumerate(modules):
        start = None
        for column, dark in enumerate((*line, 0)):
            if dark and start is None:
                start = column
            elif not dark and start is not None:
                paper.rect(left + start * step, top + row * step, (column - start) * step, step, style="F")
                start = None


def _page(content: dict[str, Any], text: str | None, size: str) -> FPDF:
    paper = _paper(content, size)
    paper.set_margin(_MARGIN)
    paper.add_page()
    width = paper.epw - (_CODE + 4 if text else 0)
    if text:
        _draw_code(paper, text, paper.w - _MARGIN - _CODE, _MARGIN, _CODE)
    paper.set_font("print", "B", 19)
    paper.multi_cell(width, 9, content["outcome"].replace("_", " "), new_x="LMARGIN", new_y="NEXT")
    paper.set_font("print", "", 10.5)
    for line in _heading(content):
        paper.multi_cell(width, 5.2, line, new_x="LMARGIN", new_y="NEXT")
    if content["demo"]:
        paper.set_font("print", "B", 11)
        paper.multi_cell(width, 6, _DEMO, new_x="LMARGIN", new_y="NEXT")
    paper.set_y(max(paper.get_y(), _MARGIN + (_CODE if text else 0)) + 4)
    _findings(paper, content)
    paper.ln(3)
    paper.set_font("print", "", 9)
    for line in (_ADVICE, f"Digest of the rules: {content['rules']['digest']}"):
        paper.multi_cell(0, 4.4, line, new_x="LMARGIN", new_y="NEXT")
    return paper


def _heading(content: dict[str, Any]) -> list[str]:
    ball, rules = content["check"]["ball"], content["rules"]
    told = (
        ("Player", content.get("player")),
        ("Event", content.get("event")),
        ("Ball", ball.get("name")),
        ("Serial", ball.get("serial")),
        ("Date of the record, as stated", content["issued_on"]),
        (
            "Rules",
            ", ".join(filter(None, (rules["body"].upper(), rules["overlay"], rules["stage"], rules["on"]))),
        ),
    )
    return [printable(f"{name}: {value}") for name, value in told if value]


def _findings(paper: FPDF, content: dict[str, Any]) -> None:
    known = {each["rule"]: each for each in _described(content["check"])}
    paper.set_font("print", "", 9)
    with paper.table(
        col_widths=(25, 52, 18, 27), line_height=5, padding=0.6, borders_layout="HORIZONTAL_LINES"
    ) as table:
        head = table.row()
        for text in ("outcome", "rule", "value", "limit"):
            head.cell(text)
        for each in content["findings"]:
            row, rule = table.row(), known.get(each["rule"], {})
            unit = rule.get("unit")
            row.cell(each["outcome"].replace("_", " "))
            row.cell(str(rule.get("title", each["rule"])))
            row.cell(amount(each["value"], unit) if "value" in each else "")
            row.cell(_limit(each, unit) if "min" in each or "max" in each else "")


def _described(check: dict[str, Any]) -> list[dict[str, Any]]:
    try:
        book = Rules.of(CHECK.load(check)["rules"]).edition().source
    except (ValidationError, InvalidInput):
        return []
    return list(describe_rulebook(book)["rules"])


def _limit(finding: dict[str, Any], unit: str | None) -> str:
    low, high = finding.get("min"), finding.get("max")
    if high is None:
        return f"min {amount(low, unit)}"
    return f"max {amount(high, unit)}" if low is None else between(low, high, unit)


def _label(content: dict[str, Any], text: str | None) -> FPDF:
    paper = _paper(content, _LABEL)
    paper.set_auto_page_break(auto=False)
    paper.set_margin(3)
    paper.add_page()
    if text:
        _draw_code(paper, text, 2, 4, _LABEL_CODE)
    left, width = 2 + _LABEL_CODE + 1, _LABEL[0] - _LABEL_CODE - 5
    paper.set_xy(left, 6)
    paper.set_font("print", "B", 10)
    paper.multi_cell(width, 4.4, content["outcome"].replace("_", " "), new_x="LEFT", new_y="NEXT", align="L")
    paper.set_font("print", "", 7)
    for line in (*_heading(content), "Advice, not an approval."):
        if paper.get_y() < _LABEL[1] - 12:
            paper.multi_cell(width, 3.1, line, new_x="LEFT", new_y="NEXT", align="L", max_line_height=3.1)
    if content["demo"]:
        paper.set_font("print", "B", 7)
        paper.set_xy(left, _LABEL[1] - 10)
        paper.multi_cell(width, 3.1, _DEMO, new_x="LEFT", new_y="NEXT", align="L")
    return paper
