"""Run the evaluation protocol: simulate, extract, judge, score, compare.

Example, the report's table (nobody looks at these seeds while tuning):

    python tests/evaluation/run_protocol.py --part report --seeds 2 --units 100 --days 365

Tuning seeds are 1 to 99, validation seeds 100 to 199, report seeds 900 to 999.
Each seed is a fleet of its own, judged by itself; the scores are of all together.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pandas as pd
from calibration_plot import draw  # type: ignore[import-not-found]
from chamberdrift.models import judge
from chamberdrift.pipeline.evaluation import HEALTHY, Evaluation, score
from chamberdrift.pipeline.evaluation_dummies import flags_every, flags_nothing
from chamberdrift.pipeline.evaluation_text import number, percent, share, table
from comparators import METHODS, flags_of  # type: ignore[import-not-found]
from fleet_tables import FleetTables, fleet_tables  # type: ignore[import-not-found]

PARTS = {"tuning": range(1, 100), "validation": range(100, 200), "report": range(900, 1000)}


@dataclasses.dataclass(frozen=True)
class Outcome:
    """All fleets together: the project's own tables and the comparators' flags."""

    flags: dict[str, pd.DataFrame]
    judgements: pd.DataFrame
    forecasts: pd.DataFrame
    cycles: pd.DataFrame
    truth_cycles: pd.DataFrame
    truth_faults: pd.DataFrame
    truth_confounders: pd.DataFrame

    def scores(self) -> dict[str, Evaluation]:
        """Return the evaluation of each detector; verdicts and forecasts only of our own."""
        return {
            name: score(
                flags,
                self.cycles,
                self.judgements if name == OWN else None,
                self.truth_cycles,
                self.truth_faults,
                truth_confounders=self.truth_confounders,
                forecasts=self.forecasts if name == OWN else None,
                name=name,
            )
            for name, flags in self.flags.items()
        }


OWN = "chamberdrift"


def run_seed(
    seed: int, units: int, days: int, cache: Path | None, compare: bool, variant: str
) -> Outcome:
    """Make, judge and compare one fleet; unit ids carry the seed."""
    options = {} if variant == "standard" else {"variant": variant}
    fleet = fleet_tables(seed, units, days, cache, **options)
    judged = judge(fleet.cycles, fleet.service, fleet.config)
    methods: dict[str, Callable[[pd.DataFrame], pd.DataFrame]] = {}
    if compare:
        methods |= {"dummy: flags nothing": flags_nothing, "dummy: every 100th": flags_every}
        methods |= {n: (lambda c, m=m: flags_of(c, m)) for n, m in METHODS.items()}
    flags = {OWN: judged.flags} | {n: make(fleet.cycles) for n, make in methods.items()}
    return _named(fleet, flags, judged.judgements, judged.forecasts)


def _named(
    fleet: FleetTables,
    flags: dict[str, pd.DataFrame],
    judgements: pd.DataFrame,
    forecasts: pd.DataFrame,
) -> Outcome:
    def mark(frame: pd.DataFrame) -> pd.DataFrame:
        changed = {
            column: f"{fleet.seed}/" + frame[column].astype(str)
            for column in ("unit_id", "flag_id", "cycle_id")
            if column in frame.columns
        }
        return frame.assign(**changed)

    return Outcome(
        {n: mark(f) for n, f in flags.items()},
        mark(judgements),
        mark(forecasts),
        mark(fleet.cycles),
        mark(fleet.truth_cycles),
        mark(fleet.truth_faults),
        mark(fleet.truth_confounders),
    )


def together(outcomes: Sequence[Outcome]) -> Outcome:
    """Return all fleets as one."""

    def join(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
        return pd.concat([f for f in frames if len(f)] or list(frames[:1]), ignore_index=True)

    names = [f.name for f in dataclasses.fields(Outcome) if f.name != "flags"]
    return Outcome(
        {n: join([o.flags[n] for o in outcomes]) for n in outcomes[0].flags},
        **{name: join([getattr(o, name) for o in outcomes]) for name in names},
    )


def comparison(scores: dict[str, Evaluation]) -> str:
    """Return one table of all detectors."""
    rows = []
    for name, e in scores.items():
        false = e.rate_of(HEALTHY, "service")
        h = e.headline
        rows.append(
            [
                name,
                share(h.raised_in_time, h.faults),
                share(h.part_right, h.raised),
                number(h.median_lead_days, 1),
                str(false.flags),
                number(false.per_unit_year, 2),
                number(false.upper, 2),
                percent(h.chance),
            ]
        )
    head = [
        "Detector",
        "raised in time",
        "right part first",
        "median lead [d]",
        "false service",
        "per unit-year",
        "95 % bound",
        "by chance",
    ]
    return table(head, rows)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the protocol as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--part", choices=sorted(PARTS), default="tuning")
    parser.add_argument("--seeds", type=int, default=1, help="how many seeds of the part")
    parser.add_argument("--first", type=int, default=0, help="seeds of the part to pass over")
    parser.add_argument("--units", type=int, default=24)
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--cache", type=Path, default=None, help="folder that keeps tables")
    parser.add_argument("--compare", action="store_true", help="run the other methods, too")
    parser.add_argument("--faults", action="store_true", help="list every fault's outcome")
    parser.add_argument("--variant", default="standard", help="physics variant of the simulator")
    parser.add_argument("--json", type=Path, default=None, help="write the scores there")
    parser.add_argument("--plot", type=Path, default=None, help="draw calibration, a PNG")
    options = parser.parse_args(arguments)
    seeds = list(PARTS[options.part])[options.first : options.first + options.seeds]
    started = time.monotonic()
    work = (
        seeds,
        *(
            [value] * len(seeds)
            for value in (
                options.units,
                options.days,
                options.cache,
                options.compare,
                options.variant,
            )
        ),
    )
    if options.jobs > 1:
        with ProcessPoolExecutor(options.jobs) as pool:
            outcomes = list(pool.map(run_seed, *work))
    else:
        outcomes = list(map(run_seed, *work))
    outcome = together(outcomes)
    scores = outcome.scores()
    print(f"{options.part} seeds {seeds[0]}-{seeds[-1]}, {options.units} units each, ", end="")
    print(f"{options.days} days, {len(outcome.cycles)} cycles, physics {options.variant}\n")
    print(scores[OWN].text())
    if options.faults:
        print(fault_list(scores[OWN]) + "\n")
    if len(scores) > 1:
        print(comparison(scores) + "\n")
    if options.plot is not None:
        print(draw(outcome, scores[OWN], options.plot) + "\n")
    if options.json is not None:
        plain = {n: e.as_dict() for n, e in scores.items()}
        options.json.write_text(json.dumps(plain, indent=1, default=lambda o: o.item()))
    print(f"{time.monotonic() - started:.0f} s", file=sys.stderr)
    return 0


def fault_list(e: Evaluation) -> str:
    """Return a row a fault: what it was and what the flags made of it."""
    rows = [
        [
            f"{o.unit_id} {o.part} {o.mode}".strip(),
            o.status,
            "-" if o.failed is None else f"{o.failed - o.onset:.0f}",
            "-" if o.flagged is None else f"{o.flagged - o.onset:.0f}",
            o.flagged_part or "-",
            "yes" if o.part_right else "no",
            number(o.lead_days, 1),
        ]
        for o in e.faults
    ]
    head = ["Fault", "status", "fails after [d]", "flag after [d]", "named", "right", "lead [d]"]
    return table(head, rows)


if __name__ == "__main__":
    sys.exit(main())
