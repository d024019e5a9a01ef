"""An interruption at any moment is one line, never a traceback."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

WHILE_LOADING = """
import sys
from chamberdrift.__main__ import main

class Interrupt:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            raise KeyboardInterrupt

sys.meta_path.insert(0, Interrupt())
sys.argv = ["chamberdrift", "status", "--store", "nowhere"]
main()
"""


@pytest.mark.parametrize(
    "module", ["chamberdrift.pipeline.cli", "click", "chamberdrift.pipeline.status"]
)
def test_an_interruption_while_modules_load_is_one_line(module: str) -> None:
    code = WHILE_LOADING.format(module=module)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stderr == "Interrupted: nothing half-done was published. Run it again.\n"
    assert done.stdout == ""


@pytest.mark.skipif(sys.platform == "win32", reason="sends a POSIX signal")
def test_an_interruption_in_mid_run_is_one_line() -> None:
    code = (
        "import signal, sys, time\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)  # some shells ignore it\n"
        "from chamberdrift.__main__ import main\n"
        "import chamberdrift.pipeline.status as status\n"
        "def wait(*a, **k):\n"
        "    print('waiting', flush=True)\n"
        "    time.sleep(60)\n"
        "status.store_status = wait\n"
        "sys.argv = ['chamberdrift', 'status', '--store', 'nowhere']\n"
        "main()\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "waiting\n"
    process.send_signal(signal.SIGINT)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 1
    assert told == "Interrupted: nothing half-done was published. Run it again.\n"
