"""A service that signs: the application in this process with a key of its own."""

from __future__ import annotations

import json
from typing import Any

import pytest

from ballgauge_service.record.keys import Keyring, new_key
from ballgauge_service.web.server.application import create_app


@pytest.fixture(scope="session")
def key_set() -> dict[str, Any]:
    """A JWK set with one private key."""
    return new_key("2026-a")


@pytest.fixture(scope="session")
def keyring(key_set: dict[str, Any]) -> Keyring:
    """Its keyring."""
    return Keyring(key_set["keys"])


@pytest.fixture(scope="session")
def client(key_set: dict[str, Any]) -> Any:
    """A test client of a service that has the key."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("BALLGAUGE_KEYS_FILE", raising=False)
        patch.setenv("BALLGAUGE_KEYS", json.dumps(key_set))
        made = create_app(json_logs=False, warm_up=False).test_client()
        assert made.get("/v1/records/keys").json["keys"][0]["kid"] == "2026-a"
    return made


@pytest.fixture
def asked(conforming: dict[str, Any]) -> dict[str, Any]:
    """A request to sign a sound ball's verdict."""
    return {"check": conforming, "issued_on": "2026-05-02", "player": "R. Example", "event": "City open"}


@pytest.fixture
def signed(client: Any, asked: dict[str, Any]) -> dict[str, Any]:
    """The signed record."""
    answer = client.post("/v1/records", json=asked)
    assert answer.status_code == 200, answer.text
    record: dict[str, Any] = answer.json
    return record
