"""The command `ballgauge`."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command and end the process with its exit code."""
    try:
        # Deferred, so that the library never loads what only the command needs.
        from ballgauge._command.program import run

        sys.exit(run())
    except ModuleNotFoundError as error:
        if error.name not in ("click", "rich"):
            raise
        sys.stderr.write(f"ballgauge: the command needs {error.name}: pip install 'ballgauge[cli]'\n")
        sys.exit(70)
    except KeyboardInterrupt:
        sys.exit(130)
