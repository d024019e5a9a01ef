"""chamberdrift: nightly health checks for fleets of tabletop steam sterilizers."""

from .shared.version import VERSION

__version__ = VERSION

__all__ = ["__version__"]
