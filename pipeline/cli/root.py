"""The group that all commands hang on."""

from __future__ import annotations

import sys

import click

from ...shared.version import VERSION
from .base import Group
from .commands_care import defer, move, retire, service
from .commands_demo import demo, evaluate, simulate
from .commands_look import probe, show, status, table
from .commands_night import extract, ingest, judge, nightly, report
from .commands_setup import import_units, init
from .commands_upkeep import compact, forget, verify

EPILOG = """\b
First steps:
  chamberdrift demo                                try it on a simulated fleet
  chamberdrift nightly exports --store fleet       your own folder of exports

\b
Exit codes:
  0  done
  1  failed; the message says why
  2  wrong usage
  3  done, but some exports were set aside in this run
  4  done, and a stop flag is open (only with --exit-flags)
  5  another run holds the store's lock

\b
Completion of names by the tab key, once for your shell:
  bash  add to ~/.bashrc:  eval "$(_CHAMBERDRIFT_COMPLETE=bash_source chamberdrift)"
  zsh   add to ~/.zshrc:   eval "$(_CHAMBERDRIFT_COMPLETE=zsh_source chamberdrift)"
  fish  run once:
    _CHAMBERDRIFT_COMPLETE=fish_source chamberdrift > ~/.config/fish/completions/chamberdrift.fish

CHAMBERDRIFT_STORE names the store where --store is left out.
The program judges recorded values and the condition of the machine. It never
releases a load: biological and chemical indicators and your site's procedure
decide that."""


@click.group(
    cls=Group,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(VERSION, prog_name="chamberdrift")
def cli() -> None:
    """Nightly health check for fleets of tabletop steam sterilizers.

    Reads the exports of their temperature and pressure loggers, finds each
    cycle, holds it against published limits and the unit's own past, and says
    which unit needs which part looked at, how sure that is, and how many days
    are left.
    """


cli.add_chapter("Every night", [nightly, ingest, extract, judge, report])
cli.add_chapter("Look", [status, show, table, probe])
cli.add_chapter("After work on a unit", [service, defer, move, retire])
cli.add_chapter("Set up and keep", [init, import_units, verify, compact, forget])
cli.add_chapter("Try and check", [demo, simulate, evaluate])


def main() -> None:
    """Run the command line."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")  # a console that can't show °C must not end a run
    cli(prog_name="chamberdrift")
