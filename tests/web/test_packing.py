"""Answers packed as the caller asks (RFC 9110, 12.5.3), and documents that a caller keeps (13.1.2)."""

from __future__ import annotations

import gzip
import io
import re
from typing import Any

import brotli
import pytest
from backports import zstd

from ballgauge_service.web.http import packing
from ballgauge_service.web.server.application import create_app

UNPACK = {"gzip": gzip.decompress, "br": brotli.decompress, "zstd": zstd.decompress}


@pytest.fixture(scope="module")
def client() -> Any:
    app = create_app(json_logs=False, warm_up=False)
    packing.register(app)
    return app.test_client()


@pytest.mark.parametrize(
    ("asked", "packed"),
    [
        ("gzip", "gzip"), ("br", "br"), ("zstd", "zstd"), ("gzip, deflate, br, zstd", "zstd"),
        ("gzip, zstd;q=0.1", "gzip"), ("compress", None), ("", None), (None, None),
        ("gzip;q=0", None), ("*", "zstd"), ("zstd;q=0, *", "br"), ("gzip;q=0, *;q=0", None),
        ("identity, gzip;q=0.5", None), ("identity;q=0.5, gzip", "gzip"), ("GZIP;Q=1.0", "gzip"),
    ],
)  # fmt: skip
def test_an_answer_is_packed_as_it_is_asked_for(
    client: Any, drilled: dict[str, Any], asked: str | None, packed: str | None
) -> None:
    """Unpacked by other libraries it is the same answer, in under half of the bytes."""
    plain = client.post("/v1/checks", json=drilled).data
    answer = client.post(
        "/v1/checks", json=drilled, headers={} if asked is None else {"Accept-Encoding": asked}
    )
    assert answer.headers.get("Content-Encoding") == packed
    assert "Accept-Encoding" in answer.headers["Vary"]
    assert int(answer.headers["Content-Length"]) == len(answer.data)
    assert (answer.data if packed is None else UNPACK[packed](answer.data)) == plain
    assert packed is None or len(answer.data) < len(plain) / 2


def test_what_is_short_refused_or_comes_in_rows_is_not_packed(client: Any, drilled: dict[str, Any]) -> None:
    head = {"Accept-Encoding": "gzip"}
    assert "Content-Encoding" not in client.get("/healthz", headers=head).headers
    refused = client.post("/v1/checks", json={f"x{n}": 1 for n in range(60)}, headers=head)
    assert len(refused.data) > 1024
    assert "Content-Encoding" not in refused.headers
    lot = {"file": (io.BytesIO(b"weight\n" + b"15.1\n" * 3000), "lot.csv")}
    rows = client.post("/v1/lots", data=lot, headers=head | {"Accept": "application/x-ndjson"})
    assert rows.status_code == 200
    assert "Content-Encoding" not in rows.headers


@pytest.mark.parametrize("path", ["/openapi.json", "/v1/rulebooks", "/v1/rulebooks?body=usbc"])
@pytest.mark.parametrize("encoding", ["identity", "gzip", "br"])
def test_a_document_that_is_the_same_is_not_sent_again(client: Any, path: str, encoding: str) -> None:
    first = client.get(path, headers={"Accept-Encoding": encoding})
    tag = first.headers["ETag"]
    again = client.get(path, headers={"Accept-Encoding": encoding, "If-None-Match": tag})
    assert (first.status_code, again.status_code, again.data) == (200, 304, b"")
    assert again.headers["ETag"] == tag
    other = client.get(path, headers={"Accept-Encoding": encoding, "If-None-Match": 'W/"other"'})
    assert (other.status_code, other.data) == (200, first.data)
    assert client.get("/v1/rulebooks?body=ibf").headers["ETag"] != tag


def test_an_answer_in_another_language_is_packed_too(client: Any) -> None:
    """Against the same answer unpacked."""
    headers = {"Accept-Language": "de"}
    request = {"ball": {"weight": 15}, "rules": {"on": "2026-01-01"}}
    plain = client.post("/v1/checks", json=request, headers=headers)
    packed = client.post("/v1/checks", json=request, headers={**headers, "Accept-Encoding": "gzip"})
    assert packed.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(packed.data) == plain.data


@pytest.mark.parametrize(
    ("asked", "packed"),
    [
        ("gzip, deflate", "gzip"),
        ("gzip, deflate, br, zstd", "br"),
        ("br;q=0, gzip", "gzip"),
        ("br;q=0", None),
    ],
)
def test_a_file_of_a_page_is_packed_well(client: Any, asked: str, packed: str | None) -> None:
    """A browser on a line without TLS asks for gzip alone."""
    for path in re.findall(r'(?:href|src)="(/static/[^"#]+(?:js|css))"', client.get("/check").text):
        plain = client.get(path).data
        answer = client.get(path, headers={"Accept-Encoding": asked})
        assert answer.headers.get("Content-Encoding") == packed
        assert int(answer.headers["Content-Length"]) == len(answer.data)
        assert "Accept-Encoding" in answer.headers["Vary"]
        assert (answer.data if packed is None else UNPACK[packed](answer.data)) == plain
        part = client.get(path, headers={"Accept-Encoding": asked, "Range": "bytes=1-9"})
        assert (part.status_code, part.data) == (206, plain[1:10])
