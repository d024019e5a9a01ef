"""What steam says about units and references: agreement with saturation.

At the plateau of a cycle the chamber holds saturated steam, so temperature and
pressure must agree; cold and open, the pressure is the atmosphere. Evidence of
this kind may settle what an export leaves open only where one reading agrees and
the others are far off, and it contradicts statements that can't be.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ...shared.steam import STANDARD_ATMOSPHERE_KPA, p_sat_kpa, t_sat_c
from ...shared.units import PRESSURE_TO_KPA, to_celsius

Float = NDArray[np.float64]

HOT_C: Final = (105.0, 150.0)
LEAST_SAMPLES: Final = 20
PLENTY: Final = 40
"""Samples of hot steam that are enough to agree without a look at more (no source)."""
AGREES_K: Final = 2.5
"""Largest |T − Tsat(p)| of a reading that agrees: twice the 0.5 K and 2 kPa channels' error
at 121 °C plus the weather's 0.4 K, rounded up."""
AGREES_GAUGE_K: Final = 5.0
"""The same where the atmosphere is assumed: 0.46 K for 3 kPa at 121 °C, 3.5 K at 2000 m."""
FAR_K: Final = 8.0
"""Smallest |T − Tsat(p)| of a reading that is ruled out: half the 13 to 20 K by which a wrong
reference misses."""
COLD_C: Final = 50.0
OPEN_KPA: Final = (60.0, 110.0)
"""Atmospheres that a clinic can have [kPa]: 4000 m to a strong high at sea level."""


NEVER_ALWAYS_C: Final = 160.0
"""A record that is nowhere colder is in another unit (no source: 26 K over the hottest
program)."""
OVER_C: Final = 160.0
"""No steam is hotter, so that °C that stay below contradict nothing (no source)."""
LIKELY_KPA: Final = (85.0, 106.0)
"""Atmospheres of nearly all clinics [kPa]: 1400 m to a strong high at sea level."""
PRESSURISED_KPA: Final = 110.0
BOILS_C: Final = 100.0
WARM_WALL_C: Final = 95.0
"""Below boiling at up to 1500 m (84.6 kPa, IAPWS-IF97)."""
LEAST_OPEN: Final = 8
"""Samples below boiling that show an open chamber (no source)."""
ALONG_K: Final = 2.0
ALONG_RANGE_K: Final = 8.0
ALONG_SHARE: Final = 0.15
"""Hot samples within 2 K of saturation over at least 8 K, and how many of them (no source)."""


@dataclass(frozen=True)
class Reading:
    """One way to read both channels, and how it agrees with steam."""

    temperature_unit: str
    pressure_unit: str
    absolute: bool
    hot_samples: int
    deviation_k: float
    cold_samples: int
    cold_kpa: float
    """Median absolute pressure while cold [kPa]."""
    added_kpa: float = 0.0
    """Atmosphere that was added to gauge pressures [kPa]."""

    @property
    def agrees(self) -> bool:
        """Whether hot steam agrees with saturation."""
        limit = AGREES_K if self.absolute else AGREES_GAUGE_K
        return self.hot_samples >= LEAST_SAMPLES and abs(self.deviation_k) <= limit

    @property
    def far(self) -> bool:
        """Whether hot steam is far from saturation."""
        return self.hot_samples >= LEAST_SAMPLES and not abs(self.deviation_k) <= FAR_K

    @property
    def open_fits(self) -> bool | None:
        """Whether the cold chamber reads an atmosphere; None where it was never cold."""
        if self.cold_samples < LEAST_SAMPLES:
            return None
        return OPEN_KPA[0] <= self.cold_kpa <= OPEN_KPA[1]

    def ruled_out_by(self, other: Reading) -> bool:
        """Whether another reading that agrees leaves this one no room.

        At height the wrong reference misses by less than 8 K; but then the open chamber
        reads an atmosphere one way and twice that, or none, the other way.
        """
        if other.open_fits is False:
            return False
        worse = not abs(self.deviation_k) <= 2.0 * abs(other.deviation_k) + 2.0
        return self.far or (self.open_fits is False and other.open_fits is True and worse)

    def in_celsius_and_kpa(self, temperature: Float, pressure: Float) -> tuple[Float, Float]:
        """Return both channels as written, shape (n,), read this way [°C, kPa absolute]."""
        kpa = pressure * PRESSURE_TO_KPA[self.pressure_unit] + self.added_kpa
        return to_celsius(temperature, self.temperature_unit), kpa

    @property
    def words(self) -> str:
        """The reading in words."""
        return (
            f"{self.temperature_unit} and {self.pressure_unit} "
            f"{'absolute' if self.absolute else 'gauge'}"
        )


