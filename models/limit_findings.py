"""Flags from limits that were broken, and from the logger's own troubles."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Limits
from .bench import bench_check
from .findings import Findings
from .lifecycle import Ledger
from .signatures import SIGNATURE_PARTS

FloatArray = NDArray[np.float64]

WORDS: Final = {
    "unreached": "heated long and did not reach the exposure temperature",
    "given_up": "ended without an exposure",
    "broken_off": "were broken off in exposure",
    "cold": "fell short of the exposure temperature",
    "short": "held exposure too short",
    "hot": "went above the band",
    "air": "had temperature below saturation",
    "superheat": "had temperature above saturation",
    "dry": "went above the band, far above saturation",
    "leak": "had a leak rate above its limit",
}

CAUSES: Final[dict[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    # parts that explain it, likeliest first; alternatives to name
    "cold": (
        (
            "heater",
            "door_seal",
            "temperature_sensor",
            "controller",
            "water_fill",
            "vent_path",
            "logger",
        ),
        (),
    ),
    "unreached": (
        ("heater", "door_seal", "vent_path", "water_fill", "controller", "temperature_sensor"),
        (),
    ),
    "given_up": (
        ("heater", "air_removal", "door_seal", "water_fill", "controller", "temperature_sensor"),
        ("vent_path",),
    ),
    "broken_off": (
        ("controller", "heater", "door_seal", "temperature_sensor", "water_fill", "vent_path"),
        (),
    ),
    "short": (
        (
            "controller",
            "heater",
            "door_seal",
            "temperature_sensor",
            "water_fill",
            "vent_path",
            "logger",
        ),
        (),
    ),
    "hot": (("heater", "controller", "temperature_sensor"), ()),
    "air": (("air_removal", "pressure_sensor"), ()),
    "superheat": (("water_fill", "pressure_sensor"), ()),
    "dry": (("water_fill",), ("heater", "temperature_sensor")),
    "leak": (("door_seal", "air_removal"), ("vent_path",)),
    "pressure": (("air_removal", "controller", "heater", "pressure_sensor"), ()),
}

EXPLAINED: Final = {"hot": ("water_fill",)}
"""Parts that explain a cause once they are known, and are not suspected for it before."""

SURE: Final = ("leak", "short", "hot", "air", "superheat", "dry", "pressure", "unreached")
"""Causes that name their likeliest part even where none stands out."""

TRACE_T: Final = 2.0
"""Standard errors by which a part must stand out before a broken limit is laid to it."""

LEAST: Final = {"leak": (2, 3), "given_up": (4, 5), "broken_off": (8, 10)}
DEFAULT_LEAST: Final = (2, 3)
"""Broken limits among the last ten cycles for a watch and for a service; service also needs
two days (the contract asks for repetition). Operators break off single cycles; nobody breaks off
all ten of the last."""

GROSS_LEAK: Final = 2.0
"""Times its limit from which one leak test is worth a watch: the next may be a week away."""

FLOOR_CYCLES: Final = 10
DUTY_FLOOR: Final = 0.9
"""Duty from which a unit has too little heat left for a heavy load or a low mains, whatever
its past (a tenth in reserve is lost to 5 % of voltage: P goes with its square)."""

DRY_STOP_C: Final = 150.0
"""No steam program is as hot (the hottest band ends at 138 °C), and relief valves open before
steam is (476 kPa absolute, IAPWS-IF97): only a dry chamber gets there."""

DRY_K: Final = 5.0
"""Mean of T - Tsat(p) from which a chamber above its band is dry and not only hot: steam that a
switch lets grow too hot stays saturated, and no pressure channel is off by the 30 to 50 kPa that
this is worth."""

GAP_INTERVALS: Final = 5.0
GAP_LEAST_S: Final = 60.0
STUCK_LEAST_S: Final = 180.0
STUCK_TIMES_USUAL: Final = 4.0
"""A coarse channel stands still often: what counts is more than the unit's usual."""
USUAL_KEPT: Final = 30
LOGGER_LEAST: Final = (3, 5)
"""Cycles among the last ten with drop-outs or stuck values for a watch and a service."""


