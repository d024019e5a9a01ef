"""Exports that invite a wrong value: glued files, signals, foreign units, lost halves of days.

As the others: combinations of habits, none follows a real logger.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from chamberdrift.shared.config import Config, Defaults, LayoutPin

from .shapes_common import BERLIN, EARLY, HEAD, C, iso
from .truth import Cycle, Shape, cycle, lines, num, rows_of, zoned


def trap_shapes() -> list[Shape]:
    """Shapes that a hasty reader gets wrong."""
    return [
        *_zones_in_names(),
        *_glued(),
        *_foreign(),
        *_times(),
        *_unknown(),
        *_two_headers(),
        *_idle(),
        *_counted(),
    ]


def _plain(make: Any) -> list[str]:
    return rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{make(t, p)}")


def _zones_in_names() -> list[Shape]:
    """Zones glued to the time's name."""
    found = [
        Shape(
            f"zone glued to a name, {header}",
            lines(iso(zone=zone), HEAD.replace("Time", header)).encode(),
            C,
        )
        for header, zone in (
            ("timestamps_UTC", "UTC"),
            ("TimeUtc", "UTC"),
            ("timeUTC", "UTC"),
            ("utc_time", "UTC"),
            ("DateTimeUTC", "UTC"),
            ("timestamp_GMT+2", BERLIN),
            ("Time_UTC+02:00", BERLIN),
            ("time_CEST", BERLIN),
        )
    ]
    local = lines(iso(), HEAD.replace("Time", "time_local")).encode()
    return [
        *found,
        Shape(
            "zone glued to both names",
            lines(
                [r.replace(" ", ",", 1) for r in iso(zone="UTC")],
                HEAD.replace("Time", "date_utc,time_utc"),
            ).encode(),
            C,
        ),
        Shape("a name says local, the site says which", local, C, config=zoned()),
        Shape("a name says local, nothing says which", local, config=Config(), cause="zone"),
    ]


def _glued() -> list[Shape]:
    """Two exports glued to one file."""
    first, rest = iso()[:180], iso()[180:]
    fahrenheit = _plain(lambda t, p: "70.7,101.3")[180:]
    gauge = _plain(lambda t, p: f"{t},{p - 101.325:.1f}")[180:]
    utc = iso(zone="UTC")[180:]
    swapped = [",".join(r.split(",")[k] for k in (0, 2, 1)) for r in iso()][300:]
    names = "Time,Temperature,Pressure"
    said = ("Units: °C, kPa abs", names)
    bad = [
        ("unit", (HEAD,), first, (HEAD.replace("°C", "°F"),), fahrenheit, "header_changes"),
        ("reference", (HEAD,), first, (HEAD.replace("abs", "gauge"),), gauge, "header_changes"),
        (
            "zone",
            (HEAD.replace("Time", "Time (UTC+02:00)"),),
            first,
            (HEAD.replace("Time", "Time (UTC)"),),
            utc,
            "header_changes",
        ),
        (
            "order of columns",
            (HEAD,),
            iso()[:300],
            ("Time,Pressure (kPa abs),Temperature (°C)",),
            swapped,
            "header_changes",
        ),
        (
            "row of units",
            (names, ",°C,kPa abs"),
            first,
            (names, ",°F,kPa abs"),
            fahrenheit,
            "header_changes",
        ),
        (
            "line of units",
            said,
            first,
            ("Units: °F, psi abs", names),
            _plain(lambda t, p: "70.7,14.69")[180:],
            "units_differ",
        ),
        ("device", ("Device: S-12", HEAD), first, ("Device: S-13", HEAD), rest, "unit_id"),
        (
            "stated zone",
            ("Time zone: UTC+02:00", HEAD),
            first,
            ("Time zone: UTC", HEAD),
            utc,
            "zone",
        ),
    ]
    plain = HEAD.encode("utf-8-sig") + b"\n"
    return [
        *(
            Shape(
                f"glued to an export with another {what}",
                lines([*one, *head2, *two], *head1).encode(),
                config=zoned(),
                cause=cause,
            )
            for what, head1, one, head2, two, cause in bad
        ),
        Shape(
            "glued with marks of the encoding in the middle",
            plain + lines(first).encode() + plain + lines(rest).encode(),
            C,
            config=zoned(),
            dropped={"repeated_header": 1},
        ),
        Shape(
            "glued with a mark of the encoding before a row",
            plain + lines(first).encode() + lines(rest).encode("utf-8-sig"),
            C,
            config=zoned(),
        ),
        Shape(
            "a units row repeated on each page",
            lines([*first, names, ",°C,kPa abs", *rest], names, ",°C,kPa abs").encode(),
            C,
            config=zoned(),
            dropped={"not_a_sample": 1, "repeated_header": 1},
        ),
    ]


