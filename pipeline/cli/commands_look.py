"""Look at what is known: tables, a unit in words, the store, an export."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import PurePath

import click

from ...shared.errors import ChamberdriftError
from ..shown import visible
from .base import QUARANTINED, STOP_OPEN, Command
from .options import MOMENT, Run, Word, as_of_option, common, exit_flags_option, store_option
from .output import emit, width

TABLES = ("cycles", "flags", "intake", "units", "service")


@click.command(cls=Command, short_help="Print a table, or explain its columns.")
@click.argument("name", metavar="{" + "|".join(TABLES) + "}", type=Word(TABLES))
@click.option(
    "--store",
    envvar="CHAMBERDRIFT_STORE",
    show_envvar=True,
    metavar="STORE",
    help="Folder or address (s3://bucket/path) of the store.",
)
@click.option(
    "--format",
    "form",
    type=Word(("csv", "json", "parquet")),
    metavar="FORM",
    help="csv (safe in a spreadsheet), json or parquet.  "
    "[default: by the name of --output, else csv]",
)
@click.option(
    "--output",
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="Write to a file, not stdout.",
)
@click.option(
    "--unit", "units", multiple=True, metavar="ID", help="Only this unit; may be repeated."
)
@click.option("--since", type=MOMENT, metavar="DATE", help="Only rows from this moment on.")
@click.option("--describe", is_flag=True, help="Explain the columns instead; needs no store.")
@common
def table(
    name: str,
    store: str | None,
    form: str | None,
    output: str | None,
    units: tuple[str, ...],
    since: datetime | None,
    describe: bool,
    run: Run,
) -> None:
    """Print a table, or explain its columns.

    \b
    Examples:
      chamberdrift table flags --store fleet
      chamberdrift table cycles --unit ST-07 --since 2026-05-01 --store fleet
      chamberdrift table cycles --format parquet --output cycles.parquet --store fleet
      chamberdrift table cycles --describe
    """
    if describe:
        from ..table_export import describe_table

        emit(run, describe_table(name), describe_table_text(name))
        return
    if not store:
        raise click.UsageError("Missing option '--store' (env var: 'CHAMBERDRIFT_STORE').")
    from ..table_export import FORMAT_OF_SUFFIX, export_table

    if form is None:
        suffix = PurePath(output or "").suffix.lower()
        if suffix not in FORMAT_OF_SUFFIX:
            raise click.UsageError(
                f"{suffix!r} tells no format that tables are written in: call the file .csv, "
                ".json or .parquet, or add --format."
            )
        form = "json" if run.as_json and output is None else FORMAT_OF_SUFFIX[suffix]
    if form == "parquet" and output is None and sys.stdout.isatty():
        raise click.UsageError("Parquet is no text: add --output FILE, or pipe it on.")
    data = export_table(store, name, form, units=units, since=since)
    if output is not None:
        try:
            with open(output, "wb") as file:
                file.write(data)
        except OSError as error:
            raise ChamberdriftError(
                f"{output} can't be written: {error.strerror}; name a file in a folder that is "
                "there and that you may write to."
            ) from None
        if run.as_json:
            emit(run, {"table": name, "file": output, "format": form, "bytes": len(data)}, "")
        else:
            click.echo(f"Wrote {output}", err=True)
    elif sys.stdout.isatty():  # elsewhere bytes go on as they are
        click.echo(visible(data.decode("utf-8")), nl=False)
    else:
        click.echo(data, nl=False)


def describe_table_text(name: str) -> str:
    """Return a table's dictionary, wrapped to the terminal."""
    from ..tables import SHOWN, describe

    return describe(SHOWN[name], width())


@click.command(cls=Command, short_help="Tell a unit's state in words.")
@click.argument("unit")
@store_option
@as_of_option
@common
def show(unit: str, store: str, as_of: datetime | None, run: Run) -> None:
    """Tell a unit's state in words: open flags, last cycles, last service.

    \b
    Example:
      chamberdrift show ST-07 --store fleet
    """
    from ..status import show_unit

    result = show_unit(store, unit, as_of=as_of, width=width() - 1)
    emit(run, result.as_dict(), result.text())


@click.command(cls=Command, short_help="Tell the store's state.")
@store_option
@as_of_option
@click.option("--line", is_flag=True, help="One line, gravest first, for a mail.")
@exit_flags_option
@common
def status(store: str, as_of: datetime | None, line: bool, exit_flags: bool, run: Run) -> None:
    """Tell the store's state: last good night, silent loggers, growth, open flags,
    what is due.

    \b
    Examples:
      chamberdrift status --store fleet
      chamberdrift status --line --store fleet | mail -s "Sterilizers" clinic@example.org
    """
    from ..status import store_status

    result = store_status(store, as_of=as_of)
    emit(run, result.as_dict(), result.line() if line else result.text(width() - 1))
    if exit_flags and result.stop_open:
        click.get_current_context().exit(STOP_OPEN)


@click.command(cls=Command, short_help="Tell how an export would be read, and why.")
@click.argument("file")
@click.option(
    "--store",
    envvar="CHAMBERDRIFT_STORE",
    show_envvar=True,
    metavar="STORE",
    help="Read it with what this store knows of the unit and its site.",
)
@click.option(
    "--inbox",
    metavar="FOLDER",
    help="The folder that nightly reads; the name below it may tell the unit.",
)
@common
def probe(file: str, store: str | None, inbox: str | None, run: Run) -> None:
    """Tell how an export would be read, why, and the lines that pin it.

    Nothing is stored. The lines at the end go into STORE/chamberdrift.toml.

    \b
    Example:
      chamberdrift probe exports/north/ST-07.csv --inbox exports --store fleet
    """
    from ..probe import probe_export

    result = probe_export(file, store, inbox=inbox)
    emit(run, result.as_dict(), result.text(width()))
    if result.refused:
        click.get_current_context().exit(QUARANTINED)
