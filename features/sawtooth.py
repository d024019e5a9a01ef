"""The heater's saw-tooth in exposure: slopes, duty, P/C and L/C.

Common practice, no source: with heater power P, losses L and heat capacity C
constant over a period, rise = (P - L)/C and fall = L/C, so that rise + fall =
P/C and fall/(rise + fall) = L/P.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from .crossing import median, smooth
from .quick import diff, mean_of, true_at
from .samples import FloatArray, IntArray

LEAST_SAMPLES: Final = 4.0
"""Samples in a period under which no saw-tooth is read."""
LEAST_AMPLITUDE: Final = 3.0
"""Peak-to-peak in units of noise or of resolution under which none is read."""
LEAST_TEETH: Final = 2
PERIOD_SHARE: Final = 1.0 / 3.0
"""Longest period as a share of the exposure: fewer than three show no rhythm (no source)."""
UNEVEN: Final = 0.25
"""Median distance of periods from their median beyond which they have no rhythm (no source)."""
UNEVEN_SWING: Final = 0.3
"""The same for the heights of swings: of a thermostat's on outside fleets 99.5 % lie within 0.17,
of a proportioned heater's wander 90 % beyond 0.53."""
FEW_SAMPLES: Final = 7.0
"""Samples in a period under which slopes come from steps, not from regressions of runs."""
LEG_SAMPLES: Final = 2.5
"""The same for the shorter run alone: of 35 s sampled each 20 s only steps show the slope
(no source)."""
HEIGHT_RATIO: Final = 1.4
"""Most that two readings of the swing's height may differ (no source)."""
STEP_ERROR: Final = 0.018
"""Error of slopes from steps, as a share of rise + fall (calibrated on simulated traces)."""
_MEDIAN_ERROR: Final = 1.2533  # SD of a median over SD of a mean, normal distribution


@dataclass(frozen=True)
class SawTooth:
    """Settled saw-teeth; rates in K/min, NaN with a reason where there are none."""

    rise: float
    fall: float
    rise_error: float
    fall_error: float
    period_s: float
    count: int
    reason: str

    @property
    def duty(self) -> float:
        """Share of the period with the heater on, fall/(rise + fall)."""
        return self.fall / (self.rise + self.fall)

    @property
    def duty_error(self) -> float:
        """Standard error of the duty, first order."""
        total = self.rise + self.fall
        return float(
            np.hypot(self.rise * self.fall_error, self.fall * self.rise_error) / (total * total)
        )


def _none(reason: str) -> SawTooth:
    nan = float("nan")
    return SawTooth(nan, nan, nan, nan, nan, 0, reason)


