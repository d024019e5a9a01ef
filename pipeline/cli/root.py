"""The group that all commands hang on."""

from __future__ import annotations

import click

from ...shared.version import VERSION


@click.group()
@click.version_option(VERSION, prog_name="chamberdrift")
def cli() -> None:
    """Nightly health check for fleets of tabletop steam sterilizers."""


def main() -> None:
    """Run the command line."""
    cli()
