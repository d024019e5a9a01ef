"""Reading speed for each layout, as a ratio to Arrow alone.

Run by hand: ``python tests/benchmarks/bench_ingest.py [rows ...]``. The floor, measured in
the same run, is Arrow's CSV reader on the same bytes with the same columns parsed (times
with the format given, decimal mark given, one thread) and the same Parquet written: the
tables that reading gives, made beforehand. Where
Arrow can't parse a layout (aligned text) the floor is the same table parted by tabs.
Targets: 2 for most layouts, 4 for UTF-16, aligned and long ones. The ratio is that of a
folder's exports, whose layout the process has met before, as nightly runs read them; beside
it stands the ratio of a first export, whose layout is searched anew.
"""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as arrow_csv
import pyarrow.parquet as pq
from chamberdrift.pipeline.ingest import read_export
from chamberdrift.pipeline.ingest.recall import forget
from chamberdrift.shared.config import Config, Defaults
from chamberdrift.shared.steam import p_sat_kpa

CONFIG = Config(defaults=Defaults(zone="Europe/Berlin", day_first=True))
US = Config(defaults=Defaults(zone="America/New_York", day_first=False))
STAMP = pa.timestamp("ms")


@dataclass
class Case:
    """One layout: its bytes, how Arrow reads them, and the target."""

    name: str
    data: bytes
    types: dict[str, Any]
    delimiter: str = ","
    decimal: str = "."
    formats: list[str] = field(default_factory=list)
    encoding: str = "utf8"
    skip: int = 1
    target: float = 2.0
    config: Config = CONFIG
    floor_data: bytes | None = None
    ready: list[Any] = field(default_factory=list)


def samples(n: int) -> tuple[pd.Series, list[str], list[str]]:
    """Return local times and texts of temperature and pressure of repeated cycles."""
    cycle = np.interp(
        np.arange(2700), [0, 300, 900, 2100, 2400, 2699], [22, 22, 121.5, 121.6, 80, 60]
    )
    t = np.resize(cycle, n) + np.random.default_rng(1).normal(0, 0.05, n)
    p = np.where(t > 100.1, p_sat_kpa(t), 101.3)
    times = pd.Series(pd.date_range("2024-05-13 06:00:00", periods=n, freq="s"))
    return times, [f"{v:.2f}" for v in t], [f"{v:.1f}" for v in p]


def rows(*columns: Any, by: str = ",") -> str:
    """Join columns to rows."""
    return "\n".join(map(by.join, zip(*columns, strict=True))) + "\n"


