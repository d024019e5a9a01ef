"""Temperature and pressure of one unit from two loggers, each with a clock of its own.

Values of two clocks are put side by side only once it is known that the clocks agree, or
what one lacks. The first heat-ups tell: saturated steam has one temperature at one
pressure. Where they agree, pressure is laid on the temperature's times. Where they don't,
pressure stays away from temperature until ``[[clock]]`` says what to add: a lag can also
be a probe in a dead corner or air that stayed behind, and moving the clock would hide it.
Stored samples stay as they were recorded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Clock, Config
from ..shared.schema import TRACES
from ..shared.steam import t_sat_c

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STATE: Final = "logger_pairs"
"""The document that tells which units have two loggers, and how their clocks stand."""
SOURCES: Final = "channel_sources"
LEVELS_C: Final = (106.0, 108.0, 110.0, 112.0)
"""Where a heat-up is timed: under steam, below any exposure (no source)."""
HELD_S: Final = 150.0
"""A rise counts where it stays above the last level that long; pulses do not (no source)."""
NEAR_S: Final = 1800.0
"""Heat-ups of the two loggers that are further apart are not the same one (no source)."""
HEAT_UPS: Final = 3
"""Heat-ups that decide, the first ones: what comes later does not change the reading."""
AGREE_S: Final = 20.0
"""Clocks that differ by less agree: a sleeve's lag is of that size (no source)."""
STEADY_S: Final = 30.0
"""Lags that scatter by more are no clock's (no source)."""
LAID_GAP_S: Final = 120.0
"""Pressure is laid on a time between two of its samples that are no further apart."""
RECENT: Final = 5
WARM_C: Final = 60.0
LEAST_SINGLE: Final = 30
MIXED_K: Final = 0.5
"""So many single warm rows of one export between another's that lie on average so far to one
side are a second probe (no source)."""
OTHERS: Final = ("temperature2_c", "current_a", "mains_v", "ambient_c")


@dataclass(frozen=True)
class Pair:
    """How the two clocks at a unit stand."""

    state: str
    """``told`` by the configuration, ``agree``, ``differ``, ``open`` (too few heat-ups), or
    ``mixed``: two loggers' temperatures stand in one channel."""
    lag_s: float | None
    """What the first heat-ups show: pressure after temperature [s]."""
    spread_s: float | None
    recent_s: float | None
    """What is left between them in the last heat-ups, once moved [s]."""
    heat_ups: int
    loggers: tuple[str, ...] = ()
    """Of mixed temperatures, where they are known."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a document holds it."""
        return {**asdict(self), "loggers": list(self.loggers)}

    @classmethod
    def from_json(cls, held: Mapping[str, Any] | None) -> Pair | None:
        """Read it from a document."""
        if held is None:
            return None
        return cls(**{**held, "loggers": tuple(held.get("loggers", ()))})

    @property
    def usable(self) -> bool:
        """Whether pressure may stand beside temperature."""
        return self.state in ("told", "agree")


def clocks_of(config: Config, unit_id: str) -> tuple[Clock, ...]:
    """Return what the configuration tells of a unit's clocks; entries that name it alone win."""
    own = tuple(c for c in config.clocks if c.unit == unit_id)
    return own or tuple(c for c in config.clocks if not c.unit)


def reach(clocks: Sequence[Clock]) -> pd.Timedelta:
    """Return how far beside a span pressure may lie that belongs to it."""
    most = max((abs(c.add_s) for c in clocks), default=0.0)
    return pd.Timedelta(seconds=most + 2 * LAID_GAP_S)


