"""Labels: a whole record as the text of a QR code.

The text is `BALLGAUGE1:` and base45 (RFC 9285, 2022) of: the header's length in one byte, the header, the 64
bytes of the signature, and the payload compressed by DEFLATE (RFC 1951) with a fixed dictionary. Base45 fits
the alphanumeric mode of QR codes, and every byte of the JWS comes back.
"""

from __future__ import annotations

import zlib
from functools import cache
from pathlib import Path

from ballgauge_service.record.keys import encoded, parts

PREFIX = "BALLGAUGE1:"

LABEL_MAXIMUM = 2953 * 3 // 2
"""Longest label read, in characters (ours): more than any QR code holds."""

QR_MAXIMUM = 3391
"""Letters of the alphanumeric mode in the largest QR code at error correction M (ISO/IEC 18004, table 7)."""

PAYLOAD_MAXIMUM = 2**16
"""Largest payload that a label may unfold to, in bytes (ours)."""

_LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
_SIGNATURE = 64


class LabelTooLong(ValueError):
    """The record is longer than a QR code holds."""


@cache
def _dictionary() -> bytes:
    # Part of the format: another dictionary is another prefix.
    return (Path(__file__).parent / "label_dictionary.txt").read_bytes()


def write_label(record: str) -> str | None:
    """Give the label's text of a record; None where no QR code holds it."""
    header, payload, signature = parts(record)
    if len(header) > 255 or len(signature) != _SIGNATURE:
        return None
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -15, 9, zlib.Z_DEFAULT_STRATEGY, _dictionary())
    squeezed = squeezer.compress(payload) + squeezer.flush()
    text = PREFIX + base45(bytes([len(header)]) + header + signature + squeezed)
    return text if len(text) <= QR_MAXIMUM else None


def read_label(text: str) -> str:
    """Give the record that a label's text carries. Raises ValueError where it carries none."""
    if not text.startswith(PREFIX) or len(text) > LABEL_MAXIMUM:
        raise ValueError("not the text of a label")
    data = from_base45(text.removeprefix(PREFIX))
    length = data[0] if data else 0
    header, rest = data[1 : 1 + length], data[1 + length :]
    signature, squeezed = rest[:_SIGNATURE], rest[_SIGNATURE:]
    if not header or not squeezed:
        raise ValueError("the label is incomplete")
    return ".".join(map(encoded, (header, _unfold(squeezed), signature)))


def _unfold(squeezed: bytes) -> bytes:
    unfolder = zlib.decompressobj(-15, _dictionary())
    try:
        payload = unfolder.decompress(squeezed, PAYLOAD_MAXIMUM)
    except zlib.error:
        raise ValueError("the label cannot be unpacked") from None
    if not unfolder.eof or unfolder.unused_data or not payload:
        raise ValueError("the label is incomplete, or has more than a record")
    return payload


def base45(data: bytes) -> str:
    """Write bytes as base45 (RFC 9285, section 4)."""
    letters = []
    for start in range(0, len(data), 2):
        pair = data[start : start + 2]
        number = int.from_bytes(pair, "big")
        for _ in range(len(pair) + 1):
            number, digit = divmod(number, 45)
            letters.append(_LETTERS[digit])
    return "".join(letters)


def from_base45(text: str) -> bytes:
    """Read base45 (RFC 9285, section 4). Raises ValueError for letters or numbers it does not have."""
    digits = [_LETTERS.find(letter) for letter in text]
    if -1 in digits or len(digits) % 3 == 1:
        raise ValueError("the text is not base45")
    data = bytearray()
    for start in range(0, len(digits), 3):
        group = digits[start : start + 3]
        number = sum(digit * 45**place for place, digit in enumerate(group))
        if number >= 256 ** (len(group) - 1):
            raise ValueError("the text is not base45")
        data += number.to_bytes(len(group) - 1, "big")
    return bytes(data)
