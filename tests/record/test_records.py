"""Signed records: same request, same bytes; nothing altered goes through; changed rules are told."""

from __future__ import annotations

import base64
import copy
import datetime
import io
import json
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_schemas import CHECK_REQUEST, example, example_names
from ballgauge_service.record.keys import Keyring, new_key
from ballgauge_service.record.request import canonical_request
from ballgauge_service.rulebooks import digest, read_rulebook
from ballgauge_service.web.access import access_keys
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

RING = Keyring(new_key("k")["keys"])


def verified(client: Any, record: str, on: str | None = None) -> dict[str, Any]:
    asked = {"record": record} | ({"on": on} if on else {})
    answer = client.post("/v1/records/verify", json=asked)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json
    return found


def test_a_record_is_its_request_and_its_findings(
    client: Any, signed: dict[str, Any], asked: dict[str, Any]
) -> None:
    """Against `/v1/checks`: same outcome, same findings to six digits, and the request loads the same."""
    answer = client.post("/v1/checks", json=asked["check"]).json
    content = signed["content"]
    assert content["outcome"] == answer["outcome"] == signed["outcome"] == "conforming"
    assert [each["rule"] for each in content["findings"]] == [each["rule"] for each in answer["findings"]]
    for short, full in zip(content["findings"], answer["findings"], strict=True):
        assert short["outcome"] == full["outcome"]
        numbers = {"value": full["value"], **(full["limit"] or {})}
        known = {name: number for name, number in numbers.items() if number is not None}
        assert {name: short[name] for name in known} == pytest.approx(known, rel=1e-5)
        assert not {"value", "min", "max"} & set(short) - set(known)
    assert CHECK_REQUEST.load(content["check"]) == CHECK_REQUEST.load(asked["check"])
    assert (content["player"], content["event"], content["issued_on"]) == (
        "R. Example",
        "City open",
        "2026-05-02",
    )


def test_layers_are_signed_and_judged_again(client: Any, drilled_design: dict[str, Any]) -> None:
    """The design stands in the record, whose numbers are those of its layers."""
    asked = {"check": drilled_design, "issued_on": "2026-05-02"}
    answer = client.post("/v1/records", json=asked)
    assert answer.status_code == 200, answer.text
    content = answer.json["content"]
    assert [solid["name"] for solid in content["check"]["design"]["solids"]] == ["cover", "inside"]
    judged = client.post("/v1/checks", json=drilled_design).json
    weight = {each["rule"]: each.get("value") for each in content["findings"]}["weight"]
    told = next(each["value"] for each in judged["findings"] if each["rule"] == "weight")
    assert weight == pytest.approx(told, rel=1e-5)
    found = verified(client, answer.json["record"])
    assert (found["state"], found["content"]) == ("genuine", content)
    assert (found["recheck"]["outcome"], found["recheck"]["changes"]) == (judged["outcome"], [])
    for form in ("a4", "code"):
        asked = {"record": answer.json["record"], "form": form}
        if form == "a4" or answer.json["label"]:
            assert client.post("/v1/records/prints", json=asked).status_code == 200
    sheet = client.post("/v1/drillings/sheets", json={"check": drilled_design})
    assert sheet.status_code == 200, sheet.text
    assert sheet.data.startswith(b"%PDF")


@pytest.fixture
def drilled_design() -> dict[str, Any]:
    """A check of two layers, drilled."""
    check = copy.deepcopy(example("drilled"))
    layers = [
        {"name": "cover", "shape": "sphere", "density": 1.19, "role": "cover"},
        {"name": "inside", "shape": "sphere", "density": 1.27, "diameter": 7.05, "role": "outer_core"},
    ]
    design = {"name": "Harrow Lane Tern", "diameter": 8.55, "solids": layers}
    return {**check, "ball": {"serial": "T-1"}, "design": design}


@pytest.mark.parametrize("name", example_names(drillings=False))
def test_canonical_requests_load_to_themselves(name: str) -> None:
    """A property: writing a loaded request and loading it again changes nothing."""
    items = example(name)["checks"] if name == "batch" else [example(name)]
    for item in items:
        loaded = CHECK_REQUEST.load(item)
        assert CHECK_REQUEST.load(canonical_request(loaded)) == loaded


def test_same_request_same_bytes(client: Any, asked: dict[str, Any], signed: dict[str, Any]) -> None:
    """DESIGN: no clock or randomness but what the request names; the payload is RFC 8785's canonical JSON."""
    assert client.post("/v1/records", json=asked).json["record"] == signed["record"]
    payload = signed["record"].split(".")[1]
    decoded = base64.urlsafe_b64decode(payload + "=" * (-len(payload) % 4))
    assert rfc8785.dumps(json.loads(decoded)) == decoded
    assert json.loads(decoded) == signed["content"]
    units = copy.deepcopy(asked)
    units["check"]["ball"]["weight"] = f"{asked['check']['ball']['weight']} lb"
    assert client.post("/v1/records", json=units).json["record"] == signed["record"]


