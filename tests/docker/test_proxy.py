"""The reverse proxy: nginx itself, over TLS, in front of the real service."""

from __future__ import annotations

import contextlib
import http.client
import http.server
import json
import os
import re
import shutil
import socket
import socketserver
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests

import ballgauge
from ballgauge_schemas.shared.limits import BODY_MAXIMUM, MESH_BYTES_MAXIMUM, RECORD_FILE_MAXIMUM
from ballgauge_service.web.access import access, access_keys
from ballgauge_service.web.access.limits import GUESSES_PER_MINUTE
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.routes.lots import STREAMED

PROXY = Path(__file__).parent.parent.parent / "docker" / "proxy"
NOBODY = 65534
ROWS = {"Content-Type": "text/csv", "Accept": "application/x-ndjson"}
STARTING = 30


@dataclass
class Proxy:
    """A running nginx."""

    https: str
    http: str
    certificate: Path
    log: Path

    def session(self) -> requests.Session:
        found = requests.Session()
        found.verify = str(self.certificate)
        found.trust_env = False
        return found

    def connect(self) -> ssl.SSLSocket:
        context = ssl.create_default_context(cafile=str(self.certificate))
        port = urlsplit(self.https).port
        return context.wrap_socket(
            socket.create_connection(("127.0.0.1", port or 0), timeout=60), server_hostname="127.0.0.1"
        )


def free_ports(count: int) -> list[int]:
    with contextlib.ExitStack() as stack:
        probes = [stack.enter_context(socket.socket()) for _ in range(count)]
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [probe.getsockname()[1] for probe in probes]


def program() -> str:
    found = shutil.which("nginx", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if found is None:
        pytest.fail("nginx is not there: tests/system_packages.py installs it")
    return found


def configured(work: Path, upstream: str, http_port: int, https_port: int, resolver: str = "") -> Path:
    """The configuration as it is, with other addresses in the files that hold nothing else."""
    folder = work / "conf"
    shutil.copytree(PROXY, folder)
    subprocess.run(["sh", str(PROXY / "certificate.sh"), str(folder / "certificates")], check=True)
    told = (folder / "upstream.conf").read_text()
    assert "http://service:8000;" in told
    told = told.replace("http://service:8000", upstream)
    (folder / "upstream.conf").write_text(
        re.sub(r"127.0.0.11 valid=\d+s", resolver, told) if resolver else told
    )
    for name, port, inside in (("http", http_port, 8080), ("https", https_port, 8443)):
        file = folder / f"listen_{name}.conf"
        assert file.read_text().startswith(f"listen {inside}")
        file.write_text(file.read_text().replace(f"listen {inside}", f"listen 127.0.0.1:{port}"))
    return folder / "nginx.conf"


@contextmanager
def proxying(work: Path, upstream: str, resolver: str = "") -> Iterator[Proxy]:
    """Run nginx, without root's rights, in front of an address."""
    http_port, https_port = free_ports(2)
    conf = configured(work, upstream, http_port, https_port, resolver)
    writable = work / "written"
    writable.mkdir()
    log = work / "log"
    log.touch()
    rights = []
    if os.geteuid() == 0:
        for place in (work, *work.parents):
            if place.is_relative_to("/tmp") and place != Path("/tmp"):
                place.chmod(0o755)
        for place in (writable, log, conf.parent / "certificates" / "key.pem"):
            os.chown(place, NOBODY, NOBODY)
        rights = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups", "--no-new-privs"]
    command = [*rights, program(), "-p", f"{writable}/", "-c", str(conf)]
    with log.open("ab") as out, subprocess.Popen(command, stdout=out, stderr=out) as process:
        found = Proxy(
            f"https://127.0.0.1:{https_port}",
            f"http://127.0.0.1:{http_port}",
            conf.parent / "certificates" / "certificate.pem",
            log,
        )
        try:
            wait_until_listening(process, https_port, log)
            yield found
        finally:
            process.terminate()
            process.wait(timeout=30)


def wait_until_listening(process: subprocess.Popen[bytes], port: int, log: Path) -> None:
    end = time.monotonic() + STARTING
    while time.monotonic() < end:
        assert process.poll() is None, log.read_text()
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5):
            return
        time.sleep(0.05)
    raise AssertionError(log.read_text())


