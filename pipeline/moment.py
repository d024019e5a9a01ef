"""The moment that a run looks from."""

from __future__ import annotations

import logging
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from ..shared.errors import ChamberdriftError
from .run_log import log_event
from .shown import shell_word

if TYPE_CHECKING:
    from .store import Snapshot

CLOCK_SLACK = timedelta(hours=1)
"""A clock that is behind the last run by less than this is taken as it is (no source)."""


def now() -> pd.Timestamp:
    """Return the present, in UTC to the millisecond."""
    return pd.Timestamp(datetime.now(UTC)).as_unit("ms").floor("ms")


def moment_of(as_of: datetime | None, snapshot: Snapshot) -> pd.Timestamp:
    """Return the moment to look from: the one given, else the present.

    Where the clock is behind the last run, one of the two was wrong. If the store knows
    nothing later than the clock says, the clock is believed: it was ahead then. Else it
    was set back since and would hide what is known, so the last run's moment is taken.
    Both are said.
    """
    if as_of is not None:
        given = pd.Timestamp(as_of)
        given = given.tz_localize("UTC") if given.tzinfo is None else given.tz_convert("UTC")
        return given.as_unit("ms")
    present = now()
    last = snapshot.manifest.recorded_at
    if not last or present >= pd.Timestamp(last) - CLOCK_SLACK:
        return present
    through = snapshot.data_through()
    if (through is None or through <= present) and not known_after(snapshot, present):
        taken, why = present, "nothing in the store is later, so the clock is believed"
    else:
        taken, why = pd.Timestamp(last).as_unit("ms"), "that moment is taken; set the clock"
    log_event(
        "clock",
        f"this machine's clock says {present:%Y-%m-%d %H:%M} UTC, but the last run was at "
        f"{last}: {why}.",
        level=logging.WARNING,
    )
    return taken


def known_after(snapshot: Snapshot, moment: pd.Timestamp) -> str:
    """Return in words what earlier runs judged by that lies after a moment, or nothing."""
    from .judge_state import JUDGED

    document = snapshot.state(JUDGED)
    if document is None or moment >= (before := pd.Timestamp(document["as_of"])):
        return ""
    cycles = snapshot.table("cycles", columns=["unit_id", "started_at", "ended_at"])["ended_at"]
    service = snapshot.table("service")["time"]
    counts = [
        (int(((times > moment) & (times <= before)).sum()), words)
        for times, words in (
            (cycles, ("cycle", "cycles")),
            (service, ("service entry", "service entries")),
        )
    ]
    return " and ".join(f"{n} {words[n != 1]}" for n, words in counts if n)


def check_hides_nothing(snapshot: Snapshot, moment: pd.Timestamp, location: str) -> None:
    """Refuse to publish a judgement that would hide what an earlier one saw.

    Raises
    ------
    ChamberdriftError
        If the store was judged as of a later moment, by cycles or service in between.
    """
    hidden = known_after(snapshot, moment)
    if hidden:
        when = moment.strftime("%Y-%m-%dT%H:%M:%SZ")
        raise ChamberdriftError(
            f"{hidden} after {when} were judged already; a run as of that moment would take "
            "their flags back, so nothing was done. To see the fleet as it was then: "
            f"chamberdrift report --as-of {when} --store {shell_word(location)}. To judge it anew "
            "night by night, use a store of its own."
        )
