"""The options of the contract's test kit, for pytest's command line."""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add where the service is, the key to it, and how much to try."""
    group = parser.getgroup("ballgauge", "the contract's test kit: pytest --pyargs ballgauge.contract")
    group.addoption(
        "--ballgauge-url",
        metavar="URL",
        help="Address of the service to test; the engine in this process unless given.",
    )
    group.addoption(
        "--ballgauge-key",
        metavar="KEY",
        help="Access key with the scopes check, lot, design, sign and date, where the service asks for one.",
    )
    group.addoption(
        "--ballgauge-examples",
        metavar="N",
        type=int,
        default=20,
        help="Generated requests for each property; 20 unless given.",
    )
