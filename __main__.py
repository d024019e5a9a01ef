"""Run the command line with ``python -m chamberdrift``."""

from .pipeline.cli import main

if __name__ == "__main__":
    main()
