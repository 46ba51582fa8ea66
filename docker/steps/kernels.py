"""Compile the numeric kernels by sending the examples of the kinds named through the engine."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from importlib import import_module
from importlib.resources import files

from ballgauge_schemas import example_names
from ballgauge_schemas.shared.documents import (
    design_example_names,
    lineup_example_names,
    motion_example_names,
)
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

SERVED = ("served", "server", "gate", "warming")
"""Modules of `web.server` that only a server loads: with the others they are compiled on this occasion."""

Sent = Iterator[tuple[str, str, str, str]]


def checks() -> Sent:
    """Checks and drillings."""
    for drillings, path in ((False, "/v1/checks"), (True, "/v1/drillings")):
        for name in example_names(drillings=drillings):
            yield path, "examples", f"{name}.json", "application/json"


def designs() -> Sent:
    """Layered designs, with solving and tolerance studies."""
    for name in design_example_names():
        yield "/v1/designs", "example_designs", f"{name}.json", "application/json"


def motions() -> Sent:
    """Motions, with spreads, line maps and explanations, and line-ups."""
    for name in motion_example_names():
        yield "/v1/motions", "example_motions", f"{name}.json", "application/json"
    for name in lineup_example_names():
        yield "/v1/lineups", "example_lineups", f"{name}.json", "application/json"


def lots() -> Sent:
    """A lot of balls."""
    yield "/v1/lots", "example_lots", "ostrel_tarn_48.csv", "text/csv"


KINDS = {"checks": checks, "designs": designs, "motions": motions, "lots": lots}


def main(kinds: list[str]) -> int:
    """Send the examples of these kinds; give the exit code."""
    unknown = sorted(set(kinds) - set(KINDS))
    if unknown or not kinds:
        print(f"kinds are {', '.join(KINDS)}, unlike {', '.join(unknown) or 'nothing'}", file=sys.stderr)
        return 2
    run_compiled()
    for name in SERVED:
        import_module(f"ballgauge_service.web.server.{name}")
    client = create_app(json_logs=False, warm_up=False, settings=Settings()).test_client()
    for kind in kinds:
        for path, folder, name, media in KINDS[kind]():
            body = files("ballgauge_schemas").joinpath(folder, name).read_bytes()
            answer = client.post(path, data=body, content_type=media)
            if answer.status_code != 200:
                print(f"{path} answers {name} with {answer.status}: {answer.text[:500]}", file=sys.stderr)
                return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