def _foreign() -> list[Shape]:
    """Readings that are signals, or in units that are none of ours."""
    usual = zoned(temperature_unit="°C", pressure_unit="kPa", pressure_reference="absolute")
    bad = [
        ("ohms", "Pt100 (Ohm)", "Pressure (kPa abs)", lambda t, p: f"{100 + 0.385 * t:.2f},{p}"),
        ("ohm sign", "Temperature [Ω]", "Pressure (kPa abs)", lambda t, p: f"{100 + t:.2f},{p}"),
        ("millivolts", "Temp (mV)", "Pressure (kPa abs)", lambda t, p: f"{t * 0.04:.4f},{p}"),
        ("volts", "Temp (V)", "Pressure (kPa abs)", lambda t, p: f"{t * 0.04:.4f},{p}"),
        ("Réaumur", "Temp (°Ré)", "Pressure (kPa abs)", lambda t, p: f"{t * 0.8:.2f},{p}"),
        ("Rankine", "Temp (°R)", "Pressure (kPa abs)", lambda t, p: f"{t * 1.8 + 491.67:.2f},{p}"),
        ("current loop", "Temp (°C)", "Pressure (mA)", lambda t, p: f"{t},{4 + p / 25:.3f}"),
        ("volts of pressure", "Temp (°C)", "Pressure (V)", lambda t, p: f"{t},{p / 40:.4f}"),
        ("metres of water", "Temp (°C)", "Pressure abs (mH2O)", lambda t, p: f"{t},{p / 9.8:.3f}"),
        ("inches of water", "Temp (°C)", "Pressure (inH2O)", lambda t, p: f"{t},{p * 4.01:.1f}"),
        (
            "per cent of full scale",
            "Temp (°C)",
            "Pressure (% FS)",
            lambda t, p: f"{t},{p / 4:.2f}",
        ),
    ]
    found = [
        Shape(
            f"{what}, though the store has usual units",
            lines(_plain(make), f"Time,{t},{p}").encode(),
            config=usual,
            cause="foreign_unit",
        )
        for what, t, p, make in bad
    ]
    for extra, value in (
        ("AI1 (V)", 5.02),
        ("CH3 (mA)", 12.1),
        ("Voltage (V)", 3.6),
        ("Supply voltage (V)", 24.1),
        ("Pressure signal (mA)", 12.0),
    ):
        found.append(
            Shape(
                f"a signal beside: {extra}",
                lines([f"{r},{value}" for r in iso()], f"{HEAD},{extra}").encode(),
                C,
                config=usual,
            )
        )
    return [
        *found,
        Shape(
            "a vacuum that may count down",
            lines(
                _plain(lambda t, p: f"{t},{101.3 - min(p, 101.3):.1f}"), "Time,T (°C),Vacuum (kPa)"
            ).encode(),
            config=usual,
            cause="channels",
            says="vacuum",
        ),
        Shape(
            "an idle hour in tenths of a degree",
            lines(_plain(lambda t, p: "215,101.3"), HEAD).encode(),
            config=usual,
            cause="unit_contradiction",
            says="tenths",
        ),
        Shape(
            "decimal commas between commas, with room for them in the header",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S},{num(t, 1, ',')},{num(p, 1, ',')}",
                ),
                "Zeit,Temperatur °C,,Druck abs kPa,",
            ).encode(),
            config=usual,
            cause="columns_mismatch",
        ),
    ]


