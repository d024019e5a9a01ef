"""The program's version, said once."""

VERSION = "0.1.0"

SCHEMA_VERSION = 5
"""Version of the columns of the store's tables, written into each commit.

Raise it with every change of a column: a program that does not know a column would drop
it when it joins files, so it must refuse the store. Version 1 wrote none.
"""
