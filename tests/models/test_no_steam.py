"""A chamber heated without steam is outside, whatever its temperature."""

from __future__ import annotations

import pandas as pd
from chamberdrift.models.verdicts import verdicts
from chamberdrift.shared.config import Limits


def test_dry_heat_is_outside() -> None:
    cycles = pd.DataFrame(
        {
            "cycle_id": ["a", "b"],
            "unit_id": ["u", "u"],
            "kind": ["sterilization", "sterilization"],
            "completion": ["aborted", "aborted"],
            "plateau_c": [122.4, 122.4],
            "null_reasons": [
                '{"exposure_s": "no_steam", "setpoint_c": "no_steam"}',
                '{"exposure_s": "set_point_not_reached"}',
            ],
        }
    )
    found = verdicts(cycles, Limits())
    assert found["verdict"].tolist() == ["outside", "incomplete"]
    assert "without steam" in found["verdict_reason"].iloc[0]
