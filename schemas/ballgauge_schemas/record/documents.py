"""Signed records: what is asked to be signed, verified or printed, and what is answered."""

from __future__ import annotations

from ballgauge_schemas.check.request import CheckRequestSchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Text

RECORD_FILES = ("image/png", "image/jpeg", "application/pdf")
"""Files that a record is read from."""

_RECORD_PATTERN = r"^[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+$"
_RECORD = (
    "eyJhbGciOiJFZDI1NTE5Iiwia2lkIjoiZGVtbyIsInR5cCI6ImJhbGxnYXVnZS1yZWNvcmQifQ.eyJmb3JtYXQiOiJiYWxsZ2F1Z2Ut"
    "cmVjb3JkLTEifQ.AAAA"
)


def _person(description: str, example: str) -> Text:
    return Text(description=description, example=example, maximum=80)


def _number(description: str, example: float) -> Number:
    return Number(description=description, example=example, minimum=-1e300, maximum=1e300, unit="the rule's")


class RecordRequestSchema(Schema):
    """A check whose verdict is to be signed."""

    check = Part(CheckRequestSchema, required=True, description="The check; it is made, then signed.")  # type: ignore[assignment]
    issued_on = Day(
        required=True,
        example="2024-09-01",
        description="Date of the record, as whoever asks for it states it.",
    )
    player = _person("Whose ball it is, for the reader.", "J. Doe")
    event = _person("Where the record is used, for the reader.", "City open")


class RecordVerificationSchema(Schema):
    """A record to be verified."""

    record = Text(
        required=True,
        maximum=limits.RECORD_MAXIMUM,
        example=_RECORD,
        description="A compact JWS (RFC 7515), or the text of a label's code.",
    )
    on = Day(
        description="Day whose rules the record is compared with; without it, the record's own day of use.",
        example="2026-05-01",
    )


class RecordPrintSchema(Schema):
    """A record to be printed."""

    record = Text(
        required=True,
        maximum=limits.RECORD_MAXIMUM,
        example=_RECORD,
        description="A genuine record, or its label's text.",
    )
    form = Choice(
        *words.PRINT_FORMS, required=True, description="A page (PDF), a label (PDF), or its code alone (PNG)."
    )


class RecordFindingSchema(Schema):
    """A finding in short; its numbers have six significant digits, and absent ones do not exist."""

    rule = Text(required=True, maximum=2000, description="Id of the rule.", example="weight")
    outcome = Choice(*words.OUTCOMES, required=True, description="The verdict on this rule.")
    value = _number("The value judged.", 15.06)
    uncertainty = _number("Its standard uncertainty.", 0.01)
    min = _number("Least value that conforms.", 2.46)
    max = _number("Greatest value that conforms.", 16.0)


