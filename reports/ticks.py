"""Tick positions that a reader expects: round numbers, round dates, round clock steps."""

from __future__ import annotations

import math

import pandas as pd

from .moments import MONTHS, Clock

EPOCH = pd.Timestamp("1970-01-01", tz="UTC")


def days_of(times: pd.Series) -> pd.Series:
    """Return times as days since 1970 (UTC)."""
    return (times - EPOCH) / pd.Timedelta(days=1)


def day_of(when: pd.Timestamp) -> float:
    """Return one moment as days since 1970 (UTC)."""
    return float((when - EPOCH) / pd.Timedelta(days=1))


def number_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Return at most ``most`` round numbers inside [low, high]."""
    span = high - low
    if not math.isfinite(span) or span <= 0:
        return [low] if math.isfinite(low) else []
    step = 10.0 ** math.floor(math.log10(span / most))
    for factor in (1, 2, 2.5, 5, 10, 20):
        wide = step * factor
        first = math.ceil(low / wide - 1e-9)
        last = math.floor(high / wide + 1e-9)
        if last - first + 1 <= most:
            return [k * wide for k in range(first, last + 1)]
    return [low, high]


def tick_text(value: float, step: float) -> str:
    """Write a tick with the decimals its step needs."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    if step > 0 and abs(step * 10**decimals - round(step * 10**decimals)) > 1e-6:
        decimals += 1
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def date_ticks(
    low: float, high: float, clock: Clock, width_pt: float
) -> tuple[list[float], list[str]]:
    """Return local midnights as days since 1970 and their labels, not crowded."""
    start = clock.local(EPOCH + pd.Timedelta(days=low))
    end = clock.local(EPOCH + pd.Timedelta(days=high))
    most = max(2, int(width_pt // 46))
    span = max(high - low, 1e-6)
    for step in (1, 2, 7, 14):
        if span / step <= most:
            days = pd.date_range(start.normalize(), end.normalize(), freq=f"{step}D")
            return _marks(days, low, high, [clock.short_date(d) for d in days])
    for months in (1, 2, 3, 6, 12, 24, 60):
        if span / (30.44 * months) <= most:
            first = start.normalize().replace(day=1)
            days = pd.date_range(first, end.normalize(), freq="MS")
            chosen = days[(days.year * 12 + days.month - 1) % months == 0]
            labels = [
                f"{d.year}" if d.month == 1 or months >= 12 else MONTHS[d.month - 1]
                for d in chosen
            ]
            if chosen.size:
                return _marks(chosen, low, high, labels)
    return [low, high], [clock.date(start), clock.date(end)]


def _marks(
    days: pd.DatetimeIndex, low: float, high: float, labels: list[str]
) -> tuple[list[float], list[str]]:
    places = [day_of(d.tz_convert("UTC")) for d in days]
    kept = [(p, t) for p, t in zip(places, labels, strict=True) if low <= p <= high]
    return [p for p, _ in kept], [t for _, t in kept]
