"""Sentences written in °C, K and kPa, told again in the reader's units.

Evidence, reasons and checks are stored as sentences in one set of units. A reader
who chose others must not convert in the head, so numbers that stand with one of
these units are rewritten where the text is drawn: single numbers, ranges and
pairs that share a unit ("from 4.3 to 3.2 K/min", "102 to 110 °C", "±0.5 K").
A number without one of the units stays as it is.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import Final

from .options import ReportOptions
from .quantities import Unit, shown_unit

_NUMBER: Final = r"(?:(?<![\d.,\w])[-−+])?\d+(?:\.\d+)?"
_JOIN: Final = r"(?: ?– ?|(?<=\d)-(?=\d)| to | and | or |, )"
_UNIT: Final = r"kPa/min|kPa absolute|kPa|°C/min|°C|K/min|s/K|K"
_QUANTITY: Final = re.compile(
    rf"(?<![\d.\w])(?P<numbers>±?{_NUMBER}(?:{_JOIN}{_NUMBER})*)(?P<space>[ \u00a0]?)"
    rf"(?P<unit>{_UNIT})(?![\w/°]|-\w)"
)
_ONE: Final = re.compile(_NUMBER)
_STORED: Final = {"°C/min": "K/min"}
"""Units that mean a stored one by another name."""


def in_units(text: str, options: ReportOptions) -> str:
    """Return a text with its temperatures and pressures in the reader's units.

    Parameters
    ----------
    text
        Sentences whose numbers stand with °C, K, K/min, s/K, kPa or kPa/min; °C is
        a temperature, K a difference.
    options
        The reader's units.

    Returns
    -------
    str
        The text itself where the reader's units are those it was written in.
    """
    if options.temperature_unit == "°C" and options.pressure_unit == "kPa":
        return text
    return _QUANTITY.sub(lambda found: _rewritten(found, options), text)


def _rewritten(found: re.Match[str], options: ReportOptions) -> str:
    written = found["unit"]
    unit = _unit(_STORED.get(written, written), options)
    if unit.factor == 1.0 and unit.offset == 0.0:
        return found[0]
    numbers = _ONE.sub(lambda n: _number(n[0], unit), found["numbers"])
    label = unit.label + (" absolute" if written.endswith(" absolute") else "")
    return f"{numbers}{found['space']}{label}"


@lru_cache(maxsize=64)
def _unit(stored: str, options: ReportOptions) -> Unit:
    return shown_unit(stored, options)


def _number(written: str, unit: Unit) -> str:
    """Return a number in another unit, with as many digits as it was known to.

    A whole number keeps one decimal where it would not stay whole: limits and set
    points are exact (121 °C is 249.8 °F).
    """
    sign = "−" if "−" in written else "-"
    plus = "+" if written.startswith("+") else ""
    value = float(written.replace("−", "-")) * unit.factor + unit.offset
    _, _, fraction = written.partition(".")
    decimals = max(0, len(fraction) - round(math.log10(abs(unit.factor)) + 1e-9))
    if not fraction:
        rough = round(value, 1)
        decimals = max(decimals, 0 if rough == round(rough) else 1)
        decimals = 0 if rough == round(rough) and abs(value) >= 10 else decimals
    text = f"{value:.{decimals}f}"
    text = text.lstrip("-") if float(text) == 0 else text
    return plus + text.replace("-", sign)
