"""A pressure under a header that no one understands: steam gives it away."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ...shared.steam import STANDARD_ATMOSPHERE_KPA
from .dialect import Table
from .numbers import decimal_in, to_numbers
from .physics_check import still
from .raw import Raw
from .refuse import layout_toml, quoted, refusal, toml_text
from .roles import Roles
from .steam_settles import likely_pressure, settle_temperature_unit

Float = NDArray[np.float64]


def refuse_hidden_pressure(
    raw: Raw, table: Table, roles: Roles, values: dict[int, Float], name: str
) -> None:
    """Refuse a table without a known pressure where an unknown column moves as steam does.

    Raises
    ------
    ExportRefusedError
        With cause ``channels``.
    """
    if any(c.kind == "pressure" for c in roles.channels):
        return
    temperature = next((c for c in roles.channels if c.name == "temperature_c"), None)
    if temperature is None:
        return
    t = values[temperature.column]
    unit = temperature.unit or settle_temperature_unit(t)[0]
    if not unit:
        return
    for k in roles.unknown:
        if k not in raw.columns:
            continue
        numbers = _numbers(raw.columns[k])
        if numbers is None or len(numbers) != len(t) or still(numbers):
            continue
        likely = likely_pressure(t, numbers, unit, STANDARD_ATMOSPHERE_KPA)
        if likely:
            own, _, reference = likely.partition(" ")
            pinned = "absolute" if reference == "absolute" else "vented_gauge"
            raise refusal(
                "channels",
                name,
                f"column {quoted(table.headers[k])} is not understood, but with the temperature "
                f"it would be steam in {likely}",
                "name it in a [[layout]], or pin it as ignored",
                line=table.header_line,
                question=f"Is column {quoted(table.headers[k])} the chamber's pressure in "
                f"{likely}? (else: ignore)",
                toml=layout_toml(
                    name,
                    f'columns = {{ {toml_text(table.headers[k])} = "pressure_kpa" }}',
                    f"pressure_unit = {toml_text(own)}",
                    f"pressure_reference = {toml_text(pinned)}",
                ),
            )


def _numbers(column: Any) -> Float | None:
    if pa.types.is_floating(column.type):
        return np.asarray(column.to_numpy(zero_copy_only=False), np.float64)
    mark = decimal_in(column)
    return None if mark is None else to_numbers(column, mark)[0]
