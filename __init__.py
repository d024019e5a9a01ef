"""chamberdrift: nightly health checks for fleets of tabletop steam sterilizers."""

from .shared.version import VERSION as __version__

__all__ = ["__version__"]
