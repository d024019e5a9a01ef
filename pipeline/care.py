"""What people tell the store: service, postponed flags, units moved or retired."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from ..shared.config import Config
from ..shared.config_template import commented_config, table_text
from ..shared.errors import ChamberdriftError, ConfigError
from .names import likely_ids, not_known, offer
from .settings import read_settings, set_in_list, settings_name, settings_text, write_settings
from .shown import shell_word
from .store import Snapshot, Store


@dataclass(frozen=True)
class Done:
    """What was entered."""

    what: dict[str, Any]
    lines: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the entry as plain values."""
        return self.what

    def text(self) -> str:
        """Return the entry in words."""
        return "\n".join(self.lines)


def record_service(
    location: str,
    unit: str,
    *,
    part: str,
    action: str,
    result: str = "",
    when: str | None = None,
    note: str = "",
) -> Done:
    """Enter work on a unit.

    Parameters
    ----------
    when
        Time; without an offset in the zone of the unit's site. None: now.

    Raises
    ------
    ChamberdriftError
        If the unit, the part, the action or the time is not known.
    """
    from ..shared.parts import EPOCH_ACTIONS
    from .moment import CLOCK_SLACK, now
    from .service_log import make_entry, merge_entries

    store = Store.open(location)
    with store.lock():
        snapshot = store.snapshot()
        config = read_settings(store.place)
        row = {
            "unit_id": unit,
            "time": datetime.now(UTC).isoformat(timespec="seconds") if when is None else when,
            "part": part,
            "action": action,
            "note": note,
            "result": result,
        }
        _check_unit(unit, snapshot, config, location)
        try:
            entry = make_entry(row, config, known_units(snapshot, config))
        except ValueError as error:
            raise ChamberdriftError(str(error)) from None
        if entry.time > now() + CLOCK_SLACK:
            raise ChamberdriftError(
                f"{_shown(entry.time)} lies in the future; enter work once it is done, "
                "with the time at which it was."
            )
        before = snapshot.table("service", units=[unit])
        after = merge_entries(before, [entry], now(), by_hand=True)
        news = not after.equals(before)
        if news:
            txn = store.begin(snapshot)
            txn.replace("service", unit, after)
            txn.commit(f"service of {unit}")
    epoch = (
        f"The next night starts a new baseline for what the {part.replace('_', ' ')} governs."
        if action in EPOCH_ACTIONS
        else "It leaves baselines as they are."
    )
    said = "Entered" if news else "There already is"
    lines = (
        f"{said} {entry.service_id}: {unit}, {part} {action} at {_shown(entry.time)}"
        + (f", finding {result.replace('_', ' ')}." if result else "."),
        epoch,
        f"To take it back: chamberdrift service --undo {entry.service_id} "
        f"--store {shell_word(location)}",
    )
    what = {
        "service_id": entry.service_id,
        "unit_id": unit,
        "time": _shown(entry.time),
        "part": part,
        "action": action,
        "note": note,
        "result": result,
    }
    return Done(what, lines)


def undo_service(location: str, service_id: str) -> Done:
    """Take a service entry back; it stays in the table, marked as undone.

    Raises
    ------
    ChamberdriftError
        If no entry has this id.
    """
    from .service_log import undo_entry

    store = Store.open(location)
    with store.lock():
        snapshot = store.snapshot()
        after = undo_entry(snapshot.table("service"), service_id, location)
        unit = str(after.loc[after["service_id"] == service_id, "unit_id"].iloc[0])
        txn = store.begin(snapshot)
        txn.replace("service", unit, after[after["unit_id"] == unit].reset_index(drop=True))
        txn.commit(f"service entry {service_id} undone")
    lines = (f"Took back {service_id} of {unit}; the next night judges without it.",)
    return Done({"service_id": service_id, "unit_id": unit, "undone": True}, lines)


def defer_flag(location: str, flag: str, *, until: datetime, reason: str) -> Done:
    """Put a flag off until a date. A ``stop`` flag is shown all the same.

    Raises
    ------
    ChamberdriftError
        If no open flag has this id, or the date is not in the future.
    """
    from .deferrals import DEFERRALS
    from .moment import now

    if not reason.strip():
        raise ChamberdriftError("the reason is empty; say in a few words why it can wait.")
    if until <= now():
        raise ChamberdriftError(f"{_shown(until)} is past; name a date to come.")
    store = Store.open(location)
    with store.lock():
        snapshot = store.snapshot()
        flags = snapshot.table("flags")
        opened = flags[flags["closed_at"].isna()]
        flag_id = _one_flag(flag, [str(i) for i in opened["flag_id"]], location)
        own = opened[opened["flag_id"] == flag_id].iloc[0]
        document = dict(snapshot.state(DEFERRALS) or {})
        document[flag_id] = {
            "unit_id": str(own["unit_id"]),
            "part": str(own["part"]),
            "until": _shown(until),
            "reason": reason.strip(),
            "recorded_at": _shown(now().to_pydatetime()),
        }
        txn = store.begin(snapshot)
        txn.put_state(DEFERRALS, document)
        txn.commit(f"flag {flag_id} deferred")
    lines = [f"Deferred {flag_id} ({own['unit_id']}, {own['part']}) until {_shown(until)}."]
    if own["severity"] == "stop":
        lines.append("It is a stop flag: it stays at the top of the list all the same.")
    what = {"flag_id": flag_id, "until": _shown(until), "reason": reason.strip(),
            "severity": str(own["severity"])}  # fmt: skip
    return Done(what, tuple(lines))


