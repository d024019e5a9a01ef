"""Reading any logger's export, with evidence and provenance."""

from .read import read_export
from .reading import Evidence, Facts, Known, LineMap, Reading

__all__ = ["Evidence", "Facts", "Known", "LineMap", "Reading", "read_export"]
