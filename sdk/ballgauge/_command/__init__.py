"""The command `ballgauge`."""

from __future__ import annotations

import os
import sys

OF_ONE_BALL = frozenset(("check", "drill", "rules", "verify"))
"""Commands with no matrix to share out: a thread of algebra a core takes longer to start than they take."""


def main() -> None:
    """Run the command and end the process with its exit code."""
    if OF_ONE_BALL.intersection(sys.argv[1:2]):
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
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
