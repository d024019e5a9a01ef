"""Set a store up: answers to the questions that exports leave open, and its units."""

from __future__ import annotations

import click

from ...shared.config_keys import PRESSURE_REFERENCES, PRESSURE_UNITS, TEMPERATURE_UNITS
from .base import Command
from .options import Run, Word, common, store_option
from .output import emit


@click.command(cls=Command, short_help="Make a store, or answer a question of one.")
@store_option
@click.option(
    "--zone", metavar="ZONE", help="IANA zone of the loggers' clocks, such as Europe/Oslo."
)
@click.option(
    "--day-first/--month-first",
    default=None,
    help="Whether 03/04 is the 3rd of April (day first) or the 4th of March.",
)
@click.option(
    "--clock-24h",
    is_flag=True,
    default=None,
    help="Clocks without AM and PM have 24 hours: 02:00 is at night.",
)
@click.option(
    "--pressure-reference",
    type=Word(PRESSURE_REFERENCES),
    metavar="REF",
    help=f"What pressure channels count from: {', '.join(PRESSURE_REFERENCES)}.",
)
@click.option("--altitude", type=float, metavar="M", help="Height above sea level in metres.")
@click.option(
    "--temperature-unit",
    type=Word((*TEMPERATURE_UNITS, "C", "F")),
    metavar="UNIT",
    help="Unit of temperatures, where exports do not say: °C (or C), °F (or F), K.",
)
@click.option(
    "--pressure-unit",
    type=Word(PRESSURE_UNITS),
    metavar="UNIT",
    help=f"Unit of pressures, where exports do not say: {', '.join(PRESSURE_UNITS)}.",
)
@click.option(
    "--settings",
    type=click.Path(exists=True, dir_okay=False),
    metavar="FILE",
    help="Take this configuration file over.",
)
@common
def init(
    store: str,
    zone: str | None,
    day_first: bool | None,
    clock_24h: bool | None,
    pressure_reference: str | None,
    altitude: float | None,
    temperature_unit: str | None,
    pressure_unit: str | None,
    settings: str | None,
    run: Run,
) -> None:
    """Make a store with a commented configuration, or answer a question of one that is there.

    The answers serve exports that do not say it themselves. On a store that is
    there they are set in its chamberdrift.toml, and the next night reads again
    what was set aside for the lack of them, or read with another answer.

    \b
    Examples:
      chamberdrift init --zone Europe/Oslo --store fleet
      chamberdrift init --zone America/Chicago --month-first --altitude 180 --store fleet
    """
    from ..setup import init_store

    answers = {
        "zone": zone,
        "day_first": day_first,
        "clock_24h": clock_24h,
        "pressure_reference": pressure_reference,
        "altitude_m": altitude,
        "temperature_unit": {"C": "°C", "F": "°F"}.get(temperature_unit or "", temperature_unit),
        "pressure_unit": pressure_unit,
    }
    known = {k: v for k, v in answers.items() if v is not None}
    done = init_store(store, known, settings=settings)
    emit(run, done.as_dict(), done.text())


@click.command(
    "import-units", cls=Command, short_help="Take units and sites over from a CSV file."
)
@click.argument("file", type=click.Path(exists=True, dir_okay=False))
@store_option
@common
def import_units(file: str, store: str, run: Run) -> None:
    """Take units and sites over from a CSV file.

    The first line names the columns: unit_id and any of site, site_name, zone,
    altitude_m, type, volume_l, power_w, mains_v, air_removal, programs (joined by
    spaces) and logger. Where a line holds a mistake, the line is named and nothing
    is written.

    \b
    Example:
      chamberdrift import-units units.csv --store fleet
    """
    from ..setup import import_units_file

    done = import_units_file(store, file)
    emit(run, done.as_dict(), done.text())