def paired(
    trace: pd.DataFrame, clocks: Sequence[Clock], known: Pair | None = None
) -> tuple[pd.DataFrame, Pair | None]:
    """Put samples of two loggers together where their clocks allow it.

    Parameters
    ----------
    trace
        Samples of one unit in the columns of TRACES, and ``channel_sources`` where there is any.
    clocks
        What the configuration tells, as ``clocks_of`` gives it.
    known
        What an earlier run settled; None: the trace's first heat-ups decide.

    Returns
    -------
    tuple
        Samples in the columns of TRACES, and how the clocks stand; ``known`` where the
        trace holds no pressure from exports of its own.
    """
    apart = _apart(trace)
    plain = trace.drop(columns=SOURCES) if SOURCES in trace else trace
    mixed = _mixed(trace)
    if mixed is not None:
        return plain, mixed
    if not apart.any():
        return plain, None if known is not None and known.state == "mixed" else known
    at_s = trace["time"].astype("int64").to_numpy() / 1000.0
    added = _added_s(at_s, clocks)
    moved_s = np.where(np.isnan(added), at_s, at_s + added)
    celsius = trace["temperature_c"].to_numpy(dtype=np.float64, na_value=np.nan)
    kpa = trace["pressure_kpa"].to_numpy(dtype=np.float64, na_value=np.nan)
    warm = ~np.isnan(celsius)
    boiling = t_sat_c(np.clip(kpa[apart], 1.0, 1000.0))
    lags = lags_s(at_s[warm], celsius[warm], at_s[apart], boiling)
    rest = lags_s(at_s[warm], celsius[warm], moved_s[apart], boiling) if clocks else lags
    told = ~np.isnan(added[apart])
    if told.all():
        pair = _pair("told", lags, rest)
    elif known is not None and known.state in ("agree", "differ"):
        pair = Pair(known.state, known.lag_s, known.spread_s, _recent(rest), known.heat_ups)
    else:
        pair = _pair(_judged(lags), lags, rest)
    allowed = apart & (~np.isnan(added) if not pair.usable else True)
    return _laid(plain, apart, allowed, moved_s), pair


def lags_s(
    warm_s: FloatArray, celsius: FloatArray, steam_s: FloatArray, boiling_c: FloatArray
) -> FloatArray:
    """Return by how much steam's temperature rises after the recorded one, each heat-up [s].

    Parameters
    ----------
    warm_s, celsius
        Times and recorded temperatures, shape (n,), by time.
    steam_s, boiling_c
        Times of pressure and its saturation temperature, shape (m,), by time.

    Returns
    -------
    ndarray
        Shape (k,), by time: the median over four levels, of the heat-ups that both show.
    """
    a, b = _heat_ups(warm_s, celsius), _heat_ups(steam_s, boiling_c)
    if not len(a) or not len(b):
        return np.empty(0)
    apart = b[None, :, -1] - a[:, None, -1]
    nearest = np.abs(apart).argmin(axis=1)
    rows = np.arange(len(a))
    mutual = np.abs(apart).argmin(axis=0)[nearest] == rows
    close = mutual & (np.abs(apart[rows, nearest]) <= NEAR_S)
    found: FloatArray = np.median(b[nearest[close]] - a[close], axis=1)
    return found


def words(unit_id: str, pair: Pair) -> str:
    """Return what is to be said about a pair of loggers; empty where nothing is."""
    if pair.state == "mixed":
        named = [x for x in pair.loggers if x]
        which = f" ({' and '.join(named)})" if len(named) > 1 else ""
        return (
            f"two loggers{which} record a temperature of {unit_id} at once, and both stand in one "
            "channel: cycles are found in a mixture. Give the second one's column another channel "
            'in a [[layout]] for its files: columns = { "its header" = "temperature2_c" } (or '
            '"ignore")'
        )
    begin = f"temperature and pressure of {unit_id} come from two loggers"
    if pair.state == "open":
        return (
            f"{begin}, and fewer than {HEAT_UPS} heat-ups show whether their clocks agree: "
            f"pressure is not used until then. Or tell it in three lines: {_toml(unit_id, 0.0)}"
        )
    if pair.state == "differ" and pair.lag_s is not None:
        lines = _toml(unit_id, -pair.lag_s)
        if pair.spread_s is not None and pair.spread_s > STEADY_S:
            return (
                f"{begin}, and by {pair.heat_ups} heat-ups their clocks differ unsteadily, by "
                f"about {pair.lag_s:.0f} s and {pair.spread_s:.0f} s more or less: pressure is "
                f"not used. Set both clocks, or tell in three lines what to add: {lines}"
            )
        way = "ahead of" if pair.lag_s > 0 else "behind"
        return (
            f"{begin}, and by {pair.heat_ups} heat-ups the pressure logger's clock is "
            f"{abs(pair.lag_s):.0f} s {way} the temperature logger's: pressure is not used until "
            f"chamberdrift.toml says in three lines what to add to its times: {lines} "
            "(add_s = 0 where both clocks were right)"
        )
    if pair.usable and pair.recent_s is not None and abs(pair.recent_s) > AGREE_S:
        return (
            f"{begin}, and in the last heat-ups pressure rises {abs(pair.recent_s):.0f} s "
            f"{'after' if pair.recent_s > 0 else 'before'} temperature, once moved as told: the "
            "clocks drift apart, or the probe lags; set both clocks and add a [[clock]] entry "
            "with from"
        )
    return ""