class RecordRulesSchema(Schema):
    """The rules that judged."""

    body = Choice(*words.BODIES, required=True, description="The governing body.")
    on = Day(required=True, description="Day of use.", example="2024-09-01")
    stage = Choice(*words.STAGES, required=True, description="Use in play, or a model's approval.")
    edition = Text(
        required=True, maximum=2000, description="The rulebook's edition.", example="rules known in 2026"
    )
    overlay = Text(
        required=True,
        maximum=40,
        allow_none=True,
        description="National or local differences.",
        example="australia",
    )
    digest = Text(
        required=True,
        maximum=64,
        pattern=r"^[0-9a-f]{64}$",
        description="SHA-256 of the rules and their limits, of all dates.",
        example="9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    )


class RecordContentSchema(Schema):
    """What is signed: this object as canonical JSON (RFC 8785)."""

    format = Text(required=True, maximum=40, description="Name of this form.", example="ballgauge-record-1")
    issued_on = Day(required=True, description="Date of the record, as stated.", example="2024-09-01")
    player = _person("Whose ball it is.", "J. Doe")
    event = _person("Where the record is used.", "City open")
    check = Part(CheckRequestSchema, required=True, description="The request, in trade units.")  # type: ignore[assignment]
    outcome = Choice(*words.OUTCOMES, required=True, description="The overall outcome.")
    findings = Several(
        Part(RecordFindingSchema, description="One finding."),
        required=True,
        description="The findings, in the rulebook's order.",
        minimum=0,
        maximum=limits.RULES_MAXIMUM,
    )
    rules = Part(RecordRulesSchema, required=True, description="The rules that judged.")
    demo = Flag(
        required=True, description="Whether a published key signed, so that it proves nothing.", example=False
    )


class SignedRecordSchema(Schema):
    """A signed record."""

    record = Text(
        required=True,
        maximum=limits.RECORD_MAXIMUM,
        pattern=_RECORD_PATTERN,
        example=_RECORD,
        description="The record: a compact JWS (RFC 7515), signed with Ed25519.",
    )
    label = Text(
        required=True,
        allow_none=True,
        maximum=4296,
        description="Text of a QR code that carries the record; null where no code holds it.",
        example="BALLGAUGE1:6BF",
    )
    kid = Text(required=True, maximum=100, description="Id of the key that signed.", example="2026-a")
    demo = Flag(
        required=True, description="Whether a published key signed, so that it proves nothing.", example=False
    )
    outcome = Choice(*words.OUTCOMES, required=True, description="The overall outcome.")
    content = Part(RecordContentSchema, required=True, description="What was signed.")


class RecordChangeSchema(Schema):
    """A rule that judges the record's ball otherwise than it did."""

    rule = Text(required=True, maximum=2000, description="Id of the rule.", example="differential")
    title = Text(required=True, maximum=2000, description="The rule in a few words.", example="Differential")
    then = Part(
        RecordFindingSchema, required=True, allow_none=True, description="In the record; null: no such rule."
    )
    now = Part(RecordFindingSchema, required=True, allow_none=True, description="Now; null: no such rule.")


class RecordRecheckSchema(Schema):
    """The record's request judged again, by the rules this service knows."""

    on = Day(required=True, description="Day of use that the rules are taken for.", example="2026-05-01")
    rules_changed = Flag(
        required=True, description="Whether any rule or limit differs from the record's.", example=False
    )
    outcome = Choice(
        *words.OUTCOMES,
        required=True,
        allow_none=True,
        description="The outcome now; null where the request can no longer be judged.",
    )
    changes = Several(
        Part(RecordChangeSchema, description="One rule."),
        required=True,
        description="The rules that judge otherwise.",
        minimum=0,
        maximum=2 * limits.RULES_MAXIMUM,
    )


class VerifiedRecordSchema(Schema):
    """What has become of a record. Nothing of its content is shown unless it is genuine."""

    state = Choice(
        *words.STATES,
        required=True,
        description="Genuine: signed by a key of this service, unaltered; altered: not what that key signed; "
        "unknown_key: this service has no key of that id.",
    )
    kid = Text(
        required=True, allow_none=True, maximum=100, description="Id of the key it names.", example="2026-a"
    )
    demo = Flag(
        required=True,
        allow_none=True,
        description="Whether a published key signed, so that it proves nothing.",
        example=False,
    )
    content = Part(RecordContentSchema, required=True, allow_none=True, description="What was signed.")
    recheck = Part(RecordRecheckSchema, required=True, allow_none=True, description="What the rules say now.")


class RecordTextSchema(Schema):
    """A record as it was read from a file; nothing is known of it yet."""

    record = Text(
        required=True,
        maximum=limits.RECORD_MAXIMUM,
        description="The record, or its label's text.",
        example=_RECORD,
    )


class PublicKeySchema(Schema):
    """A public key as a JWK (RFC 7517, RFC 8037)."""

    kty = Choice("OKP", required=True, description="Family of the key.")
    crv = Choice("Ed25519", required=True, description="The curve.")
    kid = Text(required=True, maximum=32, description="Id of the key.", example="2026-a")
    x = Text(
        required=True,
        maximum=64,
        description="The key, as base64url.",
        example="11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
    )


class PublicKeysSchema(Schema):
    """The public keys of this service: a JWK set."""

    keys = Several(
        Part(PublicKeySchema, description="One key."),
        required=True,
        description="The keys, the signing one first.",
        minimum=0,
        maximum=1000,
    )


RECORD_REQUEST = RecordRequestSchema()
RECORD_VERIFICATION = RecordVerificationSchema()
RECORD_PRINT = RecordPrintSchema()
