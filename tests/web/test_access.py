"""Who may ask for what: against RFC 6750, and against every address that the application has."""

from __future__ import annotations

import hashlib
import hmac
import io
import json
import logging
import os
import re
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from werkzeug.test import EnvironBuilder

from ballgauge_schemas.shared.access import ANY_SCOPE, NEEDED, SCOPES
from ballgauge_service.core import secret_files
from ballgauge_service.web.access import access, access_keys
from ballgauge_service.web.http import degraded, request_log
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import BadSettings, Settings
from ballgauge_service.web.server.application import create_app

TOMORROW = access.today() + timedelta(days=1)
YESTERDAY = access.today() - timedelta(days=1)
MEDIA_TYPE = "application/problem+json"


@pytest.fixture
def file(tmp_path: Path) -> str:
    return str(tmp_path / "access.toml")


@pytest.fixture
def keys(file: str) -> dict[str, str]:
    """A key of each scope, by the scope."""
    return {scope: access_keys.add(file, f"k-{scope}", [scope], TOMORROW) for scope in SCOPES}


@pytest.fixture
def client(file: str, keys: dict[str, str]) -> Any:
    return create_app(json_logs=False, warm_up=False, settings=Settings(access_keys=file)).test_client()


@pytest.fixture(autouse=True)
def whole() -> Iterator[None]:
    """What one test finds wrong is not told to the next."""
    yield
    for reason in degraded.found():
        degraded.tell(reason, None)


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


def addresses(app: Any) -> list[tuple[str, str]]:
    """Every method and address of the application, with something for what varies in it."""
    return [
        (method, re.sub(r"<any\('?([^',)]+).*?>|<[^>]+>", lambda found: found[1] or "x", rule.rule))
        for rule in app.url_map.iter_rules()
        for method in sorted(rule.methods - {"HEAD", "OPTIONS"})
    ]


def test_nobody_is_asked_unless_a_file_is_named() -> None:
    """Off by default: the embedded client and a service on the loopback address."""
    client = create_app(json_logs=False, warm_up=False, settings=Settings()).test_client()
    assert client.post("/v1/checks", json={"ball": {"weight": 15}}).status_code == 200
    assert "WWW-Authenticate" not in client.get("/v1/rulebooks").headers


def test_every_address_is_open_or_needs_a_scope_by_name(app: Any) -> None:
    """Against the application's own addresses: none is left to the rule for what nobody thought of."""
    for method, path in addresses(app):
        named = path in access.OPEN or path.startswith(access.OPEN_FOLDERS) or path in NEEDED
        assert named, f"{method} {path} is on no list of who may ask"
    assert set(NEEDED.values()) <= {*SCOPES, ANY_SCOPE}


def test_what_nobody_listed_is_closed() -> None:
    assert access.needed("/v1/new") == access.needed("/nowhere") == access.needed("/V1/checks") == ANY_SCOPE
    assert access.needed("/static") == ANY_SCOPE


def test_without_a_key_only_what_is_open_answers(client: Any) -> None:
    for method, path in addresses(client.application):
        answer = client.open(path, method=method)
        if access.needed(path) is None:
            assert answer.status_code != 401, path
            continue
        assert (answer.status_code, answer.content_type) == (401, MEDIA_TYPE), path
        # RFC 6750, 3.1: whoever sends no key is told no error code.
        assert answer.headers["WWW-Authenticate"] == 'Bearer realm="ballgauge"'


def test_each_scope_opens_its_own_addresses_and_no_other(client: Any, keys: dict[str, str]) -> None:
    """Every scope against every address: 403 as RFC 6750, 3.1, has it, or the request's own fate."""
    for method, path in addresses(client.application):
        wanted = access.needed(path)
        for scope, key in keys.items():
            answer = client.open(path, method=method, headers=bearer(key))
            if wanted in (None, ANY_SCOPE, scope):
                assert answer.status_code not in (401, 403), (path, scope)
                continue
            assert (answer.status_code, answer.content_type) == (403, MEDIA_TYPE), (path, scope)
            challenge = f'Bearer realm="ballgauge", error="insufficient_scope", scope="{wanted}"'
            assert answer.headers["WWW-Authenticate"] == challenge
            assert wanted in answer.json["detail"]


