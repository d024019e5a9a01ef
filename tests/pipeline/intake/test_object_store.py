"""Inbox and store on an object store: a real server on this machine that speaks S3.

The server is ``moto`` (PyPI, a test reference only); without it these tests are skipped.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline.compact import compact
from chamberdrift.pipeline.intake import ingest_inbox
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store.location import RemoteLocation, open_location
from chamberdrift.pipeline.verify import verify
from chamberdrift.shared.config import Config
from chamberdrift.shared.errors import LockLostError, StoreBusyError, StoreError

moto_server = pytest.importorskip("moto.server")
SECRET = "secret-that-must-stay-hidden"

pytestmark = pytest.mark.filterwarnings("default")  # the server's own warnings


@pytest.fixture(scope="module")
def endpoint() -> Iterator[str]:
    server = moto_server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server.start()
    host, port = server.get_host_and_port()
    yield f"http://{host}:{port}"
    server.stop()


@pytest.fixture
def bucket(endpoint: str, monkeypatch: pytest.MonkeyPatch, request: Any) -> str:
    """An empty bucket whose credentials are in the environment."""
    from pyarrow import fs

    monkeypatch.setenv("AWS_ENDPOINT_URL", endpoint)
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "someone")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", SECRET)
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    name = f"b{abs(hash(request.node.name)) % 10**8}"
    fs.S3FileSystem(endpoint_override=endpoint, allow_bucket_creation=True).create_dir(name)
    return f"s3://{name}"


def put(bucket: str, name: str, unit: str, start: str, value: float, first: str = "") -> None:
    at = pd.date_range(start, periods=20, freq="s", tz="UTC")
    text = first + "unit,time,temperature,pressure\n"
    text += "".join(f"{unit},{t.isoformat()},{value},\n" for t in at)
    open_location(f"{bucket}/inbox").write(name, text.encode())


def night(bucket: str, location: str) -> Any:
    store = Store.open(location, create=True)
    with store.lock():
        snapshot = store.snapshot()
        txn = store.begin(snapshot)
        result = ingest_inbox(
            f"{bucket}/inbox",
            store,
            Config(),
            txn=txn,
            snapshot=snapshot,
            recorded_at=pd.Timestamp("2026-02-01", tz="UTC"),
        )
        txn.commit("night")
    return result


@pytest.mark.parametrize("conditional", [True, False])
def test_nights_on_an_object_store_equal_those_in_a_folder(
    bucket: str, tmp_path: Path, conditional: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if conditional:
        pytest.importorskip("s3fs")
    else:
        monkeypatch.setattr(RemoteLocation, "_creator", None)
    remote, local = f"{bucket}/store", str(tmp_path / "store")
    put(bucket, "a/1.csv", "a", "2026-01-31 23:59:50", 20.0)
    put(bucket, "b/1.csv", "b", "2026-01-31", 20.0)
    put(bucket, "c/1.csv", "c", "2026-01-31", 20.0, "refuse zone\n")
    for location in (remote, local):
        assert night(bucket, location).counts["accepted"] == 2
    put(bucket, "a/2.csv", "a", "2026-02-01 00:00:05", 21.0)
    put(bucket, "a/copy.csv", "a", "2026-02-01 00:00:05", 21.0)
    for location in (remote, local):
        result = night(bucket, location)
        assert result.counts["accepted"] == 1
        assert result.counts["duplicate"] == 1
    there, here = Store.open(remote), Store.open(local)
    assert there.single_writer is not conditional
    for unit in ("a", "b"):
        pd.testing.assert_frame_equal(
            there.snapshot().trace(unit, provenance=True),
            here.snapshot().trace(unit, provenance=True),
        )
    for name in ("intake", "refused"):
        pd.testing.assert_frame_equal(there.snapshot().table(name), here.snapshot().table(name))
    proof = verify(there)
    assert proof.problems == ()
    assert any("only one machine" in n for n in proof.notes) is not conditional
    assert compact(there).trace_files_after == compact(here).trace_files_after
    assert verify(there).problems == ()


def test_two_writers_on_an_object_store(bucket: str) -> None:
    pytest.importorskip("s3fs")
    one = Store.open(f"{bucket}/store", create=True)
    other = Store.open(f"{bucket}/store")
    with one.lock(), pytest.raises(StoreBusyError), other.lock():
        pass
    with one.lock():
        early, late = one.begin(), one.begin()
        early.put_state("who", {"is": "early"})
        late.put_state("who", {"is": "late"})
        early.commit("early")
        with pytest.raises(LockLostError):
            late.commit("late")
    assert one.snapshot().state("who") == {"is": "early"}


def test_secrets_stay_out_of_messages_and_files(
    bucket: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG, logger="chamberdrift"):
        put(bucket, "a.csv", "a", "2026-01-31", 20.0)
        night(bucket, f"{bucket}/store")
        with pytest.raises(StoreError) as missing:
            Store.open("s3://no-such-bucket/store")
    place = open_location(f"{bucket}/store")
    held = b"".join(place.read(f.path) for f in place.walk())
    assert SECRET.encode() not in held
    assert SECRET not in str(missing.value)
    assert SECRET not in caplog.text
    assert SECRET not in repr(place)