def test_genuine_and_unchanged(client: Any, signed: dict[str, Any]) -> None:
    for text in (signed["record"], signed["label"], f" {signed['record']} "):
        found = verified(client, text)
        assert found["state"] == "genuine"
        assert found["content"] == signed["content"]
        assert found["demo"] is False
        assert found["recheck"] == {
            "on": "2026-05-01",
            "rules_changed": False,
            "outcome": "conforming",
            "changes": [],
        }


def test_every_changed_letter_is_noticed(client: Any, signed: dict[str, Any]) -> None:
    """A property over every place of the record: another letter there is never genuine (RFC 7515, 5.2)."""
    record = signed["record"]
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    ring = client.application.extensions["ballgauge_keys"]
    for place, letter in enumerate(record):
        for other in (letters[(letters.find(letter) + 1) % 64], letters[letters.find(letter) ^ 1], "."):
            if other != letter:
                changed = record[:place] + other + record[place + 1 :]
                assert not _is_genuine(ring, changed), (place, letter, other)
    assert _is_genuine(ring, record)


def _is_genuine(ring: Keyring, record: str) -> bool:
    try:
        return ring.is_genuine(record)
    except ValueError:
        return False


def test_altered_shows_nothing(client: Any, signed: dict[str, Any]) -> None:
    header, _, signature = signed["record"].split(".")
    content = signed["content"] | {"outcome": "nonconforming"}
    forged = base64.urlsafe_b64encode(rfc8785.dumps(content)).decode().rstrip("=")
    found = verified(client, f"{header}.{forged}.{signature}")
    assert (found["state"], found["content"], found["recheck"]) == ("altered", None, None)


@pytest.mark.parametrize("algorithm", ["none", "HS256", "Ed25519", "EdDSA"])
def test_signatures_of_another_kind_are_not_believed(
    client: Any, signed: dict[str, Any], algorithm: str
) -> None:
    """The attacks of RFC 8725 (2020), 2.1: no signature, or the public key used as a shared secret."""
    import hashlib
    import hmac

    header = _encoded({"alg": algorithm, "kid": "2026-a", "typ": "ballgauge-record"})
    payload = signed["record"].split(".")[1]
    (key,) = client.get("/v1/records/keys").json["keys"]
    mac = hmac.new(base64.urlsafe_b64decode(key["x"] + "="), f"{header}.{payload}".encode(), hashlib.sha256)
    token = f"{header}.{payload}.{base64.urlsafe_b64encode(mac.digest()).decode().rstrip('=')}"
    assert verified(client, token)["state"] == "altered"


def _encoded(document: Any) -> str:
    return base64.urlsafe_b64encode(json.dumps(document).encode()).decode().rstrip("=")


def test_a_key_of_others_is_unknown(client: Any, signed: dict[str, Any]) -> None:
    payload = json.dumps(signed["content"]).encode()
    found = verified(client, RING.sign(payload))
    assert (found["state"], found["kid"], found["content"]) == ("unknown_key", "k", None)


def test_changed_rules_are_told(client: Any, asked: dict[str, Any]) -> None:
    """USBC, release of April 2018: balance holes are no longer allowed from 1 August 2020."""
    asked["check"]["rules"]["on"] = "2020-07-31"
    record = client.post("/v1/records", json=asked).json["record"]
    assert verified(client, record)["recheck"]["rules_changed"] is False
    recheck = verified(client, record, "2020-08-01")["recheck"]
    assert recheck["rules_changed"] is True
    holes = next(change for change in recheck["changes"] if change["rule"] == "balance_holes")
    assert (holes["then"]["max"], holes["now"]["max"]) == (1, 0)


def test_a_rulebook_that_was_corrected_is_told(client: Any, signed: dict[str, Any]) -> None:
    """The digest covers every limit: another digest is told, even where every finding is the same."""
    content = copy.deepcopy(signed["content"])
    content["rules"]["digest"] = "0" * 64
    ring = client.application.extensions["ballgauge_keys"]
    recheck = verified(client, ring.sign(rfc8785.dumps(content)))["recheck"]
    assert (recheck["rules_changed"], recheck["changes"]) == (True, [])