@pytest.mark.parametrize("slashes", ["//", "///"])
def test_several_slashes_at_the_beginning_are_one(file: str, keys: dict[str, str], slashes: str) -> None:
    """The application routes such a path as the plain one: it needs the same scope and is counted as well."""
    chosen = Settings(access_keys=file, requests_per_minute=10_000)
    client = create_app(json_logs=False, warm_up=False, settings=chosen).test_client()
    for method, path in addresses(client.application):
        sent = {"method": method, "headers": bearer(keys["check"])}
        plain = client.open(path, **sent)
        # In the environment, since the client takes what stands between two slashes for a host.
        found = client.open("/", environ_overrides={"PATH_INFO": slashes + path[1:]}, **sent)
        assert found.status_code == plain.status_code, path
        assert ("RateLimit" in found.headers) == ("RateLimit" in plain.headers), path
        if access.needed(path) not in (None, ANY_SCOPE, "check"):
            assert found.status_code == 403, path


def test_health_documents_and_pages_are_open(client: Any) -> None:
    for path in ("/healthz", "/readyz", "/openapi.json", "/docs", "/docs/init.js", "/", "/static/frame.js"):
        assert client.get(path).status_code == 200, path


NOT_VALID: dict[str, Callable[[str, str], str]] = {
    "wrong secret": lambda good, old: good[:-4] + ("AAAA" if good[-4:] != "AAAA" else "BBBB"),
    "unknown id": lambda good, old: good.replace("k-check", "k-nobody"),
    "another's id": lambda good, old: good.replace("k-check", "k-lot"),
    "ended": lambda good, old: old,
    "cut short": lambda good, old: good[:-1],
    "no key of ours": lambda good, old: "AbCdEf123456",
    "two keys": lambda good, old: f"{good},Bearer {good}",
    "something behind": lambda good, old: f"{good} x",
    "empty": lambda good, old: "",
    "very long": lambda good, old: "A" * 100_000,
    "not ASCII": lambda good, old: "ballgauge_k-check_\xe9",
}


@pytest.mark.parametrize("kind", NOT_VALID)
def test_keys_that_are_not_valid_look_alike(file: str, keys: dict[str, str], kind: str) -> None:
    """RFC 6750, 3.1, invalid_token; the answers to unknown, wrong and ended keys are the same to a letter."""
    old = access_keys.add(file, "k-old", ["check"], YESTERDAY)
    client = create_app(json_logs=False, warm_up=False, settings=Settings(access_keys=file)).test_client()
    sent = NOT_VALID[kind](keys["check"], old)
    answer = client.post("/v1/checks", headers={**bearer(sent), "X-Request-Id": "r"}, data=b"{")
    known = client.post("/v1/checks", headers={**bearer("ballgauge_a_b"), "X-Request-Id": "r"}, data=b"{")
    assert (answer.status_code, answer.content_type) == (401, MEDIA_TYPE)
    assert answer.headers["WWW-Authenticate"] == 'Bearer realm="ballgauge", error="invalid_token"'
    assert answer.data == known.data


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER", "Bearer  "])
def test_the_scheme_is_read_in_any_case(client: Any, keys: dict[str, str], scheme: str) -> None:
    """RFC 9110, 11.1."""
    headers = {"Authorization": f"{scheme} {keys['check']}"}
    assert client.get("/v1/rulebooks", headers=headers).status_code == 200


@pytest.mark.parametrize("header", ["Basic YTpi", "ballgauge_a_b", "", "Bearers x"])
def test_another_scheme_is_no_key(client: Any, header: str) -> None:
    answer = client.get("/v1/rulebooks", headers={"Authorization": header})
    assert answer.headers["WWW-Authenticate"] == 'Bearer realm="ballgauge"'


def test_a_key_in_the_address_or_the_body_is_none(client: Any, keys: dict[str, str]) -> None:
    """RFC 6750, 5.3: keys in addresses end in logs and histories; only the header counts."""
    assert client.get("/v1/rulebooks", query_string={"access_token": keys["check"]}).status_code == 401
    assert client.post("/v1/checks", data={"access_token": keys["check"]}).status_code == 401


