"""Prometheus: its configuration and alerts by its own tool, and the names of what is measured."""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests
import yaml

PROMETHEUS = Path(__file__).parent.parent.parent / "docker" / "prometheus"


def promtool(*arguments: str, **options: Any) -> str:
    if shutil.which("promtool") is None:
        pytest.fail("promtool is not there: tests/system_packages.py installs it")
    done = subprocess.run(["promtool", *arguments], cwd=PROMETHEUS, capture_output=True, text=True, **options)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize(
    "command",
    [
        ("check", "config", "--syntax-only", "prometheus.yaml"),
        ("check", "rules", "rules.yaml"),
        ("test", "rules", "rules_test.yaml"),
    ],
    ids=" ".join,
)
def test_promtool_finds_no_fault(command: tuple[str, ...]) -> None:
    """The last runs the alerts on made-up measurements: when they come, and when not."""
    promtool(*command)


def test_every_alert_is_tried() -> None:
    rules = yaml.safe_load((PROMETHEUS / "rules.yaml").read_text())["groups"][0]["rules"]
    tried = yaml.safe_load((PROMETHEUS / "rules_test.yaml").read_text())["tests"]
    raised = {one["alertname"] for test in tried for one in test["alert_rule_test"] if one["exp_alerts"]}
    assert raised == {rule["alert"] for rule in rules}


def labels_told(told: str) -> dict[str, set[str]]:
    """The names of the metrics and their labels in the text format."""
    found: dict[str, set[str]] = {}
    for line in told.splitlines():
        if not line.startswith("#"):
            name, _, rest = line.partition("{")
            labels = set(re.findall(r"(\w+)=\"", rest.rpartition("}")[0])) if rest else set()
            found.setdefault(name.split()[0], set()).update(labels)
    return found


def leave_half_way(server: str) -> None:
    """Announce a body, send a part of it and go."""
    address = urlsplit(server)
    with socket.create_connection((address.hostname, address.port), timeout=30) as caller:
        caller.sendall(
            b"POST /v1/checks HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\n"
            b"Content-Length: 100\r\n\r\n{"
        )


def test_every_metric_of_the_alerts_is_exported(server: str, conforming: Any) -> None:
    """Against /metrics of the running service, after a check and a caller who left; labels too."""
    for answer in (
        requests.post(f"{server}/v1/checks", json=conforming),
        requests.get(f"{server}/readyz"),
    ):
        assert answer.status_code == 200
    leave_half_way(server)
    end = time.monotonic() + 30
    while "ballgauge_rejects_total{" not in (told := requests.get(f"{server}/metrics").text):
        assert time.monotonic() < end, told
        time.sleep(0.1)
    exported = labels_told(told)
    text = (PROMETHEUS / "rules.yaml").read_text()
    used = set(re.findall(r"\bballgauge_\w+", text))
    assert used
    assert used <= exported.keys()
    for name, wanted in re.findall(r"\b(ballgauge_\w+)\{([^}]*)\}", text):
        labels = set(re.findall(r"(\w+)[=!]~?", wanted))
        assert labels <= exported[name], name
    routes = set(re.findall(r'route="([^"]+)"', text))
    assert routes <= set(re.findall(r'route="([^"]+)"', told))


def test_what_is_exported_keeps_prometheus_habits(server: str) -> None:
    """Names, units and help, by promtool's lint."""
    promtool("check", "metrics", input=requests.get(f"{server}/metrics").text)
