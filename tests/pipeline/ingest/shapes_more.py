"""More habits of exports from many places: halves of the day, midnight, what stands below.

As the others: combinations of habits, none follows a real logger.
"""

from __future__ import annotations

from chamberdrift.shared.config import Config

from .shapes_common import BERLIN, HEAD, C, iso
from .truth import Cycle, Shape, cycle, lines, num, rows_of, sited, zoned

NIGHT = cycle("2024-05-21T21:30:00")
"""23:30 to 00:30 in Berlin."""
AFTERNOON = cycle("2024-05-21T10:30:00")
"""12:30 to 13:30 in Berlin: a twelve that is no zero."""


def more_shapes() -> list[Shape]:
    """Return the shapes."""
    return [*_halves(), *_midnight(), *_dates(), *_below(), *_beside(), *_refused()]


def _halves() -> list[Shape]:
    """AM and PM as other languages write them, before and after the clock."""
    found = []
    for name, head, before, after, date in (
        ("Arabic", "الوقت,درجة الحرارة (°C),الضغط (kPa abs)", "", ("ص", "م"), "%d/%m/%Y"),
        ("Greek", "Ώρα,Θερμοκρασία (°C),Πίεση (kPa abs)", "", ("π.μ.", "μ.μ."), "%d/%m/%Y"),
        (
            "Greek without points",
            "Ώρα,Θερμοκρασία (°C),Πίεση (kPa abs)",
            "",
            ("πμ", "μμ"),
            "%Y-%m-%d",
        ),
        ("Turkish", "Tarih,Sıcaklık (°C),Basınç (kPa mutlak)", ("ÖÖ", "ÖS"), "", "%d.%m.%Y"),
        (
            "Hungarian",
            "Időpont,Hőmérséklet (°C),Nyomás (kPa abs)",
            ("de.", "du."),
            "",
            "%Y.%m.%d.",
        ),
        ("Chinese", "时间,温度(℃),压力(kPa绝压)", ("上午", "下午"), "", "%Y/%m/%d"),
        ("Swedish", "Tid,Temperatur (°C),Tryck (kPa abs)", "", ("fm", "em"), "%Y-%m-%d"),
        ("Czech", "Čas,Teplota (°C),Tlak (kPa abs)", "", ("dop.", "odp."), "%d.%m.%Y"),
    ):
        for when, c in (("forenoon", C), ("over noon", AFTERNOON)):
            rows = rows_of(
                c,
                BERLIN,
                lambda w, t, p, q, b=before, a=after, d=date: (
                    f"{w:{d}} {b[w.hour >= 12] + ' ' if b else ''}{w:%I:%M:%S}"
                    f"{' ' + a[w.hour >= 12] if a else ''},{num(t)},{num(p)}"
                ),
            )
            found.append(
                Shape(f"halves of the day, {name}, {when}", lines(rows, head).encode(), c,
                      config=zoned())
            )  # fmt: skip
    saturday = rows_of(
        cycle("2024-05-25T10:30:00"),
        BERLIN,
        lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S} Sa,{num(t)},{num(p)}",
    )
    found.append(
        Shape(
            "a Saturday is no half of a day",
            lines(saturday, HEAD).encode(),
            config=zoned(),
            cause="time_column",
        )
    )
    return found


def _midnight() -> list[Shape]:
    """A date alone stands for midnight, as spreadsheets write it."""

    def rows(form: str, clock: str = "%H:%M:%S") -> list[str]:
        return rows_of(
            NIGHT,
            BERLIN,
            lambda w, t, p, q: (
                f"{w:{form}}{'' if f'{w:%H%M%S}' == '000000' else f'{w: {clock}}'}"
                f",{num(t)},{num(p)}"
            ),
        )

    def data(body: list[str], *foot: str) -> bytes:
        return lines(body, HEAD, foot=foot).encode()

    backwards = Cycle(NIGHT.ms, NIGHT.t, NIGHT.p, NIGHT.load)
    begins = rows("%Y-%m-%d")
    first = next(i for i, r in enumerate(begins) if " " not in r)
    tail = Cycle(NIGHT.ms[first:], NIGHT.t[first:], NIGHT.p[first:], NIGHT.load[first:])
    head = Cycle(NIGHT.ms[: first + 1], NIGHT.t[: first + 1], NIGHT.p[: first + 1], NIGHT.load)
    summary = [*begins[:first], "2024-05-21,88.8,155.5", *iso_of(NIGHT)[first:]]
    return [
        Shape("midnight as a date, year first", data(begins), NIGHT, config=zoned()),
        Shape("midnight as a date, day first", data(rows("%d/%m/%Y")), NIGHT, config=zoned()),
        Shape("midnight as a date, month first", data(rows("%m/%d/%Y")), NIGHT, config=zoned()),
        Shape(
            "midnight as a date, AM and PM",
            data(rows("%m/%d/%Y", "%I:%M:%S %p")),
            NIGHT,
            config=zoned(),
        ),
        Shape("midnight as a date, newest first", data(begins[::-1]), backwards, config=zoned()),
        Shape("midnight as a date, the first row", data(begins[first:]), tail, config=zoned()),
        Shape("midnight as a date, the last row", data(begins[: first + 1]), head, config=zoned()),
        Shape(
            "a day's summary is no midnight",
            data(summary),
            NIGHT,
            config=zoned(),
            dropped={"unreadable_time": 1},
        ),
        Shape(
            "a summary below is no midnight",
            data(iso_of(NIGHT), "2024-05-21,88.8,155.5", "2024-05-22,77.7,144.4"),
            NIGHT,
            config=zoned(),
            dropped={"unreadable_time": 2},
        ),
    ]


