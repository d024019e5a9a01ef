"""Every shape comes back with its known values, or is refused for the known reason."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.pipeline.ingest import read_export
from chamberdrift.shared.errors import ExportRefusedError

from .shapes import all_shapes
from .truth import Shape

SHAPES = all_shapes()


@pytest.mark.parametrize("shape", SHAPES, ids=[s.name for s in SHAPES])
def test_a_shape_reads_right_or_is_refused(shape: Shape) -> None:
    check(shape)


def check(shape: Shape) -> None:
    if shape.cause:
        with pytest.raises(ExportRefusedError) as caught:
            read_export(shape.data, name=shape.file, config=shape.config)
        assert caught.value.cause == shape.cause, caught.value.message
        assert shape.says in caught.value.message
        return
    assert shape.truth is not None
    reading = read_export(shape.data, name=shape.file, config=shape.config)
    frame = reading.table().to_pandas()
    assert reading.unit_ids == tuple(shape.unit.split(","))
    assert reading.rows_read == reading.rows_kept + reading.rows_dropped
    assert reading.dropped_by_reason == shape.dropped
    if len(reading.unit_ids) > 1:
        frame = frame[frame["unit_id"] == reading.unit_ids[0]]
    ms = frame["time"].astype("int64").to_numpy()
    assert np.array_equal(ms, shape.truth.ms)
    np.testing.assert_allclose(frame["temperature_c"], shape.truth.t, atol=shape.tolerance_k)
    if shape.pressure:
        np.testing.assert_allclose(frame["pressure_kpa"], shape.truth.p, atol=shape.tolerance_kpa)
        assert bool(frame["atmosphere_assumed"].any()) == shape.assumed
    else:
        assert frame["pressure_kpa"].isna().all()
    if shape.load:
        np.testing.assert_allclose(
            frame["temperature2_c"], shape.truth.load, atol=shape.tolerance_k
        )
    else:
        assert frame["temperature2_c"].isna().all()
