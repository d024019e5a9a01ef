"""Keep a store in order."""

from __future__ import annotations

from datetime import datetime

import click

from .base import FAILED, Command
from .options import MOMENT, Run, common, store_option
from .output import emit, progress_bar


@click.command(cls=Command, short_help="Read the whole store and name what is wrong.")
@store_option
@common
def verify(store: str, run: Run) -> None:
    """Read the whole store and name everything that is not as it should be.

    \b
    Example:
      chamberdrift verify --store fleet
    """
    from ..store import Store
    from ..verify import verify as verify_store

    with progress_bar() as progress:
        result = verify_store(Store.open(store), progress=progress)
    emit(run, result.as_dict(), result.text())
    if result.problems:
        click.get_current_context().exit(FAILED)


@click.command(cls=Command, short_help="Join the small files of many nights.")
@store_option
@common
def compact(store: str, run: Run) -> None:
    """Join the small files of many nights into few, and remove what no commit names.

    \b
    Example:
      chamberdrift compact --store fleet
    """
    from ..compact import compact as compact_store
    from ..store import Store

    with progress_bar() as progress:
        result = compact_store(Store.open(store), workers=run.workers, progress=progress)
    emit(run, result.as_dict(), result.text())


@click.command(cls=Command, short_help="Remove samples older than a date.")
@click.option(
    "--before",
    type=MOMENT,
    required=True,
    metavar="DATE",
    help="Samples older than this date are removed.",
)
@click.option("--dry-run", is_flag=True, help="Say what would go, and do nothing.")
@store_option
@common
def forget(before: datetime, dry_run: bool, store: str, run: Run) -> None:
    """Remove samples older than a date; cycles, flags and reports stay.

    Cycles of that time then stay as they are: without samples they can't be found
    anew when the configuration changes.

    \b
    Examples:
      chamberdrift forget --before 2024-01-01 --dry-run --store fleet
      chamberdrift forget --before 2024-01-01 --store fleet
    """
    from ..retention import forget as forget_before
    from ..store import Store

    with progress_bar() as progress:
        result = forget_before(Store.open(store), before, dry_run=dry_run, progress=progress)
    emit(run, result.as_dict(), result.text())