@pytest.fixture(scope="module")
def proxy(server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxy]:
    """The proxy in front of the service."""
    with proxying(tmp_path_factory.mktemp("proxy"), server) as found:
        yield found


class Echo(http.server.BaseHTTPRequestHandler):
    """Answers with the request's own heads."""

    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        host, _ = self.server.server_address[:2]
        told = {name.lower(): value for name, value in self.headers.items()}
        body = json.dumps(told | {"answered from": host}).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        pass


@pytest.fixture(scope="module")
def echoing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxy]:
    """The proxy in front of a server that tells what it was sent."""
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Echo) as upstream:
        threading.Thread(target=upstream.serve_forever, daemon=True).start()
        with proxying(tmp_path_factory.mktemp("echo"), f"http://127.0.0.1:{upstream.server_port}") as found:
            yield found
        upstream.shutdown()


def test_nginx_finds_the_configuration_sound(tmp_path: Path) -> None:
    """As nginx -t says; the addresses are other ones, for the service's name is known to containers alone."""
    conf = configured(tmp_path, "http://127.0.0.1:8000", *free_ports(2))
    done = subprocess.run(
        [program(), "-t", "-p", f"{tmp_path}/", "-c", str(conf)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert "[warn]" not in done.stderr.replace('the "user" directive', "")
    # Before 1.25.1 nginx knows only the one spelling, after it warns of that.
    assert not re.search(r"^[^#]*http2", "".join(file.read_text() for file in PROXY.glob("*.conf")), re.M)


def test_a_check_through_it_is_the_service_s_own(proxy: Proxy, server: str, conforming: Any) -> None:
    """Byte for byte."""
    with proxy.session() as session:
        through = session.post(f"{proxy.https}/v1/checks", json=conforming)
    straight = requests.post(f"{server}/v1/checks", json=conforming)
    assert through.status_code == straight.status_code == 200
    assert through.content == straight.content
    assert through.json()["outcome"] == "conforming"


def test_the_client_uses_it(proxy: Proxy, conforming: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(proxy.certificate))
    with ballgauge.Client(proxy.https) as client:
        assert client.check(conforming).outcome == "conforming"


def test_plain_http_is_sent_to_https(proxy: Proxy) -> None:
    """308 keeps the method and the body (RFC 9110, 15.4.9)."""
    answer = requests.post(f"{proxy.http}/v1/checks?a=b", json={}, allow_redirects=False)
    assert answer.status_code == 308
    assert answer.headers["Location"] == "https://127.0.0.1/v1/checks?a=b"


@pytest.mark.parametrize(
    "path", ["/metrics", "/metrics/", "/metrics?x=1", "/%6detrics", "//metrics", "/x/../metrics"]
)
def test_metrics_are_closed(proxy: Proxy, server: str, path: str) -> None:
    """However the address is written; the service itself tells them."""
    assert requests.get(f"{server}/metrics").status_code == 200
    with proxy.connect() as caller:
        caller.sendall(f"GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".encode())
        answer = b""
        while piece := caller.recv(1 << 16):
            answer += piece
    assert answer.startswith(b"HTTP/1.1 404 ")
    assert b"ballgauge_request" not in answer


def limit(text: str, location: str | None) -> int:
    """The size a location takes, or the server where it has none of its own."""
    part = text if location is None else text.split(f"location {location} {{")[1]
    found = re.search(r"client_max_body_size (\d+)m;", part)
    assert found
    return int(found[1]) << 20


def test_sizes_are_the_service_s_own() -> None:
    text = (PROXY / "nginx.conf").read_text()
    assert limit(text, None) == BODY_MAXIMUM
    assert limit(text, "= /v1/lots") == Settings.largest_lot
    assert limit(text, "= /rows") < STREAMED
    assert limit(text, "= /v1/designs") == MESH_BYTES_MAXIMUM
    assert limit(text, "= /v1/records/read") == RECORD_FILE_MAXIMUM


def announced(proxy: Proxy, path: str, size: int) -> requests.Response:
    """What is said to a body of this size, before any of it is sent."""
    with proxy.connect() as caller:
        caller.sendall(
            f"POST {path} HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
            f"Content-Length: {size}\r\n\r\n".encode()
        )
        raw = http.client.HTTPResponse(caller, method="POST")
        raw.begin()
        answer = requests.Response()
        answer.status_code = raw.status
        answer.headers.update(raw.headers)
        answer._content = raw.read()
        return answer


@pytest.mark.parametrize(
    ("path", "largest"),
    [("/v1/checks", BODY_MAXIMUM), ("/v1/designs", MESH_BYTES_MAXIMUM), ("/v1/lots", Settings.largest_lot)],
)
def test_a_body_too_large_gets_413_before_it_is_sent(proxy: Proxy, path: str, largest: int) -> None:
    """As problem details (RFC 9457), like the service's own."""
    answer = announced(proxy, path, largest + 1)
    assert answer.status_code == 413
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert answer.json()["status"] == 413
    assert answer.headers["Strict-Transport-Security"]


def test_a_body_of_the_largest_size_goes_through(proxy: Proxy, conforming: Any) -> None:
    """The service reads all of it and answers; one byte more is the proxy's 413."""
    body = json.dumps(conforming).encode()
    with proxy.session() as session:
        for size, status in ((BODY_MAXIMUM, 200), (BODY_MAXIMUM + 1, 413)):
            answer = session.post(
                f"{proxy.https}/v1/checks",
                data=body.ljust(size),
                headers={"Content-Type": "application/json"},
            )
            assert answer.status_code == status, answer.text[:300]


def rows(count: int) -> bytes:
    return b"serial,weight,rg\n" + b"".join(b"OW%07d,15.0%d,2.49\n" % (n, n % 10) for n in range(count))


def test_rows_of_a_lot_of_a_mebibyte_come_whole(proxy: Proxy) -> None:
    """Against the count of rows sent, near the largest file that is answered by rows through the proxy."""
    count = 49_500
    body = rows(count)
    assert 0.95 * 2**20 < len(body) < 2**20 < STREAMED
    with proxy.session() as session:
        answer = session.post(f"{proxy.https}/v1/lots?name=lot.csv", data=body, headers=ROWS)
    assert answer.status_code == 200
    lines = answer.content.splitlines()
    assert len(lines) == count + 1
    assert b'"rows":%d,"balls":%d' % (count, count) in lines[-1]


def test_larger_files_are_not_answered_by_rows(proxy: Proxy) -> None:
    """413, announced or not; nginx could stop for ever where an answer begins while a body is still sent."""
    body = rows(60_000)
    assert len(body) > 2**20
    with proxy.session() as session:
        for data in (body, iter([body])):
            answer = session.post(f"{proxy.https}/v1/lots", data=data, headers=ROWS)
            assert answer.status_code == 413
            assert answer.headers["Content-Type"] == "application/problem+json"
        assert session.post(f"{proxy.https}/rows", data=b"x", headers=ROWS).status_code == 404


class Waiting(http.server.BaseHTTPRequestHandler):
    """Tells when the first piece of a body has come, and answers when all of it has."""

    protocol_version = "HTTP/1.1"
    first = threading.Event()

    def do_POST(self) -> None:
        size = 0
        while length := int(self.rfile.readline(), 16):
            size += len(self.rfile.read(length + 2)) - 2
            self.first.set()
        self.rfile.readline()
        body = str(size).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        pass


def test_a_lot_reaches_the_service_as_it_is_sent(tmp_path: Path) -> None:
    """The first piece is there before the last is sent: no gigabyte waits in the proxy."""
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Waiting) as upstream:
        threading.Thread(target=upstream.serve_forever, daemon=True).start()
        with (
            proxying(tmp_path, f"http://127.0.0.1:{upstream.server_port}") as found,
            found.connect() as caller,
        ):
            caller.sendall(
                b"POST /v1/lots HTTP/1.1\r\nHost: x\r\nAccept: application/json\r\n"
                b"Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n5\r\nfirst\r\n"
            )
            assert Waiting.first.wait(60)
            caller.sendall(b"4\r\nlast\r\n0\r\n\r\n")
            answer = b""
            while piece := caller.recv(1 << 16):
                answer += piece
        upstream.shutdown()
    assert answer.startswith(b"HTTP/1.1 200 ")
    assert answer.endswith(b"\r\n\r\n9")


def test_rows_leave_the_proxy_one_by_one(tmp_path: Path) -> None:
    """A row that the service has sent is with the caller while the service still holds back the next."""
    go_on = threading.Event()

    class Rows(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"first\n")
            go_on.wait(60)
            self.wfile.write(b"last\n")

        def log_message(self, *_: Any) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Rows) as upstream:
        threading.Thread(target=upstream.serve_forever, daemon=True).start()
        with (
            proxying(tmp_path, f"http://127.0.0.1:{upstream.server_port}") as found,
            found.session() as session,
        ):
            answer = session.post(
                f"{found.https}/v1/lots",
                data=b"x",
                headers={"Accept": "application/x-ndjson"},
                stream=True,
                timeout=60,
            )
            lines = answer.iter_lines(chunk_size=1)
            assert next(lines) == b"first"
            go_on.set()
            assert next(lines) == b"last"
        upstream.shutdown()


