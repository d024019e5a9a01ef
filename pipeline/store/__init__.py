"""Immutable files and a commit log."""
