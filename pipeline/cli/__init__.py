"""The command line: each command parses, calls one function and prints."""

from .root import main

__all__ = ["main"]
