"""Keys and signatures against RFC 8037 (2017), appendix A, and against another library (cryptography)."""

from __future__ import annotations

import datetime
import hashlib
import json
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import jwt
import pytest

from ballgauge_service.record.keys import (
    DEMO_KEY,
    BadKeys,
    Keyring,
    NoSigningKey,
    encoded,
    new_key,
    parts,
)
from ballgauge_service.web.http import degraded
from ballgauge_service.web.server.application import create_app

RFC_8037_THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"  # A.3
RFC_8037_TOKEN = (  # A.4: header {"alg":"EdDSA"}, payload "Example of Ed25519 signing"
    "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc."
    "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
)


def test_the_demo_key_is_the_rfcs_example() -> None:
    """RFC 8037, A.1 to A.3: the thumbprint (RFC 7638) ties the key to the document."""
    told = json.dumps({name: DEMO_KEY[name] for name in ("crv", "kty", "x")}, separators=(",", ":"))
    assert encoded(hashlib.sha256(told.encode()).digest()) == RFC_8037_THUMBPRINT


def test_the_rfcs_example_signature_is_made_and_read() -> None:
    """RFC 8037, A.4 and A.5, with the ring's own key: Ed25519 gives the same bytes to everybody."""
    key = Keyring([DEMO_KEY])._keys["demo"]
    assert key.private is not None
    signed, _, signature = RFC_8037_TOKEN.rpartition(".")
    assert encoded(key.private.sign(signed.encode())) == signature
    key.public.verify(parts(RFC_8037_TOKEN)[2], signed.encode())


def test_another_library_verifies_a_record(client: Any, signed: dict[str, Any]) -> None:
    """PyJWT with the published key, by the header and the set of keys alone (RFC 7515, 7517, 8037)."""
    published = client.get("/v1/records/keys").json
    (key,) = published["keys"]
    assert key == {
        "kty": "OKP",
        "crv": "Ed25519",
        "kid": "2026-a",
        "alg": "EdDSA",
        "use": "sig",
        "x": key["x"],
    }
    header = jwt.get_unverified_header(signed["record"])
    assert header == {"alg": "EdDSA", "kid": "2026-a", "typ": "ballgauge-record"}
    found = jwt.PyJWKSet.from_dict(published)[header["kid"]]
    read = jwt.PyJWS().decode_complete(signed["record"], found, algorithms=["EdDSA"])
    assert json.loads(read["payload"]) == signed["content"]


def made_by_hand(keyring: Keyring, payload: bytes, **named: Any) -> str:
    header = {"alg": "EdDSA", "kid": keyring.signing_kid, "typ": "ballgauge-record"} | named
    told = {name: value for name, value in header.items() if value is not None}
    private = keyring._keys[keyring.signing_kid].private
    assert private is not None
    signed = f"{encoded(json.dumps(told).encode())}.{encoded(payload)}"
    return f"{signed}.{encoded(private.sign(signed.encode()))}"


def test_records_of_before_are_verified(client: Any, keyring: Keyring, signed: dict[str, Any]) -> None:
    """Until 0.1.0 the header named the algorithm as RFC 9864 does."""
    payload = parts(signed["record"])[1]
    old = made_by_hand(keyring, payload, alg="Ed25519")
    assert client.post("/v1/records/verify", json={"record": old}).json["content"] == signed["content"]


@pytest.mark.parametrize(
    "named",
    [
        {"b64": False, "crit": ["b64"]},
        {"crit": ["exp"]},
        {"typ": "JWT"},
        {"typ": None},
        {"jwk": {}},
        {"alg": 5},
    ],
    ids=str,
)
def test_a_header_that_asks_for_more_is_not_believed(keyring: Keyring, named: dict[str, Any]) -> None:
    """RFC 7515, 4.1.11: what is critical and not understood makes a signature invalid, right or not."""
    assert keyring.is_genuine(made_by_hand(keyring, b"{}"))
    assert not keyring.is_genuine(made_by_hand(keyring, b"{}", **named))


