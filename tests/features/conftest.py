"""Analytic traces and accuracy runs, shared by this folder's tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def load(name: str) -> ModuleType:
    """Return a helper module of this folder."""
    full = f"chamberdrift_tests_features_{name}"
    if full in sys.modules:
        return sys.modules[full]
    spec = importlib.util.spec_from_file_location(full, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[full] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def traces() -> ModuleType:
    """Return the module of analytic traces."""
    return load("traces")


@pytest.fixture(scope="session")
def accuracy() -> ModuleType:
    """Return the module that measures against the simulator's truth."""
    return load("accuracy")
