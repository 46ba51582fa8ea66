"""Lots over a socket: rows leave before the last has come, and what breaks off leaves nothing behind."""

from __future__ import annotations

import http.client
import json
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import requests

ROWS = 120_000
HEAD = b"serial,weight,rg\n"


def lines(first: int, count: int) -> bytes:
    return b"".join(b"OW%07d,15.0%d,2.49\n" % (n, n % 10) for n in range(first, first + count))


def connect(server: str, head: str) -> socket.socket:
    address = urlsplit(server)
    caller = socket.create_connection((address.hostname, address.port), timeout=60)
    caller.sendall(
        f"POST /v1/lots?name=lot.csv HTTP/1.1\r\nHost: x\r\nContent-Type: text/csv\r\n{head}\r\n\r\n".encode()
    )
    return caller


def test_the_first_rows_leave_before_the_last_have_come(server: str) -> None:
    """Against the clock of one connection: rows are received while most of the file is not yet sent."""
    caller = connect(server, "Accept: application/x-ndjson\r\nTransfer-Encoding: chunked")
    received: list[bytes] = []
    arrived = threading.Event()

    def receive() -> None:
        while not b"".join(received[-2:]).endswith(b"\r\n0\r\n\r\n"):
            received.append(caller.recv(1 << 20))
            if b'"row":2,' in b"".join(received[:3]):
                arrived.set()

    reader = threading.Thread(target=receive, daemon=True)
    reader.start()
    for start in range(0, ROWS, 5000):
        piece = (HEAD if start == 0 else b"") + lines(start, 5000)
        caller.sendall(b"%x\r\n%s\r\n" % (len(piece), piece))
        if start == ROWS // 2:
            assert arrived.wait(60), "no row came back while half of the file was still to be sent"
    caller.sendall(b"0\r\n\r\n")
    reader.join(60)
    caller.close()
    whole = b"".join(received)
    assert whole.count(b'"outcome":"not_assessed","rule"') == ROWS
    assert b'"rows":%d,"balls":%d' % (ROWS, ROWS) in whole


def spooled() -> set[Path]:
    return set(Path(tempfile.gettempdir()).glob("lot-*"))


@pytest.mark.parametrize(
    ("media", "start"),
    [("text/csv", HEAD + lines(0, 2000)), ("application/vnd.apache.parquet", b"PAR1" + b"\0" * 300_000)],
    ids=["csv", "parquet"],
)
def test_a_caller_who_stops_half_way_leaves_nothing_behind(server: str, media: str, start: bytes) -> None:
    """Against the folder of temporary files: a whole spool of half a file is gone once its caller is."""
    before = spooled()
    address = urlsplit(server)
    for _ in range(3):
        with socket.create_connection((address.hostname, address.port), timeout=60) as caller:
            head = f"POST /v1/lots HTTP/1.1\r\nHost: x\r\nContent-Type: {media}\r\n"
            caller.sendall(f"{head}Content-Length: 9000000\r\n\r\n".encode() + start)
            time.sleep(0.2)
    end = time.monotonic() + 30
    while spooled() - before and time.monotonic() < end:
        time.sleep(0.1)
    assert spooled() <= before
    assert requests.get(f"{server}/readyz").status_code == 200


def test_a_file_that_ends_early_is_never_taken_for_whole(server: str) -> None:
    """Against HTTP: fewer bytes than Content-Length announces are no lot."""
    caller = connect(server, "Accept: application/json\r\nContent-Length: 900000")
    caller.sendall(HEAD + lines(0, 100))
    caller.shutdown(socket.SHUT_WR)
    answer = b""
    try:
        while piece := caller.recv(1 << 16):
            answer += piece
    except ConnectionError:
        pass
    caller.close()
    assert b"lot_accepted" not in answer
    assert b" 200 " not in answer[:20]


def test_a_bad_row_late_in_a_stream_ends_it_with_a_problem(server: str) -> None:
    """Against the rule of the stream: the last line is `lot` or `problem`; a row too long refuses."""
    bad = HEAD + lines(0, 30_000) + b'"' + b"x" * (2 << 20) + b'"\n'
    response = requests.post(
        f"{server}/v1/lots",
        data=bad,
        headers={"Content-Type": "text/csv", "Accept": "application/x-ndjson"},
    )
    assert response.status_code == 200
    last = json.loads(response.content.splitlines()[-1])
    assert last["problem"]["status"] == 422
    assert "lot" not in last


def test_a_lot_larger_than_a_megabyte_is_taken(server: str) -> None:
    """Against the limit of JSON bodies, which is not that of lots."""
    data = HEAD + lines(0, 60_000)
    assert len(data) > 1 << 20
    response = requests.post(
        f"{server}/v1/lots", files={"options": (None, '{"scope":"measured"}'), "file": ("lot.csv", data)}
    )
    assert response.status_code == 200
    assert response.json()["counts"]["balls"] == 60_000


def test_the_announced_size_is_limited(server: str) -> None:
    """Against the service's own limit of 1 GiB: refused by its head, before anything is sent."""
    address = urlsplit(server)
    connection = http.client.HTTPConnection(str(address.hostname), address.port, timeout=60)
    connection.putrequest("POST", "/v1/lots")
    connection.putheader("Content-Type", "text/csv")
    connection.putheader("Content-Length", str((1 << 30) + 1))
    connection.endheaders()
    response = connection.getresponse()
    assert response.status == 413
    assert json.loads(response.read())["status"] == 413
    connection.close()


def body_in_pieces() -> Iterator[bytes]:
    yield HEAD
    yield lines(0, 10)


def test_a_picture_of_another_kind_is_refused_to_a_caller_who_sends_all_of_it_first(server: str) -> None:
    """Against a connection that reads nothing before its last byte: what is refused early is still taken."""
    address, size = urlsplit(server), 15 << 20
    with socket.create_connection((address.hostname, address.port), timeout=60) as caller:
        head = (
            f"POST /v1/records/read HTTP/1.1\r\nHost: x\r\nContent-Type: image/gif\r\nContent-Length: {size}"
        )
        caller.sendall(f"{head}\r\n\r\n".encode())
        for _ in range(size >> 16):
            caller.sendall(bytes(1 << 16))
            time.sleep(0.001)
        assert caller.recv(1 << 12).startswith(b"HTTP/1.1 415 ")


def test_rows_through_the_client(server: str) -> None:
    """Against a plain post of the same file."""
    from ballgauge import Client

    with Client(server) as client:
        rows = client.lot_rows(HEAD + lines(0, 10), {"scope": "measured"})
        taken = list(rows)
        plain = requests.post(
            f"{server}/v1/lots",
            params={"options": '{"scope":"measured"}'},
            data=body_in_pieces(),
            headers={"Content-Type": "text/csv"},
        ).json()
    assert [row.row for row in taken] == list(range(2, 12))
    assert rows.result.raw["acceptance"] == plain["acceptance"]
