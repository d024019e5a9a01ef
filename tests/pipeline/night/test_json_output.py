"""Every command prints one JSON document, and nothing else on stdout, when asked for."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
from chamberdrift.fixtures.fleet_files import write_fleet
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.moment import now
from chamberdrift.pipeline.store import Store
from click.testing import CliRunner

from .conftest import Fleet

WITHOUT = {"demo"}
"""Takes minutes; its JSON is looked at in its own test."""


def test_each_command_speaks_json(store_copy: Path, fleet: Fleet, tmp_path: Path) -> None:
    store, end = str(store_copy), fleet.end.isoformat()
    truth = tmp_path / "truth"
    write_fleet(fleet.plan, truth)
    inbox = truth / "inbox"
    export = next(p for p in sorted(inbox.glob("*/**/*.*")) if p.is_file())
    units = tmp_path / "units.csv"
    unit = fleet.units[0].unit
    units.write_text(f"unit_id,site\n{unit.id},{unit.site}\n", encoding="utf-8")
    cycle = str(Store.open(store).snapshot().table("cycles")["cycle_id"].iloc[0])
    later = (now() + pd.Timedelta(days=9)).isoformat()
    settings = (store_copy / "chamberdrift.toml").read_text(encoding="utf-8")
    settings += '\n[[site]]\nid = "far"\nzone = "UTC"\n'
    (store_copy / "chamberdrift.toml").write_text(settings, encoding="utf-8")
    calls = {
        "status": ["--as-of", end],
        "show": [unit.id, "--as-of", end],
        "table": ["flags"],
        "probe": [str(export), "--inbox", str(inbox)],
        "defer": ["f-service", "--until", later, "--reason", "ordered"],
        "service": [unit.id, "--part", "heater", "--action", "checked", "--time", end],
        "report": ["--cycle", cycle, "--as-of", end],
        "extract": [],
        "judge": ["--as-of", end],
        "ingest": [str(inbox)],
        "nightly": [str(inbox), "--as-of", end, "--no-reports"],
        "evaluate": [str(truth), "--as-of", end],
        "move": [unit.id, "--site", "far"],
        "retire": [unit.id],
        "init": ["--zone", "UTC"],
        "import-units": [str(units)],
        "forget": ["--before", "2020-01-01", "--dry-run"],
        "compact": [],
        "verify": [],
        "simulate": [str(tmp_path / "small"), "--units", "1", "--days", "1", "--seed", "1"],
    }
    assert set(calls) | WITHOUT == set(cli.commands)
    for name, args in calls.items():
        where = [] if name == "simulate" else ["--store", store]
        result = CliRunner().invoke(cli, [name, *args, *where, "--json", "--workers", "1"])
        # the fixture's samples came from no export: verify finds that, and says it in JSON
        expected = (1,) if name == "verify" else (0, 3)
        assert result.exit_code in expected, f"{name}: {result.output}"
        assert json.loads(result.stdout) is not None, name
