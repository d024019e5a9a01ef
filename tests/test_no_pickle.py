"""No code is ever loaded from data: nothing in the package imports pickle or its kin."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LAYERS = ("features", "fixtures", "models", "pipeline", "reports", "shared")
FORBIDDEN = {"pickle", "cPickle", "dill", "cloudpickle", "joblib", "marshal", "shelve"}
CALLS = {"read_pickle", "to_pickle", "eval", "exec"}


def offences(source: str) -> list[str]:
    """Return the imports and calls in a module that could load code from data."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [a.name for a in node.names if a.name.split(".")[0] in FORBIDDEN]
        elif isinstance(node, ast.ImportFrom) and not node.level:
            if (node.module or "").split(".")[0] in FORBIDDEN:
                found.append(str(node.module))
        elif isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name in CALLS and not (name == "eval" and isinstance(node.func, ast.Attribute)):
                found.append(name)
    return found


def test_nothing_loads_code_from_data() -> None:
    modules = [p for layer in LAYERS for p in (ROOT / layer).rglob("*.py")]
    assert len(modules) > 50
    bad = {str(p.relative_to(ROOT)): o for p in modules if (o := offences(p.read_text("utf-8")))}
    assert bad == {}


@pytest.mark.parametrize(
    "line",
    ["import pickle", "from joblib import load", "frame = pd.read_pickle(x)", "y = eval(x)"],
)
def test_an_offence_is_found(line: str) -> None:
    assert len(offences(line)) == 1
