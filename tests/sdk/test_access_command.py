"""Keys from the command and the client: made, listed, revoked, sent to one service alone, and told apart."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
from tests.sdk.conftest import RESULT, Script, says

import ballgauge
from ballgauge._command import program
from ballgauge_schemas import example

LAST = (date.today() + timedelta(days=9000)).isoformat()
LISTEN = 60


@pytest.fixture
def file(tmp_path: Path) -> str:
    return str(tmp_path / "access.toml")


def add(file: str, *given: str) -> int:
    return program.run(["access", "add", *given, "--file", file])


def test_a_key_is_made_printed_once_and_listed_without_it(file: str, capsys: Any) -> None:
    assert add(file, "shop-7", "--scope", "sign", "--scope", "check", "--until", LAST) == 0
    made, told = capsys.readouterr()
    assert re.fullmatch(r"ballgauge_shop-7_[A-Za-z0-9_-]{43}\n", made)
    assert made.strip() not in told
    assert f"until {LAST}" in told
    assert program.run(["access", "list", "--file", file]) == 0
    listed = capsys.readouterr().out
    assert made.strip()[-43:] not in listed
    assert re.search(rf"shop-7\s+check, sign\s+{LAST}\s+valid", listed)
    assert os.stat(file).st_mode & 0o777 == 0o600


def test_a_revoked_key_is_gone_and_its_id_free(file: str, capsys: Any) -> None:
    add(file, "a", "--scope", "check", "--until", LAST)
    assert add(file, "a", "--scope", "lot", "--until", LAST) == program.BAD_INPUT
    assert program.run(["access", "revoke", "a", "--file", file]) == 0
    assert program.run(["access", "list", "--file", file]) == 0
    assert "holds no key" in capsys.readouterr().out
    assert add(file, "a", "--scope", "lot", "--until", LAST) == 0


@pytest.mark.parametrize(("given", "words"), [
    (["a", "--scope", "all", "--until", LAST], "'check', 'lot', 'design', 'sign', 'date', 'operate'"),
    (["a", "--scope", "check", "--until", "2020-01-01"], "must not be in the past"),
    (["a", "--scope", "check", "--until", "soon"], "--until"),
    (["a", "--scope", "check"], "--until"),
    (["a", "--until", LAST], "--scope"),
    (["Shop 7", "--scope", "check", "--until", LAST], "id must be 1 to 32 of a to z"),
])  # fmt: skip
def test_what_makes_no_key_is_said(file: str, capsys: Any, given: list[str], words: str) -> None:
    assert add(file, *given) == program.BAD_INPUT
    assert words in capsys.readouterr().err
    assert not Path(file).exists()


@pytest.mark.parametrize("command", [["list"], ["revoke", "a"]])
def test_a_file_that_is_not_there_is_said(file: str, capsys: Any, command: list[str]) -> None:
    assert program.run(["access", *command, "--file", file]) == program.BAD_INPUT
    assert "No such file" in capsys.readouterr().err


def test_the_file_may_come_from_the_environment(
    file: str, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BALLGAUGE_ACCESS_KEYS", file)
    assert program.run(["access", "add", "a", "--scope", "check", "--until", LAST]) == 0
    assert Path(file).exists()


def test_two_at_once_lose_nothing(file: str) -> None:
    """Six processes change one file; each of their keys is in it afterwards."""
    script = str(Path(sys.executable).with_name("ballgauge"))
    running = [
        subprocess.Popen(
            [script, "access", "add", f"k{n}", "--file", file, "--scope", "check", "--until", LAST],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for n in range(6)
    ]
    assert [process.wait(LISTEN) for process in running] == [0] * 6
    from ballgauge_service.web.access import access_keys

    assert set(access_keys.read(file)) == {f"k{n}" for n in range(6)}


# serve


def serve(*given: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run `serve` where it must refuse to start."""
    script = str(Path(sys.executable).with_name("ballgauge"))
    plain = {name: value for name, value in os.environ.items() if not name.startswith("BALLGAUGE_")}
    return subprocess.run(
        [script, "serve", *given],
        env=plain | environment,
        capture_output=True,
        text=True,
        timeout=LISTEN,
        check=False,
    )


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_serve_refuses_other_machines_without_keys(host: str) -> None:
    done = serve("--host", host)
    assert done.returncode == program.BAD_INPUT
    assert "--access-keys" in done.stderr
    assert "--open-to-anyone" in done.stderr
    assert "Traceback" not in done.stderr


