"""Dates and clocks."""

from __future__ import annotations

from datetime import datetime, timedelta

from chamberdrift.shared.config import Config, Defaults, LayoutPin

from .shapes_common import BERLIN, EARLY, MONTHS_DE, C
from .truth import Cycle, Shape, cycle, lines, num, rows_of, sited, zoned


def date_shapes() -> list[Shape]:
    """Dates and clocks."""

    def two(form_date: str, form_time: str, c: Cycle = C, zone: str = BERLIN) -> bytes:
        return lines(
            rows_of(
                c,
                zone,
                lambda w, t, p, q: (
                    f"{w.strftime(form_date)};{w.strftime(form_time)};{num(t)};{num(p)}"
                ),
            ),
            "Date;Time;Temp °C;Pressure kPa abs",
        ).encode()

    def one(form: str, c: Cycle = C, zone: str = BERLIN, head: str = "Time") -> bytes:
        return lines(
            rows_of(c, zone, lambda w, t, p, q: f"{w.strftime(form)};{num(t)};{num(p)}"),
            f"{head};Temp °C;Pressure kPa abs",
        ).encode()

    midnight = cycle("2024-05-04T21:30:00")
    noon = cycle("2024-05-21T09:30:00")
    z = zoned()
    names = lines(
        rows_of(
            EARLY,
            BERLIN,
            lambda w, t, p, q: (
                f"{w.day:02d}. {MONTHS_DE[w.month - 1]} {w.year} {w:%H:%M:%S};{num(t)};{num(p)}"
            ),
        ),
        "Zeit;Temp °C;Druck kPa abs",
    ).encode()
    single = lines(
        rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: f"{w.day}/{w.month}/{w.year} {w.hour}:{w:%M:%S};{num(t)};{num(p)}",
        ),
        "Time;Temp °C;Pressure kPa abs",
    ).encode()
    return [
        Shape("date and time in two columns", two("%Y-%m-%d", "%H:%M:%S"), C, config=z),
        Shape(
            "two columns, day first by a number over 12", two("%d/%m/%Y", "%H:%M:%S"), C, config=z
        ),
        Shape("month first by a number over 12", one("%m/%d/%Y %H:%M:%S"), C, config=z),
        Shape("one-digit parts", single, C, config=z),
        Shape("12-hour clock", one("%m/%d/%Y %I:%M:%S %p", noon), noon, config=z),
        Shape(
            "12-hour clock, small letters with points",
            lines(
                rows_of(
                    noon,
                    BERLIN,
                    lambda w, t, p, q: (
                        f"{w:%d/%m/%Y %I:%M:%S} "
                        f"{'a.m.' if w.hour < 12 else 'p.m.'};{num(t)};{num(p)}"
                    ),
                ),
                "Fecha y hora;Temperatura °C;Presión kPa absoluta",
            ).encode(),
            noon,
            config=z,
        ),
        Shape("iso with T", one("%Y-%m-%dT%H:%M:%S"), C, config=z),
        Shape("iso with Z", one("%Y-%m-%dT%H:%M:%SZ", zone="UTC"), C),
        Shape("iso with offset", one("%Y-%m-%dT%H:%M:%S+02:00"), C),
        Shape(
            "iso with fractions",
            one("%Y-%m-%d %H:%M:%S.250"),
            Cycle(C.ms + 250, C.t, C.p, C.load),
            config=z,
        ),
        Shape(
            "fractions behind a comma",
            one("%Y-%m-%d %H:%M:%S,250"),
            Cycle(C.ms + 250, C.t, C.p, C.load),
            config=z,
        ),
        Shape("compact stamp", one("%Y%m%d%H%M%S"), C, config=z),
        Shape("compact stamp with T", one("%Y%m%dT%H%M%S"), C, config=z),
        Shape("slashes, year first", one("%Y/%m/%d %H:%M:%S"), C, config=z),
        Shape("clock with points", one("%d.%m.%Y %H.%M.%S"), C, config=z),
        Shape("month's name", names, EARLY, config=z),
        Shape(
            "month's name, English, month first",
            one("%b %d, %Y %I:%M:%S %p", EARLY),
            EARLY,
            config=z,
        ),
        Shape("weekday before the date", one("%a %d %b %Y %H:%M:%S", EARLY), EARLY, config=z),
        Shape(
            "two-digit year, day over 12, points",
            one("%d.%m.%y %H:%M:%S"),
            file="S-12.csv",
            config=z,
            cause="day_month",
        ),
        Shape("two-digit year, settled by the file's date", one("%d.%m.%y %H:%M:%S"), C, config=z),
        Shape(
            "two-digit year, stated day first",
            one("%d.%m.%y %H:%M:%S"),
            C,
            config=zoned(day_first=True),
        ),
        Shape(
            "day or month open",
            one("%d/%m/%Y %H:%M:%S", EARLY),
            file="S-12.csv",
            config=z,
            cause="day_month",
        ),
        Shape(
            "day or month open, dots",
            one("%d.%m.%Y %H:%M:%S", EARLY),
            file="S-12.csv",
            config=z,
            cause="day_month",
        ),
        Shape(
            "day or month by the defaults",
            one("%d/%m/%Y %H:%M:%S", EARLY),
            EARLY,
            file="S-12.csv",
            config=zoned(day_first=True),
        ),
        Shape(
            "day or month by the site",
            one("%m/%d/%Y %H:%M:%S", EARLY),
            EARLY,
            config=sited(day_first=False),
        ),
        Shape(
            "day or month by the header's format",
            one("%d/%m/%Y %H:%M:%S", EARLY, head="Time (dd/mm/yyyy hh:mm:ss)"),
            EARLY,
            file="S-12.csv",
            config=z,
        ),
        Shape(
            "day or month by the file's date",
            one("%d/%m/%Y %H:%M:%S", EARLY),
            EARLY,
            file="S-12_2024-05-04.csv",
            config=z,
        ),
        Shape(
            "day or month by midnight",
            one("%d/%m/%Y %H:%M:%S", midnight),
            midnight,
            file="S-12.csv",
            config=z,
        ),
        Shape(
            "a number over 12 goes before the defaults",
            one("%d/%m/%Y %H:%M:%S"),
            C,
            file="S-12.csv",
            config=zoned(day_first=False),
        ),
        Shape(
            "pinned month first, impossible",
            one("%d/%m/%Y %H:%M:%S"),
            config=Config(
                defaults=Defaults(zone=BERLIN), layouts=(LayoutPin("*", day_first=False),)
            ),
            cause="dates",
        ),
        Shape(
            "month first by the site, but written with points",
            one("%d.%m.%Y %H:%M:%S", EARLY),
            file="S-12.csv",
            config=sited(day_first=False),
            cause="dates",
        ),
        Shape(
            "month first by the site, but the name's week says otherwise",
            one("%d/%m/%Y %H:%M:%S", EARLY),
            file="S-12_2024-W18.csv",
            config=sited(day_first=False),
            cause="dates",
        ),
        Shape(
            "day first by another date above the table",
            lines(
                rows_of(
                    EARLY, BERLIN, lambda w, t, p, q: f"{w:%d/%m/%Y %H:%M:%S};{num(t)};{num(p)}"
                ),
                "Next calibration: 31/12/2024",
                "Time;Temp °C;Pressure kPa abs",
            ).encode(),
            EARLY,
            file="S-12.csv",
            config=z,
        ),
        Shape(
            "one spoilt date settles nothing",
            lines(
                [
                    r.replace("04/05/2024", "04/15/2024") if k == 50 else r
                    for k, r in enumerate(
                        rows_of(
                            EARLY,
                            BERLIN,
                            lambda w, t, p, q: f"{w:%d/%m/%Y %H:%M:%S};{num(t)};{num(p)}",
                        )
                    )
                ],
                "Time;Temp °C;Pressure kPa abs",
            ).encode(),
            file="S-12.csv",
            config=z,
            cause="day_month",
        ),
        Shape(
            "epoch seconds",
            lines(
                [
                    f"{int(m) // 1000},{num(t)},{num(p)}"
                    for m, t, p in zip(C.ms, C.t, C.p, strict=True)
                ],
                "timestamp,temp_c,pressure_kpa_abs",
            ).encode(),
            C,
        ),
        Shape(
            "epoch milliseconds",
            lines(
                [f"{int(m)},{num(t)},{num(p)}" for m, t, p in zip(C.ms, C.t, C.p, strict=True)],
                "unix time,temp_c,pressure_kpa_abs",
            ).encode(),
            C,
        ),
        Shape("spreadsheet serial", serial(C, ".", 10), C, config=z),
        Shape("spreadsheet serial, few places, decimal comma", serial(C, ",", 5), C, config=z),
        Shape("elapsed seconds with a start", elapsed(C, "s", 1.0), C, config=z),
        Shape("elapsed minutes with a start", elapsed(C, "min", 60.0, 7), C, config=z),
        Shape(
            "elapsed seconds, start with offset",
            elapsed(C, "s", 1.0, start="2024-05-21T10:00:00+02:00"),
            C,
        ),
        Shape(
            "elapsed without a start",
            lines(
                [
                    f"{k * 10},{num(t)},{num(p)}"
                    for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))
                ],
                "Elapsed (s),T (°C),P (kPa abs)",
            ).encode(),
            config=z,
            cause="start_time",
        ),
        Shape(
            "elapsed, start pinned",
            lines(
                [
                    f"{k * 10},{num(t)},{num(p)}"
                    for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))
                ],
                "Elapsed (s),T (°C),P (kPa abs)",
            ).encode(),
            C,
            config=Config(
                defaults=Defaults(zone=BERLIN),
                layouts=(LayoutPin("north/*", start_time="2024-05-21 10:00:00"),),
            ),
        ),
        Shape("elapsed as h:mm:ss", elapsed_clock(C), C, config=z),
        Shape("clock only, date above", clock_only(C, "Date: 2024-05-21"), C, config=z),
        Shape(
            "clock only, across midnight",
            clock_only(midnight, "Date: 2024-05-04"),
            midnight,
            config=z,
        ),
        Shape(
            "clock only, start above",
            clock_only(C, "Start of cycle: 21.05.2024 10:00:00"),
            C,
            config=z,
        ),
        Shape("clock only, no date", clock_only(C, "Program: 3"), config=z, cause="start_time"),
        Shape(
            "numbered rows with start and interval",
            lines(
                [
                    f"{k + 1};{num(t)};{num(p)}"
                    for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))
                ],
                "Logger start;2024-05-21 10:00:00",
                "Sample interval;10 s",
                "",
                "No.;Temp °C;Pressure kPa abs",
            ).encode(),
            C,
            config=z,
        ),
        Shape(
            "12-hour clock without its half",
            lines(
                rows_of(
                    cycle("2024-05-21T10:30:00"),
                    BERLIN,
                    lambda w, t, p, q: f"{w:%Y-%m-%d %I:%M:%S};{num(t)};{num(p)}",
                ),
                "Time;Temp °C;Pressure kPa abs",
            ).encode(),
            config=z,
            cause="twelve_hour_clock",
        ),
    ]


