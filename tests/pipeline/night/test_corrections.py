"""What a calibration found is added once, from its day on, and can be seen."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chamberdrift.pipeline.corrections import corrected, corrections_of, with_amounts
from chamberdrift.pipeline.night import run_extract, run_judge
from chamberdrift.pipeline.provenance import origins
from chamberdrift.pipeline.settings import read_settings, settings_text, write_settings
from chamberdrift.pipeline.status import show_unit
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.table_export import export_table
from chamberdrift.pipeline.views import traces
from chamberdrift.reports.corrected import in_words
from chamberdrift.shared.config import Config, Correction
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.config_template import render_config
from chamberdrift.shared.errors import ConfigError
from chamberdrift.shared.schema import CYCLES, TRACES

from .conftest import Fleet


def samples(logger: str = "L1") -> pd.DataFrame:
    times = pd.to_datetime(["2026-03-01", "2026-03-02", "2026-03-03"], utc=True)
    return TRACES.conform(
        pd.DataFrame(
            {
                "unit_id": "A",
                "logger_id": logger,
                "time": times.astype("datetime64[ms, UTC]"),
                "temperature_c": [120.0, 121.0, 122.0],
                "pressure_kpa": [200.0, np.nan, 210.0],
                "source": "x",
            }
        )
    )


def day(number: int) -> datetime:
    return datetime(2026, 3, number, tzinfo=UTC)


def test_it_is_added_from_its_day_to_its_day_and_adds_up() -> None:
    trace = samples()
    out = corrected(
        trace,
        [
            Correction(unit="A", add_k=0.5, start=day(2)),
            Correction(logger="L1", add_k=-0.2, add_kpa=1.5, start=day(3), end=day(4)),
            Correction(logger="other", add_k=9.0),
        ],
    )
    assert out["temperature_c"].tolist() == pytest.approx([120.0, 121.5, 122.3])
    assert out["pressure_kpa"].tolist() == pytest.approx([200.0, np.nan, 211.5], nan_ok=True)
    assert trace["temperature_c"].tolist() == [120.0, 121.0, 122.0]  # never changed in place


def test_the_end_is_the_first_moment_after() -> None:
    out = corrected(samples(), [Correction(unit="A", add_k=1.0, start=day(2), end=day(3))])
    assert out["temperature_c"].tolist() == [120.0, 122.0, 122.0]


def test_only_what_may_concern_a_unit_does() -> None:
    config = Config(
        corrections=(Correction(unit="A"), Correction(unit="B"), Correction(logger="L1"))
    )
    assert [c.unit or c.logger for c in corrections_of(config, "A")] == ["A", "L1"]
    assert [c.unit or c.logger for c in corrections_of(config, "A", ["L2"])] == ["A"]


def test_cycles_say_what_was_added() -> None:
    cycles = CYCLES.empty()
    assert with_amounts(cycles, [Correction(unit="A", add_k=1.0)]) is cycles


@pytest.mark.parametrize(
    ("toml", "found"),
    [
        ('unit = "A"', "adds nothing"),
        ("add_k = 0.3", "names no logger and no unit"),
        ('unit = "A"\nadd_k = 30', "outside -10 to 10"),
        ('unit = "A"\nadd_k = 1\nfrom = 2026-03-02T00:00:00Z\nto = 2026-03-01T00:00:00Z', "later"),
        ('unit = "A"\nadd_q = 1', "did you mean 'add_k'?"),
    ],
)
def test_a_mistake_is_named(toml: str, found: str) -> None:
    with pytest.raises(ConfigError, match="line ") as caught:
        parse_config(f"[[correction]]\n{toml}\n")
    assert found in str(caught.value)


def test_it_is_written_and_read_back() -> None:
    one = Correction("L1", "", -0.3, 1.2, "temperature2_c", day(1), day(9), "certificate 2026-118")
    config = Config(corrections=(one,))
    assert parse_config(render_config(config)).corrections == (one,)
    said = "-0.3 K and +1.2 kPa added to what logger L1 recorded as the second temperature from"
    assert in_words(one).startswith(said)


def test_cycles_are_found_anew_in_corrected_samples(store_copy: Path, fleet: Fleet) -> None:
    store = Store.open(str(store_copy))
    unit = next(u for u in fleet.units if u.trace["pressure_kpa"].notna().any())
    name = unit.unit.id
    before = store.snapshot().table("cycles", units=[name])
    middle = before["started_at"].iloc[len(before) // 2]
    text = (settings_text(store.place) or "") + (
        f'\n[[correction]]\nunit = "{name}"\nadd_k = 0.4\nfrom = {middle:%Y-%m-%dT%H:%M:%SZ}\n'
    )
    write_settings(store.place, text)
    done = run_extract(str(store_copy))
    assert done.units == (name,)  # the others' cycles stand
    run_judge(str(store_copy), as_of=fleet.end)
    snapshot = store.snapshot()
    after = snapshot.table("cycles", units=[name])
    later = (after["started_at"] >= middle).to_numpy()
    assert after["correction_k"].isna().tolist() == (~later).tolist()
    assert (after.loc[later, "correction_k"] == 0.4).all()
    both = before.merge(after, on="cycle_id", suffixes=("", "_after"))
    rise = (both["exposure_max_c_after"] - both["exposure_max_c"]).to_numpy()
    own = (both["started_at"] >= middle).to_numpy()
    assert np.nanmax(np.abs(rise[~own])) == 0.0
    assert np.nanmedian(rise[own]) == pytest.approx(0.4, abs=1e-9)
    stored = snapshot.trace(name)
    pd.testing.assert_frame_equal(stored, store.snapshot().trace(name))
    original = fleet.units[[u.unit.id for u in fleet.units].index(name)].trace
    assert stored["temperature_c"].tolist() == pytest.approx(original["temperature_c"].tolist())
    config = read_settings(store.place)
    cycle = after[later].iloc[0]
    drawn = traces(snapshot, config, name)(str(cycle["cycle_id"]))
    raw = snapshot.trace(name, drawn["time"].iloc[0], drawn["time"].iloc[-1])
    inside = (drawn["time"] >= middle).to_numpy()
    shift = (drawn["temperature_c"] - raw["temperature_c"]).to_numpy()
    assert shift[inside] == pytest.approx(0.4)
    assert shift[~inside] == pytest.approx(0.0)
    origin = origins(store, str(store_copy), config, name, drawn["time"].iloc[-1])[0]
    assert origin.value == raw["temperature_c"].iloc[-1]
    assert origin.correction.startswith("+0.4 K added to what its logger recorded from")
    assert "Corrected: +0.4 K" in show_unit(str(store_copy), name, as_of=fleet.end).text()
    row = json.loads(export_table(str(store_copy), "cycles", "json", units=[name]))[-1]
    assert row["correction_k"] == 0.4
    again = run_extract(str(store_copy))
    assert again.units == ()  # added once, however often it runs
