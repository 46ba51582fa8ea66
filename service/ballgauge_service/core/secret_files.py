"""Files that hold keys: read only where nobody else reads or changes them."""

from __future__ import annotations

import os
import stat

LARGEST = 4 * 2**20
"""Bytes; ours. Twenty thousand access keys fit."""


class BadSecretFile(ValueError):
    """A file that cannot be read, or that others may read or change; the text names every fault."""


def read(path: str, *, shared: bool = False) -> str:
    """Read the text of a file; `shared`: also one that others read, which tells no more than it once did.

    Raises BadSecretFile.
    """
    try:
        # Without O_NONBLOCK a pipe in the file's place would hold the start up for ever.
        with open(os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)), "rb") as file:
            faults = _faults(os.fstat(file.fileno()), shared)
            if faults:
                raise BadSecretFile("; ".join(f"{path} {fault}" for fault in faults))
            return file.read(LARGEST).decode("utf-8")
    except OSError as error:
        raise BadSecretFile(f"{path} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise BadSecretFile(f"{path} is not UTF-8 text") from None


def _faults(found: os.stat_result, shared: bool) -> list[str]:
    """What is wrong with a file from outside. Its group may read it: secrets are mounted so in containers."""
    if not stat.S_ISREG(found.st_mode):
        return ["is not a file"]
    faults = []
    if not shared and os.name == "posix" and found.st_mode & (stat.S_IRWXO | stat.S_IWGRP):
        faults.append(
            f"can be read or changed by others (mode {found.st_mode & 0o777:04o}); chmod 600 mends it"
        )
    if found.st_size > LARGEST:
        faults.append(f"is larger than {LARGEST >> 20} MiB")
    return faults