def serial(c: Cycle, mark: str, places: int) -> bytes:
    """Spreadsheet serial dates."""
    rows = []
    for when, t, p in zip(c.local(BERLIN), c.t, c.p, strict=True):
        days = (when - datetime(1899, 12, 30)).total_seconds() / 86400.0
        rows.append(f"{num(days, places, mark)};{num(t, 1, mark)};{num(p, 1, mark)}")
    return lines(rows, "Time;Temp °C;Pressure kPa abs").encode()


def elapsed(
    c: Cycle, unit: str, factor: float, places: int = 0, start: str = "2024-05-21 10:00:00"
) -> bytes:
    """A count from a start that stands above the table."""
    rows = [
        f"{num((int(m) - int(c.ms[0])) / 1000.0 / factor, places)};{num(t)};{num(p)}"
        for m, t, p in zip(c.ms, c.t, c.p, strict=True)
    ]
    return lines(
        rows,
        "Unit: S-12",
        f"Start time: {start}",
        f"Elapsed [{unit}];Temp [°C];Pressure [kPa abs]",
    ).encode()


def elapsed_clock(c: Cycle) -> bytes:
    """An elapsed clock from a start that stands above the table."""
    rows = [
        f"{timedelta(milliseconds=int(m) - int(c.ms[0]))};{num(t)};{num(p)}"
        for m, t, p in zip(c.ms, c.t, c.p, strict=True)
    ]
    return lines(
        rows, "Start;2024-05-21 10:00:00", "", "Elapsed;Temp [°C];Pressure [kPa abs]"
    ).encode()


def clock_only(c: Cycle, above: str) -> bytes:
    """Clock times without dates."""
    return lines(
        rows_of(c, BERLIN, lambda w, t, p, q: f"{w:%H:%M:%S};{num(t)};{num(p)}"),
        above,
        "Time;Temp [°C];Pressure [kPa abs]",
    ).encode()