@dataclass(frozen=True)
class Contradiction:
    """Why stated units can't be, and the ones that could; empty where none is likely."""

    words: str
    temperature_unit: str = ""
    pressure_unit: str = ""
    reference: str = ""


def thin(n: int, most: int = 600) -> slice:
    """Return a slice that keeps at most about ``most`` of ``n`` rows."""
    return slice(None, None, max(n // most, 1))


def telling_rows(temperature: Float, pressure: Float, most: int = 400) -> tuple[Float, Float]:
    """Return at most about ``3 * most`` rows: some of all, and some of the hotter ones.

    In a month's record steam is a few rows of a hundred; thinned evenly it would vanish.
    """
    n = len(temperature)
    if n <= most:
        return temperature, pressure
    chosen = np.zeros(n, bool)
    chosen[:: max(n // most, 1)] = True
    for level in hot_levels(temperature):
        hot = np.flatnonzero(temperature >= level)
        chosen[hot[thin(len(hot), most)]] = True
    return temperature[chosen], pressure[chosen]


def hot_levels(temperature: Float) -> tuple[float, ...]:
    """Return the levels of the top sixth and half of a channel's range, spikes left aside."""
    finite = _finite(temperature)
    if len(finite) <= LEAST_SAMPLES:
        return ()
    top = float(np.partition(finite, len(finite) - LEAST_SAMPLES)[len(finite) - LEAST_SAMPLES])
    low = float(np.min(finite[thin(len(finite))]))
    return top - (top - low) / 6.0, top - (top - low) / 2.0


def _finite(values: Float) -> Float:
    """Return the finite values of an array: itself where all are, as they mostly are."""
    known = np.isfinite(values)
    return values if known.all() else values[known]


def shares(values: Float, *parts: float) -> tuple[float, ...]:
    """Return quantiles of finite values, shape (n,): one sort for all of them."""
    ordered = np.sort(values)
    places = [part * (len(ordered) - 1) for part in parts]
    return tuple(
        float(
            ordered[int(p)]
            + (p - int(p)) * (ordered[min(int(p) + 1, len(ordered) - 1)] - ordered[int(p)])
        )
        for p in places
    )


def read_as(
    temperature: Float,
    pressure: Float,
    temperature_unit: str,
    pressure_unit: str,
    absolute: bool,
    atmosphere_kpa: float = STANDARD_ATMOSPHERE_KPA,
) -> Reading:
    """Read both channels one way and compare with saturation.

    Parameters
    ----------
    temperature, pressure
        Values as written, shape (n,), NaN where missing.
    """
    t = to_celsius(temperature, temperature_unit)
    factor = PRESSURE_TO_KPA[pressure_unit]
    p = pressure if factor == 1.0 else pressure * factor
    p = p if absolute else p + atmosphere_kpa
    both = np.isfinite(t) & np.isfinite(p)
    if not both.all():
        t, p = t[both], p[both]
    if len(t) == 0:
        return Reading(temperature_unit, pressure_unit, absolute, 0, float("nan"), 0, float("nan"))
    inside = (t >= HOT_C[0]) & (t <= HOT_C[1])
    count = int(inside.sum())
    deviation = float("nan")
    if count:
        top = shares(t[inside], 0.98)[0]
        hot = inside & (t >= top - 4.0)
        count = int(hot.sum())
        off = t[hot] - t_sat_c(p[hot])
        known = np.isfinite(off)
        deviation = shares(off if known.all() else np.where(known, off, 999.0), 0.5)[0]
    cold = t < COLD_C
    return Reading(
        temperature_unit,
        pressure_unit,
        absolute,
        count,
        deviation,
        int(cold.sum()),
        shares(p[cold], 0.5)[0] if cold.any() else float("nan"),
        0.0 if absolute else atmosphere_kpa,
    )


def plainly_steam(
    temperature: Float,
    pressure: Float,
    temperature_unit: str,
    pressure_unit: str,
    absolute: bool,
    atmosphere_kpa: float,
) -> bool:
    """Say whether a few rows show steam and the open chamber, as most exports of a cycle do.

    Where the middles of the hottest 4 K agree within 2.5 K, the middle deviation is under
    8 K, so that a closer look (``read_as``) could not find it far off.
    """
    few = thin(len(temperature), 300)
    t = to_celsius(temperature[few], temperature_unit)
    ordered = np.sort(t)
    n = len(ordered)
    first = int(ordered.searchsorted(HOT_C[0]))
    # A NaN is sorted to the end, and is not below.
    if n - first < PLENTY or not ordered[-1] <= HOT_C[1]:
        return False
    edge = float(ordered[first + int(0.98 * (n - first - 1))]) - 4.0
    p = pressure[few]
    hot = np.sort(p[t >= edge])
    cold = np.sort(p[t < COLD_C])
    if len(hot) < PLENTY or len(cold) < LEAST_SAMPLES:
        return False
    factor, more = PRESSURE_TO_KPA[pressure_unit], 0.0 if absolute else atmosphere_kpa
    low, high = _steam_kpa(round(10.0 * float(ordered[n - 1 - len(hot) // 2])))
    middle = float(hot[len(hot) // 2]) * factor + more
    if not (low <= middle <= high and np.isfinite(hot[-1])):
        return False
    stands = float(cold[len(cold) // 2]) * factor + more
    return bool(OPEN_KPA[0] <= stands <= OPEN_KPA[1] and np.isfinite(cold[-1]))


@lru_cache(maxsize=256)
def _steam_kpa(tenths_c: int) -> tuple[float, float]:
    """Return the pressures [kPa] of steam that is 2.5 K colder and hotter."""
    low, high = p_sat_kpa(np.array([tenths_c / 10.0 - AGREES_K, tenths_c / 10.0 + AGREES_K]))
    return float(low), float(high)


def alternatives(
    temperature: Float, pressure: Float, declared: Reading, atmosphere_kpa: float
) -> list[Reading]:
    """Return other readings that agree with steam hot and, where it was cold, open."""
    found = []
    for temperature_unit in ("°C", "°F", "K"):
        for pressure_unit in ("kPa", "bar", "mbar", "psi", "MPa", "Pa", "kgf/cm2", "mmHg", "inHg"):
            for absolute in (True, False):
                reading = read_as(
                    temperature,
                    pressure,
                    temperature_unit,
                    pressure_unit,
                    absolute,
                    atmosphere_kpa,
                )
                same = (temperature_unit, pressure_unit, absolute) == (
                    declared.temperature_unit,
                    declared.pressure_unit,
                    declared.absolute,
                )
                if not same and reading.agrees and reading.open_fits is not False:
                    found.append(reading)
    changes = {
        id(r): (r.temperature_unit != declared.temperature_unit)
        + (r.pressure_unit != declared.pressure_unit)
        + (r.absolute != declared.absolute)
        for r in found
    }
    return sorted(found, key=lambda r: (changes[id(r)], abs(r.deviation_k)))


def contradiction(
    temperature: Float,
    pressure: Float,
    temperature_unit: str,
    pressure_unit: str,
    absolute: bool,
    atmosphere_kpa: float,
) -> Contradiction | None:
    """Say how the stated units contradict steam, or return None; see ``ask_steam``."""
    return ask_steam(
        temperature, pressure, temperature_unit, pressure_unit, absolute, atmosphere_kpa
    )[1]


def ask_steam(
    temperature: Float,
    pressure: Float,
    temperature_unit: str,
    pressure_unit: str,
    absolute: bool,
    atmosphere_kpa: float,
) -> tuple[bool, Contradiction | None]:
    """Say whether hot samples, values as written, agree with saturation, or how they contradict.

    A deviation alone is no contradiction, for air and bad sensors make one; a
    contradiction needs another reading that agrees where this one can't.
    """
    if plainly_steam(
        temperature, pressure, temperature_unit, pressure_unit, absolute, atmosphere_kpa
    ):
        return True, None
    t, p = telling_rows(temperature, pressure)
    declared = read_as(t, p, temperature_unit, pressure_unit, absolute, atmosphere_kpa)
    if declared.agrees and declared.open_fits is not False:
        return True, None
    return False, _contradiction(t, p, declared, atmosphere_kpa)


def _contradiction(
    t: Float, p: Float, declared: Reading, atmosphere_kpa: float
) -> Contradiction | None:
    """Say how telling rows contradict a reading of them, or return None."""
    temperature_unit, pressure_unit = declared.temperature_unit, declared.pressure_unit
    absolute = declared.absolute
    at_ease = declared.hot_samples >= LEAST_SAMPLES and not declared.far
    if at_ease and declared.open_fits is not False:
        return None
    celsius, kpa = declared.in_celsius_and_kpa(t, p)
    if still(t) or still(p):
        # A channel that stands still says nothing about steam, but where the chamber is cold
        # all the time, what it stands at says what it counts from.
        return _cold_contradiction(declared, kpa, atmosphere_kpa)
    if at_ease:
        other = read_as(t, p, temperature_unit, pressure_unit, not absolute, atmosphere_kpa)
        if other.agrees and declared.ruled_out_by(other):
            return Contradiction(
                f"read as {declared.words} the open chamber would read "
                f"{declared.cold_kpa:.0f} kPa absolute, read as {other.words} "
                f"{other.cold_kpa:.0f} kPa, with steam within {abs(other.deviation_k):.1f} K",
                reference="absolute" if other.absolute else "vented_gauge",
            )
        return None
    if _follows_steam(celsius, kpa) or _only_vacuum(celsius, kpa):
        return None
    steamy = int((np.isfinite(kpa) & (kpa > 150.0)).sum()) >= LEAST_SAMPLES
    too_hot = int((np.isfinite(celsius) & (celsius > HOT_C[1])).sum()) >= LEAST_SAMPLES
    if declared.far or steamy or too_hot:
        confirmed = declared.open_fits is True and not too_hot and not declared_cold_only(declared)
        if not confirmed:
            others = alternatives(t, p, declared, atmosphere_kpa)
            if _stands_open(celsius, kpa):
                # Air in the chamber, or none of its steam, moves hot samples off saturation as
                # another reference does; the open chamber reads no other atmosphere for it.
                others = [r for r in others if _stands_open(*r.in_celsius_and_kpa(t, p))]
            if others:
                other = others[0]
                said = (
                    f"hot samples lie {declared.deviation_k:.0f} K off saturation"
                    if declared.hot_samples >= LEAST_SAMPLES and abs(declared.deviation_k) < 900
                    else "temperature and pressure can't both be steam"
                )
                return Contradiction(
                    f"read as {declared.words} {said}, read as {other.words} they agree "
                    f"within {abs(other.deviation_k):.1f} K",
                    other.temperature_unit,
                    other.pressure_unit,
                    "absolute" if other.absolute else "vented_gauge",
                )
            swapped = [
                r
                for tu in ("°C", "°F")
                for pu in ("kPa", pressure_unit)
                for r in [read_as(p, t, tu, pu, absolute, atmosphere_kpa)]
                if r.agrees and r.open_fits is not False
            ]
            if swapped:
                return Contradiction(
                    f"read as {declared.words} temperature and pressure don't agree with steam, "
                    "but they do with the two columns swapped"
                )
    return _cold_contradiction(declared, kpa, atmosphere_kpa)


def _cold_contradiction(
    declared: Reading, kpa: Float, atmosphere_kpa: float
) -> Contradiction | None:
    """Say how a record that is cold throughout contradicts its reference, or return None."""
    if not declared.hot_samples < LEAST_SAMPLES <= declared.cold_samples:
        return None
    finite = kpa[np.isfinite(kpa)]
    largest = float(np.abs(finite).max())
    if declared.absolute and largest < 15.0 and abs(declared.cold_kpa) < 4.0:
        written = declared.cold_kpa / PRESSURE_TO_KPA[declared.pressure_unit]
        units = [
            unit
            for unit in ("bar", "psi", "mbar", "atm", "kgf/cm2")
            if unit != declared.pressure_unit
            and LIKELY_KPA[0] <= written * PRESSURE_TO_KPA[unit] <= LIKELY_KPA[1]
        ]
        return Contradiction(
            f"read as {declared.words} the cold chamber would hold a vacuum of "
            f"{declared.cold_kpa:.1f} kPa throughout, read as gauge"
            + (f" or in {units[0]}" if units else "")
            + " it stands open",
            reference="" if units else "vented_gauge",
        )
    if (
        not declared.absolute
        and float(finite.min()) > 150.0
        and OPEN_KPA[0] <= declared.cold_kpa - atmosphere_kpa <= OPEN_KPA[1]
    ):
        return Contradiction(
            f"read as {declared.words} the cold chamber would be under "
            f"{declared.cold_kpa:.0f} kPa throughout, read as absolute it stands open",
            reference="absolute",
        )
    return None


def _stands_open(celsius: Float, kpa: Float) -> bool:
    """Whether a chamber below boiling reads an atmosphere at times, as an open one does."""
    cool = celsius < WARM_WALL_C
    return int((cool & (kpa >= OPEN_KPA[0]) & (kpa <= OPEN_KPA[1])).sum()) >= LEAST_OPEN


def never_open(celsius: Float, kpa: Float) -> bool:
    """Say whether a chamber is seen below boiling and never at an atmosphere.

    Parameters
    ----------
    celsius, kpa
        Temperatures and absolute pressures, shape (n,).
    """
    cool = int((celsius < WARM_WALL_C).sum())
    return cool >= LEAST_OPEN and not _stands_open(celsius, kpa)


def _follows_steam(celsius: Float, kpa: Float) -> bool:
    """Whether a fair share of hot samples runs along the saturation curve as stated.

    A chamber that ran dry, or held by air, is far from saturation for most of the time,
    but no wrong unit follows the curve over several kelvin on the way there.
    """
    both = np.isfinite(celsius) & np.isfinite(kpa)
    hot = both & (celsius > HOT_C[0]) & (celsius <= HOT_C[1]) & (kpa > PRESSURISED_KPA)
    near = np.abs(celsius[hot] - t_sat_c(kpa[hot])) <= ALONG_K
    count = int(near.sum())
    if count < max(2 * LEAST_SAMPLES, ALONG_SHARE * int(hot.sum())):
        return False
    along = celsius[hot][near]
    return bool(along.max() - along.min() >= ALONG_RANGE_K)


def _only_vacuum(celsius: Float, kpa: Float) -> bool:
    """Whether the record as stated is a leak test: no pressure, an atmosphere without steam.

    A probe at a warm wall beside a vacuum is far from saturation and says nothing of units.
    """
    if not np.nanmax(kpa, initial=-np.inf) <= PRESSURISED_KPA:
        return False
    open_air = (kpa >= OPEN_KPA[0]) & (celsius < WARM_WALL_C)
    return int(open_air.sum()) >= LEAST_SAMPLES


def still(values: Float) -> bool:
    """Whether a channel hardly moves: its middle 90 % lie within 1 % of its size."""
    finite = values[np.isfinite(values)]
    if len(finite) < LEAST_SAMPLES:
        return True
    low, high = shares(finite, 0.05, 0.95)
    return high - low <= 0.01 * max(abs(low), abs(high))


def gauge_contradiction(
    temperature: Float, gauge_kpa: Float, unit: str, reference: str, atmosphere_kpa: float
) -> Contradiction | None:
    """Say how an open chamber contradicts the kind of gauge, or return None.

    Open to the air a vented gauge reads zero, and a sealed one what the air lacks
    to one standard atmosphere: at height they tell each other apart.
    """
    lack = atmosphere_kpa - STANDARD_ATMOSPHERE_KPA
    if abs(lack) < 6.0 or reference == "absolute":
        return None
    cold = (to_celsius(temperature, unit) < COLD_C) & np.isfinite(gauge_kpa)
    if int(cold.sum()) < LEAST_SAMPLES:
        return None
    reads = float(np.median(gauge_kpa[cold]))
    if reference == "vented_gauge" and abs(reads - lack) < 2.0:
        return Contradiction(
            f"a vented gauge would read 0 kPa in the open chamber, not {reads:.1f} kPa: "
            "that is what a sealed gauge reads at this height",
            reference="sealed_gauge",
        )
    if reference == "sealed_gauge" and abs(reads) < 2.0:
        return Contradiction(
            f"a sealed gauge would read {lack:.1f} kPa in the open chamber at this height, "
            f"not {reads:.1f} kPa: that is a vented gauge",
            reference="vented_gauge",
        )
    return None


def declared_cold_only(declared: Reading) -> bool:
    """Whether the declared reading never gets hot: then an open chamber confirms nothing."""
    return declared.hot_samples < LEAST_SAMPLES


def temperature_contradiction(
    temperature: Float, unit: str, highest_kpa: float = float("nan")
) -> Contradiction | None:
    """Say how a temperature channel alone contradicts its stated unit, or return None.

    Parameters
    ----------
    temperature
        Values as written.
    unit
        Their stated unit.
    highest_kpa
        Highest absolute pressure of the record, NaN where none is known: what lies far above
        160 °C under pressure is a dry chamber, where °F would leave it below boiling.
    """
    if unit == "°C" and len(temperature) and float(np.fmax.reduce(temperature)) <= OVER_C:
        return None
    values = _finite(temperature)
    if len(values) < 2 * LEAST_SAMPLES:
        return None
    low, high = shares(values[thin(len(values))], 0.02, 0.98)
    if unit == "°C" and low > NEVER_ALWAYS_C:
        tenths = low / 10.0 >= 3.0 and high / 10.0 <= 145.0
        return Contradiction(
            f"the whole record lies above {NEVER_ALWAYS_C:.0f} °C, where no steam sterilizer is"
            + (f"; in tenths it would be {low / 10:.1f} to {high / 10:.1f} °C" if tenths else ""),
            "" if not 40.0 <= (low - 32.0) / 1.8 <= 145.0 or tenths else "°F",
        )
    if unit == "°C" and 220.0 <= high <= 290.0 and low >= 40.0:
        c = (high - 32.0) / 1.8
        return Contradiction(
            f"a plateau at {high:.0f} °C is no steam; as °F it is {c:.0f} °C", "°F"
        )
    if unit == "°F" and 108.0 <= high <= 142.0 and low <= 40.0:
        c = (low - 32.0) / 1.8
        return Contradiction(
            f"as °F the chamber would start at {c:.0f} °C and never boil; "
            f"as °C it runs from {low:.0f} to {high:.0f} °C",
            "°C",
        )
    if unit == "°C":
        over = values[values > OVER_C]
        as_f = (over - 32.0) / 1.8
        if (
            len(over) >= LEAST_SAMPLES
            and bool(((as_f > 70.0) & (as_f < 145.0)).all())
            and float(np.ptp(over)) > 5.0
            and not (float(as_f.max()) < BOILS_C and highest_kpa > PRESSURISED_KPA)
        ):
            return Contradiction(
                f"{len(over)} samples lie above 160 °C, where no steam is; "
                f"as °F they reach {float(as_f.max()):.0f} °C",
                "°F",
            )
    if unit == "K" and high < 200.0:
        return Contradiction(f"{high:.0f} K is colder than any clinic; as °C it is steam", "°C")
    if unit != "K" and 370.0 <= high <= 420.0 and low > 270.0:
        return Contradiction(
            f"a plateau at {high:.0f} {unit} is no steam; as K it is {high - 273.15:.0f} °C", "K"
        )
    return None
