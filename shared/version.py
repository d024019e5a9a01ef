"""The program's version, said once."""

VERSION = "0.1.0"

SCHEMA_VERSION = 1
"""Version of the store's tables; a store written by a newer one is refused."""