def limit_row(
    findings: Findings,
    ledger: Ledger,
    now: float,
    cause: str,
    row: dict[str, Any],
    t: FloatArray,
    cycle_id: str,
    limits: Limits,
) -> None:
    """Let one cycle's broken limits and logger troubles raise flags."""
    if cause == "hot" and row["saturation_deviation_k"] > DRY_K:
        cause = "dry"
    troubles = _logger_troubles(row, findings.stuck)
    logger = ledger.standing("logger")
    # Sensors first: what a troubled channel shows is no finding about the sterilizer.
    doubtful = bool(troubles) or (logger is not None and logger.severity != "watch")
    beyond = None if doubtful else _beyond_stop(row, findings.setpoints, limits)
    if beyond is not None:
        over, what = beyond
        part = _standing_part(ledger, over) or _traced(over, t)
        what += " Take the unit out of use until it is checked."
        ledger.raise_flag(part, "stop", now, _columns(part, over, what, cycle_id, 0.6))
    if cause and not doubtful:
        troubles = [cause, *troubles]
    if math.isfinite(row["setpoint_c"]):
        findings.setpoints = [*findings.setpoints[1 - USUAL_KEPT * 3 :], float(row["setpoint_c"])]
    if math.isfinite(row["stuck_s"]) and "stuck" not in troubles:
        findings.stuck = [*findings.stuck[1 - USUAL_KEPT :], float(row["stuck_s"])]
    findings.add_causes([[now, row["kind"], *troubles]])
    test = row["kind"] == "leak_test"
    window = [c for c in findings.causes if (c[1] == "leak_test") == test]
    for trouble in troubles:
        hits = [c[0] for c in window if trouble in c[2:]]
        if trouble in ("drop-outs", "stuck"):
            _raise_logger(ledger, now, trouble, hits, len(window), cycle_id)
            continue
        days = {math.floor(h) for h in hits}
        watch, service = LEAST.get(trouble, DEFAULT_LEAST)
        if trouble == "leak" and row["leak_kpa_per_min"] > GROSS_LEAK * limits.leak_kpa_per_min:
            watch = 1
        if len(hits) >= service and len(days) >= 2:
            severity = "service"
        elif len(hits) >= watch:
            severity = "watch"
        else:
            continue
        part = _standing_part(ledger, trouble) or _traced(trouble, t)
        what = "leak tests" if test else "cycles"
        text = f"{len(hits)} of the last {len(window)} {what} {WORDS[trouble]}."
        if (part, trouble, severity) == ("heater", "hot", "service"):
            # Heat that won't go off is held by the safety limiter alone.
            severity = "stop"
            text += " Take the unit out of use until it is checked."
        if part == "unknown":
            text += " No part stands out."
        ledger.raise_flag(part, severity, now, _columns(part, trouble, text, cycle_id, 0.5))


