"""The Dockerfile keeps to its rules: tested scripts only, no root, no secrets, one port."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

DOCKER = Path(__file__).parent.parent.parent / "docker"
STEPS = sorted((DOCKER / "steps").iterdir())

Instructions = list[dict[str, str]]


def values(instructions: Instructions, name: str) -> list[str]:
    return [one["value"] for one in instructions if one["instruction"] == name]


def test_every_run_calls_one_script_of_the_steps(instructions: Instructions) -> None:
    """What the tests carry out is all there is: no shell of its own hides in the Dockerfile."""
    runs = values(instructions, "RUN")
    assert runs
    for run in runs:
        assert re.fullmatch(r"sh docker/steps/[a-z]+\.sh( [\w./${}-]+)*", run), run
        assert (DOCKER.parent / run.split()[1]).is_file()


def test_every_step_is_used(instructions: Instructions) -> None:
    """By a RUN, by a script that one calls, or by the audit, which people and pipelines run."""
    told = " ".join(values(instructions, "RUN")) + "".join(
        step.read_text() for step in STEPS if step.suffix == ".sh"
    )
    for step in STEPS:
        assert step.name in told or step.name == "audit.sh", step.name


@pytest.mark.parametrize("step", [step for step in STEPS if step.suffix == ".sh"], ids=lambda step: step.name)
def test_shell_scripts_stop_at_their_first_error_and_parse(step: Path) -> None:
    """POSIX shell, as the system's own sh reads it."""
    lines = step.read_text().splitlines()
    assert lines[0] == "#!/bin/sh"
    first = next(line for line in lines if line and not line.startswith("#"))
    assert first == "set -eu"
    done = subprocess.run(["sh", "-n", str(step)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_it_ends_as_a_user_without_rights(instructions: Instructions) -> None:
    """By number, so that Kubernetes' runAsNonRoot can tell (it cannot look up names)."""
    assert re.fullmatch(r"[1-9]\d{3,}:[1-9]\d{3,}", values(instructions, "USER")[-1])
    after = [one["instruction"] for one in instructions]
    last = len(after) - after[::-1].index("FROM")
    assert "RUN" not in after[last:]


def test_nothing_is_fetched_but_the_first_image(instructions: Instructions) -> None:
    """No ADD, which takes addresses; one image, pinned in one place, to build in, and none to begin with."""
    assert not values(instructions, "ADD")
    assert [value.split()[0] for value in values(instructions, "FROM")] == ["${PYTHON_IMAGE}", "scratch"]
    given = next(value for value in values(instructions, "ARG") if value.startswith("PYTHON_IMAGE="))
    assert re.fullmatch(r"PYTHON_IMAGE=[\w./-]+:\d[\w.-]+(@sha256:[0-9a-f]{64})?", given)
    assert ":latest" not in given


def test_no_secret_is_baked_in(instructions: Instructions) -> None:
    """Neither by a variable, nor by a copied folder that could hold one."""
    told = values(instructions, "ENV") + values(instructions, "ARG")
    assert not [value for value in told if re.search(r"SECRET|PASSWORD|TOKEN|KEYS?\b", value, re.IGNORECASE)]
    taken = {
        source
        for value in values(instructions, "COPY")
        if not value.startswith("--from=")
        for source in value.split()[:-1]
    }
    assert taken == {
        *("docker/steps/", "docker/requirements/", "schemas/", "sdk/", "service/"),
        *("pyproject.toml", "README.md", "LICENSE"),
    }
    ignored = (DOCKER / "Dockerfile.dockerignore").read_text().splitlines()
    rules = [line for line in ignored if line and not line.startswith("#")]
    assert rules[0] == "*"
    assert {rule.removeprefix("!") for rule in rules if rule.startswith("!")} == {
        source.rstrip("/") for source in taken
    }


def test_port_stop_and_health_agree(instructions: Instructions) -> None:
    """The port exposed is the one served and the one whose health is asked for."""
    command = json.loads(values(instructions, "CMD")[-1])
    port = command[command.index("--port") + 1]
    assert values(instructions, "EXPOSE") == [port]
    assert f'"HEALTH_PORT", "{port}"' in (DOCKER / "steps" / "health.py").read_text()
    assert values(instructions, "STOPSIGNAL") == ["SIGTERM"]
    entry = json.loads(values(instructions, "ENTRYPOINT")[-1])
    assert entry == ["/opt/ballgauge/environment/bin/python", "/opt/ballgauge/bin/start.py"]
    # A program that stays in front would take the signal and leave the service without it.
    assert (DOCKER / "steps" / "start.py").read_text().rstrip().splitlines()[-1].startswith("    os.execv(")
    assert "curl" not in "".join(values(instructions, "HEALTHCHECK"))
