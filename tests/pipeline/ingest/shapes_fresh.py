"""Shapes written down without a look at the others: what else text exports are like."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

from chamberdrift.shared.config import Config

from .shapes_common import BERLIN, C
from .truth import Cycle, Shape, cycle, lines, num, rows_of, zoned

AFTERNOON = cycle("2024-05-21T12:10:00", rows=270)
"""14:10 to 14:55 in Berlin."""
NIGHT = cycle("2024-05-21T00:10:00", rows=270)
"""02:10 to 02:55 there."""
DAY = "%d.%m.%Y %H:%M:%S"
ISO = "%Y-%m-%d %H:%M:%S"
SLASH = "%d/%m/%Y %H:%M:%S"
SHORT = "%d.%m.%y"


def table(form: str = ISO, c: Cycle = C, by: str = ";", mark: str = ".") -> list[str]:
    """Return rows of time, temperature and absolute pressure [kPa]."""
    return rows_of(
        c, BERLIN, lambda w, t, p, q: by.join((w.strftime(form), num(t, 1, mark), num(p, 1, mark)))
    )


def counted(step: float, form: str, by: str = ";") -> list[str]:
    """Return rows that count from a start: ``form`` of seconds times ``step``."""
    return [
        by.join((form % (10 * k * step), f"{t:.1f}", f"{p:.1f}"))
        for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))
    ]


def unpadded(when: datetime) -> str:
    """Return a moment without leading zeros."""
    return f"{when.year}-{when.month}-{when.day} {when.hour}:{when.minute}:{when.second}"


def statistics() -> list[str]:
    """Return rows with a line of averages after each sixty."""
    found: list[str] = []
    for k, row in enumerate(table(by=",")):
        found.append(row)
        if k % 60 == 59:
            found += ["MEAN,88.1,150.0", "MAX,121.9,212.0"]
    return found


def pages() -> list[str]:
    """Return printed pages, parted by form feeds."""
    found: list[str] = []
    for k, row in enumerate(table(DAY, by="   ")):
        if k % 45 == 0:
            head = "date/time             T degC    P kPa abs"
            found += ["\f" if k else "", f"Steam record   page {k // 45 + 1} of 8", head, "-" * 40]
        found.append(row)
    return found


def legends() -> list[tuple[str, str]]:
    """Columns that are only numbered, and what the lines above say of them."""
    return [
        (
            "legend of channels with their statistics",
            lines(
                table(DAY, mark=","),
                "Messprotokoll",
                "Kanal;Bezeichnung;Einheit;Min;Max;Mittel",
                "K1;Kammertemperatur;°C;21,9;121,9;88,1",
                "K2;Kammerdruck absolut;kPa;100,9;212,0;150,1",
                "",
                "Zeitpunkt;K1;K2",
            ),
        ),
        (
            "numbers as names, described as columns",
            lines(
                table(by=","),
                "Column 1 = date and time (local)",
                "Column 2 = chamber temperature, degC",
                "Column 3 = chamber pressure, kPa absolute",
                "",
                "1,2,3",
            ),
        ),
        (
            "no header, columns described in comments",
            lines(
                table(by=","),
                "# col1: date and time (local)",
                "# col2: chamber temperature [degC]",
                "# col3: chamber pressure [kPa absolute]",
            ),
        ),
        (
            "sections with a list of channels",
            lines(
                table(),
                "[Device]",
                "Interval=10 s",
                "[Channels]",
                "1=Chamber temperature;°C",
                "2=Chamber pressure;kPa abs",
                "[Data]",
                "Time;1;2",
            ),
        ),
    ]


def starts() -> list[tuple[str, str]]:
    """Rows that count, and where the start stands."""
    head = "Elapsed s;T °C;P kPa abs"
    plain = counted(1.0, "%d")
    return [
        ("start and date in two lines", lines(plain, "Date: 2024-05-21", "Start: 10:00:00", head)),
        (
            "start, end and date in three lines",
            lines(plain, "Start time;10:00:00", "End time;11:00:00", "Date;21/05/2024", head),
        ),
        (
            "short dotted date and a start's clock",
            lines(plain, "Datum: 21.05.24", "Startzeit: 10:00:00", head),
        ),
        (
            "date of the print beside",
            lines(
                plain, "Printed: 22.05.2024 07:00", "Datum: 21.05.2024", "Beginn: 10:00:00", head
            ),
        ),
        (
            "decimal minutes under one letter",
            lines(
                [r.replace(".", ",") for r in counted(1 / 60, "%.4f")],
                "Programmstart: 21.05.2024 10:00:00",
                "t/min;T/°C;p/kPa abs",
            ),
        ),
        (
            "decimal hours",
            lines(counted(1 / 3600, "%.6f"), "Start: 2024-05-21 10:00:00", "Hours;T °C;P kPa abs"),
        ),
    ]


def odd_columns() -> list[tuple[str, str]]:
    """Columns beside the readings that are none."""

    def wide(head: str, make: str, form: str = ISO) -> str:
        rows = rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: make.format(w=w.strftime(form), t=t, p=p, hi=t + 0.3, lo=t - 0.3),
        )
        return lines([r.replace("#", f"{k:04X}") for k, r in enumerate(rows)], head)

    return [
        (
            "letters of least, mean and most",
            wide(
                "Time;Tmin °C;Tavg °C;Tmax °C;P kPa abs", "{w};{lo:.1f};{t:.1f};{hi:.1f};{p:.1f}"
            ),
        ),
        (
            "running number to the base of 16",
            wide("Rec;Time;Chamber degC;Chamber kPa abs", "#;{w};{t:.1f};{p:.1f}"),
        ),
        (
            "alarms, door and humidity",
            wide(
                "Time;Door;AL HI;RH %;Chamber °C;Chamber kPa abs",
                "{w};closed;0;41.5;{t:.1f};{p:.1f}",
            ),
        ),
        (
            "slopes, lethality and saturation",
            wide(
                "Time;T (°C);dT/dt (K/min);P (kPa abs);F0 (min);Tsat (°C)",
                "{w};{t:.1f};0.5;{p:.1f};1.25;{hi:.1f}",
            ),
        ),
        (
            "water, jacket and generator",
            wide(
                "Time;Cooling water °C;Steam chamber °C;Steam generator °C;P chamber kPa abs;"
                "P generator kPa abs",
                "{w};18.0;{t:.1f};145.0;{p:.1f};410.0",
            ),
        ),
        (
            "gauge and absolute beside each other",
            wide("Time;T °C;P bar(g);P kPa(a)", "{w};{t:.1f};0.000;{p:.1f}"),
        ),
        ("types below the names", wide("Time;T °C;P kPa abs\ntime;float;float", "{w};{t};{p}")),
        (
            "date and clock short and dotted",
            wide("Datum;Zeit;T °C;P kPa abs", "{w};{t:.1f};{p:.1f}", "%d.%m.%y;%H.%M.%S"),
        ),
        (
            "short dotted date before a clock",
            wide("Datum;Zeit;T °C;P kPa abs", "{w};{t:.1f};{p:.1f}", "%d.%m.%y;%H:%M:%S"),
        ),
        (
            "date and clock dotted in one cell",
            wide("Zeitpunkt;T °C;P kPa abs", "{w};{t:.1f};{p:.1f}", "%d.%m.%y %H.%M.%S"),
        ),
    ]


def clocks() -> list[Shape]:
    """Clocks that may have twelve hours."""
    z = zoned(day_first=True)
    head = "Time;T °C;P kPa abs"
    twelve = table("%d/%m/%Y %I:%M:%S", AFTERNOON)
    night = table(SLASH, NIGHT)
    asked = [
        ("afternoon without its half", twelve, (), "clock_hours", "S-12.csv"),
        ("night that may be an afternoon", night, (), "clock_hours", "S-12.csv"),
        (
            "name says the afternoon",
            twelve,
            (),
            "twelve_hour_clock",
            "S-12_20240521_1410.csv",
        ),
        (
            "start says the afternoon",
            twelve,
            ("Started: 21/05/2024 2:10:00 PM",),
            "twelve_hour_clock",
            "S-12.csv",
        ),
    ]
    settled = [
        ("night by its name", night, (head,), z, "S-12_20240521_0210.csv"),
        (
            "night by a start year first",
            night,
            ("Start: 2024-05-21 02:10:00", head),
            z,
            "S-12.csv",
        ),
        ("night by its header", night, ("Time (24h);T °C;P kPa abs",), z, "S-12.csv"),
        ("night between points", table(DAY, NIGHT), (head,), z, "S-12.csv"),
        ("night year first", table(ISO, NIGHT), (head,), z, "S-12.csv"),
        (
            "night by a setting",
            night,
            (head,),
            zoned(day_first=True, clock_24h=True),
            "S-12.csv",
        ),
    ]
    return [
        Shape(name, lines(rows, *above, head).encode(), config=z, cause=cause, file=file)
        for name, rows, above, cause, file in asked
    ] + [
        Shape(name, lines(rows, *above).encode(), NIGHT, config=config, file=file)
        for name, rows, above, config, file in settled
    ]


def fresh_shapes() -> list[Shape]:
    """Return them all."""
    z = zoned()
    semi = "Time;T °C;P kPa abs"
    utc = rows_of(C, "UTC", lambda w, t, p, q: f"{w:%Y-%m-%dT%H:%M:%SZ},{t:.1f},{p:.1f}")
    both = [
        f"{(datetime.fromisoformat(r[:19]) + timedelta(hours=2)).isoformat()},{r}" for r in utc
    ]
    days = [cycle(f"2024-05-{d:02d}T08:00:00", rows=60) for d in range(1, 8)]
    week = Cycle(*(_joined([getattr(d, n) for d in days]) for n in ("ms", "t", "p", "load")))
    assert all(b > a for a, b in pairwise(week.ms.tolist()))
    found = [
        Shape(name, text.encode(), C, config=zoned(day_first=True) if "short" in name else z)
        for name, text in legends() + starts() + odd_columns()
    ]
    found += [
        Shape(
            "averages among the rows",
            lines(statistics(), "Time,T °C,P kPa abs").encode(),
            C,
            config=z,
            dropped={"not_a_sample": 12},
        ),
        Shape("printed pages", lines(pages()).encode(), C, config=z, dropped={"not_a_sample": 15}),
        Shape(
            "clock without leading zeros",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{unpadded(w)};{t:.1f};{p:.1f}"), semi
            ).encode(),
            C,
            config=z,
        ),
        Shape(
            "local and zoned time beside each other",
            lines(both, "time_local,time_utc,temp_degC,p_kPa_abs").encode(),
            C,
            config=Config(),
        ),
        Shape(
            "line ends with a return too many",
            lines(table(), semi, end="\r\r\n").encode(),
            C,
            config=z,
            dropped={},
        ),
        Shape(
            "number of the unit in its folder",
            lines(table(), semi).encode(),
            C,
            unit="AC 12",
            file="ward 3/AC 12/2024-05-21_1000.csv",
            config=z,
        ),
        Shape(
            "number of the unit before the date",
            lines(table(), semi).encode(),
            C,
            unit="AC_12",
            file="AC_12_20240521_1000.csv",
            config=z,
        ),
        Shape(
            "number that may be the unit's",
            lines(table(), semi).encode(),
            file="AC 3.csv",
            config=z,
            cause="unit_id",
            says="AC 3",
        ),
        Shape(
            "month in the name settles the order",
            lines(table(SLASH, cycle("2024-05-04T08:00:00")), semi).encode(),
            cycle("2024-05-04T08:00:00"),
            file="S-12 05-2024.csv",
            config=z,
        ),
        Shape(
            "week in the name settles the order",
            lines(table(SLASH, cycle("2024-05-07T08:00:00")), semi).encode(),
            cycle("2024-05-07T08:00:00"),
            file="S-12_KW19-2024.csv",
            config=z,
        ),
        Shape(
            "seven days on end settle the order",
            lines(table(SLASH, week), semi).encode(),
            week,
            file="S-12.csv",
            config=z,
        ),
        Shape(
            "units beside that change",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: (
                        f"{w:{ISO}};{t:.1f};C;{p:.1f}"
                        if w.second % 20
                        else f"{w:{ISO}};{t * 1.8 + 32:.1f};F;{p:.1f}"
                    ),
                ),
                "Time;T;U;P kPa abs",
            ).encode(),
            config=zoned(temperature_unit="°C"),
            cause="units_differ",
        ),
        Shape(
            "year of another era",
            lines(
                rows_of(
                    C, BERLIN, lambda w, t, p, q: f"{w:%d/%m}/{w.year + 543} {w:%H:%M:%S};{t};{p}"
                ),
                semi,
            ).encode(),
            config=z,
            cause="no_samples",
        ),
        Shape(
            "start that each row repeats",
            lines(
                [f"2024-05-21 10:00:00;{r}" for r in counted(1.0, "%d")],
                "Start;Elapsed s;T °C;P kPa abs",
            ).encode(),
            config=z,
            cause="spoilt",
        ),
    ]
    return found + clocks() + set_tight()


def set_tight() -> list[Shape]:
    """Return aligned text whose names hold single blanks, and dates without a year."""
    z = zoned()
    both = rows_of(
        C,
        BERLIN,
        lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S}   {t:6.1f}   {q:6.1f}   {10 * p:7.0f}",
    )
    named = "Drain temp.(°C) Load temp.(°C) Abs. pressure(mbar)"
    short = Cycle(C.ms[:84], C.t[:84], C.p[:84], C.load[:84])
    return [
        Shape("names by their units", lines(both, named).encode(), C, config=z, load=True),
        Shape(
            "date, time and names by their units",
            lines(both, "Log of the drain", "Date Time " + named).encode(),
            C,
            config=z,
            load=True,
        ),
        Shape(
            "as many words as columns, over others",
            lines(both, "Fecha Temp_dreno_C Temp_carga_C Pres abs_mbar").encode(),
            config=z,
            cause="columns_mismatch",
            says="single blanks",
        ),
        Shape(
            "names without units between single blanks",
            lines(both, "Date Time Drain temp Load temp Pressure abs mbar").encode(),
            config=z,
            cause="columns_mismatch",
            says="tabs or commas",
        ),
        Shape(
            "hour behind a date without its year",
            lines(
                rows_of(short, BERLIN, lambda w, t, p, q: f"{w:%d %b %H:%M:%S};{t};{p}"),
                "Time;T °C;P kPa abs",
            ).encode(),
            config=zoned(pressure_reference="absolute"),
            cause="time_column",
        ),
        Shape(
            "gauge above and vacuum below in one column",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S};{t};{p:.2f}"),
                "Time;T °C;Press psig/inHg vac",
            ).encode(),
            config=z,
            cause="foreign_unit",
            says="vacuum below",
        ),
    ]


def _joined(parts: list[object]) -> object:
    import numpy as np

    return np.concatenate(parts)  # type: ignore[arg-type]
