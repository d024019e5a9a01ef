"""Reading any logger's export, with evidence and provenance."""
