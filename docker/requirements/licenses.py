"""List the licenses of what the image holds: `python docker/requirements/licenses.py > docker/licenses.md`.

What is installed in the environment that runs this is read; nothing is downloaded.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterable
from importlib.metadata import Distribution, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

PROJECT = Path(__file__).parent.parent.parent / "pyproject.toml"

EXTRAS = ("service", "cluster", "tracing")
"""Extras in the image; lock.sh names the same."""

ALLOWED = {
    "0BSD": "",
    "Apache-2.0": "",
    "Apache-2.0 WITH LLVM-exception": "",
    "BSD-2-Clause": "",
    "BSD-3-Clause": "",
    "CC0-1.0": "",
    "ISC": "",
    "MIT": "",
    "MIT-0": "",
    "MIT-CMU": "",
    "PSF-2.0": "",
    "Zlib": "",
    "LGPL-3.0-only": "used unchanged, as a package of its own that anybody can replace",
    "MPL-2.0": "used unchanged; its own files stay under it",
}
"""Identifiers (SPDX) that a package may have, and what holds for those that ask for more than a notice."""

_TEXTS = {
    "apache 2.0": "Apache-2.0",
    "apache license, version 2.0": "Apache-2.0",
    "apache license, version 2.0, january 2004": "Apache-2.0",
    "apache software license": "Apache-2.0",
    "bsd": "BSD-3-Clause",
    "bsd license": "BSD-3-Clause",
    "bsd 3-clause license": "BSD-3-Clause",
    "3-clause bsd license": "BSD-3-Clause",
    "mit license": "MIT",
    "psfl": "PSF-2.0",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
}
"""What packages without an SPDX expression write instead; BSD alone is taken for that of three clauses."""


def image_requirements() -> list[str]:
    """What pyproject.toml asks for the image; an editable installation may tell of an older one."""
    project = tomllib.loads(PROJECT.read_text())["project"]
    found: dict[str, None] = {}
    waiting = [*project["dependencies"], f"{project['name']}[{','.join(EXTRAS)}]"]
    while waiting:
        text = waiting.pop()
        requirement = Requirement(text)
        if requirement.name == project["name"]:
            for extra in requirement.extras:
                waiting += project["optional-dependencies"][extra]
        else:
            found[text] = None
    return list(found)


def closure(wanted: Iterable[str]) -> dict[str, Distribution]:
    """The distributions of this environment that the requirements need, by name."""
    found: dict[str, Distribution] = {}
    seen: set[str] = set()
    waiting = [Requirement(text) for text in wanted]
    while waiting:
        requirement = waiting.pop()
        if str(requirement) in seen:
            continue
        seen.add(str(requirement))
        held = distribution(requirement.name)
        found[canonicalize_name(requirement.name)] = held
        extras = {"", *requirement.extras}
        waiting += [
            needed
            for needed in map(Requirement, held.requires or ())
            if needed.marker is None or any(needed.marker.evaluate({"extra": extra}) for extra in extras)
        ]
    return dict(sorted(found.items()))


def license_of(held: Distribution) -> str:
    """The license of a distribution as an SPDX expression, or what it says where that is none."""
    expression = held.metadata.get("License-Expression")
    if expression:
        return expression
    said = [
        line.rpartition(" :: ")[2]
        for line in held.metadata.get_all("Classifier") or ()
        if line.startswith("License ::") and not line.endswith("OSI Approved")
    ]
    short = (held.metadata.get("License") or "").strip()
    if short and "\n" not in short:
        said.insert(0, short)
    known = [_TEXTS.get(text.lower(), text) for text in said]
    return next((text for text in known if text in ALLOWED), known[0] if known else "unknown")


def identifiers(expression: str) -> set[str]:
    """The licenses in an SPDX expression, each with its exception."""
    return {part.strip(" ()") for part in re.split(r"\s+(?:AND|OR)\s+", expression)}


def rows() -> list[str]:
    """A line of the table for each package."""
    found = []
    for name, held in closure(image_requirements()).items():
        told = license_of(held)
        notes = "; ".join(
            filter(None, (ALLOWED.get(one, "NOT ALLOWED") for one in sorted(identifiers(told))))
        )
        found.append(f"| {name} | {told} | {notes} |")
    return found


def main() -> int:
    """Print the list; leave with 1 where a license is not allowed."""
    print("# Licenses of what the image holds\n")
    print("Made by `docker/requirements/licenses.py` from the packages' own metadata; versions are in the")
    print("image's bill of materials. Packages bring parts of others under the licenses that they name.\n")
    print("| package | license (SPDX) | note |")
    print("|---|---|---|")
    told = rows()
    print("\n".join(told))
    return any("NOT ALLOWED" in row for row in told)


if __name__ == "__main__":
    sys.exit(main())
