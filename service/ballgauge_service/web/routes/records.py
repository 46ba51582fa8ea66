"""The addresses of signed records: sign, verify, read from a file, print, and the public keys."""

from __future__ import annotations

import importlib.util
from typing import TYPE_CHECKING

from flask import Blueprint, Response, current_app, request
from marshmallow import ValidationError

from ballgauge_schemas.record.documents import RECORD_FILES, RECORD_PRINT, RECORD_REQUEST
from ballgauge_schemas.shared.limits import RECORD_FILE_MAXIMUM
from ballgauge_service.core.refusal import below
from ballgauge_service.web import direct
from ballgauge_service.web.access import access
from ballgauge_service.web.http import bodies, degraded, uploads
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.serializer import respond

if TYPE_CHECKING:
    from ballgauge_service.record.keys import Keyring

blueprint = Blueprint("records", __name__)

_KEYS = "ballgauge_keys"

_NO_KEY = (
    "this service has no signing key; whoever runs it sets BALLGAUGE_KEYS_FILE or BALLGAUGE_KEYS, and "
    "`ballgauge key` makes one"
)


def _keyring() -> Keyring:
    """The keys that the environment named when they were first asked for."""
    if _KEYS not in current_app.extensions:
        current_app.extensions[_KEYS] = direct.keyring()
    keyring: Keyring = current_app.extensions[_KEYS]
    return keyring


def signing_keyring() -> Keyring:
    """The keys, one of which signs. Raises Refusal."""
    from ballgauge_service.record.keys import NoSigningKey

    found = _keyring()
    try:
        _ = found.signing_kid
    except NoSigningKey:
        raise Refusal(409, _NO_KEY) from None
    return found


def tell_of_keys() -> None:
    """Tell whether there are keys that should sign and cannot: gone, spoilt, or none that lives now."""
    if importlib.util.find_spec("cryptography") is None:
        return
    from ballgauge_service.record.keys import NoSigningKey, are_named

    if not are_named():
        return
    words = None
    try:
        found = _keyring()
        if found.may_sign:
            _ = found.signing_kid
    except NoSigningKey:
        words = "no signing key is valid now: the last has expired, or the first is not valid yet"
    except Refusal as refusal:
        words = refusal.detail
    degraded.tell("signing_key", words)


@blueprint.post("/v1/records")
def sign() -> Response:
    """Check a ball and sign the verdict."""
    from ballgauge_service.record import evaluate

    asked = RECORD_REQUEST.load(bodies.read_json(request))
    asked["issued_on"] = access.record_day(asked.get("issued_on"))
    with below("/check"):
        return respond(evaluate.sign(asked, signing_keyring(), direct.evaluate_all))


@blueprint.post("/v1/records/verify")
def verify() -> Response:
    """Say what has become of a record."""
    return respond(direct.verify(bodies.read_json(request), _keyring))


@blueprint.post("/v1/records/read")
def read() -> Response:
    """Read a record out of a picture or a PDF."""
    from ballgauge_service.record.pictures import NothingFound, read_document

    with uploads.drained(request, RECORD_FILE_MAXIMUM) as body:
        if request.mimetype not in RECORD_FILES:
            words = f"the content type must be {', '.join(RECORD_FILES[:-1])} or {RECORD_FILES[-1]}"
            raise Refusal(415, words)
        data = b"".join(iter(body.read, b""))
    try:
        return respond({"record": read_document(data)})
    except NothingFound as nothing:
        raise Refusal(422, str(nothing)) from None


@blueprint.post("/v1/records/prints")
def prints() -> Response:
    """Print a genuine record."""
    from ballgauge_service.record import evaluate
    from ballgauge_service.record.labels import LabelTooLong
    from ballgauge_service.record.prints import print_record

    asked = RECORD_PRINT.load(bodies.read_json(request))
    text = asked["record"].strip()
    known = direct.verify({"record": text}, _keyring)
    if known["state"] != "genuine":
        raise ValidationError({"record": "not genuine; only a genuine record is printed"})
    if known["lot"] is not None:
        raise ValidationError({"record": "a lot's record is kept with its report, and is not printed"})
    try:
        printed = print_record(evaluate.token_of(text), asked["form"])
    except LabelTooLong as too_long:
        raise ValidationError({"form": str(too_long)}) from None
    return Response(printed.data, content_type=printed.media_type)


@blueprint.get("/v1/records/keys")
def keys() -> Response:
    """Give the public keys."""
    return respond(_keyring().public_set())