def test_progress_of_a_design_comes_in_lines(proxy: Proxy) -> None:
    """Against the whole answer: the last line's result is the one that JSON gives."""
    from importlib.resources import files

    body = files("ballgauge_schemas").joinpath("example_designs", "skarn.json").read_bytes()
    with proxy.session() as session:
        told = {"Content-Type": "application/json"}
        lines = session.post(
            f"{proxy.https}/v1/designs", data=body, headers=told | {"Accept": "application/x-ndjson"}
        )
        whole = session.post(f"{proxy.https}/v1/designs", data=body, headers=told)
    assert json.loads(lines.content.splitlines()[-1])["result"] == whole.json()


def test_headers_stand_once(proxy: Proxy) -> None:
    """What the service and the proxy both could set is set by one of them."""
    with proxy.session() as session:
        for path in ("/", "/healthz", "/v1/rulebooks", "/metrics", "/nowhere"):
            answer = session.get(f"{proxy.https}{path}")
            names = [name.lower() for name in answer.raw.headers]
            held = [(name, len(answer.raw.headers.getlist(name))) for name in set(names)]
            assert [name for name, times in held if times > 1] == []
            assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
            assert answer.headers["Server"] == "nginx"


def test_what_a_caller_says_of_itself_is_not_believed(echoing: Proxy) -> None:
    """The service gets the address that the connection came from, and no other."""
    lies = {
        "X-Forwarded-For": "192.0.2.7",
        "X-Forwarded-Proto": "http",
        "X-Forwarded-Host": "elsewhere.example",
        "X-Forwarded-Prefix": "/elsewhere",
        "Forwarded": "for=192.0.2.7",
    }
    with echoing.session() as session:
        told = session.get(echoing.https, headers=lies).json()
    assert told["x-forwarded-for"] == "127.0.0.1"
    assert told["x-forwarded-proto"] == "https"
    assert told["connection"] == "close"
    assert not {"x-forwarded-host", "x-forwarded-prefix", "forwarded"} & set(told)


