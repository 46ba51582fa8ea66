"""What the OWASP API Security Top 10 (2023) warns of and no other test covers; DEVELOPERS.md lists all."""

from __future__ import annotations

import base64
import io
import re
import socket
import struct
import sys
import threading
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from ballgauge_schemas import example, example_names
from ballgauge_schemas.shared.documents import design_example, design_example_names, motion_example
from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

URL = "http://192.0.2.66/ballgauge-marker"
FILE = "/ballgauge-marker/secret.json"
JSON_ADDRESSES = ("/v1/checks", "/v1/drillings", "/v1/designs", "/v1/motions", "/v1/lineups", "/v1/records",
                  "/v1/records/verify", "/v1/records/prints")  # fmt: skip


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app(json_logs=False, warm_up=False, settings=Settings()).test_client()


# API1: object level


def test_no_address_of_the_interface_names_an_object(app: Any) -> None:
    """There is nothing of somebody's to ask for: no part of an address varies but names of files of pages."""
    varying = [rule.rule for rule in app.url_map.iter_rules() if rule.arguments]
    assert [rule for rule in varying if not re.match("/(docs/|static/|guide/|<any)", rule)] == []


# API3: members of objects


@pytest.mark.parametrize("address", JSON_ADDRESSES)
def test_members_nobody_knows_are_refused_at_every_address(client: Any, address: str) -> None:
    """Nothing can be set that the contract does not name."""
    answer = client.post(address, json={"is_admin": True, "approved": True})
    assert answer.status_code == 422
    assert {"/is_admin", "/approved"} <= {error["pointer"] for error in answer.json["errors"]}


# API4: resources