def _times() -> list[Shape]:
    """Times that count in parts, or hide half of the day."""
    late = cycle("2024-05-21T13:00:00")
    twelve = rows_of(late, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %I:%M:%S},{t},{p}")
    parts = [f"{k * 1000},{t},{p}" for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))]
    start = "Start: 2024-05-21 10:00:00"
    return [
        Shape(
            "date in UTC beside a local clock",
            lines(
                [
                    f"{a.split(' ')[0]},{b.split(' ')[1]}"
                    for a, b in zip(iso(zone="UTC"), iso(), strict=True)
                ],
                HEAD.replace("Time", "Date UTC,Time local"),
            ).encode(),
            config=zoned(),
            cause="zone",
            says="local",
        ),
        Shape(
            "twelve hours, the header says so",
            lines(twelve, HEAD.replace("Time", "Time (12h)")).encode(),
            config=zoned(),
            cause="twelve_hour_clock",
        ),
        Shape(
            "twelve hours, the preamble says so",
            lines(twelve, "Clock: 12 h", HEAD).encode(),
            config=zoned(),
            cause="twelve_hour_clock",
        ),
        Shape(
            "rows every ten seconds, times to the minute",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M},{t},{p}"),
                "Sampling interval: 10 s",
                HEAD,
            ).encode(),
            config=zoned(),
            cause="minute_times",
            says="seconds",
        ),
        Shape(
            "two forms of dates in one file, the second open",
            lines(
                iso(EARLY)[:180]
                + rows_of(EARLY, BERLIN, lambda w, t, p, q: f"{w:%d/%m/%Y %H:%M:%S},{t},{p}")[
                    180:
                ],
                HEAD,
            ).encode(),
            file="north/S-12.csv",
            config=zoned(day_first=False),
            cause="dates",
        ),
        Shape(
            "a clock that fell back to the year 2000 for the last rows",
            lines(
                [
                    *iso()[:330],
                    *(
                        f"2000-01-01 00:{k:02d}:00,{C.t[330 + k]},{C.p[330 + k]}"
                        for k in range(30)
                    ),
                ],
                HEAD,
            ).encode(),
            Cycle(C.ms[:330], C.t[:330], C.p[:330], C.load[:330]),
            config=zoned(),
            dropped={"clock_not_set": 30},
        ),
        Shape(
            "spreadsheet dates from 1904",
            lines(
                [
                    f"{(m / 1000 + 7200) / 86400 + 25569 - 1462:.6f},{t},{p}"
                    for m, t, p in zip(C.ms, C.t, C.p, strict=True)
                ],
                "Date serial,temp_c,press_kpa_abs",
            ).encode(),
            config=zoned(),
            cause="dates",
            says="1904",
        ),
        Shape(
            "elapsed hundredths of a second",
            lines(parts, start, "Elapsed (1/100 s),Temp C,Pressure kPa abs").encode(),
            config=zoned(),
            cause="scaled_values",
        ),
    ]


def _idle() -> list[Shape]:
    """Idle records that contradict what the store's defaults say of them."""
    zero = lines(_plain(lambda t, p: "21.5,0.3"), "Time,Temp (°C),Pressure (kPa)").encode()
    open_ = lines(_plain(lambda t, p: "21.5,101.3"), "Time,Temp (°C),Pressure (kPa)").encode()
    bar = lines(_plain(lambda t, p: "21.5,1.01"), "Time,Temp (°C),Pressure (kPa)").encode()
    return [
        Shape(
            "idle at zero, the store says absolute",
            zero,
            config=zoned(pressure_reference="absolute"),
            cause="unit_contradiction",
            says="gauge",
        ),
        Shape(
            "idle at one atmosphere, the store says gauge",
            open_,
            config=zoned(pressure_reference="vented_gauge"),
            cause="unit_contradiction",
            says="absolute",
        ),
        Shape(
            "idle at one bar, the header says kPa",
            bar,
            config=zoned(pressure_reference="absolute"),
            cause="unit_contradiction",
            says="bar",
        ),
    ]


