"""Tell the store what was done: service, postponed findings, units moved or retired."""

from __future__ import annotations

from datetime import datetime

import click

from ...shared.parts import PARTS, SERVICE_ACTIONS, SERVICE_RESULTS
from .base import Command
from .options import MOMENT, Run, Word, common, store_option
from .output import emit

PART_NAMES = tuple(p for p in PARTS if p != "unknown")


@click.command(cls=Command, short_help="Enter work on a unit, or take it back.")
@click.argument("unit", required=False)
@store_option
@click.option(
    "--part",
    type=Word(PART_NAMES),
    metavar="PART",
    help=f"The part worked on: {', '.join(PART_NAMES)}.",
)
@click.option(
    "--action",
    type=Word(SERVICE_ACTIONS),
    metavar="ACTION",
    help=f"What was done to it: {', '.join(SERVICE_ACTIONS)}.",
)
@click.option(
    "--result",
    type=Word(SERVICE_RESULTS),
    metavar="RESULT",
    help=f"Was the finding right: {', '.join(SERVICE_RESULTS)}.",
)
@click.option(
    "--time",
    "when",
    metavar="T",
    help="When it was done, such as '2026-05-01 14:30'; without an offset in the site's zone.  "
    "[default: now]",
)
@click.option("--note", default="", metavar="TEXT", help="A remark.")
@click.option("--undo", metavar="ID", help="Take back the entry with this id.")
@common
def service(
    unit: str | None,
    store: str,
    part: str | None,
    action: str | None,
    result: str | None,
    when: str | None,
    note: str,
    undo: str | None,
    run: Run,
) -> None:
    """Enter work on a unit, or take an entry back.

    replaced, cleaned and calibrated start a new baseline for what the part
    governs; checked does not. The next night takes it into account.

    \b
    Examples:
      chamberdrift service ST-07 --part door_seal --action replaced --store fleet
      chamberdrift service ST-07 --part heater --action checked --result confirmed --store fleet
      chamberdrift service --undo s-1f09c2a4be --store fleet
    """
    from ..care import record_service, undo_service

    if undo is not None:
        if unit or part or action:
            raise click.UsageError("--undo ID stands alone.")
        done = undo_service(store, undo)
    elif not (unit and part and action):
        lacking = [n for n, v in (("UNIT", unit), ("--part", part), ("--action", action)) if not v]
        raise click.UsageError(f"Missing {' and '.join(lacking)} (or --undo ID).")
    else:
        done = record_service(
            store, unit, part=part, action=action, result=result or "", when=when, note=note
        )
    emit(run, done.as_dict(), done.text())


@click.command(cls=Command, short_help="Put a flag off until a date.")
@click.argument("flag")
@store_option
@click.option(
    "--until", type=MOMENT, required=True, metavar="DATE", help="Until when, such as 2026-12-15."
)
@click.option("--reason", required=True, metavar="TEXT", help="Why it can wait.")
@common
def defer(flag: str, store: str, until: datetime, reason: str, run: Run) -> None:
    """Put a flag off until a date; it stays in the list, marked as deferred.

    FLAG is the id that show tells, or its beginning. A stop flag is never hidden:
    it stands at the top whatever was deferred.

    \b
    Example:
      chamberdrift defer ST-07@door_seal --until 2026-12-15 --reason "seal ordered" --store fleet
    """
    from ..care import defer_flag

    done = defer_flag(store, flag, until=until, reason=reason)
    emit(run, done.as_dict(), done.text())


@click.command(cls=Command, short_help="Take a unit out of the fleet.")
@click.argument("unit")
@store_option
@click.option(
    "--time",
    "when",
    metavar="T",
    help="When it left, such as '2026-05-01 14:30'; without an offset in the site's zone.  "
    "[default: now]",
)
@common
def retire(unit: str, store: str, when: str | None, run: Run) -> None:
    """Take a unit out of the fleet; what is known of it is kept.

    \b
    Example:
      chamberdrift retire ST-07 --store fleet
    """
    from ..care import retire_unit

    done = retire_unit(store, unit, when=when)
    emit(run, done.as_dict(), done.text())


@click.command(cls=Command, short_help="Move a unit to another site.")
@click.argument("unit")
@click.option("--site", required=True, metavar="S", help="Id of the site it moves to.")
@click.option(
    "--time",
    "when",
    metavar="T",
    help="When it moved, such as '2026-05-01 14:30'; without an offset in the old site's "
    "zone.  [default: now]",
)
@store_option
@common
def move(unit: str, site: str, when: str | None, store: str, run: Run) -> None:
    """Move a unit to another site of the configuration.

    Exports that begin after the move take their clock and altitude from the new
    site; earlier ones keep those of the old one.

    \b
    Example:
      chamberdrift move ST-07 --site south --store fleet
    """
    from ..care import move_unit

    done = move_unit(store, unit, site=site, when=when)
    emit(run, done.as_dict(), done.text())
