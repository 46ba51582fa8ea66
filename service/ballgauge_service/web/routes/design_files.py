"""What is written of a design: its report, its drawing, and its solids for programs that draw."""

from __future__ import annotations

import io
import re
import zipfile
from typing import Any

from flask import Response

from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.report import page
from ballgauge_service.core.report.blocks import Report
from ballgauge_service.design.evaluate import evaluated
from ballgauge_service.design.report import content
from ballgauge_service.design.solids.models import write_model
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.pages import labels
from ballgauge_service.web.http import serializer
from ballgauge_service.web.http.language import style, translated

MODELS = {"model/step": "step", "model/stl": "stl", "model/3mf": "3mf"}

_NAMES = {**labels.LABELS, **labels.SOLID_LABELS, **labels.WORDS, **labels.NUMBERS}


class Written:
    """The files of one request, computed once."""

    def __init__(self, loaded: dict[str, Any], files: dict[str, bytes], bulk: Bulk) -> None:
        wanted = loaded["report"]
        self.style = style(wanted["language"], wanted["units"], wanted["paper"], _NAMES)
        self.found, self.answer = evaluated(loaded, files, bulk=bulk)

    def one(self, media: str) -> bytes:
        """The file of a media type: a report, or the drawing or the solids of the best design found."""
        if media in MODELS:
            return write_model(self.found.best, MODELS[media])
        if media == "image/svg+xml":
            return self._drawing(self.found.best, "svg")
        return self._report("pdf" if media == "application/pdf" else "html")

    def archive(self, kinds: dict[str, str]) -> Response:
        """The answer as JSON with the files asked for, of a set one drawing and model for each ball."""
        sink = io.BytesIO()
        balls = self.found.variants or {"": self.found.best}
        with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:

            def put(name: str, data: bytes) -> None:
                # With the earliest date an archive knows: the same design gives the same bytes.
                archive.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)

            put("design.json", serializer.dump_in_order(self.answer))
            if "report" in kinds:
                put(f"report.{kinds['report']}", self._report(kinds["report"]))
            for at, (name, ball) in enumerate(balls.items(), 1):
                ending = f"-{at}-{re.sub(r'[^A-Za-z0-9]+', '-', name).strip('-')}".rstrip("-") if name else ""
                if "drawing" in kinds:
                    put(f"drawing{ending}.{kinds['drawing']}", self._drawing(ball, kinds["drawing"]))
                if "model" in kinds:
                    put(f"model{ending}.{kinds['model']}", write_model(ball, kinds["model"]))
        return Response(sink.getvalue(), content_type="application/zip")

    def _report(self, kind: str) -> bytes:
        told = translated(self.answer, self.style.language)
        return _written(content.report(self.found, told, self.style), kind)

    def _drawing(self, design: Design, kind: str) -> bytes:
        if kind == "svg":
            return content.drawn(design, self.style, self.found.bores).encode()
        return _written(content.drawing(design, self.style, self.found.bores), kind)


def _written(report: Report, kind: str) -> bytes:
    if kind == "html":
        return page.write(report).encode()
    # Deferred: a page needs no library of PDF.
    from ballgauge_service.core.report.paper import print_report

    return print_report(report)
