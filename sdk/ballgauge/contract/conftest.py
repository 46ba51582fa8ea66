"""The service under test, and how many requests are generated."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from ballgauge.contract._server import Server


@pytest.fixture(scope="session")
def service(pytestconfig: pytest.Config) -> Iterator[Server]:
    """The service that the command line names, or the engine in this process."""
    with Server(pytestconfig.getoption("ballgauge_url"), pytestconfig.getoption("ballgauge_key")) as found:
        yield found


def pytest_configure(config: pytest.Config) -> None:
    """The same requests in every run: a service that fails once fails again."""
    settings.register_profile(
        "ballgauge-contract",
        max_examples=config.getoption("ballgauge_examples"),
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    settings.load_profile("ballgauge-contract")
