"""Who asked: the id of the key, the address as it is believed, and one id of the call everywhere."""

from __future__ import annotations

import json
import logging
from datetime import timedelta
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from ballgauge_service.web.access import access, access_keys
from ballgauge_service.web.http import metrics, request_log
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

HEAD = {"X-Forwarded-For": "198.51.100.66, 203.0.113.2", "X-Request-Id": "call-1"}


@pytest.fixture
def keys(tmp_path: Any) -> dict[str, str]:
    file, end = str(tmp_path / "access.toml"), access.today() + timedelta(days=1)
    return {"file": file} | {
        name: access_keys.add(file, name, [scope], end)
        for name, scope in (("shop-7", "check"), ("watch", "operate"))
    }


@pytest.fixture
def client(keys: dict[str, str]) -> Any:
    settings = Settings(access_keys=keys["file"], trusted_proxies=1, requests_per_minute=4)
    return create_app(json_logs=False, warm_up=False, settings=settings).test_client()


def test_log_and_problem_say_who_asked(
    client: Any, keys: dict[str, str], caplog: pytest.LogCaptureFixture
) -> None:
    """Against the key and the proxy's head: of an answer, a problem, a want of scope, a limit and no key."""
    asked = [
        ("/v1/rulebooks", "shop-7", 200),
        ("/v1/rulebooks?x=1", "shop-7", 422),
        ("/metrics", "shop-7", 403),
        ("/v1/rulebooks", None, 401),
        ("/v1/rulebooks", "shop-7", 200),
        ("/v1/rulebooks", "shop-7", 200),
        ("/v1/rulebooks", "shop-7", 429),
    ]
    for path, name, status in asked:
        caplog.clear()
        head = HEAD | ({} if name is None else {"Authorization": f"Bearer {keys[name]}"})
        with caplog.at_level(logging.INFO, logger="ballgauge_service"):
            answer = client.get(path, headers=head)
        assert (answer.status_code, answer.headers["X-Request-Id"]) == (status, "call-1")
        (line,) = (record for record in caplog.records if record.name == "ballgauge_service.requests")
        told = json.loads(request_log.JsonFormatter().format(line))
        assert (told.get("key"), told["address"], told["request_id"]) == (name, "203.0.113.2", "call-1")
        if status >= 400:
            assert (answer.json.get("key"), answer.json["request_id"]) == (name, "call-1")


def test_metrics_count_by_key_and_kind_of_answer(
    client: Any, keys: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the ids of keys that were let in, of so many; an id that nobody has is no label."""
    monkeypatch.setattr(metrics, "_known_keys", {f"k{n}" for n in range(metrics.KEYS_SHOWN - 1)})
    wrong = {"Authorization": "Bearer ballgauge_nobody_" + "A" * 43}
    mine, other = ({"Authorization": f"Bearer {keys[name]}"} for name in ("shop-7", "watch"))

    def told() -> dict[tuple[str, str], float]:
        text = client.get("/metrics", headers=other).text
        assert "nobody" not in text
        return {
            (sample.labels["key"], sample.labels["status"]): sample.value
            for family in text_string_to_metric_families(text)
            for sample in family.samples
            if sample.name == "ballgauge_key_requests_total"
        }

    client.get("/v1/rulebooks?body=usbc", headers=mine)
    before = told()
    for headers in (mine, mine, wrong, other):
        client.get("/v1/rulebooks?body=usbc", headers=headers)
    after = told()
    assert "watch" not in {key for key, _ in after}
    risen = {labels: after[labels] - before.get(labels, 0.0) for labels in after}
    assert risen[("shop-7", "2xx")] == 2
    assert risen[(metrics.OTHER_KEYS, "4xx")] == 1