def packed(members: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return made.getvalue()


SHEET = "xl/worksheets/sheet1.xml"
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def workbook(change: Callable[[bytes], Iterable[bytes]]) -> bytes:
    """A workbook of one ball whose sheet is changed."""
    book = openpyxl.Workbook()
    for row in (("serial", "weight"), ("A1", 15)):
        book.active.append(row)
    saved, made = io.BytesIO(), io.BytesIO()
    book.save(saved)
    with zipfile.ZipFile(saved) as source, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            with target.open(name, "w", force_zip64=True) as member:
                for piece in change(source.read(name)) if name == SHEET else [source.read(name)]:
                    member.write(piece)
    return made.getvalue()


def test_a_packed_workbook_that_swells_is_refused(client: Any, sentence: Any) -> None:
    """A sheet of 300 MiB in a third of one; the same workbook without it is read."""
    swollen = workbook(lambda sheet: [sheet, *([b" " * 2**20] * 300)])
    answer = client.post("/v1/lots", data=swollen, content_type=WORKBOOK)
    assert answer.status_code == 422
    assert answer.json["errors"][0]["detail"] == sentence("lot: workbook that swells")
    sound = workbook(lambda sheet: [sheet])
    assert client.post("/v1/lots", data=sound, content_type=WORKBOOK).json["counts"]["balls"] == 1


def test_a_packed_mesh_that_swells_is_refused(client: Any, sentence: Any) -> None:
    data = packed({"3D/3dmodel.model": b" " * 2**28})
    asked = design_example("drawn_core")
    asked["design"]["meshes"] = [
        {"name": "octahedron", "unit": "mm", "format": "3mf", "data": base64.b64encode(data).decode()}
    ]
    answer = client.post("/v1/designs", json=asked)
    assert answer.status_code == 422
    assert answer.json["errors"][0]["detail"] == sentence("mesh: unpacks to")


def png(width: int, height: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("side", [8_000, 20_000, 100_000])
def test_a_picture_of_too_many_pixels_is_refused_by_its_head(client: Any, side: int) -> None:
    answer = client.post("/v1/records/read", data=png(side, side), content_type="image/png")
    assert answer.status_code == 422
    assert "more than 51,000,000 pixels" in answer.json["detail"]


@pytest.mark.parametrize("coding", ["gzip", "deflate", "br", "zstd"])
@pytest.mark.parametrize("address", [*JSON_ADDRESSES, "/v1/lots"])
def test_packed_bodies_are_refused_unread(client: Any, address: str, coding: str) -> None:
    answer = client.post(
        address,
        data=zlib.compress(b" " * 2**20),
        headers={"Content-Encoding": coding},
        content_type="text/csv" if address == "/v1/lots" else "application/json",
    )
    assert answer.status_code == 415


@pytest.mark.parametrize("address", JSON_ADDRESSES)
def test_bodies_are_limited_at_every_address(client: Any, address: str) -> None:
    body = b'{"a":"' + b"x" * BODY_MAXIMUM + b'"}'
    assert client.post(address, data=body, content_type="application/json").status_code == 413


@pytest.mark.parametrize("member", ["checks", "drillings"])
def test_batches_are_limited(client: Any, member: str) -> None:
    answer = client.post(f"/v1/{member}", json={member: [{"ball": {"weight": 15}}] * 1001})
    assert answer.status_code == 422
    assert answer.json["errors"][0]["pointer"] == f"/{member}"


@pytest.mark.parametrize(
    ("given", "pointer"),
    [
        ({"spread": {"deliveries": 10**9, "seed": 1}}, "/spread/deliveries"),
        ({"line_map": {"balls": [{"name": "b"}] * 1000}}, "/line_map/balls"),
    ],
)
def test_motions_are_limited(client: Any, given: dict[str, Any], pointer: str) -> None:
    answer = client.post("/v1/motions", json=motion_example("motion") | given)
    assert answer.status_code == 422
    assert pointer in [error["pointer"] for error in answer.json["errors"]]


# API7 and API10: nothing is fetched, nothing of others is consumed

_WATCHED = ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto", "urllib.Request",
            "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "ftplib.connect")  # fmt: skip
_seen: list[tuple[str, str]] | None = None


def _hook(event: str, arguments: tuple[Any, ...]) -> None:
    # The storage of counts of another test is sought in the background.
    if _seen is None or threading.current_thread().name == "limits":
        return
    if event in _WATCHED or (event == "open" and "ballgauge-marker" in str(arguments[0])):
        _seen.append((event, str(arguments)[:200]))


sys.addaudithook(_hook)


@pytest.fixture
def watched() -> Iterator[list[tuple[str, str]]]:
    """What the interpreter tells of connections, look-ups, programs and the marked file (PEP 578)."""
    global _seen
    _seen = []
    try:
        yield _seen
    finally:
        _seen = None


def test_the_watch_sees_what_it_watches_for(watched: list[tuple[str, str]]) -> None:
    with socket.socket() as caller:
        assert caller.connect_ex(("127.0.0.1", 1)) != 0
    with pytest.raises(FileNotFoundError):
        Path(FILE).read_bytes()
    assert [event for event, _ in watched] == ["socket.connect", "open"]


def places(document: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to every text in a document."""
    if isinstance(document, dict):
        for name, value in document.items():
            yield from places(value, (*way, name))
    elif isinstance(document, list):
        for index, value in enumerate(document):
            yield from places(value, (*way, index))
    elif isinstance(document, str):
        yield way


def replaced(document: Any, way: tuple[Any, ...], text: str) -> Any:
    if not way:
        return text
    copy = document.copy()
    copy[way[0]] = replaced(document[way[0]], way[1:], text)
    return copy


def asked_for() -> Iterator[tuple[str, Any]]:
    for name in example_names(drillings=False):
        yield "/v1/checks", example(name)
    for name in example_names(drillings=True):
        yield "/v1/drillings", example(name)
    yield "/v1/motions", motion_example("motion")
    for name in design_example_names():
        request = design_example(name)
        yield "/v1/designs", {part: request[part] for part in ("design", "rules") if part in request}
    yield "/v1/records", {"check": example("as_made"), "issued_on": "2026-05-01", "player": "A", "event": "B"}
    yield "/v1/records/verify", {"record": "a.b.c", "on": "2026-05-01"}
    yield "/v1/records/prints", {"record": "a.b.c", "form": "a4"}


@pytest.mark.parametrize("text", [URL, f"file://{FILE}"])
def test_no_text_of_a_request_is_taken_for_an_address(
    client: Any, watched: list[tuple[str, str]], text: str
) -> None:
    """Every text of every example in turn: no connection, no look-up, no program, no file."""
    sent = 0
    for address, document in asked_for():
        for way in places(document):
            answer = client.post(address, json=replaced(document, way, text))
            assert answer.status_code in (200, 409, 422), (address, way)
            sent += 1
    for name in ("body", "on", "overlay"):
        client.get("/v1/rulebooks", query_string={name: text})
    lot = f'serial,weight\n{text},15\n=WEBSERVICE("{text}"),15\n'.encode()
    for query in ({"name": text}, {"options": f'{{"file": {{"encoding": "{text}"}}}}'}, {"rows": text}):
        client.post("/v1/lots", data=lot, content_type="text/csv", query_string=query)
    headers = dict.fromkeys(("Referer", "X-Forwarded-Host", "X-Original-URL", "Callback", "Link"), text)
    client.post("/v1/checks", json=example("as_made"), headers=headers)
    assert sent > 100
    assert watched == []


def test_xml_in_files_fetches_nothing(client: Any, watched: list[tuple[str, str]], sentence: Any) -> None:
    """Document types with entities from elsewhere, in the two formats that hold XML (OWASP: XXE)."""
    kind = f'<!DOCTYPE m SYSTEM "{URL}" [<!ENTITY x SYSTEM "file://{FILE}"><!ENTITY % y SYSTEM "{URL}">%y;]>'
    asked = design_example("drawn_core")
    model = f'<?xml version="1.0"?>{kind}<model>&x;</model>'.encode()
    data = base64.b64encode(packed({"3D/3dmodel.model": model})).decode()
    asked["design"]["meshes"] = [{"name": "octahedron", "unit": "mm", "format": "3mf", "data": data}]
    answer = client.post("/v1/designs", json=asked)
    assert answer.status_code == 422
    assert answer.json["errors"][0]["detail"] == sentence("mesh: document type or entities")
    book = workbook(lambda sheet: [kind.encode(), sheet.replace(b"<v>15</v>", b"<v>&x;</v>")])
    assert client.post("/v1/lots", data=book, content_type=WORKBOOK).status_code in (200, 422)
    assert watched == []


# API8: configuration


def answers(client: Any) -> Iterator[Any]:
    """An answer of every kind: good, each refusal, an error nobody foresaw."""
    yield client.get("/healthz")
    yield client.get("/openapi.json")
    yield client.get("/nowhere")
    yield client.put("/v1/checks")
    for data, kind in ((b"", "application/json"), (b"{", "application/json"), (b"{}", "application/json"),
                       (b"\xff", "application/json"), (b"x", "text/plain"), (b'{"a":1}', "application/json"),
                       (b"[" * 50_000, "application/json")):  # fmt: skip
        for address in (*JSON_ADDRESSES, "/v1/lots", "/v1/records/read"):
            yield client.post(address, data=data, content_type=kind)
    yield client.post("/v1/checks", json=example("drilled"))
    yield client.get("/broken")


def test_every_answer_is_safe_to_show() -> None:
    """No trace, path, version or cookie in any of them; no type is guessed; problems are problems."""
    app = create_app(json_logs=False, warm_up=False, settings=Settings())
    app.add_url_rule("/broken", view_func=lambda: Path(FILE).read_text())
    statuses = set()
    for answer in answers(app.test_client()):
        statuses.add(answer.status_code)
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert not {"Server", "X-Powered-By", "Set-Cookie"} & set(answer.headers.keys())
        if answer.status_code >= 400:
            assert answer.content_type == "application/problem+json"
        if answer.content_type != "text/html" and answer.status_code != 200:
            for told in (
                "Traceback",
                'File "',
                "site-packages",
                ".py",
                "ballgauge-marker",
                "werkzeug",
                "Error(",
            ):
                assert told not in answer.text, answer.text[:300]
    assert {200, 400, 404, 405, 415, 422, 500} <= statuses


def test_nothing_is_left_on_that_is_for_development(app: Any) -> None:
    assert not app.debug
    assert not app.testing
    assert app.secret_key is None  # no sessions
    assert not app.config["TRAP_HTTP_EXCEPTIONS"]


@pytest.mark.parametrize("method", ["TRACE", "CONNECT", "PUT", "PATCH", "DELETE", "PROPFIND", "GET\\x00"])
def test_only_documented_methods_are_taken(app: Any, method: str) -> None:
    for rule in app.url_map.iter_rules():
        if not rule.arguments:
            answer = app.test_client().open(rule.rule, method=method)
            assert answer.status_code == 405, rule.rule
            assert answer.headers["Allow"]


def test_no_address_answers_options_by_itself(app: Any) -> None:
    """OPTIONS asks for no key, so nothing but the list of methods may stand behind it."""
    assert [rule.rule for rule in app.url_map.iter_rules() if not rule.provide_automatic_options] == []
    for rule in app.url_map.iter_rules():
        if not rule.arguments:
            answer = app.test_client().options(rule.rule)
            assert (answer.status_code, answer.data) == (200, b"")


def test_a_method_cannot_be_overridden(client: Any) -> None:
    headers = {"X-HTTP-Method-Override": "POST", "X-Method-Override": "POST"}
    assert client.get("/v1/checks", headers=headers).status_code == 405
    assert client.get("/v1/checks?_method=POST").status_code == 405
