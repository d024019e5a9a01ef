"""Run the command line with ``python -m chamberdrift``, and as the installed program."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line; an interruption while it still loads is said in one line, too."""
    try:
        from .pipeline.cli import main as run

        run()
    except KeyboardInterrupt:
        sys.stderr.write("Interrupted: nothing half-done was published. Run it again.\n")
        raise SystemExit(1) from None


if __name__ == "__main__":
    main()