OVERLAY = {
    "overlay": {"name": "city_open", "base": "ibf"},
    "rule": [
        {"id": "event_hardness", "quantity": "hardness", "limit": [{"min": 74}]},
        {
            "id": "event_urethane",
            "quantity": "made_on",
            "limit": [
                {"min": "2022-08-01", "when": {"urethane_cover": {"min": 1}}},
                {"effect": "exempt", "when": {"urethane_cover": {"under": 1}}},
            ],
        },
    ],
}


def test_a_record_by_other_rules_of_the_ball_as_made_and_overlays_is_verified(
    client: Any, asked: dict[str, Any]
) -> None:
    """Each of them is in the digest; by the same rules nothing has changed, days and all."""
    digests = set()
    for rules in (
        {"as_made": "usbc"},
        {},
        {"as_made": "usbc", "overlays": ["netherlands"]},
        {"as_made": "usbc", "overlays": [OVERLAY]},
        {"as_made": "usbc", "overlays": ["netherlands", OVERLAY]},
    ):
        asked["check"]["rules"] = {"body": "ibf", "on": "2026-05-01", **rules}
        answer = client.post("/v1/records", json=asked)
        assert answer.status_code == 200, answer.text
        content = answer.json["content"]
        digests.add(content["rules"]["digest"])
        assert content["rules"]["as_made"] == rules.get("as_made")
        assert len(content["rules"]["overlays"]) == len(rules.get("overlays", ()))
        found = verified(client, answer.json["record"])
        assert (found["state"], found["recheck"]["rules_changed"]) == ("genuine", False)
    assert len(digests) == 5


def test_a_record_by_an_overlay_that_is_gone_is_of_other_rules(client: Any, asked: dict[str, Any]) -> None:
    asked["check"]["rules"] = {"body": "ibf", "on": "2026-05-01", "overlays": ["netherlands"]}
    content = client.post("/v1/records", json=asked).json["content"]
    content["check"]["rules"]["overlays"] = ["atlantis"]
    ring = client.application.extensions["ballgauge_keys"]
    found = verified(client, ring.sign(rfc8785.dumps(content)))
    assert (found["state"], found["recheck"]["rules_changed"], found["recheck"]["outcome"]) == (
        "genuine", True, None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("as_made = true", "as_made = false"),
        ("max = 16.0", "max = 16.0\njudged_max = 16.5"),
        ("max = 16.0", 'max = 16.0\ndoubtful = "max"'),
        ("max = 16.0", 'max = 16.0\nmetric_twin = "7.26 kg"'),
        ('stages = ["play"]', 'stages = ["play"]\nadvice_at = ["play"]'),
        ("max = 16.0", "max = 16.0\nwhen = { made_on = { min = 2022-08-01 } }"),
    ],
)
def test_the_digest_covers_all_that_judges(old: str, new: str) -> None:
    text = """
source = { text = { document = "Test rules", date = "2020" } }
[overlay]
name = "test"
base = "usbc"
[[rule]]
id = "weight"
quantity = "weight"
stages = ["play"]
as_made = true
[[rule.limit]]
max = 16.0
source = "text"
"""
    assert digest(read_rulebook(text)) != digest(read_rulebook(text.replace(old, new)))


def test_a_check_that_cannot_be_made_is_refused_by_its_fields(client: Any, asked: dict[str, Any]) -> None:
    asked["issued_on"] = "May"
    asked["check"]["drilling"]["holes"][0]["diameter"] = 99
    answer = client.post("/v1/records", json=asked)
    assert answer.status_code == 422
    pointers = {each["pointer"] for each in answer.json["errors"]}
    assert pointers == {"/issued_on", "/check/drilling/holes/0/diameter"}


@settings(max_examples=150, deadline=None)
@given(text=st.text(max_size=80) | st.from_regex(r"[A-Za-z0-9_-]{1,20}(\.[A-Za-z0-9_-]{0,20}){0,3}"))
def test_nonsense_is_no_record(text: str, client_of_module: Any) -> None:
    for record in (text, f"BALLGAUGE1:{text}"):
        answer = client_of_module.post("/v1/records/verify", json={"record": record})
        if answer.status_code == 200:
            assert answer.json["state"] != "genuine"
        else:
            assert answer.status_code in (400, 422)


@pytest.fixture(scope="module")
def client_of_module(client: Any) -> Any:
    return client


def test_a_header_nested_without_end_is_no_record(client: Any) -> None:
    """Against RFC 7515: a header is an object; brackets by the thousand exhaust a reader of JSON."""
    header = base64.urlsafe_b64encode(b"[" * 60_000).decode().rstrip("=")
    answer = client.post("/v1/records/verify", json={"record": f"{header}.e30.e30"})
    assert answer.status_code == 422
    assert answer.json["errors"][0]["pointer"] == "/record"


