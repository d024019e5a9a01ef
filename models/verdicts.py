"""Each cycle against its program's limits: inside, outside or incomplete.

A recorded value is outside when it breaks a limit by more than the channel's
uncertainty, which is applied once; a verdict that rests on it says so. No word
here says that a load may be used.
"""

from __future__ import annotations

import json
from math import hypot, isnan, nan
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Limits
from ..shared.programs import (
    BAND_SOURCE,
    LEAK_SOURCE,
    SATURATION_SOURCE,
    Program,
    shortest_published_hold,
)
from .columns import flags, numbers, texts
from .kept import (
    COARSE_SAMPLES,
    GAP_INTERVALS,
    GAP_SAID_SHARE,
    LEAST_PROGRAM_C,
    kept_with_room,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

GAP_SHARE: Final = 0.25
"""Share of the hold that may lie in one gap before nothing is said (no source). A chamber may
fall out of its band and come back in minutes; of a shorter gap the verdict says how long it is."""

WHOLE_GAP_SHARE: Final = 0.5
WHOLE_SURPLUS_SHARE: Final = 0.1
"""The same where both ends of the hold were recorded and lie the program's time apart, and no more
than so much longer: a chamber that fell out of its band within the gap holds its timer up or
breaks off, and half of the hold is seen in its band (no source)."""

DRY_K: Final = 8.0
"""So far above the saturation limit a chamber had no steam, however short its record
(no source; sensors that lag and weather make a kelvin or two)."""

HOLD_MARGIN_INTERVALS: Final = 3.0
HOLD_MARGIN_LEAST_S: Final = 20.0
"""The recorded hold may miss up to one interval at each end, and one for noise at the limit:
of healthy cycles on tuning fleets 99.5 % miss no more. A probe's lag delays both ends alike,
but for where a slow exhaust begins (a blocked vent: 15 to 20 s)."""

LEAK_ERRORS: Final = 2.0
"""Standard errors of a leak rate that its limit is given (95 % of a normal error)."""

UNNAMED_LEAST: Final = 0.95
UNNAMED_MOST: Final = 0.9
"""Shares of a published hold and of the usual one between which a hold may be a program that
nobody named; a timer that drifts is seen before it gets there (no source)."""

NOISE_WIDTHS: Final = 3.0
"""The lowest of hundreds of samples lies about three standard deviations of noise down."""

NOISE_SHARE: Final = 0.15
"""Noise keeps no more than this share of a good hold beyond a limit; what stays there longer is
the chamber's and has the channel's uncertainty only (no source; noise of 2 K, 1 K inside the
limit, is beyond it for a third, but such a channel is a finding of its own)."""

TOO_NOISY_K: Final = 1.5
"""A channel this noisy doesn't show that a temperature was not reached (no source)."""

SWITCHING_S: Final = 20.0
"""From this interval on the heater's switching itself looks like noise (periods of 25 to 60 s)."""

HOLD_SHARE: Final = 0.15
"""The margin never takes more than this share of the hold (no source)."""

TRIED_LONG_S: Final = 2400.0
"""A cycle that heated this long without reaching exposure was given up by the machine, or
should have been; an operator who changes his mind does so sooner (common practice, no source)."""

GIVEN_UP: Final = "given_up"
"""Cause of a cycle that ended without exposure sooner: alone an operator's change of mind."""

HELD_SHARE: Final = 0.5
"""A plateau of this share of the hold was an exposure, though below its temperature."""

PROGRAM_SOURCE: Final = "program's set point and hold"


def verdicts(cycles: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """Judge every cycle against limits.

    Parameters
    ----------
    cycles
        A ``cycles`` table.
    limits
        Limits and uncertainties.

    Returns
    -------
    DataFrame
        cycle_id, unit_id, verdict, verdict_reason, verdict_source,
        within_uncertainty and, for the flags, ``cause``: a short word for what
        was broken (``cold``, ``short``, ``hot``, ``air``, ``superheat``,
        ``leak``, ``given_up``) or empty.
    """
    n = len(cycles)
    out = _Verdicts(n)
    kind = texts(cycles, "kind")
    leak_test = kind == "leak_test"
    _without_steam(cycles, ~leak_test, out)
    _stopped_hot(cycles, ~leak_test, limits, out)
    _stopped_dry(cycles, ~leak_test, limits, out)
    _incomplete(cycles, ~leak_test, _held(cycles, ~leak_test), out)
    _leak_tests(cycles, leak_test, limits, out)
    _cycles(cycles, ~leak_test, limits, out)
    return pd.DataFrame(
        {
            "cycle_id": cycles["cycle_id"].to_numpy(),
            "unit_id": cycles["unit_id"].to_numpy(),
            "verdict": out.verdict,
            "verdict_reason": out.reason,
            "verdict_source": out.source,
            "within_uncertainty": out.within,
            "cause": out.cause,
        }
    )


class _Verdicts:
    """Columns while they are being filled; the first rule that speaks decides."""

    def __init__(self, n: int) -> None:
        self.verdict = np.full(n, "", dtype=object)
        self.reason = np.full(n, "", dtype=object)
        self.source = np.full(n, "", dtype=object)
        self.cause = np.full(n, "", dtype=object)
        self.within = np.zeros(n, dtype=np.bool_)

    def set(self, where: BoolArray, verdict: str, reason: str) -> None:
        """Decide the rows that no rule has decided yet; what broke stays as it was."""
        rows = self.open(where)
        self.verdict[rows], self.reason[rows] = verdict, reason

    def open(self, where: BoolArray) -> list[int]:
        """Return the rows that no rule has decided yet."""
        return [int(i) for i in np.flatnonzero(where & (self.verdict == ""))]

    def one(self, row: int, verdict: str, reason: str, source: str, cause: str = "") -> None:
        """Decide one row, unless a rule has."""
        if self.verdict[row] == "":
            self.verdict[row], self.reason[row] = verdict, reason
            self.source[row], self.cause[row] = source, cause


def _stopped_hot(cycles: pd.DataFrame, at: BoolArray, limits: Limits, out: _Verdicts) -> None:
    """A cycle that was stopped after it left the band upward broke a limit all the same."""
    most = numbers(cycles, "exposure_max_c")
    high = numbers(cycles, "setpoint_c") + limits.band_width_k
    hot = most > high + limits.temperature_uncertainty_k
    for row in out.open(at & hot & (texts(cycles, "completion") == "aborted")):
        text = f"temperature rose to {most[row]:.1f} °C, above {high[row]:g} °C; then stopped"
        out.one(row, "outside", text, BAND_SOURCE, "hot")


def _stopped_dry(cycles: pd.DataFrame, at: BoolArray, limits: Limits, out: _Verdicts) -> None:
    """A cycle that ended before its time and had no steam in its exposure broke a limit, too."""
    deviation = numbers(cycles, "saturation_deviation_k")
    dry = deviation > limits.saturation_k + DRY_K
    dry &= ~flags(cycles, "atmosphere_assumed")
    for row in out.open(at & dry & (texts(cycles, "completion") == "aborted")):
        text = (
            f"temperature {deviation[row]:.1f} K above saturation at the measured pressure, "
            f"limit {limits.saturation_k:g} K; then it ended"
        )
        out.one(row, "outside", text, SATURATION_SOURCE, "superheat")


def _without_steam(cycles: pd.DataFrame, at: BoolArray, out: _Verdicts) -> None:
    """Heat without steam under pressure is outside, however long it was held."""
    nulls, level = texts(cycles, "null_reasons"), numbers(cycles, "plateau_c")
    dry = np.array(
        # Few rows hold the word, so few are parsed.
        ["no_steam" in t and _null_reason(t, "exposure_s") == "no_steam" for t in map(str, nulls)],
        dtype=np.bool_,
    )
    for row in out.open(at & dry):
        text = f"heated to {level[row]:.0f} °C without steam under pressure: no exposure"
        out.one(row, "outside", text, SATURATION_SOURCE, "superheat")


def _held(cycles: pd.DataFrame, at: BoolArray) -> BoolArray:
    """Return which broken off cycles kept their hold, as far as sampling tells, shape (n,).

    A hold that was broken off before its time is an operator's or the mains' doing: what a
    machine's timer ends short ends alike again and again, and is complete (``assign_programs``).
    """
    exposure, interval = numbers(cycles, "exposure_s"), numbers(cycles, "sample_interval_s")
    held = np.zeros(len(cycles), dtype=np.bool_)
    program = texts(cycles, "program")
    stopped = at & (texts(cycles, "completion") == "aborted") & np.isfinite(exposure)
    for row in np.flatnonzero(stopped).tolist():
        wanted = Program.known(str(program[row]))
        if wanted is not None:
            hold_s = wanted.hold_min * 60.0
            margin = _hold_margin_s(float(np.nan_to_num(interval[row])), hold_s)
            held[row] = exposure[row] >= hold_s - margin
    return held


def _short_cause(program: Program, program_source: str, exposure_s: float) -> str:
    """Return what a short hold counts as against the unit: nothing where it proves no fault.

    A hold that was only assumed proves none. Nor does one that is far from the
    unit's usual time and long enough for a published program: it may be a
    program that nobody named, which the unit's page asks about.
    """
    if program_source == "published":
        return ""
    least = shortest_published_hold(program.air_removal, program.setpoint_c)
    if program_source == "history" and least is not None:
        held_min = exposure_s / 60.0
        if UNNAMED_LEAST * least.hold_min <= held_min < UNNAMED_MOST * program.hold_min:
            return ""
    return "short"


def _between_samples(exposure_s: float, interval_s: float, hold_s: float) -> bool:
    """Return whether what is missing from a hold may lie between samples at both its ends."""
    return exposure_s >= hold_s - 2.0 * interval_s


def _unseen(exposure_s: float, gap_s: float, interval_s: float, least_s: float) -> bool:
    """Return whether what is missing from a hold may lie in samples that were lost."""
    return gap_s > GAP_INTERVALS * interval_s and exposure_s + gap_s >= least_s > exposure_s


def _incomplete(cycles: pd.DataFrame, at: BoolArray, held: BoolArray, out: _Verdicts) -> None:
    completion = texts(cycles, "completion")
    seconds = _seconds(cycles)
    tried = (completion == "aborted") & np.isnan(numbers(cycles, "exposure_s"))
    clear = ~(numbers(cycles, "noise_k") > TOO_NOISY_K)
    for row in out.open(tried & clear & (seconds >= TRIED_LONG_S)):
        text = f"stopped after {seconds[row] / 60.0:.0f} min without the exposure temperature"
        out.one(row, "outside", text, PROGRAM_SOURCE, "unreached")
    out.cause[(tried & clear & at & (out.verdict == ""))] = GIVEN_UP
    for word, reason in (
        ("aborted", "aborted before its end"),
        ("power_cut", "mains failed before its end"),
        ("cut_off", "the export ends before the cycle does"),
    ):
        out.set((completion == word) & ~held, "incomplete", reason)


def _seconds(cycles: pd.DataFrame) -> FloatArray:
    """Return how long each cycle took [s], NaN where its ends are not known."""
    if "ended_at" not in cycles.columns or "started_at" not in cycles.columns:
        return np.full(len(cycles), np.nan)
    span = cycles["ended_at"] - cycles["started_at"]
    return np.asarray(span.dt.total_seconds(), dtype=np.float64)


def _leak_tests(cycles: pd.DataFrame, at: BoolArray, limits: Limits, out: _Verdicts) -> None:
    leak = numbers(cycles, "leak_kpa_per_min")
    limit, error = limits.leak_kpa_per_min, np.nan_to_num(numbers(cycles, "leak_se"))
    nulls = texts(cycles, "null_reasons")
    low, high = numbers(cycles, "leak_low_kpa_per_min"), numbers(cycles, "leak_high_kpa_per_min")
    for row in out.open(at):
        value = leak[row]
        if np.isnan(value) and (high[row] < limit or low[row] > limit):
            why = _null_reason(str(nulls[row]), "leak_kpa_per_min")
            inside = high[row] < limit
            bound = f"at most {high[row]:.3f}" if inside else f"at least {low[row]:.3f}"
            text = f"leak rate not read ({why}), but {bound} kPa/min; limit {limit:g} kPa/min"
            verdict = "inside" if inside else "outside"
            out.one(row, verdict, text, LEAK_SOURCE, "" if inside else "leak")
        elif np.isnan(value):
            why = "no leak rate can be read from this test"
            if "leak_kpa_per_min" in str(nulls[row]):
                why += f" ({_null_reason(str(nulls[row]), 'leak_kpa_per_min')})"
            out.one(row, "incomplete", why, "")
        elif value > limit + LEAK_ERRORS * error[row]:
            text = f"leak rate {value:.3f} kPa/min is above {limit:g} kPa/min"
            out.one(row, "outside", text, LEAK_SOURCE, "leak")
        elif value > limit:
            text = (
                f"leak rate {value:.3f} kPa/min is above {limit:g} kPa/min by no more than "
                f"{LEAK_ERRORS:g} standard errors of {error[row]:.3f} (within uncertainty)"
            )
            out.within[row] = True
            out.one(row, "inside", text, LEAK_SOURCE)
        else:
            text = f"leak rate {value:.3f} kPa/min is within {limit:g} kPa/min"
            out.one(row, "inside", text, LEAK_SOURCE)


def _cycles(cycles: pd.DataFrame, at: BoolArray, limits: Limits, out: _Verdicts) -> None:
    program = texts(cycles, "program")
    published = texts(cycles, "program_source")
    values = {
        name: numbers(cycles, name)
        for name in (
            "exposure_s",
            "exposure_min_c",
            "exposure_max_c",
            "below_band_s",
            "above_band_s",
            "overband_k",
            "saturation_deviation_k",
            "superheat_k",
            "sample_interval_s",
            "exposure_gap_s",
            "setpoint_c",
            "plateau_c",
            "plateau_s",
            "noise_k",
        )
    }
    assumed = flags(cycles, "atmosphere_assumed")
    parsed = {name: Program.known(str(name)) for name in set(program.tolist())}
    own = [parsed[name] for name in program.tolist()]
    room = kept_with_room(
        values,
        np.array([nan if p is None else p.hold_min * 60.0 for p in own]),
        np.array([nan if p is None else p.setpoint_c for p in own]),
        published == "configuration",
        assumed,
        limits,
    )
    _with_room(np.flatnonzero(at & room & (out.verdict == "")), program, published, values, out)
    for row in out.open(at):
        one = {name: float(column[row]) for name, column in values.items()}
        place = str(published[row])
        _one_cycle(row, own[row], one, place, bool(assumed[row]), limits, out)


def _with_room(
    rows: NDArray[np.int64],
    program: NDArray[np.object_],
    published: NDArray[np.object_],
    values: dict[str, FloatArray],
    out: _Verdicts,
) -> None:
    """Write the verdicts of cycles that kept their program with room to spare."""
    spans = zip(
        values["exposure_s"][rows].tolist(),
        values["exposure_min_c"][rows].tolist(),
        values["exposure_max_c"][rows].tolist(),
        strict=True,
    )
    named = list(zip(program[rows].tolist(), published[rows].tolist(), strict=True))
    sources = {key: _program_source(Program.parse(str(key[0])), str(key[1])) for key in set(named)}
    out.verdict[rows] = "inside"
    out.reason[rows] = [_kept(*span) for span in spans]
    out.source[rows] = [sources[key] for key in named]


def _kept(exposure_s: float, least_c: float, most_c: float) -> str:
    return f"exposure {exposure_s:.0f} s between {least_c:.1f} and {most_c:.1f} °C"


def _one_cycle(
    row: int,
    program: Program | None,
    v: dict[str, float],
    program_source: str,
    atmosphere_assumed: bool,
    limits: Limits,
    out: _Verdicts,
) -> None:
    hold_s = program.hold_min * 60.0 if program is not None else 0.0
    interval = v["sample_interval_s"] if v["sample_interval_s"] > 0 else 0.0
    if program is None or isnan(v["exposure_s"]):
        if program is not None and v["plateau_s"] >= HELD_SHARE * hold_s:
            text = f"held at {v['plateau_c']:.1f} °C, below {program.setpoint_c:g} °C"
            out.one(row, "outside", text, BAND_SOURCE, "cold")
        else:
            text = "the exposure temperature was not reached"
            out.one(row, "incomplete", text, "", "cold")
        return
    if hold_s < COARSE_SAMPLES * interval:
        text = f"too_coarse: {interval:g} s between samples against a hold of {hold_s:g} s"
        out.one(row, "incomplete", text, "")
        return
    if program.setpoint_c < LEAST_PROGRAM_C and program_source != "configuration":
        text = f"held near {program.setpoint_c:g} °C, below every published program: preheating?"
        out.one(row, "incomplete", text, "")
        return
    u = limits.temperature_uncertainty_k
    under = u + _noise_k(v, v["below_band_s"], u)
    over = u + _noise_k(v, v["above_band_s"], u)
    low, high = program.setpoint_c, program.setpoint_c + limits.band_width_k
    source = _program_source(program, program_source)
    least, most = v["exposure_min_c"], v["exposure_max_c"]
    hold_margin = _hold_margin_s(interval, hold_s)
    gap = 0.0 if isnan(v["exposure_gap_s"]) else v["exposure_gap_s"]
    whole = hold_s - hold_margin <= v["exposure_s"] <= (1.0 + WHOLE_SURPLUS_SHARE) * hold_s
    share = WHOLE_GAP_SHARE if whole else GAP_SHARE
    if (gap > max(share * hold_s, GAP_INTERVALS * interval) and v["exposure_s"] > 0) or _unseen(
        v["exposure_s"], gap, interval, hold_s - hold_margin
    ):
        text = f"a gap of {gap:.0f} s leaves too much of the hold unseen"
        out.one(row, "incomplete", text, "")
        return
    short = v["exposure_s"] < hold_s - hold_margin
    if short and _between_samples(v["exposure_s"], interval, hold_s):
        text = (
            f"too_coarse: {interval:g} s between samples can't tell whether an exposure "
            f"recorded for {v['exposure_s']:.0f} s kept its {hold_s:.0f} s"
        )
        out.one(row, "incomplete", text, "")
    elif short:
        text = (
            f"exposure lasted {v['exposure_s']:.0f} s of {hold_s:.0f} s, more than the "
            f"{hold_margin:.0f} s short that sampling every {interval:g} s explains"
        )
        cause = _short_cause(program, program_source, v["exposure_s"])
        out.one(row, "outside", text, source, cause)
    elif least < low - under:
        text = (
            f"temperature fell to {least:.1f} °C in exposure, more than the ±{under:.2g} K of the "
            f"channel below {low:g} °C"
        )
        out.one(row, "outside", text, BAND_SOURCE, "cold")
    elif most > high + over:
        text = (
            f"temperature rose to {most:.1f} °C in exposure, more than the ±{over:.2g} K of the "
            f"channel above {high:g} °C"
        )
        out.one(row, "outside", text, BAND_SOURCE, "hot")
    elif not atmosphere_assumed and _beyond_saturation(row, v, program, limits, out):
        return
    else:
        steam_off = bool(out.within[row])
        within = least < low or most > high or v["exposure_s"] < hold_s
        out.within[row] = steam_off or within
        text = _kept(v["exposure_s"], least, most)
        if gap > max(GAP_SAID_SHARE * hold_s, GAP_INTERVALS * interval):
            text += f", {gap:.0f} s of it not recorded"
        if within:
            text += (
                f"; the band of {low:g} to {high:g} °C and the hold of {hold_s:.0f} s are kept "
                f"within uncertainty (±{max(under, over):.2g} K, {interval:g} s sampling)"
            )
        if steam_off:
            text += (
                f"; {_off_saturation(v, limits)}, is kept within uncertainty "
                f"(±{_saturation_uncertainty_k(program, limits):.2g} K)"
            )
        out.one(row, "inside", text, source)


def _noise_k(v: dict[str, float], beyond_s: float, uncertainty_k: float) -> float:
    """Return what the channel's noise adds to its uncertainty for short excursions [K]."""
    if not v["noise_k"] > 0 or v["sample_interval_s"] >= SWITCHING_S:
        return 0.0
    if beyond_s > NOISE_SHARE * v["exposure_s"]:
        return 0.0
    return max(NOISE_WIDTHS * v["noise_k"] - uncertainty_k, 0.0)


def _hold_margin_s(interval: float, hold_s: float) -> float:
    """Return how much shorter than the hold a recorded exposure may be."""
    margin = max(HOLD_MARGIN_INTERVALS * interval, HOLD_MARGIN_LEAST_S)
    return min(margin, HOLD_SHARE * hold_s)


def _beyond_saturation(
    row: int, v: dict[str, float], program: Program, limits: Limits, out: _Verdicts
) -> bool:
    """Judge steam temperature against pressure; uncertainties of both combined in squares."""
    deviation = v["saturation_deviation_k"]
    if isnan(deviation) or abs(deviation) <= limits.saturation_k:
        return False
    if abs(deviation) <= limits.saturation_k + _saturation_uncertainty_k(program, limits):
        out.within[row] = True
        return False
    cause = "air" if deviation < 0 else "superheat"
    out.one(row, "outside", _off_saturation(v, limits), SATURATION_SOURCE, cause)
    return True


def _saturation_uncertainty_k(program: Program, limits: Limits) -> float:
    """Return the uncertainty of temperature against saturation at a program's set point [K]."""
    # dp/dT of saturation: 6.46 kPa/K at 121 °C, 8.90 at 134 °C (IAPWS-IF97).
    kpa_per_k = 6.46 + (8.90 - 6.46) * (program.setpoint_c - 121.0) / 13.0
    return hypot(limits.temperature_uncertainty_k, limits.pressure_uncertainty_kpa / kpa_per_k)


def _off_saturation(v: dict[str, float], limits: Limits) -> str:
    deviation = v["saturation_deviation_k"]
    side = "below" if deviation < 0 else "above"
    return (
        f"temperature {abs(deviation):.1f} K {side} saturation at the measured pressure, "
        f"limit {limits.saturation_k:g} K"
    )


def _program_source(program: Program, source: str) -> str:
    if source == "published":
        hold = shortest_published_hold(program.air_removal, program.setpoint_c)
        if hold is not None:
            return f"shortest published hold: {hold.source}"
    return f"{PROGRAM_SOURCE} ({source})" if source and source != "<NA>" else PROGRAM_SOURCE


def _null_reason(text: str, column: str) -> str:
    try:
        return str(json.loads(text).get(column, "null"))
    except (ValueError, AttributeError):
        return "null"
