"""The night through the command line, inbox and store on a server that speaks S3.

The server is ``moto`` (PyPI, a test reference only) on this machine.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from chamberdrift.pipeline.settings import write_settings
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store.location import open_location
from chamberdrift.pipeline.verify import verify
from chamberdrift.shared.config_file import FILE_NAME

from .conftest import COMPARED, END

moto_server = pytest.importorskip("moto.server")
pytest.importorskip("s3fs")
SECRET = "secret-that-must-stay-hidden"

pytestmark = pytest.mark.filterwarnings("default")  # the server's own warnings


@pytest.fixture
def bucket(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """An empty bucket whose credentials are in the environment."""
    from pyarrow import fs

    server = moto_server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server.start()
    host, port = server.get_host_and_port()
    endpoint = f"http://{host}:{port}"
    monkeypatch.setenv("AWS_ENDPOINT_URL", endpoint)
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "someone")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", SECRET)
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    fs.S3FileSystem(endpoint_override=endpoint, allow_bucket_creation=True).create_dir("fleet")
    yield "s3://fleet"
    server.stop()


def nightly(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "chamberdrift", "nightly", *args],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ.copy(),
    )


def test_a_night_through_the_command_line_equals_one_in_a_folder(
    bucket: str, exports: Path, at_once: Path, tmp_path: Path
) -> None:
    inbox, store = f"{bucket}/inbox", f"{bucket}/store"
    place = open_location(inbox)
    for path in sorted((exports / "inbox").rglob("*")):
        if path.is_file():
            place.write(path.relative_to(exports / "inbox").as_posix(), path.read_bytes())
    write_settings(Store.open(store, create=True).place, (exports / FILE_NAME).read_text("utf-8"))
    log = tmp_path / "log.jsonl"
    arguments = (inbox, "--store", store, "--as-of", END.isoformat(), "-v", "--log-file", str(log))
    done = nightly(*arguments)
    assert done.returncode == 0, done.stderr
    there, here = Store.open(store), Store.open(str(at_once))
    assert not there.single_writer
    for name in COMPARED:
        one, other = there.snapshot().table(name), here.snapshot().table(name)
        assert one.equals(other), name
    names = {f.path for f in there.place.walk("reports")}
    assert f"reports/{END:%Y-%m-%d}/fleet.pdf" in names
    assert verify(there).problems == ()
    commit = there.snapshot().commit
    again = nightly(*arguments)
    assert again.returncode == 0, again.stderr
    assert there.snapshot().commit == commit
    said = done.stdout + done.stderr + again.stdout + again.stderr + log.read_text("utf-8")
    assert SECRET not in said
    held = b"".join(there.place.read(f.path) for f in there.place.walk())
    assert SECRET.encode() not in held


def test_a_server_that_refuses_is_one_sentence_without_secrets(bucket: str) -> None:
    done = nightly("s3://nobody/inbox", "--store", "s3://nobody/store")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert SECRET not in done.stdout + done.stderr
    assert len(done.stderr.strip().splitlines()) <= 4