def test_serve_names_every_fault_of_what_it_was_given(file: str) -> None:
    Path(file).write_text('[[key]]\nid = 5\nscopes = ["all"]\n')
    Path(file).chmod(0o600)
    for done in (serve("--access-keys", file), serve(BALLGAUGE_ACCESS_KEYS=file)):
        assert done.returncode == program.BAD_INPUT
        for fault in ("id must be", "scopes must be", "until is missing", "sha256 is missing"):
            assert fault in done.stderr
    done = serve("--cors-origin", "https://shop.example", "--cors-origin", "*")
    assert done.returncode == program.BAD_INPUT
    assert "'*'" in done.stderr


def test_serve_names_signing_keys_that_cannot_be_used(tmp_path: Path) -> None:
    done = serve(BALLGAUGE_KEYS_FILE=str(tmp_path / "none.json"))
    assert done.returncode == program.BAD_INPUT
    assert "none.json" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture(scope="module")
def guarded(
    tmp_path_factory: pytest.TempPathFactory, run_server: Any
) -> Iterator[tuple[str, str, str, Path]]:
    """A server on all addresses that asks for keys: address, a key to check with, the file, the log."""
    folder = tmp_path_factory.mktemp("guarded")
    file, log = str(folder / "access.toml"), folder / "log"
    from ballgauge_service.web.access import access_keys

    key = access_keys.add(file, "shop", ["check", "lot"], date.fromisoformat(LAST))
    script = str(Path(sys.executable).with_name("ballgauge"))

    def command(port: int) -> list[str]:
        return [script, "serve", "--host", "0.0.0.0", "--port", str(port), "--access-keys", file]

    with log.open("wb") as sink, run_server(command, stdout=sink, stderr=sink) as address:
        yield address, key, file, log


Guarded = tuple[str, str, str, Path]


def test_the_served_service_asks_for_keys(guarded: Guarded) -> None:
    address, key, _, _ = guarded
    assert requests.get(f"{address}/v1/rulebooks").status_code == 401
    good = {"Authorization": f"Bearer {key}"}
    assert requests.get(f"{address}/v1/rulebooks", headers=good).status_code == 200
    assert requests.post(f"{address}/v1/motions", headers=good, json={}).status_code == 403


def test_a_running_server_takes_up_a_new_key_and_drops_a_revoked_one(guarded: Guarded) -> None:
    from ballgauge_service.web.access import access_keys

    address, _, file, _ = guarded
    new = access_keys.add(file, "later", ["check"], date.fromisoformat(LAST))
    assert wait_for(address, new, 200)
    access_keys.revoke(file, "later")
    assert wait_for(address, new, 401)


def wait_for(address: str, key: str, status: int) -> bool:
    end = time.monotonic() + LISTEN
    while time.monotonic() < end:
        answer = requests.get(f"{address}/v1/rulebooks", headers={"Authorization": f"Bearer {key}"})
        # While the old key stands it may be told to wait; that is no answer to the question here.
        if answer.status_code == status:
            return True
        time.sleep(0.5)
    return False


