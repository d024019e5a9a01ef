"""Names are completed by the tab key in the shells that the help text names."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_help_texts_instruction_gives_a_script(shell: str) -> None:
    if shell == "bash" and sys.platform == "win32":
        pytest.skip("needs bash")
    code = "from chamberdrift.pipeline.cli import main; main()"
    env = {**os.environ, "_CHAMBERDRIFT_COMPLETE": f"{shell}_source"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env)
    assert "_CHAMBERDRIFT_COMPLETE" in done.stdout, done.stderr


def test_commands_are_completed() -> None:
    env = {
        **os.environ,
        "_CHAMBERDRIFT_COMPLETE": "bash_complete",
        "COMP_WORDS": "chamberdrift ni",
        "COMP_CWORD": "1",
    }
    code = "from chamberdrift.pipeline.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env)
    assert done.stdout.splitlines() == ["plain,nightly"]
