"""Start the service in the image; arguments are those of `ballgauge serve`.

The compiled kernels are copied to where they can be written: the compiler takes kept code only from there. On
another kind of processor than NUMBA_CPU_NAME says, it compiles anew into the same place.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

KEPT = Path("/opt/ballgauge/kernels/ballgauge")


def copy(cache: Path) -> None:
    """Copy the folders of kernels that are not there; a broken start leaves no half under its name."""
    cache.mkdir(parents=True, exist_ok=True)
    for folder in KEPT.iterdir():
        place, new = cache / folder.name, cache / f"{folder.name}.new"
        if not place.exists():
            shutil.rmtree(new, ignore_errors=True)
            shutil.copytree(folder, new)
            new.rename(place)


if __name__ == "__main__":
    try:
        copy(Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache", "ballgauge"))
    except OSError as error:
        print(f"start.py: {error}; kernels that are missing are compiled at each start", file=sys.stderr)
    program = Path(sys.executable).with_name("ballgauge")
    os.execv(program, [str(program), "serve", *sys.argv[1:]])
