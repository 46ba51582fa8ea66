"""What README.md and DEVELOPERS.md name is there: files, folders, tests, settings, modules to run."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from ballgauge_service.web.http.settings import Settings

ROOT = Path(__file__).parent.parent
FILE = re.compile(r"[\w./-]*\w\.(?:py|md|toml|json|js|sh|txt|yaml|po)")
TEST = re.compile(r"(?:[\w/]+::)?(test_\w+)")


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_what_is_named_is_there(name: str, tracked: list[str]) -> None:
    """Against the files of the repository; a path may begin at any folder that holds it."""
    text = (ROOT / name).read_text(encoding="utf-8")
    sources = [ROOT / each for each in tracked if each.endswith((".py", ".yaml", ".sh")) and each != __file__]
    code = "\n".join(each.read_text(encoding="utf-8", errors="ignore") for each in sources)
    known = {f"/{each}" for each in tracked}
    asked = [word.strip("(),;") for quoted in re.findall(r"`([^`\n]+)`", text) for word in quoted.split()]
    lost = [each for each in asked if FILE.fullmatch(each) and each not in MADE and not _ends(known, each)]
    for each in asked:
        if (test := TEST.fullmatch(each)) and not _ends(known, f"{test[1]}.py"):
            lost += [each] if f"def {test[1]}(" not in code else []
    links = re.findall(r"\]\(([^)#:]+)[)#]", text)
    lost += [each for each in links if not (ROOT / name).parent.joinpath(each).exists()]
    settings = {f"BALLGAUGE_{field.name.upper()}" for field in fields(Settings)}
    named = set(re.findall(r"\bBALLGAUGE_\w+", text)) - settings
    lost += [each for each in named if each not in code]
    modules = re.findall(r"python3? -m ((?:ballgauge|tests)[\w.]*)", text)
    lost += [each for each in modules if not _ends(known, each.replace(".", "/") + ".py")
             and not _ends(known, each.replace(".", "/") + "/__main__.py")]  # fmt: skip
    assert sorted(set(lost)) == []
    assert len(asked) > 5


MADE = {"ball.json", "/openapi.json"}
"""What a command writes and a service answers."""


def _ends(known: set[str], path: str) -> bool:
    return any(each.endswith(f"/{path}") for each in known)