def measure(
    time: FloatArray, temp: FloatArray, noise: float, resolution: float, tau_s: float = 0.0
) -> SawTooth:
    """Measure the saw-tooth of an exposure.

    Parameters
    ----------
    time, temp
        Samples of the exposure, shape (n,) [s, °C].
    noise, resolution
        Of the temperature channel [K].
    tau_s
        Time constant of the sensor [s]; after each switch one and a half are skipped.
    """
    if len(time) < 12:
        return _none("no_sawtooth")
    interval = float(time[-1] - time[0]) / (len(time) - 1)
    grain = max(noise if np.isfinite(noise) else 0.0, 1e-3)
    step = resolution if np.isfinite(resolution) else 0.0
    turns = _turns(time, temp, grain, step, interval)
    if len(turns) < 2 * LEAST_TEETH + 1:
        return _none("no_sawtooth")
    swing = np.abs(diff(temp[turns]))
    period = _period(time, turns)
    if period / interval < LEAST_SAMPLES:
        return _none("no_sawtooth")
    if median(swing) < LEAST_AMPLITUDE * max(grain, step):
        return _none("no_sawtooth")
    if period > PERIOD_SHARE * float(time[-1] - time[0]) or not _even(time, turns):
        return _none("no_sawtooth")
    turns = _settled(turns)
    if len(turns) < 2 * LEAST_TEETH or not _level(temp[turns], max(grain, step)):
        return _none("no_sawtooth")
    first = int(turns[0])
    legs = diff(time[turns])
    shorter = min(median(legs[::2]), median(legs[1::2])) / interval
    if period / interval < FEW_SAMPLES or shorter < LEG_SAMPLES:
        found = _by_steps(time[first:], temp[first:], period, interval, grain, len(turns) // 2)
    else:
        found = _by_runs(time, temp, turns, 1.5 * tau_s, period, interval, grain)
    if not found.reason and not _fits(found, time[first:], temp[first:], grain):
        return _none("no_sawtooth")
    return found


def _fits(found: SawTooth, time: FloatArray, temp: FloatArray, noise: float) -> bool:
    """Return whether slopes, period and height agree.

    A triangle wave's values are spread evenly, so its height is sqrt(12) times
    their standard deviation; slopes and period give it as well. Swings too fast
    for the sampling look slow (aliasing), and then the two differ.
    """
    x = time - mean_of(time)
    even = temp - mean_of(temp)
    even = even - x * (float(x @ even) / float(x @ x))
    height = float(np.sqrt(12.0 * max(float(even @ even) / len(even) - noise * noise, 1e-9)))
    drawn = found.fall / 60.0 * (1.0 - found.duty) * found.period_s
    return 1.0 / HEIGHT_RATIO < drawn / height < HEIGHT_RATIO


def _turns(
    time: FloatArray, temp: FloatArray, noise: float, step: float, interval: float
) -> IntArray:
    """Return indices of alternating highs and lows whose swings stand out of the noise."""
    width = 1
    if noise > 0.02:
        width = min(9, 2 * int(noise / 0.06) + 1)
        width = max(1, min(width, 2 * (int(20.0 / interval) // 2) + 1))
    even = smooth(temp, width)
    move = diff(even)
    sign = np.sign(move)
    place = np.where(sign != 0, np.arange(len(sign)), 0)
    np.maximum.accumulate(place, out=place)
    sign = sign[place]
    turn = true_at(sign[1:] != sign[:-1]) + 1
    if not len(turn):
        return turn
    turn = np.concatenate(([0], turn, [len(even) - 1]))
    least = max(3.5 * noise / np.sqrt(width), 1.01 * step, 0.04)
    return _prune(even, turn, least)


def _prune(values: FloatArray, turns: IntArray, least: float) -> IntArray:
    """Drop the pairs of turning points between which values move less than ``least``.

    The highs and lows that remain are those of a hysteresis of that width. A
    loop over turning points, not over samples.
    """
    places, heights = turns.tolist(), values[turns].tolist()
    kept, level = [places[0]], heights[0]
    direction = 0
    for k, height in zip(places[1:], heights[1:], strict=True):
        gap = height - level
        if direction == 0:
            if abs(gap) < least:
                continue
            direction = 1 if gap > 0 else -1
            kept.append(k)
        elif gap * direction >= 0.0:
            kept[-1] = k
        elif abs(gap) >= least:
            direction = -direction
            kept.append(k)
        else:
            continue
        level = height
    return np.asarray(kept[1:-1], dtype=np.int64)


def _period(time: FloatArray, turns: IntArray) -> float:
    return median(time[turns[2:]] - time[turns[:-2]])


def _even(time: FloatArray, turns: IntArray) -> bool:
    """Return whether the periods resemble each other, as a thermostat's do.

    Counted from high to high and from low to low; chance swings of proportioned
    or modulated heat come at any time.
    """
    periods = time[turns[2:]] - time[turns[:-2]]
    if len(periods) < 4:
        return True
    middle = median(periods)
    return median(np.abs(periods - middle)) < UNEVEN * middle


def _level(turned: FloatArray, grain: float) -> bool:
    """Return whether swings stand out and are about as high as each other, as a thermostat's are.

    A heater that is proportioned wanders: its swings differ in height.
    """
    swing = np.abs(diff(turned))
    middle = median(swing)
    if middle < LEAST_AMPLITUDE * grain:
        return False
    return median(np.abs(swing - middle)) <= UNEVEN_SWING * middle


def _settled(turns: IntArray) -> IntArray:
    """Keep the later part of the teeth: a cold load soaks first and adds to the loss."""
    if len(turns) <= 2 * LEAST_TEETH + 2:
        return turns
    return turns[max(1, len(turns) // 3) :]


def _by_runs(
    time: FloatArray,
    temp: FloatArray,
    turns: IntArray,
    skip: float,
    period: float,
    interval: float,
    noise: float,
) -> SawTooth:
    """Regress the runs between turns, their ends left out."""
    begin, stop = time[turns[:-1]], time[turns[1:]]
    span = stop - begin
    lead = np.minimum(max(skip, 0.6 * interval), 0.45 * span)
    trail = np.minimum(0.6 * interval, 0.15 * span)
    i = time.searchsorted(begin + lead - 1e-6)
    j = time.searchsorted(stop - trail + 1e-6)
    few = j - i < 2
    i, j = np.where(few, turns[:-1], i), np.where(few, turns[1:] + 1, j)
    slope, sxx = _run_slopes(time, temp, i, j)
    up = temp[turns[1:]] > temp[turns[:-1]]
    real = sxx > 0.0
    rising, falling = real & up, real & ~up
    count = min(int(rising.sum()), int(falling.sum()))
    if count < LEAST_TEETH:
        return _none("no_sawtooth")
    rise, rise_error = _pool(slope[rising], sxx[rising], noise)
    fall, fall_error = _pool(slope[falling], sxx[falling], noise)
    rise, fall = rise * 60.0, -fall * 60.0
    if not (rise > 0.0 and fall > 0.0):
        return _none("no_sawtooth")
    return SawTooth(rise, fall, rise_error * 60.0, fall_error * 60.0, period, count, "")


def _run_slopes(
    time: FloatArray, temp: FloatArray, first: IntArray, stop: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Return least-squares slopes of runs, each ``first`` to before ``stop``, and their sums of
    squared times, all of shape (runs,).
    """
    size = stop - first
    run = np.repeat(np.arange(len(size)), size)
    heads = np.concatenate(([0], np.cumsum(size)[:-1]))
    at = np.arange(len(run)) - heads[run] + first[run]
    x, y = time[at], temp[at]
    x = x - (np.add.reduceat(x - x[heads][run], heads) / size + x[heads])[run]
    y = y - (np.add.reduceat(y, heads) / size)[run]
    sxx = np.add.reduceat(x * x, heads)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.add.reduceat(x * y, heads) / sxx, sxx


def _by_steps(
    time: FloatArray, temp: FloatArray, period: float, interval: float, noise: float, teeth: int
) -> SawTooth:
    """Read slopes from the steps between samples, where few fall on each run.

    Of all steps, a share of duty less interval/period lies whole on a rise and
    has its slope; the like share of falls. Those are the greatest and the least
    steps, so the medians of these shares are the slopes; duty follows and the
    shares are taken anew until they settle.
    """
    x = time - mean_of(time)
    even = temp - x * (float(x @ temp) / float(x @ x))
    step = np.sort(diff(even) / diff(time))
    n = len(step)
    if n < 12 or noise * float(np.sqrt(2.0)) / interval > 0.35 * float(step[-2] - step[1]):
        return _none("no_sawtooth")
    part = interval / period
    duty, rise, fall, up, down = 0.4, 0.0, 0.0, 0.1, 0.1
    for _ in range(14):
        up, down = max(duty - part, 0.06), max(1.0 - duty - part, 0.06)
        rise = _quantile(step, 1.0 - 0.5 * up)
        fall = -_quantile(step, 0.5 * down)
        if not (rise > 0.0 and fall > 0.0):
            return _none("no_sawtooth")
        duty = 0.5 * duty + 0.5 * fall / (rise + fall)
    own = noise * float(np.sqrt(2.0)) / interval
    method = STEP_ERROR * (rise + fall)  # found on traces with known slopes, see tests
    errors = [
        float(np.hypot(_MEDIAN_ERROR * own / np.sqrt(max(share * n, 1.0)), method))
        for share in (up, down)
    ]
    return SawTooth(
        rise * 60.0, fall * 60.0, errors[0] * 60.0, errors[1] * 60.0, period, teeth, ""
    )


def _quantile(ordered: FloatArray, share: float) -> float:
    place = share * (len(ordered) - 1)
    k = min(int(place), len(ordered) - 2)
    return float(ordered[k] + (place - k) * (ordered[k + 1] - ordered[k]))


def _pool(slopes: FloatArray, sxx: FloatArray, noise: float) -> tuple[float, float]:
    """Return the median slope and its standard error from scatter and from noise."""
    middle = median(slopes)
    spread = 1.4826 * median(np.abs(slopes - middle))
    own = noise / np.sqrt(median(sxx))
    return middle, _MEDIAN_ERROR * max(spread, own) / float(np.sqrt(len(slopes)))