def test_keys_have_a_life(key_set: dict[str, Any]) -> None:
    """Against NumericDate (RFC 7519): the first private key that lives signs, and the life is published."""
    (old,), (new,) = key_set["keys"], new_key("2027-a")["keys"]
    now = [1_798_761_599.0]
    ring = Keyring([new | {"nbf": 1_798_761_600}, old | {"exp": 1_798_761_600}], lambda: now[0])
    assert ring.signing_kid == "2026-a"
    now[0] += 1
    assert ring.signing_kid == "2027-a"
    assert [each.get("exp") for each in ring.public_set()["keys"]] == [None, 1_798_761_600]
    with pytest.raises(NoSigningKey):
        _ = Keyring([old | {"exp": 1_798_761_600}], lambda: now[0]).signing_kid
    # The end of 2026 by UTC is the first day of 2027 somewhere, and the last of 2026 elsewhere.
    days = [datetime.date(2026, 12, 31), datetime.date(2027, 1, 1), datetime.date(2027, 1, 3)]
    assert [ring.signed_on("2026-a", day) for day in days] == [True, True, False]
    assert [ring.signed_on("2027-a", day) for day in days] == [True, True, True]
    assert not ring.signed_on("2027-a", datetime.date(2026, 12, 30))


def test_a_record_of_a_day_outside_its_keys_life_is_of_no_key(
    monkeypatch: pytest.MonkeyPatch, key_set: dict[str, Any], signed: dict[str, Any]
) -> None:
    """Against the issue of a leak: whoever has an ended key cannot date a record behind its end."""
    (key,) = key_set["keys"]
    for life, state in (({"exp": 1_777_000_000}, "unknown_key"), ({"nbf": 1_777_000_000}, "genuine")):
        monkeypatch.setenv("BALLGAUGE_KEYS", json.dumps({"keys": [key | life]}))
        other = create_app(json_logs=False, warm_up=False).test_client()
        found = other.post("/v1/records/verify", json={"record": signed["record"]}).json
        assert (found["state"], found["content"] is None) == (state, state == "unknown_key")


@pytest.mark.parametrize(("mode", "refused"), [(0o600, False), (0o640, False), (0o644, True), (0o602, True)])
def test_a_file_of_signing_keys_that_others_read_or_change_is_refused(
    tmp_path: Path, key_set: dict[str, Any], mode: int, refused: bool
) -> None:
    file = tmp_path / "keys.json"
    file.write_text(json.dumps(key_set))
    file.chmod(mode)
    with pytest.raises(BadKeys, match="others") if refused else nullcontext():
        Keyring.from_environment({"BALLGAUGE_KEYS_FILE": str(file)})
    file.write_text(json.dumps(Keyring(key_set["keys"]).public_set()))
    assert Keyring.from_environment({"BALLGAUGE_KEYS_FILE": str(file)}).knows("2026-a")  # for all to read


def test_rotation_keeps_what_was_signed(key_set: dict[str, Any], keyring: Keyring) -> None:
    """A property: a new key signs, the old one's public half still verifies, and without it nothing does."""
    token = keyring.sign(b"{}")
    new = new_key("2026-b")["keys"]
    rotated = Keyring([*new, *keyring.public_set()["keys"]])
    assert rotated.signing_kid == "2026-b"
    assert rotated.is_genuine(token)
    assert rotated.is_genuine(rotated.sign(b"{}"))
    assert not Keyring(new).is_genuine(token)
    swapped = new[0] | {"kid": "2026-a"}
    assert not Keyring([swapped]).is_genuine(token)


def test_the_example_key_is_demo_under_any_name() -> None:
    """The private half of RFC 8037's key is public, so no name makes its records proof."""
    ring = Keyring([{**DEMO_KEY, "kid": "official"}])
    assert ring.is_demo("official")
    assert not Keyring(new_key("demo")["keys"]).is_demo("demo")