def absolute_row(
    findings: Findings, ledger: Ledger, now: float, duty: float, t: FloatArray, cycle_id: str
) -> None:
    """Let a duty near 1 call, whatever the unit's own past was.

    Loggers are often fitted because a unit is tired: its first cycles are no healthy
    baseline then, and only an absolute floor tells.
    """
    if not math.isfinite(duty):
        return
    findings.duties = [*findings.duties[1 - FLOOR_CYCLES :], [now, duty]]
    values = sorted(d for _, d in findings.duties)
    days = {math.floor(when) for when, _ in findings.duties}
    if len(values) < FLOOR_CYCLES or len(days) < 2 or values[FLOOR_CYCLES // 2] < DUTY_FLOOR:
        return
    part = _standing_part(ledger, "cold") or _traced("cold", t)
    part = "heater" if part == "unknown" else part
    row = _columns(
        part,
        "cold",
        f"Out of family at start: the heater is on for {values[FLOOR_CYCLES // 2]:.0%} of "
        f"exposure in the middle of the last {FLOOR_CYCLES} cycles, and nothing is left in "
        "reserve. The unit's own past does not tell since when.",
        cycle_id,
        0.5,
    )
    row["feature"] = "heater_duty"
    ledger.raise_flag(part, "service", now, row)


def _beyond_stop(
    row: dict[str, Any], setpoints: list[float], limits: Limits
) -> tuple[str, str] | None:
    """Return cause and sentence of what is so far over that the unit should not be used.

    Temperature counts against the hottest program that the unit is known to run: a
    chamber made for 134 °C is in no danger at 130 °C, and a cycle that sticks
    half-way to it is a weak one, not a hot one.
    """
    if row["pressure_max_kpa"] > limits.relief_kpa + limits.pressure_uncertainty_kpa:
        return "pressure", (
            f"Pressure reached {row['pressure_max_kpa']:.0f} kPa absolute, the relief limit is "
            f"{limits.relief_kpa:g} kPa."
        )
    if row["plateau_c"] > DRY_STOP_C:
        return "superheat", (
            f"Chamber temperature stayed near {row['plateau_c']:.0f} °C, hotter than steam of any "
            "program: it was heated without water."
        )
    if not row["overband_k"] > limits.overband_stop_k:
        return None
    top = max((s for s in set(setpoints) if setpoints.count(s) >= 3), default=math.nan)
    if row["exposure_max_c"] <= top + limits.band_width_k + limits.overband_stop_k:
        return None
    text = f"Temperature went {row['overband_k']:.1f} K above the band"
    if row["saturation_deviation_k"] > DRY_K:
        return "dry", f"{text} and was {row['saturation_deviation_k']:.1f} K above saturation."
    return "hot", f"{text}."


def _logger_troubles(row: dict[str, Any], usual: list[float]) -> list[str]:
    out = []
    interval = row["sample_interval_s"]
    if row["gap_s"] > max(GAP_INTERVALS * interval, GAP_LEAST_S):
        out.append("drop-outs")
    often = STUCK_TIMES_USUAL * sorted(usual)[len(usual) // 2] if usual else 0.0
    if row["stuck_s"] > max(STUCK_LEAST_S, 2.0 * GAP_INTERVALS * interval, often):
        out.append("stuck")
    return out


def _raise_logger(
    ledger: Ledger, now: float, mode: str, hits: list[float], of: int, cycle_id: str
) -> None:
    watch, service = LOGGER_LEAST
    if len(hits) < watch:
        return
    days = {math.floor(h) for h in hits}
    severity = "service" if len(hits) >= service and len(days) >= 2 else "watch"
    what = "gaps in the record" if mode == "drop-outs" else "a reading that stood still"
    text = (
        f"{len(hits)} of the last {of} cycles had {what}. Limits that such cycles broke are not "
        "held against the sterilizer."
    )
    row = _columns("logger", "", text, cycle_id, 0.9)
    row["mode"] = mode
    row["feature"] = "gap_s" if mode == "drop-outs" else "stuck_s"
    ledger.raise_flag("logger", severity, now, row)


def _standing_part(ledger: Ledger, cause: str) -> str | None:
    """Return a part with an open flag that explains a cause."""
    able = (*CAUSES[cause][0], *EXPLAINED.get(cause, ()))
    standing = [e for e in ledger.standing_all() if e.part in (*able, "unknown")]
    # What calls for a visit explains more than what is only watched.
    standing.sort(
        key=lambda e: (e.severity == "watch", able.index(e.part) if e.part in able else 99)
    )
    return standing[0].part if standing else None


def _traced(cause: str, t: FloatArray) -> str:
    """Return the part that explains a cause and stands out of the charts, else a default."""
    able = CAUSES[cause][0]
    best = dict.fromkeys(able, 0.0)
    for k, part in enumerate(SIGNATURE_PARTS):
        if part in best:
            best[part] = max(best[part], float(t[k]))
    part = max(able, key=lambda p: best[p])
    if best[part] >= TRACE_T:
        return part
    return able[0] if cause in SURE else "unknown"


def _columns(part: str, cause: str, text: str, cycle_id: str, confidence: float) -> dict[str, Any]:
    feature = {
        "cold": "exposure_min_c",
        "broken_off": "exposure_s",
        "unreached": "heat_up_s",
        "given_up": "heat_up_s",
        "short": "exposure_s",
        "hot": "exposure_max_c",
        "air": "saturation_deviation_k",
        "superheat": "saturation_deviation_k",
        "dry": "exposure_max_c",
        "leak": "leak_kpa_per_min",
        "pressure": "pressure_max_kpa",
    }.get(cause, "")
    able, named = CAUSES.get(cause, ((), ()))
    others = [p for p in (*named, *able) if p != part][:3]
    mode = "stuck on" if (part, cause) == ("heater", "hot") else ""
    return {
        "part": part,
        "mode": mode,
        "alternatives": ",".join(others),
        "confidence": confidence,
        "layer": "limit",
        "feature": feature,
        "evidence": text,
        "bench_check": bench_check(part, mode),
        "cycle_id": cycle_id,
        "change_point": math.nan,
        "change_point_low": math.nan,
        "change_point_high": math.nan,
    }
