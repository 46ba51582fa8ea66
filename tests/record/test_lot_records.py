"""Signed records of lots: judged here, signed, and told again when they are verified."""

from __future__ import annotations

import hashlib
import io
import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from ballgauge_schemas.record.documents import SignedLotSchema, VerifiedRecordSchema

FILE = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv").read_bytes()
OPTIONS: dict[str, Any] = {
    "rules": {"on": "2026-05-01"},
    "sampling": {"lot_size": 1000, "plan": {"aql": 1.0}},
    "lot": {"supplier": "Ostrel Works", "lot": "T48-2026-17"},
}


def post(client: Any, *lots: bytes, address: str = "/v1/records/lots?issued_on=2026-05-02") -> Any:
    form = {"options": json.dumps(OPTIONS), "file": [(io.BytesIO(lot), "lot.csv") for lot in lots]}
    return client.post(address, data=form)


@pytest.fixture
def signed_lot(client: Any) -> dict[str, Any]:
    answer = post(client, FILE)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json
    return found


def test_a_record_says_what_the_answer_says(client: Any, signed_lot: dict[str, Any]) -> None:
    """Against the answer on the same lot, the file's digest and the contract."""
    SignedLotSchema().load(signed_lot)
    answer = post(client, FILE, address="/v1/lots").json
    content = signed_lot["content"]
    assert content["outcome"] == answer["acceptance"]["outcome"] == "conforming"
    assert content["file"] == {
        "name": "lot.csv",
        "sha256": hashlib.sha256(FILE).hexdigest(),
        "size": len(FILE),
    }
    assert content["counts"] == answer["counts"]
    assert content["rules"] == answer["rules"]
    assert content["lot"]["supplier"] == "Ostrel Works"
    assert content["issued_on"] == "2026-05-02"
    assert post(client, FILE).json == signed_lot


def test_it_is_verified_as_a_balls_is(client: Any, signed_lot: dict[str, Any]) -> None:
    """Against what was signed; by its label too, and not once a letter is changed."""
    for text in (signed_lot["record"], signed_lot["label"]):
        found = client.post("/v1/records/verify", json={"record": text}).json
        VerifiedRecordSchema().load(found)
        assert (found["state"], found["lot"]) == ("genuine", signed_lot["content"])
        assert found["content"] is found["recheck"] is None
    head, payload, signature = signed_lot["record"].split(".")
    other = post(client, FILE.replace(b"15.02", b"15.03")).json["record"].split(".")[1]
    assert other != payload
    changed = client.post("/v1/records/verify", json={"record": f"{head}.{other}.{signature}"}).json
    assert (changed["state"], changed["lot"]) == ("altered", None)


def test_what_cannot_be_signed_is_refused(client: Any, signed_lot: dict[str, Any]) -> None:
    """Against the pointers: no day, a day that is none, two lots, a lot that cannot be read, and a print."""
    for query in ("?issued_on=", "?issued_on=May", "?issued_on=2026-02-30"):
        refused = post(client, FILE, address=f"/v1/records/lots{query}")
        assert refused.status_code == 422
        assert refused.json["errors"][0]["pointer"] == "/issued_on"
    assert post(client, FILE, FILE).status_code == 422
    assert post(client, b"nothing here").status_code == 422
    printed = client.post("/v1/records/prints", json={"record": signed_lot["record"], "form": "a4"})
    assert printed.json["errors"][0]["pointer"] == "/record"


def test_a_service_without_a_key_signs_no_lot(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the status that a ball's record has."""
    from ballgauge_service.web.server.application import create_app

    monkeypatch.delenv("BALLGAUGE_KEYS", raising=False)
    monkeypatch.delenv("BALLGAUGE_KEYS_FILE", raising=False)
    bare = create_app(json_logs=False, warm_up=False).test_client()
    assert post(bare, FILE).status_code == 409


def test_the_client_signs_and_verifies(key_set: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the record of the same lot by HTTP."""
    import ballgauge

    monkeypatch.setenv("BALLGAUGE_KEYS", json.dumps(key_set))
    with ballgauge.Client.embedded() as client:
        signed = client.sign_lot(FILE, OPTIONS, issued_on="2026-05-02")
        found = client.verify(signed.record)
    assert found.state == "genuine"
    assert found.lot.file.sha256 == hashlib.sha256(FILE).hexdigest()


def test_the_command_signs_and_verifies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Against what `verify` says of the file that `lot` wrote: by the published key it proves nothing."""
    from ballgauge._command.program import run

    monkeypatch.setenv("BALLGAUGE_KEYS", "demo")
    lot, record = tmp_path / "lot.csv", tmp_path / "lot.record"
    lot.write_bytes(FILE)
    plan = ["--lot-size", "1000", "--aql", "1.0", "--on", "2026-05-01"]
    assert run(["lot", str(lot), *plan, "--sign", str(record)]) == 0
    assert run(["lot", str(lot), *plan, "--sign", str(record), "--issued-on", "2026-05-02"]) == 0
    capsys.readouterr()
    assert run(["verify", str(record)]) == 1
    said = capsys.readouterr().out
    for text in ("genuine", "demonstration key", hashlib.sha256(FILE).hexdigest()[:16], "conforming"):
        assert text in said
