"""From tables of cycles to verdicts, residuals and flags. Pure functions, no I/O."""

from .judge import Judged, ReplayNeededError, judge, judge_night, state_of

__all__ = ["Judged", "ReplayNeededError", "judge", "judge_night", "state_of"]
