"""Install what the tests need beside Python packages: a browser, its driver, PDF tools, a bar-code library.

Debian and its relatives only; elsewhere it says what to install by hand. Nothing is done where all is there.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
import subprocess
import sys

PROGRAMS = {"chromium": "chromium", "chromedriver": "chromium-driver", "pdftotext": "poppler-utils"}
LIBRARIES = {"zbar": "libzbar0"}


def lacking() -> list[str]:
    """Debian packages whose programs or libraries are not there."""
    programs = [package for program, package in PROGRAMS.items() if shutil.which(program) is None]
    libraries = [package for name, package in LIBRARIES.items() if ctypes.util.find_library(name) is None]
    return programs + libraries


def main() -> int:
    """Install what is lacking; give the exit code."""
    packages = lacking()
    if not packages:
        return 0
    if shutil.which("apt-get") is None:
        print(f"The tests need {', '.join(packages)}: install them and run again.", file=sys.stderr)
        return 1
    as_root = [] if os.geteuid() == 0 else ["sudo"]
    print(f"Installing for the tests: {', '.join(packages)}", file=sys.stderr)
    for command in (["apt-get", "update", "-qq"], ["apt-get", "install", "-y", "-qq", *packages]):
        subprocess.run([*as_root, *command], check=True, stdout=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