@pytest.mark.parametrize(
    "keys",
    [
        [{"kty": "OKP", "crv": "Ed25519"}],
        [{**DEMO_KEY, "kid": "a b"}],
        [{**DEMO_KEY, "crv": "X25519"}],
        [{**DEMO_KEY, "x": "AAAA"}],
        [{**DEMO_KEY, "d": new_key("x")["keys"][0]["d"]}],
        [dict(DEMO_KEY), dict(DEMO_KEY)],
        ["key"],
        [{**DEMO_KEY, "use": "enc"}],
        [{**DEMO_KEY, "alg": "HS256"}],
        [{**DEMO_KEY, "exp": "2027-01-01"}],
        [{**DEMO_KEY, "nbf": 2, "exp": 1}],
        [{**DEMO_KEY, "x": 5}],
    ],
    ids=[
        "no kid",
        "odd kid",
        "another curve",
        "short",
        "halves of two keys",
        "twice",
        "text",
        "to encrypt",
        "another algorithm",
        "a day in words",
        "no life",
        "a number",
    ],
)
def test_keys_that_cannot_be_used_are_refused(keys: list[Any]) -> None:
    with pytest.raises(BadKeys):
        Keyring(keys)


def test_where_keys_come_from(tmp_path: Path, key_set: dict[str, Any]) -> None:
    file = tmp_path / "keys.json"
    file.write_text(json.dumps(key_set))
    file.chmod(0o600)
    assert Keyring.from_environment({"BALLGAUGE_KEYS_FILE": str(file)}).signing_kid == "2026-a"
    assert Keyring.from_environment({"BALLGAUGE_KEYS": "demo"}).signing_kid == "demo"
    with pytest.raises(NoSigningKey):
        _ = Keyring.from_environment({}).signing_kid
    for bad in (
        {"BALLGAUGE_KEYS": "{}", "BALLGAUGE_KEYS_FILE": str(file)},
        {"BALLGAUGE_KEYS_FILE": str(tmp_path / "none")},
        {"BALLGAUGE_KEYS": "not json"},
        {"BALLGAUGE_KEYS": '{"keys": []}'},
    ):
        with pytest.raises(BadKeys):
            Keyring.from_environment(bad)


def test_without_a_key_nothing_is_signed(monkeypatch: pytest.MonkeyPatch, asked: dict[str, Any]) -> None:
    for name, detail in (("", "no signing key"), ("no keys", "cannot be used")):
        monkeypatch.setenv("BALLGAUGE_KEYS", name)
        answer = create_app(json_logs=False, warm_up=False).test_client().post("/v1/records", json=asked)
        assert answer.status_code == 409
        assert detail in answer.json["detail"]
        assert "record" not in answer.json


def test_public_keys_alone_verify_but_do_not_sign(
    monkeypatch: pytest.MonkeyPatch, client: Any, signed: dict[str, Any], asked: dict[str, Any]
) -> None:
    monkeypatch.setenv("BALLGAUGE_KEYS", client.get("/v1/records/keys").text)
    other = create_app(json_logs=False, warm_up=False).test_client()
    assert other.post("/v1/records", json=asked).status_code == 409
    answer = other.post("/v1/records/verify", json={"record": signed["record"]})
    assert answer.json["state"] == "genuine"


def test_a_service_that_should_sign_and_cannot_says_so(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, key_set: dict[str, Any]
) -> None:
    """Degraded and answering: an ended key and a file that is gone; not where nobody wants it to sign."""
    (key,) = key_set["keys"]
    public = Keyring([key]).public_set()
    for named, wrong in (
        ({"BALLGAUGE_KEYS": json.dumps({"keys": [key | {"exp": 1_777_000_000}]})}, True),
        ({"BALLGAUGE_KEYS": json.dumps(key_set)}, False),
        ({"BALLGAUGE_KEYS_FILE": str(tmp_path / "gone.json"), "BALLGAUGE_KEYS": ""}, True),
        ({"BALLGAUGE_KEYS": json.dumps(public)}, False),
        ({"BALLGAUGE_KEYS": ""}, False),
    ):
        with monkeypatch.context() as patch:
            for name, text in named.items():
                patch.setenv(name, text)
            answer = create_app(json_logs=False, warm_up=False).test_client().get("/readyz")
        told = {"status": "degraded", "degraded": ["signing_key"]} if wrong else {"status": "ok"}
        assert (answer.status_code, answer.json) == (200, told)
        degraded.tell("signing_key", None)