def test_keys_reach_the_service(echoing: Proxy) -> None:
    with echoing.session() as session:
        told = session.get(echoing.https, headers={"Authorization": "Bearer abc"}).json()
    assert told["authorization"] == "Bearer abc"


def test_wrong_keys_count_for_the_address_behind_the_proxy(tmp_path: Path, run_server: Any) -> None:
    """Against callers of two addresses, of whom one guesses: no other is slowed, nor its right key."""
    file = str(tmp_path / "access.toml")
    key = access_keys.add(file, "shop", ["check"], access.today() + timedelta(days=1))
    settings = {"BALLGAUGE_ACCESS_KEYS": file, "BALLGAUGE_TRUSTED_PROXIES": "1"}
    program = str(Path(sys.executable).with_name("ballgauge"))
    with (
        run_server(
            lambda port: [program, "serve", "--port", str(port)], env=os.environ | settings
        ) as address,
        proxying(tmp_path / "nginx", address) as found,
    ):
        context = ssl.create_default_context(cafile=str(found.certificate))

        def asked(source: str, sent: str) -> int:
            port = urlsplit(found.https).port
            line = http.client.HTTPSConnection(
                "127.0.0.1", port, timeout=60, source_address=(source, 0), context=context
            )
            with contextlib.closing(line):
                line.request("GET", "/v1/rulebooks", headers={"Authorization": f"Bearer {sent}"})
                return line.getresponse().status

        wrong = key[:-6] + "AAAAAA"
        assert [asked("127.0.0.2", wrong) for _ in range(GUESSES_PER_MINUTE)] == [401] * GUESSES_PER_MINUTE
        assert asked("127.0.0.2", wrong) == 429
        assert asked("127.0.0.2", key) == 200
        assert asked("127.0.0.3", wrong) == 401


