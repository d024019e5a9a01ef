"""Nights over a leap day and the end of summer time are nights like any other."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from chamberdrift.fixtures.plan import plan_fleet
from chamberdrift.fixtures.simulator import simulate_unit
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify
from click.testing import CliRunner

from .conftest import assert_equal_tables
from .soak_exports import write_export

DAYS = 6


@pytest.mark.parametrize(
    ("start", "zone"), [("2028-02-27", 0), ("2027-10-28", 1), ("2028-03-24", 1)]
)  # a leap day in UTC; Oslo's clock falls back on 31 October 2027, goes ahead on 26 March 2028
def test_nights_over_it_end_as_one_run(tmp_path: Path, start: str, zone: int) -> None:
    first = pd.Timestamp(start)
    plan = plan_fleet(
        1, DAYS, 8, start=datetime.fromisoformat(start).replace(tzinfo=UTC), no_pressure_share=0.0,
        continuous_share=1.0, confounders=False,
    )  # fmt: skip
    loggers = tuple(replace(x, mains_powered=False) for x in plan.units[0].loggers)
    made = simulate_unit(replace(plan, units=(replace(plan.units[0], loggers=loggers),)), 0)
    trace = made.trace.assign(unit_id="ST-07")
    times = trace["time"].dt.tz_localize(None)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    answers = {"zone": ("UTC", "Europe/Oslo")[zone], "pressure_reference": "absolute"}
    for name in ("nightly", "once"):
        init_store(str(tmp_path / name), answers)
    for night in range(DAYS):
        day = first + pd.Timedelta(days=night)
        rows = trace[(times >= day - pd.Timedelta(hours=6)) & (times < day + pd.Timedelta(days=1))]
        if not len(rows):
            continue
        write_export(tmp_path, night, "ST-07", zone, rows, day)
        for path in (tmp_path / "staged" / f"{night:04d}" / "ST-07").iterdir():
            path.rename(inbox / path.name)
        as_of = (day + pd.Timedelta(days=1)).tz_localize("UTC")
        done = run_night(str(inbox), str(tmp_path / "nightly"), as_of=as_of, draw=night == 1)
        assert done.refusals == ()
        assert (tmp_path / "nightly" / "reports" / f"{as_of:%Y-%m-%d}").exists() == (night == 1)
    run_night(str(inbox), str(tmp_path / "once"), as_of=as_of, draw=False)
    assert_equal_tables(tmp_path / "nightly", tmp_path / "once")
    store = Store.open(str(tmp_path / "nightly"))
    assert verify(store).problems == ()
    seen = store.snapshot().trace("ST-07")["time"]
    gaps = seen.diff().dropna()
    longest = (trace["time"].sort_values().diff().dropna()).max()
    assert gaps.max() == longest  # no hour is lost or there twice
    middle = f"{first + pd.Timedelta(days=3):%Y-%m-%d}"
    for args in (
        ["status", "--as-of", middle],
        ["table", "cycles", "--since", middle],
        ["forget", "--before", middle, "--dry-run"],
        ["report", "--as-of", middle],
    ):
        result = CliRunner().invoke(cli, [*args, "--store", str(tmp_path / "nightly")])
        assert result.exit_code == 0, result.output
