"""Keys and signatures against RFC 8037 (2017), appendix A, and against another library (cryptography)."""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from ballgauge_service.record.keys import (
    DEMO_KEY,
    BadKeys,
    Keyring,
    NoSigningKey,
    _demo_thumbprint,
    new_key,
    parts,
)
from ballgauge_service.web.server.application import create_app

RFC_8037_THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"  # A.3
RFC_8037_TOKEN = (  # A.4: header {"alg":"EdDSA"}, payload "Example of Ed25519 signing"
    "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc."
    "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
)


def test_the_demo_key_is_the_rfcs_example() -> None:
    """RFC 8037, A.1 to A.3: the thumbprint ties the key to the document."""
    assert _demo_thumbprint() == RFC_8037_THUMBPRINT


@pytest.mark.filterwarnings("ignore:EdDSA is deprecated")
def test_the_rfcs_example_signature_is_made_and_read() -> None:
    """RFC 8037, A.4 and A.5, through the library that signs records, with the ring's own key object."""
    from joserfc import jws

    key = Keyring([DEMO_KEY])._keys["demo"]
    made = jws.serialize_compact({"alg": "EdDSA"}, b"Example of Ed25519 signing", key, algorithms=["EdDSA"])
    assert made == RFC_8037_TOKEN
    assert jws.deserialize_compact(RFC_8037_TOKEN, key, algorithms=["EdDSA"]).payload == parts(made)[1]


def test_another_library_verifies_a_record(client: Any, signed: dict[str, Any]) -> None:
    """RFC 7515, section 5.2, by hand with the cryptography package and the published key."""
    (key,) = client.get("/v1/records/keys").json["keys"]
    assert set(key) == {"kty", "crv", "kid", "x"}
    header, payload, signature = signed["record"].split(".")
    public = Ed25519PublicKey.from_public_bytes(base64.urlsafe_b64decode(key["x"] + "="))
    public.verify(base64.urlsafe_b64decode(signature + "=="), f"{header}.{payload}".encode())
    named = json.loads(base64.urlsafe_b64decode(header + "=="))
    assert named["alg"] == "Ed25519"  # RFC 9864 (2025)


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
    ],
    ids=["no kid", "odd kid", "another curve", "short", "halves of two keys", "twice", "text"],
)
def test_keys_that_cannot_be_used_are_refused(keys: list[Any]) -> None:
    with pytest.raises(BadKeys):
        Keyring(keys)


def test_where_keys_come_from(tmp_path: Path, key_set: dict[str, Any]) -> None:
    file = tmp_path / "keys.json"
    file.write_text(json.dumps(key_set))
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
