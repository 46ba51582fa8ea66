"""The examples of the guide, run as they stand: other software verifies records, altered ones not."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from tests import node

from ballgauge_service.pages import guide


def example(language: str) -> str:
    (found,) = re.findall(rf"```{language}\n(.*?)```", guide.source("records"), re.DOTALL)
    return str(found)


def ran(language: str, folder: Path, x: str) -> subprocess.CompletedProcess[str]:
    if language == "javascript":
        (folder / "verify.mjs").write_text(example(language))
        if not (folder / "node_modules").exists():
            (folder / "node_modules").symlink_to(node.modules())
        return node.run("node", "verify.mjs", cwd=folder)
    command = [sys.executable, "-c"] if language == "python" else ["sh", "-c"]
    return subprocess.run(
        [*command, example(language)], cwd=folder, env=os.environ | {"X": x}, capture_output=True, text=True
    )


@pytest.mark.parametrize("language", ["python", "javascript", "sh"])
def test_an_example_verifies_a_record_and_no_altered_one(
    client: Any, signed: dict[str, Any], tmp_path: Path, language: str
) -> None:
    """PyJWT, jose and OpenSSL, against what was signed; a letter of the payload, and one of the signature."""
    if language == "sh" and shutil.which("openssl") is None:
        pytest.fail("openssl is not there: tests/system_packages.py installs it")
    keys = client.get("/v1/records/keys").json
    (tmp_path / "keys.json").write_text(json.dumps(keys))
    record = signed["record"]
    (tmp_path / "record.jws").write_text(record + "\n")
    done = ran(language, tmp_path, keys["keys"][0]["x"])
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == signed["content"]
    header, payload, signature = record.split(".")
    other = "A" if payload[40] != "A" else "B"
    for altered in (
        f"{header}.{payload[:40]}{other}{payload[41:]}.{signature}",
        f"{header}.{payload}.{signature[:-9]}{'A' * 9}",
    ):
        (tmp_path / "record.jws").write_text(altered)
        done = ran(language, tmp_path, keys["keys"][0]["x"])
        assert done.returncode != 0
        assert not done.stdout
