"""What the tests of the supply chain share: the program that lists licences."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

REQUIREMENTS = Path(__file__).parent.parent.parent / "docker" / "requirements"


@pytest.fixture(scope="session")
def licences() -> ModuleType:
    """docker/requirements/licences.py."""
    spec = importlib.util.spec_from_file_location("licences", REQUIREMENTS / "licences.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
