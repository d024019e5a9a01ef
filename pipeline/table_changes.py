"""Publish a judged table: only the stretch of each unit that differs from before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ..shared.schema import Table

if TYPE_CHECKING:
    from .store import Txn


def changed_keys(old: pd.DataFrame, new: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Return the keys of rows that are new, gone or different.

    Parameters
    ----------
    old, new
        Tables with equal columns.
    key
        What makes a row unique.
    """
    if not len(old) and not len(new):
        return new[key]
    tables = [t.reset_index(drop=True) for t in (old, new)]
    hashes = [pd.util.hash_pandas_object(t.astype(_plain(t)), index=False) for t in tables]
    marked = [t[key].assign(_hash=h) for t, h in zip(tables, hashes, strict=True)]
    both = marked[0].merge(marked[1], on=key, how="outer", suffixes=("_old", "_new"))
    same = both["_hash_old"].notna() & (both["_hash_old"] == both["_hash_new"])
    return both.loc[~same, key].reset_index(drop=True)


def publish_since(
    txn: Txn,
    table: Table,
    old: pd.DataFrame,
    new: pd.DataFrame,
    times: tuple[pd.Series, pd.Series],
) -> list[str]:
    """Replace each unit's rows from its first difference on; return the units that differ.

    Parameters
    ----------
    times
        The time of each row of ``old`` and of ``new``, as the store orders them.
    """
    if old.equals(new):
        return []
    key = list(table.key)
    changed = changed_keys(old, new, key)
    if not len(changed):
        return []
    stamped = [
        frame[[*key, *([] if "unit_id" in key else ["unit_id"])]].assign(
            _time=pd.DatetimeIndex(time)
        )
        for frame, time in zip((old, new), times, strict=True)
    ]
    where = pd.concat(stamped, ignore_index=True).merge(changed, on=key, how="inner")
    since = where.groupby("unit_id", sort=True)["_time"].min()
    first = new["unit_id"].map(since)
    rows = new[(pd.DatetimeIndex(times[1]) >= pd.DatetimeIndex(first)) & first.notna().to_numpy()]
    none = new.iloc[:0]
    for unit, moment in since.items():
        txn.replace_since(table.name, str(unit), moment, none)
    txn.append(table.name, rows)
    return [str(u) for u in since.index]


def _plain(frame: pd.DataFrame) -> dict[str, str]:
    """Return the conversions that make equal rows hash equally, nullable types included."""
    kinds: dict[str, str] = {}
    for name, dtype in frame.dtypes.items():
        if isinstance(dtype, pd.StringDtype):
            kinds[str(name)] = "object"
        elif pd.api.types.is_bool_dtype(dtype) or isinstance(dtype, pd.Int64Dtype):
            kinds[str(name)] = "Float64"
    return kinds