def test_known_and_unknown_ids_take_the_same_steps(
    client: Any, keys: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One comparison of two hashes of equal length, whatever is wrong; timing it would prove little."""
    compared: list[tuple[int, int]] = []
    real = hmac.compare_digest

    def compare(one: bytes, other: bytes) -> bool:
        compared.append((len(one), len(other)))
        return real(one, other)

    monkeypatch.setattr(access.hmac, "compare_digest", compare)
    good = keys["check"]
    for sent in (good, good[:-4] + "AAAA", good.replace("k-check", "k-nobody"), "x"):
        compared.clear()
        client.get("/v1/rulebooks", headers=bearer(sent))
        assert compared == [(32, 32)]


def test_nothing_of_the_body_is_read_before_the_key(client: Any, keys: dict[str, str]) -> None:
    class Untouched(io.RawIOBase):
        def readinto(self, buffer: Any) -> int:
            raise AssertionError("the body was read")

    for path in ("/v1/checks", "/v1/lots", "/v1/designs", "/v1/motions", "/v1/records"):
        for headers in ({}, bearer("wrong"), bearer(keys["operate"])):
            answer = client.post(
                path,
                headers=headers,
                environ_overrides={"wsgi.input": Untouched(), "CONTENT_LENGTH": "1000"},
                content_type="multipart/form-data; boundary=x" if path == "/v1/lots" else "application/json",
            )
            assert answer.status_code in (401, 403)


def test_the_decision_needs_the_head_alone(file: str, keys: dict[str, str]) -> None:
    """The same decision without application or request, as what stands before the application takes it."""
    known = access_keys.read(file)
    key = access.decide(f"Bearer {keys['lot']}", "/v1/lots", known, access.today())
    assert key is not None
    assert key.id == "k-lot"
    assert access.decide(None, "/healthz", known, access.today()) is None
    with pytest.raises(access.Denied) as caught:
        access.decide(f"Bearer {keys['lot']}", "/v1/lots", known, TOMORROW + timedelta(days=1))
    assert caught.value.status == 401


def test_what_stands_before_the_application_may_ask_first(file: str, keys: dict[str, str]) -> None:
    """One decision, and one count, for a request that a server's gate has asked for already."""
    chosen = Settings(access_keys=file, requests_per_minute=2)
    app = create_app(json_logs=False, warm_up=False, settings=chosen)
    entrance = app.extensions[access.ENTRANCE]
    builder = EnvironBuilder("/v1/rulebooks?body=usbc", headers=bearer(keys["check"]))
    for _ in range(2):
        admission = entrance.admit(builder.get_environ())
        assert admission.key.id == "k-check"
        decided = {access.DECIDED: admission}
        answer = app.test_client().get("/v1/rulebooks?body=usbc", environ_overrides=decided)
        assert answer.status_code == 200
        assert answer.headers["RateLimit"] == admission.headers["RateLimit"]
    with pytest.raises(Refusal):
        entrance.admit(builder.get_environ())
    decided = {access.DECIDED: entrance.decided(builder.get_environ())}
    answer = app.test_client().get("/v1/rulebooks", headers=bearer(keys["lot"]), environ_overrides=decided)
    assert answer.status_code == 429
    # No header of a request can say that it was let in.
    forged = {"ballgauge.decided": "x", "Ballgauge-Decided": "x"}
    assert app.test_client().get("/v1/rulebooks", headers=forged).status_code == 401


def test_nothing_stands_at_the_entrance_by_default(app: Any) -> None:
    assert app.extensions[access.ENTRANCE] is None


def test_a_key_is_valid_to_the_end_of_its_last_day(file: str) -> None:
    key = access_keys.add(file, "a", ["check"], date(2027, 6, 30))
    known = access_keys.read(file)
    assert access.decide(f"Bearer {key}", "/v1/checks", known, date(2027, 6, 30)) is not None
    with pytest.raises(access.Denied):
        access.decide(f"Bearer {key}", "/v1/checks", known, date(2027, 7, 1))


def test_a_key_of_several_scopes(file: str) -> None:
    key = access_keys.add(file, "a", ["sign", "check"], TOMORROW)
    known = access_keys.read(file)
    for path in ("/v1/checks", "/v1/records", "/v1/records/verify"):
        assert access.decide(f"Bearer {key}", path, known, access.today()) is not None
    with pytest.raises(access.Denied) as caught:
        access.decide(f"Bearer {key}", "/v1/lots", known, access.today())
    assert caught.value.status == 403


def test_keys_are_never_logged(file: str, keys: dict[str, str]) -> None:
    """Not the header, not the secret, not a wrong key, at no level and in no error's trace."""
    logger = logging.getLogger("ballgauge_service")
    handler = logging.StreamHandler(stream := io.StringIO())
    handler.setFormatter(request_log.JsonFormatter())
    logger.addHandler(handler)
    logger.setLevel(logging.DEBUG)
    wrong = keys["check"][:-6] + "AAAAAA"
    try:
        app = create_app(json_logs=False, warm_up=False, settings=Settings(access_keys=file))
        app.add_url_rule("/broken", view_func=lambda: 1 / 0)
        client = app.test_client()
        for path in ("/v1/rulebooks", "/v1/lots", "/broken"):
            for sent in (keys["check"], keys["lot"], wrong, f"{wrong} "):
                client.get(path, headers=bearer(sent))
    finally:
        logger.removeHandler(handler)
        logger.setLevel(logging.NOTSET)
    written = stream.getvalue()
    assert "ZeroDivisionError" in written
    assert "k-check" in written
    assert "wrong key" in written
    for key in (*keys.values(), wrong):
        assert key[-43:] not in written
        assert access_keys.digest_of(key).hex() not in written
    assert "Bearer" not in written


# The file of keys


def test_only_a_hash_is_kept(file: str, keys: dict[str, str]) -> None:
    """The hash against hashlib's; the mode against the rule that nobody else reads it."""
    text = Path(file).read_text()
    for key in keys.values():
        assert key[-43:] not in text
        assert hashlib.sha256(key.encode()).hexdigest() in text
    assert os.stat(file).st_mode & 0o777 == 0o600
    assert [name for name in os.listdir(os.path.dirname(file)) if name != "access.toml"] == []


def test_keys_are_256_random_bits_with_a_prefix(keys: dict[str, str]) -> None:
    """RFC 6750, 2.1: the letters of b64token; 43 letters of base64url hold 256 bits."""
    for key in keys.values():
        assert re.fullmatch(r"ballgauge_k-[a-z]+_[A-Za-z0-9_-]{43}", key)
        assert re.fullmatch(r"[A-Za-z0-9\-._~+/]+=*", key)
    assert len({key[-43:] for key in keys.values()}) == len(keys)


ROW = {"id": '"a"', "scopes": '["check"]', "until": "2999-01-01", "sha256": f'"{"0" * 64}"'}


def rows(**changed: str | None) -> str:
    given = {name: value for name, value in {**ROW, **changed}.items() if value is not None}
    return "[[key]]\n" + "".join(f"{name} = {value}\n" for name, value in given.items())


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("[[key", ["is not TOML"]),
        ("key = 5", ["tables [[key]]"]),
        ('keys = "x"\n' + rows(), ["'keys' is not known"]),
        (rows(until='"2999-01-01"', sha256='"12"'), ["until must be a day", "sha256 must be 64 digits"]),
        (rows(scopes='["all"]', extra="1"), ["'extra' is not known", "scopes must be a list of check, lot"]),
        (rows(scopes="[]", id='"Shop 7"'), ["scopes must be", "id must be 1 to 32"]),
        (rows(id=None, until="2999-01-01T00:00:00Z"), ["id is missing", "until must be a day"]),
        (rows() + rows(), ["key 2: id 'a' is given twice"]),
        (rows(scopes="5") + rows(id='"b"', sha256="7"), ["key 1: scopes", "key 2: sha256"]),
        (rows(until="2020-01-01"), ["no key that is valid today"]),
        ("", ["no key that is valid today"]),
    ],
)
def test_every_fault_of_a_file_is_named(file: str, text: str, faults: list[str]) -> None:
    Path(file).write_text(text)
    Path(file).chmod(0o600)
    with pytest.raises(BadSettings) as caught:
        create_app(json_logs=False, warm_up=False, settings=Settings(access_keys=file))
    for fault in faults:
        assert fault in str(caught.value)
    assert file in str(caught.value)


