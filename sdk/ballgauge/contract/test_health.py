"""A service says whether it lives and whether it can answer."""

from __future__ import annotations

from ballgauge.contract._server import Server, answer_of


def test_it_lives(service: Server) -> None:
    """`/healthz` answers 200, with the state; a HEAD gets the same without a body."""
    assert answer_of(service.get("/healthz"))["status"] == "ok"
    head = service.send("HEAD", "/healthz")
    assert (head.status_code, head.content) == (200, b"")


def test_it_says_whether_it_is_ready(service: Server) -> None:
    """`/readyz` answers 200, or 503 with a Retry-After (which every 503 is held to)."""
    response = service.get("/readyz", patient=False)
    assert response.status_code in (200, 503)
    if response.status_code == 200:
        assert answer_of(response)["status"] == "ok"


def test_it_becomes_ready(service: Server) -> None:
    """Whoever waits as it asks finds it ready."""
    assert service.get("/readyz").status_code == 200
