"""Reading a record out of a picture of its code, or out of the PDF it was printed to."""

from __future__ import annotations

import io
import math
import re

import zxingcpp
from PIL import Image, UnidentifiedImageError

from ballgauge_service.core import confined
from ballgauge_service.record import labels

PIXELS_MAXIMUM = 51_000_000
"""Largest picture opened, in pixels (ours); that of a present-day telephone of 50 megapixels fits."""

PIXELS_READ = 2_000_000
"""Pixels to which a larger picture is scaled before its code is looked for (ours). The time that takes grows
with their square: a picture full of corners of codes takes a minute at 24 megapixels, a second at this."""

SECONDS = 5.0
"""Longest time that a file is looked through (ours)."""

_TOO_LARGE = f"the picture has more than {PIXELS_MAXIMUM:,} pixels"

_IN_A_PDF = re.compile(rb"eyJ[A-Za-z0-9_-]{10,400}\.[A-Za-z0-9_-]{10,100000}\.[A-Za-z0-9_-]{86}")


class NothingFound(ValueError):
    """The file holds no record that can be read."""


def read_document(data: bytes) -> str:
    """Give the text of the record in a PNG or JPEG picture, or in a PDF that `prints` made.

    Raises
    ------
    NothingFound
        The file is of another kind, too large, broken, takes too long, or has no record in it.
    """
    try:
        return confined.run("record.pictures:found_in", data, SECONDS).decode("utf-8")
    except confined.Refused as refused:
        raise NothingFound(str(refused)) from None
    except confined.Ended as ended:
        raise NothingFound(f"the file cannot be searched: {ended}") from None


def found_in(data: bytes) -> bytes:
    """Do what `read_document` does, here and now, however long it takes. Raises NothingFound."""
    if not data.startswith(b"%PDF-"):
        return _in_picture(data).encode()
    found = _IN_A_PDF.search(data)
    if found is None:
        raise NothingFound("there is no record in this PDF; a picture of its code may do")
    return found[0]


def _in_picture(data: bytes) -> str:
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as picture:
            pixels = picture.width * picture.height
            if pixels > PIXELS_MAXIMUM:
                raise NothingFound(_TOO_LARGE)
            scale = min(1.0, math.sqrt(PIXELS_READ / max(pixels, 1)))
            size = int(picture.width * scale), int(picture.height * scale)
            picture.draft("L", size)
            gray = picture.convert("L")
            gray.thumbnail(size)
    except NothingFound:
        raise
    except Image.DecompressionBombError:
        raise NothingFound(_TOO_LARGE) from None
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        raise NothingFound("the file is not a PNG or JPEG picture, or it is broken") from None
    for code in zxingcpp.read_barcodes(gray, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)):
        if code.text.startswith(labels.PREFIX):
            return str(code.text)
    raise NothingFound("no record's code can be seen in the picture; come closer, or give it more light")
