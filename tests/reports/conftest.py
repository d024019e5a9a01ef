"""The builder of hand-made views, shared by this folder's tests and the benchmark."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def builder() -> ModuleType:
    """Return the module that builds views."""
    path = Path(__file__).with_name("builder.py")
    spec = importlib.util.spec_from_file_location("reports_builder", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