@pytest.mark.parametrize(
    ("mode", "refused"),
    [(0o600, False), (0o400, False), (0o640, False), (0o644, True), (0o604, True), (0o620, True)],
)
def test_a_file_that_others_read_or_change_is_refused(file: str, mode: int, refused: bool) -> None:
    """The group may read: containers mount secrets so."""
    Path(file).write_text(rows())
    Path(file).chmod(mode)
    if refused:
        with pytest.raises(access_keys.BadAccessKeys, match=f"mode {mode:04o}"):
            access_keys.read(file)
    else:
        assert list(access_keys.read(file)) == ["a"]


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    (latin := tmp_path / "latin").write_bytes(b"# \xe9")
    (large := tmp_path / "large").write_bytes(b"#" * (secret_files.LARGEST + 1))
    kinds = {
        tmp_path / "none": "No such file",
        tmp_path: "Is a directory",
        pipe: "not a file",
        latin: "UTF-8",
        large: "larger than 4 MiB",
    }
    for path, words in kinds.items():
        if path.is_file():
            path.chmod(0o600)
        with pytest.raises(access_keys.BadAccessKeys, match=words):
            access_keys.read(str(path))


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now

    def pass_by(self) -> None:
        self.now += access.RECHECKED


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_a_changed_file_is_taken_up_without_a_restart(file: str, keys: dict[str, str], clock: Clock) -> None:
    watched = access.KeyFile(file, clock)
    access_keys.add(file, "new", ["check"], TOMORROW)
    access_keys.revoke(file, "k-check")
    assert "new" not in watched.current()
    clock.pass_by()
    assert "new" in watched.current()
    assert "k-check" not in watched.current()


