"""A store of an earlier version is read and gone on from; one of a later version is refused."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.deferrals import DEFERRALS, deferrals_table
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify
from chamberdrift.shared.schema import FLAGS
from chamberdrift.shared.version import SCHEMA_VERSION
from click.testing import CliRunner

DATA = Path(__file__).parent / "data"
END = pd.Timestamp("2026-03-06T00:00Z")


@pytest.fixture(params=sorted(p.name for p in DATA.glob("store-format-*.zip")))
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder with a stored store and its inbox."""
    with zipfile.ZipFile(DATA / request.param) as archive:
        archive.extractall(tmp_path)
    return tmp_path


def test_an_earlier_versions_store_goes_on(old: Path) -> None:
    store = Store.open(str(old / "store"))
    before = store.snapshot()
    assert verify(store).problems == ()
    assert list(before.table("service")["part"]) == ["door_seal"]
    cycles = before.table("cycles")
    assert len(cycles) >= 3
    night = run_night(str(old / "inbox"), str(old / "store"), as_of=END)
    assert night.exports["accepted"] == 1
    after = store.snapshot()
    found = after.table("cycles")  # a start that is seen otherwise now keeps its old id
    known = {*found["cycle_id"], *" ".join(found["aliases"].dropna()).replace(",", " ").split()}
    assert set(cycles["cycle_id"]) <= known
    assert len(after.table("judgements")) == len(after.table("cycles")) > len(cycles)
    assert verify(Store.open(str(old / "store"))).problems == ()
    assert night.reports


def test_what_it_writes_on_an_earlier_store_carries_its_own_schema(old: Path) -> None:
    def schemas() -> list[int]:
        paths = sorted((old / "store" / "commits").glob("*.json"))
        return [json.loads(p.read_text(encoding="utf-8")).get("schema", 1) for p in paths]

    before = schemas()
    run_night(str(old / "inbox"), str(old / "store"), as_of=END, draw=False)
    assert schemas()[: len(before)] == before
    assert set(schemas()[len(before) :]) == {SCHEMA_VERSION}


def test_a_postponed_finding_outlives_the_upgrade(old: Path) -> None:
    """The earlier version put a flag off; this one tells the finding under another id."""
    store = Store.open(str(old / "store"))
    snapshot = store.snapshot()
    unit = str(snapshot.table("cycles")["unit_id"].iloc[0])
    flags = FLAGS.conform(
        pd.DataFrame(
            [
                {
                    "flag_id": "another-way-to-write-ids",
                    "unit_id": unit,
                    "part": "heater",
                    "mode": "element weak",
                    "severity": "service",
                    "first_seen": END,
                    "last_seen": END,
                    "recorded_at": END,
                    "layer": "drift",
                    "feature": "heater_duty",
                    "evidence": "as a later version would tell it",
                }
            ]
        )
    )
    with store.lock():
        txn = store.begin(snapshot)
        entry = {"until": "2026-12-24T00:00:00Z", "reason": "part ordered"}
        txn.put_state(DEFERRALS, {f"{unit}@heater@20260303": entry})  # as version 0.1 kept it
        txn.append("flags", flags)
        txn.commit("put off, then told anew")
    shown = deferrals_table(store.snapshot(), store.snapshot().table("flags"))
    assert list(shown["flag_id"]) == ["another-way-to-write-ids"]
    assert list(shown["reason"]) == ["part ordered"]


def test_it_ends_as_a_store_of_this_version_would(old: Path) -> None:
    new = old / "new"
    CliRunner().invoke(
        cli,
        ["init", "--zone", "UTC", "--pressure-reference", "absolute", "--store", str(new)],
    )
    for store in (old / "store", new):
        run_night(str(old / "inbox"), str(store), as_of=END, draw=False)
    ends = [Store.open(str(s)).snapshot() for s in (old / "store", new)]
    for name in ("cycles", "judgements"):
        upgraded, anew = (e.table(name).drop(columns="aliases", errors="ignore") for e in ends)
        pd.testing.assert_frame_equal(upgraded, anew)


@pytest.mark.parametrize("what", ["format", "schema"])
def test_a_later_versions_store_is_refused(old: Path, what: str) -> None:
    run_night(str(old / "inbox"), str(old / "store"), as_of=END, draw=False)
    commits = sorted((old / "store" / "commits").glob("*.json"))
    for path in commits if what == "format" else commits[-1:]:
        document = json.loads(path.read_text(encoding="utf-8"))
        document[what] += 1
        path.write_text(json.dumps(document), encoding="utf-8")
    for args in (["status"], ["nightly", str(old / "inbox")], ["init"]):
        result = CliRunner().invoke(cli, [*args, "--store", str(old / "store")])
        assert result.exit_code == 1
        assert "use the version that wrote it" in result.stderr
        assert len(result.stderr.splitlines()) == 1
