"""Exports too large for memory (filled in below)."""
