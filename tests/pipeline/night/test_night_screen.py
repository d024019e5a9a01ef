"""A night's summary fits one screen of 24 lines, whatever it has to tell."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from chamberdrift.pipeline.night_summary import SCREEN_LINES, NightSummary
from chamberdrift.pipeline.quarantine import RefusalGroup, group_refusals


def group(number: int) -> RefusalGroup:
    return RefusalGroup(
        cause=f"cause-{number}",
        count=40 + number,
        question="Is the pressure in these exports absolute or gauge?",
        command="",
        message="the file does not say whether pressure is absolute or gauge",
        toml='[[layout]]\nname = "north"\npressure_reference = "absolute"',
        exports=(f"north/old-{number}.csv",),
    )


def night(groups: int) -> NightSummary:
    return NightSummary(
        store="fleet",
        as_of="2026-11-25T05:00:00Z",
        commit=41,
        published=True,
        stages=("ingest", "extract", "judge", "report"),
        exports={"in_inbox": 900, "accepted": 400, "quarantined": 40 * groups},
        refusals=tuple(group(i) for i in range(groups)),
        units=("a", "b"),
        new_cycles=2000,
        flags={"opened": 60, "risen": 4, "closed": 1},
        reports=tuple(f"fleet/reports/2026-11-25/{i}.pdf" for i in range(90)),
    )


@pytest.mark.parametrize("groups", [0, 1, 2, 4, 9])
def test_many_flags_and_refusals_stay_on_one_screen(groups: int) -> None:
    bare = night(groups)
    lines = bare.fleet_lines()
    assert lines >= 6
    whole = replace(bare, fleet="\n".join(f"line {i}" for i in range(lines)))
    text = whole.text()
    assert len(text.splitlines()) <= SCREEN_LINES
    assert f"line {lines - 1}" in text
    assert "Reports: fleet/reports" in text
    if groups > 1:
        assert "more reason" in text


def test_the_verbose_summary_keeps_every_group() -> None:
    text = replace(night(4), fleet="x").text(verbose=True)
    assert text.count("exports are set aside, such as") == 4


def refused(cause: str, export: str, toml: str, question: str) -> dict[str, str]:
    return {
        "cause": cause,
        "export": export,
        "sha256": export,
        "toml": toml,
        "question": question,
        "message": f"{export}: {question}",
    }


def test_question_setting_and_name_belong_to_the_same_exports() -> None:
    one, two = '[[layout]]\nmatch = "a/*.csv"', '[[layout]]\nmatch = "z/*.txt"'
    rows = [refused("channels", "a/1.csv", one, "Which of A and B is temperature_c?")]
    rows += [refused("channels", f"z/{k}.txt", two, "Which of Y and Z?") for k in range(3)]
    rows += [refused("unit_contradiction", "k/9.csv", "[[layout]]", "Is it psi?")]
    odd, channels = group_refusals(pd.DataFrame(rows), "fleet")
    assert odd.cause == "unit_contradiction"
    assert (channels.count, channels.asked) == (4, 3)
    assert (channels.toml, channels.question) == (two, "Which of Y and Z?")
    assert channels.exports == ("z/0.txt", "z/1.txt", "z/2.txt")
    text = replace(night(0), refusals=(channels,)).text()
    assert "This answers 3 of the 4" in text
