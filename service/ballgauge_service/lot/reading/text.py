"""A stream of bytes cut into blocks of whole lines, with the number of every line in its file.

Encodings other than UTF-8 are turned into UTF-8 on the way. What cannot be decoded becomes a byte that is no
UTF-8, so that bad bytes of any encoding are found, and told by row, in one place.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from ballgauge_service.lot.reading.headings import bad_file

LINE_MAXIMUM = 1 << 20
"""Longest line of a text file, in bytes (ours)."""

ENCODINGS = (
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "iso8859-1", "iso8859-2", "iso8859-9", "iso8859-15",
    "cp1250", "cp1251", "cp1252", "cp1254", "cp437", "cp850", "mac-roman", "shift_jis", "cp932", "euc_jp",
    "gb18030", "big5", "euc_kr",
)  # fmt: skip
"""Encodings that may be named (ours), as Python spells them; other spellings of the same are understood."""

_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_QUOTE, _NEWLINE, _RETURN = b'"', 10, 13


class Source(Protocol):
    """Anything that gives bytes."""

    def read(self, size: int, /) -> bytes:
        """Give up to `size` bytes; none at the end."""


class Block(NamedTuple):
    """Whole lines: their bytes, and the row of each line that is not blank."""

    data: bytes
    rows: NDArray[np.int64]
    blank: int
    quoted: bool


class BadLine(NamedTuple):
    """A line whose bytes are no text: its row, and what is wrong."""

    row: int
    detail: str


def encoding_named(name: str) -> str:
    """Python's own name of an encoding that may be used; raises InvalidInput."""
    try:
        found = codecs.lookup(name).name
    except LookupError:
        found = ""
    known = {codecs.lookup(each).name for each in ENCODINGS}
    if found not in known:
        raise bad_file(f"encoding {name[:40]!r} is not one of {', '.join(ENCODINGS)}")
    return found


@dataclass
class Text:
    """A text file being read: bytes in UTF-8 without a byte order mark.

    `encoding` as named or found; `bad` lines that are no text, in the order found, taken by `take_bad`.
    """

    source: Source
    encoding: str | None = None
    pending: bytes = b""
    _decoder: codecs.IncrementalDecoder | None = None
    _ended: bool = False
    _bad: list[BadLine] = field(default_factory=list)

    def __post_init__(self) -> None:
        start = self.source.read(4)
        while 0 < len(start) < 4 and (more := self.source.read(4 - len(start))):
            start += more
        named = None if self.encoding is None else encoding_named(self.encoding)
        found = next((name for mark, name in _MARKS if start.startswith(mark)), None)
        if found is not None and (named is None or named in ("utf-16", found)):
            mark = next(mark for mark, name in _MARKS if name == found)
            start, named = start[len(mark) :], found
        elif named == "utf-16":
            raise bad_file("the file has no byte order mark; name the encoding utf-16-le or utf-16-be")
        self.encoding = named or "utf-8"
        if self.encoding != "utf-8":
            self._decoder = codecs.getincrementaldecoder(self.encoding)(errors=_MARKED)
        self.pending = self._decoded(start)

    def _decoded(self, data: bytes, *, final: bool = False) -> bytes:
        if self._decoder is None:
            return data
        return self._decoder.decode(data, final).encode("utf-8", "surrogateescape")

    def _read(self, size: int) -> bytes:
        """Up to about `size` more bytes; none at the end."""
        while not self._ended:
            data = self.source.read(size)
            self._ended = not data
            found = self._decoded(data, final=self._ended)
            if found:
                return found
        return b""

    def head(self, size: int) -> bytes:
        """The first `size` bytes, or all there are; they stay to be read."""
        while len(self.pending) < size and (more := self._read(size)):
            self.pending += more
        return self.pending[:size]

    def take_bad(self) -> list[BadLine]:
        """The bad lines found since the last call."""
        found, self._bad = self._bad, []
        return found

    def blocks(self, size: int, *, quotes: bool) -> Iterator[Block]:
        """Blocks of about `size` bytes. quotes: a line break between quotation marks ends no line.

        Raises InvalidInput for a line over `LINE_MAXIMUM`.
        """
        row, carry, self.pending = 1, self.pending, b""
        ended = False
        while not ended:
            parts = [carry]
            length = len(carry)
            while length < size and (more := self._read(size - length)):
                parts.append(more)
                length += len(more)
            ended = length < size
            data = b"".join(parts)
            cut = len(data) if ended else _line_end(data, quotes=quotes)
            block, carry = data[:cut], data[cut:]
            if len(carry) > LINE_MAXIMUM:
                _too_long(row + _count(block, quotes=quotes), quoted=quotes and _QUOTE in carry)
            size = max(size, 2 * len(carry))
            if block:
                made, taken = self._block(block, row, quotes=quotes)
                row += taken
                yield made

    def _block(self, data: bytes, row: int, *, quotes: bool) -> tuple[Block, int]:
        quoted = quotes and _QUOTE in data
        starts, ends = line_spans(data, quoted=quoted)
        if starts.size and int((ends - starts).max()) > LINE_MAXIMUM:
            _too_long(row + int((ends - starts).argmax()), quoted=quoted)
        taken = len(starts)
        keep = _not_blank(data, starts, ends)
        blank = 0 if keep is None else taken - int(np.count_nonzero(keep))
        bad = self._bad_lines(data, starts, ends, row)
        if bad is not None:
            keep = ~bad if keep is None else keep & ~bad
            data = b"".join(
                data[a:b] if good else b"\n"
                for a, b, good in zip(starts.tolist(), ends.tolist(), keep.tolist(), strict=True)
            )
        rows = np.arange(row, row + taken) if keep is None else row + np.flatnonzero(keep)
        return Block(data, rows, blank, quoted), taken

    def _bad_lines(
        self, data: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64], row: int
    ) -> NDArray[np.bool_] | None:
        """Which lines are no text; None where all are."""
        if is_text(data):
            return None
        bad = np.zeros(len(starts), dtype=np.bool_)
        for place, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
            line = data[start:end]
            if not is_text(line):
                bad[place] = True
                self._bad.append(BadLine(row + place, self._what(line)))
        return bad

    def _what(self, line: bytes) -> str:
        try:
            line.decode("utf-8")
        except UnicodeDecodeError as error:
            if self._decoder is not None:
                return f"bytes that are no {self.encoding}, after {error.start} bytes of text"
            byte = f"byte 0x{line[error.start]:02X}"
            return f"{byte} is no {self.encoding}, after {error.start} bytes of the row"
        return "a NUL character" if b"\0" in line else "a carriage return within the row"