def test_one_address_cannot_take_all(tmp_path: Path) -> None:
    """Far more than the burst in one breath: most are told to wait, and how long (RFC 6585, 4)."""
    (port,) = free_ports(1)
    with proxying(tmp_path, f"http://127.0.0.1:{port}") as found, found.connect() as caller:
        # One connection, all requests in one write, and nothing behind: no machine is too slow for that.
        ask = b"GET / HTTP/1.%d\r\nHost: x\r\n\r\n"
        caller.sendall(ask % 1 * 999 + ask % 0)
        answer = b""
        while piece := caller.recv(1 << 16):
            answer += piece
    statuses = re.findall(rb"HTTP/1.1 (\d+)", answer)
    assert set(statuses) == {b"503", b"429"}
    refusal = answer[answer.index(b"HTTP/1.1 429") :].split(b"HTTP/1.1 ")[1]
    assert b"Retry-After: 1\r\n" in refusal
    assert b'"status":429' in refusal


def test_a_service_that_is_away_is_told_of(tmp_path: Path) -> None:
    """503 with Retry-After and problem details, not a page."""
    (port,) = free_ports(1)
    with proxying(tmp_path, f"http://127.0.0.1:{port}") as found, found.session() as session:
        answer = session.get(f"{found.https}/v1/rulebooks")
    assert answer.status_code == 503
    assert answer.headers["Retry-After"] == "5"
    assert answer.headers["Content-Type"] == "application/problem+json"


