"""What to check at the bench for a unit's flags, cautions first."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

import pandas as pd

from . import style
from .bench import cautions_for, split_cautions, steps_for
from .flow import Row, Words, heading, paragraph, space
from .metrics import fit_end, text_width_pt
from .options import ReportOptions
from .rewrite import in_units
from .states import alternatives_words, part_words, text_of

SAID_SHARE: Final = 0.65
"""Share of a step's words from which the flag's own check has said it (own choice)."""


def check_rows(opened: pd.DataFrame, width: float, options: ReportOptions) -> list[Row]:
    """Return cautions first, then what to check for each flag, gravest first."""
    if opened.empty:
        return []
    rows = heading("What to check, in this order", width, bookmark="What to check")
    parts = list(opened["part"].drop_duplicates().astype(str))
    rows.append(Row(12.0, (Words(0.0, 9.0, "Before you begin", bold=True),), keep=True))
    for caution in cautions_for(parts):
        rows += paragraph(caution, width, lead="–", hang=9.0)
        rows.append(space(1.2))
    rows = [replace(r, keep=True) for r in rows]
    for number, part in enumerate(parts, 1):
        own = opened[opened["part"] == part]
        rows += _part_checks(number, own, width, options, steps=3 if number <= 3 else 0)
    return rows


def _part_checks(
    number: int, flags: pd.DataFrame, width: float, options: ReportOptions, *, steps: int
) -> list[Row]:
    part = str(flags["part"].iloc[0])
    words = part_words(part)
    title = f"{number}.  {words[:1].upper()}{words[1:]}"
    size = style.BODY_PT
    head = [Words(0.0, 15.0, title, size, bold=True)]
    others = alternatives_words(flags["alternatives"].iloc[0])
    if others:
        x = text_width_pt(title, size, bold=True) + 10.0
        note = fit_end(f"{others} would look alike", style.SMALL_PT, width - x)
        head.append(Words(x, 15.0, note, style.SMALL_PT, style.MUTED))
    rows = [Row(18.5, tuple(head), keep=True)]
    said = [split_cautions(text_of(t))[1] for t in flags["bench_check"]]
    for text in dict.fromkeys(t for t in said if t):
        rows += [*paragraph(in_units(text, options), width, hang=14.0), space(1.2)]
    for check in [c for c in steps_for(part) if not _said(c.do, said)][:steps]:
        text = in_units(check.do, options)
        rows += [*paragraph(text, width, lead="–", indent=14.0, hang=9.0), space(1.2)]
    return [*(replace(r, keep=True) for r in rows[:-1]), rows[-1]]


def _said(step: str, texts: list[str]) -> bool:
    """Return whether a text says a step already: most of its longer words stand there."""
    words = [w for w in re.findall(r"[a-z]+", step.lower()) if len(w) > 3]
    told = set(re.findall(r"[a-z]+", " ".join(texts).lower()))
    return bool(words) and sum(w in told for w in words) >= SAID_SHARE * len(words)
