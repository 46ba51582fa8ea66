"""Reading a record out of a picture of its code, or out of the PDF it was printed to."""

from __future__ import annotations

import io
import re

import zxingcpp
from PIL import Image, UnidentifiedImageError

from ballgauge_service.record import labels

PIXELS_MAXIMUM = 24_000_000
"""Largest picture opened, in pixels (ours); the picture of a present-day camera fits."""

_IN_A_PDF = re.compile(rb"eyJ[A-Za-z0-9_-]{10,400}\.[A-Za-z0-9_-]{10,100000}\.[A-Za-z0-9_-]{86}")


class NothingFound(ValueError):
    """The file holds no record that can be read."""


def read_document(data: bytes) -> str:
    """Give the text of the record in a PNG or JPEG picture, or in a PDF that `prints` made.

    Raises
    ------
    NothingFound
        The file is of another kind, too large, broken, or has no record in it.
    """
    if data.startswith(b"%PDF-"):
        found = _IN_A_PDF.search(data)
        if found is None:
            raise NothingFound("there is no record in this PDF; a picture of its code may do")
        return found[0].decode("ascii")
    return _from_picture(data)


def _from_picture(data: bytes) -> str:
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as picture:
            if picture.width * picture.height > PIXELS_MAXIMUM:
                raise NothingFound(f"the picture has more than {PIXELS_MAXIMUM:,} pixels")
            gray = picture.convert("L")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        if isinstance(error, NothingFound):
            raise
        raise NothingFound("the file is not a PNG or JPEG picture, or it is broken") from None
    for code in zxingcpp.read_barcodes(gray, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)):
        if code.text.startswith(labels.PREFIX):
            return str(code.text)
    raise NothingFound("no record's code can be seen in the picture; come closer, or give it more light")