def in_words(clock: Clock) -> str:
    """Return an entry as a person reads it."""
    since = f" from {clock.start:%Y-%m-%d}" if clock.start else ""
    until = f" to {clock.end:%Y-%m-%d}" if clock.end else ""
    note = f" ({clock.note})" if clock.note else ""
    return f"{clock.add_s:+g} s added to the times of its pressure logger{since}{until}{note}"


def all_pairs(documents: Mapping[str, Any] | None) -> dict[str, Pair]:
    """Return every unit with two loggers, from the store's document."""
    held = (documents or {}).items()
    return {str(u): p for u, d in held if (p := Pair.from_json(d)) is not None}


def said_of(pairs: Mapping[str, Pair], units: Iterable[str]) -> list[str]:
    """Return what is to be said of some units' loggers."""
    return [text for u in sorted(units) if u in pairs and (text := words(u, pairs[u]))]


def _toml(unit_id: str, add_s: float) -> str:
    from ..shared.config_template import toml_value

    return f"[[clock]] / unit = {toml_value(unit_id)} / add_s = {round(add_s)}"


def _mixed(trace: pd.DataFrame) -> Pair | None:
    """Return the fact that two loggers' temperatures stand in one channel, or None.

    Single rows of one export between rows of another, that lie to one side of them: rows of
    an export that was sent again lie between them too, but on their line.
    """
    warm = trace["temperature_c"].to_numpy(dtype=np.float64, na_value=np.nan)
    has = ~np.isnan(warm)
    codes = pd.factorize(trace["source"])[0]
    code, celsius = (codes, warm) if has.all() else (codes[has], warm[has])
    if len(code) < 3:
        return None
    single = (code[1:-1] != code[:-2]) & (code[:-2] == code[2:]) & (celsius[1:-1] > WARM_C)
    if int(single.sum()) < LEAST_SINGLE:
        return None
    off = celsius[1:-1] - (celsius[:-2] + celsius[2:]) / 2.0
    logger = trace["logger_id"].fillna("").to_numpy(dtype=object)[has]
    for k in np.unique(code[1:-1][single]):
        own = single & (code[1:-1] == k)
        if int(own.sum()) >= LEAST_SINGLE and abs(float(np.median(off[own]))) > MIXED_K:
            at = np.flatnonzero(own)
            both = {*map(str, logger[at + 1]), *map(str, logger[at])}
            return Pair("mixed", None, None, None, 0, tuple(sorted(both)))
    return None


def _apart(trace: pd.DataFrame) -> BoolArray:
    """Return the rows whose pressure comes from exports that bring no temperature."""
    none = np.zeros(len(trace), dtype=bool)
    has_p = trace["pressure_kpa"].notna().to_numpy()
    has_t = trace["temperature_c"].notna().to_numpy()
    mixed = trace[SOURCES].notna().to_numpy() if SOURCES in trace else none
    if not ((has_p & ~has_t).any() or (has_p & mixed).any()) or not has_t.any():
        return none
    source = trace["source"].fillna("").to_numpy(dtype=object)
    of_t, of_p = source.copy(), source.copy()
    if mixed.any():
        texts = trace[SOURCES].fillna("").to_numpy(dtype=object)
        for text in set(texts[mixed]):
            pairs = dict(p.partition("=")[::2] for p in str(text).split(","))
            own = mixed & (texts == text)
            of_t[own] = pairs.get("temperature_c", "") or of_t[own]
            of_p[own] = pairs.get("pressure_kpa", "") or of_p[own]
    with_t = set(of_t[has_t])
    return has_p & ~np.isin(of_p.astype(str), sorted(map(str, with_t)))


def _added_s(at_s: FloatArray, clocks: Sequence[Clock]) -> FloatArray:
    """Return what is added at each time; NaN where nothing is told."""
    added = np.full(len(at_s), np.nan)
    for c in clocks:
        low = -np.inf if c.start is None else c.start.timestamp()
        high = np.inf if c.end is None else c.end.timestamp()
        added[(at_s >= low) & (at_s < high)] = c.add_s
    return added


