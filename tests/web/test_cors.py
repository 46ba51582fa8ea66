"""Pages of other origins: against the Fetch standard's rules for preflights and answers."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from ballgauge_service.web.access import access, access_keys
from ballgauge_service.web.http import hosts
from ballgauge_service.web.http.settings import BadSettings, Settings
from ballgauge_service.web.server.application import create_app

SHOP, OTHER = "https://shop.example", "http://desk.example:8080"
PREFLIGHT = {
    "Access-Control-Request-Method": "POST",
    "Access-Control-Request-Headers": "authorization, content-type, x-evil",
}


def make(*origins: str, **chosen: Any) -> Any:
    chosen_settings = Settings(cors_origins=origins, **chosen)
    return create_app(json_logs=False, warm_up=False, settings=chosen_settings).test_client()


def cors_headers(answer: Any) -> dict[str, str]:
    return {name: value for name, value in answer.headers if name.startswith("Access-Control-")}


@pytest.mark.parametrize("origin", [SHOP, "null", "http://127.0.0.1:8000"])
def test_closed_unless_origins_are_named(origin: str) -> None:
    client = make()
    assert not cors_headers(client.options("/v1/checks", headers={"Origin": origin, **PREFLIGHT}))
    assert not cors_headers(client.get("/v1/rulebooks", headers={"Origin": origin}))


def test_a_preflight_is_answered_before_a_key_is_asked_for(tmp_path: Path) -> None:
    """Fetch, 4.8: a browser sends no key with a preflight."""
    file = str(tmp_path / "access.toml")
    key = access_keys.add(file, "a", ["check"], access.today() + timedelta(days=1))
    client = make(SHOP, OTHER, access_keys=file, requests_per_minute=2)
    for _ in range(5):  # nor is it counted
        answer = client.options("/v1/checks", headers={"Origin": SHOP, **PREFLIGHT})
        assert answer.status_code == 200
    found = cors_headers(answer)
    assert found["Access-Control-Allow-Origin"] == SHOP
    assert set(found["Access-Control-Allow-Methods"].split(", ")) == {"GET", "POST"}
    assert found["Access-Control-Allow-Headers"].lower() == "authorization, content-type, x-request-id"
    assert "Access-Control-Allow-Credentials" not in found
    refused = client.post("/v1/checks", headers={"Origin": SHOP}, json={})
    assert refused.status_code == 401
    assert refused.headers["Access-Control-Allow-Origin"] == SHOP
    assert "WWW-Authenticate" in refused.headers["Access-Control-Expose-Headers"]
    sent = {"Origin": OTHER, "Authorization": f"Bearer {key}"}
    assert client.get("/v1/rulebooks", headers=sent).headers["Access-Control-Allow-Origin"] == OTHER


@pytest.mark.parametrize(
    "origin",
    [f"{SHOP}.evil.example", "https://evil-shop.example", "http://shop.example", f"{SHOP}:8443", "null",
     "https://shopXexample", f"{SHOP}/", "https://shop.example@evil.example", "*"],
)  # fmt: skip
@pytest.mark.parametrize("known", [(SHOP,), (SHOP, OTHER)])
def test_only_exact_origins_are_let_in(origin: str, known: tuple[str, ...]) -> None:
    client = make(*known)
    assert not cors_headers(client.options("/v1/checks", headers={"Origin": origin, **PREFLIGHT}))
    answer = client.get("/v1/rulebooks", headers={"Origin": origin})
    assert answer.status_code == 200
    assert not cors_headers(answer)
    # RFC 9110, 12.5.5: a cache must not give this answer to an origin that is let in.
    assert "Origin" in answer.vary


def test_what_is_not_the_interface_stays_closed() -> None:
    client = make(SHOP)
    for path in ("/", "/healthz", "/docs", "/static/frame.js"):
        assert not cors_headers(client.get(path, headers={"Origin": SHOP})), path


GOOD = [SHOP, OTHER, "http://localhost:3000", "https://[2001:db8::1]:444", "https://xn--bcher-kva.example"]
BAD = ["*", "null", "https://shop.example/", "https://shop.example/path", "shop.example", "ftp://shop.example",
       "https://*.shop.example", "https://user@shop.example", "https://shop.example:443", "http://a.example:80",
       "HTTPS://shop.example", "https://Shop.example", "https://", "https://shop.example?x", "https://bücher.example",
       "https://shop.example:", "https://shop..example"]  # fmt: skip


@pytest.mark.parametrize("origin", GOOD)
def test_origins_that_browsers_send_are_taken(origin: str) -> None:
    """RFC 6454, 6.2: scheme, host in small letters, and the port where it is not the scheme's own."""
    read = Settings.from_environment({"BALLGAUGE_CORS_ORIGINS": f"{origin}, {SHOP}"})
    assert read.cors_origins == (origin, SHOP)
    answer = make(origin).get("/v1/rulebooks", headers={"Origin": origin})
    assert answer.headers["Access-Control-Allow-Origin"] == origin


@pytest.mark.parametrize("origin", BAD)
def test_other_origins_are_an_error_at_the_start(origin: str) -> None:
    with pytest.raises(BadSettings, match="origin"):
        make(SHOP, origin)
    with pytest.raises(BadSettings, match="BALLGAUGE_CORS_ORIGINS"):
        Settings.from_environment({"BALLGAUGE_CORS_ORIGINS": f"{SHOP} {origin}"})


def test_all_bad_origins_are_named() -> None:
    with pytest.raises(BadSettings) as caught:
        make("*", SHOP, "null")
    assert "'*', 'null'" in str(caught.value)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost", 200), ("127.0.0.1:8000", 200), ("[::1]:8000", 200), ("LOCALHOST:1", 200), ("desk", 200),
        ("evil.example", 421), ("evil.example.", 421), ("EVIL.example:8000", 421),
        ("127.0.0.1.evil.example", 421), ("localhost@evil.example", 421), ("[evil.example", 421),
        ("shop.example:443", 200),
    ],
)  # fmt: skip
def test_a_request_for_another_host_does_not_reach_a_service_of_this_machine(host: str, status: int) -> None:
    """RFC 9110, 15.5.20 (421): where nobody is asked for a key, the name is what keeps other pages out."""
    settings = Settings(hosts=(*hosts.LOOPBACK, "shop.example"))
    client = create_app(json_logs=False, warm_up=False, settings=settings).test_client()
    for method, path in (("GET", "/healthz"), ("POST", "/v1/records")):
        answer = client.open(path, method=method, environ_overrides={"HTTP_HOST": host}, json={})
        assert (answer.status_code == 421) == (status == 421)
