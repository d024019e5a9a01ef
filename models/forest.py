"""An isolation forest over residuals, as one vote, with p-values that are kept honest.

Per unit type and per subsystem, fitted at fixed calendar points on cycles of
some units and turned into p-values by the cycles of others: a forest knows its
own training rows too well. Rows count as healthy when they are older than
thirty days and no service flag has been raised near them since. A forest is
nearly blind to a fault that moves one sign, so it never stands alone: the
largest standardised residual and the largest conditional one vote beside it.

References
----------
Liu, Ting and Zhou, Isolation Forest, ICDM 2008.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .isolation import Trees, grow
from .plain import array, pack_thousandths
from .signs import INDEX, NAMES

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SUBSYSTEMS: Final[dict[str, tuple[str, ...]]] = {
    "all": tuple(name for name in NAMES if name != "hold"),
    "heat": (
        "power",
        "loss",
        "duty",
        "current_duty",
        "heat_rate",
        "heat_rate_pressurised",
        "heat_up",
        "seat",
        "period",
    ),
    "steam": (
        "saturation",
        "superheat",
        "equilibration",
        "open_pressure",
        "boil",
        "plateau",
        "overshoot",
        "dip",
        "spread",
        "fade",
    ),
    "flow": (
        "exhaust",
        "vacuum",
        "evacuation",
        "air_inlet",
        "drying_vacuum",
        "leak",
        "closing",
    ),
}
"""Small sets: a forest over twenty signs hardly sees one of them move. A hold stays out: healthy
ones differ by whole sampling intervals or not at all, and one in ten then looks odd."""

TREES: Final = 32
SAMPLES: Final = 256
"""Rows a tree; the paper's default. Trees: a third of the paper's 100, for speed: p-values come
from the same trees' scores of held-out rows, so fewer trees blur them and bias nothing."""
LEAST_UNITS: Final = 2
LEAST_ROWS: Final = 200
"""Healthy units and rows on each side before a type has a forest."""
MOST_ROWS: Final = 2000
"""Bound on the rows that a fit or a reference reads, taken evenly."""
HEALTHY_AFTER_DAYS: Final = 30.0
"""Rows younger than this may be of a fault that no flag tells of yet (the contract)."""
CLIP: Final = 10.0
"""Bound on a standardised residual: beyond it one sign would crowd out the others' splits
(design choice)."""


@dataclass(frozen=True)
class Forest:
    """Fitted forests of one type, with the scores of held-out healthy cycles."""

    point: str
    models: dict[str, Trees]
    reference: dict[str, FloatArray]
    """Sorted scores of held-out rows, a subsystem."""

    @property
    def least_p(self) -> float:
        """The smallest p-value that this forest can give."""
        return 1.0 / (len(self.reference["all"]) + 1.0)

    def p_values(self, rows: FloatArray) -> dict[str, FloatArray]:
        """Return the share of held-out healthy cycles at least as odd, per subsystem.

        Parameters
        ----------
        rows
            Standardised residuals, shape (n, signs), NaN where unseen.
        """
        out: dict[str, FloatArray] = {}
        for name, model in self.models.items():
            score = _scores(model, _columns(rows, name))
            held = self.reference[name]
            below = np.searchsorted(held, score, side="right")
            out[name] = np.asarray((1.0 + below) / (held.size + 1.0), dtype=np.float64)
        return out


@dataclass(frozen=True)
class Pool:
    """Healthy rows of a type, units split into those to fit and those to hold out."""

    fit: FloatArray
    held: FloatArray
    units: int
    """Units on the smaller side."""

    def to_json(self) -> dict[str, Any]:
        """Return texts and a number."""
        return {
            "fit": pack_thousandths(self.fit),
            "held": pack_thousandths(self.held),
            "units": self.units,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Pool:
        """Read what ``to_json`` returned."""
        width = len(NAMES)
        return cls(
            array(data["fit"]).reshape(-1, width),
            array(data["held"]).reshape(-1, width),
            int(data["units"]),
        )


@dataclass(frozen=True)
class PoolPlan:
    """Which rows a pool takes of which unit."""

    rows: dict[str, IntArray]
    """By unit, places among its healthy rows."""
    fits: dict[str, bool]
    """By unit, whether its rows are fitted on or held out."""

    def pool(self, found: dict[str, FloatArray]) -> Pool:
        """Return the pool from these rows by unit, to a thousandth of a standard deviation."""
        sides = [[u for u, s in self.fits.items() if s is side] for side in (True, False)]
        none = np.zeros((0, len(NAMES)))
        fit, held = (np.round(np.concatenate([none, *(found[u] for u in s)]), 3) for s in sides)
        return Pool(fit, held, min(map(len, sides)))


def plan_pool(kind: str, units: list[str], counts: list[int]) -> PoolPlan:
    """Split units, not cycles, and thin the rows evenly.

    Parameters
    ----------
    kind
        Unit type; with a unit's name it decides the side.
    units, counts
        Each unit's name and how many healthy rows it has.
    """
    # Not by order or parity of a name: neighbours may share a site.
    fits = {u: zlib.crc32(f"{kind}/{u}".encode()) % 2 == 0 for u in units}
    rows: dict[str, IntArray] = {}
    for side in (True, False):
        own = [(u, n) for u, n in zip(units, counts, strict=True) if fits[u] is side]
        total = sum(n for _, n in own)
        kept = np.arange(total)
        if total > MOST_ROWS:
            kept = np.linspace(0, total - 1, MOST_ROWS).astype(np.int64)
        first = 0
        for unit, n in own:
            a, b = np.searchsorted(kept, [first, first + n])
            rows[unit] = kept[a:b] - first
            first += n
    return PoolPlan(rows, fits)


def make_pool(kind: str, units: list[str], blocks: list[FloatArray]) -> Pool:
    """Return the pool of units' standardised residuals, shape (n, signs) each."""
    plan = plan_pool(kind, units, [len(b) for b in blocks])
    return plan.pool({u: b[plan.rows[u]] for u, b in zip(units, blocks, strict=True)})


def fit_forest(point: str, kind: str, pool: Pool) -> Forest | None:
    """Fit a type's forests; None with too few units or rows on either side.

    Parameters
    ----------
    point, kind
        Calendar point and unit type; they make the seed.
    pool
        Healthy rows.
    """
    if pool.units < LEAST_UNITS or min(len(pool.fit), len(pool.held)) < LEAST_ROWS:
        return None
    models: dict[str, Trees] = {}
    reference: dict[str, FloatArray] = {}
    for name in SUBSYSTEMS:
        rows = _columns(pool.fit, name)
        seed = zlib.crc32(f"{point}/{kind}/{name}".encode())
        models[name] = grow(rows, TREES, min(SAMPLES, len(rows)), seed)
        reference[name] = np.sort(_scores(models[name], _columns(pool.held, name)))
    return Forest(point, models, reference)


def standardise(residual: FloatArray, scale: FloatArray, wander: FloatArray) -> FloatArray:
    """Return residuals in standard deviations of scatter and wander, bounded, NaN kept."""
    return np.asarray(np.clip(residual / np.hypot(scale, wander), -CLIP, CLIP))


def _columns(rows: FloatArray, subsystem: str) -> FloatArray:
    """Pick a subsystem; a sign that was not seen counts as usual."""
    picked = rows[:, [INDEX[n] for n in SUBSYSTEMS[subsystem]]]
    return np.where(np.isfinite(picked), picked, 0.0)


def _scores(model: Trees, rows: FloatArray) -> FloatArray:
    # Rounded: sums over trees must not depend on how rows were batched.
    return np.asarray(np.round(model.scores(rows), 9))
