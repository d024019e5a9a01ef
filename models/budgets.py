"""What a site's budget of false flags asks of the evidence.

The limits of the drift charts are shipped for the designed budget. Another budget
moves them by standard errors, along what the simulation of healthy units gives.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ..shared.config import Budgets

ASKED_T: Final = (-1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Standard errors asked more than the shipped limits."""

FALSE_FLAGS: Final = {
    "watch": (2.90, 2.37, 2.02, 1.46, 1.06, 0.79, 0.55, 0.36, 0.21, 0.07, 0.02),
    "service": (0.445, 0.368, 0.302, 0.223, 0.167, 0.098, 0.064, 0.042, 0.022, 0.009, 0.006),
}
"""False flags a unit-year at each, over 480 simulated unit-years of either kind (from the share
p of units with one in a year, as -ln(1 - p); tests/models/test_calibration.py)."""


@dataclass(frozen=True)
class Asked:
    """Standard errors asked of a signature beyond the shipped limits; negative is less."""

    watch: float = 0.0
    service: float = 0.0


SHIPPED: Final = Asked()


def asked(budgets: Budgets) -> Asked:
    """Return what the budgets ask beyond the shipped limits.

    Parameters
    ----------
    budgets
        False flags per healthy unit-year. The defaults ask what is shipped; what is beyond
        the simulated rates asks what their ends ask.

    Returns
    -------
    Asked
        For ``watch`` and ``service``. A ``stop`` rests on hard limits, which a budget
        does not move.
    """
    usual = Budgets()
    return Asked(
        watch=_asked("watch", budgets.watch / budgets.fleet_factor, usual.watch),
        service=_asked("service", budgets.service / budgets.fleet_factor, usual.service),
    )


def _asked(severity: str, budget: float, usual: float) -> float:
    rates = np.log(FALSE_FLAGS[severity])[::-1]
    at = np.interp(np.log([budget, usual]), rates, ASKED_T[::-1])
    return float(round(at[0] - at[1], 6))