def _counted() -> list[Shape]:
    """Times that count from another day, and years that stand first."""

    def count(head: str, shift: int, **more: Any) -> bytes:
        rows = [f"{m // 1000 + shift},{t},{p}" for m, t, p in zip(C.ms, C.t, C.p, strict=True)]
        return lines(rows, f"{head},Temp C,Pressure kPa abs").encode()

    off = (np.arange(360) >= 300) & (np.arange(360) < 320)
    zeros = [f"{r.split(',')[0]},0.0,0.0" if off[k] else r for k, r in enumerate(iso())]
    serial = "Temp °C (sensor serial 1020)", "Pressure kPa abs (sensor serial 1021)"
    return [
        Shape("a local epoch", count("local epoch (s)", 7200), cause="time_column"),
        Shape("satellite seconds", count("GPS time (s)", -315964782), cause="time_column"),
        Shape("seconds from another day", count("time", -315964782), cause="dates"),
        Shape(
            "a year of two digits before a month's name",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%y-%b-%d %H:%M:%S},{t},{p}"), HEAD
            ).encode(),
            config=zoned(),
            cause="dates",
        ),
        Shape(
            "zeros while the logger had no sensor",
            lines(zeros, HEAD).encode(),
            Cycle(C.ms, np.where(off, np.nan, C.t), np.where(off, 0.0, C.p), C.load),
            config=zoned(),
        ),
        Shape(
            "serial numbers in the names of readings",
            lines(iso(), ",".join(("Time", *serial))).encode(),
            C,
            config=zoned(),
        ),
    ]


def _two_headers() -> list[Shape]:
    """Two rows that name the columns: names of people and tags of the plant."""
    rows = iso()
    tags = "TS,TT_101,PT_101"

    def pinned(t: str, p: str) -> Config:
        columns = ((t, "temperature_c"), (p, "pressure_kpa"))
        return Config(
            defaults=Defaults(zone=BERLIN),
            layouts=(
                LayoutPin(
                    match="*",
                    columns=columns,
                    temperature_unit="°C",
                    pressure_unit="kPa",
                    pressure_reference="absolute",
                ),
            ),
        )

    return [
        Shape("names above tags", lines(rows, HEAD, tags).encode(), C, config=zoned()),
        Shape("tags above names", lines(rows, tags, HEAD).encode(), C, config=zoned()),
        Shape(
            "two header rows, pinned by the first",
            lines(rows, "Stamp,Place A,Place B", tags).encode(),
            C,
            config=pinned("Place A", "Place B"),
        ),
        Shape(
            "two header rows, pinned by the second",
            lines(rows, "Stamp,Place A,Place B", tags).encode(),
            C,
            config=pinned("TT_101", "PT_101"),
        ),
        Shape(
            "two header rows repeated on a page",
            lines([*rows[:180], HEAD, tags, *rows[180:]], HEAD, tags).encode(),
            C,
            config=zoned(),
            dropped={"repeated_header": 1, "not_a_sample": 1},
        ),
    ]


def _unknown() -> list[Shape]:
    """Columns of numbers whose headers no one understands."""
    still = lines([f"{r},{k % 7}" for k, r in enumerate(iso())], HEAD + ",Zorblax").encode()
    no_pressure = lines(
        [r.rsplit(",", 1)[0] + f",{k % 7}" for k, r in enumerate(iso())], "Time,Temp (°C),Zorblax"
    ).encode()
    return [
        Shape("an unknown column beside", still, C, config=zoned()),
        Shape(
            "an unknown column that is no steam", no_pressure, C, config=zoned(), pressure=False
        ),
        Shape(
            "a pressure under an unknown word",
            lines(iso(), "Time,Temp (°C),Zorblax").encode(),
            config=zoned(),
            cause="channels",
            says="steam in kPa absolute",
        ),
        Shape(
            "a temperature under an unknown word",
            lines(iso(), "Time,Zorblax,Pressure (kPa abs)").encode(),
            config=zoned(),
            cause="channels",
            says="Zorblax",
        ),
        Shape(
            "a pressure under an unknown word, pinned as ignored",
            lines(iso(), "Time,Temp (°C),Zorblax").encode(),
            C,
            config=Config(
                defaults=Defaults(zone=BERLIN),
                layouts=(LayoutPin(match="*", columns=(("Zorblax", "ignore"),)),),
            ),
            pressure=False,
        ),
    ]
