"""Encodings, delimiters and marks."""

from __future__ import annotations

from .shapes_common import BERLIN, HEAD, C, iso
from .truth import Shape, lines, num, rows_of, zoned


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
