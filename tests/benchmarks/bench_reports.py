"""How fast reports are drawn, as a ratio to a plain three-panel page in the same run.

Run by hand:  python tests/benchmarks/bench_reports.py [--fleet]

The floor is one figure with three axes, a line of 500 points and default ticks in
each, written as a PDF page by the same library. ``--fleet`` adds the large case:
the fleet report of 1,000 units and the pages of 100 flagged units, on one process
and on two.
"""

from __future__ import annotations

import argparse
import importlib.util
import io
import os
import resource
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from types import ModuleType

import numpy as np
from chamberdrift.reports.document import Document, render
from chamberdrift.reports.fleet import fleet_document
from chamberdrift.reports.options import ReportOptions
from chamberdrift.reports.record import cycle_document
from chamberdrift.reports.unit import unit_document
from chamberdrift.reports.views import cycle_view
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

FLAGGED = 100


def load_builder() -> ModuleType:
    """Return the module that builds views."""
    path = Path(__file__).parent.parent / "reports" / "builder.py"
    spec = importlib.util.spec_from_file_location("reports_builder", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def plain_pages(count: int) -> None:
    """Write pages of three panels with the library's defaults."""
    x = np.linspace(0.0, 1.0, 500)
    with PdfPages(io.BytesIO()) as pdf:
        for _ in range(count):
            figure = Figure(figsize=(8.27, 11.69))
            for i, axes in enumerate(figure.subplots(3, 1)):
                axes.plot(x, np.sin(20.0 * x + i))
                axes.set_title(f"panel {i}")
            pdf.savefig(figure)


def per_page(make: Callable[[], Document], runs: int = 5) -> tuple[float, int]:
    """Return the least processor seconds a page over some runs, planning included."""
    best, pages = float("inf"), 0
    for _ in range(runs):
        start = time.process_time()
        document = make()
        render(document)
        pages = len(document.pages)
        best = min(best, (time.process_time() - start) / pages)
    return best, pages


@dataclass(frozen=True)
class Made:
    """One report that a process drew."""

    process: int
    size: int
    pages: int
    seconds: float
    peak_mib: float
    """Most memory that the process had held by then."""


def peak_mib() -> float:
    """Return the most memory that this process has held [MiB]."""
    status = Path("/proc/self/status")
    if status.exists():  # the other count goes on from the parent process
        words = status.read_text().partition("VmHWM:")[2].split()
        return float(words[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def unit_pages(seed: int) -> Made:
    """Draw one flagged unit's report."""
    builder = load_builder()
    name = f"Otter {seed:03d}"
    view = builder.unit_view(name, cycles=180, drift=1.0, seed=seed, flags=[builder.flag(name)])
    start = time.process_time()
    document = unit_document(view, ReportOptions())
    size = len(render(document))
    spent = time.process_time() - start
    return Made(os.getpid(), size, len(document.pages), spent, peak_mib())


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleet", action="store_true", help="add 1,000 units and 100 reports")
    asked = parser.parse_args()
    builder = load_builder()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    plain_pages(2)
    floor = float("inf")
    for _ in range(5):
        start = time.process_time()
        plain_pages(4)
        floor = min(floor, (time.process_time() - start) / 4)
    print(f"{'page kind':<34} {'pages':>5} {'ms a page':>10} {'ratio':>6}")
    print(f"{'plain, three panels':<34} {4:>5} {floor * 1e3:>10.0f} {1:>6.2f}")
    name = "Otter Creek 2"
    view = builder.unit_view(name, cycles=180, drift=1.0, flags=[builder.flag(name)])
    long = builder.unit_view(name, cycles=3000, drift=1.0, flags=[builder.flag(name)])
    fleet = builder.fleet_view(12)
    sheet = cycle_view(view, str(view.cycles["cycle_id"].iloc[-1]))
    options = ReportOptions()
    for words, make in (
        ("unit report, 180 cycles", lambda: unit_document(view, options)),
        ("unit report, 3,000 cycles", lambda: unit_document(long, options)),
        ("cycle sheet", lambda: cycle_document(sheet, options)),
        ("fleet report, 12 units", lambda: fleet_document(fleet, options)),
    ):
        seconds, pages = per_page(make)
        print(f"{words:<34} {pages:>5} {seconds * 1e3:>10.0f} {seconds / floor:>6.2f}")
    if asked.fleet:
        large(builder, floor)


def large(builder: ModuleType, floor: float) -> None:
    """Print the large case; processor seconds tell where other work shares the machine."""
    view = builder.fleet_view(1000, cycles=40, flagged=FLAGGED)
    wall, start = time.perf_counter(), time.process_time()
    document = fleet_document(view, ReportOptions())
    size = len(render(document))
    fleet_s, wall = time.process_time() - start, time.perf_counter() - wall
    page_s, _ = per_page(lambda: fleet_document(view, ReportOptions()), runs=3)
    words = "fleet report, 1,000 units"
    print(f"{words:<34} {len(document.pages):>5} {page_s * 1e3:>10.0f} {page_s / floor:>6.2f}")
    print(
        f"fleet: {fleet_s:.1f} s of processor, {wall:.1f} s by the clock, {size / 1e6:.1f} MB, "
        f"{peak_mib():.0f} MiB"
    )
    del document
    began = time.perf_counter()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        done = list(pool.map(unit_pages, range(FLAGGED), chunksize=5))
    units = time.perf_counter() - began
    print(
        f"{FLAGGED} unit reports, {sum(d.pages for d in done)} pages on two processes: "
        f"{sum(d.seconds for d in done):.1f} s of processor without making the views, "
        f"{units:.1f} s by the clock with it, {sum(d.size for d in done) / 1e6:.1f} MB"
    )
    for process in sorted({d.process for d in done}):
        own = [d.peak_mib for d in done if d.process == process]
        early = own[min(9, len(own) - 1)]
        print(f"a process: {early:.0f} MiB after 10 reports, {own[-1]:.0f} after {len(own)}")
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    children = used.ru_utime + used.ru_stime
    print(
        f"together {wall + units:.1f} s by the clock, load {os.getloadavg()[0]:.1f} at the end; "
        f"processor time alone: {fleet_s:.1f} s, then {children:.1f} s on two processes with "
        f"start-up and making the views, so {fleet_s + children / 2:.1f} s on two idle cores"
    )


if __name__ == "__main__":
    main()
