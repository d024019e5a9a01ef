"""From a trace to cycles and their numbers. Pure functions, no I/O."""