def cases(n: int) -> list[Case]:
    """Return the layouts of ``n`` samples."""
    times, t, p = samples(n)

    def at(form: str) -> list[str]:
        return [str(v) for v in times.dt.strftime(form)]

    iso = at("%Y-%m-%d %H:%M:%S")
    comma_t, comma_p = [v.replace(".", ",") for v in t], [v.replace(".", ",") for v in p]
    head = "Time,Temperature (°C),Pressure (kPa abs)\n"
    semi = head.replace(",", ";")
    three = {"time": STAMP, "t": pa.float64(), "p": pa.float64()}
    text = head + rows(iso, t, p)
    epoch = ((times - pd.Timestamp("1970-01-01")) // pd.Timedelta("1s")).astype(str).tolist()
    serial = [f"{v:.10f}" for v in (times - pd.Timestamp("1899-12-30")) / pd.Timedelta("1D")]
    long_rows = [
        line
        for w, a, b in zip(iso, t, p, strict=True)
        for line in (f"{w},chamber temperature,{a},°C", f"{w},chamber pressure,{b},kPa abs")
    ]
    widths = [f"{w}   {a:>7}   {b:>7}" for w, a, b in zip(iso, t, p, strict=True)]
    spread = text.replace(",", "\t").replace(" ", "\t", 0)
    units = ["S-1" if k % 2 else "S-2" for k in range(n)]
    return [
        Case("iso", text.encode(), three),
        Case(
            "iso with offset",
            (head + rows([w + "+02:00" for w in iso], t, p)).encode(),
            {**three, "time": pa.timestamp("ms", "UTC")},
        ),
        Case(
            "dd.mm.yyyy, decimal comma",
            (semi + rows(at("%d.%m.%Y %H:%M:%S"), comma_t, comma_p, by=";")).encode(),
            three,
            ";",
            ",",
            ["%d.%m.%Y %H:%M:%S"],
        ),
        Case(
            "cp1252, two columns, decimal comma",
            (
                "Datum;Zeit;Temperatur °C;Druck kPa abs\n"
                + rows(at("%d.%m.%Y"), at("%H:%M:%S"), comma_t, comma_p, by=";")
            ).encode("cp1252"),
            {"d": STAMP, "c": pa.time32("s"), "t": pa.float64(), "p": pa.float64()},
            ";",
            ",",
            ["%d.%m.%Y"],
            "cp1252",
        ),
        Case(
            "month first, AM and PM",
            (head.replace(",", "\t") + rows(at("%m/%d/%Y %I:%M:%S %p"), t, p, by="\t")).encode(),
            three,
            "\t",
            ".",
            ["%m/%d/%Y %I:%M:%S %p"],
            config=US,
        ),
        Case("epoch seconds", (head + rows(epoch, t, p)).encode(), {**three, "time": pa.int64()}),
        Case(
            "spreadsheet serial",
            (head + rows(serial, t, p)).encode(),
            {**three, "time": pa.float64()},
        ),
        Case(
            "elapsed seconds",
            (
                "Start: 2024-05-13 06:00:00\nElapsed (s),Temp (°C),Pressure (kPa abs)\n"
                + rows([str(k) for k in range(n)], t, p)
            ).encode(),
            {**three, "time": pa.int64()},
            skip=2,
        ),
        Case(
            "quoted",
            (
                head + rows([f'"{w}"' for w in iso], [f'"{v}"' for v in t], [f'"{v}"' for v in p])
            ).encode(),
            three,
        ),
        Case(
            "unit column",
            ("Unit," + head + rows(units, iso, t, p)).encode(),
            {"unit": pa.string(), **three},
        ),
        Case("UTF-16", text.encode("utf-16"), three, encoding="utf16", target=4.0),
        Case(
            "aligned",
            ("Time                  Temp_C    P_kPa_abs\n" + "\n".join(widths) + "\n").encode(),
            three,
            "\t",
            target=4.0,
            floor_data=spread.encode(),
        ),
        Case(
            "long",
            ("Time,Channel,Value,Unit\n" + "\n".join(long_rows) + "\n").encode(),
            {"time": STAMP, "channel": pa.string(), "value": pa.float64(), "unit": pa.string()},
            target=4.0,
        ),
    ]


def floor(case: Case) -> None:
    """Read with Arrow alone and write the same Parquet."""
    names = list(case.types)
    arrow_csv.read_csv(
        pa.BufferReader(case.floor_data or case.data),
        read_options=arrow_csv.ReadOptions(
            use_threads=False, skip_rows=case.skip, column_names=names, encoding=case.encoding
        ),
        parse_options=arrow_csv.ParseOptions(delimiter=case.delimiter),
        convert_options=arrow_csv.ConvertOptions(
            column_types=case.types,
            decimal_point=case.decimal,
            timestamp_parsers=case.formats or [arrow_csv.ISO8601],
        ),
    )
    for ready in case.ready:
        write(ready)


def samples_of(case: Case) -> list[Any]:
    """Return what a reading gives, without columns that are null throughout."""
    found = []
    for table in read_export(case.data, name="S-1.csv", config=case.config).tables:
        keep = [c for c in table.column_names if table.column(c).null_count < len(table)]
        found.append(table.select(keep))
    return found


def ours(case: Case) -> None:
    """Read as the night does and write Parquet."""
    for table in samples_of(case):
        write(table)


def searched(case: Case) -> None:
    """Do the same with no layout met before."""
    forget()
    ours(case)


def write(table: Any) -> None:
    """Write a table as Parquet."""
    pq.write_table(table, io.BytesIO(), compression="zstd")


def best(functions: tuple[Callable[[Case], None], ...], case: Case, repeats: int) -> list[float]:
    """Return the shortest processor time of some runs of each function [s].

    They take turns, so that other work on the machine meets all of them.
    """
    found = [float("inf")] * len(functions)
    for _ in range(repeats):
        for k, function in enumerate(functions):
            start = time.process_time()
            function(case)
            found[k] = min(found[k], time.process_time() - start)
    return found


def main() -> None:
    """Print a line a layout and size."""
    pa.set_cpu_count(1)
    pa.set_io_thread_count(1)
    sizes = [int(a) for a in sys.argv[1:]] or [2_700, 300_000]
    for n in sizes:
        print(f"{n} samples")
        for case in cases(n):
            repeats = 300 if n < 10_000 else 4
            case.ready = samples_of(case)
            own, fresh, least = best((ours, searched, floor), case, repeats)
            verdict = (
                "" if own / least <= case.target else f"  above its target of {case.target:g}"
            )
            print(
                f"  {case.name:36s} {own * 1e3:8.1f} ms  Arrow {least * 1e3:8.1f} ms"
                f"  ratio {own / least:5.2f}, searched anew {fresh / least:5.2f}{verdict}"
            )


if __name__ == "__main__":
    main()
