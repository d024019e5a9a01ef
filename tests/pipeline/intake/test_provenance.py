"""A stored sample leads back to its export and line."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline import ingest
from chamberdrift.pipeline.ingest.read import read_export
from chamberdrift.pipeline.provenance import origins
from chamberdrift.shared.errors import ChamberdriftError


@pytest.fixture
def real(clinic: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """A clinic with the package's own reader."""
    monkeypatch.setattr(ingest, "read_export", read_export)
    return clinic


def put(clinic: Any, name: str, channel: str, start: str, values: list[float]) -> list[str]:
    at = pd.date_range(start, periods=len(values), freq="10s")
    lines = ["logger export", "", f"unit,time (UTC),{channel}"]
    lines += [f"u1,{t:%Y-%m-%d %H:%M:%S},{v:.1f}" for t, v in zip(at, values, strict=True)]
    clinic.write(name, ("\n".join(lines) + "\n").encode())
    return lines


def test_each_channel_leads_to_its_line(real: Any) -> None:
    n = 120
    warm = [20 + 0.1 * k for k in range(n)]
    pressure = [101.3 + 0.1 * k for k in range(n)]
    one = put(real, "t/a.csv", "temperature (°C)", "2026-01-05 08:00:00", warm)
    two = put(real, "p/b.csv", "pressure (kPa absolute)", "2026-01-05 08:10:00", pressure)
    result = real.night()
    assert result.counts["accepted"] == 2, result.refusals
    texts = {"t/a.csv": one, "p/b.csv": two}
    for minute in (0, 10, 15, 25):
        moment = pd.Timestamp("2026-01-05 08:00", tz="UTC") + pd.Timedelta(minutes=minute)
        found = origins(real.store, str(real.inbox), real.config, "u1", moment)
        assert len(found) == (2 if 10 <= minute < 20 else 1)
        for origin in found:
            assert origin.first_line == origin.last_line
            assert origin.first_line is not None
            line = texts[origin.export][origin.first_line - 1]
            assert f"{moment:%Y-%m-%d %H:%M:%S}" in line
            assert line.endswith(f",{origin.value:.1f}")


def test_what_cannot_be_traced_is_said(real: Any) -> None:
    put(real, "a.csv", "temperature (°C)", "2026-01-05 08:00:00", [20.0] * 30)
    real.night()
    moment = pd.Timestamp("2026-01-05 08:00", tz="UTC")
    with pytest.raises(ChamberdriftError, match="no sample at"):
        origins(real.store, str(real.inbox), real.config, "u1", moment - pd.Timedelta("1s"))
    (real.inbox / "a.csv").write_text("other bytes")
    (origin,) = origins(real.store, str(real.inbox), real.config, "u1", moment)
    assert origin.export == "a.csv"
    assert origin.first_line is None
    assert "no longer in the inbox" in origin.note
