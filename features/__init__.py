"""From a trace to cycles and their numbers. Pure functions, no I/O."""

from .assign import assign_programs
from .extract import Extraction, extract
from .memory import Memory
from .phases import phases

__all__ = ["Extraction", "Memory", "assign_programs", "extract", "phases"]
