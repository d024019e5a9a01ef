"""Features on the scale on which parts act."""

from __future__ import annotations

import numpy as np
import pandas as pd
from chamberdrift.models.sign_values import resolution_matrix, sign_matrix
from chamberdrift.models.signs import INDEX, RESOLUTION


def test_no_noise_at_all_is_not_seen_rather_than_very_little() -> None:
    frame = pd.DataFrame({"noise_k": [0.06, 1.7e-14, 0.0], "sample_interval_s": [1.0] * 3})
    seen = sign_matrix(frame)[:, INDEX["noise"]]
    assert np.isfinite(seen).tolist() == [True, False, False]


def test_a_leak_rate_brings_its_own_error() -> None:
    frame = pd.DataFrame({"leak_kpa_per_min": [0.05], "leak_se": [0.016]})
    error = RESOLUTION * resolution_matrix(frame)[0, INDEX["leak"]]
    assert abs(error - 0.016) < 1e-12
