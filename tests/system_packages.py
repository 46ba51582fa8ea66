"""Install what the tests need beside Python packages: a browser, PDF tools, a bar-code library, servers.

Debian and its relatives only; elsewhere it says what to install by hand. Nothing is done where all is there.
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
    "pdftotext": "poppler-utils",
    "openssl": "openssl",
    "setpriv": "util-linux",
}
SERVERS = {"nginx": "nginx-light", "promtool": "prometheus"}
LIBRARIES = {"zbar": "libzbar0"}


def lacking(programs: dict[str, str]) -> list[str]:
    """Debian packages whose programs are not there."""
    # nginx lies where only root looks for programs.
    places = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin"))
    return [package for program, package in programs.items() if shutil.which(program, path=places) is None]


def main() -> int:
    """Install what is lacking; give the exit code."""
    packages, servers = lacking(PROGRAMS), lacking(SERVERS)
    packages += [package for name, package in LIBRARIES.items() if ctypes.util.find_library(name) is None]
    if not packages + servers:
        return 0
    if shutil.which("apt-get") is None:
        print(f"The tests need {', '.join(packages + servers)}: install them and run again.", file=sys.stderr)
        return 1
    as_root = [] if os.geteuid() == 0 else ["sudo"]
    print(f"Installing for the tests: {', '.join(packages + servers)}", file=sys.stderr)
    for command in (["apt-get", "update", "-qq"], ["apt-get", "install", "-y", "-qq", *packages]):
        subprocess.run([*as_root, *command], check=True, stdout=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