def test_the_file_is_looked_at_only_so_often(
    file: str, keys: dict[str, str], clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[str] = []
    watched = access.KeyFile(file, clock)
    state = access_keys.state_at
    monkeypatch.setattr(access_keys, "state_at", lambda path: looks.append(path) or state(path))
    for _ in range(1000):
        watched.current()
    assert not looks
    clock.pass_by()
    for _ in range(1000):
        watched.current()
    assert len(looks) == 1


@pytest.mark.parametrize("kind", ["spoilt", "gone", "open to others", "a pipe"])
def test_the_last_good_keys_stay_and_the_fault_is_told(
    file: str, keys: dict[str, str], clock: Clock, caplog: pytest.LogCaptureFixture, kind: str
) -> None:
    """In the log once, at /readyz and in the metrics as long as it lasts; nobody new is let in meanwhile."""
    app = create_app(json_logs=False, warm_up=False, settings=Settings(access_keys=file))
    entrance = app.extensions[access.ENTRANCE]
    entrance._file = watched = access.KeyFile(file, clock)
    before = dict(watched.current())
    text = Path(file).read_text()
    Path(file).unlink()
    if kind == "spoilt":
        Path(file).write_text("[[key]]\nid = 5\n")
    elif kind == "open to others":
        Path(file).write_text(text + rows())
        Path(file).chmod(0o644)
    elif kind == "a pipe":
        os.mkfifo(file)
    with caplog.at_level(logging.ERROR, logger="ballgauge_service"):
        for _ in range(5):
            clock.pass_by()
            assert watched.current() == before
    (record,) = caplog.records
    assert f"{len(before)} keys" in record.getMessage()
    client = app.test_client()
    assert client.get("/readyz").json == {"status": "degraded", "degraded": ["access_keys"]}
    told = client.get("/metrics", headers=bearer(keys["operate"])).text
    assert 'ballgauge_degraded{reason="access_keys"} 1.0' in told
    Path(file).unlink(missing_ok=True)
    Path(file).write_text(text + rows())
    Path(file).chmod(0o600)
    clock.pass_by()
    assert set(watched.current()) == {*before, "a"}
    assert client.get("/readyz").json == {"status": "ok"}
    told = client.get("/metrics", headers=bearer(keys["operate"])).text
    assert 'ballgauge_degraded{reason="access_keys"} 0.0' in told


@pytest.mark.parametrize("kind", ["open to others", "a typing error", "a comment"])
def test_a_key_that_was_taken_out_stays_out_whatever_else_is_wrong_with_the_file(
    file: str, keys: dict[str, str], clock: Clock, kind: str
) -> None:
    """And one whose hash was changed is another key; the others are let in as before."""
    watched = access.KeyFile(file, clock)
    before = dict(watched.current())
    text = Path(file).read_text()
    digest = before["k-check"].digest.hex()
    if kind == "a comment":
        text = text.replace(f'sha256 = "{digest}"', f'# sha256 = "{digest}"')
        text = text.replace("# sha256", "#sha256")
    else:
        text = text.replace(digest, "0" * 64)
    Path(file).write_text(text + ("[[key\n" if kind == "a typing error" else ""))
    Path(file).chmod(0o644 if kind == "open to others" else 0o600)
    clock.pass_by()
    assert set(watched.current()) == set(before) - {"k-check"}
    Path(file).unlink()
    clock.pass_by()
    assert set(watched.current()) == set(before) - {"k-check"}


def test_revoking_the_last_key_shuts_everybody_out(file: str, clock: Clock) -> None:
    """No usable key is a fault at the start only: later it is what somebody wanted."""
    access_keys.add(file, "a", ["check"], TOMORROW)
    watched = access.KeyFile(file, clock)
    access_keys.revoke(file, "a")
    clock.pass_by()
    assert not watched.current()


def test_a_change_keeps_comments_and_what_the_group_may(file: str) -> None:
    Path(file).write_text("# Anna's bench\n" + rows())
    Path(file).chmod(0o640)
    access_keys.add(file, "b", ["lot"], TOMORROW)
    assert os.stat(file).st_mode & 0o777 == 0o640
    assert Path(file).read_text().startswith("# Anna's bench\n")
    assert list(access_keys.read(file)) == ["a", "b"]


def test_a_change_that_cannot_be_written_leaves_the_old_file(
    file: str, keys: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = Path(file).read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(access_keys.BadAccessKeys, match="No space left"):
        access_keys.add(file, "new", ["check"], TOMORROW)
    assert Path(file).read_bytes() == before
    assert os.listdir(os.path.dirname(file)) == ["access.toml"]


def test_a_link_to_the_file_stays_a_link(file: str, keys: dict[str, str], tmp_path: Path) -> None:
    link = tmp_path / "link"
    link.symlink_to(file)
    access_keys.add(str(link), "new", ["check"], TOMORROW)
    assert link.is_symlink()
    assert "new" in access_keys.read(file)


@pytest.mark.parametrize("order", [("a", "b", "c"), ("c", "b", "a"), ("b", "a", "c")])
def test_adding_and_revoking_in_any_order(file: str, order: tuple[str, ...]) -> None:
    for name in "abc":
        access_keys.add(file, name, ["check"], TOMORROW)
    left = {"a", "b", "c"}
    for name in order:
        left.remove(name)
        assert set(access_keys.revoke(file, name)) == set(access_keys.read(file)) == left
    access_keys.add(file, "d", ["check"], TOMORROW)
    assert list(access_keys.read(file)) == ["d"]


# Listening


@pytest.mark.parametrize(("host", "alone"), [
    ("127.0.0.1", True), ("127.8.8.8", True), ("localhost", True), ("::1", True), ("0.0.0.0", False),
    ("::", False), ("", False), ("192.0.2.7", False), ("::ffff:127.0.0.1", True), ("::ffff:192.0.2.7", False),
])  # fmt: skip
def test_loopback_is_known(host: str, alone: bool) -> None:
    """RFC 1122, 3.2.1.3, and RFC 4291, 2.5.3; 192.0.2.0/24 is for documents (RFC 5737)."""
    assert access.is_loopback(host) is alone
    if alone:
        access.require_guarded(host, Settings(), open_to_anyone=False)
    else:
        with pytest.raises(BadSettings, match="--access-keys"):
            access.require_guarded(host, Settings(), open_to_anyone=False)
    access.require_guarded(host, Settings(), open_to_anyone=True)


def test_elsewhere_with_keys_is_well(file: str, keys: dict[str, str]) -> None:
    access.require_guarded("0.0.0.0", Settings(access_keys=file), open_to_anyone=False)


def test_bad_keys_are_refused_on_loopback_too(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="No such file"):
        access.require_guarded("127.0.0.1", Settings(access_keys=str(tmp_path / "x")), open_to_anyone=True)


def test_the_document_tells_of_keys_and_scopes(app: Any) -> None:
    """Against the list that is enforced: the scheme, and for every operation its scope and answers."""
    document = app.test_client().get("/openapi.json").json
    assert document["components"]["securitySchemes"]["accessKey"]["scheme"] == "bearer"
    for path, operations in document["paths"].items():
        wanted = access.needed(path)
        for operation in operations.values():
            if wanted is None:
                assert not operation.get("security"), path
                continue
            assert operation["security"] == [{"accessKey": [] if wanted == ANY_SCOPE else [wanted]}, {}]
            assert {"401", "403"} <= set(operation["responses"]), path
    for name in ("NoAccess", "OutOfScope"):
        assert "WWW-Authenticate" in document["components"]["responses"][name]["headers"]
    assert json.dumps(document).count('"Retry-After"') == 2
