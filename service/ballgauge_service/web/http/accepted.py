"""Which of the forms of an answer its caller takes, by the header Accept or by the query."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flask import request
from marshmallow import ValidationError

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


def chosen(offered: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """What the query chooses of each of these, by name, where it does. Raises ValidationError."""
    given = {name: request.args[name] for name in offered if name in request.args}
    wrong = {
        name: f"must be one of {', '.join(offered[name])}"
        for name, value in given.items()
        if value not in offered[name]
    }
    if wrong:
        raise ValidationError(wrong)
    return given
