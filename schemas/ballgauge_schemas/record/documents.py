"""Signed records: what is asked to be signed, verified or printed, and what is answered."""

from __future__ import annotations

from ballgauge_schemas.check.answer import UsedListSchema, UsedOverlaySchema, other_days
from ballgauge_schemas.check.request import CheckEntrySchema
from ballgauge_schemas.shared import limits, words
from ballgauge_schemas.shared.base import Choice, Day, Flag, Number, Part, Schema, Several, Table, Text, Whole

RECORD_FILES = ("image/png", "image/jpeg", "application/pdf")
"""Files that a record is read from."""

_RECORD_PATTERN = r"^[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+$"
_RECORD = (
    "eyJhbGciOiJFZDI1NTE5Iiwia2lkIjoiZGVtbyIsInR5cCI6ImJhbGxnYXVnZS1yZWNvcmQifQ.eyJmb3JtYXQiOiJiYWxsZ2F1Z2Ut"
    "cmVjb3JkLTEifQ.AAAA"
)


def _person(description: str, example: str) -> Text:
    return Text(example, description, maximum=80)


def _number(description: str, example: float) -> Number:
    return Number(-1e300, 1e300, example, description, unit="the rule's")


class RecordRequestSchema(Schema):
    """A check whose verdict is to be signed."""

    check = Part(CheckEntrySchema, "The check; it is made, then signed.", required=True)  # type: ignore[assignment]
    issued_on = Day("2024-09-01", words.ISSUED_ON)
    player = _person("Whose ball it is, for the reader.", "J. Doe")
    event = _person("Where the record is used, for the reader.", "City open")


class RecordVerificationSchema(Schema):
    """A record to be verified."""

    record = Text(
        _RECORD,
        "A compact JWS (RFC 7515), or the text of a label's code.",
        required=True,
        maximum=limits.RECORD_MAXIMUM,
    )
    on = Day(
        "2026-05-01", "Day whose rules the record is compared with; without it, the record's own day of use."
    )


class RecordPrintSchema(Schema, whole=True):
    """A record to be printed."""

    record = Text(_RECORD, "A genuine record, or its label's text.", maximum=limits.RECORD_MAXIMUM)
    form = Choice(words.PRINT_FORMS, "A page (PDF), a label (PDF), or its code alone (PNG).")


class RecordFindingSchema(Schema):
    """A finding in short; its numbers have six significant digits, and absent ones do not exist."""

    rule = Text("weight", "Id of the rule.", required=True, maximum=2000)
    outcome = Choice(words.OUTCOMES, "The verdict on this rule.", required=True)
    value = _number("The value judged.", 15.06)
    uncertainty = _number("Its standard uncertainty.", 0.01)
    min = _number("Least value that conforms.", 2.46)
    max = _number("Greatest value that conforms.", 16.0)


class RecordRulesSchema(Schema):
    """The rules that judged."""

    body = Choice(words.BODIES, "The governing body.", required=True)
    on = Day("2024-09-01", "Day of use.", required=True)
    stage = Choice(words.STAGES, "Use in play, or a model's approval.", required=True)
    edition = Text("rules known in 2026", "The rulebook's edition.", required=True, maximum=2000)
    overlay = Text(
        "australia", "Names of the overlays; null: none.", required=True, maximum=500, allow_none=True
    )
    overlays = Several(
        Part(UsedOverlaySchema, "One overlay."), 2 * limits.OVERLAYS_MAXIMUM, "The overlays, in their order."
    )
    as_made = Choice(words.BODIES, "Whose rules judged the ball as made, if another body's.", allow_none=True)
    approved_list = Part(
        UsedListSchema,
        "The approved list; the check keeps the ball's rows alone. Absent where there is none.",
    )
    digest = Text(
        "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
        "SHA-256 of the rules and their limits, of all dates.",
        required=True,
        maximum=64,
        pattern=r"^[0-9a-f]{64}$",
    )


class RecordContentSchema(Schema):
    """What is signed: this object as canonical JSON (RFC 8785)."""

    format = Text("ballgauge-record-1", "Name of this form.", required=True, maximum=40)
    issued_on = Day("2024-09-01", "Date of the record, as stated.", required=True)
    player = _person("Whose ball it is.", "J. Doe")
    event = _person("Where the record is used.", "City open")
    check = Part(CheckEntrySchema, "The request, in trade units.", required=True)  # type: ignore[assignment]
    outcome = Choice(words.OUTCOMES, "The overall outcome.", required=True)
    findings = Several(
        Part(RecordFindingSchema, "One finding."),
        limits.RULES_MAXIMUM,
        "The findings, in the rulebook's order.",
        required=True,
    )
    also_on = other_days()
    rules = Part(RecordRulesSchema, "The rules that judged.", required=True)
    demo = Flag("Whether a published key signed, so that it proves nothing.", required=True, example=False)


class _SignedSchema(Schema, whole=True):
    record = Text(
        _RECORD,
        "The record: a compact JWS (RFC 7515), signed with Ed25519.",
        maximum=limits.RECORD_MAXIMUM,
        pattern=_RECORD_PATTERN,
    )
    label = Text(
        "BALLGAUGE1:6BF",
        "Text of a QR code that carries the record; null where no code holds it.",
        allow_none=True,
        maximum=4296,
    )
    kid = Text("2026-a", "Id of the key that signed.", maximum=100)
    demo = Flag("Whether a published key signed, so that it proves nothing.", example=False)


class SignedRecordSchema(_SignedSchema, whole=True):
    """A signed record."""

    outcome = Choice(words.OUTCOMES, "The overall outcome.")
    content = Part(RecordContentSchema, "What was signed.")