def iso_of(c: Cycle) -> list[str]:
    """Plain rows of a cycle."""
    return iso(c)


def _dates() -> list[Shape]:
    found = []
    for name, form, clock in (
        ("year first with points and blanks", "%Y. %m. %d.", "%H:%M:%S"),
        ("an ordinal in the day", "21st %B %Y", "%H:%M:%S"),
        ("an ordinal after the month", "%B 21st %Y", "%H:%M:%S"),
        ("a word for the clock, Finnish", "%d.%m.%Y klo", "%H.%M.%S"),
        ("a word for the clock, Danish", "%d.%m.%Y kl.", "%H.%M.%S"),
        ("a word for the clock, Polish", "%d.%m.%Y godz.", "%H:%M:%S"),
        ("a Hungarian month", "%Y. máj. %d.", "%H:%M:%S"),
        ("a word for the year, Bulgarian", "%d.%m.%Y г.", "%H:%M:%S ч."),
    ):
        rows = rows_of(
            C,
            BERLIN,
            lambda w, t, p, q, f=form, k=clock: (
                f"{w:{f}} {w:{k}};{num(t, 1, ',')};{num(p, 1, ',')}"
            ),
        )
        head = HEAD.replace(",", ";")
        found.append(Shape(f"dates: {name}", lines(rows, head).encode(), C, config=zoned()))
    count = [
        f"{i / 6:.4f},{num(t)},{num(p)}" for i, (t, p) in enumerate(zip(C.t, C.p, strict=True))
    ]
    found.append(
        Shape(
            "t in minutes, and when it began",
            lines(
                count, "Recording began 2024-05-21 10:00:00", "t [min],T [°C],p [kPa abs]"
            ).encode(),
            C,
            config=zoned(),
        )
    )
    return found


def _below() -> list[Shape]:
    """What stands below the rows is said of all of them."""
    bare = "Time,Temperature,Pressure"
    american = rows_of(
        C, BERLIN,
        lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{num(t * 1.8 + 32, 2)},{num(p / 6.894757, 3)}",
    )  # fmt: skip
    return [
        Shape(
            "units and zone below the rows",
            lines(iso(), bare, foot=("", "Units: °C, kPa abs", "Time zone: UTC+2")).encode(),
            C,
            dropped={"not_a_sample": 2},
        ),
        Shape(
            "Fahrenheit and psi below the rows",
            lines(
                american, bare, foot=("", "Temperature unit: Fahrenheit", "Pressure unit: psia")
            ).encode(),
            C,
            config=zoned(),
            dropped={"not_a_sample": 2},
        ),
        Shape(
            "units among the rows are not said of all",
            lines([*iso()[:200], "Units: °C, kPa abs", *iso()[200:]], bare).encode(),
            config=zoned(),
            cause="pressure_unit",
        ),
    ]


