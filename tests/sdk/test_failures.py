"""Errors that a program can tell apart, and connections as people have them; against scripted servers."""

from __future__ import annotations

import http.server
import pickle
import ssl
import threading
import time
import warnings
from pathlib import Path
from typing import Any

import pytest
import requests
from tests.sdk.conftest import RESULT, Answer, Script, resets, says

import ballgauge

BALL = {"ball": {"weight": 15}}


@pytest.fixture
def asked(script: Script, monkeypatch: pytest.MonkeyPatch) -> Script:
    monkeypatch.setattr(time, "sleep", lambda _: None)
    return script


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        (says(401), ballgauge.AccessRefused),
        (says(403), ballgauge.AccessRefused),
        (says(429, Retry_After="17"), ballgauge.RateLimited),
        (says(301, Location="https://there.example/"), ballgauge.Redirected),
        (says(500), ballgauge.ServiceError),
        (resets, ballgauge.ConnectionFailed),
    ],
)
def test_each_failure_is_of_a_kind_of_its_own(asked: Script, answer: Any, kind: type[Exception]) -> None:
    asked.answers = [answer] * 3
    with ballgauge.Client(asked.url) as client, pytest.raises(kind) as caught:
        client.check(BALL)
    assert not issubclass(kind, ballgauge.InvalidRequest)
    again = pickle.loads(pickle.dumps(caught.value))
    assert (type(again), str(again)) == (type(caught.value), str(caught.value))
    # Until 1.0 what `except InvalidRequest` took, it takes.
    old = kind in (ballgauge.AccessRefused, ballgauge.RateLimited)
    assert isinstance(caught.value, ballgauge.InvalidRequest) == old


def test_what_an_error_tells_besides(asked: Script) -> None:
    asked.answers = [says(429, Retry_After="17"), says(301, Location="https://there.example/")]
    with ballgauge.Client(asked.url) as client:
        with pytest.raises(ballgauge.RateLimited) as limited:
            client.check(BALL)
        with pytest.raises(ballgauge.Redirected, match=r"there\.example") as moved:
            client.check(BALL)
    assert (limited.value.retry_after, moved.value.location) == (17.0, "https://there.example/")


def test_a_gateways_own_words_are_told(asked: Script) -> None:
    asked.answers = [says(503, {"message": "no healthy upstream"})] * 3
    with ballgauge.Client(asked.url) as client, pytest.raises(ballgauge.ServiceError, match="no healthy"):
        client.check(BALL)


def test_the_text_of_an_error_names_ten_fields_and_how_many_more(asked: Script) -> None:
    errors = [{"pointer": f"/a/{number}", "detail": "bad"} for number in range(64)]
    asked.answers = [says(422, {"title": "No", "errors": errors})]
    with ballgauge.Client(asked.url) as client, pytest.raises(ballgauge.InvalidRequest) as caught:
        client.check(BALL)
    lines = str(caught.value).splitlines()
    assert len(caught.value.errors) == 64
    assert [line.split(":")[0].strip() for line in lines[1:-1]] == [f"/a/{number}" for number in range(10)]
    assert "54" in lines[-1]


def test_time_in_all_ends_an_answer_that_drips(asked: Script) -> None:
    """A byte every 50 ms would never run into the time for each part."""

    def drips(handler: http.server.BaseHTTPRequestHandler) -> None:
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Length: 200\r\n\r\n")
        handler.close_connection = True
        try:
            for _ in range(200):
                handler.wfile.write(b" ")
                threading.Event().wait(0.05)
        except OSError:
            pass

    asked.answers = [drips]
    limits = ballgauge.Timeouts(connect=5, read=5, total=0.3)
    with ballgauge.Client(asked.url, timeout=limits) as client, pytest.raises(ballgauge.Timeout):
        client.check(BALL)
    assert len(asked.requests) == 1


@pytest.mark.parametrize("seconds", [0, -1, float("nan"), float("inf"), (1, 0)])
def test_a_timeout_that_is_none_is_refused(seconds: Any) -> None:
    with pytest.raises(ValueError, match="timeout"):
        ballgauge.Client("http://127.0.0.1:1", timeout=seconds)


def test_a_server_that_speaks_no_tls(asked: Script) -> None:
    with (
        ballgauge.Client(asked.url.replace("http:", "https:"), retries=0) as client,
        pytest.raises(ballgauge.TlsFailed),
    ):
        client.check(BALL)


