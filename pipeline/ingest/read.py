"""Read one export: from bytes to samples, or to a refusal that says what is missing."""

from __future__ import annotations

from typing import Any, Final

from ...shared.config import Config
from ...shared.errors import ExportRefusedError
from .containers import Member, hash_of, members
from .reading import Facts, Reading
from .refuse import unforeseen

PAST_HELP: Final = frozenset(
    {
        "no_table",
        "not_a_table",
        "not_an_export",
        "empty",
        "no_samples",
        "line_too_long",
        "damaged_archive",
    }
)
"""Causes that no setting can answer: such files in an archive are left out, and said so."""


def read_export(
    path_or_bytes: Any,
    *,
    name: str,
    config: Config,
    facts: Facts | None = None,
    sha256: str | None = None,
    today_days: int | None = None,
) -> Reading:
    """Read an export of a data logger.

    Parameters
    ----------
    path_or_bytes
        A path, or the export's bytes.
    name
        Its path below the inbox: patterns of layouts match it, and where the
        export does not name its unit, the name does.
    config
        The configuration, which settles what the export leaves open.
    facts
        What the units' other exports settled.
    sha256
        Hash of the bytes, where the caller has it.
    today_days
        Today [days since 1970], for settings that would put samples into the future; None: they
        may.

    Returns
    -------
    Reading
        With tables in the columns of the traces table, sorted by unit and time.

    Raises
    ------
    ExportRefusedError
        Where it can't be read without guessing; nothing else is ever raised for
        what an export holds.
    """
    from .assemble import Assembly

    assembly: Assembly | None = None
    try:
        digest = sha256 or hash_of(path_or_bytes)
        assembly = Assembly(name, digest, config, facts or Facts(), today_days)
        found = members(path_or_bytes, name)
        left_out: list[tuple[Member, ExportRefusedError]] = []
        for member in found:
            try:
                assembly.add(member, many=len(found) > 1)
            except ExportRefusedError as error:
                # No answer would mend such a file in an archive: the others are read.
                if len(found) > 1 and error.cause in PAST_HELP:
                    left_out.append((member, error))
                    continue
                raise
        if len(left_out) == len(found):
            raise left_out[0][1]
        for member, refused in left_out:
            assembly.note("left out", member.name, refused.message)
            assembly.notices.append(f"left out: {refused.message}")
        return assembly.finish()
    except ExportRefusedError as error:
        if assembly is not None:
            told = dict.fromkeys((e.decision, e.value, e.why) for e in assembly.evidence)
            error.evidence = tuple(told)
        raise
    except MemoryError:
        raise
    except Exception as error:
        raise unforeseen(name, error) from error
