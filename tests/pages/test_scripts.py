"""The scripts of the pages: formatted, linted and typed as set beside this file, with short lines."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests import node

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
SCRIPTS = sorted((ROOT / "service" / "ballgauge_service" / "pages" / "static").glob("*.js"))
LONGEST = 110
"""As `line-length` of ruff."""


@pytest.mark.parametrize("work", ["format", "lint"])
def test_biome_finds_nothing(work: str) -> None:
    done = node.run("biome", work, "--error-on-warnings", "--config-path", HERE, *SCRIPTS, cwd=ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


def test_lines_are_short() -> None:
    """A formatter breaks no comment and no text."""
    lines = [
        (script.name, number, line)
        for script in SCRIPTS
        for number, line in enumerate(script.read_text(encoding="utf-8").splitlines(), 1)
    ]
    assert len(lines) > 1000
    assert [each for each in lines if len(each[2]) > LONGEST] == []


def test_types_hold() -> None:
    done = node.run("tsc", "--project", HERE)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_misspelt_member_is_seen(tmp_path: Path) -> None:
    """Of a module, of a class, of an element, and a part that a function does not take."""
    static = SCRIPTS[0].parent.as_posix()
    lines = (
        f'import * as words from "{static}/words.js";',
        f'import {{ History }} from "{static}/history.js";',
        f'import {{ send }} from "{static}/calls.js";',
        'words.gettexts("pin");',
        "new History(1).canUndone;",
        'document.getElementById("form").hiden = true;',
        'send("/v1/checks", { haeders: {} });',
    )
    (tmp_path / "script.js").write_text("\n".join(lines), encoding="utf-8")
    told = {"extends": str(HERE / "tsconfig.json"), "include": [str(HERE / "dom.d.ts"), "*.js"]}
    (tmp_path / "tsconfig.json").write_text(json.dumps(told), encoding="utf-8")
    done = node.run("tsc", "--project", tmp_path, "--pretty", "false", cwd=tmp_path)
    seen = [line for line in done.stdout.splitlines() if line.startswith("script.js")]
    assert [line.partition(",")[0] for line in seen] == [f"script.js({number}" for number in range(4, 8)]