def _heat_ups(at_s: FloatArray, celsius: FloatArray) -> FloatArray:
    """Return when each heat-up passes the levels, shape (k, levels), by time."""
    found = []
    above = celsius > LEVELS_C[-1]
    edges = np.flatnonzero(above[1:] != above[:-1]) + 1
    bounds = np.concatenate([[0], edges, [len(celsius)]])
    for first, end in pairwise(bounds):
        if first == 0 or not above[first] or at_s[end - 1] - at_s[first] < HELD_S:
            continue
        times = [_passed(at_s, celsius, first, level) for level in LEVELS_C]
        if all(t is not None for t in times):
            found.append(times)
    return np.array(found, dtype=np.float64).reshape(-1, len(LEVELS_C))


def _passed(at_s: FloatArray, celsius: FloatArray, first: int, level: float) -> float | None:
    """Return when a level was passed last before a sample, or None where a gap hides it."""
    low = max(0, first - 4000)
    below = np.flatnonzero(celsius[low:first] <= level)
    if not len(below):
        return None
    i = low + int(below[-1])
    if at_s[i + 1] - at_s[i] > LAID_GAP_S:
        return None
    share = (level - celsius[i]) / (celsius[i + 1] - celsius[i])
    return float(at_s[i] + share * (at_s[i + 1] - at_s[i]))


def _judged(lags: FloatArray) -> str:
    if len(lags) < HEAT_UPS:
        return "open"
    lag, spread = _middle(lags[:HEAT_UPS])
    return "agree" if abs(lag) <= AGREE_S and spread <= STEADY_S else "differ"


def _pair(state: str, lags: FloatArray, rest: FloatArray) -> Pair:
    used = lags[:HEAT_UPS]
    if not len(used):
        return Pair(state, None, None, None, 0)
    lag, spread = _middle(used)
    return Pair(state, round(lag, 1), round(spread, 1), _recent(rest), len(used))


def _middle(lags: FloatArray) -> tuple[float, float]:
    lag = float(np.median(lags))
    return lag, float(np.abs(lags - lag).max())


def _recent(lags: FloatArray) -> float | None:
    return round(float(np.median(lags[-RECENT:])), 1) if len(lags) >= HEAT_UPS else None


def _laid(
    trace: pd.DataFrame, apart: BoolArray, allowed: BoolArray, moved_s: FloatArray
) -> pd.DataFrame:
    """Return samples with the pressure logger's values on the temperature's times.

    Rows of the pressure logger alone go; where its clock is not known, its pressure too.
    """
    out = trace.copy()
    has_t = trace["temperature_c"].notna().to_numpy()
    at_s = trace["time"].astype("int64").to_numpy() / 1000.0
    for column in ("pressure_kpa", *OTHERS):
        values = trace[column].to_numpy(dtype=np.float64, na_value=np.nan)
        own = apart if column == "pressure_kpa" else apart & ~has_t
        theirs = own & allowed & ~np.isnan(values)
        if column != "pressure_kpa" and not theirs.any():
            continue
        laid = _interpolated(at_s, moved_s[theirs], values[theirs])
        kept = np.where(own, np.nan, values)
        out[column] = np.where(np.isnan(kept), laid, kept)
    steam = np.flatnonzero(allowed)
    empty = out["pressure_kpa"].isna().to_numpy()
    if len(steam):
        order = steam[np.argsort(moved_s[steam], kind="stable")]
        near = order[np.clip(np.searchsorted(moved_s[order], at_s), 0, len(order) - 1)]
        from_pair = ~empty & (apart | trace["pressure_kpa"].isna().to_numpy())
        for column in ("atmosphere_kpa", "atmosphere_assumed"):
            out[column] = out[column].where(
                ~from_pair, trace[column].iloc[near].set_axis(out.index)
            )
    for column in ("atmosphere_kpa", "atmosphere_assumed"):
        out.loc[empty, column] = None
    return TRACES.conform(out[has_t | ~apart].reset_index(drop=True))


def _interpolated(at_s: FloatArray, given_s: FloatArray, values: FloatArray) -> FloatArray:
    """Return values at other times, NaN where those given are too far apart."""
    if len(given_s) < 2:
        return np.full(len(at_s), np.nan)
    order = np.argsort(given_s, kind="stable")
    given_s, values = given_s[order], values[order]
    after = np.searchsorted(given_s, at_s, side="left")
    inside = (after > 0) & (after < len(given_s))
    exact = np.isin(at_s, given_s)
    after = np.clip(after, 1, len(given_s) - 1)
    close = inside & (given_s[after] - given_s[after - 1] <= LAID_GAP_S)
    laid: FloatArray = np.where(close | exact, np.interp(at_s, given_s, values), np.nan)
    return laid
