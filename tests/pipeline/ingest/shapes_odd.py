"""Odd but likely shapes, thought of after the reader was built, by someone looking for holes."""

from __future__ import annotations

import dataclasses
import io
import zipfile

import numpy as np
from chamberdrift.shared.config import Config

from .shapes_common import BERLIN, HEAD, C, iso
from .truth import Cycle, Shape, cycle, lines, num, rows_of, sited, zoned

NEXT_DAY = cycle("2024-05-22T08:00:00")
AGAIN = cycle("2024-05-21T11:00:00")


def joined(*cycles: Cycle) -> Cycle:
    """Join cycles."""
    return Cycle(
        *(np.concatenate([getattr(c, n) for c in cycles]) for n in ("ms", "t", "p", "load"))
    )


def clock_rows(c: Cycle) -> list[str]:
    """Clock, temperature and pressure with decimal commas."""
    return rows_of(c, BERLIN, lambda w, t, p, q: f"{w:%H:%M:%S};{num(t, 1, ',')};{num(p, 1, ',')}")


def odd_shapes() -> list[Shape]:
    """Shapes with surprises."""
    z = zoned()
    plain = iso()
    semi = [r.replace(",", ";") for r in plain]
    local = C.local(BERLIN)
    calibration = (
        "Calibration",
        "Date,Point,Offset",
        "2023-11-02,100.0,0.1",
        "2023-11-03,120.0,0.2",
        "2023-11-04,130.0,0.2",
        "",
    )
    block_head = ["", "Zeit;T [°C];p [kPa abs]"]
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("S-12/2024-05-21_a.csv", lines(plain[:180], HEAD))
        archive.writestr("S-12/2024-05-21_b.csv", lines(plain[180:], HEAD))
    spikes = np.arange(360) % 90 == 5
    good = [
        (
            "line break in a quoted header",
            'Time,"Temp\n(°C)","Pressure\n(kPa abs)"\n' + lines(plain),
        ),
        (
            "column of running numbers without a name",
            lines([f"{k},{r}" for k, r in enumerate(plain)], ",time,temp_c,press_kpa_abs"),
        ),
        (
            "state and note beside",
            lines(
                [f"{r};heating;door, closed" for r in semi],
                "Time;Temp °C;Pressure kPa abs;State;Note",
            ),
        ),
        (
            "set point and process value",
            lines(
                rows_of(
                    C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S};121.0;{t};205.0;{p}"
                ),
                "Time;Temp SP °C;Temp PV °C;Press SP kPa abs;Press PV kPa abs",
            ),
        ),
        (
            "letters of formulas",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S};{num(t, 1, ',')};{num(p, 1, ',')}",
                ),
                "t;T/°C;p_abs/kPa",
            ),
        ),
        ("calibration table above", lines(plain, *calibration, HEAD)),
        (
            "statistics above",
            lines(
                plain,
                "Channel,Min,Max",
                "Temperature,21.9,121.8",
                "Pressure,101.3,206.0",
                "",
                HEAD,
            ),
        ),
        (
            "date and clock as digits",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y%m%d,%H%M%S},{t},{p}"),
                "Date,Time,Temp C,Pressure kPa abs",
            ),
        ),
        (
            "o'clock behind the clock",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: (
                        f"{w:%d.%m.%Y %H:%M:%S} Uhr;{num(t, 1, ',')};{num(p, 1, ',')}"
                    ),
                ),
                "Zeit;Temperatur °C;Druck abs. kPa",
            ),
        ),
        (
            "colon between date and clock",
            lines(rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%d%b%Y:%H:%M:%S},{t},{p}"), HEAD),
        ),
        (
            "of between day and month",
            lines(
                rows_of(
                    C, BERLIN, lambda w, t, p, q: f"{w.day} de mayo de 2024 {w:%H:%M:%S};{t};{p}"
                ),
                "Fecha;Temperatura (°C);Presión absoluta (kPa)",
            ),
        ),
        ("whole lines in quotes", lines([f'"{r}"' for r in plain], f'"{HEAD}"')),
        (
            "formula quotes",
            lines([f'="{r.split(",", 1)[0]}",{r.split(",", 1)[1]}' for r in plain], HEAD),
        ),
        (
            "lines of a table drawn with bars",
            lines(
                [f"| {' | '.join(r.split(','))} |" for r in plain],
                "| Time | Temp (°C) | Pressure (kPa abs) |",
                "|---|---|---|",
            ),
        ),
        (
            "one reading in two units",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{t},{t * 1.8 + 32:.1f},{p}",
                ),
                "Time,Temp (°C),Temp (°F),Pressure (kPa abs)",
            ),
        ),
        (
            "absolute and gauge beside",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: (
                        f"{w:%Y-%m-%d %H:%M:%S};{t};{p / 6.894757:.3f};"
                        f"{(p - 101.325) / 6.894757:.3f}"
                    ),
                ),
                "Time;Temp °C;psia;psig",
            ),
        ),
        (
            "barometer in a column",
            lines(
                rows_of(
                    C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S};{t};{p - 98.0:.1f};98.0"
                ),
                "Time;Temp °C;Pressure kPa gauge;Barometer kPa",
            ),
        ),
        (
            "steam generator beside",
            lines(
                [f"{r},310.0" for r in plain],
                "Time,Temp (°C),Chamber pressure (kPa abs),Steam generator pressure (kPa abs)",
            ),
        ),
        (
            "minimum, average, maximum",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: (
                        f"{w:%Y-%m-%d %H:%M:%S},{t - 0.2:.1f},{t},{t + 0.2:.1f},{p}"
                    ),
                ),
                "Time,Temp min (°C),Temp avg (°C),Temp max (°C),Pressure (kPa abs)",
            ),
        ),
        (
            "event rows in a long table",
            lines(
                [
                    x
                    for w, t, p in zip(local, C.t, C.p, strict=True)
                    for x in (
                        f"{w};Door;closed;",
                        f"{w};Temperature;{num(t, 1, ',')};°C",
                        f"{w};Pressure;{num(p, 1, ',')};kPa abs",
                    )
                ],
                "Time;Channel;Value;Unit",
            ),
        ),
        (
            "minutes and seconds, said so",
            lines(
                [
                    f"{k * 10 // 60:02d}:{k * 10 % 60:02d},{t},{p}"
                    for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))
                ],
                "Cycle start,2024-05-21 10:00:00",
                "Elapsed (mm:ss),Temp C,Pressure kPa abs",
            ),
        ),
        (
            "start in a sentence",
            lines(
                [f"{k * 10},{t},{p}" for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))],
                "Started at 05/21/2024 10:00:00 AM",
                "t [s],Temp C,Pressure kPa abs",
            ),
        ),
        ("Polish header", lines(semi, "Czas;Temperatura komory °C;Ciśnienie absolutne kPa")),
        ("Swedish header", lines(semi, "Tid;Temperatur kammare °C;Tryck absolut kPa")),
    ]
    shapes = [Shape(name, text.encode(), C, config=z) for name, text in good]
    shapes = [
        dataclasses.replace(s, dropped={"other_channel": 360}) if "event rows" in s.name else s
        for s in shapes
    ]
    bad = [
        (
            "minutes and seconds or hours and minutes",
            lines(
                [
                    f"{k * 10 // 60:02d}:{k * 10 % 60:02d},{t},{p}"
                    for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))
                ],
                "Cycle start,2024-05-21 10:00:00",
                "Elapsed,Temp C,Pressure kPa abs",
            ),
            "clock_format",
        ),
        (
            "tenths of degrees",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{t * 10:.0f},{p}"),
                "Time,Temp (0.1 °C),Pressure kPa abs",
            ),
            "scaled_values",
        ),
        (
            "unit changes within the file",
            lines(
                plain[:180]
                + rows_of(
                    C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{t * 1.8 + 32:.1f},{p}"
                )[180:],
                HEAD,
            ),
            "unit_contradiction",
        ),
        (
            "cells in two units",
            lines(
                [
                    f"{w},{t} °C,{p}" if k < 180 else f"{w},{t * 1.8 + 32:.1f} °F,{p}"
                    for k, (w, t, p) in enumerate(zip(local, C.t, C.p, strict=True))
                ],
                "Time,Temp,Pressure (kPa abs)",
            ),
            "units_differ",
        ),
        (
            "two decimal marks",
            lines(
                [
                    f"{w};{num(t, 1, ',' if k % 2 else '.')};{p}"
                    for k, (w, t, p) in enumerate(zip(local, C.t, C.p, strict=True))
                ],
                HEAD.replace(",", ";"),
            ),
            "decimal_mark",
        ),
        (
            "a named zone nobody lists",
            lines(plain, "Time zone: W. Somewhere Standard Time", HEAD),
            "zone",
        ),
        (
            "summer time off in a zone that has it",
            lines(semi, "DST: off", "Time;Temp °C;kPa abs"),
            "zone",
        ),
        ("CET in May", lines(plain, HEAD.replace("Time", "Time (CET)")), "zone"),
        (
            "a reading spoilt throughout",
            lines([r.replace(",", "*,", 2).replace("*", "", 1) for r in plain], HEAD),
            "channels",
        ),
        (
            "pressure too large for any chamber",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},21.5,1013.0"), HEAD
            ),
            "spoilt",
        ),
        ("a name short in the header", lines([f"x,{r}" for r in plain], HEAD), "columns_mismatch"),
        (
            "days apart, clocks only",
            lines(
                clock_rows(C) + clock_rows(cycle("2024-05-22T07:00:00")),
                "Datum: 21.05.2024",
                *block_head,
            ),
            "start_time",
        ),
    ]
    shapes += [Shape(name, text.encode(), config=z, cause=cause) for name, text, cause in bad]
    return [
        *shapes,
        Shape(
            "blocks with their own day",
            lines(
                [
                    "Datum: 21.05.2024",
                    *block_head,
                    *clock_rows(C),
                    "",
                    "Datum: 22.05.2024",
                    *block_head,
                    *clock_rows(NEXT_DAY),
                ]
            ).encode(),
            joined(C, NEXT_DAY),
            config=z,
            dropped={"not_a_sample": 1, "repeated_header": 1},
        ),
        Shape(
            "blocks with the start in cells",
            lines(
                [
                    "Start;2024-05-21 10:00:00;",
                    "t [s];T [°C];p [kPa abs]",
                    *[f"{k * 10};{t};{p}" for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))],
                    "Start;2024-05-21 13:00:00;",
                    "t [s];T [°C];p [kPa abs]",
                    *[
                        f"{k * 10};{t};{p}"
                        for k, (t, p) in enumerate(zip(AGAIN.t, AGAIN.p, strict=True))
                    ],
                ]
            ).encode(),
            joined(C, AGAIN),
            config=z,
            dropped={"not_a_sample": 1, "repeated_header": 1},
        ),
        Shape(
            "power-on readings",
            lines(
                [
                    r.split(",")[0] + ",85.0," + r.split(",")[2] if spikes[k] else r
                    for k, r in enumerate(plain)
                ],
                HEAD,
            ).encode(),
            Cycle(C.ms, np.where(spikes & (np.abs(C.t - 85) > 8), np.nan, C.t), C.p, C.load),
            config=z,
        ),
        Shape(
            "a sealed gauge at height, called gauge",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: (
                        f"{w:%Y-%m-%d %H:%M:%S},{t},{(84.56 if p == 101.3 else p) - 101.325:.2f}"
                    ),
                ),
                "Time,Temp C,Pressure kPa gauge",
            ).encode(),
            config=sited(altitude_m=1500.0),
            cause="unit_contradiction",
            says="sealed",
        ),
        Shape(
            "the start's key states UTC",
            lines(
                [f"{k * 10},{t},{p}" for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))],
                "Start (UTC): 2024-05-21 08:00:00",
                "Elapsed s,T (°C),P (kPa abs)",
            ).encode(),
            C,
            config=z,
        ),
        Shape(
            "header and preamble disagree on the reference, steam settles it",
            lines(plain, "Pressure type: gauge", HEAD).encode(),
            C,
            config=z,
        ),
        Shape(
            "header and preamble disagree on the reference, idle only",
            lines([f"{w},21.5,101.3" for w in local], "Pressure type: gauge", HEAD).encode(),
            config=z,
            cause="pressure_reference",
        ),
        Shape(
            "offset in a column of its own",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},+02:00,{t},{p}"),
                "Time,UTC offset,Temp (°C),Pressure (kPa abs)",
            ).encode(),
            C,
        ),
        Shape(
            "abbreviation in the cells",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S} CEST,{t},{p}"), HEAD
            ).encode(),
            C,
        ),
        Shape(
            "local and UTC beside",
            lines(
                [
                    f"{a};{b};{t};{p}"
                    for a, b, t, p in zip(local, C.local("UTC"), C.t, C.p, strict=True)
                ],
                "Local time;UTC time;Temp °C;Pressure kPa abs",
            ).encode(),
            C,
            config=Config(),
        ),
        Shape(
            "zone below the table",
            lines(iso(zone="UTC"), HEAD, foot=("", "Time zone: UTC")).encode(),
            C,
            dropped={"not_a_sample": 1},
        ),
        Shape(
            "unit below the table",
            lines(plain, HEAD, foot=("", "Sterilizer: S-77")).encode(),
            C,
            unit="S-77",
            file="2024-05-21.csv",
            config=z,
            dropped={"not_a_sample": 1},
        ),
        Shape(
            "folders in an archive name the unit",
            packed.getvalue(),
            C,
            file="export.zip",
            config=z,
        ),
        Shape("degree of an old code page", lines(plain, HEAD).encode("cp437"), C, config=z),
        Shape(
            "degree of another old code page", lines(plain, HEAD).encode("mac_roman"), C, config=z
        ),
    ]
