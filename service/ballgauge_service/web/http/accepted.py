"""Which of the forms of an answer its caller takes."""

from __future__ import annotations

from collections.abc import Sequence

from flask import request

from ballgauge_schemas.shared.wording import listed
from ballgauge_service.web.http.refusals import Refusal


def accepted(offered: Sequence[str], what: str) -> str:
    """The media type to answer with, the first where the caller names none. Raises Refusal, 406."""
    if not request.accept_mimetypes:
        return offered[0]
    best: str | None = request.accept_mimetypes.best_match(offered)
    if best is None:
        raise Refusal(406, f"{what} is answered as {listed(offered, 'or')}")
    return best
