"""The night and its stages."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import click

from .base import DONE, QUARANTINED, STOP_OPEN, Command
from .options import Run, as_of_option, common, exit_flags_option, store_option
from .output import emit, explain, progress_bar

keep_option = click.option(
    "--keep-as-read",
    is_flag=True,
    help="Keep samples that were read with other settings where their exports are gone.",
)


def carry_out(run: Run, stage: Callable[..., Any], *args: Any, **options: Any) -> Any:
    """Run a stage with progress; where only some items failed, its summary is shown, too."""
    from ..night import PartlyFailedError

    try:
        with progress_bar() as progress:
            return stage(
                *args,
                workers=run.workers,
                scheduler=run.scheduler,
                progress=progress,
                **options,
            )
    except PartlyFailedError as error:
        show(run, error.summary)
        raise


def show(run: Run, summary: Any) -> None:
    """Print a summary."""
    explain(run, summary.explained)
    emit(run, summary.as_dict(), summary.text(verbose=run.verbose))


def finish(run: Run, summary: Any, *, exit_flags: bool = False) -> None:
    """Print a summary and end with its exit code: 4 goes before 3."""
    show(run, summary)
    code = DONE
    if summary.quarantined:
        code = QUARANTINED
    if exit_flags and summary.stop_open:
        code = STOP_OPEN
    click.get_current_context().exit(code)


@click.command(cls=Command, short_help="Take in new exports, judge, and report.")
@click.argument("inbox")
@store_option
@as_of_option
@click.option("--rehash", is_flag=True, help="Read every export again, changed or not.")
@keep_option
@click.option("--no-reports", is_flag=True, help="Draw no PDF reports.")
@exit_flags_option
@common
def nightly(
    inbox: str,
    store: str,
    as_of: datetime | None,
    rehash: bool,
    keep_as_read: bool,
    no_reports: bool,
    exit_flags: bool,
    run: Run,
) -> None:
    """Take in new exports, judge, and report: the whole night in one command.

    INBOX is the folder (or address) with the exports, in any sub-folders. A
    store that is not there yet is made. The run may be repeated or killed at
    any time: it is one commit, and without news it changes nothing. A file
    service-log.csv in INBOX (unit_id,time,part,action,note) is taken over.
    Exports of which the configuration tells something else now (a zone, an
    altitude, which unit a logger sits at) are read again.

    \b
    Examples:
      chamberdrift nightly exports --store fleet
      chamberdrift nightly exports --store fleet --exit-flags --log-file night.jsonl
    \b
    In cron, at ten past two:
      10 2 * * *  chamberdrift nightly /srv/exports --store /srv/fleet
    """
    from ..night import run_night

    summary = carry_out(
        run,
        run_night,
        inbox,
        store,
        as_of=as_of,
        draw=not no_reports,
        rehash=rehash,
        keep_as_read=keep_as_read,
    )
    finish(run, summary, exit_flags=exit_flags)


@click.command(cls=Command, short_help="Take in new exports, and nothing more.")
@click.argument("inbox")
@store_option
@click.option("--rehash", is_flag=True, help="Read every export again, changed or not.")
@common
def ingest(inbox: str, store: str, rehash: bool, run: Run) -> None:
    """Take in new exports, and nothing more.

    \b
    Example:
      chamberdrift ingest exports --store fleet
    """
    from ..night import run_ingest

    finish(run, carry_out(run, run_ingest, inbox, store, rehash=rehash))


@click.command(cls=Command, short_help="Find cycles in what was taken in.")
@store_option
@click.option("--all", "everything", is_flag=True, help="Find the cycles of all units anew.")
@common
def extract(store: str, everything: bool, run: Run) -> None:
    """Find cycles in what was taken in, and measure them.

    Works on units with new samples, and on those whose configuration changed.

    \b
    Example:
      chamberdrift extract --store fleet
    """
    from ..night import run_extract

    finish(run, carry_out(run, run_extract, store, everything=everything))


@click.command(cls=Command, short_help="Hold cycles against limits and the past.")
@store_option
@as_of_option
@exit_flags_option
@common
def judge(store: str, as_of: datetime | None, exit_flags: bool, run: Run) -> None:
    """Hold cycles against limits and the units' own past; raise and close flags.

    A moment before what was judged already is refused: it would take flags back.
    report, show and status tell how things stood then.

    \b
    Example:
      chamberdrift judge --store fleet
    """
    from ..night import run_judge

    finish(run, carry_out(run, run_judge, store, as_of=as_of), exit_flags=exit_flags)


@click.command(cls=Command, short_help="Write PDF reports.")
@store_option
@click.option(
    "--unit", "units", multiple=True, metavar="ID", help="This unit's report; may be repeated."
)
@click.option(
    "--cycle",
    "cycles",
    multiple=True,
    metavar="ID",
    help="One page on this cycle, by its cycle_id in the table of cycles; may be repeated.",
)
@as_of_option
@exit_flags_option
@common
def report(
    store: str,
    units: tuple[str, ...],
    cycles: tuple[str, ...],
    as_of: datetime | None,
    exit_flags: bool,
    run: Run,
) -> None:
    """Write PDF reports: the fleet's and one for each flagged unit, or those you name.

    They stand below STORE/reports, in a folder named by date.

    \b
    Examples:
      chamberdrift report --store fleet
      chamberdrift report --unit ST-07 --store fleet
      chamberdrift report --cycle "ST-07@2026-05-01T06:12:40Z" --store fleet
    """
    from ..report_stage import run_report

    result = carry_out(run, run_report, store, units=units, cycles=cycles, as_of=as_of)
    explain(run, result.explained)
    emit(run, result.as_dict(), "\n".join(result.paths))
    stop = exit_flags and result.stop_open
    click.get_current_context().exit(STOP_OPEN if stop else DONE)