class LotRecordFileSchema(Schema, whole=True):
    """The file that was judged."""

    name = Text("ostrel_tarn_48.csv", "Its name.", allow_none=True, maximum=2000)
    sha256 = Text(
        "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
        "SHA-256 of its bytes: whoever has the file can say whether it is this one.",
        maximum=64,
        pattern=r"^[0-9a-f]{64}$",
    )
    size = Whole(0, 10**15, 8048, "Its bytes.")


class LotRecordContentSchema(Schema, whole=True):
    """What is signed of a lot: this object as canonical JSON (RFC 8785)."""

    format = Text(words.LOT_RECORD_FORMAT, "Name of this form.", maximum=40)
    issued_on = Day("2026-05-02", "Date of the record, as stated.")
    lot = Table(None, {"model": "Tarn 48"}, "What the lot is, as the answer on it says.")
    file = Part(LotRecordFileSchema, "The file that was judged.")
    outcome = Choice(words.OUTCOMES, "The decision in the words of the outcomes.")
    lot_accepted = Flag(
        "Whether the lot is accepted; null where nothing is decided.", allow_none=True, example=True
    )
    scope = Choice(words.LOT_SCOPES, "By all rules, or by those on what was measured.")
    reasons = Several(
        Text("Balls: 1 nonconforming of 80 balls", "A reason.", maximum=4000),
        1000,
        "What decided, the worst first.",
    )
    to_remove = Whole(0, 10**15, 1, "Nonconforming balls found.")
    counts = Table(None, {"balls": 79}, "Balls by outcome.")
    plan = Table(None, {"sample_size": 80, "acceptance_number": 2}, "The plan.")
    rules = Part(RecordRulesSchema, "The rules that judged.")
    decision = Table(None, {"rule": "simple", "risk": 0.05}, "How uncertainty decided.")
    made_by = Table(None, {"name": "ballgauge", "version": "0.2.0"}, "What judged.")
    demo = Flag("Whether a published key signed, so that it proves nothing.", example=False)


class SignedLotSchema(_SignedSchema, whole=True):
    """A signed record of a lot."""

    outcome = Choice(words.OUTCOMES, "The decision.")
    content = Part(LotRecordContentSchema, "What was signed.")


class RecordChangeSchema(Schema, whole=True):
    """A rule that judges the record's ball otherwise than it did."""

    rule = Text("differential", "Id of the rule.", maximum=2000)
    title = Text("Differential", "The rule in a few words.", maximum=2000)
    then = Part(RecordFindingSchema, "In the record; null: no such rule.", allow_none=True)
    now = Part(RecordFindingSchema, "Now; null: no such rule.", allow_none=True)


class RecordRecheckSchema(Schema, whole=True):
    """The record's request judged again, by the rules this service knows."""

    on = Day("2026-05-01", "Day of use that the rules are taken for.")
    rules_changed = Flag("Whether any rule or limit differs from the record's.", example=False)
    outcome = Choice(
        words.OUTCOMES, "The outcome now; null where the request can no longer be judged.", allow_none=True
    )
    changes = Several(
        Part(RecordChangeSchema, "One rule."), 2 * limits.RULES_MAXIMUM, "The rules that judge otherwise."
    )


class VerifiedRecordSchema(Schema, whole=True):
    """What has become of a record. Nothing of its content is shown unless it is genuine."""

    state = Choice(
        words.STATES,
        "Genuine: signed by a key of this service, unaltered; altered: not what that key signed; "
        "unknown_key: this service has no key of that id, or none that signed on the record's day.",
    )
    kid = Text("2026-a", "Id of the key it names.", allow_none=True, maximum=100)
    demo = Flag("Whether a published key signed, so that it proves nothing.", allow_none=True, example=False)
    content = Part(RecordContentSchema, "What was signed.", allow_none=True)
    recheck = Part(
        RecordRecheckSchema, "What the rules say now; null of a lot, whose file is not here.", allow_none=True
    )
    lot = Part(LotRecordContentSchema, "What was signed of a lot, in place of `content`.", allow_none=True)


class RecordTextSchema(Schema):
    """A record as it was read from a file; nothing is known of it yet."""

    record = Text(_RECORD, "The record, or its label's text.", required=True, maximum=limits.RECORD_MAXIMUM)


class PublicKeySchema(Schema):
    """A public key as a JWK (RFC 7517, RFC 8037)."""

    kty = Choice(("OKP",), "Family of the key.", required=True)
    crv = Choice(("Ed25519",), "The curve.", required=True)
    kid = Text("2026-a", "Id of the key.", required=True, maximum=32)
    alg = Choice(
        ("EdDSA",), "What its signatures name (RFC 8037); those before 0.2.0 name Ed25519.", required=True
    )
    use = Choice(("sig",), "What it is for.", required=True)
    x = Text(
        "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo", "The key, as base64url.", required=True, maximum=64
    )
    nbf = Whole(0, 10**11, 1767225600, "It signs from here on, in seconds since 1970; absent: always did.")
    exp = Whole(0, 10**11, 1798761600, "It signs until here, in seconds since 1970; absent: no end is set.")


class PublicKeysSchema(Schema):
    """The public keys of this service: a JWK set."""

    keys = Several(Part(PublicKeySchema, "One key."), 1000, "The keys, the signing one first.", required=True)


RECORD_REQUEST = RecordRequestSchema()
RECORD_VERIFICATION = RecordVerificationSchema()
RECORD_PRINT = RecordPrintSchema()
