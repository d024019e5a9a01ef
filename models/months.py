"""Event time as days since 1970 (UTC), and the calendar points of refits."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAY_MS: Final = 86_400_000.0


def to_days(times: pd.Series) -> FloatArray:
    """Return times as days since 1970, NaN where missing."""
    stamps = pd.to_datetime(times, utc=True)
    plain = stamps.dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
    values = plain.astype(np.int64).astype(np.float64) / DAY_MS
    return np.asarray(np.where(np.isnat(plain), np.nan, values))


def day_of(moment: pd.Timestamp) -> float:
    """Return one time as days since 1970; a time without a zone is UTC."""
    aware = moment.tz_localize("UTC") if moment.tzinfo is None else moment
    return float(to_days(pd.Series([aware]))[0])


def stamp(days: float | None) -> pd.Timestamp | None:
    """Return a time in days as a timestamp, None for none."""
    if days is None or math.isnan(days):
        return None
    return pd.Timestamp(round(days * DAY_MS), unit="ms", tz="UTC")


def stamps(days: list[float | None]) -> pd.Series:
    """Return times in days as a ``datetime64[ms, UTC]`` series."""
    ms = [pd.NaT.value if d is None or math.isnan(d) else round(d * DAY_MS) for d in days]
    plain = pd.Series(np.array(ms, dtype=np.int64).astype("datetime64[ms]"))
    return plain.dt.tz_localize("UTC")


def month_of(days: FloatArray) -> IntArray:
    """Return months since 1970 of times in days."""
    moments = (days * DAY_MS).round().astype(np.int64).astype("datetime64[ms]")
    return np.asarray(moments.astype("datetime64[M]").astype(np.int64))


def month_start(code: int) -> float:
    """Return the start of a month in days since 1970."""
    return float(np.datetime64(code, "M").astype("datetime64[D]").astype(np.int64))


def month_stamp(code: int) -> pd.Timestamp:
    """Return the start of a month as a timestamp."""
    return pd.Timestamp(int(month_start(code) * DAY_MS), unit="ms", tz="UTC")


def month_name(code: int) -> str:
    """Return ``2026-03`` of a month's number."""
    return f"{1970 + code // 12:04d}-{code % 12 + 1:02d}"