def is_text(data: bytes) -> bool:
    """Whether a block is UTF-8 without NUL characters and lone carriage returns."""
    if b"\0" in data or (b"\r" in data and data.count(b"\r") != data.count(b"\r\n")):
        return False
    if data.isascii():
        return True
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _mark(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeDecodeError)
    return "\udcff", error.end


_MARKED = "ballgauge.marked"
codecs.register_error(_MARKED, _mark)


def _line_end(data: bytes, *, quotes: bool) -> int:
    """Where the last whole line of `data` ends; 0 where none does."""
    end = data.rfind(b"\n") + 1
    if not quotes or _QUOTE not in data:
        return end
    # numpy counts marks that are many in a tenth of the time bytes.count takes.
    open_ = int(np.count_nonzero(np.frombuffer(data, np.uint8, end) == _QUOTE[0])) % 2
    while end and open_:
        before = data.rfind(b"\n", 0, end - 1) + 1
        open_ ^= data.count(_QUOTE, before, end) % 2
        end = before
    return end


def line_spans(data: bytes, *, quoted: bool) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and ends of the lines, their breaks included."""
    if not data:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    letters = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(letters == _NEWLINE) + 1
    if quoted:
        marks = np.flatnonzero(letters == _QUOTE[0])
        ends = ends[np.searchsorted(marks, ends) % 2 == 0]
    if not ends.size or ends[-1] != len(data):
        ends = np.append(ends, len(data))
    return np.concatenate(([0], ends[:-1])), ends


def _not_blank(data: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> NDArray[np.bool_] | None:
    """Which lines are not empty; None where none is empty."""
    letters = np.frombuffer(data, dtype=np.uint8)
    first = letters[starts] if starts.size else letters
    empty = (first == _NEWLINE) | ((first == _RETURN) & (ends - starts <= 2))
    return ~empty if empty.any() else None


def _count(data: bytes, *, quotes: bool) -> int:
    return len(line_spans(data, quoted=quotes and _QUOTE in data)[0])


def _too_long(row: int, *, quoted: bool) -> None:
    hint = "; a quotation mark in it may not be closed" if quoted else ""
    raise bad_file(f"the row is longer than {LINE_MAXIMUM} bytes{hint}", row=row)
