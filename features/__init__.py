"""From a trace to cycles and their numbers. Pure functions, no I/O."""

from .assign import assign_programs
from .extract import Extraction, extract
from .phases import phases

__all__ = ["Extraction", "assign_programs", "extract", "phases"]
