"""Commands that turn errors into one line and an exit code."""

from __future__ import annotations

import difflib
import errno
import logging
import os
import traceback
from collections.abc import Sequence
from contextlib import ExitStack
from typing import Any

import click

from ...shared.errors import ChamberdriftError
from ..run_log import log_event, redact, run_log
from ..shown import visible

# 2 (wrong usage) comes from click, 5 (another run holds the lock) from the error itself.
DONE = 0
FAILED = 1
QUARANTINED = 3
STOP_OPEN = 4

DISK_ERRORS = (
    errno.ENOSPC,
    errno.EACCES,
    errno.EPERM,
    errno.EROFS,
    errno.EIO,
    errno.EDQUOT if hasattr(errno, "EDQUOT") else errno.ENOSPC,
    errno.ENOTDIR,
    errno.EISDIR,
    errno.ENAMETOOLONG,
    errno.ELOOP,
)
_QUIET = (click.exceptions.Exit, click.ClickException, click.Abort, BrokenPipeError)


COMMON_OPTIONS = ("--json", "--workers", "--scheduler", "--log-file", "--verbose", "--explain")


class Command(click.Command):
    """A command whose errors are sentences on stderr."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the command's own options first, then those of every command."""
        own: list[tuple[str, str]] = []
        common: list[tuple[str, str]] = []
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if record is not None and isinstance(parameter, click.Option):
                shared = any(o in (*COMMON_OPTIONS, "--help") for o in parameter.opts)
                (common if shared else own).append(record)
        for title, records in (("Options", own), ("Options of every command", common)):
            if records:
                with formatter.section(title):
                    formatter.write_dl(records, col_max=26)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; errors meant for the user become one line and an exit code."""
        path = ctx.params.get("log_file")
        with ExitStack() as stack:
            try:
                stack.enter_context(run_log(path, verbose=bool(ctx.params.get("verbose"))))
            except OSError as error:
                raise click.BadParameter(
                    f"{path} can't be written: {error.strerror}.", ctx, param_hint="--log-file"
                ) from None
            return self.guarded(ctx)

    def guarded(self, ctx: click.Context) -> Any:
        """Run the command inside its log."""
        try:
            return super().invoke(ctx)
        except _QUIET:
            raise
        except KeyboardInterrupt:
            click.echo("Interrupted: nothing half-done was published. Run it again.", err=True)
            log_event("interrupted", "interrupted", level=logging.ERROR, shown=True)
            ctx.exit(FAILED)
        except ChamberdriftError as error:
            click.echo(visible(redact(f"Error: {error}")), err=True)
            log_event("error", str(error), level=logging.ERROR, shown=True)
            ctx.exit(error.exit_code)
        except Exception as error:
            line = disk_trouble(error) or unexpected(error, ctx.params)
            click.echo(visible(redact(line)), err=True)
            log_event(
                "error",
                line.splitlines()[-1],
                level=logging.ERROR,
                shown=True,
                traceback="".join(traceback.format_exception(error)),
            )
            ctx.exit(FAILED)


def disk_trouble(error: Exception) -> str | None:
    """Return one line about a disk or folder that does not do its part, else None."""
    if not isinstance(error, OSError) or error.errno not in DISK_ERRORS:
        return None
    where = f" ({error.filename})" if error.filename else ""
    return (
        f"Error: {os.strerror(error.errno)}{where}. What was published before this run is whole; "
        "see to the path, the disk or its permissions, and run it again."
    )


def unexpected(error: Exception, parameters: dict[str, Any]) -> str:
    """Return one line about an error that nobody foresaw; with ``-v`` its traceback, too."""
    what = " ".join(str(error).split())[:300] or "no message"
    line = f"Error: {type(error).__name__}: {what}"
    if parameters.get("verbose"):
        return "".join(traceback.format_exception(error)) + line
    if parameters.get("log_file"):
        return f"{line}. The traceback is in {parameters['log_file']}."
    return f"{line}. Run it again with -v to see where, or with --log-file to keep it."


class Group(click.Group):
    """A group that lists its commands by purpose and helps with misspelt names."""

    command_class = Command

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.chapters: list[tuple[str, list[str]]] = []

    def add_chapter(self, title: str, commands: Sequence[click.Command]) -> None:
        """Add commands below a heading of the help text."""
        self.chapters.append((title, [str(c.name) for c in commands]))
        for command in commands:
            self.add_command(command)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the chapters."""
        return [name for _, names in self.chapters for name in names]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands by chapter."""
        width = max((len(n) for n in self.commands), default=0)
        for title, names in self.chapters:
            limit = max(20, formatter.width - 6 - width)
            rows = [(n.ljust(width), self.commands[n].get_short_help_str(limit)) for n in names]
            with formatter.section(title):
                formatter.write_dl(rows)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a command; name the nearest where there is none."""
        name = args[0]
        if self.get_command(ctx, name) is None and not name.startswith("-"):
            near = difflib.get_close_matches(name, self.list_commands(ctx), n=1)
            hint = f" Did you mean {near[0]!r}?" if near else " See chamberdrift --help."
            ctx.fail(f"no command is called {name!r}.{hint}")
        return super().resolve_command(ctx, args)
