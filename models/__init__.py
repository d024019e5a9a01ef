"""From tables of cycles to verdicts, residuals and flags. Pure functions, no I/O."""

from .judge import Judged, judge

__all__ = ["Judged", "judge"]
