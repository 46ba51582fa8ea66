"""The report of a lot as a page, and on paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ballgauge_service.core.report import page
from ballgauge_service.core.report.style import Style
from ballgauge_service.lot.report.content import report


def write_report(answer: Mapping[str, Any], style: Style | None = None) -> str:
    """The page for an answer on one lot, or on several in time order."""
    return page.write(report(answer, style or Style()))


def print_report(answer: Mapping[str, Any], style: Style | None = None) -> bytes:
    """The paper for an answer on one lot, or on several in time order, as PDF."""
    # Deferred: a page needs no library of PDF.
    from ballgauge_service.core.report import paper

    return paper.print_report(report(answer, style or Style()))
