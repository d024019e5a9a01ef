"""What each part does to the signs: the physics of diagnosis, as one table.

A signature gives, for one unit of the fault's size, the change of each sign.
The size is a physical amount with a name (share of power lost, relative rise of
loss, kelvin of offset), so that floors are physical too. Signs that a signature
does not name are expected to stay; where they move, another signature or the
noise has to explain them. To add a part: see the maintainers' guide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .signs import INDEX, SIGNS

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Signature:
    """One way a part fails."""

    part: str
    mode: str
    size: str
    """What one unit of size means."""
    changes: dict[str, float]
    watch_floor: float
    service_floor: float
    """Least sizes that matter physically."""
    two_sided: bool = False
    look_alikes: tuple[str, ...] = ()
    """Parts that leave the same picture in a trace."""
    needs: tuple[str, ...] = ()
    """Signs of which at least one must be seen: without them it cannot be told from others."""


_ALL_RATES: Final = {
    "power": 1.0,
    "loss": 0.9,
    "heat_rate": 1.0,
    "heat_rate_pressurised": 1.1,
    "heat_up": -1.0,
    "seat": -1.0,
    "period": -0.8,
    "closing": -300.0,
}
"""How low water moves rates and times, per unit of the relative rise of P/C. The exhaust takes
about 150 s and shortens by twice the share, where it is seen."""

SIGNATURES: Final = (
    # Power down by a share s at losses L unchanged; duty d about 0.4: the heat-up rate under
    # pressure (P - L)/C falls by s/(1 - d), the liquid one by s/(1 - d/3) (lower T, lower L).
    Signature(
        "heater",
        "element weak",
        "share of heater power lost",
        {
            "power": -1.0,
            "duty": 1.0,
            "current_duty": 1.0,
            "heat_rate": -1.15,
            "heat_rate_pressurised": -1.6,
            "heat_up": 1.3,
            "seat": 1.4,
        },
        0.08,
        0.12,
    ),
    # Steam lost: L up by a share s at P unchanged; rate under pressure falls by s*d/(1 - d).
    # Below 100 °C nothing drives a leak, so the liquid rate stays.
    Signature(
        "door_seal",
        "",
        "relative rise of losses",
        {
            "loss": 1.0,
            "duty": 1.0,
            "current_duty": 1.0,
            "heat_rate_pressurised": -0.7,
            "heat_up": 0.3,
            "seat": 0.6,
            "leak": 0.10,
            "exhaust": -0.5,
        },
        0.10,
        0.15,
        look_alikes=("vent_path",),
    ),
    # A thermostat acts late by a lag of 15 to 30 s: above its set point T goes on rising by lag
    # times rise, below it falls on by lag times fall. Less power slows the rise alone: at P/C of
    # 7 K/min a share s takes 1.8 to 3.5 s off the top, half of it off the mean, and the swing
    # narrows.
    Signature(
        "heater",
        "element weak",
        "share of heater power lost, the plateau drooping",
        {
            "power": -1.0,
            "duty": 1.0,
            "current_duty": 1.0,
            "heat_rate": -1.15,
            "heat_rate_pressurised": -1.6,
            "heat_up": 1.3,
            "seat": 1.4,
            "plateau": -1.2,
            "overshoot": -2.0,
            "spread": -0.8,
        },
        0.08,
        0.12,
    ),
    # Steam lost slows the rise and quickens the fall by as much: top, mean and bottom sink alike,
    # at L/C of 2 K/min by 0.5 to 1 K for losses that double; pauses end sooner.
    Signature(
        "door_seal",
        "",
        "relative rise of losses, the plateau drooping",
        {
            "loss": 1.0,
            "duty": 1.0,
            "current_duty": 1.0,
            "heat_rate_pressurised": -0.7,
            "heat_up": 0.3,
            "seat": 0.6,
            "plateau": -1.0,
            "overshoot": -1.0,
            "dip": -0.5,
            "period": -0.6,
        },
        0.15,
        0.25,
        look_alikes=("vent_path",),
    ),
    # Steam that is lost faster than it is made lets the pressure sink; it takes the last air
    # along, and walls and a throttle stay hotter than it: T sinks by less than Tsat(p). No sensor
    # and no air does so: T and p agree under the one, T falls short of Tsat(p) under the other.
    Signature(
        "door_seal",
        "",
        "relative rise of losses, pressure sinking faster than temperature",
        {
            "loss": 1.0,
            "duty": 1.0,
            "current_duty": 1.0,
            "heat_rate_pressurised": -0.7,
            "heat_up": 0.3,
            "seat": 0.6,
            "plateau": -1.0,
            "overshoot": -1.0,
            "dip": -1.0,
            "saturation": 1.0,
            "superheat": 0.8,
        },
        0.15,
        0.25,
        look_alikes=("vent_path",),
        needs=("saturation",),
    ),
    # A seal that leaks under vacuum and holds pressure: only the leak test tells.
    Signature(
        "door_seal",
        "",
        "leak rate over its usual level, kPa/min",
        {"leak": 1.0, "vacuum": 0.5},
        0.035,
        0.05,
        look_alikes=("vent_path",),
    ),
    # The same narrow path holds the steam back while air is purged: it boils above its plateau.
    Signature(
        "vent_path",
        "blocked",
        "relative rise of exhaust time",
        {"exhaust": 1.0, "boil": 0.8, "seat": 0.2},
        0.18,
        0.25,
        needs=("exhaust",),
    ),
    # The controller follows its own sensor: the true chamber moves, T and p together.
    Signature(
        "temperature_sensor",
        "",
        "kelvin that the plateau moved with T and p agreeing",
        {"plateau": 1.0, "overshoot": 1.0},
        0.2,
        0.3,
        two_sided=True,
    ),
    # A pressure channel off by 1 kPa moves Tsat by 1/6.5 K at 121 °C (dp/dT of saturation).
    Signature(
        "pressure_sensor",
        "",
        "kilopascal that the channel is off",
        {"open_pressure": 1.0, "saturation": -0.15, "equilibration": 1.5},
        2.0,
        3.0,
        two_sided=True,
        needs=("open_pressure",),
    ),
    # The same kilopascal at every pressure: near vacuum it is a large share of what is read
    # (1 kPa of about 14 at the deepest point, of about 8 in drying).
    Signature(
        "pressure_sensor",
        "",
        "kilopascal that the channel is off, under vacuum as well",
        {
            "open_pressure": 1.0,
            "saturation": -0.15,
            "equilibration": 1.5,
            "vacuum": 0.07,
            "drying_vacuum": 0.12,
        },
        2.0,
        3.0,
        two_sided=True,
        needs=("open_pressure",),
    ),
    # A machine that regulates by the pressure it reads: the reading is held, what is really there
    # sinks by what the channel is off, and steam and logger with it.
    Signature(
        "pressure_sensor",
        "",
        "kilopascal that the channel is off, by which the machine regulates",
        {
            "open_pressure": 1.0,
            "saturation": -0.15,
            "plateau": -0.15,
            "overshoot": -0.15,
            "equilibration": 1.5,
        },
        1.5,
        2.2,
        two_sided=True,
        needs=("open_pressure",),
    ),
    Signature(
        "logger",
        "moved",
        "kelvin that the logger's temperature moved alone",
        {
            "plateau": 1.0,
            "overshoot": 1.0,
            "saturation": 1.0,
            "boil": 1.0,
        },
        0.35,
        0.5,
        two_sided=True,
        needs=("saturation", "boil"),
    ),
    # A probe moved to a colder, slower place: it lags, creeps up through exposure, and reads
    # low against a pressure that is as ever.
    Signature(
        "logger",
        "moved",
        "kelvin that the top of the swing is missed by",
        {
            "overshoot": -1.0,
            "plateau": -0.6,
            "fade": 0.15,
            "equilibration": 25.0,
            "saturation": -0.6,
            "heat_rate": -0.5,
            "seat": 0.25,
        },
        0.15,
        0.25,
        look_alikes=("temperature_sensor",),
    ),
    # Air left inside lowers T against Tsat(p) where the probe sits; the plateau is held.
    Signature(
        "air_removal",
        "",
        "kelvin that T lies below Tsat(p)",
        {"saturation": -1.0, "equilibration": 10.0},
        0.28,
        0.45,
        look_alikes=("door_seal", "pressure_sensor"),  # a seal may leak under vacuum alone
    ),
    # A seal that leaks under vacuum alone leaves the same air. A leak test tells it at once (half
    # a kelvin of air is about what the test allows); where none is run, see ``resolve``.
    Signature(
        "door_seal",
        "",
        "kelvin that T lies below Tsat(p), air drawn in under vacuum",
        {"saturation": -1.0, "equilibration": 10.0, "leak": 0.2},
        0.28,
        0.45,
        look_alikes=("air_removal", "vent_path", "pressure_sensor"),
        needs=("saturation",),
    ),
    # The same where the controller holds the pressure and not the temperature: then the whole
    # plateau sinks by what the air's share of the pressure is worth.
    Signature(
        "air_removal",
        "",
        "kelvin that T lies below Tsat(p), the plateau with it",
        {
            "saturation": -1.0,
            "plateau": -0.9,
            "overshoot": -0.9,
            "dip": -0.9,
            "equilibration": 10.0,
        },
        0.28,
        0.45,
        look_alikes=("logger", "temperature_sensor", "door_seal"),
        needs=("saturation",),
    ),
    # Wear shows in the pressure that a pump reaches before it shows in how fast it gets there.
    Signature(
        "air_removal",
        "pump",
        "relative slowing of evacuation",
        {"evacuation": 1.0, "vacuum": 1.0, "drying_vacuum": 2.0, "heat_up": 0.4},
        0.15,
        0.22,
        needs=("evacuation", "vacuum", "drying_vacuum"),
    ),
    # A machine that pumps until it has reached its pulse's set point, however long that takes:
    # the time goes into the heat-up, and only drying shows how deep the pump still gets.
    Signature(
        "air_removal",
        "pump",
        "relative slowing of evacuation, to the same vacuum",
        {"evacuation": 1.0, "drying_vacuum": 2.0, "heat_up": 0.8},
        0.15,
        0.22,
        needs=("evacuation", "drying_vacuum"),
    ),
    # A pump may lose speed at high pressure and reach its vacuum all the same.
    Signature(
        "air_removal",
        "pump",
        "relative slowing of evacuation alone",
        {"evacuation": 1.0},
        0.15,
        0.22,
    ),
    Signature(
        "air_removal",
        "filter",
        "relative slowing of the vacuum break",
        {"air_inlet": 1.0},
        0.30,
        0.45,
    ),
    # Without a pressure channel the vacuum break is the end of the cycle: some 40 s of it, so that
    # the floors are the same shares of it as above.
    Signature(
        "air_removal",
        "filter",
        "seconds that a cycle's end comes later",
        {"closing": 1.0},
        15.0,
        25.0,
        look_alikes=("vent_path",),
    ),
    # ... and where there is no vacuum it is the exhaust, of two or three minutes. The program
    # tells which.
    Signature(
        "vent_path",
        "blocked",
        "seconds that a cycle's end comes later",
        {"closing": 1.0},
        30.0,
        45.0,
    ),
    # Air is purged while the water boils with the vent open: a heat-up that runs through has
    # shut its vent early, and the air is still inside.
    Signature(
        "air_removal",
        "trap",
        "share of heat-ups without a pause at boiling",
        {"boiling": -1.0},
        0.75,
        0.85,
        look_alikes=("vent_path",),
    ),
    # Low water: less to heat, so all rates rise as with a light load, but above all less to
    # flash off, so the exhaust shortens by much more than a light load explains.
    Signature(
        "water_fill",
        "",
        "share of exhaust time lost with the water",
        {
            "power": 0.5,
            "loss": 0.4,
            "heat_rate": 0.5,
            "heat_rate_pressurised": 0.5,
            "heat_up": -0.5,
            "seat": -0.5,
            "exhaust": -1.0,
            "period": -0.4,
        },
        0.12,
        0.15,
        needs=("exhaust",),
    ),
    # Without an exhaust time to tell it by, only rates that no lighter load explains: a chamber
    # with half of its water heats a third faster. What its swing does depends on the controller.
    Signature(
        "water_fill",
        "",
        "relative rise of all rates",
        _ALL_RATES,
        0.12,
        0.15,
    ),
    # Under a switch that answers late, the swing goes with the rates.
    Signature(
        "water_fill",
        "",
        "relative rise of all rates, the swing with them",
        {
            **_ALL_RATES,
            "spread": 0.6,
            "overshoot": 0.4,
            "dip": -0.2,
        },
        0.15,
        0.22,
    ),
    # Dry walls overheat late in exposure.
    Signature(
        "water_fill",
        "",
        "kelvin of superheat late in exposure",
        {"superheat": 1.0, "saturation": 0.6},
        0.5,
        0.8,
    ),
    # A contact that lets go late: the top of each swing rises, the bottom stays.
    Signature(
        "heater",
        "stuck on",
        "kelvin that the top of the swing rose alone",
        {"overshoot": 1.0, "plateau": 0.45, "spread": 0.5, "period": 0.5},
        0.25,
        0.4,
        look_alikes=("controller",),
    ),
    # Power that stays on while the heater should be off makes up a share s of the losses: T falls
    # slower, rises as ever. With duty d about 0.4: L/C falls by s, P/C = rise + fall by s d.
    Signature(
        "heater",
        "stuck on",
        "share of losses that heat which stays on makes up",
        {"loss": -1.0, "duty": -0.6, "power": -0.4},
        0.4,
        0.7,
        look_alikes=("controller",),
    ),
    # A controller that lets the temperature swing wider, both ways.
    Signature(
        "controller",
        "",
        "kelvin that the swing widened on either side",
        {"overshoot": 1.0, "dip": -0.5, "spread": 0.8, "period": 0.8},
        0.25,
        0.4,
    ),
    # A timer that runs fast shortens every hold by one share, whatever the temperature does;
    # cycles fail once the reserve over the set time is used up.
    Signature(
        "controller",
        "",
        "share by which the hold is shorter",
        {"hold": -1.0},
        0.006,
        0.01,
        needs=("hold",),
    ),
    Signature(
        "logger",
        "noise",
        "relative rise of the channel's noise",
        {"noise": 1.0, "overshoot": 0.2, "dip": -0.2, "spread": 0.2},
        0.6,
        0.9,
        needs=("noise",),
    ),
)
"""All signatures, in the order of the arrays below."""


@dataclass(frozen=True)
class Nuisance:
    """A healthy movement that several signs share, with its week-to-week size."""

    name: str
    changes: dict[str, float]
    sd: float


NUISANCES: Final = (
    # Heavier load or more water: C up, P and L as they are; duty unchanged once soaked.
    Nuisance(
        "load",
        {
            "power": -1.0,
            "loss": -1.0,
            "heat_rate": -1.0,
            "heat_rate_pressurised": -1.0,
            "heat_up": 1.0,
            "seat": 1.0,
            "exhaust": 0.5,
            "closing": 75.0,
            "period": 1.0,
        },
        0.05,
    ),
    # Mains: P with the square of the voltage; the unseen week-to-week part.
    Nuisance(
        "mains",
        {
            "power": 1.0,
            "duty": -1.0,
            "current_duty": -1.0,
            "heat_rate": 1.1,
            "heat_rate_pressurised": 1.5,
            "heat_up": -1.2,
            "seat": -1.3,
        },
        0.025,
    ),
    # Room: what the known ambient does not explain.
    Nuisance(
        "room",
        {
            "loss": -1.0,
            "duty": -1.0,
            "current_duty": -1.0,
            "heat_rate_pressurised": 0.5,
            "heat_up": -0.3,
        },
        0.03,
    ),
    # Weather: an absolute channel shows it with the chamber open; a gauge channel with a mean
    # atmosphere carries it into every absolute pressure (1/6.5 K/kPa at 121 °C).
    Nuisance("weather", {"open_pressure": 1.0, "boil": 0.27}, 0.8),
    # A week of deep or high pressure is 1 kPa off the mean (common knowledge of weather; what the
    # contract allows a gauge channel is 2 to 3 kPa): healthy gauge channels showed it as air.
    Nuisance("assumed weather", {"saturation": -0.15, "boil": 0.27, "equilibration": 1.5}, 0.5),
)


LOAD: Final = next(i for i, n in enumerate(NUISANCES) if n.name == "load")
LESS_TO_HEAT: Final = tuple(
    k for k, s in enumerate(SIGNATURES) if s.part == "water_fill" and "power" in s.changes
)
"""Low water while it still boils: the rates rise as under a lighter load, and more."""
LATE_END: Final = tuple(k for k, s in enumerate(SIGNATURES) if set(s.changes) == {"closing"})
"""The filter of a machine with vacuum, then the vent of one without."""
NO_PURGE: Final = next(k for k, s in enumerate(SIGNATURES) if "boiling" in s.changes)
BLOCKED: Final = next(k for k, s in enumerate(SIGNATURES) if s.mode == "blocked")
MOVED: Final = tuple(k for k, s in enumerate(SIGNATURES) if s.mode == "moved")
OWN_SENSOR: Final = next(k for k, s in enumerate(SIGNATURES) if s.part == "temperature_sensor")
_SHORT_OF_HEAT: Final = tuple(
    k
    for k, s in enumerate(SIGNATURES)
    if s.mode == "element weak" or (s.part == "door_seal" and "loss" in s.changes)
)
HEAT: Final = tuple(k for k in _SHORT_OF_HEAT if "plateau" not in SIGNATURES[k].changes)
"""Too little heat, or steam lost: under either a controller may hold its plateau too low."""
DROOPS: Final = tuple(
    k
    for k in _SHORT_OF_HEAT
    if "plateau" in SIGNATURES[k].changes and "saturation" not in SIGNATURES[k].changes
)
"""The same with the plateau drooping. How it droops tells one from the other; that a plateau
sinks is anyone's doing, so this is no finding where heating alone does not show either of them."""
WEAK: Final = next(k for k, s in enumerate(SIGNATURES) if s.mode == "element weak")
LEAKS: Final = tuple(
    k
    for k, s in enumerate(SIGNATURES)
    if s.part == "door_seal" and (k in HEAT or s.changes.get("leak") == 1.0)
)
"""Steam that is lost, and a leak test's own rate: a seal may come to either limit first."""
TIMER: Final = next(k for k, s in enumerate(SIGNATURES) if "hold" in s.changes)
DRAWN_IN: Final = tuple(
    k
    for k, s in enumerate(SIGNATURES)
    if s.changes.get("saturation") == -1.0 and s.part != "logger" and "plateau" not in s.changes
)
"""Air that was left in, then the same drawn in by a seal."""
PUMP_SIGNS: Final = ("vacuum", "evacuation", "drying_vacuum")
"""What a pump that wears moves."""
REGULATES: Final = next(
    k for k, s in enumerate(SIGNATURES) if s.part == "pressure_sensor" and "plateau" in s.changes
)
AIR: Final = next(
    k for k, s in enumerate(SIGNATURES) if s.part == "air_removal" and "plateau" in s.changes
)


def _matrix(rows: list[dict[str, float]]) -> FloatArray:
    out = np.zeros((len(rows), len(SIGNS)))
    for i, row in enumerate(rows):
        for name, value in row.items():
            out[i, INDEX[name]] = value
    return out


DIRECTIONS: Final = _matrix([s.changes for s in SIGNATURES])
NUISANCE_DIRECTIONS: Final = _matrix([n.changes for n in NUISANCES])
NUISANCE_SD: Final = np.array([n.sd for n in NUISANCES])
NEEDS: Final = _matrix([dict.fromkeys(s.needs, 1.0) for s in SIGNATURES]) > 0.0
TWO_SIDED: Final = np.array([s.two_sided for s in SIGNATURES])
WATCH_FLOOR: Final = np.array([s.watch_floor for s in SIGNATURES])
SERVICE_FLOOR: Final = np.array([s.service_floor for s in SIGNATURES])
SIGNATURE_PARTS: Final = tuple(s.part for s in SIGNATURES)


def signs_of_part(part: str) -> list[int]:
    """Return the indices of the signs that a part's signatures name."""
    touched = {
        INDEX[name] for s in SIGNATURES if s.part == part for name, v in s.changes.items() if v
    }
    return sorted(touched)
