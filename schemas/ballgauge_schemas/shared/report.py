"""How a report is written, of whatever it tells."""

from __future__ import annotations

from ballgauge_schemas.shared import words
from ballgauge_schemas.shared.base import Choice, Schema


class ReportFields(Schema):
    """Language, units and paper of a report."""

    language = Choice(words.REPORT_LANGUAGES, "Its language.", default="en")
    units = Choice(words.REPORT_UNITS, "Trade units, or metric ones in place of them.", default="trade")
    paper = Choice(words.PAPERS, "Size of its pages as PDF.", default="a4")
