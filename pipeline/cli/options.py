"""Options that many commands share, and what they come to."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeVar

import click

EARLIEST_YEAR, LATEST_YEAR = 1700, 2200
"""What can be asked for: pandas counts in nanoseconds, which reach from 1677 to 2262."""

Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True)
class Run:
    """The settings that every command takes."""

    as_json: bool
    workers: int
    scheduler: str | None
    verbose: bool
    explain: bool


class Moment(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """A date or time in ISO 8601; without an offset it is UTC, a date is its first moment."""

    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> datetime:
        """Return an aware time in UTC."""
        if isinstance(value, datetime):
            return value
        try:
            moment = datetime.fromisoformat(str(value).strip())
        except ValueError:
            self.fail(
                f"{value!r} is no date or time; write 2026-05-01 or 2026-05-01T06:00:00Z.",
                param,
                ctx,
            )
        if not EARLIEST_YEAR <= moment.year <= LATEST_YEAR:
            reach = f"between {EARLIEST_YEAR} and {LATEST_YEAR}"
            self.fail(f"{value!r} is not {reach}; see to the year.", param, ctx)
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)


MOMENT = Moment()


class Word(click.Choice):  # type: ignore[type-arg,unused-ignore]
    """One of some words; another is refused with the nearest."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the word."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            from ...shared.config_file import nearest

            choices = [str(c) for c in self.choices]
            near = nearest(str(value), choices)
            hint = f"did you mean {near!r}? Known are" if near else "known are"
            self.fail(f"{value!r} is not known; {hint}: {', '.join(choices)}.", param, ctx)


class Whole(click.IntRange):
    """A whole number; anything else is refused by one plain sentence, which names the range.

    The help text of its option names the range, so that it is not written there twice.
    """

    def _describe_range(self) -> str:
        return ""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            reach = f"from {self.min} on" if self.max is None else f"from {self.min} to {self.max}"
            self.fail(f"{str(value)!r} will not do; write a whole number {reach}.", param, ctx)


WORKERS = Whole(0, 1024)


def common(function: Function) -> Function:
    """Add the options of every command; the function gets them as ``run``."""

    @functools.wraps(function)
    def wrapper(
        *args: Any,
        as_json: bool,
        workers: int,
        scheduler: str | None,
        log_file: str | None,  # Command.invoke opens it
        verbose: bool,
        explain: bool,
        **kwargs: Any,
    ) -> Any:
        if workers == 0:
            from ..executor import default_workers

            workers = default_workers()
        run = Run(as_json, workers, scheduler, verbose, explain)
        return function(*args, run=run, **kwargs)

    decorators = [
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON."),
        click.option(
            "--workers",
            type=WORKERS,
            default=0,
            help="Processes to work in; 0 is one for each processor.  [default: 0]",
            metavar="N",
        ),
        click.option(
            "--scheduler",
            metavar="URL",
            help="Work on a Dask cluster, such as tcp://10.0.0.5:8786 (needs the cluster extra).",
        ),
        click.option(
            "--log-file",
            type=click.Path(dir_okay=False),
            metavar="FILE",
            help="Append what the run does to a file, as JSON lines.",
        ),
        click.option("-v", "--verbose", is_flag=True, help="Tell more on stderr."),
        click.option(
            "--explain", is_flag=True, help="Say on stderr why each export and unit was worked on."
        ),
    ]
    decorated: Any = wrapper
    for decorator in reversed(decorators):
        decorated = decorator(decorated)
    return decorated  # type: ignore[no-any-return]


def store_option(function: Function) -> Function:
    """Add ``--store``, required, also taken from the environment."""
    decorator = click.option(
        "--store",
        required=True,
        envvar="CHAMBERDRIFT_STORE",
        show_envvar=True,
        metavar="STORE",
        help="Folder or address (s3://bucket/path) of the store.",
    )
    return decorator(function)


def as_of_option(function: Function) -> Function:
    """Add ``--as-of``."""
    decorator = click.option(
        "--as-of",
        type=MOMENT,
        metavar="TIME",
        help="Look at the store as of this time, such as 2026-05-13 or 2026-05-13T06:00+02:00: "
        "nothing later is seen. Without an offset it is UTC.  [default: now]",
    )
    return decorator(function)


def exit_flags_option(function: Function) -> Function:
    """Add ``--exit-flags``."""
    decorator = click.option(
        "--exit-flags", is_flag=True, help="End with exit code 4 while a stop flag is open."
    )
    return decorator(function)
