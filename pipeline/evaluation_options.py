"""What an evaluation counts as early, as false and as one window."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..shared.config import Budgets


@dataclass(frozen=True)
class EvaluationOptions:
    """Rules of scoring; every number is a convention of the protocol, no source."""

    overlap: float = 0.5
    """Cycles match when the shared exposure is this share of the longer one."""
    onset_tolerance_days: float = 1.0
    """A flag this much before a fault's onset still belongs to the fault."""
    repair_tolerance_days: float = 1.0
    """A flag this much after a repair still belongs to the fault."""
    sudden_days: float = 2.0
    """A fault that fails this soon after its onset leaves no time for a warning."""
    confounder_tail_days: float = 14.0
    """A flag this much after a confounder's end is still laid to it."""
    lead_goal_days: float = 10.0
    lead_goal_share: float = 0.5
    """The lead is enough at this many days or this share of onset to failure."""
    bound_confidence: float = 0.95
    """One-sided confidence of the upper bounds on rates."""
    budgets: Budgets = field(default_factory=Budgets)
    """The designed rates that stand beside the counted ones."""
