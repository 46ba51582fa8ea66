"""What the tests of the supply chain share: the program that lists licenses."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

REQUIREMENTS = Path(__file__).parent.parent.parent / "docker" / "requirements"


@pytest.fixture(scope="session")
def licenses() -> ModuleType:
    """docker/requirements/licenses.py."""
    spec = importlib.util.spec_from_file_location("licenses", REQUIREMENTS / "licenses.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
