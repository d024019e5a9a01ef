"""Try the program on a simulated fleet, and score it against the truth."""

from __future__ import annotations

from datetime import datetime

import click

from .base import Command
from .options import Run, Whole, as_of_option, common, store_option
from .output import called_as, emit, explain, progress_bar, width


@click.command(cls=Command, short_help="Run a night over a simulated fleet.")
@click.argument("folder", metavar="[DIR]", default="chamberdrift-demo")
@click.option("--store", metavar="STORE", help="Store of the demo.  [default: DIR/store]")
@common
def demo(folder: str, store: str | None, run: Run) -> None:
    """Run a night over a simulated fleet and name the reports.

    Writes the exports of a fictional group of animal clinics to DIR/inbox, runs
    the night over them, and holds the flags against what was simulated.

    \b
    Examples:
      chamberdrift demo
      chamberdrift demo trial
    """
    from ..demo import run_demo

    with progress_bar() as progress:
        result = run_demo(
            folder,
            store=store,
            workers=run.workers,
            scheduler=run.scheduler,
            progress=progress,
        )
    explain(run, result.night.explained)
    emit(run, result.as_dict(), result.text(called_as()))


@click.command(cls=Command, short_help="Write a simulated fleet's exports and truth.")
@click.argument("folder", metavar="DIR")
@click.option(
    "--units",
    type=Whole(1, 100_000),
    metavar="N",
    required=True,
    help="Number of units, up to 100000.",
)
@click.option(
    "--days", type=Whole(1, 3660), metavar="D", required=True, help="Days of use, up to 3660."
)
@click.option(
    "--seed",
    type=Whole(0),
    metavar="S",
    required=True,
    help="Any number; the same gives the same bytes.",
)
@common
def simulate(folder: str, units: int, days: int, seed: int, run: Run) -> None:
    """Write the exports of a simulated fleet, with the truth beside them.

    Makes DIR/inbox (exports and service-log.csv), DIR/chamberdrift.toml, and
    DIR/truth-cycles.csv and DIR/truth-faults.csv for evaluate.

    \b
    Example:
      chamberdrift simulate try --units 20 --days 60 --seed 1
    """
    from ..simulation import run_simulation

    with progress_bar() as progress:
        result = run_simulation(
            folder, units=units, days=days, seed=seed, workers=run.workers, progress=progress
        )
    emit(run, result.as_dict(), result.text())


@click.command(cls=Command, short_help="Score flags against a simulation's truth.")
@click.argument("truth", metavar="[TRUTH]", required=False)
@store_option
@as_of_option
@click.option(
    "--own-weeks",
    type=Whole(1),
    metavar="N",
    help="Without TRUTH: count false flags on the store's own healthy weeks, drawn N times.",
)
@click.option(
    "--seed",
    type=Whole(0),
    metavar="S",
    default=0,
    show_default=True,
    help="Of the chance with which weeks are drawn.",
)
@common
def evaluate(
    truth: str | None,
    store: str,
    as_of: datetime | None,
    own_weeks: int | None,
    seed: int,
    run: Run,
) -> None:
    """Score the store's cycles and flags against the truth of a simulation.

    TRUTH is the folder that simulate wrote. Where there is no truth, --own-weeks makes
    units on which nothing was found again out of their own weeks, in an order drawn by
    chance, judges them from their first cycle on, and sets the flags that come of it
    beside what [budgets] promises. Each draw takes as long as judging all of the past
    once. Nothing is written.

    \b
    Examples:
      chamberdrift evaluate try --store fleet
      chamberdrift evaluate --own-weeks 4 --store fleet
    """
    if (truth is None) == (own_weeks is None):
        raise click.UsageError("Give either TRUTH, a simulation's folder, or --own-weeks N.")
    if truth is not None:
        from ..simulation import run_evaluation

        score = run_evaluation(truth, store, as_of=as_of)
        emit(run, score.as_dict(), score.text())
        return
    from ..false_flags import false_flags

    with progress_bar() as progress:
        counted = false_flags(
            store, draws=own_weeks or 1, seed=seed, as_of=as_of, progress=progress
        )
    emit(run, counted.as_dict(), counted.text(width()))
