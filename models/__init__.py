"""Judging tables of cycles. Pure functions, no I/O."""