@pytest.mark.parametrize(
    ("version", "taken"),
    [(ssl.TLSVersion.TLSv1_1, False), (ssl.TLSVersion.TLSv1_2, True), (ssl.TLSVersion.TLSv1_3, True)],
    ids=["1.1", "1.2", "1.3"],
)
@pytest.mark.filterwarnings("ignore:ssl.TLSVersion")
def test_old_tls_is_refused(echoing: Proxy, version: ssl.TLSVersion, taken: bool) -> None:
    """TLS 1.0 and 1.1 are at an end (RFC 8996)."""
    context = ssl.create_default_context(cafile=str(echoing.certificate))
    context.minimum_version = context.maximum_version = version
    context.set_ciphers("ALL:@SECLEVEL=0")
    port = urlsplit(echoing.https).port or 0
    with socket.create_connection(("127.0.0.1", port), timeout=30) as plain:
        if taken:
            with context.wrap_socket(plain, server_hostname="127.0.0.1") as secured:
                assert secured.version() == f"TLSv1.{version - ssl.TLSVersion.TLSv1}"
        else:
            with pytest.raises((ssl.SSLError, ConnectionError)):
                context.wrap_socket(plain, server_hostname="127.0.0.1")


def test_the_log_tells_no_query(echoing: Proxy) -> None:
    """The options of a lot may stand in a query."""
    with echoing.session() as session:
        while session.get(f"{echoing.https}/v1/lots?options=secret-of-a-customer").status_code == 429:
            time.sleep(0.2)
    end = time.monotonic() + 10
    while '"/v1/lots"' not in echoing.log.read_text() and time.monotonic() < end:
        time.sleep(0.05)
    told = echoing.log.read_text()
    assert '"path":"/v1/lots"' in told
    assert "secret-of-a-customer" not in told


def test_the_trial_certificate_is_made_once(tmp_path: Path) -> None:
    """A key that is there is never written over; only its owner reads it."""
    command = ["sh", str(PROXY / "certificate.sh"), str(tmp_path), "gauge.example"]
    assert subprocess.run(command, capture_output=True).returncode == 0
    key = (tmp_path / "key.pem").read_bytes()
    assert (tmp_path / "key.pem").stat().st_mode & 0o777 == 0o600
    assert subprocess.run(command, capture_output=True).returncode == 1
    assert (tmp_path / "key.pem").read_bytes() == key
    told = subprocess.run(
        ["openssl", "x509", "-in", str(tmp_path / "certificate.pem"), "-noout", "-ext", "subjectAltName"],
        capture_output=True,
        text=True,
    )
    assert "DNS:gauge.example" in told.stdout


class Names(socketserver.BaseRequestHandler):
    """A server of names (RFC 1035): every name has the address that `address` is now."""

    address = "127.0.0.1"

    def handle(self) -> None:
        asked, answered = self.request
        end = asked.index(b"\0", 12) + 5
        head = asked[:2] + b"\x81\x80\0\1\0\1\0\0\0\0"
        found = b"\xc0\x0c\0\1\0\1\0\0\0\1\0\4" + socket.inet_aton(self.address)
        answered.sendto(head + asked[12:end] + found, self.client_address)


def test_a_service_that_moved_is_found_again(tmp_path: Path) -> None:
    """Against two servers and a name that first has the one's address, then the other's."""
    with contextlib.ExitStack() as stack:
        (port,) = free_ports(1)
        for address in ("127.0.0.1", "127.0.0.2"):
            server = stack.enter_context(http.server.ThreadingHTTPServer((address, port), Echo))
            threading.Thread(target=server.serve_forever, daemon=True).start()
            stack.callback(server.shutdown)
        names = stack.enter_context(socketserver.ThreadingUDPServer(("127.0.0.1", 0), Names))
        threading.Thread(target=names.serve_forever, daemon=True).start()
        stack.callback(names.shutdown)
        resolver = f"127.0.0.1:{names.server_address[1]} valid=1s"
        proxy = stack.enter_context(proxying(tmp_path, f"http://service:{port}", resolver))
        session = stack.enter_context(proxy.session())

        def answered_from() -> str:
            return str(session.get(f"{proxy.https}/v1/rulebooks", timeout=60).json()["answered from"])

        assert answered_from() == "127.0.0.1"
        Names.address = "127.0.0.2"
        end = time.monotonic() + STARTING
        while answered_from() != "127.0.0.2":
            assert time.monotonic() < end
            time.sleep(0.2)
