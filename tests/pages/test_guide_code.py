"""Every block of code of the guide runs, in order, and prints what the guide says."""

from __future__ import annotations

import contextlib
import doctest
import io
import json
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests
from markdown_it import MarkdownIt
from tests import node

import ballgauge_schemas
from ballgauge._command.program import program
from ballgauge_service.pages.guide.chapters import FOLDER, ORDER
from ballgauge_service.rulebooks import file_faults

SERVED = "http://127.0.0.1:8000"
STRICT = ("--strict", "--target", "es2022", "--module", "nodenext", "--lib", "es2022,dom")
ELSEWHERE = {("records", "python"), ("records", "javascript"), ("records", "sh")}
"""Run by tests/record/test_own_software.py, with records that are altered too."""


def blocks(chapter: str) -> Iterator[tuple[int, str, str]]:
    """Line, language and text of every block of a chapter."""
    text = (FOLDER / f"{chapter}.md").read_text(encoding="utf-8")
    for token in MarkdownIt("commonmark").parse(text):
        if token.type == "fence":
            assert token.map is not None
            yield token.map[0] + 1, token.info, token.content


def bash(text: str, names: dict[str, Any]) -> str:
    """As a person types it, but a screen is 100 characters wide."""
    environment = os.environ | {
        "COLUMNS": "100", "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
    }  # fmt: skip
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", text], env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0, (text, done.stdout, done.stderr)
    return done.stdout


def python(text: str, names: dict[str, Any]) -> str:
    """With the names that the chapter's blocks before it made, as in a notebook."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(text, "guide", "exec"), names)
    return said.getvalue()


def typescript(text: str, names: dict[str, Any]) -> str:
    """Compiled strictly with the types of openapi-typescript, and run by node."""
    document = Path(ballgauge_schemas.__file__).with_name("openapi.json")
    assert node.run("openapi-typescript", document, "-o", Path("api.ts").absolute()).returncode == 0
    Path("package.json").write_text('{"type": "module"}')
    Path("block.ts").write_text(text, encoding="utf-8")
    compiled = node.run("tsc", *STRICT, "block.ts", cwd=Path.cwd())
    assert compiled.returncode == 0, compiled.stdout
    done = node.run("node", "block.js", cwd=Path.cwd())
    assert done.returncode == 0, done.stderr
    return done.stdout


def powershell(text: str, names: dict[str, Any]) -> str:
    """No PowerShell is to be had from pip, npm or Debian: the call is read and sent, commands are known."""
    for line in text.splitlines():
        if "\\ballgauge " in line:
            parsed(line.partition("\\ballgauge ")[2].partition(" > ")[0])
    body = re.search(r"^\$body = '(.*)'$", text, re.MULTILINE)
    address = re.search(r"-Method Post -Uri '(.*?)' -ContentType '(.*?)' -Body \$body$", text, re.MULTILINE)
    assert (body is None) == (address is None)
    if body and address:
        answer = requests.post(address[1], data=body[1], headers={"Content-Type": address[2]}, timeout=60)
        assert answer.status_code == 200, answer.text
        told: Any = answer.json()
        for member in re.findall(r"\$answer\.(\w+)", text):
            assert member in told
        for names in re.findall(r"\$answer\.(\w+) \| Format-Table (.*)", text):
            assert all(name in told[names[0]][0] for name in names[1].split(", "))
    return ""


def parsed(line: str) -> None:
    """A line of the command with options and words that it knows; nothing is done."""
    context = program.make_context("ballgauge", [], resilient_parsing=True)
    arguments = shlex.split(line, comments=True)
    command: Any = program
    while hasattr(command, "get_command") and arguments:
        command = command.get_command(context, name := arguments.pop(0))
        assert command is not None, name
    lacking = [Path(each) for each in arguments if re.fullmatch(r"[\w-]+\.\w+", each)]
    lacking = [each for each in lacking if not each.exists()]
    for each in lacking:
        each.touch()
    command.make_context("ballgauge", arguments)
    for each in lacking:
        each.unlink()


def only_parsed(text: str) -> None:
    """What needs an operator's machine: the shell reads it, and the command knows its own part."""
    subprocess.run(["bash", "-n"], input=text, text=True, check=True)
    for line in re.sub(r"\\\n", " ", text).splitlines():
        found = re.match(r"\(?(?:umask \d+; |[A-Z_]+=\S+ )*ballgauge ([^>|)]*)", line.strip())
        if found:
            parsed(found[1])


RUN = {"bash": bash, "python": python, "typescript": typescript, "powershell": powershell}


@pytest.mark.parametrize("chapter", ORDER)
def test_every_block_runs_and_prints_what_it_says(
    chapter: str, page_server: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against a running service, in one folder a chapter."""
    monkeypatch.chdir(tmp_path)
    printed = None
    names: dict[str, Any] = {"__name__": "guide"}
    for line, info, text in blocks(chapter):
        language, _, how = info.partition(" ")
        asked = text.replace(SERVED, page_server)
        if (chapter, language) in ELSEWHERE:
            continue
        if language == "text":
            assert printed is not None, f"line {line}: nothing was run before"
            matches = doctest.OutputChecker().check_output(text, printed, doctest.ELLIPSIS)
            assert matches, f"{chapter}.md, line {line}: printed\n{printed}"
            printed = None
        elif language == "json":
            answer = requests.post(f"{page_server}{how}", json=json.loads(text), timeout=300)
            assert answer.status_code == 200, (line, answer.text)
        elif language == "toml":
            Path("overlay.toml").write_text(text, encoding="utf-8")
            assert not isinstance(file_faults(Path("overlay.toml")), list)
        elif how == "parsed":
            only_parsed(text)
        else:
            try:
                printed = RUN[language](asked, names)
            except Exception as error:
                raise AssertionError(f"{chapter}.md, line {line}: {error!r}") from error