def carried(**headers: str) -> Answer:
    return says(200, RESULT, X_Request_Id="r7", **headers)


def test_what_a_request_carries(script: Script) -> None:
    """The version in the agent's name, headers given, and those of one call laid over them."""
    script.answers = [carried()] * 3
    with ballgauge.Client(script.url, headers={"X-Shop": "7", "X-Tier": "a"}) as client:
        assert client.drill(BALL).request_id == "r7"
        client.with_options(headers={"X-Tier": "b"}, key="k" * 8).drill(BALL)
        client.drill(BALL)
    first, second, third = script.heads
    assert first["User-Agent"].startswith(f"ballgauge/{ballgauge.__version__} python-requests/")
    assert [each["X-Tier"] for each in script.heads] == ["a", "b", "a"]
    assert second["X-Shop"] == "7"
    assert second["Authorization"] == "Bearer kkkkkkkk"
    assert "Authorization" not in third


def test_a_proxy_and_a_session_of_ones_own(script: Script) -> None:
    script.answers = [carried()] * 2
    with ballgauge.Client("http://elsewhere.invalid", proxies=script.url) as client:
        client.drill(BALL)
    assert script.paths[0] == "http://elsewhere.invalid/v1/drillings"
    session = requests.Session()
    session.headers["X-Of-Session"] = "yes"
    with ballgauge.Client(script.url, session=session) as client:
        client.drill(BALL)
    assert script.heads[1]["X-Of-Session"] == "yes"


def test_another_version_is_told_once(script: Script) -> None:
    script.answers = [carried(X_Ballgauge_Version="0.1.7")] * 2
    with ballgauge.Client(script.url) as client, warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        client.drill(BALL)
        client.drill(BALL)
    assert [each.category for each in told] == [ballgauge.BallgaugeVersionWarning]
    assert "0.1.7" in str(told[0].message)
    assert told[0].filename == __file__


def test_an_older_answer_names_what_it_lacks(asked: Script) -> None:
    asked.answers = [says(200, {"outcome": "conforming"})]
    with ballgauge.Client(asked.url) as client, pytest.raises(ballgauge.ServiceError, match="findings"):
        client.check(BALL)


def test_the_services_version_and_readiness(server: str) -> None:
    for client in (ballgauge.Client(server), ballgauge.Client.embedded()):
        assert client.version() == ballgauge.__version__
        assert client.is_ready()


def test_a_client_with_a_key_is_not_pickled() -> None:
    key = "ballgauge_shop_secret"
    with pytest.raises(TypeError, match=r"Client\(url, key=") as refused:
        pickle.dumps(ballgauge.Client("http://127.0.0.1:1", key=key))
    assert key not in str(refused.value)
    assert key not in repr(vars(ballgauge.Client("http://127.0.0.1:1", key=key)._http.transport))


def test_a_client_without_a_key_is_pickled_and_asks(server: str) -> None:
    with pickle.loads(pickle.dumps(ballgauge.Client(server))) as client:
        assert client.check(BALL).outcome == "not_assessed"


def test_threads_share_a_client(server: str) -> None:
    """Sixteen threads, each with a weight of its own; against what each has to hear."""
    weights = [10 + number / 4 for number in range(16)]
    found: dict[float, float | None] = {}
    with ballgauge.Client(server) as client:

        def ask(weight: float) -> None:
            result = client.check({"ball": {"weight": weight}})
            found[weight] = next(f.value for f in result.findings if f.quantity == "weight")

        threads = [threading.Thread(target=ask, args=(weight,)) for weight in weights]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert found == {weight: weight for weight in weights}


def test_whose_certificates_are_trusted(tmp_path: Path) -> None:
    """A server with a certificate of its own: refused, trusted by its file, and by nobody's."""
    import subprocess

    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-keyout", str(key), "-out", str(certificate), "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=IP:127.0.0.1"], check=True, capture_output=True,
    )  # fmt: skip
    script = Script()
    script.answers = [carried()]
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    script.server.socket = context.wrap_socket(script.server.socket, server_side=True)
    with script.serving(), ballgauge.Client(script.url.replace("http:", "https:"), retries=0) as client:
        with pytest.raises(ballgauge.TlsFailed):
            client.drill(BALL)
        assert client.with_options(verify=certificate).drill(BALL).raw == RESULT
