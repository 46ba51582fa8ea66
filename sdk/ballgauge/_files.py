"""Files that are written: where they can be, and whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import IO

from ballgauge._http import PIECE

Target = str | os.PathLike[str]


def require_place(target: Target) -> None:
    """Raise OSError, naming the target, where no file can be written there: before the work, not after it."""
    path = Path(target)
    try:
        if path.is_dir():
            raise IsADirectoryError(21, "Is a directory")
        with tempfile.TemporaryFile(dir=path.parent):
            pass
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(target)) from None


def write(target: Target, source: IO[bytes]) -> None:
    """Write a file that takes its name when it is whole. Raises OSError, naming the target."""
    path = Path(target)
    name = ""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        with os.fdopen(handle, "wb") as sink:
            while piece := source.read(PIECE):
                sink.write(piece)
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        if isinstance(error, OSError):
            raise OSError(error.errno, error.strerror, str(target)) from None
        raise
