"""Forms: the same in whatever pieces they come, and refused without a fault of the service."""

from __future__ import annotations

import io
from typing import Any

import pytest

from ballgauge_service.web.http.uploads import Form

HEAD = b'Content-Disposition: form-data; name="file"; filename="a.csv"\r\n'
FORMS = {
    "two files": (
        b"--bound\r\n" + HEAD + b"\r\nserial,weight\r\na,15\r\n--bound\r\n" + HEAD + b"\r\n--\r\n--bo\r\n\r"
        b"\r\n--bound--\r\n",
        [b"serial,weight\r\na,15", b"--\r\n--bo\r\n\r"],
    ),
    "blanks behind the boundary": (
        b"--bound  \r\n" + HEAD + b"\r\n-\r\n--bound \t\r\n" + HEAD + b"\r\nb\n\r\n--bound-- ",
        [b"-", b"b\n"],
    ),
    "no body at all": (
        b"--bound\r\n" + HEAD + b"\r\n--bound\r\n" + HEAD + b"\r\nb\r\n--bound--",
        [b"", b"b"],
    ),
    "bare line ends": (
        b"--bound\n" + HEAD.replace(b"\r", b"") + b"\nb-\r\n\r\n--bound--\n--bound",
        [b"b-\r\n"],
    ),
}


class Pieces:
    """A body whose bytes come a few at a time."""

    def __init__(self, data: bytes, first: int, size: int) -> None:
        self._stream = io.BytesIO(data)
        self._sizes = [first]
        self._size = size

    def read(self, _: int = -1, /) -> bytes:
        return self._stream.read(self._sizes.pop() if self._sizes else self._size)


def contents(body: Any) -> list[bytes]:
    form = Form(body, b"bound")
    assert form.options() == b""
    found = []
    for _, source in form.files():
        pieces = []
        while piece := source.read():
            pieces.append(piece)
        found.append(b"".join(pieces))
    return found


@pytest.mark.parametrize("name", FORMS)
def test_a_form_is_the_same_in_whatever_pieces_it_comes(name: str) -> None:
    """Against the contents the form was written with (RFC 2046, 5.1.1), split at every byte and in pieces."""
    data, expected = FORMS[name]
    assert contents(Pieces(data, len(data), 1)) == expected
    for first in range(1, len(data)):
        assert contents(Pieces(data, first, len(data))) == expected, first
    for size in range(1, 12):
        assert contents(Pieces(data, size, size)) == expected, size


def test_a_part_without_a_name_is_refused_as_the_callers_fault(app: Any, sentence: Any) -> None:
    """Against RFC 7578, 4.2: every part has a name."""
    form = b"--b\r\nContent-Disposition: form-data\r\n\r\nx\r\n--b--\r\n"
    response = app.test_client().post("/v1/lots", data=form, content_type="multipart/form-data; boundary=b")
    assert response.status_code == 422
    assert response.json["detail"] == sentence("upload: cannot stand here")


def test_a_form_that_is_too_large_is_told_so_in_words_that_fit(app: Any, sentence: Any) -> None:
    """A design's form of unknown length: no word of lots."""
    head = b'--b\r\nContent-Disposition: form-data; name="options"\r\n\r\n{}\r\n--b\r\n' + HEAD + b"\r\n"
    response = app.test_client().post(
        "/v1/designs",
        content_type="multipart/form-data; boundary=b",
        headers={"Transfer-Encoding": "chunked"},
        input_stream=io.BytesIO(head + bytes(33 << 20)),
        environ_base={"wsgi.input_terminated": True},
    )
    assert response.status_code == 413
    assert response.json["detail"] == sentence("body of a form too large")