def _beside() -> list[Shape]:
    """Columns beside the readings, and marks beside values."""

    def rows(*columns: str) -> list[str]:
        return rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: ",".join(
                [f"{w:%Y-%m-%d %H:%M:%S}"]
                + [c.format(t=t, p=p, q=q, low=t - 1.1, high=t + 1.3, dew=t - 9) for c in columns]
            ),
        )

    def shape(name: str, head: str, *columns: str) -> Shape:
        return Shape(name, lines(rows(*columns), head).encode(), C, config=zoned())

    return [
        *[
            shape(name, head, *columns)
            for name, head, *columns in (
                ("average between minimum and maximum of an interval",
                 "Time,T min (°C),T avg (°C),T max (°C),P avg (kPa abs)",
                 "{low:.1f}", "{t:.1f}", "{high:.1f}", "{p:.1f}"),
                ("humidity and dew point beside it",
                 "Time,Celsius(°C),Humidity(%rh),Dew Point(°C),Pressure(kPa abs)",
                 "{t:.1f}", "44.0", "{dew:.1f}", "{p:.1f}"),
                ("means and standard deviations of an interval",
                 "Time,Temp mean (°C),Temp SD (K),Pressure mean (kPa abs),Pressure SD (kPa)",
                 "{t:.1f}", "0.05", "{p:.1f}", "0.2"),
                ("serial numbers of sensors in the header",
                 'Time,"Temp, °C (LOG S/N: 1000, SEN S/N: 1001)",'
                 '"Abs Pres, kPa (LOG S/N: 1000, SEN S/N: 1002)",Host Connected',
                 "{t:.1f}", "{p:.1f}", ""),
                ("battery and charge beside it",
                 "Time,Temperature (°C),Pressure (kPa abs),Supply (V),Batt",
                 "{t:.1f}", "{p:.1f}", "3.6", "LOW"),
                ("what the vapour table says beside what was measured",
                 "Time,Saturation temp. (°C),Measured temp. (°C),Theoretical pressure (kPa abs),"
                 "Measured pressure (kPa abs)",
                 "{high:.1f}", "{t:.1f}", "999.0", "{p:.1f}"),
            )
        ],
        Shape(
            "a comment's mark before names between blanks",
            lines([r.replace(",", " ") for r in iso()],
                  "# date time temperature/C pressure/kPa_abs").encode(),
            C,
            config=zoned(),
        ),
        Shape(
            "typographic apostrophes between thousands",
            lines(
                rows_of(C, BERLIN, lambda w, t, p, q: (
                    f"{w:%d.%m.%Y %H:%M:%S};{num(t)};{num(p * 1000, 0, '.', '’')}")),
                "Zeit;Temperatur [°C];Absolutdruck [Pa]",
            ).encode(),
            C,
            config=zoned(),
        ),
        *[
            Shape(
                f"gauge pressure in other words, {unit}",
                lines(
                    rows_of(C, BERLIN, lambda w, t, p, q: (
                        f"{w:%d.%m.%Y %H:%M:%S};{num(t, 1, ',')};"
                        f"{num((p - 101.325) / 100, 3, ',')}")),
                    f"Zeit;Temperatur (°C);Druck ({unit})",
                ).encode(),
                C,
                config=sited(altitude_m=0.0),
            )
            for unit in ("barü", "bar rel", "bar (rel.)", "bar eff")
        ],
    ]  # fmt: skip


def _refused() -> list[Shape]:
    def dated(form: str) -> bytes:
        rows = rows_of(C, BERLIN, lambda w, t, p, q: f"{w:{form}},{num(t)},{num(p)}")
        return lines(rows, HEAD).encode()

    found = [
        Shape(
            f"no date that is read: {name}",
            dated(form),
            file="x/S-12.csv",
            config=zoned(),
            cause="time_column",
            says="in no form that is read",
        )
        for name, form in (
            ("no year, day first", "%d.%m. %H:%M:%S"),
            ("no year, month first", "%b %d %H:%M:%S"),
            ("the day of the year", "%Y-%j %H:%M:%S"),
            ("weeks", "%G-W%V-%u %H:%M:%S"),
            ("years of an era", "令和6年5月%d日 %H時%M分%S秒"),
        )
    ]
    digits = rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%d%m%y},{w:%H%M%S},{num(t)},{num(p)}")
    summer = iso(zone="-7")
    return [
        *found,
        Shape(
            "six digits are no date that is known",
            lines(digits, "DATE,TIME,Temp C,Press kPa abs").encode(),
            config=zoned(),
            cause="time_column",
            says="in no form that is read",
        ),
        Shape(
            "a start and a delay",
            lines(
                [
                    f"{i // 360:02d}:{i // 6 % 60:02d}:{i % 6}0,{num(t)},{num(p)}"
                    for i, (t, p) in enumerate(zip(C.t, C.p, strict=True))
                ],
                "Start time: 2024-05-21 09:30:00",
                "Start delay: 00:30:00",
                "Elapsed,Temp (°C),Pressure (kPa abs)",
            ).encode(),
            config=zoned(),
            cause="start_time",
            says="delay",
        ),
        Shape(
            "a pressure under a name that looks like a serial number's",
            lines(iso(), "Time,Temperature (°C),S/N 1000 abs").encode(),
            config=zoned(),
            cause="channels",
        ),
        Shape(
            "one name for two temperatures",
            lines(
                rows_of(
                    C,
                    BERLIN,
                    lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{num(t)},{num(q)},{num(p)}",
                ),
                "Time,Temp (°C),Temp (°C),Pressure (kPa abs)",
            ).encode(),
            config=zoned(),
            cause="channels",
            says="column 2",
        ),
        Shape(
            "a check sum grown on to the last value",
            lines([r + "*5A" for r in iso()], HEAD).encode(),
            config=zoned(),
            cause="channels",
            says="no plain numbers",
        ),
        Shape(
            "winter's abbreviation in summer names the fixed zone",
            lines(summer, HEAD.replace("Time", "Time (PST)")).encode(),
            config=Config(),
            cause="zone",
        ),
    ]
