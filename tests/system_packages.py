"""Install what the tests need beside Python packages: a browser, PDF tools, a bar-code library, servers.

Debian and its relatives only; elsewhere it says what to install by hand. Nothing is done where all is there;
a tool that is still missing afterwards is an error.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
import subprocess
import sys

PROGRAMS = {
    "chromium": "chromium",
    "chromedriver": "chromium-driver",
    "nginx": "nginx-light",
    "openssl": "openssl",
    "pdftotext": "poppler-utils",
    "promtool": "prometheus",
    "setpriv": "util-linux",
    "strip": "binutils",
}
"""Program to the Debian package that brings it."""
LIBRARIES = {"zbar": "libzbar0"}
"""Shared library to the Debian package that brings it."""


def missing() -> dict[str, str]:
    """Tools that are not there, each with its Debian package."""
    # nginx lies where only root looks for programs.
    places = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin"))
    programs = {
        name: package for name, package in PROGRAMS.items() if shutil.which(name, path=places) is None
    }
    return programs | {
        name: package for name, package in LIBRARIES.items() if ctypes.util.find_library(name) is None
    }


def main() -> int:
    """Install what is missing; give the exit code."""
    wanted = missing()
    if not wanted:
        return 0
    packages = sorted(set(wanted.values()))
    if shutil.which("apt-get") is None:
        print(f"The tests need {', '.join(packages)}: install them and run again.", file=sys.stderr)
        return 1
    as_root = [] if os.geteuid() == 0 else ["sudo"]
    print(f"Installing for the tests: {', '.join(packages)}", file=sys.stderr)
    for command in (["apt-get", "update", "-qq"], ["apt-get", "install", "-y", "-qq", *packages]):
        subprocess.run([*as_root, *command], check=True, stdout=sys.stderr)
    still = missing()
    if still:
        print(f"Installed, and yet not there: {', '.join(sorted(still))}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
