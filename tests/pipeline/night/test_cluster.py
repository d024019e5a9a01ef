"""A Dask cluster of real processes: the same bytes, and a killed worker costs only time."""

from __future__ import annotations

import operator
import os
import signal
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from chamberdrift.models import shard
from chamberdrift.pipeline.executor import run_chunked
from chamberdrift.pipeline.keepers import Processes
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.shared.errors import ChamberdriftError

from .conftest import END, assert_equal_tables

distributed: Any = pytest.importorskip("distributed", reason="needs the cluster extra")

pytestmark = pytest.mark.filterwarnings("ignore")


def nap(x: int) -> int:
    time.sleep(0.2)
    return x * x


def pdf_names(store: Path) -> list[str]:
    return sorted(p.name for p in (store / "reports").rglob("*.pdf"))


def test_a_night_on_a_cluster_whose_worker_is_killed_equals_one_in_a_process(
    exports: Path, at_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shard, "LEAST_WORK", 0)  # judging goes there too, small as it is
    store = tmp_path / "store"
    init_store(str(store), {}, settings=str(exports / "chamberdrift.toml"))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        killed: list[int] = []

        def progress(stage: str, done: int, total: int) -> None:
            if stage == "ingest" and done and not killed:  # its later tasks run elsewhere
                killed.append(next(iter(cluster.workers.values())).pid)
                os.kill(killed[0], signal.SIGKILL)

        run_night(
            str(exports / "inbox"),
            str(store),
            as_of=END,
            scheduler=cluster.scheduler_address,
            progress=progress,
        )
    assert killed
    assert_equal_tables(store, at_once)
    for folder in ("traces", "reports"):
        for path in (store / folder).rglob("*.p*"):
            assert (at_once / path.relative_to(store)).read_bytes() == path.read_bytes()
    assert pdf_names(store) == pdf_names(at_once)
    assert Store.open(str(store)).snapshot().commit == 2


def test_what_a_lost_worker_kept_is_made_again() -> None:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        crew = Processes(1, cluster.scheduler_address, 2)
        held = crew.hold(list, [[1], [2]])
        assert held.each(operator.iadd, [[3], [4]]) == [[1, 3], [2, 4]]  # changed where it is
        os.kill(next(iter(cluster.workers.values())).pid, signal.SIGKILL)
        assert held.each(operator.iadd, [[5], [6]]) == [[1, 3, 5], [2, 4, 6]]
        held.close()


@pytest.mark.slow
def test_a_killed_worker_costs_time_and_nothing_else() -> None:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        process = next(iter(cluster.workers.values())).pid

        def kill() -> None:
            time.sleep(1.0)
            os.kill(process, signal.SIGKILL)

        threading.Thread(target=kill, daemon=True).start()
        items = list(range(30))
        found = run_chunked(nap, items, scheduler=cluster.scheduler_address, chunk=2)
        assert list(found) == [x * x for x in items]


def test_a_scheduler_without_workers_is_a_message() -> None:
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=None) as cluster,
        pytest.raises(ChamberdriftError, match="has no workers"),
    ):
        list(run_chunked(nap, [1, 2], scheduler=cluster.scheduler_address))
