"""What is built and installed is the program, whole, with its version said once."""

from __future__ import annotations

import os
import re
import subprocess
import tarfile
import tomllib
import venv
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest
from chamberdrift.shared.version import VERSION

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LAYERS = ("pipeline", "reports", "models", "features", "shared", "fixtures")


def folders_of_code() -> set[str]:
    """Return every package that the layers hold, by its dotted name."""
    found = {"chamberdrift"}
    for layer in LAYERS:
        for path in (ROOT / layer).rglob("__init__.py"):
            found.add(".".join(("chamberdrift", *path.parent.relative_to(ROOT).parts)))
    return found


def test_every_package_is_listed() -> None:
    assert set(PROJECT["tool"]["setuptools"]["packages"]) == folders_of_code()


def test_the_layers_hold_nothing_that_would_be_left_out() -> None:
    others = {
        p.suffix
        for layer in LAYERS
        for p in (ROOT / layer).rglob("*")
        if p.is_file() and "__pycache__" not in p.parts and p.parent.name != "pictures"
    }
    assert others == {".py"}
    assert (ROOT / "py.typed").is_file()


def test_the_version_is_said_once() -> None:
    assert PROJECT["project"]["dynamic"] == ["version"]
    written = [
        p.relative_to(ROOT).as_posix()
        for p in (*ROOT.glob("*.py"), *(q for x in LAYERS for q in (ROOT / x).rglob("*.py")))
        if f'"{VERSION}"' in p.read_text(encoding="utf-8")
    ]
    assert written == ["shared/version.py"]
    assert version("chamberdrift") == VERSION


def test_each_dependency_has_both_bounds_and_a_reason() -> None:
    project = PROJECT["project"]
    lines = (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines()
    extras = project["optional-dependencies"]
    needed = [*project["dependencies"], *extras["cluster"], *extras["objectstore"]]
    for need in needed:
        assert re.fullmatch(r"[\w-]+>=[\d.]+,<[\d.]+", need), need
        [line] = [x for x in lines if f'"{need}"' in x]
        assert "  # " in line, need


@pytest.mark.slow
def test_wheel_and_sdist_build_and_install_from_clean(tmp_path: Path) -> None:
    """Needs git, and the package registry for the build backend."""
    source = tmp_path / "source"
    subprocess.run(["git", "clone", "--quiet", str(ROOT), str(source)], check=True)
    venv.create(tmp_path / "env", with_pip=True)
    python = tmp_path / "env" / ("Scripts" if os.name == "nt" else "bin") / "python"
    subprocess.run([python, "-m", "pip", "install", "-q", "build"], check=True)
    subprocess.run(
        [python, "-m", "build", "--outdir", str(tmp_path / "dist"), str(source)],
        check=True, capture_output=True,
    )  # fmt: skip
    [wheel] = (tmp_path / "dist").glob("*.whl")
    [sdist] = (tmp_path / "dist").glob("*.tar.gz")
    assert VERSION in wheel.name
    assert VERSION in sdist.name
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    assert {n.split("/")[0] for n in names} == {
        "chamberdrift",
        f"chamberdrift-{VERSION}.dist-info",
    }
    assert not [n for n in names if "/tests/" in n]
    assert "chamberdrift/py.typed" in names
    with tarfile.open(sdist) as packed:
        assert any(n.endswith("/README.md") for n in packed.getnames())
    subprocess.run([python, "-m", "pip", "install", "-q", str(wheel)], check=True)
    for command in ([python, "-m", "chamberdrift"], [python.parent / "chamberdrift"]):
        done = subprocess.run(
            [*command, "--version"], capture_output=True, text=True, check=True, cwd=tmp_path
        )
        assert done.stdout.strip() == f"chamberdrift, version {VERSION}"
    store = str(tmp_path / "store")
    subprocess.run(
        [python, "-m", "chamberdrift", "init", "--zone", "UTC", "--store", store],
        check=True, cwd=tmp_path, capture_output=True,
    )  # fmt: skip
    done = subprocess.run(
        [python, "-m", "chamberdrift", "status", "--store", store],
        capture_output=True, text=True, check=True, cwd=tmp_path,
    )  # fmt: skip
    assert "no data yet" in done.stdout