def test_the_client_and_the_commands_send_their_key(
    guarded: Guarded, tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch, sentence: Any
) -> None:
    address, key, _, log = guarded
    with ballgauge.Client(address, key=key) as client:
        assert client.check(example("drilled")).outcome == "conforming"
        assert client.assess_lot(b"serial,weight\nA1,15\n").raw["counts"]["balls"] == 1
        with pytest.raises(ballgauge.AccessRefused) as caught:
            client.sign({"check": example("drilled"), "issued_on": "2026-05-01"})
        assert caught.value.problem.status == 403
        assert caught.value.problem.detail == sentence("access: key without the scope")
        for ask in (client.motion, client.design):
            with pytest.raises(ballgauge.AccessRefused, match="design"):
                ask({})
    with ballgauge.Client(address) as client:
        for ask in (client.check, client.assess_lot):
            with pytest.raises(ballgauge.AccessRefused) as caught:
                ask(example("drilled") if ask == client.check else b"serial,weight\nA1,15\n")
            assert caught.value.problem.status == 401
            assert caught.value.problem.detail == sentence("access: no key")
    ball = tmp_path / "ball.json"
    ball.write_text(json.dumps(example("drilled")))
    assert program.run(["check", str(ball), "--url", address, "--key", key]) == program.CONFORMING
    monkeypatch.setenv("BALLGAUGE_KEY", key)
    assert program.run(["check", str(ball), "--url", address]) == program.CONFORMING
    monkeypatch.setenv("BALLGAUGE_KEY", "ballgauge_shop_no")
    capsys.readouterr()
    assert program.run(["check", str(ball), "--url", address]) == program.UNREACHABLE
    assert "access key" in capsys.readouterr().err
    assert key[-43:] not in log.read_text()


def test_a_key_never_follows_a_redirect(script: Script, waits: list[float]) -> None:
    with Script().serving() as elsewhere:
        for status in (301, 302, 307, 308):
            script.answers = [says(status, Location=f"{elsewhere.url}/v1/drillings")]
            client = ballgauge.Client(script.url, key="ballgauge_a_x")
            with client, pytest.raises(ballgauge.ServiceError):
                client.drill({"ball": {}})
    assert [head["Authorization"] for head in script.heads] == ["Bearer ballgauge_a_x"] * 4
    assert not elsewhere.requests


def test_passwords_of_the_machine_do_not_take_the_keys_place(
    script: Script, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A .netrc would replace the header that a caller sets."""
    (tmp_path / "netrc").write_text("machine 127.0.0.1 login somebody password secret\n")
    (tmp_path / "netrc").chmod(0o600)
    monkeypatch.setenv("NETRC", str(tmp_path / "netrc"))
    script.answers = [says(200, RESULT)]
    with ballgauge.Client(script.url, key="ballgauge_a_x") as client:
        client.drill({"ball": {}})
    assert script.heads[0]["Authorization"] == "Bearer ballgauge_a_x"


@pytest.mark.parametrize("key", ["", "se cret", "se\r\nX: cret", "schlüssel", '"secret"'])
def test_what_cannot_be_a_key_is_refused_before_it_is_sent(key: str) -> None:
    with pytest.raises(ValueError, match="access key") as caught:
        ballgauge.Client("http://127.0.0.1:1", key=key)
    assert not key or key not in str(caught.value)


def test_a_limit_that_says_when_is_waited_for(script: Script, waits: list[float]) -> None:
    script.answers = [says(429, {"detail": "wait"}, Retry_After="3"), says(200, RESULT)]
    with ballgauge.Client(script.url) as client:
        assert client.drill({"ball": {}}).derived.ball.radius == 4.2
    assert waits == [3.0]


@pytest.mark.parametrize("headers", [{}, {"Retry_After": "6"}, {"Retry_After": "soon"}])
def test_a_limit_that_asks_for_longer_is_told(
    script: Script, waits: list[float], headers: dict[str, str]
) -> None:
    script.answers = [says(429, {"title": "Too Many Requests", "detail": "5 are allowed"}, **headers)]
    with ballgauge.Client(script.url) as client, pytest.raises(ballgauge.TooManyRequests, match="5 are"):
        client.drill({"ball": {}})
    assert not waits


@pytest.mark.parametrize("status", [401, 403])
def test_refused_access_is_not_tried_again(script: Script, waits: list[float], status: int) -> None:
    script.answers = [says(status, {"title": "No", "detail": "another key"}, Retry_After="1")]
    with ballgauge.Client(script.url) as client, pytest.raises(ballgauge.AccessRefused, match="another key"):
        client.drill({"ball": {}})
    assert not waits
