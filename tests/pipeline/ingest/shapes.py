"""Exports in many shapes, each with known values or an expected refusal.

None follows a real logger: they are combinations of habits that text exports
have in general (encodings, marks, dates, preambles), invented here.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from datetime import UTC, datetime, timedelta

import numpy as np
from chamberdrift.shared.config import Assignment, Config, Defaults, LayoutPin, Site, Unit
from chamberdrift.shared.steam import pressure_at_altitude_kpa

from .truth import Cycle, Shape, cycle, lines, num, rows_of, sited, zoned

BERLIN = "Europe/Berlin"
C = cycle()
"""10:00 to 11:00 on 21 May 2024 in Berlin."""
EARLY = cycle("2024-05-04T08:00:00")
"""On 4 May: a date that can be read day first or month first."""

MONTHS_DE = "Jan Feb Mär Apr Mai Jun Jul Aug Sep Okt Nov Dez".split()


def iso(c: Cycle = C, zone: str = BERLIN) -> list[str]:
    """Plain rows: ISO time, °C, kPa."""
    return rows_of(c, zone, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{num(t)},{num(p)}")


HEAD = "Time,Temperature (°C),Pressure (kPa abs)"


def plain_shapes() -> list[Shape]:
    """Encodings, delimiters, marks."""
    text = lines(iso(), HEAD)
    semicolon = lines(
        rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S};{num(t, mark=',')};{num(p, mark=',')}",
        ),
        "Zeit;Kammertemperatur [°C];Kammerdruck [kPa abs]",
    )
    tab = lines(
        rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S}\t{num(t)}\t{num(p)}"),
        "Timestamp\tChamber °C\tChamber kPa(a)",
    )
    pipe = lines(
        rows_of(
            C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S} | {num(t)} | {num(p / 100, 3)}"
        ),
        "Time | Temp °C | Pressure bara",
    )
    quoted = lines(
        rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: (
                f'"{w:%Y-%m-%d %H:%M:%S}","{num(t, mark=",")}","{num(p, mark=",")}"'
            ),
        ),
        '"Time","Temperature [°C]","Pressure [kPa abs]"',
    )
    grouped = lines(
        rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: f'{w:%Y-%m-%d %H:%M:%S},{num(t)},"{num(p * 10, 1, ".", ",")}"',
        ),
        "Time,Temperature (°C),Pressure (mbar abs)",
    )
    grouped_de = lines(
        rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: (
                f"{w:%d.%m.%Y %H:%M:%S};{num(t, mark=',')};{num(p * 10, 1, ',', '.')}"
            ),
        ),
        "Zeit;Temperatur °C;Druck mbar absolut",
    )
    swiss = lines(
        rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S};{num(t)};{num(p * 10, 1, '.', chr(39))}",
        ),
        "Zeit;Temperatur °C;Druck mbar absolut",
    )
    spaced = lines(
        rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: (
                f"{w:%d/%m/%Y %H:%M:%S};{num(t, 1, ',')};{num(p * 1000, 0, ',', chr(0xA0))}"
            ),
        ),
        "Horodatage;Température (°C);Pression (Pa abs.)",
    )
    aligned = lines(
        rows_of(
            C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S}   {num(t):>7}   {num(p):>8}"
        ),
        "Date       Time         T [°C]   P [kPa abs]",
    )
    aligned_tight = lines(
        rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S}{num(t):>8}{num(p):>8}"),
        "Date       Time      Temp_C  P_kPa_abs",
    )
    z = zoned()
    return [
        Shape("utf8", text.encode(), C, config=z),
        Shape("utf8 with mark", text.encode("utf-8-sig"), C, config=z),
        Shape("utf16 little endian with mark", text.encode("utf-16"), C, config=z),
        Shape("utf16 big endian with mark", b"\xfe\xff" + text.encode("utf-16-be"), C, config=z),
        Shape("utf16 without mark", text.encode("utf-16-le"), C, config=z),
        Shape("utf16 big endian without mark", text.encode("utf-16-be"), C, config=z),
        Shape("cp1252 degree", text.encode("cp1252"), C, config=z),
        Shape("line ends crlf", text.replace("\n", "\r\n").encode(), C, config=z),
        Shape("line ends cr", text.replace("\n", "\r").encode(), C, config=z),
        Shape("no last line end", text.rstrip("\n").encode(), C, config=z),
        Shape("semicolon, decimal comma, cp1252", semicolon.encode("cp1252"), C, config=z),
        Shape("tab", tab.encode(), C, config=z),
        Shape("pipe with blanks, bara", pipe.encode(), C, config=z),
        Shape("quoted cells with decimal comma", quoted.encode(), C, config=z),
        Shape("quoted thousands", grouped.encode(), C, config=z),
        Shape("thousands points, decimal comma", grouped_de.encode(), C, config=z),
        Shape("thousands apostrophes", swiss.encode(), C, config=z),
        Shape("thousands hard blanks", spaced.encode(), C, config=z),
        Shape("aligned by blanks", aligned.encode(), C, config=z),
        Shape("aligned tightly", aligned_tight.encode(), C, config=z),
        Shape(
            "trailing delimiter in rows",
            text.replace("\n", ",\n").replace(HEAD + ",", HEAD).encode(),
            C,
            config=z,
        ),
        Shape("trailing delimiter throughout", text.replace("\n", ",\n").encode(), C, config=z),
        Shape(
            "trailing delimiter in some rows",
            lines([r + "," * (k % 3 == 0) for k, r in enumerate(iso())], HEAD).encode(),
            C,
            config=z,
        ),
        Shape("blanks after commas", text.replace(",", ", ").encode(), C, config=z),
        Shape("separator hint line", ("sep=,\n" + text).encode(), C, config=z),
        Shape("commented header", ("# chamber log\n# " + text).encode(), C, config=z),
        Shape(
            "decimal comma between commas",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: (
                        f"{w:%Y-%m-%d %H:%M:%S},{num(t, mark=',')},{num(p, mark=',')}"
                    ),
                ),
                HEAD,
            ).encode(),
            config=z,
            cause="columns_mismatch",
        ),
    ]


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
                        f"{w:%d/%m/%Y %I:%M:%S} {'a.m.' if w.hour < 12 else 'p.m.'};{num(t)};{num(p)}"
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


def unit_shapes() -> list[Shape]:
    """Units, references, places, languages."""
    z = zoned()

    def table(head: str, make, *above: str, c: Cycle = C, foot: tuple[str, ...] = ()) -> bytes:  # type: ignore[no-untyped-def]
        return lines(
            rows_of(c, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S};" + make(t, p, q)),
            *above,
            head,
            foot=foot,
        ).encode()

    def both(t: float, p: float, q: float) -> str:
        return f"{num(t)};{num(p)}"

    def gauge(t: float, p: float, q: float) -> str:
        return f"{num(t)};{num((p - 101.325) / 100, 4)}"

    high = pressure_at_altitude_kpa(1500.0)
    thin_air = Cycle(C.ms, C.t, np.where(C.p == 101.3, round(high, 1), C.p), C.load)

    def at_height(t: float, p: float, q: float) -> str:
        real = round(high, 1) if p == 101.3 else p
        return f"{num(t)};{num(real - high, 2)}"

    def kelvin(t: float, p: float, q: float) -> str:
        return f"{num(t + 273.15, 2)};{num(p / 1000, 5)}"

    def f_psi(t: float, p: float, q: float) -> str:
        return f"{num(t * 1.8 + 32, 2)};{num((p - 101.325) / 6.894757293168361, 3)}"

    langs = [
        (
            "German",
            "Zeitpunkt;Kammertemperatur [°C];Kammerdruck absolut [kPa];Beladungstemperatur [°C]",
        ),
        (
            "French",
            "Date et heure;Température cuve (°C);Pression absolue (kPa);Température charge (°C)",
        ),
        (
            "Spanish",
            "Fecha y hora;Temperatura cámara (°C);Presión absoluta (kPa);Temperatura carga (°C)",
        ),
        (
            "Italian",
            "Data e ora;Temperatura camera (°C);Pressione assoluta (kPa);Temperatura carico (°C)",
        ),
        (
            "Portuguese",
            "Data e hora;Temperatura câmara (°C);Pressão absoluta (kPa);Temperatura carga (°C)",
        ),
        (
            "Dutch",
            "Datum en tijd;Kamertemperatuur (°C);Druk absoluut (kPa);Temperatuur lading (°C)",
        ),
        (
            "English",
            "Date and time;Drain temperature (°C);Chamber pressure, absolute (kPa);Load probe (°C)",
        ),
    ]
    spoken = [
        Shape(
            f"header in {name}",
            table(head, lambda t, p, q: f"{num(t)};{num(p)};{num(q)}"),
            C,
            config=z,
            load=True,
        )
        for name, head in langs
    ]
    return [
        *spoken,
        Shape(
            "°F and psig",
            table("Time;Temp (°F);Pressure (psig)", f_psi),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "K and MPa absolute",
            table("Time;Temperature [K];Pressure [MPa abs]", kelvin),
            C,
            config=z,
        ),
        Shape(
            "gauge bar, altitude of the site",
            table("Time;Temp °C;Pressure kPa gauge", at_height),
            thin_air,
            config=sited(altitude_m=1500.0),
        ),
        Shape(
            "gauge with the atmosphere stated",
            table("Time;Temp °C;Pressure (bar g)", gauge, "Barometric pressure: 1013.25 hPa"),
            C,
            config=z,
        ),
        Shape(
            "Überdruck",
            table("Zeit;Temperatur °C;Überdruck bar", gauge),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "sealed gauge", table("Time;Temp °C;Pressure bar (sealed gauge)", gauge), C, config=z
        ),
        Shape("units row", table("Time;Temperature;Pressure\n;°C;kPa abs", both), C, config=z),
        Shape(
            "units row with the date's format",
            table("Time;Temperature;Pressure\n[yyyy-mm-dd hh:mm:ss];[°C];[kPa(a)]", both),
            C,
            config=z,
        ),
        Shape(
            "units above",
            table(
                "Time;Temperature;Pressure",
                both,
                "Temperature unit: °C",
                "Pressure unit: kPa (absolute)",
            ),
            C,
            config=z,
        ),
        Shape(
            "units in a list above",
            table("Time;Temperature;Pressure", both, "Units: °C, kPa abs"),
            C,
            config=z,
        ),
        Shape(
            "reference alone above",
            table("Time;Temperature (°C);Pressure (kPa)", both, "Pressure reference: absolute"),
            C,
            config=z,
        ),
        Shape(
            "units in cells",
            table(
                "Time;Temperature;Pressure (absolute)", lambda t, p, q: f"{num(t)} °C;{num(p)} kPa"
            ),
            C,
            config=z,
        ),
        Shape(
            "units in own columns",
            table(
                "Time;Temperature;Unit;Pressure (absolute);Unit",
                lambda t, p, q: f"{num(t)};°C;{num(p)};kPa",
            ),
            C,
            config=z,
        ),
        Shape(
            "two header rows",
            table(
                "Time;Chamber;;Load\n;Temp °C;Press kPa abs;Temp °C",
                lambda t, p, q: f"{num(t)};{num(p)};{num(q)}",
            ),
            C,
            config=z,
            load=True,
        ),
        Shape(
            "channels named above",
            table(
                "Time;CH1;CH2;CH3",
                lambda t, p, q: f"{num(t)};{num(p)};{num(q)}",
                "CH1: Chamber temperature °C",
                "CH2: Chamber pressure kPa abs",
                "CH3: Load temperature °C",
            ),
            C,
            config=z,
            load=True,
        ),
        Shape(
            "no temperature unit, settled by steam",
            table("Time;Temperature;Pressure kPa abs", both),
            C,
            config=z,
        ),
        Shape(
            "no temperature unit, °F settled by steam",
            table("Time;Temperature;Pressure psig", f_psi),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "no temperature unit, idle only",
            table(
                "Time;Temperature;Pressure kPa abs",
                both,
                c=cycle(setpoint=22.0, room=21.0, rows=360) if False else idle(),
            ),
            config=z,
            cause="temperature_unit",
        ),
        Shape(
            "no pressure unit",
            table("Time;Temperature °C;Pressure abs", both),
            config=z,
            cause="pressure_unit",
            says="kPa",
        ),
        Shape(
            "no reference, settled by steam",
            table("Time;Temperature °C;Pressure kPa", both),
            C,
            config=z,
        ),
        Shape(
            "no reference, gauge settled by steam",
            table("Time;Temperature °C;Pressure bar", gauge),
            C,
            config=z,
            assumed=True,
        ),
        Shape(
            "no reference, idle only",
            table(
                "Time;Temperature °C;Pressure kPa",
                lambda t, p, q: f"{num(t)};{num(0.1)}",
                c=idle(),
            ),
            config=z,
            cause="pressure_reference",
        ),
        Shape(
            "no reference, by the defaults",
            table("Time;Temperature °C;Pressure kPa", both, c=idle()),
            idle(),
            config=zoned(pressure_reference="absolute"),
        ),
        Shape(
            "stated absolute, steam says gauge",
            table("Time;Temperature °C;Pressure bar abs", gauge),
            config=z,
            cause="unit_contradiction",
            says="gauge",
        ),
        Shape(
            "stated gauge, steam says absolute",
            table("Time;Temperature °C;Pressure kPa gauge", both),
            config=z,
            cause="unit_contradiction",
            says="absolute",
        ),
        Shape(
            "stated °C, steam says °F",
            table(
                "Time;Temperature °C;Pressure kPa abs",
                lambda t, p, q: f"{num(t * 1.8 + 32)};{num(p)}",
            ),
            config=z,
            cause="unit_contradiction",
            says="°F",
        ),
        Shape(
            "stated bar, steam says psi",
            table(
                "Time;Temperature °C;Pressure bar abs",
                lambda t, p, q: f"{num(t)};{num(p / 6.894757, 3)}",
            ),
            config=z,
            cause="unit_contradiction",
        ),
        Shape(
            "swapped columns",
            table("Time;Temperature °C;Pressure kPa abs", lambda t, p, q: f"{num(p)};{num(t)}"),
            config=z,
            cause="unit_contradiction",
            says="swapped",
        ),
        Shape(
            "two unnamed temperatures",
            table("Time;Temp 1 °C;Temp 2 °C", lambda t, p, q: f"{num(t)};{num(q)}"),
            config=z,
            cause="channels",
        ),
        Shape(
            "two unnamed temperatures, pinned",
            table("Time;Temp 1 °C;Temp 2 °C", lambda t, p, q: f"{num(t)};{num(q)}"),
            C,
            pressure=False,
            load=True,
            config=Config(
                defaults=Defaults(zone=BERLIN),
                layouts=(
                    LayoutPin(
                        "north/*.csv",
                        columns=(("Temp 1 °C", "temperature_c"), ("Temp 2 °C", "temperature2_c")),
                    ),
                ),
            ),
        ),
        Shape(
            "set point, limits and jacket beside",
            table(
                "Time;Set point °C;Max temperature °C;Jacket °C;Chamber °C;Chamber kPa abs;F0 min",
                lambda t, p, q: f"121.0;{num(t + 3)};{num(t + 9)};{num(t)};{num(p)};0.0",
            ),
            C,
            config=z,
        ),
        Shape(
            "no header, nothing pinned",
            table("x", both).split(b"\n", 1)[1],
            config=z,
            cause="channels",
        ),
        Shape(
            "no header, columns pinned",
            table("x", both).split(b"\n", 1)[1],
            C,
            config=Config(
                defaults=Defaults(
                    zone=BERLIN,
                    pressure_reference="absolute",
                    temperature_unit="°C",
                    pressure_unit="kPa",
                ),
                layouts=(
                    LayoutPin(
                        "north/*",
                        columns=(
                            ("column 1", "time"),
                            ("column 2", "temperature_c"),
                            ("column 3", "pressure_kpa"),
                        ),
                    ),
                ),
            ),
        ),
        Shape(
            "only a temperature",
            table("Time;Drain °C", lambda t, p, q: num(t)),
            C,
            config=z,
            pressure=False,
        ),
        Shape(
            "three places everywhere, decimal comma",
            table(
                "Zeit;Temperatur °C;Druck kPa abs",
                lambda t, p, q: f"{num(t, 3, ',')};{num(p, 3, ',')}",
            ),
            C,
            config=z,
        ),
        Shape(
            "three places everywhere, one mark open",
            table(
                "Zeit;Temperatur °C;Druck bar abs",
                lambda t, p, q: f"{num(t, 0)};{num(p / 100, 3, ',')}",
            ),
            config=z,
            cause="decimal_mark",
        ),
    ]


def idle() -> Cycle:
    """An hour at room temperature."""
    c = cycle()
    t = np.round(21.0 + 0.2 * np.sin(np.arange(len(c.t)) / 9.0), 1)
    return Cycle(c.ms, t, np.full(len(t), 101.3), t)


def table_shapes() -> list[Shape]:
    """Preambles, feet, blocks, long tables, several units, archives."""
    z = zoned()
    rows = iso()
    long_rows = [
        line
        for when, t, p in zip(C.local(BERLIN), C.t, C.p, strict=True)
        for line in (
            f"{when:%Y-%m-%d %H:%M:%S};Chamber temperature;{num(t)};°C",
            f"{when:%Y-%m-%d %H:%M:%S};Chamber pressure;{num(p)};kPa abs",
        )
    ]
    by_channel = [r for k in (0, 1) for r in long_rows[k::2]]
    preamble = [f"Parameter {k}: value {k}" for k in range(400)]
    mixed = [
        "Logger export",
        "Device;S-12;;",
        "Logger serial: 00778",
        "Operator = desk 3",
        "",
        "Remarks\tchecked, cleaned; ok",
        "Calibrated: 2023-11-02",
        "Created: 2024-05-21 18:00",
        "",
    ]
    feet = ("", "Maximum,121.8,206.0", "Minimum,21.9,101.3", "Rows: 360", "End of report")
    two = []
    for k, (when, t, p, q) in enumerate(zip(C.local(BERLIN), C.t, C.p, C.load, strict=True)):
        two.append(f"S-12;{when:%Y-%m-%d %H:%M:%S};{num(t)};{num(p)}")
        two.append(f"S-13;{when:%Y-%m-%d %H:%M:%S};{num(q)};{num(p)}")
        del k
    again = cycle("2024-05-21T11:00:00")
    blocks = lines(
        ["Cycle 1", "Start: 2024-05-21 10:00:00", "", "Elapsed [s],T [°C],P [kPa abs]"]
        + [f"{k * 10},{num(t)},{num(p)}" for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))]
        + ["", "Cycle 2", "Start: 2024-05-21 13:00:00", "", "Elapsed [s],T [°C],P [kPa abs]"]
        + [
            f"{k * 10},{num(t)},{num(p)}"
            for k, (t, p) in enumerate(zip(again.t, again.p, strict=True))
        ]
    )
    joined = Cycle(
        *(np.concatenate([getattr(C, n), getattr(again, n)]) for n in ("ms", "t", "p", "load"))
    )
    repeated = rows[:100] + [HEAD] + rows[100:200] + ["", HEAD] + rows[200:]
    text = lines(rows, HEAD).encode()
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as z2:
        z2.writestr("part1.csv", lines(rows[:180], HEAD))
        z2.writestr("part2.csv", lines(rows[180:], HEAD))
        z2.writestr("readme.txt", "These files were exported by the front desk.\n")
    outside = Config(
        defaults=Defaults(zone=BERLIN),
        assignments=(Assignment("00778", "S-12"),),
        units=(Unit("S-12"),),
    )
    return [
        Shape("long preamble", lines(rows, *preamble, HEAD).encode(), C, config=z),
        Shape(
            "mixed preamble",
            lines(rows, *mixed, HEAD).encode(),
            C,
            file="inbox/2024.csv",
            config=z,
        ),
        Shape(
            "feet and summary",
            lines(rows, HEAD, foot=feet).encode(),
            C,
            config=z,
            dropped={"not_a_sample": 4},
        ),
        Shape(
            "repeated headers and blank lines",
            lines(repeated, HEAD).encode(),
            C,
            config=z,
            dropped={"repeated_header": 2},
        ),
        Shape(
            "blank line between rows",
            lines([x for r in rows for x in (r, "")], HEAD).encode(),
            C,
            config=z,
        ),
        Shape("long table", lines(long_rows, "Time;Channel;Value;Unit").encode(), C, config=z),
        Shape(
            "long table, channel after channel",
            lines(by_channel, "Time;Channel;Value;Unit").encode(),
            C,
            config=z,
        ),
        Shape(
            "long table, unit in the name",
            lines(
                [
                    r.rsplit(";", 1)[0]
                    .replace("temperature", "temperature [°C]")
                    .replace("pressure", "pressure [kPa abs]")
                    for r in long_rows
                ],
                "Timestamp;Parameter;Reading",
            ).encode(),
            C,
            config=z,
        ),
        Shape(
            "unit column",
            lines(two, "Unit;Time;Temperature °C;Pressure kPa abs").encode(),
            C,
            unit="S-12,S-13",
            file="all.csv",
            config=z,
        ),
        Shape(
            "several cycles in blocks",
            blocks.encode(),
            joined,
            config=z,
            dropped={"not_a_sample": 2, "repeated_header": 1},
        ),
        Shape("newest first", lines(rows[::-1], HEAD).encode(), C, config=z),
        Shape(
            "rows out of order",
            lines(rows[:50] + [rows[51], rows[50]] + rows[52:], HEAD).encode(),
            C,
            config=z,
        ),
        Shape(
            "rows twice",
            lines(rows[:50] + rows[40:], HEAD).encode(),
            C,
            config=z,
            dropped={"duplicate": 10},
        ),
        Shape("gzip", gzip.compress(text), C, file="north/S-12.csv.gz", config=z),
        Shape("zip of two and a note", archive.getvalue(), C, file="north/S-12.zip", config=z),
        Shape(
            "error words",
            lines(
                [
                    r if k % 20 else r.split(",")[0] + ",OL," + r.split(",")[2]
                    for k, r in enumerate(rows)
                ],
                HEAD,
            ).encode(),
            config=z,
            truth=Cycle(C.ms, np.where(np.arange(360) % 20 == 0, np.nan, C.t), C.p, C.load),
        ),
        Shape(
            "sentinels",
            lines(
                [r if k % 20 else r.split(",")[0] + ",-999.0,-999.0" for k, r in enumerate(rows)],
                HEAD,
            ).encode(),
            config=z,
            dropped={"sentinel": 18},
            truth=Cycle(*(np.delete(a, np.arange(0, 360, 20)) for a in (C.ms, C.t, C.p, C.load))),
        ),
        Shape(
            "too many spoilt rows",
            lines(
                [r if k % 3 else r.split(",")[0] + ",-999.0,-999.0" for k, r in enumerate(rows)],
                HEAD,
            ).encode(),
            config=z,
            cause="spoilt",
        ),
        Shape(
            "logger mapped by assignment",
            lines(rows, "Logger serial: 00778", HEAD).encode(),
            C,
            file="x/2024-05-21.csv",
            config=outside,
        ),
        Shape(
            "unit stated twice differently",
            lines(rows, "Unit: S-12", "Sterilizer: S-99", HEAD).encode(),
            config=z,
            cause="unit_id",
        ),
        Shape(
            "no unit anywhere",
            lines(rows, HEAD).encode(),
            file="2024-05-21_100000.csv",
            config=z,
            cause="unit_id",
        ),
        Shape(
            "unit from the folder",
            lines(rows, HEAD).encode(),
            C,
            unit="ST-04",
            file="north/ST-04/2024-05-21_100000.csv",
            config=Config(sites=(Site("north", zone=BERLIN),)),
        ),
        Shape("zone nowhere", text, cause="zone"),
        Shape(
            "zone in the header",
            lines(iso(zone="UTC"), HEAD.replace("Time", "Time (UTC)")).encode(),
            C,
        ),
        Shape(
            "zone offset in the header",
            lines(iso(), HEAD.replace("Time", "Time [UTC+02:00]")).encode(),
            C,
            config=zoned("Asia/Tokyo"),
        ),
        Shape(
            "zone above",
            lines(iso(zone="America/New_York"), "Time zone: America/New_York", HEAD).encode(),
            C,
        ),
        Shape("zone of the site", text, C, config=sited()),
        Shape(
            "zone above, summer time unclear",
            lines(rows, "Time zone: UTC+01:00", "Daylight saving: on", HEAD).encode(),
            cause="zone",
        ),
        Shape("header only", (HEAD + "\n").encode(), config=z, cause="no_table"),
        Shape(
            "one row",
            lines(rows[:1], HEAD).encode(),
            config=z,
            truth=Cycle(C.ms[:1], C.t[:1], C.p[:1], C.load[:1]),
        ),
        Shape(
            "two rows",
            lines(rows[:2], HEAD).encode(),
            config=z,
            truth=Cycle(C.ms[:2], C.t[:2], C.p[:2], C.load[:2]),
        ),
    ]


def all_shapes() -> list[Shape]:
    """Every shape."""
    return plain_shapes() + date_shapes() + unit_shapes() + table_shapes()


assert UTC is not None
