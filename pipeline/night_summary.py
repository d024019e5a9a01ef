"""What a night has to tell, on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from ..shared.config_file import FILE_NAME
from .shown import shell_word

if TYPE_CHECKING:
    from .quarantine import RefusalGroup

WIDTH: Final = 79
SCREEN_LINES: Final = 23
"""A terminal of 24 lines, less the prompt."""
LEAST_FLEET_LINES: Final = 6
GROUPS_SHOWN: Final = 4
LINES_SHOWN: Final = 3


@dataclass(frozen=True)
class NightSummary:
    """The outcome of a night or of one of its stages."""

    store: str
    as_of: str
    commit: int
    published: bool
    """This run made a commit."""
    stages: tuple[str, ...]
    exports: Mapping[str, int] = field(default_factory=dict)
    """Exports in this run: in_inbox, accepted, duplicate, quarantined, left, unchanged."""
    refusals: tuple[RefusalGroup, ...] = ()
    """All exports in quarantine, by what they lack."""
    units: tuple[str, ...] = ()
    """Units with new samples."""
    new_cycles: int = 0
    verdicts: int = 0
    flags: Mapping[str, int] = field(default_factory=dict)
    """Flags opened, risen and closed in this run."""
    open: Mapping[str, int] = field(default_factory=dict)
    """Open flags by severity."""
    fleet: str = ""
    """The fleet in words: the work list."""
    reports: tuple[str, ...] = ()
    service_entries: int = 0
    service_refused: tuple[str, ...] = ()
    failures: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    seconds: Mapping[str, float] = field(default_factory=dict)
    explained: tuple[tuple[str, str, str], ...] = ()

    @property
    def quarantined(self) -> int:
        """Exports set aside in this run."""
        return self.exports.get("quarantined", 0)

    @property
    def stop_open(self) -> bool:
        """Whether a ``stop`` flag is open."""
        return self.open.get("stop", 0) > 0

    def as_dict(self) -> dict[str, Any]:
        """Return the summary as plain values."""
        return {
            "store": self.store,
            "as_of": self.as_of,
            "commit": self.commit,
            "published": self.published,
            "exports": dict(self.exports),
            "refusals": [
                {
                    "cause": r.cause,
                    "count": r.count,
                    "question": r.question,
                    "command": r.command,
                    "message": r.message,
                    "toml": r.toml,
                    "exports": list(r.exports),
                }
                for r in self.refusals
            ],
            "units_with_new_samples": list(self.units),
            "new_cycles": self.new_cycles,
            "new_verdicts": self.verdicts,
            "flags": dict(self.flags),
            "open_flags": dict(self.open),
            "reports": list(self.reports),
            "service_entries": self.service_entries,
            "service_refused": list(self.service_refused),
            "failures": list(self.failures),
            "warnings": list(self.warnings),
            "seconds": dict(self.seconds),
            "explained": [list(e) for e in self.explained],
        }

    def fleet_lines(self) -> int:
        """Return how many lines the fleet's part may have, so that all fits one screen."""
        used = len(self._text(1, verbose=False).splitlines())
        return max(LEAST_FLEET_LINES, SCREEN_LINES - used - 1)

    def text(self, *, verbose: bool = False) -> str:
        """Return the summary for a terminal or a mail: one screen, unless more is asked for."""
        for groups in range(GROUPS_SHOWN, 1, -1):
            text = self._text(groups, verbose=verbose)
            if verbose or text.count("\n") < SCREEN_LINES:
                return text
        return self._text(1, verbose=verbose)

    def _text(self, groups: int, *, verbose: bool) -> str:
        lines = [self._head()]
        if "ingest" in self.stages:
            lines.append(self._exports())
        if "extract" in self.stages:
            units = "1 unit" if len(self.units) == 1 else f"{len(self.units)} units"
            lines.append(f"{'Cycles':<9} {self.new_cycles} new on {units}")
        if "judge" in self.stages:
            said = ", ".join(f"{self.flags.get(k, 0)} {k}" for k in ("opened", "risen", "closed"))
            lines.append(f"{'Flags':<9} {said}")
        if self.fleet:
            lines += ["", self.fleet.rstrip("\n")]
        if self.refusals:
            lines += ["", *self._set_aside(groups)]
        if self.service_refused:
            lines += ["", "Service entries left out for now:"]
            lines += _some([*self.service_refused], "lines")
        for title, items in (("Warnings", self.warnings), ("Failed", self.failures)):
            if items:
                lines += ["", f"{title}:", *_some([*items], title.lower())]
        if self.reports:
            lines += ["", f"Reports: {self.reports[0]}"]
            more = len(self.reports) - 1
            if more:
                folder = self.reports[0].rsplit("/", 1)[0]
                lines.append(f"         and {more} on single units in {folder}")
            if verbose:
                lines += [f"         {path}" for path in self.reports[1:]]
        if verbose:
            spent = ", ".join(f"{k} {v:.1f} s" for k, v in self.seconds.items())
            lines += ["", f"Time: {spent}"]
        return "\n".join(lines)

    def _head(self) -> str:
        if self.published:
            return f"{'Store':<9} {self.store}, commit {self.commit}"
        return f"{'Store':<9} {self.store}: nothing new, still commit {self.commit}"

    def _exports(self) -> str:
        names = {
            "accepted": "taken in",
            "duplicate": "known already",
            "quarantined": "set aside",
            "no_exports": "no export at all",
            "left": "left for the next night",
            "unchanged": "unchanged",
        }
        total = self.exports["in_inbox"]
        counts = {k: n for k, n in self.exports.items() if k in names}
        said = [f"{n} {names[k]}" for k, n in counts.items() if n or k == "accepted"]
        return f"{'Exports':<9} {total} in the inbox: {', '.join(said)}"

    def _set_aside(self, groups: int) -> list[str]:
        lines: list[str] = []
        for group in self.refusals[:groups]:
            lines += ["", *_group_lines(group, self.store)]
        hidden = len(self.refusals) - groups
        if hidden > 0:
            reasons = "1 more reason" if hidden == 1 else f"{hidden} more reasons"
            lines += ["", f"{reasons}: chamberdrift table intake --store {shell_word(self.store)}"]
        return lines[1:]


def _group_lines(group: RefusalGroup, store: str) -> list[str]:
    """Return what some exports lack, and the one command or setting that answers it."""
    noun = "export is" if group.count == 1 else "exports are"
    lines = _wrap(f"{group.count} {noun} set aside, such as {group.exports[0]}.")
    lines += _wrap(group.question or group.message)
    if group.command:
        lines += [f"  {group.command}", "The next night reads them again."]
    elif group.toml:
        lines += [f"In {store.rstrip('/')}/{FILE_NAME}, with your answer:"]
        lines += [f"  {line}" for line in group.toml.strip().splitlines()]
        if 0 < group.asked < group.count:
            part = f"{group.asked} of the {group.count}"
            lines.append(f"This answers {part}; the next night asks about the others.")
    return lines


def _wrap(text: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
    )


def _some(items: list[str], what: str) -> list[str]:
    lines = [line for item in items[:LINES_SHOWN] for line in _wrap(f"- {item}")]
    hidden = len(items) - LINES_SHOWN
    return [*lines, f"- and {hidden} more {what}"] if hidden > 0 else lines