def retire_unit(location: str, unit: str, *, when: str | None = None) -> Done:
    """Take a unit out of the fleet from a moment on.

    Raises
    ------
    ChamberdriftError
        If the unit or the time is not known.
    """
    store = Store.open(location)
    with store.lock():
        config = read_settings(store.place)
        _check_unit(unit, store.snapshot(), config, location)
        before = config.unit(unit).retired_at
        if before is not None and when is None:
            raise ChamberdriftError(
                f"{unit} left the fleet at {_shown(before)} already; "
                "for another moment give it with --time."
            )
        moment = _moment(when, unit, config)
        _change(store, "unit", unit, {"retired_at": moment})
    lines = (
        f"{unit} left the fleet at {_shown(moment)}; what is known of it is kept.",
        f"To take it back: remove retired_at of {unit} in {settings_name(store.place)}.",
    )
    return Done({"unit_id": unit, "retired_at": _shown(moment)}, lines)


def move_unit(location: str, unit: str, *, site: str, when: str | None = None) -> Done:
    """Move a unit to another site of the configuration.

    Exports that begin before the move keep the clock and the altitude of the site where
    the unit stood.

    Parameters
    ----------
    when
        Time of the move; without an offset in the zone of the site it left. None: now.

    Raises
    ------
    ChamberdriftError
        If the unit or the site is not known.
    """
    store = Store.open(location)
    with store.lock():
        config = read_settings(store.place)
        _check_unit(unit, store.snapshot(), config, location)
        if config.site(site) is None:
            near = likely_ids(site, [s.id for s in config.sites])
            hint = f"did you mean {offer(near)}? Else add" if near else "add"
            raise ConfigError(
                f"no site is called {site!r}; {hint} to {settings_name(store.place)}: "
                f'[[site]] id = "{site}".'
            )
        before = config.unit(unit).site
        moment = _moment(when, unit, config)
        if before == site:
            raise ChamberdriftError(f"{unit} stands at {site} already.")
        earlier = {} if before is None else {"unit": unit, "site": before, "until": moment}
        _change(store, "unit", unit, {"site": site}, {"earlier_site": earlier})
    lines = [f"{unit} moved from {before or 'no site'} to {site} at {_shown(moment)}."]
    if before:
        lines.append(f"Exports that begin earlier keep the clock and altitude of {before}.")
    what = {"unit_id": unit, "site": site, "site_before": before, "time": _shown(moment)}
    return Done(what, tuple(lines))


def _moment(when: str | None, unit: str, config: Config) -> datetime:
    from .service_log import local_time

    try:
        moment = datetime.now(UTC) if when is None else local_time(when, unit, config)
    except ValueError as error:
        raise ChamberdriftError(str(error)) from None
    return moment.replace(microsecond=0)


def known_units(snapshot: Snapshot, config: Config) -> list[str]:
    """Return all units with data or in the configuration, sorted."""
    return sorted({*snapshot.unit_ids(), *(u.id for u in config.units)})


def _check_unit(unit: str, snapshot: Snapshot, config: Config, location: str) -> None:
    known = known_units(snapshot, config)
    if unit not in known:
        raise not_known("unit", unit, known, table="units", location=location)


def _change(
    store: Store,
    name: str,
    value: str,
    changes: dict[str, Any],
    added: dict[str, dict[str, Any]] | None = None,
) -> None:
    """Set keys of one entry of the configuration, and add entries at its end."""
    text = settings_text(store.place)
    text = commented_config() if text is None else text
    tomllib.loads(text)
    text = set_in_list(text, name, "id", {value: changes})
    for table, values in (added or {}).items():
        if values:
            text += ("" if text.endswith("\n\n") else "\n") + table_text(table, values)
    write_settings(store.place, text)


def _one_flag(flag: str, opened: Iterable[str], location: str) -> str:
    """Return the open flag with an id, or whose id begins so where only one does."""
    ids = sorted(set(opened))
    if flag in ids:
        return flag
    begun = [i for i in ids if flag and i.startswith(flag)]
    if len(begun) == 1:
        return begun[0]
    if begun:
        raise ChamberdriftError(
            f"{flag!r} may be any of {', '.join(begun[:5])}; write more of it."
        )
    raise not_known("open flag", flag, ids, table="flags", location=location)


def _shown(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
