"""Habits of exports from all over the world: scripts, months, clocks, units, cells.

As the others: combinations of habits, none follows a real logger.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np

from .shapes_common import BERLIN, HEAD, C, iso
from .truth import Cycle, Shape, cycle, lines, num, rows_of, zoned

ARABIC = str.maketrans("0123456789.", "٠١٢٣٤٥٦٧٨٩٫")
PERSIAN = str.maketrans("0123456789.", "۰۱۲۳۴۵۶۷۸۹٫")
FULL = str.maketrans("0123456789.-:", "０１２３４５６７８９．－：")
PSI_PER_KPA = 0.1450377377
AIR = 101.325
MIDNIGHT = cycle("2024-05-20T21:30:00")
"""23:30 on 20 May to 0:30 on 21 May in Berlin."""
HALF = cycle(step_s=0.5)


def world_shapes() -> list[Shape]:
    """Shapes of other scripts, words, clocks, units and cells."""
    return [*_scripts(), *_months(), *_clocks(), *_units(), *_cells(), *_words_for_nothing()]


def _shape(name: str, head: str, rows: list[str], truth: Cycle = C, **more: Any) -> Shape:
    encoding = more.pop("encoding", "utf-8")
    more.setdefault("config", zoned())
    if truth is not C:
        more.setdefault("file", "north/S-12.csv")
    return Shape(name, lines(rows, head).encode(encoding), truth, **more)


def _stamp(form: str, mark: str = ".", by: str = ";", c: Cycle = C) -> list[str]:
    """Rows with a time in one form."""
    return rows_of(
        c, BERLIN, lambda w, t, p, q: by.join((w.strftime(form), num(t, 1, mark), num(p, 1, mark)))
    )


def _scripts() -> list[Shape]:
    dots = "%d.%m.%Y %H:%M:%S"
    mbar = rows_of(
        C, BERLIN, lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S};{num(t, 1, ',')};{p * 10:.0f}"
    )
    russian = "Дата и время;Температура, °C;Давление абс., мбар"
    cyrillic = "Дата и время;Температура камеры, °С;Абсолютное давление, кПа"
    kanji = rows_of(
        C,
        BERLIN,
        lambda w, t, p, q: (
            f"{w.year}年{w.month}月{w.day}日 {w.hour}時{w.minute:02d}分{w.second:02d}秒,{t},{p}"
        ),
    )
    halves = rows_of(
        C,
        BERLIN,
        lambda w, t, p, q: (
            f"{w:%Y-%m-%d} {('오전', '오후')[w.hour >= 12]} {w.hour % 12 or 12}:{w:%M:%S},{t},{p}"
        ),
    )
    slashes = _stamp("%Y/%m/%d %H:%M:%S", by=",")
    japanese = "日時,温度(℃),絶対圧(kPa)"
    return [
        _shape("Arabic digits", HEAD, [r.translate(ARABIC) for r in iso()]),
        _shape(
            "Arabic header and digits",
            "الوقت;درجة الحرارة (°C);الضغط المطلق (kPa)",
            [r.replace(",", ";").translate(ARABIC) for r in iso()],
        ),
        _shape("Persian digits", HEAD, [r.translate(PERSIAN) for r in iso()]),
        _shape("full-width digits", HEAD, [r.translate(FULL) for r in iso()]),
        _shape("full-width brackets and units", "時刻,温度（℃）,絶対圧力（ｋＰａ）", iso()),
        _shape("Japanese header", japanese, slashes),
        _shape("Japanese header, its older encoding", japanese, slashes, encoding="shift_jis"),
        _shape("Japanese dates", japanese, kanji),
        _shape(
            "Chinese header, its older encoding",
            "时间,温度(℃),绝对压力(kPa)",
            iso(),
            encoding="gbk",
        ),
        _shape("Korean halves of the day", "시간,온도(℃),압력(kPa abs)", halves),
        _shape("Russian header", russian, mbar),
        _shape("Russian header, its older encoding", russian, mbar, encoding="cp1251"),
        _shape("Russian units", cyrillic, _stamp(dots, ",")),
        _shape(
            "Greek header",
            "Ώρα;Θερμοκρασία (°C);Απόλυτη πίεση (kPa)",
            _stamp("%d/%m/%Y %H:%M:%S"),
        ),
        _shape(
            "Czech header and dates",
            "Datum a čas;Teplota (°C);Tlak absolutní (kPa)",
            rows_of(
                C,
                BERLIN,
                lambda w, t, p, q: (
                    f"{w.day}. {w.month}. {w:%Y %H:%M:%S};{num(t, 1, ',')};{num(p, 1, ',')}"
                ),
            ),
        ),
    ]


def _months() -> list[Shape]:
    found = []
    for name, start, month, head, encoding in (
        (
            "Turkish",
            "2024-05-21",
            "Mayıs",
            "Tarih Saat;Sıcaklık (°C);Mutlak Basınç (kPa)",
            "utf-8",
        ),
        (
            "Turkish",
            "2024-05-21",
            "Mayıs",
            "Tarih Saat;Sıcaklık (°C);Mutlak Basınç (kPa)",
            "cp1254",
        ),
        (
            "Polish",
            "2024-05-21",
            "maja",
            "Data i godzina;Temperatura (°C);Ciśnienie bezwzgl. (kPa)",
            "utf-8",
        ),
        (
            "Polish",
            "2024-10-21",
            "października",
            "Data;Temperatura (°C);Ciśnienie abs (kPa)",
            "cp1250",
        ),
        (
            "French",
            "2024-05-21",
            "mai",
            "Date et heure;Température (°C);Pression absolue (kPa)",
            "utf-8",
        ),
        (
            "French",
            "2024-02-21",
            "févr.",
            "Date et heure;Température (°C);Pression absolue (kPa)",
            "cp1252",
        ),
        ("German", "2024-03-21", "März", "Datum;Temperatur (°C);Absolutdruck (kPa)", "utf-8"),
        ("Finnish", "2024-06-21", "kesäkuuta", "Aika;Lämpötila (°C);Paine abs (kPa)", "utf-8"),
        ("Russian", "2024-01-21", "января", "Дата;Температура (°C);Давление абс. (кПа)", "utf-8"),
    ):
        c = cycle(f"{start}T08:00:00")
        rows = rows_of(
            c,
            BERLIN,
            lambda w, t, p, q, m=month: (  # type: ignore[misc]
                f"{w.day} {m} {w:%Y %H:%M:%S};{num(t, 1, ',')};{num(p, 1, ',')}"
            ),
        )
        found.append(
            _shape(
                f"{name} month, {month} in {encoding}",
                head,
                rows,
                c,
                encoding=encoding,
                file="north/S-12.csv",
            )
        )
    return found


def _clocks() -> list[Shape]:
    def turned(w: Any) -> str:
        """Midnight as the end of the day before."""
        if (w.hour, w.minute, w.second) == (0, 0, 0):
            return f"{w - timedelta(days=1):%Y-%m-%d} 24:00:00"
        return f"{w:%Y-%m-%d %H:%M:%S}"

    def half(w: Any, marks: tuple[str, str], form: str) -> str:
        return f"{w.strftime(form)} {w.hour % 12 or 12}:{w:%M:%S} {marks[w.hour >= 12]}"

    spanish = "Fecha;Temperatura (°C);Presión absoluta (kPa)"
    found = [
        _shape(
            "24:00:00",
            HEAD,
            rows_of(MIDNIGHT, BERLIN, lambda w, t, p, q: f"{turned(w)},{t},{p}"),
            MIDNIGHT,
        ),
        _shape(
            "24:00:00 in a column of its own",
            HEAD.replace("Time", "Date,Time"),
            rows_of(
                MIDNIGHT,
                BERLIN,
                lambda w, t, p, q: f"{turned(w).replace(' ', ',')},{t},{p}",
            ),
            MIDNIGHT,
        ),
        _shape(
            "AM and PM in a column of their own",
            HEAD.replace("Time", "Date,Time,AM/PM"),
            rows_of(
                MIDNIGHT, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d},{w:%I:%M:%S},{w:%p},{t},{p}"
            ),
            MIDNIGHT,
        ),
        _shape(
            "fraction of a second behind a comma",
            "Zeit;Temperatur °C;Druck abs kPa",
            rows_of(
                HALF,
                BERLIN,
                lambda w, t, p, q: (
                    f"{w:%Y-%m-%d %H:%M:%S},{w.microsecond // 1000:03d};"
                    f"{num(t, 1, ',')};{num(p, 1, ',')}"
                ),
            ),
            HALF,
        ),
        _shape(
            "minutes with four places",
            "Start: 2024-05-21 10:00:00\nElapsed (min),Temp (°C),Pressure (kPa abs)",
            [f"{k * 10 / 60:.4f},{t},{p}" for k, (t, p) in enumerate(zip(C.t, C.p, strict=True))],
        ),
        _shape(
            "nanoseconds since 1970",
            "timestamp,temp_c,press_kpa_abs",
            [f"{m}000000,{t},{p}" for m, t, p in zip(C.ms, C.t, C.p, strict=True)],
        ),
        _shape(
            "offset with the zone's name behind it",
            HEAD,
            _stamp("%Y-%m-%dT%H:%M:%S+02:00[Europe/Berlin]", by=","),
        ),
        _shape(
            "date in words with an offset",
            HEAD,
            _stamp("%a %b %d %Y %H:%M:%S GMT+0200", by=","),
        ),
    ]
    for name, marks in (
        ("points", ("a.m.", "p.m.")),
        ("blanks", ("a. m.", "p. m.")),
        ("hard blanks", ("a.\u00a0m.", "p.\u00a0m.")),
    ):
        found.append(
            _shape(
                f"halves of the day with {name}",
                spanish,
                rows_of(
                    MIDNIGHT,
                    BERLIN,
                    lambda w, t, p, q, m=marks: (  # type: ignore[misc]
                        f"{half(w, m, '%d/%m/%Y')};{num(t, 1, ',')};{num(p, 1, ',')}"
                    ),
                ),
                MIDNIGHT,
            )
        )
    return found


def _units() -> list[Shape]:
    found = []
    for head, factor, gauge, places in (
        ("Pressure (psig)", PSI_PER_KPA, True, 3),
        ("press_psia", PSI_PER_KPA, False, 3),
        ("Abs. Pressure hPa", 10.0, False, 0),
        ("p [bar(a)]", 0.01, False, 4),
        ("p [bara]", 0.01, False, 4),
        ("p [barg]", 0.01, True, 4),
        ("p_bar_g", 0.01, True, 4),
        ("Pressure [inHg] (gauge)", 1 / 3.386389, True, 3),
        ("Pressure [mmHg abs]", 1 / 0.133322, False, 1),
        ("Chamber pressure abs [torr]", 1 / 0.133322, False, 1),
        ("Pressure [kgf/cm² abs]", 1 / 98.0665, False, 4),
        ("Pressure kg/cm2(g)", 1 / 98.0665, True, 4),
        ("Druck [ata]", 1 / 98.0665, False, 4),
        ("Absolute pressure [N/m²]", 1000.0, False, 0),
        ("Absolute pressure [kN/m2]", 1.0, False, 1),
        ("Pressure [atm abs]", 1 / 101.325, False, 5),
        ("Pressure MPa abs", 0.001, False, 5),
    ):
        rows = rows_of(
            C,
            BERLIN,
            lambda w, t, p, q, f=factor, g=gauge, n=places: (  # type: ignore[misc]
                f"{w:%Y-%m-%d %H:%M:%S};{t * 1.8 + 32:.2f};{(p - AIR * g) * f:.{n}f}".replace(
                    ";0.", ";."
                )
            ),
        )
        found.append(
            _shape(f"degF beside {head}", f"Time;Temp (degF);{head}", rows, assumed=gauge)
        )
    return found


def _cells() -> list[Shape]:
    plain = iso()
    semi = [r.replace(",", ";") for r in plain]
    pascal = "Datum/Zeit;Temperatur [°C];Druck abs. [Pa]"

    def groups(mark: str) -> list[str]:
        return rows_of(
            C,
            BERLIN,
            lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S};{t};{p * 1000:,.0f}".replace(",", mark),
        )

    minus = rows_of(
        C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S};{t};{(p - AIR) / 100:.4f}"
    )
    held = (np.arange(360) >= 100) & (np.arange(360) < 130)
    found = [
        _shape("groups by typewriter apostrophes", pascal, groups("'")),
        _shape("groups by typographic apostrophes", pascal, groups("\u2019")),
        _shape(
            "a minus sign that is no hyphen",
            "Time;T °C;p [bar rel]",
            [r.replace(";-", ";\u2212") for r in minus],
            assumed=True,
        ),
        _shape(
            "guarded cells in some rows",
            HEAD,
            [
                r if k % 2 else ",".join(f'="{c}"' for c in r.split(","))
                for k, r in enumerate(plain)
            ],
        ),
        _shape(
            "a quote before each cell",
            HEAD,
            [",".join("'" + c for c in r.split(",")) for r in plain],
        ),
        _shape(
            "blanks around cells", HEAD + "   ", [r.replace(",", "  ,  ") + "  " for r in plain]
        ),
        _shape("delimiters behind the header only", HEAD.replace(",", ";") + ";;;", semi),
        _shape(
            "delimiters behind the rows only", HEAD.replace(",", ";"), [r + ";;;" for r in semi]
        ),
        _shape(
            "a tab behind the rows and clock cells of two digits",
            "Datum & Uhrzeit\tTemperatur Sensor 1 [ °C]\tSystemzeit",
            rows_of(
                C,
                BERLIN,
                lambda w, t, p, q: f"{w:%d.%m.%Y %H:%M:%S}\t{num(t, 1, ',')}\t0:{w.second}\t",
            ),
            pressure=False,
        ),
        _shape(
            "plus signs and zeros",
            HEAD,
            rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},+{t:06.1f},+{p:07.2f}"),
        ),
        _shape("degrees in small letters", "Time,Temp (oC),Pressure (kPa abs)", plain),
        _shape("degrees encoded twice", "Time,Temp (Â°C),Pressure (kPa abs)", plain),
        _shape(
            "states beside each reading",
            "Time;Status T;Temp (°C);Status P;Pressure (kPa abs);Mode",
            rows_of(C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S};OK;{t};OK;{p};RUN"),
        ),
        _shape(
            "alarms among the rows",
            HEAD,
            [
                x
                for k, r in enumerate(plain)
                for x in ([r, r.split(",")[0] + ",ALARM 17: door"] if k % 60 == 30 else [r])
            ],
            dropped={"not_a_sample": 6},
        ),
        _shape(
            "comments among the rows",
            HEAD,
            [
                x
                for k, r in enumerate(plain)
                for x in (["# see, a, note", "// 121.0 reached", r] if k % 60 == 30 else [r])
            ],
            dropped={"not_a_sample": 12},
        ),
        _shape(
            "a power-on reading that is held while the chamber warms",
            HEAD,
            [
                f"{r.split(',')[0]},85.0,{r.split(',')[2]}" if held[k] else r
                for k, r in enumerate(plain)
            ],
            Cycle(C.ms, np.where(held, np.nan, C.t), C.p, C.load),
        ),
    ]
    dwell = np.interp(np.arange(360), [0, 100, 160, 359], [22, 85, 85, 120]).round(1)
    found.append(
        _shape(
            "a dwell at 85 °C",
            HEAD,
            [
                f"{w:%Y-%m-%d %H:%M:%S},{t},101.3"
                for w, t in zip(C.local(BERLIN), dwell, strict=True)
            ],
            Cycle(C.ms, dwell, np.full(360, 101.3), dwell),
        )
    )
    ends = ("\r\n", "\n", "\r")
    mixed = "".join(r + ends[k % 3] for k, r in enumerate([HEAD, *plain]))
    return [
        *found,
        Shape("three line ends in one file", mixed.encode(), C, config=zoned()),
        Shape("carriage returns only", lines(plain, HEAD, end="\r").encode(), C, config=zoned()),
    ]


def _words_for_nothing() -> list[Shape]:
    """Words that stand where a reading is missing."""
    gone = np.arange(360) % 50 == 7
    truth = Cycle(C.ms, np.where(gone, np.nan, C.t), C.p, C.load)
    found = []
    for word in (
        "#NV",
        "k.A.",
        "s/d",
        "нет",
        "無",
        "****",
        "Kein Wert",
        "Sensor defekt",
        "(null)",
        "-nan(ind)",
        "1.#QNAN",
        "1.#INF",
    ):
        rows = [
            f"{r.split(',')[0]},{word},{r.split(',')[2]}" if gone[k] else r
            for k, r in enumerate(iso())
        ]
        found.append(
            _shape(f"no reading: {word}", HEAD, rows, truth, file="north/S-12_20240521.csv")
        )
    return found