LACKING = (
    ("demo",), ("issued_on",), ("outcome",), ("findings",), ("rules",), ("rules", "digest"),
    ("rules", "body"), ("check",), ("check", "ball"),
    ("findings", 0, "rule"), ("findings", 0, "outcome"),
)  # fmt: skip


@pytest.mark.parametrize("place", LACKING, ids=str)
def test_a_record_that_is_rightly_signed_and_lacks_a_member_is_refused_in_words(
    client: Any, signed: dict[str, Any], place: tuple[str | int, ...]
) -> None:
    """Only the key's owner can make one; it is named, by the member, and printed no more than verified."""
    ring = client.application.extensions["ballgauge_keys"]
    content = copy.deepcopy(signed["content"])
    whole = content
    for step in place[:-1]:
        whole = whole[step]
    for broken in ("taken", 5):
        if broken == "taken":
            del whole[place[-1]]
        else:
            whole[place[-1]] = broken
        record = ring.sign(rfc8785.dumps(content))
        for answer in (
            client.post("/v1/records/verify", json={"record": record}),
            client.post("/v1/records/prints", json={"record": record, "form": "a4"}),
        ):
            assert answer.status_code == 422
            (error,) = answer.json["errors"]
            assert error["pointer"] == "/record"
            assert "/".join(map(str, place)).removesuffix("/rules") in error["detail"]


@pytest.mark.parametrize(
    "payload",
    [
        b"[" * 60_000,
        b"5",
        b"null",
        b"\xff",
        b'{"format": "ballgauge-record-2"}',
        b'{"format": "ballgauge-lot-record-1"}',
    ],
    ids=lambda payload: str(payload[:40]),
)
def test_what_is_rightly_signed_and_no_record_is_refused(client: Any, payload: bytes) -> None:
    ring = client.application.extensions["ballgauge_keys"]
    answer = client.post("/v1/records/verify", json={"record": ring.sign(payload)})
    assert (answer.status_code, answer.json["errors"][0]["pointer"]) == (422, "/record")


def test_a_record_of_a_later_version_may_say_more(client: Any, signed: dict[str, Any]) -> None:
    ring = client.application.extensions["ballgauge_keys"]
    content = copy.deepcopy(signed["content"])
    content["weather"] = content["rules"]["moon"] = content["findings"][0]["star"] = "full"
    assert verified(client, ring.sign(rfc8785.dumps(content)))["state"] == "genuine"


def test_a_record_is_dated_by_the_services_clock(client: Any, asked: dict[str, Any]) -> None:
    del asked["issued_on"]
    first = datetime.datetime.now(datetime.UTC).date()
    content = client.post("/v1/records", json=asked).json["content"]
    last = datetime.datetime.now(datetime.UTC).date()
    assert first.isoformat() <= content["issued_on"] <= last.isoformat()


def test_another_day_than_today_needs_a_key_that_may_say_so(
    tmp_path: Path, key_set: dict[str, Any], monkeypatch: pytest.MonkeyPatch, asked: dict[str, Any]
) -> None:
    """RFC 6750, 3.1: the scope that lacks is named. Today is today anywhere on Earth: UTC-12 to UTC+14."""
    file, end = str(tmp_path / "access.toml"), datetime.date(2100, 1, 1)
    scopes = {"desk": ["sign"], "office": ["sign", "date"]}
    keys = {name: access_keys.add(file, name, held, end) for name, held in scopes.items()}
    monkeypatch.setenv("BALLGAUGE_KEYS", json.dumps(key_set))
    app = create_app(json_logs=False, warm_up=False, settings=Settings(access_keys=file))
    client, now = app.test_client(), datetime.datetime.now(datetime.UTC)
    lot = {"file": (io.BytesIO(b"weight\n15\n"), "lot.csv")}
    for hours, allowed in ((-12, True), (14, True), (-96, False), (96, False)):
        asked["issued_on"] = (now + datetime.timedelta(hours=hours)).date().isoformat()
        for name, key in keys.items():
            answer = client.post("/v1/records", json=asked, headers={"Authorization": f"Bearer {key}"})
            assert answer.status_code == (200 if allowed or name == "office" else 403)
        assert answer.json["content"]["issued_on"] == asked["issued_on"]
    refused = client.post(
        "/v1/records/lots?issued_on=1999-01-01", data=lot, headers={"Authorization": f"Bearer {keys['desk']}"}
    )
    assert (refused.status_code, 'scope="date"' in refused.headers["WWW-Authenticate"]) == (403, True)
