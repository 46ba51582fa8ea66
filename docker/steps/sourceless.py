"""Keep the compiled form alone of each module of others that has one."""

from __future__ import annotations

import sys
import sysconfig
from pathlib import Path


def main() -> int:
    """Move the code of compiled modules to where Python takes it without a source, and remove the sources."""
    suffix = f".{sys.implementation.cache_tag}.pyc"
    packages = Path(sysconfig.get_path("purelib"))
    for code in packages.glob(f"**/__pycache__/*{suffix}"):
        source = code.parent.parent / f"{code.name.removesuffix(suffix)}.py"
        if not code.relative_to(packages).parts[0].startswith("ballgauge"):
            code.rename(source.with_suffix(".pyc"))
            source.unlink(missing_ok=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
