"""Layers import downward only."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

ALLOWED = {
    "shared": {"shared"},
    "fixtures": {"fixtures", "shared"},
    "features": {"features", "shared"},
    "models": {"models", "features", "shared"},
    "reports": {"reports", "models", "features", "shared"},
    "pipeline": {"pipeline", "reports", "models", "features", "shared", "fixtures"},
}


def imported_layers(source: str, parts: tuple[str, ...]) -> set[str]:
    """Return the layers that a module at ``parts`` (path below the root) imports."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = parts[: len(parts) - node.level]
            full = (*base, *(node.module or "").split("."))
            names = [full] if node.module else [(*base, a.name) for a in node.names]
            found |= {n[0] for n in names if n and n[0]}
        elif isinstance(node, ast.ImportFrom):
            found |= absolute(node.module or "", [a.name for a in node.names])
        elif isinstance(node, ast.Import):
            for alias in node.names:
                found |= absolute(alias.name, [])
    return found & (ALLOWED.keys() | {"tests"})


def absolute(module: str, names: list[str]) -> set[str]:
    """Return the layers that an absolute import of this package names."""
    head, *rest = module.split(".")
    if head != "chamberdrift":
        return set()
    return {rest[0]} if rest else set(names)


def violations(root: Path) -> list[str]:
    """Return one line for each upward import below ``root``."""
    found = []
    for layer, allowed in ALLOWED.items():
        for path in sorted((root / layer).rglob("*.py")):
            parts = path.relative_to(root).parts
            wrong = imported_layers(path.read_text(encoding="utf-8"), parts) - allowed
            found += [f"{'/'.join(parts)} imports {name}" for name in sorted(wrong)]
    return found


def test_no_layer_imports_upward() -> None:
    assert violations(ROOT) == []


@pytest.mark.parametrize(
    "line",
    [
        "from ..models import judge",
        "from .. import pipeline",
        "import chamberdrift.reports",
        "from chamberdrift import models",
        "from chamberdrift.pipeline.store import Store",
    ],
)
def test_an_upward_import_is_found(tmp_path: Path, line: str) -> None:
    (tmp_path / "features").mkdir()
    (tmp_path / "features" / "bad.py").write_text(line + "\n", encoding="utf-8")
    assert len(violations(tmp_path)) == 1
