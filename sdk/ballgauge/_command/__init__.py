"""The command `ballgauge`."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command and end the process with its exit code."""
    try:
        # Deferred, so that the library never loads what only the command needs.
        from ballgauge._command.program import run

        sys.exit(run())
    except KeyboardInterrupt:
        sys.exit(130)
