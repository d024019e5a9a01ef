"""The night: ingest, store, batch and the command line."""
